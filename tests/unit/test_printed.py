"""The printed form of a layout: offsets that are sums, lines that stay when others change."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from packetkit.layout import printed
from packetkit.layout.model import Layout
from packetkit.mission.load import parse


def layout_of(*fields: str, keys: str = "") -> Layout:
    lines = ["mission: paper", "frames:", "  f:", *([f"    {keys}"] if keys else []), "    fields:"]
    return parse("\n".join([*lines, *(f"      - {{{field}}}" for field in fields)])).layouts["f"]


def test_a_layout_prints_as_one_line_a_slot_or_part() -> None:
    layout = layout_of(
        "name: sync, kind: sync, bits: 16, code: 0xD391",
        "name: has_fix, kind: flag",
        "name: temperature, minimum: -60, maximum: 85, resolution: 0.1, unit: Cel, missing: true, out_of_range: clamp",
        "name: fix, present_when: has_fix, group: [{name: lat, bits: 24, signed: true, scale: 1/100000, unit: deg}]",
        "kind: reserved, up_to: byte",
        "name: check, kind: check, algorithm: CRC-16/IBM-3740",
    )
    rows = [
        ("0", "16", "sync", "sync 0xD391"),
        ("16", "1", "has_fix", "flag false, true"),
        ("17", "11", "temperature", "number -60 to 85 Cel step 0.1; code 2047 missing; clamped"),
        ("28", "0-24", "fix", "when has_fix is true"),
        ("28", "24", "  fix.lat", "signed -83.88608 to 83.88607 deg step 0.00001"),
        ("end-20", "4", "reserved", "reserved sent as 0"),
        ("end-16", "16", "check", "check CRC-16/IBM-3740; everything before it"),
    ]
    drawn = [f"{at:>7} {bits:>7}  {name:<40}  {meaning}" for at, bits, name, meaning in rows]
    assert str(layout).splitlines()[1:] == drawn
    assert str(layout).splitlines()[0] == f"frame f  6 to 9 bytes  {layout.fingerprint}"


@given(st.lists(st.integers(1, 64), min_size=2, max_size=20), st.data())
def test_offsets_are_sums_and_a_change_of_meaning_changes_one_line(
    widths: list[int], data: st.DataObject
) -> None:
    fields = [f"name: f{i}, bits: {width}" for i, width in enumerate(widths)]
    before = str(layout_of(*fields, keys="last_byte: zero_filled")).splitlines()
    for i in range(len(widths)):
        at, bits, name = before[1 + i].split()[:3]
        assert (int(at), int(bits), name) == (sum(widths[:i]), widths[i], f"f{i}")
    chosen = data.draw(st.integers(0, len(widths) - 1))
    fields[chosen] += ", unit: furlong"
    after = str(layout_of(*fields, keys="last_byte: zero_filled")).splitlines()
    changed = [i for i, (old, new) in enumerate(zip(before, after, strict=True)) if old != new]
    assert changed == [0, 1 + chosen]  # the fingerprint's line, and its own


def test_what_is_told_of_a_slot_is_exact() -> None:
    layout = layout_of(
        "name: a, minimum: 0, maximum: 1, bits: 10, unit: V",
        "name: b, kind: float, bits: 32, minimum: -1, unit: V",
        "name: c, bits: 12, missing: [{code: 4095, reason: no fix}, {from: 4090, to: 4093, reason: broken}], at_least: 4094",
        "name: d, kind: tag, bits: 10, code: [3, {from: 16, to: 31}]",
    )
    a, b, c, d = layout.slots
    assert printed.step(a) * 1023 == 1  # type: ignore[operator]  # a step of 1/1023 is told as such
    assert (printed.kind_text(b), printed.holds(b)) == ("IEEE 32", "from -1")
    assert [printed.special_text(c, one) for one in c.specials] == [
        "4095 no fix",
        "4090 to 4093 broken",
        "4094 at least",
    ]
    assert printed.holds(d) == "3, 0x10 to 0x1F"


def test_what_a_compact_form_saves_is_a_line_at_the_end() -> None:
    layout = layout_of("name: a, bits: 10, bundle: {samples: 6, maximum_step: 31}")
    # 10 bits and five steps of -31 to 31, in 6 bits each.
    assert printed.text(layout).splitlines()[-1].startswith("a: bundle, 40 bits instead of ")


def test_a_time_of_several_counts_says_which_bits_count_what() -> None:
    layout = layout_of(
        "name: written, kind: time, counts: {years: {bits: 7, offset: 1980}, months: 4, days: 5, hours: 5, minutes: 6, "
        "seconds: {bits: 5, scale: 2}}",
        "name: sent, kind: time, counts: {days: 16, milliseconds: 32}, epoch: 1958-01-01T00:00:00Z",
        "name: seen, kind: time, counts: {seconds: 32, fraction: 16}, epoch: 1958-01-01T00:00:00Z, leap_seconds: counted",
        "name: since, kind: time, counts: {seconds: 32}, epoch: 1958-01-01T00:00:00Z, leap_seconds: counted",
    )
    assert [printed.terms_text(slot) for slot in layout.slots] == [
        "7 bits of years from 1980, 4 of months, 5 of days, 5 of hours, 6 of minutes, 5 of seconds in steps of 2",
        "16 bits of days, 32 of milliseconds",
        "32 bits of seconds, 16 of 1/65536 s",
        "",
    ]


def test_a_condition_on_codes_of_two_forms_is_told_by_their_numbers() -> None:
    # A first bit of 0 begins the numbers from 128, one of 1 those up to 127: the codes 0x7A to 0x85 are 250 to 255 and 0 to 5.
    forms = "forms: [{code: 0, bits: 7, offset: 128}, {code: 1, bits: 7, offset: 0}]"
    layout = layout_of(
        f"name: a, coding: {{first_bits: 1, {forms}}}",
        "name: x, bits: 8, present_when: {a: [{from: 0, to: 5}, {from: 250, to: 255}]}",
    )
    assert "when a is 0 to 5 or 250 to 255" in str(layout)
