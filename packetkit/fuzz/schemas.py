"""Random schemas: whole mission texts, so that the loader, the resolver and every codec meet what no one thought of.

A schema is drawn as a tree of plain dicts in the words of the language (`Entry`), valid by construction, and then written out as
YAML; the tree is what shrinking cuts at. Positions are tracked only modulo 8, and only while they are certain: where an octet
boundary is needed and not certain, reserved bits up to a byte go in. What would surprise a reader: few field names are in use,
on purpose, so that names inside a group hide names around it and every lookup is tried.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from packetkit.conformance.faults import Chance
from packetkit.errors import SchemaError
from packetkit.fuzz.behind import keep, promise, takes
from packetkit.fuzz.entries import (
    Entry,
    Place,
    Scope,
    Style,
    certainly_there,
    first_code,
    goes_on,
    is_counted,
    is_fixed,
    is_single,
    text_of,
)
from packetkit.fuzz.leaves import ROLE_WORDS, SCALES
from packetkit.fuzz.structures import Structures
from packetkit.layout.model import Fill, Node, Repeat, Run
from packetkit.mission.load import parse
from packetkit.schema.field_keys import ROLES


@dataclass(frozen=True, slots=True)
class Drawn:
    """One random schema: the tree it was drawn as, and its text."""

    frames: dict[str, Entry]

    @property
    def text(self) -> str:
        return text_of(self.frames)


def schema(chance: Chance, *, parts: bool = True) -> Drawn:
    """Return a random schema: mostly of one frame, now and then of two that a tag tells apart, or that are told from outside.

    parts: texts, measured parts, variants and computed counts too, in two of three frames; targets refuse those.
    """

    def frame(code: int | None) -> Entry:
        return _Draw(chance, parts=parts).frame(code)

    if chance.randint(1, 10) == 10:
        inner, size = _to_carry(lambda: frame(None))
        if inner is not None:
            return _told_apart(
                Drawn({"sheet": _Draw(chance, parts=parts).frame(None, inner, size), "inner": inner})
            )
    if chance.randint(1, 8) < 8:
        return Drawn({"sheet": frame(None)})
    if chance.randint(1, 3) < 3:
        return Drawn({name: frame(code) for code, name in enumerate(("first", "second"))})
    frames = {name: frame(None) for name in ("first", "second")}
    for one in frames.values():
        one["told_by"] = "outside"
    return Drawn(frames)


def _to_carry(draw: Callable[[], Entry]) -> tuple[Entry | None, int | None]:
    """Return a frame that can be carried, of fixed size if one of six is, and its bytes; None where none can be."""
    found: Entry | None = None
    for _ in range(6):
        inner = draw()
        text = text_of({"inner": inner})
        # Nothing tells it there, it may start inside a word, or it would be the envelope's.
        if any(words in text for words in ("kind: supplied", "up_to: word", "size_of:")):
            continue
        try:
            layout = parse(text).layouts["inner"]
            # One size by chance, as fill hides what may be absent, is no size that the oracle counts.
            size = layout.size_bytes if all(map(_is_always_so, layout.walk())) else None
        except SchemaError:
            continue
        if size is not None:
            return inner, size
        found = inner
    return found, None


def _is_always_so(node: Node) -> bool:
    """Return whether nothing in a frame decides what a node is made of."""
    return isinstance(node, (Run, Fill)) or (isinstance(node, Repeat) and node.count is not None)


def _told_apart(drawn: Drawn) -> Drawn:
    """The schema; where its two frames cannot be told apart, the carried one is sent in envelopes only."""
    try:
        parse(drawn.text)
    except SchemaError as error:
        if any(problem.rule == "frames-alike" for problem in error.problems):
            drawn.frames["inner"].pop("cadence_s", None)
    return drawn


_Leaf = Callable[[Scope, Style], tuple[Entry, int]]
_Holder = Callable[[list[Entry], Scope, Place, Style, int], None]

_KINDS_ALONE = ("constant", "sync", "tag", "count", "reserved", "check")


class _Draw(Structures):
    """One frame being drawn. Choices come in the order of the wire."""

    # -- frames and groups -------------------------------------------------------------------------

    def frame(self, tag: int | None, carried: Entry | None = None, size: int | None = None) -> Entry:
        """Return a frame; tag: its code in a mission of several; carried: one that it carries, named inner, and its bytes."""
        made: Entry = {}
        style = Style(least=self.odds(5))
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
        place, scope, fields = Place(), takes(Scope(None)), made.setdefault("fields", [])
        if tag is not None:
            self.add(fields, scope, place, {"name": "tag", "kind": "tag", "bits": 8, "code": tag}, 8)
        if self.parts_too and self.odds(6):
            self.frame_length(fields, scope, place)
        self.roles -= {
            role for role in ROLES if carried is not None and f"role: {role}" in text_of({"inner": carried})
        }
        for _ in range(self.chance.randint(2, 8)):
            self.member(fields, scope, place, style, depth=0)
        keep(self, fields, scope, place)
        if carried is not None:
            self.carried(fields, scope, place, size)
        elif self.parts_too and self.odds(6):
            self.ends = True
            self.counts_used(fields, scope, place, style)
            self.to_octet(fields, scope, place)
            self.rest(fields, scope, place, style)
        elif self.odds(6):
            self.to_end(fields, scope, place, style)
        self.something(fields, scope, place, style)
        self.derived(fields, scope)
        self.finish(made, fields, scope, place, style)
        self.cover(fields, scope, style, whole=True)
        return made

    def carried(self, fields: list[Entry], scope: Scope, place: Place, size: int | None) -> None:
        """An envelope's frame, with zeros behind it at times."""
        self.counts_used(fields, scope, place, Style(least=self.least))
        self.to_octet(fields, scope, place)
        made: Entry = {"name": self.name(scope), "carried": "inner"}
        if size is not None and not self.odds(3):
            made["size_bytes"] = size + self.one(0, 1, 9, 20)
        self.mixed = True
        self.add(fields, scope, place, made, 0)
        place.inner = None

    def finish(self, made: Entry, fields: list[Entry], scope: Scope, place: Place, style: Style) -> None:
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

    def something(self, fields: list[Entry], scope: Scope, place: Place, style: Style) -> None:
        """Make sure that a group has a field."""
        if not fields:
            self.add(fields, scope, place, *self.flag(scope, style))

    def to_octet(self, fields: list[Entry], scope: Scope, place: Place) -> None:
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

    def member(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """Draw one member of a group: mostly a value, at times something that holds others."""
        leaves: list[_Leaf] = (
            [self.number] * 3 + [self.by_meaning] * 2 + [self.states, self.flag, self.summary]
        )
        leaves += [self.float, self.time, self.constant, self.reserved, self.tag, self.counter]
        if self.parts_too:
            leaves += [self.radix_text] + [self.bundle] * 2 + ([] if style.words else [self.fixed_text] * 3)
        if self.budget < 4:
            leaves = [self.number]
        holders: list[_Holder] = [self.group, self.repeat, self.counted, self.option, self.option]
        holders += [self.flags, self.inner_check, self.other_packing, self.split]
        if self.parts_too:
            holders += [
                self.measured,
                self.variants,
                self.variants,
                self.counted_text,
                self.computed,
                self.turns,
                self.ended,
                self.going_on,
            ]
        holders += [self.other_packing] if style.least else [self.words] * 2
        at = self.chance.randint(0, len(leaves) + (len(holders) if depth < 3 and self.budget > 4 else 0) - 1)
        if at < len(leaves):
            self.leaf(fields, scope, place, *leaves[at](scope, style))
        else:
            holders[at - len(leaves)](fields, scope, place, style, depth)

    def leaf(self, fields: list[Entry], scope: Scope, place: Place, made: Entry, bits: int) -> None:
        """A field with bits of its own: once, or where it can be, several times or not always."""
        total: int | None = bits
        if made.get("kind") not in _KINDS_ALONE and self.odds(10) and not made.keys() & {"role", "flag"}:
            made["repeat"] = self.chance.randint(1, 4)
            total = bits * made["repeat"]
        if made.get("kind") not in _KINDS_ALONE and "role" not in made and self.odds(8):
            condition = self.condition(scope)
            if condition is not None:
                made["present_when"], total = condition, None if bits % 8 else 0
        if self.parts_too and self.odds(3):
            self.scaled(made, scope)
        if self.parts_too and self.odds(4):
            self.judged(made, scope)
        if self.parts_too and self.odds(6):
            promise(self, made, scope)
        self.add(fields, scope, place, made, total)
        if "present_when" in made:
            place.inner = None if bits % 8 else place.inner

    # -- what holds others -------------------------------------------------------------------------

    def group(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A plain group, at times with an octet order of its own; its members go on where it stands."""
        made: Entry = {"name": self.name(scope), "group": []}
        if self.odds(3):
            made["order"] = self.one("little", "big")
            style = replace(style, order=made["order"])
        inner = takes(self.inside(scope, made))
        for _ in range(self.chance.randint(1, 3)):
            self.member(made["group"], inner, place, style, depth + 1)
        keep(self, made["group"], inner, place)
        self.something(made["group"], inner, place, style)
        self.derived(made["group"], inner)
        self.counts_used(made["group"], inner, place, style)
        self.cover(made["group"], inner, style)
        self.add(fields, scope, place, made, 0)

    def inside(self, scope: Scope, made: Entry) -> Scope:
        return Scope(scope, path=f"{made['name']}.")

    def other_packing(
        self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int
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

    def words(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A group packed into words whose low octet is sent first: fields of fixed size that fill its words."""
        self.to_octet(fields, scope, place)
        word = int(self.one(16, 32, 64))
        made: Entry = {"name": self.name(scope), "group": [], "order": "little", "word_bits": word}
        inner, inner_style = self.inside(scope, made), Style(words=True)
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

    def split(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A group with a value whose bits lie among those of its other fields."""
        made: Entry = {"name": self.name(scope), "group": []}
        inner, inside = self.inside(scope, made), replace(place)
        if style.words:
            return
        runs, at = [], self.one(0, 0, self.chance.randint(1, 6))
        gaps = [at] if at else []
        for _ in range(self.chance.randint(2, 4)):
            runs.append([at, self.chance.randint(1, 9)])
            gaps.append(self.chance.randint(1, 6))
            at += runs[-1][1] + gaps[-1]
        gaps = gaps[: self.one(-1, None)]  # the group ends with a run, or not
        if self.odds(3):
            runs.reverse()
        first = self.one(True, False)
        value = self.split_value(inner, runs)
        check = self.odds(3) and value["bits"] > 2
        if check:
            value = self.split_check(value["name"], runs, style)
        if first:
            self.add(made["group"], inner, inside, value, 0)
        for bits in gaps:
            entry = {"name": self.name(inner), "bits": bits} if bits > 1 else self.flag(inner, style)[0]
            self.add(made["group"], inner, inside, self.one(entry, {"kind": "reserved", "bits": bits}), bits)
        if not first:
            if value["name"] in inner.entries:
                value["name"] = self.name(inner)
            self.add(made["group"], inner, inside, value, 0)
        if check:
            self.cover_split(value, made, inner)
        self.add(fields, scope, place, made, sum(gaps) + sum(width for _, width in runs))

    def split_value(self, scope: Scope, runs: list[list[int]]) -> Entry:
        """A number, or states, in runs of bits."""
        bits = sum(width for _, width in runs)
        if bits < 4 or self.odds(3):
            made: Entry = {"name": self.name(scope), "states": {0: "idle", (1 << bits) - 1: "busy"}}
        else:
            made, _ = self.number(scope, Style(), bits)
        made.pop("order", None)
        return {**made, "bits": bits, "runs": runs}

    def split_check(self, name: str, runs: list[list[int]], style: Style) -> Entry:
        """A check in runs of bits, which takes spans of any number of bits."""
        bits = sum(width for _, width in runs)
        top = (1 << bits) - 1
        algorithm = {
            "width": bits,
            "polynomial": self.chance.randint(0, top) | 1,
            "initial": self.one(0, top),
            "reflect_in": style.least,
            "reflect_out": self.one(False, True),
        }
        return {"name": name, "kind": "check", "runs": runs, "algorithm": algorithm}

    def cover_split(self, check: Entry, group: Entry, inner: Scope) -> None:
        """Let a check in runs cover its whole group, itself in some way, or fields between its runs."""
        names = [entry["name"] for entry in group["group"] if "name" in entry and entry is not check]
        if group["name"] not in inner.entries and (not names or self.odds(2)):
            check["covers"] = group["name"]
            check["self"] = self.one("zero", "ones", "skip")
        elif names:
            check["covers"] = self.one(names, names[:1], names[-1:])
        else:
            check["covers"], check["self"] = "whole_frame", "skip"

    def flags(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
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

    def repeat(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A group that is there a fixed number of times."""
        made: Entry = {"name": self.name(scope), "repeat": self.chance.randint(1, 4), "group": []}
        whole = self.element(made, scope, place, style, depth)
        self.add(fields, scope, place, made, 0 if whole else None)

    def ended(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A list whose elements say which is the last, in a flag or a code of their own; or whose last element is a certain one."""
        how: Entry = {"maximum": self.chance.randint(1, 5)}
        made: Entry = {"name": self.name(scope), "repeat": how}
        word = self.one("goes_on_when", "ends_when")
        if self.odds(4):
            bits = self.one(8, 8, 16) if style.turned else self.chance.randint(1, 12)
            how[word] = {
                made["name"]: self.one(0, 1, {"from": 0, "to": self.chance.randint(0, (1 << bits) - 2)})
            }
            self.add(fields, scope, place, {**made, "bits": bits}, None if bits % 8 else 0)
            return
        made["group"] = []
        teller, bits = self.flag(Scope(None), style) if self.odds(2) else self.states(Scope(None), style)
        teller.pop("default", None)

        def tell(inner: Scope) -> tuple[Entry, int]:
            teller["name"] = self.name(inner)
            code = next(iter(teller.get("states", {1: ""})))
            alone = "states" not in teller and self.odds(2)
            how[word] = teller["name"] if alone else {teller["name"]: code}
            return teller, bits

        whole = self.element(made, scope, place, style, depth, tell)
        self.add(fields, scope, place, made, 0 if whole else None)

    def element(
        self,
        made: Entry,
        scope: Scope,
        place: Place,
        style: Style,
        depth: int,
        first: Callable[[Scope], tuple[Entry, int]] | None = None,
    ) -> bool:
        """Draw what an element holds; True where it is whole octets, so that what follows is where it was. first: what it begins with."""
        whole = place.octet == 0 and self.odds(2)
        inside, inner = Place(0 if whole else None, 0, whole), self.inside(scope, made)
        inner.outer = Scope(scope)  # nothing after it can see into it
        takes(inner)
        if first is not None:
            self.add(made["group"], inner, inside, *first(inner))
        for _ in range(self.chance.randint(1, 3)):
            self.member(made["group"], inner, inside, style, depth + 1)
        if not is_fixed(made):
            self.leaf(made["group"], inner, inside, *self.number(inner, style))
        keep(self, made["group"], inner, inside)
        self.certain_bit(made["group"], inner, inside, style)
        self.derived(made["group"], inner)
        self.counts_used(made["group"], inner, inside, style)
        if self.odds(5):
            self.check(made["group"], inner, inside, style)
        if whole:
            self.to_octet(made["group"], inner, inside)
        self.cover(made["group"], inner, style)
        return whole

    def certain_bit(self, group: list[Entry], scope: Scope, place: Place, style: Style) -> None:
        """Make sure that an element has at least one bit."""
        if not any(certainly_there(entry) for entry in group):
            self.add(group, scope, place, *self.flag(scope, style))

    def counted(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
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
        self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int, count: str
    ) -> None:
        """A list that a count counts."""
        counter = dict(self.visible(scope)).get(count)
        if counter is None or counter.get("kind") != "count":
            return
        made: Entry = {"name": self.name(scope), "repeat": {"count": count}}
        if self.odds(3):
            value, bits = self.one(self.number, self.by_meaning, self.states)(scope, style)
            value = {key: word for key, word in value.items() if key not in ROLE_WORDS}
            self.add(fields, scope, place, {**value, **made}, 0 if bits % 8 == 0 else None)
            return
        made["group"] = []
        whole = self.element(made, scope, place, style, depth)
        self.add(fields, scope, place, made, 0 if whole else None)
        if self.odds(6):
            condition = self.condition(scope, below=made["name"])
            if condition is not None:
                made["present_when"] = condition

    def counts_used(self, fields: list[Entry], scope: Scope, place: Place, style: Style) -> None:
        """Give every count of this group a list, should its own have found no place."""
        for name, entry in list(scope.entries.items()):
            if entry.get("kind") == "count" and not is_counted(name, fields):
                made = {"name": self.name(scope), "bits": 8, "repeat": {"count": name}}
                self.add(fields, scope, place, made, 0)

    def option(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        """A group, or a list, that is not always there; a flag for it goes before it where nothing else can tell."""
        condition = self.condition(scope) if not self.odds(3) else None
        if condition is None:
            entry, bits = self.flag(scope, style)
            self.add(fields, scope, place, entry, bits)
            condition = self.one(entry["name"], entry["name"], {entry["name"]: False})
        made: Entry = {"name": self.name(scope), "present_when": condition, "group": []}
        if self.odds(5):
            made["repeat"] = self.chance.randint(1, 3)
            whole = self.element(made, scope, place, style, depth)
        else:
            inside, inner = replace(place), takes(Scope(Scope(scope), path=f"{made['name']}."))
            for _ in range(self.chance.randint(1, 3)):
                self.member(made["group"], inner, inside, style, depth + 1)
            keep(self, made["group"], inner, inside)
            self.counts_used(made["group"], inner, inside, style)
            self.something(made["group"], inner, inside, style)
            self.derived(made["group"], inner)
            if self.odds(5):
                self.check(made["group"], inner, inside, style)
            whole = place.octet == 0 and self.odds(2)
            if whole:
                self.to_octet(made["group"], inner, inside)
            self.cover(made["group"], inner, style)
        place.inner = place.inner if whole and place.inner == 0 and place.octet == 0 else None
        self.add(fields, scope, place, made, 0 if whole else None)

    def scaled(self, made: Entry, scope: Scope) -> None:
        """Let another field choose the scale of a number by wire, in the place of what says it there."""
        others = {"kind", "preset", "resolution", "role", "states", "summary", "bundle", "coding"}
        if made.get("bits", 64) > 32 or made.keys() & others:
            return
        condition = self.condition(scope, judging=True)
        if condition is None:
            return
        name = condition if isinstance(condition, str) else next(iter(condition))
        entry = dict(self.visible(scope))[name]
        told: list[Any] = [0, 1] if entry.get("kind") == "flag" else list(entry.get("states", ()))
        if "states" in entry:  # a key that looks like a number is a code
            told = [code if word == "1" or self.odds(2) else word for code, word in entry["states"].items()]
        if not told and entry.get("kind") == "tag":
            told = [first_code(entry["code"])]
        elif not told:
            told = list(range(min(1 << entry["bits"] - bool(entry.get("signed")), 4)))
        for key in ("scale", "offset", "curve", "minimum", "maximum", "default", "limits"):
            made.pop(key, None)
        scales = {}
        for one in told[: self.one(None, None, 1)]:
            scale: Any = self.one(*SCALES)
            scales[one] = self.one(
                scale, scale, {"scale": scale, "offset": self.one(-4, Fraction(1, 2), 1000)}
            )
        self.bound_anew(made, [one["scale"] if isinstance(one, dict) else one for one in scales.values()])
        made["scale_by"] = {name: scales}
        self.judges.add(id(entry))

    def judged(self, made: Entry, scope: Scope) -> None:
        """Let another field say whether a value counts, where one can and this value is one that may not."""
        single = made.get("kind") in (None, "float", "time", "flag") and not made.keys() & {
            "summary",
            "bundle",
            "role",
        }
        condition = self.condition(scope, judging=True) if single else None
        if condition is not None:
            made["valid_when"] = condition
            name = condition if isinstance(condition, str) else next(iter(condition))
            self.judges.add(id(dict(self.visible(scope))[name]))

    def condition(self, scope: Scope, below: str = "", *, judging: bool = False) -> Any:
        """What tells that a field is there: any visible field that can, in any form; None where there is none.

        judging: whether its value counts, which neither a count nor a flag that is raised can tell.
        """
        options: list[tuple[str, Entry]] = []
        for name, entry in self.visible(scope, into_options=not judging):
            if name.partition(".")[0] == below or entry.keys() & {"valid_when", "scale_by"}:
                continue
            if goes_on(entry) and (judging or entry.get("kind") is not None):
                continue
            if judging and (entry.get("kind") == "count" or id(entry) in self.raised):
                continue
            is_number = (
                entry.get("kind") is None
                and ("bits" in entry or goes_on(entry))
                and not entry.keys() & {"preset", "bundle"}
            )
            if entry.get("kind") in ("flag", "tag", "count") or "states" in entry or is_number:
                options += [(name, entry)] * (3 if "states" in entry else 1)
        options = [(name, entry) for name, entry in options if is_single(entry)]
        if not options:
            return None
        name, entry = self.chance.choice(options)
        if entry.get("kind") == "flag":
            return self.one(name, name, {name: 1}, {name: False})
        if "states" in entry:
            labels, codes = list(entry["states"].values()), list(entry["states"])
            return {name: self.one(labels[0], labels[:2], codes[0], [codes[-1], labels[0]])}
        if goes_on(entry):
            code = self.chance.randint(0, 12)
            return {name: self.one(code, code, [code, code + 3])}
        bits = entry["bits"]
        least = -(1 << bits - 1) if entry.get("signed") else 0
        code = self.chance.randint(least, least + (1 << bits) - 1)
        if entry.get("kind") == "count":
            code = self.chance.randint(0, min((1 << bits) - 1, 3))
        if entry.get("kind") == "tag":
            code = first_code(entry["code"])
        last = self.chance.randint(code, least + (1 << bits) - 1)
        both = [code, last] if last > code else code
        return {name: self.one(code, {"from": code, "to": last}, both, both)}

    def to_end(self, fields: list[Entry], scope: Scope, place: Place, style: Style) -> None:
        """A list that runs to the frame's end, where all before it has a known bound."""
        self.counts_used(fields, scope, place, style)
        self.ends = True
        made: Entry = {"name": self.name(scope), "repeat": {"to_end": True}}
        if self.odds(2):
            made["repeat"]["maximum"] = self.chance.randint(1, 9)
        bits = 8
        if self.parts_too and self.odds(2):
            self.blocks(made, None, scope)
            self.add(fields, scope, place, made, 0)
            return
        if self.parts_too and not self.odds(3):
            self.add(fields, scope, place, *self.varied(made, scope, place, style))
            return
        if self.odds(3):
            value, bits = self.number(scope, style)
            value = {key: word for key, word in value.items() if key not in ROLE_WORDS}
            made = {**value, **made}
        if bits < 8 or "bits" not in made:
            made = {"name": made["name"], "repeat": made["repeat"], "group": []}
            inner = Scope(Scope(scope))
            inside, bits = Place(None, 0), 0
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

    def varied(self, made: Entry, scope: Scope, place: Place, style: Style) -> tuple[Entry, int | None]:
        """A list to the end, whose elements have eight bits at least, and mostly differ in size."""
        made["group"], inside = [], list[Scope]()

        def first(inner: Scope) -> tuple[Entry, int]:
            inside.append(inner)
            return {"name": self.name(inner), "bits": 8}, 8

        whole = self.element(made, scope, place, style, 2, first)
        if not self.odds(3):
            there = {made["group"][0]["name"]: {"from": 0, "to": 127}}
            made["group"].append({"name": self.name(inside[0]), "bits": 8, "present_when": there})
        return made, 0 if whole else None

    def inner_check(self, fields: list[Entry], scope: Scope, place: Place, style: Style, depth: int) -> None:
        if not style.words:
            self.check(fields, scope, place, style)
