"""What an average stroke does to both faces while the whole overlap bears.

In a pose the layer answers to the faces' interference with K times what its least-squares plane leaves of it,
plus the linear pressure that carries the load.  Each face loses kappa p s.  Averaged over the instants and
projected on the shapes of both lands (Galerkin), with z the stacked coefficients (bottom, then top):

    dz/dt = A z + b,   A = -K diag(kappa / land area) S,   b = -diag(kappa / land area) (load terms).

S and the load terms stand on plates and motion alone, so layer, wear, load and fade are changed without
doing the sums over poses again.

What a matrix leaves alone: its null space, the projection on it and the group inverse.

For dz/dt = A z + b with semisimple zero eigenvalues, V and U bases of the right and left null vectors:
P0 = V (U^T V)^-1 U^T pours b into what stays, and the group inverse D (A D = D A = I - P0, D P0 = 0) gives
the state -D b that the rest comes to (S. L. Campbell and C. D. Meyer, Generalized Inverses of Linear
Transformations, 1979, from memory).

Round faces that turn, or are turned under the stroke: averaged over their angles exactly.

A top of round outline that stands turned by beta in the operator's hands lies on the same points; only its
shapes are turned, and polynomials of a degree turned are polynomials of that degree.  The same holds of a
round bottom, seen by an operator who walks round it to alpha.  So where the angles run on independently of
the stroke, the poses of one stroke with nothing turned, and turned shapes, are the whole average.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.stability import place_in_words
from lapwright.errors import DefectiveError, NoOverlapError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import cut_shares, looked_at
from lapwright.modal.basis import PLANES, Basis
from lapwright.modal.points import (
    POSES,
    Instants,
    Touch,
    base_instants,
    distinct_angles,
    instants_of,
    leaves_land,
    planes_at,
    rates_of,
    touches,
)
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Turn

Array = NDArray[np.float64]


@dataclass(frozen=True)
class LinearSystem:
    """dz/dt = matrix z + drive for the stacked coefficients z (bottom, then top) [m].

    `matrix` (n, n) [1/s], `drive` (n,) [m/s].  `scale` (n,): matrix * scale / scale[:, None] is symmetric;
    None where it is not (something turns while it rubs).
    """

    bottom: Basis
    top: Basis
    matrix: Array
    drive: Array
    scale: Array | None

    def part(self, z: Array, top: bool) -> Array:
        """Coefficients of one face, of a stacked vector or of stacked columns.

        Parameters
        ----------
        z : Array
            (n,) or (n, k).
        top : bool
            The top's, else the bottom's.

        Returns
        -------
        Array
            (m,) or (m, k).

        """
        half = self.bottom.size
        return z[half:] if top else z[:half]


@dataclass(frozen=True)
class Operator:
    """The factors of a flow, for one motion of `top` on `bottom`.

    `response` (n, n) [m3/s]: S.  Load terms (n,): `weight` [m/s] for each newton through the top's centre,
    `hand` [N m/s] for the step's force off the centre (it goes with that force), `push` [m/s] for each
    newton of load, of the step's push above the faces.  `speed` [m/s] mean over contact and time, `overlap`
    [m2].  `symmetric`: nothing turns while it rubs.  `instants`: what was averaged.
    """

    bottom: Basis
    top: Basis
    response: Array
    weight: Array
    hand: Array
    push: Array
    speed: float
    overlap: float
    symmetric: bool
    instants: Instants

    @cached_property
    def leaves_land(self) -> bool:
        """Whether land stays that is hardly rubbed."""
        return leaves_land(self.bottom.plate, self.top.plate, self.instants)

    def rates(self, kappas: tuple[float, float]) -> Array:
        """Kappa over land area for each coefficient (n,) [1/(Pa m2)]; kappas of bottom and top.

        Parameters
        ----------
        kappas : tuple of float
            [1/Pa].

        Returns
        -------
        Array
            (n,) [1/(Pa m2)].

        """
        return np.repeat(
            [kappas[0] / self.bottom.plate.land_area, kappas[1] / self.top.plate.land_area],
            [self.bottom.size, self.top.size],
        )

    def flow(
        self, stiffness: float, kappas: tuple[float, float], load: float, force: float = 1.0
    ) -> LinearSystem:
        """The flow with a layer of `stiffness` [Pa/m], wear `kappas` [1/Pa] of bottom and top.

        `load` [N]: top and hand together; `force`: the hand's as a share of the step's own.

        Parameters
        ----------
        stiffness : float
            [Pa/m].
        kappas : tuple of float
            [1/Pa].
        load : float
            [N].
        force : float
            As above.

        Returns
        -------
        LinearSystem
            Rates [1/s] and drive [m/s].

        """
        rates = self.rates(kappas)
        matrix = (-stiffness * rates)[:, None] * self.response
        drive = -rates * (load * (self.weight + self.push) + force * self.hand)
        scale = np.sqrt(rates) if self.symmetric and rates.min() > 0.0 else None
        return LinearSystem(self.bottom, self.top, matrix, drive, scale)


def assemble(bottom: Basis, top: Basis, instants: Instants, fineness: float = 1.0) -> Operator:
    """Add up the instants."""
    n = bottom.size + top.size
    symmetric = not instants.poses.spin.any()
    response, loads = np.zeros((n, n)), np.zeros((n, 3))
    lines = load_lines(bottom, instants)
    overlap = rubbed = 0.0
    for touch in touches(bottom, top, instants, fineness):
        worn = touch.share * touch.area * touch.speed
        shapes = touch.shapes
        rooted = shapes * np.sqrt(worn)
        response += rooted @ rooted.T
        overlap += float(touch.share @ touch.area)
        rubbed += float(worn.sum())
        for i, k in enumerate(touch.poses):
            plane, load = _settled(touch, shapes, i, worn, lines[:, :, k], instants)
            response -= plane
            loads += load
    if symmetric:
        response = 0.5 * (response + response.T)
    # Planes of either face feel nothing, and where nothing turns they get nothing.
    for start in (0, bottom.size):
        response[:, start : start + PLANES] = 0.0
        if symmetric:
            response[start : start + PLANES] = 0.0
    weight, hand, push = (column.copy() for column in loads.T)
    return Operator(
        bottom, top, response, weight, hand, push, rubbed / overlap, overlap, symmetric, instants
    )


def load_lines(bottom: Basis, instants: Instants) -> Array:
    """Work of the unit load, the hand and the push on the three planes: (3 planes, 3 loads, k)."""
    p, hand, push = instants.poses, instants.hand, instants.push
    centre = planes_at(bottom, p.cx, p.cy)
    by_hand = planes_at(bottom, p.cx + hand[:, 0], p.cy + hand[:, 1]) - centre
    by_push = planes_at(bottom, p.cx + push[:, 0], p.cy + push[:, 1]) - centre
    return np.stack([centre, by_hand, by_push], axis=1)


def _settled(
    touch: Touch, all_shapes: Array, i: int, worn: Array, lines: Array, instants: Instants
) -> tuple[Array, Array]:
    """What the least-squares plane of one pose takes off, and the wear by its loads: (n, n), (n, 3)."""
    points = slice(touch.start[i], touch.start[i + 1])
    shapes = all_shapes[:, points]
    planes = shapes[:PLANES]
    carried = planes * touch.area[points]
    normal = carried @ planes.T
    if not normal[0, 0] > 0.0:
        raise _apart(instants, int(touch.poses[i]))
    solved = np.linalg.solve(normal, np.concatenate([carried @ shapes.T, lines], axis=1))
    wears = shapes @ (planes * worn[points]).T
    return wears @ solved[:, :-3], wears @ solved[:, -3:]


def _apart(instants: Instants, k: int) -> NoOverlapError:
    p = instants.poses
    where = place_in_words(float(p.phase[k]), float(p.theta[k]), (float(p.cx[k]), float(p.cy[k])))
    return NoOverlapError("the top does not lie on the bottom {where}", where=where)


STAYS = 1e-9  # of the fastest rate: slower than this never changes
FADES = 1e-7  # of the largest singular value: no less counts as nothing, whatever the rates are
NEAR_DEFECT = 1e-6  # smallest cosine between left and right null vectors that can be divided by


@dataclass(frozen=True)
class Kernel:
    """Null space of a matrix (n, n), m vectors.

    `right`, `left` (n, m) orthonormal; `projection` P0 (n, n); `gap`: least rate that is not zero over the
    largest that counts as zero.
    """

    right: Array
    left: Array
    projection: Array
    gap: float


def even_kernel(rates: Array, vectors: Array, scale: Array) -> Kernel:
    """Kernel of a matrix of which `matrix * scale / scale[:, None]` is symmetric, by its eigenvectors."""
    fastest = float(np.abs(rates).max())
    if fastest == 0.0:
        return kernel_of(np.zeros((scale.size, scale.size)))
    still = np.abs(rates) < STAYS * fastest
    stays = vectors[:, still]
    right, left = (
        np.linalg.qr(part)[0] for part in (stays * scale[:, None], stays / scale[:, None])
    )
    projection = (stays @ stays.T) * scale[:, None] / scale
    largest = float(np.abs(rates[still]).max(initial=1e-17 * fastest))
    gap = (
        float(np.abs(rates[~still]).min()) / max(largest, 1e-17 * fastest)
        if still.any()
        else np.inf
    )
    return Kernel(right, left, projection, gap)


def kernel_of(matrix: Array, eigenvalues: Array | None = None) -> Kernel:
    """Split off what `matrix` leaves alone; its `eigenvalues`, where they are known already.

    Raises
    ------
    DefectiveError
        When the null space of the square is larger than that of the matrix.

    """
    n = matrix.shape[0]
    rates = np.sort(np.abs(np.linalg.eigvals(matrix) if eigenvalues is None else eigenvalues))
    fastest = float(rates[-1])
    if fastest == 0.0:
        return Kernel(np.eye(n), np.eye(n), np.eye(n), np.inf)
    zeros = int((rates < STAYS * fastest).sum())
    gap = float(rates[zeros] / max(rates[zeros - 1], 1e-17 * fastest)) if zeros else np.inf
    left, sizes, right = np.linalg.svd(matrix)
    # Shapes that are all but out of reach of the other face fade into those that stay: the two counts may
    # part there, and what either calls nothing is nothing.
    nullity = int((sizes < STAYS * sizes[0]).sum())
    stays = max(zeros, nullity)
    v, u = right[n - stays :].T, left[:, n - stays :]
    meets = u.T @ v
    least = float(np.linalg.svd(meets, compute_uv=False).min(initial=1.0))
    if (stays and sizes[n - stays] > FADES * sizes[0]) or least < NEAR_DEFECT:
        raise DefectiveError(
            f"this motion leaves {nullity} shapes alone but {zeros} do not die out: one of them grows with "
            "time, so nothing can be said of what it makes: change the stroke or the turning a little"
        )
    gap = float(rates[stays] / max(rates[stays - 1], 1e-17 * fastest)) if 0 < stays < n else gap
    projection = v @ np.linalg.solve(meets, u.T)
    return Kernel(v, u, projection, gap)


def undone(matrix: Array, kernel: Kernel, change: Array) -> Array:
    """D @ change with the group inverse D of a matrix (n, n): what makes this change, less what stays."""
    size = float(np.abs(matrix).max()) or 1.0
    solved = np.linalg.solve(matrix - size * kernel.projection, change)
    return np.asarray(solved + kernel.projection @ change / size)


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


def _wave_means(
    step: Step, rate: float, window: tuple[int, int], harmonics: int
) -> NDArray[np.complex128]:
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
    angles = [(turns.alpha, turns.beta, turns.share)] + (
        [turns.then] if turns.then is not None else []
    )
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
                turned[rows, columns] = (
                    shares * one @ s[rows, columns] @ two.transpose(0, 2, 1)
                ).sum(axis=0)
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
