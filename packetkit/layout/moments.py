"""What the code of a time means, whether a clock counts it or a calendar says it: text in UTC and back."""

from __future__ import annotations

from packetkit.layout import calendar, clock
from packetkit.layout.clock import Moment
from packetkit.layout.slots import Slot


def text_of(slot: Slot, raw: int) -> tuple[str | None, str]:
    """Return the moment that a time's code means, as text, or None and why there is none."""
    if slot.calendar is not None:
        return calendar.text_of(slot.calendar, raw)
    assert slot.clock is not None
    return clock.text_of(slot.clock, raw)


def raw_of(slot: Slot, moment: Moment) -> int | None:
    """Return the code whose moment is nearest; None where no code is."""
    if slot.calendar is not None:
        return calendar.raw_of(slot.calendar, moment)
    assert slot.clock is not None
    return clock.raw_of(slot.clock, moment)


def ends(slot: Slot) -> tuple[str, str]:
    """Return the first and the last moment that have a code."""
    if slot.calendar is not None:
        return calendar.ends(slot.calendar)
    assert slot.clock is not None
    return clock.ends(slot.clock)
