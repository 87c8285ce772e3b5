"""`packetkit start`: a commented first schema from a list of measures and a byte limit, or from a CSV of fields.

What goes into it is decided by packetkit.mission.draft; the draft is checked by loading it before it is written.
"""

from __future__ import annotations

import re

import click

from packetkit.cli import output
from packetkit.errors import InputError
from packetkit.files import not_onto_an_input, not_onto_work, read_text, shown_name
from packetkit.mission.draft import Measure, Radio, fit, from_csv, measure, text_of
from packetkit.mission.load import parse
from packetkit.radio import settings
from packetkit.schema.editor import json_schema, reference
from packetkit.schema.names import MISSION_NAME
from packetkit.schema.presets import PRESETS
from packetkit.schema.words import format_number

# No name begins with a digit, so a comma between two of them ends no measure.
DECIMAL_COMMA = re.compile(r"[0-9]+,[0-9]+")


def quantities(encoding: str) -> str:
    """The table of presets: what each stands for, and why."""
    columns = (
        output.Column("quantity"),
        output.Column("minimum", ">"),
        output.Column("maximum", ">"),
        output.Column("step", ">"),
        output.Column("unit"),
        output.Column("bits", ">"),
        output.Column("why", fit="wrap"),
    )
    rows = tuple(
        (
            row.name,
            format_number(row.minimum),
            format_number(row.maximum),
            format_number(row.resolution),
            row.unit,
            Measure(row.name, row.minimum, row.maximum, row.resolution, missing=row.missing).width,
            row.why,
        )
        for row in PRESETS.values()
    )
    return output.Table(columns, rows).text(encoding=encoding)


def reference_text(encoding: str) -> str:
    """The words of the language, a table a chapter, from the tables that the loader walks."""
    columns = (output.Column("word"), output.Column("what it says", fit="wrap"))
    parts = []
    for title, rows in reference():
        parts.append(f"{title}\n\n{output.Table(columns, tuple(rows)).text(encoding=encoding)}")
    return "\n".join(parts)


def gathered(measures: str | None, fields: str | None) -> list[Measure]:
    """The measures asked for, from either source. Raises InputError with every one that cannot be read."""
    if fields is not None:
        return from_csv(read_text(fields), shown_name(fields))
    if comma := DECIMAL_COMMA.search(measures or ""):
        meant = comma[0].replace(",", ".")
        raise InputError(
            f"--measures: {comma[0]} has a decimal comma, and a comma ends a measure; write {meant}"
        )
    read = [_measure(word) for word in (measures or "").split(",") if word.strip()]
    faults = [one for one in read if isinstance(one, str)]
    if not read:
        faults = ["--measures: the list is empty; name one, such as pressure, or several with commas between"]
    if faults:
        raise InputError("\n  ".join(["", *faults]) if len(faults) > 1 else faults[0])
    return [one for one in read if isinstance(one, Measure)]


def _measure(word: str) -> Measure | str:
    try:
        return measure(word)
    except InputError as error:
        return str(error)


@click.command("start")
@click.argument("name", metavar="NAME", required=False)
@click.option(
    "--measures",
    metavar="LIST",
    help="Quantities with commas between them: a preset, name=preset, or name=MIN..MAX/STEP UNIT.",
)
@click.option(
    "--fields",
    metavar="CSV",
    help="A CSV of fields: name, minimum, maximum, resolution, unit, missing, bits, description.",
)
@click.option(
    "--bytes",
    "limit_bytes",
    type=output.Whole(4, 65_535),
    metavar="N",
    help="The frame's limit; measures are made coarser to fit.",
)
@click.option("--spreading-factor", metavar="N", help="The radio's spreading factor, to see the time on air.")
@click.option("--bandwidth-khz", metavar="KHZ", help="The radio's bandwidth, with it.")
@click.option("--quantities", "listing", is_flag=True, help="List the quantities that --measures knows.")
@click.option("--words", is_flag=True, help="List the words of the schema language: kinds of field and keys.")
@click.option(
    "--editor", is_flag=True, help="Write a JSON Schema by which an editor completes and explains schemas."
)
@output.output_option
def command(
    name: str | None,
    measures: str | None,
    fields: str | None,
    limit_bytes: int | None,
    spreading_factor: str | None,
    bandwidth_khz: str | None,
    listing: bool,
    words: bool,
    editor: bool,
    destination: str,
) -> None:
    """Write a commented first schema, ready for `packetkit check`.

    NAME is the mission's: lower-case letters, digits, hyphens.

    \b
    packetkit start my-balloon --measures air_temperature,pressure --bytes 12
    packetkit start my-rover --measures "tilt=-90..90/0.5 deg,load=0..20/0.1 kg"
    packetkit start --quantities
    packetkit start --words
    """
    if listing:
        output.write(quantities(output.encoding_of(destination)), destination)
        return
    if words:
        output.write(reference_text(output.encoding_of(destination)), destination)
        return
    if editor:
        output.write_json(json_schema(), destination)
        return
    if name is None or (measures is None) is (fields is None):
        raise click.UsageError(
            "give a NAME and what to send: either --measures LIST or --fields CSV "
            "(--quantities lists what is known)"
        )
    if not MISSION_NAME.match(name):
        raise click.UsageError(
            f"{name!r} is not a mission's name; use lower-case letters, digits and hyphens, starting with a letter"
        )
    if (spreading_factor is None) != (bandwidth_khz is None):
        raise click.UsageError("--spreading-factor and --bandwidth-khz go together")
    radio = None
    if spreading_factor is not None and bandwidth_khz is not None:
        setting = settings.Setting(spreading_factor, bandwidth_khz)
        radio = Radio(setting.spreading_factor, setting.bandwidth.kilohertz)
    not_onto_an_input(destination, fields)
    text = text_of(name, fit(gathered(measures, fields), limit_bytes), limit_bytes, radio)
    parse(text, "the draft")
    not_onto_work(destination, text)
    output.write(text, destination)
