"""`packetkit day`: the plan of a class's day, with the record and the two small programs that it needs."""

from __future__ import annotations

import os
import shlex
from collections.abc import Mapping
from fractions import Fraction

import click

from packetkit.cli import output
from packetkit.conformance.simulate import simulate
from packetkit.files import STANDARD_INPUT, not_onto_an_input, read_schema, shown_name, write_text
from packetkit.fuzz import judges
from packetkit.lab import day, sheets
from packetkit.lab.resync import QUIET
from packetkit.mission.budget import budget
from packetkit.mission.load import Mission, parse
from packetkit.mission.passes import Pass, window_of
from packetkit.mission.quota import quota
from packetkit.targets.c.words import identifier

PYTHON = '''\
"""The first frame of {mission}, by generated code; the record is in first.jsonl."""

import json
import sys

sys.path.insert(0, "ground")
from {module} import MISSION

with open("first.jsonl", encoding="utf-8") as file:
    record = json.load(file)
print(MISSION.frames["{frame}"].encode(record).hex(" "))
'''

USUAL_PASS_S = 600  # where the schema has no passes: a round number to begin with

C = """\
/* The first frame of {mission}, by generated code: raw codes in, bytes out. */
#include <stdio.h>

#include "{name}.h"

int main(void) {{
    static {name}_{struct} record;
    static uint8_t frame[{size}];
    size_t i;
{assignments}
    if ({name}_{struct}_encode(&record, frame, sizeof frame) != 0) {{
        puts("a code does not fit");
        return 1;
    }}
    for (i = 0; i < sizeof frame; i++) {{
        printf("%s%02x", i ? " " : "", frame[i]);
    }}
    puts("");
    return 0;
}}
"""


def first_frame(
    mission: Mission, name: str, seed: int
) -> tuple[dict[str, object], bytes, Mapping[str, object]]:
    """A plausible record, its bytes and its detail record, the last two by the oracle."""
    sent = next(simulate({name: mission.frame(name)}, Fraction(1), QUIET, seed))
    assert sent.values is not None
    declared = next(one for one in mission.declared.frames if one.name == name)
    slow, known = judges.oracle_module(), judges.algorithms(declared)
    data: bytes = slow.encode(declared, sent.values, known)
    return sent.values, data, slow.decode(declared, data, known, detail=True)


def c_place(path: tuple[str | int, ...]) -> str:
    """A value's place in the struct: power.cell_voltage, readings[0].field_x."""
    text = ""
    for key in path:
        text += f"[{key}]" if isinstance(key, int) else f".{identifier(key)}"
    return text


def files_of(mission: Mission, frame: str, schema: str, seed: int) -> dict[str, str]:
    """Every file by its name."""
    record, data, detail = first_frame(mission, frame, seed)
    name, struct = identifier(mission.name), identifier(frame)
    layout = mission.layouts[frame]
    pairs = list(day.codes(layout, detail))
    assignments = "\n".join(f"    record{c_place(path)} = {raw};" for path, raw in pairs)
    facts = facts_of(mission, frame, schema, data, record)
    pages = [day.sheet(mission, facts)]
    return {
        "day.html": sheets.html(pages),
        "day.md": sheets.markdown(pages),
        "first.jsonl": output.json_text(record, indent=None),
        "first.py": PYTHON.format(mission=mission.name, module=f"{name}_frames", frame=frame),
        "first.c": C.format(
            mission=mission.name, name=name, struct=struct, size=len(data), assignments=assignments
        ),
    }


def facts_of(
    mission: Mission, frame: str, schema: str, data: bytes, record: Mapping[str, object]
) -> dict[str, str]:
    """What the words of the plan name."""
    name, setting = identifier(mission.name), mission.link.setting
    options = ""
    if setting is not None:
        options = (
            f"--spreading-factor {setting.spreading_factor} --bandwidth-khz {float(setting.bandwidth.kilohertz):g} "
            f"--coding-rate {setting.coding_rate}"
        )
    first = next(iter(record))
    return {
        "file": shlex.quote(schema),
        "mission": mission.name,
        "fingerprint": mission.fingerprint,
        "frame": frame,
        "size": str(len(data)),
        "on_air": str(len(data) + mission.link.driver_bytes),
        "hex": data.hex(" "),
        "first_value": f'"{first}":',
        "first_field": first,
        "python_file": f"{name}_frames.py",
        "c_name": name,
        "c_upper": name.upper(),
        "setting_options": options,
        **listening_of(mission),
        "quota_status": str(int(day.has_quota(mission) and not quota(mission).fits)),
    }


def listening_of(mission: Mission) -> dict[str, str]:
    """How long the ground listens, in words and as options of `budget`, and that command's exit status."""
    usual = Pass(Fraction(USUAL_PASS_S), None, None, "given")
    window, options = usual, f" --duration-s {USUAL_PASS_S}"
    if mission.passes is not None and mission.passes.host is None:
        try:
            window, options = window_of(mission.passes), ""
        except ModuleNotFoundError:  # passes of elements need libraries of their own
            window = usual
    made = budget(mission, window) if mission.link.setting is not None else None
    length = output.duration_text(float(window.duration_s))
    return {
        "listening": f"{'a flight that is heard for' if window.basis == 'flight' else 'a pass of'} {length}",
        "pass_options": options,
        "budget_status": str(int(made is not None and bool(made.findings or made.unfound))),
    }


@click.command("day")
@click.argument("schema", metavar="SCHEMA")
@click.option("--frame", metavar="NAME", help="The frame to begin with.  [default: the first of fixed size]")
@click.option(
    "--seed",
    type=output.Whole(0, 999_999),
    default=1,
    show_default=True,
    metavar="N",
    help="Another record.",
)
@output.directory_option
@output.json_option
def command(schema: str, frame: str | None, seed: int, directory: str, as_json: bool) -> int:
    """Write the plan of a class's day: from loose modules to a decoded downlink, hour by hour, each step with its command and what to see.

    One frame is made by the page, by interpreted Python and by C, and all three give the same bytes; then proof, the unit's
    self-test line, radio settings at both ends, a dry run, go or no-go. Into DIR go day.html (to print) and day.md, a copy of the schema,
    first.jsonl, first.py and first.c. The commands are run in DIR.

    \b
    packetkit day plover.yaml -o day
    """
    data = read_schema(schema)
    mission = parse(data, shown_name(schema))
    name = day.flat_frame(mission, frame)
    copied = f"{mission.name}.yaml"
    files = {copied: data.decode("utf-8-sig"), **files_of(mission, name, copied, seed)}
    if os.path.exists(os.path.join(directory, copied)) and schema != STANDARD_INPUT:
        if os.path.samefile(os.path.join(directory, copied), schema):
            del files[copied]  # it stands there already
    paths = [os.path.join(directory, file) for file in files]
    for path in paths:
        not_onto_an_input(path, schema)
    os.makedirs(directory, exist_ok=True)
    for path, text in zip(paths, files.values(), strict=True):
        write_text(path, text)
    if as_json:
        output.write_json(
            {"mission": mission.name, "frame": name, "fingerprint": mission.fingerprint, "files": paths}
        )
    else:
        output.write("".join(f"{path}\n" for path in paths))
    return 0
