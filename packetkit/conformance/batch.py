"""Questions to a codec that runs in another process, and its answers, as octets: many in one batch, so that a pipe costs nothing.

A batch is its size in octets (32 bits) and then that much. In a batch of questions each is: what is asked (one octet, `E` or `D`), the
number of the frame in the mission (16 bits), the size of the subject (32 bits), the subject. In a batch of answers, in the same order:
a status (one octet, a place in STATUSES), the size of what follows (32 bits), and that. All numbers are little-endian.

`E` encodes: the subject is a frame's members (packetkit/conformance/members.py), 64 bits each, two's complement; answered with the
frame, or under `refused` with the number of the first slot that does not take its code (16 bits; behind those with bits come supplied
fields, then choices). `D` decodes exactly one frame, before whose bytes stand the codes of supplied fields and the numbers of the
variants that are told from outside, 64 bits each (members.told): answered with its members, or with nothing under the reason why
there are none; with a slot's number under `refused` where a supplied field's code does not fit its bits.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

# What a codec answers with: fine; refused to encode; or the reasons of the branches of DecodeError.
STATUSES = (
    "ok",
    "refused",
    "truncated",
    "bad count",
    "wrong constant",
    "trailing bytes",
    "check failed",
    "reserved bits",
    "bad length",
    "unknown variant",
)
WORD = (1 << 64) - 1


@dataclass(frozen=True, slots=True)
class Question:
    """Encode these members, or decode these bytes, as the frame of that number."""

    frame: int
    subject: tuple[int, ...] | bytes

    def octets(self) -> bytes:
        if isinstance(self.subject, bytes):
            return struct.pack("<BHI", ord("D"), self.frame, len(self.subject)) + self.subject
        words = [one & WORD for one in self.subject]
        return struct.pack(f"<BHI{len(words)}Q", ord("E"), self.frame, 8 * len(words), *words)


@dataclass(frozen=True, slots=True)
class Answer:
    """A status, and what came with it."""

    status: str
    content: bytes

    def members(self, signed: Sequence[bool]) -> tuple[int, ...]:
        """The members that were decoded; signed: which of them are."""
        code = "".join("q" if one else "Q" for one in signed)
        return struct.unpack(f"<{code}", self.content)

    @property
    def slot(self) -> int:
        """The number of the slot that does not take its code."""
        (number,) = struct.unpack("<H", self.content)
        return int(number)


def batch(questions: Iterable[Question]) -> bytes:
    """Return questions as one batch."""
    body = b"".join(one.octets() for one in questions)
    return struct.pack("<I", len(body)) + body


def answers(body: bytes) -> Iterator[Answer]:
    """Yield the answers of a batch, given without its size. Raises ValueError where it is cut."""
    at = 0
    while at < len(body):
        if at + 5 > len(body):
            raise ValueError(f"a batch of {len(body)} octets ends inside an answer")
        status, size = struct.unpack_from("<BI", body, at)
        at += 5
        if at + size > len(body) or status >= len(STATUSES):
            raise ValueError(f"a batch of {len(body)} octets has no answer at octet {at - 5}")
        yield Answer(STATUSES[status], body[at : at + size])
        at += size
