"""Pictures of a search for a schedule: the trade-off, how near the goal along the way, and a sloppy hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from lapwright.report.pictures.ink import LINES, SHEET, End, name_ends, new_figure, plain
from lapwright.report.typeset import typeset

__all__ = ["Mark", "Slip", "Way", "slips", "trade_off", "ways"]

_LEFT, _RIGHT = 104.0, 150.0
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
    axes = plain(figure, (_LEFT, foot, width - _LEFT - _RIGHT, tall))
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
        text, (0, 1), xycoords="axes fraction", xytext=(-_LEFT + 2, 0), textcoords="offset points", ha="left",
        va="top", fontsize=10.5, color=SHEET.ink, annotation_clip=False,
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
    axes = plain(figure, (_LEFT, foot, width - _LEFT - _RIGHT, tall))
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
    _named(axes, ends)
    axes.set_xlabel("rubbing, min", fontsize=11, color=SHEET.ink)
    _side(axes, "times what\nis asked")
    return figure


def _named(axes: Axes, ends: list[End]) -> None:
    """Names at the ends of lines, pushed apart as they are seen on a scale of equal shares."""
    low, high = axes.get_ylim()
    # Labels are placed on an even scale laid over the axes.
    over = axes.twinx()
    over.set_axis_off()
    for each in (axes, over):
        each.patch.set_visible(False)
    over.set_ylim(0.0, 1.0)
    name_ends(
        over, [(x, math.log(y / low) / math.log(high / low), name, colour) for x, y, name, colour in ends]
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
    for x, text, colour in ((1.0, "what is asked", SHEET.muted), (answer, "the answer", SHEET.accent)):
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
