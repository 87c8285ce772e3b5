"""The walker: a codec that interprets the layout slot by slot. Slow, complete, and the authority on every error.

Strategy of decoding: read the raw codes in wire order into a tree of the record's shape (reading.py), judge it (constants, length,
checks, strict reserved bits, in that order), and only then make values of it (record.py). The generated functions of frame.py must
give these answers; whatever they cannot finish, they hand over to here. Encoding is in assemble.py.
"""

from __future__ import annotations

from collections.abc import Iterator
from operator import index
from typing import Any, NamedTuple

from packetkit.codec import assemble, bits, derive
from packetkit.codec.bits import Octets
from packetkit.codec.reading import Known, Reading, Variants, read
from packetkit.codec.record import Record, detailed, plain
from packetkit.codec.tree import Leaf, computed, is_known, mixed_into
from packetkit.errors import CheckFailed, ReservedBits, TrailingBytes, WrongConstant
from packetkit.layout.model import Layout
from packetkit.layout.number import listed
from packetkit.layout.slots import Slot

RECOVERED = "recovered"  # the reason of a supplied field that was told by a check alone
NOT_KNOWN = "not known"  # and of one that nothing tells: the checks that are computed from it prove nothing


class Item(NamedTuple):
    """One slot of one frame: its address with list indices, its first bit in the frame, its raw code."""

    slot: Slot
    address: str
    bit: int
    raw: int


def encode(layout: Layout, record: object) -> bytes:
    """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
    return assemble.encode(layout, record)


def decode(
    layout: Layout,
    data: Octets,
    *,
    detail: bool = False,
    salvage: bool = False,
    variants: Variants | None = None,
    known: Known | None = None,
) -> Record:
    """Return the record of exactly one frame. Raises a branch of DecodeError for anything else.

    detail: every slot as {raw, value, unit, reason, note}. salvage: that, also where a check failed; then no
    leaf is trusted. variants: those that are told from outside. known: raw codes of supplied fields by name; the
    others are recovered from the checks. Raises ValueError for a part, a name or a code that is none.
    """
    reading = Reading(layout, bits.octets(data), variants, known)
    reading.read()
    return _record(reading, exact=True, detail=detail, salvage=salvage)


def decode_from(
    layout: Layout,
    buffer: Octets,
    at: int = 0,
    *,
    detail: bool = False,
    salvage: bool = False,
    variants: Variants | None = None,
    known: Known | None = None,
) -> tuple[Record, int]:
    """Return the record of the frame that starts at an octet of the buffer, and how many octets it uses.

    What follows it is left alone, except by a frame that runs to the end. Raises ValueError where `at` is
    outside the buffer.
    """
    reading = Reading(layout, bits.octets(buffer)[start_at(buffer, at) :], variants, known)
    used = reading.read()
    return _record(reading, exact=False, detail=detail, salvage=salvage), used


def start_at(buffer: Octets, at: int) -> int:
    """Return the octet a frame is to start at. Raises ValueError where the buffer has no such place."""
    start, size = index(at), memoryview(buffer).nbytes
    if not 0 <= start <= size:
        raise ValueError(f"at is {start}, but the buffer has {size} bytes. Give 0 to {size}")
    return start


def items(layout: Layout, data: Octets, at: int = 0, variants: Variants | None = None) -> Iterator[Item]:
    """Yield every slot of a frame in wire order, whatever its checks and constants say.

    Raises what its structure raises (ShortFrame, BadCount ...) after the slots that could be read.
    """
    found = read(layout, bits.octets(data)[start_at(data, at) :], variants)
    for leaf in found.leaves:
        yield Item(leaf.slot, leaf.address, leaf.bit, leaf.raw)
    if found.failure is not None:
        raise found.failure


# -- judgement -------------------------------------------------------------------------------------


def _record(reading: Reading, *, exact: bool, detail: bool, salvage: bool) -> Record:
    """The record, if these octets are this frame."""
    _constants(reading)
    if exact and len(reading.data) != reading.used:
        over = len(reading.data) - reading.used
        text = f"{reading.layout.name}: {over} of {len(reading.data)} bytes are left over after the frame's {reading.used}"
        raise TrailingBytes(text, bit=reading.used * 8)
    failed = _failed_check(reading)
    if failed is not None and not salvage:
        raise failed
    if failed is None:
        _strict(reading)
    if detail or salvage:
        made: Record = detailed(reading.parts, bare=False, trusted=failed is None)
    else:
        made = plain(reading.parts, bare=False)
    _supply(reading, made, detail=detail or salvage, trusted=failed is None)
    todo = derive.plan(reading.layout)
    if todo is not None:
        derive.complete(todo, made, detail=detail or salvage, trusted=failed is None)
    return made


def _constants(reading: Reading) -> None:
    for leaf in reading.leaves:
        codes = leaf.slot.codes
        if codes and not any(leaf.raw in one for one in codes):
            text = f"{leaf.address} is {leaf.raw:#x}, not {_hexadecimal(leaf.slot)}: some other frame"
            raise WrongConstant(text, path=leaf.address, bit=leaf.bit)


def _failed_check(reading: Reading) -> CheckFailed | None:
    """The first check that does not agree. One that is fed with what a check behind it recovers waits for that one."""
    waiting = [
        leaf for leaf in reading.leaves if leaf.slot.check and leaf.raw != leaf.slot.check.not_computed
    ]
    before = -1
    while len(waiting) != before:  # until nothing more becomes known: of the rest nobody can tell
        before, asked, waiting = len(waiting), waiting, []
        for leaf in asked:
            if not is_known(leaf):
                waiting.append(leaf)
                continue
            failed = _disagreement(reading, leaf)
            if failed is not None:
                return failed
    return None


def _disagreement(reading: Reading, leaf: Leaf) -> CheckFailed | None:
    """What is wrong with one check, whose other codes are known; what is mixed into it may be recovered from it."""
    check = leaf.slot.check
    assert check is not None
    made_of = computed(leaf, reading.words, reading.data[: reading.used])
    if check.mixed in reading.unknown:
        _recover(reading, check.mixed, made_of ^ leaf.raw)
    made_of ^= mixed_into(leaf)
    if made_of == leaf.raw:
        return None
    digits = -(-leaf.width // 4)
    found, made = f"0x{leaf.raw:0{digits}X}", f"0x{made_of:0{digits}X}"
    text = f"{leaf.address} is {found}, but {check.algorithm.name} over the frame gives {made}"
    return CheckFailed(text, path=leaf.address, bit=leaf.bit)


def _recover(reading: Reading, number: int | None, mixture: int) -> None:
    """Take what a check tells of a field that is mixed into it; where it tells too much, the check fails."""
    assert number is not None
    reading.unknown.discard(number)
    leaf = reading.supplied[number]
    leaf.raw = mixture & ((1 << leaf.width) - 1)
    leaf.known = leaf.recovered = True


def _supply(reading: Reading, made: Record, *, detail: bool, trusted: bool) -> None:
    """Put supplied fields into a record where they are declared."""
    for leaf, later in zip(reading.supplied.values(), reading.layout.supplied_before, strict=True):
        found: Any = leaf.raw if leaf.known else None
        if detail:
            found = {"raw": found, "value": found}
            reason = "" if leaf.known else NOT_KNOWN
            reason = RECOVERED if leaf.recovered else reason
            found |= {"reason": reason} if reason else {}
            found |= {} if trusted else {"trusted": False}
        made[leaf.slot.path[0]] = found
        for key in later:
            if key in made:
                made[key] = made.pop(key)


def _strict(reading: Reading) -> None:
    for leaf in reading.leaves:
        if leaf.slot.strict and leaf.raw and leaf.slot.kind == "reserved":
            text = f"{leaf.address} is {leaf.raw:#x}, but reserved bits are zero in a strict frame"
            raise ReservedBits(text, path=leaf.address, bit=leaf.bit)


def _hexadecimal(slot: Slot) -> str:
    if len(slot.codes) == 1 and slot.codes[0].low == slot.codes[0].high:
        return f"{slot.codes[0].low:#x}"
    return f"one of {listed(slot.codes)}"
