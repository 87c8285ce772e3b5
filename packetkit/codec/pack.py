"""From the values of a stretch to its octets: sums of shifted codes, in words that one call of struct packs.

A field lies in one word or in several; its code (codes.py) is added to each. Codes of fields that others ask for, and of split values,
are kept in variables first.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from struct import Struct

from packetkit.codec import bits
from packetkit.codec.bundled import is_written_out, opened
from packetkit.codec.checks import NotGeneratedError
from packetkit.codec.chunks import WRITING, Chunk, Cut, cut
from packetkit.codec.codes import Codes, flip, half, nothing_for, shifted
from packetkit.codec.pieces import place_in, places_of
from packetkit.codec.source import Source, bare, told
from packetkit.codec.stretch import Placed, Spot, Stretch, parts, reals
from packetkit.codec.taking import Taking
from packetkit.codec.values import raw_text
from packetkit.layout.beside import on_scale
from packetkit.layout.model import Layout, tellers
from packetkit.layout.slots import Bundle, Chosen, Packing, Slot

# A stretch is one integer up to here; a longer one is packed by struct.
_WIDE = 60


class Packer:
    """Packs one layout's stretches. trailing: the check that ends the frame, which is added to its octets at last, if there is one."""

    def __init__(
        self, layout: Layout, source: Source, codes: Codes, taking: Taking, trailing: Slot | None
    ) -> None:
        self.layout = layout
        self.source = source
        self.codes = codes
        self.taking = taking
        self.trailing = trailing
        self.tellers = {number for node in layout.walk() for number in tellers(node)}

    def is_ended_by(self, run: Stretch) -> bool:
        """Return whether a stretch ends with the check that ends the frame."""
        last = run.spots[-1].slot.number if run.spots else None
        return self.trailing is not None and last == self.trailing.number

    def packed(self, run: Stretch) -> str:
        """The text of a stretch as whole octets, from its first bit on; without the check that ends the frame."""
        pieces = []
        for part in parts(run, 0):
            octets = part.octets
            if self.is_ended_by(run) and part.octet + octets == -(-run.size // 8):
                octets -= run.spots[-1].slot.width // 8
            fields = self.opened(part.fields, part.low_first)
            sent = [(one.start, one.slot.width) for one in fields if self.is_sent(one.slot)]
            cutting = cut(octets, sent, WRITING, part, reals(part))
            texts = self.words(fields, cutting)
            form = cutting.format()
            if not texts and octets:
                pieces.append(f"bytes({octets})")
            elif texts:
                pack = self.source.name("pack", lambda form=form: Struct(form).pack, form)  # type: ignore[misc]
                pieces.append(f"{pack}({', '.join(texts)})")
        return " + ".join(pieces) or 'b""'

    def opened(self, fields: tuple[Placed, ...], low_first: bool) -> tuple[Placed, ...]:
        """The fields, bundles that are written out as what they are made of."""
        made: list[Placed] = []
        for one in fields:
            bundle = one.slot.transform
            if (
                isinstance(bundle, Bundle)
                and places_of(one.slot)
                and is_written_out(bundle)
                and not one.slot.tellers
            ):
                made += self.opened_bundle(one, bundle, low_first)
            else:
                made.append(one)
        return tuple(made)

    def opened_bundle(self, one: Placed, bundle: Bundle, low_first: bool) -> Iterator[Placed]:
        """The first code and the differences of a bundle, each as a field whose text is its bits."""
        slot, lift = one.slot, half(bundle.sample)
        first, *steps = self.differences(slot, bundle, one.spot.text)
        texts = [f"({first} ^ {lift:#x})" if lift else first]
        texts += [f"({step} & {(1 << bundle.width) - 1:#x})" for step in steps]
        for (at, width), text in zip(places_of(slot), texts, strict=True):
            start = place_in(low_first, one.start, slot.width, at, width)
            piece = Slot(slot.number, (), slot.address, "piece", start, width)
            yield Placed(start, piece, Spot(piece, start, text))

    def differences(self, slot: Slot, bundle: Bundle, value: str) -> list[str]:
        """Variables with the code of a bundle's first sample, never negative, and with the differences."""
        source, held = self.source, self.codes.variable("l")
        sample = replace(bundle.sample, number=slot.number, raises=slot.raises)
        source.add(f"{held} = {value}")
        source.fail_unless(f"type({held}) in lists and len({held}) == {bundle.samples}")
        names = [self.codes.variable("x") for _ in range(bundle.samples)]
        for at, name in enumerate(names):
            source.add(f"{name} = {bare(self.codes.text(sample, f'{held}[{at}]'))}")
        texts = ["0"] if bundle.has_missing else []
        texts += [f"{one} - {before}" for one, before in zip(names[1:], names, strict=False)]
        steps = [self.codes.variable("d") for _ in texts]
        for step, text in zip(steps, texts, strict=True):
            source.add(f"{step} = {text}")
        tests = [
            f"min({', '.join(steps)}, 0) < {-bundle.largest}",
            f"max({', '.join(steps)}, 0) > {bundle.largest}",
        ]
        if sample.missing_code is not None:
            tests.insert(0, f"{sample.missing_code + half(sample)} in ({', '.join(names)})")
        with source.block(f"if {' or '.join(tests)}:"):
            opening = source.name(
                "opened", lambda: partial(opened, bundle, half(sample)), (slot.number, "opened")
            )
            source.add(f"{', '.join([names[0], *steps])} = {opening}({self.codes.coder(slot)}({held}))")
        return [names[0], *steps]

    def is_sent(self, slot: Slot) -> bool:
        """Whether a slot's bits can be other than zero before the checks are computed."""
        return slot.kind not in ("reserved", "check")

    def words(self, fields: tuple[Placed, ...], cutting: Cut) -> list[str]:
        """The texts of a cut's words."""
        terms: dict[int, list[str]] = {chunk.start: [] for chunk in cutting.used()}
        fixed = dict.fromkeys(terms, 0)
        flips = dict.fromkeys(terms, 0)
        for one in fields:
            if self.is_sent(one.slot):
                self.field(one, cutting, terms, fixed, flips)
        return [_sum(terms[start], fixed[start], flips[start]) for start in terms]

    def take_apart(self, run: Stretch) -> None:
        """Keep the codes of a stretch's split values in variables, of which their pieces are cut."""
        for spot in run.split:
            name = self.named(spot.slot, spot.text)
            if flip(spot.slot):
                self.source.add(f"{name} ^= {flip(spot.slot):#x}")
            for piece in spot.pieces:
                piece.text = f"({name} >> {piece.lift} & {(1 << piece.slot.width) - 1:#x})"

    def field(
        self,
        one: Placed,
        cutting: Cut,
        terms: dict[int, list[str]],
        fixed: dict[int, int],
        flips: dict[int, int],
    ) -> None:
        """Add one field to the words it lies in."""
        slot = one.slot
        places = cutting.parts(one.start, slot.width)
        if places[0][0].is_real:
            real = self.codes.real(slot, one.spot.text)
            terms[one.start].append(
                self.judged(slot, real, one.spot.text, real=True) if slot.tellers else real
            )
            return
        if slot.kind == "piece":
            for chunk, shift, width, lift in places:
                text = one.spot.text
                if width < slot.width:
                    text = f"({text} >> {lift} & {(1 << width) - 1:#x})"
                terms[chunk.start].append(shifted(text, shift))
            return
        constant = slot.is_constant
        value = bits.code_of(slot, slot.codes[0].low) if constant else flip(slot)
        for chunk, shift, width, lift in places:
            piece = (value >> lift & ((1 << width) - 1)) << shift
            if constant:
                fixed[chunk.start] |= piece
            else:
                flips[chunk.start] |= piece
        if constant:
            if slot.number in self.tellers:
                self.source.add(f"r{slot.number} = {slot.codes[0].low}")
            return
        if len(places) == 1 and slot.number not in self.tellers and not slot.tellers:
            chunk, shift, width, _ = places[0]
            guarded = cutting.is_struct and shift + width == chunk.size
            terms[chunk.start].append(self.codes.text(slot, one.spot.text, shift, guarded=guarded))
            return
        name = self.named(slot, one.spot.text)
        for chunk, shift, width, lift in places:
            text = f"{name} >> {lift}" if lift else name
            if lift + width < slot.width:
                text = f"{text} & {(1 << width) - 1:#x}"
            terms[chunk.start].append(shifted(f"({text})" if " " in text else text, shift))

    def judged(self, slot: Slot, code: str, value: str, *, real: bool = False) -> str:
        """The text of a code, or a real number, where there is a value, else of what is sent for nothing."""
        key = (slot.number, slot.octets_reversed, real)
        made = self.source.name("nothing", lambda: nothing_for(slot, real=real), key)
        text = f"({code})"
        if isinstance(slot.transform, Chosen):
            by = self.layout.slots[slot.transform.by]
            texts = (
                f"({bare(self.codes.text(on_scale(slot, linear), value))}) if {told(by, (codes,))} else"
                for codes, linear in slot.transform.choices
            )
            text = f"({' '.join(texts)} {made}({value}))"
        if slot.valid_when is None:
            return text
        return f"{text} if {told(self.layout.slots[slot.valid_when.by], slot.valid_when.codes)} else {made}({value})"

    def named(self, slot: Slot, value: str) -> str:
        """A variable with a field's code; that of a teller is kept, too, as its raw code."""
        if slot.number not in self.tellers:
            name = self.codes.variable("x")
            text = "" if isinstance(slot.transform, Chosen) else self.codes.text(slot, value)
            self.source.add(f"{name} = {self.judged(slot, text, value) if slot.tellers else text}")
            return name
        name = f"r{slot.number}"
        if slot.kind in ("count", "length"):
            if slot.number not in self.taking.counted:
                raise NotGeneratedError
            return raw_text(slot, name, signed=True)  # turning octets round is its own inverse
        code = self.codes.variable("x")
        self.source.add(f"{code} = {self.codes.text(slot, value)}")
        raw = f"{code} - {flip(slot)}" if flip(slot) else raw_text(slot, code, signed=False)
        self.source.add(f"{name} = {raw}")
        return code

    def number(self, run: Stretch) -> str:
        """The text of a stretch as one number."""
        low_first = run.packing is Packing.LEAST
        if run.size <= _WIDE and run.packing.word_bits is None:
            placed = self.opened(tuple(Placed(spot.offset, spot.slot, spot) for spot in run.spots), low_first)
            return self.words(placed, Cut([Chunk(0, run.size)], low_first, False, is_struct=False))[0]
        order = "little" if low_first else "big"
        lift = f" >> {-run.size % 8}" if run.size % 8 and not low_first else ""
        return f'int.from_bytes({self.packed(run)}, "{order}"){lift}'


def _sum(terms: list[str], fixed: int, flips: int) -> str:
    """The text of a word: fields do not overlap, so their sum is their union."""
    if not terms:
        return f"{fixed:#x}"
    if len(terms) == 1 and not fixed and not flips:
        return bare(terms[0])
    total = " + ".join(terms)  # a term is a name, a product or in parentheses
    if not fixed and not flips:
        return total
    return f"({total}) ^ {fixed | flips:#x}" if len(terms) > 1 else f"{total} ^ {fixed | flips:#x}"
