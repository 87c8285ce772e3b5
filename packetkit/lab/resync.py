"""Experiment: what one lost, added or flipped byte does to the frames behind it, framing by framing.

Every byte of a stream of the team's own frames is hit once, and the stream is read anew each time: nothing is drawn but the frames.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from fractions import Fraction
from statistics import fmean
from typing import NamedTuple

from packetkit.codec.frame import Frame
from packetkit.conformance.simulate import USUAL_CADENCE_S, Channel, simulate
from packetkit.errors import DecodeError
from packetkit.framing.cobs import COBS
from packetkit.framing.delimited import Framing, units
from packetkit.framing.hdlc import hdlc
from packetkit.framing.slip import SLIP
from packetkit.lab.experiment import Cell, Chart, Heading, LabError, Line, Outcome, Request
from packetkit.layout.model import Layout

FRAMES, SPARED = 12, 3  # frames of a stream, and how many at either end are not hit
MARKER = bytes.fromhex(
    "1acf"
)  # two octets: what many short frames begin with (common practice); any rare pair would do
LENGTH_OCTETS = 2
QUIET = Channel(Fraction(0), Fraction(0), Fraction(0), Fraction(0), 0)

Judge = Callable[[bytes], bool]


def frames_of(request: Request, count: int) -> list[bytes]:
    """Plausible frames of the mission, one after another in time."""
    frame = request.mission.frame(request.frame)
    cadence = request.layout.cadence_s or USUAL_CADENCE_S
    sent = simulate({request.frame: frame}, cadence * count, QUIET, request.seed)
    return [one.data for one in sent][:count]


# ---- receivers: bytes in, units out


def by_counting(stream: bytes, size: int) -> Iterator[bytes]:
    """Frames back to back, told by counting alone."""
    for start in range(0, len(stream) - size + 1, size):
        yield stream[start : start + size]


def marked(data: bytes) -> bytes:
    """Return a frame behind a marker and its length."""
    return MARKER + len(data).to_bytes(LENGTH_OCTETS, "big") + data


def by_marker(stream: bytes, judge: Judge | None) -> Iterator[bytes]:
    """What stands behind markers, as long as each says. judge: where it says no, the search goes on behind the marker, not the frame."""
    at, head = 0, len(MARKER) + LENGTH_OCTETS
    while (at := stream.find(MARKER, at)) >= 0:
        size = int.from_bytes(stream[at + len(MARKER) : at + head], "big")
        data = stream[at + head : at + head + size]
        if len(data) < size:
            at += 1
            continue
        yield data
        at += head + size if judge is None or judge(data) else 1


def by_delimiter(framing: Framing, stream: bytes) -> Iterator[bytes]:
    """What stands whole between delimiters."""
    for unit in units(framing, [stream]):
        if not unit.problem:
            yield unit.data


class Way(NamedTuple):
    """One way to tell frames in a stream: its name, how a frame is wrapped, how a stream is read; checked: reading asks the check."""

    key: str
    name: str
    wrap: Callable[[bytes], bytes]
    read: Callable[[bytes, int, Judge], Iterator[bytes]]
    fixed: bool = False
    checked: bool = False


WAYS: tuple[Way, ...] = (
    Way("counting", "counting bytes", bytes, lambda stream, size, _: by_counting(stream, size), fixed=True),
    Way("marker", "marker, length", marked, lambda stream, _, __: by_marker(stream, None)),
    Way(
        "marker_checked",
        "marker, checked",
        marked,
        lambda stream, _, judge: by_marker(stream, judge),
        checked=True,
    ),
    Way("slip", "SLIP", SLIP.wrap, lambda stream, _, __: by_delimiter(SLIP, stream)),
    Way("cobs", "COBS", COBS.wrap, lambda stream, _, __: by_delimiter(COBS, stream)),
    Way(
        "hdlc",
        "flags, escapes",
        hdlc(None, 0).wrap,
        lambda stream, _, __: by_delimiter(hdlc(None, 0), stream),
    ),
)


def _lost(stream: bytes, at: int) -> bytes:
    return stream[:at] + stream[at + 1 :]


def _added(stream: bytes, at: int) -> bytes:
    return stream[:at] + b"\x55" + stream[at:]


def _flipped(stream: bytes, at: int) -> bytes:
    return stream[:at] + bytes((stream[at] ^ 1 << at % 8,)) + stream[at + 1 :]


FAULTS: dict[str, Callable[[bytes, int], bytes]] = {
    "lost byte": _lost,
    "added byte": _added,
    "flipped bit": _flipped,
}


class Effect(NamedTuple):
    """What a fault did at all places: places hit, frames lost by each in the mean and at worst, frames handed on that were never sent."""

    places: int
    mean_lost: float
    most_lost: int
    wrong: int
    wrong_believed: int


def _sealed(layout: Layout) -> bool:
    return any(slot.check is not None for slot in layout.slots)


def effect(layout: Layout, frames: Sequence[bytes], way_index: int, fault: str) -> Effect:
    """One piece of work: the fault at every byte between the spared frames."""
    way, frame, size = WAYS[way_index], Frame(layout), len(frames[0])

    def judge(data: bytes) -> bool:
        try:
            frame.decode(data)
        except DecodeError:
            return False
        return True

    parts = [way.wrap(one) for one in frames]
    stream = b"".join(parts)
    sent = Counter(frames)
    first, last = len(b"".join(parts[:SPARED])), len(b"".join(parts[:-SPARED]))
    lost, wrong, believed = [], 0, 0
    for at in range(first, last):
        got = Counter(way.read(FAULTS[fault](stream, at), size, judge))
        lost.append((sent - got).total())
        strange = got - sent
        wrong += strange.total()
        believed += sum(count for data, count in strange.items() if judge(data))
    return Effect(last - first, fmean(lost), max(lost), wrong, believed)


def run(request: Request) -> Outcome:
    """Hit every byte once, for every framing and every fault."""
    layout, frames = request.layout, frames_of(request, FRAMES)
    if layout.supplied or request.mission.variants or not all(frames):
        raise LabError(f"{request.frame}: this experiment reads frames that tell all of themselves")
    ways = [
        (index, way)
        for index, way in enumerate(WAYS)
        if (layout.is_fixed or not way.fixed) and (_sealed(layout) or not way.checked)
    ]
    every = [(way, index, fault) for index, way in ways for fault in FAULTS]
    answers = request.crew.map(effect, [(layout, frames, index, fault) for _, index, fault in every])
    done = [
        (way, fault, answer)
        for (way, _, fault), answer in zip(every, answers, strict=True)
        if answer is not None
    ]
    plain = len(b"".join(frames))
    over = {way.key: (len(b"".join(map(way.wrap, frames))) - plain) / len(frames) for _, way in ways}
    return Outcome(
        f"{request.named}: {FRAMES} frames, {plain / len(frames):.0f} bytes each",
        tuple(_record(way, fault, answer, over[way.key]) for way, fault, answer in done),
        (
            Heading("framing", "<"),
            Heading("fault", "<"),
            Heading("bytes more\na frame"),
            Heading("frames lost\nmean"),
            Heading("at\nworst"),
            Heading("wrong\nframes"),
            Heading("believed by\nthe check"),
        ),
        tuple(_row(way, fault, answer, over[way.key], _sealed(layout)) for way, fault, answer in done),
        _chart(done),
        tuple(_seen(done)),
    )


def _record(way: Way, fault: str, found: Effect, over: float) -> dict[str, Cell]:
    return {
        "framing": way.key,
        "fault": fault,
        "overhead_bytes": over,
        "places": found.places,
        "mean_lost_frames": found.mean_lost,
        "most_lost_frames": found.most_lost,
        "wrong_frames": found.wrong,
        "wrong_frames_believed": found.wrong_believed,
    }


def _row(way: Way, fault: str, found: Effect, over: float, sealed: bool) -> tuple[str, ...]:
    believed = f"{found.wrong_believed:,}" if sealed else "no check"
    return (
        way.name,
        fault,
        f"{over:.1f}",
        f"{found.mean_lost:.2f}",
        str(found.most_lost),
        f"{found.wrong:,}",
        believed,
    )


def _chart(done: Sequence[tuple[Way, str, Effect]]) -> Chart:
    lost = [(way.name, answer.mean_lost) for way, fault, answer in done if fault == "lost byte"]
    points = tuple((float(at), mean) for at, (_, mean) in enumerate(lost))
    title = f"Frames lost for one lost byte, of {FRAMES} sent"
    return Chart(
        title, "", "frames", (Line("lost byte", points),), "bars", names=tuple(name for name, _ in lost)
    )


def _seen(done: Sequence[tuple[Way, str, Effect]]) -> Iterator[str]:
    lost = [(answer.mean_lost, way.name) for way, fault, answer in done if fault == "lost byte"]
    if lost:
        (least, best), (most, worst) = min(lost), max(lost)
        yield f"A lost byte costs {least:.2f} frames with {best} and {most:.2f} with {worst}."
