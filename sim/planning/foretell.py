"""How a schedule goes, told by the operators of its strokes: about a thousand schedules a second.

Each stroke's flow is solved once (`sim.modes.evolution`); where times, swaps or the order move, nothing is
solved anew.  Angles and phases that run on are taken in their long-run shares.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from sim.lapping.step import Step
from sim.lapping.support import check_stands
from sim.modes.basis import basis_of
from sim.modes.lifting import lifting
from sim.modes.operator import Operator
from sim.modes.picture import Picture
from sim.modes.schedule import Spell
from sim.planning.knobs import Settled
from sim.planning.looks import Looks
from sim.planning.telling import Telling
from sim.planning.track import Track
from sim.study.model import Study

__all__ = ["Foreteller", "Foretold"]

Array = NDArray[np.float64]

LONG = 7200  # strokes over which a stroke is averaged
KEPT = 400  # operators
LOOKS = 6  # spells in which one looks whether something lifts


class _Shared(Picture):
    """A picture that shares operators of the same stroke with other pictures."""

    def __init__(
        self, study: Study, steps: Sequence[Step], degree: int, shared: dict[object, Operator]
    ) -> None:
        super().__init__(study.plates, steps, degree, study.seed)
        self.shared = shared

    def operator(
        self,
        number: int,
        top: str | None = None,
        bottom: str | None = None,
        window: tuple[int, int | None] = (0, None),
    ) -> Operator:
        """What a step does with `top` on `bottom`; of the same stroke and faces the same one."""
        s = self.steps[number - 1]
        faces = tuple(self.basis(name or own) for name, own in ((top, s.top), (bottom, s.bottom)))
        hand = None if s.hand.steady else (s.hand, number)
        load = replace(s.load, force=0.0) if s.load.at == (0.0, 0.0) else s.load
        where = (s.curve, s.direction, s.centre, s.carry_centre, s.pace, s.turn, s.walk)
        key = (*map(id, faces), hand, load, where, window)
        if key not in self.shared:
            if len(self.shared) > KEPT:
                self.shared.clear()
            self.shared[key] = super().operator(number, top, bottom, window)
        return self.shared[key]


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
        self.start = {name: bases[name].project(p.heights()) for name, p in study.plates.items()}
        self.looks = Looks(study.plates, bases, study.margin, exact)
        self.shared: dict[object, Operator] = {}
        self.pictures: dict[object, Picture] = {}

    def picture(self, settled: Settled) -> Picture:
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
            plates = self.study.plates
            for step in steps:
                check_stands(step, plates[step.top], plates[step.bottom])
            self.pictures[settled.moved] = _Shared(self.study, steps, self.degree, self.shared)
        return self.pictures[settled.moved]

    def tell(self, settled: Settled) -> Foretold:
        """How it goes.

        Raises
        ------
        TippedError, NoOverlapError, DefectiveError
            When it cannot be.

        """
        picture, rounds = self.picture(settled), self.study.rounds
        total = rounds * sum(step.total_strokes / step.pace for step in settled.steps)
        first = settled.steps[settled.order[0] - 1].top
        telling = Telling(picture, self.looks, self.start, first, total)
        for _ in range(rounds):
            for number in settled.order:
                telling.step(number, settled.steps[number - 1])
        track = self._track(telling)
        names = self.study.plates
        forms: dict[str, dict[str, float | None]] = {
            name: {key: float(v) for key, v in self.looks.forms(name, telling.here[name]).items()}
            for name in names
        }
        for name in names:
            forms[name]["flatness"] = float(track.values[f"{name}.flatness"][-1])
        return Foretold(track, telling.middles, forms)

    def _track(self, telling: Telling) -> Track:
        faces = {name: np.concatenate(columns, axis=1) for name, columns in telling.faces.items()}
        values: dict[str, Array] = {}
        domes = {}
        for name, z in faces.items():
            forms = self.looks.forms(name, z)
            domes[name] = next(iter(forms.values()))
            values |= {f"{name}.{key}": value for key, value in forms.items()}
            values[f"{name}.flatness"] = self.looks.flatness(name, z)
        mating, apart = [], []
        at = 0
        for count, (bottom, top) in telling.pairs:
            some = slice(at, at + count)
            mating.append(self.looks.mating(bottom, top, faces[bottom][:, some], faces[top][:, some]))
            apart.append(domes[top][some] - domes[bottom][some])
            at += count
        values["mating"], values["difference"] = np.concatenate(mating), np.concatenate(apart)
        removed = np.mean([z[0, 0] - z[0] for z in faces.values()], axis=0)
        time, turned, swaps = (np.concatenate(c) for c in (telling.time, telling.turned, telling.swaps))
        return Track(time, removed, turned, swaps, values)

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
