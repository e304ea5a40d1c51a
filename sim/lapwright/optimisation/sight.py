"""Readings as what they see of a shop, and what to read next.

Readings of an entry as what they see of a shop: rows on its vector, and how they scatter together.

A reading is the sum of weight x height over the places that a gauge touches; here the heights are those of
all shapes of a face, not of its three named forms alone, and what no shape tells is scatter that places near
each other share.

What to read next: which gauge on which plate narrows most what the goal hangs on.

Told by the covariance of all that is known, as if it were normal: a reading y = h x + scatter takes
|F C h|^2 / (h C h + scatter^2) off the variance of the forms F x (A. Gelb, Applied Optimal Estimation, 1974;
from memory).  Zeros of gauges are part of x, so the same gauge set down again tells less.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import radians, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.limits import limit_of
from lapwright.metrology.budget import never_seen
from lapwright.metrology.contacts import Contacts, Placement
from lapwright.metrology.instruments import Gauge, Micrometer
from lapwright.metrology.reading import (
    Reading,
    model_of,
    name_on,
    usual_angles,
    usual_of,
    usual_place,
)
from lapwright.modal.basis import PLANES, form_names
from lapwright.optimisation.bench import Bench, Target
from lapwright.optimisation.shop import DEGREE, REST, Knowledge, Layout, Sight
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]

ANYTHING = (
    1e-3  # [m, rad] of what a reading holds that nobody knows: a zero never set, how a plate lies
)


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
    # How thick a body is hangs on what was known beforehand, not on its shapes.
    thick = [_nominal(reading, gauges, layout.plates) for reading in readings]
    return Sight(rows, model.value - model.offset - np.array(thick), noise)


def _nominal(reading: Reading, gauges: Mapping[str, Gauge], plates: Mapping[str, Plate]) -> float:
    """Of a micrometer's reading how thick its body came [m], or as it is read where that is not known."""
    if not isinstance(gauges[reading.gauge], Micrometer):
        return 0.0
    return plates[reading.plate].thickness or reading.value


def weighed(layout: Layout, lost: Mapping[str, float]) -> Sight:
    """What weighing sees: kilograms `lost` by plates in the last spell, told as the depth [m] that is."""
    rows, value, noise = np.zeros((len(lost), layout.size)), [], []
    for row, (name, mass) in zip(rows, lost.items(), strict=True):
        plate = layout.plates[name]
        whole = plate.mass_per_depth
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


def _rest(
    layout: Layout, one: list[tuple[str, Contacts]], two: list[tuple[str, Contacts]]
) -> float:
    """Covariance of two readings by what no shape tells: alike within half a wave of the finest shape."""
    total = 0.0
    for plate, a in one:
        for other, b in two:
            if plate == other:
                near = 0.5 * layout.plates[plate].outline.smaller / DEGREE
                apart = (a.x[:, None] - b.x) ** 2 + (a.y[:, None] - b.y) ** 2
                total += REST**2 * float(a.weight @ np.exp(-apart / near**2) @ b.weight)
    return total


TELLS = 0.2  # of the variance of a form: what takes less off is not worth a reading
NARROW = 0.5  # of the goal: a form that is known within this needs no reading
WITHIN = 1.96  # standard deviations, for 95 in 100
MOST = 4  # readings asked for at once
QUARTER = radians(90.0)
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


def habit_of(bench: Bench, taken: Sequence[Reading]) -> tuple[Reading, ...]:
    """What is read after a spell: as it was last time, if that told of every plate; else a round of all."""
    round_ = all_readings(bench)
    own = {(one.gauge, one.plate) for one in taken}
    found = tuple(one for one in round_ if (one.gauge, one.plate) in own)
    told = {one.plate for one in found}
    return found if told == {one.plate for one in round_} else round_


def turned(bench: Bench, readings: Sequence[Reading]) -> tuple[Reading, ...]:
    """The same readings with each gauge a quarter turn on, where it fits so: of twists zeros cancel.

    What is set down again as it stood rounds to the same division and tells nothing new.
    """
    found = []
    for one in readings:
        outline, gauge = bench.layout.plates[one.plate].outline, bench.gauges[one.gauge]
        angle = one.angle + QUARTER
        place = usual_place(gauge, outline, angle)
        touched = gauge.contacts(place, outline)
        fits = float(outline.signed_distance(touched.x, touched.y).max()) <= BESIDE
        found.append(replace(one, angle=angle, at=place.at, along=place.along) if fits else one)
    return tuple(found)


def to_read(
    bench: Bench,
    known: Knowledge,
    goal: Target,
    taken: Sequence[Reading] = (),
    among: Sequence[Reading] | None = None,
) -> tuple[ToRead, ...]:
    """The readings that tell most of the goal, the best first; none where nothing here tells much.

    Of a form that is larger than the goal for sure, on a side that is known, no reading would change what is
    lapped: these count for nothing.  `taken` of these faces already: they are not asked for again.
    `among`: all of these are told, in that order, however little they tell.
    """
    whole = among is not None
    asked = _round(bench) if among is None else among
    readings = [one for one in asked if not any(same(one, old) for old in taken)]
    names, most, rows = _forms(bench, goal)
    covariance = known.covariance
    within = WITHIN * np.sqrt(_variances(rows, covariance))
    open_ = (within >= NARROW) & (np.abs(rows @ known.centre) - within < 1.0)
    sights = [sight_of(bench.layout, [reading], bench.gauges) for reading in readings]
    found: list[ToRead] = []
    order: list[int] = []
    while len(found) < (len(readings) if whole else MOST):
        left = _variances(rows, covariance)
        wanted = whole | (open_ & (WITHIN * np.sqrt(left) >= NARROW))
        gains = [_gain(covariance, sight.rows[0], float(sight.noise[0, 0])) for sight in sights]
        told = [np.where(wanted, np.square(rows @ gain), 0.0) for gain in gains]
        worth = [each.sum() * (whole or bool((each > TELLS * left).any())) for each in told]
        worth = [size * (k not in order) for k, size in enumerate(worth)]
        if not any(worth):
            break
        order.append(best := int(np.argmax(worth)))
        form = int(np.argmax(told[best]))
        covariance = covariance - np.outer(gains[best], gains[best])
        now, then = (
            WITHIN * most[form] * sqrt(v[form]) for v in (left, _variances(rows, covariance))
        )
        found.append(ToRead(readings[best], names[form], now, then))
    return tuple(found)


def unseen(
    bench: Bench, known: Knowledge, goal: Target, taken: Sequence[Reading] = ()
) -> dict[tuple[str, str], str]:
    """What the goal hangs on, (plate, form), that no gauge here tells anything of, and the kind that would.

    What is known well enough as it is needs no gauge; a whole table, among what was `taken`, tells all.
    """
    plates = bench.layout.plates
    names, _, rows = _forms(bench, goal)
    wide = WITHIN * np.sqrt(_variances(rows, known.covariance)) >= NARROW
    here = {(one.gauge, one.plate) for one in _round(bench)}
    blind = [(plate, never_seen(bench.gauges[gauge], plates[plate])) for gauge, plate in here]
    whole = {one.plate for one in taken if one.table}
    found = {}
    for (plate, form), open_ in zip(names, wide, strict=True):
        seen = any(own == plate and form not in never for own, never in blind)
        if open_ and not seen and plate not in whole:
            usual = usual_of(plates[plate]).values()
            found[plate, form] = next(
                (one.kind for one in usual if form not in never_seen(one, plates[plate])), ""
            )
    return found


def same(one: Reading, other: Reading) -> bool:
    """Whether a gauge stood, to a degree, as it does in another reading."""
    return (one.gauge, one.plate) == (other.gauge, other.plate) and abs(
        one.angle - other.angle
    ) < radians(1.0)


def _forms(bench: Bench, goal: Target) -> tuple[list[tuple[str, str]], list[float], Array]:
    """What the goal hangs on: (plate, form), how large each may be [m], and rows to it in shares of that.

    Flatness and mating hang on all three forms of a plate.
    """
    names, most, rows = [], [], []
    for plate, one in bench.layout.plates.items():
        own = bench.layout.form_rows(plate)
        spoken = form_names(one)
        for form, row in zip(spoken, own, strict=True):
            ways = {form, "flatness", "mating"} | (
                {"dome", "difference"} if form == spoken[0] else set()
            )
            asked = [
                one.limit
                for one in goal.asked
                if one.form in ways
                and (one.plate == plate or (not one.plate and plate in goal.pair))
            ]
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
