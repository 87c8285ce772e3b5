"""Bundles: samples against numpy's running sum, what a clamped step leaves behind, the gain, files, and who refuses them by name."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from fractions import Fraction
from functools import partial
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.codec import constructs, walk
from packetkit.codec.bulk import obstacle
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import EncodeError, Unsupported
from packetkit.layout.bundle import raw_of
from packetkit.layout.slots import Bundle
from packetkit.targets import TARGETS

SCHEMA = """
mission: godwit
frames:
  drift:
    cadence_s: 60
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - name: hull
        group:
          - {name: water, minimum: -5, maximum: 35, resolution: 0.1, unit: Cel, missing: true, bundle: {samples: 8, maximum_step: 0.7}}
      - {name: level, bits: 12, signed: true, out_of_range: clamp, bundle: {samples: 6, maximum_step: 31}}
      - {kind: reserved, up_to: byte}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
FRAME = packetkit.parse(SCHEMA).frame()
STEPS = st.lists(st.integers(-31, 31), min_size=5, max_size=5)


def level(values: Sequence[object], water: object = None) -> dict[str, object]:
    return {"sequence": 1, "hull": {"water": water}, "level": values}


@given(st.integers(-1000, 1000), STEPS)
def test_samples_within_their_steps_come_back_as_they_were(first: int, steps: list[int]) -> None:
    samples = np.cumsum([first, *steps]).tolist()
    assert FRAME.decode(FRAME.encode(level(samples)))["level"] == samples


@pytest.mark.parametrize("step", ["9.75", "9000"], ids=["written out", "by a function"])
@pytest.mark.parametrize("more", ["", ", missing: true"])
def test_samples_half_way_between_two_codes_take_the_greater(more: str, step: str) -> None:
    field = f"{{name: level, minimum: 0, maximum: 60000, resolution: 0.75{more}, bundle: {{samples: 9, maximum_step: {step}}}}}"
    text = f"mission: m\nframes:\n  a:\n    fields: [{field}, {{kind: reserved, up_to: byte}}]\n"
    frame = packetkit.parse(text).frame()
    # 0.5, 1.5, 2.5 and 4.5 steps, exact as doubles; then whole steps.
    back = frame.decode(frame.encode({"level": [0.375, 1.125, 1.875, 3.375, 6.0, 6, 9, 12.0, 15]}))
    assert back == {"level": [0.75, 1.5, 2.25, 3.75, 6.0, 6.0, 9.0, 12.0, 15.0]}


@given(st.lists(st.integers(-2048, 2047), min_size=6, max_size=6))
def test_a_clamped_sample_lies_between_the_one_before_it_and_what_was_wanted(wanted: list[int]) -> None:
    back = FRAME.decode(FRAME.encode(level(wanted)))["level"]
    assert back[0] == wanted[0]
    for before, sent, asked in zip(back, back[1:], wanted[1:], strict=False):
        assert sent == before + int(np.clip(asked - before, -31, 31))


@given(st.lists(st.one_of(st.none(), st.integers(0, 7)), min_size=8, max_size=8))
def test_a_missing_sample_leaves_the_others_as_they_are(codes: list[int | None]) -> None:
    water = [None if code is None else float(Fraction(code, 10) - 5) for code in codes]
    back = FRAME.decode(FRAME.encode(level([0] * 6, water)))
    assert back["hull"]["water"] == water
    assert walk.decode(FRAME.layout, FRAME.encode(level([0] * 6, water))) == back


# Narrow samples and wide steps, so that sums often leave the range: scales that doubles hold and one that they do not, both packings.
SUMMED = [
    packetkit.parse(
        f"mission: m\nframes:\n  f:\n    packing: {packing}\n    fields:\n      - {{name: before, bits: 3}}\n"
        f"      - {{name: a, {sample}, bundle: {{samples: 5, maximum_step: {step}}}}}\n    last_byte: zero_filled\n"
    ).frame()
    for packing in ("most_significant_first", "least_significant_first")
    for sample, step in (
        ("bits: 6, scale: 1/4, missing: 63", "3/4"),
        ("bits: 6, scale: -1/4, offset: 3, signed: true", "3/2"),
        ("minimum: 1, maximum: 5, resolution: 0.1", "0.3"),
        ("minimum: -2, maximum: 3, resolution: 1/8", "7/8"),
        ("bits: 6, scale: 1/2, signed: true, missing: -32", "3/2"),
        ("bits: 6, scale: 1/8, signed: true, out_of_range: clamp", "3/8"),
        ("bits: 6, scale: 0.3, offset: 1, missing: 0", "2.1"),
        ("bits: 6, scale: 3, offset: -7, signed: true", "21"),
    )
]


def sent(encode: Callable[[dict[str, object]], bytes], record: dict[str, object]) -> bytes | str:
    """The frame of a record, or why there is none."""
    try:
        return encode(record)
    except EncodeError as error:
        return str(error)


@given(st.sampled_from(SUMMED), st.binary(min_size=4, max_size=4), st.data())
def test_samples_that_are_summed_in_a_line_are_the_walkers_whatever_the_bits(
    frame: packetkit.Frame, octets: bytes, data: st.DataObject
) -> None:
    assert "steps_" in frame.codec.source
    octets = octets[: frame.layout.size_bytes]
    found = frame.decode(octets)
    assert repr(found) == repr(walk.decode(frame.layout, octets))
    samples = data.draw(st.permutations(found["a"]))
    record = {"before": 5, "a": list(samples)}
    assert sent(frame.encode, record) == sent(partial(walk.encode, frame.layout), record)


@pytest.mark.parametrize("frame", SUMMED[::2])
def test_sums_that_leave_the_range_at_either_end_are_the_walkers(frame: packetkit.Frame) -> None:
    bundle = frame.layout.slots[1].transform
    assert isinstance(bundle, Bundle)
    least, most = bundle.sample.raw_limits
    for first in range(least, most + 1):
        for step in (-bundle.largest, bundle.largest):
            raw = raw_of(bundle, [first] + [step] * bundle.differences)
            octets = frame.encode({"before": 0, "a": {"raw": raw}})
            assert repr(frame.decode(octets)) == repr(walk.decode(frame.layout, octets))


def test_every_fault_of_a_bundle_is_told_with_its_sample() -> None:
    with pytest.raises(EncodeError) as caught:
        FRAME.encode(level([0, 1, "x", 3, True, 5], [1, 2, 2, 2, 2, 50, 2, 2]))
    assert str(caught.value) == (
        "hull.water: sample 5: 50 Cel is outside -5.0 to 35.0 Cel. Give a value inside, or declare out_of_range: clamp\n"
        "level: sample 2: 'x' is text, not a number. Give a number; sample 4: True is not a number. "
        "Give an int, a float, a Fraction or a Decimal"
    )
    with pytest.raises(EncodeError, match=r"sample 1: a step of 1 Cel, and 0\.7 Cel is the largest"):
        FRAME.encode(level([0] * 6, [1, 2, 2, 2, 2, 2, 2, 2]))


@pytest.mark.parametrize("odd", [float("nan"), float("inf"), -float("inf"), 1e300, 0.05, 0.15, -0.35, 5e-324])
def test_a_double_that_is_no_number_or_halfway_between_two_codes_is_the_walkers(odd: float) -> None:
    for first in (odd, 0.1):
        record = level([0] * 6, [first, odd, 0.1, 0.1, 0.1, 0.1, 0.1, 0.1])
        assert sent(FRAME.encode, record) == sent(partial(walk.encode, FRAME.layout), record)


def test_a_bundle_as_long_as_its_samples_is_refused_and_one_bit_less_is_not() -> None:
    # Worked by hand: n samples of 8 bits as 8 + (n - 1) * 7; a step of 64 takes 8 bits, one of 63 takes 7.
    text = "mission: m\nframes: {f: {last_byte: zero_filled, fields: [{name: x, bits: 8, bundle: {samples: 2, maximum_step: STEP}}]}}"
    with pytest.raises(packetkit.SchemaError, match="2 samples have 16 bits themselves, and 16 as a bundle"):
        packetkit.parse(text.replace("STEP", "64"))
    assert packetkit.parse(text.replace("STEP", "63")).frame().layout.gains[0].bits == 15


def test_the_gain_and_the_terms_are_told_by_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    assert main(["check", str(path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert (
        "hull.water bundle 41 72 43.1 % 8 samples of 9 bits each" in out
    )  # 9 + 8 * 4; 400 steps and none: 9 bits
    assert "level bundle 42 72 41.7 % 6 samples of 12 bits each" in out  # 12 + 5 * 6
    assert main(["check", str(path), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    schema = Path(__file__).parents[1] / "documents" / "json" / "check.schema.json"
    jsonschema.validate(document, json.loads(schema.read_text("utf-8")))
    (told,) = document["schemas"][0]["frames"]
    water = next(one for one in told["fields"] if one["name"] == "hull.water")
    assert water["bundle"] == {
        "samples": 8,
        "maximum_step": 0.7,
        "first_bits": 9,
        "differences": 8,
        "difference_bits": 4,
    }
    assert water["special_codes"] == [{"from_raw": 511, "to_raw": 511, "meaning": "missing", "reason": ""}]


def test_two_spellings_of_a_bundle_have_one_fingerprint_and_another_step_has_another() -> None:
    same = SCHEMA.replace("resolution: 0.1, unit", "resolution: 1/10, bits: 9, unit")
    other = SCHEMA.replace("maximum_step: 0.7", "maximum_step: 0.6")
    prints = [packetkit.parse(text).frame().layout.fingerprint for text in (SCHEMA, same, other)]
    assert prints[0] == prints[1] != prints[2]


def test_samples_have_columns_of_their_own_and_come_back_from_csv(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, frames = tmp_path / "godwit.yaml", tmp_path / "frames.bin"
    path.write_text(SCHEMA, "utf-8")
    water = [None, 20.1, 20.5, None, 19.8, 20.0, 20.0, 20.0]
    frames.write_bytes(FRAME.encode(level([1, 2, 3, 4, 5, 6], water)) + FRAME.encode(level([0] * 6)))
    assert main(["decode", str(path), str(frames), "--format", "csv"]) == 0
    table = capsys.readouterr().out
    title, first, *_ = table.splitlines()
    assert "hull.water[0],hull.water[1]" in title and "level[5]" in title
    assert ",20.1,20.5,,19.8," in first
    (tmp_path / "records.csv").write_text(table, "utf-8")
    back = tmp_path / "back.bin"
    assert main(["encode", str(path), str(tmp_path / "records.csv"), "-o", str(back)]) == 0
    assert bytes.fromhex(back.read_text("utf-8")) == frames.read_bytes()


def test_a_simulated_bundle_decodes_to_what_was_sent() -> None:
    sent = [one.values for one in simulate({"drift": FRAME}, Fraction(24 * 3600), Channel(restarts=0), 5)]
    values = [one for one in sent if one is not None]
    assert len(values) == 1440 and all(FRAME.decode(FRAME.encode(one)) == one for one in values)
    assert any(None in one["hull"]["water"] for one in values)
    assert len({one["level"][-1] for one in values}) > 100


def test_columns_say_why_frames_with_bundles_are_decoded_one_by_one() -> None:
    assert obstacle(FRAME.layout) == "hull.water is no number"
    frames = FRAME.encode(level([1, 2, 3, 4, 5, 6])) * 3
    columns = FRAME.decode_many(frames)
    assert columns["level[3]"].tolist() == [4, 4, 4]


def test_construct_refuses_a_bundle_by_name() -> None:
    with pytest.raises(Unsupported, match=r"hull\.water: its samples are differences"):
        constructs.build(FRAME.layout)


@pytest.mark.parametrize("target", TARGETS)
def test_a_target_writes_a_bundle_whole_or_says_which_it_cannot_send(
    target: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "godwit.yaml", tmp_path / "out"
    path.write_text(SCHEMA, "utf-8")
    status = main(["generate", str(path), "--target", target, "-o", str(out)])
    said = capsys.readouterr().err
    assert (status == 2 and "hull.water" in said and "level" in said and not out.exists()) or (
        status == 0 and any(out.iterdir())
    )


def test_a_bundle_in_a_variant_leaves_where_parts_start_alone() -> None:
    """Pinned: the samples of a value once took the name of the start of a part that a check covers from."""
    fields = """
      - {name: held, kind: count, bits: 8}
      - {name: cells, repeat: {count: held}, bits: 8}
      - {name: form, kind: tag, bits: 8, code: [0, 1]}
      - {name: more, told_by: [form], variants: [{name: none, when: {form: 0}, group: [{name: a, bits: 8}]},
          {name: some, when: {form: 1}, group: [{name: wave, minimum: 0, maximum: 1677721500, bits: 24, bundle:
          {samples: 9, maximum_step: 200}}]}]}
      - {name: check, kind: check, algorithm: SUM-8, covers: more}"""
    for spare in range(8):
        extra = "".join(
            f"\n      - {{name: x{at}, present_when: {{form: 1}}, bits: 8}}" for at in range(spare)
        )
        told = fields.replace("\n      - {name: more", f"{extra}\n      - {{name: more")
        frame = packetkit.parse(f"mission: heron\nframes:\n  survey:\n    fields:{told}\n").frame()
        record = {"cells": [1], "form": 1, "more": {"some": {"wave": [0, 100, *[0] * 7]}}}
        record |= {f"x{at}": 0 for at in range(spare)}
        data = frame.encode(record)
        assert frame.decode(data) == walk.decode(frame.layout, data)


TURNED = {
    order: packetkit.parse(
        f"mission: m\nframes:\n  f:\n    order: {order}\n"
        "    fields: [{name: a, bits: 16, signed: true, bundle: {samples: 5, maximum_step: 7}}]\n"
    ).frame()
    for order in ("big", "little")
}


@given(st.integers(-2048, 2047), st.lists(st.integers(-7, 7), min_size=4, max_size=4))
def test_a_bundle_with_its_low_octet_first_has_the_octets_of_its_wide_code_turned(
    first: int, steps: list[int]
) -> None:
    """A code of 16 bits and differences of 4: two octets that trade places, and two of differences as they are."""
    samples = np.cumsum([first, *steps]).tolist()
    made = {order: frame.encode({"a": samples}) for order, frame in TURNED.items()}
    assert all(frame.decode(made[order]) == {"a": samples} for order, frame in TURNED.items())
    assert made["big"][:2] == (samples[0] & 0xFFFF).to_bytes(2, "big")
    assert made["little"] == made["big"][1::-1] + made["big"][2:]
