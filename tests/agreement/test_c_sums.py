"""Accumulators in C: random samples give the codes that Python makes of their exact minimum, mean, maximum and count."""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest

from packetkit import toolchains
from packetkit.layout.number import to_raw
from packetkit.layout.slots import Linear, Slot
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.targets import c

SCHEMA = """
mission: summed
frames:
  one:
    fields:
      - {name: level, summary: {samples: 60, mean_resolution: 0.05}, minimum: -40, maximum: 85, resolution: 0.5}
      - {name: sun, summary: {samples: 1000, keep: [mean, maximum]}, minimum: 0, maximum: 1000, resolution: 1}
      - {name: third, summary: {samples: 7, mean_resolution: 1/9}, minimum: 5, maximum: 300000005, resolution: 1/3}
      - {kind: reserved, up_to: byte}
"""
SUMMARIES = {
    "level": ("minimum", "mean", "maximum", "count"),
    "sun": ("mean", "maximum"),
    "third": ("minimum", "mean", "maximum", "count"),
}


def program(place: Path, right: str = "", wrong: str = "") -> Path:
    """A program that answers `summary count sample...` by its codes, and how many samples were taken."""
    mission = parse(SCHEMA)
    for name, text in c.write(mission.layouts, Dossier("summed", mission.fingerprint, "", "")).items():
        (place / name).write_text(text.replace(right, wrong) if right else text, encoding="utf-8")
    cases = []
    for at, (name, parts) in enumerate(SUMMARIES.items()):
        shown = " ".join(f'printf("%llu ", (unsigned long long)s.{part});' for part in parts)
        cases.append(
            f"if (which == {at}) {{ summed_one_{name}_summary s; summed_one_{name}_start(&s);"
            f' while (many-- > 0) {{ unsigned long n; if (scanf("%lu", &n) != 1) return 1;'
            f" taken += summed_one_{name}_add(&s, n); }}"
            f' summed_one_{name}_finish(&s); {shown} printf("%d\\n", taken); }}'
        )
    main = 'int main(void) { int which, many; while (scanf("%d %d", &which, &many) == 2) { int taken = 0;'
    text = '#include <stdio.h>\n#include "summed_sums.c"\n' + main + "\n".join(cases) + "} return 0; }\n"
    (place / "main.c").write_text(text, encoding="utf-8")
    toolchains.run(["cc", "-std=c99", *toolchains.SANITIZED, "-o", "main", "main.c"], cwd=str(place))
    return place / "main"


def wanted(slots: dict[str, Slot], parts: tuple[str, ...], samples: list[int]) -> list[int]:
    """What Python sends of samples, given as codes of the coarse step."""
    coarse = slots["maximum"].transform
    assert isinstance(coarse, Linear)
    values = [coarse.offset + coarse.scale * code for code in samples]
    found = {"count": Fraction(len(samples))}
    if values:
        found |= {
            "minimum": min(values),
            "mean": sum(values, Fraction()) / len(values),
            "maximum": max(values),
        }
    made = []
    for part in parts:
        raw = to_raw(slots[part], found.get(part)).raw
        assert raw is not None
        made.append(raw)
    return made


def differing(unit: Path) -> int:
    """How many of 600 summaries of random samples are not what Python sends."""
    chance = Random(6)
    (layout,) = parse(SCHEMA).layouts.values()
    asked, expected = [], []
    for turn in range(600):
        at = turn % len(SUMMARIES)
        name, parts = list(SUMMARIES.items())[at]
        slots = {slot.part: slot for slot in layout.slots if slot.address.startswith(f"{name}.")}
        top = slots["maximum"].legal[-1].high
        low = chance.choice((0, 0, top - 3))
        high = chance.choice((low + 3, top))
        samples = [chance.randint(low, high) for _ in range(chance.choice((0, 1, 2, 3, 7)))]
        junk = [top + 1] * chance.randint(0, 2)  # no value: not taken
        given = samples + junk
        chance.shuffle(given)
        asked.append(f"{at} {len(given)} {' '.join(map(str, given))}")
        expected.append([*wanted(slots, parts, samples), len(samples)])
    done = subprocess.run([unit], input="\n".join(asked), capture_output=True, text=True, check=True)
    found = [list(map(int, line.split())) for line in done.stdout.splitlines()]
    return sum(one != other for one, other in zip(found, expected, strict=True))


def test_accumulators_give_the_codes_that_python_makes_of_the_exact_summary(tmp_path: Path) -> None:
    assert differing(program(tmp_path)) == 0


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        (" + summary->count);", ");"),
        ("sample < summary->minimum", "sample > summary->minimum"),
        ("summary->minimum = 0xFF;", "summary->minimum = 0;"),
    ],
    ids=["cut, not rounded", "the largest as the smallest", "nothing as a value"],
)
def test_a_mistake_in_an_accumulator_is_found(right: str, wrong: str, tmp_path: Path) -> None:
    assert differing(program(tmp_path, right, wrong)) > 0


def test_a_sample_more_than_the_count_can_say_is_not_taken(tmp_path: Path) -> None:
    unit = program(tmp_path)
    given = f"0 70 {' '.join(['250'] * 70)}"
    done = subprocess.run([unit], input=given, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["250", "2500", "250", "60", "60"]


@pytest.mark.parametrize(
    "compiler",
    [
        "gcc -std=c99",
        "g++ -x c++ -std=c++11",
        "clang -std=c99",
        "avr-gcc -mmcu=atmega328p -Os -std=c99",
        "arm-none-eabi-gcc -mcpu=cortex-m0plus -mthumb -Os -std=c99",
    ],
)
def test_compilers_have_nothing_to_say_of_accumulators(compiler: str, tmp_path: Path) -> None:
    program(tmp_path)
    toolchains.run(
        [*compiler.split(), *toolchains.STRICT, "-c", "summed_sums.c", "-o", "sums.o"], cwd=str(tmp_path)
    )
