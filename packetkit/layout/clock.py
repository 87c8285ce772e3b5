"""Time codes: from a code to a moment in UTC, as ISO 8601 text, and back, exact.

A code counts from an epoch, in one part or in several of falling unit: weeks and seconds, days and milliseconds, seconds and a fraction. A
moment is a UTC day, counted from 1970-01-01, and the seconds into it, 86,400 and more inside a leap second. Elapsed seconds count leap
seconds where the code does (`counts_leaps`); then the table of leap seconds turns them into UTC. A count that began anew (`reference`) is
the one whose moment is the first not before the reference.

What would surprise a reader: text is rounded to the digits that tell every code from the next; 1958-01-01, the epoch of agencies that
count atomic seconds, is the one moment before 1972 that a count with leap seconds may start from.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass, replace
from datetime import date, datetime, timezone
from fractions import Fraction
from itertools import pairwise
from typing import NamedTuple

from packetkit.layout.leap_seconds import AHEAD, STARTS

DAY = 86_400
FIRST_DAY = date(1970, 1, 1).toordinal()
LAST_DAY = date.max.toordinal() - FIRST_DAY
ATOMIC_EPOCH = date(1958, 1, 1).toordinal() - FIRST_DAY  # atomic time and UTC agreed then, by definition
BAD_TIME, TOO_LATE, TOO_EARLY = "bad time", "beyond the year 9999", "before 1972"
FINEST = Fraction(1, 1 << 56)  # seven octets of fractions of a second, the finest of CCSDS 301.0-B
_MOST_DIGITS = 18

_TEXT = re.compile(r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:\.(\d{1,18}))?Z\Z", re.ASCII)


# When each row begins, in seconds of atomic time.
_ATOMIC_STARTS = tuple(day * DAY + ahead for day, ahead in zip(STARTS, AHEAD, strict=True))


class Moment(NamedTuple):
    """A moment in UTC: days since 1970-01-01 and seconds into the day, 86,400 and more in a leap second."""

    day: int
    second: Fraction


class NoTimeError(ValueError):
    """A text or an object that names no moment; says why."""


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a code: `width` bits, `shift` above the code's low end, that count units of so many seconds."""

    unit: Fraction
    width: int
    shift: int = 0


@dataclass(frozen=True, slots=True)
class Clock:
    """What a time code counts. parts: of falling unit. by_days: the first counts UTC days, the others into the day."""

    epoch: Moment
    parts: tuple[Part, ...]
    counts_leaps: bool
    by_days: bool
    reference: Moment | None
    digits: int

    @property
    def period(self) -> Fraction:
        """The seconds after which the count begins anew."""
        return self.parts[0].unit * (1 << self.parts[0].width)

    @property
    def step(self) -> Fraction:
        """The seconds from one code to the next."""
        return self.parts[-1].unit

    def in_wire_order(self, widths_from_low_end: bool) -> Clock:
        """The clock with its parts placed in the code: the first at its high end, or at its low end."""
        made, at = [], 0
        for part in self.parts if widths_from_low_end else reversed(self.parts):
            made.append(replace(part, shift=at))
            at += part.width
        return replace(self, parts=tuple(made if widths_from_low_end else reversed(made)))


def digits_of(step: Fraction) -> int:
    """Return the digits behind the point that show steps of so many seconds exactly, or tell each from the next.

    >>> [digits_of(Fraction(1, n)) for n in (1, 1000, 65536, 3, 4)]
    [0, 3, 5, 1, 2]
    """
    enough = next(more for more in range(_MOST_DIGITS) if step >= 1 or Fraction(1, 10**more) < step)
    exact = (more for more in range(max(enough, 3) + 1) if (step * 10**more).denominator == 1)
    return next(exact, enough)


# -- moments and seconds ----------------------------------------------------------------------------------------------


def _ahead(day: int) -> int:
    """By how many seconds atomic time is ahead of UTC on a day; none before 1972."""
    at = bisect_right(STARTS, day) - 1
    return AHEAD[at] if at >= 0 else 0


def has_leap_second(day: int) -> bool:
    """Return whether a UTC day ends with a leap second."""
    return day + 1 in STARTS[1:]


def elapsed(clock: Clock, moment: Moment) -> Fraction:
    """Return the seconds from a clock's epoch to a moment, as the clock counts them."""
    found = Fraction(moment.day - clock.epoch.day) * DAY + moment.second - clock.epoch.second
    return found + _ahead(moment.day) - _ahead(clock.epoch.day) if clock.counts_leaps else found


def moment_after(clock: Clock, seconds: Fraction) -> Moment:
    """Return the moment so many seconds after a clock's epoch, as the clock counts them."""
    total = clock.epoch.second + seconds + clock.epoch.day * DAY
    if clock.counts_leaps:
        total += _ahead(
            clock.epoch.day
        )  # now atomic: what it is at the start of each row's day, and the second before that
        at = bisect_right(_ATOMIC_STARTS, total) - 1
        total -= AHEAD[at] if at >= 0 else 0
        if 0 <= at < len(STARTS) - 1 and total >= STARTS[at + 1] * DAY:
            return Moment(STARTS[at + 1] - 1, total - (STARTS[at + 1] - 1) * DAY)
    day = int(total // DAY)
    return Moment(day, total - day * DAY)


# -- from a code ------------------------------------------------------------------------------------------------------


def text_of(clock: Clock, raw: int) -> tuple[str | None, str]:
    """Return the moment that a code means, as text, or None and why there is none."""
    values = [raw >> part.shift & ((1 << part.width) - 1) for part in clock.parts]
    for (before, _), (part, value) in pairwise(zip(clock.parts, values, strict=True)):
        if value * part.unit >= before.unit and not (clock.by_days and before is clock.parts[0]):
            return None, BAD_TIME
    seconds = sum((part.unit * value for part, value in zip(clock.parts, values, strict=True)), Fraction(0))
    if not clock.by_days:
        return _text_after(clock, seconds + _rolled(clock, seconds))
    day, inside = values[0], seconds - values[0] * clock.parts[0].unit
    day += clock.epoch.day + int(_rolled(clock, Fraction(day) * DAY) / DAY)
    if inside >= DAY + has_leap_second(day):
        return None, BAD_TIME
    return shown(Moment(day, inside), clock.digits)


def _rolled(clock: Clock, seconds: Fraction) -> Fraction:
    """What is to be added to a count, so that its moment is the first not before the reference."""
    if clock.reference is None:
        return Fraction(0)
    behind = elapsed(clock, clock.reference) - seconds
    return -(-behind // clock.period) * clock.period


def _text_after(clock: Clock, seconds: Fraction) -> tuple[str | None, str]:
    rounded = Fraction((seconds * 10**clock.digits + Fraction(1, 2)) // 1, 10**clock.digits)
    moment = moment_after(clock, rounded)
    if clock.counts_leaps and clock.epoch.day < STARTS[0] and moment.day < STARTS[0] and seconds:
        return None, TOO_EARLY
    return shown(moment, clock.digits)


def shown(moment: Moment, digits: int) -> tuple[str | None, str]:
    """Return a moment as text with so many digits behind the point, or None and why there is none."""
    scale = 10**digits
    count = (moment.second * scale + Fraction(1, 2)) // 1
    day = moment.day
    if count >= (DAY + has_leap_second(day)) * scale:
        day, count = day + 1, 0
    if not 1 - FIRST_DAY <= day <= LAST_DAY:
        return None, TOO_LATE
    whole, part = divmod(count, scale)
    minutes, seconds = divmod(min(whole, DAY - 1), 60)
    seconds += max(whole - (DAY - 1), 0)
    fraction = f".{part:0{digits}}" if digits else ""
    when = f"{minutes // 60:02}:{minutes % 60:02}:{seconds:02}{fraction}"
    return f"{date.fromordinal(day + FIRST_DAY).isoformat()}T{when}Z", ""


# -- to a code --------------------------------------------------------------------------------------------------------


def moment_of(value: object) -> Moment:
    """Return the moment that a text or a datetime means. Raises NoTimeError, which says why it means none."""
    if isinstance(value, datetime):
        if value.utcoffset() is None:
            raise NoTimeError(
                "a datetime without a zone is no moment. Give one with tzinfo, such as timezone.utc"
            )
        try:
            utc = value.astimezone(timezone.utc)
        except OverflowError:
            raise NoTimeError("in UTC it is beyond the years 1 to 9999") from None
        inside = Fraction(utc.microsecond, 1_000_000) + utc.hour * 3600 + utc.minute * 60 + utc.second
        return Moment(utc.date().toordinal() - FIRST_DAY, inside)
    match = _TEXT.match(value) if isinstance(value, str) else None
    if match is None:
        raise NoTimeError("it is not a time in UTC. Write it as 2030-01-31T00:00:00Z")
    year, month, day, hour, minute, second = (int(part) for part in match.groups()[:6])
    try:
        count = date(year, month, day).toordinal() - FIRST_DAY
    except ValueError:
        raise NoTimeError("there is no such day") from None
    is_leap = hour == 23 and minute == 59 and second == 60 and has_leap_second(count)
    if hour > 23 or minute > 59 or (second > 59 and not is_leap):
        raise NoTimeError(
            "there is no such time of day" if second != 60 else "that minute has no leap second"
        )
    part = match.group(7) or ""
    return Moment(count, hour * 3600 + minute * 60 + second + Fraction(int(part or 0), 10 ** len(part)))


def raw_of(clock: Clock, moment: Moment) -> int | None:
    """Return the code whose moment is nearest, the later one half way; None where no code is."""
    if not clock.by_days:
        if moment.second >= DAY and not clock.counts_leaps:
            return None
        if clock.counts_leaps and moment.day < STARTS[0] and moment != clock.epoch:
            return None
        steps = (elapsed(clock, moment) / clock.step + Fraction(1, 2)) // 1
        return _joined(clock, steps, clock.parts)
    day, inside = moment.day, Fraction(0)
    last = clock.parts[-1]
    if len(clock.parts) == 1:
        day = (day * DAY + moment.second + Fraction(DAY, 2)) // DAY
    else:
        inside = (moment.second / last.unit + Fraction(1, 2)) // 1 * last.unit
        end = DAY + has_leap_second(day)
        held = min(Fraction(end), clock.parts[1].unit * (1 << clock.parts[1].width))
        if inside >= held:
            # Fractions of a day that use all of their bits have no code for its leap second.
            inside = held - last.unit
            if held == end or moment.second - inside >= end - moment.second:
                day, inside = day + 1, Fraction(0)
    first = _joined(clock, day - clock.epoch.day, clock.parts[:1])
    if first is None:
        return None
    rest = 0
    for part in clock.parts[1:]:
        count = inside // part.unit
        inside -= count * part.unit
        rest |= count << part.shift
    return first | rest


def _joined(clock: Clock, steps: int, parts: tuple[Part, ...]) -> int | None:
    """A count of the last part's steps as the code of all parts; None where it is out of what they hold."""
    period = int(clock.period / parts[-1].unit)
    if clock.reference is not None:
        start = -(-elapsed(clock, clock.reference) // parts[-1].unit)
        if not start <= steps < start + period:
            return None
        steps %= period
    if not 0 <= steps < period:
        return None
    raw = 0
    left = steps * parts[-1].unit
    for part in parts:
        count = left // part.unit
        left -= count * part.unit
        raw |= count << part.shift
    return raw


def ends(clock: Clock) -> tuple[str, str]:
    """Return the first and the last moment that have a code."""
    top = [(1 << part.width) - 1 for part in clock.parts]
    for at in range(1, len(top)):
        most = int(clock.parts[at - 1].unit / clock.parts[at].unit) - 1
        top[at] = min(top[at], most)
    first, last = (0,) * len(top), tuple(top)
    if clock.reference is not None:
        start = raw_of(clock, clock.reference)
        begin = text_of(clock, start)[0] if start is not None else None
        return begin or "", f"{float(clock.period) / DAY:.6g} days on"
    texts = []
    for values in (first, last):
        raw = sum(value << part.shift for value, part in zip(values, clock.parts, strict=True))
        text, reason = text_of(clock, raw)
        texts.append(text or reason)
    return texts[0], texts[1]
