"""What sliding does, told beforehand: mean speed, the moment law of travel, how fast a step cuts, what stays.

How fast the faces rub, mean over the motion of a step, as flat faces do: nothing is lapped for it.  Pressure
is that of flat faces: even where the load's line runs through the middle of the overlap, changing evenly
otherwise.  So work and speed are near, and exact where the top only travels.

Which of two plates a step makes domed and which hollow, and by how much: the moment law.  While the top only
travels, whatever the faces, the layer and the contact (derived: `lapwright.verification.closed_forms`),

    integral p (|x_b|^2 - |x_t|^2) dA = W |c|^2.

Each side times wear constant and speed is a rate of wear.  For a pair that mates (a dome of one in the dish
of the other) it gives how that dish moves: with <r^2> the mean square distance of a plate's land from its
middle, the bottom goes hollow while <r^2>_bottom - <r^2>_top is more than <|c|^2>, and domed while it is
less.  Equal plates differ in nothing, so there the bottom always goes domed.  So it is for x and y alone.

What a stroke never takes out (`Invariants`): the pairs of faces that fit at every place that it visits.  Such
a pair no longer wears itself out of shape, so it stays.  Which pairs there are depends only on how the top
moves over the bottom.  With rotation not locked to the travel only a sphere fits itself (a dome in a dish);
without rotation every pair of constant curvature fits; along a straight line every profile across it; about a
fixed point every round profile (the lower pairs of F. Reuleaux, 1876, in secondary sources; the numbers are
derived, and confirmed on polynomials of degree 8).  Where the plates change places a pair must fit either way
round: the mirrored faces lie on each other alike both ways, but ridges that slant to a plate's clock slant
the other way once it is turned over, so that they run across each other.  What goes only slowly is not told
here (`lapwright.modal.reduced_model`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import pi, radians
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.motion import Motion, Poses
from lapwright.kinematics.overhang import land_outline
from lapwright.kinematics.schedule import (
    cut_of,
    kappa,
    kappa_from_observation,
    settled,
    stays,
)
from lapwright.specification.curves import Still
from lapwright.specification.outline import Disc, Outline, Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Step, Turn, strokes_in

Array = NDArray[np.float64]

POSES = 2048
HAND_STROKES = 4096
SPINNING_POSES = 512
POINTS = 128  # of the face, for the speed that turning adds
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


def sampled(motion: Motion) -> Array:
    """Stroke numbers that stand for the whole step."""
    step = motion.step
    total = step.total_strokes
    even = (np.arange(POSES) + 0.5) / POSES
    if not step.hand.steady:
        strokes = np.unique(np.linspace(0, total - 1, min(total, HAND_STROKES)).astype(np.int64))
        places = np.maximum(8, POSES // strokes.size)
        phase = (np.arange(places) + GOLDEN * np.arange(strokes.size)[:, None] % 1.0) / places
        return np.asarray((strokes[:, None] + phase).ravel())
    if step.curve.period == 1.0 and step.walk.angle == 0.0:
        return even
    return np.asarray(np.floor(GOLDEN * np.arange(POSES) % 1.0 * total) + even)


@dataclass(frozen=True)
class Rubbing:
    """Means over the motion with one plate on top.

    `work`: load x sliding speed [N m/s]; `along`, `across`: cx^2 and cy^2 with what the load's offset and the
    turning add, weighted by sliding speed [m2]: the mean of |x_b|^2 - |x_t|^2 over all that is rubbed.
    """

    work: float
    along: float
    across: float

    @property
    def square(self) -> float:
        """|c|^2 with what the load's offset and the turning add [m2]."""
        return self.along + self.across


def rubbing(motion: Motion, poses: Poses, top: Plate, bottom: Plate) -> Rubbing:
    """Means of poses that stand for a step, with `top` on `bottom`."""
    load = top.weight + motion.step.load.force
    travel = np.hypot(poses.vx, poses.vy)
    offset = motion.moment(poses, load) / load
    c = np.stack([poses.cx, poses.cy], axis=1)
    speed = float(travel.mean())
    squares = travel @ (c * (c + 2.0 * offset)) / travel.size
    if poses.spin.any():  # what turning adds is smooth, so fewer poses serve
        few = slice(None, None, max(1, travel.size // SPINNING_POSES))
        fewer = Poses(**{f.name: getattr(poses, f.name)[few] for f in fields(poses)})
        faster, felt = _turning(fewer, top, bottom, offset[few])
        speed += float(faster.mean())
        squares = squares + felt.mean(axis=0)
    along, across = squares / speed if speed > 0.0 else (0.0, 0.0)
    return Rubbing(load * speed, float(along), float(across))


def _turning(poses: Poses, top: Plate, bottom: Plate, offset: Array) -> tuple[Array, Array]:
    """What turning adds to the sliding speed of each pose, mean over the overlap by flat pressure (n,) [m/s].

    And what it adds to the moments (n, 2) [m3/s]: mean of that speed x (c^2 + 2 c x_t) along either axis, x_t
    a point from the top's centre.  Round a circle one side of the top always rubs faster: of first order.
    """
    seen = face_points(land_outline(top))
    cos_, sin_ = np.cos(poses.theta)[:, None], np.sin(poses.theta)[:, None]
    dx = cos_ * seen[:, 0] - sin_ * seen[:, 1]
    dy = sin_ * seen[:, 0] + cos_ * seen[:, 1]
    below = land_outline(bottom)
    bears = below.signed_distance(poses.cx[:, None] + dx, poses.cy[:, None] + dy) <= 0.0
    weight = np.maximum(flat_shares(bears.astype(float), dx, dy, offset), 0.0)
    weight = weight / np.maximum(weight.sum(axis=1), 1e-300)[:, None]
    spin = poses.spin[:, None]
    sliding = np.hypot(poses.vx[:, None] - spin * dy, poses.vy[:, None] + spin * dx)
    added = weight * (sliding - np.hypot(poses.vx, poses.vy)[:, None])
    faster: Array = added.sum(axis=1)
    moments = [
        c**2 * faster + 2.0 * c * (added * d).sum(axis=1)
        for c, d in ((poses.cx, dx), (poses.cy, dy))
    ]
    return faster, np.stack(moments, axis=1)


def flat_shares(bears: Array, dx: Array, dy: Array, offset: Array) -> Array:
    """Pressure of flat faces over its mean at points of the overlap (n, m), below 0 where they would lift.

    `bears`: 1 where both faces are, else 0; it changes evenly, so that the load's moment is right.
    """
    count = np.maximum(bears.sum(axis=1), 1.0)
    gx, gy = (bears * dx).sum(axis=1) / count, (bears * dy).sum(axis=1) / count
    x, y = dx - gx[:, None], dy - gy[:, None]
    jxx, jxy, jyy = ((bears * a * b).sum(axis=1) / count for a, b in ((x, x), (x, y), (y, y)))
    determinant = np.maximum(jxx * jyy - jxy**2, 1e-300)
    ex, ey = offset[:, 0] - gx, offset[:, 1] - gy
    a, b = (jyy * ex - jxy * ey) / determinant, (jxx * ey - jxy * ex) / determinant
    result: Array = bears * (1.0 + a[:, None] * x + b[:, None] * y)
    return result


def face_points(outline: Outline) -> Array:
    """Points evenly over a face (k, 2) [m]."""
    number = np.arange(POINTS) + 0.5
    if isinstance(outline, Rectangle):
        along = (number / POINTS - 0.5) * outline.along
        return np.stack([along, (GOLDEN * number % 1.0 - 0.5) * outline.across], axis=1)
    inner = (0.5 * outline.bore) ** 2
    r = np.sqrt(inner + (outline.radius**2 - inner) * number / POINTS)
    angle = 2.0 * pi * GOLDEN * number
    return np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1)


MOST_TURN = radians(
    10.0
)  # a stroke; with more, the moment law (pure translation) is no longer near enough


@dataclass(frozen=True)
class Tendency:
    """Which way a step drives the domes of its plates, each from -1 to 1.

    + domes the plate that begins below and hollows the one that begins on top; near 0 the two causes (travel;
    one face larger than the other) nearly balance, or swaps undo each other.  `all_round` over the whole
    face, `along` and `across` the bench's x and y by themselves.
    """

    all_round: float
    along: float
    across: float


def tendency(
    top: Plate, bottom: Plate, on_top: Mapping[str, float], means: Mapping[str, Rubbing]
) -> Tendency:
    """Which way a step drives the domes.

    Parameters
    ----------
    top, bottom : Plate
        By their places at the start of the step.
    on_top : mapping
        Time at a fresh dab's cut that each plate spends on top [s].
    means : mapping
        Of the motion with each plate on top.

    """
    low, high = _squares(bottom), _squares(top)
    rubbed = {name: on_top[name] * means[name].work for name in on_top}
    whole = sum(rubbed.values())
    if whole <= 0.0:
        return Tendency(0.0, 0.0, 0.0)
    net, gross = [], []
    for axis in (0, 1):
        travel = {name: (means[name].along, means[name].across)[axis] for name in on_top}
        first, second = (rubbed[p.name] / whole * travel[p.name] for p in (top, bottom))
        net.append(first - second - (low[axis] - high[axis]))
        gross.append(abs(first) + abs(second) + abs(low[axis] - high[axis]))
    return Tendency(
        _share(sum(net), sum(gross)), *(_share(n, g) for n, g in zip(net, gross, strict=True))
    )


def _share(net: float, gross: float) -> float:
    return net / gross if gross > 0.0 else 0.0


def _squares(plate: Plate) -> tuple[float, float]:
    """Mean of x^2 and of y^2 over the land [m2]; grooves are taken as spread evenly over it."""
    land = land_outline(plate)
    if isinstance(land, Rectangle):
        return land.along**2 / 12.0, land.across**2 / 12.0
    mean = 0.25 * (land.radius**2 + (0.5 * land.bore) ** 2)
    return mean, mean


def half_difference(
    step: Step,
    top: Plate,
    bottom: Plate,
    rates: Mapping[str, float],
    on_top: Mapping[str, float],
    means: Mapping[str, Rubbing],
) -> float | None:
    """Change of (dome of bottom - dome of top) / 2 by the moment law [m], None where it does not tell."""
    discs = isinstance(top.outline, Disc) and isinstance(bottom.outline, Disc)
    equal = discs and abs(top.outline.radius / bottom.outline.radius - 1.0) < 1e-9
    same = abs(rates[top.name] - rates[bottom.name]) <= 1e-9 * rates[bottom.name]
    turning = sum(abs(turn.angle) for turn in (step.turn, step.walk) if not turn.indexed)
    read = step.swap is not None and step.swap.read is not None
    plain = top.grooves is None and bottom.grooves is None
    if not (equal and same and plain) or read or turning > MOST_TURN * (1.0 + 1e-9):
        return None
    total = 0.0
    for above, sign in ((top, 1.0), (bottom, -1.0)):
        mean = means[above.name]
        depth = rates[above.name] * on_top[above.name] * mean.work / above.outline.area
        total += sign * 6.0 * mean.square / above.outline.radius**2 * depth
    return total


MOST_SWAPS = 20_000


def rates(
    plates: Mapping[str, Plate], step: Step, observed_in: Step, motion: Motion
) -> dict[str, float]:
    """Wear constants of both plates with a fresh dab [1/Pa]; an observation is turned into them first."""
    top, bottom = plates[step.top], plates[step.bottom]
    grit: Grit = step.grit
    seen = grit.wear.observed
    if seen is not None:
        above, under = plates[observed_in.top], plates[observed_in.bottom]
        there = replace(observed_in, time=None, strokes=strokes_in(seen.time, observed_in.pace))
        moved = Motion(there, motion.key)
        work = rubbing(moved, moved.poses(sampled(moved)), above, under).work
        mean = {plate.name: work / plate.land_area for plate in (above, under)}
        grit = replace(grit, wear=kappa_from_observation(seen, observed_in.grit, plates, mean))
    low, high = kappa(settled(grit, plates), bottom, top)
    return {bottom.name: low, top.name: high}


def work_times(
    step: Step, grit_age: float, thins: Mapping[str, float]
) -> tuple[dict[str, float], int]:
    """Time at a fresh dab's cut that each plate spends on top [s], and how often they change places.

    Halves and 0 where readings decide.  `thins` [m/s]: how fast both faces go down with each on top and a
    fresh dab, by which metal swaps them.
    """
    total = step.total_strokes
    if step.swap is None or step.swap.read is not None:
        whole = cut_of(step, grit_age, 0, total)[0]
        if step.swap is None:
            return {step.top: whole, step.bottom: 0.0}, 0
        return {step.top: 0.5 * whole, step.bottom: 0.5 * whole}, 0
    if step.swap.removed:
        # Whole strokes of a fresh dab: a stay has one at least, however little metal ends it.
        cuts = (step.swap.removed[n] / max(thins[n], 1e-300) for n in (step.top, step.bottom))
        stay, other = (max(1, round(min(cut * step.pace, total))) for cut in cuts)
    else:
        stay, other = (
            strokes_in(step.swap.on_top[name], step.pace) for name in (step.top, step.bottom)
        )
    if total > MOST_SWAPS * (stay + other):
        rounds, rest = divmod(total - 1, stay + other)
        whole, share = cut_of(step, grit_age, 0, total)[0], stay / (stay + other)
        times = {step.top: share * whole, step.bottom: (1.0 - share) * whole}
        return times, 2 * rounds + (rest >= stay)
    times, swaps, age = dict.fromkeys((step.top, step.bottom), 0.0), -1, grit_age
    for one in stays(step, thins=lambda top, _: thins[top], age=grit_age):
        cut, age = cut_of(step, age, one.first, one.strokes)
        times[one.top] += cut
        swaps += 1
    return times, swaps


Kind = Literal["all", "sphere", "curved", "ridges", "even ridges", "round"]
CLOSE = 1e-9  # of a whole turn
MOST_INDEXES = 720


@dataclass(frozen=True)
class Invariants:
    """What fits for ever.

    `kind`: "all" (nothing rubs), "sphere" (a dome in a dish alone), "curved" (dome in dish, saddle, twist),
    "ridges" (these and every profile across the stroke), "even ridges" (only profiles alike on both sides of
    the middle), "round" (every profile round about the point that the top turns about).  `direction` [rad] of
    the ridges on the bench.
    """

    kind: Kind
    direction: float = 0.0

    def count(self, degree: int = 8) -> int | None:
        """Number of such pairs among polynomials up to a degree, rigid motions apart; None: all of them.

        Parameters
        ----------
        degree : int
            Highest power.

        Returns
        -------
        int or None

        """
        return {
            "all": None,
            "sphere": 1,
            "curved": 3,
            "ridges": degree + 1,
            "even ridges": 2 + degree // 2,
            "round": degree // 2,
        }[self.kind]


def invariants_of(step: Step, *, as_laid: bool = False) -> Invariants:
    """Classify what a step never takes out; a hand that veers does not go straight.

    `as_laid`: with the top as it is first laid on, whatever swaps follow.

    Parameters
    ----------
    step : Step
        Its stroke, turns and swaps.
    as_laid : bool
        As above.

    Returns
    -------
    Invariants
        The kind of faces that fit for ever.

    """
    step = replace(step, swap=None) if as_laid else step
    turn, walk = _seen(step.turn, step), _seen(step.walk, step)
    spin = _rate(turn) + _rate(walk)
    off = step.centre != (0.0, 0.0)
    goes = not isinstance(step.curve, Still) or (step.carry_centre and off and walk.angle != 0.0)
    if abs(spin) > CLOSE:
        return _fixed_point(step, turn, walk, off)
    carried = (
        isinstance(step.curve, Still) and _rate(walk) == 0.0
    )  # set over while lifted: nothing rubs
    if not goes or carried:
        return Invariants("all")
    theta, alpha = _indexed(turn, walk, step.total_strokes)
    if not _all_multiples(theta, 0.5):
        return Invariants("sphere")
    straight = (
        step.curve.straight
        and step.hand.direction == step.hand.centre == 0.0
        and _rate(walk) == 0.0
        and _all_multiples(alpha, 0.5)
    )
    if not straight or (
        _swapped(step) and not _all_multiples(np.array([step.direction / pi]), 0.5)
    ):
        return Invariants("curved")
    return Invariants(
        "ridges" if _all_multiples(theta, 1.0) else "even ridges", step.direction % pi
    )


def _fixed_point(step: Step, turn: Turn, walk: Turn, off: bool) -> Invariants:
    """Classify a step that turns as it rubs: about one fixed point of both faces, or not."""
    about_centre = not (step.carry_centre and off)
    wanders = not step.hand.steady
    if isinstance(step.curve, Still):
        # Carried round by walking alone, the top turns about the middle of the bottom.
        fixed = about_centre or walk.angle == 0.0 or turn.angle == 0.0
    else:
        fixed = (
            step.curve.round
            and abs(_rate(turn) - 1.0) < CLOSE
            and (about_centre or walk.angle == 0.0)
            and not wanders
        )
    # After a swap each face would have to be round about two points at once.
    at_middle = isinstance(step.curve, Still) and not off
    if (
        not fixed
        or (wanders and step.hand.centre > 0.0)
        or (step.swap is not None and not at_middle)
    ):
        return Invariants("sphere")
    return Invariants("round")


def _swapped(step: Step) -> bool:
    """Whether the plates change places for sure, which readings alone do not say."""
    if step.swap is None or step.swap.read is not None:
        return False
    if step.swap.removed:
        return True  # how soon hangs on the wear; what stays is told as if they did
    return strokes_in(step.swap.on_top[step.top], step.pace) < step.total_strokes


def _seen(turn: Turn, step: Step) -> Turn:
    """The same turn, none if the step is over before the first index."""
    return Turn() if turn.indexed and turn.every >= step.total_strokes else turn


def _rate(turn: Turn) -> float:
    """Whole turns a stroke while it rubs."""
    return 0.0 if turn.indexed else turn.angle / (2.0 * pi)


def _indexed(turn: Turn, walk: Turn, strokes: int) -> tuple[np.ndarray, np.ndarray]:
    """How the top lies and where the person stands at each index, in whole turns (n,)."""
    every = [t.every for t in (turn, walk) if t.indexed]
    at = np.unique(
        np.concatenate(
            [np.zeros(1, np.intp), *(np.arange(0, strokes, e)[:MOST_INDEXES] for e in every)]
        )
    )
    beta, alpha = (
        t.angle / (2.0 * pi) * (at // t.every) if t.indexed else np.zeros(at.shape)
        for t in (turn, walk)
    )
    return alpha + beta, alpha


def _all_multiples(turns: np.ndarray, of: float) -> bool:
    """True when all angles (n,), in whole turns, are whole multiples of a share of a turn."""
    return bool(
        np.all(np.abs(turns / of - np.round(turns / of)) < CLOSE * np.maximum(1.0, np.abs(turns)))
    )


def crossed_ends(step: Step, top: Outline, bottom: Outline) -> float:
    """How much at each end of two like rectangles is not rubbed while the top lies across [m].

    Parameters
    ----------
    step : Step
    top, bottom : Outline

    Returns
    -------
    float
        [m]: half of what is longer than it is wide; 0 where the top never lies across its like.

    """
    quarters = [one for one in (step.turn, step.walk) if one.indexed and one.angle != 0.0]
    across = any(abs((abs(one.angle) % pi) - 0.5 * pi) < 1e-6 for one in quarters)
    return 0.5 * (max(top.size) - top.smaller) if across and top == bottom else 0.0
