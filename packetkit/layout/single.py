"""One field that has bits: its meaning becomes a slot at its place, with what other fields say of it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout import beside, bundle, continued
from packetkit.layout.coding import CODINGS
from packetkit.layout.conditions import flag_of
from packetkit.layout.kinds import meaning
from packetkit.layout.meaning import Meaning
from packetkit.layout.model import Gain
from packetkit.layout.orders import PICTURES, reversal
from packetkit.layout.places import Container, Scope, Spot, Style
from packetkit.layout.slots import Bundle, Packing
from packetkit.layout.spans import PendingCheck
from packetkit.schema.model import Field, Place

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

MAXIMUM_CHECKS = 64  # more than any format has; they are ordered by comparing each with each


def place_slot(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Place a field that has bits; what hangs on where it stands is kept with the resolver."""
    where = r.full(address)
    algorithm = r.checks.algorithm(one, where) if one.kind == "check" and not r.is_flooded else None

    def note(place: Place, rule: str, summary: str, remedy: str) -> None:
        r.note(place, rule, where, summary, remedy)

    made = meaning(one, note, algorithm)
    if made is None:
        r.whole = r.placed = False
        scope.broken.add(one.name)
        return
    made, more = _beside(r, one, made, scope, style, address)
    _note_role(r, one, made, address, where)
    if scope.split is not None:
        _among_runs(r, one, made.width, into, scope.split, where, more)
    spot = into.spot()
    slot = r.new_slot(made, path, address, **more)
    if slot.is_continued:
        continued.place(r, one, slot, into, scope, style)
    else:
        into.add_slot(slot, style.packing)
    if slot.pieces:  # where its foremost bit is, wherever its group has come to
        spot = Spot(into, len(into.nodes), slot.offset_bits, spot.cursor)
    elif into.open is not None and into.open.size == slot.width:
        spot = Spot(into, len(into.nodes), 0, spot.cursor)
    scope.slots[one.name] = slot
    if one.kind == "length":
        r.length_slots[id(one)] = slot
    if one.kind == "count":
        r.counts[slot.number] = (one, where)
    if algorithm is not None:
        _pend(r, PendingCheck(one, slot.number, algorithm, scope, into.start, spot, where, style))


def _beside(
    r: Resolver, one: Field, made: Meaning, scope: Scope, style: Style, address: str
) -> tuple[Meaning, dict[str, object]]:
    """The meaning in the order that holds here, and what the frame and other fields add to the slot."""
    where, turned = r.full(address), False
    if isinstance(made.slot.get("transform"), Bundle):
        made = _bundled(r, one, made.slot["transform"], made, style, address)
    else:
        coding = made.slot.get("coding", "")
        varies = bool(coding) and CODINGS[coding].continued
        turned = not varies and reversal(r, one, made.width, style, where)
    more: dict[str, object] = {"octets_reversed": turned, "bits_reversed": one.stored == "bits_reversed"}
    made = _clocked(r, one, made, turned, style, where)
    if one.flag is not None:
        more["raises"] = flag_of(r, one, scope, where)
    more |= beside.told(r, one, made.slot.get("transform"), scope, where)
    if one.kind == "reserved":
        more["strict"] = bool(one.strict if one.strict is not None else r.frame.strict)
    return made, more


def _pend(r: Resolver, check: PendingCheck) -> None:
    """Keep a check until every place is known, unless there are too many."""
    if len(r.checks.pending) < MAXIMUM_CHECKS:
        r.checks.pending.append(check)
        return
    text = f"this is check {MAXIMUM_CHECKS + 1}, and {MAXIMUM_CHECKS} is the most"
    r.note(check.one.place, "too-many-checks", check.path, text, "Leave checks out.")


def _note_role(r: Resolver, one: Field, made: Meaning, address: str, where: str) -> None:
    """Keep the field that has a role; a second one is noted."""
    role = made.slot.get("role")
    if role is None:
        return
    if role.name in r.roles:
        text = f"{r.roles[role.name][0]} has role {role.name} already"
        remedy = "Leave role out of one of them: a frame has one field of each role."
        r.note(one.places["role"], "role-unfit", where, text, remedy)
    else:
        r.roles[role.name] = (address, len(r.slots))


def _clocked(r: Resolver, one: Field, made: Meaning, reversal: bool, style: Style, where: str) -> Meaning:
    """A time's clock, or calendar, with its parts in its code; each part is a number of its own in the octet order that holds here."""
    key = "calendar" if "calendar" in made.slot else "clock"
    counted = made.slot.get(key)
    if counted is None:
        return made
    widths = [part.width for part in (counted.parts if key == "clock" else counted.counts)]
    if reversal and any(width % 8 for width in widths):
        text = "its counts are not whole octets, so their octets cannot be turned"
        r.note(one.places.get("order", one.place), "order-width", where, text, PICTURES)
    low_first = (style.natural == "little") is not reversal and not one.runs
    return replace(made, slot={**made.slot, key: counted.in_wire_order(low_first)})


def _bundled(r: Resolver, one: Field, made: Bundle, meaning: Meaning, style: Style, address: str) -> Meaning:
    """A bundle with its codes in the order that holds here, each a number of its own; what it saves is kept."""
    widths = [made.sample.width, *([made.width] if made.width > 8 else [])]
    turned = [reversal(r, one, width, style, r.full(address)) for width in widths]
    says = f"{made.samples} samples of {made.sample.width} bits each"
    r.gains.append(Gain(address, "bundle", made.bits, made.plain_bits, says))
    made = replace(made, sample=replace(made.sample, address=f"{address}[]"))
    found = bundle.placed(made, first_low=style.packing is Packing.LEAST, octets_reversed=True in turned)
    return replace(meaning, slot={**meaning.slot, "transform": found})


def _among_runs(
    r: Resolver, one: Field, width: int, into: Container, start: int, where: str, more: dict[str, object]
) -> None:
    """Add a split value's pieces; another field of its group must fit between the bits that are set aside."""
    if one.runs:
        more["pieces"] = tuple((start + bit, size) for bit, size in one.runs)
        more["offset_bits"] = start + min(bit for bit, _ in one.runs)
        return
    free = into.room()
    if free is not None and free < width:
        assert into.open is not None
        has = counted(width, "bit")
        room = "1 is" if free == 1 else f"{free} are"
        text = f"it has {has}, and from bit {into.open.size - start} of its group {room} left before a run"
        r.note(one.place, "runs-unfit", where, text, "Split it with runs, or move it.")
        r.placed = False
