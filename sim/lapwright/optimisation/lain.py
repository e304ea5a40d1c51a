"""What lies on the plate in a load of a batch, and how members of what is believed lap it.

Parts that go round all the time at one distance wear the plate alike and fare alike: one stands for all.
Where they keep their places, or lie at unlike distances, each is a body with a face of its own, and so is
what carries them: bodies are lapped in turns, half of the load and back again, for none of them moves the
plate much in one load.  Under one weight all settle as one; how thick each comes is drawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import cos, hypot, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.stability import check_stands
from lapwright.modal.basis import PLANES, form_names
from lapwright.optimisation.bench import Bench
from lapwright.optimisation.flow import linear
from lapwright.optimisation.spell import Spell, lap_shops, learnt
from lapwright.specification.batch import SCATTERS, Batch
from lapwright.specification.step import Load, Step

Array = NDArray[np.float64]

PART_FINENESS = 1.0  # of parts: forms end within 2 nm of those at 2.5, and seldom more than 0.5
MATED_FINENESS = 0.75  # of a carrier: all of it bears, and between two rings lie points enough


def alike(batch: Batch, step: Step) -> list[list[int]]:
    """Stations (from 0) whose parts fare alike and wear the plate alike, those of the first one first."""
    turned, walked = (0.0 if one.indexed else one.angle for one in (step.turn, step.walk))
    if batch.carried:
        round_, middle = turned != 0.0 and turned + walked != 0.0, (0.0, 0.0)
    else:
        round_, middle = batch.goes_round(step), step.centre
    found: dict[float, list[int]] = {}
    for k in range(batch.together):
        far = round(hypot(*batch.place(k, middle)), 9) if round_ else float(k)
        found.setdefault(far, []).append(k)
    return list(found.values())


def name_of(batch: Batch, groups: Sequence[Sequence[int]], number: int) -> str:
    """What the face of part `number` (from 1) is called: that of the first of those that fare like it."""
    station = (number - 1) % batch.together
    return next(batch.names[own[0]] for own in groups if station in own)


def _placed(batch: Batch, step: Step, k: int) -> Step:
    """The step, that of the part on the first station, as the part on station `k` goes through it."""
    name, grit = batch.names[k], step.grit
    if batch.part in grit.wear.plates:  # they are of one metal
        plates = {**grit.wear.plates, name: grit.wear.plates[batch.part]}
        grit = replace(grit, wear=replace(grit.wear, plates=plates))
    if batch.carried:
        return replace(step, top=name, grit=grit, offset=batch.place(k, (0.0, 0.0)))
    (x, y), stations = step.centre, batch.stations
    if k and stations and isinstance(stations[0], tuple):
        x, y = batch.place(k, step.centre)
    elif k:
        a = 2.0 * np.pi * k / batch.together
        if stations:
            a = stations[k] - stations[0]  # type: ignore[operator]
        x, y = cos(a) * x - sin(a) * y, sin(a) * x + cos(a) * y
    return replace(step, top=name, grit=grit, centre=(x, y))


class Lain:
    """The bodies of a load, lapped at the same time by a step; `key` as of `Bench.spell`.

    `parts`: names of the faces of parts that a layout has, the first the usual one; `onward`: of the bodies
    that go on from load to load; `names`: of all that a load moves;
    `off`: where the metal that it takes stands.
    """

    def __init__(
        self, bench: Bench, batch: Batch, step: Step, key: Sequence[int], any_hand: bool
    ) -> None:
        self.bench, self.batch, self.step = bench, batch, bench.known(step)
        usual = next(one for one in bench.study.steps if batch.laps(one))
        groups = alike(batch, usual)
        self.parts = tuple(batch.names[own[0]] for own in groups)
        carrier = () if batch.carrier is None else (batch.carrier,)
        self.onward = (step.bottom, *carrier)
        self.names = (*self.onward, *self.parts)
        self.off = slice(bench.layout.size - len(bench.layout.plates), None)
        if batch.joined:
            spell = bench.spell(step, key, any_hand, PART_FINENESS)
            order = [own[0] for own in groups] + [k for own in groups for k in own[1:]]
            spell.tops = self.parts
            spell.places = tuple(batch.place(k, (0.0, 0.0)) for k in order)
            self.spells = [spell]
            return
        self.spells = []
        for own in groups:
            spell = bench.spell(_placed(batch, step, own[0]), key, any_hand, PART_FINENESS)
            spell.beside = len(own)
            self.spells.append(spell)
        for name in carrier:
            top = replace(step, top=name, load=Load())
            spell = bench.spell(top, key, any_hand, MATED_FINENESS)
            self.spells.append(spell)

    def check(self) -> None:
        """Look whether each stands.

        Raises
        ------
        TippedError, NoOverlapError
            One does not, wherever the step takes it.

        """
        plates = self.bench.layout.plates
        for spell in () if self.batch.joined else self.spells:
            check_stands(spell.step, plates[spell.step.top], plates[spell.step.bottom])

    def laid(self, shops: Array, rng: np.random.Generator) -> tuple[Array, Array | None]:
        """Shops (m, size) with new parts on the plate, and what else lies there, as of `lap_shops`."""
        shops, batch, number = shops.copy(), self.batch, len(shops)
        for name in self.parts:
            shops[:, self.bench.layout.face(name)] = self._new(number, rng)
        if not batch.joined:
            return shops, None
        spread = batch.scatter.get("thickness", 0.0)
        thick = spread * rng.standard_normal((number, batch.together))
        thick -= thick[:, :1]
        more = [thick[:, : len(self.parts)]]
        for k in range(len(self.parts), batch.together):
            planes = np.zeros((number, PLANES))
            planes[:, 0] = thick[:, k]
            more += [planes, self._new(number, rng)]
        return shops, np.concatenate(more, axis=1)

    def lap(self, shops: Array, hand: NDArray[np.intp], also: Array | None) -> Array:
        """Shops (m, size) after the load, as they were `laid`."""
        if len(self.spells) == 1:
            return lap_shops(self.spells[0], shops, hand, also=also)
        gone = np.zeros_like(shops[:, self.off])
        for spell, share in self._turns:
            shops = lap_shops(spell, shops, hand, np.full(len(shops), share))
            gone += shops[:, self.off]
        shops[:, self.off] = gone
        return shops

    def flow(self, shops: Array, ended: Array) -> Array:
        """How where shops `ended` (m, size) goes with where they began: (m, size, size)."""
        level, jump = shops, np.repeat(np.eye(self.bench.layout.size)[None], len(shops), axis=0)
        for spell, share in () if self.batch.joined else self._turns:
            level, more = linear(spell, level, share)
            jump = more @ jump
        return learnt(self.bench.layout, self.step, self.names, shops, ended - level, jump)

    @property
    def _turns(self) -> list[tuple[Spell, float]]:
        """In which turns bodies are lapped, and for what share of the load each time."""
        *others, last = self.spells
        first = [(one, 0.5) for one in others]
        return [*first, (last, 1.0), *first[::-1]]

    def times(self, name: str, before: Array, ended: Array, loads: int) -> Array:
        """How many times what a load did to a face (m,) it is done in so many loads.

        The plate as often.  What lies on it the whole time comes to mate with it: so much sooner, the more
        a load takes off it of what the grit gives.
        """
        if name == self.step.bottom:
            return np.full(len(ended), float(loads))
        layout, grit = self.bench.layout, self.step.grit
        plate = layout.plates[name]
        gives = plate.weight / plate.land_area / grit.layer.stiffness
        squeeze = gives * np.exp(before[:, layout.layer(grit.name)])
        dies = 1.0 - np.exp(-ended[:, layout.removed(name)] / squeeze)
        return np.asarray((1.0 - (1.0 - dies) ** loads) / np.maximum(dies, 1e-12))

    def _new(self, number: int, rng: np.random.Generator) -> Array:
        """Faces of parts as they come (number, size): as typed, with the doubt of that, and scatter."""
        bench, batch = self.bench, self.batch
        layout, name = bench.layout, batch.part
        own = layout.face(name)
        covariance = bench.prior.covariance[own, own].copy()
        at, back = layout.quadratic(name)
        words = {key: word for word, key in SCATTERS.items()}
        spread = [batch.scatter.get(words[key], 0.0) for key in form_names(layout.plates[name])]
        inside = np.ix_(at - own.start, at - own.start)
        covariance[inside] += back @ np.diag(np.square(spread)) @ back.T
        root = np.linalg.cholesky(covariance + 1e-24 * np.eye(len(covariance)))
        drawn = rng.standard_normal((number, len(covariance))) @ root.T
        return np.asarray(bench.prior.centre[own] + drawn)
