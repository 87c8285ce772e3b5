"""Generated code that takes and gives values, each target held to the Python codec: random schemas, every width at every bit, vectors.

Answers are compared by value, refusals by path and rule, undecodable bytes by reason. Each target's own files are tested beside this.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from fractions import Fraction
from functools import partial
from pathlib import Path
from random import Random

import pytest

import packetkit
from packetkit import toolchains
from packetkit.conformance import spoken
from packetkit.conformance.spoken import Question
from packetkit.errors import Unsupported
from packetkit.fuzz import speaking
from packetkit.fuzz.speaking import Ask, Write
from packetkit.integrity import catalog
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.targets import TARGETS
from tests.missions import FED_CHECKS, PARTS_THAT_GO_ON, SIZED_AND_DATED

SEED, SCHEMAS, RECORDS, PARTS = 4031, 40, 60, 4
VECTORS = sorted((Path(__file__).resolve().parents[2] / "vectors" / "handmade").glob("*.json"))
SPEAKERS: Mapping[str, Callable[[], toolchains.Speaker]] = {
    "javascript": toolchains.javascript,
    "python": toolchains.python,
}


def written(name: str, speaker: toolchains.Speaker, place: Path, edit: Callable[[str], str] = str) -> Write:
    """Return what writes missions for a target below a directory. edit: what becomes of a module's text."""
    places = (place / str(number) for number in range(10_000))

    def write(mission: Mission) -> Ask:
        files = TARGETS[name].write(
            mission.layouts, Dossier(mission.name, mission.fingerprint, "", "", mission.outside)
        )
        module, directory = next(iter(files)), next(places)
        directory.mkdir(parents=True)
        (directory / module).write_text(edit(files[module]), encoding="utf-8")
        return partial(speaker.ask, str(directory / module))

    return write


@pytest.fixture(scope="module")
def speakers() -> Iterator[dict[str, toolchains.Speaker]]:
    with ExitStack() as stack:
        yield {name: stack.enter_context(start()) for name, start in SPEAKERS.items()}


@pytest.fixture
def targets(speakers: dict[str, toolchains.Speaker], tmp_path: Path) -> dict[str, Write]:
    return {name: written(name, speaker, tmp_path / name) for name, speaker in speakers.items()}


@pytest.fixture(params=SPEAKERS)
def writer(request: pytest.FixtureRequest, targets: dict[str, Write]) -> Write:
    return targets[request.param]


def asked_or_refused(write: Write, mission: Mission) -> Ask | None:
    """Write a mission; None where a target refuses it: for a reason that names what is not known, or is too wide."""
    try:
        return write(mission)
    except Unsupported as no:
        found = [reason for _, reason in no.items]
    assert all("this target does not" in reason or "64 is the most" in reason for reason in found)
    return None


@pytest.mark.slow
@pytest.mark.parametrize("part", range(PARTS))
def test_generated_code_answers_as_the_python_codec_does(part: int, targets: dict[str, Write]) -> None:
    report = speaking.agreement(targets, SEED, range(part, 10_000, PARTS), RECORDS, SCHEMAS // PARTS)
    assert not report.differences, report.differences[0]
    assert set(report.schemas) == set(SPEAKERS)
    assert sum(report.schemas.values()) >= SCHEMAS // PARTS, report.refused
    assert {"bytes", "refused", "record", "truncated"} <= set(report.answers)


@pytest.mark.slow
def test_standalone_python_runs_on_old_and_new_interpreters(tmp_path: Path) -> None:
    found = {version: toolchains.find_python(version) for version in ("3.8", "3.9", "3.12", "3.13")}
    print(
        "not here, so not run:",
        ", ".join(version for version, path in found.items() if path is None) or "none",
    )
    with ExitStack() as stack:
        targets = {
            version: written("python", stack.enter_context(toolchains.python(path)), tmp_path / version)
            for version, path in found.items()
            if path is not None
        }
        report = speaking.agreement(targets, SEED, range(10_000), 40, 6)
    assert not report.differences, report.differences[0]
    assert all(report.schemas[version] == 6 for version in targets)


def widths(offset: int, signed: bool) -> str:
    """Fields of every width, each at the same bit of an octet."""
    lines = [f"{{name: lead, bits: {offset}}}"] if offset else []
    for width in range(1, 65):
        lines.append(f"{{name: f{width}, bits: {width}, signed: {str(signed).lower()}}}")
        if width % 8:
            lines.append(f"{{kind: reserved, bits: {8 - width % 8}}}")
    if offset:
        lines.append(f"{{kind: reserved, bits: {8 - offset}}}")
    fields = "\n".join(f"      - {line}" for line in lines)
    return f"mission: widths\nframes:\n  all:\n    fields:\n{fields}\n"


@pytest.mark.parametrize("signed", [False, True], ids=["unsigned", "signed"])
@pytest.mark.parametrize("offset", range(8))
def test_every_width_is_exact_at_every_bit(offset: int, signed: bool, writer: speaking.Write) -> None:
    mission = packetkit.parse(widths(offset, signed))
    frame, chance = mission.frame(), Random(offset)
    limits = {slot.path[0]: slot.raw_limits for slot in frame.layout.slots if slot.is_value}
    choices = (
        lambda low, high: low,
        lambda low, high: high,
        lambda low, high: low + (high - low) // 2 + 1,
        chance.randint,
    )
    records = [{name: pick(*ends) for name, ends in limits.items()} for pick in choices]
    records.append({name: high + 1 for name, (_, high) in limits.items()})
    ask = writer(mission)
    questions: list[Question] = [("encode", "all", record) for record in records]
    answers = spoken.answers(frame, questions)
    questions += [("decode", "all", bytes.fromhex(one["bytes"])) for one in answers[:-1]]
    answers = spoken.answers(frame, questions)
    for question, answer, found in zip(questions, answers, ask(questions), strict=True):
        assert spoken.same(answer, found), question


@pytest.mark.parametrize("path", VECTORS, ids=lambda path: path.stem)
def test_generated_code_agrees_with_the_handmade_vectors(path: Path, writer: speaking.Write) -> None:
    vector = json.loads(path.read_text("utf-8"))
    mission = packetkit.parse("\n".join(vector["schema"]))
    ask = asked_or_refused(writer, mission)
    if ask is None:
        return
    frame = mission.frame(vector.get("frame"))
    questions: list[Question] = []
    for case in vector["cases"]:
        if "values" in case:
            questions.append(("encode", frame.name, spoken.common(case["values"])))
        if "bytes" in case:
            questions.append(("decode", frame.name, bytes.fromhex(case["bytes"])))
            questions.append(("detail", frame.name, bytes.fromhex(case["bytes"])))
    for question, answer, found in zip(
        questions, spoken.answers(frame, questions), ask(questions), strict=True
    ):
        assert spoken.same(answer, found), question


def test_every_check_of_the_catalogue_gives_its_check_value(writer: speaking.Write) -> None:
    # Source of each value: the catalogue's own column, over the nine characters "123456789".
    found = list(catalog.ALGORITHMS.values())
    frames = [
        f"  f{at}:\n    told_by: outside\n    last_byte: zero_filled\n    fields:\n      - {{name: text, repeat: 9, bits: 8}}\n"
        f"      - {{name: check, kind: check, algorithm: {one.name}}}\n"
        for at, one in enumerate(found)
    ]
    mission = packetkit.parse("mission: checks\nframes:\n" + "".join(frames))
    ask = writer(mission)
    encoded = ask([("encode", f"f{at}", {"text": list(b"123456789")}) for at in range(len(found))])
    for one, answer in zip(found, encoded, strict=True):
        sent = bytes.fromhex(answer["bytes"])[9:]
        assert int.from_bytes(sent, "big") >> (len(sent) * 8 - one.width) == one.check, one.name
    assert len(found) > 100


# Source: IEEE 754-2019, tables of the binary16, binary32 and binary64 formats: largest, smallest normal, smallest subnormal, one.
IEEE = [
    *[
        (16, code, value)
        for code, value in ((0x7BFF, 65504.0), (0x0400, 2.0**-14), (0x0001, 2.0**-24), (0x3C00, 1.0))
    ],
    *[
        (32, code, value)
        for code, value in ((0x7F7FFFFF, (2 - 2.0**-23) * 2.0**127), (0x00800000, 2.0**-126), (1, 2.0**-149))
    ],
    *[
        (64, code, value)
        for code, value in ((0x7FEFFFFFFFFFFFFF, sys.float_info.max), (1 << 52, 2.0**-1022), (1, 5e-324))
    ],
]


@pytest.mark.parametrize(("bits", "code", "value"), IEEE)
def test_the_ends_of_the_ieee_formats_are_exact_both_ways(
    bits: int, code: int, value: float, writer: speaking.Write
) -> None:
    mission = packetkit.parse(
        f"mission: real\nframes:\n  all:\n    fields:\n      - {{name: x, kind: float, bits: {bits}}}\n"
    )
    data = code.to_bytes(bits // 8, "big")
    asked: list[Question] = [("encode", "all", {"x": value}), ("decode", "all", data)]
    encoded, decoded = writer(mission)(asked)
    assert encoded == {"bytes": data.hex()} and decoded == {"record": {"x": value}}


# Products of more than 53 bits over a power of two: every rounding, and ties among them.
TIES = """
mission: ties
frames:
  all:
    fields:
      - {name: a, bits: 36, scale: 1048577/4}
      - {name: b, bits: 40, signed: true, scale: -2097153/8, offset: 1/16}
      - {name: c, bits: 52, scale: 33/1024, offset: -7}
"""


def test_values_of_more_than_53_bits_are_rounded_once_ties_to_even(writer: speaking.Write) -> None:
    mission = packetkit.parse(TIES)
    frame, chance = mission.frame(), Random(5)
    data = [frame.encode({name: {"raw": chance.getrandbits(35)} for name in "abc"}) for _ in range(300)]
    found = writer(mission)([("decode", "all", one) for one in data])
    for one, answer in zip(data, found, strict=True):
        raw = frame.decode(one, detail=True)
        for name, scale, offset in (
            ("a", Fraction(1048577, 4), 0),
            ("b", Fraction(-2097153, 8), Fraction(1, 16)),
        ):
            exact = raw[name]["raw"] * scale + offset
            assert (
                answer["record"][name] == exact.numerator / exact.denominator
            )  # CPython divides integers correctly rounded


# Texts, a measured part, variants, what is there when bytes remain, a bundle, a time whose weeks began anew.
PARTS_OF_ALL_SORTS = """
mission: sorts
frames:
  all:
    fields:
      - {name: form, kind: tag, bits: 8, code: [1, 2]}
      - {name: size, kind: length, bits: 8, measures: note, less: 1}
      - {name: note, group: [{name: words, kind: text, length: rest}]}
      - {name: call, kind: text, length: 6, fill: " "}
      - {name: check, kind: check, algorithm: {width: 4, polynomial: 3, initial: 0}}
      - {name: spare, bits: 4}
      - name: body
        told_by: [form]
        variants:
          - {name: near, when: {form: 1}, group: [{name: level, bits: 8}]}
          - {name: far, when: {form: 2}, group: [{name: level, bits: 16}]}
      - {name: depth, bits: 8, bundle: {samples: 4, maximum_step: 3}}
      - {kind: reserved, up_to: byte}
      - name: stamp
        kind: time
        counts: {weeks: 10, seconds: 22}
        epoch: 1980-01-06T00:00:00Z
        reference_date: 2019-04-07T00:00:00Z
        leap_seconds: counted
      - {name: more, bits: 8, present_when: bytes_remain}
"""

# -- both ways: each of these changes must be seen -------------------------------------------------

BUGS = (
    ("javascript", "return Math.floor(a / b) || 0;", "return Math.round(a / b) || 0;"),
    (
        "javascript",
        "if (order > 0 || (!order && half % 2)) { half += 1; }",
        "if (order > 0) { half += 1; }",
    ),
    ("javascript", "&& places.length - i !== 32", ""),
    ("javascript", "above = plus(times(2, minus(", "above = (times(2, minus("),
    (
        "javascript",
        "return slot.signed && compare(code, SIZES[bits - 1]) >= 0",
        "return slot.signed && compare(code, SIZES[bits - 1]) > 0",
    ),
    ("javascript", "if (outcome.clamped && slot.raises !== undefined)", "if (slot.raises === undefined)"),
    ("javascript", "return {value: null, reason: 'unassigned'};", "return {value: linear(slot, raw)};"),
    ("python", "+ step) // (2 * step))", ") // (2 * step))"),
    ("python", "return exact if denominator == 1 else exact / denominator + 0.0", "return exact"),
    ("python", "joined | part << length if least", "joined if least"),
    ("python", "if state.raised and not leaf.raw:", "if not state.raised and leaf.raw:"),
    ("python", "register >>= wide - bits", "register >>= 0"),
    ("python", 'while "fill" in joined and held', "while joined and held"),
    ("python", '(_number_in(leaf.slot, leaf.raw) + limit.node["less"])', "_number_in(leaf.slot, leaf.raw)"),
    ("python", 'for branch in node["branches"]:', 'for branch in node["branches"][1:]:'),
    ("python", "- at > 0)", "- at >= 0)"),
    ("python", "first += step\n            yield", "yield"),
    ("python", "return -(-behind // _period(clock))", "return (behind // _period(clock))"),
    ("javascript", "last > 63 ?", "last < 0 ?"),
    ("javascript", "settled && leaf.bits === needed[leaf.order]", "settled"),
    ("javascript", "codes: node.ends[1], present: isLast", "codes: node.ends[1], present: true"),
    (
        "javascript",
        "return !count || !this.isEnded(node, within);",
        "return !count || !this.isEnded(node, within) && count < 2;",
    ),
    (
        "javascript",
        "return scope ? scope.listed[number].reduce(",
        "return scope ? scope.listed[number].slice(1).reduce(",
    ),
    ("javascript", "leaf.slot.check.least_first ? made : made.reverse()", "made"),
    ("javascript", "codeOfTeller(leaf, check.initial)", "0"),
    ("javascript", "check.zero_as_ones && !compare(value, 0)", "check.zero_as_ones"),
    ("javascript", "count = Math.min(count, node.most)", "count += 0"),
    ("javascript", "if (rule) { size = plus(", "if (!rule) { size = plus("),
    (
        "javascript",
        "joinedParts(parts.reverse(), 256);\n}\n\nfunction sizedLimits",
        "rest;\n}\n\nfunction sizedLimits",
    ),
    ("javascript", "months: date.getUTCMonth() + 1", "months: date.getUTCMonth()"),
    ("python", "offset + (((raw >> bits) - low) << bits)", "offset"),
    ("python", "(days - 1 if is_of_year else 0)", "(days if is_of_year else 0)"),
    ("python", "else joined << bits | code", "else joined << bits"),
    ("python", "code = len(frame)\n", "code = 0\n"),
    ("python", '"recovered" if leaf.known else "not known"', '"recovered"'),
    ("python", 'count = min(count, node["most"]) if', "count = count if"),
    ("python", "size += 8 * octets", "size += 0 * octets"),
    ("python", "number -= 1 << 7 * len(octets)", "number -= 0"),
    ("python", '= node["ends"][1], number == len(value) - 1', '= node["ends"][1], True'),
    ("python", 'sum(bin(leaf.raw).count("1")', "sum(leaf.bits"),
    (
        "python",
        'if "inside" in node and not scope.knows(node["by"]):\n            return False',
        "if False:\n            return False",
    ),
)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "right", "wrong"), BUGS, ids=range(len(BUGS)))
def test_a_broken_reader_is_seen(
    name: str, right: str, wrong: str, speakers: dict[str, toolchains.Speaker], tmp_path: Path
) -> None:
    met = []  # a section that a mission does not need is not in its file

    def broken(text: str) -> str:
        met.append(right in text)
        return text.replace(right, wrong)

    write = written(name, speakers[name], tmp_path, broken)

    def found() -> Iterator[object]:
        more = (PARTS_OF_ALL_SORTS,) if name == "python" else ()
        for text in (*more, PARTS_THAT_GO_ON, FED_CHECKS, SIZED_AND_DATED, TIES, widths(3, True)):
            mission = packetkit.parse(text)
            yield from speaking.differences(mission.frame(), {name: write(mission)}, Random(3), 40)
        for number in range(100):
            yield from speaking.agreement({name: write}, SEED, [number], 40).differences

    assert next(found(), None) and any(met)
