"""Drawing what a length measures, what a tag chooses, and texts: the parts of a frame whose size something else tells."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from packetkit.conformance.faults import Chance
from packetkit.fuzz.covers import Covers
from packetkit.fuzz.entries import Entry, Place, Scope, Style, check_bits, is_single
from packetkit.layout.coding import CODINGS

_SIX_BITS = {"bits": 6, "characters": {1: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", 32: " ", 48: "0123456789"}}
_FIVE_BITS = {"bits": 5, "characters": " ABCDEFGHIJKLMNOPQRSTUVWXYZ.,-/?"}
# Numbers whose first bits say how many follow: in a part of an octet, on whole octets, low octet first, and with first bits that are
# part of the number; an argument of five bits and more completes an octet.
_FIRST_BITS: tuple[Entry, ...] = (
    {"first_bits": 1, "forms": [{"code": 0, "bits": 7}, {"code": 1, "bits": 15, "offset": 128}]},
    {"first_bits": 2, "forms": [{"code": code, "bits": bits} for code, bits in enumerate((6, 14, 30, 62))]},
    {
        "first_bits": 8,
        "forms": [{"from": 0, "to": 127}, {"code": 0x81, "bits": 8}, {"code": 0x82, "bits": 16}],
    },
    {
        "first_bits": 8,
        "order": "little",
        "forms": [{"from": 0, "to": 252}, {"code": 253, "bits": 16}, {"code": 254, "bits": 32}],
    },
    {
        "first_bits": 4,
        "forms": [{"from": 0, "to": 3, "bits": 4}, {"from": 4, "to": 7, "bits": 12, "offset": 64}],
    },
)
_ARGUMENT: Entry = {
    "first_bits": 5,
    "forms": [
        {"from": 0, "to": 23},
        {"code": 24, "bits": 8},
        {"code": 25, "bits": 16},
        {"code": 27, "bits": 64},
    ],
}
_BASE_40 = " ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-./"


class Structures(Covers):
    """Draws texts, lengths, variants and computed counts. Members inside them come from the class below."""

    def __init__(self, chance: Chance, *, parts: bool = True) -> None:
        super().__init__(chance)
        self.parts_too = parts and not self.odds(3)
        self.ends = False  # something runs to the frame's end
        self.parts = 0

    @abstractmethod
    def member(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """Draw one member of a group."""

    @abstractmethod
    def to_octet(self, fields: list[Entry], scope: Scope, place: Place) -> None:
        """Make sure that the next bit begins an octet."""

    @abstractmethod
    def condition(self, scope: Scope, below: str = "", *, judging: bool = False) -> Any:
        """What tells that a field is there."""

    @abstractmethod
    def counts_used(self, fields: list[Entry], scope: Scope, place: Place, style: Style) -> None:
        """Give every count of a group a list."""

    @abstractmethod
    def varied(self, made: Entry, scope: Scope, place: Place, style: Style) -> tuple[Entry, int | None]:
        """A list to the end, whose elements mostly differ in size, and the bits after it."""

    # -- texts -------------------------------------------------------------------------------------

    def fixed_text(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A text, or octets, of a fixed number of characters."""
        made: Entry = {"name": self.name(scope)}
        count = self.chance.randint(1, 6)
        bits = self.characters(made)
        made["length"] = count
        return made, count * bits

    def characters(self, made: Entry, *, fill: bool = True) -> int:
        """Choose what a text is made of; return the bits of a character."""
        form = self.chance.randint(0, 4)
        made["kind"] = "bytes" if form == 0 else "text"
        if form == 2:
            made["encoding"] = "utf_8"
        if form > 2:
            made["alphabet"] = _SIX_BITS if form == 3 else _FIVE_BITS
        if fill and form and self.odds(2):
            made["fill"] = " "
        elif fill and self.odds(3):
            made["fill"] = self.one("zero", 0)
        if form in (1, 2) and self.odds(2):
            made["ends_with"] = 0
        return {3: 6, 4: 5}.get(form, 8)

    def radix_text(self, scope: Scope, style: Style) -> tuple[Entry, int]:
        """A text that is sent as one number."""
        length, bits = self.one((3, 16), (6, 32), (9, 48), (2, 13), (12, 64))
        if style.turned and bits % 8:
            length, bits = 3, 16
        made: Entry = {"name": self.name(scope), "kind": "radix_text", "bits": bits, "length": length}
        made["characters"] = _BASE_40
        if self.odds(2):
            made["first_character"] = self.one("most_significant", "least_significant")
        if not self.odds(3):
            made["fill"] = " "
        return made, bits

    def going_on(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A number of as many octets as it needs: once, several times, or not always."""
        if style.words:
            return
        self.to_octet(fields, scope, place)
        made: Entry = {"name": self.name(scope), "bits": self.one(5, 7, 14, 28, 32, 64)}
        made["coding"] = self.one(*(name for name, one in CODINGS.items() if one.continued))
        if not style.least and self.odds(2):
            del made["bits"]
            made["coding"] = self.one(*_FIRST_BITS, _ARGUMENT)
            if made["coding"] is _ARGUMENT:
                self.add(fields, scope, place, {"name": self.name(scope), "bits": 3}, 3)
                made["name"] = self.name(scope)
                self.add(fields, scope, place, made, 5)
                return
        if self.odds(3):
            made["scale"], made["offset"] = self.one(1, 2, -3), self.chance.randint(-9, 9)
        self.policy(made, scope)
        if self.odds(3) and "flag" not in made:
            made["repeat"] = self.chance.randint(1, 3)
        condition = self.condition(scope) if self.odds(4) and "flag" not in made else None
        if condition is not None:
            made["present_when"] = condition
        self.add(fields, scope, place, made, 0)

    def counted_text(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A count and the text that it counts."""
        bits = 8 if style.turned else self.chance.randint(2, 4)
        count: Entry = {
            "name": self.name(scope),
            "kind": "count",
            "bits": bits,
            "maximum": self.chance.randint(1, 3),
        }
        if not style.words and self.odds(4):
            self.to_octet(fields, scope, place)
            count["coding"], bits = self.one("continued_low_first", "continued_high_first"), 0
            if not style.least and self.odds(2):
                del count["bits"]
                count["coding"] = self.one(*_FIRST_BITS[1:])
        self.add(fields, scope, place, count, bits)
        made: Entry = {"name": self.name(scope)}
        width = self.characters(made)
        made["length"] = {"count": count["name"]}
        if made["name"] == count["name"]:
            return
        self.add(fields, scope, place, made, 0 if width == 8 else None)

    # -- measured parts ----------------------------------------------------------------------------

    def measured(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A length and what it measures: octets, a text, or a group that may end in what fills it."""
        self.to_octet(fields, scope, place)
        unit = self.one("bytes", "bytes", "bits", "words", "words")
        if unit == "words":
            unit = self.one("words_of_16", "words_of_16", "words_of_64")
        length: Entry = {
            "name": self.name(scope),
            "kind": "length",
            "bits": 16 if unit == "bits" else 8,
            "in": unit,
        }
        self.parts += 1
        target: Entry = {"name": f"part{self.parts}"}  # a name that nothing inside it hides
        length["measures"] = target["name"]
        if self.odds(4):
            length["less"] = self.chance.randint(-2, 1)
        inside = self.odds(3)
        if not inside:
            if not style.words and self.odds(2):
                if self.odds(2):
                    length["less"] = -self.chance.randint(100, 200)  # so that it has several octets
                length |= {
                    "bits": self.one(10, 14),
                    "coding": self.one("continued_low_first", "continued_high_first"),
                }
                if not style.least and self.odds(2):
                    del length["bits"]
                    length["coding"] = self.one(*_FIRST_BITS)
            self.add(fields, scope, place, length, 0 if "coding" in length else length["bits"])
            if self.odds(3):
                self.member(fields, scope, place, style, depth + 1)
                self.to_octet(fields, scope, place)
        form = self.chance.randint(0, 2)
        if unit == "bytes" and not inside and self.odds(2):
            self.blocks(target, length, scope)
        elif form == 0 and not inside:
            width = self.characters(target, fill=False)
            target["length"] = "rest"
            if width != 8 or unit.startswith("words"):
                length["fill"], target["fill"] = "zero", 0
                place.octet = None if unit == "bits" else place.octet
        else:
            filled = unit.startswith("words") or self.odds(4)
            self.measured_group(target, length if inside else None, scope, place, style, depth, filled)
            if filled:
                length["fill"] = "zero"
        self.add(fields, scope, place, target, 0)
        place.inner = None if unit == "bits" else place.inner

    def blocks(self, made: Entry, length: Entry | None, scope: Scope) -> None:
        """Octets in blocks, as many as fit into each, with a check behind each; length: what measures them, mostly without those."""
        every = int(self.one(1, 2, 5, 16))
        made |= {"repeat": {"to_end": True}, "group": []}
        inner, inside = Scope(Scope(scope)), Place(0)
        self.add(
            made["group"],
            inner,
            inside,
            {"name": self.name(inner), "kind": "bytes", "length": {"at_most": every}},
            0,
        )
        octets = 0
        if self.odds(3):
            self.add(made["group"], inner, inside, {"name": self.name(inner), "bits": 8}, 8)
            octets = 1
        check: Entry = {"name": self.name(inner), "kind": "check"}
        check["algorithm"] = self.one("SUM-8", "CRC-8/SMBUS", "CRC-16/IBM-3740", "CRC-16/MODBUS")
        octets += check_bits(check["algorithm"]) // 8
        self.add(made["group"], inner, inside, check, check_bits(check["algorithm"]))
        if length is not None and not self.odds(4):
            length["not_counted"] = {"every": every, "octets": octets}

    def measured_group(
        self,
        made: Entry,
        length: Entry | None,
        scope: Scope,
        place: Place,
        style: Style,
        depth: int,
        filled: bool,
    ) -> None:
        """The members of a measured group; length: the field that measures it, where it stands inside."""
        made["group"] = []
        inner = Scope(scope, path=f"{made['name']}.")
        inside = replace(place)
        if length is not None:
            self.add(made["group"], inner, inside, length, length["bits"])
        for _ in range(self.chance.randint(1, 2)):
            self.member(made["group"], inner, inside, style, depth + 1)
        if not made["group"]:
            self.add(made["group"], inner, inside, *self.flag(inner, style))
        self.counts_used(made["group"], inner, inside, style)
        self.to_octet(made["group"], inner, inside)
        if self.odds(2):
            self.rest(made["group"], inner, inside, style, in_words=filled)
        if self.odds(5):
            self.check(made["group"], inner, inside, style)
            self.to_octet_bits(made["group"], inner, inside)
        self.cover(made["group"], inner, style)
        place.octet, place.inner = inside.octet, None

    def to_octet_bits(self, fields: list[Entry], scope: Scope, place: Place) -> None:
        """Go on to an octet by reserved bits of a known number: a fill could hide the end of what runs to it."""
        if place.octet:
            self.add(fields, scope, place, {"kind": "reserved", "bits": 8 - place.octet}, 8 - place.octet)
            place.octet = 0

    def rest(
        self, fields: list[Entry], scope: Scope, place: Place, style: Style, *, in_words: bool = False
    ) -> None:
        """What runs to the end of a part: octets, a list, or fields that are there while bytes remain.

        in_words: the part is filled to words, which could hide anything narrower.
        """
        form = 1 if in_words else self.one(0, 1, 1, 2)
        behind = [self.condition(scope) for _ in range(self.one(0, 0, 1, 2))]
        meant = dict(self.visible(scope, into_options=True))
        if form == 0:
            made: Entry = {"name": self.name(scope), "kind": self.one("bytes", "text"), "length": "rest"}
            self.add(fields, scope, place, made, 0)
        elif form == 1 and not in_words and not self.odds(3):
            made = {"name": self.name(scope), "repeat": {"to_end": True}}
            made, bits = self.varied(made, scope, place, style)
            self.add(fields, scope, place, made, bits)
            self.to_octet_bits(fields, scope, place)
        elif form == 1:
            made = {
                "name": self.name(scope),
                "bits": 64 if in_words else self.one(8, 16),
                "repeat": {"to_end": True},
            }
            self.add(fields, scope, place, made, 0)
        else:
            for _ in range(self.chance.randint(1, 3)):
                made = {"name": self.name(scope), "bits": self.one(8, 16), "present_when": "bytes_remain"}
                self.add(fields, scope, place, made, 0)
        for condition in filter(None, behind):
            self.sometimes(fields, scope, place, condition, meant)

    def sometimes(
        self, fields: list[Entry], scope: Scope, place: Place, condition: Any, meant: Mapping[str, Entry]
    ) -> None:
        """What follows an end only where a field before that end, as names were meant there, says so."""
        asked = condition if isinstance(condition, str) else next(iter(condition))
        made: Entry = {"name": self.name(scope), "bits": self.one(8, 16, 32), "present_when": condition}
        visible = dict(self.visible(scope, into_options=True))
        if visible.get(asked) is meant[asked] and made["name"] != asked.partition(".")[0]:
            self.add(fields, scope, place, made, 0)

    def frame_length(self, fields: list[Entry], scope: Scope, place: Place) -> None:
        """A field that says how long the whole frame is."""
        made: Entry = {"name": self.name(scope), "kind": "length", "bits": 16, "measures": "whole_frame"}
        if self.odds(3):
            made["less"] = self.chance.randint(-3, 3)
        self.add(fields, scope, place, made, 16)

    # -- variants ----------------------------------------------------------------------------------

    def variants(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """One of several forms, told by one field or two before it."""
        tellers = [self.teller(fields, scope, place, style, may_vary=True) for _ in range(self.one(1, 1, 2))]
        if len({name for name, _ in tellers}) < len(tellers):
            return
        self.to_octet(fields, scope, place)
        made: Entry = {"name": self.name(scope), "told_by": [name for name, _ in tellers]}
        if made["name"] in made["told_by"]:
            return
        made["variants"] = []
        codes = list(range(1 << min(bits for _, bits in tellers)))
        names = ("alpha", "bravo", "charlie")
        for at in range(self.chance.randint(1, min(3, len(codes)))):
            when: dict[str, Any] = {tellers[0][0]: codes[at]}
            if at == 2 and len(codes) > 4:  # the last code has no variant in one of two
                when = {tellers[0][0]: {"from": 2, "to": codes[-1] - self.chance.randint(0, 1)}}
            if len(tellers) > 1 and self.odds(2):
                when[tellers[1][0]] = [0, 1] if tellers[1][1] > 1 else 1
            made["variants"].append(self.variant(names[at], when, scope, place, style, depth))
        varies = any("coding" in entry for entry in fields if entry.get("name") == tellers[0][0])
        if len(tellers) == 1 and not varies and self.odds(5):
            made["variants"][-1]["when"] = "otherwise"
        self.add(fields, scope, place, made, 0)
        place.inner = None

    def turns(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """Variants that take turns, told by the frame's sequence."""
        if depth or "sequence" not in self.roles:
            return
        self.roles.remove("sequence")
        several, bits = self.chance.randint(2, 4), 8 if style.turned else self.chance.randint(2, 9)
        if style.turned or not self.odds(3):
            self.to_octet(fields, scope, place)
        sequence: Entry = {"name": self.name(scope), "bits": bits, "role": "sequence"}
        if (1 << bits) % several:
            sequence["modulus"] = (1 << bits) - (1 << bits) % several
        self.add(fields, scope, place, sequence, bits)
        made: Entry = {"name": self.name(scope), "told_by": sequence["name"], "in_turn": True, "variants": []}
        if made["name"] == made["told_by"]:
            return
        widest = 0
        for name in ("alpha", "bravo", "charlie", "delta")[:several]:
            group: list[Entry] = []
            inner, inside, size = Scope(Scope(scope)), replace(place), 0
            for _ in range(self.chance.randint(1, 3)):
                entry, width = self.one(self.number, self.by_meaning, self.states, self.flag)(inner, style)
                self.add(group, inner, inside, entry, width)
                size += width
            made["variants"].append({"name": name, "group": group})
            widest = max(widest, size)
        self.add(fields, scope, place, made, widest)
        place.inner = None

    def teller(
        self, fields: list[Entry], scope: Scope, place: Place, style: Style, *, may_vary: bool = False
    ) -> tuple[str, int]:
        """A field that tells variants apart: its name and its bits, or the least of those that its number needs."""
        if may_vary and not style.words and not style.least and self.odds(5):
            self.to_octet(fields, scope, place)
            told: Entry = {"name": self.name(scope), "coding": _FIRST_BITS[1]}
            self.add(fields, scope, place, told, 0)
            return told["name"], 3
        bits = 8 if style.turned or self.odds(2) else self.chance.randint(1, 4)
        made: Entry = {"name": self.name(scope), "bits": bits}
        self.add(fields, scope, place, made, bits)
        return made["name"], bits

    def variant(
        self, name: str, when: dict[str, Any], scope: Scope, place: Place, style: Style, depth: int
    ) -> Entry:
        """One form: nothing, or fields that end on an octet."""
        made: Entry = {"name": name, "when": when}
        if self.odds(6):
            return made
        made["group"] = []
        inner, inside = Scope(Scope(scope)), replace(place)
        for _ in range(self.chance.randint(1, 2)):
            self.member(made["group"], inner, inside, style, depth + 1)
        self.counts_used(made["group"], inner, inside, style)
        if self.odds(6):
            self.check(made["group"], inner, inside, style)
        self.to_octet(made["group"], inner, inside)
        self.cover(made["group"], inner, style)
        if not made["group"]:
            del made["group"]
        return made

    # -- computed counts ---------------------------------------------------------------------------

    def computed(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A list whose count is the product of fields before it, or of the ones in them."""
        factors, bits = list[Any](), 1
        if self.odds(3):
            listed: Entry = {"name": self.name(scope), "kind": "flag", "repeat": self.chance.randint(1, 5)}
            self.add(fields, scope, place, listed, listed["repeat"])
            factors.append({"ones_in": listed["name"]})
        for _ in range(self.chance.randint(0 if factors else 1, 2 - len(factors))):
            name, bits = self.teller(fields, scope, place, replace(style, order=None))
            if name in factors or {"ones_in": name} in factors:
                return
            factors.append({"ones_in": name} if bits > 2 or self.odds(3) else name)
        if not all(
            "kind" in scope.entries.get(one["ones_in"] if isinstance(one, dict) else one, {})
            or is_single(scope.entries.get(one if isinstance(one, str) else one["ones_in"], {}))
            for one in factors
        ):
            return
        product: Entry = {"product_of": factors}
        if self.odds(3):
            product["plus"] = self.chance.randint(0 if bits == 1 else -1, 2)
        made: Entry = {"name": self.name(scope), "bits": 8, "repeat": {"count": product, "maximum": 80}}
        if made["name"] in str(factors):
            return
        self.add(fields, scope, place, made, 0)
