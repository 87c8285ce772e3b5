"""Bugs put in on purpose, one at a time, each to be found by random schemas: the proof that the proof proves something.

A bug is an edit of packetkit's own source, such as somebody could make any day: it is applied to a private copy of the layout, the
codec and the checks, loaded beside the real ones, and put to the oracle's answers, which are worked out once. A bug that no longer
fits the source is a failure as well: then the table is to be mended, not the source.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.abc import Loader, MetaPathFinder
from importlib.machinery import ModuleSpec, PathFinder
from types import ModuleType
from typing import Any, TextIO

from packetkit.conformance import draw, faults, spoil
from packetkit.conformance.judge import agree
from packetkit.errors import DecodeError, EncodeError
from packetkit.fuzz import campaign, judges
from packetkit.schema.model import Frame

# What is loaded anew with a bug in it. Errors and the declared model stay: both sides speak of them.
PARTS = ("packetkit.layout", "packetkit.emit", "packetkit.codec", "packetkit.integrity")


@dataclass(frozen=True)
class Bug:
    """One bug: what somebody did, and where. module: below packetkit; old: the text that stands there once; new: the bug.

    judge: the codec that has it: `codec`, as users call it, or `walker`, which the fast one hands over to.
    """

    name: str
    module: str
    old: str
    new: str
    judge: str = "walker"


BUGS: tuple[Bug, ...] = (
    # -- value and raw code
    Bug(
        "ties are rounded down",
        "layout/number",
        "return (2 * (above * transform.denominator - transform.base * below) + step) // (2 * step)",
        "return -((step - 2 * (above * transform.denominator - transform.base * below)) // (2 * step))",
    ),
    Bug(
        "the offset is forgotten where the scale is below zero",
        "layout/number",
        "    exact = raw * transform.numerator + transform.base\n",
        "    exact = raw * transform.numerator + (transform.base if transform.numerator > 0 else 0)\n",
    ),
    Bug(
        "a whole value of a scaled field comes back as an integer",
        "layout/number",
        "    if transform.denominator == 1:\n        return exact\n",
        "    if exact % transform.denominator == 0:\n        return exact // transform.denominator\n",
    ),
    Bug(
        "clamping goes to the greatest code instead of the nearest",
        "layout/number",
        "    return Outcome(slot.code_of(near[1]), True)\n",
        "    return Outcome(slot.code_of(slot.legal[-1].high), True)\n",
    ),
    Bug(
        "clamping goes to the other end where the scale is below zero",
        "layout/number",
        "return _beyond(slot, (raw > last) is rises(slot.transform), value)",
        "return _beyond(slot, raw > last, value)",
    ),
    Bug(
        "clamping takes the code of this or less for this or more",
        "layout/number",
        'wanted = "at_least" if above else "at_most"',
        'wanted = "at_most" if above else "at_least"',
    ),
    Bug(
        "a value beyond the end is sent as the first code instead of refused",
        "layout/number",
        '    if slot.policy != "clamp":\n        return _by_policy(slot, end, value)\n',
        '    if slot.policy == "error":\n        return Outcome(slot.legal[0].low)\n',
    ),
    Bug(
        "the last code of a range is not missing",
        "layout/number",
        "        if special.low <= raw <= special.high:\n            if special.meaning",
        "        if special.low <= raw < max(special.high, special.low + 1):\n            if special.meaning",
    ),
    Bug(
        "a reason is sent as the first missing code",
        "layout/number",
        "            return Outcome(special.low)\n",
        "            return Outcome(slot.missing_code or 0)\n",
    ),
    Bug(
        "the sign of zero is lost",
        "layout/number",
        "value if isinstance(value, float) else nearest_double(exact)",
        "nearest_double(exact)",
    ),
    # -- codings
    Bug(
        "a number that goes on ends one group early",
        "layout/coding",
        "    while number := number >> GROUP:\n        groups.append(number & 0x7F)\n    return groups\n",
        "    while (number := number >> GROUP) > 1:\n        groups.append(number & 0x7F)\n    return groups\n",
    ),
    Bug(
        "a signed number that goes on forgets its sign",
        "layout/coding",
        "    return number - (1 << GROUP * len(groups)) if groups[-1] & 0x40 else number\n",
        "    return number\n",
    ),
    Bug(
        "a count or a length that goes on is taken for its octets",
        "codec/tree",
        "        number = self.slot.number_of(self.raw)\n",
        "        number = self.raw\n",
    ),
    Bug(
        "a digit above nine counts as one",
        "layout/coding",
        "return int(digits) if digits.isdecimal() else None",
        "return sum(int(digit, 16) * 10**at for at, digit in enumerate(reversed(digits)))",
    ),
    Bug(
        "Gray code is read as it is written",
        "layout/coding",
        "    while shift < width:\n",
        "    while shift < 2:\n",
    ),
    Bug(
        "generated code writes Gray code with the wrong neighbour",
        "codec/codes",
        "^ m >> 1)",
        "^ m >> 2)",
        "codec",
    ),
    Bug(
        "a clamped number is sent in plain binary",
        "layout/number",
        "return Outcome(slot.code_of(end) if bound is None else bound, True)",
        "return Outcome(end if bound is None else bound, True)",
    ),
    Bug(
        "the pieces of a split value are read as they lie",
        "codec/bits",
        "for at, width in pieces:\n        code = code << width | read",
        "for at, width in sorted(pieces):\n        code = code << width | read",
    ),
    Bug(
        "generated code forgets how far up a piece belongs",
        "codec/stretch",
        "made.append(Spot(piece, at + offset, lift=left))",
        "made.append(Spot(piece, at + offset, lift=0))",
        "codec",
    ),
    # -- what other fields say
    Bug(
        "a value counts wherever the field that says so is not zero",
        "layout/beside",
        "any(codes(slot.valid_when.by) in one for one in slot.valid_when.codes)",
        "codes(slot.valid_when.by) != 0",
    ),
    Bug(
        "a value counts whatever a field behind it says",
        "layout/beside",
        "slots = (replace(slot, **found.get(slot.number, {})) for slot in one.slots)",
        "slots = (replace(slot, **{**found.get(slot.number, {}), 'valid_when': slot.valid_when and "
        "(slot.valid_when if slot.valid_when.by >= 0 else None)}) for slot in one.slots)",
    ),
    Bug(
        "zero is sent for what does not count, whatever its missing code",
        "layout/beside",
        "return 0 if slot.missing_code is None else slot.missing_code",
        "return 0",
    ),
    Bug(
        "generated code gives a value by its first teller's first code alone",
        "codec/unpack",
        "test = told(self.layout.slots[slot.valid_when.by], slot.valid_when.codes)",
        "test = told(self.layout.slots[slot.valid_when.by], slot.valid_when.codes[:1])",
        "codec",
    ),
    Bug(
        "the first scale is taken whatever the field says that chooses it",
        "layout/slots",
        "linear for codes, linear in self.choices if codes.low <= code <= codes.high",
        "linear for codes, linear in self.choices if codes.low <= code",
    ),
    Bug(
        "generated code reads on the last scale whatever was chosen",
        "codec/unpack",
        "self.values.value(on_scale(slot, linear), name)",
        "self.values.value(on_scale(slot, slot.transform.choices[-1][1]), name)",
        "codec",
    ),
    # -- curves
    Bug(
        "half way between two codes of a curve the lesser is taken",
        "layout/curve",
        "return after if abs(there - wanted) <= abs(wanted",
        "return after if abs(there - wanted) < abs(wanted",
    ),
    Bug(
        "a falling curve is searched as a rising one",
        "layout/curve",
        "turn = 1 if curve.is_rising else -1",
        "turn = 1",
    ),
    Bug(
        "the square of a negative root is not negative",
        "layout/curve",
        "less = tuple(-term for term in terms)",
        "less = terms",
    ),
    Bug(
        "the line from one point to the next starts at code 0",
        "layout/curve",
        "(start - slope * first, slope)",
        "(start, slope)",
    ),
    # -- time
    Bug(
        "leap seconds are taken off twice",
        "layout/clock",
        "total -= AHEAD[at] if at >= 0 else 0",
        "total -= 2 * AHEAD[at] if at >= 0 else 0",
    ),
    Bug(
        "a count that began anew is taken for the first one",
        "layout/clock",
        "    if clock.reference is None:\n        return Fraction(0)",
        "    if True:\n        return Fraction(0)",
    ),
    Bug(
        "the parts of a time change places where the low octet comes first",
        "layout/clock",
        "for part in self.parts if widths_from_low_end else reversed(self.parts):",
        "for part in reversed(self.parts):",
    ),
    # -- what a field means
    Bug(
        "the usual missing code of a signed field is all ones",
        "layout/specials",
        "return low if slot.signed else high",
        "return -1 if slot.signed else high",
    ),
    Bug(
        "bits alone divide the range without leaving out the missing code",
        "layout/by_meaning",
        "n = (1 << one.bits) - 1 - reserved",
        "n = (1 << one.bits) - 1",
    ),
    Bug(
        "an unassigned code by meaning comes back as a number",
        "layout/numbers",
        "unassigned = counted and",
        "unassigned = not counted and",
    ),
    # -- places
    Bug(
        "order: little of a field is ignored",
        "layout/orders",
        '"low_octet_first": "little", None: one.order}',
        '"low_octet_first": "little", None: None}',
        "codec",
    ),
    Bug(
        "order: little of a group misses numbers of 16 bits",
        "layout/orders",
        "return width > 8",
        "return width > 16",
        "codec",
    ),
    Bug(
        "an option is there when its flag is false",
        "layout/conditions",
        "(Range(1, 1),)",
        "(Range(0, 0),)",
        "codec",
    ),
    Bug(
        "what follows a list to the end is taken for elements",
        "layout/ends",
        "node = replace(node, trailer_bits=behind.bits, trailers",
        "node = replace(node, trailer_bits=0, trailers",
        "codec",
    ),
    Bug(
        "what follows a list to the end is always taken to be there",
        "layout/model",
        "if all(by in raws and any(raws[by] in each for each in codes) for by, codes in one.told)",
        "if all(by in raws for by, codes in one.told)",
        "codec",
    ),
    Bug(
        "strict of the frame is ignored",
        "layout/single",
        "r.frame.strict)\n    return made, more",
        "False)\n    return made, more",
    ),
    # -- numbers whose first bits say their size
    Bug(
        "a number goes in the longest form that has it",
        "layout/first_bits",
        "form = min(holding, key=lambda form: form.bits)",
        "form = max(holding, key=lambda form: form.bits)",
        "codec",
    ),
    Bug(
        "codes of the first bits are no part of a number",
        "layout/first_bits",
        "return form.offset + (head - form.low << form.bits) + self._turned(rest, form.bits)",
        "return form.offset + self._turned(rest, form.bits)",
        "codec",
    ),
    Bug(
        "a first bit says one bit more",
        "codec/reading",
        "return first.bits + form.bits",
        "return first.bits + form.bits + 8 * (form.bits == 14)",
        "codec",
    ),
    Bug(
        "a number that tells something does so in its shortest form alone",
        "layout/conditions",
        "made += [Range(low, high) for low, high in codes]",
        "made += [Range(low, high) for low, high in codes[:1]]",
        "codec",
    ),
    # -- the calendar
    Bug(
        "the offset of a count is forgotten on the way in",
        "layout/calendar",
        "return None if spelled is None else self.offset + self.scale * spelled",
        "return None if spelled is None else self.scale * spelled",
        "codec",
    ),
    Bug(
        "the first day of a year is day 0",
        "layout/calendar",
        "else days - 1)",
        "else days)",
        "codec",
    ),
    # -- checks
    Bug(
        "a check's span is one byte short",
        "layout/spans",
        "            spans = [(pending.start, pending.spot)]",
        "            from dataclasses import replace\n"
        "            spot = pending.spot\n"
        "            short = replace(spot, bits=max(spot.bits - 8, 0), cursor=replace(spot.cursor, at=None))\n"
        "            spans = [(pending.start, short)]",
    ),
    Bug(
        "a check's own bits count as ones",
        "layout/spans",
        'one.self_rule or "zero"',
        'one.self_rule or "ones"',
    ),
    Bug(
        "what a check leaves out is covered",
        "layout/spans",
        "hole_end in holes:\n",
        "hole_end in holes[:0]:\n",
    ),
    Bug(
        "reflected octets are fed as they are written",
        "codec/bits",
        'return crc.compute(check.algorithm, joined.to_bytes(size, "little"))',
        'return crc.compute(check.algorithm, joined.to_bytes(size, "big"))',
    ),
    Bug(
        "the register keeps its reflection in a span of bits",
        "integrity/crc",
        "    if algorithm.reflect_out:\n        register = reflect(register, algorithm.width)\n    return register ^",
        "    return register ^",
    ),
    Bug(
        "a last octet is filled in front",
        "codec/bits",
        "(joined << (size * 8 - length)).to_bytes",
        "joined.to_bytes",
    ),
    Bug(
        "a check covers the bits of a word where they would be unturned",
        "emit/wire",
        "    if not words:\n        return [(start",
        "    if words is not None:\n        return [(start",
    ),
    # -- bits
    Bug(
        "the sign is taken one bit too high",
        "emit/wire",
        "code >> (slot.width - 1) else code",
        "code >> slot.width else code",
    ),
    Bug(
        "the octets of a word are not turned",
        "codec/bits",
        "part[at : at + size][::-1]",
        "part[at : at + size][::1]",
    ),
    # -- walking a frame
    Bug(
        "a count counts one too few",
        "codec/reading",
        "            count = scope.leaf(node.counted_by).number\n",
        "            count = max(scope.leaf(node.counted_by).number - 1, 0)\n",
    ),
    Bug("fill is not skipped", "codec/reading", "                at += width\n", "                at += 0\n"),
    Bug(
        "fill is always at its widest",
        "codec/assemble",
        "            width = -(at - start) % node.unit_bits\n",
        "            width = node.unit_bits - 1\n",
    ),
    Bug(
        "bytes left over are not seen",
        "codec/walk",
        "if exact and len(reading.data) != reading.used:",
        "if exact and len(reading.data) < reading.used:",
    ),
    Bug(
        "a check is looked at before the constants",
        "codec/walk",
        '"""The record, if these octets are this frame."""\n',
        '"""The record."""\n    if (early := _failed_check(reading)) and not salvage:\n        raise early\n',
    ),
    Bug(
        "a count above its maximum is taken",
        "codec/reading",
        "leaf.number > slot.maximum_count",
        "leaf.number > slot.number_limits[1]",
    ),
    Bug(
        "a clamped value does not raise its flag",
        "codec/assemble",
        "self.demands.of(flag).raised = True\n",
        "self.demands.of(flag).raised = False\n",
    ),
    Bug(
        "inner checks are computed after outer ones",
        "codec/assemble",
        "        for number in self.layout.check_order:\n            for leaf",
        "        for number in reversed(self.layout.check_order):\n            for leaf",
    ),
    Bug(
        "an unknown key inside a group is not seen",
        "codec/given",
        "elif isinstance(inner, dict) and isinstance(given[key], Mapping):",
        "elif isinstance(inner, str):",
    ),
    # -- what the ground works out
    Bug(
        "differences and quotients are taken the other way round",
        "layout/expression",
        'return f"finite({_text(tree.left, places)} {tree.sign} {_text(tree.right, places)})"',
        'return f"finite({_text(tree.right, places)} {tree.sign} {_text(tree.left, places)})"',
    ),
    Bug(
        "the least of several is the greatest",
        "layout/expression",
        '"root" if tree.function == "sqrt" else tree.function',
        '"root" if tree.function == "sqrt" else "max"',
    ),
    Bug(
        "a derived value of nothing is that of zero",
        "codec/derive",
        '            return None, f"no {name}"\n',
        "            found = 0\n",
    ),
    Bug(
        "a derived value in an element looks around the wrong element",
        "layout/derived",
        "operands.append(Operand(len(chain) - len(around), path))",
        "operands.append(Operand(0, path))",
    ),
    # -- bundles
    Bug(
        "a difference is against the sample that was wanted",
        "layout/bundle",
        "        first += step\n    _refuse",
        "        first = one\n    _refuse",
    ),
    Bug(
        "a missing sample counts as a step down",
        "layout/bundle",
        "            yield None, False\n        else",
        "            first += step\n            yield None, False\n        else",
    ),
    Bug(
        "a bundle's first missing sample has its code first",
        "layout/bundle",
        "reference = next((one for one in codes if one != missing), None)",
        "reference = codes[0] if any(one != missing for one in codes) else None",
    ),
    Bug(
        "a step that is too large is cut on its way up only",
        "layout/bundle",
        "bundle.largest if step > 0 else -bundle.largest, True",
        "bundle.largest, True",
    ),
    Bug(
        "differences under the low bit first are in the order of the high one",
        "layout/bundle",
        "range(base, base + count * width, width)",
        "range(base + (count - 1) * width, base - 1, -width)",
    ),
    Bug(
        "the octets of a bundle's first sample are not turned",
        "layout/bundle",
        "first, found = _reversed(first, base), [",
        "first, found = first, [",
    ),
    Bug(
        "the fast reader takes a missing difference for a number",
        "codec/bundled",
        "            if step == none:\n                codes.append(None)",
        "            if step == none and not codes:\n                codes.append(None)",
        "codec",
    ),
    # -- texts and octets
    Bug(
        "fill is stripped from the front of a text",
        "layout/joined",
        "while held and held[-1] == joined.fill:\n            held.pop()",
        "while held and held[0] == joined.fill:\n            held.pop(0)",
    ),
    Bug(
        "what ends a text belongs to it",
        "layout/joined",
        "held[: held.index(joined.ends_with)]",
        "held[: held.index(joined.ends_with) + 1]",
    ),
    Bug(
        "a short text that is filled is not ended",
        "layout/joined",
        "return (*codes, *end, *([after] * count))[:count]",
        "return (*codes, *([after] * count))[:count]",
    ),
    Bug(
        "a code without a character is passed over",
        "layout/joined",
        '"".join(known[code] for code in codes) if all(code in known for code in codes) else None',
        '"".join(known.get(code, "") for code in codes)',
    ),
    Bug(
        "the digits of a radix text come back in the other order",
        "layout/joined",
        "    if not digits.first_low:\n        found.reverse()",
        "    if digits.first_low:\n        found.reverse()",
    ),
    Bug(
        "a number that is no radix text loses its highest digit",
        "layout/joined",
        "    if raw >= base**digits.length:\n",
        "    if raw < 0:\n",
    ),
    # -- lengths
    Bug(
        "what a length says less is not added again",
        "layout/model",
        "return with_uncounted((number + self.less) * self.unit_bits, self.not_counted)",
        "return with_uncounted(number * self.unit_bits, self.not_counted)",
    ),
    Bug(
        "a length says more by what it is less",
        "layout/model",
        "return units - self.less, over + rest",
        "return units + self.less, over + rest",
    ),
    Bug(
        "fields may end before their length says",
        "codec/reading",
        "        if end != limit.end:\n",
        "        if end > limit.end:\n",
    ),
    Bug(
        "the trailer counts as bytes that remain",
        "codec/reading",
        "return self.stop() - self.behind(node, scope) - at > 0",
        "return self.stop() - at > 0",
    ),
    # -- variants and computed counts
    Bug(
        "only the first telling field tells a variant",
        "layout/model",
        "for raw, codes in zip(raws, branch.codes, strict=True)",
        "for raw, codes in zip(raws[:1], branch.codes, strict=False)",
    ),
    Bug(
        "a code without a variant means the last one",
        "layout/model",
        "    return node.unknown\n",
        "    return node.unknown or node.branches[-1]\n",
    ),
    Bug(
        "an unknown variant takes what follows it",
        "layout/ends",
        "replace(octets, trailer_bits=behind.bits), (over",
        "replace(octets, trailer_bits=0), (over",
    ),
    Bug(
        "a computed count forgets what is added to it",
        "layout/model",
        "    return count + node.plus\n",
        "    return count\n",
    ),
    Bug(
        "set bits of a computed count count by their place",
        "layout/model",
        'bin(raw).count("1") if factor.ones and not factor.in_list else raw',
        "raw",
    ),
    # -- what takes turns
    Bug(
        "turns are taken by the quotient",
        "layout/model",
        "raws = [raw % node.turn for raw in raws]",
        "raws = [raw // node.turn % len(node.branches) for raw in raws]",
    ),
    Bug(
        "generated: turns are taken by the quotient",
        "codec/source",
        'f"r{slot.number} % {node.turn}"',
        'f"r{slot.number} // {node.turn} % {node.turn}"',
        "codec",
    ),
    Bug(
        "a narrower variant in turn is not filled",
        "layout/turns",
        "_filled(variant, widest - low)",
        "_filled(variant, 0)",
    ),
    Bug(
        "a narrower variant in turn comes behind its zeros",
        "layout/turns",
        "fields.append(Field(",
        "fields.insert(0, Field(",
    ),
    Bug(
        "a variant that is not its turn is not ignored",
        "codec/given",
        "isinstance(value, Mapping) and len(value) > 1 and",
        "isinstance(value, Mapping) and len(value) > 9 and",
    ),
    # -- what is carried
    Bug(
        "a check of a carried frame covers what is before that",
        "layout/carried",
        "    into.start = into.spot()\n",
        "    into.start = around\n",
    ),
    Bug(
        "a carried frame's numbers have their low octet first",
        "layout/carried",
        'one.packing or "most_significant_first"), one.order)',
        'one.packing or "most_significant_first"), one.order or "little")',
    ),
    Bug(
        "zeros behind a carried frame end a byte early",
        "layout/carried",
        "range(0, bits, _WIDEST)",
        "range(0, bits - 8, _WIDEST)",
    ),
    # -- what is supplied
    Bug(
        "a supplied field takes a bit less than it has",
        "codec/walk",
        "leaf.raw = mixture & ((1 << leaf.width) - 1)",
        "leaf.raw = mixture & ((1 << leaf.width) - 1) >> 1",
    ),
    Bug(
        "a supplied field stands behind everything in a record",
        "codec/walk",
        "                made[key] = made.pop(key)\n\n\ndef _strict",
        "                made[key] = made[key]\n\n\ndef _strict",
    ),
    Bug(
        "a check is mixed with a code that lost its last bit",
        "codec/tree",
        "return other.raw & ((1 << other.width) - 1)",
        "return other.raw >> 1 & ((1 << other.width) - 1)",
    ),
    # -- what goes into a check besides its span
    Bug(
        "a code in front of a check loses its lowest bit",
        "codec/bits",
        "joined << size | code",
        "joined << size | code >> 1",
    ),
    Bug(
        "the frame's size in front of a check counts an octet less",
        "codec/tree",
        "code = len(frame) if one.by is None",
        "code = len(frame) - 1 if one.by is None",
    ),
    Bug(
        "a register starts from what the catalogue says",
        "codec/tree",
        "algorithm=replace(check.algorithm, init=first)",
        "algorithm=check.algorithm",
    ),
    Bug(
        "zero is sent as zero, whatever the schema says",
        "codec/tree",
        "if check.zero_as_ones and not value",
        "if check.zero_as_ones and value < 0",
    ),
    Bug(
        "a check that was not computed is held against the frame",
        "codec/walk",
        "if leaf.raw == check.not_computed or not is_known(leaf)",
        "if not is_known(leaf)",
    ),
    Bug(
        "listed bits are counted from zero",
        "integrity/sums",
        "sum(bits >> length - place for place in one)",
        "sum(bits >> length - place + 1 >> 0 for place in one)",
    ),
    Bug(
        "a block is a character longer than fits",
        "codec/reading",
        "count = min(count, node.maximum or 0) if node.as_fits",
        "count = min(count, (node.maximum or 0) + 1) if node.as_fits",
    ),
    # -- generated functions
    Bug(
        "generated: a signed code is not flipped",
        "codec/codes",
        "    return half(slot)\n\n\ndef _lift",
        "    return 0\n\n\ndef _lift",
        "codec",
    ),
    Bug(
        "generated: a scaled value is cut, not rounded",
        "codec/codes",
        "Fraction(1, 2) - Fraction(base, num) + _lift(slot)",
        "-Fraction(base, num) + _lift(slot)",
        "codec",
    ),
    Bug(
        "generated: two lists of one count may differ",
        "codec/taking",
        "        elif number in self.counted:\n            self.source.fail_unless(",
        "        elif number in self.counted:\n            str(",
        "codec",
    ),
)


# -- a private copy with one bug ---------------------------------------------------------------------------------


class DoesNotFitError(Exception):
    """An edit whose text does not stand in the source, once."""


class _Edited(Loader):
    def __init__(self, spec: ModuleSpec, bug: Bug) -> None:
        self.spec = spec
        self.bug = bug

    def create_module(self, spec: ModuleSpec) -> ModuleType | None:
        return None

    def exec_module(self, module: ModuleType) -> None:
        assert self.spec.origin is not None
        with open(self.spec.origin, encoding="utf-8") as stream:
            source = stream.read()
        if source.count(self.bug.old) != 1:
            raise DoesNotFitError(
                f"{self.bug.name}: its text stands {source.count(self.bug.old)} times in {self.bug.module}"
            )
        exec(compile(source.replace(self.bug.old, self.bug.new), self.spec.origin, "exec"), module.__dict__)


class _Finder(MetaPathFinder):
    def __init__(self, bug: Bug) -> None:
        self.bug = bug
        self.name = "packetkit." + bug.module.replace("/", ".")

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        found = PathFinder.find_spec(fullname, path) if fullname == self.name else None
        if found is None:
            return None
        made = ModuleSpec(fullname, _Edited(found, self.bug), origin=found.origin)
        made.has_location = True
        return made


def _private() -> dict[str, ModuleType]:
    return {name: module for name, module in sys.modules.items() if name.startswith(PARTS)}


@contextmanager
def with_bug(bug: Bug) -> Iterator[Callable[[Frame], Any]]:
    """Yield the function from a declared frame to (encode, decode) of a packetkit that has the bug."""
    import packetkit

    kept, finder = _private(), _Finder(bug)
    attributes = {name.rpartition(".")[2]: module for name, module in kept.items() if name in PARTS}
    for name in kept:
        del sys.modules[name]
    sys.meta_path.insert(0, finder)
    try:
        from packetkit.codec import frame, walk
        from packetkit.layout.resolve import resolve

        def codec(declared: Frame) -> Any:
            layout, _ = resolve(declared)
            if layout is None:
                return None
            if bug.judge == "codec":
                made = frame.Frame(layout)
                return made.encode, made.decode
            return (lambda record: walk.encode(layout, record)), (lambda data: walk.decode(layout, data))

        yield codec
    finally:
        sys.meta_path.remove(finder)
        for name in _private():
            del sys.modules[name]
        sys.modules.update(kept)
        for name, module in attributes.items():
            setattr(packetkit, name, module)


# -- the oracle's answers ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Question:
    """A record or bytes, and the oracle's answer."""

    subject: Any
    answer: Any


@dataclass(frozen=True)
class Sheet:
    """One random frame and questions about it."""

    number: int
    text: str
    declared: Frame
    questions: tuple[Question, ...]


def sheets(seed: int, count: int, records: int) -> Iterator[Sheet]:
    """Yield random frames with the oracle's answers about records, their bytes, and damage."""
    for number in range(count):
        chance = campaign.schema_seed(seed, number)
        drawn, mission = campaign.loaded(chance, Counter())
        for declared in mission.declared.frames:
            layout = mission.layouts[declared.name]
            oracle = judges.oracle(declared, layout)
            questions: list[Question] = []
            for at in range(records):
                record = draw.record(layout, chance)
                if at % 3 == 2:
                    record = spoil.spoilt(record, chance)
                data = oracle.encode(record)
                questions.append(Question(record, data))
                if isinstance(data, bytes) and data:
                    both = (data, faults.inject(data, chance).data)
                    questions += [Question(one, oracle.decode(one)) for one in both]
            yield Sheet(number, drawn.text, declared, tuple(questions))


class Sheets:
    """Random frames, drawn as far as somebody has asked for, and kept; those that have shown most bugs come first."""

    def __init__(self, seed: int, count: int = 200, records: int = 60) -> None:
        self._left = sheets(seed, count, records)
        self._drawn: list[Sheet] = []
        self.shown: Counter[int] = Counter()  # bugs by the place of the sheet that showed them

    def __iter__(self) -> Iterator[Sheet]:
        at = len(self._drawn)
        yield from sorted(self._drawn, key=lambda sheet: -self.shown[sheet.number])
        while True:
            while at < len(self._drawn):
                yield self._drawn[at]
                at += 1
            try:
                self._drawn.append(next(self._left))
            except StopIteration:
                return


def found_at(bug: Bug, drawn: Sheets) -> int | None:
    """Return the number of a schema in which a bug shows, counted from 1, or None. Raises DoesNotFitError."""
    with with_bug(bug) as codec_of:
        for sheet in drawn:
            if shows(codec_of, sheet):
                drawn.shown[sheet.number] += 1
                return sheet.number + 1
    return None


def shows(codec_of: Callable[[Frame], Any], sheet: Sheet) -> bool:
    """Whether a codec answers a question about a frame otherwise than the oracle, or does not answer."""
    try:
        codec = codec_of(sheet.declared)
    except DoesNotFitError:
        raise
    except Exception:  # noqa: BLE001  # a resolver that breaks has shown its bug
        return True
    if codec is None:
        return True
    return any(
        not agree(one.answer, answer(codec, one.subject), reasons=not isinstance(one.answer, bytes))
        for one in sheet.questions
    )


def answer(codec: Any, subject: Any) -> Any:
    """What a codec says about a record or about bytes."""
    encode, decode = codec
    try:
        return decode(subject) if isinstance(subject, bytes) else encode(subject)
    except EncodeError:
        return "refused"
    except DecodeError as no:
        return no.reason
    except Exception as error:  # noqa: BLE001  # whatever it is, it is no answer
        return error


def seeded_bugs(seed: int, out: TextIO, schemas: int = 200, records: int = 60) -> int:
    """Return how many of the bugs are not found within so many random schemas; name each with the schema that found it."""
    drawn, lost = Sheets(seed, schemas, records), 0
    for bug in BUGS:
        try:
            at = found_at(bug, drawn)
        except DoesNotFitError as error:
            out.write(f"does not fit any more  {error}\n")
            lost += 1
            continue
        lost += at is None
        out.write(f"{'not found' if at is None else f'schema {at:3}'}  {bug.name}\n")
        out.flush()
    out.write(f"{len(BUGS) - lost} of {len(BUGS)} bugs found within {schemas} schemas of {records} records\n")
    return lost


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"seeded_bugs": seeded_bugs}
