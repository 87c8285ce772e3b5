"""Groups: the packing and order that hold in one, where it may change them, and that words and summaries come out right."""

from __future__ import annotations

from typing import TYPE_CHECKING

from packetkit.errors import counted
from packetkit.layout import carried
from packetkit.layout.model import Gain
from packetkit.layout.orders import PICTURES
from packetkit.layout.places import Container, Scope, Style
from packetkit.layout.slots import Packing, Slot
from packetkit.schema.model import Field, Summary

if TYPE_CHECKING:
    from packetkit.layout.resolve import Resolver

WORDS = {16: Packing.WORD_16, 32: Packing.WORD_32, 64: Packing.WORD_64}


def place_group(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Place a group, and prove that where it starts and ends goes with its packing."""
    if one.carried and (not r.placed or not carried.starts(r, one, into, style, address)):
        r.placed = False
        return
    inner = carried.inner_style(one) if one.carried else _group_style(r, one, style, address)
    changes = inner.packing is not style.packing
    if changes and r.placed:
        changes = _may_change(r, one, into, address, "starts")
    low, high = into.cursor.low, into.cursor.high
    first = len(r.slots)
    placing = carried.place if one.carried else _place_members
    placing(r, one, into, scope, inner, path, address)
    if not r.placed:
        return
    carried.filled(r, one, into, scope, inner, path, address)
    if one.summary is not None and one.whole:
        _prove_summary(r, one, one.summary, address, r.slots[first:])
    word = inner.packing.word_bits if changes else None
    if changes and not word:
        r.placed = _may_change(r, one, into, address, "ends")
    if word:
        size = into.cursor.low - low
        fixed = high is not None and into.cursor.high is not None and into.cursor.high - high == size
        if not fixed or size % word:
            text = f"{size} bits are not a whole number of {word}-bit words" if fixed else "its size varies"
            remedy = (
                f"Add {counted(word - size % word, 'reserved bit')}."
                if fixed
                else "Put only fields of fixed size into it."
            )
            r.placed = False  # where the next one starts, or what follows, hangs on its size
            r.note(
                one.places.get("word_bits", one.place),
                "words-not-whole",
                r.full(address),
                text,
                remedy,
            )


def _prove_summary(r: Resolver, one: Field, what: Summary, address: str, slots: list[Slot]) -> None:
    """Prove that a summary has fewer bits than its samples would have, and keep how many fewer."""
    bits = sum(slot.width for slot in slots)
    sample = min((slot.width for slot in slots if slot.part != "count"), default=0)
    plain = what.samples * sample
    if bits >= plain:
        text = f"{bits} bits sum up {what.samples} samples, which have {plain} themselves"
        remedy = "Send the samples: repeat, or keep less of them."
        if not sample:
            text, remedy = (
                "nothing is kept but the count",
                "Keep the minimum, the mean or the maximum too.",
            )
        r.note(one.places.get("summary", one.place), "summary-unfit", r.full(address), text, remedy)
        return
    says = f"{what.samples} samples of {sample} bits each"
    r.gains.append(Gain(address, "summary", bits, plain, says))


def _group_style(r: Resolver, one: Field, style: Style, address: str) -> Style:
    """The packing and order inside a group; what goes against the group around it is noted."""
    if one.word_bits is None:
        if style.packing.word_bits and (one.packing or one.order):
            place = one.places.get("packing", one.places.get("order", one.place))
            text = "inside a group of words packing and order are fixed"
            r.note(place, "order-words", r.full(address), text, PICTURES)
            return style
        return Style(packing_of(one.packing) or style.packing, one.order or style.order)
    if one.order != "little" or one.packing == "least_significant_first" or style.packing is not Packing.MOST:
        r.note(
            one.places["word_bits"],
            "order-words",
            r.full(address),
            "word_bits needs order: little and packing most_significant_first",
            PICTURES,
        )
        return style
    return Style(WORDS[one.word_bits], None)


def _may_change(r: Resolver, one: Field, into: Container, address: str, verb: str) -> bool:
    """Whether the packing may change here, at a byte boundary; noted where it may not."""
    over = into.cursor.phase.within(8)
    if over == 0:
        return True
    where = "at a place that is not always a byte boundary"
    some = "reserved bits, up_to: byte,"
    if over is not None:
        where, some = f"{counted(over, 'bit')} into a byte", counted(8 - over, "reserved bit")
    remedy = f"Put {some} before it." if verb == "starts" else f"Add {some} at its end."
    place = one.places.get("packing", one.places.get("word_bits", one.place))
    r.note(
        place,
        "packing-boundary",
        r.full(address),
        f"the packing changes where the group {verb}, {where}",
        remedy,
    )
    return False


def _place_members(
    r: Resolver, one: Field, into: Container, scope: Scope, style: Style, path: tuple[str, ...], address: str
) -> None:
    """Place the members of a plain group."""
    r.place_all(one.fields, into, scope, style, path)


def packing_of(word: str | None) -> Packing | None:
    """The packing that a word names; None: nothing is said."""
    return None if word is None else Packing(word)
