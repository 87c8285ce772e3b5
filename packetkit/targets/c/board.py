"""What stands around generated C on a small processor without an operating system: its start, its output, its end.

A processor says characters through what its emulator hears, and ends by what the emulator takes for an end. Programs are one file each,
that includes everything. Questions (conformance/batch.py) are stored in the image, as there is no way in; answers are said as hexadecimal
text, in lines that start with MARK.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from packetkit.layout.model import Layout
from packetkit.targets.c import harness
from packetkit.targets.target import Dossier

MARK = "="  # before a line of answers
GONE = "!"  # before the number that the program ended itself with

# An AVR: characters through its first serial line, as fast as that goes; sleep without interrupts is the end for its emulator.
_AVR = """\
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/pgmspace.h>
#include <avr/sleep.h>
#include <stdint.h>
#include <stdio.h>
#define STORED PROGMEM
#define stored(from) pgm_read_byte(from)
static void begin(void) {
    UCSR0A = 1 << U2X0;
    UBRR0 = 0;
    UCSR0B = 1 << TXEN0;
}
static void say(char one) {
    while (!(UCSR0A & (1 << UDRE0))) { }
    UDR0 = (uint8_t)one;
}
static void stop(void) {
    say('\\n');
    while (!(UCSR0A & (1 << UDRE0))) { }
    cli();
    sleep_mode();
    for (;;) { }
}
static int board_put(char one, FILE *to) {
    (void)to;
    say(one);
    return 0;
}
static FILE board_output = FDEV_SETUP_STREAM(board_put, NULL, _FDEV_SETUP_WRITE);
static void open_output(void) { stdout = &board_output; }
"""

# A Cortex-M: its table of vectors, memory made ready, and semihosting (Arm's document "Semihosting for AArch32 and AArch64": operations
# SYS_WRITEC 0x03 and SYS_EXIT 0x18 with reason ADP_Stopped_ApplicationExit 0x20026, breakpoint 0xAB).
_CORTEX_M = """\
#include <stdint.h>
#include <stdio.h>
#define STORED
#define stored(from) (*(from))
extern uint32_t data_from, data_start, data_end, bss_start, bss_end, stack_top;
int main(void);
static int host(int operation, const void *with) {
    register int r0 __asm__("r0") = operation;
    register const void *r1 __asm__("r1") = with;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}
static void begin(void) { }
static void say(char one) { (void)host(0x03, &one); }
static void stop(void) {
    (void)host(0x18, (const void *)0x20026);
    for (;;) { }
}
int _write(int file, const char *from, int size);
int _write(int file, const char *from, int size) {
    int at;
    (void)file;
    for (at = 0; at < size; at++) { say(from[at]); }
    return size;
}
static void open_output(void) { setvbuf(stdout, NULL, _IONBF, 0); }
void reset(void);
void reset(void) {
    uint32_t *to, *from = &data_from;
    for (to = &data_start; to < &data_end; to++) { *to = *from++; }
    for (to = &bss_start; to < &bss_end; to++) { *to = 0; }
    (void)main();
    stop();
}
static void fault(void) {
    say('!');
    say('f');
    stop();
}
__attribute__((section(".vectors"), used)) static void *const vectors[16] = {
    &stack_top, (void *)reset, (void *)fault, (void *)fault, (void *)fault, (void *)fault, (void *)fault,
};
"""

# Where things lie on the emulated board: 4 MiB for code at 0, 4 MiB of memory at 0x20000000.
LINKED = """\
ENTRY(reset)
MEMORY { code (rx) : ORIGIN = 0, LENGTH = 4M  memory (rwx) : ORIGIN = 0x20000000, LENGTH = 4M }
SECTIONS {
    .text : { KEEP(*(.vectors)) *(.text*) *(.rodata*) . = ALIGN(4); } > code
    .ARM.exidx : { *(.ARM.exidx*) } > code
    data_from = LOADADDR(.data);
    .data : { . = ALIGN(4); data_start = .; *(.data*) . = ALIGN(4); data_end = .; } > memory AT > code
    .bss : { . = ALIGN(4); bss_start = .; *(.bss*) *(COMMON) . = ALIGN(4); bss_end = .; } > memory
    . = ALIGN(8); end = .;
    stack_top = ORIGIN(memory) + LENGTH(memory);
}
"""

GROUND = {"avr": _AVR, "cortex-m": _CORTEX_M}

# A clock, and a number said in digits: an AVR's first timer counts cycles; SysTick (Arm's architecture reference manual: control, reload,
# value from 0xE000E010) has ticks of 40 instructions in the emulator, so work is done TIMES over.
TICK_INSTRUCTIONS, TIMES = 40, 400
CLOCK = """\
static void shown(uint32_t value) {
    char text[11];
    int at = 10;
    text[10] = 0;
    do { text[--at] = (char)('0' + value % 10); value /= 10; } while (value);
    while (text[at]) { say(text[at++]); }
    say(' ');
}
#if defined(__AVR__)
#define TIMES 1
static void start_clock(void) { TCNT1 = 0; TCCR1B = 1; }
static uint32_t read_clock(void) { return TCNT1; }
#else
#define TIMES MANY
#define TICK ((volatile uint32_t *)0xE000E010)
static void start_clock(void) { TICK[1] = 0xFFFFFF; TICK[2] = 0; TICK[0] = 5; }
static uint32_t read_clock(void) { return 0xFFFFFF - TICK[2]; }
#endif
""".replace("MANY", str(TIMES))

_ANSWERING = """\
static void say_octet(uint8_t octet) {
    static const char digits[] = "0123456789abcdef";
    say(digits[octet >> 4]);
    say(digits[octet & 15]);
}

static void say_answers(void) {
    size_t at;
    for (at = 0; at < used; at++) {
        if (at % 100 == 0) {
            if (at) { say('\\n'); }
            say('=');
        }
        say_octet(out[at]);
    }
    say('\\n');
}

static size_t number_at(size_t at, int octets) {
    size_t made = 0;
    while (octets-- > 0) { made = (size_t)(made << 8) | stored(questions + at + octets); }
    return made;
}

int main(void) {
    size_t at = 0;
    begin();
    while (at + 7 <= sizeof questions) {
        const uint8_t what = stored(questions + at);
        const size_t frame = number_at(at + 1, 2), length = number_at(at + 3, 2);
        uint8_t *subject = (uint8_t *)malloc(length ? length : 1);
        size_t i;
        if (subject == NULL) { exit(2); }
        for (i = 0; i < length; i++) { subject[i] = stored(questions + at + 7 + i); }
        in = subject; left = length; starved = 0; used = 0;
        if (what == 'E') { encoders[frame](); } else { decoders[frame](); }
        free(subject);
        say_answers();
        at += 7 + length;
    }
    stop();
    return 0;
}
"""

_LEAVING = """\
static void leave(int why) {
    say('!');
    say((char)('0' + why));
    stop();
    for (;;) { }
}
#define exit leave
"""


def answering(
    ground: str, missions: Sequence[tuple[Mapping[str, Layout], Dossier, str]], questions: bytes
) -> str:
    """Return a program that answers these questions (a batch without its size) by these missions' code. ground: a row of GROUND."""
    octets = [", ".join(map(str, questions[at : at + 32])) for at in range(0, len(questions), 32)]
    stored = "static const uint8_t questions[] STORED = {\n" + ",\n".join(octets) + "\n};\n"
    main = stored + _ANSWERING
    return GROUND[ground] + "#include <stdlib.h>\n" + _LEAVING + harness.text(missions, main)


def running(ground: str, file: str) -> str:
    """Return a program that runs another's main function: a main loop to start from, as it was written."""
    inner = f'#define main unit_main\n#include "{file}"\n#undef main\n'
    outer = "int main(void) {\n    begin();\n    open_output();\n    (void)unit_main();\n    stop();\n    return 0;\n}\n"
    return GROUND[ground] + inner + outer
