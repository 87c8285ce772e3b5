"""The page: one file that needs nothing beside it, to try a frame by hand. What it says comes from packetkit, how it codes from the codec.

ES2017, and of CSS: grid, flex, custom fonts of the system, @media print, :focus-visible. Its codec is the JavaScript target's module, byte
for byte; facts ride beside it as JSON. No script but its own runs (its policy forbids others), and it asks nothing of any network.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from html import escape
from typing import Any

from packetkit.integrity.catalog import find
from packetkit.layout import printed
from packetkit.layout.model import Choice, Layout, Node, Optional, Repeat, flat, slots_of
from packetkit.layout.model import bodies as bodies_of
from packetkit.layout.number import from_raw
from packetkit.layout.slots import Bundle, Slot
from packetkit.targets import javascript, table
from packetkit.targets.examples import example, inside
from packetkit.targets.page.words import LANGUAGES
from packetkit.targets.page.words import table as words
from packetkit.targets.target import Dossier

# Checks to compare with the frame's own, weakest first: rows of the catalogue, and sums that the page works out by itself.
COMPARED = ("CRC-8/SMBUS", "CRC-16/IBM-3740", "CRC-32/ISO-HDLC")
SUMS = (
    ("parity", "parity", 1),
    ("exclusive or of bytes", "xor", 8),
    ("sum of bytes", "sum", 8),
    ("Fletcher-16", "fletcher", 16),
)


SOURCES = ("page.html", "page.css", "page.js")  # beside this file; whoever opens files hands them in


def text(
    layouts: Mapping[str, Layout],
    dossier: Dossier,
    facts: Mapping[str, Any],
    sources: Mapping[str, str],
    language: str = "en",
) -> str:
    """Return the page. facts: what a mission knows beyond its layouts (mission/explorer.py); sources: the text of SOURCES by name.

    Raises Unsupported, naming fields.
    """
    table.refuse("page", layouts, rows=javascript.ROWS)
    codec = javascript.module(layouts, dossier)
    held = {
        "mission": dossier.mission,
        "fingerprint": dossier.fingerprint,
        "description": dossier.description,
        "variable": javascript.variable_name(dossier.mission),
        "language": language,
        "languages": LANGUAGES,
        "words": words(),
        "checks": list(_checks()),
        "schema": facts["schema"],
        "radio": facts["radio"],
        "pass_s": facts["pass_s"],
        "frames": {name: {**_frame(layout), **facts["frames"][name]} for name, layout in layouts.items()},
    }
    parts = {
        "TITLE": escape(f"{dossier.mission}: try the frame"),
        "CSS": sources["page.css"].rstrip(),
        "FACTS": json.dumps(held, ensure_ascii=False, separators=(",", ":"))
        .replace("</", "<\\/")
        .replace("<!--", "<\\u0021--"),
        "CODEC": codec,
        "SCRIPT": sources["page.js"].rstrip(),
    }
    # In one go: what is put in may itself look like a place to fill.
    return re.sub(r"%([A-Z]+)%", lambda mark: parts[mark[1]], sources["page.html"])


def _checks() -> Iterator[dict[str, Any]]:
    """The checks to compare with, as the page reads them."""
    for name, family, width in SUMS:
        yield {"name": name, "family": family, "width": width}
    for name in COMPARED:
        one = find(name)
        yield {
            "name": one.name, "family": "crc", "width": one.width, "poly": one.poly, "init": one.init,
            "reflect_in": one.reflect_in, "reflect_out": one.reflect_out, "final_xor": one.final_xor,
        }  # fmt: skip


def _frame(layout: Layout) -> dict[str, Any]:
    """What the page knows of a frame's fields, by address."""
    fields: dict[str, Any] = {}
    bodies = {address: javascript.as_values(layout, body) for address, body in inside(layout)}
    _fields(layout, layout.nodes, bodies, fields)
    fields.update((slot.address, _fact(slot)) for slot in layout.supplied)
    return {
        "description": layout.description,
        "cadence_s": None if layout.cadence_s is None else float(layout.cadence_s),
        "bits": layout.maximum_bits if layout.maximum_bits is not None else layout.minimum_bits,
        "example": javascript.as_values(layout, example(layout, 1)),
        "fields": fields,
    }


def _fields(
    layout: Layout, nodes: tuple[Node, ...], bodies: Mapping[str, Any], found: dict[str, Any]
) -> None:
    for node in flat(nodes):
        for slot in slots_of(node):
            if slot.is_value:
                found[slot.address] = _fact(slot)
            if isinstance(slot.transform, Bundle):
                found[f"{slot.address}[]"] = _fact(slot.transform.sample)
        for inner in bodies_of(node):
            _fields(layout, inner, bodies, found)
        if isinstance(node, Repeat) and node.joined is not None:
            said = f"{printed.joined_text(node.joined)}; {printed.times_text(layout, node)}"
            kind = "octets" if node.joined.form in ("bytes", "bits") else "text"
            found[node.address] = {"kind": kind, "range": said}
        elif isinstance(node, Repeat):
            varies = node.count is None
            found[node.address] = {"varies": varies, "element": bodies[node.address] if varies else None}
        elif isinstance(node, Optional):
            flag = None if node.by is None else layout.slots[node.by]
            told = _reached(flag) if flag is not None and flag.kind == "flag" else None
            one = found.get(node.address, {})  # a value that is an option by itself
            found[node.address] = {**one, "optional": True, "element": bodies[node.address], "flag": told}
        elif isinstance(node, Choice):
            found[node.address] = _choice(layout, node, bodies)


def _choice(layout: Layout, node: Choice, bodies: Mapping[str, Any]) -> dict[str, Any]:
    """Variants: what each begins with, and the values of other fields that tell of it."""
    told: dict[str, Any] = {}
    for branch in node.branches:
        told[branch.name] = []
        for number, codes in zip(node.told_by, branch.codes, strict=True):
            slot = layout.slots[number]
            path = _reached(slot)
            if path is not None and slot.is_value:
                told[branch.name].append([path, from_raw(slot, codes[0].low)[0]])
    variants = {branch.name: bodies[f"{node.address}.{branch.name}"] for branch in node.branches}
    return {"variants": variants, "told": told, "outside": not node.told_by, "turn": node.turn > 0}


def _reached(slot: Slot) -> list[str] | None:
    """The keys that lead from the record to a slot; None where it stands in a list."""
    return None if "[]" in slot.address else slot.address.split(".")


def _fact(slot: Slot) -> dict[str, Any]:
    step = printed.step(slot)
    # From and to without a word: the page is read in two languages.
    said = printed.holds(slot).replace(" to ", " … ") + (f" {slot.unit}" if slot.unit else "")
    if step is not None:
        said += f"; {float(step):g}"
    fact: dict[str, Any] = {"kind": slot.kind, "range": said}
    if slot.unit:
        fact["unit"] = slot.unit
    if slot.missing_code is not None:
        fact["missing"] = True
    if slot.kind == "states":
        fact["states"] = [name for _, name in slot.states]
    if table.is_wide(slot):
        fact["wide"] = True
    return fact
