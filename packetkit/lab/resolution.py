"""Experiment: what a finer step of one field costs in bits, bytes and air time, and what it brings in error."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from math import sqrt
from typing import NamedTuple

import numpy as np

from packetkit.lab.experiment import Cell, Chart, Heading, LabError, Line, Outcome, Request
from packetkit.layout import printed
from packetkit.layout.slots import Slot
from packetkit.mission import cost

EACH_WAY = 4  # steps of the series 1, 2, 5 on either side of the one in use


class Tried(NamedTuple):
    """The field at one step: bits it takes, the frame's bytes, time on air where a radio is known, errors measured and expected."""

    step: Fraction
    used: bool
    bits: int
    frame_bytes: int
    airtime_ms: float | None
    largest: float
    rms: float
    expected_rms: float


def field_of(request: Request) -> Slot:
    """The field that is asked for, else the first with a step. Raises LabError, which lists what there is."""
    able = {slot.address: slot for slot in request.layout.slots if cost.has_step(slot) and _range(slot)}
    asked = request.knobs["field"]
    if not able:
        raise LabError(f"{request.frame} has no field with a range and a step")
    if asked is None:
        return next(iter(able.values()))
    if asked not in able:
        raise LabError(
            f"--field: {asked!r} is no field of {request.frame} with a range and a step: {', '.join(able)}"
        )
    return able[str(asked)]


def _range(slot: Slot) -> tuple[Fraction, Fraction] | None:
    if slot.minimum is None or slot.maximum is None or slot.minimum >= slot.maximum:
        return None
    return slot.minimum, slot.maximum


def steps_around(step: Fraction) -> list[Fraction]:
    """The step between its neighbours of the series 1, 2, 5, the coarsest first."""
    coarser, finer = [step], [step]
    for _ in range(EACH_WAY):
        coarser.append(cost.next_step(coarser[-1], finer=False))
        finer.append(cost.next_step(finer[-1], finer=True))
    return [*reversed(coarser), *finer[1:]]


def errors(low: Fraction, high: Fraction, step: Fraction, seed: int, samples: int) -> tuple[float, float]:
    """Return the largest and the root-mean-square error of values spread evenly over a range, each sent as its nearest step."""
    chance = np.random.default_rng([seed, step.numerator % (1 << 32), step.denominator % (1 << 32)])
    span, size = float((high - low) // step * step), float(step)
    values = chance.random(samples) * span
    error = np.floor(values / size + 0.5) * size - values
    return float(np.abs(error).max()), float(np.sqrt((error**2).mean()))


def run(request: Request) -> Outcome:
    """Try the steps around the one in use."""
    slot = field_of(request)
    ends, now = _range(slot), printed.step(slot)
    assert ends is not None and now is not None
    tried = [one for step in steps_around(now) if (one := _tried(request, slot, step, now, ends)) is not None]
    unit = f" {slot.unit}" if slot.unit else ""
    low, high = (f"{float(end):g}" for end in ends)
    return Outcome(
        f"{request.named}, field {slot.address}: {low} to {high}{unit}",
        tuple(_record(slot, one) for one in tried),
        (
            Heading("step"),
            Heading("bits"),
            Heading("frame,\nbytes"),
            Heading("time on air,\nms"),
            Heading("largest\nerror"),
            Heading("typical\nerror (rms)"),
            Heading("step over\nroot of 12"),
        ),
        tuple(_row(one, unit) for one in tried),
        Chart(
            f"{slot.address}: typical error against bits",
            "bits of the field",
            f"rms error{',' if unit else ''}{unit}",
            (
                Line("measured", tuple((float(one.bits), one.rms) for one in tried), points_only=True),
                Line("step / root of 12", tuple((float(one.bits), one.expected_rms) for one in tried)),
            ),
            log_up=True,
        ),
        tuple(_seen(tried)),
    )


def _tried(
    request: Request, slot: Slot, step: Fraction, now: Fraction, ends: tuple[Fraction, Fraction]
) -> Tried | None:
    frame = cost.frame_of(request.mission, request.frame)
    bits = slot.width if step == now else frame.width_at(slot, step)
    if bits is None or ends[1] - ends[0] < step:
        return None
    more = cost.at_widths(request.mission, request.frame, {slot.number: bits})
    size = request.frame_bytes + (more.frame_bytes or 0)
    time = request.mission.link.time_on_air(size)
    largest, rms = errors(*ends, step, request.seed, request.whole("samples"))
    airtime = None if time is None else float(time * 1000)
    return Tried(step, step == now, bits, size, airtime, largest, rms, float(step) / sqrt(12))


def _record(slot: Slot, one: Tried) -> dict[str, Cell]:
    return {
        "field": slot.address,
        "unit": slot.unit or None,
        "step": float(one.step),
        "used": one.used,
        "bits": one.bits,
        "frame_bytes": one.frame_bytes,
        "time_on_air_ms": one.airtime_ms,
        "largest_error": one.largest,
        "rms_error": one.rms,
        "expected_rms_error": one.expected_rms,
    }


def _row(one: Tried, unit: str) -> tuple[str, ...]:
    airtime = "" if one.airtime_ms is None else f"{one.airtime_ms:,.1f}"
    errors = (f"{error:.3g}" for error in (one.largest, one.rms, one.expected_rms))
    return (
        f"{'* ' if one.used else ''}{float(one.step):g}{unit}",
        str(one.bits),
        str(one.frame_bytes),
        airtime,
        *errors,
    )


def _seen(tried: Sequence[Tried]) -> list[str]:
    used = next((one for one in tried if one.used), None)
    if used is None:
        return []
    same = [one for one in tried if one.bits == used.bits and one.step < used.step]
    if same:
        return [
            f"A step of {float(same[-1].step):g} takes no more bits than the one in use (*): it is there for nothing."
        ]
    return [f"The step in use (*) is the finest of the series that {used.bits} bits hold."]
