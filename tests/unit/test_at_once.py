"""Codecs that are asked at the same time: each works while the others do, and what one raises is raised."""

from __future__ import annotations

from collections.abc import Sequence
from threading import Barrier, Event

import pytest

from packetkit.errors import TargetError
from packetkit.fuzz.at_once import answered, at_once


def test_all_work_on_a_batch_at_the_same_time() -> None:
    meeting = Barrier(3, timeout=30)  # broken where one is asked only after another has answered

    def ask(questions: Sequence[int]) -> list[int]:
        meeting.wait()
        return [one + 1 for one in questions]

    with at_once(dict.fromkeys("abc", ask)) as put:
        for batch in ([1, 2], [3], []):
            assert answered(put(batch)) == {name: [one + 1 for one in batch] for name in "abc"}


def test_what_one_raises_is_raised_once_all_have_answered() -> None:
    asked: list[int] = []

    def gone(questions: Sequence[int]) -> list[int]:
        raise TargetError("gone")

    def ask(questions: Sequence[int]) -> list[int]:
        asked.extend(questions)
        return list(questions)

    with at_once({"gone": gone, "there": ask}) as put, pytest.raises(TargetError, match="gone"):
        answered(put([7]))
    assert asked == [7]


def test_nobody_is_waited_for_at_the_end() -> None:
    answer = Event()

    def silent(questions: Sequence[int]) -> list[int]:
        answer.wait(30)
        return []

    with at_once({"silent": silent}) as put:
        waiting = put([1])
    assert not waiting["silent"].done()
    answer.set()
