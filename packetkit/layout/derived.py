"""From the arithmetic that a team wrote to derived values: every name found, every operand a way from the value's own container.

A derived value may use numbers that stand before it in its group or one around it, and derived values among them; one field that is
not always there may be used too, and then there is a value when it is. Faults are noted on the resolver's list.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from packetkit.layout.expression import Expression, Fault, names, parse
from packetkit.layout.limits import Limit, limits_of
from packetkit.layout.model import Choice, Derived, Measured, Node, Operand, Optional, Repeat, slots_of
from packetkit.layout.places import Scope
from packetkit.schema.model import Field, Place
from packetkit.schema.words import shown

Note = Callable[[Place, str, str, str, str], None]  # place, rule, path, summary, remedy
Suggest = Callable[[str, Scope, tuple[str, ...]], str]
OPERANDS = ("number", "float", "derived")  # kinds that have a number for a value
_Chain = tuple[int, ...]  # the numbers of the repeats and options around something, outermost first


@dataclass(frozen=True, slots=True)
class Pending:
    """A derived value whose operands are known by slot number, or are derived values themselves."""

    one: Field
    container: int | None
    path: tuple[str, ...]
    address: str
    expression: Expression
    uses: tuple[int | Pending, ...]
    later: tuple[tuple[str, ...], ...]


class Derivations:
    """The derived values of one frame, in the order in which they are declared."""

    def __init__(self, note: Note, suggest: Suggest) -> None:
        self.note = note
        self.suggest = suggest
        self.pending: list[Pending] = []
        self.moved: dict[int, int] = {}  # slots that have another number by the time all is placed
        self.later: list[
            tuple[str, ...]
        ] = []  # the keys that are still to come, group by group, the frame's first

    def add(
        self, one: Field, container: int | None, path: tuple[str, ...], address: str, scope: Scope, where: str
    ) -> Pending | None:
        """Note a derived value where it stands; None where something is wrong with it."""
        place = one.places.get("derived", one.place)
        try:
            tree = parse(one.derived)
        except Fault as fault:
            self.note(place, fault.rule, where, fault.summary, fault.remedy)
            return None
        if not names(tree):
            text, remedy = "it names no field", "Write the names of the fields that it is worked out from."
            self.note(place, "expression-shape", where, text, remedy)
            return None
        uses = [self.operand(name, place, scope, where) for name in names(tree)]
        found = tuple(use for use in uses if use is not None)
        if len(found) < len(uses):
            return None
        limits_of(one, lambda at, rule, text, remedy: self.note(at, rule, where, text, remedy))
        made = Pending(one, container, path, address, tree, found, tuple(self.later[-len(path) :]))
        self.pending.append(made)
        return made

    def operand(self, name: str, place: Place, scope: Scope, where: str) -> int | Pending | None:
        found = scope.find(name)
        if found is not None and found[1] in found[0].broken:
            return None
        inside, last = found if found is not None else (scope, "")
        slot = inside.slots.get(last) or inside.sometimes.get(last)
        if slot is not None and slot.kind in OPERANDS:
            return slot.number
        derived = inside.derived.get(last)
        if isinstance(derived, Pending):
            return derived
        text = f"{shown(name)} is not a number before this field"
        if slot is not None:
            text = f"{slot.address} is a {slot.kind} field, not a number"
        self.note(place, "operand-unknown", where, text, self.suggest(name, scope, OPERANDS))
        return None

    def resolved(self, nodes: tuple[Node, ...]) -> tuple[Derived, ...]:
        """The derived values of a frame whose nodes are these."""
        homes: dict[int, tuple[_Chain, tuple[str, ...]]] = {}
        chains: dict[int | None, _Chain] = {None: ()}
        _survey(nodes, (), homes, chains)
        made = []
        for one in self.pending:
            chain = chains[one.container]
            operands = []
            for use in one.uses:
                if isinstance(use, int):
                    around, path = homes[self.moved.get(use, use)]
                else:
                    around, path = chains[use.container], use.path
                operands.append(Operand(len(chain) - len(around), path))
            text, line = " ".join(one.one.derived.split()), one.one.place.position.line
            description = " ".join(one.one.description.split())
            made.append(
                Derived(
                    one.container,
                    one.path,
                    one.address,
                    one.expression,
                    tuple(operands),
                    text,
                    one.later,
                    one.one.unit,
                    description,
                    line,
                    tuple(Limit(row.name, row.minimum, row.maximum) for row in one.one.limits),
                )
            )
        return tuple(made)


def _survey(
    nodes: tuple[Node, ...],
    chain: _Chain,
    homes: dict[int, tuple[_Chain, tuple[str, ...]]],
    chains: dict[int | None, _Chain],
) -> None:
    """Find out in which container each slot stands, and in which ones each container; an option that is one value is that value."""
    for node in nodes:
        for slot in slots_of(node):
            homes[slot.number] = (chain, slot.path)
        if isinstance(node, Measured):
            _survey(node.body, chain, homes, chains)
        elif isinstance(node, Choice):
            for branch in node.branches:
                chains[branch.number] = (*chain, branch.number)
                _survey(branch.body, chains[branch.number], homes, chains)
        elif isinstance(node, (Repeat, Optional)):
            inner = node.element if isinstance(node, Repeat) else node.body
            chains[node.number] = (*chain, node.number)
            _survey(inner, chains[node.number], homes, chains)
            if isinstance(node, Optional) and node.bare:
                for slot in (slot for part in inner for slot in slots_of(part)):
                    homes[slot.number] = (chain, node.path)
