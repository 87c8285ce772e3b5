"""Time codes: from a code to a moment in UTC as text, and back, exact."""

from __future__ import annotations

import re
from bisect import bisect_right
from datetime import date, datetime, timezone
from fractions import Fraction
from typing import Any, Tuple

from packetkit.targets.python_reader.bits import Row
from packetkit.targets.python_reader.texts import _Unfit

# -- times: a moment is a UTC day counted from 1970-01-01, and the seconds into it -------------------

Moment = Tuple[int, Fraction]

_DAY = 86400
_FIRST_DAY = date(1970, 1, 1).toordinal()
_TIME = re.compile(r"(\d{4})-(\d\d)-(\d\d)T(\d\d):(\d\d):(\d\d)(?:\.(\d{1,18}))?Z\Z", re.ASCII)


def _moment(row: list[int]) -> Moment:
    return row[0], Fraction(row[1], row[2])


def _units(clock: Row) -> list[Fraction]:
    """The seconds that each part of a code counts."""
    return [Fraction(above, below) for above, below, _, _ in clock["parts"]]


def _period(clock: Row) -> Fraction:
    return _units(clock)[0] * (1 << int(clock["parts"][0][2]))


def _ahead(clock: Row, day: int) -> int:
    """By how many seconds atomic time is ahead of UTC on a day; none before 1972."""
    at = bisect_right(clock["leaps"], day) - 1
    return int(clock["ahead"] + at) if at >= 0 else 0


def _day_seconds(clock: Row, day: int) -> int:
    return _DAY + (day + 1 in clock["leaps"][1:])


def _elapsed(clock: Row, moment: Moment) -> Fraction:
    """The seconds from the epoch to a moment, as the clock counts them."""
    day, second = _moment(clock["epoch"])
    found = Fraction(moment[0] - day) * _DAY + moment[1] - second
    return found + _ahead(clock, moment[0]) - _ahead(clock, day) if clock.get("counts_leaps") else found


def _moment_after(clock: Row, seconds: Fraction) -> Moment:
    """The moment so many seconds after the epoch, as the clock counts them."""
    day, second = _moment(clock["epoch"])
    total, leaps = second + seconds + day * _DAY, clock["leaps"]
    if clock.get("counts_leaps"):
        total += _ahead(clock, day)
        starts = [one * _DAY + clock["ahead"] + at for at, one in enumerate(leaps)]
        at = bisect_right(starts, total) - 1
        total -= clock["ahead"] + at if at >= 0 else 0
        if 0 <= at < len(leaps) - 1 and total >= leaps[at + 1] * _DAY:
            return leaps[at + 1] - 1, total - (leaps[at + 1] - 1) * _DAY
    found = int(total // _DAY)
    return found, total - found * _DAY


def _time_text(clock: Row, raw: int) -> tuple[str | None, str]:
    """The moment that a code means, as text, or None and why there is none."""
    units = _units(clock)
    values = [raw >> shift & ((1 << width) - 1) for _, _, width, shift in clock["parts"]]
    for at in range(1, len(units)):
        if values[at] * units[at] >= units[at - 1] and not (clock.get("by_days") and at == 1):
            return None, "bad time"
    seconds = sum((unit * value for unit, value in zip(units, values)), Fraction(0))
    if not clock.get("by_days"):
        return _text_after(clock, seconds + _rolled(clock, seconds))
    day, inside = values[0], seconds - values[0] * units[0]
    day += clock["epoch"][0] + int(_rolled(clock, Fraction(day) * _DAY) / _DAY)
    return (None, "bad time") if inside >= _day_seconds(clock, day) else _time_shown(clock, (day, inside))


def _rolled(clock: Row, seconds: Fraction) -> Fraction:
    """What is added to a count that began anew, so that its moment is the first not before the reference."""
    if "reference" not in clock:
        return Fraction(0)
    behind = _elapsed(clock, _moment(clock["reference"])) - seconds
    return -(-behind // _period(clock)) * _period(clock)


def _text_after(clock: Row, seconds: Fraction) -> tuple[str | None, str]:
    scale = 10 ** clock["digits"]
    moment, first = (
        _moment_after(clock, Fraction((seconds * scale + Fraction(1, 2)) // 1, scale)),
        clock["leaps"][0],
    )
    if clock.get("counts_leaps") and clock["epoch"][0] < first and moment[0] < first and seconds:
        return None, "before 1972"
    return _time_shown(clock, moment)


def _time_shown(clock: Row, moment: Moment) -> tuple[str | None, str]:
    scale, day = 10 ** clock["digits"], moment[0]
    count = int((moment[1] * scale + Fraction(1, 2)) // 1)
    if count >= _day_seconds(clock, day) * scale:
        day, count = day + 1, 0
    if not 1 - _FIRST_DAY <= day <= date.max.toordinal() - _FIRST_DAY:
        return None, "beyond the year 9999"
    whole, part = divmod(count, scale)
    minutes, seconds = divmod(min(whole, _DAY - 1), 60)
    seconds += max(whole - (_DAY - 1), 0)
    fraction = f".{part:0{clock['digits']}}" if clock["digits"] else ""
    when = f"{minutes // 60:02}:{minutes % 60:02}:{seconds:02}{fraction}"
    return f"{date.fromordinal(day + _FIRST_DAY).isoformat()}T{when}Z", ""


def _moment_given(clock: Row, value: Any) -> Moment:
    """The moment that a text or a datetime means. Raises _Unfit."""
    if isinstance(value, datetime):
        return _moment_of_datetime(value)
    match = _TIME.match(value) if isinstance(value, str) else None
    if match is None:
        raise _Unfit("not-a-time", "it is not a time in UTC. Write it as 2030-01-31T00:00:00Z")
    year, month, day, hour, minute, second = [int(part) for part in match.groups()[:6]]
    try:
        count = date(year, month, day).toordinal() - _FIRST_DAY
    except ValueError:
        raise _Unfit("not-a-time", "there is no such day") from None
    is_leap = (hour, minute, second) == (23, 59, 60) and _day_seconds(clock, count) > _DAY
    if hour > 23 or minute > 59 or (second > 59 and not is_leap):
        raise _Unfit("not-a-time", "there is no such time of day")
    part = match.group(7) or ""
    return count, hour * 3600 + minute * 60 + second + Fraction(int(part or 0), 10 ** len(part))


def _moment_of_datetime(value: datetime) -> Moment:
    if value.utcoffset() is None:
        raise _Unfit("not-a-time", "a datetime without a zone is no moment. Give one with tzinfo")
    try:
        utc = value.astimezone(timezone.utc)
    except OverflowError:
        raise _Unfit("not-a-time", "in UTC it is beyond the years 1 to 9999") from None
    inside = Fraction(utc.microsecond, 1000000) + utc.hour * 3600 + utc.minute * 60 + utc.second
    return utc.date().toordinal() - _FIRST_DAY, inside


def _time_code(clock: Row, moment: Moment) -> int | None:
    """The code whose moment is nearest, the later one half way; None where no code is."""
    units, first = _units(clock), clock["leaps"][0]
    if not clock.get("by_days"):
        leaps = clock.get("counts_leaps")
        if not leaps and moment[1] >= _DAY:
            return None
        if leaps and moment[0] < first and moment != _moment(clock["epoch"]):
            return None
        steps = int((_elapsed(clock, moment) / units[-1] + Fraction(1, 2)) // 1)
        return _steps_code(clock, steps, len(units))
    day, inside = moment[0], Fraction(0)
    if len(units) == 1:
        day = int((day * _DAY + moment[1] + Fraction(_DAY, 2)) // _DAY)
    else:
        inside = (moment[1] / units[-1] + Fraction(1, 2)) // 1 * units[-1]
        end = _day_seconds(clock, day)
        held = min(Fraction(end), units[1] * (1 << clock["parts"][1][2]))
        if inside >= held:
            # Fractions of a day that use all of their bits have no code for its leap second.
            inside = held - units[-1]
            if held == end or moment[1] - inside >= end - moment[1]:
                day, inside = day + 1, Fraction(0)
    raw = _steps_code(clock, day - clock["epoch"][0], 1)
    for unit, (_, _, _, shift) in list(zip(units, clock["parts"]))[1:] if raw is not None else ():
        count = int(inside // unit)
        inside -= count * unit
        raw = (raw or 0) | count << shift
    return raw


def _steps_code(clock: Row, steps: int, parts: int) -> int | None:
    """A count of steps of the last of so many parts as their code; None where it is out of what they hold."""
    units = _units(clock)[:parts]
    period, raw = int(_period(clock) / units[-1]), 0
    if "reference" in clock:
        start = -(-_elapsed(clock, _moment(clock["reference"])) // units[-1])
        if not start <= steps < start + period:
            return None
        steps %= period
    if not 0 <= steps < period:
        return None
    left = steps * units[-1]
    for unit, (_, _, _, shift) in zip(units, clock["parts"]):
        count = int(left // unit)
        left -= count * unit
        raw |= count << shift
    return raw
