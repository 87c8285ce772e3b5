"""The proof: records and whole schemas drawn at random, the laws every codec keeps, and campaigns that hold codecs against each other.

from hypothesis import given
import packetkit
from packetkit import fuzz

FRAME = packetkit.load("schemas/heron.yaml").frame("housekeeping")

@given(fuzz.records(FRAME))
def test_values_come_back(record):
    assert not fuzz.laws.comes_back(FRAME, record)
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from packetkit.fuzz import laws as laws
    from packetkit.fuzz.strategies import damaged as damaged
    from packetkit.fuzz.strategies import missions as missions
    from packetkit.fuzz.strategies import records as records

# Imported when asked for: hypothesis takes a tenth of a second, and laws need none of it.
_STRATEGIES = ("records", "damaged", "missions")

__all__ = ["damaged", "laws", "missions", "records"]


def __getattr__(name: str) -> Any:
    from importlib import import_module

    if name in _STRATEGIES:
        return getattr(import_module("packetkit.fuzz.strategies"), name)
    if name == "laws":
        return import_module("packetkit.fuzz.laws")
    raise AttributeError(f"module 'packetkit.fuzz' has no attribute {name!r}")
