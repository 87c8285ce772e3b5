"""Pieces of work, done here or by several processes, in an order that nobody sees; stoppable.

A piece is a function of a module and its arguments. The first is done here and timed: where the rest would take longer than it takes
to start processes, processes do it. An interrupt keeps what is done; what is not done is None.
"""

from __future__ import annotations

import os
import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field
from itertools import islice
from threading import current_thread, main_thread
from time import monotonic
from typing import Any, Protocol, TypeVar

T = TypeVar("T")

# Starting processes and their numpy takes about a second; below twice that they do not pay.
WORTH_PROCESSES_S = 2.0


class Counter(Protocol):
    """What shows how far the work is."""

    def advance(self, count: int = 1) -> None: ...


class _Silent:
    def advance(self, count: int = 1) -> None:
        """Nobody watches."""


def _unwatched(_: int) -> AbstractContextManager[Counter]:
    return nullcontext(_Silent())


def _begin_work() -> None:
    """Leave interrupts to the parent, and numpy's own threads out: the processes are as many as there are processors."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1"))


@dataclass
class Crew:
    """Who works: `workers` processes at most, or an executor that was handed in. watch: makes the counter for so many pieces.

    interrupted: True once an interrupt came; from then on nothing more is begun.
    """

    workers: int = 1
    watch: Callable[[int], AbstractContextManager[Counter]] = _unwatched
    executor: Executor | None = None
    interrupted: bool = field(default=False, init=False)

    def map(self, function: Callable[..., T], pieces: Sequence[tuple[Any, ...]]) -> list[T | None]:
        """Return what the function makes of each piece's arguments, in their order; None where it was interrupted."""
        done: list[T | None] = [None] * len(pieces)
        try:
            with self.watch(len(pieces)) as counter:
                at = 0
                begin = monotonic()
                while at < len(pieces) and not self.interrupted:
                    left_s = (monotonic() - begin) / at * (len(pieces) - at) if at else 0.0
                    if self.executor is not None or (self.workers > 1 and left_s > WORTH_PROCESSES_S):
                        self._together(function, pieces, done, at, counter)
                        break
                    done[at] = function(*pieces[at])
                    at += 1
                    counter.advance()
        except KeyboardInterrupt:
            self.interrupted = True
        return done

    def _together(
        self,
        function: Callable[..., T],
        pieces: Sequence[tuple[Any, ...]],
        done: list[T | None],
        first: int,
        counter: Counter,
    ) -> None:
        """Do the pieces from `first` on with several workers, a few of them waiting so that nobody idles."""
        executor = self.executor or _processes(self.workers)
        waiting: dict[Future[T], int] = {}
        following = iter(range(first, len(pieces)))
        try:
            with _interrupts_held():  # a process that is interrupted while it starts would break the others
                for at in islice(following, 2 * self.workers):
                    waiting[executor.submit(function, *pieces[at])] = at
            while waiting:
                for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                    done[waiting.pop(future)] = future.result()
                    counter.advance()
                    for at in islice(following, 1):
                        waiting[executor.submit(function, *pieces[at])] = at
        finally:
            for future in waiting:
                future.cancel()
            if self.executor is None:
                executor.shutdown(wait=True, cancel_futures=True)


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Ignore interrupts for a moment; processes that start meanwhile ignore them for good."""
    if (
        current_thread() is not main_thread()
    ):  # only the main thread may say what signals do, and only it gets them
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


def _processes(count: int) -> ProcessPoolExecutor:
    """Fresh processes: a forked one would inherit threads of numpy's in an unknown state."""
    from multiprocessing import get_context

    return ProcessPoolExecutor(count, get_context("spawn"), initializer=_begin_work)
