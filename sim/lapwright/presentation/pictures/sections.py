"""Two faces lying on each other, cut through: as they rest, and pressed on the grit.

The two faces lying on each other, pressed on the grit in the middle of the stroke, cut through the top.

Cuts through two plates lying on each other: where the top would rest, and how far apart they are.

Pressed on the grit it lies as the pressure there says, lifted until the faces just touch where they are
nearest: whatever is then no wider than `give` is filled with grit and bears.  Laid down dry it rests on the
plane, lowest at its middle, that no high spot reaches through.  The edge margin is left out, as it is of
every figure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import atan2, cos, hypot, pi, sin

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.path import Path
from numpy.typing import NDArray

from lapwright.contact.placement import on_face
from lapwright.errors import LapwrightError
from lapwright.presentation import words
from lapwright.presentation.pictures import ink
from lapwright.presentation.pictures.faces import MM, Ground, spread_out
from lapwright.presentation.pictures.ink import SHEET, Array, Style
from lapwright.presentation.run_view import Face, RunView
from lapwright.specification.curves import Still
from lapwright.units import NOTHING, Units

POINTS = 401
ASIDE = 0.2  # of the reach: how far beside the middle a cut may go to keep out of a groove
LAND = 0.02  # share of a cell below which it has no land at all
CLEARLY = 1.1  # another cut than from 9 to 3 must show a gap wider by so much
TURNS = 400  # of the search for the plane on which the top rests
TRIFLE = 1e-6  # what a slope of that plane costs beside its height in the middle
FAR = 1e6  # below all points, in units of their range
OFF = 0.1  # of the top: from there on it lies off the middle of the bottom


@dataclass(frozen=True)
class Cut:
    """A cut through the middle of the top; heights [m], nan where there is no land."""

    at: Array  # (k,) place along the cut, from the middle of the top [m]
    bottom: Array
    top: Array  # underside of the top where it rests
    angle: float  # of the cut, anticlockwise from 3 o'clock [rad]
    aside: bool  # taken beside the middle, because a groove runs there
    give: float = 0.0  # widest gap that grit fills [m]; 0 where the top is laid down dry
    off: float = 0.0  # how far along the cut the middle of the bottom lies from that of the top [m]

    @property
    def gap(self) -> Array:
        """Distance between the faces [m]; nan where one of them has no land."""
        return self.top - self.bottom

    @property
    def widest(self) -> float:
        """The widest gap [m]; 0 where they do not lie over each other."""
        gap = self.gap[np.isfinite(self.gap)]
        return max(float(gap.max()), 0.0) if gap.size else 0.0

    @property
    def filled(self) -> NDArray[np.bool_]:
        """Where grit fills the gap and bears (k,)."""
        return np.asarray(self.gap <= self.give * (1.0 + 1e-6) + 1e-12)


def _within(axis: Array, at: Array) -> tuple[NDArray[np.intp], Array]:
    """The even `axis`'s interval that each place lies in, or is nearest to, and how far along it lies.

    By hand: scipy's reading of grids takes a twentieth of a whole run to load.
    """
    along = (at - axis[0]) / (axis[1] - axis[0])
    first = np.clip(np.floor(along), 0, axis.size - 2).astype(np.intp)
    return first, along - first


@dataclass(frozen=True)
class Surface:
    """A face to be read at any point: its map carried on past the edge, its ground, cells without land."""

    face: Face
    heights: Array
    ground: Ground
    missing: NDArray[np.bool_]
    grooved: bool

    @classmethod
    def of(cls, face: Face, end: bool) -> Surface:
        """The face before, or after (`end`)."""
        ground = Ground.of(face)
        groove = (ground.land < 0.5) & ground.grooved
        heights = spread_out(face.levelled[int(end)], 3)
        return cls(face, heights, ground, groove | (ground.land < LAND), bool(groove.any()))

    def at(self, x: Array, y: Array) -> Array:
        """Heights at points [m], straight between the cells, nan off the land and in the edge margin."""
        points = np.stack([np.ravel(x), np.ravel(y)], axis=1)
        hair = 1e-9  # [m] so that a line between two rows of cells keeps to one of them
        (i, u), (j, v) = (
            _within(axis, at + hair)
            for axis, at in zip((self.ground.x, self.ground.y), points.T, strict=True)
        )
        low, high = (
            row[0] + u * (row[1] - row[0])
            for row in ((self.heights[k, i], self.heights[k, i + 1]) for k in (j, j + 1))
        )
        heights, missing = low + v * (high - low), self.missing[j + (v > 0.5), i + (u > 0.5)]
        inside = Path(_inside_margin(self.face)).contains_points(points) & ~missing
        if self.face.bore > 0.0:
            margin = self.face.record.margin * (1.0 - 1e-6)
            inside &= np.hypot(*points.T) >= self.face.bore + margin
        return np.where(inside, heights, np.nan).reshape(np.shape(x))


@dataclass(frozen=True)
class Pile:
    """The top lying on the bottom, its middle at `c` [m], turned by `theta` [rad].

    h + a x + b y, counted from c, is where its mean plane lies; grit fills gaps up to `give` [m].
    """

    bottom: Surface
    top: Surface
    theta: float
    plane: tuple[float, float, float]
    c: tuple[float, float] = (0.0, 0.0)
    give: float = 0.0

    def cut(self, angle: float = 0.0) -> Cut:
        """Cut through the middle at an angle [rad]; beside the middle where a groove would run along it."""
        below = self.bottom.face
        under, over = _reach(below, angle), _reach(self.top.face, angle)
        off = -(self.c[0] * cos(angle) + self.c[1] * sin(angle))
        at = np.linspace(min(off - under, -over), max(off + under, over), POINTS)
        best = self._at(at, angle, 0.0)
        if not (self.bottom.grooved or self.top.grooved):
            return best
        cell, there = abs(float(below.record.y[1] - below.record.y[0])), _covered(best)
        for k in range(1, int(ASIDE * min(below.half) / cell) + 1):
            for offset in (k * cell, -k * cell):
                other = self._at(at, angle, offset)
                if _covered(other) > 1.3 * there:
                    return other
        return best

    def _at(self, at: Array, angle: float, offset: float) -> Cut:
        x, y = at * cos(angle) - offset * sin(angle), at * sin(angle) + offset * cos(angle)
        below = self.bottom.at(x + self.c[0], y + self.c[1])
        h, a, b = self.plane
        above = h + a * x + b * y - self.top.at(*laid(x, y, self.theta))
        off = -(self.c[0] * cos(angle) + self.c[1] * sin(angle))
        return Cut(at, below, above, angle, offset != 0.0, self.give, off)


def laid(x: Array, y: Array, theta: float) -> tuple[Array, Array]:
    """Face points of the top over points of the bench counted from its middle [m]."""
    zero = np.zeros(1)
    return on_face(x, y, zero, zero, np.array([theta]))


def piled(
    bottom: Face,
    top: Face,
    end: bool,
    theta: float = 0.0,
    c: tuple[float, float] = (0.0, 0.0),
    squeeze: Array | None = None,
) -> Pile:
    """Lay the top on the bottom, before or after (`end`): 12 on 12 or turned, its middle at `c` [m].

    `squeeze` (ny, nx), on the bottom's cells: how far grit gives under the load there [m]; None: laid dry.
    """
    record = bottom.record
    X, Y = np.meshgrid(record.x, record.y)
    on = bottom.on
    x, y = X[on] - c[0], Y[on] - c[1]
    low, high = Surface.of(bottom, end), Surface.of(top, end)
    total = low.at(X[on], Y[on]) + high.at(*laid(x, y, theta))
    both = np.isfinite(total)
    x, y, total = x[both], y[both], total[both]
    given = np.zeros_like(total) if squeeze is None else squeeze[on][both]
    bears = given > 0.0
    if bears.sum() < 3:
        return Pile(low, high, theta, rest_plane(x, y, total), c)
    # Through the heights of both faces less what the grit gives, lifted by what it gives at most.
    x, y, level, give = x[bears], y[bears], (total - given)[bears], float(given.max())
    scale = max(float(np.hypot(x, y).max()), 1e-12)
    terms = np.stack([np.ones_like(x), x / scale, y / scale], axis=1)
    h, a, b = (float(v) for v in np.linalg.lstsq(terms, level, rcond=1e-9)[0])
    return Pile(low, high, theta, (h + give, a / scale, b / scale), c, give)


def rest_plane(x: Array, y: Array, total: Array) -> tuple[float, float, float]:
    """Plane h + a x + b y on which the top rests over points (n,) [m]: lowest in the middle, least tilted.

    Where the middle does not lie between points that could bear, it lies level on the highest.
    """
    if total.size == 0:
        return 0.0, 0.0, 0.0
    level = float(total.max()), 0.0, 0.0
    unit, reach = float(np.ptp(total)), float(np.hypot(x, y).max())
    if unit < 1e-12 or reach <= 0.0:
        return level
    u, v, z = x / reach, y / reach, (total - total.max()) / unit
    found = lowest_plane(u, v, z)
    if found is None:
        return level
    h, a, b = (float(p) for p in found)
    return h * unit + float(total.max()), a * unit / reach, b * unit / reach


def lowest_plane(u: Array, v: Array, z: Array) -> Array | None:
    """The plane (3,) over points (n,) that costs least: its height in the middle and a trifle of its slopes.

    So among planes alike the level one is taken.  None where the middle does not lie between the points.  The
    simplex method on the dual: what bears is weighed so that it carries the middle, each weight a column, as
    is what each slope leaves of its trifle; the first is a point far below the middle.
    """
    slopes = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    basis = np.vstack([[1.0, 0.0, 0.0, 0.0, 0.0], np.hstack([np.zeros((4, 1)), np.eye(4)])])
    height = np.array([-FAR, 0.0, 0.0, 0.0, 0.0])
    limits = np.array([1.0, TRIFLE, TRIFLE, TRIFLE, TRIFLE])
    for _ in range(TURNS):
        plane = np.linalg.solve(basis.T, height)  # height, and each slope in two parts
        weight = np.linalg.solve(basis, limits)
        slope = plane[1:] @ slopes
        over = z - (plane[0] + slope[0] * u + slope[1] * v)
        worst, less = int(np.argmax(over)), int(np.argmin(plane[1:]))
        if max(over[worst], -plane[1 + less]) < 1e-9:
            return None if height.min() == -FAR else np.array([plane[0], *slope])
        if over[worst] >= -plane[1 + less]:
            column, top = np.append(1.0, slopes @ [u[worst], v[worst]]), z[worst]
        else:
            column, top = np.eye(5)[1 + less], 0.0
        step = np.linalg.solve(basis, column)
        ratio = np.full(5, np.inf)
        np.divide(np.maximum(weight, 0.0), step, out=ratio, where=step > 1e-12)
        ties = np.nonzero(ratio <= ratio.min() + 1e-14)[0]
        leaving = int(ties[np.argmax(step[ties])])
        basis[:, leaving], height[leaving] = column, top
    return None


def best_angle(bottom: Face, top: Face, piles: Sequence[Pile]) -> float:
    """Angle of the cut that shows the widest gap, before and after together [rad].

    From 9 to 3 (a long pair: along it) unless another is clearly wider, such as from corner to corner of the
    smaller of the two; through both middles where the top lies off that of the bottom.
    """
    along = straight(bottom, top, piles[0].c)
    if hypot(*piles[0].c) > OFF * min(top.half):
        return along
    small = min((bottom, top), key=lambda f: f.half[0] * f.half[1])
    corner = atan2(small.half[1], small.half[0])
    angles = [along, 0.5 * pi - along, corner, -corner]
    widest = [sum(p.cut(a).widest for p in piles) for a in angles]
    best = int(np.argmax(widest))
    return angles[best] if widest[best] > CLEARLY * widest[0] + 2e-9 else along


def straight(bottom: Face, top: Face, c: tuple[float, float] = (0.0, 0.0)) -> float:
    """Angle of a cut from 9 to 3, of a long pair along it; through both middles if the top is off by `c`."""
    if hypot(*c) > OFF * min(top.half):
        return atan2(c[1], c[0])
    lead = top if top.long and not bottom.long else bottom
    return 0.5 * pi if lead.long and lead.half[1] > lead.half[0] else 0.0


def _covered(piece: Cut) -> int:
    return int(np.isfinite(piece.gap).sum())


def _round(face: Face) -> bool:
    return hypot(*face.half) > 1.05 * float(np.hypot(*face.outer.T).max())


def _reach(face: Face, angle: float) -> float:
    """From the middle to the edge along a line [m]."""
    along = np.abs([cos(angle), sin(angle)])
    if _round(face):
        return float(np.abs(face.outer @ [cos(angle), sin(angle)]).max())
    return float(np.min(face.half / np.maximum(along, 1e-12)))


def _inside_margin(face: Face) -> Array:
    """The outline less the edge margin (k, 2) [m], which is left out of every figure."""
    margin = float(face.record.margin)
    if _round(face):
        return np.asarray(face.outer * (1.0 - margin / max(face.half) + 1e-6))
    return np.asarray(np.sign(face.outer) * (np.abs(face.outer) - margin * (1.0 - 1e-6)))


_SLAB = 26.0  # thickness of metal drawn beyond the faces [points]


def gap_words(piece: Cut, units: Units, turned: float = 0.0, edge: str = "the rim") -> str:
    """How far apart the faces are along the cut, where, and whether grit fills that.

    `turned`: the widest gap with the top a quarter turned [m], told where it is much wider.
    """
    there = np.isfinite(piece.gap)
    if not there.any():
        return "the two do not lie over each other along this cut"
    at, gap = np.abs(piece.at[there]), piece.gap[there]
    size = float(gap.max())
    told = "no gap"
    if size >= NOTHING:
        share = at[gap.argmax()] / max(at.max(), 1e-12)
        out = f"towards {edge}" if share > 0.75 else "half-way out"
        told = f"gap up to {units.size(size)} {'in the middle' if share < 0.25 else out}"
        if piece.give > 0.0 and turned < 2.0 * size:
            filled = bool(piece.filled[there].all())
            told += ", filled with grit" if filled else f", open from {units.size(piece.give)} on"
    if turned < max(2.0 * size, 2.0 * NOTHING):
        return told
    return f"{told}; with the top a quarter turned, up to {units.size(turned)}"


def _squeeze(view: RunView, bottom: Face, top: Face, end: bool) -> Array | None:
    """How far the grit gives in the middle of the last stroke, on the bottom's cells [m]; None: not known."""
    step, plates = view.last_step, view.study.plates
    maps = {f.name: np.asarray(f.record.frames[-int(end)], dtype=float) for f in (bottom, top)}
    alike = all(z.shape == plates[name].grid.shape for name, z in maps.items())
    if not alike or step is None:
        return None
    from lapwright.contact.pressure import bearing

    at_rest = replace(step, top=top.name, bottom=bottom.name, curve=Still())
    try:
        got = bearing(plates, at_rest, heights=maps, phase=0.0)
    except LapwrightError:
        return None
    return np.asarray(got.pressure / step.grit.layer.stiffness)


def _quarter_turned(bottom: Face, top: Face, end: bool, c: tuple[float, float]) -> float:
    """Widest gap with the top turned a quarter [m]; 0 for outlines that do not lie over each other so."""
    if bottom.long or top.long:
        return 0.0
    pile = piled(bottom, top, end, 0.5 * pi, c)
    return max(pile.cut(a).widest for a in (0.0, 0.25 * pi, 0.5 * pi, -0.25 * pi))


def sections(view: RunView, width: float = 1200.0, height: float = 208.0) -> Figure | None:
    """Before and after side by side on one scale, pressed on the grit in the middle of the last stroke.

    None when no two plates lay on each other.
    """
    top, bottom = (view.face(n) for n in view.pair) if view.pair else (None, None)
    if top is None or bottom is None:
        return None
    c, ends = view.middle, (False, True)
    piles = [piled(bottom, top, end, 0.0, c, _squeeze(view, bottom, top, end)) for end in ends]
    cuts = [pile.cut(best_angle(bottom, top, piles)) for pile in piles]
    figure = ink.new_figure(width, height)
    gutter, foot = 36.0, 24.0
    across, tall = (width - gutter) / 2, height - 2 * foot
    long = float(np.ptp(cuts[0].at))
    per_metre = across / (1.03 * long)
    larger = ink.round_down(
        (tall - 2 * _SLAB) / max(span(piece.bottom, piece.top) for piece in cuts) / per_metre
    )
    half = 0.5 * tall / (per_metre * larger)
    doubt = max((f for f in (top.doubt, bottom.doubt) if f is not None), default=0.0)
    edge = "the ends" if bottom.long or top.long else "the rim"
    for k, (piece, when) in enumerate(zip(cuts, ("before", "after"), strict=True)):
        left = k * (across + gutter)
        ends_at = MM * (piece.at[0] - 0.015 * long), MM * (piece.at[-1] + 0.015 * long)
        axes = ink.bare(figure, (left, foot, across, tall), (*ends_at, -half, half))
        slab = _SLAB / (per_metre * larger)
        draw_cut(axes, piece, half, slab, (top, bottom))
        _names(axes, half - 0.12 * slab, (top, bottom), piece.off)
        turned = _quarter_turned(bottom, top, bool(k), c)
        told = gap_words(piece, view.units, turned if turned >= doubt else 0.0, edge)
        pair = " on ".join(view.called(face.name, bool(k)) for face in (top, bottom))
        ink.heading(figure, left, height - 15.0, f"{pair}, {when}", ha="left")
        ink.write(figure, left + across, height - 15.0, told, 11, "right", color=SHEET.ink)
    fine = cuts[1].widest < doubt
    _foot(figure, cuts[0], larger, f"; gap after: {words.REMARK}" if fine else "")
    return figure


def span(*lines: Array) -> float:
    """From the lowest to the highest point of some lines [m]."""
    every = np.concatenate(lines)
    every = every[np.isfinite(every)]
    return max(float(np.ptp(every)) if every.size else 0.0, 2e-8)


def draw_cut(
    axes: Axes, piece: Cut, half: float, slab: float, faces: tuple[Face, Face]
) -> tuple[Array, Array]:
    """Metal and gap of a cut through the `faces` top and bottom, in the middle of axes `half` as high.

    Gives the heights at which the bottom and the top are drawn.
    """
    at = piece.at * MM
    both = np.concatenate([piece.bottom, piece.top])
    middle = 0.5 * (np.nanmin(both) + np.nanmax(both)) if np.isfinite(both).any() else 0.0
    low, high = piece.bottom - middle, piece.top - middle
    gap = np.isfinite(low) & np.isfinite(high)
    axes.fill_between(at, low, high, where=gap, color=SHEET.gap, linewidth=0)
    if piece.give > 0.0:
        grit = gap & piece.filled
        axes.fill_between(at, low, high, where=grit, color=SHEET.paper, linewidth=0)
        axes.fill_between(at, low, high, where=grit, color=SHEET.third, alpha=0.55, linewidth=0)
    for face, line, ends, colour, centre in (
        (faces[1], low, -half, SHEET.metal, piece.off),
        (faces[0], high, half, SHEET.metal2, 0.0),
    ):
        inside = np.flatnonzero(np.isfinite(line))
        if not inside.size:
            continue
        groove = np.interp(at, at[inside], line[inside]) + np.sign(ends) * 0.45 * slab
        # Between the ends there is metal behind a groove, but none inside a bore.
        bore = face.bore + face.record.margin if face.bore > 0.0 else 0.0
        solid = np.isfinite(line) | (np.abs(piece.at - centre) > bore) | (bore <= 0.0)
        solid[: inside[0]], solid[inside[-1] + 1 :] = False, False
        edge = np.where(np.isfinite(line), line, groove)
        axes.fill_between(at, edge, ends, where=solid, color=colour, linewidth=0)
        axes.plot(at, line, color=SHEET.ink, linewidth=1.3, solid_capstyle="butt")
    return low, high


def _names(axes: Axes, y: float, faces: tuple[Face, Face], off: float) -> None:
    """Whose metal it is, of the top above and of the bottom below, beside the bore where there is one."""
    for face, at, va, centre in zip(faces, (y, -y), ("top", "bottom"), (0.0, off), strict=True):
        aside = 0.5 * (face.bore + min(face.half)) if face.bore > 0 else 0.0
        style: Style = {"ha": "center", "va": va, "fontsize": 11, "color": SHEET.ink}
        axes.text((centre + aside) * MM, at, face.name, style)


def _foot(figure: Figure, piece: Cut, larger: float, more: str) -> None:
    """Where the cut runs, and what it shows."""
    through = "through both middles" if piece.off else "through the middle"
    where = "beside the middle" if piece.aside else through
    lies = (
        "pressed on the grit: brown bears, violet is open" if piece.give else "laid dry, gap violet"
    )
    cut = f"cut from {ends_words(piece.angle, piece.off != 0.0)} {where}"
    note = f"{cut}, {lies}; edge margin left out; {ink.drawn_larger(larger)}{more}"
    ink.write(figure, 36.0 * figure.get_figwidth(), 7.0, note)


def ends_words(angle: float, off: bool = False) -> str:
    """Where a cut begins and ends, left to right: by the hours, or by the corners of a long face.

    `off`: through a top that lies off the middle, so that its direction is any.
    """
    degrees = np.degrees(angle) % 180.0
    near = {0.0: "9 to 3 o'clock", 45.0: "7:30 to 1:30", 90.0: "6 to 12 o'clock"}
    near |= {135.0: "10:30 to 4:30", 180.0: near[0.0]}
    for at, hours in near.items():
        if abs(degrees - at) < 1.0:
            return hours
    if off:
        return f"{Units.hour(-cos(angle), -sin(angle))} to {Units.hour(cos(angle), sin(angle))}"
    return f"corner to corner, {near[45.0 if degrees < 90.0 else 135.0]}"
