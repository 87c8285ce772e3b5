"""Which check is this: from a few good frames to width, polynomial, initial value, reflections, final xor, span and stored order.

First every check of the catalogue is tried at every likely place. Where none fits, a CRC of any polynomial is solved for. The exclusive
or of two good frames of one length is, read as a polynomial over GF(2), a multiple of the generator, whatever initial value and final
xor are; so the greatest common divisor of a few such differences is the generator, or few bits more. What it leaves open is linear:
the initial value moves through the generator as the data do, the final xor does not, so frames of two lengths tell the one from the
other. Frames of a single length cannot: each initial value then has a final xor that explains them all; how many are open is told.

What would surprise a reader: polynomials and registers here are unreflected, most significant bit first, whatever a CRC reflects; frames
and checks are mirrored on the way in and parameters on the way out. The last word has packetkit/integrity/crc.py: what is reported was
computed over every frame.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from packetkit.errors import AlgorithmError, counted
from packetkit.integrity import crc
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS, custom_crc, named

# Octets in front that a check may leave out (sync, addresses, a length), and octets that may stand behind it (an end mark, a line end).
MOST_SKIPPED = 16
MOST_BEHIND = 4
# Whole octets that a check is stored in: 64 bits are the widest in the catalogue but for one.
MOST_OCTETS = 8
# A generator this many bits too long is cut down by trying every factor: 2**12 divisions.
MOST_SPARE_BITS = 12
# Of more frames than this the rest only confirms, and it is used for that.
MOST_DIFFERENCES = 8
# Above this number of matches to expect by chance, one that is found says nothing.
CREDIBLE = 0.05


@dataclass(frozen=True, slots=True)
class Place:
    """Where a check stands and what it covers, in octets.

    octets: its size; covers everything from `skipped` octets after the start up to the check; `behind` octets follow it. in_front: it
    stands before what it covers instead, behind the skipped octets. low_first: its low octet is stored first.
    """

    octets: int
    skipped: int = 0
    behind: int = 0
    in_front: bool = False
    low_first: bool = False

    def data(self, frame: bytes) -> bytes:
        """Return what the check covers in a frame."""
        end = len(frame) - self.behind
        return (
            frame[self.skipped + self.octets : end]
            if self.in_front
            else frame[self.skipped : end - self.octets]
        )

    def stored(self, frame: bytes) -> int:
        """Return the check's value as it stands in a frame."""
        end = len(frame) - self.behind
        start = self.skipped if self.in_front else end - self.octets
        return int.from_bytes(frame[start : start + self.octets], "little" if self.low_first else "big")

    def fits(self, frames: Sequence[bytes]) -> bool:
        """Return whether every frame is long enough to cover one octet at least."""
        return min(map(len, frames)) > self.skipped + self.octets + self.behind

    def __str__(self) -> str:
        size = counted(self.octets, "byte")
        order = "" if self.octets == 1 else ", low byte first" if self.low_first else ", high byte first"
        where = f"{size}{order}"
        if self.in_front:
            return f"{where}, from byte {self.skipped} on, over all bytes behind it"
        at = (
            "at the end"
            if not self.behind
            else f"before the last {'byte' if self.behind == 1 else f'{self.behind} bytes'}"
        )
        return f"{where}, {at}, over bytes {self.skipped} to just before it"


@dataclass(frozen=True, slots=True)
class Match:
    """A check that every frame agrees with.

    name: its row in the catalogue, or empty. open_bits: how many bits of its parameters these frames leave open: 2**open_bits pairs of
    initial value and final xor explain them equally; frames of other lengths separate them. chance: matches to expect by chance.
    """

    algorithm: Algorithm
    place: Place
    name: str
    open_bits: int
    chance: float

    @property
    def is_credible(self) -> bool:
        """True where chance would hardly have given it."""
        return self.chance < CREDIBLE

    def agrees(self, frame: bytes) -> bool:
        """Return whether a frame, perhaps one it was not found from, agrees with it."""
        return self.place.fits([frame]) and _agrees(self.algorithm, self.place, [frame])


def identify(frames: Sequence[bytes], *, place: Place | None = None) -> tuple[Match, ...]:
    """Return the checks that agree with every frame, the most credible first.

    frames: two at least, different ones, all of them good; five of one length tell any CRC, two lengths its initial value as well.
    place: where the check is, if that is known. Raises AlgorithmError for fewer frames.
    """
    given = tuple(dict.fromkeys(frames))
    if len(given) < 2:
        raise AlgorithmError(
            "one frame tells nothing of a check: give two different ones at least, better five"
        )
    known = list(_known(given, place))
    solved = [] if any(match.is_credible for match in known) else list(_solved(given, place))
    found: dict[tuple[object, ...], Match] = {}
    for match in (*known, *solved):
        found.setdefault((match.algorithm.identity(), match.place), match)
    return tuple(sorted(found.values(), key=_rank))


def _rank(match: Match) -> tuple[object, ...]:
    place, algorithm = match.place, match.algorithm
    plain = (place.in_front, place.behind, place.skipped)
    return (
        not match.is_credible,
        not match.name,
        -algorithm.width,
        *plain,
        algorithm.reflect_in is not algorithm.reflect_out,
        place.low_first,
        algorithm.init not in (0, (1 << algorithm.width) - 1),
        algorithm.name,
    )


# -- the catalogue -----------------------------------------------------------------------------------------------------


def places(frames: Sequence[bytes], octets: int) -> Iterator[Place]:
    """Yield every likely place of a check of so many octets, the plainest first."""
    for behind in range(MOST_BEHIND + 1):
        for skipped in range(MOST_SKIPPED + 1):
            for in_front in (False, True) if not behind else (False,):
                made = Place(octets, skipped, behind, in_front)
                if made.fits(frames):
                    yield made


def _known(frames: Sequence[bytes], asked: Place | None) -> Iterator[Match]:
    """Every row of the catalogue that agrees with all frames somewhere."""
    by_size: dict[int, list[Algorithm]] = {}
    for row in ALGORITHMS.values():
        by_size.setdefault(-(-row.width // 8), []).append(row)
    tried = 0
    agreeing: list[tuple[Algorithm, Place]] = []
    for octets, rows in by_size.items():
        spots = list(places(frames, octets)) if asked is None else [asked] * (asked.octets == octets)
        for spot in spots:
            if not _varies(spot, frames):
                continue
            data, high = spot.data(frames[0]), spot.stored(frames[0])
            low = int.from_bytes(high.to_bytes(octets, "big"), "little")
            for row in rows:
                value = crc.compute(row, data)
                for low_first, stored in ((False, high), (True, low)):
                    tried += 1
                    at = replace(spot, low_first=low_first)
                    if value == stored and (octets > 1 or not low_first) and _agrees(row, at, frames[1:]):
                        agreeing.append((row, at))
    for row, at in agreeing:
        if asked is None or at == asked:
            yield Match(
                row,
                at,
                row.name,
                _open_bits(row, at, frames),
                tried * 2.0 ** -_bits_told(row.width, frames, at, 0),
            )


def _agrees(algorithm: Algorithm, place: Place, frames: Iterable[bytes]) -> bool:
    compute = crc.engine(algorithm)
    return all(compute(place.data(one)) == place.stored(one) for one in frames)


def _bits_told(width: int, frames: Sequence[bytes], place: Place, unknown: int) -> float:
    """How many bits the frames say about a check, less `unknown` values of its width that were fitted to them."""
    distinct = len({place.data(one) for one in frames})
    return float(width * max(distinct - unknown, 0))


def _open_bits(algorithm: Algorithm, place: Place, frames: Sequence[bytes]) -> int:
    """How many bits of initial value and final xor these frames leave open."""
    if algorithm.family != "crc":
        return 0
    lengths = sorted({len(place.data(one)) * 8 for one in frames})
    modulus = 1 << algorithm.width | algorithm.poly
    rows = _differences(lengths, modulus, algorithm.width)
    return len(_solve(rows, 0)[1])


# -- any CRC -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Guess:
    """What is assumed while a generator is looked for."""

    place: Place
    width: int
    reflect_in: bool
    reflect_out: bool

    def message(self, frame: bytes) -> int:
        """The covered bits as a polynomial, first bit first."""
        data = self.place.data(frame)
        return int.from_bytes(data.translate(_MIRROR) if self.reflect_in else data, "big")

    def register(self, frame: bytes) -> int:
        """The stored check before its reflection."""
        value = self.place.stored(frame)
        return crc.reflect(value, self.width) if self.reflect_out else value

    def codeword(self, frame: bytes) -> int:
        """Data and check as one polynomial: good ones of one length differ by multiples of the generator."""
        return self.message(frame) << self.width ^ self.register(frame)


_MIRROR = bytes(crc.reflect(octet, 8) for octet in range(256))


def _guesses(frames: Sequence[bytes], asked: Place | None) -> Iterator[_Guess]:
    """Yield what may be, likely things first; octets in front that all frames share need no guess of their own."""
    shared = _shared_front(frames)
    for mixed in (False, True):
        for octets in range(MOST_OCTETS, 0, -1):  # a factor of a generator divides all that it divides
            spots = (
                list(places(frames, octets))
                if asked is None
                else [replace(asked, low_first=False)] * (asked.octets == octets)
            )
            for spot in spots:
                if asked is None and 0 < spot.skipped <= shared and not spot.in_front:
                    continue
                for low_first in (False, True) if octets > 1 else (False,):
                    for reflect in (False, True):
                        at = replace(spot, low_first=low_first)
                        if (asked is None or at == asked) and _varies(at, frames):
                            yield _Guess(at, octets * 8, reflect, reflect is not mixed)


def _varies(place: Place, frames: Sequence[bytes]) -> bool:
    """Whether what stands at a place is not the same in all frames: a constant is no check."""
    return len({place.stored(one) for one in frames}) > 1


def _shared_front(frames: Sequence[bytes]) -> int:
    """How many octets at the start are the same in all frames."""
    shortest = min(frames, key=len)
    return next((at for at in range(len(shortest)) if len({one[at] for one in frames}) > 1), len(shortest))


def _solved(frames: Sequence[bytes], asked: Place | None) -> Iterator[Match]:
    """CRCs of any polynomial that agree with all frames."""
    groups: dict[int, list[bytes]] = {}
    for one in frames:
        groups.setdefault(len(one), []).append(one)
    alone = all(len(group) == 1 for group in groups.values())
    guesses = list(_guesses(frames, asked))
    # Four each: a common divisor that is some bits too long has several parts of the wanted degree.
    tried = 4 * len(guesses)
    for guess in guesses:
        if alone:
            if guess.place.behind or guess.reflect_in is not guess.reflect_out:
                continue
            generators = _catalogued(guess.width)
            tried += len(generators)
        else:
            generators = _generators(guess, groups.values()) if len(frames) > 2 else []
        made = [one for generator in generators for one in _with_parameters(guess, generator, frames, tried)]
        yield from made
        if any(match.is_credible for match in made):
            return  # all that is left is less likely, or a part of this one


def _catalogued(width: int) -> list[int]:
    """The catalogue's polynomials of a width: what is tried where no two frames have one length."""
    rows = {row.poly for row in ALGORITHMS.values() if row.family == "crc" and row.width == width}
    return [1 << width | poly for poly in sorted(rows)]


def _generators(guess: _Guess, groups: Iterable[list[bytes]]) -> list[int]:
    """The polynomials of the wanted degree that divide all differences of frames of one length."""
    common = 0
    for group in groups:
        first = guess.codeword(group[0])
        for other in group[1 : MOST_DIFFERENCES + 1]:
            common = _gcd(common, guess.codeword(other) ^ first)
            if common and common.bit_length() - 1 < guess.width:
                return []
    if not common:
        return []
    common //= common & -common  # no generator has the factor x
    return list(_divisors(common, guess.width))


def _divisors(polynomial: int, degree: int) -> Iterator[int]:
    """The divisors of that degree with a constant term, where few bits are to spare."""
    spare = polynomial.bit_length() - 1 - degree
    if spare < 0 or spare > MOST_SPARE_BITS:
        return
    for cofactor in range(1 << spare | 1, 2 << spare, 2) if spare else (1,):
        quotient, rest = _divided(polynomial, cofactor)
        if not rest:
            yield quotient


def _with_parameters(guess: _Guess, generator: int, frames: Sequence[bytes], tried: int) -> Iterator[Match]:
    """The initial values and final xors with which a generator explains all frames: those with a name, else the plainest."""
    unknown = 2 if len({len(one) for one in frames}) == 1 else 3
    made = [_parameters(guess, generator, init, frames) for init in _initials(guess, generator, frames)]
    for algorithm, open_bits in (one for one in made if one is not None):
        row = named(algorithm)
        fitted = 0 if row is not None else unknown
        chance = tried * 2.0 ** -_bits_told(guess.width, frames, guess.place, fitted)
        yield Match(row or algorithm, guess.place, row.name if row else "", open_bits, chance)


def _initials(guess: _Guess, generator: int, frames: Sequence[bytes]) -> list[int]:
    """Initial values worth naming among those that are possible: the catalogue's, zeros, ones; else the least."""
    particular, free = _possible(guess, generator, frames)
    if particular is None:
        return []
    width, poly = guess.width, generator ^ 1 << guess.width
    rows = [
        row.init
        for row in ALGORITHMS.values()
        if row.family == "crc" and (row.width, row.poly) == (width, poly)
    ]
    wanted = [one for one in dict.fromkeys((*rows, 0, (1 << width) - 1)) if _spanned(one ^ particular, free)]
    return wanted or [particular]


def _possible(guess: _Guess, generator: int, frames: Sequence[bytes]) -> tuple[int | None, list[int]]:
    """One initial value that explains frames of every length, and the differences to all others."""
    by_length = {len(guess.place.data(one)) * 8: one for one in frames}
    lengths = sorted(by_length)
    target, width = 0, guess.width
    constants = [
        guess.register(by_length[n]) ^ _rest(guess.message(by_length[n]) << width, generator) for n in lengths
    ]
    for other in constants[1:]:
        target = target << width | (other ^ constants[0])
    return _solve(_differences(lengths, generator, width), target)


def _differences(lengths: Sequence[int], generator: int, width: int) -> list[int]:
    """For each bit of the initial value: how it changes the check of each further length against the first."""
    powers = [_power(length, generator) for length in lengths]
    columns = []
    for bit in range(width):
        value, first = 0, _rest(powers[0] << bit, generator)
        for power in powers[1:]:
            value = value << width | (_rest(power << bit, generator) ^ first)
        columns.append(value)
    return columns


def _parameters(
    guess: _Guess, generator: int, init: int, frames: Sequence[bytes]
) -> tuple[Algorithm, int] | None:
    """A CRC with that initial value, and how many bits are open; None where it does not explain every frame."""
    first, width = frames[0], guess.width
    message = guess.message(first) << width
    register = _rest(message, generator) ^ _rest(
        _product(_power(len(guess.place.data(first)) * 8, generator), init), generator
    )
    final = register ^ guess.register(first)
    final = crc.reflect(final, width) if guess.reflect_out else final
    poly = generator ^ 1 << width
    algorithm = custom_crc(width, poly, init, guess.reflect_in, guess.reflect_out, final)
    if not _agrees(algorithm, guess.place, frames):
        return None
    return algorithm, _open_bits(algorithm, guess.place, frames)


# -- arithmetic over GF(2) ---------------------------------------------------------------------------------------------


def _divided(above: int, below: int) -> tuple[int, int]:
    """Quotient and rest of polynomials."""
    quotient, size = 0, below.bit_length()
    while (over := above.bit_length() - size) >= 0:
        above ^= below << over
        quotient |= 1 << over
    return quotient, above


def _rest(above: int, below: int) -> int:
    size = below.bit_length()
    while (over := above.bit_length() - size) >= 0:
        above ^= below << over
    return above


def _gcd(one: int, other: int) -> int:
    while other:
        one, other = other, _rest(one, other)
    return one


@lru_cache(4096)
def _power(bits: int, generator: int) -> int:
    """x**bits modulo a generator, by squaring."""
    power, base = 1, _rest(2, generator)
    while bits:
        if bits & 1:
            power = _rest(_product(power, base), generator)
        base = _rest(_product(base, base), generator)
        bits >>= 1
    return power


def _product(one: int, other: int) -> int:
    made = 0
    while other:
        if other & 1:
            made ^= one
        one <<= 1
        other >>= 1
    return made


def _solve(columns: Sequence[int], target: int) -> tuple[int | None, list[int]]:
    """One set of columns (as a number's bits) whose exclusive or is the target, None for none, and the sets that give zero."""
    pivots: dict[int, tuple[int, int]] = {}  # highest bit -> (vector, which columns make it)
    free: list[int] = []
    for number, vector in enumerate(columns):
        made = 1 << number
        vector, made = _reduced(vector, made, pivots)
        if vector:
            pivots[vector.bit_length()] = vector, made
        else:
            free.append(made)
    rest, solution = _reduced(target, 0, pivots)
    return (None if rest else solution), free


def _reduced(vector: int, made: int, pivots: dict[int, tuple[int, int]]) -> tuple[int, int]:
    for bit in sorted(pivots, reverse=True):
        if vector >> (bit - 1) & 1:
            vector ^= pivots[bit][0]
            made ^= pivots[bit][1]
    return vector, made


def _spanned(value: int, basis: Sequence[int]) -> bool:
    """Whether a number is an exclusive or of some of the basis."""
    pivots: dict[int, tuple[int, int]] = {}
    for one in basis:
        one, _ = _reduced(one, 0, pivots)
        if one:
            pivots[one.bit_length()] = one, 0
    return not _reduced(value, 0, pivots)[0]
