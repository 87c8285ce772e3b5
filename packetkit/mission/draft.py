"""A first schema from a list of measures and a byte limit: text that a team can read, change and check at once.

A draft is written, never edited: its text goes through the same loader as everybody's. Where the measures do not fit the limit, the
widest ones are made coarser along the series 1, 2, 5, one step at a time, and each change is said in a comment.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from dataclasses import dataclass, replace
from fractions import Fraction

from packetkit.errors import InputError
from packetkit.mission.cost import next_step
from packetkit.schema.names import NAME, reserved_in
from packetkit.schema.presets import PRESETS
from packetkit.schema.words import closest, format_number, parse_number, shown

CHECK_BITS = 16
SEQUENCE_BITS = 8
FEWEST_STEPS = 3  # a measure is never made coarser than this: fewer codes are a state, not a measure
NUMBERS = ("minimum", "maximum", "resolution")
COLUMNS = ("name", *NUMBERS, "unit", "missing", "bits", "description")


@dataclass(frozen=True, slots=True)
class Measure:
    """One quantity: its range by meaning, or plain bits (then minimum, maximum and resolution are None)."""

    name: str
    minimum: Fraction | None = None
    maximum: Fraction | None = None
    resolution: Fraction | None = None
    unit: str = ""
    missing: bool = True
    bits: int | None = None
    preset: str = ""
    description: str = ""
    asked: Fraction | None = None  # the resolution before it was made coarser
    asked_maximum: Fraction | None = None  # the maximum before it became a whole number of steps

    @property
    def width(self) -> int:
        """Bits that it takes."""
        if self.bits is not None:
            return self.bits
        assert self.minimum is not None and self.maximum is not None and self.resolution is not None
        codes = (self.maximum - self.minimum) / self.resolution + 1 + self.missing
        return max((int(codes) - 1).bit_length(), 1)


@dataclass(frozen=True, slots=True)
class Radio:
    """The radio setting to write into the draft, as its words."""

    spreading_factor: int
    bandwidth_khz: Fraction


def measure(text: str) -> Measure:
    """The measure that a word of the command line asks for: `preset`, `name=preset`, or `name=minimum..maximum/resolution unit`.

    Raises InputError with what is possible.
    """
    name, equals, rest = text.strip().partition("=")
    name = name.strip()
    if name.isdigit():
        raise InputError(
            f"{shown(name)} is not a name; numbers are written with a point, as 0.5, and a comma ends a measure"
        )
    _check_name(name)
    what = rest.strip() if equals else name
    if what in PRESETS:
        row = PRESETS[what]
        return Measure(name, row.minimum, row.maximum, row.resolution, row.unit, row.missing, preset=what)
    if ".." not in what:
        near = closest(what, PRESETS)
        meant = f"did you mean {near}? " if near else ""
        raise InputError(
            f"{shown(what)} is not a known quantity; {meant}`packetkit start --quantities` lists them, "
            f"or say the range: {name}=0..100/0.5 unit"
        )
    return _ranged(name, what)


def _ranged(name: str, text: str) -> Measure:
    span, _, unit = text.partition(" ")
    ends, slash, step = span.partition("/")
    low, _, high = ends.partition("..")
    numbers = [parse_number(part) for part in (low, high, step)]
    if not slash or any(isinstance(number, str) for number in numbers):
        raise InputError(
            f"{name}: {shown(text)} is not minimum..maximum/resolution unit, as in -60..85/0.1 Cel"
        )
    minimum, maximum, resolution = (number for number in numbers if isinstance(number, Fraction))
    return _fitted(Measure(name, minimum, maximum, resolution, unit.strip()))


def _fitted(one: Measure) -> Measure:
    """The measure with its maximum moved up to a whole number of steps. Raises InputError where it is no range."""
    assert one.minimum is not None and one.maximum is not None and one.resolution is not None
    if one.resolution <= 0 or one.maximum <= one.minimum:
        raise InputError(f"{one.name}: the maximum must be above the minimum, and the resolution above 0")
    steps = -((one.minimum - one.maximum) // one.resolution)
    top = one.minimum + steps * one.resolution
    was = one.maximum if one.asked_maximum is None else one.asked_maximum
    fitted = replace(one, maximum=top, asked_maximum=None if top == was else was)
    if fitted.width > 64:
        raise InputError(
            f"{one.name}: {int(steps)} steps need {fitted.width} bits, more than 64; use a coarser resolution"
        )
    return fitted


def _check_name(name: str) -> None:
    if not NAME.match(name):
        raise InputError(
            f"{shown(name)} is not a name; use lower-case letters, digits and underscores, starting with a letter"
        )
    if languages := reserved_in(name):
        raise InputError(
            f"{name} is a reserved word in {' and '.join(languages)}; use another name, such as {name}_value"
        )


def from_csv(text: str, file: str) -> list[Measure]:
    """The measures of a CSV of fields: name, and minimum, maximum and resolution or bits; unit, missing and description may follow.

    Commas, semicolons or tabs stand between cells, as spreadsheets write them; where no comma does, one may be the decimal mark. Raises
    InputError with every faulty line.
    """
    mark = max(",;\t", key=next((line for line in text.splitlines() if line.strip()), "").count)
    rows = csv.DictReader(io.StringIO(text), delimiter=mark)
    try:
        return _from_rows(rows, file, takes_commas=mark != ",")
    except csv.Error as error:
        raise InputError(f"{file}:{rows.reader.line_num}: this is not CSV: {error}") from error


def _from_rows(rows: csv.DictReader[str], file: str, *, takes_commas: bool) -> list[Measure]:
    header = [name.strip().lower() for name in rows.fieldnames or ()]
    unknown = [name for name in header if name not in COLUMNS]
    if "name" not in header or unknown:
        what = f"unknown column {shown(unknown[0])}" if unknown else "no column name"
        raise InputError(f"{file}:1: {what}; the columns are {', '.join(COLUMNS)}")
    rows.fieldnames = header
    read = [(rows.line_num, _read_row(row, takes_commas)) for row in rows]
    faults = [f"{file}:{line}: {found}" for line, found in read if isinstance(found, str)]
    if not read:
        faults.append(f"{file}: no fields; write one a line under the header")
    if faults:
        raise InputError("\n".join(faults))
    return [found for _, found in read if isinstance(found, Measure)]


def _read_row(row: dict[str, str | None], takes_commas: bool) -> Measure | str:
    """The measure of one line, or the sentence that says what is wrong with it."""
    cells = {key: value.strip() for key, value in row.items() if key and isinstance(value, str)}
    if takes_commas:
        cells |= {key: cells[key].replace(",", ".") for key in NUMBERS if key in cells}
    try:
        return _from_row(cells)
    except InputError as error:
        return str(error)


def _from_row(row: dict[str, str]) -> Measure:
    name = row.get("name", "")
    _check_name(name)
    unit, description = row.get("unit", ""), row.get("description", "")
    ends = [row.get(key, "") for key in NUMBERS]
    if all(ends):
        numbers = [parse_number(text) for text in ends]
        if wrong := [number for number in numbers if isinstance(number, str)]:
            raise InputError(f"{name}: {wrong[0]}")
        low, high, step = (number for number in numbers if isinstance(number, Fraction))
        missing = _yes(row.get("missing", "true"), name)
        return _fitted(Measure(name, low, high, step, unit, missing, description=description))
    bits = parse_number(row.get("bits", ""))
    if isinstance(bits, Fraction) and bits.denominator == 1 and 1 <= bits <= 64:
        return Measure(name, unit=unit, missing=False, bits=int(bits), description=description)
    if name in PRESETS and not any(ends):
        return replace(measure(name), description=description)
    raise InputError(f"{name}: needs minimum, maximum and resolution, or bits from 1 to 64")


def _yes(text: str, name: str) -> bool:
    word = text.lower() or "true"
    if word in ("true", "yes", "1"):
        return True
    if word in ("false", "no", "0"):
        return False
    raise InputError(f"{name}: missing is {shown(text)}; write true or false")


def fit(measures: Iterable[Measure], limit_bytes: int | None) -> list[Measure]:
    """The measures, the widest made coarser until the frame has at most limit_bytes. Raises InputError where nothing is left to give."""
    found = list(measures)
    names = [one.name for one in found]
    twice = next((name for name in names if names.count(name) > 1 or name in ("sequence", "check")), None)
    if twice is not None:
        raise InputError(
            f"{twice} is there twice (sequence and check are added by the draft); give each measure its own name"
        )
    if limit_bytes is None:
        return found
    room = limit_bytes * 8 - SEQUENCE_BITS - CHECK_BITS
    while (bits := sum(one.width for one in found)) > room:
        able = [one for one in found if one.resolution is not None and coarser(one) is not None]
        if not able:
            least = -(-(bits + SEQUENCE_BITS + CHECK_BITS) // 8)
            raise InputError(
                f"{limit_bytes} bytes cannot hold these measures: at their coarsest they take {least}; drop one or raise the limit"
            )
        widest = max(able, key=lambda one: one.width)
        found[found.index(widest)] = coarser(widest) or widest
    return found


def coarser(one: Measure) -> Measure | None:
    """The measure with the next resolution of the series 1, 2, 5 that saves a bit or more; None where too few steps would be left."""
    made = one
    while made.width >= one.width:
        assert made.minimum is not None and made.maximum is not None and made.resolution is not None
        step = next_step(made.resolution, finer=False)
        # What a finer step moved up may be whole at this one: each begins from what was asked for.
        top = made.maximum if made.asked_maximum is None else made.asked_maximum
        if (top - made.minimum) / step < FEWEST_STEPS:
            return None
        again = replace(made, maximum=top, asked_maximum=None, resolution=step)
        made = _fitted(replace(again, asked=one.asked or one.resolution))
    return made


def text_of(name: str, measures: Iterable[Measure], limit_bytes: int | None, radio: Radio | None) -> str:
    """The commented schema of these measures, which already fit."""
    found = list(measures)
    bits = SEQUENCE_BITS + CHECK_BITS + sum(one.width for one in found)
    spare = -bits % 8
    lines = [
        f"# A first schema for {name}. Change it, then run: packetkit check FILE",
        f"mission: {name}",
        "frames:",
        "  report:",
        "    # Each line is one field, in the order in which they are sent.",
        "    # Bits follow from the range and the resolution.",
        "    fields:",
        f"      - {{name: sequence, bits: {SEQUENCE_BITS}, role: sequence}}          # counts frames, so that lost ones are seen",
    ]
    for one in found:
        lines += [*_comment(one), f"      - {_field(one)}"]
    if spare:
        lines.append(
            f"      - {{name: spare, kind: reserved, bits: {spare}}}          # room for another flag or a finer step"
        )
    lines.append(
        "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}   # damaged frames are noticed"
    )
    lines += _link(limit_bytes, radio)
    return "\n".join(lines) + "\n"


def _comment(one: Measure) -> list[str]:
    said = []
    if one.asked is not None and one.resolution is not None:
        said.append(
            f"made coarser to fit, {format_number(one.asked)} became {format_number(one.resolution)} {one.unit}"
        )
    if one.asked_maximum is not None and one.maximum is not None:
        ends = f"{format_number(one.asked_maximum)} became {format_number(one.maximum)} {one.unit}"
        said.append(f"the maximum is a whole number of steps up, {ends}")
    return [f"      # {one.name}: {sentence}".rstrip() for sentence in said]


def _field(one: Measure) -> str:
    parts = [f"name: {one.name}"]
    if one.bits is not None:
        parts.append(f"bits: {one.bits}")
    elif one.minimum is not None and one.maximum is not None and one.resolution is not None:
        ends = {"minimum": one.minimum, "maximum": one.maximum, "resolution": one.resolution}
        parts += [f"{key}: {format_number(value)}" for key, value in ends.items()]
    if one.unit:
        parts.append(f"unit: {_quoted(one.unit)}")
    if one.missing:
        parts.append("missing: true")
    if one.description:
        parts.append(f"description: {_quoted(one.description)}")
    return "{" + ", ".join(parts) + "}"


def _quoted(text: str) -> str:
    """The text as a YAML scalar inside braces: in double quotes unless it is plainly a word."""
    if (
        text.replace("/", "").isalnum()
        and text.isascii()
        and not text[0].isdigit()
        and text.lower() not in ("true", "false", "null")
    ):
        return text
    import json

    return json.dumps(" ".join(text.split()))


def _link(limit_bytes: int | None, radio: Radio | None) -> list[str]:
    if limit_bytes is None and radio is None:
        return []
    lines = ["link:"]
    if radio is not None:
        setting = (
            f"spreading_factor: {radio.spreading_factor}, bandwidth_khz: {format_number(radio.bandwidth_khz)}"
        )
        lines.append(
            f"  chirp: {{{setting}}}          # both ends must agree; local rules decide what is allowed"
        )
    if limit_bytes is not None:
        lines.append(f"  maximum_frame_bytes: {limit_bytes}")
    return lines
