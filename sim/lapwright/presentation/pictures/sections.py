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
from lapwright.presentation.pictures.faces import inside_land, spread_out
from lapwright.presentation.pictures.ink import (
    SHEET,
    Array,
    bare,
    drawn_larger,
    new_figure,
    round_down,
)
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.words import typeset
from lapwright.specification.curves import Still
from lapwright.units import NOTHING, Units

__all__ = [
    "Cut",
    "Pile",
    "best_angle",
    "ends_words",
    "gap_words",
    "piled",
    "rest_plane",
    "sections",
]


POINTS = 401
ASIDE = 0.2  # of the reach: how far beside the middle a cut may go to keep out of a groove
LAND = 0.02  # share of a cell below which it has no land at all
CLEARLY = 1.1  # another cut than from 9 to 3 must show a gap wider by so much
ACTIVE = 40  # points that the plane is first laid on
TURNS = 40
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


@dataclass(frozen=True)
class Surface:
    """A face to be read at any point: its map carried on past the edge, its outline, its grooves."""

    face: Face
    heights: Array
    outline: Path
    missing: NDArray[np.bool_]  # cells without land
    grooved: bool

    @classmethod
    def of(cls, face: Face, end: bool) -> Surface:
        """The face before, or after (`end`)."""
        land = np.asarray(face.record.land, dtype=float)
        groove = (land < 0.5) & inside_land(land) & ~_in_bore(face)
        filled = spread_out(face.levelled[int(end)], 3)
        return cls(
            face, filled, Path(_inside_margin(face)), groove | (land < LAND), bool(groove.any())
        )

    def at(self, x: Array, y: Array) -> Array:
        """Heights at points [m], nan off the land."""
        record = self.face.record
        gx, gy = np.asarray(record.x), np.asarray(record.y)
        out = _between(gx, gy, self.heights, x, y)
        points = np.stack([np.ravel(x), np.ravel(y)], axis=1)
        inside = self.outline.contains_points(points).reshape(np.shape(x))
        if self.face.bore > 0.0:
            inside &= np.hypot(x, y) >= self.face.bore + record.margin * (1.0 - 1e-6)
        inside &= ~_nearest(gx, gy, self.missing, x, y)
        return np.where(inside, out, np.nan)


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
        z_bottom, z_top = (
            self.bottom.at(x + self.c[0], y + self.c[1]),
            self.top.at(*laid(x, y, self.theta)),
        )
        h, a, b = self.plane
        off = -(self.c[0] * cos(angle) + self.c[1] * sin(angle))
        return Cut(at, z_bottom, h + a * x + b * y - z_top, angle, offset != 0.0, self.give, off)


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
    give = float(given.max())
    return Pile(
        low, high, theta, _pressed_plane(x[bears], y[bears], (total - given)[bears], give), c, give
    )


def _pressed_plane(x: Array, y: Array, level: Array, give: float) -> tuple[float, float, float]:
    """Plane of a top under load: through the heights of both faces less what the grit gives, lifted by it."""
    scale = max(float(np.hypot(x, y).max()), 1e-12)
    terms = np.stack([np.ones_like(x), x / scale, y / scale], axis=1)
    h, a, b = np.linalg.lstsq(terms, level, rcond=1e-9)[0]
    return float(h) + give, float(a) / scale, float(b) / scale


def rest_plane(x: Array, y: Array, total: Array) -> tuple[float, float, float]:
    """Plane h + a x + b y on which the top rests over points (n,) [m]: lowest in the middle, least tilted.

    Where the middle does not lie between points that could bear, it lies level on the highest.
    """
    from scipy.optimize import linprog

    if total.size == 0:
        return 0.0, 0.0, 0.0
    level = float(total.max()), 0.0, 0.0
    unit, reach = float(np.ptp(total)), float(np.hypot(x, y).max())
    if unit < 1e-12 or reach <= 0.0:
        return level
    u, v, z = x / reach, y / reach, (total - total.max()) / unit
    ends = [int(np.argmax(u * cos(t) + v * sin(t))) for t in np.linspace(0.0, 2.0 * pi, 16)]
    some = np.union1d(np.argsort(z)[-ACTIVE:], ends)
    plane = np.array([0.0, 0.0, 0.0])
    for _ in range(TURNS):
        rows = np.stack([-np.ones(some.size), -u[some], u[some], -v[some], v[some]], axis=1)
        # The slopes cost a trifle, so that among planes alike the level one is taken.
        found = linprog(
            [1.0, 1e-6, 1e-6, 1e-6, 1e-6], rows, -z[some], bounds=[(None, None), *[(0, None)] * 4]
        )
        if not found.success:
            return level
        h, a, a_, b, b_ = found.x
        plane = np.array([h, a - a_, b - b_])
        over = z - (plane[0] + plane[1] * u + plane[2] * v)
        if over.max() < 1e-7:
            break
        some = np.union1d(some, np.argsort(over)[-8:])
    h, a, b = (float(p) for p in plane)
    return h * unit + float(total.max()), a * unit / reach, b * unit / reach


def best_angle(bottom: Face, top: Face, piles: Sequence[Pile]) -> float:
    """Angle of the cut that shows the widest gap, before and after together [rad].

    From 9 to 3 (a long pair: along it) unless another is clearly wider; through both middles where the top
    lies off that of the bottom.
    """
    lead = top if top.long and not bottom.long else bottom
    along = 0.5 * pi if lead.long and lead.half[1] > lead.half[0] else 0.0
    angles = [along, 0.5 * pi - along, *_corners(bottom, top)]
    x, y = piles[0].c
    if hypot(x, y) > OFF * min(top.half):
        return atan2(y, x)
    widest = [sum(p.cut(a).widest for p in piles) for a in angles]
    best = int(np.argmax(widest))
    return angles[best] if widest[best] > CLEARLY * widest[0] + 2e-9 else angles[0]


def _corners(bottom: Face, top: Face) -> tuple[float, float]:
    """Angles from corner to corner of the smaller of the two; half-way between the hours for round ones."""
    face = min((bottom, top), key=lambda f: f.half[0] * f.half[1])
    corner = atan2(face.half[1], face.half[0])
    return corner, -corner


def _covered(piece: Cut) -> int:
    return int(np.isfinite(piece.gap).sum())


def _reach(face: Face, angle: float) -> float:
    """From the middle to the edge along a line [m]."""
    u = face.outer[:, 0] * cos(angle) + face.outer[:, 1] * sin(angle)
    if hypot(*face.half) > 1.05 * float(np.hypot(*face.outer.T).max()):
        return float(np.abs(u).max())  # round
    sides = [
        h / max(abs(c), 1e-12) for h, c in zip(face.half, (cos(angle), sin(angle)), strict=True)
    ]
    return float(min(sides))


def _inside_margin(face: Face) -> Array:
    """The outline less the edge margin (k, 2) [m], which is left out of every figure."""
    margin = float(face.record.margin)
    if hypot(*face.half) > 1.05 * float(np.hypot(*face.outer.T).max()):  # round
        return np.asarray(face.outer * (1.0 - margin / max(face.half) + 1e-6))
    return np.asarray(np.sign(face.outer) * (np.abs(face.outer) - margin * (1.0 - 1e-6)))


def _in_bore(face: Face) -> NDArray[np.bool_]:
    return np.asarray(np.hypot(*np.meshgrid(face.record.x, face.record.y)) < face.bore)


def _between(gx: Array, gy: Array, z: Array, x: Array, y: Array) -> Array:
    """Straight between the cells; carried on over the half cell to the rim."""
    fx = np.clip((x - gx[0]) / (gx[1] - gx[0]), -0.5, len(gx) - 0.5)
    fy = np.clip((y - gy[0]) / (gy[1] - gy[0]), -0.5, len(gy) - 0.5)
    i = np.clip(np.floor(fx).astype(int), 0, len(gx) - 2)
    j = np.clip(np.floor(fy).astype(int), 0, len(gy) - 2)
    u, v = fx - i, fy - j
    low = z[j, i] * (1.0 - u) + z[j, i + 1] * u
    high = z[j + 1, i] * (1.0 - u) + z[j + 1, i + 1] * u
    return np.asarray(low * (1.0 - v) + high * v)


def _nearest(
    gx: Array, gy: Array, mask: NDArray[np.bool_], x: Array, y: Array
) -> NDArray[np.bool_]:
    i = np.clip(np.rint((x - gx[0]) / (gx[1] - gx[0])).astype(int), 0, len(gx) - 1)
    j = np.clip(np.rint((y - gy[0]) / (gy[1] - gy[0])).astype(int), 0, len(gy) - 1)
    return np.asarray(mask[j, i])


MM = 1e3
_SLAB = 26.0  # thickness of metal drawn beyond the faces [points]


def gap_words(piece: Cut, units: Units, turned: float = 0.0, edge: str = "the rim") -> str:
    """How far apart the faces are along the cut, where, and whether grit fills that.

    `turned`: the widest gap with the top a quarter turned [m], told where it is much wider.
    """
    gap = np.where(np.isfinite(piece.gap), piece.gap, -np.inf)
    if not np.isfinite(gap).any():
        return "the two do not lie over each other along this cut"
    widest = int(np.argmax(gap))
    size = float(gap[widest])
    if size < NOTHING:
        told = "no gap"
    else:
        reach = float(np.abs(piece.at[np.isfinite(piece.gap)]).max())
        share = abs(float(piece.at[widest])) / reach if reach > 0 else 0.0
        where = (
            "in the middle"
            if share < 0.25
            else f"towards {edge}"
            if share > 0.75
            else "half-way out"
        )
        told = f"gap up to {units.size(size)} {where}"
        if piece.give > 0.0 and turned < 2.0 * size:
            told += (
                ", filled with grit"
                if piece.filled[np.isfinite(piece.gap)].all()
                else f", open from {units.size(piece.give)} on"
            )
    if turned < max(2.0 * size, 2.0 * NOTHING):
        return told
    return f"{told}; with the top a quarter turned, up to {units.size(turned)}"


def _pile(account: RunView, bottom: Face, top: Face, end: bool) -> Pile:
    """The top pressed on the grit in the middle of the last stroke; laid dry where that cannot be known."""
    return piled(bottom, top, end, c=account.middle, squeeze=_squeeze(account, bottom, top, end))


def _squeeze(account: RunView, bottom: Face, top: Face, end: bool) -> Array | None:
    """How far the grit gives in the middle of the last stroke, on the bottom's cells [m]."""
    number = int(account.run.step[-1])
    if not 0 < number <= len(account.steps):
        return None
    plates = account.study.plates
    faces = {
        f.name: np.asarray(f.record.frames[-1 if end else 0], dtype=float) for f in (bottom, top)
    }
    if any(faces[name].shape != plates[name].grid.shape for name in faces):
        return None
    from lapwright.contact.pressure import bearing

    step = account.steps[number - 1]
    at_rest = replace(step, top=top.name, bottom=bottom.name, curve=Still())
    try:
        got = bearing(plates, at_rest, heights=faces, phase=0.0)
    except LapwrightError:
        return None
    return np.asarray(got.pressure / step.grit.layer.stiffness)


def _quarter_turned(bottom: Face, top: Face, end: bool, c: tuple[float, float]) -> float:
    """Widest gap with the top turned a quarter [m]; 0 for outlines that do not lie over each other so."""
    if bottom.long or top.long:
        return 0.0
    pile = piled(bottom, top, end, 0.5 * pi, c)
    return max(pile.cut(a).widest for a in (0.0, 0.25 * pi, 0.5 * pi, -0.25 * pi))


def sections(account: RunView, width: float = 1200.0, height: float = 208.0) -> Figure | None:
    """Before and after side by side on one scale; None when no two plates lay on each other."""
    pair = account.pair
    top, bottom = (account.face(n) for n in pair) if pair else (None, None)
    if top is None or bottom is None:
        return None
    piles = [_pile(account, bottom, top, end) for end in (False, True)]
    angle = best_angle(bottom, top, piles)
    cuts = [pile.cut(angle) for pile in piles]
    figure = new_figure(width, height)
    gutter, foot, head = 36.0, 24.0, 24.0
    across = (width - gutter) / 2
    span = max(_span(c) for c in cuts)
    long = float(np.ptp(cuts[0].at))
    room = height - foot - head - 2 * _SLAB
    per_metre = across / (1.03 * long)
    exaggeration = round_down(room / span / per_metre)
    finish = max((f for f in (top.finish, bottom.finish) if f is not None), default=0.0)
    turned = [_quarter_turned(bottom, top, end, account.middle) for end in (False, True)]
    edge = "the ends" if bottom.long or top.long else "the rim"
    for k, (piece, when) in enumerate(zip(cuts, ("before", "after"), strict=True)):
        axes = bare(figure, (k * (across + gutter), foot, across, height - foot - head))
        half = (height - foot - head) / 2 / (per_metre * exaggeration)
        axes.set_xlim((piece.at[0] - 0.015 * long) * MM, (piece.at[-1] + 0.015 * long) * MM)
        axes.set_ylim(-half, half)
        _draw(axes, piece, _SLAB / (per_metre * exaggeration), half, (top, bottom))
        told = gap_words(piece, account.units, turned[k] if turned[k] >= finish else 0.0, edge)
        said = typeset(told)
        x = (k * (across + gutter)) / width
        figure.text(
            x,
            1 - 15.0 / height,
            f"{top.name} on {bottom.name}, {when}",
            ha="left",
            fontsize=12,
            weight="bold",
            color=SHEET.ink,
        )
        figure.text(
            (k * (across + gutter) + across) / width,
            1 - 15.0 / height,
            said,
            ha="right",
            fontsize=11,
            color=SHEET.ink,
        )
    _foot(figure, cuts[0], exaggeration, width, height, cuts[1].widest < finish)
    return figure


def _span(piece: Cut) -> float:
    both = np.concatenate([piece.bottom, piece.top])
    both = both[np.isfinite(both)]
    return max(float(np.ptp(both)) if both.size else 0.0, 2e-8)


def _draw(axes: Axes, piece: Cut, slab: float, half: float, faces: tuple[Face, Face]) -> None:
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
    bores = [f.bore + f.record.margin if f.bore > 0.0 else 0.0 for f in faces]
    sides = (
        (low, -half, SHEET.metal, bores[1], piece.off),
        (high, half, SHEET.metal2, bores[0], 0.0),
    )
    for line, ends, colour, bore, middle_at in sides:
        on = np.isfinite(line)
        if not on.any():
            continue
        inside = np.flatnonzero(on)
        first, last = inside[0], inside[-1]
        groove = np.interp(at, at[on], line[on]) + np.sign(ends) * 0.45 * slab
        # Between the ends there is metal behind a groove, but none inside a bore.
        solid = on | (np.abs(piece.at - middle_at) > bore) | (bore <= 0.0)
        solid[:first], solid[last + 1 :] = False, False
        edge = np.where(on, np.nan_to_num(line), groove)
        axes.fill_between(at, edge, ends, where=solid, color=colour, linewidth=0)
        axes.plot(at, line, color=SHEET.ink, linewidth=1.3, solid_capstyle="butt")
    for face, y, anchor, centre in (
        (faces[0], half, "top", 0.0),
        (faces[1], -half, "bottom", piece.off),
    ):
        pad = -0.12 * slab if anchor == "top" else 0.12 * slab
        aside = 0.5 * (face.bore + min(face.half)) if face.bore > 0 else 0.0
        axes.text(
            (centre + aside) * MM,
            y + pad,
            face.name,
            ha="center",
            va=anchor,
            fontsize=11,
            color=SHEET.ink,
        )


def _foot(
    figure: Figure, piece: Cut, exaggeration: float, width: float, height: float, fine: bool
) -> None:
    where = (
        "beside the middle"
        if piece.aside
        else "through both middles"
        if piece.off
        else "through the middle"
    )
    lies = "pressed on the grit: brown bears, blue is open" if piece.give else "laid dry, gap blue"
    cut = f"cut from {ends_words(piece.angle, piece.off != 0.0)} {where}"
    note = f"{cut}, {lies}; edge margin left out; {drawn_larger(exaggeration)}"
    if fine:
        note += f"; gap after: {words.REMARK}"
    figure.text(0.5, 7.0 / height, note, ha="center", fontsize=10.5, color=SHEET.muted)


def ends_words(angle: float, off: bool = False) -> str:
    """Where a cut begins and ends, left to right: by the hours, or by the corners of a long face.

    `off`: through a top that lies off the middle, so that its direction is any.
    """
    degrees = np.degrees(angle) % 180.0
    for hours, at in (("9 to 3 o'clock", 0.0), ("7:30 to 1:30", 45.0), ("6 to 12 o'clock", 90.0)):
        if abs(degrees - at) < 1.0:
            return hours
    if abs(degrees - 135.0) < 1.0:
        return "10:30 to 4:30"
    if abs(degrees - 180.0) < 1.0:
        return "9 to 3 o'clock"
    if off:
        return f"{Units.hour(-cos(angle), -sin(angle))} to {Units.hour(cos(angle), sin(angle))}"
    return f"corner to corner, {'7:30 to 1:30' if degrees < 90.0 else '10:30 to 4:30'}"
