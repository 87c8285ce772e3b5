"""Consistent overhead byte stuffing: no zero octets inside, a zero octet between frames.

Source: Cheshire and Baker, Consistent Overhead Byte Stuffing, IEEE/ACM Transactions on Networking 7(2), 1999.
"""

from __future__ import annotations

from packetkit.framing.delimited import Framing

FULL = 0xFF  # a block of 254 octets that no zero follows


def escape(data: bytes) -> bytes:
    """Return the bytes without zero octets; one octet longer, and one more for each 254."""
    made = bytearray()
    parts = data.split(b"\0")
    for number, part in enumerate(parts):
        is_last = number == len(parts) - 1
        while len(part) >= FULL - 1:
            made += bytes((FULL,)) + part[: FULL - 1]
            part = part[FULL - 1 :]
            if is_last and not part:
                return bytes(made)  # a full block at the end stands alone
        made += bytes((len(part) + 1,)) + part
    return bytes(made)


def unescape(data: bytes) -> tuple[bytes, str]:
    """Return the bytes that stuffed ones mean, and what is wrong with them."""
    made = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        block = data[at + 1 : at + code]
        made += block
        if len(block) < code - 1:
            return bytes(made), f"a block of {code - 1} octets has only {len(block)}"
        at += code
        if code != FULL and at < len(data):
            made.append(0)
    return bytes(made), ""


COBS = Framing("cobs", 0, unescape, escape, "Cheshire and Baker (1999)")
