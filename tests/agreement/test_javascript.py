"""What is particular about generated JavaScript: decimal strings, refusals, syntax, the payload codec, the main loop, pages.

That its answers are the Python codec's is held in test_values_in_targets.py.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from random import Random
from typing import Any

import pytest

import packetkit
from packetkit import toolchains
from packetkit.cli.main import main
from packetkit.conformance import spoken
from packetkit.fuzz import speaking
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission
from packetkit.resources import resource
from packetkit.targets import javascript, javascript_runtime, rows
from tests.senders import left

SEED = 4032


def dossier(mission: Mission) -> Dossier:
    return Dossier(mission.name, mission.fingerprint, "", "", mission.outside)


def written(mission: Mission, directory: Path, edit: Callable[[str], str] = str) -> Path:
    """Write a mission's files; return the module's path. edit: what becomes of the module's text."""
    directory.mkdir(parents=True, exist_ok=True)
    for name, text in javascript.write(mission.layouts, dossier(mission)).items():
        (directory / name).write_text(edit(text) if name == f"{mission.name}.js" else text, encoding="utf-8")
    return directory / f"{mission.name}.js"


@pytest.fixture(scope="module")
def node() -> Iterator[toolchains.Speaker]:
    with toolchains.javascript() as speaker:
        yield speaker


@pytest.fixture
def writer(node: toolchains.Speaker, tmp_path: Path) -> speaking.Write:
    places = (tmp_path / str(number) for number in range(10_000))

    def write(mission: Mission) -> speaking.Ask:
        path = str(written(mission, next(places)))
        return lambda questions: node.ask(path, questions)

    return write


def is_refused(mission: Mission) -> bool:
    """Whether JavaScript cannot express a mission: for a reason that names what is not known, or is too wide."""
    found = [
        reason
        for layout in mission.layouts.values()
        for _, reason in rows.refusals(layout, rows=javascript.ROWS)
    ]
    assert all("this target does not" in reason or "64 is the most" in reason for reason in found)
    return bool(found)


def run_node(script: str, *arguments: str) -> str:
    """Return what a script writes to standard output."""
    command = ["node", "--expose-internals", "-e", script, *arguments]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout


# -- values and errors -----------------------------------------------------------------------------


def test_whole_numbers_beyond_2_to_the_53_are_decimal_strings_and_others_are_numbers(
    writer: speaking.Write,
) -> None:
    text = """
    mission: wide
    frames:
      all:
        fields:
          - {name: a, bits: 64}
          - {name: b, bits: 53}
          - {name: c, bits: 54, signed: true}
          - {name: d, bits: 40, scale: 65536}
          - {name: e, bits: 54, signed: true, scale: 0.5}
          - {kind: reserved, up_to: byte}
    """
    mission = packetkit.parse(text)
    ask = writer(mission)
    (found,) = ask(
        [("decode", "all", mission.frame().encode({"a": 1, "b": 2**53 - 1, "c": -1, "d": 65536, "e": 0.5}))]
    )
    assert found == {"record": {"a": "1", "b": 2**53 - 1, "c": "-1", "d": "65536", "e": 0.5}}


def test_octets_are_hexadecimal_text_and_a_variant_says_its_tag(writer: speaking.Write) -> None:
    text = """
    mission: forms
    frames:
      all:
        fields:
          - {name: tag, kind: tag, bits: 8, code: [1, 2]}
          - name: body
            told_by: [tag]
            variants:
              - {name: one, when: {tag: 1}, group: [{name: a, bits: 8}]}
              - {name: two, when: {tag: 2}, group: [{name: key, kind: bytes, length: rest}]}
    """
    ask = writer(packetkit.parse(text))
    records: list[spoken.Question] = [
        ("encode", "all", {"body": {"two": {"key": key}}}) for key in (b"\x00\xff", "00FF", "00f")
    ]
    octets, digits, odd = ask(records)
    assert octets == digits == {"bytes": "0200ff"} and odd == {"refused": [["body.two.key", "wrong-type"]]}
    (found,) = ask([("decode", "all", bytes.fromhex("0200ff"))])
    assert found == {"record": {"tag": 2, "body": {"two": {"key": "00ff"}}}}


def test_no_two_sections_of_the_reader_declare_one_name() -> None:
    found = Counter(
        name
        for section in javascript_runtime.SECTIONS
        for name in re.findall(r"^(?:function|var) (\w+)", section, re.MULTILINE)
    )
    assert found["wideCrc"] == found["SIZES"] == 1
    assert not [name for name, count in found.items() if count > 1]


LONG_CHECKS = """
mission: long-check
frames:
  all:
    last_byte: zero_filled
    fields:
      - {name: depth, bits: 13}
      - {name: station, kind: supplied, bits: 60}
      - {name: check, kind: check, algorithm: {width: 82, polynomial: 0x0308c0111011401440411, initial: 5, reflect_in: IN, reflect_out: OUT,
          final_xor: 0x3000000000000000000ff}, covers: COVERED, mixed_with: station}
"""


@pytest.mark.parametrize("turned", ["false", "true"])
@pytest.mark.parametrize("covered", ["depth, fill: zero", "whole_frame, self: ones, fill: zero"])
def test_a_check_of_more_than_64_bits_is_the_codecs(
    turned: str, covered: str, writer: speaking.Write
) -> None:
    text = LONG_CHECKS.replace("IN", turned).replace("OUT", "true").replace("COVERED", covered)
    mission = packetkit.parse(text)
    report = speaking.Report()
    found = speaking.differences(mission.frame(), {"javascript": writer(mission)}, Random(82), 30, report)
    assert not list(found)
    assert {"record", "check failed"} <= set(report.answers)


# -- what is refused -------------------------------------------------------------------------------


def test_an_attribute_that_the_target_does_not_know_is_refused_by_field(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from dataclasses import dataclass, replace

    from packetkit.layout.model import Run
    from packetkit.layout.slots import Slot

    @dataclass(frozen=True)
    class Later(Slot):
        turned_inside_out: bool = False

    layout = packetkit.parse("mission: m\nframes:\n  f:\n    fields:\n      - {name: a, bits: 8}\n").layouts[
        "f"
    ]
    (run,) = layout.nodes
    assert isinstance(run, Run)
    values = {name: getattr(run.slots[0], name) for name in Slot.__slots__}
    known = {**rows.BASE.attributes, Later: rows.BASE.attributes[Slot]}
    monkeypatch.setattr(rows, "BASE", replace(rows.BASE, attributes=known))

    def refused(slot: Slot) -> list[tuple[str, str]]:
        return list(rows.refusals(replace(layout, slots=(slot,), nodes=(replace(run, slots=(slot,)),))))

    assert not refused(Later(**values))
    inside_out = Later(**values, turned_inside_out=True)
    assert refused(inside_out) == [("a", "this target does not know turned inside out yet")]


# -- the files -------------------------------------------------------------------------------------

_SYNTAX = """
const {parse} = require('internal/deps/acorn/acorn/dist/acorn');
const text = require('fs').readFileSync(process.argv[1], 'utf8');
parse(text, {ecmaVersion: Number(process.argv[2])});
process.stdout.write(String(/BigInt|[0-9]n\\b/.test(text)));
"""


@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
def test_the_module_is_es2017_and_the_payload_codec_es5_below_40_kb(name: str, tmp_path: Path) -> None:
    mission = packetkit.parse(resource(f"schemas/{name}.yaml").read_bytes())
    module = written(mission, tmp_path)
    codec = tmp_path / f"{name}_payload_codec.js"
    assert run_node(_SYNTAX, str(module), "2017") == "false"
    assert run_node(_SYNTAX, str(codec), "5") == "false"
    assert codec.stat().st_size < 40_000
    with pytest.raises(subprocess.CalledProcessError):
        run_node(_SYNTAX, str(module), "5")


# A server's engine may have no more than ES5.1: what came later is taken away before the codec runs.
_UPLINK = """
const vm = require('vm');
const {codec, inputs} = JSON.parse(process.argv[1]);
const later = ['BigInt', 'Map', 'Set', 'Symbol', 'Promise', 'Proxy', 'Reflect', 'DataView', 'ArrayBuffer', 'Uint8Array', 'Float64Array'];
const context = vm.createContext({});
vm.runInContext(later.map((name) => `delete globalThis.${name};`).join('') +
  "for (const name of ['fround', 'imul', 'clz32', 'trunc', 'sign', 'log2']) { delete Math[name]; }", context);
vm.runInContext(require('fs').readFileSync(codec, 'utf8'), context);
const said = (key, value) => Object.is(value, -0) ? {Double: '-0.0'} : value;
process.stdout.write(JSON.stringify(inputs.map(([call, input]) => context[call](input)), said));
"""


def codec_answers(mission: Mission, directory: Path, inputs: Sequence[tuple[str, Any]]) -> list[Any]:
    written(mission, directory)
    codec = str(directory / f"{mission.name}_payload_codec.js")
    made: list[Any] = json.loads(run_node(_UPLINK, json.dumps({"codec": codec, "inputs": inputs})))
    return made


def test_the_payload_codec_decodes_encodes_and_warns(tmp_path: Path) -> None:
    mission = packetkit.parse(resource("schemas/heron.yaml").read_bytes())
    record = {
        "sequence": 5,
        "uptime": 60,
        "has_fix": False,
        "fix": None,
        "readings": [{"field_x": None, "field_y": 1.5, "field_z": 2}],
    }
    data = mission.frame("survey").encode(record)
    back = {**record, "readings": [{"field_x": None, "field_y": 1.5, "field_z": 2}]}
    up, down, cut, unknown, faulty = codec_answers(
        mission,
        tmp_path,
        [
            ("decodeUplink", {"bytes": list(data), "fPort": 1}),
            ("encodeDownlink", {"data": {"frame": "survey", "values": record}}),
            ("decodeDownlink", {"bytes": list(data[:-1] + b"\0"), "fPort": 1}),
            ("decodeUplink", {"bytes": [1, 2, 3], "fPort": 1}),
            ("encodeDownlink", {"data": {"frame": "survey", "values": {**record, "sequence": 4096}}}),
        ],
    )
    assert up == {
        "data": {"frame": "survey", "values": back},
        "warnings": ["readings[0].field_x: missing"],
        "errors": [],
    }
    assert down == {"bytes": list(data), "fPort": 1, "warnings": [], "errors": []}
    assert [one.split(":")[0] for one in (*cut["errors"], *unknown["errors"])] == ["check failed", "unknown"]
    assert faulty["errors"] == ["sequence: 4096 cannot be sent; the field holds 0 to 4095"]


@pytest.mark.slow
@pytest.mark.parametrize("number", range(10))
def test_the_payload_codec_gives_the_values_of_the_python_codec(number: int, tmp_path: Path) -> None:
    from collections import Counter

    from packetkit.conformance import draw
    from packetkit.fuzz.campaign import loaded, schema_seed

    chance = schema_seed(SEED, number)
    mission = loaded(chance, Counter(), parts=False)[1]
    while is_refused(mission):
        mission = loaded(chance, Counter(), parts=False)[1]
    inputs, expected = [], []
    ports = {
        name: port
        for port, name in enumerate((name for name in mission.layouts if name in mission.outside), 1)
    }
    for frame in mission.frames.values():
        for _ in range(30):
            record = spoken.common(draw.record(frame.layout, chance))
            (encoded,) = spoken.answers(frame, [("encode", frame.name, record)])
            if "bytes" not in encoded:
                continue
            data = bytes.fromhex(encoded["bytes"])
            inputs.append(("decodeUplink", {"bytes": list(data), "fPort": ports.get(frame.name, 99)}))
            expected.append({"frame": frame.name, "values": frame.decode(data)})
    module = written(mission, tmp_path)
    if not (tmp_path / f"{mission.name}_payload_codec.js").exists():
        # Too long for servers, which the module says.
        assert "There is no payload codec beside it" in module.read_text(encoding="utf-8")
        return
    found = codec_answers(mission, tmp_path, inputs)
    for right, one in zip(expected, found, strict=True):
        assert spoken.same(right, one.get("data")), one


@pytest.mark.parametrize("name", ["first-light", "plover", "heron"])
def test_the_main_loop_sends_frames_that_python_decodes(name: str, tmp_path: Path) -> None:
    mission = packetkit.parse(resource(f"schemas/{name}.yaml").read_bytes())
    written(mission, tmp_path)
    main = tmp_path / f"{name}_main.js"
    text = main.read_text("utf-8")
    assert text.count("---- YOURS,") == 2
    main.write_text(text.replace("const CADENCE_MS = ", "const CADENCE_MS = 1 || "), encoding="utf-8")
    done = subprocess.run(["node", str(main), "3"], capture_output=True, text=True, check=True)
    frames = [mission.decode(bytes.fromhex(line)) for line in done.stdout.split()]
    counter = "counter" if name == "first-light" else "sequence"
    assert [record[counter] for _, record in frames] == [0, 1, 2]
    assert [line.split(" ", 1)[1].split(":")[0] for line in done.stderr.splitlines()] == [
        "frame 0",
        "frame 1",
        "frame 2",
    ]


@pytest.mark.parametrize(
    ("how", "words"), [("closed", "stopped: the output is closed"), ("interrupted", "stopped")]
)
def test_the_main_loop_ends_where_nobody_takes_its_frames_or_it_is_interrupted(
    how: str, words: str, tmp_path: Path
) -> None:
    written(packetkit.parse(resource("schemas/first-light.yaml").read_bytes()), tmp_path)
    main = tmp_path / "first-light_main.js"
    text = main.read_text("utf-8")
    main.write_text(text.replace("const CADENCE_MS = ", "const CADENCE_MS = 50 || "), encoding="utf-8")
    status, log = left(["node", str(main)], how)
    assert status == 0 and log.splitlines()[-1].split(" ", 1)[1] == words and "at " not in log


def test_a_page_gets_the_mission_as_a_global_by_its_name(tmp_path: Path) -> None:
    mission = packetkit.parse(resource("schemas/first-light.yaml").read_bytes())
    script = """
    const vm = require('vm');
    const page = {Uint8Array, ArrayBuffer};
    page.self = page;
    vm.runInNewContext(require('fs').readFileSync(process.argv[1], 'utf8'), page);
    const frame = page.firstLight.frames.beacon;
    const bytes = frame.encode({counter: 7, temperature: -12.3, cell_voltage: 3.72});
    process.stdout.write(JSON.stringify([Array.from(bytes), page.firstLight.decode(bytes), frame.decodeFrom([...bytes, 1, 2])]));
    """
    data, found, part = json.loads(run_node(script, str(written(mission, tmp_path))))
    record = {"counter": 7, "temperature": -12.3, "cell_voltage": 3.72}
    assert bytes(data) == mission.frame().encode(record)
    assert found == {"frame": "beacon", "record": record} and part == {"record": record, "used": len(data)}


# A layout made by hand, in a process that never loads a schema.
_BY_HAND = """
import sys
from packetkit.layout.model import Layout, Run
from packetkit.layout.slots import Linear, Packing, Range, Slot
from packetkit.targets import javascript

class Dossier:
    mission, fingerprint, schema_path, vectors, outside = "by-hand", "1-0", "", "", frozenset()

slot = Slot(0, ("t",), "t", "number", 0, 8, transform=Linear(1, -400, 10), legal=(Range(0, 255),))
run = Run(0, 0, 0, 8, Packing.MOST, (slot,))
layout = Layout("f", (run,), (slot,), (), 8, 8, 8, False, "1-1")
files = javascript.write({"f": layout}, Dossier())
assert not [name for name in sys.modules if name.startswith(("packetkit.schema.load", "packetkit.mission"))]
sys.stdout.write(files["by-hand.js"])
"""


def test_a_layout_made_by_hand_becomes_javascript(tmp_path: Path) -> None:
    done = subprocess.run([sys.executable, "-c", _BY_HAND], capture_output=True, text=True, check=True)
    path = tmp_path / "by-hand.js"
    path.write_text(done.stdout, encoding="utf-8")
    script = "process.stdout.write(String(require(process.argv[1]).frames.f.encode({t: -32.3})))"
    assert run_node(script, str(path)) == "77"  # -32.3 is 7.7 above -40: 77 steps of 0.1


# -- the commands that hold it to the codec --------------------------------------------------------

SMALL = """mission: small-one
frames:
  beacon:
    fields:
      - {name: sequence, bits: 8, role: sequence}
      - {name: field_x, bits: 12, signed: true, scale: 1/16, unit: uT}
      - {name: far, bits: 60}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
  note:
    fields:
      - {name: tag, kind: tag, bits: 8, code: [250, 251]}
      - {name: held, kind: count, bits: 8, maximum: 3}
      - {name: list, repeat: {count: held}, bits: 8}
"""


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "small.yaml").write_text(SMALL, encoding="utf-8")


@pytest.mark.slow
@pytest.mark.usefixtures("small")
def test_fuzz_and_vectors_hold_javascript_and_python_to_the_codec(capsys: pytest.CaptureFixture[str]) -> None:
    targets = ["--targets", "javascript,python"]
    assert main(["fuzz", "small.yaml", "--examples", "40", "--seed", "1", *targets]) == 0
    told = capsys.readouterr().out
    assert "javascript = codec, on raw codes and values" in told and "python = codec, on raw" in told
    assert main(["vectors", "small.yaml", *targets]) == 0
    assert "vectors agree with the codec, javascript, python." in capsys.readouterr().out


@pytest.mark.slow
@pytest.mark.usefixtures("small")
@pytest.mark.parametrize(
    ("right", "wrong", "what"),
    [
        ("{ return down || 0; }", "{ return scale[2] > 1 ? 3 : down; }", "javascript = codec, on values"),
        ("minus(code, SIZES[bits])", "code", "javascript = codec, on raw codes"),
    ],
)
def test_fuzz_names_a_mistake_in_javascript_and_saves_it(
    right: str, wrong: str, what: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    sections = tuple(section.replace(right, wrong) for section in javascript_runtime.SECTIONS)
    assert sections != javascript_runtime.SECTIONS
    monkeypatch.setattr(javascript_runtime, "SECTIONS", sections)
    arguments = ["fuzz", "small.yaml", "--frame", "beacon", "--examples", "60", "--seed", "1"]
    assert main([*arguments, "--targets", "javascript"]) == 1
    told = capsys.readouterr().out
    assert f"Not so: {what}" in told and "Does not hold: beacon." in told
    saved = json.loads(Path("found-small-one-beacon-1.json").read_text(encoding="utf-8"))
    assert saved["frame"] == "beacon" and saved["cases"]
