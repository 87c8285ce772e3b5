"""Rows of the language in generated C that make frames vary: bytes worked out by hand, room, refusals, and mistakes that are seen."""

from __future__ import annotations

import subprocess
from collections import Counter
from collections.abc import Mapping
from pathlib import Path
from random import Random

import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import boot, members
from packetkit.conformance.batch import Answer, Question
from packetkit.errors import EncodeError, TargetError, Unsupported
from packetkit.fuzz import campaign, features, raw
from packetkit.layout.bundle import codes_of
from packetkit.layout.model import Layout
from packetkit.layout.slots import Bundle
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.targets import c

SHEET = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: tag, kind: tag, bits: 8, code: [{from: 0, to: 255}]}
      - {name: size, kind: length, bits: 8, measures: whole_frame, less: 1}
      - {name: call, kind: text, length: 3, fill: zero}
      - {name: note_bytes, kind: length, bits: 4, measures: note}
      - {name: level, bits: 4}
      - {name: note, kind: text, length: rest}
      - name: body
        kind: variants
        told_by: [tag]
        variants:
          - {name: ping, when: {tag: 1}, group: [{name: beat, bits: 16}]}
          - name: alarm
            when: {tag: 2}
            group:
              - {name: rows, bits: 2}
              - {name: columns, bits: 2}
              - {kind: reserved, bits: 4}
              - {name: cells, repeat: {count: {product_of: [rows, columns]}}, bits: 8}
          - name: deep
            when: {tag: 3}
            group:
              - {name: form, kind: tag, bits: 8, code: [4, 5]}
              - name: inner
                kind: variants
                told_by: [form]
                variants:
                  - {name: brief, when: {form: 4}, group: [{name: one, bits: 8}]}
                  - {name: full, when: {form: 5}, group: [{name: two, bits: 16}]}
      - {name: clock, kind: time, bits: 32, tick_s: 1, epoch: 1970-01-01T00:00:00Z, leap_seconds: not_counted}
"""

# Members, and the bytes that they mean, worked out by hand: tag, size less one, call, length of the note and level, note, body, clock.
BY_HAND = {
    (1, 65, 66, 0, 7, 2, 104, 105, 0x1234, 9): "01 0d 414200 27 6869 1234 00000009",
    (2, 65, 66, 67, 0, 0, 1, 3, 7, 8, 9, 0): "02 0d 414243 00 70 070809 00000000",
    (3, 65, 0, 0, 15, 1, 33, 4, 200, 1): "03 0c 410000 1f 21 04c8 00000001",
    (3, 65, 0, 0, 15, 0, 5, 0xABCD, 1): "03 0c 410000 0f 05abcd 00000001",
    (9, 0, 0, 0, 0, 0, 3, 170, 187, 204, 5): "09 0c 000000 00 aabbcc 00000005",
}


def dossier(name: str, mission: Mission) -> Dossier:
    return Dossier(name, mission.fingerprint, "a.yaml", "", mission.outside)


def asked(mission: Mission, directory: Path, questions: list[Question]) -> list[Answer]:
    """The answers of a program of one mission's frames."""
    with toolchains.c_process([(mission.layouts, dossier("sheet", mission))], str(directory)) as process:
        return process.ask(questions)


def test_texts_lengths_variants_and_counts_are_the_bytes_that_were_worked_out_by_hand(tmp_path: Path) -> None:
    frames = [bytes.fromhex(text) for text in BY_HAND.values()]
    questions = [Question(0, row) for row in BY_HAND] + [Question(0, data) for data in frames]
    answers = asked(parse(SHEET), tmp_path, questions)
    assert [one.content for one in answers[: len(frames)]] == frames
    assert [one.members([False] * (len(one.content) // 8)) for one in answers[len(frames) :]] == list(BY_HAND)


REFUSED = {
    "01 0e 414200 27 6869 1234 00000009": "truncated",
    "01 0c 414200 27 6869 1234 00000009": "bad length",
    "01 0d 414200 f7 6869 1234 00000009": "bad length",
    "01 0d 414200 27 6869 1234 00000009 00": "trailing bytes",
    "02 0d 414243 00 f0 070809 00000000": "bad length",
    "03 0c 410000 1f 21 06c8 00000001": "wrong constant",
    "01 0d 4142": "truncated",
    "": "truncated",
}


def test_a_length_that_does_not_fit_and_a_variant_that_nobody_knows_are_refused(tmp_path: Path) -> None:
    answers = asked(parse(SHEET), tmp_path, [Question(0, bytes.fromhex(data)) for data in REFUSED])
    assert [one.status for one in answers] == list(REFUSED.values())


def test_compilers_have_nothing_to_say_of_a_tag_that_may_hold_any_code(tmp_path: Path) -> None:
    mission = parse(SHEET)
    for name, text in c.write(mission.layouts, dossier("sheet", mission)).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    files = ["sheet.c", "sheet_scale.c", "sheet_self_test.c", "sheet_example.c"]
    for compiler in ("gcc -std=c99", "clang -std=c99", "g++ -x c++ -std=c++11"):
        command = [*compiler.split(), *toolchains.STRICT, "-DSHEET_TURNS=2", "-o", "unit", *files]
        toolchains.run(command, cwd=str(tmp_path))
    line, *frames = subprocess.run(
        [tmp_path / "unit"], capture_output=True, text=True, check=True
    ).stdout.splitlines()
    assert boot.judged(mission.layouts, "sheet", mission.fingerprint, line).agrees and len(frames) == 2


def test_what_no_length_can_say_is_refused_by_the_length(tmp_path: Path) -> None:
    mission = parse(SHEET.replace("kind: length, bits: 4,", "kind: length, bits: 4, less: 2,"))
    numbers = {slot.address: slot.number for slot in mission.layouts["sheet"].slots}
    short, long = (1, 0, 0, 0, 0, 1, 33, 1, 0), (1, 0, 0, 0, 0, 2, 33, 33, 1, 0)
    answers = asked(mission, tmp_path, [Question(0, short), Question(0, long)])
    assert (answers[0].status, answers[0].slot) == ("refused", numbers["note_bytes"])
    assert answers[1].status == "ok"


REMAINING = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: first, bits: 8}
      - {name: second, bits: 8, present_when: bytes_remain}
      - {name: third, bits: 16, present_when: bytes_remain}
"""


def test_what_is_there_when_bytes_remain_is_said_by_a_member_of_its_own(tmp_path: Path) -> None:
    rows = {(1, 0, 0): "01", (1, 1, 2, 0): "0102", (1, 1, 2, 1, 3): "01020003"}
    questions = [Question(0, row) for row in rows] + [
        Question(0, bytes.fromhex(text)) for text in rows.values()
    ]
    answers = asked(parse(REMAINING), tmp_path, [*questions, Question(0, (1, 0, 1, 3))])
    assert [one.content.hex() for one in answers[:3]] == list(rows.values())
    assert [one.members([False] * (len(one.content) // 8)) for one in answers[3:6]] == list(rows)
    assert (answers[6].status, answers[6].slot) == ("refused", 2)  # the third, as the second is not there


OUTSIDE = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: station, kind: supplied, bits: 16}
      - name: body
        kind: variants
        told_by: outside
        variants:
          - {name: cold, group: [{name: depth, bits: 8}]}
          - {name: warm, group: [{name: height, bits: 16}]}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, mixed_with: station}
"""


def test_decoding_is_told_variants_from_outside_and_supplied_fields(tmp_path: Path) -> None:
    mission = parse(OUTSIDE)
    layout = mission.layouts["sheet"]
    rows = [(0xBEEF, 0, 5), (0, 1, 0x1234)]
    frames = [Frame(layout).encode(members.to_detail(layout, row)) for row in rows]
    told = [members.told(layout, row) for row in rows]
    answers = asked(
        mission,
        tmp_path,
        [
            *(Question(0, row) for row in rows),
            *(Question(0, one + data) for one, data in zip(told, frames, strict=True)),
            Question(0, told[1] + frames[0]),  # told of the other variant, it is too short
            Question(0, (0xBEEE).to_bytes(8, "little") + told[0][8:] + frames[0]),  # another station's
        ],
    )
    assert [one.content for one in answers[:2]] == frames
    assert [one.members([False] * 3) for one in answers[2:4]] == rows
    assert [one.status for one in answers[4:]] == ["truncated", "check failed"]


TOLD = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: station, kind: supplied, bits: 12}
      - {name: level, bits: 8}
MORE      - {name: check, kind: check, algorithm: CRC-16/IBM-3740, mixed_with: station}
"""
VARYING = """\
      - {name: held, kind: count, bits: 8}
      - {name: rest, repeat: {count: held}, bits: 8}
"""


@pytest.mark.parametrize("more", ["", VARYING], ids=["plain", "varying"])
@pytest.mark.parametrize("options", ["", "small"])
def test_decoding_refuses_a_supplied_code_wider_than_its_bits_by_its_field(
    more: str, options: str, tmp_path: Path
) -> None:
    mission = parse(TOLD.replace("MORE", more))
    layout = mission.layouts["sheet"]
    row: tuple[int, ...] = (0xABC, 7, 2, 8, 9) if more else (0xABC, 7)
    frame = Frame(layout).encode(members.to_detail(layout, row))
    codes = (0xABC, 0xFFF, 0x1000, 0xFABC, 0xFFFF)
    subjects = [code.to_bytes(8, "little") + data for code in codes for data in (frame, frame[:1])]
    held = raw.Held(layout, Frame(layout), 0)
    of = Dossier("sheet", mission.fingerprint, "", "", options=frozenset(options.split()))
    with toolchains.c_process([(mission.layouts, of)], str(tmp_path)) as process:
        assert not list(raw.partings(held, process.ask, subjects))
        questions = [*(Question(0, one) for one in subjects), Question(0, (0x1000, *row[1:]))]
        answers = process.ask(questions)
    assert [one.status for one in answers] == [
        "ok",
        "truncated",
        "check failed",
        "truncated",
        *["refused"] * 7,
    ]
    assert {one.slot for one in answers[4:]} == {len(layout.slots)}  # as encoding names it
    assert "SHEET_SHEET_BAD_STATION" in (tmp_path / "sheet.h").read_text(encoding="utf-8")


BUNDLE = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: field_x, bits: 12, signed: true, scale: 1, missing: true, bundle: {samples: 4, maximum_step: 7}}
"""


def test_a_bundle_is_a_first_code_and_differences(tmp_path: Path) -> None:
    # By hand: -5 in 12 bits, then 0, 3, nothing (1000), -7 in 4 bits each; 4 bits are left, so the frame says how it ends.
    mission = parse(BUNDLE + "      - {kind: reserved, up_to: byte}\n")
    row, data = (-5, 0, 3, -8, -7), bytes.fromhex("ffb03890")
    made, read = asked(mission, tmp_path, [Question(0, row), Question(0, data)])
    assert made.content == data and read.members([True] * 5) == row
    assert Frame(mission.layouts["sheet"]).decode(data)["field_x"] == [-5, -2, None, -9]


SAMPLES = """
#include <stdio.h>
#include "sheet.c"
#include "sheet_scale.c"
int main(void) {
    int32_t codes[4];
    long given[4];
    while (scanf("%ld %ld %ld %ld", &given[0], &given[1], &given[2], &given[3]) == 4) {
        int16_t first = 0;
        int8_t steps[4] = {0, 0, 0, 0};
        int at, result;
        for (at = 0; at < 4; at++) { codes[at] = (int32_t)given[at]; }
        result = (int)sheet_sheet_field_x_from_codes(codes, &first, steps);
        sheet_sheet_field_x_to_codes(first, steps, codes);
        printf("%d %d %d %d %d %d %d %d %d %d\\n", result, first, steps[0], steps[1], steps[2], steps[3],
               (int)codes[0], (int)codes[1], (int)codes[2], (int)codes[3]);
    }
    return 0;
}
"""


@pytest.mark.parametrize("policy", ["error", "clamp"])
def test_samples_are_bundled_in_c_as_the_codec_bundles_them(policy: str, tmp_path: Path) -> None:
    text = BUNDLE.replace("missing: true,", f"missing: true, out_of_range: {policy},")
    mission = parse(text + "      - {kind: reserved, up_to: byte}\n")
    for name, source in c.write(mission.layouts, dossier("sheet", mission)).items():
        (tmp_path / name).write_text(source, encoding="utf-8")
    (tmp_path / "main.c").write_text(SAMPLES, encoding="utf-8")
    toolchains.run(
        ["cc", "-std=c99", *toolchains.STRICT, *toolchains.SANITIZED, "-o", "main", "main.c"],
        cwd=str(tmp_path),
    )
    (slot, *_), frame, chance = mission.layouts["sheet"].slots, Frame(mission.layouts["sheet"]), Random(4)
    assert isinstance(slot.transform, Bundle)
    rows = [[chance.choice([-2048, -3, 0, 2, 5, 9, 12]) for _ in range(4)] for _ in range(200)]
    given = "".join(f"{' '.join(map(str, row))}\n" for row in rows)
    done = subprocess.run(
        [tmp_path / "main"], input=given, capture_output=True, text=True, check=True
    ).stdout.splitlines()
    outcomes = Counter[bool]()
    for row, line in zip(rows, done, strict=True):
        result, *sent = map(int, line.split())
        try:
            data = frame.encode({"field_x": [None if one == -2048 else one for one in row]})
        except EncodeError:
            assert result == slot.number + 2 and policy == "error"
            outcomes[False] += 1
            continue
        detail = frame.decode(data, detail=True)["field_x"]
        assert result == 0 and sent[:5] == codes_of(slot.transform, detail["raw"]), (row, line)
        assert [None if one == -2048 else one for one in sent[5:]] == detail["value"]
        outcomes[True] += 1
    assert outcomes[True] > 50 and (outcomes[False] > 50) is (policy == "error")


WIDE = """
mission: sheet
frames:
  sheet:
    fields:
      - {name: level, bits: 72}
      - {kind: reserved, bits: 6}
      - {name: check, kind: check, algorithm: CRC-82/DARC}
"""


def test_a_check_of_82_bits_is_the_catalogues(tmp_path: Path) -> None:
    # The catalogue's check value of CRC-82/DARC over the digits 1 to 9; the six reserved bits stand behind the check here.
    text = WIDE.replace(
        "      - {name: level, bits: 72}\n", "      - {name: digits, kind: bytes, length: 9}\n"
    )
    lines = text.replace("      - {kind: reserved, bits: 6}\n", "") + "      - {kind: reserved, bits: 6}\n"
    made = asked(parse(lines), tmp_path, [Question(0, tuple(b"123456789"))])[0].content
    assert int.from_bytes(made[9:], "big") >> 6 == 0x09EA83F625023801FD612


# Rows that C has not been taught yet: whatever else is refused is a row lost.
LACKING = ("parities of listed bits",)


def test_of_forty_random_schemas_c_refuses_what_its_types_do_not_hold_and_rows_that_it_was_never_taught() -> (
    None
):
    drawn, rows, refused = Counter[str](), Counter[int](), Counter[str]()
    for at in range(40):
        _, mission = campaign.loaded(campaign.schema_seed(4031, at), Counter())
        try:
            c.write(mission.layouts, dossier("sheet", mission))
        except Unsupported as error:
            refused.update(reason for _, reason in error.items)
            continue
        for declared in mission.declared.frames:
            drawn.update(features.of(declared, mission.layouts[declared.name]))
    rows.update(campaign.rows(campaign.Report(0, features=drawn)))
    print("frames that draw each row:", dict(sorted(rows.items())), "refused:", dict(refused))
    assert all("C's widest type has 64" in reason for reason in refused if reason not in LACKING)
    assert all(rows[row] for row in (7, 8, 9, 10, 11, 12, 14, 16, 17, 19, 20, 23))


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("bits / 8 - 1)", "bits / 8)"),  # what is less in a length
        ("r->tag == 2", "r->tag == 4"),  # a variant's code
        ("r->note_count > 1", "r->note_count > 0 && r->note_count > 1"),  # nothing: it must pass
        ("left < 0x20 ? 0 : left - 0x20", "left"),  # what follows octets to the end
        ("at + 0x50", "at + 0x58"),  # the room of a frame
        ("at + (uint16_t)c", "at + 0 * (uint16_t)c"),  # a computed count
    ],
)
def test_a_mistake_in_what_varies_is_found(
    right: str, wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mission = parse(SHEET)
    whole = c.write

    def broken(layouts: Mapping[str, Layout], of: Dossier) -> dict[str, str]:
        files = whole(layouts, of)
        assert right in files["sheet.c"]
        return {**files, "sheet.c": files["sheet.c"].replace(right, wrong)}

    monkeypatch.setattr(c, "write", broken)
    layout = mission.layouts["sheet"]
    held = raw.Held(layout, Frame(layout), 0)
    subjects = list(raw.subjects(layout, held.frame, Random(1), 120))
    with toolchains.c_process([(mission.layouts, dossier("sheet", mission))], str(tmp_path)) as process:
        try:
            is_seen = any(True for _ in raw.partings(held, process.ask, subjects))
        except TargetError:
            is_seen = True  # by the program itself, or by a sanitizer
    assert is_seen is not wrong.startswith("r->note_count")
