"""Seeded faults of many kinds, one a capture: does the diagnosis name the right cause first?

A mission is drawn as text, a unit sends by it, and either the text that the ground has or the bytes on their way are changed; the
diagnosis sees the ground's text and the bytes alone. Texts are changed as text, so nothing here knows how the diagnosis undoes things.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from random import Random
from typing import TextIO

from packetkit.captures.diagnose import diagnose
from packetkit.conformance.simulate import Channel, simulate
from packetkit.mission.load import Mission, parse

FAULTS = 200
FRAMES = 60
CHECKS = (
    "CRC-16/IBM-3740",
    "CRC-16/MODBUS",
    "CRC-16/XMODEM",
    "CRC-16/KERMIT",
    "CRC-32/ISO-HDLC",
    "CRC-16/DNP",
)


@dataclass(frozen=True)
class Unit:
    """What a mission's text is made of."""

    fields: tuple[str, ...]
    check: str = "CRC-16/IBM-3740"
    stored: str = ""
    covers: str = ""
    packing: str = ""
    sync: int | None = 0xB5C3
    tag: int = 1
    signed: str = ""
    frames: tuple[str, ...] = ("report",)

    @property
    def text(self) -> str:
        """The schema."""
        lines = ["mission: drawn", "frames:"]
        for number, name in enumerate(self.frames):
            lines += [f"  {name}:", "    cadence_s: 10"]
            lines += [f"    packing: {self.packing}"] if self.packing else []
            lines.append("    fields:")
            if self.sync is not None:
                lines.append(f"      - {{name: sync, kind: sync, bits: 16, code: {self.sync:#x}}}")
            lines.append(f"      - {{name: tag, kind: tag, bits: 8, code: {self.tag + number}}}")
            lines += [f"      - {one}" for one in self.fields[number:]]
            extra = "".join(
                f", {key}: {word}" for key, word in (("stored", self.stored), ("covers", self.covers)) if word
            )
            lines.append(f"      - {{name: check, kind: check, algorithm: {self.check}{extra}}}")
        return "\n".join(lines) + "\n"


@dataclass(frozen=True)
class Faulty:
    """A capture with a fault: what the ground has, what it received, and the kinds of cause that are right."""

    kind: str
    right: tuple[str, ...]
    ground: Mission
    data: bytes
    frame: str | None = None
    unit: Unit = field(default=Unit(()), repr=False)


def drawn(chance: Random) -> Unit:
    """A unit with some of the usual measures, in any order."""
    measures = [
        "{name: sequence, bits: 16, role: sequence}",
        "{name: temperature, bits: 16, signed: true, scale: 0.01, minimum: -60, maximum: 85, unit: Cel}",
        "{name: pressure, bits: 16, scale: 2, unit: Pa, minimum: 0, maximum: 120000}",
        "{name: voltage, bits: 16, scale: 0.001, unit: V, minimum: 0, maximum: 16}",
        "{name: humidity, bits: 8, scale: 0.5, unit: '%', minimum: 0, maximum: 100}",
        "{name: altitude, bits: 24, scale: 0.1, unit: m, minimum: 0, maximum: 40000}",
        "{name: speed, bits: 12, scale: 0.1, unit: m/s, minimum: 0, maximum: 300}",
        "{name: mode, bits: 4, states: {0: idle, 1: climb, 2: float, 3: descent, 4: landed}}",
    ]
    chosen = [measures[0], *chance.sample(measures[1:6], chance.randint(3, 5))]
    chance.shuffle(chosen)
    return Unit(
        (*chosen, *measures[6:]), check=chance.choice(CHECKS), sync=chance.choice([0xB5C3, 0x1ACF, 0xD391])
    )


def sent(unit: Unit, chance: Random, *, damage: int = 2) -> list[bytes]:
    """Frames that a unit sends, some of them damaged on the way."""
    mission = parse(unit.text)
    channel = Channel(Fraction(5, 100), Fraction(damage, 100), Fraction(0), Fraction(0), 0)
    made = simulate(
        mission.frames, Fraction(10 * FRAMES // len(unit.frames)), channel, chance.randint(0, 10**9)
    )
    return [one.data for one in made if one.offset is not None and one.fate in ("good", "damaged")]


Kind = Callable[[Random], Faulty]


def nothing(chance: Random) -> Faulty:
    unit = drawn(chance)
    return Faulty("nothing", (), parse(unit.text), b"".join(sent(unit, chance)), unit=unit)


def noise(chance: Random) -> Faulty:
    return Faulty("noise", ("none",), parse(drawn(chance).text), chance.randbytes(1500))


def wrong_frame(chance: Random) -> Faulty:
    unit = replace(drawn(chance), frames=("report", "survey"))
    other = replace(unit, frames=("survey",), fields=unit.fields[1:], tag=unit.tag + 1)
    data = b"".join(sent(other, chance))
    return Faulty("wrong frame", ("wrong frame or version",), parse(unit.text), data, "report", unit)


def wrong_version(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(sent(replace(unit, tag=unit.tag + chance.randint(1, 9)), chance))
    return Faulty("wrong version", ("wrong frame or version",), parse(unit.text), data, unit=unit)


def byte_order(chance: Random) -> Faulty:
    unit = drawn(chance)
    little = [
        one.replace("bits: 16,", "bits: 16, order: little,").replace("bits: 24,", "bits: 24, order: little,")
        for one in unit.fields
    ]
    data = b"".join(sent(replace(unit, fields=tuple(little)), chance))
    return Faulty("byte order", ("byte order",), parse(unit.text), data, unit=unit)


def swapped(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(sent(unit, chance))
    data += bytes(len(data) % 2)
    turned = b"".join(data[at : at + 2][::-1] for at in range(0, len(data), 2))
    return Faulty("byte order", ("byte order",), parse(unit.text), turned, unit=unit)


def packing(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(sent(replace(unit, packing="least_significant_first"), chance))
    return Faulty("packing", ("packing",), parse(unit.text), data, unit=unit)


def shifted_start(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(sent(unit, chance))
    by = chance.randint(1, 7)
    number = int.from_bytes(data, "big") | chance.getrandbits(by) << len(data) * 8
    moved = (number << 8 - by).to_bytes(len(data) + 1, "big")
    return Faulty("shifted start", ("shifted start",), parse(unit.text), moved, unit=unit)


def driver_bytes(chance: Random) -> Faulty:
    unit = drawn(chance)
    size = chance.randint(1, 6)
    data = b"".join(chance.randbytes(size) + one for one in sent(unit, chance))
    return Faulty("driver bytes", ("driver bytes",), parse(unit.text), data, unit=unit)


def hex_of_hex(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(sent(unit, chance)).hex()
    return Faulty(
        "hex of hex",
        ("hex of hex",),
        parse(unit.text),
        (data.upper() if chance.randint(0, 1) else data).encode(),
        unit=unit,
    )


def inverted(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = bytes(octet ^ 0xFF for octet in b"".join(sent(unit, chance)))
    return Faulty("inverted bits", ("inverted bits",), parse(unit.text), data, unit=unit)


def missing_sync(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(one[2:] for one in sent(unit, chance))
    return Faulty("missing sync", ("missing sync",), parse(unit.text), data, unit=unit)


def check_parameters(chance: Random) -> Faulty:
    unit = drawn(chance)
    others = [one for one in CHECKS if one != unit.check and one[:6] == unit.check[:6]]
    unit = unit if others else replace(unit, check="CRC-16/XMODEM")
    other = chance.choice([one for one in CHECKS if one != unit.check and one[:6] == unit.check[:6]])
    data = b"".join(sent(replace(unit, check=other), chance))
    return Faulty("check parameters", ("check parameters",), parse(unit.text), data, unit=unit)


def check_order(chance: Random) -> Faulty:
    unit = drawn(chance)
    data = b"".join(sent(replace(unit, stored="low_octet_first"), chance))
    return Faulty("check order", ("check order",), parse(unit.text), data, unit=unit)


def check_span(chance: Random) -> Faulty:
    unit = drawn(chance)
    first = "tag"
    last = "mode"
    data = b"".join(sent(replace(unit, covers=f"{{from: {first}, to: {last}}}"), chance))
    return Faulty("check span", ("check span",), parse(unit.text), data, unit=unit)


def signedness(chance: Random) -> Faulty:
    unit = drawn(chance)
    name = "drift"
    real = f"{{name: {name}, bits: 16, signed: true, scale: 0.1}}"
    data = b"".join(_drifting(replace(unit, fields=(*unit.fields[:2], real, *unit.fields[2:])), chance, name))
    wrong = real.replace("signed: true, ", "")
    ground = replace(unit, fields=(*unit.fields[:2], wrong, *unit.fields[2:]))
    return Faulty("signedness", ("signedness",), parse(ground.text), data, unit=ground)


def _drifting(unit: Unit, chance: Random, name: str) -> list[bytes]:
    """Frames in which one number drifts around zero, in steps that are small against its range."""
    frame = parse(unit.text).frame()
    value, made = chance.uniform(-30, 30), []
    for one in sent(unit, chance, damage=0):
        value = value * 0.95 + chance.uniform(-12, 12)
        made.append(frame.encode(frame.decode(one) | {name: round(value, 1)}))
    return made


def scale(chance: Random) -> Faulty:
    unit = drawn(chance)
    real = "{name: level, bits: 16, scale: 0.01, unit: m}"
    data = b"".join(_levels(replace(unit, fields=(*unit.fields[:2], real, *unit.fields[2:])), chance))
    wrong = "{name: level, bits: 16, scale: 0.1, minimum: 0, maximum: 40, unit: m}"
    ground = replace(unit, fields=(*unit.fields[:2], wrong, *unit.fields[2:]))
    return Faulty("scale", ("scale",), parse(ground.text), data, unit=ground)


def _levels(unit: Unit, chance: Random) -> list[bytes]:
    """Frames in which a level of 8 to 38 m moves slowly."""
    frame = parse(unit.text).frame()
    value, made = chance.uniform(15, 30), []
    for one in sent(unit, chance, damage=0):
        value = min(max(value + chance.uniform(-0.5, 0.5), 8), 38)
        made.append(frame.encode(frame.decode(one) | {"level": round(value, 2)}))
    return made


def pair(chance: Random) -> Faulty:
    """Inverted bits, or hexadecimal of hexadecimal, on top of another fault."""
    inner = chance.choice((check_order, check_parameters, packing, byte_order))(chance)
    if chance.randint(0, 1):
        return replace(
            inner,
            kind="pair",
            right=(*inner.right, "inverted bits"),
            data=bytes(one ^ 0xFF for one in inner.data),
        )
    return replace(inner, kind="pair", right=(*inner.right, "hex of hex"), data=inner.data.hex().encode())


KINDS: tuple[Kind, ...] = (
    nothing, noise, wrong_frame, wrong_version, byte_order, swapped, packing, shifted_start, driver_bytes, hex_of_hex, inverted,
    missing_sync, check_parameters, check_order, check_span, signedness, scale, pair,
)  # fmt: skip


def rank(faulty: Faulty) -> int:
    """The place of the right answer, counted from 0; 99 where it is not among the answers."""
    found = diagnose(faulty.ground, faulty.data, faulty.frame)
    if faulty.right == ("none",):
        return 99 if found else 0
    return next((place for place, one in enumerate(found) if sorted(one.kinds) == sorted(faulty.right)), 99)


def ranks(seed: int, count: int) -> list[tuple[Faulty, int]]:
    """Each fault and the place of its right cause; the kinds take turns."""
    made = []
    for number in range(count):
        faulty = KINDS[number % len(KINDS)](Random(f"{seed} {number}"))
        made.append((faulty, rank(faulty)))
    return made


def diagnosis(seed: int, out: TextIO) -> int:
    """Return how many faults are missing to the aims: the right cause first in 95 %, among three in 99 %."""
    made = ranks(seed, FAULTS)
    first, three = sum(place == 0 for _, place in made), sum(place < 3 for _, place in made)
    counts: Counter[str] = Counter(one.kind for one, _ in made)
    for kind, count in counts.items():
        mine = [place for one, place in made if one.kind == kind]
        out.write(
            f"  {kind:18} {sum(place == 0 for place in mine)} of {count} first, {sum(place < 3 for place in mine)} among three\n"
        )
    out.write(
        f"{len(made)} faults: right cause first in {first / len(made):.1%}, among three in {three / len(made):.1%}\n"
    )
    return max(0, -(-95 * len(made) // 100) - first) + max(0, -(-99 * len(made) // 100) - three)


CAMPAIGNS: dict[str, Callable[[int, TextIO], int]] = {"diagnosis": diagnosis}
