"""What `packetkit check --json` writes: everything that its text says, under stable keys that carry their units.

The keys are the same whatever the schema: what does not apply is null or empty. tests/documents/json/check.schema.json holds them.
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from packetkit.cli.check import chosen
from packetkit.cli.field_table import filled_in
from packetkit.errors import Problem, SchemaError
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS
from packetkit.layout import printed, size
from packetkit.layout.coding import CODINGS
from packetkit.layout.curve import Curve
from packetkit.layout.fed import fed_text, mixed_slot
from packetkit.layout.first_bits import WORD
from packetkit.layout.model import (
    Carried,
    Choice,
    Continued,
    Derived,
    Fill,
    Gain,
    Layout,
    Measured,
    Node,
    Optional,
    Repeat,
    Run,
    bodies,
)
from packetkit.layout.slots import Bundle, Chosen, Linear, Slot
from packetkit.mission import checkup, cost
from packetkit.mission.load import Mission
from packetkit.radio import CAUTION, staircase
from packetkit.schema.model import Field

Object = dict[str, Any]


def document(outcomes: list[Mission | tuple[str, SchemaError]], frame: str | None) -> Object:
    """Return the whole document: one entry a schema, in the order asked."""
    schemas = [faulty(*one) if isinstance(one, tuple) else sound(one, chosen(one, frame)) for one in outcomes]
    timed = any(isinstance(one, Mission) and one.link.setting is not None for one in outcomes)
    return {
        "ok": all(one["ok"] for one in schemas),
        "schemas": schemas,
        "caution": CAUTION if timed else None,
    }


def faulty(file: str, error: SchemaError) -> Object:
    """Return the entry of a schema that cannot be used."""
    return {
        "file": file,
        "ok": False,
        "problems": [problem(one) for one in error.problems],
        "mission": None,
        "description": "",
        "fingerprint": None,
        "frames": [],
    }


def problem(one: Problem) -> Object:
    return {
        "line": one.position.line,
        "column": one.position.column,
        "rule": one.rule,
        "path": one.path,
        "summary": one.summary,
        "remedy": one.remedy,
    }


def sound(mission: Mission, names: tuple[str, ...]) -> Object:
    """Return the entry of a schema without fault."""
    frames = [frame_entry(mission, name) for name in names]
    return {
        "file": mission.file,
        "ok": not any(frame["findings"] for frame in frames),
        "problems": [],
        "mission": mission.name,
        "description": mission.description,
        "fingerprint": mission.fingerprint,
        "frames": frames,
    }


def frame_entry(mission: Mission, name: str) -> Object:
    """Return everything about one frame."""
    layout = mission.layouts[name]
    told = checkup.tally(layout)
    declared = cost.declared_fields(next(one for one in mission.declared.frames if one.name == name))
    picture = cost.picture(mission, name)
    return {
        "frame": name,
        "description": layout.description,
        "fingerprint": layout.fingerprint,
        "cadence_s": layout.cadence_s,
        "minimum_bytes": layout.minimum_bits // 8,
        "maximum_bytes": layout.maximum_bytes,
        "runs_to_end": layout.runs_to_end,
        "counted_at": told.counted_at,
        "total_bits": told.total_bits,
        "useful_bits": told.useful_bits,
        "useful_share": told.useful_share,
        "spare_bits": told.spare_bits,
        "bits_by_kind": told.by_kind,
        "fields": list(field_entries(layout, layout.nodes, printed.places(layout), declared)),
        "supplied": [
            {"name": slot.address, "bits": slot.width, "description": slot.description}
            for slot in layout.supplied
        ],
        "derived": [derived_entry(one) for one in layout.derived],
        "carried": [carried_entry(one) for one in layout.carried],
        "compact_forms": [gain_entry(mission, name, one) for one in layout.gains],
        "checks": [check_entry(layout, one) for one in checkup.protections(layout)],
        "steps": [step_entry(one) for one in picture.costs],
        "all_finer": change(picture.all_finer),
        "all_coarser": change(picture.all_coarser),
        "air": air(mission, layout),
        "findings": [finding(one) for one in checkup.findings(mission, name)],
        "notes": list(checkup.notes(mission, name)),
    }


# -- fields ---------------------------------------------------------------------------------------------------------------------


def field_entries(
    layout: Layout, nodes: tuple[Node, ...], places: dict[int, printed.Offset], declared: dict[str, Field]
) -> Iterator[Object]:
    """Yield slots and parts in wire order, what is inside a part after it."""
    for node in nodes:
        at = places[node.number]
        if isinstance(node, Run):
            for slot in node.slots:
                order = printed.order_text(slot, node.packing)
                place = placed(
                    at.plus(slot.offset_bits), (slot.width, slot.width), printed.PACKINGS[node.packing]
                )
                entry = {**slot_entry(slot, declared.get(slot.address)), **place, "order": order}
                entry["useful"] = size.is_useful(slot, layout.carried)
                entry["valid_when"] = valid_entry(layout, slot)
                entry["scale_by"] = scale_entry(layout, slot)
                if slot.pieces:
                    entry["runs"] = [
                        {"offset_bits": at.plus(first).bits, "bits": width} for first, width in slot.pieces
                    ]
                yield entry
            continue
        if isinstance(node, Continued):
            entry = slot_entry(node.slot, declared.get(node.slot.address))
            yield {**entry, **placed(at, printed.node_bits(node), None)}
            continue
        if isinstance(node, Fill):
            entry = slot_entry(node.slot, declared.get(node.slot.address))
            yield {**entry, **placed(at, printed.node_bits(node), None), "holds": printed.fill_text(node)}
            continue
        kind, words = part_words(layout, node)
        entry = {**EMPTY, "name": node.address, "kind": kind, "holds": words}
        if isinstance(node, Repeat) and node.joined is not None:
            yield {**entry, **placed(at, printed.node_bits(node), None), "useful": True}
            continue
        yield {**entry, **placed(at, printed.node_bits(node), None)}
        if isinstance(node, Choice):
            for branch in node.all:
                said = printed.branch_text(layout, node, branch)
                variant = {**EMPTY, "name": f"{node.address}.{branch.name}", "kind": "variant", "holds": said}
                low, high = size.shortest(branch.body), size.longest(branch.body)
                bits = (0, None) if branch is node.unknown else (low, high)
                yield {**variant, **placed(at, bits, None)}
                if branch is not node.unknown:
                    yield from field_entries(layout, branch.body, places, declared)
            continue
        for body in bodies(node):
            yield from field_entries(layout, body, places, declared)


def part_words(layout: Layout, node: Repeat | Optional | Measured | Choice) -> tuple[str, str]:
    """Return what a part is, and what decides its size."""
    if isinstance(node, Repeat) and node.joined is not None:
        kind = "bytes" if node.joined.form == "bytes" else "text"
        return kind, f"{printed.joined_text(node.joined)}; {printed.times_text(layout, node)}"
    if isinstance(node, Repeat):
        return "repeat", printed.times_text(layout, node)
    if isinstance(node, Measured):
        return "measured", printed.measured_text(layout, node)
    if isinstance(node, Choice):
        return "variants", printed.choice_text(node)
    return "option", printed.condition_text(layout, node)


def derived_entry(one: Derived) -> Object:
    """Return a value that the ground works out: it has no place on the wire."""
    return {
        "name": one.address,
        "expression": one.text,
        "unit": one.unit,
        "limits": limits_entry(one),
        "description": one.description,
    }


def carried_entry(one: Carried) -> Object:
    """Return a carried frame, its sizes in bytes and the zeros that fill its place."""
    return {
        "name": one.address,
        "frame": one.frame,
        "minimum_bytes": -(-one.minimum_bits // 8),
        "maximum_bytes": None if one.maximum_bits is None else -(-one.maximum_bits // 8),
        "fill_bytes": one.fill_bits // 8,
    }


def gain_entry(mission: Mission, name: str, one: Gain) -> Object:
    """Return what a compact form saves at its worst, and how long it takes to hear all of it."""
    return {
        "name": one.address,
        "form": one.form,
        "bits": one.bits,
        "instead_of_bits": one.plain_bits,
        "instead_of": one.says,
        "heard_in_frames": one.frames,
        "heard_within_s": checkup.heard_within(mission, name, one),
    }


def limits_entry(one: Slot | Derived) -> list[Object]:
    """Return the limits of a value, the soft one first."""
    return [
        {"name": row.name, "minimum": row.minimum, "maximum": row.maximum} for row in reversed(one.limits)
    ]


EMPTY: Object = {
    "name": "",
    "kind": "",
    "holds": "",
    "signed": False,
    "coding": None,
    "runs": None,
    "bundle": None,
    "curve": None,
    "time": None,
    "minimum": None,
    "maximum": None,
    "resolution": None,
    "unit": "",
    "special_codes": [],
    "states": [],
    "codes": [],
    "out_of_range": None,
    "default_raw": None,
    "valid_when": None,
    "scale_by": None,
    "role": None,
    "order": "",
    "useful": False,
    "preset": None,
    "filled_in_by_preset": [],
    "limits": [],
    "calibrated_units": [],
    "description": "",
}


def placed(at: printed.Offset, bits: tuple[int, int | None], packing: str | None) -> Object:
    """Return a place: its offset counts from the frame's start or end, or from the start of the part it is in."""
    return {
        "offset_bits": at.bits,
        "offset_from": at.origin,
        "minimum_bits": bits[0],
        "maximum_bits": bits[1],
        "packing": packing,
    }


def time_entry(slot: Slot, one: Field) -> Object | None:
    """Return what a time code counts, or says."""
    counted = slot.clock or slot.calendar
    if counted is None:
        return None
    parts = () if slot.clock is None else slot.clock.parts
    counts = () if slot.calendar is None else slot.calendar.counts
    return {
        "epoch": one.epoch,
        "step_s": counted.step,
        "parts": [{"unit_s": part.unit, "bits": part.width} for part in parts],
        "calendar": [
            {
                "unit": count.name,
                "bits": count.width,
                "coding": count.coding or None,
                "scale": count.scale,
                "offset": count.offset,
            }
            for count in counts
        ],
        "leap_seconds": one.leap_seconds,
        "reference_date": one.reference_date,
    }


def bundle_entry(bundle: Bundle) -> Object:
    """Return what a bundle's bits are made of."""
    assert isinstance(bundle.sample.transform, Linear)
    return {
        "samples": bundle.samples,
        "maximum_step": abs(bundle.sample.transform.scale) * bundle.largest,
        "first_bits": bundle.sample.width,
        "differences": bundle.differences,
        "difference_bits": bundle.width,
    }


def valid_entry(layout: Layout, slot: Slot) -> Object | None:
    """Return the field that says whether a value counts, and its codes that say so."""
    told = slot.valid_when
    if told is None:
        return None
    codes = [{"from_raw": one.low, "to_raw": one.high} for one in told.codes]
    return {"field": layout.slots[told.by].address, "codes": codes}


def scale_entry(layout: Layout, slot: Slot) -> Object | None:
    """Return the field that chooses a scale, and the scale that each of its codes chooses."""
    if not isinstance(slot.transform, Chosen):
        return None
    choices = [
        {"from_raw": codes.low, "to_raw": codes.high, "scale": linear.scale, "offset": linear.offset}
        for codes, linear in slot.transform.choices
    ]
    return {"field": layout.slots[slot.transform.by].address, "choices": choices}


def coding_word(slot: Slot) -> str | None:
    """Return how a slot's bits spell a number, in a word; None where they are plain binary."""
    if slot.coding and CODINGS[slot.coding].first is not None:
        return WORD
    return slot.coding or None


def slot_entry(slot: Slot, one: Field | None) -> Object:
    """Return what a slot means, without its place."""
    single = slot.transform.sample if isinstance(slot.transform, Bundle) else slot
    ends = printed.ends(single) or (slot.minimum, slot.maximum)
    number = slot.kind in ("number", "float", "bundle")
    return {
        **EMPTY,
        "name": slot.address,
        "kind": slot.kind,
        "holds": printed.holds(slot),
        "signed": single.signed,
        "coding": coding_word(slot),
        "time": None if one is None else time_entry(slot, one),
        "bundle": bundle_entry(slot.transform) if isinstance(slot.transform, Bundle) else None,
        "curve": slot.transform.name if isinstance(slot.transform, Curve) else None,
        "minimum": ends[0],
        "maximum": ends[1],
        "resolution": printed.step(slot),
        "unit": slot.unit,
        "special_codes": [
            {"from_raw": code.low, "to_raw": code.high, "meaning": code.meaning, "reason": code.reason}
            for code in single.specials
        ],
        "states": [{"raw": code, "name": name} for code, name in slot.states],
        "codes": [{"from_raw": codes.low, "to_raw": codes.high} for codes in slot.codes],
        "out_of_range": slot.policy if number else None,
        "default_raw": slot.default,
        "role": None if slot.role is None else slot.role.name,
        "useful": slot.is_value,
        "preset": None if one is None else one.preset,
        "filled_in_by_preset": list(filled_in(one)),
        "limits": limits_entry(slot),
        "calibrated_units": [one.serial for one in slot.calibration],
        "description": slot.description,
    }


# -- checks, steps, link ------------------------------------------------------------------------------------------------------------


def check_entry(layout: Layout, told: checkup.Protection) -> Object:
    """Return one check: its algorithm in full, its span, its order, what it is guaranteed to notice."""
    check = told.slot.check
    assert check is not None
    packing = next(
        node.packing
        for node in layout.walk()
        if isinstance(node, Run) and any(slot.number == told.slot.number for slot in node.slots)
    )
    return {
        "name": told.slot.address,
        **algorithm_entry(check.algorithm),
        "covers": told.covers,
        "minimum_span_bits": told.least_bits,
        "maximum_span_bits": told.most_bits,
        "own_bits": check.own,
        "octets_in_front": check.also.hex(),
        "fed_in_front": fed_text(layout, check),
        "register_starts_from": (
            None if check.initial is None else mixed_slot(layout, check.initial).address
        ),
        "zero_sent_as": "all_ones" if check.zero_as_ones else None,
        "not_computed_code": check.not_computed,
        "mixed_with": None if check.mixed is None else mixed_slot(layout, check.mixed).address,
        "stored": printed.stored_text(told.slot, packing),
        "fed_in_wire_order": check.in_wire_order,
        "last_octet_zero_filled": check.zero_filled,
        "hamming_distance": None if told.distance is None else told.distance.value,
        "hamming_distance_is_exact": None if told.distance is None else told.distance.exact,
    }


def algorithm_entry(algorithm: Algorithm) -> Object:
    return {
        "algorithm": algorithm.name,
        "aliases": list(algorithm.aliases),
        "family": algorithm.family,
        "width_bits": algorithm.width,
        "parameters": dict(algorithm.parameters()),
        "check_value": algorithm.hexadecimal(algorithm.check),
        "source": algorithm.source,
        "note": algorithm.note,
    }


def algorithms() -> Object:
    """Return the document of `--algorithms`: every check of the catalogue."""
    return {"algorithms": [algorithm_entry(one) for one in ALGORITHMS.values()]}


def milliseconds(seconds: Fraction | None) -> Fraction | None:
    return None if seconds is None else seconds * 1000


def change(step: cost.Step | None) -> Object | None:
    """Return what one change of resolution makes of the longest frame; null where no field holds that step."""
    if step is None:
        return None
    return {
        "step": step.step,
        "bits": step.bits,
        "frame_bits": step.frame_bits,
        "frame_bytes": step.frame_bytes,
        "time_on_air_ms": milliseconds(step.seconds),
    }


def step_entry(one: cost.Cost) -> Object:
    return {
        "name": one.slot.address,
        "step": one.step,
        "unit": one.slot.unit,
        "finer": change(one.finer),
        "coarser": change(one.coarser),
    }


def air(mission: Mission, layout: Layout) -> Object:
    """Return the frame on its link: times, the staircase at its longest, its share of the limit."""
    link = mission.link
    low, high = layout.minimum_bits // 8, layout.maximum_bytes
    longest_s = None if high is None else link.time_on_air(high)
    stair = None
    if link.setting is not None and high is not None and longest_s is not None:
        stair = staircase.staircase(link.setting, high + link.driver_bytes)
    limit = link.maximum_frame_bytes
    return {
        "setting": None if link.setting is None else str(link.setting),
        "driver_bytes": link.driver_bytes,
        "shortest_time_on_air_ms": milliseconds(link.time_on_air(low)),
        "longest_time_on_air_ms": milliseconds(longest_s),
        "free_bytes": None if stair is None else stair.free_bytes,
        "fewer_bytes": None if stair is None else stair.fewer_bytes,
        "saved_ms": None if stair is None else milliseconds(stair.saved_s),
        "more_bytes": None if stair is None else stair.more_bytes,
        "added_ms": None if stair is None else milliseconds(stair.added_s),
        "maximum_frame_bytes": limit,
        "share_of_maximum": None if limit is None or high is None else Fraction(high, limit),
    }


def finding(one: checkup.Finding) -> Object:
    """Return a broken limit with the largest fields."""
    return {
        "rule": one.rule,
        "summary": one.summary,
        "frame_bytes": one.frame_bytes,
        "limit_bytes": one.limit_bytes,
        "largest_fields": [
            {"name": fat.slot.address, "bits": fat.bits, "saving": change(fat.saving)} for fat in one.fattest
        ],
    }
