"""What a step of resolution costs: held against the series itself, sums on paper, and a second resolution of the changed text."""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.errors import SchemaError
from packetkit.layout.slots import Linear
from packetkit.mission import cost
from packetkit.mission.load import Mission, parse
from packetkit.radio import chirp
from packetkit.schema.words import format_number


def mission_of(*fields: str, keys: str = "", link: str = "") -> Mission:
    """Return a mission of one frame `f` with these fields, each in the words of the schema language."""
    lines = ["mission: paper", "frames:", "  f:", *([f"    {keys}"] if keys else []), "    fields:"]
    return parse("\n".join([*lines, *(f"      - {{{field}}}" for field in fields), link]))


def costs(mission: Mission) -> dict[str, cost.Cost]:
    return {one.slot.address: one for one in cost.picture(mission, "f").costs}


def changes(one: cost.Cost) -> tuple[tuple[int, int | None], ...]:
    """Return bits and frame bytes of the finer and the coarser step."""
    return tuple((step.bits, step.frame_bytes) for step in (one.finer, one.coarser) if step is not None)


# -- the series ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("step", "finer", "coarser"),
    [
        # WIRE.md 21: the next value of the series 1, 2, 5
        ("1", "0.5", "2"),
        ("2", "1", "5"),
        ("5", "2", "10"),
        ("0.02", "0.01", "0.05"),
        ("0.1", "0.05", "0.2"),
        ("1000", "500", "2000"),
        # between two of its values
        ("1/16", "0.05", "0.1"),
        ("3", "2", "5"),
        ("1/3", "0.2", "0.5"),
        ("99/100", "0.5", "1"),
    ],
)
def test_the_next_step_is_the_next_of_the_series_1_2_5(step: str, finer: str, coarser: str) -> None:
    assert cost.next_step(Fraction(step), finer=True) == Fraction(finer)
    assert cost.next_step(Fraction(step), finer=False) == Fraction(coarser)


@given(st.fractions(min_value=Fraction(1, 10**9), max_value=10**9).filter(lambda step: step > 0))
def test_no_value_of_the_series_lies_between_a_step_and_its_neighbours(step: Fraction) -> None:
    finer, coarser = cost.next_step(step, finer=True), cost.next_step(step, finer=False)
    series = [digit * Fraction(10) ** power for power in range(-12, 12) for digit in (1, 2, 5)]
    assert finer in series and coarser in series
    assert [one for one in series if finer < one < coarser] == ([step] if step in series else [])


# -- sums on paper ----------------------------------------------------------------------------------------------------------------


def test_the_bits_of_a_range_are_those_of_its_steps_and_reserved_codes() -> None:
    # NEEDS.md, resolution adviser: 0 to 12 V in 10 mV is 1201 codes, 11 bits. In 5 mV 2401: 12 bits; in 20 mV 601: 10 bits.
    one = costs(
        mission_of(
            "name: v, minimum: 0, maximum: 12, resolution: 0.01, unit: V", "kind: reserved, up_to: byte"
        )
    )["v"]
    assert changes(one) == ((1, 0), (-1, 0))


def test_a_finer_step_is_free_where_codes_are_left() -> None:
    # 0 to 510 in 2: 256 codes and one for missing, 257: 9 bits. In 1: 511 and one, 512: 9 bits. In 5: 103 and one: 7 bits.
    one = costs(
        mission_of(
            "name: i, minimum: 0, maximum: 510, resolution: 2, missing: true", "kind: reserved, up_to: byte"
        )
    )["i"]
    assert changes(one) == ((0, 0), (-2, -1))
    assert one.matters


def test_codes_for_missing_keep_their_number_and_at_least_its_value() -> None:
    # 0 to 100 in 1: codes 0 to 100, three reserved above, 7 bits. In 0.5: 201 and three: 8 bits. In 2: 51 and three: 6 bits.
    listed = "missing: [{code: 125, reason: off}, {from: 126, to: 127, reason: broken}]"
    one = costs(
        mission_of(
            f"name: a, minimum: 0, maximum: 100, resolution: 1, {listed}", "kind: reserved, up_to: byte"
        )
    )["a"]
    assert changes(one) == ((1, 0), (-1, 0))
    # 0 to 62 and 63 or more in 1: 6 bits. In 2 that bound is code 32: 6 bits. In 0.5 it is code 126: 7 bits.
    two = costs(
        mission_of(
            "name: a, minimum: 0, maximum: 62, resolution: 1, at_least: 63", "kind: reserved, up_to: byte"
        )
    )["a"]
    assert changes(two) == ((1, 0), (0, 0))


def test_a_scaled_field_by_wire_keeps_the_span_of_its_codes() -> None:
    # 12 bits of 1/16 span 256. In 0.05: 5120 steps, 13 bits; in 0.1: 2560, 12 bits.
    one = costs(
        mission_of(
            "name: b, bits: 12, signed: true, scale: 1/16, missing: true", "kind: reserved, up_to: byte"
        )
    )["b"]
    assert changes(one) == ((1, 0), (0, 0))
    # 8 bits of 1/2 span 128: 640 steps of 0.2, 128 of 1.
    two = costs(mission_of("name: b, bits: 8, scale: 1/2, offset: -40"))["b"]
    assert changes(two) == ((2, 1), (-1, 0))


def test_counters_clocks_and_whole_numbers_have_no_step_to_choose() -> None:
    mission = mission_of("name: n, bits: 16", "name: t, bits: 32, scale: 1/100, role: clock, tick_s: 1/100")
    assert costs(mission) == {}


def test_reserved_bits_are_used_first_and_take_what_is_saved() -> None:
    def with_spare(resolution: str, reserved: int) -> cost.Cost:
        named = f"name: a, minimum: 0, maximum: 1000, resolution: {resolution}"
        fields = (named, f"kind: reserved, bits: {reserved}") if reserved else (named,)
        return costs(mission_of(*fields, keys="" if reserved else "last_byte: zero_filled"))["a"]

    # 1001 codes, 10 bits. In 0.5: 2001, 11 bits; in 2: 501, 9 bits.
    assert changes(with_spare("1", 6)) == ((1, 0), (-1, 0))
    # 0 to 1000 in 0.02: 50001 codes, 16 bits. In 0.01: 100001, 17 bits; in 0.05: 20001, 15 bits.
    assert changes(with_spare("0.02", 8)) == (
        (1, 0),
        (-1, 0),
    )  # eight reserved bits are meant: they stay, one waits in the next byte
    # 0 to 1000 in 0.2: 5001 codes, 13 bits. In 0.1: 10001, 14 bits; in 0.5: 2001, 11 bits, and 3 + 2 bits are no byte.
    assert changes(with_spare("0.2", 3)) == ((1, 0), (-2, 0))
    # 0 to 1000 in 0.5, 11 bits and 5 reserved: in 1 10 bits, and in 0.2 13.
    assert changes(with_spare("0.5", 5)) == ((2, 0), (-1, 0))
    # 0 to 1000 in 2, 9 bits and 7: in 5 201 codes, 8 bits: the seven and the one are a byte that goes.
    assert changes(with_spare("2", 7)) == ((1, 0), (-1, -1))
    # one bit more than there is: in 0.01 17 bits, 16 of 0.02 stood alone
    assert changes(with_spare("0.02", 0)) == ((1, 1), (-1, 0))


def test_reserved_bits_of_the_frame_pay_for_all_elements_of_a_fixed_repeat() -> None:
    # Four times 10 bits and 8 reserved: 6 bytes. One bit each more: 44 and 4. One less: 36, 8 kept and 4 of the next byte.
    element = "name: a, minimum: 0, maximum: 1000, resolution: 1, repeat: 4"
    assert changes(costs(mission_of(element, "kind: reserved, bits: 8"))["a[]"]) == ((1, 0), (-1, 0))
    # Eight times: 80 and 8. One bit more each takes all eight, one less saves a byte.
    element = element.replace("repeat: 4", "repeat: 8")
    assert changes(costs(mission_of(element, "kind: reserved, bits: 8"))["a[]"]) == ((1, 0), (-1, -1))


def test_a_group_of_words_grows_by_words() -> None:
    words = "name: w, word_bits: 16, order: little, group: [{name: a, minimum: 0, maximum: 1000, resolution: 1}, {name: b, bits: 6}]"
    assert changes(costs(mission_of(words))["w.a"]) == ((1, 2), (-1, 0))
    spare = words.replace("{name: b, bits: 6}", "{name: b, bits: 5}, {kind: reserved, bits: 1}")
    assert changes(costs(mission_of(spare))["w.a"]) == ((1, 0), (-1, 0))


def test_a_number_with_its_low_octet_first_has_whole_octets() -> None:
    # 16 bits of 0.01 span 655.36: in 0.005 17 bits would do, but octets are reversed, so 24; in 0.02 15, so 16.
    field = "name: a, bits: 16, scale: 0.01"
    assert changes(costs(mission_of(f"{field}, order: little"))["a"]) == ((8, 1), (0, 0))
    assert changes(costs(mission_of(field, keys="order: little"))["a"]) == ((8, 1), (0, 0))
    assert changes(costs(mission_of(field, "kind: reserved, up_to: byte"))["a"]) == ((1, 1), (-1, 0))


def test_a_frame_without_a_longest_form_counts_bits_only() -> None:
    mission = mission_of(
        "name: a, minimum: 0, maximum: 300, resolution: 1, repeat: {to_end: true}",
        keys="last_byte: zero_filled",
    )
    one = costs(mission)["a[]"]
    assert one.finer == cost.Step(Fraction(1, 2), 1, 0, None, None)


def test_a_step_that_no_double_can_tell_apart_is_not_offered() -> None:
    # 2^53 is the last whole number up to which doubles have every step of 1, so of 0.5 only up to 2^52.
    fields = (f"name: a, minimum: 0, maximum: {2**52}, resolution: 1/2", "kind: reserved, up_to: byte")
    assert costs(mission_of(*fields))["a"].finer is None
    assert costs(mission_of(*fields))["a"].coarser is not None


def test_a_byte_costs_time_only_where_the_staircase_rises() -> None:
    # NEEDS.md, free-bytes hint, from the SX1276 data sheet's formula: at SF10 and 125 kHz 20 to 24 bytes last the same
    # 370.688 ms, and a byte less saves 41 ms.
    link = "link: {chirp: {spreading_factor: 10, bandwidth_khz: 125}}"

    def seconds(padding: int) -> list[Fraction | None]:
        named = "name: a, minimum: 0, maximum: 25.5, resolution: 0.1"  # 8 bits; in 0.05 9; in 0.2 7
        fields = [f"name: p{i}, bits: 32" for i in range(padding // 4)] + [
            f"name: q{i}, bits: 8" for i in range(padding % 4)
        ]
        one = costs(mission_of(named, *fields, keys="last_byte: zero_filled", link=link))["a"]
        return [step.seconds for step in (one.finer, one.coarser) if step is not None]

    assert seconds(22) == [0, 0]  # 23 bytes and 24
    assert seconds(23) == [Fraction(40960, 10**6), 0]  # 24 and 25


def test_beyond_a_packet_no_time_is_told() -> None:
    link = "link: {chirp: {spreading_factor: 7, bandwidth_khz: 125}}"
    element = "name: a, minimum: 0, maximum: 25.5, resolution: 0.1, repeat: 255"
    one = costs(mission_of(element, link=link))["a[]"]
    assert one.finer is not None and one.finer.frame_bytes == 32 and one.finer.seconds is None


def test_the_next_helpful_step_skips_those_that_save_nothing() -> None:
    mission = mission_of(
        "name: b, bits: 12, signed: true, scale: 1/16", "name: n, bits: 12", "name: f, kind: float, bits: 32"
    )
    wire, plain, ieee = mission.layouts["f"].slots
    saved = cost.saving(mission, "f", wire)
    assert saved is not None and (saved.step, saved.bits) == (Fraction(1, 5), -1)
    less = cost.saving(mission, "f", plain)
    assert less is not None and (less.step, less.bits) == (None, -1)
    assert cost.saving(mission, "f", ieee) is None


@pytest.mark.parametrize(("bits", "saved"), [(2, -1), (1, None)])
def test_a_field_without_steps_gives_a_bit_where_it_has_two(bits: int, saved: int | None) -> None:
    mission = mission_of(f"name: a, bits: {bits}, states: {{0: calm}}", f"name: b, bits: {8 - bits}")
    step = cost.saving(mission, "f", mission.layouts["f"].slots[0])
    assert (None if step is None else step.bits) == saved


# -- the changed text, resolved again ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sketch:
    """A field of a random frame, as the schema will have it."""

    name: str
    minimum: Fraction
    steps: int
    step: Fraction
    missing: bool
    where: str  # frame, option, counted, fixed

    def text(self) -> str:
        maximum = self.minimum + self.steps * self.step
        words = f"minimum: {format_number(self.minimum)}, maximum: {format_number(maximum)}"
        more = ", missing: true" if self.missing else ""
        return f"{{name: {self.name}, {words}, resolution: {format_number(self.step)}{more}}}"


STEPS = [Fraction(text) for text in ("1", "2", "5", "0.1", "0.02", "0.5", "0.25", "3", "0.0625", "100")]
SKETCHES = st.builds(
    Sketch,
    st.just(""),
    st.integers(-500, 500).map(Fraction),
    st.integers(1, 3000),
    st.sampled_from(STEPS),
    st.booleans(),
    st.sampled_from(["frame", "frame", "option", "counted", "fixed"]),
)


def written(sketches: list[Sketch], pad: str) -> str:
    """Return a schema: the sketches in their places, then padding and a check."""
    lines = [
        "mission: random",
        "frames:",
        "  f:",
        "    fields:",
        "      - {name: on, kind: flag}",
        "      - {name: n, kind: count, bits: 3}",
    ]
    places = {
        "frame": ("", ""),
        "option": ("      - {name: o, present_when: on, group: [", "]}"),
        "counted": ("      - {name: c, repeat: {count: n}, group: [", "]}"),
        "fixed": ("      - {name: x, repeat: 3, group: [", "]}"),
    }
    for where, (head, tail) in places.items():
        inside = [sketch.text() for sketch in sketches if sketch.where == where]
        if not head:
            lines += [f"      - {text}" for text in inside]
        elif inside or where == "counted":
            lines.append(head + ", ".join(inside or ["{name: filler, bits: 5}"]) + tail)
    lines += [
        f"      - {{kind: reserved, up_to: {pad}}}",
        "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}",
    ]
    lines.append("link: {chirp: {spreading_factor: 9, bandwidth_khz: 125}}")
    return "\n".join(lines)


def one_step(sketch: Sketch, finer: bool) -> Sketch:
    """Return the sketch at the next step of the series, its maximum raised to whole steps: worked out by multiplying, not dividing."""
    ladder = sorted(digit * Fraction(10) ** power for power in range(-6, 6) for digit in (1, 2, 5))
    step = max(x for x in ladder if x < sketch.step) if finer else min(x for x in ladder if x > sketch.step)
    steps = 1
    while steps * step < sketch.steps * sketch.step:
        steps = max(steps + 1, int(sketch.steps * sketch.step / step))
    return replace(sketch, step=step, steps=steps)


def airtime(mission: Mission) -> Fraction | None:
    size, setting = mission.layouts["f"].maximum_bytes, mission.link.setting
    assert size is not None and setting is not None
    return chirp.time_on_air(setting, size) if size <= 255 else None


@settings(max_examples=60)
@given(st.lists(SKETCHES, min_size=1, max_size=6), st.sampled_from(["byte", "word_16", "word_32"]), st.data())
def test_a_cost_is_what_the_changed_schema_resolves_to(
    sketches: list[Sketch], pad: str, data: st.DataObject
) -> None:
    sketches = [replace(sketch, name=f"f{i}") for i, sketch in enumerate(sketches)]
    before = parse(written(sketches, pad))
    found = {one.slot.path[-1]: one for one in cost.picture(before, "f").costs}
    chosen = data.draw(st.integers(0, len(sketches) - 1))
    finer = data.draw(st.booleans())
    one = found[f"f{chosen}"]
    told = one.finer if finer else one.coarser
    changed = [one_step(sketch, finer) if i == chosen else sketch for i, sketch in enumerate(sketches)]
    after = parse(written(changed, pad))
    (slot,) = (slot for slot in after.layouts["f"].slots if slot.path[-1:] == (f"f{chosen}",))
    most, least = after.layouts["f"].maximum_bytes, before.layouts["f"].maximum_bytes
    assert told is not None and most is not None and least is not None
    assert told.step == changed[chosen].step
    assert told.bits == slot.width - one.slot.width
    assert told.frame_bytes == most - least
    if (old := airtime(before)) is not None and (new := airtime(after)) is not None:
        assert told.seconds == new - old


@settings(max_examples=40)
@given(st.lists(SKETCHES, min_size=1, max_size=6), st.sampled_from(["byte", "word_16"]), st.booleans())
def test_all_fields_together_cost_what_the_changed_schema_resolves_to(
    sketches: list[Sketch], pad: str, finer: bool
) -> None:
    sketches = [replace(sketch, name=f"f{i}") for i, sketch in enumerate(sketches)]
    before = parse(written(sketches, pad))
    picture = cost.picture(before, "f")
    after = parse(written([one_step(sketch, finer) for sketch in sketches], pad))
    most, least = after.layouts["f"].maximum_bytes, before.layouts["f"].maximum_bytes
    assert most is not None and least is not None
    assert (picture.all_finer if finer else picture.all_coarser).frame_bytes == most - least


@given(st.integers(-2000, 2000), st.integers(1, 4000), st.sampled_from(STEPS), st.booleans(), st.booleans())
def test_a_bounded_field_by_wire_gets_the_least_bits_that_resolve(
    low: int, span: int, step: Fraction, signed: bool, missing: bool
) -> None:
    minimum = Fraction(low if signed else abs(low))
    ends = f"minimum: {format_number(minimum * step)}, maximum: {format_number((minimum + span) * step)}"

    def field(bits: int, scale: Fraction) -> str:
        more = ", missing: true" if missing else ""
        return f"name: a, bits: {bits}, signed: {str(signed).lower()}, scale: {format_number(scale)}, {ends}{more}"

    (slot,) = mission_of(field(16, step), keys="last_byte: zero_filled").layouts["f"].slots
    new = cost.next_step(step, finer=False)
    width = cost.width_at(slot, new)
    assert width is not None
    assert not _swallowed(mission_of(field(width, new), keys="last_byte: zero_filled"))
    if width > 1:
        assert _too_narrow(field(width - 1, new))


def _too_narrow(field: str) -> bool:
    """Return whether a field does not resolve, or loses a value of its range to the code for missing."""
    try:
        return _swallowed(mission_of(field, keys="last_byte: zero_filled"))
    except SchemaError:
        return True


def _swallowed(mission: Mission) -> bool:
    """Return whether the code for missing took one of the codes of the range."""
    slot = mission.layouts["f"].slots[0]
    assert slot.minimum is not None and slot.maximum is not None
    assert isinstance(slot.transform, Linear)
    scale = slot.transform.scale
    ends = sorted(_rounded(end / scale) for end in (slot.minimum, slot.maximum))
    return [slot.legal[0].low, slot.legal[-1].high] != ends


def _rounded(value: Fraction) -> int:
    """Return floor(value + 1/2), as WIRE.md 4 rounds."""
    return (value + Fraction(1, 2)).__floor__()


def test_the_frame_as_it_is_measures_what_the_layout_says() -> None:
    for fields, keys in (
        (("name: a, bits: 3", "kind: reserved, up_to: word_32", "name: b, bits: 16"), ""),
        (("name: a, bits: 3", "name: b, bits: 16"), "last_byte: zero_filled"),
        (("name: n, kind: count, bits: 3", "name: c, bits: 9, repeat: {count: n}"), "last_byte: zero_filled"),
    ):
        mission = mission_of(*fields, keys=keys)
        assert cost.longest_bits(cost.frame_of(mission, "f"), {}) == mission.layouts["f"].maximum_bits


def test_padding_inside_counted_elements_is_measured_element_by_element() -> None:
    # 3 bits; the first element ends at 8 and 17, the six others each start one bit into a byte: 5, 2 of padding, 9. 3 + 14 + 6 * 16 = 113.
    mission = mission_of(
        "name: n, kind: count, bits: 3",
        "name: c, repeat: {count: n}, group: [{name: d, bits: 5}, {kind: reserved, up_to: byte}, {name: e, bits: 9}]",
        "kind: reserved, up_to: byte",
    )
    assert cost.longest_bits(cost.frame_of(mission, "f"), {}) == 120
