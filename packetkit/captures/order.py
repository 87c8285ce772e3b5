"""Whether files stand in the order of their time, by what the counters of their first and last frames say.

A counter that steps back from one file to the next is a wrap, a restart, or a file in the wrong place. With a boot counter it is the last
where the boot stays and clock or sequence go back, or the boot itself does. Without one a restart begins anew, below all that came before:
so it is asked only where what follows lies above the first of some earlier file, or leads to the file before it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from packetkit.captures.continuity import WINDOW, Counters, Numbers

# The first and the last frame of one kind in a file.
Ends = tuple[Numbers, Numbers]


def backwards(counters: Mapping[str, Counters], files: Sequence[Mapping[str, Ends]]) -> Iterator[int]:
    """Yield each file, by its place, before which some kind's counters run backwards."""
    for place in range(1, len(files)):
        if any(
            _is_back(one, [file[name] for file in files[: place + 1] if name in file])
            for name, one in counters.items()
            if name in files[place]
        ):
            yield place


def _is_back(counters: Counters, ends: Sequence[Ends]) -> bool:
    """Whether the last of these files belongs before the one before it."""
    if len(ends) < 2:
        return False
    *earlier, before, (first, last) = ends
    (_, boot_before, _), (_, boot, _) = before[1], first
    if boot_before is not None and boot is not None and boot_before != boot:
        return counters.boots > 2 and _step(boot_before, boot, counters.boots) < 0
    if not _is_behind(counters, before[1], first):
        return False
    if boot is not None or _leads_to(counters, last, before[0]):
        return True
    return any(not _is_behind(counters, one, first) for one, _ in earlier)


def _is_behind(counters: Counters, one: Numbers, other: Numbers) -> bool:
    """Whether the other was sent before this one, and is not just late."""
    (sequence, _, clock), (its, _, its_clock) = one, other
    step = None if sequence is None or its is None else _step(sequence, its, counters.modulus)
    if step is not None and -min(WINDOW, counters.modulus // 4) <= step <= 0:
        return False
    if clock is not None and its_clock is not None:
        return _step(clock, its_clock, counters.clock_span) < 0
    return step is not None and step < 0


def _leads_to(counters: Counters, one: Numbers, other: Numbers) -> bool:
    """Whether the other is one of the next after this one."""
    (sequence, *_), (its, *_) = one, other
    if sequence is None or its is None:
        return False
    return 0 < (its - sequence) % counters.modulus <= min(WINDOW, counters.modulus // 4)


def _step(one: int, other: int, span: int) -> int:
    """From one code to another the shorter way, less than 0 where that is back."""
    step = (other - one) % span
    return step if step <= span // 2 else step - span
