"""Whether every code of a field survives being a double: raw -> double -> raw (WIRE.md 5), decided exactly and without trying codes.

Codes are split by sign, then by binade; in those few where doubles stand no closer than codes, remainders that would round to a
neighbour are counted by Euclid's algorithm. So a field of 64 bits takes as long as one of 8.
"""

from __future__ import annotations

from packetkit.layout.curve import Curve, is_exact
from packetkit.layout.slots import Linear, Range, Slot


def roundtrips(slot: Slot) -> bool:
    """Return whether raw -> double -> raw gives back every code that decodes to a number (WIRE.md 5).

    Decided exactly, in a time that does not depend on how many codes there are.
    """
    transform = slot.transform
    if isinstance(transform, Curve):
        return is_exact(transform)
    if not isinstance(transform, Linear) or transform.denominator == 1:
        return True
    return all(linear_roundtrips(transform, codes.low, codes.high) for codes in _numeric(slot))


def _numeric(slot: Slot) -> list[Range]:
    """The codes that decode to a number; under a coding the numbers, as they are what is scaled."""
    if slot.coding:
        return [Range(*slot.number_limits)]
    if slot.unassigned:
        return [*slot.legal, *(Range(one.low, one.high) for one in slot.specials if one.meaning != "missing")]
    pieces, start = [], slot.raw_limits[0]
    for special in sorted(slot.specials, key=lambda special: special.low):
        if special.meaning == "missing":
            pieces.append(Range(start, special.low - 1))
            start = max(start, special.high + 1)
    pieces.append(Range(start, slot.raw_limits[1]))
    return [piece for piece in pieces if piece.low <= piece.high]


def linear_roundtrips(
    transform: Linear, low: int, high: int, precision: int = 53, highest: int = 1023
) -> bool:
    """Return whether rounding to a binary format and back gives every code from low to high.

    precision: bits of the significand; highest: exponent of the largest numbers. Others than a double's are
    for tests, which can then try every code.

    Codes are split where their values change sign, then by binade, the numbers between two powers of two, in
    which the format's numbers are `gap` apart. Rounding is off by gap/2 at most and a code is recovered while
    that is less than scale/2, so only binades with gap >= scale need a look; there are few, as a field spans
    2**64 steps at most. In one of those the values' remainders modulo gap decide, and whether any lies in the
    window of bad remainders is counted without enumeration.
    """
    values = sorted((raw * transform.numerator + transform.base, raw) for raw in (low, high))
    (least, _), (greatest, _) = values
    step, den = abs(transform.numerator), transform.denominator
    if transform.numerator < 0:  # count the codes by rising value
        low, high = -high, -low
    upward = transform.numerator > 0
    # numerator of the value of code i counted from the least: least + i*step
    if greatest >= 0:
        first = max(0, -(least // step))
        count = (greatest - least) // step + 1 - first
        if not _binades_roundtrip(least + first * step, step, den, count, upward, precision, highest):
            return False
    if least < 0:
        last = min((-1 - least) // step, (greatest - least) // step)
        # Mirrored: magnitudes rise as codes fall, so what rounds up in magnitude rounds down in raw.
        return _binades_roundtrip(-(least + last * step), step, den, last + 1, not upward, precision, highest)
    return True


def _binades_roundtrip(
    first: int, step: int, den: int, count: int, upward: bool, precision: int, highest: int
) -> bool:
    """Whether (first + i*step)/den, i < count, none negative, all survive; upward: raw rises with them."""
    smallest = 2 - highest - precision  # exponent of the gap between subnormal numbers
    gap = max(_log2_floor(step, den), smallest)
    # Values below 2**(gap + precision - 1) have a smaller gap than that of 2**gap, thus a harmless one; where
    # 2**gap is the least of all there are none.
    at = 0 if gap == smallest else _first_at_least(first, step, den, gap + precision - 1)
    while at < count and gap + precision <= highest + 1:
        beyond = min(_first_at_least(first, step, den, gap + precision), count)
        if beyond > at and not _binade_roundtrips(first + at * step, step, den, beyond - at, gap, upward):
            return False
        at, gap = max(at, beyond), gap + 1
    return not _overflows(first + (count - 1) * step, den, precision, highest)


def _log2_floor(above: int, below: int) -> int:
    """The exponent e with 2**e <= above/below < 2**(e+1)."""
    guess = above.bit_length() - below.bit_length()
    fits = (above >= below << guess) if guess >= 0 else (above << -guess >= below)
    return guess if fits else guess - 1


def _first_at_least(first: int, step: int, den: int, power: int) -> int:
    """The least i >= 0 with (first + i*step)/den >= 2**power."""
    need = den << power if power >= 0 else -(-den >> -power)
    return max(0, -((first - need) // step))


def _overflows(above: int, den: int, precision: int, highest: int) -> bool:
    """Whether above/den rounds to something beyond the format's largest number."""
    limit = (1 << (precision + 1)) - 1  # in halves of the last place: the largest number and half a gap
    shift = highest - precision
    return (above << -shift if shift < 0 else above) >= (limit * den << shift if shift >= 0 else limit * den)


def _binade_roundtrips(first: int, step: int, den: int, count: int, gap: int, upward: bool) -> bool:
    """Whether the values (first + i*step)/den, i < count, survive rounding to multiples of 2**gap.

    In units that make everything an integer: modulus stands for one gap, step for the scale.
    """
    scaled = 1 if gap >= 0 else 1 << -gap
    modulus = 2 * den << max(gap, 0)
    first, step = 2 * first * scaled, 2 * step * scaled
    if modulus < step:
        return True
    if modulus == step:
        # Every remainder is the same; half a gap is a tie, which goes to even: up for one code, down for the
        # next.
        if first % modulus * 2 != modulus:
            return True
        rounds_up = first // modulus % 2 == 1
        return count == 1 and rounds_up is not upward
    # Rounding down takes the remainder off, up adds modulus - remainder. Against the raw's rise a loss of
    # exactly half a step is kept by floor(x + 1/2), and with it a gain of half a step is not.
    half = step // 2
    worst_down = half + 1 if upward else half
    worst_up = modulus - half if upward else modulus - half - 1
    return _hits(step, first, modulus, worst_down, worst_up, count) == 0


def _hits(step: int, first: int, modulus: int, low: int, high: int, count: int) -> int:
    """How many i < count have low <= (first + i*step) mod modulus <= high."""
    if low > high:
        return 0
    return _floor_sum(count, modulus, step, first - low + modulus) - _floor_sum(
        count, modulus, step, first - high - 1 + modulus
    )


def _floor_sum(count: int, modulus: int, step: int, first: int) -> int:
    """The sum of (first + i*step) // modulus over i < count, by Euclid's algorithm on step and modulus."""
    total = 0
    while count > 0:
        total += (count - 1) * count // 2 * (step // modulus) + count * (first // modulus)
        step, first = step % modulus, first % modulus
        reach = step * count + first
        if reach < modulus:
            break
        # Count the lattice points under the line the other way round.
        count, first = divmod(reach, modulus)
        modulus, step = step, modulus
    return total
