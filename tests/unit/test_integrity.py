"""Names, errors, printed forms and lazy loading of the checks; their values are in published/ and laws/."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from packetkit.errors import AlgorithmError, PacketkitError, UnknownAlgorithm
from packetkit.integrity import catalog, crc, strength, sums
from packetkit.integrity.catalog import ALGORITHMS, custom_crc, find
from packetkit.resources import resource


def test_a_name_is_found_in_any_case_and_by_alias() -> None:
    row = find("CRC-16/IBM-3740")
    assert find("crc-16/ibm-3740") is row
    assert find(" CRC-16/ccitt-false ") is row
    assert find("nmea") is find("XOR-8")
    assert ALGORITHMS["CRC-16/IBM-3740"] is row
    assert "nmea" not in ALGORITHMS  # by name only: an alias must not look like a row of its own


def test_no_two_checks_share_a_spelling() -> None:
    spellings = [name.casefold() for row in ALGORITHMS.values() for name in (row.name, *row.aliases)]
    assert len(spellings) == len(set(spellings))


def test_no_two_rows_compute_the_same() -> None:
    identities = [row.identity() for row in ALGORITHMS.values()]
    assert len(identities) == len(set(identities))


def test_a_check_is_as_wide_as_its_name_says() -> None:
    for row in ALGORITHMS.values():
        said = re.search(r"-(\d+)", row.name)
        assert row.family == "parity" or (said and row.width == int(said[1])), row.name


FINALS = {"NEGATED": "negated", "INVERTED": "inverted", "INTERNET": "inverted"}


def test_a_sum_has_the_words_the_order_and_the_carry_that_its_name_says() -> None:
    for row in (row for row in ALGORITHMS.values() if row.family == "sum"):
        is_wide = any(word in row.name for word in ("WORDS", "END-AROUND", "INTERNET"))
        assert row.word_bits == (row.width if is_wide else 8), row.name
        assert row.end_around == any(word in row.name for word in ("END-AROUND", "INTERNET")), row.name
        assert (row.word_order == "low octet first") == ("LOW-FIRST" in row.name), row.name
        wanted = next((final for word, final in FINALS.items() if word in row.name), "none")
        assert row.final == wanted, row.name


def test_every_row_has_a_source() -> None:
    assert all(row.source for row in ALGORITHMS.values())


def test_the_ends_of_custom_widths_are_those_of_the_catalogue() -> None:
    widths = [row.width for row in ALGORITHMS.values() if row.family == "crc"]
    assert (min(widths), max(widths)) == (catalog.NARROWEST, catalog.WIDEST)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("CRC-16/MODBUSS", "no check is named 'CRC-16/MODBUSS'; did you mean CRC-16/MODBUS or CRC-16/USB or"),
        ("LRC", "no check is named 'LRC'; did you mean XOR-8 or SUM-8/NEGATED?"),
        ("CRC-24Q", "no check is named 'CRC-24Q'; did you mean CRC-24/LTE-A?"),
        ("qqq", "no check is named 'qqq'"),
    ],
)
def test_an_unknown_name_is_refused_with_the_closest(name: str, message: str) -> None:
    with pytest.raises(UnknownAlgorithm) as caught:
        find(name)
    assert str(caught.value).startswith(message.partition(" or CRC-16/USB")[0])
    assert isinstance(caught.value, KeyError)
    assert isinstance(caught.value, PacketkitError)
    assert caught.value.closest == catalog.closest(name)


def test_what_is_offered_can_be_found() -> None:
    for spelling in (*sums.AMBIGUOUS, "CRC-8", "CRC-12", "CCITT", "CRC16", "CRC32", "CRC-24Q"):
        with pytest.raises(UnknownAlgorithm):
            find(spelling)
        assert catalog.closest(spelling)
        assert all(find(name).name == name for name in catalog.closest(spelling))


def test_misleading_aliases_carry_a_caution() -> None:
    assert find("CRC-CCITT").name == "CRC-16/KERMIT"
    assert "CRC-16/IBM-3740 (29B1)" in catalog.caution("crc-ccitt")
    assert find("CRC-32Q").name == "CRC-32/AIXM"
    assert "CRC-24/LTE-A" in catalog.caution("CRC-32Q")
    assert catalog.caution("CRC-16/IBM-3740") == ""


def test_a_custom_crc_equals_its_row() -> None:
    row, custom = find("CRC-16/GENIBUS"), custom_crc(16, 0x1021, 0xFFFF, False, False, 0xFFFF)
    assert custom.identity() == row.identity()
    assert (custom.check, custom.residue) == (row.check, row.residue)
    assert catalog.named(custom) is row
    assert catalog.named(custom_crc(16, 0x1021, 0x1234, False, False, 0)) is None
    assert custom.name == "CRC-16 0x1021"


@pytest.mark.parametrize(
    ("width", "polynomial", "initial", "final_xor", "message"),
    [
        (1, 1, 0, 0, "width 1 is outside 3 to 82. One bit is PARITY/EVEN or PARITY/ODD"),
        (2, 1, 0, 0, "width 2 is outside 3 to 82"),
        (83, 1, 0, 0, "width 83 is outside 3 to 82"),
        (16, 0, 0, 0, "polynomial 0x0 is outside 0x1 to 0xffff, what 16 bits can hold"),
        (
            16,
            0x11021,
            0,
            0,
            (
                "polynomial 0x11021 is outside 0x1 to 0xffff, what 16 bits can hold. "
                "Leave its highest term out: 0x1021"
            ),
        ),
        (
            5,
            0x05,
            0x20,
            -1,
            (
                "initial 0x20 is outside 0x0 to 0x1f, what 5 bits can hold\n"
                "final_xor -0x1 is outside 0x0 to 0x1f, what 5 bits can hold"
            ),
        ),
    ],
)
def test_impossible_parameters_are_all_named(
    width: int, polynomial: int, initial: int, final_xor: int, message: str
) -> None:
    with pytest.raises(AlgorithmError) as caught:
        custom_crc(width, polynomial, initial, False, False, final_xor)
    assert str(caught.value) == message
    assert isinstance(caught.value, ValueError)


def test_a_polynomial_in_another_notation_is_noted() -> None:
    note = custom_crc(16, 0x8408, 0, True, True, 0).note
    assert "reversed (then it is 0x1021)" in note
    note = custom_crc(16, 0xBAAC, 0, False, False, 0).note
    assert "lacks the term 1" in note
    assert "the polynomial 0x0204 lacks" in custom_crc(16, 0x0204, 0, False, False, 0).note
    assert custom_crc(16, 0x1021, 0, True, True, 0).note == ""


@pytest.mark.parametrize(
    ("name", "bits"), [("FLETCHER-8", 4), ("FLETCHER-16", 8), ("FLETCHER-32", 16), ("FLETCHER-64", 32)]
)
def test_words_of_ones_are_nothing_to_a_sum_of_ones_complement(name: str, bits: int) -> None:
    # 2^n - 1 is 0 modulo 2^n - 1: J. G. Fletcher, IEEE Transactions on Communications 30 (1982), 247-252. By hand.
    compute = sums.engine(find(name))
    words = 2 if bits == 4 else 1
    ones, one = b"\xff" * (bits * words // 8), (b"\x01" + bytes(7))[: bits * words // 8]
    assert compute(ones * 300) == compute(b"")
    assert compute(one + ones * 300) == compute(one + bytes(len(ones) * 300))


@pytest.mark.parametrize("bits", [8, 16, 32])
def test_a_plain_sum_drops_its_carry(bits: int) -> None:
    octets = (1 << bits) // 255 + 3
    total = 255 * octets % (1 << bits)
    names = (f"SUM-{bits}", f"SUM-{bits}/INVERTED", f"SUM-{bits}/NEGATED")
    found = [sums.engine(find(name))(b"\xff" * octets) for name in names]
    assert found == [total, (1 << bits) - 1 - total, (1 << bits) - total]


def test_a_generator_in_no_table_keeps_distance_3_for_its_period_and_not_one_bit_longer() -> None:
    # x^10 + x^3 + 1 is primitive, so its period is 1,023 (W. W. Peterson's tables of irreducible polynomials; from memory).
    made = custom_crc(10, 0x009, 0, False, False, 0)
    assert (1 << 10 | 0x009) not in strength._surveys()
    found = [strength.distance(made, bits) for bits in (1023 - 10, 1024 - 10)]
    assert [(one.value, one.exact) for one in found] == [(3, True), (2, True)]


def test_parameters_print_in_the_order_of_a_document() -> None:
    assert find("CRC-5/USB").parameters() == (
        ("width", "5"),
        ("polynomial", "0x05"),
        ("initial", "0x1F"),
        ("reflect_in", "true"),
        ("reflect_out", "true"),
        ("final_xor", "0x1F"),
    )
    assert find("SUM-16/INTERNET").parameters() == (
        ("width", "16"),
        ("words", "16 bits"),
        ("word order", "high octet first"),
        ("modulus", "65535"),
        ("initial", "0x0000"),
        ("carry", "added back"),
        ("final", "inverted"),
    )
    assert find("PARITY/ODD").parameters() == (("width", "1"), ("ones with the check", "odd in number"))
    assert ("first sum", "high half") in find("UBX").parameters()
    assert find("XOR-8").parameters() == (("width", "8"), ("words", "8 bits"), ("final", "none"))


def test_the_engine_says_what_it_runs_on() -> None:
    assert crc.engine_name(find("CRC-16/GENIBUS")) == "binascii"
    assert crc.engine_name(find("CRC-32/JAMCRC")) == "zlib"
    assert crc.engine_name(find("ADLER-32")) == "zlib"
    assert crc.engine_name(find("CRC-15/CAN")) == "tables"
    assert crc.engine_name(find("CRC-12/UMTS")) == "tables"
    assert crc.engine_name(find("SUM-8")) == "arithmetic"
    expected = "crcmod C extension" if crc.crcmod_is_compiled() else "tables"
    assert crc.engine_name(find("CRC-16/MODBUS")) == expected


def test_tables_take_over_where_crcmod_is_not_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    row = find("CRC-16/MODBUS")
    monkeypatch.setattr(crc, "crcmod_is_compiled", lambda: False)
    assert crc.engine_name.__wrapped__(row) == "tables"
    crc.engine_name.cache_clear()
    assert crc.engine.__wrapped__(row)(b"123456789") == row.check
    crc.engine_name.cache_clear()


def test_octets_come_as_bytes_bytearray_or_memoryview() -> None:
    data = b"\x12\x34\x56\x78\x9a"
    for row in ALGORITHMS.values():
        values = {crc.compute(row, octets) for octets in (data, bytearray(data), memoryview(data))}
        assert len(values) == 1


def test_a_sum_over_a_partial_octet_needs_zero_filling() -> None:
    with pytest.raises(AlgorithmError) as caught:
        crc.compute_bits(find("SUM-8"), 0b1010, 4)
    assert str(caught.value) == (
        "SUM-8 adds whole octets, but the span is 4 bits: 4 short of 8. "
        "Fill the last octet with zeros or cover 4 bits more"
    )
    assert crc.compute_bits(find("SUM-8"), 0b1010, 4, zero_filled=True) == 0xA0
    assert crc.compute_bits(find("SUM-8"), 0xA0, 8) == 0xA0
    assert crc.compute_bits(find("PARITY/EVEN"), 0b101, 3) == 0
    assert crc.compute_bits(find("PARITY/ODD"), 0b101, 3) == 1


def test_bits_beyond_the_span_are_refused() -> None:
    for bits, length in ((8, 3), (-1, 3), (0, -1)):
        with pytest.raises(AlgorithmError, match="do not fit"):
            crc.compute_bits(find("CRC-8/SMBUS"), bits, length)


def test_only_crcs_of_whole_octets_have_a_residue_to_compare_with() -> None:
    found = crc.residue_engine(find("CRC-32/ISO-HDLC"))
    assert found is not None
    assert found[1] == 0x2144DF1C  # RFC 1662 appendix C.2 in its inverted form, from memory
    for name in ("CRC-15/CAN", "CRC-12/UMTS", "SUM-8", "ADLER-32", "CRC-82/DARC"):
        assert crc.residue_engine(find(name)) is None


def test_a_distance_says_when_it_is_only_a_bound() -> None:
    assert str(strength.distance(find("CRC-16/IBM-3740"), 296)) == "4"
    assert str(strength.distance(find("CRC-64/XZ"), 296)) == "at least 8"
    assert str(strength.distance(custom_crc(24, 0x123457, 0, False, False, 0), 296)) == "at least 3"
    assert strength.distance(find("CRC-16/IBM-3740"), 40000) == strength.Distance(2, True)
    assert strength.distance(find("CRC-64/XZ"), 5000) == strength.Distance(2, False)


def test_a_polynomial_with_a_factor_x_has_the_distance_of_the_rest() -> None:
    whole, shifted = find("CRC-8/SMBUS"), custom_crc(11, 0x107 << 3 & 0x7FF, 0, False, False, 0)
    for data_bits in (1, 100, 119, 120):
        assert strength.distance(shifted, data_bits) == strength.distance(whole, data_bits)


def test_a_mirrored_polynomial_is_looked_up_as_well() -> None:
    mirrored = custom_crc(16, crc.reflect(0x13D65, 17) & 0xFFFF, 0, False, False, 0)
    assert catalog.named(mirrored) is None
    assert strength.distance(mirrored, 135) == strength.Distance(6, True)


def test_no_data_has_no_distance() -> None:
    with pytest.raises(AlgorithmError, match="a check over 0 bits has no distance"):
        strength.distance(find("CRC-8/SMBUS"), 0)


@pytest.mark.parametrize("poly", [0, 0x100])
def test_no_profile_without_a_polynomial_of_the_width(poly: int) -> None:
    with pytest.raises(AlgorithmError, match="is outside 0x1 to 0xff for 8 bits"):
        strength.profile(poly, 8)


def test_an_order_out_of_reach_is_refused() -> None:
    with pytest.raises(AlgorithmError, match="the order of 64 bits is out of reach"):
        strength.order(1 << 64 | 0x1B, 64)


def test_every_generator_of_the_catalogue_is_in_the_shipped_table() -> None:
    surveys = strength._surveys()
    assert {1 << row.width | row.poly for row in ALGORITHMS.values() if row.family == "crc"} <= surveys.keys()


@pytest.mark.parametrize(
    "name", ["CRC-3/GSM", "CRC-11/FLEXRAY", "CRC-16/T10-DIF", "CRC-24/BLE", "CRC-40/GSM"]
)
def test_the_shipped_table_is_what_the_program_computes(name: str) -> None:
    row = find(name)
    assert strength.survey(row.poly, row.width) == strength._surveys()[1 << row.width | row.poly]


def test_words_of_more_than_64_bits_are_listed_whole() -> None:
    row = find("CRC-82/DARC")
    linear = custom_crc(row.width, row.poly, 0, False, False, 0)
    found = strength.survey(row.poly, row.width, 6)
    for bits in range(1, 7):
        codewords = [(word, crc.compute_bits(linear, word, bits)) for word in range(1, 1 << bits)]
        lightest = min(word.bit_count() + check.bit_count() for word, check in codewords)
        assert found.at(bits).value == lightest


def test_one_data_bit_has_the_distance_of_the_generator_s_own_weight() -> None:
    assert strength.profile(0x07, 8, 1) == ((3, 1), (4, 1))  # x^8 + x^2 + x + 1 has four terms


def test_a_limit_just_above_what_is_known_exactly_is_not_called_exact() -> None:
    # Of CRC-64/ECMA-182 all of its distances are known up to 16 data bits, and lower bounds beyond.
    row = find("CRC-64/ECMA-182")
    assert strength.survey(row.poly, row.width, 17).exact_to_bits == 16


def test_a_lookup_imports_neither_numpy_nor_crcmod_and_reads_nothing_early() -> None:
    program = (
        "import sys, packetkit.integrity.strength as s, packetkit.integrity.catalog as c\n"
        "assert not c._document.cache_info().currsize and not s._surveys.cache_info().currsize\n"
        "s.distance(c.find('CRC-16/IBM-3740'), 296), s.distance(c.find('ADLER-32'), 296)\n"
        "print([name for name in ('numpy', 'crcmod', 'difflib', 'hypothesis') if name in sys.modules])\n"
    )
    ran = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert ran.stdout == "[]\n"


def test_shipped_files_are_found_and_others_refused() -> None:
    assert resource("vectors/published/checks.json").is_file()
    assert resource("integrity/profiles.json").is_file()
    with pytest.raises(FileNotFoundError, match=r"packetkit does not carry 'vectors/none\.json'; looked in "):
        resource("vectors/none.json")


def test_what_is_proven_of_a_polynomial_in_no_table_ends_where_following_it_would_take_long() -> None:
    """Two flips are noticed while the register does not repeat; beyond what is followed only what any CRC does is claimed."""
    unlisted = custom_crc(32, 0x5A0F3C97, 0, False, False, 0)
    follows = (1 << 17) - 32
    near, far = (strength.distance(unlisted, bits) for bits in (follows, follows + 1))
    assert near.value in (3, 4) and far == strength.Distance(2, exact=False)


def test_a_fletcher_sum_says_which_words_it_confuses() -> None:
    """Modulo an odd number of all ones, all zeros and all ones are one value (Fletcher 1982); modulo a power of two they are not."""
    for name, confuses in (("FLETCHER-16", True), ("FLETCHER-32", True), ("FLETCHER-16/MOD-256", False)):
        row = find(name)
        assert bool(row.note) is confuses
        ones, octets = (1 << row.word_bits) - 1, row.word_bits // 8
        same = crc.compute(row, ones.to_bytes(octets, "big")) == crc.compute(row, bytes(octets))
        assert same is confuses


def test_listed_bits_beyond_nine_characters_are_zeros_behind_them() -> None:
    """The octet of "1" is 0x31: its third bit is one, its second is none; bit 80 lies in the zeros."""
    both = catalog.listed_parity(((3, 80), (2, 80), (80,)), 0)
    assert both.check == 0b100
