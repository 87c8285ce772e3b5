"""Checks of a block of frames at once.

A CRC over whole octets takes two octets of every row at a step, through one table of 65,536 registers. Any other check that is linear
over bits (CRCs bit by bit, exclusive ors, parities) is the exclusive or of one table entry an octet; the tables are filled by asking the
scalar check about single bits, so they cannot disagree with it. Sums are added up over all rows. The little that is left is asked
row by row.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import lru_cache

import numpy as np

from packetkit.codec import bits
from packetkit.codec.bits import Span
from packetkit.codec.bulk.gather import Array, bits_turned
from packetkit.codec.bulk.plan import Placed, Plan
from packetkit.integrity import crc
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.slots import Check

# Octets of rows in, the checks' values (unsigned) out.
Computer = Callable[[Array], Array]

# Filling the tables asks the scalar check once a bit; beyond this many octets asking row by row is sooner done.
MOST_TABLES = 512

# One octet that is fed: its column (None: a constant), and what is kept of it and added to it.
Fed = tuple[int | None, int, int]


def computer(plan: Plan, placed: Placed) -> Computer:
    """Return the function that computes a check for all rows of a block."""
    check = placed.slot.check
    assert check is not None
    fed = _fed(plan, placed, check)
    family = check.algorithm.family
    if fed is not None and family == "crc":
        return _crc(check.algorithm, fed)
    if family in ("crc", "xor", "parity", "linear") and plan.size <= MOST_TABLES:
        return _linear(plan, placed)
    if fed is not None and family in ("sum", "fletcher", "adler"):
        return _sums(check.algorithm, fed)
    return _row_by_row(plan, placed)


def _scalar(plan: Plan, placed: Placed) -> Callable[[bytes], int]:
    """What the scalar codec computes over one frame."""
    (spans, own), slot = plan.spans(placed), placed.slot
    assert slot.check is not None
    check, words = slot.check, plan.words
    return lambda frame: bits.check_value(check, slot.width, spans, own, words, frame)


def _row_by_row(plan: Plan, placed: Placed) -> Computer:
    scalar = _scalar(plan, placed)
    return lambda octets: np.array([scalar(row.tobytes()) for row in octets], np.uint64)


def _kind(width: int) -> type[np.unsignedinteger]:
    """The narrowest machine word that holds a check of so many bits."""
    return np.uint16 if width <= 16 else np.uint32 if width <= 32 else np.uint64


# -- what is fed -----------------------------------------------------------------------------------


def _fed(plan: Plan, placed: Placed, check: Check) -> list[Fed] | None:
    """The octets that a check is fed with, None where they are not whole octets of the frame, one after another."""
    spans, own = plan.spans(placed)
    pieces, mine = bits.wire_spans(spans, plan.words), bits.wire_spans(own, plan.words)
    if check.own == "skip":
        pieces = bits.without(pieces, mine)
    if check.in_wire_order or any(edge % 8 for piece in pieces for edge in piece):
        return None
    fed: list[Fed] = [(None, 0, octet) for octet in check.also]
    for start, end in pieces:
        fed += [(at, 255, 0) for at in range(start // 8, end // 8)]
    if check.own in ("zero", "ones"):
        fed = [_without_own(one, mine, check) for one in fed]
    return fed


def _without_own(one: Fed, mine: Sequence[Span], check: Check) -> Fed:
    """An octet with a check's own bits in it made zeros or ones."""
    at = one[0]
    if at is None:
        return one
    own = 0
    for start, end in mine:
        for bit in range(max(start, at * 8), min(end, at * 8 + 8)):
            own |= 1 << bit % 8 if check.least_first else 0x80 >> bit % 8
    return at, 255 & ~own, own if check.own == "ones" else 0


def _column(octets: Array, one: Fed) -> Array:
    """One octet that is fed, of every row."""
    at, kept, added = one
    if at is None:
        return np.full(len(octets), added, np.uint8)
    column = octets[:, at]
    return column if (kept, added) == (255, 0) else (column & np.uint8(kept)) | np.uint8(added)


def _is_pair(first: Fed, second: Fed) -> bool:
    """Whether two octets that are fed stand side by side in the frame, whole."""
    plain = first[1:] == second[1:] == (255, 0)
    return plain and first[0] is not None and second[0] == first[0] + 1


# -- CRCs ------------------------------------------------------------------------------------------


@lru_cache(32)
def _table(width: int, poly: int, reflected: bool) -> Array:
    """The registers after two octets, from a register of zeros.

    Index: the two octets as they lie in memory, low address in the low byte. Registers that reflect stand at the low end of a word,
    others of at most 16 bits at its high end, with their octets swapped, so that an index is one exclusive or away.
    """
    one = _plain_table(width, poly, reflected)
    octets = np.arange(256, dtype=np.uint64)
    both = np.repeat(octets, 256), np.tile(octets, 256)  # second octet, first octet
    first = one[both[1]]
    two = _stepped(first, both[0], one, width, reflected)
    return _placed(two, width, reflected)


def _plain_table(width: int, poly: int, reflected: bool) -> Array:
    """The registers after one octet, in the plain form: `width` bits at the low end."""
    one = np.array(crc.table(width, poly, reflected), np.uint64)
    return one >> np.uint64(8 - width) if not reflected and width < 8 else one


def _stepped(register: Array, octet: Array, one: Array, width: int, reflected: bool) -> Array:
    """Registers after one octet more, in the plain form: `width` bits at the low end."""
    mask = np.uint64((1 << width) - 1)
    eight = np.uint64(8)
    if reflected:
        entry = one[(register ^ octet) & np.uint64(255)]
        return (register >> eight if width > 8 else register & np.uint64(0)) ^ entry
    if width >= 8:
        entry = one[(register >> np.uint64(width - 8)) ^ octet]
        return ((register << eight) & mask if width > 8 else register & np.uint64(0)) ^ entry
    return one[(register << np.uint64(8 - width)) ^ octet]


def _placed(registers: Array, width: int, reflected: bool) -> Array:
    """Registers in the form in which they are kept while a block is computed."""
    if not reflected and width <= 16:
        registers = (registers << np.uint64(16 - width)).astype(np.uint16).byteswap()
    return registers.astype(_kind(width))


def _crc(algorithm: Algorithm, fed: Sequence[Fed]) -> Computer:
    width, reflected = algorithm.width, algorithm.reflect_in
    start = crc.reflect(algorithm.init, width) if reflected else algorithm.init
    two = _table(width, algorithm.poly, reflected)
    plain = _plain_table(width, algorithm.poly, reflected)
    head, tail = list(fed[: len(fed) % 2]), list(fed[len(fed) % 2 :])
    if head:  # from a known register one octet leads to one of 256
        every = np.arange(256, dtype=np.uint64)
        first = _placed(
            _stepped(np.full(256, start, np.uint64), every, plain, width, reflected), width, reflected
        )
    else:
        first = _placed(np.array([start], np.uint64), width, reflected)
    pairs = list(zip(tail[::2], tail[1::2], strict=True))
    step = _step_narrow if width <= 16 else _step_reflected if reflected else _step_wide

    def compute(octets: Array) -> Array:
        register = np.take(first, _column(octets, head[0])) if head else np.repeat(first, len(octets))
        made = np.empty(len(octets), np.uint16)
        for pair in pairs:
            register = step(register, _word(octets, pair, made), two, width)
        return _finished(register, algorithm)

    return compute


def _word(octets: Array, pair: tuple[Fed, Fed], made: Array) -> Array:
    """Two octets of every row as they lie in memory, low address in the low byte."""
    if _is_pair(*pair):
        rows, size = octets.shape
        np.copyto(made, np.ndarray((rows,), "<u2", octets.data, pair[0][0] or 0, (size,)) if rows else made)
        return made
    first, second = (_column(octets, one).astype(np.uint16) for one in pair)
    return first | second << np.uint16(8)


def _step_narrow(register: Array, word: Array, table: Array, width: int) -> Array:
    """Two octets more, for registers of at most 16 bits: all of the old one is in the index."""
    np.bitwise_xor(word, register, out=word)
    return np.take(table, word, out=register, mode="wrap")


def _step_reflected(register: Array, word: Array, table: Array, width: int) -> Array:
    index = np.bitwise_xor(word, register.astype(np.uint16), out=word)
    np.right_shift(register, register.dtype.type(16), out=register)
    return np.bitwise_xor(register, np.take(table, index, mode="wrap"), out=register)


def _step_wide(register: Array, word: Array, table: Array, width: int) -> Array:
    kind = register.dtype.type
    upper = (register >> kind(width - 16)).astype(np.uint16).byteswap()
    index = np.bitwise_xor(word, upper, out=word)
    np.left_shift(register, kind(16), out=register)
    if width != register.dtype.itemsize * 8:
        np.bitwise_and(register, kind((1 << width) - 1), out=register)
    return np.bitwise_xor(register, np.take(table, index, mode="wrap"), out=register)


def _finished(register: Array, algorithm: Algorithm) -> Array:
    """The check's value from the register that has taken everything."""
    width = algorithm.width
    if not algorithm.reflect_in and width <= 16:
        register = register.byteswap() >> np.uint16(16 - width)
    if algorithm.reflect_in != algorithm.reflect_out:
        register = bits_turned(register.astype(np.uint64), width).astype(register.dtype)
    return register ^ register.dtype.type(algorithm.final_xor)


# -- whatever is linear ----------------------------------------------------------------------------


def _linear(plan: Plan, placed: Placed) -> Computer:
    """A check as the exclusive or of one table entry an octet."""
    scalar, kind = _scalar(plan, placed), _kind(placed.slot.width)
    empty = scalar(bytes(plan.size))
    tables: list[tuple[int, Array]] = []
    for at in range(plan.size):
        table = np.zeros(256, kind)
        for bit in range(8):
            single = bytearray(plan.size)
            single[at] = 1 << bit
            weight = kind(scalar(bytes(single)) ^ empty)
            table[1 << bit : 2 << bit] = table[: 1 << bit] ^ weight
        if table.any():
            tables.append((at, table))

    def compute(octets: Array) -> Array:
        made = np.full(len(octets), empty, kind)
        for at, table in tables:
            made ^= np.take(table, octets[:, at])
        return made

    return compute


# -- sums ------------------------------------------------------------------------------------------


def _sums(algorithm: Algorithm, fed: Sequence[Fed]) -> Computer:
    family, size = algorithm.family, max(algorithm.word_bits // 8, 1)
    mask = np.uint64((1 << algorithm.width) - 1)

    def words(octets: Array) -> list[Array]:
        columns = [_column(octets, one).astype(np.uint64) for one in fed]
        if algorithm.word_bits == 4:
            return [part for one in columns for part in (one >> np.uint64(4), one & np.uint64(15))]
        columns += [np.zeros(len(octets), np.uint64)] * (-len(columns) % size)
        order = range(size) if algorithm.word_order == "high octet first" else range(size - 1, -1, -1)
        made = []
        for at in range(0, len(columns), size):
            word = np.zeros(len(octets), np.uint64)
            for place in order:
                word = word << np.uint64(8) | columns[at + place]
            made.append(word)
        return made

    def plain(octets: Array) -> Array:
        total = np.zeros(len(octets), np.uint64)
        for word in words(octets):
            total += word
        modulus = np.uint64(algorithm.modulus) if algorithm.modulus else np.uint64(1)
        if algorithm.end_around:  # no sum but that of zeros is zero: multiples of the modulus are all ones
            value = np.where(total > 0, (total - np.uint64(1)) % modulus + np.uint64(1), total)
        else:
            value = total % modulus
        if algorithm.final == "inverted":
            return value ^ mask
        return (np.uint64(0) - value) & mask if algorithm.final == "negated" else value

    def double(octets: Array) -> Array:
        modulus = np.uint64(algorithm.modulus)
        first = np.full(len(octets), algorithm.init, np.uint64)
        second = np.zeros(len(octets), np.uint64)
        for word in words(octets):
            first = (first + word) % modulus
            second = (second + first) % modulus
        if algorithm.final == "balanced":  # zero itself is sent as all ones
            both = (first + second) % modulus
            first, second = np.where(second > 0, second, modulus), modulus - both
        half = np.uint64(algorithm.width // 2)
        return first << half | second if algorithm.first_sum_high else second << half | first

    return plain if family == "sum" else double
