"""What comes out along one swept key, or over two."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle as Box
from matplotlib.ticker import FixedLocator, FuncFormatter
from numpy.typing import NDArray

from lapwright.report.pictures.ink import (
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
from lapwright.report.typeset import typeset
from lapwright.units import Units, shortened

__all__ = ["Curve", "Graph", "curves", "field"]

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


def curves(x: Array, label: str, graphs: Sequence[Graph], units: Units, width: float = 1010.0) -> Figure:
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


def _graph(axes: Axes, graph: Graph, x: Array, order: NDArray[np.intp], unit: float, name: str) -> None:
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
            -0.08, r + 0.5, shortened(text, 18), ha="right", va="center", fontsize=10.5, color=SHEET.ink
        )
    figure.text(
        (left + 0.5 * cell * columns) / width,
        7.0 / height,
        typeset(labels[0]),
        ha="center",
        fontsize=11,
        color=SHEET.ink,
    )
    figure.text(2.0 / width, 1.0 - 12.0 / height, typeset(labels[1]), ha="left", fontsize=11, color=SHEET.ink)
    return figure


def _cell(
    axes: Axes, value: float, place: tuple[int, int], ends: tuple[float, float], units: Units, told: bool
) -> None:
    c, r = place
    if not math.isfinite(value):
        axes.text(c + 0.5, r + 0.5, "no end", ha="center", va="center", fontsize=10, color=SHEET.muted)
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
