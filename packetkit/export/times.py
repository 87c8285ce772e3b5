"""When frames came: the time that the capture says beside them, else the unit's own clock, unwrapped.

Which of the two, the first good frame of a kind decides for all of its kind. What would surprise a reader: a time of day without a date
goes on over midnight, where it falls by more than half a day; a time without a zone is taken as it stands, as if it were UTC.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone
from fractions import Fraction

from packetkit.captures.continuity import Continuity
from packetkit.captures.stream import Good
from packetkit.codec.cells import at
from packetkit.layout.model import Layout, Run
from packetkit.layout.slots import Slot

DAY = 86_400
_START = datetime(1970, 1, 1, tzinfo=timezone.utc)

_INSTANT = re.compile(
    r"(\d{4}-\d{2}-\d{2}|\d{4}/\d{2}/\d{2}|\d{2}\.\d{2}\.\d{4})(?:T|,? )"
    r"(\d{2}:\d{2}:\d{2})(?:[.,](\d{1,18}))?\s?(Z|[+-]\d{2}:?\d{2})?\Z",
    re.ASCII,
)
_OF_DAY = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d{1,18}))?\Z", re.ASCII)
_COUNT = re.compile(r"(\d{1,19})(?:\.(\d{1,18}))?\Z", re.ASCII)

# A count of seconds since 1970 has at most so many digits until the year 5138; longer ones are thousandths, millionths, billionths.
_DIGITS = ((11, 1), (14, 1000), (17, 10**6), (19, 10**9))


def instant(text: str) -> Fraction | None:
    """Return the seconds since 1970-01-01 UTC that a text means, None where it is no instant.

    >>> instant("2031-05-02T10:00:01.5Z")
    Fraction(3871706403, 2)
    """
    found = _INSTANT.match(text.strip())
    if found is None:
        return _counted(text.strip())
    day, second, fraction, zone = found.groups()
    # With points the day stands first (DIN 1355-1); with slashes it may, so only the year in front tells.
    day = "-".join(reversed(day.split("."))) if "." in day else day.replace("/", "-")
    try:
        made = datetime.fromisoformat(f"{day}T{second}+00:00")
    except ValueError:
        return None
    whole = (made - _START) // timedelta(seconds=1)
    return whole + _part(fraction) - _offset(zone)


def _counted(text: str) -> Fraction | None:
    found = _COUNT.match(text)
    if found is None:
        return None
    units = next(units for digits, units in _DIGITS if len(found[1]) <= digits)
    return (int(found[1]) + _part(found[2])) / units


def _part(digits: str | None) -> Fraction:
    return Fraction(int(digits), 10 ** len(digits)) if digits else Fraction(0)


def _offset(zone: str | None) -> int:
    """How far a zone is ahead of UTC, in seconds."""
    if zone in (None, "Z"):
        return 0
    assert zone is not None
    seconds = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
    return -seconds if zone[0] == "-" else seconds


def of_day(text: str) -> Fraction | None:
    """Return the seconds since midnight that a text means, None where it is no time of day."""
    found = _OF_DAY.match(text.strip())
    if found is None or int(found[1]) > 23 or int(found[2]) > 59 or int(found[3]) > 60:
        return None
    return int(found[1]) * 3600 + int(found[2]) * 60 + int(found[3]) + _part(found[4])


def text_of(time_s: Fraction) -> str:
    """Return an instant as ISO 8601 text in UTC, to the millionth where it is not whole. Raises OverflowError beyond the year 9999."""
    made = _START + timedelta(microseconds=round(time_s * 10**6))
    return made.replace(tzinfo=None).isoformat() + "Z"


class Times:
    """The times of one kind of frame, in the order of the capture: `of` gives seconds, None where there is no telling.

    source: `received`, `clock`, or empty where the first good frame had neither. is_absolute: seconds count from 1970-01-01 UTC; else
    from midnight, or from where the clock reads zero.
    """

    def __init__(self, layout: Layout) -> None:
        self._clock = Continuity(layout)
        self._moment = _moment_field(layout)
        self._origin = Fraction(0)
        self._epoch = next((s.role.epoch for s in layout.slots if s.role is not None and s.role.epoch), None)
        self._last = Fraction(0)
        self.source: str | None = None
        self.is_absolute = False

    def of(self, event: Good) -> Fraction | None:
        """Return when a good frame came."""
        if self.source is None:
            self._decide(event)
        if self.source == "received":
            return self._received(event)
        if self._moment is not None:
            value = at(event.record, self._moment.path)
            value = value["value"] if isinstance(value, dict) else value
            return None if value is None else instant(str(value))
        self._clock.take(event.record, event.data, event.offset)
        elapsed = self._clock.elapsed_s
        return None if elapsed is None or self.source == "" else self._origin + elapsed

    def _decide(self, event: Good) -> None:
        said = event.received.time if event.received is not None else None
        self.is_absolute = said is not None and instant(said) is not None
        if said is not None and (self.is_absolute or of_day(said) is not None):
            self.source = "received"
            return
        counters = self._clock.counters
        self.source = "clock" if self._moment is not None or (counters.clock and counters.tick_s) else ""
        self.is_absolute = self._moment is not None or self._epoch is not None
        if counters.clock and counters.tick_s:
            started = instant(self._epoch) if self._epoch else None
            self._origin = (counters.clock(event.record) or 0) * counters.tick_s + (started or 0)

    def _received(self, event: Good) -> Fraction | None:
        said = event.received.time if event.received is not None else None
        if said is None:
            return None
        if self.is_absolute:
            return instant(said)
        second = of_day(said)
        if second is None:
            return None
        days, before = divmod(self._last, DAY)
        if before - second > DAY // 2:
            days += 1
        elif second - before > DAY // 2 and days:
            days -= 1  # a line that is late, of the day before
        self._last = days * DAY + second
        return self._last


def _moment_field(layout: Layout) -> Slot | None:
    """The field that says the moment itself: a clock of kind time."""
    for node in layout.nodes:
        for slot in node.slots if isinstance(node, Run) else ():
            if slot.kind == "time" and slot.role is not None and slot.role.name == "clock":
                return slot
    return None
