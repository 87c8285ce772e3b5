"""Experiment: the team's own frames through a noisy pipe; bit error rate in, lost and unnoticed frames out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from packetkit.codec.frame import Frame
from packetkit.errors import DecodeError
from packetkit.integrity.catalog import ALGORITHMS
from packetkit.lab.checks import Array, check_for
from packetkit.lab.experiment import (
    Cell,
    Chart,
    Heading,
    LabError,
    Line,
    Outcome,
    Request,
    interval,
    share_brief,
    share_text,
)
from packetkit.lab.resync import frames_of
from packetkit.layout.model import Layout

RATES = (1e-5, 1e-4, 1e-3, 3e-3, 1e-2, 3e-2, 0.1)
BESIDE = ("PARITY/EVEN", "SUM-8", "CRC-8/SMBUS", "CRC-16/IBM-3740")
FRAMES = 50  # different frames that are sent again and again
CHUNK = 5_000
OWN = "own"


class Arrived(NamedTuple):
    """Frames of one check at one rate: sent, arrived whole, damaged and noticed, damaged and taken for good."""

    sent: int
    whole: int
    noticed: int
    unnoticed: int

    def and_(self, other: Arrived) -> Arrived:
        """Both together."""
        return Arrived(*(mine + theirs for mine, theirs in zip(self, other, strict=True)))


def own(layout: Layout, frames: Sequence[bytes], rate: float, seed: Sequence[int], count: int) -> Arrived:
    """One piece of work: real frames, damaged, and what the frame's own decoder says."""
    chance, frame = np.random.default_rng(list(seed)), Frame(layout)
    whole = noticed = unnoticed = 0
    for data in (frames[index] for index in chance.integers(0, len(frames), count)):
        flips = np.flatnonzero(chance.random(len(data) * 8) < rate)
        if not len(flips):
            whole += 1
            continue
        hurt = bytearray(data)
        for bit in flips:
            hurt[bit // 8] ^= 0x80 >> int(bit) % 8
        try:
            frame.decode(bytes(hurt))
        except DecodeError:
            noticed += 1
        else:
            unnoticed += 1
    return Arrived(count, whole, noticed, unnoticed)


def beside(name: str, octets: int, rate: float, seed: Sequence[int], count: int) -> Arrived:
    """One piece of work: random data of the same length under another check."""
    chance, check = np.random.default_rng(list(seed)), check_for(ALGORITHMS[name], octets)
    data = chance.integers(0, 256, (count, octets), dtype=np.uint8)
    damage: Array = chance.random((count, check.bits)) < rate
    hurt = damage.any(axis=1)
    unnoticed = int((check.unnoticed(data, damage) & hurt).sum())
    return Arrived(count, int((~hurt).sum()), int(hurt.sum()) - unnoticed, unnoticed)


def piece(
    layout: Layout,
    frames: Sequence[bytes],
    octets: int,
    place: int,
    kind: str,
    seed: int,
    chunk: int,
    count: int,
) -> Arrived:
    """One piece of work, of either sort."""
    stream = (seed, place, (OWN, *BESIDE).index(kind), chunk)
    if kind == OWN:
        return own(layout, frames, RATES[place], stream, count)
    return beside(kind, octets, RATES[place], stream, count)


def run(request: Request) -> Outcome:
    """Send frames at every rate."""
    layout, frames = request.layout, frames_of(request, FRAMES)
    if layout.supplied or request.mission.variants:
        raise LabError(f"{request.frame}: this experiment reads frames that tell all of themselves")
    longest = max(map(len, frames))
    own_bits = sum(slot.width for slot in layout.slots if slot.check is not None)
    octets = max(longest - own_bits // 8, 1)
    count = request.whole("frames")
    every = [
        (place, kind, (layout, frames, octets, place, kind, request.seed, chunk, min(CHUNK, count - start)))
        for place in range(len(RATES))
        for kind in (OWN, *BESIDE)
        for chunk, start in enumerate(range(0, count, CHUNK))
    ]
    answers = request.crew.map(piece, [arguments for _, _, arguments in every])
    found: dict[tuple[int, str], Arrived] = {}
    for (place, kind, _), answer in zip(every, answers, strict=True):
        if answer is not None:
            found[place, kind] = found.get((place, kind), Arrived(0, 0, 0, 0)).and_(answer)
    return Outcome(
        f"{request.named}: {longest} bytes at the longest; beside it {octets} bytes of data under other checks",
        tuple(_record(place, kind, arrived) for (place, kind), arrived in found.items()),
        (
            Heading("bit error\nrate"),
            Heading("whole"),
            Heading("noticed"),
            Heading("not\nnoticed"),
            *(Heading("under\n" + name.partition("/")[0]) for name in BESIDE),
        ),
        tuple(_row(place, found) for place in range(len(RATES)) if (place, OWN) in found),
        _chart(found),
        tuple(_seen(found, len(frames[0]) * 8 if layout.is_fixed else None)),
    )


def _record(place: int, kind: str, arrived: Arrived) -> dict[str, Cell]:
    low, high = interval(arrived.unnoticed, arrived.sent)
    return {
        "bit_error_rate": RATES[place],
        "check": kind,
        "sent": arrived.sent,
        "whole": arrived.whole,
        "noticed": arrived.noticed,
        "unnoticed": arrived.unnoticed,
        "unnoticed_share_low": low,
        "unnoticed_share_high": high,
    }


def _text(count: int, sent: int) -> str:
    return share_brief(count / sent) if count else f"<{share_brief(interval(0, sent)[1])}"


def _row(place: int, found: dict[tuple[int, str], Arrived]) -> tuple[str, ...]:
    mine = found[place, OWN]
    others = [found.get((place, name)) for name in BESIDE]
    return (
        f"{RATES[place]:g}",
        share_brief(mine.whole / mine.sent),
        share_brief(mine.noticed / mine.sent),
        _text(mine.unnoticed, mine.sent),
        *("" if one is None else _text(one.unnoticed, one.sent) for one in others),
    )


def _chart(found: dict[tuple[int, str], Arrived]) -> Chart:
    lines = []
    for kind in (OWN, *BESIDE):
        points = [
            (RATES[place], arrived.unnoticed / arrived.sent)
            for (place, name), arrived in found.items()
            if name == kind and arrived.unnoticed
        ]
        if points:
            lines.append(Line("this frame" if kind == OWN else kind, tuple(points)))
    return Chart(
        "Damaged frames taken for good",
        "bit error rate",
        "share of frames",
        tuple(lines),
        log_across=True,
        log_up=True,
    )


def _seen(found: dict[tuple[int, str], Arrived], bits: int | None) -> list[str]:
    half = next(
        (
            place
            for place in range(len(RATES))
            if (place, OWN) in found and found[place, OWN].whole * 2 < found[place, OWN].sent
        ),
        None,
    )
    if half is None or bits is None:
        return []
    arrived = found[half, OWN]
    whole, expected = share_text(arrived.whole / arrived.sent), share_text((1 - RATES[half]) ** bits)
    return [
        f"At a rate of {RATES[half]:g} {whole} arrive whole; (1 - {RATES[half]:g})^{bits} says {expected}."
    ]
