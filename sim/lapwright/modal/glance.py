"""What steps make and leave, at a glance: the picture at a low degree, for answers that may not wait.

Of a few motions what is made and the mark of the layer are within 1 % of the metal removed, or 3 nm, of what
degree 8 tells (docs/numerics.md); of more, the mark within a tenth or two of its size.  A motion that comes
again, as in a round of three plates, is worked out once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CannotDoError, LapwrightError
from lapwright.integration.estimate import Outlook
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import cut_of, stays
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import Basis, basis_of, degree_beside
from lapwright.modal.operator import LinearSystem, Operator, operator_of
from lapwright.modal.points import POSES
from lapwright.modal.propagator import Lifts, Propagator, Watch, lifting, propagator_of, share_of
from lapwright.modal.propagator import made as what_is_made
from lapwright.modal.spectrum import lingering
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Swap

Array = NDArray[np.float64]
Forms = Mapping[str, float]
Solved = tuple[LinearSystem, Propagator]

DEGREE, HASTY_DEGREE = 6, 4
COARSE, COARSER = (
    0.3,
    0.15,
)  # of the contact points of a grooved face, at half the places: closely, and else
CLOSELY, MOST = 4, 10  # motions: at the full degree, and in all; more would keep a person waiting
DEARLY = 2  # at the full degree of grooved faces, and of plates much wider than what runs on them
NO_MARGIN = EdgeMargin(share=0.0)


@dataclass(frozen=True)
class Glance:
    """Forms by plate and name [m].

    `made`: what the step adds to the pairs that stay, at edge margin 0.  `mark`: what the layer alone leaves
    by the end of the step, from flat faces on, what is made apart.  `lingering`: pairs of faces by name that
    it hardly touches, with the metal that halves them.  `left`: what it leaves of the faces that the study
    begins with, where their outlines differ and the same one is on top all the time; at edge margin 0.
    `lift_share`: of the time in which something lifts, at its worst in the step.  `leaves_land`: land stays
    that is hardly rubbed, so that `made` goes at the pace at which the step ends.
    """

    made: Mapping[str, Forms]
    mark: Mapping[str, Forms]
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
    return swap.removed[top] / look.thins[top] if swap.removed else swap.on_top[top]


def _dome(forms: Forms) -> float:
    return forms["sphere"] if "sphere" in forms else forms["bow"]


class Glances:
    """Looks at steps one after another; `seed` of the study, for the hand's scatter.

    At a higher `degree` grooves are looked at as closely as everything else; `most` motions are worked out.
    """

    def __init__(
        self,
        plates: Mapping[str, Plate],
        seed: int = 0,
        margin: EdgeMargin = NO_MARGIN,
        degree: int = DEGREE,
        most: int = MOST,
    ) -> None:
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
        found = {top: self._with(step, number, top, *solved[top], whole) for top in on_top}
        made, mark = (_together([(on_top[top], found[top][k]) for top in found]) for k in (0, 1))
        below, above = (self.plates[name].outline for name in (step.bottom, step.top))
        alone = len(on_top) == 1 and below != above
        left = self._left(step, *solved[step.top], whole) if alone else {}
        lift_share = self._lift_share(step, number, look, solved)
        return Glance(made, mark, slowly, left, lift_share, not rubbed)

    def _lift_share(
        self, step: Step, number: int, look: Outlook, solved: Mapping[str, Solved]
    ) -> float:
        """Share of the time in which something lifts; moves the faces on to the end of the step."""
        watch = Watch()
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
        hurry = self.degree <= DEGREE
        degrees = _degrees(below, above, self.degree)
        dear = grooved or degrees[0] != degrees[1]
        hasty = hurry and len(self._operators) >= (DEARLY if dear else CLOSELY)
        degrees = _degrees(below, above, HASTY_DEGREE) if hasty else degrees
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
            self._operators[key] = (
                operator_of(*bases, motion, poses=POSES // 2, fineness=COARSER if hasty else COARSE)
                if hurry and grooved
                else operator_of(*bases, motion)
            )
        return self._operators[key]


def _degrees(below: Plate, above: Plate, degree: int) -> tuple[int, int]:
    return degree_beside(below, [above], degree), degree_beside(above, [below], degree)


def _together(parts: Sequence[tuple[float, Mapping[str, Forms]]]) -> dict[str, Forms]:
    """Mean of forms by their shares."""
    names = parts[0][1]
    return {
        n: {k: sum(share * found[n][k] for share, found in parts) for k in names[n]} for n in names
    }
