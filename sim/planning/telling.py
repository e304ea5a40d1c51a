"""One schedule told spell by spell: the state of the faces, and what is noted of it on the way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import ceil

import numpy as np
from numpy.typing import NDArray

from sim.lapping.step import Step
from sim.modes.evolution import Evolution
from sim.modes.picture import Picture
from sim.modes.schedule import SHORT_INDEX, Spell, cut_of, strokes_in, window_of
from sim.planning.follow import turned_by
from sim.planning.looks import Looks

__all__ = ["Telling"]

Array = NDArray[np.float64]

SAMPLES = 64  # instants along a schedule at which the faces are looked at, about
MOST_IN_A_SPELL = 16
WATCHED = 48  # in a spell that a gauge may end


class Telling:
    """Goes through steps; `start` (size,) of each face, `total` time of the schedule, about [s].

    Noted at each instant (columns): `time` [s], `turned`, `swaps`, `faces` by plate, `pairs` (bottom, top).
    `middles`: each spell with a state (n,) half way through it.
    """

    def __init__(self, picture: Picture, looks: Looks, start: Mapping[str, Array], top: str, total: float):
        self.picture = picture
        self.looks = looks
        self.total = total
        self.here = dict(start)
        self.on_top = top
        self.clock, self.turns, self.changes = 0.0, 0.0, 0
        self.grit, self.age = "", 0.0
        self.time, self.turned = [np.zeros(1)], [np.zeros(1)]
        self.swaps: list[Array] = [np.zeros(1)]
        self.faces = {name: [z[:, None]] for name, z in start.items()}
        self.pairs: list[tuple[int, tuple[str, str]]] = []
        self.middles: list[tuple[Spell, Array]] = []

    def step(self, number: int, step: Step) -> None:
        """Do one step, until it is over or its gauge says stop."""
        if step.fresh_every is not None or step.grit.name != self.grit:
            self.age = 0.0
        self.grit = step.grit.name
        if not self.pairs:
            self.pairs.append((1, (step.bottom, step.top)))
        before, turns, done = self.clock, self.turns, 0
        off = self._level(step)
        for spell in self._spells(number, step):
            if spell.top != self.on_top:
                self.on_top, self.changes = spell.top, self.changes + 1
            share = self._samples(spell, step.until is not None)
            z = self._along(spell, share)
            ended, stop = share.size, False
            if step.until is not None:
                states = np.column_stack([self._pair(spell), z])
                ended, stop = self.looks.until(step.until, (spell.bottom, spell.top), states, off)
            strokes = spell.first + spell.strokes * share[:ended]
            done = round(strokes[-1])
            turned = turns + np.array([turned_by(step, int(k + 0.5)) for k in strokes])
            self._note(spell, z[:, :ended], before + strokes / step.pace, turned)
            self.middles.append((spell, z[:, ended // 2]))
            if stop:
                break
        self.turns = turns + turned_by(step, done)

    def _level(self, step: Step) -> float:
        """Sum of the mean heights of a pair [m]: what is missing of it later has been removed."""
        return float(self.here[step.bottom][0] + self.here[step.top][0])

    def _pair(self, spell: Spell) -> Array:
        return np.concatenate([self.here[spell.bottom], self.here[spell.top]])

    def _samples(self, spell: Spell, watched: bool) -> Array:
        """Shares (k,) of a spell at which to look."""
        count = ceil(SAMPLES * spell.time / self.total)
        count = WATCHED if watched else max(1, min(count, MOST_IN_A_SPELL))
        return np.arange(1, count + 1) / count

    def _along(self, spell: Spell, share: Array) -> Array:
        """States (n, k) in the course of a spell."""
        long = self._long_index(spell.step)
        window = window_of(self.picture, spell) if long else (0, None)
        flow: Evolution = self.picture.evolution(spell.step, spell.top, spell.bottom, window)
        return flow.course(self._pair(spell), spell.cut * share)

    def _long_index(self, number: int) -> int:
        """Strokes between turns, where the top lies at one angle so long that their order matters; else 0."""
        every = self.picture.motion(number).index_every
        if not every:
            return 0
        lasts = every / self.picture.steps[number - 1].pace
        return every if lasts >= SHORT_INDEX * self.picture.tau(number) else 0

    def _spells(self, number: int, step: Step) -> Iterator[Spell]:
        """Spells of a step, each told before the next is asked for: a gauge may decide who is on top."""
        top, bottom, first, total = step.top, step.bottom, 0, step.total_strokes
        every = self._long_index(number)
        while first < total:
            last = total
            if step.swap is not None and step.swap.read is not None:
                last = min(total, first + strokes_in(step.swap.read, step.pace))
                if self.looks.dome(bottom, self.here[bottom]) > self.looks.dome(top, self.here[top]):
                    top, bottom = bottom, top
            elif step.swap is not None:
                last = min(total, first + strokes_in(step.swap.on_top[top], step.pace))
            while first < last:
                end = min(last, (first // every + 1) * every) if every else last
                cut, self.age = cut_of(step, self.age, first, end - first)
                yield Spell(number, top, bottom, first, end - first, (end - first) / step.pace, cut)
                first = end
            if step.swap is not None and step.swap.read is None:
                top, bottom = bottom, top

    def _note(self, spell: Spell, z: Array, time: Array, turned: Array) -> None:
        half = self.here[spell.bottom].size
        moved = {spell.bottom: z[:half], spell.top: z[half:]}
        for name, columns in self.faces.items():
            columns.append(moved.get(name, np.repeat(self.here[name][:, None], time.size, axis=1)))
        for name, part in moved.items():
            self.here[name] = part[:, -1]
        self.clock, self.turns = float(time[-1]), float(turned[-1])
        self.time.append(time)
        self.turned.append(turned)
        self.swaps.append(np.full(time.size, float(self.changes)))
        self.pairs.append((time.size, (spell.bottom, spell.top)))
