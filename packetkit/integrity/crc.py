"""Computing a check by the fastest engine that gives the same answer.

A CRC over whole octets runs in binascii or zlib where their polynomial matches, else in crcmod where it
knows the width and has its C extension, else from our own table of 256 entries, which does any width and
reflection. Which one is a matter of speed only; the tests hold all of them to a bit-at-a-time CRC of their
own.

What would surprise a reader: a register narrower than eight bits is kept at the upper end of an octet while
the table runs; and a reflected CRC keeps its register reflected, so only differing reflections cost a
reversal.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import TypeAlias
from zlib import crc32

from packetkit.errors import AlgorithmError
from packetkit.integrity import sums
from packetkit.integrity.algorithm import Algorithm, Octets

Engine: TypeAlias = Callable[[Octets], int]

# The widths crcmod's C extension was built for (crcmod 1.7, documentation of mkCrcFun).
_CRCMOD_WIDTHS = frozenset({8, 16, 24, 32, 64})

# 256 checks: more than twice the catalogue; one table of 256 integers is some 10 KiB.
_KEPT = 256


def reflect(value: int, width: int) -> int:
    """Return the lowest `width` bits of a value in the opposite order.

    >>> hex(reflect(0x8005, 16))
    '0xa001'
    """
    return int(f"{value:0{width}b}"[::-1], 2)


def compute(algorithm: Algorithm, data: Octets) -> int:
    """Return the value of any check over whole octets.

    A CRC takes each octet most significant bit first, or least significant bit first where it reflects its
    input. Where this is called often, keep `engine(algorithm)`.
    """
    return engine(algorithm)(data)


def compute_bits(algorithm: Algorithm, bits: int, length: int, *, zero_filled: bool = False) -> int:
    """Return the value of a check over `length` bits, fed to a CRC in the order given, whatever it reflects.

    bits: the span as one number, its first bit the most significant. A CRC that reflects its input expects
    the caller to have put each octet's least significant bit first already; its value is still reflected as
    declared. Sums need whole octets, or zero_filled, which completes the last one with zero bits. Raises
    AlgorithmError for a sum over a partial octet, or for bits that are more than `length`.
    """
    if length < 0 or bits < 0 or bits >> length:
        raise AlgorithmError(f"{bits.bit_length()} bits do not fit in a span of {length} bits")
    if algorithm.family == "crc":
        return _crc_of_bits(algorithm, bits, length)
    if algorithm.family == "linear":
        return sums.listed_parity(algorithm, bits, length)
    missing = -length % 8
    if missing and algorithm.family != "parity" and not zero_filled:
        raise AlgorithmError(
            f"{algorithm.name} adds whole octets, but the span is {length} bits: {missing} short of "
            f"{length + missing}. Fill the last octet with zeros or cover {missing} bits more"
        )
    return engine(algorithm)((bits << missing).to_bytes((length + missing) // 8, "big"))


def _crc_of_bits(algorithm: Algorithm, bits: int, length: int) -> int:
    """Return the CRC of a run of bits: whole octets by the fast engine, the rest by stepping the register."""
    octets, rest = divmod(length, 8)
    register = engine(_plain(algorithm))((bits >> rest).to_bytes(octets, "big"))
    top, mask = algorithm.width - 1, (1 << algorithm.width) - 1
    for place in range(rest - 1, -1, -1):
        feedback = register >> top ^ bits >> place & 1
        register = register << 1 & mask ^ (algorithm.poly if feedback else 0)
    if algorithm.reflect_out:
        register = reflect(register, algorithm.width)
    return register ^ algorithm.final_xor


@lru_cache(_KEPT)
def _plain(algorithm: Algorithm) -> Algorithm:
    """Return the CRC of the same register without reflection or final xor."""
    return replace(algorithm, reflect_in=False, reflect_out=False, final_xor=0)


@lru_cache(_KEPT)
def engine(algorithm: Algorithm) -> Engine:
    """Return the fastest function from whole octets to this check's value."""
    if algorithm.family != "crc":
        return sums.engine(algorithm)
    name = engine_name(algorithm)
    if name == "binascii":
        return _by_binascii(algorithm.init, algorithm.final_xor)
    if name == "zlib":
        return _by_zlib(algorithm.init, algorithm.final_xor)
    if name == "crcmod C extension":
        return _by_crcmod(algorithm)
    return by_table(algorithm)


@lru_cache(_KEPT)
def engine_name(algorithm: Algorithm) -> str:
    """Return what computes this check: binascii, zlib, crcmod C extension, tables or arithmetic."""
    if algorithm.family != "crc":
        return "zlib" if algorithm.family == "adler" else "arithmetic"
    if algorithm.reflect_in != algorithm.reflect_out:
        return "tables"
    shape = (algorithm.width, algorithm.poly, algorithm.reflect_in)
    if shape == (16, 0x1021, False):
        return "binascii"
    if shape == (32, 0x04C11DB7, True):
        return "zlib"
    if algorithm.width in _CRCMOD_WIDTHS and crcmod_is_compiled():
        return "crcmod C extension"
    return "tables"


@lru_cache(1)
def crcmod_is_compiled() -> bool:
    """Return whether crcmod is there with its C extension; without it our own tables are faster."""
    from importlib.util import find_spec

    try:
        return find_spec("crcmod._crcfunext") is not None
    except ImportError:  # crcmod itself is missing or broken
        return False


def _by_binascii(init: int, final_xor: int) -> Engine:
    if not final_xor:
        return lambda data: crc_hqx(data, init)
    return lambda data: crc_hqx(data, init) ^ final_xor


def _by_zlib(init: int, final_xor: int) -> Engine:
    # crc32 inverts the register on the way in and on the way out: what is passed and the xor undo both.
    start, finish = reflect(init, 32) ^ 0xFFFFFFFF, final_xor ^ 0xFFFFFFFF
    if start == finish == 0:
        return crc32
    return lambda data: crc32(data, start) ^ finish


def _by_crcmod(algorithm: Algorithm) -> Engine:
    from crcmod.crcmod import mkCrcFun

    width, reflected = algorithm.width, algorithm.reflect_in
    register = reflect(algorithm.init, width) if reflected else algorithm.init
    made: Engine = mkCrcFun(
        1 << width | algorithm.poly,
        initCrc=register ^ algorithm.final_xor,  # crcmod asks for the CRC of no data
        rev=reflected,
        xorOut=algorithm.final_xor,
    )
    return made


@lru_cache(_KEPT)
def table(width: int, poly: int, reflected: bool) -> tuple[int, ...]:
    """Return the 256 registers that one octet leads to from a register of zeros.

    Not reflected and narrower than eight bits: the registers are shifted to the upper end of an octet.
    """
    entries = [0] * 256
    if reflected:
        feedback = reflect(poly, width)
        single = 1  # entry of the octet 0x80, then 0x40 and so on: each is the one before, stepped once more
        for place in range(7, -1, -1):
            single = single >> 1 ^ (feedback if single & 1 else 0)
            entries[1 << place] = single
    else:
        wide = max(width, 8)
        feedback, top = poly << wide - width, 1 << wide - 1
        single = top
        for place in range(8):
            single = (single << 1 ^ feedback) & (1 << wide) - 1 if single & top else single << 1
            entries[1 << place] = single
    for octet in range(1, 256):  # a CRC's table is linear: the rest are sums of the eight single bits
        lowest = octet & -octet
        entries[octet] = entries[lowest] ^ entries[octet ^ lowest]
    return tuple(entries)


def by_table(algorithm: Algorithm) -> Engine:
    """Return a function from octets to a CRC of any width, run from a table of 256 registers."""
    width, reflected = algorithm.width, algorithm.reflect_in
    entries = table(width, algorithm.poly, reflected)
    lift = 0 if reflected else max(8 - width, 0)
    start = reflect(algorithm.init, width) if reflected else algorithm.init << lift
    run = _octet_wide(entries, start) if width <= 8 else _wider(entries, start, width, reflected)
    final_xor = algorithm.final_xor
    if algorithm.reflect_in != algorithm.reflect_out:
        return lambda data: reflect(run(data) >> lift, width) ^ final_xor
    return lambda data: run(data) >> lift ^ final_xor


def _octet_wide(entries: tuple[int, ...], start: int) -> Engine:
    def run(data: Octets) -> int:
        register = start
        for octet in data:
            register = entries[register ^ octet]
        return register

    return run


def _wider(entries: tuple[int, ...], start: int, width: int, reflected: bool) -> Engine:
    def run_reflected(data: Octets) -> int:
        register = start
        for octet in data:
            register = register >> 8 ^ entries[register & 0xFF ^ octet]
        return register

    upper, kept = width - 8, (1 << width - 8) - 1

    def run(data: Octets) -> int:
        register = start
        for octet in data:
            register = (register & kept) << 8 ^ entries[register >> upper ^ octet]
        return register

    return run_reflected if reflected else run


def residue(algorithm: Algorithm) -> int:
    """Return the register after any error-free codeword, reflected if reflect_out, before the final xor.

    Whatever the data, the register that has taken the data and then the check is that of the final xor alone,
    pushed through `width` steps: init and data cancel.
    """
    width, mask = algorithm.width, (1 << algorithm.width) - 1
    out = algorithm.final_xor
    register = reflect(out, width) if algorithm.reflect_out else out
    for _ in range(width):
        register = register << 1 & mask ^ (algorithm.poly if register >> width - 1 else 0)
    return reflect(register, width) if algorithm.reflect_out else register


@lru_cache(_KEPT)
def residue_engine(algorithm: Algorithm) -> tuple[Engine, int] | None:
    """Return a function and the constant it gives over data and check together exactly when they agree.

    For a CRC whose check is whole octets, stored high octet first, or low octet first if it is reflected; so
    one call verifies a frame without cutting it in two. None for every other check.
    """
    if algorithm.family != "crc" or algorithm.width % 8 or algorithm.reflect_in != algorithm.reflect_out:
        return None
    constant = residue(algorithm)
    if engine_name(algorithm) == "zlib" and algorithm.init == 0xFFFFFFFF:
        return crc32, constant ^ 0xFFFFFFFF  # crc32 itself inverts the register it returns
    return engine(replace(algorithm, final_xor=0)), constant
