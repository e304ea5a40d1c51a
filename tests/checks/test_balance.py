"""Volumes balance, whatever the layer, the tilt and the overhang (checks 1)."""

from math import pi

import numpy as np
import pytest

from lapwright.specification.curves import Circle, FigureEight, Line, path_length
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Load, Step, Turn
from lapwright.verification.closed_forms import lost_volume
from lapwright.verification.scenes import body, last, plain_grit

FORMS = {"sphere": 2e-6, "saddle": -1e-6, "twist": 1.5e-6}
LOAD = 45.0


def volume(plate, z):
    return float((plate.land * (plate.heights() - z)).sum()) * plate.grid.cell**2


def pair(top=None, bottom=None, cells=48, cells_top=48, **more):
    over = body("top", top or Disc(0.16), 0.4 * LOAD, cells_top, form=StartForm(**FORMS), **more)
    under = body("bottom", bottom or Disc(0.16), 1.0, cells, form=StartForm(sphere=1e-6), **more)
    return over, under


CASES = {
    "flat hand, stiff layer": ({}, {"depth": 0.2e-6}, {}),
    "soft layer": ({}, {"depth": 20e-6}, {}),
    "tilted": ({}, {}, {"load": Load(0.6 * LOAD, (0.04, 0.02))}),
    "pushed": ({}, {}, {"load": Load(0.6 * LOAD, push_height=0.04)}),
    "far over the edge": ({}, {}, {"curve": Circle(0.05)}),
    "off centre": ({}, {}, {"curve": Line(0.05), "direction": 0.7, "centre": (0.03, -0.01)}),
    "rectangle on ring": ({"top": Rectangle(0.1, 0.06), "bottom": Ring(0.2, 0.06)}, {}, {}),
    "grids that do not match": ({"cells_top": 37}, {}, {}),
    "grooved": ({"grooves": Grooves("square", 0.02, 0.004, 0.2)}, {}, {}),
    "quarter turns": ({}, {}, {"turn": Turn(pi / 2, 3)}),
    "indexed by 50 degrees": ({}, {}, {"turn": Turn(0.8727, 2)}),
}


@pytest.mark.parametrize("case", CASES)
def test_volume_balance(case):
    """F. W. Preston 1927, from memory; the balance derived: both = (kappa_t + kappa_b) F * path, to 1e-8."""
    plates, layer, step = CASES[case]
    over, under = pair(**plates)
    given = {
        "curve": FigureEight(0.05, 0.03),
        "load": Load(0.6 * LOAD),
        "pace": 1.0,
        "strokes": 24,
    } | step
    grit = plain_grit({"top": 0.8e-12, "bottom": 0.3e-12}, **layer)
    step = Step("top", "bottom", grit, **given)
    end = last((over, under), step)
    path = step.total_strokes * path_length(step.curve)
    lost = {plate.name: volume(plate, end.heights[plate.name]) for plate in (over, under)}
    # Nothing to fall back on: volumes are small numbers, so no absolute tolerance.
    assert sum(lost.values()) == pytest.approx(lost_volume(1.1e-12, LOAD, path), rel=1e-8, abs=0)
    for plate, kappa in ((over, 0.8e-12), (under, 0.3e-12)):
        own = lost_volume(kappa, LOAD, path)
        assert lost[plate.name] == pytest.approx(own, rel=1e-8, abs=0)
        assert end.removed[plate.name] == pytest.approx(own / plate.land_area, rel=1e-8, abs=0)


@pytest.mark.campaign
def test_scaling_of_the_gathered_load_is_near_one():
    """Model, section 5: one factor within 1e-3 of 1 on plain faces."""
    over, under = pair(cells=96, cells_top=96)
    turning = Step(
        "top",
        "bottom",
        plain_grit(),
        FigureEight(0.05, 0.03),
        turn=Turn(0.14),
        strokes=12,
        pace=1.0,
    )
    end = last((over, under), turning)
    assert 0.0 < end.scale_error < 1e-3


def test_mass_is_lost_only_where_land_faces_land():
    over, under = pair(top=Disc(0.08), bottom=Disc(0.16))
    end = last(
        (over, under), Step("top", "bottom", plain_grit(), Circle(0.01), strokes=10, pace=1.0)
    )
    x, y = under.grid.mesh()
    away = np.hypot(x, y) > 0.04 + 0.01 + 1.5 * under.grid.cell + 0.5 * under.grid.cell
    lost = under.heights() - end.heights["bottom"]
    assert np.abs(lost[away]).max() == 0.0
    assert lost[np.hypot(x, y) < 0.03].min() > 0.0
