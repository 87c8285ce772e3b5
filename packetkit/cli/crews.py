"""`--workers` and `--cluster`, for commands whose work others can do: processes of this machine, or workers of a Dask cluster."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import click

from packetkit.cli import output
from packetkit.cli.output import Callback
from packetkit.work.crew import Counter, Crew, unwatched

OPTIONS = ("--workers", "--cluster")

Watch = Callable[[int], AbstractContextManager[Counter]]


def options(callback: Callback) -> Callback:
    """Add both; the callback gets `workers` and `cluster`, each None where it is not given."""
    callback = click.option(
        "--cluster",
        metavar="ADDRESS",
        help="Let the workers of a Dask scheduler do it: tcp://host:8786 (extra `cluster`).",
    )(callback)
    return click.option(
        "--workers",
        type=output.Whole(1, 256),
        metavar="N",
        help="Processes at most.  [default: one for each processor]",
    )(callback)


def check_options(workers: int | None, cluster: str | None) -> None:
    """Raise UsageError where both are given."""
    if cluster is not None and workers is not None:
        raise click.UsageError("--workers counts processes here, and --cluster has its own: give one of them")


@contextmanager
def crew_of(workers: int | None, cluster: str | None, watch: Watch = unwatched) -> Iterator[Crew]:
    """Yield the processes of this machine, or the workers of a cluster. Raises InputError for a cluster that is not there."""
    if cluster is None:
        yield Crew(workers or os.cpu_count() or 1, watch)
        return
    from packetkit.work.cluster import workers_of

    with workers_of(cluster) as (executor, threads):
        yield Crew(threads, watch, executor)
