"""The edge to small processors: generated C compiled for an AVR and a Cortex-M, and run on their emulators.

An emulated processor is no board: cycles of the AVR are its timer's, what is counted of the Cortex-M is instructions. What programs say
comes back as text; answers to questions (conformance/batch.py) come as from any other process.
"""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from dataclasses import dataclass

from packetkit import toolchains
from packetkit.conformance.batch import Answer, Question, answers
from packetkit.errors import TargetError
from packetkit.targets import c
from packetkit.targets.c import board
from packetkit.targets.c.words import identifier
from packetkit.toolchains import Missions, find


@dataclass(frozen=True, slots=True)
class Processor:
    """A processor that is emulated. compiler, emulator: commands; the image's path follows both. links: the compiler's words behind."""

    name: str
    ground: str  # a row of board.GROUND
    compiler: tuple[str, ...]
    links: tuple[str, ...]
    emulator: tuple[str, ...]
    packages: str  # of Debian


# The largest AVR whose flash is reached by plain addresses of 16 bits for data and code: 128 KiB, 16 KiB of memory.
AVR = Processor(
    "AVR",
    "avr",
    ("avr-gcc", "-mmcu=atmega1284p", "-DF_CPU=16000000UL", "-Os", "-std=gnu99"),
    ("-Wl,--gc-sections",),
    ("simavr", "-m", "atmega1284p", "-f", "16000000"),
    "gcc-avr avr-libc binutils-avr simavr",
)
# Code for the smallest core, on a board with a larger one that runs it; a fixed count of instructions to the nanosecond.
CORTEX_M = Processor(
    "Cortex-M",
    "cortex-m",
    ("arm-none-eabi-gcc", "-mcpu=cortex-m0plus", "-mthumb", "-Os", "-std=gnu99", "-nostartfiles"),
    ("-T", "linked.ld", "--specs=nano.specs", "--specs=nosys.specs", "-Wl,--gc-sections,--no-warnings"),
    (
        *(
            "qemu-system-arm",
            "-M",
            "mps2-an385",
            "-icount",
            "shift=0",
            "-display",
            "none",
            "-monitor",
            "none",
        ),
        *("-serial", "none", "-semihosting-config", "enable=on,target=native", "-kernel"),
    ),
    "gcc-arm-none-eabi libnewlib-arm-none-eabi qemu-system-arm",
)
PROCESSORS = {one.ground: one for one in (AVR, CORTEX_M)}

_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_MOST_STORED = 30_000  # octets of questions in one image: an AVR's compiler takes no object beyond 32,767


def compiled(processor: Processor, text: str, directory: str, options: Sequence[str] = ()) -> str:
    """Return the path of a program's image. directory: where it is put, beside what it includes. Raises TargetError."""
    for program in (processor.compiler[0], processor.emulator[0]):
        if find(program) is None:
            raise TargetError(f"{program} is not installed (Debian: {processor.packages})")
    for name, content in (("board.c", text), ("linked.ld", board.LINKED)):
        with open(os.path.join(directory, name), "w", encoding="utf-8") as file:
            file.write(content)
    flags = ("-ffunction-sections", "-fdata-sections")
    toolchains.run(
        [*processor.compiler, *flags, *options, "board.c", "-o", "board.elf", *processor.links], cwd=directory
    )
    return os.path.join(directory, "board.elf")


def run(processor: Processor, text: str, directory: str, options: Sequence[str] = ()) -> str:
    """Return what a program says on a processor. directory: where it is put, beside what it includes.

    Raises TargetError without the compiler or the emulator, where one of them refuses, or where the program does not end.
    """
    compiled(processor, text, directory, options)
    done = toolchains.run([*processor.emulator, "board.elf"], cwd=directory)
    said = _heard(done.stderr) if processor.ground == AVR.ground else done.stdout + done.stderr
    return said.strip("\n")


def _heard(text: str) -> str:
    """What simavr heard: it colours it, shows a control character as a dot, and begins a line after 256 characters."""
    lines = _COLOUR.sub("", text).splitlines()
    return "".join(f"{line[:-1]}\n" if line.endswith(".") else line for line in lines)


class Board:
    """Missions on an emulated processor. It is asked as a process is, but each time a program is compiled: ask much at once."""

    def __init__(self, processor: Processor, missions: Missions, directory: str) -> None:
        self.processor = processor
        self.directory = directory
        self.named = [(layouts, dossier, identifier(dossier.mission)) for layouts, dossier in missions]
        for layouts, dossier in missions:
            for name, text in c.write(layouts, dossier).items():
                with open(os.path.join(directory, name), "w", encoding="utf-8") as file:
                    file.write(text)

    def ask(self, questions: Sequence[Question]) -> list[Answer]:
        """Return the answers to these questions. Raises TargetError, with what was said, where not all come."""
        made: list[Answer] = []
        batch = b""
        for at, question in enumerate(questions):
            batch += question.octets()
            following = questions[at + 1].octets() if at + 1 < len(questions) else None
            if following is None or len(batch) + len(following) > _MOST_STORED:
                made += self._answered(batch)
                batch = b""
        if len(made) != len(questions):
            raise TargetError(f"{self.processor.name} gave {len(made)} answers to {len(questions)} questions")
        return made

    def _answered(self, batch: bytes) -> list[Answer]:
        said = run(self.processor, board.answering(self.processor.ground, self.named, batch), self.directory)
        if board.GONE in said:
            raise TargetError(f"{self.processor.name} ended early; it said:\n{said[-300:]}")
        lines = [line for line in said.splitlines() if line.startswith(board.MARK)]
        return list(answers(bytes.fromhex("".join(line[len(board.MARK) :] for line in lines))))


def running(processor: Processor, file: str, directory: str, options: Sequence[str] = ()) -> str:
    """Return what a program with a main function of its own says, as a main loop that c.write gives. Raises TargetError."""
    return run(processor, board.running(processor.ground, file), directory, options)
