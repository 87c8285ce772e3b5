"""Time on air of a chirp spread-spectrum packet (LoRa modulation), as exact fractions of a second.

The data sheets print one formula per chip family. Here each family is a row of facts and one rule walks them,
because the formula follows from how a packet is built: symbols carry `spreading_factor` bits; the first eight
payload symbols are one interleaver block sent at rate 4/8, which holds the header where there is one; what
does not fit there fills further blocks of five to eight symbols, according to the coding rate. That is why
the header's own rate shows in no data-sheet formula. The tests hold this rule against the printed formulas
and against a loop that fills blocks one by one.

What would surprise a reader: bandwidths are the modem's real ones (7.8 kHz on a data sheet is 7.8125 kHz), so
every time here is a whole number of microseconds; and time is a staircase of the payload length, flat for
several bytes, then up by a block.

Sources: SX1272 data sheet rev. 2, section 4.1.1.7; SX1276 data sheet, sections 4.1.1.6 and 4.1.1.7; SX1261/2
data sheet, section 6.1.4. The bandwidths of the 2.4 GHz chips are left out: their block rule was not
confirmed in a data sheet.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction

from packetkit.errors import Fault, RadioError

Number = int | float | Fraction | str

MAXIMUM_PAYLOAD_BYTES = 255  # the length field of the header, and the payload length register, are one byte
FIRST_BLOCK_SYMBOLS = 8  # always rate 4/8, whatever the coding rate of the rest
HEADER_BITS = 20  # what the explicit header takes from the first block
CRC_BITS = 16
# SX1276 data sheet, "Low Data Rate Optimization": mandated above 16 ms. No real bandwidth gives exactly 16
# ms, and the 16.38 ms that the newer family's text prints decides alike: the symbol times nearest to both are
# 12.288 and 16.384 ms.
LOW_DATA_RATE_SYMBOL = Fraction(16, 1000)


@dataclass(frozen=True, slots=True)
class Bandwidth:
    """A bandwidth that the modems have: kilohertz as data sheets print them, the exact hertz, the source."""

    labels: tuple[str, ...]
    hertz: Fraction
    source: str

    @property
    def kilohertz(self) -> Fraction:
        """Return the exact bandwidth in kilohertz."""
        return self.hertz / 1000

    def __str__(self) -> str:
        return f"{self.labels[-1]} kHz"


_LABELS = "labels: SX1276 (one decimal) and SX1261/2 (two decimals) data sheets"
BANDWIDTHS: tuple[Bandwidth, ...] = tuple(
    Bandwidth(labels, Fraction(500_000, divisor), f"500 kHz / {divisor}; {_LABELS}")
    for labels, divisor in (
        (("7.8", "7.81", "7.8125"), 64),
        (("10.4", "10.42", "10.417"), 48),
        (("15.6", "15.63", "15.625"), 32),
        (("20.8", "20.83", "20.833"), 24),
        (("31.2", "31.25"), 16),
        (("41.7", "41.67", "41.667"), 12),
        (("62.5",), 8),
        (("125",), 4),
        (("250",), 2),
        (("500",), 1),
    )
)

# Coding rate as written, and how many symbols one block then takes. Source: SX1276 data sheet,
# RegModemConfig1 CodingRate.
CODING_RATES: dict[str, int] = {"4/5": 5, "4/6": 6, "4/7": 7, "4/8": 8}


@dataclass(frozen=True, slots=True)
class Waveform:
    """How a modem family builds a packet at some of its spreading factors.

    sync_symbols follow the programmed preamble; the first block has spreading_factor - dropped_rows rows;
    advised_preamble is the shortest preamble that the maker advises, 0 where it advises none.
    """

    spreading_factors: range
    sync_symbols: Fraction
    dropped_rows: int
    has_explicit_header: bool
    has_low_data_rate: bool
    advised_preamble: int
    source: str


@dataclass(frozen=True, slots=True)
class Modem:
    """A modem family: its waveforms by spreading factor, and the shortest preamble that can be set."""

    name: str
    description: str
    minimum_preamble: int
    waveforms: tuple[Waveform, ...]
    source: str

    @property
    def spreading_factors(self) -> tuple[int, ...]:
        """Return every spreading factor of the family, in rising order."""
        return tuple(factor for waveform in self.waveforms for factor in waveform.spreading_factors)

    def __str__(self) -> str:
        return self.name


_OLD_SHEET = "SX1272 data sheet rev. 2 p. 29; SX1276 data sheet p. 31"
_NEW_SHEET = "SX1261/2 data sheet, section 6.1.4 (a text quoting it)"
_OLD = Waveform(
    spreading_factors=range(7, 13),
    sync_symbols=Fraction(17, 4),
    dropped_rows=2,
    has_explicit_header=True,
    has_low_data_rate=True,
    advised_preamble=0,
    source=_OLD_SHEET,
)
_OLD_SF6 = replace(_OLD, spreading_factors=range(6, 7), has_explicit_header=False)
_NEW = replace(_OLD, source=_NEW_SHEET)
_NEW_SF5_SF6 = Waveform(
    spreading_factors=range(5, 7),
    sync_symbols=Fraction(25, 4),
    dropped_rows=0,
    has_explicit_header=True,
    has_low_data_rate=False,
    advised_preamble=12,
    source=_NEW_SHEET,
)
MODEMS: dict[str, Modem] = {
    modem.name: modem
    for modem in (
        Modem(
            name="sx127x",
            description="the old family (SX1272, SX1276 and kin): SF6 to SF12, at SF6 only implicit headers",
            minimum_preamble=6,
            waveforms=(_OLD_SF6, _OLD),
            source="SX1276 data sheet, section 4.1.1.6: 6 to 65535 preamble symbols (a text quoting it)",
        ),
        Modem(
            name="sx126x",
            description="the new family (SX1261, SX1262 and kin): SF5 to SF12",
            minimum_preamble=1,
            waveforms=(_NEW_SF5_SF6, _NEW),
            source="SX1261/2 data sheet, table 13-66: 1 to 65535 preamble symbols (a text quoting it)",
        ),
    )
}
MAXIMUM_PREAMBLE = 65_535  # a 16-bit register in both families

# From SF7 to SF12 both families give the same time, so the default matters only below; there the new family
# is the one that has SF5, and that sends SF6 with the header that every other default asks for.
DEFAULT_MODEM = "sx126x"
DEFAULT_CODING_RATE = "4/5"
DEFAULT_PREAMBLE_SYMBOLS = 8  # what the chips start with, and the regional parameters of RP002 use
LOW_DATA_RATE_CHOICES = ("auto", "on", "off")


def _shown(value: object) -> str:
    """Return the value as a message can show it, whatever its size."""
    if isinstance(value, int) and value.bit_length() > 200:
        return f"a number of {value.bit_length()} bits"
    plain = isinstance(value, (int, float, Fraction)) or exact_number(value) is not None
    text = str(value).strip() if plain else repr(value)
    return text if len(text) <= 40 else text[:37] + "..."


def exact_number(value: object) -> Fraction | None:
    """Return a number as it was written (7.8 is 78/10, not its double), or None where it is none."""
    if isinstance(value, bool):
        return None
    if isinstance(value, (int, Fraction)):
        return Fraction(value)
    if isinstance(value, float) and math.isfinite(value):
        return Fraction(repr(value))
    # Bounded, so that no text can ask for a number of a million digits.
    if isinstance(value, str) and re.fullmatch(r"\d{1,12}(\.\d{1,12})?", value.strip(), re.ASCII):
        return Fraction(value.strip())
    return None


def _whole(value: object, what: str, example: str) -> int:
    """Return the whole number meant; `what` and `example` word the refusal."""
    number = exact_number(value)
    if number is None or number.denominator != 1:
        raise RadioError(f"{_shown(value)} is not {what}; write {example}")
    return int(number)


def bandwidth(kilohertz: Number | Bandwidth) -> Bandwidth:
    """Return the row of BANDWIDTHS that a number of kilohertz names: 7.8, 7.81 and 7.8125 are one row.

    Raises RadioError for any other number, with the whole table and the nearest rows.

    >>> float(bandwidth("7.8").hertz)
    7812.5
    """
    if isinstance(kilohertz, Bandwidth):
        return kilohertz
    number = exact_number(kilohertz)
    for row in BANDWIDTHS:
        # A double computed from the exact row (500/48) is that row too.
        if number is not None and (number in map(Fraction, row.labels) or number == row.kilohertz):
            return row
        if isinstance(kilohertz, float) and kilohertz == float(row.kilohertz):
            return row
    table = ", ".join(row.labels[-1] for row in BANDWIDTHS)
    message = f"{_shown(kilohertz)} kHz is not a bandwidth of these modems, which have {table} kHz"
    if number is not None and any(number == row.hertz for row in BANDWIDTHS):
        raise RadioError(f"{message}; {_shown(kilohertz)} looks like hertz: write {float(number / 1000):g}")
    if number is None:
        raise RadioError(f"{message}; write one of these numbers, without a unit")
    nearest = sorted(BANDWIDTHS, key=lambda row: abs(row.kilohertz - number))[:2]
    closest = " or ".join(row.labels[-1] for row in sorted(nearest, key=lambda row: row.hertz))
    raise RadioError(f"{message}; use {closest}")


def coding_rate(rate: Number) -> str:
    """Return the coding rate as it is written, `4/5` to `4/8`; 5 to 8 mean the same.

    Raises RadioError for anything else; 1 to 4, as registers number the rates, are refused because 4 alone is
    ambiguous.
    """
    if isinstance(rate, str) and rate.replace(" ", "") in CODING_RATES:
        return rate.replace(" ", "")
    number = exact_number(rate)
    for text, symbols in CODING_RATES.items():
        if number in (symbols, Fraction(text)):
            return text
    hint = f"; a register value of {number} is written 4/{number + 4}" if number in (1, 2, 3, 4) else ""
    raise RadioError(f"{_shown(rate)} is not a coding rate; use {', '.join(CODING_RATES)}{hint}")


def _modem(given: object) -> Modem:
    if isinstance(given, Modem):
        return given
    if isinstance(given, str) and given.strip().lower() in MODEMS:
        return MODEMS[given.strip().lower()]
    names = "; ".join(f"{modem.name}: {modem.description}" for modem in MODEMS.values())
    raise RadioError(f"{_shown(given)} is not a modem family known here; use one of {names}")


def _low_data_rate(given: object) -> str:
    if isinstance(given, bool):  # a schema's `true`
        return "on" if given else "off"
    if isinstance(given, str) and given.strip().lower() in LOW_DATA_RATE_CHOICES:
        return given.strip().lower()
    raise RadioError(
        f"{_shown(given)} is not a low-data-rate setting; use {', '.join(LOW_DATA_RATE_CHOICES)}"
    )


def _flag(given: object) -> bool:
    if isinstance(given, bool):
        return given
    raise RadioError(f"{_shown(given)} is neither true nor false; write one of them")


def _bandwidth(given: object) -> Bandwidth:
    if isinstance(given, (Bandwidth, int, float, Fraction, str)):
        return bandwidth(given)
    raise RadioError(f"{_shown(given)} is not a bandwidth; write a number of kilohertz, for example 125")


def _coding_rate(given: object) -> str:
    if isinstance(given, (int, float, Fraction, str)):
        return coding_rate(given)
    raise RadioError(f"{_shown(given)} is not a coding rate; use {', '.join(CODING_RATES)}")


_READERS: dict[str, Callable[[object], object]] = {
    "spreading_factor": lambda given: _whole(given, "a spreading factor", "a whole number, for example 10"),
    "bandwidth": _bandwidth,
    "coding_rate": _coding_rate,
    "preamble_symbols": lambda given: _whole(
        given, "a preamble length", "a whole number of symbols, for example 8"
    ),
    "explicit_header": _flag,
    "crc": _flag,
    "low_data_rate": _low_data_rate,
    "modem": _modem,
}
_DEFAULTS: dict[str, object] = {
    "coding_rate": DEFAULT_CODING_RATE,
    "preamble_symbols": DEFAULT_PREAMBLE_SYMBOLS,
    "explicit_header": True,
    "crc": True,
    "low_data_rate": "auto",
    "modem": DEFAULT_MODEM,
}


def _waveform(modem: Modem, spreading_factor: int) -> Waveform | None:
    return next((row for row in modem.waveforms if spreading_factor in row.spreading_factors), None)


def _refuse_spreading_factor(modem: Modem, spreading_factor: int) -> str | None:
    if _waveform(modem, spreading_factor):
        return None
    lowest, highest = modem.spreading_factors[0], modem.spreading_factors[-1]
    found = f"{_shown(spreading_factor)} does not exist on {modem}, which has SF{lowest} to SF{highest}"
    others = [other.name for other in MODEMS.values() if _waveform(other, spreading_factor)]
    other = f", or modem {' or '.join(others)}" if others else ""
    return f"{found}; use {lowest if spreading_factor < lowest else highest}{other}"


def _refuse_header(modem: Modem, spreading_factor: int, explicit_header: bool) -> str | None:
    waveform = _waveform(modem, spreading_factor)
    if waveform is None or waveform.has_explicit_header or not explicit_header:
        return None
    return (
        f"{modem} sends SF{spreading_factor} with an implicit header only; use an implicit header (both ends "
        f"then fix the length), a spreading factor of 7 or more, or modem {DEFAULT_MODEM}"
    )


def _refuse_low_data_rate(modem: Modem, spreading_factor: int, low_data_rate: str) -> str | None:
    waveform = _waveform(modem, spreading_factor)
    if waveform is None or waveform.has_low_data_rate or low_data_rate != "on":
        return None
    return (
        f"{modem} has no low-data-rate blocks at SF{spreading_factor}; use auto or off, or a spreading "
        "factor of 7 or more"
    )


def _refuse_preamble(modem: Modem, preamble_symbols: int) -> str | None:
    if modem.minimum_preamble <= preamble_symbols <= MAXIMUM_PREAMBLE:
        return None
    limits = f"{modem.minimum_preamble} to {MAXIMUM_PREAMBLE}"
    found = f"{_shown(preamble_symbols)} preamble symbols cannot be set on {modem}"
    return f"{found}; use {limits} ({DEFAULT_PREAMBLE_SYMBOLS} is usual)"


# What each rule reads; the last name is the one at fault. A rule runs once all that it reads is well formed.
_RULES: tuple[tuple[tuple[str, ...], Callable[..., str | None]], ...] = (
    (("modem", "spreading_factor"), _refuse_spreading_factor),
    (("modem", "preamble_symbols"), _refuse_preamble),
    (("modem", "spreading_factor", "explicit_header"), _refuse_header),
    (("modem", "spreading_factor", "low_data_rate"), _refuse_low_data_rate),
)


def _read(given: Mapping[str, object]) -> tuple[dict[str, object], tuple[Fault, ...]]:
    """Return the values of a setting in their own types, and every fault in the order of the fields."""
    values: dict[str, object] = {}
    faults: list[Fault] = []
    for name, reader in _READERS.items():
        if name not in given and name not in _DEFAULTS:
            faults.append(Fault(name, "required", "not given, and no default could be right; give a value"))
            continue
        try:
            values[name] = reader(given.get(name, _DEFAULTS.get(name)))
        except RadioError as error:
            faults.append(Fault(name, "value", str(error)))
    for needs, refuse in _RULES:
        if all(name in values for name in needs):
            message = refuse(*(values[name] for name in needs))
            faults += [Fault(needs[-1], "modem", message)] if message else []
    order = list(_READERS)
    faults.sort(key=lambda fault: order.index(fault.path))
    known = f"not a radio setting; they are {', '.join(order)}"
    faults += [Fault(_shown(name), "unknown", known) for name in given if name not in _READERS]
    return values, tuple(faults)


def setting_faults(given: Mapping[str, object]) -> tuple[Fault, ...]:
    """Return every fault of the values that would make a Setting, empty where there is none.

    given: keyed like the arguments of Setting. For callers that know where each value was written, such as a
    schema's loader; `path` is the argument's name, `message` the reason, the numbers and the remedy.
    """
    return _read(given)[1]


@dataclass(frozen=True, init=False)
class Setting:
    """A radio setting that a modem has, checked as a whole.

    Takes numbers or text, as people write them: bandwidth in kilohertz (7.8, "125"), coding_rate as "4/5" or
    5, low_data_rate as "auto", "on" or "off", modem as a name of MODEMS. Raises RadioError with every fault,
    one on a line.

    >>> Setting(10, 125).coding_rate
    '4/5'
    """

    spreading_factor: int
    bandwidth: Bandwidth
    coding_rate: str
    preamble_symbols: int
    explicit_header: bool
    crc: bool
    low_data_rate: str
    modem: Modem

    def __init__(
        self,
        spreading_factor: Number,
        bandwidth: Number | Bandwidth,
        coding_rate: Number = DEFAULT_CODING_RATE,
        preamble_symbols: Number = DEFAULT_PREAMBLE_SYMBOLS,
        explicit_header: bool = True,
        crc: bool = True,
        low_data_rate: str | bool = "auto",
        modem: str | Modem = DEFAULT_MODEM,
    ) -> None:
        values, faults = _read(
            {
                "spreading_factor": spreading_factor,
                "bandwidth": bandwidth,
                "coding_rate": coding_rate,
                "preamble_symbols": preamble_symbols,
                "explicit_header": explicit_header,
                "crc": crc,
                "low_data_rate": low_data_rate,
                "modem": modem,
            }
        )
        if faults:
            raise RadioError("\n".join(map(str, faults)))
        for name, value in values.items():
            object.__setattr__(self, name, value)

    @property
    def waveform(self) -> Waveform:
        """Return the row of facts for this modem and spreading factor."""
        return next(row for row in self.modem.waveforms if self.spreading_factor in row.spreading_factors)

    @property
    def block_symbols(self) -> int:
        """Return how many symbols each block after the first takes: 5 at coding rate 4/5, 8 at 4/8."""
        return CODING_RATES[self.coding_rate]

    @property
    def low_data_rate_on(self) -> bool:
        """Return whether low-data-rate blocks are used, `auto` decided by the symbol time."""
        return low_data_rate(self)

    def __str__(self) -> str:
        """Return the setting on one line, in the order in which people say it."""
        header = "explicit" if self.explicit_header else "implicit"
        return (
            f"SF{self.spreading_factor}, {self.bandwidth}, {self.coding_rate}, "
            f"preamble {self.preamble_symbols}, {header} header, "
            f"CRC {'on' if self.crc else 'off'}, {self.modem}"
        )


def symbol_time(setting: Setting) -> Fraction:
    """Return how long one chirp symbol lasts, in exact seconds.

    A symbol is 2**spreading_factor chips, one chip per hertz of bandwidth and second. Source: SX1276 data
    sheet, section 4.1.1.7 (symbol rate).

    >>> float(symbol_time(Setting(7, 125)))
    0.001024
    """
    return Fraction(1 << setting.spreading_factor) / setting.bandwidth.hertz


def low_data_rate(setting: Setting) -> bool:
    """Return whether blocks carry two rows fewer, to survive drift.

    They do from 16 ms a symbol on, unless the setting forces it either way. Both ends must agree, or nothing
    is received.
    """
    if setting.low_data_rate == "auto":
        return symbol_time(setting) >= LOW_DATA_RATE_SYMBOL
    return setting.low_data_rate == "on"


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
        raise RadioError(f"{_shown(payload_bytes)} is not a number of payload bytes; give a whole number")
    if not 0 <= payload_bytes <= MAXIMUM_PAYLOAD_BYTES:
        raise RadioError(
            f"a packet carries 0 to {MAXIMUM_PAYLOAD_BYTES} payload bytes, not {_shown(payload_bytes)}; "
            "shorten the frame or send it in several packets"
        )


def _payload_bits(setting: Setting, payload_bytes: int) -> int:
    check_payload(payload_bytes)
    return 8 * payload_bytes + CRC_BITS * setting.crc


def _blocks(setting: Setting, payload_bytes: int) -> int:
    """Return how many blocks follow the first one."""
    rest = _payload_bits(setting, payload_bytes) - _first_block_bits(setting)
    return max(0, -(-rest // _block_bits(setting)))


def _bytes_in_blocks(setting: Setting, blocks: int) -> int:
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
    return FIRST_BLOCK_SYMBOLS + _blocks(setting, payload_bytes) * setting.block_symbols


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
    largest = _bytes_in_blocks(setting, math.floor(spare / setting.block_symbols))
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
        preamble, sync = _decimal(self.preamble_symbols), _decimal(self.setting.waveform.sync_symbols)
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
        blocks=_blocks(setting, payload_bytes),
        payload_symbols=payload_symbols(setting, payload_bytes),
        time_on_air_s=time_on_air(setting, payload_bytes),
    )


@dataclass(frozen=True, slots=True)
class Staircase:
    """Where a payload stands on the staircase of time on air. Times are exact seconds.

    free_bytes more cost nothing; fewer_bytes less save saved_s (both None on the lowest step); more_bytes
    more, one beyond the free ones, cost added_s (both None where 255 bytes end the staircase).
    """

    payload_bytes: int
    time_on_air_s: Fraction
    free_bytes: int
    fewer_bytes: int | None
    saved_s: Fraction | None
    more_bytes: int | None
    added_s: Fraction | None

    def __str__(self) -> str:
        """Return the sentence that a frame's designer wants: what more costs, what less saves."""
        free = "no more bytes are free" if not self.free_bytes else f"{self.free_bytes} more bytes are free"
        parts = [free.replace("1 more bytes are", "1 more byte is") if self.free_bytes == 1 else free]
        if not self.free_bytes and self.added_s is not None:
            parts.append(f"one more costs {_rounded(self.added_s)}")
        if self.fewer_bytes is not None and self.saved_s is not None:
            fewer = "one less saves" if self.fewer_bytes == 1 else f"{self.fewer_bytes} less save"
            parts.append(f"{fewer} {_rounded(self.saved_s)}")
        else:
            parts.append("fewer save nothing")
        return "; ".join(parts) + "."


def staircase(setting: Setting, payload_bytes: int) -> Staircase:
    """Return what a few bytes more or fewer than payload_bytes (0 to 255) cost or save.

    A block holds 16 bits or more, so a byte never climbs two steps.

    >>> print(staircase(Setting(10, 125), 20))
    4 more bytes are free; one less saves 41 ms.
    """
    blocks = _blocks(setting, payload_bytes)
    step = setting.block_symbols * symbol_time(setting)
    last = _bytes_in_blocks(setting, blocks)
    below = _bytes_in_blocks(setting, blocks - 1) if blocks else -1
    more = last - payload_bytes + 1 if last < MAXIMUM_PAYLOAD_BYTES else None
    return Staircase(
        payload_bytes=payload_bytes,
        time_on_air_s=time_on_air(setting, payload_bytes),
        free_bytes=last - payload_bytes,
        fewer_bytes=payload_bytes - below if below >= 0 else None,
        saved_s=step if below >= 0 else None,
        more_bytes=more,
        added_s=step if more is not None else None,
    )


@dataclass(frozen=True, slots=True)
class Stair:
    """One step: every payload from first_bytes to last_bytes lasts time_on_air_s, in exact seconds."""

    first_bytes: int
    last_bytes: int
    time_on_air_s: Fraction


def stairs(setting: Setting) -> tuple[Stair, ...]:
    """Return the whole staircase of a setting, from an empty payload to 255 bytes."""
    steps: list[Stair] = []
    first = 0
    while first <= MAXIMUM_PAYLOAD_BYTES:
        last = _bytes_in_blocks(setting, _blocks(setting, first))
        steps.append(Stair(first, last, time_on_air(setting, first)))
        first = last + 1
    return tuple(steps)


def advice(setting: Setting) -> tuple[str, ...]:
    """Return what makers and practice say against a setting that is possible all the same; often nothing."""
    notes = []
    advised = setting.waveform.advised_preamble
    if setting.preamble_symbols < advised:
        notes.append(
            f"At SF{setting.spreading_factor} the {setting.modem} data sheet asks for at least {advised} "
            f"preamble symbols; this is computed with {setting.preamble_symbols}."
        )
    if setting.low_data_rate == "off" and symbol_time(setting) >= LOW_DATA_RATE_SYMBOL:
        notes.append(
            f"Low data rate is forced off at {milliseconds(symbol_time(setting))} a symbol; data sheets "
            "require it above 16 ms."
        )
    if setting.bandwidth.hertz < 62_500:
        notes.append("Below 62.5 kHz both ends need a temperature-compensated oscillator (common practice).")
    return tuple(notes)


def milliseconds(seconds: Fraction) -> str:
    """Return a time as milliseconds with three decimals, which is exact for every setting there is.

    Each bandwidth divides 500 kHz, so a quarter symbol is a whole number of microseconds.
    """
    return f"{float(seconds * 1000):.3f} ms"


def _decimal(symbols: Fraction) -> str:
    """Return a number of quarter symbols in full: 12.25, 8."""
    return f"{float(symbols):.2f}".rstrip("0").rstrip(".")


def _rounded(seconds: Fraction) -> str:
    """Return a time as people say it: whole milliseconds, or two digits below ten of them."""
    in_ms = float(seconds * 1000)
    return f"{in_ms:.0f} ms" if in_ms >= 10 else f"{in_ms:.2g} ms"
