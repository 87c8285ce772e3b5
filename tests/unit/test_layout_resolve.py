"""A declared frame becomes a layout: widths, exact transforms, codes, places, spans, lengths and fingerprints.

Each test pins what a schema means, by numbers worked out beside it; the rule of WIRE.md is named where one
decides.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import pytest

from packetkit.errors import SchemaError
from packetkit.layout.fingerprint import VERSION
from packetkit.layout.model import Choice, Fill, Layout, Node, Optional, Repeat, Run
from packetkit.layout.slots import Check, Ieee, Linear, Mark, Packing, Range, Role, Slot, Special
from packetkit.mission.load import Mission, parse


def mission_of(text: str) -> Mission:
    return parse(text, "godwit.yaml")


def frame_of(*lines: str, frame: str = "") -> Layout:
    """The layout of one frame with these fields; last_byte completes it where the lines leave bits over."""
    head = f"mission: godwit\nframes:\n  drift:\n{frame}    fields:\n"
    return mission_of(head + "".join(f"      - {line}\n" for line in lines)).layouts["drift"]


def loose(*lines: str, frame: str = "") -> Layout:
    """The same, its last byte filled with zeros."""
    return frame_of(*lines, frame=f"    last_byte: zero_filled\n{frame}")


def slot_of(line: str) -> Slot:
    return loose(line).slots[0]


def rules_of(*lines: str, frame: str = "") -> list[str]:
    with pytest.raises(SchemaError) as caught:
        frame_of(*lines, frame=frame)
    return [problem.rule for problem in caught.value.problems]


def run_of(node: Node) -> Run:
    assert isinstance(node, Run)
    return node


def repeat_of(node: Node) -> Repeat:
    assert isinstance(node, Repeat)
    return node


def optional_of(node: Node) -> Optional:
    assert isinstance(node, Optional)
    return node


def check_of(layout: Layout, name: str = "check") -> Check:
    check = next(slot.check for slot in layout.slots if slot.address.endswith(name))
    assert check is not None
    return check


# -- numbers by meaning (WIRE.md 6)


def test_the_first_schemas_temperature_has_1451_codes_and_one_for_missing_so_eleven_bits() -> None:
    slot = slot_of("{name: t, minimum: -60, maximum: 85, resolution: 0.1, unit: Cel, missing: true}")
    assert (slot.width, slot.signed, slot.unassigned, slot.unit) == (11, False, True, "Cel")
    assert slot.transform == Linear(1, -600, 10)
    assert slot.legal == (Range(0, 1_450),)
    assert slot.specials == (Special(2_047, 2_047, "missing"),)


@pytest.mark.parametrize(
    ("line", "width"),
    [
        ("maximum: 254, resolution: 1", 8),
        ("maximum: 255, resolution: 1", 8),
        ("maximum: 256, resolution: 1", 9),
        ("maximum: 254, resolution: 1, missing: true", 8),
        ("maximum: 255, resolution: 1, missing: true", 9),  # all ones is taken: one bit more
        ("maximum: 1, resolution: 1", 1),
        ("maximum: 1, resolution: 1, missing: true", 2),
        ("maximum: 9, resolution: 1, missing: 4095", 12),
        ("maximum: 9, resolution: 1, missing: [10, {from: 16, to: 31}]", 5),
        ("maximum: 14, resolution: 1, at_least: 15", 4),
        ("maximum: 14, resolution: 1, at_least: 15, missing: true", 5),
        ("maximum: 9, resolution: 1, at_least: 10, at_most: 0", 4),
        ("maximum: 9, resolution: 1, bits: 12", 12),
        ("maximum: 18446744073709551615, resolution: 1", 64),
    ],
)
def test_the_width_holds_every_step_and_every_reserved_code(line: str, width: int) -> None:
    assert slot_of(f"{{name: a, minimum: 0, {line}}}").width == width


@pytest.mark.parametrize(
    ("line", "steps"),
    [
        ("bits: 8", 255),
        ("bits: 8, missing: true", 254),
        ("bits: 8, missing: 255", 254),
        ("bits: 8, missing: [255, 254]", 253),
        ("bits: 8, missing: {from: 240, to: 255}", 239),
        ("bits: 8, at_least: 255", 255),  # a code on the number line is not reserved from the range
        ("bits: 1", 1),
    ],
)
def test_bits_alone_divide_the_range_by_all_codes_less_one_less_the_reserved(line: str, steps: int) -> None:
    slot = slot_of(f"{{name: a, minimum: -1, maximum: 3, {line}}}")
    assert isinstance(slot.transform, Linear)
    assert slot.transform.scale == Fraction(4, steps)
    assert slot.transform.offset == -1
    assert slot.legal[-1].high == (steps if "at_least" not in line else steps - 1)


def test_a_bound_code_inside_the_range_is_no_plain_value_any_more() -> None:
    slot = slot_of("{name: a, minimum: 0, maximum: 10, resolution: 1, at_least: 10, at_most: 0}")
    assert slot.legal == (Range(1, 9),)
    assert slot.specials == (Special(10, 10, "at_least"), Special(0, 0, "at_most"))


def test_a_range_that_takes_every_code_leaves_none_unassigned() -> None:
    assert not slot_of("{name: a, minimum: 0, maximum: 255, resolution: 1}").unassigned
    assert slot_of("{name: a, minimum: 0, maximum: 254, resolution: 1}").unassigned
    assert not slot_of("{name: a, minimum: 0, maximum: 254, resolution: 1, missing: true}").unassigned


def test_a_preset_means_what_its_keys_written_out_mean() -> None:
    written = "{name: a, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, missing: true}"
    assert slot_of("{name: a, preset: cell_voltage}") == slot_of(written)
    assert slot_of("{name: a, preset: cell_voltage}").width == 7  # 91 values and missing
    assert slot_of("{name: a, preset: latitude}").width == 24  # 9,000,001 values and missing
    wider = slot_of("{name: a, preset: cell_voltage, maximum: 5, missing: false}")
    assert (wider.legal, wider.specials) == ((Range(0, 125),), ())
    coarse = slot_of("{name: a, preset: cell_voltage, bits: 4}")
    assert coarse.transform == Linear(9, 175, 70)  # 1.8 V in 14 steps from 2.5 V
    assert (coarse.legal, coarse.specials) == ((Range(0, 14),), (Special(15, 15, "missing"),))


# -- numbers by wire (WIRE.md 3, 5, 9, 10)


@pytest.mark.parametrize(
    ("line", "transform"),
    [
        ("scale: 1/16", Linear(1, 0, 16)),
        ("scale: 0.0625", Linear(1, 0, 16)),
        ("scale: 360/1024", Linear(45, 0, 128)),
        ("scale: 0.1, offset: -273.15", Linear(2, -5_463, 20)),
        ("scale: -2, offset: 7", Linear(-2, 7, 1)),
        ("offset: -40", Linear(1, -40, 1)),
    ],
)
def test_scale_and_offset_are_kept_as_whole_numbers_over_one_denominator(
    line: str, transform: Linear
) -> None:
    assert slot_of(f"{{name: a, bits: 10, {line}}}").transform == transform


@pytest.mark.parametrize(
    ("line", "legal"),
    [
        ("bits: 8", (Range(0, 255),)),
        ("bits: 8, signed: true", (Range(-128, 127),)),
        ("bits: 8, missing: true", (Range(0, 254),)),
        ("bits: 8, signed: true, missing: true", (Range(-127, 127),)),
        ("bits: 8, scale: 1, minimum: 3, maximum: 200", (Range(3, 200),)),
        # Bounds are compared after rounding: 0.34 is nearest to raw 3, 0.96 to raw 10, a tie goes up.
        ("bits: 8, scale: 0.1, minimum: 0.34, maximum: 0.96", (Range(3, 10),)),
        ("bits: 8, scale: 1/2, minimum: 1.25, maximum: 1.75", (Range(3, 4),)),
        ("bits: 8, scale: 0.1, maximum: 25.54", (Range(0, 255),)),
        # A falling scale: the maximum is the lowest code.
        ("bits: 8, scale: -1, offset: 100, minimum: 10, maximum: 90", (Range(10, 90),)),
        ("bits: 8, scale: -1, offset: 100, minimum: 10", (Range(0, 90),)),
        ("bits: 8, scale: -0.5, signed: true, minimum: 0", (Range(-128, 0),)),
        # Less the special codes, wherever they lie.
        ("bits: 8, missing: [0, {from: 100, to: 109}, 255]", (Range(1, 99), Range(110, 254))),
        ("bits: 8, missing: 7, at_least: 255, at_most: 0", (Range(1, 6), Range(8, 254))),
        ("bits: 8, scale: 1, maximum: 200, missing: 255", (Range(0, 200),)),
        ("bits: 8, scale: 1, minimum: 50, maximum: 200, missing: 3", (Range(50, 200),)),
        (
            "bits: 8, scale: 1, minimum: 50, maximum: 200, missing: [{from: 40, to: 60}, 199, 200]",
            (Range(61, 198),),
        ),
        ("bits: 8, missing: [5, 3, 4]", (Range(0, 2), Range(6, 255))),
    ],
)
def test_the_legal_codes_are_the_bounds_after_rounding_less_the_special_codes(
    line: str, legal: tuple[Range, ...]
) -> None:
    slot = slot_of(f"{{name: a, {line}}}")
    assert slot.legal == legal
    assert not slot.unassigned


@pytest.mark.parametrize(
    ("line", "legal"),
    [
        # DWARF 4, section 7.6: so many bits of two's complement, or of an unsigned number, in groups of seven.
        ("bits: 14, coding: continued_low_first_signed", Range(-8192, 8191)),
        ("bits: 14, coding: continued_low_first", Range(0, 16_383)),
        ("bits: 14, coding: sign_and_magnitude", Range(-8191, 8191)),
        ("bits: 14, coding: gray", Range(0, 16_383)),
        (
            "kind: time, bits: 14, tick_s: 1, epoch: 1970-01-01T00:00:00Z, leap_seconds: not_counted",
            Range(0, 16_383),
        ),
    ],
)
def test_the_legal_codes_of_a_coding_and_of_a_time_are_all_that_their_bits_spell(
    line: str, legal: Range
) -> None:
    assert slot_of(f"{{name: a, {line}}}").legal == (legal,)


def test_the_missing_code_of_a_signed_field_may_be_written_as_its_pattern() -> None:
    for code in ("-512", "0x200", "512"):
        assert slot_of(f"{{name: a, bits: 10, signed: true, missing: {code}}}").specials == (
            Special(-512, -512, "missing"),
        )
    slot = slot_of("{name: a, bits: 8, signed: true, missing: [{from: 0xFE, to: 0xFF, reason: off}, 127]}")
    assert slot.specials == (Special(-2, -1, "missing", "off"), Special(127, 127, "missing"))
    assert slot.missing_code == -2
    assert rules_of("{name: a, bits: 8, signed: true, missing: 256}") == ["code-too-large"]
    assert rules_of("{name: a, bits: 8, signed: true, missing: {from: 127, to: 128}}") == ["code-too-large"]


def test_codes_that_go_on_from_one_another_are_one_range_and_the_first_is_sent() -> None:
    assert slot_of("{name: a, bits: 8, missing: [3, 4, 5]}").specials == (Special(3, 5, "missing"),)
    assert slot_of("{name: a, bits: 8, missing: [4, 3]}").specials == (
        Special(4, 4, "missing"),
        Special(3, 3, "missing"),
    )
    reasons = slot_of("{name: a, bits: 8, missing: [{code: 3, reason: off}, 4]}").specials
    assert reasons == (Special(3, 3, "missing", "off"), Special(4, 4, "missing"))


def test_an_ieee_number_has_its_bounds_and_a_quiet_nan_for_missing() -> None:
    slot = slot_of("{name: a, kind: float, bits: 32, minimum: -1, maximum: 0.1, missing: true}")
    assert slot.transform == Ieee(32)
    assert (slot.minimum, slot.maximum, slot.legal) == (Fraction(-1), Fraction(1, 10), ())
    assert slot.specials == (Special(0x7FC00000, 0x7FC00000, "missing"),)
    assert slot_of("{name: a, kind: float, bits: 16, missing: true}").missing_code == 0x7E00
    assert slot_of("{name: a, kind: float, bits: 64, missing: true}").missing_code == 0x7FF8000000000000


def test_a_scaled_field_whose_doubles_do_not_come_back_is_refused_and_a_narrower_one_taken() -> None:
    assert rules_of("{name: a, bits: 64, scale: 0.1}") == ["not-exact"]
    assert slot_of("{name: a, bits: 52, scale: 0.1}").width == 52
    assert slot_of("{name: a, bits: 64, scale: 3}").width == 64  # whole numbers are exact at any size


# -- the other kinds


def test_states_keep_their_names_and_leave_unknown_codes_legal() -> None:
    slot = slot_of("{name: mode, bits: 3, states: {1: idle, 0: off}, missing: 7, default: idle}")
    assert slot.states == ((0, "off"), (1, "idle"))
    assert slot.legal == (Range(0, 6),)
    assert (slot.missing_code, slot.default) == (7, 1)


@pytest.mark.parametrize(
    ("code", "codes"),
    [
        ("5", (Range(5, 5),)),
        ("[5]", (Range(5, 5),)),
        ("[9, 1, 2]", (Range(1, 2), Range(9, 9))),
        ("[1, {from: 2, to: 6}]", (Range(1, 6),)),
    ],
)
def test_a_tags_codes_are_ascending_ranges_as_few_as_there_can_be(
    code: str, codes: tuple[Range, ...]
) -> None:
    slot = slot_of(f"{{name: tag, kind: tag, bits: 8, code: {code}}}")
    assert slot.codes == codes
    assert slot.is_value is (code not in ("5", "[5]"))


def test_defaults_are_raw_codes() -> None:
    assert slot_of("{name: a, minimum: -2, maximum: 8, resolution: 0.5, default: 3}").default == 10
    assert slot_of("{name: a, bits: 8, signed: true, default: -3}").default == -3
    assert slot_of("{name: a, bits: 8, missing: {code: 255, reason: off}, default: off}").default == 255
    assert slot_of("{name: a, kind: flag, default: false}").default == 0
    assert slot_of("{name: a, kind: float, bits: 16, default: 1}").default == 0x3C00
    assert slot_of("{name: mode, bits: 3, states: {4: idle}, default: 4}").default == 4
    # A default is sent as it is written: no policy makes an unfit one fit.
    for policy in ("clamp", "missing"):
        line = f"{{name: a, minimum: 0, maximum: 9, resolution: 1, missing: true, out_of_range: {policy}, default: 10}}"
        assert rules_of(line) == ["default-unfit"]
    assert rules_of("{name: mode, bits: 8, states: {0: idle}, default: false}") == ["default-unfit"]


def test_roles_carry_their_details_and_a_counter_wraps_at_its_width_unless_said() -> None:
    assert slot_of("{name: a, bits: 12, role: sequence}").role == Role("sequence", 4_096)
    assert slot_of("{name: a, bits: 12, role: boot, modulus: 1000}").role == Role("boot", 1_000)
    clock = slot_of("{name: a, bits: 24, role: clock, tick_s: 1/2, epoch: 2030-01-01T00:00:00Z}")
    assert clock.role == Role("clock", None, Fraction(1, 2), "2030-01-01T00:00:00Z")


@pytest.mark.parametrize("bits", [1, 8, 64])
def test_a_counter_wraps_at_two_at_least_and_at_what_its_bits_count_at_most(bits: int) -> None:
    def line(modulus: int) -> str:
        return f"{{name: a, bits: {bits}, role: sequence, modulus: {modulus}}}"

    for modulus in (2, 2**bits):
        assert slot_of(line(modulus)).role == Role("sequence", modulus)
    for modulus in (1, 0, -1, 2**bits + 1):
        assert rules_of(line(modulus), "{kind: reserved, up_to: byte}") == ["modulus-unfit"]


# -- order and packing (WIRE.md 1 and 2)


def style(layout: Layout) -> list[tuple[str, Packing, bool]]:
    return [
        (slot.address, node.packing, slot.octets_reversed)
        for node in layout.walk()
        if isinstance(node, Run)
        for slot in node.slots
    ]


def test_numbers_lie_high_octet_first_unless_said() -> None:
    assert style(
        frame_of(
            "{name: a, bits: 16}", "{name: b, bits: 16, order: little}", "{name: c, bits: 16, order: big}"
        )
    ) == [
        ("a", Packing.MOST, False),
        ("b", Packing.MOST, True),
        ("c", Packing.MOST, False),
    ]


def test_packing_from_the_low_end_makes_little_the_natural_order() -> None:
    low = "    packing: least_significant_first\n"
    lines = ("{name: a, bits: 16}", "{name: b, bits: 16, order: little}", "{name: c, bits: 16, order: big}")
    assert style(frame_of(*lines, frame=low)) == [
        ("a", Packing.LEAST, False),
        ("b", Packing.LEAST, False),
        ("c", Packing.LEAST, True),
    ]
    assert style(frame_of(*lines, frame=low + "    order: big\n")) == [
        ("a", Packing.LEAST, True),
        ("b", Packing.LEAST, False),
        ("c", Packing.LEAST, True),
    ]


def test_the_order_of_a_frame_or_group_reaches_the_numbers_of_sixteen_bits_and_more() -> None:
    lines = (
        "{name: a, bits: 16}",
        "{name: b, bits: 8}",
        "{name: c, bits: 3}",
        "{name: d, bits: 5}",
        "{name: e, bits: 24}",
    )
    reversed_ones = {"a": True, "b": False, "c": False, "d": False, "e": True}
    for layout in (
        frame_of(*lines, frame="    order: little\n"),
        frame_of(f"{{name: g, order: little, group: [{', '.join(lines)}]}}"),
    ):
        assert {address[-1]: swapped for address, _, swapped in style(layout)} == reversed_ones
    assert rules_of("{name: a, bits: 12}", "{name: b, bits: 4}", frame="    order: little\n") == [
        "order-width"
    ]
    inner = "{name: g, order: little, group: [{name: a, bits: 16, order: big}, {name: h, order: big, group: [{name: b, bits: 16}]}]}"
    assert not any(swapped for _, _, swapped in style(frame_of(inner)))


def test_flags_reserved_bits_and_single_octets_have_no_octets_to_swap() -> None:
    layout = frame_of(
        "{name: f, flags: [x, y]}",
        "{kind: reserved, bits: 6}",
        "{name: a, bits: 8}",
        frame="    order: little\n",
    )
    assert not any(swapped for _, _, swapped in style(layout))


@pytest.mark.parametrize(
    ("bits", "packing"), [(16, Packing.WORD_16), (32, Packing.WORD_32), (64, Packing.WORD_64)]
)
def test_a_group_of_words_has_a_packing_of_its_own(bits: int, packing: Packing) -> None:
    inner = (
        f"[{{name: a, bits: 3}}, {{name: h, group: [{{name: b, bits: {bits - 9}}}]}}, {{name: c, bits: 6}}]"
    )
    layout = frame_of(f"{{name: g, word_bits: {bits}, order: little, group: {inner}}}", "{name: d, bits: 8}")
    assert [run_of(node).packing for node in layout.nodes] == [packing, Packing.MOST]
    assert [slot.offset_bits for slot in layout.slots] == [0, 3, bits - 6, 0]


def test_packing_changes_at_a_byte_boundary_and_makes_a_run_of_its_own() -> None:
    low = "{name: low, packing: least_significant_first, group: [{name: b, bits: 12}, {name: c, bits: 4}]}"
    layout = frame_of("{name: a, bits: 8}", low, "{name: d, bits: 8}")
    assert [(run_of(node).at, run_of(node).packing) for node in layout.nodes] == [
        (0, Packing.MOST),
        (8, Packing.LEAST),
        (24, Packing.MOST),
    ]
    assert rules_of("{name: a, bits: 7}", low, "{name: d, bits: 1}") == ["packing-boundary"]
    same = "{name: same, packing: most_significant_first, group: [{name: b, bits: 12}]}"
    assert len(frame_of("{name: a, bits: 4}", same).nodes) == 1  # no change, no boundary needed


@pytest.mark.parametrize(
    ("stored", "width", "octets", "bits"),
    [
        (None, "CRC-16/IBM-3740", False, False),
        ("high_octet_first", "CRC-16/IBM-3740", False, False),
        ("low_octet_first", "CRC-16/IBM-3740", True, False),
        ("bits_reversed", "CRC-16/IBM-3740", False, True),
        ("bits_reversed", "CRC-5/USB", False, True),
        ("low_octet_first", "SUM-8", False, False),
    ],
)
def test_a_check_is_stored_as_it_says(stored: str | None, width: str, octets: bool, bits: bool) -> None:
    said = f", stored: {stored}" if stored else ""
    layout = loose("{name: a, bits: 8}", f"{{name: check, kind: check, algorithm: {width}{said}}}")
    assert (layout.slots[1].octets_reversed, layout.slots[1].bits_reversed) == (octets, bits)


# -- places


def test_fixed_fields_have_constant_places_and_fixed_repeats_leave_them_constant() -> None:
    layout = frame_of(
        "{name: a, bits: 3}",
        "{name: p, group: [{name: b, bits: 7}, {name: c, bits: 6}]}",
        "{name: list, repeat: 3, bits: 12}",
        "{name: d, bits: 4}",
    )
    first, repeat, last = layout.nodes
    assert [(slot.address, slot.path, slot.offset_bits) for slot in run_of(first).slots] == [
        ("a", ("a",), 0),
        ("p.b", ("p", "b"), 3),
        ("p.c", ("p", "c"), 10),
    ]
    assert (repeat_of(repeat).at, repeat_of(repeat).count, repeat_of(repeat).bare) == (16, 3, True)
    assert (run_of(last).at, run_of(last).residue) == (16 + 36, 4)
    assert (layout.minimum_bits, layout.maximum_bits, layout.is_fixed, layout.useful_bits) == (
        56,
        56,
        True,
        56,
    )


def test_elements_of_twelve_bits_start_at_either_half_of_an_octet() -> None:
    layout = frame_of(
        "{name: n, kind: count, bits: 8}",
        "{name: list, repeat: {count: n}, bits: 12}",
        "{kind: reserved, up_to: byte}",
    )
    repeat = repeat_of(layout.nodes[1])
    assert (repeat.counted_by, repeat.count, repeat.maximum, repeat.residue) == (0, None, 255, 0)
    assert (run_of(repeat.element[0]).at, run_of(repeat.element[0]).residue) == (None, None)
    fill = layout.nodes[2]
    assert isinstance(fill, Fill)
    assert (fill.unit_bits, fill.slot.width) == (8, 7)
    assert (layout.minimum_bits, layout.maximum_bits) == (8, 8 + 255 * 12 + 4)


def test_elements_of_whole_octets_keep_the_place_inside_the_octet() -> None:
    layout = loose(
        "{name: n, kind: count, bits: 4}",
        "{name: list, repeat: {count: n}, group: [{name: a, bits: 5}, {name: b, bits: 11}]}",
        "{name: c, bits: 4}",
    )
    repeat = repeat_of(layout.nodes[1])
    assert (repeat.residue, run_of(repeat.element[0]).residue, run_of(layout.nodes[2]).residue) == (4, 4, 4)
    assert run_of(layout.nodes[2]).at is None
    assert layout.is_fixed is False


def test_what_is_known_of_a_place_goes_through_nested_repeats() -> None:
    inner = "{name: inner, repeat: {count: m}, group: [{name: b, bits: 8}]}"
    outer = f"{{name: outer, repeat: {{count: n}}, group: [{{name: m, kind: count, bits: 8, maximum: 9}}, {inner}, {{name: c, bits: 16}}]}}"
    layout = frame_of("{name: n, kind: count, bits: 8}", outer, "{name: d, bits: 8}")
    residues = [node.residue for node in layout.walk() if not isinstance(node, Fill)]
    assert residues == [0] * len(residues)
    odd = outer.replace("bits: 16", "bits: 4")
    layout = loose("{name: n, kind: count, bits: 8}", odd, "{name: d, bits: 8}")
    found = {node.address: node.residue for node in layout.walk() if isinstance(node, Repeat)}
    assert found == {"outer": 0, "outer[].inner": None}  # the second outer element starts at 4 bits


def test_a_fill_inside_an_element_brings_each_element_to_a_byte_again() -> None:
    element = "{name: a, bits: 4}, {name: m, kind: count, bits: 4}, {name: b, repeat: {count: m}, bits: 3}, {kind: reserved, up_to: byte}"
    layout = frame_of(
        "{name: n, kind: count, bits: 8}",
        f"{{name: list, repeat: {{count: n}}, group: [{element}]}}",
        "{name: d, bits: 8}",
    )
    repeat = repeat_of(layout.nodes[1])
    assert (repeat.minimum_bits, repeat.maximum_bits) == (8, 8 + 15 * 3 + 3)
    assert isinstance(repeat.element[-1], Fill)
    assert run_of(layout.nodes[2]).residue == 0


def test_a_fill_of_constant_width_is_plain_reserved_bits() -> None:
    layout = frame_of("{name: a, bits: 3}", "{kind: reserved, up_to: word_16}", "{name: b, bits: 8}")
    assert [(slot.kind, slot.width) for slot in layout.slots] == [
        ("number", 3),
        ("reserved", 13),
        ("number", 8),
    ]
    aligned = frame_of("{name: a, bits: 8}", "{kind: reserved, up_to: byte}", "{name: b, bits: 8}")
    assert [slot.kind for slot in aligned.slots] == ["number", "number"]
    element = "{name: a, bits: 12}, {kind: reserved, up_to: byte}"
    constant = frame_of(f"{{name: list, repeat: 3, group: [{element}]}}")
    assert [slot.width for slot in constant.slots] == [12, 4]


def test_an_optional_group_is_absent_or_there_and_what_follows_has_no_constant_place() -> None:
    layout = loose(
        "{name: has_fix, kind: flag}",
        "{name: fix, present_when: has_fix, group: [{name: lat, bits: 24}, {name: lon, bits: 25}]}",
        "{name: a, bits: 7}",
    )
    option = optional_of(layout.nodes[1])
    assert (option.by, option.codes, option.bare) == (0, (Range(1, 1),), False)
    assert (option.at, option.minimum_bits, option.maximum_bits) == (1, 49, 49)
    assert run_of(option.body[0]).at == 1  # where it is there, it is there
    assert run_of(layout.nodes[2]).at is None
    assert (layout.minimum_bits, layout.maximum_bits) == (8, 64)


@pytest.mark.parametrize(
    ("when", "codes"),
    [
        ("{mode: 1}", (Range(1, 1),)),
        ("{mode: survey}", (Range(1, 1),)),
        ("{mode: [survey, 2, {from: 4, to: 6}]}", (Range(1, 2), Range(4, 6))),
        ("{mode: [0x3, off]}", (Range(0, 0), Range(3, 3))),
    ],
)
def test_a_condition_is_ascending_codes_however_it_was_written(when: str, codes: tuple[Range, ...]) -> None:
    layout = loose(
        "{name: mode, bits: 3, states: {0: off, 1: survey}}", f"{{name: a, bits: 5, present_when: {when}}}"
    )
    option = optional_of(layout.nodes[1])
    assert (option.codes, option.bare) == (codes, True)


def test_names_are_looked_up_from_the_inside_outwards_and_only_backwards() -> None:
    layout = loose(
        "{name: n, kind: count, bits: 4}",
        "{name: p, group: [{name: n, kind: count, bits: 4}, {name: list, repeat: {count: n}, bits: 8}]}",
        "{name: list, repeat: {count: n}, bits: 8}",
        "{name: more, repeat: {count: p.n}, bits: 8}",
    )
    assert [repeat.counted_by for repeat in layout.walk() if isinstance(repeat, Repeat)] == [1, 0, 1]


def test_a_repeat_to_the_end_knows_what_comes_after_it() -> None:
    layout = frame_of(
        "{name: a, bits: 8}",
        "{name: list, repeat: {to_end: true, maximum: 20}, bits: 16}",
        "{name: b, bits: 8}",
        "{name: c, repeat: 2, bits: 8}",
        "{name: check, kind: check, algorithm: CRC-16/IBM-3740}",
    )
    repeat = repeat_of(layout.nodes[1])
    assert (repeat.trailer_bits, repeat.maximum, repeat.count, repeat.counted_by) == (40, 20, None, None)
    assert (layout.runs_to_end, layout.minimum_bits, layout.maximum_bits) == (True, 48, 48 + 320)
    endless = frame_of("{name: a, bits: 8}", "{name: list, repeat: {to_end: true}, bits: 16}")
    assert (endless.maximum_bits, endless.useful_bits) == (None, None)


def test_reserved_bits_are_strict_where_they_or_their_frame_say_so() -> None:
    lines = (
        "{kind: reserved, bits: 2}",
        "{kind: reserved, bits: 2, strict: true}",
        "{kind: reserved, bits: 4, strict: false}",
    )
    assert [slot.strict for slot in frame_of(*lines).slots] == [False, True, False]
    assert [slot.strict for slot in frame_of(*lines, frame="    strict: true\n").slots] == [True, True, False]


def test_useful_bits_are_those_of_values() -> None:
    layout = frame_of(
        "{name: sync, kind: sync, bits: 16, code: 1}",
        "{name: tag, kind: tag, bits: 4, code: 1}",
        "{name: which, kind: tag, bits: 4, code: [1, 2]}",
        "{name: n, kind: count, bits: 2}",
        "{name: f, flags: [a, b]}",
        "{name: mode, bits: 4, states: {0: idle}}",
        "{name: list, repeat: {count: n}, bits: 8}",
        "{kind: reserved, bits: 8}",
        "{name: check, kind: check, algorithm: SUM-8}",
    )
    assert layout.useful_bits == 4 + 2 + 4 + 3 * 8


# -- spans of checks (WIRE.md 16)

A, B, C = "{name: a, bits: 8}", "{name: b, bits: 16}", "{name: c, bits: 8}"


def check_line(covers: str = "", more: str = "", algorithm: str = "CRC-16/IBM-3740") -> str:
    said = f", covers: {covers}" if covers else ""
    return f"{{name: check, kind: check, algorithm: {algorithm}{said}{more}}}"


@pytest.mark.parametrize(
    ("covers", "places"),
    [
        ("", [(0, 24)]),
        ("everything_before", [(0, 24)]),
        ("a", [(0, 8)]),
        ("[a, b]", [(0, 24)]),  # touching: one stretch
        ("[b, a]", [(0, 24)]),  # in wire order, whatever order is written
        ("[a, c]", [(0, 8), (40, 48)]),
        ("{from: a, to: b}", [(0, 24)]),
        ("{from: b, to: c}", [(8, 48)]),
        ("{from: a, to: c, except: check}", [(0, 24), (40, 48)]),
        ("{from: a, to: c, except: [b, check]}", [(0, 8), (40, 48)]),
        ("{from: a, to: c, except: [a, c]}", [(8, 40)]),
        ("whole_frame", [(0, 48)]),
    ],
)
def test_a_span_is_stretches_in_wire_order(covers: str, places: list[tuple[int, int]]) -> None:
    check = check_of(frame_of(A, B, check_line(covers), C))
    assert [(start.at, end.at) for start, end in check.spans] == places
    assert check.own == ("zero" if any(start <= 24 < end for start, end in places) else None)


@pytest.mark.parametrize("own", ["zero", "skip", "ones"])
def test_a_check_inside_its_own_span_counts_its_bits_as_it_says(own: str) -> None:
    assert check_of(frame_of(A, check_line("whole_frame", f", self: {own}"))).own == own
    assert rules_of(A, check_line("a", f", self: {own}")) == ["self-unused"]


def test_a_group_and_a_part_of_it_are_covered_once() -> None:
    group = "{name: p, group: [{name: x, bits: 8}, {name: y, bits: 8}]}"
    for covers in ("[p, p.x]", "[p.x, p]", "[p, p]", "p", "[p.x, p.y]"):
        check = check_of(frame_of(group, C, check_line(covers)))
        assert [(start.at, end.at) for start, end in check.spans] == [(0, 16)]


def test_a_check_in_an_element_covers_from_the_elements_start() -> None:
    layout = frame_of(A, f"{{name: list, repeat: 3, group: [{B}, {check_line()}]}}")
    element = run_of(repeat_of(layout.nodes[1]).element[0])
    assert check_of(layout).spans == ((Mark(element.number, 0, None), Mark(element.number, 16, None)),)


def test_a_check_in_an_optional_group_covers_from_the_frames_start() -> None:
    layout = frame_of(
        "{name: f, kind: flag}",
        "{kind: reserved, bits: 7}",
        f"{{name: p, present_when: f, group: [{B}, {check_line()}]}}",
    )
    body = run_of(optional_of(layout.nodes[1]).body[0])
    ((start, end),) = check_of(layout).spans
    assert start == Mark(0, 0, 0)
    assert (end.node, end.bits) == (body.number, 16)


def test_a_span_after_a_repeat_ends_where_its_field_ends() -> None:
    layout = frame_of(
        "{name: n, kind: count, bits: 8}",
        "{name: list, repeat: {count: n}, bits: 8}",
        check_line("{from: list, to: list}"),
        C,
    )
    repeat, run = repeat_of(layout.nodes[1]), run_of(layout.nodes[2])
    assert check_of(layout).spans == ((Mark(repeat.number, 0, 8), Mark(run.number, 0, None)),)
    whole = check_of(
        frame_of(
            "{name: n, kind: count, bits: 8}",
            check_line("whole_frame"),
            "{name: list, repeat: {count: n}, bits: 8}",
        )
    )
    assert whole.spans[0][1] == Mark(-1, 0, None)


def test_bits_are_fed_as_they_lie_only_where_octets_are_not_certain() -> None:
    odd = "{name: a, bits: 5}"
    assert check_of(loose(odd, check_line(algorithm="CRC-3/GSM"))).in_wire_order
    assert not check_of(loose(A, check_line(algorithm="CRC-3/GSM"))).in_wire_order
    assert rules_of(odd, check_line(algorithm="CRC-5/USB"), "{kind: reserved, up_to: byte}") == [
        "span-octets"
    ]
    low = "    packing: least_significant_first\n"
    reflected = check_of(loose(odd, check_line(algorithm="CRC-5/USB"), frame=low))
    assert (reflected.in_wire_order, reflected.least_first) == (True, True)
    assert rules_of(odd, check_line(algorithm="CRC-3/GSM"), "{kind: reserved, up_to: byte}", frame=low) == [
        "span-octets"
    ]
    filled = check_of(loose(odd, check_line(more=", fill: zero", algorithm="SUM-8")))
    assert (filled.zero_filled, filled.in_wire_order) == (True, False)
    assert not check_of(
        frame_of(A, check_line(more=", fill: zero", algorithm="SUM-8"))
    ).zero_filled  # nothing to fill


def test_a_check_that_skips_itself_feeds_its_bits_to_nobody() -> None:
    lines = ("{name: a, bits: 8}", "{kind: reserved, bits: 3}")
    five = check_line("whole_frame", algorithm="CRC-5/USB")
    assert not check_of(frame_of(*lines, five)).in_wire_order  # 16 bits
    assert rules_of(*lines, five.replace("}", ", self: skip}")) == ["span-octets"]  # 11 bits
    assert not check_of(
        loose("{name: a, bits: 11}", five.replace("}", ", self: skip, fill: zero}"))
    ).in_wire_order


def test_checks_are_computed_in_the_order_in_which_they_cover_each_other() -> None:
    first = (
        "{name: first, kind: check, algorithm: CRC-16/IBM-3740, covers: {from: a, to: last, except: first}}"
    )
    layout = frame_of(A, first, B, "{name: last, kind: check, algorithm: SUM-8, covers: b}")
    assert layout.check_order == (3, 1)
    both = "{name: last, kind: check, algorithm: SUM-8, covers: {from: a, to: b}}"
    assert rules_of(A, first, B, both) == ["span-cycle"]
    plain = frame_of(
        A, "{name: first, kind: check, algorithm: SUM-8}", B, "{name: last, kind: check, algorithm: SUM-8}"
    )
    assert plain.check_order == (1, 3)


# -- fingerprints (WIRE.md 20)


def prints(*lines: str, frame: str = "") -> str:
    return loose(*lines, frame=frame).fingerprint


BASE = "{name: a, bits: 8}"
SAME: list[tuple[str, str]] = [
    ("{bits: 0x8, name: a}", BASE),
    ("{name: a, bits: 8, description: of no matter}", BASE),
    ("{name: a, kind: number, bits: 8}", BASE),
    ("{name: a, bits: 8, signed: false, scale: 1, offset: 0, order: big, out_of_range: error}", BASE),
    ("{name: a, bits: 8, scale: 1, minimum: 0, maximum: 255}", BASE),
    ("{name: a, minimum: 0, maximum: 255, resolution: 1}", BASE),
    ("{name: a, minimum: 0, maximum: 255, bits: 8}", BASE),
    (
        "{name: a, preset: cell_voltage}",
        "{name: a, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V, missing: true}",
    ),
    (
        "{name: a, preset: cell_voltage}",
        "{name: a, minimum: 2.5, maximum: 4.30, bits: 7, resolution: 1/50, unit: V, missing: 127}",
    ),
    ("{name: a, bits: 10, scale: 1/16}", "{name: a, bits: 10, scale: 0.0625}"),
    ("{name: a, bits: 8, missing: true}", "{name: a, bits: 8, missing: 0xFF}"),
    ("{name: a, bits: 8, signed: true, missing: true}", "{name: a, bits: 8, signed: true, missing: 0x80}"),
    ("{name: a, bits: 8, missing: [3, 4]}", "{name: a, bits: 8, missing: {from: 3, to: 4}}"),
    ("{name: a, bits: 8, missing: [9, 3, 6]}", "{name: a, bits: 8, missing: [9, 6, 3]}"),
    ("{name: a, bits: 8, role: sequence}", "{name: a, bits: 8, role: sequence, modulus: 256}"),
    (
        "{name: a, kind: tag, bits: 8, code: [1, 2, 3]}",
        "{name: a, kind: tag, bits: 8, code: {from: 1, to: 3}}",
    ),
    ("{name: a, bits: 8, states: {1: on, 0: off}}", "{name: a, bits: 8, states: {0x0: off, 1: on}}"),
    ("{name: a, flags: [x, y]}", "{name: a, group: [{name: x, kind: flag}, {name: y, kind: flag, bits: 1}]}"),
    ("{name: a, bits: 8, repeat: 3}", "{name: a, bits: 8, repeat: {count: 3}}"),
    (
        "{name: g, order: little, group: [{name: a, bits: 16}]}",
        "{name: g, group: [{name: a, bits: 16, order: little}]}",
    ),
    ("{kind: reserved, bits: 8, strict: false}", "{kind: reserved, bits: 8}"),
]


@pytest.mark.parametrize(("one", "other"), SAME)
def test_two_spellings_of_one_layout_have_one_fingerprint(one: str, other: str) -> None:
    assert prints(one) == prints(other)


SAME_FRAMES: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "fill": (
        ("{name: a, bits: 3}", "{kind: reserved, up_to: byte}"),
        ("{name: a, bits: 3}", "{kind: reserved, bits: 5}"),
    ),
    "last byte": (("{name: a, bits: 3}",), ("{name: a, bits: 3}", "{kind: reserved, bits: 5}")),
    "span": ((A, check_line()), (A, check_line("a", ", bits: 16, stored: high_octet_first"))),
    "range": ((A, B, check_line("[b, a]")), (A, B, check_line("{from: a, to: b}"))),
    "self": ((A, check_line("whole_frame")), (A, check_line("whole_frame", ", self: zero, fill: zero"))),
    "parameters": (
        (A, check_line()),
        (
            A,
            check_line(
                algorithm="{width: 16, polynomial: 0x1021, initial: 65535, reflect_in: false, final_xor: 0}"
            ),
        ),
    ),
    "alias": ((A, check_line()), (A, check_line(algorithm="crc-16/ccitt-false"))),
    "condition": (
        ("{name: f, kind: flag}", "{name: a, bits: 7, present_when: f}"),
        ("{name: f, kind: flag}", "{name: a, bits: 7, present_when: {f: 1}}"),
    ),
    "filled part": (
        (
            "{name: size, kind: length, bits: 8, in: words_of_16, measures: body, fill: zero}",
            "{name: n, kind: count, bits: 8}",
            "{name: body, group: [{name: a, bits: 8, repeat: {count: n}}]}",
        ),
        (
            "{name: size, kind: length, bits: 8, in: words_of_16, measures: body}",
            "{name: n, kind: count, bits: 8}",
            "{name: body, group: [{name: a, bits: 8, repeat: {count: n}}, {kind: reserved, up_to: word_16}]}",
        ),
    ),
    "states": (
        ("{name: m, bits: 4, states: {1: on}}", "{name: a, bits: 4, present_when: {m: [on, 2]}}"),
        ("{name: m, bits: 4, states: {1: on}}", "{name: a, bits: 4, present_when: {m: {from: 1, to: 2}}}"),
    ),
}


@pytest.mark.parametrize("name", SAME_FRAMES)
def test_two_spellings_of_one_frame_have_one_fingerprint(name: str) -> None:
    one, other = SAME_FRAMES[name]
    assert prints(*one) == prints(*other)


DIFFERENT = (
    BASE,
    "{name: b, bits: 8}",
    "{name: a, bits: 16}",
    "{name: a, bits: 16, order: little}",
    "{name: a, bits: 8, signed: true}",
    "{name: a, bits: 8, scale: 2}",
    "{name: a, bits: 8, offset: 2}",
    "{name: a, bits: 8, unit: V}",
    "{name: a, bits: 8, scale: 1, maximum: 254}",
    "{name: a, minimum: 0, maximum: 254, resolution: 1}",
    "{name: a, bits: 8, missing: true}",
    "{name: a, bits: 8, missing: {code: 255, reason: off}}",
    "{name: a, bits: 8, missing: 0}",
    "{name: a, bits: 8, missing: [0, 255]}",
    "{name: a, bits: 8, missing: [255, 0]}",
    "{name: a, bits: 8, at_least: 255}",
    "{name: a, bits: 8, at_most: 0}",
    "{name: a, bits: 8, out_of_range: clamp}",
    "{name: a, bits: 8, missing: true, out_of_range: missing}",
    "{name: a, bits: 8, default: 0}",
    "{name: a, bits: 8, role: sequence}",
    "{name: a, bits: 8, role: boot}",
    "{name: a, bits: 8, role: sequence, modulus: 100}",
    "{name: a, bits: 8, role: clock}",
    "{name: a, bits: 8, role: clock, tick_s: 2}",
    "{name: a, bits: 8, role: clock, epoch: 2030-01-01T00:00:00Z}",
    "{name: a, bits: 8, states: {0: off}}",
    "{name: a, bits: 8, states: {0: on}}",
    "{name: a, bits: 8, states: {1: off}}",
    "{name: a, kind: float, bits: 16}",
    "{name: a, kind: float, bits: 16, maximum: 1}",
    "{name: a, kind: constant, bits: 8, code: 1}",
    "{name: a, kind: constant, bits: 8, code: 2}",
    "{name: a, kind: sync, bits: 8, code: 1}",
    "{name: a, kind: tag, bits: 8, code: 1}",
    "{name: a, kind: tag, bits: 8, code: [1, 3]}",
    "{name: a, kind: reserved, bits: 8}",
    "{name: a, kind: reserved, bits: 8, strict: true}",
    "{kind: reserved, bits: 8}",
    "{name: a, group: [{name: a, bits: 8}]}",
    "{name: a, bits: 8, repeat: 1}",
    "{name: a, bits: 8, repeat: 2}",
    "{name: a, bits: 8, repeat: {to_end: true}}",
    "{name: a, bits: 8, repeat: {to_end: true, maximum: 3}}",
    "{name: g, word_bits: 16, order: little, group: [{name: a, bits: 4}, {name: b, bits: 12}]}",
    "{name: g, packing: least_significant_first, group: [{name: a, bits: 4}, {name: b, bits: 12}]}",
    "{name: g, group: [{name: a, bits: 4}, {name: b, bits: 12}]}",
    "{name: a, bits: 8, coding: gray}",
    "{name: a, bits: 8, coding: binary_coded_decimal}",
    "{name: a, bits: 8, coding: sign_and_magnitude}",
    "{name: a, bits: 8, curve: square}",
    "{name: a, bits: 8, curve: {polynomial: [1, 2]}}",
    "{name: a, bits: 8, curve: {polynomial: [1, 1/2]}}",
    "{name: a, bits: 8, curve: {points: [[0, 1], [255, 2]]}}",
    "{name: a, bits: 8, curve: {points: [[0, 1], [9, 1], [255, 2]]}}",
    "{name: a, bits: 8, curve: {table: {0: 1, 7: 2}}}",
    "{name: a, kind: time, bits: 32, tick_s: 1, epoch: 1970-01-01T00:00:00Z, leap_seconds: not_counted}",
    "{name: a, kind: time, bits: 32, tick_s: 1, epoch: 1980-01-06T00:00:00Z, leap_seconds: not_counted}",
    "{name: a, kind: time, bits: 32, tick_s: 1, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted}",
    "{name: a, kind: time, bits: 32, tick_s: 2, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted}",
    "{name: a, kind: time, counts: {days: 15, seconds: 17}, epoch: 1970-01-01T00:00:00Z}",
    "{name: a, kind: time, counts: {days: 12, seconds: 20}, epoch: 1970-01-01T00:00:00Z}",
    "{name: a, kind: time, counts: {weeks: 10, seconds: 22}, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted}",
    (
        "{name: a, kind: time, counts: {weeks: 10, seconds: 22}, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted, "
        "reference_date: 2026-01-01T00:00:00Z}"
    ),
    (
        "{name: a, kind: time, counts: {weeks: 10, seconds: 22}, epoch: 1980-01-06T00:00:00Z, leap_seconds: counted, "
        "reference_date: 2006-01-01T00:00:00Z}"
    ),
    "{name: g, group: [{name: a, runs: [[0, 3], [11, 5]]}, {name: b, bits: 8}]}",
    "{name: g, group: [{name: a, runs: [[11, 5], [0, 3]]}, {name: b, bits: 8}]}",
    "{name: g, group: [{name: a, runs: [[0, 4], [12, 4]]}, {name: b, bits: 8}]}",
    "{name: a, bundle: {samples: 3, maximum_step: 3}, bits: 8}",
    "{name: a, bundle: {samples: 4, maximum_step: 3}, bits: 8}",
    "{name: a, bundle: {samples: 3, maximum_step: 4}, bits: 8}",
    "{name: a, bundle: {samples: 3, maximum_step: 3}, bits: 16}",
    "{name: a, bundle: {samples: 3, maximum_step: 3}, bits: 16, order: little}",
    "{name: a, bundle: {samples: 3, maximum_step: 3}, bits: 8, missing: true}",
    "{name: a, kind: text, length: 2}",
    '{name: a, kind: text, length: 2, fill: " "}',
    "{name: a, kind: text, length: 2, fill: 0}",
    "{name: a, kind: text, length: 2, ends_with: 0}",
    "{name: a, kind: text, length: 2, encoding: utf_8}",
    "{name: a, kind: text, length: 2, alphabet: {bits: 4, characters: AB}}",
    "{name: a, kind: text, length: 2, alphabet: {bits: 4, characters: BA}}",
    "{name: a, kind: bytes, length: 2}",
    "{name: a, kind: radix_text, bits: 16, length: 2, characters: ABC}",
    "{name: a, kind: radix_text, bits: 16, length: 2, characters: ABD}",
    "{name: a, kind: radix_text, bits: 16, length: 3, characters: ABC}",
    "{name: a, kind: radix_text, bits: 16, length: 2, characters: ABC, first_character: least_significant}",
    "{name: a, kind: radix_text, bits: 16, length: 2, characters: ABC, fill: A}",
)
V = "{name: v, kind: flag}"
V2 = "{name: v, bits: 2, states: {0: off, 1: on}}"
PART = (
    "{name: n, kind: length, bits: 8, measures: p%s}",
    "{name: p, group: [{name: a, kind: bytes, length: rest}]}",
)
EITHER = (
    "kind: variants, variants: [{name: x, when: {t: %s}, group: [{name: a, bits: 8}]}, "
    "{name: y, when: {t: 9}, group: [{name: b, bits: 8}]}]}"
)
DIFFERENT_FRAMES: tuple[tuple[str, ...], ...] = (
    (V, "{name: a, bits: 7, valid_when: v}"),
    (V, "{name: a, bits: 7, valid_when: {v: 0}}"),
    (V2, "{name: a, bits: 6, valid_when: {v: 1}}"),
    (V2, "{name: a, bits: 6, valid_when: {v: [1, 2]}}"),
    (V2, "{name: a, bits: 6, scale_by: {v: {0: 1, 1: 2}}}"),
    (V2, "{name: a, bits: 6, scale_by: {v: {0: 1, 1: 3}}}"),
    (V2, "{name: a, bits: 6, scale_by: {v: {0: 1, 1: {scale: 2, offset: 1}}}}"),
    (PART[0] % "", PART[1]),
    (PART[0] % ", less: 1", PART[1]),
    (PART[0] % ", in: bits", PART[1]),
    ("{name: t, kind: tag, bits: 8, code: [1, 2, 9]}", f"{{name: w, told_by: [t], {EITHER % 1}"),
    ("{name: t, kind: tag, bits: 8, code: [1, 2, 9]}", f"{{name: w, told_by: [t], {EITHER % 2}"),
    ("{name: t, kind: tag, bits: 8, code: [1, 2, 9]}", f"{{name: w, told_by: [t], {EITHER % '[1, 2]'}"),
    ("{name: h, kind: supplied, bits: 16}", A, check_line(more=", mixed_with: h")),
    (A, check_line()),
    (A, check_line("whole_frame")),
    (A, check_line("whole_frame", ", self: skip")),
    (A, check_line("whole_frame", ", self: ones")),
    (A, check_line(more=", stored: low_octet_first")),
    (A, check_line(more=", stored: bits_reversed")),
    (A, check_line(algorithm="CRC-16/XMODEM")),
    (A, B, check_line("a")),
    (A, B, check_line("b")),
    ("{name: n, kind: count, bits: 8}", "{name: a, bits: 8, repeat: {count: n}}"),
    ("{name: n, kind: count, bits: 8, maximum: 9}", "{name: a, bits: 8, repeat: {count: n}}"),
    ("{name: f, kind: flag}", "{name: a, bits: 7, present_when: f}"),
    ("{name: f, kind: flag}", "{name: a, bits: 7, present_when: {f: 0}}"),
    ("{name: f, flags: [c, d]}", "{name: a, bits: 6, out_of_range: clamp, flag: f.c}"),
    ("{name: f, flags: [c, d]}", "{name: a, bits: 6, out_of_range: clamp, flag: f.d}"),
    (
        "{name: n, kind: count, bits: 8}",
        "{name: a, bits: 4, repeat: {count: n}}",
        "{kind: reserved, up_to: byte}",
    ),
    (
        "{name: n, kind: count, bits: 8}",
        "{name: a, bits: 4, repeat: {count: n}}",
        "{kind: reserved, up_to: word_16}",
    ),
)


def test_whatever_the_fingerprint_covers_changes_it() -> None:
    every = [*((line,) for line in DIFFERENT), *DIFFERENT_FRAMES]
    found: dict[str, Any] = {}
    for lines in every:
        mark = prints(*lines)
        assert mark not in found, (lines, found.get(mark))
        found[mark] = lines
    for packing in ("    packing: least_significant_first\n", "    strict: true\n"):
        assert prints("{name: a, bits: 3}", frame=packing) not in {*found, prints("{name: a, bits: 3}")}


def test_what_the_fingerprint_does_not_cover_leaves_it_alone() -> None:
    plain = "mission: godwit\nframes: {drift: {fields: [{name: a, bits: 8}]}}\n"
    other = (
        "# a comment\nmission: dunlin\ndescription: another\nframes:\n  drift:\n    cadence_s: 10\n    description: x\n"
        "    fields:\n      - {name: a, bits: 8, description: y}\nlink: {maximum_frame_bytes: 51}\npasses: {duration_s: 600}\n"
    )
    assert mission_of(plain).layouts["drift"].fingerprint == mission_of(other).layouts["drift"].fingerprint
    assert mission_of(plain).fingerprint == mission_of(other).fingerprint


def test_a_missions_fingerprint_is_over_its_frames_whatever_their_order() -> None:
    first, second = "drift: {fields: [{name: a, bits: 8}]}", "flood: {fields: [{name: a, bits: 16}]}"
    one = mission_of(f"mission: godwit\nframes:\n  {first}\n  {second}\n")
    other = mission_of(f"mission: godwit\nframes:\n  {second}\n  {first}\n")
    assert one.fingerprint == other.fingerprint
    assert one.fingerprint != mission_of(f"mission: godwit\nframes:\n  {first}\n").fingerprint
    assert (
        one.layouts["drift"].fingerprint
        != mission_of("mission: godwit\nframes:\n  tide: {fields: [{name: a, bits: 8}]}\n")
        .layouts["tide"]
        .fingerprint
    )
    assert one.fingerprint.startswith(f"{VERSION}-") and len(one.fingerprint.partition("-")[2]) == 16


# -- frames told apart (WIRE.md 14)


def two(first: str, second: str) -> Mission:
    return mission_of(
        f"mission: godwit\nframes:\n  drift: {{fields: [{first}]}}\n  flood: {{fields: [{second}]}}\n"
    )


APART: dict[str, tuple[str, str]] = {
    "a constant": (
        "{name: c, kind: constant, bits: 8, code: 1}",
        "{name: c, kind: constant, bits: 8, code: 2}",
    ),
    "a sync marker": ("{name: c, kind: sync, bits: 8, code: 1}", "{name: d, kind: sync, bits: 8, code: 2}"),
    "one bit of constants that overlap": (
        "{name: c, kind: constant, bits: 8, code: 0b}".replace("0b", "0xF0"),
        "{name: x, bits: 2}, {name: c, kind: constant, bits: 6, code: 0x31}",
    ),
    "disjoint tags": (
        "{name: t, kind: tag, bits: 8, code: [1, 5]}",
        "{name: t, kind: tag, bits: 8, code: {from: 2, to: 4}}",
    ),
    "a tag further in": (
        "{name: a, bits: 8}, {name: t, kind: tag, bits: 8, code: 1}",
        "{name: a, bits: 8}, {name: t, kind: tag, bits: 8, code: 2}",
    ),
    "the octets of a tag": (
        "{name: t, kind: tag, bits: 16, code: 0x0102}",
        "{name: t, kind: tag, bits: 16, order: little, code: 0x0102}",
    ),
    "a length": ("{name: a, bits: 8}", "{name: a, bits: 16}"),
    "lengths of different remainder": (
        "{name: n, kind: count, bits: 8}, {name: a, bits: 16, repeat: {count: n}}",
        "{name: n, kind: count, bits: 16, maximum: 99}, {name: a, bits: 16, repeat: {count: n}}",
    ),
}
ALIKE: dict[str, tuple[str, str]] = {
    "nothing": ("{name: a, bits: 8}", "{name: b, bits: 8}"),
    "tags that share a code": (
        "{name: t, kind: tag, bits: 8, code: [1, 2]}",
        "{name: t, kind: tag, bits: 8, code: [2, 3]}",
    ),
    "tags at other bits": (
        "{name: t, kind: tag, bits: 8, code: 1}, {name: a, bits: 8}",
        "{name: a, bits: 8}, {name: t, kind: tag, bits: 8, code: 1}",
    ),
    "a tag after a part that varies": (
        "{name: f, kind: flag}, {name: o, bits: 8, present_when: f}, {name: t, kind: tag, bits: 7, code: 1}",
        "{name: f, kind: flag}, {name: o, bits: 8, present_when: f}, {name: t, kind: tag, bits: 7, code: 2}",
    ),
    "a length that may be the same": (
        "{name: a, bits: 32}",
        "{name: n, kind: count, bits: 8}, {name: a, bits: 8, repeat: {count: n}}",
    ),
    "a length without end": ("{name: a, bits: 32}", "{name: a, bits: 8, repeat: {to_end: true}}"),
}


@pytest.mark.parametrize("name", APART)
def test_frames_that_differ_in_something_certain_are_told_apart(name: str) -> None:
    first, second = APART[name]
    assert [*two(first, second).layouts] == ["drift", "flood"]
    assert [*two(second, first).layouts] == ["drift", "flood"]


@pytest.mark.parametrize("name", ALIKE)
def test_frames_that_could_be_the_same_bytes_are_refused(name: str) -> None:
    for first, second in (ALIKE[name], ALIKE[name][::-1]):
        with pytest.raises(SchemaError) as caught:
            two(first, second)
        assert [problem.rule for problem in caught.value.problems] == ["frames-alike"]


# -- faults and what is judged in spite of them


def test_a_field_that_cannot_be_read_hides_only_what_hangs_on_its_bits() -> None:
    """The boundary after it is not judged; what is wrong elsewhere still is."""
    lines = (
        "{name: a, bits: 9000}",
        "{name: low, packing: least_significant_first, group: [{name: b, bits: 4}]}",
        "{name: c, minimum: 5, maximum: 1, resolution: 1}",
        "{name: d, bits: 8, repeat: {count: none}}",
    )
    assert rules_of(*lines) == ["bad-bits", "range-order", "count-unknown"]


def test_a_reference_to_a_faulty_field_is_not_called_unknown_too() -> None:
    lines = (
        "{name: n, kind: count, bits: 0}",
        "{name: a, bits: 8, repeat: {count: n}}",
        "{name: f, kind: flag, bits: 9}",
        "{name: b, bits: 8, present_when: f}",
    )
    assert rules_of(*lines) == ["bad-bits", "bad-bits"]


def test_an_element_that_is_placed_several_times_tells_its_faults_once() -> None:
    element = "{name: a, bits: 5}, {name: b, bits: 8, scale: 0}, {name: c, bits: 8, missing: 999}"
    assert rules_of(
        "{name: n, kind: count, bits: 8}", f"{{name: list, repeat: {{count: n}}, group: [{element}]}}"
    ) == [
        "scale-zero",
        "code-too-large",
    ]


# -- places and codes at their edges


def test_a_fill_behind_an_odd_start_counts_from_its_own_part() -> None:
    # The part starts at bit 12; its 4 bits at least are filled to 16, and 4 bits end the frame: 12 + 16 + 4.
    layout = frame_of(
        "{name: size, kind: length, bits: 12, measures: part, in: bits}",
        "{name: part, group: [{name: held, kind: count, bits: 4}, "
        "{name: readings, repeat: {count: held}, bits: 3}, {kind: reserved, up_to: word_16}]}",
        "{kind: reserved, bits: 4}",
    )
    assert (layout.minimum_bits, layout.maximum_bits) == (32, 12 + 64 + 4)


@pytest.mark.parametrize(
    ("code", "told"),
    [("300", "0x12c"), ("{from: 0, to: 300}", "0x12c"), ("{from: -1, to: 5}", "-0x1"), ("[0, 256]", "0x100")],
)
def test_a_code_that_does_not_fit_is_named_by_its_end_that_does_not(code: str, told: str) -> None:
    with pytest.raises(SchemaError) as caught:
        frame_of(f"{{name: kind, kind: tag, bits: 8, code: {code}}}")
    (problem,) = caught.value.problems
    assert problem.rule == "code-too-large" and f"code {told} does not fit 8 bits" in str(problem)


def test_a_text_may_be_filled_with_the_highest_code_of_its_alphabet_and_with_none_beyond() -> None:
    text = "{{name: call, kind: text, alphabet: {{bits: 2, characters: AB}}, length: 4, fill: {}}}"
    layout = frame_of(text.format(3))
    assert layout.slots[0].width == 2
    assert rules_of(text.format(4)) == ["characters-unfit"]


@pytest.mark.parametrize(
    ("widths", "bits"),
    [((8, 16), (8, 16)), ((32, 8, 8), (8, 32)), ((24, 24), (24, 24)), ((8,), (8, 8))],
)
def test_variants_take_from_the_bits_of_the_shortest_to_those_of_the_longest(
    widths: tuple[int, ...], bits: tuple[int, int]
) -> None:
    variants = "".join(
        f"\n          - {{name: v{code}, when: {{kind: {code}}}, group: [{{name: x, bits: {width}}}]}}"
        for code, width in enumerate(widths)
    )
    layout = frame_of(
        "{name: kind, bits: 8}",
        f"name: body\n        told_by: kind\n        variants:{variants}",
        "{kind: reserved, up_to: byte}",  # behind it no variant but these can be told apart
    )
    (choice,) = (node for node in layout.nodes if isinstance(node, Choice))
    assert (choice.minimum_bits, choice.maximum_bits) == bits
    assert (layout.minimum_bits, layout.maximum_bits) == tuple(8 + size for size in bits)


@pytest.mark.parametrize(
    ("line", "rule"),
    [
        ("{name: a, signed: true}", "step-unknown"),
        ("{name: a, bits: 0}", "bad-bits"),
        ("{name: c, kind: check, algorithm: CRC-16/IBM-3740, repeat: 2}", "not-repeatable"),
        (
            "{name: g, word_bits: 16, order: little, group: [{name: a, bits: 7, repeat: 2}]}",
            "words-not-whole",
        ),
    ],
)
def test_where_one_field_has_no_bits_nothing_is_said_of_where_the_frame_ends(line: str, rule: str) -> None:
    assert rules_of("{name: n, bits: 3}") == ["not-whole-bytes"]
    assert rules_of(line, "{name: n, bits: 3}") == [rule]


@pytest.mark.parametrize(
    ("characters", "rules"),
    [
        ('"AB"', []),
        ('"A"', ["characters-unfit"]),
        ("{1: A, 2: B}", ["characters-unfit"]),
        ("{0: A, 1: B}", []),
    ],
)
def test_digits_of_a_text_in_one_number_are_two_or_more_from_0_on(characters: str, rules: list[str]) -> None:
    line = f"{{name: c, kind: radix_text, bits: 16, length: 3, characters: {characters}}}"
    if rules:
        assert rules_of(line) == rules
    else:
        assert frame_of(line).size_bytes == 2


@pytest.mark.parametrize(("octets", "is_refused"), [(65_534, False), (65_535, True)])
def test_the_longest_form_is_counted_with_the_fill_that_it_has(octets: int, is_refused: bool) -> None:
    """One bit or four, completed to a byte either way; behind it so many bytes that the limit of 65,535 is met, or passed by one."""
    lines = (
        "{name: f, kind: flag}",
        "{name: a, bits: 3, present_when: f}",
        "{kind: reserved, up_to: byte}",
        f"{{name: list, repeat: {octets}, bits: 8}}",
    )
    if is_refused:
        assert rules_of(*lines) == ["frame-too-long"]
    else:
        assert frame_of(*lines).maximum_bits == 65_535 * 8


ONE_BIT = "{name: kind, bits: 1, states: {0: small, 1: large}}"
SPARE = "{kind: reserved, bits: 7}"


@pytest.mark.parametrize(
    ("tellers", "small", "large", "is_whole"),
    [
        ((ONE_BIT, SPARE), "kind: small", "kind: large", True),
        (("{name: kind, bits: 8}",), "kind: {from: 0, to: 99}", "kind: {from: 100, to: 255}", True),
        (("{name: kind, bits: 8}",), "kind: {from: 0, to: 99}", "kind: {from: 101, to: 255}", False),
        (("{name: kind, bits: 8, signed: true}",), "kind: {from: -128, to: -1}", "kind: {from: 0, to: 127}", True),
        (("{name: kind, bits: 8, coding: continued_low_first}",), "kind: 0", "kind: [1, 2]", False),
        # Two fields: a variant that does not ask for one of them takes all its codes.
        ((ONE_BIT, "{name: b, kind: flag}", "{kind: reserved, bits: 6}"), "kind: small", "kind: large", True),
        ((ONE_BIT, "{name: b, kind: flag}", "{kind: reserved, bits: 6}"), "kind: small", "kind: large, b: true", False),
    ],
)  # fmt: skip
def test_codes_without_a_variant_have_a_form_where_there_are_any(
    tellers: tuple[str, ...], small: str, large: str, is_whole: bool
) -> None:
    told_by = (
        "[kind, b]"
        if "b: true" in large or (len(tellers) == 3 and "kind, bits: 1, s" in tellers[0])
        else "kind"
    )
    layout = frame_of(
        *tellers,
        f"{{name: told, told_by: {told_by}, variants: [{{name: small, when: {{{small}}}, group: [{{name: a, bits: 8}}]}}, "
        f"{{name: large, when: {{{large}}}, group: [{{name: c, bits: 16}}]}}]}}",
        check_line(),
    )
    (choice,) = (node for node in layout.walk() if isinstance(node, Choice))
    assert (choice.unknown is None) is is_whole
    assert (choice.minimum_bits == 8) is is_whole


def test_the_codes_of_an_alphabet_may_stand_in_quotes_as_json_has_no_other_keys() -> None:
    field = "{{name: b, kind: text, length: 4, alphabet: {{bits: 6, characters: {{{}: AB, {}: ab}}}}}}"
    text = "mission: paper\nframes:\n  f:\n    fields:\n      - "
    one, other = (parse(text + field.format(*codes)).layouts["f"] for codes in (("1", "10"), ('"1"', '"10"')))
    assert one.fingerprint == other.fingerprint


@pytest.mark.parametrize("kind", ["count", "length, measures: list"])
def test_a_count_or_a_length_is_in_no_coding_that_has_a_sign(kind: str) -> None:
    by = "{count: n}" if kind == "count" else "{to_end: true}"
    lines = (
        f"{{name: n, kind: {kind}, bits: 14, coding: continued_low_first_signed}}",
        f"{{name: list, bits: 8, repeat: {by}}}",
    )
    assert "coding-unfit" in rules_of(*lines)
