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


@pytest.mark.parametrize(("said", "share"), [("", None), (", share_of_hour_percent: 1", 0.01)])
def test_the_share_of_the_hour_is_told(said: str, share: float | None) -> None:
    text = TEXT.replace("driver_bytes: 4", "driver_bytes: 4" + said)
    assert facts(packetkit.parse(text), text)["radio"]["share_of_hour"] == share


STEPS = """
mission: tern
frames:
  one:
    fields:
      - {name: warmth, minimum: -40, maximum: 60, resolution: 0.5, missing: true, unit: Cel}
      - {name: pressure, minimum: 0, maximum: 10, resolution: &shared 0.5}
      - {name: tension, minimum: 0, maximum: 10, resolution: *shared}
      - {name: voltages, minimum: 0, maximum: 5, resolution: 0.02, repeat: {count: 3}}
      - {name: plain, bits: 4}
      - {kind: reserved, bits: 10}
"""


def test_steps_that_can_be_changed_are_where_the_schema_has_them() -> None:
    frame = facts(packetkit.parse(STEPS), STEPS)["frames"]["one"]
    found = {one["address"]: one for one in frame["edits"]}
    assert {name: STEPS[one["start"] : one["end"]] for name, one in found.items()} == {
        "warmth": "0.5",
        "voltages[]": "0.02",
    }
    assert [(one["bits"], one["times"], one["reserved"]) for one in found.values()] == [(8, 1, 1), (8, 3, 0)]
    start, end = frame["spare"]
    assert (STEPS[start:end], frame["spare_bits"]) == ("bits: 10", 10)


@pytest.mark.parametrize("words", ['"bits": 10', "bits: &b 10", "up_to: byte"])
def test_spare_bits_that_are_written_otherwise_are_not_offered(words: str) -> None:
    text = STEPS.replace("reserved, bits: 10", f"reserved, {words}")
    frame = facts(packetkit.parse(text), text)["frames"]["one"]
    assert frame["spare"] is None


@pytest.mark.parametrize(
    ("passes", "seconds"),
    [("duration_s: 300", 300.0), ("host: {messages_per_day: 10, message_bytes: 50}", USUAL_PASS_S)],
    ids=["given", "a host"],
)
def test_a_pass_is_as_long_as_the_schema_says_and_a_host_has_none(passes: str, seconds: float) -> None:
    text = f"{TEXT}passes: {{{passes}}}\n"
    assert facts(packetkit.parse(text), text)["pass_s"] == seconds
