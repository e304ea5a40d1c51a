"""The two faces lying on each other, cut through the middle, with the gap shaded."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from sim.report import words
from sim.report.account import Account, Face
from sim.report.pictures.ink import SHEET, Array, bare, new_figure, round_step
from sim.report.typeset import typeset

__all__ = ["Cut", "cut", "gap_words", "sections"]

MM = 1e3
_SLAB = 26.0  # thickness of metal drawn beyond the faces [points]


@dataclass(frozen=True)
class Cut:
    """A cut through two plates laid centre on centre, 12 on 12; heights [m], nan where there is no land."""

    at: Array  # (k,) place along the cut [m]
    bottom: Array
    top: Array  # underside of the top, touching the bottom
    along_y: bool
    aside: bool  # taken beside the middle, because a groove runs there

    @property
    def gap(self) -> Array:
        """Distance between the faces [m]; nan where one of them has no land."""
        return self.top - self.bottom


def cut(bottom: Face, top: Face, end: bool, points: int = 401) -> Cut:
    """Cut the pair from 9 to 3 (a long pair: along its length), before or after.

    The top is turned over like a page of a book, so its face is read from 3 to 9 as the bottom's is
    read from 9 to 3.  It is drawn touching where it would rest if nothing gave, its weight in the middle.
    """
    lead = top if top.long and not bottom.long else bottom
    along_y = lead.long and lead.half[1] > lead.half[0]
    axis = 1 if along_y else 0
    reach = max(bottom.half[axis], top.half[axis])
    at = np.linspace(-reach, reach, points)
    z_bottom, aside = _profile(bottom, bottom.levelled[int(end)], at, along_y)
    z_top, also = _profile(top, top.levelled[int(end)], at if along_y else -at, along_y)
    both = np.isfinite(z_bottom) & np.isfinite(z_top)
    lift, slope = _rest(at[both], (z_bottom + z_top)[both])
    return Cut(at, z_bottom, lift + slope * at - z_top, along_y, aside or also)


def _profile(face: Face, heights: Array, at: Array, along_y: bool) -> tuple[Array, bool]:
    """Heights along a line through the middle, or beside it if a groove runs there; nan off the land."""
    record = face.record
    x, y = np.asarray(record.x), np.asarray(record.y)
    land = np.asarray(record.land, dtype=float)
    if along_y:
        x, y, land, heights = y, x, land.T, heights.T
    rows, aside = _rows(y, land)
    weight = np.where(np.isfinite(heights[rows]), land[rows], 0.0)
    total = weight.sum(axis=0)
    line = np.full(len(x), np.nan)
    on = total > 0.5 * len(rows)
    line[on] = (np.nan_to_num(heights[rows]) * weight).sum(axis=0)[on] / total[on]
    if on.sum() < 2:
        return np.full(len(at), np.nan), aside
    out = _carried_on(at, x[on], line[on])
    nearest = np.clip(np.rint((at - x[0]) / (x[1] - x[0])).astype(int), 0, len(x) - 1)
    inside = on[nearest] & (np.abs(at) <= max(abs(x[0]), abs(x[-1])) + 0.5 * (x[1] - x[0]))
    return np.where(inside, out, np.nan), aside


def _rows(y: Array, land: Array) -> tuple[list[int], bool]:
    """Rows of cells to cut through: those at the middle, or the nearest with clearly more land."""
    near = sorted(range(len(y)), key=lambda r: (round(float(abs(y[r])) / 1e-9), r))
    step = abs(y[1] - y[0]) if len(y) > 1 else 1.0
    middle = [r for r in near[:2] if abs(y[r]) <= 0.75 * step] or near[:1]
    there = float(land[middle].sum(axis=1).mean())
    reach = 0.2 * float(np.abs(y).max())
    for r in near:
        if abs(y[r]) <= reach and land[r].sum() > 1.3 * there:
            return [r], True
    return middle, False


def _carried_on(at: Array, x: Array, line: Array) -> Array:
    """Straight between the cells, and carried on past the last ones over the half cell to the rim."""
    out = np.interp(at, x, line)
    for beyond, a, b in ((at < x[0], 0, 1), (at > x[-1], -1, -2)):
        out[beyond] = line[a] + (at[beyond] - x[a]) * (line[b] - line[a]) / (x[b] - x[a])
    return out


def _rest(at: Array, total: Array) -> tuple[float, float]:
    """Line lift + slope * at on which the top rests: over every point, lowest at the middle."""
    if at.size == 0:
        return 0.0, 0.0
    if at.size < 3 or at.min() >= 0.0 or at.max() <= 0.0:
        return float(total.max()), 0.0
    left, right = at < 0.0, at >= 0.0
    # Of all lines above the points the one lowest at the middle is found by its slope: a convex
    # function of one number, brought down by halving.
    low, high = -np.ptp(total) / np.ptp(at) * 4 - 1e-12, np.ptp(total) / np.ptp(at) * 4 + 1e-12
    for _ in range(60):
        slope = 0.5 * (low + high)
        over = total - slope * at
        if over[left].max() > over[right].max():
            high = slope
        else:
            low = slope
    slope = 0.5 * (low + high)
    return float((total - slope * at).max()), float(slope)


def gap_words(piece: Cut, finish: float | None, units: str) -> str:
    """How far apart the faces are along the cut, and where."""
    gap = np.where(np.isfinite(piece.gap), piece.gap, -np.inf)
    if not np.isfinite(gap).any():
        return "the two do not lie over each other along this cut"
    widest = int(np.argmax(gap))
    size = float(gap[widest])
    if size < words.NOTHING:
        return "no gap"
    reach = float(np.abs(piece.at[np.isfinite(piece.gap)]).max())
    share = abs(float(piece.at[widest])) / reach if reach > 0 else 0.0
    where = "in the middle" if share < 0.25 else "towards the rim" if share > 0.75 else "half-way out"
    rough = f"; {words.REMARK}" if finish is not None and size < finish else ""
    return f"gap up to {words.size(size, units)} {where}{rough}"


def sections(account: Account, width: float = 1200.0, height: float = 208.0) -> Figure | None:
    """Before and after side by side on one scale; None when no two plates lay on each other."""
    pair = account.pair
    top, bottom = (account.face(n) for n in pair) if pair else (None, None)
    if top is None or bottom is None:
        return None
    cuts = [cut(bottom, top, end) for end in (False, True)]
    figure = new_figure(width, height)
    gutter, foot, head = 36.0, 24.0, 24.0
    across = (width - gutter) / 2
    span = max(_span(c) for c in cuts)
    reach = float(cuts[0].at[-1])
    room = height - foot - head - 2 * _SLAB
    per_metre = across / (2.06 * reach)
    exaggeration = _scale(room / span / per_metre)
    finish = max((f for f in (top.finish, bottom.finish) if f is not None), default=None)
    for k, (piece, when) in enumerate(zip(cuts, ("before", "after"), strict=True)):
        axes = bare(figure, (k * (across + gutter), foot, across, height - foot - head))
        half = (height - foot - head) / 2 / (per_metre * exaggeration)
        axes.set_xlim(-1.03 * reach * MM, 1.03 * reach * MM)
        axes.set_ylim(-half, half)
        _draw(axes, piece, _SLAB / (per_metre * exaggeration), half, (top, bottom))
        said = typeset(gap_words(piece, finish, account.units))
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
    _foot(figure, cuts[0], exaggeration, width, height)
    return figure


def _scale(most: float) -> float:
    """Largest round number (1, 2, 5) at or below what the room allows."""
    return 1.0 / round_step(1.0 / most, 1)


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
    sides = ((low, -half, SHEET.metal, faces[1].bore), (high, half, SHEET.metal2, faces[0].bore))
    for line, ends, colour, bore in sides:
        on = np.isfinite(line)
        if not on.any():
            continue
        inside = np.flatnonzero(on)
        first, last = inside[0], inside[-1]
        groove = np.interp(at, at[on], line[on]) + np.sign(ends) * 0.45 * slab
        # Between the ends there is metal behind a groove, but none inside a bore.
        solid = on | (np.abs(piece.at) > bore) | (bore <= 0.0)
        solid[:first], solid[last + 1 :] = False, False
        edge = np.where(on, np.nan_to_num(line), groove)
        axes.fill_between(at, edge, ends, where=solid, color=colour, linewidth=0)
        axes.plot(at, line, color=SHEET.ink, linewidth=1.3, solid_capstyle="butt")
    for face, y, anchor in ((faces[0], half, "top"), (faces[1], -half, "bottom")):
        pad = -0.12 * slab if anchor == "top" else 0.12 * slab
        aside = 0.5 * (face.bore + face.half[int(piece.along_y)]) * MM if face.bore > 0 else 0.0
        axes.text(aside, y + pad, face.name, ha="center", va=anchor, fontsize=11, color=SHEET.ink)


def _foot(figure: Figure, piece: Cut, exaggeration: float, width: float, height: float) -> None:
    where = "beside the middle" if piece.aside else "through the middle"
    ends = "6 to 12" if piece.along_y else "9 to 3"
    number = f"{exaggeration:,.0f}".replace(",", "\u202f")
    note = (
        f"cut from {ends} o'clock {where}, drawn touching, gap shaded; "
        f"heights drawn {number} times larger than lengths"
    )
    figure.text(0.5, 7.0 / height, note, ha="center", fontsize=10.5, color=SHEET.muted)
