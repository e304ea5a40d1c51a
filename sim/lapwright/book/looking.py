"""What to read next: which gauge on which plate narrows most what the goal hangs on.

Told by the covariance of all that is known, as if it were normal: a reading y = h x + scatter takes
|F C h|^2 / (h C h + scatter^2) off the variance of the forms F x (A. Gelb, Applied Optimal Estimation, 1974;
from memory).  Zeros of gauges are part of x, so the same gauge set down again tells less.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import radians, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.book.bench import Bench
from lapwright.book.goal import Goal
from lapwright.book.knowledge import Knowledge
from lapwright.book.sight import sight_of
from lapwright.gauges.reading import Reading
from lapwright.gauges.usual import name_on, usual_angles, usual_place
from lapwright.modes.basis import form_names

__all__ = ["ToRead", "all_readings", "to_read"]

Array = NDArray[np.float64]

TELLS = 0.2  # of the variance of a form: what takes less off is not worth a reading
NARROW = 0.5  # of the goal: a form that is known within this needs no reading
WITHIN = 1.96  # standard deviations, for 95 in 100
MOST = 4  # readings asked for at once
ANGLES = 2  # that a gauge is turned to in one round
BESIDE = 1e-6  # [m] that a foot may stand over the edge


@dataclass(frozen=True)
class ToRead:
    """A reading to take, and the `form` (plate, name) of which it tells most.

    That form is known within `now` [m] either way in 95 of 100 shops, and within `then` after it.
    """

    reading: Reading
    form: tuple[str, str]
    now: float
    then: float


def all_readings(bench: Bench) -> tuple[Reading, ...]:
    """One round of all gauges on every plate that they fit, each turned as is usual, twice at most."""
    return tuple(_round(bench))


def _round(bench: Bench) -> Iterator[Reading]:
    plates = bench.layout.plates
    for name, gauge in bench.gauges.items():
        # Usual gauges of several sizes stand on their own plates.
        only = [own for own in plates if name.endswith(name_on("", own))]
        for plate, one in plates.items():
            if name_on(name, plate) in bench.gauges or (only and plate not in only):
                continue
            for angle in usual_angles(gauge, one.outline)[:ANGLES]:
                place = usual_place(gauge, one.outline, angle)
                touched = gauge.contacts(place, one.outline)
                if float(one.outline.signed_distance(touched.x, touched.y).max()) <= BESIDE:
                    yield Reading(name, plate, angle=angle, at=place.at, along=place.along)


def to_read(bench: Bench, known: Knowledge, goal: Goal, taken: Sequence[Reading] = ()) -> tuple[ToRead, ...]:
    """The readings that tell most of the goal, the best first; none where nothing here tells much.

    `taken` of these faces already: they are not asked for again.
    """
    readings = [one for one in _round(bench) if not any(_same(one, old) for old in taken)]
    if not readings:
        return ()
    sights = [sight_of(bench.layout, [reading], bench.gauges) for reading in readings]
    names, most, rows = _forms(bench, goal)
    covariance = known.covariance
    found: list[ToRead] = []
    for _ in range(MOST):
        left = _variances(rows, covariance)
        gains = [_gain(covariance, sight.rows[0], float(sight.noise[0, 0])) for sight in sights]
        tells = [float(np.square(rows @ gain).sum()) for gain in gains]
        best = int(np.argmax(tells))
        told = np.square(rows @ gains[best])
        form = int(np.argmax(told))
        if told[form] < TELLS * left[form] or WITHIN * sqrt(left[form]) < NARROW:
            break
        covariance = covariance - np.outer(gains[best], gains[best])
        now, then = (WITHIN * most[form] * sqrt(v[form]) for v in (left, _variances(rows, covariance)))
        found.append(ToRead(readings[best], names[form], now, then))
    return tuple(found)


def _same(one: Reading, other: Reading) -> bool:
    """Whether a gauge stood, to a degree, as it does in another reading."""
    return (one.gauge, one.plate) == (other.gauge, other.plate) and abs(one.angle - other.angle) < radians(
        1.0
    )


def _forms(bench: Bench, goal: Goal) -> tuple[list[tuple[str, str]], list[float], Array]:
    """What the goal hangs on: (plate, form), how large each may be [m], and rows to it in shares of that.

    Flatness hangs on all three forms of a plate.
    """
    names, most, rows = [], [], []
    for plate in goal.plates:
        own = bench.layout.form_rows(plate)
        spoken = form_names(bench.layout.plates[plate])
        for form, row in zip(spoken, own, strict=True):
            said = {"dome": spoken[0]}
            asked = [size for key, size in goal.reach.items() if said.get(key, key) in (form, "flatness")]
            if asked:
                names.append((plate, form))
                most.append(min(asked))
                rows.append(row / min(asked))
    return names, most, np.stack(rows)


def _gain(covariance: Array, row: Array, noise: float) -> Array:
    """What one reading takes off a covariance is the outer product of this with itself."""
    across = covariance @ row
    gain: Array = across / sqrt(float(row @ across) + noise)
    return gain


def _variances(rows: Array, covariance: Array) -> Array:
    """Variance of each form."""
    each: Array = np.einsum("ni,ij,nj->n", rows, covariance, rows)
    return each
