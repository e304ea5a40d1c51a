"""Interior waves of two large plates by the operator (check 9), and three plates in turn (check 11)."""

from dataclasses import dataclass, replace

import known_answers
import numpy as np
import pytest
from modes_scene import KAPPA, STIFFNESS

from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import ROUND
from lapwright.modal.basis import Basis, basis_of
from lapwright.modal.cycle import cycle_of, join, round_of
from lapwright.modal.operator import assemble, kernel_of
from lapwright.modal.points import instants_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Circle, Line
from lapwright.specification.outline import Rectangle
from lapwright.specification.step import Turn
from lapwright.verification import closed_forms as exact
from lapwright.verification.scenes import NO_MARGIN, RADIUS, body, disc, start_step

REACH = 0.010
WAVE = 2 * np.pi * REACH  # so that q c = 1
SIDE = 40 * WAVE
DEGREE = 200  # of the points: five to a wave


@dataclass(frozen=True)
class Waves(Basis):
    """Planes, and a sine and a cosine along `angle`, instead of polynomials of high degree."""

    angle: float = 0.0

    def evaluate(self, x, y):
        planes = replace(basis_of(self.plate, 1)).evaluate(x, y)
        if self.degree == 1:
            return planes
        q = (np.cos(self.angle) * x + np.sin(self.angle) * y) / REACH
        return np.concatenate([planes, np.sqrt(2.0) * np.stack([np.sin(q), np.cos(q)])])

    @property
    def size(self):
        return 5


@pytest.mark.campaign
@pytest.mark.parametrize(
    ("curve", "angle", "factor", "rates"),
    [  # derived; brute force to 4 digits
        (Circle(REACH), 0.0, known_answers.circle(1.0, 1.0), (0.2348023, 1.7651977)),
        (Line(2 * REACH), 0.0, known_answers.along_line(1.0, 1.0), (0.1585290, 1.8414710)),
        (Line(2 * REACH), np.pi / 2, known_answers.across_line(), (0.0, 2.0)),
    ],
    ids=["circle", "line along", "line across"],
)
def test_interior_waves(curve, angle, factor, rates):
    """The operator's own sums over poses, on waves: within 1 % on plates of 40 waves."""
    assert known_answers.decay_rates(factor) == pytest.approx(rates, abs=1e-7)
    faces = []
    for name in "BA":
        plate = body(name, Rectangle(SIDE, SIDE), 1.0, 16)
        planes = basis_of(plate, 1)
        faces.append(Waves(plate, DEGREE, planes.mix, angle))
    step = start_step(1.0, curve=curve)
    found = assemble(*faces, instants_of(Motion(step), 0, 100, 32))
    got = np.sort(-np.linalg.eigvals(found.flow(STIFFNESS, (KAPPA, KAPPA), 1.0).matrix).real)
    unit = KAPPA * STIFFNESS * found.speed
    # a sine and a cosine of each, above the six planes
    np.testing.assert_allclose(got[-4:] / unit, np.repeat(rates, 2), rtol=0.01, atol=1e-9)


def three(turn=None, degree=3):
    """Three plates in turn, each pass by very short circles until it mates."""
    plates = {name: disc(name, 32) for name in "ABC"}
    circle = Circle(0.01 * RADIUS)
    steps = [
        start_step(
            top="ABC"[t], bottom="ABC"[b], curve=circle, pace=0.2 / (2 * np.pi * circle.radius), time=3.0e4,
            turn=turn if turn and (b, t) == exact.CYCLE[1] else Turn(),
        )
        for b, t in exact.CYCLE
    ]  # fmt: skip
    return ReducedModel(plates, steps, degree)


def quadratics(picture, matrix):
    """The map of a cycle on each form of the three plates alone (3, 3)."""
    found = {}
    for form in ROUND:
        size = picture.basis("A").size
        units = []
        for k in range(3):
            z = np.zeros(3 * size)
            row = picture.basis("ABC"[k]).form_rows(NO_MARGIN)[ROUND.index(form)]
            z[k * size : (k + 1) * size] = row / (row @ row)
            units.append(z)
        rows = [z / (z @ z) for z in units]
        found[form] = np.array(rows) @ matrix @ np.array(units).T
    return found


def test_three_plates_in_the_limit_of_long_passes():
    """Derived: spectral radius 2^(-3/2), (5 +- i sqrt 7)/16; mean twist for ever (1)."""
    picture = three()
    names, faces = tuple("ABC"), tuple(picture.basis(name) for name in "ABC")
    whole = np.eye(3 * faces[0].size)
    for number, (bottom, top) in enumerate(exact.CYCLE, 1):
        projection = kernel_of(picture.flow(number).matrix).projection
        whole = join(names, faces, ("ABC"[bottom], "ABC"[top]), projection) @ whole
    found = quadratics(picture, whole)
    pair = (5 + 1j * np.sqrt(7)) / 16
    for form in ("sphere", "saddle"):
        values = np.linalg.eigvals(found[form])
        assert np.abs(values).max() == pytest.approx(2**-1.5, abs=1e-6)
        assert np.sort_complex(values) == pytest.approx(
            np.sort_complex([0, pair, pair.conjugate()]), abs=1e-6
        )
    np.testing.assert_allclose(
        found["twist"],
        known_answers.cycle([known_answers.mate_same(*p) for p in exact.CYCLE]),
        atol=1e-6,
    )
    values, vectors = np.linalg.eig(found["twist"].T)
    assert values.real.max() == pytest.approx(1.0, abs=1e-9)
    kept = vectors[:, np.argmax(values.real)].real
    np.testing.assert_allclose(kept / kept.sum(), 1 / 3, atol=1e-6)  # the mean of the three


def test_three_plates_by_passes_that_end():
    """The same from a cycle of real passes; unless a plate is turned by 90 degrees."""
    picture = three()
    found = cycle_of(picture, round_of(picture))
    told = found.spectrum()
    assert told.survivors == 1
    assert found.forms(told.modes[0].shape)["A"]["twist"] != pytest.approx(0.0, abs=1.0)
    values = np.linalg.eigvals(quadratics(picture, found.matrix)["sphere"])
    assert np.abs(values).max() == pytest.approx(2**-1.5, abs=0.002)
    turned = three(Turn(np.pi / 2, 400))
    told = cycle_of(turned, round_of(turned)).spectrum()
    assert told.survivors == 0
