"""Cells: square, centred, their own mirror image."""

import numpy as np
import pytest

from lapwright.specification.grooves import Grid


@pytest.mark.parametrize("cells", [7, 64, 127, 128])
@pytest.mark.parametrize("size", [(0.16, 0.16), (0.3, 0.05), (0.05, 0.3), (0.127, 0.1016)])
def test_the_outline_fits_and_the_mirror_is_the_same_grid(size, cells):
    grid = Grid.over(*size, cells)
    assert max(grid.nx, grid.ny) == cells
    assert grid.cell == pytest.approx(max(size) / cells, rel=1e-15)
    for centres, number, extent in ((grid.x, grid.nx, size[0]), (grid.y, grid.ny, size[1])):
        assert centres.shape == (number,)
        np.testing.assert_array_equal(centres, -centres[::-1])
        np.testing.assert_allclose(np.diff(centres), grid.cell, rtol=1e-12)
        assert extent <= number * grid.cell * (1.0 + 1e-8)
        assert number * grid.cell < extent + grid.cell


def test_whole_cells_are_not_rounded_up():
    # 300 / 150 = 2 mm: 50 mm are 25 cells though 0.05 / 0.002 is not exactly 25 in floating point
    assert Grid.over(0.3, 0.05, 150).shape == (25, 150)
    assert Grid.over(0.3, 0.1, 3).shape == (1, 3)
    assert Grid.over(0.3, 0.1001, 3).shape == (2, 3)


def test_row_0_is_the_lowest():
    x, y = Grid.over(0.3, 0.1, 30).mesh()
    assert x.shape == y.shape == (10, 30)
    assert x[0, 0] == x[9, 0] == pytest.approx(-0.145)
    assert y[0, 0] == y[0, 29] == pytest.approx(-0.045)
