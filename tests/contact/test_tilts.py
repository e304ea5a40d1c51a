"""How flat many faces are at once, against the one zone that is exact."""

import numpy as np
import pytest

from lapwright.metrology.flatness import minimum_zone
from lapwright.optimisation.bench import _places, bench_of, flatness
from lapwright.study.read import parse

PAIR = """
plates.A = {{ {}, thickness = "30 mm", form = {{ {} = "1 um" }} }}
plates.B = {{ like = "A" }}
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "10 min"
"""


@pytest.mark.parametrize(
    "outline",
    [('disc = "160 mm"', "dome"), ('rectangle = ["300 mm", "60 mm"]', "bow")],
    ids=["disc", "rail"],
)
def test_it_is_the_minimum_zone_to_a_few_hundredths_and_never_less(outline):
    """Minimum zone by linear programming (defined in ISO 12781-1), 60 faces as a shop may have them."""
    bench = bench_of(parse(PAIR.format(*outline), "mine"))
    shops = bench.prior.draw(60, np.random.default_rng(8))[0]
    found = flatness(bench.layout, "A", shops)
    shapes, x, y = _places(bench.layout, "A")
    z = shops[:, bench.layout.face("A")] @ shapes
    exact = np.array([minimum_zone(x, y, one) for one in z])
    assert (found >= exact * (1.0 - 1e-9)).all()
    assert (found <= 1.03 * exact).all()
    assert found.mean() < 1.01 * exact.mean()
