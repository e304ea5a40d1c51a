"""Every face before and after, or as it is believed, on one scale; and how any map of a face is drawn."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch
from matplotlib.path import Path
from numpy.typing import NDArray

from lapwright.presentation import words
from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.ink import SHEET, Array, Style
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.words import MARK, marked_face, typeset
from lapwright.specification.plate import Plate
from lapwright.units import Units

MM = 1e3
GREY, LOST = np.array([0.50, 0.52, 0.54]), np.array([0.62, 0.63, 0.64])  # of a groove; not known


# --- what a map is drawn on --------------------------------------------------------------------


@dataclass(frozen=True)
class Spot:
    """Where the middle of a face lies on the paper, and how large a millimetre is there."""

    x: float = 0.0
    y: float = 0.0
    scale: float = 1.0

    def of(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Points of the face [m] on the paper."""
        return self.x + MM * self.scale * x, self.y + MM * self.scale * y


HOME = Spot()  # axes of its own, in mm


@dataclass(frozen=True)
class Ground:
    """Cells `x` (nx,), `y` (ny,), their `land` (ny, nx), the `outer` outline (k, 2), radius of a bore [m]."""

    x: Array
    y: Array
    land: Array
    outer: Array
    bore: float

    @classmethod
    def of(cls, one: Face | Plate) -> Ground:
        """What a plate, or a face of a run, is drawn on."""
        if isinstance(one, Face):
            record = one.record
            x, y, land = (np.asarray(v, dtype=float) for v in (record.x, record.y, record.land))
            return cls(x, y, land, one.outer, one.bore)
        outline = one.outline
        outer = np.asarray(outline.polygon(180))
        return cls(one.grid.x, one.grid.y, one.land, outer, 0.5 * outline.bore)

    @property
    def half(self) -> tuple[float, float]:
        """Half the width along x and along y [m]."""
        along, across = np.abs(self.outer).max(axis=0)
        return float(along), float(across)

    @property
    def edges(self) -> tuple[float, float, float, float]:
        """Left, right, low and high edge of the cells [m]."""
        dx, dy = (float(v[1] - v[0]) / 2 if len(v) > 1 else 5e-4 for v in (self.x, self.y))
        (left, right), (low, high) = ((float(v[0]), float(v[-1])) for v in (self.x, self.y))
        return left - dx, right + dx, low - dy, high + dy

    def extent(self, spot: Spot = HOME) -> tuple[float, float, float, float]:
        """The same on the paper."""
        x, y = spot.of(*np.reshape(self.edges, (2, 2)))
        return float(x[0]), float(x[1]), float(y[0]), float(y[1])

    def path(self, spot: Spot = HOME) -> Path:
        """Closed path about the metal, on the paper."""
        around = np.linspace(0.0, -2.0 * np.pi, 97 if self.bore > 0.0 else 0)
        bore = self.bore * np.stack([np.cos(around), np.sin(around)], axis=1)
        rings = [np.vstack([self.outer, self.outer[:1]]), *([bore] if self.bore > 0.0 else [])]
        on_paper = (np.stack(spot.of(*ring.T), axis=1) for ring in rings)
        return Path.make_compound_path(*(Path(ring, closed=True) for ring in on_paper))

    @property
    def grooved(self) -> NDArray[np.bool_]:
        """Cells (ny, nx) whose missing land is that of a groove: at the rim no more is cut off than half."""
        left, right, low, high = self.edges
        ny, nx = self.land.shape
        x, y = np.meshgrid(np.linspace(left, right, nx + 1), np.linspace(low, high, ny + 1))
        points = np.stack([x.ravel(), y.ravel()], axis=1)
        inside = Path(self.outer).contains_points(points).reshape(x.shape)
        corner = (inside & (np.hypot(x, y) >= self.bore)).astype(int)
        corners = corner[1:, 1:] + corner[1:, :-1] + corner[:-1, 1:] + corner[:-1, :-1]
        return np.asarray((corners == 4) | ((corners == 3) & (self.land < 0.5)))


# --- maps --------------------------------------------------------------------------------------


def draw_map(
    axes: Axes, ground: Ground, colours: Array, spot: Spot = HOME, zorder: float = 1.0
) -> PathPatch:
    """Colours (ny, nx, 3 or 4) cut off by the outline, which is drawn; it is given, to cut off more by it."""
    path = ground.path(spot)
    clip = PathPatch(path, transform=axes.transData)
    image = axes.imshow(
        np.rint(colours * 255.0).astype(np.uint8),
        origin="lower",
        aspect="auto",
        extent=ground.extent(spot),
        interpolation="none",
        zorder=zorder,
    )
    image.set_clip_path(clip)
    axes.add_patch(PathPatch(path, fill=False, edgecolor=SHEET.ink, linewidth=1.1, zorder=3))
    return clip


def coloured(
    ground: Ground,
    heights: Array,
    limit: float,
    ramp: Array = ink.HEIGHTS,
    low: float | None = None,
) -> Array:
    """Colours (ny, nx, 3): grooves grey, and the colour carried on past the edge of the land.

    The outline cuts it off afterwards; without carrying on, the last cells would fade at the rim.
    """
    filled = spread_out(heights, 2)
    floor = -limit if low is None else low
    share = np.clip((filled - floor) / (limit - floor), 0.0, 1.0)
    known = np.isfinite(share)
    colour = ramp[np.rint(np.where(known, share, 0.0) * (len(ramp) - 1)).astype(int)]
    colour[~known] = LOST
    shade = (np.clip(1.0 - ground.land, 0.0, 1.0) * (known & ground.grooved))[..., None]
    return np.asarray(colour * (1.0 - shade) + GREY * shade)


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
    axes: Axes, ground: Ground, heights: Array, step: float, clip: PathPatch, spot: Spot = HOME
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
        *spot.of(ground.x, ground.y),
        np.ma.masked_invalid(z),
        levels,
        colors="#30343a",
        linewidths=np.where(np.abs(levels) <= step / 2, 1.2, 0.7),
        linestyles=["dashed" if level < -step / 2 else "solid" for level in levels],
        alpha=0.75,
    )
    lines.set_clip_path(clip)


def clock(axes: Axes, ground: Ground) -> None:
    """The mark of 12 o'clock, ticks at 3, 6 and 9, in axes in mm that it makes fit."""
    along, across = (MM * half for half in ground.half)
    big = max(along, across)
    tick = 0.045 * big
    for x, y in ((0, 1), (1, 0), (0, -1), (-1, 0)):
        ends = (x * along, x * (along + tick)), (y * across, y * (across + tick))
        axes.plot(*ends, color=SHEET.ink, linewidth=1.2, clip_on=False)
    at: Style = {"ha": "center", "va": "bottom", "fontsize": 9.5, "color": SHEET.muted}
    axes.text(0, across + 1.35 * tick, "12", at)
    axes.set_xlim(-along - 1.6 * tick, along + 1.6 * tick)
    axes.set_ylim(-across - 1.6 * tick, across + (4.6 if big < 2.2 * across else 2.2) * tick)
    axes.set_aspect("equal")
    axes.set_anchor("S")


# --- faces before and after --------------------------------------------------------------------


def height_limit(view: RunView) -> float:
    """Ends of the height scale [m], one for all faces; a round number in the person's units."""
    return rounded_limit(view.limit, view.units)


def rounded_limit(most: float, units: Units) -> float:
    """The next round number of the person's units at or above a height [m]."""
    return ink.round_up(most / units.small.size) * units.small.size


def contour_step(limit: float, units: Units) -> float:
    """Height between contour lines [m]: at most fourteen of them from end to end."""
    return ink.round_step(2.0 * limit / units.small.size, 14) * units.small.size


def heights_scale(figure: Figure, limit: float, units: Units, more: str = "") -> None:
    """At the foot of a drawing: what the colours and the lines are."""
    size, every = units.size(limit), units.size(contour_step(limit, units))
    note = f"contour lines every {every}, dashed below the mean plane; looking at the face{more}"
    middle = 36.0 * figure.get_figwidth()
    ink.ramp_scale(figure, middle, ink.HEIGHTS, f"{size} low", f"{size} high", note)


def face_map(axes: Axes, face: Face, heights: Array, limit: float, units: Units) -> None:
    """One face: colours, contour lines, outline, grooves and the clock."""
    _levels(axes, Ground.of(face), heights, limit, units)


def _levels(axes: Axes, ground: Ground, heights: Array, limit: float, units: Units) -> None:
    clip = draw_map(axes, ground, coloured(ground, heights, limit))
    contours(axes, ground, heights, contour_step(limit, units), clip)
    clock(axes, ground)


def one_face(axes: Axes, view: RunView, name: str) -> Axes:
    """Draw the face of a plate at the end into axes of somebody else's, lengths in mm."""
    face = next(face for face in view.faces if face.name == name)
    face_map(axes, face, face.levelled[1], height_limit(view), view.units)
    axes.set_title(name)
    return axes


NAME, LINE = 19.0, 15.0  # points: height of a name over a face, and of a line below it


def faces(view: RunView, width: float = 1200.0) -> Figure:
    """Before and after of every plate, titled in words; in one row where it goes, rails one under the other.

    Parameters
    ----------
    width
        Width of the drawing [points].
    """
    number = 2 * len(view.faces)
    rails = max(f.half[0] / f.half[1] for f in view.faces) > 2.2
    columns = min(number, 2 if rails else 4 if len(view.faces) in (1, 2, 4) else 6)
    cell = width / max(columns, 2 if rails else 4)
    cap = 100.0 if rails else 232.0 if number == columns else 205.0
    shown = [
        (face, after, _shape(face, after, view.units, cell))
        for face in view.faces
        for after in (False, True)
    ]
    rows = [shown[k : k + columns] for k in range(0, number, columns)]
    talls, heads = [], []
    for row in rows:
        tallest = max(face.half[1] / face.half[0] for face, _, _ in row)
        talls.append(max(min(cell * 0.92 * tallest + 22.0, cap), 60.0))
        # A line that no title of the row needs is room for the rest of the first screen.
        heads.append(NAME + LINE * max(len(lines) for _, _, lines in row))
    bottom = sum(talls) + sum(heads) + 34.0
    figure, limit = ink.new_figure(width, bottom), height_limit(view)
    for row, tall, head in zip(rows, talls, heads, strict=True):
        bottom -= tall + head
        for column, (face, after, lines) in enumerate(row):
            axes = ink.bare(figure, (column * cell, bottom, cell, tall))
            face_map(axes, face, face.levelled[after], limit, view.units)
            when = "after" if after else "before"
            place = (column + 0.5) * cell, bottom + tall + 6.0
            _title(figure, f"{view.called(face.name, after)} {when}", lines, *place)
    marked = any(MARK in text.get_text() for text in figure.texts)
    heights_scale(figure, limit, view.units, f"; {MARK} {words.REMARK}" if marked else "")
    return figure


def _shape(face: Face, after: bool, units: Units, cell: float) -> list[str]:
    """The shape of a face in words, in lines that fit into a cell [points]."""
    # What came in was not made by this grit, so it is told whatever a gauge tells on it then.
    forms, doubt = (face.after, face.doubt) if after else (face.before, None)
    room = max(16, int(cell / 6.4))
    lines = textwrap.wrap(typeset(words.face(forms, doubt, units, brief=True)), room)
    if len(lines) > 1:  # the remark must not be parted from what it is about
        lines = textwrap.wrap(typeset(marked_face(forms, doubt, MARK, units, brief=True)), room)
    if len(lines) > 3:  # bands by the layer stand above, in the sentence; no size may be cut off
        bare = {key: value for key, value in forms.items() if not key.endswith(words.ENDS)}
        lines = textwrap.wrap(typeset(marked_face(bare, doubt, MARK, units, brief=True)), room)
    return lines


def _title(figure: Figure, name: str, lines: Sequence[str], x: float, y: float) -> None:
    """A name over lines of text, up from a place [points]."""
    for k, line in enumerate(reversed(lines)):
        ink.write(figure, x, y + LINE * k, line, 11.5, color=SHEET.ink)
    ink.heading(figure, x, y + LINE * len(lines), name, 12.5)


# --- faces as they are believed ----------------------------------------------------------------


@dataclass(frozen=True)
class Believed:
    """A face: its map `heights` (ny, nx) [m] in the middle of what is believed, what is said of it.

    `x` (n,) [m] from 9 to 3 o'clock through the middle; there the height in the `middle` of what is
    believed, `low` and `high` (n,) [m]: 95 of 100 shops lie between.  `unsure` (ny, nx): where it is not
    known `within` [m] either way; `read` (k, 2) [m]: where the last entry touched it; `wanted` (k, 2) [m]:
    where to touch it next as is advised, without advice where it is least known.
    """

    plate: Plate
    heights: Array
    told: tuple[str, ...]
    x: Array
    middle: Array
    low: Array
    high: Array
    unsure: NDArray[np.bool_]
    within: float
    read: Array
    wanted: Array


PANEL, MAP = 256.0, 226.0


def believed(
    shown: Sequence[Believed], units: Units, width: float = 1200.0, *, asked: bool
) -> Figure:
    """Each face as a map, beside it what is said of it and a cut through its middle with its band."""
    columns, cell = min(len(shown), 2), width / 2.0
    height = -(-len(shown) // columns) * PANEL + 46.0
    figure = ink.new_figure(width, height)
    most = max(max(float(np.nanmax(np.abs(one.heights))), 1e-9) for one in shown)
    limit = rounded_limit(most, units)
    reach = max(float(np.nanmax(np.abs([one.low, one.high]))) for one in shown)
    for k, one in enumerate(shown):
        row, column = divmod(k, columns)
        left, bottom = (column + 1.0 - 0.5 * columns) * cell, height - (row + 1) * PANEL
        axes, ground = (
            ink.bare(figure, (left, bottom + 6.0, MAP, PANEL - 12.0)),
            Ground.of(one.plate),
        )
        _levels(axes, ground, one.heights, limit, units)
        _marks(axes, ground, one)
        left, head = left + MAP + 14.0, bottom + PANEL - 20.0
        ink.heading(figure, left, head, one.plate.name, 13.0, "left")
        for text in one.told:
            for line in textwrap.wrap(typeset(text), max(20, int((cell - MAP - 26.0) / 5.9)))[:2]:
                head -= 15.0
                ink.write(figure, left, head, line, 11.0, "left", color=SHEET.ink)
        box = (left + 38.0, bottom + 34.0, cell - MAP - 84.0, max(head - bottom - 58.0, 60.0))
        _band(ink.plain(figure, box), one, reach, units)
    size = units.size(limit)
    note = "the middle of what is believed; cuts from 9 to 3 o'clock, shaded where they lie in 95 of 100"
    ink.ramp_scale(
        figure, 430.0, ink.HEIGHTS, f"{size} low", f"{size} high", f"looking at the face, {note}"
    )
    key = (
        f"hatched: not known within {typeset(units.size(shown[0].within))}"
        * any(one.unsure.any() for one in shown),
        "dots: touched for the last entry" * any(len(one.read) for one in shown),
        f"rings: {'read here next' if asked else 'least known here'}"
        * any(len(one.wanted) for one in shown),
    )
    ink.write(
        figure, width - 4.0, 29.0, "; ".join(filter(None, key)), 10.5, "right", color=SHEET.muted
    )
    return figure


def _marks(axes: Axes, ground: Ground, one: Believed) -> None:
    """Lines over what is not known well enough, dots where the face was touched, rings where to touch it."""
    if one.unsure.any():
        left, right, low, high = ground.extent()
        x = np.linspace(left, right, one.unsure.shape[1])
        y = np.linspace(low, high, one.unsure.shape[0])
        drawn = axes.contourf(
            x, y, one.unsure.astype(float), levels=[0.5, 1.5], colors="none", hatches=["////"]
        )
        drawn.set(edgecolor=SHEET.muted, linewidth=0.0)
        drawn.set_clip_path(PathPatch(ground.path(), transform=axes.transData))
    for places, mark, size, colour in (
        (one.read, ".", 3.0, SHEET.ink),
        (one.wanted, "o", 8.0, SHEET.accent),
    ):
        axes.plot(
            *HOME.of(*places.T),
            mark,
            color=colour,
            markersize=size,
            markerfacecolor="none",
            markeredgewidth=1.8,
            clip_on=False,
        )


def _band(axes: Axes, one: Believed, reach: float, units: Units) -> None:
    """The face cut from 9 to 3 o'clock: the middle of what is believed, in its band."""
    unit, x = units.small, one.x / units.long.size
    band = one.low / unit.size, one.high / unit.size
    axes.fill_between(x, *band, color=SHEET.accent, alpha=0.25, linewidth=0.0)
    axes.axhline(0.0, color=SHEET.muted, linewidth=0.8)
    axes.plot(x, one.middle / unit.size, color=SHEET.accent, linewidth=1.9)
    most = 1.08 * reach / unit.size
    axes.set_ylim(-most, most)
    axes.set_xlim(x[0], x[-1])
    ink.ruled(axes, 6, signed=True)
    axes.set_xticks([x[0], 0.0, x[-1]], ["9 o'clock", "middle", "3 o'clock"])
    for label, ha in zip(axes.get_xticklabels(), ("left", "center", "right"), strict=True):
        label.set(ha=ha)
    style: Style = {
        "xycoords": "axes fraction",
        "ha": "right",
        "va": "bottom",
        "color": SHEET.muted,
    }
    ink.beside(axes, unit.symbol, (0, 1), (-8, 4), **style)
