"""What the page to try a mission by hand is told of the radio: from it the page's own sum gives the time on air."""

from __future__ import annotations

from fractions import Fraction
from math import ceil

import pytest

import packetkit
from packetkit.mission.explorer import USUAL_PASS_S, facts
from packetkit.radio import chirp
from packetkit.radio.settings import Setting, bandwidth

# Invented.
TEXT = """
mission: tern
frames: {one: {fields: [{name: a, bits: 8}]}}
link: {chirp: {spreading_factor: 9, bandwidth_khz: 125, coding_rate: 4/6, crc: true}, driver_bytes: 4}
"""


@pytest.mark.parametrize("crc", [True, False])
def test_a_row_gives_the_time_on_air_by_the_sum_of_the_data_sheet(crc: bool) -> None:
    # SX1276 data sheet, p. 31: preamble, 8 symbols that hold the header and first bits, then whole blocks.
    text = TEXT.replace("crc: true", f"crc: {str(crc).lower()}")
    radio = facts(packetkit.parse(text), text)["radio"]
    row = radio["rows"][radio["now"]]
    setting = Setting(9, bandwidth("125"), "4/6", crc=crc)
    for octets in range(256):
        blocks = max(0, ceil((8 * octets + row["crc_bits"] - row["first_bits"]) / row["block_bits"]))
        symbols = Fraction(row["preamble_symbols"]) + 8 + blocks * row["block_symbols"]
        # The row has doubles, as JSON does; a symbol of 4.096 ms is a decimal.
        assert symbols * Fraction(str(row["symbol_ms"])) / 1000 == chirp.time_on_air(setting, octets)
    assert (row["spreading_factor"], row["bandwidth_khz"], row["coding_rate"]) == (9, "125", "4/6")
    assert radio["driver_bytes"] == 4


def test_a_schema_without_a_radio_or_passes_has_none() -> None:
    text = TEXT.partition("link:")[0]
    told = facts(packetkit.parse(text), text)
    assert told["radio"] is None
    assert told["pass_s"] == USUAL_PASS_S
