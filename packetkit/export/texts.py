"""Columns of numbers as text, all rows at once: each cell is what Python writes for the number, to the byte.

A column of text is a matrix of octets, a row a cell, filled up with `PAD`, which no UTF-8 has, so it may stand anywhere in a cell and is
dropped once the lines are together. Digits come four at a time from tables. A double is written by integers where it is a decimal of so
many places, which its field's step tells and which every value is tested for; what is none is written the shortest way that gives it
back: by pyarrow where there are many, as it has Python's digits in the range in which both write a plain point, else by Python.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from functools import cache
from importlib.util import find_spec

import numpy as np
import numpy.typing as npt

from packetkit.codec.bulk.gather import Array

Texts = npt.NDArray[np.uint8]

PAD = 0xFF

# Decimals of at most so many digits are told apart by doubles, so such a one is the shortest text of its double.
_CERTAIN_DIGITS = 15
# Python writes an exponent below this, and from 1e16 on; pyarrow from 1e10 on.
_PLAIN = 1e-4
_PLAIN_IN_ARROW = 1e10
# Places behind the point that are tried: a step finer than this has its digits used up by what stands before the point.
_MOST_PLACES = 9
# Python writes so many doubles in the time in which pyarrow is imported.
MANY = 1 << 16

_GROUP = 10_000  # four digits


def of_words(words: Sequence[bytes]) -> Texts:
    """Return texts as a column."""
    width = max(map(len, words), default=0)
    joined = b"".join(word.ljust(width, b"\xff") for word in words)
    return np.frombuffer(joined, np.uint8).reshape(len(words), width)


def taken(texts: Texts, rows: Array) -> Texts:
    """Return some rows of a column, in any order, each as often as it is asked for."""
    width = texts.shape[1]
    if not width:
        return np.empty((len(rows), 0), np.uint8)
    cells = np.ascontiguousarray(texts).view(np.dtype((np.void, width))).reshape(len(texts))
    made: Texts = np.take(cells, rows).view(np.uint8).reshape(len(rows), width)
    return made


def only(texts: Texts, where: Array) -> Texts:
    """Return a column with nothing in the other rows."""
    return texts if where.all() else np.where(where[:, None], texts, np.uint8(PAD))


def lines(columns: Sequence[Texts | bytes], rows: int) -> bytes:
    """Return the cells of each row side by side; bytes stand in every row."""
    widths = [len(one) if isinstance(one, bytes) else one.shape[1] for one in columns]
    page = np.empty((rows, sum(widths)), np.uint8)
    at = 0
    for one, width in zip(columns, widths, strict=True):
        if isinstance(one, bytes):
            page[:, at : at + width] = np.frombuffer(one, np.uint8)
        elif width and rows:
            # One piece of memory a cell, not one a byte: four times as fast.
            cell = np.dtype((np.void, width))
            place = np.ndarray(rows, cell, page.data, at, (page.shape[1],))
            place[:] = np.ascontiguousarray(one).view(cell).reshape(rows)
        at += width
    return page.tobytes().translate(None, bytes([PAD]))


# -- whole numbers ---------------------------------------------------------------------------------


def of_integers(values: Array) -> Texts:
    """Return the digits of integers of any of numpy's types."""
    if values.dtype.kind == "u":
        return _whole(values.astype(np.uint64, copy=False))
    values = values.astype(np.int64, copy=False)
    # The least integer has no positive twin; as unsigned its bits are its size.
    return _signed(values < 0, [_whole(np.abs(values).view(np.uint64))])


def _signed(is_negative: Array, parts: list[Texts]) -> Texts:
    if is_negative.any():
        parts = [np.where(is_negative, ord("-"), PAD).astype(np.uint8)[:, None], *parts]
    return parts[0] if len(parts) == 1 else np.hstack(parts)


def _whole(numbers: Array) -> Texts:
    """Numbers without a sign."""
    highest = int(numbers.max()) if len(numbers) else 0
    count = max(-(-len(str(highest)) // 4), 1)
    made = np.empty((len(numbers), count), np.uint32)
    # Shorter numbers are divided in half the time.
    rest = numbers.astype(np.uint32) if highest < 1 << 32 else numbers
    for place in range(count - 1, -1, -1):
        above = rest // rest.dtype.type(_GROUP)
        digits = (rest - above * rest.dtype.type(_GROUP)).astype(np.intp)
        if place:
            digits += (above == 0) * _GROUP
            made[:, place] = _leading(place == count - 1)[digits]
        else:  # nothing stands before it
            made[:, 0] = _leading(count == 1)[digits + _GROUP]
        rest = above
    return made.view(np.uint8)


@cache
def _leading(is_last: bool) -> npt.NDArray[np.uint32]:
    """Four digits of each number behind others, then with nothing before them; where that is all, 0 is a digit."""
    first = [b"%d" % number if number or is_last else b"" for number in range(_GROUP)]
    return _table((b"%04d" % number for number in range(_GROUP)), first)


def _table(behind: Iterable[bytes], alone: Iterable[bytes]) -> npt.NDArray[np.uint32]:
    words = [*behind, *alone]
    return np.frombuffer(b"".join(word.ljust(4, b"\xff") for word in words), np.uint32)


# -- doubles ---------------------------------------------------------------------------------------


def places_of(*steps: Fraction) -> int:
    """Return how many places behind the point all multiples of these have, 0 where they are too many or have no end."""
    for places in range(_MOST_PLACES + 1):
        if all((step * 10**places).denominator == 1 for step in steps):
            return places
    return 0


def of_doubles(values: Array, places: int = 0, *, are_many: bool = False) -> Texts:
    """Return doubles as Python writes them.

    places: how many digits behind the point most of them have. are_many: these and others to come are worth importing pyarrow for,
    where it is installed.
    """
    scale = 10.0**places
    with np.errstate(over="ignore", invalid="ignore"):
        scaled = np.rint(values * scale)
        size = np.abs(values)
        is_decimal = (scaled / scale == values) & (np.abs(scaled) < 10.0**_CERTAIN_DIGITS)
        is_decimal &= (size >= _PLAIN) | ((values == 0) & ~np.signbit(values))
    if is_decimal.all():
        return _decimals(scaled, places)
    if not is_decimal.any():
        return _shortest(values, are_many)
    return _merged(
        is_decimal, _decimals(scaled[is_decimal], places), _shortest(values[~is_decimal], are_many)
    )


def _merged(where: Array, first: Texts, second: Texts) -> Texts:
    """A column of rows from two: of the first where it is said, in their order."""
    made = np.full((len(where), max(first.shape[1], second.shape[1])), PAD, np.uint8)
    made[where, : first.shape[1]] = first
    made[~where, : second.shape[1]] = second
    return made


def _decimals(scaled: Array, places: int) -> Texts:
    """Whole numbers, as doubles, with the point that many places from the right."""
    numbers = np.abs(scaled).astype(np.int64)
    whole = numbers // 10**places
    point = np.full((len(numbers), 1), ord("."), np.uint8)
    return _signed(
        scaled < 0, [_whole(whole.view(np.uint64)), point, _behind(numbers - whole * 10**places, places)]
    )


def _behind(numbers: Array, places: int) -> Texts:
    """Digits behind the point, zeros at the end left out, one digit at least."""
    count = max(-(-places // 4), 1)
    made = np.empty((len(numbers), count), np.uint32)
    rest = (numbers * 10 ** (4 * count - places)).astype(np.uint64 if count > 2 else np.uint32)
    is_end: Array | bool = True
    for place in range(count - 1, -1, -1):
        above = rest // rest.dtype.type(_GROUP)
        digits = (rest - above * rest.dtype.type(_GROUP)).astype(np.intp)
        made[:, place] = _trailing(place == 0)[digits + is_end * _GROUP]
        is_end = is_end & (digits == 0)
        rest = above
    return made.view(np.uint8)


@cache
def _trailing(is_first: bool) -> npt.NDArray[np.uint32]:
    """Four digits of each number before others, then with nothing but zeros behind them; right behind the point one stays."""
    last = [(b"%04d" % number).rstrip(b"0") or (b"0" if is_first else b"") for number in range(_GROUP)]
    return _table((b"%04d" % number for number in range(_GROUP)), last)


def _shortest(values: Array, are_many: bool) -> Texts:
    """The shortest text of each double that gives it back."""
    if not are_many or find_spec("pyarrow") is None:
        return _by_python(values)
    size = np.abs(values)
    is_plain = (size >= _PLAIN) & (size < _PLAIN_IN_ARROW) & (np.rint(values) != values)
    if is_plain.all():
        return _by_arrow(values)
    return _merged(is_plain, _by_arrow(values[is_plain]), _by_python(values[~is_plain]))


def _by_python(values: Array) -> Texts:
    return of_words([repr(value).encode() for value in values.tolist()])


def _by_arrow(values: Array) -> Texts:
    """Doubles with digits behind the point, in the range in which the library writes them as Python does."""
    import pyarrow
    from pyarrow import compute

    if not len(values):
        return np.empty((0, 0), np.uint8)
    texts = pyarrow.array(values).cast(pyarrow.string())
    width = compute.max(compute.binary_length(texts)).as_py()
    filled = compute.ascii_rpad(texts, width, " ")
    start = int(np.frombuffer(filled.buffers()[1], np.int32, 1)[0])
    made = np.frombuffer(filled.buffers()[2], np.uint8, len(values) * width, start).reshape(
        len(values), width
    )
    return np.where(made == ord(" "), np.uint8(PAD), made)
