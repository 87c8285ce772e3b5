"""SLIP (RFC 1055) and KISS, which puts a command octet in front of it."""

from __future__ import annotations

from packetkit.framing.delimited import Framing

END, ESC, ESC_END, ESC_ESC = 0xC0, 0xDB, 0xDC, 0xDD
_ENDED, _ESCAPED = bytes((ESC, ESC_END)), bytes((ESC, ESC_ESC))


def escape(data: bytes) -> bytes:
    """Return the bytes with END and ESC replaced by two octets each."""
    return data.replace(b"\xdb", _ESCAPED).replace(b"\xc0", _ENDED)


def unescape(data: bytes) -> tuple[bytes, str]:
    """Return the bytes that escaped ones mean, and what is wrong with them; an ESC that escapes nothing is left as it is."""
    parts = data.split(b"\xdb")
    made = bytearray(parts[0])
    problem = ""
    for part in parts[1:]:
        if part[:1] == b"\xdc":
            made += b"\xc0" + part[1:]
        elif part[:1] == b"\xdd":
            made += b"\xdb" + part[1:]
        else:
            made += b"\xdb" + part
            problem = problem or "an escape octet 0xDB is followed by neither 0xDC nor 0xDD"
    return bytes(made), problem


SLIP = Framing("slip", END, unescape, escape, "RFC 1055")


def _unescape_kiss(data: bytes) -> tuple[bytes, str]:
    found, problem = unescape(data)
    command = found[0] & 15
    if not problem and command:
        problem = f"the command octet 0x{found[0]:02X} says command {command}, and only command 0 is data"
    return found[1:], problem


# The command octet: the port in the high four bits, the command in the low four. Written is port 0.
KISS = Framing(
    "kiss",
    END,
    _unescape_kiss,
    lambda data: escape(b"\x00" + data),
    "Chepponis and Karn, The KISS TNC (1987), sections 2 to 4, from memory",
)
