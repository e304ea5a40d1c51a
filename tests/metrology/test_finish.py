"""What the finish is to light and to a ball, and below what no gauge tells."""

import numpy as np
import pytest

import lapwright as lw
from lapwright.metrology.finish import (
    blinded,
    deviation_of,
    height_of,
    scatter_of,
    unsure_below,
)
from lapwright.metrology.fringes import too_grey
from lapwright.metrology.instruments import Micrometer, OpticalFlat, Spherometer
from lapwright.units import Units

UM = 1e-6


def test_a_face_is_too_grey_where_a_tenth_of_the_light_is_left():
    """R/R0 = exp(-(4 pi s / wavelength)^2): H. E. Bennett and J. O. Porteus, J. Opt. Soc. Am. 51 (1961) 123.

    Beside the shop's 5 um (common practice, no source), under helium yellow of 587.6 nm.
    """
    for grit, grey in ((5.1 * UM, True), (4.0 * UM, False)):
        left = np.exp(-((4.0 * np.pi * deviation_of(grit) / 587.6e-9) ** 2))
        assert grey == (left < 0.1) == too_grey(grit)


@pytest.mark.parametrize(("grit", "ball"), [(15 * UM, 1.5e-3), (5 * UM, 1.5e-3), (9 * UM, 0.5e-3)])
def test_what_a_ball_reads_of_the_finish(grit, ball):
    """A ball laid on chance heights a grain apart: dilation by a ball, ISO 16610-41 (from memory)."""
    rng = np.random.default_rng(7)
    reach = int(np.sqrt(2.0 * ball * 2.0 * height_of(grit)) / grit) + 2
    x = grit * np.arange(-reach, reach + 1)
    down = (x[:, None] ** 2 + x[None, :] ** 2) / (2.0 * ball)
    rests = [
        (deviation_of(grit) * rng.standard_normal(down.shape) - down).max() for _ in range(2000)
    ]
    assert scatter_of(grit, ball) == pytest.approx(np.std(rests), rel=0.15)


def test_a_point_reads_the_whole_finish():
    """A tip of no width rides on no peaks: its scatter is the deviation itself, at most."""
    assert scatter_of(15 * UM, 0.0) <= deviation_of(15 * UM)
    assert scatter_of(15 * UM, 0.0) > scatter_of(15 * UM, 5e-3)


def test_the_least_dome_that_is_told_is_by_the_gauge_of_the_study():
    """Twice the doubt of the mean of four over (foot circle / width)^2, the share of a dome that it reads."""
    plate = lw.Plate(lw.Disc("160 mm"), thickness=0.03)
    own = Spherometer(foot_circle=0.08, repeatability=0.4 * UM)
    assert unsure_below(plate, [own]) == pytest.approx(2.0 * 0.2 * UM / (80.0 / 160.0) ** 2)
    # Gauges that see no dome are none, and the usual ones serve.
    blind = [Micrometer()]
    assert unsure_below(plate, blind, 15 * UM) == unsure_below(plate, (), 15 * UM)
    # 65 uin on a 12 in plate stand well above it, whatever the finish.
    large = lw.Plate(lw.Disc("12 in"), thickness=0.05)
    assert 2.0 * unsure_below(large, (), 15 * UM) < 65e-6 * 0.0254


def test_a_bright_face_is_told_by_bands_and_a_grey_one_is_not():
    plate = lw.Plate(lw.Disc("160 mm"), thickness=0.03)
    fine, coarse = (unsure_below(plate, (), grit * UM) for grit in (3.0, 9.0))
    assert fine < 0.5 * coarse


@pytest.mark.parametrize("grit", [3.0, 5.0, 6.0, 15.0])
def test_a_flat_that_shows_nothing_lowers_no_limit(grit):
    """Loose grit above 5 um leaves a face too grey for bands (common practice, no source)."""
    plate, flat = lw.Plate(lw.Disc("160 mm"), thickness=0.03), OpticalFlat(diameter=0.16)
    coarse = Spherometer(foot_circle=0.08, repeatability=10.0 * UM)
    alone, both = (unsure_below(plate, them, grit * UM) for them in ([coarse], [coarse, flat]))
    assert (both == alone) == blinded(flat, grit * UM) == (grit > 5.0)
    assert not blinded(flat, None)


@pytest.mark.parametrize("share", [0.9, 0.9999, 1.0, 1.01])
def test_one_limit_for_um_and_uin(share):
    doubt = 0.68 * UM
    assert {units.finer(share * doubt, doubt) for units in Units} == {share < 1.0}
