"""What the grit leaves on a face beside its form: what a ball reads of it, and what no gauge tells.

A form is a mean over the whole face, so it does not vanish behind the finish: it is measured through it.
What cannot be told is what the gauge in hand cannot: `unsure_below` is the one limit for that remark.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import hypot, log, pi, sqrt

import numpy as np

from lapwright.limits import limit_of
from lapwright.metrology.budget import ratios
from lapwright.metrology.fringes import too_grey
from lapwright.metrology.instruments import Gauge, Micrometer, OpticalFlat, RepeatReading
from lapwright.metrology.reading import usual_of, usual_place
from lapwright.specification.plate import Plate

BALL = 1.5e-3  # [m]: radius of a usual tip, 3 mm or 1/8 in across (common practice, no source)
TO_HIGH_AND_LOW = (
    6.0  # standard deviations from the lowest to the highest of a ground face (as of chance)
)
FEWEST = 3.0  # grains under a ball
NOTHING = 1e-3  # of a form: a gauge that shows less of it does not see it
PLACES = (
    4.0  # of which the mean is taken, the gauge turned by quarters (common practice, no source)
)
SURE = 2.0  # standard deviations: a reading is off by more in one of twenty cases


def height_of(grit: float) -> float:
    """How far the finish goes up and down [m] that loose grit of a size [m] leaves: a tenth of the grain."""
    return limit_of("finish") * grit


def deviation_of(grit: float) -> float:
    """The standard deviation of the same [m]."""
    return height_of(grit) / TO_HIGH_AND_LOW


def scatter_of(grit: float, ball: float = BALL) -> float:
    """Standard deviation [m] of what a ball of radius `ball` [m] reads, from place to place, of the finish.

    It rides on the highest of the marks that it reaches, a grain apart: those within sqrt(2 ball deviation)
    of its middle.  The highest of n heights by chance scatters by pi/sqrt(6) of their deviation over
    sqrt(2 ln n): E. J. Gumbel, Statistics of Extremes (1958), section 5.2 (from memory).

    Parameters
    ----------
    grit
        Size of the last grit [m].
    ball
        Radius of the tip [m]; 0 for a point, which reads the whole of it.

    Returns
    -------
    float
        It falls with the number of places that are read, as one over its root.

    """
    if grit <= 0.0:
        return 0.0
    grains = max(pi * 2.0 * ball * deviation_of(grit) / grit**2, FEWEST)
    return deviation_of(grit) * min(pi / sqrt(6.0) / sqrt(2.0 * log(grains)), 1.0)


def blinded(gauge: Gauge, grit: float | None) -> bool:
    """Whether the finish off a grit [m] (None: not known) takes from a gauge all that it would show.

    The one rule on grey faces: an optical flat shows no bands there, so no limit counts on them.
    """
    return isinstance(gauge, OpticalFlat) and too_grey(grit)


def rough_of(gauge: Gauge, grit: float | None) -> float:
    """Standard deviation [m] that the finish off a grit [m] (None: not known) adds under one foot of a gauge.

    Bands are as ragged as the finish; a ball rides on it.
    """
    if grit is None or gauge.angular:
        return 0.0
    if isinstance(gauge, OpticalFlat):
        return deviation_of(grit)
    return scatter_of(grit, gauge.ball or BALL)


def unsure_below(plate: Plate, gauges: Iterable[Gauge] = (), grit: float | None = None) -> float:
    """The least dome or bow [m] of which readings tell the side, by the best gauge there is.

    Parameters
    ----------
    plate
        What is read.
    gauges
        Those of the study; where none of them sees a dome, the usual ones of that size.
    grit
        What the plate was lapped with last [m]: its finish adds to what a ball reads, and under an optical
        flat nothing is seen where it is too grey.  None: not known.

    Returns
    -------
    float
        Twice the standard uncertainty of the mean of four readings (their scatter, step and lag, and the
        finish; of one look at bands), over what the gauge shows of the form.

    """
    own = _least(plate, gauges, grit)
    return own if own is not None else _least(plate, usual_of(plate).values(), grit) or 0.0


def _least(plate: Plate, gauges: Iterable[Gauge], grit: float | None) -> float | None:
    """The same by these gauges; None where none of them sees a dome."""
    found = []
    for gauge in gauges:
        flat = isinstance(gauge, OpticalFlat)
        of_no_dome = gauge.angular or isinstance(gauge, Micrometer | RepeatReading)
        if of_no_dome or blinded(gauge, grit):
            continue
        place = usual_place(gauge, plate.outline, 0.0)
        seen = abs(next(iter(ratios(gauge, plate, place).values())))
        if seen < NOTHING:
            continue
        feet = 1.0 if flat else np.sqrt((gauge.contacts(place, plate.outline).weight ** 2).sum())
        rough = float(feet) * rough_of(gauge, grit)
        by_chance = hypot(gauge.repeatability, rough) / (1.0 if flat else sqrt(PLACES))
        own = hypot(by_chance, gauge.resolution / sqrt(12.0), 0.5 * gauge.hysteresis)
        found.append(SURE * own / seen)
    return min(found, default=None)
