"""Pictures of `why` and `tune`: errors of a pair as little surfaces, and a search for a schedule.

Errors: what stays apart, the rest as it goes, and why.  A search: the trade-off, how near the goal along the
way, and a sloppy hand.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullLocator

from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.faces import MM, Ground, Spot, coloured, contours, draw_map
from lapwright.presentation.pictures.ink import SHEET, Array, Box, Style
from lapwright.presentation.words import typeset
from lapwright.specification.plate import Plate

WIDTH = 1010.0
GAP = 14.0
HEAD = 42.0  # of a group's heading
STEPS = 5  # contour lines from the mean plane to the highest point


@dataclass(frozen=True)
class Card:
    """One error: `title` in words, a `note` under it, and a height map for each plate (ny, nx), any scale."""

    title: str
    note: str
    plates: tuple[Plate, ...]
    maps: tuple[Array, ...]

    @property
    def notes(self) -> list[str]:
        """The note in lines: minutes stay with their band."""
        return typeset(self.note.replace(" (", "\n(", 1)).split("\n")

    def heads(self, wide: float) -> list[str]:
        """The title in lines, for a card so wide [points]."""
        return textwrap.wrap(typeset(self.title), max(16, int(wide / 6.3)))[:2]


Block = tuple[
    str, list[Sequence[Card]], int
]  # a heading, rows of cards under it, and their first column


def errors(groups: Sequence[tuple[str, Sequence[Card]]], columns: int = 4) -> Figure | None:
    """Cards in groups, each group under its heading; a small group has the next one beside it."""
    shown = [(head, cards) for head, cards in groups if cards]
    if not shown:
        return None
    cell = WIDTH / columns
    tall = _tall(shown[0][1][0].plates, cell - 30.0) + 12.0
    bands = _bands(shown, columns)
    heights = [
        max(
            HEAD + sum(tall + GAP + _titles(row, cell - 18.0) for row in rows)
            for _, rows, _ in band
        )
        for band in bands
    ]
    y = sum(heights)
    figure, axes = _paper(y)
    for band, height in zip(bands, heights, strict=True):
        for block in band:
            _block(axes, block, y, cell, tall)
        y -= height
    return figure


def _bands(groups: Sequence[tuple[str, Sequence[Card]]], columns: int) -> list[list[Block]]:
    """Which groups stand side by side: one that fills half a row or less, and the next."""
    bands, left = [], list(groups)
    while left:
        head, cards = left.pop(0)
        few = len(cards) if left and len(cards) <= columns // 2 else 0
        band = [_rows(head, cards, few or columns, 0)]
        if few:
            band.append(_rows(*left.pop(0), columns - few, few))
        bands.append(band)
    return bands


def _rows(head: str, cards: Sequence[Card], columns: int, first: int) -> Block:
    return head, [cards[k : k + columns] for k in range(0, len(cards), columns)], first


def _block(axes: Axes, block: Block, y: float, cell: float, tall: float) -> None:
    """Draw a block downwards from a height on the paper [points]."""
    head, rows, first = block
    axes.text(first * cell, y - 32.0, head, fontsize=12.5, weight="bold", color=SHEET.accent)
    y -= HEAD
    for row in rows:
        y -= tall + _titles(row, cell - 18.0) + GAP
        for k, card in enumerate(row, first):
            _card(axes, card, k * cell, y, cell - 18.0, tall)


def _titles(row: Sequence[Card], wide: float) -> float:
    """Room for the words above the cards of a row [points]."""
    return max(14.0 * len(c.heads(wide)) + 13.0 * len(c.notes) for c in row) + 8.0


def _paper(height: float) -> tuple[Figure, Axes]:
    """One set of axes in points for the whole drawing: one for every face would take ten times as long."""
    figure = ink.new_figure(WIDTH, height)
    return figure, ink.bare(figure, (0.0, 0.0, WIDTH, height), (0.0, WIDTH, 0.0, height))


def _tall(plates: Sequence[Plate], width: float) -> float:
    """Height of faces that stand beside each other in a width [points]."""
    each = width / len(plates)
    sizes = [plate.outline.size for plate in plates]
    return max(math.ceil(each * max(across / along for along, across in sizes)), 34.0)


def _card(axes: Axes, card: Card, x: float, y: float, width: float, tall: float) -> None:
    at = y + tall + 7.0
    for note in reversed(card.notes):
        axes.text(x, at, note, fontsize=10.0, color=SHEET.muted)
        at += 13.0
    for head in reversed(card.heads(width)):
        axes.text(x, at, head, fontsize=11.5, weight="bold", color=SHEET.ink)
        at += 14.0
    shown = [np.where(p.land > 0.0, z, np.nan) for p, z in zip(card.plates, card.maps, strict=True)]
    limit = max(float(np.nanmax(np.abs(z))) for z in shown) or 1.0
    each = width / len(shown)
    for k, (plate, z) in enumerate(zip(card.plates, shown, strict=True)):
        ground = Ground.of(plate)
        colours = coloured(ground, z, limit)
        _face(
            axes,
            plate.name,
            ground,
            colours,
            z,
            limit / STEPS,
            (x + k * each, y, each - 8.0, tall - 8.0),
        )


def _face(
    axes: Axes, name: str, ground: Ground, colours: Array, z: Array, step: float, box: Box
) -> None:
    """A face in a box: colours, lines of equal height, its mark of 12 o'clock and its name above it."""
    left, bottom, width, height = box
    along, across = (MM * half for half in ground.half)
    big = max(along, across)
    scale = min(width / (2.08 * along), height / (2.04 * across + 0.22 * big))
    spot = Spot(left + 0.5 * width, bottom + 1.04 * across * scale, scale)
    contours(axes, ground, z, step, draw_map(axes, ground, colours, spot), spot)
    top, tick = spot.y + across * scale, 0.07 * big * scale
    axes.plot([spot.x] * 2, [top, top + tick], color=SHEET.ink, linewidth=1.2, clip_on=False)
    style: Style = {"ha": "center", "va": "bottom", "fontsize": 9.5, "color": SHEET.muted}
    axes.text(spot.x, top + 1.2 * tick, name, style)


def cause(
    plates: Sequence[Plate], pressure: Sequence[Array], wear: Sequence[Array], made: Sequence[float]
) -> Figure:
    """Mean pressure and wear of two flat faces under the stroke, and arrows for what the wear makes.

    Parameters
    ----------
    plates
        Bottom and top.
    pressure, wear
        Maps (ny, nx) of each, looking at the face, of any unit: share of their own mean is drawn.
    made
        Growth of the middle over the rim of each, any unit; its sign and relative size are drawn.

    """
    cell = WIDTH / (3 * len(plates))
    tall = max(_tall(plates, (cell - 10.0) * len(plates)), 40.0) + 34.0
    figure, axes = _paper(tall + 46.0)
    for k, plate in enumerate(plates):
        ground = Ground.of(plate)
        for j, (what, values) in enumerate((("pressed", pressure[k]), ("worn", wear[k]))):
            left, on = (3 * k + j) * cell, plate.land > 0.0
            shown = np.where(on, values / (float(values[on].mean()) or 1.0), np.nan)
            top, low = float(np.nanmax(shown)), float(np.nanmin(shown))
            colours = coloured(ground, shown, max(top, 1.01), ink.REMOVED, min(low, 0.99))
            box = (left, 0.0, cell - 10.0, tall)
            _face(axes, plate.name, ground, colours, shown - 1.0, 0.1, box)
            head, told = f"{plate.name}: {what}", f"{low:.2g} to {top:.2g} of its mean"
            axes.text(left + 2.0, tall + 26.0, head, fontsize=11.0, weight="bold", color=SHEET.ink)
            axes.text(left + 2.0, tall + 11.0, told, fontsize=10.0, color=SHEET.muted)
        box = ((3 * k + 2) * cell, 0.0, cell - 16.0, tall)
        _arrows(axes, plate.name, box, made[k] / (max(map(abs, made)) or 1.0))
    return figure


def _arrows(axes: Axes, name: str, box: Box, made: float) -> None:
    """A section with arrows: where the face sinks against its mean; `made` from -1 to 1."""
    left, bottom, width, height = box
    middle, wide, high = left + 0.5 * width, width / 2.1, height / 2.15
    level = bottom + 1.1 * high

    def bent(x: Array) -> Array:
        return 0.28 * high * made * (0.5 - x**2)

    x = np.linspace(-1.0, 1.0, 61)
    along, line = middle + wide * x, level + bent(x)
    axes.fill_between(along, level - 0.75 * high, line, color=SHEET.metal, linewidth=0.0)
    axes.plot(along, 0.0 * x + level, color=SHEET.muted, linewidth=0.9, linestyle=(0, (4, 3)))
    axes.plot(along, line, color=SHEET.ink, linewidth=1.6)
    arrow: Style = {
        "arrowstyle": "-|>",
        "color": SHEET.accent,
        "linewidth": 1.4,
        "shrinkA": 0,
        "shrinkB": 0,
    }
    for a in np.array([-0.86, -0.45, 0.0, 0.45, 0.86]):
        foot, tip = (middle + wide * a, level), (middle + wide * a, level + 2.2 * bent(a))
        if abs(tip[1] - foot[1]) > 0.066 * high:
            axes.annotate("", tip, foot, arrowprops={"mutation_scale": 10, **arrow})
    goes = ("goes domed" if made > 0.0 else "goes hollow") if abs(made) > 0.02 else "hardly changes"
    style: Style = {"ha": "center", "fontsize": 11.0, "weight": "bold", "color": SHEET.ink}
    axes.text(middle, bottom + high * 1.92, f"{name} {goes}", style)


# --- a search for a schedule -------------------------------------------------------------------

_LEFT, _RIGHT = 104.0, 150.0
_APART = 16.0  # between marks that each have a name
_LOW = 1e-3  # of what is asked: nobody looks further down
GOAL: Style = {"color": SHEET.ink, "linewidth": 1.0, "linestyle": (0, (5, 3))}


def _graph(width: float, tall: float, across: str, side: str) -> tuple[Figure, Axes]:
    """A drawing with one graph, with what runs across and, at the left, upwards."""
    figure = ink.new_figure(width, tall + 60.0)
    axes = ink.plain(figure, (_LEFT, 48.0, width - _LEFT - _RIGHT, tall))
    axes.set_xlabel(across)
    ink.beside(axes, side, (0, 1), (-_LEFT + 2, 0), xycoords="axes fraction", va="top")
    return figure, axes


def _scaled(axes: Axes, low: float, high: float, goal: float) -> None:
    """Sizes from `low`, on a scale of equal shares if that is not 0; what lies below the goal shaded."""
    if low > 0.0:
        axes.set_yscale("log")
    axes.set_ylim(low, high)
    ink.ruled(axes, 6)
    if low > 0.0:
        axes.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0), numticks=30))
        axes.yaxis.set_minor_locator(NullLocator())
    axes.axhspan(low, goal, color=SHEET.band, linewidth=0, zorder=0)
    axes.axhline(goal, **GOAL)


# --- the trade-off -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Mark:
    """One schedule lapped in full: what it costs, what it comes to, and its name; `lead`: the answer."""

    x: float
    y: float
    name: str
    lead: bool = False


def trade_off(
    line: Sequence[tuple[float, float]],
    marks: Sequence[Mark],
    goal: float,
    labels: tuple[str, str],
    width: float = WIDTH,
) -> Figure:
    """What each cost buys: foretold as a line, lapped in full as marks.

    Parameters
    ----------
    line
        (cost, size) of the best schedules by forecast, cost in the unit of its label.
    goal
        What is asked, in the unit of the sizes.
    labels
        Of the cost and of the size, with their units.
    """
    (figure, axes), (colour, _) = _graph(width, 250.0, *labels), ink.LINES[0]
    points = sorted(line)
    for style in ({"drawstyle": "steps-post", "alpha": 0.85}, {"linestyle": "none", "marker": "o"}):
        axes.plot(
            *np.reshape(points, (-1, 2)).T, color=colour, linewidth=1.8, markersize=2.6, **style
        )
    for mark in marks:
        edge, size = (SHEET.accent, 11.0) if mark.lead else (SHEET.ink, 8.0)
        ring: Style = {"markerfacecolor": edge if mark.lead else "none", "markeredgewidth": 1.5}
        axes.plot(mark.x, mark.y, "o", markersize=size, markeredgecolor=edge, **ring)
    sizes = [goal, *(y for _, y in points if y > 0.0), *(m.y for m in marks if m.y > 0.0)]
    wide = max(sizes) > 12.0 * min(sizes)
    _scaled(
        axes, *((min(sizes) / 1.3, 1.3 * max(sizes)) if wide else (0.0, 1.12 * max(sizes))), goal
    )
    axes.set_xlim(0.0, 1.06 * max([*(x for x, _ in points), *(m.x for m in marks)]) or 1.0)
    at: Style = {"xycoords": ("axes fraction", "data"), "color": SHEET.muted}
    ink.beside(axes, "what is asked", (1.0, goal), (7, 0), **at)
    named: list[tuple[float, float]] = []
    for mark in marks:
        x, y = axes.transData.transform((mark.x, mark.y))
        if any(math.hypot(x - u, y - v) < _APART for u, v in named):
            continue  # names on each other tell nothing; the table has them all
        named.append((x, y))
        how: Style = {"weight": "bold", "color": SHEET.accent} if mark.lead else {}
        ink.beside(axes, mark.name, (mark.x, mark.y), (9, 7), va="bottom", fontsize=11, **how)
    if points:
        ink.beside(axes, "forecast", points[0], (12, 3), va="bottom", color=colour)
    return figure


# --- along the way -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Way:
    """One schedule along its time: (minutes, times what is asked) and a name; `style` from LINES."""

    name: str
    trail: Sequence[tuple[float, float]]
    style: int


def ways(shown: Sequence[Way], width: float = WIDTH) -> Figure:
    """How near the goal schedules come along the way, on a scale of equal shares; below 1 it is reached."""
    figure, axes = _graph(width, 220.0, "rubbing, min", "times what\nis asked")
    ends = []
    for way in shown:
        x, y = np.array([(t, max(s, _LOW)) for t, s in way.trail]).T
        colour, dash = ink.LINES[way.style % len(ink.LINES)]
        axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.8)
        ends.append((float(x[-1]), float(y[-1]), way.name, colour))
    sizes = [max(s, _LOW) for way in shown for _, s in way.trail]
    _scaled(axes, min(0.8, min(sizes) / 1.2), max(1.25, max(sizes) * 1.2), 1.0)
    axes.set_xlim(0.0, max(t for way in shown for t, _ in way.trail) or 1.0)
    ink.name_ends(axes, ends)
    return figure


# --- a sloppy hand -----------------------------------------------------------------------------


@dataclass(frozen=True)
class Slip:
    """One key a little off: its `name`, and (times what is asked, value as typed) of each slip.

    `off`: below zero less, above more, zero another choice.
    """

    name: str
    slips: Sequence[tuple[float, float, str]]  # off, times what is asked, value


def slips(answer: float, found: Sequence[Slip], width: float = WIDTH) -> Figure:
    """How far the answer moves with each key a tenth off; one line a key, the one that matters most first."""
    tall, left = 34.0 * len(found), 250.0
    figure = ink.new_figure(width, tall + 76.0)
    axes = ink.plain(figure, (left, 46.0, width - left - 40.0, tall))
    axes.spines["left"].set_visible(False)
    axes.yaxis.set_major_locator(NullLocator())
    known = [[(off, s) for off, s, _ in one.slips if math.isfinite(s)] for one in found]
    axes.set_xlim(0.0, 1.1 * max([1.25, answer, *(s for some in known for _, s in some)]))
    axes.set_ylim(len(found), 0.0)
    axes.axvspan(0.0, 1.0, color=SHEET.band, linewidth=0, zorder=0)
    axes.axvline(1.0, **GOAL)
    axes.axvline(answer, color=SHEET.accent, linewidth=1.0)
    for k, (one, some) in enumerate(zip(found, known, strict=True)):
        level, ends = k + 0.5, [answer, *(share for _, share in some)]
        axes.plot([min(ends), max(ends)], [level] * 2, color=SHEET.muted, linewidth=1.4)
        for off, share in some:
            face: Style = {"markerfacecolor": SHEET.ink if off > 0 else SHEET.paper, "zorder": 3}
            edge: Style = {"markeredgecolor": SHEET.ink, "markeredgewidth": 1.4, "clip_on": False}
            axes.plot(share, level, "o" if off else "s", markersize=8.0, **face, **edge)
        ink.beside(axes, one.name, (0.0, level), (-12, 0), ha="right", fontsize=11)
    marks = ((1.0, "what is asked", SHEET.muted), (answer, "the answer", SHEET.accent))
    for x, text, colour in marks:
        side, ha = (-4, "right") if x < (answer if x == 1.0 else 1.0) else (4, "left")
        ink.beside(axes, text, (x, 0.0), (side, 6), ha=ha, va="bottom", color=colour)
    axes.set_xlabel("times what is asked (1 and less: reached)")
    return figure
