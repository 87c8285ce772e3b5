"""From a frame to a record."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from packetkit.targets.python_reader.bits import DecodeError, Row, _holds, _limits, _read
from packetkit.targets.python_reader.checks import _check_value, _is_known
from packetkit.targets.python_reader.continued import _number_in
from packetkit.targets.python_reader.derived import _derive
from packetkit.targets.python_reader.places import (
    _element_slot,
    _Leaf,
    _located,
    _product,
    _put,
    _read_as,
    _Scope,
    _told_branch,
)
from packetkit.targets.python_reader.texts import _joined_raw, _joined_value
from packetkit.targets.python_reader.values import _beyond_limit, _is_missing, _is_no_check, _meaning

# -- from a frame to a record ----------------------------------------------------------------------


class _Limit:
    """A measured part being read: where it starts, and where it ends once its length is known."""

    __slots__ = ("address", "end", "node", "start")

    def __init__(self, node: Row, start: int, address: str) -> None:
        self.node, self.start, self.address = node, start, address
        self.end: int | None = None


class _Reading:
    """One frame being read.

    A part is a leaf, or (node, elements) of a list, (node, parts or None) of an option, (node, (branch, parts)) of a choice.
    """

    def __init__(self, frame: Row, data: bytes, told: Mapping[str, str], known: Mapping[str, int]) -> None:
        self.frame, self.data, self.end = frame, data, len(data) * 8
        self.told = told
        self.limits: list[_Limit] = []  # the innermost last
        self.leaves: list[_Leaf] = []
        self.words: list[tuple[int, int, int]] = []
        scope = _Scope(None)
        self.supplied = [_known(slot, known, scope) for slot in frame.get("supplied", ())]
        self.parts, at = self.nodes(frame["nodes"], 0, (), scope)
        self.used = -(-at // 8)

    def nodes(
        self, nodes: list[Row], at: int, indices: tuple[int, ...], scope: _Scope
    ) -> tuple[list[Any], int]:
        parts: list[Any] = []
        for node in nodes:
            scope.starts[node["number"]] = at
            part = node["part"]
            if part == "run":
                at = self.run(node, at, indices, scope, parts)
            elif part == "fill":
                start = scope.start(node["since"]) if "since" in node else 0
                bits = -(at - start) % node["unit"]
                parts.append(self.leaf(node, node["slot"], bits, at, indices, scope))
                at += bits
            elif part == "continued":
                at = self.continued(node, at, indices, scope, parts)
            elif part == "repeat":
                at = self.repeat(node, at, indices, scope, parts)
            elif part == "option":
                body = None
                if self.is_there(node, at, scope):
                    body, at = self.nodes(node["nodes"], at, indices, scope)
                parts.append((node, body))
            elif part == "measured":
                at = self.measured(node, at, indices, scope, parts)
            else:
                branch = self.branch(node, at, indices, scope)
                inner, at = self.nodes(branch["nodes"], at, indices, scope)
                parts.append((node, (branch, inner)))
        return parts, at

    def repeat(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope, parts: list[Any]) -> int:
        """Read the elements of a list: as many as are counted, or one after another until there is no more."""
        elements: list[Any] = []
        inner = scope
        count = None if "several" in node or "ends" in node else self.count(node, at, indices, scope)
        while (
            self.goes_on(node, at, indices, len(elements), inner) if count is None else len(elements) < count
        ):
            inner = _Scope(scope)
            element, at = self.nodes(node["nodes"], at, (*indices, len(elements)), inner)
            elements.append(element)
        parts.append((node, elements))
        if _element_slot(node) in self.frame.get("summed", ()):
            scope.listed[_element_slot(node)] = [leaf for element in elements for leaf in element]
        return at

    def is_there(self, node: Row, at: int, scope: _Scope) -> bool:
        if "by" not in node:
            return bool(self.stop() - _behind(node, scope) - at > 0)
        if "inside" in node and not scope.knows(node["by"]):
            return False
        return _holds(scope.leaf(node["by"]).raw, node["codes"])

    def branch(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope) -> Row:
        """The variant that the telling codes mean, or that the caller named."""
        path = _located(node["address"], indices)
        if node["by"]:
            found = _told_branch(node, [scope.leaf(number).raw for number in node["by"]])
            words = "has no variant for the codes that tell it"
        else:
            name = self.told.get(node["address"])
            found = next((one for one in node["branches"] if one["name"] == name), None)
            words = "is told from outside. Give variants={address: name}"
        if found is None:
            raise DecodeError("unknown variant", f"{path} {words}", path, at)
        return found

    def measured(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope, parts: list[Any]) -> int:
        """Read a measured part, which ends where its length says."""
        limit = _Limit(node, at, _located(node["address"], indices) or self.frame["name"])
        self.limits.append(limit)
        if scope.knows(node["by"]):
            self.sized(limit, scope.leaf(node["by"]))
        inner, end = self.nodes(node["nodes"], at, indices, scope)
        parts += inner
        self.limits.pop()
        if end != limit.end:
            words = f"{limit.address} does not have the bits that its length says"
            raise DecodeError("bad length", words, limit.address, min(end, limit.end or 0))
        return end

    def sized(self, limit: _Limit, leaf: _Leaf) -> None:
        """Note where a measured part ends, now that its length is read."""
        size = (_number_in(leaf.slot, leaf.raw) + limit.node["less"]) * limit.node["unit"]
        if "uncounted" in limit.node:
            every, octets = limit.node["uncounted"]
            size += 8 * octets * -(-size // (8 * every))
        end = limit.start + size
        around = self.limits[: self.limits.index(limit)]
        outer = next((one.end for one in reversed(around) if one.end is not None), None)
        if outer is None and end > self.end:
            raise self.short(limit.address, limit.start)
        if size < 0 or (outer is not None and end > outer):
            raise _failed(leaf, "bad length", f"says {size} bits, and there is no room for them")
        limit.end = end

    def stop(self) -> int:
        """Where the innermost part ends whose end is known: a measured one, else the frame."""
        return next((one.end for one in reversed(self.limits) if one.end is not None), self.end)

    def overrun(self, path: str, bit: int) -> DecodeError:
        """What is wrong where bits are needed behind the end of the part that they belong to."""
        if all(one.end is None for one in self.limits):
            return self.short(path, bit)
        return DecodeError("bad length", f"{path} is not whole in the part that a length measures", path, bit)

    def short(self, path: str, bit: int) -> DecodeError:
        return DecodeError("truncated", f"{path} is not whole in {len(self.data)} bytes", path, bit)

    def run(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope, parts: list[Any]) -> int:
        if "word" in node:
            self.words.append((at, at + node["size"], node["word"]))
        for slot in node["slots"]:
            leaf = self.leaf(node, slot, slot["bits"], at, indices, scope)
            parts.append(leaf)
            self.heed(leaf)
        return int(at + node["size"])

    def heed(self, leaf: _Leaf) -> None:
        """Hold a count against its maximum; note where a part ends whose length stands in it."""
        slot = leaf.slot
        if "most" in slot and _number_in(slot, leaf.raw) > slot["most"]:
            raise _failed(leaf, "bad count", f"is {_number_in(slot, leaf.raw)}, more than {slot['most']}")
        if slot["kind"] == "length":
            for limit in self.limits:
                if limit.node["by"] == slot["number"] and limit.end is None:
                    self.sized(limit, leaf)

    def continued(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope, parts: list[Any]) -> int:
        """Read a number of as many bits as it needs: up to the octet that says that it is the last, or as many as its first bits say."""
        slot, stop, end = node["slot"], self.stop(), at
        if "first" in slot:
            leaf = self.leaf(node, slot, self.told_size(node, at, indices), at, indices, scope)
            parts.append(leaf)
            self.heed(leaf)
            return at + leaf.bits
        while end + 8 <= stop and self.data[end // 8] & 0x80:
            end += 8
            if end - at == slot["bits"]:
                path = _located(slot.get("address") or ".".join(slot["path"]), indices)
                raise DecodeError("bad length", f"{path} goes on after {slot['bits'] // 8} octets", path, at)
        end += 8
        leaf = self.leaf(node, slot, end - at, at, indices, scope)
        parts.append(leaf)
        self.heed(leaf)
        return end

    def leaf(self, run: Row, slot: Row, bits: int, at: int, indices: tuple[int, ...], scope: _Scope) -> _Leaf:
        leaf = _Leaf(run, slot, bits, at, indices, scope, len(self.leaves))
        if at + leaf.last() > self.stop():
            raise self.overrun(leaf.address, leaf.bit)
        leaf.read(self.data)
        self.leaves.append(leaf)
        scope.leaves[slot["number"]] = leaf
        return leaf

    def told_size(self, node: Row, at: int, indices: tuple[int, ...]) -> int:
        """The bits of a number whose first bits say it."""
        slot, first = node["slot"], node["slot"]["first"]
        path = _located(slot.get("address") or ".".join(slot["path"]), indices)
        if at + first["bits"] > self.stop():
            raise self.overrun(path, at)
        code = _read(self.data, node, at, 0, first["bits"])
        form = next((one for one in first["forms"] if one[0] <= code <= one[1]), None)
        if form is None:
            raise DecodeError("bad length", f"{path} begins with {code:#x}, none of its forms", path, at)
        return int(first["bits"] + form[2])

    def goes_on(self, node: Row, at: int, indices: tuple[int, ...], number: int, last: _Scope) -> bool:
        """Whether another element follows so many, the last known in its scope: it says so, or there is room for the smallest."""
        if "ends" in node:
            if number and _holds(last.leaf(node["ends"][0]).raw, node["ends"][1]):
                return False
        elif self.stop() - _behind(node, last) - at < node["least"]:
            return False
        if number == node.get("most"):
            path = _located(node["address"], indices)
            raise DecodeError("bad count", f"{path} goes on after {number} elements", path, at)
        return True

    def count(self, node: Row, at: int, indices: tuple[int, ...], scope: _Scope) -> int:
        """How many elements a list has here, known to fit before any is read."""
        path, least = _located(node["address"], indices), node["least"]
        count = node.get("count")
        if "by" in node:
            counter = scope.leaf(node["by"])
            count = _number_in(counter.slot, counter.raw)
        if count is None:
            if "factors" in node:
                count = _product(node, scope)
            else:
                count = max(0, self.stop() - _behind(node, scope) - at) // least
                count = min(count, node["most"]) if "as_fits" in node else count
            if count < 0 or ("most" in node and count > node["most"]):
                raise DecodeError("bad count", f"{path} has {count} elements: that cannot be", path, at)
        if at + count * least > self.stop():
            raise self.overrun(path, at)
        return int(count)

    def judge(self, exact: bool, salvage: bool) -> bool:
        """Whether every check agrees. Raises what is wrong, the gravest first."""
        for leaf in self.leaves:
            if "codes" in leaf.slot and not _holds(leaf.raw, leaf.slot["codes"]):
                raise _failed(leaf, "wrong constant", f"is {leaf.raw:#x}: some other frame")
        over = len(self.data) - self.used
        if exact and over:
            raise DecodeError(
                "trailing bytes", f"{over} bytes are left over after the frame", "", self.used * 8
            )
        failed = self.failed_check()
        if failed is not None:
            if salvage:
                return False
            raise _failed(failed, "check failed", "does not match the frame")
        for leaf in self.leaves:
            if leaf.raw and leaf.slot.get("strict") and leaf.slot["kind"] == "reserved":
                raise _failed(leaf, "reserved bits", "is not zero, in a strict frame")
        return True

    def failed_check(self) -> _Leaf | None:
        """The first check that does not agree; one that is fed with what a check behind it recovers waits for that one."""
        data = self.data[: self.used]
        waiting = [
            leaf for leaf in self.leaves if "check" in leaf.slot and not _is_no_check(leaf.slot, leaf.raw)
        ]
        before = -1
        while len(waiting) != before:  # until nothing more becomes known: of the rest nobody can tell
            before, asked, waiting = len(waiting), waiting, []
            for leaf in asked:
                if not _is_known(leaf):
                    waiting.append(leaf)
                elif not self.agrees(leaf, data):
                    return leaf
        return None

    def agrees(self, leaf: _Leaf, data: bytes) -> bool:
        """Whether a check is what the frame makes it.

        A supplied field that is not known is taken from one that it is mixed into, as far as that tells.
        """
        check = leaf.slot["check"]
        other = leaf.scope.leaf(check["mixed"]) if "mixed" in check else leaf
        if not other.known:
            other.known, other.recovered, other.raw = True, True, 0
            other.raw = (_check_value(leaf, data, self.words) ^ leaf.raw) & ((1 << other.bits) - 1)
        return _check_value(leaf, data, self.words) == leaf.raw

    def supply(self, record: Row, detail: bool, trusted: bool) -> None:
        """Put supplied fields into a record where they are declared."""
        for leaf in self.supplied:
            found: Any = leaf.raw if leaf.known else None
            if detail:
                found = {"raw": found, "value": found}
                if leaf.recovered or not leaf.known:
                    found["reason"] = "recovered" if leaf.known else "not known"
                if not trusted:
                    found["trusted"] = False
            record[leaf.slot["path"][0]] = found
            for key in leaf.slot["later"]:
                if key in record:
                    record[key] = record.pop(key)


def _behind(node: Row, scope: _Scope) -> int:
    """The bits behind what runs to an end, as what was read tells; of what stands in an absent option there is none."""
    there = (
        bits
        for bits, told in node.get("behind", ())
        if all(scope.knows(by) and _holds(scope.leaf(by).raw, codes) for by, codes in told)
    )
    return int(node.get("trailer", 0) + sum(there))


def _failed(leaf: _Leaf, reason: str, words: str) -> DecodeError:
    return DecodeError(reason, f"{leaf.address} {words}", leaf.address, leaf.bit)


def _known(slot: Row, known: Mapping[str, int], scope: _Scope) -> _Leaf:
    """A field without bits, with its code where that is known; known to the whole frame."""
    raw, (low, high) = known.get(slot["path"][0], 0), _limits(slot, slot["bits"])
    if isinstance(raw, bool) or not isinstance(raw, int) or not low <= raw <= high:
        raise ValueError(
            f"{slot['path'][0]} is known as {raw!r}, but {slot['bits']} bits hold {low} to {high}"
        )
    leaf = scope.leaves[slot["number"]] = _Leaf({}, slot, slot["bits"], 0, (), scope, -1)
    leaf.raw, leaf.known = raw, slot["path"][0] in known
    return leaf


def _plain(parts: list[Any], bare: bool) -> Any:
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, _Leaf):
            if not part.slot.get("hidden"):
                _put(made, part.slot["path"], _meant(part)[0])
            continue
        node, inner = part
        if "joined" in node:
            value: Any = _joined_value(node["joined"], _codes_of(inner))[0]
        else:
            value = _nested(node, inner, _plain)
        _put(made, node["path"], value)
    return made[""] if bare else made


def _nested(node: Row, inner: Any, made: Callable[[list[Any], bool], Any]) -> Any:
    """What a list, an option or a choice holds, its containers made by a function."""
    bare = node.get("bare", False)
    if node["part"] == "repeat":
        return [made(one, bare) for one in inner]
    if node["part"] == "choice":
        branch, parts = inner
        return {branch["name"]: made(parts, branch.get("bare", False))}
    return None if inner is None else made(inner, bare)


def _codes_of(elements: list[Any]) -> list[int]:
    return [leaf.raw for element in elements for leaf in element]


def _detailed(parts: list[Any], bare: bool, trusted: bool) -> Any:
    made: dict[Any, Any] = {}
    for part in parts:
        if isinstance(part, _Leaf):
            if part.bits:
                _put(made, part.slot["path"], _leaf_detail(part, trusted))
            continue
        node, inner = part
        if "joined" in node:
            value = _joined_detail(node["joined"], _codes_of(inner), trusted)
        else:
            value = _nested(node, inner, lambda one, is_bare: _detailed(one, is_bare, trusted))
        _put(made, node["path"], value)
    return made[""] if bare else made


def _joined_detail(joined: Row, codes: list[int], trusted: bool) -> Row:
    value, reason = _joined_value(joined, codes)
    made = {"raw": _joined_raw(joined, codes), "value": value}
    if reason:
        made["reason"] = reason
    if not trusted:
        made["trusted"] = False
    return made


def _meant(leaf: _Leaf) -> tuple[Any, str, str]:
    """What a code means beside those of other fields: value, reason and note."""
    found = _read_as(leaf)
    if isinstance(found, str):
        if found == "not valid" or not _is_missing(leaf.slot, leaf.raw):
            return None, found, ""
        found = leaf.slot
    return _meaning(found, leaf.raw)


def _leaf_detail(leaf: _Leaf, trusted: bool) -> Row:
    value, reason, note = _meant(leaf)
    limit = _beyond_limit(leaf.slot.get("limits", ()), value)
    words = (("unit", leaf.slot.get("unit", "")), ("reason", reason), ("note", note), ("limit", limit))
    made = {"raw": leaf.raw, "value": value}
    made.update((key, text) for key, text in words if text)
    if not trusted:
        made["trusted"] = False
    return made


def _decoded(
    frame: Row,
    data: bytes,
    exact: bool,
    detail: bool,
    salvage: bool,
    variants: Mapping[str, str] | None,
    known: Mapping[str, int] | None,
) -> tuple[Row, int]:
    strange = set(known or ()) - {slot["path"][0] for slot in frame.get("supplied", ())}
    if strange:
        raise ValueError(f"{frame['name']} is supplied with no {', '.join(sorted(map(str, strange)))}")
    reading = _Reading(frame, data, variants or {}, known or {})
    trusted, detail = reading.judge(exact, salvage), detail or salvage
    record = _detailed(reading.parts, False, trusted) if detail else _plain(reading.parts, False)
    reading.supply(record, detail, trusted)
    if "derived" in frame:
        _derive(frame["derived"], [record], detail, trusted)
    return record, reading.used
