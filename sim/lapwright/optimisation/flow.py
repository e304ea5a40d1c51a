"""Where a spell would leave shops if all land bore, and how that end answers to its beginning.

While nothing lifts, dx/dt = A x + b for the shapes x of both faces: A goes as the wear over the depth of the
layer, b as the wear, the rows of each plate as its own.  The eigenvectors of A are found once for a
placement; then every shop, with its own wear, day and layer, costs two small products.  Of two metals they
hang on the ratio of both wears: they are found at some ratios, and each shop is told between the nearest
four.  What lifts is another matter, left for others to learn.  Settled: `linear`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.schedule import cut_of, stays
from lapwright.modal.basis import PLANES

if TYPE_CHECKING:
    from lapwright.optimisation.crowd import Crowd
    from lapwright.optimisation.spell import Spell

Array = NDArray[np.float64]

PROBE = 0.01  # of the squeeze: a shape so high lifts nothing where flat faces bear
STILL = 1e-9  # of a logarithm of decay: what decays less is as good as still
SMALL = 1e-3  # of the same: the mean of the mean is told by its first terms
STEP = 1e-3  # of a logarithm, by which slopes are told
APART = 0.25  # in the logarithm of the ratio of both wears: where eigenvectors are found
AROUND = (-1, 0, 1, 2)  # of these, from the one below: what a cubic goes through


@dataclass(frozen=True)
class Flow:
    """What a pair does to its shapes while all land bears, at a layer and wear as nominal.

    `values` (n,) [1/s] and `vectors` (n, n) of A, `back` their inverse, `drift` (n,) [m/s] of flat faces;
    how fast the middles of both plates go, by shapes along the vectors `sink` (2, n) [1/s] and if flat `sunk`
    (2,) [m/s].
    """

    values: NDArray[np.complex128]
    vectors: NDArray[np.complex128]
    back: NDArray[np.complex128]
    drift: NDArray[np.complex128]
    sink: NDArray[np.complex128]
    sunk: Array

    def ends(self, faces: Array, times: Array, depth: Array) -> Array:
        """Shapes (m, n) after `times` (m,) [s] of nominal wear, on layers `depth` (m,) times as deep."""
        power = self.values * (times / depth)[:, None]
        own = np.exp(power) * (faces @ self.back.T) + times[:, None] * _mean(power) * self.drift
        return np.asarray((own @ self.vectors.T).real, dtype=np.float64)

    def sinks(self, faces: Array, times: Array, depth: Array) -> Array:
        """By how much the middle of both plates changes meanwhile (m, 2) [m]."""
        power, time = self.values * (times / depth)[:, None], times[:, None]
        mean = _mean(power)
        small = np.abs(power) < SMALL
        again = np.where(small, 0.5 + power / 6.0, (mean - 1.0) / np.where(small, 1.0, power))
        whole = time * (mean * (faces @ self.back.T) + time * again * self.drift)
        return np.asarray((whole @ self.sink.T).real / depth[:, None] + time * self.sunk)

    def jump(self, decay: Array) -> Array:
        """How shapes at the end answer to those at the beginning (m, n, n); `decay` (m,) [s]."""
        grown = np.exp(self.values * decay[:, None])
        return np.asarray(((self.vectors * grown[:, None]) @ self.back).real, dtype=np.float64)


def _mean(power: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Mean over the time of what grows by exp(power)."""
    still = np.abs(power) < STILL
    mean: NDArray[np.complex128] = np.where(
        still, 1.0, (np.exp(power) - 1.0) / np.where(still, 1.0, power)
    )
    return mean


@dataclass(frozen=True)
class Flows:
    """The same where both plates wear otherwise than as nominal, each by a factor of its own.

    `pace` (n, n) [1/s] and `drift` (n,) [m/s] as nominal, `sink` (2, n) and `sunk` (2,) of their middles; the
    first `low` rows are of the bottom.  Probed at a layer of `stiffness` [Pa/m] and wear `kappas` [1/Pa].
    `bears`: all land of flat faces bears everywhere in the stroke; where it does not (of equal discs from a
    travel of 0.39 of the radius on) these flows are near, not true, and what mates lifts again.
    """

    pace: Array
    drift: Array
    sink: Array
    sunk: Array
    low: int
    stiffness: float
    kappas: tuple[float, float]
    bears: bool
    _made: dict[int, Flow] = field(default_factory=dict)

    def at(self, node: int) -> Flow:
        """Where the bottom wears by `node * APART`, in logarithms, more than the top, the mean as nominal."""
        if node not in self._made:
            half = np.exp(0.5 * node * APART)
            factor = np.where(np.arange(len(self.drift)) < self.low, half, 1.0 / half)
            values, vectors = np.linalg.eig(factor[:, None] * self.pace)
            back = np.linalg.inv(vectors)
            both = np.array([half, 1.0 / half])
            self._made[node] = Flow(
                values,
                vectors,
                back,
                back @ (factor * self.drift),
                (both[:, None] * self.sink) @ vectors,
                both * self.sunk,
            )
        return self._made[node]

    def near(self, ratio: Array) -> Iterator[tuple[Flow, NDArray[np.intp], Array]]:
        """Flows between which shops are told, which of these each serves, and its weight there.

        `ratio` (m,): logarithm of bottom's factor over top's.
        """
        below = np.floor(ratio / APART).astype(int)
        along = ratio / APART - below
        weights = np.stack(
            [np.prod([(along - b) / (a - b) for b in AROUND if b != a], axis=0) for a in AROUND]
        )
        for node in range(below.min() + AROUND[0], below.max() + AROUND[-1] + 1):
            of, some = np.nonzero((below + np.array(AROUND)[:, None] == node) & (weights != 0.0))
            if some.size:
                yield self.at(node), some, weights[of, some]

    def ends(self, faces: Array, times: Array, depth: Array, ratio: Array) -> Array:
        """As of `Flow`; `times` by the geometric mean of both factors."""
        ended = np.zeros_like(faces)
        for flow, some, weight in self.near(ratio):
            ended[some] += weight[:, None] * flow.ends(faces[some], times[some], depth[some])
        return ended

    def worn(self, faces: Array, stiffness: Array, kappas: Array, cut: float) -> Array:
        """Coefficients (m, both with their planes) [m] of pairs whose land all bears, as `Crowd.lap` has it.

        Only where flat faces bear: there what mates goes on bearing, and is not looked at again.
        """
        factor = kappas / self.kappas
        times, depth = cut * np.sqrt(factor.prod(axis=1)), self.stiffness / stiffness
        middles = [0, self.low + PLANES]
        own = np.r_[PLANES : middles[1], middles[1] + PLANES : faces.shape[1]]
        shapes, after = faces[:, own], faces.copy()
        after[:, own] = 0.0
        for flow, some, weight in self.near(np.log(factor[:, 0] / factor[:, 1])):
            now = shapes[some], times[some], depth[some]
            after[some[:, None], own] += weight[:, None] * flow.ends(*now)
            after[some[:, None], middles] += weight[:, None] * flow.sinks(*now)
        return after

    def slope(
        self,
        faces: Array,
        times: Array,
        depth: Array,
        ratio: Array,
        way: tuple[float, float, float],
    ) -> Array:
        """How the ends answer to logarithms of times, depth and ratio, changed together this `way`."""
        up, down = (
            self.ends(
                faces,
                times * np.exp(way[0] * off),
                depth * np.exp(way[1] * off),
                ratio + way[2] * off,
            )
            for off in (STEP, -STEP)
        )
        return (up - down) / (2.0 * STEP)

    def jump(self, decay: Array, ratio: Array) -> Array:
        """As of `Flow`."""
        jump = np.zeros((len(decay), *self.pace.shape))
        for flow, some, weight in self.near(ratio):
            jump[some] += weight[:, None, None] * flow.jump(decay[some])
        return jump


def flows_of(crowd: Crowd, stiffness: float, kappas: Sequence[float]) -> Flows:
    """The flows of one placement, by probing it: `stiffness` [Pa/m], `kappas` [1/Pa] of bottom and top."""
    sizes = crowd.bottom.size, crowd.top.size
    bearing = float(np.abs(crowd.target[:, 0]).max()) / stiffness
    high = PROBE * bearing / min(p.plate.land_area for p in (crowd.bottom, crowd.top))
    kept = np.concatenate([np.arange(PLANES, sizes[0]), np.arange(sizes[0] + PLANES, sum(sizes))])
    probe = np.zeros((kept.size + 1, sum(sizes)))
    probe[1 + np.arange(kept.size), kept] = high
    ones = np.ones(len(probe))
    pace, lifted = crowd.pace(probe, stiffness * ones, np.outer(ones, kappas))
    rows, middles = ((pace[1:] - pace[0]) / high).T, [0, sizes[0]]
    low, top = kappas
    return Flows(
        rows[kept],
        pace[0, kept],
        rows[middles],
        pace[0, middles],
        sizes[0] - PLANES,
        stiffness,
        (low, top),
        bool(lifted.max() == 0.0),
    )


def linear(spell: Spell, shops: Array, share: Array | float = 1.0) -> tuple[Array, Array]:
    """Shops (m, size) after a share of a spell if all land bore, and how these answer to what they were.

    The latter (m, size, size) by faces, wear, layer and day; of metal removed nothing is told.
    """
    layout, step = spell.layout, spell.step
    here = shops.copy()
    jump = np.repeat(np.eye(layout.size)[None], len(here), axis=0)
    at_layer = layout.layer(step.grit.name)
    depth, age = np.exp(shops[:, at_layer]), 0.0
    for stay in stays(step):
        cut, age = cut_of(step, age, stay.first, stay.strokes)
        pair = [layout.plates[name] for name in (stay.bottom, stay.top)]
        wears = [layout.wear(step.grit.name, plate.material.name) for plate in pair]
        faces = np.concatenate([np.arange(layout.size)[layout.face(p.name)] for p in pair])
        flows = spell.flows_of(stay.top, stay.bottom)
        times = cut * share * np.exp(shops[:, wears].mean(axis=1) + shops[:, layout.day])
        ratio = shops[:, wears[0]] - shops[:, wears[1]]
        now = here[:, faces], times, depth, ratio
        jump[:, faces] = flows.jump(times / depth, ratio) @ jump[:, faces]
        by_wear = flows.slope(*now, (1.0, 0.0, 0.0))
        jump[:, faces, layout.day] += by_wear
        if wears[0] == wears[1]:
            jump[:, faces, wears[0]] += by_wear
        else:  # the mean goes as half of each, the ratio as one over the other
            by_ratio = flows.slope(*now, (0.0, 0.0, 1.0))
            jump[:, faces, wears[0]] += 0.5 * by_wear + by_ratio
            jump[:, faces, wears[1]] += 0.5 * by_wear - by_ratio
        jump[:, faces, at_layer] += flows.slope(*now, (0.0, 1.0, 0.0))
        here[:, faces] = flows.ends(*now)
    return here, jump
