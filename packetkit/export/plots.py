"""Pictures as bytes of a PNG, SVG or PDF file: plain numbers in, nothing of missions or radios known here.

Drawn for greyscale: lines differ by dashes and width, points by shape, and every axis carries its unit. The library is matplotlib
(extra `plots`), used without a screen: figures are made as objects and written to memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any, NamedTuple

from packetkit.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

FORMATS = ("png", "svg", "pdf")
INCHES = (8.0, 4.5)
DOTS_PER_INCH = 120  # 960 x 540 dots: sharp on a slide, small in a mail
INK, PALE = "black", "0.75"  # a grey between 0 (black) and 1


def format_of(file_name: str) -> str:
    """Return the picture format that a file's name asks for. Raises InputError for any other than FORMATS."""
    _, dot, ending = file_name.rpartition(".")
    if not dot or ending.lower() not in FORMATS:
        raise InputError(f"{file_name}: a picture's name ends in {', '.join('.' + one for one in FORMATS)}")
    return ending.lower()


def _figure() -> Figure:
    try:
        from matplotlib.figure import Figure as Made
    except ImportError:
        raise InputError("pictures need the extra `plots`: pip install 'packetkit[plots]'") from None
    return Made(figsize=INCHES, layout="constrained")


def _bytes(figure: Figure, form: str) -> bytes:
    """The file. Without a date and with a fixed salt, so that the same numbers give the same bytes."""
    from matplotlib import rc_context

    target = BytesIO()
    metadata: dict[str, Any] = {"svg": {"Date": None}, "pdf": {"CreationDate": None}}.get(form, {})
    with rc_context({"svg.hashsalt": "packetkit"}):
        figure.savefig(target, format=form, dpi=DOTS_PER_INCH, metadata=metadata)
    return target.getvalue()


def _axes(figure: Figure, title: str, across: str, up: str) -> Axes:
    axes = figure.add_subplot()
    axes.set_title(title, fontsize=11)
    axes.set_xlabel(across)
    axes.set_ylabel(up)
    axes.grid(color="0.9")
    axes.spines[["top", "right"]].set_visible(False)
    return axes


def margin_over_time(
    minutes: Sequence[float],
    margins_db: Sequence[float],
    shifts_khz: Sequence[float] | None,
    title: str,
    form: str,
) -> bytes:
    """A link's margin over a pass, and the Doppler shift beside it where there is one."""
    figure = _figure()
    axes = _axes(figure, title, "minutes", "margin, dB (solid)")
    axes.plot(minutes, margins_db, color=INK, linewidth=2)
    axes.axhline(0, color=INK, linewidth=0.8, linestyle=":")
    if shifts_khz is not None:
        other = axes.twinx()
        other.plot(minutes, shifts_khz, color=INK, linewidth=1.2, linestyle="--")
        other.set_ylabel("Doppler shift, kHz (dashed)")
    return _bytes(figure, form)


def staircase(steps: Sequence[tuple[int, int, float]], at: tuple[int, float], title: str, form: str) -> bytes:
    """Time on air by payload: steps of first byte, last byte, milliseconds; `at` is the packet in question."""
    figure = _figure()
    axes = _axes(figure, title, "payload, bytes", "time on air, ms")
    for first, last, time_ms in steps:
        axes.plot([first, last + 1], [time_ms, time_ms], color=INK, linewidth=1.5, solid_capstyle="butt")
    axes.plot([at[0] + 0.5], [at[1]], marker="o", markersize=7, color=INK, markerfacecolor="white")
    axes.annotate(f"{at[0]} bytes, {at[1]:.3f} ms", at, xytext=(10, -14), textcoords="offset points")
    return _bytes(figure, form)


def frontier(
    every: Sequence[tuple[float, float]],
    front: Sequence[tuple[float, float]],
    named: Sequence[tuple[str, float, float]],
    title: str,
    form: str,
) -> bytes:
    """Cells as (least margin in dB, delivered bytes): all of them pale, the frontier as a line, the best few by name."""
    figure = _figure()
    axes = _axes(figure, title, "least margin, dB", "delivered bytes a pass")
    axes.plot(*_columns(every), linestyle="", marker=".", markersize=3, color=PALE)
    axes.plot(*_columns(sorted(front)), linestyle="", marker="s", markersize=4, color=INK)
    for words, margin, delivered in _apart(named):
        # Towards the right end the words stand to the left of their point, above the points there.
        left = margin < max(x for x, _ in every) * 0.6
        axes.annotate(
            words,
            (margin, delivered),
            xytext=(5, 6) if left else (-5, 20),
            textcoords="offset points",
            fontsize=8,
            horizontalalignment="left" if left else "right",
        )
    axes.axvline(0, color=INK, linewidth=0.8, linestyle=":")
    axes.set_ylim(bottom=0)
    return _bytes(figure, form)


def _apart(named: Sequence[tuple[str, float, float]]) -> list[tuple[str, float, float]]:
    """The labels that do not stand on an earlier one."""
    most = max((delivered for _, _, delivered in named), default=0.0)
    kept: list[tuple[str, float, float]] = []
    for words, margin, delivered in named:
        near = (abs(delivered - other) < 0.05 * most and abs(margin - at) < 3 for _, at, other in kept)
        if not any(near):
            kept.append((words, margin, delivered))
    return kept


def _columns(points: Sequence[tuple[float, float]]) -> tuple[list[float], list[float]]:
    return [x for x, _ in points], [y for _, y in points]


def day(
    passes: Sequence[tuple[float, float]],
    measured: Sequence[tuple[float, float]],
    carried: Sequence[tuple[float, float]],
    title: str,
    form: str,
) -> bytes:
    """Passes over a time as bars (start and end in hours), with bytes measured and carried home so far as lines, where known."""
    figure = _figure()
    axes = _axes(figure, title, "hours", "frame bytes so far")
    for start, end in passes:
        axes.axvspan(start, end, color=PALE, linewidth=1)  # minutes among days are seen by their outline
    if measured:
        axes.plot(*_columns(measured), color=INK, linewidth=1.2, linestyle="--", label="measured")
    if carried:
        axes.step(*_columns(carried), color=INK, linewidth=2, where="post", label="home")
        axes.legend(frameon=False, loc="upper left")
    else:
        axes.set_yticks([])
        axes.set_ylabel("passes in grey")
    return _bytes(figure, form)


class Series(NamedTuple):
    """One line of a chart. points_only: marks without a line; low and high: the ends of each point's interval, or empty."""

    name: str
    points: Sequence[tuple[float, float]]
    points_only: bool = False
    low: Sequence[float] = ()
    high: Sequence[float] = ()


DASHES = ("-", "--", "-.", ":", (0, (6, 1, 1, 1, 1, 1)))
MARKS = "osD^vPX*<>"
GREYS = (INK, "0.45")


def chart(
    title: str,
    across: str,
    up: str,
    series: Sequence[Series],
    form: str,
    *,
    steps: bool,
    log_across: bool,
    log_up: bool,
) -> bytes:
    """Lines over a quantity: told apart by dashes, marks and two greys; steps: a value holds until the next point."""
    figure = _figure()
    axes = _axes(figure, title, across, up)
    for number, one in enumerate(series):
        grey = GREYS[number // len(DASHES) % len(GREYS)]
        style: dict[str, Any] = {"color": grey, "linewidth": 1.6, "label": one.name}
        if one.points_only:
            style |= {
                "linestyle": "",
                "marker": MARKS[number % len(MARKS)],
                "markersize": 6,
                "markerfacecolor": "white",
            }
        else:
            style |= {
                "linestyle": DASHES[number % len(DASHES)],
                "marker": "" if steps else ".",
                "markersize": 5,
            }
        if one.low:
            xs, ys = _columns(one.points)
            spread = [
                [y - low for y, low in zip(ys, one.low, strict=True)],
                [high - y for y, high in zip(ys, one.high, strict=True)],
            ]
            axes.errorbar(xs, ys, yerr=spread, capsize=3, **style)
        else:
            axes.plot(*_columns(one.points), drawstyle="steps-post" if steps else "default", **style)
    if log_across:
        axes.set_xscale("log")
    if log_up:
        axes.set_yscale("log")
    if len(series) > 1:
        axes.legend(frameon=False, fontsize=8)
    return _bytes(figure, form)


def bars(
    title: str, up: str, names: Sequence[str], values: Sequence[float], form: str, *, log_up: bool
) -> bytes:
    """One bar for each name, lying, the first on top, its value written behind it."""
    figure = _figure()
    axes = _axes(figure, title, up, "")
    places = range(len(names))
    drawn = axes.barh(places, values, color=PALE, edgecolor=INK, linewidth=0.8)
    axes.set_yticks(places, names)
    axes.invert_yaxis()
    if log_up:
        axes.set_xscale("log")
    axes.set_axisbelow(True)
    axes.bar_label(
        drawn,
        [f"{value:,.0f}" if value >= 1000 else f"{value:.3g}" for value in values],
        padding=4,
        fontsize=8,
    )
    axes.margins(x=0.15)
    return _bytes(figure, form)


Drawn = Callable[[str], bytes]  # a picture that only lacks its format
