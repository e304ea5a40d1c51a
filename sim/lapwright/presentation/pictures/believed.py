"""Faces as they are believed, with how unsure that is; and how each form went from entry to entry.

Bands are of 95 in 100 shops everywhere.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.ticker import FixedLocator, FuncFormatter

from lapwright.presentation.pictures.faces import contours, patched, ramp_strip
from lapwright.presentation.pictures.ink import (
    HEIGHTS,
    SHEET,
    Array,
    bare,
    boundary_path,
    new_figure,
    plain,
    round_step,
    round_up,
)
from lapwright.presentation.words import typeset
from lapwright.specification.plate import Plate
from lapwright.units import Units

__all__ = ["Believed", "Went", "WentOn", "believed", "went"]


MM = 1e3
Ends = tuple[float, float]  # [m]


@dataclass(frozen=True)
class Believed:
    """A face: its map `heights` (ny, nx) [m] in the middle of what is believed, what is said of it.

    `x` (n,) [m] from 9 to 3 o'clock through the middle; there the height in the `middle` of what is
    believed, `low` and `high` (n,) [m].
    """

    plate: Plate
    heights: Array
    told: tuple[str, ...]
    x: Array
    middle: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class WentOn:
    """One entry: its form as `foretold` before the readings, `known` after them, as each reading has it."""

    label: str
    foretold: Ends | None
    known: tuple[float, float, float] | None = None  # low, middle, high [m]
    read: tuple[float, ...] = ()


@dataclass(frozen=True)
class Went:
    """One form of one plate, entry by entry; `up` and `down`: what stands high on either side of nought."""

    plate: str
    title: str
    up: str
    down: str
    moments: tuple[WentOn, ...]


PANEL, MAP, LEGEND = 256.0, 226.0, 34.0
LINE = 15.0


def believed(faces: Sequence[Believed], units: Units, width: float = 1200.0) -> Figure:
    """Each face as a map, beside it what is said of it and a cut through its middle with its band."""
    columns = min(len(faces), 2)
    rows = -(-len(faces) // columns)
    cell = width / 2.0
    height = rows * PANEL + LEGEND
    figure = new_figure(width, height)
    off = 0.5 * (width - columns * cell)
    unit = units.small.size
    limit = round_up(max(_most(face) for face in faces) / unit) * unit
    reach = max(max(float(np.abs(f.low).max()), float(np.abs(f.high).max())) for f in faces)
    for k, face in enumerate(faces):
        row, column = divmod(k, columns)
        left, bottom = off + column * cell, height - (row + 1) * PANEL
        _map(bare(figure, (left, bottom + 6.0, MAP, PANEL - 12.0)), face, limit, units)
        head = _head(figure, face, left + MAP + 14.0, bottom + PANEL - 20.0, cell - MAP - 26.0)
        room = head - bottom - 58.0
        box = (left + MAP + 52.0, bottom + 34.0, cell - MAP - 84.0, max(room, 60.0))
        _cut(plain(figure, box), face, reach, units)
    _scale(figure, width, limit, units)
    return figure


def _most(face: Believed) -> float:
    return max(float(np.nanmax(np.abs(face.heights))), 1e-9)


def _map(axes: Axes, face: Believed, limit: float, units: Units) -> None:
    plate = face.plate
    x, y = plate.grid.x * MM, plate.grid.y * MM
    half = 0.5 * plate.grid.cell * MM
    path = boundary_path(plate.outline.polygon(180) * MM, 0.5 * plate.outline.bore * MM)
    clip = PathPatch(path, transform=axes.transData)
    colours = patched(face.heights, plate.land, limit, HEIGHTS)
    extent = (x[0] - half, x[-1] + half, y[0] - half, y[-1] + half)
    axes.imshow(colours, origin="lower", extent=extent, interpolation="none").set_clip_path(clip)
    step = round_step(2.0 * limit / units.small.size, 14) * units.small.size
    contours(axes, x, y, face.heights, step, limit, clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.1))
    along, across = (0.5 * side * MM for side in plate.outline.size)
    tick = 0.05 * max(along, across)
    axes.plot([0, 0], [across, across + tick], color=SHEET.ink, linewidth=1.2, clip_on=False)
    axes.text(
        0, across + 1.3 * tick, "12", ha="center", va="bottom", fontsize=9.5, color=SHEET.muted
    )
    axes.set_xlim(-along - tick, along + tick)
    axes.set_ylim(-across - tick, across + 4.5 * tick)
    axes.set_aspect("equal")


def _head(figure: Figure, face: Believed, x: float, y: float, room: float) -> float:
    """Name and words, downwards from a height [points]; gives where they end."""
    width, height = figure.get_size_inches() * 72.0
    figure.text(
        x / width, y / height, face.plate.name, fontsize=13.0, weight="bold", color=SHEET.ink
    )
    for line in face.told:
        for part in textwrap.wrap(typeset(line), max(20, int(room / 5.9)))[:2]:
            y -= LINE
            figure.text(x / width, y / height, part, fontsize=11.0, color=SHEET.ink)
    return y


def _cut(axes: Axes, face: Believed, reach: float, units: Units) -> None:
    """The face cut from 9 to 3 o'clock: the middle of what is believed, in its band."""
    unit, long = units.small, units.long
    x = face.x / long.size
    band = face.low / unit.size, face.high / unit.size
    axes.fill_between(x, *band, color=SHEET.gap, alpha=0.55, linewidth=0.0)
    axes.axhline(0.0, color=SHEET.muted, linewidth=0.8)
    axes.plot(x, face.middle / unit.size, color=SHEET.accent, linewidth=1.9)
    most = 1.08 * reach / unit.size
    axes.set_ylim(-most, most)
    axes.set_xlim(float(x[0]), float(x[-1]))
    _heights_axis(axes, 6)
    axes.xaxis.set_major_locator(FixedLocator([float(x[0]), 0.0, float(x[-1])]))
    axes.set_xticklabels(["9 o'clock", "middle", "3 o'clock"])
    first, _, last = axes.get_xticklabels()
    first.set_horizontalalignment("left")
    last.set_horizontalalignment("right")
    axes.annotate(
        unit.symbol, (0, 1), xycoords="axes fraction", xytext=(-8, 4), textcoords="offset points",
        ha="right", va="bottom", fontsize=10.5, color=SHEET.muted, annotation_clip=False,
    )  # fmt: skip


def _heights_axis(axes: Axes, most: int) -> None:
    low, high = axes.get_ylim()
    step = round_step(high - low, most)
    ticks = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
    axes.yaxis.set_major_locator(FixedLocator([float(t) for t in ticks]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:.4g}".replace("-", "\u2212")))
    axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
    axes.set_axisbelow(True)


def _scale(figure: Figure, width: float, limit: float, units: Units) -> None:
    height = figure.get_size_inches()[1] * 72.0
    size = typeset(units.size(limit))
    ramp_strip(figure, (96.0, 9.0, 150.0, 11.0), HEIGHTS)
    note = (
        "looking at the face, the middle of what is believed; cuts from 9 to 3 o'clock: line the middle, "
        "shaded where it lies in 95 of 100"
    )
    for x, text, side in (
        (88.0, f"{size} low", "right"),
        (254.0, f"{size} high", "left"),
        (width - 4.0, note, "right"),
    ):
        figure.text(x / width, 11.0 / height, text, ha=side, fontsize=10.5, color=SHEET.muted)


TALL, TOP, FOOT, LEFT, GAP = 168.0, 44.0, 40.0, 64.0, 34.0


def went(panels: Sequence[Went], units: Units, width: float = 1010.0) -> Figure:
    """Every form of every plate over the entries, a row for each plate."""
    rows: dict[str, list[Went]] = {}
    for one in panels:
        rows.setdefault(one.plate, []).append(one)
    columns = max(map(len, rows.values()))
    cell = width / columns
    height = len(rows) * (TALL + TOP) + FOOT
    figure = new_figure(width, height)
    for row, own in enumerate(rows.values()):
        bottom = height - (row + 1) * (TALL + TOP) + 22.0
        most = max(_reach(one) for one in own)
        for column, one in enumerate(own):
            box = (column * cell + LEFT, bottom, cell - LEFT - 12.0, TALL - 22.0)
            _went(plain(figure, box), one, most, units)
    _key(figure, width, height)
    return figure


def _reach(one: Went) -> float:
    """How far a panel must reach; what was foretold before anything was read may run off it."""
    ends = [0.0]
    for k, moment in enumerate(one.moments):
        foretold = (moment.foretold or ()) if k or len(one.moments) < 3 else ()
        ends += [*foretold, *(moment.known or ()), *moment.read]
    return max(map(abs, ends))


def _went(axes: Axes, one: Went, most: float, units: Units) -> None:
    unit = units.small.size
    half = min(0.2, 0.03 * len(one.moments) + 0.08)
    for k, moment in enumerate(one.moments):
        if moment.foretold is not None:
            low, high = (end / unit for end in moment.foretold)
            axes.bar(
                k - half, high - low, 2.0 * half, low, color=SHEET.gap, alpha=0.6, linewidth=0.0
            )
        if moment.known is not None:
            low, middle, high = (end / unit for end in moment.known)
            axes.plot([k + half] * 2, [low, high], color=SHEET.ink, linewidth=1.4)
            axes.plot([k + half], [middle], "o", color=SHEET.ink, markersize=5.0)
        if moment.read:
            values = [value / unit for value in moment.read]
            axes.plot(
                [k - half] * len(values), values, "D", color=SHEET.third, markersize=4.6,
                markerfacecolor="none", markeredgewidth=1.3,
            )  # fmt: skip
    end = 1.08 * most / unit
    axes.set_ylim(-end, end)
    axes.set_xlim(-0.6, len(one.moments) - 0.4)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    _heights_axis(axes, 6)
    step = max(1, -(-len(one.moments) // 9))
    shown = [k for k in range(len(one.moments)) if (len(one.moments) - 1 - k) % step == 0]
    axes.xaxis.set_major_locator(FixedLocator([float(k) for k in shown]))
    axes.set_xticklabels([one.moments[k].label for k in shown])
    axes.annotate(
        f"{one.plate}: {one.title}, {units.small.symbol}", (0, 1), xycoords="axes fraction",
        xytext=(-LEFT + 22, 12), textcoords="offset points", ha="left", va="bottom", fontsize=11.5,
        weight="bold", color=SHEET.ink, annotation_clip=False,
    )  # fmt: skip
    for y, text, side in ((0.985, one.up, "top"), (0.015, one.down, "bottom")):
        axes.annotate(
            text, (1, y), xycoords="axes fraction", ha="right", va=side, fontsize=10.0,
            color=SHEET.muted,
        )  # fmt: skip


def _key(figure: Figure, width: float, height: float) -> None:
    """What bars, points and lines are."""
    axes = bare(figure, (0.0, 4.0, width, 18.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, 18.0)
    x = 64.0
    axes.fill_between([x, x + 12.0], 3.0, 15.0, color=SHEET.gap, alpha=0.6, linewidth=0.0)
    axes.text(x + 20.0, 9.0, "foretold, 95 in 100", va="center", fontsize=10.5, color=SHEET.ink)
    x += 180.0
    axes.plot(
        [x + 5.0], [9.0], "D", color=SHEET.third, markersize=4.6, markerfacecolor="none",
        markeredgewidth=1.3,
    )  # fmt: skip
    axes.text(
        x + 18.0, 9.0, "read, as this form (all else as foretold)", va="center", fontsize=10.5,
        color=SHEET.ink,
    )  # fmt: skip
    x += 300.0
    axes.plot([x + 5.0] * 2, [2.0, 16.0], color=SHEET.ink, linewidth=1.4)
    axes.plot([x + 5.0], [9.0], "o", color=SHEET.ink, markersize=5.0)
    axes.text(
        x + 18.0, 9.0, "believed after it, 95 in 100; below: the entry", va="center",
        fontsize=10.5, color=SHEET.ink,
    )  # fmt: skip
