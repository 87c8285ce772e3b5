"""Schema nodes to the declared model: every key is looked up in a table and read by the reader that they name.

The loader never stops at a fault: it notes a `Problem` and goes on, so that one reading tells all of them. A field with a fault is
returned as far as it goes, `whole=False`, and later stages leave it out of their sums. No bit position is known here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

from packetkit.errors import Problem
from packetkit.schema import envelopes
from packetkit.schema import text as yaml_text
from packetkit.schema.characters import CharacterReaders
from packetkit.schema.checks import CheckReaders
from packetkit.schema.codes import OTHERWISE, CodeReaders
from packetkit.schema.compact import CompactReaders
from packetkit.schema.field_keys import FIELD_KEYS, VARIANT_KEYS
from packetkit.schema.ground import GroundReaders
from packetkit.schema.keys import Key
from packetkit.schema.kinds import COMMON_KEYS, KINDS, TELLING, ZERO_FILLED
from packetkit.schema.mission_keys import (
    CHIRP_KEYS,
    END_KEYS,
    FRAME_KEYS,
    LINK_KEYS,
    MISSION_KEYS,
    PART_KEYS,
    PART_NEEDS,
    PASSES_KEYS,
)
from packetkit.schema.model import (
    Chirp,
    End,
    Field,
    FirstBits,
    Frame,
    Link,
    Mission,
    Part,
    Passes,
    Place,
    Variant,
)
from packetkit.schema.pieces import PieceReaders
from packetkit.schema.presets import PRESETS
from packetkit.schema.readers import join, on_lines, path_at, place_of, shape
from packetkit.schema.repeats import RepeatReaders
from packetkit.schema.rules import MAXIMUM_FRAMES
from packetkit.schema.summaries import written_out
from packetkit.schema.text import Entry, Mapping, Node, Scalar, Sequence
from packetkit.schema.transforms import TransformReaders
from packetkit.schema.words import parse_integer, whole

_WIDTHS = {"float": (16, 32, 64)}
# A field of these kinds carries its own width limit: a check is as wide as its algorithm, padding as wide as it likes to be.
_MAXIMUM_BITS = {"check": 82, "reserved": 65_535, "flag": 1, "length": 32, "time": 128}


@dataclass
class Loaded:
    """What the loader made of a text: the mission as far as it could be read, and every problem found on the way."""

    mission: Mission | None
    problems: list[Problem] = field(default_factory=list)


def load(text: bytes | str, file: str = "") -> Loaded:
    """Return the mission declared by `text`, as far as it can be read, with every problem found.

    The mission is None where the text has no tree that could be trusted. Nothing is opened; file only names positions.
    """
    tree, problems = yaml_text.parse(text, file)
    if tree is None:
        return Loaded(None, list(problems))
    loader = _Loader()
    mission = loader.mission(tree, file)
    return Loaded(mission, [*problems, *loader.problems])


def _places(entries: MappingOf[str, Entry]) -> dict[str, Place]:
    """Where each key's value stands, and what stands in it: `covers.from`, `missing.0` for a list's first entry.

    `states:8` is the place of a key itself.
    """
    found: dict[str, Place] = {}

    def put(key: str, node: Node) -> None:
        found[key] = place_of(node)
        if isinstance(node, Mapping):
            for entry in node.entries:
                code = parse_integer(entry.key.text)
                name = entry.key.text if isinstance(code, str) else code
                found[f"{key}:{name}"] = place_of(entry.key)
                put(f"{key}.{name}", entry.value)
        elif isinstance(node, Sequence):
            for index, item in enumerate(node.items):
                put(f"{key}.{index}", item)

    for key, entry in entries.items():
        if key in ("group", "flags", "variants"):  # they are fields, with places of their own
            found[key] = place_of(entry.value)
            if key == "variants":
                found.update(_places_of_variants(entry.value))
        else:
            put(key, entry.value)
    return found


def _places_of_variants(node: Node) -> Iterator[tuple[str, Place]]:
    """Where each variant, and each code that tells it, stands: `variants.0`, `variants.0.tag`; `variants.0.when`, where it is a word."""
    for index, item in enumerate(node.items if isinstance(node, Sequence) else ()):
        yield f"variants.{index}", place_of(item)
        for entry in item.entries if isinstance(item, Mapping) else ():
            if entry.key.text == "when" and isinstance(entry.value, Scalar):
                yield f"variants.{index}.when", place_of(entry.value)
            elif entry.key.text == "when" and isinstance(entry.value, Mapping):
                yield from (
                    (f"variants.{index}.{one.key.text}", place_of(one.value)) for one in entry.value.entries
                )


class _Loader(
    CharacterReaders,
    CheckReaders,
    CodeReaders,
    CompactReaders,
    GroundReaders,
    PieceReaders,
    RepeatReaders,
    TransformReaders,
):
    """Reads fields, frames and the mission, and collects their problems."""

    # -- fields ---------------------------------------------------------------------------------------------------------

    def _read_fields(self, node: Node, path: str, key: Key) -> tuple[Field, ...] | None:
        return self.members(node, path, key, flags=False)

    def _read_flags(self, node: Node, path: str, key: Key) -> tuple[Field, ...] | None:
        return self.members(node, path, key, flags=True)

    def members(self, node: Node, path: str, key: Key, *, flags: bool) -> tuple[Field, ...] | None:
        """The fields of a list, with unique names; unnamed reserved bits get one."""
        if not isinstance(node, Sequence):
            if not self.absent(node, path, key.name, "its list under it, each entry after '- '"):
                summary = f"{key.name} is a list, not {shape(node)}"
                self.note(node, "wrong-type", path, summary, "Start each entry with '- '.")
            return None
        if not node.items:
            remedy = "Add a field, or leave group out." if key is VARIANT_KEYS["group"] else "Add a field."
            self.note(node, "nothing-in-it", path, f"{key.name} is empty", remedy)
            return None
        fields = [
            self.flag(item, path) if flags and isinstance(item, Scalar) else self.field(item, path)
            for item in node.items
        ]
        taken: dict[str, Place] = {}
        for one in fields:
            if one.named and one.name in taken:
                first = taken[one.name].position
                where = one.places.get("name", one.place)
                summary = f"{one.name} is there twice, first in line {first.line}"
                self.note(
                    where,
                    "duplicate-name",
                    join(path, one.name),
                    summary,
                    "Give each field of a group its own name.",
                )
            elif one.named and one.name:
                taken[one.name] = one.places.get("name", one.place)
        return tuple(self._named(fields, set(taken)))

    def _named(self, fields: list[Field], taken: set[str]) -> Iterable[Field]:
        number = 0
        for one in fields:
            if one.named:
                yield one
                continue
            number += 1
            while (name := "reserved" if number == 1 else f"reserved_{number}") in taken:
                number += 1
            yield replace(one, name=name)

    def _read_variants(self, node: Node, path: str, key: Key) -> tuple[Variant, ...] | None:
        form = "a list, each entry {name: report, when: {tag: 1}, group: [...]}"
        if not isinstance(node, Sequence):
            if not self.absent(node, path, "variants", form):
                self.note(
                    node, "wrong-type", path, f"variants is a list, not {shape(node)}", f"Write {form}."
                )
            return None
        if not node.items:
            self.note(node, "nothing-in-it", path, "variants is empty", "Add a variant.")
            return None
        variants = [self.variant(item, path, form) for item in node.items]
        taken: dict[str, int] = {}
        for one in variants:
            if one is not None and one.name in (*taken, "unknown"):
                where = (
                    f"there twice, first in line {taken[one.name]}"
                    if one.name in taken
                    else "what codes without a variant are called"
                )
                self.note(
                    one.place,
                    "duplicate-name",
                    join(path, one.name),
                    f"{one.name} is {where}",
                    "Use another name.",
                )
            elif one is not None:
                taken[one.name] = one.place.position.line
        return None if None in variants else tuple(one for one in variants if one)

    def variant(self, node: Node, path: str, form: str) -> Variant | None:
        mapping = self.mapping(node, path, "a variant", form)
        if mapping is None:
            return None
        entries = self.keys(mapping, VARIANT_KEYS, path, "a variant")
        name = path_at("", entries["name"].value) if "name" in entries else path_at("", mapping)
        values = self.read_all(entries, VARIANT_KEYS, join(path, name))
        if self.lacking(mapping, entries, ("name",)):
            self.note(mapping, "missing-key", path, "a variant needs a name", "Add name:.")
        if "name" not in values or len(values) < len(mapping.entries):
            return None
        place = place_of(entries["name"].value)
        when = values.get("when", ())
        otherwise = when == OTHERWISE
        return Variant(values["name"], place, () if otherwise else when, values.get("group", ()), otherwise)

    def flag(self, node: Scalar, path: str) -> Field:
        good = self.name(node, path_at(path, node))
        place = place_of(node)
        return Field(path_at("", node), "flag", place, {"name": place}, whole=good)

    def field(self, node: Node, path: str) -> Field:
        """The field of one list entry, whole=False where anything in it is amiss."""
        mapping = self.mapping(node, path, "a field", "{name: sequence, bits: 8}, with the bits it needs")
        if mapping is None:
            return Field(path_at("", node), "number", place_of(node), whole=False)
        before = len(self.problems)
        name = path_at("", next((e.value for e in mapping.entries if e.key.text == "name"), mapping))
        path = join(path, name)
        entries = self.keys(mapping, FIELD_KEYS, path, "a field", _offered(mapping))
        kind = self._kind(entries, mapping, path)
        if kind is None:
            entries = {k: e for k, e in entries.items() if k in COMMON_KEYS and k != "kind"}
        else:
            entries = self._for_kind(entries, kind, mapping, path)
        values = self.read_all(entries, FIELD_KEYS, path)
        if kind != "reserved" and self.lacking(mapping, entries, ("name",)):
            self.note(
                mapping,
                "missing-key",
                path,
                "a field needs a name",
                "Add name: with lower-case letters, digits and underscores.",
            )
        if isinstance(values.get("coding"), FirstBits):
            self._first_bits(values, entries, kind or "number", path)
        if "counts" in values:
            values.setdefault("bits", sum(one.bits for one in values["counts"]))
        if "runs" in values:
            values.setdefault("bits", sum(width for _, width in values["runs"]))
        if kind is not None:
            self._bits(values, entries, kind, path)
            self._fill(values, entries, kind, path)
        kind = kind or "number"
        made = Field(
            values.pop("name", name),
            values.pop("kind", kind),
            place_of(node),
            _places(entries),
            named="name" in entries or kind != "reserved",
            fields=values.pop("group", values.pop("flags", ())),
            whole=len(self.problems) == before,
            self_rule=values.pop("self", None),
            counts_in=values.pop("in", None),
            **values,
        )
        made = _with_preset(made)
        if made.summary is None:
            return made

        def note(place: Place, rule: str, text: str, remedy: str) -> None:
            self.note(place, rule, path, text, remedy)

        return written_out(made, note)

    def _kind(self, entries: MappingOf[str, Entry], node: Mapping, path: str) -> str | None:
        if "kind" in entries:
            return self._read_kind(entries["kind"].value, path, FIELD_KEYS["kind"])
        told = [word for word in TELLING if word in entries]
        if len(told) > 1:
            summary = f"{' and '.join(told)} cannot stand in one field"
            remedy = "Make them two fields, each with a name of its own."
            if "group" in told:
                others = " and ".join(word for word in told if word != "group")
                remedy = f"Write {others} at a field inside the group, with a name of its own."
            self.note(entries[told[1]].key, "two-kinds", path, summary, remedy)
            return None
        return told[0] if told else "number"

    def _for_kind(self, entries: dict[str, Entry], kind: str, node: Mapping, path: str) -> dict[str, Entry]:
        """The entries that belong to the kind; the others, and those that lack, are noted."""
        row = KINDS[kind]
        allowed = (*COMMON_KEYS, *row.required, *row.optional)
        for name, entry in entries.items():
            if name not in allowed:
                listed = on_lines(f"It may have: {', '.join((*row.required, *row.optional))}.")
                others = [
                    other.name for other in KINDS.values() if name in (*other.required, *other.optional)
                ]
                if len(others) <= 3:
                    listed = f"{name} belongs to kind: {' or '.join(others)}.\n{listed}"
                self.note(entry.key, "key-not-for-kind", path, f"a {kind} field has no key {name}", listed)
        for name in self.lacking(node, entries, row.required):
            if name == "bits" and ("runs" in entries or _says_size(entries)):
                continue  # their widths are its bits
            remedy = f"{name}: {FIELD_KEYS[name].help}"
            self.note(node, "missing-key", path, f"a {kind} field needs {name}", remedy)
        return {name: entry for name, entry in entries.items() if name in allowed}

    def _first_bits(
        self, values: dict[str, Any], entries: MappingOf[str, Entry], kind: str, path: str
    ) -> None:
        """A coding by first bits: how many bits its numbers have, and its name."""
        coding: FirstBits = values["coding"]
        if "bits" in values:
            text = "bits and the forms of its coding both say its size"
            self.note(entries["bits"].value, "coding-shape", path, text, "Leave bits out.")
        most = min(max(coding.most.bit_length(), 1), _MAXIMUM_BITS.get(kind, 64))
        values |= {"coding": coding.name, "first_bits": coding, "bits": most}

    def _bits(
        self, values: MappingOf[str, Any], entries: MappingOf[str, Entry], kind: str, path: str
    ) -> None:
        bits = values.get("bits")
        if bits is None:
            return
        if kind in _WIDTHS:
            if bits not in _WIDTHS[kind]:
                self.note(
                    entries["bits"].value,
                    "bad-bits",
                    path,
                    f"a {kind} has 16, 32 or 64 bits, not {whole(bits)}",
                    "One of: 16, 32, 64.",
                )
            return
        most = _MAXIMUM_BITS.get(kind, 64)
        if not 1 <= bits <= most:
            remedy = f"Write a number from 1 to {most}."
            if most == 1:
                remedy = "Leave bits out; a field of several bits is a number, or has states."
            has = "one bit" if most == 1 else f"1 to {most} bits"
            summary = f"a {kind} has {has}, not {whole(bits)}"
            at = next(entries[key] for key in ("bits", "counts", "runs") if key in entries)
            self.note(at.value, "bad-bits", path, summary, remedy)

    def _fill(
        self, values: MappingOf[str, Any], entries: MappingOf[str, Entry], kind: str, path: str
    ) -> None:
        """Only texts and octets are filled with something else than zero bits."""
        if values.get("fill", "zero") != "zero" and kind in ZERO_FILLED:
            summary = f"fill of a {kind} cannot be {values['fill']!r}"
            self.note(entries["fill"].value, "bad-word", path, summary, "One of: zero.")

    # -- frames and the mission ---------------------------------------------------------------------------------------------

    def _read_frames(self, node: Node, path: str, key: Key) -> tuple[Frame, ...] | None:
        mapping = self.mapping(node, path, "frames", "each frame's name, and under it fields: and their list")
        if mapping is None:
            return None
        if not mapping.entries:
            self.note(
                node, "nothing-in-it", path, "frames is empty", "Add a frame: a name, and under it fields."
            )
            return None
        if len(mapping.entries) > MAXIMUM_FRAMES:
            summary = f"there are {len(mapping.entries):,} frames, and {MAXIMUM_FRAMES} is the most"
            remedy = "Split the mission into several files."
            self.note(mapping.entries[MAXIMUM_FRAMES].key, "too-many-frames", path, summary, remedy)
        frames = [self.frame(entry) for entry in mapping.entries[:MAXIMUM_FRAMES]]
        return tuple(frame for frame in frames if frame is not None)

    def frame(self, entry: Entry) -> Frame | None:
        name = path_at("", entry.key)
        self.name(entry.key, name)
        mapping = self.mapping(entry.value, name, "a frame", "fields: and under it the list of fields")
        if mapping is None:
            return None
        entries = self.keys(mapping, FRAME_KEYS, name, "a frame")
        if self.lacking(mapping, entries, ("fields",)):
            self.note(
                entry.key, "missing-key", name, "a frame needs fields", "Add fields: and the list of them."
            )
        values = self.read_all(entries, FRAME_KEYS, name)
        places = {k: place_of(e.value) for k, e in entries.items()}
        return Frame(name, place_of(entry.key), values.pop("fields", ()), places, **values)

    def _read_chirp(self, node: Node, path: str, key: Key) -> Chirp | None:
        path, needed = "link.chirp", ("spreading_factor", "bandwidth_khz")
        mapping = self.mapping(node, path, "chirp", "{spreading_factor: 10, bandwidth_khz: 125}")
        if mapping is None:
            return None
        entries = self.keys(mapping, CHIRP_KEYS, path, "chirp")
        values = self.read_all(entries, CHIRP_KEYS, path)
        for name in self.lacking(mapping, entries, needed):
            self.note(node, "missing-key", path, f"chirp lacks {name}", f"{name}: {CHIRP_KEYS[name].help}")
        if len(values) < len(mapping.entries) or not {*needed} <= values.keys():
            return None
        places = {k: place_of(e.value) for k, e in entries.items()}
        return Chirp(places=places, **values)

    def _read_end(self, node: Node, path: str, key: Key) -> End | None:
        path = f"link.{key.name}"
        mapping = self.mapping(node, path, key.name, "{power_dbm: 14, antenna_gain_dbi: 2}")
        if mapping is None:
            return None
        entries = self.keys(mapping, END_KEYS, path, key.name)
        values = self.read_all(entries, END_KEYS, path)
        return End(place_of(node), {k: place_of(e.value) for k, e in entries.items()}, **values)

    def _read_link(self, node: Node, path: str, key: Key) -> Link | None:
        mapping = self.mapping(node, "link", "link", "its keys under it, such as maximum_frame_bytes: 51")
        if mapping is None:
            return None
        entries = self.keys(mapping, LINK_KEYS, "link", "link")
        values = self.read_all(entries, LINK_KEYS, "link")
        return Link(place_of(node), {k: place_of(e.value) for k, e in entries.items()}, **values)

    def _read_part(self, node: Node, path: str, key: Key) -> Part | None:
        room = "" if key.name in MISSION_KEYS else "link." if key.name in LINK_KEYS else "passes."
        path = f"{room}{key.name}"
        table = PART_KEYS[key.name]
        form = ", ".join(f"{name}: ..." for name in PART_NEEDS[key.name])
        mapping = self.mapping(node, path, key.name, f"{{{form}}}")
        if mapping is None:
            return None
        entries = self.keys(mapping, table, path, key.name)
        values = self.read_all(entries, table, path)
        lacking = self.lacking(mapping, entries, PART_NEEDS[key.name])
        for name in lacking:
            self.note(
                node, "missing-key", path, f"{key.name} lacks {name}", on_lines(f"{name}: {table[name].help}")
            )
        if lacking or len(values) < len(mapping.entries):
            return None
        lines = {name: value for name, value in values.items() if isinstance(value, str)}
        numbers = {name: Fraction(value) for name, value in values.items() if name not in lines}
        return Part(place_of(node), {k: place_of(e.value) for k, e in entries.items()}, numbers, lines)

    def _read_passes(self, node: Node, path: str, key: Key) -> Passes | None:
        form = "{altitude_km: 510, minimum_elevation_deg: 10} or {duration_s: 600}"
        mapping = self.mapping(node, "passes", "passes", form)
        if mapping is None:
            return None
        entries = self.keys(mapping, PASSES_KEYS, "passes", "passes")
        values = self.read_all(entries, PASSES_KEYS, "passes")
        return Passes(place_of(node), {k: place_of(e.value) for k, e in entries.items()}, **values)

    def mission(self, node: Mapping, file: str) -> Mission | None:
        entries = self.keys(node, MISSION_KEYS, "", "a mission")
        for name in self.lacking(node, entries, ("mission", "frames")):
            remedy = f"{name}: {MISSION_KEYS[name].help}"
            self.note(node, "missing-key", "", f"a mission needs {name}", remedy)
        values = self.read_all(entries, MISSION_KEYS, "")
        name = values.pop("mission", "")

        def note(place: Place, path: str, text: str, remedy: str) -> None:
            self.note(place, "carried-unfit", path, text, remedy)

        frames = envelopes.written_out(values.pop("frames", ()), note)
        return Mission(name, place_of(node), frames, file=file, **values)


def _offered(node: Mapping) -> tuple[str, ...]:
    """The keys that a field of the kind that this one seems to be may have."""
    written = {entry.key.text: entry.value for entry in node.entries}
    kind = written.get("kind")
    said = kind.text if isinstance(kind, Scalar) else ""
    told = next((word for word in TELLING if word in written), "number")
    row = KINDS.get(said or told, KINDS["number"])
    return (*COMMON_KEYS, *row.required, *row.optional)


def _says_size(entries: MappingOf[str, Entry]) -> bool:
    """Whether a field's coding has forms, which are its bits."""
    return "coding" in entries and isinstance(entries["coding"].value, Mapping)


def _with_preset(made: Field) -> Field:
    """The field with what its preset fills in: only keys that it did not write, and the step only where no bits were written."""
    if made.preset is None:
        return made
    row = PRESETS[made.preset]
    written = made.places
    filled: dict[str, Any] = {
        key: getattr(row, key) for key in ("minimum", "maximum", "unit", "missing") if key not in written
    }
    if "resolution" not in written and "bits" not in written:
        filled["resolution"] = row.resolution
    return replace(made, **filled)
