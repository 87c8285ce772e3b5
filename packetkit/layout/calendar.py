"""Times as the calendar has them: years, months and days, hours and their parts, each count a number of its own.

The counts stand in any order and may be in BCD; a number is its offset + scale times what its bits spell, as years from 1980 or seconds in
twos. The day is that of the Gregorian calendar (ISO 8601): by year, month and day, by year and day of the year, or counted from an epoch.
What is no day, or no time of day, has no value; 23:59:60 is one where the UTC day has a leap second. Any moment is rounded to the
finest count, the later one half way.

Sources: CCSDS 301.0-B section 3.4 (calendar segmented, in BCD); ITU-R M.1371 message 4; IEC 60870-5-4 (seven-octet binary time).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from typing import NamedTuple

from packetkit.layout.clock import (
    BAD_TIME,
    DAY,
    FIRST_DAY,
    LAST_DAY,
    TOO_LATE,
    Moment,
    has_leap_second,
    shown,
)
from packetkit.layout.coding import BAD_DIGIT, CODINGS

NO_DAY = "no such day"
_MINUTE = 60


@dataclass(frozen=True, slots=True)
class Count:
    """One count of a code: `width` bits, `shift` above the code's low end; its number is offset + scale * what they spell.

    seconds: of its unit where that is a part of a day, else 0. coding: how the bits spell a whole number, a row of CODINGS; empty: binary.
    """

    name: str
    width: int
    seconds: Fraction = Fraction(0)
    coding: str = ""
    scale: int = 1
    offset: int = 0
    shift: int = 0

    def number_in(self, raw: int) -> int | None:
        """The number in a raw code; None where its bits spell none."""
        bits = raw >> self.shift & ((1 << self.width) - 1)
        spelled = CODINGS[self.coding].number_of(self.width, bits) if self.coding else bits
        return None if spelled is None else self.offset + self.scale * spelled

    def bits_of(self, number: int) -> int | None:
        """The bits of a number, in their place; None where it has none."""
        spelled, over = divmod(number - self.offset, self.scale)
        if over or not self.spelled[0] <= spelled <= self.spelled[1]:
            return None
        bits = CODINGS[self.coding].code_of(self.width, spelled) if self.coding else spelled
        return bits << self.shift

    @property
    def spelled(self) -> tuple[int, int]:
        """The least and the greatest number that its bits spell."""
        return CODINGS[self.coding].limits(self.width) if self.coding else (0, (1 << self.width) - 1)

    @property
    def limits(self) -> tuple[int, int]:
        """The least and the greatest number that it can be."""
        low, high = self.spelled
        return self.offset + self.scale * low, self.offset + self.scale * high


class _Day(NamedTuple):
    """A UTC day counted from 1970-01-01, or why there is none."""

    number: int
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Calendar:
    """What a time code says in several counts, as they lie in the frame. epoch_day: the day from which days count where no year does."""

    counts: tuple[Count, ...]
    epoch_day: int
    digits: int

    def count(self, name: str) -> Count | None:
        """The count of that name."""
        return next((one for one in self.counts if one.name == name), None)

    @property
    def parts(self) -> tuple[Count, ...]:
        """The counts of parts of a day, of falling unit."""
        return tuple(sorted((one for one in self.counts if one.seconds), key=lambda one: -one.seconds))

    @property
    def step(self) -> Fraction:
        """The seconds from one code to the next."""
        return self.parts[-1].seconds * self.parts[-1].scale if self.parts else Fraction(DAY)

    def in_wire_order(self, widths_from_low_end: bool) -> Calendar:
        """The calendar with its counts placed in the code: the first at its high end, or at its low end."""
        placed, at = {}, 0
        for one in self.counts if widths_from_low_end else reversed(self.counts):
            placed[one.name] = replace(one, shift=at)
            at += one.width
        return replace(self, counts=tuple(placed[one.name] for one in self.counts))


# -- from a code ------------------------------------------------------------------------------------------------------


def text_of(calendar: Calendar, raw: int) -> tuple[str | None, str]:
    """Return the moment that a code means, as text, or None and why there is none."""
    numbers: dict[str, int] = {}
    for one in calendar.counts:
        number = one.number_in(raw)
        if number is None:
            return None, BAD_DIGIT
        numbers[one.name] = number
    day = _day_of(calendar, numbers)
    if day.reason:
        return None, day.reason
    inside, before = Fraction(0), Fraction(DAY)
    for one in calendar.parts:
        amount = one.seconds * numbers[one.name]
        # The second that a day may have more is one of its last minute, in the first count that is finer than minutes.
        has_more = one.seconds < _MINUTE <= before and inside + before == DAY and has_leap_second(day.number)
        if not 0 <= amount < before + has_more:
            return None, BAD_TIME
        inside, before = inside + amount, one.seconds
    return shown(Moment(day.number, inside), calendar.digits)


def _day_of(calendar: Calendar, numbers: dict[str, int]) -> _Day:
    year, days = numbers.get("years"), numbers["days"]
    if year is None:
        day = calendar.epoch_day + days
        return _Day(day) if 1 - FIRST_DAY <= day <= LAST_DAY else _Day(0, TOO_LATE if days > 0 else NO_DAY)
    if year > date.max.year:
        return _Day(0, TOO_LATE)
    try:
        first = date(year, numbers.get("months", 1), days if "months" in numbers else 1)
    except ValueError:
        return _Day(0, NO_DAY)
    if "months" not in numbers and not 1 <= days <= _days_in(year):
        return _Day(0, NO_DAY)
    return _Day(first.toordinal() - FIRST_DAY + (0 if "months" in numbers else days - 1))


def _days_in(year: int) -> int:
    return date(year, 12, 31).timetuple().tm_yday


# -- to a code --------------------------------------------------------------------------------------------------------


def raw_of(calendar: Calendar, moment: Moment) -> int | None:
    """Return the code whose moment is nearest, the later one half way; None where no code is."""
    day, inside = moment.day, Fraction(0)
    if not calendar.parts:
        day = (day * DAY + moment.second + Fraction(DAY, 2)) // DAY
    else:
        inside = (moment.second / calendar.step + Fraction(1, 2)) // 1 * calendar.step
        if inside >= DAY + has_leap_second(day):
            day, inside = day + 1, Fraction(0)
    numbers = _numbers_of_day(calendar, day)
    if numbers is None:
        return None
    before = Fraction(DAY)
    for one in calendar.parts:
        number = inside // one.seconds
        if one.seconds >= _MINUTE:  # a leap second stays in the day's last hour and minute
            number = min(number, before // one.seconds - 1)
        numbers[one.name], inside, before = number, inside - number * one.seconds, one.seconds
    raw = 0
    for one in calendar.counts:
        bits = one.bits_of(numbers[one.name])
        if bits is None:
            return None
        raw |= bits
    return raw


def _numbers_of_day(calendar: Calendar, day: int) -> dict[str, int] | None:
    if not 1 - FIRST_DAY <= day <= LAST_DAY:
        return None
    if calendar.count("years") is None:
        return {"days": day - calendar.epoch_day}
    when = date.fromordinal(day + FIRST_DAY)
    if calendar.count("months") is None:
        return {"years": when.year, "days": when.timetuple().tm_yday}
    return {"years": when.year, "months": when.month, "days": when.day}


def ends(calendar: Calendar) -> tuple[str, str]:
    """Return the first and the last moment that have a code."""
    low, high = (calendar.count("years") or calendar.count("days") or calendar.counts[0]).limits
    if calendar.count("years") is None:
        first, last = calendar.epoch_day + low, min(calendar.epoch_day + high, LAST_DAY)
    else:
        first = date(max(low, 1), 1, 1).toordinal() - FIRST_DAY
        last = date(min(high, date.max.year), 12, 31).toordinal() - FIRST_DAY
    inside = DAY - calendar.step
    texts = [
        shown(Moment(day, second), calendar.digits)[0]
        for day, second in ((first, Fraction(0)), (last, inside))
    ]
    return texts[0] or "", texts[1] or ""
