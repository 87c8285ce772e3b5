"""TCP in captures: what a kernel sent is read back, and segments in any order, cut, doubled and lost, give what an array of bytes gives."""

from __future__ import annotations

import base64
import json
import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from packetkit.captures import pcap
from packetkit.captures.internet import FIN, RST, SYN, Segment
from packetkit.captures.lines import Count
from packetkit.captures.tcp import HELD, MOST, SETTLING, End, Gap, Given, Inside, Late, Place, Run, Streams
from packetkit.cli.main import main
from packetkit.resources import resource

FIRST = str(resource("schemas/first-light.yaml"))

# Captured on the loopback interface of Linux from its own TCP, over IPv4 and IPv6: three SLIP frames, sent seven bytes at a time; the
# times of packets were set to whole seconds. Deflated, in base 85.
KERNEL = {
    "IPv4": (
        "c-n>2O-lkn7{KvoU$o5%Dmv&F$Tf>1gbs=<frt78i5D;7P0(8&%8#%Fy?U`zLZ>{|#i-0W=q2z_r@laty<XhrnH@#PfmwLiW!U}m"
        "W0`rrt)8i%L+^4N00keOPNR6+WHWdfkN}9;9~M~Ni-$e(0ZygRDBbKdxA2X!>a@En0IKe^b=B|%SKoGVUC}h3A}s@8Id;`6H%gU)"
        "C#27lda^w0yt-x8kL6ClU&T6>RaRbSGg6M&9cpfJ<|L^Hi_>6rO|q!CUMy>@xWQ(m7_~oXu`Vq7NpX3&SW~tyi}92$rJ5lO&z*2T"
        "AxPrsL2B;@c;wVCO1<Z(X#sVgQeCT8PF<kXV*xe8QR^5VlT*Jb^^T)v1k`h^rd+Ebr-mu@NI=bU)EA78vtokHNO8^n5gvnVpBnB{"
        "udy0W)qHa1B4r*5m^qI5j^PRU&i|#%M~<1J%$cE`-@@vo+_*%I2LfY$u-FL%G^|d^jepeG;EZ`vHM!H-!s<Wx_y&X"
    ),
    "IPv6": (
        "c-p&ic+)~A1{MYw`2U}Qff2+wHOm@A#X&JLXuF%hx;BkLgUta=f)SnnXx`k|@3PvnK%50k|Bo;jFfcH&{6E6N#KGkewe|*B5i>Iv"
        "BYxX>xtxfxZEozNdB5d4U4b^vULf@U4#YMl36O2akH{o~Yy{cH1hp*;im~`jfoQ+Y2HNP>Ai&_jpaB$Qg!l_&8#C0FSSZF~i#mz6"
        "NC0iohud-!WXl1@)Qt^x(Jc7A1PVX}q65$kXyGDcF99t|0$IpPO)o9N;-!xun+`zy#71o|twi%u705z%YI<oUrkB>Sf^3S0_=$ts"
        "UfO`>r9O~_oKRaLp%{yol!^Az2Dq2B;a-vj*<=@efQ#DR*^K6$WgyGAshL|hgS{h&oLko!f^6cUwqLd&+XA#<7sw`FYWigh&?a}("
        "k_YUUT>y;)`Ue"
    ),
}


# A packet with seven bytes: Ethernet 14, IP 20 or 40, TCP 20 and its timestamps 12 (RFC 7323).
SIZE = {"IPv4": 14 + 20 + 32 + 7, "IPv6": 14 + 40 + 32 + 7}


def records(name: str) -> tuple[bytes, list[bytes]]:
    """The head of the file, and its records."""
    data = zlib.decompress(base64.b85decode(KERNEL[name]))
    at, found = 24, []
    while at < len(data):
        size = 16 + struct.unpack_from("<I", data, at + 8)[0]
        found.append(data[at : at + size])
        at += size
    return data[:24], found


def lines(
    path: Path, data: bytes, capsys: pytest.CaptureFixture[str], *more: str
) -> tuple[list[dict[str, object]], str]:
    """What decode makes of a capture: its lines, and what it says beside."""
    path.write_bytes(data)
    main(["decode", FIRST, str(path), "--from", "pcap", "--tcp", "slip", "--format", "jsonl", *more])
    made = capsys.readouterr()
    return [json.loads(line) for line in made.out.splitlines()], made.err


@pytest.mark.parametrize("name", KERNEL)
def test_what_a_kernel_sent_is_read_in_order_out_of_order_doubled_and_with_a_gap(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head, found = records(name)
    good = [(True, {"counter": 1, "temperature": 21.3, "cell_voltage": 3.9})] * 3
    carrying = [number for number, one in enumerate(found) if len(one) == 16 + SIZE[name]]
    first, second = carrying[0], carrying[1]
    turned = [*found[:first], *reversed(found[first:])]
    for order in (found, turned, found + found, [one for one in found for _ in range(2)]):
        made, _ = lines(tmp_path / "a", head + b"".join(order), capsys)
        assert [(one["ok"], one["values"]) for one in made] == good
    made, _ = lines(tmp_path / "a", head + b"".join(found[:second] + found[second + 1 :]), capsys)
    assert [one["reason"] for one in made] == ["framing", "gap", "truncated", None]


def test_the_place_of_a_frame_is_the_packet_that_brought_its_first_byte(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head, found = records("IPv4")
    data = head + b"".join(found)
    made, said = lines(tmp_path / "a", data, capsys)
    carrying = [data.index(one) for one in found if len(one) == 16 + SIZE["IPv4"]]
    # Each frame takes eight bytes with its two ends, and a unit begins behind the first: at bytes 1, 9 and 17 of seven a packet.
    assert [one["offset"] for one in made] == [carrying[0], carrying[1], carrying[2]]
    assert "Packets of other traffic" not in said
    made, said = lines(tmp_path / "a", data, capsys, "--port", "9")
    assert not made and f"Packets of other traffic: {len(found)} of {len(found)}.\n" in said
    main(["decode", FIRST, str(tmp_path / "a"), "--from", "pcap"])
    assert f"{len(found)} of TCP, which --tcp reads" in capsys.readouterr().out


def test_a_capture_that_begins_inside_a_connection_puts_its_first_segments_in_order_and_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    head, found = records("IPv4")
    inside = found[2:]  # behind the two segments that open it
    made, said = lines(tmp_path / "a", head + b"".join(reversed(inside)), capsys)
    assert [one["ok"] for one in made] == [True, True, True]
    assert "The capture begins inside 1 TCP stream: it lacks what was sent before.\n" in said


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (["--from", "slip", "--tcp", "slip"], "--tcp goes with --from pcap, not slip"),
        (
            ["--from", "pcap", "--tcp", "slip", "--framing-check", "none"],
            "--framing-check goes with --tcp hdlc",
        ),
        (["--from", "pcap", "--tcp", "binary", "--strip", "2"], "--tcp binary is a stream without any"),
    ],
)
def test_misuse_of_streams_is_told(more: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["decode", FIRST, "network.pcap", *more]) == 2
    assert said in " ".join(capsys.readouterr().err.split())


# -- the slow second reading: an array of bytes, of which some came ---------------------------------


def segment(sequence: int, data: bytes = b"", flags: int = 0, stream: str = "a > b") -> Segment:
    return Segment((1, 2), stream, sequence % (1 << 32), flags, data, len(data))


def given_by(segments: list[Segment], settling: int = SETTLING) -> list[Given]:
    """What streams give, to the end of the capture."""
    streams = Streams(settling)
    made = [one for number, taken in enumerate(segments) for one in streams.take(taken, Place(number))]
    return [*made, *streams.close()]


def joined(given: list[Given]) -> list[bytes | int]:
    """Runs as bytes and gaps as numbers, neighbours joined."""
    made: list[bytes | int] = []
    for one in given:
        if isinstance(one, Run) and made and isinstance(made[-1], bytes):
            made[-1] += one.data
        elif isinstance(one, (Run, Gap)):
            made.append(one.data if isinstance(one, Run) else one.size)
    return made


@given(
    st.binary(min_size=1, max_size=60),
    st.integers(0, 2**32 - 1) | st.integers(2**32 - 70, 2**32 - 1),
    st.lists(st.tuples(st.integers(0, 59), st.integers(1, 20)), max_size=12),
    st.booleans(),
)
def test_segments_in_any_order_give_what_came_of_the_array(
    data: bytes, start: int, cuts: list[tuple[int, int]], ends: bool
) -> None:
    sent = [segment(start, flags=SYN)]
    came = bytearray(len(data))
    for at, size in cuts:
        part = data[at : at + size]
        if part:
            came[at : at + len(part)] = b"\1" * len(part)
            sent.append(segment(start + 1 + at, part))
    if ends:
        sent.insert(1 + len(sent) // 2, segment(start + 1 + len(data), flags=FIN))
    given = given_by(sent)
    assert joined(given) == of_array(data, came if ends else came.rstrip(b"\0"))
    assert [one for one in given if isinstance(one, End)] == [End("a > b")]


def of_array(data: bytes, came: bytes | bytearray) -> list[bytes | int]:
    """The bytes that came and the numbers of those that did not."""
    made: list[bytes | int] = []
    for octet, is_there in zip(data, came, strict=False):
        if is_there and made and isinstance(made[-1], bytes):
            made[-1] += bytes((octet,))
        elif is_there:
            made.append(bytes((octet,)))
        elif made and isinstance(made[-1], int):
            made[-1] += 1
        else:
            made.append(1)
    return made


@given(
    st.binary(min_size=60, max_size=60),
    st.integers(0, 2**32 - 1) | st.integers(2**32 - 70, 2**32 - 1),
    st.lists(st.tuples(st.integers(0, 59), st.integers(1, 20)), min_size=1, max_size=12),
    st.sampled_from([1, 2, 3, SETTLING]),
    st.none() | st.integers(0, 12),
)
def test_a_stream_that_began_before_the_capture_is_the_array_from_the_first_of_its_first_segments_on(
    data: bytes, start: int, cuts: list[tuple[int, int]], settling: int, opened_after: int | None
) -> None:
    """Whatever the order, the cuts and the losses: each byte is in the stream, in a gap, or told as late."""
    sent = [segment(start + 1 + at, data[at : at + size]) for at, size in cuts]
    first, late, came = min(at for at, _ in cuts[:settling]), 0, bytearray(60)
    is_opened = opened_after is not None and opened_after < min(settling, len(cuts) + 1)
    if is_opened:  # the segment that opens the connection came behind some of the others
        sent.insert(opened_after or 0, segment(start, flags=SYN))
        first = 0
    for at, size in cuts:
        came[at : at + size] = b"\1" * len(data[at : at + size])
        late += max(min(first - at, size), 0)
    given = given_by(sent, settling)
    assert joined(given) == of_array(data[first:], came[first:].rstrip(b"\0"))
    assert sum(one.size for one in given if isinstance(one, Late)) == late
    assert [type(one) for one in given].count(Inside) == (not is_opened)
    assert given[-1] == End("a > b")


def test_a_connection_begins_as_the_standard_shows_it() -> None:
    # RFC 9293, section 3.5, figure 6, lines 2 to 5, from memory: SYN with sequence number 100, then 101, and data from 101 on.
    sent = [segment(100, flags=SYN), segment(101), segment(101, b"data")]
    assert given_by(sent) == [Run("a > b", Place(2), b"data"), End("a > b")]


def test_what_waits_too_long_is_given_with_the_gap_before_it() -> None:
    streams = Streams()
    begin = [*streams.take(segment(0, flags=SYN), Place(0))]
    early = [
        one for at in range(5, HELD + 2000, 1000) for one in streams.take(segment(at, bytes(1000)), Place(at))
    ]
    assert begin == [] and early[0] == Gap("a > b", Place(5), 4)
    assert sum(len(one.data) for one in early if isinstance(one, Run)) > HELD


def test_a_new_connection_a_reset_and_too_many_streams_end_what_was_before() -> None:
    again = [
        segment(0, flags=SYN),
        segment(1, b"ab"),
        segment(7000, flags=SYN),
        segment(7001, b"cd"),
        segment(7003, b"why", RST),
    ]
    assert joined(given_by(again)) == [b"abcd"] and given_by(again).count(End("a > b")) == 2
    ended = [
        segment(0, flags=SYN),
        segment(1, b"ab"),
        segment(3, flags=FIN),
        segment(1, b"ab"),
        segment(3, flags=FIN),
    ]
    assert [type(one) for one in given_by(ended)] == [Run, End]
    far = [segment(0, flags=SYN), segment(1, b"ab"), segment(3 + 2**31 - 9, b"cd")]  # no window reaches there
    assert [type(one) for one in given_by(far)] == [Run, End, Inside, Run, End]
    many = [segment(0, b"x", stream=str(number)) for number in range(MOST + 3)]
    assert [one.stream for one in given_by(many)[: 2 * MOST] if isinstance(one, End)][:3] == ["0", "1", "2"]


@given(
    st.lists(
        st.tuples(st.integers(0, 40), st.integers(0, 7), st.binary(max_size=5), st.sampled_from("ab")),
        max_size=20,
    )
)
def test_any_segments_give_runs_and_gaps_and_each_stream_ends(
    drawn: list[tuple[int, int, bytes, str]],
) -> None:
    given = given_by(
        [segment(sequence * 2**28, data, flags, stream) for sequence, flags, data, stream in drawn]
    )
    assert all(one.data for one in given if isinstance(one, Run)) and all(
        one.size > 0 for one in given if isinstance(one, Gap)
    )
    for stream in "ab":
        own = [one for one in given if one.stream == stream]
        assert not own or isinstance(own[-1], End)


@given(st.binary(max_size=120), st.sampled_from([1, 101, 113, 276, 0, 228, 229]))
def test_any_packet_gives_a_datagram_a_segment_or_other_traffic(data: bytes, link: int) -> None:
    head = struct.pack("<IHHiIII", 0xA1B2C3D4, 2, 4, 0, 0, 65535, link)
    for inner in (data, b"\x45\0\0\0\0\0\0\0\x09\x06" + data, b"\x60" + bytes(5) + b"\x06" + data):
        count = Count()
        found = [
            *pcap.taken(
                [head + struct.pack("<IIII", 0, 0, len(inner), len(inner)) + inner], pcap.Taken(count, True)
            )
        ]
        assert len(found) + count.without == 1
