"""The fingerprint of a layout: a short name for what its bytes mean, the same for two spellings of one frame.

It covers what WIRE.md rule 20 lists and nothing else. Flown hardware outlives releases, so the algorithm is versioned: a change to what
is covered, or to how it is written, is a new VERSION, and vectors pin every version that was released.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable

from packetkit.layout.calendar import Calendar
from packetkit.layout.clock import Clock
from packetkit.layout.curve import Curve
from packetkit.layout.model import Continued, Fill, Layout, Measured, Node, Optional, Repeat, Run
from packetkit.layout.slots import Bundle, Check, Chosen, Ieee, Linear, Mark, Packing, Range, Slot

VERSION = 1
DIGITS = 16


def fingerprint(layout: Layout) -> str:
    """The fingerprint of one frame: `version-sixteen hex digits` of SHA-256 over its canonical text."""
    return _digest(canonical(layout))


def mission_fingerprint(layouts: Iterable[Layout]) -> str:
    """The fingerprint of a mission: over its frames' fingerprints, sorted by name."""
    return _digest(
        "\n".join(
            f"{layout.name} {layout.fingerprint}" for layout in sorted(layouts, key=lambda one: one.name)
        )
    )


def canonical(layout: Layout) -> str:
    """The text that is digested: one line a node or slot, every number decimal, nothing optional left out."""
    supplied = (f"supplied {slot.address} {slot.width}" for slot in layout.supplied)
    return "\n".join([f"frame {layout.name}", *supplied, *_nodes(layout.nodes, "")])


def _digest(text: str) -> str:
    return f"{VERSION}-{hashlib.sha256(text.encode()).hexdigest()[:DIGITS]}"


def _nodes(nodes: tuple[Node, ...], indent: str) -> Iterable[str]:
    for node in nodes:
        if isinstance(node, Run):
            yield from (f"{indent}{_slot(slot, node.packing)}" for slot in node.slots)
        elif isinstance(node, Fill):
            since = f" since={node.since}" if node.since >= 0 else ""
            yield f"{indent}fill {_name(node.slot)} to {node.unit_bits} strict={node.slot.strict}{since}"
        elif isinstance(node, Continued):
            yield f"{indent}continued {_slot(node.slot, Packing.MOST)}"
        elif isinstance(node, Repeat):
            how = f"count={node.count} by={node.counted_by} maximum={node.maximum if node.counted_by is None else None}"
            yield f"{indent}repeat {node.address} {how}{_later(node)}"
            yield from _nodes(node.element, indent + " ")
        elif isinstance(node, Optional):
            codes = _ranges(node.codes)
            yield f"{indent}optional {node.address} by={node.by} codes={codes}"
            yield from _nodes(node.body, indent + " ")
        elif isinstance(node, Measured):
            besides = "" if node.not_counted is None else " not_counted={}/{}".format(*node.not_counted)
            yield f"{indent}measured by={node.by} unit={node.unit_bits} less={node.less}{besides}"
            yield from _nodes(node.body, indent + " ")
        else:
            turn = f" turn={node.turn}" if node.turn else ""
            yield f"{indent}choice {node.address} by={','.join(map(str, node.told_by))} unknown={node.unknown is not None}{turn}"
            for branch in node.branches:
                yield f"{indent} branch {branch.name} codes={' '.join(map(_ranges, branch.codes))}"
                yield from _nodes(branch.body, indent + "  ")


def _later(node: Repeat) -> str:
    """What came later than the first version, written only where it is used."""
    factors = "".join(f" factor={one.by}/{one.ones}{'/list' if one.in_list else ''}" for one in node.factors)
    plus = f" plus={node.plus}" if node.plus else ""
    plus += "" if node.own_end is None else f" ended_by={node.own_end.by}/{_ranges(node.own_end.codes)}"
    joined = node.joined
    if joined is None:
        return factors + plus
    characters = ",".join(f"{code}:{character!r}" for code, character in joined.characters)
    return f"{factors}{plus} joined={joined.form} fill={joined.fill} ends_with={joined.ends_with} characters={characters}"


def _ranges(codes: tuple[Range, ...]) -> str:
    return ",".join(f"{one.low}:{one.high}" for one in codes)


def _name(slot: Slot) -> str:
    """The name, or a dot for reserved bits that were given none."""
    return slot.address if slot.named else "."


def _slot(slot: Slot, packing: Packing) -> str:
    """One slot in full. Its place follows from the widths before it; its packing is part of it."""
    form = f"{packing.value} octets_reversed={slot.octets_reversed} bits_reversed={slot.bits_reversed} signed={slot.signed}"
    if slot.coding:  # written only where there is one, as every word that version 1 did not have
        form += f" coding={slot.coding}"
    if slot.clock is not None:
        form += f" clock={_clock(slot.clock)}"
    if slot.calendar is not None:
        form += f" calendar={_calendar(slot.calendar)}"
    if slot.valid_when is not None:
        form += f" valid={slot.valid_when.by}/{_ranges(slot.valid_when.codes)}"
    if slot.pieces:
        form += f" pieces={','.join(f'{at - slot.offset_bits}:{width}' for at, width in slot.pieces)}"
    if isinstance(slot.transform, Linear):
        transform = f"{slot.transform.numerator}/{slot.transform.base}/{slot.transform.denominator}"
    elif isinstance(slot.transform, Curve):
        transform = _curve(slot.transform)
    elif isinstance(slot.transform, Chosen):
        transform = _chosen(slot.transform)
    elif isinstance(slot.transform, Ieee):
        transform = f"ieee{slot.transform.bits} {slot.minimum} {slot.maximum}"
    elif isinstance(slot.transform, Bundle):
        transform = _bundle(slot.transform, packing)
    else:
        digits = slot.transform
        transform = (
            f"digits {digits.characters!r} {digits.length} first_low={digits.first_low} fill={digits.fill}"
        )
    legal = ",".join(f"{codes.low}:{codes.high}" for codes in slot.legal)
    specials = _specials(slot)
    states = ",".join(f"{code}:{label!r}" for code, label in slot.states)
    codes = ",".join(f"{codes.low}:{codes.high}" for codes in slot.codes)
    policy = f"{slot.policy} raises={slot.raises} default={slot.default} unassigned={slot.unassigned} strict={slot.strict}"
    role = slot.role and f"{slot.role.name}/{slot.role.modulus}/{slot.role.tick_s}/{slot.role.epoch}"
    parts = (
        f"{slot.kind} {_name(slot)} {slot.width} {form} transform={transform} unit={slot.unit!r} legal={legal} specials={specials}",
        f"{policy} states={states} codes={codes} maximum={slot.maximum_count} role={role} check={_check(slot.check)}",
    )
    return " ".join(parts)


def _clock(clock: Clock) -> str:
    parts = ",".join(f"{part.unit}:{part.shift}:{part.width}" for part in clock.parts)
    since, reference = (one and f"{one.day}+{one.second}" for one in (clock.epoch, clock.reference))
    return f"{since}/{parts}/leaps={clock.counts_leaps}/days={clock.by_days}/reference={reference}"


def _calendar(calendar: Calendar) -> str:
    counts = ",".join(
        f"{one.name}:{one.seconds}:{one.shift}:{one.width}:{one.coding}:{one.scale}:{one.offset}"
        for one in calendar.counts
    )
    return f"{counts}/since={calendar.epoch_day}"


def _bundle(bundle: Bundle, packing: Packing) -> str:
    """A bundle by its numbers and what one sample is."""
    turned = f" octets_reversed={bundle.octets_reversed}" if bundle.octets_reversed else ""
    sample = _slot(bundle.sample, packing)
    return f"bundle {bundle.samples} of {bundle.largest} in {bundle.width}{turned} sample=({sample})"


def _curve(curve: Curve) -> str:
    """A curve by its pieces: however they were declared, the same values at the same codes are one curve."""
    pieces = (
        f"{one.low}:{one.high}={','.join(map(str, one.coefficients))}/{one.denominator}"
        for one in curve.pieces
    )
    return f"curve {';'.join(pieces)} integer={curve.is_integer}"


def _chosen(chosen: Chosen) -> str:
    """The scales that a slot's codes choose, ascending; each in lowest terms, as the common denominator follows from all."""
    texts = (
        f"{codes.low}:{codes.high}={linear.scale}/{linear.offset}"
        for codes, linear in sorted(chosen.choices, key=lambda choice: choice[0].low)
    )
    return f"by={chosen.by} {';'.join(texts)}"


def _specials(slot: Slot) -> str:
    """The special codes, ascending: their order counts only where None, or a reason, encodes to the first of several."""
    first = {
        special.reason: special.low for special in reversed(slot.specials) if special.meaning == "missing"
    }
    texts = []
    for special in sorted(slot.specials, key=lambda special: special.low):
        sent = special.low == slot.missing_code or (
            special.reason and first.get(special.reason) == special.low
        )
        texts.append(
            f"{special.low}:{special.high}:{special.meaning}:{special.reason!r}{'+' if sent else ''}"
        )
    return ",".join(texts)


def _check(check: Check | None) -> str | None:
    if check is None:
        return None
    spans = ",".join(f"{_mark(start)}-{_mark(end)}" for start, end in check.spans)
    identity = "/".join(map(str, check.algorithm.identity()))
    also = (
        f" also={check.also.hex()}" if check.also else ""
    )  # what came later is written only where it is used
    mixed = f" mixed={check.mixed}" if check.mixed is not None else ""
    front = ",".join(f"{one.octet}/{one.by}/{one.bits}" for one in check.front)
    more = "".join(
        f" {word}={found}"
        for word, found, plain in (
            ("front", front, ""),
            ("initial", check.initial, None),
            ("zero_as_ones", check.zero_as_ones, False),
            ("not_computed", check.not_computed, None),
        )
        if found != plain
    )
    return f"{identity} spans={spans} own={check.own} zero_filled={check.zero_filled}{also}{mixed}{more}"


def _mark(mark: Mark) -> str:
    return f"{mark.node}+{mark.bits}"
