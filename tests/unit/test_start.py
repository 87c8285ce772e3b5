"""The first schema: whatever is asked for, what is written passes the loader at once and keeps to the limit."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.errors import InputError
from packetkit.mission.draft import CHECK_BITS, SEQUENCE_BITS, coarser, fit, from_csv, measure, text_of
from packetkit.schema.names import reserved_in
from packetkit.schema.presets import PRESETS

NAMES = st.from_regex(r"[a-z][a-z0-9_]{0,11}", fullmatch=True).filter(
    lambda name: not reserved_in(name) and name not in ("sequence", "check", "spare")
)


@given(
    st.lists(
        st.tuples(NAMES, st.sampled_from(sorted(PRESETS))),
        min_size=1,
        max_size=12,
        unique_by=lambda pair: pair[0],
    ),
    st.integers(4, 60),
)
def test_every_draft_loads_and_keeps_to_the_limit(asked: list[tuple[str, str]], limit: int) -> None:
    measures = [measure(f"{name}={preset}") for name, preset in asked]
    try:
        fitted = fit(measures, limit)
    except packetkit.InputError:
        least = list(measures)
        while any(coarser(one) for one in least):
            least = [coarser(one) or one for one in least]
        assert sum(one.width for one in least) + 24 > limit * 8
        return
    made = packetkit.parse(text_of("draft", fitted, limit, None))
    layout = made.layouts["report"]
    assert layout.size_bytes is not None and layout.size_bytes <= limit
    assert [slot.address for slot in layout.slots if slot.is_value] == [
        "sequence",
        *(name for name, _ in asked),
    ]


@given(
    NAMES,
    st.fractions(-1000, 1000),
    st.fractions(Fraction(1, 100), 5000),
    st.fractions(Fraction(1, 1000), 50),
    st.text(max_size=20),
)
def test_a_ranged_measure_loads_with_any_numbers_and_unit(
    name: str, low: Fraction, span: Fraction, step: Fraction, unit: str
) -> None:
    text = f"{name}={low}..{low + span}/{step} {unit}".replace("\n", " ").replace("\r", " ")
    # A fraction has its own slash: numbers on the command line are decimals.
    if any(number.denominator != 1 for number in (low, low + span, step)):
        return
    try:
        one = measure(text)
        made = packetkit.parse(text_of("draft", [one], None, None))
    except (packetkit.InputError, packetkit.SchemaError):
        return
    slot = next(slot for slot in made.layouts["report"].slots if slot.address == name)
    assert slot.minimum == low and slot.maximum is not None and slot.maximum >= low + span


def test_the_widest_measure_gives_first_and_the_draft_says_so() -> None:
    fitted = fit([measure("latitude"), measure("heading")], 7)
    text = text_of("draft", fitted, 7, None)
    assert "latitude: made coarser to fit, 0.00002 became 0.00005 deg" in text
    assert "heading: made coarser" not in text


def test_what_fits_to_the_bit_is_left_as_it_was_asked_for() -> None:
    asked = [measure("weight=0..254/1 kg")]  # 255 codes and one that means missing: eight bits
    assert fit(asked, (8 + SEQUENCE_BITS + CHECK_BITS) // 8) == asked


def test_a_measure_of_64_bits_is_one_and_of_65_is_not() -> None:
    assert measure(f"energy=0..{2**64 - 2}/1 J").width == 64  # with the code that means missing
    with pytest.raises(InputError, match="need 65 bits, more than 64"):
        measure(f"energy=0..{2**64 - 1}/1 J")


def test_a_schema_that_somebody_went_on_with_is_not_replaced(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "pole.yaml"
    command = ["start", "pole", "--measures", "humidity", "-o", str(path)]
    assert main(command) == main(command) == 0  # as it was written, it may be written again
    path.write_text(edited := path.read_text() + "# ours\n")
    assert main(command) == 2
    assert path.read_text() == edited and "somebody may have worked on it" in capsys.readouterr().err


def test_a_maximum_that_had_to_grow_is_told() -> None:
    text = text_of("draft", [measure("load=0..10/3 kg"), measure("tilt=0..9/3 deg")], None, None)
    assert "load: the maximum is a whole number of steps up, 10 became 12 kg" in text
    assert "tilt: the maximum" not in text


def test_a_maximum_that_a_coarser_step_reaches_is_the_one_that_was_asked_for() -> None:
    # 0.7 reaches 90.6 from -90 (258 steps, 259 codes and one for missing: 9 bits). At 1, 90 is whole: 180 steps, 8 bits.
    (one,) = fit([measure("tilt=-90..90/0.7 deg")], 4)
    assert one.resolution == 1 and one.maximum == 90 and one.asked_maximum is None and one.width == 8
    said = text_of("draft", [one], 4, None)
    assert "made coarser to fit, 0.7 became 1 deg" in said and "whole number of steps" not in said


def test_bits_are_as_many_as_the_codes_need() -> None:
    rows = (
        "name,minimum,maximum,resolution,missing\na,0,1,1,false\nb,0,1,1,true\nc,0,7,1,false\nd,0,7,1,true\n"
    )
    assert [one.width for one in from_csv(rows, "fields.csv")] == [1, 2, 3, 4]


def test_a_line_with_fewer_cells_than_columns_leaves_the_last_empty_and_further_cells_are_nobody_s() -> None:
    rows = "name,minimum,maximum,resolution,unit\nload,0,7,1\ntilt,0,7,1,deg,left over\n"
    assert [(one.name, one.unit) for one in from_csv(rows, "fields.csv")] == [("load", ""), ("tilt", "deg")]


def test_what_is_over_up_to_a_byte_is_spare() -> None:
    text = text_of("draft", [measure("load=0..7/1 kg")], None, None)  # 4 bits with one code for missing
    layout = packetkit.parse(text).layouts["report"]
    spare = [slot.width for slot in layout.slots if slot.address == "spare"]
    assert spare == [-sum(slot.width for slot in layout.slots if slot.address != "spare") % 8]


def test_an_empty_range_is_none() -> None:
    with pytest.raises(InputError, match="the maximum must be above the minimum"):
        measure("load=5..5/1 kg")


def test_what_measures_take_at_their_coarsest_is_said() -> None:
    four = [measure(one) for one in ("latitude", "longitude", "a=latitude", "b=longitude")]
    with pytest.raises(
        InputError, match=r"4 bytes cannot hold these measures: at their coarsest they take"
    ) as told:
        fit(four, 4)
    least = int(str(told.value).split("they take ")[1].split(";")[0])
    assert sum(one.width for one in fit(four, least)) + SEQUENCE_BITS + CHECK_BITS <= 8 * least
    with pytest.raises(InputError, match="they take"):
        fit(four, least - 1)


@pytest.mark.parametrize("names", [("load", "load"), ("sequence", "load"), ("load", "check")])
def test_a_name_that_is_there_twice_is_refused(names: tuple[str, str]) -> None:
    with pytest.raises(InputError, match="is there twice"):
        fit([measure(f"{name}=0..7/1 kg") for name in names], None)


def test_a_csv_of_fields_becomes_a_draft() -> None:
    rows = 'name,minimum,maximum,resolution,unit,missing,bits,description\ntilt,-90,90,0.5,deg,false,,\nhits,,,,,,12,"counts: since"\n'
    made = packetkit.parse(text_of("draft", from_csv(rows, "fields.csv"), None, None))
    tilt, hits = (slot for slot in made.layouts["report"].slots if slot.address in ("tilt", "hits"))
    assert (tilt.width, tilt.missing_code, hits.width, hits.description) == (
        9,
        None,
        12,
        "counts: since",
    )


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_cells_are_parted_as_spreadsheets_part_them(mark: str) -> None:
    decimal = "." if mark == "," else ","
    rows = f"name{mark}minimum{mark}maximum{mark}resolution{mark}unit\ntilt{mark}-90{mark}90{mark}0{decimal}5{mark}deg\n"
    (one,) = from_csv(rows, "fields.csv")
    assert one.minimum == -90 and one.maximum == 90 and one.resolution == Fraction(1, 2) and one.unit == "deg"


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("", "fields.csv:1: no column name"),
        ("name,colour\na,b\n", "unknown column 'colour'"),
        ("name,bits\n", "no fields"),
        ("name,bits\nUpper,8\nfloat,8\nok,99\n", "fields.csv:2: 'Upper' is not a name"),
        ("name,bits\nUpper,8\nfloat,8\nok,99\n", "fields.csv:3: float is a reserved word"),
        (
            "name,bits\nUpper,8\nfloat,8\nok,99\n",
            "fields.csv:4: ok: needs minimum, maximum and resolution, or bits from 1 to 64",
        ),
        ("name,minimum,maximum,resolution\nt,5,1,1\n", "the maximum must be above the minimum"),
        ("name,minimum,maximum,resolution\nt,1,x,1\n", "t: "),
        ("name,bits\n" + "x" * 200_000 + ",8\n", "fields.csv:2: this is not CSV: "),
        ("x" * 200_000, "fields.csv:1: this is not CSV: "),
    ],
)
def test_a_faulty_csv_says_every_line(rows: str, words: str) -> None:
    with pytest.raises(packetkit.InputError) as caught:
        from_csv(rows, "fields.csv")
    assert words in str(caught.value)


def test_what_start_writes_passes_check_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(tmp_path / "first.yaml")
    asked = ["--measures", "air_temperature,inside=board_temperature,load=0..20/0.1 kg", "--bytes", "10"]
    assert (
        main(["start", "first", *asked, "--spreading-factor", "9", "--bandwidth-khz", "125", "-o", path]) == 0
    )
    assert main(["budget", path, "--duration-s", "60"]) == 0
    assert main(["check", path]) == 0
    capsys.readouterr()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["x"], "--measures LIST or --fields CSV"),
        (["x", "--measures", "heading", "--fields", "f.csv"], "either --measures LIST or --fields CSV"),
        (["x", "--measures", " , "], "the list is empty"),
        (["x", "--measures", "t=-10..50/0.5, 5"], "numbers are written with a point"),
        (
            ["x", "--measures", "tilt=-90..90/0,5 deg"],
            "0,5 has a decimal comma, and a comma ends a measure; write 0.5",
        ),
        (["x", "--measures", "a=1..2/1,tilt=0..2,75/0.25"], "2,75 has a decimal comma"),
        (["x", "--measures", "nosuch"], "or say the range: nosuch=0..100/0.5 unit"),
        (["X!", "--measures", "heading"], "not a mission's name"),
        (["x", "--measures", "headin"], "did you mean heading?"),
        (["x", "--measures", "heading", "--bytes", "3"], "--bytes"),
        (
            ["x", "--measures", "latitude,longitude,a=latitude,b=longitude", "--bytes", "4"],
            "drop one or raise the limit",
        ),
        (["x", "--measures", "heading,heading"], "there twice"),
        (["x", "--measures", "heading", "--spreading-factor", "9"], "go together"),
        (["x", "--measures", "heading", "--spreading-factor", "99", "--bandwidth-khz", "125"], "SF"),
        (["x", "--fields", "nowhere.csv"], "nowhere.csv"),
    ],
)
def test_what_cannot_be_is_refused_with_a_remedy(
    arguments: list[str], words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["start", *arguments]) == 2
    assert words in capsys.readouterr().err


def test_the_list_of_quantities_fits_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["start", "--quantities"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert sum(line.split()[:1] == [name] for name in PRESETS for line in lines) == len(PRESETS)


def test_a_line_with_the_name_of_a_usual_quantity_alone_takes_its_range() -> None:
    (made,) = from_csv(
        "name,minimum,maximum,resolution,description\nlatitude,,,,where we are\n", "fields.csv"
    )
    assert made == replace(measure("latitude"), description="where we are")
    with pytest.raises(InputError, match="latitude: needs minimum, maximum and resolution"):
        from_csv("name,minimum,maximum,resolution\nlatitude,-90,,\n", "fields.csv")
