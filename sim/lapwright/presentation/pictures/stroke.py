"""Your stroke on the plate: the path of the top's centre, to scale, with the line where flat faces lift."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from math import pi

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Polygon
from matplotlib.path import Path

from lapwright.contact.stability import lift_off_travel
from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlook
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import land_outline, worst_overhang
from lapwright.presentation.beforehand import over_the_edge
from lapwright.presentation.pictures.bearing import turned_over
from lapwright.presentation.pictures.ink import SHEET, Array, bare, boundary_path, new_figure
from lapwright.presentation.run_view import RunView
from lapwright.presentation.tables import stroke_words as curve_words
from lapwright.presentation.words import typeset
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step
from lapwright.units import Units, joined

__all__ = ["Reach", "reaches", "stroke", "stroke_words"]


MM = 1e3
MOST_PANELS = 3
SHOWN_STROKES = 40  # of a path that goes on changing
A_STROKE = 96  # points of the path in one stroke


@dataclass(frozen=True)
class Reach:
    """What one stroke does, and the steps (from 1) that use it on the same outlines.

    Lengths in m: `path` (n, 2) of the top's centre on the bench, `lift_off` (k, 2) closed line of centres at
    which flat faces begin to lift, or None; `at` (c, theta) the place of the most overhang; `ahead`: what is
    told of the step beforehand, its overhang and its limits; None where nothing can be.
    """

    steps: tuple[int, ...]
    step: Step
    top: Plate
    bottom: Plate
    path: Array
    strokes: int
    lift_off: Array | None
    at: tuple[tuple[float, float], float]
    ahead: Outlook | None
    beyond: float  # share of the places in the stroke where flat faces, not turned, would lift


def reaches(account: RunView) -> list[Reach]:
    """The different strokes of a study, first come first; empty when the study cannot be read."""
    groups: dict[tuple[object, ...], list[int]] = {}
    for number, step in enumerate(account.steps, 1):
        outlines = account.study.plates[step.top].outline, account.study.plates[step.bottom].outline
        key = (
            *outlines,
            step.curve,
            step.direction,
            step.centre,
            step.carry_centre,
            step.walk,
            step.load.at,
            step.load.force * (step.load.at != (0.0, 0.0)),
        )
        groups.setdefault(key, []).append(number)
    found = []
    for numbers in list(groups.values())[:MOST_PANELS]:
        step = account.steps[numbers[0] - 1]
        plates = account.study.plates
        found.append(_reach(tuple(numbers), step, plates[step.top], plates[step.bottom]))
    return found


def _reach(numbers: tuple[int, ...], step: Step, top: Plate, bottom: Plate) -> Reach:
    motion = Motion(replace(step, hand=Hand()))
    moves_on = step.walk.angle != 0.0 or step.curve.period != 1.0
    count = min(step.total_strokes, SHOWN_STROKES) if moves_on else 1
    poses = motion.poses(np.linspace(0.0, count, count * A_STROKE + 1))
    worst = worst_overhang(step, top, bottom)
    there = motion.poses(np.array([worst.at]))
    c = (float(there.cx[0]), float(there.cy[0]))
    ahead: Outlook | None = None
    line: Array | None = None
    with suppress(LapwrightError):
        ahead = outlook({top.name: top, bottom.name: bottom}, step)
        share = step.load.force / ahead.load
        line = _lift_off_line(top, bottom, (share * step.load.at[0], share * step.load.at[1]))
    path = np.stack([poses.cx, poses.cy], axis=1)
    return Reach(
        numbers,
        step,
        top,
        bottom,
        path,
        count,
        line,
        (c, float(there.theta[0])),
        ahead,
        0.0 if line is None else float(1.0 - Path(line).contains_points(path).mean()),
    )


def _lift_off_line(top: Plate, bottom: Plate, offset: tuple[float, float] = (0.0, 0.0)) -> Array:
    """Places of the top's centre at which flat faces begin to lift, nothing yet turned (k, 2) [m].

    The load's line passes `offset` [m] from the top's centre.
    """
    upper, lower = land_outline(top), land_outline(bottom)
    around = np.linspace(0.0, 2.0 * pi, 97)
    if offset != (0.0, 0.0):
        some = np.linspace(0.0, 2.0 * pi, 25)
        known = np.array([lift_off_travel(upper, lower, float(a), offset=offset) for a in some])
        travel = np.interp(around, some, known)
    elif _round(top) and _round(bottom):
        travel = np.full(around.shape, lift_off_travel(upper, lower))
    else:
        # Outlines are alike in all four quarters, so one quarter tells the whole.
        quarter = np.linspace(0.0, 0.5 * pi, 13)
        known = np.array([lift_off_travel(upper, lower, float(a)) for a in quarter])
        folded = np.arccos(np.abs(np.cos(around)))
        travel = np.interp(folded, quarter, known)
    return np.stack([travel * np.cos(around), travel * np.sin(around)], axis=1)


def _round(plate: Plate) -> bool:
    along, across = plate.outline.size
    return abs(along - 2.0 * plate.outline.radius) < 1e-9 and abs(along - across) < 1e-9


def stroke_words(account: RunView, got: list[Reach] | None = None) -> list[str]:
    """What each stroke does, in words; `got` from `reaches`, if it has been asked before."""
    said = []
    for reach in reaches(account) if got is None else got:
        which = "Every step" if len(reach.steps) == len(account.steps) else _which(reach.steps)
        if len(account.steps) == 1:
            which = "The stroke"
        told = [f"{which}: {curve_words(reach.step, account.units)}"]
        if reach.ahead is not None:
            told.append(over_the_edge(reach.step, reach.ahead, account.units))
        if reach.beyond > 0.0:
            part = f"in about {Units.share(reach.beyond)} of the places"
            told.append(
                f"Flat faces would lift {'everywhere' if reach.beyond >= 1.0 else part} in the stroke"
            )
        said.append(". ".join(told) + ".")
    return said


def _which(numbers: tuple[int, ...]) -> str:
    return f"Step{'s' if len(numbers) > 1 else ''} {joined([str(n) for n in numbers])}"


def stroke(
    account: RunView, width: float = 1010.0, got: list[Reach] | None = None
) -> Figure | None:
    """Each stroke over its bottom plate, to scale; None when the study cannot be read."""
    got = reaches(account) if got is None else got
    if not got:
        return None
    cell = min(width / len(got), 480.0)
    boxes = [_window(r) for r in got]
    tall = min(max(cell * (b[3] - b[2]) / (b[1] - b[0]) for b in boxes), 340.0)
    height = tall + 26.0 + 30.0
    figure = new_figure(width, height)
    for k, (reach, box) in enumerate(zip(got, boxes, strict=True)):
        left = (width - cell * len(got)) / 2 + k * cell
        axes = bare(figure, (left + 8, 30.0, cell - 16, tall))
        _draw(axes, reach)
        axes.set_xlim(box[0] * MM, box[1] * MM)
        axes.set_ylim(box[2] * MM, box[3] * MM)
        axes.set_aspect("equal")
        head = f"{reach.top.name} on {reach.bottom.name}"
        if len(account.steps) > 1:
            head += f", {_which(reach.steps).lower()}"
        figure.text(
            (left + cell / 2) / width, 1 - 15.0 / height, head, ha="center", fontsize=12, weight="bold",
            color=SHEET.ink,
        )  # fmt: skip
    _legend(figure, width, height, any(r.lift_off is not None for r in got))
    return figure


def _window(reach: Reach) -> tuple[float, float, float, float]:
    every = [np.asarray(reach.bottom.outline.polygon(90)), reach.path]
    every += [
        turned_over(np.asarray(reach.top.outline.polygon(90)), t, c)
        for c, t in (((0.0, 0.0), 0.0), reach.at)
    ]
    points = np.vstack(every)
    low, high = points.min(axis=0), points.max(axis=0)
    pad = 0.03 * float((high - low).max())
    return float(low[0] - pad), float(high[0] + pad), float(low[1] - pad), float(high[1] + pad)


def _draw(axes: Axes, reach: Reach) -> None:
    bottom = boundary_path(
        np.asarray(reach.bottom.outline.polygon(180)) * MM, 0.5 * reach.bottom.outline.bore * MM
    )
    axes.add_patch(PathPatch(bottom, facecolor=SHEET.band, edgecolor=SHEET.ink, linewidth=1.1))
    c, theta = reach.at
    outer = turned_over(np.asarray(reach.top.outline.polygon(180)), theta, c) * MM
    axes.add_patch(
        Polygon(
            outer,
            closed=True,
            fill=False,
            edgecolor=SHEET.accent,
            linewidth=1.0,
            linestyle=(0, (5, 3)),
        )
    )
    if reach.lift_off is not None:
        axes.add_patch(
            PathPatch(
                Path(reach.lift_off * MM),
                fill=False,
                edgecolor=SHEET.third,
                linewidth=1.6,
                linestyle=(0, (1.5, 2)),
            )
        )
    heavy = 1.8 if reach.strokes == 1 else 0.7
    axes.plot(reach.path[:, 0] * MM, reach.path[:, 1] * MM, color=SHEET.accent, linewidth=heavy)
    axes.plot([0.0], [0.0], marker="+", markersize=8, color=SHEET.ink, markeredgewidth=1.0)
    if np.ptp(reach.path) == 0.0:
        axes.plot(*(reach.path[0] * MM), marker="o", markersize=6, color=SHEET.accent)


def _legend(figure: Figure, width: float, height: float, lifts: bool) -> None:
    axes = bare(figure, (0.0, 0.0, width, 26.0))
    axes.set_xlim(0, width)
    axes.set_ylim(0, 26)
    entries: list[tuple[str, str, object, float]] = [
        ("path of the top's centre", SHEET.accent, "solid", 1.8),
        ("top where it hangs over most", SHEET.accent, (0, (5, 3)), 1.0),
    ]
    if lifts:
        entries.append(("centre here: flat faces start to lift", SHEET.third, (0, (1.5, 2)), 1.6))
    x = width / 2 - 130.0 * len(entries)
    for text, colour, dash, weight in entries:
        axes.plot([x, x + 30], [10, 10], color=colour, linestyle=dash, linewidth=weight)
        axes.text(x + 36, 10, typeset(text), va="center", fontsize=10.5, color=SHEET.muted)
        x += 260.0
