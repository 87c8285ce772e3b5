"""The forms in which captures come, as `--from` names them, and the options that belong to each.

A form is one row of FORMS: what it is called, what it is, and the events that bytes of it hold. What the bytes mean, packetkit.captures
knows; here are the options, and the refusal of those that the form does not take.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import click

from packetkit.captures import demodulated, lines, pcap, tcp
from packetkit.captures.internet import Segment
from packetkit.captures.lines import Count, Place
from packetkit.captures.many import Teams
from packetkit.captures.packets import (
    UNTOUCHED,
    BackToBack,
    Delimited,
    Interpret,
    Packet,
    Strip,
    framed,
    packet_events,
    stuffed,
)
from packetkit.captures.stream import Event, Good, Skipped, obstacle
from packetkit.cli import output
from packetkit.cli.sections import Section
from packetkit.codec.frame import Frame
from packetkit.errors import InputError, counted
from packetkit.framing.cobs import COBS
from packetkit.framing.delimited import Framing
from packetkit.framing.hdlc import hdlc
from packetkit.framing.slip import KISS, SLIP
from packetkit.framing.stuffed import Check, Stuffing
from packetkit.integrity import crc
from packetkit.integrity.catalog import find
from packetkit.mission.load import Mission

# RFC 1662, appendix C.2: the check of 16 bits behind each frame; its name in the catalogue.
USUAL_CHECK = "CRC-16/IBM-SDLC"

# The same polynomial, start and end, for bits whose octets are sent with the high bit first: what a register fed bit by bit gives.
HIGH_CHECK = "CRC-16/GENIBUS"


@dataclass(frozen=True, slots=True)
class Asked:
    """The options of forms, None (or 0) where not given; count: what was read line by line."""

    line: str | None = None
    key: str | None = None
    payload: str | None = None
    framing_check: str | None = None
    marker_errors: int | None = None
    nrzi: bool = False
    high_bit_first: bool = False
    tcp: str | None = None
    port: int | None = None
    strip: Strip = UNTOUCHED
    follow: bool = False  # nobody waits for more before what came is shown
    count: Count = field(default_factory=Count)

    def given(self) -> dict[str, bool]:
        """Which options were given, by how they are written."""
        return {
            "--line": self.line is not None,
            "--key": self.key is not None,
            "--payload": self.payload is not None,
            "--framing-check": self.framing_check is not None,
            "--marker-errors": self.marker_errors is not None,
            "--nrzi": self.nrzi,
            "--high-bit-first": self.high_bit_first,
            "--tcp": self.tcp is not None,
            "--port": self.port is not None,
            "--strip": self.strip.front > 0,
            "--strip-end": self.strip.back > 0,
        }


NO_OPTIONS = Asked()


class What(NamedTuple):
    """What is looked for."""

    mission: Mission | Teams
    frames: Mapping[str, Frame]
    detail: bool
    salvage: bool
    known: Mapping[str, int] | None = None  # raw codes of supplied fields


Pieces = Iterable[bytes]


class Form(NamedTuple):
    """One row: the name, a line of help, the options it takes, its events; unit: what offsets count."""

    name: str
    help: str
    takes: frozenset[str]
    events: Callable[[What, Pieces, Asked], Iterator[Event]]
    unit: str = "byte"


_STRIP = frozenset({"--strip", "--strip-end"})
_STUFFED = _STRIP | {"--framing-check", "--nrzi", "--high-bit-first"}


def _interpret(what: What, asked: Asked, unit: str = "byte") -> Interpret:
    """What makes events of packets."""
    return lambda packets: packet_events(
        what.mission,
        what.frames,
        packets,
        strip=asked.strip,
        detail=what.detail,
        salvage=what.salvage,
        known=what.known,
        unit=unit,
    )


def _packets(
    read: Callable[[Pieces, Asked], Iterator[Packet] | Iterator[Packet | Skipped]], unit: str = "byte"
) -> Callable[[What, Pieces, Asked], Iterator[Event]]:
    return lambda what, pieces, asked: _interpret(what, asked, unit)(read(pieces, asked))


def _settled(read: Callable[..., Iterator[Packet]]) -> Callable[[What, Pieces, Asked], Iterator[Event]]:
    """Packets with payloads; one that can be read in two ways is what makes it a good frame."""

    def events(what: What, pieces: Pieces, asked: Asked) -> Iterator[Event]:
        interpret = _interpret(what, asked)

        def settle(found: Mapping[str, bytes]) -> str | None:
            good = [
                name
                for name, data in found.items()
                if any(isinstance(event, Good) for event in interpret([Packet(0, data)]))
            ]
            return good[0] if len(good) == 1 else None

        return interpret(read(pieces, asked.key, asked.payload, asked.count, settle))

    return events


def _framed(framing: Callable[[Asked], Framing]) -> Callable[[What, Pieces, Asked], Iterator[Event]]:
    return _packets(lambda pieces, asked: framed(framing(asked), pieces))


def _check(name: str) -> tuple[Check | None, int]:
    """The check that a framing has, and how many octets it takes."""
    if name == "none":
        return None, 0
    algorithm = find(name)
    compute, mask = crc.engine(algorithm), (1 << algorithm.width) - 1
    return lambda data: compute(data) & mask, -(-algorithm.width // 8)


def _hdlc(asked: Asked) -> Framing:
    return hdlc(*_check(asked.framing_check or USUAL_CHECK))


# What streams of TCP may hold: the framing, or None for frames back to back.
IN_TCP: dict[str, Callable[[Asked], Framing] | None] = {
    "binary": None,
    "slip": lambda _: SLIP,
    "kiss": lambda _: KISS,
    "cobs": lambda _: COBS,
    "hdlc": _hdlc,
}


def _network(what: What, pieces: Pieces, asked: Asked) -> Iterator[Event]:
    """The events of a network's capture: of datagrams, and of streams of TCP where they are asked for."""
    taken = pcap.taken(pieces, pcap.Taken(asked.count, asked.tcp is not None, asked.port))
    interpret = _interpret(what, asked)
    if asked.tcp is None:
        return interpret(one for one in taken if isinstance(one, Packet))
    owners = what.mission.owners if isinstance(what.mission, Teams) else None
    framing, problem = IN_TCP[asked.tcp], obstacle(what.frames, owners)
    if framing is None and problem:
        raise InputError(f"--tcp binary: {problem}")

    def segments() -> Iterator[tuple[Segment, tcp.Place] | Event]:
        for one in taken:
            if isinstance(one, Packet):
                yield from interpret([one])
            else:
                yield one

    def finder() -> tcp.Finder:
        if framing is None:
            return BackToBack(what.frames, owners, detail=what.detail, salvage=what.salvage)
        return Delimited(framing(asked), interpret)

    return tcp.stream_events(segments(), finder, asked.count, 1 if asked.follow else tcp.SETTLING)


def _stuffed(unpack: Callable[[Pieces], Pieces]) -> Callable[[What, Pieces, Asked], Iterator[Event]]:
    def read(pieces: Pieces, asked: Asked) -> Iterator[Packet | Skipped]:
        check = _check(asked.framing_check or (HIGH_CHECK if asked.high_bit_first else USUAL_CHECK))
        return stuffed(Stuffing(*check, not asked.high_bit_first, asked.nrzi), unpack(pieces))

    return _packets(read, unit="bit")


def _bits(unpack: Callable[[Pieces], Pieces]) -> Callable[[What, Pieces, Asked], Iterator[Event]]:
    def events(what: What, pieces: Pieces, asked: Asked) -> Iterator[Event]:
        owners = what.mission.owners if isinstance(what.mission, Teams) else None
        return demodulated.bit_events(
            what.frames,
            unpack(pieces),
            asked.marker_errors or 0,
            detail=what.detail,
            salvage=what.salvage,
            owners=owners,
        )

    return events


FORMS = {
    form.name: form
    for form in (
        Form(
            "lines",
            "a log with a frame in a line",
            _STRIP | {"--line", "--payload"},
            _packets(lambda pieces, asked: lines.log(pieces, asked.line, asked.payload, asked.count)),
        ),
        Form(
            "csv",
            "rows with a payload column",
            _STRIP | {"--key", "--payload"},
            _settled(lines.table),
        ),
        Form(
            "jsonl",
            "JSON lines with a payload key",
            _STRIP | {"--key", "--payload"},
            _settled(lines.objects),
        ),
        Form(
            "pcap",
            "pcap or pcapng: what datagrams carry, and with --tcp streams",
            _STRIP | {"--tcp", "--port", "--framing-check"},
            _network,
        ),
        Form("slip", "SLIP (RFC 1055)", _STRIP, _framed(lambda _: SLIP)),
        Form("kiss", "KISS, as packet radio modems frame", _STRIP, _framed(lambda _: KISS)),
        Form("cobs", "COBS with zero octets between", _STRIP, _framed(lambda _: COBS)),
        Form(
            "hdlc",
            "HDLC with octet stuffing (RFC 1662)",
            _STRIP | {"--framing-check"},
            _framed(_hdlc),
        ),
        Form(
            "hdlc-bits",
            "HDLC with bit stuffing, demodulated, as digits 0 and 1",
            _STUFFED,
            _stuffed(demodulated.from_text),
            "bit",
        ),
        Form(
            "hdlc-packed-bits",
            "the same, eight bits an octet",
            _STUFFED,
            _stuffed(demodulated.from_octets),
            "bit",
        ),
        Form(
            "bits",
            "demodulated bits, as digits 0 and 1",
            frozenset({"--marker-errors"}),
            _bits(demodulated.from_text),
            "bit",
        ),
        Form(
            "packed-bits",
            "the same, eight bits an octet",
            frozenset({"--marker-errors"}),
            _bits(demodulated.from_octets),
            "bit",
        ),
    )
}


def check_options(name: str | None, asked: Asked) -> None:
    """Raise UsageError where an option was given that the form does not take."""
    takes = FORMS[name].takes if name in FORMS else frozenset()
    for option, is_given in asked.given().items():
        if is_given and option not in takes:
            able = ", ".join(form.name for form in FORMS.values() if option in form.takes)
            raise click.UsageError(f"{option} goes with --from {able}" + (f", not {name}" if name else ""))
    if name == "pcap" and asked.framing_check is not None and asked.tcp != "hdlc":
        raise click.UsageError("--framing-check goes with --tcp hdlc, or another --from")
    if asked.tcp == "binary" and asked.strip != UNTOUCHED:
        raise click.UsageError("--strip takes bytes off packets, and --tcp binary is a stream without any")
    if asked.framing_check not in (None, "none"):
        try:
            find(str(asked.framing_check))
        except ValueError as error:
            raise InputError(f"--framing-check: {error}") from error


def count_text(count: Count, name: str) -> str:
    """Return lines on what held no frame, and on streams without their beginning; empty where there is neither."""
    said = ""
    if count.without:
        what = "Packets of other traffic" if name == "pcap" else "Lines without a frame"
        left = f"; {count.of_tcp:,} of TCP, which --tcp reads" if count.of_tcp else ""
        said = f"{what}: {count.without:,} of {count.lines:,}{_at(count.without, count.without_at)}{left}.\n"
    said += "".join(line + "\n" for line in loss_lines(replace(count, cut="")))
    if count.inside:
        lacking = "it lacks" if count.inside == 1 else "each lacks"
        said += f"The capture begins inside {counted(count.inside, 'TCP stream')}: {lacking} what was sent before.\n"
    return said


def loss_lines(count: Count) -> list[str]:
    """Return a sentence each on what could not be read: damaged lines, the rest of a file that was cut."""
    said = []
    if count.damaged:
        at = _at(count.damaged, count.damaged_at)
        said.append(f"Damaged lines: {count.damaged:,} of {count.lines:,}{at}. What they held is lost.")
    if count.cut:
        said.append(f"{count.cut[0].upper()}{count.cut[1:]}. What could be unpacked is decoded.")
    return said


def _at(count: int, places: Sequence[Place]) -> str:
    """The first lines, by number, behind a comma."""
    shown = [f"{file}:{number}" if file else f"{number}" for file, number in places]
    more = f" and {count - len(shown):,} more" if shown and count > len(shown) else ""
    return f", at line {', '.join(shown)}{more}" if shown else ""


def count_document(count: Count | None) -> dict[str, Any] | None:
    """Return the same for JSON."""
    if count is None or not count.lines:
        return None
    return {
        "read": count.lines,
        "without_frame": count.without,
        "first_without_frame": [number for _, number in count.without_at],
        "damaged": count.damaged,
        "first_damaged": [number for _, number in count.damaged_at],
    }


_OPTIONS = (
    click.option("--line", metavar="SHAPE", help="Lines: how they are written (below), or a regular expression with a group payload."),
    click.option("--key", metavar="NAME", help="CSV, JSON lines: the column, or dotted key, of the payload."),
    click.option("--payload", type=click.Choice(["hex", "base64"]), help="How payloads are written, where both could be."),
    click.option("--strip", "strip_front", type=output.Whole(0, 65_535), default=0, metavar="N", help="Bytes before each frame to skip."),
    click.option("--strip-end", "strip_back", type=output.Whole(0, 65_535), default=0, metavar="N", help="The same, behind each frame."),
    click.option("--framing-check", metavar="NAME", help=f"HDLC: the check behind the data, or none.  [default: {USUAL_CHECK}]"),
    click.option("--tcp", type=click.Choice([*IN_TCP]), help="Pcap: TCP too, with frames back to back (binary) or framed so."),
    click.option("--port", type=output.Whole(1, 65_535), metavar="N", help="Pcap: only what comes from or goes to this port."),
    click.option("--nrzi", is_flag=True, help="HDLC in bits: levels were captured, and a change of level is a 0."),
    click.option("--high-bit-first", is_flag=True, help=f"HDLC in bits: octets are sent that way; the check is {HIGH_CHECK} then."),
    click.option("--marker-errors", type=output.Whole(0, 15), metavar="K", help="Bits: how many may be wrong in a marker.  [default: 0]"),
)  # fmt: skip


# Of a help page: the options of forms, what forms there are, and the shapes of lines.
OPTIONS = (
    *("--line", "--key", "--payload", "--strip", "--strip-end", "--framing-check"),
    *("--tcp", "--port", "--nrzi", "--high-bit-first", "--marker-errors"),
)
BACK_TO_BACK = (
    ("binary", "frames back to back, junk between them or not"),
    ("hex, base64", "the same as text, with any separators"),
)
LISTED = (
    Section("Forms (--from)", rows=(*BACK_TO_BACK, *((form.name, form.help) for form in FORMS.values()))),
    Section(
        "Lines (--line), each with an example", rows=tuple((one.name, one.example) for one in lines.SHAPES)
    ),
)


def options(callback: output.Callback) -> output.Callback:
    """Add the options of forms; the callback gets them by these names."""
    for option in reversed(_OPTIONS):
        callback = option(callback)
    return callback
