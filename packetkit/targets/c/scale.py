"""From measurements to raw codes, in whole numbers: what Python does with the same fraction, to the last code.

A field whose value is a scaled number gets a function that takes it as a whole number of a decimal part of its unit (thousandths of a
degree), at most a quarter of a step, and applies the range policy. The code is floor((a*n + b) / B): divided, never multiplied by a
reciprocal, which would have to be proven for every n. The range of n is compared first; what is divided is then never negative and
never too large for its type. What surprises: codes of `at_least` and `at_most` are reached by values too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import gcd

from packetkit.layout.slots import Linear, Range, Slot
from packetkit.targets.c import bundled
from packetkit.targets.c.frame import FrameCode, Mission, constant, within
from packetkit.targets.c.words import Page, comment, ctype, identifier, number
from packetkit.targets.target import Dossier

PARTS = {
    1: "whole",
    10: "tenths",
    100: "hundredths",
    10**3: "thousandths",
    10**4: "ten_thousandths",
    10**5: "hundred_thousandths",
    10**6: "millionths",
    10**7: "ten_millionths",
    10**8: "hundred_millionths",
    10**9: "billionths",
}
_FINEST = max(PARTS)


@dataclass(frozen=True, slots=True)
class Scale:
    """How codes from low to high follow from n, a value in parts of a unit: low + (step * distance + rest) / divisor, rounded down.

    distance: of n from `near`, the end of its range that low belongs to; far: the other end. rises: codes rise with n.
    """

    per: int
    low: int
    high: int
    step: int
    rest: int
    divisor: int
    near: int
    far: int
    rises: bool

    @property
    def size(self) -> int | None:
        """Bits of the type that all steps fit, None where none does."""
        most = self.step * abs(self.far - self.near) + self.rest
        ends = (min(self.near, self.far) - 1, max(self.near, self.far) + 1)
        if not all(-(1 << 63) <= end < 1 << 63 for end in ends) or most >= 1 << 64:
            return None
        return 32 if most < 1 << 32 and all(-(1 << 31) <= end < 1 << 31 for end in ends) else 64


def scale_of(slot: Slot) -> Scale | None:
    """Return how a field's codes follow from its values; None where it has no such values, or numbers too large for C."""
    if slot.kind != "number" or not isinstance(slot.transform, Linear) or slot.coding or not slot.legal:
        return None
    transform = slot.transform
    per = (
        1
        if transform.is_integer
        else next((one for one in PARTS if one * transform.scale.__abs__() >= 4), _FINEST)
    )
    codes = [(one.low, one.high) for one in slot.legal]
    codes += [(one.low, one.high) for one in slot.specials if one.meaning != "missing"]
    low, high = min(one for one, _ in codes), max(one for _, one in codes)
    # raw = floor(((n/per)*den - base)/num + 1/2) = floor((2*den*n - 2*base*per + per*num) / (2*per*num))
    a, b, divisor = (
        2 * transform.denominator,
        (transform.numerator - 2 * transform.base) * per,
        2 * per * transform.numerator,
    )
    if divisor < 0:
        a, b, divisor = -a, -b, -divisor
    common = gcd(a, b, divisor)
    a, b, divisor = a // common, b // common, divisor // common
    if a > 0:
        near, far = -((b - low * divisor) // a), ((high + 1) * divisor - 1 - b) // a
    else:
        near, far = (b - low * divisor) // -a, -(((high + 1) * divisor - 1 - b) // -a)
    made = Scale(per, low, high, abs(a), a * near + b - low * divisor, divisor, near, far, a > 0)
    return made if made.size is not None else None


def function_name(frame: FrameCode, slot: Slot, scale: Scale) -> str:
    return f"{frame.prefix}_{identifier(slot.address)}_from_{PARTS[scale.per]}"


def signature(frame: FrameCode, slot: Slot, scale: Scale) -> str:
    """Return the declaration, without what ends it."""
    flag = ", uint8_t *raised" if slot.raises is not None else ""
    code = f"{ctype(slot.width, slot.signed)} *code"
    return f"enum {frame.prefix}_field {function_name(frame, slot, scale)}(int{scale.size}_t value, {code}{flag})"


def scaled(frame: FrameCode) -> Iterator[tuple[Slot, Scale]]:
    """Yield the fields that have a function, with how they scale."""
    names: set[str] = set()
    for slot in frame.layout.slots:
        scale = scale_of(slot)
        if scale is not None and function_name(frame, slot, scale) not in names:
            names.add(function_name(frame, slot, scale))
            yield slot, scale


def text(mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> str:
    """Return the source of all functions."""
    page = Page()
    page.add(
        f"/* From measurements of {comment(dossier.mission)} to raw codes, written by packetkit. Leave it out where codes are at hand. */",
        f'#include "{mission.prefix}.h"',
        "",
    )
    for frame in frames:
        for slot, scale in scaled(frame):
            _define(page, frame, slot, scale)
        bundled.define(page, frame)
    return page.text


def _define(page: Page, frame: FrameCode, slot: Slot, scale: Scale) -> None:
    kind, wide = ctype(slot.width, slot.signed), f"uint{scale.size}_t"
    with page.block(signature(frame, slot, scale)):
        low, high = sorted((scale.near, scale.far))
        if low > high:
            low, high = scale.near, scale.far
        with page.block(f"if (value < {_signed(low)})"):
            _beyond(page, frame, slot, above=False)
        with page.block(f"if (value > {_signed(high)})"):
            _beyond(page, frame, slot, above=True)
        first = (
            f"({wide})value - ({wide}){_signed(scale.near)}"
            if scale.rises
            else f"({wide}){_signed(scale.near)} - ({wide})value"
        )
        page.add(f"const {wide} distance = ({wide})({first});")
        page.add(
            f"const {wide} steps = ({wide})((distance * {number(scale.step)} + {number(scale.rest)}) / {number(scale.divisor)});"
        )
        page.add(f"const {kind} found = ({kind})({_code(slot, scale, wide)});")
        _place(page, frame, slot, scale)
    page.add("")


def _code(slot: Slot, scale: Scale, wide: str) -> str:
    """The code that so many steps above the lowest is, in unsigned arithmetic."""
    if not scale.low:
        return "steps"
    return f"steps + ({wide}){_signed(scale.low)}"


def _signed(value: int) -> str:
    """A number with its sign as a constant."""
    if value == -(1 << 63):
        return "(-9223372036854775807 - 1)"
    return str(value) if value >= 0 else f"({value})"


def _place(page: Page, frame: FrameCode, slot: Slot, scale: Scale) -> None:
    """What becomes of the code that a value rounds to: sent, or a matter of the range policy."""
    sent = [*slot.legal, *(Range(one.low, one.high) for one in slot.specials if one.meaning != "missing")]
    if len(slot.legal) == 1 and (slot.legal[0].low, slot.legal[0].high) == (scale.low, scale.high):
        page.add("*code = found;", f"return {frame.upper}_OK;")
        return
    with page.block(f"if ({_among('found', sent, slot)})"):
        page.add("*code = found;", f"return {frame.upper}_OK;")
    first, last = slot.legal[0].low, slot.legal[-1].high
    if scale.low < first:
        with page.block(f"if (found < {constant(first, slot)})"):
            _beyond(page, frame, slot, above=not scale.rises)
    if scale.high > last:
        with page.block(f"if (found > {constant(last, slot)})"):
            _beyond(page, frame, slot, above=scale.rises)
    _hole(page, frame, slot)


def _among(name: str, codes: list[Range], slot: Slot) -> str:
    return within(name, sorted(codes, key=lambda one: one.low), slot)


def _hole(page: Page, frame: FrameCode, slot: Slot) -> None:
    """A code between two legal ranges: refused, missing, or the nearest legal one, the lower of two."""
    if slot.policy != "clamp":
        _refused(page, frame, slot)
        return
    for before, after in zip(slot.legal, slot.legal[1:], strict=False):
        middle = (before.high + after.low) // 2
        with page.block(f"if (found <= {constant(middle, slot)})"):
            _clamped(page, frame, slot, before.high)
        if after is not slot.legal[-1]:
            with page.block(f"if (found < {constant(after.low, slot)})"):
                _clamped(page, frame, slot, after.low)
    _clamped(page, frame, slot, slot.legal[-1].low)


def _beyond(page: Page, frame: FrameCode, slot: Slot, *, above: bool) -> None:
    """A value above, or below, all that can be sent."""
    if slot.policy != "clamp":
        _refused(page, frame, slot)
        return
    wanted = "at_least" if above else "at_most"
    assert isinstance(slot.transform, Linear)
    end = slot.legal[-1].high if above is (slot.transform.numerator > 0) else slot.legal[0].low
    _clamped(page, frame, slot, next((one.low for one in slot.specials if one.meaning == wanted), end))


def _clamped(page: Page, frame: FrameCode, slot: Slot, code: int) -> None:
    page.add(*(["*raised = 1;"] if slot.raises is not None else []))
    page.add(f"*code = {constant(code, slot)};", f"return {frame.upper}_OK;")


def _refused(page: Page, frame: FrameCode, slot: Slot) -> None:
    """What is neither sent nor clamped: the missing code by policy, else an error that names the field."""
    if slot.policy == "missing" and slot.missing_code is not None:
        page.add(f"*code = {constant(slot.missing_code, slot)};", f"return {frame.upper}_OK;")
    else:
        page.add(f"return {frame.fields[slot.number]};")


def declarations(frame: FrameCode) -> list[str]:
    """Return what the header says of a frame's functions."""
    found = list(scaled(frame))
    if not found:
        return bundled.declarations(frame)
    lines = [
        "",
        "/* From a value in parts of its unit to the code that is sent, by the rule of the ground and the range policy of the schema",
        f" * ({frame.mission.prefix}_scale.c). Whole numbers only, exact; OK, or the field whose value is out of range. */",
    ]
    lines += [f"{signature(frame, slot, scale)};" for slot, scale in found]
    return lines + bundled.declarations(frame)
