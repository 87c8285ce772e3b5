"""Code that computes checks: for each algorithm a function that takes an octet, for each check slot one over its span.

A CRC's register is kept so that no mask is needed: at the upper end of its type where bits come most significant first, at the lower end
where they come least significant first. Sums keep a small struct. `form_of` says which of its forms a CRC has.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.crc import reflect, table
from packetkit.targets.c.words import Page, number, size_for, unsigned

WIDEST = 64  # bits of a register that is one number; a wider one, of at most twice as many, is two


@dataclass(frozen=True, slots=True)
class Engine:
    """How generated code computes one algorithm. state: type of what is carried on; start: its initial value.

    step: the statement that takes an octet; bit: the one that takes a bit, None where it takes octets only; value: the expression of the
    result, still without final_xor.
    """

    algorithm: Algorithm
    state: str
    start: str
    step: Callable[[str], str]
    bit: Callable[[str], str] | None
    value: str
    final_xor: int = 0

    def started(self, name: str, code: str) -> list[str]:
        """What declares a register that starts from a code instead."""
        algorithm, width = self.algorithm, self.algorithm.width
        if width > WIDEST:
            turned = f"c = {name}_turned(c, {width}, 1);"
            return [f"{self.state} c = {{0, {code}}};", *([turned] if algorithm.reflect_in else [])]
        lift = size_for(width) - width
        if algorithm.reflect_in:
            return [f"{self.state} c = {name}_turned({code});"]
        return [
            f"{self.state} c = ({self.state})(({self.state}){code} << {lift});"
            if lift
            else f"{self.state} c = {code};"
        ]

    @property
    def finished(self) -> str:
        return f"({self.value}) ^ {number(self.final_xor)}" if self.final_xor else self.value


def engine(algorithm: Algorithm, name: str) -> Engine:
    """Return how code computes an algorithm whose functions have this name."""
    if algorithm.family == "crc":
        return _crc_engine(algorithm, name)
    value = f"{name}_value(&c)"
    return Engine(
        algorithm,
        f"struct {name}_sum",
        f"{{{algorithm.init}, 0, 0, 0}}",
        lambda octet: f"{name}_add(&c, {octet});",
        None,
        value,
    )


def _wide_engine(algorithm: Algorithm, name: str) -> Engine:
    start = reflect(algorithm.init, algorithm.width) if algorithm.reflect_in else algorithm.init
    return Engine(
        algorithm,
        f"struct {name}_wide",
        f"{{{halves(start)}}}",
        lambda octet: f"{name}_add(&c, {octet});",
        lambda bit: f"{name}_bit(&c, {bit});",
        f"{name}_value(c)",
    )


def halves(value: int) -> str:
    """Return the upper and the lower 64 bits of a number as constants."""
    return f"{number(value >> WIDEST)}, {number(value & (1 << WIDEST) - 1)}"


def _crc_engine(algorithm: Algorithm, name: str) -> Engine:
    if algorithm.width > WIDEST:
        return _wide_engine(algorithm, name)
    width, size = algorithm.width, size_for(algorithm.width)
    kind, lift = unsigned(width), size - width
    if algorithm.reflect_in:
        start, value = reflect(algorithm.init, width), "c"
        flip = not algorithm.reflect_out
    else:
        start, value = algorithm.init << lift, f"({kind})(c >> {lift})" if lift else "c"
        flip = algorithm.reflect_out
    if flip:
        value = f"({kind}){name}_turned({value})"
    return Engine(
        algorithm,
        kind,
        number(start),
        lambda octet: f"c = {name}_add(c, {octet});",
        lambda bit: f"c = {name}_bit(c, {bit});",
        value,
        algorithm.final_xor,
    )


BITS, SHIFTS, NIBBLES, OCTETS = "bit by bit", "shifts", "table of 16", "table of 256"
SIZE, SPEED = "size", "speed"  # what a team may ask for


def form_of(algorithm: Algorithm, asked: str = "") -> str:
    """Return how code computes an algorithm: for speed by a table of 256 entries, for size bit by bit; unasked by a table of 16.

    Polynomial 0x1021, most significant bit first, has a form by shifts alone that is smaller and faster than a table of 16 (on an AVR the
    C library's own routine): it is taken unless speed is asked for. Measured for each width and processor by `generate --report`.
    Sums, and registers of more than 64 bits, have one form.
    """
    if algorithm.family != "crc" or algorithm.width > WIDEST:
        return ""
    if asked == SPEED:
        return OCTETS
    if (algorithm.width, algorithm.poly, algorithm.reflect_in) == (16, 0x1021, False):
        return SHIFTS
    return BITS if asked == SIZE else NIBBLES


def forms_of(algorithm: Algorithm) -> list[str]:
    """Return every form that code can compute an algorithm in, the smallest first."""
    return list(dict.fromkeys(form_of(algorithm, asked) for asked in (SIZE, "", SPEED)))


def define(page: Page, one: Engine, name: str, *, form: str, bits: bool, turned: bool) -> None:
    """Write an algorithm's functions. bits: it is fed with single bits too; turned: a register is turned around."""
    algorithm = one.algorithm
    page.add(
        f"/* {algorithm.name}: "
        + ", ".join(f"{key} {value}" for key, value in algorithm.parameters())
        + (f"; {form}" if form else "")
        + " */"
    )
    if algorithm.width > WIDEST:
        _define_wide(page, algorithm, name, turned=turned)
    elif algorithm.family == "crc":
        _define_crc(page, one, name, form=form, bits=bits, turned=turned)
    else:
        _define_sum(page, algorithm, name)
    page.add("")


def _define_crc(page: Page, one: Engine, name: str, *, form: str, bits: bool, turned: bool) -> None:
    if bits or form == BITS:
        _define_bit(page, one, name)
    if form == SHIFTS:
        _define_shifts(page, name)
    elif form == BITS:
        _define_bitwise(page, one, name)
    else:
        _define_table(page, one, name, 16 if form == NIBBLES else 256)
    if turned or f"{name}_turned" in one.value:
        _define_turned(page, name, one.state, one.algorithm.width)


def _define_shifts(page: Page, name: str) -> None:
    """Polynomial 0x1021, an octet at once."""
    page.directive("#if defined(__AVR__)")
    page.directive("#include <util/crc16.h>")
    page.directive(f"#define {name}_add(c, octet) _crc_xmodem_update((c), (octet))")
    page.directive("#else")
    # In whole registers: cut to 16 bits in between, a Cortex-M takes an instruction an octet and a register more.
    with page.block(f"static uint16_t {name}_add(uint_fast16_t c, uint8_t octet)"):
        page.add(
            "uint_fast16_t x = (uint_fast16_t)((c >> 8) ^ octet);",
            "x = (uint_fast16_t)(x ^ (x >> 4));",
            "return (uint16_t)((c << 8) ^ (x << 12) ^ (x << 5) ^ x);",
        )
    page.directive("#endif")


def _define_bit(page: Page, one: Engine, name: str) -> None:
    """One bit into the register."""
    algorithm, kind, size = one.algorithm, one.state, size_for(one.algorithm.width)
    with page.block(f"static {kind} {name}_bit({kind} c, uint8_t bit)"):
        if algorithm.reflect_in:
            page.add(
                "uint8_t out = (uint8_t)((c ^ bit) & 1);",
                f"c = ({kind})(c >> 1);",
                f"return out ? ({kind})(c ^ {number(reflect(algorithm.poly, algorithm.width))}) : c;",
            )
        else:
            poly = algorithm.poly << (size - algorithm.width)
            page.add(
                f"uint8_t out = (uint8_t)(((c >> {size - 1}) ^ bit) & 1);",
                f"c = ({kind})(c << 1);",
                f"return out ? ({kind})(c ^ {number(poly)}) : c;",
            )


def _define_bitwise(page: Page, one: Engine, name: str) -> None:
    """An octet, bit by bit."""
    kind = one.state
    bit = "(uint8_t)((octet >> i) & 1)" if one.algorithm.reflect_in else "(uint8_t)((octet >> (7 - i)) & 1)"
    if size_for(one.algorithm.width) == 64:
        # avr-gcc 5.4 takes these steps, where it opens them up in a loop, for shorter than they are: its branch does not reach.
        page.directive("#if defined(__AVR__)")
        page.directive("__attribute__((noinline))")
        page.directive("#endif")
    with page.block(f"static {kind} {name}_add({kind} c, uint8_t octet)"):
        page.add("uint8_t i;")
        with page.block("for (i = 0; i < 8; i++)"):
            page.add(f"c = {name}_bit(c, {bit});")
        page.add("return c;")


def _define_table(page: Page, one: Engine, name: str, size_of: int) -> None:
    """An octet by a table of 256 entries, or in two halves by one of 16."""
    algorithm, kind, size = one.algorithm, one.state, size_for(one.algorithm.width)
    lift = 0 if algorithm.reflect_in else size - max(algorithm.width, 8)
    whole = table(algorithm.width, algorithm.poly, algorithm.reflect_in)
    # Leading zeros leave a register of zeros alone: what four bits do is what an octet does that holds them where it ends.
    kept = whole if size_of == 256 else whole[::16] if algorithm.reflect_in else whole[:16]
    entries = [number(entry << lift) for entry in kept]
    page.directive("#if defined(__AVR__)")
    page.directive("#include <avr/pgmspace.h>")
    page.directive(f"#define {name.upper()}_STORED PROGMEM")
    page.directive("#else")
    page.directive(f"#define {name.upper()}_STORED")
    page.directive("#endif")
    page.add(f"static const {kind} {name}_table[{size_of}] {name.upper()}_STORED = {{")
    for at in range(0, size_of, 8):
        page.add("    " + ", ".join(entries[at : at + 8]) + ",")
    page.add("};")
    step = 8 if size_of == 256 else 4
    part = "octet" if step == 8 else "part"
    high = f"(uint8_t)(c >> {size - 8})" if size > 8 else "c"  # from where a small processor shifts least
    if step == 4:
        high = f"({high} >> 4)"
    spot = f"(uint8_t)({'c' if algorithm.reflect_in else high} ^ {part})"
    if step == 4:
        spot = f"({spot} & 15)"
    moved = "0" if size == step else f"c >> {step}" if algorithm.reflect_in else f"c << {step}"
    turn = f"({kind})(({moved}) ^ entry)"
    with page.block(f"static {kind} {name}_{'add' if step == 8 else 'half'}({kind} c, uint8_t {part})"):
        _fetch(page, name, kind, size, spot)
        page.add(f"return {turn};")
    if step == 4:
        first, second = ("octet", "(uint8_t)(octet >> 4)")
        if not algorithm.reflect_in:
            first, second = second, first
        with page.block(f"static {kind} {name}_add({kind} c, uint8_t octet)"):
            page.add(f"return {name}_half({name}_half(c, {first}), {second});")


def _fetch(page: Page, name: str, kind: str, size: int, spot: str) -> None:
    """Declare the table's entry for where we are; an AVR reads its flash by a routine."""
    read = {8: "pgm_read_byte", 16: "pgm_read_word", 32: "pgm_read_dword"}.get(size)
    page.directive("#if defined(__AVR__)")
    if read:
        page.add(f"{kind} entry = {read}(&{name}_table[{spot}]);")
    else:
        page.add(f"{kind} entry;", f"memcpy_P(&entry, &{name}_table[{spot}], sizeof entry);")
    page.directive("#else")
    page.add(f"{kind} entry = {name}_table[{spot}];")
    page.directive("#endif")


def _define_turned(page: Page, name: str, kind: str, width: int) -> None:
    with page.block(f"static {kind} {name}_turned({kind} c)"):
        page.add(f"{kind} made = 0;", "uint8_t i;")
        with page.block(f"for (i = 0; i < {width}; i++)"):
            page.add(f"made = ({kind})((made << 1) | (c & 1));", f"c = ({kind})(c >> 1);")
        page.add("return made;")


# -- registers of more than 64 bits --------------------------------------------------------------------------------

_WIDE = """\
struct NAME_wide {
    uint64_t high, low;
};

static void NAME_bit(struct NAME_wide *c, uint8_t bit) {
    BIT
}

static void NAME_add(struct NAME_wide *c, uint8_t octet) {
    uint8_t i;
    for (i = 0; i < 8; i++) {
        NAME_bit(c, (uint8_t)((octet >> PLACE) & 1));
    }
}

TURNEDstatic uint32_t NAME_cut(struct NAME_wide c, uint8_t shift, uint8_t width) {
    const uint64_t code = shift >= 64 ? c.high >> (shift - 64) : shift ? (c.high << (64 - shift)) | (c.low >> shift) : c.low;
    return (uint32_t)(code & (0xFFFFFFFF >> (32 - width)));
}

static struct NAME_wide NAME_value(struct NAME_wide c) {
    TURN
    c.high ^= FINAL_HIGH;
    c.low ^= FINAL_LOW;
    return c;
}
"""

_WIDE_TURNED = """\
static struct NAME_wide NAME_turned(struct NAME_wide c, uint8_t width, uint8_t by) {
    struct NAME_wide made = {0, 0};
    const uint64_t ones = by == 8 ? 0xFF : 1;
    for (; width > 0; width = (uint8_t)(width - by)) {
        made.high = (made.high << by) | (made.low >> (64 - by));
        made.low = (made.low << by) | (c.low & ones);
        c.low = (c.low >> by) | (c.high << (64 - by));
        c.high >>= by;
    }
    return made;
}

"""

_WIDE_REFLECTED = """\
const uint64_t mask = 0 - (uint64_t)((c->low ^ bit) & 1);
    c->low = (c->low >> 1) | (c->high << 63);
    c->high >>= 1;
    c->high ^= mask & POLY_HIGH;
    c->low ^= mask & POLY_LOW;"""

_WIDE_PLAIN = """\
const uint64_t mask = 0 - (uint64_t)(((c->high >> TOP) ^ bit) & 1);
    c->high = ((c->high << 1) | (c->low >> 63)) & ONES;
    c->low <<= 1;
    c->high ^= mask & POLY_HIGH;
    c->low ^= mask & POLY_LOW;"""


def _define_wide(page: Page, algorithm: Algorithm, name: str, *, turned: bool) -> None:
    """A register of two numbers; NAME_turned and NAME_cut serve those who store what comes of it."""
    width, is_reflected = algorithm.width, algorithm.reflect_in
    poly = reflect(algorithm.poly, width) if is_reflected else algorithm.poly
    flips = is_reflected is not algorithm.reflect_out
    text = _WIDE.replace("TURNED", _WIDE_TURNED if turned or flips else "")
    text = text.replace("BIT", _WIDE_REFLECTED if is_reflected else _WIDE_PLAIN)
    turn = f"c = NAME_turned(c, {width}, 1);" if flips else ""
    for word, (high, low) in (
        ("POLY", halves(poly).split(", ")),
        ("FINAL", halves(algorithm.final_xor).split(", ")),
    ):
        text = text.replace(f"{word}_HIGH", high).replace(f"{word}_LOW", low)
    text = text.replace("    TURN\n", f"    {turn}\n" if turn else "")
    for word, meant in (
        ("PLACE", "i" if is_reflected else "(7 - i)"),
        ("TOP", str(width - WIDEST - 1)),
        ("ONES", number((1 << width - WIDEST) - 1)),
        ("NAME", name),
    ):
        text = text.replace(word, meant)
    page.lines += text.rstrip("\n").split("\n")


# -- sums ----------------------------------------------------------------------------------------------------------


def _define_sum(page: Page, algorithm: Algorithm, name: str) -> None:
    """A struct, a function that takes an octet, and one that gives the value."""
    wide = (
        "uint64_t"
        if algorithm.width == 64 or (algorithm.width > 16 and algorithm.family == "sum")
        else "uint32_t"
    )
    with page.block(f"struct {name}_sum"):
        page.add(f"{wide} first;", f"{wide} second;", f"{wide} word;", "uint8_t octets;")
    page.lines[-1] += ";"
    size = algorithm.word_bits // 8
    with page.block(f"static void {name}_word(struct {name}_sum *s, {wide} word)"):
        _take_word(page, algorithm)
    with page.block(f"static void {name}_add(struct {name}_sum *s, uint8_t octet)"):
        if size == 0:
            page.add(f"{name}_word(s, (uint32_t)(octet >> 4));", f"{name}_word(s, (uint32_t)(octet & 15));")
        elif size == 1:
            page.add(f"{name}_word(s, octet);")
        else:
            by = (
                f"8 * ({size - 1} - s->octets)"
                if algorithm.word_order == "high octet first"
                else "8 * s->octets"
            )
            page.add(f"s->word |= ({wide})octet << ({by});")
            with page.block(f"if (++s->octets == {size})"):
                page.add(f"{name}_word(s, s->word);", "s->word = 0;", "s->octets = 0;")
    kind = unsigned(algorithm.width)
    with page.block(f"static {kind} {name}_value(struct {name}_sum *s)"):
        if size > 1:
            with page.block("if (s->octets != 0)"):
                page.add(f"{name}_word(s, s->word);")
        _finish(page, algorithm, kind, wide)


def _take_word(page: Page, algorithm: Algorithm) -> None:
    if algorithm.family in ("xor", "parity"):
        page.add("s->first ^= word;")
    elif algorithm.family == "sum":
        page.add("s->first += word;")
    else:
        modulus = number(algorithm.modulus)
        page.add(
            f"s->first = (s->first + word) % {modulus};", f"s->second = (s->second + s->first) % {modulus};"
        )


def _finish(page: Page, algorithm: Algorithm, kind: str, wide: str) -> None:
    """The value that the sums stand for."""
    if algorithm.family == "xor":
        page.add(f"return ({kind})s->first;")
    elif algorithm.family == "parity":
        page.add(
            "uint8_t x = (uint8_t)s->first;", *(f"x = (uint8_t)(x ^ (x >> {half}));" for half in (4, 2, 1))
        )
        page.add("return (uint8_t)(x & 1);")
    elif algorithm.family == "adler":
        page.add(f"return ({kind})((s->second << 16) | s->first);")
    elif algorithm.family == "sum":
        _finish_sum(page, algorithm, kind, wide)
    else:
        _finish_fletcher(page, algorithm, kind, wide)


def _finish_sum(page: Page, algorithm: Algorithm, kind: str, wide: str) -> None:
    limit, ones = number(algorithm.modulus), number((1 << algorithm.width) - 1)
    if algorithm.end_around:  # with the carry added back no sum but that of zeros is zero
        page.add(f"{wide} v = s->first == 0 ? 0 : ({wide})((s->first - 1) % {limit} + 1);")
    else:
        page.add(f"{wide} v = ({wide})(s->first % {limit});")
    ending = {"none": "v", "inverted": f"(v ^ {ones})", "negated": f"((0 - v) & {ones})"}
    page.add(f"return ({kind}){ending[algorithm.final]};")


def _finish_fletcher(page: Page, algorithm: Algorithm, kind: str, wide: str) -> None:
    limit = number(algorithm.modulus)
    if (
        algorithm.final == "balanced"
    ):  # the two words that bring both sums to zero; zero itself is sent as all ones
        page.add(f"const {wide} a = s->second != 0 ? s->second : {limit};")
        page.add(f"const {wide} b = {limit} - (s->first + s->second) % {limit};")
    else:
        page.add(f"const {wide} a = s->first;", f"const {wide} b = s->second;")
    high, low = ("a", "b") if algorithm.first_sum_high else ("b", "a")
    page.add(f"return ({kind})(({high} << {algorithm.word_bits}) | {low});")
