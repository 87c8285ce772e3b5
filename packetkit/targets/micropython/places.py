"""Where a raw code's bits lie, as pieces that each stand in one octet, and the expressions that put and get them.

Straight-line code handles one octet at a time, so no number in between is larger than the field itself. What surprises: a shift to the
left comes after the mask, because a number that grows takes memory on a small interpreter even where a mask would cut it again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from packetkit.layout.alike import wire_bits
from packetkit.layout.model import Run
from packetkit.layout.slots import Packing, Slot
from packetkit.targets.micropython.page import MOST_BITS, WORD, number


@dataclass(frozen=True, slots=True)
class Piece:
    """Bits of a raw code from `low` up, `count` of them, at bit `bit` of an octet, counted from where the run's first octet is."""

    low: int
    count: int
    octet: int
    bit: int

    @property
    def ones(self) -> int:
        return (1 << self.count) - 1


def pieces(run: Run, slot: Slot, start: int, limit: int = 8) -> list[Piece]:
    """Return the pieces of a slot, in the order of its raw bits from the lowest; start: the run's first bit in its first octet.

    limit: bits of raw code after which a piece ends; parts of a number that is kept in words end there.
    """
    bits = wire_bits(replace(run, at=start), slot)
    made: list[Piece] = []
    for low, place in enumerate(reversed(bits)):
        octet, bit = place // 8, 7 - place % 8
        last = made[-1] if made else None
        if last is not None and last.octet == octet and last.bit + last.count == bit and low % limit:
            made[-1] = replace(last, count=last.count + 1)
        else:
            made.append(Piece(low, 1, octet, bit))
    return made


@dataclass(frozen=True, slots=True)
class Chunk:
    """Bits of a raw code from `low` up, `count` of them, side by side from bit `at` of the run on, as its packing numbers bits."""

    low: int
    count: int
    at: int


def chunks(run: Run, slot: Slot) -> list[Chunk]:
    """Return the chunks of a slot in a run whose place in an octet varies, by place; each of them fits a small number."""
    least = run.packing is Packing.LEAST
    # Bits of a run that starts on an octet, as the packing counts them.
    places = [
        place // 8 * 8 + (7 - place % 8 if least else place % 8)
        for place in wire_bits(replace(run, at=0), slot)
    ]
    made: list[Chunk] = []
    for low, place in enumerate(reversed(places)):
        last = made[-1] if made else None
        step = last is not None and (last.at + last.count == place if least else last.at - 1 == place)
        if last is not None and step and last.count < WORD and low % WORD:
            made[-1] = Chunk(last.low, last.count + 1, last.at if least else place)
        else:
            made.append(Chunk(low, 1, place))
    return sorted(made, key=lambda one: one.at)


def is_wide(slot: Slot, small: bool) -> bool:
    """Return whether a code is kept as a list of words, most significant first; small: no number may need more than MOST_BITS."""
    return small and slot.width > MOST_BITS


def words(slot: Slot) -> int:
    """Return how many words a wide code has."""
    return -(-slot.width // WORD)


def part(slot: Slot, name: str, low: int, small: bool) -> tuple[str, int]:
    """Return the number that holds a code's bit `low`, and which bit of it that is."""
    if not is_wide(slot, small):
        return name, low
    return f"{name}[{words(slot) - 1 - low // WORD}]", low % WORD


def put(slot: Slot, name: str, piece: Piece, small: bool) -> str:
    """Return the expression of what a piece of a code adds to its octet."""
    value, low = part(slot, name, piece.low, small)
    whole = not slot.signed and not is_wide(slot, small) and piece.low + piece.count == slot.width
    ones = number(piece.ones)
    if low > piece.bit:
        return _masked(
            f"{value} >> {low - piece.bit}", number(piece.ones << piece.bit), whole and not piece.bit
        )
    if low == piece.bit:
        return _masked(value, number(piece.ones << piece.bit), whole and not low)
    inner = f"{value} >> {low}" if low else value
    held = inner if whole else f"{inner} & {ones}"
    return f"({held}) << {piece.bit}" if " " in held else f"{held} << {piece.bit}"


def _masked(expression: str, mask: str, whole: bool) -> str:
    return expression if whole else f"{expression} & {mask}"


def get(piece: Piece, octet: str, low: int) -> str:
    """Return the expression of what a piece of an octet adds to a number, at its bit `low`."""
    ones = number(piece.ones << low)
    if piece.bit > low:
        moved = f"{octet} >> {piece.bit - low}"
        return moved if piece.bit + piece.count == 8 and low == 0 else f"{moved} & {ones}"
    inner = octet if piece.count == 8 else f"{octet} & {number(piece.ones << piece.bit)}"
    if piece.bit == low:
        return inner
    return f"({inner}) << {low - piece.bit}" if " " in inner else f"{inner} << {low - piece.bit}"


def joined(terms: Sequence[str]) -> str:
    """Return terms that share no bit as one number."""
    return " | ".join(terms) or "0"


def by_octet(
    run: Run, slots: Sequence[Slot], start: int, small: bool
) -> Iterator[tuple[int, list[tuple[Slot, Piece]]]]:
    """Yield each octet that a run reaches, in order, with the pieces that stand in it."""
    found: dict[int, list[tuple[Slot, Piece]]] = {
        octet: [] for octet in range((start + run.size_bits + 7) // 8)
    }
    for slot in slots:
        for piece in pieces(run, slot, start, WORD if is_wide(slot, small) else slot.width):
            found[piece.octet].append((slot, piece))
    yield from found.items()
