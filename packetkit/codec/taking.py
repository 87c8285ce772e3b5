"""Generated lines that take a plain record apart: each list, option and part in a variable, each field with the text of its value.

Every container must be a dict with its keys and no other, every list must have a length that can be sent: whatever is not so raises in the
generated function, and the walker has the record. Counts and lengths get their codes here, before they are written.
"""

from __future__ import annotations

from packetkit.codec.checks import NotGeneratedError
from packetkit.codec.codes import Codes
from packetkit.codec.given import stands_for_absence
from packetkit.codec.source import Source
from packetkit.codec.stretch import Elements, Entries, Spot, Stretch
from packetkit.layout.joined import to_codes
from packetkit.layout.model import Choice, Layout, Measured, Node, Optional, Repeat, fixed_size


class Taking:
    """Takes one layout's records apart, in a function under construction. counted: counts and lengths whose codes are in variables."""

    def __init__(self, layout: Layout, source: Source, codes: Codes) -> None:
        self.layout = layout
        self.source = source
        self.codes = codes
        self.counted: set[int] = set()

    def take(self, entries: Entries, holder: str, *, bare: bool) -> None:
        """Give each spot the text of its value, and check that the holder has these keys and no other."""
        if bare:
            self.taken(entries[0][1], holder)
            return
        groups: dict[tuple[str, ...], str] = {(): holder}
        keys: dict[tuple[str, ...], set[str]] = {(): set()}
        for path, _ in entries:
            for depth in range(len(path)):
                keys.setdefault(path[:depth], set()).add(path[depth])
        for path, inside in keys.items():
            if path:
                groups[path] = self.codes.variable("g")
                self.source.add(f"{groups[path]} = {groups[path[:-1]]}[{path[-1]!r}]")
            self.source.fail_unless(f"type({groups[path]}) is dict and len({groups[path]}) == {len(inside)}")
        for path, what in entries:
            self.taken(what, f"{groups[path[:-1]]}[{path[-1]!r}]")

    def taken(self, what: Spot | Elements | str, text: str) -> None:
        """Take one thing of a record, whose value is the text."""
        if isinstance(what, Spot):
            what.text = text
        elif isinstance(what, str):
            self.source.add(f"{what} = {text}")
        else:
            name = self.codes.variable("l")
            self.source.add(f"{name} = {text}")
            self.source.fail_unless(f"type({name}) in lists and len({name}) == {len(what.each)}")
            for number, element in enumerate(what.each):
                holder = f"{name}[{number}]"
                if not what.bare:
                    holder = self.codes.variable("e")
                    self.source.add(f"{holder} = {name}[{number}]")
                self.take(element, holder, bare=what.bare)

    def lengths(self, pieces: list[Stretch | Node]) -> None:
        """Check the lengths of a container's lists, and give counts their codes before they are written."""
        for node in pieces:
            if isinstance(node, Repeat) and node.joined is not None:
                self.source.add(f"n{node.number} = {self.coder_of_text(node)}(n{node.number})")
                self.length(node, f"n{node.number}", "")
            elif isinstance(node, Repeat):
                self.length(node, f"n{node.number}", f"type(n{node.number}) in lists")
        for node in pieces:
            if (
                isinstance(node, Optional)
                and len(node.body) == 1
                and isinstance(node.body[0], Repeat)
                and node.bare
            ):
                self.optional_length(node.body[0], f"n{node.number}")

    def coder_of_text(self, node: Repeat) -> str:
        """The name of a function from a text, or octets, to its codes: octets where a character has eight bits."""
        joined, count = node.joined, node.count
        assert joined is not None
        octets = node.minimum_bits == 8

        def codes(value: object) -> bytes | tuple[int, ...]:
            found = to_codes(joined, value, count)
            return bytes(found) if octets else found

        return self.source.name("text", lambda: codes, (joined, count, octets))

    def length(self, node: Repeat, name: str, is_list: str) -> None:
        if is_list:
            self.source.fail_unless(is_list)
        if node.count is not None:
            self.source.fail_unless(f"len({name}) == {node.count}")
            return
        number = node.counted_by
        if number is None:
            if node.maximum is not None:
                self.source.fail_unless(f"len({name}) <= {node.maximum}")
        elif number in self.counted:
            self.source.fail_unless(f"len({name}) == r{number}")
        else:
            self.counted.add(number)
            self.source.add(f"r{number} = len({name})")
            self.source.fail_unless(f"r{number} <= {self.most(node)}")

    def optional_length(self, node: Repeat, name: str) -> None:
        """The same for an option that is a list: absent, it counts as an empty one."""
        number = node.counted_by
        if number is None:
            return  # a fixed number: looked at where it is written
        if node.joined is not None:
            coded = self.codes.variable("k")
            self.source.add(f"{coded} = None if {name} is None else {self.coder_of_text(node)}({name})")
            name = coded
        else:
            self.source.fail_unless(f"{name} is None or type({name}) in lists")
        if number in self.counted:
            self.source.fail_unless(f"{name} is None or len({name}) == r{number}")
        else:
            self.counted.add(number)
            self.source.add(f"r{number} = 0 if {name} is None else len({name})")
            self.source.fail_unless(f"r{number} <= {self.most(node)}")

    def most(self, node: Repeat) -> int:
        assert node.counted_by is not None
        counter = self.layout.slots[node.counted_by]
        limits = (node.maximum, counter.maximum_count, counter.raw_limits[1])
        return min(one for one in limits if one is not None)

    def sizes(self, nodes: tuple[Node, ...]) -> None:
        """Give the lengths of a container's measured parts their codes before they are written."""
        for node in nodes:
            if not isinstance(node, Measured):
                continue
            self.sizes(node.body)
            self.counted.add(node.by)
            self.source.add(f"q = {_size_text(node.body)}")
            self.source.add(f"r{node.by} = q // {node.unit_bits} - {node.less}")
            most = self.layout.slots[node.by].raw_limits[1]
            whole = f"q % {node.unit_bits} == 0 and " if node.unit_bits > 1 else ""
            self.source.fail_unless(f"{whole}0 <= r{node.by} <= {most}")


def _size_text(nodes: tuple[Node, ...]) -> str:
    """The text of a part's bits, from the variables that hold its lists, texts, options and variants."""
    fixed, terms = 0, []
    for node in nodes:
        size = fixed_size(node)
        if size is not None:
            fixed += size
        elif isinstance(node, Measured):
            terms.append(f"({_size_text(node.body)})")
        elif isinstance(node, Repeat) and node.minimum_bits == node.maximum_bits:
            terms.append(f"len(n{node.number}) * {node.minimum_bits}")
        elif (
            isinstance(node, Optional)
            and node.minimum_bits == node.maximum_bits
            and not stands_for_absence(node)  # whether such a one is there, None does not tell
        ):
            terms.append(f"(0 if n{node.number} is None else {node.minimum_bits})")
        elif isinstance(node, Choice) and all(
            _fixed_sizes(branch.body) is not None for branch in node.branches
        ):
            sizes = {branch.name: _fixed_sizes(branch.body) for branch in node.branches}
            terms.append(f"{sizes!r}[next(iter(n{node.number}), None)]")
        else:
            raise NotGeneratedError
    return " + ".join([str(fixed), *terms])


def _fixed_sizes(nodes: tuple[Node, ...]) -> int | None:
    sizes = [fixed_size(node) for node in nodes]
    return None if None in sizes else sum(size for size in sizes if size is not None)
