"""Pieces of work, done here or by several processes, in an order that nobody sees; stoppable.

A piece is a function of a module and its arguments. Where what is left would take longer than it takes to start processes, processes do
it. An interrupt keeps what is done. What would surprise a reader: a process that ends in the middle of a piece, killed or out of memory,
takes nothing along but its piece, which is done again by another; so a piece must be one that can be done twice.
"""

from __future__ import annotations

import os
import signal
from collections import Counter as Counts
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, wait
from contextlib import AbstractContextManager, closing, contextmanager, nullcontext
from dataclasses import dataclass, field
from threading import current_thread, main_thread
from time import monotonic
from typing import TYPE_CHECKING, Any, Generic, Protocol, TypeVar

from packetkit.errors import InputError

if TYPE_CHECKING:
    from concurrent.futures import ProcessPoolExecutor

T = TypeVar("T")

# Starting processes and their numpy takes about a second; below twice that they do not pay.
WORTH_PROCESSES_S = 2.0

# A piece during which processes end so often does not fit this machine; one may be killed by chance, and the next by the same cause.
MOST_LOSSES = 3

# In the processes of a crew, one event: set once nobody waits for their pieces any more.
_ENDED: list[Any] = []


class Counter(Protocol):
    """What shows how far the work is."""

    def advance(self, count: int = 1) -> None: ...


class _Silent:
    def advance(self, count: int = 1) -> None:
        """Nobody watches."""


def unwatched(_: int) -> AbstractContextManager[Counter]:
    """Return a counter that shows nothing."""
    return nullcontext(_Silent())


def _begin_work(ended: Any) -> None:
    """Leave interrupts to the parent, and numpy's own threads out: the processes are as many as there are processors."""
    _ENDED.append(ended)
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.environ.update(dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1"))


def is_wanted() -> bool:
    """Return whether anybody waits for the piece at hand; a long piece asks now and then, and ends early where nobody does."""
    return not any(ended.is_set() for ended in _ENDED)


@dataclass
class Crew:
    """Who works: `workers` processes at most, or an executor that was handed in. watch: makes the counter for so many pieces.

    interrupted: True once an interrupt came; from then on nothing more is begun.
    """

    workers: int = 1
    watch: Callable[[int], AbstractContextManager[Counter]] = unwatched
    executor: Executor | None = None
    interrupted: bool = field(default=False, init=False)

    def pays(self, left_s: float) -> bool:
        """Return whether others shall do work that would take so long here."""
        return self.executor is not None or (self.workers > 1 and left_s > WORTH_PROCESSES_S)

    def map(self, function: Callable[..., T], pieces: Sequence[tuple[Any, ...]]) -> list[T | None]:
        """Return what the function makes of each piece's arguments, in their order; None where it was interrupted.

        The first is done here and timed.
        """
        done: list[T | None] = [None] * len(pieces)
        try:
            with self.watch(len(pieces)) as counter:
                at = 0
                begin = monotonic()
                while at < len(pieces) and not self.interrupted:
                    if self.pays((monotonic() - begin) / at * (len(pieces) - at) if at else 0.0):
                        for place, made in _Pieces(self, function, pieces, at).done():
                            done[place] = made
                            counter.advance()
                        break
                    done[at] = function(*pieces[at])
                    at += 1
                    counter.advance()
        except KeyboardInterrupt:
            self.interrupted = True
        return done

    def in_order(
        self, function: Callable[..., T], pieces: Sequence[tuple[Any, ...]]
    ) -> Generator[T, None, None]:
        """Yield what others make of each piece, in their order. Closed before its end it leaves the rest undone."""
        begun = _Pieces(self, function, pieces, 0, 4 * self.workers)
        done, early = begun.done(), dict[int, T]()
        with closing(done):
            for place, made in done:
                early[place] = made
                while begun.taken in early:
                    begun.taken += 1
                    yield early.pop(begun.taken - 1)


class _Pieces(Generic[T]):
    """Pieces from `first` on, on their way through a crew's workers, a few of them waiting so that nobody idles.

    ahead: at most so many beyond `taken`, up to which somebody took them, are begun; None: any number.
    """

    def __init__(
        self,
        crew: Crew,
        function: Callable[..., T],
        pieces: Sequence[tuple[Any, ...]],
        first: int,
        ahead: int | None = None,
    ) -> None:
        self._crew, self._function, self._pieces, self._ahead = crew, function, pieces, ahead
        self.taken = self._next = first
        self._waiting: dict[Future[T], int] = {}
        self._again: list[int] = []
        self._losses: Counts[int] = Counts()
        self._executor: Executor | None = crew.executor
        self._ended: Any = None

    def done(self) -> Generator[tuple[int, T], None, None]:
        """Yield the place of each piece and what was made of it, as they are done. Raises InputError for one that ends processes."""
        try:
            while self._waiting or self._again or self._next < len(self._pieces):
                yield from self._some()
        finally:
            for future in self._waiting:
                future.cancel()
            self._end()

    def _some(self) -> list[tuple[int, T]]:
        """Wait until pieces are done and return them; none where a process ended."""
        made: list[tuple[int, T]] = []
        try:
            self._begin_more()
            for future in wait(self._waiting, return_when=FIRST_COMPLETED).done:
                result = future.result()
                made.append((self._waiting.pop(future), result))
        except BrokenExecutor:
            if self._crew.executor is not None:
                raise
            self._lose()
        return made

    def _begin_more(self) -> None:
        """Have twice as many pieces waiting as there are workers."""
        with _interrupts_held():  # a process that is interrupted while it starts would break the others
            while self._again:
                self._begin(self._again[0])
                del self._again[0]
            while self._next < len(self._pieces) and len(self._waiting) < 2 * self._crew.workers:
                if self._ahead is not None and self._next >= self.taken + self._ahead:
                    return
                self._begin(self._next)
                self._next += 1

    def _begin(self, place: int) -> None:
        if self._executor is None:
            self._executor, self._ended = _processes(self._crew.workers)
        self._waiting[self._executor.submit(self._function, *self._pieces[place])] = place

    def _lose(self) -> None:
        """Take it that a process ended: its pool ends with it, and what was on its way is to be done again."""
        kept = {future: place for future, place in self._waiting.items() if _is_made(future)}
        lost = sorted({*self._again, *self._waiting.values()} - set(kept.values()))
        self._waiting, self._again = kept, lost
        self._end()
        self._executor = None
        self._losses.update(lost[: self._crew.workers])  # the others had not begun
        if any(self._losses[place] >= MOST_LOSSES for place in lost):
            raise InputError(
                f"processes ended {MOST_LOSSES} times before a piece of work was done: were they killed, or is the memory too small? "
                "--workers 1 does all of it in this one"
            )

    def _end(self) -> None:
        """End the processes that were begun here."""
        if self._crew.executor is None and self._executor is not None:
            self._ended.set()
            self._executor.shutdown(wait=True, cancel_futures=True)


def _is_made(future: Future[Any]) -> bool:
    """Whether there is what a piece gives."""
    return future.done() and not future.cancelled() and future.exception() is None


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


def _processes(count: int) -> tuple[ProcessPoolExecutor, Any]:
    """Fresh processes, as a forked one would inherit threads of numpy's in an unknown state; and what tells them that they may end."""
    from concurrent.futures import ProcessPoolExecutor
    from multiprocessing import get_context

    context = get_context("spawn")
    ended = context.Event()
    return ProcessPoolExecutor(count, context, _begin_work, (ended,)), ended
