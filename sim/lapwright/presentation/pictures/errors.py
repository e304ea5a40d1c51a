"""Errors of a pair as the little surfaces that they are: what stays apart, the rest as it goes."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapwright.presentation.pictures.faces import (
    MM,
    Ground,
    Spot,
    coloured,
    contours,
    draw_map,
)
from lapwright.presentation.pictures.ink import REMOVED, SHEET, Array, Box, Style, bare, new_figure
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
    figure = new_figure(WIDTH, height)
    return figure, bare(figure, (0.0, 0.0, WIDTH, height), (0.0, WIDTH, 0.0, height))


def _tall(plates: Sequence[Plate], width: float) -> float:
    """Height of faces that stand beside each other in a width [points]."""
    each = width / len(plates)
    sizes = [plate.outline.size for plate in plates]
    return max(ceil(each * max(across / along for along, across in sizes)), 34.0)


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
            colours = coloured(ground, shown, max(top, 1.01), REMOVED, min(low, 0.99))
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
