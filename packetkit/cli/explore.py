"""`packetkit explore`: one page, in one file, to try a mission's frames by hand."""

from __future__ import annotations

import click

from packetkit.cli import output
from packetkit.files import not_onto_an_input, read_schema, shown_name
from packetkit.mission import explorer
from packetkit.mission.dossier import Dossier
from packetkit.mission.load import parse
from packetkit.resources import resource
from packetkit.targets import page
from packetkit.targets.page.words import LANGUAGES


@click.command("explore")
@click.argument("schema", metavar="SCHEMA")
@click.option(
    "--language",
    type=click.Choice(list(LANGUAGES)),
    default="en",
    show_default=True,
    help="The words to begin with.",
)
@output.output_option
def command(schema: str, language: str, destination: str) -> None:
    """Write a page to try a mission's frames by hand.

    One HTML file that needs no network and opens from a memory stick: type values and see bits, bytes and rounding; paste bytes; turn bits
    over and see which checks notice; damage a frame a thousand times; change a step or the radio's setting, see what a pass then brings,
    and save the schema; a CRC as long division; what a lost byte takes along. English and German.

    \b
    packetkit explore heron.yaml -o heron.html
    """
    not_onto_an_input(destination, schema)
    data = read_schema(schema)
    mission = parse(data, shown_name(schema))
    dossier = Dossier(
        mission.name, mission.fingerprint, "", "", mission.outside, description=mission.description
    )
    facts = explorer.facts(mission, data.decode("utf-8-sig"))
    sources = {name: resource(f"targets/page/{name}").read_text(encoding="utf-8") for name in page.SOURCES}
    written = page.text(mission.layouts, dossier, facts, sources, language)
    output.write(written, destination)
