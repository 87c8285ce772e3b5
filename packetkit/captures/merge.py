"""What several receivers heard of one downlink, or a memory card kept of it, as one: each frame once, and who had it.

Each source's frames are placed by their own counters (packetkit/captures/continuity.py): by restarts seen, and by a number that goes on
over wraps. Two sources count from different beginnings, so a time between restarts of one is put beside one of the other: by frames that
both have, byte for byte, the most of them deciding; else by the boot counter, and by what the clock says of laps of the sequence; else
where both saw as many restarts, by their order. Then one number is one frame, and two frames of one number with other bytes disagree.

What would surprise a reader: a frame without any counter has no number, so it is the same as another's when its bytes are, the first such
with the first. Receivers that share no frame and saw different restarts cannot be put together without a boot counter. Good frames only are
here; all of them lie in memory, about 550 bytes each (measured on 200,000 frames of 30 bytes from two receivers).
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any, NamedTuple

from packetkit.captures.continuity import Continuity, Counters
from packetkit.captures.stream import Good, Received
from packetkit.layout.model import Layout

# So many frames that two sources share outweigh what most of them say: one of the sources did not notice a restart, or counted a lap wrong.
# Fewer may be frames that happen to have the same bytes a lap of the counter later.
CERTAIN = 3


class Heard(NamedTuple):
    """A frame as one source has it: which of its frames it is, its bytes, where it begins, what stands beside it, what its clock reads."""

    source: int
    position: int
    data: bytes
    offset: int
    received: Received | None
    clock: int | None


class Place(NamedTuple):
    """Where a frame stands among those of its kind: the time between restarts, by its order, and the number in it."""

    boot: int
    number: int


@dataclass(slots=True)
class Entry:
    """One frame that was sent, and all who have it. boot, number: its place, None of a frame without counters."""

    kind: str
    boot: int | None = None
    number: int | None = None
    heard: tuple[Heard, ...] = ()

    @property
    def place(self) -> Place | None:
        """Where it stands, once `Kind.entries` gave it."""
        return None if self.boot is None or self.number is None else Place(self.boot, self.number)

    @property
    def versions(self) -> dict[bytes, list[Heard]]:
        """Each version of its bytes with those who have it; made anew each time, as most frames have one version and many are kept."""
        made: dict[bytes, list[Heard]] = {}
        for one in self.heard:
            made.setdefault(one.data, []).append(one)
        return made

    @property
    def sources(self) -> set[int]:
        """Who has it, whatever its bytes."""
        return {one.source for one in self.heard}

    @property
    def disagrees(self) -> bool:
        """Whether it was had with other bytes, each time with a good check."""
        return any(one.data != self.heard[0].data for one in self.heard)

    @property
    def data(self) -> bytes:
        """Its bytes: of versions the one that most have, and of those the one of the source named first."""
        if not self.disagrees:
            return self.heard[0].data
        versions = self.versions
        return max(versions, key=lambda data: (len(versions[data]), -min(versions[data]).source))

    @property
    def best(self) -> Heard:
        """Who had these bytes best: by signal to noise, then by signal strength, then named first."""
        nothing = Received()

        def how_well(heard: Heard) -> tuple[float, float, int]:
            said = heard.received or nothing
            snr = float("-inf") if said.snr_db is None else said.snr_db
            rssi = float("-inf") if said.rssi_dbm is None else said.rssi_dbm
            return snr, rssi, -heard.source

        data = self.data
        return max((one for one in self.heard if one.data == data), key=how_well)


class Gap(NamedTuple):
    """Numbers in a row that are missing: the first, how many, and the entries before and after them that are there."""

    kind: str
    boot: int
    first: int
    frames: int
    before: Entry
    after: Entry


class Kind:
    """One kind of frame as all sources have it; `entries` in the order in which they were sent, as far as counters tell."""

    def __init__(self, layout: Layout) -> None:
        self.layout, self.name = layout, layout.name
        self.counters: Counters = Continuity(layout).counters
        self.duplicates: Counter[int] = Counter()
        self._boots: list[int] = []  # identities of times between restarts, in their order
        self._codes: dict[int, int | None] = {}
        # By time between restarts, then by number; without a sequence that is a clock's, and frames of one tick are told by their bytes.
        self._table: dict[int, dict[int, Entry] | dict[tuple[int, bytes], Entry]] = {}
        self._rows: list[Entry] = []  # of frames that no counter numbers

    def take(self, placing: Placing) -> None:
        """Add all that one source has of it."""
        self._take_by_bytes(placing.take())

    def entries(self) -> list[Entry]:
        """Return every frame once, in order."""
        made: list[Entry] = []
        for place, boot in enumerate(self._boots):
            there = sorted(self._table.get(boot, {}).values(), key=attrgetter("number"))
            for entry in there:
                entry.boot = place
            made += there
        return made + self._rows

    def gaps(self, of: Iterable[Entry] | None = None) -> Iterator[Gap]:
        """Yield the numbers in a row that none of these entries bears, between those of one time between restarts."""
        if self.counters.sequence is None:
            return
        before: Entry | None = None
        for entry in self.entries() if of is None else of:
            here, last = entry.place, None if before is None else before.place
            if here is not None and last is not None and before is not None and here.boot == last.boot:
                frames = here.number - last.number - 1
                if frames > 0:
                    yield Gap(self.name, here.boot, last.number + 1, frames, before, entry)
            before = entry

    # -- what `_Placing` asks and does -------------------------------------------------------------

    def known(self) -> dict[bytes, tuple[int, int] | None]:
        """Where each version's bytes stand; None for bytes that stand at several places."""
        made: dict[bytes, tuple[int, int] | None] = {}
        for boot, there in self._table.items():
            for entry in there.values():
                assert entry.number is not None
                for data in entry.versions if entry.disagrees else (entry.data,):
                    made[data] = None if data in made else (boot, entry.number)
        return made

    def boots(self) -> Sequence[int]:
        """The times between restarts, in order."""
        return self._boots

    def code(self, boot: int) -> int | None:
        """What the boot counter reads then."""
        return self._codes[boot]

    def clocks(self, boot: int) -> list[tuple[int, int | None]]:
        """The numbers of a time between restarts, each with what the clock reads there."""
        return [(entry.number or 0, entry.heard[0].clock) for entry in self._table.get(boot, {}).values()]

    def new_boot(self, after: int | None, code: int | None) -> int:
        """Make a time between restarts, behind another one, or in front of all; the boot counter says how far behind."""
        made, place = len(self._codes), 0 if after is None else self._boots.index(after) + 1
        while code is not None and place < len(self._boots):
            there = self._codes[self._boots[place]]
            if there is None or _signed(code - there, self.counters.boots) <= 0:
                break
            place += 1
        self._codes[made] = code
        self._boots.insert(place, made)
        return made

    def put(self, boot: int, number: int, heard: Heard) -> None:
        """Note that a source has the frame of a number."""
        there: dict[Any, Entry] = self._table.setdefault(boot, {})
        key = number if self.counters.sequence is not None else (number, heard.data)
        entry = there.get(key)
        if entry is None:
            there[key] = Entry(self.name, None, number, (heard,))
            return
        same = next((one for one in entry.heard if one.data == heard.data), None)
        if same is not None and heard.source in entry.sources:
            self.duplicates[heard.source] += 1
        else:  # the same bytes lie in memory once
            entry.heard += (heard if same is None else heard._replace(data=same.data),)

    def _take_by_bytes(self, frames: Sequence[Heard]) -> None:
        waiting: dict[bytes, list[int]] = {}
        for place, entry in enumerate(self._rows):
            waiting.setdefault(entry.data, []).append(place)
        behind: dict[int, list[Entry]] = {}
        at = -1
        for heard in frames:
            if waiting.get(heard.data):
                at = waiting[heard.data].pop(0)
                self._rows[at].heard += (heard,)
            else:
                behind.setdefault(at, []).append(Entry(self.name, heard=(heard,)))
        made = behind.get(-1, [])
        for place, entry in enumerate(self._rows):
            made += [entry, *behind.get(place, [])]
        self._rows = made


class Placing:
    """One source's frames of a kind, on their way to their places; of each only what is needed is kept."""

    def __init__(self, kind: Kind, source: int) -> None:
        self.kind, self.source, self.counters = kind, source, kind.counters
        self.placed: dict[
            int, tuple[array[int], list[Heard]]
        ] = {}  # by restarts seen: numbers, and who bears them
        self.codes: dict[int, int | None] = {}
        self.numberless: list[Heard] = []
        self._course = Continuity(kind.layout)

    def add(self, position: int, good: Good) -> None:
        """Take the next one, which is the source's so many-th of all kinds."""
        sequence, boot, clock = (
            None if read is None else read(good.record)
            for read in (self.counters.sequence, self.counters.boot, self.counters.clock)
        )
        verdict = self._course.take_numbers(sequence, boot, clock, good.data, good.offset)
        if verdict == "duplicate":
            self.kind.duplicates[self.source] += 1
            return
        if self._course.place is None:
            heard = Heard(self.source, position, good.data, good.offset, good.received, None)
            self.numberless.append(heard)
            return
        ordinal, number = self._course.place
        self.codes.setdefault(ordinal, boot)
        numbers, frames = self.placed.setdefault(ordinal, (array("q"), []))
        numbers.append(number)
        frames.append(Heard(self.source, position, good.data, good.offset, good.received, clock))

    def take(self) -> list[Heard]:
        """Put them there, and return those that no counter numbers."""
        known, last = self.kind.known(), None
        are_new = not known
        used: set[int] = set()
        for ordinal, (numbers, frames) in self.placed.items():
            votes = _votes(numbers, frames, known) if known else Counter()
            found = None if are_new else self._beside(ordinal, votes, used)
            if found is None:
                found = self.kind.new_boot(last, self.codes[ordinal]), 0
            last = found[0]
            used.add(last)
            for number, heard in zip(numbers, frames, strict=True):
                its = known.get(heard.data)
                if its is not None and votes[its[0], its[1] - number] >= CERTAIN:
                    found = its[0], its[1] - number
                self.kind.put(found[0], number + found[1], heard)
            frames.clear()
        return self.numberless

    def _beside(
        self,
        ordinal: int,
        votes: Counter[tuple[int, int]],
        used: set[int],
    ) -> tuple[int, int] | None:
        """The known time between restarts that this one is, and what its numbers lack to those; None where it is another."""
        if votes:
            return min(votes, key=lambda vote: (-votes[vote], vote))
        boots, code = self.kind.boots(), self.codes[ordinal]
        if code is not None:
            same = next((boot for boot in boots if boot not in used and self.kind.code(boot) == code), None)
        else:  # where both saw as many restarts, those are taken for the same ones
            same = boots[ordinal] if len(boots) == len(self.placed) and boots[ordinal] not in used else None
        return None if same is None else (same, self._shift(same, ordinal))

    def _shift(self, boot: int, ordinal: int) -> int:
        """What to add to the numbers of frames of which none is known: laps of the counter, by the clock where there is one."""
        if self.counters.sequence is None:
            return 0
        numbers, frames = self.placed[ordinal]
        number, heard = numbers[0], frames[0]
        there = self.kind.clocks(boot)
        expected, rate = there[0][0], self.counters.frames_a_tick
        span = self.counters.clock_span
        told = (
            [(other, _signed(heard.clock - clock, span)) for other, clock in there if clock is not None]
            if heard.clock is not None
            else []
        )
        if told:
            other, gone = min(told, key=lambda one: abs(one[1]))
            expected = other + round(gone * rate) if rate is not None else other
        modulus = self.counters.modulus
        return modulus * round((expected - number) / modulus)


def _votes(
    numbers: Iterable[int], frames: Iterable[Heard], known: Mapping[bytes, tuple[int, int] | None]
) -> Counter[tuple[int, int]]:
    """How many frames that are known say each: which time between restarts, and what to add to the numbers."""
    votes: Counter[tuple[int, int]] = Counter()
    for number, heard in zip(numbers, frames, strict=True):
        place = known.get(heard.data)
        if place is not None:
            votes[place[0], place[1] - number] += 1
    return votes


def _signed(step: int, span: int) -> int:
    step %= span
    return step if step <= span // 2 else step - span


class Union:
    """What all sources have. kinds: by frame; sources: how many good frames each had."""

    def __init__(self, layouts: Mapping[str, Layout]) -> None:
        self.kinds = {name: Kind(layout) for name, layout in layouts.items()}
        self.sources: list[int] = []

    def add(self, good: Iterable[Good]) -> None:
        """Add the good frames of one source more, in their order."""
        source, position = len(self.sources), 0
        placings = {name: Placing(kind, source) for name, kind in self.kinds.items()}
        for position, one in enumerate(good, 1):
            placings[one.frame].add(position, one)
        for name, kind in self.kinds.items():
            kind.take(placings.pop(name))
        self.sources.append(position)

    def entries(self) -> Iterator[Entry]:
        """Yield every frame once: each kind in its order, and kinds among each other as the sources had them."""
        queues = [kind.entries() for kind in self.kinds.values()]
        if len(queues) == 1:
            yield from queues[0]
            return
        heads = [0] * len(queues)
        lines = [_Line(queues, source) for source in range(len(self.sources))]
        while True:
            waiting = [number for number, queue in enumerate(queues) if heads[number] < len(queue)]
            if not waiting:
                return
            chosen = next(
                (one for one in waiting if not any(line.holds(queues[one][heads[one]]) for line in lines)),
                waiting[0],
            )
            entry = queues[chosen][heads[chosen]]
            heads[chosen] += 1
            for line in lines:
                line.give(entry)
            yield entry


class _Line:
    """One source's frames in its own order, of which the first may come next."""

    def __init__(self, queues: Sequence[Sequence[Entry]], source: int) -> None:
        self._source = source
        self._waiting = bytearray()  # by position: whether that frame is here and has not come
        for queue in queues:
            for entry in queue:
                for position in self._positions(entry):
                    self._waiting += bytes(max(position + 1 - len(self._waiting), 0))
                    self._waiting[position] = 1
        self._at = self._waiting.find(1)

    def _positions(self, entry: Entry) -> Iterator[int]:
        return (heard.position for heard in entry.heard if heard.source == self._source)

    def holds(self, entry: Entry) -> bool:
        """Whether this source had another one before it that has not come."""
        first = min(self._positions(entry), default=None)
        return first is not None and self._at < first

    def give(self, entry: Entry) -> None:
        """Let it come."""
        for position in self._positions(entry):
            self._waiting[position] = 0
        following = self._waiting.find(1, self._at)
        self._at = len(self._waiting) if following < 0 else following
