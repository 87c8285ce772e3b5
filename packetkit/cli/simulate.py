"""`packetkit simulate`: a plausible capture of any mission, and beside it the truth about every frame.

The capture is what a receiver would have written: frames back to back, with junk between some of them. The truth is JSON lines, one for
each frame and piece of junk, lost frames included, so that a decoder's account can be held against it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction

import click

from packetkit.captures.continuity import counters
from packetkit.captures.stream import obstacle
from packetkit.cli import output
from packetkit.cli.wanted import frames_asked
from packetkit.conformance.simulate import Channel, Sent, simulate
from packetkit.errors import InputError, counted
from packetkit.files import load, not_onto_an_input
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission
from packetkit.radio.settings import exact_number

FATES = ("good", "lost", "unheard", "damaged", "cut")
INSTEAD_OF_PASSES = {"minutes": "--minutes", "loss": "--loss"}  # what passes of the schema tell by themselves


def chance(option: str, text: str) -> Fraction:
    """The chance that a text such as `10%` or `0.1` says, from 0 to 1. Raises InputError."""
    number = exact_number(text.strip().removesuffix("%"))
    if number is not None and text.strip().endswith("%"):
        number /= 100
    if number is None or not 0 <= number <= 1:
        raise InputError(f"{option}: {text!r} is not a share from 0% to 100%, written like 10% or 0.1")
    return number


def truth_line(sent: Sent) -> dict[str, object]:
    """One line of the truth: always the same keys."""
    return {
        "time_s": sent.time_s,
        "fate": sent.fate,
        "offset": sent.offset,
        "size_bytes": len(sent.data),
        "frame": sent.frame,
        "values": sent.values,
        "flipped_bits": list(sent.flipped),
        "noticed": sent.noticed,
        "bytes": sent.data,
    }


def summary(
    mission: Mission, counts: Counter[tuple[str | None, str]], size: int, seed: int, minutes: Fraction
) -> dict[str, object]:
    """What was made, for `--json`. counts: by frame and fate; size: the capture's bytes."""
    frames = {name: {fate: counts[name, fate] for fate in FATES} for name in mission.layouts}
    junk = counts[None, "junk"]
    head = {"mission": mission.name, "fingerprint": mission.fingerprint, "seed": seed, "minutes": minutes}
    return {**head, "capture_bytes": size, "junk_pieces": junk, "frames": frames}


def untold(layout: Layout) -> bool:
    """True where nothing but the sequence counter tells a restart: decode may take one for lost frames."""
    found = counters(layout)
    return found.sequence is not None and found.boot is None and found.clock is None


def text(
    made: dict[str, object],
    destination: str,
    truth: str,
    encoding: str,
    restarts: int,
    doubtful: Sequence[str],
) -> str:
    """The counts as a table, and where capture and truth lie. doubtful: frames whose restarts nothing tells."""
    frames = made["frames"]
    assert isinstance(frames, dict)
    # Nothing is sent unheard unless passes are simulated.
    fates = [fate for fate in FATES if fate != "unheard" or any(found[fate] for found in frames.values())]
    columns = (output.Column("frame", fit="shorten"), *(output.Column(fate, ">") for fate in fates))
    rows = tuple((name, *(found[fate] for fate in fates)) for name, found in frames.items())
    table = output.Table(columns, rows).text(encoding=encoding)
    junk = made["junk_pieces"]
    assert isinstance(junk, int)
    where = f"{destination}: {made['capture_bytes']:,} bytes, {counted(junk, 'piece')} of junk between frames"
    lines = [
        where,
        f"{truth}: the truth, one line a frame",
        f"seed {made['seed']}: the same seed gives the same bytes",
    ]
    if restarts:
        lines += [
            f"restarts of the unit: {restarts}; what is lost right before or after one,",
            "decode cannot count as missing",
        ]
    if restarts and doubtful:
        said = f"{', '.join(doubtful)}: without role: boot decode may take a restart for a wrap and count what is between as missing"
        lines += output.wrapped(said, min(output.columns(), output.DEFAULT_COLUMNS))
    return f"{table}\n" + "".join(f"{line}\n" for line in lines)


@click.command("simulate")
@click.argument("schema", metavar="SCHEMA")
@click.option("--minutes", default="20", show_default=True, metavar="N", help="How long the unit sends.")
@click.option("--loss", default="10%", show_default=True, metavar="SHARE", help="Frames that never arrive.")
@click.option(
    "--passes",
    type=output.Whole(1, 1000),
    metavar="N",
    help="So many passes or flights of the schema instead: heard in them only, lost as the link's margin says.",
)
@click.option(
    "--damage",
    default="2%",
    show_default=True,
    metavar="SHARE",
    help="Frames that arrive with flipped bits or cut short.",
)
@click.option(
    "--junk", default="2%", show_default=True, metavar="SHARE", help="Frames that have junk before them."
)
@click.option(
    "--missing",
    default="2%",
    show_default=True,
    metavar="SHARE",
    help="Readings that are missing, where the field can say so.",
)
@click.option(
    "--restarts",
    type=output.Whole(0, 1000),
    default=1,
    show_default=True,
    metavar="N",
    help="How often the unit restarts.",
)
@click.option(
    "--seed", type=int, default=1, show_default=True, metavar="N", help="The same seed gives the same bytes."
)
@click.option(
    "--channel-seed",
    type=int,
    metavar="N",
    help="Draw losses, damage and junk from this seed: give each receiver of one unit its own. The flight is --seed's, and another one "
    "than without this option.",
)
@click.option(
    "-o",
    "--output",
    "destination",
    required=True,
    metavar="FILE",
    callback=output.checked_output,
    help="Where the capture goes; the truth goes to FILE.truth.jsonl.",
)
@click.option(
    "--frame", metavar="NAME", help="Send this frame only: of those told from outside a capture holds one."
)
@output.json_option
def command(
    schema: str,
    minutes: str,
    loss: str,
    passes: int | None,
    damage: str,
    junk: str,
    missing: str,
    restarts: int,
    seed: int,
    channel_seed: int | None,
    frame: str | None,
    destination: str,
    as_json: bool,
) -> None:
    """Make a plausible capture of a mission, with the truth beside it.

    Values move smoothly, counters wrap, the unit restarts, readings go missing; frames are lost, damaged or cut, and junk stands between
    them. A frame without a cadence is sent every 10 s.

    \b
    packetkit simulate heron.yaml --minutes 20 --loss 10% --seed 7 -o capture.bin
    packetkit simulate heron.yaml --passes 4 -o day.bin
    packetkit decode heron.yaml capture.bin
    packetkit simulate heron.yaml --channel-seed 1 -o hill.bin
    packetkit simulate heron.yaml --channel-seed 2 -o roof.bin
    """
    if destination == "-":
        raise click.UsageError("-o names a file: capture and truth cannot both go to standard output")
    context = click.get_current_context()
    given = [
        word
        for name, word in INSTEAD_OF_PASSES.items()
        if context.get_parameter_source(name) is not click.core.ParameterSource.DEFAULT
    ]
    if passes is not None and given:
        raise click.UsageError(
            f"--passes and {given[0]}: the schema's passes and link say that; leave one away"
        )
    length = exact_number(minutes)
    if length is None or not 0 < length <= 1_000_000:
        raise InputError(f"--minutes: {minutes!r} is not a number above 0, up to 1,000,000")
    truth = f"{destination}.truth.jsonl"
    for one in (destination, truth):
        not_onto_an_input(one, schema)
    mission = load(schema)
    found = frames_asked(mission, frame)
    channel = Channel(
        chance("--loss", loss),
        chance("--damage", damage),
        chance("--junk", junk),
        chance("--missing", missing),
        restarts,
    )
    length, dues = length * 60, None
    if passes is not None:
        from packetkit.mission import heard  # it needs numpy, which one file on a memory stick leaves out

        listened = heard.listened(mission, passes)
        length, dues = listened[-1].end_s, heard.dues(mission, found, listened)
    counts: Counter[tuple[str | None, str]] = Counter()
    size = 0
    with (
        output.Progress("frames") as progress,
        output.open_bytes(destination) as capture,
        output.open_text(truth) as lines,
    ):
        for sent in simulate(found, length, channel, seed, dues, channel_seed):
            if sent.offset is not None:
                size += capture.write(sent.data)
            lines.write(output.json_text(truth_line(sent), indent=None))
            counts[sent.frame, sent.fate] += 1
            progress.advance()
    made = summary(mission, counts, size, seed, length / 60) | {"channel_seed": channel_seed}
    doubtful = [name for name in found if untold(mission.layouts[name])]
    problem = obstacle(found)
    if problem and sum(counts.values()) > 1:
        output.say(
            f"packetkit simulate: {problem}: decode cannot find the frames in {destination}; the truth holds each by itself"
        )
    if as_json:
        output.write_json(made)
    else:
        output.write(text(made, destination, truth, output.encoding_of(), restarts, doubtful))
