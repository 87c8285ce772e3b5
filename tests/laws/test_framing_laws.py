"""Framings: what is wrapped comes back, standards' own examples hold, any pieces give the same units, and any bytes give units."""

from __future__ import annotations

import gzip
import struct
import subprocess
import sys
import zlib
from contextlib import suppress
from itertools import pairwise

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from packetkit.captures import lines, pcap
from packetkit.captures.lines import Count
from packetkit.captures.unpack import packed_as, unpacked
from packetkit.errors import InputError
from packetkit.framing.cobs import COBS
from packetkit.framing.delimited import LONGEST, Framing, units
from packetkit.framing.hdlc import hdlc
from packetkit.framing.slip import KISS, SLIP
from packetkit.integrity import crc
from packetkit.integrity.catalog import find

HDLC = hdlc(crc.engine(find("CRC-16/IBM-SDLC")), 2)
FRAMINGS = (SLIP, KISS, COBS, HDLC, hdlc(None, 0))


def cut(data: bytes, places: list[int]) -> list[bytes]:
    """The bytes in pieces."""
    edges = sorted({place % (len(data) + 1) for place in places} | {0, len(data)})
    return [data[first:last] for first, last in pairwise(edges)]


@pytest.mark.parametrize("framing", FRAMINGS, ids=lambda one: one.name)
@given(st.lists(st.binary(min_size=1, max_size=600), max_size=5), st.lists(st.integers(0, 4000)))
def test_what_is_wrapped_comes_back_in_any_pieces(
    framing: Framing, frames: list[bytes], places: list[int]
) -> None:
    stream = b"".join(map(framing.wrap, frames))
    found = list(units(framing, cut(stream, places)))
    assert [(unit.data, unit.problem) for unit in found] == [(frame, "") for frame in frames]
    for unit, frame in zip(found, frames, strict=True):
        assert stream[unit.offset :].startswith(framing.escape(frame))


@pytest.mark.parametrize("framing", FRAMINGS, ids=lambda one: one.name)
@given(st.binary(max_size=400), st.lists(st.integers(0, 400)))
def test_any_bytes_in_any_pieces_give_the_same_units(
    framing: Framing, data: bytes, places: list[int]
) -> None:
    assert list(units(framing, cut(data, places))) == list(units(framing, [data]))


@pytest.mark.parametrize("framing", FRAMINGS, ids=lambda one: one.name)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.binary(max_size=9)), max_size=6), st.lists(st.integers(0, 300))
)
def test_a_line_at_rest_between_units_changes_nothing_but_where_they_are(
    framing: Framing, stretches: list[tuple[int, bytes]], places: list[int]
) -> None:
    mark = bytes((framing.delimiter,))
    stream, expected = mark, []
    for rest, data in stretches:
        stream += mark * rest
        if data:
            expected.append((len(stream), data))
            stream += framing.escape(data) + mark
    found = list(units(framing, cut(stream, places)))
    assert [(unit.offset, unit.data) for unit in found] == expected


def test_what_runs_on_without_a_delimiter_is_cut_and_told() -> None:
    data = b"a" * (LONGEST + 5) + b"\xc0"
    whole = list(units(SLIP, [data]))
    assert [(one.offset, len(one.data)) for one in whole] == [(0, LONGEST), (LONGEST, 5)]
    assert list(units(SLIP, [data[:1000], data[1000:]])) == whole


def test_the_examples_of_cobs_hold() -> None:
    # Cheshire and Baker (1999), as quoted by general references on consistent overhead byte stuffing; from memory.
    examples = {"00": "0101", "0000": "010101", "11220033": "0311220233", "11223344": "0511223344"}
    for plain, stuffed in examples.items():
        assert COBS.escape(bytes.fromhex(plain)).hex() == stuffed
        assert COBS.unescape(bytes.fromhex(stuffed)) == (bytes.fromhex(plain), "")
    assert COBS.escape(bytes(range(1, 255))) == b"\xff" + bytes(range(1, 255))
    full = bytes(range(1, 255))
    assert COBS.escape(full + b"\x07") == b"\xff" + full + b"\x02\x07"
    assert COBS.unescape(b"\xff" + full + b"\x02\x07") == (full + b"\x07", "")
    assert COBS.unescape(b"\xff" + full + b"\x01") == (
        full,
        "",
    )  # an encoder that ends each frame with a block
    assert COBS.unescape(b"\x05\x11")[1] == "a block of 4 octets has only 1"


def test_slip_escapes_as_rfc_1055_says() -> None:
    # RFC 1055: END is octal 300, ESC octal 333; they are sent as ESC ESC_END (octal 334) and ESC ESC_ESC (octal 335).
    assert SLIP.wrap(bytes((0o300, 1, 0o333))) == bytes((0o300, 0o333, 0o334, 1, 0o333, 0o335, 0o300))
    assert "neither" in SLIP.unescape(b"\xdb\x01")[1]


def test_hdlc_notices_a_flipped_bit_and_escapes_as_rfc_1662_says() -> None:
    # RFC 1662, section 4.2: 0x7e is sent as 0x7d, 0x5e, and 0x7d as 0x7d, 0x5d.
    assert hdlc(None, 0).escape(b"\x7e\x7d\x11") == b"\x7d\x5e\x7d\x5d\x11"
    wrapped = bytearray(HDLC.wrap(b"telemetry"))
    wrapped[3] ^= 1
    (unit,) = units(HDLC, [bytes(wrapped)])
    assert unit.problem.startswith("the check of the framing is 0x")


@pytest.mark.parametrize("shape", lines.SHAPES, ids=lambda one: one.name)
def test_every_shape_reads_its_example_and_no_other_shape_reads_it_differently(shape: lines.Shape) -> None:
    text = ("boot 1.2\n" + shape.example + "\r\n").encode()
    for pattern in (None, shape.name):
        count = Count()
        (found,) = lines.log([text], pattern, None, count)
        assert found.data == bytes.fromhex("0165b1803e5b") and found.offset == 9
        assert found.received is not None and (count.lines, count.without) == (2, 1)
        if shape.name != "timed":
            assert (found.received.rssi_dbm, found.received.snr_db) == (-97, 8.5)


def test_a_payload_with_two_readings_is_refused_and_told() -> None:
    with pytest.raises(InputError, match="line 2: the payload can be read in two ways"):
        list(lines.table([b"time,payload\n1,0165b1803e5b\n"], None, None, Count()))
    (found,) = lines.objects([b'{"uplink": {"data": "AWWxgD5b", "rssi": -90}}'], None, None, Count())
    assert found.data.hex() == "0165b1803e5b" and found.received is not None


def datagram(payload: bytes) -> bytes:
    """An Ethernet frame with UDP over IPv4 around a payload (RFC 791, RFC 768)."""
    udp = struct.pack(">HHHH", 1, 2, 8 + len(payload), 0) + payload
    ip = struct.pack(">BBHHHBBH4s4s", 0x45, 0, 20 + len(udp), 0, 0, 9, 17, 0, b"\x7f\0\0\1", b"\x7f\0\0\1")
    return bytes(12) + b"\x08\x00" + ip + udp


@pytest.mark.parametrize("order", ["<", ">"])
def test_pcap_and_pcapng_give_the_payload_of_datagrams_and_when_they_came(order: str) -> None:
    body = datagram(b"frame")
    head = struct.pack(order + "IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, 1)
    record = struct.pack(order + "IIII", 1_000_000_000, 250_000, len(body), len(body)) + body
    padded = body + bytes(-len(body) % 4)
    blocks = [
        (0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1)),
        (1, struct.pack(order + "HHI", 1, 0, 0)),
        (
            6,
            struct.pack(order + "IIIII", 0, *divmod(1_000_000_000_250_000, 1 << 32), len(body), len(body))
            + padded,
        ),
    ]
    blocked = b"".join(
        struct.pack(order + "II", kind, len(inner) + 12) + inner + struct.pack(order + "I", len(inner) + 12)
        for kind, inner in blocks
    )
    for data in (head + record, blocked):
        assert pcap.is_pcap(data[:12])
        for pieces in ([data], [bytes((octet,)) for octet in data]):
            (found,) = pcap.packets(pieces, Count())
            assert found.data == b"frame" and found.received is not None
            assert found.received.time == "2001-09-09T01:46:40.250000Z"
    (short,) = pcap.packets([(head + record)[:-3]], Count())
    assert "the file ends after" in short.problem


@given(st.binary(max_size=300))
def test_any_bytes_as_network_captures_give_packets_or_an_input_error(data: bytes) -> None:
    for magic in ("a1b2c3d4", "4d3cb2a1", "0a0d0d0a0000001c1a2b3c4d"):
        with suppress(InputError):
            list(pcap.packets([bytes.fromhex(magic) + data], Count()))


@given(st.binary(max_size=200) | st.text('0123456789abcdef ,;=:\r\n"{}data', max_size=200).map(str.encode))
def test_any_bytes_as_text_give_packets_or_an_input_error(data: bytes) -> None:
    for read in (lines.log, lines.table, lines.objects):
        with suppress(InputError):
            list(read([b"time,payload\n" + data], None, None, Count()))
        with suppress(InputError):
            list(read([data], None, "hex", Count()))


# Beginnings of a shape over and over, and no end: what a pattern could try at each place again.
LONG = (
    "[",
    "10:00:01 ",
    "2031-05-02T10:00:01",
    "rssi ",
    "rssi=",
    "s/n= ",
    "data ",
    "data=00 ",
    "data:",
    "0x",
    " ",
    "1",
    "signal_",
)


def test_long_lines_without_a_frame_are_read_in_one_go() -> None:
    """Two hundred thousand characters each: tried anew at each place they would take minutes, and the process is stopped."""
    program = (
        "import sys; from packetkit.captures import lines\n"
        "for one in sys.argv[1:]:\n"
        "    for text in (one * (200_000 // len(one)), 'rssi' + one * (200_000 // len(one)) + 'z'):\n"
        "        list(lines.log([text.encode()], None, None, lines.Count()))\n"
    )
    subprocess.run([sys.executable, "-c", program, *LONG], check=True, timeout=60)


def test_packed_files_are_unpacked_and_a_cut_one_says_so() -> None:
    data = bytes(range(256)) * 600
    for kind, packed in (
        ("gzip", gzip.compress(data[:99]) + gzip.compress(data[99:]) + bytes(8)),
        ("zstd", zstandard.compress(data[:99]) + zstandard.compress(data[99:])),
    ):
        assert packed_as(packed[:12]) == kind
        assert b"".join(unpacked(kind, cut(packed, [1, 50, 333]))) == data
    with pytest.raises(InputError, match="ends too early"):
        list(unpacked("gzip", [gzip.compress(data)[:-4]]))
    assert packed_as(zlib.compress(data)) == ""
