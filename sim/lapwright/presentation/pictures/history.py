"""How they got there: dome against metal removed, and where the metal went.

Where the metal went: depth worn off each face, and its profile from the middle to the rim.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.ticker import FixedLocator, FuncFormatter

from lapwright.limits import limit_of, why_band
from lapwright.metrology.form import FORMS, LONG, SPOKEN
from lapwright.presentation.pictures.faces import contours, patched, ramp_strip
from lapwright.presentation.pictures.ink import (
    LINES,
    REMOVED,
    SHEET,
    Array,
    End,
    bare,
    boundary_path,
    name_ends,
    new_figure,
    plain,
    round_step,
)
from lapwright.presentation.run_view import Face, RunView, common_removed
from lapwright.presentation.words import typeset
from lapwright.units import NOTHING, Units, shortened

__all__ = ["Zones", "history", "leading_panel", "metal", "zones"]


_LEFT, _RIGHT, _HEAD = 112.0, 92.0, 46.0


def history(account: RunView, width: float = 1010.0) -> Figure | None:
    """Domes and dishes (rails: bow) above, twist and the like below, bars for who was on top.

    None when the history has fewer than two entries.
    """
    removed = common_removed(account)
    if removed.size < 2:
        return None
    scale, unit = account.units.small.size, account.units.small.symbol
    panels = _panels(account)
    heights = [230.0] + [110.0] * (len(panels) - 1)
    bars = 16.0 * len(_tops(account)) + 10.0
    total = _HEAD + sum(heights) + 26.0 * (len(panels) - 1) + 14.0 + bars + 44.0
    figure = new_figure(width, total)
    x = removed / scale
    level = total - _HEAD
    inner = width - _LEFT - _RIGHT
    for number, (keys, tall) in enumerate(zip(panels, heights, strict=True)):
        level -= tall
        axes = plain(figure, (_LEFT, level, inner, tall))
        _panel(axes, account, keys, x, scale, unit)
        axes.set_xlim(*_limits(x))
        axes.tick_params(labelbottom=False)
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(bottom=False)
        if number == 0:
            _minutes(axes, account, x)
        level -= 26.0
    level += 26.0 - 14.0 - bars
    axes = plain(figure, (_LEFT, level, inner, bars))
    _bars(axes, account, x)
    axes.set_xlim(*_limits(x))
    axes.set_xlabel(
        f"metal removed, mean of {'the plates' if len(account.faces) > 1 else 'the plate'}, {unit}",
        fontsize=11,
        color=SHEET.ink,
    )
    return figure


def leading_panel(axes: Axes, account: RunView) -> Axes:
    """Draw the first of the panels alone, into axes of somebody else's."""
    scale, unit = account.units.small.size, account.units.small.symbol
    _panel(axes, account, _panels(account)[0], common_removed(account) / scale, scale, unit)
    axes.set_xlabel(f"metal removed, {unit}")
    axes.set_ylabel(f"dome up, dish down, {unit}")
    return axes


def _limits(x: Array) -> tuple[float, float]:
    low, high = float(np.min(x)), float(np.max(x))
    return (low, high) if high - low > 1e-9 else (low, low + 1.0)


def _tops(account: RunView) -> list[str]:
    """Plates that were on top at one time or another, in the order of the study."""
    return [f.name for f in account.faces if f.name in set(account.run.top)]


def _panels(account: RunView) -> list[tuple[str, ...]]:
    """Which forms are drawn together: spheres (rails: bow), then the rest where they are worth it."""
    panels: list[tuple[str, ...]] = []
    if any(not f.long for f in account.faces):
        panels.append(("sphere",))
    if any(f.long for f in account.faces):
        panels.append(("bow",))
    leads = [k[0] for k in panels]
    worth = 0.04 * max((_largest(f, k) for f in account.faces for k in leads), default=0.0)
    finish = min((f.finish for f in account.faces if f.finish is not None), default=0.0)
    for key in SPOKEN:
        if key in leads:
            continue
        biggest = max((_largest(f, key) for f in account.faces), default=0.0)
        if biggest > max(worth, finish, 20 * NOTHING):
            panels.append((key,))
    return panels or [("sphere",)]


def _largest(face: Face, key: str) -> float:
    got = np.abs(face.form(key))
    return float(np.nanmax(got)) if np.isfinite(got).any() else 0.0


def _panel(
    axes: Axes, account: RunView, keys: Sequence[str], x: Array, scale: float, unit: str
) -> None:
    ends: list[End] = []
    for number, face in enumerate(account.faces):
        colour, dash = LINES[number % len(LINES)]
        for key in keys:
            y = face.form(key) / scale
            if np.isfinite(y).any():
                axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
                ends.append((float(x[-1]), float(y[np.isfinite(y)][-1]), face.name, colour))
    low, high = axes.get_ylim()
    pad = 0.06 * max(high - low, 1e-3)
    low, high = min(low - pad, -2 * pad), max(high + pad, 2 * pad)
    axes.set_ylim(low, high)
    step = round_step(high - low, 8 if axes.get_position().height > 0.3 else 4)
    ticks = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
    axes.yaxis.set_major_locator(FixedLocator([float(t) for t in ticks]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{abs(v):.4g}"))
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)
    _finish_band(axes, account, x, scale)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    _sides(axes, keys[0], unit, low, high)
    axes.set_xlim(*_limits(x))
    name_ends(axes, ends)


def _finish_band(axes: Axes, account: RunView, x: Array, scale: float) -> None:
    """Shade what is finer than a tenth of the grit of each step."""
    if not account.steps:
        return
    known = {n: limit_of("finish") * s.grit.size / scale for n, s in enumerate(account.steps, 1)}
    finish = np.array([known.get(int(n), np.nan) for n in account.run.step])
    finish[0] = finish[min(1, len(finish) - 1)]
    axes.fill_between(x, -finish, finish, step="pre", color=SHEET.band, linewidth=0, zorder=0)


def _sides(axes: Axes, key: str, unit: str, low: float, high: float) -> None:
    word = f"{FORMS[key].word}, " if key in LONG else ""
    sides = (side.replace("at the ", "at ").removesuffix(" corners") for side in FORMS[key].sides)
    up, down = (fill(f"{word}{side}", 12) for side in sides)
    for y, text, anchor in ((high, f"{up}\n{unit}", "top"), (low, down, "bottom")):
        if (y > 0) == (anchor == "top"):
            axes.annotate(
                text, (0, y), xycoords=("axes fraction", "data"), xytext=(-_LEFT + 2, 0),
                textcoords="offset points", ha="left", va=anchor, fontsize=10.5, color=SHEET.ink,
                annotation_clip=False,
            )  # fmt: skip


def _minutes(axes: Axes, account: RunView, x: Array) -> None:
    """Minutes along the upper edge: at even times, wherever the metal had got to."""
    time = np.asarray(account.run.time, dtype=float) / 60.0
    if not np.ptp(time) > 0 or not np.ptp(x) > 0:
        return
    step = round_step(float(np.ptp(time)), 10)
    marks = step * np.arange(math.ceil(time[0] / step), math.floor(time[-1] / step + 1e-9) + 1)
    places = _apart(
        np.interp(marks, time, x), 34.0 * float(np.ptp(x)) / axes.get_window_extent().width
    )
    upper = axes.secondary_xaxis("top")
    upper.xaxis.set_major_locator(FixedLocator(places))
    upper.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{np.interp(v, x, time):.4g}"))
    upper.spines["top"].set_color(SHEET.muted)
    upper.tick_params(colors=SHEET.muted, labelsize=10.5, width=0.8, length=4)
    factor = account.spread
    note = f"minutes, known to {Units.number(1.0 / factor)} to {Units.number(factor)} times"
    axes.annotate(
        f"{note} {why_band(factor)}", (1, 1), xycoords="axes fraction",
        xytext=(0, 22), textcoords="offset points", ha="right", va="bottom", fontsize=10.5,
        color=SHEET.muted, annotation_clip=False,
    )  # fmt: skip


def _apart(places: Array, least: float) -> list[float]:
    """Those of some places in order that lie at least so far apart."""
    kept: list[float] = []
    for place in places:
        if not kept or place - kept[-1] >= least:
            kept.append(float(place))
    return kept


def _bars(axes: Axes, account: RunView, x: Array) -> None:
    tops = _tops(account)
    colours = {f.name: LINES[k % len(LINES)][0] for k, f in enumerate(account.faces)}
    for row, name in enumerate(tops):
        spans = [
            (x[k], x[k + 1] - x[k]) for k in range(len(x) - 1) if _top_during(account, k) == name
        ]
        axes.broken_barh(
            _merged(spans), (len(tops) - row - 0.82, 0.64), color=colours[name], linewidth=0
        )
        axes.annotate(
            f"{shortened(name, 8)} on top", (0, len(tops) - row - 0.5),
            xycoords=("axes fraction", "data"), xytext=(-8, 0),
            textcoords="offset points", ha="right", va="center", fontsize=10.5, color=SHEET.ink,
            annotation_clip=False,
        )  # fmt: skip
    axes.set_ylim(0, max(len(tops), 1))
    axes.yaxis.set_major_locator(FixedLocator([]))
    axes.spines["left"].set_visible(False)


def _top_during(account: RunView, k: int) -> str:
    """Who lay on top between entries k and k + 1: an entry that says "swap" is made after the swap."""
    event = account.run.event[k + 1]
    return account.run.top[k] if event == "swap" else account.run.top[k + 1]


def _merged(spans: list[tuple[float, float]]) -> list[tuple[float, float]]:
    out: list[tuple[float, float]] = []
    for start, long in spans:
        if out and abs(out[-1][0] + out[-1][1] - start) < 1e-9 * max(1.0, abs(start)):
            out[-1] = (out[-1][0], out[-1][1] + long)
        else:
            out.append((float(start), float(long)))
    return out


MM = 1e3
ONE_SIDED = 0.3  # of the mean depth: halves that differ by more are told


@dataclass(frozen=True)
class Zones:
    """Depth worn off [m]: over all, in the inner part, in the outer part, and as a profile."""

    mean: float
    inner: float
    outer: float
    places: tuple[str, str]
    at: Array  # (k,) distance from the middle [m]
    depth: Array  # (k,) mean depth there [m]; nan without land
    side: (
        tuple[str, float, float] | None
    )  # hour to which most went, depth that way and the other [m]


def zones(face: Face) -> Zones:
    """Depth in the middle third and in the outer tenth (a ring: beside its bore and its outer edge)."""
    record = face.record
    land = np.asarray(record.land, dtype=float)
    worn = np.asarray(record.worn, dtype=float)
    X, Y = np.meshgrid(record.x, record.y)
    if face.long:
        axis = 0 if face.half[0] >= face.half[1] else 1
        far, reach, start = np.abs((X, Y)[axis]), face.half[axis], 0.0
        places = ("in the middle", "at the ends")
    elif face.bore > 0.0:
        far, reach, start = np.hypot(X, Y), max(face.half), face.bore
        places = ("beside the bore", "at the rim")
    else:
        # A square's rim is square: distance in the sense of its own outline.
        square = len(face.outer) and float(np.hypot(*face.outer.T).max()) > 1.2 * max(face.half)
        far = np.maximum(np.abs(X), np.abs(Y)) if square else np.hypot(X, Y)
        reach, start = max(face.half), 0.0
        places = ("in the middle", "at the rim")
    share = (far - start) / max(reach - start, 1e-12)
    inner = _mean(worn, land * (share <= (0.2 if start > 0 else 1 / 3)))
    outer = _mean(worn, land * (share >= (0.8 if start > 0 else 0.9)))
    edges = np.linspace(0.0, 1.0, 25)
    depth = np.array(
        [_mean(worn, land * ((share >= a) & (share <= b))) for a, b in itertools.pairwise(edges)]
    )
    at = start + (reach - start) * 0.5 * (edges[1:] + edges[:-1])
    side = _one_side(X, Y, worn, land, abs(outer - inner))
    return Zones(_mean(worn, land), inner, outer, places, at, depth, side)


def _one_side(
    X: Array, Y: Array, worn: Array, land: Array, radial: float
) -> tuple[str, float, float] | None:
    """Where most went to one side: its hour, the mean depth of the half that way and of the other [m].

    None where the halves differ by less than middle and rim do (`radial` [m]), or by little.
    """
    mean = _mean(worn, land)
    away = [float((land * (worn - mean) * axis).sum()) for axis in (X, Y)]
    ahead = X * away[0] + Y * away[1]
    near, far = _mean(worn, land * (ahead > 0.0)), _mean(worn, land * (ahead < 0.0))
    if not near - far > max(radial, ONE_SIDED * mean):
        return None
    return Units.hour(*away), near, far


def _mean(values: Array, weight: Array) -> float:
    total = float(weight.sum())
    return float((values * weight).sum() / total) if total > 0.0 else float("nan")


def metal(account: RunView, width: float = 1010.0) -> Figure:
    """Maps of the depth worn off, on one scale, and the profiles beside them."""
    number = len(account.faces)
    rail = max(f.half[0] / f.half[1] for f in account.faces) > 2.2
    graph = 400.0
    columns = 1 if rail else min(number, 3)
    rows = -(-number // columns)
    cell = (width - graph - 20.0) / max(columns, 2 if not rail else 1)
    tall = min(cell, 250.0) if not rail else 90.0
    height = max(rows * (tall + 26.0) + 34.0, 250.0)
    figure = new_figure(width, height)
    low, high = _range(account)
    for k, face in enumerate(account.faces):
        row, column = divmod(k, columns)
        bottom = height - (row + 1) * (tall + 26.0)
        axes = bare(figure, (column * cell, bottom, cell - 12.0, tall))
        _map(axes, face, low, high)
        x, y = (column * cell + (cell - 12.0) / 2) / width, (bottom + tall + 7.0) / height
        figure.text(x, y, face.name, ha="center", fontsize=12, weight="bold", color=SHEET.ink)
    _scale(figure, low, high, account.units, columns * cell, height)
    _profiles(figure, account, (width - graph + 64.0, 46.0, graph - 156.0, height - 84.0))
    return figure


def _range(account: RunView) -> tuple[float, float]:
    worn = [np.asarray(f.record.worn, dtype=float)[f.on] for f in account.faces]
    every = np.concatenate([w for w in worn if w.size] or [np.zeros(1)])
    low, high = (float(v) for v in np.percentile(every, (0.5, 99.5)))
    # Where wear is even, a wide ramp over next to nothing would tell a false story.
    if high - low < 0.02 * max(high, 1e-9):
        low, high = 0.0, max(high, 1e-9)
    return low, high


def _map(axes: Axes, face: Face, low: float, high: float) -> None:
    record = face.record
    x, y = np.asarray(record.x) * MM, np.asarray(record.y) * MM
    dx, dy = (x[1] - x[0]) / 2, (y[1] - y[0]) / 2
    worn = np.where(face.on, np.asarray(record.worn, dtype=float), np.nan)
    path = boundary_path(face.outer * MM, face.bore * MM)
    image = axes.imshow(
        patched(worn, np.asarray(record.land, dtype=float), high, REMOVED, low),
        origin="lower",
        extent=(x[0] - dx, x[-1] + dx, y[0] - dy, y[-1] + dy),
        interpolation="none",
    )
    clip = PathPatch(path, transform=axes.transData)
    image.set_clip_path(clip)
    contours(axes, x, y, worn, round_step(max(high - low, 1e-12) / 1e-6, 10) * 1e-6, high, clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.0))
    along, across = face.half[0] * MM, face.half[1] * MM
    axes.set_xlim(-1.02 * along, 1.02 * along)
    axes.set_ylim(-1.02 * across, 1.02 * across)
    axes.set_aspect("equal")


def _scale(
    figure: Figure, low: float, high: float, units: Units, width: float, height: float
) -> None:
    total = figure.get_size_inches()[0] * 72.0
    middle = max(width, 300.0) / 2
    ramp_strip(figure, (middle - 80.0, 10.0, 160.0, 11.0), REMOVED)
    least = "nothing" if low <= 0.0 else typeset(units.size(low))
    for x, text, side in (
        (-88.0, least, "right"),
        (88.0, f"{typeset(units.size(high))} off", "left"),
    ):
        figure.text(
            (middle + x) / total, 12.0 / height, text, ha=side, fontsize=10.5, color=SHEET.muted
        )


def _profiles(figure: Figure, account: RunView, box: tuple[float, float, float, float]) -> None:
    axes = plain(figure, box)
    (scale, _), (long_scale, long_unit) = account.units.small, account.units.long
    ends: list[End] = []
    for k, face in enumerate(account.faces):
        got = zones(face)
        colour, dash = LINES[k % len(LINES)]
        axes.plot(
            got.at / long_scale, got.depth / scale, color=colour, linestyle=dash, linewidth=1.8
        )
        seen = np.flatnonzero(np.isfinite(got.depth))
        if seen.size:
            last = seen[-1]
            ends.append((got.at[last] / long_scale, got.depth[last] / scale, face.name, colour))
    low, high = axes.get_ylim()
    axes.set_ylim(0.0, high if high > 0.5 * abs(low) and high > 1e-3 else 1.0)
    axes.set_xlim(left=0.0)
    name_ends(axes, ends)
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)
    axes.set_xlabel(f"from the middle outwards, {long_unit}", fontsize=11, color=SHEET.ink)
    axes.set_title(
        f"depth worn off, {account.units.small.symbol}", fontsize=11, color=SHEET.ink, loc="left"
    )
