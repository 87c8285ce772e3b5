"""`packetkit diagnose`: why a capture does not decode, the likeliest cause first, with what speaks for it."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from itertools import islice
from typing import Any

import click

from packetkit.captures import paste
from packetkit.captures.account import Account
from packetkit.captures.causes import Cause
from packetkit.captures.diagnose import Diagnosis, Finding, examine
from packetkit.captures.flips import Flips, flips
from packetkit.captures.probe import takes_anything
from packetkit.captures.stream import Failed
from packetkit.captures.unpack import PIECE, packed_as, unpacked
from packetkit.cli import forms, output, strip
from packetkit.cli.decoded import unguarded
from packetkit.cli.spelling import portable
from packetkit.cli.wanted import Wanted
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

# So much of a capture is read as each form, to see whether it is one.
TRIED = 1 << 15
# Fewer of the bytes as good frames, and something is wrong, or damaged, though nobody knows what.
SOUND = 0.85

NOTHING = "Nothing is wrong with it"
DAMAGED = "Nothing is wrong with how it is read; single frames came damaged"


def bytes_of(data: bytes, given: str | None, name: str) -> tuple[bytes, str]:
    """Return the bytes that an input means, and how it was read. Raises InputError where text may mean several."""
    if not data:
        raise InputError(f"{name}: there are no bytes to diagnose")
    text = paste.text_of(data)
    if given == "binary" or (given is None and (text is None or paste.may_be_bits(text))):
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
    if not finding.causes and finding.explained < SOUND:
        lost = 100 * (1 - finding.explained)
        return f"Frames are found as declared, but {lost:.0f} % of the bytes are in none that is good; no cause known here explains it"
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


def flips_text(failed: Failed, found: Flips, mission: Mission, start: int = 0) -> str:
    """The sentences on one failed frame's flips. start: where its offset counts from."""
    head = f"The frame at byte {start + failed.offset:,} failed its check."
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


@dataclass(frozen=True, slots=True)
class Diagnosed:
    """What is said of a capture: how it was read, its diagnosis, and the form that it is instead, with its good frames."""

    mission: Mission
    read_as: str
    size: int
    found: Diagnosis
    framed: tuple[str, int] | None = None
    problem: str = ""  # why there is no more of it

    @property
    def is_fine(self) -> bool:
        """True where it decodes as it stands."""
        best = next(iter(self.found.findings), None)
        is_sound = best is not None and not best.causes and best.explained >= SOUND
        return is_sound and self.framed is None and not self.problem


def text(told: Diagnosed, encoding: str) -> str:
    """What a person reads: the explanations, the best one's example on the strip, flips that would mend failed frames."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    head = f"Read as {told.read_as}: {counted(told.size, 'byte')}. {_looked_at(told)}".rstrip()
    parts = ["\n".join(output.wrapped(head, width)) + "\n"]
    if told.framed is not None:
        form, good = told.framed
        said = f"1. It is framed, or a log: decode --from {form} reads {counted(good, 'good frame')}."
        if told.size > TRIED:
            said = f"{said[:-1]} in its first {TRIED:,} bytes."
        return "\n".join([*parts, "\n".join(output.wrapped(said, width)) + "\n"])
    found = told.found.findings
    if not found:
        said = (
            "None of these causes explains it: another frame, packing, octet or bit order, a shifted start, octets of a driver, "
            "hexadecimal of hexadecimal, line ends, inverted bits, a missing sync marker, another check; alone or in pairs. Perhaps it is "
            "no capture of this mission, or whitened or coded on the air."
        )
        return "\n".join([*parts, "\n".join(output.wrapped(said, width)) + "\n"])
    parts += ["\n".join(output.wrapped(line, width)) + "\n" for line in _unguarded(told.mission, found[0])]
    for number, finding in enumerate(found[:SHOWN], 1):
        parts.append(_explanation(number, finding, width))
    parts += [_example(found[0], encoding)] if found[0].sight.good else []
    for failed, mends in offered(told.mission, found[0]):
        said = flips_text(failed, mends, told.mission, found[0].sight.start)
        parts.append("\n".join(output.wrapped(said, width)) + "\n")
    return "\n".join(parts)


def _looked_at(told: Diagnosed) -> str:
    """Where, if that is not everywhere; and why there is no more."""
    places, chosen = told.found.places, told.found.chosen
    said = f"{told.problem[0].upper()}{told.problem[1:]}. " if told.problem else ""
    if len(places) == 1:
        return said.rstrip()
    where = ", ".join(
        f"from {one.start:,} ({'one octet over and over' if one.is_idle else f'{100 * one.explained:.0f} % good frames'})"
        for one in places
    )
    return (
        f"{said}Looked at {chosen.size:,} of them in each of {len(places)} places: {where}. "
        f"What follows is of those from {chosen.start:,}."
    )


def _explanation(number: int, finding: Finding, width: int) -> str:
    """One explanation, what speaks for it, and what to do; a command stands unbroken on a line of its own."""
    said = sentence(finding) if finding.causes or number == 1 else "As it stands, without any cause"
    lines = output.wrapped(f"{number}. {said}.", width)
    remedies = [cause.remedy for cause in finding.causes if cause.remedy]
    for one in [*finding.evidence, *([f"remedy: {'; '.join(remedies)}"] if remedies else [])]:
        lines += [f"   {line}" for line in output.wrapped(one, width - 3)]
    programs = [cause.program for cause in finding.causes if cause.program]
    lines += ["   a file that is there already:"] if programs else []
    lines += [f"   {command_of(program)}" for program in programs]
    return "\n".join(lines) + "\n"


def command_of(program: str) -> str:
    """The command that mends a file."""
    return f'python -c "import sys; d = sys.stdin.buffer.read(); sys.stdout.buffer.write({program})" < CAPTURE > MENDED'


def _unguarded(mission: Mission, finding: Finding) -> list[str]:
    """What is to be known of frames that any bytes are."""
    names = dict.fromkeys(one.frame for one in finding.sight.good)
    return [unguarded(name) for name in names if takes_anything(mission.layouts[name])]


def _example(best: Finding, encoding: str) -> str:
    example = best.sight.good[0]
    drawn = strip.frame(annotate(best.sight.layouts[example.frame], example.data), min(output.columns(), 100))
    return portable(f"The first good frame under 1, {example.frame}:\n" + "\n".join(drawn) + "\n", encoding)


def framed(wanted: Wanted, data: bytes) -> tuple[str, int] | None:
    """Return the form that bytes are, and how many good frames it shows; None where none shows more, or with less between them."""
    found: dict[str, Account] = {}
    what = forms.What(wanted.mission, wanted.frames, False, False)
    for name, form in forms.FORMS.items():
        if name == "packed-bits":
            continue  # bytes are that always: what it would find, the causes tell
        for payload in (None, "hex", "base64") if "--payload" in form.takes else (None,):
            account = found[f"{name} --payload {payload}" if payload else name] = Account(unit=form.unit)
            with suppress(InputError):
                for event in form.events(what, [data[:TRIED]], forms.Asked(payload=payload)):
                    account.add(event)
    best = max(found, key=lambda name: _worth(found[name]))
    good = sum(found[best].good.values())
    return (best, good) if good and _worth(found[best]) > _worth(wanted.tried(data[:TRIED])) else None


def _worth(account: Account) -> tuple[int, int]:
    """How much a reading shows: good frames first, then what is none."""
    return sum(account.good.values()), -account.skipped_bytes - sum(account.failed.values())


def _cause(cause: Cause) -> dict[str, str | None]:
    command = command_of(cause.program) if cause.program else None
    return {"kind": cause.kind, "told": cause.told, "remedy": cause.remedy or None, "command": command}


def document(told: Diagnosed) -> dict[str, Any]:
    """The diagnosis as JSON."""
    found = () if told.framed is not None else told.found.findings
    form, good = told.framed or (None, None)
    return {
        "read_as": told.read_as,
        "size_bytes": told.size,
        "cut": told.problem or None,
        "looked_at": [
            {
                "offset": one.start,
                "size_bytes": one.size,
                "good_share": round(one.explained, 4),
                "is_explained": one == told.found.chosen,
            }
            for one in told.found.places
        ],
        "nothing_wrong": told.is_fine,
        "framed_as": form,
        "framed_good_frames": good,
        "explanations": [
            {
                "causes": [_cause(cause) for cause in one.causes],
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
                "offset": found[0].sight.start + failed.offset,
                "frame": failed.claimed,
                "found": [list(places) for places in mends.found],
                "by_chance": mends.by_chance,
            }
            for failed, mends in (offered(told.mission, found[0]) if found else [])
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
    with plausible values: at its start, middle or end, where least decodes. Then the forms of decode --from. For
    frames whose check failed it offers the flips that would mend them; nothing is ever changed. Exit status 1:
    something is wrong, or nothing explains the capture.

    \b
    packetkit diagnose heron.yaml heron.capture
    packetkit diagnose heron.yaml log.hex --from hex --frame survey
    """
    only_one_standard_input(schema, source)
    not_onto_an_input(destination, schema, source)
    mission = load(schema)
    if frame is not None and frame not in mission.layouts:
        raise InputError(f"--frame: {mission.name} has no frame {frame!r}: {', '.join(mission.layouts)}")
    raw, problem, packed = _unpacked(read_bytes(source, MOST_BYTES), shown_name(source))
    data, read_as = bytes_of(raw, given, shown_name(source))
    found = examine(mission, data, frame)
    is_told = any(one.explained >= SOUND and not one.causes for one in found.findings[:1])
    wanted = Wanted(mission, {name: mission.frames[name] for name in ([frame] if frame else mission.frames)})
    told = Diagnosed(
        mission,
        f"{read_as} in {packed}" if packed else read_as,
        len(data),
        found,
        framed(wanted, raw) if given is None and read_as == "binary" and not is_told else None,
        problem,
    )
    if as_json:
        output.write_json(document(told), destination)
    else:
        output.write(text(told, output.encoding_of(destination)), destination)
    return 0 if told.is_fine else FINDINGS


def _unpacked(data: bytes, name: str) -> tuple[bytes, str, str]:
    """The bytes that packed ones mean, why there are no more of them, and how they were packed; others as they are."""
    packed = packed_as(data)
    if not packed:
        return data, "", ""
    problems: list[str] = []
    try:
        pieces = unpacked(packed, [data], problems.append)
        made = b"".join(islice(pieces, MOST_BYTES // PIECE))
    except InputError as error:
        raise InputError(f"{name}: {error}") from error
    # What was not read to its end is not cut.
    return made, "".join(problems) if len(data) < MOST_BYTES else "", packed
