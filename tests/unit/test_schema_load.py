"""Schema text becomes the declared model: what each key is read as, where it stood, and what a preset fills in."""

from __future__ import annotations

from fractions import Fraction

import pytest

from packetkit.schema.field_keys import FIELD_KEYS
from packetkit.schema.kinds import KINDS
from packetkit.schema.load import Loaded, load
from packetkit.schema.model import Codes, Condition, Covers, CustomCrc, Field, Mission, Repeat
from packetkit.schema.names import RESERVED
from packetkit.schema.presets import PRESETS


def loaded(text: str) -> Loaded:
    return load(text, "godwit.yaml")


def mission_of(text: str) -> Mission:
    found = loaded(text)
    assert not found.problems
    assert found.mission is not None
    return found.mission


def fields_of(*lines: str) -> tuple[Field, ...]:
    head = "mission: godwit\nframes:\n  drift:\n    fields:\n"
    return mission_of(head + "".join(f"      - {line}\n" for line in lines)).frames[0].fields


def field_of(line: str) -> Field:
    return fields_of(line)[0]


def test_a_mission_holds_its_frames_in_the_order_of_the_file() -> None:
    mission = mission_of(
        "mission: godwit-2\ndescription: a buoy\nframes:\n"
        "  flood: {cadence_s: 1/2, order: little, packing: least_significant_first, fields: [{name: a, bits: 8}]}\n"
        "  drift: {strict: true, last_byte: zero_filled, description: calm, fields: [{name: b, bits: 4}]}\n"
    )
    assert (mission.name, mission.description, mission.file) == ("godwit-2", "a buoy", "godwit.yaml")
    flood, drift = mission.frames
    assert (flood.name, flood.cadence_s, flood.order) == ("flood", Fraction(1, 2), "little")
    assert flood.packing == "least_significant_first"
    assert (drift.name, drift.strict, drift.last_byte, drift.description) == (
        "drift",
        True,
        "zero_filled",
        "calm",
    )
    assert (flood.strict, drift.cadence_s, drift.packing) == (None, None, None)


def test_a_key_that_is_not_written_is_none_or_empty() -> None:
    one = field_of("{name: a, bits: 8}")
    assert one == Field("a", "number", one.place, bits=8)
    assert (one.signed, one.scale, one.missing, one.repeat, one.present_when) == (
        None,
        None,
        False,
        None,
        None,
    )


@pytest.mark.parametrize(
    ("text", "number"),
    [
        ("1/600000", Fraction(1, 600_000)),
        ("0.02", Fraction(1, 50)),
        ("-1.5e-3", Fraction(-3, 2_000)),
        ("0x1F", Fraction(31)),
        ("1e60", Fraction(10**60)),
        (".5", Fraction(1, 2)),
    ],
)
def test_numbers_are_exact(text: str, number: Fraction) -> None:
    assert field_of(f"{{name: a, bits: 8, scale: {text}}}").scale == number


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("{name: a, bits: 8}", "number"),
        ("{name: a, bits: 8, states: {0: idle}}", "states"),
        ("{name: a, flags: [b]}", "flags"),
        ("{name: a, group: [{name: b, bits: 8}]}", "group"),
        ("{name: a, kind: flag}", "flag"),
        ("{name: a, kind: float, bits: 16}", "float"),
        ("{kind: reserved, bits: 3}", "reserved"),
    ],
)
def test_the_kind_is_written_or_told_by_the_keys(line: str, kind: str) -> None:
    assert field_of(line).kind == kind


def test_reserved_bits_without_a_name_get_one_that_is_free() -> None:
    lines = (
        "{kind: reserved, bits: 1}",
        "{name: reserved_2, bits: 6}",
        "{kind: reserved, bits: 1}",
        "{kind: reserved, bits: 8}",
    )
    assert [(one.name, one.named) for one in fields_of(*lines)] == [
        ("reserved", False),
        ("reserved_2", True),
        ("reserved_3", False),
        ("reserved_4", False),
    ]


def test_a_flag_in_a_set_may_be_a_name_or_a_field() -> None:
    one = field_of(
        "{name: state, flags: [moored, {name: depth, bits: 3}, {name: last, kind: flag, default: true}]}"
    )
    assert [(inner.name, inner.kind) for inner in one.fields] == [
        ("moored", "flag"),
        ("depth", "number"),
        ("last", "flag"),
    ]


@pytest.mark.parametrize(
    ("text", "codes"),
    [
        ("5", (Codes(5, 5),)),
        ("0xD391", (Codes(0xD391, 0xD391),)),
        ("[1, 4]", (Codes(1, 1), Codes(4, 4))),
        ("{from: 4, to: 6}", (Codes(4, 6),)),
        ("[1, {from: 4, to: 6}]", (Codes(1, 1), Codes(4, 6))),
    ],
)
def test_codes_are_a_number_a_range_or_a_list(text: str, codes: tuple[Codes, ...]) -> None:
    assert field_of(f"{{name: a, kind: tag, bits: 16, code: {text}}}").code == codes


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("true", True),
        ("false", False),
        ("255", (Codes(255, 255),)),
        ("-1", (Codes(-1, -1),)),
        ("{code: 255, reason: no sensor}", (Codes(255, 255, "no sensor"),)),
        ("[254, {from: 250, to: 252, reason: 007}]", (Codes(254, 254), Codes(250, 252, "007"))),
    ],
)
def test_missing_is_true_or_codes_with_reasons_whose_text_is_kept(text: str, missing: object) -> None:
    assert field_of(f"{{name: a, bits: 8, missing: {text}}}").missing == missing


def test_states_are_sorted_by_code_and_keep_their_text() -> None:
    one = field_of("{name: mode, bits: 8, states: {0x10: 1.50, 2: 'yes', \"3\": no}}")
    assert one.states == ((2, "yes"), (3, "no"), (16, "1.50"))


@pytest.mark.parametrize(
    ("text", "repeat"),
    [
        ("3", Repeat(count=3)),
        ("{count: 3}", Repeat(count=3)),
        ("{count: held}", Repeat(counted_by="held")),
        ("{count: state.held}", Repeat(counted_by="state.held")),
        ("{to_end: true}", Repeat(to_end=True)),
        ("{to_end: true, maximum: 9}", Repeat(to_end=True, maximum=9)),
    ],
)
def test_a_repeat_has_a_count_or_runs_to_the_end(text: str, repeat: Repeat) -> None:
    assert field_of(f"{{name: a, bits: 8, repeat: {text}}}").repeat == repeat


@pytest.mark.parametrize(
    ("text", "condition"),
    [
        ("has_fix", Condition("has_fix")),
        ("state.has_fix", Condition("state.has_fix")),
        ("{mode: 1}", Condition("mode", (Codes(1, 1),))),
        ("{mode: [0x1, {from: 3, to: 4}]}", Condition("mode", (Codes(1, 1), Codes(3, 4)))),
        ("{mode: survey}", Condition("mode", (), ("survey",))),
        ('{mode: [survey, "1"]}', Condition("mode", (), ("survey", "1"))),
    ],
)
def test_a_condition_is_a_flag_or_a_field_with_codes_or_states(text: str, condition: Condition) -> None:
    assert field_of(f"{{name: a, bits: 8, present_when: {text}}}").present_when == condition


@pytest.mark.parametrize(
    ("text", "covers"),
    [
        ("everything_before", Covers("everything_before")),
        ("whole_frame", Covers("whole_frame")),
        ("power", Covers("names", ("power",))),
        ("[power.cell, mode]", Covers("names", ("power.cell", "mode"))),
        ("{from: a, to: b}", Covers("range", (), "a", "b")),
        ("{from: a, to: d, except: [b, c]}", Covers("range", ("b", "c"), "a", "d")),
        ("{from: a, to: d, except: b}", Covers("range", ("b",), "a", "d")),
    ],
)
def test_a_check_covers_a_word_names_or_a_range(text: str, covers: Covers) -> None:
    assert field_of(f"{{name: a, kind: check, algorithm: SUM-8, covers: {text}}}").covers == covers


def test_a_crc_may_be_given_by_its_parameters() -> None:
    one = field_of(
        "{name: a, kind: check, algorithm: {width: 16, polynomial: 0x1021, initial: 0xFFFF, reflect_in: true, final_xor: 1}}"
    )
    assert one.algorithm == CustomCrc(16, 0x1021, 0xFFFF, True, False, 1)


@pytest.mark.parametrize(
    ("text", "default"),
    [("1.5", Fraction(3, 2)), ("true", True), ("idle", "idle"), ('"1"', "1"), ('"true"', "true")],
)
def test_a_default_is_a_number_a_truth_or_a_word(text: str, default: object) -> None:
    assert field_of(f"{{name: a, bits: 8, default: {text}}}").default == default


def test_link_and_passes_are_read_with_their_defaults() -> None:
    mission = mission_of(
        "mission: godwit\nframes: {drift: {fields: [{name: a, bits: 8}]}}\n"
        "link:\n  chirp: {spreading_factor: 10, bandwidth_khz: 62.5, header: implicit}\n  driver_bytes: 4\n"
        "passes: {altitude_km: 510, minimum_elevation_deg: 10, per_day: 4.5}\n"
    )
    link, passes = mission.link, mission.passes
    assert link is not None and link.chirp is not None and passes is not None
    assert (link.driver_bytes, link.gap_s, link.maximum_frame_bytes) == (4, Fraction(0), None)
    assert (link.chirp.spreading_factor, link.chirp.bandwidth_khz) == (10, Fraction(125, 2))
    assert (link.chirp.coding_rate, link.chirp.preamble_symbols, link.chirp.header) == ("4/5", 8, "implicit")
    assert (passes.altitude_km, passes.minimum_elevation_deg, passes.per_day) == (
        Fraction(510),
        Fraction(10),
        Fraction(9, 2),
    )


# -- presets


def test_a_preset_fills_in_range_resolution_unit_and_missing_code() -> None:
    row = PRESETS["cell_voltage"]
    one = field_of("{name: cell, preset: cell_voltage}")
    assert (one.minimum, one.maximum, one.resolution) == (row.minimum, row.maximum, row.resolution)
    assert (one.unit, one.missing, one.preset) == ("V", True, "cell_voltage")
    assert one.bits is None


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ("minimum: 2", "minimum", Fraction(2)),
        ("maximum: 5", "maximum", Fraction(5)),
        ("resolution: 0.1", "resolution", Fraction(1, 10)),
        ("unit: mV", "unit", "mV"),
        ("missing: false", "missing", False),
        ('unit: ""', "unit", ""),
    ],
)
def test_what_a_field_writes_itself_wins_over_its_preset(line: str, key: str, value: object) -> None:
    one = field_of(f"{{name: cell, preset: cell_voltage, {line}}}")
    assert getattr(one, key) == value
    others = {"minimum", "maximum", "resolution", "unit", "missing"} - {key}
    plain = field_of("{name: cell, preset: cell_voltage}")
    assert all(getattr(one, other) == getattr(plain, other) for other in others)


def test_bits_beside_a_preset_take_the_place_of_its_resolution() -> None:
    one = field_of("{name: cell, preset: cell_voltage, bits: 8}")
    assert (one.bits, one.resolution) == (8, None)


@pytest.mark.parametrize("preset", PRESETS)
def test_every_preset_is_a_whole_number_of_steps(preset: str) -> None:
    row = PRESETS[preset]
    assert ((row.maximum - row.minimum) / row.resolution).denominator == 1
    assert field_of(f"{{name: a, preset: {preset}}}").unit == row.unit


# -- places


def test_every_key_is_remembered_with_the_place_of_its_value() -> None:
    one = field_of("{name: a, bits: 0x8, missing: [3, {code: 4, reason: off}], present_when: {mode: 1}}")
    assert {
        key: one.places[key].position.column
        for key in ("name", "bits", "missing", "missing.1", "missing.1.code")
    } == {
        "name": 16,
        "bits": 25,
        "missing": 39,
        "missing.1": 43,
        "missing.1.code": 50,
    }
    assert one.places["bits"].width == 3
    assert one.places["present_when:mode"].position.column == 83
    assert one.places["present_when.mode"].position.column == 89
    assert all(
        place.position.line == 5 and place.position.file == "godwit.yaml" for place in one.places.values()
    )


# -- faults leave what is sound standing


def test_a_faulty_field_is_marked_and_its_neighbours_are_read() -> None:
    found = loaded(
        "mission: godwit\nframes:\n  drift:\n    fields:\n"
        "      - {name: a, bits: 8}\n      - {name: b, bitts: 8}\n      - {name: p, group: [{name: c, bits: x}, {name: d, bits: 4}]}\n"
    )
    assert found.mission is not None
    a, b, p = found.mission.frames[0].fields
    assert (a.whole, b.whole, p.whole) == (True, False, False)
    assert [(inner.name, inner.whole) for inner in p.fields] == [("c", False), ("d", True)]
    assert [problem.rule for problem in found.problems] == ["unknown-key", "bad-number"]


def test_a_field_without_a_good_name_is_called_by_its_line() -> None:
    found = loaded(
        "mission: godwit\nframes:\n  drift:\n    fields:\n      - {name: Bad, group: [{name: a, bits: 0}]}\n"
    )
    assert [problem.path for problem in found.problems] == ["drift.(line 5)", "drift.(line 5).a"]


def test_a_misspelt_key_is_told_once_and_not_as_missing_too() -> None:
    for text in (
        "mision: godwit\nframes: {drift: {fields: [{name: a, bits: 8}]}}",
        "mission: godwit\nfrmes: {}",
    ):
        assert [problem.rule for problem in loaded(text).problems] == ["unknown-key"]


def test_a_text_that_is_no_tree_gives_no_mission() -> None:
    for text in ("", "- a", "a: [", "a: {<<: b}"):
        found = loaded(text)
        assert found.mission is None and found.problems


# -- the tables


def test_every_key_of_every_kind_is_a_word_of_the_language_with_help() -> None:
    used = {key for kind in KINDS.values() for key in (*kind.required, *kind.optional)}
    assert used | {"name", "kind", "description", "present_when", "repeat"} == FIELD_KEYS.keys()
    assert all(key.help.endswith(".") for key in FIELD_KEYS.values())


@pytest.mark.parametrize("language", RESERVED)
def test_every_reserved_word_is_refused_as_a_name(language: str) -> None:
    words = sorted(RESERVED[language])
    text = "mission: godwit\nframes:\n  drift:\n    fields:\n"
    found = loaded(text + "".join(f"      - {{name: {word}, bits: 8}}\n" for word in words))
    refused = {problem.summary.split()[0].strip("'") for problem in found.problems}
    assert refused == set(words)
    assert not loaded(text + "".join(f"      - {{name: {word}_value, bits: 8}}\n" for word in words)).problems
