"""What a time of the calendar declares, judged: that its counts say a day and a time of day, each in bits that hold it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from fractions import Fraction

from packetkit.layout.calendar import Calendar, Count
from packetkit.layout.clock import DAY, FINEST, digits_of, moment_of
from packetkit.layout.coding import CODINGS
from packetkit.layout.noting import Note, at
from packetkit.schema.field_keys import CALENDAR_UNITS, TIME_UNITS
from packetkit.schema.model import Field
from packetkit.schema.words import format_number

_Unfit = Callable[[str, str, str], None]  # key, summary, remedy

# Keys of a time that a calendar has no place for, with why.
_STRANGE = {
    "tick_s": "its counts say the time already",
    "leap_seconds": "UTC days are said, each as long as it is",
    "reference_date": "its years do not begin anew",
}
_MOST = {"months": 12, "days": 31}  # with years; 366 days where no month is counted


def is_dated(one: Field) -> bool:
    """Whether a time is said in the calendar's terms, not counted by a clock."""
    return one.coding is not None or any(
        count.unit in CALENDAR_UNITS or count.is_spelled for count in one.counts
    )


def calendar_of(one: Field, note: Note) -> Calendar | None:
    """The calendar of a time field, its counts not placed yet; None where something was noted."""

    def unfit(key: str, text: str, remedy: str) -> None:
        note(at(one, key), "time-unfit", text, remedy)

    names = {count.unit for count in one.counts}
    if not _is_whole(one, names, unfit):
        return None
    counts = tuple(
        _count(one, count.unit, count.bits, count.coding, count.scale, count.offset) for count in one.counts
    )
    calendar = Calendar(counts, 0, 0)
    epoch = None if one.epoch is None else moment_of(one.epoch)
    if epoch is not None and epoch.second:
        unfit(
            "epoch",
            "UTC days are counted, and its epoch is not at their start",
            "Write an epoch at 00:00:00.",
        )
        return None
    if not (_parts_fit(calendar, unfit) and _days_fit(calendar, unfit)):
        return None
    return Calendar(counts, 0 if epoch is None else epoch.day, digits_of(calendar.step))


def _spelled(one: Field) -> list[str]:
    """The keys by which a count is a number of the calendar, where its bits alone would be one of a clock."""
    said = {
        "coding": one.coding or any(count.coding for count in one.counts),
        "scale": any(count.scale != 1 for count in one.counts),
        "offset": any(count.offset for count in one.counts),
    }
    return [key for key, is_said in said.items() if is_said]


def _no_calendar(one: Field) -> tuple[str, str, str]:
    """What is wrong with a time without days whose counts are spelled as a calendar's: the key, the text and the remedy."""
    spelled = " and ".join(_spelled(one))
    if any(count.unit == "weeks" for count in one.counts):
        remedy = f"Write {{years: 12, months: 4, days: 5}}, or leave {spelled} out."
        return "counts", "a calendar has no count of weeks", remedy
    remedy, only = f"Leave {spelled} out", one.counts[0] if len(one.counts) == 1 else None
    if only is not None and spelled == "scale" and TIME_UNITS.get(only.unit):
        step = format_number(Fraction(TIME_UNITS[only.unit] or 1) * only.scale)
        remedy += f", or write bits: {only.bits} and tick_s: {step} instead of counts"
    text = f"{spelled} goes with a time of the calendar, and without days its counts are those of a clock"
    return "coding" if one.coding else "counts", text, f"{remedy}."


def _is_whole(one: Field, names: set[str], unfit: _Unfit) -> bool:
    """Whether the counts say a day, and nothing beside them says it too."""
    strange = next((key for key in _STRANGE if getattr(one, key) is not None), None)
    total = sum(count.bits for count in one.counts)
    if "weeks" in names or not names & {"days", *CALENDAR_UNITS}:
        unfit(*_no_calendar(one))
    elif strange is not None:
        unfit(
            strange,
            f"{strange} and a time of the calendar do not go together: {_STRANGE[strange]}",
            f"Leave {strange} out.",
        )
    elif one.coding not in (None, "binary_coded_decimal") or any(
        count.coding not in ("", "binary_coded_decimal") for count in one.counts
    ):
        unfit(
            "coding",
            "the counts of a time are plain binary, or in BCD",
            "Use binary_coded_decimal, or leave coding out.",
        )
    elif "days" not in names or ("months" in names and "years" not in names):
        unfit(
            "counts",
            "nothing says the day",
            "Write {years: 12, months: 4, days: 5}, {years: 12, days: 9}, or days from an epoch.",
        )
    elif "years" in names and one.epoch is not None:
        unfit(
            "epoch",
            "its years say the day, so nothing counts from an epoch",
            "Leave epoch out. Years from 1980 are {bits: 7, offset: 1980}.",
        )
    elif "years" not in names and one.epoch is None:
        unfit("counts", "nothing says from which day days are counted", "Add epoch: 2030-01-31T00:00:00Z.")
    elif one.bits != total:
        unfit("bits", f"its counts have {total} bits, not {one.bits}", "Leave bits out.")
    else:
        return True
    return False


def _count(one: Field, unit: str, bits: int, coding: str, scale: int, offset: int) -> Count:
    coding = coding or one.coding or ""
    seconds = Fraction(0)
    if unit == "fraction":
        base = one.fraction_base or (CODINGS[coding].limits(bits)[1] + 1 if coding else 1 << bits)
        whole = [TIME_UNITS[count.unit] for count in one.counts if count.unit in TIME_UNITS]
        seconds = min((unit for unit in whole if unit), default=Fraction(DAY)) / base
    elif unit not in (*CALENDAR_UNITS, "days"):
        seconds = TIME_UNITS[unit] or Fraction(0)
    return Count(unit, bits, seconds, coding, scale, offset)


def _parts_fit(calendar: Calendar, unfit: _Unfit) -> bool:
    """Whether each part of a day divides the one before it, and its bits hold as many as that has."""
    if calendar.step < FINEST:
        unfit(
            "counts", "its steps are finer than seven octets of fractions of a second", "Use a coarser step."
        )
        return False
    before = Fraction(DAY)
    for number, part in enumerate(calendar.parts, start=1):
        ratio = before / part.seconds
        if ratio <= 1 or ratio.denominator != 1 or ratio % part.scale:
            unfit(
                "counts",
                f"{part.name} do not divide the unit before them",
                "Leave out no unit that the next needs.",
            )
            return False
        if part.scale != 1 and (number < len(calendar.parts) or part.offset):
            unfit(
                "counts",
                f"{part.name} are not the finest count, or have an offset, so scale is no step of theirs",
                "Leave scale out.",
            )
            return False
        if not _holds(part, 0, int(ratio) - part.scale, unfit):
            return False
        before = part.seconds
    return True


def _days_fit(calendar: Calendar, unfit: _Unfit) -> bool:
    """Whether months and days have bits that hold them, and years are some of the calendar's."""
    years, months, days = (calendar.count(name) for name in ("years", "months", "days"))
    assert days is not None
    if any(one is not None and one.scale != 1 for one in (years, months, days)):
        unfit("counts", "years, months and days are counted one by one", "Leave scale out.")
        return False
    if years is None:
        return True
    if years.limits[0] > date.max.year or years.limits[1] < 1:
        unfit(
            "counts",
            f"its years are {years.limits[0]} to {years.limits[1]}, and the calendar's 1 to 9999",
            "Change offset.",
        )
        return False
    if months is None:
        return _holds(days, 1, 366, unfit)
    return _holds(months, 1, 12, unfit) and _holds(days, 1, 31, unfit)


def _holds(one: Count, low: int, high: int, unfit: _Unfit) -> bool:
    least, most = one.limits
    if least <= low and high <= most:
        return True
    text = f"{one.width} bits of {one.name} hold {least} to {most}, and {low} to {format_number(Fraction(high))} are needed"
    unfit("counts", text, "Use more bits, or another offset.")
    return False
