"""Observed order on three grids and three block lengths (checks 30; grid convergence index)."""

import numpy as np

from sim.exact.moment_law import circle_means, growth
from sim.lapping.run import Settings
from sim.lapping.step import Turn
from sim.plate.form import StartForm
from sim.verify.scenes import RADIUS, disc, form_of, last, start_step

FORMS = StartForm(sphere=1e-6, saddle=0.5e-6), StartForm(sphere=0.5e-6)


def figures(cells, settings, **more):
    top, bottom = disc("A", cells, FORMS[0]), disc("B", cells, FORMS[1])
    end = last((top, bottom), start_step(0.5, **more), settings=settings)
    b, t = form_of(bottom, end), form_of(top, end)
    return {
        "sphere of the bottom": b.sphere,
        "sphere of the top": t.sphere,
        "saddle of the top": t.saddle,
        "half difference": 0.5 * (b.sphere - t.sphere),
        "removed": end.removed["A"],
    }


def test_cells():
    """The half difference has a known limit: the moment law; the observed order on the way is two."""
    got = [figures(cells, Settings(tolerance=1e-3, poses=128, fewest_poses=128)) for cells in (32, 64, 128)]
    grown = growth(circle_means(0.33 * RADIUS), got[2]["removed"], RADIUS).sphere
    errors = [abs(g["half difference"] + 0.25e-6 - grown) for g in got]
    orders = np.log2([errors[0] / errors[1], errors[1] / errors[2]])
    assert orders.min() > 1.5
    assert errors[2] < 1e-3 * grown
    for name in ("sphere of the bottom", "sphere of the top", "saddle of the top"):
        values = [g[name] for g in got]
        last_step = abs(values[2] - values[1])
        assert last_step < 0.004 * got[2]["removed"]
        # Below a thousandth of the removal the sample of poses shows more than the cells.
        assert last_step < max(0.7 * abs(values[1] - values[0]), 1e-3 * got[2]["removed"])


def test_blocks():
    """The step is of third order (tests/lapping/test_run.py): on the same number of poses blocks of half the
    usual longest move forms by less than two thousandths of the removal."""
    # A turn too small to matter keeps places from being rounded to cells, which is another error.
    still = {"turn": Turn(1e-6)}
    poses = {"poses": 128, "fewest_poses": 128, "most_poses": 128}
    got = [
        figures(48, Settings(tolerance=1e9, longest=longest, **poses), **still)
        for longest in (1.4, 0.7, 0.35)
    ]
    for name in ("sphere of the bottom", "sphere of the top", "saddle of the top"):
        coarse, medium, fine = (each[name] for each in got)
        assert abs(coarse - fine) < 4e-3 * got[2]["removed"], name
        assert abs(medium - fine) < 2e-3 * got[2]["removed"], name
