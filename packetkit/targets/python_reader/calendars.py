"""Times as the calendar has them: years, months and days, hours and their parts, each count a number of its own."""

from __future__ import annotations

from datetime import date
from fractions import Fraction

from packetkit.targets.python_reader.bits import Row
from packetkit.targets.python_reader.continued import _number_in, _spelling
from packetkit.targets.python_reader.times import (
    _DAY,
    _FIRST_DAY,
    Moment,
    _day_seconds,
    _time_code,
    _time_shown,
    _time_text,
)

# -- times of the calendar -------------------------------------------------------------------------

_MINUTE = 60
_LAST_DAY = date.max.toordinal() - _FIRST_DAY


def _is_time(slot: Row) -> bool:
    return "clock" in slot or "calendar" in slot


def _text_of_moment(slot: Row, raw: int) -> tuple[str | None, str]:
    """The moment that a time's code means, as text, or None and why there is none."""
    return _date_text(slot["calendar"], raw) if "calendar" in slot else _time_text(slot["clock"], raw)


def _code_of_moment(slot: Row, moment: Moment) -> int | None:
    """The code whose moment is nearest; None where no code is."""
    return _date_code(slot["calendar"], moment) if "calendar" in slot else _time_code(slot["clock"], moment)


def _parts(calendar: Row) -> list[tuple[Fraction, Row]]:
    """The counts of parts of a day, of falling unit."""
    found = [(Fraction(*one["unit"]), one) for one in calendar["counts"] if "unit" in one]
    return sorted(found, key=lambda one: -one[0])


def _date_text(calendar: Row, raw: int) -> tuple[str | None, str]:
    numbers: dict[str, int] = {}
    for one in calendar["counts"]:
        spelled = _number_in(one, raw >> one["shift"] & ((1 << one["bits"]) - 1))
        if spelled is None:
            return None, "bad digit"
        numbers[one["name"]] = one["offset"] + one["scale"] * spelled
    day, reason = _day_of(calendar, numbers)
    if reason:
        return None, reason
    inside, before = Fraction(0), Fraction(_DAY)
    for unit, one in _parts(calendar):
        amount = unit * numbers[one["name"]]
        # The second that a day may have more is one of its last minute, in the first count that is finer than minutes.
        is_last = unit < _MINUTE <= before and inside + before == _DAY
        if not 0 <= amount < before + (_day_seconds(calendar, day) - _DAY if is_last else 0):
            return None, "bad time"
        inside, before = inside + amount, unit
    return _time_shown(calendar, (day, inside))


def _day_of(calendar: Row, numbers: dict[str, int]) -> tuple[int, str]:
    """The day that counts mean, counted from 1970-01-01, or why there is none."""
    year, days = numbers.get("years"), numbers["days"]
    if year is None:
        day = calendar["epoch"] + days
        is_one = 1 - _FIRST_DAY <= day <= _LAST_DAY
        return day, "" if is_one else "beyond the year 9999" if days > 0 else "no such day"
    if year > date.max.year:
        return 0, "beyond the year 9999"
    is_of_year = "months" not in numbers
    try:
        first = date(year, numbers.get("months", 1), 1 if is_of_year else days)
    except ValueError:
        return 0, "no such day"
    if is_of_year and not 1 <= days <= date(year, 12, 31).timetuple().tm_yday:
        return 0, "no such day"
    return first.toordinal() - _FIRST_DAY + (days - 1 if is_of_year else 0), ""


def _date_code(calendar: Row, moment: Moment) -> int | None:
    (day, second), parts, inside = moment, _parts(calendar), Fraction(0)
    if not parts:
        day = int((day * _DAY + second + Fraction(_DAY, 2)) // _DAY)
    else:
        step = parts[-1][0] * parts[-1][1]["scale"]
        inside = (second / step + Fraction(1, 2)) // 1 * step
        if inside >= _day_seconds(calendar, day):
            day, inside = day + 1, Fraction(0)
    numbers = _numbers_of_day(calendar, day)
    if numbers is None:
        return None
    before = Fraction(_DAY)
    for unit, one in parts:
        number = int(inside // unit)
        if unit >= _MINUTE:  # a leap second stays in the day's last hour and minute
            number = min(number, int(before // unit) - 1)
        numbers[one["name"]], inside, before = number, inside - number * unit, unit
    raw = 0
    for one in calendar["counts"]:
        spelled, over = divmod(numbers[one["name"]] - one["offset"], one["scale"])
        low, high = _spelled_limits(one)
        if over or not low <= spelled <= high:
            return None
        raw |= _spelling(one, spelled) << one["shift"]
    return raw


def _spelled_limits(count: Row) -> tuple[int, int]:
    """The least and the greatest number that a count's bits spell."""
    bits, coding = count["bits"], count.get("coding")
    if coding == "binary_coded_decimal":
        digits, more = divmod(bits, 4)
        return 0, (min((1 << more) - 1, 9) + 1) * 10**digits - 1
    most = (1 << (bits - 1)) - 1
    return (-most, most) if coding == "sign_and_magnitude" else (0, (1 << bits) - 1)


def _numbers_of_day(calendar: Row, day: int) -> dict[str, int] | None:
    if not 1 - _FIRST_DAY <= day <= _LAST_DAY:
        return None
    names = [one["name"] for one in calendar["counts"]]
    if "years" not in names:
        return {"days": day - calendar["epoch"]}
    when = date.fromordinal(day + _FIRST_DAY)
    if "months" not in names:
        return {"years": when.year, "days": when.timetuple().tm_yday}
    return {"years": when.year, "months": when.month, "days": when.day}
