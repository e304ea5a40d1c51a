"""What comes out along swept keys, and pictures of a search for a schedule.

Pictures of a search for a schedule: the trade-off, how near the goal along the way, and a sloppy hand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle as Box
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator
from numpy.typing import NDArray

from lapwright.presentation.pictures.ink import (
    LINES,
    REMOVED,
    SHEET,
    Array,
    End,
    bare,
    name_ends,
    new_figure,
    plain,
    round_step,
)
from lapwright.presentation.words import typeset
from lapwright.units import Units, shortened

__all__ = ["Curve", "Graph", "Mark", "Slip", "Way", "curves", "field", "slips", "trade_off", "ways"]


_LEFT, _RIGHT = 104.0, 190.0
LINED = 6  # values each way from which lines of equal size mean something


@dataclass(frozen=True)
class Curve:
    """One line (n,) [m], nan where there is nothing; `band` below and above it; `style` from LINES."""

    name: str
    y: Array
    style: int
    band: tuple[Array, Array] | None = None
    marks: bool = False


@dataclass(frozen=True)
class Graph:
    """Lines on one scale; `up` and `down` say what above and below zero means ("" below: sizes only)."""

    curves: tuple[Curve, ...]
    up: str
    down: str


def curves(
    x: Array, label: str, graphs: Sequence[Graph], units: Units, width: float = 1010.0
) -> Figure:
    """Graphs one under the other along a swept key `x` (n,), named `label` with its unit."""
    unit, name = units.small.size, units.small.symbol
    tall, apart, foot = 170.0, 22.0, 46.0
    height = len(graphs) * (tall + apart) + foot
    figure = new_figure(width, height)
    order = np.argsort(x)
    for k, graph in enumerate(graphs):
        bottom = height - (k + 1) * (tall + apart) + 8.0
        axes = plain(figure, (_LEFT, bottom, width - _LEFT - _RIGHT, tall))
        _graph(axes, graph, x, order, unit, name)
        last = k == len(graphs) - 1
        axes.tick_params(labelbottom=last)
        if last:
            axes.set_xlabel(label, fontsize=11, color=SHEET.ink)
    return figure


def _graph(
    axes: Axes, graph: Graph, x: Array, order: NDArray[np.intp], unit: float, name: str
) -> None:
    ends: list[End] = []
    for curve in graph.curves:
        colour, dash = LINES[curve.style % len(LINES)]
        y = curve.y[order] / unit
        if curve.band is not None:
            under, over = (b[order] / unit for b in curve.band)
            axes.fill_between(x[order], under, over, color=colour, alpha=0.2, linewidth=0)
        if curve.marks:
            axes.plot(x[order], y, color=colour, linestyle="none", marker="o", markersize=5)
        else:
            axes.plot(x[order], y, color=colour, linestyle=dash, linewidth=1.8)
        good = np.isfinite(y)
        if good.any():
            ends.append((float(x[order][good][-1]), float(y[good][-1]), curve.name, colour))
    lowest, highest = axes.get_ylim()
    pad = 0.06 * max(highest, 0.0, highest - lowest, 1e-3)
    low, high = (lowest - pad if lowest < 0.0 else 0.0), max(highest, 0.0) + pad
    axes.set_ylim(low, high)
    axes.set_xlim(float(x.min()), float(x.max()))
    step = round_step(high - low, 6)
    ticks = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
    axes.yaxis.set_major_locator(FixedLocator([float(t) for t in ticks]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{abs(v):.3g}"))
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    for end, text, anchor in ((high, f"{graph.up}\n{name}", "top"), (low, graph.down, "bottom")):
        axes.annotate(
            text, (0, end), xycoords=("axes fraction", "data"), xytext=(-_LEFT + 2, 0),
            textcoords="offset points", ha="left", va=anchor, fontsize=10.5, color=SHEET.ink,
            annotation_clip=False,
        )  # fmt: skip
    _named(axes, ends)


def _named(axes: Axes, ends: list[End]) -> None:
    """Names at the ends of lines; there is room for longer ones here than `name_ends` has."""
    if all(len(end[2]) <= 11 for end in ends):
        name_ends(axes, ends)
        return
    low, high = axes.get_ylim()
    apart = 13.0 * (high - low) / axes.get_window_extent().height
    placed = -math.inf
    for x, y, name, colour in sorted(ends, key=lambda end: end[1]):
        placed = max(y, placed + apart)
        axes.annotate(
            name, (x, placed), xytext=(9, 0), textcoords="offset points", ha="left", va="center", fontsize=11,
            color=colour, annotation_clip=False,
        )  # fmt: skip


def field(
    values: Array, across: Sequence[str], down: Sequence[str], labels: tuple[str, str], units: Units,
    best: tuple[int, int] | None, width: float = 1010.0,
) -> Figure:  # fmt: skip
    """A field of sizes (down, across) [m], nan where there is none: deeper colour is larger, each told.

    Lines of equal size run where there are many each way.  `labels`: of across and of down.
    """
    rows, columns = values.shape
    left, foot, head = 150.0, 44.0, 10.0
    cell = min((width - left - 20.0) / columns, 110.0)
    tall = min(max(0.5 * cell, 24.0), 44.0)
    height = rows * tall + foot + head
    figure = new_figure(width, height)
    axes = bare(figure, (left, foot, cell * columns, tall * rows))
    axes.set_xlim(0, columns)
    axes.set_ylim(0, rows)
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    for r in range(rows):
        for c in range(columns):
            _cell(axes, values[r, c], (c, r), (low, high), units, tall >= 24.0 and cell >= 46.0)
    if min(rows, columns) >= LINED and high > low and np.isfinite(values).all():
        step = round_step(high - low, 7)
        levels = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
        at = np.arange(columns) + 0.5, np.arange(rows) + 0.5
        axes.contour(*at, values, levels, colors=SHEET.ink, linewidths=0.8, alpha=0.6)
    if best is not None:
        axes.add_patch(
            Box(
                (best[1] + 0.02, best[0] + 0.03),
                0.96,
                0.94,
                fill=False,
                edgecolor=SHEET.accent,
                linewidth=2.6,
            )
        )
    most = max(1, int(cell / 7.0))
    for c, text in enumerate(across):
        axes.text(
            c + 0.5,
            -6.0 / tall,
            shortened(text, most),
            ha="center",
            va="top",
            fontsize=10.5,
            color=SHEET.ink,
        )
    for r, text in enumerate(down):
        axes.text(
            -0.08,
            r + 0.5,
            shortened(text, 18),
            ha="right",
            va="center",
            fontsize=10.5,
            color=SHEET.ink,
        )
    figure.text(
        (left + 0.5 * cell * columns) / width,
        7.0 / height,
        typeset(labels[0]),
        ha="center",
        fontsize=11,
        color=SHEET.ink,
    )
    figure.text(
        2.0 / width,
        1.0 - 12.0 / height,
        typeset(labels[1]),
        ha="left",
        fontsize=11,
        color=SHEET.ink,
    )
    return figure


def _cell(
    axes: Axes,
    value: float,
    place: tuple[int, int],
    ends: tuple[float, float],
    units: Units,
    told: bool,
) -> None:
    c, r = place
    if not math.isfinite(value):
        axes.text(
            c + 0.5, r + 0.5, "no end", ha="center", va="center", fontsize=10, color=SHEET.muted
        )
        return
    share = (value - ends[0]) / (ends[1] - ends[0]) if ends[1] > ends[0] else 0.0
    # Light ends of the ramp only: what is written on it stays readable.
    colour = REMOVED[round(0.55 * share * (len(REMOVED) - 1))]
    axes.add_patch(Box((c, r), 1.0, 1.0, facecolor=tuple(colour), linewidth=0))
    if told:
        axes.text(
            c + 0.5,
            r + 0.5,
            typeset(units.size(value)),
            ha="center",
            va="center",
            fontsize=10.5,
            color="#10151b",
        )


_TUNED_LEFT, _TUNED_RIGHT = 104.0, 150.0
_STEPS = (1.0, 2.0, 5.0)
_APART = 16.0  # between marks that each have a name
_LOW = 1e-3  # of what is asked: nobody looks further down


@dataclass(frozen=True)
class Mark:
    """One schedule lapped in full: what it costs, what it comes to, and its name; `lead`: the answer."""

    x: float
    y: float
    name: str
    lead: bool = False


def trade_off(
    line: Sequence[tuple[float, float]],
    marks: Sequence[Mark],
    goal: float,
    labels: tuple[str, str],
    width: float = 1010.0,
) -> Figure:
    """What each cost buys: foretold as a line, lapped in full as marks.

    Parameters
    ----------
    line
        (cost, size) of the best schedules by forecast, cost in the unit of its label.
    goal
        What is asked, in the unit of the sizes.
    labels
        Of the cost and of the size, with their units.
    """
    tall, foot, head = 250.0, 48.0, 12.0
    figure = new_figure(width, tall + foot + head)
    axes = plain(figure, (_TUNED_LEFT, foot, width - _TUNED_LEFT - _TUNED_RIGHT, tall))
    points = sorted(line)
    if points:
        x, y = np.array(points).T
        axes.plot(x, y, color=LINES[0][0], linewidth=1.8, drawstyle="steps-post", alpha=0.85)
        axes.plot(x, y, color=LINES[0][0], linestyle="none", marker="o", markersize=2.6)
    for mark in marks:
        filled = SHEET.accent if mark.lead else "none"
        axes.plot(
            [mark.x], [mark.y], marker="o", markersize=11.0 if mark.lead else 8.0, markerfacecolor=filled,
            markeredgecolor=SHEET.accent if mark.lead else SHEET.ink, markeredgewidth=1.5, linestyle="none",
        )  # fmt: skip
    _limits(axes, [*points, *((m.x, m.y) for m in marks)], goal)
    _goal(axes, goal)
    _ends(axes, points, marks)
    axes.set_xlabel(labels[0], fontsize=11, color=SHEET.ink)
    _side(axes, labels[1])
    return figure


def _limits(axes: Axes, points: Sequence[tuple[float, float]], goal: float) -> None:
    """Sizes on a scale of equal shares where they spread far, else from zero."""
    sizes = [y for _, y in points if y > 0.0] + [goal]
    costs = [x for x, _ in points]
    low, high = min(sizes), max(sizes)
    if high > 12.0 * low:
        _by_shares(axes, low / 1.3, high * 1.3)
    else:
        axes.set_ylim(0.0, 1.12 * high)
        axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))
    axes.set_xlim(0.0, 1.06 * max(costs) if max(costs) > 0.0 else 1.0)
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)


def _by_shares(axes: Axes, low: float, high: float) -> None:
    axes.set_yscale("log")
    axes.set_ylim(low, high)
    powers = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    ticks = [m * 10.0**p for p in powers for m in _STEPS if low <= m * 10.0**p <= high]
    axes.yaxis.set_major_locator(FixedLocator(ticks))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.3g}"))


def _goal(axes: Axes, goal: float) -> None:
    """The goal: a line, and what lies below it shaded."""
    axes.axhspan(axes.get_ylim()[0], goal, color=SHEET.band, linewidth=0, zorder=0)
    axes.axhline(goal, color=SHEET.ink, linewidth=1.0, linestyle=(0, (5, 3)))
    axes.annotate(
        "what is asked", (1.0, goal), xycoords=("axes fraction", "data"), xytext=(7, 0),
        textcoords="offset points", ha="left", va="center", fontsize=10.5, color=SHEET.muted,
        annotation_clip=False,
    )  # fmt: skip


def _ends(axes: Axes, points: Sequence[tuple[float, float]], marks: Sequence[Mark]) -> None:
    named: list[tuple[float, float]] = []
    for mark in marks:
        x, y = axes.transData.transform((mark.x, mark.y))
        if any(math.hypot(x - u, y - v) < _APART for u, v in named):
            continue  # names on each other tell nothing; the table has them all
        named.append((x, y))
        weight, colour = ("bold", SHEET.accent) if mark.lead else ("normal", SHEET.ink)
        axes.annotate(
            mark.name, (mark.x, mark.y), xytext=(9, 7), textcoords="offset points", ha="left", va="bottom",
            fontsize=11, weight=weight, color=colour, annotation_clip=False,
        )  # fmt: skip
    if points:
        x, y = points[0]
        axes.annotate(
            "foretold", (x, y), xytext=(12, 3), textcoords="offset points", ha="left", va="bottom",
            fontsize=10.5, color=LINES[0][0], annotation_clip=False,
        )  # fmt: skip


def _side(axes: Axes, text: str) -> None:
    axes.annotate(
        text, (0, 1), xycoords="axes fraction", xytext=(-_TUNED_LEFT + 2, 0), ha="left",
        va="top", textcoords="offset points", fontsize=10.5, color=SHEET.ink, annotation_clip=False,
    )  # fmt: skip


# --- along the way -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Way:
    """One schedule along its time: (minutes, times what is asked) and a name; `style` from LINES."""

    name: str
    trail: Sequence[tuple[float, float]]
    style: int


def ways(shown: Sequence[Way], width: float = 1010.0) -> Figure:
    """How near the goal schedules come along the way, on a scale of equal shares; below 1 it is reached."""
    tall, foot, head = 220.0, 48.0, 12.0
    figure = new_figure(width, tall + foot + head)
    axes = plain(figure, (_TUNED_LEFT, foot, width - _TUNED_LEFT - _TUNED_RIGHT, tall))
    ends: list[End] = []
    for way in shown:
        x, y = np.array([(t, max(s, _LOW)) for t, s in way.trail]).T
        colour, dash = LINES[way.style % len(LINES)]
        axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
        ends.append((float(x[-1]), float(y[-1]), way.name, colour))
    sizes = [max(s, _LOW) for way in shown for _, s in way.trail]
    _by_shares(axes, min(0.8, min(sizes) / 1.2), max(1.25, max(sizes) * 1.2))
    axes.set_xlim(0.0, max(t for way in shown for t, _ in way.trail) or 1.0)
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.axhspan(axes.get_ylim()[0], 1.0, color=SHEET.band, linewidth=0, zorder=0)
    axes.axhline(1.0, color=SHEET.ink, linewidth=1.0, linestyle=(0, (5, 3)))
    _named_ends(axes, ends)
    axes.set_xlabel("rubbing, min", fontsize=11, color=SHEET.ink)
    _side(axes, "times what\nis asked")
    return figure


def _named_ends(axes: Axes, ends: list[End]) -> None:
    """Names at the ends of lines, pushed apart as they are seen on a scale of equal shares."""
    low, high = axes.get_ylim()
    # Labels are placed on an even scale laid over the axes.
    over = axes.twinx()
    over.set_axis_off()
    for each in (axes, over):
        each.patch.set_visible(False)
    over.set_ylim(0.0, 1.0)
    name_ends(
        over,
        [
            (x, math.log(y / low) / math.log(high / low), name, colour)
            for x, y, name, colour in ends
        ],
    )


# --- a sloppy hand -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Slip:
    """One key a little off: its `name`, and (times what is asked, value as typed) of each slip.

    `off`: below zero less, above more, zero another choice.
    """

    name: str
    slips: Sequence[tuple[float, float, str]]  # off, times what is asked, value


def slips(answer: float, found: Sequence[Slip], width: float = 1010.0) -> Figure:
    """How far the answer moves with each key a tenth off; one line a key, the one that matters most first."""
    row, foot, head, left = 34.0, 46.0, 30.0, 250.0
    height = row * len(found) + foot + head
    figure = new_figure(width, height)
    axes = plain(figure, (left, foot, width - left - 40.0, row * len(found)))
    axes.spines["left"].set_visible(False)
    axes.yaxis.set_major_locator(NullLocator())
    values = [share for slip in found for _, share, _ in slip.slips]
    most = 1.1 * max([1.25, answer, *(v for v in values if math.isfinite(v))])
    axes.set_xlim(0.0, most)
    axes.set_ylim(len(found), 0.0)
    axes.axvspan(0.0, 1.0, color=SHEET.band, linewidth=0, zorder=0)
    axes.axvline(1.0, color=SHEET.ink, linewidth=1.0, linestyle=(0, (5, 3)))
    axes.axvline(answer, color=SHEET.accent, linewidth=1.0)
    for k, slip in enumerate(found):
        _slip(axes, k + 0.5, slip, answer)
    for x, text, colour in (
        (1.0, "what is asked", SHEET.muted),
        (answer, "the answer", SHEET.accent),
    ):
        other = answer if x == 1.0 else 1.0
        axes.annotate(
            text, (x, 0.0), xytext=(-4 if x < other else 4, 6), textcoords="offset points",
            ha="right" if x < other else "left", va="bottom", fontsize=10.5, color=colour,
            annotation_clip=False,
        )  # fmt: skip
    axes.set_xlabel("times what is asked (1 and less: reached)", fontsize=11, color=SHEET.ink)
    return figure


def _slip(axes: Axes, level: float, slip: Slip, answer: float) -> None:
    known = [(off, share, value) for off, share, value in slip.slips if math.isfinite(share)]
    shares = [answer, *(share for _, share, _ in known)]
    axes.plot([min(shares), max(shares)], [level, level], color=SHEET.muted, linewidth=1.4)
    for off, share, _ in known:
        marker, fill = {-1: ("o", SHEET.paper), 1: ("o", SHEET.ink), 0: ("s", SHEET.paper)}[
            (off > 0) - (off < 0)
        ]
        axes.plot(
            [share], [level], marker=marker, markersize=8.0, markerfacecolor=fill, linestyle="none",
            markeredgecolor=SHEET.ink, markeredgewidth=1.4, clip_on=False, zorder=3,
        )  # fmt: skip
    axes.annotate(
        typeset(slip.name), (0.0, level), xytext=(-12, 0), textcoords="offset points", ha="right",
        va="center", fontsize=11, color=SHEET.ink, annotation_clip=False,
    )  # fmt: skip
