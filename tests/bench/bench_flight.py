"""Generated C for F39 on small processors, beside hand-written code: flash, cycles or instructions, stack. Run it by hand.

Question: is generated C as small and fast as what an expert writes? The peer's figures are ANCHORS: hand-written C of six shapes for this
frame, measured with the compilers named there; a figure of another compiler compares only in kind. The anchors' work is that of an
unchecked build (bits are cut, sync and check are verified, codes are not held against their bits); the checked build stands beside.

Flash is what linking adds to the same image without the calls. Cycles are an AVR's timer's, instructions a Cortex-M's counted by its
emulator's clock; neither is a board. Stack is what -fstack-usage says of a function and its check, with return addresses on an AVR.

    python tests/bench/bench_flight.py

Recorded, unchecked: AVR 1400 B (1.01 of the anchor), 1629 and 1781 cycles (0.98, 0.94), stack 8 B; Cortex-M0+ 1020 B (1.03), 759 and 833
instructions (0.97, 0.94), stack 32 B. The anchors compare neither the room there is nor the frame's length: these comparisons are 42 and 28
bytes. Checked: 1794 B (1.30) and 1232 B (1.25).

Small code, unchecked: AVR 872 B (0.82 of the anchor's table), 5733 and 5640 cycles (0.66, 0.64), stack 18 B; Cortex-M0+ 564 B (0.97),
2219 and 2248 instructions (0.92, 0.93), stack 56 B. Checked: 1028 B (0.96) and 648 B (1.11).

What was measured on the way: a sign by (x + ones) ^ ones takes one constant where (x ^ top) - top takes two (Cortex-M: 20 B, 9
instructions); judging in a function that returns an octet (AVR: 8 B); a check's loop that counts down to zero (AVR: 6 B, 117 cycles);
a product by 256 where a shift would move a byte's mask behind it (Cortex-M: 12 B); a check's register in a whole one of the processor
(Cortex-M: 37 instructions, 4 B of stack and of flash); its last octet compared, as the zero that is left otherwise is kept to be returned
(Cortex-M: 8 B of stack; AVR: 10 B of flash and 29 cycles less); an early return (AVR: 6 B). Bits of another field beside a code in its
first octet: of two octets taken off once these are together (AVR: 46 B of flash, 35 cycles, and 6 B of stack, as three registers that are
to be kept go unused; Cortex-M: 44 B more, so it does so before), of three and four the other way round (Cortex-M: 12 B and 8 instructions
less; AVR: 36 B more). Without gain: reading in a function of its own that calls nothing (86 B of flash), judging in one (20 B).
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

from packetkit import processors
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.processors import AVR, CORTEX_M, Processor
from packetkit.targets import c
from packetkit.targets.c import board

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.bench.bench_single_frame import schema

# avr-gcc 5.4.0, atmega328p; arm-none-eabi-gcc 12.2.1, cortex-m0plus; -Os. Encode and decode.
ANCHORS = {
    AVR.name: {"both": 1384, "encode": 1655, "decode": 1888, "stack": 8},
    CORTEX_M.name: {"both": 988, "encode": 786, "decode": 885, "stack": 32},
}
# The same by a table and an interpreter, held against small code.
SMALL_ANCHORS = {
    AVR.name: {"both": 1068, "encode": 8642, "decode": 8783, "stack": 33},
    CORTEX_M.name: {"both": 584, "encode": 2419, "decode": 2424, "stack": 72},
}

# The AVR that the anchors were measured on.
SMALL_AVR = replace(
    AVR,
    compiler=tuple(one.replace("1284p", "328p") for one in AVR.compiler),
    emulator=tuple(one.replace("1284p", "328p") for one in AVR.emulator),
)

# What the compiler cannot know beforehand stands in memory; the flash of an image is taken with calls and without.
_WORK = """\
#include "bench.c"
bench_bench record;
uint8_t frame[39];
volatile uint8_t result;
#ifdef ENCODES
#define ENCODE result = (uint8_t)bench_bench_encode(&record, frame, sizeof frame);
#else
#define ENCODE
#endif
#ifdef DECODES
#define DECODE result = (uint8_t)bench_bench_decode(&record, frame, sizeof frame);
#else
#define DECODE
#endif
"""
_CALLED = """\
int main(void) {
    begin();
    ENCODE
    DECODE
    stop();
    return 0;
}
"""

# Work is done often, and a round of the empty loop is taken off.
_COUNTED = """\
#define COUNT(WORK) start_clock(); for (turn = 0; turn < TIMES; turn++) { WORK __asm__ volatile("" ::: "memory"); } made = read_clock();
int main(void) {
    uint32_t empty, made;
    int turn;
    begin();
    COUNT()
    empty = made;
    COUNT(ENCODE)
    shown(made - empty);
    if (result != 0) { say('!'); }
    COUNT(DECODE)
    shown(made - empty);
    if (result != 0) { say('!'); }
    stop();
    return 0;
}
"""


@dataclass(frozen=True)
class Figures:
    """One build: flash in bytes, cycles or instructions, stack in bytes; encode and decode."""

    encode_bytes: int
    decode_bytes: int
    both_bytes: int
    encode: float
    decode: float
    stack: int


def flash(processor: Processor, place: str, *flags: str) -> int:
    """Return the bytes of text and data of an image."""
    image = processors.compiled(processor, board.GROUND[processor.ground] + _WORK + _CALLED, place, flags)
    size = processor.compiler[0].replace("gcc", "size")
    text, data = subprocess.run([size, image], capture_output=True, text=True, check=True).stdout.split()[6:8]
    return int(text) + int(data)


def measured(processor: Processor, place: str, *flags: str) -> Figures:
    """Return a build's figures."""
    base = flash(processor, place, *flags)
    encoder, decoder = (
        flash(processor, place, *flags, f"-D{what}") - base for what in ("ENCODES", "DECODES")
    )
    both = flash(processor, place, *flags, "-DENCODES", "-DDECODES") - base
    source = board.GROUND[processor.ground] + board.CLOCK + _WORK + _COUNTED
    said = processors.run(
        processor, source, place, [*flags, "-DENCODES", "-DDECODES", "-fstack-usage"]
    ).split()
    (report,) = Path(place).glob("board*.su")
    lines = [line.split("\t") for line in report.read_text().splitlines()]
    frames = {line[0].rsplit(":", 1)[1]: int(line[1]) for line in lines}
    inner = max((size for name, size in frames.items() if "_check_" in name or "_add" in name), default=0)
    stack = max(frames["bench_bench_encode"], frames["bench_bench_decode"]) + inner
    per = 1.0 if processor.ground == "avr" else board.TICK_INSTRUCTIONS / board.TIMES
    return Figures(encoder, decoder, both, int(said[0]) * per, int(said[1]) * per, stack)


def main() -> None:
    mission = parse(schema(True))
    for processor in (SMALL_AVR, CORTEX_M):
        version = subprocess.run(
            [processor.compiler[0], "--version"], check=True, capture_output=True, text=True
        )
        print(f"{processor.name}: {version.stdout.splitlines()[0]}")
        for option, anchors in (("", ANCHORS), (c.SMALL, SMALL_ANCHORS)):
            with tempfile.TemporaryDirectory() as place:
                of = Dossier("bench", mission.fingerprint, "", "", options=frozenset(option.split()))
                for name, text in c.write(mission.layouts, of).items():
                    (Path(place) / name).write_text(text)
                anchor = anchors[processor.name]
                for label, flags in (("unchecked", ["-DBENCH_UNCHECKED"]), ("checked", [])):
                    one = measured(processor, place, *flags)
                    print(
                        f"  {option:5} {label:9}  flash {one.encode_bytes} + {one.decode_bytes}, both {one.both_bytes} B"
                        f" ({one.both_bytes / anchor['both']:.2f});"
                        f" encode {one.encode:.0f} ({one.encode / anchor['encode']:.2f}),"
                        f" decode {one.decode:.0f} ({one.decode / anchor['decode']:.2f});"
                        f" stack {one.stack} B (anchor {anchor['stack']})"
                    )


if __name__ == "__main__":
    main()
