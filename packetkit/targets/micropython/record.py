"""The classes that hold a frame's raw codes: their attributes by name, and how generated code reaches them.

Groups and options are no objects of their own: `power.load` is the attribute `power_load`, so that a record is one object and a few
numbers. Elements of a list are objects, unless each is one value.
"""

from __future__ import annotations

import keyword
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from packetkit.layout.model import Choice, Continued, Layout, Measured, Node, Optional, Repeat, Run, slots_of
from packetkit.layout.slots import Slot
from packetkit.targets.micropython.page import Page, comment
from packetkit.targets.micropython.places import is_wide, words

# Names that a record has of its own, or that its functions use.
TAKEN = frozenset({"encode", "decode", "SIZE", "FINGERPRINT", "self"})


def is_member(slot: Slot) -> bool:
    """Return whether a record holds this slot's raw code."""
    return slot.is_value or slot.kind == "count"


def is_octets(node: Repeat) -> bool:
    """Return whether a list is characters or octets that a bytearray holds."""
    if node.joined is None:
        return False
    (run,) = node.element
    return isinstance(run, Run) and run.slots[0].width <= 8


def _is_one_value(node: Node) -> bool:
    """Whether all that a record holds of a node is the container's only value: a bundle is several."""
    is_plain = isinstance(node, (Run, Continued))
    return is_plain and all(not slot.path for slot in slots_of(node) if is_member(slot))


def identifier(text: str) -> str:
    """Return a text as a part of a name."""
    return re.sub(r"[^a-z0-9]+", "_", text.lower()).strip("_")


def class_name(text: str) -> str:
    """Return a text as a class's name.

    >>> class_name("deep_space.readings")
    'DeepSpaceReadings'
    """
    return "".join(part.capitalize() for part in identifier(text).split("_"))


@dataclass(frozen=True, slots=True)
class Place:
    """Where generated code is in a record: the name of the object, and the path inside it. bare: the name is the value itself."""

    name: str
    path: tuple[str, ...] = ()
    bare: bool = False

    def under(self, path: Iterable[str]) -> Place:
        return Place(self.name, (*self.path, *path), self.bare)


@dataclass
class Holder:
    """One class: its attributes by the path that leads to them, with the expression that each begins as, and a remark."""

    name: str
    attributes: dict[tuple[str, ...], tuple[str, str, str]] = field(default_factory=dict)

    def add(self, path: tuple[str, ...], initial: str, remark: str) -> str:
        """Return the name of a new attribute, one that no other has."""
        name = identifier("_".join(path)) or "value"
        while (
            name in TAKEN
            or keyword.iskeyword(name)
            or any(name == one for one, _, _ in self.attributes.values())
        ):
            name += "_"
        self.attributes[path] = (name, initial, remark)
        return name

    def declare(self, page: Page) -> None:
        with page.block("def __init__(self)"):
            for name, initial, remark in self.attributes.values():
                page.add(f"self.{name} = {initial}" + (f"  # {comment(remark)}" if remark else ""))


class Record:
    """All classes of one frame. small: codes of more than 30 bits are kept as lists of words."""

    def __init__(self, layout: Layout, name: str, small: bool, describe: Mapping[int, str]) -> None:
        self.layout = layout
        self.small = small
        self.describe = describe
        self.slots = {slot.number: slot for slot in layout.slots}
        self.root = Holder(name)
        self.holders: list[Holder] = []
        self.elements: dict[
            int, Holder | None
        ] = {}  # of lists, by node number; None where an element is one value
        self.names: dict[int, str] = {}  # of slots: their attributes
        self.beside: dict[
            int, tuple[str, ...]
        ] = {}  # of lists to an end and options that ask for bytes: the path of what says how many, whether
        for slot in layout.supplied:
            self.slots[slot.number] = slot
            remark = (
                f"not sent, goes into a check: set it before encoding and before decoding; {slot.width} bits"
            )
            self.names[slot.number] = self.root.add(slot.path, "0", remark)
        self._nodes(layout.nodes, self.root, ())
        self.holders.append(self.root)

    def _nodes(self, nodes: tuple[Node, ...], holder: Holder, path: tuple[str, ...]) -> None:
        for node in nodes:
            if isinstance(node, (Run, Continued)):
                for slot in filter(is_member, slots_of(node)):
                    remark = self.describe.get(slot.number, "")
                    self.names[slot.number] = holder.add((*path, *slot.path), self.empty(slot), remark)
            elif isinstance(node, Measured):
                self._nodes(node.body, holder, path)
            elif isinstance(node, Choice):
                if not node.told_by:
                    names = ", ".join(f"{at} {branch.name}" for at, branch in enumerate(node.branches))
                    remark = f"told from outside, set it before encoding and before decoding: {names}"
                    self.beside[node.number] = (node.address, "#variant")
                    self.root.add(self.beside[node.number], "0", remark)
                for branch in node.all:
                    self._nodes(branch.body, holder, (*path, *node.path, branch.name))
            elif isinstance(node, Optional):
                here = (*path, *node.path)
                if node.by is None:
                    self._told(
                        node, holder, here, "there", "1 where it is there, 0 where the frame ends before it"
                    )
                self._nodes(node.body, holder, here)
            elif isinstance(node, Repeat):
                self._list(node, holder, (*path, *node.path))

    def _list(self, node: Repeat, holder: Holder, path: tuple[str, ...]) -> None:
        if node.runs_to_end:
            self._told(node, holder, path, "count", f"how many of {path[-1] if path else 'them'} there are")
        one = self._element(node)
        element = f"{one.name}()" if one is not None else self._bare(node)
        many = "[]" if node.own_end is None else f"[{element}]"
        if node.count is not None:
            many = f"[{element} for _ in range({node.count})]"
        if is_octets(node):
            many = f"bytearray({'' if node.count is None else node.count})"
        remark = "" if node.count is not None else f"as many of {element} as are sent, or more"
        if node.own_end is not None:
            remark += ", up to the one that says that it is the last"
        holder.add(path, many, remark)

    def _told(
        self, node: Repeat | Optional, holder: Holder, path: tuple[str, ...], word: str, remark: str
    ) -> None:
        """Have an attribute beside a node for what no code tells."""
        self.beside[node.number] = (*path, f"#{word}")  # no field has such a name
        holder.add(self.beside[node.number], "0", remark)

    def _element(self, node: Repeat) -> Holder | None:
        if node.bare and all(map(_is_one_value, node.element)):
            self.elements[node.number] = None
            return None
        holder = Holder(self.root.name + class_name(node.address))
        while any(holder.name == other.name for other in (self.root, *self.holders)):
            holder.name += "_"
        self.elements[node.number] = holder
        self._nodes(node.element, holder, ())
        self.holders.append(holder)
        return holder

    def _bare(self, node: Repeat) -> str:
        members = [slot for one in node.element for slot in slots_of(one) if is_member(slot)]
        return self.empty(members[0]) if members else "0"

    def empty(self, slot: Slot) -> str:
        """Return the expression of a code that is zero."""
        return f"[{', '.join('0' * words(slot))}]" if is_wide(slot, self.small) else "0"

    def new(self, node: Repeat) -> str:
        """Return the expression of a new element."""
        holder = self.elements[node.number]
        return self._bare(node) if holder is None else f"{holder.name}()"

    def variant(self, root: str, node: Choice) -> str:
        """Return the expression of which variant was told from outside: one for all that stand at an address."""
        return f"{root}.{self.root.attributes[self.beside[node.number]][0]}"

    def reach(self, place: Place, path: Iterable[str], holder: Holder, beside: int | None = None) -> str:
        """Return the expression of what stands at a path from a place, or of what says of a node `beside` what no code tells."""
        if beside is not None:
            return f"{place.name}.{holder.attributes[self.beside[beside]][0]}"
        if place.bare:
            return place.name
        return f"{place.name}.{holder.attributes[place.path + tuple(path)][0]}"
