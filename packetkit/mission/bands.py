"""What the rows of a region leave open for a link: no row at all, a signal wider than its band, a share of the hour that nobody declared.

Sentences with the numbers, never a verdict: local rules, the current texts and licensed operators decide (packetkit/radio/regions.py).
"""

from __future__ import annotations

from collections.abc import Iterable

from packetkit.mission.load import Link
from packetkit.radio import regions
from packetkit.radio.modems import Bandwidth

OPEN = "local rules decide"


def cautions(link: Link, bandwidths: Iterable[Bandwidth] = ()) -> tuple[str, ...]:
    """What is to be said of a link beside its region's figures; empty without a region. bandwidths: instead of the link's own."""
    if link.region is None or link.frequency_mhz is None or link.setting is None:
        return ()
    rows = regions.rows_for(link.region, float(link.frequency_mhz))
    if not rows:
        return (f"no row of region {link.region} holds {float(link.frequency_mhz):g} MHz; {OPEN}",)
    looked_at = tuple(bandwidths) or (link.setting.bandwidth,)
    return (*(one for width in looked_at for one in _beyond(link, rows, width)), *_undeclared(link, rows))


def _beyond(link: Link, rows: tuple[regions.Row, ...], width: Bandwidth) -> list[str]:
    """That a signal reaches over the edges of the bands that hold its middle."""
    assert link.frequency_mhz is not None
    low, high = (float(link.frequency_mhz + side * width.kilohertz / 2000) for side in (-1, 1))
    bands = dict.fromkeys((row.low_mhz, row.high_mhz) for row in rows)
    if any(bottom <= low and high <= top for bottom, top in bands):
        return []
    held = " and ".join(f"{bottom:g} to {top:g} MHz" for bottom, top in bands)
    said = (
        f"a signal of {width} at {float(link.frequency_mhz):g} MHz reaches from {low:.7g} to {high:.7g} MHz, and the row of region "
        f"{link.region} is for {held}; take a narrower bandwidth, or a frequency farther from the edge; {OPEN}"
    )
    return [said]


def _undeclared(link: Link, rows: tuple[regions.Row, ...]) -> list[str]:
    """That documents state a share of the hour, and the schema none."""
    if link.share_of_hour is not None:
        return []
    found = dict.fromkeys(
        (
            row.duty_percent,
            f"{row.document} ({row.year}{_memory(row)}), {row.low_mhz:g} to {row.high_mhz:g} MHz",
        )
        for row in rows
        if row.duty_percent is not None
    )
    return [
        f"{where} states {percent:g} % of the hour, and the schema says no share, so nothing is counted with one; "
        f"add share_of_hour_percent: {percent:g} to link, or what applies: {OPEN}"
        for percent, where in found
    ]


def _memory(row: regions.Row) -> str:
    return ", from memory" if "duty" in row.recalled else ""
