"""Interference bands under an optical flat, as arrays and as numbers.

Two beams, from the flat's face and from the plate's, half a wave apart at contact: dark where the gap is a
whole number of half waves.  One band is half a wave of height (checked against Newton's rings).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from itertools import pairwise
from math import pi
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.contacts import Face, Placement, distance_to_land
from lapwright.metrology.instruments import OpticalFlat
from lapwright.specification.outline import Outline
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]

FINEST_GRIT = (
    5e-6  # [m]: loose grit above this leaves a face too grey for bands (common practice, no source)
)
LOOKED = 240  # squares across a flat in which land is looked for


def too_grey(grit: float | None) -> bool:
    """Whether the grit [m] that lapped a face last leaves it too grey to show bands; None: not known."""
    return grit is not None and grit > FINEST_GRIT * (1.0 + 1e-9)  # as typed, whatever rounding did


def over_the_bore(flat: OpticalFlat, outline: Outline, at: tuple[float, float]) -> bool:
    """Whether a flat with its middle `at` (x, y) [m] lies over the bore of a ring: bands count from there."""
    return flat.diameter > outline.bore > 2.0 * float(np.hypot(*at))


def lies_on_land(plate: Plate, flat: OpticalFlat, at: tuple[float, float] = (0.0, 0.0)) -> bool:
    """Whether there is land under a flat with its middle `at` (x, y) [m]: none where a bore takes it whole.

    Parameters
    ----------
    plate
        Its outline and grooves count.
    flat
        Its diameter counts.
    at
        Middle of the flat on the face [m].

    Returns
    -------
    bool
        False too where the flat lies beside the plate.

    """
    return bool(_under(plate, flat, at, LOOKED)[2].any())


def brightness(gap: Array, wavelength: float) -> Array:
    """How bright, 0 to 1, where a gap [m] of the same shape is seen from above: dark at contact."""
    return np.asarray(np.sin(2.0 * pi * np.asarray(gap) / wavelength) ** 2)


@dataclass(frozen=True, eq=False)
class Fringes:
    """What is seen under a flat: `light` (ny, nx) 0..1, NaN where nothing shows; `gap` (ny, nx) [m].

    `x`, `y` [m] are the places of columns and rows, looking at the face.  `bands` is how many bands of
    curvature lie between the middle and the ends, + for a dome, and `straightness` the bow of the middle
    band in spacings (None without a wedge).
    """

    x: Array
    y: Array
    light: Array
    gap: Array
    bands: float
    straightness: float | None
    at: tuple[float, float]  # middle of the flat on the face [m]


def gap_under(face: Face, flat: OpticalFlat, x: Array, y: Array, at: tuple[float, float]) -> Array:
    """Gap [m] between flat and face at points, up to a height: the wedge opens towards its direction."""
    u, v = x - at[0], y - at[1]
    wedge = flat.wedge * (u * np.cos(flat.wedge_direction) + v * np.sin(flat.wedge_direction))
    bulge = flat.own * (1.0 - (u * u + v * v) / (0.5 * flat.diameter) ** 2)
    return np.asarray(wedge - np.asarray(face.at(x, y)) - bulge)


def fringes(
    face: Face, flat: OpticalFlat, at: tuple[float, float] = (0.0, 0.0), pixels: int = 480
) -> Fringes:
    """What is seen when the flat lies on a face with its middle `at` (x, y) [m].

    It touches where the gap is least.  Squares of `pixels` across the flat, or the plate where that is
    smaller.

    Parameters
    ----------
    face
        A mapped or a shaped face, so any plate at any time.
    flat
        Diameter, wavelength, wedge and own bulge.
    at
        Middle of the flat on the face [m].
    pixels
        Across the picture.

    Raises
    ------
    ValueError
        When there is no land under the flat.

    """
    x, y, there = _under(face.plate, flat, at, pixels)
    if not there.any():
        raise ValueError("there is no land under the flat")
    gx, gy = np.meshgrid(x, y)
    gap = np.full(gx.shape, np.nan)
    gap[there] = gap_under(face, flat, gx[there], gy[there], at)
    return _seen(face, flat, at, x, y, gap)


def _under(
    plate: Plate, flat: OpticalFlat, at: tuple[float, float], pixels: int
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Places of columns and rows of squares across a flat [m], and which of these are land under it."""
    half = [
        0.5 * min(flat.diameter, side + 2.0 * abs(a))
        for side, a in zip(plate.outline.size, at, strict=True)
    ]
    cell = 2.0 * max(half) / pixels
    counts = [max(2, round(2.0 * h / cell)) for h in half]
    x, y = (
        np.asarray(a + (np.arange(n) - 0.5 * (n - 1)) * cell)
        for n, a in zip(counts, at, strict=True)
    )
    gx, gy = np.meshgrid(x, y)
    there = np.hypot(gx - at[0], gy - at[1]) <= 0.5 * flat.diameter
    there &= distance_to_land(plate, gx, gy) <= 0.0
    return x, y, there


def tilted(seen: Fringes, face: Face, flat: OpticalFlat, wedge: float) -> Fringes:
    """What is seen of the same face once the `flat` lies at the same place with a `wedge` [rad] more."""
    gx, gy = np.meshgrid(seen.x - seen.at[0], seen.y - seen.at[1])
    rise = wedge * (gx * np.cos(flat.wedge_direction) + gy * np.sin(flat.wedge_direction))
    return _seen(
        face, replace(flat, wedge=flat.wedge + wedge), seen.at, seen.x, seen.y, seen.gap + rise
    )


def _seen(
    face: Face, flat: OpticalFlat, at: tuple[float, float], x: Array, y: Array, gap: Array
) -> Fringes:
    """What is seen of a gap that is known up to a height; NaN where nothing shows."""
    there = np.isfinite(gap)
    gap = gap - gap[there].min()
    light = np.full(gap.shape, np.nan)
    light[there] = brightness(gap[there], flat.wavelength)
    across = flat.wedge_direction + 0.5 * pi
    curved = Bands(face, flat, at).along(across)
    return Fringes(x, y, light, gap, curved, bow(face, flat, at), at)


@dataclass(frozen=True, eq=False)
class Bands:
    """Counts bands of curvature under a flat without its wedge."""

    face: Face
    flat: OpticalFlat
    at: tuple[float, float] = (0.0, 0.0)

    def along(self, angle: float) -> float:
        """Bands from the middle to the ends of a diameter [rad]: their mean, + for a dome."""
        place = Placement(self.at, angle)
        outline = self.face.plate.outline
        contacts = self.flat.contacts(place, outline)
        height = contacts.of(self.face.at) + self.flat.own_share(place, outline)
        return height / self.flat.band


def straightness(face: Face, flat: OpticalFlat, at: tuple[float, float] = (0.0, 0.0)) -> float:
    """How far the band through the middle bows from a straightedge laid on its ends, in spacings of bands.

    + when the ends point to the thin side of the wedge, as on a dome.  The band runs across the wedge along a
    diameter of the flat, over what land there is; the largest departure counts.  This is what a wedge shows
    that is steep beside the face's own slopes; under a slight one the spacing itself changes along the bow.

    Raises
    ------
    ValueError
        Without a wedge there are no straight bands to look at; nor without land under the line.

    """
    if not flat.wedge > 0.0:
        raise ValueError("straightness of a band needs a wedge")
    across = Placement(at, flat.wedge_direction + 0.5 * pi)
    contacts = flat.contacts(across, face.plate.outline)
    reach = float(np.hypot(contacts.x[2] - at[0], contacts.y[2] - at[1]))
    t = np.linspace(-reach, reach, 401)
    x, y = at[0] + t * np.cos(across.angle), at[1] + t * np.sin(across.angle)
    on = distance_to_land(face.plate, x, y) <= 1e-9
    if np.count_nonzero(on) < 3:
        raise ValueError("there is no land under the band")
    t = t[on]
    # Where the gap is as in the middle: the wedge makes up for what the face lies higher there.
    rise = -gap_under(face, replace(flat, wedge=0.0), x[on], y[on], at) / flat.band
    chord = rise[0] + (rise[-1] - rise[0]) * (t - t[0]) / (t[-1] - t[0])
    off = rise - chord
    return float(off[np.argmax(np.abs(off))])


def bow(face: Face, flat: OpticalFlat, at: tuple[float, float] = (0.0, 0.0)) -> float | None:
    """The same, or None where nobody sees it: without a wedge, or where the band runs along a groove."""
    try:
        return straightness(face, flat, at) if flat.wedge > 0.0 else None
    except ValueError:
        return None


def bands_along(light: Array) -> float:
    """How many bands a line of brightness (n,) crosses, fractions at both ends counted.

    Brightness tells the gap only folded, up and down between one dark line and the next bright one.  From
    place to place the gap may have gone straight on or round a fold: what is nearest to the step before.
    """
    seen = np.asarray(light)[np.isfinite(light)]
    folded = np.arccos(np.clip(1.0 - 2.0 * seen, -1.0, 1.0))
    total = step = float(abs(folded[1] - folded[0])) if len(folded) > 1 else 0.0
    for here, there in pairwise(folded[1:]):
        ways = (abs(there - here), here + there, 2.0 * pi - here - there)
        step = float(min(ways, key=partial(_apart, step)))
        total += step
    return total / (2.0 * pi)


def _apart(one: float, other: float) -> float:
    return abs(one - other)


def dome_by_press(rings_move: Literal["towards", "away"]) -> bool:
    """Whether a face is a dome, from a light press on the flat's edge.

    Pressing closes the wedge under the finger.  The rings' middle, where the gap is least (dome) or largest
    (dish), moves towards the finger on a dome and away from it in a dish.
    """
    return rings_move == "towards"


def dome_by_wedge(ends_point_to: Literal["thin", "open"]) -> bool:
    """Whether a face is a dome, from bands under a wedge: the ends of a band point to its thin side."""
    return ends_point_to == "thin"
