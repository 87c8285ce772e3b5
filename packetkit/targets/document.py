"""The interface document: what flight and ground agree on, as a page that prints clean on A4 and Letter, and as Markdown.

One list of blocks, written twice. Nothing in it is typed by hand: positions are computed, the example and the vectors were worked out by
the second implementation of the wire rules. Text of a schema is escaped wherever it goes; the page has no script and asks no network.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

from packetkit.emit.frame_map import figure
from packetkit.layout import printed
from packetkit.layout.model import Layout, Run
from packetkit.layout.slots import Packing, Slot
from packetkit.targets.frame_map import svg
from packetkit.targets.target import Dossier, Target

# Sizes in points and millimetres: what a printer knows. Tables go over pages with their heads; nothing short is torn apart. Greys only.
_STYLE = """
@page { margin: 14mm 15mm }
body { font: 10pt/1.4 "Liberation Sans", Arial, Helvetica, sans-serif; color: #000; background: #fff;
  max-width: 182mm; margin: 0 auto; padding: 4mm }
h1 { font-size: 18pt; margin: 0 0 2mm; border-bottom: 1.5pt solid #000 }
h2 { font-size: 14pt; margin: 8mm 0 2mm; border-bottom: 0.75pt solid #000; break-after: avoid }
h3 { font-size: 11pt; margin: 5mm 0 1.5mm; break-after: avoid }
p { margin: 0 0 2mm }
table { border-collapse: collapse; width: 100%; font-size: 9pt; margin: 0 0 3mm }
th, td { border: 0.5pt solid #777; padding: 0.8mm 1.4mm; text-align: left; vertical-align: top; overflow-wrap: break-word }
td code { overflow-wrap: anywhere }
th { background: #eee }
td.number, th.number { text-align: right; white-space: nowrap }
thead { display: table-header-group }
tr, svg, pre { break-inside: avoid }
svg { width: 100%; height: auto; display: block; margin: 0 0 3mm }
code, pre { font: 8.5pt/1.4 "Liberation Mono", Menlo, Consolas, monospace }
pre { white-space: pre-wrap; overflow-wrap: anywhere; margin: 0 0 3mm }
.caution { border: 0.75pt solid #000; padding: 1.5mm 2mm }
@media print { body { padding: 0; max-width: none } .frame { break-before: page } }
""".strip()

CAUTION = (
    "A check notices damage, not intent: anyone can send a frame with a right check. Never make a downlink the sole basis for recovery, "
    "range safety or air traffic. Radio settings are what the schema says: local spectrum rules, licences and licensed operators decide."
)
CHECKED_OVER = "123456789"  # what check values are stated over


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading. level 1 is the document's; is_frame: a frame begins here."""

    level: int
    text: str
    is_frame: bool = False


@dataclass(frozen=True, slots=True)
class Paragraph:
    """A paragraph; is_caution: set apart."""

    text: str
    is_caution: bool = False


@dataclass(frozen=True, slots=True)
class Table:
    """Rows under heads; numbers: columns that are set to the right; codes: those in letters of one width."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: frozenset[int] = frozenset()
    codes: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True)
class Strip:
    """A frame's map, and the file that Markdown points to."""

    name: str
    file: str
    drawing: str
    words: str


Block = Heading | Paragraph | Table | Strip


# ---- what it says


def blocks(layouts: Mapping[str, Layout], dossier: Dossier) -> Iterator[Block]:
    """Yield the document."""
    yield Heading(1, f"{dossier.mission}: interface document")
    if dossier.description:
        yield Paragraph(dossier.description)
    yield Paragraph(
        f"Mission fingerprint {dossier.fingerprint}. Flight and ground agree where their fingerprints do. Written by packetkit from the "
        "schema; do not edit it, generate it again."
    )
    yield Table(
        ("frame", "bytes", "sent every", "told by", "fingerprint"),
        tuple(_summary(layout, dossier) for layout in layouts.values()),
        frozenset({1, 2}),
        frozenset({4}),
    )
    yield Paragraph(CAUTION, is_caution=True)
    if dossier.settings:
        yield Heading(2, "What both ends set")
        yield Table(("parameter", "value"), dossier.settings)
    for layout in layouts.values():
        yield from _frame(layout, dossier)


def _summary(layout: Layout, dossier: Dossier) -> tuple[str, ...]:
    cadence = "" if layout.cadence_s is None else f"{float(layout.cadence_s):g} s"
    size = printed.size_text(layout).removesuffix(" bytes").removesuffix(" byte")
    told = "where its bytes come from" if layout.name in dossier.outside else _told(layout)
    return layout.name, size, cadence, told, layout.fingerprint


def _told(layout: Layout) -> str:
    """What is always the same in a frame, in words."""
    markers = [slot for slot in layout.slots if slot.codes and slot.kind in ("sync", "tag", "constant")]
    return ", ".join(f"{slot.address} {printed.holds(slot)}" for slot in markers) or "its length"


def _frame(layout: Layout, dossier: Dossier) -> Iterator[Block]:
    yield Heading(2, f"Frame {layout.name}", is_frame=True)
    if layout.description:
        yield Paragraph(layout.description)
    size = printed.size_text(layout)
    longest = "" if layout.is_fixed else "At its longest "
    useful = "" if layout.useful_bits is None else f" {longest}{layout.useful_bits} bits are values."
    yield Paragraph(f"{size[:1].upper()}{size[1:]}.{useful}")
    file = f"{dossier.mission}_{layout.name}.svg"
    yield Strip(layout.name, file, svg(figure(layout), layout.name), "\n".join(_lines(layout)))
    yield Heading(3, "Fields")
    yield Paragraph(
        "at: the first bit, counted from the frame's start; +n from the start of the part that it stands in."
    )
    rows = tuple(
        (row.at, row.bits, "\u2003" * row.depth + row.name, row.meaning) for row in printed.rows(layout)
    )
    yield Table(("at", "bits", "field", "meaning"), rows, frozenset({0, 1}))
    yield from _described(layout)
    yield from _checks(layout)
    yield from _worked(layout, dossier)


def _lines(layout: Layout) -> list[str]:
    """The frame's table as plain text, for readers that see no picture."""
    return str(layout).splitlines()


def _described(layout: Layout) -> Iterator[Block]:
    rows = tuple((slot.address, slot.description) for slot in layout.slots if slot.description)
    if rows:
        yield Heading(3, "What they are for")
        yield Table(("field", "description"), rows)


def _checks(layout: Layout) -> Iterator[Block]:
    packings = {
        slot.number: run.packing for run in layout.walk() if isinstance(run, Run) for slot in run.slots
    }
    found = [slot for slot in layout.slots if slot.check is not None]
    if not found:
        return
    yield Heading(3, "Checks")
    yield Paragraph(f"The check value is what the algorithm gives over the nine characters {CHECKED_OVER}.")
    for slot in found:
        yield Table(
            ("parameter", slot.address),
            tuple(_check_rows(layout, slot, packings.get(slot.number, Packing.MOST))),
        )


def _check_rows(layout: Layout, slot: Slot, packing: Packing) -> Iterator[tuple[str, str]]:
    assert slot.check is not None
    algorithm = slot.check.algorithm
    yield "algorithm", algorithm.name
    yield from ((name.replace("_", " "), str(value)) for name, value in algorithm.parameters())
    yield "check value", f"0x{algorithm.check:0{-(-algorithm.width // 4)}X}"
    yield "covers", printed.covers_text(layout, slot)
    stored = printed.stored_text(slot, packing)
    if stored:
        yield "stored", stored


def _worked(layout: Layout, dossier: Dossier) -> Iterator[Block]:
    worked = dossier.worked.get(layout.name)
    if worked is not None:
        yield Heading(3, "A worked example")
        yield Paragraph(f"These {len(worked.data)} bytes: {worked.data.hex(' ')}")
        yield Paragraph(
            "byte.bit: bytes are counted from 0, a byte's high bit is 7; the most significant bit of a code comes first."
        )
        rows = tuple(
            (
                _places(row.bits),
                f"{row.raw & (1 << row.width) - 1:0{row.width}b}" if row.width <= 64 else "",
                str(row.raw),
                row.address,
                _value(row),
            )
            for row in worked.rows
        )
        yield Table(("byte.bit", "bits", "code", "field", "value"), rows, frozenset({2}), frozenset({0, 1}))
    cases = dossier.cases.get(layout.name, ())
    if cases:
        yield Heading(3, "Vectors")
        yield Paragraph("Records and the bytes that they are sent as, worked out by a second implementation.")
        yield Table(
            ("record", "bytes"),
            tuple((_record(case.back), "" if case.data is None else case.data.hex(" ")) for case in cases),
            codes=frozenset({0, 1}),
        )


def _places(bits: Sequence[int]) -> str:
    """Where bits lie: octet and bit of the first and the last, the octet's high bit being 7."""
    if not bits:
        return ""
    first, last = (f"{bit // 8}.{7 - bit % 8}" for bit in (bits[0], bits[-1]))
    return first if first == last else f"{first} to {last}"


def _value(row: Any) -> str:
    if row.value is None:
        return f"none: {row.reason}" if row.reason else "none"
    if isinstance(row.value, bool):
        return "true" if row.value else "false"
    text = row.value.hex(" ") if isinstance(row.value, bytes) else str(row.value)
    return f"{text} {row.unit}" if row.unit and not isinstance(row.value, str) else text


def _record(values: Mapping[str, Any]) -> str:
    return json.dumps(values, ensure_ascii=False, default=_plain)


def _plain(value: object) -> object:
    return value.hex() if isinstance(value, bytes) else str(value)


# ---- as HTML


def html(found: Sequence[Block]) -> str:
    """Return the blocks as one page that needs nothing beside it."""
    title = next((block.text for block in found if isinstance(block, Heading)), "")
    head = f'<meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1"><title>{escape(title)}</title>'
    body = "\n".join(_html(block) for block in found)
    return f'<!doctype html>\n<html lang="en"><head>{head}\n<style>\n{_STYLE}\n</style></head>\n<body>\n{body}\n</body></html>\n'


def _html(block: Block) -> str:
    if isinstance(block, Heading):
        kind = ' class="frame"' if block.is_frame else ""
        return f"<h{block.level}{kind}>{escape(block.text)}</h{block.level}>"
    if isinstance(block, Paragraph):
        kind = ' class="caution"' if block.is_caution else ""
        return f"<p{kind}>{escape(block.text)}</p>"
    if isinstance(block, Strip):
        return block.drawing
    heads = "".join(
        f'<th scope="col"{_number(block, at)}>{escape(head)}</th>' for at, head in enumerate(block.heads)
    )
    rows = "\n".join(
        "<tr>"
        + "".join(f"<td{_number(block, at)}>{_cell(block, at, cell)}</td>" for at, cell in enumerate(row))
        + "</tr>"
        for row in block.rows
    )
    return f"<table><thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}\n</tbody></table>"


def _number(block: Table, at: int) -> str:
    return ' class="number"' if at in block.numbers else ""


def _cell(block: Table, at: int, cell: str) -> str:
    return f"<code>{escape(cell)}</code>" if at in block.codes and cell else escape(cell)


# ---- as Markdown


def markdown(found: Sequence[Block]) -> str:
    """Return the blocks as Markdown (CommonMark, with tables as GFM has them)."""
    return "\n".join(_markdown(block) for block in found)


def _markdown(block: Block) -> str:
    if isinstance(block, Heading):
        return f"{'#' * block.level} {_text(block.text)}\n"
    if isinstance(block, Paragraph):
        return f"{'> ' if block.is_caution else ''}{_text(block.text)}\n"
    if isinstance(block, Strip):
        return (
            f"![{_text(block.name)}]({block.file})\n\n```text\n{block.words.replace('```', '` ` `')}\n```\n"
        )
    lines = [block.heads, tuple("---:" if at in block.numbers else "---" for at in range(len(block.heads)))]
    written = ["| " + " | ".join(map(_text, lines[0])) + " |", "| " + " | ".join(lines[1]) + " |"]
    written += [
        "| " + " | ".join(_marked(block, at, cell) for at, cell in enumerate(row)) + " |"
        for row in block.rows
    ]
    return "\n".join(written) + "\n"


def _marked(block: Table, at: int, cell: str) -> str:
    if at not in block.codes or not cell:
        return _text(cell)
    return "`" + cell.replace("`", "'").replace("|", "\\|").replace("\n", " ") + "`"


def _text(text: str) -> str:
    """A text that means itself: nothing in it is markup, and it stays on its line."""
    plain = escape(" ".join(text.split("\n")), quote=False)
    return "".join("\\" + one if one in "\\`*_[]#|!~" else one for one in plain)


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return the document as HTML and as Markdown, and the maps that the latter points to, by file name."""
    found = tuple(blocks(layouts, dossier))
    maps = {block.file: block.drawing for block in found if isinstance(block, Strip)}
    return {f"{dossier.mission}.html": html(found), f"{dossier.mission}.md": markdown(found), **maps}


TARGET = Target("document", "The interface document: HTML to print, and Markdown.", write, is_told=True)
