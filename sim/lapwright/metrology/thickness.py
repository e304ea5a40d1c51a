"""How thick a body is over its face, how far its face is out of parallel, and where it is thick.

Thickness is told from the height map of the face, which keeps the tilt that wear gives it (no form is told of
a tilt): what the body had at the start, less the metal off.  The back is taken as flat and still, as on a
good plate under a comparator, so its own form and wear are no part of it.

The wedge is that of the least-squares plane of the face inside the edge margin: how much thicker the body is
at one side of its outline than at the other.  The parallelism is the least distance of two planes parallel to
the back that hold the face between them (ISO 1101, from memory): the wedge and the form together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import atan2, hypot, nan

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.form import EdgeMargin, plane_of, spread_of
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate
from lapwright.specification.step import Until
from lapwright.specification.wedge import PART

Array = NDArray[np.float64]

SIDELESS = 1e-12  # [m] of wedge, below which no side is thick
THICKNESS = {
    "thickness": "mean thickness",
    "wedge": "how much thicker one side of the face is than the other",
    "wedge_at": "where it is thick, anticlockwise from 3 o'clock looking at the face",
    "parallelism": "between two planes parallel to the back that hold the face",
}


@dataclass(frozen=True)
class Thickness:
    """Of a body: `mean` over its land [m], nan where only its mass is known; `slopes` along x and y [1].

    `parallelism` [m], nan where too little land is left inside the margin.  Looking at the face.
    """

    outline: Outline
    mean: float
    slopes: tuple[float, float]
    parallelism: float = nan

    @property
    def wedge(self) -> float:
        """How much thicker one side of the face is than the other [m]."""
        return hypot(*self.slopes) * self.outline.width_along(atan2(*self.slopes[::-1]))

    @property
    def at(self) -> float:
        """Direction in which it is thickest, anticlockwise from 3 o'clock [rad]; nan of none."""
        return atan2(*self.slopes[::-1]) if self.wedge > SIDELESS else nan

    def over(self, x: float, y: float) -> float:
        """Thickness of its plane at a place of the face.

        Parameters
        ----------
        x, y : float
            From the middle, looking at the face [m].

        Returns
        -------
        float
            [m]

        """
        return self.mean + self.slopes[0] * x + self.slopes[1] * y

    def numbers(self) -> dict[str, float]:
        """The same by the names in THICKNESS.

        Returns
        -------
        dict
            [m], and rad for where it is thick.

        """
        values = self.mean, self.wedge, self.at, self.parallelism
        return dict(zip(THICKNESS, values, strict=True))


@lru_cache(maxsize=64)
def _begun(plate: Plate, margin: float) -> tuple[float, float, float]:
    """Of the plane of a face as it began: mean height over all land [m], slopes inside the margin [1]."""
    return _plane(plate, plate.heights(), margin)


def _plane(plate: Plate, z: Array, margin: float) -> tuple[float, float, float]:
    whole, inside = plane_of(plate, z, 0.0), plane_of(plate, z, margin)
    if whole is None or inside is None:
        return nan, nan, nan
    return whole[0], inside[1], inside[2]


def thickness_of(plate: Plate, z: Array, margin: EdgeMargin, *, whole: bool = True) -> Thickness:
    """Thickness of a body whose face has come to heights `z` from those that it began with.

    Parameters
    ----------
    plate : Plate
        With the thickness, wedge and form that it began with.
    z : array
        (ny, nx) heights of the face as it is, tilt and all [m].
    margin : EdgeMargin
        Left out of the wedge and of the parallelism.
    whole : bool
        With the parallelism, for which the whole map is looked at.

    Returns
    -------
    Thickness

    """
    inset = margin.of(plate.outline)
    then, now = _begun(plate, inset), _plane(plate, z, inset)
    own = plate.wedge.slopes(plate.outline) if plate.wedge is not None else (0.0, 0.0)
    slopes = own[0] + now[1] - then[1], own[1] + now[2] - then[2]
    mean = nan if plate.thickness is None else plate.thickness + now[0] - then[0]
    spread = spread_of(plate, z, inset, (own[0] - then[1], own[1] - then[2])) if whole else nan
    return Thickness(plate.outline, mean, slopes, spread)


def as_thick(plate: Plate, like: Plate) -> Array:
    """Heights of a face as it begins, level with those of another form on a body as thick.

    Parameters
    ----------
    plate : Plate
        With the form that it begins with.
    like : Plate
        Of the same face; from its form thickness is told.

    Returns
    -------
    array
        (ny, nx) [m]; the mean over its land is that of `like`.

    """
    return plate.heights() + (_begun(like, 0.0)[0] - _begun(plate, 0.0)[0])


def beneath(plate: Plate, x: float, y: float) -> float:
    """How thick a body is beneath the nought of its height map, at a place of the face.

    Parameters
    ----------
    plate : Plate
        With the thickness, wedge and form that it began with.
    x, y : float
        From the middle, looking at the face [m].

    Returns
    -------
    float
        [m]; nan where its thickness is not known.

    """
    if plate.thickness is None:
        return nan
    slopes = plate.wedge.slopes(plate.outline) if plate.wedge is not None else (0.0, 0.0)
    return plate.thickness - _begun(plate, 0.0)[0] + slopes[0] * x + slopes[1] * y


def at_size(
    until: Until, pair: Sequence[Plate], heights: Mapping[str, Array], margin: EdgeMargin
) -> bool:
    """Whether every plate of which a thickness or a wedge is asked is as thin and as parallel as that."""
    small = min(pair, key=lambda plate: plate.outline.area)
    plates = {plate.name: plate for plate in pair} | {PART: small}
    for asked, key in ((until.thickness, "mean"), (until.wedge, "wedge")):
        for name, most in asked.items():
            plate = plates[name]
            here = thickness_of(plate, heights[plate.name], margin, whole=False)
            if not getattr(here, key) <= most:
                return False
    return True
