"""Size and wedge of bodies from readings of a micrometer: least squares of a plane, and how sure it is.

Each reading is the thickness at one place.  The plane through them is found by generalised least squares, and
its covariance is that of JCGM 100:2008 (GUM), 5.2 and H.3, with errors common to readings (the zero) in it;
intervals are those of `lapwright.metrology.least_squares`.  The form of the face is not taken off: a dome is
thinner near its rim than on the mean, so size holds for where it was read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import atan2, cos, hypot, log, sin

import numpy as np

from lapwright.metrology.instruments import Gauge, Micrometer
from lapwright.metrology.least_squares import Estimate, FormEstimate, Solver
from lapwright.metrology.reading import Reading, model_of
from lapwright.metrology.thickness import SIDELESS
from lapwright.specification.plate import Plate

PLANE = ("thickness", "along", "across")  # mean, and how it grows along x and y, over the radius
ASIDE = 1e-5  # [rad] to either side, for how a width changes
CHANCE = -2.0 * log(0.05)  # what two normal errors squared pass once in twenty (chi square of two)


@dataclass(frozen=True)
class Measured:
    """What a micrometer says of a body; None: the readings do not fix it.

    `thickness`: the mean [m].  `wedge` [m] over the whole face, `at` where it is thick [rad], looking at the
    face, anticlockwise from 3 o'clock.  `told`: whether there is a wedge, or it may be scatter.
    `stretch`: how many times as wide intervals are made because readings contradict each other; else 1.
    """

    thickness: FormEstimate | None
    wedge: FormEstimate | None = None
    at: FormEstimate | None = None
    told: bool = False
    stretch: float = 1.0

    def told_in_full(self) -> dict[str, dict[str, float] | bool | None]:
        """Size, wedge and where it is thick, with how surely; None of what the readings do not fix."""
        sizes = {"thickness": self.thickness, "wedge": self.wedge, "wedge_at": self.at}
        out: dict[str, dict[str, float] | bool | None] = {
            name: {"value": of.value, "uncertainty": of.uncertainty, "half": of.half}
            if of
            else None
            for name, of in sizes.items()
        }
        return out | {"wedge_told": self.told}


def measured(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], plates: Mapping[str, Plate]
) -> dict[str, Measured]:
    """Size and wedge of every body that a micrometer was on.

    Parameters
    ----------
    readings : sequence of Reading
        Of all gauges; only those of micrometers count here.
    gauges : mapping
        Gauge by name.
    plates : mapping
        Plate by name.

    Returns
    -------
    dict
        Measured by plate, in the order of `readings`.

    Raises
    ------
    KeyError
        When a reading names a gauge or a plate that is not there.

    """
    read = [one for one in readings if isinstance(gauges[one.gauge], Micrometer)]
    names = dict.fromkeys(one.plate for one in read)
    return {
        name: _of(plates[name], [one for one in read if one.plate == name], gauges)
        for name in names
    }


def _of(plate: Plate, read: Sequence[Reading], gauges: Mapping[str, Gauge]) -> Measured:
    """The plane through the readings of one body."""
    name, radius = plate.name, plate.outline.radius
    model = model_of(read, gauges, {name: plate})
    touched = [gauges[one.gauge].contacts(one.place, plate.outline) for one in read]
    at = np.array([(one.x[0], one.y[0]) for one in touched]) / radius
    sessions = [(one.gauge, one.date) for one in read]
    loose = [key for key in dict.fromkeys(sessions) if gauges[key[0]].zero.on == "unknown"]
    unknown = np.array([[float(own == key) for key in loose] for own in sessions])
    model = replace(
        model,
        terms=tuple((name, term) for term in PLANE),
        forms=np.column_stack([np.ones(len(read)), at]),
        unknown=unknown.reshape(len(read), len(loose)),
    )
    found = Estimate(Solver(model), model.value, {})
    # Of scatter known from these few readings only: Student's t and Fisher's F.
    wider, chance = _few(found)
    mean, along, across = (_wider(found.form(name, term), wider) for term in PLANE)
    if along is None or across is None:
        return Measured(mean, stretch=found.stretch)
    by = hypot(along.value, across.value)
    high = atan2(across.value, along.value)
    width = plate.outline.width_along
    broad, broader = width(high), (width(high + ASIDE) - width(high - ASIDE)) / (2.0 * ASIDE)
    c, s = cos(high), sin(high)
    # The width grows or shrinks with the direction, too: of rectangles as much as the wedge itself.
    weights = {(name, "along"): c * broad - s * broader, (name, "across"): s * broad + c * broader}
    one = _wider(found.combination({term: w / radius for term, w in weights.items()}), wider)
    side = _wider(found.combination({(name, "along"): -s, (name, "across"): c}), wider)
    if one is None or side is None:
        return Measured(mean, stretch=found.stretch)
    wedge = FormEstimate(by * broad / radius, one.uncertainty, one.half)
    if wedge.value < SIDELESS:
        return Measured(mean, wedge, stretch=found.stretch)
    turned = FormEstimate(high, side.uncertainty / by, side.half / by)
    slopes = np.array([along.value, across.value])
    doubt = found.solver.covariance()[1:, 1:] * found.stretch**2
    sure = float(slopes @ np.linalg.solve(doubt, slopes)) > chance
    return Measured(mean, wedge, turned, sure and wedge.told, found.stretch)


def _few(found: Estimate) -> tuple[float, float]:
    """How many times as wide intervals are where few readings tell the scatter, and CHANCE for these.

    Student's t (GUM, JCGM 100:2008, G.3.2) and Fisher's F; 1 and CHANCE of scatter that was said.
    """
    if found.stretch == 1.0:
        return 1.0, CHANCE
    from scipy.special import fdtri, ndtri, stdtrit

    free = found.solver.misfit(found.value)[1]
    return float(stdtrit(free, 0.975) / ndtri(0.975)), float(2.0 * fdtri(2, free, 0.95))


def _wider(one: FormEstimate | None, times: float) -> FormEstimate | None:
    return None if one is None else replace(one, half=one.half * times)
