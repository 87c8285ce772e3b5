"""The source file: helpers, algorithms, and each frame's functions; and what tells frames apart."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

from packetkit.layout.alike import Marker, told
from packetkit.layout.model import Run
from packetkit.layout.slots import Slot
from packetkit.targets.c import check_code, checks, continued, decode, encode, first_bits, small
from packetkit.targets.c.frame import FrameCode, Mission
from packetkit.targets.c.octets import counting, helpers, joining
from packetkit.targets.c.words import Page, comment, mask, number, unsigned
from packetkit.targets.target import Dossier


def text(mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> str:
    """Return the source."""
    body, engines = Page(), Page()
    for frame in frames:
        for slot in frame.layout.slots:
            if slot.check is not None:
                check_code.define(body, frame, slot)
        encode.define(body, frame)
        decode.define(body, frame)
    fed_bits = {
        mission.engine(slot)[0]
        for frame in frames
        for slot in frame.layout.slots
        if slot.check and _fed_bits(frame, slot)
    }
    for name, one in mission.engines.values():
        checks.define(
            engines,
            one,
            name,
            form=checks.form_of(one.algorithm, mission.checks),
            bits=name in fed_bits,
            turned=f"{name}_turned(" in body.text,
        )
    page = Page()
    page.add(
        f"/* Frames of {comment(dossier.mission)}, written by packetkit. Do not edit: generate again. */",
        f'#include "{mission.prefix}.h"',
        "",
    )
    if "mem" in body.text or "memcpy_P" in engines.text:
        page.add("#include <string.h>", "")
    page.add(
        f"#ifdef {mission.upper}_UNCHECKED /* an unchecked build: codes are cut to their bits, nothing is refused */",
        f"#define {mission.upper}_REFUSE(condition, field) ((void)0)",
        "#else",
        f"#define {mission.upper}_REFUSE(condition, field) do {{ if (condition) {{ return (field); }} }} while (0)",
        "#endif",
        "",
    )
    turned = [slot for frame in frames for slot in frame.layout.slots]
    joining(page, mission.prefix, body.text)
    helpers(page, mission.prefix, turned, body.text)
    forms, kind = Page(), first_bits.kind_of(frames)
    first_bits.define(forms, mission, kind, body.text)
    _anywhere(page, mission, frames, body.text + forms.text, 64 if forms.lines and kind == "uint64_t" else 0)
    page.lines += forms.lines
    counting(page, mission.prefix, body.text)
    continued.define(page, mission, frames, body.text)
    small.define(page, mission, frames)
    page.lines += engines.lines + body.lines
    _identify(page, mission, frames)
    return page.text


def _fed_bits(frame: FrameCode, slot: Slot) -> bool:
    fed = frame.fed[slot.number]
    return not fed.whole and fed.check.in_wire_order


# -- bits at any place ---------------------------------------------------------------------------------------------


def _anywhere(page: Page, mission: Mission, frames: Sequence[FrameCode], code: str, widest: int) -> None:
    """Write the functions that put and get bits whose place in an octet varies, as far as code calls them; widest: besides runs."""
    nodes = [node for frame in frames for node in frame.layout.walk()]
    for low in (False, True):
        widths = [
            slot.width
            for run in nodes
            if isinstance(run, Run) and run.at is None and run.residue is None
            for slot in run.slots
            if run.packing.value.startswith("least") is low
        ]
        kind = "uint64_t" if max(widths, default=0) > 32 or widest > 32 else "uint32_t"
        for word, text in (("put", _PUT), ("get", _GET)):
            if f"{mission.prefix}_{word}{'_low' if low else ''}(" in code:
                _bits(page, mission.prefix, text, kind, low)
    for low in (False, True):
        if f"{mission.prefix}_any{'_low' if low else ''}(" in code:
            _any(page, mission.prefix, low)


_PUT = """\
static void NAME_putEND(uint8_t *d, uint32_t at, uint8_t width, KIND code) {
    while (width > 0) {
        const uint8_t room = (uint8_t)(8 - (at & 7));
        const uint8_t many = width < room ? width : room;
        const uint8_t ones = (uint8_t)(0xFF >> (8 - many));
        const uint8_t part = (uint8_t)(PART & ones);
        d[at >> 3] = (uint8_t)(d[at >> 3] | (part << SHIFT));
        NEXT
        at += many;
        width = (uint8_t)(width - many);
    }
}
"""

_GET = """\
static KIND NAME_getEND(const uint8_t *d, uint32_t at, uint8_t width) {
    KIND code = 0;
    uint8_t done = 0;
    while (done < width) {
        const uint8_t room = (uint8_t)(8 - (at & 7));
        const uint8_t left = (uint8_t)(width - done);
        const uint8_t many = left < room ? left : room;
        const uint8_t ones = (uint8_t)(0xFF >> (8 - many));
        const uint8_t part = (uint8_t)((d[at >> 3] >> SHIFT) & ones);
        code = (KIND)(JOIN);
        at += many;
        done = (uint8_t)(done + many);
    }
    return code;
}
"""

# The same for bits numbered from an octet's high end, and from its low end.
_HIGH = {
    "END": "",
    "PART": "(code >> (width - many))",
    "SHIFT": "(room - many)",
    "NEXT": "",
    "JOIN": "(code << many) | part",
}
_LOW = {
    "END": "_low",
    "PART": "code",
    "SHIFT": "(at & 7)",
    "NEXT": "code = (KIND)(code >> many);",
    "JOIN": "code | ((KIND)part << done)",
}


def _bits(page: Page, name: str, text: str, kind: str, low: bool) -> None:
    for word, meant in {**(_LOW if low else _HIGH), "KIND": kind, "NAME": name}.items():
        text = text.replace(word, meant)
    page.lines += [line for line in text.split("\n") if line.strip() or not line]


def _any(page: Page, name: str, low: bool) -> None:
    """Whether any of the bits from one position to another is one."""
    shift = "at & 7" if low else "7 - (at & 7)"
    with page.block(
        f"static uint8_t {name}_any{'_low' if low else ''}(const uint8_t *d, uint32_t at, uint32_t end)"
    ):
        page.add("uint8_t found = 0;")
        with page.block("for (; at < end; at++)"):
            page.add(f"found = (uint8_t)(found | ((d[at >> 3] >> ({shift})) & 1));")
        page.add("return found;")
    page.add("")


# -- which frame ---------------------------------------------------------------------------------------------------


def _identify(page: Page, mission: Mission, frames: Sequence[FrameCode]) -> None:
    """Write what tells which frame bytes claim to be."""
    told_apart = [frame for frame in frames if frame.layout.name not in mission.outside]
    unknown = f"{mission.upper}_FRAME_UNKNOWN"
    with page.block(
        f"enum {mission.prefix}_frame {mission.prefix}_identify(const uint8_t *data, size_t size)"
    ):
        page.add("const uint8_t *d = data;", "uint8_t claims = 0;", "uint8_t fitting = 0;")
        page.add(
            f"enum {mission.prefix}_frame claimed = {unknown};",
            f"enum {mission.prefix}_frame fits = {unknown};",
            "(void)d;",
            "(void)size;",
        )
        for frame in told_apart:
            told_by, name = told(frame.declared), f"{mission.upper}_FRAME_{frame.layout.name.upper()}"
            tests = [f"({_agrees(marker)})" for marker in told_by.markers if _tells(marker)]
            with page.block(f"if ({' && '.join(tests)})" if tests else ""):
                page.add("claims++;", f"claimed = {name};")
                with page.block(f"if ({_length(told_by.lengths)})"):
                    page.add("fitting++;", f"fits = {name};")
        with page.block("if (claims > 1)"):
            page.add(f"return fitting == 1 ? fits : {unknown};")
        page.add("return claimed;")


def _tells(marker: Marker) -> bool:
    """Whether a marker's bits cannot hold just any code."""
    most = (1 << len(marker.bits)) - 1
    return not any(one.low == 0 and one.high == most for one in marker.codes)


def _agrees(marker: Marker) -> str:
    """The condition that a marker's bits hold one of its codes, or are beyond the end."""
    kind = unsigned(len(marker.bits))
    terms, left = [], len(marker.bits)
    for octet, group in groupby(marker.bits, key=lambda bit: bit // 8):
        bits = list(group)
        for first, last in _falling(bits):
            many = last - first + 1
            left -= many
            shift = 7 - last % 8
            part = f"(d[{octet}] >> {shift})" if shift else f"d[{octet}]"
            part = part if many == 8 else f"({part} & {mask(many)})"
            terms.append(f"({kind})(({kind}){part} << {left})" if left else f"({kind}){part}")
    code = terms[0] if len(terms) == 1 else f"({kind})({' | '.join(terms)})"
    tests = [_is_in(code, one.low, one.high, (1 << len(marker.bits)) - 1) for one in marker.codes]
    return f"size <= {max(marker.bits) // 8} || " + " || ".join(tests)


def _is_in(code: str, low: int, high: int, most: int) -> str:
    """The condition that a code is in a range, without a comparison that its type decides."""
    if low == high:
        return f"{code} == {number(low)}"
    ends = [f"{code} >= {number(low)}"] if low else []
    ends += [f"{code} <= {number(high)}"] if high < most else []
    return ends[0] if len(ends) == 1 else f"({' && '.join(ends)})" if ends else "1"


def _falling(bits: list[int]) -> Iterator[tuple[int, int]]:
    """Stretches of bits that stand side by side from the most significant down."""
    first = last = bits[0]
    for bit in bits[1:]:
        if bit != last + 1:
            yield first, last
            first = bit
        last = bit
    yield first, last


def _length(lengths: range | frozenset[int]) -> str:
    """The condition that a frame has one of these lengths in bytes."""
    if isinstance(lengths, range):
        tests = [f"size >= {lengths.start}"] if lengths.start else []
        tests += [f"size <= {lengths[-1]}"] if lengths and lengths[-1] < 1 << 15 else []
        tests += [f"(size - {lengths.start}) % {lengths.step} == 0"] if lengths.step > 1 else []
        return " && ".join(tests) or "1"
    found: list[list[int]] = []
    for one in sorted(lengths):
        if found and found[-1][1] + 1 == one:
            found[-1][1] = one
        else:
            found.append([one, one])
    return (
        " || ".join(
            f"size == {low}"
            if low == high
            else f"(size >= {low} && size <= {high})"
            if low
            else f"size <= {high}"
            for low, high in found
        )
        or "0"
    )
