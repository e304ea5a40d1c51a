"""The steps of a study as flows, each operator worked out once, and forms after a time.

What forms two plates have after a time, from what they have now: some tens of microseconds a guess.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import (
    cut_time,
    kappa,
    kappa_from_observation,
    settled,
    thinning,
)
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import Basis, basis_of, degrees_of, form_names
from lapwright.modal.operator import LinearSystem, Operator, operator_of
from lapwright.modal.points import POSES
from lapwright.modal.propagator import (
    Lifting,
    Lifts,
    Propagator,
    Watch,
    lifting,
    made,
    propagator_of,
)
from lapwright.modal.spectrum import Spectrum, spectrum_of
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Step, strokes_in

Array = NDArray[np.float64]

DEGREE = 8


class ReducedModel:
    """Plates by name and the steps done with them, on shapes up to `degree`.

    With `wider`, of plates much wider than what runs on them up to a higher one.

    `seed` of the study, for the hand's scatter; `poses`: instants that stand for a spell.  Steps are numbered
    from 1.  Where top and bottom are not given they lie as the step begins; `window`: (first stroke, strokes)
    to be averaged, all strokes of the step when the second is None.
    """

    def __init__(
        self,
        plates: Mapping[str, Plate],
        steps: Sequence[Step],
        degree: int = DEGREE,
        seed: int = 0,
        poses: int = POSES,
        wider: bool = True,
    ) -> None:
        self.plates = dict(plates)
        self.steps = tuple(steps)
        self.degree = degree
        self.seed = seed
        self.poses = poses
        pairs = [(step.top, step.bottom) for step in steps] if wider else []
        self._degrees = degrees_of(plates, pairs, degree)
        self._operators: dict[tuple[object, ...], Operator] = {}
        self._evolutions: dict[tuple[object, ...], Propagator] = {}
        self._motions: dict[int, Motion] = {}
        self._grits: dict[str, Grit] = {}

    def basis(self, name: str) -> Basis:
        """Shapes of a plate.

        Parameters
        ----------
        name : str
            Of the plate.

        Returns
        -------
        Basis

        """
        return basis_of(self.plates[name], self._degrees[name])

    def motion(self, number: int) -> Motion:
        """Motion of a step, with the scatter of its first round.

        Parameters
        ----------
        number : int
            Of the step, from 1.

        Returns
        -------
        Motion

        """
        if number not in self._motions:
            self._motions[number] = Motion(self.steps[number - 1], (self.seed, 1, number))
        return self._motions[number]

    def operator(
        self,
        number: int,
        top: str | None = None,
        bottom: str | None = None,
        window: tuple[int, int | None] = (0, None),
    ) -> Operator:
        """What a step does with `top` on `bottom`, whatever layer, wear and load.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom, window : str, str, tuple of int
            As of `evolution`.

        Returns
        -------
        Operator

        """
        key = self._key(number, top, bottom, window)
        if key not in self._operators:
            _, above, below, first, strokes = key
            self._operators[key] = operator_of(
                self.basis(below),
                self.basis(above),
                self.motion(number),
                first=first,
                strokes=strokes,
                poses=self.poses,
            )
        return self._operators[key]

    def flow(
        self,
        number: int,
        top: str | None = None,
        bottom: str | None = None,
        window: tuple[int, int | None] = (0, None),
    ) -> LinearSystem:
        """The flow of a step with a fresh dab.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom, window : str, str, tuple of int
            As of `evolution`.

        Returns
        -------
        LinearSystem

        """
        _, above, below, *_ = self._key(number, top, bottom, window)
        operator = self.operator(number, above, below, window)
        stiffness = self.steps[number - 1].grit.layer.stiffness
        return operator.flow(stiffness, self.kappas(number, above, below), self.load(number, above))

    def evolution(
        self,
        number: int,
        top: str | None = None,
        bottom: str | None = None,
        window: tuple[int, int | None] = (0, None),
    ) -> Propagator:
        """The flow solved for all times.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom : str, optional
            Names; those of the step when None.
        window : tuple of int
            First stroke and the one after the last (None: of the step).

        Returns
        -------
        Propagator

        """
        key = self._key(number, top, bottom, window)
        if key not in self._evolutions:
            self._evolutions[key] = propagator_of(self.flow(number, top, bottom, window))
        return self._evolutions[key]

    def spectrum(self, number: int, top: str | None = None, bottom: str | None = None) -> Spectrum:
        """What a step takes out, leaves alone and makes.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom : str, optional
            Names; those of the step when None.

        Returns
        -------
        Spectrum

        """
        solved, step = self.evolution(number, top, bottom), self.steps[number - 1]
        moves_on = made(self.operator(number, top, bottom), solved, cut_time(step))
        return spectrum_of(self.flow(number, top, bottom), solved, moves_on)

    def lifts(
        self,
        number: int,
        start: Mapping[str, Array] | None = None,
        cut: float | None = None,
        top: str | None = None,
        bottom: str | None = None,
    ) -> Lifts:
        """Where something lifts in a spell of `cut` [s] at a fresh dab's cut, of the whole step when None.

        `start`: coefficients by plate, as the plates come when None.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        start : mapping, optional
            Coefficients (n,) [m] by plate.
        cut : float, optional
            [s].
        top, bottom : str, optional
            Names; those of the step when None.

        Returns
        -------
        Lifts

        """
        _, above, below, *_ = self._key(number, top, bottom, (0, None))
        found = start if start is not None else self.start()
        step, watch = self.steps[number - 1], Watch()
        time = step.total_strokes / step.pace if cut is None else cut
        stacked = np.concatenate([found[below], found[above]])
        watch.lap((number, above, below), self.evolution(number, top, bottom), stacked, time)
        return self.watched(watch)[number, above, below]

    def watched(self, watch: Watch) -> dict[tuple[int, str, str], Lifts]:
        """What lifts in the placements that were watched, by step, top and bottom.

        Parameters
        ----------
        watch : Watch
            What was lapped through.

        Returns
        -------
        dict
            Lifts by step, top and bottom.

        """

        def look(placement: tuple[int, str, str], states: Array) -> Lifts:
            number, top, _ = placement
            stiffness = self.steps[number - 1].grit.layer.stiffness
            return lifting(self.operator(*placement), stiffness, self.load(number, top), states)

        return watch.lifts(look)

    def long_run(self, number: int) -> Lifting:
        """Where something would lift once the layer's mark is all there, had the step no end.

        Parameters
        ----------
        number : int
            Of the step, from 1.

        Returns
        -------
        Lifting

        """
        bedded = self.evolution(number).bedded_residue
        stiffness = self.steps[number - 1].grit.layer.stiffness
        load = self.load(number, self.steps[number - 1].top)
        return lifting(self.operator(number), stiffness, load, bedded[:, None])[0]

    def load(self, number: int, top: str) -> float:
        """Weight of the top and the hand [N].

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top : str
            Name.

        Returns
        -------
        float
            [N].

        """
        return self.plates[top].weight + self.steps[number - 1].load.force

    def kappas(self, number: int, top: str, bottom: str) -> tuple[float, float]:
        """Wear constants of bottom and top with a fresh dab [1/Pa].

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom : str
            Names.

        Returns
        -------
        tuple of float
            [1/Pa].

        """
        return kappa(self._grit(self.steps[number - 1]), self.plates[bottom], self.plates[top])

    def tau(self, number: int, top: str | None = None, bottom: str | None = None) -> float:
        """Time in which a mismatch dies to 37 % [s]; infinite where nothing rubs.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom : str, optional
            Names; those of the step when None.

        Returns
        -------
        float
            [s].

        """
        _, above, below, *_ = self._key(number, top, bottom, (0, None))
        stiffness = self.steps[number - 1].grit.layer.stiffness
        speed = self.operator(number, above, below).speed
        rate = stiffness * speed * sum(self.kappas(number, above, below))
        return 1.0 / rate if rate > 0.0 else inf

    def thins(self, number: int, top: str, bottom: str) -> float:
        """How fast both faces go down with a fresh dab, the mean of them.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        top, bottom : str
            Plates that lie so.

        Returns
        -------
        float
            [m/s].

        """
        work = self.load(number, top) * self.operator(number, top, bottom).speed
        rates = self.kappas(number, top, bottom)
        return thinning(self.plates[bottom], self.plates[top], rates, work)

    def start(self, heights: Mapping[str, Array] | None = None) -> dict[str, Array]:
        """Coefficients of each plate's map (ny, nx) [m]; of the starting forms when None.

        Parameters
        ----------
        heights : mapping, optional
            (ny, nx) [m] by plate.

        Returns
        -------
        dict
            Coefficients (n,) [m] by plate.

        """
        if heights is None:
            return {name: self.basis(name).start(plate) for name, plate in self.plates.items()}
        return {name: self.basis(name).project(z) for name, z in heights.items()}

    def _key(
        self, number: int, top: str | None, bottom: str | None, window: tuple[int, int | None]
    ) -> tuple[int, str, str, int, int | None]:
        step = self.steps[number - 1]
        return (number, top or step.top, bottom or step.bottom, *window)

    def _grit(self, step: Step) -> Grit:
        """The step's grit with its wear constants, as the time loop settles them."""
        name = step.grit.name
        if name not in self._grits:
            number = next(k for k, s in enumerate(self.steps, 1) if s.grit.name == name)
            grit = settled(self.steps[number - 1].grit, self.plates)
            self._grits[name] = grit if grit.wear.observed is None else self._observed(grit, number)
        return self._grits[name]

    def _observed(self, grit: Grit, number: int) -> Grit:
        seen, first = grit.wear.observed, self.steps[number - 1]
        assert seen is not None
        operator = self.operator(number, window=(0, strokes_in(seen.time, first.pace)))
        flow = operator.flow(grit.layer.stiffness, (1.0, 1.0), self.load(number, first.top))
        start = self.start()
        lost = -(flow.matrix @ np.concatenate([start[first.bottom], start[first.top]]) + flow.drive)
        mean = {first.bottom: float(lost[0]), first.top: float(lost[flow.bottom.size])}
        return replace(grit, wear=kappa_from_observation(seen, grit, self.plates, mean))


@dataclass(frozen=True)
class Predictor:
    """One pair under one step; `rows` (6, n): the form errors of the bottom, then of the top.

    A state is the stacked coefficients (n,) [m] of bottom and top, or columns of many (n, k).  Times are in
    seconds at a fresh dab's cut (`wear_time` of the law of wear).
    """

    bottom: Basis
    top: Basis
    evolution: Propagator
    margin: EdgeMargin
    rows: Array
    spreads: tuple[Array, Array]

    def start(self, z_bottom: Array, z_top: Array) -> Array:
        """State of two maps (ny, nx) [m], each as looking at the face."""
        return np.concatenate([self.bottom.project(z_bottom), self.top.project(z_top)])

    def after(self, state: Array, time: float) -> Array:
        """State after `time` [s]."""
        return self.evolution.after(state, time)

    def forms(self, state: Array) -> Array:
        """Form errors [m] of the bottom, then of the top (6,); names: `form_names` of each plate."""
        return self.rows @ state

    def named(self, state: Array) -> tuple[dict[str, float], dict[str, float]]:
        """Form errors [m] of bottom and top by name."""
        values = self.forms(state)
        one, two = form_names(self.bottom.plate), form_names(self.top.plate)
        below = dict(zip(one, map(float, values[: len(one)]), strict=True))
        return below, dict(zip(two, map(float, values[len(one) :]), strict=True))

    def rms(self, state: Array) -> tuple[float, float]:
        """Root mean square about the plane [m] of bottom and top."""
        parts = np.split(state, [self.bottom.size])
        low, high = (
            sqrt(max(0.0, float(part @ spread @ part)))
            for part, spread in zip(parts, self.spreads, strict=True)
        )
        return low, high

    def maps(self, state: Array) -> tuple[Array, Array]:
        """Both faces as maps (ny, nx) [m]."""
        return self.bottom.surface(state[: self.bottom.size]), self.top.surface(
            state[self.bottom.size :]
        )


def predictor_of(
    picture: ReducedModel,
    number: int,
    margin: EdgeMargin = EdgeMargin(),  # noqa: B008 (frozen)
    top: str | None = None,
    bottom: str | None = None,
) -> Predictor:
    """Solve step `number` of a picture; top and bottom as it begins when None."""
    flow = picture.flow(number, top, bottom)
    below, above = flow.bottom.form_rows(margin), flow.top.form_rows(margin)
    rows = np.zeros((below.shape[0] + above.shape[0], flow.drive.size))
    rows[: below.shape[0], : flow.bottom.size] = below
    rows[below.shape[0] :, flow.bottom.size :] = above
    spreads = flow.bottom.spread(margin), flow.top.spread(margin)
    solved = picture.evolution(number, top, bottom)
    return Predictor(flow.bottom, flow.top, solved, margin, rows, spreads)
