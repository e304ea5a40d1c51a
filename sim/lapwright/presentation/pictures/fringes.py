"""Bands of every face under an optical flat: the pictures, and what goes with them.

What an optical flat would show of each face: what goes with the picture of the bands.

A band is half a wave of height (checked against 587.6 nm: 293.80 nm).
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle, PathPatch

from lapwright.metrology.conditions import LAMPS
from lapwright.metrology.contacts import Face, Mapped
from lapwright.metrology.fringes import (
    Bands,
    Fringes,
    fringes,
    lies_on_land,
    over_the_bore,
    tilted,
    too_grey,
)
from lapwright.metrology.instruments import OpticalFlat
from lapwright.presentation import words
from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.faces import MM, Ground, clock, draw_map
from lapwright.presentation.pictures.ink import SHEET, Box
from lapwright.presentation.run_view import RunView, finish_words
from lapwright.presentation.words import say, typeset
from lapwright.specification.outline import Outline
from lapwright.units import METRIC, Units, joined


def _flat_of(view: RunView, name: str) -> OpticalFlat:
    """The flat of the study, or by helium light one as large as the face of this name."""
    across = 2.0 * view.study.plates[name].outline.radius
    usual = OpticalFlat(diameter=across, wavelength=LAMPS["helium"])
    return next((g for g in view.study.gauges.values() if isinstance(g, OpticalFlat)), usual)


def flat_words(view: RunView) -> list[str]:
    """How to read the bands, and the notes on grey and on ragged ones where they are due."""
    flat = _flat_of(view, view.faces[0].name)
    light, wave = "Under a helium light (", f"{flat.wavelength * 1e9:.4g} nm)"
    if flat.name:
        light = f"Under the flat of the study ({flat.name}: {view.units.length(flat.diameter)}, "
    wedge = "under its own" if flat.wedge else "with a slight one"
    lines = [
        f"{light}{wave} one band is half a wave, {view.units.size(flat.band)} of height. Left of each pair "
        f"the flat lies on without a wedge, right {wedge}. Bands count to the very edge; flatness leaves the "
        "margin out."
    ]
    names = [face.name for face in view.faces]
    bored = [n for n in names if not lies_on_land(view.study.plates[n], _flat_of(view, n))]
    if bored:
        lines.append(say("gauge.in_bore", flat=flat.name, plates=joined(bored)))
    lines += finish_words(view)
    if any(too_grey(f.grit) for f in view.faces):
        lines.append(say("gauge.instead"))
    return lines


PIXELS = 420
LINES = 8.0  # bands across the face that a slight wedge makes
FEWEST = 0.1  # of a band: finer is not told by eye (common practice, no source)
LINE = 15.0  # points from one line of words to the next
BESIDE = 94.0  # points for the words about a picture
MOST = 45.0  # bands from middle to edge that still can be told apart in print
DARK = np.array([0.13, 0.13, 0.15])
METAL = "0.8"
# Tint of the light: only its brightness tells anything, so that eyes without colour see the same.
TINTS = ((450e-9, (0.80, 0.76, 0.97)), (560e-9, (0.80, 0.94, 0.76)), (610e-9, (0.98, 0.90, 0.66)))
RED = (0.99, 0.82, 0.76)


@dataclass(frozen=True)
class Seen:
    """A face by name, the flat that is laid on it, and the last loose grit on it [m] (None: not known)."""

    name: str
    face: Face
    flat: OpticalFlat
    grit: float | None = None
    shape: str = ""  # in words, where dome and dish do not tell the whole of it


def fringes_of(view: RunView, width: float = 1010.0) -> Figure | None:
    """The faces at the end of a run, under the flat of the study or one as large as each.

    A face whose bore takes the flat whole is left out.  None when no face is left, or no map of the run lies
    on the cells of its plate.
    """
    seen = []
    for face in view.faces:
        plate, heights = (
            view.study.plates[face.name],
            np.asarray(face.record.frames[-1], dtype=float),
        )
        if heights.shape == plate.grid.shape:
            flat = _flat_of(view, face.name)
            shape = words.odd(face.after, face.doubt, view.units)
            if lies_on_land(plate, flat):
                seen.append(Seen(face.name, Mapped(plate, heights), flat, face.grit, shape))
    return fringe_figure(seen, view.units, width) if seen else None


def fringe_picture(
    seen: Sequence[Seen], units: Units = METRIC, at: tuple[float, float] = (0.0, 0.0)
) -> bytes:
    """The same as a PNG, for a command."""
    with ink.sheet():
        return ink.png(fringe_figure(seen, units, at=at))


def fringe_figure(
    seen: Sequence[Seen],
    units: Units = METRIC,
    width: float = 1010.0,
    at: tuple[float, float] = (0.0, 0.0),
) -> Figure:
    """Each face twice, the flat lying on and under a slight wedge, with what that says in words.

    A flat that has a wedge of its own is shown with that one.
    """
    rails = any(one.face.plate.outline.long for one in seen)
    columns = 1 if rails or len(seen) == 1 else 2
    if len(seen) == 1 and not rails:
        width *= 0.6
    cell = width / (2 * columns)
    rows = [seen[k : k + columns] for k in range(0, len(seen), columns)]
    talls = [max(map(_shape, row)) * cell * 0.84 + 34.0 for row in rows]
    more = [2.0 * LINE * any(one.shape for one in row) for row in rows]
    bottom = sum(talls) + sum(more) + BESIDE * len(rows) + 8.0
    figure = ink.new_figure(width, bottom)
    for row, tall, below in zip(rows, talls, more, strict=True):
        bottom -= tall + below + BESIDE
        for k, one in enumerate(row):
            _pair(figure, one, units, at, (2 * k * cell, bottom + below, cell, tall))
    return figure


def _shape(one: Seen) -> float:
    along, across = one.face.plate.outline.size
    return min(1.0, across / along)


def _pair(figure: Figure, one: Seen, units: Units, at: tuple[float, float], box: Box) -> None:
    """One face without and with a wedge, and the words below it."""
    left, bottom, cell, tall = box
    outline = one.face.plate.outline
    flat = replace(one.flat, diameter=min(one.flat.diameter, 2.02 * outline.radius))
    direction = flat.wedge_direction if flat.wedge else 0.5 * np.pi
    lying = replace(flat, wedge=0.0, wedge_direction=direction)
    level = fringes(one.face, lying, at, PIXELS)
    span = min(outline.smaller, flat.diameter)
    wedge = flat.wedge or max(LINES, 2.2 * abs(level.bands)) * flat.band / span
    askew = tilted(level, one.face, lying, wedge)
    grey = abs(level.bands) > MOST
    for side, got in enumerate((level, askew)):
        _draw(figure, (left + side * cell, bottom + 76.0, cell, tall), one, got, flat, at, grey)
    top = bottom + tall + 78.0
    ink.heading(figure, left + 0.5 * cell, top, f"{one.name}: the flat lying on")
    wedged = "under its own wedge" if flat.wedge else "with a slight wedge"
    ink.write(figure, left + 1.5 * cell, top, wedged, 12, color=SHEET.ink)
    for number, line in enumerate(_words(one, level, askew, flat, units, int(2.0 * cell / 6.3))):
        ink.write(figure, left + cell, bottom + 62.0 - LINE * number, line, 11, color=SHEET.ink)


def _words(
    one: Seen, level: Fringes, askew: Fringes, flat: OpticalFlat, units: Units, room: int
) -> list[str]:
    """What the bands say, and whether they will be seen at all."""
    outline = one.face.plate.outline
    bands = Bands(one.face, flat, level.at)
    ways = [(bands.along(angle), name) for angle, name in _directions(outline)]
    counts = [count for count, _ in ways]
    most, apart = max(map(abs, counts)), float(np.ptp(counts))
    bore = over_the_bore(flat, outline, level.at)
    text = f"From {'the bore to the rim' if bore else 'the middle to the edge'}"
    if most < FEWEST or (apart < max(0.5 * FEWEST, 0.02 * most) and not outline.long):
        text += f", in every direction: {_way(float(np.mean(counts)), flat, units)}."
    else:
        some = _telling(ways, outline.long)
        text += f": {'; '.join(f'{name} {_way(count, flat, units)}' for count, name in some)}."
    text = f"It is {one.shape}. {text}" if one.shape else text
    straight = abs(askew.straightness or 0.0)
    if most > MOST:
        text += " Too many to tell apart."
    elif straight >= FEWEST:
        bow = Units.number(straight)
        text += f" The middle band bows by {'one spacing' if bow == '1.0' else f'{bow} spacings'}."
    if too_grey(one.grit):
        grit = METRIC.size(one.grit or 0.0, echo=True)
        grey = "leaves the face too grey to show them: polish a small patch, or use a gauge"
        text += f" Loose {grit} grit {grey}."
    # Set before it is wrapped, so that no number is parted from its unit.
    return textwrap.wrap(typeset(text), room)[: 6 if one.shape else 4]


def _directions(outline: Outline) -> list[tuple[float, str]]:
    """Angles [rad] along which bands are counted, across each other by pairs, and what they are called."""
    along, across = outline.size
    corner = atan2(across, along) if outline.long else 0.25 * np.pi
    names = ("along 3-9", "along 12-6", "along 1:30-7:30", "along 10:30-4:30")
    if outline.long:
        names = (*names[:2], "from corner to corner, 1:30-7:30,", "10:30-4:30")
    return list(zip((0.0, 0.5 * np.pi, corner, np.pi - corner), names, strict=True))


def _telling(ways: Sequence[tuple[float, str]], rail: bool) -> list[tuple[float, str]]:
    """The two directions, across each other, that differ most; on a rail the corners beside them too."""
    square, corners = list(ways[:2]), list(ways[2:])
    apart = [abs(pair[0][0] - pair[1][0]) for pair in (square, corners)]
    if rail:
        return [*square, *(corners if apart[1] >= FEWEST else ())]
    return corners if apart[1] > apart[0] else square


def _way(bands: float, flat: OpticalFlat, units: Units) -> str:
    """Bands along one way, and the height that they mean."""
    if abs(bands) < FEWEST:
        return f"none, flat to a tenth of a band ({units.size(FEWEST * flat.band)})"
    number = Units.number(abs(bands))
    number = "one band" if number == "1.0" else f"{number} bands"
    height = units.both(bands * flat.band)
    return f"{number}, {'domed' if bands > 0.0 else 'hollow'} by {height}"


def _draw(
    figure: Figure,
    box: Box,
    one: Seen,
    got: Fringes,
    flat: OpticalFlat,
    at: tuple[float, float],
    grey: bool,
) -> None:
    """The metal, the bands where the flat lies (`grey`: too many to draw), outline and clock mark."""
    axes, plate = ink.bare(figure, box), one.face.plate
    there = np.isfinite(got.light)
    tint = np.array(next((tint for most, tint in TINTS if flat.wavelength < most), RED))
    light = np.where(there, 0.5 if grey else got.light, 0.0)[..., None]
    colours = DARK * (1.0 - light) + tint * light
    ground = replace(Ground.of(plate), x=got.x, y=got.y)
    pixels = np.concatenate([colours, there[..., None].astype(float)], axis=-1)
    clip = draw_map(axes, ground, pixels, zorder=2)
    metal = axes.add_patch(PathPatch(clip.get_path(), facecolor=METAL, edgecolor="none"))
    metal.set_zorder(1)
    if flat.diameter < 1.98 * plate.outline.radius:
        radius, middle = 0.5 * MM * flat.diameter, (MM * at[0], MM * at[1])
        axes.add_patch(
            Circle(middle, radius, fill=False, edgecolor=SHEET.accent, linewidth=1.4, zorder=4)
        )
    clock(axes, ground)
