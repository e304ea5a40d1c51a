"""How both faces of a pair bend while the pressure between them is even, tilted as far as its line asks.

So it is once faces mate; it says how far bodies bend, and how many powers it takes to say so.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.bending import DEGREE, Elastic
from lapwright.specification.plate import Plate
from lapwright.specification.step import Load

POINTS = 21  # across a face
FINE = 12  # degree beside which others are judged, and the highest
NEAR = 0.08  # of the largest bend: powers are enough from here on

Array = NDArray[np.float64]
Places = tuple[tuple[float, float], ...]


def points_of(plate: Plate) -> tuple[Array, Array]:
    """Points of a face, evenly spread.

    Parameters
    ----------
    plate : Plate

    Returns
    -------
    x, y : Array
        (n,) [m]

    """
    width, height = plate.outline.size
    nx, ny = (max(5, round(POINTS * side / max(width, height))) for side in (width, height))
    x, y = np.meshgrid(
        ((np.arange(nx) + 0.5) / nx - 0.5) * width, ((np.arange(ny) + 0.5) / ny - 0.5) * height
    )
    on = plate.outline.signed_distance(x, y) <= 0.0
    return x[on], y[on]


def bent_faces(
    top: Plate, bottom: Plate, load: Load, places: Places, degree: int
) -> tuple[Array, Array]:
    """How both faces bend in each place, their own warmth left out.

    As seen from above, nothing turned: outlines are their own mirror images.

    Parameters
    ----------
    top, bottom : Plate
    load : Load
        Of the hand.
    places : tuple of (float, float)
        Of the top's centre on the bottom [m].
    degree : int
        Of the polynomials.

    Returns
    -------
    top, bottom : Array
        Heights (k, n) [m] at `points_of` each.

    """
    above, below = Elastic(top, degree), Elastic(bottom, degree)
    on_feet = None if bottom.feet is None else below.on(np.array(bottom.feet))
    force = load.force
    palms = [force * (p.share or 0.0) * above.pressed(p.at, p.size) for p in load.hands]
    pushed = above.weight + (np.sum(palms, axis=0) if palms else force * above.even)
    (xt, yt), (xb, yb) = points_of(top), points_of(bottom)
    tops, bottoms = [np.zeros(xt.size)], [np.zeros(xb.size)]
    for cx, cy in places:
        on = bottom.outline.signed_distance(xt + cx, yt + cy) <= 0.0
        if np.count_nonzero(on) < 3:
            continue
        share = _balanced(xt[on], yt[on], top.weight + force, load)
        work = above.pressed_many(xt[on], yt[on]) @ share
        tops.append(above.heights(above.compliance @ (pushed - work), xt, yt))
        if on_feet is not None:
            work = below.pressed_many(xt[on] + cx, yt[on] + cy) @ share
            bottoms.append(below.heights(on_feet @ -(work + below.weight), xb, yb))
    return np.array(tops), np.array(bottoms)


def _balanced(x: Array, y: Array, total: float, load: Load) -> Array:
    """Forces [N] at points, linear over them, that carry the load where it acts."""
    linear = np.stack([np.ones(x.size), x, y])
    asked = np.array([total, load.force * load.at[0], load.force * load.at[1]])
    share: Array = linear.T @ np.linalg.lstsq(linear @ linear.T, asked, rcond=1e-12)[0]
    return share


@lru_cache(maxsize=64)
def enough(top: Plate, bottom: Plate, load: Load, places: Places) -> int:
    """Degree from which more powers change the bend of both faces by less than a share `NEAR` of it.

    Parameters
    ----------
    top, bottom : Plate
    load : Load
        Of the hand.
    places : tuple of (float, float)
        Of the top's centre on the bottom [m].

    Returns
    -------
    int
        Even, `DEGREE` to `FINE`.

    """
    fine = bent_faces(top, bottom, load, places, FINE)
    largest = max(float(np.ptp(one, axis=1).max()) for one in fine)
    for degree in range(DEGREE, FINE, 2):
        rough = bent_faces(top, bottom, load, places, degree)
        off = max(float(np.ptp(a - b, axis=1).max()) for a, b in zip(fine, rough, strict=True))
        if off <= NEAR * largest:
            return degree
    return FINE
