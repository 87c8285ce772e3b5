"""`packetkit generate`: write what a target makes of a mission's layouts into a directory."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import click

from packetkit.cli import output
from packetkit.cli.vectors import made as made_vectors
from packetkit.conformance import generate, vector
from packetkit.files import STANDARD_INPUT, read_schema, shown_name, write_text
from packetkit.mission.dossier import Dossier, told
from packetkit.mission.load import Mission, parse
from packetkit.targets import TARGETS, c, frame_map

if TYPE_CHECKING:
    from packetkit.check_costs import Cost
    from packetkit.footprint import Compiler, Footprint


CHECK_CODE = {"size": c.SMALL_CHECKS, "speed": c.FAST_CHECKS}  # words of targets' options


def path_between(directory: str, path: str) -> str:
    """How to get from a directory to a file, with forward slashes; where there is no way (two drives), the whole path."""
    try:
        found = os.path.relpath(os.path.abspath(path), os.path.abspath(directory))
    except ValueError:
        found = os.path.abspath(path)
    return found.replace(os.sep, "/")


def pictures_of(mission: Mission) -> dict[str, bytes]:
    """Each frame's map as PNG, by file name. Raises InputError without the extra `plots`."""
    from packetkit.emit.frame_map import figure
    from packetkit.export import plots

    return {
        f"{mission.name}_{name}.png": plots.frame_map(figure(layout))
        for name, layout in mission.layouts.items()
    }


@click.command("generate")
@click.argument("schema", metavar="SCHEMA")
@click.option("--target", "name", type=click.Choice(list(TARGETS)), required=True, help="What to write.")
@output.directory_option
@click.option(
    "--check-code",
    type=click.Choice(list(CHECK_CODE)),
    help="Targets c, micropython: what the code of CRCs is to save. speed: tables of 256 entries; size (c): bit by bit, 0x1021 by shifts.",
)
@click.option(
    "--small",
    is_flag=True,
    help="Target c: a table of each frame's fields and one interpreter; less flash, three to four times the cycles.",
)
@click.option(
    "--small-integers",
    is_flag=True,
    help="Target micropython: no number needs more than 30 bits; wider codes are lists of 16-bit words.",
)
@click.option(
    "--least-memory",
    is_flag=True,
    help="Target micropython: a module without comments, for a board of 16 KiB; refused, with the figure, where it is too large for one.",
)
@click.option(
    "--png",
    "as_png",
    is_flag=True,
    help="Target frame_map: PNG too, at 300 dots an inch (extra `plots`).",
)
@click.option(
    "--report",
    "as_report",
    is_flag=True,
    help="Target c: say how much flash, memory and stack each function takes, and each form of its checks, by the compilers and "
    "emulators found here.",
)
@output.json_option
def command(
    schema: str,
    name: str,
    directory: str,
    check_code: str | None,
    as_png: bool,
    as_report: bool,
    as_json: bool,
    **asked: bool,
) -> int:
    """Write code, or tests, for a mission's frames.

    c: C99 that is clean as C++11, for processors of 8 to 64 bits: structs of raw codes, an encoder and a decoder for each frame. What C
    cannot express is refused, field by field, before anything is written. With --small, runs of three fields and more are gone through
    by a table; that pays from about a dozen fields on, and --report says by how much. CRCs go by tables of 16 entries, which are three to
    five times as fast as bit by bit and some 20 to 250 bytes larger; 0x1021 by shifts, which are both smaller and faster. --report measures
    every form. For summaries accumulators come with it, and a card writer whose log `packetkit decode --from hdlc` reads.

    micropython: a module for MicroPython 1.9.2 and later, straight-line and without taking memory for a frame of fixed size; scaling in
    whole numbers, and a main loop with two marked places. CircuitPython's small builds are kept in mind, but were not run.

    javascript: a module for node and for pages that encodes and decodes exactly as the Python codec does, a payload codec for
    LoRaWAN servers with the entry points of TS013, and a sender to start from, with two marked places for a team's own code.

    python: one file that does the same under Python 3.8 and later, without packetkit; and such a sender.

    document: the interface document, as HTML that prints clean on A4 and Letter, and as Markdown: maps, fields, checks, a worked example,
    vectors, settings. frame_map: the map of each frame alone, as SVG.

    tests: a pytest file and the vectors that it reads. It loads SCHEMA from where it is now, so it fails once an edit changes what
    is sent. A schema from standard input is copied beside it.

    The same schema gives the same files. Files of the same name are replaced.

    \b
    packetkit generate heron.yaml --target c -o flight
    packetkit generate heron.yaml --target c -o flight --report
    packetkit generate heron.yaml --target tests -o tests
    pytest tests
    """
    options = frozenset(word for word, is_asked in asked.items() if is_asked)
    if check_code is not None:
        if CHECK_CODE[check_code] not in TARGETS[name].options:
            raise click.UsageError(
                f"--check-code {check_code} does nothing for --target {name}: leave it out"
            )
        options |= {CHECK_CODE[check_code]}
    for word in sorted(options - set(TARGETS[name].options)):
        raise click.UsageError(f"--{word.replace('_', '-')} does nothing for --target {name}: leave it out")
    if as_png and name != frame_map.TARGET.name:
        raise click.UsageError(f"--png does nothing for --target {name}: leave it out")
    if as_report and name != c.TARGET.name:
        raise click.UsageError(f"--report does nothing for --target {name}: leave it out")
    data = read_schema(schema)
    mission = parse(data, shown_name(schema))
    target = TARGETS[name]
    copied = f"{mission.name}.yaml" if schema == STANDARD_INPUT and target.is_proof else None
    vectors = made_vectors(mission) if target.is_proof else None
    dossier = Dossier(
        mission.name,
        mission.fingerprint,
        copied or path_between(directory, schema),
        vector.text(vectors) if vectors is not None else "",
        mission.outside,
        options,
    )
    if target.is_told:
        dossier = told(dossier, mission, made_vectors(mission, generate.few))
    files = target.write(mission.layouts, dossier)
    if copied is not None:
        files[copied] = data.decode("utf-8-sig")
    pictures = pictures_of(mission) if as_png else {}
    os.makedirs(directory, exist_ok=True)
    paths = [os.path.join(directory, file) for file in files]
    for path, text in zip(paths, files.values(), strict=True):
        write_text(path, text)
    for file, picture in pictures.items():
        paths.append(os.path.join(directory, file))
        output.write_bytes(picture, paths[-1])
    found, absent = footprints_of(files) if as_report else ([], [])
    measured = check_costs_of(mission, options) if as_report else []
    if as_json:
        document = {
            "mission": mission.name,
            "fingerprint": mission.fingerprint,
            "target": name,
            "files": paths,
        }
        output.write_json(document | (report_document(found, absent, measured) if as_report else {}))
    else:
        output.write("".join(f"{path}\n" for path in paths))
        output.write("".join(report_text(one) for one in found) + absent_text(absent))
        output.write(REPORTED if found else "")
        output.write(costs_text(measured))
    return 0


# -- what it takes -------------------------------------------------------------------------------------------------


def footprints_of(files: dict[str, str]) -> tuple[list[Footprint], list[Compiler]]:
    from packetkit.footprint import footprints  # compilers are nobody's business until they are asked

    return footprints(files)


REPORTED = """
Flash and memory are what the compiler makes of a file: a linker may leave out
what is not called, and adds helpers of its library. Stack is a function's own.
Unchecked: flash of a build that cuts codes to their bits and refuses nothing.
"""


def report_text(one: Footprint) -> str:
    """One compiler's table: each function, and each file in all."""
    columns = (
        output.Column("function", fit="wrap"),
        output.Column("flash B", ">"),
        output.Column("unchecked B", ">"),
        output.Column("memory B", ">"),
        output.Column("stack B", ">"),
    )
    rows: list[tuple[object, ...]] = []
    for file in dict.fromkeys(piece.file for piece in one.pieces):
        mine = [piece for piece in one.pieces if piece.file == file]
        rows += [
            (piece.name, piece.flash_bytes, piece.unchecked_bytes, piece.memory_bytes, piece.stack_bytes)
            for piece in mine
        ]
        sums = [
            sum(figures)
            for figures in zip(
                *((piece.flash_bytes, piece.unchecked_bytes, piece.memory_bytes) for piece in mine),
                strict=True,
            )
        ]
        rows.append((f"all of {file}", *sums, None))
    table = output.Table(columns, tuple(rows)).text()
    return f"\n{one.compiler.command}\n{one.version}\n\n{table}"


def absent_text(absent: list[Compiler]) -> str:
    """Which compilers were not found, and how to get them."""
    return "".join(
        f"\n{one.program} is not installed, so nothing is said of it (Debian: {one.packages}).\n"
        for one in absent
    )


def check_costs_of(mission: Mission, options: frozenset[str]) -> list[Cost]:
    from packetkit.check_costs import costs

    checks = [slot.check for layout in mission.layouts.values() for slot in layout.slots]
    return costs((one.algorithm for one in checks if one is not None), c.checks_of(options))


CHECK_CODED = """
Of an octet, in a run of 16, with the loop around it; * marks what is written.
Flash is the function, what it calls and its table. No board was measured: an
AVR's cycles are its emulator's, of the Cortex-M instructions are counted.
"""


def costs_text(measured: list[Cost]) -> str:
    """The forms of check code, a table for each compiler."""
    text = ""
    for compiler in dict.fromkeys(one.compiler for one in measured):
        mine = [one for one in measured if one.compiler == compiler]
        columns = (
            output.Column("check", fit="wrap"),
            output.Column(""),
            output.Column("code"),
            output.Column("flash B", ">"),
            output.Column(f"{mine[0].unit} an octet", ">"),
        )
        rows = [
            (
                one.algorithm,
                "*" if one.is_written else "",
                one.form,
                one.flash_bytes,
                None if one.per_octet is None else f"{one.per_octet:.1f}",
            )
            for one in mine
        ]
        text += f"\nCheck code, {compiler}\n\n{output.Table(columns, tuple(rows)).text()}"
    silent = dict.fromkeys(one.counter for one in measured if one.per_octet is None)
    if silent:
        verb = "is" if len(silent) == 1 else "are"
        text += f"\n{' and '.join(silent)} {verb} not installed, so no time is said.\n"
    return text + CHECK_CODED if text else ""


def report_document(found: list[Footprint], absent: list[Compiler], measured: list[Cost]) -> dict[str, Any]:
    """The same for programs."""
    return {
        "check_code": [
            {
                "compiler": one.compiler,
                "algorithm": one.algorithm,
                "form": one.form,
                "flash_bytes": one.flash_bytes,
                f"{one.unit}_per_octet": one.per_octet,
                "is_written": one.is_written,
            }
            for one in measured
        ],
        "footprints": [
            {
                "compiler": one.compiler.command,
                "version": one.version,
                "functions": [
                    {
                        "file": piece.file,
                        "name": piece.name,
                        "flash_bytes": piece.flash_bytes,
                        "unchecked_flash_bytes": piece.unchecked_bytes,
                        "memory_bytes": piece.memory_bytes,
                        "stack_bytes": piece.stack_bytes,
                    }
                    for piece in one.pieces
                ],
            }
            for one in found
        ],
        "absent": [{"compiler": one.program, "packages": one.packages} for one in absent],
    }
