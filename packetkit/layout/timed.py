"""What a field of kind time declares, judged: its parts, its epoch and what becomes of leap seconds."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from itertools import pairwise

from packetkit.layout.clock import ATOMIC_EPOCH, DAY, FINEST, Clock, Moment, Part, digits_of, moment_of
from packetkit.layout.leap_seconds import STARTS
from packetkit.layout.noting import Note
from packetkit.schema.field_keys import TIME_UNITS
from packetkit.schema.model import Field
from packetkit.schema.words import format_number


def clock_of(one: Field, note: Note) -> Clock | None:
    """The clock of a time field, its parts not placed yet; None where something was noted."""

    def unfit(key: str, text: str, remedy: str) -> None:
        note(one.places.get(key, one.place), "time-unfit", text, remedy)

    if one.epoch is None:
        note(
            one.place,
            "missing-key",
            "a time field needs epoch",
            "Add epoch: 2030-01-31T00:00:00Z, when it reads zero.",
        )
        return None
    parts = _parts(one, unfit)
    if parts is None:
        return None
    epoch = moment_of(one.epoch)
    by_days = parts[0].unit == DAY and (len(parts) > 1 or one.leap_seconds is None)
    if not _leaps_fit(one, by_days, epoch, unfit):
        return None
    reference = None if one.reference_date is None else moment_of(one.reference_date)
    counts_leaps = one.leap_seconds == "counted"
    if reference is not None and (reference.day, reference.second) < (epoch.day, epoch.second):
        unfit(
            "reference_date",
            "reference_date is before the epoch",
            "Write a date that is not before the epoch.",
        )
        return None
    return Clock(epoch, parts, counts_leaps, by_days, reference, digits_of(parts[-1].unit))


_Unfit = Callable[[str, str, str], None]  # key, summary, remedy


def _parts(one: Field, unfit: _Unfit) -> tuple[Part, ...] | None:
    if not one.counts:
        if one.tick_s is None or one.bits is None:
            unfit(
                "bits",
                "nothing says what it counts",
                "Add bits and tick_s, or counts: {days: 16, milliseconds: 32}.",
            )
            return None
        if one.fraction_base is not None:
            unfit("fraction_base", "fraction_base goes with a fraction in counts", "Leave fraction_base out.")
            return None
        made: tuple[Part, ...] = (Part(one.tick_s, one.bits),)
    else:
        if one.tick_s is not None:
            unfit("tick_s", "tick_s and counts both say what it counts", "Keep one of them.")
            return None
        units = _units(one, unfit)
        if units is None:
            return None
        made = tuple(Part(unit, count.bits) for unit, count in zip(units, one.counts, strict=True))
        if one.bits != sum(part.width for part in made):
            total = sum(part.width for part in made)
            unfit("bits", f"its counts have {total} bits, not {one.bits}", "Leave bits out.")
            return None
    if made[-1].unit < FINEST:
        unfit(
            "tick_s" if one.tick_s else "counts",
            "its steps are finer than seven octets of fractions of a second",
            "Use a coarser step.",
        )
        return None
    return made


def _units(one: Field, unfit: _Unfit) -> list[Fraction] | None:
    """The seconds of each count's unit, falling, each a whole number of the one after it, which its bits hold."""
    units: list[Fraction] = []
    for count in one.counts:
        unit = TIME_UNITS[count.unit]
        if unit is None:
            if not units or count is not one.counts[-1]:
                unfit(
                    "counts",
                    "a fraction is the last count, of the unit before it",
                    "Write {seconds: 32, fraction: 16}.",
                )
                return None
            unit = units[-1] / (one.fraction_base or 1 << count.bits)
        units.append(unit)
    if one.fraction_base is not None and (one.counts[-1].unit != "fraction" or one.fraction_base < 2):
        unfit(
            "fraction_base",
            "fraction_base is how many fractions make one of the unit before, 2 or more",
            "Add a fraction to counts."
            if one.fraction_base > 1
            else "Write 2 or more, or leave it out: 2^bits.",
        )
        return None
    for (before, after), count in zip(pairwise(units), one.counts[1:], strict=True):
        ratio = before / after
        if ratio <= 1 or ratio.denominator != 1:
            unfit(
                "counts",
                f"{count.unit} do not divide the unit before them",
                "Write the units falling: {weeks: 10, seconds: 20}.",
            )
            return None
        if ratio > 1 << count.bits:
            text = (
                f"{count.bits} bits of {count.unit} do not hold the {format_number(ratio)} in the unit before"
            )
            unfit("counts", text, f"Use {(int(ratio) - 1).bit_length()} bits, or more.")
            return None
    return units


def _leaps_fit(one: Field, by_days: bool, epoch: Moment, unfit: _Unfit) -> bool:
    if by_days and one.leap_seconds is not None:
        unfit("leap_seconds", "UTC days are counted, each as long as it is", "Leave leap_seconds out.")
    elif by_days and epoch.second:
        unfit(
            "epoch",
            "UTC days are counted, and its epoch is not at their start",
            "Write an epoch at 00:00:00.",
        )
    elif not by_days and one.leap_seconds is None:
        remedy = "Add leap_seconds: counted (atomic and navigation clocks) or not_counted (days of 86,400 seconds)."
        unfit("epoch", "nothing says whether leap seconds are counted", remedy)
    elif (
        one.leap_seconds == "counted" and epoch.day < STARTS[0] and epoch != Moment(ATOMIC_EPOCH, Fraction(0))
    ):
        text = "before 1972 UTC went by fractions of a second, so leap seconds cannot be counted from there"
        unfit("epoch", text, "Use an epoch from 1972 on, or 1958-01-01T00:00:00Z, where atomic time began.")
    else:
        return True
    return False
