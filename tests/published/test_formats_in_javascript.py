"""Generated JavaScript on published formats: it reads the published frames as the codec does, and makes the same bytes of what it has read.

Schemas, frames and their sources are those of the tests beside this one, which hold the codec to the published values.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import spoken
from packetkit.conformance.spoken import Question, Told
from packetkit.fuzz import speaking
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.targets import javascript
from tests.published import test_times
from tests.published.test_formats_in_c import FORMATS


@pytest.fixture(scope="module")
def node() -> Iterator[toolchains.Speaker]:
    with toolchains.javascript() as speaker:
        yield speaker


def asking(node: toolchains.Speaker, layouts: Any, name: str, place: Path) -> speaking.Ask:
    """Write a mission's module; return what questions to it are asked by."""
    files = javascript.write(layouts, Dossier(name, "1-0", "", ""))
    path = place / f"{name}.js"
    path.write_text(files[path.name], encoding="utf-8")
    return lambda questions: node.ask(str(path), questions)


@pytest.mark.parametrize("name", FORMATS)
def test_javascript_reads_published_frames_as_the_codec_does_and_makes_them_again(
    name: str, node: toolchains.Speaker, tmp_path: Path
) -> None:
    text, published = FORMATS[name]
    layouts = parse(text).layouts
    ask = asking(node, layouts, name, tmp_path)
    for frame, data, known in published:
        codec = Frame(layouts[frame])
        subject: Any = Told(data, {}, known) if known else data
        questions: list[Question] = [(word, frame, subject) for word in ("decode", "detail")]
        values, detail = ask(questions)
        for right, found in zip(spoken.answers(codec, questions), (values, detail), strict=True):
            assert spoken.same(right, found) and "record" in right
        again: list[Question] = [("encode", frame, found["record"]) for found in (values, detail)]
        assert ask(again) == [{"bytes": data.hex()}] * 2
    for layout in layouts.values():
        assert not list(speaking.differences(Frame(layout), {name: ask}, Random(name), 30))


@pytest.mark.parametrize("name", ["POSIX", "JULIAN", "GPS", "ATOMIC", "DAYS"])
def test_times_are_the_published_ones_in_javascript(
    name: str, node: toolchains.Speaker, tmp_path: Path
) -> None:
    frame: Frame = getattr(test_times, name)
    ask = asking(node, {frame.name: frame.layout}, name.lower(), tmp_path)
    assert not list(speaking.differences(frame, {name: ask}, Random(3), 150))
