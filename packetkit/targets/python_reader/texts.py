"""Texts and octets: how codes in a row become a value, and a value codes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from packetkit.targets.python_reader.bits import Row, _shown

# -- texts and octets ------------------------------------------------------------------------------


class _Unfit(ValueError):
    """A value that its characters, samples or moments cannot say; rule as in an EncodeError's faults."""

    def __init__(self, rule: str, message: str) -> None:
        self.rule = rule
        super().__init__(message)


def _joined_value(joined: Row, codes: Sequence[int]) -> tuple[Any, str]:
    """The value of a row of codes, and the reason why there is none."""
    if joined["form"] == "bits":
        return _octets_of_bits(codes), ""
    held = list(codes)
    if joined.get("end") in held:
        held = held[: held.index(joined["end"])]
    while "fill" in joined and held and held[-1] == joined["fill"]:
        held.pop()
    if joined["form"] == "bytes":
        return bytes(held), ""
    try:
        if joined["form"] != "alphabet":
            return bytes(held).decode("utf-8" if joined["form"] == "utf_8" else "ascii"), ""
        known = dict(joined["characters"])
        return "".join([known[code] for code in held]), ""
    except (UnicodeDecodeError, KeyError):
        return None, "bad character"


def _octets_of_bits(bits: Sequence[int]) -> bytes:
    text = "".join(map(str, bits))
    text += "0" * (-len(text) % 8)
    return bytes(int(text[at : at + 8], 2) for at in range(0, len(text), 8))


def _joined_raw(joined: Row, codes: Sequence[int]) -> Any:
    """What detail gives as raw: octets as bytes, codes of an alphabet as a list."""
    return list(codes) if joined["form"] in ("alphabet", "bits") else bytes(codes)


def _joined_codes(joined: Row, value: Any, count: int | None) -> list[int]:
    """The codes of a value, as many as count where that is fixed. Raises _Unfit."""
    codes, end = _codes_of_value(joined, value), joined.get("end")
    if end in codes:
        raise _Unfit("out-of-range", f"holds code {end:#x} at {codes.index(end)}, which ends the text")
    if count is None or len(codes) == count:
        return codes
    if len(codes) > count:
        raise _Unfit("wrong-length", f"has {len(codes)} characters, and {count} is the most")
    if end is None and "fill" not in joined:
        raise _Unfit("wrong-length", f"has {len(codes)} characters, not {count}, and nothing fills it")
    after = joined.get("fill", end)
    return [*codes, *([] if end is None else [end]), *([after] * count)][:count]


def _codes_of_value(joined: Row, value: Any) -> list[int]:
    form = joined["form"]
    if form in ("bytes", "bits"):
        octets = _given_octets(value)
        if octets is None:
            raise _Unfit("wrong-type", f"{_shown(value)} is neither bytes nor hexadecimal text")
        return list(octets) if form == "bytes" else _bits_of_octets(octets, joined.get("spare", 0))
    if not isinstance(value, str):
        raise _Unfit("wrong-type", f"{_shown(value)} is not a text")
    if form == "alphabet":
        known = {character: code for code, character in joined["characters"]}
        return [_code_in(known, character, at) for at, character in enumerate(value)]
    try:
        return list(value.encode("utf-8" if form == "utf_8" else "ascii"))
    except UnicodeEncodeError as no:
        raise _Unfit("out-of-range", f"{value[no.start]!r} at {no.start} is not in {form}") from None


def _code_in(known: dict[str, int], character: str, at: int) -> int:
    if character not in known:
        raise _Unfit("out-of-range", f"{character!r} at {at} is not in its alphabet")
    return known[character]


def _given_octets(value: Any) -> bytes | None:
    """Octets, or the hexadecimal text that stands for them; None for anything else."""
    if isinstance(value, (bytes, bytearray, memoryview)):
        return bytes(value)
    if isinstance(value, str) and len(value) % 2 == 0 and set(value) <= set("0123456789abcdefABCDEF"):
        return bytes.fromhex(value)
    return None


def _bits_of_octets(octets: bytes, spare: int) -> list[int]:
    text = "".join(f"{octet:08b}" for octet in octets)
    if spare and (not text or "1" in text[-spare:]):
        raise _Unfit("wrong-length", f"its last {spare} bits are not sent, and are zero")
    return list(map(int, text[: len(text) - spare]))


def _given_codes(joined: Row, raw: Any, highest: int) -> list[int]:
    """Codes given as they are, as {"raw": ...}: octets, or a list of codes. Raises _Unfit."""
    octets = _given_octets(raw)
    if octets is not None:
        raw = list(octets)
    if not isinstance(raw, (list, tuple)) or any(
        isinstance(one, bool) or not isinstance(one, int) for one in raw
    ):
        raise _Unfit("wrong-type", f"raw is {_shown(raw)}, neither bytes nor a list of codes")
    for one in raw:
        if not 0 <= one <= highest:
            raise _Unfit("raw-range", f"raw holds {one}, and a character's code is 0 to {highest}")
    if joined["form"] == "bits" and (len(raw) + joined.get("spare", 0)) % 8:
        raise _Unfit(
            "wrong-length", f"raw has {len(raw)} bits, which are no whole octets with those not sent"
        )
    return list(raw)


def _digits_text(digits: Row, raw: int) -> tuple[str | None, str]:
    """The text whose characters are the digits of a number, and the reason why there is none."""
    base, found = len(digits["characters"]), []
    if raw >= base ** digits["length"]:
        return None, "bad character"
    for _ in range(digits["length"]):
        raw, digit = divmod(raw, base)
        found.append(digit)
    if not digits.get("first_low"):
        found.reverse()
    while "fill" in digits and found and found[-1] == digits["fill"]:
        found.pop()
    return "".join([digits["characters"][digit] for digit in found]), ""


def _digits_number(digits: Row, value: Any) -> int:
    """The number of a text. Raises _Unfit."""
    if not isinstance(value, str):
        raise _Unfit("wrong-type", f"{_shown(value)} is not a text")
    known = {character: code for code, character in enumerate(digits["characters"])}
    codes, length = [_code_in(known, one, at) for at, one in enumerate(value)], digits["length"]
    if len(codes) > length or (len(codes) < length and "fill" not in digits):
        raise _Unfit("wrong-length", f"has {len(codes)} characters, and {length} are sent")
    codes += [digits.get("fill", 0)] * (length - len(codes))
    raw = 0
    for code in reversed(codes) if digits.get("first_low") else codes:
        raw = raw * len(digits["characters"]) + code
    return raw
