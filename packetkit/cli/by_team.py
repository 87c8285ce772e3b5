"""Several schemas at once: a file for each team, as decoding its schema alone writes it, one for what is nobody's, the account by team."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import click

from packetkit.captures.account import Account
from packetkit.captures.many import BETWEEN, Teams
from packetkit.captures.stream import CONTESTED, Event, Skipped
from packetkit.cli import output, tables, written
from packetkit.cli.decoded import Rows
from packetkit.cli.tables import NO_FRAME, of_kind
from packetkit.cli.wanted import Wanted
from packetkit.cli.written import Out, Target
from packetkit.codec.frame import Frame
from packetkit.errors import InputError
from packetkit.files import not_onto_an_input

if TYPE_CHECKING:
    from packetkit.captures.swift import Block


def check_options(frames: tuple[str, ...], known: tuple[str, ...], schemas: int) -> None:
    """Raise UsageError for what does not go with so many schemas."""
    if schemas > 1 and known:
        raise click.UsageError(
            "--known speaks of one schema's frames, which are not looked for among others; decode that schema by itself"
        )
    if schemas == 1 and len(frames) > 1:
        raise click.UsageError(
            "--frame names one frame; several with several schemas only, each as TEAM.FRAME"
        )


def schemas_and_inputs(names: tuple[str, ...], has_text: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the schemas and the inputs among the names of a command line: the first is a schema, and others end so."""
    count = next((at for at, name in enumerate(names) if at and not _is_schema(name)), len(names))
    schemas, inputs = names[:count], names[count:]
    late = next((name for name in inputs if _is_schema(name)), None)
    if late is not None:
        raise click.UsageError(f"schemas stand before the inputs, and {late} is named like a schema")
    if has_text and inputs:
        raise click.UsageError("name one input: a file, - for standard input, or --text TEXT")
    if not has_text and not inputs:
        *_, last = schemas
        behind = (
            f"the inputs stand behind the schemas, and {last} is named like a schema"
            if len(schemas) > 1
            else ""
        )
        raise click.UsageError(behind or "name one input: a file, - for standard input, or --text TEXT")
    twice = next((name for name, times in Counter(schemas).items() if times > 1), None)
    if twice is not None:
        raise InputError(f"{twice} is named twice, so every frame of it would be claimed twice")
    return schemas, inputs


def _is_schema(name: str) -> bool:
    return name.lower().endswith((".yaml", ".yml"))


def own_frames(teams: Teams, team: str) -> dict[str, Frame]:
    """Return the frames of one team that are looked for, as its own schema calls them."""
    found = {name: frame for name, frame in teams.frames.items() if teams.owners[name] == team}
    return {teams.split(name)[1]: frame for name, frame in found.items()}


class ByTeam:
    """A writer that hands each event to its team's, and what is nobody's to one of its own, opened when it is needed."""

    def __init__(self, teams: Teams, files: ExitStack, target: Target, outs: Mapping[str, Out]) -> None:
        self._teams, self._files, self._target = teams, files, target
        self._outs = dict(outs)

    def event(self, event: Event) -> None:
        if isinstance(event, Skipped):
            return
        team, own = self._teams.own(event)
        if not team and team not in self._outs:
            if self._target.every_s is not None:
                return  # only good frames are gathered
            self._outs[""] = self._files.enter_context(_nobodys(self._teams, self._target))
        self._outs[team].writer.event(own)

    @property
    def takes_blocks(self) -> bool:
        """Whether `block` may be called: every team's output takes them."""
        writers = [out.writer for out in self._outs.values()]
        return all(isinstance(one, (Rows, tables.Tables)) and one.takes_blocks for one in writers)

    def block(self, block: Block) -> None:
        """Write a row of good frames, all of one team."""
        team, frame = self._teams.split(block.frame)
        self._outs[team].writer.block(replace(block, frame=frame))  # type: ignore[attr-defined]  # takes_blocks said so

    def end(self) -> None:
        for out in self._outs.values():
            out.writer.end()

    def flush(self) -> None:
        """Send on what was written to each file."""
        for out in self._outs.values():
            out.flush()

    def note(self) -> str:
        """Return a line on the files, and what each of them has to say."""
        said = [
            f"{team or 'nobody'}: {note.strip()}" for team, out in self._outs.items() if (note := out.note())
        ]
        stem = of_kind(self._target.destination, "TEAM")
        rest = of_kind(self._target.destination, NO_FRAME)
        where = f"Written: {stem}, a file a team" + (
            f"; {rest}, what is nobody's." if "" in self._outs else "."
        )
        return " ".join([where, *said])


@contextmanager
def opened(wanted: Wanted, target: Target) -> Iterator[Out]:
    """Yield an output that writes a file for each team. Raises InputError where two of them would be one file, or an input."""
    assert isinstance(wanted.mission, Teams)
    planned = list(_planned(wanted.mission, target))
    for path, count in Counter(planned).items():
        not_onto_an_input(path, *target.inputs)
        if count > 1:
            raise InputError(f"-o: {path} would be the file of two teams; give their missions other names")
    with ExitStack() as files:
        outs = {}
        for team, mission in wanted.mission.missions.items():
            frames = own_frames(wanted.mission, team)
            if not frames:
                continue
            own = Wanted(mission, frames, wanted.detail, wanted.salvage, serial=wanted.serial)
            its = replace(target, destination=of_kind(target.destination, team), picture=None)
            outs[team] = files.enter_context(written.opened(own, its))
        writer = ByTeam(wanted.mission, files, target, outs)
        needs_detail = any(out.needs_detail for out in outs.values())
        yield Out(writer, needs_detail, lambda text: None, writer.flush, writer.note)


def _planned(teams: Teams, target: Target) -> Iterator[str]:
    """Every file that may be written."""
    yield of_kind(target.destination, NO_FRAME)
    for team in teams.missions:
        path, names = of_kind(target.destination, team), list(own_frames(teams, team))
        if target.form in ("arrow", "parquet") and len(names) > 1:
            yield from (of_kind(path, name) for name in names)
        else:
            yield path


@contextmanager
def _nobodys(teams: Teams, target: Target) -> Iterator[Out]:
    """The output for what no team has, or several claim."""
    is_named = (
        target.form in tables.FORMS and target.form != "sqlite"
    )  # there the table's name is part of the file's
    path = target.destination if is_named else of_kind(target.destination, NO_FRAME)
    with written.opened(Wanted(teams, {}), replace(target, destination=path, picture=None)) as out:
        yield out


# -- the account -----------------------------------------------------------------------------------


def _failed(account: Account, name: str) -> int:
    return sum(count for (claimed, _), count in account.failed.items() if claimed == name)


def _contested(account: Account) -> dict[str, int]:
    """Frames that several teams claim, by who claims them."""
    return {claimed: count for (claimed, reason), count in account.failed.items() if reason == CONTESTED}


def _unknown(teams: Teams, account: Account) -> int:
    known = teams.frames.keys()
    return sum(
        count
        for (claimed, reason), count in account.failed.items()
        if claimed not in known and reason != CONTESTED
    )


def account_text(teams: Teams, account: Account, width: int, encoding: str) -> str:
    """Return a row for each frame of each team, also where none came, and lines on what is nobody's."""
    titles = (output.Column("team", fit="shorten"), output.Column("frame", fit="shorten"))
    columns = (*titles, output.Column("good", ">"), output.Column("failed", ">"))
    rows = tuple(
        (*teams.split(name), f"{account.good.get(name, 0):,}", f"{_failed(account, name):,}")
        for name in teams.frames
    )
    lines = output.Table(columns, rows).text(width, encoding)
    said = [
        f"Contested: {count:,}, each a good frame of {claims.replace(' or ', ' and of ')}: nobody's, as nothing in them tells whose."
        for claims, count in _contested(account).items()
    ]
    unknown = _unknown(teams, account)
    said += [f"Unknown: {unknown:,} that are no frame of any schema."] if unknown else []
    return lines + "".join(line + "\n" for one in said for line in output.wrapped(one, width))


def account_document(teams: Teams, account: Account) -> dict[str, Any]:
    """Return the same for `--json`."""
    made = []
    for team, mission in teams.missions.items():
        names = [name for name in teams.frames if teams.owners[name] == team]
        frames = [
            {
                "frame": name.partition(BETWEEN)[2],
                "good_frames": account.good.get(name, 0),
                "failed_frames": _failed(account, name),
            }
            for name in names
        ]
        made.append(
            {"team": team, "mission": mission.name, "fingerprint": mission.fingerprint, "frames": frames}
        )
    contested = [
        {"claims": claims.split(" or "), "frames": count} for claims, count in _contested(account).items()
    ]
    return {"teams": made, "contested": contested, "unknown_frames": _unknown(teams, account)}
