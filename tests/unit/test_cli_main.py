"""The program's frame: exit statuses, messages, closed pipes, encodings; no user sees a traceback."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import click
import pytest

import packetkit
from packetkit.cli import forms
from packetkit.cli import main as frame
from packetkit.errors import InputError, Position, Problem, SchemaError, ShortFrame

JSON = Path(__file__).parents[1] / "documents" / "json"

# What a command may do, and what the program makes of it: exit status, text on standard error.
USAGE = "Usage: packetkit probe [OPTIONS]"
PROBLEM = Problem(Position(3, 5, "a.yaml"), "bits", "beacon.x", "10 bits cannot reach 12.0 V")
ENDINGS: tuple[tuple[str, Callable[[], object], int, str], ...] = (
    ("nothing", lambda: None, 0, ""),
    ("findings", lambda: 1, 1, ""),
    ("schema", lambda: _raise(SchemaError((PROBLEM, PROBLEM))), 2, f"{PROBLEM}\n{PROBLEM}\n"),
    ("input", lambda: _raise(InputError("x.csv: empty")), 2, "packetkit probe: x.csv: empty\n"),
    ("short", lambda: _raise(ShortFrame("3 bytes of 8")), 2, "packetkit probe: 3 bytes of 8\n"),
    ("usage", lambda: _raise(click.UsageError("two inputs")), 2, f"{USAGE}\npacketkit probe: two inputs\n"),
    ("click", lambda: _raise(click.ClickException("no")), 2, "packetkit probe: no\n"),
    ("system", lambda: _raise(OSError(28, "No space left", "o")), 2, "packetkit probe: o: No space left\n"),
    ("exit", lambda: _raise(click.exceptions.Exit(1)), 1, ""),
    ("abort", lambda: _raise(click.Abort()), 130, "packetkit probe: interrupted\n"),
    ("interrupt", lambda: _raise(KeyboardInterrupt()), 130, "packetkit probe: interrupted\n"),
)
MEMORY = "packetkit probe: the memory of this machine does not suffice; give a smaller input\n"


def _raise(error: BaseException) -> None:
    raise error


@pytest.fixture
def probe(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[], object]], int]:
    """Run a callable as the command `probe` and return the exit status."""

    def run(body: Callable[[], object]) -> int:
        command = click.Command("probe", callback=body)
        monkeypatch.setattr(frame, "COMMANDS", (frame.Row("probe", "Try.", frame.FRAME),))
        monkeypatch.setattr(frame.Program, "get_command", lambda *_: command)
        return frame.main(["probe"])

    monkeypatch.delenv("PACKETKIT_TRACEBACK", raising=False)
    return run


@pytest.mark.parametrize(
    ("body", "status", "said"), [row[1:] for row in ENDINGS], ids=[row[0] for row in ENDINGS]
)
def test_each_way_a_command_ends_has_its_status_and_message(
    body: Callable[[], object],
    status: int,
    said: str,
    probe: Callable[[Callable[[], object]], int],
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert probe(body) == status
    assert capsys.readouterr().err == said


def test_memory_and_nesting_end_with_a_sentence(
    probe: Callable[[Callable[[], object]], int], capsys: pytest.CaptureFixture[str]
) -> None:
    def deeper() -> None:
        deeper()

    assert probe(lambda: _raise(MemoryError())) == 2
    assert capsys.readouterr().err == MEMORY
    assert probe(deeper) == 2
    assert capsys.readouterr().err == "packetkit probe: the input is nested too deeply\n"


def test_a_fault_of_ours_says_where_in_one_line_and_never_counts_as_findings(
    probe: Callable[[Callable[[], object]], int], capsys: pytest.CaptureFixture[str]
) -> None:
    assert probe(lambda: _raise(KeyError("missing"))) == 2
    said = capsys.readouterr().err
    assert said.startswith(
        "packetkit probe: a fault in packetkit, not in your input: KeyError: 'missing' at test_cli_main.py:"
    )
    assert said.count("\n") == 1


def test_a_developer_can_ask_for_the_trace(
    probe: Callable[[Callable[[], object]], int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PACKETKIT_TRACEBACK", "1")
    with pytest.raises(KeyError):
        probe(lambda: _raise(KeyError("missing")))


# ---- the real table


def test_every_row_has_a_module_with_its_command_and_a_group() -> None:
    assert len({row.verb for row in frame.COMMANDS}) == len(frame.COMMANDS)
    for row in frame.COMMANDS:
        command = import_module(f"packetkit.cli.{row.verb}").command
        assert isinstance(command, click.Command)
        assert command.name == row.verb
        assert command.help
        assert row.group in frame.GROUPS
        if any("--json" in one.opts for one in command.params):
            assert (JSON / f"{row.verb}.schema.json").exists(), f"{row.verb} --json has no JSON Schema"
        assert row.help.endswith(".")


def test_every_module_that_is_a_command_has_its_row() -> None:
    verbs = {row.verb for row in frame.COMMANDS}
    for path in Path(frame.__file__).parent.glob("*.py"):
        if "\ncommand = " in path.read_text(encoding="utf-8") or "\ndef command(" in path.read_text(
            encoding="utf-8"
        ):
            assert path.stem in verbs


def test_the_help_page_fits_80_columns_and_names_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    assert frame.main(["--help"]) == 0
    page = capsys.readouterr().out
    assert all(f"  {row.verb} " in page for row in frame.COMMANDS)
    assert max(map(len, page.splitlines())) <= 80


@pytest.mark.parametrize("verb", [row.verb for row in frame.COMMANDS])
def test_each_commands_help_fits_80_columns(verb: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert frame.main([verb, "--help"]) == 0
    assert max(map(len, capsys.readouterr().out.splitlines())) <= 80


@pytest.mark.parametrize("verb", ["decode", "merge", "reconcile"])
def test_a_help_page_in_sections_says_every_option_once(
    verb: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert frame.main([verb, "--help"]) == 0
    text = capsys.readouterr().out
    command = import_module(f"packetkit.cli.{verb}").command
    for option in (one for one in command.params if isinstance(one, click.Option)):
        assert len(re.findall(rf"(?m)^  (?:-\w, )?{option.opts[-1]}(?= )", text)) == 1, option.opts
    for form in forms.FORMS:
        assert len(re.findall(rf"(?m)^  {form}  ", text)) == 1, form


def test_no_arguments_show_the_help_page_as_misuse(capsys: pytest.CaptureFixture[str]) -> None:
    assert frame.main([]) == 2
    assert "packetkit COMMAND --help" in capsys.readouterr().err


# ---- as a process


# The current directory comes first for a new process: this one has the packetkit that is under test.
PLACE = Path(packetkit.__file__).parent.parent


def packetkit_process(
    *arguments: str, environ: dict[str, str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    """Run the program in a process of its own."""
    return subprocess.run(
        [sys.executable, "-m", "packetkit", *arguments],
        cwd=PLACE,
        env={**os.environ, **(environ or {})},
        capture_output=True,
        check=False,
    )


# Runs a command made of the given statements, in the program's own frame.
PROBE = """
import sys, click
import packetkit.cli.main as frame
from packetkit.cli import output
def body():
    {}
frame.COMMANDS = (frame.Row("probe", "Try.", frame.FRAME),)
frame.Program.get_command = lambda *_: click.Command("probe", callback=body)
sys.exit(frame.main(["probe"]))
"""


def probe_process(
    body: str, *, stdout: int = subprocess.PIPE, encoding: str = "utf-8"
) -> subprocess.CompletedProcess[bytes]:
    """Run a command with this body in a process of its own, buffered as for a user whatever this machine sets."""
    environ = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    return subprocess.run(
        [sys.executable, "-c", PROBE.format(body)],
        cwd=PLACE,
        env={**environ, "PYTHONIOENCODING": encoding},
        stdout=stdout,
        stderr=subprocess.PIPE,
        check=False,
    )


LONG = "for n in range(100_000): output.write(f'{n} a line of results that fills a pipe\\n')"
SHORT = "output.write('one line\\n')"


@pytest.mark.parametrize("body", [LONG, SHORT])
def test_a_closed_pipe_ends_quietly(body: str) -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = probe_process(body, stdout=writing)
    os.close(writing)
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize("body", [LONG, SHORT])
def test_a_full_disk_is_said_once(body: str) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip(
            "this system has no device that is always full"
        )  # Linux has; nothing can be installed for it
    full = os.open("/dev/full", os.O_WRONLY)
    done = probe_process(body, stdout=full)
    os.close(full)
    assert done.returncode == 2
    assert done.stderr == b"packetkit probe: standard output: No space left on device\n"


def test_a_closed_standard_output_is_no_fault() -> None:
    # The process closes its own standard output and then becomes the program, as under `>&-` of a shell.
    command = "import os, sys; os.close(1); os.execv(sys.executable, [sys.executable, *sys.argv[1:]])"
    done = subprocess.run(
        [sys.executable, "-c", command, "-m", "packetkit", "--help"],
        cwd=PLACE,
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [
        ("utf-8", "┌─┐ 3 × 0.1 °C, 5 µs, 3 Ω".encode()),
        ("cp1252", "+-+ 3 × 0.1 °C, 5 µs, 3 Ohm".encode("cp1252")),
        ("cp437", "┌─┐ 3 x 0.1 °C, 5 µs, 3 Ω".encode("cp437")),
        ("ascii", b"+-+ 3 x 0.1 degC, 5 us, 3 Ohm"),
    ],
)
def test_output_falls_back_to_what_the_terminal_can_show(encoding: str, shown: bytes) -> None:
    text = "┌─┐ 3 × 0.1 °C, 5 µs, 3 Ω\\n"
    done = probe_process(f"output.write('{text}'); output.say('{text}')", encoding=encoding)
    lines = done.stdout.splitlines(), done.stderr.splitlines()
    assert lines == ([shown], [shown])


def test_an_interrupt_ends_with_one_line_and_130() -> None:
    if os.name == "nt":
        pytest.skip("Windows sends no such signal to one process")
    body = "import os, signal; os.kill(os.getpid(), signal.SIGINT); import time; time.sleep(5)"
    done = probe_process(body)
    assert (done.returncode, done.stderr) == (130, b"packetkit probe: interrupted\n")


def test_misuse_of_the_program_is_one_usage_line_and_one_reason() -> None:
    done = packetkit_process("no-such-verb")
    assert done.returncode == 2
    assert done.stdout == b""
    usage, reason = done.stderr.decode().splitlines()
    assert usage.startswith("Usage: packetkit ")
    assert "no-such-verb" in reason


def test_a_choice_that_was_not_made_is_one_line_with_what_there_is() -> None:
    usage, reason = packetkit_process("generate", "any.yaml").stderr.decode().splitlines()
    assert usage.startswith("Usage: packetkit generate ")
    assert (
        "'--target'. Choose from: tests, c, " in reason and "frame_map. It needs --target and -o;" in reason
    )


def test_version_names_the_program_its_libraries_and_python() -> None:
    done = packetkit_process("--version")
    assert done.returncode == 0
    names = [line.split()[0] for line in done.stdout.decode().splitlines()]
    assert names[:2] == ["packetkit", "Python"]
    assert {"click", "ruamel.yaml", "construct", "crcmod", "numpy", "hypothesis"} <= set(names)
    assert b"\n  checks run by binascii: " in done.stdout


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["chek"], "No such command 'chek'. Did you mean check?"),
        (["qqq"], "No such command 'qqq'. `packetkit --help` says what there is."),
        (
            ["airtime"],
            "It needs --spreading-factor and --bandwidth-khz; `packetkit airtime --help` has examples.",
        ),
        (["start", "x", "--measures", "humidity", "--bytes", "2"], "2 is not in the range 4 to 65535"),
        (["fuzz", "x.yaml", "--seed", "-1"], "-1 is not in the range 0 and more"),
        (["passes", "x.yaml", "--days", "0"], "0.0 is not in the range above 0, at most "),
        (["lab", "misses", "-o", "none/out"], "; make it first"),
        (["worksheet", "x.yaml", "-o", ""], "-o: the name of the directory is empty; name one"),
    ],
)
def test_a_wrong_command_line_is_told_with_what_would_be_right(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert frame.main(arguments) == 2
    assert said in capsys.readouterr().err


def test_an_interruption_while_the_program_starts_shows_no_traceback() -> None:
    if sys.platform == "win32":
        pytest.skip("Windows sends no such signal to one process")
    # The signal comes at the first import that the program makes, which no handler of its own can meet.
    body = (
        "import os, signal, sys\n"
        "class Interrupts:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        "        os.kill(os.getpid(), signal.SIGINT) if name == 'packetkit.cli.main' else None\n"
        "from packetkit.__main__ import main\n"
        "sys.meta_path.insert(0, Interrupts())\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", body], capture_output=True, timeout=60, check=False)
    assert (done.returncode, done.stderr) == (-2, b"")


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "m.yaml", "-o", "m.yaml"],
        ["encode", "m.yaml", "r.csv", "-o", "r.csv"],
        ["decode", "m.yaml", "flight", "-o", "./flight"],
        ["decode", "m.yaml", "flight", "-o", "link"],
        ["simulate", "m.yaml", "-o", "m.yaml"],
        ["budget", "m.yaml", "--duration-s", "9", "-o", "m.yaml"],
        ["start", "x", "--fields", "r.csv", "-o", "r.csv"],
    ],
)
def test_no_output_replaces_what_is_read(
    arguments: list[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    held = {
        "m.yaml": "mission: m\nframes: {f: {fields: [{name: a, bits: 8}]}}\n",
        "r.csv": "a\n1\n",
        "flight": "x",
    }
    for name, text in held.items():
        Path(name).write_text(text, encoding="utf-8")
    if "link" in arguments:
        try:
            Path("link").symlink_to("flight")
        except OSError:
            pytest.skip("this system lets no ordinary user make links")
    assert frame.main(arguments) == 2
    assert "is an input and would be lost; name another file" in capsys.readouterr().err
    assert {name: Path(name).read_text(encoding="utf-8") for name in held} == held
