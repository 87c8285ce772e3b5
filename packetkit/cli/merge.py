"""`packetkit merge`: what several receivers heard of one downlink as one capture, each frame once, and who heard it."""

from __future__ import annotations

from typing import Any

import click

from packetkit.captures.merge import Entry
from packetkit.captures.reconcile import sequence_of
from packetkit.cli import gathered, output
from packetkit.cli.gathered import Gathered
from packetkit.cli.sections import Sectioned
from packetkit.errors import InputError
from packetkit.files import not_onto_an_input

FINDINGS = 1


def line_of(entry: Entry, files: list[str]) -> dict[str, Any]:
    """Return a frame as a line of JSON that `decode --from jsonl` reads: when and how well who had it best heard it, and who had it."""
    said = entry.best.received
    made: dict[str, Any] = {
        "time": None if said is None else said.time,
        "rssi_dbm": None if said is None else said.rssi_dbm,
        "snr_db": None if said is None else said.snr_db,
        # With colons nothing else than hexadecimal can be meant.
        "payload": entry.data.hex(":"),
        "kind": entry.kind,
        "heard_by": [files[source] for source in sorted(entry.sources)],
    }
    return made | ({"disputed": True} if entry.disagrees else {})


def report(found: Gathered, entries: list[Entry]) -> dict[str, Any]:
    """Return what the receivers had, alone and together, for `--json`."""
    union, files = found.union, list(found.files)
    receivers = [
        {
            "file": file,
            "read_as": found.read_as[source],
            "good_frames": union.sources[source],
            "failed_frames": sum(found.accounts[source].failed.values()),
            "duplicates": found.duplicates(source),
            "alone_frames": sum(entry.sources == {source} for entry in entries),
            "missed_frames": sum(source not in entry.sources for entry in entries),
            **found.losses(source),
        }
        for source, file in enumerate(files)
    ]
    kinds = []
    for name, kind in union.kinds.items():
        mine = [entry for entry in entries if entry.kind == name]
        is_counted = kind.counters.sequence is not None
        kinds.append(
            {
                "frame": name,
                "merged_frames": len(mine),
                "heard_by_all": sum(len(entry.sources) == len(files) for entry in mine),
                "heard_by_one": sum(len(entry.sources) == 1 for entry in mine),
                "disagreements": sum(entry.disagrees for entry in mine),
                "missing_frames": sum(gap.frames for gap in kind.gaps()) if is_counted else None,
            }
        )
    disputed = [
        {
            "frame": entry.kind,
            "sequence": _sequence(found, entry),
            "versions": [
                {
                    "bytes": data,
                    "heard_by": [files[one.source] for one in heard],
                    "offsets": [one.offset for one in heard],
                }
                for data, heard in entry.versions.items()
            ],
        }
        for entry in entries
        if entry.disagrees
    ]
    head = {"mission": found.mission.name, "fingerprint": found.mission.fingerprint}
    return {**head, "receivers": receivers, "frames": kinds, "disagreements": disputed}


def _sequence(found: Gathered, entry: Entry) -> int | None:
    kind = found.union.kinds[entry.kind]
    return (
        None
        if entry.place is None or kind.counters.sequence is None
        else sequence_of(kind, entry.place.number)
    )


# Disagreements that a person is shown; `--json` has them all.
SHOWN = 10


def text(made: dict[str, Any], destination: str | None, encoding: str) -> str:
    """Return the same for a person."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    titles = ("good", "failed", "twice", "alone", "missed")
    keys = ("good_frames", "failed_frames", "duplicates", "alone_frames", "missed_frames")
    who = (output.Column("receiver", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows = tuple((one["file"], *(f"{one[key]:,}" for key in keys)) for one in made["receivers"])
    parts = [output.Table(who, rows).text(width, encoding)]
    titles = ("merged", "heard by all", "by one only", "disagree", "missing")
    keys = ("merged_frames", "heard_by_all", "heard_by_one", "disagreements", "missing_frames")
    what = (output.Column("frame", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows = tuple(
        (one["frame"], *("not counted" if one[key] is None else f"{one[key]:,}" for key in keys))
        for one in made["frames"]
    )
    parts.append(output.Table(what, rows).text(width, encoding))
    said = [
        "Alone: frames that only this receiver heard. Missing: numbers between merged frames that nobody heard."
    ]
    for one in made["disagreements"][:SHOWN]:
        versions = "; ".join(f"{', '.join(its['heard_by'])}: {its['bytes'].hex()}" for its in one["versions"])
        number = "" if one["sequence"] is None else f" number {one['sequence']:,}"
        said.append(f"Disagree: {one['frame']}{number}, each with a good check: {versions}.")
    rest = len(made["disagreements"]) - SHOWN
    said += [f"And {rest:,} disagreements more; --json has them all."] if rest > 0 else []
    said += [
        f"{one['file']}: no good frame in it. Is it the right file, and --from?"
        for one in made["receivers"]
        if not one["good_frames"]
    ]
    if destination is not None:
        said.append(f"{destination}: each frame once; decode reads it.")
    parts.append("".join(line + "\n" for one in said for line in output.wrapped(one, width)))
    return "\n".join(parts)


def written(entries: list[Entry], files: list[str], form: str) -> bytes:
    """Return the merged capture: JSON lines, or frames back to back."""
    if form == "binary":
        return b"".join(entry.data for entry in entries)
    return "".join(output.json_text(line_of(entry, files), indent=None) for entry in entries).encode()


@click.command("merge", cls=Sectioned, sections=gathered.SECTIONS)
@click.argument("schema", metavar="SCHEMA")
@click.argument("captures", metavar="CAPTURE CAPTURE...", nargs=-1, required=True)
@gathered.options
@click.option(
    "--format",
    "form",
    type=click.Choice(["jsonl", "binary"]),
    default="jsonl",
    show_default=True,
    help="How the merged capture is written: JSON lines with time, signal and who heard it, or frames back to back.",
)
@click.option(
    "-o",
    "--output",
    "destination",
    metavar="FILE",
    callback=output.checked_output,
    help="Where the merged capture goes; - is standard output.",
)
@output.json_option
def command(
    schema: str,
    captures: tuple[str, ...],
    given: tuple[str, ...],
    frame: str | None,
    form: str,
    destination: str | None,
    as_json: bool,
    **of_forms: Any,
) -> int:
    """Merge what several receivers heard of one downlink: each frame once, who heard it, what each alone brought.

    Frames are the same where their counters say the same number; wraps and restarts are told as `decode` tells them. Of frames that
    disagree the one that most receivers heard stands, else that of the receiver named first. Exit status 1: some disagree, a capture was
    cut, or there is no good frame.

    \b
    packetkit merge plover.yaml roof.log hill.log --from lines -o both.jsonl
    packetkit decode plover.yaml both.jsonl --from jsonl
    """
    if len(captures) < 2:
        raise click.UsageError("name two captures or more behind the schema")
    if destination == "-" and as_json:
        raise click.UsageError("--json and -o -: both go to standard output; name a file for the capture")
    if destination is not None:
        not_onto_an_input(destination, schema, *captures)
    found = gathered.gather(schema, captures, given, frame, gathered.asked_of(of_forms))
    if form == "binary" and found.wanted.obstacle:
        raise InputError(
            f"--format binary: {found.wanted.obstacle}; decode could not read the file. Leave --format out: JSON lines keep frames apart"
        )
    entries = list(found.union.entries())
    if destination is not None:
        output.write_bytes(written(entries, list(found.files), form), destination)
    made = report(found, entries)
    if as_json:
        output.write(output.json_text(made))
    else:
        said = text(made, None if destination == "-" else destination, output.encoding_of())
        said += found.losses_text()
        (output.say if destination == "-" else output.write)(said)
    return FINDINGS if made["disagreements"] or not entries or not found.is_whole else 0
