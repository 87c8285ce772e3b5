"""What a text or a field of octets means: how wide its characters are, and how they are joined."""

from __future__ import annotations

from packetkit.layout.meaning import Meaning, Note, code_of
from packetkit.layout.model import Joined, Range
from packetkit.schema.model import Field

_OCTET = 8


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
