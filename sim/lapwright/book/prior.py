"""What is believed before anything is read: one normal distribution over all quantities of a shop.

Bands are those of `limits` and of the study: a wear constant that nobody weighed lies within a band of ten
in 95 of 100 shops, a layer between 0.02 and 0.15 of its grit.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.book.shop import Layout
from lapwright.gauges.instruments import Gauge
from lapwright.lapping.step import Grit
from lapwright.limits import BAND, SCATTER
from lapwright.modes.basis import PLANES, form_names

__all__ = ["DAY", "REST", "Given", "prior_of", "zero_error"]

Array = NDArray[np.float64]

NORMAL = 1.959964  # half width of the middle 95 % of a normal distribution, in standard deviations
DAY = 0.15  # of the cut, from day to day (common practice, no source)
ALIKE = 0.7  # correlation of wear factors between grits, and between metals (common practice, no source)
LAYER = (0.4, 3.0)  # of what is usual, 0.05 of the grit: 0.02 to 0.15 of it (common practice, no source)
LAYER_GIVEN = 1.2  # times or divided by, where a depth was given
FORM = 1e-6  # [m] a form that was neither typed nor read lies within this
TYPED = (0.1, 0.1e-6)  # a typed one within this share, and never better than so many metres
FINER = 0.1e-6  # [m] rms of all shapes from degree 3 on together
REST = 30e-9  # [m] rms of what no shape of the basis tells
LEAST = 1e-12


@dataclass(frozen=True)
class Given:
    """What a study says: `forms` typed by plate and name, grits whose `wear` or `layer` was given.

    `form` [m]: within what a form lies that nobody typed or read.
    """

    forms: frozenset[tuple[str, str]] = frozenset()
    wear: frozenset[str] = frozenset()
    layer: frozenset[str] = frozenset()
    form: float = FORM


def zero_error(gauge: Gauge) -> float:
    """Standard uncertainty of a gauge's zero [m, rad]: as given, or of the one reading that set it."""
    own = sqrt(gauge.repeatability**2 + gauge.resolution**2 / 12.0 + 0.25 * gauge.hysteresis**2)
    return gauge.zero_error or own


def prior_of(
    layout: Layout, grits: dict[str, Grit], gauges: dict[str, Gauge], given: Given = Given()
) -> tuple[Array, Array]:
    """Mean (size,) and covariance (size, size) of a shop."""
    mean, cov = np.zeros(layout.size), np.zeros((layout.size, layout.size))
    for name in layout.plates:
        _face(layout, name, given, mean, cov)
    for one in layout.wears:
        for two in layout.wears:
            alike = ALIKE ** ((one[0] != two[0]) + (one[1] != two[1]))
            sizes = [log(SCATTER if grit in given.wear else BAND) / NORMAL for grit, _ in (one, two)]
            cov[layout.wear(*one), layout.wear(*two)] = alike * sizes[0] * sizes[1]
    for grit in layout.layers:
        at = layout.layer(grit)
        if grit in given.layer:
            cov[at, at] = (log(LAYER_GIVEN) / NORMAL) ** 2
        else:
            low, high = (log(end) for end in LAYER)
            mean[at] = 0.5 * (low + high)
            cov[at, at] = (0.5 * (high - low) / NORMAL) ** 2
    for name in layout.gauges:
        at = layout.zero(name)
        cov[at, at] = max(zero_error(gauges[name]), LEAST) ** 2
    cov[layout.day, layout.day] = DAY**2
    return mean, cov


def _face(layout: Layout, name: str, given: Given, mean: Array, cov: Array) -> None:
    """A face as typed, with what is not known of it."""
    plate, basis, own = layout.plates[name], layout.bases[name], layout.face(name)
    mean[own] = basis.start(plate)[PLANES:]
    at, back = layout.quadratic(name)
    sizes = []
    for form in form_names(plate):
        typed = (name, form) in given.forms
        share, floor = TYPED
        within = max(share * abs(getattr(plate.form, form)), floor) if typed else given.form
        sizes.append(within / sqrt(3.0))  # evenly spread so far either way, as `compare --samples` draws
    cov[np.ix_(at, at)] = back @ np.diag(np.square(sizes)) @ back.T
    finer = np.arange(own.start + 3, own.stop)
    falls = 1.0 / basis.degrees[PLANES + 3 :].astype(float) ** 2
    cov[finer, finer] = FINER**2 * falls / falls.sum()
