"""Why a step does what it does, and how far the linear picture is off where something lifts.

How far the linear picture is off where something lifts: the step lapped in full beside it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import on_bench
from lapwright.errors import LapwrightError
from lapwright.integration.state import State
from lapwright.kinematics.schedule import cut_time
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.modal.basis import Basis, form_names
from lapwright.modal.operator import LinearSystem, Operator
from lapwright.modal.propagator import Lifting, Lifts, Propagator, bedded, made, share_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.spectrum import FormMode, Spectrum, named_errors
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Wear
from lapwright.units import Text

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Law:
    """The moment law held against the operator, for a top that only travels.

    The law gives the difference of the two faces' second moments of wear whatever the pressures are.
    `exact` and `found` [m3/s]: (bottom - top) of the integrals of (x^2 + y^2, x^2 - y^2, 2xy) x metal lost,
    each over its wear constant and W, (3,); the first alone where the top is set over by an angle, (1,).
    """

    exact: Array
    found: Array

    @property
    def error(self) -> float:
        """Largest difference, as a share of the first."""
        scale = float(np.abs(self.exact).max())
        return float(np.abs(self.found - self.exact).max()) / scale if scale > 0.0 else 0.0


@dataclass(frozen=True)
class StepAnalysis:
    """One step's motion on its pair, as the top is first laid on.

    `kappas` [1/Pa] of bottom and top with a fresh dab; `load` [N] of top and hand; `start` (n,) [m]: the
    faces as the step finds them; `lifts`: from there to the end of the step; `swapped`: the same with the
    plates in each other's places, if they come there; `long_run`: had it no end.
    """

    step: Step
    operator: Operator
    flow: LinearSystem
    evolution: Propagator
    spectrum: Spectrum
    kappas: tuple[float, float]
    load: float
    start: Array
    lifts: Lifts
    long_run: Lifting
    swapped: Lifts | None = None

    @property
    def names(self) -> tuple[str, str]:
        """Bottom and top."""
        return self.step.bottom, self.step.top

    @property
    def faces(self) -> tuple[Basis, Basis]:
        """Shapes of bottom and top."""
        return self.flow.bottom, self.flow.top

    @property
    def removal(self) -> float:
        """Mean depth lost in a second, mean of both [m/s]."""
        return 0.5 * sum(self.spectrum.removal)

    @cached_property
    def made(self) -> Array:
        """What the stroke makes of both faces (n,) [m/s]."""
        return made(self.operator, self.evolution, cut_time(self.step))

    @cached_property
    def bedded(self) -> Array:
        """The same, with what dies so slowly that nobody waits for it counted as staying (n,) [m/s]."""
        return bedded(self.operator, self.evolution, cut_time(self.step))

    @cached_property
    def named(self) -> tuple[FormMode, ...]:
        """Errors that have a name, and how fast each is halved."""
        return named_errors(
            self.flow, self.evolution, self.step.direction, slow_stays=self.operator.leaves_land
        )

    def forms(self, z: Array, margin: EdgeMargin) -> dict[str, dict[str, float]]:
        """Form errors of each plate by name, of stacked coefficients (n,).

        Parameters
        ----------
        z : Array
            (n,) [m], bottom and top stacked.
        margin : EdgeMargin
            What is left out along the edge.

        Returns
        -------
        dict
            Forms [m] by plate and name.

        """
        return dict(zip(self.names, self.spectrum.forms(z, margin), strict=True))

    @property
    def lift_share(self) -> float:
        """Share of the time in which something lifts, at its worst in the step."""
        return share_of(self.lifts)

    @cached_property
    def path_means(self) -> Array:
        """Averages by way gone of |c|^2, cx^2 - cy^2 and 2 cx cy of the top's centre c [m2] (3,)."""
        instants = self.operator.instants
        way = instants.share * np.hypot(instants.poses.vx, instants.poses.vy)
        x, y = instants.poses.cx, instants.poses.cy
        means: Array = np.array([x * x + y * y, x * x - y * y, 2.0 * x * y]) @ way
        return means / max(float(way.sum()), 1e-300)

    @cached_property
    def law(self) -> Law | None:
        """The moment law beside what the operator says; None where the top turns as it rubs."""
        return _law(self) if self.operator.symmetric else None


def reason_of(
    model: ReducedModel,
    number: int,
    start: Mapping[str, Array] | None = None,
    lifts: Mapping[tuple[int, str, str], Lifts] = MappingProxyType({}),
) -> StepAnalysis:
    """Find the reason of step `number` (from 1); `start`: coefficients by plate as the step finds them.

    `lifts` by step, top and bottom, as found over the whole course.

    Parameters
    ----------
    model : ReducedModel
        Of the study.
    number : int
        Of the step, from 1.
    start : mapping, optional
        Coefficients (n,) [m] by plate; as the plates come when None.
    lifts : mapping
        As above.

    Returns
    -------
    StepAnalysis

    Raises
    ------
    DefectiveError
        When what the stroke leaves alone does not stay.
    NoOverlapError
        Where the plates do not lie on each other.

    """
    step = model.steps[number - 1]
    start = start if start is not None else model.start()
    return StepAnalysis(
        step,
        model.operator(number),
        model.flow(number),
        model.evolution(number),
        model.spectrum(number),
        model.kappas(number, step.top, step.bottom),
        model.load(number, step.top),
        np.concatenate([start[step.bottom], start[step.top]]),
        lifts.get((number, step.top, step.bottom)) or model.lifts(number, start),
        model.long_run(number),
        lifts.get((number, step.bottom, step.top)),
    )


def _law(reason: StepAnalysis) -> Law:
    """Second moments of the wear of flat faces, and what the law says of them."""
    instants, half = reason.operator.instants, reason.flow.bottom.size
    p = instants.poses
    rubbed = instants.share * np.hypot(p.vx, p.vy)
    arm = instants.moment(reason.load) / reason.load
    c = np.stack([p.cx, p.cy], axis=1)
    along, across = (c[:, k] ** 2 + 2.0 * c[:, k] * arm[:, k] for k in (0, 1))
    crossed = 2.0 * c[:, 0] * c[:, 1] + 2.0 * (c[:, 0] * arm[:, 1] + c[:, 1] * arm[:, 0])
    exact = np.array([rubbed @ (along + across), rubbed @ (along - across), rubbed @ crossed])
    measured = np.zeros(3)
    for face, drive, kappa, over in (
        (reason.flow.bottom, reason.flow.drive[:half], reason.kappas[0], False),
        (reason.flow.top, reason.flow.drive[half:], reason.kappas[1], True),
    ):
        moments = np.array([face.fit(partial(_second, which, over)) @ drive for which in range(3)])
        measured -= (-1.0 if over else 1.0) * moments * face.plate.land_area / (kappa * reason.load)
    rows = 3 if np.abs(p.theta).max() < 1e-12 else 1
    return Law(exact[:rows], measured[:rows])


def _second(which: int, over: bool, u: Array, v: Array) -> Array:
    """x^2 + y^2, x^2 - y^2 or 2xy of the bench at points of a face; `over`: of a top, at theta = 0."""
    zero = np.zeros(1)
    x, y = on_bench(u, v, zero, zero, zero) if over else (u, v)
    moment: Array = (x * x + y * y, x * x - y * y, 2.0 * x * y)[which]
    return moment


LONGEST = 3600.0  # s rubbed: longer steps are held to their first hour
CELLS = 64  # across a plate


@dataclass(frozen=True)
class LinearisationError:
    """Forms of each plate by name [m] after `time` [s]: `foretold` by the picture and `lapped` in full.

    `trouble`: why it could not be lapped to the end, if so; the forms are then empty.
    """

    time: float
    foretold: Mapping[str, Mapping[str, float]]
    lapped: Mapping[str, Mapping[str, float]]
    trouble: Text | str = ""

    @property
    def largest(self) -> float:
        """Largest difference of any form [m]."""
        return max(
            (
                abs(self.foretold[name][key] - value)
                for name, forms in self.lapped.items()
                for key, value in forms.items()
            ),
            default=0.0,
        )

    def as_forms(self) -> dict[str, dict[str, float]]:
        """Lapped less foretold, by plate and form [m]."""
        return {
            name: {key: value - self.foretold[name][key] for key, value in forms.items()}
            for name, forms in self.lapped.items()
        }


def linearisation_error(
    plates: Mapping[str, Plate],
    reason: StepAnalysis,
    margin: EdgeMargin,
    *,
    seed: int = 0,
) -> LinearisationError:
    """Lap the pair of a step from the faces that it finds, without swaps, and hold the picture to it.

    Plates finer than `CELLS` are lapped at that many, long ones as they are: that costs a nanometre or two.
    """
    from lapwright.integration.loop import lap

    step = _alone(reason)
    pair = {name: _coarser(plates[name]) for name in reason.names}
    time = step.total_strokes / step.pace
    foretold = reason.forms(reason.evolution.after(reason.start, cut_time(step)), margin)
    begin = _begin(plates, pair, reason)
    try:
        end = deque(lap(pair, [step], seed=seed, margin=margin, after=begin), maxlen=1)[0]
    except LapwrightError as trouble:
        return LinearisationError(time, foretold, {}, trouble.text)
    lapped = {}
    for name, plate in pair.items():
        form = forms(plate, end.heights[name], margin)
        lapped[name] = {key: float(getattr(form, key)) for key in form_names(plate)}
    return LinearisationError(time, foretold, lapped)


def _alone(reason: StepAnalysis) -> Step:
    """The step without swaps and gauges, its first hour at most."""
    step = reason.step
    strokes = min(step.total_strokes, max(1, round(LONGEST * step.pace)))
    alone = replace(step, time=None, strokes=strokes, until=None, swap=None)
    if step.grit.wear.observed is None:
        return alone
    # What was observed has been turned into constants already; it is not observed again.
    wear = Wear(plates=dict(zip(reason.names, reason.kappas, strict=True)))
    return replace(alone, grit=replace(step.grit, wear=wear, held_in=None))


def _coarser(plate: Plate) -> Plate:
    return plate if plate.cells <= CELLS or plate.outline.long else replace(plate, cells=CELLS)


def _begin(plates: Mapping[str, Plate], pair: Mapping[str, Plate], reason: StepAnalysis) -> State:
    """The moment before the first stroke; faces that are as they came keep what is finer than the picture."""
    starts = np.split(reason.start, [reason.flow.bottom.size])
    heights = {}
    for name, face, start in zip(reason.names, reason.faces, starts, strict=True):
        plate = pair[name]
        heights[name] = plate.heights()
        if not np.array_equal(start, face.start(plates[name])):
            heights[name] = np.where(plate.land > 0.0, face.on(plate.grid, start), 0.0)
    return State.before(reason.step, pair, heights)
