"""Intervals of sums of normal, uniform and two-point errors, against closed forms and against drawing."""

import numpy as np
import pytest

from lapwright.metrology.least_squares import Spread


def test_closed_forms():
    # normal: 1.959964 sd; one uniform: 0.95 of its half width (both by definition)
    assert Spread(normal=2.0).half == pytest.approx(2 * 1.959963984540054, rel=1e-12)
    assert Spread(uniform=(1.0,)).half == pytest.approx(0.95, abs=2e-3)
    # two equal uniforms make a triangle: P(|e| < x) = 1 - (1 - x/2)^2 = 0.95 at 2 - 2 sqrt(0.05)
    assert Spread(uniform=(1.0, 1.0)).half == pytest.approx(2 - 2 * 0.05**0.5, abs=2e-3)
    # GUM 4.3.7 and H: standard uncertainties
    assert Spread(uniform=(3**0.5,)).standard == pytest.approx(1.0)
    assert Spread(normal=3.0, two_point=(4.0,)).standard == pytest.approx(5.0)
    assert Spread().half == 0.0


def test_one_uniform_and_one_two_point():
    # + or - 1 with a uniform of half width 0.5 about each: |e| from 0.5 to 1.5, evenly: 95 % at 1.45
    assert Spread(uniform=(0.5,), two_point=(1.0,)).half == pytest.approx(1.45, abs=3e-3)


def test_what_is_only_bounded_adds_as_it_stands():
    assert Spread(normal=1.0, bound=2.0).half == pytest.approx(3.959964, rel=1e-6)
    assert Spread(bound=2.0).half == 2.0


@pytest.mark.always("spread0", "spread1", "spread2")
@pytest.mark.parametrize(
    "spread",
    [
        Spread(0.3, (1.0, 0.4, 0.2), (0.8,)),
        Spread(0.05, (0.5,) * 8, (0.25,) * 8),
        Spread(0.02, (), (1.0, 1.0, 1.0)),
        Spread(0.1, (0.1,) * 200, (0.05,) * 200),
    ],
)
def test_holds_95_per_cent_of_what_is_drawn(spread):
    rng = np.random.default_rng(5)
    n = 400_000
    drawn = spread.normal * rng.normal(size=n)
    for a in spread.uniform:
        drawn += a * rng.uniform(-1, 1, n)
    for a in spread.two_point:
        drawn += a * rng.choice((-1.0, 1.0), n)
    assert (np.abs(drawn) <= spread.half).mean() == pytest.approx(0.95, abs=0.002)
    assert drawn.std() == pytest.approx(spread.standard, rel=0.01)
