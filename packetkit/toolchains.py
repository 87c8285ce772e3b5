"""The edge to what generated code needs: compilers, interpreters, and processes that answer batches of questions.

A codec under test is one long-lived process. Nothing here knows a layout: commands and octets go in, octets come out.
"""

from __future__ import annotations

import json
import os
import select
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any

from packetkit.conformance import spoken
from packetkit.conformance.batch import Answer, Question, answers, batch
from packetkit.errors import TargetError
from packetkit.layout.model import Layout
from packetkit.targets import c, micropython
from packetkit.targets import javascript as javascript_target
from packetkit.targets import python as python_target
from packetkit.targets.c import fuzzer, harness
from packetkit.targets.c.words import identifier
from packetkit.targets.micropython import harness as micropython_harness
from packetkit.targets.micropython.source import frames_of, module_name
from packetkit.targets.target import Dossier, Target


def find(*programs: str) -> str | None:
    """Return the path of the first of these programs that is installed, or None."""
    return next((path for one in programs if (path := shutil.which(one)) is not None), None)


def run(command: Sequence[str], *, cwd: str, seconds: float = 120.0) -> subprocess.CompletedProcess[str]:
    """Return a finished command, its output as text. Raises TargetError, with what it wrote, where it fails."""
    try:
        done = subprocess.run(
            command,
            cwd=cwd,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            timeout=seconds,
            check=False,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise TargetError(f"{command[0]} could not be run: {error}") from error
    if done.returncode:
        raise TargetError(f"{' '.join(command)} ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done


WORDS = 2000  # of what a process wrote before it was gone, its last: an interpreter may have written all of its own source


class Process:
    """A codec in a process of its own, asked in batches through its standard input and output."""

    def __init__(self, command: Sequence[str], cwd: str) -> None:
        self.command = command
        self.process = subprocess.Popen(
            command, cwd=cwd, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
        )

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Return the answers to these questions. Raises TargetError, with what it wrote, where the process is gone."""
        assert self.process.stdin is not None and self.process.stdout is not None
        try:
            self.process.stdin.write(batch(questions))
            self.process.stdin.flush()
            (size,) = struct.unpack("<I", self._read(4))
            made = list(answers(self._read(size)))
        except (OSError, EOFError, ValueError) as error:
            raise TargetError(f"{self.command[0]} gave no answer: {error}{self._words()}") from error
        if len(made) != len(questions):
            raise TargetError(f"{self.command[0]} gave {len(made)} answers to {len(questions)} questions")
        return made

    def _read(self, size: int) -> bytes:
        assert self.process.stdout is not None
        found = self.process.stdout.read(size)
        if len(found) < size:
            raise EOFError(f"{len(found)} of {size} octets came")
        return found

    def _words(self) -> str:
        assert self.process.stderr is not None
        self.process.kill()
        return "\n" + self.process.stderr.read().decode(errors="replace")[-WORDS:]

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.communicate()

    def __enter__(self) -> Process:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class Speaker:
    """An interpreter that runs codecs which take and give values, asked in batches of one line (conformance/spoken.py)."""

    def __init__(self, command: Sequence[str]) -> None:
        self.command = command
        self.process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, encoding="utf-8"
        )

    def ask(self, module: str, questions: Sequence[spoken.Question]) -> list[Any]:
        """Return the answers of the codec in a file. Raises TargetError, with what it wrote, where the process is gone."""
        assert self.process.stdin is not None and self.process.stdout is not None
        try:
            self.process.stdin.write(spoken.line(module, questions))
            self.process.stdin.flush()
            made: list[Any] = json.loads(self.process.stdout.readline())
        except (OSError, ValueError) as error:
            self.process.kill()
            words = self.process.communicate()[1]
            raise TargetError(f"{self.command[0]} gave no answer: {error}\n{words}") from error
        return made

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.communicate()

    def __enter__(self) -> Speaker:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def javascript() -> Speaker:
    """Return node, ready to run generated modules. Raises TargetError where it is not installed."""
    node = find("node", "nodejs")
    if node is None:
        raise TargetError("node is not installed. Install it (Debian: nodejs) to run generated JavaScript")
    return Speaker([node, "-e", javascript_target.DRIVER])


def python(interpreter: str = sys.executable) -> Speaker:
    """Return a Python interpreter, ready to run generated standalone modules."""
    return Speaker([interpreter, "-c", python_target.DRIVER])


def find_python(version: str) -> str | None:
    """Return an interpreter of a version, as `3.8`: in PATH or under pyenv; None where there is none that runs."""
    root = Path(os.environ.get("PYENV_ROOT") or Path(os.environ.get("HOME", "/")) / ".pyenv")
    names = [
        shutil.which(f"python{version}"),
        *sorted(map(str, root.glob(f"versions/{version}.*/bin/python{version}"))),
    ]
    for name in filter(None, names):
        probe = [name, "-c", "import sys; print('%d.%d' % sys.version_info[:2])"]
        done = subprocess.run(probe, capture_output=True, text=True, check=False)
        if done.stdout.strip() == version:
            return name
    return None


# -- C -------------------------------------------------------------------------------------------------------------

# Warnings that generated C is clean of, with every compiler.
STRICT = ("-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-pedantic", "-Werror")
# A mistake of generated code ends the program: undefined behaviour, and any access outside an object.
SANITIZED = ("-fsanitize=undefined,address", "-fno-sanitize-recover=all")

UNDEFINED = ("-fsanitize=undefined", "-fno-sanitize-recover=all")

Missions = Sequence[tuple[Mapping[str, Layout], Dossier]]


def c_process(missions: Missions, directory: str, options: Sequence[str] = SANITIZED) -> Process:
    """Return a process that answers for all frames of these missions, numbered through, by generated C. Their names must differ.

    Raises Unsupported for what C cannot express, and TargetError without a C compiler, or where it refuses.
    """
    compiler = find("cc", "gcc", "clang")
    if compiler is None:
        raise TargetError("there is no C compiler here: install gcc or clang")
    named = [(layouts, dossier, identifier(dossier.mission)) for layouts, dossier in missions]
    files = {name: text for layouts, dossier, _ in named for name, text in c.write(layouts, dossier).items()}
    files["harness.c"] = harness.text(named)
    for name, text in files.items():
        with open(os.path.join(directory, name), "w", encoding="utf-8") as file:
            file.write(text)
    run([compiler, "-std=c99", *options, "-o", "harness", "harness.c"], cwd=directory)
    return Process([os.path.join(directory, "harness")], directory)


def c_fuzzer(missions: Missions, directory: str) -> list[str]:
    """Return the command of a fuzzer over the decoders of these missions, in a directory; it takes libFuzzer's options behind.

    Their names must differ. Raises Unsupported, and TargetError without clang and its library, or where it refuses.
    """
    if find("clang") is None:
        raise TargetError("clang is not installed (Debian: clang libclang-rt-14-dev): it fuzzes generated C")
    named = [(layouts, dossier, identifier(dossier.mission)) for layouts, dossier in missions]
    files = {name: text for layouts, dossier, _ in named for name, text in c.write(layouts, dossier).items()}
    files["fuzzer.c"] = fuzzer.text(named)
    for name, text in files.items():
        with open(os.path.join(directory, name), "w", encoding="utf-8") as file:
            file.write(text)
    watched = ("-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all")
    run(["clang", "-std=c99", "-g", "-O1", *watched, "-o", "fuzzer", "fuzzer.c"], cwd=directory)
    return [os.path.join(directory, "fuzzer")]


# -- MicroPython ---------------------------------------------------------------------------------------------------

MICROPYTHON_PACKAGE = "@micropython/micropython-webassembly-pyscript"

# What node runs: it loads the interpreter, puts the modules into its files, and answers a line for a line.
_MICROPYTHON_DRIVER = r"""
const path = require("path"), fs = require("fs"), url = require("url"), readline = require("readline");
const [package_directory, directory] = process.argv.splice(1);  // taken away: the package would run them as a script
const fail = (error) => { process.stderr.write(String(error) + "\n"); process.exit(3); };
import(url.pathToFileURL(path.join(package_directory, "micropython.mjs"))).then(async (loaded) => {
  const words = (line) => process.stderr.write(line + "\n");
  const python = await loaded.loadMicroPython({heapsize: 1 << 24, stdout: words, stderr: words});
  for (const name of fs.readdirSync(directory)) {
    if (name.endsWith(".py")) python.FS.writeFile("/" + name, fs.readFileSync(path.join(directory, name), "utf-8"));
  }
  python.runPython("import sys\nsys.path.append('/')\nfrom harness import answer");
  const answer = python.globals.get("answer");
  readline.createInterface({input: process.stdin}).on("line", (line) => {
    try { process.stdout.write(answer(line) + "\n"); } catch (error) { fail(error); }
  });
}).catch(fail);
"""


class HexProcess(Process):
    """A codec in an interpreter that has no pipes of octets: a batch is a line of hexadecimal text, so is the batch of answers."""

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Return the answers to these questions. Raises TargetError, with what it wrote, where the process is gone."""
        assert self.process.stdin is not None and self.process.stdout is not None
        try:
            self.process.stdin.write(batch(questions)[4:].hex().encode() + b"\n")
            self.process.stdin.flush()
            made = list(answers(bytes.fromhex(self.process.stdout.readline().decode())))
        except (OSError, ValueError) as error:
            raise TargetError(f"{self.command[0]} gave no answer: {error}{self._words()}") from error
        if len(made) != len(questions):
            raise TargetError(
                f"{self.command[0]} gave {len(made)} answers to {len(questions)} questions{self._words()}"
            )
        return made


def node_package(name: str) -> str | None:
    """Return where a package of node lies: in NODE_PATH, or in `node_modules` here, above, or among those for all; None where it is not."""
    here = os.getcwd()
    above = [here]
    while os.path.dirname(above[-1]) != above[-1]:
        above.append(os.path.dirname(above[-1]))
    places = [*filter(None, os.environ.get("NODE_PATH", "").split(os.pathsep))]
    places += [os.path.join(one, "node_modules") for one in above]
    places += ["/usr/local/lib/node_modules", "/usr/lib/node_modules"]
    return next((path for one in places if os.path.isdir(path := os.path.join(one, *name.split("/")))), None)


def micropython_files(missions: Missions) -> dict[str, str]:
    """Return generated modules and the program around them, by file name. Raises Unsupported."""
    files: dict[str, str] = {}
    named = []
    for layouts, dossier in missions:
        files |= micropython.write(layouts, dossier)
        frames = frames_of(layouts, micropython.SMALL_INTEGERS in dossier.options)
        named.append((module_name(dossier.mission), frames))
    return {**files, "harness.py": micropython_harness.text(named)}


def micropython_process(missions: Missions, directory: str) -> HexProcess:
    """Return MicroPython answering for these missions, in node. Their names must differ.

    Raises Unsupported, and TargetError where node, or the interpreter's package for it, is not installed.
    """
    node, package = find("node", "nodejs"), node_package(MICROPYTHON_PACKAGE)
    if node is None or package is None:
        lacks = "node" if node is None else f"its package {MICROPYTHON_PACKAGE}"
        raise TargetError(
            f"{lacks} is not installed. Install node (Debian: nodejs npm), then: npm install {MICROPYTHON_PACKAGE}"
        )
    for name, text in micropython_files(missions).items():
        with open(os.path.join(directory, name), "w", encoding="utf-8") as file:
            file.write(text)
    return HexProcess([node, "-e", _MICROPYTHON_DRIVER, package, os.path.abspath(directory)], directory)


# A board with 16 KiB of memory and MicroPython 1.9.2, emulated; where Debian puts what runs on it.
MICROBIT_FIRMWARE = "/usr/share/firmware-microbit-micropython/firmware.hex"
_BYTE_S = 0.0003  # its serial line loses what comes faster


def microbit(source: str, seconds: float = 30.0) -> str:
    """Return what a program writes on an emulated micro:bit: its output, and behind an EOT (4) what it broke off with.

    Raises TargetError where the emulator or the firmware is not installed, or nothing comes in time.
    """
    emulator = find("qemu-system-arm")
    if emulator is None or not os.path.isfile(MICROBIT_FIRMWARE):
        raise TargetError(
            "the emulated board needs qemu-system-arm and its firmware (Debian: qemu-system-arm firmware-microbit-micropython)"
        )
    device = f"loader,file={MICROBIT_FIRMWARE}"
    command = [
        emulator,
        "-M",
        "microbit",
        "-device",
        device,
        "-display",
        "none",
        "-monitor",
        "none",
        "-serial",
        "stdio",
    ]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    ) as board:
        try:
            line = _Serial(board, time.monotonic() + seconds)
            line.until(b">>> ")
            line.say(b"\x01")  # the raw prompt: no echo, and ends of output are marked
            line.until(b"raw REPL; CTRL-B to exit\r\n>")
            line.say(source.encode() + b"\x04")
            line.until(b"OK")
            output = line.until(b"\x04")
            return (output + b"\x04" + line.until(b"\x04")).decode(errors="replace")
        finally:
            board.kill()


class _Serial:
    """A serial line to an emulated board: says octets at the pace it bears, and waits for what comes back."""

    def __init__(self, board: subprocess.Popen[bytes], deadline: float) -> None:
        self.board = board
        self.deadline = deadline
        self.heard = b""

    def say(self, octets: bytes) -> None:
        assert self.board.stdin is not None
        for octet in octets:
            self.board.stdin.write(bytes([octet]))
            self.board.stdin.flush()
            time.sleep(_BYTE_S)

    def until(self, mark: bytes) -> bytes:
        """Return what comes before a mark. Raises TargetError where it does not come in time."""
        assert self.board.stdout is not None
        while mark not in self.heard:
            left = self.deadline - time.monotonic()
            if left <= 0 or not select.select([self.board.stdout], [], [], left)[0]:
                raise TargetError(f"the board did not say {mark!r} in time; it said {self.heard[-200:]!r}")
            found = os.read(self.board.stdout.fileno(), 4096)
            if not found:
                raise TargetError(f"the board went away; it said {self.heard[-200:]!r}")
            self.heard += found
        before, self.heard = self.heard.split(mark, 1)
        return before


class Spoken:
    """Missions of a target that takes and gives values, in an interpreter: asked on raw codes as `Process` is, and on values."""

    def __init__(
        self, target: Target, start: Callable[[], Speaker], missions: Missions, directory: str
    ) -> None:
        """start: starts the interpreter, once nothing was refused."""
        self.places: list[
            tuple[str, Layout]
        ] = []  # the module and the layout of each frame, numbered through
        written = [(layouts, target.write(layouts, dossier)) for layouts, dossier in missions]
        for number, (layouts, files) in enumerate(written):
            place = os.path.join(directory, f"{target.name}-{number}")
            os.makedirs(place)
            for name, text in files.items():
                with open(os.path.join(place, name), "w", encoding="utf-8") as file:
                    file.write(text)
            module = os.path.join(os.path.abspath(place), next(iter(files)))
            self.places += [(module, layout) for layout in layouts.values()]
        self.speaker = start()

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Return the answers to these questions about raw codes."""
        layouts = [layout for _, layout in self.places]
        made: dict[int, Answer] = {}
        for module in {module for module, _ in self.places}:
            mine = [at for at, one in enumerate(questions) if self.places[one.frame][0] == module]
            found = spoken.raw_answers(
                layouts, [questions[at] for at in mine], partial(self.speaker.ask, module)
            )
            made.update(zip(mine, found, strict=True))
        return [made[at] for at in range(len(questions))]

    def ask_values(self, questions: Sequence[spoken.Question]) -> list[Any]:
        """Return the answers to these questions about values of the first mission's frames."""
        return self.speaker.ask(self.places[0][0], questions)

    def __enter__(self) -> Spoken:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.speaker.close()


def javascript_process(missions: Missions, directory: str) -> Spoken:
    """Return node answering for these missions. Raises Unsupported, and TargetError where node is not installed."""
    return Spoken(javascript_target.TARGET, javascript, missions, directory)


def python_process(missions: Missions, directory: str) -> Spoken:
    """Return this Python answering for these missions by generated standalone modules. Raises Unsupported."""
    return Spoken(python_target.TARGET, python, missions, directory)


SPEAKING = ("javascript", "python")  # targets that know values, too
# What answers for a target: from missions and an empty directory to a process.
PROCESSES: dict[str, Callable[[Missions, str], Process | Spoken]] = {
    "c": c_process,
    "javascript": javascript_process,
    "micropython": micropython_process,
    "python": python_process,
}
