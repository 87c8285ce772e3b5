"""`packetkit link`: the margin against elevation or distance, term by term, and what other spreading factors would make of it.

Every figure comes from packetkit.mission.link and packetkit.radio; this module reads options, words and draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import click

from packetkit.cli import output
from packetkit.cli.output import percent
from packetkit.cli.picture import bar, draw, picture_option
from packetkit.errors import RadioError, counted
from packetkit.files import load, not_onto_an_input
from packetkit.mission.arrivals import margins_db
from packetkit.mission.link import Picture, Row, km_words, places
from packetkit.mission.link import picture as link_picture
from packetkit.mission.load import Mission
from packetkit.mission.passes import window_of
from packetkit.passes.track import Sample
from packetkit.radio import CAUTION, chirp, settings
from packetkit.radio.doppler import Motion, offset_design_hz, offset_limit_hz, shift_hz
from packetkit.radio.link import Margin

FINDINGS = 1
MODEL = (
    "Loss: symbol errors in white noise, coding rate and frame length; 1 % of 10-byte frames at margin 0 (SX1272 data sheet). "
    "No interference, no Doppler; fading only as the allowance."
)
OTHERS = (
    "Other spreading factors there (* is the one in use; sheet: a row of the data\n"
    "sheet, rule: -174 + 10 log bandwidth + noise figure + required ratio):"
)


def with_setting(mission: Mission, given: dict[str, str | None]) -> Mission:
    """The mission with parts of its radio setting replaced. Raises RadioError with every fault beside its option."""
    asked: dict[str, Any] = {name: value for name, value in given.items() if value is not None}
    if not asked:
        return mission
    setting = mission.link.setting
    if setting is None:
        raise RadioError(
            "the schema names no radio; add link: {chirp: {spreading_factor: 10, bandwidth_khz: 125}}"
        )
    now: dict[str, Any] = {name: getattr(setting, name) for name in setting.__dataclass_fields__}
    faults = settings.setting_faults({**now, **asked})
    if faults:
        raise RadioError("\n  ".join(["", *map(str, faults)]) if len(faults) > 1 else str(faults[0]))
    link = replace(mission.link, setting=replace(setting, **asked))
    if why := link.misfit(replace(setting, **asked)):
        raise RadioError(why)
    return replace(mission, link=link)


def setting_options(callback: Any) -> Any:
    """Add the options that replace parts of the schema's radio setting."""
    for flag, name, metavar, words in (
        ("--coding-rate", "coding_rate", "RATE", "Coding rate instead of the schema's, 4/5 to 4/8."),
        ("--bandwidth-khz", "bandwidth", "KHZ", "Bandwidth instead of the schema's."),
        ("--spreading-factor", "spreading_factor", "N", "Spreading factor instead of the schema's."),
    ):
        callback = click.option(flag, name, metavar=metavar, help=words)(callback)
    return callback


def read_distance(text: str | None) -> float | None:
    """A distance in kilometres. Raises RadioError."""
    if text is None:
        return None
    number = settings.exact_number(text)
    if number is None or not 0 < number <= 1_000_000:
        raise RadioError(f"--distance-km: {text!r} is not a distance; write kilometres, for example 30")
    return float(number)


# ---- JSON


def document(mission: Mission, made: Picture, over: Sequence[Sample]) -> dict[str, object]:
    """What `--json` writes: the same keys always."""
    unit = mission.link.unit
    assert unit is not None
    return {
        "mission": mission.name,
        "setting": str(made.setting),
        "frequency_mhz": made.frequency_mhz,
        "frame": made.frame_name,
        "payload_bytes": made.payload_bytes,
        "time_on_air_ms": float(chirp.time_on_air(made.setting, made.payload_bytes) * 1000),
        "eirp_dbm": unit.eirp_dbm,
        "erp_dbm": unit.erp_dbm,
        "terms": [
            {"name": term.name, "value": term.value, "unit": term.unit, "source": term.source}
            for term in made.rows[0].down.terms
        ],
        "places": [_row_document(row) for row in made.rows],
        "spreading_factors": [
            {
                "spreading_factor": choice.setting.spreading_factor,
                "sensitivity_dbm": choice.sensitivity.dbm,
                "from_table": choice.sensitivity.from_table,
                "source": choice.sensitivity.source,
                "margin_db": choice.margin_db,
                "loss": choice.loss,
                "offset_limit_hz": choice.motion.offset_limit_hz,
                "offset_design_hz": choice.motion.offset_design_hz,
                "drift_hz": None if made.motion is None else choice.motion.drift_hz,
                "drift_limit_hz": choice.motion.drift_limit_hz,
            }
            for choice in made.choices
        ],
        "over_pass": [
            {
                "time_s": sample.time_s,
                "elevation_deg": sample.elevation_deg,
                "distance_km": sample.distance_km,
                "margin_db": margin,
                "shift_hz": shift,
            }
            for sample, margin, shift in along(mission, over)
        ],
        "region": made.region,
        "compared": [
            {
                "document": row.document,
                "year": row.year,
                "from_memory": row.recalled,
                "note": row.note,
                "power_kind": row.power_kind,
                "limit_dbm": row.power_dbm,
                "radiated_dbm": power,
                "duty_percent": row.duty_percent,
                "dwell_ms": row.dwell_ms,
            }
            for row, power in made.compared
        ],
        "warnings": list(made.warnings),
        "findings": list(made.findings),
        "caution": CAUTION,
    }


def _row_document(row: Row) -> dict[str, object]:
    return {
        "elevation_deg": row.sample.elevation_deg,
        "distance_km": row.sample.distance_km,
        "free_space_db": row.down.free_space_db,
        "received_dbm": row.down.received_dbm,
        "margin_db": row.down.margin_db,
        "loss": row.loss,
        "uplink_margin_db": None if row.up is None else row.up.margin_db,
        "shift_hz": None if row.motion is None else row.motion.shift_hz,
        "rate_hz_per_s": None if row.motion is None else row.motion.rate_hz_per_s,
        "drift_hz": None if row.motion is None else row.motion.drift_hz,
    }


# ---- over a pass


def track_of(mission: Mission) -> tuple[Sample, ...]:
    """The pass or the flight to look along; empty where the schema tells none."""
    passes = mission.passes
    if (
        passes is None
        or passes.host is not None
        or (passes.duration_s is not None and passes.distance_km is None)
    ):
        return ()
    return window_of(passes).track


def along(mission: Mission, over: Sequence[Sample]) -> list[tuple[Sample, float, float]]:
    """Each moment with its margin in dB and its Doppler shift in Hz."""
    between = mission.link.between
    if not over or between is None:
        return []
    margins = margins_db(mission.link, over)
    shifts = [shift_hz(sample.range_rate_km_s, between.frequency_mhz) for sample in over]
    return [
        (sample, float(margin), shift) for sample, margin, shift in zip(over, margins, shifts, strict=True)
    ]


def pass_picture(mission: Mission, over: Sequence[Sample], form: str) -> bytes:
    """Margin and Doppler over the pass, as a picture."""
    from packetkit.export import plots

    rows = along(mission, over)
    minutes = [sample.time_s / 60 for sample, _, _ in rows]
    shifts = [shift / 1000 for _, _, shift in rows]
    moving = shifts if max(map(abs, shifts)) > 0.05 else None
    title = f"{mission.name}: {mission.link.setting}"
    return plots.margin_over_time(minutes, [margin for _, margin, _ in rows], moving, title, form)


OVER_ROWS, OVER_COLUMNS = 9, 30


def over_text(mission: Mission, over: Sequence[Sample], encoding: str) -> list[str]:
    """The same in a terminal: some moments, a bar for the margin; nothing without a pass."""
    rows = along(mission, over)
    if not rows:
        return []
    step = max(len(rows) // OVER_ROWS, 1)
    most = max(margin for _, margin, _ in rows)
    columns = (
        *(output.Column(title, ">") for title in ("time", "elevation", "Doppler", "margin")),
        output.Column(""),
    )
    cells = tuple(
        (
            f"{int(sample.time_s) // 60}:{int(sample.time_s) % 60:02}",
            "" if sample.elevation_deg is None else f"{sample.elevation_deg:.0f} deg",
            f"{round(shift / 1000, 1) + 0.0:+.1f} kHz",  # what rounds to zero has no sign
            f"{margin:+.1f} dB",
            bar(margin, most, OVER_COLUMNS),
        )
        for sample, margin, shift in rows[step // 2 :: step]
    )
    return [
        f"Over a pass (packetkit passes tells which):\n\n{output.Table(columns, cells).text(encoding=encoding)}"
    ]


# ---- text


def places_text(made: Picture, encoding: str) -> str:
    """The table along the pass, or along the distance, which tells no speed."""
    by_elevation = made.rows[0].sample.elevation_deg is not None
    titles = [
        "distance",
        "received",
        "margin",
        "lost",
        "uplink",
        *(["shift", "drift"] if by_elevation else []),
    ]
    first = ["elevation"] if by_elevation else []
    columns = tuple(output.Column(title, ">") for title in [*first, *titles])
    rows = [
        (
            *([f"{row.sample.elevation_deg:.0f} deg"] if by_elevation else []),
            f"{row.sample.distance_km:,.0f} km" if by_elevation else km_words(row.sample.distance_km),
            f"{row.down.received_dbm:.1f} dBm",
            f"{row.down.margin_db:+.1f} dB",
            percent(row.loss),
            None if row.up is None else f"{row.up.margin_db:+.1f} dB",
            *([] if row.motion is None else motion_cells(row.motion)),
        )
        for row in made.rows
    ]
    return output.Table(columns, tuple(rows)).text(encoding=encoding)


def motion_cells(motion: Motion) -> list[str]:
    """How far the carrier is off, and how far it drifts within the longest frame."""
    return [f"{abs(motion.shift_hz) / 1000:.1f} kHz", f"{motion.drift_hz:.0f} Hz"]


def terms_text(margin: Margin, encoding: str) -> str:
    """The sum that leads to the margin, every term with its source."""
    columns = (output.Column("term"), output.Column("value", ">"), output.Column("from", fit="wrap"))
    rows = [(term.name, f"{term.value:+.2f} {term.unit}", term.source) for term in margin.terms]
    rows.append(("margin", f"{margin.margin_db:+.2f} dB", "the sum"))
    return output.Table(columns, tuple(rows)).text(encoding=encoding)


def choices_text(made: Picture, encoding: str) -> str:
    """What each spreading factor would give at the farthest place."""
    titles = ["SF", "sensitivity", "from", "margin", "lost", "on air"]
    titles += ["drift", "it bears"] if made.motion is not None else []
    columns = tuple(output.Column(title, ">") for title in titles)
    rows = tuple(
        (
            f"{choice.setting.spreading_factor}" + (" *" if choice.setting == made.setting else ""),
            f"{choice.sensitivity.dbm:.1f} dBm",
            "sheet" if choice.sensitivity.from_table else "rule",
            f"{choice.margin_db:+.1f} dB",
            percent(choice.loss),
            f"{float(chirp.time_on_air(choice.setting, made.payload_bytes) * 1000):,.0f} ms",
            *(
                []
                if made.motion is None
                else [f"{choice.motion.drift_hz:.0f} Hz", f"{choice.motion.drift_limit_hz:.0f} Hz"]
            ),
        )
        for choice in made.choices
    )
    return output.Table(columns, rows).text(encoding=encoding)


def compared_lines(made: Picture) -> list[str]:
    """The radiated power beside the figures of documents."""
    lines = []
    for row, power in made.compared:
        recalled = f"; from memory: {row.recalled}" if row.recalled else ""
        limit = row.power_dbm
        if limit is None:
            continue
        distance = f"{abs(limit - power):.1f} dB {'below' if power <= limit else 'above'}"
        note = f" ({row.note})" if row.note else ""
        lines.append(
            f"{row.document} ({row.year}{recalled}), {row.low_mhz:g} to {row.high_mhz:g} MHz: {limit:.1f} dBm {row.power_kind}{note}; "
            f"this link radiates {power:.1f} dBm, {distance} that figure."
        )
    return lines


def text(mission: Mission, made: Picture, over: Sequence[Sample], encoding: str) -> str:
    """What a person reads: the link along the way, the sum where it is weakest, other spreading factors, warnings, the caution."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    unit = mission.link.unit
    assert unit is not None
    head = (
        f"{made.setting}, {made.frequency_mhz:g} MHz; EIRP {unit.eirp_dbm:.1f} dBm (ERP {unit.erp_dbm:.1f} dBm). "
        f"Counted with {made.frame_name}, {counted(made.payload_bytes, 'byte')} on the air."
    )
    worst = made.rows[0].sample
    where = (
        f"{worst.elevation_deg:.0f} deg" if worst.elevation_deg is not None else km_words(worst.distance_km)
    )
    closing = [
        *(f"Too weak: {finding}." for finding in made.too_weak),
        *(f"Not received: {finding}." for finding in made.unfound),
        *(f"Warning: {warning}." for warning in made.warnings),
        *compared_lines(made),
        MODEL,
        CAUTION,
    ]
    bears = (
        f"This bandwidth bears a carrier off by {offset_design_hz(made.setting):,.0f} Hz (20 %) to "
        f"{offset_limit_hz(made.setting):,.0f} Hz (25 %), oscillators included."
    )
    parts = [
        f"{mission.name}: the link\n",
        "\n".join(output.wrapped(head, width)) + "\n",
        places_text(made, encoding),
        f"At {where}, where it is weakest:\n\n{terms_text(made.rows[0].down, encoding)}",
        *over_text(mission, over, encoding),
        f"{OTHERS}\n\n{choices_text(made, encoding)}",
        "\n".join(output.wrapped(bears, width)) + "\n",
        *("\n".join(output.wrapped(paragraph, width)) + "\n" for paragraph in closing),
    ]
    return "\n".join(parts)


@click.command("link")
@click.argument("schema", metavar="SCHEMA")
@click.option(
    "--distance-km", metavar="KM", help="Look at this distance and shares of it, instead of an orbit."
)
@click.option("--frame", metavar="NAME", help="The frame to count with.  [default: the longest]")
@setting_options
@picture_option("margin and Doppler over a pass")
@output.json_option
@output.output_option
def command(
    schema: str,
    distance_km: str | None,
    frame: str | None,
    picture: str | None,
    as_json: bool,
    destination: str,
    **given: str | None,
) -> int:
    """Show the margin of a link, term by term, and the frames it loses.

    SCHEMA names a mission with link.unit, link.ground and a frequency, and an orbit unless --distance-km is given. Exit status 1: the
    link is too weak at its farthest place, or the receiver may not find the carrier, which the motion shifts too far.

    \b
    packetkit link heron.yaml
    packetkit link plover.yaml --distance-km 60 --spreading-factor 10
    """
    not_onto_an_input(destination, schema)
    mission = with_setting(load(schema), given)
    over = () if distance_km is not None else track_of(mission)
    made = link_picture(mission, places(mission.passes, read_distance(distance_km)), frame, over)
    if picture is not None and not over:
        raise click.UsageError(
            "--picture draws a pass or a flight; leave --distance-km out, or give passes with an orbit or a flight"
        )
    draw(picture, destination, lambda form: pass_picture(mission, over, form), schema)
    if as_json:
        output.write_json(document(mission, made, over), destination)
    else:
        output.write(text(mission, made, over, output.encoding_of(destination)), destination)
    return FINDINGS if made.findings else 0
