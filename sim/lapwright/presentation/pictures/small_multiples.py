"""Many ways of lapping: side by side on one scale, and what comes out along the keys that were swept."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import cycle

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle
from numpy.typing import NDArray

from lapwright.contact.placement import centred
from lapwright.optimisation.summary import Summary
from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.faces import MM, face_map, heights_scale, rounded_limit
from lapwright.presentation.pictures.ink import SHEET, Array, Style
from lapwright.presentation.pictures.sections import Cut, draw_cut, piled, span, straight
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.words import MARK, marked_face, typeset
from lapwright.units import Units, shortened

BAND_ENDS = (5.0, 95.0)
_TITLE, _LEGEND = 24.0, 34.0


@dataclass(frozen=True)
class Panel:
    """One member: its title, its run put in order, what came of it and of its draws; its `rank`."""

    title: str
    view: RunView
    summary: Summary
    draws: tuple[Summary, ...] = ()
    rank: int = 0

    @property
    def faces(self) -> tuple[Face, ...]:
        """Those to be drawn: of a batch none of its parts, of which each has an end of its own."""
        batch = self.view.study.batch
        parts = () if batch is None else batch.names
        return tuple(face for face in self.view.faces if face.name not in parts)


def _placed(
    figure: Figure, panels: Sequence[Panel], columns: int, cell: float, row: float
) -> Iterator[tuple[Panel, float, float]]:
    """Each panel with its left edge and its top [points], below its title."""
    width, height = figure.get_size_inches() * 72.0
    for k, panel in enumerate(panels):
        left = 0.5 * (width - cell * columns) + (k % columns) * cell
        top = height - (k // columns) * row - _TITLE
        title = shortened(panel.title, int(cell / 6.9))
        ink.heading(figure, left + 4.0, top + 9.0, title, 11.5, "left")
        yield panel, left, top


def _nine_in_ten(
    lines: Sequence[Sequence[float] | Array], least: int
) -> tuple[Array, Array] | None:
    """Between which ends nine in ten of some lines (n,) lie, where `least` are known; None of one alone."""
    if len(lines) < 2:
        return None
    every = np.array(lines, dtype=float)
    low, high = np.full((2, every.shape[1]), np.nan)
    enough = np.isfinite(every).sum(axis=0) >= least
    if enough.any():
        low[enough], high[enough] = np.nanpercentile(every[:, enough], BAND_ENDS, axis=0)
    return low, high


# --- faces -------------------------------------------------------------------------------------


def end_faces(panels: Sequence[Panel], width: float = 1200.0, columns: int | None = None) -> Figure:
    """The faces of every member at the end; `columns`: how many members stand in a row."""
    units = panels[0].view.units
    every = [face for panel in panels for face in panel.faces]
    number = max(len(p.faces) for p in panels)
    columns = columns or max(1, min(4, len(panels), int(width / (140.0 * number))))
    cell = min(width / columns, 230.0 * number)
    wide = cell / number
    tall = min(max(0.9 * wide * max(f.half[1] / f.half[0] for f in every) + 20.0, 44.0), 210.0)
    captions = {id(f): _caption(f, units, wide) for f in every}
    row = _TITLE + tall + 14.0 * max(map(len, captions.values())) + 12.0
    figure = ink.new_figure(width, math.ceil(len(panels) / columns) * row + _LEGEND)
    seen = [np.abs(f.levelled[1]) for f in every if np.isfinite(f.levelled[1]).any()]
    limit = rounded_limit(max([*(float(np.nanpercentile(z, 99.5)) for z in seen), 1e-8]), units)
    for panel, left, top in _placed(figure, panels, columns, cell, row):
        for j, face in enumerate(panel.faces):
            x = left + j * wide
            axes = ink.bare(figure, (x + 3.0, top - tall, wide - 6.0, tall))
            face_map(axes, face, face.levelled[1], limit, units)
            for k, line in enumerate(captions[id(face)]):
                ink.write(
                    figure, x + 0.5 * wide, top - tall - 13.0 - 14.0 * k, line, color=SHEET.ink
                )
    heights_scale(figure, limit, units)
    return figure


def _caption(face: Face, units: Units, room: float) -> list[str]:
    """A face in words, in lines that fit into `room` [points]."""
    told = typeset(f"{face.name}: {marked_face(face.after, face.doubt, MARK, units, brief=True)}")
    return textwrap.wrap(told, max(14, int(room / 6.0)))


# --- cuts --------------------------------------------------------------------------------------


def cuts(panels: Sequence[Panel], width: float = 1200.0) -> Figure | None:
    """The last pair of every member lying on each other at the end, cut through the middle."""
    pairs = {id(p): pair for p in panels if (pair := _pair(p.view)) is not None}
    if not pairs:
        return None
    shown, pieces, bands, spans = [p for p in panels if id(p) in pairs], {}, {}, []
    for panel in shown:
        pair = pairs[id(panel)]
        c = panel.view.middle
        piece = pieces[id(panel)] = piled(*pair, True, c=c).cut(straight(*pair, c))
        offs = bands[id(panel)] = [
            _off(panel, f, piece, s) for f, s in zip(pair, (1, -1), strict=True)
        ]
        spans.append(span(*(piece.bottom + offs[0]), *(piece.top + offs[1])))
    columns, tall, foot = min(4, len(shown)), 98.0, 24.0
    cell, row = width / max(columns, 2), _TITLE + tall + 6.0
    figure = ink.new_figure(width, math.ceil(len(shown) / columns) * row + foot)
    reach = MM * max(0.5 * float(np.ptp(piece.at)) for piece in pieces.values())
    per_metre = (cell - 20.0) / (2.0 * reach / MM)
    larger = ink.round_down(tall / (1.5 * max(spans)) / per_metre)
    half = 0.5 * tall / (per_metre * larger)
    for panel, left, top in _placed(figure, shown, columns, cell, row):
        piece, box = pieces[id(panel)], (left + 4.0, top - tall, cell - 20.0, tall)
        middle = 0.5 * MM * float(piece.at[0] + piece.at[-1])
        axes = ink.bare(figure, box, (middle - reach, middle + reach, -half, half))
        lines = draw_cut(axes, piece, half, 0.4 * half, pairs[id(panel)][::-1])
        for line, off, (colour, _) in zip(lines, bands[id(panel)], ink.LINES, strict=False):
            axes.fill_between(MM * piece.at, *(line + off), color=colour, alpha=0.28, linewidth=0)
    beside = any(piece.off for piece in pieces.values())
    middle_of = "both middles" if beside else "the middle"
    note = (
        f"cut through {middle_of}, the top turned over on the bottom and drawn touching, gap shaded"
    )
    note += f"; {ink.drawn_larger(larger)}"
    note += "; darker: nine in ten draws" if any(p.draws for p in panels) else ""
    ink.write(figure, 0.5 * width, 7.0, note)
    return figure


def _pair(view: RunView) -> tuple[Face, Face] | None:
    """Bottom and top that lay on each other last."""
    top, bottom = (view.face(n) for n in view.pair) if view.pair else (None, None)
    return None if top is None or bottom is None else (bottom, top)


def _off(panel: Panel, face: Face, piece: Cut, sign: int) -> Array:
    """How far below and above a face's drawn line nine in ten draws lie (2, k) [m]; `sign` -1 of the top."""
    own = np.array(panel.summary.plates[face.name].profile)
    drawn = [got.plates[face.name].profile for got in panel.draws if got.done]
    band = _nine_in_ten([sign * (np.array(line) - own) for line in drawn], len(drawn))
    if band is None:
        return np.zeros((2, piece.at.size))
    along_y = face.long and face.half[1] > face.half[0]
    at = np.linspace(-1.0, 1.0, len(own)) * face.half[int(along_y)]
    at_face = piece.at - (0.0 if sign < 0 else piece.off)  # from the middle of the face itself
    where = along_the_face(at_face, along_y, over=sign < 0)
    return np.stack([np.interp(where, at, end) for end in band])


def along_the_face(at: Array, along_y: bool, over: bool) -> Array:
    """Places on the line through a face's middle, from places `at` (k,) on the bench, 9 to 3 or 6 to 12 [m].

    `over`: of the top, turned over.
    """
    none = np.zeros_like(at)
    x, y = (none, at) if along_y else (at, none)
    u, v = centred(x, y) if over else (x, y)
    return v if along_y else u


# --- histories ---------------------------------------------------------------------------------


def histories(
    panels: Sequence[Panel], at: float | None = None, width: float = 1200.0
) -> Figure | None:
    """Dome or dish of every plate against metal removed, each member on the same scales.

    `at` [m]: metal off at which all are judged, marked.
    """
    shown = [p for p in panels if len(p.summary.metal) > 1 and p.summary.metal[-1] > 0.0]
    if not shown:
        return None
    unit, columns, tall = shown[0].view.units.small, min(4, len(shown)), 118.0
    cell, row = width / max(columns, 2), _TITLE + tall + 20.0
    figure = ink.new_figure(width, math.ceil(len(shown) / columns) * row + 48.0)
    graphs = []
    for panel, left, top in _placed(figure, shown, columns, cell, row):
        graphs.append(ink.plain(figure, (left + 44.0, top - tall, cell - 58.0, tall)))
        graphs[-1].sharex(graphs[0])
        graphs[-1].sharey(graphs[0])
        _domes(graphs[-1], panel, unit.size)
    ends_at = ink.two_sided(graphs[0], 4)
    graphs[0].set_xlim(0.0, max(p.summary.metal[-1] for p in shown) / unit.size)
    for axes in graphs[1:]:
        ink.ruled(axes, 4)
        axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    for axes in graphs:
        axes.tick_params(labelsize=9.5)
        if at is not None:
            axes.axvline(at / unit.size, color=SHEET.ink, linewidth=0.9, linestyle=":")
        for y, text, va in zip(ends_at, ("dish", "dome"), ("bottom", "top"), strict=True):
            ink.beside(axes, text, (0.0, y), (4, 0), va=va, fontsize=9.5, color=SHEET.muted)
    note = f"dome or dish in {unit.symbol}, against metal removed in {unit.symbol} (mean of the plates)"
    note += "; dotted: where all are judged" if at is not None else ""
    note += "; shaded: nine in ten draws" if any(p.draws for p in shown) else ""
    ink.write(figure, 0.5 * width, 7.0, note)
    names = [shortened(face.name, 10) for face in shown[0].view.faces]
    ink.legend(figure, [_line(k, name) for k, name in enumerate(names)], 22.0)
    return figure


def _line(number: int, label: str) -> Line2D:
    colour, dash = ink.LINES[number % len(ink.LINES)]
    return Line2D([], [], color=colour, linestyle=dash, linewidth=1.8, label=label)


def _domes(axes: Axes, panel: Panel, unit: float) -> None:
    """Domes of a member's plates against its own metal, nine in ten draws as far as half of them go."""
    metal = np.array(panel.summary.metal)
    draws = [got for got in panel.draws if got.done and got.metal and got.metal[-1] > 0.0]
    for (name, ended), (colour, dash) in zip(
        panel.summary.plates.items(), cycle(ink.LINES), strict=False
    ):
        lines = [np.interp(metal, got.metal, got.plates[name].dome, right=np.nan) for got in draws]
        band = _nine_in_ten(lines, max(2, len(lines) // 2))
        if band is not None:
            ends = band[0] / unit, band[1] / unit
            axes.fill_between(metal / unit, *ends, color=colour, alpha=0.22, linewidth=0)
        dome = np.array(ended.dome) / unit
        axes.plot(metal / unit, dome, color=colour, linestyle=dash, linewidth=1.7)


# --- along a swept key -------------------------------------------------------------------------


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


_LEFT, _RIGHT = 104.0, 190.0
LINED = 6  # values each way from which lines of equal size mean something


def curves(
    x: Array, label: str, graphs: Sequence[Graph], units: Units, width: float = 1010.0
) -> Figure:
    """Graphs one under the other along a swept key `x` (n,), named `label` with its unit."""
    tall, apart, foot = 170.0, 22.0, 46.0
    level = len(graphs) * (tall + apart) + foot
    figure, order = ink.new_figure(width, level), np.argsort(x)
    for graph in graphs:
        level -= tall + apart
        axes = ink.plain(figure, (_LEFT, level + 8.0, width - _LEFT - _RIGHT, tall))
        _graph(axes, graph, x[order], order, units.small.size)
        for y, text, va in (
            (1, f"{graph.up}\n{units.small.symbol}", "top"),
            (0, graph.down, "bottom"),
        ):
            ink.beside(axes, text, (0, y), (-_LEFT + 2, 0), xycoords="axes fraction", va=va)
        axes.tick_params(labelbottom=graph is graphs[-1])
    axes.set_xlabel(label)
    return figure


def _graph(axes: Axes, graph: Graph, x: Array, order: NDArray[np.intp], unit: float) -> None:
    ends: list[ink.End] = []
    for curve in graph.curves:
        colour, dash = ink.LINES[curve.style % len(ink.LINES)]
        y = curve.y[order] / unit
        if curve.band is not None:
            under, over = (end[order] / unit for end in curve.band)
            axes.fill_between(x, under, over, color=colour, alpha=0.2, linewidth=0)
        style: Style = {"linestyle": "none", "marker": "o"} if curve.marks else {"linestyle": dash}
        axes.plot(x, y, color=colour, linewidth=1.8, markersize=5, **style)
        good = np.isfinite(y)
        if good.any():
            ends.append((float(x[good][-1]), float(y[good][-1]), curve.name, colour))
    low, high = axes.dataLim.intervaly
    pad = 0.11 * max(high, high - low, 1e-3)
    axes.set_ylim(low - pad if low < 0.0 else 0.0, max(high, 0.0) + pad)
    axes.set_xlim(x[0], x[-1])
    ink.ruled(axes, 6)
    axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
    ink.name_ends(axes, ends, 26)


def field(
    values: Array,
    typed: Sequence[Sequence[str]],
    labels: Sequence[str],
    units: Units,
    best: tuple[int, int],
    width: float = 1010.0,
) -> Figure:
    """A field of sizes (down, across) [m], nan where there is none: deeper colour is larger, each told.

    Lines of equal size run where there are many each way.  `typed` and `labels`: of across and of down.
    """
    rows, columns = values.shape
    left, foot = 150.0, 44.0
    cell = min((width - left - 20.0) / columns, 110.0)
    tall = min(max(0.5 * cell, 24.0), 44.0)
    figure = ink.new_figure(width, rows * tall + foot + 10.0)
    box = (left, foot, cell * columns, tall * rows)
    axes = ink.bare(figure, box, (0, columns, 0, rows))
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    # Light ends of the ramp only: what is written on it stays readable.
    shares = np.nan_to_num((values - low) / ((high - low) or 1.0))
    colours = ink.REMOVED[np.rint(0.55 * shares * (len(ink.REMOVED) - 1)).astype(int)]
    pixels = np.concatenate([colours, np.isfinite(values)[..., None]], axis=-1)
    extent = (0, columns, 0, rows)
    axes.imshow(pixels, origin="lower", aspect="auto", extent=extent, interpolation="none")
    for r, c in np.ndindex(rows, columns):
        known = math.isfinite(values[r, c])
        if known and cell < 46.0:
            continue  # no room
        told = units.size(float(values[r, c])) if known else "no end"
        style: Style = {"ha": "center", "color": "#10151b" if known else SHEET.muted}
        ink.beside(axes, told, (c + 0.5, r + 0.5), **style)
    if min(rows, columns) >= LINED and high > low and np.isfinite(values).all():
        step = ink.round_step(high - low, 7)
        levels = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
        at, style = (np.arange(columns) + 0.5, np.arange(rows) + 0.5), {"colors": SHEET.ink}
        axes.contour(*at, values, levels, linewidths=0.8, alpha=0.6, **style)
    frame: Style = {"fill": False, "edgecolor": SHEET.accent, "linewidth": 2.6}
    axes.add_patch(Rectangle((best[1] + 0.02, best[0] + 0.03), 0.96, 0.94, **frame))
    for c, text in enumerate(typed[0]):
        short = shortened(text, max(1, int(cell / 7.0)))
        ink.beside(axes, short, (c + 0.5, 0.0), (0, -6), ha="center", va="top")
    for r, text in enumerate(typed[1]):
        ink.beside(axes, shortened(text, 18), (0.0, r + 0.5), (-8, 0), ha="right")
    ink.write(figure, left + 0.5 * cell * columns, 7.0, labels[0], 11, color=SHEET.ink)
    ink.write(figure, 2.0, foot + tall * rows - 2.0, labels[1], 11, "left", color=SHEET.ink)
    return figure
