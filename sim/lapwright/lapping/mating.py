"""How badly two faces mate, the top turned over on the bottom, centred, 12 on 12."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.laid import on_face
from lapwright.plate.measure import EdgeMargin, misfit
from lapwright.plate.plate import Plate

__all__ = ["centred", "mating"]

Array = NDArray[np.float64]


def centred(x: Array, y: Array) -> tuple[Array, Array]:
    """Which points of the top's face [m] lie at bench points (x, y), laid centred, 12 on 12."""
    zero = np.zeros(1)
    return on_face(x, y, zero, zero, zero)


def mating(bottom: Plate, z_bottom: Array, top: Plate, z_top: Array, margin: EdgeMargin) -> float:
    """How badly two faces mate [m]: rms of z_bottom + z_top about its plane, centred, 12 on 12.

    Inside the margin of both.  Maps (ny, nx) [m] looking at each face.  Infinite when the two have no land in
    common to tell by.
    """
    return misfit(bottom, z_bottom, top, z_top, margin, centred)
