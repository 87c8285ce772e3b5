"""C99, clean as C++11: a header and a source file for a mission's frames, for processors of 8 to 64 bits.

Structs of raw codes in and out; no heap, recursion, bit-fields, floating point or undefined behaviour. Encoders and decoders are
functions of their own, so that a linker told to (-ffunction-sections, --gc-sections) leaves out what a program does not call. `frame`
holds what the functions share, `octets` the straight-line packing, `checks` the algorithms; `encode` and `decode` put them together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from packetkit.layout.coding import CODINGS
from packetkit.layout.model import Layout, Repeat
from packetkit.layout.numbered import WIDEST
from packetkit.targets.c import boot, card, checks, example, header, scale, source, summed
from packetkit.targets.c.continued import FORMS
from packetkit.targets.c.decode import LONGEST
from packetkit.targets.c.frame import FrameCode, Mission
from packetkit.targets.c.opened import sizes_of, with_numbers, without_bundles
from packetkit.targets.c.record import Record
from packetkit.targets.c.words import identifier
from packetkit.targets.target import Dossier, Target, refusals, refuse

SMALL = "small"  # a table of each frame's fields and one interpreter, instead of straight-line code
# How checks are computed: bit by bit, or from tables of 256 entries, instead of a form between (checks.form_of).
SMALL_CHECKS, FAST_CHECKS = "small_checks", "fast_checks"

# Attributes that this target reads beside those that all know; calibration, limits, curves and
# what other fields say of a code are the ground's, and only said.
KNOWS = frozenset(
    (
        "pieces calibration limits part curve turn valid_when scale_by own_end several_sizes told_in_option ones_in_lists "
        "trailers Continued front initial zero_as_ones not_computed as_fits not_counted first_bits residue varying_tellers"
    ).split()
)


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return header, source, scaling, self-test, card writer and a main loop, by file name. Raises Unsupported."""
    refuse("c", layouts, beyond_c(layouts), KNOWS, parts=True)
    mission = Mission(
        identifier(dossier.mission), checks_of(dossier.options), dossier.outside, SMALL in dossier.options
    )
    frames = [FrameCode(layout, mission) for layout in layouts.values()]
    sums = summed.text(mission, frames, dossier)
    return {
        f"{mission.prefix}.h": header.text(mission, frames, dossier),
        f"{mission.prefix}.c": source.text(mission, frames, dossier),
        f"{mission.prefix}_scale.c": scale.text(mission, frames, dossier),
        f"{mission.prefix}_self_test.c": boot.text(mission, frames, dossier),
        f"{mission.prefix}_card.c": card.text(mission, dossier),
        **({f"{mission.prefix}_sums.c": sums} if sums else {}),
        f"{mission.prefix}_example.c": example.text(mission, frames, dossier),
    }


def checks_of(options: frozenset[str]) -> str:
    """Return what check code is asked to save: a word of checks.form_of."""
    return checks.SPEED if FAST_CHECKS in options else checks.SIZE if SMALL_CHECKS in options else ""


def beyond_c(layouts: Mapping[str, Layout]) -> Iterable[tuple[str, str]]:
    """Yield what the words of C cannot hold."""
    for declared in layouts.values():
        numbers = tuple(_beyond_numbers(declared))
        yield from numbers
        yield from _beyond_checks(declared)
        if numbers or any(True for _ in refusals(declared, KNOWS, parts=True)):
            continue  # nothing further can be said of a layout that is refused
        layout = with_numbers(without_bundles(declared))
        size = Record(layout, layout.name, sizes_of(declared)).largest_bytes
        if size > LONGEST:
            yield (
                layout.name,
                f"a frame of up to {size:,} bytes: C's smallest size_t counts to {LONGEST + 1:,}",
            )


def _beyond_numbers(layout: Layout) -> Iterable[tuple[str, str]]:
    """Yield times beyond C's widest type, and the numbers that go on which C has no octets for, or would have to count ones in."""
    for slot in layout.slots:
        if slot.kind == "time" and slot.width > WIDEST:
            yield slot.address, f"a time of {slot.width} bits, and C's widest type has {WIDEST}"
    summed = {
        factor.by
        for node in layout.walk()
        if isinstance(node, Repeat)
        for factor in node.factors
        if factor.in_list
    }
    for slot in filter(lambda one: one.is_continued, layout.slots):
        if slot.coding not in FORMS and CODINGS[slot.coding].first is None:
            yield slot.address, f"its coding, {slot.coding}"
        elif slot.number in summed:
            yield slot.address, "ones in a list of numbers of as many octets as they need"


def _beyond_checks(layout: Layout) -> Iterable[tuple[str, str]]:
    """Yield the checks whose code no type holds, and would have to be told from one that says that there is none."""
    for slot in layout.slots:
        if slot.check is not None and slot.check.not_computed is not None and slot.width > WIDEST:
            yield slot.address, f"checks of {slot.width} bits that were not computed: C's widest type has 64"


TARGET = Target(
    "c", "C99 that is clean as C++11: a header and a source file.", write, (SMALL_CHECKS, FAST_CHECKS, SMALL)
)
