"""Losses along a time axis, in a bounded number of parts that grow as time does."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from fractions import Fraction

# Parts that are kept; the width doubles when time runs out of them. A table or a picture shows fewer.
PARTS = 64


class Timeline:
    """Frames sent and frames that came, counted in parts of equal width from time 0 on, in `unit` (`s` or `frames`)."""

    def __init__(self, unit: str) -> None:
        self.unit = unit
        self.width = Fraction(1)
        self._sent = [0] * PARTS
        self._got = [0] * PARTS
        self._used = 0

    def add(self, start: Fraction, end: Fraction, sent: int, got: int) -> None:
        """Count frames sent one after another in equal steps behind `start`, the last one at `end`; that one came if got is 1."""
        self._reach(end)
        last = self._part(end)
        self._got[last] += got
        first = self._part(max(start, Fraction(0)))
        counted = 0
        for part in range(first, last):
            edge = (part + 1) * self.width
            before = sent if end <= start else min(sent, _before(edge, start, end, sent))
            self._sent[part] += before - counted
            counted = before
        self._sent[last] += sent - counted

    def add_all(self, times: Iterable[Fraction]) -> None:
        """Count frames that were sent one right after another and all came, at these times, none before the last one counted."""
        for time in times:
            self._reach(time)
            part = self._part(time)
            self._sent[part] += 1
            self._got[part] += 1

    def add_steps(self, steps: Sequence[int], step: Fraction) -> None:
        """The same, at multiples of `step` that do not fall: how often each part is met is counted, and no frame looked at."""
        if not steps:
            return
        self._reach(steps[-1] * step)
        at = 0
        while at < len(steps):
            part = self._part(steps[at] * step)
            # The first multiple that lies in a later part.
            edge = -(-((part + 1) * self.width) // step) if step else steps[-1] + 1
            after = bisect_left(steps, edge, at)
            self._sent[part] += after - at
            self._got[part] += after - at
            at = after

    def parts(self, most: int) -> tuple[Fraction, list[tuple[int, int]]]:
        """Return a width and, for each part in order, the frames sent and those that came: at most so many parts."""
        width, pairs = self.width, list(zip(self._sent, self._got, strict=True))[: self._used]
        while len(pairs) > most:
            pairs += [(0, 0)] * (len(pairs) % 2)
            pairs = [
                (first[0] + second[0], first[1] + second[1])
                for first, second in zip(pairs[::2], pairs[1::2], strict=True)
            ]
            width *= 2
        return width, pairs

    def _part(self, time: Fraction) -> int:
        return int(time / self.width)

    def _reach(self, end: Fraction) -> None:
        while self._part(end) >= PARTS:
            for counts in (self._sent, self._got):
                counts[:] = [
                    first + second for first, second in zip(counts[::2], counts[1::2], strict=True)
                ] + [0] * (PARTS // 2)
            self.width *= 2
            self._used = (self._used + 1) // 2
        self._used = max(self._used, self._part(end) + 1)


def _before(edge: Fraction, start: Fraction, end: Fraction, sent: int) -> int:
    """How many of the frames sent lie before an edge."""
    place = (edge - start) * sent / (end - start)
    return max(0, -(-place.numerator // place.denominator) - 1)
