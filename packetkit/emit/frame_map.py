"""The strip as a figure: boxes, lines and words at places, for a page, a poster or a picture.

One strip in wire order, 32 bits a line, each octet as hexadecimal writes it: bits above, and below them a box for each field, its name
inside where it fits, else hanging from it. Parts that vary stand once behind a rail. Shades are greys, and what they tell is written
too. Lengths are in units of a picture that is WIDTH wide; whoever draws it scales it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from textwrap import wrap

from packetkit.emit.strip import Bit, bits_of, short_names, shown
from packetkit.layout import printed
from packetkit.layout.model import (
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
)
from packetkit.layout.slots import Packing, Slot

WIDTH = 900
LEFT = 56.0  # room for positions
BIT, GAP = 25.0, 6.0  # a bit's width, and between octets
OCTETS = 4  # a line
BITS_HIGH, BOX_HIGH, WORD_HIGH = 16.0, 26.0, 15.0
RAIL = 16.0
LETTER = 6.6  # of the widest letters at WORDS, mean: names are kept inside by it
WORDS, SMALL = 12.0, 10.0

# Shades by what a field is; the words that a key says. Nothing is told by a shade alone: constants show their bits.
SHADES: dict[str, tuple[float, str]] = {
    "always": (0.86, "always the same bits"),
    "told": (0.94, "counts, lengths: worked out when sending"),
    "check": (0.75, "check"),
    "value": (1.0, "value"),
}


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle with a frame. shade: 0 black to 1 white."""

    x: float
    y: float
    width: float
    height: float
    shade: float


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x: float
    y: float
    to_x: float
    to_y: float


@dataclass(frozen=True, slots=True)
class Words:
    """Words on one line. y: of the baseline; anchor: start, middle or end; mono: in letters of one width."""

    x: float
    y: float
    text: str
    size: float = WORDS
    anchor: str = "start"
    mono: bool = False
    bold: bool = False


@dataclass
class Figure:
    """A picture of a frame: what stands where, and how high it is."""

    title: str
    height: float = 0.0
    items: list[Box | Line | Words] = field(default_factory=list)


def figure(layout: Layout) -> Figure:
    """Return the figure of a frame: its strip, and a key to what is in it."""
    drawer = _Drawer(layout)
    drawer.nodes(layout.nodes, 0, Packing.MOST)
    drawer.key()
    return drawer.made


def shade_of(slot: Slot) -> str:
    """What a slot's shade says: a row of SHADES."""
    if slot.check is not None:
        return "check"
    if slot.kind == "reserved" or (slot.codes and not slot.is_value):
        return "always"
    return "told" if slot.kind in ("count", "length") else "value"


@dataclass(frozen=True, slots=True)
class _Piece:
    """Bits of one slot side by side on a line. opens, closes: whether the field begins and ends here."""

    slot: Slot
    x: float
    to_x: float
    label: str


class _Drawer:
    """Draws nodes one under another; y is where the next begins."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.offsets = printed.places(layout)
        self.made = Figure(f"{layout.name}, {printed.size_text(layout)}")
        self.y = 18.0
        self.shades: set[str] = set()
        self.splits = False
        self.add(Words(0, self.y, layout.name, 15, bold=True))
        self.add(
            Words(
                WIDTH, self.y, f"{printed.size_text(layout)}, fingerprint {layout.fingerprint}", SMALL, "end"
            )
        )
        self.y += 14

    def add(self, *items: Box | Line | Words) -> None:
        self.made.items += items
        self.made.height = self.y + 6

    # -- structure -------------------------------------------------------------------------------------

    def nodes(self, nodes: Iterable[Node], depth: int, packing: Packing) -> None:
        names = short_names(nodes)
        for node in nodes:
            at = str(self.offsets[node.number])
            if isinstance(node, Run):
                if node.packing is not packing and node.slots:
                    packing = node.packing
                    anywhere = "" if node.residue is not None else ", from any bit of a byte on"
                    self.sentence(f"{printed.PACKINGS[packing]}{anywhere}:", depth)
                self.run(node, depth, names)
            elif isinstance(node, Fill):
                self.sentence(f"({printed.fill_text(node)})", depth, at)
            elif isinstance(node, Continued):
                self.sentence(printed.continued_text(node), depth, at)
            else:
                self.part(node, at, depth, packing)

    def part(
        self, node: Repeat | Optional | Measured | Choice, at: str, depth: int, packing: Packing
    ) -> None:
        """A part that varies: what it is, its body once, its bits in all, behind a rail."""
        top = self.y
        self.sentence(printed.part_text(self.layout, node), depth, at, bold=True)
        if isinstance(node, Choice):
            for branch in node.all:
                self.sentence(f"{branch.name}: {printed.branch_text(self.layout, node, branch)}", depth + 1)
                if branch is not node.unknown:
                    self.nodes(branch.body, depth + 1, packing)
        elif not (isinstance(node, Repeat) and node.joined is not None):
            for body in bodies(node):
                self.nodes(body, depth + 1, packing)
        total = printed.bits_text(*printed.node_bits(node))
        if isinstance(node, Optional):
            total = "absent or " + printed.bits_text(node.minimum_bits, node.maximum_bits)
        self.sentence(f"in all {total}", depth + 1)
        x = LEFT + RAIL * depth + 4
        self.add(Line(x, top + 6, x, self.y - 4), Line(x, self.y - 4, x + 6, self.y - 4))

    def sentence(self, text: str, depth: int, at: str = "", bold: bool = False) -> None:
        x = LEFT + RAIL * depth + 12
        for number, line in enumerate(wrap(text, int((WIDTH - x) / LETTER)) or [""]):
            self.y += WORD_HIGH
            if at and not number:
                self.add(Words(LEFT - 8, self.y - 3, at, SMALL, "end", mono=True))
            self.add(Words(x, self.y - 3, line, WORDS, bold=bold))
        self.y += 3

    # -- bits ------------------------------------------------------------------------------------------

    def run(self, run: Run, depth: int, names: dict[int, str]) -> None:
        """A run, a few octets a line: fewer where rails stand before it."""
        left = LEFT + RAIL * depth
        octets = max(1, min(OCTETS, int((WIDTH - left) // (8 * BIT + GAP))))
        bits = bits_of(run)
        for start in range(0, len(bits), octets * 8):
            at = str(self.offsets[run.number].plus(max(start - (run.residue or 0), 0)))
            line = bits[start : start + octets * 8]
            places = [
                left + i * BIT + (i // 8 * GAP if run.residue is not None else 0) for i in range(len(line))
            ]
            held = [(x, bit) for x, bit in zip(places, line, strict=True) if bit is not None]
            if held:
                self.line(held, at, names)

    def line(self, held: list[tuple[float, Bit]], at: str, names: dict[int, str]) -> None:
        """One line: bits, boxes, and the names that hang from them."""
        self.y += BITS_HIGH
        self.add(Words(LEFT - 8, self.y + 2, at, SMALL, "end", mono=True))
        for x, bit in held:
            self.add(Words(x + BIT / 2, self.y, shown(bit), SMALL, "middle", mono=True))
        top = self.y + 5
        pieces = list(self.pieces(held, names))
        hanging = []
        for piece in pieces:
            self.shades.add(shade_of(piece.slot))
            self.add(Box(piece.x, top, piece.to_x - piece.x, BOX_HIGH, SHADES[shade_of(piece.slot)][0]))
            if len(piece.label) * LETTER + 6 <= piece.to_x - piece.x:
                self.add(Words((piece.x + piece.to_x) / 2, top + 17, piece.label, WORDS, "middle"))
            else:
                hanging.append(piece)
        self.y = top + BOX_HIGH
        self.hang(hanging)
        self.y += 8

    def pieces(self, held: list[tuple[float, Bit]], names: dict[int, str]) -> Iterator[_Piece]:
        """The pieces of a line; a label says which bits it holds, unless all of its field stand here side by side."""
        groups: list[list[tuple[float, Bit]]] = []
        for x, bit in held:
            last = groups[-1][-1][1] if groups else None
            if last is not None and last.slot is bit.slot and last.rank == bit.rank + 1:
                groups[-1].append((x, bit))
            else:
                groups.append([(x, bit)])
        for group in groups:
            (x, first), (to_x, last) = group[0], group[-1]
            label = names[first.slot.number]
            if (first.rank, last.rank) != (first.slot.width - 1, 0):
                self.splits = True
                label += f" {first.rank}" if first.rank == last.rank else f" {first.rank}-{last.rank}"
            yield _Piece(first.slot, x, to_x + BIT, label)

    def hang(self, pieces: list[_Piece]) -> None:
        """Names below their boxes, each with a line up to it; none touches another. From the right, the highest row that is free."""
        rows: list[list[tuple[float, float]]] = []
        top = self.y
        for piece in reversed(pieces):
            x = piece.x + 5
            size = len(piece.label) * LETTER + 6
            turned = x + size > WIDTH
            span = (x - size, x + 3) if turned else (x - 3, x + size)
            row = next(
                (
                    number
                    for number, taken in enumerate(rows)
                    if all(span[1] < one or span[0] > other for one, other in taken)
                ),
                len(rows),
            )
            if row == len(rows):
                rows.append([])
            rows[row].append(span)
            for above in rows[:row]:
                above.append((x - 2, x + 2))  # the line goes through
            base = top + WORD_HIGH * (row + 1)
            self.add(Line(x, top, x, base - 4))
            self.add(
                Words(x - 3 if turned else x + 3, base, piece.label, WORDS, "end" if turned else "start")
            )
        self.y = top + WORD_HIGH * len(rows)

    def key(self) -> None:
        """What the shades and the numbers behind names say."""
        self.y += 10
        x = LEFT
        for name, (shade, words) in SHADES.items():
            if name in self.shades:
                self.add(Box(x, self.y, 14, 12, shade), Words(x + 20, self.y + 10, words, SMALL))
                x += 40 + len(words) * 5.6
        self.y += 26
        self.add(
            Words(
                LEFT,
                self.y,
                "Each byte as hexadecimal writes it, its high bit at the left. Numbers at the left count bits.",
                SMALL,
            )
        )
        if self.splits:
            self.y += 14
            said = "A name with numbers, as speed 7-0: this piece holds bits 7 to 0 of speed."
            self.add(Words(LEFT, self.y, said, SMALL))
        self.made.height = self.y + 8
