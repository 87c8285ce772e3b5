"""The program's first lines: `packetkit` and `python -m packetkit` start here.

Importing takes a tenth of a second and more on a slow machine. Ctrl-C in that time ends the process as the system does it, without
Python's traceback; from `packetkit.cli.main` on, an interruption is a message and exit status 130.
"""

import signal
import sys


def main() -> int:
    """Return the exit status of the program for the process's own arguments."""
    # Ignored, as for a job in the background, it stays ignored.
    mine = signal.getsignal(signal.SIGINT) is signal.default_int_handler
    if mine:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
    from packetkit.cli.main import main as run

    if mine:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if signal.getsignal(signal.SIGTERM) is signal.SIG_DFL:
        # What a command writes beside its place is taken away then, as where a person interrupts.
        signal.signal(signal.SIGTERM, _end)
    return run()


def _end(number: int, _: object) -> None:
    """End as the system would, but by way of what is open."""
    raise SystemExit(128 + number)


if __name__ == "__main__":
    sys.exit(main())
