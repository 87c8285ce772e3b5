"""Time on air as the staircase that it is over the payload length: flat for several bytes, then up by a block."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

from packetkit.radio.chirp import MAXIMUM_PAYLOAD_BYTES, blocks_after_the_first, bytes_in_blocks, time_on_air
from packetkit.radio.settings import Setting, symbol_time


@dataclass(frozen=True, slots=True)
class Staircase:
    """Where a payload stands on the staircase of time on air. Times are exact seconds.

    free_bytes more cost nothing; fewer_bytes less save saved_s (both None on the lowest step); more_bytes
    more, one beyond the free ones, cost added_s (both None where 255 bytes end the staircase).
    """

    payload_bytes: int
    time_on_air_s: Fraction
    free_bytes: int
    fewer_bytes: int | None
    saved_s: Fraction | None
    more_bytes: int | None
    added_s: Fraction | None

    def __str__(self) -> str:
        """Return the sentence that a frame's designer wants: what more costs, what less saves."""
        free = "no more bytes are free" if not self.free_bytes else f"{self.free_bytes} more bytes are free"
        parts = [free.replace("1 more bytes are", "1 more byte is") if self.free_bytes == 1 else free]
        if not self.free_bytes and self.added_s is not None:
            parts.append(f"one more costs {_rounded(self.added_s)}")
        if self.fewer_bytes is not None and self.saved_s is not None:
            fewer = "one less saves" if self.fewer_bytes == 1 else f"{self.fewer_bytes} less save"
            parts.append(f"{fewer} {_rounded(self.saved_s)}")
        else:
            parts.append("fewer save nothing")
        return "; ".join(parts) + "."


def staircase(setting: Setting, payload_bytes: int) -> Staircase:
    """Return what a few bytes more or fewer than payload_bytes (0 to 255) cost or save.

    A block holds 16 bits or more, so a byte never climbs two steps.

    >>> print(staircase(Setting(10, 125), 20))
    4 more bytes are free; one less saves 41 ms.
    """
    blocks = blocks_after_the_first(setting, payload_bytes)
    step = setting.block_symbols * symbol_time(setting)
    last = bytes_in_blocks(setting, blocks)
    below = bytes_in_blocks(setting, blocks - 1) if blocks else -1
    more = last - payload_bytes + 1 if last < MAXIMUM_PAYLOAD_BYTES else None
    return Staircase(
        payload_bytes=payload_bytes,
        time_on_air_s=time_on_air(setting, payload_bytes),
        free_bytes=last - payload_bytes,
        fewer_bytes=payload_bytes - below if below >= 0 else None,
        saved_s=step if below >= 0 else None,
        more_bytes=more,
        added_s=step if more is not None else None,
    )


@dataclass(frozen=True, slots=True)
class Stair:
    """One step: every payload from first_bytes to last_bytes lasts time_on_air_s, in exact seconds."""

    first_bytes: int
    last_bytes: int
    time_on_air_s: Fraction


def stairs(setting: Setting) -> tuple[Stair, ...]:
    """Return the whole staircase of a setting, from an empty payload to 255 bytes."""
    steps: list[Stair] = []
    first = 0
    while first <= MAXIMUM_PAYLOAD_BYTES:
        last = bytes_in_blocks(setting, blocks_after_the_first(setting, first))
        steps.append(Stair(first, last, time_on_air(setting, first)))
        first = last + 1
    return tuple(steps)


def _rounded(seconds: Fraction) -> str:
    """Return a time as people say it: whole milliseconds, or two digits below ten of them."""
    in_ms = float(seconds * 1000)
    return f"{in_ms:.0f} ms" if in_ms >= 10 else f"{in_ms:.2g} ms"
