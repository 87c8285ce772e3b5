"""What commands print: tables, strict JSON, the ASCII fallback, progress."""

from __future__ import annotations

import io
import json
import sys
from decimal import Decimal
from fractions import Fraction

import numpy
import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.cli import output
from packetkit.cli.output import Column, Progress, Table, text_width
from packetkit.cli.spelling import ASCII, SPELL_OUT, ascii_spelling, portable, visible

FIELDS = Table(
    (Column("offset", ">"), Column("name", fit="shorten"), Column("meaning", fit="wrap"), Column("unit")),
    (
        (0, "counter", "counts frames and starts again at zero", None),
        (8, "temperature_of_the_outer_shell", "of the outer shell, on the side away from the sun", "Cel"),
        (19, "cell_voltage", None, "V"),
    ),
)


def test_a_table_that_fits_stands_in_aligned_columns() -> None:
    text = Table((Column("n", ">"), Column("name")), ((1, "a"), (12, "bc"))).text(80, "utf-8")
    assert text == " n  name\n──  ────\n 1  a\n12  bc\n"


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "cp437", "ascii"])
@pytest.mark.parametrize("width", [40, 60, 80, 132])
def test_no_line_of_a_table_is_wider_than_asked(width: int, encoding: str) -> None:
    text = FIELDS.text(width, encoding)
    assert max(map(text_width, text.splitlines())) <= width
    text.encode(encoding)


def test_a_wrapped_cell_keeps_all_its_words() -> None:
    words = "counts frames and starts again at zero".split()
    assert all(word in FIELDS.text(64, "ascii") for word in words)


def test_a_shortened_cell_says_so() -> None:
    assert "temperature_of_the_outer_shell" in FIELDS.text(100, "utf-8")
    narrow = FIELDS.text(48, "utf-8")
    assert "temperature_of_the_outer_shell" not in narrow
    assert "…" in narrow
    assert "..." in FIELDS.text(48, "cp437")


def test_a_table_too_wide_for_columns_is_written_one_cell_a_line_and_loses_nothing() -> None:
    table = Table(tuple(Column(f"field_{n}") for n in range(20)), (tuple(range(1000, 1020)), tuple("x" * 20)))
    text = table.text(80, "ascii")
    assert text.splitlines()[0] == "field_0   1000"
    assert all(f"field_{n}" in text and str(1000 + n) in text for n in range(20))


def test_a_row_of_the_wrong_length_is_refused() -> None:
    with pytest.raises(ValueError, match="a row of 2 cells stands under 1 titles"):
        Table((Column("a"),), ((1, 2),)).text(80, "ascii")


def test_wide_and_combining_characters_keep_columns_aligned() -> None:
    lines = Table((Column("name"), Column("n", ">")), (("高度", 1), ("e\u0301te", 2), ("abc", 3))).text(
        80, "utf-8"
    )
    assert {text_width(line) for line in lines.splitlines()} == {len("name  n")}


@given(
    st.lists(st.tuples(st.text(max_size=60), st.integers(), st.text(max_size=60)), max_size=5),
    st.integers(1, 100),
    st.sampled_from(["utf-8", "cp1252", "cp437", "ascii", "latin-1", "shift_jis"]),
)
def test_any_cells_make_a_table_that_the_encoding_carries(
    rows: list[tuple[str, int, str]], width: int, encoding: str
) -> None:
    table = Table((Column("a", fit="shorten"), Column("b", ">"), Column("c", fit="wrap")), tuple(rows))
    text = table.text(width, encoding)
    text.encode(encoding)
    assert "\x1b" not in text


# ---- ASCII


def test_what_the_encoding_carries_stays() -> None:
    assert portable("−12 °C × 3 µV", "utf-8") == "−12 °C × 3 µV"
    assert portable("−12 °C × 3 µV", "cp1252") == "-12 °C × 3 µV"
    assert portable("┌─°─┐", "cp437") == "┌─°─┐"
    assert portable("┌─°─┐", "cp1252") == "+-°-+"
    assert portable("−12 °C × 3 µV Ω", "ascii") == "-12 degC x 3 uV Ohm"


def test_letters_lose_their_accents_and_the_rest_is_escaped() -> None:
    assert portable("Höhe Šířka 高", "ascii") == "Hohe Sirka \\u9ad8"


def test_every_spelling_is_ascii_and_box_lines_keep_their_width() -> None:
    assert all(spelling.isascii() for spelling in ASCII.values())
    assert all(len(ascii_spelling(chr(code))) == 1 for code in range(0x2500, 0x25A0))


@given(st.text())
def test_any_text_can_be_written_to_any_stream(text: str) -> None:
    for encoding in ("ascii", "cp1252", "cp437", "utf-8", "utf-16"):
        text.encode(encoding, SPELL_OUT)


def test_terminal_escapes_from_outside_are_shown_not_obeyed() -> None:
    assert visible("a\x1b[31mred\x07\u202e\tb\n") == "a\\x1b[31mred\\x07\\u202e b\n"
    assert visible("caf\udce9") == "caf\\xe9"
    assert visible("a\r\nb\rc") == "a\r\nb\\x0dc"


def test_a_terminal_gets_escapes_written_out_and_a_pipe_the_text_as_it_is(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for stream, shown in ((Screen(), "\\x1b[2J"), (io.StringIO(), "\x1b[2J")):
        monkeypatch.setattr("sys.stdout", stream)
        with output.open_text("-") as out:
            out.write("\x1b[2J")
        assert stream.getvalue() == shown


# ---- JSON


def test_exact_numbers_become_the_nearest_float_and_bytes_lower_case_hex() -> None:
    document = {
        "air_ms": Fraction(370688, 1000),
        "limit_m": Fraction(20),
        "gain_db": Decimal("2.15"),
        "frame": b"\xfe\xc1",
    }
    text = output.json_text(document, indent=None)
    assert text == '{"air_ms":370.688,"limit_m":20.0,"gain_db":2.15,"frame":"fec1"}\n'


def test_keys_stay_in_the_order_given_and_the_text_is_ascii() -> None:
    text = output.json_text({"b": "°", "a": None, "ok": True, "n": 1 << 70})
    assert text.isascii()
    assert list(json.loads(text)) == ["b", "a", "ok", "n"]
    assert json.loads(text)["n"] == 1 << 70


def test_numpy_numbers_are_numbers() -> None:
    assert output.plain([numpy.int16(-3), numpy.float32(0.5), numpy.float64(2.0)]) == [-3, 0.5, 2.0]


@pytest.mark.parametrize(
    "value", [float("nan"), float("inf"), Decimal("NaN"), Fraction(10**400), {1, 2}, object()]
)
def test_what_strict_json_cannot_say_is_refused_by_its_path(value: object) -> None:
    with pytest.raises(ValueError, match=r"^frames\[1\]\.value: "):
        output.json_text({"frames": [0, {"value": value}]})


def test_a_key_that_is_not_text_is_refused() -> None:
    with pytest.raises(ValueError, match="JSON keys are text, not 1"):
        output.json_text({"a": {1: 2}})


@given(st.fractions())
def test_a_fraction_is_written_as_the_float_nearest_to_it(value: Fraction) -> None:
    back = json.loads(output.json_text(value))
    assert isinstance(back, float)
    assert back == value.numerator / value.denominator


# ---- progress


class Screen(io.StringIO):
    """A terminal that keeps what was written."""

    def isatty(self) -> bool:
        return True


def test_progress_is_silent_where_there_is_no_terminal() -> None:
    stream = io.StringIO()
    with Progress("records", 10, stream=stream) as progress:
        progress.advance(10)
    assert stream.getvalue() == ""


def test_progress_says_count_rate_and_what_remains_and_wipes_its_line() -> None:
    screen, now = Screen(), iter([0.0, 2.0, 2.1, 4.0])
    with Progress("records", 1000, stream=screen, clock=lambda: next(now)) as progress:
        progress.advance(100)
        progress.advance(1)  # too soon to be shown
        progress.advance(299)
    first, second, wiped, end = screen.getvalue().split("\r")[1:]
    assert first == "100 of 1,000 records, 50/s, 18 s left"
    assert second.rstrip() == "400 of 1,000 records, 100/s, 6 s left"
    assert wiped.strip() == end == ""


def test_durations_read_like_a_person_says_them() -> None:
    assert [output.duration_text(s) for s in (0.4, 59, 200, 7500)] == [
        "0 s",
        "59 s",
        "3 min 20 s",
        "2 h 05 min",
    ]


@pytest.mark.parametrize(
    ("word", "width", "lines"),
    [
        ("battery_voltage", 10, ["battery_", "voltage"]),
        ("state.altitude_clamped", 13, ["state.", "altitude_", "clamped"]),
        ("temperature", 8, ["temperat", "ure"]),
        ("raising a.b", 8, ["raising", "a.b"]),
    ],
)
def test_a_name_that_is_too_long_breaks_at_its_joints(word: str, width: int, lines: list[str]) -> None:
    assert output.wrapped(word, width) == lines


class _Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


# The longest sentence of a broken schema, its excerpt, and the name of a file that has no space.
LONG = (
    "a.yaml:19:9: report: the frame ends 7 bits into a byte\n"
    f"    - {'x' * 90}\n"
    "  Add - {kind: reserved, bits: 1} where the spare bits belong (before a check that ends the frame), or last_byte: zero_filled.\n"
    f"/{'d' * 90}/a.yaml: it is there"
)


def test_a_message_is_broken_at_words_on_a_terminal_and_stays_whole_in_a_pipe(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for stream, width in ((io.StringIO(), 0), (_Terminal(), 80)):
        monkeypatch.setattr(sys, "stderr", stream)
        output.say(LONG)
        said = stream.getvalue().splitlines()
        if not width:
            assert "\n".join(said) == LONG
            continue
        assert said[1] == LONG.splitlines()[1], "an excerpt stays as it is"
        assert said[2:4] == [
            "  Add - {kind: reserved, bits: 1} where the spare bits belong (before a check",
            "  that ends the frame), or last_byte: zero_filled.",
        ]
        assert f"/{'d' * 90}/a.yaml:" in said, "a file's name stays whole"
        assert " ".join(" ".join(said).split()) == " ".join(LONG.split())
