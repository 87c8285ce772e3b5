"""What may be wrong with a capture or its schema: one row for each cause, with what undoes it and the remedy in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from packetkit.layout.model import Layout
from packetkit.mission import variants
from packetkit.mission.load import Mission


@dataclass(frozen=True)
class Cause:
    """One thing that may be wrong. mend: undoes it in the bytes, or `layouts` holds the frames as they then are. told: the sentence."""

    kind: str
    told: str
    mend: Callable[[bytes], bytes] | None = None
    layouts: Mapping[str, Layout] | None = None
    remedy: str = ""
    program: str = ""  # what mends a recorded file: an expression of Python over its bytes, `d`


def _inverted(data: bytes) -> bytes:
    return bytes(octet ^ 0xFF for octet in data)


_MIRROR = bytes(int(f"{octet:08b}"[::-1], 2) for octet in range(256))


def _swapped(data: bytes, size: int) -> bytes:
    return b"".join(data[at : at + size][::-1] for at in range(0, len(data), size))


def _moved(data: bytes, by: int) -> bytes:
    """The octets that begin `by` bits later."""
    number = int.from_bytes(data, "big") << by
    return (number & ((1 << len(data) * 8) - 1)).to_bytes(len(data), "big")


def _from_digits(data: bytes) -> bytes:
    """The octets that octets spell in hexadecimal; as they are where they do not."""
    digits = data.translate(None, b" \t\r\n,:;-")
    if not digits or digits.translate(None, b"0123456789abcdefABCDEF"):
        return data
    return bytes.fromhex(digits[: len(digits) // 2 * 2].decode())


BITS = "decode --from packed-bits finds such frames by their sync marker"


def in_bytes() -> tuple[Cause, ...]:
    """Return the causes that are undone in the bytes."""
    made = [
        Cause(
            "inverted bits",
            "every bit is inverted",
            _inverted,
            remedy="invert the receiver's data, or the demodulator's; " + BITS,
            program="bytes(b ^ 255 for b in d)",
        ),
        Cause(
            "hex of hex",
            "the bytes are hexadecimal text of the bytes",
            _from_digits,
            remedy="convert from text once more",
            program="bytes.fromhex(d.decode())",
        ),
        Cause(
            "bit order",
            "the bits of each octet come in the opposite order",
            lambda data: data.translate(_MIRROR),
            remedy="let the receiver send its octets the other way round",
            program="bytes(int(f'{b:08b}'[::-1], 2) for b in d)",
        ),
        Cause(
            "line ends",
            "line feeds became carriage return and line feed, as where binary data is written as text",
            lambda data: data.replace(b"\r\n", b"\n"),
            remedy="write the file in binary mode",
            program=r"d.replace(b'\r\n', b'\n')",
        ),
        *(
            Cause(
                "byte order",
                told,
                lambda data, size=size: _swapped(data, size),  # type: ignore[misc]
                remedy="swap them where they are recorded",
                program=f"b''.join(d[i : i + {size}][::-1] for i in range(0, len(d), {size}))",
            )
            for size, told in (
                (2, "each two octets are swapped"),
                (4, "each four octets come in the opposite order"),
            )
        ),
    ]
    for by in range(1, 8):
        told = f"the frames begin {by} {'bit' if by == 1 else 'bits'} into an octet"
        moved = f"(int.from_bytes(d, 'big') << {by} & (1 << 8 * len(d)) - 1).to_bytes(len(d), 'big')"
        made.append(
            Cause("shifted start", told, lambda data, by=by: _moved(data, by), None, BITS, moved)  # type: ignore[misc]
        )
    return tuple(made)


def in_schema(mission: Mission) -> tuple[Cause, ...]:
    """Return the causes that are a difference of the schema."""
    layouts = dict(mission.layouts)
    tried = (
        (
            "packing",
            "fields are packed from the other end of each octet",
            variants.packing_turned(mission),
            "turn packing over",
        ),
        (
            "byte order",
            "numbers have their octets in the opposite order",
            variants.order_turned(mission),
            "turn order over",
        ),
        (
            "check order",
            "the check's octets are stored in the opposite order",
            variants.checks_turned(mission),
            "",
        ),
        (
            "missing sync",
            "the sync marker is taken off, and checks cover it",
            variants.without_sync(mission),
            "the receiver strips it",
        ),
        (
            "missing sync",
            "the sync marker is taken off, and checks do not cover it",
            variants.without_sync_unchecked(mission),
            "the receiver strips it",
        ),
        (
            "wrong frame or version",
            "constants or tags are other ones",
            variants.constants_open(layouts) if _have_constants(layouts) else None,
            "",
        ),
    )
    return tuple(Cause(kind, told, None, made, remedy) for kind, told, made, remedy in tried if made)


def _have_constants(layouts: Mapping[str, Layout]) -> bool:
    return len(layouts) == 1 and any(
        slot.kind in ("tag", "constant", "sync") for slot in next(iter(layouts.values())).slots
    )
