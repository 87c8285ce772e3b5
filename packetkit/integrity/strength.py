"""The Hamming distance a check guarantees: how many flipped bits it takes, at the least, to go unnoticed.

A CRC notices an error unless the error, as a polynomial, is a multiple of the generator. So its distance at a
length is the smallest weight among the multiples that fit, and neither initial value, final xor, reflection
nor the order of its stored octets changes that (each is a constant or a permutation of bits). Where a
multiple of weight k first fits is found by

- listing all codewords of the shortest lengths;
- weight 2: the order of the generator, by stepping the register, baby and giant steps;
- weight 3 and more: meeting in the middle, sums of half the positions against sums of the other half.

numpy does that work and is imported for it alone. `distance` asks the table profiles.json, made by this
module for every generator in the catalogue, and needs no numpy; for a generator that is not in it, it says
"at least".

Lengths are data-word bits: what the check covers, the check itself not counted.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import islice
from math import comb
from typing import TYPE_CHECKING, Any

from packetkit.errors import AlgorithmError
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.crc import reflect
from packetkit.resources import resource

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[Any]

# Generators this wide at most are searched to the end; beyond, the order alone is out of reach.
COMPLETE_WIDTH = 32

# Wider generators: how long a data word is looked at. Twice the longest frame of a chirp radio, 255 octets.
_WIDE_LIMIT_BITS = 4096

# Meeting in the middle: sums held for one side (some 100 MB in all), and tried for the other (seconds).
_HELD = 2_500_000
_TRIED = 50_000_000

# Data words up to this length are listed, all 65,536 of them.
_LISTED_BITS = 16

# `distance` steps a generator that is not in the table this far: 16 KiB of data, some 20 ms.
_STEPS = 1 << 17


@dataclass(frozen=True, slots=True)
class Distance:
    """A Hamming distance: every error of fewer than `value` bits is noticed.

    exact: some error of just so many bits is not; otherwise the value is a lower bound.
    """

    value: int
    exact: bool

    def __str__(self) -> str:
        return str(self.value) if self.exact else f"at least {self.value}"


@dataclass(frozen=True, slots=True)
class Survey:
    """What is known of a generator.

    profile: pairs of a distance and the longest data word, in bits, at which it is guaranteed; distances
    from 3 on. exact_to_bits: up to this length the profile is the distance itself and not only a bound;
    None: at any length.
    """

    profile: tuple[tuple[int, int], ...]
    exact_to_bits: int | None

    def at(self, data_bits: int) -> Distance:
        """Return the distance at one length."""
        value = max((weight for weight, longest in self.profile if longest >= data_bits), default=2)
        return Distance(value, self.exact_to_bits is None or data_bits <= self.exact_to_bits)


def distance(algorithm: Algorithm, data_bits: int) -> Distance:
    """Return the Hamming distance that a check guarantees over so many covered bits, the check not counted.

    It holds whatever the order in which the check's octets are stored, for errors in data and check together.
    CRCs: from the table where their generator or its mirror image is in it; else 2 or more as far as it is
    proven. The others, with words of k bits and n of them:

    - parity, XOR, sums: 2. One flipped bit changes a sum by a power of two, which no modulus here divides;
      but two flips in one column of two words, one up and one down, cancel.
    - Fletcher modulo 2^k - 1: 3 while n <= 2^k - 2. A flip changes the first sum by a power of two, so a
      second flip, in the stored first sum, must hide it there, and the second sum, which counts the word c
      times (c = 1 for the last, n for the first), must not change: c is a multiple of the modulus. Two flips
      in data cancel in the first sum only in one column, and in the second only 2^k - 1 words apart. Balanced
      check words hold sum2 and -(sum1 + sum2): c or c + 1 is a multiple, so n <= 2^k - 3. A flip in the last
      word may change each check word by one bit: the distance is not above 3.
    - Fletcher modulo 2^k: 2 from two words on: the uppermost bit of a word counted an even number of times.
    - Parities of listed bits: by the bits that each of them counts, up to 4.
    - Adler-32: as Fletcher, with the prime 65521: 3 while n <= 65520 octets.

    Exactness is claimed for whole octets, and of a 2 from two whole words on. Raises AlgorithmError where not
    even one bit is covered.
    """
    if data_bits < 1:
        raise AlgorithmError(f"a check over {data_bits} bits has no distance: it takes 1 bit or more to err")
    if algorithm.family == "crc":
        generator, degree = _without_factor_x(algorithm.poly, algorithm.width)
        known = _surveys().get(generator)
        return known.at(data_bits) if known else _proven(generator, degree, data_bits)
    if algorithm.family == "parity":
        return Distance(2, True)
    if algorithm.family == "linear":
        return _of_listed(algorithm, data_bits)
    words = -(-data_bits // algorithm.word_bits)
    if words <= _words_at_distance_3(algorithm):
        return Distance(3, data_bits % 8 == 0)
    return Distance(2, data_bits % 8 == 0 or data_bits >= 2 * algorithm.word_bits)


def _of_listed(algorithm: Algorithm, data_bits: int) -> Distance:
    """Return the distance of parities over listed bits: how few bits, the check's own among them, cancel; from 4 on a bound."""
    rows = range(algorithm.width)
    listed = [
        sum((place in algorithm.listed[row]) << row for row in rows) for place in range(1, data_bits + 1)
    ]
    columns = [*listed, *(1 << row for row in rows)]
    if 0 in columns:
        return Distance(1, True)
    known = set(columns)
    if len(known) < len(columns):
        return Distance(2, True)
    if any(one ^ other in known for at, one in enumerate(columns) for other in columns[:at]):
        return Distance(3, True)
    return Distance(4, False)


def _words_at_distance_3(algorithm: Algorithm) -> int:
    """Return up to how many words a check that is not a CRC has distance 3 (see `distance`)."""
    if algorithm.family not in ("fletcher", "adler"):
        return 0
    if algorithm.modulus == 1 << algorithm.word_bits:
        return 1
    return algorithm.modulus - (2 if algorithm.final == "balanced" else 1)


def _proven(generator: int, degree: int, data_bits: int) -> Distance:
    """Return what can be proven quickly of a generator that is not in the table.

    3 while the register does not repeat over the codeword; 4 if the generator is divisible by x + 1 as well.
    The bound is exact where a small multiple of the generator, which is a codeword, has just that weight.
    """
    value = 2
    if data_bits + degree <= _STEPS:
        repeat = order(generator, degree, data_bits + degree - 1)
        if repeat is not None:
            return Distance(2, True)
        value = 4 if generator.bit_count() % 2 == 0 else 3
    lightest = generator.bit_count()
    for factor in range(3, 1 << min(data_bits, 8), 2):
        multiple = 0
        for place in range(factor.bit_length()):
            multiple ^= generator << place if factor >> place & 1 else 0
        lightest = min(lightest, multiple.bit_count())
    return Distance(value if data_bits > 8 else lightest, data_bits <= 8 or lightest == value)


@lru_cache(1)
def _surveys() -> dict[int, Survey]:
    """Return the shipped table by whole generator, and by mirror image: its multiples are mirrored too."""
    surveys = {}
    for row in json.loads(resource("integrity/profiles.json").read_text(encoding="utf-8"))["generators"]:
        width, generator = row["width"], 1 << row["width"] | int(row["polynomial"], 16)
        pairs = tuple((weight, longest) for weight, longest in row["profile"])
        for image in (reflect(generator, width + 1), generator):
            surveys[image] = Survey(pairs, row["exact_to_bits"])
    return surveys


def tabulate(generators: Iterable[tuple[int, int]]) -> str:
    """Return the text of profiles.json for pairs of width and polynomial.

    The whole catalogue takes a minute; whoever adds a generator writes the file anew with this.
    """
    rows = []
    for width, poly in sorted(set(generators)):
        known = survey(poly, width)
        polynomial = f"0x{poly:0{(width + 3) // 4}X}"
        row = {"width": width, "polynomial": polynomial, "exact_to_bits": known.exact_to_bits}
        rows.append("  " + json.dumps(row | {"profile": known.profile}))
    how = (
        "Computed by packetkit.integrity.strength.tabulate. profile: pairs of a Hamming distance and the "
        "longest data word, in bits, at which the generator guarantees it; longer ones have distance 2. "
        "exact_to_bits: up to this length that is the distance itself, beyond it a lower bound; null: always."
    )
    return f'{{\n "how": {json.dumps(how)},\n "generators": [\n' + ",\n".join(rows) + "\n ]\n}\n"


def profile(poly: int, width: int, limit_bits: int | None = None) -> tuple[tuple[int, int], ...]:
    """Return pairs of a distance and the longest data word, in bits, at which it is guaranteed.

    Distances run from 3 to the one at a single data bit; 2 is left out, for nothing ends it. With
    limit_bits longer data words are not looked at, and a pair that ends there says "at least so long".

    >>> profile(0x07, 8)
    ((3, 119), (4, 119))
    """
    return survey(poly, width, limit_bits).profile


def survey(poly: int, width: int, limit_bits: int | None = None) -> Survey:
    """Return what can be found out about a generator: everything, up to 32 bits wide; bounds beyond.

    poly: without its highest term. Raises AlgorithmError where it is zero or does not fit.
    """
    generator, degree = _without_factor_x(poly, width)
    if limit_bits is None and degree > COMPLETE_WIDTH:
        limit_bits = _WIDE_LIMIT_BITS
    listed = min(_LISTED_BITS, limit_bits or _LISTED_BITS)
    short = _distances_by_listing(generator, degree, listed)
    found = {weight: short.index(weight) + 1 + degree for weight in set(short)}
    clear: dict[int, int] = {}

    # Codewords of up to `cap` bits are looked at: beyond, a lighter one fits, or the limit is passed.
    cap = None if limit_bits is None else limit_bits + degree
    repeat = order(generator, degree, cap)
    if repeat is not None:
        found[2], cap = repeat + 1, repeat
    assert cap is not None  # an order is only missing below a cap
    clear[2] = cap
    for weight in range(3, short[-1]):
        if weight % 2 and generator.bit_count() % 2 == 0:
            continue  # divisible by x + 1: no multiple has an odd number of terms
        place, clear[weight] = _lowest_multiple(generator, degree, weight, cap, degree + listed)
        if place is not None:
            found[weight], cap = place + 1, place
    return _summary(degree, short, found, clear, limit_bits)


def _summary(
    degree: int, short: list[int], found: dict[int, int], clear: dict[int, int], limit_bits: int | None
) -> Survey:
    """Return the survey from codeword lengths: where a weight first fits, up to where it surely does not."""
    pairs = []
    for distance in range(3, short[0] + 1):
        if distance > short[-1]:
            longest = sum(shortest >= distance for shortest in short)
        else:
            longest = min(end for weight, end in clear.items() if weight < distance) - degree
        pairs.append((distance, longest if limit_bits is None else min(longest, limit_bits)))
    survey = Survey(tuple(pairs), None)
    # The guarantee only drops after a pair's end. It is exact from there to the next drop if a codeword of
    # that weight fits already; the first stretch where none is known ends what is exact.
    starts = sorted({len(short) + 1} | {longest + 1 for _, longest in pairs if longest > len(short)})
    for start in starts:
        fitting = [weight for weight, length in found.items() if length <= start + degree]
        if (limit_bits is None or start <= limit_bits) and min(fitting) != survey.at(start).value:
            return replace(survey, exact_to_bits=start - 1)
    return replace(survey, exact_to_bits=limit_bits)


def _without_factor_x(poly: int, width: int) -> tuple[int, int]:
    """Return the whole generator freed of factors x, and its degree: they cost bits and notice nothing.

    A multiple of x^j*h is x^j times one of h, so both give the same distance at the same data-word length.
    """
    if not 0 < poly < 1 << width:
        raise AlgorithmError(f"polynomial {poly:#x} is outside 0x1 to {(1 << width) - 1:#x} for {width} bits")
    generator = 1 << width | poly
    factors = (generator & -generator).bit_length() - 1
    return generator >> factors, width - factors


def _powers(generator: int, degree: int) -> Iterator[int]:
    """Yield x^0, x^1, x^2, .. modulo the generator: the register, stepped with no input."""
    value, top = 1, 1 << degree
    while True:
        yield value
        value <<= 1
        if value & top:
            value ^= generator


def order(generator: int, degree: int, cap: int | None = None) -> int | None:
    """Return the smallest n with x^n = 1 modulo a generator that has the term 1; None if it is above cap.

    generator: with its highest term. Two flipped bits n apart, and no nearer, go unnoticed. Found in about
    2 * 2^(degree/2) steps: x^i is kept for i below a stride, then each stride-th power is looked up there.
    """
    if cap is None and degree > COMPLETE_WIDTH:
        raise AlgorithmError(
            f"the order of {degree} bits is out of reach: at most {COMPLETE_WIDTH} without a cap"
        )
    stride = 1 << (degree + 1) // 2
    if cap is not None and (cap < stride or degree > COMPLETE_WIDTH):
        stride = cap + 1
    kept: dict[int, int] = {}
    for place, value in enumerate(islice(_powers(generator, degree), stride)):
        if value == 1 and place:
            return place if cap is None or place <= cap else None
        kept[value] = place
    if cap is not None and stride > cap:
        return None
    leap = next(islice(_powers(generator, degree), stride, None))
    times_leap = _multiplier(leap, generator, degree)
    value = leap
    for strides in range(1, (1 << degree) // stride + 2):
        if value in kept:
            repeat = strides * stride - kept[value]
            return repeat if cap is None or repeat <= cap else None
        value = times_leap(value)
    raise AssertionError("a generator with the term 1 has an order below 2^degree")


def _multiplier(factor: int, generator: int, degree: int) -> Callable[[int], int]:
    """Return the function that multiplies by a fixed factor modulo the generator, by tables of octets."""
    shifted, top = [], 1 << degree
    for _ in range(degree):
        shifted.append(factor)
        factor <<= 1
        if factor & top:
            factor ^= generator
    tables = []
    for low in range(0, degree, 8):
        entries = [0]
        for part in shifted[low : low + 8]:
            entries += [entry ^ part for entry in entries]
        tables.append(entries + [0] * (256 - len(entries)))

    def multiply(value: int) -> int:
        product = 0
        for entries in tables:
            product ^= entries[value & 0xFF]
            value >>= 8
        return product

    return multiply


def _distances_by_listing(generator: int, degree: int, most: int) -> list[int]:
    """Return the distance at 1, 2, .. most data bits, from the weight of every codeword so short."""
    import numpy as np

    # The check of a data word is the sum of those of its bits; limb by limb, for it may pass 64 bits.
    checks = list(islice(_powers(generator, degree), degree, degree + most))
    weights = _set_bits(np.arange(1 << most, dtype=np.uint64))
    for low in range(0, degree, 64):
        limb = np.zeros(1, np.uint64)
        for check in checks:
            limb = np.concatenate((limb, limb ^ np.uint64(check >> low & 0xFFFFFFFFFFFFFFFF)))
        weights += _set_bits(limb)
    lightest = [int(weights[1 << bits : 2 << bits].min()) for bits in range(most)]
    return [min(lightest[: bits + 1]) for bits in range(most)]


def _set_bits(words: Array) -> Array:
    """Return how many bits are set in each word of 64 bits."""
    import numpy as np

    counts = np.zeros(1, np.uint8)
    for _ in range(16):
        counts = np.concatenate((counts, counts + np.uint8(1)))
    octet_pairs = words.view(np.uint16).reshape(len(words), 4)
    total: Array = counts[octet_pairs].sum(axis=1, dtype=np.int64)
    return total


def _lowest_multiple(
    generator: int, degree: int, weight: int, cap: int, clear: int
) -> tuple[int | None, int]:
    """Return the degree of the lowest multiple of one weight, and the codeword length free of that weight.

    clear: the codeword length that is free of it already. The degree is None where no codeword of up to
    `cap` bits has the weight, or where looking further would take too much. Where a multiple of fewer terms
    was not ruled out before, that one may be what is found: still no guarantee above `weight` from there on.
    """
    if weight == 3:
        place = _three(generator, degree, cap)
        clear = cap
    elif weight == 4:
        place = _four(generator, degree, cap)
        clear = cap
    else:
        place, clear = _meet(generator, degree, weight, cap, clear)
    if place is None:
        return None, clear
    # Beyond 64 bits only the low 64 were compared: what differs there is clear, what does not is unproven.
    return (place if degree <= 64 else None), place


def _three(generator: int, degree: int, cap: int) -> int | None:
    """Return the first place b at which 1 + x^a + x^b is a multiple for some a below."""
    seen: set[int] = set()
    for place, value in enumerate(islice(_powers(generator, degree), 1, cap), 1):
        if value ^ 1 in seen:
            return place
        seen.add(value)
    return None


def _four(generator: int, degree: int, cap: int) -> int | None:
    """Return the first place c at which 1 + x^a + x^b + x^c is a multiple for some a < b below.

    At each c all a at once are asked whether x^a + (1 + x^c) is one of the powers below: two filters by
    different bits let few pass, and a set decides.
    """
    import numpy as np

    shift, start, size = max(degree - 20, 0), 1, 256
    low, high = np.zeros(1 << 20, bool), np.zeros(1 << 20, bool)
    below: set[int] = set()
    while start < cap:
        size = min(size * 2, cap)
        powers = _array(generator, degree, size)
        mask, drop = powers.dtype.type((1 << 20) - 1), powers.dtype.type(min(shift, 44))
        for place in range(start, size):
            wanted = powers[1:place] ^ (powers[place] ^ powers[0])
            wanted = wanted[low[wanted & mask]]
            if wanted.size:
                wanted = wanted[high[wanted >> drop & mask]]
                if wanted.size and any(value in below for value in wanted.tolist()):
                    return place
            low[powers[place] & mask] = high[powers[place] >> drop & mask] = True
            below.add(int(powers[place]))
        start = size
    return None


def _array(generator: int, degree: int, count: int) -> Array:
    """Return x^0 .. x^(count-1) modulo the generator, the low 64 bits of each."""
    import numpy as np

    values = islice(_powers(generator, degree), count)
    if degree <= 32:
        return np.fromiter(values, np.uint32, count)
    return np.fromiter((value & 0xFFFFFFFFFFFFFFFF for value in values), np.uint64, count)


def _meet(generator: int, degree: int, weight: int, cap: int, clear: int) -> tuple[int | None, int]:
    """Return the degree of the lowest multiple of a weight of 5 or more, and the length free of it, as above.

    Half of the terms besides 1 are met with the other half, in codewords of growing length. The first
    length is one where a random generator has a multiple of this weight with a chance of a quarter.
    """
    left = (weight - 1) // 2
    right = weight - 1 - left
    most = clear
    while most < cap and comb(most, left) <= _HELD and comb(most, right) <= _TRIED:
        most += 1
    length = clear + 1
    while length < most and comb(length, weight - 1) < 1 << max(degree - 2, 0):
        length += 1
    while clear < most:
        length = min(length, most)
        place = _highest_place(_array(generator, degree, length), left, right)
        if place is not None:
            return place, place
        clear, length = length, length * 6 // 5 + 1
    return None, clear


def _highest_place(powers: Array, left: int, right: int) -> int | None:
    """Return the least highest place among sums of left + right powers, not of x^0, that add up to x^0.

    The highest place is taken on the right side, one after another; the left side is looked up below it.
    """
    import numpy as np

    lefts = _sums(powers, left)
    tops = _top_places(np.arange(len(lefts)), left, len(powers))
    by_value = np.argsort(lefts, kind="stable")  # stable: the first of equal sums has the least highest place
    ordered, tops = lefts[by_value], tops[by_value]
    mask = powers.dtype.type((1 << 22) - 1)
    may_match = np.zeros(1 << 22, bool)
    may_match[lefts & mask] = True
    fewer = _sums(powers, right - 1)
    for place in range(right, len(powers)):
        wanted = fewer[: comb(place - 1, right - 1)] ^ (powers[place] ^ powers[0])
        wanted = wanted[may_match[wanted & mask]]
        at = np.minimum(np.searchsorted(ordered, wanted), len(ordered) - 1)
        if ((ordered[at] == wanted) & (tops[at] < place)).any():
            return place
    return None


def _sums(powers: Array, terms: int) -> Array:
    """Return the sums of every choice of `terms` powers from x^1 on, in order of their highest place."""
    import numpy as np

    if terms == 1:
        return powers[1:]
    fewer = _sums(powers, terms - 1)
    return np.concatenate(
        [fewer[: comb(place - 1, terms - 1)] ^ powers[place] for place in range(terms, len(powers))]
    )


def _top_places(numbers: Array, terms: int, count: int) -> Array:
    """Return the highest place in each choice, given its number in the order of `_sums`."""
    import numpy as np

    within = np.array([comb(place, terms) for place in range(count)])  # choices among x^1 .. x^place
    return np.searchsorted(within, numbers, side="right")
