"""The public Mission: a schema's text turned into frames that encode and decode, with the link and the passes they are for.

Every stage's problems are gathered and raised together, in source order. No file is opened here: text comes in.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Any

from packetkit.errors import Fault, Problem, SchemaError, UnknownFrame, counted
from packetkit.layout.alike import Told, differ, shared_length, told
from packetkit.layout.fingerprint import mission_fingerprint
from packetkit.layout.model import Choice, Layout
from packetkit.layout.resolve import resolve
from packetkit.passes import flight, geometry
from packetkit.passes.elements import Elements, Site, element_faults
from packetkit.radio import chirp, modems, settings
from packetkit.radio import link as radio_link
from packetkit.radio.energy import Battery
from packetkit.radio.energy import figure_faults as energy_faults
from packetkit.radio.fsk import FskSetting
from packetkit.radio.fsk import figure_faults as fsk_faults
from packetkit.radio.sensitivity import misfit
from packetkit.schema import model
from packetkit.schema.envelopes import carried_in
from packetkit.schema.load import load as load_schema
from packetkit.schema.text import MAXIMUM_PROBLEMS

if TYPE_CHECKING:
    from packetkit.codec.frame import Frame


@dataclass(frozen=True, slots=True)
class Link:
    """How frames travel. setting: the radio's, None where the schema names no radio.

    maximum_frame_bytes is for the frame alone; driver_bytes go on the air with each frame. gap_s: silence between two frames.
    share_of_hour: the part of an hour that may be spent sending, None without a limit.
    """

    setting: settings.Setting | None = None
    frequency_mhz: Fraction | None = None
    maximum_frame_bytes: int | None = None
    driver_bytes: int = 0
    gap_s: Fraction = Fraction(0)
    share_of_hour: Fraction | None = None
    unit: radio_link.End | None = None
    ground: radio_link.End | None = None
    polarisation_loss_db: float = 0.0
    fading_db: float = 0.0
    noise: str | None = None
    region: str | None = None
    sync_word: int = 0x12
    inverted_iq: bool = False
    fsk: FskSetting | None = None

    @property
    def between(self) -> radio_link.Between | None:
        """What lies between the ends, None where no frequency is known."""
        if self.frequency_mhz is None:
            return None
        return radio_link.Between(
            float(self.frequency_mhz), self.polarisation_loss_db, self.fading_db, self.noise
        )

    def time_on_air(self, frame_bytes: int) -> Fraction | None:
        """Seconds on the air for a frame of so many bytes, the driver's included; None without a radio or where no packet holds it."""
        size = frame_bytes + self.driver_bytes
        if self.setting is None or size > chirp.MAXIMUM_PAYLOAD_BYTES:
            return None
        return chirp.time_on_air(self.setting, size)

    def misfit(self, setting: settings.Setting) -> str:
        """Why one of the ends cannot do a setting, and a remedy behind a semicolon; empty where both can."""
        ends = {"unit": self.unit, "ground": self.ground}
        found = {name: misfit(setting, end.receiver) for name, end in ends.items() if end is not None}
        return next((f"the receiver of the {name}: {why}" for name, why in found.items() if why), "")


@dataclass(frozen=True, slots=True)
class Host:
    """A host vehicle or message service: what it takes in a day."""

    messages_per_day: Fraction
    message_bytes: int

    @property
    def bytes_per_day(self) -> Fraction:
        return self.messages_per_day * self.message_bytes


@dataclass(frozen=True, slots=True)
class Passes:
    """When the ground can listen: one of FORMS. flight: a balloon's or a rocket's, heard from mast_m above its starting place."""

    altitude_km: Fraction | None = None
    minimum_elevation_deg: Fraction | None = None
    duration_s: Fraction | None = None
    per_day: Fraction | None = None
    elements: Elements | None = None
    site: Site | None = None
    flight: flight.Flight | None = None
    mast_m: float = 0.0
    distance_km: Fraction | None = None
    host: Host | None = None


@dataclass(frozen=True)
class Mission:
    """A loaded schema. layouts: by frame name, in the order of the file; declared: what the schema said, for judges that start there.

    variants: what was told from outside of the parts that need it, see `told`.
    """

    name: str
    description: str
    layouts: Mapping[str, Layout]
    link: Link
    passes: Passes | None
    declared: model.Mission
    file: str = ""
    battery: Battery | None = None
    variants: Mapping[str, str] = field(default_factory=dict)

    def told(self, variants: Mapping[str, str]) -> Mission:
        """The mission with variants that are told from outside: the address of each such part, and its variant's name.

        Raises KeyError, which lists what there is, for another part or another name.
        """
        known = self.outside_parts
        for address, name in variants.items():
            if address not in known:
                listed = ", ".join(known) or "there is none"
                raise KeyError(f"{address} is no part whose variant is told from outside: {listed}")
            if name not in known[address]:
                raise KeyError(f"{address} has no variant {name}: {', '.join(known[address])}")
        return replace(self, variants=dict(variants))

    @cached_property
    def outside_parts(self) -> Mapping[str, tuple[str, ...]]:
        """The parts whose variant is told from outside, by their address, and the names of their variants."""
        nodes = (node for layout in self.layouts.values() for node in layout.walk())
        return {
            node.address: tuple(branch.name for branch in node.branches)
            for node in nodes
            if isinstance(node, Choice) and not node.told_by
        }

    @cached_property
    def fingerprint(self) -> str:
        """The mission's fingerprint, over its frames' (WIRE.md 20)."""
        return mission_fingerprint(self.layouts.values())

    @cached_property
    def frames(self) -> Mapping[str, Frame]:
        """The frames by name, ready to encode and decode."""
        from packetkit.codec.frame import Frame

        return {name: Frame(layout, self.variants) for name, layout in self.layouts.items()}

    def frame(self, name: str | None = None) -> Frame:
        """The frame of that name; without a name the only one there is. Raises KeyError, which lists the names."""
        if name is None and len(self.layouts) == 1:
            name = next(iter(self.layouts))
        if name is None or name not in self.layouts:
            asked = "say which frame" if name is None else f"{self.name} has no frame {name!r}"
            raise KeyError(f"{asked}: {', '.join(self.layouts)}")
        return self.frames[name]

    @cached_property
    def outside(self) -> frozenset[str]:
        """Names of the frames that only where the bytes came from tells: no bytes are taken for them unasked."""
        return frozenset(frame.name for frame in self.declared.frames if frame.told_by == "outside")

    @cached_property
    def sent(self) -> Mapping[str, Layout]:
        """The layouts of the frames that are sent by themselves: not of those that others carry and that have no cadence."""
        only = {frame.name for frame in self.declared.frames if frame.carried_only}
        return {name: layout for name, layout in self.layouts.items() if name not in only}

    @cached_property
    def _told_by(self) -> Mapping[str, Told]:
        return {name: told(layout) for name, layout in self.layouts.items() if name not in self.outside}

    def claims(self, data: bytes) -> Iterator[str]:
        """Names of the frames whose constants and tags these bytes carry, as far as they reach, whatever their length."""
        for name, told_by in self._told_by.items():
            if all(marker.agrees(data) for marker in told_by.markers):
                yield name

    def identify(self, data: bytes) -> str:
        """The name of the frame that these bytes claim to be. Raises UnknownFrame.

        A frame is found by its constants and tags, and by its length where those do not decide.
        """
        claimed = list(self.claims(data))
        if len(claimed) > 1:
            fitting = [name for name in claimed if len(data) in self._told_by[name].lengths]
            claimed = fitting or claimed
        if len(claimed) == 1:
            return claimed[0]
        names = ", ".join(self._told_by)
        if not names:
            asked = ", ".join(self.layouts)
            raise UnknownFrame(
                f"which frame {counted(len(data), 'byte')} hold is told from outside: say frame, one of {asked}"
            )
        if not claimed:
            raise UnknownFrame(f"{counted(len(data), 'byte')} are none of {names}: no constant or tag agrees")
        raise UnknownFrame(
            f"{counted(len(data), 'byte')} may be {' or '.join(claimed)}: they end before what tells them apart"
        )

    def decode(
        self,
        data: bytes,
        *,
        frame: str | None = None,
        detail: bool = False,
        salvage: bool = False,
        known: Mapping[str, int] | None = None,
    ) -> tuple[str, dict[str, Any]]:
        """The name of the frame and its record; the tag decides, or the name that is given. Raises DecodeError.

        frame: where the bytes came from says that they are this frame; needed for one told from outside. Raises KeyError for another name.
        known: raw codes of supplied fields, as Frame.decode takes them, for the frames that have some.
        """
        name = self.identify(data) if frame is None else frame
        found = self.frame(name)
        if not found.layout.supplied:
            return name, found.decode(data, detail=detail, salvage=salvage)
        return name, found.decode(data, detail=detail, salvage=salvage, known=known or {})


def parse(text: bytes | str, file: str = "") -> Mission:
    """The mission that a schema's text declares. Raises SchemaError with every problem, in source order."""
    loaded = load_schema(text, file)
    problems = list(loaded.problems)
    declared = loaded.mission
    layouts: dict[str, Layout] = {}
    link, passes, battery = Link(), None, None
    if declared is not None:
        layouts = _layouts(declared, problems)
        problems += _alike(declared, layouts)
        link = _link(declared.link, problems)
        passes = _passes(declared.passes, problems)
        battery = _battery(declared.battery, problems)
    if problems or declared is None:
        raise SchemaError(_in_order(problems))
    return Mission(declared.name, declared.description, layouts, link, passes, declared, file, battery)


def _layouts(declared: model.Mission, problems: list[Problem]) -> dict[str, Layout]:
    """The layouts by frame name; problems of a frame that is carried are told once, where it is declared."""
    made: dict[str, Layout] = {}
    waiting = {frame.name: frame for frame in declared.frames}
    while waiting:
        ready = [one for one in waiting.values() if not waiting.keys() & set(carried_in(one.fields))]
        for frame in ready:
            del waiting[frame.name]
            if made.keys() >= set(carried_in(frame.fields)):
                layout, found = resolve(frame)
                problems += found
                made |= {frame.name: layout} if layout is not None else {}
    return {frame.name: made[frame.name] for frame in declared.frames if frame.name in made}


def _in_order(problems: list[Problem]) -> tuple[Problem, ...]:
    """Problems in source order, as many as anyone mends a file by."""
    ordered = sorted(problems, key=lambda problem: problem.position)
    if len(ordered) <= MAXIMUM_PROBLEMS or ordered[-1].rule == "too-many-problems":
        return tuple(ordered)
    shown = ordered[:MAXIMUM_PROBLEMS]
    summary = f"{MAXIMUM_PROBLEMS} problems up to here, and {len(ordered) - MAXIMUM_PROBLEMS:,} more"
    remedy = "Mend these first; often many have one cause."
    return (*shown, Problem(shown[-1].position, "too-many-problems", "", summary, remedy))


def _problem(place: model.Place, rule: str, path: str, summary: str, remedy: str = "") -> Problem:
    return Problem(place.position, rule, path, summary, remedy, place.excerpt, place.width)


def _from_fault(fault: Fault, place: model.Place, rule: str, path: str, key: str) -> Problem:
    """The problem that says at a key what the radio or the orbit has against its value."""
    from textwrap import fill

    summary, _, remedy = fault.message.partition("; ")
    remedy = fill(f"{remedy[:1].upper()}{remedy[1:]}.", 78) if remedy else ""
    return _problem(place, rule, path, f"{key}: {summary}", remedy)


def _alike(declared: model.Mission, layouts: Mapping[str, Layout]) -> Iterator[Problem]:
    """Each frame that could be taken for one above it."""
    remedy = "Give each a tag with its own code at the same bits: - {name: tag, kind: tag, bits: 4, code: 1}."
    above: dict[str, Told] = {}
    for frame in declared.frames:
        if frame.name not in layouts or frame.told_by == "outside":
            continue
        mine = told(layouts[frame.name])
        alike = next((name for name, other in above.items() if not differ(other, mine)), None)
        if alike is not None:
            length = shared_length(above[alike], mine)
            size = counted(length or 0, "byte")
            summary = f"{alike} and {frame.name} cannot be told apart: no constant or tag differs, and both may have {size}"
            yield _problem(frame.place, "frames-alike", frame.name, summary, remedy)
        above[frame.name] = mine


def _link(declared: model.Link | None, problems: list[Problem]) -> Link:
    if declared is None:
        return Link()
    share = declared.share_of_hour_percent
    names = ("polarisation_loss_db", "fading_db")
    _note_figures(_figures(declared, names), declared.places, declared.place, "link", problems)
    if declared.chirp is not None:
        frequency, places = _figures(declared.chirp, ("frequency_mhz",)), declared.chirp.places
        _note_figures(frequency, places, declared.place, "link.chirp", problems)
    setting = None if declared.chirp is None else _setting(declared.chirp, declared.places["chirp"], problems)
    if setting is not None:
        problems += _misfits(setting, declared)
    return Link(
        setting,
        None if declared.chirp is None else declared.chirp.frequency_mhz,
        declared.maximum_frame_bytes,
        declared.driver_bytes,
        declared.gap_s,
        None if share is None else share / 100,
        _end("unit", declared.unit, problems),
        _end("ground", declared.ground, problems),
        float(declared.polarisation_loss_db),
        float(declared.fading_db),
        declared.noise,
        declared.region,
        *(
            (0x12, False)
            if declared.chirp is None
            else (declared.chirp.sync_word, declared.chirp.inverted_iq)
        ),
        _fsk(declared.fsk, problems),
    )


def _misfits(setting: settings.Setting, declared: model.Link) -> Iterator[Problem]:
    """Each end whose radio cannot do the setting that both ends have."""
    for name, end in (("unit", declared.unit), ("ground", declared.ground)):
        if end is not None and (why := misfit(setting, end.receiver)):
            fault = Fault("receiver", "link-end", why)
            yield _from_fault(fault, end.places["receiver"], "link-end", f"link.{name}", "receiver")


def _fsk(declared: model.Part | None, problems: list[Problem]) -> FskSetting | None:
    """The FSK setting, or None with each fault noted at the key that has it."""
    if declared is None:
        return None
    faults = fsk_faults(declared.numbers)
    problems += [
        _from_fault(fault, declared.places[fault.path], "radio-setting", "link.fsk", fault.path)
        for fault in faults
    ]
    if faults:
        return None
    parts = {name: int(value) for name, value in declared.numbers.items() if name != "bitrate_kbps"}
    manchester = bool(parts.pop("manchester", 0))
    return FskSetting(declared.numbers["bitrate_kbps"], manchester=manchester, **parts)


def _figures(asked: object, names: Iterable[str]) -> dict[str, Fraction | None]:
    return {name: getattr(asked, name) for name in names}


def _note_figures(
    figures: Mapping[str, Fraction | None],
    places: Mapping[str, model.Place],
    place: model.Place,
    path: str,
    problems: list[Problem],
) -> None:
    problems += [
        _from_fault(fault, places.get(fault.path, place), "link-end", path, fault.path)
        for fault in radio_link.figure_faults(figures)
    ]


_END_FIGURES = ("power_dbm", "antenna_gain_dbi", "line_loss_db", "pointing_loss_db", "noise_figure_db")


def _end(name: str, asked: model.End | None, problems: list[Problem]) -> radio_link.End | None:
    """One end of the link in the radio part's own numbers, each fault noted at the key that has it."""
    if asked is None:
        return None
    figures = _figures(asked, _END_FIGURES)
    _note_figures(figures, asked.places, asked.place, f"link.{name}", problems)
    power, gain, line, pointing, noise = (None if one is None else float(one) for one in figures.values())
    return radio_link.End(power, gain or 0.0, line or 0.0, pointing or 0.0, asked.receiver, noise)


def _setting(asked: model.Chirp, place: model.Place, problems: list[Problem]) -> settings.Setting | None:
    """The radio setting, or None with each fault noted at the key that has it."""
    given = {
        "spreading_factor": asked.spreading_factor,
        "bandwidth": asked.bandwidth_khz,
        "coding_rate": asked.coding_rate,
        "preamble_symbols": asked.preamble_symbols,
        "explicit_header": asked.header == "explicit",
        "crc": asked.crc,
        "low_data_rate": asked.low_data_rate,
        "modem": asked.modem or modems.DEFAULT_MODEM,
    }
    keys = {"bandwidth": "bandwidth_khz", "explicit_header": "header"}
    faults = settings.setting_faults(given)
    for fault in faults:
        key = keys.get(fault.path, fault.path)
        where = asked.places.get(key, place)
        problems.append(_from_fault(fault, where, "radio-setting", "link.chirp", key))
    return None if faults else settings.Setting(**given)  # type: ignore[arg-type]  # one mapping feeds both calls


def _battery(declared: model.Part | None, problems: list[Problem]) -> Battery | None:
    """The battery, or None with each fault noted at the key that has it."""
    if declared is None:
        return None
    for fault in energy_faults(declared.numbers):
        place = declared.places[fault.path]
        problems.append(_from_fault(fault, place, "battery-impossible", "battery", fault.path))
    return Battery(**{name: float(value) for name, value in declared.numbers.items()})


# What may be said of passes: the keys of each way, one way at a time.
FORMS: tuple[tuple[str, ...], ...] = (
    ("altitude_km", "minimum_elevation_deg"),
    ("elements", "site", "minimum_elevation_deg"),
    ("balloon",),
    ("rocket",),
    ("distance_km", "duration_s"),
    ("duration_s",),
    ("host",),
)


def _passes(declared: model.Passes | None, problems: list[Problem]) -> Passes | None:
    if declared is None:
        return None
    keys = tuple(dict.fromkeys(key for form in FORMS for key in form))
    said = {key: getattr(declared, key) for key in keys}
    given = [key for key, value in said.items() if value is not None]
    if any(value is None and key in declared.places for key, value in said.items()):
        return None  # what could not be read was noted where it stands
    if not any(set(given) == set(form) for form in FORMS):
        problems.append(_unknown_pass(declared.place, given))
        return None
    before = len(problems)
    _orbit_problems(declared, problems)
    _part_problems(declared, problems)
    return None if len(problems) > before else _made_passes(declared)


def _unknown_pass(place: model.Place, given: list[str]) -> Problem:
    """The problem that says what is twice or lacking, and what could be written."""
    from textwrap import fill

    if not given:
        summary = "nothing says how long a pass lasts"
    else:
        wider = next((form for form in FORMS if set(given) < set(form)), None)
        if wider is None:
            summary = f"{' and '.join(given)} say twice how long a pass lasts"
        else:
            lacks = " and ".join(key for key in wider if key not in given)
            summary = f"{' and '.join(given)} is given without {lacks}"
    ways = "; ".join(
        " with ".join((form[0], " and ".join(form[1:]))) if form[1:] else form[0] for form in FORMS
    )
    return _problem(place, "pass-unknown", "passes", summary, fill(f"Write one of: {ways}.", 78))


def _orbit_problems(declared: model.Passes, problems: list[Problem]) -> None:
    if declared.minimum_elevation_deg is None:
        return
    # With elements there is no altitude to judge; any that is allowed stands in for it.
    altitude = declared.altitude_km if declared.elements is None else Fraction(500)
    assert altitude is not None
    for fault in geometry.pass_faults(altitude, declared.minimum_elevation_deg):
        place = declared.places.get(fault.path, declared.place)
        problems.append(_from_fault(fault, place, "pass-impossible", "passes", fault.path))


def _part_problems(declared: model.Passes, problems: list[Problem]) -> None:
    """Each figure of a flight, a site or a host that is none, and each line of elements that is not whole."""
    for name in ("site", "balloon", "rocket", "host"):
        part: model.Part | None = getattr(declared, name)
        for fault in () if part is None else flight.figure_faults(part.numbers):
            assert part is not None
            place = part.places.get(fault.path, part.place)
            problems.append(_from_fault(fault, place, "pass-impossible", f"passes.{name}", fault.path))
    if declared.distance_km is not None:
        for fault in flight.figure_faults({"distance_km": declared.distance_km}):
            place = declared.places["distance_km"]
            problems.append(_from_fault(fault, place, "pass-impossible", "passes", fault.path))
    lines = declared.elements
    if lines is not None:
        for line, why in element_faults(lines.lines["line_1"], lines.lines["line_2"]):
            fault = Fault(line, "elements", why)
            problems.append(_from_fault(fault, lines.places[line], "pass-elements", "passes.elements", line))


def _made_passes(declared: model.Passes) -> Passes:
    """The passes in the passes part's own classes."""

    def floats(part: model.Part) -> dict[str, float]:
        return {name: float(value) for name, value in part.numbers.items()}

    flown: flight.Flight | None = None
    mast = 0.0
    if declared.balloon is not None:
        figures = floats(declared.balloon)
        mast = figures.pop("mast_m", 0.0)
        flown = flight.Balloon(**figures)
    elif declared.rocket is not None:
        flown = flight.Rocket(**floats(declared.rocket))
    host = declared.host
    return Passes(
        declared.altitude_km,
        declared.minimum_elevation_deg,
        declared.duration_s,
        declared.per_day,
        None if declared.elements is None else Elements(**declared.elements.lines),
        None if declared.site is None else Site(**floats(declared.site)),
        flown,
        mast,
        declared.distance_km,
        None if host is None else Host(host.numbers["messages_per_day"], int(host.numbers["message_bytes"])),
    )
