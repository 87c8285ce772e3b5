"""The edge that measures check code: what each form that C has of an algorithm takes, by the compilers and emulators found here.

Flash is the function that runs over octets, what it calls and its table. Cycles are an AVR's timer's; of the Cortex-M instructions are
counted by its emulator's clock. Neither is a board. Both are of an octet in a run of SPAN, with the loop around it.
"""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from packetkit import footprint, processors
from packetkit.footprint import Compiler
from packetkit.integrity.algorithm import Algorithm
from packetkit.processors import Processor
from packetkit.targets.c import board, checks
from packetkit.targets.c.words import Page
from packetkit.toolchains import find

SPAN = 16  # octets: what the slowest code takes for them still fits an AVR's timer of 16 bits

# What runs the images of a compiler's, and what it counts.
COUNTED: dict[str, tuple[Processor, str]] = {
    "avr-gcc": (processors.AVR, "cycles"),
    "arm-none-eabi-gcc": (processors.CORTEX_M, "instructions"),
}

_TIMED = """\
static volatile uint8_t sink;
static uint8_t octets[SPAN];
#define COUNT(WORK) start_clock(); for (turn = 0; turn < TIMES; turn++) { WORK __asm__ volatile("" ::: "memory"); } made = read_clock();
int main(void) {
    uint32_t empty, made;
    int turn;
    begin();
    COUNT()
    empty = made;
    CALLS
    stop();
    return 0;
}
"""


@dataclass(frozen=True, slots=True)
class Cost:
    """What one form of an algorithm takes. per_octet: cycles or instructions (`unit`), None without the emulator (`counter`)."""

    compiler: str
    algorithm: str
    form: str
    flash_bytes: int
    per_octet: float | None
    unit: str
    counter: str
    is_written: bool


def costs(algorithms: Iterable[Algorithm], asked: str = "") -> list[Cost]:
    """Return the cost of every form of these CRCs, those of one compiler together. asked: checks.SIZE, checks.SPEED or nothing.

    Raises TargetError where a compiler refuses. What has one form only is left out.
    """
    kinds = {one.identity(): one for one in algorithms}.values()
    forms = [(one, form) for one in kinds for form in checks.forms_of(one)]
    made: list[Cost] = []
    for compiler in footprint.compilers() if forms else ():
        processor, unit = COUNTED[compiler.program]
        emulator = processor.emulator[0]
        with tempfile.TemporaryDirectory(prefix="packetkit-") as place:
            flash = [_flash(compiler, one, form, place) for one, form in forms]
            counted = _counted(processor, forms, place) if find(emulator) else [None] * len(forms)
        made += [
            Cost(
                compiler.command,
                one.name,
                form,
                size,
                count,
                unit,
                emulator,
                form == checks.form_of(one, asked),
            )
            for (one, form), size, count in zip(forms, flash, counted, strict=True)
        ]
    return made


def code(algorithm: Algorithm, form: str, name: str) -> str:
    """Return a function `<name>_run` that gives an algorithm's value, before its final xor, over octets; with all that it calls."""
    page = Page()
    engine = checks.engine(algorithm, name)
    checks.define(page, engine, name, form=form, bits=False, turned=False)
    head = f"__attribute__((noinline)) {engine.state} {name}_run(const uint8_t *d, uint8_t size)"
    page.add(f"{head};")
    with page.block(head):
        page.add(f"{engine.state} c = {engine.start};")
        with page.block("do"):
            page.add(engine.step("*d++"))
        page.lines[-1] += " while (--size > 0);"
        page.add(f"return {engine.value};")
    return "#include <stdint.h>\n#include <string.h>\n" + page.text


def _flash(compiler: Compiler, algorithm: Algorithm, form: str, place: str) -> int:
    with open(os.path.join(place, "check.c"), "w", encoding="utf-8") as file:
        file.write(code(algorithm, form, "check"))
    return sum(flash for _, flash, _ in footprint.sizes(compiler, "check.c", place))


def _counted(processor: Processor, forms: Sequence[tuple[Algorithm, str]], place: str) -> list[float | None]:
    """Cycles or instructions an octet."""
    text = "".join(code(one, form, f"c{at}") for at, (one, form) in enumerate(forms))
    calls = "".join(
        f"COUNT(sink = (uint8_t)c{at}_run(octets, SPAN);)\n    shown(made - empty);\n    "
        for at in range(len(forms))
    )
    timed = _TIMED.replace("CALLS", calls).replace("SPAN", str(SPAN))
    said = processors.run(processor, board.GROUND[processor.ground] + board.CLOCK + text + timed, place)
    per = 1 if processor.ground == processors.AVR.ground else board.TICK_INSTRUCTIONS / board.TIMES
    return [int(one) * per / SPAN for one in said.split()]
