"""How they got there: forms against metal removed, or from entry to entry; and where the metal went."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from textwrap import fill

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, FuncFormatter

from lapwright.limits import why_band
from lapwright.metrology.form import FORMS, LONG, SPOKEN
from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.faces import MM, Ground, coloured, contours, draw_map
from lapwright.presentation.pictures.ink import SHEET, Array, Box, Style
from lapwright.presentation.run_view import Face, RunView, common_removed
from lapwright.study.doubts import doubt_on
from lapwright.units import NOTHING, Units, shortened

_LEFT, _RIGHT, _HEAD, _APART = 112.0, 92.0, 46.0, 26.0


def history(view: RunView, width: float = 1010.0) -> Figure | None:
    """Domes and dishes (rails: bow) above, twist and the like below, bars for who was on top.

    None when the history has fewer than two entries.
    """
    x = common_removed(view) / view.units.small.size
    if x.size < 2:
        return None
    forms, tops = _forms(view), [f.name for f in view.faces if f.name in set(view.run.top)]
    talls = [230.0] + [110.0] * (len(forms) - 1)
    bars = 16.0 * len(tops) + 10.0
    level = 58.0 + bars + sum(talls) + _APART * (len(talls) - 1)
    figure = ink.new_figure(width, level + _HEAD)
    for key, tall in zip(forms, talls, strict=True):
        level -= tall
        axes = ink.plain(figure, (_LEFT, level, width - _LEFT - _RIGHT, tall))
        _panel(axes, view, key, x, 8 if tall > 200.0 else 4)
        axes.tick_params(bottom=False, labelbottom=False)
        axes.spines["bottom"].set_visible(False)
        if key == forms[0]:
            _minutes(axes, view, x)
        level -= _APART
    axes = ink.plain(figure, (_LEFT, 44.0, width - _LEFT - _RIGHT, bars))
    _bars(axes, view, tops, x)
    mean = f"mean of the plate{'s' if len(view.faces) > 1 else ''}"
    mean = "mean of the two that rub, load after load" if view.study.batch else mean
    axes.set_xlabel(f"metal removed, {mean}, {view.units.small.symbol}")
    return figure


def leading_panel(axes: Axes, view: RunView) -> Axes:
    """Draw the first of the panels alone, into axes of somebody else's."""
    unit = view.units.small
    _panel(axes, view, _forms(view)[0], common_removed(view) / unit.size, 8)
    axes.set_xlabel(f"metal removed, {unit.symbol}")
    axes.set_ylabel(f"dome up, dish down, {unit.symbol}")
    return axes


def _limits(x: Array) -> tuple[float, float]:
    low, high = float(np.min(x)), float(np.max(x))
    return (low, high) if high - low > 1e-9 else (low, low + 1.0)


def _forms(view: RunView) -> list[str]:
    """Which forms are drawn: spheres (rails: bow), then the rest where they are worth it."""
    leads = [("sphere", False), ("bow", True)]
    shown = [key for key, long in leads if any(f.long == long for f in view.faces)]
    largest = {key: max(_largest(f, key) for f in view.faces) for key in SPOKEN}
    doubt = min((f.doubt for f in view.faces if f.doubt is not None), default=0.0)
    least = max(0.04 * max(largest[key] for key in shown), doubt, 20 * NOTHING)
    return shown + [k for k in SPOKEN if k not in shown and largest[k] > least]


def _largest(face: Face, key: str) -> float:
    got = np.abs(face.form(key))
    return float(np.nanmax(got)) if np.isfinite(got).any() else 0.0


def _panel(axes: Axes, view: RunView, key: str, x: Array, parts: int) -> None:
    """One form of every plate against the metal."""
    scale = view.units.small.size
    ends: list[ink.End] = []
    for face, (colour, dash) in zip(view.faces, itertools.cycle(ink.LINES), strict=False):
        y = face.form(key) / scale
        if np.isfinite(y).any():
            axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
            ends.append((float(x[-1]), float(y[np.isfinite(y)][-1]), face.name, colour))
    ink.two_sided(axes, parts)
    # What no gauge tells on either plate of each step is shaded.
    known = {
        n: min(doubt_on(view.study, name, s.grit.size) for name in (s.top, s.bottom)) / scale
        for n, s in enumerate(view.steps, 1)
    }
    doubt = np.array([known.get(int(n), np.nan) for n in view.run.step])
    doubt[0] = doubt[min(1, len(doubt) - 1)]
    axes.fill_between(x, -doubt, doubt, step="pre", color=SHEET.band, linewidth=0, zorder=0)
    sides = (side.replace("at the ", "at ").removesuffix(" corners") for side in FORMS[key].sides)
    word = f"{FORMS[key].word}, " if key in LONG else ""
    down, up = (fill(word + side, 12) for side in reversed(list(sides)))
    for at, text, va in ((1, f"{up}\n{view.units.small.symbol}", "top"), (0, down, "bottom")):
        ink.beside(axes, text, (0, at), (-_LEFT + 2, 0), xycoords="axes fraction", va=va)
    axes.set_xlim(*_limits(x))
    ink.name_ends(axes, ends)


def _minutes(axes: Axes, view: RunView, x: Array) -> None:
    """Minutes along the upper edge: at even times, wherever the metal had got to."""
    time = np.asarray(view.run.time, dtype=float) / 60.0
    if not np.ptp(time) > 0 or not np.ptp(x) > 0:
        return
    step = ink.round_step(float(np.ptp(time)), 10)
    marks = step * np.arange(math.ceil(time[0] / step), math.floor(time[-1] / step + 1e-9) + 1)
    places = _apart(
        np.interp(marks, time, x), 34.0 * float(np.ptp(x)) / axes.get_window_extent().width
    )
    upper = axes.secondary_xaxis("top")
    upper.xaxis.set_major_locator(FixedLocator(places))
    upper.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{np.interp(v, x, time):.4g}"))
    upper.spines["top"].set_color(SHEET.muted)
    upper.tick_params(colors=SHEET.muted, labelsize=10.5, width=0.8, length=4)
    factor = view.spread
    note = f"minutes, known to {Units.number(1.0 / factor)} to {Units.number(factor)} times"
    style: Style = {
        "xycoords": "axes fraction",
        "ha": "right",
        "va": "bottom",
        "color": SHEET.muted,
    }
    ink.beside(axes, f"{note} {why_band(factor)}", (1, 1), (0, 22), **style)


def _apart(places: Array, least: float) -> list[float]:
    """Those of some places in order that lie at least so far apart."""
    kept: list[float] = []
    for place in places:
        if not kept or place - kept[-1] >= least:
            kept.append(float(place))
    return kept


def _bars(axes: Axes, view: RunView, tops: list[str], x: Array) -> None:
    """Who was on top, and when."""
    colours = {f.name: c for f, (c, _) in zip(view.faces, itertools.cycle(ink.LINES), strict=False)}
    lain = [_top_during(view, k) for k in range(len(x) - 1)]
    for row, name in enumerate(reversed(tops)):
        on = np.flatnonzero([other == name for other in lain])
        spells = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1) if on.size else []
        spans = [(x[spell[0]], x[spell[-1] + 1] - x[spell[0]]) for spell in spells]
        axes.broken_barh(spans, (row + 0.18, 0.64), color=colours[name], linewidth=0)
        at: Style = {"xycoords": ("axes fraction", "data"), "ha": "right"}
        ink.beside(axes, f"{shortened(name, 8)} on top", (0, row + 0.5), (-8, 0), **at)
    axes.set_ylim(0, max(len(tops), 1))
    axes.set_xlim(*_limits(x))
    axes.yaxis.set_major_locator(FixedLocator([]))
    axes.spines["left"].set_visible(False)


def _top_during(view: RunView, k: int) -> str:
    """Who lay on top between entries k and k + 1: an entry that says "swap" is made after the swap."""
    return view.run.top[k if view.run.event[k + 1] == "swap" else k + 1]


BETWEEN = 1.5  # times what either end lost: then it is told where that is
LITTLE = 0.03  # of the mean depth: less than this counts as this
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
    # The hour to which most went, depth that way and the other [m], if it went to one side.
    side: tuple[str, float, float] | None

    @property
    def between(self) -> tuple[float, float, float, float] | None:
        """Where most went between both ends of the profile: how far out [m], depth there and at the ends [m].

        None where an end lost most, or nearly so.
        """
        there = np.isfinite(self.depth)
        at, depth = self.at[there], self.depth[there]
        most = int(np.argmax(depth)) if len(depth) else 0
        if not len(depth) or depth[most] < BETWEEN * max(depth[0], depth[-1], LITTLE * self.mean):
            return None
        return float(at[most]), float(depth[most]), float(depth[0]), float(depth[-1])


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


def metal(view: RunView, width: float = 1010.0) -> Figure:
    """Maps of the depth worn off, on one scale, and the profiles beside them."""
    rail = max(f.half[0] / f.half[1] for f in view.faces) > 2.2
    columns, graph = 1 if rail else min(len(view.faces), 3), 400.0
    rows = -(-len(view.faces) // columns)
    cell = (width - graph - 20.0) / (1 if rail else max(columns, 2))
    tall = 90.0 if rail else min(cell, 250.0)
    height = max(rows * (tall + 26.0) + 34.0, 250.0)
    figure = ink.new_figure(width, height)
    low, high = _range(view)
    for k, face in enumerate(view.faces):
        row, column = divmod(k, columns)
        bottom = height - (row + 1) * (tall + 26.0)
        _map(ink.bare(figure, (column * cell, bottom, cell - 12.0, tall)), face, low, high)
        ink.heading(figure, (column + 0.5) * cell - 6.0, bottom + tall + 7.0, face.name)
    least = "nothing" if low <= 0.0 else view.units.size(low)
    middle = max(columns * cell, 300.0) / 2
    ink.ramp_scale(figure, middle, ink.REMOVED, least, f"{view.units.size(high)} off")
    _profiles(figure, view, (width - graph + 64.0, 46.0, graph - 156.0, height - 84.0))
    return figure


def _range(view: RunView) -> tuple[float, float]:
    worn = [np.asarray(f.record.worn, dtype=float)[f.on] for f in view.faces]
    every = np.concatenate([w for w in worn if w.size] or [np.zeros(1)])
    low, high = (float(v) for v in np.percentile(every, (0.5, 99.5)))
    # Where wear is even, a wide ramp over next to nothing would tell a false story.
    if high - low < 0.02 * max(high, 1e-9):
        low, high = 0.0, max(high, 1e-9)
    return low, high


def _map(axes: Axes, face: Face, low: float, high: float) -> None:
    ground = Ground.of(face)
    worn = np.where(face.on, np.asarray(face.record.worn, dtype=float), np.nan)
    clip = draw_map(axes, ground, coloured(ground, worn, high, ink.REMOVED, low))
    contours(axes, ground, worn, ink.round_step(max(high - low, 1e-12) / 1e-6, 10) * 1e-6, clip)
    along, across = (1.02 * MM * half for half in face.half)
    axes.set_xlim(-along, along)
    axes.set_ylim(-across, across)
    axes.set_aspect("equal")


def _profiles(figure: Figure, view: RunView, box: Box) -> None:
    """Depth worn off from the middle outwards."""
    axes, small, long = ink.plain(figure, box), view.units.small, view.units.long
    ends: list[ink.End] = []
    for face, (colour, dash) in zip(view.faces, itertools.cycle(ink.LINES), strict=False):
        got = zones(face)
        x, y = got.at / long.size, got.depth / small.size
        axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
        if np.isfinite(y).any():
            last = np.flatnonzero(np.isfinite(y))[-1]
            ends.append((x[last], y[last], face.name, colour))
    low, high = axes.get_ylim()
    axes.set_ylim(0.0, high if high > 0.5 * abs(low) and high > 1e-3 else 1.0)
    axes.set_xlim(left=0.0)
    ink.ruled(axes, 8)
    ink.name_ends(axes, ends)
    axes.set_xlabel(f"from the middle outwards, {long.symbol}")
    axes.set_title(f"depth worn off, {small.symbol}", fontsize=11, color=SHEET.ink, loc="left")


# --- from entry to entry of a book -------------------------------------------------------------


@dataclass(frozen=True)
class WentOn:
    """One entry: its form as `foretold` before the readings, `known` after them, as each reading has it [m].

    Bands are of 95 in 100 shops: their low end, of what is known the middle, and their high end.
    """

    label: str
    foretold: tuple[float, float] | None
    known: tuple[float, float, float] | None = None
    read: tuple[float, ...] = ()


@dataclass(frozen=True)
class Went:
    """One form of one plate, entry by entry; `up` and `down`: what stands high on either side of nought."""

    plate: str
    title: str
    up: str
    down: str
    entries: tuple[WentOn, ...]

    @property
    def reach(self) -> float:
        """How far a panel must reach [m]; what was foretold before anything was read may run off it."""
        ends = [0.0]
        for k, entry in enumerate(self.entries):
            foretold = (entry.foretold or ()) if k or len(self.entries) < 3 else ()
            ends += [*foretold, *(entry.known or ()), *entry.read]
        return max(map(abs, ends))


FORETOLD: Style = {"color": SHEET.accent, "alpha": 0.25, "linewidth": 0.0}
READ: Style = {"color": SHEET.third, "marker": "D", "markersize": 4.6, "linestyle": "none"}
READ |= {"markerfacecolor": "none", "markeredgewidth": 1.3}
KNOWN: Style = {"color": SHEET.ink, "marker": "o", "markersize": 5.0, "linewidth": 1.4}


def went(panels: Sequence[Went], units: Units, width: float = 1010.0) -> Figure:
    """Every form of every plate over the entries, a row for each plate."""
    rows = [
        [p for p in panels if p.plate == name] for name in dict.fromkeys(p.plate for p in panels)
    ]
    cell, tall, left = width / max(map(len, rows)), 212.0, 64.0
    height = len(rows) * tall + 40.0
    figure = ink.new_figure(width, height)
    for row, own in enumerate(rows):
        most = 1.08 * max(one.reach for one in own) / units.small.size
        for column, one in enumerate(own):
            box = (
                column * cell + left,
                height - (row + 1) * tall + 22.0,
                cell - left - 12.0,
                146.0,
            )
            axes = ink.plain(figure, box)
            _entries(axes, one.entries, units.small.size)
            axes.set_ylim(-most, most)
            ink.ruled(axes, 6, signed=True)
            frame: Style = {"xycoords": "axes fraction"}
            head = f"{one.plate}: {one.title}, {units.small.symbol}"
            bold: Style = {"va": "bottom", "fontsize": 11.5, "weight": "bold"}
            ink.beside(axes, head, (0, 1), (22 - left, 12), **frame, **bold)
            for y, text, va in ((0.985, one.up, "top"), (0.015, one.down, "bottom")):
                small: Style = {"ha": "right", "va": va, "fontsize": 10.0, "color": SHEET.muted}
                ink.beside(axes, text, (1, y), **frame, **small)
    after = "believed after it, 95 in 100; below: the entry"
    entries = [
        Patch(**FORETOLD, label="forecast, 95 in 100"),
        Line2D([], [], **READ, label="read, as this form (all else as forecast)"),
        Line2D([], [], **KNOWN, label=after),
    ]
    ink.legend(figure, entries)
    return figure


def _entries(axes: Axes, entries: Sequence[WentOn], unit: float) -> None:
    """What was foretold, read and believed of one form, entry by entry."""
    number = len(entries)
    half = min(0.2, 0.03 * number + 0.08)
    for k, entry in enumerate(entries):
        if entry.foretold is not None:
            low, high = (end / unit for end in entry.foretold)
            axes.bar(k - half, high - low, 2.0 * half, low, **FORETOLD)
        if entry.known is not None:
            axes.plot([k + half] * 3, np.array(entry.known) / unit, **KNOWN, markevery=[1])
        axes.plot([k - half] * len(entry.read), np.array(entry.read) / unit, **READ)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    axes.set_xlim(-0.6, number - 0.4)
    shown = range((number - 1) % max(1, -(-number // 9)), number, max(1, -(-number // 9)))
    axes.set_xticks(shown, [entries[k].label for k in shown])
