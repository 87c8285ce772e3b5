"""`packetkit bytes`: one frame's bytes on the strip, field by field, and the difference of two.

Bytes are drawn whatever is wrong with them. Which frame they are is told by their constants; where none agrees the nearest frame is
drawn, and that is said.
"""

from __future__ import annotations

import re
from typing import Any

import click

from packetkit.captures import paste
from packetkit.cli import decoded, output, strip
from packetkit.cli.spelling import portable
from packetkit.codec.annotate import Annotation, Field, annotate, shifted
from packetkit.errors import InputError, UnknownFrame, counted
from packetkit.files import load, not_onto_an_input, only_one_standard_input, read_text
from packetkit.layout.alike import Told, told
from packetkit.mission.load import Mission

FINDINGS = 1
# Longer than any radio frame; a capture is for decode.
MOST_BYTES = 4096

_BITS = re.compile(r"[\s,;:_|-]+")


def from_bits(text: str) -> bytes:
    """Return the bytes of text of 0 and 1, with any separators; a last partial octet is completed with zeros. Raises InputError."""
    digits = _BITS.sub("", text)
    strange = next((letter for letter in digits if letter not in "01"), None)
    if strange is not None:
        raise InputError(f"{strange!r} is no bit: bits are 0 and 1, with any separators")
    return int(digits.ljust(-(-len(digits) // 8) * 8, "0") or "0", 2).to_bytes(-(-len(digits) // 8), "big")


READINGS = {**paste.READINGS, "bits": from_bits}


def frame_of(mission: Mission, data: bytes, asked: str | None) -> tuple[str, str]:
    """Return the name of the frame that bytes are drawn as, and what has to be said about that. Raises InputError for no such name."""
    if asked is not None:
        if asked not in mission.layouts:
            raise InputError(f"--frame: {mission.name} has no frame {asked!r}: {', '.join(mission.layouts)}")
        return asked, ""
    if len(mission.layouts) == 1:
        return next(iter(mission.layouts)), ""
    try:
        return mission.identify(data), ""
    except UnknownFrame as error:
        known = {name: told(layout) for name, layout in mission.layouts.items()}
        nearest = max(known, key=lambda name: _nearness(known[name], data))
        return nearest, f"{error}. Drawn as {nearest}, the nearest; --frame names another"


def _nearness(known: Told, data: bytes) -> tuple[int, int]:
    """How much speaks for a frame: constants that agree, less those that do not; then whether it may be so long."""
    agreeing = sum(1 if marker.agrees(data) else -1 for marker in known.markers)
    return agreeing, int(len(data) in known.lengths)


# -- what is shown -----------------------------------------------------------------------------------------------------


def places_text(field: Field) -> str:
    """Where a field's bits lie: first to last, or each stretch."""
    ordered = sorted(field.bits)
    stretches: list[list[int]] = []
    for bit in ordered:
        if stretches and stretches[-1][1] == bit - 1:
            stretches[-1][1] = bit
        else:
            stretches.append([bit, bit])
    return ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in stretches)


def value_text(field: Field) -> str:
    """A field's value with its unit; bits that are no quantity have none, but for an octet's letter in ASCII."""
    if field.slot.kind == "character" and field.slot.width == 8 and 32 <= field.raw < 127:
        return repr(chr(field.raw))
    if decoded.pattern(field.slot, field.raw) or field.slot.kind in ("count", "reserved"):
        return ""
    unit = f" {field.slot.unit}" if field.slot.unit and field.value is not None else ""
    return decoded.word(field.value) + unit


def remark(field: Field) -> str:
    """What has to be said of a field; what is wrong with it first."""
    return ", ".join(one.replace("_", " ") for one in (field.wrong, field.reason, field.note) if one)


def table(annotation: Annotation, encoding: str) -> str:
    """The fields, one a line."""
    rows = tuple(
        (
            places_text(field),
            field.address,
            decoded.pattern(field.slot, field.raw) or field.raw,
            value_text(field),
            remark(field),
        )
        for field in annotation.fields
    )
    columns = (
        output.Column("bits"),
        output.Column("field", fit="shorten"),
        output.Column("raw", ">"),
        output.Column("value", ">", "shorten"),
        output.Column("", fit="wrap"),
    )
    told = 5 if any(row[4] for row in rows) else 4
    return output.Table(columns[:told], tuple(row[:told] for row in rows)).text(encoding=encoding)


def verdict(annotation: Annotation) -> str:
    """The sentence on the whole frame."""
    name, size = annotation.layout.name, counted(len(annotation.data), "byte")
    if annotation.failure is None:
        return f"{name}, {size}: a good frame."
    return f"{name}, {size}: {annotation.failure.reason}. {annotation.failure}."


def difference_table(one: Annotation, other: Annotation, places: frozenset[int], encoding: str) -> str:
    """The fields that differ, with both values."""
    there = {field.address: field for field in other.fields}
    rows = []
    for field in one.touched(places):
        second = there.get(field.address)
        changed = sorted(places.intersection(field.bits))
        ranks = sorted((len(field.bits) - 1 - field.bits.index(bit) for bit in changed), reverse=True)
        rows.append(
            (
                field.address,
                shown(field),
                "" if second is None else shown(second),
                ", ".join(map(str, changed)),
                ", ".join(map(str, ranks)),
            )
        )
    columns = (
        output.Column("field", fit="shorten"),
        output.Column("here", ">", "shorten"),
        output.Column("there", ">", "shorten"),
        output.Column("frame bits", fit="wrap"),
        output.Column("its bits", fit="wrap"),
    )
    return output.Table(columns, tuple(rows)).text(encoding=encoding)


def shown(field: Field) -> str:
    """A field's value, or its code where that is all there is."""
    return value_text(field) or decoded.pattern(field.slot, field.raw) or str(field.raw)


def differing(one: bytes, other: bytes) -> frozenset[int]:
    """The bits in which two frames differ, as far as both reach."""
    pairs = enumerate(zip(one, other, strict=False))
    return frozenset(at * 8 + bit for at, (a, b) in pairs for bit in range(8) if (a ^ b) >> (7 - bit) & 1)


def difference_text(one: Annotation, other: Annotation, encoding: str) -> str:
    """The difference of two frames by field; the strip above marks it."""
    places = differing(one.data, other.data)
    lengths = ""
    if len(one.data) != len(other.data):
        lengths = f" They have {len(one.data)} and {counted(len(other.data), 'byte')}: compared as far as both reach."
    if not places:
        return f"The two frames have the same bits.{lengths}\n"
    verb = "differs" if len(places) == 1 else "differ"
    head = f"Against the other frame: {counted(len(places), 'bit')} {verb} (^).{lengths}\n"
    if not one.touched(places):
        return f"{head}They are behind the fields that could be read.\n"
    return f"{head}\n{difference_table(one, other, places, encoding)}"


# -- as a document -----------------------------------------------------------------------------------------------------


def document(annotation: Annotation, remarks: str) -> dict[str, Any]:
    """The frame as JSON: bits are counted from its start, high bit of each byte first."""
    failure = annotation.failure
    return {
        "frame": annotation.layout.name,
        "bytes": annotation.data.hex(),
        "ok": failure is None,
        "reason": None if failure is None else failure.reason,
        "message": None if failure is None else str(failure),
        "remark": remarks or None,
        "left_over_bytes": max(len(annotation.data) - annotation.used, 0),
        "fields": [
            {
                "path": field.address,
                "kind": field.slot.kind,
                "bits": list(field.bits),
                "raw": field.raw,
                "value": field.value,
                "unit": field.slot.unit or None,
                "reason": field.reason or None,
                "note": field.note or None,
                "wrong": field.wrong or None,
            }
            for field in annotation.fields
        ],
    }


def difference_document(one: Annotation, other: Annotation) -> dict[str, Any]:
    """The bits that differ, and the fields that they touch."""
    places = differing(one.data, other.data)
    return {
        "bytes": other.data.hex(),
        "bits": sorted(places),
        "fields": [
            {"path": field.address, "bits": sorted(places.intersection(field.bits))}
            for field in one.touched(places)
        ],
    }


# -- the command -------------------------------------------------------------------------------------------------------


def read(words: tuple[str, ...], given: str, start: int) -> bytes:
    """Return the bytes that the command line, or standard input, means. Raises InputError."""
    text = read_text("-") if words == ("-",) else " ".join(words)
    data = READINGS[given](text)
    if not data:
        raise InputError("there are no bytes in it. Give them in hexadecimal, such as B9 21 05")
    if len(data) > MOST_BYTES:
        raise InputError(
            f"{len(data):,} bytes are more than one frame ({MOST_BYTES:,} at most). packetkit decode reads captures"
        )
    if start:
        data = shifted(data, start)
        if not data:
            raise InputError(f"nothing is left behind bit {start}: a frame needs a whole byte at least")
    return data


@click.command("bytes")
@click.argument("schema", metavar="SCHEMA")
@click.argument("words", metavar="HEX...", nargs=-1, required=True)
@click.option(
    "--against", metavar="HEX", help="Another frame: say which bits differ, and the fields they touch."
)
@click.option("--frame", metavar="NAME", help="Which frame it is. Without it, the constants tell.")
@click.option(
    "--from",
    "given",
    type=click.Choice(list(READINGS)),
    default="hex",
    show_default=True,
    help="How the bytes are written; bits are 0 and 1.",
)
@click.option(
    "--start-bit",
    type=output.Whole(0, MOST_BYTES * 8),
    default=0,
    metavar="N",
    help="The frame begins N bits into the bytes.",
)
@output.json_option
@output.output_option
def command(
    schema: str,
    words: tuple[str, ...],
    against: str | None,
    frame: str | None,
    given: str,
    start_bit: int,
    as_json: bool,
    destination: str,
) -> int:
    """Show what each bit of a frame means, and how two frames differ.

    HEX is hexadecimal with any separators, in one argument or several, or - for standard input. Whatever is
    wrong with the frame is said at the field: a wrong constant, a check that does not agree, where it ends
    too early. Exit status 1: it is not a good frame, or the two differ.

    \b
    packetkit bytes first-light.yaml 01 65 b1 80 3e 5b
    packetkit bytes heron.yaml "d391 2000 07" --against "d391 2000 0f"
    """
    only_one_standard_input(schema, words[0])
    not_onto_an_input(destination, schema)
    mission = load(schema)
    data = read(words, given, start_bit)
    name, remarks = frame_of(mission, data, frame)
    annotation = annotate(mission.layouts[name], data)
    other = None
    if against is not None:
        other = annotate(mission.layouts[name], read((against,), given, start_bit))
    if as_json:
        made = document(annotation, remarks)
        output.write_json(
            made | ({} if other is None else {"against": difference_document(annotation, other)}), destination
        )
    else:
        output.write(text(annotation, other, remarks, output.encoding_of(destination)), destination)
    differs = other is not None and other.data != data
    return FINDINGS if annotation.failure is not None or differs else 0


def text(annotation: Annotation, other: Annotation | None, remarks: str, encoding: str) -> str:
    """What a person reads: the strip, the fields, the verdict; and the difference."""
    width = min(output.columns(), 100)
    marked = frozenset() if other is None else differing(annotation.data, other.data)
    lines = "\n".join(strip.frame(annotation, width, marked)) + "\n"
    parts = [portable(lines, encoding), table(annotation, encoding)]
    sentences = [verdict(annotation)]
    over = len(annotation.data) - annotation.used
    if over > 0 and annotation.fields:
        sentences.append(f"{counted(over, 'byte')} left over behind its fields.")
    sentences += [f"{remarks}."] if remarks else []
    parts.append("\n".join(line for one in sentences for line in output.wrapped(one, width)) + "\n")
    if other is not None:
        parts.append(difference_text(annotation, other, encoding))
    return "\n".join(parts)
