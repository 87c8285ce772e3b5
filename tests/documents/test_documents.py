"""README.md and DEVELOPERS.md are run: every block of shell or Python in them works as it stands.

The blocks of one document run in order in one directory that begins with a copy of `schemas` and nothing
else, shell blocks with the installed `packetkit` first in the path, Python blocks in one shared namespace: a
later block may use what an earlier one wrote. A block under `<!-- not run: reason -->` is left out, and needs
a reason. Lines of a shell block that begin with `$ ` are commands, the lines under them the output they must
print, in which a line `...` stands for any lines; a block without `$ ` is all commands. A status other than 0
must be announced with `# exit status N` at the end of the command.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sysconfig
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

CHECKOUT = Path(__file__).resolve().parent.parent.parent
DOCUMENTS = ("README.md", "DEVELOPERS.md")
SHELL = ("sh", "bash", "console")

FENCE = re.compile(r"^(?P<indent> *)(?P<fence>`{3,}|~{3,})\s*(?P<language>[\w+-]*)[^\n]*$")
EXEMPT = re.compile(r"<!--\s*not run:(?P<reason>.*?)-->", re.DOTALL)
STATUS = re.compile(r"#\s*exit status (?P<status>\d+)\s*$")


@dataclass(frozen=True)
class Block:
    """One fenced block: where it begins, its language, its text, and why it is not run, if it is not."""

    line: int
    language: str
    text: str
    reason: str | None


def blocks(text: str) -> Iterator[Block]:
    """Yield the fenced blocks of a Markdown text. Raises ValueError for one that is never closed."""
    lines = text.split("\n")
    number = 0
    while number < len(lines):
        opening = FENCE.match(lines[number])
        number += 1
        if opening is None:
            continue
        first = number
        while number < len(lines) and lines[number].strip() != opening["fence"]:
            number += 1
        if number == len(lines):
            raise ValueError(f"line {first}: this block is never closed")
        indent = len(opening["indent"])
        body = "\n".join(line[indent:] for line in lines[first:number])
        yield Block(first, opening["language"].lower(), body + "\n", reason_above(lines[: first - 1]))
        number += 1


def reason_above(lines: list[str]) -> str | None:
    """Return the reason in the comment right above a block, None where there is none."""
    above = "\n".join(lines).rstrip()
    exempt = [match for match in EXEMPT.finditer(above) if match.end() == len(above)]
    return exempt[-1]["reason"].strip() if exempt else None


def commands(block: str) -> list[tuple[str, list[str] | None]]:
    """Return each command of a shell block with the output shown under it, None where none is."""
    if not re.search(r"^\$ ", block, re.MULTILINE):
        return [(block, None)]
    found: list[tuple[str, list[str]]] = []
    for line in block.rstrip("\n").split("\n"):
        if line.startswith("$ "):
            found.append((line[2:], []))
        elif found and found[-1][0].endswith("\\"):
            found[-1] = (f"{found[-1][0]}\n{line.removeprefix('> ')}", [])
        elif found:
            found[-1][1].append(line.rstrip())
    return [(command, shown or None) for command, shown in found]


def shown_matches(shown: list[str], printed: str) -> bool:
    """Return whether the printed text is what a document shows; a line `...` stands for any lines."""
    pattern = "".join(
        r"(?:.*\n)*?" if line.strip() == "..." else re.escape(line) + r"[ ]*\n" for line in shown
    )
    return re.fullmatch(pattern, printed if printed.endswith("\n") else printed + "\n") is not None


def run_shell(text: str, place: Path) -> None:
    """Run the commands of one shell block. Raises AssertionError with what one that goes wrong printed."""
    path = os.pathsep.join([sysconfig.get_path("scripts"), os.environ.get("PATH", "")])
    environ = {**os.environ, "PATH": path, "COLUMNS": "80", "PYTHONIOENCODING": "utf-8"}
    for command, shown in commands(text):
        status = STATUS.search(command.rstrip())
        done = subprocess.run(
            ["bash", "-e", "-u", "-o", "pipefail", "-c", command],
            cwd=place,
            env=environ,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            timeout=100,
            check=False,
        )
        expected = int(status["status"]) if status else 0
        assert done.returncode == expected, (
            f"$ {command}\nended with {done.returncode}, not {expected}:\n{done.stdout}"
        )
        assert shown is None or shown_matches(shown, done.stdout), f"$ {command}\nprinted:\n{done.stdout}"


def run_document(text: str, place: Path) -> list[Block]:
    """Run the blocks of one document in order in that directory; return those that are exempt."""
    namespace: dict[str, object] = {"__name__": "document"}
    exempt = []
    for block in blocks(text):
        if block.reason is not None:
            assert block.reason, f"line {block.line}: `not run:` needs a reason"
            exempt.append(block)
        elif block.language in SHELL:
            try:
                run_shell(block.text, place)
            except AssertionError as error:
                raise AssertionError(f"line {block.line}: {error}") from None
        elif block.language == "python":
            before = Path.cwd()
            os.chdir(place)
            try:
                # Empty lines in front, so that a traceback names the document's own line.
                exec(compile("\n" * block.line + block.text, "document", "exec"), namespace)
            finally:
                os.chdir(before)
    return exempt


@pytest.mark.slow
@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_block_of_the_document_runs(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(CHECKOUT / "schemas", tmp_path / "schemas")
    exempt = run_document((CHECKOUT / name).read_text(encoding="utf-8"), tmp_path)
    with capsys.disabled():
        for block in exempt:
            print(f"\n{name}:{block.line}: not run: {block.reason}", end="")


# ---- the checker itself, both ways


def test_a_block_that_works_passes_and_a_later_one_finds_what_it_wrote(tmp_path: Path) -> None:
    text = "# Title\n\n```sh\nprintf 'one\\ntwo\\n' > list\n```\n\n1. indented\n\n   ```python\n"
    text += "   from pathlib import Path\n   n = len(Path('list').read_text())\n"
    assert run_document(text + "   ```\n\n```python\nassert n == 8\n```\n", tmp_path) == []


@pytest.mark.parametrize(
    "text",
    [
        "```sh\nfalse\n```\n",
        "```sh\nfalse | cat\n```\n",
        "```sh\nno-such-program-anywhere\n```\n",
        "```sh\n$ echo one\ntwo\n```\n",
        "```sh\n$ echo one # exit status 3\none\n```\n",
        "```python\nassert 1 == 2\n```\n",
        "<!-- not run: -->\n```sh\ntrue\n```\n",
    ],
)
def test_a_block_that_does_not_work_fails(text: str, tmp_path: Path) -> None:
    with pytest.raises(AssertionError):
        run_document(text, tmp_path)


def test_a_block_that_is_never_closed_is_an_error() -> None:
    with pytest.raises(ValueError, match="line 1: this block is never closed"):
        list(blocks("```sh\ntrue\n"))


@pytest.mark.parametrize(
    "text",
    [
        "```sh\n$ echo one\none\n```\n",
        "```sh\n$ printf 'a\\nb\\nc\\n'\na\n...\n```\n",
        "```sh\n$ sh -c 'exit 3' # exit status 3\n```\n",
        "```sh\n$ echo one \\\n  two\none two\n```\n",
        "```text\nnot a command\n```\n",
    ],
)
def test_shown_output_is_held(text: str, tmp_path: Path) -> None:
    assert run_document(text, tmp_path) == []


def test_an_exempt_block_is_listed_with_its_reason(tmp_path: Path) -> None:
    text = "<!-- not run: needs a radio -->\n\n```sh\nfalse\n```\n"
    assert [(block.line, block.reason) for block in run_document(text, tmp_path)] == [(3, "needs a radio")]
