"""The tree that a random schema is drawn as: entries in the words of the language, what is known of one, and its text.

Names and places are tracked here while a schema is drawn; drawing is leaves.py, covers.py and schemas.py.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Any

from packetkit.schema.words import format_number

Entry = dict[str, Any]  # one field, or one frame: words of the language as keys

# Width on the wire of checks; of the others it is read off the name.
_WIDTHS = {"PARITY/EVEN": 1, "PARITY/ODD": 1}


@dataclass(frozen=True, slots=True)
class Style:
    """How bits lie here: from which end of an octet, in which order of octets (None: as packed), in words where all is fixed."""

    least: bool = False
    order: str | None = None
    words: bool = False

    @property
    def turned(self) -> bool:
        """Whether the octets of numbers are turned against their packing, so that numbers are whole octets."""
        return self.order is not None and (self.order == "big") is self.least


@dataclass(slots=True)
class Place:
    """What is certain of the next bit: modulo 8 from the frame's start, and from the start of what checks count from."""

    octet: int | None = 0
    inner: int | None = 0
    starts_octet: bool = True  # what checks count from begins an octet of the frame

    def plus(self, bits: int | None) -> None:
        """Go on by so many bits; None: by a number that varies."""
        self.octet = None if bits is None or self.octet is None else (self.octet + bits) % 8
        self.inner = None if bits is None or self.inner is None else (self.inner + bits) % 8


@dataclass(slots=True)
class Scope:
    """Names placed so far in one group, each with its entry. promised: fields that it ends with; None: it takes no promises."""

    outer: Scope | None
    entries: dict[str, Entry] = field(default_factory=dict)
    path: str = ""
    promised: list[Entry] | None = None


# -- what is known of an entry ---------------------------------------------------------------------------------


def least_width(n: int, missing: bool) -> int:
    bits = max(n.bit_length(), 1)
    return bits + 1 if missing and (1 << bits) - 1 == n else bits


def check_bits(name: str) -> int:
    if name in _WIDTHS:
        return _WIDTHS[name]
    return int(name.partition("-")[2].partition("/")[0])


def goes_on(entry: Entry) -> bool:
    """Whether a field's size hangs on its number: as many octets as that needs, or as many bits as its first ones say."""
    coding = entry.get("coding", "")
    return isinstance(coding, dict) or coding.startswith("continued")


def is_single(entry: Entry) -> bool:
    return "repeat" not in entry and "present_when" not in entry


def has_number(entry: Entry) -> bool:
    """Whether an entry has a number for a value, of which others can be worked out."""
    if "derived" in entry:
        return True
    is_number = entry.get("kind") in (None, "float") and not entry.keys() & {
        "group",
        "flags",
        "states",
        "summary",
        "bundle",
        "variants",
        "carried",
    }
    return is_number and "repeat" not in entry


def is_fixed(entry: Entry) -> bool:
    return any(certainly_there(one) for one in entry["group"])


def certainly_there(entry: Entry) -> bool:
    """Whether an entry has bits in every frame."""
    if entry.get("kind") == "supplied":
        return False
    if entry.keys() & {"present_when", "up_to", "derived"} or isinstance(entry.get("repeat"), dict):
        return False
    if "variants" in entry or isinstance(entry.get("length"), (dict, str)):
        return False
    inner = entry.get("group", entry.get("flags"))
    return inner is None or any(certainly_there(one) for one in inner)


def inner_of(entry: Entry) -> Iterator[Entry]:
    """The fields inside an entry: a group's, and those of its variants."""
    yield from entry.get("group", ())
    for variant in entry.get("variants", ()):
        yield from variant.get("group", ())


def holds_check(entry: Entry) -> bool:
    return entry.get("kind") == "check" or any(holds_check(one) for one in inner_of(entry))


def changes_packing(entry: Entry) -> bool:
    """Whether bits of an entry, or inside it, are numbered from the other end."""
    return "packing" in entry or "carried" in entry or any(changes_packing(one) for one in inner_of(entry))


def stretches(fields: list[Entry], check: Entry) -> list[list[Entry]]:
    """Fields one after another that one check may cover together: no other check among them, no bits of the other packing."""
    made: list[list[Entry]] = [[]]
    for one in fields:
        if one is not check and (holds_check(one) or changes_packing(one)):
            made.append([])
        else:
            made[-1].append(one)
    return [stretch for stretch in made if stretch] or [[]]


def members(name: str, entry: Entry, *, into_options: bool = False) -> Iterator[tuple[str, Entry]]:
    """The members of a plain group by dotted names; into_options: of one that is not always there, too."""
    if "repeat" in entry or ("present_when" in entry and not into_options):
        return
    for one in (*entry.get("group", ()), *entry.get("flags", ())):
        if "name" in one:
            yield f"{name}.{one['name']}", one
            yield from members(f"{name}.{one['name']}", one, into_options=into_options)


def is_counted(name: str, fields: Iterable[Entry]) -> bool:
    """Whether a list of this group, or inside it, is counted by a name; a name hidden further in does not count."""
    for one in fields:
        if any(
            isinstance(how, dict) and how.get("count") == name
            for how in (one.get("repeat"), one.get("length"))
        ):
            return True
        inner = tuple(inner_of(one))
        if not any(member.get("name") == name for member in inner) and is_counted(name, inner):
            return True
    return False


def first_code(code: Any) -> int:
    if isinstance(code, list):
        return first_code(code[0])
    return int(code["from"] if isinstance(code, dict) else code)


# -- as text ----------------------------------------------------------------------------------------------------


def text_of(frames: dict[str, Entry]) -> str:
    """Return a schema's text: one line a field, groups indented."""
    lines = ["mission: drawn", "frames:"]
    for name, frame in frames.items():
        lines.append(f"  {name}:")
        lines += [f"    {key}: {_word(value)}" for key, value in frame.items() if key != "fields"]
        lines.append("    fields:")
        lines += [f"      {line}" for one in frame["fields"] for line in _field_lines(one)]
    return "\n".join(lines) + "\n"


def _field_lines(entry: Entry) -> list[str]:
    nested = "variants" if "variants" in entry else "group" if "group" in entry else "flags"
    if nested not in entry:
        return [f"- {_word(entry)}"]
    first, *rest = [f"{key}: {_word(value)}" for key, value in entry.items() if key != nested]
    lines = [f"- {first}", *(f"  {line}" for line in rest), f"  {nested}:"]
    return lines + [f"    {line}" for one in entry[nested] for line in _field_lines(one)]


def _word(value: Any) -> str:
    """Return a value as YAML on one line; text that could be taken for something else is quoted."""
    if isinstance(value, dict):
        return (
            "{" + ", ".join(f"{_word(key)}: {_word(one)}" for key, one in value.items() if key != "_at") + "}"
        )
    if isinstance(value, list):
        return "[" + ", ".join(map(_word, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int) and value >= 1 << 32:
        return hex(value)
    if isinstance(value, (int, Fraction)):
        return format_number(Fraction(value))
    text = str(value)
    if (
        text not in ("true", "false")
        and text
        and text.replace("_", "a")
        .replace("-", "a")
        .replace("/", "a")
        .replace(".", "a")
        .replace(":", "a")
        .isalnum()
        and text[0].isalpha()
    ):
        return text
    return '"' + text.replace('"', '\\"') + '"'
