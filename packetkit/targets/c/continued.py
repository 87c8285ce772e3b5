"""Numbers that go on from octet to octet: how many octets one has, and those octets, as functions that a mission's frames share.

A member holds the number itself, so encoding sends no more octets than it needs; reading takes those that are not needed, too. Two's
complement is never shifted as such: a negative number has as many octets as its complement.
"""

from __future__ import annotations

from collections.abc import Sequence

from packetkit.layout.coding import GROUP, octets_for
from packetkit.layout.model import Continued
from packetkit.layout.numbered import WIDEST
from packetkit.layout.slots import Slot
from packetkit.targets.c.frame import FrameCode, Mission
from packetkit.targets.c.words import Page, ctype, unsigned

# How the octets of each coding lie: the word in the names of the functions that put and take them.
FORMS = {
    "continued_low_first": "low",
    "continued_low_first_signed": "low_signed",
    "continued_high_first": "high",
}

_OCTETS = """\
/* How many octets a number has of which the first `bits` have room in one; `most` at most. */
static uint8_t NAME_octets(KIND code, uint8_t bits, uint8_t most) {
    uint8_t many = 1;
    for (code = (KIND)(code >> bits); code != 0 && many < most; code = (KIND)(code >> 7)) {
        many++;
    }
    return many;
}
"""

_PUT_LOW = """\
static void NAME_put_groups_low(uint8_t *to, KIND code, uint8_t many) {
    for (; many > 1; many--) {
        *to++ = (uint8_t)(0x80 | (code & 0x7F));
        code = (KIND)(code >> 7);
    }
    *to = (uint8_t)(code & 0x7F);
}
"""

# The tenth octet has the sign in all of its bits.
_PUT_SIGNED = """\
static void NAME_put_groups_low_signed(uint8_t *to, KIND code, uint8_t many) {
    const KIND sign = (code >> 63) ? (KIND)((KIND)0x7F << 57) : 0;
    for (; many > 1; many--) {
        *to++ = (uint8_t)(0x80 | (code & 0x7F));
        code = (KIND)((code >> 7) | sign);
    }
    *to = (uint8_t)(code & 0x7F);
}
"""

_PUT_HIGH = """\
static void NAME_put_groups_high(uint8_t *to, KIND code, uint8_t many) {
    to[--many] = (uint8_t)(code & 0x7F);
    while (many > 0) {
        code = (KIND)(code >> 7);
        to[--many] = (uint8_t)(0x80 | (code & 0x7F));
    }
}
"""

_PASS = """\
/* How many octets a number has that is known to be there. */
static uint8_t NAME_passed(const uint8_t *from) {
    uint8_t many = 1;
    while (*from++ & 0x80) {
        many++;
    }
    return many;
}
"""

_FOUND = """\
/* How many octets a number has; 0: the bits that are left end first; more than `most`: it goes on. */
static uint8_t NAME_found(const uint8_t *from, uint32_t left, uint8_t most) {
    uint8_t many = 0;
    while (many < most) {
        if (left < 8) {
            return 0;
        }
        left -= 8;
        if (!(from[many++] & 0x80)) {
            return many;
        }
    }
    return (uint8_t)(most + 1);
}
"""

_TAKE_LOW = """\
static KIND NAME_take_groups_low(const uint8_t *from, uint8_t many) {
    KIND code = 0;
    while (many > 0) {
        code = (KIND)((code << 7) | (from[--many] & 0x7F));
    }
    return code;
}
"""

_TAKE_SIGNED = """\
static KIND NAME_take_groups_low_signed(const uint8_t *from, uint8_t many) {
    KIND code = (from[many - 1] & 0x40) ? (KIND)~(KIND)0 : 0;
    while (many > 0) {
        code = (KIND)((code << 7) | (from[--many] & 0x7F));
    }
    return code;
}
"""

_TAKE_HIGH = """\
static KIND NAME_take_groups_high(const uint8_t *from, uint8_t many) {
    KIND code = 0;
    for (; many > 0; many--) {
        code = (KIND)((code << 7) | (*from++ & 0x7F));
    }
    return code;
}
"""

# Each function's name behind the mission's, and its text.
_FUNCTIONS = {
    "octets": _OCTETS,
    "put_groups_low": _PUT_LOW,
    "put_groups_low_signed": _PUT_SIGNED,
    "put_groups_high": _PUT_HIGH,
    "passed": _PASS,
    "found": _FOUND,
    "take_groups_low": _TAKE_LOW,
    "take_groups_low_signed": _TAKE_SIGNED,
    "take_groups_high": _TAKE_HIGH,
}


def most_octets(slot: Slot) -> int:
    """Return how many octets a number can have."""
    return octets_for(slot.width)


def kind_of(frames: Sequence[FrameCode]) -> str:
    """Return the unsigned type that has room for all numbers of a mission."""
    widths = [
        node.slot.width for frame in frames for node in frame.layout.walk() if isinstance(node, Continued)
    ]
    return "uint64_t" if max(widths, default=0) > 32 else "uint32_t"


def define(page: Page, mission: Mission, frames: Sequence[FrameCode], code: str) -> None:
    """Write the functions, as far as code calls them."""
    for name, text in _FUNCTIONS.items():
        if f"{mission.prefix}_{name}(" in code:
            page.lines += text.replace("NAME", mission.prefix).replace("KIND", kind_of(frames)).split("\n")


def counted(frame: FrameCode, slot: Slot, value: str) -> str:
    """Return the expression of how many octets a number has."""
    most = most_octets(slot)
    if slot.signed:
        kind = unsigned(slot.width)
        value = f"({kind})({value} < 0 ? ({kind})~({kind}){value} : ({kind}){value})"
    return f"{frame.mission.prefix}_octets({value}, {GROUP - slot.signed}, {most})"


def put(frame: FrameCode, slot: Slot, where: str, value: str) -> str:
    """Return what puts a number's `many` octets."""
    form = FORMS[frame.codings[slot.number]]
    if slot.width < WIDEST:
        form = form.removesuffix("_signed")
    return f"{frame.mission.prefix}_put_groups_{form}({where}, ({unsigned(slot.width)}){value}, many);"


def too_wide(frame: FrameCode, slot: Slot) -> str:
    """Return the condition that the `many` octets at `b` tell more bits than any type has; empty where they cannot."""
    if slot.width < WIDEST:
        return ""
    most, high = most_octets(slot), FORMS[frame.codings[slot.number]] == "high"
    last = "b[0]" if high else f"b[{most - 1}]"
    beyond = f"({last} & 0x7E) != 0"
    if slot.signed:
        beyond = f"({last} & 0x7F) != 0 && ({last} & 0x7F) != 0x7F"
    return f"many == {most} && {beyond}"


def taken(frame: FrameCode, slot: Slot) -> str:
    """Return the expression of the number in the `many` octets at `b`."""
    code = f"{frame.mission.prefix}_take_groups_{FORMS[frame.codings[slot.number]]}(b, many)"
    return f"({ctype(slot.width, slot.signed)}){code}"
