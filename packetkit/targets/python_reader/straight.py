"""Frames of single fields at fixed places, the quick way: one number of all their bits, and of each field what its code means, prepared.

Whatever is not plain (a record that lacks a key, a value out of range, a check that fails) is left to the general way, which words every
error. Ten times as fast as that for a frame of 25 fields (tests/bench/bench_targets.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Tuple

from packetkit.targets.python_reader.bits import Row, _code_of, _holds, _raw_of
from packetkit.targets.python_reader.checks import _check_value, _crc
from packetkit.targets.python_reader.derived import _derive, _less_derived
from packetkit.targets.python_reader.places import _Leaf, _Scope
from packetkit.targets.python_reader.values import _meaning, _to_raw

# -- frames of single fields at fixed places -------------------------------------------------------

# Its keys but the last, the last, how far its code is from the number's low end, its bits as ones, what a code means or what a value sends.
_Step = Tuple[Any, str, int, int, Any]


class _Straight:
    """A frame whose fields all stand alone and always; `decode` and `encode` give None for what is to go the general way."""

    def __init__(self, frame: Row) -> None:
        bits = sum(run["size"] for run in frame["nodes"])
        self.size, self.derived = -(-bits // 8), frame.get("derived")
        self.order: Any = "little" if frame["nodes"][0]["packing"] == "least" else "big"
        self.fixed = self.wanted = 0  # the places of bits that are always the same, and those bits
        self.reading: list[_Step] = []
        self.writing: list[_Step] = []
        # Slots that have several codes of their own, and how far each is from the low end.
        self.codes: list[tuple[int, Row]] = []
        self.checks: dict[int, tuple[int, int, Callable[[bytes], int]]] = {}
        self.keys: dict[tuple[str, ...], set[str]] = {(): set()}
        scope, at = _Scope(None), 0
        for run in frame["nodes"]:
            scope.starts[run["number"]] = at
            for slot in run["slots"]:
                first = at + slot["at"]
                low = first if self.order == "little" else self.size * 8 - first - slot["bits"]
                self.take(_Leaf(run, slot, slot["bits"], at, (), scope, 0), low)
            at += run["size"]
        self.order_of_checks = [self.checks[number] for number in frame["checks"]]

    def take(self, leaf: _Leaf, low: int) -> None:
        slot, ones = leaf.slot, (1 << leaf.bits) - 1
        if "check" in slot:
            self.checks[slot["number"]] = low, ones, _checking(leaf)
        elif "codes" in slot and slot.get("hidden"):
            self.always(slot, low, ones, slot["codes"][0][0])
        elif "codes" in slot:
            self.codes.append((low, slot))
        elif slot.get("strict") and slot["kind"] == "reserved":
            self.always(slot, low, ones, 0)
        if not slot.get("hidden"):
            *groups, last = slot["path"]
            for depth, key in enumerate(slot["path"]):
                self.keys.setdefault(tuple(slot["path"][:depth]), set()).add(key)
            self.reading.append((tuple(groups), last, low, ones, _reader(slot)))
            self.writing.append((tuple(groups), last, low, ones, _writer(slot)))

    def always(self, slot: Row, low: int, ones: int, raw: int) -> None:
        self.fixed |= ones << low
        self.wanted |= _code_of(slot, raw, slot["bits"]) << low

    def decode(self, data: bytes) -> dict[str, Any] | None:
        """Return the record of a good frame of exactly these bytes."""
        if len(data) != self.size:
            return None
        whole = int.from_bytes(data, self.order)
        if whole & self.fixed != self.wanted:
            return None
        for low, slot in self.codes:
            code = whole >> low & ((1 << slot["bits"]) - 1)
            if not _holds(_raw_of(slot, code, slot["bits"]), slot["codes"]):
                return None
        for low, ones, check in self.order_of_checks:
            if whole >> low & ones != check(data):
                return None
        record: dict[str, Any] = {}
        for groups, last, low, ones, meaning in self.reading:
            here = record
            for key in groups:
                here = here.setdefault(key, {})
            here[last] = meaning(whole >> low & ones)
        if self.derived is not None:
            _derive(self.derived, [record], False, True)
        return record

    def encode(self, record: Any) -> bytes | None:
        """Return the frame of a record that has every value, each within its range."""
        if self.derived is not None:
            record = _less_derived(self.derived, record)
        for path, keys in self.keys.items():
            here = record
            for key in path:
                here = here[key]
            if type(here) is not dict or here.keys() != keys:
                return None
        whole = self.wanted
        for groups, last, low, ones, code in self.writing:
            here = record
            for key in groups:
                here = here[key]
            found = code(here[last])
            if found is None:
                return None
            whole |= (found & ones) << low
        for low, _, check in self.order_of_checks:
            whole |= check(whole.to_bytes(self.size, self.order)) << low
        return whole.to_bytes(self.size, self.order)


def _straight(frame: Row) -> _Straight | None:
    """The quick way of a frame, None where it has none."""
    nodes = frame["nodes"]
    if not nodes or "supplied" in frame or any(node["part"] != "run" or "word" in node for node in nodes):
        return None
    slots = [slot for node in nodes for slot in node["slots"]]
    if len({node["packing"] for node in nodes}) > 1 or not all(map(_stands_alone, slots)):
        return None
    return _Straight(frame)


def _stands_alone(slot: Row) -> bool:
    """Whether a slot means the same whatever others hold, and is sent so."""
    if any(key in slot for key in ("split", "scales", "valid", "most")) or not slot["path"]:
        return False
    if "check" in slot:
        told = ("mixed", "front", "initial", "zero_as_ones", "not_computed")
        return not any(key in slot["check"] for key in told)
    if not slot.get("hidden"):
        return slot["kind"] not in ("count", "length", "reserved")
    if "codes" in slot:  # they fill themselves in
        return bool(slot["codes"][0][0] == slot["codes"][-1][1])
    return slot["kind"] == "reserved" and "preset" not in slot


def _checking(leaf: _Leaf) -> Callable[[bytes], int]:
    """What tells the code that a check has in a frame."""
    slot, check = leaf.slot, leaf.slot["check"]
    ends = [_end(leaf, mark) for span in check["spans"] for mark in span]
    algorithm = check["algorithm"]
    is_plain = algorithm["family"] == "crc" and not any(
        key in check for key in ("own", "also", "in_wire_order")
    )
    if is_plain and len(ends) == 2 and not any(end is not None and end % 8 for end in ends):
        octets = slice(*(None if end is None else end // 8 for end in ends))
        return lambda data: _code_of(slot, _crc(algorithm, data[octets]), leaf.bits)
    return lambda data: _code_of(slot, _check_value(leaf, data, []), leaf.bits)


def _end(leaf: _Leaf, mark: Any) -> int | None:
    """A bit of the frame, None for its end."""
    return None if mark[0] < 0 else int(leaf.scope.start(mark[0]) + mark[1])


def _missing_codes(slot: Row) -> list[Any]:
    return [(low, high) for low, high, meaning, _ in slot.get("specials", ()) if meaning == "missing"]


def _is_linear(slot: Row) -> bool:
    """Whether a slot's value is its raw code times a number, plus a number, for every code that is not missing."""
    return slot["kind"] == "number" and not any(
        key in slot for key in ("bundle", "digits", "clock", "coding", "curve", "ieee", "unassigned")
    )


def _reader(slot: Row) -> Callable[[int], Any]:
    """What a code means."""
    bits = slot["bits"]
    turns = "octets_reversed" in slot or "bits_reversed" in slot
    if slot["kind"] == "flag":
        return bool
    if slot["kind"] == "states" and not turns and not slot.get("signed") and "specials" not in slot:
        names = dict(reversed(slot["states"]))
        return lambda code: names.get(code, code)
    if turns or not _is_linear(slot):
        return lambda code: _meaning(slot, _raw_of(slot, code, bits))[0]
    half = 1 << (bits - 1) if slot.get("signed") else 0
    gone = _missing_codes(slot)
    numerator, base, denominator = slot.get("scale", (1, 0, 1))
    base -= half * numerator  # (code ^ half) - half is the signed number
    if gone:
        return lambda code: (
            None if _holds((code ^ half) - half, gone) else _line(code ^ half, numerator, base, denominator)
        )
    if denominator == 1:
        return lambda code: (code ^ half) * numerator + base
    return lambda code: ((code ^ half) * numerator + base) / denominator + 0.0  # rounded once, as in _number


def _line(code: int, numerator: int, base: int, denominator: int) -> Any:
    exact = code * numerator + base
    return exact if denominator == 1 else exact / denominator + 0.0


def _writer(slot: Row) -> Callable[[Any], int | None]:
    """The code that sends a value, None for one that is to go the general way."""
    if slot["kind"] == "flag":
        return lambda value: int(value) if type(value) is bool else None
    if slot["kind"] == "states" and "specials" not in slot:
        codes = {name: code for code, name in reversed(slot["states"])}
        return _placed(slot, lambda value: codes.get(value) if type(value) is str else None)
    if _is_linear(slot):
        return _placed(slot, _line_writer(slot))

    def raw(value: Any) -> int | None:
        if not isinstance(value, (int, float, str, list, tuple)) and value is not None:
            return None  # a mapping may be {"raw": n}
        found, clamped, no = _to_raw(slot, value, slot["bits"])
        return None if no is not None or (clamped and "raises" in slot) else found

    return _placed(slot, raw)


def _placed(slot: Row, raw: Callable[[Any], int | None]) -> Callable[[Any], int | None]:
    """The code of a raw number, where they differ by more than bits above."""
    if "octets_reversed" not in slot and "bits_reversed" not in slot:
        return raw

    def code(value: Any) -> int | None:
        found = raw(value)
        return None if found is None else _code_of(slot, found, slot["bits"])

    return code


def _line_writer(slot: Row) -> Callable[[Any], int | None]:
    """The raw number whose value is nearest, floor((value - offset)/scale + 1/2): exactly, as in _round_raw."""
    numerator, base, denominator = slot.get("scale", (1, 0, 1))
    legal, gone = slot["legal"], _missing_codes(slot)
    (least, most), is_one = legal[0], len(legal) == 1

    def raw(value: Any) -> int | None:
        if type(value) is float and value - value == 0:
            above, below = value.as_integer_ratio()
        elif type(value) is int:
            above, below = value, 1
        elif value is None and gone:
            return int(gone[0][0])
        else:
            return None
        step = below * numerator
        found = (2 * (above * denominator - base * below) + step) // (2 * step)
        return found if least <= found <= most or (not is_one and _holds(found, legal)) else None

    return raw
