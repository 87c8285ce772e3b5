"""What a text or a field of octets means: how wide its characters are, and how they are joined; or a text as one number's digits."""

from __future__ import annotations

from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.meaning import Meaning
from packetkit.layout.noting import Note, at
from packetkit.layout.slots import Digits, Joined, Range, Role
from packetkit.schema.model import Field
from packetkit.schema.words import shown

_OCTET = 8
_ASCII = 128  # characters whose octet in UTF-8 is their code
_DOES = {"fill": "fills", "ends_with": "ends"}


def joined(one: Field, note: Note) -> Joined | None:
    """How the characters or octets of a field become its value, or None where a problem was noted."""
    if one.kind == "bytes":
        if one.fill is None:
            return Joined("bytes")
        fill = code_of(one, one.fill, "fill", dict.fromkeys(range(256), ""), note)
        return None if fill is None else Joined("bytes", fill=fill)
    if one.alphabet is not None and one.encoding is not None:
        text = f"alphabet and encoding: {one.encoding} both say what its characters are"
        note(one.places["encoding"], "two-kinds", text, "Leave one of them out.")
        return None
    form = "alphabet" if one.alphabet else one.encoding or "ascii"
    pairs = one.alphabet.characters if one.alphabet else ()
    known = dict(pairs) if one.alphabet else {code: chr(code) for code in range(128)}
    codes: dict[str, int | None] = {}
    for key, said in (("fill", one.fill), ("ends_with", one.ends_with)):
        said = 0 if said == "zero" else said
        codes[key] = (
            None if said is None else code_of(one, said, key, _with_unassigned(one, said, known), note)
        )
        if said is not None and codes[key] is None:
            return None
    return Joined(form, pairs, codes["fill"], codes["ends_with"])


def _with_unassigned(one: Field, said: int | str, known: dict[int, str]) -> dict[int, str]:
    """The codes that may be said: also those without a character, where they are written as codes."""
    highest = (1 << character_bits(one)) - 1
    return {**dict.fromkeys(range(highest + 1), ""), **known} if isinstance(said, int) else known


def character_bits(one: Field) -> int:
    """Bits of one character."""
    return one.alphabet.bits if one.alphabet else _OCTET


def character(one: Field) -> Meaning:
    """The slot of one character, without its place."""
    bits = character_bits(one)
    common = {"kind": "character", "unit": "", "description": " ".join(one.description.split())}
    legal = (Range(0, (1 << bits) - 1),)
    return Meaning(bits, {**common, "legal": legal, "line": one.place.position.line})


def code_of(one: Field, said: int | str, key: str, known: dict[int, str], note: Note) -> int | None:
    """The code of a fill or an end, written as a character or a code; None, and noted, where it has none."""
    if said == "zero":
        said = 0
    if isinstance(said, int):
        found = said if said in known else None
    else:
        found = next((code for code, character in known.items() if character == said), None)
    if found is None:
        text = f"{key} {shown(said) if isinstance(said, str) else said} is none of its characters"
        remedy = "Use one of its characters, or one of their codes."
        if isinstance(said, str) and one.kind == "bytes":
            text, remedy = f"{key} {shown(said)} is a character, and octets have codes", "Write a code: 0xFF."
            if ord(said) < _ASCII:
                remedy = f"Write its code: {ord(said):#x}."
        elif isinstance(said, str) and one.encoding == "utf_8":
            octets = len(said.encode("utf-8", "replace"))
            text = f"{key} {shown(said)} has {octets} octets in UTF-8, and one octet {_DOES[key]} a text"
            remedy = "Use a character of ASCII, or the code of one octet."
        note(at(one, key), "characters-unfit", text, remedy)
    return found


def radix_text(one: Field, note: Note, _: Algorithm | None) -> Meaning | None:
    """A text whose characters are the digits of one number: as many as its bits hold, all codes from 0 on."""
    assert one.bits is not None and one.length is not None
    known, count = dict(one.characters), one.length.count
    fault = _digits_fault(list(known), one.length.count, one.bits)
    if fault is not None or count is None:
        note(at(one, "length"), "characters-unfit", *(fault or ("", "")))
        return None
    fill = None if one.fill is None else code_of(one, one.fill, "fill", known, note)
    if one.fill is not None and fill is None:
        return None
    digits = Digits("".join(known.values()), count, one.first_character == "least_significant", fill)
    legal = (Range(0, len(known) ** count - 1),)
    role = None if one.role is None else Role(one.role)
    return Meaning(one.bits, {"transform": digits, "legal": legal, "role": role})


def _digits_fault(codes: list[int], count: int | None, bits: int) -> tuple[str, str] | None:
    """What is wrong with so many digits of these codes in so many bits, and the remedy."""
    if count is None:
        return "the digits of one number are of a fixed number", "Write length: and their number."
    if len(codes) == 1:
        return (
            "one character alone is no digit: every number would be 0",
            "Write characters: with two or more.",
        )
    if codes != list(range(len(codes))):
        return "its digits are not the codes from 0 on", "Write characters: as one text of two or more."
    if len(codes) ** count > 1 << bits:
        need = (len(codes) ** count - 1).bit_length()
        remedy = f"Use bits: {need}." if need <= 64 else "Use fewer characters."
        return f"{count} digits in base {len(codes)} need {need} bits, not {bits}", remedy
    return None
