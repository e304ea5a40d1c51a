"""The steps of a study as linear systems, each operator worked out once, and forms after a time.

`ReducedModel`: what forms two plates have after a time, from what they have now, in some tens of
microseconds a guess.  `Glances`: what steps make and leave, at a low degree, for answers that may not wait.
Of a few motions what is made and the mark of the layer are within 1 % of the metal removed, or 3 nm, of what
degree 8 tells (docs/numerics.md); of more, the mark within a tenth or two of its size.  A motion that comes
again, as in a round of three plates, is worked out once.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from copy import copy
from dataclasses import dataclass, field, replace
from math import inf, nan

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CannotDoError, LapwrightError
from lapwright.integration.estimate import Outlook
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import (
    cut_of,
    cut_time,
    kappa,
    kappa_from_observation,
    settled,
    stays,
    thinning,
)
from lapwright.limits import LAYER_BAND
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import Basis, basis_of, degree_beside, degrees_of
from lapwright.modal.operator import LinearSystem, Operator, operator_of
from lapwright.modal.points import POSES
from lapwright.modal.propagator import (
    Followed,
    Lifting,
    Lifts,
    Propagator,
    lifting,
    made,
    propagator_of,
    share_of,
)
from lapwright.modal.propagator import made as what_is_made
from lapwright.modal.spectrum import Spectrum, lingering, spectrum_of
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Step, Swap, strokes_in

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
        strokes = [(step.top, step.bottom, 2.0 * step.curve.half_travel) for step in steps]
        self._degrees = degrees_of(plates, strokes if wider else [], degree)
        self._operators: dict[tuple[object, ...], Operator] = {}
        self._evolutions: dict[tuple[object, ...], Propagator] = {}
        self._motions: dict[int, Motion] = {}
        self._grits: dict[str, Grit] = {}

    def with_layers(self, depth: float, grits: Collection[str]) -> ReducedModel:
        """The same with the layers of some grits so many times as deep; operators are shared.

        Parameters
        ----------
        depth : float
            Times what it was.
        grits : collection of str
            Their names.

        Returns
        -------
        ReducedModel

        """
        other = copy(self)
        other._evolutions, other._grits = {}, {}
        other.steps = tuple(
            replace(
                step, grit=replace(grit, layer=Layer(depth * grit.layer.depth, grit.layer.pressure))
            )
            if (grit := step.grit).name in grits
            else step
            for step in self.steps
        )
        return other

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

    def spectrum(self, number: int) -> Spectrum:
        """What a step takes out, leaves alone and makes.

        Parameters
        ----------
        number : int
            Of the step, from 1.

        Returns
        -------
        Spectrum

        """
        solved, step = self.evolution(number), self.steps[number - 1]
        moves_on = made(self.operator(number), solved, cut_time(step))
        return spectrum_of(self.flow(number), solved, moves_on)

    def lifts(self, number: int, start: Mapping[str, Array] | None = None) -> Lifts:
        """Where something lifts in a step.

        `start`: coefficients by plate, as the plates come when None.

        Parameters
        ----------
        number : int
            Of the step, from 1.
        start : mapping, optional
            Coefficients (n,) [m] by plate.

        Returns
        -------
        Lifts

        """
        faces = start if start is not None else self.start()
        step, watch = self.steps[number - 1], Followed()
        placement = number, step.top, step.bottom
        stacked = np.concatenate([faces[step.bottom], faces[step.top]])
        watch.lap(placement, self.evolution(number), stacked, step.total_strokes / step.pace)
        return self.watched(watch)[placement]

    def watched(self, watch: Followed) -> dict[tuple[int, str, str], Lifts]:
        """What lifts in the placements that were watched, by step, top and bottom.

        Parameters
        ----------
        watch : Followed
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


Forms = Mapping[str, float]
Solved = tuple[LinearSystem, Propagator]

GLANCE_DEGREE, HASTY_DEGREE = 6, 4
COARSE, COARSER = (
    0.3,
    0.15,
)  # of the contact points of a grooved face, at half the places: closely, and else
FINE_ENOUGH = 0.8  # of them, at the degree of a run's page: forms within 1 % of the largest
CLOSELY, MOST = 4, 10  # motions: at the full degree, and in all; more would keep a person waiting
DEARLY = 2  # at the full degree of grooved faces, and of plates much wider than what runs on them
NO_MARGIN = EdgeMargin(share=0.0)


@dataclass(frozen=True)
class Glance:
    """Forms by plate and name [m].

    `made`: what the step adds to the pairs that stay, at edge margin 0.  `mark`: what the layer alone leaves
    by the end of the step, from flat faces on, what is made apart; `mark_by_layer` from where to where
    each of these forms lies, where the layer's depth is a guess.  `lingering`: pairs of faces by name that
    it hardly touches, with the metal that halves them.  `left`: what it leaves of the faces that the study
    begins with, where their outlines differ and the same one is on top all the time; at edge margin 0.
    `lift_share`: of the time in which something lifts, at its worst in the step; nan: not asked.
    `leaves_land`: land stays that is hardly rubbed, so that `made` goes at the pace at which the step ends.
    """

    made: Mapping[str, Forms]
    mark: Mapping[str, Forms]
    mark_by_layer: Mapping[str, Mapping[str, tuple[float, float]]] = field(default_factory=dict)
    lingering: Mapping[str, float] = field(default_factory=dict)
    left: Mapping[str, Forms] = field(default_factory=dict)
    lift_share: float = 0.0
    leaves_land: bool = False

    def half_difference(self, step: Step) -> float:
        """Change of (dome of the bottom - dome of the top) / 2 [m]; of a rail its bow stands for its dome."""
        below, above = (_dome(self.made[name]) for name in (step.bottom, step.top))
        return 0.5 * (below - above)


def _on_top(swap: Swap, top: str, look: Outlook) -> float:
    """How long a plate stays on top at one go [s], with a fresh dab where metal ends it."""
    if not swap.removed:
        return swap.on_top[top]
    return swap.removed[top] / look.thins[top] if look.thins[top] > 0.0 else inf


def _dome(forms: Forms) -> float:
    return forms["sphere"] if "sphere" in forms else forms["bow"]


class Glances:
    """Looks at steps one after another; `seed` of the study, for the hand's scatter.

    Of grooved faces at a higher `degree` half the places in the stroke serve where no angle is set over, and
    most of the contact points: forms are within 1 % of the largest of what twice the points and all places
    give.  `most` motions are worked out.  `guesses`: grits, by name, of which the layer's depth is a guess.
    `lifts` False: whether something lifts is known already and not looked for, a third of the time.
    """

    def __init__(
        self,
        plates: Mapping[str, Plate],
        seed: int = 0,
        margin: EdgeMargin = NO_MARGIN,
        degree: int = GLANCE_DEGREE,
        most: int = MOST,
        guesses: Collection[str] = (),
        lifts: bool = True,
    ) -> None:
        self.guesses = guesses
        self.lifts = lifts
        self.plates = plates
        self.seed = seed
        self.margin = margin
        self.degree = degree
        self.most = most
        self._operators: dict[object, Operator] = {}
        self._faces: dict[str, Array] = {}

    def of(self, step: Step, number: int, look: Outlook) -> Glance | None:
        """Look at step `number` (from 1); None where nothing rubs, or nothing can be told at a glance."""
        if look.speed <= 0.0 or (step.swap is not None and step.swap.read is not None):
            return None
        whole = sum(look.on_top.values())
        on_top = {top: time / whole for top, time in look.on_top.items() if time > 0.0}
        try:
            solved = {top: self.flow(step, number, look, top) for top in on_top}
            spells = [
                time if step.swap is None else _on_top(step.swap, top, look)
                for top, time in on_top.items()
            ]
            # On land that is hardly rubbed every shape goes slowly: that is no trait of the stroke.
            rubbed = not any(self._operator_of(step, number, top).leaves_land for top in on_top)
            slowly = lingering(list(solved.values()), spells, step.direction) if rubbed else {}
        except (LapwrightError, np.linalg.LinAlgError):
            return None

        def both(depth: float) -> list[dict[str, Forms]]:
            """What is made, and the mark, had the layer given so many times as much."""
            by_top = {
                top: self._with(step, number, top, flow, one.changed(1.0 / depth), whole)
                for top, (flow, one) in solved.items()
            }
            return [_together([(on_top[top], by_top[top][k]) for top in by_top]) for k in (0, 1)]

        made, mark = both(1.0)
        guess = step.grit.name in self.guesses
        bands = _bands([mark, *(both(depth)[1] for depth in LAYER_BAND)]) if guess else {}
        below, above = (self.plates[name].outline for name in (step.bottom, step.top))
        alone = len(on_top) == 1 and below != above
        left = self._left(step, *solved[step.top], whole) if alone else {}
        lift_share = self._lift_share(step, number, look, solved) if self.lifts else nan
        return Glance(made, mark, bands, slowly, left, lift_share, not rubbed)

    def _lift_share(
        self, step: Step, number: int, look: Outlook, solved: Mapping[str, Solved]
    ) -> float:
        """Share of the time in which something lifts; moves the faces on to the end of the step."""
        watch = Followed()
        age = look.grit_age
        for stay in stays(step, thins=lambda top, _: look.thins[top], age=age):
            cut, age = cut_of(step, age, stay.first, stay.strokes)
            flow, evolution = solved[stay.top]
            pair = stay.bottom, stay.top
            start = [
                self._face(name, face)
                for name, face in zip(pair, (flow.bottom, flow.top), strict=True)
            ]
            ended = watch.lap(stay.top, evolution, np.concatenate(start), cut)
            self._faces.update(zip(pair, np.split(ended, [flow.bottom.size]), strict=True))

        def look_at(top: str, states: Array) -> Lifts:
            operator = self._operator_of(step, number, top)
            return lifting(operator, step.grit.layer.stiffness, look.loads[top], states)

        return max(map(share_of, watch.lifts(look_at).values()), default=0.0)

    def _face(self, name: str, face: Basis) -> Array:
        """A plate as the steps before have left it, on the shapes of `face`."""
        if name not in self._faces:
            return face.start(self.plates[name])
        left, there = np.zeros(face.size), self._faces[name][: face.size]
        left[: there.size] = there
        return left

    def _left(
        self, step: Step, flow: LinearSystem, solved: Propagator, time: float
    ) -> dict[str, Forms]:
        """What is left of the faces that the study begins with after a `time` [s], nothing made."""
        faces = ((step.bottom, flow.bottom), (step.top, flow.top))
        start = np.concatenate([face.start(self.plates[name]) for name, face in faces])
        left = solved.after(start, time) - solved.after(np.zeros(start.size), time)
        parts = np.split(left, [flow.bottom.size])
        return {
            name: face.forms(part, NO_MARGIN)
            for (name, face), part in zip(faces, parts, strict=True)
        }

    def _with(
        self, step: Step, number: int, top: str, flow: LinearSystem, solved: Propagator, time: float
    ) -> tuple[Mapping[str, Forms], Mapping[str, Forms]]:
        """What is made and the mark, had this one lain on top all the time [s]."""
        bottom = step.bottom if top == step.top else step.top
        made = what_is_made(self._operator_of(step, number, top), solved, time) * time
        mark = solved.after(np.zeros(made.size), time) - made
        names, half = (bottom, top), flow.bottom.size

        def forms(z: Array, margin: EdgeMargin) -> dict[str, Forms]:
            parts = zip(names, (flow.bottom, flow.top), (z[:half], z[half:]), strict=True)
            return {name: face.forms(part, margin) for name, face, part in parts}

        return forms(made, NO_MARGIN), forms(mark, self.margin)

    def flow(
        self, step: Step, number: int, look: Outlook, top: str
    ) -> tuple[LinearSystem, Propagator]:
        """The flow of a step with a fresh dab and `top` on top, and its solution."""
        operator = self._operator_of(step, number, top)
        bottom = step.bottom if top == step.top else step.top
        kappas = look.kappas[bottom], look.kappas[top]
        flow = operator.flow(step.grit.layer.stiffness, kappas, look.loads[top])
        return flow, propagator_of(flow)

    def _operator_of(self, step: Step, number: int, top: str) -> Operator:
        bottom = step.bottom if top == step.top else step.top
        below, above = self.plates[bottom], self.plates[top]
        grooved = below.grooves is not None or above.grooves is not None
        hurry = self.degree <= GLANCE_DEGREE
        degrees = _degrees(below, above, self.degree, step)
        dear = grooved or degrees[0] != degrees[1]
        hasty = hurry and len(self._operators) >= (DEARLY if dear else CLOSELY)
        degrees = _degrees(below, above, HASTY_DEGREE, step) if hasty else degrees
        bases = basis_of(below, degrees[0]), basis_of(above, degrees[1])
        motion = Motion(step, (self.seed, 1, number))
        # Grit and swaps do not move the top; a scattering hand is another in every step.
        moves = (
            step.curve,
            step.direction,
            step.centre,
            step.carry_centre,
            step.pace,
            step.turn,
            step.walk,
        )
        kind = (
            step.load,
            step.total_strokes,
            step.hand,
            0 if step.hand.steady else number,
            motion.dab,
        )
        key = (bases[0].plate, bases[1].plate, *moves, *kind)
        if key not in self._operators:
            if len(self._operators) >= self.most:
                raise CannotDoError("too many different motions for a glance")
            points = (COARSER if hasty else COARSE if hurry else FINE_ENOUGH) if grooved else 1.0
            # Angles that are set over have few places in the stroke each: of those none are left out.
            half = grooved and (hurry or not (step.turn.indexed or step.walk.indexed))
            self._operators[key] = operator_of(
                *bases, motion, poses=POSES // 2 if half else POSES, fineness=points
            )
        return self._operators[key]


def _degrees(below: Plate, above: Plate, degree: int, step: Step) -> tuple[int, int]:
    travel = 2.0 * step.curve.half_travel
    return (
        degree_beside(below, [above], degree, travel),
        degree_beside(above, [below], degree, travel),
    )


def _bands(marks: Sequence[Mapping[str, Forms]]) -> dict[str, dict[str, tuple[float, float]]]:
    """The least and the most of every form."""
    return {
        name: {
            key: (min(m[name][key] for m in marks), max(m[name][key] for m in marks))
            for key in forms
        }
        for name, forms in marks[0].items()
    }


def _together(parts: Sequence[tuple[float, Mapping[str, Forms]]]) -> dict[str, Forms]:
    """Mean of forms by their shares."""
    names = parts[0][1]
    return {
        n: {k: sum(share * forms[n][k] for share, forms in parts) for k in names[n]} for n in names
    }
