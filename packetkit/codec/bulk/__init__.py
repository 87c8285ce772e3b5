"""Millions of frames at a time, in numpy: `decode` and `encode` of columns, with the scalar codec's answers to the last bit.

`plan` finds out once where every slot of a fixed layout lies; `gather` and `scatter` move raw codes out of and into a block of frames;
`checks` computes checks for all its rows; `values` turns codes into columns; `decode` and `encode` drive them. Whatever is rare, a
value that needs exact fractions or a layout of varying size, is handed to the scalar codec, row by row, so that there is one meaning.
"""

from __future__ import annotations

from packetkit.codec.bulk.columns import Columns
from packetkit.codec.bulk.decode import decode_many
from packetkit.codec.bulk.encode import encode_many
from packetkit.codec.bulk.plan import obstacle

__all__ = ["Columns", "decode_many", "encode_many", "obstacle"]
