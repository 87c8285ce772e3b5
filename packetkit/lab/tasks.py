"""Tasks for a student's number, drawn from the class's own schema: what is asked, what is right, and the steps that lead there.

The seed and the number decide everything, so a sheet can be made again, and marking needs nothing but the two. A task is facts, plain
values; words are in `words`, and slips, in `slips`, work from the same facts. A draw in which two slips give one answer is drawn again,
so that an answer tells which slip it was.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from math import floor
from random import Random
from typing import Any

from packetkit.codec.record import put
from packetkit.conformance.simulate import simulate
from packetkit.lab.experiment import LabError
from packetkit.lab.resync import QUIET
from packetkit.layout.model import Layout, Run
from packetkit.layout.slots import Linear, Slot
from packetkit.mission.budget import longest
from packetkit.mission.load import Mission
from packetkit.radio import chirp, settings

Fact = int | str | Fraction | tuple[str, ...]
Facts = Mapping[str, Fact]

DRAWS = 60  # tries for facts in which slips show, and each by an answer of its own
SHOWN_SLIPS = 2
SUMMED = 5  # octets that are added up by hand
DIVIDED_BITS, GENERATOR = 10, 0b10011  # x^4 + x + 1: four check bits, ten lines of division at most
SETTING = settings.Setting(
    spreading_factor=7, bandwidth=125
)  # for a schema that names no radio; the sheet says the setting


@dataclass(frozen=True)
class Task:
    """One task. answer: as a student should write it; record: what a frame holds where the oracle shall judge by it."""

    kind: str
    facts: Facts
    answer: str
    record: Mapping[str, Any] = field(default_factory=dict)

    def whole(self, name: str) -> int:
        """A fact that is a whole number."""
        value = self.facts[name]
        assert isinstance(value, int)
        return value

    def exact(self, name: str) -> Fraction:
        """A fact that is a number."""
        value = self.facts[name]
        assert isinstance(value, (int, Fraction))
        return Fraction(value)

    def text(self, name: str) -> str:
        """A fact that is text."""
        return str(self.facts[name])


@dataclass(frozen=True)
class Class:
    """What sheets are drawn from: a mission, one of its frames, and the seed."""

    mission: Mission
    frame: str
    seed: int

    @property
    def layout(self) -> Layout:
        return self.mission.layouts[self.frame]

    @property
    def sheet(self) -> str:
        """What is printed on each sheet, so that answers are marked by the tasks that were asked: seed, frame and its fingerprint."""
        return f"{self.seed}-{self.layout.fingerprint.rpartition('-')[2][:8]}"

    @property
    def setting(self) -> settings.Setting:
        return self.mission.link.setting or SETTING


def decimal_text(number: Fraction) -> str:
    """A number with a finite decimal form, exactly: -12.34.

    >>> decimal_text(Fraction(-617, 50)), decimal_text(Fraction(3))
    ('-12.34', '3')
    """
    places = 0
    while (number * 10**places).denominator != 1:
        places += 1
    digits = f"{abs(int(number * 10**places)):0{places + 1}d}"
    whole = digits[: len(digits) - places] + ("." + digits[len(digits) - places :] if places else "")
    return f"-{whole}" if number < 0 else whole


def is_decimal(number: Fraction) -> bool:
    """True where a number has a finite decimal form that fits a line."""
    rest, places = number.denominator, 0
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
            places += 1
    return rest == 1 and places <= 16


# ---- fields that can be worked by hand


def fields_of(layout: Layout) -> list[Slot]:
    """The numbers of a frame that are scaled, stand in it once and always, and have decimal steps."""
    slots = [slot for node in layout.nodes if isinstance(node, Run) for slot in node.slots]
    return [slot for slot in slots if _is_workable(slot)]


def _is_workable(slot: Slot) -> bool:
    if (
        slot.kind != "number"
        or slot.coding
        or slot.pieces
        or slot.role
        or slot.tellers  # another field may say that it has no value
        or not isinstance(slot.transform, Linear)
    ):
        return False
    linear = slot.transform
    decimal = is_decimal(linear.scale) and is_decimal(linear.offset)
    widest = max((one.high - one.low for one in slot.legal), default=0)
    return decimal and linear.scale > 0 and linear.scale != 1 and slot.width <= 32 and widest >= 8


def _linear(slot: Slot) -> Linear:
    assert isinstance(slot.transform, Linear)
    return slot.transform


def _about(slot: Slot) -> dict[str, Fact]:
    """What a sheet says of a field."""
    linear = _linear(slot)
    return {
        "field": slot.address,
        "bits": slot.width,
        "unit": slot.unit,
        "scale": linear.scale,
        "offset": linear.offset,
        "signed": int(slot.signed),
    }


def _code(slot: Slot, chance: Random, below_zero: bool) -> int:
    """A legal raw code well inside the longest stretch of them; of a value below zero where that is wanted and there is one."""
    stretch = max(slot.legal, key=lambda one: one.high - one.low)
    low, high = stretch.low + 2, stretch.high - 2
    zero = floor(-_linear(slot).offset / _linear(slot).scale)
    if below_zero and low < zero - 1:
        high = min(high, zero - 1)
    return chance.randint(low, max(high, low))


def hex_of(raw: int, bits: int) -> str:
    """A raw code in hexadecimal, all its digits; of a negative one its bits.

    >>> hex_of(-1, 12), hex_of(477, 11)
    ('0xFFF', '0x1DD')
    """
    return f"0x{raw & (1 << bits) - 1:0{(bits + 3) // 4}X}"


# ---- drawing


def _encode(of: Class, chance: Random) -> Task:
    """A value between two steps, nearer to the upper one: cutting it off gives another code than rounding."""
    slot = chance.choice(fields_of(of.layout))
    raw = _code(slot, chance, below_zero=bool(chance.getrandbits(1)))
    between = Fraction(chance.choice((1, 2, 3, 4)), 10)
    value = _linear(slot).offset + _linear(slot).scale * (raw - between)
    record = _record(of, chance)
    put(record, slot.path, value)
    return Task("encode", {**_about(slot), "value": value, "raw": raw}, str(raw), record)


def _decode(of: Class, chance: Random) -> Task:
    slot = chance.choice(fields_of(of.layout))
    raw = _code(slot, chance, below_zero=bool(chance.getrandbits(1)))
    value = _linear(slot).offset + _linear(slot).scale * raw
    record = _record(of, chance)
    put(record, slot.path, {"raw": raw})
    facts = {**_about(slot), "raw": raw, "code": hex_of(raw, slot.width), "value": value}
    return Task("decode", facts, decimal_text(value), record)


def _record(of: Class, chance: Random) -> dict[str, Any]:
    return _sent(of, chance)[0]


def _sent(of: Class, chance: Random) -> tuple[dict[str, Any], bytes]:
    """A plausible record of the frame, and its bytes."""
    frame = of.mission.frame(of.frame)
    sent = next(simulate({of.frame: frame}, Fraction(1), QUIET, chance.getrandbits(32)))
    assert sent.values is not None
    return sent.values, sent.data


def _bytes(of: Class, chance: Random) -> Task:
    """A number of 16 bits as two octets, the high one first."""
    number = chance.randrange(0x1000, 9999)  # four digits in either base
    return Task("bytes", {"number": number}, number.to_bytes(2, "big").hex(" ").upper())


def _flip(of: Class, chance: Random) -> Task:
    """One bit of a frame that was turned over on the way; bits are counted from 0, as the strip draws them from the left."""
    record, data = _sent(of, chance)
    bit = chance.randrange(len(data) * 8)
    hurt = bytearray(data)
    hurt[bit // 8] ^= 0x80 >> bit % 8
    facts: dict[str, Fact] = {
        "sent": data.hex(" ").upper(),
        "received": bytes(hurt).hex(" ").upper(),
        "bit": bit,
        "size": len(data),
    }
    return Task("flip", facts, str(bit), record)


def _sum(of: Class, chance: Random) -> Task:
    """An 8-bit sum over some octets of a frame."""
    _, data = _sent(of, chance)
    start = chance.randrange(max(len(data) - SUMMED, 0) + 1)
    octets = (data[start:] + chance.randbytes(SUMMED))[:SUMMED]
    facts: dict[str, Fact] = {"octets": octets.hex(" ").upper(), "total": sum(octets)}
    return Task("sum", facts, f"{sum(octets) % 256:02X}")


def _divide(of: Class, chance: Random) -> Task:
    """The check of the first bits of a frame by long division, four zeros appended."""
    _, data = _sent(of, chance)
    bits = int.from_bytes(data[:2].ljust(2, b"\x00"), "big") >> 16 - DIVIDED_BITS ^ chance.getrandbits(
        DIVIDED_BITS
    )
    facts: dict[str, Fact] = {"bits": f"{bits:0{DIVIDED_BITS}b}", "generator": f"{GENERATOR:b}"}
    return Task("divide", facts, f"{remainder(bits << 4, DIVIDED_BITS + 4, GENERATOR):04b}")


def remainder(dividend: int, bits: int, generator: int) -> int:
    """What is left of a polynomial of so many bits when the generator is taken out wherever it fits."""
    degree = generator.bit_length() - 1
    for place in range(bits - 1, degree - 1, -1):
        if dividend >> place & 1:
            dividend ^= generator << place - degree
    return dividend


def _size(of: Class, chance: Random) -> Task:
    """How many bits a new field takes: its codes, and one more where a reading may be missing."""
    step = Fraction(1, chance.choice((2, 5, 10, 20)))
    missing = bool(chance.getrandbits(1))
    power = chance.randint(7, 11)
    # Now and then exactly so many codes that a missing one makes the difference; else anywhere between.
    steps = (1 << power) - 1 if chance.getrandbits(1) else chance.randrange(1 << power, (1 << power + 1) - 2)
    low = -chance.randrange(0, 60)
    facts: dict[str, Fact] = {
        "minimum": low,
        "maximum": low + steps * step,
        "step": step,
        "missing": int(missing),
        "codes": steps + 1 + missing,
    }
    return Task("size", facts, str((steps + missing).bit_length()))


def _airtime(of: Class, chance: Random) -> Task:
    setting = of.setting
    size = chance.randint(8, 60)
    return Task(
        "airtime",
        {"size": size, **_radio_facts(of), **_setting_facts(setting)},
        _ms(chirp.time_on_air(setting, size)),
    )


def _radio_facts(of: Class) -> dict[str, Fact]:
    return {"setting": str(of.setting), "is_example": int(of.mission.link.setting is None)}


def _setting_facts(setting: settings.Setting) -> dict[str, Fact]:
    steps = chirp.airtime(setting, 0)
    return {
        "spreading_factor": setting.spreading_factor,
        "bandwidth_khz": setting.bandwidth.kilohertz,
        "symbol_ms": steps.symbol_s * 1000,
        "preamble": steps.preamble_symbols,
        "block_bits": steps.block_bits,
        "block_symbols": setting.block_symbols,
        "first_bits": steps.first_block_bits,
        "crc_bits": 16 if setting.crc else 0,
    }


def _ms(seconds: Fraction) -> str:
    """Milliseconds with one digit behind the point."""
    tenths = floor(seconds * 10_000 + Fraction(1, 2))
    return f"{tenths // 10}.{tenths % 10}"


def _pass(of: Class, chance: Random) -> Task:
    """Frames in a pass, and their bytes; the gap between two frames counts."""
    size, _ = longest(of.layout, of.mission.link)
    air = of.mission.link.time_on_air(size) or chirp.time_on_air(
        of.setting, min(size, chirp.MAXIMUM_PAYLOAD_BYTES)
    )
    on_air = Fraction(round(air * 10**6), 1000)  # what the sheet says: to a microsecond
    gap = Fraction(chance.choice((50, 100, 200, 250)))
    while True:  # until rounding makes no difference, so that budgets say the same
        duration = chance.randrange(240, 720)
        frames = int(duration * 1000 // (on_air + gap))
        if frames == duration // (air + gap / 1000):
            break
    facts: dict[str, Fact] = {
        "duration_s": duration,
        "airtime_ms": on_air,
        "gap_ms": gap,
        "size": size,
        "frames": frames,
        **_radio_facts(of),
    }
    return Task("pass", facts, str(frames * size))


KINDS: dict[str, Callable[[Class, Random], Task]] = {
    "encode": _encode,
    "decode": _decode,
    "bytes": _bytes,
    "flip": _flip,
    "sum": _sum,
    "divide": _divide,
    "size": _size,
    "airtime": _airtime,
    "pass": _pass,
}


def tasks_for(of: Class, student: int) -> dict[str, Task]:
    """Return one task of each kind for a student's number. Raises LabError where the frame has nothing to work by hand."""
    if not fields_of(of.layout):
        raise LabError(
            f"{of.frame} has no field that can be worked by hand: a number with a step, in the frame itself, in decimal steps"
        )
    return {kind: _clear(kind, draw, of, student) for kind, draw in KINDS.items()}


def _clear(kind: str, draw: Callable[[Class, Random], Task], of: Class, student: int) -> Task:
    """The first draw in which as many slips as possible give an answer of their own."""
    from packetkit.lab.slips import told_apart

    chance = Random(f"{of.sheet}/{student}/{kind}")  # teams with schemas of their own have tasks of their own
    best, most = None, -1
    for _ in range(DRAWS):
        task = draw(of, chance)
        clear, slips = told_apart(task)
        if clear > most:
            best, most = task, clear
        if clear == slips >= SHOWN_SLIPS:
            break
    assert best is not None
    return best
