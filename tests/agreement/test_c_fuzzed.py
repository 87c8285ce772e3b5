"""Generated decoders under a coverage-guided fuzzer with the sanitizers: any bytes, no fault, and once through nothing moves any more."""

from __future__ import annotations

import subprocess
from collections import Counter
from collections.abc import Mapping
from pathlib import Path

import pytest

from packetkit import toolchains
from packetkit.errors import Unsupported
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.layout.model import Layout
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.resources import resource
from packetkit.targets import c

# A second or so; `tests/run campaign fuzzers` goes on for longer, over more schemas.
SEED, SCHEMAS, RUNS = 4091, 6, 60_000


def named(missions: list[Mission]) -> list[tuple[Mapping[str, Layout], Dossier]]:
    return [
        (one.layouts, Dossier(f"m{at}", one.fingerprint, "", "", one.outside))
        for at, one in enumerate(missions)
    ]


def drawn(first: int, count: int, seed: int = SEED) -> list[Mission]:
    """Random missions that C can express; every other one has parts that vary."""
    made: list[Mission] = []
    for at in range(first, first + 4 * count):
        _, mission = loaded(schema_seed(seed, at), Counter(), parts=at % 2 == 0)
        try:
            c.write(mission.layouts, Dossier("m", mission.fingerprint, "", "", mission.outside))
        except Unsupported:
            continue
        made.append(mission)
        if len(made) == count:
            break
    return made


def fuzzed(
    missions: list[Mission], place: Path, runs: int = RUNS, seed: int = 1
) -> subprocess.CompletedProcess[str]:
    """What a fuzzer ended with; its last words say what it found."""
    command = toolchains.c_fuzzer(named(missions), str(place))
    options = [f"-runs={runs}", f"-seed={seed}", "-max_len=300", "-len_control=0", "-verbosity=0"]
    return subprocess.run([*command, *options], cwd=place, capture_output=True, text=True, check=False)


# Invented: sizes that only what is read tells.
WITHIN = """
mission: within
frames:
  sheet:
    fields:
      - {name: size, kind: length, bits: 14, coding: continued_low_first, measures: body}
      - name: body
        group:
          - {name: hops, repeat: {goes_on_when: more, maximum: 5}, group: [{name: more, kind: flag}, {name: call, bits: 7}]}
          - {name: lanes_told, bits: 8}
          - {name: lanes, kind: flag, repeat: 8}
          - {name: cells, bits: 8, repeat: {count: {ones_in: lanes}}}
          - {name: head, present_when: {lanes_told: 1}, group: [{name: has_tail, kind: flag}, {name: form, bits: 7}]}
          - {name: tail, bits: 8, present_when: head.has_tail}
          - name: parts
            repeat: {to_end: true}
            group: [{name: many, kind: count, bits: 8}, {name: data, bits: 8, repeat: {count: many}}]
      - {name: level, bits: 56, coding: continued_low_first_signed}
"""


def test_any_bytes_leave_decoders_without_fault_and_what_decodes_is_stable(tmp_path: Path) -> None:
    examples = [parse(resource(f"schemas/{name}.yaml").read_bytes()) for name in ("heron", "plover")]
    done = fuzzed([*examples, parse(WITHIN), *drawn(0, SCHEMAS)], tmp_path)
    assert done.returncode == 0, done.stderr[-3000:]


SHEET = """
mission: m0
frames:
  one:
    fields:
      - {name: level, bits: 12, signed: true}
      - {name: rest, bits: 4}
"""


@pytest.mark.parametrize(
    ("right", "wrong", "words"),
    [
        ("if (size < M0_ONE_SIZE)", "if (size < 1)", "heap-buffer-overflow"),
        ("return M0_ONE_OK;", "d[0] = (uint8_t)(d[0] + 1); return M0_ONE_OK;", "deadly signal"),
        ("(x + 0xF800) ^ 0xF800", "(x << 20) / (x - x)", "division by zero"),
    ],
    ids=["reads beyond the end", "moves what it encodes", "divides by zero"],
)
def test_a_fault_in_a_decoder_is_found(
    right: str, wrong: str, words: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = c.write

    def broken(layouts: Mapping[str, Layout], of: Dossier) -> dict[str, str]:
        files = whole(layouts, of)
        assert right in files["m0.c"]
        return {**files, "m0.c": files["m0.c"].replace(right, wrong)}

    monkeypatch.setattr(c, "write", broken)
    done = fuzzed([parse(SHEET)], tmp_path)
    assert done.returncode != 0 and words in done.stderr, done.stderr[-2000:]
