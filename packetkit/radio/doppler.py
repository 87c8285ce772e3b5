"""What motion does to a carrier, and what a chirp receiver bears: an offset of a share of the bandwidth, a drift within a frame.

Sources disagree, so both offset figures are kept: what exceeds the lower one alone is a warning with its numbers, what exceeds both is
said to be beyond what a receiver finds. The drift rule is one memory source; it agrees with the one published flight test that was read
(Zadorozhny et al. 2022, abstract: at 560 km SF11 and below came through, SF12 was lost near overhead), against an older paper that saw no
restriction above 550 km (Doroshkin et al. 2019, abstract).
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from packetkit.radio import chirp
from packetkit.radio.settings import Setting

LIGHT_KM_PER_S = 299_792.458  # exact, SI
# A receiver finds a carrier that is off by at most this share of the bandwidth: SX1276 data sheet 4.1.5 says 25 %, and the SX1302's
# adds "with less than 3 dB of loss"; SX1272 data sheet 4.1.5 says 20 %.
OFFSET_LIMIT, OFFSET_DESIGN = Fraction(1, 4), Fraction(1, 5)
REMEDY = "tune by the pass, or widen the bandwidth"
# Bins that the carrier may wander within one packet: a third of 1, with low-data-rate blocks of 16. Source: Asad Ullah et al. 2023,
# IEEE Open Journal of the Communications Society (from memory).
DRIFT_BINS, DRIFT_BINS_LOW_DATA_RATE = Fraction(1, 3), Fraction(16, 3)


def shift_hz(range_rate_km_s: float, frequency_mhz: float) -> float:
    """Return by how much a carrier is received off, in Hz: above zero while the distance shrinks."""
    return -range_rate_km_s / LIGHT_KM_PER_S * frequency_mhz * 1e6


def offset_limit_hz(setting: Setting) -> float:
    """Return the largest offset that data sheets allow, in Hz: 25 % of the bandwidth."""
    return float(OFFSET_LIMIT * setting.bandwidth.hertz)


def offset_design_hz(setting: Setting) -> float:
    """Return the offset to design for, in Hz: 20 % of the bandwidth."""
    return float(OFFSET_DESIGN * setting.bandwidth.hertz)


def beyond(setting: Setting, shift: float) -> str:
    """Return that a carrier is off by more than data sheets allow at most, with both numbers; empty where it is not."""
    limit = offset_limit_hz(setting)
    if abs(shift) <= limit:
        return ""
    return f"the carrier is off by up to {abs(shift):,.0f} Hz, beyond 25 % of {setting.bandwidth}, {limit:,.0f} Hz"


def drift_limit_hz(setting: Setting) -> float:
    """Return how far the carrier may wander within one packet, in Hz.

    >>> round(drift_limit_hz(Setting(12, 125)), 1)
    162.8
    """
    bins = DRIFT_BINS_LOW_DATA_RATE if setting.low_data_rate_on else DRIFT_BINS
    return float(bins * setting.bandwidth.hertz / 2**setting.spreading_factor)


@dataclass(frozen=True, slots=True)
class Motion:
    """What a carrier's motion means for a packet: all in Hz. drift: during the packet, at the given rate."""

    shift_hz: float
    rate_hz_per_s: float
    drift_hz: float
    offset_limit_hz: float
    offset_design_hz: float
    drift_limit_hz: float

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return what exceeds a figure that another source does not draw, each with its numbers; empty where nothing does."""
        found = []
        shift = abs(self.shift_hz)
        if (
            self.offset_design_hz < shift <= self.offset_limit_hz
        ):  # what is beyond both is no warning: `beyond`
            found.append(
                f"the carrier is off by up to {shift:,.0f} Hz; data sheets allow {self.offset_design_hz:,.0f} Hz (20 % of the "
                f"bandwidth) or {self.offset_limit_hz:,.0f} Hz (25 %): it exceeds the lower, though not the higher, of two figures; "
                f"{REMEDY}"
            )
        if self.drift_hz > self.drift_limit_hz:
            found.append(
                f"the carrier drifts by up to {self.drift_hz:,.0f} Hz within the longest frame, and the drift rule allows "
                f"{self.drift_limit_hz:,.0f} Hz; sources disagree on it: shorten the frame, take a lower spreading factor, or test"
            )
        return tuple(found)


def motion(
    setting: Setting, payload_bytes: int, shift: float, rate_hz_per_s: float, steepest: float | None = None
) -> Motion:
    """Return what a shift and a rate of change mean for a packet of payload_bytes; steepest: the rate that drift is counted with."""
    airtime_s = float(chirp.time_on_air(setting, payload_bytes))
    rate = rate_hz_per_s if steepest is None else steepest
    return Motion(
        shift,
        rate_hz_per_s,
        abs(rate) * airtime_s,
        offset_limit_hz(setting),
        offset_design_hz(setting),
        drift_limit_hz(setting),
    )
