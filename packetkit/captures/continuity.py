"""What the counters of one frame tell of those that never came: missing, duplicate, late; wraps told from restarts.

Only roles are asked (WIRE.md 19): the sequence counter numbers frames, the boot counter tells restarts, the clock tells what went
by. A counter wraps at its modulus, so a step back is one of three things, tried in this order: a frame that was here (a duplicate)
or is late, if it is at most WINDOW numbers behind; a restart, if the boot counter changed, or, where the frame has none, if the
clock or the counter went back by more than that; else the counter wrapped and frames are missing.

What would surprise a reader: the unit may have sent frames right before and right after a restart that nobody can count, so
`missing` counts numbers between the first and the last good frame from one restart to the next, and no others. Frames that arrived
damaged are among them. Memory does not grow with the capture.
"""

from __future__ import annotations

from bisect import insort
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from packetkit.captures.signal import UNTOLD, Signal
from packetkit.captures.stream import Received
from packetkit.captures.timeline import Timeline
from packetkit.codec.cells import at
from packetkit.layout.model import Continued, Layout, Run, slots_of
from packetkit.layout.slots import Linear, Slot

if TYPE_CHECKING:
    from packetkit.captures.swift import Block

# Frames at most so many numbers late are recognised, never more than a quarter of the counter's modulus, so that a gap of three
# quarters is still a gap. Receivers shuffle a few; and where no boot counter tells, a restart that soon looks like late frames.
WINDOW = 32

# A gap of so many numbers and more that goes over the wrap and ends at most so far behind it looks like a restart just as well: so long a
# run of lost frames comes there by chance less often than a unit restarts.
LIKE_A_RESTART = 8

Number = Callable[[Mapping[str, Any]], int | None]

# What sequence, boot counter and clock read in one frame.
Numbers = tuple[int | None, int | None, int | None]


@dataclass(frozen=True, slots=True)
class Counters:
    """How to read the numbers that a frame's roles bear, each None where the frame has no such role.

    Moduli are those at which they wrap. tick_s: seconds of one step of the clock, None where the schema does not say.
    """

    sequence: Number | None
    boot: Number | None
    clock: Number | None
    modulus: int = 0
    boots: int = 0
    clock_span: int = 0
    tick_s: Fraction | None = None
    is_absolute: bool = False  # the clock has an epoch: restarts leave it alone
    cadence_s: Fraction | None = None
    slots: tuple[Slot | None, Slot | None, Slot | None] = (
        None,
        None,
        None,
    )  # that bear them, in the same order

    @property
    def frames_a_tick(self) -> Fraction | None:
        """How many frames the unit sends in one step of its clock, where the schema says both."""
        if self.tick_s is None or not self.cadence_s:
            return None
        return self.tick_s / self.cadence_s


def counters(layout: Layout) -> Counters:
    """Return how the roles of a frame are read: of fields that every such frame has once."""
    found: dict[str, Slot] = {}
    for node in layout.nodes:
        if isinstance(node, (Run, Continued)):
            found.update(
                {slot.role.name: slot for slot in slots_of(node) if slot.role is not None and _counts(slot)}
            )
    sequence, boot, clock = (found.get(name) for name in ("sequence", "boot", "clock"))
    role = clock.role if clock is not None else None
    tick = role.tick_s if role is not None else None
    if clock is not None and tick is None and clock.unit == "s" and isinstance(clock.transform, Linear):
        tick = clock.transform.scale
    return Counters(
        None if sequence is None else _number(sequence),
        None if boot is None else _number(boot),
        None if clock is None else _number(clock, clock.legal[0].low),
        _modulus(sequence),
        _modulus(boot),
        0 if clock is None else clock.legal[-1].high - clock.legal[0].low + 1,
        tick,
        role is not None and role.epoch is not None,
        layout.cadence_s,
        (sequence, boot, clock),
    )


def _counts(slot: Slot) -> bool:
    return slot.kind == "number" and slot.is_value and isinstance(slot.transform, Linear) and bool(slot.legal)


def _modulus(slot: Slot | None) -> int:
    if slot is None or slot.role is None:
        return 0
    return slot.role.modulus or 1 << slot.width


def _number(slot: Slot, lowest: int = 0) -> Number:
    """What reads the whole number that a slot bears from a record, plain or in detail, counted from the lowest."""
    path, transform = slot.path, slot.transform
    assert isinstance(transform, Linear)
    whole = transform.is_identity

    def read(record: Mapping[str, Any]) -> int | None:
        value = at(record, path)
        if isinstance(value, dict):
            value = value["value"]
        if value is None or whole:
            return None if value is None else int(value) - lowest
        return round((Fraction(value) - transform.offset) / transform.scale) - lowest

    return read


@dataclass(slots=True)
class Gap:
    """Numbers in a row that are missing: how many, and the offset of the good frame before them."""

    frames: int = 0
    after_offset: int | None = None


@dataclass(slots=True)
class _Boot:
    """The time from one restart to the next. waiting: numbers that a late frame may still come between, ascending.

    origin: what is added to a number so that numbers go on over restarts.
    """

    code: int | None
    ordinal: int  # how many restarts were seen before
    highest: int = 0
    origin: int = 0
    waiting: list[tuple[int, int, Fraction]] = field(default_factory=list)  # number, offset, time
    known: dict[int, bytes] = field(default_factory=dict)
    signals: dict[int, Received] = field(
        default_factory=dict
    )  # of numbers that are waiting, where a signal came with them
    last_signal: Received | None = None
    last: tuple[int, int, Fraction] | None = None  # the last number that is settled


class Continuity:
    """Takes the good frames of one kind in the order of the capture and counts what their numbers tell.

    got: how many there were; missing, duplicates, late, resets (restarts of the unit), wraps (of the sequence counter), perhaps_resets
    (gaps that may be restarts, as neither boot counter nor clock tells), longest (the longest run of missing numbers), timeline (losses
    along the unit's time), signal (losses by it, of what is settled). place: where the last frame taken stands, by restarts seen and a
    number that goes on over wraps, None where no counter tells. `take` says of each frame which it is: `first`, `next`, `gap` (frames
    before it are missing), `duplicate`, `late` or `reset`.
    """

    def __init__(self, layout: Layout) -> None:
        self.counters = counters(layout)
        self.got = self.duplicates = self.late = self.resets = self.wraps = 0
        self.perhaps_resets = 0
        self.longest = Gap()
        axis = "time" if self.counters.clock and self.counters.tick_s else "frames"
        self.timeline = Timeline("s" if axis == "time" else "frames")
        self.signal = Signal()
        self._received: Received | None = None  # of the frame being taken
        self._settled_missing = 0
        self.place: tuple[int, int] | None = None
        self._boot: _Boot | None = None
        self._earlier: _Boot | None = None
        self._clock: int | None = None
        self._ticks = 0  # of the clock since the first frame, restarts passed over
        self._window = min(self.counters.modulus // 4, WINDOW)
        self._recent: deque[bytes] = deque(maxlen=WINDOW)  # of frames without a sequence
        self._ends: tuple[Numbers, Numbers] | None = None

    @property
    def is_told(self) -> bool:
        """False where the frame has no counter at all, so that nothing can be said."""
        return any((self.counters.sequence, self.counters.boot, self.counters.clock))

    @property
    def counts_missing(self) -> bool:
        """False where the frame has no sequence counter: then nobody knows what is missing."""
        return self.counters.sequence is not None

    @property
    def missing(self) -> int:
        """How many numbers are missing, of all that were seen to go by."""
        open_ones = [boot for boot in (self._earlier, self._boot) if boot is not None]
        return self._settled_missing + sum(_missing(boot) for boot in open_ones)

    @property
    def elapsed_s(self) -> Fraction | None:
        """How long the unit's clock ran while frames came, wraps counted; None without a clock whose tick is known."""
        tick = self.counters.tick_s
        return None if self.counters.clock is None or tick is None else self._ticks * tick

    def take(
        self, record: Mapping[str, Any], data: bytes, offset: int, received: Received | None = None
    ) -> str:
        """Count a good frame more and return what it is."""
        sequence, boot, clock = (
            None if read is None else read(record)
            for read in (self.counters.sequence, self.counters.boot, self.counters.clock)
        )
        return self.take_numbers(sequence, boot, clock, data, offset, received)

    def take_block(self, block: Block, origin: int) -> None:
        """Count a row of good frames more. origin: where their file's offsets begin."""
        from packetkit.captures.rows import take_rows

        take_rows(self, block, origin)

    def take_numbers(
        self,
        sequence: int | None,
        boot: int | None,
        clock: int | None,
        data: bytes,
        offset: int,
        received: Received | None = None,
    ) -> str:
        """Count a good frame more, whose numbers are known, and return what it is."""
        self.got += 1
        self.place = None
        self._received = received
        numbers = sequence, boot, clock
        self._ends = (numbers if self._ends is None else self._ends[0], numbers)
        if sequence is None:
            self.signal.came(received)
            return self._without_sequence(boot, clock, data)
        verdict = self._place(sequence, boot, clock, data, offset)
        if verdict == "duplicate":
            self.duplicates += 1
        elif verdict == "late":
            self.late += 1
        elif verdict == "reset":
            self.resets += 1
        if verdict not in ("duplicate", "late") and clock is not None:
            self._clock = clock
        return verdict

    def longest_step(self) -> int | None:
        """Return how far the clock may go from a frame to the next number and surely leave out no lap of the counter; None: any way."""
        rate = self.counters.frames_a_tick
        return None if rate is None else int((Fraction(self.counters.modulus, 2) + 1) / rate)

    def take_row(
        self,
        ticks: Sequence[int],
        clock: int | None,
        datas: Callable[[int], bytes],
        offsets: Callable[[int], int],
    ) -> None:
        """Count frames in a row, each the next number after the one before, with nothing else to tell (packetkit/captures/rows.py).

        ticks: how far the clock went up to each of them, from the first frame of all. clock: what it reads at the last one. Before
        them more frames in a row than the window must have come, so that no number is open.
        """
        here = self._boot
        assert here is not None
        before, first, rows = here.highest, here.highest + 1, len(ticks)
        self.got += rows
        here.highest += rows
        self.wraps += here.highest // self.counters.modulus - before // self.counters.modulus
        tick, in_time = self.counters.tick_s or Fraction(0), self.timeline.unit == "s"
        settled = here.highest - self._window  # below it
        times = [time for number, _, time in here.waiting if number < settled]
        self.timeline.add_all(times)
        new = range(max(settled - first, 0))
        self.signal.good[UNTOLD] += len(times) + len(new)
        if in_time:
            self.timeline.add_steps(ticks[: len(new)], tick)
        else:
            self.timeline.add_steps(range(here.origin + first, here.origin + first + len(new)), Fraction(1))

        def entry(number: int) -> tuple[int, int, Fraction]:
            at = number - first
            time = ticks[at] * tick if in_time else Fraction(max(here.origin + number, 0))
            return number, offsets(at), time

        kept = [one for one in here.waiting if one[0] >= settled]
        here.last = (
            entry(settled - 1)
            if settled > first
            else next(one for one in here.waiting if one[0] == settled - 1)
        )
        here.waiting[:] = kept + [entry(number) for number in range(max(settled, first), here.highest + 1)]
        known = {number: here.known[number] for number, _, _ in kept}
        here.known.clear()
        here.known.update(
            known | {number: datas(number - first) for number in range(max(settled, first), here.highest + 1)}
        )
        if clock is not None:
            self._clock = clock
            self._ticks = ticks[-1]
        if self._ends is not None:
            self._ends = (self._ends[0], (here.highest % self.counters.modulus, here.code, clock))

    def cut_ends(self) -> tuple[Numbers, Numbers] | None:
        """Return what the counters read first and last since this was asked before, None where no frame came."""
        ends, self._ends = self._ends, None
        return ends

    @property
    def window(self) -> int:
        """How many numbers late a frame may be and is recognised."""
        return self._window

    @property
    def ticks(self) -> int:
        """How far the clock went since the first frame, restarts passed over."""
        return self._ticks

    def finish(self) -> None:
        """Take it that no frame comes any more."""
        for boot in (self._earlier, self._boot):
            if boot is not None:
                self._settle(boot, None)
        self._earlier = self._boot = None

    # -- deciding ----------------------------------------------------------------------------------

    def _without_sequence(self, boot: int | None, clock: int | None, data: bytes) -> str:
        if (boot is not None or clock is not None) and data in self._recent:
            if clock is not None or self._boot is None or boot != self._boot.code:
                self.duplicates += 1
                return "duplicate"
        self._recent.append(data)
        gone = self._ticks_gone(clock)
        verdict = "first" if self._boot is None else "next"
        if self._boot is not None and boot is not None and boot != self._boot.code:
            verdict = "reset"
            self.resets += 1
        if clock is not None:
            self._advance_clock(clock, is_reset=verdict == "reset")
            self._clock = clock
        here = self._boot
        self._boot = _Boot(boot, 0 if here is None else here.ordinal + (verdict == "reset"))
        if clock is not None:
            goes_on = here is not None and verdict == "next" and gone is not None
            self._boot.highest = (here.highest if here else 0) + (gone or 0) if goes_on else clock
            # A frame that should have a sequence and says none has no number among the others.
            self.place = None if self.counters.sequence else (self._boot.ordinal, self._boot.highest)
        return verdict

    def _place(self, sequence: int, boot: int | None, clock: int | None, data: bytes, offset: int) -> str:
        here = self._boot
        if here is None:
            self._start(sequence, boot, clock, data, offset)
            return "first"
        if boot is not None and here.code is not None and boot != here.code:
            behind = (here.code - boot) % self.counters.boots
            if behind == 1 and self.counters.boots > 2 and self._earlier is not None:
                found = self._before_the_restart(self._earlier, sequence, data, offset)
                if found:
                    return found
            self._start(sequence, boot, clock, data, offset)
            return "reset"
        ahead = self._went_on(here, sequence, clock, data, boot is not None)
        if ahead == 0:
            found = self._behind(here, sequence, data, offset)
            if found:
                return found
            ahead = (
                None
                if boot is None
                else (sequence - here.highest) % self.counters.modulus or self.counters.modulus
            )
        if ahead is None:
            self._start(sequence, boot, clock, data, offset)
            return "reset"
        self._advance_clock(clock)
        if boot is None and clock is None:
            self.perhaps_resets += _is_like_a_restart(here.highest, ahead, self.counters.modulus)
        self._add(here, here.highest + ahead, data, offset)
        return "next" if ahead == 1 else "gap"

    def _went_on(
        self, here: _Boot, sequence: int, clock: int | None, data: bytes, knows_boot: bool
    ) -> int | None:
        """How many numbers further a frame is; 0 where it may be a duplicate or late, None where the unit restarted."""
        modulus = self.counters.modulus
        ahead = (sequence - here.highest) % modulus
        behind = -ahead % modulus
        gone = self._ticks_gone(clock)
        if gone is None:
            if behind <= self._window and here.known.get(here.highest - behind) in (None, data):
                return 0
            if knows_boot:
                return ahead or modulus
            return None if ahead > modulus // 2 or not ahead else ahead
        rate = self.counters.frames_a_tick
        if gone < 0 or (gone == 0 and behind <= self._window):
            is_near = rate is None or abs(-gone * rate - behind) <= _doubt(-gone * rate, rate)
            return 0 if is_near or knows_boot else None
        if rate is None:
            is_odd = not ahead or ahead > modulus // 2
            return None if is_odd and not knows_boot else ahead or modulus
        return self._by_the_clock(ahead, gone * rate, _doubt(gone * rate, rate), knows_boot)

    def _by_the_clock(self, ahead: int, expected: Fraction, doubt: Fraction, knows_boot: bool) -> int | None:
        """How many numbers further a frame is, given how many the clock says that there were; None after a restart.

        A unit may pause, so fewer numbers than expected are no restart; more are.
        """
        modulus = self.counters.modulus
        laps = max(0, round((expected - ahead) / modulus)) or (ahead == 0)
        if abs(ahead + laps * modulus - expected) <= doubt:
            return ahead + laps * modulus
        ahead = ahead or modulus
        limit = expected + doubt if ahead > modulus // 2 else 2 * expected + doubt
        return None if ahead > limit and not knows_boot else ahead

    def _ticks_gone(self, clock: int | None) -> int | None:
        """How far the clock went since the last frame, less than 0 where it went back; None where there is none."""
        if clock is None or self._clock is None:
            return None
        span = self.counters.clock_span
        gone = (clock - self._clock) % span
        return gone if gone <= span // 2 else gone - span

    def _behind(self, boot: _Boot, sequence: int, data: bytes, offset: int) -> str:
        """What a frame is that is not ahead: `duplicate` or `late`, empty where it is neither."""
        number = boot.highest - (boot.highest - sequence) % self.counters.modulus
        if boot.highest - number > self._window:
            return ""
        self.place = boot.ordinal, number
        if number in boot.known:
            return "duplicate" if boot.known[number] == data else ""
        if boot.last is not None and number < boot.last[0]:
            return ""
        boot.known[number] = data
        if self._received is not None:
            boot.signals[number] = self._received
        # A late frame has the time of its neighbour: the clock is read forward only.
        insort(boot.waiting, (number, offset, self._time(boot, number)))
        return "late"

    def _before_the_restart(self, boot: _Boot, sequence: int, data: bytes, offset: int) -> str:
        """What a frame is that the unit sent before its last restart, empty where its number is too far away."""
        ahead = (sequence - boot.highest) % self.counters.modulus
        if not 0 < ahead <= self._window:
            return self._behind(boot, sequence, data, offset)
        self._add(boot, boot.highest + ahead, data, offset)
        return "late"

    # -- counting ----------------------------------------------------------------------------------

    def _start(self, sequence: int, boot: int | None, clock: int | None, data: bytes, offset: int) -> None:
        if self._earlier is not None:
            self._settle(self._earlier, None)
        self._earlier = self._boot
        self._advance_clock(clock, is_reset=self._boot is not None)
        earlier = self._boot
        origin = 0 if earlier is None else earlier.highest + earlier.origin + 1
        self._boot = _Boot(boot, 0 if earlier is None else earlier.ordinal + 1, sequence, origin - sequence)
        self._add(self._boot, sequence, data, offset)

    def _advance_clock(self, clock: int | None, *, is_reset: bool = False) -> None:
        gone = self._ticks_gone(clock)
        if gone is not None and (not is_reset or self.counters.is_absolute):
            self._ticks += max(gone, 0)
        elif is_reset and clock is not None:
            self._ticks += clock  # it ran so long since the restart; what went by before that nobody knows

    def _time(self, boot: _Boot, number: int) -> Fraction:
        tick = self.counters.tick_s
        if self.timeline.unit == "s" and tick is not None:
            return self._ticks * tick
        return Fraction(max(boot.origin + number, 0))

    def _add(self, boot: _Boot, number: int, data: bytes, offset: int) -> None:
        wraps = number // self.counters.modulus - boot.highest // self.counters.modulus
        self.wraps += max(wraps, 0)
        boot.highest = number
        self.place = boot.ordinal, number
        boot.known[number] = data
        if self._received is not None:
            boot.signals[number] = self._received
        boot.waiting.append((number, offset, self._time(boot, number)))
        self._settle(boot, number - self._window)

    def _settle(self, boot: _Boot, before: int | None) -> None:
        """Count the gaps that no late frame can fill any more: below `before`, or all of them."""
        waiting = boot.waiting
        done = 0
        for number, offset, time in waiting:
            if before is not None and number >= before:
                break
            done += 1
            received = boot.signals.pop(number, None)
            self.signal.came(received)
            if boot.last is None:
                self.timeline.add(time, time, 1, 1)
            else:
                frames = number - boot.last[0] - 1
                self._settled_missing += frames
                self.signal.lost(frames, boot.last_signal, received)
                if frames > self.longest.frames:
                    self.longest = Gap(frames, boot.last[1])
                self.timeline.add(boot.last[2], time, frames + 1, 1)
            boot.known.pop(number, None)
            boot.last, boot.last_signal = (number, offset, time), received
        del waiting[:done]


def _is_like_a_restart(number: int, ahead: int, modulus: int) -> bool:
    """Whether a step of so many numbers leaves out many up to the counter's wrap and ends right behind it."""
    behind_wrap = (number + ahead) % modulus
    return behind_wrap < ahead and behind_wrap <= LIKE_A_RESTART < ahead


def _doubt(expected: Fraction, rate: Fraction) -> Fraction:
    """How far the count of frames that a clock tells may be off: a step of the clock, a frame, and 2 % for a cadence that wanders."""
    return 1 + rate + expected / 50


def _missing(boot: _Boot) -> int:
    """The numbers still open that no frame bore."""
    first = boot.last[0] if boot.last is not None else boot.waiting[0][0] if boot.waiting else boot.highest
    return boot.highest - first - len(boot.waiting) + (boot.last is None and bool(boot.waiting))


def continuities(layouts: Mapping[str, Layout]) -> dict[str, Continuity]:
    """Return one for each frame that has anything to tell, by name."""
    made = {name: Continuity(layout) for name, layout in layouts.items()}
    return {name: one for name, one in made.items() if one.is_told}
