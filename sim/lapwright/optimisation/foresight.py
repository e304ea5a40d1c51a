"""What the planner will believe once it has lapped and read, for many shops at once: when it will say stop.

In a rollout every shop is known, and what a planner would believe of it is one normal distribution: how far
its middle is off the shop, and a covariance.  A spell carries both along linearly (as if all land bore), adds
the discrepancy and what the day and the grit may do otherwise; readings are taken in by Kalman's formulas, by
the same sight as those of the log.  So the rule of a rollout stops where the book will, and not where a
reading happens to be small.  Settled: `Foresight` and `Belief`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.reading import Reading
from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.flow import linear
from lapwright.optimisation.shop import DAY, Knowledge, roots
from lapwright.optimisation.sight import all_readings, sight_of, turned
from lapwright.optimisation.spell import Spell, discrepancy

Array = NDArray[np.float64]

ENOUGH = 0.95  # chance of the goal at which one stops
WIDER = 1.25  # a belief here: its spreads are 0.52 to 0.96 of those after real readings
DRAWS = 12  # of what is believed, and as many on the other side of its middle
NEAR = 0.95  # of the goal: of what is believed to be larger nobody is sure that it is within
STREAM = 0x666F7265


@dataclass(frozen=True)
class Belief:
    """What is believed of m shops: its middle is `off` (m, size) each; `cloud` (m, size, size)."""

    off: Array
    cloud: Array

    @classmethod
    def of(cls, known: Knowledge | None, shops: Array) -> Belief:
        """What is known, of shops drawn from it; None: no more than that they are all of these."""
        centre = shops.mean(axis=0) if known is None else known.centre
        cloud = np.cov(shops, rowvar=False) if known is None else known.covariance
        return cls(centre - shops, np.repeat(np.atleast_2d(cloud)[None], len(shops), axis=0))

    def copy(self) -> Belief:
        """The same, to be changed."""
        return Belief(self.off.copy(), self.cloud.copy())

    def __getitem__(self, some: NDArray[np.intp] | NDArray[np.bool_]) -> Belief:
        return Belief(self.off[some], self.cloud[some])

    def put(self, some: NDArray[np.intp] | NDArray[np.bool_], other: Belief) -> None:
        """Believe something else of some of the shops."""
        self.off[some], self.cloud[some] = other.off, other.cloud


class Foresight:
    """On one bench, towards one goal, for whoever laps `pair`; what is read, or the same readings turned.

    `readings`: a round of them; of all gauges when none are given.  What is asked of other plates than the
    pair keeps nobody there from stopping.
    """

    def __init__(
        self, bench: Bench, goal: Target, pair: Sequence[str], readings: Sequence[Reading] = ()
    ) -> None:
        self.layout = bench.layout
        self.goal = goal
        self.own = np.array([one.plate is None or one.plate in pair for one in goal.asked])
        usual = readings or all_readings(bench)
        self.rounds = [
            (sight.rows, sight.noise, np.linalg.cholesky(sight.noise))
            for readings in (usual, turned(bench, usual))
            for sight in [sight_of(bench.layout, readings, bench.gauges)]
        ]
        half = np.random.default_rng([STREAM]).standard_normal((DRAWS, bench.layout.size))
        self._normal = np.concatenate([half, -half])

    def read(self, belief: Belief, rng: np.random.Generator | None, again: bool = False) -> Belief:
        """Take in a round of readings, as it may come; None: as it is expected, so that the middle stays."""
        rows, noise, root = self.rounds[again]
        across = belief.cloud @ rows.T
        gain = np.linalg.solve(rows @ across + noise, across.transpose(0, 2, 1)).transpose(0, 2, 1)
        cloud = belief.cloud - gain @ across.transpose(0, 2, 1)
        off = belief.off
        if rng is not None:
            new = rng.standard_normal((len(off), len(rows))) @ root.T - off @ rows.T
            off = off + np.einsum("mdn,mn->md", gain, new)
        return Belief(off, 0.5 * (cloud + cloud.transpose(0, 2, 1)))

    def shares(self, shops: Array) -> Array:
        """Size of each form of the goal over what it may be (m, asked); nought of what others lap."""
        return np.where(self.own, self.goal.sizes(self.layout, shops) / self.goal.most, 0.0)

    def chance(self, shops: Array, belief: Belief) -> Array:
        """Chance of the goal as it is believed (m,); nought where the middle is far from it.

        By the mean and the spread of the worst form over what it may be, as if that were normal.
        """
        chance = np.zeros(len(shops))
        middle = shops + belief.off
        worst = self.shares(middle).max(axis=1)
        some = np.flatnonzero(worst < NEAR)
        if some.size:
            from scipy.special import ndtr

            moved = WIDER * self._normal @ roots(belief.cloud[some]).transpose(0, 2, 1)
            draws = (middle[some, None] + moved).reshape(-1, shops.shape[1])
            share = self.shares(draws).max(axis=1).reshape(some.size, -1)
            spread = np.maximum(share.std(axis=1), 1e-9)
            chance[some] = ndtr((1.0 - share.mean(axis=1)) / spread)
        return chance

    def another_day(self, belief: Belief, shops: Array) -> Belief:
        """Before a spell of shops on days of which nothing is known; nothing is removed yet."""
        off, cloud, passing = belief.off.copy(), belief.cloud.copy(), self.layout.passing
        off[:, passing], cloud[:, passing], cloud[:, :, passing] = 0.0, 0.0, 0.0
        off[:, self.layout.day] = -shops[:, self.layout.day]
        cloud[:, self.layout.day, self.layout.day] = DAY**2
        return Belief(off, cloud)

    def lapped(
        self,
        spell: Spell,
        belief: Belief,
        before: Array,
        ended: Array,
        after: Array,
        share: Array | float = 1.0,
    ) -> Belief:
        """Carry a belief through a share of a spell: `ended` as the model has it, `after` as it came."""
        jump = linear(spell, before, share)[1]
        spread = discrepancy(self.layout, spell.step, before, ended)
        off = np.einsum("mde,me->md", jump, belief.off) + ended - after
        return Belief(off, jump @ belief.cloud @ jump.transpose(0, 2, 1) + spread)
