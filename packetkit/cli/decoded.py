"""How decoded frames are shown and written: blocks or rows for a person, CSV, JSON lines, one JSON document; and the account.

Each writer takes events one by one and writes whole lines; none keeps the input, except CSV whose columns
only the last frame tells, and the one JSON document.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Protocol

from packetkit.captures.account import Account, File
from packetkit.captures.stream import Event, Failed, Good, Skipped
from packetkit.cli import continued, forms, output, signals
from packetkit.codec import cells
from packetkit.errors import counted
from packetkit.export import columns, csv, jsonl
from packetkit.export.sheet import PLAIN, Origin, Style, is_too_wide
from packetkit.layout.limits import marked
from packetkit.layout.model import Layout, Optional, Repeat
from packetkit.layout.slots import Slot

if TYPE_CHECKING:
    from packetkit.captures.swift import Block
    from packetkit.export.blocks import Lines as CsvLines

Write = Callable[[str], object]
Layouts = Mapping[str, Layout]

# A frame with more fields gets a block of its own, not a row.
MOST_IN_A_ROW = 8
# So many rows are set under one line of titles; a person scrolling always has titles near.
ROWS_AT_ONCE = 200
# So many files have a row each in the account.
MOST_FILES = 20
BY_FILE = ("size", "good", "failed", "skipped")
# Bytes of a failed frame that are shown.
SHOWN_BYTES = 24

_INDEX = re.compile(r"\[[0-9]+\]")


class Writer(Protocol):
    """Takes events in order, then the end."""

    def event(self, event: Event) -> None:
        """Write one event, or note it."""

    def end(self) -> None:
        """Write what was held back."""


# -- for programs ----------------------------------------------------------------------------------


class Lines:
    """JSON lines. Skipped ranges are no frames: they are told in the account."""

    def __init__(self, write: Write, layouts: Layouts, *, detail: bool, trace: Origin | None = None) -> None:
        self._write, self._layouts, self._detail, self._trace = write, layouts, detail, trace

    def event(self, event: Event) -> None:
        if not isinstance(event, Skipped):
            line = jsonl.line_of(event, self._layouts, detail=self._detail, trace=self._trace)
            self._write(jsonl.text_of(line))

    def text(self, text: str, rows: int) -> None:
        """Write lines that were made elsewhere."""
        self._write(text)

    def end(self) -> None:
        return


class Rows:
    """CSV with columns for the longest lists there can be, or, where those are too many, for the longest there were."""

    def __init__(
        self, write: Write, layouts: Layouts, serial: str | None = None, style: Style = PLAIN
    ) -> None:
        self._write, self._layouts, self._serial, self._style = write, layouts, serial, style
        self.rows = 0
        self._lines: CsvLines | None = None
        self._held: list[tuple[str, Good | Failed]] | None = None  # with their file
        self._most: dict[str, dict[int, int]] = {name: {} for name in layouts}
        if is_too_wide(layouts.values()):
            self._held = []
        else:
            self._sheet = csv.Sheet(layouts, serial=serial, style=style)
            write(self._sheet.header())

    @property
    def waits(self) -> bool:
        """Whether rows are written at the end only, when it is known how long lists were."""
        return self._held is not None

    @property
    def takes_blocks(self) -> bool:
        """Whether `block` may be called."""
        return self._held is None and self._sheet.sheet.takes_blocks

    def text(self, text: str, rows: int) -> None:
        """Write rows that were made elsewhere."""
        self._write(text)
        self.rows += rows

    def block(self, block: Block) -> None:
        """Write a row of good frames."""
        from packetkit.export.blocks import Lines

        if self._lines is None:
            self._lines = Lines(self._sheet.sheet)
        self._write(self._lines.text(block))
        self.rows += block.table.rows

    def event(self, event: Event) -> None:
        if isinstance(event, Skipped):
            return
        self.rows += 1
        if self._held is None:
            self._write(self._sheet.row(event))
            return
        self._held.append((self._style.file, event))
        if isinstance(event, Good):
            layout, record = self._layouts[event.frame], event.record
            is_detailed = self._serial is not None or self._style.raw
            record = columns.plain(layout, record) if is_detailed else record
            cells.longest_lists(layout, record, self._most[event.frame])

    def end(self) -> None:
        if self._held is None:
            return
        sheet = csv.Sheet(self._layouts, self._most, self._serial, self._style)
        self._write(sheet.header())
        for file, event in self._held:
            self._style.of_file(file)
            self._write(sheet.row(event))


class Document:
    """One JSON document, written whole at the end, when the account is known."""

    def __init__(self, layouts: Layouts, *, detail: bool, trace: Origin | None = None) -> None:
        self._layouts, self._detail, self._trace = layouts, detail, trace
        self.frames: list[dict[str, Any]] = []
        self.skipped: list[dict[str, Any]] = []

    def event(self, event: Event) -> None:
        if not isinstance(event, Skipped):
            line = jsonl.line_of(event, self._layouts, detail=self._detail, trace=self._trace)
            self.frames.append(line)
        elif not event.unwritten:
            of = {} if self._trace is None else {"file": self._trace.file}
            self.skipped.append({**of, "offset": event.offset, "size": event.size})

    def end(self) -> None:
        return

    def made(self) -> dict[str, Any]:
        """Return what this writer puts into the document."""
        return {"skipped": self.skipped, "frames": self.frames}


def document(head: Mapping[str, Any], account: Account, made: dict[str, Any]) -> dict[str, Any]:
    """Return the document. head: what its frames are of; made: what its writer has.

    Offsets and sizes count what the keys say: bits where the input is bits.
    """
    unit = account.unit + "s"
    skipped = [
        {(f"size_{unit}" if key == "size" else key): value for key, value in one.items()}
        for one in made.pop("skipped", [])
    ]
    readings = {file.read_as for file in account.files}
    return {
        **head,
        "read_as": readings.pop() if len(readings) == 1 else None,
        "files": [_file(file, unit) for file in account.files],
        f"size_{unit}": account.size,
        "good_frames": sum(account.good.values()),
        "good_by_frame": dict(account.good),
        "failed_frames": sum(account.failed.values()),
        "failed_by_reason": dict(account.failed_by_reason),
        "skipped_ranges": account.skipped_ranges,
        f"skipped_{unit}": account.skipped_bytes,
        f"unwritten_{unit}": account.unwritten,
        "backwards": continued.order_document(account),
        "continuity": continued.document(account),
        "signal": signals.document(account),
        **({"skipped": skipped} if "frames" in made else {}),
        **made,
    }


def _file(file: File, unit: str) -> dict[str, Any]:
    return {
        "file": file.name,
        "read_as": file.read_as,
        f"size_{unit}": file.size,
        "good_frames": file.good,
        "failed_frames": file.failed,
        f"skipped_{unit}": file.skipped,
        f"unwritten_{unit}": file.unwritten,
        "cut": None if file.read is None else file.read.cut or None,
        "lines": forms.count_document(file.read),
    }


# -- for a person ----------------------------------------------------------------------------------


def word(value: Any) -> str:
    """Return a value as a person reads it; a float keeps its point."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, bytes):
        return value.hex()
    return value if isinstance(value, str) else repr(value)


def worked_out(value: Any) -> str:
    """Return a derived value as a person reads it: the fifteen digits that any double holds. Behind them is what its steps rounded."""
    return word(float(f"{value:.15g}") if isinstance(value, float) else value)


def pattern(slot: Slot | None, raw: int) -> str:
    """Return bits that are no quantity in hexadecimal, as schemas and messages write them; empty for all others."""
    if slot is None or slot.kind not in ("constant", "sync", "check", "character"):
        return ""
    return f"0x{raw:0{-(-slot.width // 4)}X}"


def remark(leaf: Mapping[str, Any]) -> str:
    """Return what has to be said of a value: why it is None or not calibrated, what it is only at least, that it is not to be trusted."""
    told = [leaf[key].replace("_", " ") for key in ("reason", "note") if key in leaf]
    told += [f"not calibrated: {leaf['calibrated_reason']}"] if "calibrated_reason" in leaf else []
    told += [marked(leaf["limit"])] if "limit" in leaf else []
    return ", ".join([*told, "not trusted"] if leaf.get("trusted") is False else told)


class Blocks:
    """A block a frame, a line a field."""

    def __init__(
        self, write: Write, layouts: Layouts, encoding: str, *, detail: bool, calibrated: bool = False
    ) -> None:
        self._write, self._encoding, self._detail, self._calibrated = write, encoding, detail, calibrated
        self._slots = {
            name: {slot.address: slot for slot in layout.slots} for name, layout in layouts.items()
        }
        self._between = ""

    def begin(self, file: str) -> None:
        """Say which file the frames below are of."""
        self._write(f"{self._between}{file}\n")
        self._between = "\n"

    def event(self, event: Event) -> None:
        lines = [self._between + told(event) + beside(event)]
        if isinstance(event, Failed):
            lines += ["  " + line for line in output.wrapped(event.message, output.columns() - 2)]
            lines += ["  " + hex_of(event.data, output.columns() - 2)] if event.data else []
        if not isinstance(event, Skipped) and event.record is not None:
            name = event.frame if isinstance(event, Good) else event.claimed
            table = self._table(name, event.record)
            lines += ["  " + line for line in table.text(output.columns() - 2, self._encoding).splitlines()]
        self._write("\n".join(lines) + "\n")
        self._between = "\n"

    def _table(self, name: str, record: Mapping[str, Any]) -> output.Table:
        slots = self._slots[name]
        leaves = [(path, leaf, slots.get(_INDEX.sub("[]", path))) for path, leaf in columns.leaves(record)]
        found = [
            (path, leaf, slot)
            for path, leaf, slot in leaves
            if self._detail or slot is None or slot.is_value  # without a slot: derived
        ]
        raw = (output.Column("raw", ">"),) if self._detail else ()
        true = (output.Column("calibrated", ">"),) if self._calibrated else ()
        titles = (output.Column("field", fit="shorten"), *raw, output.Column("value", ">", "shorten"), *true)
        rows = []
        for path, leaf, slot in found:
            said = worked_out if "derived" in leaf else word
            rows.append(
                (
                    path,
                    *((str(leaf.get("raw", "")),) if self._detail else ()),
                    pattern(slot, leaf.get("raw", 0)) or said(leaf["value"]),
                    *((said(leaf.get("calibrated")),) if self._calibrated else ()),
                    leaf.get("unit", ""),
                    remark(leaf),
                )
            )
        return _without_empty_remarks((*titles, output.Column("unit")), rows)

    def end(self) -> None:
        return


class Overview:
    """A row a frame, for one small frame without lists or options."""

    def __init__(self, write: Write, layout: Layout, encoding: str) -> None:
        self._write, self._layout, self._encoding = write, layout, encoding
        told = [cell.derived or cell.slot for cell in cells.cells(layout, {})]
        units = [f" {one.unit}" if one is not None and one.unit else "" for one in told]
        titles = [title + unit for title, unit in zip(cells.titles(layout), units, strict=True)]
        self._columns = (
            output.Column("offset", ">"),
            *(output.Column(title, ">", "shorten") for title in titles),
        )
        self._rows: list[tuple[object, ...]] = []
        self._between = ""

    def begin(self, file: str) -> None:
        """Say which file the rows below are of."""
        self.end()
        self._write(f"{self._between}{file}\n")
        self._between = ""

    def event(self, event: Event) -> None:
        if isinstance(event, Good):
            record = columns.plain(self._layout, event.record)
            found = cells.cells(self._layout, record)
            values = [worked_out(cell.value) if cell.derived else word(cell.value) for cell in found]
            said = [f"{path} {remark(leaf)}" for path, leaf in columns.leaves(event.record) if remark(leaf)]
        else:
            values = [""] * (len(self._columns) - 1)
            said = [told(event).partition("  ")[2]]
        self._rows.append((event.offset, *values, ", ".join(said)))
        if len(self._rows) >= ROWS_AT_ONCE:
            self.end()

    def end(self) -> None:
        if self._rows:
            table = _without_empty_remarks(self._columns, self._rows)
            self._write(self._between + table.text(encoding=self._encoding))
            self._between = "\n"
            self._rows.clear()


def _without_empty_remarks(titles: tuple[output.Column, ...], rows: list[tuple[object, ...]]) -> output.Table:
    """The table of rows that end in a remark; without that column where nobody has to be told anything."""
    if any(row[-1] for row in rows):
        return output.Table((*titles, output.Column("remark", fit="wrap")), tuple(rows))
    return output.Table(titles, tuple(row[:-1] for row in rows))


def _values(layout: Layout) -> Iterator[Slot]:
    return (slot for slot in layout.slots if slot.is_value)


def fits_a_row(layout: Layout) -> bool:
    """Return whether frames can be rows of a table: few fields, and the same ones each time."""
    is_plain = not any(isinstance(node, (Repeat, Optional)) for node in layout.walk())
    return is_plain and sum(1 for _ in _values(layout)) + len(layout.derived) <= MOST_IN_A_ROW


def told(event: Event) -> str:
    """Return one line on an event: where it is and what it is."""
    size = counted(event.size, event.unit if isinstance(event, Skipped) else "byte")
    if isinstance(event, Good):
        return f"{event.offset}  {event.frame}, {size}"
    if isinstance(event, Failed):
        claim = f"claimed {event.claimed}" if event.claimed else "no frame"
        return f"{event.offset}  {claim}, {size}: {event.reason}"
    return f"{event.offset}  {'unwritten' if event.unwritten else 'skipped'} {size}"


def beside(event: Event) -> str:
    """Return what the capture says of when and how well a frame was received, behind a comma; empty where it says nothing."""
    said = None if isinstance(event, Skipped) else event.received
    if said is None:
        return ""
    parts = [said.time] if said.time else []
    parts += [f"{said.rssi_dbm:g} dBm"] if said.rssi_dbm is not None else []
    parts += [f"SNR {said.snr_db:g} dB"] if said.snr_db is not None else []
    return "".join(f", {part}" for part in parts)


def hex_of(data: bytes, width: int) -> str:
    """Return the first bytes as text of at most so many columns."""
    most = min(SHOWN_BYTES, max((width - len(" ...") + 1) // 3, 1))
    return data[:most].hex(" ") + (" ..." if len(data) > most else "")


# -- the account -----------------------------------------------------------------------------------


def account_text(
    account: Account,
    note: str = "",
    refusal: str = "",
    *,
    of_lines: int = 1,
    by_kind: bool = True,
    is_whole: bool = True,
) -> str:
    """Return what became of every byte, in a few lines.

    note: why the input was taken as one frame, and of_lines: of how many lines its text was; refusal: why text was not taken for
    hexadecimal or base64. by_kind: saying how many of each kind there were, which a table says better where there are many.
    is_whole: nobody interrupted it.
    """
    good = sum(account.good.values())
    lines = [_reading(account, is_whole)]
    if note:
        lines.append(f"Taken as one frame: {note}.")
    if note and of_lines > 1:
        reading = account.files[0].read_as.partition(" ")[0]
        each = f'--from lines --line "(?P<payload>.+)" --payload {reading}'
        lines.append(f"Its {of_lines:,} lines were put together; with {each} each is a frame by itself.")
    kinds = ", ".join(f"{count:,} {name}" for name, count in account.good.items())
    lines.append(f"Good frames: {good:,}" + (f" ({kinds})." if by_kind and len(account.good) > 1 else "."))
    lines += [unguarded(name) for name in account.good if name in account.unguarded]
    if account.failed:
        kinds = ", ".join(
            f"{count:,} {' '.join(filter(None, name))}" for name, count in account.failed.items()
        )
        lines.append(
            f"Failed frames: {sum(account.failed.values()):,}" + (f" ({kinds})." if by_kind else ".")
        )
    if account.skipped_ranges:
        of = [f" of {file}" if len(account.files) > 1 else "" for file in account.range_files]
        ranges = [_range(skipped) + file for skipped, file in zip(account.ranges, of, strict=True)]
        if account.skipped_ranges > len(ranges):
            ranges.append(f"and {counted(account.skipped_ranges - len(ranges), 'range')} more")
        text = f"Skipped: {counted(account.skipped_bytes, account.unit)} in {counted(account.skipped_ranges, 'range')}"
        lines.append(f"{text}, at {', '.join(ranges)}.")
    if account.unwritten:
        lines.append(
            f"Unwritten: the last {counted(account.unwritten, account.unit)} are all 0x00 or all 0xFF."
        )
    if not good and refusal:
        lines.append("The input is text, and its characters were taken for the bytes:")
        lines += refusal.split("\n")
        lines.append("Is it a log, CSV or JSON lines? Say --from lines, csv or jsonl.")
    elif not good and not account.failed and account.size:
        lines.append("Nothing here begins like a frame of this schema. Is it the right schema, and --from?")
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    said = "\n".join(part for line in lines for part in output.wrapped(line, width)) + "\n"
    return said + _by_file(account, width)


def unguarded(name: str) -> str:
    """What is to be known of a frame that any bytes of its size are."""
    return f"{name} has no check and no sync marker: any bytes of its size are a good frame, so damage goes unnoticed."


def _reading(account: Account, is_whole: bool) -> str:
    """What was read, and how."""
    ways = Counter(file.read_as for file in account.files)
    size = counted(account.size, account.unit)
    if len(account.files) > 1:
        how = ", ".join(f"{count:,} as {way}" for way, count in ways.items())
        return f"Read {counted(len(account.files), 'file')} ({how}): {size}."
    if not account.files or not (account.size or is_whole):
        return "Nothing was read."
    if account.size:
        return f"Read as {', '.join(ways)}: {size}."
    # Of lines, rows and packets the account counts what frames they hold, and other text may be all there is.
    packets = [way for way in ways if way.split(" ")[0] not in ("binary", "hex", "base64", "empty")]
    return f"Read as {packets[0]}: no frame in it." if packets else "The input is empty."


def _by_file(account: Account, width: int) -> str:
    """A row for each of several files: where they are many, of those that hold more than good frames first of all."""
    if len(account.files) < 2:
        return ""
    shown = account.files
    if len(shown) > MOST_FILES:
        told = [file for file in shown if not file.is_clean][:MOST_FILES]
        shown = told or shown[:MOST_FILES]
    columns = (output.Column("file", fit="shorten"), *(output.Column(title, ">") for title in BY_FILE))
    rows = tuple(
        (file.name, *(f"{one:,}" for one in (file.size, file.good, file.failed, file.skipped)))
        for file in shown
    )
    left = len(account.files) - len(shown)
    dirty = sum(not file.is_clean for file in account.files) - sum(not file.is_clean for file in shown)
    more = f"{counted(left, 'file')} more, {dirty:,} of them with failed frames or skipped {account.unit}s."
    text = output.Table(columns, rows).text(width)
    return text + ("\n".join(output.wrapped(more, width)) + "\n" if left else "")


def _range(skipped: Skipped) -> str:
    last = skipped.offset + skipped.size - 1
    return str(last) if skipped.size == 1 else f"{skipped.offset} to {last}"
