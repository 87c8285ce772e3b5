"""Making a counterexample small: whatever can be taken out of a record, of bytes, of a schema, is taken out.

Greedy and bounded: a cut that keeps the failure is kept, until none is left to try or the cuts allowed are used up. `fails` says whether a
candidate still shows the failure; it is asked often, so it should be quick, and it must not raise.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from typing import Any

from packetkit.fuzz.entries import Entry

NESTED = ("fields", "group", "flags", "variants")
_SIMPLE = (0, 1, False, True, None, 0.0)


def smaller(subject: Any, fails: Callable[[Any], bool], cuts: int = 2000) -> Any:
    """Return a record, or bytes, of which nothing more can be left out or made simpler without losing the failure."""
    return _reduced(subject, _bytes_cuts if isinstance(subject, bytes) else _record_cuts, fails, cuts)


def smaller_schema(
    frames: dict[str, Entry], fails: Callable[[dict[str, Entry]], bool], cuts: int = 600
) -> dict[str, Entry]:
    """Return a schema's tree of which nothing more can be left out without losing the failure."""
    made: dict[str, Entry] = _reduced(frames, _schema_cuts, fails, cuts)
    return made


def _reduced(
    subject: Any, cut: Callable[[Any], Iterator[Any]], fails: Callable[[Any], bool], cuts: int
) -> Any:
    """Try cuts from the first on; after one that keeps the failure, go on with those that follow, then start again."""
    progress = True
    while progress and cuts > 0:
        progress, skip = False, 0
        while cuts > 0:
            candidate = _nth(cut(subject), skip)
            if candidate is None:
                break
            cuts -= 1
            if fails(candidate[0]):
                subject, progress = candidate[0], True
            else:
                skip += 1
    return subject


def _nth(candidates: Iterator[Any], number: int) -> tuple[Any] | None:
    for at, candidate in enumerate(candidates):
        if at == number:
            return (candidate,)
    return None


def _record_cuts(value: Any) -> Iterator[Any]:
    """Yield a value with one thing left out or made simpler, coarse cuts first."""
    if isinstance(value, dict) and set(value) != {"raw"}:
        for key in value:
            yield {name: one for name, one in value.items() if name != key}
        for key, one in value.items():
            for less in _record_cuts(one):
                yield {**value, key: less}
    elif isinstance(value, list):
        if len(value) > 2:
            yield value[: len(value) // 2]
        for at in range(len(value)):
            yield value[:at] + value[at + 1 :]
        for at, one in enumerate(value):
            for less in _record_cuts(one):
                yield [*value[:at], less, *value[at + 1 :]]
    else:
        yield from _simpler(value)


def _simpler(value: Any) -> Iterator[Any]:
    """Yield plainer values of a leaf; none once it is plain itself, so that shrinking ends."""
    rank = next(
        (at for at, one in enumerate(_SIMPLE) if one == value and type(one) is type(value)), len(_SIMPLE)
    )
    yield from _SIMPLE[:rank]
    if isinstance(value, dict) and isinstance(value["raw"], int) and value["raw"] != 0:
        yield {"raw": 0}
        yield {"raw": int(value["raw"] / 2)}
    elif isinstance(value, int) and not isinstance(value, bool) and abs(value) > 1:
        yield value // 2 if value > 0 else -(-value // 2)
    elif isinstance(value, Fraction) and value.denominator == 1:
        yield int(value)
    elif isinstance(value, (str, bytes)) and len(value) > 0:
        yield from (value[:0], value[: len(value) // 2], value[1:])


def _bytes_cuts(data: bytes) -> Iterator[bytes]:
    """Yield bytes with fewer ones, or shorter."""
    yield data[: len(data) // 2]
    for at in range(len(data)):
        yield data[:at] + data[at + 1 :]
    for at, octet in enumerate(data):
        if octet:
            yield data[:at] + b"\0" + data[at + 1 :]
            for bit in range(8):
                if octet >> bit & 1 and octet != 1 << bit:
                    yield data[:at] + bytes([octet & ~(1 << bit)]) + data[at + 1 :]


def _schema_cuts(frames: dict[str, Entry]) -> Iterator[dict[str, Entry]]:
    if len(frames) > 1:
        for name in frames:
            yield {name: frames[name]}
    for name, frame in frames.items():
        for less in _entry_cuts(frame):
            yield {**frames, name: less}


def _entry_cuts(entry: Entry) -> Iterator[Entry]:
    """Yield a frame or a field with a member, a word or a bit less."""
    for nested in NESTED:
        members = entry.get(nested, [])
        for at in range(len(members)):
            yield {**entry, nested: members[:at] + members[at + 1 :]}
        for at, member in enumerate(members):
            if "group" in member:  # its members in its place
                yield {**entry, nested: [*members[:at], *member["group"], *members[at + 1 :]]}
    for key in entry:
        if key not in (*NESTED, "name", "kind"):
            yield {name: word for name, word in entry.items() if name != key}
    if isinstance(entry.get("repeat"), int) and entry["repeat"] > 1:
        yield {**entry, "repeat": 1}
    if isinstance(entry.get("bits"), int) and entry["bits"] > 1 and "code" not in entry:
        yield {**entry, "bits": 8 if entry["bits"] > 8 else 1}
    for nested in NESTED:
        members = entry.get(nested, [])
        for at, member in enumerate(members):
            for less in _entry_cuts(member):
                yield {**entry, nested: [*members[:at], less, *members[at + 1 :]]}
