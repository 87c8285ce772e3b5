"""Machines of a cluster as workers: pieces go to the workers of a Dask scheduler, which have packetkit installed too.

The library is distributed (extra `cluster`). Which machine does a piece changes nothing in what it gives; a worker that ends in the middle
of one loses nothing, as the scheduler gives its pieces to the others.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from concurrent.futures import CancelledError, Executor
from contextlib import contextmanager
from typing import Any

from packetkit import __version__
from packetkit.errors import InputError

TIMEOUT_S = 10


@contextmanager
def workers_of(address: str) -> Iterator[tuple[Executor, int]]:
    """Yield an executor on the scheduler at an address, and how many pieces its workers do at once.

    Raises InputError without the extra, where no scheduler answers or ends meanwhile, where it has no worker, where a worker has another
    packetkit or none, and where a piece ended several workers one after another.
    """
    try:
        from distributed import Client
        from distributed.comm.core import CommClosedError
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise InputError("--cluster needs the extra `cluster`: pip install 'packetkit[cluster]'") from None
    try:
        client = Client(address, timeout=TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise InputError(
            f"--cluster {address}: no scheduler answers within {TIMEOUT_S} s ({str(error)[:100]}); start one with `dask scheduler`"
        ) from None
    with _quiet(), client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise InputError(
                f"--cluster {address}: the scheduler has no worker; start one with `dask worker {address}`"
            )
        try:
            _same_packetkit(client, address)
            yield client.get_executor(), threads
        except KilledWorker as error:
            raise InputError(
                f"--cluster {address}: workers ended again and again over one piece of work, the last one at {error.last_worker.address}: "
                "were they killed, or is their memory too small?"
            ) from None
        except (CancelledError, CommClosedError):
            raise InputError(
                f"--cluster {address}: the scheduler is gone, and with it what was not done yet"
            ) from None


def _same_packetkit(client: Any, address: str) -> None:
    """Raise InputError where a worker has another packetkit than this machine: its results might be others."""
    try:
        found: dict[str, str] = client.run(version_here)
    except ImportError:
        raise InputError(
            f"--cluster {address}: a worker has no packetkit; install {__version__} on every machine"
        ) from None
    others = {where: version for where, version in found.items() if version != __version__}
    if others:
        where, version = next(iter(others.items()))
        raise InputError(
            f"--cluster {address}: the worker at {where} has packetkit {version}, and here is {__version__}; install one on all"
        )


def version_here() -> str:
    """Return the version of packetkit where this runs."""
    return __version__


@contextmanager
def _quiet() -> Iterator[None]:
    """What the library logs of connections that break is said once, as an error."""
    before = logging.root.manager.disable
    logging.disable(logging.CRITICAL)  # its loggers have levels of their own
    try:
        yield
    finally:
        logging.disable(before)
