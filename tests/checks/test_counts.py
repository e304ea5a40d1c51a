"""How many pairs a stroke leaves alone: exact integers (check 12; model, section 6).

Derived; the lower pairs of F. Reuleaux, 1876, published in secondary sources: two bodies that stay in contact
all over while they move on each other are planes, spheres, round or straight profiles.
"""

import numpy as np
import pytest
from modes_scene import EIGHT, FREE, LINE, ONCE_A_STROKE, STILL, flow, index, stroke

from lapwright.modal.operator import kernel_of
from lapwright.specification.curves import Ellipse
from lapwright.specification.step import Turn

RIGID = 6
GAP = 1e6
COUNTS = {
    "circle, free turning": (stroke(turn=FREE), lambda d: 1),
    "eight, free turning": (stroke(EIGHT, FREE), lambda d: 1),
    "straight, free turning": (stroke(LINE, FREE), lambda d: 1),
    "eight, turned 137.5 degrees a stroke": (stroke(EIGHT, Turn(np.radians(137.5))), lambda d: 1),
    "circle": (stroke(), lambda d: 3),
    "eight": (stroke(EIGHT), lambda d: 3),
    "ellipse": (stroke(Ellipse(0.05, 0.02), direction=0.4), lambda d: 3),
    "still, turning": (stroke(STILL, FREE), lambda d: d // 2),
    "circle, one turn a stroke": (stroke(turn=ONCE_A_STROKE), lambda d: d // 2),
    "circle, 180 index": (stroke(turn=index(180)), lambda d: 3),
    "circle, 90 index": (stroke(turn=index(90)), lambda d: 1),
    "circle, 120 index": (stroke(turn=index(120)), lambda d: 1),
    "straight": (stroke(LINE), lambda d: d + 1),
    "straight at 25 degrees": (stroke(LINE, direction=np.radians(25)), lambda d: d + 1),
    "straight, 180 index": (stroke(LINE, index(180)), lambda d: 2 + d // 2),
    "straight, 90 index": (stroke(LINE, index(90)), lambda d: 1),
}


@pytest.mark.parametrize("degree", [4, 5, 8])
@pytest.mark.parametrize("case", COUNTS)
def test_counts(case, degree):
    step, count = COUNTS[case]
    kernel = kernel_of(flow(step, degree).matrix)
    assert kernel.right.shape[1] - RIGID == count(degree)
    assert kernel.gap > GAP


@pytest.mark.always("6")
@pytest.mark.parametrize("degree", [6, 12])
def test_counts_at_other_degrees(degree):
    for case in ("straight", "straight, 180 index", "still, turning", "circle"):
        step, count = COUNTS[case]
        kernel = kernel_of(flow(step, degree).matrix)
        assert kernel.right.shape[1] - RIGID == count(degree), case
        assert kernel.gap > GAP, case


@pytest.mark.always(*range(0, 8))
@pytest.mark.parametrize("fineness", [0.3, 0.6, 2.0])
@pytest.mark.parametrize("case", ["straight", "circle, 180 index", "circle, one turn a stroke"])
def test_counts_do_not_stand_on_the_quadrature(case, fineness):
    step, count = COUNTS[case]
    kernel = kernel_of(flow(step, 8, fineness=fineness).matrix)
    assert kernel.right.shape[1] - RIGID == count(8)
    assert kernel.gap > GAP
