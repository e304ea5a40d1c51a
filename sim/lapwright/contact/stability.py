"""How far a step may go: where flat faces begin to lift, and where the top tips.

Two questions.  Along the stroke: the top moved out from the stroke's centre in its direction.  Over the edge:
pushed on from the place of the step in which it comes nearest to lifting, over the edge that it hangs out
over there.  A rail stroked along and across lifts over its long side first, whichever way it is
said to be stroked; people are told the second.

Whether the load's line is held: how far it runs inside what the bottom supports.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from math import atan2, cos, hypot, inf, isfinite, pi, sin
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError, NoOverlapError, SettleError, TippedError
from lapwright.kinematics.motion import Motion, Poses
from lapwright.kinematics.overhang import (
    Worst,
    land_outline,
    margins,
    outwards,
    overhang,
    overhangs,
    places,
    standing_margin,
    worst_overhang,
)
from lapwright.kinematics.overlap import overlap
from lapwright.kinematics.sliding import face_points, flat_shares
from lapwright.specification.outline import Outline, Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step
from lapwright.units import Text

Array = NDArray[np.float64]
Point = tuple[float, float]
Outlines = tuple[
    Outline, Outline, Outline, Outline
]  # of the land of top and bottom, and of both themselves

LOOKED_AT = 500  # places of a step
NOTHING = 1e-9  # of the larger radius
SCAN = 48  # steps out to where the faces part, before the place is found by halving
CLOSE = 1e-11  # of the way out to where the faces part


@dataclass(frozen=True)
class WayOut:
    """The `top` moved out over the `bottom` along `direction` from `centre` [m], turned by `theta` [rad].

    The load's line passes `offset` [m] from the top's centre (0: its own centre).  A travel is a distance
    from the centre [m]; each raises NoOverlapError when the top does not lie on the bottom at the centre.
    """

    top: Outline
    bottom: Outline
    direction: float = 0.0
    centre: Point = (0.0, 0.0)
    theta: float = 0.0
    offset: Point = (0.0, 0.0)

    def place(self, travel: float) -> Point:
        """Where the top's centre is [m]."""
        way = cos(self.direction), sin(self.direction)
        return self.centre[0] + travel * way[0], self.centre[1] + travel * way[1]

    def overhang(self, travel: float) -> float:
        """Overhang [m]; below zero where the top has not reached the edge."""
        return overhang(self.top, self.bottom, self.place(travel), self.theta)

    @property
    def lift_off(self) -> float:
        """Travel at which flat faces begin to lift."""
        overlap(self.top, self.bottom, self.centre, self.theta)

        def pressed(travel: float) -> float:
            try:
                here = overlap(self.top, self.bottom, self.place(travel), self.theta)
            except NoOverlapError:
                return -inf
            flat = here.pressure(1.0, self._load(travel))
            return flat.least / flat.mean + 1e-12

        return self._first(pressed)

    def tipping(self, lifted: float = 0.0) -> float:
        """Travel at which the load's line leaves the convex hull of the overlap: the top tips off.

        `lifted` [m]: travel at which it begins to lift, where that is known; nothing tips before it lifts,
        since a load's line outside what bears needs a pull somewhere.
        """
        overlap(self.top, self.bottom, self.centre, self.theta)

        def stands(travel: float) -> float:
            at, load = self.place(travel), self._load(travel)
            return standing_margin(self.top, self.bottom, at, self.theta, load)

        def tips(travel: float) -> bool:
            try:
                here = overlap(self.top, self.bottom, self.place(travel), self.theta)
            except NoOverlapError:
                return True
            return not here.holds(self._load(travel))

        bored = self.top.bore > 0.0 or self.bottom.bore > 0.0
        return self._first(stands, lifted, tips if bored else None)

    def _load(self, travel: float) -> Point:
        x, y = self.place(travel)
        return x + self.offset[0], y + self.offset[1]

    def _first(
        self,
        room: Callable[[float], float],
        begin: float = 0.0,
        gone: Callable[[float], bool] | None = None,
    ) -> float:
        """Smallest travel, `begin` or more, at which `room` falls below zero.

        By a scan, then by false position with the end that stays halved (M. Dowell and P. Jarratt, BIT 11
        (1971) 168, from memory), or by halving where room is infinite.  `gone`: the same, told sooner, for
        the scan.
        """
        parted = self.top.radius + self.bottom.radius + float(np.hypot(*self.centre))
        out = gone if gone is not None else lambda travel: room(travel) < 0.0
        if out(begin):
            return begin
        low = high = begin
        for k in range(int(SCAN * begin / parted) + 1, SCAN + 1):
            low, high = high, parted * k / SCAN
            if out(high):
                break
        left, over, moved = room(low), room(high), ""
        while high - low > CLOSE * parted:
            middle = 0.5 * (low + high)
            if isfinite(left) and isfinite(over) and left > over:
                # A hair inside the ends, so that both close in.
                guess = low + (high - low) * left / (left - over)
                middle = min(max(guess, low + 0.5 * CLOSE * parted), high - 0.5 * CLOSE * parted)
            here = room(middle)
            if here < 0.0:
                left *= 0.5 if moved == "high" else 1.0
                high, over, moved = middle, here, "high"
            else:
                over *= 0.5 if moved == "low" else 1.0
                low, left, moved = middle, here, "low"
        return 0.5 * (low + high)


@dataclass(frozen=True)
class Reach:
    """A place of the top: its `overhang` [m] (below 0: inside the edge), that as a `share` of its width.

    `apart` [m]: how far its middle is from that of the plate below.
    """

    overhang: float
    share: float
    apart: float


@dataclass(frozen=True)
class Limits:
    """Where flat faces begin to lift, and where the top tips, on a line out from the stroke's middle."""

    lift: Reach
    tip: Reach


@dataclass(frozen=True)
class Edge:
    """The edge over which a step takes the top furthest.

    `at`: the place of the step that comes nearest to lifting; `limits` of the top pushed on from there.
    `out` [m]: how far it is there from the stroke's middle, `room` [m]: how much further it may go until flat
    faces begin to lift; below 0: they have.
    """

    at: Reach
    limits: Limits
    out: float
    room: float


def along_the_stroke(step: Step, top: Plate, bottom: Plate, load: float) -> Limits:
    """Limits of the top moved out from the stroke's centre, forwards or backwards, whichever comes first.

    `load` [N] of top and hand.  The hand's weight acts where it is put; its push, which comes and goes with
    the stroke, is left out.

    Parameters
    ----------
    step : Step
    top, bottom : Plate
        As they lie on each other.
    load : float
        [N].

    Returns
    -------
    Limits
        Where flat faces begin to lift and where the top tips.

    Raises
    ------
    NoOverlapError
        When the plates do not lie on each other at the centre of the stroke.

    """
    offset = _offset(step, load, 0.0)
    even = offset == (0.0, 0.0) and middle_of(step) == (0.0, 0.0)
    ways = (step.direction,) if even else (step.direction, step.direction + pi)
    ends = [_limits(_outlines(top, bottom), way, middle_of(step), 0.0, offset)[0] for way in ways]
    return Limits(
        min((e.lift for e in ends), key=lambda r: r.overhang),
        min((e.tip for e in ends), key=lambda r: r.overhang),
    )


def over_the_edge(step: Step, top: Plate, bottom: Plate, load: float, worst: Worst) -> Edge:
    """Push the top on from where it comes nearest to lifting, over the edge that it hangs out over there.

    Parameters
    ----------
    step : Step
    top, bottom : Plate
        As they lie on each other.
    load : float
        Of top and hand [N].
    worst : Worst
        Of the step (`worst_overhang`).

    Returns
    -------
    Edge
        How far it goes, and how far it may.

    Raises
    ------
    NoOverlapError
        When the plates do not lie on each other on the way out.

    """
    motion = Motion(replace(step, hand=Hand()))
    edges = [_pushed(motion, top, bottom, load, worst.share_at)]
    off = _offset(step, load, 0.0) != (0.0, 0.0)
    if off or not _round(_outlines(top, bottom)):
        edges.append(_pushed(motion, top, bottom, load, _least_pressed(motion, top, bottom, load)))
    if off:
        # Where nothing hangs out yet all places are pressed alike: the side that the load lies on tells.
        edges.append(_pushed(motion, top, bottom, load, _load_out(motion, top, bottom, load)))
    if bottom.outline.bore > 0.0:
        inmost = _inmost(motion)
        edges.append(_pushed(motion, top, bottom, load, inmost, inwards=True))
    return min(edges, key=lambda edge: edge.room)


def _few_places(motion: Motion) -> Array:
    """Stroke numbers at which a step is looked at one by one."""
    strokes = places(motion)
    return strokes[:: max(1, strokes.size // (LOOKED_AT // 4))]


def _load_out(motion: Motion, top: Plate, bottom: Plate, load: float) -> float:
    """Stroke number at which the load lies nearest to the edge that the top is nearest to."""
    strokes = _few_places(motion)
    poses = motion.poses(strokes)
    c, theta = np.stack([poses.cx, poses.cy], axis=1), poses.theta
    out, _ = overhangs(top.outline, bottom.outline, c, theta)
    fixed_to = motion.step.load.fixed_to
    held = {"hand": poses.alpha, "top": theta, "bench": np.zeros_like(theta)}[fixed_to]
    for k, (place, angle, turned) in enumerate(zip(c.tolist(), theta.tolist(), held, strict=True)):
        x, y = outwards(top.outline, bottom.outline, (place[0], place[1]), angle)
        at = _offset(motion.step, load, float(turned))
        out[k] += at[0] * x + at[1] * y
    return float(strokes[int(out.argmax())])


def _inmost(motion: Motion) -> float:
    """Stroke number at which the top comes nearest to the middle of the bottom."""
    strokes = places(motion)
    poses = motion.poses(strokes)
    return float(strokes[int(np.hypot(poses.cx, poses.cy).argmin())])


def _least_pressed(motion: Motion, top: Plate, bottom: Plate, load: float) -> float:
    """Stroke number at which flat faces press least somewhere: near enough to tell which place it is."""
    strokes = places(motion)
    strokes = strokes[:: max(1, strokes.size // LOOKED_AT)]
    poses = motion.poses(strokes)
    seen = face_points(land_outline(top))
    cos_, sin_ = np.cos(poses.theta)[:, None], np.sin(poses.theta)[:, None]
    dx, dy = cos_ * seen[:, 0] - sin_ * seen[:, 1], sin_ * seen[:, 0] + cos_ * seen[:, 1]
    out = land_outline(bottom).signed_distance(poses.cx[:, None] + dx, poses.cy[:, None] + dy)
    bears = out <= 0.0
    plain = replace(motion.step, load=replace(motion.step.load, push_height=0.0))
    offset = Motion(plain).moment(poses, load) / load
    shares = np.where(bears, flat_shares(bears.astype(float), dx, dy, offset), np.inf)
    return float(strokes[int(shares.min(axis=1).argmin())])


def _pushed(
    motion: Motion, top: Plate, bottom: Plate, load: float, at: float, inwards: bool = False
) -> Edge:
    """Push the top outwards from where it is at a stroke number, or inwards, over the bore of the bottom."""
    step = motion.step
    poses = motion.poses(np.array([at]))
    theta, alpha = float(poses.theta[0]), float(poses.alpha[0])
    c = (float(poses.cx[0]), float(poses.cy[0]))
    x, y = outwards(top.outline, bottom.outline, c, theta)
    if inwards:
        far = hypot(*c)
        x, y = (-c[0] / far, -c[1] / far) if far > NOTHING * bottom.outline.radius else (x, y)
    centre = _turned(step.centre, alpha) if step.carry_centre else step.centre
    off = _turned(step.offset, theta)
    out = (c[0] - centre[0] - off[0]) * x + (c[1] - centre[1] - off[1]) * y
    start = (c[0] - out * x, c[1] - out * y)
    held = {"hand": alpha, "top": theta, "bench": 0.0}[step.load.fixed_to]
    outlines = _outlines(top, bottom)
    limits, travel = _limits(outlines, atan2(y, x), start, theta, _offset(step, load, held))
    return Edge(_reach(outlines, c, theta), limits, out, travel - out)


def _outlines(top: Plate, bottom: Plate) -> Outlines:
    return land_outline(top), land_outline(bottom), top.outline, bottom.outline


def _round(outlines: Outlines) -> bool:
    return not any(isinstance(outline, Rectangle) for outline in outlines)


def _offset(step: Step, load: float, turned: float) -> Point:
    """How far the load's line passes from the top's centre [m]."""
    share = step.load.force / load
    return _turned((share * step.load.at[0], share * step.load.at[1]), turned)


def middle_of(step: Step) -> Point:
    """Where the top lies in the middle of the stroke [m], at theta = 0: off the middle of its carrier."""
    return step.centre[0] + step.offset[0], step.centre[1] + step.offset[1]


def _turned(point: Point, angle: float) -> Point:
    c, s = cos(angle), sin(angle)
    return c * point[0] - s * point[1], s * point[0] + c * point[1]


def _reach(outlines: Outlines, c: Point, theta: float) -> Reach:
    length, share = overhangs(*outlines[2:], np.array([c]), np.array([theta]))
    return Reach(float(length[0]), float(share[0]), hypot(*c))


def _limits(
    outlines: Outlines, direction: float, centre: Point, theta: float, offset: Point
) -> tuple[Limits, float]:
    """Limits on a line, and how far from `centre` [m] flat faces begin to lift.

    Of round faces, which are alike all round, the line is laid along x.
    """
    if offset == (0.0, 0.0) and _round(outlines):
        theta = 0.0
        far = hypot(*centre)
        turned = direction - atan2(centre[1], centre[0])
        if far < NOTHING * outlines[1].radius:
            centre, direction = (0.0, 0.0), 0.0
        elif abs(sin(turned)) < NOTHING:
            centre, direction = (round(far, 12), 0.0), 0.0 if cos(turned) > 0.0 else pi
    return _remembered(outlines, direction, centre, theta, offset)


@lru_cache(maxsize=64)
def _remembered(
    outlines: Outlines, direction: float, centre: Point, theta: float, offset: Point
) -> tuple[Limits, float]:
    """Limits on a line; remembered, because the steps of a schedule are mostly alike."""
    way = WayOut(*outlines[:2], direction, centre, theta, offset)
    lifted = way.lift_off
    travels = lifted, way.tipping(lifted)
    lift, tip = (_reach(outlines, way.place(travel), theta) for travel in travels)
    return Limits(lift, tip), lifted


def support_margin(top: Plate, bottom: Plate, c: Point, theta: float, point: Point) -> float:
    """Distance [m] of the load's line inside the hull of both lands' overlap; negative outside.

    `c` of the top's centre and `point` of the load, in the bench frame [m].
    """
    margin = margins(
        land_outline(top), land_outline(bottom), np.array([c]), np.array([theta]), np.array([point])
    )
    return float(margin[0])


def standing_message(top: Plate, bottom: Plate, c: Point, theta: float, point: Point) -> Text | str:
    """What would stand, in words: the load nearer to the centre, or the largest overhang that still does."""
    off = float(np.hypot(point[0] - c[0], point[1] - c[1]))
    if support_margin(top, bottom, c, theta, c) >= max(top.grid.cell, bottom.grid.cell):
        return Text(
            "the load (weight, hand and push together) acts {off:place} off the top's centre, and "
            "the top alone would stand: bring load_at nearer to the centre, press less, or push lower",
            off=off,
        )
    direction = float(np.arctan2(c[1], c[0]))
    try:
        way = WayOut(top.outline, bottom.outline, direction, theta=theta)
        least = way.overhang(way.tipping())
    except NoOverlapError:  # the middle of the bottom is a hole: there is nothing to move out from
        return "the load must stay over both faces: move the stroke over the land, or shorten it"
    share = least / top.outline.width_along(direction - theta)
    return Text(
        "the load must stay over both faces, and the most that stands this way is an overhang of "
        f"{{least:place}} ({100.0 * share:.0f} % of the top): shorten the stroke or move it inwards",
        least=least,
    )


def check_stands(step: Step, top: Plate, bottom: Plate) -> None:
    """Look at all the places that a step visits before anything is lapped.

    Parameters
    ----------
    step : Step
    top, bottom : Plate
        As they lie on each other.

    Raises
    ------
    TippedError, NoOverlapError
        Where the load's line comes nearer than a cell to the edge of what supports it; names the pose.

    """
    worst = worst_overhang(step, top, bottom)
    if worst.margin >= max(top.grid.cell, bottom.grid.cell):
        return
    motion = Motion(replace(step, hand=Hand()))
    poses = motion.poses(np.array([worst.margin_at]))
    load = top.weight + step.load.force
    c = float(poses.cx[0]), float(poses.cy[0])
    try:
        overlap(top.outline, bottom.outline, c, float(poses.theta[0]))
        lies = True
    except NoOverlapError:
        lies = False
    raise trouble_at(top, bottom, poses, 0, motion.moment(poses, load)[0] / load, lies)


def trouble_at(
    top: Plate, bottom: Plate, poses: Poses, i: int, offset: Array, lies: bool
) -> LapwrightError:
    """Why the top does not stand in pose `i`; the load's line `offset` (2,) [m] from its centre."""
    c, theta = (float(poses.cx[i]), float(poses.cy[i])), float(poses.theta[i])
    where = place_in_words(float(poses.phase[i]), theta, c)
    of: dict[str, Any] = {"top": top.name, "bottom": bottom.name, "where": where}
    if not lies:
        return NoOverlapError("{top} does not lie on {bottom} {where}", **of)
    point = c[0] + float(offset[0]), c[1] + float(offset[1])
    if support_margin(top, bottom, c, theta, point) < max(top.grid.cell, bottom.grid.cell):
        stands = standing_message(top, bottom, c, theta, point)
        return TippedError("{top} tips off {bottom} {where}: {stands}", **of, stands=stands)
    return SettleError("{top} did not settle on {bottom} {where}", **of)


def place_in_words(phase: float, theta: float, c: Point) -> Text:
    """Where in the stroke, for an error: phase and angle [rad], the top's centre [m]."""
    return Text(
        f"at {np.degrees(phase):.0f} degrees of the stroke, the top turned by "
        f"{np.degrees(theta) % 360.0:.0f} degrees and {{off:place}} off centre",
        off=float(np.hypot(*c)),
    )
