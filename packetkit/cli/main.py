"""The program `packetkit`: the table of commands, and the one place where an exception becomes a message and
an exit status.

Adding a command takes two steps, once the verb is whole:

1. `packetkit/cli/<verb>.py` exposes `command`, a `click.Command` named after the verb. Its callback prints
   its result with `packetkit.cli.output`, reads with `packetkit.files`, and returns None or 0 when all is
   good and 1 for findings. It raises for misuse (`click.UsageError`, `InputError`, `SchemaError`, any
   `PacketkitError`): this module words it and returns 2.
2. `COMMANDS` gets one row: verb, help line, group of the `--help` page. The row is all that `--help` reads;
   the module is imported only when its verb is called. Heavy libraries (numpy, hypothesis, construct,
   ruamel.yaml) are therefore free to be imported at the top of a command's module, but not here and not in
   `packetkit/__init__.py`.

Exit status: 0 good; 1 findings; 2 misuse; 130 interrupted; a closed pipe ends quietly with 0.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Sequence
from typing import NamedTuple

import click

from packetkit.cli import output
from packetkit.errors import PacketkitError, SchemaError

GOOD, FINDINGS, MISUSE, INTERRUPTED = 0, 1, 2, 130

# Libraries that a whole installation has, and one file on a memory stick leaves out.
NEEDED = dict.fromkeys(("numpy", "hypothesis"), "install packetkit with pip to have it")

FRAME = "Your frame"
DATA = "Frames and captures"
RADIO = "The radio link"
PROOF = "Proof and code"
LEARN = "First steps and lessons"
GROUPS = (LEARN, FRAME, DATA, RADIO, PROOF)


class Row(NamedTuple):
    """One verb, the line that `--help` prints, its group there. The module is packetkit/cli/<verb>.py."""

    verb: str
    help: str
    group: str


# In the order of the help page. A row appears when its verb is whole.
COMMANDS: tuple[Row, ...] = (
    Row("demo", "Run the main job on a shipped, invented mission, step by step.", LEARN),
    Row("lab", "Try what a frame, its check and its setting do: experiments for a lesson.", LEARN),
    Row("worksheet", "Write worksheets with a key for a class, from its own schema.", LEARN),
    Row("mark", "Mark a class's answers and name the slips, or look at teams' schemas.", LEARN),
    Row("day", "Write the plan of a class's day, from loose modules to a decoded downlink.", LEARN),
    Row("start", "Write a first schema from a list of measures and a byte limit.", LEARN),
    Row("explore", "Write a page, in one file, to try a mission's frames by hand.", LEARN),
    Row("stick", "Write packetkit as one file that runs from a memory stick.", LEARN),
    Row("check", "Validate schemas, draw their frames and say what they cost.", FRAME),
    Row("encode", "Encode records from CSV, JSON lines or the command line as frames.", DATA),
    Row("decode", "Decode captured frames and account for every byte.", DATA),
    Row("merge", "Merge what several receivers heard of one downlink into one capture.", DATA),
    Row("reconcile", "Hold a memory card's file against what the radio brought.", DATA),
    Row("bytes", "Show what each bit of a frame means, and how two frames differ.", DATA),
    Row("diagnose", "Find out why a capture does not decode.", DATA),
    Row("identify", "Find out which check a few good frames carry.", DATA),
    Row("simulate", "Make a plausible capture of a mission, with the truth beside it.", DATA),
    Row("link", "Show the margin of the link, term by term, and the frames it loses.", RADIO),
    Row("passes", "Show when the ground can listen, from where, and what the link makes of it.", RADIO),
    Row("budget", "Count the frames, bytes and useful bits that a pass brings.", RADIO),
    Row("plan", "Find the setting that brings most home, what binds it, what to change.", RADIO),
    Row("settings", "List what flight and ground must share, or explain how two ends differ.", RADIO),
    Row("airtime", "Work out time on air step by step, and what fits a time limit.", RADIO),
    Row("fuzz", "Prove the round trip with random records and bytes, three codecs judging.", PROOF),
    Row("vectors", "Write the test vectors of a schema, or hold a schema to some.", PROOF),
    Row("generate", "Write code for unit and ground, or tests, from a schema.", PROOF),
)


class Program(click.Group):
    """The top command: finds a verb's module by its row and imports it only then."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [row.verb for row in COMMANDS]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        from importlib import import_module

        command = import_module(f"packetkit.cli.{cmd_name}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for group in GROUPS:
            rows = [(row.verb, row.help) for row in COMMANDS if row.group == group]
            if rows:
                with formatter.section(group):
                    formatter.write_dl(rows)


def print_version(ctx: click.Context, _: click.Parameter, wanted: bool) -> None:
    """Print the versions a fault report needs, then end."""
    if wanted and not ctx.resilient_parsing:
        from packetkit.cli.version import version_text

        output.write(version_text())
        ctx.exit()


@click.group(
    cls=Program,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Each command has its own help: packetkit COMMAND --help",
)
@click.option(
    "--version",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=print_version,
    help="Show versions and check engines.",
)
def program() -> None:
    """One schema file gives a small downlink its frames, their code, their air time and the proof."""


def report(error: BaseException, verb: str) -> int:
    """Return the exit status for the exception that ended a command, having said what the user can do."""
    if isinstance(error, (KeyboardInterrupt, click.Abort)):
        output.say(f"{verb}: interrupted")
        return INTERRUPTED
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        output.say(error.format_message())
    elif isinstance(error, click.UsageError):
        lines = [error.ctx.get_usage()] if error.ctx else []
        message = error.format_message()
        if isinstance(error, click.MissingParameter):
            message = f"{' '.join(message.split()).rstrip('.')}."  # click lists choices one a line, and ends without a stop
        output.say("\n".join([*lines, f"{verb}: {message}{usage_remedy(error)}"]))
    elif isinstance(error, SchemaError):
        output.say(str(error))  # each problem begins with its own file, line and column
    elif isinstance(error, click.ClickException):
        output.say(f"{verb}: {error.format_message()}")
    elif isinstance(error, PacketkitError):
        output.say(f"{verb}: {error}")
    elif isinstance(error, ModuleNotFoundError) and error.name in NEEDED:
        output.say(f"{verb}: this needs {error.name}, which is not here; {NEEDED[error.name]}")
    elif isinstance(error, OSError):
        output.say(f"{verb}: {os_error_text(error)}")
    elif isinstance(error, MemoryError):
        output.say(f"{verb}: the memory of this machine does not suffice; give a smaller input")
    elif isinstance(error, RecursionError):
        output.say(f"{verb}: the input is nested too deeply")
    else:
        output.say(f"{verb}: {fault_text(error)}")
    return MISUSE


def usage_remedy(error: click.UsageError) -> str:
    """Return what helps after a wrong command line: the near verb, or all that the command needs; empty where nothing does."""
    context = error.ctx
    if context is None:
        return ""
    if isinstance(error, click.MissingParameter):
        needed = [
            one.opts[0] for one in context.command.params if one.required and isinstance(one, click.Option)
        ]
        all_of_them = f" It needs {' and '.join(needed)};" if needed else ""
        return f"{all_of_them} `{context.command_path} --help` has examples."
    if isinstance(context.command, Program) and not isinstance(error, click.NoSuchOption):
        from difflib import get_close_matches

        asked = error.format_message().partition("'")[2].partition("'")[0]  # click keeps it nowhere else
        near = get_close_matches(asked, context.command.list_commands(context), 1)
        return (
            f" Did you mean {near[0]}?" if near else f" `{context.command_path} --help` says what there is."
        )
    return ""


def os_error_text(error: OSError) -> str:
    """Return `file: reason` for what the system refused."""
    from packetkit.files import WRITING

    reason = error.strerror or str(error) or type(error).__name__
    name = "standard output" if error.filename is None and error.errno in WRITING else error.filename
    return reason if name is None else f"{name}: {reason}"


def fault_text(error: BaseException) -> str:
    """Return one line for a fault of packetkit itself: what, and the place that a report should name."""
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    code = trace.tb_frame.f_code if trace is not None else None
    place = f" at {os.path.basename(code.co_filename)}:{trace.tb_lineno}" if code and trace else ""
    first = (str(error).splitlines() or [""])[0]
    return (
        f"a fault in packetkit, not in your input: {type(error).__name__}: {first}{place}. "
        "Please report it; PACKETKIT_TRACEBACK=1 shows the whole trace."
    )


def is_closed_pipe(error: BaseException) -> bool:
    """Return whether the reader of our output went away; Windows says so with EINVAL and no file name."""
    if isinstance(error, BrokenPipeError):
        return True
    return (
        os.name == "nt"
        and isinstance(error, OSError)
        and error.errno == errno.EINVAL
        and error.filename is None
    )


def run(arguments: Sequence[str]) -> int:
    """Return the exit status of one command whose output is all pushed out; exceptions pass through."""
    # Not program.main(): it turns every EOFError, so a ShortFrame too, into "aborted".
    try:
        with program.make_context("packetkit", list(arguments)) as context:
            status = program.invoke(context)
    except click.exceptions.Exit as end:
        status = end.exit_code
    output.flush()
    return status if isinstance(status, int) else GOOD


def main(arguments: Sequence[str] | None = None) -> int:
    """Return the exit status of the program for these arguments (default: the process's own)."""
    output.prepare_streams()
    if "_PACKETKIT_COMPLETE" in os.environ:  # click's own protocol for shell completion
        program.main(prog_name="packetkit")
    given = sys.argv[1:] if arguments is None else list(arguments)
    verb = f"packetkit {given[0]}" if given and given[0] in {row.verb for row in COMMANDS} else "packetkit"
    try:
        return run(given)
    except SystemExit:
        raise
    except BaseException as error:  # the last line of defence: no user sees a traceback
        if os.environ.get("PACKETKIT_TRACEBACK"):
            raise
        status = GOOD if is_closed_pipe(error) else report(error, verb)
        try:
            output.flush()  # what was written before the error still counts
        except OSError:
            output.abandon_stdout()
        return status
