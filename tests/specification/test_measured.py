"""Maps on other cells: exact on what must be exact, means where the map is finer, nothing invented."""

import numpy as np
import pytest

from lapwright.specification.grooves import Grid
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Measured, Plate, StartForm, boxes, cubic, resampled


def quadratic(x, y):
    return 1.0 + 2.0 * x - 3.0 * y + 4.0 * x * x - 5.0 * x * y + 6.0 * y * y


def test_a_mean_over_boxes_is_what_an_integral_gives():
    # slow twin: each point is a box of its own; overlap added up box by box
    rng = np.random.default_rng(1)
    values, start, step, width = rng.normal(size=23), -1.7, 0.31, 0.83
    centres = np.linspace(-2.5, 5.9, 14)
    got = boxes(start, step, 23, centres, width)
    for j, centre in enumerate(centres):
        want = covered = 0.0
        for k, value in enumerate(values):
            low = max(start + (k - 0.5) * step, centre - width / 2)
            high = min(start + (k + 0.5) * step, centre + width / 2)
            if high > low:
                want, covered = want + value * (high - low) / width, covered + (high - low) / width
        window = values[got.first[j] : got.first[j] + got.share.shape[1]]
        assert (got.share[j] * window).sum() == pytest.approx(want, abs=1e-12)
        assert got.share[j].sum() == pytest.approx(covered, abs=1e-12)


def test_the_curve_is_exact_on_quadratics_to_its_very_end():
    x, y = np.arange(6) * 0.7 - 1.0, np.arange(5) * 0.9 + 2.0
    z = quadratic(*np.meshgrid(x, y))
    # half a step beyond the outermost points too
    fx, fy = np.linspace(-1.35, 2.85, 41), np.linspace(1.55, 6.05, 37)
    got = resampled(z, cubic(2.0, 0.9, 5, fy), cubic(-1.0, 0.7, 6, fx))
    assert got == pytest.approx(quadratic(*np.meshgrid(fx, fy)), rel=1e-12)


def test_the_curve_goes_through_its_points_and_ends_where_they_do():
    z = np.random.default_rng(2).normal(size=(1, 9))
    one = boxes(0.0, 1.0, 1, np.zeros(1), 1.0)
    assert resampled(z, one, cubic(0.0, 1.0, 9, np.arange(9.0))) == pytest.approx(z, abs=1e-14)
    beyond = cubic(0.0, 1.0, 9, np.array([-0.6, 8.6, 50.0]))
    assert not beyond.share.any()


def test_the_error_of_the_curve_falls_with_the_third_power():
    # R. G. Keys 1981 (from memory): third order
    errors = []
    for n in (20, 40, 80):
        x = np.arange(n) / n
        fine = np.linspace(0.2, 0.7, 301)
        got = resampled(
            np.sin(7.0 * x)[None, :],
            boxes(0.0, 1.0, 1, np.zeros(1), 1.0),
            cubic(0.0, 1.0 / n, n, fine),
        )
        errors.append(np.abs(got[0] - np.sin(7.0 * fine)).max())
    assert errors[0] / errors[1] > 7.5
    assert errors[1] / errors[2] > 7.5


def face(grid):
    x, y = grid.mesh()
    return quadratic(x, y)


def test_the_same_cells_give_the_same_bits():
    grid = Grid.over(1.0, 0.6, 31)
    z = np.random.default_rng(3).normal(size=grid.shape)
    assert np.array_equal(Measured(grid, z).over(grid), z)


@pytest.mark.parametrize("cells", [17, 31, 64, 128])
def test_other_cells(cells):
    coarse, other = Grid.over(1.0, 1.0, 32), Grid.over(1.0, 1.0, cells)
    got = Measured(coarse, face(coarse)).over(other)
    inside = (slice(1, -1), slice(1, -1))
    left = (got - face(other))[inside]
    assert np.ptp(left) < 1e-12
    # a mean over a cell of side c lies (4 + 6) c^2 / 12 above its middle, less what the pieces are too coarse
    # for (by hand: x^2 has the mean c^2/12); a height between cells nothing
    pieces = 2 * np.ceil(32 / cells)
    want = 10.0 * other.cell**2 / 12.0 * (1.0 - pieces**-2.0) if cells < 32 else 0.0
    assert left.mean() == pytest.approx(want, abs=1e-12)


def test_between_the_cells_and_over_the_cells_agree():
    grid, fine = Grid.over(0.2, 0.1, 40), Grid.over(0.2, 0.1, 90)
    held = Measured(grid, np.random.default_rng(4).normal(size=grid.shape))
    assert held.at(*fine.mesh()) == pytest.approx(held.over(fine), abs=1e-12)
    # beyond the map its edge goes on
    assert np.isfinite(held.at(np.array([5.0, -5.0]), np.array([9.0, 0.0]))).all()


def test_a_map_adds_to_the_form_that_is_said():
    plate = Plate(Disc(0.16), thickness=0.03, form=StartForm(sphere=2e-6), cells=32, name="A")
    held = Measured(plate.grid, StartForm(twist=1e-6).heights(plate.grid, plate.outline))
    both = StartForm(sphere=2e-6, measured=held)
    want = StartForm(sphere=2e-6, twist=1e-6).heights(plate.grid, plate.outline)
    assert both.heights(plate.grid, plate.outline) == pytest.approx(want, abs=1e-20)
    x, y = np.array([0.011, -0.03]), np.array([0.02, 0.052])
    want = StartForm(sphere=2e-6, twist=1e-6).at(x, y, plate.outline)
    assert both.at(x, y, plate.outline) == pytest.approx(want, abs=1e-18)


def test_equal_maps_are_equal_and_cannot_be_changed():
    grid = Grid(3, 4, 1.0)
    z = np.zeros((4, 3))
    one, two = Measured(grid, z), Measured(grid, z)
    assert one == two
    assert hash(StartForm(measured=one)) == hash(StartForm(measured=two))
    z[0, 0] = 1.0
    assert one == two
    assert one != Measured(grid, z)
    with pytest.raises(ValueError, match="read-only"):
        one.heights[0, 0] = 1.0
    with pytest.raises(ValueError, match="finite"):
        Measured(grid, np.full((4, 3), np.nan))
