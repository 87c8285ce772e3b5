"""Codecs in processes of their own, asked at the same time: a batch is put to all of them, and their answers are read as they come."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import contextmanager
from typing import Any

Ask = Callable[[Sequence[Any]], list[Any]]
Waiting = Mapping[str, "Future[list[Any]]"]
# Puts questions to all, and returns what is to come of each. Each is asked one batch after another: read the last one first.
Put = Callable[[Sequence[Any]], Waiting]


@contextmanager
def at_once(asks: Mapping[str, Ask]) -> Iterator[Put]:
    """Yield what puts questions to all of these at once, a thread each, as a thread that waits for a process leaves the others theirs.

    Nobody is waited for at the end: one who does not answer is ended with its process.
    """
    pool = ThreadPoolExecutor(max(1, len(asks)), thread_name_prefix="asking")
    try:
        yield lambda questions: {name: pool.submit(ask, questions) for name, ask in asks.items()}
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


def answered(waiting: Waiting) -> dict[str, list[Any]]:
    """Return the answers of all, once all have answered. Raises what one of them raised."""
    wait(waiting.values())
    return {name: one.result() for name, one in waiting.items()}
