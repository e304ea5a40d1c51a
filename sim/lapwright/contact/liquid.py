"""What a liquid between flooded faces does to the rocking of the top, and so to dome against dish.

The moment law makes a dome against a dish because the top rocks on the grit as it travels.  Liquid that fills
the gap has to be squeezed out and drawn in for that, so it resists.  `docs/theory.md`, "Liquid between the
faces", has the derivation and what is left out.
"""

from __future__ import annotations

from math import ceil, pi, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.overhang import land_outline
from lapwright.specification.curves import Curve
from lapwright.specification.grooves import Grooves
from lapwright.specification.materials import LIQUIDS
from lapwright.specification.outline import Outline, Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step

Array = NDArray[np.float64]

GAP = 1.0  # of the grain, between faces that lie on the grit; common practice, no source
LEAST_GAP, MOST_GAP = 0.7, 1.5  # of the grain
WAVES = 400  # of the series for a rectangle, which falls off as the fourth power
SQUARE = 0.1405770148  # torsion constant of a square of side 1 (S. Timoshenko, from memory: 0.1406)
PHASES = 256  # a stroke
MOST_PHASES = 1 << 16


class Film(NamedTuple):
    """Liquid between flooded faces under a stroke.

    `radius` [m]: of the ungrooved disc that would resist rocking as much; `gap` [m]; `viscosity` [Pa s];
    `time` [s] in which the top follows the layer, at that gap; `left` share of the drift of dome against dish
    that is left, `least` and `most` of it over the band of the gap.
    """

    radius: float
    gap: float
    viscosity: float
    time: float
    left: float
    least: float
    most: float


def film_of(step: Step, top: Plate, bottom: Plate) -> Film | None:
    """The liquid of a step; None where the faces are not flooded, or nothing travels.

    Parameters
    ----------
    step : Step
    top, bottom : Plate
        As they lie in the step.

    Returns
    -------
    Film or None

    """
    viscosity = LIQUIDS[step.liquid]
    if viscosity == 0.0 or step.curve.half_travel == 0.0:
        return None
    # Liquid stands between both faces only, and drains through the grooves of either.
    radius = min(resisting_radius(top), resisting_radius(bottom))
    size, stiffness = step.grit.size, step.grit.layer.stiffness

    def after(share: float) -> float:
        return relaxation_time(viscosity, radius, stiffness, share * size)

    def left(share: float) -> float:
        return drift_left(step.curve, step.pace, after(share))

    return Film(
        radius, GAP * size, viscosity, after(GAP), left(GAP), left(LEAST_GAP), left(MOST_GAP)
    )


def relaxation_time(viscosity: float, radius: float, stiffness: float, gap: float) -> float:
    """Time in which a rocking disc on a layer under liquid comes to rest, eta R^2 / (2 K H^3) [s].

    Parameters
    ----------
    viscosity : float
        eta [Pa s].
    radius : float
        R [m].
    stiffness : float
        K of the layer [Pa/m].
    gap : float
        H [m].

    Returns
    -------
    float
        [s].  Derived: moment pi eta R^6 / (8 H^3) per rate of tilt (Reynolds' equation) over the layer's
        pi K R^4 / 4 per tilt.

    """
    return viscosity * radius**2 / (2.0 * stiffness * gap**3)


def drift_left(curve: Curve, pace: float, time: float) -> float:
    """Share of the drift of dome against dish that is left where the top's rocking lags by `time` [s].

    The tilt follows the top's centre c as time * c_f' + c_f = c, and the drift is the mean of c . c_f over
    the path in place of that of |c|^2.  1 / (1 + (omega time)^2) for a circle, a line and an ellipse; an
    eight has twice the frequency across.

    Parameters
    ----------
    curve : Curve
        About its middle; a middle that lies off the plate's is not held up.
    pace : float
        [strokes/s].
    time : float
        [s].

    Returns
    -------
    float
        0..1; 1 where nothing travels.

    """
    n = min(PHASES * ceil(curve.period - 1e-9), MOST_PHASES)
    phi = 2.0 * pi * curve.period * np.arange(n) / n
    c, speed = curve.position(phi), np.linalg.norm(curve.velocity(phi), axis=-1)
    whole = float(np.sum(speed * np.sum(c * c, axis=-1)))
    if whole == 0.0:
        return 1.0
    omega = 2.0 * pi * pace / curve.period * np.arange(n // 2 + 1)
    lag = 1.0 / (1.0 + 1j * omega * time)
    late = np.fft.irfft(np.fft.rfft(c, axis=0) * lag[:, None], n, axis=0)
    return float(np.sum(speed * np.sum(c * late, axis=-1))) / whole


def resisting_radius(plate: Plate) -> float:
    """Radius of the ungrooved disc that resists rocking as the land of a plate does, for its area [m].

    Of a disc its own, sqrt((Ro^2 - Ri^2)^2 / (Ro^2 + Ri^2)) of a ring whose bore is open; of a rectangle that
    about the axis about which it resists more.  Between grooves each land only goes up and down as the plate
    rocks (Reynolds' equation over a land, its edges open): square lands of side a, 0.92 a; triangles of
    inscribed radius r, 1.9 r; strips of width w between rings, 1.4 w; liquid leaves by the rim of the plate
    too, so the squares of both radii add as resistances in parallel do.  Between concentric rings on a round
    plate each land rocks as a ring, exactly.  Sectors between radial grooves: a series, the bore left out.

    Parameters
    ----------
    plate : Plate

    Returns
    -------
    float
        [m].

    """
    outline = land_outline(plate)
    whole = _of_outline(outline)
    grooved = plate.grooves is not None and plate.grooves.width > 0.0
    cut = _of_lands(outline, plate.grooves, whole) if plate.grooves and grooved else whole
    return sqrt(2.0 * min(whole, cut))


# Each S [m2] below: the film's moment per rate of tilt over eta/H^3, by the second moment of the land.


def _of_outline(outline: Outline) -> float:
    if isinstance(outline, Rectangle):
        sides = outline.along, outline.across
        return max(_rocking(*sides), _rocking(*sides[::-1]))
    outer, inner = outline.radius**2, 0.25 * outline.bore**2
    return (outer - inner) ** 2 / (2.0 * (outer + inner))


def _rocking(length: float, width: float) -> float:
    """A rectangle that rocks along its `length` [m]: a series of cosines over its `width` [m]."""
    q = pi / width * (2.0 * np.arange(WAVES) + 1.0)
    ql = q * length
    each = (1.0 - 6.0 / np.tanh(0.5 * ql) / ql + 12.0 / ql**2) / q**4
    return float(96.0 / width**2 * np.sum(each))


def _of_lands(outline: Outline, grooves: Grooves, whole: float) -> float:
    if grooves.pattern == "radial":
        # One line of grooves lies where nothing moves while the top rocks along it.
        return whole if grooves.count <= 2 else _of_sectors(outline, grooves)
    if grooves.pattern == "rings" and not isinstance(outline, Rectangle):
        return _of_rings(outline, grooves)
    land = (grooves.pitch - grooves.width) ** 2
    if grooves.pattern == "square":
        land *= 3.0 * SQUARE
    elif grooves.pattern == "triangle":
        land = 1.8 * max(grooves.pitch / 3.0 - 0.5 * grooves.width, 0.0) ** 2
    return land * whole / (land + whole)


def _of_rings(outline: Outline, grooves: Grooves) -> float:
    """Concentric lands, each of which resists rocking as a ring does."""
    inner = 0.5 * outline.bore
    number = np.arange(1, ceil(outline.radius / grooves.pitch) + 1) * grooves.pitch
    ends = np.concatenate([[inner], number + 0.5 * grooves.width])
    begins = np.concatenate([number - 0.5 * grooves.width, [outline.radius]])
    a = np.clip(begins, inner, outline.radius) ** 2
    b = np.clip(ends, inner, outline.radius) ** 2
    a = np.maximum(a, b)
    return float(np.sum((a - b) ** 3) / (2.0 * np.sum(a**2 - b**2)))


def _of_sectors(outline: Outline, grooves: Grooves) -> float:
    """Sectors, each place moved in proportion to its distance from the middle: a series of sines across."""
    radius = 0.5 * max(outline.size)
    # Narrower by a groove as it is seen from the middle at 5/6 of the radius, where most is resisted.
    angle = 2.0 * pi / grooves.count - grooves.width / (5.0 / 6.0 * radius)
    if angle <= 0.0:
        return 0.0
    m = 2.0 * np.arange(WAVES) + 1.0
    return float(64.0 * (radius / pi) ** 2 * np.sum((m * (m * pi / angle + 3.0)) ** -2.0))
