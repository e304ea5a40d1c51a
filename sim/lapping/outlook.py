"""What can be said of a step without lapping anything: closed forms, and means over its motion.

Pressure is taken as that of flat faces, so metal removed and speeds are near, not exact; overhangs, lift-off
and tipping are exact for flat faces; half the difference of the domes follows from the moment law, which
holds whatever the faces look like, at edge margin 0, for equal discs of equal wear.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from math import pi, radians

import numpy as np
from numpy.typing import NDArray

from sim.lapping.motion import Motion, Poses
from sim.lapping.overhang import (
    land_outline,
    lift_off_travel,
    overhangs,
    tipping_travel,
    worst_overhang,
)
from sim.lapping.overlap import overlap
from sim.lapping.step import Grit, Step
from sim.lapping.wear import kappa, kappa_from_observation, settled, wear_time
from sim.plate.outline import Disc, Outline, Rectangle
from sim.plate.plate import Plate

__all__ = ["BAND", "Outlook", "outlook", "outlooks"]

Array = NDArray[np.float64]

BAND = (
    3.2  # the wear of a grit that nobody has weighed: times or divided by this (common practice, no source)
)
MOST_TURN = radians(10.0)  # a stroke; with more, the moment law (pure translation) is no longer near enough
POSES = 2048
HAND_STROKES = 4096
SPINNING_POSES = 512
POINTS = 128  # of the face, for the speed that turning adds
MOST_SWAPS = 20_000
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


@dataclass(frozen=True)
class Outlook:
    """What a step will do, as far as it can be told beforehand.

    `overhang`: largest over all poses visited, `lift_off_overhang`, `tipping_overhang`: where flat faces
    moved along the stroke's direction begin to lift, and tip [m]; the same as shares of the top's width in
    that direction.  `tipping_margin`: least distance of the load's line inside the overlap's hull [m], below
    zero when the top tips off.  `load` of the top first laid on and the hand [N]; `pressure_mean` over the
    land in overlap at the centre of the stroke [Pa]; `speed` mean sliding speed [m/s], turning included.
    `time` [s] rubbed, the most if the step stops by a gauge.  `removed`: mean depth off both plates, and
    `removed_from` each [m]; times or divided by `BAND` while the wear is a default.  `half_difference`:
    change of (dome of the bottom - dome of the top) / 2 [m], by their places at the start of the step, at
    edge margin 0; None where the moment law does not tell.
    """

    overhang: float
    overhang_share: float
    lift_off_overhang: float
    lift_off_share: float
    tipping_overhang: float
    tipping_share: float
    tipping_margin: float
    load: float
    pressure_mean: float
    speed: float
    time: float
    removed: float
    removed_from: Mapping[str, float]
    half_difference: float | None

    @property
    def lifts(self) -> bool:
        """True when flat faces would lift somewhere along the stroke's direction."""
        return self.overhang > self.lift_off_overhang * (1.0 + 1e-9)


def outlooks(plates: Mapping[str, Plate], steps: Sequence[Step], *, seed: int = 0) -> tuple[Outlook, ...]:
    """Outlook of every step of a study in its first round; the grit's age goes on from step to step."""
    found: list[Outlook] = []
    age, last = 0.0, ""
    for number, step in enumerate(steps, 1):
        if step.fresh_every is not None or step.grit.name != last:
            age = 0.0
        first = next(s for s in steps if s.grit.name == step.grit.name)
        found.append(outlook(plates, step, key=(seed, 1, number), grit_age=age, observed_in=first))
        every = _strokes(step.fresh_every, step.pace)
        total = step.total_strokes
        age = age + total / step.pace if every is None else (total % every or every) / step.pace
        last = step.grit.name
    return tuple(found)


def outlook(
    plates: Mapping[str, Plate],
    step: Step,
    *,
    key: Sequence[int] = (0, 1, 1),
    grit_age: float = 0.0,
    observed_in: Step | None = None,
) -> Outlook:
    """What one step will do, in closed form.

    Parameters
    ----------
    plates : mapping
        Of the study, by name.
    step : Step
    key : sequence of int
        Seed of the hand's scatter, as the time loop has it: seed, round, step.
    grit_age : float
        Time rubbed on the dab before [s].
    observed_in : Step, optional
        The step in which an observed wear was seen; this one when not given.

    Raises
    ------
    NoOverlapError
        When the plates do not lie on each other at the centre of the stroke.
    CannotDoError
        When an observed wear cannot be read.

    """
    top, bottom = plates[step.top], plates[step.bottom]
    load = top.weight + step.load.force
    worst = worst_overhang(step, top, bottom)
    lift, tip = _along_the_stroke(step, top, bottom, load)
    motion = Motion(step, tuple(key))
    poses = motion.poses(_sampled(motion))
    means = {a.name: _mean(motion, poses, a, b) for a, b in ((top, bottom), (bottom, top))}
    rates = _rates(plates, step, observed_in or step, motion)
    on_top = _wear_times(step, grit_age)
    removed = {
        name: sum(
            rates[name] * on_top[above] * means[above].work / plates[name].land_area for above in on_top
        )
        for name in rates
    }
    return Outlook(
        overhang=worst.overhang,
        overhang_share=worst.share,
        lift_off_overhang=lift[0],
        lift_off_share=lift[1],
        tipping_overhang=tip[0],
        tipping_share=tip[1],
        tipping_margin=worst.margin,
        load=load,
        pressure_mean=load / _land_in_overlap(step, top, bottom),
        speed=means[top.name].work / load,
        time=step.total_strokes / step.pace,
        removed=sum(removed.values()) / len(removed),
        removed_from=removed,
        half_difference=_half_difference(step, top, bottom, rates, on_top, means),
    )


def _strokes(time: float | None, pace: float) -> int | None:
    """Whole strokes nearest to a time, at least one: swaps and fresh grit fall on them."""
    return None if time is None else max(1, round(time * pace))


def _along_the_stroke(
    step: Step, top: Plate, bottom: Plate, load: float
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lift-off and tipping of flat faces moved along the stroke's direction: ([m], share) each.

    The hand's weight acts where it is put; its push, which comes and goes with the stroke, is left out.
    """
    share = step.load.force / load
    offset = (share * step.load.at[0], share * step.load.at[1])
    above, below = land_outline(top), land_outline(bottom)
    found = []
    for travel_to in (lift_off_travel, tipping_travel):
        ends = []
        even = offset == (0.0, 0.0) and step.centre == (0.0, 0.0)
        for direction in (step.direction,) if even else (step.direction, step.direction + pi):
            travel = travel_to(above, below, direction, step.centre, 0.0, offset)
            c = np.array(
                [
                    [
                        step.centre[0] + travel * np.cos(direction),
                        step.centre[1] + travel * np.sin(direction),
                    ]
                ]
            )
            length, part = overhangs(top.outline, bottom.outline, c, np.zeros(1))
            ends.append((float(length[0]), float(part[0])))
        found.append(min(ends))
    return found[0], found[1]


def _land_in_overlap(step: Step, top: Plate, bottom: Plate) -> float:
    """Land on land with the top at the centre of the stroke [m2]; land fractions multiply."""
    above, below = land_outline(top), land_outline(bottom)
    area = overlap(above, below, step.centre, 0.0).area
    for plate, outline in ((top, above), (bottom, below)):
        if plate.grooves is not None:
            area *= plate.land_area / outline.area
    return area


def _sampled(motion: Motion) -> Array:
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
class _Mean:
    """Means over the motion with one plate on top.

    `work`: load x sliding speed [N m/s]; `square`: |c|^2 with what the load's offset adds, weighted by
    travel [m2].
    """

    work: float
    square: float


def _mean(motion: Motion, poses: Poses, top: Plate, bottom: Plate) -> _Mean:
    load = top.weight + motion.step.load.force
    travel = np.hypot(poses.vx, poses.vy)
    speed = travel
    if poses.spin.any():  # what turning adds is smooth, so fewer poses serve
        few = slice(None, None, max(1, travel.size // SPINNING_POSES))
        fewer = Poses(**{f.name: getattr(poses, f.name)[few] for f in fields(poses)})
        added = _speed(motion, fewer, top, bottom, load) - travel[few]
        speed = travel + float(added.mean())
    offset = motion.moment(poses, load) / load
    c = np.stack([poses.cx, poses.cy], axis=1)
    square = (c * (c + 2.0 * offset)).sum(axis=1)
    total = float(travel.sum())
    return _Mean(load * float(speed.mean()), float(square @ travel) / total if total > 0.0 else 0.0)


def _speed(motion: Motion, poses: Poses, top: Plate, bottom: Plate, load: float) -> Array:
    """Sliding speed of each pose, mean over the overlap by flat pressure (n,) [m/s]."""
    seen = _points(land_outline(top))
    cos_, sin_ = np.cos(poses.theta)[:, None], np.sin(poses.theta)[:, None]
    dx = cos_ * seen[:, 0] - sin_ * seen[:, 1]
    dy = sin_ * seen[:, 0] + cos_ * seen[:, 1]
    below = land_outline(bottom)
    bears = below.signed_distance(poses.cx[:, None] + dx, poses.cy[:, None] + dy) <= 0.0
    offset = motion.moment(poses, load) / load
    weight = _flat(bears.astype(float), dx, dy, offset)
    spin = poses.spin[:, None]
    speed = np.hypot(poses.vx[:, None] - spin * dy, poses.vy[:, None] + spin * dx)
    result: Array = (weight * speed).sum(axis=1)
    return result


def _flat(bears: Array, dx: Array, dy: Array, offset: Array) -> Array:
    """Shares of the load at points of the overlap, changing evenly so that its moment is right (n, m)."""
    count = np.maximum(bears.sum(axis=1), 1.0)
    gx, gy = (bears * dx).sum(axis=1) / count, (bears * dy).sum(axis=1) / count
    x, y = dx - gx[:, None], dy - gy[:, None]
    jxx, jxy, jyy = ((bears * a * b).sum(axis=1) / count for a, b in ((x, x), (x, y), (y, y)))
    determinant = np.maximum(jxx * jyy - jxy**2, 1e-300)
    ex, ey = offset[:, 0] - gx, offset[:, 1] - gy
    a, b = (jyy * ex - jxy * ey) / determinant, (jxx * ey - jxy * ex) / determinant
    weight = bears * np.maximum(1.0 + a[:, None] * x + b[:, None] * y, 0.0)
    result: Array = weight / np.maximum(weight.sum(axis=1), 1e-300)[:, None]
    return result


def _points(outline: Outline) -> Array:
    """Points evenly over a face (k, 2) [m]."""
    number = np.arange(POINTS) + 0.5
    if isinstance(outline, Rectangle):
        along = (number / POINTS - 0.5) * outline.along
        return np.stack([along, (GOLDEN * number % 1.0 - 0.5) * outline.across], axis=1)
    inner = (0.5 * outline.bore) ** 2
    r = np.sqrt(inner + (outline.radius**2 - inner) * number / POINTS)
    angle = 2.0 * pi * GOLDEN * number
    return np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1)


def _rates(plates: Mapping[str, Plate], step: Step, observed_in: Step, motion: Motion) -> dict[str, float]:
    """Wear constants of both plates with a fresh dab [1/Pa]; an observation is turned into them first."""
    top, bottom = plates[step.top], plates[step.bottom]
    grit: Grit = step.grit
    seen = grit.wear.observed
    if seen is not None:
        above, under = plates[observed_in.top], plates[observed_in.bottom]
        there = replace(observed_in, time=None, strokes=max(1, round(seen.time * observed_in.pace)))
        moved = Motion(there, motion.key)
        work = _mean(moved, moved.poses(_sampled(moved)), above, under).work
        mean = {plate.name: work / plate.land_area for plate in (above, under)}
        grit = replace(grit, wear=kappa_from_observation(seen, observed_in.grit, plates, mean))
    low, high = kappa(settled(grit, plates), bottom, top)
    return {bottom.name: low, top.name: high}


def _wear_times(step: Step, grit_age: float) -> dict[str, float]:
    """Time at a fresh dab's cut that each plate spends on top [s]; halves where readings decide."""
    total = step.total_strokes
    every = _strokes(step.fresh_every, step.pace)
    fade = step.grit.fade

    def done(strokes: float) -> float:
        """Time at a fresh dab's cut up to a stroke."""
        if every is None or fade is None:
            return wear_time(fade, grit_age, strokes / step.pace)
        dabs, rest = divmod(strokes, every)
        return dabs * wear_time(fade, 0.0, every / step.pace) + wear_time(fade, 0.0, rest / step.pace)

    whole = done(total)
    if step.swap is None:
        return {step.top: whole, step.bottom: 0.0}
    if step.swap.read is not None:
        return {step.top: 0.5 * whole, step.bottom: 0.5 * whole}
    stay, other = (_strokes(step.swap.on_top[name], step.pace) or 1 for name in (step.top, step.bottom))
    if total / (stay + other) > MOST_SWAPS:
        share = stay / (stay + other)
        return {step.top: share * whole, step.bottom: (1.0 - share) * whole}
    swaps = np.arange(0, total, stay + other)
    first = sum(done(min(float(s) + stay, total)) - done(float(s)) for s in swaps)
    return {step.top: first, step.bottom: whole - first}


def _half_difference(
    step: Step,
    top: Plate,
    bottom: Plate,
    rates: Mapping[str, float],
    on_top: Mapping[str, float],
    means: Mapping[str, _Mean],
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
