"""A mission's vectors: made frame by frame, and held against a codec. What is expected is a judge's to say, who is handed in."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from packetkit.conformance import generate
from packetkit.conformance.judge import Judge
from packetkit.conformance.vector import Case, FrameVectors, Vectors, failures
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission

Cases = Callable[[Layout, Judge, int], list[Case]]


def made(
    mission: Mission, judge_of: Callable[[str], Judge], seed: int = 1, cases: Cases = generate.cases
) -> Vectors:
    """Return the vectors of every frame. judge_of: from a frame's name to the judge that works out its bytes, not the codec itself.

    cases: which of them, all unless given (`generate.few`: those that a document shows).
    """
    frames = tuple(
        FrameVectors(name, layout.fingerprint, tuple(cases(layout, judge_of(name), seed)))
        for name, layout in mission.layouts.items()
    )
    return Vectors(mission.name, mission.fingerprint, frames)


def differences(vectors: Vectors, mission: Mission, codec_of: Callable[[Layout], Judge]) -> Iterator[str]:
    """Yield what a mission's codecs do otherwise than its vectors say, fingerprints first: other layouts cannot be expected to agree."""
    by_name = {frame.name: frame for frame in vectors.frames}
    for name in mission.layouts:
        if name not in by_name:
            yield f"{name}: there are no vectors for this frame"
    for name, frame in by_name.items():
        layout = mission.layouts.get(name)
        if layout is None:
            yield f"{name}: {mission.name} has no such frame"
        elif layout.fingerprint != frame.fingerprint:
            yield (
                f"{name}: the vectors are for fingerprint {frame.fingerprint}, and the schema has {layout.fingerprint}: "
                "another version of the schema. Use that version, or make new vectors"
            )
        else:
            codec = codec_of(layout)
            for case in frame.cases:
                yield from (f"{name}: {sentence}" for sentence in failures(case, codec))
