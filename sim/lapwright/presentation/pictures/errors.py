"""Errors of a pair as the little surfaces that they are: what stays apart, the rest as it goes."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import FancyArrowPatch, PathPatch
from matplotlib.transforms import Affine2D
from numpy.typing import NDArray

from lapwright.presentation.pictures.faces import contours, patched
from lapwright.presentation.pictures.ink import (
    HEIGHTS,
    REMOVED,
    SHEET,
    Array,
    bare,
    boundary_path,
    new_figure,
)
from lapwright.presentation.words import typeset
from lapwright.specification.plate import Plate

__all__ = ["Card", "cause", "errors"]


MM = 1e3
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


@dataclass(frozen=True)
class Place:
    """Where the middle of a face lies on the paper [points], and points for each millimetre."""

    x: float
    y: float
    scale: float

    def of(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Points of the face [m] on the paper."""
        return self.x + MM * self.scale * x, self.y + MM * self.scale * y


@dataclass(frozen=True)
class Block:
    """Cards in rows under one heading, from the column `first` on."""

    head: str
    rows: tuple[Sequence[Card], ...]
    first: int

    def height(self, tall: float, wide: float) -> float:
        """Height on the paper [points], of faces `tall` and cards `wide`."""
        return HEAD + sum(tall + _titles(row, wide) + GAP for row in self.rows)


def errors(groups: Sequence[tuple[str, Sequence[Card]]], columns: int = 4) -> Figure | None:
    """Cards in groups, each group under its heading; a small group has the next one beside it."""
    shown = [(head, cards) for head, cards in groups if cards]
    if not shown:
        return None
    cell = WIDTH / columns
    wide = cell - 18.0
    tall = _tall(shown[0][1][0], cell)
    bands = _bands(shown, columns)
    heights = [max(block.height(tall, wide) for block in band) for band in bands]
    axes = _paper(sum(heights))
    y = sum(heights)
    for band, height in zip(bands, heights, strict=True):
        for block in band:
            _block(axes, block, y, cell, tall)
        y -= height
    return _done(axes, sum(heights))


def _bands(groups: Sequence[tuple[str, Sequence[Card]]], columns: int) -> list[list[Block]]:
    """Which groups stand side by side: one that fills half a row or less, and the next."""
    bands = []
    left = list(groups)
    while left:
        head, cards = left.pop(0)
        few = len(cards) if left and len(cards) <= columns // 2 else 0
        band = [Block(head, _rows(cards, few or columns), 0)]
        if few:
            head, cards = left.pop(0)
            band.append(Block(head, _rows(cards, columns - few), few))
        bands.append(band)
    return bands


def _rows(cards: Sequence[Card], columns: int) -> tuple[Sequence[Card], ...]:
    return tuple(cards[k : k + columns] for k in range(0, len(cards), columns))


def _block(axes: Axes, block: Block, y: float, cell: float, tall: float) -> None:
    """Draw a block downwards from a height on the paper [points]."""
    x = block.first * cell
    axes.text(x, y - 32.0, block.head, fontsize=12.5, weight="bold", color=SHEET.accent)
    y -= HEAD
    for row in block.rows:
        y -= tall + _titles(row, cell - 18.0) + GAP
        for k, card in enumerate(row):
            _card(axes, card, x + k * cell, y, cell - 18.0, tall)


def _titles(row: Sequence[Card], wide: float) -> float:
    """Room for the words above the cards of a row [points]."""
    return max(14.0 * len(_heads(card, wide)) + 13.0 * len(_notes(card)) for card in row) + 8.0


def _heads(card: Card, wide: float) -> list[str]:
    return textwrap.wrap(typeset(card.title), max(16, int(wide / 6.3)))[:2]


def _notes(card: Card) -> list[str]:
    """Minutes stay with their band."""
    return typeset(card.note.replace(" (", "\n(", 1)).split("\n")


def _paper(height: float) -> Axes:
    """One set of axes in points for the whole drawing: one for every face would take ten times as long."""
    return bare(new_figure(WIDTH, height), (0.0, 0.0, WIDTH, height))


def _done(axes: Axes, height: float) -> Figure:
    axes.set_xlim(0.0, WIDTH)
    axes.set_ylim(0.0, height)
    figure = axes.figure
    assert isinstance(figure, Figure)
    return figure


def _tall(card: Card, cell: float) -> float:
    """Height of the faces of a card [points]."""
    width = (cell - 30.0) / len(card.plates)
    return max(ceil(width * max(_half(p)[1] / _half(p)[0] for p in card.plates)), 34.0) + 12.0


def _half(plate: Plate) -> tuple[float, float]:
    width, height = plate.outline.size
    return 0.5 * width * MM, 0.5 * height * MM


def _card(axes: Axes, card: Card, x: float, y: float, width: float, tall: float) -> None:
    heads, notes = _heads(card, width), _notes(card)
    at = y + tall + 3.0 + 14.0 * len(heads) + 13.0 * len(notes)
    for text, size, weight, colour in (
        *((head, 11.5, "bold", SHEET.ink) for head in heads),
        *((note, 10.0, "normal", SHEET.muted) for note in notes),
    ):
        at -= 14.0 if weight == "bold" else 13.0
        axes.text(x, at + 4.0, text, fontsize=size, weight=weight, color=colour)
    each = width / len(card.plates)
    limit = max(
        (float(np.abs(z[p.land > 0.0]).max()) for p, z in zip(card.plates, card.maps, strict=True)),
        default=0.0,
    )
    for k, (plate, z) in enumerate(zip(card.plates, card.maps, strict=True)):
        _little(axes, plate, z, limit, _inside(plate, (x + k * each, y, each - 8.0, tall - 8.0)))


def _little(axes: Axes, plate: Plate, z: Array, limit: float, place: Place) -> None:
    """One face, heights alone: colours and lines of equal height, no figures."""
    limit = limit if limit > 0.0 else 1.0
    shown = np.where(plate.land > 0.0, z, np.nan)
    clip = _face(axes, plate, patched(shown, plate.land, limit, HEIGHTS), place)
    contours(axes, *place.of(plate.grid.x, plate.grid.y), shown, limit / STEPS, limit, clip)
    _mark(axes, plate, place)


def _inside(plate: Plate, box: tuple[float, float, float, float]) -> Place:
    """Where a face lies in a box (left, bottom, width, height) [points], its mark above it."""
    left, bottom, width, height = box
    along, across = _half(plate)
    room = 0.22 * max(along, across)
    scale = min(width / (2.08 * along), height / (2.04 * across + room))
    return Place(left + 0.5 * width, bottom + 1.04 * across * scale, scale)


def _face(axes: Axes, plate: Plate, colours: NDArray[np.uint8], place: Place) -> PathPatch:
    drawn = boundary_path(plate.outline.polygon(180) * MM, 0.5 * plate.outline.bore * MM)
    path = Affine2D().scale(place.scale).translate(place.x, place.y).transform_path(drawn)
    clip = PathPatch(path, transform=axes.transData)
    cell = plate.grid.cell
    x, y = place.of(
        np.array([plate.grid.x[0] - cell / 2, plate.grid.x[-1] + cell / 2]),
        np.array([plate.grid.y[0] - cell / 2, plate.grid.y[-1] + cell / 2]),
    )
    picture = axes.imshow(
        colours,
        origin="lower",
        interpolation="none",
        aspect="auto",
        extent=(x[0], x[1], y[0], y[1]),
    )
    picture.set_clip_path(clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.0))
    return clip


def _mark(axes: Axes, plate: Plate, place: Place) -> None:
    """The mark of 12 o'clock, and whose face it is."""
    along, across = _half(plate)
    tick = 0.07 * max(along, across) * place.scale
    top = place.y + across * place.scale
    axes.plot([place.x, place.x], [top, top + tick], color=SHEET.ink, linewidth=1.2, clip_on=False)
    axes.text(
        place.x,
        top + 1.2 * tick,
        plate.name,
        ha="center",
        va="bottom",
        fontsize=9.5,
        color=SHEET.muted,
    )


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
    tall = max(ceil((cell - 10.0) * max(_half(p)[1] / _half(p)[0] for p in plates)), 40.0) + 34.0
    axes = _paper(tall + 46.0)
    for k, plate in enumerate(plates):
        for j, (what, values) in enumerate((("pressed", pressure[k]), ("worn", wear[k]))):
            left = (3 * k + j) * cell
            on = plate.land > 0.0
            mean = float(values[on].mean()) or 1.0
            shown = np.where(on, values / mean, np.nan)
            top, low = float(np.nanmax(shown)), float(np.nanmin(shown))
            place = _inside(plate, (left, 0.0, cell - 10.0, tall))
            clip = _face(
                axes,
                plate,
                patched(shown, plate.land, max(top, 1.01), REMOVED, min(low, 0.99)),
                place,
            )
            contours(
                axes,
                *place.of(plate.grid.x, plate.grid.y),
                shown - 1.0,
                0.1,
                max(top, 1.01) - 1.0,
                clip,
            )
            _mark(axes, plate, place)
            told = f"{low:.2g} to {top:.2g} of its mean"
            head = f"{plate.name}: {what}"
            axes.text(left + 2.0, tall + 26.0, head, fontsize=11.0, weight="bold", color=SHEET.ink)
            axes.text(left + 2.0, tall + 11.0, told, fontsize=10.0, color=SHEET.muted)
        box = ((3 * k + 2) * cell, 0.0, cell - 16.0, tall)
        _arrows(axes, plate, box, made[k], max(map(abs, made)) or 1.0)
    return _done(axes, tall + 46.0)


def _arrows(
    axes: Axes, plate: Plate, box: tuple[float, float, float, float], made: float, most: float
) -> None:
    """A section with arrows: where the face sinks against its mean."""
    left, bottom, width, height = box
    wide, high = width / 2.1, height / 2.15

    def across(x: Array) -> Array:
        return left + 0.5 * width + wide * x

    def up(y: Array) -> Array:
        return bottom + high * (y + 1.1)

    x = np.linspace(-1.0, 1.0, 61)
    bend = 0.28 * made / most * (0.5 - x**2)
    axes.fill_between(
        across(x), up(np.full_like(x, -0.75)), up(bend), color=SHEET.metal, linewidth=0.0
    )
    ends = across(np.array([-1.0, 1.0]))
    axes.plot(ends, up(np.zeros(2)), color=SHEET.muted, linewidth=0.9, linestyle=(0, (4, 3)))
    axes.plot(across(x), up(bend), color=SHEET.ink, linewidth=1.6)
    at = np.array([-0.86, -0.45, 0.0, 0.45, 0.86])
    to = 0.28 * made / most * (0.5 - at**2)
    for a, foot, tip in zip(across(at), up(0.0 * to), up(2.2 * to), strict=True):
        if abs(tip - foot) > 0.066 * high:
            axes.add_patch(
                FancyArrowPatch(
                    (a, foot),
                    (a, tip),
                    arrowstyle="-|>",
                    mutation_scale=10,
                    color=SHEET.accent,
                    linewidth=1.4,
                )
            )
    grows = "goes domed" if made > 0.0 else "goes hollow"
    axes.text(
        left + 0.5 * width,
        bottom + high * 1.92,
        f"{plate.name} {grows}" if abs(made) > 0.02 * most else f"{plate.name} hardly changes",
        ha="center",
        fontsize=11.0,
        weight="bold",
        color=SHEET.ink,
    )
