"""`packetkit airtime`: how long a packet is on the air, each step of the formula, and what fits a time limit.

Every figure comes from packetkit.radio.chirp; this module words and draws. Numbers of the setting are taken
as text and checked together, so that one run tells all that is wrong with them.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Any

import click

from packetkit.cli import output
from packetkit.cli.picture import draw, picture_option
from packetkit.errors import RadioError, counted
from packetkit.radio import CAUTION, chirp, modems, settings, staircase

FINDINGS = 1

# Which flag carries which part of a setting; explicit_header and crc are switched off by theirs.
FLAGS = {
    "spreading_factor": "--spreading-factor",
    "bandwidth": "--bandwidth-khz",
    "coding_rate": "--coding-rate",
    "preamble_symbols": "--preamble-symbols",
    "explicit_header": "--implicit-header",
    "crc": "--no-crc",
    "low_data_rate": "--low-data-rate",
    "modem": "--modem",
}
STEPS_BESIDE = 2  # rows of the staircase shown on either side of this payload's own
BAR_COLUMNS = 40


@dataclass(frozen=True, slots=True)
class Answer:
    """What one call worked out: a packet's airtime, and how it stands to a time limit where one was given."""

    steps: chirp.Airtime
    stair: staircase.Staircase
    limit_s: Fraction | None
    largest_bytes: int | None

    @property
    def fits(self) -> bool | None:
        """Return whether the packet ends within the limit, None without one."""
        return None if self.limit_s is None else self.steps.time_on_air_s <= self.limit_s


def read(
    given: dict[str, object], payload_bytes: int | None, fit_ms: str | None
) -> tuple[settings.Setting, Fraction | None]:
    """Return the setting and the time limit in exact seconds.

    Raises RadioError with every fault beside the flag that carries it.
    """
    faults = [f"{FLAGS[fault.path]}: {fault.message}" for fault in settings.setting_faults(given)]
    if payload_bytes is not None:
        try:
            chirp.check_payload(payload_bytes)
        except RadioError as error:
            faults.append(f"--bytes: {error}")
    limit_ms = None if fit_ms is None else settings.exact_number(fit_ms)
    if fit_ms is not None and not limit_ms:
        faults.append(f"--fit-ms: {fit_ms!r} is not a time above 0; write milliseconds, for example 400")
    if faults:
        raise RadioError(faults[0] if len(faults) == 1 else "\n  ".join(["", *faults]))
    values: dict[str, Any] = dict(given)
    return settings.Setting(**values), None if limit_ms is None else limit_ms / 1000


def work_out(setting: settings.Setting, payload_bytes: int | None, limit_s: Fraction | None) -> Answer:
    """Return the answer; without a length, for the largest that fits, or the empty packet where none does."""
    largest = None if limit_s is None else chirp.largest_payload(setting, limit_s)
    length = payload_bytes if payload_bytes is not None else largest or 0
    return Answer(chirp.airtime(setting, length), staircase.staircase(setting, length), limit_s, largest)


def in_ms(seconds: Fraction | None) -> float | None:
    """Return seconds as the nearest number of milliseconds."""
    return None if seconds is None else float(seconds * 1000)


def document(answer: Answer) -> dict[str, object]:
    """Return what `--json` writes: the setting, the steps, the staircase, the limit; the same keys always."""
    steps, stair, setting = answer.steps, answer.stair, answer.steps.setting
    return {
        "payload_bytes": steps.payload_bytes,
        "time_on_air_ms": in_ms(steps.time_on_air_s),
        "symbol_ms": in_ms(steps.symbol_s),
        "payload_symbols": steps.payload_symbols,
        "low_data_rate": steps.low_data_rate,
        "setting": {
            "modem": setting.modem.name,
            "spreading_factor": setting.spreading_factor,
            "bandwidth_khz": float(setting.bandwidth.kilohertz),
            "coding_rate": setting.coding_rate,
            "preamble_symbols": setting.preamble_symbols,
            "explicit_header": setting.explicit_header,
            "crc": setting.crc,
            "low_data_rate": setting.low_data_rate,
        },
        "steps": {
            "payload_bits": steps.payload_bits,
            "first_block_bits": steps.first_block_bits,
            "rest_bits": steps.rest_bits,
            "block_bits": steps.block_bits,
            "blocks": steps.blocks,
            "block_symbols": setting.block_symbols,
            "preamble_and_sync_symbols": float(steps.preamble_symbols),
            "symbols": float(steps.symbols),
        },
        "free_bytes": stair.free_bytes,
        "fewer_bytes": stair.fewer_bytes,
        "saved_ms": in_ms(stair.saved_s),
        "more_bytes": stair.more_bytes,
        "added_ms": in_ms(stair.added_s),
        "fit_ms": in_ms(answer.limit_s),
        "largest_payload_bytes": answer.largest_bytes,
        "fits": answer.fits,
        "advice": list(settings.advice(setting)),
        "caution": CAUTION,
    }


def fit_sentence(answer: Answer) -> str:
    """Return how the packet stands to the limit; empty without one."""
    if answer.limit_s is None:
        return ""
    limit, took = f"{float(answer.limit_s * 1000):g} ms", answer.steps.time_on_air_s
    if answer.largest_bytes is None:
        empty = settings.milliseconds(chirp.time_on_air(answer.steps.setting, 0))
        return f"Nothing fits into {limit}: even an empty packet lasts {empty}."
    most = f"At most {counted(answer.largest_bytes, 'byte')} fit into {limit}"
    if not answer.fits:
        over = settings.milliseconds(took - answer.limit_s)
        return f"{most}: this packet lasts {over} too long."
    left = settings.milliseconds(answer.limit_s - took)
    return f"{most}; this packet of {counted(answer.steps.payload_bytes, 'byte')} leaves {left}."


def stairs_text(answer: Answer, encoding: str) -> str:
    """Return the steps of the staircase around this payload, each with a bar as long as its time."""
    stairs = staircase.stairs(answer.steps.setting)
    length = answer.steps.payload_bytes
    here = next(i for i, step in enumerate(stairs) if step.first_bytes <= length <= step.last_bytes)
    shown = stairs[max(0, here - STEPS_BESIDE) : here + STEPS_BESIDE + 1]
    rows = tuple(
        (
            f"{step.first_bytes} to {step.last_bytes}"
            if step.first_bytes < step.last_bytes
            else step.first_bytes,
            settings.milliseconds(step.time_on_air_s),
            "█" * max(1, round(BAR_COLUMNS * step.time_on_air_s / shown[-1].time_on_air_s))
            + (" here" if step is stairs[here] else ""),
        )
        for step in shown
    )
    columns = (output.Column("bytes", ">"), output.Column("time on air", ">"), output.Column(""))
    return output.Table(columns, rows).text(encoding=encoding)


def staircase_picture(answer: Answer, form: str) -> bytes:
    """Return the whole staircase as a picture, this packet marked."""
    from packetkit.export import plots

    setting = answer.steps.setting
    steps = [
        (step.first_bytes, step.last_bytes, float(step.time_on_air_s * 1000))
        for step in staircase.stairs(setting)
    ]
    here = (answer.steps.payload_bytes, float(answer.steps.time_on_air_s * 1000))
    return plots.staircase(steps, here, str(setting), form)


def text(answer: Answer, encoding: str) -> str:
    """Return what a person reads: result, formula with its numbers, staircase, time limit, caution."""
    steps, setting = answer.steps, answer.steps.setting
    sentence = str(answer.stair)
    closing = [fit_sentence(answer), *settings.advice(setting), CAUTION]
    width = min(output.columns(), output.DEFAULT_COLUMNS)
    parts = [
        f"{counted(steps.payload_bytes, 'byte')}: {settings.milliseconds(steps.time_on_air_s)} on the air\n{setting}\n",
        f"{steps}\n",
        sentence[0].upper() + sentence[1:] + "\n",
        stairs_text(answer, encoding),
        *("\n".join(output.wrapped(paragraph, width)) + "\n" for paragraph in closing if paragraph),
    ]
    return "\n".join(parts)


@click.command("airtime")
@click.option(
    "--bytes", "payload_bytes", type=int, metavar="N", help="Payload handed to the radio, 0 to 255."
)
@click.option("--spreading-factor", required=True, metavar="N", help="5 to 12; 6 to 12 on the old family.")
@click.option(
    "--bandwidth-khz", "bandwidth", required=True, metavar="KHZ", help="7.8 to 500, as data sheets print it."
)
@click.option(
    "--coding-rate", default=modems.DEFAULT_CODING_RATE, show_default=True, metavar="RATE", help="4/5 to 4/8."
)
@click.option(
    "--preamble-symbols",
    default=str(modems.DEFAULT_PREAMBLE_SYMBOLS),
    show_default=True,
    metavar="N",
    help="As set in the radio; sync is added to it.",
)
@click.option("--implicit-header", is_flag=True, help="No header: both ends fix length and coding rate.")
@click.option("--no-crc", is_flag=True, help="Without the radio's own 16-bit CRC.")
@click.option(
    "--low-data-rate",
    type=click.Choice(modems.LOW_DATA_RATE_CHOICES),
    default="auto",
    show_default=True,
    help="Two rows fewer in each block; auto: from 16 ms a symbol.",
)
@click.option(
    "--modem",
    type=click.Choice(sorted(modems.MODEMS), case_sensitive=False),
    default=modems.DEFAULT_MODEM,
    show_default=True,
    help="The radio's family; from SF7 on, both give the same time.",
)
@click.option("--fit-ms", metavar="MS", help="Find the largest payload whose packet lasts at most so long.")
@picture_option("the staircase")
@output.json_option
@output.output_option
def command(
    payload_bytes: int | None,
    implicit_header: bool,
    no_crc: bool,
    fit_ms: str | None,
    picture: str | None,
    as_json: bool,
    destination: str,
    **given: object,
) -> int:
    """Work out how long a packet is on the air.

    Shows each step of the formula with its numbers, what a byte more or less costs, and with --fit-ms the
    largest payload within a time limit. Give --bytes, --fit-ms or both. Exit status 1: the packet, or every
    packet, is longer than the limit.

    \b
    packetkit airtime --bytes 24 --spreading-factor 10 --bandwidth-khz 125
    packetkit airtime --fit-ms 400 --spreading-factor 10 --bandwidth-khz 125
    """
    if payload_bytes is None and fit_ms is None:
        raise click.UsageError("nothing to work out: give --bytes N, --fit-ms MS, or both")
    given = {**given, "explicit_header": not implicit_header, "crc": not no_crc}
    setting, limit_s = read(given, payload_bytes, fit_ms)
    answer = work_out(setting, payload_bytes, limit_s)
    draw(picture, destination, lambda form: staircase_picture(answer, form))
    if as_json:
        output.write_json(document(answer), destination)
    else:
        output.write(text(answer, output.encoding_of(destination)), destination)
    return FINDINGS if answer.fits is False else 0
