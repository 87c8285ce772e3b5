"""Code that computes checks: for each algorithm a function that takes octets of a buffer, and the expression of what it comes to.

A CRC's register is a number; where that would pass 30 bits and no number may, it is a list of words. Sums are kept in a list of their
own, reused, so that a frame takes no memory. Small code steps bit by bit (the 0x1021 polynomial by shifts alone); fast code reads a table
that is made when the module is imported.
"""

from __future__ import annotations

from dataclasses import dataclass

from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.crc import reflect
from packetkit.targets.micropython.page import MOST_BITS, WORD, Page, number


@dataclass(frozen=True, slots=True)
class Engine:
    """How generated code computes one algorithm by functions of this name. wide: its register is a list of words."""

    algorithm: Algorithm
    name: str
    wide: bool

    @property
    def lift(self) -> int:
        """Bits by which the register of a CRC narrower than an octet is moved up, where its bits come most significant first."""
        one = self.algorithm
        return max(8 - one.width, 0) if one.family == "crc" and not one.reflect_in else 0

    @property
    def start(self) -> str:
        """The expression to begin with."""
        one = self.algorithm
        if self.wide or one.family != "crc":
            return f"{self.name}_start()"
        return number(reflect(one.init, one.width) if one.reflect_in else one.init << self.lift)

    def start_from(self, code: str) -> str:
        """The expression to begin with where a field says with what: a CRC in one number."""
        one = self.algorithm
        if one.reflect_in:
            return f"_turned({code}, {one.width})"
        return f"{code} << {self.lift}" if self.lift else code

    def value(self, register: str) -> str:
        """The expression of the check that a register stands for."""
        one = self.algorithm
        if self.wide or one.family != "crc":
            return f"{self.name}_value({register})"
        found = f"{register} >> {self.lift}" if self.lift else register
        if one.reflect_in != one.reflect_out:
            found = f"_turned({found}, {one.width})"
        return f"{found} ^ {number(one.final_xor)}" if one.final_xor else found

    def octets(self, register: str, source: str, first: str, last: str) -> str:
        """The expression of a register after octets of a buffer, from one place to another."""
        return f"{self.name}({register}, {source}, {first}, {last})"


def define(page: Page, one: Engine, *, fast: bool, bits: bool) -> None:
    """Write an algorithm's functions. bits: it is fed with single bits too."""
    page.add(
        "",
        "",
        f"# {one.algorithm.name}: "
        + ", ".join(f"{key} {value}" for key, value in one.algorithm.parameters()),
    )
    if one.algorithm.family != "crc":
        _define_sum(page, one)
    elif one.wide:
        _define_wide(page, one, bits)
    else:
        _define_crc(page, one, fast=fast, bits=bits)


# -- CRCs in one number --------------------------------------------------------------------------------------------


def _define_crc(page: Page, one: Engine, *, fast: bool, bits: bool) -> None:
    algorithm = one.algorithm
    if fast:
        _define_table(page, one)
        page.add("", "")
    with page.block(f"def {one.name}(c, d, i, end)"):
        if fast:
            _by_table(page, one)
        elif (algorithm.width, algorithm.poly, algorithm.reflect_in) == (16, 0x1021, False):
            with page.block("while i < end"):
                page.add("x = c >> 8 ^ d[i]", "x ^= x >> 4")
                page.add("c = (c << 8 ^ x << 12 ^ x << 5 ^ x) & 0xFFFF", "i += 1")  # 24 bits in between
        else:
            with page.block("while i < end"):
                page.add(_entering(one, "d[i]"), "i += 1")
                with page.block("for _ in range(8)"):
                    page.add(_shifted(one))
        page.add("return c")
    if bits:
        page.add("", "")
        with page.block(f"def {one.name}_bit(c, bit)"):
            page.add("c ^= bit" if algorithm.reflect_in else f"c ^= bit << {_width(one) - 1}")
            page.add(_shifted(one), "return c")


def _width(one: Engine) -> int:
    return one.algorithm.width + one.lift


def _entering(one: Engine, octet: str) -> str:
    shift = 0 if one.algorithm.reflect_in else _width(one) - 8
    return f"c ^= {octet} << {shift}" if shift else f"c ^= {octet}"


def _shifted(one: Engine) -> str:
    """The statement that moves a register on by one bit. The top bit goes before the shift, so that no number grows."""
    algorithm, width = one.algorithm, _width(one)
    if algorithm.reflect_in:
        turned = number(reflect(algorithm.poly, algorithm.width))
        return f"c = c >> 1 ^ {turned} if c & 1 else c >> 1"
    poly, top, rest = algorithm.poly << one.lift, 1 << (width - 1), (1 << (width - 1)) - 1
    return f"c = (c & {number(rest)}) << 1 ^ {number(poly)} if c & {number(top)} else c << 1"


def _define_table(page: Page, one: Engine) -> None:
    """A table of what an octet does, made at import: as text it would take more room than the code that makes it."""
    kind = next((kind for size, kind in ((8, "B"), (16, "H"), (32, "L")) if size >= _width(one)), None)
    # Small ports have no arrays of numbers of 64 bits.
    made = "[0] * 256" if kind is None else f'array("{kind}", [0] * 256)'
    page.add(f"{one.name}_table = {made}")
    with page.block("for _octet in range(256)"):
        shift = 0 if one.algorithm.reflect_in else _width(one) - 8
        page.add(f"c = _octet << {shift}" if shift else "c = _octet")
        with page.block("for _ in range(8)"):
            page.add(_shifted(one))
        page.add(f"{one.name}_table[_octet] = c")


def _by_table(page: Page, one: Engine) -> None:
    width = _width(one)
    if one.algorithm.reflect_in:
        step = f"c = c >> 8 ^ {one.name}_table[(c ^ d[i]) & 0xFF]"
    elif width == 8:
        step = f"c = {one.name}_table[c ^ d[i]]"
    else:
        step = f"c = (c & {number((1 << (width - 8)) - 1)}) << 8 ^ {one.name}_table[c >> {width - 8} ^ d[i]]"
    with page.block("while i < end"):
        page.add(step, "i += 1")


# -- CRCs in words -------------------------------------------------------------------------------------------------


def words_of(value: int, width: int) -> list[int]:
    """Return a number of so many bits as words, most significant first."""
    count = -(-width // WORD)
    return [value >> WORD * at & 0xFFFF for at in reversed(range(count))]


def _define_wide(page: Page, one: Engine, bits: bool) -> None:
    """A register in words, the most significant first; reflected ones move towards the last word's low end, others to the top bit."""
    algorithm, count = one.algorithm, -(-one.algorithm.width // WORD)
    reflected = algorithm.reflect_in
    poly = words_of(
        reflect(algorithm.poly, algorithm.width) if reflected else algorithm.poly, algorithm.width
    )
    init = words_of(
        reflect(algorithm.init, algorithm.width) if reflected else algorithm.init, algorithm.width
    )
    page.add(f"{one.name}_register = [{', '.join('0' * count)}]")
    page.add("", "")
    with page.block(f"def {one.name}_start()"):
        page.add(f"c = {one.name}_register", *(f"c[{at}] = {number(word)}" for at, word in enumerate(init)))
        page.add("return c")
    page.add("", "")
    with page.block(f"def {one.name}_bit(c, bit)"):
        _wide_bit(page, algorithm, poly)
    page.add("", "")
    with page.block(f"def {one.name}(c, d, i, end)"):
        order = "range(8)" if reflected else "range(7, -1, -1)"
        with page.block("while i < end"):
            with page.block(f"for at in {order}"):
                page.add(f"{one.name}_bit(c, d[i] >> at & 1)")
            page.add("i += 1")
        page.add("return c")
    page.add("", "")
    with page.block(f"def {one.name}_value(c)"):
        if reflected != algorithm.reflect_out:
            page.add(f"_turn_words(c, {algorithm.width})")
        xor = words_of(algorithm.final_xor, algorithm.width)
        page.add(*(f"c[{at}] ^= {number(word)}" for at, word in enumerate(xor) if word), "return c")


def _wide_bit(page: Page, algorithm: Algorithm, poly: list[int]) -> None:
    """One bit into a register of words."""
    count, last = len(poly), len(poly) - 1
    if algorithm.reflect_in:
        page.add(f"out = (c[{last}] ^ bit) & 1")
        for at in range(last, -1, -1):
            carried = f" | (c[{at - 1}] & 1) << {WORD - 1}" if at else ""
            page.add(f"c[{at}] = c[{at}] >> 1{carried}")
    else:
        top = (algorithm.width - 1) % WORD
        page.add(f"out = (c[0] >> {top} ^ bit) & 1")
        for at in range(count):
            ones = (1 << top) - 1 if at == 0 else 0x7FFF
            carried = f" | c[{at + 1}] >> {WORD - 1}" if at < last else ""
            page.add(f"c[{at}] = (c[{at}] & {number(ones)}) << 1{carried}")
    with page.block("if out"):
        page.add(*(f"c[{at}] ^= {number(word)}" for at, word in enumerate(poly) if word))
    page.add("return c")


# -- sums ----------------------------------------------------------------------------------------------------------


def _define_sum(page: Page, one: Engine) -> None:
    """A list of both sums, the word under way and how many octets it has; functions that begin, take octets, and give the value."""
    algorithm, name = one.algorithm, one.name
    page.add(f"{name}_sums = [0, 0, 0, 0]", "", "")
    with page.block(f"def {name}_start()"):
        page.add(f"s = {name}_sums", f"s[0] = {number(algorithm.init)}", "s[1] = s[2] = s[3] = 0", "return s")
    page.add("", "")
    with page.block(f"def {name}_word(s, word)"):
        _take_word(page, algorithm)
    size = algorithm.word_bits // 8
    page.add("", "")
    with page.block(f"def {name}(s, d, i, end)"):
        with page.block("while i < end"):
            if size == 0:
                page.add(f"{name}_word(s, d[i] >> 4)", f"{name}_word(s, d[i] & 15)")
            elif size == 1:
                page.add(f"{name}_word(s, d[i])")
            else:
                high_first = algorithm.word_order == "high octet first"
                page.add(
                    f"s[2] |= d[i] << 8 * ({size - 1} - s[3])" if high_first else "s[2] |= d[i] << 8 * s[3]"
                )
                page.add("s[3] += 1")
                with page.block(f"if s[3] == {size}"):
                    page.add(f"{name}_word(s, s[2])", "s[2] = s[3] = 0")
            page.add("i += 1")
        page.add("return s")
    page.add("", "")
    with page.block(f"def {name}_value(s)"):
        if size > 1:
            with page.block("if s[3]"):
                page.add(f"{name}_word(s, s[2])")
        _finish(page, algorithm)


def _take_word(page: Page, algorithm: Algorithm) -> None:
    if algorithm.family in ("xor", "parity"):
        page.add("s[0] ^= word")
    elif algorithm.family == "sum":
        # What end-around sums need is the sum itself, not its remainder: with the carry added back only zeros sum to zero.
        limit = number(algorithm.modulus)
        if algorithm.end_around:
            page.add("s[0] += word")
            with page.block(f"if s[0] > {limit}"):
                page.add(f"s[0] -= {limit}")
        else:
            page.add(f"s[0] = (s[0] + word) % {limit}")
    else:
        limit = number(algorithm.modulus)
        page.add(f"s[0] = (s[0] + word) % {limit}", f"s[1] = (s[1] + s[0]) % {limit}")


def _finish(page: Page, algorithm: Algorithm) -> None:
    """The value that the sums stand for."""
    ones = number((1 << algorithm.width) - 1)
    if algorithm.family == "xor":
        page.add("return s[0]")
    elif algorithm.family == "parity":
        page.add("x = s[0]", *(f"x ^= x >> {half}" for half in (4, 2, 1)), "return x & 1")
    elif algorithm.family == "adler":
        page.add("return s[1] << 16 | s[0]")
    elif algorithm.family == "sum":
        ending = {"none": "s[0]", "inverted": f"s[0] ^ {ones}", "negated": f"-s[0] & {ones}"}
        page.add(f"return {ending[algorithm.final]}")
    else:
        _finish_fletcher(page, algorithm)


def _finish_fletcher(page: Page, algorithm: Algorithm) -> None:
    limit = number(algorithm.modulus)
    if (
        algorithm.final == "balanced"
    ):  # the two words that bring both sums to zero; zero itself is sent as all ones
        page.add(f"a = s[1] or {limit}", f"b = {limit} - (s[0] + s[1]) % {limit}")
    else:
        page.add("a = s[0]", "b = s[1]")
    high, low = ("a", "b") if algorithm.first_sum_high else ("b", "a")
    page.add(f"return {high} << {algorithm.word_bits} | {low}")


def passes_small(algorithm: Algorithm) -> bool:
    """Return whether a sum's numbers pass MOST_BITS on the way."""
    return algorithm.family != "crc" and (
        algorithm.width > MOST_BITS
        or algorithm.word_bits > MOST_BITS
        or algorithm.modulus.bit_length() + 1 > MOST_BITS
    )


TURNED = """

def _turned(c, width):
    made = 0
    for _ in range(width):
        made = made << 1 | c & 1
        c >>= 1
    return made
"""

TURN_WORDS = """

def _turn_words(c, width):
    for low in range(width >> 1):
        high = width - 1 - low
        a = len(c) - 1 - (low >> 4)
        b = len(c) - 1 - (high >> 4)
        x = c[a] >> (low & 15) & 1
        y = c[b] >> (high & 15) & 1
        if x != y:
            c[a] ^= 1 << (low & 15)
            c[b] ^= 1 << (high & 15)
"""
