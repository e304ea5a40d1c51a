"""Observed order on three grids and three block lengths (checks 30; grid convergence index)."""

import numpy as np
import pytest

from lapwright.contact.average import Pair
from lapwright.integration.state import Settings
from lapwright.specification.curves import Circle, Line
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Rectangle
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Turn
from lapwright.verification.closed_forms import circle_means, growth
from lapwright.verification.scenes import RADIUS, body, disc, form_of, last, start_step

FORMS = StartForm(sphere=1e-6, saddle=0.5e-6), StartForm(sphere=0.5e-6)

FIXED = Settings(poses=256, fewest_poses=256, most_poses=256, tolerance=5e-4)


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
    got = [
        figures(cells, Settings(tolerance=1e-3, poses=128, fewest_poses=128))
        for cells in (32, 64, 128)
    ]
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


@pytest.mark.campaign
@pytest.mark.parametrize("part", [0.0, pytest.param(0.3, marks=pytest.mark.campaign)])
def test_long_runs_of_squares(part, monkeypatch):
    """Ten hours of a small straight stroke: of second order where no rim runs along the stroke.

    With their edges within cells (`part` of a cell) it shows from finer cells on.
    """
    monkeypatch.setattr(Pair, "_on_cells", lambda self, rows: None)
    sizes = []
    for cells in (64, 128, 256) if part else (16, 32, 64):
        side = 0.15 / (1.0 - 2.0 * part / cells)
        rim = Grooves("square", 10.0, 1e-3, rim=part * side / cells) if part else None
        plates = tuple(body(n, Rectangle(side, side), 67.5, cells, grooves=rim) for n in "AB")
        end = last(plates, start_step(10.0, curve=Line(0.017)), settings=FIXED)
        sizes.append([(0.15 / side) ** 2 * form_of(plate, end).saddle for plate in plates])
    first, second = np.diff(sizes, axis=0)
    assert np.log2(first / second).min() > (1.6 if part else 1.8)


@pytest.mark.campaign
def test_long_runs_of_discs_on_a_circle(monkeypatch):
    """A circle has no place where a rim runs along it for long: nearly of second order."""
    monkeypatch.setattr(Pair, "_on_cells", lambda self, rows: None)
    sizes = []
    for cells in (64, 128, 256):
        plates = disc("A", cells), disc("B", cells)
        end = last(plates, start_step(10.0, curve=Circle(0.0085)), settings=FIXED)
        sizes.append([form_of(plate, end).sphere for plate in plates])
    first, second = np.diff(sizes, axis=0)
    assert np.log2(first / second).min() > 1.6


@pytest.mark.campaign
@pytest.mark.often("cells0")
@pytest.mark.parametrize("cells", [(64, 128), pytest.param((64, 256), marks=pytest.mark.campaign)])
def test_a_quarter_turned_saddle_does_not_hang_on_the_cells(cells):
    """Straight stroke of 17 mm, a quarter turn every 12 strokes, ten hours; it was 143 and 156 nm."""
    sizes = []
    for n in cells:
        plates = disc("A", n), disc("B", n)
        end = last(
            plates, start_step(10.0, curve=Line(0.017), turn=Turn(0.5 * np.pi, 12)), settings=FIXED
        )
        sizes.append(form_of(plates[1], end).saddle)
    assert sizes[0] == pytest.approx(sizes[1], rel=0.02)


def test_blocks():
    """The step is of fourth order (tests/integration/test_run.py): on the same number of poses blocks of
    half the usual longest move forms by less than two thousandths of the removal."""
    # A turn too small to matter keeps places from being rounded to cells, which is another error.
    still = {"turn": Turn(1e-6)}
    poses = {"poses": 128, "fewest_poses": 128, "most_poses": 128}
    got = [
        figures(48, Settings(tolerance=1e9, longest=longest, **poses), **still)
        for longest in (2.0, 1.0, 0.5)
    ]
    for name in ("sphere of the bottom", "sphere of the top", "saddle of the top"):
        coarse, medium, fine = (each[name] for each in got)
        assert abs(coarse - fine) < 4e-3 * got[2]["removed"], name
        assert abs(medium - fine) < 2e-3 * got[2]["removed"], name
