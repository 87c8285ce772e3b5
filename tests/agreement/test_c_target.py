"""Generated C against the codec: random schemas under the sanitizers, every width at every bit offset, refusals, compilers."""

from __future__ import annotations

import subprocess
from collections import Counter
from collections.abc import Callable, Mapping
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import boot, faults
from packetkit.conformance.batch import Question
from packetkit.errors import TargetError, UnknownFrame, Unsupported
from packetkit.fuzz import raw
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.layout.model import Layout, Run
from packetkit.layout.number import to_raw
from packetkit.layout.slots import Packing, Slot
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.resources import resource
from packetkit.targets import TARGETS, c
from packetkit.targets.c import scale
from packetkit.targets.c.frame import FrameCode
from packetkit.targets.c.frame import Mission as CodeMission
from packetkit.toolchains import STRICT

SEED, SCHEMAS, RECORDS = 4031, 24, 200


def dossier(name: str, mission: Mission, *options: str) -> Dossier:
    return Dossier(name, mission.fingerprint, "a.yaml", "", mission.outside, frozenset(options))


def drawn(first: int, count: int) -> list[Mission]:
    """The first so many random missions, from a number on, that C can express."""
    made: list[Mission] = []
    for at in range(first, first + 10 * count):
        _, mission = loaded(schema_seed(SEED, at), Counter())
        try:
            c.write(mission.layouts, dossier("m", mission))
        except Unsupported:
            continue
        made.append(mission)
        if len(made) == count:
            return made
    raise AssertionError(f"of {10 * count} random schemas C can express {len(made)}")


def partings(missions: list[Mission], directory: Path, records: int, options: str) -> list[str]:
    """What a program of all these missions answers otherwise than the codec."""
    named = [(one.layouts, dossier(f"m{at}", one, *options.split())) for at, one in enumerate(missions)]
    found, number = [], 0
    with toolchains.c_process(named, str(directory)) as process:
        for layouts, of in named:
            for layout in layouts.values():
                held = raw.Held(layout, Frame(layout), number)
                subjects = list(raw.subjects(layout, held.frame, Random(number), records))
                for one in raw.partings(held, process.ask, subjects):
                    found.append(
                        f"{of.mission} {layout.name}\n{layout}\n{raw.smallest(held, process.ask, one)}"
                    )
                    break
                number += 1
    return found


@pytest.mark.slow
@pytest.mark.parametrize(("part", "options"), [(0, ""), (1, "fast_checks"), (2, "small small_checks")])
def test_random_schemas_give_c_that_answers_as_the_codec_does(
    part: int, options: str, tmp_path: Path
) -> None:
    missions = drawn(1000 * part, SCHEMAS // 3)
    found = partings(missions, tmp_path, RECORDS, options)
    assert not found, "\n".join(found)


# -- every width at every place, from layouts made by hand ---------------------------------------------------------


def ladder(offset: int, packing: Packing, signed: bool) -> Layout:
    """A frame with a field of each width from 1 to 64, each so many bits into an octet, reserved bits between them."""
    slots: list[Slot] = []
    at = 0
    for width in range(1, 65):
        for kind, bits in (("reserved", (offset - at) % 8), ("number", width)):
            if bits:
                name = f"{kind}_{width}"
                slots.append(
                    Slot(len(slots), (name,), name, kind, at, bits, signed=signed and kind == "number")
                )
                at += bits
    rest = -at % (packing.word_bits or 8)
    if rest:
        slots.append(Slot(len(slots), ("rest",), "rest", "reserved", at, rest))
    size = at + rest
    run = Run(0, 0, 0, size, packing, tuple(slots))
    return Layout(f"l{offset}", (run,), tuple(slots), (), size, size, size, False, "1-0000000000000000")


def by_hand(layout: Layout, codes: Mapping[int, int]) -> bytes:
    """The frame as a string of bits, written down one after another."""
    (run,) = layout.nodes
    assert isinstance(run, Run)
    least = run.packing is Packing.LEAST
    text = ""
    for slot in run.slots:
        bits = format(codes.get(slot.number, 0) & ((1 << slot.width) - 1), f"0{slot.width}b")
        text += bits[::-1] if least else bits
    octets = [text[at : at + 8][:: -1 if least else 1] for at in range(0, len(text), 8)]
    data = bytes(int(octet, 2) for octet in octets)
    size = (run.packing.word_bits or 8) // 8
    return b"".join(data[at : at + size][::-1] for at in range(0, len(data), size))


PACKINGS = (Packing.MOST, Packing.LEAST, Packing.WORD_32)


@pytest.mark.parametrize(
    ("packing", "options"),
    [*((packing, "") for packing in PACKINGS), (Packing.MOST, "small"), (Packing.LEAST, "small")],
    ids=lambda one: one.name if isinstance(one, Packing) else one or "straight",
)
def test_every_width_at_every_bit_offset_is_where_a_string_of_bits_has_it(
    packing: Packing, options: str, tmp_path: Path
) -> None:
    ladders = {
        f"l{offset}_{signed:d}": ladder(offset, packing, signed)
        for offset in (range(8) if packing is Packing.MOST else (0, 3, 6))
        for signed in ((False, True) if packing is Packing.MOST else (offset == 3,))
    }
    named = [
        ({f"l{at}": one}, Dossier(name, "1-0", "", "", options=frozenset(options.split())))
        for at, (name, one) in enumerate(ladders.items())
    ]
    chance, questions = Random(5), []
    wanted: list[tuple[bytes, tuple[int, ...], list[bool]]] = []
    for number, layout in enumerate(ladders.values()):
        fields = [slot for slot in layout.slots if slot.kind == "number"]
        for turn in range(6):
            codes = {}
            for slot in fields:
                low, high = slot.raw_limits
                edges = (low, high, -1 if slot.signed else 1, 0)
                codes[slot.number] = edges[turn] if turn < 4 else chance.randint(low, high)
            row, frame = tuple(codes[slot.number] for slot in fields), by_hand(layout, codes)
            questions += [Question(number, row), Question(number, frame)]
            wanted.append((frame, row, [slot.signed for slot in fields]))
    with toolchains.c_process(named, str(tmp_path), toolchains.UNDEFINED) as process:
        answers = process.ask(questions)
    assert all(answer.status == "ok" for answer in answers)
    for (frame, row, signed), made, back in zip(wanted, answers[::2], answers[1::2], strict=True):
        assert made.content == frame and back.members(signed) == row


# -- what compilers say --------------------------------------------------------------------------------------------

COMPILERS = {
    "gcc": "gcc -std=c99",
    "g++": "g++ -x c++ -std=c++11",
    "clang": "clang -std=c99",
    "clang++": "clang++ -x c++ -std=c++11",
    "avr-gcc": "avr-gcc -mmcu=atmega328p -Os -std=c99",
    "arm-none-eabi-gcc": "arm-none-eabi-gcc -mcpu=cortex-m0plus -mthumb -Os -std=c99",
}


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """The examples and some random schemas as C, straight-line with small and with fast checks, and by tables."""
    place = tmp_path_factory.mktemp("strict")
    missions = [
        parse(resource(f"schemas/{name}.yaml").read_bytes()) for name in ("first-light", "heron", "plover")
    ]
    missions += drawn(100, 8)
    for at, mission in enumerate(missions):
        for name, text in c.write(
            mission.layouts,
            dossier(f"s{at}", mission, *([], ["fast_checks"], ["small", "small_checks"])[at % 3]),
        ).items():
            (place / name).write_text(text, encoding="utf-8")
    return sorted(
        path for path in place.glob("*.c") if path.stem.endswith(("_scale", "_card")) or "_" not in path.stem
    )


@pytest.mark.parametrize("compiler", COMPILERS)
def test_compilers_have_nothing_to_say(compiler: str, sources: list[Path]) -> None:
    together = sources[0].parent / "all.c"
    together.write_text("".join(f'#include "{path.name}"\n' for path in sources), encoding="utf-8")
    for extra in ((), tuple(f"-DS{at}_UNCHECKED" for at in range(len(sources)))):
        output = str(together.with_suffix(f".{compiler}.o"))
        toolchains.run(
            [*COMPILERS[compiler].split(), *STRICT, *extra, "-c", str(together), "-o", output],
            cwd=str(together.parent),
        )


# -- which frame ---------------------------------------------------------------------------------------------------

IDENTIFY = """
#include <stdio.h>
int main(void) {
    char text[1024];
    while (scanf("%1023s", text) == 1) {
        uint8_t data[512];
        size_t size = 0;
        for (; text[2 * size + 1] != 'x' && text[2 * size + 1] != 0; size++) {
            unsigned octet;
            if (sscanf(text + 1 + 2 * size, "%2x", &octet) != 1) { return 1; }
            data[size] = (uint8_t)octet;
        }
        printf("%d\\n", (int)heron_identify(data, size));
    }
    return 0;
}
"""


def test_c_takes_bytes_for_the_frame_that_the_mission_takes_them_for(tmp_path: Path) -> None:
    mission = parse(resource("schemas/heron.yaml").read_bytes())
    for name, text in c.write(mission.layouts, dossier("heron", mission)).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "main.c").write_text('#include "heron.c"\n' + IDENTIFY, encoding="utf-8")
    toolchains.run(["cc", "-std=c99", "-o", "main", "main.c"], cwd=str(tmp_path))
    chance, asked = Random(2), []
    for layout in mission.layouts.values():
        for subject in raw.subjects(layout, Frame(layout), chance, 40):
            if isinstance(subject, bytes):
                asked += [subject, faults.inject(subject, chance).data, subject[: chance.randint(0, 4)]]
    names = list(mission.layouts)

    def claimed(data: bytes) -> int:
        try:
            return names.index(mission.identify(data))
        except UnknownFrame:
            return len(names)

    expected = [claimed(data) for data in asked]
    given = "".join(f"x{data.hex()}x\n" for data in asked)
    done = subprocess.run([tmp_path / "main"], input=given, capture_output=True, text=True, check=True)
    assert [int(line) for line in done.stdout.split()] == expected
    assert set(expected) == {0, 1, 2, 3}


# -- refusals, and proof that a mistake is seen --------------------------------------------------------------------

SHEET = """
mission: sheet
frames:
  one:
    fields:
      - {name: level, bits: 12, signed: true}
      - {name: mode, bits: 4}
      - {name: pressure, bits: 17}
      - {name: kind, kind: tag, bits: 7, code: [3, 5]}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def test_a_code_that_does_not_fit_is_refused_by_its_field(tmp_path: Path) -> None:
    mission = parse(SHEET)
    layout = mission.layouts["one"]
    rows = {
        (2048, 0, 0, 3): 0,
        (-2049, 0, 0, 3): 0,
        (0, 16, 0, 3): 1,
        (0, 15, 1 << 17, 3): 2,
        (0, 0, 0, 4): 3,
    }
    with toolchains.c_process([(mission.layouts, dossier("sheet", mission))], str(tmp_path)) as process:
        answers = process.ask([Question(0, row) for row in rows])
    assert [(one.status, one.slot) for one in answers] == [("refused", slot) for slot in rows.values()]
    header = (tmp_path / "sheet.h").read_text(encoding="utf-8")
    assert (
        "SHEET_ONE_FIELD_PRESSURE," in header
        and layout.fingerprint in header
        and mission.fingerprint in header
    )


def test_an_empty_batch_has_no_answers_and_the_next_one_its_own(tmp_path: Path) -> None:
    mission = parse(SHEET)
    named = [(mission.layouts, dossier("sheet", mission))]
    with toolchains.c_process(named, str(tmp_path), toolchains.UNDEFINED) as process:
        assert process.ask([]) == []
        assert [one.status for one in process.ask([Question(0, (0, 0, 0, 3))])] == ["ok"]


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("& 0x7FFF)", "& 0x3FFF)"),
        ("(x + 0xF800)", "(x + 0xFC00)"),
        ("c = 0xFFFF;", "c = 0xFFFE;"),
        ("size > ", "size < "),
    ],
)
def test_a_mistake_in_generated_code_is_found_and_made_small(
    right: str, wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mission = parse(SHEET.replace("bits: 17", "bits: 15").replace("bits: 7, code", "bits: 9, code"))
    whole = c.write

    def broken(layouts: Mapping[str, Layout], of: Dossier) -> dict[str, str]:
        files = whole(layouts, of)
        assert right in files["sheet.c"]
        return {**files, "sheet.c": files["sheet.c"].replace(right, wrong, 1)}

    monkeypatch.setattr(c, "write", broken)
    with toolchains.c_process([(mission.layouts, dossier("sheet", mission))], str(tmp_path)) as process:
        layout = mission.layouts["one"]
        held = raw.Held(layout, Frame(layout), 0)
        subjects = list(raw.subjects(layout, held.frame, Random(1), 200))
        first = next(raw.partings(held, process.ask, subjects), None)
        assert first is not None
        small = raw.smallest(held, process.ask, first)
    assert small.expected != small.found


def test_a_frame_longer_than_the_smallest_size_counts_is_refused_by_name() -> None:
    fields = [f"      - {{name: part_{at}, kind: bytes, length: {4095 + (at > 0)}}}\n" for at in range(16)]
    mission = parse("mission: sheet\nframes:\n  one:\n    fields:\n" + "".join(fields))
    with pytest.raises(Unsupported, match="c cannot express one: a frame of up to 65,535 bytes"):
        TARGETS["c"].write(mission.layouts, dossier("sheet", mission))


def test_a_program_that_ends_early_is_told_with_what_it_said(tmp_path: Path) -> None:
    with (
        toolchains.Process(["sh", "-c", "echo gone >&2"], str(tmp_path)) as process,
        pytest.raises(TargetError, match="gone"),
    ):
        process.ask([Question(0, b"")])


# -- the unit's own line, and its main loop ------------------------------------------------------------------------

SANITIZED = list(toolchains.SANITIZED)


def example(mission: Mission, name: str, place: Path, compiler: str, *flags: str) -> Path:
    """The example of a mission, compiled."""
    for file, text in c.write(mission.layouts, dossier(name, mission)).items():
        (place / file).write_text(text, encoding="utf-8")
    prefix = name.replace("-", "_")
    files = [f"{prefix}.c", f"{prefix}_self_test.c", f"{prefix}_example.c"]
    turns = f"-D{prefix.upper()}_TURNS=3"
    toolchains.run([*compiler.split(), *STRICT, *flags, turns, "-o", "unit", *files], cwd=str(place))
    return place / "unit"


@pytest.mark.parametrize("name", ["first-light", "heron", "plover"])
def test_the_main_loop_runs_as_it_is_and_its_line_fits_the_schema(name: str, tmp_path: Path) -> None:
    mission = parse(resource(f"schemas/{name}.yaml").read_bytes())
    unit = example(mission, name, tmp_path, "cc -std=c99", *SANITIZED)
    line, *frames = subprocess.run([unit], capture_output=True, text=True, check=True).stdout.splitlines()
    assert boot.judged(mission.layouts, name, mission.fingerprint, line).agrees, line
    assert len(frames) == 3 * len(mission.layouts)
    for at, text in enumerate(frames):
        told, record = mission.decode(bytes.fromhex(text))
        assert told == list(mission.layouts)[at % len(mission.layouts)]
        counter = "counter" if name == "first-light" else "sequence"
        assert record[counter] == at // len(mission.layouts)


@pytest.mark.slow
def test_the_lines_of_units_of_random_schemas_fit_them(tmp_path: Path) -> None:
    for at, mission in enumerate(drawn(200, 6)):
        place = tmp_path / str(at)
        place.mkdir()
        unit = example(mission, f"u{at}", place, "cc -std=c99")
        line = subprocess.run([unit], capture_output=True, text=True, check=True).stdout.splitlines()[0]
        assert boot.judged(mission.layouts, f"u{at}", mission.fingerprint, line).agrees, mission.file


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("hello", "no self-test line"),
        ("plover 1-0123456789abcdef 01234567", "the unit sends plover"),
        ("heron 1-0123456789abcdef 01234567", "another version"),
        ("heron {} 01234567", "packs bits otherwise: 01234567, not"),
        ("heron {} failed", "do not fly this build"),
        ("boot: heron {} ", "no self-test line"),
    ],
)
def test_a_line_that_does_not_fit_is_told_why(line: str, words: str) -> None:
    mission = parse(resource("schemas/heron.yaml").read_bytes())
    found = boot.judged(mission.layouts, "heron", mission.fingerprint, line.format(mission.fingerprint))
    assert not found.agrees and words in found.sentence


# -- from measurements to codes ------------------------------------------------------------------------------------


def scale_program(missions: list[Mission], place: Path) -> tuple[list[tuple[Slot, int, int]], Path]:
    """A program that answers `function value` by `result code raised`; its functions' fields, parts of a unit and sizes."""
    functions: list[tuple[Slot, int, int]] = []
    includes, cases = [], []
    for at, mission in enumerate(missions):
        of = dossier(f"s{at}", mission)
        for name, text in c.write(mission.layouts, of).items():
            (place / name).write_text(text, encoding="utf-8")
        includes += [f'#include "s{at}.c"', f'#include "s{at}_scale.c"']
        for layout in mission.layouts.values():
            frame = FrameCode(layout, CodeMission(f"s{at}"))
            for slot, one in scale.scaled(frame):
                kind = (
                    f"{'' if slot.signed else 'u'}int{next(n for n in (8, 16, 32, 64) if n >= slot.width)}_t"
                )
                flag = ", &raised" if slot.raises is not None else ""
                call = f"{scale.function_name(frame, slot, one)}((int{one.size}_t)value, &code{flag})"
                shown = "(long long)code" if slot.signed else "(unsigned long long)code"
                form = "%lld" if slot.signed else "%llu"
                cases.append(
                    f"case {len(functions)}: {{ {kind} code = 0; int result = (int){call};"
                    f' printf("%d {form} %d\\n", result, {shown}, (int)raised); break; }}'
                )
                assert one.size is not None
                functions.append((slot, one.per, one.size))
    main = [
        "#include <stdio.h>",
        *includes,
        "int main(void) { int which; long long value;",
        'while (scanf("%d %lld", &which, &value) == 2) { uint8_t raised = 0; switch (which) {',
        *cases,
        "default: return 1; } } return 0; }",
    ]
    (place / "main.c").write_text("\n".join(main), encoding="utf-8")
    toolchains.run(["cc", "-std=c99", *SANITIZED, "-o", "main", "main.c"], cwd=str(place))
    return functions, place / "main"


def test_codes_of_measurements_are_those_of_python_given_the_same_fraction(
    scaled_mission: Mission, around: Callable[[Slot, int, int, Random], list[int]], tmp_path: Path
) -> None:
    missions = [scaled_mission, *drawn(300, 12)]
    functions, program = scale_program(missions, tmp_path)
    chance = Random(3)
    asked = [
        (at, n) for at, (slot, per, size) in enumerate(functions) for n in around(slot, per, size, chance)
    ]
    given = "".join(f"{at} {n}\n" for at, n in asked)
    done = subprocess.run([program], input=given, capture_output=True, text=True, check=True)
    outcomes: Counter[str] = Counter()
    for (at, n), line in zip(asked, done.stdout.splitlines(), strict=True):
        slot, per, _ = functions[at]
        wanted = to_raw(slot, Fraction(n, per))
        result, code, raised = map(int, line.split())
        if wanted.fault is not None:
            outcomes["refused"] += 1
            assert result == slot.number + 2, (slot, n, per, line)
            continue
        outcomes["clamped" if wanted.clamped else "sent"] += 1
        assert (result, code) == (0, wanted.raw), (slot, n, per, line, wanted)
        assert raised == (wanted.clamped and slot.raises is not None)
    assert len(functions) > 20 and min(outcomes.values()) > 10 and len(outcomes) == 3


def test_the_parts_of_a_unit_are_at_most_a_quarter_of_a_step(scaled_mission: Mission) -> None:
    (layout,) = scaled_mission.layouts.values()
    parts = {slot.address: one.per for slot in layout.slots if (one := scale.scale_of(slot)) is not None}
    assert (
        parts["tenth"] == 100
        and parts["third"] == 100
        and parts["coarse"] == 1
        and parts["latitude"] == 10**6
    )
    assert set(parts) == {slot.address for slot in layout.slots if slot.kind == "number"}


AHEAD = """
mission: ahead
frames:
  one:
    fields:
      - {name: tally, kind: count, bits: 3, maximum: 3}
      - name: list
        repeat: {count: tally}
        group:
          - {name: more, kind: flag}
          - {name: check, kind: check, algorithm: CRC-8/SMBUS, covers: [tail], fill: zero}
          - {name: extra, bits: 5, present_when: more}
          - {name: tail, bits: 11}
      - {kind: reserved, up_to: byte}
"""


def test_a_check_in_an_element_may_cover_what_stands_behind_it(tmp_path: Path) -> None:
    found = partings([parse(AHEAD)], tmp_path, 60, "")
    assert not found, "\n".join(found)
