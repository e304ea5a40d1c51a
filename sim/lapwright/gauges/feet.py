"""What a foot stands on: a point, a ball or a flat pad, on land or in a groove."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.gauges.contacts import Contacts
from lapwright.plate.plate import Plate

__all__ = ["Foot", "Footing", "distance_to_land", "footing"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Foot:
    """A foot that ends in a ball of radius `ball` [m], a flat pad of diameter `pad` [m], or a point.

    An `eye` that looks at bands, or a ring, stands in no groove: it is carried over so much width [m].
    """

    ball: float = 0.0
    pad: float = 0.0
    eye: float = 0.0

    def sink(self, distance: Array) -> Array:
        """How deep it sinks [m] when its middle is `distance` [m] off the land (NaN: it falls in).

        A ball rests on the edge of the groove: ball - sqrt(ball^2 - distance^2).  A pad that still reaches
        the land bridges the groove.
        """
        off = np.maximum(np.asarray(distance, dtype=float), 0.0)
        if self.pad > 0.0 or self.eye > 0.0:
            return np.where(off < 0.5 * max(self.pad, self.eye), 0.0, np.nan)
        depth = self.ball - np.sqrt(np.maximum(self.ball**2 - off**2, 0.0))
        return np.where((off == 0.0) | (off < self.ball), depth, np.nan)


@dataclass(frozen=True)
class Footing:
    """How feet stand on a plate: `off` (n,) [m] from the land, `sunk` (n,) [m] into it (NaN: fell in).

    `lies`: it has no feet, but lies over grooves, as a flat or a ring does.
    """

    off: Array
    sunk: Array
    lies: bool = False

    @property
    def firm(self) -> bool:
        """All on land."""
        return bool((self.off <= 0.0).all())

    @property
    def fallen(self) -> int:
        """How many fell into a groove or over the edge."""
        return int(np.isnan(self.sunk).sum())

    @property
    def words(self) -> str:
        """What is wrong with it, in words; empty when all is well."""
        parts = []
        if self.lies:
            if self.fallen:
                return "where it should be read there is a groove or no face: no reading"
            return "" if self.firm else "it lies over a groove, which does not matter"
        beside = int((self.sunk > 0.0).sum())  # a pad that reaches over does not sink
        if self.fallen:
            stands = "foot stands" if self.fallen == 1 else "feet stand"
            parts.append(f"{self.fallen} {stands} in a groove or over the edge: no reading")
        if beside:
            sags = "foot sags" if beside == 1 else "feet sag"
            parts.append(f"{beside} {sags} into a groove: move or turn the gauge")
        return "; ".join(parts)


def distance_to_land(plate: Plate, x: Array, y: Array) -> Array:
    """Distance of points [m] from the land, 0 on it: in a groove, or outside the outline."""
    grooves = plate.grooves
    left = plate.outline.shrunk(grooves.rim) if grooves is not None else plate.outline
    if left is None:
        return np.full(np.shape(x), np.inf)
    inside = -left.signed_distance(x, y)
    if grooves is not None:
        inside = np.minimum(inside, grooves.distance(x, y))
    return np.maximum(-inside, 0.0)


def footing(plate: Plate, contacts: Contacts, foot: Foot) -> Footing:
    """How the feet stand on a plate."""
    off = distance_to_land(plate, contacts.x, contacts.y)
    # A hair of round-off is no groove.
    off = np.where(off < 1e-9, 0.0, off)
    return Footing(off, foot.sink(off), lies=foot.eye > 0.0)
