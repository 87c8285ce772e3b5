"""`packetkit reconcile`: a memory card held against the radio: what each has and the other misses, when, and where their bytes differ."""

from __future__ import annotations

import re
from typing import Any

import click

from packetkit.captures import reconcile
from packetkit.captures.merge import Entry, Kind
from packetkit.captures.reconcile import Stretch, clock_s, received, sequence_of
from packetkit.cli import gathered, output
from packetkit.cli.decoded import word, worked_out
from packetkit.cli.gathered import Gathered
from packetkit.cli.sections import Sectioned
from packetkit.errors import counted
from packetkit.files import not_onto_an_input

FINDINGS = 1
CARD, RADIO = SIDES = ("card", "radio")

# Rows of each list that a person is shown; `--json` has them all.
SHOWN = 20


def report(found: Gathered) -> dict[str, Any]:
    """Return the whole reconciliation for `--json`."""
    made: dict[str, Any] = {"mission": found.mission.name, "fingerprint": found.mission.fingerprint}
    for source, side in enumerate(SIDES):
        made[side] = {
            "file": found.files[source],
            "read_as": found.read_as[source],
            "good_frames": found.union.sources[source],
            "failed_frames": sum(found.accounts[source].failed.values()),
            "duplicates": found.duplicates(source),
            **found.losses(source),
        }
    kinds = found.union.kinds
    made["frames"] = [{"frame": name, **_counts(kind)} for name, kind in kinds.items()]
    made["gaps"] = [
        _gap(kind, stretch)
        for kind in kinds.values()
        for source in (1, 0)
        for stretch in reconcile.stretches(kind, source)
    ]
    made["disagreements"] = [
        _disagreement(found, kind, entry)
        for kind in kinds.values()
        for entry in kind.entries()
        if entry.disagrees
    ]
    return made


def _counts(kind: Kind) -> dict[str, int | None]:
    both, card, radio, disagreements, neither = reconcile.counts(kind)
    return {
        "in_both": both,
        "only_card": card,
        "only_radio": radio,
        "disagreements": disagreements,
        "in_neither": neither,
    }


def _gap(kind: Kind, stretch: Stretch) -> dict[str, Any]:
    """What one side misses in a row. Times are those of its own frames around, and of the other side's frames inside."""
    inside = stretch.inside or (None, None)
    return {
        "missed_by": SIDES[stretch.source],
        "frame": kind.name,
        "restarts_before": stretch.boot,
        "first_sequence": sequence_of(kind, stretch.first),
        "last_sequence": sequence_of(kind, stretch.last),
        "frames": stretch.frames,
        "other_has": stretch.others_have,
        "clock_before_s": clock_s(kind, stretch.before),
        "clock_after_s": clock_s(kind, stretch.after),
        "clock_first_inside_s": clock_s(kind, inside[0]),
        "clock_last_inside_s": clock_s(kind, inside[1]),
        "received_before": received(stretch.before, stretch.source),
        "received_after": received(stretch.after, stretch.source),
    }


def _disagreement(found: Gathered, kind: Kind, entry: Entry) -> dict[str, Any]:
    """Two frames of one number with other bytes, each with a good check."""
    by_side: list[tuple[bytes, int] | None] = [None, None]
    for data, version in entry.versions.items():
        for heard in version:
            by_side[heard.source] = by_side[heard.source] or (data, heard.offset)
    card, radio = by_side
    fields = []
    if card is not None and radio is not None:
        differing = reconcile.differing(found.wanted.frames[kind.name], card[0], radio[0])
        fields = [{"field": path, CARD: first, RADIO: second} for path, first, second in differing]
    return {
        "frame": kind.name,
        "restarts_before": None if entry.place is None else entry.place.boot,
        "sequence": None if entry.place is None else sequence_of(kind, entry.place.number),
        "card_offset": card and card[1],
        "radio_offset": radio and radio[1],
        "card_bytes": card and card[0],
        "radio_bytes": radio and radio[0],
        "fields": fields,
    }


# -- for a person ----------------------------------------------------------------------------------


def text(made: dict[str, Any], encoding: str) -> str:
    """Return the same as tables, the longest lists cut short."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    parts = [_sides(made, width, encoding), _kinds(made, width, encoding)]
    parts += [_gaps(made["gaps"], width, encoding)] if made["gaps"] else []
    parts += [_disagreements(made["disagreements"], width)] if made["disagreements"] else []
    if not is_finding(made):
        parts.append("\n".join(output.wrapped(_same(made), width)) + "\n")
    return "\n".join(parts)


def _same(made: dict[str, Any]) -> str:
    """What is said where nothing differs."""
    if not any(made[side]["good_frames"] for side in SIDES):
        return "There is no good frame in either of them. Are they the right files, and --from?"
    untold = [one["frame"] for one in made["frames"] if one["in_neither"] is None and one["in_both"]]
    if untold:
        which = f"frames of {' and '.join(untold)} are missing in both"
        return f"Card and radio have the same frames. Whether {which} nobody can tell: no field has role: sequence."
    return "Card and radio have the same frames, and none is missing between them."


def _sides(made: dict[str, Any], width: int, encoding: str) -> str:
    titles = (output.Column(""), output.Column("file", fit="shorten"))
    columns = (*titles, *(output.Column(title, ">") for title in ("good", "failed", "twice")))
    keys = ("good_frames", "failed_frames", "duplicates")
    rows = tuple((side, made[side]["file"], *(f"{made[side][key]:,}" for key in keys)) for side in SIDES)
    return output.Table(columns, rows).text(width, encoding)


def _kinds(made: dict[str, Any], width: int, encoding: str) -> str:
    titles = ("in both", "only card", "only radio", "in neither", "disagree")
    keys = ("in_both", "only_card", "only_radio", "in_neither", "disagreements")
    columns = (output.Column("frame", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows = tuple(
        (one["frame"], *("not counted" if one[key] is None else f"{one[key]:,}" for key in keys))
        for one in made["frames"]
    )
    return output.Table(columns, rows).text(width, encoding)


def _gaps(gaps: list[dict[str, Any]], width: int, encoding: str) -> str:
    """The gap table: first what the other one has, most frames first; then what neither has, each once."""
    gaps = _once(gaps)
    shown = sorted(gaps, key=lambda one: (-one["other_has"], -one["frames"]))[:SHOWN]
    day = _day(shown)
    columns = (
        output.Column("missed by"),
        output.Column("frame", fit="shorten"),
        output.Column("sequence", fit="shorten"),
        output.Column("frames", ">"),
        output.Column("other has", ">"),
        output.Column("when", fit="wrap"),
    )
    rows = tuple(
        (
            one["missed_by"] if one["other_has"] else "both",
            one["frame"],
            _numbers(one),
            f"{one['frames']:,}",
            f"{one['other_has']:,}",
            _when(one).replace(day, ""),
        )
        for one in shown
    )
    rest = len(gaps) - len(shown)
    more = (
        f"And {counted(rest, 'gap')} more, which bring no more frames; --json has them all.\n" if rest else ""
    )
    why = (
        "Other has: how many of them the other one has; the rest is in neither. When: what the unit's clock says "
        "around the gap; else when the frames around it were received."
    ) + (f" They were on {day[:-1]}." if day else "")
    return (
        output.Table(columns, rows).text(width, encoding)
        + more
        + "\n".join(output.wrapped(why, width))
        + "\n"
    )


def _day(gaps: list[dict[str, Any]]) -> str:
    """The day of all times of receiving, with what stands behind it, so that it is said once; empty where there are several."""
    times = [
        one[key] for one in gaps for key in ("received_before", "received_after") if one[key] is not None
    ]
    days = {time[: len("2031-05-02T")] for time in times}
    day = days.pop() if len(days) == 1 else ""
    return day if re.fullmatch("[0-9]{4}-[0-9]{2}-[0-9]{2}[T ]", day) else ""


def _once(gaps: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The gaps, those of which the other side has nothing once: they are the same on both sides."""
    seen = set()
    made = []
    for one in gaps:
        key = one["frame"], one["restarts_before"], one["first_sequence"], one["last_sequence"]
        if one["other_has"] or key not in seen:
            made.append(one)
        if not one["other_has"]:
            seen.add(key)
    return made


def _numbers(one: dict[str, Any]) -> str:
    first, last = one["first_sequence"], one["last_sequence"]
    numbers = str(first) if one["frames"] == 1 else f"{first} to {last}"
    return f"{numbers}, restart {one['restarts_before']}" if one["restarts_before"] else numbers


def _when(one: dict[str, Any]) -> str:
    start = one["clock_before_s"] if one["clock_before_s"] is not None else one["clock_first_inside_s"]
    end = one["clock_after_s"] if one["clock_after_s"] is not None else one["clock_last_inside_s"]
    if start is not None and end is not None:
        return f"{float(start):,.10g} to {float(end):,.10g} s"
    before, after = one["received_before"], one["received_after"]
    if before is not None and after is not None:
        return f"{before} to {after}"
    return f"behind {before}" if before is not None else f"before {after}" if after is not None else ""


def _disagreements(disagreements: list[dict[str, Any]], width: int) -> str:
    lines = []
    for one in disagreements[:SHOWN]:
        number = "" if one["sequence"] is None else f" number {one['sequence']}"
        lines.append(f"{one['frame']}{number}: other bytes, each with a good check.")
        for its in one["fields"]:
            card, radio = _shown(its[CARD], its[RADIO])
            lines.append(f"  {its['field']}: card {card}, radio {radio}")
    rest = len(disagreements) - SHOWN
    lines += [f"And {rest:,} more; --json has them all."] if rest > 0 else []
    return "".join(part + "\n" for line in lines for part in _indented(line, width))


def _indented(line: str, width: int) -> list[str]:
    """A line wrapped, every part of it as far in as the first."""
    text = line.lstrip()
    space = " " * (len(line) - len(text))
    return [space + part for part in output.wrapped(text, width - len(space))]


def _shown(card: Any, radio: Any) -> tuple[str, str]:
    """Both values of a field; with all their digits only where they differ in the last ones."""
    first, second = worked_out(card), worked_out(radio)
    if first == second:
        first, second = word(card), word(radio)
    return first or "missing", second or "missing"


def is_finding(made: dict[str, Any]) -> bool:
    """Return whether anything is missing anywhere, or differs."""
    return any(any(one[key] for key in one if key not in ("frame", "in_both")) for one in made["frames"])


@click.command("reconcile", cls=Sectioned, sections=gathered.SECTIONS)
@click.argument("schema", metavar="SCHEMA")
@click.argument("card", metavar="CARD")
@click.argument("radio", metavar="RADIO")
@gathered.options
@output.json_option
@output.output_option
def command(
    schema: str,
    card: str,
    radio: str,
    given: tuple[str, ...],
    frame: str | None,
    as_json: bool,
    destination: str,
    **of_forms: Any,
) -> int:
    """Hold a memory card's file against what the radio brought: what each has and the other misses, and where they differ.

    Frames are the same where their counters say the same number; before the first and behind the last number that either has nothing can be
    told missing. Exit status 1: something is missing or differs.

    \b
    packetkit reconcile plover.yaml card.bin radio.log --from binary --from lines
    """
    not_onto_an_input(destination, schema, card, radio)
    found = gathered.gather(schema, (card, radio), given, frame, gathered.asked_of(of_forms))
    made = report(found)
    if as_json:
        output.write_json(made, destination)
    else:
        output.write(text(made, output.encoding_of(destination)) + found.losses_text(), destination)
    return FINDINGS if is_finding(made) or not any(found.union.sources) or not found.is_whole else 0
