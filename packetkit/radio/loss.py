"""How many frames are lost at a margin: from the error rate of one symbol, the coding rate and the frame's length.

The model. A receiver correlates each symbol with all 2^SF chirps and takes the strongest: noncoherent detection of orthogonal tones,
whose error rate in white noise is a known integral. A wrong symbol is any other, so about half its bits are wrong; the interleaver
lays them into as many code words, one bit each. Coding rates 4/7 and 4/8 correct one wrong bit in a code word, so a block survives
one wrong symbol always and two where no code word got both; 4/5 and 4/6 only notice. The first block is always at rate 4/8.
A frame is lost when a block is. The curve stands where the data sheets put it: at margin 0 the SX1272 sheet's condition, 10 bytes at
coding rate 4/6, loses 1 %.

What it leaves out: finding the preamble, interference, fading (give an allowance), a receiver that weighs symbols by strength.
It is white noise only, so the step from no loss to all lost is about 2 dB wide, as it is on the bench.

Source of the integral: Proakis, Digital Communications, noncoherent detection of M-ary orthogonal signals (from memory); checked in
the tests against a simulation of the modulation, a published approximation and measured points.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from packetkit.radio import chirp
from packetkit.radio.settings import Setting

Array = npt.NDArray[np.float64]

REFERENCE_BYTES, REFERENCE_CODING_RATE, REFERENCE_LOSS = 10, "4/6", 0.01  # SX1272 data sheet rev. 2 p. 19
CORRECTING = ("4/7", "4/8")  # least distance 3 and 4: one wrong bit in a code word is put right

# Symbol energy over noise density, in dB: at the low end nearly every symbol is wrong, at the high end fewer than 1 in 1e15.
ENERGY_DB = np.arange(-6.0, 19.01, 0.1)
# Nodes of the integral: smooth and gone at its far end; four times as many change less than a millionth (a test holds this).
NODES = 240


def symbol_error_rate(spreading_factor: int, energy_db: Array, nodes: int = NODES) -> Array:
    """Return the share of wrong symbols, shape as energy_db: the symbol's energy over the noise density in dB.

    With u the strongest noise-free amplitude: the integral of 2u exp(-(u - a)^2) I0e(2ua) (1 - (1 - exp(-u^2))^(M-1)), a = sqrt(energy).
    """
    amplitude = np.sqrt(10 ** (np.asarray(energy_db, dtype=np.float64) / 10))[..., None]
    u = np.linspace(0.0, 1.0, nodes) * (amplitude + 6.5)
    wrong = -np.expm1((2**spreading_factor - 1) * np.log1p(-np.exp(-(np.maximum(u, 1e-6) ** 2))))
    bessel = np.i0(2 * u * amplitude) * np.exp(-2 * u * amplitude)
    density = 2 * u * np.exp(-((u - amplitude) ** 2)) * bessel
    step = u[..., 1] - u[..., 0]
    # The plain rule misses h^2/12 times the slope at u = 0, which is 2 exp(-a^2).
    total: Array = np.sum(density * wrong, axis=-1) * step + step**2 / 6 * np.exp(-(amplitude[..., 0] ** 2))
    return np.clip(total, 1e-300, 1.0)


@lru_cache(maxsize=16)
def _log_symbol_errors(spreading_factor: int) -> Array:
    """Logarithms of the error rate at ENERGY_DB."""
    return np.log(symbol_error_rate(spreading_factor, ENERGY_DB))


def symbol_errors_at(spreading_factor: int, snr_db: Any) -> Array:
    """Return the share of wrong symbols at a signal-to-noise ratio in the signal's bandwidth, in dB; shape as given."""
    energy = np.asarray(snr_db, dtype=np.float64) + 10 * np.log10(2.0**spreading_factor)
    found: Array = np.exp(np.interp(energy, ENERGY_DB, _log_symbol_errors(spreading_factor)))
    return found


def block_survival(symbol_error: Any, symbols: int, rows: int, corrects: bool, order: int) -> Array:
    """Return the chance that a block of `symbols` symbols and `rows` code words comes through.

    order: how many symbols there are (2^SF): each bit of a wrong one is wrong with chance (order / 2) / (order - 1).
    """
    p = np.asarray(symbol_error, dtype=np.float64)
    none: Array = (1 - p) ** symbols
    if not corrects:
        return none
    both = (order / 2 / (order - 1)) ** 2
    one = symbols * p * (1 - p) ** (symbols - 1)
    two = symbols * (symbols - 1) / 2 * p**2 * (1 - p) ** (symbols - 2)
    survival: Array = np.minimum(none + one + two * (1 - both) ** rows, 1.0)
    return survival


def loss_at_snr(setting: Setting, payload_bytes: int, snr_db: Any) -> Array:
    """Return the share of frames lost at a signal-to-noise ratio, without any of a receiver's own shortcomings."""
    factor, order = setting.spreading_factor, 2**setting.spreading_factor
    p = symbol_errors_at(factor, snr_db)
    first_rows = factor - setting.waveform.dropped_rows
    first = block_survival(p, chirp.FIRST_BLOCK_SYMBOLS, first_rows, True, order)
    blocks = (
        chirp.payload_symbols(setting, payload_bytes) - chirp.FIRST_BLOCK_SYMBOLS
    ) // setting.block_symbols
    rows = factor - 2 * setting.low_data_rate_on
    corrects = setting.coding_rate in CORRECTING
    rest = block_survival(p, setting.block_symbols, rows, corrects, order)
    with np.errstate(divide="ignore"):
        survival = np.log(first) + blocks * np.log(rest)
    lost: Array = np.clip(-np.expm1(survival), 0.0, 1.0)
    return lost


@lru_cache(maxsize=1024)
def _reference_snr_db(setting: Setting) -> float:
    """The signal-to-noise ratio at which the model loses what the sheet says at its sensitivity, by bisection."""
    low, high = -35.0, 10.0
    while high - low > 1e-6:
        middle = (low + high) / 2
        if float(loss_at_snr(setting, REFERENCE_BYTES, middle)) > REFERENCE_LOSS:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def reference_snr_db(setting: Setting) -> float:
    """Return the signal-to-noise ratio at which the model meets the data sheets' condition, for this spreading factor, in dB."""
    same = Setting(
        setting.spreading_factor,
        setting.bandwidth,
        REFERENCE_CODING_RATE,
        explicit_header=setting.explicit_header,
        low_data_rate=setting.low_data_rate,
        modem=setting.modem,
        preamble_symbols=max(12, setting.modem.minimum_preamble),
    )
    return _reference_snr_db(same)


def frame_loss(setting: Setting, payload_bytes: int, margin_db: Any) -> Array:
    """Return the expected share of frames lost, shape as margin_db: decibels above the receiver's sensitivity.

    payload_bytes: everything handed to the radio, 0 to 255.
    """
    return loss_at_snr(
        setting, payload_bytes, reference_snr_db(setting) + np.asarray(margin_db, dtype=np.float64)
    )


def loss_for(setting: Setting, payload_bytes: int, margin_db: float) -> float:
    """Return the expected share of frames lost at one margin, as a plain number."""
    return float(frame_loss(setting, payload_bytes, margin_db))
