"""A layout as an object of the library `construct`: to embed in one's own, and a second judge of the codec.

    from construct import Bytes, Struct
    from packetkit.codec import constructs

    message = Struct("header" / Bytes(4), "telemetry" / constructs.build(layout))

parses `header` and then one frame, and builds both. The object keeps to construct's manners: it raises
ConstructError and nothing else, whatever the bytes or the record; bytes after a frame are left to whoever
comes next (`Terminated` refuses them); a frame of fixed size has a `sizeof()`. One that varies needs a stream
that can seek; one that runs to the end takes all it is given, so wrap it in `Prefixed` or `FixedSized`.
`compile()` works and is no faster, because construct runs bit fields interpreted.

Strategy: octets become a stream of bits, as in construct's own Bitwise, and every field is a native class on
it. Least significant bit first is the bits of each octet swapped; words are their octets swapped; a number
read from its low end is ByteSwapped in the stream of bits. A group is a Struct, a repeat an Array, an optional
an IfThenElse, a count a Rebuild, a check a Checksum (behind a Pointer where it stands before what it covers,
as construct's manual has it). What a code means is `layout.number`'s to say.

What would surprise a reader: fields that are no values (constants, counts, checks, reserved bits) are members
with two underscores before their names, dropped from what parsing returns. Raw codes that others ask for and
the starts of marked nodes are kept in one `Progress` among the context's parameters, because construct's
contexts forget a group once it is over.
"""

from __future__ import annotations

from typing import Any

from construct import Construct

from packetkit.codec.constructs import refusing
from packetkit.codec.constructs.maker import Maker
from packetkit.errors import Unsupported
from packetkit.layout.model import Layout


def build(layout: Layout) -> Construct:
    """Return the construct whose parse(data) gives a frame's plain record and whose build(record) its bytes.

    parse returns a Container equal to packetkit's plain record, key by key; `record` makes it a plain dict.
    build takes a plain or a detail record: what fills itself may be left out or must agree, and unknown keys
    are refused. Both raise ConstructError (ValidationError, ConstError, ChecksumError, StreamError and so on)
    and nothing else. Raises Unsupported, with every reason, where `refusals` has any.
    """
    refused = refusals(layout)
    if refused:
        raise Unsupported("construct", refused)
    return Maker(layout).frame()


def refusals(layout: Layout) -> tuple[tuple[str, str], ...]:
    """Return (address, reason) of all in a layout that construct's classes cannot express; mostly none."""
    return refusing.reasons(layout)


def record(container: Any) -> Any:
    """Return what parse gave as plain dicts, lists and values, as Frame.decode does."""
    if isinstance(container, dict):
        return {key: record(value) for key, value in container.items() if not str(key).startswith("_")}
    return [record(value) for value in container] if isinstance(container, list) else container
