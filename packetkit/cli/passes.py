"""`packetkit passes`: when the ground can listen, how far the unit is then, and what the link makes of it.

One command for every way a schema says it: an orbit, elements over a site, a flight, a distance, a duration, a host's quota. Figures come
from packetkit.mission.passes and packetkit.passes; this module reads options, words and draws.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timezone
from fractions import Fraction
from typing import Any

import click

from packetkit.cli import output
from packetkit.cli.output import percent
from packetkit.cli.picture import BLOCK, draw, picture_option
from packetkit.cli.spelling import portable
from packetkit.errors import RadioError, counted
from packetkit.files import load, not_onto_an_input
from packetkit.mission.arrivals import losses, margins_db
from packetkit.mission.budget import budget
from packetkit.mission.carrier import unfound
from packetkit.mission.day import day_of
from packetkit.mission.link import longest_frame
from packetkit.mission.load import Mission, Passes
from packetkit.mission.passes import FLIGHT_STEPS, Pass, elements_of, has_ends, window_of
from packetkit.passes import flight, geometry, orbit, track
from packetkit.passes.track import Sample
from packetkit.radio import CAUTION

OFFSETS = (
    0.0,
    0.25,
    0.5,
    0.75,
    0.9,
)  # of the farthest pass that still rises: what a satellite's passes are like
FLIGHT_ROWS = 12
AGE = "elements grow wrong by 1 to 3 km a day (common practice)"
Row = dict[str, Any]


def read_instant(text: str | None) -> datetime | None:
    """An instant in UTC, as 2030-01-31T00:00:00Z or a date alone. Raises RadioError."""
    if text is None:
        return None
    try:
        # Python 3.10 reads fractions of three or six digits only.
        padded = re.sub(r"\.(\d{1,6})", lambda found: f".{found[1]:0<6}", text.strip().removesuffix("Z"))
        when = datetime.fromisoformat(padded)
    except ValueError:
        raise RadioError(
            f"--from: {text!r} is not an instant; write UTC, for example 2030-01-31T12:00:00Z"
        ) from None
    return when.replace(tzinfo=timezone.utc) if when.tzinfo is None else when.astimezone(timezone.utc)


def iso(when: datetime) -> str:
    """An instant to the tenth of a second, in UTC."""
    return f"{when:%Y-%m-%dT%H:%M:%S}.{when.microsecond // 100_000}Z"


def heard(mission: Mission, samples: Sequence[Sample], rise: Sample | None = None) -> dict[str, float | None]:
    """The link over a track: least and best margin, and the share of the longest frames lost, None where the link is not known.

    rise: where it is farthest, if that is before the middle of the track's first step.
    """
    if not samples or not has_ends(mission.link):
        return {"margin_least_db": None, "margin_best_db": None, "loss": None}
    margins = margins_db(mission.link, [*samples, *([] if rise is None else [rise])])
    lost = losses(mission.link, longest_frame(mission)[1], samples)
    return {
        "margin_least_db": float(margins.min()),
        "margin_best_db": float(margins.max()),
        "loss": float(lost.mean()),
    }


def brought(mission: Mission, samples: Sequence[Sample], duration_s: float) -> float | None:
    """Frame bytes expected of a pass, all frames; None where the link or the frames do not tell."""
    if not has_ends(mission.link) or not samples:
        return None
    made = budget(mission, Pass(Fraction(duration_s), None, None, "given", None, tuple(samples)))
    return made.delivered_bytes


# ---- the rows of each kind


def samples_s(samples: Sequence[Sample]) -> float:
    """How long a track of equal steps lasts, each sample standing for its step's middle."""
    return 2 * samples[0].time_s * len(samples)


Rows = tuple[list[Row], list[Sample]]  # what is shown, and every moment that it was made of


def circular_rows(mission: Mission, passes: Passes) -> Rows:
    """Passes of a circular orbit from overhead to the edge."""
    altitude, lowest = float(passes.altitude_km or 0), float(passes.minimum_elevation_deg or 0)
    edge = geometry.central_angle_deg(altitude, lowest)
    rise = track.overhead_at(altitude, lowest)
    rows: list[Row] = []
    moments: list[Sample] = []
    for share in OFFSETS:
        samples = track.circular(altitude, lowest, edge * share)
        moments += samples
        closest = track.circular_sample(altitude, edge * share, 0.0, 0.0)
        rows.append(
            {
                "highest_deg": closest.elevation_deg,
                "duration_s": geometry.pass_duration_s(altitude, lowest, edge * share),
                "longer_share": share,
                "nearest_km": closest.distance_km,
                **heard(mission, samples, rise),
                "delivered_bytes": brought(mission, samples, samples_s(samples)),
            }
        )
    return rows, moments


def element_rows(mission: Mission, passes: Passes, start: datetime, days: float) -> Rows:
    """Each pass of the elements."""
    made, site, lowest = elements_of(passes)
    found = orbit.events(made, site, lowest, start, days)
    tracks = [orbit.track(made, site, event) for event in found]
    rows = [
        {
            "rise": iso(event.rise),
            "culmination": iso(event.culmination),
            "set": iso(event.set),
            "rise_azimuth_deg": event.rise_azimuth_deg,
            "set_azimuth_deg": event.set_azimuth_deg,
            "highest_deg": event.highest_deg,
            "duration_s": event.duration_s,
            "nearest_km": event.nearest_km,
            **heard(mission, samples),
            "delivered_bytes": brought(mission, samples, event.duration_s),
        }
        for event, samples in zip(found, tracks, strict=True)
    ]
    return rows, [sample for samples in tracks for sample in samples]


def flight_rows(mission: Mission, passes: Passes) -> Rows:
    """Moments of a flight: those heard."""
    flown = passes.flight
    assert flown is not None
    seen = flight.track(flown, passes.mast_m, FLIGHT_STEPS)
    step = max(len(seen) // FLIGHT_ROWS, 1)
    rows = []
    for sample in seen[step // 2 :: step]:
        height, ground = flown.place(sample.time_s)
        rows.append(
            {
                "time_s": sample.time_s,
                "height_km": height,
                "ground_km": ground,
                "elevation_deg": sample.elevation_deg,
                "distance_km": sample.distance_km,
                **heard(mission, [sample]),
            }
        )
    return rows, list(seen)


# ---- text

_MARGINS = (("margin_least_db", "margin from"), ("margin_best_db", "to"), ("loss", "lost"))


def _clock(seconds: float) -> str:
    """Minutes and seconds, rounded as everywhere else."""
    return f"{round(seconds) // 60}:{round(seconds) % 60:02}"


def _moment(text: str) -> str:
    return text.replace("T", " ")[:19]


FORMS: dict[str, tuple[str, Any]] = {
    "rise": ("rises (UTC)", _moment),
    "highest_deg": ("highest", lambda value: f"{value:.1f} deg"),
    "duration_s": ("lasts", _clock),
    "longer_share": ("longer", lambda value: f"{value * 100:.0f} %"),
    "nearest_km": ("nearest", lambda value: f"{value:,.0f} km"),
    "time_s": ("time", _clock),
    "height_km": ("height", lambda value: f"{value:.1f} km"),
    "ground_km": ("over ground", lambda value: f"{value:.1f} km"),
    "elevation_deg": ("elevation", lambda value: f"{value:.1f} deg"),
    "distance_km": ("distance", lambda value: f"{value:.1f} km"),
    "margin_least_db": ("margin", lambda value: f"{value:+.1f} dB"),
    "margin_best_db": ("at best", lambda value: f"{value:+.1f} dB"),
    "loss": ("lost", percent),
    "delivered_bytes": ("arrive", lambda value: f"{value:,.0f}"),
}


def rows_text(rows: Sequence[Row], encoding: str) -> str:
    """The rows as a table: the columns that have values and a form."""
    keys = [key for key in FORMS if any(row.get(key) is not None for row in rows)]
    if any("time_s" in row or "rise" in row for row in rows):
        keys = [
            key for key in keys if key != "margin_best_db"
        ]  # one moment has one margin, a list of passes no room
    columns = tuple(output.Column(FORMS[key][0], ">") for key in keys)
    cells = tuple(
        tuple(None if row[key] is None else FORMS[key][1](row[key]) for key in keys) for row in rows
    )
    return output.Table(columns, cells).text(encoding=encoding)


def kind_of(passes: Passes) -> str:
    """Which way the schema says it."""
    if passes.host is not None:
        return "host"
    if passes.elements is not None:
        return "elements"
    if passes.flight is not None:
        return "balloon" if isinstance(passes.flight, flight.Balloon) else "rocket"
    if passes.duration_s is not None:
        return "distance" if passes.distance_km is not None else "duration"
    return "orbit"


def headline(passes: Passes, made: Row) -> str:
    """What stands above the table, by kind."""
    kind, count = made["kind"], len(made["passes"])
    if kind == "host":
        host = passes.host
        assert host is not None
        return (
            f"A host takes {float(host.messages_per_day):g} messages a day of up to {counted(host.message_bytes, 'byte')}: "
            f"{float(host.bytes_per_day):,.0f} bytes a day."
        )
    if kind == "elements":
        return (
            f"{count} passes above {made['minimum_elevation_deg']:g} deg in {made['days'] * 24:g} hours from {made['from']}: "
            f"{made['total_s'] / 60:,.0f} minutes, {made['per_day']:.1f} a day."
        )
    if kind == "orbit":
        return (
            f"Circular orbit at {float(passes.altitude_km or 0):g} km, heard above {made['minimum_elevation_deg']:g} deg. The mean "
            f"pass lasts {_clock(made['mean_s'])}; an Earth that does not turn, so a few per cent short. longer: share of passes "
            "that last longer; arrive: frame bytes expected of one."
        )
    if kind in ("balloon", "rocket"):
        flown = passes.flight
        assert flown is not None
        return (
            f"A flight of {output.duration_text(flown.duration_s)}, {output.duration_text(flown.ascent_s)} of them upwards; heard for "
            f"{output.duration_text(made['total_s'])} over a horizon bent by the air."
        )
    far = "" if passes.distance_km is None else f" at {float(passes.distance_km):g} km"
    return f"Listening for {output.duration_text(float(passes.duration_s or 0))}{far}."


# ---- over a day

DAY_COLUMNS = 72  # of a line: twenty minutes each
MOST_LINES = 14


def hours_of(row: Row, start: datetime) -> tuple[float, float]:
    """When a pass of elements begins and ends, in hours after the start."""
    begins, ends = (
        datetime.strptime(row[key], "%Y-%m-%dT%H:%M:%S.%fZ").replace(tzinfo=timezone.utc)
        for key in ("rise", "set")
    )
    return (begins - start).total_seconds() / 3600, (ends - start).total_seconds() / 3600


def day_strip(rows: Sequence[Row], start: datetime, days: float) -> str:
    """Passes over the days in a terminal: a line a day, a block for each twenty minutes that hold one."""
    lines = []
    spans = [hours_of(row, start) for row in rows]
    for number in range(min(int(-(-days // 1)), MOST_LINES)):
        low = 24.0 * number
        cells = [
            BLOCK if any(begin < low + (one + 1) / 3 and end > low + one / 3 for begin, end in spans) else "."
            for one in range(DAY_COLUMNS)
        ]
        lines.append("".join(cells))
    return "Each line a day from the start, each place twenty minutes:\n\n" + "\n".join(lines) + "\n"


def day_picture(mission: Mission, rows: Sequence[Row], start: datetime, days: float, form: str) -> bytes:
    """Passes over the time, bytes measured and expected home so far, as a picture."""
    from packetkit.export import plots

    spans = [hours_of(row, start) for row in rows]
    measured: list[tuple[float, float]] = []
    home: list[tuple[float, float]] = []
    if rows and rows[0]["delivered_bytes"] is not None:
        home = [(0.0, 0.0)]
        for (_, end), row in zip(spans, rows, strict=True):
            home.append((end, home[-1][1] + row["delivered_bytes"]))
        home.append((24 * days, home[-1][1]))
        a_day = float(day_of(budget(mission, Pass(Fraction(60), None, None, "given"))).measured_bytes)
        if a_day:  # a frame without a cadence is measured as it is sent
            measured = [(0.0, 0.0), (24 * days, a_day * days)]
    title = f"{mission.name}: passes from {iso(start)}" + (", frame bytes home" if home else "")
    return plots.day(spans, measured, home, title, form)


# ---- the document


def document(mission: Mission, passes: Passes, start: datetime | None, days: float) -> Row:
    """What `--json` writes and the text is made of: the same keys always."""
    kind = kind_of(passes)
    warnings: list[str] = []
    rows: list[Row] = []
    moments: list[Row] = []
    samples: list[Sample] = []
    window = None if kind in ("host", "elements") else window_of(passes)
    total = None if window is None else float(window.duration_s)
    if kind == "orbit":
        rows, samples = circular_rows(mission, passes)
    elif kind == "elements":
        assert start is not None
        rows, samples = element_rows(mission, passes, start, days)
        total = sum(row["duration_s"] for row in rows)
        age = (start - elements_of(passes)[0].epoch).total_seconds() / 86_400
        if abs(age) > orbit.OLD_DAYS:
            warnings.append(
                f"the elements are {abs(age):,.0f} days from {iso(start)}; {AGE}: take newer ones"
            )
    elif kind in ("balloon", "rocket"):
        moments, samples = flight_rows(mission, passes)
    elif kind == "distance":
        assert window is not None
        rows = [
            {
                "duration_s": total,
                "distance_km": window.track[0].distance_km,
                **heard(mission, window.track),
                "delivered_bytes": brought(mission, window.track, float(window.duration_s)),
            }
        ]
    if why := unfound(mission.link, samples):
        warnings.append(f"not received: {why}. What is lost is counted without it")
    per_day = None if passes.per_day is None else float(passes.per_day)
    return {
        "mission": mission.name,
        "kind": kind,
        "minimum_elevation_deg": None
        if passes.minimum_elevation_deg is None
        else float(passes.minimum_elevation_deg),
        "from": None if start is None else iso(start),
        "days": days if kind == "elements" else None,
        "per_day": len(rows) / days if kind == "elements" else per_day,
        "mean_s": None if window is None else window.mean_s,
        "total_s": total,
        "bytes_per_day": None if passes.host is None else float(passes.host.bytes_per_day),
        "passes": rows,
        "moments": moments,
        "warnings": warnings,
        "caution": CAUTION,
    }


def text(mission: Mission, passes: Passes, made: Row, encoding: str) -> str:
    """What a person reads: the sentence, the table, warnings, the caution."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    rows = made["passes"] or made["moments"]
    parts = [f"{mission.name}: when the ground can listen\n"]
    parts.append("\n".join(output.wrapped(headline(passes, made), width)) + "\n")
    if rows:
        parts.append(rows_text(rows, encoding))
        if made["kind"] == "elements":
            begin = read_instant(made["from"])
            assert begin is not None
            parts.append(portable(day_strip(rows, begin, made["days"]), encoding))
        if rows[0]["loss"] is None and made["kind"] != "duration":
            told = "No margin: the schema says nothing of link.unit, its power and a frequency (see packetkit link)."
            parts.append("\n".join(output.wrapped(told, width)) + "\n")
    closing = [*(f"Warning: {warning}." for warning in made["warnings"]), CAUTION]
    parts += ["\n".join(output.wrapped(paragraph, width)) + "\n" for paragraph in closing]
    return "\n".join(parts)


@click.command("passes")
@click.argument("schema", metavar="SCHEMA")
@click.option("--from", "start", metavar="UTC", help="First instant, for elements.  [default: now]")
@click.option(
    "--days",
    type=output.Measure(orbit.LONGEST_DAYS),
    metavar="N",
    help="For elements.  [default: 1]",
)
@picture_option("passes, bytes measured and bytes home over the days of elements,")
@output.json_option
@output.output_option
def command(
    schema: str, start: str | None, days: float | None, picture: str | None, as_json: bool, destination: str
) -> int:
    """Show when the ground can listen, how far the unit is, and what the link makes of it.

    SCHEMA names a mission with passes: an orbit, elements over a site, a balloon or a rocket, a distance, a duration, a host. Times of
    elements need the extra `orbit`.

    \b
    packetkit passes heron.yaml
    packetkit passes plover.yaml --json
    """
    not_onto_an_input(destination, schema)
    mission = load(schema)
    passes = mission.passes
    if passes is None:
        raise RadioError(
            "the schema has no passes; add passes: {altitude_km: 510, minimum_elevation_deg: 10}, a balloon, a rocket, or others "
            "(packetkit start --words)"
        )
    if passes.elements is None and (start is not None or days is not None):
        raise click.UsageError("--from and --days are for passes of elements; this schema has none")
    if picture is not None and passes.elements is None:
        raise click.UsageError(
            "--picture draws passes of elements; packetkit link --picture draws one pass or flight"
        )
    begin = None
    if passes.elements is not None:
        begin = read_instant(start) or datetime.now(timezone.utc)
    made = document(mission, passes, begin, days or 1.0)
    if begin is not None:
        moment, rows = begin, made["passes"]
        draw(picture, destination, lambda form: day_picture(mission, rows, moment, days or 1.0, form), schema)
    if as_json:
        output.write_json(made, destination)
    else:
        output.write(text(mission, passes, made, output.encoding_of(destination)), destination)
    return 0
