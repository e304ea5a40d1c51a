"""Decay of what does not mate (checks 8, 9)."""

from math import exp

import known_answers as waves
import numpy as np
import pytest

from lapwright.specification.curves import Circle, Line
from lapwright.specification.outline import Rectangle
from lapwright.specification.plate import Ripple, StartForm
from lapwright.specification.step import Step
from lapwright.verification import contact_rows as wear
from lapwright.verification.scenes import body, last, plain_grit

SIDE, REACH, CELLS, DEPTH = 0.4, 0.010, 128, 1e-6
WAVE = 2 * np.pi * REACH  # so that q c = 1


def test_uneven_pressure_dies_with_the_layers_time():
    # derived; the class of L. A. Galin, PMM 40 (1976) 981, from memory: 1000 s
    assert wear.mismatch_time() == pytest.approx(1000.0, rel=2e-3)


def lapped(curve, angle, mating, time):
    """Amplitude of the wave left over that at the start, in the middle of two large plates."""
    height = 0.2e-6
    bottom = body(
        "B", Rectangle(SIDE, SIDE), 1.0, CELLS, form=StartForm(ripple=Ripple(height, WAVE, angle))
    )
    # Turned over, sin(q x) becomes -sin(q x): the same ripple along 3-9 mates, its negative does not;
    # one along 12-6 lies as it is seen.
    same = mating == (angle == 0.0)
    form = StartForm(ripple=Ripple(height if same else -height, WAVE, angle))
    top = body("A", Rectangle(SIDE, SIDE), 3000.0 * SIDE**2, CELLS, form=form)
    kappa, pace = 1e-12, 2.0
    poses = (np.arange(4000) + 0.5) / 4000 * 2 * np.pi
    speed = np.hypot(*curve.velocity(poses).T).mean() * 2 * np.pi * pace
    strokes = round(time / (kappa * 3000.0 / DEPTH * speed) * pace)
    step = Step("A", "B", plain_grit(kappa, DEPTH), curve, pace=pace, strokes=strokes)
    end = last((top, bottom), step)
    x, y = bottom.grid.mesh()
    along = x if angle == 0.0 else y
    window = (np.abs(x) < 2 * WAVE / 2) & (np.abs(y) < 2 * WAVE / 2)
    wave = np.sin(2 * np.pi / WAVE * along) * window

    def amplitude(z):
        basis = np.stack([np.ones_like(x), x, y, x * x, y * y, wave], -1)[window]
        return np.linalg.lstsq(basis, z[window], rcond=None)[0][-1]

    assert end.lift_share == 0.0
    return amplitude(end.heights["B"]) / amplitude(bottom.heights()), time * strokes / round(
        strokes
    )


@pytest.mark.parametrize("mating", [True, False])
@pytest.mark.parametrize(
    ("curve", "angle", "factor", "rates"),
    [  # derived; brute force to 4 digits
        (Circle(REACH), 0.0, waves.circle(1.0, 1.0), (0.2348023, 1.7651977)),
        (Line(2 * REACH), 0.0, waves.along_line(1.0, 1.0), (0.1585290, 1.8414710)),
        (Line(2 * REACH), np.pi / 2, waves.across_line(), (0.0, 2.0)),
    ],
    ids=["circle", "line along", "line across"],
)
def test_interior_waves(curve, angle, factor, rates, mating):
    rate = rates[0 if mating else 1]
    assert waves.decay_rates(factor)[0 if mating else 1] == pytest.approx(rate, abs=1e-7)
    left, time = lapped(curve, angle, mating, 1.0 if mating else 0.7)
    assert left == pytest.approx(exp(-rate * time), abs=0.01)
