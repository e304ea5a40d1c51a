"""Every face before and after, on one scale; and as frames of the page's slider.

The saved surfaces as compact arrays for the page's slider: one byte a cell, a scale a frame.
"""

from __future__ import annotations

import base64
import json
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from numpy.typing import NDArray

from lapwright.presentation import words
from lapwright.presentation.pictures.ink import (
    HEIGHTS,
    SHEET,
    Array,
    bare,
    boundary_path,
    new_figure,
    round_step,
    round_up,
)
from lapwright.presentation.run_view import Face, RunView, common_removed, level
from lapwright.presentation.words import MARK, marked_face, typeset
from lapwright.units import Units

__all__ = [
    "contour_step",
    "contours",
    "face_map",
    "faces",
    "frames_json",
    "height_limit",
    "inside_land",
    "one_face",
    "patched",
    "ramp_strip",
    "spread_out",
]


MM = 1e3
_TITLE = 62.0  # height of a title [points]
_LEGEND = 34.0


def height_limit(account: RunView) -> float:
    """Ends of the height scale [m], one for all faces; a round number in the person's units."""
    unit = account.units.small.size
    return round_up(account.limit / unit) * unit


def contour_step(limit: float, units: Units) -> float:
    """Height between contour lines [m]: at most fourteen of them from end to end."""
    return round_step(2.0 * limit / units.small.size, 14) * units.small.size


def faces(account: RunView, width: float = 1200.0) -> Figure:
    """Before and after of every plate, titled in words.

    Parameters
    ----------
    width
        Width of the drawing [points].
    """
    plan = _lay_out(account, width)
    height = sum(plan.talls) + len(plan.talls) * plan.title + _LEGEND
    figure = new_figure(width, height)
    limit = height_limit(account)
    place = 0
    for face in account.faces:
        for when, heights, forms in (
            ("before", face.levelled[0], face.before),
            ("after", face.levelled[1], face.after),
        ):
            row, column = divmod(place, plan.columns)
            bottom = height - sum(plan.talls[: row + 1]) - (row + 1) * plan.title
            axes = bare(figure, (column * plan.cell, bottom, plan.cell, plan.talls[row]))
            face_map(axes, face, heights, limit, contour_step(limit, account.units))
            x = (column + 0.5) * plan.cell / width
            _title(figure, face, when, forms, account.units, x, bottom + plan.talls[row], plan.cell)
            place += 1
    _legend(figure, width, limit, account.units)
    return figure


@dataclass(frozen=True)
class _Plan:
    columns: int
    cell: float  # width of a cell [points]
    talls: list[float]  # height of the faces in each row [points]
    title: float


def _lay_out(account: RunView, width: float) -> _Plan:
    """Columns and heights: all in one row where it goes, rails one under the other."""
    number = 2 * len(account.faces)
    rails = max(f.half[0] / f.half[1] for f in account.faces) > 2.2
    most = 2 if rails else 4 if len(account.faces) in (1, 2, 4) else 6
    columns = min(number, most)
    cell = width / max(columns, 2 if rails else 4)
    rows = -(-number // columns)
    cap = 100.0 if rails else 232.0 if rows == 1 else 205.0
    talls = []
    for row in range(rows):
        there = [
            account.faces[k // 2] for k in range(row * columns, min((row + 1) * columns, number))
        ]
        tallest = max(f.half[1] / f.half[0] for f in there)
        talls.append(max(min(cell * 0.92 * tallest + 22.0, cap), 60.0))
    return _Plan(columns, cell, talls, 46.0 if rails else _TITLE)


def _title(
    figure: Figure,
    face: Face,
    when: str,
    forms: Mapping[str, float | None],
    units: Units,
    x: float,
    y: float,
    cell: float,
) -> None:
    height = figure.get_size_inches()[1] * 72.0
    # What came in was not made by this grit, so it is told whatever the finish.
    finish, room = face.finish if when == "after" else None, max(16, int(cell / 6.4))
    lines = textwrap.wrap(typeset(words.face(forms, finish, units)), room)[:3]
    if len(lines) > 1:  # the remark must not be parted from what it is about
        lines = textwrap.wrap(typeset(marked_face(forms, finish, MARK, units)), room)[:3]
    first = y + 6.0 + 15.0 * len(lines)
    name = f"{face.name} {when}"
    figure.text(
        x,
        first / height,
        name,
        ha="center",
        va="baseline",
        fontsize=12.5,
        weight="bold",
        color=SHEET.ink,
    )
    for k, line in enumerate(lines):
        at = (first - 15.0 * (k + 1)) / height
        figure.text(x, at, line, ha="center", va="baseline", fontsize=11.5, color=SHEET.ink)


def face_map(axes: Axes, face: Face, heights: Array, limit: float, step: float) -> None:
    """One face: colours, contour lines, outline, grooves and the clock."""
    record = face.record
    x, y = np.asarray(record.x) * MM, np.asarray(record.y) * MM
    extent = _extent(x, y)
    path = boundary_path(face.outer * MM, face.bore * MM)
    clip = PathPatch(path, transform=axes.transData)
    picture = axes.imshow(
        patched(heights, np.asarray(record.land), limit, HEIGHTS),
        origin="lower",
        extent=extent,
        interpolation="none",
    )
    picture.set_clip_path(clip)
    contours(axes, x, y, heights, step, limit, clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.1))
    _clock(axes, face)


def one_face(axes: Axes, account: RunView, name: str) -> Axes:
    """Draw the face of a plate at the end into axes of somebody else's, lengths in mm."""
    face = next(face for face in account.faces if face.name == name)
    limit = height_limit(account)
    face_map(axes, face, face.levelled[1], limit, contour_step(limit, account.units))
    axes.set_aspect("equal")
    axes.set_title(name)
    return axes


def _extent(x: Array, y: Array) -> tuple[float, float, float, float]:
    dx = (x[1] - x[0]) / 2 if len(x) > 1 else 0.5
    dy = (y[1] - y[0]) / 2 if len(y) > 1 else 0.5
    return float(x[0] - dx), float(x[-1] + dx), float(y[0] - dy), float(y[-1] + dy)


def patched(
    heights: Array, land: Array, limit: float, ramp: Array, low: float | None = None
) -> NDArray[np.uint8]:
    """Colours (ny, nx, 3) as bytes: grooves grey, and the colour carried on past the edge of the land.

    The outline cuts it off afterwards; without carrying on, the last cells would fade at the rim.
    """
    filled = spread_out(heights, 2)
    floor = -limit if low is None else low
    share = np.clip((filled - floor) / (limit - floor), 0.0, 1.0)
    lost = ~np.isfinite(share)
    index = np.rint(np.where(lost, 0.0, share) * (len(ramp) - 1)).astype(int)
    colour = ramp[index]
    colour[lost] = (0.62, 0.63, 0.64)
    groove = np.isfinite(filled) & np.where(land < 0.5, inside_land(land), _amid_land(land))
    shade = np.clip(1.0 - land, 0.0, 1.0)[..., None] * groove[..., None]
    colour = colour * (1.0 - shade) + np.array([0.50, 0.52, 0.54]) * shade
    return np.asarray(np.rint(colour * 255.0), dtype=np.uint8)


def inside_land(land: Array) -> NDArray[np.bool_]:
    """Cells with land on two opposite sides, along x or y: a groove, not the outer edge."""
    seen = land >= 0.5
    left = np.maximum.accumulate(seen, axis=1)
    right = np.maximum.accumulate(seen[:, ::-1], axis=1)[:, ::-1]
    below = np.maximum.accumulate(seen, axis=0)
    above = np.maximum.accumulate(seen[::-1], axis=0)[::-1]
    return np.asarray((left & right) | (below & above))


def _amid_land(land: Array) -> NDArray[np.bool_]:
    """Cells with land on all four sides, themselves left out: never at the outer edge."""
    seen = np.pad(land >= 0.5, 1)
    left = np.maximum.accumulate(seen, axis=1)[1:-1, :-2]
    right = np.maximum.accumulate(seen[:, ::-1], axis=1)[:, ::-1][1:-1, 2:]
    below = np.maximum.accumulate(seen, axis=0)[:-2, 1:-1]
    above = np.maximum.accumulate(seen[::-1], axis=0)[::-1][2:, 1:-1]
    return np.asarray(left & right & below & above)


def spread_out(heights: Array, times: int) -> Array:
    """Fill the cells beside the land with the mean of their neighbours, `times` cells far."""
    out = np.array(heights, dtype=float)
    for _ in range(times):
        holes = ~np.isfinite(out)
        if not holes.any():
            break
        total, count = _of_nine(np.where(holes, 0.0, out)), _of_nine(1.0 - holes)
        fill = holes & (count > 0)
        out[fill] = total[fill] / count[fill]
    return out


def _of_nine(values: Array) -> Array:
    """Sum over every cell and the eight round it."""
    wide = np.pad(values, 1)
    lines = wide[:-2] + wide[1:-1] + wide[2:]
    return np.asarray(lines[:, :-2] + lines[:, 1:-1] + lines[:, 2:])


def contours(
    axes: Axes, x: Array, y: Array, heights: Array, step: float, limit: float, clip: PathPatch
) -> None:
    """Lines of equal height every `step`, heavier at the mean plane, dashed below it."""
    z = spread_out(heights, 3)
    if not np.isfinite(z).any() or min(z.shape) < 2:
        return
    top, low = float(np.nanmax(z)), float(np.nanmin(z))
    first, last = int(np.ceil(low / step)), int(np.floor(top / step))
    # On a face that is flat to within a step, the one line left would wander without a meaning.
    if top - low < step or last < first:
        return
    levels = step * np.arange(first, min(last, first + 40) + 1)
    lines = axes.contour(
        x,
        y,
        np.ma.masked_invalid(z),
        levels,
        colors="#30343a",
        linewidths=np.where(np.abs(levels) <= step / 2, 1.2, 0.7),
        linestyles=["dashed" if level < -step / 2 else "solid" for level in levels],
        alpha=0.75,
    )
    lines.set_clip_path(clip)


def _clock(axes: Axes, face: Face) -> None:
    """The mark of 12 o'clock, ticks at 3, 6 and 9."""
    along, across = (h * MM for h in face.half)
    big = max(along, across)
    tick = 0.045 * big
    for ux, uy in ((0, 1), (1, 0), (0, -1), (-1, 0)):
        x, y = ux * along, uy * across
        axes.plot(
            [x, x + ux * tick], [y, y + uy * tick], color=SHEET.ink, linewidth=1.2, clip_on=False
        )
    axes.text(
        0, across + 1.35 * tick, "12", ha="center", va="bottom", fontsize=9.5, color=SHEET.muted
    )
    room = 0.16 * big if big < 2.2 * across else 0.05 * big
    axes.set_xlim(-along - 1.6 * tick, along + 1.6 * tick)
    axes.set_ylim(-across - 1.6 * tick, across + room + tick)
    axes.set_aspect("equal")
    axes.set_anchor("S")


def _legend(figure: Figure, width: float, limit: float, units: Units) -> None:
    step = contour_step(limit, units)
    height = figure.get_size_inches()[1] * 72.0
    size = typeset(units.size(limit))
    ramp_strip(figure, (width / 2 - 330.0, 9.0, 190.0, 11.0), HEIGHTS)
    figure.text(
        (width / 2 - 338.0) / width,
        11.0 / height,
        f"{size} low",
        ha="right",
        fontsize=10.5,
        color=SHEET.muted,
    )
    figure.text(
        (width / 2 - 132.0) / width,
        11.0 / height,
        f"{size} high",
        ha="left",
        fontsize=10.5,
        color=SHEET.muted,
    )
    every = typeset(units.size(step))
    note = f"contour lines every {every}, dashed below the mean plane; looking at the face"
    if any(MARK in text.get_text() for text in figure.texts):
        note += f"; {MARK} {words.REMARK}"
    figure.text(
        (width / 2 - 40.0) / width, 11.0 / height, note, ha="left", fontsize=10.5, color=SHEET.muted
    )


def ramp_strip(figure: Figure, box: tuple[float, float, float, float], ramp: Array) -> None:
    """A strip of the colour ramp, left to right."""
    axes = bare(figure, box)
    strip = np.rint(ramp[None, ::4] * 255.0).astype(np.uint8)
    axes.imshow(strip, aspect="auto", interpolation="none", extent=(0, 1, 0, 1))
    axes.plot([0, 1, 1, 0, 0], [0, 0, 1, 1, 0], color=SHEET.muted, linewidth=0.6, clip_on=False)


BUDGET = 850_000  # bytes of heights in all, so that the page stays well under three megabytes
FINEST = 112  # cells along the longer side: finer than a screen shows at this size


def frames_json(account: RunView) -> str:
    """All frames of all plates as JSON, safe inside a script element."""
    count = max((len(f.record.frame_time) for f in account.faces), default=0)
    share = BUDGET / max(1, len(account.faces) * count)
    faces = [_thinned(face, min(FINEST, int(share**0.5))) for face in account.faces]
    limit = height_limit(account)
    data = {
        "limit": limit / 1e-6,
        "step": contour_step(limit, account.units) / 1e-6,
        "ramp": _text(np.rint(HEIGHTS * 255.0).astype(np.uint8)),
        "told": [_told(account, k) for k in range(count)],
        "cells": [f.pop("cells") for f in faces],
        "plates": faces,
    }
    for entry, face in zip(faces, account.faces, strict=True):
        entry["words"] = [_words(account, face, k) for k in range(count)]
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _text(array: NDArray[np.uint8]) -> str:
    return base64.b64encode(np.ascontiguousarray(array).tobytes()).decode("ascii")


def _thinned(face: Face, most: int) -> dict[str, object]:
    """Frames of a face on at most `most` cells along its longer side."""
    record = face.record
    land = np.asarray(record.land, dtype=float)
    ny, nx = land.shape
    keep = min(1.0, max(most, 8) / max(nx, ny))
    rows, columns = max(2, round(ny * keep)), max(2, round(nx * keep))
    small_land = _averaged(land, rows, columns)
    maps, low, span = [], [], []
    for frame in record.frames:
        z = level(record, frame)
        on = np.isfinite(z)
        weight = _averaged(land * on, rows, columns)
        total = _averaged(land * np.nan_to_num(z), rows, columns)
        small = np.full(weight.shape, np.nan)
        some = weight > 0.02
        small[some] = total[some] / weight[some] / 1e-6
        small = spread_out(small, 3)
        least = float(np.nanmin(small)) if np.isfinite(small).any() else 0.0
        wide = float(np.nanmax(small)) - least if np.isfinite(small).any() else 0.0
        share = np.nan_to_num((small - least) / (wide or 1.0))
        maps.append(np.rint(255.0 * np.clip(share, 0.0, 1.0)).astype(np.uint8))
        low.append(round(least, 6))
        span.append(round(wide, 6))
    half_x, half_y = _half(record.x), _half(record.y)
    along, up = face.half
    groove = np.where(_within(face, small_land.shape, half_x, half_y), small_land, 1.0)
    return {
        "nx": columns,
        "ny": rows,
        "cells": [_mm(v) for v in (
            record.x[0] - half_x, record.x[-1] + half_x, record.y[0] - half_y, record.y[-1] + half_y
        )],
        "window": [_mm(along), _mm(up)],
        "outer": [[_mm(x), _mm(y)] for x, y in face.outer],
        "bore": _mm(face.bore),
        "low": low,
        "span": span,
        "land": _text(np.rint(255.0 * np.clip(groove, 0.0, 1.0)).astype(np.uint8)),
        "z": _text(np.stack(maps)),
    }  # fmt: skip


def _within(face: Face, shape: tuple[int, ...], half_x: float, half_y: float) -> NDArray[np.bool_]:
    """Thinned cells well inside the outline: there, missing land is a groove, not the rim."""
    record = face.record
    y = np.linspace(record.y[0] - half_y, record.y[-1] + half_y, 2 * shape[0] + 1)[1::2]
    x = np.linspace(record.x[0] - half_x, record.x[-1] + half_x, 2 * shape[1] + 1)[1::2]
    X, Y = np.meshgrid(x, y)
    cell = max(x[1] - x[0], y[1] - y[0])
    along, up = face.half
    boxed = (np.abs(X) < along - cell) & (np.abs(Y) < up - cell)
    if float(np.hypot(*face.outer.T).max()) > 1.2 * max(along, up) or along != up:
        return np.asarray(boxed)
    radius = np.hypot(X, Y)
    return np.asarray((radius < along - cell) & (radius > face.bore + cell))


def _averaged(values: Array, rows: int, columns: int) -> Array:
    """Means over equal stretches of both axes (exact also where stretches cut cells)."""
    return _averaged_down(_averaged_down(values, rows).T, columns).T


def _averaged_down(values: Array, few: int) -> Array:
    # Running sums read off between cells: no matrix product, whose threads cost more than the work here.
    many = len(values)
    if many == few:
        return values
    running = np.vstack([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
    edge = np.arange(few + 1) * (many / few)
    whole = np.minimum(edge.astype(int), many - 1)
    share = (edge - whole)[:, None]
    at = running[whole] * (1.0 - share) + running[whole + 1] * share
    return np.asarray(np.diff(at, axis=0) * (few / many))


def _half(at: Array) -> float:
    return float(at[1] - at[0]) / 2 if len(at) > 1 else 5e-4


def _mm(value: float) -> float:
    return round(float(value) * 1e3, 4)


def _entry(account: RunView, seconds: float) -> int:
    """The entry of the history nearest in time, the later one of equals."""
    time = np.asarray(account.run.time, dtype=float)
    return int(len(time) - 1 - np.argmin(np.abs(time[::-1] - seconds)))


def _frame_time(account: RunView, k: int) -> float:
    times = max((f.record.frame_time for f in account.faces), key=len)
    return float(times[k])


def _told(account: RunView, k: int) -> str:
    """What stands beside the slider: metal removed first, then minutes with their band."""
    seconds = _frame_time(account, k)
    time, removed = np.asarray(account.run.time, dtype=float), common_removed(account)
    if k == 0 or len(time) == 0:
        return "at the start"
    off = float(np.interp(seconds, time, removed))
    entry = _entry(account, seconds)
    who = f"{account.run.top[entry]} on {account.run.bottom[entry]}"
    return typeset(
        f"{account.units.size(off)} removed; {Units.rubbing(seconds, account.spread)}; {who}"
    )


def _words(account: RunView, face: Face, k: int) -> str:
    entry = _entry(account, _frame_time(account, k)) if k else 0
    forms = {key: _known(face, key, entry) for key in face.before}
    return typeset(words.face(forms, face.finish, account.units))


def _known(face: Face, key: str, entry: int) -> float | None:
    got = face.form(key)
    value = float(got[entry]) if len(got) else float("nan")
    return value if np.isfinite(value) else None
