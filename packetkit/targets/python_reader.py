"""The part of generated standalone Python that is the same for every mission: Python 3.8, the standard library, nothing else.

A module like any other, so that it is typed and linted; its text, without these lines, goes into every generated file. It is the walker
once more (codec/walk.py, codec/assemble.py, layout/number.py), reads tables of plain data (targets/table.py), and is held to it on
random schemas.
"""

from __future__ import annotations

import struct
from binascii import crc_hqx
from collections.abc import Callable, Iterable, Iterator, Mapping
from decimal import Decimal
from fractions import Fraction
from math import inf, isinf, isnan, sqrt
from numbers import Rational
from operator import index
from typing import Any, Dict, Optional, Tuple, Union
from zlib import adler32, crc32

Row = Dict[str, Any]
Span = Tuple[int, int]
Octets = Union[bytes, bytearray, memoryview]


class EncodeError(ValueError):
    """A record that does not fit its frame; faults: (path, rule, message) of every one, in wire order."""

    def __init__(self, faults: Iterable[tuple[str, str, str]]) -> None:
        self.faults = tuple(faults)
        super().__init__(
            "\n".join(f"{path}: {message}" if path else message for path, _, message in self.faults)
        )


class DecodeError(ValueError):
    """Bytes that are not this frame; reason is a stable word, path and bit say where, as far as it is known."""

    def __init__(self, reason: str, message: str, path: str = "", bit: int | None = None) -> None:
        self.reason, self.path, self.bit = reason, path, bit
        super().__init__(message)


# -- bits in octets --------------------------------------------------------------------------------


def _read(data: bytes, run: Row, at: int, first: int, bits: int) -> int:
    """The code of some bits that start `first` bits into a run at a bit of the frame."""
    start, stop, shift = _covering(run, at, first, bits)
    part = _in_reading_order(data[start:stop], run)
    return int.from_bytes(part, "little" if run["packing"] == "least" else "big") >> shift & ((1 << bits) - 1)


def _write(frame: bytearray, run: Row, at: int, first: int, bits: int, code: int) -> None:
    """Put a code in the place of some bits, whatever they were."""
    start, stop, shift = _covering(run, at, first, bits)
    order: Any = "little" if run["packing"] == "least" else "big"
    whole = int.from_bytes(_in_reading_order(bytes(frame[start:stop]), run), order)
    whole = whole & ~(((1 << bits) - 1) << shift) | code << shift
    frame[start:stop] = _in_reading_order(whole.to_bytes(stop - start, order), run)


def _covering(run: Row, at: int, first: int, bits: int) -> tuple[int, int, int]:
    """The octets (whole words) around a code: first, the one after the last, how far it is from their low end."""
    word = run.get("word")
    if word:
        low, high = first // word * word, -(-(first + bits) // word) * word
        return (at + low) // 8, (at + high) // 8, high - first - bits
    start, stop = (at + first) // 8, -(-(at + first + bits) // 8)
    if run["packing"] == "least":
        return start, stop, (at + first) % 8
    return start, stop, stop * 8 - at - first - bits


def _in_reading_order(part: bytes, run: Row) -> bytes:
    size = run.get("word", 8) // 8
    return part if size == 1 else b"".join(part[at : at + size][::-1] for at in range(0, len(part), size))


def _mirrored(code: int, bits: int) -> int:
    return int(f"{code:0{bits}b}"[::-1], 2) if bits else 0


def _octets_reversed(code: int, bits: int) -> int:
    return int.from_bytes(code.to_bytes(bits // 8, "big"), "little")


def _raw_of(slot: Row, code: int, bits: int) -> int:
    if slot.get("octets_reversed"):
        code = _octets_reversed(code, bits)
    if slot.get("bits_reversed"):
        code = _mirrored(code, bits)
    return code - (1 << bits) if slot.get("signed") and code >> (bits - 1) else code


def _code_of(slot: Row, raw: int, bits: int) -> int:
    code = raw & ((1 << bits) - 1)
    if slot.get("bits_reversed"):
        code = _mirrored(code, bits)
    return _octets_reversed(code, bits) if slot.get("octets_reversed") else code


def _limits(slot: Row, bits: int) -> tuple[int, int]:
    if slot.get("signed"):
        return -(1 << (bits - 1)), (1 << (bits - 1)) - 1
    return 0, (1 << bits) - 1


def _holds(raw: int, codes: Iterable[Any]) -> bool:
    return any(low <= raw <= high for low, high in codes)


# -- from code to value ----------------------------------------------------------------------------

_IEEE = {16: (">e", ">H"), 32: (">f", ">I"), 64: (">d", ">Q")}


def _number(slot: Row, raw: int) -> Any:
    if "ieee" in slot:
        form, pattern = _IEEE[slot["ieee"]]
        return struct.unpack(form, struct.pack(pattern, raw))[0]
    if "curve" in slot:
        piece = next(one for one in slot["curve"]["pieces"] if one[0] <= raw <= one[1])
        above = _above(piece, raw)
        return above // piece[3] if slot["curve"].get("whole") else above / piece[3] + 0.0
    numerator, base, denominator = slot.get("scale", (1, 0, 1))
    exact = raw * numerator + base
    return exact if denominator == 1 else exact / denominator + 0.0  # rounded once; + 0.0 makes a zero +0.0


def _meaning(slot: Row, raw: int) -> tuple[Any, str, str]:
    """What a raw code means: its value, the reason where that is None, a note where there is one."""
    kind = slot["kind"]
    if kind == "flag":
        return raw == 1, "", ""
    if kind not in ("number", "float", "states"):
        return raw, "", "not zero" if kind == "reserved" and raw else ""
    for low, high, meaning, reason in slot.get("specials", ()):
        if low <= raw <= high:
            if meaning == "missing":
                return None, reason or "missing", ""
            return _number(slot, raw), "", meaning.replace("_", " ")
    if kind == "states":
        return next((name for code, name in slot["states"] if code == raw), raw), "", ""
    if "ieee" in slot:
        return _ieee_meaning(slot, raw)
    number = _spelled(slot["coding"], slot["bits"], raw) if "coding" in slot else raw
    if number is None:
        return None, "bad digit", ""
    if _holds(number, slot["legal"]):
        return _number(slot, number), "", ""
    return (None, "unassigned", "") if slot.get("unassigned") else (_number(slot, number), "", "out_of_range")


def _ieee_meaning(slot: Row, raw: int) -> tuple[Any, str, str]:
    value = _number(slot, raw)
    if isnan(value):
        return None, "not finite" if _missing_code(slot) is None else "missing", ""
    if isinf(value):
        return None, "not finite", ""
    return value, "", "" if slot["low"] <= value <= slot["high"] else "out_of_range"


def _spelled(coding: str, bits: int, raw: int) -> int | None:
    """The number that a code spells, None where it spells none."""
    if coding == "sign_and_magnitude":
        sign = 1 << (bits - 1)
        return sign - raw if raw & sign else raw
    if coding == "binary_coded_decimal":
        digits = f"{raw:x}"
        return int(digits) if digits.isdecimal() else None
    shift = 1
    while shift < bits:
        raw ^= raw >> shift
        shift *= 2
    return raw


def _spelling(slot: Row, number: int) -> int:
    """The code that spells a number."""
    coding = slot.get("coding")
    if coding == "sign_and_magnitude":
        return number if number >= 0 else (1 << (slot["bits"] - 1)) - number
    if coding == "binary_coded_decimal":
        return int(str(number), 16)
    return number ^ number >> 1 if coding else number


def _missing_code(slot: Row) -> int | None:
    return next((one[0] for one in slot.get("specials", ()) if one[2] == "missing"), None)


def _beyond_limit(limits: Iterable[Row], value: Any) -> str:
    """Which of the ground's limits a value is beyond, the hard one first: `hard maximum`; empty where it is within all."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return ""
    for one in limits:
        if "maximum" in one and value > one["maximum"]:
            return f"{one['name']} maximum"
        if "minimum" in one and value < one["minimum"]:
            return f"{one['name']} minimum"
    return ""


# -- from value to code ----------------------------------------------------------------------------

# Raw code, was it clamped, and where there is none (rule, message).
Outcome = Tuple[int, bool, Optional[Tuple[str, str]]]


def _no(rule: str, message: str) -> Outcome:
    return 0, False, (rule, message)


def _shown(value: Any) -> str:
    if isinstance(value, int) and value.bit_length() > 128:
        return f"an integer of {value.bit_length()} bits"
    if value is None or isinstance(value, (str, int, float, Decimal)):
        text = repr(value) if isinstance(value, str) else str(value)
        return text if len(text) <= 40 else text[:37] + "..."
    return f"a value of type {type(value).__name__}"


def _to_raw(slot: Row, value: Any, bits: int) -> Outcome:
    """What a value encodes to."""
    kind = slot["kind"]
    if isinstance(value, str):
        return _from_word(slot, value)
    if kind == "flag":
        if _is_truth(value) and getattr(value, "ndim", 0) == 0:
            return int(bool(value)), False, None
        return _no("wrong-type", f"{_shown(value)} is neither True nor False")
    if value is None:
        return _from_none(slot)
    exact = _exact(value, slot)
    if kind not in ("number", "float"):
        return _from_code(slot, value, exact, bits)
    if exact is None:
        return _no("not-a-number", f"{_shown(value)} is not a number")
    if isinstance(exact, float) and isnan(exact):
        missing = _missing_code(slot)
        if missing is None:
            return _no("not-finite", "NaN is not a value here: the field declares no missing code")
        return missing, False, None
    if "ieee" in slot:
        return _to_ieee(slot, value if isinstance(value, float) else _double(exact), value)
    if "curve" in slot:
        return _to_curve(slot, exact, value)
    if isinstance(exact, float):
        return _beyond(slot, exact > 0, value)
    return _to_linear(slot, _round_raw(slot, exact), value)


def _round_raw(slot: Row, value: Any) -> int:
    """floor((value - offset)/scale + 1/2), exactly."""
    numerator, base, denominator = slot.get("scale", (1, 0, 1))
    above, below = int(value.numerator), int(value.denominator)
    step = below * numerator
    return int((2 * (above * denominator - base * below) + step) // (2 * step))


def _to_linear(slot: Row, raw: int, value: Any) -> Outcome:
    legal = slot["legal"]
    if _holds(raw, legal):
        return _spelling(slot, raw), False, None
    if any(low <= raw <= high and meaning != "missing" for low, high, meaning, _ in slot.get("specials", ())):
        return raw, False, None
    if not legal[0][0] <= raw <= legal[-1][1]:
        return _beyond(slot, (raw > legal[-1][1]) is _rises(slot), value)
    if slot.get("policy") != "clamp":
        return _by_policy(slot, value)
    near = min((abs(code - raw), code) for codes in legal for code in codes)
    return _spelling(slot, near[1]), True, None


def _above(piece: Any, raw: int) -> int:
    """The numerator of a curve's value: a polynomial of the code."""
    total = 0
    for one in reversed(piece[2]):
        total = total * raw + one
    return total


def _exactly(piece: Any, raw: int) -> Fraction:
    return Fraction(_above(piece, raw), piece[3])


def _to_curve(slot: Row, exact: Any, value: Any) -> Outcome:
    """The code whose value is nearest; beyond the values of the ends, exact or as they are decoded, none is."""
    line = slot["curve"].get("line")
    if line is None:
        return _no("no-inverse", f"{_shown(value)} cannot be encoded. Give the code: {{'raw': n}}")
    if isinstance(exact, float):
        return _beyond(slot, exact > 0, value)
    ends = ((line[0], line[0][0]), (line[-1], line[-1][1]))
    values = [end for piece, raw in ends for end in (_exactly(piece, raw), _number(slot, raw))]
    wanted = Fraction(int(exact.numerator), int(exact.denominator))
    if not min(values) <= wanted <= max(values):
        return _beyond(slot, wanted > max(values), value)
    return _to_linear(slot, _nearest_on_curve(line, 1 if _rises(slot) else -1, wanted), value)


def _nearest_on_curve(line: list[Any], turn: int, wanted: Fraction) -> int:
    """The code whose value is nearest, the greater of two: the last that is not beyond the value, or the one after it."""
    at = 0
    while at + 1 < len(line) and turn * _exactly(line[at + 1], line[at + 1][0]) <= turn * wanted:
        at += 1
    here, first, last = line[at], line[at][0], line[at][1]
    if turn * _exactly(here, first) > turn * wanted:
        return int(first)
    while first < last:
        middle = (first + last + 1) // 2
        first, last = (
            (middle, last) if turn * _exactly(here, middle) <= turn * wanted else (first, middle - 1)
        )
    there, after = here, first + 1
    if first == here[1]:
        if at + 1 == len(line):
            return int(first)
        there, after = line[at + 1], line[at + 1][0]
    return int(
        after if abs(_exactly(there, after) - wanted) <= abs(wanted - _exactly(here, first)) else first
    )


def _rises(slot: Row) -> bool:
    if "curve" in slot:
        return bool(slot["curve"].get("rising"))
    return bool(slot.get("scale", (1,))[0] > 0)


def _beyond(slot: Row, above: bool, value: Any) -> Outcome:
    """What becomes of a value above (or below) every legal one."""
    if slot.get("policy") != "clamp":
        return _by_policy(slot, value)
    wanted = "at_least" if above else "at_most"
    bound = next((one[0] for one in slot.get("specials", ()) if one[2] == wanted), None)
    if bound is not None:
        return bound, True, None
    end = slot["legal"][-1][1] if above is _rises(slot) else slot["legal"][0][0]
    return _spelling(slot, end), True, None


def _by_policy(slot: Row, value: Any) -> Outcome:
    missing = _missing_code(slot)
    if slot.get("policy") == "missing" and missing is not None:
        return missing, False, None
    if "ieee" in slot:
        ends = [slot["low"], slot["high"]]
    else:
        ends = sorted(_number(slot, raw) for raw in (slot["legal"][0][0], slot["legal"][-1][1]))
    return _no("out-of-range", f"{_shown(value)} cannot be sent; the field holds {ends[0]} to {ends[1]}")


def _rounded(bits: int, value: float) -> float:
    """The nearest number of an IEEE format, ties to even; infinite where it is beyond."""
    try:
        return float(struct.unpack(_IEEE[bits][0], struct.pack(_IEEE[bits][0], value))[0])
    except OverflowError:
        return inf if value > 0 else -inf


def _pattern(bits: int, value: float) -> int:
    return int(struct.unpack(_IEEE[bits][1], struct.pack(_IEEE[bits][0], value))[0])


def _is_special(slot: Row, raw: int) -> bool:
    return any(one[0] <= raw <= one[1] for one in slot.get("specials", ()))


def _to_ieee(slot: Row, double: float, value: Any) -> Outcome:
    rounded = _rounded(slot["ieee"], double)
    nearest = _pattern(slot["ieee"], min(max(rounded, slot["low"]), slot["high"]))
    if slot["low"] <= rounded <= slot["high"] and not _is_special(slot, nearest):
        return nearest, False, None
    if slot.get("policy") != "clamp":
        return _by_policy(slot, value)
    return _nearest_ieee(slot, nearest), True, None


def _nearest_ieee(slot: Row, raw: int) -> int:
    """The legal pattern that is fewest patterns away, in the order of their numbers; the lower number of two."""
    sign, low, high = 1 << (slot["ieee"] - 1), slot["low"], slot["high"]
    around = [end for one in slot.get("specials", ()) for end in (one[0] - 1, one[1] + 1)]
    ends = [_pattern(slot["ieee"], low), _pattern(slot["ieee"], high)]
    legal = [
        code
        for code in (raw, 0, sign, *ends, *around)
        if 0 <= code < 2 * sign and low <= _number(slot, code) <= high and not _is_special(slot, code)
    ]

    def place(code: int) -> int:
        return sign - 1 - code if code & sign else code

    return int(min(legal or [raw], key=lambda code: (abs(place(code) - place(raw)), place(code))))


def _double(value: Any) -> float:
    try:
        return float(value)
    except OverflowError:
        return inf if value > 0 else -inf


def _is_truth(value: Any) -> bool:
    return isinstance(value, bool) or getattr(getattr(value, "dtype", None), "kind", None) == "b"


def _exact(value: Any, slot: Row) -> Any:
    """A number exactly, NaN or an infinity as a float, or None for what is not a number."""
    if isinstance(value, (str, bytes, bytearray)) or _is_truth(value):
        return None
    if type(value) is int:
        return value
    if isinstance(value, float):
        return Fraction(value) if value - value == 0 else float(value)
    if isinstance(value, Decimal):
        return _from_decimal(value, slot)
    try:
        if hasattr(value, "__index__"):
            return index(value)
        if isinstance(value, Rational):
            return Fraction(int(value.numerator), int(value.denominator))
        if hasattr(value, "__float__"):
            return _exact(float(value), slot)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return None


def _from_decimal(value: Decimal, slot: Row) -> Any:
    """A Decimal, with an exponent out of all proportion as an infinity or as next to nothing: no power of ten is written out."""
    if not value.is_finite():
        return float(value) if not value.is_snan() else float("nan")
    if not value:
        return Fraction(0)
    reach = 420 + sum(abs(term).bit_length() for term in slot.get("scale", (1, 0, 1))) * 3 // 10
    if value.adjusted() > reach:
        return inf if value > 0 else -inf
    if value.adjusted() < -reach:
        return Fraction(1 if value > 0 else -1, 10**reach)
    return Fraction(value)


def _from_none(slot: Row) -> Outcome:
    missing = _missing_code(slot)
    if missing is not None:
        return missing, False, None
    rule = "not-a-number" if slot["kind"] in ("number", "float") else "wrong-type"
    return _no(rule, "None is not a value here: the field declares no missing code")


def _from_word(slot: Row, word: str) -> Outcome:
    for low, _, meaning, reason in slot.get("specials", ()):
        if meaning == "missing" and reason and reason == word:
            return low, False, None
    if slot["kind"] == "states":
        code = next((code for code, name in slot["states"] if name == word), None)
        return (
            _no("unknown-state", f"{_shown(word)} is none of its states")
            if code is None
            else (code, False, None)
        )
    return _no("wrong-type" if slot["kind"] == "flag" else "not-a-number", f"{_shown(word)} is text")


def _from_code(slot: Row, value: Any, exact: Any, bits: int) -> Outcome:
    low, high = _limits(slot, bits)
    if exact is None or isinstance(exact, float) or exact.denominator != 1:
        rule = "wrong-type" if slot["kind"] == "states" else "not-a-number"
        return _no(rule, f"{_shown(value)} is not a whole number")
    code = int(exact)
    if not low <= code <= high:
        return _no("out-of-range", f"{_shown(value)} does not fit {bits} bits, which hold {low} to {high}")
    if slot["kind"] == "tag" and not slot.get("hidden") and not _holds(code, slot["codes"]):
        return _no("out-of-range", f"{code} is none of its codes")
    return code, False, None


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
    for start, end in pieces:
        part = number >> (start if least else total - end) & ((1 << (end - start)) - 1)
        joined = joined | part << length if least else joined << (end - start) | part
        length += end - start
    value = _computed(check, joined, length, least)
    if "mixed" in check:
        other = leaf.scope.leaf(check["mixed"])
        value ^= other.raw & ((1 << other.bits) - 1)
    return value & ((1 << leaf.bits) - 1)


def _place(leaf: _Leaf, mark: tuple[int, int], frame: bytes) -> int:
    return len(frame) * 8 if mark[0] < 0 else leaf.scope.start(mark[0]) + mark[1]


def _computed(check: Row, joined: int, length: int, least: bool) -> int:
    algorithm, size = check["algorithm"], -(-length // 8)
    if check.get("in_wire_order") and algorithm["family"] == "crc":
        return _crc_of_bits(algorithm, _mirrored(joined, length) if least else joined, length)
    data = joined.to_bytes(size, "little") if least else (joined << (size * 8 - length)).to_bytes(size, "big")
    return _crc(algorithm, data) if algorithm["family"] == "crc" else _arithmetic(algorithm, data)


def _crc(algorithm: Row, data: bytes) -> int:
    """A CRC over whole octets, by the standard library where it has it."""
    bits, poly, init, final = algorithm["bits"], algorithm["poly"], algorithm["init"], algorithm["final_xor"]
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


def _crc_of_bits(algorithm: Row, fed: int, length: int) -> int:
    """A CRC over bits in the order given, whatever it reflects."""
    bits, poly = algorithm["bits"], algorithm["poly"]
    register, top, mask = algorithm["init"], bits - 1, (1 << bits) - 1
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


# -- what is known of one frame on its way ---------------------------------------------------------


class _Scope:
    """One container that can be there several times: where its parts start, and the slots met so far."""

    __slots__ = ("leaves", "outer", "starts")

    def __init__(self, outer: _Scope | None) -> None:
        self.outer = outer
        self.starts: dict[int, int] = {}
        self.leaves: dict[int, _Leaf] = {}

    def leaf(self, number: int) -> _Leaf:
        scope: Any = self
        while number not in scope.leaves:
            scope = scope.outer
        return scope.leaves[number]  # type: ignore[no-any-return]

    def start(self, number: int) -> int:
        scope: Any = self
        while number not in scope.starts:
            scope = scope.outer
        return scope.starts[number]  # type: ignore[no-any-return]


class _Leaf:
    """A slot at its place in one frame."""

    __slots__ = ("at", "bit", "bits", "indices", "order", "raw", "run", "scope", "slot")

    def __init__(
        self, run: Row, slot: Row, bits: int, at: int, indices: tuple[int, ...], scope: _Scope, order: int
    ) -> None:
        self.run, self.slot, self.bits, self.at = run, slot, bits, at
        self.indices, self.scope, self.order = indices, scope, order
        self.bit = at + slot["at"]
        self.raw = 0

    @property
    def address(self) -> str:
        return _located(self.slot.get("address") or ".".join(self.slot["path"]), self.indices)

    def pieces(self) -> list[Any]:
        return self.slot.get("split") or [(self.slot["at"], self.bits)]

    def own(self) -> list[Span]:
        """The bits of the frame that are its own."""
        return [(self.at + first, self.at + first + bits) for first, bits in self.pieces()]

    def last(self) -> int:
        """The bit of the run behind the last one that must be there to read it: a word is read whole."""
        last = max(first + bits for first, bits in self.pieces())
        word = self.run.get("word")
        return int(-(-last // word) * word if word else last)

    def read(self, data: bytes) -> None:
        code = 0
        for first, bits in self.pieces():
            code = code << bits | _read(data, self.run, self.at, first, bits)
        self.raw = _raw_of(self.slot, code, self.bits)

    def write(self, frame: bytearray, raw: int) -> None:
        code, left = _code_of(self.slot, raw, self.bits), self.bits
        for first, bits in self.pieces():
            left -= bits
            _write(frame, self.run, self.at, first, bits, code >> left & ((1 << bits) - 1))


def _located(address: str, indices: Iterable[int]) -> str:
    for one in indices:
        address = address.replace("[]", f"[{one}]", 1)
    return address


def _put(container: dict[Any, Any], path: Iterable[str], value: Any) -> None:
    """Put a value at a path; a bare container's only value stands under ""."""
    *groups, last = path or ("",)
    for key in groups:
        container = container.setdefault(key, {})
    container[last] = value


# -- from a frame to a record ----------------------------------------------------------------------


class _Reading:
    """One frame being read. A part is a leaf, or (node, elements) of a list, or (node, parts or None) of an option."""

    def __init__(self, frame: Row, data: bytes) -> None:
        self.frame, self.data, self.end = frame, data, len(data) * 8
        self.leaves: list[_Leaf] = []
        self.words: list[tuple[int, int, int]] = []
        self.parts, at = self.nodes(frame["nodes"], 0, (), _Scope(None))
        self.used = -(-at // 8)

    def nodes(
        self, nodes: list[Row], at: int, indices: tuple[int, ...], scope: _Scope
    ) -> tuple[list[Any], int]:
        parts: list[Any] = []
        for node in nodes:
            scope.starts[node["number"]] = at
            part = node["part"]
            if part == "run":
                at = self.run(node, at, indices, scope, parts)
            elif part == "fill":
                bits = -at % node["unit"]
                parts.append(self.leaf(node, node["slot"], bits, at, indices, scope))
                at += bits
            elif part == "repeat":
                elements = []
                for number in range(self.count(node, at, indices, scope)):
                    element, at = self.nodes(node["nodes"], at, (*indices, number), _Scope(scope))
                    elements.append(element)
                parts.append((node, elements))
            else:
                body = None
                if _holds(scope.leaf(node["by"]).raw, node["codes"]):
                    body, at = self.nodes(node["nodes"], at, indices, scope)
                parts.append((node, body))
        return parts, at

    def run(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope, parts: list[Any]) -> int:
        if "word" in node:
            self.words.append((at, at + node["size"], node["word"]))
        for slot in node["slots"]:
            leaf = self.leaf(node, slot, slot["bits"], at, indices, scope)
            parts.append(leaf)
            if "most" in slot and leaf.raw > slot["most"]:
                raise _failed(leaf, "bad count", f"is {leaf.raw}, more than {slot['most']}")
        return int(at + node["size"])

    def leaf(self, run: Row, slot: Row, bits: int, at: int, indices: tuple[int, ...], scope: _Scope) -> _Leaf:
        leaf = _Leaf(run, slot, bits, at, indices, scope, len(self.leaves))
        if at + leaf.last() > self.end:
            raise _failed(leaf, "truncated", f"is not whole in {len(self.data)} bytes")
        leaf.read(self.data)
        self.leaves.append(leaf)
        scope.leaves[slot["number"]] = leaf
        return leaf

    def count(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        """How many elements a list has here, known to fit before any is read."""
        path, least = _located(node["address"], indices), node["least"]
        count = node.get("count")
        if "by" in node:
            count = scope.leaf(node["by"]).raw
        if count is None:
            count = max(0, self.end - node.get("trailer", 0) - at) // least
            if "most" in node and count > node["most"]:
                raise DecodeError(
                    "bad count", f"{path} has {count} elements, more than {node['most']}", path, at
                )
        if at + count * least > self.end:
            raise DecodeError("truncated", f"{len(self.data)} bytes cannot hold {count} of {path}", path, at)
        return int(count)

    def judge(self, exact: bool, salvage: bool) -> bool:
        """Whether every check agrees. Raises what is wrong, the gravest first."""
        for leaf in self.leaves:
            if "codes" in leaf.slot and not _holds(leaf.raw, leaf.slot["codes"]):
                raise _failed(leaf, "wrong constant", f"is {leaf.raw:#x}: some other frame")
        over = len(self.data) - self.used
        if exact and over:
            raise DecodeError(
                "trailing bytes", f"{over} bytes are left over after the frame", "", self.used * 8
            )
        data = self.data[: self.used]
        for leaf in self.leaves:
            if "check" in leaf.slot and _check_value(leaf, data, self.words) != leaf.raw:
                if salvage:
                    return False
                raise _failed(leaf, "check failed", "does not match the frame")
        for leaf in self.leaves:
            if leaf.raw and leaf.slot.get("strict") and leaf.slot["kind"] == "reserved":
                raise _failed(leaf, "reserved bits", "is not zero, in a strict frame")
        return True


def _failed(leaf: _Leaf, reason: str, words: str) -> DecodeError:
    return DecodeError(reason, f"{leaf.address} {words}", leaf.address, leaf.bit)


def _plain(parts: list[Any], bare: bool) -> Any:
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, _Leaf):
            if not part.slot.get("hidden"):
                _put(made, part.slot["path"], _meaning(part.slot, part.raw)[0])
            continue
        node, inner = part
        is_bare = node.get("bare", False)
        if node["part"] == "repeat":
            _put(made, node["path"], [_plain(one, is_bare) for one in inner])
        else:
            _put(made, node["path"], None if inner is None else _plain(inner, is_bare))
    return made[""] if bare else made


def _detailed(parts: list[Any], bare: bool, trusted: bool) -> Any:
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, _Leaf):
            if part.bits:
                _put(made, part.slot["path"], _leaf_detail(part, trusted))
            continue
        node, inner = part
        is_bare = node.get("bare", False)
        if node["part"] == "repeat":
            _put(made, node["path"], [_detailed(one, is_bare, trusted) for one in inner])
        else:
            _put(made, node["path"], None if inner is None else _detailed(inner, is_bare, trusted))
    return made[""] if bare else made


def _leaf_detail(leaf: _Leaf, trusted: bool) -> Row:
    value, reason, note = _meaning(leaf.slot, leaf.raw)
    limit = _beyond_limit(leaf.slot.get("limits", ()), value)
    words = (("unit", leaf.slot.get("unit", "")), ("reason", reason), ("note", note), ("limit", limit))
    made = {"raw": leaf.raw, "value": value}
    made.update((key, text) for key, text in words if text)
    if not trusted:
        made["trusted"] = False
    return made


def _decoded(frame: Row, data: bytes, exact: bool, detail: bool, salvage: bool) -> tuple[Row, int]:
    reading = _Reading(frame, data)
    trusted, detail = reading.judge(exact, salvage), detail or salvage
    record = _detailed(reading.parts, False, trusted) if detail else _plain(reading.parts, False)
    if "derived" in frame:
        _derive(frame["derived"], [record], detail, trusted)
    return record, reading.used


# -- from a record to a frame ----------------------------------------------------------------------

_ABSENT: Any = object()
_BROKEN: Any = object()  # inside a group whose own fault is already noted


class _State:
    """What is known of a leaf while the record is read. demands: (address, order, count, codes, present)."""

    __slots__ = ("broken", "demands", "given", "raised")

    def __init__(self, given: bool, broken: bool) -> None:
        self.given, self.broken, self.raised = given, broken, False
        self.demands: list[tuple[str, int, int | None, Any, bool]] = []


class _Writing:
    """One record being turned into codes at their places; faults are gathered, in wire order."""

    def __init__(self, frame: Row) -> None:
        self.frame = frame
        self.faults: list[tuple[int, str, str, str]] = []
        self.leaves: list[_Leaf] = []
        self.states: list[_State] = []
        self.words: list[tuple[int, int, int]] = []

    def fault(self, path: str, rule: str, message: str, order: int | None = None) -> None:
        self.faults.append((len(self.leaves) if order is None else order, path, rule, message))

    def take(self, record: Any) -> int:
        if not isinstance(record, Mapping):
            self.fault("", "wrong-type", f"a record is a mapping, not {_shown(record)}")
            return 0
        if "derived" in self.frame:
            record = _less_derived(self.frame["derived"], record)
        end = self.container(self.frame["nodes"], record, False, 0, (), _Scope(None), "")
        for leaf, state in zip(self.leaves, self.states):
            self.settle(leaf, state)
        return end

    def container(
        self,
        nodes: list[Row],
        given: Any,
        bare: bool,
        at: int,
        indices: tuple[int, ...],
        scope: _Scope,
        address: str,
    ) -> int:
        if given is not _BROKEN and not bare and not isinstance(given, Mapping):
            self.fault(address, "wrong-type", f"{_shown(given)} is not a mapping of its fields")
            given = _BROKEN
        reported: dict[str, bool] = {}
        for node in nodes:
            at = self.node(node, given, address, reported, at, indices, scope)
        if not bare and given is not _BROKEN:
            self.unknown(given, _shape(nodes), address)
        return at

    def node(
        self,
        node: Row,
        given: Any,
        address: str,
        reported: dict[str, bool],
        at: int,
        indices: tuple[int, ...],
        scope: _Scope,
    ) -> int:
        scope.starts[node["number"]] = at
        if node["part"] == "run":
            if "word" in node:
                self.words.append((at, at + node["size"], node["word"]))
            for slot in node["slots"]:
                value = self.find(given, address, reported, slot["path"])
                self.leaf(_Leaf(node, slot, slot["bits"], at, indices, scope, len(self.leaves)), value)
            return int(at + node["size"])
        if node["part"] == "fill":
            bits = -at % node["unit"]
            value = self.find(given, address, reported, node["slot"]["path"])
            self.leaf(_Leaf(node, node["slot"], bits, at, indices, scope, len(self.leaves)), value)
            return int(at + bits)
        value = self.find(given, address, reported, node["path"])
        if node["part"] == "repeat":
            return self.repeat(node, value, at, indices, scope)
        return self.option(node, value, at, indices, scope)

    def find(self, here: Any, address: str, reported: dict[str, bool], path: list[str]) -> Any:
        """What a container holds at a path; groups on the way that are absent count as empty."""
        for depth, key in enumerate(path):
            if here is _BROKEN or here is _ABSENT:
                return here
            if not isinstance(here, Mapping):
                group = ".".join(part for part in (address, *path[:depth]) if part)
                if group not in reported:
                    self.fault(group, "wrong-type", f"{_shown(here)} is not a mapping of its fields")
                reported[group] = True
                return _BROKEN
            here = here.get(key, _ABSENT)
        return here

    def unknown(self, given: Any, shape: Row, address: str) -> None:
        for key in given:
            inner = shape.get(key, _ABSENT) if isinstance(key, str) else _ABSENT
            path = f"{address}.{key}" if address else str(key)
            if inner is _ABSENT:
                self.fault(
                    path, "unknown-key", f"is no field of {address or self.frame['name']}. Leave it out"
                )
            elif inner and isinstance(given[key], Mapping):
                self.unknown(given[key], inner, path)

    def repeat(self, node: Row, value: Any, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        address = _located(node["address"], indices)
        if value is _ABSENT:
            self.fault(address, "missing-key", "is not given. Give a list, empty if there is nothing to send")
        elif value is not _BROKEN and not isinstance(value, (list, tuple)):
            self.fault(address, "wrong-type", f"{_shown(value)} is not a list")
            value = _BROKEN
        if value is _ABSENT or value is _BROKEN:
            if "by" in node:
                self.states[scope.leaf(node["by"]).order].broken = True
            return at
        if not self.length(node, len(value), address, scope):
            return at
        for number, element in enumerate(value):
            place, inner = (*indices, number), f"{address}[{number}]"
            at = self.container(
                node["nodes"], element, node.get("bare", False), at, place, _Scope(scope), inner
            )
        return at

    def length(self, node: Row, count: int, address: str, scope: _Scope) -> bool:
        """Whether a list may have so many elements; the field that counts them is told of it."""
        if "count" in node:
            if count != node["count"]:
                self.fault(address, "wrong-length", f"has {count} elements, not {node['count']}")
            return bool(count == node["count"])
        most = node.get("most", inf)
        if "by" in node:
            counter = scope.leaf(node["by"])
            most = min(most, counter.slot.get("most", inf), _limits(counter.slot, counter.bits)[1])
            state = self.states[counter.order]
            if count <= most:
                state.demands.append((address, len(self.leaves), count, (), True))
            else:
                state.broken = True
        if count > most:
            self.fault(address, "wrong-length", f"has {count} elements, but {most} at most can be sent")
        return bool(count <= most)

    def option(self, node: Row, value: Any, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        address = _located(node["address"], indices)
        if value is _BROKEN:
            return at
        teller = scope.leaf(node["by"])
        state = self.states[teller.order]
        present = value is not _ABSENT and value is not None
        if not present and state.given and not state.broken and _holds(teller.raw, node["codes"]):
            # Told that it is there: an absent value is the one that means so, where there is one.
            present, value = _stands_for_absence(node), None
        if not state.broken:
            state.demands.append((address, len(self.leaves), None, node["codes"], present))
        if not present:
            return at
        return self.container(node["nodes"], value, node.get("bare", False), at, indices, scope, address)

    # -- one slot

    def leaf(self, leaf: _Leaf, value: Any) -> None:
        state = _State(value is not _ABSENT and value is not _BROKEN, value is _BROKEN)
        if value is _ABSENT:
            self.fill_in(leaf, state)
        elif value is not _BROKEN:
            raw = self.raw(leaf, value)
            state.broken = raw is None
            leaf.raw = raw or 0
        self.leaves.append(leaf)
        self.states.append(state)
        leaf.scope.leaves[leaf.slot["number"]] = leaf

    def fill_in(self, leaf: _Leaf, state: _State) -> None:
        """The code of a slot whose key is absent."""
        slot, kind = leaf.slot, leaf.slot["kind"]
        missing = _missing_code(slot)
        if kind in ("constant", "sync") or (kind == "tag" and slot.get("hidden")):
            leaf.raw = slot["codes"][0][0]
        elif "preset" in slot:
            leaf.raw = slot["preset"]
        elif missing is not None:
            leaf.raw = missing
        elif kind not in ("count", "reserved", "check") and slot["number"] not in self.frame["asked"]:
            state.broken = True
            self.fault(leaf.address, "missing-key", "is not given")
            return
        if kind not in ("flag", "count", "check"):
            state.given = True  # nothing that follows can change it

    def raw(self, leaf: _Leaf, value: Any) -> int | None:
        """The code of a given value, or None where a fault was noted."""
        slot = leaf.slot
        if isinstance(value, Mapping) and "raw" in value:
            return self.given_raw(leaf, value["raw"])
        raw, clamped, no = _to_raw(slot, value, leaf.bits)
        if no is not None:
            self.fault(leaf.address, *no)
            return None
        if clamped and "raises" in slot:
            self.states[leaf.scope.leaf(slot["raises"]).order].raised = True
        if slot["kind"] == "reserved" and raw:
            self.fault(leaf.address, "disagrees", f"{_shown(value)} in reserved bits, which are sent as zero")
            return None
        return self.agreeing(leaf, raw)

    def given_raw(self, leaf: _Leaf, raw: Any) -> int | None:
        if isinstance(raw, bool) or not hasattr(raw, "__index__"):
            self.fault(leaf.address, "wrong-type", f"raw is {_shown(raw)}, not a whole number")
            return None
        code = index(raw)
        low, high = _limits(leaf.slot, leaf.bits)
        if not low <= code <= high:
            self.fault(
                leaf.address, "raw-range", f"raw is {_shown(code)}, but {leaf.bits} bits hold {low} to {high}"
            )
            return None
        return self.agreeing(leaf, code)

    def agreeing(self, leaf: _Leaf, raw: int) -> int | None:
        slot = leaf.slot
        if "codes" in slot and slot.get("hidden") and not _holds(raw, slot["codes"]):
            self.fault(
                leaf.address,
                "disagrees",
                f"{raw} is given, but it is always {slot['codes'][0][0]}. Leave it out",
            )
            return None
        if "most" in slot and raw > slot["most"]:
            self.fault(leaf.address, "out-of-range", f"{raw} is given, but {slot['most']} is the most")
            return None
        return raw

    # -- what depends on what follows

    def settle(self, leaf: _Leaf, state: _State) -> None:
        """Bring a slot and what is asked of it together."""
        if state.broken:
            return
        counts = [one for one in state.demands if one[2] is not None]
        if counts:
            self.settle_count(leaf, state, counts)
        if not state.given and leaf.slot["kind"] == "flag" and len(counts) < len(state.demands):
            _, _, _, codes, present = state.demands[0]
            leaf.raw = 1 if _holds(1, codes) is present else 0
        self.hold(leaf, state)
        if state.raised and not leaf.raw:  # it may not say now that something is there which is not
            leaf.raw = 1
            self.hold(leaf, state)

    def hold(self, leaf: _Leaf, state: _State) -> None:
        for address, order, count, codes, present in state.demands:
            if count is None and _holds(leaf.raw, codes) is not present:
                words = f"is {'' if present else 'not '}given, but {leaf.address} is {leaf.raw}"
                self.fault(address, "disagrees", words, order)

    def settle_count(self, leaf: _Leaf, state: _State, counts: list[Any]) -> None:
        first, _, wanted, _, _ = counts[0]
        for address, order, count, _, _ in counts[1:]:
            if count != wanted:
                self.fault(address, "disagrees", f"has {count} elements, but {first} has {wanted}", order)
        if state.given and leaf.raw != wanted:
            self.fault(
                leaf.address, "disagrees", f"{leaf.raw} is given, but {first} has {wanted}", leaf.order
            )
        leaf.raw = wanted

    # -- the frame

    def refuse(self) -> None:
        if self.faults:
            raise EncodeError(fault[1:] for fault in sorted(self.faults, key=lambda one: one[0]))

    def octets(self, end: int) -> bytes:
        """The octets, with every check computed after those that it covers."""
        made = bytearray(-(-end // 8))
        for leaf in self.leaves:
            if "check" not in leaf.slot:
                leaf.write(made, leaf.raw)
        for number in self.frame["checks"]:
            for leaf in self.leaves:
                if leaf.slot["number"] == number:
                    value = _check_value(leaf, bytes(made), self.words)
                    if self.states[leaf.order].given and leaf.raw != value:
                        words = f"{leaf.raw:#x} is given, but the frame makes it {value:#x}. Leave it out"
                        self.fault(leaf.address, "disagrees", words, leaf.order)
                    leaf.write(made, value)
        self.refuse()
        return bytes(made)


def _shape(nodes: list[Row]) -> Row:
    """The keys that a container may have: of a group the same, of anything else None."""
    made: Row = {}
    for node in nodes:
        slots = (
            node["slots"] if node["part"] == "run" else [node["slot"]] if node["part"] == "fill" else [node]
        )
        for slot in slots:
            here = made
            for key in slot["path"][:-1]:
                here = here.setdefault(key, {})
            if slot["path"]:
                here[slot["path"][-1]] = None
    return made


def _stands_for_absence(node: Row) -> bool:
    first = node["nodes"][0] if node["nodes"] else {}
    return bool(
        node.get("bare") and first.get("part") == "run" and _missing_code(first["slots"][0]) is not None
    )


# -- values that are worked out from others: they have no bits -------------------------------------


class _NoNumber(ArithmeticError):
    """A step that gives no number; its text is the reason."""


def _evaluated(tree: Any, given: list[float]) -> float:
    """The number of a tree: a number, ["of", place], [sign, left, right] or [function, ...]."""
    if not isinstance(tree, list):
        return float(tree)
    sign, *rest = tree
    if sign == "of":
        return given[rest[0]]
    parts = [_evaluated(one, given) for one in rest]
    if sign in _FUNCTIONS:
        return _FUNCTIONS[sign](*parts)
    value = -parts[0] if len(parts) == 1 else _OPERATIONS[sign](parts[0], parts[1])
    if value - value != 0:
        raise _NoNumber("not finite")
    return value


def _over(left: float, right: float) -> float:
    if right == 0:
        raise _NoNumber("division by zero")
    return left / right


def _root(value: float) -> float:
    if value < 0:
        raise _NoNumber("root of a negative number")
    return sqrt(value)


_FUNCTIONS: dict[str, Callable[..., float]] = {"min": min, "max": max, "abs": abs, "sqrt": _root}
_OPERATIONS: dict[str, Callable[[float, float], float]] = {
    "+": lambda left, right: left + right,
    "-": lambda left, right: left - right,
    "*": lambda left, right: left * right,
    "/": _over,
}


def _held(container: Any, path: Iterable[str]) -> Any:
    for key in path:
        if container is None:
            return None
        container = container.get(key)
    return container


def _worked_out(step: Row, stack: list[Any], detail: bool) -> tuple[float | None, str]:
    given = []
    for name, (up, path) in zip(step["names"], step["operands"]):
        found = _held(stack[-1 - up], path)
        if detail and found is not None:
            found = found["value"]
        if found is None:
            return None, f"no {name}"
        try:
            given.append(float(found))
        except OverflowError:
            return None, "not finite"
    try:
        return _evaluated(step["tree"], given) + 0.0, ""
    except _NoNumber as no:
        return None, str(no)


def _derive(plan: Row, stack: list[Any], detail: bool, trusted: bool) -> None:
    here = stack[-1]
    for step in plan["steps"]:
        value, reason = _worked_out(step, stack, detail)
        made: Any = value
        if detail:
            limit = _beyond_limit(step.get("limits", ()), value)
            words = (("unit", step.get("unit", "")), ("reason", reason), ("limit", limit))
            made = {"value": value}
            made.update((key, text) for key, text in words if text)
            made["derived"] = True
            if not trusted:
                made["trusted"] = False
        _put(here, step["path"], made)
        _keep_order(here, step)
    for one in plan["inner"]:
        held = _held(here, one["path"])
        if held is not None:
            for inside in held if one.get("list") else (held,):
                _derive(one["plan"], [*stack, inside], detail, trusted)


def _keep_order(container: Row, step: Row) -> None:
    """Move what is declared after a value behind it, group by group."""
    for key, later in zip(step["path"], step["later"]):
        for other in later:
            if other in container:
                container[other] = container.pop(other)
        container = container[key]


def _less_derived(plan: Row, record: Any) -> Any:
    """The record without its derived values; the given one is not touched."""
    if not isinstance(record, Mapping):
        return record
    made: Any = _less(record, [step["path"] for step in plan["steps"]])
    for one in plan["inner"]:
        if one["path"]:
            made = _changed(made, one["path"], one["plan"])
    return made


def _less(record: Any, paths: list[list[str]]) -> Row:
    """A copy without what stands at these paths; a group that is empty then is left out."""
    gone = {path[0] for path in paths if len(path) == 1}
    made = {key: value for key, value in record.items() if key not in gone}
    for key in {path[0] for path in paths if len(path) > 1}:
        group = made.get(key)
        if isinstance(group, Mapping):
            inner = _less(group, [path[1:] for path in paths if path[0] == key and len(path) > 1])
            if inner or not group:
                made[key] = inner
            else:
                del made[key]
    return made


def _changed(record: Any, path: list[str], plan: Row) -> Any:
    if not isinstance(record, Mapping) or path[0] not in record:
        return record
    made, held = dict(record), record[path[0]]
    made[path[0]] = _less_inside(plan, held) if len(path) == 1 else _changed(held, path[1:], plan)
    return made


def _less_inside(plan: Row, held: Any) -> Any:
    if not isinstance(held, (list, tuple)):
        return _less_derived(plan, held)
    is_list = not plan["steps"] and not any(one["path"] for one in plan["inner"])  # an option that is a list
    return [_less_derived(plan["inner"][0]["plan"] if is_list else plan, one) for one in held]


# -- what this file gives --------------------------------------------------------------------------


class Frame:
    """One frame of the mission, ready to encode and decode."""

    def __init__(self, table: Row) -> None:
        self.table = table
        self.name: str = table["name"]
        self.fingerprint: str = table["fingerprint"]
        self.size_bytes: int | None = table.get("size")

    def encode(self, record: Mapping[str, Any]) -> bytes:
        """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
        writing = _Writing(self.table)
        end = writing.take(record)
        writing.refuse()
        return writing.octets(end)

    def decode(self, data: Octets, detail: bool = False, salvage: bool = False) -> dict[str, Any]:
        """Return the record of exactly one frame. Raises DecodeError for anything else.

        detail: every slot as {raw, value, unit, reason, note, limit}. salvage: that, also where a check failed; then no leaf is trusted.
        """
        return _decoded(self.table, bytes(memoryview(data)), True, detail, salvage)[0]

    def decode_from(
        self, data: Octets, at: int = 0, detail: bool = False, salvage: bool = False
    ) -> tuple[dict[str, Any], int]:
        """Return the record of the frame that starts at an octet of a buffer, and how many octets it uses."""
        if not 0 <= at <= len(data):
            raise ValueError(f"at is {at}, but the buffer has {len(data)} bytes")
        return _decoded(self.table, bytes(memoryview(data)[at:]), False, detail, salvage)


class Mission:
    """Frames by name, told apart by constants, tags and lengths."""

    def __init__(self, name: str, fingerprint: str, tables: list[Row]) -> None:
        self.name, self.fingerprint = name, fingerprint
        self.frames = {table["name"]: Frame(table) for table in tables}

    def identify(self, data: Octets) -> str:
        """Return the name of the frame that these bytes claim to be. Raises DecodeError, whose reason is `unknown`."""
        octets = bytes(memoryview(data))
        claimed = [frame for frame in self.frames.values() if _claims(frame.table, octets)]
        if len(claimed) > 1:
            claimed = [frame for frame in claimed if _has_length(frame.table, len(octets))] or claimed
        if len(claimed) == 1:
            return claimed[0].name
        names = ", ".join(frame.name for frame in claimed or self.frames.values())
        raise DecodeError("unknown", f"{len(octets)} bytes {'may be' if claimed else 'are none of'} {names}")

    def decode(self, data: Octets, detail: bool = False, salvage: bool = False) -> tuple[str, dict[str, Any]]:
        """Return the name of the frame and its record. Raises DecodeError."""
        name = self.identify(data)
        return name, self.frames[name].decode(data, detail, salvage)


def _claims(table: Row, data: bytes) -> bool:
    return not table.get("outside") and all(_agrees(marker, data) for marker in table["told"])


def _agrees(marker: Row, data: bytes) -> bool:
    """Whether data holds one of a marker's codes, or ends before it."""
    code = 0
    for bit in _bits(marker["bits"]):
        if bit >= len(data) * 8:
            return True
        code = code << 1 | data[bit >> 3] >> (7 - (bit & 7)) & 1
    return _holds(code, marker["codes"])


def _bits(stretches: list[list[int]]) -> Iterator[int]:
    for first, last in stretches:
        yield from range(first, last + 1)


def _has_length(table: Row, length: int) -> bool:
    return any(
        first <= length <= last and (length - first) % step == 0 for first, last, step in table["lengths"]
    )
