"""A plausible capture of any mission, with the truth beside it: what was sent, what the channel did to it, where it lies.

Values move smoothly between waypoints, states follow one another, counters count and wrap, clocks run, the unit restarts; readings go
missing; frames are lost, damaged or cut, and junk stands between them. Only integers decide anything and only `Random.getrandbits` is
drawn from, so one seed gives the same bytes on every machine and Python.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from random import Random
from typing import Any

from packetkit.codec.frame import Frame
from packetkit.codec.record import put
from packetkit.errors import DecodeError, EncodeError
from packetkit.layout import beside, clock, moments
from packetkit.layout.clock import Moment
from packetkit.layout.ieee import ieee_bounds, ieee_pattern
from packetkit.layout.joined import from_codes
from packetkit.layout.model import (
    Choice,
    Continued,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    codes_of_place,
    computed_count,
    forget,
    is_told,
    ones_in_element,
    slots_of,
    tell_ones,
    told_branch,
)
from packetkit.layout.number import from_raw, is_legal, to_raw
from packetkit.layout.slots import Bundle, Joined, Slot

USUAL_CADENCE_S = Fraction(10)  # for frames that name none
LAUNCH = clock.moment_of(
    "2026-01-01T00:00:00Z"
)  # when a simulated unit's own clock says that it was switched on
WAYPOINT_S = 300  # a quantity takes some five minutes to where it is heading
PACE = 16  # codes a second at most: a step is chosen so fine that what changes is just seen
PARTS = 10_000  # chances are counted in parts of this
LONGEST_JUNK = 40
DAMAGE_TRIES = 30
MOST_ELEMENTS = 64  # a unit rarely fills a 16-bit count
MOST_TO_END = 8  # elements of a repeat that only the frame's length bounds
FEWER = (16, 4, 1, 0)  # where those are more than a length can say
DRAWN = (
    "radix_text",
    "bundle",
    "number",
    "float",
    "states",
    "time",
    "flag",
    "tag",
    "count",
)  # the kinds that are decided here; the others fill themselves


@dataclass(frozen=True, slots=True)
class Channel:
    """What happens, each a chance from 0 to 1: a frame lost or damaged, junk before it, a reading missing.

    restarts: how often the unit restarts in all.
    """

    loss: Fraction = Fraction(1, 10)
    damage: Fraction = Fraction(1, 50)
    junk: Fraction = Fraction(1, 50)
    missing: Fraction = Fraction(1, 50)
    restarts: int = 1


@dataclass(frozen=True, slots=True)
class Due:
    """One frame that the unit sends: when, and the chance that it never arrives. loss None: nobody listens, nothing arrives."""

    time_s: Fraction
    frame: str
    loss: Fraction | None


@dataclass(frozen=True, slots=True)
class Sent:
    """One thing on its way to the receiver.

    fate: good, lost, unheard (nobody listened), damaged (bits flipped), cut (its end is missing) or junk. offset: where it starts in the
    capture, None where it never arrived. data: the bytes that arrived; for a frame that did not, those that were sent. frame and values
    are None for junk. flipped: the bits that were turned over. noticed: False where the frame's checks cannot see the damage.
    """

    time_s: Fraction
    fate: str
    offset: int | None
    data: bytes
    frame: str | None = None
    values: dict[str, Any] | None = None
    flipped: tuple[int, ...] = ()
    noticed: bool = True


def simulate(
    frames: Mapping[str, Frame],
    duration_s: Fraction,
    channel: Channel,
    seed: int,
    dues: Iterable[Due] | None = None,
    channel_seed: int | None = None,
) -> Iterator[Sent]:
    """Everything that happens in duration_s, in the order of the capture, which is the data of all that has an offset.

    dues: what is sent and how it is heard, in order of time; a unit that is always heard unless given, at the channel's loss. channel_seed:
    draws what becomes of it by itself, so that with one seed and several of these several receivers hear the same unit.
    """
    random = Random(seed)
    air = random if channel_seed is None else Random(channel_seed)
    restarts = sorted(duration_s * _below(random, PARTS) / PARTS for _ in range(channel.restarts))
    unit = _Unit(random, channel, restarts)
    offset = 0
    for due in steady(frames, duration_s, channel.loss) if dues is None else dues:
        name, time_s = due.frame, due.time_s
        unit.advance(time_s)
        values, data = unit.sent(frames[name])
        if due.loss is None:
            yield Sent(time_s, "unheard", None, data, name, values)
            continue
        if _happens(air, channel.junk):
            junk = bytes(air.getrandbits(8) for _ in range(1 + _below(air, LONGEST_JUNK)))
            yield Sent(time_s, "junk", offset, junk)
            offset += len(junk)
        if _happens(air, due.loss):
            yield Sent(time_s, "lost", None, data, name, values)
            continue
        sent = Sent(time_s, "good", offset, data, name, values)
        if _happens(air, channel.damage):
            sent = _damaged(air, frames[name], sent)
        yield sent
        offset += len(sent.data)


def steady(frames: Mapping[str, Frame], duration_s: Fraction, loss: Fraction) -> Iterator[Due]:
    """Each frame at its cadence, ties in the order of the schema, every one with the same chance to be lost."""
    following = {name: Fraction(0) for name in frames}
    while True:
        name = min(following, key=following.__getitem__)
        if following[name] >= duration_s:
            return
        yield Due(following[name], name, loss)
        following[name] += frames[name].layout.cadence_s or USUAL_CADENCE_S


def _below(random: Random, limit: int) -> int:
    """A number from 0 to limit - 1: `getrandbits` is the same in every Python, `randrange` need not be."""
    bits = limit.bit_length()
    while (number := random.getrandbits(bits)) >= limit:
        pass
    return number


def _happens(random: Random, chance: Fraction) -> bool:
    return _below(random, PARTS) < chance * PARTS


def _damaged(random: Random, frame: Frame, sent: Sent) -> Sent:
    """The frame as the channel leaves it, damaged so that its checks notice where they can."""
    hurt = sent
    for _ in range(DAMAGE_TRIES):
        hurt = _hurt(random, sent)
        try:
            frame.decode(hurt.data)
        except DecodeError:
            return hurt
    return replace(hurt, noticed=False)


def _hurt(random: Random, sent: Sent) -> Sent:
    """The frame with its end cut off (one time in four) or with one to four bits flipped."""
    size = len(sent.data)
    if size > 1 and _below(random, 4) == 0:
        return replace(sent, fate="cut", data=sent.data[: 1 + _below(random, size - 1)])
    flipped = tuple(sorted({_below(random, size * 8) for _ in range(1 + _below(random, 4))}))
    data = bytearray(sent.data)
    for bit in flipped:
        data[bit // 8] ^= 0x80 >> bit % 8
    return replace(sent, fate="damaged", data=bytes(data), flipped=flipped)


def _sum_up(container: dict[Any, Any], path: tuple[str, ...]) -> None:
    """Make a summary of what was drawn for it: its members in order, none of them without a sample."""
    for key in path:
        container = container[key]
    kept = [key for key in ("minimum", "mean", "maximum") if key in container]
    values = [container[key] for key in kept]
    if container.get("count") == 0 or None in values:
        container.update(dict.fromkeys(kept), **({"count": 0} if "count" in container else {}))
        return
    low, high = min(values), max(values)
    ends = [value for key, value in zip(kept, values, strict=True) if key != "mean"]
    low, high = (min(ends), max(ends)) if ends else (low, high)
    now = {"minimum": low, "mean": min(max(container.get("mean", low), low), high), "maximum": high}
    container.update({key: now[key] for key in kept})


@dataclass(frozen=True, slots=True)
class _Path:
    """A quantity's straight way from one waypoint to the next, in raw codes."""

    start_s: Fraction
    end_s: Fraction
    start: int
    end: int

    def at(self, time_s: Fraction) -> int:
        done = (time_s - self.start_s) / (self.end_s - self.start_s)
        return self.start + (self.end - self.start) * done.numerator // done.denominator


@dataclass
class _Unit:
    """The unit that sends: its time since the last restart, its counters, where every quantity is heading, and what this frame drew."""

    random: Random
    channel: Channel
    restarts: list[Fraction]
    now_s: Fraction = Fraction(0)
    booted_s: Fraction = Fraction(0)
    boots: int = 0
    paths: dict[str, _Path] = field(default_factory=dict)
    counters: dict[str, int] = field(default_factory=dict)
    drawn: dict[int, int] = field(
        default_factory=dict
    )  # slot number to its latest raw code, as a decoder would know it
    ending: dict[int, int] = field(
        default_factory=dict
    )  # codes of slots that say whether an element is the last
    ahead: set[int] = field(default_factory=set)  # slots drawn with what they judge, which stands before them
    raised: frozenset[int] = frozenset()
    most_to_end: int | None = None  # elements that only an end bounds, where fewer than usual are wanted

    def advance(self, time_s: Fraction) -> None:
        self.now_s = time_s
        while self.restarts and self.restarts[0] <= time_s:
            self.booted_s = self.restarts.pop(0)
            self.boots += 1
            self.counters = dict.fromkeys(self.counters, 0)

    def sent(self, frame: Frame) -> tuple[dict[str, Any], bytes]:
        """A record and its frame. What is longer than its length can say is drawn again, with fewer elements."""
        counters = dict(self.counters)
        for most in (None, *FEWER):
            self.most_to_end = most
            record = self.record(frame.layout)
            try:
                return record, frame.encode(record)
            except EncodeError:
                if most == FEWER[-1]:
                    raise
            self.counters = dict(counters)
        raise AssertionError("the last try ends in one way or the other")

    def record(self, layout: Layout) -> dict[str, Any]:
        record: dict[str, Any] = {}
        self.goes_on = False
        self.drawn, self.ending, self.ahead = {}, {}, set()
        self.raised = frozenset(slot.raises for slot in layout.slots if slot.raises is not None)
        self.choosing = _telling_codes(layout)
        self.factors = frozenset(
            one.by for node in layout.walk() if isinstance(node, Repeat) for one in node.factors
        )
        for slot in layout.supplied:  # an address or the like: it stays what it is
            key = f"{layout.name}.{slot.address}"
            record[slot.path[0]] = self.counters.setdefault(key, _below(self.random, 1 << slot.width))
        self.fill(layout, layout.nodes, record, f"{layout.name}.")
        return record

    def fill(self, layout: Layout, nodes: tuple[Node, ...], into: dict[Any, Any], key: str) -> None:
        """Put a value for every value slot of the nodes into a container; a bare one's key is the empty path."""
        for node in nodes:
            if isinstance(node, (Run, Continued)):
                slots = slots_of(node)
                for slot in slots:
                    self.draw(layout, slot, key)
                    if slot.is_value:
                        value, _, _ = beside.value_beside(
                            slot, self.drawn[slot.number], self.drawn.__getitem__
                        )
                        put(into, slot.path, value)
                for path in dict.fromkeys(slot.path[:-1] for slot in slots if slot.part):
                    _sum_up(into, path)
            elif isinstance(node, Repeat):
                put(into, node.path, self.elements(layout, node, key))
            elif isinstance(node, Measured):
                self.fill(layout, node.body, into, key)
            elif isinstance(node, Choice):
                put(into, node.path, self.variant(layout, node, key))
            elif isinstance(node, Optional):
                present = is_told(node, self.drawn)
                if not present:
                    forget(node, self.drawn)
                put(into, node.path, self.inner(layout, node.body, node.bare, key) if present else None)

    def draw(self, layout: Layout, slot: Slot, key: str) -> None:
        """Draw a slot's code; first those of slots behind it that say what it means, which keep them until their turn."""
        for teller in beside.behind(slot):
            if teller not in self.ahead:
                self.draw(layout, layout.slots[teller], key)
                self.ahead.add(teller)
        if slot.kind in DRAWN and slot.number not in self.ahead:
            self.drawn[slot.number] = self.raw(slot, key + slot.address)
        self.ahead.discard(slot.number)

    def elements(self, layout: Layout, node: Repeat, key: str) -> Any:
        number = node.count
        if number is None and node.counted_by is not None:
            number = self.drawn[node.counted_by]
        elif node.factors:
            number = computed_count(node, self.drawn)
        elif number is None:
            number = self.along(
                key + node.address,
                0,
                MOST_TO_END if node.maximum is None else min(node.maximum, MOST_ELEMENTS),
            )
            number = number if self.most_to_end is None else min(number, self.most_to_end)
        if node.as_fits and self.goes_on:
            number = node.maximum or 0
        if node.joined is not None:
            return self.text(node, node.joined, number)
        number = max(number, node.least)
        made, ones, outside = [], 0, self.goes_on
        for index in range(number):
            self.goes_on = index < number - 1 if node.several_sizes else outside
            if node.own_end is not None:
                by, codes = codes_of_place(node, layout.slots, is_last=index == number - 1)
                self.ending[by] = codes[0].low
            made.append(self.inner(layout, node.element, node.bare, f"{key}{index}."))
            ones += ones_in_element(node, self.drawn)
        self.goes_on = outside
        tell_ones(node, ones, self.drawn)
        return made

    def text(self, node: Repeat, joined: Joined, count: int) -> Any:
        """Letters and digits, or octets, of so many codes."""
        if joined.form == "alphabet":
            known = [code for code, character in joined.characters if character.isalnum()]
            known = known or [code for code, _ in joined.characters]
        else:
            known = list(range(256)) if joined.form == "bytes" else [*b"ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"]
        codes = [known[_below(self.random, len(known))] for _ in range(count)]
        return from_codes(joined, codes)[0]

    def variant(self, layout: Layout, node: Choice, key: str) -> Any:
        """The variant that the codes mean; told from outside, the first: whoever decodes must know which it is."""
        branch = node.branches[0]
        if node.told_by:
            found = told_branch(node, [self.drawn[number] for number in node.told_by])
            branch = found if found is not None else branch
        if branch is node.unknown:
            return {branch.name: b""}
        return {branch.name: self.inner(layout, branch.body, branch.bare, f"{key}{branch.name}.")}

    def inner(self, layout: Layout, nodes: tuple[Node, ...], bare: bool, key: str) -> Any:
        inside: dict[Any, Any] = {}
        self.fill(layout, nodes, inside, key)
        return inside.get(()) if bare else inside

    def raw(self, slot: Slot, key: str) -> int:
        """The raw code of a slot now. key: what tells this quantity from all others."""
        if slot.number in self.ending:
            return self.ending[slot.number]
        counter = self.counter(slot, key)
        return self.reading(slot, key) if counter is None else counter

    def counter(self, slot: Slot, key: str) -> int | None:
        """A sequence, a boot count, a clock or a version; None for everything else."""
        role = slot.role
        if role is None or slot.kind != "number":
            return None
        wrap = role.modulus or 1 << slot.width
        if role.name == "sequence":
            raw = self.counters.setdefault(key, wrap - 1 - _below(self.random, min(wrap, 50)))  # soon to wrap
            self.counters[key] = (raw + 1) % wrap
            return raw
        if role.name == "boot":
            return self.boots % wrap
        if role.name == "clock":
            span = slot.legal[-1].high - slot.legal[0].low + 1
            ticks = int((self.now_s - self.booted_s) // (role.tick_s or 1))
            return slot.code_of(slot.legal[0].low + ticks % span)
        return None if slot.default is None else slot.default

    def reading(self, slot: Slot, key: str) -> int:
        if slot.number in self.choosing:
            told = self.choosing[slot.number]
            return told[self.along(key, 0, len(told) - 1)]
        if slot.number in self.factors:
            return self.along(key, 0, min(slot.raw_limits[1], 4))
        if slot.number in self.raised:
            return 0
        if slot.missing_code is not None and _happens(self.random, self.channel.missing):
            return slot.missing_code
        if isinstance(slot.transform, Bundle):
            return self.samples(slot, slot.transform, key)
        if slot.kind == "flag":
            return self.along(key, 0, 99) // 50
        if slot.kind == "states":
            return slot.states[self.stage(key, len(slot.states))][0]
        if slot.kind == "tag":
            return slot.codes[self.along(key, 0, len(slot.codes) - 1)].low
        if slot.kind == "count":
            return self.along(key, 0, min(slot.maximum_count or slot.number_limits[1], MOST_ELEMENTS))
        if slot.kind == "time":
            return self.moment(slot)
        if slot.kind == "float":
            low, high = ieee_bounds(slot)
            ends = [int(min(max(end, -1000), 1000)) for end in (low, high)]
            return ieee_pattern(
                slot.width, min(max(self.along(key, ends[0] * 1000, ends[1] * 1000) / 1000, low), high)
            )
        widest = max(slot.legal, key=lambda codes: codes.high - codes.low)
        return slot.code_of(self.along(key, widest.low, widest.high))

    def samples(self, slot: Slot, bundle: Bundle, key: str) -> int:
        """The code of samples that lead to where the quantity is now; some are missing, as single readings are."""
        (codes,) = bundle.sample.legal
        at = self.along(key, codes.low, codes.high)
        values: list[Any] = []
        for _ in range(bundle.samples):
            lost = bundle.has_missing and _happens(self.random, self.channel.missing)
            values.append(None if lost else from_raw(bundle.sample, at)[0])
            at += _below(self.random, 2 * bundle.largest + 1) - bundle.largest
            at = min(max(at, codes.low), codes.high)
        return to_raw(slot, values[::-1]).raw

    def moment(self, slot: Slot) -> int:
        """The code of now, counted from the launch, or from the first moment that has a code where the launch has none."""
        first = (
            clock.moment_of(moments.ends(slot)[0])
            if slot.clock is None
            else slot.clock.reference or slot.clock.epoch
        )
        for start in (LAUNCH, first):
            raw = moments.raw_of(slot, self.now_from(slot, start))
            if raw is not None and is_legal(slot, raw):
                return raw
        return slot.legal[0].low

    def now_from(self, slot: Slot, start: Moment) -> Moment:
        """The moment that is now, if the simulation began at another."""
        if slot.clock is not None:
            return clock.moment_after(slot.clock, clock.elapsed(slot.clock, start) + self.now_s)
        days, second = divmod(start.second + self.now_s, clock.DAY)
        return Moment(start.day + int(days), second)

    def along(self, key: str, low: int, high: int) -> int:
        """Where a quantity between low and high is now: on its way to a waypoint, with a little unrest."""
        path = self.paths.get(key)
        if path is None:
            path = _Path(self.now_s, self.now_s, 0, self.somewhere(low, high))
        while path.end_s <= self.now_s:
            length_s = self.some_minutes()
            reach = PACE * length_s
            end = self.somewhere(max(low, path.end - reach), min(high, path.end + reach))
            path = _Path(path.end_s, path.end_s + length_s, path.end, end)
        self.paths[key] = path
        unrest = min((high - low) // 500, PACE // 2)
        return min(max(path.at(self.now_s) + _below(self.random, 2 * unrest + 1) - unrest, low), high)

    def stage(self, key: str, count: int) -> int:
        """Which of so many states a unit is in: all of them in their order, each for some minutes, and again."""
        path = self.paths.get(key)
        if path is None:
            path = _Path(self.now_s, self.now_s + self.some_minutes(), 0, 0)
        while path.end_s <= self.now_s:
            after = (path.end + 1) % count
            path = _Path(path.end_s, path.end_s + self.some_minutes(), after, after)
        self.paths[key] = path
        return path.end

    def some_minutes(self) -> int:
        """Seconds to the next waypoint."""
        return WAYPOINT_S // 2 + _below(self.random, WAYPOINT_S)

    def somewhere(self, low: int, high: int) -> int:
        """A point of the middle nine tenths, or now and then an end, so that limits are seen too."""
        if _below(self.random, 10) == 0:
            return (low, high)[_below(self.random, 2)]
        margin = (high - low) // 20
        return low + margin + _below(self.random, high - low - 2 * margin + 1)


def _telling_codes(layout: Layout) -> dict[int, list[int]]:
    """The codes that tell variants, by the slot that holds them: a simulated unit sends only what it knows."""
    found: dict[int, list[int]] = {}
    for node in layout.walk():
        if isinstance(node, Choice):
            for at, number in enumerate(node.told_by):
                found.setdefault(number, []).extend(branch.codes[at][0].low for branch in node.branches)
    return found
