"""Every rule has a broken schema and the exact message that it gives, and every broken schema a mended neighbour.

schemas/bad/NAME.yaml breaks the rule NAME (NAME-2 the same rule in another way) and no other; NAME.txt is what
packetkit says. After a message was changed on purpose, `python -m tests.messages.test_bad_schemas --write`
writes the texts anew; read every line of the difference before it is committed.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

from packetkit.errors import SchemaError
from packetkit.mission.load import parse
from packetkit.schema.rules import RULES
from packetkit.schema.text import MAXIMUM_BYTES, MAXIMUM_PROBLEMS
from tests.messages.repairs import REPAIRS

BAD = Path(__file__).resolve().parents[2] / "schemas" / "bad"
NAMES = sorted(path.stem for path in BAD.glob("*.yaml"))
# Too large to keep: made here, with the message kept beside the others.
MADE: dict[str, Callable[[], bytes]] = {"file-too-large": lambda: b"#" * (MAXIMUM_BYTES + 1)}
# What these break is several rules, or one rule through others.
SEVERAL = ("three-faults", "too-many-problems")


def text_of(name: str) -> bytes:
    return MADE[name]() if name in MADE else (BAD / f"{name}.yaml").read_bytes()


@cache
def refusal(name: str) -> SchemaError:
    """What packetkit says of a broken schema; read once for all tests."""
    with pytest.raises(SchemaError) as caught:
        parse(text_of(name), f"schemas/bad/{name}.yaml")
    return caught.value


def rule_of(name: str) -> str:
    return re.sub(r"-\d+\Z", "", name)


def mended(name: str) -> str:
    """The text of a broken schema after its repair."""
    repair = REPAIRS[name]
    if isinstance(repair, str):
        return repair
    text = text_of(name).decode("utf-8")
    for old, new in repair:
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {name}"
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize("name", [*NAMES, *MADE])
def test_every_broken_schema_gives_exactly_its_message(name: str) -> None:
    assert str(refusal(name)) + "\n" == (BAD / f"{name}.txt").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", [name for name in NAMES if name not in SEVERAL])
def test_every_broken_schema_breaks_its_own_rule_once_and_no_other(name: str) -> None:
    assert [problem.rule for problem in refusal(name).problems] == [rule_of(name)]


@pytest.mark.parametrize("name", NAMES)
def test_every_broken_schema_loads_once_it_is_mended(name: str) -> None:
    assert parse(mended(name), name).layouts


def test_every_rule_has_a_broken_schema_and_every_message_a_schema() -> None:
    assert {rule_of(name) for name in (*NAMES, *MADE)} == {*RULES, "three-faults"}
    assert sorted(path.stem for path in BAD.glob("*.txt")) == sorted((*NAMES, *MADE))
    assert sorted(REPAIRS) == NAMES
    assert {path.suffix for path in BAD.iterdir()} == {".yaml", ".txt"}


def test_every_rule_says_its_sentence_once() -> None:
    sentences = [rule.sentence for rule in RULES.values()]
    assert len(set(sentences)) == len(sentences)
    assert all(sentence.endswith(".") for sentence in sentences)
    assert all(name == rule.name for name, rule in RULES.items())


def test_three_faults_in_one_file_give_three_messages_in_source_order() -> None:
    problems = refusal("three-faults").problems
    assert [problem.rule for problem in problems] == ["bad-name", "range-not-whole", "algorithm-unknown"]
    assert [problem.position.line for problem in problems] == [6, 7, 8]


def test_no_more_problems_are_told_than_anyone_would_read() -> None:
    problems = refusal("too-many-problems").problems
    assert len(problems) == MAXIMUM_PROBLEMS + 1
    assert problems[-1].rule == "too-many-problems"
    flood = b"mission: godwit\nframes:\n  drift:\n    fields:\n" + b"      - {name: a}\n" * 150
    with pytest.raises(SchemaError) as caught:
        parse(flood)
    assert len(caught.value.problems) == MAXIMUM_PROBLEMS + 1
    assert caught.value.problems[-1].summary == "100 problems up to here, and 199 more"


@pytest.mark.parametrize("name", NAMES)
def test_every_problem_points_at_text_that_is_there(name: str) -> None:
    lines = re.split(r"\r\n|\r|\n", text_of(name).decode("utf-8", "replace").removeprefix("\ufeff"))
    for problem in refusal(name).problems:
        position = problem.position
        assert position.file == f"schemas/bad/{name}.yaml"
        if problem.excerpt:
            assert problem.excerpt == lines[position.line - 1]
            assert 1 <= position.column <= len(problem.excerpt) + 1
            assert problem.width >= 1


@pytest.mark.parametrize("name", NAMES)
def test_every_message_is_a_short_sentence_with_a_remedy(name: str) -> None:
    """One line that says what is wrong, without a full stop; then what to do, in whole sentences."""
    for problem in refusal(name).problems:
        assert "\n" not in problem.summary and not problem.summary.endswith((".", " "))
        assert len(problem.summary) <= 160
        assert "%r" not in str(problem) and "None" not in str(problem) and "Fraction(" not in str(problem)
        if problem.rule == "too-many-problems":
            continue
        first = problem.remedy.splitlines()[0]
        assert first[0] == first[0].upper() or first.split()[0] in REPAIRABLE, first
        assert problem.remedy.endswith((".", "?", '"', "21 B9")), problem.remedy


# A remedy may start with a word of the language, which has no capital.
REPAIRABLE = {
    "algorithm",
    "algorithm:",
    "unit",
    "bandwidth_khz:",
    "measures:",
    "descent_m_per_s:",
    "frames:",
    "godwit-2",
    "water_temperature",
    "sequence",
}


def write_messages() -> None:
    """Write every message as it is now."""
    for name in (*NAMES, *MADE):
        (BAD / f"{name}.txt").write_text(str(refusal(name)) + "\n", encoding="utf-8", newline="\n")


if __name__ == "__main__":
    if sys.argv[1:] != ["--write"]:
        sys.exit("say --write to replace every message in schemas/bad/ by what is said now")
    write_messages()
