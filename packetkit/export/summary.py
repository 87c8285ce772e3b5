"""Frames of one kind gathered by time: for every interval, and every field, the least, mean and largest value and how many there were.

Intervals begin at whole multiples of their length; those without a frame stand between the others as rows of nothing, so that a gap is
seen. What would surprise a reader: sums are exact whatever the order (the partial sums of Shewchuk, "Adaptive precision floating-point
arithmetic and fast robust geometric predicates", 1997), so a mean does not depend on how the capture is cut; a flag counts as 0 or 1; of
states, texts and octets only the count is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from math import fsum, isfinite
from typing import Any

from packetkit.captures.stream import Good
from packetkit.codec import cells
from packetkit.errors import InputError
from packetkit.export import columns
from packetkit.export.sheet import Column
from packetkit.export.times import Times, text_of
from packetkit.layout.model import Layout

WORDS = ("min", "mean", "max", "count")

# More rows than that are more likely one wrong time than a capture: 100,000 intervals of 10 minutes are two years.
MOST_ROWS = 100_000


class _Field:
    """What one field was in one interval."""

    __slots__ = ("count", "least", "most", "parts", "whole")

    def __init__(self) -> None:
        self.count, self.whole = 0, 0
        self.least: Any = None
        self.most: Any = None
        self.parts: list[float] = []

    def take(self, value: Any) -> None:
        self.count += 1
        if isinstance(value, (str, bytes)):
            return
        self.least = value if self.least is None or value < self.least else self.least
        self.most = value if self.most is None or value > self.most else self.most
        if isinstance(value, int):
            self.whole += value
        else:
            _grow(self.parts, value)

    @property
    def mean(self) -> float | None:
        """The exact sum, rounded, over the count; None where there is no number, and beyond doubles."""
        if self.least is None:
            return None
        try:
            made = fsum(self.parts) / self.count if self.parts else self.whole / self.count
        except (OverflowError, ValueError):
            return None
        return made if isfinite(made) else None

    def words(self, wanted: Sequence[str]) -> list[Any]:
        told = {"min": self.least, "mean": self.mean, "max": self.most, "count": self.count}
        return [told[word] for word in wanted]


def _grow(parts: list[float], value: float) -> None:
    """Add a value to partial sums that do not overlap, so that together they stay exact."""
    used = 0
    for part in parts:
        if abs(value) < abs(part):
            value, part = part, value
        high = value + part
        low = part - (high - value)
        if low:
            parts[used] = low
            used += 1
        value = high
    parts[used:] = [value]


class Summary:
    """The intervals of one kind of frame. every_s: their length; words: what is told of each field."""

    def __init__(self, layout: Layout, every_s: Fraction, words: Sequence[str]) -> None:
        self.layout, self.every_s, self.words = layout, every_s, words
        self.times = Times(layout)
        self.untimed = 0
        self._most: dict[int, int] = {}
        self._groups: dict[int, tuple[list[int], dict[str, _Field]]] = {}

    def take(self, event: Good) -> None:
        """Count a good frame, with a plain or detailed record."""
        time = self.times.of(event)
        if time is None:
            self.untimed += 1
            return
        frames, fields = self._groups.setdefault(time // self.every_s, ([0], {}))
        frames[0] += 1
        cells.longest_lists(self.layout, event.record, self._most)
        for cell in cells.cells(self.layout, event.record, self._most):
            if cell.value is not None:
                field = fields.get(cell.path)
                if field is None:
                    field = fields[cell.path] = _Field()
                field.take(cell.value)

    @property
    def start_title(self) -> str:
        """What the column of times is called: `start` for instants, `start_s` for seconds of the unit's clock or of a day."""
        return "start" if self.times.is_absolute else "start_s"

    def paths(self) -> list[str]:
        """Return the paths of all fields, in wire order."""
        return cells.titles(self.layout, self._most)

    def units(self) -> dict[str, str]:
        """Return the unit of every field that has one."""
        made = {}
        for cell in cells.cells(self.layout, {}, self._most):
            one = cell.derived or cell.slot
            if one is not None and one.unit:
                made[cell.path] = one.unit
        return made

    def columns(self) -> list[Column]:
        """Return the columns of the rows: the interval's start, its frames, then each field's words."""
        from packetkit.codec.bulk.holding import holding, joined_forms

        forms, units = joined_forms(self.layout), self.units()
        start = Column(
            self.start_title,
            "text" if self.times.is_absolute else "double",
            "" if self.times.is_absolute else "s",
        )
        made = [start, Column("frames", "int64")]
        for cell in cells.cells(self.layout, {}, self._most):
            held, unit = holding(cell, forms), units.get(cell.path, "")
            for word in self.words_of(held):
                holds = {"count": "int64", "mean": "double"}.get(word, held)
                made.append(Column(f"{cell.path} {word}", holds, "" if word == "count" else unit, cell.path))
        return made

    def words_of(self, held: str) -> list[str]:
        """Return what is told of a column that holds such values."""
        return [word for word in self.words if word == "count" or held not in ("text", "octets")]

    def groups(self) -> Iterator[tuple[int, int, Mapping[str, _Field]]]:
        """Yield every interval from the first to the last, also empty ones: its number, its frames, its fields.

        Raises InputError where there are too many of them.
        """
        if not self._groups:
            return
        first, last = min(self._groups), max(self._groups)
        if last - first >= MOST_ROWS:
            raise InputError(
                f"--every: from {self.start(first)} to {self.start(last)} there are {last - first + 1:,} intervals, more than "
                f"{MOST_ROWS:,}. Say a longer one; if one wrong time is the cause, take it out of the capture"
            )
        for number in range(first, last + 1):
            frames, fields = self._groups.get(number, ([0], {}))
            yield number, frames[0], fields

    def start(self, number: int) -> str | float:
        """Return when an interval begins: text for instants, else seconds."""
        time = number * self.every_s
        try:
            return text_of(time) if self.times.is_absolute else float(time)
        except OverflowError:
            return float(time)

    def rows(self) -> Iterator[list[Any]]:
        """Yield the rows, a cell for each of `columns`."""
        titles = [(one.path, one.title.rpartition(" ")[2]) for one in self.columns()[2:]]
        for number, frames, fields in self.groups():
            row: list[Any] = [self.start(number), frames]
            for path, word in titles:
                field = fields.get(path)
                row.append(field.words([word])[0] if field is not None else 0 if word == "count" else None)
            yield row


def plain_of(layout: Layout, event: Good, is_detailed: bool) -> Good:
    """Return the event with a plain record."""
    from dataclasses import replace

    return replace(event, record=columns.plain(layout, event.record)) if is_detailed else event
