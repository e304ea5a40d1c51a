"""The one mirror: how a plate lies on the bench, face up or turned over like a page of a book."""

import numpy as np
import pytest
from lapping_scene import RADIUS, discs, pair, sample, step
from scipy.ndimage import map_coordinates

from lapwright.contact.cells import BARE, CORNER, ONE_EDGE, WHOLE
from lapwright.contact.placement import PlacedPlate, mating, on_bench, on_face
from lapwright.contact.pressure import settle
from lapwright.metrology.form import EdgeMargin
from lapwright.specification.curves import Still
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm

RAIL = Plate(Rectangle(0.12, 0.05), mass=1.0, cells=24, name="rail")


def marked(plate, u, v):
    """A map with 1 at the cell whose centre is nearest to (u, v)."""
    z = np.zeros(plate.grid.shape)
    i, j = np.abs(plate.grid.x - u).argmin(), np.abs(plate.grid.y - v).argmin()
    z[j, i] = 1.0
    return z, plate.grid.x[i], plate.grid.y[j]


def place(laid_map, cell):
    """Where the mark lies, from the centre of the laid map."""
    (j,), (i,) = np.nonzero(laid_map)
    ny, nx = laid_map.shape
    return (i - (nx - 1) / 2) * cell, (j - (ny - 1) / 2) * cell


@pytest.mark.parametrize("quarter", range(4))
@pytest.mark.parametrize("over", [False, True])
def test_a_point_lies_where_the_conventions_say(over, quarter):
    """x = Rot(theta) (-u, v) for the top, Rot(theta) (u, v) for the bottom (conventions: frames)."""
    z, u, v = marked(RAIL, 0.041, -0.013)
    x, y = (-u if over else u), v
    for _ in range(quarter):
        x, y = -y, x
    assert place(PlacedPlate(RAIL, over, quarter).lay(z), RAIL.grid.cell) == pytest.approx(
        (x, y), abs=1e-12
    )


@pytest.mark.parametrize("quarter", range(4))
@pytest.mark.parametrize("over", [False, True])
def test_lifting_undoes_laying(over, quarter):
    z = np.random.default_rng(quarter).normal(size=RAIL.grid.shape)
    laid = PlacedPlate(RAIL, over, quarter)
    assert np.array_equal(laid.lift(laid.lay(z)), z)
    assert laid.lay(z).shape == (z.shape if quarter % 2 == 0 else z.shape[::-1])


def test_points_of_the_top_lie_where_the_conventions_say_and_come_back():
    """x = c + Rot(theta) (-u, v) at any angle (conventions: frames), and the way back."""
    u, v, cx, cy, theta = np.random.default_rng(2).normal(size=(5, 40))
    x, y = on_bench(u, v, cx, cy, theta)
    turned = np.exp(1j * theta) * (-u + 1j * v) + cx + 1j * cy
    assert (x, y) == (pytest.approx(turned.real), pytest.approx(turned.imag))
    back = on_face(x, y, cx, cy, theta)
    assert back == (pytest.approx(u, abs=1e-12), pytest.approx(v, abs=1e-12))


@pytest.mark.parametrize("over", [False, True])
@pytest.mark.parametrize(
    "grooves", [None, Grooves("square", pitch=0.0113, width=0.0021)], ids=["plain", "grooved"]
)
def test_a_rail_laid_across_is_one_made_across(over, grooves):
    """Turned by a quarter, its strips and the edges within its cells are those of its sides exchanged.

    (Bits: which sub-cells are land; edges that lie off the middle of their cells tell which way those turn.)
    """
    along = Plate(Rectangle(0.1187, 0.0512), mass=1.0, cells=24, grooves=grooves)
    across = along.replace(outline=Rectangle(0.0512, 0.1187))
    turned, made = PlacedPlate(along, over, 1), PlacedPlate(across, over)
    assert turned.plate.grid.cell == pytest.approx(made.plate.grid.cell)
    for own, wanted in zip(turned._strips, made._strips, strict=True):
        assert own == pytest.approx(wanted)
    assert np.array_equal(turned._lain.land, made._lain.land)
    assert turned._lain.x == pytest.approx(made._lain.x, abs=1e-9)
    assert turned._lain.y == pytest.approx(made._lain.y, abs=1e-9)


TURNED_OVER = {  # form, what it must be on the other plate to mate with itself, one face on the other
    "twist": ("twist", +1.0),
    "saddle": ("saddle", -1.0),
    "sphere": ("sphere", -1.0),
}


@pytest.mark.parametrize("name", TURNED_OVER)
def test_which_faces_mate(name):
    """The same twist on both faces mates; a dome needs a dish, a saddle its opposite (turned over, 12 at 12).

    The pressure under the settled top must be even when the faces mate, and must not be when they do not.
    """
    key, sign = TURNED_OVER[name]
    spreads, misfits = {}, {}
    for other in (sign, -sign):
        plates = discs(48, StartForm(**{key: 1e-6}), StartForm(**{key: other * 1e-6}))
        a, b = plates["A"], plates["B"]
        contact = settle(pair(plates), b.heights(), a.heights(), sample(step(curve=Still()), [0.0]))
        bears = contact.pressure[contact.share > 0.5]
        spreads[other] = np.ptp(bears) / bears.mean()
        misfits[other] = mating(b, b.heights(), a, a.heights(), EdgeMargin(share=0.0))
    assert spreads[sign] < 1e-9
    assert spreads[-sign] > 0.5
    assert misfits[sign] < 1e-15
    assert misfits[-sign] > 0.2e-6


def test_a_quadratic_is_kept_apart_exactly():
    """What is left to be interpolated of a dome with a twist is round-off; of a step it is not."""
    plate = discs(48)["A"]
    z = np.where(
        plate.land > 0, StartForm(sphere=2e-6, twist=1e-6).heights(plate.grid, plate.outline), 0.0
    )
    face = PlacedPlate(plate, over=True).face(z)
    assert np.abs(face.rest).max() < 1e-12 * 2e-6
    # z = -sphere r^2 / R^2 + twist x y / R^2, x seen in the mirror.
    assert face.quadratic[3:] * RADIUS**2 == pytest.approx([-2e-6, -1e-6, -2e-6], rel=1e-9)
    x, _ = plate.grid.mesh()
    ridge = PlacedPlate(plate, over=True).face(np.where(x > 0, 1e-6, 0.0) * (plate.land > 0))
    assert np.abs(ridge.rest).max() > 0.1e-6


def test_bare_cells_take_the_height_of_land_beside_them():
    """A face raised by 5 um reads 5 um higher all round its rim: nothing bare leaks in."""
    plate = discs(48)["A"]
    rng = np.random.default_rng(1)
    z = np.where(plate.land > 0, rng.normal(size=plate.grid.shape) * 1e-7, 0.0)
    low = PlacedPlate(plate, over=False).face(z)
    high = PlacedPlate(plate, over=False).face(np.where(plate.land > 0, z + 5e-6, 0.0))
    assert np.abs(low.rest - high.rest).max() < 1e-15
    assert high.quadratic[0] - low.quadratic[0] == pytest.approx(5e-6, rel=1e-9)


@pytest.mark.parametrize(
    ("plate", "share"),  # of its whole land between the circles, at least
    [
        (Plate(Disc(0.16), mass=1.0, cells=80), 0.95),
        (Plate(Ring(0.16, 0.07), mass=1.0, cells=81), 0.9),
        (Plate(Rectangle(0.12, 0.05), mass=1.0, cells=80), 0.25),  # of the inscribed circle 0.33
        (
            Plate(
                Disc(0.16), mass=1.0, cells=40, grooves=Grooves("square", pitch=0.03, width=0.003)
            ),
            0.0,
        ),
    ],
)
@pytest.mark.parametrize("meets", [1.0, 1.6])
def test_between_two_circles_all_is_land_and_beyond_the_third_none(plate, share, meets):
    """What is read between four cells, at places all over the plate."""
    laid = PlacedPlate(plate, over=False, meets=meets * plate.grid.cell)
    least, most, end = laid._circles
    ny, nx = laid._kind.shape
    x, y = np.random.default_rng(3).random((2, 20_000)) * np.array([[nx - 1.0], [ny - 1.0]])
    kind = laid._kind[y.astype(int), x.astype(int)]
    radius = np.hypot(x - 0.5 * (nx - 1), y - 0.5 * (ny - 1))
    deep = map_coordinates(laid._depth, np.stack([y, x]), order=1)
    clear = (kind == ONE_EDGE) & (np.abs(deep) >= CORNER * laid._width)
    between = (radius > least) & (radius < most)
    assert ((kind == WHOLE) | (clear & (deep > 0.0)))[between].all()
    assert ((kind == BARE) | (clear & (deep < 0.0)))[radius > end].all()
    inside = between.sum()
    assert inside >= share * (kind == WHOLE).sum()
