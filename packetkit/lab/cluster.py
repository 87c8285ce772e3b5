"""Machines of a cluster as workers: pieces go to the workers of a Dask scheduler, which have packetkit installed too.

The library is distributed (extra `cluster`). Which machine does a piece changes nothing: each draws from its own stream of the seed.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager

from packetkit.lab.experiment import LabError

TIMEOUT_S = 10


@contextmanager
def workers_of(address: str) -> Iterator[tuple[Executor, int]]:
    """Yield an executor on the scheduler at an address, and how many pieces its workers do at once.

    Raises LabError without the extra, where no scheduler answers, or where it has no worker.
    """
    try:
        from distributed import Client
    except ImportError:
        raise LabError("--cluster needs the extra `cluster`: pip install 'packetkit[cluster]'") from None
    try:
        client = Client(address, timeout=TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise LabError(
            f"--cluster {address}: no scheduler answers within {TIMEOUT_S} s ({str(error)[:100]}); start one with `dask scheduler`"
        ) from None
    with client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise LabError(
                f"--cluster {address}: the scheduler has no worker; start one with `dask worker {address}`"
            )
        yield client.get_executor(), threads
