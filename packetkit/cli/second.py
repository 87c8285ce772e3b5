"""The answers of worksheets worked out a second time: by the slow oracle wherever it knows the matter, else by a formula written anew.

Nothing here asks the generator, the layout or the codec. A difference is a fault of packetkit and says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from math import ceil, floor
from typing import Any

from packetkit.errors import PacketkitError
from packetkit.fuzz import judges
from packetkit.lab.tasks import Task
from packetkit.mission.load import Mission, parse
from packetkit.schema.model import Frame


class KeyDisagrees(PacketkitError, ValueError):
    """A key whose second working came to something else."""


def check(mission: Mission, frame: str, tasks: Mapping[int, Mapping[str, Task]]) -> int:
    """Return how many answers were worked out again, all of them the same. Raises KeyDisagrees with the first that is not."""
    declared = next(one for one in mission.declared.frames if one.name == frame)
    count = 0
    for student, mine in tasks.items():
        for kind, task in mine.items():
            again = _AGAIN[kind](declared, task)
            if again != task.answer:
                raise KeyDisagrees(
                    f"number {student}, {kind}: the key says {task.answer}, worked out again {again}; please report it"
                )
            count += 1
    return count


def _leaf(detail: Any, address: str) -> Any:
    for key in address.split("."):
        detail = detail[key]
    return detail


def _detail(declared: Frame, task: Task) -> Any:
    """What the oracle makes of the task's record, there and back."""
    slow, known = judges.oracle_module(), judges.algorithms(declared)
    data = slow.encode(declared, task.record, known)
    return slow.decode(declared, data, known, detail=True)


def _raw(declared: Frame, task: Task) -> str:
    return str(_leaf(_detail(declared, task), task.text("field"))["raw"])


def _value(declared: Frame, task: Task) -> str:
    """The value that the oracle decodes: its double has to be that of the key's text, which is then exact."""
    found = _leaf(_detail(declared, task), task.text("field"))
    bits = task.whole("bits")
    agrees = found["value"] == float(
        task.answer
    ) and f"0x{found['raw'] & (1 << bits) - 1:0{(bits + 3) // 4}X}" == task.text("code")
    return task.answer if agrees else f"{found['value']} for {found['raw']}"


def _frame_of(fields: str) -> Frame:
    """A frame of its own for a task that needs none of the class's."""
    text = f"mission: task\nframes:\n  task:\n    last_byte: zero_filled\n    fields:\n{fields}"
    return parse(text, "task").declared.frames[0]


def _octets(_: Frame, task: Task) -> str:
    frame = _frame_of("      - {name: number, bits: 16}\n")
    data: bytes = judges.oracle_module().encode(frame, {"number": task.whole("number")}, {})
    return data.hex(" ").upper()


def _flipped(declared: Frame, task: Task) -> str:
    """The bit at which the oracle's frame and the received bytes differ, read off their pictures."""
    sent: bytes = judges.oracle_module().encode(declared, task.record, judges.algorithms(declared))
    pictures = [
        "".join(f"{octet:08b}" for octet in data) for data in (sent, bytes.fromhex(task.text("received")))
    ]
    differing = [at for at, (one, other) in enumerate(zip(*pictures, strict=True)) if one != other]
    return (
        str(differing[0])
        if len(differing) == 1 and sent == bytes.fromhex(task.text("sent"))
        else str(differing)
    )


def _checked(fields: str, values: Mapping[str, Any], algorithms: Mapping[str, Any]) -> bytes:
    data: bytes = judges.oracle_module().encode(_frame_of(fields), values, algorithms)
    return data


def _summed(_: Frame, task: Task) -> str:
    octets = bytes.fromhex(task.text("octets"))
    fields = f"      - {{name: octet, repeat: {len(octets)}, bits: 8}}\n      - {{name: check, kind: check, algorithm: SUM-8}}\n"
    known = judges.algorithms(_frame_of(fields))
    return f"{_checked(fields, {'octet': list(octets)}, known)[-1]:02X}"


def _divided(_: Frame, task: Task) -> str:
    """The oracle's check of four bits, walked bit by bit; the class's generator without its highest term."""
    bits, poly = task.text("bits"), int(task.text("generator")[1:], 2)
    fields = (
        f"      - {{name: data, bits: {len(bits)}}}\n"
        "      - name: check\n        kind: check\n"
        f"        algorithm: {{width: 4, polynomial: {poly}, initial: 0, reflect_in: false, reflect_out: false, final_xor: 0}}\n"
    )
    data = _checked(fields, {"data": int(bits, 2)}, {})
    return "".join(f"{octet:08b}" for octet in data)[len(bits) : len(bits) + 4]


def _sized(_: Frame, task: Task) -> str:
    missing = ", missing: true" if task.whole("missing") else ""
    ends = f"minimum: {task.whole('minimum')}, maximum: {float(task.exact('maximum'))!r}, resolution: {float(task.exact('step'))!r}"
    frame = _frame_of(f"      - {{name: field, {ends}{missing}}}\n")
    places = judges.oracle_module().positions(frame, {"field": task.whole("minimum")}, {})
    return str(next(width for address, _, width in places if address == "field"))


def _on_air(_: Frame, task: Task) -> str:
    """The formula of the makers' data sheets (SX1276, section on time on air) as one line, from the setting's words."""
    words = task.text("setting").replace(",", "").split()
    factor, khz = int(words[0][2:]), task.exact("bandwidth_khz")
    symbol_ms = Fraction(2**factor) / khz
    low_rate = int(symbol_ms >= 16 and factor > 6)
    header, check = int("implicit" in words), int(task.whole("crc_bits") > 0)
    rate = int(next(word for word in words if word.startswith("4/"))[2:])
    preamble = int(words[words.index("preamble") + 1])
    small = factor < 7  # SF5 and SF6: a longer sync, and 8 bits more in the first block (SX1261/2 data sheet)
    numerator = 8 * task.whole("size") - 4 * factor + (8 if not small else 0) + 16 * check + 20 * (1 - header)
    blocks = max(ceil(Fraction(numerator, 4 * (factor - 2 * low_rate))), 0)
    symbols = preamble + (Fraction(25, 4) if small else Fraction(17, 4)) + 8 + blocks * rate
    tenths = floor(symbols * symbol_ms * 10 + Fraction(1, 2))
    return f"{tenths // 10}.{tenths % 10}"


def _in_pass(_: Frame, task: Task) -> str:
    """Frames counted one by one until the next would not fit."""
    left, frames = Fraction(task.whole("duration_s") * 1000), 0
    while left >= task.exact("airtime_ms") + task.exact("gap_ms"):
        left -= task.exact("airtime_ms") + task.exact("gap_ms")
        frames += 1
    return str(frames * task.whole("size"))


_AGAIN: dict[str, Callable[[Frame, Task], str]] = {
    "encode": _raw,
    "decode": _value,
    "bytes": _octets,
    "flip": _flipped,
    "sum": _summed,
    "divide": _divided,
    "size": _sized,
    "airtime": _on_air,
    "pass": _in_pass,
}
