"""Check code in C: every CRC of the catalogue in every form that it has, on the host under a sanitizer, on small processors by kind."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import jsonschema
import pytest

from packetkit import check_costs, processors, toolchains
from packetkit.check_costs import code, costs
from packetkit.cli import generate
from packetkit.cli.main import main
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS, find
from packetkit.resources import resource
from packetkit.targets.c import board, checks
from packetkit.targets.c.words import size_for

DOCUMENT = Path(__file__).parents[1] / "documents" / "json" / "generate.schema.json"
CRCS = [one for one in ALGORITHMS.values() if one.family == "crc" and one.width <= checks.WIDEST]
FORMS = [(one, form) for one in CRCS for form in checks.forms_of(one)]


def program(forms: list[tuple[Algorithm, str]], show: str) -> str:
    """Functions for all of these, and statements that show each one's value over the digits 1 to 9, the catalogue's question."""
    text = "".join(code(one, form, f"c{at}") for at, (one, form) in enumerate(forms))
    calls = "\n".join(show.replace("VALUE", f"c{at}_run(nine, 9)") for at in range(len(forms)))
    return f'{text}\nstatic const uint8_t nine[] = "123456789";\nstatic void all(void) {{\n{calls}\n}}\n'


def wanted(forms: list[tuple[Algorithm, str]]) -> list[int]:
    """The catalogue's check values; code gives them before the final xor."""
    return [one.check ^ one.final_xor for one, _ in forms]


def test_every_crc_of_the_catalogue_has_its_check_value_in_every_form(tmp_path: Path) -> None:
    main_function = "int main(void) { all(); return 0; }\n"
    text = program(FORMS, 'printf("%llx\\n", (unsigned long long)VALUE);')
    (tmp_path / "all.c").write_text(f"#include <stdio.h>\n{text}{main_function}", encoding="utf-8")
    compiler = ["gcc", "-std=c99", *toolchains.STRICT, *toolchains.UNDEFINED]
    toolchains.run([*compiler, "-o", "all", "all.c"], cwd=str(tmp_path))
    said = subprocess.run([tmp_path / "all"], capture_output=True, text=True, check=True).stdout.split()
    names = [f"{one.name}, {form}" for one, form in FORMS]
    assert dict(zip(names, (int(one, 16) for one in said), strict=True)) == dict(
        zip(names, wanted(FORMS), strict=True)
    )
    assert len(FORMS) > 3 * 100


def kinds() -> list[Algorithm]:
    """Of each size of register, both reflections, and registers narrower than their type, one."""
    found = {
        (size_for(one.width), one.reflect_in, one.reflect_out, one.width == size_for(one.width)): one
        for one in CRCS
    }
    return [*found.values(), find("CRC-16/IBM-3740")]


@pytest.mark.parametrize("ground", processors.PROCESSORS)
def test_every_kind_of_check_code_has_its_value_on_a_small_processor(ground: str, tmp_path: Path) -> None:
    forms = [(one, form) for one in kinds() for form in checks.forms_of(one)]
    show = "{ uint64_t v = VALUE; for (i = 60; i >= 0; i -= 4) { say(\"0123456789abcdef\"[(v >> i) & 15]); } say(' '); }"
    text = program(forms, show).replace("all(void) {", "all(void) {\n    int i;")
    outer = "int main(void) {\n    begin();\n    all();\n    stop();\n    return 0;\n}\n"
    said = processors.run(processors.PROCESSORS[ground], board.GROUND[ground] + text + outer, str(tmp_path))
    assert [int(one, 16) for one in said.replace("\n", "").split()] == wanted(forms)


def test_what_check_code_costs_is_what_was_asked_for() -> None:
    crc = find("CRC-16/ARC")
    for asked, form in (("", checks.NIBBLES), (checks.SIZE, checks.BITS), (checks.SPEED, checks.OCTETS)):
        assert checks.form_of(crc, asked) == form
    assert [checks.form_of(find("CRC-16/IBM-3740"), one) for one in ("", checks.SIZE)] == [checks.SHIFTS] * 2
    made = costs([crc], checks.SIZE)
    for program_name in ("avr-gcc", "arm-none-eabi-gcc"):
        mine = [one for one in made if one.compiler.startswith(program_name)]
        assert [one.form for one in mine] == [checks.BITS, checks.NIBBLES, checks.OCTETS]
        assert [one.is_written for one in mine] == [True, False, False]
        flash = [one.flash_bytes for one in mine]
        counts = [one.per_octet for one in mine]
        assert None not in counts
        assert flash == sorted(flash) and flash[2] > 512
        assert counts == sorted(counts, reverse=True, key=lambda one: one or 0)


def test_the_report_marks_the_form_that_is_written_and_says_what_was_not_measured(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("plover.yaml").write_bytes(resource("schemas/plover.yaml").read_bytes())
    asked = ["--report", "--check-code", "speed", "--json"]
    assert main(["generate", "plover.yaml", "--target", "c", "-o", "flight", *asked]) == 0
    made = json.loads(capsys.readouterr().out)
    jsonschema.validate(made, json.loads(DOCUMENT.read_text(encoding="utf-8")))
    assert [one["form"] for one in made["check_code"] if one["is_written"]] == [checks.OCTETS] * 2
    assert all(
        one.get("cycles_per_octet", one.get("instructions_per_octet")) > 0 for one in made["check_code"]
    )
    monkeypatch.setattr(check_costs, "find", lambda *programs: None)
    monkeypatch.setenv("COLUMNS", "80")
    text = generate.costs_text(costs([find("CRC-16/IBM-3740")], checks.SPEED))
    assert "CRC-16/IBM-3740     shifts" in text and "CRC-16/IBM-3740  *  table of 256" in text
    assert "simavr and qemu-system-arm are not installed" in text
    assert all(len(line) <= 80 for line in text.splitlines())
