"""Several tops on one bottom at the same time, each under a load of its own; a single one is the usual case.

Nothing but the bottom joins them: each settles for itself, and what they wear off the bottom adds up pose by
pose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.average import Average, Pair, Sample
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]
Maps = tuple[Array, ...]


@dataclass(frozen=True)
class GangAverage:
    """What a sample of poses does to all: `maps` (ny, nx) of bottom and tops, as in `Average`.

    `doubt` (3 * bodies,) [Pa m/s]: error of the sample in the forms of each; `squeeze` [m]: the least of any
    top; `lift_share` of the top that lifts most, `scale_error` the largest.
    """

    maps: Maps
    each: tuple[Average, ...]
    doubt: Array
    squeeze: float

    @property
    def lift_share(self) -> float:
        """Share of the time in which something lifts, of the top that lifts most."""
        return max(one.lift_share for one in self.each)

    @property
    def scale_error(self) -> float:
        """Largest departure from 1 of the factor on a top's gathered load."""
        return max(one.scale_error for one in self.each)

    @property
    def shares(self) -> int:
        """Chunks on which `Gang.moved` works."""
        return len(self.each[0].chunks)


@dataclass(frozen=True)
class Gang:
    """Pairs that share their bottom."""

    pairs: tuple[Pair, ...]

    @property
    def bodies(self) -> tuple[Plate, ...]:
        """The bottom, then every top."""
        return (self.pairs[0].bottom, *(pair.top for pair in self.pairs))

    def average(
        self, z: Sequence[Array], samples: Sequence[Sample], part: Sequence[int]
    ) -> GangAverage:
        """Average pressure x speed over a sample for each top, all faces held as they are.

        Parameters
        ----------
        z : sequence of Array
            Heights (ny, nx) [m] of bottom and tops, looking at each face.
        samples : sequence of Sample
            One for each top.
        part : sequence of int
            Chunks kept apart for `moved`.

        Returns
        -------
        GangAverage

        Raises
        ------
        TippedError, NoOverlapError, SettleError
            At the first pose that has no solution, naming it.

        """
        each = tuple(
            pair.average(z[0], top, sample, part)
            for pair, top, sample in zip(self.pairs, z[1:], samples, strict=True)
        )
        bottom, under = (
            sum_of([one.bottom for one in each]),
            sum_of([one.doubt[:3] for one in each]),
        )
        return GangAverage(
            maps=(bottom, *(one.top for one in each)),
            each=each,
            doubt=np.concatenate([under, *(one.doubt[3:] for one in each)]),
            squeeze=min(
                pair.load / (pair.stiffness * max(one.overlap, 1e-300))
                for pair, one in zip(self.pairs, each, strict=True)
            ),
        )

    def moved(self, z: Sequence[Array], samples: Sequence[Sample], first: GangAverage) -> Maps:
        """The average over the same samples once the faces are a little worn, as `Pair.moved`.

        Parameters
        ----------
        z : sequence of Array
            Heights (ny, nx) [m] of bottom and tops, looking at each face.
        samples : sequence of Sample
            Those of `first`.
        first : GangAverage
            Before the faces were worn.

        Returns
        -------
        tuple of Array
            Mean pressure x speed (ny, nx) [Pa m/s] of bottom and tops.

        Raises
        ------
        TippedError, NoOverlapError, SettleError
            As `average`.

        """
        each = [
            pair.moved(z[0], top, sample, one)
            for pair, top, sample, one in zip(self.pairs, z[1:], samples, first.each, strict=True)
        ]
        return (sum_of([bottom for bottom, _ in each]), *(top for _, top in each))


def sum_of(parts: Sequence[Array]) -> Array:
    """Their sum, in order; of one itself."""
    total = parts[0]
    for part in parts[1:]:
        total = total + part
    return total
