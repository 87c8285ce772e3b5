"""What the chirp modems are, as rows: their bandwidths, coding rates, and how each family builds a packet at its spreading factors.

What would surprise a reader: bandwidths are the modem's real ones (7.8 kHz on a data sheet is 7.8125 kHz). The bandwidths of the 2.4 GHz
chips are left out: their block rule was not confirmed in a data sheet.

Sources: beside each row.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction


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

    def sends_as(self, other: Modem, spreading_factor: int) -> bool:
        """Return whether both families build a packet alike at a spreading factor, so that each hears the other."""
        mine, theirs = (
            [
                (row.sync_symbols, row.dropped_rows)
                for row in modem.waveforms
                if spreading_factor in row.spreading_factors
            ]
            for modem in (self, other)
        )
        return mine == theirs

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
