"""A map laid on a plate: forms come through, 12 stays at 12, gaps are filled smoothly or refused by name."""

import numpy as np
import pytest

from lapwright.errors import SurfaceFileError
from lapwright.metrology.form import EdgeMargin, measure
from lapwright.metrology.surface import Surface, lay
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, Ripple, StartForm

MARGIN = 0.0032  # 2 % of 160 mm
FORM = StartForm(sphere=3e-6, saddle=-0.7e-6, twist=1.2e-6)


def disc(cells=64, **more):
    return Plate(Disc(0.16), thickness=0.03, cells=cells, **more, name="A")


def scan(face, dx, dy=None, width=0.17, height=None, beside=np.nan):
    """A map of `face(x, y)` as an instrument takes it, centred; `beside` the disc something else."""
    dy, height = dy or dx, height or width
    nx, ny = round(width / dx) + 1, round(height / dy) + 1
    x, y = np.meshgrid((np.arange(nx) - (nx - 1) / 2) * dx, (np.arange(ny) - (ny - 1) / 2) * dy)
    z = face(x, y)
    if beside is not None:
        z = np.where(np.hypot(x, y) <= 0.08, z, beside)
    return Surface(z, dx, dy)


def shape(form=FORM, outline=None):
    return lambda x, y: form.at(x, y, outline or Disc(0.16))


def formed(plate, laid):
    return measure(plate, np.where(plate.land > 0.0, laid.measured.heights, 0.0), EdgeMargin(0.02))


@pytest.mark.parametrize("dx", [0.3e-3, 1.0e-3, 2.5e-3, 3.1e-3, 7.0e-3, 12e-3])
@pytest.mark.parametrize("dy", [0.7e-3, 5.0e-3])
def test_dome_saddle_and_twist_come_through_whole_at_any_spacing(dx, dy):
    plate = disc()
    laid = lay(scan(shape(), dx, dy), plate, MARGIN)
    got = formed(plate, laid)
    assert got.sphere == pytest.approx(3e-6, rel=1e-9)
    assert got.saddle == pytest.approx(-0.7e-6, rel=1e-9)
    assert got.twist == pytest.approx(1.2e-6, rel=1e-9)
    assert laid.missing < 0.005  # a coarse map has slivers at the rim that no point stands for
    assert laid.points == tuple(round(0.17 / d) + 1 for d in (dx, dy))


@pytest.mark.parametrize(("bx", "by"), [(0.0, 0.06), (0.06, 0.0), (0.03, 0.05)])
def test_twelve_stays_at_twelve_and_three_at_three(bx, by):
    plate = disc()
    bump = scan(lambda x, y: 1e-6 * np.exp(-((x - bx) ** 2 + (y - by) ** 2) / 8e-5), 1e-3)
    z = np.where(plate.land > 0.5, lay(bump, plate, MARGIN).measured.heights, -1.0)
    j, i = np.unravel_index(np.argmax(z), plate.grid.shape)
    assert plate.grid.x[i] == pytest.approx(bx, abs=plate.grid.cell)
    assert plate.grid.y[j] == pytest.approx(by, abs=plate.grid.cell)


def test_height_and_tilt_are_how_it_lay_in_the_instrument():
    plate, plain = disc(), scan(shape(), 1e-3)
    tilted = scan(lambda x, y: shape()(x, y) + 0.02 + 3e-4 * x - 2e-4 * y, 1e-3)
    one, two = lay(plain, plate, MARGIN), lay(tilted, plate, MARGIN)
    assert two.tilt == (pytest.approx(3e-4, rel=1e-6), pytest.approx(-2e-4, rel=1e-6))
    assert one.tilt == (pytest.approx(0.0, abs=1e-12), pytest.approx(0.0, abs=1e-12))
    assert two.measured.heights == pytest.approx(one.measured.heights, abs=1e-15)
    # what is left has no plane in it over the land inside the margin
    inside = plate.land_inside(MARGIN)
    x, y = plate.grid.mesh()
    for weight in (inside, inside * x / 0.08, inside * y / 0.08):
        assert (weight * two.measured.heights).sum() / inside.sum() == pytest.approx(0.0, abs=1e-18)


@pytest.mark.campaign
def test_a_finer_map_gives_means():
    # a ripple far finer than the cells averages out; one far coarser comes through
    plate = disc()
    fine = lay(scan(lambda x, y: 1e-6 * np.sin(2 * np.pi * x / 0.5e-3), 0.1e-3), plate, MARGIN)
    assert np.abs(fine.measured.heights[plate.land > 0.99]).max() < 0.02e-6
    wave = StartForm(ripple=Ripple(1e-6, 0.03, angle=0.4))
    coarse = lay(scan(shape(wave), 0.5e-3), plate, MARGIN)
    want = wave.heights(plate.grid, plate.outline)
    left = (coarse.measured.heights - want)[plate.land_inside(MARGIN) > 0.99]
    plane = [plate.grid.mesh()[k][plate.land_inside(MARGIN) > 0.99] for k in (0, 1)]
    basis = np.stack([np.ones_like(left), *plane], 1)
    left -= basis @ np.linalg.lstsq(basis, left, rcond=None)[0]
    assert np.abs(left).max() < 0.01e-6


def test_what_lies_beside_the_land_does_not_count():
    # the bench 5 mm lower, seen by the instrument all round
    plate = disc()
    clean = lay(scan(shape(), 0.5e-3), plate, MARGIN)
    bench = lay(scan(shape(), 0.5e-3, beside=-5e-3), plate, MARGIN)
    on = plate.land > 0.0
    assert bench.measured.heights[on] == pytest.approx(clean.measured.heights[on], abs=1e-12)


def test_the_floor_of_grooves_does_not_count():
    grooves = Grooves("square", 0.02, 0.002)
    plate = disc(grooves=grooves)

    def grooved(x, y):
        return np.where(grooves.distance(x, y) > 0.0, shape()(x, y), -3e-3)

    got = formed(plate, lay(scan(grooved, 0.25e-3), plate, MARGIN))
    assert got.sphere == pytest.approx(3e-6, rel=1e-6)
    assert got.twist == pytest.approx(1.2e-6, rel=1e-6)
    assert got.flatness < 4e-6


def test_gaps_are_filled_and_said():
    plate, whole = disc(), scan(shape(), 1e-3)
    rng = np.random.default_rng(1)
    z = whole.heights.copy()
    z[rng.random(z.shape) < 0.3] = np.nan  # single points: a cell still has others
    spotted = lay(Surface(z, 1e-3, 1e-3), plate, MARGIN)
    z = whole.heights.copy()
    ny, nx = z.shape
    z[ny // 2 - 10 : ny // 2 + 10, nx // 2 + 5 : nx // 2 + 25] = (
        np.nan
    )  # a whole patch of 20 x 20 mm
    patched = lay(Surface(z, 1e-3, 1e-3), plate, MARGIN)
    assert spotted.missing < 0.02
    # 400 mm2 of the land inside the margin, pi 76.8^2 mm2
    assert patched.missing == pytest.approx(400.0 / (np.pi * 76.8**2), rel=0.15)
    for laid in (spotted, patched):
        got = formed(plate, laid)
        assert got.sphere == pytest.approx(3e-6, rel=1e-6)
        assert got.saddle == pytest.approx(-0.7e-6, rel=1e-6)


def test_a_gap_is_bridged_smoothly():
    # a long wave across a 16 mm gap: the smoothest bridge is far nearer than the quadratic alone
    wave = lambda x, y: 1e-6 * np.sin(2 * np.pi * x / 0.08)  # noqa: E731
    plate, whole = disc(), scan(wave, 1e-3)
    z = whole.heights.copy()
    x = (np.arange(z.shape[1]) - (z.shape[1] - 1) / 2) * 1e-3
    y = (np.arange(z.shape[0]) - (z.shape[0] - 1) / 2) * 1e-3
    hole = np.hypot(*np.meshgrid(x - 0.02, y)) < 0.008  # on a crest
    z[hole] = np.nan
    got = lay(Surface(z, 1e-3, 1e-3), plate, MARGIN).measured.heights
    want = lay(whole, plate, MARGIN).measured.heights
    inner = np.hypot(*[v - o for v, o in zip(plate.grid.mesh(), (0.02, 0.0), strict=True)]) < 0.008
    assert np.abs(got - want)[inner].max() < 0.1e-6
    assert np.abs(got - want)[~inner & (plate.land > 0.5)].max() < 0.01e-6


def test_too_large_a_share_missing_is_refused_by_its_share():
    plate, z = disc(), scan(shape(), 1e-3)
    x = (np.arange(z.heights.shape[1]) - (z.heights.shape[1] - 1) / 2) * 1e-3
    z.heights[:, x > 0.045] = np.nan
    # a segment beyond 45 mm of a circle of 76.8 mm: (pi r^2 - ...) by the textbook formula for a segment
    r, d = 76.8, 45.0
    share = (r * r * np.arccos(d / r) - d * np.sqrt(r * r - d * d)) / (np.pi * r * r)
    with pytest.raises(SurfaceFileError, match=f"{100 * share:.0f} % of the land was not measured"):
        lay(z, plate, MARGIN)


def test_what_lies_in_the_margin_is_carried_on():
    # an aperture that just reaches over the land inside the margin
    plate = disc(128)
    z = scan(lambda x, y: np.where(np.hypot(x, y) < 0.0772, shape()(x, y), np.nan), 0.5e-3)
    laid = lay(z, plate, MARGIN)
    assert laid.missing < 0.002
    assert laid.beyond > 0.7
    got = formed(plate, laid)
    assert got.sphere == pytest.approx(3e-6, rel=1e-6)
    assert got.edge == pytest.approx(0.0, abs=1e-9)  # no edge is invented


@pytest.mark.parametrize("width", [0.15, 0.12])
def test_a_map_that_is_too_small(width):
    # four segments of the circle of 76.8 mm stand over the square (textbook formula for a segment)
    r, d = 76.8, 500.0 * width
    share = 4.0 * (r * r * np.arccos(d / r) - d * np.sqrt(r * r - d * d)) / (np.pi * r * r)
    with pytest.raises(
        SurfaceFileError, match=f"leaves {100 * share:.0f} % of a face of 160 x 160 mm uncovered"
    ):
        lay(scan(shape(), 1e-3, width=width - 1e-3), disc(256), MARGIN)


def test_points_that_are_too_far_apart():
    with pytest.raises(SurfaceFileError, match="50 mm apart, too far"):
        lay(scan(shape(), 50e-3, width=0.25, beside=None), disc(), MARGIN)


def test_heights_no_face_can_have():
    with pytest.raises(SurfaceFileError, match="look at the unit"):
        lay(scan(lambda x, y: 1e3 * shape()(x, y), 1e-3), disc(), MARGIN)


@pytest.mark.parametrize(
    "outline",
    [Rectangle(0.3, 0.05), Rectangle(0.05, 0.3), Ring(0.16, 0.09)],
    ids=["rail", "upright rail", "ring"],
)
def test_other_outlines(outline):
    form = StartForm(sphere=1e-6, twist=0.5e-6)
    plate = Plate(outline, thickness=0.03, cells=150, name="A")
    width, height = outline.size
    laid = lay(scan(shape(form, outline), 0.5e-3, 0.4e-3, width, height, beside=None), plate, 0.001)
    want = form.heights(plate.grid, outline)
    inside = plate.land_inside(0.001) > 0.5
    left = (laid.measured.heights - want)[inside]
    assert np.ptp(left) < 1e-12


def test_a_map_may_be_laid_off_the_middle():
    plate = disc()
    off = scan(lambda x, y: shape()(x + 0.01, y - 0.005), 1e-3, width=0.2, beside=None)
    got = formed(plate, lay(off, plate, MARGIN, at=(0.01, -0.005)))
    assert got.sphere == pytest.approx(3e-6, rel=1e-9)


def test_the_answer_does_not_hang_on_the_spacing():
    # the same wavy face by four instruments: flatness agrees to two hundredths, rms to a half
    plate = disc()
    form = StartForm(sphere=1e-6, ripple=Ripple(0.4e-6, 0.04, seed=3))
    want = measure(
        plate,
        np.where(plate.land > 0, form.heights(plate.grid, plate.outline), 0.0),
        EdgeMargin(0.02),
    )
    for step in (0.25e-3, 1e-3, 2e-3, 4e-3):
        got = formed(plate, lay(scan(shape(form), step), plate, MARGIN))
        assert got.flatness == pytest.approx(want.flatness, rel=0.02)
        assert got.rms == pytest.approx(want.rms, rel=0.005)
