"""Generated MicroPython on published formats, run by this Python: it reads the published frames, and makes the same bytes of what it read.

Schemas, frames and their sources are those of the tests beside this one. That the interpreter itself gives these answers is held on random
schemas.
"""

from __future__ import annotations

import sys
from random import Random
from types import ModuleType
from typing import Any

import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import members
from packetkit.conformance.batch import Question, answers, batch
from packetkit.errors import Unsupported
from packetkit.fuzz import raw
from packetkit.layout.model import Layout
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from tests.published import test_formats_in_c, test_sums_over_addresses, test_times

FORMATS = test_formats_in_c.FORMATS
REFUSED = {
    "things": "number of up to 10 octets",
    "first-bits": "first bits say its size",
    "told": "number of varying size",
}


def asked(layouts: dict[str, Layout], monkeypatch: pytest.MonkeyPatch) -> raw.Ask:
    """The program around a mission's module, loaded here."""
    files = toolchains.micropython_files([(layouts, Dossier("published", "1-0", "", ""))])
    for file, text in files.items():
        made: Any = ModuleType(file.removesuffix(".py"))
        monkeypatch.setitem(sys.modules, made.__name__, made)
        exec(compile(text, file, "exec"), made.__dict__)
    answer = made.answer  # the last is the program
    return lambda questions: list(answers(bytes.fromhex(answer(batch(questions)[4:].hex()))))


@pytest.mark.parametrize("name", REFUSED)
def test_micropython_refuses_by_name_what_it_was_not_taught(name: str) -> None:
    layouts = dict(parse(FORMATS[name][0]).layouts)
    with pytest.raises(Unsupported, match=REFUSED[name]) as refused:
        toolchains.micropython_files([(layouts, Dossier("published", "1-0", "", ""))])
    assert "_" not in str([reason for _, reason in refused.value.items]), "in words, not by inner names"


@pytest.mark.parametrize("name", sorted(FORMATS.keys() - REFUSED.keys()))
def test_micropython_reads_published_frames_as_the_codec_does_and_makes_them_again(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    text, published = FORMATS[name]
    mission = parse(text)
    ask = asked(dict(mission.layouts), monkeypatch)
    numbers = {frame: number for number, frame in enumerate(mission.layouts)}
    for frame, data, known in published:
        layout = mission.layouts[frame]
        more: dict[str, Any] = {"known": known} if known else {}
        row = members.from_detail(layout, Frame(layout).decode(data, detail=True, **more))
        held = raw.Held(layout, Frame(layout), numbers[frame])
        told = members.told(layout, row) + data
        read, made = ask([Question(held.number, told), Question(held.number, row)])
        assert raw.found(held, Question(held.number, told), read) == ("ok", row)
        assert (made.status, made.content) == ("ok", data)
    for frame, layout in mission.layouts.items():
        held = raw.Held(layout, Frame(layout), numbers[frame])
        subjects = list(raw.subjects(layout, held.frame, Random(name), 12))
        assert next(raw.partings(held, ask, subjects), None) is None


def test_micropython_reads_a_datagram_whose_check_was_not_computed_and_sends_it_computed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    layout, sent = parse(FORMATS["transport"][0]).layouts["datagram"], test_formats_in_c.DATAGRAM
    ask = asked({"datagram": layout}, monkeypatch)
    detail = Frame(layout).decode(sent, detail=True, known=test_sums_over_addresses.KNOWN)
    row = members.from_detail(layout, detail)
    told = members.told(layout, row)
    none, wrong = (told + sent[:6] + check + sent[8:] for check in (bytes(2), bytes([0, 1])))
    read, refused, made = ask([Question(0, none), Question(0, wrong), Question(0, row)])
    assert raw.found(raw.Held(layout, Frame(layout), 0), Question(0, none), read) == ("ok", row)
    assert refused.status == "check failed" and made.content == sent


@pytest.mark.parametrize("name", ["POSIX", "JULIAN", "GPS", "ATOMIC", "DAYS"])
def test_times_are_raw_codes_in_micropython(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    frame: Frame = getattr(test_times, name)
    ask = asked({frame.name: frame.layout}, monkeypatch)
    held = raw.Held(frame.layout, frame, 0)
    assert not list(raw.partings(held, ask, list(raw.subjects(frame.layout, frame, Random(2), 20))))
