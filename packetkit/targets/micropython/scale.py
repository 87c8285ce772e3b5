"""From measurements to raw codes, in whole numbers: what the codec does with the same fraction, to the last code.

A field whose value is a scaled number gets a function that takes it as a whole number of a decimal part of its unit (thousandths of a
degree), applies the range policy, and returns the code. Where no number may need more than 30 bits, fields whose steps do are left out,
and the module says which.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from packetkit.layout.slots import Linear, Range, Slot
from packetkit.targets.c.scale import PARTS, Scale, scale_of
from packetkit.targets.micropython.page import MOST_BITS, Page, comment
from packetkit.targets.micropython.record import identifier
from packetkit.targets.micropython.source import Mission, module_name
from packetkit.targets.micropython.walk import FrameCode, within


def function_name(frame: FrameCode, slot: Slot, scale: Scale) -> str:
    return f"{identifier(frame.layout.name)}_{identifier(slot.address)}_from_{PARTS[scale.per]}"


def scaled(frame: FrameCode) -> Iterator[tuple[Slot, Scale, bool]]:
    """Yield the fields that have a function, with how they scale, and whether their steps pass what the mission's numbers may need."""
    names: set[str] = set()
    for slot in frame.declared.slots:
        scale = scale_of(slot)
        if scale is not None and function_name(frame, slot, scale) not in names:
            names.add(function_name(frame, slot, scale))
            yield slot, scale, frame.small and passes(scale)


def passes(scale: Scale) -> bool:
    """Return whether a function's numbers pass MOST_BITS on the way."""
    most = scale.step * abs(scale.far - scale.near) + scale.rest
    ends = (scale.near, scale.far, scale.low, scale.high)
    return most >> MOST_BITS > 0 or any(abs(end) >> MOST_BITS for end in ends)


def text(mission: Mission, frames: Sequence[FrameCode]) -> str:
    """Return the module of all functions."""
    page = Page()
    page.add(
        f"# From measurements of {comment(mission.dossier.mission)} to raw codes, written by packetkit.",
        "# Leave it out where codes are at hand.",
        "",
        f"from {module_name(mission.dossier.mission)} import FieldError",
    )
    for frame in frames:
        for slot, scale, is_left_out in scaled(frame):
            if is_left_out:
                page.add(
                    "",
                    "",
                    f"# {comment(slot.address)}: left out, its steps need numbers of more than {MOST_BITS} bits",
                )
            else:
                _define(page, frame, slot, scale)
    return page.text


def flag_of(frame: FrameCode, slot: Slot) -> str:
    """The attribute of the flag that clamping raises."""
    assert slot.raises is not None
    return frame.record.names[slot.raises]


def _define(page: Page, frame: FrameCode, slot: Slot, scale: Scale) -> None:
    raised = "" if slot.raises is None else ", flags"
    page.add("", "")
    with page.block(f"def {function_name(frame, slot, scale)}(value{raised})"):
        low, high = sorted((scale.near, scale.far))
        if slot.raises is not None:
            page.add(f"# flags: the record whose {flag_of(frame, slot)} is raised when the value is clamped")
        with page.block(f"if value < {low}"):
            _beyond(page, frame, slot, above=False)
        with page.block(f"if value > {high}"):
            _beyond(page, frame, slot, above=True)
        first = _difference("value", scale.near) if scale.rises else f"{scale.near} - value"
        page.add(f"code = {_steps(scale, first)}" + _plus(scale.low))
        _place(page, frame, slot, scale)


def _steps(scale: Scale, distance: str) -> str:
    """The steps above the lowest code that a distance is: divided only where a step is no whole number of parts."""
    inner = f"({distance})" if " " in distance else distance
    whole, rest = divmod(scale.step, scale.divisor)
    if not rest:
        return distance if whole == 1 else f"{inner} * {whole}"
    times = f"{inner} * {scale.step}" if scale.step != 1 else distance
    return f"({times}{_plus(scale.rest)}) // {scale.divisor}"


def _difference(value: str, less: int) -> str:
    return f"{value} - {less}" if less > 0 else f"{value} + {-less}" if less else value


def _plus(value: int) -> str:
    return f" + {value}" if value > 0 else f" - {-value}" if value else ""


def _place(page: Page, frame: FrameCode, slot: Slot, scale: Scale) -> None:
    """What becomes of the code that a value rounds to: sent, or a matter of the range policy."""
    sent = [*slot.legal, *(Range(one.low, one.high) for one in slot.specials if one.meaning != "missing")]
    if len(slot.legal) == 1 and (slot.legal[0].low, slot.legal[0].high) == (scale.low, scale.high):
        page.add("return code")
        return
    with page.block(f"if {within('code', tuple(sorted(sent, key=lambda one: one.low)))}"):
        page.add("return code")
    first, last = slot.legal[0].low, slot.legal[-1].high
    if scale.low < first:
        with page.block(f"if code < {first}"):
            _beyond(page, frame, slot, above=not scale.rises)
    if scale.high > last:
        with page.block(f"if code > {last}"):
            _beyond(page, frame, slot, above=scale.rises)
    _hole(page, frame, slot)


def _hole(page: Page, frame: FrameCode, slot: Slot) -> None:
    """A code between two legal ranges: refused, missing, or the nearest legal one, the lower of two."""
    if slot.policy != "clamp":
        _refused(page, slot)
        return
    for before, after in zip(slot.legal, slot.legal[1:], strict=False):
        with page.block(f"if code <= {(before.high + after.low) // 2}"):
            _clamped(page, frame, slot, before.high)
        if after is not slot.legal[-1]:
            with page.block(f"if code < {after.low}"):
                _clamped(page, frame, slot, after.low)
    _clamped(page, frame, slot, slot.legal[-1].low)


def _beyond(page: Page, frame: FrameCode, slot: Slot, *, above: bool) -> None:
    """A value above, or below, all that can be sent."""
    if slot.policy != "clamp":
        _refused(page, slot)
        return
    wanted = "at_least" if above else "at_most"
    assert isinstance(slot.transform, Linear)
    end = slot.legal[-1].high if above is (slot.transform.numerator > 0) else slot.legal[0].low
    _clamped(page, frame, slot, next((one.low for one in slot.specials if one.meaning == wanted), end))


def _clamped(page: Page, frame: FrameCode, slot: Slot, code: int) -> None:
    page.add(*([f"flags.{flag_of(frame, slot)} = 1"] if slot.raises is not None else []))
    page.add(f"return {code}")


def _refused(page: Page, slot: Slot) -> None:
    """What is neither sent nor clamped: the missing code by policy, else an error that names the field."""
    if slot.policy == "missing" and slot.missing_code is not None:
        page.add(f"return {slot.missing_code}")
    else:
        page.add(f'raise FieldError("{slot.address}: the value is out of range")')
