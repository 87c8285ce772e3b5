"""Time on air of a chirp spread-spectrum packet (LoRa modulation), as exact fractions of a second.

The data sheets print one formula per chip family. Here each family is a row of facts and one rule walks them,
because the formula follows from how a packet is built: symbols carry `spreading_factor` bits; the first eight
payload symbols are one interleaver block sent at rate 4/8, which holds the header where there is one; what
does not fit there fills further blocks of five to eight symbols, according to the coding rate. That is why
the header's own rate shows in no data-sheet formula. The tests hold this rule against the printed formulas
and against a loop that fills blocks one by one.

What would surprise a reader: bandwidths are the modem's real ones (7.8 kHz on a data sheet is 7.8125 kHz), so
every time here is a whole number of microseconds; and time is a staircase of the payload length (staircase.py), flat
for several bytes, then up by a block.

Sources: SX1272 data sheet rev. 2, section 4.1.1.7; SX1276 data sheet, sections 4.1.1.6 and 4.1.1.7; SX1261/2
data sheet, section 6.1.4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from packetkit.errors import RadioError
from packetkit.radio.settings import Setting, low_data_rate, milliseconds, shown, symbol_time

MAXIMUM_PAYLOAD_BYTES = 255  # the length field of the header, and the payload length register, are one byte
FIRST_BLOCK_SYMBOLS = 8  # always rate 4/8, whatever the coding rate of the rest
HEADER_BITS = 20  # what the explicit header takes from the first block
CRC_BITS = 16


def _first_block_bits(setting: Setting) -> int:
    """Return how many payload bits the first block has room for, beside the header."""
    rows = setting.spreading_factor - setting.waveform.dropped_rows
    return 4 * rows - HEADER_BITS * setting.explicit_header


def _block_bits(setting: Setting) -> int:
    """Return how many payload bits each further block carries."""
    return 4 * (setting.spreading_factor - 2 * low_data_rate(setting))


def check_payload(payload_bytes: int) -> None:
    """Raise RadioError unless a packet can carry so many bytes: 0 to 255, whole."""
    if isinstance(payload_bytes, bool) or not isinstance(payload_bytes, int):
        raise RadioError(f"{shown(payload_bytes)} is not a number of payload bytes; give a whole number")
    if not 0 <= payload_bytes <= MAXIMUM_PAYLOAD_BYTES:
        raise RadioError(
            f"a packet carries 0 to {MAXIMUM_PAYLOAD_BYTES} payload bytes, not {shown(payload_bytes)}; "
            "shorten the frame or send it in several packets"
        )


def _payload_bits(setting: Setting, payload_bytes: int) -> int:
    check_payload(payload_bytes)
    return 8 * payload_bytes + CRC_BITS * setting.crc


def blocks_after_the_first(setting: Setting, payload_bytes: int) -> int:
    """Return how many blocks follow the first one."""
    rest = _payload_bits(setting, payload_bytes) - _first_block_bits(setting)
    return max(0, -(-rest // _block_bits(setting)))


def bytes_in_blocks(setting: Setting, blocks: int) -> int:
    """Return the largest payload that needs at most so many blocks after the first; below 0: none does."""
    bits = _first_block_bits(setting) + blocks * _block_bits(setting) - CRC_BITS * setting.crc
    return min(bits // 8, MAXIMUM_PAYLOAD_BYTES)


def preamble_symbols(setting: Setting) -> Fraction:
    """Return how many symbols precede the payload: the programmed preamble and the sync that follows it."""
    return setting.preamble_symbols + setting.waveform.sync_symbols


def payload_symbols(setting: Setting, payload_bytes: int) -> int:
    """Return how many symbols header, payload and CRC take, the first block of eight included.

    payload_bytes: 0 to 255, everything handed to the radio. Raises RadioError outside that.

    >>> payload_symbols(Setting(10, 125), 24)
    33
    """
    return FIRST_BLOCK_SYMBOLS + blocks_after_the_first(setting, payload_bytes) * setting.block_symbols


def time_on_air(setting: Setting, payload_bytes: int) -> Fraction:
    """Return how long a packet of payload_bytes (0 to 255) is on the air, in exact seconds.

    >>> float(1000 * time_on_air(Setting(10, 125), 24))
    370.688
    """
    return (preamble_symbols(setting) + payload_symbols(setting, payload_bytes)) * symbol_time(setting)


def largest_payload(setting: Setting, time_limit: Fraction | int) -> int | None:
    """Return the most bytes whose packet lasts at most time_limit seconds; None where an empty one is longer.

    >>> largest_payload(Setting(10, 125), Fraction(400, 1000))
    24
    """
    spare = time_limit / symbol_time(setting) - preamble_symbols(setting) - FIRST_BLOCK_SYMBOLS
    if spare < 0:
        return None
    largest = bytes_in_blocks(setting, math.floor(spare / setting.block_symbols))
    return largest if largest >= 0 else None


@dataclass(frozen=True, slots=True)
class Airtime:
    """Time on air with every step that leads to it, to be worked again by hand. Times are exact seconds."""

    setting: Setting
    payload_bytes: int
    symbol_s: Fraction
    low_data_rate: bool
    preamble_symbols: Fraction
    payload_bits: int
    first_block_bits: int
    rest_bits: int
    block_bits: int
    blocks: int
    payload_symbols: int
    time_on_air_s: Fraction

    @property
    def symbols(self) -> Fraction:
        """Return all symbols of the packet, sync's quarter included."""
        return self.preamble_symbols + self.payload_symbols

    def steps(self) -> tuple[tuple[str, str, str], ...]:
        """Return each step as its name, how it is computed in numbers, and the result, in order."""
        return (*self._bit_steps(), *self._time_steps())

    def _bit_steps(self) -> tuple[tuple[str, str, str], ...]:
        factor, dropped = self.setting.spreading_factor, self.setting.waveform.dropped_rows
        automatic = self.setting.low_data_rate == "auto"
        bits = f"8 x {self.payload_bytes}" + (f" + {CRC_BITS} CRC" if self.setting.crc else "")
        first = f"4 x ({factor} - {dropped})" if dropped else f"4 x {factor}"
        header = f" - {HEADER_BITS} header" if self.setting.explicit_header else ""
        block = f"4 x ({factor} - 2)" if self.low_data_rate else f"4 x {factor}"
        rest = f"{self.payload_bits} - {self.first_block_bits}"
        return (
            ("symbol", f"2^{factor} / {self.setting.bandwidth}", milliseconds(self.symbol_s)),
            (
                "low data rate",
                "auto: on from 16 ms a symbol" if automatic else "forced",
                "on" if self.low_data_rate else "off",
            ),
            ("bits to carry", bits, f"{self.payload_bits} bits"),
            ("first block holds", first + header, f"{self.first_block_bits} bits"),
            ("left over", rest + ("" if self.rest_bits else ", not below 0"), f"{self.rest_bits} bits"),
            ("a block holds", block, f"{self.block_bits} bits"),
            ("blocks", f"{self.rest_bits} / {self.block_bits}, rounded up", f"{self.blocks}"),
        )

    def _time_steps(self) -> tuple[tuple[str, str, str], ...]:
        preamble, sync = in_full(self.preamble_symbols), in_full(self.setting.waveform.sync_symbols)
        blocks = f"{FIRST_BLOCK_SYMBOLS} + {self.blocks} x {self.setting.block_symbols}"
        total = f"({preamble} + {self.payload_symbols}) x {milliseconds(self.symbol_s)}"
        return (
            ("payload", blocks, f"{self.payload_symbols} symbols"),
            ("preamble", f"{self.setting.preamble_symbols} + {sync} sync", f"{preamble} symbols"),
            ("time on air", total, milliseconds(self.time_on_air_s)),
        )

    def __str__(self) -> str:
        """Return the steps as lines of less than 80 characters."""
        return "\n".join(f"{name:<18} {how:<34} {result}" for name, how, result in self.steps())


def airtime(setting: Setting, payload_bytes: int) -> Airtime:
    """Return the time on air of payload_bytes (0 to 255) with every step that leads to it."""
    bits, first = _payload_bits(setting, payload_bytes), _first_block_bits(setting)
    return Airtime(
        setting=setting,
        payload_bytes=payload_bytes,
        symbol_s=symbol_time(setting),
        low_data_rate=low_data_rate(setting),
        preamble_symbols=preamble_symbols(setting),
        payload_bits=bits,
        first_block_bits=first,
        rest_bits=max(0, bits - first),
        block_bits=_block_bits(setting),
        blocks=blocks_after_the_first(setting, payload_bytes),
        payload_symbols=payload_symbols(setting, payload_bytes),
        time_on_air_s=time_on_air(setting, payload_bytes),
    )


def in_full(symbols: Fraction) -> str:
    """Return a number of quarter symbols in full: 12.25, 8."""
    return f"{float(symbols):.2f}".rstrip("0").rstrip(".")
