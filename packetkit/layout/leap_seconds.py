"""The leap seconds, as rows: from the start of each UTC day on, by how many seconds international atomic time is ahead of UTC.

Source: IERS Bulletin C, as the list of leap seconds that IERS publishes has them; the last one so far was inserted at the end of 2016. A
leap second that is announced is a row to add. From 1961 to 1971 UTC was steered by fractions of a second instead, which are not here.
"""

from __future__ import annotations

from datetime import date

LEAP_SECONDS: tuple[tuple[date, int], ...] = tuple(
    (date(year, month, 1), ahead)
    for ahead, (year, month) in enumerate(
        (
            *((1972, 1), (1972, 7), (1973, 1), (1974, 1), (1975, 1), (1976, 1), (1977, 1), (1978, 1)),
            *((1979, 1), (1980, 1), (1981, 7), (1982, 7), (1983, 7), (1985, 7), (1988, 1), (1990, 1)),
            *((1991, 1), (1992, 7), (1993, 7), (1994, 7), (1996, 1), (1997, 7), (1999, 1), (2006, 1)),
            *((2009, 1), (2012, 7), (2015, 7), (2017, 1)),
        ),
        10,
    )
)

# Day numbers count from 1970-01-01, as civil counts of days do.
_FIRST = date(1970, 1, 1).toordinal()
STARTS: tuple[int, ...] = tuple(day.toordinal() - _FIRST for day, _ in LEAP_SECONDS)
AHEAD: tuple[int, ...] = tuple(ahead for _, ahead in LEAP_SECONDS)
