"""`packetkit check --algorithms`: the catalogue of checks that a schema can name, as text."""

from __future__ import annotations

from packetkit.cli.page import Page
from packetkit.integrity.algorithm import Algorithm
from packetkit.integrity.catalog import ALGORITHMS

NAME_COLUMNS = 32


def entry(algorithm: Algorithm, source: int, page: Page) -> str:
    """Return one check: name, width, check value and source, then its parameters as a schema writes them."""
    value = algorithm.hexadecimal(algorithm.check)
    head = f"{algorithm.name:<{NAME_COLUMNS}} {algorithm.width:>2} bits  check value {value}  [{source}]"
    parameters = ", ".join(f"{name} {text}" for name, text in algorithm.parameters()[1:])
    text = page.wrapped(head, "    ", "") + page.wrapped(parameters, "    ")
    if algorithm.aliases:
        text += page.wrapped(f"also called {', '.join(algorithm.aliases)}", "    ")
    return text


def text(page: Page) -> str:
    """Return the whole catalogue, its sources numbered and listed at the end."""
    sources: dict[str, int] = {}
    entries = []
    for algorithm in ALGORITHMS.values():
        source = algorithm.source.partition("; crc.cat.")[0]
        entries.append(entry(algorithm, sources.setdefault(source, len(sources) + 1), page))
    head = page.wrapped(
        f"{len(entries)} checks; a schema names one in any case, or writes a CRC with its six parameters. The check value is "
        "that of the nine characters 123456789. Polynomial, initial value and final xor are written unreflected."
    )
    listed = "".join(page.wrapped(source, "      ", f"{f'[{n}]':>5} ") for source, n in sources.items())
    return f"{head}\n{''.join(entries)}\nSources\n{listed}"
