"""From a transmitter's power to the margin at a receiver: every term of the sum with its value and where it comes from.

Gains and losses are decibels, powers dBm, distances kilometres. EIRP is what an isotropic radiator would need, ERP what a half-wave
dipole would: 2.15 dB less; documents limit one or the other, and both are kept. The margin is the received power above the receiver's
sensitivity, less the rise of its noise by man-made noise, less the allowance for fading.

Free space: ITU-R P.525-5 prints 32.4 + 20 log f + 20 log d; the exact constant 32.4478 is used, so this loss is 0.048 dB higher.
Man-made noise: ITU-R P.372 (from memory), stated for 0.3 to 250 MHz, continued beyond with the same slope; measured with a short
vertical rod, so an antenna that looks at the sky sees less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from packetkit.errors import Fault, RadioError
from packetkit.radio.doppler import LIGHT_KM_PER_S
from packetkit.radio.figures import Limits, faults
from packetkit.radio.regions import ERP_BELOW_EIRP_DB
from packetkit.radio.sensitivity import Sensitivity, sensitivity
from packetkit.radio.settings import Setting

# Noise factor above kT in dB: c - d log10(MHz). Source: ITU-R P.372, man-made noise (from memory).
NOISE: dict[str, tuple[float, float]] = {
    "city": (76.8, 27.7),
    "residential": (72.5, 27.7),
    "rural": (67.2, 27.7),
    "quiet_rural": (53.6, 28.6),
}
NOISE_STATED_MHZ = (0.3, 250.0)


@dataclass(frozen=True, slots=True)
class End:
    """One end of a link: what it sends with and hears with. power_dbm None: it does not send, or nobody said how strongly."""

    power_dbm: float | None = None
    antenna_gain_dbi: float = 0.0
    line_loss_db: float = 0.0
    pointing_loss_db: float = 0.0
    receiver: str | None = None
    noise_figure_db: float | None = None

    @property
    def eirp_dbm(self) -> float | None:
        """Return the power that an isotropic radiator would need, in dBm."""
        return None if self.power_dbm is None else self.power_dbm - self.line_loss_db + self.antenna_gain_dbi

    @property
    def erp_dbm(self) -> float | None:
        """Return the power that a half-wave dipole would need, in dBm."""
        return None if self.eirp_dbm is None else self.eirp_dbm - ERP_BELOW_EIRP_DB


@dataclass(frozen=True, slots=True)
class Between:
    """What lies between two ends. noise: a row of NOISE where the receiver of the downlink stands, None for none."""

    frequency_mhz: float
    polarisation_loss_db: float = 0.0
    fading_db: float = 0.0
    noise: str | None = None


# What each figure may be: lowest, highest, and why. Wide enough for anything that flies; they catch slipped units.
LIMITS: Limits = {
    "power_dbm": (-60, 60, "20 is 100 mW, 30 is 1 W and 60 a kilowatt"),
    "antenna_gain_dbi": (-40, 60, "a rod has about 2 dBi, a large dish 30"),
    "line_loss_db": (0, 60, "a few metres of cable lose 1 or 2 dB"),
    "pointing_loss_db": (0, 60, "half-power beam width means 3 dB at its edge"),
    "noise_figure_db": (0, 40, "receivers have 1 to 12 dB"),
    "polarisation_loss_db": (0, 60, "linear to circular loses 3 dB"),
    "fading_db": (0, 60, "5 to 10 dB is common practice"),
    "frequency_mhz": (1, 100_000, "give megahertz: 868.1, not 868100000"),
}


def figure_faults(figures: Mapping[str, Fraction | None]) -> tuple[Fault, ...]:
    """Return what is wrong with figures of a link, by name as in LIMITS; None and names without a limit are passed over."""
    return faults(figures, LIMITS)


@dataclass(frozen=True, slots=True)
class Term:
    """One line of the sum: a gain above zero, a loss below."""

    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True)
class Margin:
    """A link's margin and all that leads to it: the terms add up to margin_db."""

    distance_km: float
    free_space_db: float
    received_dbm: float
    sensitivity: Sensitivity
    noise_rise_db: float
    margin_db: float
    terms: tuple[Term, ...]


def free_space_loss_db(distance_km: float, frequency_mhz: float) -> float:
    """Return the loss between isotropic antennas in free space: 20 log10(4 pi d f / c).

    >>> round(free_space_loss_db(1000, 435), 2)
    145.22
    """
    return 20 * math.log10(4 * math.pi * distance_km * frequency_mhz * 1e6 / LIGHT_KM_PER_S)


def noise_factor_db(noise: str, frequency_mhz: float) -> float:
    """Return the antenna's noise above kT from man-made sources, in dB, never below 0 (the ground at 290 K)."""
    constant, slope = NOISE[noise]
    return max(constant - slope * math.log10(frequency_mhz), 0.0)


def noise_rise_db(noise: str | None, frequency_mhz: float, line_loss_db: float, figure_db: float) -> float:
    """Return by how much man-made noise raises a receiver's own noise, in dB; a lossy line weakens it as it does the signal."""
    if noise is None:
        return 0.0
    own = 10 ** (figure_db / 10)
    extra = (10 ** (noise_factor_db(noise, frequency_mhz) / 10) - 1) / 10 ** (line_loss_db / 10)
    return 10 * math.log10((own + extra) / own)


def margin(setting: Setting, sender: End, hearer: End, between: Between, distance_km: float) -> Margin:
    """Return the margin over a straight, free path. Raises RadioError where the sender's power is not known."""
    if sender.power_dbm is None or sender.eirp_dbm is None:
        raise RadioError("the sender's power is not known; give power_dbm")
    heard = sensitivity(setting, hearer.receiver, hearer.noise_figure_db)
    loss = free_space_loss_db(distance_km, between.frequency_mhz)
    rise = noise_rise_db(between.noise, between.frequency_mhz, hearer.line_loss_db, heard.noise_figure_db)
    terms = (
        Term("sender's power", sender.power_dbm, "dBm", "given"),
        Term("sender's line loss", 0.0 - sender.line_loss_db, "dB", "given"),
        Term("sender's antenna gain", sender.antenna_gain_dbi, "dBi", "given"),
        Term("sender's pointing loss", 0.0 - sender.pointing_loss_db, "dB", "given"),
        Term("free space", 0.0 - loss, "dB", f"ITU-R P.525, {distance_km:,.1f} km"),
        Term("polarisation loss", 0.0 - between.polarisation_loss_db, "dB", "given"),
        Term("receiver's pointing loss", 0.0 - hearer.pointing_loss_db, "dB", "given"),
        Term("receiver's antenna gain", hearer.antenna_gain_dbi, "dBi", "given"),
        Term("receiver's line loss", 0.0 - hearer.line_loss_db, "dB", "given"),
    )
    received = sum(term.value for term in terms)
    closing = (
        Term("sensitivity, taken off", -heard.dbm, "dBm", heard.source),
        Term("noise of the place", 0.0 - rise, "dB", _noise_source(between)),
        Term("allowance for fading", 0.0 - between.fading_db, "dB", "given"),
    )
    total = received + sum(term.value for term in closing)
    return Margin(distance_km, loss, received, heard, rise, total, (*terms, *closing))


def _noise_source(between: Between) -> str:
    if between.noise is None:
        return "none said"
    beyond = "" if between.frequency_mhz <= NOISE_STATED_MHZ[1] else ", continued above 250 MHz"
    return f"ITU-R P.372 {between.noise} (from memory){beyond}"


def up(between: Between) -> Between:
    """Return the same path for the uplink: whoever flies hears no man-made noise of the ground station's place."""
    return replace(between, noise=None)
