"""`packetkit settings`: every parameter that both ends must share, and what each mismatch of two ends looks like.

Facts and symptoms are packetkit.mission.settings's; this module words and draws.
"""

from __future__ import annotations

import click

from packetkit.cli import output
from packetkit.files import load, not_onto_an_input, only_one_standard_input
from packetkit.mission.load import Mission
from packetkit.mission.settings import Mismatch, mismatches, rows
from packetkit.radio import CAUTION

FINDINGS = 1
INDENT = "    "


def document(mission: Mission, other: Mission | None, found: tuple[Mismatch, ...]) -> dict[str, object]:
    """What `--json` writes: the same keys always."""
    return {
        "mission": mission.name,
        "settings": [{"name": name, "value": value} for name, value in rows(mission)],
        "compared_with": None if other is None else other.name,
        "mismatches": [
            {
                "name": one.name,
                "sender": one.first,
                "receiver": one.second,
                "symptom": one.symptom,
                "matters": one.matters,
            }
            for one in found
        ],
        "agrees": None if other is None else not any(one.matters for one in found),
        "caution": CAUTION,
    }


def text(mission: Mission, encoding: str) -> str:
    """The card of one mission."""
    columns = (output.Column("both ends set"), output.Column("to", fit="wrap"))
    table = output.Table(columns, rows(mission)).text(encoding=encoding)
    note = (
        "Flight and ground must agree in every line. A driver may spell them otherwise: bandwidth in Hz, coding rate 4/5 as 5 or 1, "
        "the sync word as the family writes it."
    )
    return f"{mission.name}: what flight and ground must share\n\n{table}\n{_paragraphs(note, CAUTION)}"


def compared_text(first: Mission, second: Mission, found: tuple[Mismatch, ...]) -> str:
    """The mismatches of two ends, those that matter first."""
    head = f"{first.name} sends, {second.name} receives\n"
    if not found:
        return f"{head}\nBoth ends agree in everything.\n\n{_paragraphs(CAUTION)}"
    blocks = [_block(one) for one in sorted(found, key=lambda one: not one.matters)]
    matters = sum(one.matters for one in found)
    count = "1 mismatch matters" if matters == 1 else f"{matters} mismatches matter"
    closing = _paragraphs(f"! {count}; what has no mark does no harm to reception.", CAUTION)
    return "\n".join([head, *blocks, closing])


def _block(one: Mismatch) -> str:
    """One mismatch: its name, either end's value, what happens."""
    width = min(output.columns(), output.DEFAULT_COLUMNS) - len(INDENT)
    lines = [f"sender    {one.first}", f"receiver  {one.second}", *output.wrapped(one.symptom, width)]
    return "\n".join([f"{'!' if one.matters else ' '} {one.name}", *(INDENT + line for line in lines)]) + "\n"


def _paragraphs(*told: str) -> str:
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    return "\n".join("\n".join(output.wrapped(one, width)) + "\n" for one in told)


@click.command("settings")
@click.argument("schema", metavar="SCHEMA")
@click.argument("other", metavar="[RECEIVER]", required=False)
@output.json_option
@output.output_option
def command(schema: str, other: str | None, as_json: bool, destination: str) -> int:
    """List every parameter that flight and ground must share, or explain how two ends differ.

    SCHEMA alone: the list. With RECEIVER, a second schema: each mismatch between a sender with the first and a receiver with the second,
    and what it looks like. Exit status 1: a mismatch keeps frames from arriving whole.

    \b
    packetkit settings heron.yaml
    packetkit settings flight.yaml ground.yaml
    """
    given = [schema, *([other] if other is not None else [])]
    only_one_standard_input(*given)
    not_onto_an_input(destination, *given)
    missions = [load(one) for one in given]
    first, second = missions[0], missions[1] if other is not None else None
    found = () if second is None else mismatches(first, second)
    encoding = output.encoding_of(destination)
    if as_json:
        output.write_json(document(first, second, found), destination)
    elif second is None:
        output.write(text(first, encoding), destination)
    else:
        output.write(compared_text(first, second, found), destination)
    return FINDINGS if any(one.matters for one in found) else 0
