"""Records as cells under dotted paths, and cells as records: `power.cell_voltage`, `readings[0].field_x` (WIRE.md 15).

Titles and cells are packetkit/codec/cells.py's; here is the way back, and what a file of records says. Derived values, read back, mean
nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from difflib import get_close_matches
from typing import Any, NamedTuple

from packetkit.codec.cells import at, join, titles
from packetkit.codec.derive import is_derived
from packetkit.codec.record import put
from packetkit.codec.walk import NOT_KNOWN
from packetkit.errors import EncodeError, Fault
from packetkit.layout.model import (
    Choice,
    Continued,
    Derived,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    flat,
    slots_of,
    told_branch,
)
from packetkit.layout.number import parse_text, to_raw
from packetkit.layout.slots import Bundle, Digits, Slot

Record = Mapping[str, Any]
Steps = tuple[str | int, ...]

# Wider than this a table is only as wide as its longest lists: spreadsheets end at 16,384 columns, people earlier.
WIDEST = 1_000

# A list longer than the bits of the longest frame cannot be sent.
_MOST_ELEMENTS = 65_535 * 8

_STEP = re.compile(r"\.?([A-Za-z_][A-Za-z0-9_]*)|\[([0-9]{1,9})\]")


# -- from a record ---------------------------------------------------------------------------------


def width(layout: Layout) -> int | None:
    """Return how many columns the longest record needs, None where only the frame's length bounds it."""
    return _width(layout, None, layout.nodes)


def _width(layout: Layout, number: int | None, nodes: tuple[Node, ...]) -> int | None:
    total = sum(one.container == number for one in layout.derived)
    for node in flat(nodes):
        if isinstance(node, Choice):
            widths = [_width(layout, branch.number, branch.body) for branch in node.all]
            if None in widths:
                return None
            total += sum(one for one in widths if one is not None)
        elif isinstance(node, Repeat) and node.joined is not None:
            total += 1
        elif isinstance(node, (Run, Continued)):
            total += sum(_columns(slot) for slot in slots_of(node))
        elif isinstance(node, Repeat):
            count = node.count if node.count is not None else node.maximum
            inner = _width(layout, node.number, node.element)
            if count is None or inner is None:
                return None
            total += count * inner + (node.count is None)
        elif isinstance(node, Optional):
            inner = _width(layout, node.number, node.body)
            if inner is None:
                return None
            total += inner
    return total


def _columns(slot: Slot) -> int:
    return slot.transform.samples if isinstance(slot.transform, Bundle) else int(slot.is_value)


# -- a detail record ---------------------------------------------------------------------------------


def plain(layout: Layout, detail: Record) -> dict[str, Any]:
    """Return the plain record of one with every slot in detail."""
    supplied = {slot.path[0]: detail[slot.path[0]]["value"] for slot in layout.supplied}
    made: dict[str, Any] = supplied | _plain(layout, None, layout.nodes, detail, bare=False)
    return made


def _plain(layout: Layout, number: int | None, nodes: tuple[Node, ...], container: Any, *, bare: bool) -> Any:
    made: dict[Any, Any] = {}
    for node in flat(nodes):
        if isinstance(node, (Run, Continued)):
            for slot in slots_of(node):
                if slot.is_value:
                    put(made, slot.path, at(container, slot.path)["value"])
        elif isinstance(node, Repeat) and node.joined is not None:
            put(made, node.path, at(container, node.path)["value"])
        elif isinstance(node, Choice):
            ((name, held),) = at(container, node.path).items()
            branch = next(one for one in node.all if one.name == name)
            inside = _plain(layout, branch.number, branch.body, held, bare=branch.bare)
            put(made, node.path, {name: inside})
        elif isinstance(node, Repeat):
            elements = at(container, node.path)
            inner = [_plain(layout, node.number, node.element, one, bare=node.bare) for one in elements]
            put(made, node.path, inner)
        elif isinstance(node, Optional):
            body = at(container, node.path)
            if body is not None:
                body = _plain(layout, node.number, node.body, body, bare=node.bare)
            put(made, node.path, body)
    for one in layout.derived:
        if one.container == number:
            put(made, one.path, at(container, one.path)["value"])
    return made[()] if bare else made


def leaves(detail: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
    """Yield the path and the detail of every slot and derived value of a record in detail; absent parts have none."""
    if isinstance(detail, list):
        for number, element in enumerate(detail):
            yield from leaves(element, f"{path}[{number}]")
    elif isinstance(detail, dict):
        # A group's field of that name is a mapping itself.
        not_known = detail.get("raw", 0) is None and detail.get("reason") == NOT_KNOWN
        if isinstance(detail.get("raw"), (int, list, bytes)) or not_known or is_derived(detail):
            yield path, detail
            return
        for key, inner in detail.items():
            yield from leaves(inner, f"{path}.{key}" if path else key)


def note_of(leaf: Mapping[str, Any]) -> str:
    """Return what has to be known of a value beside its reason: its note, why it is not calibrated, the limit that it is beyond."""
    said = [leaf["note"]] if "note" in leaf else []
    said += [f"not calibrated: {leaf['calibrated_reason']}"] if "calibrated_reason" in leaf else []
    return ", ".join([*said, f"beyond {leaf['limit']}"] if "limit" in leaf else said)


def has_limits(layouts: Iterable[Layout]) -> bool:
    """Return whether any value of these frames has limits."""
    return any(
        any(slot.limits for slot in layout.slots) or any(one.limits for one in layout.derived)
        for layout in layouts
    )


# -- to a record -----------------------------------------------------------------------------------


def steps(path: str) -> Steps | None:
    """Return the keys and indices of a path, None where it is none.

    >>> steps("readings[0].field_x")
    ('readings', 0, 'field_x')
    """
    made: list[str | int] = []
    at = 0
    while at < len(path):
        match = _STEP.match(path, at)
        if match is None or (match[1] and (at == 0) is (match[0][0] == ".")):
            return None
        made.append(match[1] or int(match[2]))
        at = match.end()
    return tuple(made) or None


def place(layout: Layout, path: str) -> Slot | Repeat | Derived | None:
    """Return the slot, the list of varying length, or the derived value that a path leads to; None for any other path."""
    taken = steps(path)
    supplied = next((slot for slot in layout.supplied if slot.path == taken), None)
    if taken is None or supplied is not None:
        return supplied
    return _place(layout, None, layout.nodes, taken)


def _place(
    layout: Layout, number: int | None, nodes: tuple[Node, ...], taken: Steps
) -> Slot | Repeat | Derived | None:
    derived = next((one for one in layout.derived if one.container == number and one.path == taken), None)
    if derived is not None:
        return derived
    for node in flat(nodes):
        if isinstance(node, (Run, Fill, Continued)):
            slots = slots_of(node)
            found: Slot | Repeat | Derived | None = next(
                (slot for slot in slots if taken in (slot.path, *_sample_paths(slot))), None
            )
        elif isinstance(node, Measured) or taken[: len(node.path)] != node.path:
            found = None
        elif isinstance(node, Repeat):
            rest = taken[len(node.path) :]
            if not rest:
                return node if node.count is None or node.joined is not None else None
            inside = isinstance(rest[0], int) and node.joined is None
            found = _place(layout, node.number, node.element, rest[1:]) if inside else None
        elif isinstance(node, Choice):
            rest = taken[len(node.path) :]
            branch = next((one for one in node.all if rest and one.name == rest[0]), None)
            found = None if branch is None else _place(layout, branch.number, branch.body, rest[1:])
        else:
            found = _place(layout, node.number, node.body, taken[len(node.path) :])
        if found is not None:
            return found
    return None


def _sample_paths(slot: Slot) -> Iterator[Steps]:
    """The paths of a bundle's samples."""
    if isinstance(slot.transform, Bundle):
        for number in range(slot.transform.samples):
            yield (*slot.path, number)


def has_key(layout: Layout, key: str) -> bool:
    """Return whether a record of the frame has this key at its top level."""
    for node in flat(layout.nodes):
        paths = [slot.path for slot in slots_of(node)]
        if isinstance(node, (Repeat, Optional, Choice)):
            paths = [node.path]
        if any(path[0] == key for path in paths):
            return True
    grounds = any(one.container is None and one.path[0] == key for one in layout.derived)
    return grounds or any(slot.path[0] == key for slot in layout.supplied)


def unknown(layouts: Iterable[Layout], path: str) -> str:
    """Return the sentence for a column that none of the frames has."""
    known = [title for layout in layouts for title in titles(layout, _ones(layout))]
    first = {re.sub(r"\[[0-9]+\]", "[0]", title): title for title in known}
    near = get_close_matches(re.sub(r"\[[0-9]+\]", "[0]", path[:100]), first, 1)
    remedy = (
        f"Did you mean {first[near[0]]}?" if near else "Columns are named as decode --format csv writes them"
    )
    shown = path if len(path) <= 60 else path[:57] + "..."
    return f"{shown!r} is no field. {remedy}"


def _ones(layout: Layout) -> dict[int, int]:
    """One element a list: enough to name a column by."""
    return {node.number: 1 for node in layout.walk() if isinstance(node, Repeat)}


def record_from(layout: Layout, given: Iterable[tuple[str, str]]) -> dict[str, Any]:
    """Return the record that texts under paths mean (WIRE.md 4), ready to be encoded.

    An empty text, or one of blanks that is for no text, is None where the field declares missing, and no key elsewhere. Raises
    EncodeError with a fault for every text that means nothing, and for every path that leads nowhere.
    """
    taking = _Taking(layout)
    tree = _Given()
    for path, text in given:
        leads_to = place(layout, path)
        if isinstance(leads_to, Derived):
            continue  # worked out from what is sent, whatever is said of it
        if leads_to is None:
            taking.faults.append(Fault(path, "unknown-key", unknown([layout], path)))
            continue
        here = tree
        for step in steps(path) or ():
            here = here.inner.setdefault(step, _Given())
        here.text = text if text.strip() or _takes_characters(leads_to) else ""
    supplied: dict[Any, Any] = {}
    for slot in layout.supplied:
        taking.slot(slot, tree.at(slot.path), slot.address, supplied, {})
    record = supplied | taking.container(layout.nodes, tree, "", {})
    if taking.faults:
        raise EncodeError(tuple(taking.faults))
    return record


def _takes_characters(place: Slot | Repeat) -> bool:
    """Whether a text is sent as it is, so that blanks are something."""
    if isinstance(place, Slot):
        return isinstance(place.transform, Digits)
    return place.joined is not None and place.joined.form not in ("bytes", "bits")


def _first_of(node: Repeat, path: str) -> str:
    """How the first value of a list is given."""
    slot = next((slot for inner in flat(node.element) for slot in slots_of(inner) if slot.is_value), None)
    inside = "" if node.bare or slot is None else "." + ".".join(slot.path)
    return f"{path}[0]{inside}=..."


class _Given:
    """What was given at one path and below it."""

    __slots__ = ("inner", "text")

    def __init__(self) -> None:
        self.text: str | None = None
        self.inner: dict[str | int, _Given] = {}

    def at(self, path: tuple[str, ...]) -> _Given:
        here = self
        for key in path:
            here = here.inner.get(key, _EMPTY)
        return here

    def is_filled(self) -> bool:
        """Whether any text here or below says something."""
        return bool(self.text) or any(inner.is_filled() for inner in self.inner.values())


_EMPTY = _Given()


class _Taking:
    """Texts being made a record; raws: codes of the slots met so far, which tell what is present."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.faults: list[Fault] = []

    def container(
        self, nodes: tuple[Node, ...], given: _Given, prefix: str, raws: dict[int, int]
    ) -> dict[Any, Any]:
        made: dict[Any, Any] = {}
        for node in flat(nodes):
            if isinstance(node, Repeat) and node.counted_by is not None and node.joined is None:
                raws[node.counted_by] = self.length(node, given.at(node.path), None)
        for node in flat(nodes):
            if isinstance(node, (Run, Fill, Continued)):
                for slot in slots_of(node):
                    self.slot(slot, given.at(slot.path), join(prefix, slot.path), made, raws)
                continue
            assert isinstance(node, (Repeat, Optional, Choice))
            inner, path = given.at(node.path), join(prefix, node.path)
            if isinstance(node, Choice):
                self.chosen(node, inner, path, made, raws)
            elif isinstance(node, Repeat) and node.joined is not None:
                if inner.text is not None:
                    put(made, node.path, inner.text)
            elif isinstance(node, Repeat):
                if inner.text is not None or inner.inner:
                    put(made, node.path, self.elements(node, inner, path, raws))
            elif inner.is_filled() or (
                node.by is not None
                and node.by in raws
                and any(raws[node.by] in codes for codes in node.codes)
            ):
                body = self.container(node.body, inner, path, dict(raws))
                put(made, node.path, body.get(()) if node.bare else body)
            else:
                put(made, node.path, None)
        return made

    def chosen(
        self, node: Choice, given: _Given, path: str, made: dict[Any, Any], raws: dict[int, int]
    ) -> None:
        """The variant that texts were given for; with none, the one that the codes before it mean."""
        names = [branch.name for branch in node.all if given.at((branch.name,)).is_filled()]
        if len(names) > 1:
            text = f"{' and '.join(names)} are both given. Leave all but one out"
            self.faults.append(Fault(path, "disagrees", text))
            return
        branch = next((one for one in node.all if names == [one.name]), None)
        if branch is None and node.told_by and all(number in raws for number in node.told_by):
            branch = told_branch(node, [raws[number] for number in node.told_by])
        if branch is not None:
            body = self.container(branch.body, given.at((branch.name,)), f"{path}.{branch.name}", dict(raws))
            put(made, node.path, {branch.name: body.get(()) if branch.bare else body})

    def elements(self, node: Repeat, given: _Given, path: str, raws: dict[int, int]) -> list[Any]:
        made = []
        for number in range(self.length(node, given, path)):
            inner = given.inner.get(number, _EMPTY)
            element = self.container(node.element, inner, f"{path}[{number}]", dict(raws))
            made.append(element.get(()) if node.bare else element)
        return made

    def length(self, node: Repeat, given: _Given, path: str | None) -> int:
        """How many elements a list has; with its path, what is wrong with that is noted."""
        filled = [int(number) for number, inner in given.inner.items() if inner.is_filled()]
        length = 1 + max(filled, default=-1)
        most = node.maximum if node.maximum is not None else _MOST_ELEMENTS
        if node.count is not None:
            length, most = max(length, node.count), node.count
        elif given.text:
            said = int(given.text) if re.fullmatch("[0-9]{1,9}", given.text.strip()) else -1
            if said < length and path is not None:
                what = f"{given.text[:40]!r} is not the number of its elements; {length} or more have values"
                if given.text.lstrip()[:1] in ("[", "{"):
                    what = f"is a list, whose values are given one by one, as {_first_of(node, path)}; JSON lines in a file take it whole"
                self.faults.append(Fault(path, "wrong-length", what))
            length = max(length, said)
        if length > most:
            if path is not None:
                text = f"has {length} elements, but {most} at most can be sent. Leave out {length - most}"
                self.faults.append(Fault(path, "wrong-length", text))
            return most if node.count is not None else 0
        return length

    def slot(self, slot: Slot, given: _Given, path: str, made: dict[Any, Any], raws: dict[int, int]) -> None:
        if isinstance(slot.transform, Bundle) and given.is_filled() and not given.text:
            texts = [given.inner.get(number, _EMPTY).text for number in range(slot.transform.samples)]
            values = [
                self.value(slot.transform.sample, text or "", f"{path}[{number}]")
                for number, text in enumerate(texts)
            ]
            put(made, slot.path, values)
            return
        if given.text is None or (not given.text and (slot.missing_code is None or not slot.is_value)):
            raw = slot.default if slot.default is not None else slot.missing_code
            if raw is not None:
                raws[slot.number] = raw
            return
        value = self.value(slot, given.text, path)
        put(made, slot.path, value)
        if slot.is_value and not slot.tellers:  # what others tell tells nothing
            raws[slot.number] = to_raw(slot, value).raw

    def value(self, slot: Slot, text: str, path: str) -> Any:
        if any(text == label for _, label in slot.states):
            return text  # as it is: a state's name may begin or end with a space
        try:
            return parse_text(slot, text)
        except EncodeError as error:
            self.faults += [Fault(path, fault.rule, fault.message) for fault in error.faults]
            return None


# -- what a file of records says -------------------------------------------------------------------


class Given(NamedTuple):
    """A record to encode, from a line of a file; `others`: what is null, though not missing, and why."""

    line: int
    frame: str
    record: dict[str, Any]
    others: tuple[tuple[str, str], ...] = ()


class Refused(NamedTuple):
    """A line that is no record, and why."""

    line: int
    message: str


class LeftOut(NamedTuple):
    """A line about a frame that failed: there is nothing to encode."""

    line: int
    reason: str


Entry = Given | Refused | LeftOut
Reader = Callable[[str, Mapping[str, Layout], "str | None"], Iterator[Entry]]


def frame_named(name: object, layouts: Mapping[str, Layout], asked: str | None) -> tuple[str | None, str]:
    """Return the frame that a line is for, or None and the sentence that says what is wrong.

    name: what the line says, None or empty where it says nothing; asked: what the user said of all lines.
    """
    if name is None or name == "":
        only = next(iter(layouts)) if len(layouts) == 1 else None
        if asked or only:
            return asked or only, ""
        return (
            None,
            f"which frame is it? Name it in a column (or key) frame, or give --frame NAME: {', '.join(layouts)}",
        )
    if not isinstance(name, str) or name not in layouts:
        shown = repr(name) if isinstance(name, str) and len(name) <= 40 else "what stands under frame"
        return None, f"{shown} is no frame of this mission: {', '.join(layouts)}"
    if asked and name != asked:
        return None, f"the line is for {name}, but {asked} was asked for"
    return name, ""
