"""Several captures of one downlink, read for `merge` and `reconcile`: each in its own form, its good frames gathered, its account kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import click

from packetkit.captures.account import Account
from packetkit.captures.merge import Union
from packetkit.captures.packets import Strip
from packetkit.captures.stream import Good
from packetkit.cli import forms, output, sources
from packetkit.cli.found import events, watched
from packetkit.cli.sections import Section
from packetkit.cli.wanted import Wanted, frames_asked
from packetkit.errors import InputError
from packetkit.files import load, only_one_standard_input, open_input, shown_name
from packetkit.mission.load import Mission


@dataclass(frozen=True, slots=True)
class Gathered:
    """What the captures hold: files and accounts in the order given."""

    mission: Mission
    wanted: Wanted
    union: Union
    files: Sequence[str]
    read_as: Sequence[str]
    accounts: Sequence[Account]

    def duplicates(self, source: int) -> int:
        """How many frames one of them has twice."""
        return sum(kind.duplicates[source] for kind in self.union.kinds.values())

    @property
    def is_whole(self) -> bool:
        """True where no capture was cut, and no line of one damaged."""
        return all(file.is_whole for account in self.accounts for file in account.files)

    def losses(self, source: int) -> dict[str, Any]:
        """What could not be read of one of them, for `--json`."""
        (file,) = self.accounts[source].files
        return {
            "cut": None if file.read is None else file.read.cut or None,
            "lines": forms.count_document(file.read),
        }

    def losses_text(self) -> str:
        """Return the same for a person, of those that were cut or have damaged lines."""
        files = [account.files[0] for account in self.accounts]
        said = [f"{file.name}: {line}" for file in files if file.read for line in forms.loss_lines(file.read)]
        width = min(output.columns(), output.DEFAULT_COLUMNS)
        return "".join(line + "\n" for one in said for line in output.wrapped(one, width))


# Of a help page: what says how captures are read.
SECTIONS = (Section("What comes in", ("--from", "--frame", *forms.OPTIONS)), *forms.LISTED)


def options(callback: output.Callback) -> output.Callback:
    """Add `--from`, once for all captures or once for each, `--frame`, and the options of forms."""
    callback = forms.options(callback)
    callback = click.option("--frame", metavar="NAME", help="Look for this frame only.")(callback)
    return click.option(
        "--from",
        "given",
        metavar="FORM",
        multiple=True,
        type=click.Choice(["hex", "base64", "binary", *forms.FORMS]),
        help="What the captures are: a form of the list below, once for all of them, or once for each in their order. "
        "Without it, the only thing that each can be.",
    )(callback)


def asked_of(given: Mapping[str, Any]) -> Callable[[], forms.Asked]:
    """Return what makes the options of one capture's form, each with a count of its own, from those that `forms.options` adds."""
    plain = {name: value for name, value in given.items() if not name.startswith("strip_")}
    strip = Strip(given["strip_front"], given["strip_back"])
    return lambda: forms.Asked(**plain, strip=strip)


def gather(
    schema: str,
    captures: Sequence[str],
    given: Sequence[str],
    frame: str | None,
    asked: Callable[[], forms.Asked],
) -> Gathered:
    """Return what captures hold. Raises InputError for one that cannot be read, UsageError where forms and captures do not pair."""
    if len(given) not in (0, 1, len(captures)):
        raise click.UsageError(
            f"--from is given {len(given)} times: say it once, or for each of the {len(captures)} captures"
        )
    each: list[str | None] = (
        [*given] if len(given) == len(captures) else [given[0] if given else None] * len(captures)
    )
    for form in dict.fromkeys(each):
        forms.check_options(form, asked())
    only_one_standard_input(schema, *captures)
    output.say_twins(click.get_current_context().command.name or "", captures, "it counts as two of them")
    mission = load(schema)
    wanted = Wanted(mission, frames_asked(mission, frame))
    union, accounts, read_as = Union(wanted.layouts), [], []
    for capture, form in zip(captures, each, strict=True):
        with _named(shown_name(capture)), open_input(capture) as stream:
            source = sources.source_of(stream, shown_name(capture), form, wanted, sources.Reading(asked()))
            account = Account.of(wanted.layouts, "byte" if source.form is None else source.form.unit)
            account.begin(shown_name(capture), source.read_as)
            union.add(_good(wanted, source, account))
        account.note(source.asked.count)
        account.finish()
        accounts.append(account)
        read_as.append(source.read_as)
    return Gathered(mission, wanted, union, [shown_name(one) for one in captures], read_as, accounts)


@contextmanager
def _named(name: str) -> Iterator[None]:
    """Say of which capture an error is."""
    try:
        yield
    except InputError as error:
        raise error if str(error).startswith(name) else InputError(f"{name}: {error}") from error


def _good(wanted: Wanted, source: sources.Source, account: Account) -> Iterator[Good]:
    """The good frames of a capture, while all that it holds is counted."""
    with output.Progress("bytes", source.size) as progress:
        for event in events(wanted, watched(source, progress)):
            account.add(event)
            if isinstance(event, Good):
                yield event
