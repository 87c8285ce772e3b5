"""The cheapest changes to a schema that buy air time: coarser steps of one field or two, counted through the layout to the last bit.

Air time is a staircase of the frame's bytes, so a bit saved is worth nothing until a whole group of symbols falls away. Each change
here does make one fall; they are ranked by how much resolution is given up, the least first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations

from packetkit.errors import RadioError
from packetkit.layout import printed
from packetkit.layout.slots import Slot
from packetkit.mission.cost import at_widths, frame_of, has_step, next_step
from packetkit.mission.load import Mission
from packetkit.mission.passes import Pass

STEPS = 4  # of each field: 0.1 to 0.2, 0.5, 1 and 2; who gives up more gives up the field
MOST_OPTIONS = 60  # whose pairs are looked at: 1,770 pairs
KEPT = 4


@dataclass(frozen=True, slots=True)
class Change:
    """Fields at coarser steps. parts: address, step now, step then, unit, bits saved in each value; the rest of the whole frame.

    frames: more of them in a pass, where they follow each other as fast as they can (0 at a cadence).
    """

    parts: tuple[tuple[str, Fraction, Fraction, str, int], ...]
    frame_bytes: int
    saved_s: Fraction
    frames: int

    @property
    def given_up(self) -> float:
        """How many times coarser it is in all, as a logarithm."""
        return sum(math.log(then / now) for _, now, then, _, _ in self.parts)


def cheapest(mission: Mission, name: str, window: Pass) -> tuple[Change, ...]:
    """The least changes of one or two fields that shorten a frame's time on air. Raises RadioError without a radio."""
    size = mission.layouts[name].maximum_bytes
    now = None if size is None else mission.link.time_on_air(size)
    if now is None:
        raise RadioError(f"{name}: its time on air is not known, so nothing can be saved")
    options = _options(mission, name)
    found: dict[frozenset[str], Change] = {}
    enough: set[tuple[int, Fraction]] = set()  # what shortens the frame by itself needs no second field
    for chosen in (*((one,) for one in options), *combinations(options, 2)):
        if len({slot.number for slot, _, _ in chosen}) < len(chosen):
            continue
        if len(chosen) > 1 and any((slot.number, step) in enough for slot, step, _ in chosen):
            continue
        change = _change(mission, name, chosen, now, window)
        if change is None:
            continue
        if len(chosen) == 1:
            enough.add((chosen[0][0].number, chosen[0][1]))
        fields = frozenset(part[0] for part in change.parts)
        if fields not in found or change.given_up < found[fields].given_up:
            found[fields] = change
    return tuple(sorted(found.values(), key=lambda change: (change.given_up, len(change.parts)))[:KEPT])


Option = tuple[Slot, Fraction, int]  # a field, a coarser step, and its width then


def _options(mission: Mission, name: str) -> list[Option]:
    """Coarser steps of the series that make a field narrower, a few for each field."""
    frame = frame_of(mission, name)
    found: list[Option] = []
    for slot in frame.layout.slots:
        if not slot.is_value or slot.role is not None or not has_step(slot):
            continue
        step, narrowest = printed.step(slot) or Fraction(0), slot.width
        for _ in range(STEPS):
            step = next_step(step, finer=False)
            width = frame.width_at(slot, step)
            if width is not None and width < narrowest:
                found.append((slot, step, width))
                narrowest = width
    return sorted(found, key=lambda option: option[2] - option[0].width)[:MOST_OPTIONS]


def _change(
    mission: Mission, name: str, chosen: tuple[Option, ...], now: Fraction, window: Pass
) -> Change | None:
    """The change that these fields make together; None where no group of symbols falls away."""
    made = at_widths(mission, name, {slot.number: width for slot, _, width in chosen})
    if made.seconds is None or made.seconds >= 0 or made.frame_bytes is None:
        return None
    parts = tuple(
        (slot.address, printed.step(slot) or Fraction(0), step, slot.unit, slot.width - width)
        for slot, step, width in chosen
    )
    gap, cadence = mission.link.gap_s, mission.layouts[name].cadence_s or Fraction(0)
    before, after = (int(window.duration_s // max(cadence, one + gap)) for one in (now, now + made.seconds))
    return Change(parts, -made.frame_bytes, -made.seconds, after - before)
