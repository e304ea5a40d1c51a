"""Readings of an entry as what they see of a shop: rows on its vector, and how they scatter together.

A reading is the sum of weight x height over the places that a gauge touches; here the heights are those of
all shapes of a face, not of its three named forms alone, and what no shape tells is scatter that places near
each other share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.book.knowledge import Sight
from lapwright.book.prior import REST
from lapwright.book.shop import DEGREE, Layout
from lapwright.gauges.contacts import Contacts, Placement
from lapwright.gauges.instruments import Gauge
from lapwright.gauges.reading import Reading, model_of
from lapwright.limits import limit_of
from lapwright.modes.basis import PLANES

__all__ = ["joined", "sight_of", "weighed"]

Array = NDArray[np.float64]

ANYTHING = 1e-3  # [m, rad] of what a reading holds that nobody knows: a zero never set, how a plate lies


def sight_of(layout: Layout, readings: Sequence[Reading], gauges: Mapping[str, Gauge]) -> Sight:
    """What readings of one entry see; values as they were read.

    Raises
    ------
    KeyError
        When a reading names a gauge or a plate that is not there.

    """
    rows = np.zeros((len(readings), layout.size))
    touched = [_touched(reading, gauges[reading.gauge], layout) for reading in readings]
    for row, reading, parts in zip(rows, readings, touched, strict=True):
        for plate, contacts in parts:
            shapes = layout.bases[plate].evaluate(contacts.x, contacts.y)[PLANES:]
            row[layout.face(plate)] += shapes @ contacts.weight
        if reading.gauge in layout.gauges:
            row[layout.zero(reading.gauge)] = 1.0
    model = model_of(readings, gauges, layout.plates)
    own = model.repeatability**2 + model.resolution**2 / 12.0 + 0.25 * model.hysteresis**2
    noise = np.diag(own) + ANYTHING**2 * model.unknown @ model.unknown.T
    for i, one in enumerate(touched):
        for j, two in enumerate(touched):
            noise[i, j] += _rest(layout, one, two)
    return Sight(rows, model.value - model.offset, noise)


def weighed(layout: Layout, lost: Mapping[str, float]) -> Sight:
    """What weighing sees: kilograms `lost` by plates in the last spell, told as the depth [m] that is."""
    rows, value, noise = np.zeros((len(lost), layout.size)), [], []
    for row, (name, mass) in zip(rows, lost.items(), strict=True):
        plate = layout.plates[name]
        whole = plate.material.density * plate.land_area
        row[layout.removed(name)] = 1.0
        value.append(mass / whole)
        noise.append(sqrt(2.0) * limit_of("balance") * plate.total_mass / whole)
    return Sight(rows, np.array(value), np.diag(np.square(noise)))


def joined(one: Sight, two: Sight) -> Sight:
    """Both together."""
    n, m = len(one.value), len(two.value)
    noise = np.zeros((n + m, n + m))
    noise[:n, :n], noise[n:, n:] = one.noise, two.noise
    return Sight(np.vstack([one.rows, two.rows]), np.concatenate([one.value, two.value]), noise)


def _touched(reading: Reading, gauge: Gauge, layout: Layout) -> list[tuple[str, Contacts]]:
    """Where a reading touches its plate, and the plate that the gauge was zeroed on (with the other sign)."""
    found = [(reading.plate, gauge.contacts(reading.place, layout.plates[reading.plate].outline))]
    if gauge.zero.on == "plate":
        middle = Placement((0.0, 0.0), reading.angle, reading.along)
        there = gauge.contacts(middle, layout.plates[gauge.zero.plate].outline)
        found.append((gauge.zero.plate, Contacts(there.x, there.y, -there.weight)))
    return found


def _rest(layout: Layout, one: list[tuple[str, Contacts]], two: list[tuple[str, Contacts]]) -> float:
    """Covariance of two readings by what no shape tells: alike within half a wave of the finest shape."""
    total = 0.0
    for plate, a in one:
        for other, b in two:
            if plate == other:
                near = 0.5 * layout.plates[plate].outline.smaller / DEGREE
                apart = (a.x[:, None] - b.x) ** 2 + (a.y[:, None] - b.y) ** 2
                total += REST**2 * float(a.weight @ np.exp(-apart / near**2) @ b.weight)
    return total
