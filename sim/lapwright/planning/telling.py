"""One schedule told spell by spell: the state of the faces, and what is noted of it on the way."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from math import ceil

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.schedule import age_at_start, between_indexes, cut_of, stays
from lapwright.lapping.step import Step
from lapwright.modes.schedule import Spell, window_of
from lapwright.planning.follow import turned_by
from lapwright.planning.looks import Looks
from lapwright.planning.shared import SharedPicture

__all__ = ["Telling"]

Array = NDArray[np.float64]

SAMPLES = 56  # instants along a schedule at which the faces are looked at, about
MOST_IN_A_SPELL = 16
WATCHED = 48  # in a spell that a gauge may end
SHARES = tuple(np.arange(1, count + 1) / count for count in range(1, WATCHED + 1))


class Telling:
    """Goes through steps; `start` (size,) of each face, `total` time of the schedule, about [s].

    Noted at each instant, in lists of columns: `time` [s], `turned`, and `faces` (all sizes, k): the stacked
    coefficients of all plates, whose rows are `rows`.  `pairs`: how many instants each (bottom, top) lasted;
    `swaps` until then.  `middles`: each spell with the state of its pair half way through it.
    """

    def __init__(
        self, picture: SharedPicture, looks: Looks, start: Mapping[str, Array], top: str, total: float
    ) -> None:
        self.picture = picture
        self.looks = looks
        self.total = total
        ends = np.cumsum([0, *(z.size for z in start.values())])
        self.rows = {name: slice(ends[k], ends[k + 1]) for k, name in enumerate(start)}
        self.here = np.concatenate(list(start.values()))
        self.on_top = top
        self.clock, self.turns, self.changes = 0.0, 0.0, 0
        self.grit, self.age, self.begun_age = "", 0.0, 0.0
        self.time, self.turned = [np.zeros(1)], [np.zeros(1)]
        self.faces = [self.here[:, None]]
        self.pairs: list[tuple[int, tuple[str, str]]] = []
        self.swaps: list[int] = []
        self.middles: list[tuple[Spell, Array]] = []
        self._maps: dict[object, tuple[Array, Array]] = {}

    def step(self, number: int, step: Step) -> None:
        """Do one step, until it is over or its gauge says stop."""
        self.age = age_at_start(step, self.grit, self.age)
        self.grit = step.grit.name
        if not self.pairs:
            self._note((step.bottom, step.top), 1)
        level = float(self.here[self.rows[step.bottom]][0] + self.here[self.rows[step.top]][0])
        passed = []
        for spell in self._spells(number, step):
            if spell.top != self.on_top:
                self.on_top, self.changes = spell.top, self.changes + 1
            share = self._shares(spell, step.until is not None)
            begun = np.concatenate([self.here[self.rows[spell.bottom]], self.here[self.rows[spell.top]]])
            cuts = self._cuts(step, spell, share)
            z = self._along(spell, begun, cuts)
            ended, stop = share.size, False
            if step.until is not None:
                states = np.column_stack([begun, z])
                ended, stop = self.looks.until(step.until, (spell.bottom, spell.top), states, level)
            passed.append(spell.first + spell.strokes * share[:ended])
            self._move(spell, z[:, :ended])
            if stop:
                lapped = float(share[ended - 1]) * spell.strokes
                self.age = cut_of(step, self.begun_age, spell.first, lapped)[1]
                break
        strokes = np.concatenate(passed)
        self.time.append(self.clock + strokes / step.pace)
        self.turned.append(self.turns + turned_by(step, strokes))
        self.clock, self.turns = float(self.time[-1][-1]), float(self.turned[-1][-1])

    def _shares(self, spell: Spell, watched: bool) -> Array:
        """Shares (k,) of a spell at which to look."""
        count = WATCHED if watched else min(ceil(SAMPLES * spell.time / self.total), MOST_IN_A_SPELL)
        return SHARES[max(0, count - 1)]

    def _cuts(self, step: Step, spell: Spell, share: Array) -> Array:
        """Cut [s] of a fresh dab that is done after shares (k,) of a spell's strokes."""
        if step.grit.fade is None or share.size == 1:
            return spell.cut * share
        done = [cut_of(step, self.begun_age, spell.first, spell.strokes * part)[0] for part in share.tolist()]
        return np.array(done)

    def _along(self, spell: Spell, begun: Array, cuts: Array) -> Array:
        """States (n, k) of a pair in the course of a spell, after so much cut (k,) [s]."""
        number, top, bottom = spell.step, spell.top, spell.bottom
        long = self.picture.long_index(number)
        window = window_of(self.picture, spell) if long else (0, None)
        if cuts.size > 1:
            return self.picture.evolution(number, top, bottom, window).course(begun, cuts)
        # One of many short spells, which are alike.
        key = (number, top, bottom, window, spell.cut)
        if key not in self._maps:
            self._maps[key] = self.picture.evolution(number, top, bottom, window).map_over(spell.cut)
        matrix, offset = self._maps[key]
        return (matrix @ begun + offset)[:, None]

    def _spells(self, number: int, step: Step) -> Iterator[Spell]:
        """Spells of a step, each told before the next is asked for: a gauge may decide who is on top."""
        every = self.picture.long_index(number)
        for stay in stays(step, lambda top, bottom: self._dome(bottom) > self._dome(top)):
            for part in between_indexes(stay, every):
                self.begun_age = self.age
                spell, self.age = Spell.of(number, step, part, self.age)
                yield spell

    def _dome(self, name: str) -> float:
        return self.looks.dome(name, self.here[self.rows[name]])

    def _move(self, spell: Spell, z: Array) -> None:
        """Note the states (n, k) of a pair; the other plates lie aside."""
        below, above = self.rows[spell.bottom], self.rows[spell.top]
        half = below.stop - below.start
        faces = np.empty((self.here.size, z.shape[1]))
        faces[:] = self.here[:, None]
        faces[below], faces[above] = z[:half], z[half:]
        self.here = faces[:, -1]
        self.faces.append(faces)
        self.middles.append((spell, z[:, z.shape[1] // 2]))
        self._note((spell.bottom, spell.top), z.shape[1])

    def _note(self, pair: tuple[str, str], count: int) -> None:
        self.pairs.append((count, pair))
        self.swaps.append(self.changes)
