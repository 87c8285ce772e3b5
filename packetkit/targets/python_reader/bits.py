"""Codes in octets, and the two errors that everything here raises."""

from __future__ import annotations

from collections.abc import Iterable
from decimal import Decimal
from typing import Any, Dict, Tuple, Union

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


def _shown(value: Any) -> str:
    if isinstance(value, int) and value.bit_length() > 128:
        return f"an integer of {value.bit_length()} bits"
    if value is None or isinstance(value, (str, int, float, Decimal)):
        text = repr(value) if isinstance(value, str) else str(value)
        return text if len(text) <= 40 else text[:37] + "..."
    return f"a value of type {type(value).__name__}"
