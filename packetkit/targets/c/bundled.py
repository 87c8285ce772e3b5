"""From samples to the first code and differences of a bundle, and back: on codes, by the rules of packetkit/layout/bundle.py.

Each difference is against the sample before it as it will be decoded; a missing sample leaves that alone.
"""

from __future__ import annotations

from collections.abc import Iterator

from packetkit.layout.slots import Bundle, Slot
from packetkit.targets.c.frame import FrameCode, constant
from packetkit.targets.c.words import Page, ctype, identifier


def bundles(frame: FrameCode) -> Iterator[tuple[Slot, Bundle]]:
    """Yield the bundles of a frame whose samples' codes the words of C can count with."""
    names: set[str] = set()
    for slot in frame.declared.slots:
        if isinstance(slot.transform, Bundle) and _bits(slot.transform) <= 63:
            name = identifier(slot.address)
            if name not in names:
                names.add(name)
                yield slot, slot.transform


def _bits(bundle: Bundle) -> int:
    """Bits, with a sign, of the farthest code that a damaged bundle could reach."""
    return max(bundle.sample.width, bundle.width + bundle.differences.bit_length()) + 2


def _count(bundle: Bundle) -> str:
    """The type that codes of samples are counted in."""
    return "int32_t" if _bits(bundle) <= 31 else "int64_t"


def signatures(frame: FrameCode, slot: Slot, bundle: Bundle) -> tuple[str, str]:
    """Return the declarations of both functions, without what ends them."""
    name, codes = f"{frame.prefix}_{identifier(slot.address)}", _count(bundle)
    first = ctype(bundle.sample.width, bundle.sample.signed)
    step = ctype(bundle.width, True)
    raised = ", uint8_t *raised" if slot.raises is not None else ""
    return (
        f"enum {frame.prefix}_field {name}_from_codes(const {codes} *codes, {first} *first, {step} *steps{raised})",
        f"void {name}_to_codes({first} first, const {step} *steps, {codes} *codes)",
    )


def declarations(frame: FrameCode) -> list[str]:
    """Return what the header says of them."""
    found = list(bundles(frame))
    if not found:
        return []
    lines = [
        "",
        "/* From the codes of a bundle's samples, the oldest first, to what is sent, and back: a step that is too large is refused,",
        " * or clamped, as the schema says. */",
    ]
    for slot, bundle in found:
        lines += [f"{one}; /* {bundle.samples} samples */" for one in signatures(frame, slot, bundle)]
    return lines


def define(page: Page, frame: FrameCode) -> None:
    """Write the functions of a frame's bundles."""
    for slot, bundle in bundles(frame):
        forth, back = signatures(frame, slot, bundle)
        with page.block(forth):
            _forth(page, frame, slot, bundle)
        page.add("")
        with page.block(back):
            _back(page, bundle)
        page.add("")


def _forth(page: Page, frame: FrameCode, slot: Slot, bundle: Bundle) -> None:
    kind, step = _count(bundle), ctype(bundle.width, True)
    start = 0 if bundle.has_missing else 1
    at = "at" if bundle.has_missing else "at - 1"
    page.add("uint16_t at;", f"{kind} reference = codes[0];")
    if bundle.has_missing:
        with page.block(f"for (at = 0; reference == {_missing(bundle)} && at < {bundle.samples}; at++)"):
            page.add("reference = codes[at];")
    page.add(f"*first = ({ctype(bundle.sample.width, bundle.sample.signed)})reference;")
    low, high = bundle.sample.raw_limits
    beyond = f"reference < {low} || reference > {high}"
    with page.block(f"if ({beyond})"):
        page.add(f"return {frame.fields[slot.number]};")
    with page.block(f"for (at = {start}; at < {bundle.samples}; at++)"):
        if bundle.has_missing:
            with page.block(f"if (codes[at] == {_missing(bundle)})"):
                page.add(f"steps[at] = {_none(bundle)};", "continue;")
        with page.block(f"if ({beyond.replace('reference', 'codes[at]')})"):
            page.add(f"return {frame.fields[slot.number]};")
        with page.block(""):
            page.add(f"{kind} difference = ({kind})(codes[at] - reference);")
            for sign, most in ((">", str(bundle.largest)), ("<", f"-{bundle.largest}")):
                with page.block(f"if (difference {sign} {most})"):
                    if slot.policy == "clamp":
                        page.add(f"difference = {most};")
                        page.add(*(["*raised = 1;"] if slot.raises is not None else []))
                    else:
                        page.add(f"return {frame.fields[slot.number]};")
            page.add(f"steps[{at}] = ({step})difference;", f"reference = ({kind})(reference + difference);")
    page.add(f"return {frame.upper}_OK;")


def _back(page: Page, bundle: Bundle) -> None:
    kind = _count(bundle)
    page.add("uint16_t at;", f"{kind} reference = ({kind})first;")
    if not bundle.has_missing:
        page.add("codes[0] = reference;")
        with page.block(f"for (at = 1; at < {bundle.samples}; at++)"):
            page.add(f"reference = ({kind})(reference + steps[at - 1]);", "codes[at] = reference;")
        return
    with page.block(f"for (at = 0; at < {bundle.samples}; at++)"):
        missing = _missing(bundle)
        with page.block(f"if (first == {missing} || steps[at] == {_none(bundle)})"):
            page.add(f"codes[at] = {missing};")
        with page.block("else"):
            page.add(f"reference = ({kind})(reference + steps[at]);", "codes[at] = reference;")


def _missing(bundle: Bundle) -> str:
    assert bundle.sample.missing_code is not None
    return constant(bundle.sample.missing_code, bundle.sample)


def _none(bundle: Bundle) -> str:
    """The difference that says that a sample is missing."""
    return str(-(1 << (bundle.width - 1)))
