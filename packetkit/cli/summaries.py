"""`packetkit decode --every`: intervals instead of frames, in every form that decode writes."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any

import click

from packetkit.captures.many import Teams
from packetkit.captures.stream import Event, Good
from packetkit.cli import output
from packetkit.cli.decoded import Write, word
from packetkit.cli.tables import Make
from packetkit.errors import InputError, counted
from packetkit.export import csv
from packetkit.export.sheet import Column, Style
from packetkit.export.summary import WORDS, Summary
from packetkit.layout.fingerprint import fingerprint
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission

UNITS_S: dict[str, Fraction | int] = {"ms": Fraction(1, 1000), "s": 1, "min": 60, "h": 3600, "d": 86_400}
_INTERVAL = re.compile(r"(\d{1,9}(?:\.\d{1,9})?)\s?(ms|s|min|h|d)\Z", re.ASCII)


class Interval(click.ParamType):  # type: ignore[type-arg]  # generic in newer releases of the library only
    """A length of time, such as 10min; the value is in seconds."""

    name = "time"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        found = _INTERVAL.match(str(value).strip())
        seconds = Fraction(found[1]) * UNITS_S[found[2]] if found else Fraction(0)
        if not seconds:
            units = ", ".join(UNITS_S)
            self.fail(
                f"{value!r} is no length of time: a number above 0 with one of {units}, such as 10min",
                param,
                ctx,
            )
        return seconds


def words_of(text: str | None, every: Fraction | None) -> tuple[str, ...]:
    """Return what --summary asks for, everything where it is not given. Raises UsageError."""
    if text is None:
        return WORDS
    if every is None:
        raise click.UsageError(
            "--summary goes with --every, which says how long an interval is: --every 10min"
        )
    asked = tuple(dict.fromkeys(one.strip() for one in text.split(",")))
    wrong = [one for one in asked if one not in WORDS]
    if wrong:
        raise click.UsageError(
            f"--summary: {wrong[0]!r} is none of {', '.join(WORDS)}; separate them by commas"
        )
    return asked


class Summaries:
    """A writer of events that gathers good frames, kind by kind; `end` hands them to one of the forms below."""

    def __init__(
        self, mission: Mission | Teams, layouts: Mapping[str, Layout], every_s: Fraction, words: Sequence[str]
    ) -> None:
        self.mission = mission
        self.kinds = {name: Summary(layout, every_s, words) for name, layout in layouts.items()}

    def event(self, event: Event) -> None:
        if isinstance(event, Good):
            self.kinds[event.frame].take(event)

    def end(self) -> None:
        """Raise InputError where there were frames and none of them has a time."""
        sources = [one.times.source for one in self.kinds.values()]
        if any(source is not None for source in sources) and not any(sources):
            raise InputError(
                "--every: the capture does not say when frames came, and none of them has a field with role: clock and tick_s"
            )
        self.write()

    def write(self) -> None:
        """Write what was gathered."""

    def note(self) -> str:
        """Return what has to be known of the times."""
        told = []
        for name, one in self.kinds.items():
            if one.untimed:
                told.append(f"{counted(one.untimed, 'frame')} of {name} without a time: in no interval.")
        by_clock = [name for name, one in self.kinds.items() if one.times.source == "clock"]
        if by_clock:
            told.append(
                f"The time of {', '.join(by_clock)} is the unit's clock, unwrapped; restarts do not count."
            )
        return " ".join(told)


class AsTables(Summaries):
    """Tables of files and databases."""

    def __init__(self, make: Make, file: str, *given: Any) -> None:
        super().__init__(*given)
        self._make, self._file = make, file

    def write(self) -> None:
        for name, one in self.kinds.items():
            origin = {"mission": self.mission.name, "file": self._file, "frame": name}
            sink = self._make(name, one.columns(), origin | {"fingerprint": fingerprint(one.layout)})
            sink.rows(one.rows())
            sink.close()


class AsCsv(Summaries):
    """CSV: the frame, the interval's start, the number of its frames, then the words of every field."""

    def __init__(self, write: Write, style: Style, *given: Any) -> None:
        super().__init__(*given)
        self._write, self._style = write, style

    def write(self) -> None:
        found = {name: one.columns() for name, one in self.kinds.items() if one.times.source}
        titles: dict[str, int] = {"frame": 0}
        starts = [columns[0] for columns in found.values()] or [Column("start", "text")]
        for column in [
            *starts,
            Column("frames", "int64"),
            *(one for columns in found.values() for one in columns[2:]),
        ]:
            titles.setdefault(column.title, len(titles))
        units = {one.title: one.unit for columns in found.values() for one in columns[1:]}
        shown = [f"{one} [{units[one]}]" if self._style.units and units.get(one) else one for one in titles]
        self._write(csv.line(shown, self._style.for_comma_countries))
        for name, columns in found.items():
            for row in self.kinds[name].rows():
                cells: list[Any] = [name, *[None] * (len(titles) - 1)]
                for column, value in zip(columns, row, strict=True):
                    cells[titles[column.title]] = value
                self._write(csv.line(cells, self._style.for_comma_countries))


class AsLines(Summaries):
    """JSON lines, or the objects of one document: an object an interval."""

    def __init__(self, write: Write, *given: Any) -> None:
        super().__init__(*given)
        self._write = write

    def write(self) -> None:
        for line in self.objects():
            self._write(json.dumps(line, separators=(",", ":"), allow_nan=False) + "\n")

    def objects(self) -> Iterable[dict[str, Any]]:
        """Yield every interval: frame, start (or start_s), frames, values."""
        for name, one in self.kinds.items():
            words = {column.path: list[str]() for column in one.columns()[2:]}
            for column in one.columns()[2:]:
                words[column.path].append(column.title.rpartition(" ")[2])
            for number, frames, fields in one.groups():
                values = {
                    path: dict(zip(told, fields[path].words(told), strict=True))
                    for path, told in words.items()
                    if path in fields
                }
                yield {"frame": name, one.start_title: one.start(number), "frames": frames, "values": values}


class AsDocument(AsLines):
    """What stands under `intervals` of the one JSON document."""

    def __init__(self, *given: Any) -> None:
        super().__init__(lambda text: None, *given)

    def write(self) -> None:
        return

    def made(self) -> dict[str, Any]:
        """Return the keys that stand in the document in the place of `frames`."""
        every_s = float(next(iter(self.kinds.values())).every_s)
        return {"every_s": every_s, "intervals": list(self.objects())}


class AsText(Summaries):
    """A block an interval, a line a field; intervals without a frame one after another are one line."""

    def __init__(self, write: Write, encoding: str, *given: Any) -> None:
        super().__init__(*given)
        self._write, self._encoding = write, encoding

    def write(self) -> None:
        between = ""
        for name, one in self.kinds.items():
            units, empty = one.units(), 0
            for number, frames, fields in one.groups():
                if not frames:
                    empty += 1
                    continue
                if empty:
                    self._write(f"{between}{counted(empty, 'interval')} without a frame\n")
                empty = 0
                rows = tuple(
                    (path, *(_shown(value) for value in fields[path].words(one.words)), units.get(path, ""))
                    for path in one.paths()
                    if path in fields
                )
                titles = [output.Column(told, ">") for told in one.words]
                table = output.Table(
                    (output.Column("field", fit="shorten"), *titles, output.Column("unit")), rows
                )
                unit = "" if one.times.is_absolute else " s"
                start = one.start(number)
                self._write(f"{between}{word(start)}{unit}  {name}, {counted(frames, 'frame')}\n")
                lines = table.text(output.columns() - 2, self._encoding).splitlines()
                self._write("".join(f"  {line}\n" for line in lines))
                between = "\n"


def _shown(value: Any) -> str:
    """A number with at most six significant digits where it is a mean of many: exact ones stand in files."""
    return f"{value:.6g}" if isinstance(value, float) else word(value)
