"""Raw codes out of a block of frames, a column at a time.

A block is an array of octets, one row a frame. Slots that lie in one stretch of at most 32 (64) bits are read through a window: that
stretch of every row, loaded once as a machine word for all slots in it. Anything else is put together octet by octet.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from packetkit.codec.bulk.plan import Part, Placed, Plan
from packetkit.layout.slots import Slot

Array = npt.NDArray[Any]


@dataclass(frozen=True)
class Window:
    """A stretch of every row: its first octet, its size (4 or 8), and whether its first octet weighs most."""

    first: int
    size: int
    falling: bool

    @property
    def dtype(self) -> str:
        return f"{'>' if self.falling else '<'}u{self.size}"

    def shift_of(self, part: Part) -> int | None:
        """How far bits are from the low end of this window, None where they are not inside."""
        least = part.octets[-1]
        low = self.first + self.size - 1 - least if self.falling else least - self.first
        inside = all(self.first <= at < self.first + self.size for at in (part.octets[0], least))
        return low * 8 + part.shift if inside else None


@dataclass(frozen=True)
class Source:
    """How one slot is read: through a window, `shift` bits above its low end; or octet by octet, without one."""

    placed: Placed
    window: Window | None
    shift: int = 0


def sources(plan: Plan) -> tuple[Source, ...]:
    """Return how each slot is read, in an order in which slots of one window follow each other."""
    made: list[Source] = []
    last: Window | None = None
    for placed in sorted(plan.placed, key=lambda one: (min(one.octets), max(one.octets))):
        part = placed.parts[0]
        found = None if last is None else last.shift_of(part)
        if len(placed.parts) > 1:
            last = found = None
        elif last is None or found is None or not _same_direction(last, part):
            last, found = _window(part, plan.size)
        made.append(Source(placed, last if found is not None else None, found or 0))
        last = last if found is not None else None
    return tuple(made)


def _same_direction(window: Window, part: Part) -> bool:
    steps = {after - before for before, after in zip(part.octets, part.octets[1:], strict=False)}
    return steps <= {1 if window.falling else -1}


def _window(part: Part, size: int) -> tuple[Window | None, int | None]:
    """The narrowest window around bits that lie in a row, and where they are in it."""
    first, falling = min(part.octets), len(part.octets) < 2 or part.octets[0] < part.octets[-1]
    for width in (4, 8):
        if width > size:
            continue
        window = Window(min(first, size - width), width, falling)
        shift = window.shift_of(part)
        if shift is not None and _same_direction(window, part):
            return window, shift
    return None, None


class Block:
    """The codes of some rows: `codes` yields each slot with the array of its raw codes, which is overwritten by the next."""

    def __init__(self, plan: Plan, rows: int) -> None:
        self.sources = sources(plan)
        self._words: dict[int, Array] = {4: np.empty(rows, np.uint32), 8: np.empty(rows, np.uint64)}
        self._made: dict[int, Array] = {4: np.empty(rows, np.uint32), 8: np.empty(rows, np.uint64)}

    def codes(self, octets: Array, into: Mapping[str, Array]) -> Iterator[tuple[Placed, Array, bool]]:
        """Yield the raw codes of every slot: signed for signed slots, of 4 or 8 octets.

        into: by name, where codes of slots that are their own values may go at once: int32, or bool for flags, which is then yielded.
        The third of what is yielded says that they went there.
        """
        rows = len(octets)
        loaded: Window | None = None
        for source in self.sources:
            window, slot = source.window, source.placed.slot
            if window is None:
                natural = pieced(octets, source.placed)
                yield source.placed, raw_of(slot, natural), False
                continue
            word = self._words[window.size][:rows]
            if window != loaded:
                np.copyto(word, _seen(octets, window))
                loaded = window
            made = self._made[window.size][:rows]
            if slot.octets_reversed or slot.bits_reversed:
                extract(word, source.shift, slot.width, False, made)
                yield source.placed, raw_of(slot, made), False
                continue
            direct = into.get(source.placed.name)
            if direct is None or window.size != 4:
                yield source.placed, extract(word, source.shift, slot.width, slot.signed, made), False
            elif direct.dtype == np.bool_:
                np.bitwise_and(word, np.uint32(1 << source.shift), out=made)
                yield source.placed, np.not_equal(made, np.uint32(0), out=direct), True
            else:
                yield (
                    source.placed,
                    extract(word, source.shift, slot.width, slot.signed, direct.view(np.uint32)),
                    True,
                )


def _seen(octets: Array, window: Window) -> Array:
    """A window of every row, as it lies in memory."""
    rows, size = octets.shape
    return (
        np.ndarray((rows,), window.dtype, octets.data, window.first, (size,)) if rows else np.empty(0, "u4")
    )


def extract(word: Array, shift: int, width: int, signed: bool, made: Array) -> Array:
    """Return the codes of `width` bits, `shift` bits above the low end of words, written to `made`."""
    total = word.dtype.itemsize * 8
    kind = word.dtype.type
    if signed:
        np.left_shift(word, kind(total - shift - width), out=made)
        whole = made.view(np.int32 if total == 32 else np.int64)
        np.right_shift(whole, whole.dtype.type(total - width), out=whole)
        return whole
    if shift + width == total:
        np.right_shift(word, kind(shift), out=made)
    elif shift == 0:
        np.bitwise_and(word, kind((1 << width) - 1), out=made)
    else:
        np.right_shift(word, kind(shift), out=made)
        np.bitwise_and(made, kind((1 << width) - 1), out=made)
    return made if width == total else made.view(np.int32 if total == 32 else np.int64)


def pieced(octets: Array, placed: Placed) -> Array:
    """Return the codes of a slot that no window holds, put together part by part."""
    made = np.zeros(len(octets), np.uint64)
    for part in placed.parts:
        made = (
            (made << np.uint64(part.width)) | _part(octets, part) if part.width < 64 else _part(octets, part)
        )
    return made


def _part(octets: Array, part: Part) -> Array:
    """Bits that lie side by side, put together octet by octet."""
    count = len(part.octets)
    head = part.shift + part.width - 8 * (count - 1)  # bits of the code in its first octet, and below it
    made = octets[:, part.octets[0]].astype(np.uint64) & np.uint64((1 << min(head, 8)) - 1)
    for number, at in enumerate(part.octets[1:], 2):
        octet = octets[:, at].astype(np.uint64)
        if number < count or not part.shift:
            made = (made << np.uint64(8)) | octet
        else:
            made = (made << np.uint64(8 - part.shift)) | (octet >> np.uint64(part.shift))
    return made >> np.uint64(part.shift) if count == 1 else made


def raw_of(slot: Slot, natural: Array) -> Array:
    """Return the raw codes of bits in the packing's natural order, as bits.raw_of does for one."""
    made = natural.astype(np.uint64)
    width = slot.width
    if slot.octets_reversed:
        made = octets_turned(made, width)
    if slot.bits_reversed:
        made = bits_turned(made, width)
    if slot.signed:
        left = np.uint64(64 - width)
        return (made << left).view(np.int64) >> np.int64(64 - width)
    return made if width == 64 else made.view(np.int64)


def octets_turned(codes: Array, width: int) -> Array:
    """Return codes of whole octets (uint64) with the octets of each in the opposite order."""
    return codes.byteswap() >> np.uint64(64 - width)


# Neighbouring bits are swapped, then pairs of them, then fours: what that takes out of a word of 64 bits.
_SWAPS = ((1, 0x5555555555555555), (2, 0x3333333333333333), (4, 0x0F0F0F0F0F0F0F0F))


def bits_turned(codes: Array, width: int) -> Array:
    """Return codes (uint64) with the bits of each in the opposite order."""
    for step, mask in _SWAPS:
        by, low = np.uint64(step), np.uint64(mask)
        codes = ((codes >> by) & low) | ((codes & low) << by)
    return codes.byteswap() >> np.uint64(64 - width)
