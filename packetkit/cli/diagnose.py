"""`packetkit diagnose`: why a capture does not decode, the likeliest cause first, with what speaks for it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import click

from packetkit.captures import paste
from packetkit.captures.diagnose import Finding, diagnose
from packetkit.captures.flips import Flips, flips
from packetkit.captures.stream import Failed
from packetkit.cli import output, strip
from packetkit.cli.spelling import portable
from packetkit.codec.annotate import annotate
from packetkit.errors import InputError, counted
from packetkit.files import load, not_onto_an_input, only_one_standard_input, read_bytes, shown_name
from packetkit.mission.load import Mission

FINDINGS = 1
# Explanations that are shown; the document has all.
SHOWN = 3
# Failed frames for which flips are looked for, and how many of the flips are shown.
FLIPPED, FLIPS_SHOWN = 2, 6
# A few thousand bytes decide; a capture of a whole month is not read for that.
MOST_BYTES = 1 << 20

NOTHING = "Nothing is wrong with it"
DAMAGED = "Nothing is wrong with how it is read; single frames came damaged"


def bytes_of(data: bytes, given: str | None, name: str) -> tuple[bytes, str]:
    """Return the bytes that an input means, and how it was read. Raises InputError where text may mean several."""
    if not data:
        raise InputError(f"{name}: there are no bytes to diagnose")
    text = paste.text_of(data)
    if given == "binary" or (given is None and text is None):
        return data, "binary"
    if text is None:
        raise InputError(f"{name}: this is no text, so it is not {given}. Say --from binary")
    if given is not None:
        return paste.READINGS[given](text), given
    try:
        possible = paste.readings(text)
    except InputError:
        return data, "binary"
    if len(possible) > 1:
        raise InputError(
            f"{name}: this can be read as {' and as '.join(possible)}. Say which: --from {' or --from '.join(possible)}"
        )
    ((reading, found),) = possible.items()
    return found, reading


def sentence(finding: Finding) -> str:
    """What an explanation says."""
    if not finding.causes:
        return DAMAGED if finding.sight.failed and finding.sight.good else NOTHING
    told = "; and ".join(f"{cause.kind}: {cause.told}" for cause in finding.causes)
    return told[0].upper() + told[1:]


def offered(mission: Mission, finding: Finding) -> list[tuple[Failed, Flips]]:
    """The flips that would mend the first frames whose check failed, where frames are otherwise as declared."""
    if finding.causes:
        return []
    failed = [one for one in finding.sight.failed if one.reason == "check failed"]
    return [(one, flips(mission.layouts[one.claimed], one.data)) for one in failed[:FLIPPED]]


def flips_text(failed: Failed, found: Flips, mission: Mission) -> str:
    """The sentences on one failed frame's flips."""
    head = f"The frame at byte {failed.offset:,} failed its check."
    if not found.found:
        tried = {
            0: f"Flips are not looked for: {found.why}.",
            1: "No flip of one bit makes it agree; two were not tried.",
        }
        return f"{head} {tried.get(found.looked_for, 'No flip of one or two bits makes it agree.')}"
    annotation = annotate(mission.layouts[failed.claimed], failed.data)
    shown = []
    for places in found.found[:FLIPS_SHOWN]:
        fields = [field.address for field in annotation.touched(frozenset(places))]
        shown.append(f"{' and '.join(map(str, places))} ({', '.join(fields)})")
    more = f", and {len(found.found) - FLIPS_SHOWN} more" if len(found.found) > FLIPS_SHOWN else ""
    return (
        f"{head} It would agree, with legal values, if {'bit' if len(found.found[0]) == 1 else 'bits'} "
        f"{' or '.join(shown)}{more} came over wrong. By chance {found.by_chance:.2g} such flips are to be expected. "
        "Nothing is changed: what is right only the unit knows."
    )


def text(mission: Mission, found: Sequence[Finding], read_as: str, size: int, encoding: str) -> str:
    """What a person reads: the explanations, the best one's example on the strip, flips that would mend failed frames."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    parts = [f"Read as {read_as}: {counted(size, 'byte')}.\n"]
    if not found:
        told = (
            "None of these causes explains it: another frame, packing, octet or bit order, a shifted start, octets of a driver, "
            "hexadecimal of hexadecimal, inverted bits, a missing sync marker, another check; alone or in pairs. Perhaps it is no "
            "capture of this mission, or whitened or coded on the air."
        )
        return "\n".join([*parts, "\n".join(output.wrapped(told, width)) + "\n"])
    for number, finding in enumerate(found[:SHOWN], 1):
        lines = output.wrapped(f"{number}. {sentence(finding)}.", width)
        remedies = [cause.remedy for cause in finding.causes if cause.remedy]
        evidence = [*finding.evidence, *([f"remedy: {'; '.join(remedies)}"] if remedies else [])]
        for one in evidence:
            lines += [f"   {line}" for line in output.wrapped(one, width - 3)]
        parts.append("\n".join(lines) + "\n")
    best = found[0]
    if best.sight.good:
        example = best.sight.good[0]
        drawn = strip.frame(
            annotate(best.sight.layouts[example.frame], example.data), min(output.columns(), 100)
        )
        head = f"The first good frame under 1, {example.frame}:"
        parts.append(portable(head + "\n" + "\n".join(drawn) + "\n", encoding))
    for failed, mends in offered(mission, best):
        parts.append("\n".join(output.wrapped(flips_text(failed, mends, mission), width)) + "\n")
    return "\n".join(parts)


def document(mission: Mission, found: Sequence[Finding], read_as: str, size: int) -> dict[str, Any]:
    """The diagnosis as JSON."""
    return {
        "read_as": read_as,
        "size_bytes": size,
        "nothing_wrong": bool(found) and not found[0].causes,
        "explanations": [
            {
                "causes": [
                    {"kind": cause.kind, "told": cause.told, "remedy": cause.remedy or None}
                    for cause in one.causes
                ],
                "score": round(one.score, 4),
                "good_frames": len(one.sight.good),
                "failed_frames": len(one.sight.failed),
                "explained_share": round(one.explained, 4),
                "plausible_share": round(one.plausible, 4),
                "evidence": list(one.evidence),
            }
            for one in found
        ],
        "flips": [
            {
                "offset": failed.offset,
                "frame": failed.claimed,
                "found": [list(places) for places in mends.found],
                "by_chance": mends.by_chance,
            }
            for failed, mends in (offered(mission, found[0]) if found else [])
        ],
    }


@click.command("diagnose")
@click.argument("schema", metavar="SCHEMA")
@click.argument("source", metavar="CAPTURE")
@click.option(
    "--from",
    "given",
    type=click.Choice(["hex", "base64", "binary"]),
    help="What the input is. Without it, the only thing that it can be.",
)
@click.option("--frame", metavar="NAME", help="The frame that you expect.")
@output.json_option
@output.output_option
def command(
    schema: str, source: str, given: str | None, frame: str | None, as_json: bool, destination: str
) -> int:
    """Find out why a capture does not decode.

    Tries causes one by one and in pairs, and ranks them by how much of the capture they turn into good frames
    with plausible values. For frames whose check failed it offers the flips that would mend them; nothing is
    ever changed. Exit status 1: something is wrong, or nothing explains the capture.

    \b
    packetkit diagnose heron.yaml heron.capture
    packetkit diagnose heron.yaml log.hex --from hex --frame survey
    """
    only_one_standard_input(schema, source)
    not_onto_an_input(destination, schema, source)
    mission = load(schema)
    if frame is not None and frame not in mission.layouts:
        raise InputError(f"--frame: {mission.name} has no frame {frame!r}: {', '.join(mission.layouts)}")
    data, read_as = bytes_of(read_bytes(source, MOST_BYTES), given, shown_name(source))
    found = diagnose(mission, data, frame)
    if as_json:
        output.write_json(document(mission, found, read_as, len(data)), destination)
    else:
        output.write(text(mission, found, read_as, len(data), output.encoding_of(destination)), destination)
    return 0 if found and not found[0].causes else FINDINGS
