"""Codes into octets and out of them, where the first bit's place in its octet is known: straight-line C.

A field is shifted once, then its octets are moved; a partial octet waits in `p` for the field after it. Nothing is shifted by more than its
own type has, and always the short way round: with `over` bits of the field in the octet where it ends (most significant first; where it
begins, least first), the field is shifted by `over` if that is four at most and its type has room, else the part in that octet is cut off.
Measured on an 8-bit and a 32-bit processor against one expression an octet: a fifth smaller and faster on the former.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from packetkit.emit.wire import code_of
from packetkit.layout.model import Run
from packetkit.layout.slots import Packing, Slot
from packetkit.targets.c.words import Page, mask, number, size_for, unsigned


@dataclass(frozen=True, slots=True)
class Place:
    """Where a run lies: the octet at index `first` of the array `base` is the one that its first bit is in, `residue` bits into it."""

    base: str
    first: int
    residue: int
    packing: Packing

    def octet(self, at: int) -> str:
        """The octet that is the `at`-th of the run in the order that codes are read."""
        word = (self.packing.word_bits or 8) // 8
        return f"{self.base}[{self.first + at // word * word + word - 1 - at % word}]"

    def span(self, slot: Slot) -> tuple[int, int, int]:
        """Of a slot: its first octet, its last, and `over`: bits beside it in the octet where its least significant bit lies."""
        start = self.residue + slot.offset_bits
        end = start + slot.width
        over = start % 8 if self.packing is Packing.LEAST else -end % 8
        return start // 8, (end - 1) // 8, over

    @property
    def rises(self) -> bool:
        """True where a code's least significant octet comes first."""
        return self.packing is Packing.LEAST


def parts(slot: Slot) -> list[tuple[Slot, int]]:
    """The stretches of bits that a slot's code lies in, in wire order, each with how far it is from the code's low end."""
    if not slot.pieces:
        return [(slot, 0)]
    made, left = [], slot.width
    for at, width in slot.pieces:
        left -= width
        plain = replace(slot, pieces=(), offset_bits=at, width=width, signed=False)
        made.append((replace(plain, octets_reversed=False, bits_reversed=False), left))
    return sorted(made, key=lambda one: one[0].offset_bits)


def turned(name: str, slot: Slot, value: str) -> str:
    """A code of a field that is sent with its bits or octets in another order: by functions that `helpers` writes."""
    kind = unsigned(slot.width)
    if slot.bits_reversed:
        value = f"({kind}){name}_bits_turned({value}, {slot.width})"
    return f"({kind}){name}_octets_turned({value}, {slot.width // 8})" if slot.octets_reversed else value


def turned_back(name: str, slot: Slot, value: str) -> str:
    kind = unsigned(slot.width)
    if slot.octets_reversed:
        value = f"({kind}){name}_octets_turned({value}, {slot.width // 8})"
    return f"({kind}){name}_bits_turned({value}, {slot.width})" if slot.bits_reversed else value


# -- writing -------------------------------------------------------------------------------------------------------


@dataclass
class Packer:
    """Writes the slots of one run. waiting: what is known of the octet that is not full yet, as terms to be joined by or."""

    page: Page
    name: str
    place: Place
    waiting: list[str] = field(default_factory=list)
    known: int = 0  # of the waiting octet: bits of constants

    def start(self) -> None:
        """Take up the octet that the bits before this run have begun."""
        if self.place.residue:
            self.waiting = [self.place.octet(0)]

    def constant(self, slot: Slot, raw: int) -> None:
        """Put a code that is the same in every frame."""
        code = code_of(slot, raw)
        first, last, over = self.place.span(slot)
        code <<= over
        for step in range(last - first + 1):
            rank = step if self.place.rises else last - first - step
            self.known |= code >> 8 * rank & 0xFF
            if step < last - first or self._ends(slot):
                self._flush(first + step)

    def value(self, slot: Slot, raw: str, *, spare: bool = False) -> None:
        """Put a code that is an expression of its own type, masked to its width. spare: no bit above its width can be set."""
        first, last, over = self.place.span(slot)
        kind = unsigned(slot.width)
        if slot.octets_reversed or slot.bits_reversed:
            kept = (
                f"(({kind}){raw} & {mask(slot.width)})"
                if slot.width < size_for(slot.width)
                else f"({kind}){raw}"
            )
            raw, spare = turned(self.name, slot, kept), True
        if slot.signed:
            raw = f"({kind}){raw}"
        if not spare and slot.width < size_for(slot.width):
            raw = f"({raw} & {mask(slot.width)})"
        if first == last:
            self.waiting.append(f"(uint8_t)({raw} << {over})" if over else raw)
            if self._ends(slot):
                self._flush(first)
            return
        with self.page.block(""):
            self._wide(slot, kind, raw, first, last, over)

    def _wide(self, slot: Slot, kind: str, raw: str, first: int, last: int, over: int) -> None:
        """Put a code that lies in several octets; order: those octets from the code's high end to its low end."""
        order = list(range(first, last + 1))
        if self.place.rises:
            order.reverse()
        cut = bool(over) and (over > 4 or slot.width + over > size_for(slot.width))
        add = self.page.add
        if over and not cut:
            add(f"{kind} v = ({kind})({raw} << {over});")
        else:
            add(f"{kind} v = {_cast(kind, raw)};")
        parts = {at: f"v >> {8 * rank}" if rank else "v" for rank, at in enumerate(reversed(order))}
        if cut:
            add(f"uint8_t u = (uint8_t)(v << {over});", f"v = ({kind})(v >> {8 - over});")
            parts = {
                at: f"v >> {8 * (rank - 1)}" if rank > 1 else "v" for rank, at in enumerate(reversed(order))
            }
            parts[order[-1]] = "u"
        for at in range(first, last + 1):
            self.waiting.append(
                "u"
                if parts[at] == "u"
                else f"(uint8_t)({parts[at]})"
                if " " in parts[at]
                else f"(uint8_t){parts[at]}"
            )
            if at < last or self._ends(slot):
                self._flush(at)
        if self.waiting:
            add(f"p = {self.waiting.pop()};")
            self.waiting.append("p")

    def _ends(self, slot: Slot) -> bool:
        """Whether a slot's last bit is its octet's."""
        return (self.place.residue + slot.offset_bits + slot.width) % 8 == 0

    def _flush(self, at: int) -> None:
        terms = self.waiting + ([number(self.known)] if self.known or not self.waiting else [])
        if len(terms) == 1:
            only = terms[0]
            plain = only in ("p", "u") or only.startswith("(uint8_t)") or only[0].isdigit()
            value = only if plain else f"(uint8_t){only}"
        else:
            value = f"(uint8_t)({' | '.join(terms)})"
        self.page.add(f"{self.place.octet(at)} = {value};")
        self.waiting, self.known = [], 0

    def skip(self) -> None:
        """Leave whole octets that are written later."""
        assert not self.waiting and not self.known

    def finish(self, run: Run) -> None:
        """Write the octet that the run leaves half full."""
        if self.waiting or self.known:
            self._flush((self.place.residue + run.size_bits) // 8)


def _cast(kind: str, raw: str) -> str:
    return raw if raw.startswith(f"({kind})") and raw.count("(") == 1 else f"({kind}){raw}"


def store(page: Page, name: str, place: Place, slot: Slot, value: str) -> None:
    """Put a code into octets that hold zeros in its place, or nothing where it fills them: one that is computed late."""
    page.add(f"{unsigned(slot.width)} v = {turned(name, slot, value)};")
    for part, moved in parts(slot):
        code = f"(v >> {moved} & {mask(part.width)})" if slot.pieces else "v"
        first, last, over = place.span(part)
        for at in range(first, last + 1):
            rank = at - first if place.rises else last - at
            shift = 8 * rank - over
            piece = (
                f"(uint8_t)({code} >> {shift})"
                if shift > 0
                else f"(uint8_t)({code} << {-shift})"
                if shift < 0
                else f"(uint8_t){code}"
            )
            if _covers(place, part, at):
                page.add(f"{place.octet(at)} = {piece};")
            else:
                page.add(f"{place.octet(at)} = (uint8_t)({place.octet(at)} | {piece});")


def _covers(place: Place, slot: Slot, at: int) -> bool:
    start = place.residue + slot.offset_bits
    return start <= 8 * at and 8 * at + 8 <= start + slot.width


# -- reading -------------------------------------------------------------------------------------------------------


def read(name: str, place: Place, slot: Slot) -> tuple[list[str], str]:
    """Return statements, and then the expression of a slot's raw code, of its own type. The statements declare `x`."""
    if slot.pieces:
        return gathered(name, slot, lambda part: read(name, place, part))
    first, last, over = place.span(slot)
    if first == last:
        octet = place.octet(first)
        shifted = f"({octet} >> {over})" if over else octet
        value = shifted if slot.width == 8 else f"({shifted} & {mask(slot.width)})"
        if not (slot.signed or slot.octets_reversed or slot.bits_reversed):
            return [], octet if value == octet else f"(uint8_t){value}"
        lines = [f"uint8_t x = {octet if value == octet else f'(uint8_t){value}'};"]
    else:
        lines = _gathered(name, place, slot, first, last, over)
    if slot.octets_reversed or slot.bits_reversed:
        lines.append(f"x = {turned_back(name, slot, 'x')};")
    return lines, signed(slot, "x")


def gathered(
    name: str, slot: Slot, read_part: Callable[[Slot], tuple[list[str], str]]
) -> tuple[list[str], str]:
    """The code of a slot that lies in pieces, put together in `x` from what reads each."""
    kind = unsigned(slot.width)
    lines = [f"{kind} code = 0;"]
    for part, shift in parts(slot):
        inner, value = read_part(part)
        moved = f"(({kind})({value}) << {shift})" if shift else f"({kind})({value})"
        lines += ["{", *(f"    {line}" for line in inner), f"    code = ({kind})(code | {moved});", "}"]
    if slot.octets_reversed or slot.bits_reversed:
        lines.append(f"code = {turned_back(name, slot, 'code')};")
    return lines, signed(slot, "code")


def signed(slot: Slot, value: str) -> str:
    """A raw code's sign from its highest bit, in unsigned arithmetic, which cannot overflow.

    With the ones from that bit on added, then taken off by xor, a code keeps its bits and gets its sign: one constant serves both steps.
    """
    if not slot.signed:
        return value
    kind, size = unsigned(slot.width), size_for(slot.width)
    if slot.width == size:
        return f"(int{size}_t){value}"
    ones = number((1 << size) - (1 << (slot.width - 1)))
    return f"(int{size}_t)({kind})(({value} + {ones}) ^ {ones})"


def _gathered(name: str, place: Place, slot: Slot, first: int, last: int, over: int) -> list[str]:
    """Statements that leave a code in x."""
    kind, size = unsigned(slot.width), size_for(slot.width)
    order = list(range(first, last + 1))
    if place.rises:
        order.reverse()
    octets = [place.octet(at) for at in order]
    beside = 8 * len(order) - slot.width - over
    if not over or (slot.width + over <= size and over <= 4):
        lines = [f"{kind} x = {_joined(name, octets, kind, beside)};"]
        return lines + ([f"x = ({kind})(x >> {over});"] if over else [])
    upper = _joined(name, octets[:-1], kind, beside)
    return [f"{kind} x = {upper};", f"x = ({kind})((x << {8 - over}) | ({octets[-1]} >> {over}));"]


def _joined(name: str, octets: list[str], kind: str, beside: int) -> str:
    """Octets, high one first, as one number of a type, without the bits of other fields `beside` it in the first.

    Where those are taken off costs least in another place on each processor: see `joining`.
    """
    first, ones, upper = octets[0], mask(8 - beside), name.upper()
    whole = mask(8 * len(octets) - beside)
    if beside and kind == "uint16_t" and len(octets) == 2:
        return f"{upper}_PAIR({first}, {octets[1]}, {whole})"
    is_late = beside and kind == "uint32_t" and len(octets) > 1
    if is_late:
        first = f"{upper}_FIRST({first}, {ones})"
    elif beside:
        first = f"({first} & {ones})"
    if len(octets) == 1:
        return first if kind == "uint8_t" else f"({kind}){first}"
    ranks = range(len(octets) - 1, -1, -1)
    terms = [
        f"(({kind}){octet} << {8 * rank})" if rank else octet
        for octet, rank in zip((first, *octets[1:]), ranks, strict=True)
    ]
    made = f"({kind})({' | '.join(terms)})"
    return f"{upper}_WHOLE({made}, {whole})" if is_late else made


# Measured for F39 (tests/bench/bench_flight.py): an AVR has two octets together for nothing, a wider processor has to shift; of more
# octets an AVR takes bits off in one register, a wider one in one step for all. The product keeps the mask before the shift, where a
# compiler would move it behind.
_JOINING = """\
/* Octets as one code, without the bits of other fields in the first, which are taken off where that costs least. */
#if defined(__AVR__)
#define UPPER_PAIR(high, low, ones) ((uint16_t)((((uint16_t)(high) << 8) | (low)) & (ones)))
#define UPPER_FIRST(octet, ones) ((octet) & (ones))
#define UPPER_WHOLE(code, ones) (code)
#else
#define UPPER_PAIR(high, low, ones) ((uint16_t)((((high) & ((ones) >> 8)) * 0x100U) | (low)))
#define UPPER_FIRST(octet, ones) (octet)
#define UPPER_WHOLE(code, ones) ((code) & (ones))
#endif
"""


def joining(page: Page, name: str, code: str) -> None:
    """Write what puts octets together, as far as code uses it."""
    upper = name.upper()
    used = [word for word in ("PAIR", "FIRST", "WHOLE") if f"{upper}_{word}(" in code]
    for line in _JOINING.split("\n") if used else ():
        if not line.startswith("#define") or any(f"_{word}(" in line for word in used):
            page.directive(line.replace("UPPER", upper))


def constant_octets(
    place: Place, run: Run, wanted: Callable[[Slot], int | None]
) -> list[tuple[str, int, int]]:
    """Return each octet of a run that has bits that are always the same, as an expression, with those bits as ones and their code.

    wanted: a slot's raw code where it is always the same.
    """
    masks: dict[int, int] = {}
    codes: dict[int, int] = {}
    for slot in run.slots:
        raw = wanted(slot)
        if raw is None:
            continue
        for part, moved in parts(slot):
            first, last, over = place.span(part)
            ones = ((1 << part.width) - 1) << over
            code = code_of(slot, raw) >> moved << over & ones
            for at in range(first, last + 1):
                rank = at - first if place.rises else last - at
                masks[at] = masks.get(at, 0) | (ones >> 8 * rank & 0xFF)
                codes[at] = codes.get(at, 0) | (code >> 8 * rank & 0xFF)
    return [(place.octet(at), ones, codes[at]) for at, ones in masks.items()]


def constant_tests(place: Place, run: Run, wanted: Callable[[Slot], int | None]) -> list[str]:
    """Return conditions that are true where bits are not what a frame always has, one for each octet that has such bits."""
    return [
        f"{octet if ones == 0xFF else f'({octet} & {number(ones)})'} != {number(code)}"
        for octet, ones, code in constant_octets(place, run, wanted)
    ]


def helpers(page: Page, name: str, slots: list[Slot], code: str) -> None:
    """Write the functions that turn bits and octets around, as far as the code of these slots calls them."""
    for what, one in (
        ("octets", [slot for slot in slots if slot.octets_reversed and slot.width <= 64]),
        ("bits", [slot for slot in slots if slot.bits_reversed and slot.width <= 64]),
    ):
        if f"{name}_{what}_turned(" not in code:
            continue
        kind = unsigned(max(slot.width for slot in one))
        size = 8 if what == "octets" else 1
        with page.block(f"static {kind} {name}_{what}_turned({kind} code, uint8_t {what})"):
            page.add(f"{kind} made = 0;")
            with page.block(f"for (; {what} > 0; {what}--)"):
                ones = "0xFF" if size == 8 else "1"
                made = f"made << {size}" if kind != "uint8_t" or size == 1 else "0"
                page.add(f"made = ({kind})(({made}) | (code & {ones}));")
                page.add(
                    f"code = ({kind})(code >> {size});" if kind != "uint8_t" or size == 1 else "code = 0;"
                )
            page.add("return made;")
        page.add("")


_ONES = """\
static uint8_t NAME_ones(uint64_t code) {
    uint8_t made = 0;
    for (; code != 0; code &= code - 1) { made++; }
    return made;
}
"""

# More than any list has room for stays so.
_TIMES = """\
static uint32_t NAME_times(uint32_t made, uint64_t factor) {
    if (made == 0 || factor == 0) { return 0; }
    return factor > 0xFFFF / made ? 0x10000 : (uint32_t)(made * factor);
}
"""


def counting(page: Page, name: str, code: str) -> None:
    """Write the functions that compute how many elements a list has, as far as code calls them."""
    for word, text in (("ones", _ONES), ("times", _TIMES)):
        if f"{name}_{word}(" in code:
            page.lines += text.replace("NAME", name).split("\n")
