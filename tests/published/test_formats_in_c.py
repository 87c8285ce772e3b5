"""Generated C on published formats: it reads the published frames, and makes the same bytes of what it has read.

Schemas, frames and their sources are those of the tests beside this one, which hold the codec to the published values.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from random import Random
from typing import Any

import dns.message
import dpkt
import pytest

from packetkit import toolchains
from packetkit.codec.frame import Frame
from packetkit.conformance import members
from packetkit.conformance.batch import Question
from packetkit.fuzz import raw
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.resources import resource
from tests.published import (
    test_blocks,
    test_continued,
    test_first_bits,
    test_formats,
    test_lorawan,
    test_measured_formats,
    test_mode_s,
    test_mode_s_replies,
    test_sums_over_addresses,
    test_times,
    test_told_by_first_bits,
)

INTERNET = bytes.fromhex("45000073000040004011b861c0a80001c0a800c7")
SHIP = test_measured_formats.six_bits(test_measured_formats.SENTENCE.split(",")[5])
DATAGRAM = test_sums_over_addresses.sent(dpkt.udp.UDP(sport=0x414, dport=53, data=b"x", ulen=9), 17)
ROUTERS = test_sums_over_addresses.halves(
    bytes.fromhex("fe80000000000000021cdafffe002024"), bytes.fromhex("ff02000000000000000000000000001a")
)
QUESTION = dns.message.make_query("example.org", "A", id=0x1234).to_wire()

# Each schema, and frames of it that somebody else has published or made: the frame's name, its bytes, the codes it is supplied with.
FORMATS: dict[str, tuple[str, list[tuple[str, bytes, dict[str, int]]]]] = {
    "internet-header": (test_formats.INTERNET_HEADER, [("ipv4", INTERNET, {})]),
    "internet-packet": (
        test_measured_formats.INTERNET_PACKET,
        [("packet", INTERNET + bytes(range(95)), {})],
    ),
    "station": (
        test_measured_formats.REFERENCE_STATION,
        [
            ("transport", test_measured_formats.ANTENNA_POINT, {}),
            ("transport", test_measured_formats.TEXT, {}),
        ],
    ),
    "observables": (
        test_formats.MESSAGE_1004,
        [
            ("observables", Frame(layout).encode(test_formats.record_1004(satellites)), {})
            for layout in parse(test_formats.MESSAGE_1004).layouts.values()
            for satellites in (0, 5, 11)
        ],
    ),
    "half": (test_formats.HALF, []),
    "synchrophasor": (
        test_measured_formats.SYNCHROPHASOR,
        [("data", test_measured_formats.SYNCHROPHASOR_DATA, {})],
    ),
    "ship": (test_measured_formats.POSITION_REPORT, [("report", SHIP, {})]),
    "space-packet": (test_measured_formats.SPACE_PACKET, []),
    "domain": (test_measured_formats.DOMAIN_HEADER, [("message", QUESTION, {})]),
    "squitters": (
        test_mode_s.SQUITTERS,
        [
            (parse(test_mode_s.SQUITTERS).identify(data), data, {})
            for data in (test_mode_s.IDENTIFICATION, test_mode_s.VELOCITY)
        ],
    ),
    "replies": (
        test_mode_s_replies.REPLIES,
        [
            *(
                ("selective", bytes.fromhex(text), {"address": address})
                for text, address in test_mode_s_replies.SELECTIVE.items()
            ),
            ("all_call", test_mode_s_replies.ALL_CALL, {"interrogator": 0x16}),
        ],
    ),
    "transport": (
        test_sums_over_addresses.SCHEMA,
        [
            ("datagram", DATAGRAM, test_sums_over_addresses.KNOWN),
            ("control", bytes.fromhex("9b006bde00000000"), ROUTERS),
        ],
    ),
    "blocks": (
        test_blocks.SCHEMA,
        [
            *(("data_link", bytes.fromhex(text), {}) for text, *_ in test_blocks.LINK),
            ("meter", bytes.fromhex(test_blocks.TELEGRAM), {}),
        ],
    ),
    "things": (
        test_continued.THINGS,
        [
            ("publish", bytes.fromhex("30 05 0003612F62"), {}),
            ("publish", bytes.fromhex("32 07 0003612F62 000A"), {}),
            ("field", bytes.fromhex("089601"), {}),
            ("field", bytes.fromhex("08" + "FF" * 9 + "01"), {}),
            ("field", bytes.fromhex("120774657374696E67"), {}),
            ("event", bytes.fromhex("C000 FF 03 8100") + b"a" * 128, {}),
        ],
    ),
    "first-bits": (
        test_first_bits.SCHEMA,
        [
            *(
                (frame, bytes.fromhex(text), {})
                for frame, texts in {
                    "transport": "c2197c5eff14e88c 9d7f3e7d 7bbd 25",
                    "argument": "17 1818 190100 1a000f4240 1bffffffffffffffff",
                    "crypto": "0643e803aabbcc",
                    "counted": "03aabbcc",
                }.items()
                for text in texts.split()
            ),
            ("octets", bytes.fromhex("048180") + bytes(128), {}),
            ("counted", bytes.fromhex("fdfd00") + bytes(253), {}),
        ],
    ),
    "told": (
        test_told_by_first_bits.SCHEMA,
        [
            ("transport", bytes.fromhex("0106004040" + "aa" * 64 + "108001000013080000"), {}),
            ("record", bytes.fromhex("089601120774657374696e67"), {}),
            ("record", bytes.fromhex("8001960182010161"), {}),
            ("socket", bytes.fromhex("818537fa213d7f9f4d5158"), {}),
            ("element", bytes.fromhex("1A45DFA340C8") + bytes(200), {}),
        ],
    ),
    "uplink": (test_lorawan.UPLINK, [("data", test_lorawan.FRAME, {})]),
    **{
        f"shipped-{name}": (resource(f"schemas/{name}.yaml").read_text("utf-8"), [])
        for name in ("first-light", "heron", "plover")
    },
}


@pytest.fixture(scope="module")
def running(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[raw.Ask, dict[tuple[str, str], int]]]:
    """One program of all these formats, under the sanitizers, and the number of each frame in it."""
    missions = {name: parse(text) for name, (text, _) in FORMATS.items()}
    named = [
        (mission.layouts, Dossier(name, mission.fingerprint, "", "", mission.outside))
        for name, mission in missions.items()
    ]
    frames = [(name, frame) for name, mission in missions.items() for frame in mission.layouts]
    with toolchains.c_process(named, str(tmp_path_factory.mktemp("formats"))) as process:
        yield process.ask, {one: number for number, one in enumerate(frames)}


@pytest.mark.parametrize("name", [name for name, (_, published) in FORMATS.items() if published])
def test_c_reads_published_frames_as_the_codec_does_and_makes_them_again(name: str, running: Any) -> None:
    ask, numbers = running
    text, published = FORMATS[name]
    mission = parse(text)
    for frame, data, known in published:
        layout, number = mission.layouts[frame], numbers[name, frame]
        more: dict[str, Any] = {"known": known} if known else {}
        detail = Frame(layout).decode(data, detail=True, **more)
        row = members.from_detail(layout, detail)
        held = raw.Held(layout, Frame(layout), number)
        read, made = ask([Question(number, members.told(layout, row) + data), Question(number, row)])
        assert raw.found(held, Question(number, data), read) == ("ok", row)
        assert (made.status, made.content) == ("ok", data)


def test_c_reads_a_datagram_whose_check_was_not_computed_and_sends_it_computed(running: Any) -> None:
    ask, numbers = running
    layout, number = parse(FORMATS["transport"][0]).layouts["datagram"], numbers["transport", "datagram"]
    detail = Frame(layout).decode(DATAGRAM, detail=True, known=test_sums_over_addresses.KNOWN)
    row = members.from_detail(layout, detail)
    told = members.told(layout, row)
    none, wrong = (told + DATAGRAM[:6] + check + DATAGRAM[8:] for check in (bytes(2), bytes([0, 1])))
    read, refused, made = ask([Question(number, none), Question(number, wrong), Question(number, row)])
    assert raw.found(raw.Held(layout, Frame(layout), number), Question(number, none), read) == ("ok", row)
    assert refused.status == "check failed" and made.content == DATAGRAM


@pytest.mark.parametrize("name", FORMATS)
def test_c_answers_as_the_codec_does_on_published_and_shipped_formats(name: str, running: Any) -> None:
    ask, numbers = running
    for frame, layout in parse(FORMATS[name][0]).layouts.items():
        held = raw.Held(layout, Frame(layout), numbers[name, frame])
        subjects = list(raw.subjects(layout, held.frame, Random(name), 60))
        found = next(raw.partings(held, ask, subjects), None)
        assert found is None, f"{layout}\n{raw.smallest(held, ask, found) if found else ''}"


def test_times_are_raw_codes_in_c(tmp_path: Path) -> None:
    names = ("POSIX", "JULIAN", "GPS", "ATOMIC", "DAYS")
    frames: list[Frame] = [getattr(test_times, name) for name in names]
    named = [
        ({frame.name: frame.layout}, Dossier(name.lower(), "1-0", "", ""))
        for name, frame in zip(names, frames, strict=True)
    ]
    with toolchains.c_process(named, str(tmp_path)) as process:
        for number, frame in enumerate(frames):
            held = raw.Held(frame.layout, frame, number)
            subjects = list(raw.subjects(frame.layout, frame, Random(2), 40))
            assert not list(raw.partings(held, process.ask, subjects))
