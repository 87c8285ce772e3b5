"""Numbers that go on from octet to octet, in generated code: a record holds the number itself, in words where those are small.

Encoding sends the fewest octets, so what it reads must not be what it wrote last: octets that were not needed are read, and not kept. A
length of this kind stands before what it measures, whose place follows from its size: that part is written for one octet, and once more
where there are more. So what a part comes to must not depend on where it starts; its fills count from its own start.
"""

from __future__ import annotations

from collections.abc import Iterator

from packetkit.layout.coding import GROUP
from packetkit.layout.model import Continued, Measured, Node, walk
from packetkit.layout.slots import Slot

FORMS = {
    "continued_low_first": "low",
    "continued_low_first_signed": "signed",
    "continued_high_first": "high",
}

# Helpers by their names, each with those that it needs behind it.
HELPERS = {
    "_octets": """

def _octets(x):
    n = 1
    while x > 127:
        x >>= 7
        n += 1
    return n
""",
    "_go_low": """

def _go_low(d, at, x):
    k = at >> 3
    while x > 127:
        d[k] = x & 127 | 128
        x >>= 7
        k += 1
    d[k] = x
    return k + 1 << 3
""",
    "_go_signed": """

def _go_signed(d, at, x):
    k = at >> 3
    while not -64 <= x < 64:
        d[k] = x & 127 | 128
        x >>= 7
        k += 1
    d[k] = x & 127
    return k + 1 << 3
""",
    "_go_high": """

def _go_high(d, at, x):
    n = 0
    while x >> n > 127:
        n += 7
    k = at >> 3
    while n:
        d[k] = x >> n & 127 | 128
        k += 1
        n -= 7
    d[k] = x & 127
    return k + 1 << 3
""",
    "_go_words": """

def _go_words(d, at, w, n, form):
    spare = 127 if form == 1 and _group(w, 7 * n - 7) & 64 else 0
    while n > 1 and _group(w, 7 * n - 7) == spare and (form != 1 or _group(w, 7 * n - 14) & 64 == spare & 64):
        n -= 1
    k = at >> 3
    for i in range(n):
        d[k] = _group(w, 7 * (n - 1 - i if form == 2 else i)) | (128 if i < n - 1 else 0)
        k += 1
    return k << 3
""",
    "_group": """

def _group(w, low):
    k = len(w) - 1 - (low >> 4)
    x = w[k] >> (low & 15)
    if k and low & 15 > 9:
        x |= (w[k - 1] & 127) << 16 - (low & 15)
    return x & 127
""",
    "_come_words": """

def _come_words(d, at, w, n, most, form):
    for k in range(len(w)):
        w[k] = 0
    more = 127 if form == 1 and d[(at >> 3) + n - 1] & 64 else 0
    for i in range(most):
        x = more
        if i < n:
            x = d[(at >> 3) + (n - 1 - i if form == 2 else i)] & 127
        low = 7 * i
        k = len(w) - 1 - (low >> 4)
        w[k] |= x << (low & 15) & 0xFFFF
        if k and low & 15 > 9:
            w[k - 1] |= x >> 16 - (low & 15)
""",
}

NUMBERS = {"low": 0, "signed": 1, "high": 2}  # of forms, as the functions for words take them


def most_octets(slot: Slot) -> int:
    """The most octets of a number, by its slot in plain binary (layout/numbered.py)."""
    return -(-slot.width // GROUP)


def _lengths(node: Node) -> Iterator[int]:
    """The numbers of the lengths in a node that go on."""
    for one in walk((node,)):
        if isinstance(one, Continued) and one.slot.kind == "length":
            yield one.slot.number


def repeated(nodes: tuple[Node, ...], first: int) -> tuple[int, list[int]]:
    """Return the last node that is written again with the one at a place, as it holds what a length in that one measures; and such lengths.

    Where lengths reach over each other, all of them are written again together.
    """
    last, found, at = first, list[int](), first
    while at <= last:
        for number in _lengths(nodes[at]):
            ends = (place for place in range(at + 1, len(nodes)) if _measures(nodes[place], number))
            end = next(ends, None)
            if end is not None:
                last = max(last, end)
                found.append(number)
        at += 1
    return last, found


def _measures(node: Node, number: int) -> bool:
    return any(isinstance(one, Measured) and one.by == number for one in walk((node,)))
