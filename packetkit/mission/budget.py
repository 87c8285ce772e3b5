"""The data budget: how many frames, bytes and useful bits a pass brings.

Counted as WIRE.md rule 23 says. Two things run out during a pass: time (a frame takes its airtime and the gap after it) and the
airtime that the share of the hour allows. Frames with a cadence are counted first; frames without one share equally what is left.
A variable frame counts at its longest. All in exact fractions. What is lost on the way is expected from the link along the pass,
where the schema says enough of it: each frame at its own moment, the frames of a kind spread evenly.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import ModuleType

from packetkit.errors import RadioError, counted
from packetkit.layout.model import Layout
from packetkit.layout.size import bytes_within, useful_bits
from packetkit.mission.carrier import unfound
from packetkit.mission.load import Link, Mission
from packetkit.mission.passes import Pass, has_ends
from packetkit.radio import chirp

HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class Share:
    """One frame's part of a pass. frame_bytes: at its longest, without the driver's own; time_on_air_s with them.

    loss: the expected share of its frames lost; seen: the chance that at least one arrives; None where the link is not known.
    """

    name: str
    frame_bytes: int
    varies: bool
    useful_bits: int
    time_on_air_s: Fraction
    cadence_s: Fraction | None
    frames: int
    loss: float | None = None
    seen: float | None = None

    @property
    def delivered_frames(self) -> float:
        """Frames expected to arrive; all of them where no loss is known."""
        return self.frames * (1 - (self.loss or 0.0))

    @property
    def delivered_bytes(self) -> float:
        return self.delivered_frames * self.frame_bytes

    @property
    def airtime_s(self) -> Fraction:
        return self.frames * self.time_on_air_s

    @property
    def bytes_per_pass(self) -> int:
        return self.frames * self.frame_bytes

    @property
    def useful_bits_per_pass(self) -> int:
        return self.frames * self.useful_bits


@dataclass(frozen=True, slots=True)
class Budget:
    """What a pass brings. allowed_s: airtime that the pass and the share of the hour leave; findings: what does not fit, in words.

    unfound: why the receiver may not find the carrier along the pass; empty where it does.
    """

    window: Pass
    shares: tuple[Share, ...]
    allowed_s: Fraction
    gap_s: Fraction
    per_day: Fraction | None
    findings: tuple[str, ...]
    unfound: str

    @property
    def airtime_s(self) -> Fraction:
        return sum((share.airtime_s for share in self.shares), Fraction(0))

    @property
    def frames(self) -> int:
        return sum(share.frames for share in self.shares)

    @property
    def bytes_per_pass(self) -> int:
        return sum(share.bytes_per_pass for share in self.shares)

    @property
    def knows_loss(self) -> bool:
        """True where the link tells what is lost."""
        return all(share.loss is not None for share in self.shares)

    @property
    def delivered_frames(self) -> float:
        return sum(share.delivered_frames for share in self.shares)

    @property
    def delivered_bytes(self) -> float:
        return sum(share.delivered_bytes for share in self.shares)

    @property
    def useful_bits_per_pass(self) -> int:
        return sum(share.useful_bits_per_pass for share in self.shares)


def budget(mission: Mission, window: Pass) -> Budget:
    """What a pass of `window` brings. Raises RadioError where the mission names no radio, or a frame is longer than a packet."""
    link = mission.link
    allowed = allowance(window.duration_s, link.share_of_hour)
    sizes = {name: longest(layout, link) for name, layout in mission.sent.items()}
    times = {name: _time(name, size, link) for name, (size, _) in sizes.items()}
    counts = frame_counts(mission.sent, times, window.duration_s, allowed, link.gap_s)
    shares = tuple(
        Share(
            name,
            *measures(layout, sizes[name]),
            times[name],
            layout.cadence_s,
            counts[name],
            *_arrived(link, sizes[name][0] + link.driver_bytes, window, counts[name]),
        )
        for name, layout in mission.sent.items()
    )
    findings = tuple(_findings(shares, window, allowed, link.gap_s))
    return Budget(window, shares, allowed, link.gap_s, window.per_day, findings, unfound(link, window.track))


def allowance(duration_s: Fraction, share_of_hour: Fraction | None) -> Fraction:
    """Seconds of airtime that a pass may hold: all of it, or the share of the hour where one is declared.

    The share counts over an hour, so a pass shorter than one may use the whole hour's share; a longer one has it in each hour.
    """
    return (
        duration_s
        if share_of_hour is None
        else min(duration_s, share_of_hour * max(duration_s, Fraction(HOUR_S)))
    )


def frame_counts(
    layouts: Mapping[str, Layout],
    times: Mapping[str, Fraction],
    duration_s: Fraction,
    allowed_s: Fraction,
    gap_s: Fraction,
) -> dict[str, int]:
    """Frames of each kind in a pass. times: seconds on the air by frame name."""
    counts: dict[str, int] = {}
    free = [name for name, layout in layouts.items() if layout.cadence_s is None]
    for name, layout in layouts.items():
        if layout.cadence_s is not None:
            counts[name] = int(duration_s // max(layout.cadence_s, times[name] + gap_s))
    left_s = duration_s - sum(n * (times[name] + gap_s) for name, n in counts.items())
    left_airtime_s = allowed_s - sum(n * times[name] for name, n in counts.items())
    for name in free:
        by_time = left_s / len(free) // (times[name] + gap_s)
        by_airtime = left_airtime_s / len(free) // times[name]
        counts[name] = max(int(min(by_time, by_airtime)), 0)
    return counts


def longest(layout: Layout, link: Link) -> tuple[int, int | None]:
    """Bytes of the frame at its longest, and the elements that fit a repeat which only the frame's length bounds (else None)."""
    if layout.maximum_bytes is not None:
        return layout.maximum_bytes, None
    limit = link.maximum_frame_bytes or chirp.MAXIMUM_PAYLOAD_BYTES - link.driver_bytes
    return bytes_within(layout, limit)


def _arrived(link: Link, payload_bytes: int, window: Pass, frames: int) -> tuple[float | None, float | None]:
    """The share of a kind's frames lost and the chance that one arrives; None where the link is not known, or numpy is not here."""
    model = loss_model() if tells_loss(link, window) else None
    if model is None:
        return None, None
    arrived: tuple[float | None, float | None] = model.arrivals(
        model.losses(link, payload_bytes, window.track), frames
    )
    return arrived


def loss_model() -> ModuleType | None:
    """packetkit.mission.arrivals; None where numpy is not here, as in one file on a memory stick: the rest is counted all the same."""
    try:
        from packetkit.mission import arrivals
    except ModuleNotFoundError:
        return None
    return arrivals


def tells_loss(link: Link, window: Pass) -> bool:
    """True where the schema says enough for the share of frames lost."""
    return bool(window.track) and has_ends(link)


def measures(layout: Layout, size: tuple[int, int | None]) -> tuple[int, bool, int]:
    """Bytes of the frame at its longest, whether it varies, and its useful bits then."""
    useful = useful_bits(layout.nodes, size[1], layout.carried) or 0
    return size[0], not layout.is_fixed, useful


def _time(name: str, frame_bytes: int, link: Link) -> Fraction:
    if link.setting is None:
        raise RadioError(
            "the schema names no radio; add link: {chirp: {spreading_factor: 10, bandwidth_khz: 125}}"
        )
    time = link.time_on_air(frame_bytes)
    if time is None:
        size = counted(frame_bytes, "byte") + (
            f" and the driver's {link.driver_bytes}" if link.driver_bytes else ""
        )
        raise RadioError(
            f"{name}: {size} do not fit a packet of {chirp.MAXIMUM_PAYLOAD_BYTES}; shorten the frame or split it"
        )
    return time


def _findings(shares: tuple[Share, ...], window: Pass, allowed_s: Fraction, gap_s: Fraction) -> list[str]:
    """What does not fit, with the numbers and what would help."""
    found = []
    airtime = sum((share.airtime_s for share in shares), Fraction(0))
    busy = airtime + gap_s * sum(share.frames for share in shares)
    cadenced = ", ".join(share.name for share in shares if share.cadence_s is not None)
    if busy > window.duration_s:
        text = f"{cadenced}: the cadences ask for {float(busy):.1f} s of a pass of {float(window.duration_s):.1f} s"
        found.append(f"{text}; send less often, shorten frames, or use a faster setting")
    elif airtime > allowed_s:
        asked = f"the cadences ask for {float(airtime):.1f} s on the air"
        text = f"{cadenced}: {asked}, and the share of the hour allows {float(allowed_s):.1f} s"
        found.append(f"{text}; send less often or shorten frames")
    return found
