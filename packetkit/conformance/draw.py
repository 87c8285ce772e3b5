"""Drawing records that a frame takes: valid values of every kind, edges often, each choice asked of a `Chance`.

A `random.Random` makes hundreds of thousands a minute; hypothesis answers the same two questions, so that what it finds
shrinks (packetkit.fuzz.strategies). The first option of a choice is therefore always the plainest one. What would surprise a
reader: a slot that others ask (a flag before an option, a count) is drawn as a raw code first, because what follows must
agree with it; and a value whose rounding could carry it out of range is asked of `number.to_raw` before it is used.
"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from typing import Any

from packetkit.codec.record import put as put_at
from packetkit.conformance.faults import Chance
from packetkit.layout import beside, clock, moments, number
from packetkit.layout.coding import CODINGS
from packetkit.layout.ieee import ieee_bounds
from packetkit.layout.joined import Unfit, from_codes, raw_of, to_codes
from packetkit.layout.model import (
    Branch,
    Choice,
    Continued,
    Fill,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
    codes_of_place,
    computed_count,
    forget,
    is_told,
    ones_in_element,
    slots_of,
    tell_ones,
    told_branch,
)
from packetkit.layout.slots import Bundle, Chosen, Digits, Ieee, Joined, Linear, Range, Slot

Record = dict[str, Any]

_OUT = object()  # the key is left out
# Parts of a step beside a code: none, a tie, a third, and as near to a tie as one in a thousand.
_PARTS = tuple(Fraction(part, 6000) for part in (0, -3000, 2000, -2994, 2994))
MOST_ELEMENTS = 16  # a list to the frame's end has no other bound; longer ones only cost time


def record(layout: Layout, chance: Chance, *, most: int = MOST_ELEMENTS) -> Record:
    """Return a record that the frame encodes, and whose bytes it decodes.

    One in two is plain, as decoding gives it: what flight and ground exchange. In the others values come in every form that encode
    takes: Fraction, Decimal, between two codes, `{"raw": n}`, None and reasons where missing is declared, keys left out where that
    is allowed. most: elements of a list that is not of fixed length, unless its declared maximum is drawn.
    """
    is_plain = chance.randint(0, 1) == 0
    drawing = _Drawing(layout, chance, most, is_plain)
    supplied = {slot.path[0]: drawing.supplied(slot) for slot in layout.supplied}
    made: Record = supplied | drawing.container(layout.nodes, False)
    return made


class _Drawing:
    """One record on its way. told: raw codes of slots that others ask; silent: those of them that the record leaves out."""

    def __init__(self, layout: Layout, chance: Chance, most: int, is_plain: bool) -> None:
        self.layout = layout
        self.chance = chance
        self.most = most
        self.is_plain = is_plain
        self.told: dict[int, int] = {}
        self.ending: dict[
            int, tuple[Range, ...]
        ] = {}  # codes of slots that say whether an element is the last
        self.ahead: set[int] = (
            set()
        )  # slots that say what others before them mean: drawn with the first of these
        self.silent: set[int] = set()
        nodes = list(layout.walk())
        self.options = [node for node in nodes if isinstance(node, Optional)]
        self.choices = [node for node in nodes if isinstance(node, Choice)]
        self.asked = {node.by for node in self.options if node.by is not None}
        self.asked |= {number for node in self.choices for number in node.told_by}
        self.factors = {one.by for node in nodes if isinstance(node, Repeat) for one in node.factors}
        self.asked |= self.factors
        self.judged = beside.told_slots(layout)
        self.asked |= {number for one in self.judged for number in one.tellers}
        self.goes_on = False  # whether another element follows in a list of several sizes
        self.ended = False  # in this part: something that asks for bytes that remain is not there
        self.raised = {slot.raises for slot in layout.slots if slot.raises is not None}
        self.lists = {node.counted_by: node for node in nodes if isinstance(node, Repeat)}

    def odds(self, one_in: int) -> bool:
        """True once in so many times; hypothesis shrinks to False."""
        return self.chance.randint(1, one_in) == one_in

    def oddity(self, one_in: int) -> bool:
        """True once in so many times, and never in a plain record: a form that decoding does not give."""
        return not self.is_plain and self.odds(one_in)

    # -- structure ---------------------------------------------------------------------------------

    def container(self, nodes: tuple[Node, ...], bare: bool, *, given: bool = True) -> Any:
        """Return what a record holds of a container; given: a bare one may be None and still be there."""
        made: dict[Any, Any] = {}
        for node in nodes:
            if isinstance(node, Measured):
                ended, self.ended = self.ended, False
                merge(made, self.container(node.body, False))
                self.ended = ended
            elif isinstance(node, Choice):
                put(made, node.path, self.variant(node))
            elif isinstance(node, (Run, Continued)):
                for slot in slots_of(node):
                    put(made, slot.path, self.slot(slot, may_lack=not bare, may_be_none=not bare or given))
            elif isinstance(node, Fill):
                put(made, node.slot.path, self.padding(node.slot))
            elif isinstance(node, Repeat):
                put(made, node.path, self.repeat(node))
            else:
                put(made, node.path, self.optional(node))
        return made.get((), {}) if bare else made

    def repeat(self, node: Repeat) -> Any:
        if node.count is not None:
            times = node.count
        elif node.counted_by is not None:
            times = self.told[node.counted_by]
        elif node.factors:
            times = computed_count(node, self.told)
        elif node.own_end is not None:
            times = max(1, self.length(node.maximum))
        else:
            times = 0 if self.ended else self.length(node.maximum)
        if node.as_fits and self.goes_on and not self.oddity(20):
            times = node.maximum or 0
        if node.joined is not None:
            return self.text(node, node.joined, times)
        made, ones, outside = [], 0, self.goes_on
        for at in range(times):
            self.goes_on = at < times - 1 if node.several_sizes else outside
            if node.own_end is not None:
                by, codes = codes_of_place(node, self.layout.slots, is_last=at == times - 1)
                self.ending[by] = codes
            made.append(self.container(node.element, node.bare))
            ones += ones_in_element(node, self.told)
        self.goes_on = outside
        tell_ones(node, ones, self.told)
        return made

    def text(self, node: Repeat, joined: Joined, count: int) -> Any:
        """A text, or octets, of so many codes; now and then as the codes that it is sent as."""
        codes = [self.code_of_character(joined, node.minimum_bits) for _ in range(count)]
        if joined.form == "utf_8":
            codes = list(
                _fitting("".join(map(chr, codes)) if not self.odds(3) else "e\u0301\u00e9" * count, count)
            )
        if self.oddity(8):
            return {"raw": raw_of(joined, codes)}
        value, _ = from_codes(joined, codes)
        if value is None or to_codes_or_none(joined, value, node.count) is None:
            return {"raw": raw_of(joined, codes)}
        return value

    def code_of_character(self, joined: Joined, bits: int) -> int:
        if joined.form == "alphabet" and not self.oddity(30):
            return self.chance.choice(joined.characters)[0]
        if joined.form in ("ascii", "utf_8"):
            return self.chance.randint(32, 126) if not self.oddity(30) else self.chance.randint(0, 127)
        return self.chance.randint(0, (1 << bits) - 1)

    def variant(self, node: Choice) -> Any:
        """The variant that the codes drawn before mean; told from outside, any."""
        if node.told_by:
            branch = told_branch(node, [self.told[number] for number in node.told_by])
        else:
            branch = self.chance.choice(node.branches)
        if branch is None:
            return {node.branches[0].name: {}}  # nothing says this; encoding must refuse it
        if branch is node.unknown:
            return {branch.name: self.octets(branch)}
        made = {branch.name: self.container(branch.body, branch.bare)}
        if node.turn and self.oddity(4):  # the others may be given too, and mean nothing
            made |= {other.name: None for other in node.branches if other is not branch}
        return made

    def octets(self, branch: Branch) -> Any:
        """Octets of an unknown variant; the last one's bits that are not sent are zero."""
        body = branch.body[0]
        assert isinstance(body, Repeat) and body.joined is not None
        count = 0 if self.ended else self.chance.randint(0, min(self.most, 6))
        if not body.joined.spare_bits:
            return bytes(self.chance.randint(0, 255) for _ in range(count))
        made = [self.chance.randint(0, 255) for _ in range(max(1, count))]
        made[-1] &= 0xFF << body.joined.spare_bits & 0xFF
        return bytes(made)

    def length(self, maximum: int | None) -> int:
        """Return how many elements a list has: none, one, the maximum, or any number."""
        reach = self.most if maximum is None else min(maximum, self.most)
        form = self.chance.randint(0, 5)
        if form == 5 and maximum is not None and maximum <= 4 * self.most:
            return maximum
        return min(form, reach) if form < 2 else self.chance.randint(0, reach)

    def optional(self, node: Optional) -> Any:
        if node.by is None:
            self.ended = self.ended or self.odds(3)
            return None if self.ended else self.container(node.body, node.bare)
        if not is_told(node, self.told):
            forget(node, self.told)
            return _OUT if self.oddity(3) else None
        # Where the flag before it is left out, a None would mean that the option is not there.
        return self.container(node.body, node.bare, given=node.by not in self.silent)

    # -- slots -------------------------------------------------------------------------------------

    def slot(self, slot: Slot, *, may_lack: bool, may_be_none: bool) -> Any:
        if slot.number in self.ending:
            return self.ender(slot, may_lack)
        if slot.kind == "count":
            return self.count(slot)
        if slot.kind == "reserved":
            return self.zero(slot)
        if slot.check is not None and slot.check.not_computed is not None and self.oddity(4):
            return {"raw": slot.check.not_computed}
        if slot.kind in ("check", "length"):
            return _OUT
        if not slot.is_value:
            self.told[slot.number] = slot.codes[0].low
            return self.given(slot, slot.codes[0].low) if self.oddity(8) else _OUT
        if slot.number in self.asked:
            return self.teller(slot, may_lack)
        if slot.kind == "flag":
            return self.flag(slot, may_lack)
        self.told[slot.number] = 0  # nobody asks
        for teller in beside.behind(slot):
            if teller not in self.ahead:
                self.ahead.add(teller)
                self.told[teller] = self.code_ahead(self.layout.slots[teller])
        found = beside.read_as(slot, self.told.__getitem__)
        if not isinstance(found, Slot):
            return self.uncounted(slot, may_lack, may_be_none)
        return self.value(found, may_lack, may_be_none)

    def uncounted(self, slot: Slot, may_lack: bool, may_be_none: bool) -> Any:
        """What is given for a value that does not count: nothing, or the code that is sent all the same."""
        if may_lack and self.oddity(3):
            return _OUT
        return None if may_be_none and not self.oddity(4) else self.any_code(slot)

    def supplied(self, slot: Slot) -> Any:
        """The code of a field that is not sent."""
        raw = self.code_in(Range(*slot.raw_limits))
        return {"raw": raw} if self.oddity(8) else raw

    def given(self, slot: Slot, raw: int) -> Any:
        """A code that fills itself, given all the same: plain or as {"raw": n}."""
        return {"raw": raw} if self.oddity(2) else slot.number_of(raw)

    def count(self, slot: Slot) -> Any:
        most = slot.number_limits[1] if slot.maximum_count is None else slot.maximum_count
        times = self.told[slot.number] = self.length(most)
        # An option that asks for the count may stand before the list, or instead of it.
        return self.given(slot, slot.code_of(times)) if slot.number in self.asked or self.oddity(8) else _OUT

    def zero(self, slot: Slot) -> Any:
        """Reserved bits: not given; or given as zero; or as other bits, where those are sent, and only reported."""
        if not slot.strict and slot.width and self.oddity(10):
            return self.any_code(slot)
        return self.given(slot, 0) if self.oddity(10) else _OUT

    def padding(self, slot: Slot) -> Any:
        """Bits that fill up, of whatever number: not given, or as zero."""
        return self.given(slot, 0) if self.oddity(10) else _OUT

    def flag(self, slot: Slot, may_lack: bool) -> Any:
        lacks = may_lack and (slot.number in self.raised or slot.default is not None)
        if lacks and self.oddity(3):
            return _OUT
        raw = self.chance.randint(0, 1)
        return {"raw": raw} if self.oddity(12) else raw == 1

    def teller(self, slot: Slot, may_lack: bool) -> Any:
        """A slot that says whether options are there: its code first, then a value that means it."""
        raw = self.told[slot.number] if slot.number in self.ahead else self.telling_code(slot)
        self.told[slot.number] = raw
        self.ahead.discard(slot.number)
        if slot.kind == "flag":
            if may_lack and self.oddity(3) and self.always_asked(slot):
                self.silent.add(slot.number)
                return _OUT
            self.silent.discard(slot.number)
            return {"raw": raw} if self.oddity(12) else raw == 1
        return self.telling(slot, raw)

    def telling(self, slot: Slot, raw: int) -> Any:
        """A value that means a code."""
        if slot.kind == "tag":
            return self.given(slot, raw)
        value, _, _ = number.from_raw(slot, raw)
        outcome = number.to_raw(slot, value)
        if self.oddity(12) or outcome.fault is not None or outcome.raw != raw:
            return {"raw": raw}
        return value

    def code_ahead(self, slot: Slot) -> int:
        """The code of a slot that is drawn before its turn, as something before it means what it says."""
        return self.ending_code(slot) if slot.number in self.ending else self.telling_code(slot)

    def ending_code(self, slot: Slot) -> int:
        """A code that says of the element being drawn whether it is the last."""
        codes = self.chance.choice(self.ending[slot.number])
        if slot.kind == "count":
            codes = Range(codes.low, min(codes.high, codes.low + self.most))
        return self.code_in(codes)

    def ender(self, slot: Slot, may_lack: bool) -> Any:
        """A slot that says whether its element is the last; a flag that does may be left out."""
        raw = self.told[slot.number] if slot.number in self.ahead else self.ending_code(slot)
        self.told[slot.number] = raw
        self.ahead.discard(slot.number)
        if slot.kind == "count":
            return self.given(slot, raw) if self.oddity(4) else _OUT
        if slot.kind == "flag":
            self.silent.discard(slot.number)
            return _OUT if may_lack and self.odds(2) else raw == 1
        return self.telling(slot, raw)

    def always_asked(self, slot: Slot) -> bool:
        """Whether a flag that is left out is sure to be filled in from an option: one in its own container asks for it."""
        inside = _siblings(self.layout.nodes, slot.number)
        return any(isinstance(node, Optional) and node.by == slot.number for node in inside)

    def telling_code(self, slot: Slot) -> int:
        asked_for = [codes for node in self.options if node.by == slot.number for codes in node.codes]
        for node in self.choices:
            if slot.number in node.told_by:
                at = node.told_by.index(slot.number)
                asked_for += [codes for branch in node.branches for codes in branch.codes[at]]
        asked_for += [codes for one in self.judged for codes in beside.asked(one, slot.number)]
        if slot.kind == "flag":
            return self.chance.randint(0, 1)
        if slot.number in self.factors:  # what it counts must be written out
            return self.chance.randint(0, min(4, slot.raw_limits[1]))
        allowed = slot.codes if slot.kind == "tag" else (Range(*slot.raw_limits),)
        if slot.kind != "tag" and self.odds(2):
            codes = self.chance.choice(asked_for)
            raw = self.code_in(codes)
            return codes.low if slot.is_continued and slot.number_of(raw) is None else raw
        raw = self.code_in(self.chance.choice(allowed))
        if slot.is_continued:
            low, high = slot.number_limits
            raw = slot.code_of(self.code_in(Range(max(low, -64), min(high, 200))))
        wanted = [code for codes in asked_for for code in (codes.low, codes.high)]
        inside = [code for code in wanted if any(code in codes for codes in allowed)]
        return self.chance.choice(inside) if inside and self.odds(2) else raw

    def code_in(self, codes: Range) -> int:
        """Return a code of a range, its ends and what is near zero often."""
        edges = [
            code for code in (0, 1, -1, codes.low, codes.high, codes.low + 1, codes.high - 1) if code in codes
        ]
        if edges and not self.odds(2):
            return self.chance.choice(edges)
        return self.chance.randint(codes.low, codes.high)

    # -- values ------------------------------------------------------------------------------------

    def value(self, slot: Slot, may_lack: bool, may_be_none: bool) -> Any:
        """Return a value for a number, float, states or tag slot, in any form that it takes."""
        if number.is_decode_only(slot):
            return {"raw": slot.code_of(self.code_in(self.chance.choice(slot.legal)))}
        forms: list[Callable[[Slot], Any]] = [self.plain] * 8
        if self.is_plain:
            forms += [_nothing] if slot.missing_code is not None and may_be_none else []
            forms += [self.measured] * 4 if slot.kind in ("number", "float") else []
            return self.chance.choice(forms)(slot)
        if slot.kind in ("number", "float"):
            forms += [self.between] * 4
        if slot.missing_code is not None and may_be_none:
            forms += [_nothing] * 2
        if slot.missing_code is not None:
            forms += [self.no_value] * len(slot.specials)
        if may_lack and (slot.default is not None or slot.missing_code is not None):
            forms += [_left_out]
        if slot.policy != "error" and slot.kind in ("number", "float") and self.may_clamp(slot):
            forms += [self.beyond] * 3
        if slot.kind != "tag":
            forms += [self.any_code] * (1 + len(slot.specials))
        return self.chance.choice(forms)(slot)

    def may_clamp(self, slot: Slot) -> bool:
        """Whether a flag that clamping would raise may be raised: not where it says that an option is absent."""
        return slot.raises is None or slot.raises not in self.asked or self.told.get(slot.raises) == 1

    def plain(self, slot: Slot) -> Any:
        """A value as decoding gives it."""
        if slot.kind == "tag":
            return self.given(slot, self.code_in(self.chance.choice(slot.codes)))
        if slot.kind == "time":
            return self.moment(slot)
        if isinstance(slot.transform, Ieee):
            return self.float_value(slot)
        if isinstance(slot.transform, Bundle):
            return self.samples(slot, slot.transform)
        if isinstance(slot.transform, Digits):
            return number.from_raw(slot, self.code_in(self.chance.choice(slot.legal)))[0]
        raw = self.code_in(self.chance.choice(slot.legal))
        if slot.kind == "states":
            named = [label for _, label in slot.states]
            return self.chance.choice(named) if not self.odds(4) else raw
        bounds = [one.low for one in slot.specials if one.meaning != "missing"]
        if bounds and self.odds(4):
            raw = self.chance.choice(bounds)
        return number.value_of(slot.transform, raw)

    def samples(self, slot: Slot, bundle: Bundle) -> list[Any]:
        """Samples within their steps, now and then one missing; where that is clamped, with larger steps too."""
        assert isinstance(bundle.sample.transform, Linear)
        (legal,) = bundle.sample.legal
        at = self.code_in(legal)
        wide = self.odds(3) and slot.policy == "clamp" and self.may_clamp(slot)
        made: list[Any] = []
        for _ in range(bundle.samples):
            exact: Any = number.value_of(bundle.sample.transform, at)
            if self.oddity(4):
                exact = number.between(bundle.sample.transform, at, self.chance.choice(_PARTS))
            made.append(None if bundle.has_missing and self.odds(5) else exact)
            step = self.code_in(Range(-bundle.largest, bundle.largest))
            at = self.code_in(legal) if wide else min(max(at + step, legal.low), legal.high)
        return (
            made
            if number.to_raw(slot, made).fault is None and self.lands(slot, made)
            else made[:1] * len(made)
        )

    def moment(self, slot: Slot) -> Any:
        """A time: one that decoding gives, near leap seconds and ends often."""
        raw = self.code_in(self.chance.choice(slot.legal))
        if self.odds(2) or slot.calendar is not None:  # few codes of which are days
            near = clock.moment_of(
                self.chance.choice(("2016-12-31T23:59:60Z", "2017-01-01T00:00:00Z", "2024-05-06T07:08:09Z"))
            )
            found = moments.raw_of(slot, near)
            raw = raw if found is None or not number.is_legal(slot, found) else found
        text = number.from_raw(slot, raw)[0]
        if not isinstance(text, str) or number.to_raw(slot, text).fault is not None:
            return {"raw": raw}
        return text

    def measured(self, slot: Slot) -> Any:
        """A number of the type that decoding gives, but not on a step: what an instrument says."""
        is_whole = isinstance(slot.transform, Linear) and slot.transform.is_integer
        return self.sent_as_is(slot, round if is_whole else float)

    def between(self, slot: Slot) -> Any:
        """A number that is rounded on its way, in any type."""
        forms: tuple[Callable[[Fraction], Any], ...] = (Fraction, float, _decimal)
        return self.sent_as_is(slot, self.chance.choice(forms))

    def sent_as_is(self, slot: Slot, form: Callable[[Fraction], Any]) -> Any:
        """A number between two codes in one form, if it is taken; else one that is on a step."""
        if isinstance(slot.transform, Ieee):
            exact = Fraction(self.float_value(slot))
            exact += Fraction(self.chance.randint(-3, 3), 1 << self.chance.randint(1, 60)) * (abs(exact) or 1)
        else:
            assert not isinstance(slot.transform, (Digits, Bundle, Chosen))
            raw, part = self.code_in(self.chance.choice(slot.legal)), self.chance.choice(_PARTS)
            exact = number.between(slot.transform, raw, part)
        try:
            value = form(exact)
        except OverflowError:
            return self.plain(slot)
        if number.to_raw(slot, value).fault is None and self.lands(slot, value):
            return value
        return self.plain(slot)

    def lands(self, slot: Slot, value: object) -> bool:
        """Whether a value is sent without raising a flag that must stay down."""
        return self.may_clamp(slot) or not number.to_raw(slot, value).clamped

    def beyond(self, slot: Slot) -> Any:
        """A number outside the range, or one whose code is reserved, where that is sent as something else."""
        low, high = number.value_limits(slot)
        if slot.specials and self.odds(2):
            special = self.chance.choice(slot.specials)
            code = self.chance.choice((special.low, special.high))
            if not number.has_value(slot.transform, code):
                return self.plain(slot)
            reserved = number.value_of(slot.transform, code)
            return reserved if number.to_raw(slot, reserved).fault is None else self.plain(slot)
        step = abs(slot.transform.scale) if isinstance(slot.transform, Linear) else Fraction(1)
        far = self.chance.choice((1, 2, 1000, 10**40))
        value = self.chance.choice(
            (Fraction(high) + step * far, Fraction(low) - step * far, float("inf"), float("-inf"))
        )
        return value if number.to_raw(slot, value).fault is None else self.plain(slot)

    def no_value(self, slot: Slot) -> Any:
        """The other ways of saying that there is no value: a reason, or NaN."""
        reasons = [one.reason for one in slot.specials if one.meaning == "missing" and one.reason]
        reasons = [word for word in reasons if number.to_raw(slot, word).fault is None]
        if reasons and self.odds(2):
            return self.chance.choice(reasons)
        if slot.kind == "states":
            return self.plain(slot)
        return float("nan") if not self.odds(3) else Decimal("NaN")

    def any_code(self, slot: Slot) -> Any:
        """Any raw code that its bits hold, legal or not; those with a meaning of their own often."""
        if slot.specials and self.odds(2):
            special = self.chance.choice(slot.specials)
            return {"raw": self.chance.choice((special.low, special.high))}
        if slot.is_continued:
            first = CODINGS[slot.coding].first
            if first is not None:
                return {"raw": self.code_in(Range(*self.chance.choice(first.forms).raws))}
            return {"raw": self.octets_that_go_on(slot.width // 8)}
        return {"raw": self.code_in(Range(*slot.raw_limits))}

    def octets_that_go_on(self, most: int) -> int:
        """The code of a number that goes on from octet to octet, in as few octets as there can be or in more."""
        raw = 0
        for _ in range(self.chance.randint(0, most - 1)):
            raw = raw << 8 | 0x80 | self.code_in(Range(0, 0x7F))
        return raw << 8 | self.code_in(Range(0, 0x7F))

    def float_value(self, slot: Slot) -> float:
        """A double for an IEEE slot: edges of its format and bounds, patterns at random."""
        assert isinstance(slot.transform, Ieee)
        low, high = ieee_bounds(slot)
        form = self.chance.randint(0, 3)
        if form < 2:
            found = self.chance.choice(
                (0.0, 1.0, -1.0, -0.0, 0.1, low, high, 65504.0, 2.0**-24, 2.0**-149, 5e-324, 1e38)
            )
        elif form == 2:
            found = float(number.value_of(slot.transform, self.chance.randint(0, (1 << slot.width) - 1)))
        else:
            found = low + (high / 2 - low / 2) * 2 * (self.chance.randint(0, 1 << 53) / (1 << 53))
        outcome = number.to_raw(slot, found)
        if found - found == 0 and outcome.fault is None and (not outcome.clamped or self.may_clamp(slot)):
            return found
        return low


def _nothing(slot: Slot) -> Any:
    """None, which the missing code is sent for."""
    return None


def _left_out(slot: Slot) -> Any:
    """No key at all."""
    return _OUT


def _decimal(exact: Fraction) -> Decimal:
    return Decimal(exact.numerator) / Decimal(exact.denominator)


def merge(made: dict[Any, Any], more: Any) -> None:
    """Put what a record holds of a measured part beside what its container holds already."""
    for key, value in more.items():
        if isinstance(value, dict) and isinstance(made.get(key), dict):
            merge(made[key], value)
        else:
            made[key] = value


def _fitting(text: str, octets: int) -> bytes:
    """The text's octets in UTF-8, as many as fit, filled up with a dot."""
    data = text.encode()[:octets].decode(errors="ignore").encode()
    return data + b"." * (octets - len(data))


def to_codes_or_none(joined: Joined, value: object, count: int | None) -> tuple[int, ...] | None:
    """The codes of a text, None where it cannot be sent."""
    try:
        return to_codes(joined, value, count)
    except Unfit:
        return None


def put(made: dict[Any, Any], path: tuple[str, ...], value: Any) -> None:
    """Put a value at a path of nested dicts, unless it is left out; the empty path is a bare container's own value."""
    if value is _OUT:
        return
    put_at(made, path, value)


def _siblings(nodes: tuple[Node, ...], number_of: int) -> tuple[Node, ...]:
    """The nodes of the container that a slot stands in."""
    for node in nodes:
        if any(slot.number == number_of for slot in slots_of(node)):
            return nodes
        for inner in bodies(node):
            found = _siblings(inner, number_of)
            if found:
                return found
    return ()
