"""Round faces that turn, or are turned under the stroke: averaged over their angles exactly.

A top of round outline that stands turned by beta in the operator's hands lies on the same points; only its
shapes are turned, and polynomials of a degree turned are polynomials of that degree.  The same holds of a
round bottom, seen by an operator who walks round it to alpha.  So where the angles run on independently of
the stroke, the poses of one stroke with nothing turned, and turned shapes, are the whole average.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.motion import Motion
from lapwright.lapping.schedule import cut_shares, looked_at
from lapwright.lapping.step import Step, Turn
from lapwright.modes.basis import PLANES, Basis
from lapwright.modes.instants import POSES, Instants, base_instants, distinct_angles, instants_of, rates_of
from lapwright.modes.operator import Operator, assemble
from lapwright.plate.plate import Plate

__all__ = ["Turns", "average", "free_turns", "operator_of"]

Array = NDArray[np.float64]

STROKE_WAVES = 8  # waves of the stroke that a turn must not keep step with
DRIFTS = 2.0  # turns by which they must run apart in the time
MOST_ANGLES = 720
AT_LEAST = 1.0  # whole turns in the time, for all angles to count alike
UNEVEN = 0.003  # a mean wave of two angles that fading grit makes uneven; above it they are sampled


def operator_of(
    bottom: Basis,
    top: Basis,
    motion: Motion,
    *,
    first: int = 0,
    strokes: int | None = None,
    poses: int = POSES,
    fineness: float = 1.0,
) -> Operator:
    """Average `strokes` strokes from `first` on (all of the step when None) of `top` on `bottom`.

    `poses` of a stroke, `fineness`: so many times as many contact points as are enough.

    Raises
    ------
    NoOverlapError
        Where the faces do not lie on each other.

    """
    count = motion.step.total_strokes if strokes is None else strokes
    instants = instants_of(motion, first, count, poses)
    turns = free_turns(motion, first, count, bottom, top, poses)
    if turns is None:
        return assemble(bottom, top, instants, fineness)
    return average(assemble(bottom, top, turns.instants, fineness), turns, instants)


@dataclass(frozen=True)
class Turns:
    """One stroke with nothing turned, and the angles (m,) alpha, beta [rad] with their shares of the time.

    `then`: more angles, independent of these; None where there are none.
    """

    instants: Instants
    alpha: Array
    beta: Array
    share: Array
    then: tuple[Array, Array, Array] | None = None


def free_turns(
    motion: Motion, first: int, strokes: int, bottom: Basis, top: Basis, number: int
) -> Turns | None:
    """Part turning from stroke where that is exact; None where it is not, or nothing turns."""
    step = motion.step
    walks, turns = step.walk.angle != 0.0, step.turn.angle != 0.0
    if not (walks or turns) or not _round(step, bottom.plate, top.plate):
        return None
    moving = [t for t in (step.turn, step.walk) if t.angle != 0.0]
    if any(t.indexed for t in moving) and not all(t.indexed for t in moving):
        return None
    harmonics = bottom.degree + top.degree
    instants = base_instants(motion, first, strokes, number)
    if moving[0].indexed:
        theta, alpha, share = distinct_angles(motion, first, strokes)
        if share.size > MOST_ANGLES:
            return None
        return Turns(instants, alpha, theta - alpha, share)
    rates = [step.turn.angle / (2.0 * pi), step.walk.angle / (2.0 * pi)]
    if motion.dab is not None and step.curve.period == 1.0 and not all(rates):
        return _uneven(motion, rates, (first, strokes), harmonics, number)
    if not _independent(step, rates, strokes, harmonics):
        return None
    if motion.dab is not None and _unevenness(step, rates, (first, strokes), harmonics) > UNEVEN:
        return None
    return _over(instants, rates, strokes, harmonics)


def _round(step: Step, bottom: Plate, top: Plate) -> bool:
    """Whether turning changes shapes alone."""

    def plain(plate: Plate) -> bool:
        width, height = plate.outline.size
        return plate.grooves is None and plate.outline.width_along(0.5) == width == height

    load = step.load
    held = load.force != 0.0 and load.at != (0.0, 0.0)
    if step.walk.angle != 0.0:
        carried = step.carry_centre or step.centre == (0.0, 0.0)
        if not (plain(bottom) and carried) or (held and load.fixed_to == "bench"):
            return False
    if step.turn.angle != 0.0:
        return plain(top) and not (held and load.fixed_to == "top")
    return not (held and load.fixed_to == "top") or step.walk.angle != 0.0


def _independent(step: Step, rates: list[float], strokes: int, harmonics: int) -> bool:
    """Whether no wave of the stroke keeps step with a wave of the angles, over so many strokes."""
    if any(0.0 < abs(rate) * strokes < AT_LEAST for rate in rates):
        return False
    own = [1.0, *rates_of(replace(step, turn=Turn(), walk=Turn()))]
    angles = [rate for rate in rates if rate != 0.0]
    stroke = [range(-STROKE_WAVES, STROKE_WAVES + 1)] * (len(own) - 1)
    turn = [range(-harmonics, harmonics + 1)] * len(angles)
    waves = np.array(list(product(*stroke, *turn)))
    moves = waves @ np.array([*own[1:], *angles])
    # Whole turns a stroke are waves of the stroke itself; without any they are no wave of it.
    near = np.abs(moves - np.rint(moves)) * strokes < DRIFTS
    beside = (np.abs(np.rint(moves)) <= STROKE_WAVES) & waves[:, -len(angles) :].any(axis=1)
    of_stroke = (np.rint(moves) != 0.0) | waves[:, : len(own) - 1].any(axis=1)
    return not bool((near & beside & of_stroke).any())


def _wave_means(step: Step, rate: float, window: tuple[int, int], harmonics: int) -> NDArray[np.complex128]:
    """Means (harmonics,) of the waves of an angle as strokes begin, by what the dab cuts in them."""
    looked = looked_at(*window)
    waves = np.exp(2j * pi * rate * np.outer(np.arange(1, harmonics + 1), looked))
    means: NDArray[np.complex128] = np.einsum("ns,s->n", waves, cut_shares(step, looked))
    return means


def _unevenness(step: Step, rates: list[float], window: tuple[int, int], harmonics: int) -> float:
    """Largest mean of a wave of the angles that run on, or of both together."""
    running = [rate for rate in (*rates, sum(rates)) if rate != 0.0]
    return max(float(np.abs(_wave_means(step, rate, window, harmonics)).max()) for rate in running)


def _uneven(
    motion: Motion, rates: list[float], window: tuple[int, int], harmonics: int, number: int
) -> Turns:
    """One running angle of a dab that fades: equally spaced, shares with its mean waves as strokes begin."""
    means = _wave_means(motion.step, sum(rates), window, harmonics)
    count = 2 * harmonics + 1
    angle = 2.0 * pi * np.arange(count) / count
    waves = np.exp(-1j * np.outer(angle, np.arange(1, harmonics + 1)))
    share = (1.0 + 2.0 * np.einsum("an,n->a", waves, means).real) / count
    none = np.zeros(count)
    walks = rates[0] == 0.0
    instants = base_instants(motion, *window, number, runs_on=True)
    return Turns(instants, angle if walks else none, none if walks else angle, share)


def _over(instants: Instants, rates: list[float], strokes: int, harmonics: int) -> Turns:
    """Angles equally spaced over all that are passed through."""
    turning = [rate for rate in rates if rate != 0.0]
    if len(turning) == 2:
        ratio = rates[0] / rates[1]
        for two in range(1, 13):
            one = round(ratio * two)
            if 0 < abs(one) <= 12 and abs(ratio * two - one) * abs(rates[1]) * strokes < 0.5 * two:
                count = harmonics * (abs(one) + two) + 1
                angle = 2.0 * pi * np.arange(count) / count
                return Turns(instants, two * angle, one * angle, np.full(count, 1.0 / count))
    count = harmonics + 1
    angle, share = 2.0 * pi * np.arange(count) / count, np.full(count, 1.0 / count)
    none = np.zeros(count)
    if len(turning) == 2:
        return Turns(instants, none, angle, share, (angle, none, share))
    return Turns(instants, none if rates[0] else angle, angle if rates[0] else none, share)


def average(operator: Operator, turns: Turns, instants: Instants) -> Operator:
    """Average an operator of the unturned stroke over the angles; `instants` that stand for the whole."""
    angles = [(turns.alpha, turns.beta, turns.share)] + ([turns.then] if turns.then is not None else [])
    bottom, top = operator.bottom, operator.top
    half = bottom.size
    s = operator.response
    loads = np.stack([operator.weight, operator.hand, operator.push], axis=1)
    for alpha, beta, share in angles:
        below, above = _turned_shapes(bottom, alpha), _turned_shapes(top, beta)
        parts = [(below, slice(None, half)), (above, slice(half, None))]
        turned, carried = np.empty_like(s), np.empty_like(loads)
        for one, rows in parts:
            carried[rows] = np.einsum("k,kij->ij", share, one) @ loads[rows]
            for two, columns in parts:
                shares = share[:, None, None]
                turned[rows, columns] = (shares * one @ s[rows, columns] @ two.transpose(0, 2, 1)).sum(axis=0)
        s, loads = turned, carried
    if operator.symmetric:
        s = 0.5 * (s + s.T)
    for start in (0, half):
        s[:, start : start + PLANES] = 0.0
        if operator.symmetric:
            s[start : start + PLANES] = 0.0
    weight, hand, push = (column.copy() for column in loads.T)
    return replace(operator, response=s, weight=weight, hand=hand, push=push, instants=instants)


def _turned_shapes(basis: Basis, angles: Array) -> Array:
    """Matrices (m, size, size): shapes at points turned by each angle = matrix @ shapes at the points."""
    if not angles.any():
        return np.broadcast_to(np.eye(basis.size), (angles.size, basis.size, basis.size))
    radius = basis.plate.outline.radius
    rings = basis.degree + 1
    spokes = 2 * basis.degree + 2
    r, phi = np.meshgrid(
        radius * np.sqrt((np.arange(rings) + 0.5) / rings), 2.0 * pi * np.arange(spokes) / spokes
    )
    x, y = (r * np.cos(phi)).ravel(), (r * np.sin(phi)).ravel()
    back = np.linalg.pinv(basis.evaluate(x, y))
    cos, sin = np.cos(angles)[:, None], np.sin(angles)[:, None]
    there = basis.evaluate(cos * x - sin * y, sin * x + cos * y)
    matrices: Array = there.transpose(1, 0, 2) @ back
    # A turn leaves the degree: what rounding mixes in between would not be exactly nothing later.
    same = basis.degrees[:, None] == basis.degrees
    return np.where(same, matrices, 0.0)
