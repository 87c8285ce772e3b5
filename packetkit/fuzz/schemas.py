"""Random schemas: whole mission texts, so that the loader, the resolver and every codec meet what no one thought of.

A schema is drawn as a tree of plain dicts in the words of the language (`Entry`), valid by construction, and then written out as
YAML; the tree is what shrinking cuts at. Positions are tracked only modulo 8, and only while they are certain: where an octet
boundary is needed and not certain, reserved bits up to a byte go in. What would surprise a reader: few field names are in use,
on purpose, so that names inside a group hide names around it and every lookup is tried.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from packetkit.conformance.faults import Chance
from packetkit.schema.kinds import ROLES
from packetkit.schema.presets import PRESETS
from packetkit.schema.words import format_number

Entry = dict[str, Any]  # one field, or one frame: words of the language as keys

# Names are few, so that they collide across groups; a number is added where a group has one already.
_NAMES = ("a", "b", "c", "d", "e", "state", "speed")
_LABELS = ("safe", "survey", "on", "off", "null", "true", "a b", "1", "it's", "#7", "x: y", "safe mode")
_REASONS = ("sensor off", "no fix", "saturated", "0", "n/a")
_UNITS = ("V", "Cel", "%", "m/s", "uT", "")

_SCALES = tuple(
    Fraction(text)
    for text in (
        "1",
        "2",
        "10",
        "-1",
        "-3",
        "1/10",
        "1/16",
        "0.02",
        "-0.25",
        "1/3",
        "360/1024",
        "1/600000",
        "0.03125",
        "-1/7",
        "1e3",
    )
)
_WHOLE_SCALES = tuple(scale for scale in _SCALES if scale.denominator == 1)
_OFFSETS = tuple(Fraction(text) for text in ("-40", "-273.15", "1000", "1/3", "0.5", "-1", "0"))
_STEPS = tuple(Fraction(text) for text in ("1", "0.1", "0.02", "2", "5", "1/3", "0.25", "100"))
_CERTAIN_DOUBLES = 40  # up to so many bits any scale above is told apart by doubles

_ORDERED = (8, 16, 24, 32, 40, 48, 56, 64)  # octets can be turned in whole octets only
_PLAIN_CRCS = (
    "CRC-16/IBM-3740",
    "CRC-8/SMBUS",
    "CRC-5/EPC-C1G2",
    "CRC-24/OPENPGP",
    "CRC-32/BZIP2",
    "CRC-12/UMTS",
)
_TURNED_CRCS = (
    "CRC-16/KERMIT",
    "CRC-32/ISO-HDLC",
    "CRC-8/BLUETOOTH",
    "CRC-5/USB",
    "CRC-16/MODBUS",
    "CRC-24/BLE",
)
_SUMS = (
    *(
        "SUM-8",
        "SUM-16/INTERNET",
        "SUM-8/NEGATED",
        "SUM-16/WORDS-LOW-FIRST",
        "SUM-32/WORDS",
        "SUM-8/END-AROUND-INVERTED",
    ),
    *(
        "XOR-8",
        "XOR-16/LOW-FIRST",
        "PARITY/EVEN",
        "PARITY/ODD",
        "FLETCHER-16",
        "FLETCHER-8",
        "FLETCHER-32",
        "ADLER-32",
    ),
    *("FLETCHER-16/UBX", "SUM-16/END-AROUND-LOW-FIRST"),
)
_ROLE_WORDS = ("role", "modulus", "tick_s", "epoch")
# Width on the wire of the checks above; of the others it is read off the name.
_WIDTHS = {"PARITY/EVEN": 1, "PARITY/ODD": 1}


@dataclass(frozen=True, slots=True)
class Drawn:
    """One random schema: the tree it was drawn as, and its text."""

    frames: dict[str, Entry]

    @property
    def text(self) -> str:
        return text_of(self.frames)


def schema(chance: Chance) -> Drawn:
    """Return a random schema: mostly of one frame, now and then of two that a tag tells apart."""
    if chance.randint(1, 8) < 8:
        return Drawn({"sheet": _Draw(chance).frame(None)})
    return Drawn({name: _Draw(chance).frame(code) for code, name in enumerate(("first", "second"))})


# -- the tree ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Style:
    """How bits lie here: from which end of an octet, in which order of octets (None: as packed), in words where all is fixed."""

    least: bool = False
    order: str | None = None
    words: bool = False

    @property
    def turned(self) -> bool:
        """Whether the octets of numbers are turned against their packing, so that numbers are whole octets."""
        return self.order is not None and (self.order == "big") is self.least


@dataclass(slots=True)
class _Place:
    """What is certain of the next bit: modulo 8 from the frame's start, and from the start of what checks count from."""

    octet: int | None = 0
    inner: int | None = 0
    starts_octet: bool = True  # what checks count from begins an octet of the frame

    def plus(self, bits: int | None) -> None:
        """Go on by so many bits; None: by a number that varies."""
        self.octet = None if bits is None or self.octet is None else (self.octet + bits) % 8
        self.inner = None if bits is None or self.inner is None else (self.inner + bits) % 8


@dataclass(slots=True)
class _Scope:
    """Names placed so far in one group, each with its entry; inside: it is in a repeat or an option."""

    outer: _Scope | None
    entries: dict[str, Entry] = field(default_factory=dict)
    path: str = ""


_Leaf = Callable[[_Scope, _Style], tuple[Entry, int]]
_Holder = Callable[[list[Entry], _Scope, _Place, _Style, int], None]

_KINDS_ALONE = ("constant", "sync", "tag", "count", "reserved", "check")


class _Draw:
    """One frame being drawn. Choices come in the order of the wire."""

    def __init__(self, chance: Chance) -> None:
        self.chance = chance
        self.roles = set(ROLES)
        self.least = self.mixed = False  # the frame's packing; and whether a group has the other
        self.ends = False  # a list runs to the frame's end
        self.budget = 28  # fields in all, so that a frame stays readable

    def odds(self, one_in: int) -> bool:
        return self.chance.randint(1, one_in) == one_in

    def one(self, *options: Any) -> Any:
        return self.chance.choice(options)

    # -- frames and groups -------------------------------------------------------------------------

    def frame(self, tag: int | None) -> Entry:
        """Return a frame; tag: its code in a mission of several."""
        made: Entry = {}
        style = _Style(least=self.odds(5))
        if style.least:
            made["packing"] = "least_significant_first"
        if self.odds(6):
            made["order"] = self.one("little", "big")
            style = replace(style, order=made["order"])
        if self.odds(3):
            made["strict"] = True
        if self.odds(8):
            made["cadence_s"] = Fraction(self.one(1, 30, 60))
        self.least = style.least
        place, scope, fields = _Place(), _Scope(None), made.setdefault("fields", [])
        if tag is not None:
            self.add(fields, scope, place, {"name": "tag", "kind": "tag", "bits": 8, "code": tag}, 8)
        for _ in range(self.chance.randint(2, 8)):
            self.member(fields, scope, place, style, depth=0)
        if self.odds(6):
            self.to_end(fields, scope, place, style)
        self.something(fields, scope, place, style)
        self.finish(made, fields, scope, place, style)
        self.cover(fields, scope, style, whole=True)
        return made

    def finish(self, made: Entry, fields: list[Entry], scope: _Scope, place: _Place, style: _Style) -> None:
        """End the frame on a whole octet: fill, then checks; or checks, and a filled last byte."""
        self.counts_used(fields, scope, place, style)
        form = self.chance.randint(0, 3)
        if form < 2:
            self.to_octet(fields, scope, place)
        if form != 3:
            for _ in range(self.one(1, 1, 0, 2, 3)):
                self.check(fields, scope, place, style)
        if place.octet != 0:
            if self.odds(2):
                made["last_byte"] = "zero_filled"
            else:
                self.add(fields, scope, place, {"kind": "reserved", "up_to": self.boundary()}, None)
                place.octet = 0

    def boundary(self) -> str:
        """Where bits that fill up end; after a list to the end they must be fewer than one of its elements."""
        return "byte" if self.ends else str(self.one("byte", "byte", "word_16", "word_32"))

    def add(self, fields: list[Entry], scope: _Scope, place: _Place, made: Entry, bits: int | None) -> None:
        """Put a field where the next bit is. bits: its size where that is certain."""
        fields.append(made)
        if "name" in made:
            scope.entries[made["name"]] = made
        place.plus(bits)
        self.budget -= 1

    def something(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style) -> None:
        """Make sure that a group has a field."""
        if not fields:
            self.add(fields, scope, place, *self.flag(scope, style))

    def to_octet(self, fields: list[Entry], scope: _Scope, place: _Place) -> None:
        """Make sure that the next bit begins an octet."""
        if place.octet == 0:
            return
        missing = None if place.octet is None else 8 - place.octet
        made: Entry = (
            {"kind": "reserved", "up_to": "byte"}
            if missing is None or self.odds(2)
            else {"kind": "reserved", "bits": missing}
        )
        if self.odds(6):
            made["strict"] = self.one(False, True)
        self.add(fields, scope, place, made, missing)
        place.octet = 0

    def name(self, scope: _Scope) -> str:
        base = self.chance.choice(_NAMES)
        return next(
            name for name in (base, *(f"{base}{n}" for n in range(2, 99))) if name not in scope.entries
        )

    def member(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """Draw one member of a group: mostly a value, at times something that holds others."""
        leaves: list[_Leaf] = [self.number] * 3 + [self.by_meaning] * 2 + [self.states, self.flag]
        leaves += [self.float, self.constant, self.reserved, self.tag, self.counter]
        if self.budget < 4:
            leaves = [self.number]
        holders: list[_Holder] = [self.group, self.repeat, self.counted, self.option, self.option]
        holders += [self.flags, self.inner_check, self.other_packing]
        holders += [self.other_packing] if style.least else [self.words] * 2
        at = self.chance.randint(0, len(leaves) + (len(holders) if depth < 3 and self.budget > 4 else 0) - 1)
        if at < len(leaves):
            self.leaf(fields, scope, place, *leaves[at](scope, style))
        else:
            holders[at - len(leaves)](fields, scope, place, style, depth)

    def leaf(self, fields: list[Entry], scope: _Scope, place: _Place, made: Entry, bits: int) -> None:
        """A field with bits of its own: once, or where it can be, several times or not always."""
        total: int | None = bits
        if made.get("kind") not in _KINDS_ALONE and self.odds(10) and not made.keys() & {"role", "flag"}:
            made["repeat"] = self.chance.randint(1, 4)
            total = bits * made["repeat"]
        if made.get("kind") not in _KINDS_ALONE and "role" not in made and self.odds(8):
            condition = self.condition(scope)
            if condition is not None:
                made["present_when"], total = condition, None if bits % 8 else 0
        self.add(fields, scope, place, made, total)
        if "present_when" in made:
            place.inner = None if bits % 8 else place.inner

    # -- numbers -----------------------------------------------------------------------------------

    def width(self, style: _Style) -> int:
        """Bits of a number: few mostly, any at times; whole octets where its group turns them."""
        if style.turned:
            return int(self.one(self.chance.randint(1, 8), 16, 16, 24, 32, 64))
        return self.chance.randint(1, self.one(12, 12, 24, 64))

    def number(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        """A number by wire."""
        bits = self.width(style)
        made: Entry = {"name": self.name(scope), "bits": bits}
        if self.odds(3):
            made["signed"] = True
        scale, offset = Fraction(1), Fraction(0)
        if self.odds(2):
            scale = made["scale"] = self.chance.choice(_SCALES if bits <= _CERTAIN_DOUBLES else _WHOLE_SCALES)
        if self.odds(4):
            offset = self.chance.choice(_OFFSETS)
            if bits > _CERTAIN_DOUBLES:
                offset = Fraction(round(offset))
            made["offset"] = offset
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if made.get("signed") else (0, (1 << bits) - 1)
        if self.odds(4) and high - low > 4:
            low, high = self.bounds(made, low, high, scale, offset)
        self.turn(made, bits, style)
        self.specials(made, bits, low, high, signed=bool(made.get("signed")))
        self.policy(made, scope)
        if self.odds(8):
            raw = self.chance.randint(low, high)
            made["default"] = offset + scale * raw
            if self.is_special(made, raw):
                del made["default"]
        self.dress(made)
        return made, bits

    def counter(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        """A plain number with a role, while a role is left."""
        if not self.roles:
            return self.number(scope, style)
        bits = self.width(style)
        made: Entry = {"name": self.name(scope), "bits": bits}
        self.turn(made, bits, style)
        self.role(made, bits)
        return made, bits

    def bounds(self, made: Entry, low: int, high: int, scale: Fraction, offset: Fraction) -> tuple[int, int]:
        """Add a least and a greatest value, or one of them; return the codes that are left."""
        first = self.chance.randint(low, high - 3)
        last = self.chance.randint(first + 3, high)
        ends = {"minimum": first, "maximum": last} if scale > 0 else {"minimum": last, "maximum": first}
        nudge = Fraction(self.one(0, 0, 1, -1), 3)  # bounds are compared after rounding
        kept = self.one(("minimum", "maximum"), ("minimum", "maximum"), ("minimum",), ("maximum",))
        made.setdefault("scale", scale)
        for key in kept:
            made[key] = offset + scale * (ends[key] + nudge)
        raws = [ends[key] for key in kept]
        return (first if first in raws else low), (last if last in raws else high)

    def by_meaning(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        """A number by its range, or by a preset."""
        made: Entry = {"name": self.name(scope)}
        if self.odds(4):
            return self.preset(made, scope, style)
        step, low = self.chance.choice(_STEPS), self.chance.choice(_OFFSETS)
        missing = self.one(None, None, True)
        bits = self.width(style) if style.turned or self.odds(3) else 0
        if bits:
            bits = max(bits if bits <= _CERTAIN_DOUBLES else 32, 2)
        if bits and self.odds(2):
            n = (1 << bits) - 1 - (missing is True)
            high = low + self.chance.choice(_STEPS) * self.chance.randint(1, 500)
            step = (high - low) / n
        else:
            most = (1 << bits) - 1 - (missing is True) if bits else 1 << self.chance.randint(1, 16)
            n = self.chance.randint(1, max(most, 1))
            high = low + n * step
            made["resolution"] = step
        made |= {"minimum": low, "maximum": high}
        if missing is True:
            made["missing"] = True
        if bits:
            made["bits"] = bits
        width = bits or _least_width(n, missing is True)
        top = (1 << width) - 1
        if missing is None and self.odds(4) and top > n and "resolution" in made:
            made["missing"] = self.codes_above(n, top)
        if self.odds(5) and n > 2:
            self.bound_codes(made, [0, n, n - 1, self.chance.randint(0, top)])
        self.turn(made, width, style)
        self.policy(made, scope)
        if self.odds(8):
            made["default"] = low + step * self.chance.randint(0, n)
            if self.is_special(made, (made["default"] - low) / step):
                del made["default"]
        self.dress(made)
        return made, width

    def preset(self, made: Entry, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        row = PRESETS[self.chance.choice(tuple(PRESETS))]
        made["preset"] = row.name
        n = (row.maximum - row.minimum) / row.resolution
        missing = row.missing
        if self.odds(4):
            missing = made["missing"] = not row.missing
        if self.odds(4):
            made["unit"] = "V"
        if style.turned or self.odds(4):
            made["bits"] = self.one(8, 16, 24)
            return made, made["bits"]
        if self.odds(4):
            made["resolution"] = row.resolution * 2 if n % 2 == 0 else row.resolution / 2
            n = n / 2 if n % 2 == 0 else n * 2
        self.policy(made, scope)
        return made, _least_width(int(n), missing)

    def codes_above(self, n: int, top: int) -> Any:
        """Missing codes above the last step: one, or several with reasons."""
        first = self.chance.randint(n + 1, top)
        if first == top or self.odds(2):
            return first
        last = self.chance.randint(first + 1, top)
        return [
            {"code": first, "reason": "n/a"},
            {"from": first + 1, "to": last, "reason": self.one(*_REASONS)},
        ]

    def specials(self, made: Entry, bits: int, low: int, high: int, *, signed: bool) -> None:
        """Add codes with a meaning of their own to a wire number, leaving enough others."""
        if high - low < 8 or self.odds(2):
            return
        form = self.chance.randint(0, 5)
        if form in (0, 4):
            made["missing"] = True
        elif form < 4:
            least = -(1 << bits - 1) if signed else 0
            start = self.chance.randint(least, least + (1 << bits) - 4)
            made["missing"] = self.one(
                start,
                [{"code": start, "reason": "sensor off"}, {"code": start + 2, "reason": self.one(*_REASONS)}],
                [{"from": start, "to": start + 1, "reason": self.one(*_REASONS)}, {"code": start + 3}],
                [start, {"code": start + 2, "reason": "saturated"}],
            )
            if signed and form == 2:
                made["missing"] = (1 << bits) - 1  # written as its bits: minus one
        if self.odds(3):
            self.bound_codes(made, [low, high, self.chance.randint(low, high)])

    def bound_codes(self, made: Entry, options: list[int]) -> None:
        """Add at_least or at_most, or both, at codes that mean nothing else."""
        free = [code for code in dict.fromkeys(options) if not self.is_special(made, code)]
        for key in self.one(("at_least",), ("at_most",), ("at_least", "at_most")):
            if len(free) > 1:
                made[key] = free.pop(self.chance.randint(0, len(free) - 1))

    def is_special(self, made: Entry, raw: Any) -> bool:
        """Whether a code of a field means something else than its number; says yes where it is not certain."""
        if raw in (made.get("at_least"), made.get("at_most")):
            return True
        missing = made.get("missing")
        bits = made.get("bits") or 0
        if missing is True:
            return raw in ((1 << bits) - 1, -(1 << bits - 1) if bits else 0)
        listed = missing if isinstance(missing, list) else [] if missing is None else [missing]
        for one in listed:
            first, last = (
                (one.get("from", one.get("code")), one.get("to", one.get("code")))
                if isinstance(one, dict)
                else (one, one)
            )
            if first <= raw <= last or first <= raw + (1 << bits) <= last:
                return True
        return False

    def policy(self, made: Entry, scope: _Scope) -> None:
        """What happens out of range, and the flag that clamping raises."""
        has_missing = made.get("missing") not in (None, False) or ("preset" in made and "missing" not in made)
        options = ["error", "clamp", "clamp", "missing"] if has_missing else ["error", "clamp", "clamp"]
        if self.odds(2):
            made["out_of_range"] = self.chance.choice(options)
        if made.get("out_of_range") == "clamp" and self.odds(2):
            flags = [
                name
                for name, entry in self.visible(scope)
                if entry.get("kind") == "flag" and _is_single(entry)
            ]
            if flags:
                made["flag"] = self.chance.choice(flags)

    def turn(self, made: Entry, bits: int, style: _Style) -> None:
        """Give a number an octet order of its own."""
        if not style.words and (bits in _ORDERED) and self.odds(4):
            made["order"] = self.one("little", "big")

    def dress(self, made: Entry) -> None:
        if self.odds(3):
            made["unit"] = self.chance.choice(_UNITS[:-1])
        if self.odds(12):
            made["description"] = "a field's text: with 'quotes', # and <tags>"

    def role(self, made: Entry, bits: int) -> None:
        """A role, once in a frame, with the details that belong to it."""
        role = self.chance.choice(sorted(self.roles))
        self.roles.discard(role)
        made["role"] = role
        if role in ("sequence", "boot") and bits > 2 and self.odds(2):
            made["modulus"] = self.chance.randint(2, 1 << min(bits, 30))
        if role == "clock":
            made["tick_s"] = self.one(Fraction(1), Fraction(1, 1000))
            if self.odds(2):
                made["epoch"] = "2030-01-31T00:00:00Z"

    def float(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        bits = int(self.one(32, 16, 64))
        made: Entry = {"name": self.name(scope), "kind": "float", "bits": bits}
        if self.odds(3):
            first = Fraction(self.chance.randint(-500, 400))
            last = first + self.chance.randint(1, 100) + self.one(Fraction(0), Fraction(1, 10))
            made |= self.one(
                {"minimum": first, "maximum": last},
                {"minimum": first, "maximum": last},
                {"minimum": first},
                {"maximum": last},
            )
        form = self.chance.randint(0, 3)
        if form == 1:
            made["missing"] = True
        elif form == 2:
            pattern = {16: 0xE3C0, 32: 0xC479C000, 64: 0xC08F380000000000}[
                bits
            ]  # -992 or -999, as instruments say it
            quiet = {16: 0x7E01, 32: 0x7FC00001, 64: 0x7FF8000000000001}[bits]
            made["missing"] = self.one(pattern, [{"code": quiet, "reason": self.one(*_REASONS)}, pattern])
        self.turn(made, bits, style)
        self.policy(made, scope)
        if self.odds(8):
            made["default"] = made.get("minimum", made.get("maximum", Fraction(1, 4)))
        self.dress(made)
        return made, bits

    # -- the other leaves --------------------------------------------------------------------------

    def states(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        bits = self.chance.randint(1, 8)
        count = self.chance.randint(1, min(4, (1 << bits)))
        labels = list(_LABELS)
        chosen: dict[int, str] = {}
        for _ in range(count):
            chosen[self.chance.randint(0, (1 << bits) - 1)] = labels.pop(
                self.chance.randint(0, len(labels) - 1)
            )
        made: Entry = {"name": self.name(scope), "bits": bits, "states": dict(sorted(chosen.items()))}
        top = (1 << bits) - 1
        if top not in chosen and len(chosen) < top and self.odds(3):
            made["missing"] = self.one(True, top, [{"code": top, "reason": "not read"}])
        if self.odds(5):
            made["default"] = self.chance.choice(tuple(chosen.values()))
        return made, bits

    def flag(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        made: Entry = {"name": self.name(scope), "kind": "flag"}
        if self.odds(5):
            made["default"] = self.one(False, True)
        return made, 1

    def constant(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        bits = self.width(style)
        kind = self.one("constant", "sync")
        made: Entry = {
            "name": self.name(scope),
            "kind": kind,
            "bits": bits,
            "code": self.chance.randint(0, (1 << bits) - 1),
        }
        self.turn(made, bits, style)
        return made, bits

    def tag(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        bits = min(self.width(style), 16)
        code = self.chance.randint(0, (1 << bits) - 1)
        made: Entry = {"name": self.name(scope), "kind": "tag", "bits": bits, "code": code}
        if bits > 2 and not self.odds(3):
            low = self.chance.randint(0, (1 << bits) - 4)
            made["code"] = self.one(
                [low, low + 2], {"from": low, "to": low + 3}, [{"from": low, "to": low + 1}, low + 3]
            )
        self.turn(made, bits, style)
        if "frame_id" in self.roles and self.odds(3):
            made["role"] = "frame_id"
            self.roles.discard("frame_id")
        return made, bits

    def reserved(self, scope: _Scope, style: _Style) -> tuple[Entry, int]:
        bits = self.chance.randint(1, 9)
        made: Entry = {"kind": "reserved", "bits": bits}
        if self.odds(2):
            made["name"] = self.name(scope)
        if self.odds(4):
            made["strict"] = self.one(True, False)
        return made, bits

    # -- what holds others -------------------------------------------------------------------------

    def group(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """A plain group, at times with an octet order of its own; its members go on where it stands."""
        made: Entry = {"name": self.name(scope), "group": []}
        if self.odds(3):
            made["order"] = self.one("little", "big")
            style = replace(style, order=made["order"])
        inner = self.inside(scope, made)
        for _ in range(self.chance.randint(1, 3)):
            self.member(made["group"], inner, place, style, depth + 1)
        self.something(made["group"], inner, place, style)
        self.counts_used(made["group"], inner, place, style)
        self.cover(made["group"], inner, style)
        self.add(fields, scope, place, made, 0)

    def inside(self, scope: _Scope, made: Entry) -> _Scope:
        return _Scope(scope, path=f"{made['name']}.")

    def other_packing(
        self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int
    ) -> None:
        """A group that fills its octets from their other end, on whole octets."""
        self.to_octet(fields, scope, place)
        made: Entry = {"name": self.name(scope), "group": []}
        made["packing"] = "most_significant_first" if style.least else "least_significant_first"
        self.mixed = True
        inner_style = replace(style, least=not style.least)
        inner = self.inside(scope, made)
        for _ in range(self.chance.randint(1, 3)):
            self.member(made["group"], inner, place, inner_style, depth + 1)
        self.something(made["group"], inner, place, inner_style)
        self.counts_used(made["group"], inner, place, inner_style)
        self.to_octet(made["group"], inner, place)
        self.cover(made["group"], inner, inner_style)
        self.add(fields, scope, place, made, 0)

    def words(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """A group packed into words whose low octet is sent first: fields of fixed size that fill its words."""
        self.to_octet(fields, scope, place)
        word = int(self.one(16, 32, 64))
        made: Entry = {"name": self.name(scope), "group": [], "order": "little", "word_bits": word}
        inner, inner_style = self.inside(scope, made), _Style(words=True)
        inside = replace(place)
        used = 0
        for _ in range(self.chance.randint(1, 4)):
            draw = self.one(
                self.number, self.number, self.by_meaning, self.states, self.flag, self.reserved, self.float
            )
            entry, bits = draw(inner, inner_style)
            self.add(made["group"], inner, inside, entry, bits)
            used += bits
        before = len(made["group"])
        if self.odds(3):
            self.check(made["group"], inner, inside, inner_style)
            used += sum(self.check_width(one) for one in made["group"][before:])
        while used % word:
            spare = min(word - used % word, 64)
            self.add(made["group"], inner, inside, {"kind": "reserved", "bits": spare}, spare)
            used += spare
        self.cover(made["group"], inner, inner_style)
        self.add(fields, scope, place, made, used)

    def flags(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """A set of flags, with a part of several bits at times."""
        made: Entry = {"name": self.name(scope), "flags": []}
        inner = self.inside(scope, made)
        used = 0
        for _ in range(self.chance.randint(1, 4)):
            if self.odds(4):
                part = self.one(
                    {"bits": 2},
                    {"bits": 3, "states": {0: "idle", 5: "busy"}},
                    {"kind": "flag", "default": True},
                )
                part = {"name": self.name(inner), **part}
            else:
                part = {"name": self.name(inner), "kind": "flag"}
            made["flags"].append(part)
            inner.entries[part["name"]] = part
            used += part.get("bits", 1)
        total: int | None = used
        if self.odds(8):
            made["repeat"] = self.chance.randint(1, 3)
            total = used * made["repeat"]
        self.add(fields, scope, place, made, total)

    def repeat(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """A group that is there a fixed number of times."""
        made: Entry = {"name": self.name(scope), "repeat": self.chance.randint(1, 4), "group": []}
        whole = self.element(made, scope, place, style, depth)
        self.add(fields, scope, place, made, 0 if whole else None)

    def element(self, made: Entry, scope: _Scope, place: _Place, style: _Style, depth: int) -> bool:
        """Draw what an element holds; True where it is whole octets, so that what follows is where it was."""
        whole = place.octet == 0 and self.odds(2)
        inside, inner = _Place(0 if whole else None, 0, whole), self.inside(scope, made)
        inner.outer = _Scope(scope)  # nothing after it can see into it
        for _ in range(self.chance.randint(1, 3)):
            self.member(made["group"], inner, inside, style, depth + 1)
        if not _is_fixed(made):
            self.leaf(made["group"], inner, inside, *self.number(inner, style))
        self.certain_bit(made["group"], inner, inside, style)
        self.counts_used(made["group"], inner, inside, style)
        if self.odds(5):
            self.check(made["group"], inner, inside, style)
        if whole:
            self.to_octet(made["group"], inner, inside)
        self.cover(made["group"], inner, style)
        return whole

    def certain_bit(self, group: list[Entry], scope: _Scope, place: _Place, style: _Style) -> None:
        """Make sure that an element has at least one bit."""
        if not any(_certainly_there(entry) for entry in group):
            self.add(group, scope, place, *self.flag(scope, style))

    def counted(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """A count and what it counts: a list of groups or of values, or two lists of one length."""
        bits = 8 if style.turned else self.chance.randint(1, 4)
        count: Entry = {"name": self.name(scope), "kind": "count", "bits": bits}
        most = (1 << bits) - 1
        if most > 5 or self.odds(4):
            count["maximum"] = self.chance.randint(1, min(most, 6))
        self.add(fields, scope, place, count, bits)
        for _ in range(self.chance.randint(0, 1)):
            self.member(fields, scope, place, style, depth + 1)
        self.list_of(fields, scope, place, style, depth, count["name"])
        if self.odds(2):
            self.list_of(fields, scope, place, style, depth, count["name"])

    def list_of(
        self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int, count: str
    ) -> None:
        """A list that a count counts."""
        counter = dict(self.visible(scope)).get(count)
        if counter is None or counter.get("kind") != "count":
            return
        made: Entry = {"name": self.name(scope), "repeat": {"count": count}}
        if self.odds(3):
            value, bits = self.one(self.number, self.by_meaning, self.states)(scope, style)
            value = {key: word for key, word in value.items() if key not in _ROLE_WORDS}
            self.add(fields, scope, place, {**value, **made}, 0 if bits % 8 == 0 else None)
            return
        made["group"] = []
        whole = self.element(made, scope, place, style, depth)
        self.add(fields, scope, place, made, 0 if whole else None)
        if self.odds(6):
            condition = self.condition(scope, below=made["name"])
            if condition is not None:
                made["present_when"] = condition

    def counts_used(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style) -> None:
        """Give every count of this group a list, should its own have found no place."""
        for name, entry in list(scope.entries.items()):
            if entry.get("kind") == "count" and not _is_counted(name, fields):
                made = {"name": self.name(scope), "bits": 8, "repeat": {"count": name}}
                self.add(fields, scope, place, made, 0)

    def option(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int) -> None:
        """A group, or a list, that is not always there; a flag for it goes before it where nothing else can tell."""
        condition = self.condition(scope) if not self.odds(3) else None
        if condition is None:
            entry, bits = self.flag(scope, style)
            self.add(fields, scope, place, entry, bits)
            condition = self.one(entry["name"], entry["name"], {entry["name"]: 0})
        made: Entry = {"name": self.name(scope), "present_when": condition, "group": []}
        if self.odds(5):
            made["repeat"] = self.chance.randint(1, 3)
            whole = self.element(made, scope, place, style, depth)
        else:
            inside, inner = replace(place), _Scope(_Scope(scope), path=f"{made['name']}.")
            for _ in range(self.chance.randint(1, 3)):
                self.member(made["group"], inner, inside, style, depth + 1)
            self.counts_used(made["group"], inner, inside, style)
            self.something(made["group"], inner, inside, style)
            if self.odds(5):
                self.check(made["group"], inner, inside, style)
            whole = place.octet == 0 and self.odds(2)
            if whole:
                self.to_octet(made["group"], inner, inside)
            self.cover(made["group"], inner, style)
        place.inner = place.inner if whole and place.inner == 0 and place.octet == 0 else None
        self.add(fields, scope, place, made, 0 if whole else None)

    def condition(self, scope: _Scope, below: str = "") -> Any:
        """What tells that a field is there: any visible field that can, in any form; None where there is none."""
        options: list[tuple[str, Entry]] = []
        for name, entry in self.visible(scope):
            if name.partition(".")[0] == below:
                continue
            is_number = entry.get("kind") is None and "bits" in entry and "preset" not in entry
            if entry.get("kind") in ("flag", "tag", "count") or "states" in entry or is_number:
                options += [(name, entry)] * (3 if "states" in entry else 1)
        options = [(name, entry) for name, entry in options if _is_single(entry)]
        if not options:
            return None
        name, entry = self.chance.choice(options)
        if entry.get("kind") == "flag":
            return self.one(name, name, {name: 1}, {name: 0})
        if "states" in entry:
            labels, codes = list(entry["states"].values()), list(entry["states"])
            return {name: self.one(labels[0], labels[:2], codes[0], [codes[-1], labels[0]])}
        bits = entry["bits"]
        least = -(1 << bits - 1) if entry.get("signed") else 0
        code = self.chance.randint(least, least + (1 << bits) - 1)
        if entry.get("kind") == "count":
            code = self.chance.randint(0, min((1 << bits) - 1, 3))
        if entry.get("kind") == "tag":
            code = _first_code(entry["code"])
        last = self.chance.randint(code, least + (1 << bits) - 1)
        return {name: self.one(code, {"from": code, "to": last}, [code, last] if last > code else code)}

    def visible(self, scope: _Scope) -> Iterator[tuple[str, Entry]]:
        """Names that mean something here, inner ones hiding outer ones, with the members of plain groups by dotted names."""
        hidden: set[str] = set()
        here: _Scope | None = scope
        while here is not None:
            for name, entry in here.entries.items():
                if name in hidden:
                    continue
                hidden.add(name)
                yield name, entry
                yield from _members(name, entry)
            here = here.outer

    def to_end(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style) -> None:
        """A list that runs to the frame's end, where all before it has a known bound."""
        self.counts_used(fields, scope, place, style)
        self.ends = True
        made: Entry = {"name": self.name(scope), "repeat": {"to_end": True}}
        if self.odds(2):
            made["repeat"]["maximum"] = self.chance.randint(1, 9)
        bits = 8
        if self.odds(3):
            value, bits = self.number(scope, style)
            value = {key: word for key, word in value.items() if key not in _ROLE_WORDS}
            made = {**value, **made}
        if bits < 8 or "bits" not in made:
            made = {"name": made["name"], "repeat": made["repeat"], "group": []}
            inner = _Scope(_Scope(scope))
            inside, bits = _Place(None, 0), 0
            for _ in range(self.chance.randint(1, 3)):
                entry, width = self.one(self.number, self.by_meaning, self.states, self.flag)(inner, style)
                self.add(made["group"], inner, inside, entry, width)
                bits += width
            if bits < 8 or self.odds(2):
                spare = 8 if bits % 8 == 0 else 8 - bits % 8 + (8 if bits < 8 else 0)
                spare = spare if bits < 8 or bits % 8 else 0
                if spare:
                    self.add(made["group"], inner, inside, {"kind": "reserved", "bits": spare}, spare)
                    bits += spare
        self.add(fields, scope, place, made, 0 if bits % 8 == 0 else None)

    # -- checks ------------------------------------------------------------------------------------

    def inner_check(
        self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style, depth: int
    ) -> None:
        if not style.words:
            self.check(fields, scope, place, style)

    def check(self, fields: list[Entry], scope: _Scope, place: _Place, style: _Style) -> None:
        """A check over everything before it, where that is something; `cover` may give it another span once its group is whole."""
        if not any(_certainly_there(one) for one in fields):
            return
        changed = style.least is not self.least or any(_changes_packing(one) for one in fields)
        if changed and not place.starts_octet:
            return  # octets of its span would be made of bits of both packings
        made: Entry = {"name": self.name(scope), "kind": "check"}
        bits = self.algorithm(made, style, whole=place.inner == 0)
        if style.words:
            pass  # their order is fixed
        elif self.odds(4) and bits % 8 == 0:
            made["stored"] = self.one("high_octet_first", "low_octet_first")
        elif self.odds(8):
            made["stored"] = "bits_reversed"
        if self.odds(6):
            made["bits"] = bits
        made["_at"] = len(fields)
        self.add(fields, scope, place, made, bits)

    def algorithm(self, made: Entry, style: _Style, *, whole: bool) -> int:
        """Choose what a check computes, of what its span allows; return its bits. whole: the span is certainly whole octets."""
        fitting = _TURNED_CRCS if style.least else _PLAIN_CRCS
        anything: Sequence[str] = (*_PLAIN_CRCS, *_TURNED_CRCS, *_SUMS)
        form = self.chance.randint(0, 3)
        if not whole and form == 3:
            made["fill"] = "zero"
        names = anything if whole or "fill" in made else fitting
        if style.turned:
            names = [name for name in names if _check_bits(name) % 8 == 0 or _check_bits(name) < 8]
        if form == 2 and ("fill" not in made):
            return self.custom(made, style, whole)
        made["algorithm"] = self.chance.choice(names)
        return _check_bits(made["algorithm"])

    def custom(self, made: Entry, style: _Style, whole: bool) -> int:
        """A CRC by its parameters, of any width that its group can turn."""
        width = int(self.one(8, 16, 32) if style.turned else self.chance.randint(3, self.one(16, 32, 64, 82)))
        top = (1 << width) - 1
        reflect_in = self.one(True, False) if whole else style.least
        made["algorithm"] = {
            "width": width,
            "polynomial": self.chance.randint(0, top) | 1,
            "initial": self.one(0, top, self.chance.randint(0, top)),
            "reflect_in": reflect_in,
            "reflect_out": self.one(False, True),
            "final_xor": self.one(0, top),
        }
        return width

    def cover(self, fields: list[Entry], scope: _Scope, style: _Style, *, whole: bool = False) -> None:
        """Give some of a group's checks other spans: names, a range, the whole frame. whole: this is the frame itself."""
        checks = [entry for entry in fields if entry.get("kind") == "check" and "_at" in entry]
        for entry in checks:
            at = entry.pop("_at")
            last = entry is checks[-1]
            form = self.chance.randint(0, 7)
            if form < 2:
                if self.odds(4):
                    entry["covers"] = "everything_before"
                if not any(_certainly_there(before) for before in fields[:at]):
                    self.by_names(entry, fields, style)
            elif form == 2:
                self.by_names(entry, fields, style)
            elif form < 6:
                self.by_range(entry, fields, style)
            elif whole and last and not any(_holds_check(other) for other in fields[at + 1 :]):
                entry["covers"] = "whole_frame"
                self.own_bits(entry, style)

    def own_bits(self, entry: Entry, style: _Style) -> None:
        """How a check counts inside its span."""
        if self.odds(2):
            whole = self.check_width(entry) % 8 == 0
            entry["self"] = self.one("zero", "ones", *(["skip"] if whole or not self.mixed else []))
        if entry.get("self") == "skip" and self.check_width(entry) % 8:
            self.partial(entry, style)

    def check_width(self, entry: Entry) -> int:
        asked = entry["algorithm"]
        return int(asked["width"]) if isinstance(asked, dict) else _check_bits(asked)

    def partial(self, entry: Entry, style: _Style) -> None:
        """Make a check fit for a span that may end inside an octet: its algorithm stays, if it can."""
        asked = entry["algorithm"]
        plain = isinstance(asked, dict) or asked.startswith("CRC")
        turned = asked["reflect_in"] if isinstance(asked, dict) else asked in _TURNED_CRCS
        if "fill" in entry or (plain and turned is style.least):
            return
        entry["fill"] = "zero"

    def by_names(self, entry: Entry, fields: list[Entry], style: _Style) -> None:
        """Cover one to three fields of the same group, before or after the check."""
        named = [
            one
            for one in fields
            if "name" in one and _certainly_there(one) and not _holds_check(one) and not _changes_packing(one)
        ]
        if not named:
            entry["covers"] = "everything_before"
            return
        chosen: dict[str, Entry] = {}
        for _ in range(self.chance.randint(1, 3)):
            one = self.chance.choice(named)
            chosen[one["name"]] = one
        names = list(chosen)
        entry["covers"] = names[0] if len(names) == 1 and self.odds(2) else names
        whole = [
            one["name"]
            for one in fields
            if "packing" in one and _certainly_there(one) and not _holds_check(one)
        ]
        if whole and self.odds(2):  # all of a group that lies on whole octets
            entry["covers"] = self.chance.choice(whole)
        self.partial(entry, style)

    def by_range(self, entry: Entry, fields: list[Entry], style: _Style) -> None:
        """Cover a stretch of the same group, with a field left out where it has three; the check may lie inside."""
        stretch = self.chance.choice(_stretches(fields, entry))
        named = [one for one in stretch if "name" in one and _certainly_there(one)]
        if not named or named == [entry]:
            return
        at = self.chance.randint(0, len(named) // 2)
        covered = named[at : at + self.chance.randint(max(len(named) - at - 2, 1), len(named) - at)]
        if covered == [entry]:
            return
        entry["covers"] = {"from": covered[0]["name"], "to": covered[-1]["name"]}
        left = [one for one in covered[1:-1] if one is not entry]
        if left:
            entry["covers"]["except"] = [self.chance.choice(left)["name"]]
        first, last = (stretch.index(one) for one in (covered[0], covered[-1]))
        if any(one is entry for one in stretch[first : last + 1]):
            self.own_bits(entry, style)
        self.partial(entry, style)


# -- what is known of an entry ---------------------------------------------------------------------------------


def _least_width(n: int, missing: bool) -> int:
    bits = max(n.bit_length(), 1)
    return bits + 1 if missing and (1 << bits) - 1 == n else bits


def _check_bits(name: str) -> int:
    if name in _WIDTHS:
        return _WIDTHS[name]
    return int(name.partition("-")[2].partition("/")[0])


def _is_single(entry: Entry) -> bool:
    return "repeat" not in entry and "present_when" not in entry


def _is_fixed(entry: Entry) -> bool:
    return any(_certainly_there(one) for one in entry["group"])


def _certainly_there(entry: Entry) -> bool:
    """Whether an entry has bits in every frame."""
    if "present_when" in entry or "up_to" in entry or isinstance(entry.get("repeat"), dict):
        return False
    inner = entry.get("group", entry.get("flags"))
    return inner is None or any(_certainly_there(one) for one in inner)


def _holds_check(entry: Entry) -> bool:
    return entry.get("kind") == "check" or any(_holds_check(one) for one in entry.get("group", ()))


def _changes_packing(entry: Entry) -> bool:
    """Whether bits of an entry, or inside it, are numbered from the other end."""
    return "packing" in entry or any(_changes_packing(one) for one in entry.get("group", ()))


def _stretches(fields: list[Entry], check: Entry) -> list[list[Entry]]:
    """Fields one after another that one check may cover together: no other check among them, no bits of the other packing."""
    made: list[list[Entry]] = [[]]
    for one in fields:
        if one is not check and (_holds_check(one) or _changes_packing(one)):
            made.append([])
        else:
            made[-1].append(one)
    return [stretch for stretch in made if stretch] or [[]]


def _members(name: str, entry: Entry) -> Iterator[tuple[str, Entry]]:
    """The members of a plain group by dotted names."""
    if not _is_single(entry):
        return
    for one in (*entry.get("group", ()), *entry.get("flags", ())):
        if "name" in one:
            yield f"{name}.{one['name']}", one
            yield from _members(f"{name}.{one['name']}", one)


def _is_counted(name: str, fields: list[Entry]) -> bool:
    """Whether a list of this group, or inside it, is counted by a name; a name hidden further in does not count."""
    for one in fields:
        repeat = one.get("repeat")
        if isinstance(repeat, dict) and repeat.get("count") == name:
            return True
        inner = one.get("group", ())
        if not any(member.get("name") == name for member in inner) and _is_counted(name, inner):
            return True
    return False


def _first_code(code: Any) -> int:
    if isinstance(code, list):
        return _first_code(code[0])
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
    nested = "group" if "group" in entry else "flags"
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
