"""Checks as a laboratory looks at them: which damage to data and check together goes unnoticed.

A code word is the data and then the check, both as they lie on the wire. Damage is a pattern over its bits. Three kinds:

- Linear checks (parity, exclusive or, CRC). Each bit of the code word has an element; damage is unnoticed exactly when the elements of
  its bits cancel by exclusive or, whatever the data are.
- Sums (plain, ones' complement, Fletcher, Adler). A flipped bit adds to the sums or takes away, depending on what it was: counts hold for
  the data at hand. Damage is unnoticed when the check of the damaged data equals the damaged check.
- Parity both ways: each octet with its parity bit, and at the end an octet of column parities with its own. Rows of nine bits.

Counts of few flips and of bursts are exhaustive. They never list patterns: three flips are pairs looked up among single bits.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from functools import lru_cache
from itertools import combinations
from math import comb
from typing import Any

import numpy as np
import numpy.typing as npt

from packetkit.integrity import crc
from packetkit.integrity.algorithm import Algorithm

Array = npt.NDArray[Any]

ROW_BITS = 9  # an octet and its parity bit
TWO_WAY = "PARITY/TWO-WAY"

# Two sums lie in one word: the first from bit 32 on, the second below. No modulus here passes 32 bits.
_HIGH = np.uint64(32)
_LOW = np.uint64(0xFFFFFFFF)


class Check(ABC):
    """One check over so many octets of data. bits: of the code word."""

    name: str
    bits: int

    def few(self, flips: int, data: Array) -> int:
        """How many of all patterns of 1, 2 or 3 flipped bits go unnoticed."""
        return [self.singles, self.pairs, self.triples][flips - 1](data)

    @abstractmethod
    def singles(self, data: Array) -> int: ...

    @abstractmethod
    def pairs(self, data: Array) -> int: ...

    @abstractmethod
    def triples(self, data: Array) -> int: ...

    @abstractmethod
    def bursts(self, length: int, data: Array) -> int:
        """How many of all bursts of this length go unnoticed: the first and the last of `length` bits flipped, anything between."""

    @abstractmethod
    def unnoticed(self, data: Array, damage: Array) -> Array:
        """Which rows of damage, shape (N, bits) of truth values, go unnoticed; data: (N, octets) or one row for all."""


@lru_cache(maxsize=8)
def check_for(algorithm: Algorithm | None, octets: int, low_first: bool = False) -> Check:
    """Return a check over so many octets; None: parity both ways. low_first: its octets are stored low one first."""
    if algorithm is None:
        return TwoWay(octets)
    if algorithm.family in ("crc", "xor", "parity"):
        return Linear(algorithm, octets, low_first)
    return Summed(algorithm, octets, low_first)


def masks(width: int, low_first: bool) -> list[int]:
    """The bits of a check's value in the order in which they lie on the wire."""
    order = [1 << place for place in range(width - 1, -1, -1)]
    if not low_first or width % 8:
        return order
    return [one for start in range(width - 8, -1, -8) for one in order[start : start + 8]]


def patterns_of_burst(bits: int, length: int) -> int:
    """How many bursts of one length there are in a code word."""
    places = max(bits - length + 1, 0)
    return places if length == 1 else places << length - 2


def _packed(bits: Array) -> Array:
    return np.packbits(bits, axis=-1)


# ---- linear checks


class Linear(Check):
    """A check whose elements decide alone. elements: one for each bit of the code word, in wire order."""

    def __init__(self, algorithm: Algorithm, octets: int, low_first: bool = False) -> None:
        self.name = algorithm.name
        empty = crc.compute(algorithm, bytes(octets))
        found = [
            crc.compute(algorithm, (1 << place).to_bytes(octets, "big")) ^ empty
            for place in range(octets * 8 - 1, -1, -1)
        ]
        self.elements = np.array(found + masks(algorithm.width, low_first), np.uint64)
        self.bits = len(self.elements)

    def singles(self, data: Array) -> int:
        return int((self.elements == 0).sum())

    def pairs(self, data: Array) -> int:
        return _equal_pairs(self.elements)

    def triples(self, data: Array) -> int:
        sums = np.sort(_pair_sums(self.elements, np.bitwise_xor))
        within = int(_counts(sums, self.elements).sum())
        # A pair that holds the third bit itself meets it where the other one's element is zero.
        own = (self.bits - 1) * int((self.elements == 0).sum())
        return (within - own) // 3

    def fours(self) -> int:
        """How many patterns of four flipped bits go unnoticed."""
        counts = np.unique(_pair_sums(self.elements, np.bitwise_xor), return_counts=True)[1].astype(object)
        # Two pairs that share a bit have equal sums where their other bits have equal elements; each four is three times two pairs.
        sharing = _equal_pairs(self.elements) * (self.bits - 2)
        return (int((counts * (counts - 1) // 2).sum()) - sharing) // 3

    def bursts(self, length: int, data: Array) -> int:
        return bursts_that_cancel(self.elements, length)

    def unnoticed(self, data: Array, damage: Array) -> Array:
        octets = _packed(damage)
        found = np.zeros(len(damage), np.uint64)
        for place in range(octets.shape[1]):
            found ^= _of_octet(self.elements[place * 8 : place * 8 + 8])[octets[:, place]]
        return found == 0


def _of_octet(elements: Array) -> Array:
    """What each of 256 octets adds, from the elements of its bits, the most significant first."""
    table = np.zeros(1, np.uint64)
    for element in np.concatenate((elements, np.zeros(8 - len(elements), np.uint64)))[::-1]:
        table = np.concatenate((table, table ^ element))
    return table


def _pair_sums(elements: Array, add: Any) -> Array:
    """The sums of every two different elements."""
    return np.concatenate([add(elements[:at], elements[at]) for at in range(1, len(elements))])


def _counts(ordered: Array, wanted: Array) -> Array:
    """How often each wanted value stands among ordered ones."""
    return np.searchsorted(ordered, wanted, "right") - np.searchsorted(ordered, wanted, "left")


def _equal_pairs(values: Array) -> int:
    counts = np.unique(values, return_counts=True)[1].astype(object)
    return int((counts * (counts - 1) // 2).sum())


def bursts_that_cancel(elements: Array, length: int) -> int:
    """How many bursts of one length have elements that cancel by exclusive or."""
    if length == 1:
        return int((elements == 0).sum())
    found = 0
    for start in range(len(elements) - length + 1):
        ends = elements[start] ^ elements[start + length - 1]
        inner = np.zeros(1, np.uint64)
        for element in elements[start + 1 : start + length - 1]:
            inner = np.concatenate((inner, inner ^ element))
        found += int((inner == ends).sum())
    return found


# ---- parity both ways


class TwoWay(Check):
    """Parity of every octet and of every column. The least that goes unnoticed are the corners of a rectangle: four bits."""

    def __init__(self, octets: int) -> None:
        self.name = TWO_WAY
        self.rows = octets + 1
        self.bits = self.rows * ROW_BITS

    def singles(self, data: Array) -> int:
        return 0

    def pairs(self, data: Array) -> int:
        return 0

    def triples(self, data: Array) -> int:
        return 0

    def fours(self) -> int:
        """How many patterns of four bits go unnoticed: two rows and two columns."""
        return comb(self.rows, 2) * comb(ROW_BITS, 2)

    def bursts(self, length: int, data: Array) -> int:
        # A burst reaches a few rows in a row: the row's number modulo 32 tells them apart, up to a length of 32 rows.
        row = np.arange(self.bits) // ROW_BITS
        column = np.arange(self.bits) % ROW_BITS
        one = np.uint64(1)
        elements = (one << (row % 32 + ROW_BITS).astype(np.uint64)) | (one << column.astype(np.uint64))
        return bursts_that_cancel(elements, length)

    def unnoticed(self, data: Array, damage: Array) -> Array:
        grid = damage.reshape(len(damage), self.rows, ROW_BITS)
        odd_rows = np.bitwise_xor.reduce(grid, axis=2).any(axis=1)
        odd_columns = np.bitwise_xor.reduce(grid, axis=1).any(axis=1)
        return ~(odd_rows | odd_columns)


# ---- sums


class Summed(Check):
    """A check that adds words up, once or twice. Its sums of data are one number: the first above bit 32, the second below."""

    def __init__(self, algorithm: Algorithm, octets: int, low_first: bool = False) -> None:
        self.algorithm = algorithm
        self.name = algorithm.name
        self.octets = octets
        self.bits = octets * 8 + algorithm.width
        self.masks = np.array(masks(algorithm.width, low_first), np.uint64)
        self.twice = algorithm.family in ("fletcher", "adler")

    # -- values

    def values(self, data: Array) -> Array:
        """The check of each row of octets."""
        return self._finished(self._sums(data), np.any(data, axis=1))

    def _sums(self, data: Array) -> Array:
        words = _words(data, self.algorithm)
        modulus = np.uint64(self.algorithm.modulus)
        start = np.uint64(self.algorithm.init)
        first = (words.sum(axis=1, dtype=np.uint64) + start) % modulus
        if not self.twice:
            return first << _HIGH
        weights = np.arange(words.shape[1], 0, -1, dtype=np.uint64)
        second = (
            (words * weights % modulus).sum(axis=1, dtype=np.uint64) + start * np.uint64(words.shape[1])
        ) % modulus
        return first << _HIGH | second

    def _finished(self, sums: Array, any_set: Array) -> Array:
        """The value that is stored for sums; any_set: False where the data are all zeros."""
        algorithm, first, second = self.algorithm, sums >> _HIGH, sums & _LOW
        whole = np.uint64((1 << algorithm.width) - 1)
        modulus = np.uint64(algorithm.modulus)
        if not self.twice:
            if algorithm.end_around:
                first = np.where((first == 0) & any_set, modulus, first)
            if algorithm.final == "inverted":
                return first ^ whole
            return (whole + np.uint64(1) - first) & whole if algorithm.final == "negated" else first
        half = np.uint64(algorithm.width // 2)
        if algorithm.final == "balanced":
            both = (first + second) % modulus
            first, second = np.where(second == 0, modulus, second), modulus - both
        return first << half | second if algorithm.first_sum_high else second << half | first

    def _wanted(self, stored: Array) -> tuple[Array, Array]:
        """The sums at which each stored value would be right, data not all zeros; and which values no data give."""
        algorithm = self.algorithm
        whole, modulus = np.uint64((1 << algorithm.width) - 1), np.uint64(algorithm.modulus)
        if not self.twice:
            if algorithm.final == "inverted":
                stored = stored ^ whole
            elif algorithm.final == "negated":
                stored = (whole + np.uint64(1) - stored) & whole
            never = (stored == 0) if algorithm.end_around else np.zeros(len(stored), bool)
            return (stored % modulus) << _HIGH, never
        half = np.uint64(algorithm.width // 2)
        mask = (np.uint64(1) << half) - np.uint64(1)
        first, second = (
            (stored >> half, stored & mask) if algorithm.first_sum_high else (stored & mask, stored >> half)
        )
        if algorithm.final == "balanced":
            never = (first == 0) | (second == 0) | (first > modulus) | (second > modulus)
            total = (modulus - second % modulus) % modulus
            second = first % modulus
            first = (total + modulus - second) % modulus
        else:
            never = (first >= modulus) | (second >= modulus)
        return first % modulus << _HIGH | second % modulus, never

    # -- sums of changes

    def _added(self, one: Array, other: Array) -> Array:
        modulus = np.uint64(self.algorithm.modulus)
        first = ((one >> _HIGH) + (other >> _HIGH)) % modulus
        return first << _HIGH | ((one & _LOW) + (other & _LOW)) % modulus

    def _less(self, one: Array, other: Array) -> Array:
        modulus = np.uint64(self.algorithm.modulus)
        first = ((one >> _HIGH) + modulus - (other >> _HIGH)) % modulus
        return first << _HIGH | ((one & _LOW) + modulus - (other & _LOW)) % modulus

    def changes(self, data: Array) -> Array:
        """What flipping each bit of one row of data adds to its sums."""
        rows = np.repeat(data.reshape(1, -1), self.octets * 8 + 1, axis=0)
        bits = np.arange(self.octets * 8)
        rows[bits, bits // 8] ^= (0x80 >> bits % 8).astype(np.uint8)
        sums = self._sums(rows)
        return self._less(sums[:-1], sums[-1:])

    def _wanted_changes(self, data: Array, stored: Array) -> Array:
        """What the sums must change by so that the stored values are right; values that no data give are left out."""
        sums, never = self._wanted(stored)
        return self._less(sums, self._sums(data.reshape(1, -1)))[~never]

    def _damaged(self, data: Array, flips: int) -> Array:
        """The stored check with every choice of `flips` of its bits flipped."""
        value = self.values(data.reshape(1, -1))[0]
        chosen = [
            np.bitwise_xor.reduce(self.masks[list(which)], initial=np.uint64(0))
            for which in combinations(range(len(self.masks)), flips)
        ]
        return value ^ np.array(chosen, np.uint64)

    def _few(self, flips: int, data: Array) -> int:
        ordered = np.sort(self.changes(data))
        found = int((self._wanted_changes(data, self._damaged(data, flips)) == 0).sum())
        found += int(_counts(ordered, self._wanted_changes(data, self._damaged(data, flips - 1))).sum())
        if flips == 1:
            return found
        sums = np.sort(_pair_sums(ordered, self._added))
        found += int(_counts(sums, self._wanted_changes(data, self._damaged(data, flips - 2))).sum())
        if flips == 2:
            return found
        back = self._less(np.zeros(1, np.uint64), ordered)
        own = self._less(back, ordered)  # the partner that makes a pair of the third bit itself fit
        with_itself = _counts(ordered, own) - (own == ordered)
        return found + (int(_counts(sums, back).sum()) - int(with_itself.sum())) // 3

    def singles(self, data: Array) -> int:
        return self._few(1, data)

    def pairs(self, data: Array) -> int:
        return self._few(2, data)

    def triples(self, data: Array) -> int:
        return self._few(3, data)

    def bursts(self, length: int, data: Array) -> int:
        changes, value = self.changes(data), self.values(data.reshape(1, -1))
        limit, found = self.octets * 8, 0
        for start in range(self.bits - length + 1):
            sums, stored = np.zeros(1, np.uint64), value
            for place in range(start, start + length):
                always = place in (start, start + length - 1)
                more = self._added(sums, changes[place : place + 1]) if place < limit else sums
                other = stored if place < limit else stored ^ self.masks[place - limit]
                sums = more if always else np.concatenate((sums, more))
                stored = other if always else np.concatenate((stored, other))
            wanted, never = self._wanted(stored)
            needed = self._less(wanted, self._sums(data.reshape(1, -1)))
            found += int(((sums == needed) & ~never).sum())
        return found

    def unnoticed(self, data: Array, damage: Array) -> Array:
        rows = np.broadcast_to(data, (len(damage), self.octets))
        hurt = rows ^ _packed(damage[:, : self.octets * 8])
        stored = self.values(rows)
        for place, mask in enumerate(self.masks):
            stored = np.where(damage[:, self.octets * 8 + place], stored ^ mask, stored)
        found: Array = self.values(hurt) == stored
        return found


def _words(data: Array, algorithm: Algorithm) -> Array:
    """The words that are added up, shape (N, words)."""
    if algorithm.word_bits == 8:
        return data.astype(np.uint64)
    if algorithm.word_bits == 4:
        return np.stack((data >> 4, data & 15), axis=2).reshape(len(data), -1).astype(np.uint64)
    size = algorithm.word_bits // 8
    missing = -data.shape[1] % size
    whole = np.concatenate((data, np.zeros((len(data), missing), np.uint8)), axis=1)
    order = ">" if algorithm.word_order == "high octet first" else "<"
    return np.ascontiguousarray(whole).view(f"{order}u{size}").astype(np.uint64)
