"""Pictures as bytes of a PNG, SVG or PDF file: plain numbers in, nothing of missions or radios known here.

Drawn for greyscale: lines differ by dashes and width, points by shape, and every axis carries its unit. The library is matplotlib
(extra `plots`), used without a screen: figures are made as objects and written to memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from io import BytesIO
from typing import TYPE_CHECKING, Any, NamedTuple

from packetkit.emit.frame_map import WIDTH, Box, Words
from packetkit.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.axis import XAxis, YAxis
    from matplotlib.figure import Figure

    from packetkit.emit.frame_map import Figure as Map
    from packetkit.export.series import Line, Page, Panel

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


def library() -> type[Figure]:
    """Return the library's class of figures. Raises InputError, which says how to get it, where it is absent."""
    try:
        from matplotlib.figure import Figure as Made
    except ImportError:
        raise InputError("pictures need the extra `plots`: pip install 'packetkit[plots]'") from None
    return Made


def _figure() -> Figure:
    return library()(figsize=INCHES, layout="constrained")


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
    for axis in (axes.xaxis, axes.yaxis):
        axis.set_major_formatter("{x:,.10g}")
    return axes


# Between these a person reads digits, beyond them powers of ten.
PLAIN_NUMBERS = (0.01, 10_000_000)


def _plain_if_read_so(axis: XAxis | YAxis) -> None:
    """Write a logarithmic axis in digits, where its numbers are of a size that a person reads so."""
    from matplotlib.ticker import LogFormatter

    class Digits(LogFormatter):
        """The marks that the library would label, in digits."""

        def __call__(self, x: float, pos: int | None = None) -> str:
            return f"{x:,.10g}" if super().__call__(x, pos) else ""

    low, high = axis.get_view_interval()
    if PLAIN_NUMBERS[0] <= low and high <= PLAIN_NUMBERS[1]:
        axis.set_major_formatter(Digits(labelOnlyBase=True))
        axis.set_minor_formatter(Digits(minor_thresholds=(2, 0.4)))


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
    axes.plot(*_columns(every), linestyle="", marker=".", markersize=3, color=PALE, label="a setting")
    best = "one that none beats in bytes, margin and energy at once"
    axes.plot(*_columns(sorted(front)), linestyle="", marker="s", markersize=4, color=INK, label=best)
    # Room above the points for words that stand on them, and below the axis for the legend: neither covers a point.
    axes.set_ylim(0, 1.18 * max((delivered for _, delivered in every), default=1.0) or 1.0)
    for words, margin, delivered in _apart(named):
        # Towards the right end the words stand to the left of their point.
        left = margin < max(x for x, _ in every) * 0.6
        axes.annotate(
            words,
            (margin, delivered),
            xytext=(5, 6) if left else (-5, 14),
            textcoords="offset points",
            fontsize=8,
            horizontalalignment="left" if left else "right",
        )
    axes.axvline(0, color=INK, linewidth=0.8, linestyle=":")
    figure.legend(frameon=False, fontsize=8, loc="outside lower center", ncols=2)
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
        _plain_if_read_so(axes.xaxis)
    if log_up:
        axes.set_yscale("log")
        _plain_if_read_so(axes.yaxis)
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


# -- values over time ------------------------------------------------------------------------------

# Lines of one panel, told apart without colour: dashes, then width and grey.
_STYLES: tuple[dict[str, Any], ...] = (
    {"linestyle": "-", "linewidth": 1.4, "color": INK},
    {"linestyle": "--", "linewidth": 1.2, "color": INK},
    {"linestyle": ":", "linewidth": 1.4, "color": INK},
    {"linestyle": "-.", "linewidth": 1.2, "color": INK},
    {"linestyle": "-", "linewidth": 2.0, "color": "0.6"},
    {"linestyle": "--", "linewidth": 2.0, "color": "0.6"},
)
# How long an axis is, at most, in each unit: seconds of one, its name.
_SPANS = (
    (600, 1, "seconds"),
    (36_000, 60, "minutes"),
    (864_000, 3_600, "hours"),
    (float("inf"), 86_400, "days"),
)
PANEL_INCHES = 1.6
# Codes without a name that are labelled beside a panel: more would cover each other.
MOST_BARE = 4


def over_time(page: Page, form: str) -> bytes:
    """Panels above each other over one axis of time."""
    from matplotlib.ticker import MaxNLocator

    figure = _figure()
    figure.set_size_inches(INCHES[0], 0.9 + PANEL_INCHES * len(page.panels))
    figure.suptitle(page.title, fontsize=11)
    scale, across = _across(page)
    panels = figure.subplots(len(page.panels), 1, sharex=True, squeeze=False)[:, 0]
    for axes, panel in zip(panels, page.panels, strict=True):
        axes.spines[["top", "right"]].set_visible(False)
        axes.set_axisbelow(True)
        axes.grid(color="0.9")
        axes.set_title(panel.title, fontsize=9, loc="left")
        axes.set_ylabel(panel.unit, fontsize=9)
        axes.tick_params(labelsize=8)
        if panel.lanes:
            _draw_lanes(axes, panel, scale)
        else:
            axes.yaxis.set_major_locator(MaxNLocator(4, integer=panel.is_whole))
            _draw_lines(axes, panel, scale)
    if page.axis == "instant":
        _as_dates(panels[-1])
    panels[-1].set_xlabel(across, fontsize=9)
    return _bytes(figure, form)


def _across(page: Page) -> tuple[Callable[[Any], Any], str]:
    """How times become places on the axis, and what it is called."""
    if page.axis == "frames":
        return (lambda times: times), "frames, in the order of the capture"
    if page.axis == "instant":
        return (lambda times: times / 86_400), "UTC"  # the library counts days from 1970-01-01
    times = [line.times for panel in page.panels for line in panel.lines if len(line.times)]
    span = max((float(one[-1]) for one in times), default=0.0)
    unit_s, name = next((unit_s, name) for most, unit_s, name in _SPANS if span <= most)
    return (
        lambda times: times / unit_s
    ), f"{name} {'since midnight' if page.axis == 'day' else 'of the clock'}"


def _draw_lines(axes: Axes, panel: Panel, scale: Callable[[Any], Any]) -> None:
    for number, line in enumerate(panel.lines):
        style = dict(_STYLES[number % len(_STYLES)])
        how = "steps-post" if panel.names else "default"
        times = scale(_up_to_breaks(line) if panel.names else line.times)
        axes.plot(times, line.values, label=line.label, drawstyle=how, **style)
        alone = _alone(line)
        axes.plot(
            scale(line.times[alone]),
            line.values[alone],
            linestyle="",
            marker=".",
            markersize=4,
            color=style["color"],
        )
    if panel.names:
        _name_codes(axes, panel)
    elif panel.is_whole and axes.viewLim.height < 1:  # one value all the time: no fractions beside it
        axes.set_ylim(axes.viewLim.y0 - 1, axes.viewLim.y1 + 1)
    if len(panel.lines) > 1:
        axes.legend(frameon=False, fontsize=7, loc="center left", bbox_to_anchor=(1.0, 0.5))


def _up_to_breaks(line: Line) -> Any:
    """The times of a line of steps, with each break at the last value before it: how long that stayed nobody knows."""
    times = line.times.copy()
    for place in range(1, len(times)):
        if line.values[place] != line.values[place]:  # NaN
            times[place] = times[place - 1]
    return times


def _name_codes(axes: Axes, panel: Panel) -> None:
    """Names beside the codes that have one, and digits beside the others that came, of which few are labelled."""
    names = dict(panel.names)
    came = {int(value) for line in panel.lines for value in line.values if value == value}  # NaN is no code
    bare = sorted(came - set(names))
    step = -(-len(bare) // MOST_BARE) if bare else 1
    shown = names | {code: str(code) for code in bare[::step]}
    axes.set_yticks(list(shown), list(shown.values()))
    axes.set_ylim(min([*names, *bare]) - 0.5, max([*names, *bare]) + 0.5)


def _draw_lanes(axes: Axes, panel: Panel, scale: Callable[[Any], Any]) -> None:
    """Flags: each is a line at the foot of its lane, and a bar over it while it is set."""
    for number, line in enumerate(panel.lines):
        foot = len(panel.lines) - 1 - number
        places = scale(line.times)
        axes.plot(places, line.values * 0 + foot, color=PALE, linewidth=0.8)
        alone = _alone(line)
        axes.plot(places[alone], line.values[alone] * 0.6 + foot, linestyle="", marker="|", color="0.3")
        axes.fill_between(places, foot, foot + 0.6 * line.values, step="post", color="0.3", linewidth=0.5)
    names = [line.label for line in panel.lines]
    axes.set_yticks([len(names) - 1 - number + 0.3 for number in range(len(names))], names)
    axes.set_ylim(-0.2, len(names))
    axes.grid(visible=False, axis="y")


def _alone(line: Line) -> Any:
    """Which points have a break on both sides: no line shows them."""
    import numpy as np

    there = np.isfinite(line.values)
    before, after = np.append(False, there[:-1]), np.append(there[1:], False)
    return there & ~before & ~after


def _as_dates(axes: Axes) -> None:
    from matplotlib import dates

    library: Any = dates  # its classes are not typed
    axes.xaxis_date()
    locator = library.AutoDateLocator()
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(library.ConciseDateFormatter(locator))


Drawn = Callable[[str], bytes]  # a picture that only lacks its format


# -- a frame's map -------------------------------------------------------------------------------------------------

POSTER_DOTS = 300  # an inch: sharp in print


def frame_map(made: Map) -> bytes:
    """Return a frame's map as PNG: the figure that the SVG is drawn from, at the sharpness of print."""
    figures = library()
    from matplotlib.patches import Rectangle

    inch = 96.0  # a figure's units, as a page counts them
    figure = figures(figsize=((WIDTH + 16) / inch, made.height / inch))
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_axis_off()
    axes.set_xlim(-8, WIDTH + 8)
    axes.set_ylim(made.height, 0)
    for item in made.items:
        if isinstance(item, Box):
            place = (item.x, item.y)
            axes.add_patch(
                Rectangle(place, item.width, item.height, facecolor=str(item.shade), edgecolor=INK, lw=0.75)
            )
        elif isinstance(item, Words):
            align = {"start": "left", "middle": "center", "end": "right"}[item.anchor]
            family, weight = ("monospace" if item.mono else "sans-serif"), ("bold" if item.bold else "normal")
            # parse_math: a dollar sign of a schema is a dollar sign.
            axes.text(
                item.x, item.y, item.text, size=item.size * 72 / inch, ha=align, va="baseline", family=family, weight=weight,
                parse_math=False,
            )  # fmt: skip
        else:
            axes.plot([item.x, item.to_x], [item.y, item.to_y], color=INK, lw=0.75)
    target = BytesIO()
    figure.savefig(target, format="png", dpi=POSTER_DOTS, metadata={"Software": None})
    return target.getvalue()
