"""Pictures of a search for a schedule: the trade-off, how near the goal along the way, and a sloppy hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullLocator

from lapwright.presentation.pictures.ink import (
    LINES,
    SHEET,
    Style,
    beside,
    name_ends,
    new_figure,
    plain,
    ruled,
)

_LEFT, _RIGHT = 104.0, 150.0
_APART = 16.0  # between marks that each have a name
_LOW = 1e-3  # of what is asked: nobody looks further down
GOAL: Style = {"color": SHEET.ink, "linewidth": 1.0, "linestyle": (0, (5, 3))}


def _graph(width: float, tall: float, across: str, side: str) -> tuple[Figure, Axes]:
    """A drawing with one graph, with what runs across and, at the left, upwards."""
    figure = new_figure(width, tall + 60.0)
    axes = plain(figure, (_LEFT, 48.0, width - _LEFT - _RIGHT, tall))
    axes.set_xlabel(across)
    beside(axes, side, (0, 1), (-_LEFT + 2, 0), xycoords="axes fraction", va="top")
    return figure, axes


def _scaled(axes: Axes, low: float, high: float, goal: float) -> None:
    """Sizes from `low`, on a scale of equal shares if that is not 0; what lies below the goal shaded."""
    if low > 0.0:
        axes.set_yscale("log")
    axes.set_ylim(low, high)
    ruled(axes, 6)
    if low > 0.0:
        axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=30))
        axes.yaxis.set_minor_locator(NullLocator())
    axes.axhspan(low, goal, color=SHEET.band, linewidth=0, zorder=0)
    axes.axhline(goal, **GOAL)


# --- the trade-off -----------------------------------------------------------------------------


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
    (figure, axes), (colour, _) = _graph(width, 250.0, *labels), LINES[0]
    points = sorted(line)
    for style in ({"drawstyle": "steps-post", "alpha": 0.85}, {"linestyle": "none", "marker": "o"}):
        axes.plot(
            *np.reshape(points, (-1, 2)).T, color=colour, linewidth=1.8, markersize=2.6, **style
        )
    for mark in marks:
        edge, size = (SHEET.accent, 11.0) if mark.lead else (SHEET.ink, 8.0)
        ring: Style = {"markerfacecolor": edge if mark.lead else "none", "markeredgewidth": 1.5}
        axes.plot(mark.x, mark.y, "o", markersize=size, markeredgecolor=edge, **ring)
    sizes = [goal, *(y for _, y in points if y > 0.0), *(m.y for m in marks if m.y > 0.0)]
    wide = max(sizes) > 12.0 * min(sizes)
    _scaled(
        axes, *((min(sizes) / 1.3, 1.3 * max(sizes)) if wide else (0.0, 1.12 * max(sizes))), goal
    )
    axes.set_xlim(0.0, 1.06 * max([*(x for x, _ in points), *(m.x for m in marks)]) or 1.0)
    at: Style = {"xycoords": ("axes fraction", "data"), "color": SHEET.muted}
    beside(axes, "what is asked", (1.0, goal), (7, 0), **at)
    named: list[tuple[float, float]] = []
    for mark in marks:
        x, y = axes.transData.transform((mark.x, mark.y))
        if any(math.hypot(x - u, y - v) < _APART for u, v in named):
            continue  # names on each other tell nothing; the table has them all
        named.append((x, y))
        how: Style = {"weight": "bold", "color": SHEET.accent} if mark.lead else {}
        beside(axes, mark.name, (mark.x, mark.y), (9, 7), va="bottom", fontsize=11, **how)
    if points:
        beside(axes, "foretold", points[0], (12, 3), va="bottom", color=colour)
    return figure


# --- along the way -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Way:
    """One schedule along its time: (minutes, times what is asked) and a name; `style` from LINES."""

    name: str
    trail: Sequence[tuple[float, float]]
    style: int


def ways(shown: Sequence[Way], width: float = 1010.0) -> Figure:
    """How near the goal schedules come along the way, on a scale of equal shares; below 1 it is reached."""
    figure, axes = _graph(width, 220.0, "rubbing, min", "times what\nis asked")
    ends = []
    for way in shown:
        x, y = np.array([(t, max(s, _LOW)) for t, s in way.trail]).T
        colour, dash = LINES[way.style % len(LINES)]
        axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
        ends.append((float(x[-1]), float(y[-1]), way.name, colour))
    sizes = [max(s, _LOW) for way in shown for _, s in way.trail]
    _scaled(axes, min(0.8, min(sizes) / 1.2), max(1.25, max(sizes) * 1.2), 1.0)
    axes.set_xlim(0.0, max(t for way in shown for t, _ in way.trail) or 1.0)
    name_ends(axes, ends)
    return figure


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
    tall, left = 34.0 * len(found), 250.0
    figure = new_figure(width, tall + 76.0)
    axes = plain(figure, (left, 46.0, width - left - 40.0, tall))
    axes.spines["left"].set_visible(False)
    axes.yaxis.set_major_locator(NullLocator())
    known = [[(off, s) for off, s, _ in one.slips if math.isfinite(s)] for one in found]
    axes.set_xlim(0.0, 1.1 * max([1.25, answer, *(s for some in known for _, s in some)]))
    axes.set_ylim(len(found), 0.0)
    axes.axvspan(0.0, 1.0, color=SHEET.band, linewidth=0, zorder=0)
    axes.axvline(1.0, **GOAL)
    axes.axvline(answer, color=SHEET.accent, linewidth=1.0)
    for k, (one, some) in enumerate(zip(found, known, strict=True)):
        level, ends = k + 0.5, [answer, *(share for _, share in some)]
        axes.plot([min(ends), max(ends)], [level] * 2, color=SHEET.muted, linewidth=1.4)
        for off, share in some:
            face: Style = {"markerfacecolor": SHEET.ink if off > 0 else SHEET.paper, "zorder": 3}
            edge: Style = {"markeredgecolor": SHEET.ink, "markeredgewidth": 1.4, "clip_on": False}
            axes.plot(share, level, "o" if off else "s", markersize=8.0, **face, **edge)
        beside(axes, one.name, (0.0, level), (-12, 0), ha="right", fontsize=11)
    marks = ((1.0, "what is asked", SHEET.muted), (answer, "the answer", SHEET.accent))
    for x, text, colour in marks:
        side, ha = (-4, "right") if x < (answer if x == 1.0 else 1.0) else (4, "left")
        beside(axes, text, (x, 0.0), (side, 6), ha=ha, va="bottom", color=colour)
    axes.set_xlabel("times what is asked (1 and less: reached)")
    return figure
