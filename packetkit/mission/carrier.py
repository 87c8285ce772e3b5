"""Whether a receiver finds the carrier along a pass: the one place that judges what Doppler makes of a setting.

Loss is counted from margins alone, as sources disagree on what a wandering carrier costs. So where the shift passes what data sheets
allow at most, that is said beside the figures, as they then tell of frames that no receiver may have found.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from packetkit.mission.load import Link
from packetkit.passes.track import Sample
from packetkit.radio import doppler


def shifts_hz(frequency_mhz: float, samples: Iterable[Sample]) -> list[float]:
    """How far the carrier is received off at each sample."""
    return [doppler.shift_hz(sample.range_rate_km_s, frequency_mhz) for sample in samples]


def fastest(frequency_mhz: float, samples: Sequence[Sample]) -> tuple[float, float]:
    """The largest shift in Hz and the largest rate in Hz/s, both without sign; zeros where nothing moves."""
    rates = (doppler.shift_hz(one.range_acceleration_km_s2, frequency_mhz) for one in samples)
    return max(map(abs, shifts_hz(frequency_mhz, samples)), default=0.0), max(map(abs, rates), default=0.0)


def unfound(link: Link, samples: Sequence[Sample]) -> str:
    """Why the receiver may not find the carrier along a track, with the share of its time; empty where it does or no link is known."""
    if link.setting is None or link.frequency_mhz is None:
        return ""
    limit = doppler.offset_limit_hz(link.setting)
    shifts = [abs(shift) for shift in shifts_hz(float(link.frequency_mhz), samples)]
    beyond = sum(shift > limit for shift in shifts)
    if not beyond:
        return ""
    when = f"in {100 * beyond / len(shifts):.0f} % of the time" if beyond < len(shifts) else "all the time"
    return f"{doppler.beyond(link.setting, max(shifts))}, {when}; {doppler.REMEDY}"
