"""The module: helpers, algorithms, a class for each frame, and what tells frames apart."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.alike import Marker, told
from packetkit.layout.model import Layout
from packetkit.layout.numbered import numbered
from packetkit.layout.printed import beside_text
from packetkit.layout.slots import Range
from packetkit.targets import table
from packetkit.targets.micropython import checks, continued
from packetkit.targets.micropython.checks import Engine
from packetkit.targets.micropython.code import DecodeWalk, EncodeWalk
from packetkit.targets.micropython.page import MOST_BITS, Page, comment, number
from packetkit.targets.micropython.record import Place, class_name, identifier
from packetkit.targets.micropython.stored import CheckWalk, act, define_by_bits
from packetkit.targets.micropython.walk import FrameCode, within
from packetkit.targets.target import Dossier

_HEAD = """\
# Frames of the mission {mission}, written by packetkit. Do not edit: generate again. Mission fingerprint {fingerprint}
#
# For MicroPython 1.9.2 and later, and Python. It keeps to what small builds have, CircuitPython's too, which nobody has run it on.
# A record holds raw codes, exactly what lies on the wire, and is used again and again; {buffer}.
#
#     record = {module}.{example}()
#     size = record.encode(buffer)     # bytes written; raises FieldError, which begins with the field's name
#     record.decode(buffer, size)      # raises FrameError, saying why; the record then holds nothing to rely on
#
# A check notices damage, not intent: anyone can send a frame with a right check.
"""

_ERRORS = '''

class FieldError(ValueError):
    """A code that its field does not take, or a buffer without room for the frame."""


class FrameError(ValueError):
    """Bytes that are no such frame; the text is the reason: truncated, bad length, wrong constant, check failed and the like."""


def _no(field):
    raise FieldError(field + ": its bits do not hold this code")
'''

# Helpers by the name that calls for them, each with those that it needs.
_HELPERS = {
    "_words": """

def _words(w, count, top, field):
    if len(w) != count or w[0] >> top:
        _no(field)
    for one in w:
        if one >> 16:
            _no(field)
""",
    "_ones": """

def _ones(x):
    n = 0
    if x < 0:
        x = -x
    while x:
        n += x & 1
        x >>= 1
    return n
""",
    "_put": """

def _put(d, at, width, x):
    while width > 0:
        k = at >> 3
        room = 8 - (at & 7)
        many = width if width < room else room
        width -= many
        d[k] = d[k] & 0xFF00 >> (at & 7) & 0xFF | (x >> width & (1 << many) - 1) << room - many
        at += many
""",
    "_put_low": """

def _put_low(d, at, width, x):
    while width > 0:
        k = at >> 3
        room = 8 - (at & 7)
        many = width if width < room else room
        width -= many
        d[k] = d[k] & (1 << (at & 7)) - 1 | (x & (1 << many) - 1) << (at & 7)
        x >>= many
        at += many
""",
    "_add": """

def _add(d, at, width, x):
    while width > 0:
        width -= 1
        d[at >> 3] |= (x >> width & 1) << 7 - (at & 7)
        at += 1
""",
    "_add_low": """

def _add_low(d, at, width, x):
    while width > 0:
        d[at >> 3] |= (x & 1) << (at & 7)
        x >>= 1
        width -= 1
        at += 1
""",
    "_get": """

def _get(d, at, width):
    x = 0
    while width > 0:
        room = 8 - (at & 7)
        many = width if width < room else room
        x = x << many | d[at >> 3] >> room - many & (1 << many) - 1
        at += many
        width -= many
    return x
""",
    "_get_low": """

def _get_low(d, at, width):
    x = done = 0
    while done < width:
        room = 8 - (at & 7)
        many = width - done if width - done < room else room
        x |= (d[at >> 3] >> (at & 7) & (1 << many) - 1) << done
        at += many
        done += many
    return x
""",
    "_any": """

def _any(d, at, end):
    while at < end:
        if d[at >> 3] >> 7 - (at & 7) & 1:
            return True
        at += 1
    return False
""",
    "_any_low": """

def _any_low(d, at, end):
    while at < end:
        if d[at >> 3] >> (at & 7) & 1:
            return True
        at += 1
    return False
""",
    "_join": """

def _join(d, spans, own, rule, least, front):
    made = bytearray()
    part = parts = 0
    for x, many in front:
        for i in range(many):
            bit = x >> (i if least else many - 1 - i) & 1
            part = part | bit << parts if least else part << 1 | bit
            parts += 1
            if parts == 8:
                made.append(part)
                part = parts = 0
    for i, end in spans:
        while i < end:
            bit = d[i >> 3] >> ((i & 7) if least else 7 - (i & 7)) & 1
            skipped = False
            for first, last in own:
                if first <= i < last:
                    skipped = rule == "skip"
                    bit = 1 if rule == "ones" else 0
            i += 1
            if skipped:
                continue
            part = part | bit << parts if least else part << 1 | bit
            parts += 1
            if parts == 8:
                made.append(part)
                part = parts = 0
    return made, part, parts
""",
    **continued.HELPERS,
    "_front": """
_FRONT = bytearray(8)


def _front(x, size, least):
    for k in range(size):
        _FRONT[k if least else size - 1 - k] = x & 0xFF
        x >>= 8
    return _FRONT
""",
    "_turned": checks.TURNED,
    "_turn_words": checks.TURN_WORDS,
    "_ZEROS": "\n_ZEROS = bytes(16)\n",
    "_ONES": '\n_ONES = b"\\xff" * 16\n',
}


class Mission:
    """What all frames share. fast: checks from tables; small: no number needs more than 30 bits."""

    def __init__(self, dossier: Dossier, *, fast: bool, small: bool) -> None:
        self.dossier = dossier
        self.fast = fast
        self.small = small
        self.engines: dict[tuple[int | str | bool, ...], Engine] = {}

    def engine(self, algorithm: Algorithm) -> Engine:
        """The code of an algorithm, one for each."""
        key = algorithm.identity()
        if key not in self.engines:
            name = f"_{identifier(algorithm.name)}"
            while any(name == other.name for other in self.engines.values()):
                name += "_"
            wide = self.small and algorithm.family == "crc" and algorithm.width >= MOST_BITS
            self.engines[key] = Engine(algorithm, name, wide)
        return self.engines[key]


def module_name(mission: str) -> str:
    """Return the name of a mission's module: one that no library has."""
    return f"{identifier(mission)}_frames"


def described(layout: Layout) -> dict[int, str]:
    """Return a few words on what each raw code means, by slot."""
    from packetkit.targets.c.header import describe

    return {
        slot.number: "; ".join(filter(None, (describe(numbered(slot)), beside_text(layout, slot))))
        for slot in layout.slots
    }


def frames_of(layouts: Mapping[str, Layout], small: bool) -> list[FrameCode]:
    """Return the frames, each with the names of its classes."""
    return [
        FrameCode(layout, class_name(layout.name), small, described(layout)) for layout in layouts.values()
    ]


def text(frames: Sequence[FrameCode], mission: Mission) -> str:
    """Return the module's source."""
    body = Page()
    for frame in frames:
        _frame(body, frame, mission)
    _identify(body, frames, mission.dossier.outside)
    engines = Page()
    by_bits = {
        mission.engine(slot.check.algorithm).name
        for frame in frames
        for slot in frame.layout.slots
        if slot.check is not None and not frame.fed[slot.number].whole and slot.check.in_wire_order
    }
    for one in mission.engines.values():
        checks.define(engines, one, fast=mission.fast, bits=one.name in by_bits)
    plain = all(frame.size_bytes is not None for frame in frames)
    head = _HEAD.format(
        mission=comment(mission.dossier.mission),
        fingerprint=mission.dossier.fingerprint,
        module=module_name(mission.dossier.mission),
        example=frames[0].record.root.name,
        buffer="encoding into your own buffer takes no memory" if plain else "buffers are your own",
    )
    imports = "\nfrom array import array\n" if "array(" in engines.text else ""
    rest = engines.text + body.text
    if "_go_words" in rest:
        rest += _HELPERS["_go_words"]  # which needs another
    helpers = "".join(written for name, written in _HELPERS.items() if re.search(rf"\b{name}\b", rest))
    constants = f'\nFINGERPRINT = "{mission.dossier.fingerprint}"\n'
    return head + imports + constants + _ERRORS + helpers + engines.text.rstrip("\n") + "\n" + body.text


def _frame(page: Page, frame: FrameCode, mission: Mission) -> None:
    """The classes of one frame, and the functions of its checks that are fed by bits."""
    for slot in frame.checks:
        assert slot.check is not None
        engine = mission.engine(slot.check.algorithm)
        if not frame.fed[slot.number].whole:
            define_by_bits(page, frame, slot, engine)
    page.add("", "", *(f"# {line}".rstrip() for line in table.drawn(frame.declared)))
    for holder in frame.record.holders:
        if holder is not frame.record.root:
            with page.block(f"class {holder.name}"):
                holder.declare(page)
            page.add("", "")
    root = frame.record.root
    with page.block(f"class {root.name}"):
        size = frame.size_bytes
        page.add(
            f'FINGERPRINT = "{frame.layout.fingerprint}"',
            *([f"SIZE = {size}"] if size is not None else []),
            "",
        )
        root.declare(page)
        page.add("")
        _encode(page, frame, mission)
        page.add("")
        _decode(page, frame, mission)


def _encode(page: Page, frame: FrameCode, mission: Mission) -> None:
    fixed = frame.size_bytes
    if fixed is None:
        with page.block("def encode(self, d)"):
            with page.block("try"):
                page.add("return self._encode(d)")
            with page.block("except IndexError"):
                page.add('raise FieldError("no room: the buffer ends before the frame does")')
        page.add("")
    with page.block("def encode(self, d)" if fixed is not None else "def _encode(self, d)"):
        if fixed is not None:
            with page.block(f"if len(d) < {fixed}"):
                page.add('raise FieldError("no room: the buffer ends before the frame does")')
        if not frame.only_runs:
            page.add("at = 0")
        walk = EncodeWalk(frame, page)
        walk.nodes(frame.layout.nodes, Place("self"), frame.record.root)
        if fixed is None:
            page.add("end = at + 7 >> 3 << 3")
        _checks(page, frame, mission, walk, verifies=False)
        page.add(f"return {fixed}" if fixed is not None else "return end >> 3")


def _decode(page: Page, frame: FrameCode, mission: Mission) -> None:
    with page.block("def decode(self, d, size)"):
        page.add("end = size << 3")
        if not frame.only_runs:
            page.add("at = 0")
        judging = DecodeWalk(frame, page, takes=not frame.is_plain)
        page.add(*(f"{flag} = False" for flag in ("wrong", "odd") if judging.can_be(flag)))
        judging.nodes(frame.layout.nodes, Place("self"), frame.record.root)
        fixed = frame.size_bytes
        if fixed is not None and not frame.is_plain:
            judging.fail(f"size < {fixed}", "truncated")
        if judging.can_be("wrong"):
            judging.fail("wrong", "wrong constant")
        judging.fail(f"size != {fixed}" if fixed is not None else "size != (at + 7 >> 3)", "trailing bytes")
        _checks(page, frame, mission, judging, verifies=True)
        if judging.can_be("odd"):
            judging.fail("odd", "reserved bits")
        if frame.is_plain:
            taking = DecodeWalk(frame, page, judges=False)
            taking.nodes(frame.layout.nodes, Place("self"), frame.record.root)


def _checks(
    page: Page, frame: FrameCode, mission: Mission, walk: EncodeWalk | DecodeWalk, *, verifies: bool
) -> None:
    """Store or verify a frame's checks, in their order."""
    for slot in frame.checks:
        assert slot.check is not None
        engine, run = mission.engine(slot.check.algorithm), frame.home[slot.number]
        if slot.number in frame.outer:
            act(walk, run, f"n{run.number}", slot, engine, verifies=verifies)
            continue
        page.add("at = 0")
        inner = CheckWalk(frame, page, slot, engine, verifies=verifies)
        inner.known.update({number: text for number, text in walk.known.items() if text.startswith("k")})
        inner.nodes(frame.layout.nodes, Place("self"), frame.record.root)


# -- which frame ---------------------------------------------------------------------------------------------------


def _identify(page: Page, frames: Sequence[FrameCode], outside: frozenset[str]) -> None:
    """Write what tells which frame bytes claim to be."""
    page.add("", "")
    with page.block("def identify(d, size)"):
        page.add("claims = fitting = 0", "claimed = fits = None")
        for frame in frames:
            if frame.layout.name in outside:
                continue
            known = told(frame.declared)
            tests = [_agrees(marker) for marker in known.markers] or ["True"]
            tests = [f"({one})" for one in tests] if len(tests) > 1 else tests
            with page.block(f"if {' and '.join(tests)}"):
                page.add("claims += 1", f"claimed = {frame.record.root.name}")
                with page.block(f"if {_length(known.lengths)}"):
                    page.add("fitting += 1", f"fits = {frame.record.root.name}")
        with page.block("if claims > 1"):
            page.add("return fits if fitting == 1 else None")
        page.add("return claimed")


def _agrees(marker: Marker) -> str:
    """The condition that a marker's bits hold one of its codes, or are beyond the end. Each octet is asked by itself where it can be."""
    beyond = f"size <= {max(marker.bits) // 8}"
    only = marker.codes[0]
    if len(marker.codes) == 1 and only.low == only.high:
        return f"{beyond} or {' and '.join(_octets(marker.bits, only.low))}"
    code = " | ".join(
        f"(d[{bit // 8}] >> {7 - bit % 8} & 1) << {at}" if at else f"d[{bit // 8}] >> {7 - bit % 8} & 1"
        for at, bit in enumerate(reversed(marker.bits))
    )
    tests = [
        f"({code}) == {number(one.low)}"
        if one.low == one.high
        else f"{number(one.low)} <= ({code}) <= {number(one.high)}"
        for one in marker.codes
    ]
    return f"{beyond} or {' or '.join(tests)}"


def _octets(bits: Iterable[int], code: int) -> list[str]:
    """The conditions that each octet holds what a code puts there."""
    masks: dict[int, list[int]] = {}
    for at, bit in enumerate(reversed(list(bits))):
        held = masks.setdefault(bit // 8, [0, 0])
        held[0] |= 0x80 >> bit % 8
        held[1] |= (code >> at & 1) << 7 - bit % 8
    return [
        f"d[{octet}] == {number(value)}"
        if mask == 0xFF
        else f"d[{octet}] & {number(mask)} == {number(value)}"
        for octet, (mask, value) in sorted(masks.items())
    ]


def _length(lengths: range | frozenset[int]) -> str:
    """The condition that a frame has one of these lengths in bytes."""
    if isinstance(lengths, range):
        step = f" and (size - {lengths.start}) % {lengths.step} == 0" if lengths.step > 1 else ""
        return f"{lengths.start} <= size <= {lengths[-1]}{step}" if lengths else "False"
    return within("size", stretches(lengths))


def stretches(numbers: Iterable[int]) -> tuple[Range, ...]:
    """Return numbers as ranges, neighbours in one: a list of all the lengths of a long frame would fill a small board."""
    made: list[Range] = []
    for one in sorted(numbers):
        low = made.pop().low if made and made[-1].high == one - 1 else one
        made.append(Range(low, one))
    return tuple(made)
