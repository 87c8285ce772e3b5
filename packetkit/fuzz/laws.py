"""The laws that every codec keeps, each a question about one frame: an empty answer where it holds, else the sentence that says how not.

They need nothing but the frame, its layout and a subject (a record, bytes, damage), so a team's own tests ask them as they stand:
`assert not laws.comes_back(frame, record)`. What is exact in the specification is exact here. Where a law needs the expected value it
works from the layout's transform by itself, in fractions, not by the codec's way of rounding.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from fractions import Fraction
from itertools import chain
from math import isnan
from typing import Any, NamedTuple, Protocol

from packetkit.codec import derive
from packetkit.codec.frame import Frame
from packetkit.codec.record import put
from packetkit.conformance.faults import Damage
from packetkit.conformance.judge import same
from packetkit.errors import DecodeError, EncodeError, ReservedBits, WrongConstant, counted
from packetkit.layout import number
from packetkit.layout.beside import on_scale
from packetkit.layout.curve import Curve, nearest
from packetkit.layout.exact import exact_number
from packetkit.layout.ieee import ieee_pattern
from packetkit.layout.joined import Unfit, from_codes, to_codes
from packetkit.layout.model import (
    Choice,
    Continued,
    Layout,
    Node,
    Optional,
    Repeat,
    Run,
    flat,
    slots_of,
    tellers,
)
from packetkit.layout.slots import Bundle, Chosen, Ieee, Linear, Packing, Slot


class Codec(Protocol):
    """What the laws are asked of: packetkit's Frame, or whatever encodes and decodes like one."""

    @property
    def layout(self) -> Layout: ...
    def encode(self, record: Mapping[str, Any], /) -> bytes: ...
    def decode(self, data: bytes, /, *, detail: bool = False) -> dict[str, Any]: ...
    def decode_from(self, buffer: bytes, at: int = 0, /) -> tuple[dict[str, Any], int]: ...


# -- values ------------------------------------------------------------------------------------------------------


def comes_back(frame: Codec, record: Mapping[str, Any]) -> str:
    """Return how a record that can be encoded fails to come back: decoding its bytes gives it again, rounded to the frame's steps.

    And in detail: the detail record encodes back to the same bytes. A record that is refused breaks no law; nor does one with raw
    codes, which are sent as they are, that no decoder takes (bits in strict reserved ones, a code that a tag does not have).
    """
    try:
        data = frame.encode(record)
    except EncodeError:
        return ""
    try:
        back = frame.decode(data)
    except (ReservedBits, WrongConstant) as error:
        return "" if _gives_codes(record) else f"the frame {data.hex()} of {record} is refused: {error}"
    except DecodeError as error:
        return f"the frame {data.hex()} of {record} does not decode: {error.reason}: {error}"
    wrong = next(_compared(frame.layout, record, back), "") or _not_verified(frame, data, record)
    if wrong:
        return f"{wrong}, in the frame {data.hex()}"
    detail = frame.decode(data, detail=True)
    again = frame.encode(detail)
    if again != data:
        return f"the detail record of {data.hex()} encodes to {again.hex()}"
    plain = _values(detail)
    todo = derive.plan(frame.layout)
    sent = back if todo is None else derive.without(todo, back)
    supplied = {slot.path[0] for slot in frame.layout.supplied}
    sent = {key: value for key, value in sent.items() if key not in supplied}
    if not same(_only_values(frame.layout.nodes, plain), sent) or (
        todo is not None and not same(derive.values(todo, plain), derive.values(todo, back))
    ):
        return f"detail of {data.hex()} has values {plain}, but decoding gives {back}"
    return ""


def _not_verified(frame: Codec, data: bytes, record: Mapping[str, Any]) -> str:
    """How a frame fails whose supplied fields are known: its checks agree, and no field is recovered."""
    if not frame.layout.supplied or not isinstance(frame, Frame):
        return ""
    given = {slot.path[0]: record[slot.path[0]] for slot in frame.layout.supplied}
    known = {key: one["raw"] if isinstance(one, Mapping) else one for key, one in given.items()}
    try:
        back = frame.decode(data, detail=True, known=known)
    except DecodeError as error:
        return f"known {known} does not verify it: {error}"
    return "" if all(back[key] == {"raw": raw, "value": raw} for key, raw in known.items()) else f"{back}"


def half_a_step(frame: Codec, record: Mapping[str, Any]) -> str:
    """Return which value of an encoded record is more than half a step from what comes back: nothing wraps, nothing is cut off.

    A value that is clamped comes back as a bound, the nearest one; IEEE numbers come back rounded once.
    """
    # Only a code tells on which scale a value came back, where another field chooses it.
    with_codes = any(isinstance(slot.transform, Chosen) for slot in frame.layout.slots)
    try:
        back = frame.decode(frame.encode(record), detail=with_codes)
    except (EncodeError, DecodeError):
        return ""
    for slot, address, given, found in _pairs(frame.layout.nodes, record, back, ""):
        wrong = _too_far_on_any(slot, given, found) if with_codes else _too_far(slot, given, found)
        if wrong:
            return f"{address}: {wrong}"
    return ""


def _too_far_on_any(slot: Slot, given: Any, leaf: Any) -> str:
    """How a number is not the one that came back as this leaf of a detail record: on none of the scales on which its code is its value."""
    if not isinstance(leaf, Mapping):
        return ""
    if not isinstance(slot.transform, Chosen):
        return _too_far(slot, given, leaf["value"])
    scales = [on_scale(slot, linear) for _, linear in slot.transform.choices]
    told = [
        _too_far(one, given, leaf["value"])
        for one in scales
        if same(number.from_raw(one, leaf["raw"])[0], leaf["value"])
    ]
    return "" if "" in told or leaf["value"] is None else (told or [f"{leaf} is on none of its scales"])[0]


def _too_far(slot: Slot, given: Any, found: Any) -> str:
    """How a number that was given is not the number that came back."""
    if isinstance(slot.transform, Bundle):
        if slot.policy == "clamp" or not isinstance(given, (list, tuple)):
            return ""
        sample = slot.transform.sample
        return next(filter(None, (_too_far(sample, *pair) for pair in zip(given, found, strict=True))), "")
    if (
        isinstance(given, (str, Mapping, bool))
        or given is None
        or found is None
        or slot.kind not in ("number", "float")
    ):
        return ""
    exact: Any = exact_number(given, slot.transform)
    if exact is None or (isinstance(exact, float) and isnan(exact)):
        return ""
    low, high = number.value_limits(slot)
    bounds = [number.value_of(slot.transform, one.low) for one in slot.specials if one.meaning != "missing"]
    low, high = min([low, *bounds]), max([high, *bounds])
    if isinstance(exact, float) or not low <= exact <= high:
        ends = "" if low <= found <= high else f"{found} is outside {low} to {high}"
        if slot.policy == "clamp" or (not isinstance(exact, float) and _near(slot, exact, found)):
            return ends
        return f"{given} is outside {low} to {high}, but is sent as {found}"
    if _near(slot, exact, found) or (slot.policy == "clamp" and _in_hole(slot, exact)):
        return ""
    return f"{given} comes back as {found}, more than half a step away"


def _near(slot: Slot, exact: Any, found: Any) -> bool:
    if isinstance(slot.transform, Ieee):
        return bool(found == _rounded(slot.transform.bits, exact))
    off = abs(Fraction(found) - Fraction(exact))
    if isinstance(slot.transform, Curve):
        return off <= _nearest_on(slot.transform, Fraction(exact)) + abs(Fraction(found)) / (1 << 53)
    # The value that comes back is itself rounded once to a double.
    assert isinstance(slot.transform, Linear)
    slack = Fraction(0) if slot.transform.is_integer else abs(Fraction(found)) / (1 << 53)
    return bool(off <= abs(slot.transform.scale) / 2 + slack)


def _nearest_on(curve: Curve, exact: Fraction) -> Fraction:
    """How far the nearest value of a curve is: by trying all codes, or in wide fields those around the one that was chosen."""
    if sum(one.high - one.low for one in curve.line) < 1 << 12:
        codes = (code for one in curve.line for code in range(one.low, one.high + 1))
    else:
        chosen = nearest(curve, exact)
        codes = (code for code in (chosen - 1, chosen, chosen + 1))
    values = ((curve.piece(code), code) for code in codes)
    return min(abs(piece.exact(code) - exact) for piece, code in values if piece is not None)


def _rounded(bits: int, exact: Any) -> float:
    import struct

    code = {16: ">e", 32: ">f", 64: ">d"}[bits]
    try:
        value: float = struct.unpack(code, struct.pack(code, float(exact)))[0]
    except OverflowError:
        return float("inf") if exact > 0 else float("-inf")
    return value


def _in_hole(slot: Slot, exact: Any) -> bool:
    """Whether a number's own code, between legal ones, is reserved."""
    if isinstance(slot.transform, Ieee):
        raw = ieee_pattern(slot.transform.bits, _rounded(slot.transform.bits, exact))
        return any(special.low <= raw <= special.high for special in slot.specials)
    if isinstance(slot.transform, Curve):
        return not number.is_legal(slot, nearest(slot.transform, exact))
    assert isinstance(slot.transform, Linear)
    return not number.is_legal(slot, number.round_raw(slot.transform, exact))


# -- bytes -------------------------------------------------------------------------------------------------------


def only_records_or_errors(frame: Codec, data: bytes) -> str:
    """Return what else than a record or a DecodeError some bytes give: whatever they are, there is nothing else.

    A record that they give encodes, in detail, to these bytes.
    """
    try:
        detail = frame.decode(data, detail=True)
    except DecodeError:
        return ""
    except Exception as error:  # noqa: BLE001  # the law is that there is none
        return f"{data.hex() or 'no bytes'} raise {type(error).__name__}: {error}"
    try:
        back = frame.encode(detail)
    except EncodeError as error:
        return f"the detail record of {data.hex()} is refused: {error}"
    return "" if back == data else f"the detail record of {data.hex()} encodes to {back.hex()}"


def leaves_the_rest(frame: Codec, data: bytes, before: bytes = b"", after: bytes = b"") -> str:
    """Return how a frame inside a buffer is read otherwise than alone: what stands before and after it has no say.

    A frame that runs to the end takes all there is, so nothing is put after it.
    """
    try:
        alone = frame.decode(data)
    except DecodeError:
        return ""
    open_ended = frame.layout.runs_to_end or _holds_unknown(frame.layout.nodes, _alone(frame, data))
    rest = b"" if open_ended else after
    try:
        found, used = frame.decode_from(before + data + rest, len(before))
    except DecodeError as error:
        return (
            f"{data.hex()} decodes alone, but not between {len(before)} and {len(rest)} other bytes: {error}"
        )
    if used != len(data):
        return f"{data.hex()} has {counted(len(data), 'byte')}, but {used} were used in a buffer"
    return "" if same(found, alone) else f"{data.hex()} is {alone} alone, and {found} in a buffer"


def damage_is_told(frame: Codec, data: bytes, damage: Damage) -> str:
    """Return how damage slips through where it cannot: a damaged frame is refused, or the check cannot see the difference.

    What a check cannot see is exactly what encodes back: then the bytes are those of some other good frame. A single bit
    inside what a check covers is always seen, in a frame whose parts are all where they were.
    """
    wrong = only_records_or_errors(frame, damage.data)
    if wrong:
        return f"{damage}: {wrong}"
    if damage.mode != "flip" or len(damage.data) != len(data):
        return ""
    bits = [
        bit for bit in range(len(data) * 8) if (data[bit >> 3] ^ damage.data[bit >> 3]) >> (7 - bit % 8) & 1
    ]
    if len(bits) == 1 and bits[0] in certain_bits(frame.layout):
        try:
            frame.decode(damage.data)
        except DecodeError:
            return ""
        return f"bit {bits[0]} of {data.hex()} is covered by a check, yet inverted it goes unseen"
    return ""


def certain_bits(layout: Layout) -> set[int]:
    """Return the bits of a good frame of which any one inverted is sure to be refused; octet*8, most significant first.

    Only of frames of fixed size, packed most significant bit first, whose checks see each single bit: sums and exclusive or always do, a
    CRC whose polynomial has the term 1 does.
    """
    if not layout.is_fixed or any(node.packing is not Packing.MOST for node in _runs(layout)):
        return set()
    found: set[int] = set()
    for run in _runs(layout):
        for slot in run.slots:
            check = slot.check
            marks = [mark for span in check.spans for mark in span] if check is not None else []
            if check is None or run.at is None or any(mark.at is None and mark.node >= 0 for mark in marks):
                continue
            if not check.is_plain:
                continue  # a bit of a field that goes into it may turn one of the check's as well
            family = check.algorithm.family
            if family == "linear" or (family == "crc" and not check.algorithm.poly & 1):
                continue
            for start, end in check.spans:
                found.update(range(start.at or 0, layout.minimum_bits if end.at is None else end.at))
            first = run.at + slot.offset_bits
            found.update(range(first, first + slot.width))
    return found


def _runs(layout: Layout) -> Iterator[Run]:
    return (node for node in layout.walk() if isinstance(node, Run))


def _alone(frame: Codec, data: bytes) -> Any:
    """The record in bytes by themselves, None where they are no frame."""
    try:
        return frame.decode(data)
    except DecodeError:
        return None


def _holds_unknown(nodes: tuple[Node, ...], record: Any) -> bool:
    """Whether a record holds octets of an unknown variant, which run to the end of what they stand in."""
    for node in flat(nodes) if isinstance(record, Mapping) else ():
        held = record
        for key in node.path if isinstance(node, (Choice, Repeat, Optional)) else ():
            held = held.get(key) if isinstance(held, Mapping) else None
        if isinstance(node, Choice) and isinstance(held, Mapping):
            if "unknown" in held or any(
                _holds_unknown(one.body, held.get(one.name)) for one in node.branches
            ):
                return True
    return False


# -- records side by side ----------------------------------------------------------------------------------------

_ABSENT = object()


def _compared(layout: Layout, given: Any, back: Any) -> Iterator[str]:
    """Yield what is not as it was: each value against what the layout says that it is sent as."""
    asked = {number for node in layout.walk() for number in tellers(node)}
    mixed = {slot.check.mixed for slot in layout.slots if slot.check is not None}
    yield from _texts(layout.nodes, given, back, "")
    supplied = (
        (slot, slot.address, _found(given, slot.path), _found(back, slot.path)) for slot in layout.supplied
    )
    for slot, address, value, found in chain(supplied, _pairs(layout.nodes, given, back, "")):
        if slot.tellers:
            continue  # what a code means beside others: the walker and the oracle are held to each other
        told = slot.number in asked and slot.kind != "flag" and slot.default is None
        if value is _ABSENT and (
            told or (slot.kind == "flag" and (slot.default is None or slot.number in asked))
        ):
            continue  # told by the rest of the record
        if slot.kind == "supplied" and found is None and slot.number not in mixed:
            continue  # nobody tells it here
        outcome = _sent(slot, value)
        if outcome is None:
            yield f"{address}: {value!r} was taken, but has no code"
            continue
        expected = outcome if slot.kind in ("tag", "supplied") else number.from_raw(slot, outcome)[0]
        raised = slot.kind == "flag" and found is True
        if not same(expected, found) and not raised:
            yield f"{address}: {_word(value)} should come back as {expected!r}, not {found!r}"


def _gives_codes(record: Any) -> bool:
    """Whether a raw code is given anywhere in a record."""
    if isinstance(record, Mapping):
        return "raw" in record or any(_gives_codes(one) for one in record.values())
    return isinstance(record, (list, tuple)) and any(_gives_codes(one) for one in record)


def _word(value: Any) -> str:
    return "nothing" if value is _ABSENT else repr(value)


def _sent(slot: Slot, value: Any) -> int | None:
    """The code that a value is sent as, by the layout."""
    if isinstance(value, Mapping):
        return int(value["raw"])
    if value is _ABSENT:
        return slot.default if slot.default is not None else slot.missing_code
    outcome = number.to_raw(slot, value)
    return None if outcome.fault is not None else outcome.raw


def _pairs(nodes: tuple[Node, ...], given: Any, back: Any, at: str) -> Iterator[tuple[Slot, str, Any, Any]]:
    """Yield each value slot of a container with its address, what was given for it, and what came back."""
    for node in flat(nodes):
        if isinstance(node, Choice):
            yield from _chosen(
                node, _found(given, node.path), _found(back, node.path), _address(at, node.path)
            )
        elif isinstance(node, Repeat) and node.joined is not None:
            continue  # compared whole, by _texts
        elif isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                if slot.is_value:
                    yield slot, _address(at, slot.path), _found(given, slot.path), _found(back, slot.path)
        elif isinstance(node, (Repeat, Optional)):
            address = _address(at, node.path)
            theirs, ours = _found(given, node.path), _found(back, node.path)
            if isinstance(node, Repeat) and isinstance(theirs, (list, tuple)) and isinstance(ours, list):
                for index, (one, other) in enumerate(zip(theirs, ours, strict=True)):
                    yield from _pairs(node.element, one, other, f"{address}[{index}]")
            elif (
                isinstance(node, Optional)
                and ours is not _ABSENT
                and (theirs is not _ABSENT or not node.bare)
            ):
                if ours is not None or node.bare:
                    yield from _present(node, theirs, ours, address)


def told_in(nodes: tuple[Node, ...], record: Any) -> Iterator[tuple[str, str]]:
    """Yield the address and the variant of each part of a record whose variant is told from outside."""
    for node in flat(nodes):
        given = _found(record, node.path) if isinstance(node, (Choice, Repeat, Optional)) else _ABSENT
        if isinstance(node, Choice) and isinstance(given, Mapping):
            for branch in node.branches:
                if branch.name in given:
                    yield from () if node.told_by else ((node.address, branch.name),)
                    yield from told_in(branch.body, given[branch.name])
        elif isinstance(node, Repeat) and isinstance(given, (list, tuple)):
            yield from (pair for element in given for pair in told_in(node.element, element))
        elif isinstance(node, Optional):
            yield from told_in(node.body, given)


def _chosen(node: Choice, given: Any, back: Any, address: str) -> Iterator[tuple[Slot, str, Any, Any]]:
    """The values of the variant that was given, if it is the one that came back."""
    for branch in node.branches:
        if isinstance(given, Mapping) and isinstance(back, Mapping) and branch.name in given:
            if node.turn and branch.name not in back:
                continue  # not its turn: it was ignored
            inside = f"{address}.{branch.name}"
            yield from _pairs(branch.body, given[branch.name], back.get(branch.name, _ABSENT), inside)


def _texts(nodes: tuple[Node, ...], given: Any, back: Any, at: str) -> Iterator[str]:
    """Yield each text, or octets, that did not come back as it was given: without the fill at its end, where there is one."""
    for node in flat(nodes):
        if isinstance(node, (Run, Continued)):
            continue
        theirs, ours = (_found(one, getattr(node, "path", ())) for one in (given, back))
        address = _address(at, getattr(node, "path", ()))
        if isinstance(node, Repeat) and node.joined is not None:
            if isinstance(theirs, (str, bytes)) and joined_value(node, theirs) != ours:
                yield f"{address}: {theirs!r} came back as {ours!r}"
        elif isinstance(node, Repeat) and isinstance(theirs, (list, tuple)) and isinstance(ours, list):
            for index, (one, other) in enumerate(zip(theirs, ours, strict=True)):
                yield from _texts(node.element, one, other, f"{address}[{index}]")
        elif isinstance(node, Optional) and ours not in (None, _ABSENT):
            yield from _texts(node.body, theirs, ours, address)
        elif isinstance(node, Choice) and isinstance(theirs, Mapping) and isinstance(ours, Mapping):
            for branch in node.all:
                if branch.name in theirs and not (node.turn and branch.name not in ours):
                    yield from _texts(
                        branch.body, theirs[branch.name], ours.get(branch.name), f"{address}.{branch.name}"
                    )


def joined_value(node: Repeat, given: str | bytes) -> Any:
    """What a text comes back as: without what is stripped from its end."""
    assert node.joined is not None
    try:
        return from_codes(node.joined, to_codes(node.joined, given, node.count))[0]
    except Unfit:
        return given


def _present(node: Optional, given: Any, back: Any, address: str) -> Iterator[tuple[Slot, str, Any, Any]]:
    """The values of an option; of a bare one a None may be its value, or its absence: that is not for this law to tell."""
    if back is None and (given is None or given is _ABSENT):
        return
    yield from _pairs(node.body, given, back, address)


def _found(container: Any, path: tuple[str, ...]) -> Any:
    for key in path:
        if not isinstance(container, Mapping) or key not in container:
            return _ABSENT
        container = container[key]
    return container


def _address(at: str, path: tuple[str, ...]) -> str:
    return ".".join(word for word in (at, *path) if word)


def _values(detail: Any) -> Any:
    """A detail record with its values in the place of its leaves."""
    if isinstance(detail, list):
        return [_values(one) for one in detail]
    if not isinstance(detail, dict):
        return detail
    if "raw" in detail and "value" in detail and not isinstance(detail["raw"], dict):
        return detail["value"]
    if derive.is_derived(detail):
        return detail["value"]
    return {key: _values(one) for key, one in detail.items()}


def _only_values(nodes: tuple[Node, ...], record: Any) -> Any:
    """What of a record is in a plain one."""
    made: dict[Any, Any] = {}
    for node in flat(nodes):
        if isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                if slot.is_value:
                    put(made, slot.path, _found(record, slot.path))
        elif isinstance(node, Repeat) and node.joined is not None:
            put(made, node.path, _found(record, node.path))
        elif isinstance(node, Choice):
            ((name, held),) = _found(record, node.path).items()
            branch = next(one for one in node.all if one.name == name)
            put(made, node.path, {name: _only_values(branch.body, held)})
        elif isinstance(node, (Repeat, Optional)):
            inner, found = (
                (node.element if isinstance(node, Repeat) else node.body),
                _found(record, node.path),
            )
            if isinstance(node, Repeat):
                found = [_only_values(inner, one) for one in found]
            elif found is not None:
                found = _only_values(inner, found)
            put(made, node.path, found)
    return made.get((), made)


# -- the table ---------------------------------------------------------------------------------------------------


class Law(NamedTuple):
    """One law: its name, the sentence that is true, and what it is asked about: a record, any bytes, or a good frame."""

    name: str
    sentence: str
    takes: str


LAWS: dict[str, Law] = {
    law.name: law
    for law in (
        Law("comes_back", "a record comes back, rounded to the frame's steps", "record"),
        Law("half_a_step", "no value is more than half a step from what was given", "record"),
        Law("only_records_or_errors", "any bytes give a record or a DecodeError", "bytes"),
        Law("leaves_the_rest", "bytes around a frame have no say", "frame"),
        Law("damage_is_told", "damage is refused, or no check can see it", "frame"),
    )
}
