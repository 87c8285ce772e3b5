"""Generated standalone Python on published formats: it reads the published frames as the codec does, and makes them again.

Schemas, frames and their sources are those of the tests beside this one, which hold the codec to the published values.
"""

from __future__ import annotations

from random import Random
from types import ModuleType
from typing import Any

import pytest

from packetkit.codec.frame import Frame
from packetkit.conformance import draw
from packetkit.errors import EncodeError
from packetkit.layout.model import Layout
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.targets import python
from tests.published import test_formats_in_c, test_times

FORMATS = test_formats_in_c.FORMATS


def mission_of(layouts: dict[str, Layout], outside: frozenset[str] = frozenset()) -> Any:
    made = ModuleType("generated")
    text = next(iter(python.write(layouts, Dossier("published", "1-0", "", "", outside)).values()))
    exec(compile(text, "generated", "exec"), made.__dict__)
    return made.__dict__["MISSION"]


def agree(frame: Frame, other: Any, data: bytes, **more: Any) -> None:
    for detail in (False, True):
        assert repr(other.decode(data, detail=detail, **more)) == repr(
            frame.decode(data, detail=detail, **more)
        )
    assert other.encode(other.decode(data, detail=True, **more)) == data
    used = other.decode_from(b"\x5a" + data, 1, **more)[1]
    assert used == len(data)


def agree_on_draws(frame: Frame, other: Any, chance: Random, records: int) -> None:
    """Drawn records: the same bytes, or refused for the same faults."""
    for _ in range(records):
        record = draw.record(frame.layout, chance)
        try:
            data = frame.encode(record)
        except EncodeError as no:
            with pytest.raises(ValueError) as theirs:
                other.encode(record)
            refused = [(fault.path, fault.rule) for fault in no.faults]
            assert [fault[:2] for fault in theirs.value.faults] == refused  # type: ignore[attr-defined]
            continue
        assert other.encode(record) == data
        agree(frame, other, data)


def reason(decode: Any, data: bytes) -> str:
    """Why these octets are no frame; empty where they are one, as three may be of what varies in size."""
    try:
        decode(data)
    except ValueError as no:
        return str(no.reason)  # type: ignore[attr-defined]
    return ""


@pytest.mark.parametrize("name", FORMATS)
def test_standalone_python_reads_published_frames_and_makes_them_again(name: str) -> None:
    text, published = FORMATS[name]
    mission = parse(text)
    generated = mission_of(dict(mission.layouts), mission.outside)
    for frame, data, known in published:
        ours, theirs = mission.frames[frame], generated.frames[frame]
        agree(ours, theirs, data)  # where a field is supplied, it is recovered
        agree(ours, theirs, data, **({"known": known} if known else {}))
        for cut in range(min(4, len(data))):
            assert reason(theirs.decode, data[:cut]) == reason(ours.decode, data[:cut])
    for frame, ours in mission.frames.items():
        agree_on_draws(ours, generated.frames[frame], Random(name), 10)


@pytest.mark.parametrize("name", ["POSIX", "JULIAN", "GPS", "ATOMIC", "DAYS"])
def test_standalone_python_tells_times_as_the_codec_does(name: str) -> None:
    frame: Frame = getattr(test_times, name)
    other = mission_of({frame.name: frame.layout}).frames[frame.name]
    agree_on_draws(frame, other, Random(name), 60)
