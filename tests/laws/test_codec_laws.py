"""The generated functions, the walker, and a judge that writes frames as strings of '0' and '1' agree on made-up layouts.

The judge is in this file and uses nothing of packetkit/codec or number.py: it places bits one by one, scales in fractions, and runs
its own bitwise CRC. Layouts are built here by hand, node by node, so that packings, fills, options, lists and checks
meet in ways that no schema of today's would.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from packetkit.codec import walk
from packetkit.codec.frame import Frame
from packetkit.errors import DecodeError, EncodeError
from packetkit.integrity import catalog
from packetkit.integrity.algorithm import Algorithm
from packetkit.layout.model import Fill, Layout, Node, Optional, Repeat, Run
from packetkit.layout.roundtrip import roundtrips
from packetkit.layout.slots import Check, Ieee, Linear, Mark, Packing, Range, Slot, Special

WORDS = {16: Packing.WORD_16, 32: Packing.WORD_32, 64: Packing.WORD_64}
CRCS = [
    catalog.find(name)
    for name in (
        "CRC-16/IBM-3740",
        "CRC-16/MODBUS",
        "CRC-32/ISO-HDLC",
        "CRC-8/SMBUS",
        "CRC-5/USB",
        "CRC-24/OPENPGP",
    )
]
QUIET = {16: 0x7E00, 32: 0x7FC00000, 64: 0x7FF8000000000000}


# -- layouts, made at random -----------------------------------------------------------------------


@dataclass
class Phase:
    """Where the next bit goes: a constant, or its remainder modulo 8, or neither."""

    at: int | None = 0
    over: int | None = 0

    def plus(self, bits: int) -> Phase:
        return Phase(
            None if self.at is None else self.at + bits, None if self.over is None else (self.over + bits) % 8
        )


@dataclass
class Builder:
    """A layout under construction."""

    chance: random.Random
    low_first: bool
    slots: list[Slot | None] = field(default_factory=list)
    nodes: int = 0
    names: int = 0
    tellers: list[int] = field(default_factory=list)

    def number(self) -> int:
        self.nodes += 1
        return self.nodes - 1

    def name(self) -> str:
        self.names += 1
        return f"x{self.names}"

    @property
    def packing(self) -> Packing:
        return Packing.LEAST if self.low_first else Packing.MOST

    def slot(self, kind: str, width: int, path: tuple[str, ...], prefix: str, **more: Any) -> Slot:
        made = Slot(len(self.slots), path, prefix + ".".join(path), kind, 0, width, **more)
        self.slots.append(made)
        return made

    def any_slot(self, path: tuple[str, ...], prefix: str) -> Slot:
        chance = self.chance
        kind = chance.choice(
            ["number"] * 6 + ["float", "states", "flag", "flag", "constant", "tag", "reserved"]
        )
        if kind == "number":
            return self.a_number(path, prefix)
        if kind == "float":
            bits = chance.choice([16, 32, 64])
            bounded: dict[str, Any] = (
                {"minimum": Fraction(-1, 10), "maximum": Fraction(1000, 3)} if chance.random() < 0.4 else {}
            )
            missing = (Special(QUIET[bits], QUIET[bits], "missing"),) if chance.random() < 0.5 else ()
            return self.slot(
                kind,
                bits,
                path,
                prefix,
                transform=Ieee(bits),
                specials=missing,
                octets_reversed=chance.random() < 0.3,
                policy=chance.choice(["error", "clamp"]),
                **bounded,
            )
        if kind == "states":
            width = chance.choice([1, 2, 3, 5, 13])
            known = sorted(chance.sample(range(1 << width), min(1 << width, 3)))
            return self.slot(
                kind,
                width,
                path,
                prefix,
                states=tuple((code, f"s{code}") for code in known),
                legal=(Range(0, (1 << width) - 1),),
            )
        if kind == "flag":
            return self.slot(kind, 1, path, prefix, legal=(Range(0, 1),))
        width = chance.choice([1, 3, 4, 8, 11, 16, 24])
        top = (1 << width) - 1
        if kind == "constant":
            code = chance.randint(0, top)
            return self.slot(
                chance.choice(["constant", "sync"]), width, path, prefix, codes=(Range(code, code),)
            )
        if kind == "tag" and (width <= 3 or chance.random() < 0.3):
            code = chance.randint(0, top)
            return self.slot(kind, width, path, prefix, codes=(Range(code, code),))
        if kind == "tag":
            low = chance.randint(0, top - 3)
            return self.slot(kind, width, path, prefix, codes=(Range(low, low + 1), Range(low + 3, low + 3)))
        return self.slot("reserved", width, path, prefix, strict=chance.random() < 0.3)

    def a_number(self, path: tuple[str, ...], prefix: str) -> Slot:
        chance = self.chance
        width = chance.choice(
            [1, 2, 3, 4, 5, 7, 8, 8, 9, 11, 12, 12, 13, 16, 16, 17, 24, 25, 31, 32, 33, 40, 48, 63, 64]
        )
        signed = chance.random() < 0.4
        scale = chance.choice(
            [
                Fraction(1),
                Fraction(1),
                Fraction(3),
                Fraction(-2),
                Fraction(1, 10),
                Fraction(-1, 100),
                Fraction(3, 7),
                Fraction(1, 64),
                Fraction(45, 1 << 22),
            ]
        )
        offset = chance.choice(
            [Fraction(0), Fraction(0), Fraction(-40), Fraction(1, 3), Fraction(5, 2), Fraction(1000)]
        )
        den = (scale + offset * 0).denominator * offset.denominator
        transform = Linear(int(scale * den), int(offset * den), den)
        if den != 1 and (scale.denominator == 1 and offset.denominator == 1):
            transform = Linear(int(scale), int(offset), 1)
        low, high = Slot(0, (), "", "number", 0, width, signed=signed).raw_limits
        specials: list[Special] = []
        first, last = low, high
        for _ in range(chance.choice([0, 0, 1, 2])):
            if last - first < 3:
                break
            meaning = chance.choice(["missing", "missing", "at_least"])
            if chance.random() < 0.5:
                specials.append(
                    Special(last, last, meaning, chance.choice(["", "off"]) if meaning == "missing" else "")
                )
                last -= 1
            else:
                specials.append(Special(first, first, "missing"))
                first += 1
        by_meaning = chance.random() < 0.3 and last - first > 4
        legal: tuple[Range, ...] = (Range(first, last),)
        if by_meaning:
            legal = (Range(first, last - 2),)
        elif chance.random() < 0.2 and last - first > 9:
            legal = (Range(first + 1, first + 3), Range(first + 5, last - 1))
        policy = chance.choice(
            [
                "error",
                "error",
                "clamp",
                "missing" if any(s.meaning == "missing" for s in specials) else "error",
            ]
        )
        made = self.slot(
            "number", width, path, prefix, signed=signed, transform=transform, specials=tuple(specials), legal=legal,
            unassigned=by_meaning, policy=policy, octets_reversed=width % 8 == 0 and width > 8 and chance.random() < 0.4,
            default=legal[0].low if chance.random() < 0.1 else None, unit=chance.choice(["", "V"]),
        )  # fmt: skip
        flags = [one for one in self.tellers if (slot := self.slots[one]) is not None and slot.kind == "flag"]
        if policy == "clamp" and flags and chance.random() < 0.5:
            made = replace(made, raises=chance.choice(flags))
            self.slots[-1] = made
        if not roundtrips(made):
            made = replace(made, transform=Linear(1, 0, 1))
            self.slots[-1] = made
        return made

    def run(self, slots: list[Slot], phase: Phase, packing: Packing | None = None) -> tuple[Run, Phase]:
        placed, at = [], 0
        for one in slots:
            one = replace(one, offset_bits=at)
            self.slots[one.number] = one
            placed.append(one)
            at += one.width
        run = Run(self.number(), phase.at, phase.over, at, packing or self.packing, tuple(placed))
        return run, phase.plus(at)

    def a_run(self, phase: Phase, prefix: str, most: int = 5) -> tuple[Run, Phase]:
        chance = self.chance
        group = (self.name(),) if chance.random() < 0.3 else ()
        slots = [self.any_slot((*group, self.name()), prefix) for _ in range(chance.randint(1, most))]
        if not self.low_first and phase.over == 0 and chance.random() < 0.2:
            word = chance.choice([16, 32, 64])
            slots = [replace(one, octets_reversed=False) for one in slots]
            over = -sum(one.width for one in slots) % word
            if over:
                slots.append(self.slot("reserved", over, (*group, self.name()), prefix))
            return self.run(slots, phase, WORDS[word])
        self.tellers += [one.number for one in slots if one.kind in ("flag", "states", "tag", "number")]
        return self.run(slots, phase)

    def repeat(self, phase: Phase, prefix: str, depth: int) -> tuple[list[Node], Phase]:
        """A list, with the run that holds its count before it."""
        chance = self.chance
        before: list[Node] = []
        count, counter = chance.choice([None, None, chance.randint(1, 5)]), None
        if count is None:
            width = chance.choice([3, 4, 8, 16])
            counter = self.slot(
                "count",
                width,
                (self.name(),),
                prefix,
                maximum_count=chance.choice([None, 5]) if width < 16 else 9,
                octets_reversed=width == 16 and chance.random() < 0.7,
            )
            run, phase = self.run([counter], phase)
            before.append(run)
            self.tellers += [counter.number] if chance.random() < 0.3 else []
        name, number = self.name(), self.number()
        kept, self.tellers = self.tellers, list(self.tellers)
        bare = chance.random() < 0.4
        inner = f"{prefix}{name}[]."
        saved = (len(self.slots), self.nodes, self.names)
        state = chance.getstate()
        nodes: tuple[Node, ...] = ()
        low, high, after = 0, 0, phase
        for start in (phase if count == 1 else Phase(None, phase.over), Phase(None, None)):
            del self.slots[saved[0] :]
            self.tellers = list(kept)
            self.nodes, self.names = saved[1], saved[2]
            chance.setstate(state)
            nodes, low, high, after = self.body(start, inner, bare, depth)
            if after.over == start.over:
                break
        self.tellers = kept
        most = (
            count
            if count is not None
            else min(counter.maximum_count or 255, (1 << counter.width) - 1)
            if counter
            else None
        )
        node = Repeat(
            number, (name,), prefix + name, phase.at, phase.over, count, counter.number if counter else None,
            most, 0, nodes, low, high, bare,
        )  # fmt: skip
        if node.is_fixed and phase.at is not None and count is not None:
            return [*before, node], phase.plus(count * low)
        return [*before, node], Phase(None, after.over if after.over == phase.over else None)

    def body(
        self, phase: Phase, prefix: str, bare: bool, depth: int
    ) -> tuple[tuple[Node, ...], int, int, Phase]:
        if bare:
            slot = self.a_number((), prefix[:-1])
            run, after = self.run([slot], phase)
            return (run,), run.size_bits, run.size_bits, after
        return self.container(phase, prefix, depth + 1)

    def optional(self, phase: Phase, prefix: str, depth: int) -> tuple[Optional, Phase]:
        chance = self.chance
        by = self.slots[chance.choice(self.tellers)]
        assert by is not None
        codes = self.telling(by)
        name, number = self.name(), self.number()
        bare = chance.random() < 0.4
        kept, self.tellers = self.tellers, list(self.tellers)
        body, low, high, after = self.body(phase, f"{prefix}{name}.", bare, depth)
        self.tellers = kept
        made = Optional(
            number, (name,), prefix + name, phase.at, phase.over, by.number, codes, body, low, high, bare
        )
        return made, Phase(None, phase.over if after.over == phase.over else None)

    def telling(self, by: Slot) -> tuple[Range, ...]:
        """Some codes of a slot: an option is there when it has one of them."""
        if by.kind == "flag":
            return (Range(1, 1),)
        if by.kind == "states":
            return (Range(by.states[0][0], by.states[0][0]),)
        some = self.chance.choice(by.codes or by.legal or (Range(0, 2),))
        middle = (some.low + some.high) // 2
        return tuple(sorted({Range(some.low, some.low), Range(middle, some.high)}, key=lambda one: one.low))[
            -2:
        ]

    def container(self, phase: Phase, prefix: str, depth: int) -> tuple[tuple[Node, ...], int, int, Phase]:
        chance = self.chance
        nodes: list[Node] = []
        low = high = 0
        leads = not depth and chance.random() < 0.15
        if leads:
            if chance.random() < 0.7:
                run, phase = self.a_run(phase, prefix, 2)
                nodes.append(run)
            run, phase = self.leading_check(phase)
            nodes.append(run)
            low = high = sum(node.size_bits for node in nodes if isinstance(node, Run))
        if chance.random() < 0.3 and depth:
            return self.plain(phase, prefix)
        for _ in range(chance.randint(1, 4)):
            what = chance.choice(["run", "run", "repeat", "optional", "fill"])
            if what == "repeat" and depth < 3:
                made, phase = self.repeat(phase, prefix, depth)
                nodes += made
                for one in made:
                    if isinstance(one, Run):
                        low, high = low + one.size_bits, high + one.size_bits
                    elif isinstance(one, Repeat):
                        least = one.count if one.count is not None else 0
                        low += least * one.minimum_bits
                        high += (one.maximum or 0) * one.maximum_bits
            elif what == "optional" and depth < 3 and self.tellers:
                option, phase = self.optional(phase, prefix, depth)
                nodes.append(option)
                high += option.maximum_bits
            elif what == "fill" and phase.over is None:
                unit = chance.choice([8, 16])
                slot = self.slot("reserved", unit - 1, (self.name(),), prefix, strict=chance.random() < 0.3)
                nodes.append(Fill(self.number(), unit, slot, self.packing))
                phase, high = Phase(None, 0), high + unit - 1
            else:
                run, phase = self.a_run(phase, prefix)
                nodes.append(run)
                low, high = low + run.size_bits, high + run.size_bits
        if depth and low == 0:
            run, phase = self.a_run(phase, prefix)
            nodes.append(run)
            low, high = low + run.size_bits, high + run.size_bits
        if not leads and chance.random() < (0.15 if depth else 0.7):
            run, phase = self.check(nodes, phase, prefix)
            nodes.append(run)
            low, high = low + run.size_bits, high + run.size_bits
        return tuple(nodes), low, high, phase

    def plain(self, phase: Phase, prefix: str) -> tuple[tuple[Node, ...], int, int, Phase]:
        run, phase = self.a_run(phase, prefix, 3)
        return (run,), run.size_bits, run.size_bits, phase

    def check(self, before: list[Node], phase: Phase, prefix: str) -> tuple[Run, Phase]:
        """A check over all of its container before it; outermost also over a part of that, or over all with itself inside."""
        chance = self.chance
        here = Mark(self.nodes, 0, phase.at)
        spans = [(Mark(before[0].number, 0, None), here)] if before else [(here, here)]
        own = None
        aligned = phase.over == 0 and not prefix
        style = chance.random() if not prefix else 1
        inner = [node for node in before[1:] if not isinstance(node, Fill) and _over(node) is not None]
        if style < 0.4:
            own = chance.choice(["zero", "ones", "skip"])
            spans = [(spans[0][0], Mark(-1, 0, None))]
        elif style < 0.7 and inner:
            middle = chance.choice(inner)
            mark = Mark(middle.number, 0, None)
            aligned = _over(middle) == 0 and (phase.over == 0 or chance.random() < 0.5)
            after = aligned and phase.over == 0 and chance.random() < 0.5
            spans = [(mark, here)] if after else [(spans[0][0], mark)]
        return self.check_run(tuple(spans), own, aligned, phase, prefix)

    def leading_check(self, phase: Phase) -> tuple[Run, Phase]:
        """A check over all that follows it."""
        algorithm = self.chance.choice(CRCS)
        number = self.nodes
        spans = ((Mark(number, algorithm.width, None), Mark(-1, 0, None)),)
        return self.check_run(spans, None, phase.over == 0, phase, "", algorithm)

    def check_run(
        self,
        spans: tuple[tuple[Mark, Mark], ...],
        own: str | None,
        aligned: bool,
        phase: Phase,
        prefix: str,
        algorithm: Algorithm | None = None,
    ) -> tuple[Run, Phase]:
        chance = self.chance
        algorithm = algorithm or chance.choice(CRCS)
        # Only where whole octets are certain may the order of bits on the wire be another than that of the algorithm.
        certain = aligned and algorithm.width % 8 == 0
        if algorithm.reflect_in is not self.low_first and not certain:
            algorithm = replace(algorithm, reflect_in=self.low_first, reflect_out=self.low_first)
        check = Check(algorithm, spans, own, False, not certain, self.low_first)
        reversal = algorithm.width > 8 and algorithm.width % 8 == 0 and chance.random() < 0.4
        slot = self.slot(
            "check",
            algorithm.width,
            (self.name(),),
            prefix,
            check=check,
            octets_reversed=reversal,
            bits_reversed=not reversal and chance.random() < 0.2,
        )
        return self.run([slot], phase)


def _over(node: Node) -> int | None:
    if isinstance(node, Fill):
        return None
    return node.residue if node.at is None else node.at % 8


def a_layout(seed: int) -> Layout:
    chance = random.Random(seed)
    made = Builder(chance, chance.random() < 0.3)
    first, low, high, phase = made.container(Phase(), "", 0)
    nodes = list(first)
    to_end = chance.random() < 0.15 and all(isinstance(node, Run) for node in nodes)
    if to_end:
        number, name = made.number(), made.name()
        run, _ = made.run(
            [made.a_number((), f"{name}[]")], Phase(None, phase.over if phase.over == 0 else None)
        )
        if run.size_bits % 8 or phase.over:
            run = replace(run, residue=None)
        size = run.size_bits
        nodes.append(
            Repeat(number, (name,), name, phase.at, phase.over, None, None, None, 0, (run,), size, size, True)
        )
        phase = Phase(None, phase.over if size % 8 == 0 else None)
    if phase.over is None:
        slot = made.slot("reserved", 7, ("last",), "")
        nodes.append(Fill(made.number(), 8, slot, made.packing))
        high += 7
    elif phase.over:
        last, phase = made.run([made.slot("reserved", 8 - phase.over, ("last",), "")], phase)
        nodes.append(last)
        low, high = low + last.size_bits, high + last.size_bits
    top = tuple(nodes)
    if to_end:
        after = 0
        for at in range(len(top) - 1, -1, -1):
            node = top[at]
            if isinstance(node, Run):
                after += node.size_bits
            elif isinstance(node, Repeat):
                nodes[at] = replace(node, trailer_bits=after)
                break
        top = tuple(nodes)
    slots = tuple(slot for slot in made.slots if slot is not None)
    order = tuple(
        slot.number
        for slot in sorted(
            (one for one in slots if one.check),
            key=lambda one: ("." not in one.address, one.number),  # inner ones first
        )
    )
    low_bits = -(-low // 8) * 8
    high_bits = None if to_end else -(-high // 8) * 8
    return Layout("made", top, slots, order, low_bits, high_bits, None, to_end, "")


# -- the judge -------------------------------------------------------------------------------------


@dataclass
class Judge:
    """One frame as a picture of bits: raw codes are chosen here, and everything expected follows from them."""

    layout: Layout
    chance: random.Random
    picture: list[str] = field(default_factory=list)  # by position as the packing numbers it
    least: list[bool] = field(default_factory=list)
    words: list[tuple[int, int, int]] = field(default_factory=list)
    checks: list[tuple[Slot, int, dict[int, int], dict[Any, Any], dict[Any, Any]]] = field(
        default_factory=list
    )
    damaged: bool = False

    def make(self) -> tuple[bytes, dict[str, Any], dict[str, Any]]:
        """A good frame, its plain record and its detail record."""
        plain: dict[Any, Any] = {}
        detail: dict[Any, Any] = {}
        self.nodes(self.layout.nodes, {}, {}, plain, detail)
        by_number = {
            number: [one for one in self.checks if one[0].number == number]
            for number in self.layout.check_order
        }
        for number in self.layout.check_order:
            for slot, at, starts, _, leaf in by_number[number]:
                raw = self.check(slot, at, starts)
                self.place(at, slot, raw)
                leaf.update(raw=raw, value=raw)
        return self.octets(), plain, detail

    def put(self, tree: dict[Any, Any], path: tuple[str, ...], value: Any) -> None:
        for key in path[:-1]:
            tree = tree.setdefault(key, {})
        tree[path[-1] if path else ()] = value

    def nodes(
        self, nodes: tuple[Node, ...], starts: dict[int, int], raws: dict[int, int], plain: Any, detail: Any
    ) -> None:
        for node in nodes:
            starts[node.number] = len(self.picture)
            if isinstance(node, Run):
                if node.packing.word_bits:
                    self.words.append(
                        (len(self.picture), len(self.picture) + node.size_bits, node.packing.word_bits)
                    )
                for slot in node.slots:
                    self.slot(slot, node.packing, starts, raws, plain, detail)
            elif isinstance(node, Fill):
                width = -len(self.picture) % node.unit_bits
                self.extend("0" * width, node.packing)
                if width:
                    self.put(detail, node.slot.path, {"raw": 0, "value": 0})
            elif isinstance(node, Repeat):
                self.repeat(node, starts, raws, plain, detail)
            else:
                assert isinstance(node, Optional) and node.by is not None
                there = any(raws[node.by] in one for one in node.codes)
                inner: dict[Any, Any] = {}
                inner_detail: dict[Any, Any] = {}
                if there:
                    self.nodes(node.body, starts, raws, inner, inner_detail)
                self.put(plain, node.path, (inner[()] if node.bare else inner) if there else None)
                self.put(
                    detail, node.path, (inner_detail[()] if node.bare else inner_detail) if there else None
                )

    def repeat(
        self, node: Repeat, starts: dict[int, int], raws: dict[int, int], plain: Any, detail: Any
    ) -> None:
        count = (
            node.count
            if node.count is not None
            else raws[node.counted_by]
            if node.counted_by is not None
            else None
        )
        if count is None:
            count = self.chance.randint(0, 5)
            # what is left over after the last element must not look like another one
            while (
                -(len(self.picture) + count * node.minimum_bits + node.trailer_bits) % 8 >= node.minimum_bits
            ):
                count += 1
        made, made_detail = [], []
        for _ in range(count):
            inner: dict[Any, Any] = {}
            inner_detail: dict[Any, Any] = {}
            self.nodes(node.element, dict(starts), dict(raws), inner, inner_detail)
            made.append(inner[()] if node.bare else inner)
            made_detail.append(inner_detail[()] if node.bare else inner_detail)
        self.put(plain, node.path, made)
        self.put(detail, node.path, made_detail)

    def slot(
        self,
        slot: Slot,
        packing: Packing,
        starts: dict[int, int],
        raws: dict[int, int],
        plain: Any,
        detail: Any,
    ) -> None:
        at = len(self.picture)
        self.extend("0" * slot.width, packing)
        raw = self.choose(slot)
        raws[slot.number] = raw
        leaf: dict[Any, Any] = {}
        self.put(detail, slot.path, leaf)
        if slot.check:
            self.checks.append((slot, at, starts, plain, leaf))
            return
        value, reason, note = self.value(slot, raw)
        leaf.update(raw=raw, value=value)
        leaf.update(
            {key: text for key, text in (("unit", slot.unit), ("reason", reason), ("note", note)) if text}
        )
        if slot.is_value:
            self.put(plain, slot.path, value)
        self.place(at, slot, raw)

    def choose(self, slot: Slot) -> int:
        chance = self.chance
        if slot.codes:
            codes = chance.choice(slot.codes)
            return chance.randint(codes.low, codes.high)
        if slot.kind in ("reserved", "check"):
            return (
                0
                if slot.kind == "check" or slot.strict or chance.random() < 0.8
                else chance.randint(0, slot.raw_limits[1])
            )
        if slot.kind == "count":
            return chance.randint(0, min(5, slot.raw_limits[1]))
        edges = [edge for codes in slot.legal for edge in (codes.low, codes.high)]
        edges += [edge for special in slot.specials for edge in (special.low, special.high)]
        if edges and chance.random() < 0.4:
            return chance.choice(edges)
        if slot.legal and chance.random() < 0.7:
            codes = chance.choice(slot.legal)
            return chance.randint(codes.low, codes.high)
        return chance.randint(*slot.raw_limits)

    def value(self, slot: Slot, raw: int) -> tuple[Any, str, str]:
        if slot.kind == "flag":
            return raw == 1, "", ""
        if slot.kind == "states":
            return dict(slot.states).get(raw, raw), "", ""
        if slot.kind == "float":
            return self.ieee(slot, raw)
        if slot.kind != "number":
            return raw, "", "not zero" if slot.kind == "reserved" and raw else ""
        assert isinstance(slot.transform, Linear)
        exact = Fraction(raw * slot.transform.numerator + slot.transform.base, slot.transform.denominator)
        number = int(exact) if slot.transform.denominator == 1 else float(exact)
        for special in slot.specials:
            if special.low <= raw <= special.high:
                if special.meaning == "missing":
                    return None, special.reason or "missing", ""
                return number, "", "at least"
        if any(one.low <= raw <= one.high for one in slot.legal):
            return number, "", ""
        return (None, "unassigned", "") if slot.unassigned else (number, "", "out_of_range")

    def ieee(self, slot: Slot, raw: int) -> tuple[Any, str, str]:
        """IEEE 754-2019, 3.4: sign, exponent, significand."""
        exponent_bits, fraction_bits = {16: (5, 10), 32: (8, 23), 64: (11, 52)}[slot.width]
        sign = -1 if raw >> (slot.width - 1) else 1
        exponent = raw >> fraction_bits & ((1 << exponent_bits) - 1)
        fraction = raw & ((1 << fraction_bits) - 1)
        bias = (1 << (exponent_bits - 1)) - 1
        if exponent == (1 << exponent_bits) - 1:
            return None, "missing" if fraction and slot.specials else "not finite", ""
        exact = Fraction(fraction + ((1 << fraction_bits) if exponent else 0)) * Fraction(2) ** (
            max(exponent, 1) - bias - fraction_bits
        )
        value = sign * float(exact)
        kind = {16: np.float16, 32: np.float32, 64: np.float64}[slot.width]  # rounds bounds, from outside
        above = slot.maximum is not None and value > float(kind(float(slot.maximum)))
        below = slot.minimum is not None and value < float(kind(float(slot.minimum)))
        return value, "", "out_of_range" if above or below else ""

    # bits

    def extend(self, text: str, packing: Packing) -> None:
        self.picture += text
        self.least += [packing is Packing.LEAST] * len(text)

    def place(self, at: int, slot: Slot, raw: int) -> None:
        text = f"{raw % (1 << slot.width):0{slot.width}b}"  # most significant bit first
        if slot.bits_reversed:
            text = text[::-1]
        if slot.octets_reversed:
            text = "".join(text[k : k + 8] for k in range(slot.width - 8, -1, -8))
        if self.least[at]:
            text = text[::-1]
        self.picture[at : at + slot.width] = text

    def wire(self, at: int) -> int:
        """Where a bit lies on the wire, counted octet by octet, by its packing's own order within one."""
        for start, end, word in self.words:
            if start <= at < end:
                place = (at - start) % word
                return at - place + (word // 8 - 1 - place // 8) * 8 + place % 8
        return at

    def octets(self) -> bytes:
        assert len(self.picture) % 8 == 0
        frame = bytearray(len(self.picture) // 8)
        for at, bit in enumerate(self.picture):
            lies = self.wire(at)
            if bit == "1":
                frame[lies // 8] |= 1 << (lies % 8 if self.least[at] else 7 - lies % 8)
        return bytes(frame)

    def check(self, slot: Slot, at: int, starts: dict[int, int]) -> int:
        assert slot.check is not None
        fed = []
        for start, stop in slot.check.spans:
            end = len(self.picture) if stop.node < 0 else starts[stop.node] + stop.bits
            for place in sorted(range(starts[start.node] + start.bits, end), key=self.wire):
                if at <= place < at + slot.width and slot.check.own:
                    if slot.check.own != "skip":
                        fed.append("1" if slot.check.own == "ones" else "0")
                else:
                    fed.append(self.picture[place])
        algorithm = slot.check.algorithm
        if algorithm.reflect_in is not slot.check.least_first:  # each octet turned round
            assert len(fed) % 8 == 0
            fed = [bit for k in range(0, len(fed), 8) for bit in fed[k : k + 8][::-1]]
        return bitwise_crc(algorithm, fed)


def bitwise_crc(algorithm: Algorithm, fed: list[str]) -> int:
    """The textbook shift register, bits in the order given."""
    register, top = algorithm.init, algorithm.width - 1
    for bit in fed:
        feedback = register >> top ^ int(bit)
        register = (register << 1) % (1 << algorithm.width) ^ (algorithm.poly if feedback else 0)
    if algorithm.reflect_out:
        register = int(f"{register:0{algorithm.width}b}"[::-1], 2)
    return register ^ algorithm.final_xor


# -- the laws --------------------------------------------------------------------------------------

seeds = st.integers(0, 1 << 32)


def same(left: object, right: object) -> bool:
    """Equal, of the same types, zeros of the same sign."""
    return repr(left) == repr(right)


@contextmanager
def without_walker() -> Iterator[None]:
    """What happens inside must need no walker: it is right and common."""

    def refuse(*arguments: object, **keywords: object) -> None:
        raise AssertionError("the walker was asked")

    with pytest.MonkeyPatch.context() as patch:
        for name in ("decode", "decode_from", "encode"):
            patch.setattr(walk, name, refuse)
        yield


def outcome(function: Any, *arguments: Any) -> str:
    """What a function gives, or the whole of what it raises."""
    try:
        return repr(function(*arguments))
    except DecodeError as error:
        return f"{type(error).__name__} {error} {error.path} {error.bit}"
    except EncodeError as error:
        return repr(error.faults)


@given(seeds)
@settings(max_examples=400)
def test_a_good_frame_decodes_to_what_the_judge_put_into_it(seed: int) -> None:
    layout = a_layout(seed)
    frame, plain, detail = Judge(layout, random.Random(seed)).make()
    codec = Frame(layout)
    assert same(walk.decode(layout, frame), plain)
    with without_walker():
        assert same(Frame(layout).decode(frame), plain)
    assert same(codec.decode(memoryview(bytearray(frame))), plain)
    assert same(codec.decode(frame, detail=True), detail)
    assert codec.encode(detail) == frame
    if not layout.runs_to_end:
        assert same(codec.decode_from(b"\xa5\x5a" + frame + b"\xff\x00\xff", 2), (plain, len(frame)))


@given(seeds)
@settings(max_examples=300)
def test_a_record_encodes_to_the_frame_it_came_from(seed: int) -> None:
    layout = a_layout(seed)
    chance = random.Random(seed)
    codec = Frame(layout)
    for _ in range(3):
        _, plain, _ = Judge(layout, chance).make()
        before = repr(plain)
        slow = outcome(walk.encode, layout, plain)
        assert outcome(codec.encode, plain) == slow
        assert repr(plain) == before
        if slow.startswith("b"):
            if not any(
                slot.raises is not None for slot in layout.slots
            ):  # clamping that raises a flag is the walker's
                with without_walker():
                    assert outcome(codec.encode, plain) == slow
            again = codec.decode(codec.encode(plain))
            assert outcome(codec.encode, again) == slow  # reserved bits aside, nothing is lost


@given(seeds)
@settings(max_examples=300)
def test_damaged_frames_get_the_same_answer_from_both_and_nothing_else_is_raised(seed: int) -> None:
    layout = a_layout(seed)
    chance = random.Random(seed)
    codec = Frame(layout)
    frame, _, _ = Judge(layout, chance).make()
    for _ in range(8):
        bad = bytearray(frame)
        for _ in range(chance.choice([0, 1, 1, 3])):
            if bad:
                bad[chance.randrange(len(bad))] ^= 1 << chance.randrange(8)
        cut = bytes(bad[: chance.choice([len(bad), len(bad), chance.randint(0, len(bad))])]) + bytes(
            chance.choice([0, 0, 1, 9])
        )
        assert outcome(codec.decode, cut) == outcome(walk.decode, layout, cut)
        assert outcome(codec.decode_from, cut, 0) == outcome(walk.decode_from, layout, cut, 0)
        list_or_error = outcome(lambda data: list(walk.items(layout, data)), cut)
        assert list_or_error


ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 7.0, 0.1, -0.5, 1e300, float("nan"), float("inf"), -float("inf"), "x", "off", "s0", [], {}, 3.5,
    Fraction(1, 3), 10**30, b"a", (), {"raw": 1}, {"raw": True}, {"raw": 10**9},
)  # fmt: skip


def spoiled(record: Any, chance: random.Random) -> Any:
    """A copy of a record with something odd somewhere, or nothing."""
    if isinstance(record, Mapping):
        made = dict(record)
        for key in list(made):
            roll = chance.random()
            if roll < 0.03:
                del made[key]
            elif roll < 0.08:
                made[key] = chance.choice(ODD)
            else:
                made[key] = spoiled(made[key], chance)
        if chance.random() < 0.05:
            made[chance.choice(["x1", "zz", "x3"])] = chance.choice(ODD)
        return made
    if isinstance(record, list):
        made_list = [spoiled(one, chance) for one in record]
        return chance.choice(
            [
                made_list,
                made_list,
                made_list,
                tuple(made_list),
                [*made_list, chance.choice(ODD)],
                made_list[:-1],
            ]
        )
    if isinstance(record, float) and chance.random() < 0.5:
        return record + chance.choice([0.05, 0.005, 1e-9, -1e-15 * abs(record), 100.0])
    if isinstance(record, int) and not isinstance(record, bool) and chance.random() < 0.3:
        return chance.choice([float(record), record + 1, Fraction(record), record + 0.5, -record])
    return record


@given(seeds)
@settings(max_examples=400)
def test_odd_records_get_the_same_answer_from_both_and_nothing_else_is_raised(seed: int) -> None:
    layout = a_layout(seed)
    chance = random.Random(seed)
    codec = Frame(layout)
    for _ in range(4):
        _, plain, _ = Judge(layout, chance).make()
        odd = spoiled(plain, chance)
        before = repr(odd)
        assert outcome(codec.encode, odd) == outcome(walk.encode, layout, odd)
        assert repr(odd) == before


def alone(slot: Slot) -> Frame:
    """The codec of a frame that is one number and what fills its last octet."""
    rest = Slot(1, ("rest",), "rest", "reserved", slot.width, -slot.width % 8)
    slots = (slot, rest) if rest.width else (slot,)
    size = -(-slot.width // 8) * 8
    return Frame(
        Layout(
            "alone", (Run(0, 0, 0, size, Packing.MOST, slots),), slots, (), size, size, slot.width, False, ""
        )
    )


steps = st.sampled_from(
    [
        Fraction(1, 10),
        Fraction(-1, 100),
        Fraction(45, 1 << 22),
        Fraction(3, 7),
        Fraction(1, 3),
        Fraction(10**9, 7),
        Fraction(1, 10**6),
    ]
) | st.fractions(Fraction(-1000), Fraction(1000), max_denominator=10**4).filter(bool)
offsets = st.sampled_from(
    [Fraction(0), Fraction(-40), Fraction(1000), Fraction(1, 3), Fraction(5, 2)]
) | st.fractions(Fraction(-(10**6)), Fraction(10**6), max_denominator=1000)


@given(
    st.integers(1, 64),
    st.booleans(),
    steps,
    offsets,
    st.lists(st.integers(0, 1 << 64), min_size=1, max_size=6),
    st.integers(-3, 3),
)
@settings(max_examples=1500)
def test_numbers_are_exact_however_near_a_tie_or_the_end_of_a_double(
    width: int, signed: bool, step: Fraction, offset: Fraction, picks: list[int], away: int
) -> None:
    """Decoded: the exact number, rounded once. Encoded: WIRE.md rule 4 in fractions, for doubles at ties and beside them."""
    den = math.lcm(step.denominator, offset.denominator)
    slot = Slot(
        0, ("x",), "x", "number", 0, width, signed=signed, transform=Linear(int(step * den), int(offset * den), den)
    )  # fmt: skip
    low, high = slot.raw_limits
    slot = replace(slot, legal=(Range(low, high),))
    if not roundtrips(slot):
        return
    codec = alone(slot)
    for raw in {low, high, *(low + pick % (high - low + 1) for pick in picks)}:
        frame = ((raw % (1 << width)) << -width % 8).to_bytes(-(-width // 8), "big")
        exact = offset + step * raw
        value = codec.decode(frame)["x"]
        assert same(value, int(exact) if den == 1 else float(exact) + 0.0)
        assert codec.encode({"x": value}) == frame
        near = float(exact + step / 2)
        for _ in range(abs(away)):
            near = math.nextafter(near, math.inf if away > 0 else -math.inf)
        wanted = math.floor((Fraction(near) - offset) / step + Fraction(1, 2))
        if low <= wanted <= high:
            sent = ((wanted % (1 << width)) << -width % 8).to_bytes(-(-width // 8), "big")
            assert codec.encode({"x": near}) == sent
        else:
            with pytest.raises(EncodeError):
                codec.encode({"x": near})


@pytest.mark.parametrize(
    ("transform", "width", "raw"),
    [
        (Linear(45, 1, 1 << 22), 48, 242238264820737),
        (Linear(5, 3, 8), 51, 1818366074736395),
        (Linear(3, 1, 4), 52, 4258177933693247),
    ],
)
def test_a_wide_number_with_an_offset_is_rounded_once(transform: Linear, width: int, raw: int) -> None:
    """Scale times raw, rounded, plus offset, rounded again, is another double for these: found by a search."""
    slot = Slot(0, ("x",), "x", "number", 0, width, transform=transform, legal=(Range(0, (1 << width) - 1),))
    twice = raw * float(transform.scale) + float(transform.offset)
    once = float(transform.offset + transform.scale * raw)
    assert twice != once
    frame = (raw << -width % 8).to_bytes(-(-width // 8), "big")
    assert alone(slot).decode(frame) == {"x": once}


def test_these_layouts_are_all_generated_not_interpreted() -> None:
    """The walker stands in where a count is far from its list, or a check reaches out of its container."""
    sources = [Frame(a_layout(seed)).codec.source for seed in range(200)]
    assert sum("def encode(" in text for text in sources) == 200
    assert all("def decode(" in text or "def read(" in text for text in sources)
