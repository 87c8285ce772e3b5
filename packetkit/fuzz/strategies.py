"""Strategies for hypothesis: records of a frame, damaged frames, whole missions. What fails shrinks to something small.

One generator serves both worlds (packetkit.conformance.draw, packetkit.fuzz.schemas); here its questions are answered by hypothesis,
whose plainest answer is the first option or the number nearest to zero.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from hypothesis import strategies
from hypothesis.strategies import DrawFn, SearchStrategy

from packetkit.codec.frame import Frame
from packetkit.conformance import draw as drawing
from packetkit.conformance import faults
from packetkit.errors import SchemaError
from packetkit.fuzz import schemas
from packetkit.layout.model import Layout
from packetkit.mission.load import Mission, parse

T = TypeVar("T")


class Asked:
    """A source of choices that asks hypothesis for each: it knows what to make smaller when a test fails."""

    def __init__(self, draw: DrawFn) -> None:
        self._draw = draw

    def randint(self, low: int, high: int, /) -> int:
        """A whole number from low to high, both included."""
        return self._draw(strategies.integers(low, high)) if low < high else low

    def choice(self, options: Sequence[T], /) -> T:
        """One of the options."""
        return options[self.randint(0, len(options) - 1)]


def records(frame: Frame | Layout, *, most: int = drawing.MOST_ELEMENTS) -> SearchStrategy[dict[str, Any]]:
    """Return a strategy of records that a frame takes: valid values of every kind in every form, edges often.

    None, reasons and NaN where missing is declared, raw codes, numbers between two codes, parts that are there or not, lists from
    no element to their maximum. most: elements of a list that has no fixed length and no maximum that is drawn.
    """
    layout = frame if isinstance(frame, Layout) else frame.layout
    return strategies.composite(lambda draw: drawing.record(layout, Asked(draw), most=most))()


def damaged(
    frame: Frame, encode: Callable[[Mapping[str, Any]], bytes] | None = None
) -> SearchStrategy[tuple[bytes, faults.Damage]]:
    """Return a strategy of a good frame with the same frame damaged: bits flipped, in a burst, octets dropped, doubled, cut off.

    encode: another encoder than the frame's own.
    """
    made = frame.encode if encode is None else encode

    def pair(draw: DrawFn) -> tuple[bytes, faults.Damage]:
        data = draw(records(frame).map(made).filter(bool))
        return data, faults.inject(data, Asked(draw))

    return strategies.composite(pair)()


def missions() -> SearchStrategy[Mission]:
    """Return a strategy of missions whose schema is drawn as text and loaded; `Mission.declared` says what it was."""

    def mission(draw: DrawFn) -> Mission | None:
        try:
            return parse(schemas.schema(Asked(draw)).text)
        except SchemaError:
            return None

    def is_one(found: Mission | None) -> bool:
        return found is not None

    made: SearchStrategy[Mission] = strategies.composite(mission)().filter(is_one)  # type: ignore[assignment]  # the filter drops None
    return made
