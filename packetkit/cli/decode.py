"""`packetkit decode`: frames in files or pasted, as a table, CSV, JSON lines, tables or one document.

What is a frame, the captures say; how a line looks, the exports. This module reads options; what the input is, `sources` finds out
without guessing; what becomes of it, and what was lost, `flow` says.
"""

from __future__ import annotations

from fractions import Fraction

import click

from packetkit.captures.packets import Strip
from packetkit.cli import by_team, crews, flow, forms, inputs, output, sources, summaries, tables, written
from packetkit.cli.picture import check_picture, picture_option
from packetkit.cli.sections import Section, Sectioned
from packetkit.cli.wanted import Asking
from packetkit.cli.written import Target
from packetkit.export.sheet import Origin, Style
from packetkit.files import not_onto_an_input, only_one_standard_input, read_schema, shown_name

# The forms that say when and how well a frame was received.
TELLING = ("lines", "csv", "jsonl", "pcap")


def _check_follow(follow: bool, given: str | None, text: str | None, as_json: bool) -> None:
    """Raise UsageError where there is nothing to follow, or no way to write at once."""
    if not follow:
        return
    if text is not None or as_json:
        raise click.UsageError(
            f"--follow waits for more, and {'--text' if text else '--json'} is whole at once"
        )
    waits = given is None or given in ("hex", "base64", "bits", "packed-bits")
    if waits:
        raise click.UsageError(
            "--follow goes with an input that is read as it comes: say --from binary, "
            "lines, csv, jsonl, pcap, slip, kiss, cobs, hdlc, hdlc-bits or hdlc-packed-bits"
        )


COMING_IN = (*("--text", "--from", *forms.OPTIONS, "--as-it-is", "--follow", "--baud"),)
LOOKED_FOR = ("--frame", "--variant", "--known", "--serial", "--salvage")
GOING_OUT = (
    *("--format", "--output", "--json", "--detail", "--raw", "--units"),
    *("--trace", "--every", "--summary", "--picture"),
)
MANY_FILES = (*crews.OPTIONS, "--spool")


@click.command(
    "decode",
    cls=Sectioned,
    sections=(
        Section("What comes in", COMING_IN),
        Section("What is looked for", LOOKED_FOR),
        Section("What is written", GOING_OUT),
        Section("Who decodes many files", MANY_FILES),
        *forms.LISTED,
    ),
)
@click.argument("names", metavar="SCHEMA... [INPUT]...", nargs=-1, required=True)
@click.option("--text", metavar="TEXT", help='Decode this text, such as "B9 21 05", instead of an input.')
@click.option(
    "--from",
    "given",
    metavar="FORM",
    type=click.Choice(["hex", "base64", "binary", *forms.FORMS]),
    help="What the input is: a form of the list below. Without it, the only thing that it can be.",
)
@forms.options
@click.option("--as-it-is", is_flag=True, help="Do not unpack gzip and zstd, nor look for pcap.")
@click.option(
    "--follow",
    is_flag=True,
    help="Wait for what is written to the input, or comes by a serial device, later; each frame goes out at once. Ends with Ctrl-C.",
)
@click.option(
    "--baud",
    type=output.Whole(1, 10_000_000),
    metavar="N",
    help="The speed of a serial device that is followed.",
)
@click.option("--trace", is_flag=True, help="Name file and fingerprint in every row and line.")
@click.option(
    "--frame",
    "frames",
    metavar="NAME",
    multiple=True,
    help="Look for this frame only; of several schemas for each TEAM.FRAME that is named.",
)
@click.option(
    "--variant",
    "variants",
    metavar="PART=NAME",
    multiple=True,
    help="What was told from outside: the variant of a part, of several schemas TEAM.PART=NAME.",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", "csv", "csv-semicolon", "jsonl", *tables.FORMS]),
    help="How to write the frames; csv-semicolon has a comma in numbers. Arrow and Parquet (extra `tables`) and SQLite are written to "
    "-o FILE, with a table a kind of frame. Without it, as FILE's name ends: "
    f"{', '.join(tables.SUFFIXES)}; else a table to read.",
)
@click.option(
    "--raw", "with_raw", is_flag=True, help="CSV and tables: a column for each field's code on the wire too."
)
@click.option(
    "--units", is_flag=True, help="CSV: the unit behind each title. Tables always say it beside the column."
)
@click.option(
    "--every",
    "every_s",
    metavar="TIME",
    type=summaries.Interval(),
    help="Gather frames by intervals of that length, such as 10min, empty ones too: by when they were received where the capture says so, "
    "else by their clock.",
)
@click.option(
    "--summary",
    metavar="WORDS",
    help="With --every: what to tell of each field, of min, mean, max and count.  [default: all]",
)
@picture_option("every field over time, a panel a quantity, further pages as FILE-2,")
@click.option("--detail", is_flag=True, help="Show every field with its raw code, constants and checks too.")
@click.option(
    "--salvage", is_flag=True, help="Show also what frames held whose check failed, marked as such."
)
@click.option(
    "--known",
    metavar="NAME=CODE",
    multiple=True,
    help="The code of a supplied field, which is mixed into a check; else it is recovered, and nothing is verified.",
)
@click.option(
    "--serial",
    metavar="SERIAL",
    help="The unit that sent them: show the values calibrated by its curves too.",
)
@crews.options
@click.option(
    "--spool",
    metavar="DIR",
    help="Where parts lie until they are put together: with --cluster a directory that every machine sees, without which parts go through "
    "the scheduler.",
)
@output.json_option
@output.output_option
def command(
    names: tuple[str, ...],
    text: str | None,
    given: str | None,
    line: str | None,
    key: str | None,
    payload: str | None,
    strip_front: int,
    strip_back: int,
    framing_check: str | None,
    marker_errors: int | None,
    tcp: str | None,
    port: int | None,
    nrzi: bool,
    high_bit_first: bool,
    as_it_is: bool,
    follow: bool,
    baud: int | None,
    trace: bool,
    frames: tuple[str, ...],
    variants: tuple[str, ...],
    form: str | None,
    with_raw: bool,
    units: bool,
    every_s: Fraction | None,
    summary: str | None,
    picture: str | None,
    detail: bool,
    salvage: bool,
    known: tuple[str, ...],
    serial: str | None,
    workers: int | None,
    cluster: str | None,
    spool: str | None,
    as_json: bool,
    destination: str,
) -> int:
    """Decode captured frames and account for every byte.

    INPUT is a file, or - for standard input: binary, or text in hexadecimal or base64, in which frames stand
    back to back and junk between them is skipped and told; or what --from names. gzip and zstd are unpacked.

    Every byte is a good frame's, a failed one's or skipped; and by the frames' counters is told how many are missing, where, and, where the
    capture says how well frames were heard, at which signal.

    Several inputs, in the order of their time: each is a capture of its own, rows name their file, and the account goes on over all of
    them. Large ones are decoded by several processes, or by a cluster, which reads them under the same paths; the result is the same.

    Several schemas: one capture of many teams. Their frames are called TEAM.FRAME, -o log.csv writes log-TEAM.csv for each, and what two
    of them claim is told and kept apart.

    Exit status 1: a frame failed or was cut off, bytes were skipped, lines were damaged, the file was cut, or there was no frame.

    \b
    packetkit decode heron.yaml heron.capture
    packetkit decode first-light.yaml --text "01 65 b1 80 3e 5b"
    packetkit decode heron.yaml log.hex --from hex --format csv -o log.csv
    packetkit decode heron.yaml receiver.log --from lines --strip 4
    packetkit decode heron.yaml - --from slip --format jsonl --follow
    packetkit decode heron.yaml /dev/ttyUSB0 --from slip --baud 57600 --follow
    packetkit decode teams/*.yaml receiver.log --from lines -o day.csv
    packetkit decode heron.yaml month/*.bin -o month.parquet
    """
    schemas, names = by_team.schemas_and_inputs(names, text is not None)
    several = len(names) > 1
    by_team.check_options(frames, known, len(schemas))
    if text is not None and given not in (None, "hex", "base64"):
        raise click.UsageError(f"--text is hexadecimal or base64; {given} comes from a file or -")
    strip = Strip(strip_front, strip_back)
    asked = forms.Asked(
        line, key, payload, framing_check, marker_errors, nrzi, high_bit_first, tcp, port, strip, follow
    )
    forms.check_options(given, asked)
    _check_follow(follow, given, text, as_json)
    inputs.check_options(names, follow, workers, cluster, spool)
    form = "json" if as_json else form or tables.form_of(destination)
    is_gathered = every_s is not None
    origin = Origin(names[0] if names else "--text") if trace or (several and not is_gathered) else None
    style = Style(form == "csv-semicolon", given in TELLING, origin, with_raw, units)
    with_leaves = detail or salvage
    words = summaries.words_of(summary, every_s)
    written.check_options(
        form, style, with_leaves or (is_gathered and serial is not None), follow, is_gathered
    )
    if picture is not None:
        check_picture(picture, destination, follow, *schemas, *names)
    only_one_standard_input(*schemas, *names)
    not_onto_an_input(destination, *schemas, *names)
    texts = tuple((shown_name(one), read_schema(one)) for one in schemas)
    asking = Asking(texts, frames, variants, known, serial, detail, salvage)
    wanted = asking.wanted()
    said = ", ".join(map(shown_name, names)) or "--text"
    target = Target(
        form.partition("-")[0], destination, follow, style, said, (*schemas, *names), every_s, words, picture
    )
    unit = forms.FORMS[given].unit if given in forms.FORMS else "byte"
    if text is not None:
        if baud is not None:
            raise click.UsageError("--baud sets a serial device, and --text is none")
        return flow.decode(wanted, [inputs.of_text(text, given, wanted)], target)
    how = sources.Reading(asked, follow, as_it_is)
    read = inputs.Read(wanted, asking, given, how, baud)
    return inputs.decode(names, read, target, unit, inputs.Who(workers, cluster, spool))
