"""Starting forms: what is put in is what is measured, and it looks as the words say."""

from math import pi

import numpy as np
import pytest

from lapwright.metrology.form import EdgeMargin, measure
from lapwright.specification.grooves import Grid, Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, Ripple, StartForm

ROUND = StartForm(sphere=3e-6, saddle=-1.5e-6, twist=0.7e-6)
LONG = StartForm(bow=2e-6, crown=-0.5e-6, wind=1.2e-6)
MARGINS = [EdgeMargin(0.0), EdgeMargin(), EdgeMargin(None, 0.003)]


def plate(outline, form, grooves=None, cells=64):
    return Plate(outline, 0.03, grooves=grooves, form=form, cells=cells, name="A")


@pytest.mark.parametrize("margin", MARGINS, ids=["0", "2 %", "3 mm"])
@pytest.mark.parametrize("cells", [33, 64])
@pytest.mark.parametrize(
    ("outline", "grooves"),
    [
        (Disc(0.16), None),
        (Disc(0.16), Grooves("triangle", 0.012, 0.002, 0.2, 0.003)),
        (Ring(0.08, 0.05), None),
        (Rectangle(0.1, 0.1), None),
        (Rectangle(0.1, 0.12), Grooves("square", 0.02, 0.003)),
    ],
    ids=str,
)
def test_round_forms_come_back(outline, grooves, cells, margin):
    got = measure(
        plate(outline, ROUND, grooves, cells),
        plate(outline, ROUND, grooves, cells).heights(),
        margin,
    )
    assert (got.sphere, got.saddle, got.twist) == pytest.approx((3e-6, -1.5e-6, 0.7e-6), rel=1e-10)
    assert (got.bow, got.crown, got.wind) == (None, None, None)
    # these very shapes: the edge has not fallen
    assert got.edge == pytest.approx(0.0, abs=1e-16)


@pytest.mark.parametrize("margin", MARGINS, ids=["0", "2 %", "3 mm"])
@pytest.mark.parametrize(
    "outline", [Rectangle(0.3, 0.05), Rectangle(0.05, 0.3), Rectangle(0.14, 0.1)], ids=str
)
def test_long_forms_come_back(outline, margin):
    got = measure(plate(outline, LONG), plate(outline, LONG).heights(), margin)
    assert (got.bow, got.crown, got.wind) == pytest.approx((2e-6, -0.5e-6, 1.2e-6), rel=1e-10)
    assert (got.sphere, got.saddle, got.twist) == (None, None, None)


@pytest.mark.parametrize("bore", [0.04, 0.05])
def test_a_narrow_seal_face_is_as_flat_as_its_bands(bore):
    """A dome from bore to rim is s (1 - (bore/rim)^2); the usual margin takes 2 % of the land at either edge.

    Seal faces are judged by bands over the whole of the land: common practice, no source.
    """
    ring, cells = plate(Ring(0.06, bore), StartForm(sphere=1e-6), cells=256), 0.06 / 256
    usual, whole = (measure(ring, ring.heights(), EdgeMargin(share)) for share in (0.02, 0.0))
    counted = 1e-6 * (1.0 - (bore / 0.06) ** 2)
    lost = 2.0 * cells / (0.5 * (0.06 - bore))  # cells that are half land at both edges
    assert whole.flatness == pytest.approx(counted, rel=lost)
    assert usual.flatness == pytest.approx(0.96 * counted, rel=lost)


def test_signs_read_off_the_face():
    # looking at the face: row 0 is 6 o'clock, column 0 is 9 o'clock; sizes at the cells' own places
    grid, disc = Grid.over(0.16, 0.16, 65), Disc(0.16)
    six, twelve, nine, three, middle = (0, 32), (64, 32), (32, 0), (32, 64), (32, 32)
    rim2 = (64 / 65) ** 2  # of the outermost cells' middles, in units of R^2
    dome = StartForm(sphere=1e-6).heights(grid, disc)
    assert dome[middle] - dome[six] == pytest.approx(1e-6 * rim2)
    saddle = StartForm(saddle=1e-6).heights(grid, disc)
    assert saddle[three] - saddle[twelve] == pytest.approx(1e-6 * rim2)
    assert saddle[nine] == pytest.approx(saddle[three])
    twist = StartForm(twist=1e-6).heights(grid, disc)
    half_past_one, half_past_ten = (55, 55), (55, 9)
    assert twist[half_past_one] - twist[half_past_ten] == pytest.approx(
        1e-6 * 2.0 * (23 / 32.5) ** 2
    )
    assert twist[9, 9] == pytest.approx(twist[half_past_one])


@pytest.mark.parametrize(("along", "across"), [(0.3, 0.05), (0.05, 0.3)])
def test_signs_of_a_rail(along, across):
    rail, cells = Rectangle(along, across), 300
    grid = Grid.over(along, across, cells)
    x, y = grid.x / along, grid.y / across
    wind = StartForm(wind=1e-6).heights(grid, rail)
    # 1:30 and 7:30 corners over the other pair, as large at the corners themselves (x, y = 1/2)
    assert wind[-1, -1] - wind[-1, 0] == pytest.approx(1e-6 * 4.0 * x[-1] * y[-1])
    assert wind[0, 0] == pytest.approx(wind[-1, -1])
    bow, crown = StartForm(bow=1e-6).heights(grid, rail), StartForm(crown=1e-6).heights(grid, rail)
    if along < across:
        bow, crown, x, y = bow.T, crown.T, y, x
    middle = bow.shape[0] // 2, bow.shape[1] // 2
    assert bow[middle] - bow[middle[0], -1] == pytest.approx(4e-6 * x[-1] ** 2, rel=1e-3)
    assert crown[middle] - crown[-1, middle[1]] == pytest.approx(4e-6 * y[-1] ** 2, rel=1e-2)
    np.testing.assert_allclose(np.ptp(bow, axis=0), 0.0, atol=1e-20)


def test_forms_add():
    grid, disc = Grid.over(0.16, 0.16, 40), Disc(0.16)
    ripple = Ripple(0.3e-6, seed=4)
    both = StartForm(sphere=1e-6, twist=2e-6, ripple=ripple).heights(grid, disc)
    parts = (StartForm(sphere=1e-6), StartForm(twist=2e-6), StartForm(ripple=ripple))
    np.testing.assert_allclose(both, sum(p.heights(grid, disc) for p in parts), atol=1e-20)


@pytest.mark.parametrize("outline", [Disc(0.16), Ring(0.08, 0.05), Rectangle(0.3, 0.05)], ids=str)
@pytest.mark.parametrize("seed", [None, 1, 2])
def test_a_ripple_spans_its_height(outline, seed):
    # up to the very edge, by points of the test's own
    x, y = np.meshgrid(*(np.linspace(-0.5 * side, 0.5 * side, 531) for side in outline.size))
    heights = Ripple(0.3e-6, seed=seed).heights(x, y, outline)[outline.signed_distance(x, y) <= 0.0]
    assert np.ptp(heights) == pytest.approx(0.3e-6, rel=0.02)
    assert heights.max() == pytest.approx(-heights.min(), rel=0.05)


def test_a_ripple_is_the_same_face_on_finer_cells():
    form = StartForm(ripple=Ripple(0.3e-6, seed=4))
    coarse, fine = (form.heights(Grid.over(0.16, 0.16, n), Disc(0.16)) for n in (41, 123))
    # every third cell of the finer grid has the middle of a coarse one
    np.testing.assert_allclose(coarse, fine[1::3, 1::3], atol=1e-18)


def test_a_ripple_across_a_direction():
    angle, wavelength = pi / 6, 0.02
    x, y = Grid.over(0.16, 0.16, 81).mesh()
    got = Ripple(0.4e-6, wavelength, angle).heights(x, y, Disc(0.16))
    step = np.array([np.cos(angle), np.sin(angle)])
    again = Ripple(0.4e-6, wavelength, angle).heights(
        x + wavelength * step[0], y + wavelength * step[1], Disc(0.16)
    )
    np.testing.assert_allclose(again, got, atol=1e-19)
    along = Ripple(0.4e-6, wavelength, angle).heights(
        x - 0.007 * step[1], y + 0.007 * step[0], Disc(0.16)
    )
    np.testing.assert_allclose(along, got, atol=1e-19)
    crest = Ripple(0.4e-6, wavelength, angle).heights(
        *(0.25 * wavelength * step[:, None]), Disc(0.16)
    )
    assert crest[0] == pytest.approx(0.2e-6)


def test_seeds_differ_and_repeat():
    x, y = Grid.over(0.16, 0.16, 32).mesh()
    first, again, other = (Ripple(1e-6, seed=s).heights(x, y, Disc(0.16)) for s in (1, 1, 2))
    np.testing.assert_array_equal(first, again)
    assert np.abs(first - other).max() > 0.2e-6


def test_no_height_off_the_land():
    made = plate(Ring(0.08, 0.05), StartForm(sphere=1e-6, ripple=Ripple(1e-7)))
    heights = made.heights()
    assert np.all(heights[made.land == 0.0] == 0.0)
    assert np.count_nonzero(made.land == 0.0) > 1000
