"""Help pages in sections: a command with many options says them by what they are about, and lists below what their words mean."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import click


class Section(NamedTuple):
    """Part of a help page: its title, and the options in it as they are typed; or rows of words and what they mean."""

    title: str
    options: tuple[str, ...] = ()
    rows: tuple[tuple[str, str], ...] = ()


class Sectioned(click.Command):
    """A command whose help page has sections. Options that none of them names come last, under the usual title."""

    def __init__(self, *given: Any, sections: Sequence[Section], **named: Any) -> None:
        super().__init__(*given, **named)
        self._sections = sections

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        records = {
            option: record
            for one in self.get_params(ctx)
            if (record := one.get_help_record(ctx)) is not None
            for option in one.opts
        }
        told = {option for section in self._sections for option in section.options}
        for section in self._sections:
            with formatter.section(section.title):
                formatter.write_dl([*(records[option] for option in section.options), *section.rows])
        rest = dict.fromkeys(
            record
            for one in self.get_params(ctx)
            if isinstance(one, click.Option)
            and told.isdisjoint(one.opts)
            and (record := one.get_help_record(ctx)) is not None
        )
        with formatter.section("Options"):
            formatter.write_dl([*rest])
