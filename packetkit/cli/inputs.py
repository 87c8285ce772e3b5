"""The inputs of `packetkit decode`: files, pipes, devices or pasted text, each opened when it is its turn; and who decodes them."""

from __future__ import annotations

import os
import stat
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import partial

import click

from packetkit.cli import crews, device, elsewhere, flow, output, sources
from packetkit.cli.flow import Input
from packetkit.cli.sources import Source
from packetkit.cli.wanted import Asking, Wanted
from packetkit.cli.written import Target
from packetkit.errors import InputError
from packetkit.files import STANDARD_INPUT, open_input, shown_name


@dataclass(frozen=True, slots=True)
class Who:
    """Who decodes: processes at most, or a cluster's address; spool: a directory for parts of the result, which all see."""

    workers: int | None = None
    cluster: str | None = None
    spool: str | None = None


@dataclass(frozen=True, slots=True)
class Read:
    """How inputs are read. given: their form, None where it is to be found out."""

    wanted: Wanted
    asking: Asking
    given: str | None
    how: sources.Reading
    baud: int | None


def check_options(
    names: Sequence[str], follow: bool, workers: int | None, cluster: str | None, spool: str | None
) -> None:
    """Raise UsageError where options do not go with the inputs, InputError for a directory that is none."""
    crews.check_options(workers, cluster)
    if follow and len(names) > 1:
        raise click.UsageError(
            "--follow waits at one input; several are read to their ends, one after another"
        )
    if cluster is not None and (follow or not names):
        raise click.UsageError(
            f"--cluster decodes files, and {'--follow waits' if follow else '--text is none'}"
        )
    if spool is not None and not os.path.isdir(spool):
        raise InputError(f"--spool: {spool} is no directory; make it first, where every worker sees it")


def of_text(text: str, given: str | None, wanted: Wanted) -> Input:
    """Return pasted text as an input."""

    @contextmanager
    def opened() -> Iterator[Source]:
        yield sources.from_text(text, "--text", given, wanted)

    return Input("--text", opened)


def decode(names: Sequence[str], read: Read, target: Target, unit: str, who: Who) -> int:
    """Decode inputs, here and where it pays elsewhere; return the exit status."""
    sizes = [_size(name) for name in names]
    if len(names) > 1 or who.cluster is not None:
        _refuse_all(names, sizes, who)
        output.say_twins("decode", names, "its frames are counted twice")
    with ExitStack() as last:
        crew = last.enter_context(crews.crew_of(who.workers, who.cluster))
        spool = _spool(last, who) if who.spool or (len(names) > 1 and who.cluster is None) else None
        many = [
            Input(
                shown_name(name),
                partial(_opened, name, read),
                size,
                None if size is None else _job(name, size, read, spool, who),
            )
            for name, size in zip(names, sizes, strict=True)
        ]
        return flow.decode(read.wanted, many, target, unit, crew)


def _size(name: str) -> int | None:
    """The size of a regular file, None for everything else."""
    try:
        status = os.stat(name)
    except (OSError, ValueError):
        return None
    return status.st_size if name != STANDARD_INPUT and stat.S_ISREG(status.st_mode) else None


def _refuse_all(names: Sequence[str], sizes: Sequence[int | None], who: Who) -> None:
    """Raise InputError for all inputs that cannot be read, before any is; pipes and devices are opened once only."""
    problems = []
    for name, size in zip(names, sizes, strict=True):
        if name == STANDARD_INPUT or (size is None and os.path.exists(name) and not os.path.isdir(name)):
            if who.cluster is not None:
                problems.append(f"{shown_name(name)}: --cluster decodes files, and this is none")
            continue
        try:
            with open_input(name):
                pass
        except InputError as error:
            problems.append(str(error))
    if problems:
        raise InputError("\n".join(problems))


def _spool(last: ExitStack, who: Who) -> str:
    """A directory of our own for parts of the result, which is gone in the end."""
    made = tempfile.TemporaryDirectory(prefix="packetkit-", dir=who.spool, ignore_cleanup_errors=True)
    return os.path.abspath(last.enter_context(made))


def _job(name: str, size: int, read: Read, spool: str | None, who: Who) -> elsewhere.Job:
    is_far = who.cluster is not None
    path = os.path.abspath(name) if is_far else name
    return elsewhere.Job(path, shown_name(name), size, read.asking, read.given, read.how, spool, is_far)


@contextmanager
def _opened(name: str, read: Read) -> Iterator[Source]:
    """One input, read as it says."""
    with device.opened(name, follow=read.how.follow, baud=read.baud) as stream:
        how = replace(read.how, as_it_is=read.how.as_it_is or device.is_serial(name))
        count = replace(how.asked, count=type(how.asked.count)())
        yield sources.source_of(stream, shown_name(name), read.given, read.wanted, replace(how, asked=count))
