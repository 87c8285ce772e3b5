"""Frames between flags 0x7E with octet stuffing and a check behind the data, as HDLC does on asynchronous lines (RFC 1662).

Which check it is, is an argument: a function of bytes, and how many octets it takes, stored low octet first.
"""

from __future__ import annotations

from collections.abc import Callable

from packetkit.framing.delimited import Framing

FLAG, ESCAPE, TURNED = 0x7E, 0x7D, 0x20

Check = Callable[[bytes], int]


def hdlc(check: Check | None, octets: int) -> Framing:
    """Return the framing with this check, or without one where it is None."""

    def escape(data: bytes) -> bytes:
        if check is not None:
            data += check(data).to_bytes(octets, "little")
        made = bytearray()
        for octet in data:
            made += bytes((ESCAPE, octet ^ TURNED)) if octet in (FLAG, ESCAPE) else bytes((octet,))
        return bytes(made)

    def unescape(data: bytes) -> tuple[bytes, str]:
        first, *rest = data.split(b"\x7d")
        made = bytearray(first)
        for part in rest:
            if not part:
                return bytes(made), "an escape octet 0x7D is followed by no octet to turn: the sender gave up"
            made += bytes((part[0] ^ TURNED,)) + part[1:]
        if check is None:
            return bytes(made), ""
        if len(made) < octets:
            return bytes(made), f"{len(made)} octets do not hold the check of {octets}"
        inner, stored = bytes(made[:-octets]), int.from_bytes(made[-octets:], "little")
        worked_out = check(inner)
        if worked_out != stored:
            says = f"the check of the framing is 0x{stored:0{2 * octets}X}, worked out 0x{worked_out:0{2 * octets}X}"
            return inner, says
        return inner, ""

    return Framing("hdlc", FLAG, unescape, escape, "RFC 1662, section 4 and appendix C")
