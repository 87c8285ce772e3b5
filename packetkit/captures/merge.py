"""What several receivers heard of one downlink, or a memory card kept of it, as one: each frame once, and who had it.

Each source's frames are placed by their own counters (packetkit/captures/continuity.py): by restarts seen, and by a number that goes on
over wraps. Two sources count from different beginnings, so a time between restarts of one is put beside one of the other: by frames that
both have, byte for byte, the most of them deciding; else by the boot counter, and by what the clock says of laps of the sequence; else
where both saw as many restarts, by their order. Then one number is one frame, and two frames of one number with other bytes disagree.

What would surprise a reader: a frame without any counter has no number, so it is the same as another's when its bytes are, the first such
with the first. Receivers that share no frame and saw different restarts cannot be put together without a boot counter. Good frames only are
here; all of them lie in memory.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

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
    """One frame that was sent, and each version of its bytes with those who have it. place None: of a frame without counters."""

    kind: str
    place: Place | None
    versions: dict[bytes, list[Heard]] = field(default_factory=dict)

    @property
    def sources(self) -> set[int]:
        """Who has it, whatever its bytes."""
        return {heard.source for version in self.versions.values() for heard in version}

    @property
    def disagrees(self) -> bool:
        """Whether it was had with other bytes, each time with a good check."""
        return len(self.versions) > 1

    @property
    def data(self) -> bytes:
        """Its bytes: of versions the one that most have, and of those the one of the source named first."""
        return max(
            self.versions, key=lambda data: (len(self.versions[data]), -min(self.versions[data]).source)
        )

    @property
    def best(self) -> Heard:
        """Who had these bytes best: by signal to noise, then by signal strength, then named first."""
        nothing = Received()

        def how_well(heard: Heard) -> tuple[float, float, int]:
            said = heard.received or nothing
            snr = float("-inf") if said.snr_db is None else said.snr_db
            rssi = float("-inf") if said.rssi_dbm is None else said.rssi_dbm
            return snr, rssi, -heard.source

        return max(self.versions[self.data], key=how_well)


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
        self._table: dict[tuple[int, int, bytes], Entry] = {}
        self._rows: list[Entry] = []  # of frames that no counter numbers

    def take(self, source: int, frames: Sequence[tuple[int, Good]]) -> None:
        """Add all that one source has of it, each with its position there."""
        self._take_by_bytes(source, _Placing(self, source, frames).take())

    def entries(self) -> list[Entry]:
        """Return every frame once, in order."""
        order = {boot: place for place, boot in enumerate(self._boots)}
        found = sorted(self._table.items(), key=lambda item: (order[item[0][0]], item[0][1]))
        for (boot, number, _), entry in found:
            entry.place = Place(order[boot], number)
        return [*(entry for _, entry in found), *self._rows]

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
        for (boot, number, _), entry in self._table.items():
            for data in entry.versions:
                made[data] = None if data in made else (boot, number)
        return made

    def boots(self) -> Sequence[int]:
        """The times between restarts, in order."""
        return self._boots

    def code(self, boot: int) -> int | None:
        """What the boot counter reads then."""
        return self._codes[boot]

    def clocks(self, boot: int) -> list[tuple[int, int | None]]:
        """The numbers of a time between restarts, each with what the clock reads there."""
        return [
            (number, next(iter(entry.versions.values()))[0].clock)
            for (its, number, _), entry in self._table.items()
            if its == boot
        ]

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
        # Without a sequence a number is a clock's, and two frames may be of one tick.
        key = (boot, number, b"" if self.counters.sequence is not None else heard.data)
        entry = self._table.setdefault(key, Entry(self.name, None))
        if heard.source in entry.sources and heard.data in entry.versions:
            self.duplicates[heard.source] += 1
        else:
            entry.versions.setdefault(heard.data, []).append(heard)

    def _take_by_bytes(self, source: int, frames: Sequence[tuple[int, Good]]) -> None:
        waiting: dict[bytes, list[int]] = {}
        for place, entry in enumerate(self._rows):
            waiting.setdefault(entry.data, []).append(place)
        behind: dict[int, list[Entry]] = {}
        at = -1
        for position, good in frames:
            heard = Heard(source, position, good.data, good.offset, good.received, None)
            if waiting.get(good.data):
                at = waiting[good.data].pop(0)
                self._rows[at].versions[good.data].append(heard)
            else:
                behind.setdefault(at, []).append(Entry(self.name, None, {good.data: [heard]}))
        made = behind.get(-1, [])
        for place, entry in enumerate(self._rows):
            made += [entry, *behind.get(place, [])]
        self._rows = made


class _Placing:
    """One source's frames of a kind, on their way to their places."""

    def __init__(self, kind: Kind, source: int, frames: Sequence[tuple[int, Good]]) -> None:
        self.kind, self.counters = kind, kind.counters
        self.placed: dict[int, list[tuple[int, Heard]]] = {}  # by restarts seen: numbers
        self.codes: dict[int, int | None] = {}
        self.numberless: list[tuple[int, Good]] = []
        course = Continuity(kind.layout)
        for position, good in frames:
            sequence, boot, clock = (
                None if read is None else read(good.record)
                for read in (self.counters.sequence, self.counters.boot, self.counters.clock)
            )
            verdict = course.take_numbers(sequence, boot, clock, good.data, good.offset)
            if verdict == "duplicate":
                kind.duplicates[source] += 1
                continue
            if course.place is None:
                self.numberless.append((position, good))
                continue
            ordinal, number = course.place
            self.codes.setdefault(ordinal, boot)
            heard = Heard(source, position, good.data, good.offset, good.received, clock)
            self.placed.setdefault(ordinal, []).append((number, heard))

    def take(self) -> list[tuple[int, Good]]:
        """Put them there, and return those that no counter numbers."""
        known, last = self.kind.known(), None
        are_new = not known
        used: set[int] = set()
        for ordinal, rows in self.placed.items():
            votes = _votes(rows, known)
            found = None if are_new else self._beside(ordinal, rows, votes, used)
            if found is None:
                found = self.kind.new_boot(last, self.codes[ordinal]), 0
            last = found[0]
            used.add(last)
            for number, heard in rows:
                its = known.get(heard.data)
                if its is not None and votes[its[0], its[1] - number] >= CERTAIN:
                    found = its[0], its[1] - number
                self.kind.put(found[0], number + found[1], heard)
        return self.numberless

    def _beside(
        self,
        ordinal: int,
        rows: list[tuple[int, Heard]],
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
        return None if same is None else (same, self._shift(same, rows))

    def _shift(self, boot: int, rows: list[tuple[int, Heard]]) -> int:
        """What to add to the numbers of frames of which none is known: laps of the counter, by the clock where there is one."""
        if self.counters.sequence is None:
            return 0
        number, heard = rows[0]
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
    rows: list[tuple[int, Heard]], known: Mapping[bytes, tuple[int, int] | None]
) -> Counter[tuple[int, int]]:
    """How many frames that are known say each: which time between restarts, and what to add to the numbers."""
    votes: Counter[tuple[int, int]] = Counter()
    for number, heard in rows:
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
        rows: dict[str, list[tuple[int, Good]]] = {name: [] for name in self.kinds}
        position = 0
        for position, one in enumerate(good, 1):
            rows[one.frame].append((position, one))
        for name, kind in self.kinds.items():
            kind.take(len(self.sources), rows[name])
        self.sources.append(position)

    def entries(self) -> Iterator[Entry]:
        """Yield every frame once: each kind in its order, and kinds among each other as the sources had them."""
        queues = [kind.entries() for kind in self.kinds.values()]
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
        found = [
            (heard.position, id(entry))
            for queue in queues
            for entry in queue
            for version in entry.versions.values()
            for heard in version
            if heard.source == source
        ]
        self._order = sorted(found)
        self._positions = {which: position for position, which in reversed(self._order)}
        self._given: set[int] = set()
        self._at = 0

    def holds(self, entry: Entry) -> bool:
        """Whether this source had another one before it that has not come."""
        mine = self._positions.get(id(entry))
        return mine is not None and self._order[self._at][0] < mine

    def give(self, entry: Entry) -> None:
        """Let it come."""
        self._given.add(id(entry))
        while self._at < len(self._order) and self._order[self._at][1] in self._given:
            self._at += 1
