"""Sums, XOR, parity, Fletcher's and Adler's checks: their rows, and the arithmetic on whole octets.

Each row states word size, word order, the carry's fate and the final complement, because these are what two
implementations of "a 16-bit checksum" disagree about. A partial last word is completed with zero octets
behind it (so the odd octet is the high one of a word that is high octet first).

Check values are those over "123456789"; the tests derive them again with a slow implementation of their own.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from functools import reduce
from itertools import accumulate
from operator import xor
from zlib import adler32

from packetkit.errors import AlgorithmError
from packetkit.integrity.algorithm import Algorithm, Final, Octets, WordOrder

_HIGH: WordOrder = "high octet first"
_LOW: WordOrder = "low octet first"

_COMMON = "common practice"
_INTEL_HEX = "common practice: Intel hexadecimal object files (record checksum), MODBUS in ASCII mode (LRC)"
_S_RECORD = "common practice: Motorola S-records (record checksum)"
_LIN = "LIN bus: TI SPNU563A (March 2018), section 29.3.1.8.4: inverted modulo-256 sum, carry added back"
_RFC_1071 = "RFC 1071 (September 1988), section 1"
_NMEA = "NMEA 0183, the characters between $ and *; common practice"
_FLETCHER = (
    "J. G. Fletcher, IEEE Trans. Communications 30 (1982), 247-252; words as in Wikipedia's test vectors"
)
_RFC_1146 = "RFC 1146 (March 1990), 16-bit words in network order, from memory"
_UBX = "u-blox ANTARIS 4 System Integration Manual GPS.G4-MS4-05007-A1, page 84 (UBX Checksum)"
_ISO = "ISO 8473 check octets as in ECSS-E-70-41A (30 January 2003), annex A.2, from memory"
_ADLER = "RFC 1950 (May 1996), sections 2.2 and 8.2"

# name, width, check, word bits, word order, carry added back, final complement, aliases, source
_SUM_ROWS: tuple[tuple[str, int, int, int, WordOrder, bool, Final, tuple[str, ...], str], ...] = (
    ("SUM-8", 8, 0xDD, 8, _HIGH, False, "none", (), _COMMON),
    ("SUM-8/INVERTED", 8, 0x22, 8, _HIGH, False, "inverted", ("SUM-8/S-RECORD",), _S_RECORD),
    ("SUM-8/NEGATED", 8, 0x23, 8, _HIGH, False, "negated", ("SUM-8/INTEL-HEX",), _INTEL_HEX),
    ("SUM-8/END-AROUND", 8, 0xDE, 8, _HIGH, True, "none", (), _COMMON),
    ("SUM-8/END-AROUND-INVERTED", 8, 0x21, 8, _HIGH, True, "inverted", ("SUM-8/LIN",), _LIN),
    ("SUM-16", 16, 0x01DD, 8, _HIGH, False, "none", (), _COMMON),
    ("SUM-16/INVERTED", 16, 0xFE22, 8, _HIGH, False, "inverted", (), _COMMON),
    ("SUM-16/NEGATED", 16, 0xFE23, 8, _HIGH, False, "negated", (), _COMMON),
    ("SUM-16/WORDS", 16, 0x09D4, 16, _HIGH, False, "none", (), _COMMON),
    ("SUM-16/WORDS-NEGATED", 16, 0xF62C, 16, _HIGH, False, "negated", (), _COMMON),
    ("SUM-16/WORDS-LOW-FIRST", 16, 0xD509, 16, _LOW, False, "none", (), _COMMON),
    ("SUM-16/WORDS-LOW-FIRST-NEGATED", 16, 0x2AF7, 16, _LOW, False, "negated", (), _COMMON),
    ("SUM-16/END-AROUND", 16, 0x09D5, 16, _HIGH, True, "none", (), _RFC_1071),
    ("SUM-16/END-AROUND-LOW-FIRST", 16, 0xD509, 16, _LOW, True, "none", (), _RFC_1071),
    ("SUM-16/INTERNET", 16, 0xF62A, 16, _HIGH, True, "inverted", ("RFC-1071", "INTERNET"), _RFC_1071),
    ("SUM-32", 32, 0x000001DD, 8, _HIGH, False, "none", (), _COMMON),
    ("SUM-32/INVERTED", 32, 0xFFFFFE22, 8, _HIGH, False, "inverted", (), _COMMON),
    ("SUM-32/NEGATED", 32, 0xFFFFFE23, 8, _HIGH, False, "negated", (), _COMMON),
    ("SUM-32/WORDS", 32, 0x9F686A6C, 32, _HIGH, False, "none", (), _COMMON),
    ("SUM-32/WORDS-NEGATED", 32, 0x60979594, 32, _HIGH, False, "negated", (), _COMMON),
    ("SUM-32/WORDS-LOW-FIRST", 32, 0x6C6A689F, 32, _LOW, False, "none", (), _COMMON),
    ("SUM-32/WORDS-LOW-FIRST-NEGATED", 32, 0x93959761, 32, _LOW, False, "negated", (), _COMMON),
    ("SUM-32/END-AROUND", 32, 0x9F686A6C, 32, _HIGH, True, "none", (), _COMMON),
    ("SUM-32/END-AROUND-LOW-FIRST", 32, 0x6C6A689F, 32, _LOW, True, "none", (), _COMMON),
)

# name, width, check, word order, aliases, source
_XOR_ROWS: tuple[tuple[str, int, int, WordOrder, tuple[str, ...], str], ...] = (
    ("XOR-8", 8, 0x31, _HIGH, ("NMEA", "BCC"), _NMEA),
    ("XOR-16", 16, 0x3908, _HIGH, (), _COMMON),
    ("XOR-16/LOW-FIRST", 16, 0x0839, _LOW, (), _COMMON),
)

# name, check, the value over no bits, aliases
_PARITY_ROWS: tuple[tuple[str, int, int, tuple[str, ...]], ...] = (
    ("PARITY/EVEN", 1, 0, ("EVEN-PARITY",)),
    ("PARITY/ODD", 0, 1, ("ODD-PARITY",)),
)

# name, check, word bits, word order, modulus, final, first sum in the high half, aliases, source
_FLETCHER_ROWS: tuple[
    tuple[str, int, int, WordOrder, int, Final, bool, tuple[str, ...], str],
    ...,
] = (
    ("FLETCHER-8", 0x0C, 4, _HIGH, 15, "none", False, ("FLETCHER-8/MOD-15",), _FLETCHER),
    ("FLETCHER-8/MOD-16", 0xB8, 4, _HIGH, 16, "none", False, (), _COMMON),
    ("FLETCHER-16", 0x1EDE, 8, _HIGH, 255, "none", False, ("FLETCHER-16/MOD-255",), _FLETCHER),
    ("FLETCHER-16/MOD-256", 0x15DD, 8, _HIGH, 256, "none", False, (), _COMMON),
    ("FLETCHER-16/UBX", 0xDD15, 8, _HIGH, 256, "none", True, ("UBX",), _UBX),
    ("FLETCHER-16/ISO", 0x031E, 8, _HIGH, 255, "balanced", False, ("ISO-8473",), _ISO),
    ("FLETCHER-32", 0xDF09D509, 16, _LOW, 65535, "none", False, ("FLETCHER-32/MOD-65535",), _FLETCHER),
    ("FLETCHER-32/HIGH-FIRST", 0x09DF09D5, 16, _HIGH, 65535, "none", False, (), _RFC_1146),
    ("FLETCHER-32/MOD-65536", 0xDF07D509, 16, _LOW, 65536, "none", False, (), _COMMON),
    (
        "FLETCHER-64",
        0x0D0803376C6A689F,
        32,
        _LOW,
        2**32 - 1,
        "none",
        False,
        ("FLETCHER-64/MOD-4294967295",),
        _FLETCHER,
    ),
    ("FLETCHER-64/MOD-4294967296", 0x0D0803366C6A689F, 32, _LOW, 2**32, "none", False, (), _COMMON),
)
_FLETCHER_NOTE = "a word of all zeros and one of all ones are the same to it"

# Names that several different checks go by. Written so because there is no telling which one was meant.
AMBIGUOUS: dict[str, tuple[str, ...]] = {
    "LRC": ("XOR-8", "SUM-8/NEGATED"),
    "CHECKSUM": ("SUM-8", "SUM-16/INTERNET"),
    "PARITY": ("PARITY/EVEN", "PARITY/ODD"),
    "FLETCHER": ("FLETCHER-16", "FLETCHER-32"),
    "ADLER": ("ADLER-32",),
    "XOR": ("XOR-8",),
    "SUM": ("SUM-8", "SUM-16"),
}


def rows() -> tuple[Algorithm, ...]:
    """Return every check here that is not a CRC, in the order of the tables above."""
    sums = [
        Algorithm(
            name=name,
            width=width,
            family="sum",
            aliases=aliases,
            check=check,
            source=source,
            word_bits=word_bits,
            word_order=order,
            modulus=2**width - 1 if end_around else 2**width,
            end_around=end_around,
            final=final,
        )
        for name, width, check, word_bits, order, end_around, final, aliases, source in _SUM_ROWS
    ]
    return (*sums, *_xor_and_parity_rows(), *_fletcher_rows())


def _xor_and_parity_rows() -> list[Algorithm]:
    xors = [
        Algorithm(
            name=name,
            width=width,
            family="xor",
            aliases=aliases,
            check=check,
            source=source,
            word_bits=width,
            word_order=order,
        )
        for name, width, check, order, aliases, source in _XOR_ROWS
    ]
    parities = [
        Algorithm(
            name=name, width=1, family="parity", aliases=aliases, check=check, source=_COMMON, init=init
        )
        for name, check, init, aliases in _PARITY_ROWS
    ]
    return xors + parities


def _fletcher_rows() -> list[Algorithm]:
    fletchers = [
        Algorithm(
            name=name,
            width=2 * word_bits,
            family="fletcher",
            aliases=aliases,
            check=check,
            source=source,
            note=_FLETCHER_NOTE if modulus % 2 else "",
            word_bits=word_bits,
            word_order=order,
            modulus=modulus,
            final=final,
            first_sum_high=first_sum_high,
        )
        for name, check, word_bits, order, modulus, final, first_sum_high, aliases, source in _FLETCHER_ROWS
    ]
    adler = Algorithm(
        name="ADLER-32",
        width=32,
        family="adler",
        check=0x091E01DE,
        source=_ADLER,
        note="weak on short frames: its sums stay far below their modulus",
        init=1,
        modulus=65521,
    )
    return [*fletchers, adler]


def words_of(data: Octets, word_bits: int, order: WordOrder) -> Sequence[int]:
    """Return the words of octets, a partial last one completed with zero octets; nibbles high one first."""
    if word_bits == 8:
        return data
    if word_bits == 4:
        return [nibble for octet in data for nibble in (octet >> 4, octet & 15)]
    size = word_bits // 8
    count, rest = divmod(len(data), size)
    if rest:
        data = bytes(data) + bytes(size - rest)
        count += 1
    return struct.unpack(f"{'>' if order == _HIGH else '<'}{count}{'HI'[size // 4]}", data)


def engine(algorithm: Algorithm) -> Callable[[Octets], int]:
    """Return the function from octets to the value of a check that is not a CRC."""
    make = {
        "sum": _sum,
        "xor": _xor,
        "parity": _parity,
        "fletcher": _fletcher,
        "adler": _adler,
        "linear": _linear,
    }
    return make[algorithm.family](algorithm)


def _sum(algorithm: Algorithm) -> Callable[[Octets], int]:
    word_bits, order = algorithm.word_bits, algorithm.word_order
    modulus, end_around, final = algorithm.modulus, algorithm.end_around, algorithm.final
    mask = (1 << algorithm.width) - 1

    def compute(data: Octets) -> int:
        total: int = sum(words_of(data, word_bits, order))
        # With the carry added back no sum but that of zeros is zero: multiples of the modulus are all ones.
        value = (total - 1) % modulus + 1 if end_around and total else total % modulus
        if final == "none":
            return value
        return value ^ mask if final == "inverted" else -value & mask

    return compute


def _xor(algorithm: Algorithm) -> Callable[[Octets], int]:
    word_bits, order = algorithm.word_bits, algorithm.word_order

    def compute(data: Octets) -> int:
        return reduce(xor, words_of(data, word_bits, order), 0)

    return compute


def _parity(algorithm: Algorithm) -> Callable[[Octets], int]:
    empty = algorithm.init

    def compute(data: Octets) -> int:
        return int.from_bytes(data, "big").bit_count() & 1 ^ empty

    return compute


def _fletcher(algorithm: Algorithm) -> Callable[[Octets], int]:
    word_bits, order, modulus = algorithm.word_bits, algorithm.word_order, algorithm.modulus
    balanced, first_high = algorithm.final == "balanced", algorithm.first_sum_high

    def compute(data: Octets) -> int:
        words = words_of(data, word_bits, order)
        first = sum(words) % modulus
        second = sum(accumulate(words)) % modulus
        if balanced:  # the two words that bring both sums to zero; zero itself is sent as all ones
            first, second = second or modulus, -(first + second) % modulus or modulus
        return first << word_bits | second if first_high else second << word_bits | first

    return compute


def listed_parity(algorithm: Algorithm, bits: int, length: int) -> int:
    """Return the parities of listed bits, of `length` bits of which the first is the most significant; the first list gives the highest.

    Raises AlgorithmError where a list names a bit that is not there.
    """
    farthest = max(max(one) for one in algorithm.listed)
    if farthest > length:
        raise AlgorithmError(f"{algorithm.name} takes bit {farthest}, but the span is {length} bits")
    value = 0
    for one in algorithm.listed:
        value = value << 1 | sum(bits >> length - place for place in one) & 1
    return value ^ algorithm.final_xor


def _linear(algorithm: Algorithm) -> Callable[[Octets], int]:
    def compute(data: Octets) -> int:
        return listed_parity(algorithm, int.from_bytes(data, "big"), len(data) * 8)

    return compute


def _adler(algorithm: Algorithm) -> Callable[[Octets], int]:
    return adler32
