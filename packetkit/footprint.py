"""The edge to compilers for small processors that tells how much flash, memory and stack generated C takes, function by function.

What a linker adds (its library's helpers) or drops (what nobody calls) is not in these figures. Stack is a function's own, with the
return address where the processor puts it there.
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from packetkit.errors import TargetError
from packetkit.toolchains import find, run


@dataclass(frozen=True, slots=True)
class Compiler:
    """A compiler that is asked. packages: what Debian calls what it needs; data_in_memory: constants take memory too."""

    program: str
    options: tuple[str, ...]
    packages: str
    data_in_memory: bool = False

    @property
    def command(self) -> str:
        return " ".join((self.program, *self.options))


COMPILERS = (
    Compiler("avr-gcc", ("-mmcu=atmega328p", "-Os"), "gcc-avr avr-libc", data_in_memory=True),
    Compiler(
        "arm-none-eabi-gcc",
        ("-mcpu=cortex-m0plus", "-mthumb", "-Os"),
        "gcc-arm-none-eabi libnewlib-arm-none-eabi",
    ),
)


@dataclass(frozen=True, slots=True)
class Piece:
    """A function, or data beside them. unchecked_bytes: flash in an unchecked build; stack_bytes: None for data."""

    file: str
    name: str
    flash_bytes: int
    unchecked_bytes: int
    memory_bytes: int
    stack_bytes: int | None


@dataclass(frozen=True, slots=True)
class Footprint:
    """What one compiler makes of the files; version: in its own words."""

    compiler: Compiler
    version: str
    pieces: tuple[Piece, ...]


def compilers() -> list[Compiler]:
    """Return the compilers that are found here."""
    return [one for one in COMPILERS if find(one.program) is not None]


def footprints(files: Mapping[str, str]) -> tuple[list[Footprint], list[Compiler]]:
    """Return a footprint by each compiler that is found, and the compilers that are not.

    files: text by file name, as the target c writes them. Raises TargetError where a compiler refuses.
    """
    there = compilers()
    with tempfile.TemporaryDirectory(prefix="packetkit-") as place:
        for name, text in files.items():
            with open(os.path.join(place, name), "w", encoding="utf-8") as file:
                file.write(text)
        made = [_footprint(one, list(files), place) for one in there]
    return made, [one for one in COMPILERS if one not in there]


def _footprint(compiler: Compiler, files: list[str], place: str) -> Footprint:
    version = run([compiler.program, "--version"], cwd=place).stdout.splitlines()[0]
    (header,) = (name for name in files if name.endswith(".h"))
    unchecked = f"-D{header[:-2].upper()}_UNCHECKED"
    pieces: list[Piece] = []
    for name in (name for name in files if name.endswith(".c") and not name.endswith("_example.c")):
        less = {one: flash for one, flash, _ in sizes(compiler, name, place, unchecked)}
        found = list(sizes(compiler, name, place))
        stacks = _stacks(os.path.join(place, "one.su"))
        pieces += [
            Piece(name, one, flash, less.get(one, 0), memory, stacks.get(one)) for one, flash, memory in found
        ]
    return Footprint(compiler, version, tuple(pieces))


# Of nm's listing in the format sysv: name, address, type, size, section.
_ROW = re.compile(r"(\S+)\s*\|([0-9a-f]+)\|[^|]*\|\s*(FUNC|OBJECT)\|([0-9a-f]+)\|[^|]*\|(\S+)")


def sizes(compiler: Compiler, name: str, place: str, *more: str) -> Iterator[tuple[str, int, int]]:
    """Yield name, flash and memory of what a file in a directory defines, in the order that it lies there."""
    run(
        [compiler.program, *compiler.options, "-std=c99", "-fstack-usage", *more, "-c", name, "-o", "one.o"],
        cwd=place,
    )
    listed = run([compiler.program.replace("gcc", "nm"), "-n", "-S", "-f", "sysv", "one.o"], cwd=place).stdout
    seen = set()
    for symbol, address, kind, size, section in _ROW.findall(listed):
        if kind == "FUNC" and (address, section) in seen:
            continue  # a function that is the same as another: a compiler keeps one for both
        seen.add((address, section))
        many = int(size, 16)
        is_constant = section.startswith(".rodata")
        in_memory = section.startswith((".data", ".bss")) or (is_constant and compiler.data_in_memory)
        yield _plain(symbol), 0 if section.startswith(".bss") else many, many if in_memory else 0


def _stacks(path: str) -> dict[str, int]:
    """Bytes of stack by function, as the compiler has written them."""
    if not os.path.isfile(path):
        raise TargetError(f"the compiler wrote no {os.path.basename(path)} beside what it made")
    with open(path, encoding="utf-8") as file:
        rows = [line.split("\t") for line in file.read().splitlines()]
    return {_plain(row[0].rsplit(":", 1)[1]): int(row[1]) for row in rows}


def _plain(symbol: str) -> str:
    """A name as it is in the file: compilers add to the names of what they copy (`.constprop.0`) and of data in a function (`.12`)."""
    return symbol.split(".", 1)[0]
