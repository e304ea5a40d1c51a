"""How the top bears: pressure on the overlap in the middle of the stroke and at full overhang."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path

from lapwright.contact.placement import on_bench
from lapwright.presentation.pictures.faces import inside_land, ramp_strip, spread_out
from lapwright.presentation.pictures.ink import (
    REMOVED,
    SHEET,
    Array,
    bare,
    boundary_path,
    new_figure,
    round_step,
    round_up,
    sheet,
)
from lapwright.presentation.pictures.ink import png as to_png
from lapwright.presentation.run_view import RunView
from lapwright.presentation.words import typeset
from lapwright.units import METRIC, Units

if TYPE_CHECKING:
    from lapwright.specification.plate import Plate

__all__ = ["Place", "bearing_figure", "bearing_picture", "bearings", "places", "turned_over"]


MM = 1e3


@dataclass(frozen=True)
class Place:
    """One place of the stroke: where the top lies and how hard it bears.

    Lengths in m, angles in rad, pressures in Pa; `pressure` (ny, nx) on the bottom's grid x, y.
    """

    title: str
    bottom: str
    top: str
    x: Array
    y: Array
    land: Array
    bottom_outer: Array
    bottom_bore: float
    top_outer: Array
    top_bore: float
    theta: float
    c: tuple[float, float]
    pressure: Array
    peak: float
    mean: float
    share: float


def turned_over(outer: Array, theta: float, c: tuple[float, float]) -> Array:
    """Outline (k, 2) of the top as it lies on the bench, face down."""
    at = (np.array([value]) for value in (*c, theta))
    return np.stack(on_bench(outer[:, 0], outer[:, 1], *at), axis=1)


def places(account: RunView, step: int | None = None) -> list[Place]:
    """The places that the run file holds, of one step (default: the last that has any)."""
    kept = [b for b in account.run.bearings if account.face(b.bottom) and account.face(b.top)]
    if not kept:
        return []
    wanted = kept[-1].step if step is None else step
    out = []
    for b in kept:
        bottom, top = account.face(b.bottom), account.face(b.top)
        if b.step != wanted or bottom is None or top is None:
            continue
        out.append(
            Place(
                "in the middle" if b.name == "middle" else f"at {b.name}",
                b.bottom,
                b.top,
                np.asarray(bottom.record.x),
                np.asarray(bottom.record.y),
                np.asarray(bottom.record.land, dtype=float),
                bottom.outer,
                bottom.bore,
                top.outer,
                top.bore,
                float(b.theta),
                (float(b.c[0]), float(b.c[1])),
                np.asarray(b.pressure, dtype=float),
                float(b.peak),
                float(b.mean),
                float(b.contact_share),
            )
        )
    return out


def bearings(account: RunView, width: float = 1010.0) -> Figure | None:
    """The last step's places side by side; None when the run file holds none."""
    got = places(account)
    return bearing_figure(got, account.units, width) if got else None


def bearing_picture(
    pressure: Array,
    bottom: Plate,
    top: Plate,
    *,
    c: tuple[float, float],
    theta: float = 0.0,
    peak: float | None = None,
    mean: float,
    share: float,
    title: str = "",
    units: Units = METRIC,
) -> bytes:
    """A PNG of one place, for the command `bearing`.

    Parameters
    ----------
    pressure
        On the bottom's grid (ny, nx) [Pa].
    c, theta
        Where the top's centre lies [m] and how far it is turned on the bench [rad].
    peak, mean
        Largest pressure and load over the land in overlap [Pa].
    share
        Loaded part of that land.
    """
    place = Place(
        title or "in this place",
        bottom.name,
        top.name,
        bottom.grid.x,
        bottom.grid.y,
        bottom.land,
        np.asarray(bottom.outline.polygon(180)),
        0.5 * bottom.outline.bore,
        np.asarray(top.outline.polygon(180)),
        0.5 * top.outline.bore,
        theta,
        (float(c[0]), float(c[1])),
        pressure,
        float(np.max(pressure)) if peak is None else peak,
        mean,
        share,
    )
    with sheet():
        return to_png(bearing_figure([place], units, 560.0))


def bearing_figure(got: list[Place], units: Units, width: float) -> Figure:
    """Places side by side on one pressure scale, each titled in words."""
    cell = min(width / max(len(got), 1), 520.0)
    box = _window(got)
    tall = min(cell * (box[3] - box[2]) / (box[1] - box[0]), 360.0)
    height = tall + 56.0 + 36.0
    figure = new_figure(width, height)
    highest = max((p.peak for p in got), default=1.0)
    limit = round_up(highest / 1e3) * 1e3 if highest > 0 else 1e3
    for k, place in enumerate(got):
        left = k * width / len(got) + (width / len(got) - cell) / 2
        axes = bare(figure, (left + 6, 36.0, cell - 12, tall))
        _map(axes, place, limit)
        axes.set_xlim(box[0] * MM, box[1] * MM)
        axes.set_ylim(box[2] * MM, box[3] * MM)
        axes.set_aspect("equal")
        _title(figure, place, units, (left + cell / 2) / width, height)
    ramp_strip(figure, (width / 2 - 90.0, 8.0, 180.0, 11.0), REMOVED)
    for x, text, side in ((-98.0, "0", "right"), (98.0, typeset(units.pressure(limit)), "left")):
        figure.text(
            (width / 2 + x) / width, 10.0 / height, text, ha=side, fontsize=10.5, color=SHEET.muted
        )
    return figure


def _window(got: list[Place]) -> tuple[float, float, float, float]:
    """Left, right, low and high of all outlines, with a margin, one window for all places [m]."""
    every = np.vstack(
        [np.vstack([p.bottom_outer, turned_over(p.top_outer, p.theta, p.c)]) for p in got]
    )
    low, high = every.min(axis=0), every.max(axis=0)
    pad = 0.03 * float((high - low).max())
    return float(low[0] - pad), float(high[0] + pad), float(low[1] - pad), float(high[1] + pad)


def _title(figure: Figure, place: Place, units: Units, x: float, height: float) -> None:
    head = f"{place.top} on {place.bottom}, {place.title}"
    figure.text(
        x, 1 - 16.0 / height, head, ha="center", fontsize=12.5, weight="bold", color=SHEET.ink
    )
    part = (
        "all of the overlap bears"
        if place.share >= 0.9995
        else f"{Units.share(place.share)} of the overlap bears"
    )
    numbers = (
        f"{part}, {units.pressure(place.mean)} on average, {units.pressure(place.peak)} at most"
    )
    figure.text(x, 1 - 34.0 / height, typeset(numbers), ha="center", fontsize=11, color=SHEET.ink)


def _map(axes: Axes, place: Place, limit: float) -> None:
    x, y = place.x * MM, place.y * MM
    dx, dy = (x[1] - x[0]) / 2, (y[1] - y[0]) / 2
    bottom = boundary_path(place.bottom_outer * MM, place.bottom_bore * MM)
    lies = boundary_path(place.top_outer * MM, place.top_bore * MM)
    over = Path(turned_over(np.asarray(lies.vertices) / MM, place.theta, place.c) * MM, lies.codes)
    pressure = _carried_over(place, over)
    share = np.clip(np.nan_to_num(pressure) / limit, 0.0, 1.0)
    colour = REMOVED[np.rint(share * (len(REMOVED) - 1)).astype(int)]
    groove = (place.land < 0.5) & inside_land(place.land)
    colour[groove] = (0.62, 0.63, 0.64)
    pixels = np.concatenate([colour, ((np.nan_to_num(pressure) > 0) | groove)[..., None]], axis=2)
    axes.add_patch(PathPatch(bottom, facecolor=SHEET.band, edgecolor="none"))
    picture = axes.imshow(
        np.rint(pixels * 255.0).astype(np.uint8),
        origin="lower",
        extent=(x[0] - dx, x[-1] + dx, y[0] - dy, y[-1] + dy),
        interpolation="none",
        zorder=1.2,
    )
    picture.set_clip_path(PathPatch(over, transform=axes.transData))
    axes.add_patch(PathPatch(_outside(bottom), facecolor=SHEET.paper, edgecolor="none", zorder=1.3))
    lifted = axes.add_patch(
        PathPatch(
            bottom, facecolor="none", edgecolor=SHEET.muted, hatch="////", linewidth=0, zorder=1.1
        )
    )
    lifted.set_clip_path(PathPatch(over, transform=axes.transData))
    _lines(axes, place, limit, over)
    axes.add_patch(PathPatch(bottom, fill=False, edgecolor=SHEET.ink, linewidth=1.1, zorder=1.5))
    axes.add_patch(PathPatch(over, fill=False, edgecolor=SHEET.accent, linewidth=1.5, zorder=1.6))
    where = (
        turned_over(np.array([[0.0, float(place.top_outer[:, 1].max())]]), place.theta, place.c)[0]
        * MM
    )
    axes.plot(*where, marker="o", markersize=4.5, color=SHEET.accent, zorder=1.7)
    axes.plot(
        [place.c[0] * MM],
        [place.c[1] * MM],
        marker="+",
        markersize=9,
        zorder=1.7,
        color=SHEET.accent,
        markeredgewidth=1.4,
    )


def _carried_over(place: Place, over: Path) -> Array:
    """Pressure carried on a little past both outlines, which cut it off cleanly afterwards."""
    X, Y = np.meshgrid(place.x * MM, place.y * MM)
    inside = over.contains_points(np.stack([X.ravel(), Y.ravel()], axis=1)).reshape(X.shape)
    groove = (place.land < 0.5) & inside_land(place.land)
    core = inside.copy()
    core[1:] &= inside[:-1]
    core[:-1] &= inside[1:]
    core[:, 1:] &= inside[:, :-1]
    core[:, :-1] &= inside[:, 1:]
    inside &= core | (place.pressure > 0)  # cells that the edge cuts through may hold no pressure
    seen = np.where(
        ((place.land >= 0.5) & inside) | groove, np.where(groove, 0.0, place.pressure), np.nan
    )
    return spread_out(seen, 2)


def _outside(bottom: Path) -> Path:
    """Everything but the bottom plate: covers what was carried past its edge."""
    points, codes_of = np.asarray(bottom.vertices), np.asarray(bottom.codes)
    far = 4.0 * float(np.abs(points).max())
    frame = np.array([[-far, -far], [far, -far], [far, far], [-far, far], [-far, -far]])
    # The outline goes the other way round than the frame, so that it is a hole in it.
    starts = [*np.flatnonzero(codes_of == Path.MOVETO), len(points)]
    rings = [points[a:b][::-1] for a, b in itertools.pairwise(starts)]
    vertices = [frame, *rings]
    codes = [
        c
        for ring in vertices
        for c in (Path.MOVETO, *[Path.LINETO] * (len(ring) - 2), Path.CLOSEPOLY)
    ]
    return Path(np.vstack(vertices), codes)


def _lines(axes: Axes, place: Place, limit: float, over: Path) -> None:
    p = np.where((place.land >= 0.5) & (place.pressure > 0), place.pressure, np.nan)
    if not np.isfinite(p).any() or float(np.nanmax(p) - np.nanmin(p)) < 1e-3 * limit:
        return
    step = round_step(limit, 8)
    levels = step * np.arange(1, int(limit / step) + 1)
    levels = levels[(levels > np.nanmin(p)) & (levels < np.nanmax(p))]
    if len(levels) and min(p.shape) > 1:
        lines = axes.contour(
            place.x * MM,
            place.y * MM,
            np.ma.masked_invalid(p),
            levels,
            colors="#30343a",
            linewidths=0.7,
            alpha=0.75,
        )
        lines.set_clip_path(PathPatch(over, transform=axes.transData))
