"""What is known of a shop: a mixture of normal distributions over its vector, and how readings change it.

A hundred or more members carry what is not normal (what lifts, how fast the grit cuts), and round each lies a
small normal cloud, so that readings are taken in exactly where the work is linear and a density is smooth.
Sources: J. L. Anderson and S. L. Anderson, Mon. Weather Rev. 127 (1999) 2741 (mixtures of normals about the
members); J. Liu and M. West in Doucet et al. (2001) (shrunken kernels that keep mean and covariance); all
from memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import log, pi

import numpy as np
from numpy.typing import NDArray

__all__ = ["Knowledge", "Sight", "one_normal"]

Array = NDArray[np.float64]

CLOUD = 0.3  # of all variance: what lies within the cloud round each member
MEMBERS = 384
HALF = 0.5  # of the members: readings are taken in so slowly that as many still count
JITTER = 1e-9  # of a variance, for a covariance to be positive beside rounding
NOTHING = 1e-30


@dataclass(frozen=True)
class Sight:
    """What readings see of a shop: `value` (n,) = `rows` (n, size) @ shop + scatter of `noise` (n, n)."""

    rows: Array
    value: Array
    noise: Array

    def softened(self, share: float) -> Sight:
        """As much of the same readings as this share (0 to 1) of what they tell."""
        return replace(self, noise=self.noise / share)


@dataclass(frozen=True)
class Knowledge:
    """Members of `weight` (m,), `mean` (m, size) and `cloud` (m, size, size); `hand` (m,): a number."""

    weight: Array
    mean: Array
    cloud: Array
    hand: NDArray[np.intp]

    @property
    def centre(self) -> Array:
        """Mean (size,) of all."""
        centre: Array = np.einsum("m,md->d", self.weight, self.mean)
        return centre

    @property
    def covariance(self) -> Array:
        """Covariance (size, size) of all."""
        off = self.mean - self.centre
        within = np.einsum("m,mde->de", self.weight, self.cloud)
        covariance: Array = within + np.einsum("m,md,me->de", self.weight, off, off)
        return covariance

    @property
    def effective(self) -> float:
        """How many members of equal weight would tell as much."""
        return float(1.0 / np.square(self.weight).sum())

    def draw(self, number: int, rng: np.random.Generator) -> tuple[Array, NDArray[np.intp]]:
        """Draw so many shops (number, size) of equal weight, and of which member each is."""
        owner = _dealt(self.weight, number, float(rng.random()))
        roots = _roots(self.cloud)
        normal = rng.standard_normal((number, self.mean.shape[1]))
        if len(roots) == 1:
            return self.mean[owner] + normal @ roots[0].T, owner
        return self.mean[owner] + np.einsum("nde,ne->nd", roots[owner], normal), owner

    def members(self, rng: np.random.Generator, number: int = MEMBERS, cloud: float = CLOUD) -> Knowledge:
        """The same in members of equal weight, each with a cloud of that share of all variance about it.

        Mean and covariance stay; what is not normal is smoothed by the clouds.
        """
        shops, owner = self.draw(number, rng)
        centre, whole = self.centre, self.covariance
        off = shops - shops.mean(axis=0)
        if number > 2 * off.shape[1]:
            here, there = _root(off.T @ off / number), _root(whole)
            off = np.linalg.solve(here, off.T).T @ there.T
        hand = np.arange(number) if len(self.weight) == 1 else self.hand[owner]
        return Knowledge(
            np.full(number, 1.0 / number),
            centre + (1.0 - cloud) ** 0.5 * off,
            np.broadcast_to(cloud * whole, (number, *whole.shape)),
            hand,
        )

    def density(self, sight: Sight, values: Array | None = None) -> Array:
        """Logarithm of how likely readings (k, n) are beforehand (k,); of those of `sight` when None."""
        wanted = sight.value[None] if values is None else values
        each = self._each(sight, wanted)
        most = each.max(axis=1, keepdims=True)
        density: Array = most[:, 0] + np.log(np.exp(each - most).sum(axis=1))
        return density

    def _each(self, sight: Sight, values: Array) -> Array:
        """Logarithm of weight times density of each member at readings (k, n): (k, m)."""
        root, expected = self._seen(sight)
        off = np.linalg.solve(root, (values[:, None] - expected).transpose(1, 2, 0))
        size = np.log(np.diagonal(root, axis1=1, axis2=2)).sum(axis=1)
        constant = np.log(np.maximum(self.weight, 1e-300)) - size - 0.5 * root.shape[1] * log(2.0 * pi)
        each: Array = (constant[:, None] - 0.5 * np.square(off).sum(axis=1)).T
        return each

    def _seen(self, sight: Sight) -> tuple[Array, Array]:
        """Root (m, n, n) of the covariance of what each member foretells, and the mean of it (m, n)."""
        spread = sight.rows @ self.cloud @ sight.rows.T + sight.noise
        root: Array = np.asarray(np.linalg.cholesky(spread), dtype=np.float64)
        return root, self.mean @ sight.rows.T

    def foretold(self, sight: Sight, number: int, rng: np.random.Generator) -> Array:
        """Draw what readings like these may show (number, n)."""
        owner = _dealt(self.weight, number, float(rng.random()))
        root, expected = self._seen(sight)
        normal = rng.standard_normal((number, root.shape[1]))
        drawn: Array = expected[owner] + np.einsum("nde,ne->nd", root[owner], normal)
        return drawn

    def updated(self, sight: Sight, rng: np.random.Generator) -> Knowledge:
        """What is known once readings are taken in, a little at a time where few members fit them."""
        known, left = self, 1.0
        while True:
            share = known._share(sight, left)
            known = known._updated(sight.softened(share))
            left -= share
            if left <= 1e-9:
                return known
            known = known.members(rng, len(self.weight))

    def _share(self, sight: Sight, left: float) -> float:
        """How much of the readings may be taken in at once for half of the members still to count."""
        if len(self.weight) == 1:
            return left
        least = HALF * self.effective

        def counts(share: float) -> float:
            each = self._each(sight.softened(share), sight.value[None])[0]
            weight = np.exp(each - each.max())
            return float(weight.sum() ** 2 / np.square(weight).sum())

        if counts(left) >= least:
            return left
        low, high = 0.0, left
        for _ in range(12):
            middle = 0.5 * (low + high)
            low, high = (middle, high) if counts(middle) >= least else (low, middle)
        return max(low, 1e-3 * left)

    def _updated(self, sight: Sight) -> Knowledge:
        """Each member by Kalman's formulas, and members by how likely they held the readings to be."""
        each = self._each(sight, sight.value[None])[0]
        weight = np.exp(each - each.max())
        root, expected = self._seen(sight)
        seen = np.linalg.solve(root, sight.rows @ self.cloud)
        off = np.linalg.solve(root, (sight.value - expected)[:, :, None])
        mean = self.mean + np.einsum("mnd,mn->md", seen, off[:, :, 0])
        cloud = self.cloud - np.einsum("mnd,mne->mde", seen, seen)
        return Knowledge(weight / weight.sum(), mean, cloud, self.hand)


def one_normal(mean: Array, covariance: Array) -> Knowledge:
    """Knowledge that is one normal distribution."""
    return Knowledge(np.ones(1), mean[None], covariance[None], np.zeros(1, dtype=np.intp))


def _dealt(weight: Array, number: int, shift: float) -> NDArray[np.intp]:
    """Members (number,) in proportion to their weights, as evenly as may be (systematic resampling)."""
    ends = np.cumsum(weight)
    places = (np.arange(number) + shift) / number * ends[-1]
    dealt: NDArray[np.intp] = np.minimum(np.searchsorted(ends, places, side="right"), weight.size - 1)
    return dealt


def _root(covariance: Array) -> Array:
    root: Array = _roots(covariance[None])[0]
    return root


def _roots(covariance: Array) -> Array:
    """Lower triangular roots (m, size, size); quantities without any variance get next to none."""
    if covariance.strides[0] == 0:  # one for all
        covariance = covariance[:1]
    return _roots_of(covariance)


def _roots_of(covariance: Array) -> Array:
    own = np.diagonal(covariance, axis1=1, axis2=2)
    spread = np.sqrt(np.maximum(own, NOTHING))
    even = covariance / (spread[:, :, None] * spread[:, None, :])
    roots: Array = np.linalg.cholesky(even + JITTER * np.eye(even.shape[1])) * spread[:, :, None]
    return roots
