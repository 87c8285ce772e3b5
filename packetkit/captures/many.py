"""Several schemas at once: one capture that holds the frames of many teams.

A frame is called `TEAM.FRAME`, so that everything that takes layouts by name takes those of all teams. A team is called as its mission,
or, where two missions have one name, as its schema's file. What would surprise a reader: bytes that are a good frame of two teams are
neither's. Nothing is guessed from who was heard before; the event is a failed one, `contested`, and keeps its bytes.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import PurePath

from packetkit.captures import stream
from packetkit.captures.probe import is_credible
from packetkit.captures.stream import Event, Failed, Good
from packetkit.codec.frame import Frame
from packetkit.errors import InputError, UnknownFrame
from packetkit.layout.alike import markers
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission

BETWEEN = "."  # team and frame; no name of a mission or a frame has it


@dataclass(frozen=True)
class Teams:
    """Missions by what their teams are called, in the order given."""

    missions: Mapping[str, Mission]
    only: frozenset[str] | None = None  # of these frames, by TEAM.FRAME

    @property
    def name(self) -> str:
        """What to call all of them."""
        return ", ".join(self.missions)

    @cached_property
    def frames(self) -> Mapping[str, Frame]:
        """Every frame that is looked for and that its bytes tell, as TEAM.FRAME."""
        return {
            f"{team}{BETWEEN}{name}": frame
            for team, mission in self.missions.items()
            for name, frame in mission.frames.items()
            if name not in mission.outside and (self.only is None or f"{team}{BETWEEN}{name}" in self.only)
        }

    @cached_property
    def owners(self) -> Mapping[str, str]:
        """The team of each frame."""
        return {name: name.partition(BETWEEN)[0] for name in self.frames}

    @cached_property
    def layouts(self) -> Mapping[str, Layout]:
        """The layouts of the frames."""
        return {name: frame.layout for name, frame in self.frames.items()}

    def split(self, name: str) -> tuple[str, str]:
        """Return team and frame of a name; the team is empty where the name is not one frame's, such as that of what two teams claim."""
        if name not in self.frames:
            return "", name
        team, _, frame = name.partition(BETWEEN)
        return team, frame

    def own(self, event: Event) -> tuple[str, Event]:
        """Return whose an event is, empty where nobody's or of several, and the event as that team alone would have it."""
        name = event.frame if isinstance(event, Good) else event.claimed if isinstance(event, Failed) else ""
        team, frame = self.split(name)
        if not team:
            return "", event
        return team, replace(event, frame=frame) if isinstance(event, Good) else _claimed(event, frame)

    def events(
        self, pieces: Iterable[bytes], *, detail: bool = False, salvage: bool = False
    ) -> Iterator[Event]:
        """Yield the events of a stream. Raises InputError for frames that cannot be found in one."""
        return stream.events(self.frames, pieces, detail=detail, salvage=salvage, owners=self.owners)

    def whole(self, data: bytes, *, detail: bool = False, salvage: bool = False) -> Event:
        """Return the one event of bytes that are one frame: a team's, contested, or unknown."""
        found = [
            (team, named(team, stream.whole(mission, data, detail=detail, salvage=salvage)))
            for team, mission in self.missions.items()
        ]
        found = [(team, event) for team, event in found if self._looks_for(event)]
        good = [event for _, event in found if isinstance(event, Good)]
        if good:
            return good[0] if len(good) == 1 else stream.contested(good)
        failed = [event for _, event in found if isinstance(event, Failed) and event.claimed]
        # What carries a team's marker is that team's; a frame with few constant bits claims much that is not its own.
        marked = [event for event in failed if is_credible(markers(self.layouts[event.claimed]))]
        failed = marked or [event for event in failed if event.reason == "check failed"]
        if len(failed) == 1:
            return failed[0]
        claims = f": {' or '.join(event.claimed for event in failed)} may be meant" if failed else ""
        return Failed(
            "", 0, data, UnknownFrame.reason, f"{len(data)} bytes are no good frame of any schema{claims}"
        )

    def _looks_for(self, event: Event) -> bool:
        name = event.frame if isinstance(event, Good) else event.claimed if isinstance(event, Failed) else ""
        return not name or name in self.frames


def named(team: str, event: Event) -> Event:
    """The event with its frame under the team's name."""
    if isinstance(event, Good):
        return replace(event, frame=f"{team}{BETWEEN}{event.frame}")
    return (
        _claimed(event, f"{team}{BETWEEN}{event.claimed}")
        if isinstance(event, Failed) and event.claimed
        else event
    )


def _claimed(event: Event, name: str) -> Event:
    return replace(event, claimed=name) if isinstance(event, Failed) else event


def teams(
    given: Sequence[tuple[str, Mission]],
    *,
    variants: Iterable[tuple[str, str, str]] = (),
    frames: Iterable[str] = (),
) -> Teams:
    """Return the missions of schema files under names that differ. Raises InputError for two files of one name and one mission.

    variants: what was told of them, as team, part and variant. frames: those that are looked for, as TEAM.FRAME; all where none is named.
    """
    found = _called(given)
    said: dict[str, dict[str, str]] = {}
    for team, part, variant in variants:
        said.setdefault(team, {})[part] = variant
    for team, parts in said.items():
        if team not in found:
            raise InputError(
                f"--variant: of several schemas it is TEAM.PART=NAME, and {team!r} is none of {', '.join(found)}"
            )
        try:
            found[team] = found[team].told(parts)
        except KeyError as error:
            raise InputError(f"--variant: {team}: {error.args[0]}") from None
    made = Teams(found)
    named = frozenset(frames)
    for name in sorted(named - made.frames.keys()):
        raise InputError(
            f"--frame: of several schemas a frame is TEAM.FRAME, and {name!r} is none of {', '.join(made.frames)}"
        )
    made = Teams(found, named or None)
    _refuse(made)
    return made


def _called(given: Sequence[tuple[str, Mission]]) -> dict[str, Mission]:
    """Missions by what their teams are called."""
    missions = Counter(mission.name for _, mission in given)
    found: dict[str, tuple[str, Mission]] = {}
    for file, mission in given:
        name = mission.name if missions[mission.name] == 1 else PurePath(file).stem.replace(BETWEEN, "_")
        if name in found:
            other = found[name][0]
            raise InputError(
                f"{other} and {file} are both called {name}, by mission and by file; give one of the missions another name"
            )
        found[name] = (file, mission)
    return {name: mission for name, (_, mission) in found.items()}


def _refuse(made: Teams) -> None:
    """Raise InputError for teams none of whose frames can be told from others."""
    for team, mission in made.missions.items():
        if not set(mission.frames) - mission.outside:
            raise InputError(
                f"{team}: which frame bytes hold is told from outside; decode this schema by itself, with --frame"
            )
    for name, layout in made.layouts.items():
        if layout.supplied:
            raise InputError(
                f"{name}: {layout.supplied[0].address} is mixed into its check, so any bytes pass for it; decode this schema by itself"
            )
