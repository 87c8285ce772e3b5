"""Envelopes written out: a frame that carries another gets that one's fields, as a group that is a frame by itself.

`{name: payload, carried: survey}` becomes a group `payload` with one group in it, `survey`, which has the fields of that frame and says
so (`Field.carried`): there spans and boundaries count from its own start, and its own packing and order hold. What names a whole frame
in it, a check or a length, is made to name that group. Later stages see groups. A frame that is carried and has no cadence of its own
is sent in envelopes only.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

from packetkit.schema.model import Covers, Field, Frame, FrameSize, Place
from packetkit.schema.words import closest, shown

WHOLE_FRAME = "whole_frame"
MAXIMUM_FIELDS = 2_000  # of all that is carried: several times what the largest mission declares

Note = Callable[[Place, str, str, str], None]  # place, path, summary, remedy


def written_out(frames: tuple[Frame, ...], note: Note) -> tuple[Frame, ...]:
    """Return frames with what they carry in them; what cannot be carried is noted, and its field is not whole."""
    return _Envelopes({frame.name: frame for frame in frames}, note).all(frames)


def carried_in(fields: tuple[Field, ...]) -> Iterator[str]:
    """Yield the name of each frame that these fields carry, also those inside carried ones."""
    for one in fields:
        if one.carried:
            yield one.carried
        for inner in (one.fields, *(variant.fields for variant in one.variants)):
            yield from carried_in(inner)


class _Envelopes:
    """The frames of one mission, by name, and how many fields were written out so far."""

    def __init__(self, frames: Mapping[str, Frame], note: Note) -> None:
        self.frames = frames
        self.note = note
        self.written = 0

    def all(self, frames: tuple[Frame, ...]) -> tuple[Frame, ...]:
        carried = {name for frame in frames for name in carried_in(frame.fields)}
        made = []
        for frame in frames:
            only = frame.name in carried and frame.cadence_s is None
            fields = self.fields(frame.fields, frame.name, frame.name)
            frame = replace(frame, fields=_with_one_of_each_role(fields, set(_roles(frame.fields))))
            made.append(replace(frame, carried_only=True, told_by="outside") if only else frame)
        return tuple(made)

    def fields(self, fields: tuple[Field, ...], holder: str, path: str) -> tuple[Field, ...]:
        """Return fields with what they carry written out; holder: the frame they are declared in."""
        made = []
        for one in fields:
            inside = f"{path}.{one.name}"
            if one.kind == "carried":
                made.append(self.envelope(one, holder, inside))
                continue
            forms = tuple(
                replace(form, fields=self.fields(form.fields, holder, f"{inside}.{form.name}"))
                for form in one.variants
            )
            made.append(replace(one, fields=self.fields(one.fields, holder, inside), variants=forms))
        return tuple(made)

    def envelope(self, one: Field, holder: str, path: str) -> Field:
        """Return the group that stands for a carried frame."""
        group = replace(one, kind="group", carried="")
        frame = self.frames.get(one.carried)
        fault = None if not one.whole else self.fault(one, frame, holder)
        if fault is not None:
            self.note(one.places["carried"], path, *fault)
        if frame is None or fault is not None or not one.whole:
            return replace(group, whole=False)
        fields = self.fields(frame.fields, frame.name, f"{path}.{frame.name}")
        inner = Field(
            frame.name,
            "group",
            one.place,
            one.places,
            packing=frame.packing or "most_significant_first",
            order=frame.order,
            fields=tuple(_of_its_own(member, frame) for member in (*fields, *_last_byte(frame))),
            carried=frame.name,
        )
        return replace(group, fields=(inner,))

    def fault(self, one: Field, frame: Frame | None, holder: str) -> tuple[str, str] | None:
        """What keeps a frame from being carried, and the remedy."""
        name = one.carried
        if frame is None:
            near = closest(name, tuple(self.frames))
            others = ", ".join(other for other in self.frames if other != holder)
            remedy = f"Did you mean {near}?" if near else f"One of: {others}." if others else "Declare it."
            return f"no frame is named {shown(name)}", remedy
        way = self.way_back(name, (holder,), set())
        if way is not None:
            text = f"{holder} carries {', which carries '.join(way[1:])}"
            return text, "A frame cannot hold itself: carry another one."
        supplied = next((field.name for field in frame.fields if field.kind == "supplied"), None)
        if supplied is not None:
            text = f"{name} is supplied with {supplied}, which nothing tells inside another frame"
            return text, "Carry a frame without supplied fields."
        sized = next(_fed_the_size(frame.fields), None)
        if sized is not None:
            text = f"{sized} of {name} is fed with the frame's size, which is the envelope's in here"
            return text, "Carry a frame whose checks are fed no size; write a constant size as octets."
        if name in _names(frame.fields):
            return f"a field of {name} is named {name} too", "Give that field, or the frame, another name."
        self.written += _count(frame.fields)
        if self.written > MAXIMUM_FIELDS:
            return f"what is carried adds up to more than {MAXIMUM_FIELDS:,} fields", "Carry less."
        return None

    def way_back(self, name: str, way: tuple[str, ...], seen: set[str]) -> tuple[str, ...] | None:
        """The way from a holder through what it carries to a frame that is on it already; None where there is none."""
        if name in way:
            return (*way, name)
        frame = self.frames.get(name)
        if frame is None or name in seen:
            return None
        seen.add(name)
        ways = (self.way_back(inner, (*way, name), seen) for inner in carried_in(frame.fields))
        return next((found for found in ways if found is not None), None)


def _count(fields: tuple[Field, ...]) -> int:
    inner = [group for one in fields for group in (one.fields, *(form.fields for form in one.variants))]
    return len(fields) + sum(map(_count, inner))


def _names(fields: tuple[Field, ...]) -> set[str]:
    """Every name in these fields, however deep."""
    inner = [group for one in fields for group in (one.fields, *(form.fields for form in one.variants))]
    return {one.name for one in fields}.union(*map(_names, inner))


def _fed_the_size(fields: tuple[Field, ...]) -> Iterator[str]:
    """Yield the name of each check that is fed with the size of the whole frame."""
    for one in fields:
        if any(isinstance(item, FrameSize) for item in one.also):
            yield one.name
        for inner in (one.fields, *(form.fields for form in one.variants)):
            yield from _fed_the_size(inner)


def _roles(fields: tuple[Field, ...]) -> Iterator[str]:
    """Yield the role of each field of a frame's own."""
    for one in fields:
        if one.role is not None:
            yield one.role
        for inner in (one.fields, *(form.fields for form in one.variants)):
            yield from _roles(inner)


def _with_one_of_each_role(
    fields: tuple[Field, ...], taken: set[str], *, carried: bool = False
) -> tuple[Field, ...]:
    """Return fields of which those that are carried have no role that another has: an envelope is accounted for by its own."""
    made = []
    for one in fields:
        inside = carried or bool(one.carried)
        if inside and one.role in taken:
            # A time has an epoch of its own, without a role.
            one = replace(
                one, role=None, modulus=None, tick_s=None, epoch=one.epoch if one.kind == "time" else None
            )
        elif inside and one.role is not None:
            taken.add(one.role)
        if not any(form.in_turn for form in one.fields if inside):  # told by the sequence that is beside them
            forms = tuple(
                replace(form, fields=_with_one_of_each_role(form.fields, taken, carried=inside))
                for form in one.variants
            )
            one = replace(
                one, fields=_with_one_of_each_role(one.fields, taken, carried=inside), variants=forms
            )
        made.append(one)
    return tuple(made)


def _last_byte(frame: Frame) -> tuple[Field, ...]:
    """The bits that complete a frame's last byte, as the loader names bits that have no name."""
    if frame.last_byte is None:
        return ()
    taken = {one.name for one in frame.fields}
    names = ("reserved", *(f"reserved_{number}" for number in range(2, len(taken) + 3)))
    name = next(name for name in names if name not in taken)
    return (Field(name, "reserved", frame.place, named=False, up_to="byte"),)


def _of_its_own(one: Field, frame: Frame) -> Field:
    """Return a field of a carried frame, what it says of the whole frame said of that one's group; strict where that frame is."""
    if one.carried:
        return one  # a frame of its own already
    if one.fields or one.variants:
        inner = tuple(_of_its_own(member, frame) for member in one.fields)
        forms = tuple(
            replace(form, fields=tuple(_of_its_own(member, frame) for member in form.fields))
            for form in one.variants
        )
        one = replace(one, fields=inner, variants=forms)
    if one.measures == WHOLE_FRAME:
        return replace(one, measures=frame.name)
    if one.covers is not None and one.covers.what == WHOLE_FRAME:
        return replace(one, covers=Covers("names", (frame.name,)))
    if one.kind == "reserved" and one.strict is None and frame.strict:
        return replace(one, strict=True)
    return one
