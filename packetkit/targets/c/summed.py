"""Accumulators for summary fields, as C: samples go in one by one, the codes of minimum, mean, maximum and count come out.

A sample is a code of the minimum and the maximum (or of the mean where neither is kept). So the mean's code follows in whole numbers:
floor(sum * k / count + 1/2), with k steps of the mean to a step of a sample, which is what Python makes of the exact mean.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from packetkit.layout.slots import Linear, Slot
from packetkit.targets.c.frame import FrameCode, Mission, constant
from packetkit.targets.c.words import Page, comment, identifier, number, unsigned
from packetkit.targets.target import Dossier

_MOST = 0xFFFF  # samples, where no count is sent that bounds them


@dataclass(frozen=True, slots=True)
class Summed:
    """One summary of a frame: its name in C, its address, and what is kept of it, by the part that a slot is."""

    name: str
    address: str
    parts: dict[str, Slot]

    @property
    def sample(self) -> Slot:
        """The slot whose codes samples have."""
        return next(self.parts[one] for one in ("minimum", "maximum", "mean") if one in self.parts)

    @property
    def most(self) -> int:
        """How many samples there may be."""
        return self.parts["count"].legal[-1].high if "count" in self.parts else _MOST

    @property
    def steps(self) -> int:
        """How many steps of the mean are one of a sample."""
        if "mean" not in self.parts:
            return 1
        sample, mean = self.sample.transform, self.parts["mean"].transform
        assert isinstance(sample, Linear) and isinstance(mean, Linear)
        return int(sample.scale / mean.scale)

    @property
    def sum_type(self) -> str:
        """The type in which the sum, and what the mean is divided from, have room."""
        most = 2 * self.most * self.sample.legal[-1].high * self.steps + self.most
        return unsigned(max(32, most.bit_length()))


def summaries(frame: FrameCode) -> Iterator[Summed]:
    """Yield the summaries of a frame whose sums C can hold."""
    found: dict[str, dict[str, Slot]] = {}
    for slot in frame.layout.slots:
        if slot.part:
            found.setdefault(slot.address.rpartition(".")[0], {})[slot.part] = slot
    for address, parts in found.items():
        if parts.keys() == {"count"}:
            continue
        one = Summed(f"{frame.prefix}_{identifier(address)}", address, parts)
        if (2 * one.most * one.sample.legal[-1].high * one.steps + one.most).bit_length() <= 64:
            yield one


def declarations(frame: FrameCode) -> list[str]:
    """Return what the header says of a frame's accumulators."""
    lines: list[str] = []
    for one in summaries(frame):
        codes = [f"    {unsigned(slot.width)} {part};" for part, slot in one.parts.items() if part != "count"]
        step = "minimum and maximum" if one.sample.part != "mean" else "the mean"
        lines += [
            "",
            f"/* Sums up samples of {comment(one.address)}, at most {one.most:,}, each a code of {step}: start, add each, finish; then",
            " * the codes for the record stand here. add says 0 of a sample that it did not take: no value, or one too many. */",
            "typedef struct {",
            f"    {one.sum_type} sum;",
            f"    {unsigned(max(16, one.most.bit_length()))} count;",
            *codes,
            f"}} {one.name}_summary;",
            f"void {one.name}_start({one.name}_summary *summary);",
            f"uint8_t {one.name}_add({one.name}_summary *summary, {unsigned(one.sample.width)} sample);",
            f"void {one.name}_finish({one.name}_summary *summary);",
        ]
    return lines


def text(mission: Mission, frames: Sequence[FrameCode], dossier: Dossier) -> str:
    """Return the source of all accumulators; empty where no frame has a summary."""
    found = [one for frame in frames for one in summaries(frame)]
    if not found:
        return ""
    page = Page()
    page.add(
        f"/* From samples of {comment(dossier.mission)} to the codes of summaries, written by packetkit. Do not edit: generate again. */",
        f'#include "{mission.prefix}.h"',
    )
    for one in found:
        _define(page, one)
    return page.text


def _define(page: Page, one: Summed) -> None:
    kept = [(part, one.parts[part]) for part in ("minimum", "mean", "maximum") if part in one.parts]
    page.add("")
    with page.block(f"void {one.name}_start({one.name}_summary *summary)"):
        page.add("summary->sum = 0;", "summary->count = 0;")
        for part, slot in kept:
            code = slot.missing_code if slot.missing_code is not None else slot.legal[0].low
            page.add(f"summary->{part} = {constant(code, slot)};")
    page.add("")
    kind = unsigned(one.sample.width)
    with page.block(f"uint8_t {one.name}_add({one.name}_summary *summary, {kind} sample)"):
        legal = " || ".join(
            f"(sample >= {number(codes.low)} && sample <= {number(codes.high)})"
            if codes.low
            else f"sample <= {number(codes.high)}"
            for codes in one.sample.legal
        )
        with page.block(f"if (summary->count >= {number(one.most)} || !({legal}))"):
            page.add("return 0;")
        for part, sign in (("minimum", "<"), ("maximum", ">")):
            if part in one.parts:
                with page.block(f"if (summary->count == 0 || sample {sign} summary->{part})"):
                    page.add(f"summary->{part} = sample;")
        page.add(f"summary->sum = ({one.sum_type})(summary->sum + sample);", "summary->count++;", "return 1;")
    page.add("")
    with page.block(f"void {one.name}_finish({one.name}_summary *summary)"):
        if "mean" not in one.parts:
            page.add("(void)summary; /* no mean is sent */")
            return
        mean = unsigned(one.parts["mean"].width)
        with page.block("if (summary->count != 0)"):
            page.add(
                f"const {one.sum_type} twice = ({one.sum_type})(summary->sum * {number(2 * one.steps)} + summary->count);",
                f"summary->mean = ({mean})(twice / (2 * ({one.sum_type})summary->count));",
            )
