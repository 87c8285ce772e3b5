"""Checks, over the bits that they cover."""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Iterable
from typing import Any
from zlib import adler32, crc32

from packetkit.targets.python_reader.bits import Row, Span, _mirrored
from packetkit.targets.python_reader.places import _Leaf

# -- checks ----------------------------------------------------------------------------------------


def _wire_spans(spans: Iterable[Span], words: list[tuple[int, int, int]]) -> list[Span]:
    """Spans as they lie on the wire, in order: parts of a word are where its reversed octets put them."""
    pieces: list[Span] = []
    for at, end in spans:
        while at < end:
            inside = next(((first, word) for first, last, word in words if first <= at < last), None)
            if inside is None:
                stop = min([end] + [first for first, _, _ in words if first > at])
                pieces.append((at, stop))
            else:
                first, word = inside
                place = (at - first) % word
                if place == 0 and end - at >= word:
                    stop = at + word
                    pieces.append((at, stop))
                else:
                    stop = min(end, at + 8 - place % 8)
                    moved = at - place + (word // 8 - 1 - place // 8) * 8 + place % 8
                    pieces.append((moved, moved + stop - at))
            at = stop
    return sorted(pieces)


def _without(pieces: list[Span], holes: list[Span]) -> list[Span]:
    for first, last in holes:
        pieces = [
            part
            for start, end in pieces
            for part in ((start, min(end, first)), (max(start, last), end))
            if part[0] < part[1]
        ]
    return pieces


def _check_value(leaf: _Leaf, frame: bytes, words: list[tuple[int, int, int]]) -> int:
    """What a check computes over a frame."""
    check = leaf.slot["check"]
    spans = [(_place(leaf, start, frame), _place(leaf, end, frame)) for start, end in check["spans"]]
    pieces, data = _wire_spans(spans, words), frame
    if check.get("own") == "skip":
        pieces = _without(pieces, _wire_spans(leaf.own(), words))
    elif "own" in check:
        changed = bytearray(frame)
        leaf.write(changed, -1 if check["own"] == "ones" else 0)
        data = bytes(changed)
    least = bool(check.get("least_first"))
    order: Any = "little" if least else "big"
    number, total = int.from_bytes(data, order), len(data) * 8
    also = bytes(check.get("also", ()))
    joined, length = int.from_bytes(also, order), len(also) * 8
    for code, bits in _front(leaf, frame):
        joined = joined | code << length if least else joined << bits | code
        length += bits
    for start, end in pieces:
        part = number >> (start if least else total - end) & ((1 << (end - start)) - 1)
        joined = joined | part << length if least else joined << (end - start) | part
        length += end - start
    mask = (1 << leaf.bits) - 1
    value = _computed(check, joined, length, least, _register(leaf)) & mask
    if check.get("zero_as_ones") and not value:
        value = mask
    if "mixed" in check:
        other = leaf.scope.leaf(check["mixed"])
        value ^= _unsigned(other)
    return value & mask


def _unsigned(leaf: _Leaf) -> int:
    return leaf.raw & ((1 << leaf.bits) - 1)


def _front(leaf: _Leaf, frame: bytes) -> Iterable[tuple[int, int]]:
    """The codes that are fed in front of a check's spans, each with its bits: octets, fields, or the frame's size."""
    for bits, *told in leaf.slot["check"].get("front", ()):
        code = len(frame)
        if told:
            code = told[1] if told[0] == "octet" else _unsigned(leaf.scope.leaf(told[1]))
        yield code & ((1 << bits) - 1), bits


def _register(leaf: _Leaf) -> int | None:
    """The code with which a register starts, where a field has it."""
    number = leaf.slot["check"].get("initial")
    return None if number is None else _unsigned(leaf.scope.leaf(number))


def _is_known(leaf: _Leaf) -> bool:
    """Whether the codes are known that a check is computed from, besides its spans."""
    return all(leaf.scope.leaf(number).known for number in leaf.slot["check"].get("fed", ()))


def _place(leaf: _Leaf, mark: tuple[int, int], frame: bytes) -> int:
    return len(frame) * 8 if mark[0] < 0 else leaf.scope.start(mark[0]) + mark[1]


def _computed(check: Row, joined: int, length: int, least: bool, start: int | None = None) -> int:
    """What an algorithm makes of bits; start: the register that a CRC begins with, where it is not the algorithm's own."""
    algorithm, size = check["algorithm"], -(-length // 8)
    if check.get("in_wire_order") and algorithm["family"] == "crc":
        return _crc_of_bits(algorithm, _mirrored(joined, length) if least else joined, length, start)
    data = joined.to_bytes(size, "little") if least else (joined << (size * 8 - length)).to_bytes(size, "big")
    return _crc(algorithm, data, start) if algorithm["family"] == "crc" else _arithmetic(algorithm, data)


def _crc(algorithm: Row, data: bytes, start: int | None = None) -> int:
    """A CRC over whole octets, by the standard library where it has it."""
    bits, poly, final = algorithm["bits"], algorithm["poly"], algorithm["final_xor"]
    init = algorithm["init"] if start is None else start
    reflect_in, reflect_out = algorithm.get("reflect_in", False), algorithm.get("reflect_out", False)
    if (bits, poly, reflect_in, reflect_out) == (16, 0x1021, False, False):
        return int(crc_hqx(data, init) ^ final)
    if (bits, poly, reflect_in, reflect_out) == (32, 0x04C11DB7, True, True):
        return int(crc32(data, _mirrored(init, 32) ^ 0xFFFFFFFF) ^ 0xFFFFFFFF ^ final)
    table = algorithm.get("table")
    if table is None:
        table = algorithm["table"] = _crc_table(bits, poly, reflect_in)
    wide = max(bits, 8)
    register = _mirrored(init, bits) if reflect_in else init << (wide - bits)
    for octet in data:
        if reflect_in:
            register = register >> 8 ^ table[(register ^ octet) & 0xFF]
        else:
            register = register << 8 & ((1 << wide) - 1) ^ table[register >> (wide - 8) ^ octet]
    if not reflect_in:
        register >>= wide - bits
    return (_mirrored(register, bits) if reflect_in != reflect_out else register) ^ int(final)


def _crc_table(bits: int, poly: int, reflected: bool) -> list[int]:
    wide = max(bits, 8)
    low, high = _mirrored(poly, bits), poly << (wide - bits)
    made = []
    for octet in range(256):
        register = octet if reflected else octet << (wide - 8)
        for _ in range(8):
            if reflected:
                register = register >> 1 ^ (low if register & 1 else 0)
            else:
                register = register << 1 & ((1 << wide) - 1) ^ (high if register >> (wide - 1) else 0)
        made.append(register)
    return made


def _crc_of_bits(algorithm: Row, fed: int, length: int, start: int | None) -> int:
    """A CRC over bits in the order given, whatever it reflects."""
    bits, poly = algorithm["bits"], algorithm["poly"]
    register, top, mask = algorithm["init"] if start is None else start, bits - 1, (1 << bits) - 1
    for place in range(length - 1, -1, -1):
        feedback = register >> top ^ fed >> place & 1
        register = register << 1 & mask ^ (poly if feedback else 0)
    return (_mirrored(register, bits) if algorithm.get("reflect_out") else register) ^ int(
        algorithm["final_xor"]
    )


def _arithmetic(algorithm: Row, data: bytes) -> int:
    """A check that is no CRC, over whole octets."""
    family, word, modulus = algorithm["family"], algorithm["word"], algorithm["modulus"]
    if family == "parity":
        return bin(int.from_bytes(data, "big")).count("1") & 1 ^ int(algorithm["init"])
    if family == "adler":
        return adler32(data)
    words, total = _words(data, word, algorithm.get("low_first", False)), 0
    if family == "xor":
        for one in words:
            total ^= one
        return total
    total = sum(words)
    if family == "fletcher":
        return _fletcher(algorithm, words, total % modulus)
    value = (total - 1) % modulus + 1 if algorithm.get("end_around") and total else total % modulus
    mask = (1 << algorithm["bits"]) - 1
    return int({"none": value, "inverted": value ^ mask, "negated": -value & mask}[algorithm["final"]])


def _fletcher(algorithm: Row, words: list[int], first: int) -> int:
    modulus, running, second = algorithm["modulus"], 0, 0
    for one in words:
        running = (running + one) % modulus
        second = (second + running) % modulus
    if (
        algorithm["final"] == "balanced"
    ):  # the words that bring both sums to zero; zero itself is sent as all ones
        first, second = second or modulus, -(first + second) % modulus or modulus
    high, low = (first, second) if algorithm.get("first_sum_high") else (second, first)
    return int(high << algorithm["word"] | low)


def _words(data: bytes, bits: int, low_first: bool) -> list[int]:
    """The words of octets, a partial last one completed with zero octets."""
    if bits == 4:
        return [half for octet in data for half in (octet >> 4, octet & 15)]
    size = bits // 8
    data += bytes(-len(data) % size)
    order: Any = "little" if low_first else "big"
    return [int.from_bytes(data[at : at + size], order) for at in range(0, len(data), size)]
