"""The header: what a program includes, and what a person reads: fingerprints, the frames as tables, structs, functions."""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.layout.printed import holds, special_text
from packetkit.layout.slots import Linear, Slot
from packetkit.targets.c import boot, card, decode, encode, scale, summed
from packetkit.targets.c.frame import FrameCode, Mission, constant
from packetkit.targets.c.words import Page, comment
from packetkit.targets.target import Dossier

RESULTS = (
    ("OK", "the record holds the frame"),
    ("TRUNCATED", "the bytes end before the frame does"),
    ("BAD_COUNT", "a count is above its maximum, or above the room for its list"),
    ("BAD_LENGTH", "a length does not fit what it measures, or a number goes on for too long"),
    ("UNKNOWN_VARIANT", "no variant is known for what tells of it"),
    ("WRONG_CONSTANT", "a sync marker, constant or tag is another: some other frame"),
    ("TRAILING_BYTES", "bytes are left over after the frame"),
    ("CHECK_FAILED", "the check does not match: nothing of the frame can be trusted"),
    ("RESERVED_BITS", "reserved bits of a strict frame are not zero"),
)


def describe(slot: Slot) -> str:
    """Return what a raw code means: its value, its range, the codes with a meaning of their own."""
    words = []
    if slot.kind == "number" and isinstance(slot.transform, Linear) and not slot.transform.is_identity:
        words.append(f"value = {_formula(slot.transform)}")
    what = holds(slot)
    words.append(f"{what} {slot.unit}".strip() if slot.kind not in ("flag",) else "0 or 1")
    if slot.coding:
        words.append(f"spelled in {slot.coding}")
    words += [
        f"code {special_text(slot, special)}{'' if special.reason else ' missing'}"
        if special.meaning == "missing"
        else f"code {special_text(slot, special)}"
        for special in slot.specials
    ]
    return "; ".join(words)


def _formula(transform: Linear) -> str:
    """A linear transform in whole numbers."""
    product = "raw" if transform.numerator == 1 else f"{transform.numerator} raw"
    if transform.base:
        product = f"{product} {'+' if transform.base > 0 else '-'} {abs(transform.base)}"
    if transform.denominator == 1:
        return product
    return (
        f"({product}) / {transform.denominator}" if " " in product else f"{product} / {transform.denominator}"
    )


def text(mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> str:
    """Return the header."""
    page, guard = Page(), f"{mission.upper}_H"
    page.add(
        f"/* Frames of {comment(dossier.mission)}, written by packetkit. Do not edit: generate again.",
        " *",
        " * Structs hold raw codes, exactly what lies on the wire. Encoding refuses a code that does not fit its bits and names the",
        " * field; with "
        + mission.upper
        + "_UNCHECKED defined it only cuts codes to their bits: an unchecked build, for code that has checked",
        " * them before. Decoding gives a record only of a frame that holds. No heap, no recursion, no floating point.",
        *_shapes(frames),
        " */",
        f"#ifndef {guard}",
        f"#define {guard}",
        "",
        "#include <stddef.h>",
        "#include <stdint.h>",
        "",
        "#ifdef __cplusplus",
        'extern "C" {',
        "#endif",
        "",
        f'#define {mission.upper}_FINGERPRINT "{dossier.fingerprint}"',
        "",
    )
    results = [(f"{mission.upper}_{name}", what) for name, what in RESULTS]
    results += [
        (name, f"the code that decoding is told for {slot.address} does not fit its {slot.width} bits")
        for frame in frames
        for slot, name in frame.told
    ]
    with page.block(f"enum {mission.prefix}_result"):
        ends = [","] * (len(results) - 1) + [""]
        page.add(*(f"{name}{end} /* {what} */" for (name, what), end in zip(results, ends, strict=True)))
    page.lines[-1] += ";"
    for frame in frames:
        _frame(page, frame)
    _dispatch(page, mission, frames)
    page.add("", *boot.declaration(mission, dossier))
    page.add("", *card.declaration(mission))
    page.add("", "#ifdef __cplusplus", "}", "#endif", "", "#endif")
    return page.text


def _shapes(frames: Sequence[FrameCode]) -> list[str]:
    """What a reader has to know of frames whose shape varies, as far as there are such."""
    lines: list[str] = []
    if any(not frame.is_fixed for frame in frames):
        lines += [
            " * An encoder needs as much room as the frame has bytes, the SIZE of its longest form at most, and says how many there are;",
            " * lengths and checks it works out itself.",
        ]
    if any(frame.choices for frame in frames):
        lines.append(" * Variants share a union: the codes that tell which one there is stand before it.")
    return lines


def _frame(page: Page, frame: FrameCode) -> None:
    """One frame: its table as a comment, its constants, its struct, its functions."""
    page.add("", "/*", *(f" * {comment(line)}".rstrip() for line in str(frame.declared).splitlines()))
    ground = [slot.address for slot in frame.layout.slots if slot.calibration or slot.limits]
    ground += [derived.address for derived in frame.layout.derived]
    if ground:
        page.add(
            " *",
            f" * Calibration, limits and derived values are worked out on the ground: {comment(', '.join(ground))}.",
        )
    page.add(" */")
    page.add(f'#define {frame.upper}_FINGERPRINT "{frame.layout.fingerprint}"')
    for name, bound in frame.record.defaults.items():
        page.add(
            f"#ifndef {name}",
            f"#define {name} {bound} /* elements; the schema has no smaller bound, so this is what 255 bytes can hold */",
            "#endif",
        )
    many = "" if frame.is_fixed else ", at most"
    page.add(f"#define {frame.upper}_SIZE {frame.record.size()} /* bytes{many} */", "")
    _states(page, frame)
    with page.block(f"enum {frame.prefix}_field"):
        page.add(
            f"{frame.upper}_OK, /* encoded */",
            f"{frame.upper}_NO_ROOM, /* there is no room for the frame, or for a list */",
        )
        page.add(*(f"{name}," for name in _listed(frame)))
    page.lines[-2] = page.lines[-2].rstrip(",")
    page.lines[-1] += ";"
    page.add("")
    _missing(page, frame)
    with page.block("typedef struct"):
        for part in frame.record.root.members.values():
            part.declare(page)
        if not frame.record.root.members:
            page.add("uint8_t nothing; /* no field has a value */")
    page.lines[-1] += f" {frame.prefix};"
    page.add(
        "",
        "/* Writes the frame of a record; returns OK, or the first field whose code does not fit. The buffer's content does not matter. */",
        f"{encode.signature(frame)};",
        "/* Reads exactly one frame. */",
        f"{decode.signature(frame)};",
        *scale.declarations(frame),
        *summed.declarations(frame),
    )


def _listed(frame: FrameCode) -> list[str]:
    """The enumerators of fields: every slot has one, in wire order, so that their numbers follow the layout's; then what has no bits."""
    return list(dict.fromkeys(frame.fields.values()))


def _states(page: Page, frame: FrameCode) -> None:
    """The codes of states, as names."""
    for slot in frame.layout.slots:
        if not slot.states:
            continue
        base = frame.fields[slot.number].replace("_FIELD_", "_", 1)
        seen: set[str] = set()
        for code, label in slot.states:
            name = "".join(one if one.isascii() and one.isalnum() else "_" for one in label).upper()
            while name in seen:
                name += "_"
            seen.add(name)
            page.add(f"#define {base}_IS_{name} {code}")
        page.add("")


def _missing(page: Page, frame: FrameCode) -> None:
    """The codes that mean that there is no value, as names."""
    found = [slot for slot in frame.layout.slots if slot.missing_code is not None]
    for slot in found:
        assert slot.missing_code is not None
        name = frame.fields[slot.number].replace("_FIELD_", "_", 1)
        page.add(f"#define {name}_MISSING {constant(slot.missing_code, slot)}")
    page.add(*([""] if found else []))


def _dispatch(page: Page, mission: Mission, frames: Sequence[FrameCode]) -> None:
    """What tells frames apart."""
    page.add("")
    with page.block(f"enum {mission.prefix}_frame"):
        page.add(*(f"{mission.upper}_FRAME_{frame.layout.name.upper()}," for frame in frames))
        page.add(f"{mission.upper}_FRAME_UNKNOWN")
    page.lines[-1] += ";"
    page.add(
        "",
        "/* Which frame bytes claim to be, by their constants and tags, or where those do not tell by their length. */",
        f"enum {mission.prefix}_frame {mission.prefix}_identify(const uint8_t *data, size_t size);",
    )
