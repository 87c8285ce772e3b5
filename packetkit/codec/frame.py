"""The public codec of one frame: a layout in, `encode`, `decode` and `decode_from` out, by functions made for that layout.

The functions are Python source generated from the layout (decoder.py, encoder.py) at the first call, with their tables; a Frame that
is only looked at costs nothing. They do what is right and common. Whatever is wrong or rare goes to the walker (walk.py), so that
there is one place that knows every rule, and one that words every error. `FrameCodec.source` is the text, to be read.
"""

from __future__ import annotations

from binascii import crc_hqx
from collections.abc import Callable, Mapping
from functools import cached_property, partial
from struct import error as struct_error
from typing import TYPE_CHECKING, Any

from packetkit.codec import bits, derive, walk
from packetkit.codec.bits import Octets
from packetkit.codec.checks import NotGeneratedError
from packetkit.codec.codes import RefusedError
from packetkit.codec.complete import can_be_completed, completed
from packetkit.codec.decoder import Decoder
from packetkit.codec.encoder import Encoder
from packetkit.codec.reading import Variants, outside_parts
from packetkit.codec.rows import codes_in, joined, joined_low
from packetkit.codec.source import Source
from packetkit.layout.model import Layout

if TYPE_CHECKING:
    from packetkit.codec.bulk.columns import Columns

Record = dict[str, Any]


class FrameCodec:
    """The functions of one layout, made at their first use."""

    def __init__(self, layout: Layout, variants: Variants | None = None) -> None:
        self.layout = layout
        parts = outside_parts(layout) if variants else ()  # a mission is told of the parts of all its frames
        self.variants = {part: name for part, name in (variants or {}).items() if part in parts}

    @cached_property
    def source(self) -> str:
        """The generated text of both directions; a direction that the walker does alone is left out."""
        both = (self._encoding, self._decoding)
        return "\n\n".join(source.text for source in both if source is not None)

    @cached_property
    def decode(self) -> Callable[..., Record]:
        """The function from exactly one frame to its record, as Frame.decode."""
        return _deriving(self.layout, self._decode)

    @cached_property
    def _decode(self) -> Callable[..., Record]:
        if self._decoding is None:
            return partial(_walked, walk.decode, self.layout, self.variants)
        made: Callable[..., Record] = self._run(self._decoding)["decode"]
        return made

    @cached_property
    def decode_from(self) -> Callable[..., tuple[Record, int]]:
        """The function from a frame somewhere in a buffer to its record and size, as Frame.decode_from."""
        if self._decoding is None or self.layout.derived:
            return partial(_walked, walk.decode_from, self.layout, self.variants)
        if self.layout.is_fixed:
            return _cut_out(self.layout, self.decode)
        reader = Decoder(self.layout)
        reader.write(exact=False)
        return _from_start(self.layout, self._run(reader.source)["read"])

    @cached_property
    def encode(self) -> Callable[[Mapping[str, Any]], bytes]:
        """The function from a record to its frame, as Frame.encode."""
        return _sending(self.layout, self._encode)

    @cached_property
    def _encode(self) -> Callable[[Mapping[str, Any]], bytes]:
        layout = self.layout
        if self._encoding is None:
            return lambda record: walk.encode(layout, record)
        names = {
            "crc_hqx": crc_hqx,
            "check_value": bits.check_value,
            "joined": joined,
            "joined_low": joined_low,
            "lists": (list, tuple),
            "otherwise": self._encode_otherwise,
            "refused": RefusedError,
            "reversed_bits": bits.reversed_bits,
            "trouble": (LookupError, TypeError, ValueError, ArithmeticError, struct_error),
            "with_check": bits.with_check,
            **self._encoding.made(),
        }
        exec(compile(self._encoding.text, f"<encoding of {layout.name}>", "exec"), names)
        made: Callable[[Mapping[str, Any]], bytes] = names["encode"]
        return made

    def _encode_otherwise(self, record: Any) -> bytes:
        """What the generated function does with a record that is not plain or whole."""
        layout = self.layout
        if type(record) is dict and self._may_be_completed:
            whole = completed(layout, record)
            generated: Callable[..., bytes] = self._encode
            return generated(whole, lambda _: walk.encode(layout, record))
        return walk.encode(layout, record)

    @cached_property
    def _may_be_completed(self) -> bool:
        return can_be_completed(self.layout)

    @cached_property
    def _encoding(self) -> Source | None:
        try:
            encoder = Encoder(self.layout)
            encoder.write()
        except NotGeneratedError:
            return None
        return encoder.source

    @cached_property
    def _decoding(self) -> Source | None:
        try:
            decoder = Decoder(self.layout)
            decoder.write()
        except NotGeneratedError:
            return None
        return decoder.source

    def _run(self, source: Source) -> dict[str, Any]:
        """The names that a text of decoding defines, beside those it uses."""
        names = {
            "check_value": bits.check_value,
            "codes": codes_in,
            "crc_hqx": crc_hqx,
            "octets": bits.octets,
            "read_bits": bits.read,
            "reversed_bits": bits.reversed_bits,
            "struct_error": struct_error,
            "trouble": (struct_error, ValueError, BufferError),
            "walk": walk.decode,
            "layout": self.layout,
            **source.made(),
        }
        exec(compile(source.text, f"<decoding of {self.layout.name}>", "exec"), names)
        return names


def _walked(decode: Callable[..., Any], layout: Layout, told: Variants, *given: Any, **how: Any) -> Any:
    """What the walker gives, with the variants that the frame was told of where the caller tells none."""
    how["variants"] = how.get("variants") or told
    return decode(layout, *given, **how)


def compile_layout(layout: Layout, variants: Variants | None = None) -> FrameCodec:
    """Return the functions of a layout; nothing is generated before one of them is asked for."""
    return FrameCodec(layout, variants)


def _deriving(layout: Layout, decode: Callable[..., Record]) -> Callable[..., Record]:
    """The same function, with derived values put into plain records; the walker has put them into detailed ones."""
    todo = derive.plan(layout)
    if todo is None:
        return decode

    def deriving(
        data: Octets,
        *,
        detail: bool = False,
        salvage: bool = False,
        variants: Variants | None = None,
        known: Mapping[str, int] | None = None,
    ) -> Record:
        made = decode(data, detail=detail, salvage=salvage, variants=variants, known=known)
        return made if detail or salvage else derive.complete(todo, made)

    return deriving


def _sending(
    layout: Layout, encode: Callable[[Mapping[str, Any]], bytes]
) -> Callable[[Mapping[str, Any]], bytes]:
    """The same function, for records that may hold derived values."""
    todo = derive.plan(layout)
    if todo is None:
        return encode
    return lambda record: encode(derive.without(todo, record))


def _cut_out(layout: Layout, decode: Callable[..., Record]) -> Callable[..., tuple[Record, int]]:
    """decode_from for frames of one size: the octets of one frame are cut out of the buffer first."""
    size = layout.minimum_bits // 8

    def decode_from(
        buffer: Octets,
        at: int = 0,
        *,
        detail: bool = False,
        salvage: bool = False,
        variants: Variants | None = None,
        known: Mapping[str, int] | None = None,
    ) -> tuple[Record, int]:
        start = walk.start_at(buffer, at)
        one = bits.octets(buffer)[start : start + size]
        return decode(one, detail=detail, salvage=salvage, variants=variants, known=known), size

    return decode_from


def _from_start(
    layout: Layout, read: Callable[[bytes], tuple[Record, int] | None]
) -> Callable[..., tuple[Record, int]]:
    """decode_from for frames that tell their own size: `read` gives None where the walker must look."""
    most = layout.maximum_bytes

    def decode_from(
        buffer: Octets,
        at: int = 0,
        *,
        detail: bool = False,
        salvage: bool = False,
        variants: Variants | None = None,
        known: Mapping[str, int] | None = None,
    ) -> tuple[Record, int]:
        start = walk.start_at(buffer, at)
        if detail or salvage or variants or known:
            return walk.decode_from(
                layout, buffer, start, detail=detail, salvage=salvage, variants=variants, known=known
            )
        whole = bits.octets(buffer)
        found = read(whole[start:] if most is None else whole[start : start + most])
        return walk.decode_from(layout, buffer, start) if found is None else found

    return decode_from


class Frame:
    """One frame of a mission, ready to encode and decode.

    >>> frame.decode(frame.encode({"temperature": 21.3}))  # doctest: +SKIP
    {'temperature': 21.3}
    """

    def __init__(self, layout: Layout, variants: Variants | None = None) -> None:
        """variants: what was told from outside, for each part that needs it, by its address."""
        self.layout = layout
        self.name = layout.name
        self.variants = dict(variants or {})
        self.codec = compile_layout(layout, self.variants)

    def __repr__(self) -> str:
        return f"<Frame {self.name}: {self.layout.fingerprint}>"

    def __reduce__(self) -> tuple[type[Frame], tuple[Layout, Variants]]:
        return Frame, (self.layout, self.variants)

    # The first call of each method puts the layout's own function in its place, so that later ones cost one call.

    def encode(self, record: Mapping[str, Any]) -> bytes:
        """Return the frame of a record. Raises EncodeError with every fault, in wire order; never changes the record."""
        self.__dict__["encode"] = self.codec.encode
        return self.codec.encode(record)

    def decode(
        self,
        data: Octets,
        *,
        detail: bool = False,
        salvage: bool = False,
        variants: Variants | None = None,
        known: Mapping[str, int] | None = None,
    ) -> Record:
        """Return the record of exactly one frame. Raises a branch of DecodeError for anything else.

        detail: every slot as {raw, value, unit, reason, note}. salvage: that, also where a check failed; then no leaf is trusted.
        variants: for each part whose variant is told from outside, by its address, the variant's name.
        known: raw codes of supplied fields, by name, for a frame that has some; those not given are recovered from the checks, which
        then prove nothing: the reason in detail is `recovered`. Raises ValueError for a part, a name or a code that is none.
        """
        self.__dict__["decode"] = self.codec.decode
        return self.codec.decode(data, detail=detail, salvage=salvage, variants=variants, known=known)

    def calibrate(self, detail: Record, serial: str) -> Record:
        """Return a detail record with the calibrated values of the unit of that serial beside the decoded ones.

        The given one is not touched. Raises KeyError for a unit that no field has a curve for.
        """
        from packetkit.codec.calibrate import calibrate

        return calibrate(self.layout, detail, serial)

    def decode_from(
        self,
        buffer: Octets,
        at: int = 0,
        *,
        detail: bool = False,
        salvage: bool = False,
        variants: Variants | None = None,
        known: Mapping[str, int] | None = None,
    ) -> tuple[Record, int]:
        """Return the record of the frame that starts at an octet of the buffer, and how many octets it uses.

        What follows it is left alone, except by a frame that runs to the end. Raises ValueError where `at` is outside the buffer.
        """
        self.__dict__["decode_from"] = self.codec.decode_from
        return self.codec.decode_from(
            buffer, at, detail=detail, salvage=salvage, variants=variants, known=known
        )

    def decode_many(self, buffer: Octets, *, raw: bool = False) -> Columns:
        """Return the columns of frames that stand back to back, as numpy arrays with a validity mask each, and which rows are `ok`.

        A trailing part is a last row that is not ok; bad frames are masked, never raised. raw: keep the codes on the wire too, of every
        field that is one number there. Layouts that vary in size are decoded one by one, and `obstacle` of the result says so.
        """
        from packetkit.codec.bulk import decode_many

        return decode_many(self.layout, buffer, self.decode, raw=raw, variants=self.codec.variants)

    def encode_many(self, columns: Mapping[str, Any]) -> bytes:
        """Return the frames, back to back, of columns by path: what decode_many gives, or arrays and lists of one length.

        NaN and None are missing; options, variants and lists are there where they have values, or where what stands in front says so.
        Raises EncodeError with the faults of the first rows that have any.
        """
        from packetkit.codec.bulk import encode_many

        return encode_many(self.layout, columns, self.encode)
