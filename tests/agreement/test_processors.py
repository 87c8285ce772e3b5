"""Generated C on emulated small processors: random schemas, and the main loop, held to the codec.

An AVR has 16-bit integers and little memory, a Cortex-M faults where an access is not aligned: neither shows on a host.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from random import Random

import pytest

from packetkit import processors
from packetkit.codec.frame import Frame
from packetkit.conformance import boot
from packetkit.conformance.batch import Question
from packetkit.errors import TargetError, Unsupported
from packetkit.fuzz import raw
from packetkit.fuzz.campaign import loaded, schema_seed
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import Mission, parse
from packetkit.processors import AVR, CORTEX_M, PROCESSORS, Board
from packetkit.resources import resource
from packetkit.targets import c

# Fewer subjects in a batch cost little less: compilers take most of the time. `tests/run campaign processors` has the full counts.
SEED, SCHEMAS, TOGETHER, RECORDS = 4077, 12, 6, 6


def dossier(name: str, mission: Mission, options: str = "") -> Dossier:
    return Dossier(name, mission.fingerprint, "a.yaml", "", mission.outside, frozenset(options.split()))


def drawn(first: int, count: int, seed: int = SEED) -> list[Mission]:
    """Random missions that C can express, with parts that vary every other time."""
    made: list[Mission] = []
    for at in range(first, first + 4 * count):
        _, mission = loaded(schema_seed(seed, at), Counter(), parts=at % 2 == 1)
        try:
            c.write(mission.layouts, dossier("m", mission))
        except Unsupported:
            continue
        made.append(mission)
        if len(made) == count:
            break
    return made


def partings(
    processor: processors.Processor,
    missions: list[Mission],
    place: Path,
    options: str = "",
    records: int = RECORDS,
) -> tuple[int, list[str]]:
    """How much a processor was asked, and what it answers otherwise than the codec."""
    named = [(one.layouts, dossier(f"m{at}", one, options)) for at, one in enumerate(missions)]
    asked: list[tuple[raw.Held, Question, raw.Outcome]] = []
    for layout in (layout for mission in missions for layout in mission.layouts.values()):
        number = len({id(held.layout) for held, _, _ in asked})
        held = raw.Held(layout, Frame(layout), number)
        asked += [
            (held, Question(number, subject), raw.expected(held, subject))
            for subject in raw.subjects(layout, held.frame, Random(number), records)
        ]
    answers = Board(processor, named, str(place)).ask([question for _, question, _ in asked])
    found = []
    for (held, question, wanted), answer in zip(asked, answers, strict=True):
        got = raw.found(held, question, answer)
        if wanted != got and not (got[0] == "refused" and wanted == ("refused", None)):
            found.append(f"{held.layout}\n{question}\nwanted {wanted}\nfound {got}")
    return len(asked), found


@pytest.mark.slow
@pytest.mark.parametrize("ground", PROCESSORS)
@pytest.mark.parametrize("first", range(0, SCHEMAS, TOGETHER))
def test_a_small_processor_answers_for_random_schemas_as_the_codec_does(
    ground: str, first: int, tmp_path: Path
) -> None:
    missions = drawn(10 * first, TOGETHER)
    asked, found = partings(
        PROCESSORS[ground], missions, tmp_path, "fast_checks small" * (first // TOGETHER % 2)
    )
    assert not found, "\n".join(found)
    assert asked > 4 * TOGETHER


@pytest.mark.parametrize("processor", [AVR, CORTEX_M], ids=lambda one: one.ground)
def test_the_main_loop_runs_on_a_small_processor_and_what_it_sends_decodes(
    processor: processors.Processor, tmp_path: Path
) -> None:
    mission = parse(resource("schemas/heron.yaml").read_bytes())
    for name, text in c.write(mission.layouts, dossier("heron", mission)).items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    together = [f'#include "heron{part}.c"\n' for part in ("", "_self_test", "_example")]
    (tmp_path / "unit.c").write_text("".join(together), encoding="utf-8")
    said = processors.running(processor, "unit.c", str(tmp_path), ("-DHERON_TURNS=3",))
    line, *frames = said.splitlines()
    assert boot.judged(mission.layouts, "heron", mission.fingerprint, line).agrees, line
    assert len(frames) == 3 * len(mission.layouts)
    for at, text in enumerate(frames):
        told, record = mission.decode(bytes.fromhex(text))
        assert told == list(mission.layouts)[at % len(mission.layouts)]
        assert record["sequence"] == at // len(mission.layouts)


SHEET = """
mission: m0
frames:
  one:
    fields:
      - {name: level, bits: 12, signed: true}
      - {name: time, bits: 33}
      - {name: rest, bits: 3}
      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}
"""


@pytest.mark.parametrize("ground", PROCESSORS)
@pytest.mark.parametrize(("right", "wrong"), [("& 0xFFF)", "& 0x7FF)"), ("return c;", "return 5;")])
def test_a_mistake_in_what_a_processor_runs_is_found(
    ground: str, right: str, wrong: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mission = parse(SHEET)
    assert not partings(PROCESSORS[ground], [mission], tmp_path)[1]
    whole = c.write

    def broken(*given: object) -> dict[str, str]:
        files = whole(*given)  # type: ignore[arg-type]
        assert right in files["m0.c"]
        return {**files, "m0.c": files["m0.c"].replace(right, wrong)}

    monkeypatch.setattr(c, "write", broken)
    assert partings(PROCESSORS[ground], [mission], tmp_path)[1]


def test_a_program_that_faults_is_told(tmp_path: Path) -> None:
    mission = parse(SHEET)
    of = dossier("m0", mission)
    with pytest.raises(TargetError, match="Cortex-M ended early"):
        Board(CORTEX_M, [(mission.layouts, of)], str(tmp_path)).ask([Question(0, (1,))])
