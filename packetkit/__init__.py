"""packetkit: packet formats and small downlinks.

A schema file declares a mission's frames once; from it come encoders, decoders, airtime, bytes per pass, proof and lessons.

    mission = packetkit.load("schemas/heron.yaml")
    frame = mission.frame("housekeeping")
    data = frame.encode({"temperature": -12.3})
    record = frame.decode(data)
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from packetkit.codec.frame import Frame as Frame
    from packetkit.files import load as load
    from packetkit.mission.load import Mission as Mission
    from packetkit.mission.load import parse as parse

__version__ = "0.1.0"

# Public name to the module that has it: imported when first asked for, so that `packetkit --help` pays for none of them.
_PUBLIC = {
    "load": "packetkit.files",
    "parse": "packetkit.mission.load",
    "Mission": "packetkit.mission.load",
    "Frame": "packetkit.codec.frame",
    **dict.fromkeys(
        (
            "PacketkitError",
            "SchemaError",
            "EncodeError",
            "DecodeError",
            "ShortFrame",
            "TrailingBytes",
            "WrongConstant",
            "BadCount",
            "CheckFailed",
            "ReservedBits",
            "UnknownFrame",
            "RadioError",
            "Unsupported",
            "InputError",
        ),
        "packetkit.errors",
    ),
}

__all__ = ["__version__", *_PUBLIC]  # noqa: PLE0604  # the keys are strings; the linter does not look


def __getattr__(name: str) -> Any:
    if name == "fuzz":  # packetkit.fuzz.records(frame) works without importing the part first
        return importlib.import_module("packetkit.fuzz")
    if name in _PUBLIC:
        return getattr(importlib.import_module(_PUBLIC[name]), name)
    raise AttributeError(f"module 'packetkit' has no attribute {name!r}")
