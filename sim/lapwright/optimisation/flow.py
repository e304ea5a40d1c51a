"""Where a spell would leave shops if all land bore, and how that end answers to its beginning.

While nothing lifts, dx/dt = A x + b for the shapes x of both faces: A goes as the wear over the depth of the
layer, b as the wear.  The eigenvectors of A are found once for a placement; then every shop, with its own
wear, day and layer, costs two small products.  What lifts is another matter, left for others to learn.
Settled: `linear`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.schedule import cut_of, stays
from lapwright.modal.basis import PLANES

if TYPE_CHECKING:
    from lapwright.optimisation.spell import Crowd, Spell

__all__ = ["Flow", "flow_of", "linear"]


Array = NDArray[np.float64]

PROBE = 0.01  # of the squeeze: a shape so high lifts nothing
STILL = 1e-9  # of a logarithm of decay: what decays less is as good as still
STEP = 1e-3  # of a logarithm, by which slopes are told


@dataclass(frozen=True)
class Flow:
    """What a pair does to its shapes while all land bears, at a layer and wear as nominal.

    `values` (n,) [1/s] and `vectors` (n, n) of A, `back` their inverse, `drift` (n,) [m/s] of flat faces.
    """

    values: NDArray[np.complex128]
    vectors: NDArray[np.complex128]
    back: NDArray[np.complex128]
    drift: NDArray[np.complex128]

    def ends(self, faces: Array, times: Array, depth: Array) -> Array:
        """Shapes (m, n) after `times` (m,) [s] of nominal wear, on layers `depth` (m,) times as deep."""
        power = self.values * (times / depth)[:, None]
        grown = np.exp(power)
        still = np.abs(power) < STILL
        mean = np.where(still, 1.0, (grown - 1.0) / np.where(still, 1.0, power))
        own = grown * (faces @ self.back.T) + times[:, None] * mean * self.drift
        return np.asarray((own @ self.vectors.T).real, dtype=np.float64)

    def jump(self, decay: Array) -> Array:
        """How shapes at the end answer to those at the beginning (m, n, n); `decay` (m,) [s]."""
        grown = np.exp(self.values * decay[:, None])
        return np.asarray(((self.vectors * grown[:, None]) @ self.back).real, dtype=np.float64)


def flow_of(crowd: Crowd, stiffness: float, kappas: Sequence[float]) -> Flow:
    """The flow of one placement, by probing it: `stiffness` [Pa/m], `kappas` [1/Pa] of bottom and top."""
    sizes = crowd.bottom.size, crowd.top.size
    bearing = float(np.abs(crowd.target[:, 0]).max()) / stiffness
    high = PROBE * bearing / min(p.plate.land_area for p in (crowd.bottom, crowd.top))
    kept = np.concatenate([np.arange(PLANES, sizes[0]), np.arange(sizes[0] + PLANES, sum(sizes))])
    probe = np.zeros((kept.size + 1, sum(sizes)))
    probe[1 + np.arange(kept.size), kept] = high
    ones = np.ones(len(probe))
    pace = crowd.pace(probe, stiffness * ones, np.outer(ones, kappas))[0][:, kept]
    values, vectors = np.linalg.eig(((pace[1:] - pace[0]) / high).T)
    back = np.linalg.inv(vectors)
    return Flow(values, vectors, back, back @ pace[0])


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
        flow = spell.flow_of(stay.top, stay.bottom)
        times = cut * share * np.exp(shops[:, wears].mean(axis=1) + shops[:, layout.day])
        own = here[:, faces]
        up, down = (flow.ends(own, times * np.exp(off), depth) for off in (STEP, -STEP))
        by_wear = (up - down) / (2.0 * STEP)
        up, down = (flow.ends(own, times, depth * np.exp(off)) for off in (STEP, -STEP))
        jump[:, faces] = flow.jump(times / depth) @ jump[:, faces]
        jump[:, faces, layout.day] += by_wear
        for at in wears:
            jump[:, faces, at] += 0.5 * by_wear
        jump[:, faces, at_layer] += (up - down) / (2.0 * STEP)
        here[:, faces] = flow.ends(own, times, depth)
    return here, jump
