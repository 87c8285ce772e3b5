"""`packetkit lab`: experiments on a team's own frame, from the table of packetkit.lab; this module reads options, words and draws."""

from __future__ import annotations

from typing import Any

import click

from packetkit.cli import chart, crews, output
from packetkit.cli.output import Callback
from packetkit.cli.page import Page
from packetkit.cli.picture import draw, picture_option
from packetkit.errors import InputError
from packetkit.export import plots
from packetkit.files import STANDARD_INPUT, load, not_onto_an_input
from packetkit.lab.experiment import Cell, Experiment, Outcome, Request
from packetkit.lab.table import EXPERIMENTS, KNOBS, Knob
from packetkit.mission.load import Mission, parse
from packetkit.resources import resource
from packetkit.work.crew import Crew

INTERRUPTED = 130
SHIPPED = "schemas/heron.yaml"  # what is experimented on where no schema is named


def knob_options(callback: Callback) -> Callback:
    """Add an option for each knob of the table; the callback gets those that were given."""
    for name, knob in reversed(KNOBS.items()):
        kinds: dict[str, Any] = {
            "whole": output.Whole(knob.low, knob.high),
            "polynomial": click.UNPROCESSED,
            "text": str,
        }
        where = [one.name for one in EXPERIMENTS.values() if name in one.knobs]
        words = f"{knob.words}  ({', '.join(where)})"
        metavar = {"whole": "N", "polynomial": "HEX", "text": "NAME"}[knob.kind]
        callback = click.option(
            knob.flag, f"knob_{name}", type=kinds[knob.kind], metavar=metavar, help=words
        )(callback)
    return callback


def knobs_of(experiment: Experiment, given: dict[str, Any]) -> dict[str, Cell]:
    """The experiment's knobs, turned as asked. Raises UsageError for one that it does not have."""
    turned: dict[str, Cell] = dict(experiment.knobs)
    for key, value in given.items():
        name = key.removeprefix("knob_")
        if value is None:
            continue
        if name not in turned:
            able = ", ".join(KNOBS[one].flag for one in turned) or "none of these options"
            raise click.UsageError(
                f"{KNOBS[name].flag} does nothing in {experiment.name}, which takes {able}"
            )
        turned[name] = polynomial(value, KNOBS[name]) if KNOBS[name].kind == "polynomial" else value
    return turned


def polynomial(text: str, knob: Knob) -> int:
    """A polynomial in hexadecimal. Raises UsageError."""
    try:
        value = int(text, 16)
    except ValueError:
        value = 0
    if not knob.low <= value <= knob.high:
        raise click.UsageError(
            f"{knob.flag}: {text!r} is not a polynomial; write it in hexadecimal, for example 0x1021"
        )
    return value


def mission_of(schema: str | None) -> tuple[Mission, bool]:
    """The mission to experiment on, and whether it is the shipped one."""
    if schema is not None:
        return load(schema), False
    return parse(resource(SHIPPED).read_bytes(), SHIPPED), True


def frame_of(mission: Mission, name: str | None) -> str:
    """The frame that is asked for, else the first. Raises InputError, which lists what there is."""
    if name is not None and name not in mission.layouts:
        raise InputError(
            f"--frame: {mission.name} has no frame {name!r}; it has {', '.join(mission.layouts)}"
        )
    return name or next(iter(mission.layouts))


# ---- text and JSON


def listing(page: Page) -> str:
    """What there is to try."""
    rows: list[tuple[object, ...]] = [
        (one.name, one.question, " ".join(KNOBS[knob].flag for knob in one.knobs))
        for one in EXPERIMENTS.values()
    ]
    columns = (
        output.Column("name"),
        output.Column("question", fit="wrap"),
        output.Column("options", fit="wrap"),
    )
    head = page.wrapped(
        "Experiments, on your own frame or, without a schema, on a shipped one. Run one: packetkit lab NAME [SCHEMA]. "
        "The same seed gives the same numbers."
    )
    return head + "\n" + page.table(columns, rows)


def text(experiment: Experiment, made: Outcome, crew: Crew, seed: int, page: Page) -> str:
    """What a person reads: question, table, picture, what is seen, what to notice, source."""
    columns = tuple(
        output.Column(one.title, one.align, "wrap" if one.align == "<" else "keep") for one in made.headings
    )
    parts = [page.title(experiment.question), page.wrapped(f"{made.subject}. Seed {seed}."), "\n"]
    parts += [page.table(columns, list(made.table)), "\n"]
    picture = chart.text(made.chart, page)
    parts += [picture, "\n"] if picture else []
    if crew.interrupted:
        parts.append(page.wrapped("Interrupted: this is what was done until then."))
    parts += [page.wrapped(sentence) for sentence in made.seen]
    parts += ["\nWhat to notice\n", *(page.wrapped(one, "  ", "- ") for one in experiment.notice)]
    parts.append("\n" + page.wrapped(f"Source: {experiment.source}"))
    return "".join(parts)


def document(experiment: Experiment, made: Outcome, request: Request, is_shipped: bool) -> dict[str, object]:
    """What `--json` writes for one experiment: the same keys always."""
    return {
        "experiment": experiment.name,
        "question": experiment.question,
        "mission": request.mission.name,
        "shipped": is_shipped,
        "frame": request.frame,
        "seed": request.seed,
        "knobs": dict(request.knobs),
        "subject": made.subject,
        "complete": not request.crew.interrupted,
        "rows": [dict(record) for record in made.records],
        "seen": list(made.seen),
        "notice": list(experiment.notice),
        "source": experiment.source,
    }


def list_document() -> dict[str, object]:
    """What `--json` writes without a name."""
    return {
        "experiments": [
            {
                "name": one.name,
                "question": one.question,
                "seed": one.seed,
                "options": [KNOBS[knob].flag for knob in one.knobs],
                "source": one.source,
            }
            for one in EXPERIMENTS.values()
        ]
    }


def watched(total: int) -> output.Progress:
    return output.Progress("pieces", total)


@click.command("lab")
@click.argument("name", metavar="[NAME]", required=False)
@click.argument("schema", metavar="[SCHEMA]", required=False)
@click.option("--frame", metavar="NAME", help="The frame to experiment on.  [default: the first]")
@click.option(
    "--seed",
    type=output.Whole(0, (1 << 32) - 1),
    metavar="N",
    help="Draw anew.  [default: the experiment's own]",
)
@crews.options
@knob_options
@picture_option("what was found")
@output.json_option
@output.output_option
def command(
    name: str | None,
    schema: str | None,
    frame: str | None,
    seed: int | None,
    workers: int | None,
    cluster: str | None,
    picture: str | None,
    as_json: bool,
    destination: str,
    **given: Any,
) -> int:
    """Try what a frame, its check and its radio setting do: experiments for a lesson.

    Without a NAME the list. Each experiment says what to notice and where it comes from. What can be counted is counted; what is drawn
    says so, with its interval of 95 %. An interrupt keeps what was done.

    \b
    packetkit lab
    packetkit lab misses heron.yaml --frame survey
    packetkit lab polynomial heron.yaml --width 8 --picture best.svg
    """
    if name is None:
        if as_json:
            output.write_json(list_document(), destination)
        else:
            output.write(listing(Page.at(destination)), destination)
        return 0
    if name not in EXPERIMENTS:
        raise click.UsageError(f"there is no experiment {name!r}; there are {', '.join(EXPERIMENTS)}")
    experiment = EXPERIMENTS[name]
    knobs = knobs_of(experiment, given)
    not_onto_an_input(destination, schema)
    if picture is not None:
        plots.format_of(picture)  # a wrong name is said before the work, not after it
    mission, is_shipped = mission_of(schema)
    crews.check_options(workers, cluster)
    chosen = experiment.seed if seed is None else seed
    with crews.crew_of(workers, cluster, watched) as crew:
        request = Request(mission, frame_of(mission, frame), chosen, knobs, crew)
        made = experiment.run(request)
    if as_json:
        output.write_json(document(experiment, made, request, is_shipped), destination)
    else:
        output.write(text(experiment, made, crew, request.seed, Page.at(destination)), destination)
    if not crew.interrupted:
        draw(picture, destination, lambda form: chart.drawn(made.chart, form), schema or STANDARD_INPUT)
    return INTERRUPTED if crew.interrupted else 0
