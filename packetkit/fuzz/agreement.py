"""Holding codecs against the oracle: one record or one string of bytes, all that can be asked about it, every different answer.

Nothing here draws or prints: subjects come in, differences go out. A codec that raises what it should not has answered too, with
the exception's own words.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from packetkit.conformance.judge import Judge, agree


@dataclass(frozen=True, slots=True)
class Difference:
    """A judge that does not answer as the oracle does.

    question: encode (a record), decode or detail (bytes), encode back (the detail record of `data`). expected: the oracle's answer.
    """

    judge: str
    question: str
    subject: Any
    expected: Any
    found: Any

    def __str__(self) -> str:
        return "\n".join(
            (
                f"{self.question} {shown(self.subject)}",
                f"  oracle: {shown(self.expected)}",
                f"  {self.judge}: {shown(self.found)}",
            )
        )


@dataclass(frozen=True, slots=True)
class Crash:
    """What a codec raised instead of an answer."""

    text: str

    def __repr__(self) -> str:
        return f"raised {self.text}"


def shown(answer: Any) -> str:
    """Return a subject or an answer as a line: bytes in hexadecimal."""
    return answer.hex() or "no bytes" if isinstance(answer, bytes) else str(answer)


def ask(question: Callable[[Any], Any], subject: Any) -> Any:
    """Return a judge's answer, or the crash that came instead."""
    try:
        return question(subject)
    except Exception as error:  # noqa: BLE001  # whatever it is, it is the finding
        trace = error.__traceback__
        while trace is not None and trace.tb_next is not None:
            trace = trace.tb_next
        place = f" in {trace.tb_frame.f_code.co_name}, line {trace.tb_lineno}" if trace else ""
        return Crash(f"{type(error).__name__}: {error}{place}")


def about_record(judges: Mapping[str, Judge], record: Any, *, detail: bool = True) -> Iterator[Difference]:
    """Yield every difference about a record: its bytes, what they decode to, and in detail, which has to encode back."""
    oracle = judges["oracle"]
    data = ask(oracle.encode, record)
    for name, judge in judges.items():
        if name != "oracle":
            yield from _differing(judge, "encode", record, data, judge.encode, reasons=False)
    if isinstance(data, Crash):
        yield Difference("oracle", "encode", record, "an answer", data)
    elif isinstance(data, bytes):
        yield from about_bytes(judges, data, detail=detail)


def about_bytes(judges: Mapping[str, Judge], data: bytes, *, detail: bool = True) -> Iterator[Difference]:
    """Yield every difference about bytes, a frame's or any. detail: ask for detail records too, and encode them back."""
    oracle = judges["oracle"]
    back = ask(oracle.decode, data)
    assert oracle.detail is not None
    whole = ask(oracle.detail, data) if detail and isinstance(back, dict) else None
    if isinstance(back, Crash):
        yield Difference("oracle", "decode", data, "an answer", back)
    for name, judge in judges.items():
        if name != "oracle":
            yield from _differing(judge, "decode", data, back, judge.decode, reasons=judge.tells_reasons)
        if whole is None:
            continue
        if name != "oracle" and judge.detail is not None:
            yield from _differing(judge, "detail", data, whole, judge.detail, reasons=True)
        found = ask(judge.encode, whole)
        if found != data:
            yield Difference(name, "encode back", whole, data, found)


def _differing(
    judge: Judge, question: str, subject: Any, expected: Any, action: Callable[[Any], Any], *, reasons: bool
) -> Iterator[Difference]:
    found = ask(action, subject)
    if isinstance(found, Crash) or not agree(expected, found, reasons=reasons):
        yield Difference(judge.name, question, subject, expected, found)
