"""Where the metal went: depth worn off each face, and its profile from the middle to the rim."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch

from lapwright.report.account import Account, Face
from lapwright.report.pictures.faces import contours, patched, ramp_strip
from lapwright.report.pictures.ink import (
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
from lapwright.report.typeset import typeset
from lapwright.units import Units

__all__ = ["Zones", "metal", "zones"]

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
    side: tuple[str, float, float] | None  # hour to which most went, depth that way and the other [m]


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


def _one_side(X: Array, Y: Array, worn: Array, land: Array, radial: float) -> tuple[str, float, float] | None:
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


def metal(account: Account, width: float = 1010.0) -> Figure:
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


def _range(account: Account) -> tuple[float, float]:
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


def _scale(figure: Figure, low: float, high: float, units: Units, width: float, height: float) -> None:
    total = figure.get_size_inches()[0] * 72.0
    middle = max(width, 300.0) / 2
    ramp_strip(figure, (middle - 80.0, 10.0, 160.0, 11.0), REMOVED)
    least = "nothing" if low <= 0.0 else typeset(units.size(low))
    for x, text, side in ((-88.0, least, "right"), (88.0, f"{typeset(units.size(high))} off", "left")):
        figure.text((middle + x) / total, 12.0 / height, text, ha=side, fontsize=10.5, color=SHEET.muted)


def _profiles(figure: Figure, account: Account, box: tuple[float, float, float, float]) -> None:
    axes = plain(figure, box)
    (scale, _), (long_scale, long_unit) = account.units.small, account.units.long
    ends: list[End] = []
    for k, face in enumerate(account.faces):
        got = zones(face)
        colour, dash = LINES[k % len(LINES)]
        axes.plot(got.at / long_scale, got.depth / scale, color=colour, linestyle=dash, linewidth=1.8)
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
    axes.set_title(f"depth worn off, {account.units.small.symbol}", fontsize=11, color=SHEET.ink, loc="left")
