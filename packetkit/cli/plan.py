"""`packetkit plan`: which setting brings most home and what binds it, what to change in the schema, a quota, many teams together.

Every figure comes from packetkit.mission (plan, changes, quota, together); this module reads options, words and draws.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import PurePath
from typing import Any

import click

from packetkit.cli import output
from packetkit.cli.output import percent
from packetkit.cli.picture import bar, draw, picture_option
from packetkit.errors import RadioError, counted
from packetkit.files import load, not_onto_an_input, only_one_standard_input, write_text
from packetkit.mission.bands import cautions
from packetkit.mission.changes import Change, cheapest
from packetkit.mission.load import Link, Mission
from packetkit.mission.passes import Pass, window_of
from packetkit.mission.plan import Cell, Sweep, best, frontier, sweep
from packetkit.mission.quota import Quota, quota
from packetkit.mission.together import Shared, Together, together
from packetkit.radio import CAUTION, energy, settings

FINDINGS = 1
BINDS = {
    "airtime": "airtime: packets follow each other as fast as they can",
    "margin": "margin: more than a tenth is lost",
    "duty": "duty: the share of the hour is used up",
    "cadence": "cadence: nothing more is measured",
    "backlog": "backlog: more is measured than can be sent",
}
Document = dict[str, Any]


def _positive(option: str, text: str | None) -> Fraction | None:
    number = None if text is None else settings.exact_number(text)
    if text is not None and not number:
        raise RadioError(f"{option}: {text!r} is not a number above 0, written like 10 or 2.5")
    return number


# ---- one mission over its passes


def band_cautions(mission: Mission, made: Sweep) -> tuple[str, ...]:
    """What the region's rows leave open for the settings that are shown."""
    shown = [*(cell for _, cell in best(made.cells)), *([] if made.now is None else [made.now])]
    return cautions(mission.link, dict.fromkeys(cell.setting.bandwidth for cell in shown))


def cell_document(cell: Cell) -> Document:
    setting = cell.setting
    return {
        "spreading_factor": setting.spreading_factor,
        "bandwidth_khz": float(setting.bandwidth.kilohertz),
        "coding_rate": setting.coding_rate,
        "records_in_packet": cell.bundle,
        "cadence_s": None if cell.cadence_s is None else float(cell.cadence_s),
        "payload_bytes": cell.payload_bytes,
        "time_on_air_ms": float(cell.time_on_air_s * 1000),
        "packets_per_pass": cell.packets,
        "delivered_records": cell.delivered_records,
        "delivered_bytes": cell.delivered_bytes,
        "loss": cell.loss,
        "margin_least_db": cell.margin_least_db,
        "margin_best_db": cell.margin_best_db,
        "energy_mj_per_byte": cell.energy_mj_per_byte,
        "drift_beyond_rule": cell.drifts,
        "binds": cell.binds,
    }


def change_document(change: Change) -> Document:
    return {
        "fields": [
            {"field": address, "step_now": now, "step_then": then, "unit": unit, "bits_saved": bits}
            for address, now, then, unit, bits in change.parts
        ],
        "frame_bytes_saved": change.frame_bytes,
        "time_saved_ms": float(change.saved_s * 1000),
        "more_frames_per_pass": change.frames,
    }


def pass_document(mission: Mission, window: Pass, made: Sweep, changes: tuple[Change, ...]) -> Document:
    return {
        "kind": "pass",
        "mission": mission.name,
        "frame": made.frame_name,
        "frame_bytes": made.frame_bytes,
        "pass_duration_s": float(window.duration_s),
        "pass_duration_basis": window.basis,
        "gap_s": float(mission.link.gap_s),
        "driver_bytes": mission.link.driver_bytes,
        "share_of_hour": None if mission.link.share_of_hour is None else float(mission.link.share_of_hour),
        "sending_ma": made.sending_ma,
        "supply_v": energy.SUPPLY_V,
        "cells": len(made.cells),
        "dropped": made.dropped,
        "now": None if made.now is None else cell_document(made.now),
        "now_dropped": made.now_dropped or None,
        "best": [{"best_at": words, **cell_document(cell)} for words, cell in best(made.cells)],
        "frontier": [cell_document(cell) for cell in frontier(made.cells)],
        "changes": [change_document(change) for change in changes],
        "warnings": list(band_cautions(mission, made)),
        "caution": CAUTION,
    }


def _cell_row(words: str, cell: Cell) -> tuple[object, ...]:
    cadence = None if cell.cadence_s is None else f"{float(cell.cadence_s):g} s"
    return (
        words,
        f"{cell.setting.spreading_factor}" + (" ~" if cell.drifts else ""),
        cell.setting.bandwidth.labels[-1],
        cell.setting.coding_rate,
        cadence,
        cell.bundle,
        f"{cell.delivered_bytes:,.0f}",
        percent(cell.loss),
        f"{cell.margin_least_db:+.1f}",
        "" if cell.energy_mj_per_byte is None else f"{cell.energy_mj_per_byte:.3g}",
        cell.binds,
    )


LEGEND = (
    "each: records in a packet; arrive: record bytes a pass, expected; dB: margin at the weakest moment; "
    "mJ/B: of sending, for each byte that arrives"
)
EVERY = 4  # the column that frames without a cadence leave out


def cells_text(made: Sweep, encoding: str) -> str:
    """The best few, and the schema's own, as a table."""
    titles = ("every", "each", "arrive", "lost", "dB", "mJ/B", "binds")
    columns = [
        output.Column("best at", fit="wrap"),
        output.Column("SF"),
        output.Column("kHz", ">"),
        output.Column("rate"),
        *(output.Column(title, ">") for title in titles),
    ]
    rows = [_cell_row(words, cell) for words, cell in best(made.cells)]
    if made.now is not None:
        rows.append(_cell_row("the schema's", made.now))
    if not made.has_cadences:
        columns.pop(EVERY)
        rows = [row[:EVERY] + row[EVERY + 1 :] for row in rows]
    return output.Table(tuple(columns), tuple(rows)).text(encoding=encoding)


def frontier_picture(made: Sweep, name: str, form: str) -> bytes:
    """Every cell, the frontier and the best few, as a picture."""
    from packetkit.export import plots

    def point(cell: Cell) -> tuple[float, float]:
        return cell.margin_least_db, cell.delivered_bytes

    named = [
        (
            f"SF{cell.setting.spreading_factor} {cell.setting.bandwidth} {cell.setting.coding_rate} x{cell.bundle}",
            *point(cell),
        )
        for _, cell in best(made.cells)
    ]
    title = f"{name}: {made.frame_name}, what each setting brings (xN: N records in a packet)"
    return plots.frontier([*map(point, made.cells)], [*map(point, frontier(made.cells))], named, title, form)


FRONTIER = "The frontier, by rising margin: settings that none beats in bytes, margin and\nenergy for a byte at once:"
FRONTIER_ROWS, FRONTIER_COLUMNS = 10, 36


def frontier_text(made: Sweep, encoding: str) -> str:
    """The frontier in a terminal: delivered bytes as bars, by rising margin."""
    front = sorted(frontier(made.cells), key=lambda cell: cell.margin_least_db)
    step = -(-len(front) // FRONTIER_ROWS)
    most = max(cell.delivered_bytes for cell in front)
    columns = (*(output.Column(title, ">") for title in ("margin", "SF", "kHz", "arrive")), output.Column(""))
    rows = tuple(
        (
            f"{cell.margin_least_db:+.1f} dB",
            cell.setting.spreading_factor,
            cell.setting.bandwidth.labels[-1],
            f"{cell.delivered_bytes:,.0f}",
            bar(cell.delivered_bytes, most, FRONTIER_COLUMNS),
        )
        for cell in front[::step]
    )
    return f"{FRONTIER}\n\n{output.Table(columns, rows).text(encoding=encoding)}"


def change_sentence(change: Change) -> str:
    """`humidity 0.1 to 0.5 %: 2 bits; one byte less, 41 ms less on the air, 6 more frames a pass`."""
    parts = " and ".join(
        f"{address} {float(now):g} to {float(then):g} {unit}".rstrip()
        + f" ({bits} bit{'s' if bits > 1 else ''} each)"
        for address, now, then, unit, bits in change.parts
    )
    size = counted(change.frame_bytes, "byte")
    more = f", {change.frames} more frames a pass" if change.frames else ""
    return f"{parts}: {size} and {float(change.saved_s * 1000):.0f} ms less on the air{more}."


def _short(link: Link) -> str:
    """The setting in what a plan varies."""
    assert link.setting is not None
    return f"SF{link.setting.spreading_factor} {link.setting.bandwidth} {link.setting.coding_rate}"


def _counted_with(link: Link, sending_ma: float | None) -> str:
    """What every cell was counted with, so that each figure can be worked again."""
    parts = [f"a gap of {float(link.gap_s):g} s after each packet"]
    if link.driver_bytes:
        parts.append(f"the driver's {counted(link.driver_bytes, 'byte')} in each")
    if link.share_of_hour is not None:
        parts.append(f"at most {float(link.share_of_hour * 100):g} % of the hour on the air")
    if sending_ma is not None:
        parts.append(f"{sending_ma:g} mA at {energy.SUPPLY_V:g} V while sending")
    return f"Counted with {', '.join(parts)}."


def pass_text(mission: Mission, window: Pass, made: Sweep, changes: tuple[Change, ...], encoding: str) -> str:
    """What a person reads: the best few, what binds, what was dropped, what to change, the caution."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    tried = len(made.cells) + sum(made.dropped.values())
    head = (
        f"{made.frame_name}, {counted(made.frame_bytes, 'byte')} a record; a pass of {float(window.duration_s):.0f} s ({window.basis}). "
        f"{tried:,} cells of spreading factor, bandwidth, coding rate, cadence and records in a packet; {len(made.cells):,} can work."
    )
    notes = [f"{LEGEND}; every: from one record to the next." if made.has_cadences else f"{LEGEND}."]
    notes += [
        f"{word}." for key, word in BINDS.items() if any(cell.binds == key for _, cell in best(made.cells))
    ]
    if any(cell.drifts for _, cell in best(made.cells)):
        notes.append(
            "~ drifts further within a packet than the drift rule allows; sources disagree: test it."
        )
    if made.cells:
        notes.append(_counted_with(mission.link, made.sending_ma))
    else:
        notes = ["No setting works; see why below."]
    if made.now_dropped:
        notes.append(f"The schema's own setting, {_short(mission.link)}, is left out: {made.now_dropped}.")
    notes += [f"Dropped: {count:,}: {reason}." for reason, count in list(made.dropped.items())[:8]]
    narrow = any(cell.setting.bandwidth.hertz < 62_500 for _, cell in best(made.cells))
    if narrow:
        notes.append("Below 62.5 kHz both ends need a temperature-compensated oscillator (common practice).")
    notes += [f"Warning: {one}." for one in band_cautions(mission, made)]
    if changes:
        notes.append("Cheapest changes to the schema, as it is sent now:")
        notes += [f"- {change_sentence(change)}" for change in changes]
    parts = [
        f"{mission.name}: which setting brings most home\n",
        "\n".join(output.wrapped(head, width)) + "\n",
    ]
    if made.cells:
        parts += [cells_text(made, encoding), frontier_text(made, encoding)]
    parts += ["\n".join(line for note in notes for line in output.wrapped(note, width)) + "\n"]
    parts.append("\n".join(output.wrapped(CAUTION, width)) + "\n")
    return "\n".join(parts)


# ---- a quota


def quota_document(mission: Mission, made: Quota) -> Document:
    return {
        "kind": "quota",
        "mission": mission.name,
        "frame": made.frame_name,
        "frame_bytes": made.frame_bytes,
        "cadence_s": float(made.cadence_s),
        "measured_bytes_per_day": made.measured_bytes,
        "quota_bytes_per_day": float(made.host.bytes_per_day),
        "message_bytes": made.host.message_bytes,
        "fits": made.fits,
        "ways": [
            {
                "way": way.name,
                "frame_bytes": way.frame_bytes,
                "frames_per_day": way.frames_a_day,
                "bytes_per_day": way.bytes_a_day,
                "interval_s": None if way.interval_s is None else float(way.interval_s),
                "gives_up": way.gives_up,
                "schema": way.schema,
            }
            for way in made.ways
        ],
        "caution": CAUTION,
    }


def quota_text(mission: Mission, made: Quota, encoding: str) -> str:
    """What a person reads of a quota: measured against taken, the ways, and the schema that summarises."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    head = (
        f"{made.frame_name}, {counted(made.frame_bytes, 'byte')} every {float(made.cadence_s):g} s: {made.measured_bytes:,} bytes a day; "
        "the host takes "
        f"{float(made.host.bytes_per_day):,.0f} in messages of up to {made.host.message_bytes}."
    )
    parts = [f"{mission.name}: a daily quota\n", "\n".join(output.wrapped(head, width)) + "\n"]
    if made.fits:
        parts.append("Everything fits.\n")
    else:
        columns = (
            output.Column("way", fit="wrap"),
            *(output.Column(title, ">") for title in ("bytes", "a day", "every")),
            output.Column("gives up", fit="wrap"),
        )
        rows = tuple(
            (
                way.name,
                way.frame_bytes,
                way.frames_a_day,
                "never" if way.interval_s is None else output.duration_text(float(way.interval_s)),
                way.gives_up,
            )
            for way in made.ways
        )
        parts.append(output.Table(columns, rows).text(encoding=encoding))
        if any(way.schema for way in made.ways):
            parts.append("--schema FILE writes the schema of the summaries.\n")
    parts.append("\n".join(output.wrapped(CAUTION, width)) + "\n")
    return "\n".join(parts)


# ---- many teams


def together_document(made: Together) -> Document:
    return {
        "kind": "together",
        "channels": [
            {
                "channel": shared.channel,
                "load": float(shared.load),
                "step_s": float(shared.step_s),
                "senders": [
                    {
                        "team": sender.team,
                        "frame": sender.frame,
                        "time_on_air_ms": float(sender.airtime_s * 1000),
                        "period_s": float(sender.period_s),
                        "lost_free_running": shared.lost[index],
                        "offset_s": float(shared.offsets_s[index]) if shared.offsets_s else None,
                    }
                    for index, sender in enumerate(shared.senders)
                ],
            }
            for shared in made.channels
        ],
        "alike": [{"first": first, "second": second, "reason": why} for first, second, why in made.alike],
        "caution": CAUTION,
    }


def shared_text(shared: Shared, encoding: str) -> str:
    """One channel as a table with its sentence."""
    titles = ("on air", "every", "lost", "offset")
    columns = (
        output.Column("team", fit="shorten"),
        output.Column("frame", fit="shorten"),
        *(output.Column(title, ">") for title in titles),
    )
    rows = tuple(
        (
            sender.team,
            sender.frame,
            settings.milliseconds(sender.airtime_s),
            f"{float(sender.period_s):g} s",
            percent(shared.lost[index]),
            f"{float(shared.offsets_s[index]):.3f} s" if shared.offsets_s else "-",
        )
        for index, sender in enumerate(shared.senders)
    )
    table = output.Table(columns, rows).text(encoding=encoding)
    return f"{shared.channel}: somebody sends {percent(float(shared.load))} of the time\n\n{table}"


TOGETHER = (
    "lost: share of frames that overlap another team's, timers running freely, no capture effect. offset: when each starts within the "
    "common step, so that none overlap; timers drift, so start them together and check through the day."
)


def together_text(made: Together, encoding: str) -> str:
    """What a person reads of many teams."""
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    notes = [TOGETHER]
    notes += [
        f"{shared.channel}: no offsets: with 0.05 s between them the frames do not fit into the common step of their cadences, "
        f"{float(shared.step_s):g} s; take cadences with a longer common step, or shorter frames."
        for shared in made.channels
        if not shared.offsets_s
    ]
    notes += [
        f"Cannot be told apart: {first} and {second}: {why}. Give each team a tag of its own."
        for first, second, why in made.alike
    ]
    parts = ["Many teams, one receiver\n", *(shared_text(shared, encoding) for shared in made.channels)]
    parts += ["\n".join(output.wrapped(note, width)) + "\n" for note in (*notes, CAUTION)]
    return "\n".join(parts)


def team_names(schemas: tuple[str, ...], missions: list[Mission]) -> list[tuple[str, Mission]]:
    """A name of its own for each team: the mission's, numbered where several have it."""
    counts: dict[str, int] = {}
    named = []
    for mission in missions:
        counts[mission.name] = counts.get(mission.name, 0) + 1
        number = counts[mission.name]
        named.append((mission.name if number == 1 else f"{mission.name} {number}", mission))
    assert len(named) == len(schemas)
    return named


# ---- the command


@click.command("plan")
@click.argument("schemas", metavar="SCHEMA...", nargs=-1, required=True)
@click.option(
    "--frame",
    metavar="NAME",
    help="The frame to plan for.  [default: the first without a cadence, else the longest]",
)
@click.option(
    "--pass",
    "basis",
    type=click.Choice(["mean", "overhead"]),
    default="mean",
    show_default=True,
    help="Which pass of an orbit.",
)
@click.option(
    "--cadence-s",
    "cadences",
    metavar="S",
    multiple=True,
    help="Seconds between records; may be repeated.  [default: a quarter to four times the schema's]",
)
@click.option("--together", "is_together", is_flag=True, help="Look at many teams on one receiver.")
@click.option("--schema", "summary", metavar="FILE", help="With a quota: write the schema of the summaries.")
@picture_option("the frontier")
@output.json_option
@output.output_option
def command(
    schemas: tuple[str, ...],
    frame: str | None,
    basis: str,
    cadences: tuple[str, ...],
    is_together: bool,
    summary: str | None,
    picture: str | None,
    as_json: bool,
    destination: str,
) -> int:
    """Find the setting that brings most home, and what binds it.

    One SCHEMA: with passes and a link every spreading factor, bandwidth, coding rate and bundle is tried, and the cheapest changes of the
    schema are named; with a host's quota, what fits and which summary would. Several with --together: what teams on one receiver do to
    each other. Exit status 1: nothing works, the quota is exceeded, or teams' frames cannot be told apart.

    \b
    packetkit plan heron.yaml
    packetkit plan team-1.yaml team-2.yaml --together
    """
    only_one_standard_input(*schemas)
    for one in (destination, *([summary] if summary else [])):
        not_onto_an_input(one, *schemas)
    if not is_together and len(schemas) > 1:
        raise click.UsageError("several schemas are looked at together: add --together, or give one")
    asked = [_positive("--cadence-s", one) for one in cadences]
    missions = [load(one) for one in schemas]
    encoding = output.encoding_of(destination)
    swept = not is_together and not (missions[0].passes is not None and missions[0].passes.host is not None)
    if picture is not None and not swept:
        raise click.UsageError(
            "--picture draws the frontier of settings; it needs one schema with passes and a link"
        )
    if is_together:
        document, text, found = _together(schemas, missions, asked, frame, summary, encoding)
    elif not swept:
        if asked:
            raise click.UsageError(
                "--cadence-s: with a quota the cadence is the frame's own; write it in the schema"
            )
        document, text, found = _quota(missions[0], frame, summary, encoding)
    else:
        if summary:
            raise click.UsageError("--schema is for a host's quota; this schema has none")
        document, text, found, made = _pass(missions[0], frame, basis, asked, encoding)
        if not made.cells and picture is not None:
            raise RadioError("--picture: no setting works, so there is nothing to draw")
        draw(picture, destination, lambda form: frontier_picture(made, missions[0].name, form), *schemas)
    if as_json:
        output.write_json(document, destination)
    else:
        output.write(text, destination)
    return FINDINGS if found else 0


Answer = tuple[Document, str, bool]


def _pass(
    mission: Mission, frame: str | None, basis: str, asked: list[Fraction | None], encoding: str
) -> tuple[Document, str, bool, Sweep]:
    if mission.passes is None:
        raise RadioError(
            "the schema has no passes; add passes: {altitude_km: 510, minimum_elevation_deg: 10} or others"
        )
    window = window_of(mission.passes, basis)
    made = sweep(mission, window, frame, cadences=asked or None)
    changes = (
        cheapest(mission, made.frame_name, window) if mission.layouts[made.frame_name].maximum_bytes else ()
    )
    document = pass_document(mission, window, made, changes)
    return document, pass_text(mission, window, made, changes, encoding), not made.cells, made


def _quota(mission: Mission, frame: str | None, summary: str | None, encoding: str) -> Answer:
    made = quota(mission, frame)
    if summary:
        written = next((way.schema for way in made.ways if way.schema), "")
        if not written:
            raise RadioError(
                "--schema: there is no summary to write: everything fits, or no message holds one"
            )
        write_text(summary, written)
        output.say(f"{PurePath(summary).name}: the schema of the summaries")
    return quota_document(mission, made), quota_text(mission, made, encoding), not made.fits


def _together(
    schemas: tuple[str, ...],
    missions: list[Mission],
    asked: list[Fraction | None],
    frame: str | None,
    summary: str | None,
    encoding: str,
) -> Answer:
    if frame is not None or summary is not None or len(asked) > 1:
        raise click.UsageError(
            "--together takes no --frame and no --schema, and one --cadence-s for frames that have none"
        )
    if len(schemas) < 2:
        raise click.UsageError("--together needs two schemas or more")
    made = together(team_names(schemas, missions), asked[0] if asked else None)
    found = bool(made.alike) or any(shared.load > 1 for shared in made.channels)
    return together_document(made), together_text(made, encoding), found
