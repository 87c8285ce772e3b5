"""A site and published two-line elements, and what is wrong with lines that were copied badly. No library is needed here.

Format: two lines of 69 characters, the last of each a check digit; source: the format as published with the elements (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass

LINE_LENGTH = 69


@dataclass(frozen=True, slots=True)
class Site:
    """A ground station: geodetic degrees, north and east above zero, and metres above the ellipsoid."""

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Elements:
    """Two-line elements as published, 69 characters a line."""

    line_1: str
    line_2: str


def element_faults(line_1: str, line_2: str) -> tuple[tuple[str, str], ...]:
    """Return what is wrong with two lines, as (line_1 or line_2, reason); empty where nothing is. No library is needed for this."""
    faults = []
    for name, line, number in (("line_1", line_1, "1"), ("line_2", line_2, "2")):
        if len(line) != LINE_LENGTH or not line.isascii():
            faults.append(
                (name, f"has {len(line)} characters, not {LINE_LENGTH}; copy the whole line, spaces included")
            )
        elif not line.startswith(number + " "):
            faults.append((name, f"does not begin with {number}; line_1 begins with 1, line_2 with 2"))
        elif checksum(line) != line[-1]:
            faults.append(
                (name, f"ends in {line[-1]}, and its check digit is {checksum(line)}; copy the line again")
            )
    if not faults and line_1[2:7] != line_2[2:7]:
        faults.append(("line_2", f"is of object {line_2[2:7]}, line_1 of {line_1[2:7]}; take both of one"))
    return tuple(faults)


def checksum(line: str) -> str:
    """Return the check digit of a line: the sum of its digits, a minus sign counting 1, modulo 10."""
    return str(sum(int(one) if one.isdigit() else one == "-" for one in line[:-1]) % 10)
