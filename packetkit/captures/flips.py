"""Flips of one or two bits that would mend a frame whose check failed: offered, never applied, with how many chance would give."""

from __future__ import annotations

from dataclasses import dataclass

from packetkit.captures.sight import leaves_of, legality
from packetkit.codec import reading
from packetkit.codec.annotate import check_of
from packetkit.codec.frame import Frame
from packetkit.layout.model import Layout


@dataclass(frozen=True)
class Flips:
    """Single and double flips that make a frame's check agree, values legal; by_chance: how many to expect where none is the truth.

    looked_for: how many bits at a time were turned over, 0 where `why` says that none were.
    """

    found: tuple[tuple[int, ...], ...]
    by_chance: float
    looked_for: int = 2
    why: str = ""


MOST_BITS = 2048


def flips(layout: Layout, data: bytes) -> Flips:
    """Return the flips of one or two bits with which a frame whose check failed is a good one with legal values. Offered, never applied."""
    frame, total = Frame(layout), len(data) * 8
    width = sum(slot.width for slot in layout.slots if slot.check is not None)
    if total > MOST_BITS or not width:
        return Flips((), 0.0, 0, f"it has more than {MOST_BITS:,} bits" if width else "it has no check")
    syndromes = _syndromes(layout, data)
    if syndromes is None:
        # A sum, for one, is no exclusive or of what single bits do to it: each bit is tried.
        singles = [(bit,) for bit in range(total) if _is_sound(frame, data, (bit,))]
        return Flips(tuple(singles), total / 2.0**width, 1)
    wanted, single = syndromes
    at: dict[int, list[int]] = {}
    for bit, value in enumerate(single):
        at.setdefault(value, []).append(bit)
    tries = [(bit,) for bit in at.get(wanted, ())]
    pairs = {
        (min(a, b), max(a, b)) for a, value in enumerate(single) for b in at.get(value ^ wanted, ()) if a != b
    }
    found = [one for one in (*tries, *sorted(pairs)) if _is_sound(frame, data, one)]
    legal = len(found) / max(len(tries) + len(pairs), 1)
    chance = (total + total * (total - 1) / 2) / 2.0**width * max(legal, 0.05)
    return Flips(tuple(found), chance)


def _syndromes(layout: Layout, data: bytes) -> tuple[int, list[int]] | None:
    """What the checks differ by, and what each bit's flip changes that by; None where a check is no linear one."""
    if any(
        slot.check.algorithm.family not in ("crc", "xor", "parity", "linear")
        for slot in layout.slots
        if slot.check
    ):
        return None
    base = _syndrome(layout, data)
    if base is None:
        return None
    made = []
    for bit in range(len(data) * 8):
        changed = bytearray(data)
        changed[bit >> 3] ^= 0x80 >> (bit & 7)
        value = _syndrome(layout, bytes(changed))
        made.append(-1 if value is None else value ^ base)
    return base, made


def _syndrome(layout: Layout, data: bytes) -> int | None:
    found = reading.read(layout, data)
    if found.failure is not None or found.used != len(data):
        return None
    value = 0
    for leaf in found.leaves:
        if leaf.slot.check is not None:
            value = value << leaf.width | (check_of(leaf, found.words, data) ^ leaf.raw)
    return value


def _is_sound(frame: Frame, data: bytes, places: tuple[int, ...]) -> bool:
    """Whether a frame with these bits turned is good and all its values are legal."""
    changed = bytearray(data)
    for bit in places:
        changed[bit >> 3] ^= 0x80 >> (bit & 7)
    try:
        detail = frame.decode(bytes(changed), detail=True)
    except ValueError:
        return False
    return legality([leaf for _, leaf in leaves_of(detail)]) == 1.0
