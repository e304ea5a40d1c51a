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
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from numpy.typing import NDArray

from lapwright.metrology.conditions import LAMPS
from lapwright.metrology.contacts import Face, Mapped
from lapwright.metrology.fringes import Bands, Fringes, fringes, over_the_bore, tilted, too_grey
from lapwright.metrology.instruments import OpticalFlat
from lapwright.presentation import words
from lapwright.presentation import words as shapes
from lapwright.presentation.pictures.ink import SHEET, Array, bare, boundary_path, new_figure, sheet
from lapwright.presentation.pictures.ink import png as to_png
from lapwright.presentation.run_view import RunView
from lapwright.presentation.words import typeset
from lapwright.specification.outline import Outline
from lapwright.units import METRIC, Units, joined

__all__ = [
    "Seen",
    "flat_of",
    "flat_words",
    "fringe_figure",
    "fringe_picture",
    "fringes_of",
    "seen_in",
]


def flat_of(said: RunView, name: str) -> OpticalFlat:
    """The flat of the study, or by helium light one as large as the face of this name."""
    gauges = said.study.gauges.values()
    plate = said.study.plates.get(name)
    usual = OpticalFlat(
        diameter=2.0 * plate.outline.radius if plate is not None else 1.0,
        wavelength=LAMPS["helium"],
    )
    return next((gauge for gauge in gauges if isinstance(gauge, OpticalFlat)), usual)


def flat_words(said: RunView) -> list[str]:
    """How to read the bands, and the notes on grey and on ragged ones where they are due."""
    flat = flat_of(said, said.faces[0].name)
    if flat.name:
        across = said.units.length(flat.diameter)
        light = (
            f"Under the flat of the study ({flat.name}: {across}, {flat.wavelength * 1e9:.4g} nm)"
        )
    else:
        light = f"Under a helium light ({flat.wavelength * 1e9:.4g} nm)"
    wedge = "under its own" if flat.wedge else "with a slight one"
    lines = [
        f"{light} one band is half a wave, {said.units.size(flat.band)} of height. Left of each pair "
        f"the flat lies on without a wedge, right {wedge}."
    ]
    grey = [f.name for f in said.faces if too_grey(f.grit)]
    if grey:
        come = "comes" if len(grey) == 1 else "come"
        lines.append(
            f"But {joined(grey)} {come} off loose grit above about 5 um and will be too grey to show "
            "bands (common practice, no source): read a comparator instead, or go on to a finer grit first."
        )
    finished = [f for f in said.faces if f.finish is not None]
    rough = [f.name for f in finished if not shapes.told(f.after, f.finish, said.units).above]
    if rough:
        lines.append(
            f"On {joined(rough)} {words.REMARK}, and the bands would be ragged by as much."
        )
    return lines


MM = 1e3
PIXELS = 420
LINES = 8.0  # bands across the face that a slight wedge makes
FEWEST = 0.1  # of a band: finer is not told by eye (common practice, no source)
BESIDE = 94.0  # points for the words about a picture
MOST = 45.0  # bands from middle to edge that still can be told apart in print
DARK = np.array([0.13, 0.13, 0.15])
METAL = np.array([0.80, 0.80, 0.80])
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


def seen_in(account: RunView) -> list[Seen]:
    """The faces at the end of a run, under the flat of the study or one as large as each.

    None when the study cannot be read any more.
    """
    out = []
    for face in account.faces:
        plate = account.study.plates.get(face.name)
        heights = np.asarray(face.record.frames[-1], dtype=float)
        if plate is not None and heights.shape == plate.grid.shape:
            out.append(
                Seen(face.name, Mapped(plate, heights), flat_of(account, face.name), face.grit)
            )
    return out


def fringes_of(account: RunView, width: float = 1010.0) -> Figure | None:
    """The same drawn, `width` in points; None when there is nothing to draw."""
    got = seen_in(account)
    return fringe_figure(got, account.units, width) if got else None


def fringe_picture(
    seen: Sequence[Seen], units: Units = METRIC, at: tuple[float, float] = (0.0, 0.0)
) -> bytes:
    """The same as a PNG, for a command."""
    with sheet():
        return to_png(fringe_figure(seen, units, at=at))


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
    bottom = sum(talls) + BESIDE * len(rows) + 8.0
    figure = new_figure(width, bottom)
    for row, tall in zip(rows, talls, strict=True):
        bottom -= tall + BESIDE
        for k, one in enumerate(row):
            _pair(figure, one, units, at, (2 * k * cell, bottom, cell, tall))
    return figure


def _shape(one: Seen) -> float:
    along, across = one.face.plate.outline.size
    return min(1.0, across / along)


def _pair(
    figure: Figure,
    one: Seen,
    units: Units,
    at: tuple[float, float],
    box: tuple[float, float, float, float],
) -> None:
    """One face without and with a wedge, and the words below it."""
    left, bottom, cell, tall = box
    width, height = figure.get_size_inches() * 72.0
    outline = one.face.plate.outline
    flat = replace(one.flat, diameter=min(one.flat.diameter, 2.02 * outline.radius))
    direction = flat.wedge_direction if flat.wedge else 0.5 * np.pi
    lying = replace(flat, wedge=0.0, wedge_direction=direction)
    level = fringes(one.face, lying, at, PIXELS)
    span = min(outline.smaller, flat.diameter)
    wedge = flat.wedge or max(LINES, 2.2 * abs(level.bands)) * flat.band / span
    askew = tilted(level, one.face, lying, wedge)
    wedged = "under its own wedge" if flat.wedge else "with a slight wedge"
    for side, (got, said) in enumerate(((level, "the flat lying on"), (askew, wedged))):
        axes = bare(figure, (left + side * cell, bottom + 76.0, cell, tall))
        _draw(axes, one, got, flat, at, grey=abs(level.bands) > MOST)
        figure.text(
            (left + (side + 0.5) * cell) / width,
            (bottom + 76.0 + tall + 2.0) / height,
            f"{one.name}: {said}" if side == 0 else said,
            ha="center",
            fontsize=12.0,
            weight="bold" if side == 0 else "normal",
            color=SHEET.ink,
        )
    for number, line in enumerate(_words(one, level, askew, flat, units, int(2.0 * cell / 6.3))):
        figure.text(
            (left + cell) / width,
            (bottom + 62.0 - 15.0 * number) / height,
            line,
            ha="center",
            fontsize=11.0,
            color=SHEET.ink,
        )


def _words(
    one: Seen, level: Fringes, askew: Fringes, flat: OpticalFlat, units: Units, room: int
) -> list[str]:
    """What the bands say, and whether they will be seen at all."""
    outline = one.face.plate.outline
    bands = Bands(one.face, flat, level.at)
    ways = [(bands.along(angle), name) for angle, name in _directions(outline)]
    most = max(abs(count) for count, _ in ways)
    reach = (
        "the bore to the rim"
        if over_the_bore(flat, outline, level.at)
        else "the middle to the edge"
    )
    apart = float(np.ptp([count for count, _ in ways]))
    if most < FEWEST or (apart < max(0.5 * FEWEST, 0.02 * most) and not outline.long):
        mean = float(np.mean([count for count, _ in ways]))
        said = f"From {reach}, in every direction: {_way(mean, flat, units)}."
    else:
        told = "; ".join(
            f"{name} {_way(count, flat, units)}" for count, name in _telling(ways, outline.long)
        )
        said = f"From {reach}: {told}."
    if most > MOST:
        said += " Too many to be told apart."
    elif abs(askew.straightness or 0.0) >= FEWEST:
        bow = Units.number(abs(askew.straightness or 0.0))
        said += f" The middle band bows by {'one spacing' if bow == '1.0' else f'{bow} spacings'}."
    if too_grey(one.grit):
        grit = METRIC.size(one.grit or 0.0, echo=True)
        said += f" Loose {grit} grit leaves the face too grey to show them: polish a witness, or use a gauge."
    # Set before it is wrapped, so that no number is parted from its unit.
    return textwrap.wrap(typeset(said), room)[:4]


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
    axes: Axes, one: Seen, got: Fringes, flat: OpticalFlat, at: tuple[float, float], grey: bool
) -> None:
    """The metal, the bands where the flat lies, outline and clock mark."""
    plate = one.face.plate
    along, across = (0.5 * side * MM for side in plate.outline.size)
    path = boundary_path(np.asarray(plate.outline.polygon(180)) * MM, 0.5 * plate.outline.bore * MM)
    clip = PathPatch(path, transform=axes.transData)
    axes.add_patch(PathPatch(path, facecolor=tuple(METAL), edgecolor="none"))
    cell = float(got.x[1] - got.x[0]) * MM
    x, y = got.x * MM, got.y * MM
    light = np.full_like(got.light, 0.5) if grey else got.light
    picture = axes.imshow(
        _colours(light, np.isfinite(got.light), flat.wavelength),
        origin="lower",
        extent=(x[0] - cell / 2, x[-1] + cell / 2, y[0] - cell / 2, y[-1] + cell / 2),
        interpolation="none",
        zorder=2,
    )
    picture.set_clip_path(clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.1, zorder=3))
    if flat.diameter < 1.98 * plate.outline.radius:
        turn = np.linspace(0.0, 2.0 * np.pi, 181)
        r = 0.5 * flat.diameter * MM
        x, y = at[0] * MM + r * np.cos(turn), at[1] * MM + r * np.sin(turn)
        axes.plot(x, y, color=SHEET.accent, linewidth=1.4, zorder=4)
    big = max(along, across)
    tick = 0.045 * big
    for ux, uy in ((0, 1), (1, 0), (0, -1), (-1, 0)):
        px, py = ux * along, uy * across
        axes.plot(
            [px, px + ux * tick],
            [py, py + uy * tick],
            color=SHEET.ink,
            linewidth=1.2,
            clip_on=False,
        )
    axes.text(
        0, across + 1.35 * tick, "12", ha="center", va="bottom", fontsize=9.5, color=SHEET.muted
    )
    axes.set_xlim(-along - 1.6 * tick, along + 1.6 * tick)
    axes.set_ylim(-across - 1.6 * tick, across + (5.0 if along < 2.2 * across else 3.4) * tick)
    axes.set_aspect("equal")
    axes.set_anchor("S")


def _colours(light: Array, there: NDArray[np.bool_], wavelength: float) -> Array:
    """Colours (ny, nx, 4) of the light; nothing where nothing shows."""
    bright = np.array(next((tint for most, tint in TINTS if wavelength < most), RED))
    share = np.where(there, light, 0.0)[..., None]
    colour = DARK * (1.0 - share) + bright * share
    return np.concatenate([colour, there[..., None].astype(float)], axis=-1)
