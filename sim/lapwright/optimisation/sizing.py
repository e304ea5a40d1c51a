"""A part that is lapped to a size, in the book of its pair: how thick it is, what is left, where to press.

Micrometers tell it: readings of the study, of the part as it comes, and those of the log.  What was lapped
since is not known any more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.limits import limit_of
from lapwright.metrology.instruments import Micrometer
from lapwright.metrology.micrometer import Measured, measured
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import PLANES
from lapwright.optimisation.bench import Bench
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.shop import Knowledge, Sight
from lapwright.specification.step import Step
from lapwright.study.model import Study
from lapwright.study.sizes import load_as_measured, sizes_of

Array = NDArray[np.float64]

SURE = 1.2816  # standard deviations, for nine in ten to one side


@dataclass(frozen=True)
class Sizing:
    """Sizes of the plates of a study, as far as its readings and its log tell.

    `found`: size and wedge of each plate that a micrometer was on since it was last lapped.  `lapped`: plates
    that were lapped at all.  `readings`: those that `found` is told by, and others since then.
    """

    study: Study
    found: Mapping[str, Measured]
    lapped: frozenset[str]
    readings: tuple[Reading, ...] = ()

    @cached_property
    def left(self) -> dict[str, float]:
        """Metal left to take to size [m] by plate; below nought, taken too far.

        Of a plate that was not measured and not lapped yet, by the thickness that was typed.
        """
        asked, left = sizes_of(self.study), {}
        for name, size in asked.items():
            one, typed = self.found.get(name), self.study.plates[name].thickness
            thick = one.thickness.value if one is not None and one.thickness is not None else None
            if thick is None and name not in self.lapped:
                thick = typed
            if size.thickness is not None and thick is not None:
                left[name] = thick - size.thickness
        return left

    @property
    def metal(self) -> dict[str, float]:
        """Most that a spell may take off each plate [m]: what is left to size, or as much as its wedge is."""
        wedged = {name: by for name in self.wedged if (by := self._wedge(name)) is not None}
        return wedged | {name: size - SURE * self._doubt(name) for name, size in self.left.items()}

    def _doubt(self, name: str) -> float:
        """Of a thickness as it was measured, one standard deviation [m]."""
        one = self.found.get(name)
        return 0.0 if one is None or one.thickness is None else one.thickness.uncertainty

    @cached_property
    def unmeasured(self) -> tuple[str, ...]:
        """Plates of which a size or a wedge is asked and that has to be measured before that is known."""
        return tuple(
            name
            for name, size in sizes_of(self.study).items()
            if (size.thickness is not None and name not in self.left)
            or (size.wedge is not None and self._wedge(name) is None)
        )

    def _wedge(self, name: str) -> float | None:
        """How far out of parallel a plate is [m], as it was measured, or as typed before it is lapped."""
        one = self.found.get(name)
        if one is not None and one.wedge is not None:
            return one.wedge.value
        own = self.study.plates[name].wedge
        return None if own is None or name in self.lapped else own.by

    @cached_property
    def wedged(self) -> tuple[str, ...]:
        """Plates that are more out of parallel than is asked, for all that is known."""
        return tuple(
            name
            for name, size in sizes_of(self.study).items()
            if size.wedge is not None and (self._wedge(name) or 0.0) > size.wedge
        )

    @property
    def done(self) -> bool:
        """Whether every size and wedge that is asked is known to be there."""
        there = all(
            abs(size) <= max(limit_of("size"), self._doubt(name))
            for name, size in self.left.items()
        )
        return there and not self.unmeasured and not self.wedged

    def pressed(self, step: Step) -> Step:
        """A step with its load where the wedge of its top, as it is known now, asks for it.

        Where it pressed off the middle for another wedge, or a wedge is to go; in the middle where there is
        none, or too little metal is left to take it out.
        """
        top = step.top
        meant = self.study.plates[top].wedge is not None and step.load.at != (0.0, 0.0)
        if top not in self.found or not (meant or top in self.wedged):
            return step
        one = self.found[top]
        metal = self.left.get(top, 0.0 if one.wedge is None else one.wedge.value)
        at = load_as_measured(one, self.study.plates[top], step, metal) or (0.0, 0.0)
        return replace(step, load=replace(step.load, at=at, fixed_to="top", hands=()))


def sizing_of(study: Study, entries: Iterable[Entry]) -> Sizing:
    """What the readings of a study and the entries of its log tell of sizes.

    Parameters
    ----------
    study : Study
        With the gauges that both name.
    entries : iterable of Entry

    Returns
    -------
    Sizing

    """
    since: Sequence[Reading] = study.readings
    lapped: set[str] = set()
    for entry in entries:
        pair = set() if entry.done is None else {entry.done.top, entry.done.bottom}
        gone, lapped = pair | set(entry.restart), lapped | pair
        since = [*(one for one in since if one.plate not in gone), *entry.readings]
    found = measured(since, study.gauges, study.plates)
    return Sizing(study, found, frozenset(lapped), tuple(since))


def thinned(bench: Bench, before: Knowledge, entry: Entry, sizing: Sizing) -> Sight | None:
    """What a micrometer before and after a spell says of the metal off, as weighing does.

    Thickness at the places that were read is the mean less the metal, and the height of the face there over
    its mean.  Of the face before the spell that is taken as it was believed, with its doubt.

    Parameters
    ----------
    bench : Bench
    before : Knowledge
        Before the spell.
    entry : Entry
        With the spell, and what was read after it.
    sizing : Sizing
        Before the entry.

    Returns
    -------
    Sight or None
        None where no plate of the spell was measured before and after it.

    """
    if entry.done is None:
        return None
    layout, now = bench.layout, measured(entry.readings, bench.gauges, bench.layout.plates)
    rows, value, noise = [], [], []
    for name in (entry.done.top, entry.done.bottom):
        ends = [of[name].thickness for of in (sizing.found, now) if name in of]
        if len(ends) < 2 or ends[0] is None or ends[1] is None:
            continue
        then, since = (_rise(bench, name, read) for read in (sizing.readings, entry.readings))
        row = np.zeros(layout.size)
        row[layout.removed(name)], row[layout.face(name)] = 1.0, -since
        own = layout.face(name)
        rows.append(row)
        value.append(ends[0].value - ends[1].value - float(then @ before.centre[own]))
        doubt = float(then @ before.covariance[own, own] @ then)
        noise.append(ends[0].uncertainty ** 2 + ends[1].uncertainty ** 2 + doubt)
    return Sight(np.array(rows), np.array(value), np.diag(noise)) if rows else None


def _rise(bench: Bench, name: str, readings: Sequence[Reading]) -> Array:
    """How high each shape of a face stands over its mean where a micrometer was, on the mean (shapes,)."""
    plate, basis = bench.layout.plates[name], bench.layout.bases[name]
    touched = [
        gauge.contacts(one.place, plate.outline)
        for one in readings
        if one.plate == name and isinstance(gauge := bench.gauges[one.gauge], Micrometer)
    ]
    x, y = (np.concatenate([getattr(one, axis) for one in touched]) for axis in "xy")
    on = plate.land > 0.0
    gx, gy = (axis[on] for axis in plate.grid.mesh())
    mean = basis.evaluate(gx, gy) @ (plate.land[on] / plate.land.sum())
    rise: Array = (basis.evaluate(x, y).mean(axis=1) - mean)[PLANES:]
    return rise
