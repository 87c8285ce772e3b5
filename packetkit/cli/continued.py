"""How the account by the frames' own counters is shown: a table and a line of losses for a person, a list for `--json`."""

from __future__ import annotations

from typing import Any

from packetkit.captures.account import Account
from packetkit.captures.continuity import Continuity
from packetkit.cli import output
from packetkit.errors import counted

# So many parts of the time are shown; a line of 80 columns holds them.
SHOWN_PARTS = 10


def told(account: Account) -> dict[str, Continuity]:
    """Return the frames whose counters tell anything: of which two or more came."""
    return {name: one for name, one in account.continuity.items() if one.got > 1}


def text(account: Account, width: int, encoding: str) -> str:
    """Return what is missing, came twice or late, and when, in a few lines; empty where no counter tells."""
    found = told(account)
    if not found:
        return ""
    if all(one.counts_missing and not _events(one) for one in found.values()):
        return "By their own counters no frame is missing.\n"
    titles = ("missing", "longest gap", "duplicates", "late", "wraps", "restarts")
    columns = (output.Column("by counter", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows = tuple((name, *_row(one)) for name, one in found.items())
    lines = output.Table(columns, rows).text(width, encoding)
    for name, one in found.items():
        lines += "".join(line + "\n" for line in output.wrapped(_loss(name, one), width) if line)
    if any(one.missing for one in found.values()):
        why = "Missing: numbers between good frames that no good frame bore; failed frames are among them."
        lines += "\n".join(output.wrapped(why, width)) + "\n"
    for name, one in found.items():
        if one.perhaps_resets:
            lines += "\n".join(output.wrapped(_perhaps(name, one.perhaps_resets), width)) + "\n"
    return lines


# Files that run backwards which a person is shown; `--json` has them all.
SHOWN_FILES = 3


def order_text(account: Account, width: int) -> str:
    """Return the question whether files stand in the order of their time; empty where their counters run forwards."""
    found = account.backwards
    if not found:
        return ""
    shown = "; ".join(f"from {one} to {other}" for one, other in found[:SHOWN_FILES])
    more = f"; and at {counted(len(found) - SHOWN_FILES, 'file')} more" if len(found) > SHOWN_FILES else ""
    said = (
        f"The counters run backwards {shown}{more}. Are the files in the order of time? Losses, restarts and times "
        "are counted in the order in which files are named (a shell's * puts part10 before part2)."
    )
    return "\n".join(output.wrapped(said, width)) + "\n"


def order_document(account: Account) -> list[dict[str, str]]:
    """Return the same for `--json`."""
    return [{"after": one, "file": other} for one, other in account.backwards]


def _perhaps(name: str, count: int) -> str:
    """What nobody can tell of a counter that steps back to its start."""
    gaps = "a gap ends" if count == 1 else f"{count:,} gaps end"
    which = "it may be a restart" if count == 1 else "they may be restarts"
    return (
        f"{name}: {gaps} right behind the counter's start: {which} of the unit and nothing missing. "
        "A field with role: boot tells."
    )


def _events(one: Continuity) -> int:
    return one.missing + one.duplicates + one.late + one.resets


def _row(one: Continuity) -> tuple[object, ...]:
    if not one.counts_missing:
        return ("not counted", "", f"{one.duplicates:,}", "", "", f"{one.resets:,}")
    sent = one.got - one.duplicates + one.missing
    counts = (one.longest.frames, one.duplicates, one.late, one.wraps, one.resets)
    return (f"{one.missing:,} of {sent:,}", *(f"{count:,}" for count in counts))


def _loss(name: str, one: Continuity) -> str:
    """A line of losses along the time; empty where there is none to show."""
    width, parts = one.timeline.parts(SHOWN_PARTS)
    if not one.missing or len(parts) < 2:
        return ""
    shares = " ".join("-" if not sent else f"{round(100 * (sent - got) / sent)}" for sent, got in parts)
    step = (
        output.duration_text(float(width))
        if one.timeline.unit == "s"
        else "frame"
        if width == 1
        else f"{int(width):,} frames"
    )
    return f"{name}, % lost in each {step}: {shares}"


def document(account: Account) -> list[dict[str, Any]]:
    """Return the same for `--json`, one object a frame that has counters, always with the same keys."""
    return [_object(account, name, one) for name, one in account.continuity.items()]


def _object(account: Account, name: str, one: Continuity) -> dict[str, Any]:
    width, parts = one.timeline.parts(SHOWN_PARTS)
    counts = one.counts_missing
    file, offset = account.place(one.longest.after_offset)
    return {
        "frame": name,
        "good_frames": one.got,
        "missing_frames": one.missing if counts else None,
        "longest_gap_frames": one.longest.frames if counts else None,
        "longest_gap_after_file": file,
        "longest_gap_after_offset": offset,
        "duplicates": one.duplicates,
        "late": one.late if counts else None,
        "wraps": one.wraps if counts else None,
        "restarts": one.resets,
        "perhaps_restarts": one.perhaps_resets if counts else None,
        "elapsed_s": one.elapsed_s,
        "loss_axis": one.timeline.unit,
        "loss_part_width": width,
        "loss_parts": [{"sent_frames": sent, "good_frames": got} for sent, got in parts] if counts else [],
    }
