"""`packetkit budget`: how many frames, bytes and useful bits a pass brings, and what was assumed.

Every figure comes from packetkit.mission.budget; this module reads options, words and draws.
"""

from __future__ import annotations

from fractions import Fraction
from math import isinf

import click

from packetkit.cli import output
from packetkit.cli.output import percent
from packetkit.errors import RadioError, counted
from packetkit.files import load, not_onto_an_input
from packetkit.mission.bands import cautions
from packetkit.mission.beside import Beside, beside
from packetkit.mission.budget import Budget, Share, budget, tells_loss
from packetkit.mission.day import (
    DAY_S,
    Compared,
    Day,
    Energy,
    compared,
    day_of,
    energy_or_reason,
    seen_by_field,
)
from packetkit.mission.load import Mission, Passes
from packetkit.mission.passes import window_of
from packetkit.radio import CAUTION, settings

FINDINGS = 1


def passes_of(mission: Mission, given: dict[str, str | None]) -> Passes:
    """The schema's passes with what the options override. Raises RadioError with every fault."""
    values: dict[str, Fraction] = {}
    faults = []
    for name, text in given.items():
        number = None if text is None else settings.exact_number(text)
        if text is not None and (number is None or number <= 0) and name != "minimum_elevation_deg":
            faults.append(
                f"--{name.replace('_', '-')}: {text!r} is not a number above 0, written like 600 or 12.5"
            )
        elif text is not None and number is None:
            faults.append(
                f"--{name.replace('_', '-')}: {text!r} is not a number from 0 on, written like 10 or 7.5"
            )
        elif number is not None:
            values[name] = number
    orbit = {"altitude_km", "minimum_elevation_deg"} & values.keys()
    if orbit and "duration_s" in values:
        faults.append("--duration-s: a pass is an orbit's or of a given duration, not both; leave one out")
    if faults:
        raise RadioError("\n  ".join(["", *faults]) if len(faults) > 1 else faults[0])
    declared = mission.passes or Passes()
    if "duration_s" in values:
        return Passes(duration_s=values["duration_s"], per_day=declared.per_day)
    if orbit:
        altitude = values.get("altitude_km", declared.altitude_km)
        elevation = values.get("minimum_elevation_deg", declared.minimum_elevation_deg)
        for option, number in (("--altitude-km", altitude), ("--minimum-elevation-deg", elevation)):
            if number is None:
                raise RadioError(f"{option}: an orbit's pass needs it, and the schema does not say it")
        return Passes(altitude, elevation, None, declared.per_day)
    if mission.passes is None:
        raise RadioError(
            "the schema has no passes; add passes: {altitude_km: 510, minimum_elevation_deg: 10}, "
            "or give --duration-s, or --altitude-km and --minimum-elevation-deg"
        )
    return declared


def document(mission: Mission, made: Budget, day: Day) -> dict[str, object]:
    """What `--json` writes: the same keys always, per frame and in total."""
    window, setting = made.window, mission.link.setting
    return {
        "mission": mission.name,
        "fingerprint": mission.fingerprint,
        "pass_duration_s": float(window.duration_s),
        "pass_duration_basis": window.basis,
        "pass_duration_overhead_s": window.overhead_s,
        "pass_duration_mean_s": window.mean_s,
        "passes_per_day": None if made.per_day is None else float(made.per_day),
        "setting": None if setting is None else str(setting),
        "gap_s": float(made.gap_s),
        "airtime_allowed_s": float(made.allowed_s),
        "airtime_per_pass_s": float(made.airtime_s),
        "frames_per_pass": made.frames,
        "frame_bytes_per_pass": made.bytes_per_pass,
        "useful_bits_per_pass": made.useful_bits_per_pass,
        "fits": not made.findings,
        "findings": [*made.findings, *([made.unfound] if made.unfound else [])],
        "delivered_frames": made.delivered_frames if made.knows_loss else None,
        "delivered_bytes": made.delivered_bytes if made.knows_loss else None,
        "frames": {share.name: _frame(share) for share in made.shares},
        "fields_seen": seen_by_field(mission, made.shares),
        "day": _day(day),
        "energy": _energy(*energy_or_reason(mission, made)),
        "compared": [_compared(one) for one in compared(mission, made)],
        "warnings": list(cautions(mission.link)),
        "fsk": _fsk(beside(mission, made.window)),
        "caution": CAUTION,
    }


def _frame(share: Share) -> dict[str, object]:
    return {
        "frame_bytes": share.frame_bytes,
        "at_longest": share.varies,
        "useful_bits": share.useful_bits,
        "time_on_air_ms": float(share.time_on_air_s * 1000),
        "cadence_s": None if share.cadence_s is None else float(share.cadence_s),
        "airtime_per_pass_s": float(share.airtime_s),
        "frames_per_pass": share.frames,
        "frame_bytes_per_pass": share.bytes_per_pass,
        "useful_bits_per_pass": share.useful_bits_per_pass,
        "loss": share.loss,
        "delivered_frames": None if share.loss is None else share.delivered_frames,
        "seen_at_least_once": share.seen,
    }


def _day(day: Day) -> dict[str, object]:
    return {
        "measured_bytes": float(day.measured_bytes),
        "carried_bytes": day.carried_bytes,
        "backlog_bytes": day.backlog_bytes,
        "card_days": day.days,
        "card_bytes": day.card_bytes,
    }


def _energy(found: Energy | None, reason: str) -> dict[str, object]:
    if found is None:
        return {"known": False, "reason": reason}
    endless = found.life_days is None or isinf(found.life_days)
    return {
        "known": True,
        "radio": found.radio,
        "sending_ma": found.sending_ma,
        "receiving_ma": found.receiving_ma,
        "sleep_ua": found.sleep_ua,
        "supply_v": found.supply_v,
        "receiving_percent": found.receiving_percent,
        "source": found.source,
        "frame_mj": found.frame_mj,
        "period_s": found.period_s,
        "sending_j": found.sending_j,
        "receiving_j": found.receiving_j,
        "asleep_j": found.asleep_j,
        "battery_life_days": None if endless else found.life_days,
    }


def _fsk(found: Beside | None) -> dict[str, object] | None:
    if found is None:
        return None
    known = found.sensitivity_dbm is not None
    return {
        "setting": str(found.setting),
        "sensitivity_dbm": found.sensitivity_dbm,
        "margin_least_db": found.margin_least_db,
        "margin_best_db": found.margin_best_db,
        "delivered_bytes": found.delivered_bytes if known else None,
        "frames": {share.name: _frame(share) for share in found.shares},
    }


def _compared(one: Compared) -> dict[str, object]:
    return {
        "document": one.row.document,
        "year": one.row.year,
        "from_memory": one.row.recalled,
        "note": one.row.note,
        "what": one.what,
        "figure": one.figure,
        "limit": one.limit,
        "unit": one.unit,
        "over": one.over,
    }


def _pass_sentence(made: Budget, passes: Passes) -> str:
    window = made.window
    length = output.duration_text(float(window.duration_s))
    if window.basis == "flight":
        return f"A flight that is heard for {length} ({float(window.duration_s):.0f} s)."
    if window.overhead_s is None or window.mean_s is None:
        return f"A pass of {length} ({float(window.duration_s):g} s, as given)."
    if passes.elements is not None:
        return f"A pass of {length} ({float(window.duration_s):.1f} s), the {window.basis} one of a week of the elements' passes."
    assert passes.altitude_km is not None and passes.minimum_elevation_deg is not None
    orbit = f"Circular orbit at {float(passes.altitude_km):g} km, heard above {float(passes.minimum_elevation_deg):g} deg"
    overhead, mean = (output.duration_text(seconds) for seconds in (window.overhead_s, window.mean_s))
    times = f"a pass overhead lasts {overhead} ({window.overhead_s:.1f} s), the mean one {mean} ({window.mean_s:.1f} s)"
    return f"{orbit}: {times}. Counted with the {window.basis} pass."


def _chance(share: float) -> str:
    """A chance that is not called certain unless it is."""
    return ">99.9 %" if 0.999 < share < 1 else percent(share)


def _arrivals_text(made: Budget, encoding: str) -> list[str]:
    """What is expected to arrive, as a table; nothing where the link is not known."""
    if not made.knows_loss:
        return []
    titles = ("lost", "frames arrive", "bytes arrive", "seen at least once")
    columns = (output.Column("expected", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows = [
        (
            share.name,
            percent(share.loss or 0.0),
            f"{share.delivered_frames:,.1f}",
            f"{share.delivered_bytes:,.0f}",
            _chance(share.seen or 0.0),
        )
        for share in made.shares
    ]
    rows.append(("in all", "", f"{made.delivered_frames:,.1f}", f"{made.delivered_bytes:,.0f}", ""))
    return [output.Table(columns, tuple(rows)).text(encoding=encoding)]


def _beside_text(found: Beside | None, encoding: str) -> list[str]:
    """Plain FSK beside chirp: the same frames and pass; nothing where the schema names none."""
    if found is None:
        return []
    titles = ("on air", "frames", "lost", "bytes arrive")
    columns = (output.Column("beside", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows = tuple(
        (
            share.name,
            settings.milliseconds(share.time_on_air_s),
            f"{share.frames:,}",
            "not known" if share.loss is None else percent(share.loss),
            "not known" if share.loss is None else f"{share.delivered_bytes:,.0f}",
        )
        for share in found.shares
    )
    words = f"Beside it, {found.setting}"
    if found.sensitivity_dbm is not None:
        words += f"; sensitivity {found.sensitivity_dbm:.1f} dBm (rule), "
        words += f"margin {found.margin_least_db:+.1f} to {found.margin_best_db:+.1f} dB"
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    return [
        "\n".join(output.wrapped(f"{words}:", width)) + "\n",
        output.Table(columns, rows).text(encoding=encoding),
    ]


def _day_lines(mission: Mission, made: Budget, day: Day) -> list[str]:
    """The day: what stays behind, the card, energy and life, documents' figures."""
    lines = []
    if day.measured_bytes:
        text = f"Measured around the clock: {float(day.measured_bytes):,.0f} frame bytes a day"
        if made.window.basis == "flight":
            text = f"Measured in a flight: {float(day.measured_bytes):,.0f} frame bytes"
        if day.carried_bytes is not None and day.backlog_bytes is not None:
            text += f"; {day.carried_bytes:,.0f} of them come home live, {day.backlog_bytes:,.0f} stay behind"
            text += " unless a frame without a cadence brings them"
        lines.append(f"{text}.")
    if day.card_bytes is not None:
        lines.append(f"A card for {day.days:g} days holds {day.card_bytes:,} bytes, in sectors of 512.")
    lines += _energy_lines(mission, *energy_or_reason(mission, made))
    lines += [f"{one}." for one in compared(mission, made)]
    lines += [f"Warning: {one}." for one in cautions(mission.link)]
    return lines


def _energy_lines(mission: Mission, found: Energy | None, reason: str) -> list[str]:
    """The radio's energy in each of its states, and how long the battery lasts."""
    if found is None:
        return [f"Energy is not known: {reason}."]
    frames = ", ".join(f"{name} {cost:,.3g} mJ" for name, cost in found.frame_mj.items())
    listening = f"{found.receiving_ma:g} mA in {found.receiving_percent:g} % of the time beside"
    each = "a day" if found.period_s == DAY_S else "a flight"
    parts = (
        f"{found.sending_j:,.4g} J {each} for sending",
        f"{found.receiving_j:,.3g} J for receiving ({listening})",
        f"{found.asleep_j:,.3g} J asleep ({found.sleep_ua:g} uA)",
    )
    lines = [
        f"Sending takes {found.sending_ma:.3g} mA at {found.supply_v:g} V ({found.source}): {frames}.",
        f"The radio takes {', '.join(parts)}.",
    ]
    battery = mission.battery
    if battery is not None and found.life_days is not None and not isinf(found.life_days):
        lines.append(
            f"A battery of {battery.capacity_wh:g} Wh, {battery.usable_percent:g} % of it usable, lasts {found.life_days:,.3g} days "
            f"with a load of {battery.load_mw:g} mW beside, if nothing charges it."
        )
    return lines


def text(mission: Mission, made: Budget, passes: Passes, day: Day, encoding: str) -> str:
    """What a person reads: the pass, a row a frame, the total, what was assumed, findings, the caution."""
    titles = ("bytes", "on air", "every", "frames", "frame bytes", "useful bits", "time")
    columns = (output.Column("frame", fit="shorten"), *(output.Column(title, ">") for title in titles))
    rows: list[tuple[object, ...]] = [
        (
            share.name,
            f"to {share.frame_bytes}" if share.varies else share.frame_bytes,
            settings.milliseconds(share.time_on_air_s),
            "fills" if share.cadence_s is None else f"{float(share.cadence_s):g} s",
            f"{share.frames:,}",
            f"{share.bytes_per_pass:,}",
            f"{share.useful_bits_per_pass:,}",
            _percent(share.airtime_s, made.window.duration_s),
        )
        for share in made.shares
    ]
    total = (
        "in all",
        None,
        None,
        None,
        f"{made.frames:,}",
        f"{made.bytes_per_pass:,}",
        f"{made.useful_bits_per_pass:,}",
    )
    rows.append((*total, _percent(made.airtime_s, made.window.duration_s)))
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    closing = [
        *_assumptions(mission, made),
        *_day_lines(mission, made, day),
        *(f"Does not fit: {finding}." for finding in made.findings),
        *([f"Not received: {made.unfound}. No loss is counted for it."] if made.unfound else []),
        CAUTION,
    ]
    parts = [
        f"{mission.name}: what a pass brings\n",
        "\n".join(output.wrapped(_pass_sentence(made, passes), width)) + "\n",
        output.Table(columns, tuple(rows)).text(encoding=encoding),
        *_arrivals_text(made, encoding),
        *_beside_text(beside(mission, made.window), encoding),
        *("\n".join(output.wrapped(paragraph, width)) + "\n" for paragraph in closing),
    ]
    return "\n".join(parts)


def _percent(part: Fraction, whole: Fraction) -> str:
    return f"{float(part / whole * 100):.1f} %"


def _assumptions(mission: Mission, made: Budget) -> list[str]:
    link = mission.link
    lines = [f"Radio: {link.setting}."]
    note = (
        "Frames are floor(pass / max(cadence, airtime + gap)); those that fill share what is left. A frame that varies "
        "counts at its longest. "
    )
    note += (
        "What arrives is expected from the link's margin along the pass (packetkit link)."
        if made.knows_loss
        else "No loss is counted: that needs numpy, which is not here."
        if tells_loss(mission.link, made.window)
        else "No loss is counted: the schema does not say enough of the link (packetkit link)."
    )
    if link.driver_bytes:
        note += f" Airtime includes {counted(link.driver_bytes, 'byte')} that the driver adds to each frame."
    if made.gap_s:
        note += f" The gap is {float(made.gap_s):g} s."
    lines.append(note)
    if link.share_of_hour is not None:
        share = float(link.share_of_hour * 100)
        lines.append(
            f"{share:g} % of the hour allows {float(made.allowed_s):.1f} s on the air in a pass; {float(made.airtime_s):.1f} s are used."
        )
    if made.per_day is not None:
        day = f"{round(float(made.per_day), 2):g} passes a day bring {float(made.per_day * made.bytes_per_pass):,.0f} frame bytes"
        lines.append(f"{day} and {float(made.per_day * made.useful_bits_per_pass):,.0f} useful bits.")
    return lines


@click.command("budget")
@click.argument("schema", metavar="SCHEMA")
@click.option(
    "--pass",
    "basis",
    type=click.Choice(["mean", "overhead"]),
    help="Which pass of the orbit to count with.  [default: mean]",
)
@click.option("--altitude-km", metavar="KM", help="Altitude of the circular orbit, instead of the schema's.")
@click.option(
    "--minimum-elevation-deg",
    metavar="DEG",
    help="Elevation from which the ground hears, instead of the schema's.",
)
@click.option("--duration-s", metavar="S", help="Duration of a pass, instead of an orbit's.")
@click.option(
    "--days",
    type=output.Measure(36_600),
    metavar="N",
    help="Size of a memory card for so many days.",
)
@output.json_option
@output.output_option
def command(
    schema: str,
    basis: str | None,
    days: float | None,
    as_json: bool,
    destination: str,
    **given: str | None,
) -> int:
    """Count the frames, bytes and useful bits that a pass brings.

    Also what of them arrives, as the link's margin says; plain FSK beside it; the share of the hour; what waits for later passes; a memory
    card's size; energy; and the figures of documents that rule the band.

    SCHEMA names a mission with a link and passes. Exit status 1: the cadences ask for more than fits, or the receiver may not find the
    carrier, which the motion shifts too far.

    \b
    packetkit budget heron.yaml
    packetkit budget heron.yaml --pass overhead --json
    """
    not_onto_an_input(destination, schema)
    mission = load(schema)
    passes = passes_of(mission, given)
    if basis is not None and (passes.duration_s is not None or passes.flight is not None):
        raise click.UsageError(
            "--pass: a pass of a given duration is neither mean nor overhead; leave it out"
        )
    if days is not None and passes.flight is not None:
        raise click.UsageError("--days: a flight is measured as a whole, not by the day; leave it out")
    made = budget(mission, window_of(passes, basis or "mean"))
    day = day_of(made, days)
    if as_json:
        output.write_json(document(mission, made, day), destination)
    else:
        output.write(text(mission, made, passes, day, output.encoding_of(destination)), destination)
    return FINDINGS if made.findings or made.unfound else 0
