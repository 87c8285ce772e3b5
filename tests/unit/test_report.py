"""`generate --target c --report`: what compilers for small processors make of generated C, against their own tools."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from pathlib import Path

import jsonschema
import pytest

from packetkit import footprint
from packetkit.cli import generate
from packetkit.cli.main import main
from packetkit.errors import TargetError
from packetkit.resources import resource

DOCUMENT = Path(__file__).parents[1] / "documents" / "json" / "generate.schema.json"


@pytest.fixture(autouse=True)
def schema(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(
        generate, "check_costs_of", lambda *given: []
    )  # tests/agreement/test_c_checks.py has these
    path = tmp_path / "plover.yaml"
    path.write_bytes(resource("schemas/plover.yaml").read_bytes())
    return path


COMMAND = ["generate", "plover.yaml", "--target", "c", "-o", "flight", "--report"]


@pytest.mark.parametrize("compiler", footprint.COMPILERS, ids=lambda one: one.program)
def test_functions_add_up_to_what_the_size_tool_says(
    compiler: footprint.Compiler, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*COMMAND, "--check-code", "speed", "--json"]) == 0
    made = json.loads(capsys.readouterr().out)
    jsonschema.validate(made, json.loads(DOCUMENT.read_text(encoding="utf-8")))
    assert made["absent"] == []
    (mine,) = (one for one in made["footprints"] if one["compiler"] == compiler.command)
    pieces = [one for one in mine["functions"] if one["file"] == "plover.c"]
    for more, key in (((), "flash_bytes"), (("-DPLOVER_UNCHECKED",), "unchecked_flash_bytes")):
        command = [*compiler.command.split(), "-std=c99", *more, "-c", "plover.c", "-o", "plover.o"]
        subprocess.run(command, cwd="flight", check=True)
        size = [compiler.program.replace("gcc", "size"), "-A", "plover.o"]
        listed = subprocess.run(size, cwd="flight", capture_output=True, text=True, check=True).stdout
        rows = [
            line.split() for line in listed.splitlines() if line.startswith((".text", ".rodata", ".progmem"))
        ]
        whole = sum(int(row[1]) for row in rows)
        # Between functions a compiler puts what they need beside them, and what aligns them.
        assert 0 <= whole - sum(one[key] for one in pieces) <= 4 * len(pieces)
    assert all(one["stack_bytes"] is not None for one in pieces if not one["name"].endswith("_table"))
    assert sum(one["memory_bytes"] for one in pieces) == 0
    assert sum(one["unchecked_flash_bytes"] for one in pieces) < sum(one["flash_bytes"] for one in pieces)


def test_the_table_has_every_function_and_80_columns(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    assert main(COMMAND) == 0
    text = capsys.readouterr().out
    assert all(len(line) <= 80 for line in text.splitlines())
    for words in ("avr-gcc -mmcu=atmega328p -Os", "arm-none-eabi-gcc", "all of plover.c", "plover_identify"):
        assert words in text


def test_a_compiler_that_is_absent_is_said(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    found = shutil.which("arm-none-eabi-gcc")
    assert found is not None
    only = tmp_path / "bin"
    only.mkdir()
    for name in ("arm-none-eabi-gcc", "arm-none-eabi-nm"):
        (only / name).symlink_to(os.path.join(os.path.dirname(found), name))
    monkeypatch.setenv("PATH", str(only))
    assert main(COMMAND) == 0
    text = capsys.readouterr().out
    assert "avr-gcc is not installed, so nothing is said of it (Debian: gcc-avr avr-libc)." in text
    assert "\narm-none-eabi-gcc -mcpu" in text


def test_a_report_is_of_c_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["generate", "plover.yaml", "--target", "python", "-o", "out", "--report"]) == 2
    assert "--report does nothing for --target python: leave it out" in capsys.readouterr().err
    assert not os.path.exists("out")


def test_what_a_compiler_refuses_is_told_with_its_words() -> None:
    with pytest.raises(TargetError, match="no_such_type"):
        footprint.footprints({"a.h": "", "a.c": "no_such_type a;\n"})
