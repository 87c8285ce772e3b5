"""MicroPython, and CircuitPython as far as it is the same: one module of straight-line code for a mission's frames.

What small builds lack is not used: no annotations, no f-strings, no imports but `array`, no names that a port may not have. Records hold
raw codes and are used again; a frame of fixed size takes no memory to encode on ports whose small integers hold its codes. With
`small_integers` no number passes 30 bits: wider codes are lists of 16-bit words, for builds without long integers. Sources of what works
where: reference tables of interpreters, measured; CircuitPython has been run by nobody here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from packetkit.errors import Unsupported
from packetkit.layout.coding import GROUP
from packetkit.layout.model import Layout, Repeat, tellers
from packetkit.layout.slots import Slot
from packetkit.targets.c.opened import with_numbers, without_bundles
from packetkit.targets.micropython import checks, example, scale, source
from packetkit.targets.micropython.continued import FORMS
from packetkit.targets.micropython.lean import MOST_BYTES, lean
from packetkit.targets.micropython.page import MOST_BITS
from packetkit.targets.micropython.source import Mission, frames_of, module_name
from packetkit.targets.target import Dossier, Target, refuse

FAST_CHECKS = "fast_checks"  # from tables of 256 entries, instead of the smallest code
SMALL_INTEGERS = "small_integers"  # nothing needs more than 30 bits
LEAST_MEMORY = "least_memory"  # nothing in the module that only people read; refused where the smallest board does not take it in

_WIDEST = 64  # bits of a number
_MOST_ONES = 20  # bits of how many ones a list holds: a frame has no more

# Attributes of slots that this target reads beside those that all know; calibration, limits, curves and
# what other fields say of a code are the ground's.
KNOWS = frozenset(
    "pieces calibration limits part curve turn valid_when scale_by own_end several_sizes told_in_option ones_in_lists trailers "
    "Continued front initial zero_as_ones not_computed as_fits not_counted".split()
)


def write(layouts: Mapping[str, Layout], dossier: Dossier) -> dict[str, str]:
    """Return the module, its scaling, and a main loop, by file name. Raises Unsupported for what it cannot express."""
    small = SMALL_INTEGERS in dossier.options
    refuse("micropython", layouts, beyond(layouts, small), KNOWS, parts=True)
    mission = Mission(dossier, fast=FAST_CHECKS in dossier.options, small=small)
    frames = frames_of(layouts, small)
    name, text = module_name(dossier.mission), source.text(frames, mission)
    return {
        f"{name}.py": _leanest(dossier, text) if LEAST_MEMORY in dossier.options else text,
        f"{name.replace('_frames', '')}_scale.py": scale.text(mission, frames),
        f"{name.replace('_frames', '')}_main.py": example.text(mission, frames),
    }


def _leanest(dossier: Dossier, text: str) -> str:
    """The module for the smallest board. Raises Unsupported where it is too large for that."""
    made = lean(text)
    if len(made) > MOST_BYTES:
        words = f"its module has {len(made):,} bytes without comments, and {MOST_BYTES:,} are the most that the smallest board takes in"
        raise Unsupported("micropython", ((dossier.mission, words),))
    return made


def beyond(layouts: Mapping[str, Layout], small: bool) -> Iterator[tuple[str, str]]:
    """Yield what these interpreters cannot hold, as address and reason."""
    for layout in layouts.values():
        by = {one for node in layout.walk() for one in tellers(node)}
        for slot in with_numbers(without_bundles(layout)).slots:
            address = f"{layout.name}.{slot.address}" if len(layouts) > 1 else slot.address
            for reason in _beyond(slot, slot.number in by, small):
                yield address, reason
        for place, reason in (*_beyond_numbers(layout), *(_too_large(layout) if small else ())):
            yield (f"{layout.name}.{place}" if len(layouts) > 1 else place), reason


def _beyond_numbers(layout: Layout) -> Iterator[tuple[str, str]]:
    """Yield the times, and the numbers that go on, which this target has no code for."""
    for slot in layout.slots:
        if slot.kind == "time" and slot.width > _WIDEST:
            yield slot.address, f"a time of {slot.width} bits, and {_WIDEST} are the most"
    lists = (node for node in layout.walk() if isinstance(node, Repeat))
    summed = {factor.by for node in lists for factor in node.factors if factor.in_list}
    for slot in filter(lambda one: one.coding in FORMS, layout.slots):
        width = slot.width // 8 * GROUP
        if width > _WIDEST:
            octets, most = slot.width // 8, _WIDEST // GROUP * GROUP
            yield (
                slot.address,
                f"a number of up to {octets} octets, which hold {width} bits. bits: {most} fit",
            )
        elif slot.number in summed:
            yield slot.address, "ones in a list of numbers of as many octets as they need"


def _too_large(layout: Layout) -> Iterator[tuple[str, str]]:
    """Yield what is worked out on the way, or mixed into a check, and may pass what small integers hold."""
    for slot in layout.supplied:
        if slot.width > MOST_BITS:
            yield slot.address, f"a field of {slot.width} bits that is mixed: small integers hold {MOST_BITS}"
    widths = {slot.number: slot.width for slot in layout.slots}
    checks_fed = {
        one for slot in layout.slots if slot.check is not None for one in slot.check.fed if one >= 0
    }
    for one in sorted(checks_fed):
        if widths[one] > MOST_BITS:
            yield (
                layout.slots[one].address,
                f"a field of {widths[one]} bits that goes into a check: small integers hold {MOST_BITS}",
            )
    for node in layout.walk():
        if not isinstance(node, Repeat):
            continue
        bits = sum(_MOST_ONES if one.in_list else widths[one.by] for one in node.factors)
        if bits > MOST_BITS:
            yield node.address, f"its count is a product of {bits} bits: small integers hold {MOST_BITS}"


def _beyond(slot: Slot, is_asked: bool, small: bool) -> Iterator[str]:
    if not small:
        return
    wide = slot.width > MOST_BITS
    if wide and (slot.kind in ("count", "length") or is_asked or (slot.codes and slot.is_value)):
        yield f"a {slot.kind} of {slot.width} bits that is compared: small integers hold {MOST_BITS}"
    if slot.check is not None and checks.passes_small(slot.check.algorithm):
        yield f"the sum {slot.check.algorithm.name}: small integers hold {MOST_BITS} bits"
    if slot.check is not None and wide and (slot.check.zero_as_ones or slot.check.not_computed is not None):
        yield f"a check of {slot.width} bits with codes of a meaning of their own: small integers hold {MOST_BITS}"
    if slot.check is not None and slot.check.initial is not None and slot.check.algorithm.width >= MOST_BITS:
        yield f"a register of {slot.check.algorithm.width} bits that starts from a field: small integers hold {MOST_BITS}"
    if slot.check is not None and slot.check.mixed is not None and wide:
        yield f"a check of {slot.width} bits that is mixed with a field: small integers hold {MOST_BITS}"
    if (
        slot.check is not None
        and slot.check.algorithm.family == "crc"
        and slot.check.algorithm.width == MOST_BITS
    ):
        yield f"a check of {MOST_BITS} bits: its register would be kept in words, its value in a number"


TARGET = Target(
    "micropython",
    "MicroPython 1.9.2 and later: a module, its scaling, a main loop.",
    write,
    (FAST_CHECKS, SMALL_INTEGERS, LEAST_MEMORY),
)
