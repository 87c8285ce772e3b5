"""What one check is: a frozen row that says everything needed to compute it.

CRCs, sums, parity and the rest share one class, so that a layout, a generated program and a document ask
the same questions of all of them. `identity()` leaves out names and sources: two spellings of one check are
one check.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

# What a check is computed over, in memory.
Octets: TypeAlias = bytes | bytearray | memoryview

Family = Literal["crc", "sum", "xor", "parity", "fletcher", "adler", "linear"]
WordOrder = Literal["high octet first", "low octet first"]

# What is done to a sum before it is stored: nothing; all bits inverted (ones' complement); its negative
# (two's complement, so data and check add up to zero); or two check words that bring both of Fletcher's
# sums to zero.
Final = Literal["none", "inverted", "negated", "balanced"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Algorithm:
    """One check, by all its parameters.

    width: bits of its value. check: the value over the nine ASCII characters "123456789".
    source: where the row comes from. note: what commonly goes wrong with it.

    A CRC: poly is the generator without its highest term, in the usual notation (the lowest bit is the term
    1); init and final_xor are unreflected, as in Cook's catalogue; residue is the register after an
    error-free codeword, reflected if reflect_out, before final_xor.

    The others add or combine words of word_bits, taken from whole octets in word_order; a partial last word
    is filled with zero octets. modulus is that of each sum (0: not a sum). end_around: the carry is added
    back (ones' complement addition), so a sum of anything but zeros is never zero. init is where the first
    sum starts, or for parity the value over no bits. first_sum_high: of two sums the first is in the high
    half of the value.

    linear: each bit of the value, the most significant first, is the parity of those bits that `listed` has for it, counted from 1 as
    they are fed; then final_xor. It takes bits, whatever the octets.
    """

    name: str
    width: int
    family: Family
    aliases: tuple[str, ...] = ()
    check: int
    source: str
    note: str = ""

    poly: int = 0
    init: int = 0
    reflect_in: bool = False
    reflect_out: bool = False
    final_xor: int = 0
    residue: int = 0

    word_bits: int = 8
    word_order: WordOrder = "high octet first"
    modulus: int = 0
    end_around: bool = False
    final: Final = "none"
    first_sum_high: bool = False

    listed: tuple[tuple[int, ...], ...] = ()

    def identity(self) -> tuple[int | str | bool, ...]:
        """Return all that decides the value and nothing else, in a fixed order: equal for two spellings."""
        if self.family == "crc":
            feed = (self.reflect_in, self.reflect_out)
            return ("crc", self.width, self.poly, self.init, *feed, self.final_xor)
        if self.family == "linear":
            return ("linear", self.width, self.final_xor, *(",".join(map(str, bits)) for bits in self.listed))
        words = (self.word_bits, self.word_order)
        sums = (self.modulus, self.end_around, self.final, self.first_sum_high)
        return (self.family, self.width, self.init, *words, *sums)

    def parameters(self) -> tuple[tuple[str, str], ...]:
        """Return the parameters as pairs of name and text, in the order a document shows them."""
        if self.family == "crc":
            return (
                ("width", str(self.width)),
                ("polynomial", self.hexadecimal(self.poly)),
                ("initial", self.hexadecimal(self.init)),
                ("reflect_in", "true" if self.reflect_in else "false"),
                ("reflect_out", "true" if self.reflect_out else "false"),
                ("final_xor", self.hexadecimal(self.final_xor)),
            )
        rows = [("width", str(self.width))]
        if self.family == "linear":
            lists = "; ".join(" ".join(map(str, bits)) for bits in self.listed)
            return (
                *rows,
                ("bits of each, highest first", lists),
                ("final_xor", self.hexadecimal(self.final_xor)),
            )
        if self.family == "parity":
            return (*rows, ("ones with the check", "odd in number" if self.init else "even in number"))
        rows.append(("words", f"{self.word_bits} bits"))
        if self.word_bits > 8:
            rows.append(("word order", self.word_order))
        if self.modulus:
            rows.append(("modulus", str(self.modulus)))
            rows.append(("initial", self.hexadecimal(self.init)))
        if self.family == "sum":
            rows.append(("carry", "added back" if self.end_around else "dropped"))
        if self.family in ("fletcher", "adler"):
            rows.append(("first sum", "high half" if self.first_sum_high else "low half"))
        return (*rows, ("final", self.final))

    def hexadecimal(self, value: int) -> str:
        """Return a value of this width as text with all its digits: 0x0B for 11 in a CRC of 5 bits."""
        return f"0x{value:0{(self.width + 3) // 4}X}"
