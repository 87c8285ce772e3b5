"""Misconceptions: each a function that computes what a student with that slip would write. One table; marking walks it.

A slip gives an answer for the kinds of task in which it can happen, and none where it would make no difference. The answers are worked
out from the task's facts alone, and never from its right answer.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from fractions import Fraction
from math import floor, log2
from typing import NamedTuple

from packetkit.lab.answers import matches
from packetkit.lab.tasks import Task, decimal_text, is_decimal, remainder

Answers = Iterator[str]


class Slip(NamedTuple):
    """One misconception: its key, what a person reads, and what those who have it write."""

    key: str
    words: str
    answers: Callable[[Task], Answers]


def _rounded(number: Fraction) -> int:
    return floor(number + Fraction(1, 2))


def _plain(number: Fraction) -> Answers:
    """A number as a student writes it: exactly, else with six digits."""
    if is_decimal(number):
        yield decimal_text(number)
    else:
        yield f"{float(number):.6g}"


def _low_octet_first(task: Task) -> Answers:
    if task.kind == "bytes":
        yield task.whole("number").to_bytes(2, "little").hex(" ").upper()
    if task.kind == "decode" and task.whole("bits") == 16:
        yield from _plain(
            _value(task, int.from_bytes((task.whole("raw") & 0xFFFF).to_bytes(2, "little"), "big"))
        )


def _value(task: Task, raw: int) -> Fraction:
    return task.exact("offset") + task.exact("scale") * raw


def _lost_sign(task: Task) -> Answers:
    if task.kind == "encode" and task.exact("value") < 0:
        yield str(_rounded((-task.exact("value") - task.exact("offset")) / task.exact("scale")))
    if task.kind == "decode" and task.exact("value") < 0:
        yield from _plain(-task.exact("value"))
        if task.whole("signed"):
            yield from _plain(_value(task, task.whole("raw") + (1 << task.whole("bits"))))


def _one_off(task: Task) -> Answers:
    if task.kind == "encode":
        exact = _rounded((task.exact("value") - task.exact("offset")) / task.exact("scale"))
        yield str(exact + 1)
    if task.kind == "decode":
        yield from _plain(_value(task, task.whole("raw") + 1))
        yield from _plain(_value(task, task.whole("raw") - 1))
    if task.kind == "flip":
        yield str(task.whole("bit") + 1)
    if task.kind == "pass":
        for frames in (task.whole("frames") + 1, task.whole("frames") - 1):
            yield str(frames * task.whole("size"))


def _cut_off(task: Task) -> Answers:
    if task.kind == "encode":
        yield str(floor((task.exact("value") - task.exact("offset")) / task.exact("scale")))
    if task.kind == "size" and not _turns_on_missing(task):  # there the same answer says something likelier
        yield str(floor(log2(task.whole("codes"))))
    if task.kind == "airtime":
        yield _on_air(task, blocks=task.exact("size") * 8 // 1, cut=True)


def _not_rounded(task: Task) -> Answers:
    if task.kind == "encode":
        yield from _plain((task.exact("value") - task.exact("offset")) / task.exact("scale"))
    if task.kind == "size":
        exact = log2(task.whole("codes"))
        yield from (text for text in (f"{exact:.1f}", f"{exact:.2f}") if float(text) % 1)
    if task.kind == "pass":
        per_frame = task.exact("airtime_ms") + task.exact("gap_ms")
        yield str(floor(task.whole("duration_s") * 1000 / per_frame * task.whole("size")))
        yield str(_rounded(task.whole("duration_s") * 1000 / per_frame * task.whole("size")))


def _no_offset(task: Task) -> Answers:
    if task.kind == "encode" and task.exact("offset"):
        yield str(_rounded(task.exact("value") / task.exact("scale")))
    if task.kind == "decode" and task.exact("offset"):
        yield from _plain(task.exact("scale") * task.whole("raw"))


def _offset_the_wrong_way(task: Task) -> Answers:
    if task.kind == "encode" and task.exact("offset"):
        yield str(_rounded((task.exact("value") + task.exact("offset")) / task.exact("scale")))
    if task.kind == "decode" and task.exact("offset"):
        yield from _plain(task.exact("scale") * task.whole("raw") - task.exact("offset"))


def _scale_the_wrong_way(task: Task) -> Answers:
    if task.kind == "encode":
        yield str(_rounded((task.exact("value") - task.exact("offset")) * task.exact("scale")))
    if task.kind == "decode":
        yield from _plain(task.exact("offset") + task.whole("raw") / task.exact("scale"))


def _hex_for_decimal(task: Task) -> Answers:
    if task.kind == "encode":
        right = _rounded((task.exact("value") - task.exact("offset")) / task.exact("scale"))
        if right > 9:
            yield f"{right:X}"
    if task.kind == "decode" and task.text("code")[2:].isdigit():
        yield from _plain(_value(task, int(task.text("code")[2:])))
    if task.kind == "bytes":
        digits = str(task.whole("number"))
        yield f"{digits[:2]} {digits[2:]}"
        yield " ".join(map(str, divmod(task.whole("number"), 256)))
    if task.kind == "sum":
        yield str(task.whole("total") % 256)
        yield str(task.whole("total"))


def _bits_from_the_other_end(task: Task) -> Answers:
    if task.kind == "flip":
        bit = task.whole("bit")
        yield str(bit // 8 * 8 + 7 - bit % 8)
        yield str(task.whole("size") * 8 - 1 - bit)
    if task.kind == "divide":
        yield _divided(task, int(task.text("bits"), 2) << 4)[::-1]


def _divided(task: Task, dividend: int, generator: int | None = None) -> str:
    divisor = int(task.text("generator"), 2) if generator is None else generator
    return f"{remainder(dividend, len(task.text('bits')) + 4, divisor):04b}"


def _wrong_span(task: Task) -> Answers:
    if task.kind == "sum":
        octets = bytes.fromhex(task.text("octets"))
        yield f"{sum(octets[1:]) % 256:02X}"
        yield f"{sum(octets[:-1]) % 256:02X}"
    if task.kind == "divide":
        yield _divided(task, int(task.text("bits"), 2))


def _generator_backwards(task: Task) -> Answers:
    if task.kind == "divide":
        yield _divided(task, int(task.text("bits"), 2) << 4, int(task.text("generator")[::-1], 2))


def _with_borrow(task: Task) -> Answers:
    if task.kind == "divide":
        yield f"{(int(task.text('bits'), 2) << 4) % int(task.text('generator'), 2):04b}"


def _carry_kept(task: Task) -> Answers:
    total = task.whole("total") if task.kind == "sum" else 0
    if total > 255:
        yield f"{total:X}"
        yield f"{(total & 255) + (total >> 8):02X}"


def _inverted(task: Task) -> Answers:
    if task.kind == "sum":
        yield f"{~task.whole('total') & 255:02X}"
        yield f"{-task.whole('total') & 255:02X}"


def _step_forgotten(task: Task) -> Answers:
    if task.kind == "size":
        whole = floor(task.exact("maximum") - task.exact("minimum")) + task.whole("missing")
        yield str(whole.bit_length())


def _turns_on_missing(task: Task) -> bool:
    """Whether the code for a missing reading is the one that takes another bit."""
    codes = task.whole("codes")
    return bool(task.whole("missing")) and (codes - 1).bit_length() > (codes - 2).bit_length()


def _missing_forgotten(task: Task) -> Answers:
    if task.kind == "size" and _turns_on_missing(task):
        yield str((task.whole("codes") - 2).bit_length())


def _sign_bit_added(task: Task) -> Answers:
    if task.kind == "size" and task.exact("minimum") < 0:
        yield str((task.whole("codes") - 1).bit_length() + 1)


def _bits_for_bytes(task: Task) -> Answers:
    if task.kind == "flip":
        yield str(task.whole("bit") // 8)
    if task.kind == "airtime":
        yield _on_air(task, blocks=task.exact("size"))
    if task.kind == "pass":
        yield str(task.whole("frames") * task.whole("size") * 8)


def _on_air(task: Task, blocks: Fraction | int, *, cut: bool = False, preamble: bool = True) -> str:
    """Milliseconds on the air by the steps of the sheet, with so many payload bits before the packet's own check."""
    left = max(blocks + task.whole("crc_bits") - task.whole("first_bits"), 0)
    count = left // task.whole("block_bits") if cut else -(-left // task.whole("block_bits"))
    symbols = 8 + count * task.whole("block_symbols") + (task.exact("preamble") if preamble else 0)
    tenths = _rounded(symbols * task.exact("symbol_ms") * 10)
    return f"{tenths // 10}.{tenths % 10}"


def _preamble_forgotten(task: Task) -> Answers:
    if task.kind == "airtime":
        yield _on_air(task, task.exact("size") * 8, preamble=False)


def _factor_of_1000(task: Task) -> Answers:
    if task.kind == "airtime":
        right = Fraction(_on_air(task, task.exact("size") * 8))
        yield from _plain(right * 1000)
        yield f"{float(right / 1000):.4g}"
        yield decimal_text(right / 1000)
    if task.kind == "pass":
        per_frame = task.exact("airtime_ms") + task.exact("gap_ms")
        yield str(int(task.whole("duration_s") // per_frame) * task.whole("size"))


def _gap_forgotten(task: Task) -> Answers:
    if task.kind == "pass":
        frames = int(task.whole("duration_s") * 1000 // task.exact("airtime_ms"))
        yield str(frames * task.whole("size"))


def _frames_for_bytes(task: Task) -> Answers:
    if task.kind == "pass":
        yield str(task.whole("frames"))


# In the order in which they are named where one answer would fit several.
SLIPS: tuple[Slip, ...] = (
    Slip("little_endian", "low byte first (little-endian)", _low_octet_first),
    Slip("sign", "the sign was lost, or a sign bit read as a number", _lost_sign),
    Slip("cut", "cut off where it must be rounded", _cut_off),
    Slip("not_rounded", "left unrounded, or rounded at another step", _not_rounded),
    Slip("no_offset", "forgot the offset (the minimum)", _no_offset),
    Slip("offset_wrong_way", "offset the wrong way: added where it is taken away", _offset_the_wrong_way),
    Slip("scale_wrong_way", "scale the wrong way: multiplied where it divides", _scale_the_wrong_way),
    Slip("hex_decimal", "hexadecimal and decimal mixed up", _hex_for_decimal),
    Slip("bit_order", "bits counted or written from the other end", _bits_from_the_other_end),
    Slip("wrong_span", "the check over the wrong span", _wrong_span),
    Slip("generator_backwards", "the generator read backwards", _generator_backwards),
    Slip("borrow", "subtracted with borrow instead of exclusive or", _with_borrow),
    Slip("carry", "the carry kept or added back", _carry_kept),
    Slip("inverted", "the sum inverted or negated", _inverted),
    Slip("no_step", "counted units, not steps", _step_forgotten),
    Slip("no_missing", "no code for a missing reading", _missing_forgotten),
    Slip("sign_bit", "a sign bit beside a minimum that says it already", _sign_bit_added),
    Slip("bits_bytes", "bits and bytes mixed up", _bits_for_bytes),
    Slip("no_preamble", "forgot the preamble", _preamble_forgotten),
    Slip("thousand", "a factor of 1000: seconds and milliseconds", _factor_of_1000),
    Slip("no_gap", "forgot the gap between frames", _gap_forgotten),
    Slip("frames", "frames counted, not their bytes", _frames_for_bytes),
    Slip("one_off", "one off", _one_off),
)


def found_in(task: Task, written: str) -> tuple[Slip, ...]:
    """The slips that lead to what was written, in the order of the table; none where no slip of the table does."""
    return tuple(
        slip for slip in SLIPS if any(matches(task.kind, one, written) for one in slip.answers(task))
    )


def told_apart(task: Task) -> tuple[int, int]:
    """How many slips of a task have answers that are no other slip's, and how many slips show in it at all."""
    answers = {
        slip.key: [one for one in slip.answers(task) if not matches(task.kind, task.answer, one)]
        for slip in SLIPS
    }
    clear = slips = 0
    for key, mine in answers.items():
        if not mine:
            continue
        slips += 1
        others = [one for name, theirs in answers.items() if name != key for one in theirs]
        clear += not any(matches(task.kind, other, one) for one in mine for other in others)
    return clear, slips
