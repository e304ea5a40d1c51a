"""How fast a stroke's operator, its spectrum and a prediction are, beside the operator's slow twin."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator
from math import pi, radians

import modes_twin
import numpy as np

from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import basis_of
from lapwright.modal.cells import overlap_rule
from lapwright.modal.cycle import cycle_of, round_of
from lapwright.modal.operator import assemble, operator_of
from lapwright.modal.points import instants_of
from lapwright.modal.propagator import propagator_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.spectrum import spectrum_of
from lapwright.specification.curves import FigureEight
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.units import GRAVITY

__all__ = ["picture"]

Line = tuple[str, str, str, bool | None]

LOAD = 3000.0 * pi * 0.08**2
TARGETS = {4: 0.03, 8: 0.15}
KAPPA = (1e-12, 1e-12)


def timed(
    work: Callable[[], object], times: int, clock: Callable[[], float] = time.process_time
) -> float:
    taken = []
    for _ in range(times):
        start = clock()
        work()
        taken.append(clock() - start)
    return statistics.median(taken)


def step_of(turn: Turn) -> Step:
    grit = Grit("g", 20e-6, Wear(iron=1e-12), Layer(1e-6))
    return Step("A", "B", grit, curve=FigureEight(0.053, 0.027), pace=1.0, turn=turn, time=3600.0)


def discs() -> dict[str, Plate]:
    return {name: Plate(Disc(0.16), mass=LOAD / GRAVITY, name=name) for name in "AB"}


def picture() -> Iterator[Line]:
    """Yield rows: what, measured, target, met."""
    still, turn = Turn(), Turn(radians(8.0))
    for name, turning in (("without turning", still), ("turning 8 degrees a stroke", turn)):
        motion = Motion(step_of(turning))
        for degree, target in TARGETS.items():
            bottom, top = (basis_of(plate, degree) for plate in discs().values())
            taken = timed(lambda: operator_of(bottom, top, motion), 15)  # noqa: B023
            yield (
                f"operator of one stroke, degree {degree}, 64 poses, {name}",
                f"{1e3 * taken:.1f} ms", f"{1e3 * target:.0f} ms", taken <= target,
            )  # fmt: skip
    yield from _others(turn)
    yield _twin(still)
    yield from _solved(turn)


def _others(turn: Turn) -> Iterator[Line]:
    ring = Plate(Ring(0.14, 0.06), mass=4.0, name="A")
    grooved = Plate(Disc(0.16), mass=4.0, grooves=Grooves("square", 0.01, 0.00225), name="B")
    plain = Plate(Disc(0.16), mass=4.0, name="A")
    for name, bottom, top in (
        ("ring on ring", Plate(Ring(0.16, 0.05), mass=4.0, name="B"), ring),
        ("40 % grooves, a lattice of 160 poses and more", grooved, plain),
    ):
        faces = basis_of(bottom, 8), basis_of(top, 8)
        taken = timed(lambda: operator_of(*faces, Motion(step_of(turn))), 5)  # noqa: B023
        yield f"operator, degree 8, turning, {name}", f"{1e3 * taken:.0f} ms", "", None


def _twin(turn: Turn) -> Line:
    bottom, top = (basis_of(plate, 4) for plate in discs().values())
    instants = instants_of(Motion(step_of(turn)), 0, 3600, 4)

    def points(cx: float, cy: float, theta: float) -> np.ndarray:
        at = (np.array([value]) for value in (cx, cy, theta))
        rule = overlap_rule(bottom.plate.outline, top.plate.outline, *at, 8)
        return np.column_stack([rule.x, rule.y, rule.area])

    slow = timed(lambda: modes_twin.operator(bottom, top, instants, points), 1)
    fast = timed(lambda: assemble(bottom, top, instants), 15)
    return (
        "operator beside its slow twin (loops over poses, points and shapes), degree 4, 4 poses",
        f"{1e3 * fast:.1f} ms against {1e3 * slow:.0f} ms: {slow / fast:.0f} times as fast", "", None,
    )  # fmt: skip


def _solved(turn: Turn) -> Iterator[Line]:
    work = ReducedModel(discs(), [step_of(turn)])
    flow = work.flow(1)
    taken = timed(lambda: propagator_of(flow), 15)
    yield (
        "solved for all times (eigenvectors, null space), degree 8",
        f"{1e3 * taken:.1f} ms",
        "",
        None,
    )
    solved = work.evolution(1)
    taken = timed(lambda: spectrum_of(flow, solved), 15)
    yield "shapes put in order", f"{1e3 * taken:.1f} ms", "", None
    for degree in (8, 12):
        model = ReducedModel(discs(), [step_of(turn)], degree)
        solved, face = model.evolution(1), model.basis("A")
        rows, start = face.form_rows(EdgeMargin()), np.zeros(2 * face.size)
        taken = timed(
            lambda: rows @ solved.after(start, 1000.0).reshape(2, -1).T,  # noqa: B023
            2000,
            time.perf_counter,
        )
        yield (
            f"a prediction, forms included, degree {degree}",
            f"{1e6 * taken:.0f} us", "100 us", taken <= 100e-6,
        )  # fmt: skip
    taken = timed(lambda: work.lifts(1), 5)
    yield "where something lifts, two states", f"{1e3 * taken:.0f} ms", "", None
    taken = timed(lambda: cycle_of(work, round_of(work)).spectrum(), 5)
    yield "one round as a cycle, and its shapes", f"{1e3 * taken:.0f} ms", "", None
