"""How the account of loss against signal is shown: a table by classes for a person, a list for `--json`."""

from __future__ import annotations

from typing import Any

from packetkit.captures.account import Account
from packetkit.captures.signal import MEASURES, Measure
from packetkit.cli import output

RULE = (
    "A missing frame has no signal: it is counted where the good frame nearest by number is, in the middle where the one before it is. "
    "Lost: the missing, of good and missing. Failed frames stand by their own signal and are among the missing."
)


def text(account: Account, width: int, encoding: str) -> str:
    """Return loss by signal to noise, or by signal strength where only that is known, with the rule; empty where no signal is known."""
    signal = account.signal
    measure = next((one for one in MEASURES if signal.table(one)), None)
    if measure is None or not (signal.missing or signal.failed):
        return ""
    columns = (
        output.Column(measure.title),
        *(output.Column(one, ">") for one in ("good", "failed", "missing", "lost")),
    )
    rows = []
    for lowest, counts in signal.table(measure):
        lost = counts.lost
        share = "" if lost is None else output.percent(lost)
        rows.append(
            (_class(measure, lowest), f"{counts.good:,}", f"{counts.failed:,}", f"{counts.missing:,}", share)
        )
    table = output.Table(columns, tuple(rows)).text(width, encoding)
    return table + "".join(line + "\n" for line in output.wrapped(RULE, width))


def _class(measure: Measure, lowest: int | None) -> str:
    if lowest is None:
        return "not known"
    if lowest == measure.lowest:
        return f"below {lowest + measure.width} {measure.unit}"
    if lowest == measure.highest:
        return f"from {lowest} {measure.unit}"
    return f"{lowest} to {lowest + measure.width} {measure.unit}"


def document(account: Account) -> list[dict[str, Any]]:
    """Return the same for `--json`: one object a measure that the capture tells; an end that is open is null, of a class not known both."""
    made = []
    for measure in MEASURES:
        classes = [
            {
                "from": None if lowest in (None, measure.lowest) else lowest,
                "to": None if lowest in (None, measure.highest) else int(lowest or 0) + measure.width,
                "good_frames": counts.good,
                "failed_frames": counts.failed,
                "missing_frames": counts.missing,
            }
            for lowest, counts in account.signal.table(measure)
        ]
        if classes:
            made.append({"measure": measure.name, "classes": classes})
    return made
