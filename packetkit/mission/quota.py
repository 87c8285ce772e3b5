"""A daily quota, as a host or a message service gives it: what of a day's measurements fits, and the schema that makes more fit.

Three ways are counted, each with what it gives up: fewer readings, coarser steps, and summaries, which send the least, the mean and the
greatest of each number over an interval. Whole frames go into a message, one after another; a frame that no message holds does not fit.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from packetkit.errors import RadioError, counted
from packetkit.layout import printed
from packetkit.layout.model import Layout, Repeat
from packetkit.layout.slots import Linear, Slot
from packetkit.mission.budget import longest
from packetkit.mission.cost import picture
from packetkit.mission.load import Host, Mission, parse
from packetkit.schema.names import reserved_in
from packetkit.schema.words import format_number

DAY_S = 86_400
STATISTICS = (("least", "mean", "greatest"), ("mean",))  # the fuller one first
LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Way:
    """One way to stay within the quota. interval_s: seconds between two frames, None where no message holds one.

    schema: the text of a schema that does it, empty where the mission's own does with another cadence.
    """

    name: str
    frame_bytes: int
    frames_a_day: int
    interval_s: Fraction | None
    gives_up: str
    schema: str = ""

    @property
    def bytes_a_day(self) -> int:
        return self.frames_a_day * self.frame_bytes


@dataclass(frozen=True, slots=True)
class Quota:
    """A frame against a quota. measured_bytes: of a day at its cadence; ways: empty where it fits as it is."""

    frame_name: str
    frame_bytes: int
    cadence_s: Fraction
    host: Host
    measured_bytes: int
    ways: tuple[Way, ...]

    @property
    def fits(self) -> bool:
        return frames_within(self.host, self.frame_bytes) >= DAY_S // self.cadence_s


def frames_within(host: Host, frame_bytes: int) -> int:
    """Whole frames that the messages of a day hold."""
    return int(host.messages_per_day * (host.message_bytes // frame_bytes))


def quota(mission: Mission, frame: str | None = None) -> Quota:
    """The mission's frame against its host's quota. Raises RadioError where there is no host, or no cadence tells how much a day is."""
    host = mission.passes.host if mission.passes is not None else None
    if host is None:
        raise RadioError("the schema has no passes.host with messages_per_day and message_bytes")
    timed = [name for name, layout in mission.layouts.items() if layout.cadence_s is not None]
    if frame is not None and frame not in mission.layouts:
        raise RadioError(f"{mission.name} has no frame {frame!r}; it has {', '.join(mission.layouts)}")
    if not timed or (frame is not None and frame not in timed):
        lacks = f"{frame} has no cadence_s" if frame is not None else "no frame has a cadence_s"
        raise RadioError(f"{lacks}, so what a day brings is unknown; add cadence_s to the frame")
    name = frame or max(timed, key=lambda one: _a_day(mission, one))
    layout = mission.layouts[name]
    cadence = layout.cadence_s
    assert cadence is not None
    size = longest(layout, mission.link)[0]
    found = Quota(name, size, cadence, host, _a_day(mission, name), ())
    if found.fits:
        return found
    ways = (_fewer(found), _coarser(mission, found), *_summaries(mission, found))
    return Quota(
        name, size, cadence, host, found.measured_bytes, tuple(way for way in ways if way is not None)
    )


def _a_day(mission: Mission, name: str) -> int:
    layout = mission.layouts[name]
    assert layout.cadence_s is not None
    return int(DAY_S // layout.cadence_s) * longest(layout, mission.link)[0]


def _interval(frames: int) -> Fraction | None:
    """Seconds between frames, rounded up to whole ones so that the day's last one still fits."""
    return Fraction(-(-DAY_S // frames)) if frames else None


def _fewer(given: Quota) -> Way:
    frames = frames_within(given.host, given.frame_bytes)
    interval = _interval(frames)
    if interval is None:
        lost = f"nothing fits: a message holds {counted(given.host.message_bytes, 'byte')}"
    else:
        lost = f"{float(1 - given.cadence_s / interval):.1%} of the readings; what happens between two is not seen"
    return Way("fewer readings", given.frame_bytes, frames, interval, lost)


def _coarser(mission: Mission, given: Quota) -> Way | None:
    """Every field one step of resolution coarser, and as often as then fits."""
    step = picture(mission, given.frame_name).all_coarser
    if not step.frame_bytes or given.frame_bytes + step.frame_bytes <= 0:
        return None
    size = given.frame_bytes + step.frame_bytes
    frames = frames_within(given.host, size)
    lost = "one step of resolution in every field, and most readings all the same"
    return Way("one step coarser", size, frames, _interval(frames), lost)


# ---- summaries


def _numbers(layout: Layout) -> Iterator[Slot]:
    """The numbers that have a mean: not counters, clocks or what repeats."""
    repeated = {
        slot.number
        for node in layout.walk()
        if isinstance(node, Repeat)
        for inner in _inside(node)
        for slot in inner
    }
    for slot in layout.slots:
        plain = isinstance(slot.transform, Linear) and not slot.coding and not slot.pieces
        if slot.kind == "number" and slot.role is None and slot.number not in repeated and plain:
            yield slot


def _inside(node: Repeat) -> Iterator[tuple[Slot, ...]]:
    from packetkit.layout.model import slots_of, walk

    for one in walk(node.element):
        yield slots_of(one)


def _names(slots: Sequence[Slot], statistics: Sequence[str]) -> Iterator[tuple[Slot, str]]:
    """A name of its own for each statistic of each number, within what a name may be."""
    taken: set[str] = set()
    room = LONGEST_NAME - 1 - max(map(len, statistics))
    for slot in slots:
        base = "_".join(slot.path)[:room].rstrip("_")
        number = 2
        while base in taken or any(reserved_in(f"{base}_{one}") for one in statistics):
            tail = f"_{number}"
            base, number = f"{base[: room - len(tail)]}{tail}", number + 1
        taken.add(base)
        for statistic in statistics:
            yield slot, f"{base}_{statistic}"


def _field(slot: Slot, name: str) -> str:
    """The line of one field that holds what the slot holds."""
    assert isinstance(slot.transform, Linear)
    parts = [f"name: {name}"]
    if slot.by_meaning and slot.minimum is not None and slot.maximum is not None:
        step = printed.step(slot) or Fraction(1)
        ends = (("minimum", slot.minimum), ("maximum", slot.maximum), ("resolution", step))
        parts += [f"{key}: {format_number(value)}" for key, value in ends]
        if slot.missing_code is not None:
            parts.append("missing: true")
    else:
        parts.append(f"bits: {slot.width}")
        if slot.signed:
            parts.append("signed: true")
        if slot.transform.scale != 1:
            parts.append(f"scale: {format_number(slot.transform.scale)}")
        if slot.transform.offset:
            parts.append(f"offset: {format_number(slot.transform.offset)}")
        if slot.missing_code is not None:
            parts.append(f"missing: {slot.missing_code}")
    if slot.unit:
        import json

        parts.append(f"unit: {json.dumps(slot.unit)}")
    return "{" + ", ".join(parts) + "}"


def summary_schema(mission: Mission, name: str, statistics: Sequence[str], interval_s: Fraction) -> str:
    """The text of a schema whose one frame holds statistics of a frame's numbers over an interval; empty where it has no numbers."""
    slots = list(_numbers(mission.layouts[name]))
    if not slots:
        return ""
    host = mission.passes.host if mission.passes is not None else None
    lines = [
        f"# Summaries of {mission.name}'s {name} over {format_number(interval_s)} s; made by packetkit plan, yours to edit.",
        f"mission: {mission.name[: LONGEST_NAME - 8]}-summary",
        "frames:",
        "  summary:",
        f"    cadence_s: {format_number(interval_s)}",
        "    fields:",
        "      - {name: sequence, bits: 8, role: sequence}",
        *(f"      - {_field(slot, one)}" for slot, one in _names(slots, statistics)),
        "      - {kind: reserved, up_to: byte}",
        "      - {name: check, kind: check, algorithm: CRC-16/IBM-3740}",
    ]
    if host is not None:
        quota = (
            f"messages_per_day: {format_number(host.messages_per_day)}, message_bytes: {host.message_bytes}"
        )
        lines.append(f"passes: {{host: {{{quota}}}}}")
    return "\n".join(lines) + "\n"


def _summaries(mission: Mission, given: Quota) -> Iterator[Way]:
    """The fullest summary that a message holds, as often as it fits."""
    for statistics in STATISTICS:
        text = summary_schema(mission, given.frame_name, statistics, Fraction(DAY_S))
        if not text:
            return
        size = longest(parse(text).layouts["summary"], mission.link)[0]
        frames = frames_within(given.host, size)
        interval = _interval(frames)
        if interval is None:
            continue
        kept = {slot.number for slot in _numbers(mission.layouts[given.frame_name])}
        slots = mission.layouts[given.frame_name].slots
        others = [
            slot.address for slot in slots if slot.is_value and slot.number not in kept and slot.role is None
        ]
        lost = "single readings" + (f", and {', '.join(others)}" if others else "")
        schema = summary_schema(mission, given.frame_name, statistics, interval)
        yield Way(f"{', '.join(statistics)} of each number", size, frames, interval, lost, schema)
        return
