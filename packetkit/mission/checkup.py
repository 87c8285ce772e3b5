"""What is to be said of a frame before it flies: where its bits go, how strong its checks are, whether it fits its link.

Findings are faults to mend (a frame over a limit that the schema declares or the radio has); notes are things to know. Both are computed
for the frame's longest form; a frame that only its length bounds is counted without the elements that run to its end, and says so.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from math import ceil
from typing import NamedTuple

from packetkit.errors import counted
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.strength import Distance, distance
from packetkit.layout import printed, size
from packetkit.layout.model import Choice, Continued, Fill, Gain, Layout, Measured, Node, Repeat, bodies
from packetkit.layout.number import is_decode_only
from packetkit.layout.slots import Check, Mark, Slot
from packetkit.mission.budget import HOUR_S, longest
from packetkit.mission.cost import Step, saving, slot_times
from packetkit.mission.load import Mission
from packetkit.radio.chirp import MAXIMUM_PAYLOAD_BYTES
from packetkit.schema.words import format_number

# How many fields a finding over a limit names: enough to find bytes in, few enough to read.
FATTEST = 3


# -- where the bits go -----------------------------------------------------------------------------------------------------


class Tally(NamedTuple):
    """Bits of a frame by kind, ascending as the kinds first appear.

    counted_at: `longest`, or `shortest` where the longest form has no bound. spare_bits: reserved bits and fill.
    """

    counted_at: str
    total_bits: int
    by_kind: dict[str, int]
    useful_bits: int

    @property
    def spare_bits(self) -> int:
        return self.by_kind.get("reserved", 0)

    @property
    def useful_share(self) -> Fraction:
        """The part of all bits that carries values."""
        return Fraction(self.useful_bits, self.total_bits)


def tally(layout: Layout) -> Tally:
    """Where the bits of a frame go."""
    is_longest = layout.maximum_bits is not None
    times = slot_times(layout, longest=is_longest)
    shortest = (
        {}
        if is_longest
        else {node.slot.number: node.sizes[0] for node in layout.walk() if isinstance(node, Continued)}
    )
    fills = {node.slot.number for node in layout.walk() if isinstance(node, Fill)}
    by_kind: dict[str, int] = {}
    useful = 0
    for slot in layout.slots:
        bits = 0 if slot.number in fills else shortest.get(slot.number, slot.width) * times[slot.number]
        by_kind[slot.kind] = by_kind.get(slot.kind, 0) + bits
        useful += bits if size.is_useful(slot, layout.carried) else 0
    total = layout.minimum_bits if layout.maximum_bits is None else layout.maximum_bits
    rest = total - sum(by_kind.values())
    if rest:
        by_kind["reserved"] = by_kind.get("reserved", 0) + rest
    return Tally("longest" if is_longest else "shortest", total, by_kind, useful)


# -- how strong the checks are ---------------------------------------------------------------------------------------------


class Protection(NamedTuple):
    """A check of a frame: the most bits it covers, its own not counted, and the Hamming distance guaranteed over so many.

    least_bits: the fewest. Both are None where only the frame's length bounds them; distance then is None.
    """

    slot: Slot
    covers: str
    least_bits: int | None
    most_bits: int | None
    distance: Distance | None


def protections(layout: Layout) -> tuple[Protection, ...]:
    """Every check of a frame, in wire order."""
    least, most = _starts(layout, longest=False), _starts(layout, longest=True)
    return tuple(_protection(layout, slot, least, most) for slot in layout.slots if slot.check is not None)


_Starts = dict[int, int | None]


def _protection(layout: Layout, slot: Slot, least: _Starts, most: _Starts) -> Protection:
    check = slot.check
    assert check is not None
    own = slot.width if check.own is not None else 0
    low, high = (
        None if None in sizes else sum(size for size in sizes if size is not None) - own
        for sizes in (
            [_between(layout, span, starts, longest) for span in check.spans]
            for starts, longest in ((least, False), (most, True))
        )
    )
    sure_fed = all(number < 0 for number in check.fed)  # what is sent may be damaged where it is fed, too
    certain = check.mixed is None and check.not_computed is None and sure_fed
    certain = certain and not (
        check.own and check.algorithm.family == "linear"
    )  # which bits are its own is not told here
    strength = distance(_behind_front(check), high) if high and certain else None
    return Protection(slot, printed.covers_text(layout, slot), low, high, strength)


def _behind_front(check: Check) -> Algorithm:
    """A check's algorithm, with bits listed from where its span begins: what is fed in front is not sent with it."""
    front = len(check.also) * 8 + sum(one.bits for one in check.front)
    listed = tuple(tuple(bit - front for bit in bits if bit > front) for bits in check.algorithm.listed)
    return replace(check.algorithm, listed=listed)


def _between(layout: Layout, span: tuple[Mark, Mark], starts: _Starts, longest: bool) -> int | None:
    """The bits of one stretch, both of whose ends lie in one container."""
    ends = []
    for mark in span:
        if mark.node < 0:
            whole = layout.maximum_bits if longest else layout.minimum_bits
            ends.append(whole)
        else:
            start = starts[mark.node]
            ends.append(None if start is None else start + mark.bits)
    first, last = ends
    return None if first is None or last is None else last - first


def _starts(layout: Layout, *, longest: bool) -> _Starts:
    """Where each node starts in its container, at the longest or the shortest; None after what has no bound.

    A fill counts from the frame's start: inside an element or an optional group it is taken as all or nothing.
    """
    starts: _Starts = {}
    containers = [layout.nodes]
    while containers:
        nodes = containers.pop()
        _place(nodes, 0, starts, containers, longest=longest, whole=nodes is layout.nodes)
    return starts


def _place(
    nodes: tuple[Node, ...],
    at: int | None,
    starts: _Starts,
    containers: list[tuple[Node, ...]],
    *,
    longest: bool,
    whole: bool,
) -> None:
    """Note where nodes of one container start; a measured part's are its container's."""
    for node in nodes:
        starts[node.number] = at
        if isinstance(node, Measured):
            _place(node.body, at, starts, containers, longest=longest, whole=whole)
        else:
            containers += bodies(node)
        if isinstance(node, Fill) and whole and node.since < 0:
            at = None if at is None else -(-at // node.unit_bits) * node.unit_bits
            continue
        length = printed.node_bits(node)[longest]
        at = None if at is None or length is None else at + length


# -- does it fit ---------------------------------------------------------------------------------------------------------------


class Fat(NamedTuple):
    """One of the largest fields: its bits in the longest frame, and what the next coarser step that helps would save."""

    slot: Slot
    bits: int
    saving: Step | None


class Finding(NamedTuple):
    """A limit that a frame breaks: rule is `frame-over-limit`, `frame-over-radio` or `frame-over-message`; the sizes in bytes.

    over_bits: how many beside spare ones must go; fattest: the largest fields.
    """

    rule: str
    frame: str
    frame_bytes: int
    limit_bytes: int
    over_bits: int
    summary: str
    fattest: tuple[Fat, ...]

    @property
    def saved_bits(self) -> int:
        """What the largest fields save together, each by its next step."""
        return sum(-fat.saving.frame_bits for fat in self.fattest if fat.saving is not None)


def findings(mission: Mission, name: str) -> tuple[Finding, ...]:
    """The limits that a frame breaks at its longest; at its shortest where it has no longest form. One that is only carried breaks none."""
    if name not in mission.sent:
        return ()
    layout = mission.layouts[name]
    most = layout.maximum_bytes
    size = layout.minimum_bits // 8 if most is None else most
    bits = layout.minimum_bits if layout.maximum_bits is None else layout.maximum_bits
    found = []
    for rule, limit, what in _limits(mission):
        if size > limit:
            longest = (
                "" if layout.is_fixed else " at its longest" if most is not None else " even at its shortest"
            )
            summary = f"{counted(size, 'byte')}{longest}, {size - limit:,} over {what}"
            over = bits - tally(layout).spare_bits - 8 * limit
            found.append(Finding(rule, name, size, limit, over, summary, fattest(mission, name)))
    return tuple(found)


def _limits(mission: Mission) -> list[tuple[str, int, str]]:
    """Rule, most bytes of a frame, and the limit in words."""
    limits = []
    link, host = mission.link, None if mission.passes is None else mission.passes.host
    if link.maximum_frame_bytes is not None:
        limits.append(
            ("frame-over-limit", link.maximum_frame_bytes, f"maximum_frame_bytes: {link.maximum_frame_bytes}")
        )
    if link.setting is not None:
        room = MAXIMUM_PAYLOAD_BYTES - link.driver_bytes
        less = f", {link.driver_bytes} of them the driver's" if link.driver_bytes else ""
        limits.append(
            ("frame-over-radio", room, f"what one radio packet carries ({MAXIMUM_PAYLOAD_BYTES} bytes{less})")
        )
    if host is not None:
        size = f"what one message of the host carries (message_bytes: {host.message_bytes})"
        limits.append(("frame-over-message", host.message_bytes, size))
    return limits


def fattest(mission: Mission, name: str) -> tuple[Fat, ...]:
    """The value fields that take most bits of the longest frame, largest first."""
    layout = mission.layouts[name]
    times = slot_times(layout)
    sizes = [(slot.width * max(times[slot.number], 1), slot) for slot in layout.slots if slot.is_value]
    sizes.sort(key=lambda pair: -pair[0])
    return tuple(Fat(slot, bits, saving(mission, name, slot)) for bits, slot in sizes[:FATTEST])


def notes(mission: Mission, name: str) -> tuple[str, ...]:
    """What a designer should know of a frame, each in a sentence; often nothing."""
    layout = mission.layouts[name]
    found = []
    if name not in mission.sent:
        holders = ", ".join(one for one, other in mission.layouts.items() if carries(other, name))
        found.append(
            f"Sent in {holders} only, as it has no cadence_s: alone it is decoded where its name is given (--frame)."
        )
    elif name in mission.outside:
        found.append("Nothing in its bytes tells this frame: decode is given its name (--frame).")
    if any(isinstance(node, Choice) and node.unknown is not None for node in layout.nodes):
        found.append(
            "A code without a variant gives octets to the end of the frame: in a stream of bytes such a frame is not found."
        )
    if layout.runs_to_end:
        found.append(
            "The frame runs to the end of its bytes: in a stream of bytes it needs an outer length or framing, "
            "as a radio packet has."
        )
    unbounded = list(size.unbounded(layout))
    found += [_unbounded(mission, layout, node) for node in unbounded]
    bare = [slot.address for slot in layout.slots if lacks_unit(slot)]
    if bare:
        verb = "is a measured number" if len(bare) == 1 else "are measured numbers"
        found.append(
            f'{_listed(bare)} {verb} without a unit. Add unit: V or the like; unit: "1" for a plain ratio.'
        )
    codes_only = [slot.address for slot in layout.slots if is_decode_only(slot)]
    if codes_only:
        one = len(codes_only) == 1
        found.append(
            f"{_listed(codes_only)} {'lies on a curve' if one else 'lie on curves'} without an inverse: several codes may have one value, "
            "so encode takes {raw: n} only."
        )
    found += _too_often(mission, name)
    if not any(slot.kind == "check" for slot in layout.slots):
        found.append("No check: damage goes unnoticed unless what carries the frame detects it.")
    return tuple(found)


def _too_often(mission: Mission, name: str) -> list[str]:
    """That a frame alone is on the air for longer than the share of the hour allows, and how seldom it would fit; often nothing."""
    layout, link = mission.layouts[name], mission.link
    if layout.cadence_s is None or link.share_of_hour is None or name not in mission.sent:
        return []
    airtime_s = link.time_on_air(longest(layout, link)[0])
    if airtime_s is None:
        return []
    flight = None if mission.passes is None else mission.passes.flight
    sends_s = HOUR_S if flight is None else min(Fraction(flight.duration_s), Fraction(HOUR_S))
    used_s = sends_s // max(layout.cadence_s, airtime_s + link.gap_s) * airtime_s
    allowed_s = link.share_of_hour * HOUR_S
    if used_s <= allowed_s:
        return []
    least_s = ceil(10 * sends_s * airtime_s / allowed_s) / 10
    text = (
        f"Sent every {format_number(layout.cadence_s)} s it is on the air for {float(used_s):,.1f} s of an hour, and "
        f"share_of_hour_percent: {format_number(100 * link.share_of_hour)} allows {float(allowed_s):,.1f} s. Send it every "
        f"{least_s:g} s or less often, shorten it, or use a faster setting."
    )
    return [text]


def carries(layout: Layout, name: str) -> bool:
    """Whether a frame carries another of that name."""
    return any(one.frame == name for one in layout.carried)


def heard_within(mission: Mission, name: str, gain: Gain) -> Fraction | None:
    """The most seconds until all of a compact form was heard, whenever one begins to listen, if no frame is lost; None without a cadence.

    Frames follow each other at the cadence, or as fast as the radio sends them where that is slower.
    """
    layout, link = mission.layouts[name], mission.link
    if layout.cadence_s is None:
        return None
    airtime_s = link.time_on_air(longest(layout, link)[0])
    return gain.frames * max(layout.cadence_s, Fraction(0) if airtime_s is None else airtime_s + link.gap_s)


def lacks_unit(slot: Slot) -> bool:
    """True for a physical number without a unit: one that is not whole by its layout, is an IEEE number or by meaning not a count."""
    if slot.unit or slot.role is not None or slot.kind not in ("number", "float"):
        return False
    return slot.kind == "float" or printed.step(slot) != 1


def _unbounded(mission: Mission, layout: Layout, node: Repeat) -> str:
    rooms = [limit for _, limit, _ in _limits(mission)]
    text = f"{node.address} has no maximum"
    if node.joined is not None and not rooms:
        return f"{text}, so the frame has no longest form. Let a length field measure it, or say maximum_frame_bytes in link."
    if not rooms:
        return f"{text}, so the frame has no longest form. Add maximum to its repeat."
    most = max((min(rooms) * 8 - layout.minimum_bits) // node.minimum_bits, 0)
    remedy = f"Add maximum: {most} to its repeat." if node.joined is None else "Longer ones do not fit."
    return f"{text}: a frame of {counted(min(rooms), 'byte')} holds {most:,} of them. {remedy}"


def _listed(names: list[str], most: int = 8) -> str:
    """Names with `and` before the last; of very many the first few and how many more."""
    if len(names) > most:
        return f"{', '.join(names[:most])} and {len(names) - most:,} more"
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
