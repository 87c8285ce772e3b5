"""`packetkit encode`: records from CSV, JSON lines or the command line, as frames.

All faults of all records are told, by line, and nothing is written unless there are none.
"""

from __future__ import annotations

import sys
from base64 import b64encode
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field

import click

from packetkit.cli import output
from packetkit.errors import EncodeError, InputError, counted
from packetkit.export import columns, csv, jsonl
from packetkit.export.columns import Given, LeftOut, Refused
from packetkit.files import load, not_onto_an_input, only_one_standard_input, read_text, shown_name
from packetkit.layout.model import Layout
from packetkit.layout.slots import Slot
from packetkit.mission.load import Mission

FINDINGS = 1

# Faults that are shown; a file with one wrong column has one in every line.
MOST_SHOWN = 20


@dataclass(frozen=True, slots=True)
class Made:
    """A frame and the line of its record."""

    line: int
    frame: str
    data: bytes


@dataclass(frozen=True, slots=True)
class Replaced:
    """A value that is null since its code meant nothing, and is sent as missing."""

    line: int
    path: str
    reason: str


@dataclass(slots=True)
class Encoded:
    """What records became: frames, lines left out, and values that are sent as missing where nothing else can be."""

    made: list[Made] = field(default_factory=list)
    left: list[LeftOut] = field(default_factory=list)
    replaced: list[Replaced] = field(default_factory=list)


def entries(text: str, layouts: Mapping[str, Layout], frame: str | None) -> Iterator[columns.Entry]:
    """Yield what each line says: JSON lines where the text begins with a brace, which no title of CSV does."""
    text = text.removeprefix("\ufeff")
    read = jsonl.read if text.lstrip()[:1] == "{" else csv.read
    return read(text, layouts, frame)


def from_words(words: Iterable[str], layouts: Mapping[str, Layout], frame: str | None) -> columns.Entry:
    """Return what `name=value` words say, as one record."""
    name, problem = columns.frame_named(None, layouts, frame)
    if name is None:
        return Refused(0, problem)
    given: list[tuple[str, str]] = []
    for word in words:
        path, equals, text = word.partition("=")
        if not equals:
            return Refused(0, f"{word[:60]!r} has no =; write --set name=value")
        if path.strip() in dict(given):
            return Refused(0, f"{path.strip()[:60]!r} is there twice")
        given.append((path.strip(), "" if _is_nothing(layouts[name], path.strip(), text) else text))
    try:
        return Given(0, name, columns.record_from(layouts[name], given))
    except EncodeError as error:
        return Refused(0, str(error))


def _is_nothing(layout: Layout, path: str, text: str) -> bool:
    """Whether a word says that a value is missing, as JSON or Python do, of a field that may be and has no such state."""
    place = columns.place(layout, path)
    if not isinstance(place, Slot) or place.missing_code is None or not place.is_value:
        return False
    return text in ("null", "None") and text not in (name for _, name in place.states)


def encoded(mission: Mission, found: Iterable[columns.Entry], name: str) -> Encoded:
    """Return what all records became. Raises InputError with every fault."""
    done = Encoded()
    faults: list[str] = []
    for entry in found:
        where = f"{name}:{entry.line}" if entry.line else name
        if isinstance(entry, LeftOut):
            done.left.append(entry)
            continue
        problem = entry.message if isinstance(entry, Refused) else ""
        if isinstance(entry, Given):
            try:
                data = mission.frames[entry.frame].encode(entry.record)
            except EncodeError as error:
                problem = str(error)
            else:
                done.made.append(Made(entry.line, entry.frame, data))
                done.replaced += [Replaced(entry.line, *one) for one in entry.others]
        faults += [f"{where}: {line}" for line in problem.splitlines()]
    if faults:
        more = [f"and {counted(len(faults) - MOST_SHOWN, 'fault')} more"] if len(faults) > MOST_SHOWN else []
        raise InputError("\n".join(["nothing was written:", *faults[:MOST_SHOWN], *more]))
    return done


def written(made: Iterable[Made], form: str) -> bytes:
    """Return the frames as a file: back to back, or one a line in text."""
    if form == "binary":
        return b"".join(one.data for one in made)
    # Hexadecimal with spaces, so that it cannot be taken for base64.
    lines = (one.data.hex(" ") if form == "hex" else b64encode(one.data).decode() for one in made)
    return "".join(line + "\n" for line in lines).encode()


def document(mission: Mission, done: Encoded) -> dict[str, object]:
    """What `--json` writes."""
    return {
        "mission": mission.name,
        "fingerprint": mission.fingerprint,
        "frames": [
            {"line": one.line or None, "frame": one.frame, "size_bytes": len(one.data), "hex": one.data.hex()}
            for one in done.made
        ],
        "left_out": [{"line": one.line, "reason": one.reason} for one in done.left],
        "sent_as_missing": [asdict(one) for one in done.replaced],
    }


@click.command("encode")
@click.argument("schema", metavar="SCHEMA")
@click.argument("records", metavar="[RECORDS]", required=False)
@click.option(
    "--set", "words", metavar="NAME=VALUE", multiple=True, help="A value of the one record to encode."
)
@click.option("--frame", metavar="NAME", help="Which frame the records are for.")
@click.option(
    "--to",
    "form",
    type=click.Choice(["hex", "base64", "binary"]),
    default="hex",
    show_default=True,
    help="How to write the frames: one a line, or back to back.",
)
@output.json_option
@output.output_option
def command(
    schema: str,
    records: str | None,
    words: tuple[str, ...],
    frame: str | None,
    form: str,
    as_json: bool,
    destination: str,
) -> int:
    """Encode records as frames.

    RECORDS is a file, or - for standard input: CSV under titles such as power.cell_voltage, or JSON lines, bare or
    as decode writes them. Lines about failed frames are left out and told, and so
    is a value that was null for another reason than missing. Exit status 1: one was.

    \b
    packetkit encode first-light.yaml first-light.records.csv --to binary -o sent
    packetkit encode first-light.yaml --set counter=7 --set temperature=21.3 \\
        --set cell_voltage=3.9
    packetkit decode heron.yaml old --format jsonl | packetkit encode heron.yaml -
    """
    if (records is None) is (not words):
        raise click.UsageError(
            "name one source of records: a file, - for standard input, or --set NAME=VALUE"
        )
    only_one_standard_input(schema, records)
    not_onto_an_input(destination, schema, records)
    mission = load(schema)
    if frame is not None and frame not in mission.layouts:
        raise InputError(f"--frame: {mission.name} has no frame {frame!r}: {', '.join(mission.layouts)}")
    if records is None:
        found: Iterable[columns.Entry] = [from_words(words, mission.layouts, frame)]
    else:
        found = entries(read_text(records), mission.layouts, frame)
    name = "--set" if records is None else shown_name(records)
    done = encoded(mission, found, name)
    if not done.made and not done.left:
        raise InputError(f"{name}: there are no records; the first line is there, but none follows")
    if as_json:
        output.write_json(document(mission, done), destination)
    elif form == "binary" and destination == "-" and sys.stdout.isatty():
        raise click.UsageError("a terminal cannot show binary; use -o FILE, or --to hex")
    else:
        output.write_bytes(written(done.made, form), destination)
    for line in remarks(done, name):
        output.say(f"packetkit encode: {line}")
    return FINDINGS if done.left or done.replaced else 0


def remarks(done: Encoded, name: str) -> Iterator[str]:
    """Yield what a reader has to know of frames that were written."""
    if done.left:
        count = counted(len(done.left), "line")
        yield f"left out: {count} about frames that failed, the first at {name}:{done.left[0].line}"
    if done.replaced:
        first = done.replaced[0]
        yield (
            f"sent as missing: {counted(len(done.replaced), 'value')} of a code that means nothing, "
            f"the first at {name}:{first.line}: {first.path}, {first.reason}. Records that decode --detail writes keep each code"
        )
