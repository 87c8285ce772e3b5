r"""The part of generated JavaScript that is the same for every mission: ECMAScript 5.1, without BigInt, typed arrays or Math.fround.

Sections of text, each with what it is for; the target takes those that a mission needs. It is the walker once more (codec/walk.py,
codec/assemble.py, layout/number.py), and is held to it on random schemas. Whole numbers are JavaScript numbers up to 2^53 - 1 and
{negative, limbs} beyond, so every sum and quotient is exact; a double appears once, at the end.
"""

from __future__ import annotations

from packetkit.targets.javascript_runtime.bundles import BUNDLES
from packetkit.targets.javascript_runtime.calendars import CALENDARS
from packetkit.targets.javascript_runtime.checks import CHECKS
from packetkit.targets.javascript_runtime.continued import CONTINUED, ENDS, FIRST_BITS
from packetkit.targets.javascript_runtime.derived import DERIVED
from packetkit.targets.javascript_runtime.frames import MISSION
from packetkit.targets.javascript_runtime.numbers import IEEE, WHOLE
from packetkit.targets.javascript_runtime.octets import BITS
from packetkit.targets.javascript_runtime.parts import COMPUTED, LENGTHS, REMAINING, VARIANTS
from packetkit.targets.javascript_runtime.reading import DECODE, WALK
from packetkit.targets.javascript_runtime.texts import CHARACTERS, DIGITS, TEXTS
from packetkit.targets.javascript_runtime.times import TIMES
from packetkit.targets.javascript_runtime.told import FRONT, SUPPLIED, VALID
from packetkit.targets.javascript_runtime.values import CODINGS, CURVES, TO_RAW, VALUES
from packetkit.targets.javascript_runtime.wide import WIDE
from packetkit.targets.javascript_runtime.writing import ENCODE

__all__ = (
    "BITS",
    "BUNDLES",
    "CALENDARS",
    "CHARACTERS",
    "CHECKS",
    "CODINGS",
    "COMPUTED",
    "CONTINUED",
    "CURVES",
    "DECODE",
    "DERIVED",
    "DIGITS",
    "ENCODE",
    "ENDS",
    "FIRST_BITS",
    "FRONT",
    "IEEE",
    "LENGTHS",
    "MISSION",
    "REMAINING",
    "SECTIONS",
    "SUPPLIED",
    "TEXTS",
    "TIMES",
    "TO_RAW",
    "VALID",
    "VALUES",
    "VARIANTS",
    "WALK",
    "WHOLE",
    "WIDE",
)

SECTIONS = (
    WHOLE,
    BITS,
    VALUES,
    CURVES,
    CODINGS,
    IEEE,
    TO_RAW,
    WIDE,
    BUNDLES,
    TIMES,
    CALENDARS,
    WALK,
    CHECKS,
    DECODE,
    ENCODE,
    CHARACTERS,
    TEXTS,
    DIGITS,
    LENGTHS,
    VARIANTS,
    REMAINING,
    COMPUTED,
    CONTINUED,
    FIRST_BITS,
    ENDS,
    FRONT,
    SUPPLIED,
    VALID,
    DERIVED,
    MISSION,
)
