"""How a schedule goes, told by the operators of its strokes: about a thousand schedules a second.

Each stroke's flow is solved once (`lapwright.modes.evolution`); where times, swaps or the order move, nothing
is solved anew.  Angles and phases that run on are taken in their long-run shares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.schedule import rubbing_time
from lapwright.lapping.step import Step
from lapwright.lapping.support import check_stands
from lapwright.modes.basis import basis_of
from lapwright.modes.lifting import lifting
from lapwright.modes.operator import Operator
from lapwright.modes.schedule import Spell
from lapwright.planning.knobs import Settled
from lapwright.planning.looks import Looks
from lapwright.planning.shared import SharedPicture
from lapwright.planning.telling import Telling
from lapwright.planning.track import Track
from lapwright.study.model import Study

__all__ = ["Foreteller", "Foretold"]

Array = NDArray[np.float64]

LONG = 7200  # strokes over which a stroke is averaged
KEPT = 400  # pictures
LOOKS = 4  # spells in which one looks whether something lifts


@dataclass(frozen=True)
class Foretold:
    """A track; `middles`: each spell with a state half way through it; `forms` at the end [m]."""

    track: Track
    middles: Sequence[tuple[Spell, Array]]
    forms: Mapping[str, Mapping[str, float | None]]


class Foreteller:
    """Tells schedules of one study on shapes up to `degree`; `exact`: flatness by the minimum zone."""

    def __init__(self, study: Study, degree: int, exact: bool = False) -> None:
        self.study = study
        self.degree = degree
        bases = {name: basis_of(plate, degree) for name, plate in study.plates.items()}
        self.start = {name: bases[name].start(p) for name, p in study.plates.items()}
        self.looks = Looks(study.plates, bases, study.margin, exact)
        goal = study.goal
        self.misfits = goal is not None and any("mating" in f for f in (goal.reach, *goal.keep.values()))
        self.shared: dict[object, Operator] = {}
        self.pictures: dict[object, SharedPicture] = {}
        self.standing: set[object] = set()

    def picture(self, settled: Settled) -> SharedPicture:
        """The strokes of a place in the space.

        Raises
        ------
        TippedError, NoOverlapError
            Where the top tips off.

        """
        if settled.moved not in self.pictures:
            if len(self.pictures) > KEPT:
                self.pictures.clear()
            steps = [replace(step, time=None, strokes=LONG) for step in settled.steps]
            for step in steps:
                self._check_stands(step)
            self.pictures[settled.moved] = SharedPicture(self.study, steps, self.degree, self.shared)
        return self.pictures[settled.moved]

    def _check_stands(self, step: Step) -> None:
        """Once for each stroke and load."""
        where = (step.curve, step.direction, step.centre, step.carry_centre, step.turn, step.walk)
        key = (*where, step.pace, step.load, step.top, step.bottom)
        if key not in self.standing:
            check_stands(step, self.study.plates[step.top], self.study.plates[step.bottom])
            self.standing.add(key)

    def tell(self, settled: Settled) -> Foretold:
        """How it goes.

        Raises
        ------
        TippedError, NoOverlapError, DefectiveError
            When it cannot be.

        """
        picture, rounds = self.picture(settled), self.study.rounds
        total = rubbing_time(settled.steps, rounds)
        first = settled.steps[settled.order[0] - 1].top
        telling = Telling(picture, self.looks, self.start, first, total)
        for _ in range(rounds):
            for number in settled.order:
                telling.step(number, settled.steps[number - 1])
        track = self._track(telling)
        forms: dict[str, dict[str, float | None]] = {
            name: {key: float(v) for key, v in self.looks.forms(name, telling.here[rows]).items()}
            for name, rows in telling.rows.items()
        }
        for name in forms:
            forms[name]["flatness"] = float(track.values[f"{name}.flatness"][-1])
        return Foretold(track, telling.middles, forms)

    def _track(self, telling: Telling) -> Track:
        faces = np.concatenate(telling.faces, axis=1)
        counts = [count for count, _ in telling.pairs]
        values: dict[str, Array] = {}
        domes = {}
        for name, rows in telling.rows.items():
            forms = self.looks.forms(name, faces[rows])
            domes[name] = next(iter(forms.values()))
            values |= {f"{name}.{key}": value for key, value in forms.items()}
            values[f"{name}.flatness"] = self.looks.flatness(name, faces[rows])
        values["difference"] = np.empty(faces.shape[1])
        values["mating"] = np.full(faces.shape[1], np.nan)
        owner = np.repeat(np.arange(len(counts)), counts)
        for pair in dict.fromkeys(pair for _, pair in telling.pairs):
            some = np.array([pair == other for _, other in telling.pairs])[owner]
            bottom, top = pair
            values["difference"][some] = domes[top][some] - domes[bottom][some]
            if self.misfits:
                below, above = (faces[telling.rows[name]][:, some] for name in pair)
                values["mating"][some] = self.looks.mating(bottom, top, below, above)
        levels = [faces[rows.start] for rows in telling.rows.values()]
        removed = np.mean([level[0] - level for level in levels], axis=0)
        swaps = np.repeat(np.array(telling.swaps, dtype=np.float64), counts)
        return Track(np.concatenate(telling.time), removed, np.concatenate(telling.turned), swaps, values)

    def lift_share(self, settled: Settled, foretold: Foretold) -> float:
        """Share of the time in which something lifts, by a few spells."""
        picture = self.picture(settled)
        every = max(1, ceil(len(foretold.middles) / LOOKS))
        lifted = whole = 0.0
        for spell, state in foretold.middles[::every]:
            operator = picture.operator(spell.step, spell.top, spell.bottom)
            stiffness = picture.steps[spell.step - 1].grit.layer.stiffness
            load = picture.load(spell.step, spell.top)
            found = lifting(operator, stiffness, load, state[:, None])[0]
            lifted += found.share * spell.time
            whole += spell.time
        return lifted / whole if whole > 0.0 else 0.0
