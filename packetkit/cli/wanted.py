"""What `decode` and its kin look for: the frames of a mission, or the one that was named, and what was told of them beside."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace

from packetkit.captures.account import Account
from packetkit.captures.many import Teams
from packetkit.captures.many import teams as several
from packetkit.captures.stream import Event, Failed, Good, Skipped, events, obstacle, whole
from packetkit.codec.calibrate import curves, serials
from packetkit.codec.frame import Frame
from packetkit.errors import InputError
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission, parse
from packetkit.schema.words import parse_number

# Of each possible reading so much is decoded to show what it would give.
TRIED = 1 << 16


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is decoded, and how: the frames of a mission, all or the one that was named."""

    mission: Mission | Teams
    frames: Mapping[str, Frame]
    detail: bool = False
    salvage: bool = False
    known: Mapping[str, int] | None = None  # raw codes of supplied fields
    serial: str | None = None  # the unit whose calibration is applied

    @property
    def layouts(self) -> Mapping[str, Layout]:
        """The layouts of the frames, by name."""
        return {name: frame.layout for name, frame in self.frames.items()}

    @property
    def obstacle(self) -> str:
        """Why the input is taken as one frame; empty where frames are looked for in it."""
        return obstacle(self.frames, self.owners)

    @property
    def owners(self) -> Mapping[str, str] | None:
        """The team of each frame, where there are several schemas."""
        return self.mission.owners if isinstance(self.mission, Teams) else None

    def events(self, pieces: Iterable[bytes], *, in_detail: bool) -> Iterator[Event]:
        """Yield what the pieces hold, calibrated where a unit was named and the records are in detail."""
        return self.calibrated(self._events(pieces, in_detail=in_detail), in_detail=in_detail)

    def calibrated(self, found: Iterator[Event], *, in_detail: bool) -> Iterator[Event]:
        """The events, calibrated where a unit was named and the records are in detail."""
        if self.serial is None or not in_detail:
            return found
        known = {name: bool(curves(frame.layout, self.serial)) for name, frame in self.frames.items()}
        return (self._calibrated(event, known) for event in found)

    def _calibrated(self, event: Event, known: Mapping[str, bool]) -> Event:
        name = event.frame if isinstance(event, Good) else event.claimed if isinstance(event, Failed) else ""
        if isinstance(event, Skipped) or event.record is None or self.serial is None or not known.get(name):
            return event
        return replace(event, record=self.frames[name].calibrate(event.record, self.serial))

    def _events(self, pieces: Iterable[bytes], *, in_detail: bool) -> Iterator[Event]:
        if isinstance(self.mission, Teams):
            yield from self.mission.events(pieces, detail=in_detail, salvage=self.salvage)
            return
        if not self.obstacle:
            yield from events(self.frames, pieces, detail=in_detail, salvage=self.salvage)
            return
        data = b"".join(pieces)
        name = next(iter(self.frames)) if len(self.frames) == 1 else None
        if data:
            yield whole(
                self.mission, data, frame=name, detail=in_detail, salvage=self.salvage, known=self.known
            )

    def tried(self, data: bytes) -> Account:
        """Return the account of the first bytes of a possible reading."""
        account = Account()
        if self.owners is not None and self.obstacle:
            return account  # no stream shows all of these
        for event in self.events([data[:TRIED]], in_detail=False):
            account.add(event)
        return account


@dataclass(frozen=True, slots=True)
class Asking:
    """What a command line asks for, as it can be told to another process: schemas as (name, text), and what was said of their frames."""

    schemas: tuple[tuple[str, bytes], ...]
    frames: tuple[str, ...] = ()  # of one schema one at most
    variants: tuple[str, ...] = ()
    known: tuple[str, ...] = ()
    serial: str | None = None
    detail: bool = False
    salvage: bool = False

    def wanted(self) -> Wanted:
        """Return what is looked for. Raises InputError or SchemaError for what the schemas do not have."""
        missions = [(name, parse(text, name)) for name, text in self.schemas]
        if len(missions) == 1:
            mission = told(missions[0][1], self.variants)
            wanted = Wanted(
                mission, frames_asked(mission, next(iter(self.frames), None)), self.detail, self.salvage
            )
        else:
            told_of = [_variant_of(one) for one in self.variants]
            teams = several(missions, variants=told_of, frames=self.frames)
            wanted = Wanted(teams, teams.frames, self.detail, self.salvage)
        codes = supplied_codes(self.known, wanted.frames)
        curves_of = serials(frame.layout for frame in wanted.frames.values())
        if self.serial is not None and self.serial not in curves_of:
            listed = (
                f"those with curves are {', '.join(curves_of)}"
                if curves_of
                else "the schema has no calibration"
            )
            raise InputError(f"--serial: there are no curves for {self.serial!r}; {listed}")
        if isinstance(wanted.mission, Teams) and self.serial is not None:
            _refuse_two_units(self.serial, wanted)
        return replace(wanted, known=codes, serial=self.serial)


def _refuse_two_units(serial: str, wanted: Wanted) -> None:
    """Raise InputError where units of two teams have that serial: nothing tells whose curves are meant."""
    names = [name for name, frame in wanted.frames.items() if curves(frame.layout, serial)]
    found = dict.fromkeys(name.partition(".")[0] for name in names)
    if len(found) > 1:
        raise InputError(
            f"--serial: {' and '.join(found)} each have curves for {serial!r}; decode these schemas one by one"
        )


def _variant_of(text: str) -> tuple[str, str, str]:
    """Team, part and variant of `TEAM.PART=NAME`."""
    address, _, name = text.partition("=")
    team, _, part = address.partition(".")
    return team, part, name


def frames_asked(mission: Mission, name: str | None) -> Mapping[str, Frame]:
    """Return the frames that their bytes tell, or the one that is named. Raises InputError for no such name, or for none to look for."""
    if name is None:
        found = {key: frame for key, frame in mission.frames.items() if key not in mission.outside}
        if not found:
            raise InputError(
                f"which frame these bytes hold is told from outside: say --frame NAME: {', '.join(mission.frames)}"
            )
        return found
    if name not in mission.frames:
        raise InputError(f"--frame: {mission.name} has no frame {name!r}: {', '.join(mission.frames)}")
    return {name: mission.frames[name]}


def supplied_codes(given: Iterable[str], frames: Mapping[str, Frame]) -> dict[str, int]:
    """Return the codes of supplied fields by name. Raises InputError for a name or a code that none of the frames has."""
    slots = {slot.path[0]: slot for frame in frames.values() for slot in frame.layout.supplied}
    found: dict[str, int] = {}
    for word in given:
        name, _, code = word.partition("=")
        number = parse_number(code)
        if name not in slots:
            listed = f"there are {', '.join(slots)}" if slots else "these frames have none"
            raise InputError(f"--known: {name!r} is no supplied field; {listed}")
        low, high = slots[name].raw_limits
        if isinstance(number, str) or number.denominator != 1 or not low <= number <= high:
            raise InputError(
                f"--known: {name} is a code from {low} to {high}, such as {name}=0x{high:X}, not {code!r}"
            )
        found[name] = number.numerator
    return found


def told(mission: Mission, variants: tuple[str, ...]) -> Mission:
    """Return the mission with what was said of its variants. Raises InputError for what it does not have."""
    said = dict(one.partition("=")[::2] for one in variants)
    try:
        return mission.told(said)
    except KeyError as error:
        raise InputError(f"--variant: {error.args[0]}") from None
