"""Texts and octets: the one definition of how codes in a row become a value, and a value codes.

A text is a repeat of characters (`Joined`), or the digits of one number (`Digits`). What is stripped on decode (fill, or what stands
behind the end) is put back on encode; a character that has no code, and a code that has no character, are never guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from packetkit.errors import Fault, counted
from packetkit.layout.shown import shown
from packetkit.layout.slots import Digits, Joined

_HEXADECIMAL = set("0123456789abcdefABCDEF")
BAD_CHARACTER = "bad character"


class Unfit(ValueError):
    """A value that the characters cannot say: rule as in an EncodeError's fault, and its sentence."""

    def __init__(self, rule: str, message: str) -> None:
        self.rule = rule
        super().__init__(message)

    def fault(self, path: str) -> Fault:
        return Fault(path, self.rule, str(self))


# -- characters in a row ------------------------------------------------------------------------------------------------


def from_codes(joined: Joined, codes: Sequence[int]) -> tuple[Any, str]:
    """The value of a row of codes, and the reason why there is none (then the value is None)."""
    if joined.form == "bits":
        return _octets(codes), ""
    held = list(codes)
    if joined.ends_with is not None and joined.ends_with in held:
        held = held[: held.index(joined.ends_with)]
    if joined.fill is not None:
        while held and held[-1] == joined.fill:
            held.pop()
    if joined.form == "bytes":
        return bytes(held), ""
    text = _text(joined, held)
    return (None, BAD_CHARACTER) if text is None else (text, "")


def _text(joined: Joined, codes: list[int]) -> str | None:
    if joined.form == "alphabet":
        known = dict(joined.characters)
        return "".join(known[code] for code in codes) if all(code in known for code in codes) else None
    try:
        return bytes(codes).decode("utf-8" if joined.form == "utf_8" else "ascii")
    except UnicodeDecodeError:
        return None


def _octets(bits: Sequence[int]) -> bytes:
    text = "".join(map(str, bits))
    text += "0" * (-len(text) % 8)
    return bytes(int(text[at : at + 8], 2) for at in range(0, len(text), 8))


def to_codes(joined: Joined, value: object, count: int | None) -> tuple[int, ...]:
    """The codes of a value, as many as count where that is fixed. Raises Unfit."""
    codes = _of_value(joined, value)
    if joined.ends_with is not None and joined.ends_with in codes:
        at = codes.index(joined.ends_with)
        raise Unfit(
            "out-of-range", f"holds code {joined.ends_with:#x} at {at}, which ends the text. Leave it out"
        )
    if count is None or len(codes) == count:
        return codes
    if len(codes) > count:
        raise Unfit(
            "wrong-length",
            f"has {_things(joined, len(codes))}, and {count} is the most. Leave out {len(codes) - count}",
        )
    if joined.ends_with is None and joined.fill is None:
        raise Unfit("wrong-length", f"has {_things(joined, len(codes))}, not {count}, and nothing fills it")
    end = () if joined.ends_with is None else (joined.ends_with,)
    after = next(code for code in (joined.fill, joined.ends_with) if code is not None)
    return (*codes, *end, *([after] * count))[:count]


def _of_value(joined: Joined, value: object) -> tuple[int, ...]:
    if joined.form in ("bytes", "bits"):
        octets = _given_octets(value)
        if octets is None:
            raise Unfit("wrong-type", f"{shown(value)} is neither bytes nor hexadecimal text")
        return _bits(octets, joined.spare_bits) if joined.form == "bits" else tuple(octets)
    if not isinstance(value, str):
        raise Unfit("wrong-type", f"{shown(value)} is not a text")
    if joined.form == "alphabet":
        known = {character: code for code, character in joined.characters}
        return tuple(_code(character, known, at) for at, character in enumerate(value))
    try:
        return tuple(value.encode("utf-8" if joined.form == "utf_8" else "ascii"))
    except UnicodeEncodeError as error:
        what = "ASCII" if joined.form == "ascii" else "UTF-8"
        raise Unfit(
            "out-of-range", f"{shown(value[error.start])} at {error.start} is not in {what}. Leave it out"
        ) from None


def _given_octets(value: object) -> bytes | None:
    """Octets, or the hexadecimal text that stands for them in JSON and CSV; None for anything else."""
    if isinstance(value, (bytes, bytearray, memoryview)):
        return bytes(value)
    if isinstance(value, str) and len(value) % 2 == 0 and set(value) <= _HEXADECIMAL:
        return bytes.fromhex(value)
    return None


def _bits(octets: bytes, spare: int) -> tuple[int, ...]:
    text = "".join(f"{octet:08b}" for octet in octets)
    if spare and (not text or "1" in text[-spare:]):
        raise Unfit("wrong-length", f"its last {spare} bits are not sent, and are zero")
    return tuple(map(int, text[: len(text) - spare]))


def _code(character: str, known: dict[str, int], at: int) -> int:
    if character not in known:
        raise Unfit("out-of-range", f"{shown(character)} at {at} is not in its alphabet. Leave it out")
    return known[character]


def raw_codes(joined: Joined, raw: object, highest: int) -> tuple[int, ...]:
    """The codes given as they are, as `{"raw": ...}`: octets, or a list of codes. Raises Unfit."""
    octets = _given_octets(raw)
    if octets is not None:
        raw = list(octets)
    if not isinstance(raw, (list, tuple)) or any(
        isinstance(one, bool) or not isinstance(one, int) for one in raw
    ):
        raise Unfit("wrong-type", f"raw is {shown(raw)}, neither bytes nor a list of codes")
    wrong = next((one for one in raw if not 0 <= one <= highest), None)
    if wrong is not None:
        raise Unfit("raw-range", f"raw holds {wrong}, and a character's code is 0 to {highest}")
    if joined.form == "bits" and (len(raw) + joined.spare_bits) % 8:
        text = f"raw has {len(raw)} bits, and with the {joined.spare_bits} not sent they are no whole octets"
        raise Unfit("wrong-length", text)
    return tuple(raw)


def raw_of(joined: Joined, codes: Sequence[int]) -> Any:
    """What a detail record gives as raw: octets as bytes, codes of an alphabet as a list."""
    return list(codes) if joined.form in ("alphabet", "bits") else bytes(codes)


def _things(joined: Joined, count: int) -> str:
    what = "byte" if joined.form in ("bytes", "utf_8", "bits") else "character"
    return counted(count, what)


# -- the digits of one number -------------------------------------------------------------------------------------------


def from_digits(digits: Digits, raw: int) -> tuple[str | None, str]:
    """The text of a number, and the reason why there is none."""
    base = len(digits.characters)
    if raw >= base**digits.length:
        return None, BAD_CHARACTER
    found = []
    for _ in range(digits.length):
        raw, digit = divmod(raw, base)
        found.append(digit)
    if not digits.first_low:
        found.reverse()
    while digits.fill is not None and found and found[-1] == digits.fill:
        found.pop()
    return "".join(digits.characters[digit] for digit in found), ""


def to_digits(digits: Digits, value: object) -> int:
    """The number of a text. Raises Unfit."""
    if not isinstance(value, str):
        raise Unfit("wrong-type", f"{shown(value)} is not a text")
    known = {character: code for code, character in enumerate(digits.characters)}
    codes = [_code(character, known, at) for at, character in enumerate(value)]
    if len(codes) > digits.length:
        raise Unfit(
            "wrong-length",
            f"has {len(codes)} characters, and {digits.length} is the most. Leave out {len(codes) - digits.length}",
        )
    if len(codes) < digits.length:
        if digits.fill is None:
            raise Unfit(
                "wrong-length", f"has {len(codes)} characters, not {digits.length}, and nothing fills it"
            )
        codes += [digits.fill] * (digits.length - len(codes))
    raw = 0
    for code in reversed(codes) if digits.first_low else codes:
        raw = raw * len(digits.characters) + code
    return raw
