"""A radio setting that a modem has: read from numbers and texts as people write them, and checked as a whole.

A reader a value, and a rule for what values do to each other; all faults are told at once. What follows from a setting alone, the time of
a symbol and whether blocks carry two rows fewer, is here too.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction

from packetkit.errors import Fault, RadioError
from packetkit.radio.modems import (
    BANDWIDTHS,
    CODING_RATES,
    DEFAULT_CODING_RATE,
    DEFAULT_MODEM,
    DEFAULT_PREAMBLE_SYMBOLS,
    LOW_DATA_RATE_CHOICES,
    MAXIMUM_PREAMBLE,
    MODEMS,
    Bandwidth,
    Modem,
    Waveform,
)

Number = int | float | Fraction | str

# SX1276 data sheet, "Low Data Rate Optimization": mandated above 16 ms. No real bandwidth gives exactly 16
# ms, and the 16.38 ms that the newer family's text prints decides alike: the symbol times nearest to both are
# 12.288 and 16.384 ms.
LOW_DATA_RATE_SYMBOL = Fraction(16, 1000)


def shown(value: object) -> str:
    """Return a value as a message can show it, whatever its size."""
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
        raise RadioError(f"{shown(value)} is not {what}; write {example}")
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
    message = f"{shown(kilohertz)} kHz is not a bandwidth of these modems, which have {table} kHz"
    if number is not None and any(number == row.hertz for row in BANDWIDTHS):
        raise RadioError(f"{message}; {shown(kilohertz)} looks like hertz: write {float(number / 1000):g}")
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
    raise RadioError(f"{shown(rate)} is not a coding rate; use {', '.join(CODING_RATES)}{hint}")


def _modem(given: object) -> Modem:
    if isinstance(given, Modem):
        return given
    if isinstance(given, str) and given.strip().lower() in MODEMS:
        return MODEMS[given.strip().lower()]
    names = "; ".join(f"{modem.name}: {modem.description}" for modem in MODEMS.values())
    raise RadioError(f"{shown(given)} is not a modem family known here; use one of {names}")


def _low_data_rate(given: object) -> str:
    if isinstance(given, bool):  # a schema's `true`
        return "on" if given else "off"
    if isinstance(given, str) and given.strip().lower() in LOW_DATA_RATE_CHOICES:
        return given.strip().lower()
    raise RadioError(f"{shown(given)} is not a low-data-rate setting; use {', '.join(LOW_DATA_RATE_CHOICES)}")


def _flag(given: object) -> bool:
    if isinstance(given, bool):
        return given
    raise RadioError(f"{shown(given)} is neither true nor false; write one of them")


def _bandwidth(given: object) -> Bandwidth:
    if isinstance(given, (Bandwidth, int, float, Fraction, str)):
        return bandwidth(given)
    raise RadioError(f"{shown(given)} is not a bandwidth; write a number of kilohertz, for example 125")


def _coding_rate(given: object) -> str:
    if isinstance(given, (int, float, Fraction, str)):
        return coding_rate(given)
    raise RadioError(f"{shown(given)} is not a coding rate; use {', '.join(CODING_RATES)}")


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
    found = f"{shown(spreading_factor)} does not exist on {modem}, which has SF{lowest} to SF{highest}"
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
    found = f"{shown(preamble_symbols)} preamble symbols cannot be set on {modem}"
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
    faults += [Fault(shown(name), "unknown", known) for name in given if name not in _READERS]
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
