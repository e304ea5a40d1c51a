"""Many ways of lapping side by side, all on one scale: end faces, cuts through them, how they got there."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter

from lapwright.contact.placement import centred
from lapwright.optimisation.summary import Summary
from lapwright.presentation.pictures.faces import contour_step, face_map, ramp_strip
from lapwright.presentation.pictures.ink import (
    HEIGHTS,
    LINES,
    SHEET,
    Array,
    bare,
    drawn_larger,
    new_figure,
    plain,
    round_down,
    round_step,
    round_up,
)
from lapwright.presentation.pictures.sections import Cut, piled
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.words import MARK, marked_face, typeset
from lapwright.units import Units, shortened

__all__ = ["Panel", "cuts", "end_faces", "histories"]


MM = 1e3
BAND_ENDS = (5.0, 95.0)
_TITLE, _LEGEND = 24.0, 34.0


@dataclass(frozen=True)
class Panel:
    """One member: its title, its run put in order, what came of it and of its draws; its `rank`."""

    title: str
    account: RunView
    summary: Summary
    draws: tuple[Summary, ...] = ()
    rank: int = 0


def _titled(figure: Figure, text: str, left: float, top: float, room: float) -> None:
    """A panel's title, cut to the room that there is."""
    width, height = figure.get_size_inches() * 72.0
    figure.text(
        (left + 4.0) / width, (top - 15.0) / height, typeset(shortened(text, int(room / 6.9))),
        ha="left", va="baseline", fontsize=11.5, weight="bold", color=SHEET.ink,
    )  # fmt: skip


# --- faces -------------------------------------------------------------------------------------


def end_faces(panels: Sequence[Panel], width: float = 1200.0, columns: int | None = None) -> Figure:
    """The faces of every member at the end; `columns`: how many members stand in a row."""
    units = panels[0].account.units
    number = max(len(p.account.faces) for p in panels)
    columns = columns or max(1, min(4, len(panels), int(width / (140.0 * number))))
    cell = min(width / columns, 230.0 * number)
    wide = cell / number
    tallest = max(f.half[1] / f.half[0] for p in panels for f in p.account.faces)
    tall = min(max(0.9 * wide * tallest + 20.0, 44.0), 210.0)
    captions = {id(f): _caption(f, units, wide) for p in panels for f in p.account.faces}
    said = 14.0 * max(map(len, captions.values())) + 12.0
    row = _TITLE + tall + said
    rows = math.ceil(len(panels) / columns)
    height = rows * row + _LEGEND
    figure = new_figure(width, height)
    limit = _limit(panels, units)
    start = 0.5 * (width - cell * columns)
    for k, panel in enumerate(panels):
        left, top = start + (k % columns) * cell, height - (k // columns) * row
        _titled(figure, panel.title, left, top, cell)
        for j, face in enumerate(panel.account.faces):
            x = left + j * wide
            axes = bare(figure, (x + 3.0, top - _TITLE - tall, wide - 6.0, tall))
            face_map(axes, face, face.levelled[1], limit, contour_step(limit, units))
            _said(figure, captions[id(face)], x + 0.5 * wide, top - _TITLE - tall)
    _scale(figure, width, height, limit, units)
    return figure


def _limit(panels: Sequence[Panel], units: Units) -> float:
    """Ends of the height scale [m], one for all members."""
    seen = [
        float(np.nanpercentile(np.abs(face.levelled[1]), 99.5))
        for panel in panels
        for face in panel.account.faces
        if np.isfinite(face.levelled[1]).any()
    ]
    most = max([*seen, 1e-8])
    return round_up(most / units.small.size) * units.small.size


def _caption(face: Face, units: Units, room: float) -> list[str]:
    """A face in words, in lines that fit into `room` [points]."""
    told = typeset(f"{face.name}: {marked_face(face.after, face.finish, MARK, units)}")
    return textwrap.wrap(told, max(14, int(room / 6.0)))


def _said(figure: Figure, lines: Sequence[str], x: float, y: float) -> None:
    width, height = figure.get_size_inches() * 72.0
    for k, line in enumerate(lines):
        figure.text(
            x / width, (y - 13.0 - 14.0 * k) / height, line, ha="center", va="baseline", fontsize=10.5,
            color=SHEET.ink,
        )  # fmt: skip


def _scale(figure: Figure, width: float, height: float, limit: float, units: Units) -> None:
    size, every = (typeset(units.size(v)) for v in (limit, contour_step(limit, units)))
    ramp_strip(figure, (width / 2 - 330.0, 9.0, 190.0, 11.0), HEIGHTS)
    note = f"contour lines every {every}, dashed below the mean plane; looking at the face"
    for at, text, anchor in (
        (-338.0, f"{size} low", "right"),
        (-132.0, f"{size} high", "left"),
        (-40.0, note, "left"),
    ):
        figure.text(
            (width / 2 + at) / width,
            11.0 / height,
            text,
            ha=anchor,
            fontsize=10.5,
            color=SHEET.muted,
        )


# --- cuts --------------------------------------------------------------------------------------


def cuts(panels: Sequence[Panel], width: float = 1200.0) -> Figure | None:
    """The last pair of every member lying on each other at the end, cut through the middle."""
    pieces = [(panel, found) for panel in panels if (found := _piece(panel)) is not None]
    if not pieces:
        return None
    columns = min(4, len(pieces))
    cell, tall, foot = width / max(columns, 2), 104.0, 24.0
    rows = math.ceil(len(pieces) / columns)
    height = rows * (_TITLE + tall) + foot
    figure = new_figure(width, height)
    reach = max(float(piece.at[-1]) for _, (piece, _, _) in pieces) * MM
    per_metre = (cell - 20.0) / (2.0 * reach / MM)
    span = 1.5 * max(_span(piece, low, high) for _, (piece, low, high) in pieces)
    larger = round_down((tall - 6.0) / span / per_metre)
    half = 0.5 * (tall - 6.0) / (per_metre * larger)
    for k, (panel, (piece, low, high)) in enumerate(pieces):
        left, top = (k % columns) * cell, height - (k // columns) * (_TITLE + tall)
        _titled(figure, panel.title, left, top, cell)
        axes = bare(figure, (left + 4.0, top - _TITLE - tall + 6.0, cell - 20.0, tall - 6.0))
        _lying(axes, piece, low, high, half)
        axes.set_xlim(-reach, reach)
        axes.set_ylim(-half, half)
    note = (
        "cut through the middle, the top turned over on the bottom and drawn touching, gap shaded; "
    )
    note += drawn_larger(larger)
    note += "; darker: nine in ten draws" if any(p.draws for p in panels) else ""
    figure.text(0.5, 7.0 / height, typeset(note), ha="center", fontsize=10.5, color=SHEET.muted)
    return figure


Bands = tuple[Array, Array] | None


def _piece(panel: Panel) -> tuple[Cut, Bands, Bands] | None:
    """The cut of a member, and the bands of both faces about it (below, above) when there are draws."""
    pair = panel.account.pair
    top, bottom = (panel.account.face(n) for n in pair) if pair else (None, None)
    if top is None or bottom is None:
        return None
    lead = top if top.long and not bottom.long else bottom
    piece = piled(bottom, top, True).cut(
        0.5 * math.pi if lead.long and lead.half[1] > lead.half[0] else 0.0
    )
    return piece, _band(panel, bottom, piece, 1.0), _band(panel, top, piece, -1.0)


def _band(panel: Panel, face: Face, piece: Cut, sign: float) -> Bands:
    """How far below and above the drawn line of a face nine in ten draws lie [m]."""
    own = panel.summary.plates[face.name].profile
    drawn = [got.plates[face.name].profile for got in panel.draws if got.done]
    if len(drawn) < 2:
        return None
    off = sign * (np.array(drawn) - np.array(own))
    low, high = np.full(len(own), np.nan), np.full(len(own), np.nan)
    there = np.isfinite(off).all(axis=0)
    low[there], high[there] = np.percentile(off[:, there], BAND_ENDS, axis=0)
    along_y = face.long and face.half[1] > face.half[0]
    at = np.linspace(-1.0, 1.0, len(own)) * face.half[int(along_y)]
    where = along_the_face(piece.at, along_y, over=sign < 0.0)
    return np.interp(where, at, low), np.interp(where, at, high)


def along_the_face(at: Array, along_y: bool, over: bool) -> Array:
    """Places on the line through a face's middle, from places `at` (k,) on the bench, 9 to 3 or 6 to 12 [m].

    `over`: of the top, turned over.
    """
    none = np.zeros_like(at)
    x, y = (none, at) if along_y else (at, none)
    u, v = centred(x, y) if over else (x, y)
    return v if along_y else u


def _span(piece: Cut, low: Bands, high: Bands) -> float:
    lines = [piece.bottom, piece.top]
    lines += [piece.bottom + b for b in low or ()] + [piece.top + b for b in high or ()]
    both = np.concatenate(lines)
    both = both[np.isfinite(both)]
    return max(float(np.ptp(both)) if both.size else 0.0, 2e-8)


def _lying(axes: Axes, piece: Cut, low: Bands, high: Bands, half: float) -> None:
    at = piece.at * MM
    both = np.concatenate([piece.bottom, piece.top])
    middle = 0.5 * (np.nanmin(both) + np.nanmax(both)) if np.isfinite(both).any() else 0.0
    under, over = piece.bottom - middle, piece.top - middle
    gap = np.isfinite(under) & np.isfinite(over)
    axes.fill_between(at, under, -half, color=SHEET.metal, linewidth=0)
    axes.fill_between(at, over, half, color=SHEET.metal2, linewidth=0)
    axes.fill_between(at, under, over, where=gap, color=SHEET.gap, linewidth=0)
    for line, bands, colour in ((under, low, LINES[0][0]), (over, high, LINES[1][0])):
        if bands is not None:
            axes.fill_between(
                at, line + bands[0], line + bands[1], color=colour, alpha=0.28, linewidth=0
            )
        axes.plot(at, line, color=SHEET.ink, linewidth=1.2, solid_capstyle="butt")


# --- histories ---------------------------------------------------------------------------------


def histories(panels: Sequence[Panel], width: float = 1200.0) -> Figure | None:
    """Dome or dish of every plate against metal removed, each member on the same scales."""
    shown = [
        panel for panel in panels if len(panel.summary.metal) > 1 and panel.summary.metal[-1] > 0.0
    ]
    if not shown:
        return None
    units = shown[0].account.units
    unit, name = units.small.size, units.small.symbol
    columns = min(4, len(shown))
    rows = math.ceil(len(shown) / columns)
    cell, tall, left, foot = width / max(columns, 2), 118.0, 44.0, 48.0
    height = rows * (_TITLE + tall + 20.0) + foot
    figure = new_figure(width, height)
    x_most = max(p.summary.metal[-1] for p in shown) / unit
    low, high = _extent(shown, unit)
    step = round_step(high - low, 4)
    ticks = step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
    for k, panel in enumerate(shown):
        x, top = (k % columns) * cell, height - (k // columns) * (_TITLE + tall + 20.0)
        _titled(figure, panel.title, x, top, cell)
        axes = plain(figure, (x + left, top - _TITLE - tall, cell - left - 14.0, tall))
        _lines(axes, panel, unit)
        axes.set_xlim(0.0, x_most)
        axes.set_ylim(low, high)
        axes.yaxis.set_major_locator(FixedLocator([float(t) for t in ticks]))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{abs(v):.3g}"))
        axes.tick_params(labelsize=9.5)
        axes.grid(axis="y", color=SHEET.rule, linewidth=0.6)
        axes.axhline(0.0, color=SHEET.ink, linewidth=0.9)
        for y, text, anchor in ((high, "dome", "top"), (low, "dish", "bottom")):
            if (y > 0.0) == (anchor == "top"):
                axes.annotate(
                    text, (0.0, y), xytext=(4, 0), textcoords="offset points", ha="left", va=anchor,
                    fontsize=9.5, color=SHEET.muted,
                )  # fmt: skip
    _key(figure, shown[0].account, width, height, name, any(p.draws for p in shown))
    return figure


def _extent(panels: Sequence[Panel], unit: float) -> tuple[float, float]:
    seen = [0.0]
    for panel in panels:
        for name, ended in panel.summary.plates.items():
            seen += [v / unit for v in ended.dome if math.isfinite(v)]
            band = _dome_band(panel, name)
            seen += (
                []
                if band is None
                else [float(v) / unit for v in np.concatenate(band) if np.isfinite(v)]
            )
    low, high = min(seen), max(seen)
    pad = 0.07 * max(high - low, 1e-3)
    return min(low - pad, -2.0 * pad), max(high + pad, 2.0 * pad)


def _dome_band(panel: Panel, name: str) -> tuple[Array, Array] | None:
    """Nine in ten draws along the member's own metal, as far as half of them go (n,) [m]."""
    metal = np.array(panel.summary.metal)
    lines = []
    for got in panel.draws:
        if got.done and got.metal and got.metal[-1] > 0.0:
            lines.append(np.interp(metal, got.metal, got.plates[name].dome, right=np.nan))
    if len(lines) < 2:
        return None
    every = np.array(lines)
    enough = np.isfinite(every).sum(axis=0) >= max(2, len(lines) // 2)
    low, high = np.full(metal.size, np.nan), np.full(metal.size, np.nan)
    low[enough], high[enough] = np.nanpercentile(every[:, enough], BAND_ENDS, axis=0)
    return low, high


def _lines(axes: Axes, panel: Panel, unit: float) -> None:
    metal = np.array(panel.summary.metal) / unit
    for number, (name, ended) in enumerate(panel.summary.plates.items()):
        colour, dash = LINES[number % len(LINES)]
        band = _dome_band(panel, name)
        if band is not None:
            axes.fill_between(
                metal, band[0] / unit, band[1] / unit, color=colour, alpha=0.22, linewidth=0
            )
        axes.plot(metal, np.array(ended.dome) / unit, color=colour, linestyle=dash, linewidth=1.7)


def _key(
    figure: Figure, account: RunView, width: float, height: float, unit: str, drawn: bool
) -> None:
    """Which line is which plate, and what the axes are."""
    note = f"dome or dish in {unit}, against metal removed in {unit} (mean of the plates)"
    note += "; shaded: nine in ten draws" if drawn else ""
    figure.text(0.5, 7.0 / height, note, ha="center", fontsize=10.5, color=SHEET.muted)
    axes = bare(figure, (0.0, 22.0, width, 18.0))
    axes.set_xlim(0.0, width)
    axes.set_ylim(0.0, 18.0)
    x = 0.5 * width - 55.0 * len(account.faces)
    for number, face in enumerate(account.faces):
        colour, dash = LINES[number % len(LINES)]
        axes.plot([x, x + 28.0], [8.0, 8.0], color=colour, linestyle=dash, linewidth=1.8)
        axes.text(
            x + 34.0, 8.0, shortened(face.name, 10), va="center", fontsize=10.5, color=SHEET.ink
        )
        x += 110.0
