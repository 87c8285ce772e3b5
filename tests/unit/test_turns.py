"""Variants in turn: worked frames, what is given and ignored, the gain, columns, files, and who refuses them by name."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import packetkit
from packetkit.cli.main import main
from packetkit.codec import constructs, walk
from packetkit.codec.bulk import obstacle
from packetkit.conformance.simulate import Channel, simulate
from packetkit.errors import EncodeError, ReservedBits, Unsupported
from packetkit.mission import checkup
from packetkit.targets import TARGETS

SCHEMA = """
mission: godwit
frames:
  drift:
    cadence_s: 60
    strict: true
    fields:
      - {name: sequence, bits: 12, role: sequence, modulus: 4095}
      - {name: mode, bits: 4}
      - name: slow
        told_by: sequence
        in_turn: true
        variants:
          - name: water
            group:
              - {name: depth, minimum: 0, maximum: 25.4, resolution: 0.1, unit: m, missing: true}
              - {name: drift, bits: 8, signed: true}
          - {name: power, group: [{name: cell, minimum: 2.5, maximum: 4.3, resolution: 0.02, unit: V}]}
          - {name: memory, group: [{name: used, bits: 4}, {name: worn, kind: flag}]}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""
FRAME = packetkit.parse(SCHEMA).frame()
FORMS = {
    "water": {"depth": 1.5, "drift": -2},
    "power": {"cell": 3.7},
    "memory": {"used": 3, "worn": True},
}


def record(sequence: object, slow: object) -> dict[str, object]:
    return {"sequence": sequence, "mode": 1, "slow": slow}


@given(st.integers(0, 4094))
def test_the_remainder_of_the_sequence_says_whose_turn_it_is(sequence: int) -> None:
    name = ("water", "power", "memory")[sequence % 3]
    data = FRAME.encode(record(sequence, FORMS))  # all are given, and the others are ignored
    assert FRAME.decode(data) == record(sequence, {name: FORMS[name]})
    assert (
        FRAME.encode(record(sequence, {name: FORMS[name]}))
        == data
        == walk.encode(FRAME.layout, record(sequence, FORMS))
    )
    # Worked by hand: 12 bits of the sequence, 4 of the mode; then the form's bits, and zeros up to 16.
    bits = {"water": "00001111" + "11111110", "power": "0111100" + "0" * 9, "memory": "00111" + "0" * 11}[
        name
    ]
    assert "".join(f"{octet:08b}" for octet in data[:4]) == f"{sequence:012b}0001{bits}"


def test_frames_of_all_turns_have_one_size() -> None:
    assert FRAME.layout.size_bytes == 6
    # Worked by hand: 8 and 8 bits; 7; 4 and 1.
    (gain,) = FRAME.layout.gains
    assert (gain.address, gain.form, gain.bits, gain.plain_bits) == ("slow", "in_turn", 16, 16 + 7 + 5)


def test_zeros_behind_a_narrower_one_are_reserved_bits() -> None:
    plain = packetkit.parse(
        SCHEMA.replace("    strict: true\n", "").replace(", algorithm", ", covers: sequence, algorithm")
    )
    data = bytearray(plain.frame().encode(record(1, {"power": {"cell": 3.7}})))
    data[3] |= 1
    detail = plain.frame().decode(bytes(data), detail=True)
    assert detail["slow"]["power"]["reserved"] == {"raw": 1, "value": 1, "note": "not zero"}
    assert plain.frame().encode(detail) == bytes(data)
    strict = packetkit.parse(SCHEMA.replace(", algorithm", ", covers: sequence, algorithm")).frame()
    with pytest.raises(ReservedBits, match=r"slow\.power\.reserved"):
        strict.decode(bytes(data))


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (record(1, {"water": FORMS["water"]}), "slow: water is given, but sequence 1 means power"),
        (
            record(1, {"water": {}, "memory": {}}),
            "slow.power: is not given, and it is its turn at sequence 1",
        ),
        ({"mode": 1, "slow": FORMS}, "sequence: is not given. Give a number"),
        (record("x", FORMS), "sequence: 'x' is text"),
        (
            record(1, {**FORMS, "wind": {}}),
            "slow: 'wind' is none of its variants water, power, memory. Leave it out",
        ),
        (record(1, {}), "slow: is empty. Give one of its variants water, power, memory"),
    ],
)
def test_what_is_wrong_with_a_turn_is_said_once(given: dict[str, object], message: str) -> None:
    with pytest.raises(EncodeError) as caught:
        FRAME.encode(given)
    assert message in str(caught.value) and len(caught.value.faults) == 1


def test_another_order_of_turns_is_another_frame_and_a_plain_variant_too() -> None:
    texts = [
        SCHEMA,
        SCHEMA.replace("name: power", "name: x")
        .replace("name: memory", "name: power")
        .replace("name: x", "name: memory"),
        SCHEMA.replace("modulus: 4095", "modulus: 4092"),
    ]
    assert len({packetkit.parse(text).frame().layout.fingerprint for text in texts}) == 3


def test_check_shows_turns_and_what_they_save(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "godwit.yaml"
    path.write_text(SCHEMA, "utf-8")
    assert main(["check", str(path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "slow: its 3 variants in turn" in out and "power: when sequence modulo 3 is 1" in out
    saved = "slow in turn 16 28 42.9 % 3 variants of 28 bits in all; all are heard in 3 frames"
    assert f"{saved}, 3 min 00 s at most, if none is lost" in out
    path.write_text(SCHEMA.replace("    cadence_s: 60\n", ""), "utf-8")
    assert main(["check", str(path)]) == 0
    assert f"{saved}, if none is lost" in " ".join(capsys.readouterr().out.split())


def test_the_longest_wait_is_that_of_whoever_begins_right_behind_a_frame() -> None:
    """Outside value: every moment of listening tried, frames at the cadence or as fast as the radio sends them."""
    radio = (
        "link:\n  chirp: {spreading_factor: 12, bandwidth_khz: 125, coding_rate: 4/5, frequency_mhz: 437}\n"
    )
    for text in (SCHEMA, SCHEMA.replace("cadence_s: 60", "cadence_s: 1") + radio):
        mission = packetkit.parse(text)
        airtime_s = mission.link.time_on_air(6) or Fraction(0)
        every_s = max(mission.layouts["drift"].cadence_s or Fraction(0), airtime_s)
        sent = [(at, at * every_s) for at in range(12)]
        waits = []
        for begun in range(3):  # right behind the frame of that number
            heard = {name: at_s for at, at_s in reversed(sent) for name in [at % 3] if at > begun}
            waits.append(max(heard.values()) - begun * every_s)
        (gain,) = mission.layouts["drift"].gains
        assert checkup.heard_within(mission, "drift", gain) == max(waits) == 3 * every_s


def test_turns_come_back_from_csv(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, frames = tmp_path / "godwit.yaml", tmp_path / "frames.bin"
    path.write_text(SCHEMA, "utf-8")
    frames.write_bytes(b"".join(FRAME.encode(record(sequence, FORMS)) for sequence in range(7)))
    assert main(["decode", str(path), str(frames), "--format", "csv"]) == 0
    table = capsys.readouterr().out
    assert "slow.power.cell" in table.splitlines()[0]
    (tmp_path / "records.csv").write_text(table, "utf-8")
    back = tmp_path / "back.bin"
    assert main(["encode", str(path), str(tmp_path / "records.csv"), "-o", str(back)]) == 0
    assert bytes.fromhex(back.read_text("utf-8")) == frames.read_bytes()


def test_a_simulated_unit_takes_its_turns() -> None:
    sent = [one.values for one in simulate({"drift": FRAME}, Fraction(24 * 3600), Channel(restarts=0), 5)]
    values = [one for one in sent if one is not None]
    assert len(values) == 1440 and all(FRAME.decode(FRAME.encode(one)) == one for one in values)
    counts = [sum(name in one["slow"] for one in values) for name in FORMS]
    assert counts == [480, 480, 480]


def test_columns_and_construct_say_that_they_have_no_turns() -> None:
    assert obstacle(FRAME.layout) is not None
    frames = b"".join(FRAME.encode(record(sequence, FORMS)) for sequence in range(4))
    assert FRAME.decode_many(frames)["slow.water.drift"].tolist()[::3] == [-2, -2]
    with pytest.raises(Unsupported, match="slow: it has variants"):
        constructs.build(FRAME.layout)


@pytest.mark.parametrize("target", TARGETS)
def test_every_target_writes_turns(target: str, tmp_path: Path) -> None:
    path, out = tmp_path / "godwit.yaml", tmp_path / "out"
    path.write_text(SCHEMA, "utf-8")
    assert main(["generate", str(path), "--target", target, "-o", str(out)]) == 0
    assert any(out.iterdir())


def test_what_fills_a_short_variant_up_has_no_name_and_spelling_it_out_is_another_frame() -> None:
    filling = [slot for slot in FRAME.layout.slots if slot.kind == "reserved"]
    assert [(slot.width, slot.named) for slot in filling] == [(9, False), (11, False)]
    spelt = SCHEMA.replace("unit: V}]", "unit: V}, {name: reserved, kind: reserved, bits: 9}]")
    unnamed = SCHEMA.replace("unit: V}]", "unit: V}, {kind: reserved, bits: 9}]")
    prints = [packetkit.parse(text).frame().layout.fingerprint for text in (SCHEMA, unnamed, spelt)]
    assert prints[0] == prints[1] != prints[2]
