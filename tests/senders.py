"""Generated main loops as their users leave them: the reader of their frames goes away, or they are interrupted."""

from __future__ import annotations

import os
import signal
import subprocess
from collections.abc import Sequence


def left(command: Sequence[str], how: str) -> tuple[int, str]:
    """Return the exit status and the log of a sender that sent a frame and was then left.

    how: `closed`, its output is; else it is interrupted.
    """
    # A sender finds what it imports beside itself, as it does for its users.
    env = {key: value for key, value in os.environ.items() if key != "PYTHONSAFEPATH"}
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env
    ) as sender:
        assert sender.stdout is not None and sender.stderr is not None
        try:
            assert sender.stdout.readline()
            if how == "closed":
                sender.stdout.close()
            else:
                sender.send_signal(signal.SIGINT)
            log = sender.stderr.read()
            return sender.wait(timeout=30), log
        finally:
            sender.kill()
