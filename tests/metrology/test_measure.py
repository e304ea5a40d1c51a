"""Form measures against integrals done by hand, Noll's polynomials, and under turning and mirroring."""

from math import pi, sqrt

import numpy as np
import pytest
from zernike import RZern

from lapwright.metrology.form import EdgeMargin, forms, measure
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm

NO_MARGIN = EdgeMargin(0.0)
DISC = Plate(Disc(0.16), 0.03, cells=200, name="A")


def polar(plate):
    x, y = plate.grid.mesh()
    return np.hypot(x, y) / plate.outline.radius, np.arctan2(y, x)


def noll(j, rho, theta):
    """Noll's polynomial (R. J. Noll, JOSA 66 (1976) 207) by an independent package."""
    zernike = RZern(6)
    one = np.zeros(zernike.nk)
    one[j - 1] = 1.0
    return zernike.eval_a(one, np.atleast_1d(rho), np.atleast_1d(theta)).reshape(np.shape(rho))


def test_noll_polynomials_of_the_package():
    # check 17; two packages agree
    at = np.array(0.7), np.array(0.5)
    assert noll(4, *at) == pytest.approx(-0.0346410162, abs=1e-10)
    assert noll(5, *at) == pytest.approx(1.0099755276, abs=1e-10)
    assert noll(6, *at) == pytest.approx(0.6484978286, abs=1e-10)
    assert noll(11, *at) == pytest.approx(-1.1166923480, abs=1e-10)


@pytest.mark.parametrize(
    ("j", "name", "size"),
    # 4: sqrt3 (2 rho^2 - 1), so the centre lies 2 sqrt3 under the rim; 5 and 6: sqrt6 rho^2 sin 2 theta and
    # cos 2 theta, so one pair of rims lies 2 sqrt6 over the other
    [
        (4, "sphere", -2.0 * sqrt(3.0)),
        (5, "twist", 2.0 * sqrt(6.0)),
        (6, "saddle", 2.0 * sqrt(6.0)),
    ],
)
def test_noll_4_5_6_are_sphere_twist_saddle(j, name, size):
    z = np.where(DISC.land > 0.0, noll(j, *polar(DISC)), 0.0)
    got = forms(DISC, 1e-6 * z, NO_MARGIN)
    for each in ("sphere", "twist", "saddle"):
        want = size * 1e-6 if each == name else 0.0
        assert getattr(got, each) == pytest.approx(want, abs=1e-15)


@pytest.mark.parametrize("j", [1, 2, 3, 7, 8, 9, 10, 11, 12, 13, 14, 15])
def test_the_other_noll_polynomials_have_no_form(j):
    # orthogonal over the disc: what is left is the grid's, falling as the cell squared
    z = np.where(DISC.land > 0.0, noll(j, *polar(DISC)), 0.0)
    got = forms(DISC, z, NO_MARGIN)
    assert max(abs(got.sphere), abs(got.saddle), abs(got.twist)) < 2e-3


@pytest.mark.parametrize(("cells", "near"), [(50, 4e-3), (100, 1e-3), (200, 3e-4)])
def test_a_fourth_power_over_a_disc(cells, near):
    # by hand: the least-squares c0 + c2 rho^2 of rho^4 over the unit disc is rho^2 - 1/6: sphere -1
    plate = Plate(Disc(0.16), 0.03, cells=cells, name="A")
    rho, _ = polar(plate)
    got = forms(plate, np.where(plate.land > 0.0, rho**4, 0.0), NO_MARGIN)
    assert got.sphere == pytest.approx(-1.0, abs=near)


def test_a_fourth_power_over_a_ring():
    # by hand: with s = rho^2 from a to b the line nearest to s^2 is (a + b) s + const: sphere -(a + b)
    plate = Plate(Ring(0.08, 0.05), 0.03, cells=200, name="A")
    rho, _ = polar(plate)
    got = forms(plate, np.where(plate.land > 0.0, rho**4, 0.0), NO_MARGIN)
    assert got.sphere == pytest.approx(-(1.0 + (5.0 / 8.0) ** 2), rel=1e-3)


def test_the_margin_weighs_only_what_lies_inside():
    # the same integral over a disc of 0.9 R: the line nearest to s^2 over 0 .. b is b s + const
    plate = Plate(Disc(0.16), 0.03, cells=200, name="A")
    rho, _ = polar(plate)
    z = np.where(plate.land > 0.0, rho**4, 0.0)
    assert forms(plate, z, EdgeMargin(None, 0.008)).sphere == pytest.approx(-0.81, rel=1e-3)
    ring = Plate(Ring(0.08, 0.05), 0.03, cells=200, name="B")
    rho, _ = polar(ring)
    got = forms(ring, np.where(ring.land > 0.0, rho**4, 0.0), EdgeMargin(None, 0.003))
    assert got.sphere == pytest.approx(-((37.0 / 40.0) ** 2 + (28.0 / 40.0) ** 2), rel=1e-3)


def test_bow_of_a_fourth_power():
    # by hand: over -1 .. 1 the parabola nearest to u^4 is (6/7) u^2 - 3/35 (Legendre)
    rail = Plate(Rectangle(0.3, 0.05), 0.03, cells=300, name="B")
    x, _ = rail.grid.mesh()
    got = forms(rail, (x / 0.15) ** 4, NO_MARGIN)
    assert got.bow == pytest.approx(-6.0 / 7.0, rel=1e-3)
    assert got.crown == pytest.approx(0.0, abs=1e-12)


def test_rms_of_a_dome_and_a_saddle():
    # by hand, over the unit disc: rms of rho^2 - 1/2 is 1/sqrt12; of rho^2 cos(2 theta) 1/sqrt6
    rho, theta = polar(DISC)
    on = DISC.land > 0.0
    assert measure(DISC, np.where(on, rho**2, 0.0), NO_MARGIN).rms == pytest.approx(
        1 / sqrt(12.0), rel=1e-3
    )
    saddle = np.where(on, rho**2 * np.cos(2.0 * theta), 0.0)
    assert measure(DISC, saddle, NO_MARGIN).rms == pytest.approx(1 / sqrt(6.0), rel=1e-3)


def test_flatness_of_a_dome_inside_the_margin():
    # a dome of d over R spans 0.96^2 d inside a margin of 0.04 R, less what lies between the outermost cells
    made = Plate(Disc(0.16), 0.03, form=StartForm(sphere=1e-6), cells=128, name="A")
    got = measure(made, made.heights(), EdgeMargin())
    assert EdgeMargin().of(made.outline) == pytest.approx(0.0032)
    assert 0.96**2 * 1e-6 * (1.0 - 2.0 / 64) < got.flatness < 0.96**2 * 1e-6 * (1.0 + 1.0 / 64)
    assert got.flatness <= got.flatness_ls
    assert got.flatness_ls == pytest.approx(got.flatness, rel=1e-3)


def test_flatness_leaves_out_cells_of_less_than_half_land():
    made = Plate(Disc(0.16), 0.03, cells=64, name="A")
    z = np.where((made.land > 0.0) & (made.land < 0.5), 1e-6, 0.0)
    got = measure(made, z, NO_MARGIN)
    assert np.count_nonzero(z) > 20
    assert got.flatness < 0.2e-6
    z = np.where(made.land >= 0.5, 0.0, z)
    z[32, 32] = 1e-6
    assert measure(made, z, NO_MARGIN).flatness == pytest.approx(1e-6, rel=1e-6)


@pytest.mark.parametrize("outline", [Disc(0.16), Ring(0.08, 0.05), Rectangle(0.1, 0.1)], ids=str)
def test_edge_is_the_fall_of_the_outermost_3_mm(outline):
    # a step: the outermost 3 mm lie 1 um under a domed, tilted rest; + = fallen
    made = Plate(outline, 0.03, form=StartForm(sphere=2e-6, twist=1e-6), cells=128, name="A")
    x, y = made.grid.mesh()
    step = np.where(made.outline.signed_distance(x, y) > -0.003, 1e-6, 0.0)
    got = measure(made, (made.heights() + 1e-4 * x - step) * (made.land > 0.0), EdgeMargin())
    # cells that the line 3 mm inside cuts belong to both, and a step is the worst for them
    assert got.edge == pytest.approx(1e-6, rel=0.1)
    assert measure(made, made.heights() * (made.land > 0.0), EdgeMargin()).edge == pytest.approx(
        0.0, abs=1e-15
    )


def test_edge_of_a_rolled_off_rim():
    # by calculus: 1 um lost as the square of the way into the outermost 3 mm
    made = Plate(Disc(0.16), 0.03, form=StartForm(sphere=2e-6), cells=160, name="A")
    radius = np.hypot(*made.grid.mesh())
    fall = 1e-6 * np.clip((radius - 0.077) / 0.003, 0.0, 1.0) ** 2
    got = measure(made, made.heights() - fall * (made.land > 0.0), NO_MARGIN)
    want = 1e-6 * (0.077 * 0.003 / 3.0 + 0.003**2 / 4.0) / (0.5 * (0.08**2 - 0.077**2))
    assert got.edge == pytest.approx(want, rel=0.02)


def test_edge_reaches_inside_a_groove_rim():
    # the edge of the land, not of the plate
    made = Plate(
        Disc(0.16), 0.03, grooves=Grooves("rings", 0.1, 0.001, rim=0.005), cells=160, name="A"
    )
    rho, _ = polar(made)
    z = np.where((made.land > 0.0) & (rho * 0.08 > 0.072), -1e-6, 0.0)
    assert measure(made, z, NO_MARGIN).edge == pytest.approx(1e-6, rel=0.06)


def test_turned_and_mirrored_faces():
    # a quarter turn reverses saddle and twist; turning the page over (x -> -x) reverses twist alone
    z = np.where(DISC.land > 0.0, np.random.default_rng(1).normal(size=DISC.grid.shape), 0.0)
    plain, turned = (measure(DISC, m, EdgeMargin()) for m in (z, np.rot90(z)))
    mirrored = measure(DISC, z[:, ::-1].copy(), EdgeMargin())
    for name, quarter, page in (("sphere", 1, 1), ("saddle", -1, 1), ("twist", -1, -1)):
        was = getattr(plain, name)
        assert abs(was) > 1e-4
        assert getattr(turned, name) == pytest.approx(quarter * was, rel=1e-9)
        assert getattr(mirrored, name) == pytest.approx(page * was, rel=1e-9)
    for name in ("flatness", "flatness_ls", "rms", "edge"):
        was = getattr(plain, name)
        assert getattr(turned, name) == pytest.approx(was, rel=1e-9)
        assert getattr(mirrored, name) == pytest.approx(was, rel=1e-9)


def test_square_and_long_outlines_speak_their_own_words():
    square, rail = (Plate(Rectangle(w, 0.1), 0.02, cells=40, name="A") for w in (0.13, 0.1301))
    assert forms(square, np.zeros(square.grid.shape), NO_MARGIN).as_dict()["sphere"] == 0.0
    assert forms(square, np.zeros(square.grid.shape), NO_MARGIN).bow is None
    assert forms(rail, np.zeros(rail.grid.shape), NO_MARGIN).sphere is None
    assert forms(rail, np.zeros(rail.grid.shape), NO_MARGIN).wind == 0.0


def test_margin_never_above_20_mm():
    # surface-plate practice, from memory
    assert EdgeMargin().of(Disc(0.16)) == pytest.approx(0.0032)
    assert EdgeMargin().of(Ring(0.08, 0.05)) == pytest.approx(0.0003)  # of 15 mm of land
    assert EdgeMargin().of(Rectangle(0.3, 0.05)) == pytest.approx(0.001)
    assert EdgeMargin().of(Disc(1.5)) == 0.020
    assert EdgeMargin(None, 0.05).of(Disc(1.5)) == 0.020
    assert EdgeMargin(None, 0.004).of(Disc(1.5)) == 0.004


def test_a_margin_that_leaves_nothing():
    ring = Plate(Ring(0.08, 0.06), 0.03, cells=64, name="B")
    got = measure(ring, np.zeros(ring.grid.shape), EdgeMargin(None, 0.012))
    assert all(value is None for name, value in got.as_dict().items() if name != "edge")
    assert got.edge == 0.0
    thin = Plate(Ring(0.08, 0.075), 0.03, cells=64, name="C")
    assert measure(thin, np.zeros(thin.grid.shape), NO_MARGIN).edge is None


def test_the_share_of_a_disc_seen_by_the_measure():
    assert DISC.land_area == pytest.approx(pi * 0.08**2, rel=1e-4)
