"""The top on the plate below: the path of its centre with the line where flat faces lift, and how it bears.

Pressure on the overlap is drawn in the middle of the stroke and at full overhang.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from math import pi
from typing import TYPE_CHECKING

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray

from lapwright.contact.placement import on_bench
from lapwright.contact.stability import WayOut
from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlook
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import land_outline, worst_overhang
from lapwright.presentation.beforehand import over_the_edge
from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.faces import MM, Ground, spread_out
from lapwright.presentation.pictures.ink import SHEET, Array, Style
from lapwright.presentation.run_view import RunView
from lapwright.presentation.tables import stroke_words as curve_words
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step
from lapwright.units import Units, joined

if TYPE_CHECKING:
    from lapwright.contact.pressure import Bearing


MOST_PANELS = 3
SHOWN_STROKES = 40  # of a path that goes on changing
A_STROKE = 96  # points of the path in one stroke


def turned_over(outer: Array, theta: float, c: tuple[float, float]) -> Array:
    """Outline (k, 2) of the top as it lies on the bench, face down."""
    at = (np.array([value]) for value in (*c, theta))
    return np.stack(on_bench(outer[:, 0], outer[:, 1], *at), axis=1)


def _window(outlines: Sequence[Array]) -> tuple[float, float, float, float]:
    """Left, right, low and high of some outlines [m], with a margin [mm]."""
    points = MM * np.vstack(outlines)
    low, high = points.min(axis=0), points.max(axis=0)
    pad = 0.03 * float((high - low).max())
    return low[0] - pad, high[0] + pad, low[1] - pad, high[1] + pad


# --- the path ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Reach:
    """What one stroke does, and the steps (from 1) that use it on the same outlines.

    Lengths in m: `path` (n, 2) of the top's centre on the bench, `lift_off` (k, 2) closed line of centres at
    which flat faces begin to lift, or None; `at` (theta, c) the place of the most overhang; `ahead`: what is
    told of the step beforehand, its overhang and its limits; None where nothing can be.
    """

    steps: tuple[int, ...]
    step: Step
    top: Plate
    bottom: Plate
    path: Array
    strokes: int
    lift_off: Array | None
    at: tuple[float, tuple[float, float]]
    ahead: Outlook | None

    @property
    def beyond(self) -> float:
        """Share of the places in the stroke where flat faces, not turned, would lift."""
        if self.lift_off is None:
            return 0.0
        return float(1.0 - Path(self.lift_off).contains_points(self.path).mean())


def reaches(view: RunView) -> list[Reach]:
    """The different strokes of a study, first come first."""
    plates = view.study.plates
    groups: dict[tuple[object, ...], list[int]] = {}
    for number, step in enumerate(view.steps, 1):
        outlines = plates[step.top].outline, plates[step.bottom].outline
        moved = step.curve, step.direction, step.centre, step.carry_centre, step.walk
        pressed = step.load.at, step.load.force * (step.load.at != (0.0, 0.0))
        groups.setdefault((*outlines, *moved, *pressed), []).append(number)
    some = list(groups.values())[:MOST_PANELS]
    return [_reach(tuple(numbers), view.steps[numbers[0] - 1], plates) for numbers in some]


def _reach(numbers: tuple[int, ...], step: Step, plates: Mapping[str, Plate]) -> Reach:
    top, bottom, motion = plates[step.top], plates[step.bottom], Motion(replace(step, hand=Hand()))
    moves_on = step.walk.angle != 0.0 or step.curve.period != 1.0
    count = min(step.total_strokes, SHOWN_STROKES) if moves_on else 1
    poses = motion.poses(np.linspace(0.0, count, count * A_STROKE + 1))
    there = motion.poses(np.array([worst_overhang(step, top, bottom).at]))
    at = float(there.theta[0]), (float(there.cx[0]), float(there.cy[0]))
    ahead, line = None, None
    with suppress(LapwrightError):
        ahead = outlook({top.name: top, bottom.name: bottom}, step)
        share = step.load.force / ahead.load
        line = _lift_off_line(top, bottom, (share * step.load.at[0], share * step.load.at[1]))
    path = np.stack([poses.cx, poses.cy], axis=1)
    return Reach(numbers, step, top, bottom, path, count, line, at, ahead)


def _lift_off_line(top: Plate, bottom: Plate, offset: tuple[float, float]) -> Array:
    """Places of the top's centre at which flat faces begin to lift, nothing yet turned (k, 2) [m].

    The load's line passes `offset` [m] from the top's centre.
    """
    upper, lower = land_outline(top), land_outline(bottom)
    around = np.linspace(0.0, 2.0 * pi, 97)
    if offset != (0.0, 0.0):
        some, asked = np.linspace(0.0, 2.0 * pi, 25), around
    elif _round(top) and _round(bottom):
        some, asked = np.zeros(1), np.zeros(97)
    else:  # outlines are alike in all four quarters, so one quarter tells the whole
        some, asked = np.linspace(0.0, 0.5 * pi, 13), np.arccos(np.abs(np.cos(around)))
    known = [WayOut(upper, lower, float(a), offset=offset).lift_off for a in some]
    travel = np.interp(asked, some, known)
    return np.stack([travel * np.cos(around), travel * np.sin(around)], axis=1)


def _round(plate: Plate) -> bool:
    along, across = plate.outline.size
    return abs(along - 2.0 * plate.outline.radius) < 1e-9 and abs(along - across) < 1e-9


def stroke_words(view: RunView, found: Sequence[Reach]) -> list[str]:
    """What each stroke does, in words."""
    lines = []
    for reach in found:
        which = "Every step" if len(reach.steps) == len(view.steps) else _which(reach.steps)
        if len(view.steps) == 1:
            which = "The stroke"
        told = [f"{which}: {curve_words(reach.step, view.units)}"]
        if reach.ahead is not None:
            told.append(
                over_the_edge(
                    reach.step, reach.ahead, view.units, view.study.plates[reach.step.top]
                )
            )
        if reach.beyond > 0.0:
            part = f"in about {Units.share(reach.beyond)} of the places"
            where = "everywhere" if reach.beyond >= 1.0 else part
            told.append(f"Flat faces would lift {where} in the stroke")
        lines.append(". ".join(told) + ".")
    return lines


def _which(numbers: tuple[int, ...]) -> str:
    return f"Step{'s' if len(numbers) > 1 else ''} {joined([str(n) for n in numbers])}"


def stroke(view: RunView, found: Sequence[Reach], width: float = 1010.0) -> Figure:
    """Each stroke over its bottom plate, to scale."""
    cell = min(width / len(found), 480.0)
    boxes = []
    for r in found:
        outer = r.top.outline.polygon(90)
        tops = [turned_over(outer, *at) for at in ((0.0, (0.0, 0.0)), r.at)]
        boxes.append(_window([r.bottom.outline.polygon(90), r.path, *tops]))
    tall = min(max(cell * (b[3] - b[2]) / (b[1] - b[0]) for b in boxes), 340.0)
    figure = ink.new_figure(width, tall + 56.0)
    for k, (reach, box) in enumerate(zip(found, boxes, strict=True)):
        left = (width - cell * len(found)) / 2 + k * cell
        axes = ink.bare(figure, (left + 8, 30.0, cell - 16, tall), box)
        axes.set_aspect("equal")
        _draw_path(axes, reach)
        head = f"{reach.top.name} on {reach.bottom.name}"
        head += f", {_which(reach.steps).lower()}" if len(view.steps) > 1 else ""
        ink.heading(figure, left + cell / 2, tall + 41.0, head)
    path, over, lifts = (Line2D([], [], **style) for style in (PATH, OVER, LIFTS))
    ink.legend(
        figure, [path, over, *([lifts] if any(r.lift_off is not None for r in found) else [])]
    )
    return figure


PATH: Style = {"label": "path of the top's centre", "color": SHEET.accent, "linewidth": 1.8}
OVER: Style = {
    "label": "top where it hangs over most",
    "color": SHEET.accent,
    "linewidth": 1.0,
    "linestyle": (0, (5, 3)),
}
LIFTS: Style = {
    "label": "centre here: flat faces start to lift",
    "color": SHEET.third,
    "linewidth": 1.6,
    "linestyle": (0, (1.5, 2)),
}


def _draw_path(axes: Axes, reach: Reach) -> None:
    bottom = Ground.of(reach.bottom).path()
    axes.add_patch(PathPatch(bottom, facecolor=SHEET.band, edgecolor=SHEET.ink, linewidth=1.1))
    outer = MM * turned_over(reach.top.outline.polygon(180), *reach.at)
    axes.plot(*np.vstack([outer, outer[:1]]).T, **OVER)
    if reach.lift_off is not None:
        axes.plot(*(MM * reach.lift_off.T), **LIFTS)
    axes.plot(*(MM * reach.path.T), **PATH | ({} if reach.strokes == 1 else {"linewidth": 0.7}))
    axes.plot(0.0, 0.0, marker="+", markersize=8, color=SHEET.ink, markeredgewidth=1.0)
    if np.ptp(reach.path) == 0.0:
        axes.plot(*(MM * reach.path[0]), marker="o", markersize=6, color=SHEET.accent)


# --- how it bears ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Place:
    """One place of the stroke: where the top lies (`theta` [rad], `c` [m]) and how hard it bears [Pa].

    `pressure` (ny, nx) on the cells of the bottom, its `peak`, its `mean`; the loaded `share` of the overlap.
    """

    title: str
    names: tuple[str, str]
    bottom: Ground
    top: Ground
    theta: float
    c: tuple[float, float]
    pressure: Array
    peak: float
    mean: float
    share: float


def places(view: RunView) -> list[Place]:
    """The places that the run file holds, of the last step that has any."""
    found = []
    for b in view.run.bearings:
        top, bottom = view.face(b.top), view.face(b.bottom)
        if b.step != view.run.bearings[-1].step or top is None or bottom is None:
            continue
        title = "in the middle" if b.name == "middle" else f"at {b.name}"
        where = float(b.theta), (float(b.c[0]), float(b.c[1]))
        how = b.peak, b.mean, b.contact_share
        pressure: Array = np.asarray(b.pressure, dtype=float)
        names, grounds = (b.top, b.bottom), (Ground.of(bottom), Ground.of(top))
        found.append(Place(title, names, *grounds, *where, pressure, *how))
    return found


def bearing_picture(got: Bearing, plates: Mapping[str, Plate], title: str, units: Units) -> bytes:
    """A PNG of one place, for the command `bearing`."""
    grounds = Ground.of(plates[got.bottom]), Ground.of(plates[got.top])
    how = got.pressure_peak, got.pressure_mean, got.contact_share
    place = Place(title, (got.top, got.bottom), *grounds, got.theta, got.c, got.pressure, *how)
    with ink.sheet():
        return ink.png(bearings([place], units, 560.0))


def bearings(found: Sequence[Place], units: Units, width: float = 1010.0) -> Figure:
    """Places side by side on one pressure scale, each titled in words."""
    cell = min(width / len(found), 520.0)
    outlines = [(p.bottom.outer, turned_over(p.top.outer, p.theta, p.c)) for p in found]
    box = _window([outline for pair in outlines for outline in pair])
    tall = min(cell * (box[3] - box[2]) / (box[1] - box[0]), 360.0)
    figure = ink.new_figure(width, tall + 92.0)
    highest = max(p.peak for p in found)
    limit = ink.round_up(highest / 1e3) * 1e3 if highest > 0 else 1e3
    for k, place in enumerate(found):
        middle = (k + 0.5) * width / len(found)
        axes = ink.bare(figure, (middle - 0.5 * cell + 6, 36.0, cell - 12, tall), box)
        axes.set_aspect("equal")
        _draw_pressure(axes, place, limit)
        ink.heading(figure, middle, tall + 76.0, f"{' on '.join(place.names)}, {place.title}", 12.5)
        part = "all" if place.share >= 0.9995 else Units.share(place.share)
        average, most = units.pressure(place.mean), units.pressure(place.peak)
        told = f"{part} of the overlap bears, {average} on average, {most} at most"
        ink.write(figure, middle, tall + 58.0, told, 11, color=SHEET.ink)
    ink.ramp_scale(figure, width / 2, ink.REMOVED, "0", units.pressure(limit))
    return figure


def _draw_pressure(axes: Axes, place: Place, limit: float) -> None:
    ground = place.bottom
    bottom, top = ground.path(), place.top.path()
    lies = MM * turned_over(np.asarray(top.vertices) / MM, place.theta, place.c)
    over = Path(lies, top.codes)
    clip = PathPatch(over, transform=axes.transData)
    groove = (ground.land < 0.5) & ground.grooved
    pressure = np.nan_to_num(_carried_over(place, over, groove))
    share = np.clip(pressure / limit, 0.0, 1.0)
    colour = ink.REMOVED[np.rint(share * (len(ink.REMOVED) - 1)).astype(int)]
    colour[groove] = (0.62, 0.63, 0.64)
    pixels = np.concatenate([colour, ((pressure > 0) | groove)[..., None]], axis=2)
    axes.add_patch(PathPatch(bottom, facecolor=SHEET.band, edgecolor="none"))
    picture = axes.imshow(
        np.rint(pixels * 255.0).astype(np.uint8),
        origin="lower",
        aspect="equal",
        extent=ground.extent(),
        interpolation="none",
        zorder=1.2,
    )
    lifted = PathPatch(
        bottom, fill=False, edgecolor=SHEET.muted, hatch="////", linewidth=0, zorder=1.1
    )
    axes.add_patch(lifted)
    axes.add_patch(PathPatch(_outside(bottom), facecolor=SHEET.paper, edgecolor="none", zorder=1.3))
    for drawn in (picture, lifted):
        drawn.set_clip_path(clip)
    _equal_pressure(axes, place, limit, clip)
    axes.add_patch(PathPatch(bottom, fill=False, edgecolor=SHEET.ink, linewidth=1.1, zorder=1.5))
    axes.add_patch(PathPatch(over, fill=False, edgecolor=SHEET.accent, linewidth=1.5, zorder=1.6))
    mark = np.array([[0.0, 0.0], [0.0, place.top.half[1]]])
    centre, twelve = MM * turned_over(mark, place.theta, place.c)
    axes.plot(*twelve, marker="o", markersize=4.5, color=SHEET.accent, zorder=1.7)
    cross: Style = {"marker": "+", "markersize": 9, "markeredgewidth": 1.4}
    axes.plot(*centre, **cross, color=SHEET.accent, zorder=1.7)


def _carried_over(place: Place, over: Path, groove: NDArray[np.bool_]) -> Array:
    """Pressure carried on a little past both outlines, which cut it off cleanly afterwards."""
    X, Y = np.meshgrid(MM * place.bottom.x, MM * place.bottom.y)
    inside = over.contains_points(np.stack([X.ravel(), Y.ravel()], axis=1)).reshape(X.shape)
    core = inside.copy()
    core[1:] &= inside[:-1]
    core[:-1] &= inside[1:]
    core[:, 1:] &= inside[:, :-1]
    core[:, :-1] &= inside[:, 1:]
    inside &= core | (place.pressure > 0)  # cells that the edge cuts through may hold no pressure
    seen = np.where((place.bottom.land >= 0.5) & inside, place.pressure, np.nan)
    return spread_out(np.where(groove, 0.0, seen), 2)


def _outside(bottom: Path) -> Path:
    """Everything but the bottom plate: covers what was carried past its edge."""
    points, codes = np.asarray(bottom.vertices), np.asarray(bottom.codes)
    far = 4.0 * float(np.abs(points).max())
    frame = far * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0]])
    # The outline goes the other way round than the frame, so that it is a hole in it.
    starts = [*np.flatnonzero(codes == Path.MOVETO), len(points)]
    rings = [frame, *(points[a:b][::-1] for a, b in itertools.pairwise(starts))]
    return Path.make_compound_path(*(Path(ring, closed=True) for ring in rings))


def _equal_pressure(axes: Axes, place: Place, limit: float, clip: PathPatch) -> None:
    """Lines of equal pressure."""
    p = np.where((place.bottom.land >= 0.5) & (place.pressure > 0), place.pressure, np.nan)
    if not np.isfinite(p).any() or float(np.nanmax(p) - np.nanmin(p)) < 1e-3 * limit:
        return
    step = ink.round_step(limit, 8)
    levels = step * np.arange(1, int(limit / step) + 1)
    levels = levels[(levels > np.nanmin(p)) & (levels < np.nanmax(p))]
    if len(levels) and min(p.shape) > 1:
        lines = axes.contour(
            MM * place.bottom.x,
            MM * place.bottom.y,
            np.ma.masked_invalid(p),
            levels,
            colors="#30343a",
            linewidths=0.7,
            alpha=0.75,
        )
        lines.set_clip_path(clip)
