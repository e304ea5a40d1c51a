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
from numpy.typing import NDArray

from sim.plate.plate import Plate
from sim.report.pictures.faces import contours, patched
from sim.report.pictures.ink import HEIGHTS, REMOVED, SHEET, Array, bare, boundary_path, new_figure
from sim.report.typeset import typeset

__all__ = ["Card", "cause", "errors"]

MM = 1e3
WIDTH = 1010.0
GAP = 14.0
TITLE = 64.0
LEAST = 150.0  # width of a card [points]
STEPS = 5  # contour lines from the mean plane to the highest point


@dataclass(frozen=True)
class Card:
    """One error: `title` in words, a `note` under it, and a height map for each plate (ny, nx), any scale."""

    title: str
    note: str
    plates: tuple[Plate, ...]
    maps: tuple[Array, ...]


def errors(groups: Sequence[tuple[str, Sequence[Card]]], columns: int = 4) -> Figure | None:
    """Cards in groups, each group under its heading."""
    shown = [(head, cards) for head, cards in groups if cards]
    if not shown:
        return None
    cell = WIDTH / columns
    tall = _tall(shown[0][1][0], cell)
    rows = [(head, [cards[k : k + columns] for k in range(0, len(cards), columns)]) for head, cards in shown]
    height = sum(30.0 + len(lines) * (tall + TITLE + GAP) for _, lines in rows)
    figure = new_figure(WIDTH, height)
    y = height
    for head, lines in rows:
        y -= 22.0
        figure.text(0.0, y / height, head, fontsize=12.5, weight="bold", color=SHEET.accent)
        y -= 8.0
        for line in lines:
            y -= tall + TITLE + GAP
            for k, card in enumerate(line):
                _card(figure, card, k * cell, y, cell - 18.0, tall)
    return figure


def _tall(card: Card, cell: float) -> float:
    """Height of the faces of a card [points]."""
    width = (cell - 30.0) / len(card.plates)
    return max(ceil(width * max(_half(p)[1] / _half(p)[0] for p in card.plates)), 34.0) + 12.0


def _half(plate: Plate) -> tuple[float, float]:
    width, height = plate.outline.size
    return 0.5 * width * MM, 0.5 * height * MM


def _card(figure: Figure, card: Card, x: float, y: float, width: float, tall: float) -> None:
    height = figure.get_size_inches()[1] * 72.0
    heads = textwrap.wrap(typeset(card.title), max(16, int(width / 6.3)))[:2]
    notes = textwrap.wrap(typeset(card.note), max(16, int(width / 5.3)))[:2]
    at = y + tall + 3.0 + 14.0 * len(heads) + 13.0 * len(notes)
    for text, size, weight, colour in (
        *((head, 11.5, "bold", SHEET.ink) for head in heads),
        *((note, 10.0, "normal", SHEET.muted) for note in notes),
    ):
        at -= 14.0 if weight == "bold" else 13.0
        figure.text(x / WIDTH, (at + 4.0) / height, text, fontsize=size, weight=weight, color=colour)
    each = width / len(card.plates)
    limit = max(
        (float(np.abs(z[p.land > 0.0]).max()) for p, z in zip(card.plates, card.maps, strict=True)),
        default=0.0,
    )
    for k, (plate, z) in enumerate(zip(card.plates, card.maps, strict=True)):
        axes = bare(figure, (x + k * each, y, each - 8.0, tall - 8.0))
        _little(axes, plate, z, limit)


def _little(axes: Axes, plate: Plate, z: Array, limit: float) -> None:
    """One face, heights alone: colours and lines of equal height, no figures."""
    limit = limit if limit > 0.0 else 1.0
    shown = np.where(plate.land > 0.0, z, np.nan)
    x, y = plate.grid.x * MM, plate.grid.y * MM
    clip = _face(axes, plate, patched(shown, plate.land, limit, HEIGHTS))
    contours(axes, x, y, shown, limit / STEPS, limit, clip)
    _mark(axes, plate)


def _face(axes: Axes, plate: Plate, colours: NDArray[np.uint8]) -> PathPatch:
    x, y, cell = plate.grid.x * MM, plate.grid.y * MM, plate.grid.cell * MM
    path = boundary_path(plate.outline.polygon(180) * MM, 0.5 * plate.outline.bore * MM)
    clip = PathPatch(path, transform=axes.transData)
    picture = axes.imshow(
        colours,
        origin="lower",
        interpolation="none",
        extent=(x[0] - cell / 2, x[-1] + cell / 2, y[0] - cell / 2, y[-1] + cell / 2),
    )
    picture.set_clip_path(clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.0))
    return clip


def _mark(axes: Axes, plate: Plate) -> None:
    along, across = _half(plate)
    tick = 0.07 * max(along, across)
    axes.plot([0, 0], [across, across + tick], color=SHEET.ink, linewidth=1.2, clip_on=False)
    axes.text(0, across + 1.2 * tick, plate.name, ha="center", va="bottom", fontsize=9.5, color=SHEET.muted)
    axes.set_xlim(-1.04 * along, 1.04 * along)
    axes.set_ylim(-1.04 * across, across + 3.2 * tick)
    axes.set_aspect("equal")
    axes.set_anchor("S")


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
    columns, tall = 2 * len(plates) + len(plates), 210.0
    cell = WIDTH / columns
    tall = max(ceil((cell - 10.0) * max(_half(p)[1] / _half(p)[0] for p in plates)), 40.0) + 34.0
    figure = new_figure(WIDTH, tall + 46.0)
    height = tall + 46.0
    for k, plate in enumerate(plates):
        for j, (what, values) in enumerate((("pressed", pressure[k]), ("worn", wear[k]))):
            left = (3 * k + j) * cell
            axes = bare(figure, (left, 0.0, cell - 10.0, tall))
            on = plate.land > 0.0
            mean = float(values[on].mean()) or 1.0
            shown = np.where(on, values / mean, np.nan)
            top, low = float(np.nanmax(shown)), float(np.nanmin(shown))
            clip = _face(axes, plate, patched(shown, plate.land, max(top, 1.01), REMOVED, min(low, 0.99)))
            contours(axes, plate.grid.x * MM, plate.grid.y * MM, shown - 1.0, 0.1, max(top, 1.01) - 1.0, clip)
            _mark(axes, plate)
            figure.text(
                (left + 2.0) / WIDTH,
                (tall + 26.0) / height,
                f"{plate.name}: {what}",
                fontsize=11.0,
                weight="bold",
                color=SHEET.ink,
            )
            figure.text(
                (left + 2.0) / WIDTH,
                (tall + 11.0) / height,
                f"{low:.2g} to {top:.2g} of its mean",
                fontsize=10.0,
                color=SHEET.muted,
            )
        _arrows(
            figure, plate, ((3 * k + 2) * cell, 0.0, cell - 16.0, tall), made[k], max(map(abs, made)) or 1.0
        )
    return figure


def _arrows(
    figure: Figure, plate: Plate, box: tuple[float, float, float, float], made: float, most: float
) -> None:
    """A section with arrows: where the face sinks against its mean."""
    axes = bare(figure, box)
    x = np.linspace(-1.0, 1.0, 61)
    bend = 0.28 * made / most * (0.5 - x**2)
    axes.fill_between(x, -0.75, bend, color=SHEET.metal, linewidth=0.0)
    axes.plot([-1, 1], [0, 0], color=SHEET.muted, linewidth=0.9, linestyle=(0, (4, 3)))
    axes.plot(x, bend, color=SHEET.ink, linewidth=1.6)
    for at in (-0.86, -0.45, 0.0, 0.45, 0.86):
        to = 0.28 * made / most * (0.5 - at**2)
        if abs(to) > 0.03:
            axes.add_patch(
                FancyArrowPatch(
                    (at, 0.0),
                    (at, to * 2.2),
                    arrowstyle="-|>",
                    mutation_scale=10,
                    color=SHEET.accent,
                    linewidth=1.4,
                )
            )
    grows = "goes domed" if made > 0.0 else "goes hollow"
    axes.text(
        0.0,
        0.82,
        f"{plate.name} {grows}" if abs(made) > 0.02 * most else f"{plate.name} hardly changes",
        ha="center",
        fontsize=11.0,
        weight="bold",
        color=SHEET.ink,
    )
    axes.set_xlim(-1.05, 1.05)
    axes.set_ylim(-1.1, 1.05)
