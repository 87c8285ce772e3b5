"""The strip: a frame drawn once in wire order, bits above meaning.

Each byte is drawn as hex writes it, its high bit at the left, so that octet order and packing are seen and not guessed: a field that lies
in several pieces names the bits of each. Bits that are always the same show as 0 and 1. Below the bits a bracket holds the name, or the
name hangs from it where the bracket is too short.

    11010011 10010001 0001···· ········ ···· ·
    └sync───────────┘ └──┘└sequence───┘ └──┘ │
                      └tag              │    └ready
                                        └mode

A part whose presence or number varies is drawn once, behind a rail. Drawn from the layout alone; it knows no terminal but its width.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import NamedTuple

from packetkit.codec.annotate import Annotation
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

READING = "Each byte as hex writes it, high bit left."
SIGNS = {"01": "0 1: always so", "·": "·: value", "n": "n: count", "#": "#: check"}
PIECES = "A name with numbers, as speed 7-0: this piece holds bits 7 to 0 of speed."
LEFT_OVER = "left over"
OCTETS_A_LINE = 8
NARROWEST_OCTETS = 1


class _Piece(NamedTuple):
    """Bits of one slot that stand side by side on one line, in falling order.

    left, right: its first and last column. opens, closes: whether the bracket has a corner there, or goes on beyond the line.
    """

    slot: Slot
    left: int
    right: int
    label: str
    opens: bool
    closes: bool

    @property
    def fits(self) -> bool:
        """True where the label fits into the bracket."""
        return len(self.label) + 2 <= self.right - self.left + 1


class Picture(NamedTuple):
    """The lines of a strip, and the sentences that say how to read what is in it."""

    lines: list[str]
    key: list[str]


def picture(layout: Layout, width: int = 80) -> Picture:
    """The strip and its key. The lines are no wider than `width` from 60 columns on; the key explains only what there is."""
    offsets = printed.places(layout)
    margin = max(len(text) for text in _margins(layout, offsets)) + 1
    drawer = _Drawer(layout, offsets, width, max(margin, 4))
    lines = [line.rstrip() for line in drawer.nodes(layout.nodes, "", Packing.MOST)]
    signs = "; ".join(text for sign, text in SIGNS.items() if drawer.signs & set(sign))
    return Picture(lines, [f"{READING} {signs}.", *([PIECES] if drawer.splits else [])])


def strip(layout: Layout, width: int = 80) -> list[str]:
    """The lines of the strip alone."""
    return picture(layout, width).lines


def _margins(layout: Layout, offsets: dict[int, printed.Offset]) -> Iterator[str]:
    for node in layout.walk():
        yield str(offsets[node.number])
        if isinstance(node, Run):
            yield str(offsets[node.number].plus(node.size_bits))


class _Drawer:
    """Draws nodes one under another; a line is margin, rail, picture.

    signs: the bits that were drawn. splits: whether a field lies in several pieces.
    """

    def __init__(self, layout: Layout, offsets: dict[int, printed.Offset], width: int, margin: int) -> None:
        self.layout = layout
        self.offsets = offsets
        self.width = width
        self.margin = margin
        self.signs: set[str] = set()
        self.splits = False

    def line(self, at: str, rail: str, text: str) -> str:
        return f"{at:>{self.margin - 1}} {rail}{text}"

    def nodes(self, nodes: Iterable[Node], rail: str, packing: Packing) -> Iterator[str]:
        names = short_names(nodes)
        for node in nodes:
            at = str(self.offsets[node.number])
            if isinstance(node, Run):
                if node.packing is not packing and node.slots:
                    packing = node.packing
                    anywhere = "" if node.residue is not None else ", from any bit of a byte on"
                    yield self.line("", rail, f"{printed.PACKINGS[packing]}{anywhere}:")
                yield from self.run(node, rail, names)
            elif isinstance(node, Fill):
                yield from self.said(at, rail, f"({printed.fill_text(node)})")
            elif isinstance(node, Continued):
                yield from self.said(at, rail, printed.continued_text(node))
            else:
                yield from self.part(node, at, rail, packing)

    def part(
        self, node: Repeat | Optional | Measured | Choice, at: str, rail: str, packing: Packing
    ) -> Iterator[str]:
        """A part that varies: a head that says how, the body once, a foot with its bits in all."""
        yield from self.head(at, rail, printed.part_text(self.layout, node))
        if isinstance(node, Choice):
            for branch in node.all:
                said = f"{branch.name}: {printed.branch_text(self.layout, node, branch)}"
                yield from self.head("", rail + "│ ", said)
                if branch is not node.unknown:
                    yield from self.nodes(branch.body, rail + "│ │ ", packing)
        elif not (isinstance(node, Repeat) and node.joined is not None):
            for body in bodies(node):
                yield from self.nodes(body, rail + "│ ", packing)
        total = printed.bits_text(*printed.node_bits(node))
        if isinstance(node, Optional):
            total = "absent or " + printed.bits_text(node.minimum_bits, node.maximum_bits)
        yield self.line("", rail, f"└ {total}")

    def head(self, at: str, rail: str, text: str) -> Iterator[str]:
        room = max(self.width - self.margin - len(rail) - 2, 16)
        for number, line in enumerate(_broken(text, room)):
            yield self.line("" if number else at, rail, ("│   " if number else "┌ ") + line)

    def said(self, at: str, rail: str, text: str) -> Iterator[str]:
        """A node that is told in words, within the width."""
        for number, line in enumerate(_broken(text, max(self.width - self.margin - len(rail), 16))):
            yield self.line("" if number else at, rail, line)

    def run(self, run: Run, rail: str, names: dict[int, str]) -> Iterator[str]:
        """The lines of a run: as many whole octets a line as fit, up to eight."""
        bits = bits_of(run)
        room = self.width - self.margin - len(rail)
        octets = max(min(OCTETS_A_LINE, (room + 1) // 9), NARROWEST_OCTETS)
        natural = run.packing is Packing.MOST or run.residue is None
        for start in range(0, len(bits), octets * 8):
            line = bits[start : start + octets * 8]
            cells = {
                _column(i, run.residue is not None): bit for i, bit in enumerate(line) if bit is not None
            }
            if not cells:
                continue  # rest of an octet that something else began or ends
            at = str(self.offsets[run.number].plus(max(start - (run.residue or 0), 0)))
            pieces = _pieces(cells, names, natural)
            self.signs.update(map(shown, cells.values()))
            self.splits |= any(" " in piece.label for piece in pieces)  # no name holds a blank
            for row in _drawn(cells, pieces, room):
                yield self.line(at, rail, row)
                at = ""


def frame(annotation: Annotation, width: int = 80, marked: frozenset[int] = frozenset()) -> list[str]:
    """The strip of one frame's own bits: octets in hexadecimal, bits, what they mean; ^ stands under the marked bits."""
    total = max(len(annotation.data) * 8, 8)
    margin = len(str(total)) + 1
    octets = max(min(OCTETS_A_LINE, (width - margin + 1) // 9), NARROWEST_OCTETS)
    bits, names = _sent_bits(annotation)
    lines: list[str] = []
    for start in range(0, len(bits), octets * 8):
        cells = {_column(i, True): bit for i, bit in enumerate(bits[start : start + octets * 8])}
        pieces = _pieces(cells, names, True)
        rows = list(_drawn(cells, pieces, width - margin))
        held = annotation.data[start // 8 : start // 8 + octets]
        above = " ".join(f"{octet:02x}".ljust(8) for octet in held)
        marks = "".join("^" if start + i in marked else " " for i in range(octets * 8))
        below = " ".join(marks[i : i + 8] for i in range(0, len(marks), 8))
        shown = [above, rows[0], *([below] if below.strip() else []), *rows[1:]]
        lines += [
            f"{start if not number else '':>{margin - 1}} {row}".rstrip() for number, row in enumerate(shown)
        ]
    return lines


def _sent_bits(annotation: Annotation) -> tuple[list[Bit], dict[int, str]]:
    """Every bit of a frame's bytes with the field it belongs to, and the fields' short names."""
    data, fields = annotation.data, annotation.fields
    rest = Slot(len(fields), (LEFT_OVER,), LEFT_OVER, "reserved", 0, len(data) * 8)
    owners: dict[int, tuple[Slot, int]] = {}
    names = {len(fields): LEFT_OVER}
    for number, field in enumerate(fields):
        slot = replace(field.slot, number=number)
        names[number] = field.address.rpartition(".")[2] if field.slot.named else field.slot.kind
        owners |= {bit: (slot, slot.width - 1 - place) for place, bit in enumerate(field.bits)}
    made = []
    for bit in range(len(data) * 8):
        slot, rank = owners.get(bit, (rest, len(data) * 8 - 1 - bit))
        made.append(Bit(slot, rank, str(data[bit // 8] >> (7 - bit % 8) & 1)))
    return made, names


def _column(bit: int, gap: bool) -> int:
    """The column of a bit of the line, with a blank between octets where it is known where they begin."""
    return bit + bit // 8 if gap else bit


def _drawn(cells: dict[int, Bit], pieces: list[_Piece], room: int) -> Iterator[str]:
    """The rows of one line: bits, brackets, hanging names."""
    row = [" "] * (max(cells) + 1)
    for column, bit in cells.items():
        row[column] = shown(bit)
    yield "".join(row)
    last = pieces[-1]
    beside = not last.fits and last.right + 2 + len(last.label) <= room
    yield _brackets(pieces, beside)
    yield from _hanging(
        [piece for piece in pieces if not piece.fits and not (beside and piece is last)], room
    )


def _pieces(cells: dict[int, Bit], names: dict[int, str], natural: bool) -> list[_Piece]:
    """The pieces of one line. A label says which bits it holds, unless all of its field are side by side.

    natural: a field's bits fall from left to right.
    """
    groups: list[list[tuple[int, Bit]]] = []
    for column, bit in sorted(cells.items()):
        last = groups[-1][-1][1] if groups else None
        if last is not None and last.slot is bit.slot and last.rank == bit.rank + 1:
            groups[-1].append((column, bit))
        else:
            groups.append([(column, bit)])
    pieces: list[_Piece] = []
    for group in groups:
        (left, first), (right, last) = group[0], group[-1]
        slot, label = first.slot, names[first.slot.number]
        if (first.rank, last.rank) != (slot.width - 1, 0) and label != LEFT_OVER:
            ranks = str(first.rank) if first.rank == last.rank else f"{first.rank}-{last.rank}"
            label = ranks if pieces and pieces[-1].slot is slot else f"{label} {ranks}"
        # At an end of the line a bracket stays open where the field goes on in falling order.
        falls = natural and not slot.octets_reversed and not slot.bits_reversed
        opens = bool(pieces) or first.rank == slot.width - 1 or not falls
        closes = group is not groups[-1] or last.rank == 0 or not falls
        pieces.append(_Piece(slot, left, right, label, opens, closes))
    return pieces


def _brackets(pieces: list[_Piece], beside: bool) -> str:
    """The row of brackets. beside: the last name stands at the right of its bracket."""
    row = [" "] * (pieces[-1].right + 1)
    for piece in pieces:
        width = piece.right - piece.left + 1
        hangs = not piece.fits and not (beside and piece is pieces[-1])
        if width == 1:
            row[piece.left] = "│" if hangs else "└"
            continue
        left = "├" if hangs else "└" if piece.opens else "─"
        inside = piece.label if piece.fits else ""
        right = "┘" if piece.closes else "─"
        row[piece.left : piece.right + 1] = list(f"{left}{inside:─<{width - 2}}{right}")
    return "".join(row) + (f" {pieces[-1].label}" if beside else "")


def _hanging(pieces: list[_Piece], room: int) -> Iterator[str]:
    """Rows of names below their brackets, each joined to it by a line; no two touch.

    From the right, each name takes the highest row where it is free. Names that would leave the line at the right hang to the left of
    their line instead, below the others; one that fits on neither side is cut.
    """
    taken: list[dict[int, str]] = []
    edge = room
    turned: list[tuple[int, str]] = []
    for piece in reversed(pieces):
        label = _cut(piece.label, max(piece.left, edge - piece.left - 1))
        if piece.left + 1 + len(label) <= edge:
            _hang(taken, piece.left, piece.left, "└" + label)
        else:
            turned.append((piece.left, label))
            edge = piece.left
    for left, label in reversed(turned):
        _hang(taken, left, left - len(label), label + "┘")
    for row in taken:
        yield "".join(row.get(column, " ") for column in range(max(row) + 1))


def _cut(label: str, room: int) -> str:
    """The label, or its name cut and followed by two dots; the numbers of its bits stay."""
    if len(label) <= room:
        return label
    name, blank, ranks = label.partition(" ")
    return (name[: max(room - 2 - len(blank + ranks), 1)] + ".." + blank + ranks)[: max(room, 1)]


def _hang(taken: list[dict[int, str]], line: int, start: int, text: str) -> None:
    """Put a name into the first row where it and a blank on either side are free, and draw the line down to it."""
    span = range(start - 1, start + len(text) + 1)
    number = next((n for n, row in enumerate(taken) if not any(column in row for column in span)), len(taken))
    while len(taken) <= number:
        taken.append({})
    for row in taken[:number]:
        row[line] = "│"
    taken[number].update({start + i: character for i, character in enumerate(text)})


def _broken(text: str, room: int) -> list[str]:
    from packetkit.cli.output import wrapped

    return wrapped(text, room)
