"""Steps, swaps and turns in sequence as one affine map; the faces as each step finds them.

Within a spell the same plate is on top and the flow is the same; it maps the coefficients of both faces to
those at its end.  Spells one after another are one map z -> E z + g of all plates, so a cycle has its own
shapes that stay, its own drift and its own residue: those of E - 1 and g.

The faces as each step of a study finds them: what the steps before have made of them, by the picture.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from itertools import groupby
from math import inf, lcm, log

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CannotDoError, LapwrightError
from lapwright.kinematics.schedule import (
    Stay,
    age_at_start,
    between_indexes,
    cut_of,
    cut_shares,
    stays,
    stroke_period,
)
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import PLANES, Basis
from lapwright.modal.operator import STAYS, kernel_of, undone
from lapwright.modal.propagator import SLOW, Followed, Lifts
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.spectrum import NO_MARGIN, Mode, real_shape, survivors_in
from lapwright.specification.step import Step

Array = NDArray[np.float64]

SHORT_INDEX = 0.25  # of the time in which a mismatch dies: angles that last less are averaged
MOST_SPELLS = 4000
TURNS, TURNS_OF_A_DAB = 1.0, 8.0  # of the top, after which spells visit the same in the same shares
LOST = 1e-12  # share left of a shape after a cycle below which nothing can be told


@dataclass(frozen=True)
class Spell:
    """Strokes `first` ... of step `step` (from 1) with the same plate on top.

    `time` [s]; `cut` [s]: the time in which a fresh dab does as much.
    """

    step: int
    top: str
    bottom: str
    first: int
    strokes: int
    time: float
    cut: float

    @classmethod
    def of(cls, number: int, step: Step, stay: Stay, age: float) -> tuple[Spell, float]:
        """A stay of step `number` with a dab `age` [s] old, and the age [s] of the dab as it ends."""
        cut, after = cut_of(step, age, stay.first, stay.strokes)
        time = stay.strokes / step.pace
        return cls(number, stay.top, stay.bottom, stay.first, stay.strokes, time, cut), after


@dataclass(frozen=True)
class Cycle:
    """One cycle of a schedule: z -> matrix @ z + offset, for the stacked coefficients of all plates.

    `names` and `faces` of the plates in their order; `time` [s] and `spells` of a cycle.
    """

    names: tuple[str, ...]
    faces: tuple[Basis, ...]
    matrix: Array
    offset: Array
    time: float
    spells: tuple[Spell, ...]

    def apart(self, z: Array) -> dict[str, Array]:
        """Coefficients of each plate, of a stacked vector."""
        ends = np.cumsum([face.size for face in self.faces])[:-1]
        return dict(zip(self.names, np.split(z, ends), strict=True))

    def after(self, start: Array, cycles: int = 1) -> Array:
        """Coefficients after some cycles."""
        z = start
        for _ in range(cycles):
            z = self.matrix @ z + self.offset
        return z

    def forms(self, z: Array, margin: EdgeMargin = NO_MARGIN) -> dict[str, dict[str, float]]:
        """Form errors [m] by plate and name."""
        parts = self.apart(z)
        return {
            name: face.forms(parts[name], margin)
            for name, face in zip(self.names, self.faces, strict=True)
        }

    def spectrum(self) -> CycleSpectrum:
        """What the cycle takes out, leaves alone and makes.

        Raises
        ------
        DefectiveError
            When what it leaves alone does not stay.

        """
        change = self.matrix - np.eye(self.matrix.shape[0])
        left, vectors = np.linalg.eig(self.matrix)
        kernel = kernel_of(change, left - 1.0)
        staying = survivors_in(kernel.right, self.faces)
        drift = kernel.projection @ self.offset
        slow = self._poured_slowly(left, vectors)
        levels = np.cumsum([0, *(face.size for face in self.faces[:-1])])
        removed = [-float(drift[k]) for k in levels]
        modes = [Mode(0.0, None, None, True, False, None, self._unit(v)) for v in staying.T]
        modes += self._dying(left, vectors, sum(removed) / len(removed), levels)
        residue = -undone(change, kernel, self.offset)
        return CycleSpectrum(
            tuple(modes),
            staying.shape[1],
            kernel.gap,
            drift / self.time,
            residue,
            (drift + slow[0]) / self.time,
            residue - slow[1],
            dict(zip(self.names, (depth / self.time for depth in removed), strict=True)),
        )

    def _poured_slowly(
        self, kept: NDArray[np.complex128], vectors: NDArray[np.complex128]
    ) -> tuple[Array, Array]:
        """What a cycle pours into slow shapes (n,), and what they would come to at last (n,)."""
        size = np.abs(kept - 1.0)
        stays, fastest = STAYS * size.max(), SLOW * size.max()
        slow = (size >= stays) & (size < fastest)
        if not slow.any():
            return np.zeros_like(self.offset), np.zeros_like(self.offset)
        back, turned = np.linalg.eig(self.matrix.T)
        order = np.argsort(np.abs(back - 1.0))
        first = int((size < stays).sum())
        right, left = vectors[:, slow], turned[:, order[first : first + int(slow.sum())]].T
        share = np.linalg.solve(left @ right, left @ self.offset)
        rates = np.linalg.solve(left @ right, left @ (self.matrix @ right - right))
        return (right @ share).real, -(right @ np.linalg.solve(rates, share)).real

    def _dying(
        self,
        left: NDArray[np.complex128],
        vectors: NDArray[np.complex128],
        removed: float,
        levels: Array,
    ) -> list[Mode]:
        fastest = float(np.abs(left - 1.0).max())
        modes = []
        for k in np.argsort(-np.abs(left), kind="stable"):
            if np.abs(left[k] - 1.0) < STAYS * fastest or left[k].imag < 0.0:
                continue
            # What is left of the fastest is lost in rounding: their half-lives are at most what is told.
            size, angle = max(LOST, float(np.abs(left[k]))), float(np.angle(left[k]))
            cycles = -log(2.0) / log(size) if size < 1.0 else inf
            rate = log(2.0) / (cycles * self.time)
            shape = vectors[:, k].astype(complex)
            for start in levels:
                shape[start : start + PLANES] = 0.0
            slow = np.abs(left[k] - 1.0) < SLOW * fastest
            runs_round = 0.0 < abs(angle) < np.pi and size > LOST
            period = 2.0 * np.pi * self.time / abs(angle) if runs_round else None
            modes.append(
                Mode(
                    rate,
                    cycles * self.time,
                    cycles * removed,
                    False,
                    bool(slow),
                    period,
                    self._unit(real_shape(shape)),
                )
            )
        return modes

    def _unit(self, shape: Array) -> Array:
        parts = self.apart(shape).values()
        return shape / max(1e-300, *(float(np.sqrt((part**2).sum())) for part in parts))


@dataclass(frozen=True)
class CycleSpectrum:
    """The shapes of a cycle, those that stay first.

    `drift` (n,) [m/s] and `residue` (n,) [m] (as the cycle ends) of the stacked coefficients; `bedded_drift`
    and `bedded_residue` the same with slow shapes counted among those that stay; `removal` [m/s] by plate,
    over the whole cycle; the modes' `half_removed` is the mean depth off all plates.
    """

    modes: tuple[Mode, ...]
    survivors: int
    gap: float
    drift: Array
    residue: Array
    bedded_drift: Array
    bedded_residue: Array
    removal: dict[str, float]


def join(names: Sequence[str], faces: Sequence[Basis], pair: tuple[str, str], part: Array) -> Array:
    """Write a map of (bottom, top) coefficients, (n, n) or (n,), into the stack of all plates."""
    starts = dict(zip(names, np.cumsum([0, *(face.size for face in faces)]), strict=False))
    sizes = dict(zip(names, (face.size for face in faces), strict=True))
    at = np.concatenate([np.arange(starts[n], starts[n] + sizes[n]) for n in pair])
    total = sum(sizes.values())
    if part.ndim == 1:
        offset = np.zeros(total)
        offset[at] = part
        return offset
    matrix = np.eye(total)
    matrix[np.ix_(at, at)] = part
    return matrix


def spells_of(
    model: ReducedModel, number: int, grit: str = "", age: float = 0.0
) -> tuple[list[Spell], float]:
    """Spells of step `number`, and the age of the grit at its end [s].

    `grit` and its `age` [s] as the step begins.  Angles that last long against the time in which a mismatch
    dies are spells of their own.

    Raises
    ------
    CannotDoError
        When who is on top is decided by a gauge.

    """
    step = model.steps[number - 1]
    if step.swap is not None and step.swap.read is not None:
        raise CannotDoError(
            f"steps.{number}.swap_every: who is on top follows the readings there, so no cycle can be "
            "forecast: give times instead, or run the study"
        )
    age = age_at_start(step, grit, age)
    spells: list[Spell] = []
    for stay in _places(model, number, step, age):
        spell, age = Spell.of(number, step, stay, age)
        spells.append(spell)
        if len(spells) > MOST_SPELLS:
            raise CannotDoError(
                f"steps.{number}: more than {MOST_SPELLS} spells: swap or turn less often"
            )
    return spells, age


def swaps_round(model: ReducedModel, number: int) -> list[Spell]:
    """The spells of step `number` until each plate was on top once; none when it ends before.

    Raises
    ------
    CannotDoError
        When who is on top is decided by a gauge.

    """
    spells, _ = spells_of(model, number)
    runs = [list(run) for _, run in groupby(spells, lambda spell: spell.top)]
    return [spell for run in runs[:2] for spell in run] if len(runs) > 1 else []


def _places(model: ReducedModel, number: int, step: Step, age: float) -> Iterator[Stay]:
    """Stays between swaps, and between indexes that last long."""
    every = model.motion(number).index_every
    if every and every / step.pace < SHORT_INDEX * model.tau(number, step.top, step.bottom):
        every = 0
    for stay in stays(step, thins=partial(model.thins, number), age=age):
        yield from between_indexes(stay, every)


def round_of(model: ReducedModel, repeats: bool = False) -> list[Spell]:
    """Spells of all steps, one after another; `repeats`: of a later round, whose grit has an age already."""
    grit, age = "", 0.0
    spells: list[Spell] = []
    for _ in range(2 if repeats else 1):
        spells = []
        for number, step in enumerate(model.steps, 1):
            some, age = spells_of(model, number, grit, age)
            spells += some
            grit = step.grit.name
    return spells


def cycle_of(model: ReducedModel, spells: Sequence[Spell]) -> Cycle:
    """Put spells together: they must bring every plate back to its place, as whole rounds of steps do.

    Where they repeat themselves the shortest cycle is taken, which tells its rates best.
    """
    keys = [(s.step, s.top, s.bottom, window_of(model, s), round(s.cut, 6)) for s in spells]
    spells = spells[: _period(keys)]
    names = tuple(model.plates)
    faces = tuple(model.basis(name) for name in names)
    total = sum(face.size for face in faces)
    matrix, offset = np.eye(total), np.zeros(total)
    for spell, (number, top, bottom, window, _) in zip(spells, keys, strict=False):
        parts = model.evolution(number, top, bottom, window).map_over(spell.cut)
        one, poured = (join(names, faces, (bottom, top), part) for part in parts)
        matrix, offset = one @ matrix, one @ offset + poured
    return Cycle(names, faces, matrix, offset, sum(spell.time for spell in spells), tuple(spells))


def _period(keys: Sequence[object]) -> int:
    """Smallest number of spells that, repeated, makes them all."""
    return next(n for n in range(1, len(keys) + 1) if len(keys) % n == 0 and keys[n:] == keys[:-n])


def window_of(model: ReducedModel, spell: Spell) -> tuple[int, int | None]:
    """Strokes to average for a spell: the whole step wherever that visits the same in the same shares."""
    motion, step = model.motion(spell.step), model.steps[spell.step - 1]
    turns = [t for t in (step.turn, step.walk) if t.angle != 0.0]
    moving = [t for t in turns if not t.indexed]
    if not turns and step.curve.period == 1.0:
        return 0, None
    if spell.strokes == step.total_strokes:
        return 0, None
    if moving and not motion.index_every:
        slowest = min(abs(t.angle) for t in moving) / (2.0 * np.pi)
        needed = TURNS if motion.dab is None else TURNS_OF_A_DAB
        if _working(step, spell) * slowest >= needed and spell.strokes >= step.curve.period:
            return 0, None
    if not turns and spell.strokes >= step.curve.period:
        return 0, None
    if motion.index_every and not moving:
        return _same_angles(model, spell)
    return spell.first, spell.strokes


def _working(step: Step, spell: Spell) -> float:
    """Strokes of a spell that count: fewer than all where the dab fades over them."""
    if step.grit.fade is None:
        return spell.strokes
    shares = cut_shares(step, np.arange(spell.first, spell.first + spell.strokes))
    return float(1.0 / (shares**2).sum())


def _same_angles(model: ReducedModel, spell: Spell) -> tuple[int, int | None]:
    """The first spell of the step that visits the same angles: so equal spells share one operator."""
    motion, step = model.motion(spell.step), model.steps[spell.step - 1]
    every = motion.index_every
    if spell.strokes <= every - spell.first % every:  # one angle alone
        poses = motion.poses(np.array([spell.first + 0.5]))
        wanted = np.array([poses.theta[0], poses.alpha[0]])
        for k in range(0, spell.first + 1, every):
            if step.total_strokes - k < min(every, spell.strokes):
                break
            seen = motion.poses(np.array([k + 0.5]))
            off = np.array([seen.theta[0], seen.alpha[0]]) - wanted
            if np.abs(np.remainder(off + np.pi, 2.0 * np.pi) - np.pi).max() < 1e-9:
                return k, min(every, step.total_strokes - k)
    cycle = motion.angle_cycle * every
    if cycle and motion.dab is not None:
        # Spells that find the same angles with the dab as old.
        again = lcm(cycle, max(1, stroke_period(step.fresh_every, step.pace)))
        return spell.first % again, spell.strokes
    if cycle and spell.strokes % cycle == 0:
        return 0, cycle
    return spell.first, spell.strokes


Placement = tuple[int, str, str]  # step from 1, top, bottom


def course(model: ReducedModel, margin: EdgeMargin) -> Iterator[dict[str, Array]]:
    """Yield the coefficients [m] by plate with which each step of the first round begins.

    A step that may stop by a gauge is taken for as long as it may go on; one that swaps by readings swaps by
    what they would be, inside `margin`.

    Raises
    ------
    DefectiveError, NoOverlapError
        Where a step before cannot be told.

    """
    return _walked(model, margin, Followed())


def lifting_by_placement(model: ReducedModel, margin: EdgeMargin) -> dict[Placement, Lifts]:
    """Where something lifts in each step, with each plate on top that comes to lie there.

    Steps from the first on that cannot be told are left out.
    """
    watch = Followed()
    with suppress(LapwrightError):
        deque(_walked(model, margin, watch), maxlen=0)
    return model.watched(watch)


def _walked(model: ReducedModel, margin: EdgeMargin, watch: Followed) -> Iterator[dict[str, Array]]:
    """The course, each spell of it watched."""
    faces = model.start()
    grit, age = "", 0.0

    def domed(name: str) -> float:
        return next(iter(model.basis(name).forms(faces[name], margin).values()))

    for number, step in enumerate(model.steps, 1):
        yield dict(faces)
        if step.swap is not None and step.swap.read is not None:
            # Spells between readings, of the faces as they are by then.
            age = age_at_start(step, grit, age)
            for stay in stays(step, lambda top, bottom: domed(bottom) > domed(top)):
                spell, age = Spell.of(number, step, stay, age)
                _lap(model, spell, faces, watch)
        else:
            spells, age = spells_of(model, number, grit, age)
            for spell in spells:
                _lap(model, spell, faces, watch)
        grit = step.grit.name


def _lap(model: ReducedModel, spell: Spell, faces: dict[str, Array], watch: Followed) -> None:
    """Move both faces on by a spell."""
    solved = model.evolution(spell.step, spell.top, spell.bottom, window_of(model, spell))
    pair = spell.bottom, spell.top
    start = np.concatenate([faces[name] for name in pair])
    ended = watch.lap((spell.step, spell.top, spell.bottom), solved, start, spell.cut)
    faces.update(zip(pair, np.split(ended, [faces[spell.bottom].size]), strict=True))
