"""`packetkit check` as a user meets it: what it says of good, faulty and over-long schemas, in text and in JSON."""

from __future__ import annotations

import io
import json
import sys
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from packetkit.cli.main import main
from packetkit.cli.output import text_width
from packetkit.radio import CAUTION
from tests.missions import SURVEY

SCHEMA = json.loads((Path(__file__).parents[1] / "documents" / "json" / "check.schema.json").read_text())

# With a finer longitude than usual.
TERN = SURVEY.replace("preset: longitude}", "preset: longitude, resolution: 0.0001}").partition("passes:")[0]
# Three frames, every packing, nested repeats, names and units that fill a line.
ORDERS = """\
mission: orders
frames:
  words:
    description: "a \\"quoted\\" <b>tag</b>, \\u202ereversed, a bell\\u0007 and שלום"
    fields:
      - {name: tag, kind: tag, bits: 8, code: 1}
      - {name: w, word_bits: 16, order: little, group: [{name: a, bits: 3}, {name: b, bits: 7}, {name: c, bits: 6}]}
      - {name: uptime, bits: 24, order: little, unit: "seconds since the unit was switched on for the first time"}
      - {name: a_name_of_as_many_as_forty_characters_ab, bits: 16, signed: true, scale: 0.01, unit: Cel}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, stored: low_octet_first}
  least:
    packing: least_significant_first
    fields:
      - {name: tag, kind: tag, bits: 8, code: 2}
      - {name: n, kind: count, bits: 3, maximum: 5}
      - name: outer
        repeat: {count: n}
        group:
          - {name: m, kind: count, bits: 4}
          - {name: inner, bits: 5, repeat: {count: m}}
          - {name: ok, kind: flag}
      - {kind: reserved, up_to: word_16}
      - {name: check, kind: check, algorithm: CRC-16/KERMIT}
  open_end:
    fields:
      - {name: tag, kind: tag, bits: 8, code: 3}
      - {name: v, minimum: 0, maximum: 12, bits: 10, repeat: {to_end: true}}
    last_byte: zero_filled
"""
FAULTY = """\
mission: faulty
frames:
  beacon:
    fields:
      - {name: temperature, minimum: 0, maximum: 1, resolution: 0.3}
      - {name: v, bits: 3, colour: red}
"""


@pytest.fixture
def schema(tmp_path: Path) -> Any:
    """Return a writer of schema files: text in, path out."""

    def write(text: str, name: str = "mission.yaml") -> str:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return str(path)

    return write


@pytest.fixture(autouse=True)
def wide_enough(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")


def text(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> str:
    assert main(["check", *arguments]) == status
    caught = capsys.readouterr()
    assert caught.err == ""
    return caught.out


def document(capsys: pytest.CaptureFixture[str], *arguments: str, status: int = 0) -> dict[str, Any]:
    """Return the JSON document that the command writes, held by its schema."""
    assert main(["check", "--json", *arguments]) == status
    written: dict[str, Any] = json.loads(capsys.readouterr().out)
    jsonschema.validate(written, SCHEMA)
    return written


def frame(written: dict[str, Any], number: int = 0) -> Any:
    return written["schemas"][0]["frames"][number]


def field(entry: Any, name: str) -> Any:
    (found,) = (one for one in entry["fields"] if one["name"] == name)
    return found


# -- what is shown ----------------------------------------------------------------------------------------------------------------


def test_sizes_are_the_sums_of_the_fields(capsys: pytest.CaptureFixture[str], schema: Any) -> None:
    # 16 + 4 + 12 + 24 + 3 + 1 + 7 + 9 = 76; 4; 16 for the check: 96 bits. The fix: 24 for 9 million steps and one code,
    # 22 for 3.6 million and one: 46. Fifteen readings of 24: 360. 76 + 46 + 4 + 360 = 486, to 488 with 2 of fill: 504 in all.
    shown = text(capsys, schema(TERN))
    assert (
        "12 to 63 bytes (96 to 504 bits); at its longest 462 bits useful (91.7 %), 2\nspare. Sent every 30 s.\n"
        in shown
    )
    entry = frame(document(capsys, schema(TERN)))
    assert (entry["minimum_bytes"], entry["maximum_bytes"], entry["counted_at"]) == (12, 63, "longest")
    assert sum(entry["bits_by_kind"].values()) == entry["total_bits"] == 504
    # 504 less sync 16, tag 4, count 4, fill 2, check 16
    assert (entry["useful_bits"], entry["spare_bits"]) == (462, 2)


def test_offsets_are_absolute_where_constant_and_else_told_from_the_end_or_the_part(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    entry = frame(document(capsys, schema(TERN)))
    places = {one["name"]: (one["offset_from"], one["offset_bits"]) for one in entry["fields"]}
    assert places["power.panel_current"] == ("frame", 67)
    assert places["fix.longitude"] == ("frame", 100)
    assert places["readings[].field_y"] == ("part", 12)
    assert places["check"] == ("end", -16)


def test_the_table_shows_ranges_steps_units_and_codes(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    shown = text(capsys, schema(TERN))
    lines = [" ".join(line.split()) for line in shown.splitlines()]
    assert "67 9 panel_current number 0 to 510 2 mA 511" in lines
    assert "+12 12 field_y signed -127.9375 to 0.0625 uT -2048" in lines
    assert any(line.startswith("76 0-46 fix option when has_fix") for line in lines)
    assert any(line.startswith("end-16 16 check check CRC-16/") for line in lines)


def test_what_a_preset_filled_in_is_marked_and_what_was_written_is_not(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    shown = [" ".join(line.split()) for line in text(capsys, schema(TERN)).splitlines()]
    assert "76 24 latitude number -90 to 90* 0.00002* deg* 16777215*" in shown
    assert "100 22 longitude number -180 to 180* 0.0001 deg* 4194303*" in shown
    assert any(line.startswith("* preset latitude: 2.2 m on the ground") for line in shown)
    entry = frame(document(capsys, schema(TERN)))
    assert field(entry, "fix.longitude")["filled_in_by_preset"] == ["minimum", "maximum", "unit", "missing"]


def test_a_check_is_told_with_all_its_parameters(capsys: pytest.CaptureFixture[str], schema: Any) -> None:
    # Greg Cook's catalogue: CRC-16/IBM-3740, width=16 poly=0x1021 init=0xffff refin=false refout=false xorout=0x0000 check=0x29b1.
    (check,) = frame(document(capsys, schema(TERN)))["checks"]
    assert check["parameters"] == {
        "width": "16",
        "polynomial": "0x1021",
        "initial": "0xFFFF",
        "reflect_in": "false",
        "reflect_out": "false",
        "final_xor": "0x0000",
    }
    assert check["check_value"] == "0x29B1"
    # All but the check's own 16 bits, shortest and longest.
    assert (check["minimum_span_bits"], check["maximum_span_bits"]) == (80, 488)
    assert (check["covers"], check["stored"]) == ("everything before it", "high octet first")
    # Koopman and Chakravarty (2004), table 1, 16-bit polynomial 0x8810: distance 4 far beyond this length (from memory).
    assert (check["hamming_distance"], check["hamming_distance_is_exact"]) == (4, True)
    assert "every error of up to 3 bits (Hamming distance 4 up to this length)" in text(capsys, schema(TERN))


def test_spans_and_orders_of_checks_are_told_in_words(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    fields = """\
mission: spans
frames:
  f:
    fields:
      - {name: head, bits: 16}
      - {name: body, bits: 32}
      - {name: first, kind: check, algorithm: CRC-8/SMBUS, covers: body}
      - {name: second, kind: check, algorithm: CRC-16/KERMIT, covers: {from: head, to: first, except: [body]}, stored: low_octet_first}
      - {name: last, kind: check, algorithm: CRC-32/ISO-HDLC, covers: whole_frame, self: ones}
"""
    first, second, last = frame(document(capsys, schema(fields)))["checks"]
    assert (first["covers"], first["maximum_span_bits"], first["stored"]) == ("body", 32, "")
    assert (second["covers"], second["maximum_span_bits"], second["stored"]) == (
        "head and first",
        24,
        "low octet first",
    )
    assert (last["covers"], last["maximum_span_bits"]) == ("the whole frame, its own bits as ones", 72)


def test_time_on_air_and_the_staircase_are_told_where_a_radio_is_declared(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    # By the formula of the SX1276 data sheet, section 4.1.1.7, SF10 at 125 kHz, 8.192 ms a symbol, 12.25 symbols of preamble:
    # 12 bytes: 8 + ceil((96 - 40 + 28 + 16) / 40) * 5 = 23 symbols; 63: 8 + ceil((504 - 40 + 44) / 40) * 5 = 73.
    air = frame(document(capsys, schema(TERN)))["air"]
    assert air["shortest_time_on_air_ms"] == 288.768  # 35.25 x 8.192
    assert air["longest_time_on_air_ms"] == 698.368  # 85.25 x 8.192
    assert (air["free_bytes"], air["fewer_bytes"], air["added_ms"]) == (1, 4, 40.96)
    shown = text(capsys, schema(TERN))
    assert "At 63 bytes: 1 more byte is free; 4 less save 41 ms." in shown
    assert "63 of 222 bytes that the link takes (28.4 %)." in shown
    assert " ".join(shown.split()).count(CAUTION) == 1


def test_without_a_radio_neither_times_nor_the_caution_are_shown(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    without = TERN.split("link:")[0]
    shown = text(capsys, schema(without))
    assert " ms" not in shown and "Radio" not in shown and "On the air" not in shown
    assert document(capsys, schema(without))["caution"] is None


def test_a_step_of_resolution_is_told_in_bits_and_milliseconds(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    # 91 codes of 0.02 V, 7 bits; 181 of 0.01, 8; 37 of 0.05, 6. Twice fifteen readings: 30 bits more are 4 bytes, one block.
    steps = {one["name"]: one for one in frame(document(capsys, schema(TERN)))["steps"]}
    assert [steps["power.cell_voltage"][side]["bits"] for side in ("finer", "coarser")] == [1, -1]
    assert steps["readings[].field_x"]["finer"]["frame_bits"] == 15
    shown = text(capsys, schema(TERN))
    assert "Finer for nothing: power.panel_current at 1 mA" in shown
    assert "power.cell_voltage" in shown.split("One step of resolution")[1].split("All one step finer")[0]


# -- orders, encodings, strange text ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "cp437", "ascii"])
@pytest.mark.parametrize("source", [TERN, ORDERS])
def test_no_line_is_wider_than_eighty_columns_in_any_encoding(
    schema: Any, monkeypatch: pytest.MonkeyPatch, encoding: str, source: str
) -> None:
    carrier = io.BytesIO()
    stream = io.TextIOWrapper(carrier, encoding=encoding, newline="")
    monkeypatch.setattr(sys, "stdout", stream)
    assert main(["check", schema(source)]) == 0
    stream.flush()
    lines = carrier.getvalue().decode(encoding).splitlines()
    assert max(map(text_width, lines[1:])) <= 80
    assert len(lines) > 60


def test_orders_are_said_in_words(capsys: pytest.CaptureFixture[str], schema: Any) -> None:
    shown = text(capsys, schema(ORDERS))
    assert "words of 16 bits, low octet first:" in shown
    assert "least significant bit first:" in shown
    assert "Low octet first: uptime, check." in shown
    packings = {one["packing"] for one in frame(document(capsys, schema(ORDERS)))["fields"]}
    assert packings == {"most significant bit first", "words of 16 bits, low octet first"}


def test_text_from_outside_cannot_steer_a_terminal(capsys: pytest.CaptureFixture[str], schema: Any) -> None:
    shown = text(capsys, schema(ORDERS))
    assert "\x07" not in shown and "\u202e" not in shown
    assert '"quoted" <b>tag</b>, \\u202ereversed, a bell\\x07 and שלום' in " ".join(shown.split())


def test_notes_tell_what_a_frame_needs(capsys: pytest.CaptureFixture[str], schema: Any) -> None:
    entry = frame(document(capsys, schema(ORDERS)), 2)
    assert entry["runs_to_end"] and entry["maximum_bytes"] is None and entry["counted_at"] == "shortest"
    notes = " ".join(entry["notes"])
    assert "needs an outer length or framing" in notes
    assert "v has no maximum" in notes
    assert "v[] is a measured number without a unit" in notes
    assert "No check: damage goes unnoticed" in notes
    assert frame(document(capsys, schema(TERN)))["notes"] == []


# -- findings ---------------------------------------------------------------------------------------------------------------------------


def test_a_frame_over_its_limit_is_a_finding_with_its_three_largest_fields(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    tight = schema(TERN.replace("maximum_frame_bytes: 222", "maximum_frame_bytes: 51"))
    written = document(capsys, tight, status=1)
    assert written["ok"] is False
    (finding,) = frame(written)["findings"]
    assert (finding["rule"], finding["frame_bytes"], finding["limit_bytes"]) == ("frame-over-limit", 63, 51)
    largest = [(one["name"], one["bits"]) for one in finding["largest_fields"]]
    # fifteen readings of 12 bits, twice; then the 24 bits of uptime, in front of the latitude's
    assert largest == [("readings[].field_x", 180), ("readings[].field_y", 180), ("uptime", 24)]
    # 12 bits of 1/16 uT span 256 uT: 1280 steps of 0.2, 11 bits
    assert (
        finding["largest_fields"][0]["saving"]["step"],
        finding["largest_fields"][0]["saving"]["frame_bits"],
    ) == (0.2, -15)
    shown = text(capsys, tight, status=1)
    assert "Too long: survey has 63 bytes at its longest, 12 over maximum_frame_bytes: 51." in shown
    assert "a step of 0.2 uT instead of 0.0625 saves 15 bits" in " ".join(shown.split())


GUEST = """\
mission: guest
frames:
  report:
    cadence_s: 60
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: dose_rate, minimum: 0, maximum: 100, resolution: 0.05, unit: uSv/h, missing: true}
      - {name: temperature, minimum: -60, maximum: 125, resolution: 0.5, unit: Cel, missing: true}
      - {name: current, minimum: -2, maximum: 2, resolution: 0.002, unit: A, missing: true}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
passes: {host: {messages_per_day: 12, message_bytes: LIMIT}}
"""


@pytest.mark.parametrize(("limit", "status"), [(7, 0), (6, 1)])
def test_a_host_s_message_is_a_limit_too(
    capsys: pytest.CaptureFixture[str], schema: Any, limit: int, status: int
) -> None:
    # 8 + 11 + 9 + 11 bits, one that is spare and 16 of the check are 56, 7 bytes
    made = schema(GUEST.replace("LIMIT", str(limit)))
    found = frame(document(capsys, made, status=status))["findings"]
    assert [(one["rule"], one["frame_bytes"], one["limit_bytes"]) for one in found] == [
        ("frame-over-message", 7, 6)
    ] * status
    told = " ".join(text(capsys, made, status=status).split())
    assert ("(message_bytes: 6)" in told) == bool(status)
    # One step coarser in each of the three is one bit each: 1001, 186 and 801 codes instead of 2001, 371 and 2001.
    assert ("Together that saves 3 bits of the 7 that are too many" in told) == bool(status)


def test_steps_that_save_enough_are_not_called_too_few(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    # four bits of the counter instead of eight: 51 bits, three more than six bytes, and three is what the steps save
    few = GUEST.replace("LIMIT", "6").replace("sequence, bits: 8", "sequence, bits: 4")
    assert "too many" not in text(capsys, schema(few), status=1)


@pytest.mark.parametrize(("every", "is_told"), [("5", True), ("16.4", True), ("16.5", False)])
def test_a_cadence_beyond_the_declared_share_is_a_note_with_a_cadence_that_fits(
    capsys: pytest.CaptureFixture[str], schema: Any, every: str, is_told: bool
) -> None:
    # 16 bytes at SF9 and 125 kHz: 12.25 symbols of 4.096 ms before, 28 behind: 164.864 ms (data sheet's sum, by hand). One per cent of
    # an hour is 36 s: 218 frames, every 16.5 s.
    source = f"""\
mission: lark
frames:
  report:
    cadence_s: {every}
    fields:
      - {{name: sequence, bits: 8, role: sequence}}
      - {{name: body, kind: bytes, length: 13}}
      - {{name: check, kind: check, algorithm: CRC-16/IBM-3740}}
link: {{chirp: {{spreading_factor: 9, bandwidth_khz: 125}}, share_of_hour_percent: 1}}
"""
    (notes,) = [frame(document(capsys, schema(source)))["notes"]]
    assert (
        any("share_of_hour_percent: 1 allows 36.0 s. Send it every 16.5 s" in one for one in notes) == is_told
    )


@pytest.mark.parametrize(("count", "status"), [(251, 0), (252, 1)])
def test_a_radio_packet_carries_255_bytes_with_the_drivers(
    capsys: pytest.CaptureFixture[str], schema: Any, count: int, status: int
) -> None:
    # SX1276 data sheet, section 4.1.1.6: payloads up to 255 bytes. Four of them are the driver's.
    source = f"""\
mission: wide
frames:
  f:
    fields:
      - {{name: x, bits: 8, repeat: {count - 1}}}
      - {{name: check, kind: check, algorithm: CRC-8/SMBUS}}
link: {{chirp: {{spreading_factor: 7, bandwidth_khz: 125}}, driver_bytes: 4}}
"""
    found = frame(document(capsys, schema(source), status=status))["findings"]
    assert [one["rule"] for one in found] == ["frame-over-radio"] * status


def test_a_faulty_schema_is_a_finding_and_all_its_faults_are_told(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    faulty, good = schema(FAULTY, "faulty.yaml"), schema(TERN)
    assert main(["check", faulty]) == 1
    caught = capsys.readouterr()
    assert caught.out == ""
    assert f"{faulty}:5:" in caught.err and f"{faulty}:6:" in caught.err
    assert main(["check", "--json", faulty, good]) == 1
    caught = capsys.readouterr()
    written = json.loads(caught.out)
    jsonschema.validate(written, SCHEMA)
    assert [one["ok"] for one in written["schemas"]] == [False, True]
    assert [one["line"] for one in written["schemas"][0]["problems"]] == [5, 6]
    assert f"{faulty}:5:" in caught.err


# -- the options -------------------------------------------------------------------------------------------------------------------------


def test_one_frame_or_only_the_findings_can_be_asked_for(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    shown = text(capsys, "--frame", "least", schema(ORDERS))
    assert "orders / least" in shown and "orders / words" not in shown
    brief = text(capsys, "--brief", schema(ORDERS))
    assert "orders / words" in brief and "Strip" not in brief and "Note:" in brief
    assert len(brief.splitlines()) < 40


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ((), "name a schema"),
        (("--algorithms", "x.yaml"), "name a schema"),
        (("there-is-no-such.yaml",), "there is no such file"),
    ],
)
def test_misuse_is_told_and_ends_with_2(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], told: str
) -> None:
    assert main(["check", *arguments]) == 2
    caught = capsys.readouterr()
    assert caught.out == "" and told in caught.err


def test_an_unknown_frame_is_misuse_and_lists_the_frames(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    assert main(["check", "--frame", "x", schema(ORDERS)]) == 2
    assert "it has words, least, open_end" in capsys.readouterr().err


def test_the_result_goes_to_a_file_in_utf_8(
    capsys: pytest.CaptureFixture[str], schema: Any, tmp_path: Path
) -> None:
    shown = text(capsys, schema(TERN))
    assert text(capsys, "-o", str(tmp_path / "out.txt"), schema(TERN)) == ""
    assert (tmp_path / "out.txt").read_text(encoding="utf-8") == shown


def test_the_catalogue_is_listed_with_parameters_and_sources(capsys: pytest.CaptureFixture[str]) -> None:
    listed = document(capsys, "--algorithms")["algorithms"]
    assert sum(one["family"] == "crc" for one in listed) == 113  # the rows of the published catalogue
    (kermit,) = (one for one in listed if one["algorithm"] == "CRC-16/KERMIT")
    assert (kermit["check_value"], kermit["parameters"]["reflect_in"]) == (
        "0x2189",
        "true",
    )  # as published there
    shown = text(capsys, "--algorithms")
    assert max(map(len, shown.splitlines())) <= 80
    assert "CRC-16/KERMIT" in shown and "check value 0x2189" in shown and "Sources" in shown


def test_the_error_for_an_unknown_check_leads_to_the_list(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    assert main(["check", schema(TERN.replace("CRC-16/IBM-3740", "quux-zzz"))]) == 1
    assert "packetkit check --algorithms" in capsys.readouterr().err


LISTED = """\
mission: tern
frames:
  list:
    fields:
      - {name: kind, bits: 8}
      - {name: heights, bits: 24, repeat: {to_end: true}}
link: {maximum_frame_bytes: 50}
"""


def test_the_maximum_that_is_advised_for_a_list_fills_the_packet_and_one_more_does_not_fit(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    said = " ".join(text(capsys, schema(LISTED)).split())
    # One byte and 16 times three are 49 bytes of 50.
    assert (
        "heights has no maximum: a frame of 50 bytes holds 16 of them. Add maximum: 16 to its repeat." in said
    )
    for most, fits in ((16, True), (17, False)):
        bounded = schema(LISTED.replace("to_end: true", f"to_end: true, maximum: {most}"))
        assert (main(["check", bounded]) == 0) is fits
        capsys.readouterr()


def test_a_code_without_a_variant_is_told_of_where_it_gives_octets_to_the_end(
    capsys: pytest.CaptureFixture[str], schema: Any
) -> None:
    variants = """\
mission: tern
frames:
  one:
    fields:
      - {name: kind, bits: 8}
      - name: body
        told_by: kind
        variants:
          - {name: brief, when: {kind: 0}, group: [{name: x, bits: 8}]}
"""
    told = "A code without a variant gives octets to the end of the frame"
    assert told in " ".join(text(capsys, schema(variants)).split())
    padded = schema(variants + "      - {kind: reserved, up_to: byte}\n")
    assert told not in " ".join(text(capsys, padded).split())


@pytest.mark.parametrize(
    ("element", "each"),
    [
        ("bits: 16", "16 bits for each of options."),
        (
            "group: [{name: size, kind: length, bits: 8, measures: value}, {name: value, kind: bytes, length: rest}]",
            "8 to 2048 bits for each of options.",
        ),
    ],
)
def test_a_frame_without_a_longest_form_says_what_each_element_takes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], element: str, each: str
) -> None:
    path = tmp_path / "tlv.yaml"
    path.write_text(
        f"mission: tern\nframes: {{f: {{fields: [{{name: options, repeat: {{to_end: true}}, {element}}}]}}}}\n",
        "utf-8",
    )
    assert main(["check", str(path)]) == 0
    assert each in " ".join(capsys.readouterr().out.split())


def test_octets_to_the_end_are_told_what_bounds_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "open.yaml"
    path.write_text(
        "mission: m\nframes:\n  a:\n    fields: [{name: n, bits: 8}, {name: data, kind: bytes, length: rest}]\n"
    )
    main(["check", str(path)])
    assert "data has no maximum, so the frame has no longest form. Let a length field measure it" in " ".join(
        capsys.readouterr().out.split()
    )
