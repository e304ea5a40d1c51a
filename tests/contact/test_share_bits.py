"""Sub-cells of a cell that lies square on cells like it: by shifting words, as by looking each of them up."""

import numpy as np
import pytest
from kernel_doors import gather_bits, shifted_bits


@pytest.mark.always("1", "2")
@pytest.mark.parametrize("seed", range(3))
def test_shifted_words_are_the_sub_cells_looked_up_one_by_one(seed):
    rng = np.random.default_rng(seed)
    fine = rng.integers(0, 2**64, (6, 7), dtype=np.uint64)
    places = rng.uniform(1.0, 4.0, (200, 2))
    places[:60] = np.round(places[:60] * 8) / 8  # on the border of sub-cells, and of cells
    for x, y in places:
        assert shifted_bits(fine, x, y) == gather_bits(fine, x, y, 1.0, 0.0)
