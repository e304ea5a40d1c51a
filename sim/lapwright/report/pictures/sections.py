"""The two faces lying on each other, pressed on the grit in the middle of the stroke, cut through the top."""

from __future__ import annotations

from dataclasses import replace
from math import cos, pi, sin

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapwright.errors import LapwrightError
from lapwright.lapping.strokes import Still
from lapwright.report import words
from lapwright.report.account import Account, Face
from lapwright.report.pictures.cuts import Cut, Pile, best_angle, piled
from lapwright.report.pictures.ink import SHEET, Array, bare, drawn_larger, new_figure, round_down
from lapwright.report.typeset import typeset
from lapwright.units import NOTHING, Units

__all__ = ["ends_words", "gap_words", "sections"]

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
        where = "in the middle" if share < 0.25 else f"towards {edge}" if share > 0.75 else "half-way out"
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


def _pile(account: Account, bottom: Face, top: Face, end: bool) -> Pile:
    """The top pressed on the grit in the middle of the last stroke; laid dry where that cannot be known."""
    return piled(bottom, top, end, c=account.middle, squeeze=_squeeze(account, bottom, top, end))


def _squeeze(account: Account, bottom: Face, top: Face, end: bool) -> Array | None:
    """How far the grit gives in the middle of the last stroke, on the bottom's cells [m]."""
    number = int(account.run.step[-1])
    if not 0 < number <= len(account.steps):
        return None
    plates = account.study.plates
    faces = {f.name: np.asarray(f.record.frames[-1 if end else 0], dtype=float) for f in (bottom, top)}
    if any(faces[name].shape != plates[name].grid.shape for name in faces):
        return None
    from lapwright.lapping.bearing import bearing

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


def sections(account: Account, width: float = 1200.0, height: float = 208.0) -> Figure | None:
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
    sides = ((low, -half, SHEET.metal, bores[1], piece.off), (high, half, SHEET.metal2, bores[0], 0.0))
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
    for face, y, anchor, centre in ((faces[0], half, "top", 0.0), (faces[1], -half, "bottom", piece.off)):
        pad = -0.12 * slab if anchor == "top" else 0.12 * slab
        aside = 0.5 * (face.bore + min(face.half)) if face.bore > 0 else 0.0
        axes.text(
            (centre + aside) * MM, y + pad, face.name, ha="center", va=anchor, fontsize=11, color=SHEET.ink
        )


def _foot(figure: Figure, piece: Cut, exaggeration: float, width: float, height: float, fine: bool) -> None:
    where = (
        "beside the middle" if piece.aside else "through both middles" if piece.off else "through the middle"
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
