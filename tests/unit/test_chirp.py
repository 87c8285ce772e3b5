"""Chirp settings: what is accepted in which spelling, what is refused with which words, what is shown."""

from __future__ import annotations

import dataclasses
import doctest
from fractions import Fraction

import pytest

from packetkit.errors import RadioError
from packetkit.radio import chirp, modems, settings, staircase
from packetkit.radio.settings import Setting, bandwidth, coding_rate


@pytest.mark.parametrize(
    "spelling", ["7.8", "7.81", "7.8125", 7.8, 7.81, 7.8125, Fraction("7.8125"), " 7.8 "]
)
def test_one_bandwidth_has_one_row_however_it_is_printed(spelling: str | float | Fraction) -> None:
    assert bandwidth(spelling) is modems.BANDWIDTHS[0]
    assert bandwidth(spelling).hertz == Fraction(15625, 2)


def test_every_label_names_its_own_row_and_rounds_the_true_bandwidth() -> None:
    labels = [label for row in modems.BANDWIDTHS for label in row.labels]
    assert len(labels) == len(set(labels))
    for row in modems.BANDWIDTHS:
        assert bandwidth(row) is bandwidth(row.kilohertz) is bandwidth(float(row.kilohertz)) is row
        for label in row.labels:
            assert bandwidth(label) is bandwidth(float(label)) is row
            decimals = len(label.partition(".")[2])
            # Data sheets round 31.25 down to 31.2 and 15.625 up to 15.63.
            assert abs(Fraction(label) - row.kilohertz) <= Fraction(1, 2 * 10**decimals)


def test_another_bandwidth_is_refused_with_the_table_and_the_nearest_rows() -> None:
    with pytest.raises(RadioError) as caught:
        bandwidth(100)
    assert str(caught.value) == (
        "100 kHz is not a bandwidth of these modems, which have 7.8125, 10.417, 15.625, 20.833, 31.25, "
        "41.667, 62.5, 125, 250, 500 kHz; use 62.5 or 125"
    )


def test_a_bandwidth_in_hertz_is_recognised() -> None:
    with pytest.raises(RadioError, match=r"125000 looks like hertz: write 125$"):
        bandwidth(125_000)


@pytest.mark.parametrize(
    "wrong", ["125 kHz", "", "nan", float("nan"), float("inf"), "1e9", "-125", "1" * 5000]
)
def test_what_is_no_number_is_no_bandwidth(wrong: str | float) -> None:
    with pytest.raises(RadioError, match="one of these numbers, without a unit") as caught:
        bandwidth(wrong)
    assert len(str(caught.value)) < 250


@pytest.mark.parametrize(
    ("given", "written"),
    [
        ("4/5", "4/5"),
        ("4 / 8", "4/8"),
        (5, "4/5"),
        ("6", "4/6"),
        (Fraction(4, 7), "4/7"),
        (8, "4/8"),
        (0.8, "4/5"),
    ],
)
def test_a_coding_rate_may_be_written_in_the_usual_ways(given: str | float | Fraction, written: str) -> None:
    assert coding_rate(given) == written


@pytest.mark.parametrize("wrong", ["4/9", "4/4", 9, 0, "1/2", "", "5/4", True])
def test_another_coding_rate_is_refused_with_the_table(wrong: str | int) -> None:
    with pytest.raises(RadioError, match="is not a coding rate; use 4/5, 4/6, 4/7, 4/8"):
        coding_rate(wrong)


@pytest.mark.parametrize("value", [1, 2, 3, 4])
def test_a_register_value_for_a_coding_rate_is_refused_with_its_meaning(value: int) -> None:
    with pytest.raises(RadioError, match=rf"a register value of {value} is written 4/{4 + value}$"):
        coding_rate(value)


def test_the_defaults_are_the_usual_ones() -> None:
    setting = Setting(10, 125)
    assert (setting.coding_rate, setting.preamble_symbols) == ("4/5", 8)
    assert setting.explicit_header
    assert setting.crc
    assert (setting.low_data_rate, setting.low_data_rate_on) == ("auto", False)
    assert str(setting) == "SF10, 125 kHz, 4/5, preamble 8, explicit header, CRC on, sx126x"


def test_settings_are_values() -> None:
    assert Setting(10, "7.8", 5) == Setting("10", 7.8125, "4/5", modem="SX126X")
    changed = dataclasses.replace(Setting(10, 125), spreading_factor=12)
    assert changed == Setting(12, 125)
    assert len({changed, Setting(12, 125), Setting(12, 250)}) == 2


IMPOSSIBLE: tuple[tuple[dict[str, object], str], ...] = (
    (
        {"spreading_factor": 5, "modem": "sx127x"},
        "spreading_factor: 5 does not exist on sx127x, which has SF6 to SF12; use 6, or modem sx126x",
    ),
    (
        {"spreading_factor": 13},
        "spreading_factor: 13 does not exist on sx126x, which has SF5 to SF12; use 12",
    ),
    (
        {"spreading_factor": 6, "modem": "sx127x"},
        (
            "explicit_header: sx127x sends SF6 with an implicit header only; use an implicit header (both "
            "ends then fix the length), a spreading factor of 7 or more, or modem sx126x"
        ),
    ),
    (
        {"spreading_factor": 6, "low_data_rate": "on"},
        (
            "low_data_rate: sx126x has no low-data-rate blocks at SF6; use auto or off, or a spreading "
            "factor of 7 or more"
        ),
    ),
    (
        {"preamble_symbols": 5, "modem": "sx127x"},
        "preamble_symbols: 5 preamble symbols cannot be set on sx127x; use 6 to 65535 (8 is usual)",
    ),
    (
        {"preamble_symbols": 65536},
        "preamble_symbols: 65536 preamble symbols cannot be set on sx126x; use 1 to 65535 (8 is usual)",
    ),
    (
        {"preamble_symbols": "8.5"},
        "preamble_symbols: 8.5 is not a preamble length; write a whole number of symbols, for example 8",
    ),
    (
        {"spreading_factor": True},
        "spreading_factor: True is not a spreading factor; write a whole number, for example 10",
    ),
    (
        {"spreading_factor": 10**5000},
        "spreading_factor: a number of 16610 bits does not exist on sx126x, which has SF5 to SF12; use 12",
    ),
    ({"crc": "yes"}, "crc: 'yes' is neither true nor false; write one of them"),
    (
        {"low_data_rate": "maybe"},
        "low_data_rate: 'maybe' is not a low-data-rate setting; use auto, on, off",
    ),
    (
        {"bandwidth": None},
        "bandwidth: None is not a bandwidth; write a number of kilohertz, for example 125",
    ),
    ({"coding_rate": None}, "coding_rate: None is not a coding rate; use 4/5, 4/6, 4/7, 4/8"),
    (
        {"sf": 7},
        (
            "'sf': not a radio setting; they are spreading_factor, bandwidth, coding_rate, preamble_symbols, "
            "explicit_header, crc, low_data_rate, modem"
        ),
    ),
)


@pytest.mark.parametrize(("values", "message"), IMPOSSIBLE, ids=[text[:40] for _, text in IMPOSSIBLE])
def test_each_impossible_setting_is_refused_with_reason_and_remedy(
    values: dict[str, object], message: str
) -> None:
    faults = settings.setting_faults({"spreading_factor": 10, "bandwidth": 125, **values})
    assert [str(fault) for fault in faults] == [message]


def test_an_unknown_modem_is_refused_with_the_families() -> None:
    with pytest.raises(
        RadioError, match="modem: 'sx9999' is not a modem family known here; use one of sx127x: the old"
    ):
        Setting(10, 125, modem="sx9999")


def test_all_faults_of_a_setting_are_told_at_once_in_the_order_of_its_fields() -> None:
    with pytest.raises(RadioError) as caught:
        Setting(5, 100, "4/9", 3, low_data_rate="?", modem="sx127x")
    assert [line.split(":")[0] for line in str(caught.value).splitlines()] == [
        "spreading_factor",
        "bandwidth",
        "coding_rate",
        "preamble_symbols",
        "low_data_rate",
    ]


def test_what_has_no_default_must_be_given() -> None:
    assert [fault.path for fault in settings.setting_faults({})] == ["spreading_factor", "bandwidth"]
    assert [fault.rule for fault in settings.setting_faults({})] == ["required", "required"]


def test_the_readers_name_the_fields_of_a_setting_in_their_order() -> None:
    assert list(settings._READERS) == [field.name for field in dataclasses.fields(Setting)]


@pytest.mark.parametrize("wrong", [-1, 256, 1 << 4000])
def test_a_packet_of_more_than_255_bytes_is_refused(wrong: int) -> None:
    for function in (chirp.time_on_air, chirp.payload_symbols, chirp.airtime, staircase.staircase):
        with pytest.raises(RadioError, match="a packet carries 0 to 255 payload bytes, not"):
            function(Setting(10, 125), wrong)


def test_a_payload_is_a_whole_number_of_bytes() -> None:
    for wrong in (24.0, True, "24"):
        with pytest.raises(RadioError, match="is not a number of payload bytes"):
            chirp.time_on_air(Setting(10, 125), wrong)  # type: ignore[arg-type]


def test_low_data_rate_is_decided_by_the_symbol_time_unless_forced() -> None:
    assert not settings.low_data_rate(Setting(10, 125))
    assert settings.low_data_rate(Setting(11, 125))  # 16.384 ms
    assert settings.low_data_rate(
        Setting(8, "15.63")
    )  # 16.384 ms; from 15.63 kHz as printed it would be 16.379
    assert not settings.low_data_rate(Setting(12, 125, low_data_rate="off"))
    assert settings.low_data_rate(Setting(7, 125, low_data_rate=True))


def test_the_steps_of_the_formula_are_shown_with_their_numbers() -> None:
    # Worked by hand from the SX1276 data sheet, p. 31.
    assert str(chirp.airtime(Setting(10, 125), 24)).splitlines() == [
        "symbol             2^10 / 125 kHz                     8.192 ms",
        "low data rate      auto: on from 16 ms a symbol       off",
        "bits to carry      8 x 24 + 16 CRC                    208 bits",
        "first block holds  4 x (10 - 2) - 20 header           12 bits",
        "left over          208 - 12                           196 bits",
        "a block holds      4 x 10                             40 bits",
        "blocks             196 / 40, rounded up               5",
        "payload            8 + 5 x 5                          33 symbols",
        "preamble           8 + 4.25 sync                      12.25 symbols",
        "time on air        (12.25 + 33) x 8.192 ms            370.688 ms",
    ]


def test_the_steps_of_an_extreme_setting_still_fit_a_terminal_and_say_what_was_cut_off() -> None:
    text = str(chirp.airtime(Setting(12, "7.8", "4/8", 65535, False, False), 0))
    assert max(map(len, text.splitlines())) < 80
    assert "0 - 40, not below 0" in text
    assert "(65539.25 + 8) x 524.288 ms" in text


@pytest.mark.parametrize(
    ("setting", "payload_bytes", "sentence"),
    [
        (Setting(10, 125), 20, "4 more bytes are free; one less saves 41 ms."),
        (Setting(10, 125), 23, "1 more byte is free; 4 less save 41 ms."),
        (Setting(10, 125), 24, "no more bytes are free; one more costs 41 ms; 5 less save 41 ms."),
        (Setting(12, 125, explicit_header=False, crc=False), 0, "5 more bytes are free; fewer save nothing."),
        (Setting(7, 125), 255, "no more bytes are free; 2 less save 5.1 ms."),
        (Setting(5, 500), 0, "no more bytes are free; one more costs 0.32 ms; fewer save nothing."),
    ],
    ids=str,
)
def test_the_staircase_is_told_in_one_sentence(setting: Setting, payload_bytes: int, sentence: str) -> None:
    assert str(staircase.staircase(setting, payload_bytes)) == sentence


# In the second the first block is as large as any other: one block fewer would be no bytes at all.
@pytest.mark.parametrize(
    "setting", [Setting(12, 125), Setting(5, 125, explicit_header=False, crc=False)], ids=str
)
def test_no_payload_fits_a_time_shorter_than_an_empty_packet(setting: Setting) -> None:
    empty = chirp.time_on_air(setting, 0)
    assert chirp.largest_payload(setting, empty) is not None
    assert chirp.largest_payload(setting, empty - Fraction(1, 1_000_000)) is None
    assert chirp.largest_payload(setting, -1) is None
    assert chirp.largest_payload(setting, 3600) == 255


def test_advice_is_given_where_a_possible_setting_is_not_a_wise_one() -> None:
    assert settings.advice(Setting(10, 125)) == ()
    assert "asks for at least 12 preamble symbols" in settings.advice(Setting(5, 125))[0]
    assert settings.advice(Setting(5, 125, preamble_symbols=12)) == ()
    assert "forced off at 32.768 ms a symbol" in settings.advice(Setting(12, 125, low_data_rate="off"))[0]
    assert "temperature-compensated" in settings.advice(Setting(7, 41.7))[0]


def test_the_examples_in_the_documentation_are_true() -> None:
    found = [doctest.testmod(module) for module in (settings, chirp, staircase)]
    assert sum(one.attempted for one in found) >= 6
    assert sum(one.failed for one in found) == 0
