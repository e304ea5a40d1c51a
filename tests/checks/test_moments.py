"""The exact moment laws on worn maps, 0.2 % at 128 cells, all at edge margin 0 (checks 6)."""

import numpy as np
import pytest
from known_answers import path_means

from lapwright.metrology.form import EdgeMargin, forms
from lapwright.specification.curves import Ellipse, FigureEight, Line, arc_moments
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Load, Swap, Turn
from lapwright.verification import motion_rows as moments
from lapwright.verification.closed_forms import PathMeans, circle_means, growth
from lapwright.verification.motion_rows import half_forms
from lapwright.verification.scenes import (
    NO_MARGIN,
    RADIUS,
    disc,
    form_of,
    last,
    line_start,
    plain_grit,
    start_step,
)

FLAT = StartForm()


def passes(rows):
    failed = [row for row in rows if not row.ok]
    assert not failed, "\n".join(map(str, failed))


@pytest.mark.campaign
def test_rows():
    passes(moments.moments_rows())


def means_of(curve, direction=0.0):
    c, s = np.cos(direction), np.sin(direction)
    turn = np.array([[c, -s], [s, c]]).T
    return path_means(lambda p: curve.position(p) @ turn, lambda p: curve.velocity(p) @ turn)


@pytest.mark.parametrize(
    ("curve", "square", "saddle"),
    [  # derived and confirmed independently, per amplitude^2
        (Line(2.0), 1 / 3, 1 / 3),
        (FigureEight(2.0, 1.0), 0.549, 0.331),
        (Ellipse(2.0, 1.0), 0.565, 0.275),
    ],
)
def test_means_over_the_programs_own_paths(curve, square, saddle):
    m = arc_moments(curve)
    assert m[0, 0] + m[1, 1] == pytest.approx(square, abs=6e-4)
    assert m[0, 0] - m[1, 1] == pytest.approx(saddle, abs=6e-4)
    assert means_of(curve).square == pytest.approx(m[0, 0] + m[1, 1], rel=1e-5)


def test_law_on_one_set_of_points():
    """Derived, 1e-12 on one set of points: nothing but the settling makes it, rough and lifting or not."""
    passes(moments.one_set_of_points())
    passes(moments.one_set_of_points(cells=41, number=17))


CASES = {
    "ellipse at 20 degrees": {"curve": Ellipse(0.05, 0.025), "direction": 0.35},
    "eight at -30 degrees": {"curve": FigureEight(0.053, 0.027), "direction": -0.5236},
    "line along 3-9": {"curve": Line(0.05), "direction": 0.0},
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("mated", [True, False])
def test_growth_for_any_start_forms(case, mated):
    given = CASES[case]
    below = StartForm(sphere=1.5e-6, saddle=-0.6e-6, twist=0.8e-6)
    above = (
        StartForm(sphere=-1.5e-6, saddle=0.6e-6, twist=0.8e-6)
        if mated
        else StartForm(sphere=0.7e-6)
    )
    step = start_step(0.5, **given)
    passes(moments.law(case, step, means_of(given["curve"], given["direction"]), below, above))


def test_law_holds_while_the_overlap_lifts():
    step = start_step(0.5, circle=0.45)
    passes(moments.law("circle 0.45 R, lifting", step, circle_means(0.45 * RADIUS), FLAT, FLAT))
    end = last((disc("A", 48), disc("B", 48)), start_step(0.05, circle=0.45))
    assert end.lift_share == pytest.approx(1.0)


def test_signs():
    """Derived: differences of spheres grow, of saddles fall along x, sums of twists at 45 degrees."""
    along = half_forms(line_start(0.5, direction=0.0), FLAT, FLAT, 64).growth
    assert along.sphere > 1e-8
    assert along.saddle == pytest.approx(-0.5 * 2 * along.sphere, rel=0.01)
    across = half_forms(line_start(0.5, direction=np.pi / 2), FLAT, FLAT, 64).growth
    assert across.saddle == pytest.approx(-along.saddle, rel=1e-6, abs=0)
    skew = half_forms(line_start(0.5), FLAT, FLAT, 64).growth
    assert skew.twist == pytest.approx(along.saddle, rel=0.02)
    other = half_forms(line_start(0.5, direction=-np.pi / 4), FLAT, FLAT, 64).growth
    assert other.twist == pytest.approx(-skew.twist, rel=1e-6, abs=0)


def test_line_at_45_degrees():
    """Computed independently, with a rim of first order in the cell: twist -70 nm bottom, -427 nm top after
    an hour of the starting case, each to 1 % of the larger (docs/numerics.md); their sum is exact."""
    top, bottom = disc("A", 128), disc("B", 128)
    end = last((top, bottom), line_start())
    low, high = form_of(bottom, end).twist, form_of(top, end).twist
    assert low == pytest.approx(-70e-9, abs=4.3e-9)
    assert high == pytest.approx(-427e-9, abs=4.3e-9)
    law = growth(means_of(Line(0.66 * RADIUS), np.pi / 4), end.removed["A"], RADIUS)
    assert 0.5 * (low + high) == pytest.approx(law.twist, rel=0.002)


def test_starting_case():
    """Computed independently, within 1 %: the numbers of the model page, section 7."""
    passes(moments.starting_case())


def test_equal_swaps_reverse_sphere_and_saddle_and_not_twist():
    swap = Swap({"A": 450.0, "B": 450.0})
    got = half_forms(line_start(direction=0.5236, swap=swap), FLAT, FLAT)
    once = growth(moments.LINE, got.removed, RADIUS)
    assert got.growth.sphere == pytest.approx(0.0, abs=0.002 * once.sphere)
    assert got.growth.saddle == pytest.approx(0.0, abs=0.002 * once.sphere)
    assert got.growth.twist == pytest.approx(once.twist, abs=0.002 * once.sphere)


def test_uneven_swaps_leave_the_difference_of_the_times():
    swap = Swap({"A": 2700.0, "B": 900.0})
    got = half_forms(start_step(swap=swap), FLAT, FLAT)
    kept = growth(circle_means(0.33 * RADIUS), 0.5 * got.removed, RADIUS).sphere
    assert got.growth.sphere == pytest.approx(kept, rel=0.004)


def test_twist_law_holds_between_swaps_in_a_stroke_at_45_degrees():
    swap = Swap({"A": 900.0, "B": 900.0})
    got = half_forms(line_start(swap=swap), FLAT, FLAT)
    expected = growth(PathMeans(0.0, 0.0, (0.66 * RADIUS) ** 2 / 12), got.removed, RADIUS)
    assert got.growth.twist == pytest.approx(expected.twist, rel=0.002)


def test_constant_offset_of_the_load_drops_out_on_a_centred_curve():
    """Derived: its moment multiplies the mean of c, which is zero."""
    plain = half_forms(start_step(0.5), FLAT, FLAT, load=30.0)
    aside = start_step(0.5, load=Load(15.0, (0.02, 0.01), "bench"))
    with_load = half_forms(aside, FLAT, FLAT, load=30.0)
    per_removal = plain.growth.sphere / plain.removed
    assert with_load.growth.sphere / with_load.removed == pytest.approx(per_removal, rel=0.002)


def test_kappa_scales_each_side():
    """Unequal kappa: each face's own quadratic moment, weighted by 1/kappa, still obeys the law."""
    kappas = {"A": 0.5e-12, "B": 1.5e-12}
    top, bottom = disc("A", 128), disc("B", 128)
    end = last((top, bottom), start_step(0.5, grit=plain_grit(kappas)))
    b, t = form_of(bottom, end).sphere, form_of(top, end).sphere
    depth = 3600 * 0.5 * 3000 * 2 * np.pi * 0.33 * RADIUS  # of pressure x path
    got = 0.5 * (b / kappas["B"] - t / kappas["A"]) / depth
    assert got == pytest.approx(6 * 0.33**2, rel=0.002)


def test_law_is_only_for_margin_zero():
    """At 2 % a correct program is off by up to 17 %: so the law is never read there."""
    top, bottom = disc("A", 128), disc("B", 128)
    end = last((top, bottom), start_step())
    at = [
        forms(bottom, end.heights["B"], m).sphere - forms(top, end.heights["A"], m).sphere
        for m in (NO_MARGIN, EdgeMargin())
    ]
    assert 0.005 < abs(at[1] / at[0] - 1) < 0.18


def test_turning_is_outside_the_law_but_slow_turning_near_it():
    """Derived for pure translation only; at a few degrees a stroke the sphere still follows within 3 %."""
    got = half_forms(start_step(0.5, turn=Turn(np.radians(5))), FLAT, FLAT, 64)
    assert got.growth.sphere == pytest.approx(
        growth(circle_means(0.33 * RADIUS), got.removed, RADIUS).sphere, rel=0.05
    )
