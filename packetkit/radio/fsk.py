"""Plain frequency-shift keying, to stand beside chirp: time on air, sensitivity and loss of a packet.

Every part of a packet is said, because radios and drivers differ: some have a length byte, some an address, some neither. Whitening
does not change the length; Manchester coding doubles what follows the sync word. The receiver is the simple one, noncoherent detection
of two tones: bit errors exp(-Eb/2N0)/2 (Proakis, Digital Communications, from memory). Nothing corrects errors, so one wrong bit loses
the frame. Sensitivity is where 0.1 % of bits are wrong, as FSK data sheets state it (common practice): Eb/N0 of 10.9 dB.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeAlias

from packetkit.errors import Fault
from packetkit.radio.figures import Limits, faults
from packetkit.radio.sensitivity import THERMAL_DBM_PER_HZ

if TYPE_CHECKING:  # a schema names a setting and loads without numpy
    import numpy as np
    import numpy.typing as npt

    Array: TypeAlias = npt.NDArray[np.float64]

BIT_ERRORS_AT_SENSITIVITY = 1e-3
ENERGY_AT_SENSITIVITY_DB = 10 * math.log10(-2 * math.log(2 * BIT_ERRORS_AT_SENSITIVITY))
MAXIMUM_PAYLOAD_BYTES = 255  # what the length byte of these radios counts

# What each part may be: lowest, highest, and why.
LIMITS: Limits = {
    "bitrate_kbps": (Fraction(1, 10), 1000, "kilobits in a second: 9.6 for 9600 baud"),
    "preamble_bytes": (0, 65_535, "4 is usual"),
    "sync_bytes": (0, 8, "these radios look for up to 8"),
    "length_bytes": (0, 1, "1 where the packet says its length"),
    "address_bytes": (0, 1, "1 where the packet says an address"),
    "crc_bytes": (0, 4, "2 is usual"),
}


@dataclass(frozen=True, slots=True)
class FskSetting:
    """The parts of a packet, in bytes, and the bit rate in kilobits a second."""

    bitrate_kbps: Fraction
    preamble_bytes: int = 4
    sync_bytes: int = 2
    length_bytes: int = 1
    address_bytes: int = 0
    crc_bytes: int = 2
    manchester: bool = False

    @property
    def chips_a_second(self) -> Fraction:
        """Symbols in a second on the air, which Manchester coding spends two of on each bit behind the sync word."""
        return self.bitrate_kbps * 1000

    def coded_bits(self, payload_bytes: int) -> int:
        """Symbols on the air behind the sync word."""
        behind = self.length_bytes + self.address_bytes + payload_bytes + self.crc_bytes
        return 8 * behind * (2 if self.manchester else 1)

    def __str__(self) -> str:
        coding = ", Manchester" if self.manchester else ""
        return (
            f"plain FSK at {float(self.bitrate_kbps):g} kb/s{coding}, preamble {self.preamble_bytes}, sync {self.sync_bytes}, "
            f"length {self.length_bytes}, address {self.address_bytes}, CRC {self.crc_bytes} bytes"
        )


def figure_faults(figures: Mapping[str, Fraction]) -> tuple[Fault, ...]:
    """Return what is wrong with parts of a packet, by name as in LIMITS."""
    found = list(faults(figures, LIMITS))
    told = {fault.path for fault in found}
    for name in sorted(LIMITS.keys() & figures.keys() - told - {"bitrate_kbps"}):
        if figures[name].denominator != 1:
            text = f"{float(figures[name]):g} is not a whole number; {LIMITS[name][2]}"
            found.append(Fault(name, "limit", text))
    return tuple(found)


def time_on_air(setting: FskSetting, payload_bytes: int) -> Fraction:
    """Return how long a packet is on the air, in exact seconds.

    >>> float(1000 * time_on_air(FskSetting(Fraction(100), 2, 2, length_bytes=0), 64))
    5.6
    """
    ahead = 8 * (setting.preamble_bytes + setting.sync_bytes)
    return (ahead + setting.coded_bits(payload_bytes)) / setting.chips_a_second


def sensitivity_dbm(setting: FskSetting, noise_figure_db: float) -> float:
    """Return the weakest signal, in dBm: noise in the bit rate's bandwidth, and the energy that 0.1 % of wrong bits need."""
    return (
        THERMAL_DBM_PER_HZ
        + 10 * math.log10(setting.chips_a_second)
        + noise_figure_db
        + ENERGY_AT_SENSITIVITY_DB
    )


def bit_errors(energy_db: Any) -> Array:
    """Return the share of wrong bits at a bit's energy over the noise density, in dB; shape as given."""
    import numpy as np

    energy = 10 ** (np.asarray(energy_db, dtype=np.float64) / 10)
    found: Array = 0.5 * np.exp(-energy / 2)
    return found


def frame_loss(setting: FskSetting, payload_bytes: int, margin_db: Any) -> Array:
    """Return the expected share of frames lost, shape as margin_db: decibels above the sensitivity."""
    import numpy as np

    wrong = bit_errors(ENERGY_AT_SENSITIVITY_DB + np.asarray(margin_db, dtype=np.float64))
    lost: Array = -np.expm1(setting.coded_bits(payload_bytes) * np.log1p(-wrong))
    return lost
