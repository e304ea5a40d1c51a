"""A batch: many like parts lapped one load after another on one plate, which is dressed now and then.

Where the parts of a load lie, how each comes, and when the plate is due for dressing.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, cos, pi, sin
from typing import Any

import numpy as np

from lapwright.specification.plate import Plate
from lapwright.specification.quantities import ANGLE, LENGTH, SMALL, quantity
from lapwright.specification.rates import Reader
from lapwright.specification.said import Frozen, RefusedError, Said, each, made, refused, shown
from lapwright.specification.step import Load, Step
from lapwright.specification.table import boolean, choice, whole

OWN, ONE = "own weights", "one weight"
MOST_PARTS, MOST_TOGETHER = 100_000, 60
MANY_LOADS = 100  # of more, each is looked at less closely
# Of a batch over whose parts is averaged: parts lapped one by one at the start, and at least so many loads;
FIRST_PARTS, FIRST_LOADS = 24, 6
AGAIN = 2  # loads that are lapped one by one after each dressing
MOST_STOOD = 16  # loads for which one may stand
SHORT_SPELL = 6  # loads from dressing to dressing; in fewer there is nothing to average over
PARTS_STREAM = 0x70617274  # sets the scatter of parts apart from other numbers of the same seed
# What may scatter, by the field of a start form; every one is drawn for every part, asked for or not.
SCATTERS: Mapping[str, str] = {
    **{"dome": "sphere", "saddle": "saddle", "twist": "twist"},
    **{"bow": "bow", "crown": "crown", "wind": "wind", "thickness": ""},
}
HOW_STATIONS = (
    'write angles such as ["0 deg", "120 deg", "240 deg"], or places such as [["60 mm", "0 mm"]]'
)
SPREAD = quantity(SMALL, least="0 um", most="1 mm")
READS = quantity(SMALL, above="0 um", most="1 mm")  # what a plate is dressed at
ANGULAR = quantity(ANGLE, least="-360 deg", most="360 deg")
PLACE = quantity(LENGTH, least="-2 m", most="2 m")
_EVERY = re.compile(
    r"\s*(?P<number>\d+)(?:st|nd|rd|th)?\s*(?:parts?|pieces?|pcs)?\s*", re.IGNORECASE
)

Station = float | tuple[float, float]


def _every(value: Any) -> int:
    """How many parts from "10 parts", or 10."""
    got = _EVERY.fullmatch(f"{value}") if isinstance(value, str | int) else None
    if got is None or not 1 <= int(got["number"]) <= MOST_PARTS:
        raise refused(value, 'is no number of parts: write "10 parts"', "value")
    return int(got["number"])


def _station(value: Any) -> Station:
    if isinstance(value, list | tuple):
        if len(value) != 2:
            raise RefusedError(f"{shown(value)} is no place: {HOW_STATIONS}", "type")
        x, y = (part if isinstance(part, float) else PLACE(part) for part in value)
        return x, y
    return value if isinstance(value, float) else ANGULAR(value)


def _typed_station(station: Station) -> Any:
    if isinstance(station, tuple):
        return [PLACE.typed(part) for part in station]
    return ANGULAR.typed(station)


def _stations(value: Any) -> tuple[Station, ...]:
    """Angles or places, all of one kind."""
    if not isinstance(value, list | tuple) or not value:
        raise RefusedError(f"{shown(value)} says no stations: {HOW_STATIONS}", "type")
    found = tuple(_station(one) for one in value)
    if len({isinstance(one, tuple) for one in found}) == 2:
        raise RefusedError(f"are angles and places together: {HOW_STATIONS}", "conflict")
    return found


def _scatter(value: Any) -> dict[str, float]:
    if not isinstance(value, Mapping):
        raise RefusedError(
            f'{shown(value)} is no table: write scatter = {{ dome = "0.2 um" }}', "type"
        )
    found = each(SPREAD)(value)
    for name in found:
        if name not in SCATTERS:
            known = ", ".join(SCATTERS)
            raise RefusedError(f"{shown(name)} does not scatter: known are {known}", "unknown_key")
    return found


def _when(value: Any) -> dict[str, float]:
    found = each(READS)(value)
    known = ("flatness", *(name for name in SCATTERS if name != "thickness"))
    for name in found:
        if name not in known:
            raise RefusedError(
                f"{shown(name)} is no form: known are {', '.join(known)}", "unknown_key"
            )
    return found


@dataclass(frozen=True)
class Dress(Frozen):
    """Dressing between loads: by `step` (from 1), which is lapped for nothing else.

    It is due after `every` so many parts, or as soon as the plate reads as much as `when` says of a form
    [m], in size; never after the last part.
    """

    step: int
    every: Said[int | None] = Said(_every, default=None)
    when: Said[Mapping[str, float]] = Said(_when, default=dict)

    def times(self, batch: Batch) -> int:
        """How often it comes by number: after whole loads, never after the last; 0 of one by reading."""
        return (batch.loads - 1) // self.loads(batch) if self.every else 0

    def loads(self, batch: Batch) -> int:
        """Loads from one dressing to the next; all, where a reading decides."""
        return -(-self.every // batch.together) if self.every else batch.loads

    def due(self, since: int, forms: Mapping[str, float]) -> bool:
        """Whether the plate is dressed now.

        Parameters
        ----------
        since : int
            Parts since it was dressed last.
        forms : mapping
            Of the plate [m], by their names in `when`.

        Returns
        -------
        bool

        """
        if self.every is not None:
            return since >= self.every
        return since > 0 and any(abs(forms[name]) >= most for name, most in self.when.items())


@dataclass(frozen=True)
class Batch(Frozen):
    """`count` parts like `part`, `together` of them at a time, on a plate that goes on.

    `stations`: where the parts of a load lie, as angles [rad] by which the middle of the stroke is turned
    round the middle of the bench, or as places [m]; none: evenly round.  `radius` [m] of their circle, where
    the stroke says no centre.  `carrier`: a part that lies on the plate with them and takes them round as it
    is turned; its stations are seen from its middle.  `under`: each has its own weight and load, or all lie
    under one rigid weight that takes them round, on which the load of the step lies.  `scatter` [m]: standard
    deviations from part to part.  `average`: whether the plate goes on by what one load does to it for
    several loads that follow each other; None: of many.
    """

    part: str
    count: Said[int] = Said(whole(1, MOST_PARTS, "a number of parts"), example="count = 50")
    together: Said[int] = Said(whole(1, MOST_TOGETHER, "a number of parts"), "1", 1)
    stations: Said[tuple[Station, ...]] = Said(
        Reader(_stations, _typed_station), "evenly round", ()
    )
    radius: Said[float | None] = Said(quantity(LENGTH, above="0 mm", most="2 m"), default=None)
    carrier: str | None = None
    under: Said[str] = Said(choice((OWN, ONE), "a way to weigh parts down"), OWN)
    scatter: Said[Mapping[str, float]] = Said(_scatter, default=dict)
    dress: Dress | None = None
    average: Said[bool | None] = Said(boolean, "of more than 100 loads", None)

    @property
    def loads(self) -> int:
        """How often parts are laid."""
        return ceil(self.count / self.together)

    @property
    def many(self) -> bool:
        """Whether there are so many loads that each is looked at less closely."""
        return self.loads > MANY_LOADS

    @property
    def first_loads(self) -> int:
        """Loads lapped one by one at the start of a batch over whose parts is averaged."""
        return max(FIRST_LOADS, ceil(FIRST_PARTS / self.together))

    @property
    def alone(self) -> int:
        """Loads lapped one by one before any stands for others; dressed by a reading, at most."""
        spell = self.loads if self.dress is None else self.dress.loads(self)
        # Too near its end none stands for others, and the next spell begins anew.
        soon = spell < min(self.first_loads + 3, self.loads)
        return spell + AGAIN if soon else self.first_loads

    @property
    def about_lapped(self) -> int:
        """About how many loads are lapped where loads stand for others: each for twice the last."""
        lapped = at = self.alone
        spell = self.loads if self.dress is None else self.dress.loads(self)
        stands = 1
        while at < self.loads:
            left = min(self.loads - at, spell - at % spell)
            if at % spell == 0:
                stands = 1
            stands = max(1, min(2 * stands if at % spell >= AGAIN else 1, MOST_STOOD, left - 1))
            at += stands
            lapped += 1
        return lapped

    def averages(self, steps: Sequence[Step]) -> bool:
        """Whether one load stands for several: where that is asked for, else of many, and where it can be.

        Parameters
        ----------
        steps : sequence of Step
            Of the study.

        Returns
        -------
        bool

        """
        wanted = self.many if self.average is None else self.average
        return wanted and self.unlike(steps) is None

    def unlike(self, steps: Sequence[Step]) -> str | None:
        """Why no load can stand for others: "steps", "plates", "until", "dressed", "few"; None where one can.

        A step that a gauge stops is lapped for each part, for each comes with a size of its own.

        Parameters
        ----------
        steps : sequence of Step
            Of the study.

        Returns
        -------
        str or None

        """
        lapped = [step for step in steps if self.laps(step)]
        if any(not (self.laps(s) or self.dresses(n)) for n, s in enumerate(steps, 1)):
            return "steps"
        if len({step.bottom for step in lapped}) > 1:
            return "plates"
        if any(step.until is not None for step in lapped):
            return "until"
        if self.dress is not None and self.dress.loads(self) < min(SHORT_SPELL, self.loads):
            return "dressed"
        if self.loads < self.alone + 3:
            return "few"
        return None

    @property
    def names(self) -> tuple[str, ...]:
        """What the parts of a load are called: the first as its kind, the others numbered."""
        return (self.part, *(f"{self.part} {k}" for k in range(2, self.together + 1)))

    @property
    def carried(self) -> bool:
        """Whether something takes the parts round as it is turned."""
        return self.carrier is not None or self.under == ONE

    @property
    def joined(self) -> bool:
        """Whether the parts of a load settle as one, under one rigid weight."""
        return self.under == ONE and self.together > 1

    def number(self, load: int) -> int:
        """How many parts lie in a load (from 1): in the last those that are left."""
        return min(self.together, self.count - (load - 1) * self.together)

    def dresses(self, step: int) -> bool:
        """Whether a step (from 1) is dressing."""
        return self.dress is not None and self.dress.step == step

    def laps(self, step: Step) -> bool:
        """Whether parts of the batch are lapped in a step."""
        return step.top == self.part

    def place(self, k: int, centre: tuple[float, float]) -> tuple[float, float]:
        """Where station `k` (from 0) lies [m], the middle of the stroke being at `centre`."""
        station = self.stations[k] if self.stations else 2.0 * pi * k / self.together
        if isinstance(station, tuple):
            return station
        x, y = centre if self.radius is None else (self.radius, 0.0)
        return cos(station) * x - sin(station) * y, sin(station) * x + cos(station) * y

    def station(self, step: Step, k: int) -> Step:
        """The step as the part on station `k` goes through it."""
        name = self.names[k]
        if self.joined:  # by itself each bears an equal share, in its middle
            step = replace(step, load=Load(step.load.force / self.together))
        if self.carried:
            return replace(step, top=name, offset=self.place(k, (0.0, 0.0)))
        return replace(step, top=name, centre=self.place(k, step.centre))

    def steps(self, step: Step, load: int) -> tuple[Step, ...]:
        """The step as everything that lies on the plate in a load goes through it, the carrier last."""
        out = [self.station(step, k) for k in range(self.number(load))]
        if self.carrier is not None:
            out.append(replace(step, top=self.carrier, load=Load()))
        return tuple(out)

    def goes_round(self, step: Step) -> bool:
        """Whether all that lies there goes round on the plate all the time, as on one that is turned.

        One who walks round, but whose stroke stays where it is, leaves parts that lie off the middle there.

        Parameters
        ----------
        step : Step

        Returns
        -------
        bool

        """
        if not step.walk.angle or step.walk.indexed:
            return False
        middles = {self.station(step, k).centre for k in range(self.together)}
        return step.carry_centre or middles == {(0.0, 0.0)}

    def part_of(self, plate: Plate, number: int, seed: int) -> tuple[Plate, float]:
        """Part `number` (from 1) as it comes, and by how much it is thicker than usual [m].

        Parameters
        ----------
        plate : Plate
            The usual part.
        number : int
            From 1.
        seed : int
            Of the study.

        Returns
        -------
        Plate
            With a start form of its own.
        float
            [m]

        """
        stream = np.random.SeedSequence([seed, PARTS_STREAM, number])
        drawn = np.random.Generator(np.random.PCG64(stream)).standard_normal(len(SCATTERS))
        off = {
            name: self.scatter.get(name, 0.0) * z for name, z in zip(SCATTERS, drawn, strict=True)
        }
        form = plate.form
        changed = {key: getattr(form, key) + off[name] for name, key in SCATTERS.items() if key}
        return replace(plate, form=replace(form, **changed)), float(off["thickness"]) + 0.0


def batch_of(value: Mapping[str, Any]) -> Batch:
    """A batch from a table of what it takes."""
    return made(Batch)(value)


def seated(places: Sequence[tuple[float, float]]) -> float:
    """Smallest distance between any two places [m]; infinite of one."""
    at = np.array(places)
    apart = np.hypot(*(at[:, None] - at[None]).transpose(2, 0, 1))
    return float(apart[~np.eye(len(at), dtype=bool)].min(initial=np.inf))
