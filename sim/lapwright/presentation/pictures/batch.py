"""Part by part: how flat each came out, and what became of the plate meanwhile."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.ink import SHEET, Style
from lapwright.presentation.run_view import RunView
from lapwright.results.batch import BatchRecord, out_of_goal
from lapwright.units import shortened

_LEFT, _RIGHT, _UPPER, _LOWER, _FOOT, _APART = 112.0, 92.0, 200.0, 130.0, 74.0, 34.0
MANY = 120  # parts, from which on dots are small


def parts(view: RunView, width: float = 1010.0) -> Figure | None:
    """Flatness of each part with the goal above, dome or dish of the plate below; None without parts."""
    record = view.run.batch
    if record is None or not len(record.number):
        return None
    figure = ink.new_figure(width, _FOOT + _LOWER + _APART + _UPPER + 24.0)
    across = width - _LEFT - _RIGHT
    upper = ink.plain(figure, (_LEFT, _FOOT + _LOWER + _APART, across, _UPPER))
    lower = ink.plain(figure, (_LEFT, _FOOT, across, _LOWER))
    entries = [*_flatness(upper, view, record), *_plate(lower, view, record)]
    ends = 0.5, max(float(record.number[-1]) + 0.5, 2.5)
    for axes in (upper, lower):
        axes.set_xlim(*ends)
        for after in record.dressings.after:
            axes.axvline(
                float(after) + 0.5, color=SHEET.third, linewidth=1.0, linestyle=(0, (2, 2))
            )
    if len(record.dressings.after):
        style: Style = {"color": SHEET.third, "linewidth": 1.0, "linestyle": (0, (2, 2))}
        entries.append(Line2D([], [], **style, label=f"{record.on} dressed"))
    upper.tick_params(labelbottom=False)
    lower.set_xlabel(f"part number, in the order in which {record.name} was laid")
    ink.legend(figure, entries)
    return figure


def parts_of_ways(ways: Sequence[tuple[str, RunView]], width: float = 1010.0) -> Figure | None:
    """The same of several ways, each by its title: a line each; None where no parts were lapped."""
    shown = [(title, view) for title, view in ways if view.run.batch is not None][: len(ink.LINES)]
    if not shown:
        return None
    figure = ink.new_figure(width, _FOOT + _LOWER + _APART + _UPPER + 24.0)
    across, entries = width - _LEFT - _RIGHT, []
    upper = ink.plain(figure, (_LEFT, _FOOT + _LOWER + _APART, across, _UPPER))
    lower = ink.plain(figure, (_LEFT, _FOOT, across, _LOWER))
    unit, top = shown[0][1].units.small, 0.0
    for (title, view), (colour, dash) in zip(shown, ink.LINES, strict=False):
        record, style = view.run.batch, Style(color=colour, linestyle=dash, linewidth=1.8)
        assert record is not None
        flat = record.forms["flatness"] / unit.size
        top = max(top, float(np.nan_to_num(flat).max()))
        upper.plot(record.number, flat, **style)
        key, start = _lead(view, record)
        x, y = _went(record, key, start)
        lower.plot(x, y / unit.size, **style)
        entries.append(Line2D([], [], **style, label=shortened(title, 40)))
    record = shown[0][1].run.batch
    assert record is not None
    upper.set_ylim(0.0, 1.12 * max(_goal(upper, shown[0][1], record, top), 1e-6))
    ink.ruled(upper, 8)
    _headed(upper, f"each part flat within, {unit.symbol}")
    _two_sided(lower, f"{record.on}, {unit.symbol}")
    upper.sharex(lower)
    upper.tick_params(labelbottom=False)
    lower.set_xlabel(f"part number, in the order in which {record.name} was laid")
    ink.legend(figure, entries)
    return figure


def _lead(view: RunView, record: BatchRecord) -> tuple[str, float]:
    """By which form the plate is followed, and what it was before the first part [m]."""
    key = "sphere" if np.isfinite(record.plate["sphere"]).any() else "bow"
    return key, float(view.run.plates[record.on].forms[key][0])


def _headed(axes: Axes, head: str) -> None:
    ink.beside(axes, head, (0, 1), (22.0 - _LEFT, 12), xycoords="axes fraction", weight="bold")


def _two_sided(axes: Axes, head: str) -> None:
    """Domed above, hollow below."""
    ink.two_sided(axes, 5)
    _headed(axes, head)
    for at, text, va in ((1, "domed", "top"), (0, "hollow", "bottom")):
        ink.beside(axes, text, (0, at), (22.0 - _LEFT, 0), xycoords="axes fraction", va=va)


def _goal(axes: Axes, view: RunView, record: BatchRecord, top: float) -> float:
    """Draw the goal of flatness where there is one; the highest that is to be seen."""
    goal = view.study.goal.flatness if view.study.goal is not None else None
    if goal is None or out_of_goal(record, view.study) is None:
        return top
    at = goal / view.units.small.size
    axes.axhline(at, color=SHEET.ink, linewidth=1.2, linestyle=(0, (6, 3)))
    ink.beside(axes, "goal", (1, at), (7, 0), xycoords=("axes fraction", "data"))
    return max(top, at)


def _flatness(axes: Axes, view: RunView, record: BatchRecord) -> list[Line2D]:
    unit, number = view.units.small, record.number
    flat = record.forms["flatness"] / unit.size
    out = out_of_goal(record, view.study)
    bad = np.zeros(len(number), dtype=bool) if out is None else out
    size = 5.0 if len(number) <= MANY else 2.6
    dots: Style = {"linestyle": "none", "marker": "o", "markersize": size, "color": SHEET.accent}
    wrong = dots | {"color": SHEET.third, "marker": "D", "markerfacecolor": SHEET.paper}
    axes.plot(number[~bad], flat[~bad], **dots)
    axes.plot(number[bad], flat[bad], **wrong)
    entries = [Line2D([], [], **dots, label=f"{record.name}, flat within")]
    if bad.any():
        entries.append(Line2D([], [], **wrong, label="out of the goal"))
    top = float(np.nanmax(flat)) if np.isfinite(flat).any() else 1.0
    axes.set_ylim(0.0, 1.12 * max(_goal(axes, view, record, top), 1e-6))
    ink.ruled(axes, 8)
    _headed(axes, f"each part flat within, {unit.symbol}")
    return entries


def _plate(axes: Axes, view: RunView, record: BatchRecord) -> list[Line2D]:
    unit = view.units.small
    key, start = _lead(view, record)
    x, y = _went(record, key, start)
    axes.plot(x, y / unit.size, color=SHEET.accent, linewidth=1.8)
    _two_sided(axes, f"{record.on}, {unit.symbol}")
    return [Line2D([], [], color=SHEET.accent, linewidth=1.8, label=f"{record.on}, dome or dish")]


def _went(record: BatchRecord, key: str, start: float) -> tuple[ink.Array, ink.Array]:
    """The plate along the parts, with a step where it was dressed; the places are half parts."""
    x, y = [0.5], [start]
    after = {int(n): k for k, n in enumerate(record.dressings.after)}
    for i, number in enumerate(record.number):
        last = i + 1 == len(record.number) or record.load[i + 1] != record.load[i]
        if not last:
            continue
        x.append(float(number) + 0.5)
        y.append(float(record.plate[key][i]))
        if int(number) in after:
            x.append(float(number) + 0.5)
            y.append(float(record.dressings.dressed[key][after[int(number)]]))
    return np.array(x), np.array(y)
