"""A main loop to start from: read, pack, send, log. It runs as it is; two places are marked for a team's own code."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from packetkit.layout.asked import asked_codes
from packetkit.layout.model import Continued, Node, Repeat, Run, flat, slots_of
from packetkit.layout.slots import Slot
from packetkit.targets.micropython.page import Page, comment, number
from packetkit.targets.micropython.record import Holder, Place, is_member
from packetkit.targets.micropython.source import Mission, module_name
from packetkit.targets.micropython.walk import FrameCode

_LONGEST = 255  # the longest payload of a chirp radio packet (SX1276 data sheet: 8-bit length)


def text(mission: Mission, frames: Sequence[FrameCode]) -> str:
    """Return the source of the example."""
    frame = frames[0]
    page, name = Page(), frame.record.root.name
    size = frame.size_bytes or _LONGEST
    page.add(
        f"# A main loop for {comment(mission.dossier.mission)}, written by packetkit to start from: read, pack, send, log.",
        "# Copy it under another name (main.py on the board), and put your own code in the two marked places.",
        "import time",
        "",
        f"import {module_name(mission.dossier.mission)} as frames",
        "",
        f"CADENCE_S = {float(frame.layout.cadence_s or 1):g}",
        f"record = frames.{name}()  # one record and one buffer, used again and again",
        f"buffer = bytearray({size})",
        "",
        "",
    )
    _read(page, frame)
    page.add("", "")
    with page.block("def send(data)"):
        page.add("# YOUR CODE, 2 of 2: hand these bytes to the radio, and to the memory card.")
        page.add('print("".join("%02x" % octet for octet in data))')
    page.add("", "")
    with page.block("def main(turns=None)"):
        page.add("turn = 0")
        with page.block("while turns is None or turn < turns"):
            page.add("read(turn)")
            with page.block("try"):
                page.add("size = record.encode(buffer)", "send(memoryview(buffer)[:size])")
            with page.block("except (frames.FieldError, OSError) as error"):
                with page.block("if error.args[0] == 32"):  # EPIPE, a number everywhere
                    page.add("return  # whoever read what is printed is gone")
                page.add('print("frame %d was not sent: %r" % (turn, error))  # the next one is a new chance')
            page.add("turn += 1")
            with page.block("if turns is None"):
                page.add("time.sleep(CADENCE_S)")
    page.add("", "")
    with page.block('if __name__ == "__main__"'):
        with page.block("try"):
            page.add("main()")
        with page.block("except KeyboardInterrupt"):
            page.add('print("stopped")')
    return page.text


def _read(page: Page, frame: FrameCode) -> None:
    """What every record needs: its counters counted, its tags one of their codes, what tells a variant the first one's."""
    with page.block("def read(turn)"):
        page.add(
            "# YOUR CODE, 1 of 2: put raw codes into the record; the module says beside each what it means.",
            "pass",
        )
        asked = asked_codes(frame.layout)
        # What lists are counted by is none, as they begin empty.
        asked |= {
            factor.by: [0]
            for node in frame.layout.walk()
            if isinstance(node, Repeat)
            for factor in node.factors
        }
        for slot, target in _needed(frame, frame.layout.nodes, Place("record"), frame.record.root):
            is_counter = slot.role is not None and slot.role.name == "sequence"
            if slot.role is not None and is_counter and not slot.signed and slot.width <= 30:
                page.add(f"{target} = turn % {number(slot.role.modulus or 1 << slot.width)}")
            elif asked.get(slot.number):
                page.add(f"{target} = {number(asked[slot.number][0])}")


def _needed(
    frame: FrameCode, nodes: tuple[Node, ...], place: Place, holder: Holder
) -> Iterator[tuple[Slot, str]]:
    """The members that a record always has, each with how it is reached; of a list that ends itself those of one element."""
    record = frame.record
    for node in flat(nodes):
        if isinstance(node, (Run, Continued)):
            for slot in filter(is_member, slots_of(node)):
                yield slot, record.reach(place, slot.path, holder)
        elif isinstance(node, Repeat) and node.own_end is not None:
            path = (*place.path, *node.path)
            first = f"{place.name}.{holder.attributes[path][0]}[0]"
            inner = record.elements[node.number]
            yield from _needed(frame, node.element, Place(first, (), inner is None), inner or holder)
