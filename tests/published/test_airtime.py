"""Time on air against what others published: data-sheet formulas, regional parameters, the modulation itself.

Sources stand beside each value and formula below.

Three outside judges. The formulas as the data sheets print them, written out with no table of ours. The
largest payloads that RP002 allows under a dwell of 400 ms. A loop that fills interleaver blocks one after
another, which is how the modem works and why the formulas look as they do.
"""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest

from packetkit.radio import chirp, modems, settings
from packetkit.radio.chirp import largest_payload, payload_symbols, time_on_air
from packetkit.radio.settings import Setting

# LoRa Alliance RP002-1.0.5 (2025), AS923, maximum payload with the 400 ms dwell time set (application bytes N
# as read in a text quoting the table; 13 bytes of frame overhead make the payload that the radio sends).
DWELL_LIMITED = {10: 11 + 13, 9: 53 + 13, 8: 125 + 13, 7: 242 + 13}

# Milliseconds computed once from the SX1276 data-sheet formula and checked against a second program, before
# packetkit existed; 125 kHz, 4/5, preamble 8, explicit header, CRC on.
COMPUTED_MS = {
    (10, 24): "370.688",
    (10, 25): "411.648",
    (9, 66): "390.144",
    (9, 67): "410.624",
    (8, 138): "399.872",
    (8, 139): "410.112",
    (7, 255): "399.616",
    (10, 15): "329.728",
    (10, 19): "329.728",
    (10, 30): "452.608",
    (9, 32): "246.784",
    (12, 64): "2793.472",
    (12, 24): "1482.752",
}


@pytest.mark.parametrize(("spreading_factor", "payload_bytes"), DWELL_LIMITED.items())
def test_the_largest_payload_in_400_ms_is_the_one_that_regional_parameters_allow(
    spreading_factor: int, payload_bytes: int
) -> None:
    for modem in modems.MODEMS:
        setting = Setting(spreading_factor, 125, modem=modem)
        assert largest_payload(setting, Fraction(400, 1000)) == payload_bytes


@pytest.mark.parametrize(("spreading_factor", "payload_bytes"), COMPUTED_MS)
def test_time_on_air_is_the_computed_one_to_the_microsecond(
    spreading_factor: int, payload_bytes: int
) -> None:
    expected = Fraction(COMPUTED_MS[spreading_factor, payload_bytes]) / 1000
    for modem in modems.MODEMS:
        assert time_on_air(Setting(spreading_factor, 125, modem=modem), payload_bytes) == expected


@pytest.mark.parametrize(
    ("setting", "payload_bytes", "milliseconds"),
    [
        # Computed facts from public threads on time on air, recomputed by hand.
        (Setting(7, 125, "4/7"), 127, "285.952"),
        (Setting(12, 125, low_data_rate="off"), 40, "1810.432"),
        (Setting(12, 125, low_data_rate="on"), 40, "1974.272"),
        # SX1261/2 data sheet, section 6.1.4: at SF5 two more sync symbols, and no row dropped.
        (Setting(5, 125, preamble_symbols=12), 20, "18.240"),
    ],
    ids=str,
)
def test_a_worked_example_comes_out_exactly(setting: Setting, payload_bytes: int, milliseconds: str) -> None:
    assert time_on_air(setting, payload_bytes) == Fraction(milliseconds) / 1000


def test_nominal_bit_rates_of_regional_parameters_include_the_low_data_rate_rows() -> None:
    # RP002 data rates DR0 and DR1, SF12 and SF11 at 125 kHz: 250 and 440 bit/s, rounded to tens there.
    for spreading_factor, published, exact in ((12, 250, "244.140625"), (11, 440, "439.453125")):
        rates = []
        for choice in ("on", "off"):
            setting = Setting(spreading_factor, 125, low_data_rate=choice)
            block_bits = chirp.airtime(setting, 100).block_bits
            rates.append(block_bits / (setting.block_symbols * settings.symbol_time(setting)))
        with_rows_dropped, without = rates
        assert with_rows_dropped == Fraction(exact)
        assert abs(with_rows_dropped - published) < 10 < abs(without - published)


def old_formula(n: int, sf: int, cr: int, implicit: int, crc: int, low: int) -> int:
    """Return n_payload as the SX1272 (rev. 2 p. 29) and SX1276 (p. 31) data sheets print it; cr is 1 to 4."""
    quotient = Fraction(8 * n - 4 * sf + 28 + 16 * crc - 20 * implicit, 4 * (sf - 2 * low))
    return 8 + max(math.ceil(quotient) * (cr + 4), 0)


def new_formula(n: int, sf: int, cr: int, implicit: int, crc: int, low: int) -> int:
    """Return the symbols after the sync as the SX1261/2 data sheet, section 6.1.4, prints them."""
    header = 0 if implicit else 20
    if sf <= 6:
        return 8 + math.ceil(Fraction(max(8 * n + 16 * crc - 4 * sf + header, 0), 4 * sf)) * (cr + 4)
    over = max(8 * n + 16 * crc - 4 * sf + 8 + header, 0)
    return 8 + math.ceil(Fraction(over, 4 * (sf - 2 * low))) * (cr + 4)


def filled_blocks(n: int, sf: int, cr: int, implicit: int, crc: int, low: int, short: bool) -> int:
    """Return the symbols that a modem sends when it fills one interleaver block after another.

    The first block is 4/8: eight symbols, one row of four data bits for each of its rows, five rows taken by
    the header. Every later block has a row per bit of a symbol, two fewer at low data rate.
    """
    nibbles_left = 2 * n + 4 * crc
    symbols = 8
    room = (sf - 2 if short else sf) - (0 if implicit else 5)
    while True:
        nibbles_left -= room
        if nibbles_left <= 0:
            return symbols
        symbols += 4 + cr
        room = sf - 2 * low


def grid(modem: str) -> list[tuple[Setting, tuple[int, int, int, int, int]]]:
    """Return every setting of a family that changes the number of symbols, with the formula's letters."""
    rows = []
    for sf, cr, implicit, crc, low in itertools.product(range(5, 13), range(1, 5), (0, 1), (0, 1), (0, 1)):
        given = {
            "spreading_factor": sf,
            "bandwidth": 125,
            "coding_rate": f"4/{cr + 4}",
            "explicit_header": not implicit,
            "crc": bool(crc),
            "low_data_rate": "on" if low else "off",
            "modem": modem,
        }
        if not settings.setting_faults(given):
            setting = Setting(
                sf, 125, f"4/{cr + 4}", 8, not implicit, bool(crc), "on" if low else "off", modem
            )
            rows.append((setting, (sf, cr, implicit, crc, low)))
    return rows


def test_payload_symbols_of_the_old_family_follow_its_data_sheet_at_every_setting_and_length() -> None:
    rows = grid("sx127x")
    # SF7 to SF12 with every combination, SF6 with an implicit header only.
    assert len(rows) == 6 * 4 * 2 * 2 * 2 + 4 * 2 * 2
    for setting, letters in rows:
        for n in range(256):
            symbols = payload_symbols(setting, n)
            assert symbols == old_formula(n, *letters), (setting, n)
            assert symbols == filled_blocks(n, *letters, True), (setting, n)


def test_payload_symbols_of_the_new_family_follow_its_data_sheet_at_every_setting_and_length() -> None:
    rows = grid("sx126x")
    # SF7 to SF12 with every combination, SF5 and SF6 without low data rate.
    assert len(rows) == 6 * 4 * 2 * 2 * 2 + 2 * 4 * 2 * 2
    for setting, letters in rows:
        for n in range(256):
            symbols = payload_symbols(setting, n)
            assert symbols == new_formula(n, *letters), (setting, n)
            assert symbols == filled_blocks(n, *letters, letters[0] >= 7), (setting, n)


def test_time_on_air_is_the_data_sheet_sum_at_every_bandwidth() -> None:
    # 500 kHz / 2^k and 500 kHz / (3 x 2^k): the real bandwidths behind 7.8, 10.4, 15.6 ... of the data
    # sheets.
    true_hertz = [Fraction(500_000, divisor) for divisor in (64, 48, 32, 24, 16, 12, 8, 4, 2, 1)]
    labels = ["7.8", "10.4", "15.6", "20.8", "31.25", "41.7", "62.5", "125", "250", "500"]
    for (label, hertz), sf, preamble in itertools.product(
        zip(labels, true_hertz, strict=True), range(5, 13), (8, 12, 300)
    ):
        symbol = Fraction(2**sf) / hertz
        low = int(symbol >= Fraction("0.016"))
        sync = Fraction("6.25") if sf <= 6 else Fraction("4.25")
        setting = Setting(sf, label, "4/6", preamble)
        for n in (0, 1, 13, 51, 222, 255):
            expected = (preamble + sync + new_formula(n, sf, 2, 0, 1, low)) * symbol
            assert time_on_air(setting, n) == expected, (setting, n)


def test_the_low_data_rate_threshold_of_either_data_sheet_decides_alike() -> None:
    # SX1276 data sheet: above 16 ms. SX1261/2 texts: 16.38 ms. No real symbol time lies between.
    for row, sf in itertools.product(modems.BANDWIDTHS, range(5, 13)):
        symbol = settings.symbol_time(Setting(sf, row))
        assert (symbol >= Fraction("0.016")) == (symbol >= Fraction("0.01638"))
        assert settings.low_data_rate(Setting(sf, row)) == (symbol > Fraction("0.016"))


def test_both_families_agree_from_sf7_and_differ_at_sf6() -> None:
    # Stated in the SX1261/2 data sheet: its SF6 is not compatible with the older chips'.
    for sf, n in itertools.product(range(7, 13), range(0, 256, 5)):
        assert time_on_air(Setting(sf, 125, modem="sx127x"), n) == time_on_air(
            Setting(sf, 125, modem="sx126x"), n
        )
    pairs = [
        (
            payload_symbols(Setting(6, 125, explicit_header=False, modem="sx126x"), n) + 2,
            payload_symbols(Setting(6, 125, explicit_header=False, modem="sx127x"), n),
        )
        for n in range(1, 256)
    ]
    # Computed fact, 4/5 and CRC on, over the lengths 1 to 255, sync symbols included.
    differences = [new - old for new, old in pairs]
    assert set(differences) == {2, -3}
    assert (differences.count(2), differences.count(-3)) == (170, 85)
