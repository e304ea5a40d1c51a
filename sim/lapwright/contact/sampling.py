"""Which instants of the real motion stand for a block of strokes, and with what weights.

Poses are taken at t = t_block + (n + phase) / pace.  Phases are equally spaced; strokes are put in the order
of the angles at which they find the top, and dealt out by a lattice, so that every angle meets every phase.
Two lattices of unlike generators share the poses: they cannot both take the same wave for a constant, and
their difference tells the error.  Weights make the means of all low waves exact (`quadrature`).  Angles that
are set over every so many strokes, few of them, get their true shares of the time.  `docs/numerics.md` shows
what all this is worth.

Weights for instants of a motion, so that a few of them stand for all the strokes of a block.

What a stroke wears runs on with several clocks at once: the phase of the stroke, the angle of the top, where
the operator stands, the traverse of a zigzag.  As a function of them it is a sum of waves whose strength
falls with their order; how fast is known well enough beforehand.  The mean of each wave over a block is known
in closed form, so the weights are those whose error is least over all such functions (the best linear
unbiased rule for a random function of that spectrum; A. O'Hagan, J. Stat. Plan. Inference 29 (1991) 245, from
memory).  No wave of low order is then taken for a constant, whatever the turn, the places or the length of
the block.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from itertools import product
from math import gcd, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.average import Sample
from lapwright.contact.compile import gram, solve_positive
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import GOLDEN, at_share, cut_shares, looked_at

Array = NDArray[np.float64]
Orders = Mapping[int, float]

# Strength of each order of a clock beside the mean.  Outlines come back on themselves after half a turn, so
# odd orders are weak; round faces answer to little but
# the second (saddle and twist as they run round).
ANGLES_ROUND: Orders = {1: 0.06, 2: 0.5, 4: 0.1}
ANGLES: Orders = {1: 0.06, 2: 0.5, 3: 0.03, 4: 0.2, 6: 0.1, 8: 0.1, 10: 0.05, 12: 0.05}
TRAVERSE: Orders = {1: 0.3, 2: 0.5, 3: 0.1, 4: 0.15, 6: 0.07, 8: 0.04}
FALLS = 4.0  # order of the stroke at which a wave is half as strong
HIGHEST = (24, 20, 10, 6)  # order of the stroke that counts, by the number of other clocks
WEAKEST = 0.01
ROUGH = 0.03  # what no wave here describes, as a share of the mean: each instant's own
FAR = (80, 8)  # orders of the stroke and of half a turn by which lattices are told apart
CANDIDATES = 128  # of which the best are found
GENERATORS = 4  # of about the same merit, to take turns


@dataclass(frozen=True)
class Waves:
    """Orders (n, 1 + clocks) of the stroke and of each slow clock, and the strength of each wave (n,)."""

    order: NDArray[np.int64]
    strength: Array

    def at(self, stroke: Array, slow: Array) -> NDArray[np.complex128]:
        """Every wave at instants (k,) strokes, with slow clocks (clocks, k) in turns; (k, n)."""
        phases, phase = self._phases
        slows, of_wave = self._slows
        fast = np.exp(2j * pi * np.outer(stroke, phases))
        values: NDArray[np.complex128] = (
            fast[:, phase] * np.exp(2j * pi * (slow.T @ slows.T))[:, of_wave]
        )
        return values

    def mean(self, slow: Array, rates: Array, worth: Array) -> NDArray[np.complex128]:
        """Mean of every wave (n,) over whole strokes; `slow` (clocks, strokes) turns as each stroke begins.

        `worth` (strokes,): share of each in the mean.
        `rates` (clocks,): turns a stroke of those clocks that run on within it.
        """
        within = self.order[:, 0] + self.order[:, 1:] @ rates
        run = np.exp(1j * pi * within) * np.sinc(within)
        slows, of_wave = self._slows
        values: NDArray[np.complex128] = np.einsum(
            "s,sm->m", worth, np.exp(2j * pi * (slow.T @ slows.T))
        )
        means: NDArray[np.complex128] = values[of_wave] * run
        return means

    @cached_property
    def _phases(self) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
        """Orders of the stroke that come up, and which of them each wave has: few, so few exponentials."""
        orders, which = np.unique(self.order[:, 0], return_inverse=True)
        return orders, which.ravel()

    @cached_property
    def _slows(self) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
        """The same of the slow clocks, (m, clocks)."""
        orders, which = np.unique(self.order[:, 1:], axis=0, return_inverse=True)
        return orders, which.ravel()


@lru_cache(maxsize=64)
def _waves_of(clocks: tuple[tuple[tuple[int, float], ...], ...]) -> Waves:
    top = HIGHEST[min(len(clocks), len(HIGHEST) - 1)]
    stroke = [(h, 1.0 / (1.0 + (h / FALLS) ** 2)) for h in range(-top, top + 1)]
    slow = [
        [(0, 1.0), *(pair for k, s in orders for pair in ((k, s), (-k, s)))] for orders in clocks
    ]
    order, strength = [], []
    for wave in product(*slow, stroke):
        orders = [k for k, _ in wave]
        leading = next((k for k in orders if k), 0)
        size = float(np.prod([s for _, s in wave]))
        if leading > 0 and size >= WEAKEST:  # of a wave and its mirror image one is enough
            order.append([orders[-1], *orders[:-1]])
            strength.append(size)
    return Waves(np.array(order, dtype=np.int64).reshape(-1, 1 + len(clocks)), np.array(strength))


def waves_of(clocks: tuple[Orders, ...]) -> Waves:
    """The waves of a stroke beside slow clocks whose orders have these strengths."""
    return _waves_of(tuple(tuple(orders.items()) for orders in clocks))


def best_weights(
    values: Array,
    means: Array,
    strength: Array,
    half: NDArray[np.bool_],
    rough: float = ROUGH,
    prior: Array | None = None,
) -> tuple[Array, Array]:
    """Weights (k,) of least error, and a check (k,) that tells it.

    `values` (k, n) real functions at the instants, `means` (n,) of them over the block, `strength` (n,) of
    each; `rough`: of what none of them describes.  `half` (k,): one of two sets of places that were chosen
    independently.  `prior` (k,): weights that they have where nothing is asked of them; None: equal ones.
    Each half by itself gives an answer; the check is their difference, scaled by how much better both
    together are expected to be.
    """
    size = np.ones(half.size) if prior is None else prior * half.size
    scaled = np.ascontiguousarray(values * strength * size[:, None])
    products = gram(scaled) if half.size <= strength.size else None
    both = _weights(scaled, means, strength, rough, size, products)
    apart = np.zeros(half.size)
    for members, sign in ((half, 1.0), (~half, -1.0)):
        own = None if products is None else products[np.ix_(members, members)]
        given = scaled[members], means, strength, rough, size[members], own
        apart[members] = sign * _weights(*given)
    expected = _error(values, means, strength, both, rough) / _error(
        values, 0.0 * means, strength, apart, rough
    )
    return both, apart * np.sqrt(expected)


def _weights(
    scaled: Array,
    means: Array,
    strength: Array,
    rough: float,
    size: Array,
    products: Array | None = None,
) -> Array:
    """Least of sum(strength^2 (w @ values - means)^2) + rough^2 k sum((w / size)^2), with sum(w) = 1.

    `scaled` (k, n): values times strength and size; `products` (k, k): of its rows, where they are known.
    """
    k, n = scaled.shape
    ridge = rough**2 * k
    wanted, one = strength * means, size
    if k <= n:
        matrix = gram(scaled) if products is None else products.copy()
        matrix[np.diag_indices(k)] += ridge
        exact, ones = solve_positive(matrix, np.stack([np.einsum("kn,n->k", scaled, wanted), one]))
    else:  # the same by way of the functions, which are fewer than the instants
        matrix = gram(np.ascontiguousarray(scaled.T))
        matrix[np.diag_indices(n)] += ridge
        by, of_one = solve_positive(matrix, np.stack([wanted, np.einsum("kn,k->n", scaled, one)]))
        exact = np.einsum("kn,n->k", scaled, by)
        ones = (one - np.einsum("kn,n->k", scaled, of_one)) / ridge
    weights: Array = size * (exact + ones * ((1.0 - (size * exact).sum()) / (size * ones).sum()))
    return weights


def _error(values: Array, means: Array, strength: Array, weights: Array, rough: float) -> float:
    """Expected square of the error, in units of the mean."""
    off = strength * (np.einsum("k,kn->n", weights, values) - means)
    return float((off * off).sum() + rough**2 * len(weights) * (weights * weights).sum())


@lru_cache(maxsize=64)
def generators(number: int) -> tuple[int, ...]:
    """Generators of `number` places on a lattice over a stroke and half a turn, the best first.

    Place k lies at phase k / number and at the share k * generator / number of the other.
    """
    angle, stroke = np.meshgrid(np.arange(1, FAR[1] + 1), np.arange(-FAR[0], FAR[0] + 1))
    strength = 1.0 / ((1.0 + (stroke / FALLS) ** 2) * angle**2)
    ranked = []
    for generator in range(1, number, max(1, number // CANDIDATES)):
        if gcd(generator, number) == 1:
            constant = (stroke + generator * angle) % number == 0
            ranked.append((float((strength[constant] ** 2).sum()), generator))
    ranked.sort()
    return tuple(generator for _, generator in (ranked or [(0.0, 1)])[:GENERATORS])


PLASTIC = 0.7548776662466927  # 1/rho of the plastic number: the two-dimensional golden ratio
FEWEST_AN_ANGLE = 8
FEWEST_A_STROKE = 12  # poses, for every stroke of a block to have its own
LAW = 3.0  # strength of what the moment law lives on, beside waves
MOST_CHANGE = 0.5  # of a share
BINS = 8  # of one angle, within which strokes are put in the order of the next
HALVES_APART = (
    0.5  # two interleaved halves of equally spaced phases differ at least twice as much as both err
)


Placed = tuple[Array, Array, Array]


@dataclass(frozen=True)
class _Block:
    """What `block_sample` is asked for; it gives strokes since the step began, shares and the check."""

    motion: Motion
    first: int
    strokes: int
    number: int
    shift: tuple[float, float]
    block: int
    round_faces: bool

    def places(self) -> Placed:
        """Strokes (n,) since the step began, their shares of the time and the check (n,) of a block."""
        set_over, runs_on = self.motion.index_every > 0, bool(self.motion.rates.any())
        if set_over and not runs_on and self.motion.step.hand.steady:
            dealt = self._by_angle()
            if dealt is not None:
                return dealt
        if not (set_over or runs_on) and self.motion.step.hand.steady:
            places = self.first + (np.arange(self.number) + self.shift[0]) / self.number
            shares, check = _equal(self.number)
            return places, _mended(self.motion, places, shares), check
        return self._weighted()

    def _by_angle(self) -> Placed | None:
        """Deal the poses out over the angles that are set over; None where there are too many."""
        at = np.arange(self.first, self.first + self.strokes)
        visited = self.motion.slow(at.astype(np.float64) + 0.5).T
        angles, seen, which = np.unique(
            np.round(visited % 1.0, 9) % 1.0, axis=0, return_index=True, return_inverse=True
        )
        worth = cut_shares(self.motion.step, at)
        if len(angles) * FEWEST_AN_ANGLE > self.number:
            return None
        each = max(FEWEST_AN_ANGLE, self.number // len(angles) // 2 * 2)
        places, shares, check = [], [], []
        # In the order in which they come up, so that a mirrored motion has mirrored poses.
        for order, k in enumerate(np.argsort(seen)):
            here = which.ravel() == k
            own, part = at[here], worth[here]
            # Each angle gets its own phases, between those of the others.
            phase = (np.arange(each) + (self.shift[0] + order / len(angles)) % 1.0) / each
            stroke = at_share(part, (np.arange(each) * GOLDEN + self.shift[1]) % 1.0)
            share, apart = _equal(each)
            places.append(own[stroke] + phase)
            shares.append(_mended(self.motion, places[-1], share) * part.sum())
            check.append(apart * part.sum())
        return np.concatenate(places), np.concatenate(shares), np.concatenate(check)

    def _weighted(self) -> Placed:
        """Two lattices over the phase and the strokes in the order of their angles, weighted."""
        motion, looked = self.motion, looked_at(self.first, self.strokes)
        worth = cut_shares(motion.step, looked)
        order = _order(motion.slow(looked.astype(float)), motion.clocks)
        ordered = looked[order]
        prior = None
        if FEWEST_A_STROKE * self.strokes <= self.number:
            places = self._every_stroke(ordered)
            each = places.size // self.strokes
            prior = np.repeat(worth[order], each) * self.strokes / places.size
        else:
            runs = (
                2.0 * abs(float(motion.rates[0]))
                if motion.clocks and motion.clocks[0] != "traverse"
                else 0.0
            )
            drift = max(runs, 1.0 / self.strokes) if runs else 0.0
            places = self._two_lattices(ordered, worth[order], drift)
        return places, *weights_of(motion, places, looked, worth, self.round_faces, prior)

    def _every_stroke(self, ordered: NDArray[np.int64]) -> Array:
        """Equally spaced phases on each stroke, those of one between those of the others."""
        each = self.number // ordered.size // 2 * 2
        begin = (self.shift[0] + np.arange(ordered.size) * GOLDEN) % 1.0
        places: Array = ordered[:, None] + (np.arange(each) + begin[:, None]) / each
        return places.ravel()

    def _two_lattices(self, ordered: NDArray[np.int64], worth: Array, drift: float) -> Array:
        """Two lattices of unlike generators, one pose of each in turn; `worth` (n,) of the strokes in order.

        `drift`: how far the angle runs on within a stroke, as a share of all angles; a stroke is taken as
        much earlier, so that the angles that are met lie on the lattice and not those at which strokes begin.
        """
        half = self.number // 2
        choice = generators(half)
        places = np.empty(2 * half)
        k = np.arange(half)
        for which in range(2):
            generator = choice[
                (self.block + which * (1 + self.block // len(choice) % max(1, len(choice) - 1)))
                % len(choice)
            ]
            offset = (self.shift[1] + which * GOLDEN) % 1.0
            phase = (k + (self.shift[0] + 0.5 * which) % 1.0) / half
            rank = at_share(worth, (k * generator / half + offset - drift * phase) % 1.0)
            places[which::2] = ordered[rank] + phase
        return places


def block_sample(
    motion: Motion,
    weight: float,
    first: int,
    strokes: int,
    number: int,
    shift: tuple[float, float],
    block: int = 0,
    round_faces: bool = True,
) -> Sample:
    """Sample strokes first ... first + strokes - 1 of a motion by about `number` poses.

    `weight` [N]: top and hand, for the moments.  `shift` in [0, 1): moves the places from block to block;
    `block`: which of the good generators take their turn.

    Parameters
    ----------
    motion : Motion
    weight : float
        [N].
    first, strokes, number : int
        As above.
    shift : tuple of float
        Of the phase and of the order of strokes.
    block : int
        Number of the block.
    round_faces : bool
        Whether both faces are round and plain, so that few angles matter.

    Returns
    -------
    Sample
        About `number` poses whose shares add up to 1.

    """
    places, shares, check = _Block(
        motion, first, strokes, number, shift, block, round_faces
    ).places()
    poses = motion.paced(motion.poses(places), shares, first, strokes)
    return Sample(poses, shares, motion.moment(poses, weight), check, motion.hands(poses))


def block_samples(
    motions: Sequence[Motion],
    weights: Sequence[float],
    first: int,
    strokes: int,
    number: int,
    shift: tuple[float, float],
    block: int,
    round_faces: Sequence[bool],
) -> list[Sample]:
    """`block_sample` of several tops, to the bit; where they differ by their places alone, shared out once.

    `motions`, `weights`, `round_faces`: of each; the others as there.
    """
    samples: list[Sample] = []
    for moves, weight, plain in zip(motions, weights, round_faces, strict=True):
        like = next(
            (
                k
                for k, one in enumerate(samples)
                if plain == round_faces[k] and moves.shares_with(motions[k])
            ),
            None,
        )
        if like is None:
            given = first, strokes, number, shift, block, plain
            samples.append(block_sample(moves, weight, *given))
            continue
        one = samples[like]
        poses = moves.paced(moves.poses(one.poses.strokes), one.share, first, strokes)
        samples.append(
            replace(one, poses=poses, moments=moves.moment(poses, weight), hands=moves.hands(poses))
        )
    return samples


def _equal(number: int) -> tuple[Array, Array]:
    """Equal shares, and the difference of every second pose from the others."""
    signs = np.where(np.arange(number) % 2 == 0, 1.0, -1.0)
    return np.full(number, 1.0 / number), HALVES_APART * 2.0 * signs / number


def _mended(motion: Motion, places: Array, shares: Array) -> Array:
    """Shares (n,) changed as little as may be, to the means of the path that the moment law lives on."""
    values, means = motion.arc_means(places)
    off = means - np.einsum("n,nk->k", shares, values)
    normal = np.einsum("nj,n,nk->jk", values, shares, values)
    solved = np.linalg.lstsq(normal, off, rcond=1e-10)[0]
    factor = 1.0 + np.einsum("nk,k->n", values, solved)
    if np.abs(factor - 1.0).max() > MOST_CHANGE:
        return shares  # too few places to tell the means apart
    mended: Array = shares * factor
    return mended


def weights_of(
    motion: Motion,
    places: Array,
    looked: NDArray[np.int64],
    worth: Array,
    round_faces: bool,
    prior: Array | None = None,
) -> tuple[Array, Array]:
    """Weights (n,) of places [strokes] that stand for strokes `looked`, and their check (n,).

    `worth` (strokes,): share of each stroke; `prior` as in `best_weights`.
    """
    orders = ANGLES_ROUND if round_faces else ANGLES
    waves = waves_of(tuple(orders if name != "traverse" else TRAVERSE for name in motion.clocks))
    values = waves.at(places, motion.slow(places))
    means = waves.mean(motion.slow(looked.astype(float)), motion.rates, worth)
    strength = waves.strength
    real = np.concatenate([values.real, values.imag], axis=1)
    real_means = np.concatenate([means.real, means.imag])
    own, own_means = motion.scatter_of(places, looked, worth)
    arc, arc_means = motion.arc_means(places)
    return best_weights(
        np.concatenate([real, own, arc], axis=1),
        np.concatenate([real_means, own_means, arc_means]),
        np.concatenate([strength, strength, np.ones(own_means.size), np.full(arc_means.size, LAW)]),
        np.arange(places.size) % 2 == 0,
        ROUGH + motion.roughness,
        prior,
    )


def _order(slow: Array, clocks: tuple[str, ...]) -> NDArray[np.intp]:
    """Strokes by half turns (whole traverses) of the first clock, within an eighth of it by the next.

    Counted from where the block begins, the way round that each clock runs: so a set-up that is turned or
    mirrored has its poses turned or mirrored.
    """
    if not len(slow):
        return np.arange(slow.shape[1])
    run = slow - slow[:, :1]
    per_turn = np.array([1.0 if name == "traverse" else 2.0 for name in clocks])[:, None]
    folded = np.round(per_turn * run * np.where(run[:, -1:] < 0.0, -1.0, 1.0), 9) % 1.0
    if len(slow) == 1:
        return np.argsort(folded[0], kind="stable")
    keys = [folded[-1], *(np.floor(BINS * row) for row in folded[-2::-1])]
    return np.lexsort(keys)
