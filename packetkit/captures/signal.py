"""Loss against signal: frames that came, failed and are missing, by classes of signal strength and of signal to noise.

The rule, exactly: a good or failed frame is in the class of its own signal. A missing frame has none, so it is counted in the class of the
good frame that is nearest to it by number, of the two around the gap; in the middle, of the one before. Where only one of the two has a
signal, it is that one's; where neither has, its class is unknown. So classes are only as true as the signal was steady across a gap.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from packetkit.captures.stream import Received


class Measure(NamedTuple):
    """What a receiver says of a signal: its name in `Received`, title, unit, how wide a class is; beyond the ends all is one class."""

    name: str
    title: str
    unit: str
    width: int
    lowest: int
    highest: int

    def class_of(self, received: Received | None) -> int | None:
        """Return the lower end of a signal's class, None where it is not known."""
        value = None if received is None else getattr(received, self.name)
        if value is None:
            return None
        return int(min(max(value // self.width * self.width, self.lowest), self.highest))


# Classes as wide as receivers' own figures are off (common practice); the ends are beyond what small receivers report.
MEASURES = (
    Measure("snr_db", "signal to noise", "dB", 5, -30, 30),
    Measure("rssi_dbm", "signal strength", "dBm", 10, -160, 0),
)


# The key of frames with which the capture says nothing: they cost one step, whatever is measured.
UNTOLD: tuple[str, int | None] = ("", None)


@dataclass(slots=True)
class Counts:
    """Frames of one class."""

    good: int = 0
    failed: int = 0
    missing: int = 0

    @property
    def lost(self) -> float | None:
        """The share of numbers that are missing, None where there is none."""
        sent = self.good + self.missing
        return self.missing / sent if sent else None


@dataclass(slots=True)
class Signal:
    """Counts by measure and class, class None where the signal is not known."""

    good: Counter[tuple[str, int | None]] = field(default_factory=Counter)
    failed: Counter[tuple[str, int | None]] = field(default_factory=Counter)
    missing: Counter[tuple[str, int | None]] = field(default_factory=Counter)

    def came(self, received: Received | None) -> None:
        """Count a good frame."""
        for key in _keys(received):
            self.good[key] += 1

    def fell(self, received: Received | None) -> None:
        """Count a failed frame."""
        for key in _keys(received):
            self.failed[key] += 1

    def lost(self, frames: int, before: Received | None, after: Received | None) -> None:
        """Count missing frames in a row, between two good ones."""
        if not frames:
            return
        if before is None and after is None:
            self.missing[UNTOLD] += frames
            return
        for measure in MEASURES:
            first, second = measure.class_of(before), measure.class_of(after)
            first, second = (second if first is None else first), (first if second is None else second)
            self.missing[measure.name, first] += (frames + 1) // 2
            self.missing[measure.name, second] += frames // 2

    def table(self, measure: Measure) -> list[tuple[int | None, Counts]]:
        """Return the classes of a measure from the strongest down, the unknown one last; empty where no signal of it is known."""
        found: dict[int | None, Counts] = {}
        for what, counter in (("good", self.good), ("failed", self.failed), ("missing", self.missing)):
            for (name, its), count in counter.items():
                if name in (measure.name, UNTOLD[0]) and count:
                    one = found.setdefault(its, Counts())
                    setattr(one, what, getattr(one, what) + count)
        known = sorted((its for its in found if its is not None), reverse=True)
        if not known:
            return []
        return [(its, found[its]) for its in [*known, *([None] if None in found else [])]]


def _keys(received: Received | None) -> list[tuple[str, int | None]]:
    if received is None:
        return [UNTOLD]
    return [(measure.name, measure.class_of(received)) for measure in MEASURES]


def total(signals: Iterable[Signal]) -> Signal:
    """Return the sum of several."""
    made = Signal()
    for one in signals:
        made.good.update(one.good)
        made.failed.update(one.failed)
        made.missing.update(one.missing)
    return made
