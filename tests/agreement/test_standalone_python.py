"""What is particular about generated standalone Python: nothing but the standard library, Python 3.8, every type of number, the main loop.

That its answers are the codec's is held in test_values_in_targets.py, in processes; here it is loaded beside it, so that Fraction and
Decimal reach it, and int and float are told apart.
"""

from __future__ import annotations

import ast
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from random import Random
from types import ModuleType
from typing import Any

import pytest

import packetkit
from packetkit.conformance import draw, faults, spoil
from packetkit.errors import EncodeError
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.layout.model import Choice
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.resources import resource
from packetkit.targets import python, rows
from packetkit.targets.examples import example
from tests.senders import left

SHIPPED = ("first-light", "plover", "heron")


def shipped(name: str) -> Mission:
    return packetkit.parse(resource(f"schemas/{name}.yaml").read_bytes())


def files_of(mission: Mission) -> dict[str, str]:
    return python.write(mission.layouts, Dossier(mission.name, mission.fingerprint, "", "", mission.outside))


def module_of(mission: Mission) -> Any:
    made = ModuleType("generated")
    exec(compile(next(iter(files_of(mission).values())), "generated", "exec"), made.__dict__)
    return made


def answer(encode: Any, decode: Any, record: Any, chance: Random) -> list[str]:
    """All that a codec makes of a record, as text, so that types count."""
    try:
        data = encode(record)
    except EncodeError as no:
        return [str([(fault.path, fault.rule) for fault in no.faults])]
    except ValueError as no:
        return [str([(path, rule) for path, rule, _ in no.faults])]  # type: ignore[attr-defined]
    damaged = faults.inject(data, Random(chance.random())).data if data else data
    return [
        data.hex(),
        *(decoded(decode, one, detail) for one, detail in ((data, False), (data, True), (damaged, False))),
    ]


def told(mission: Mission, chance: Random) -> dict[str, str]:
    """A variant for each part that only where the bytes came from tells."""
    nodes = [node for layout in mission.layouts.values() for node in layout.walk()]
    return {
        node.address: chance.choice(node.branches).name
        for node in nodes
        if isinstance(node, Choice) and not node.told_by
    }


def decoded(decode: Any, data: bytes, detail: bool) -> str:
    try:
        return repr(decode(data, detail=detail))
    except ValueError as no:  # the codec's own and the generated file's have the same attributes
        facts: Any = no
        return f"{facts.reason} at {facts.path}, {facts.bit}"


def missions(chance: Random) -> Iterator[Mission]:
    """Random missions, one after another."""
    while True:
        yield loaded(chance, Counter())[1]


def is_refused(mission: Mission) -> bool:
    return any(
        reason
        for layout in mission.layouts.values()
        for _, reason in rows.refusals(layout, None, rows.TAUGHT)
    )


@pytest.mark.slow
@pytest.mark.parametrize("number", range(12))
def test_every_type_of_number_gives_what_it_gives_in_packetkit(number: int) -> None:
    chance = schema_seed(5031, number)
    mission = next(one for one in missions(chance) if not is_refused(one))
    generated, variants = module_of(mission), told(mission, chance)
    for frame in mission.frames.values():
        other = generated.MISSION.frames[frame.name]
        for at in range(60):
            record = draw.record(frame.layout, chance)
            record = spoil.spoilt(record, chance) if at % 8 == 7 else record
            seed = chance.random()
            expected = answer(frame.encode, partial(frame.decode, variants=variants), record, Random(seed))
            found = answer(other.encode, partial(other.decode, variants=variants), record, Random(seed))
            assert found == expected, record
        assert other.encode(example(frame.layout))


TWO_WAYS = """
mission: ways
frames:
  straight:
    fields:
      - {name: sync, kind: sync, bits: 16, code: 0xB5C3}
      - {name: number, bits: 12, signed: true, scale: 0.01, missing: -2048}
      - name: power
        group:
          - {name: volts, bits: 9, scale: 0.02, offset: 3}
          - {name: mode, bits: 2, states: {0: idle, 1: climb, 2: float}}
          - {name: ready, kind: flag}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


def test_a_plain_frame_goes_the_quick_way_and_the_general_way_gives_the_same() -> None:
    mission = packetkit.parse(TWO_WAYS)
    frame, other = mission.frames["straight"], module_of(mission).MISSION.frames["straight"]
    for number in (-20.47, -0.005, 0, 3.14, 20.47, None):
        record = {"number": number, "power": {"volts": 7.77, "mode": "float", "ready": True}}
        data = frame.encode(record)
        assert other._quick.encode(record) == data
        assert other._quick.decode(data) == frame.decode(data)
    quick, other._quick = other._quick, None
    assert other.encode(record) == data and other.decode(data) == quick.decode(data) == frame.decode(data)


@pytest.fixture(scope="module")
def straight() -> Any:
    return module_of(packetkit.parse(TWO_WAYS)).MISSION.frames["straight"]


@pytest.mark.parametrize(
    "power",
    [
        {"volts": 30, "mode": "idle", "ready": True},
        {"volts": 5, "mode": "rest", "ready": True},
        {"volts": 5, "mode": "idle", "ready": 1},
        {"volts": 5, "mode": "idle", "ready": True, "more": 1},
        {"volts": {"raw": 5}, "mode": "idle", "ready": True},
        {"volts": 5, "mode": "idle"},
        7,
    ],
)
def test_a_record_that_is_not_plain_is_left_to_the_general_way(power: Any, straight: Any) -> None:
    assert straight._quick.encode({"number": 0, "power": power}) is None


def test_a_frame_that_is_not_good_is_left_to_the_general_way(straight: Any) -> None:
    data = straight.encode({"number": 0, "power": {"volts": 5, "mode": "idle", "ready": True}})
    for at in range(len(data) * 8):
        spoilt = bytearray(data)
        spoilt[at // 8] ^= 0x80 >> at % 8
        assert straight._quick.decode(bytes(spoilt)) is None
    assert straight._quick.decode(data[:-1]) is None and straight._quick.decode(data + b"\0") is None


@pytest.mark.parametrize("name", SHIPPED)
def test_the_file_is_python_3_8_and_imports_the_standard_library_only(name: str, tmp_path: Path) -> None:
    for file, text in files_of(shipped(name)).items():
        tree = ast.parse(text, file, feature_version=(3, 8))
        imported = {
            alias.name for node in ast.walk(tree) if isinstance(node, ast.Import) for alias in node.names
        }
        imported |= {str(node.module) for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        ours = {python.module_name(name)}
        assert {one.partition(".")[0] for one in imported} - ours <= sys.stdlib_module_names
    with pytest.raises(SyntaxError):
        ast.parse("match x:\n    case 1: pass\n", feature_version=(3, 8))


def test_no_name_is_given_twice_in_the_file() -> None:
    made = Counter[str]()
    for node in ast.parse(next(iter(files_of(shipped("plover")).values()))).body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)):
            made[node.name] += 1
        elif isinstance(node, ast.Assign):
            made.update(one.id for one in node.targets if isinstance(one, ast.Name))
    assert not [name for name, count in made.items() if count > 1]


def test_a_mission_is_told_by_its_bytes_and_salvaged() -> None:
    mission = shipped("heron")
    generated = module_of(mission).MISSION
    assert generated.fingerprint == mission.fingerprint
    for frame in mission.frames.values():
        data = frame.encode(draw.record(frame.layout, Random(3)))
        assert generated.identify(data) == frame.name
        assert generated.decode(data) == mission.decode(data)
        assert generated.frames[frame.name].decode_from(b"\x5a" + data + b"\xa5", 1) == frame.decode_from(
            b"\x5a" + data + b"\xa5", 1
        )
        spoilt = data[:-1] + bytes((data[-1] ^ 1,))
        assert generated.frames[frame.name].decode(spoilt, salvage=True) == frame.decode(spoilt, salvage=True)
    with pytest.raises(ValueError, match="are none of housekeeping"):
        generated.decode(b"\1\2\3")


@pytest.mark.parametrize("name", SHIPPED)
def test_the_main_loop_sends_frames_that_packetkit_decodes(name: str, tmp_path: Path) -> None:
    mission = shipped(name)
    for file, text in files_of(mission).items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    main = tmp_path / f"{name.replace('-', '_')}_main.py"
    text = main.read_text("utf-8")
    assert text.count("---- YOURS,") == 2
    main.write_text(text.replace("time.sleep(CADENCE_S)", "time.sleep(0)"), encoding="utf-8")
    # -I: no site packages from the environment, no current directory; the file's own directory is added back.
    program = f"import sys, runpy; sys.path.insert(0, {str(tmp_path)!r}); sys.argv[1:] = ['3']; "
    program += f"runpy.run_path({str(main)!r}, run_name='__main__')"
    command = [sys.executable, "-I", "-S", "-c", program]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    frames = [mission.decode(bytes.fromhex(line)) for line in done.stdout.split()]
    counter = "counter" if name == "first-light" else "sequence"
    assert [record[counter] for _, record in frames] == [0, 1, 2]
    assert len(done.stderr.splitlines()) == 3


@pytest.mark.parametrize(
    ("how", "words"), [("closed", "stopped: the output is closed"), ("interrupted", "stopped")]
)
def test_the_main_loop_ends_where_nobody_takes_its_frames_or_it_is_interrupted(
    how: str, words: str, tmp_path: Path
) -> None:
    for file, text in files_of(shipped("first-light")).items():
        text = text.replace("time.sleep(CADENCE_S)", "time.sleep(0.05)")
        (tmp_path / file).write_text(text, encoding="utf-8")
    status, log = left([sys.executable, str(tmp_path / "first_light_main.py")], how)
    assert status == 0 and log.splitlines()[-1].split(" ", 1)[1] == words and "Error" not in log


def test_the_example_of_a_main_loop_has_the_default_of_a_field_that_has_one() -> None:
    # schemas/heron.yaml: the version of this schema is its default, 2; what a receiver is told by must not be 7, the middle code.
    mission = packetkit.load(str(resource("schemas/heron.yaml")))
    assert example(mission.layouts["housekeeping"])["schema_version"] == 2
