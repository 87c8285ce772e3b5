"""`packetkit identify`: which check ends these frames, from a few good ones, and how a schema says it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from packetkit.captures import paste
from packetkit.cli import output
from packetkit.cli.spelling import portable
from packetkit.errors import InputError, counted
from packetkit.files import not_onto_an_input, read_text
from packetkit.integrity import identify as finding
from packetkit.integrity.identify import Match

FINDINGS = 1
# As many as a person compares; the document holds all.
SHOWN = 4
# Beyond, more frames say nothing new, and a capture was meant.
MOST_FRAMES = 200
MOST_BYTES = 4096


def frames_of(words: Sequence[str], lines: str | None) -> tuple[bytes, ...]:
    """Return the frames that the command line, or a file of lines, holds. Raises InputError with the line."""
    if lines is not None:
        texts = [(f"line {number}", text) for number, text in enumerate(read_text(lines).splitlines(), 1)]
    else:
        texts = [(f"frame {number}", text) for number, text in enumerate(words, 1)]
    made: list[bytes] = []
    for where, text in texts:
        if text.strip():
            made.append(_frame(where, text))
    if len(made) > MOST_FRAMES:
        raise InputError(
            f"{len(made):,} frames are more than are of use. Give the first {MOST_FRAMES}, or five"
        )
    if len(set(made)) < 2:
        raise InputError(
            f"{counted(len(set(made)), 'frame')} to compare: give two different good ones at least, better five"
        )
    return tuple(made)


def _frame(where: str, text: str) -> bytes:
    try:
        data = paste.from_hex(text)
    except InputError as error:
        raise InputError(f"{where}: {str(error).removeprefix('line 1: ')}") from error
    if len(data) > MOST_BYTES:
        raise InputError(f"{where}: {len(data):,} bytes are more than one frame ({MOST_BYTES:,} at most)")
    return data


def schema_line(match: Match) -> str:
    """How a schema declares the check, as far as it concerns the check itself."""
    algorithm, place = match.algorithm, match.place
    if match.name:
        what = match.name
    else:
        what = (
            f"{{width: {algorithm.width}, polynomial: {algorithm.hexadecimal(algorithm.poly)}, "
            f"initial: {algorithm.hexadecimal(algorithm.init)}, reflect_in: {_word(algorithm.reflect_in)}, "
            f"reflect_out: {_word(algorithm.reflect_out)}, final_xor: {algorithm.hexadecimal(algorithm.final_xor)}}}"
        )
    stored = ", stored: low_octet_first" if place.low_first and place.octets > 1 else ""
    return f"- {{name: check, kind: check, algorithm: {what}{stored}}}"


def _word(truth: bool) -> str:
    return "true" if truth else "false"


def sentences(match: Match, lengths: int) -> list[str]:
    """What there is to say about a match beside its parameters."""
    told = []
    place = match.place
    if place.skipped and not place.in_front:
        told.append(f"It does not cover the first {counted(place.skipped, 'byte')}: say so with covers.")
    if match.open_bits and lengths == 1:
        told.append(
            "All frames have one length, so each initial value has a final xor that explains them as well"
            + (
                ": this is the pair that has a name. "
                if match.name
                else ", and bytes in front that never change may be covered or not. "
            )
            + "Frames of another length would separate them."
        )
    elif match.open_bits:
        told.append(
            f"These lengths leave {2**match.open_bits:,} pairs of initial value and final xor that explain the frames equally; "
            "frames of other lengths would separate them."
        )
    told.append(
        f"Matches to expect by chance: {match.chance:.1g}."
        + ("" if match.is_credible else " Give more frames.")
    )
    return told


def text(matches: Sequence[Match], frames: Sequence[bytes], encoding: str) -> str:
    """What a person reads: each match with its parameters, place and schema line."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    lengths = len({len(one) for one in frames})
    if not matches:
        advice = (
            f"No check found in {counted(len(frames), 'frame')}: no row of the catalogue, and no CRC of whole bytes up to 64 bits, "
            "within 16 bytes of the start and 4 of the end. Are all frames good, and are driver bytes taken off? "
        )
        groups = max(sum(len(one) == length for one in frames) for length in {len(one) for one in frames})
        advice += "A CRC that has no name needs four or more frames of one length." if groups < 4 else ""
        return "\n".join(output.wrapped(advice.strip(), width)) + "\n"
    parts = []
    for number, match in enumerate(matches[:SHOWN], 1):
        rows = match.algorithm.parameters()
        lines = output.wrapped(f"{number}. {match.name or 'a CRC without a name'}: {match.place}", width)
        parameters = ", ".join(f"{key} {value}" for key, value in rows)
        for one in (parameters, *sentences(match, lengths)):
            lines += [f"   {line}" for line in output.wrapped(one, width - 3)]
        parts.append("\n".join(lines) + "\n\n   " + schema_line(match) + "\n")
    if len(matches) > SHOWN:
        parts.append(f"And {len(matches) - SHOWN} more; --json lists all.\n")
    return portable("\n".join(parts), encoding)


def document(matches: Sequence[Match], frames: Sequence[bytes]) -> dict[str, Any]:
    """All matches as JSON."""
    return {
        "frames": len(frames),
        "lengths_bytes": sorted({len(one) for one in frames}),
        "matches": [
            {
                "name": match.name or None,
                "family": match.algorithm.family,
                "parameters": dict(match.algorithm.parameters()),
                "check_bytes": match.place.octets,
                "low_byte_first": match.place.low_first,
                "skipped_bytes": match.place.skipped,
                "bytes_behind": match.place.behind,
                "in_front": match.place.in_front,
                "open_bits": match.open_bits,
                "by_chance": match.chance,
                "credible": match.is_credible,
                "schema_line": schema_line(match),
            }
            for match in matches
        ],
    }


@click.command("identify")
@click.argument("words", metavar="FRAME...", nargs=-1)
@click.option(
    "--lines",
    metavar="FILE",
    help="Take the frames from a file, one a line in hexadecimal; - is standard input.",
)
@output.json_option
@output.output_option
def command(words: tuple[str, ...], lines: str | None, as_json: bool, destination: str) -> int:
    """Find out which check a few good frames carry.

    Of a CRC: width, polynomial, initial value, reflections, final xor; of any check the bytes that it covers and its stored order.

    FRAME is one whole frame in hexadecimal, in quotes where there are blanks. Two frames find a check that has
    a name; five of one length find any CRC, and frames of two lengths its initial value and final xor. Exit
    status 1: no check is found, or only one that chance explains as well.

    \b
    packetkit identify d391fd3feb3c9250b797528bf21c d39169636321a461b55e7bea39b3
    packetkit identify --lines good.hex
    """
    if bool(words) is (lines is not None):
        raise click.UsageError("give frames in hexadecimal, or --lines FILE")
    not_onto_an_input(destination, lines)
    frames = frames_of(words, lines)
    matches = finding.identify(frames)
    if as_json:
        output.write_json(document(matches, frames), destination)
    else:
        output.write(text(matches, frames, output.encoding_of(destination)), destination)
    return 0 if matches and matches[0].is_credible else FINDINGS
