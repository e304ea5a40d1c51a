"""Shapes of a face: orthonormal, well conditioned, and the measures of the plate room read off them."""

from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.form import EdgeMargin, measure
from lapwright.modal.basis import basis_of
from lapwright.modal.cells import LAND_POINTS, cells_of, overlap_rule
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, Ripple, StartForm

GROOVED = Grooves("square", 0.010, 0.00225)  # 40 % of the face
FACES = {
    "disc": Plate(Disc(0.16), mass=1.0, name="P"),
    "ring": Plate(Ring(0.16, 0.10), mass=1.0, name="P"),
    "thin ring": Plate(Ring(0.16, 0.14), mass=1.0, name="P"),
    "1:6": Plate(Rectangle(0.3, 0.05), mass=1.0, cells=256, name="P"),
    "6:1": Plate(Rectangle(0.05, 0.3), mass=1.0, cells=256, name="P"),
    "40 % grooves": Plate(Disc(0.16), mass=1.0, grooves=GROOVED, cells=192, name="P"),
    "radial grooves": Plate(
        Disc(0.16), mass=1.0, grooves=Grooves("radial", 0, 0.004, count=12, rim=0.003), name="P"
    ),
}


def test_the_grooves_take_forty_per_cent():
    assert FACES["40 % grooves"].land_area == pytest.approx(0.6 * np.pi * 0.08**2, rel=0.01)


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("degree", [2, 8, 12])
def test_orthonormal_over_the_land(face, degree):
    plate = FACES[face]
    basis = basis_of(plate, degree)
    if plate.grooves is None:
        zero = np.zeros(1)
        rule = overlap_rule(plate.outline, plate.outline, zero, zero, zero, 4 * degree)
        x, y, share = rule.x, rule.y, rule.area / rule.area.sum()
        # powers of a thin ring's box are nearly the same on it, which magnifies what the points leave
        most = 1e-3 if face == "thin ring" else 1e-5
    else:
        cells = cells_of(plate, LAND_POINTS)
        x, y, share, most = cells.x, cells.y, cells.land / cells.land.sum(), 1e-10
    shapes = basis.evaluate(x, y)
    np.testing.assert_allclose((shapes * share) @ shapes.T, np.eye(basis.size), atol=most)
    assert basis.size == (degree + 1) * (degree + 2) // 2


@pytest.mark.parametrize("face", ["ring", "1:6", "40 % grooves", "disc", "radial grooves"])
@pytest.mark.parametrize("degree", [8, 12])
def test_condition_number(face, degree):
    """Required: below 1e8 for a plate with 40 % groove area, a ring and a 1:6 rectangle."""
    assert 1.0 <= np.linalg.cond(basis_of(FACES[face], degree).mix) < 1e8


def test_degrees_are_nested():
    """Leaving off coefficients is a least-squares fit: shapes to degree 4 are the first of those to 8."""
    x, y = np.random.default_rng(0).uniform(-0.05, 0.05, (2, 40))
    for face in ("disc", "ring", "1:6"):
        low, high = basis_of(FACES[face], 4), basis_of(FACES[face], 8)
        np.testing.assert_allclose(
            high.evaluate(x, y)[: low.size], low.evaluate(x, y), rtol=1e-5, atol=1e-5
        )
        assert list(low.degrees) == [0] + [1] * 2 + [2] * 3 + [3] * 4 + [4] * 5


@pytest.mark.parametrize("j", [4, 5, 6, 11])
def test_noll_polynomials_have_coefficients_of_size_one(j):
    """R. J. Noll, JOSA 66 (1976) 207: mean square 1 over the disc, orthogonal to lower degrees."""
    basis = basis_of(FACES["disc"], 8)
    zero = np.zeros(1)
    rule = overlap_rule(Disc(0.16), Disc(0.16), zero, zero, zero, 24)
    x, y = rule.x / 0.08, rule.y / 0.08
    r2 = x * x + y * y
    noll = {
        4: np.sqrt(3) * (2 * r2 - 1),
        5: np.sqrt(6) * 2 * x * y,
        6: np.sqrt(6) * (x * x - y * y),
        11: np.sqrt(5) * (6 * r2**2 - 6 * r2 + 1),
    }[j]
    degree = 4 if j == 11 else 2
    c = (basis.evaluate(rule.x, rule.y) * rule.area / rule.area.sum()) @ noll
    assert c @ c == pytest.approx(1.0, abs=1e-5)
    np.testing.assert_allclose(c[basis.degrees != degree], 0.0, atol=1e-5)


@pytest.mark.parametrize("face", FACES)
@pytest.mark.parametrize("margin", [EdgeMargin(), EdgeMargin(share=0.0), EdgeMargin(length=0.003)])
def test_forms_are_those_of_the_plate_room(face, margin):
    plate = FACES[face]
    basis = basis_of(plate, 6)
    c = 1e-6 * np.random.default_rng(7).normal(size=basis.size)
    form = measure(plate, basis.surface(c), margin)
    named = basis.forms(c, margin)
    assert named == pytest.approx({name: getattr(form, name) for name in named}, abs=1e-12)


@pytest.mark.parametrize("face", FACES)
def test_project_undoes_surface(face):
    basis = basis_of(FACES[face], 8)
    c = np.random.default_rng(1).normal(size=basis.size)
    np.testing.assert_allclose(basis.project(basis.surface(c)), c, atol=1e-9)


def test_project_is_least_squares():
    plate = Plate(
        Disc(0.16), mass=1.0, form=StartForm(sphere=1e-6, ripple=Ripple(1e-6, seed=1)), name="P"
    )
    basis = basis_of(plate, 5)
    z = plate.heights()
    left = z - basis.surface(basis.project(z))
    on = plate.land > 0.0
    shapes = basis.evaluate(*(axis[on] for axis in plate.grid.mesh()))
    np.testing.assert_allclose(shapes @ (plate.land[on] * left[on]), 0.0, atol=1e-12)


def test_the_same_for_all_plates_of_a_face():
    one = Plate(Disc(0.16), mass=1.0, form=StartForm(sphere=1e-6), name="A")
    other = Plate(Disc(0.16), mass=1.0, note="other", name="B")
    assert basis_of(one, 8) is basis_of(other, 8)


# --- few cells across ----------------------------------------------------------------------------

FEW = {
    "four rows": (Plate(Rectangle(0.24, 0.04), mass=1.0, cells=24, name="P"), 4, 14),
    "seven rows": (Plate(Rectangle(0.6, 0.03), mass=1.0, name="P"), 8, 42),
    "twenty rows": (Plate(Rectangle(0.3, 0.05), mass=1.0, name="P"), 8, 45),
}
CURVED = StartForm(bow=1e-6, crown=-0.5e-6, wind=0.3e-6)


@pytest.mark.parametrize("few", FEW)
def test_shapes_that_few_rows_cannot_tell_apart_take_nothing(few):
    """n rows tell powers 0 ... n - 1 of y apart: x^i y^j with j >= n, i + j <= degree, are not told."""
    plate, degree, told = FEW[few]
    basis = basis_of(plate, degree)
    rows = plate.grid.ny
    assert basis.seen.sum() == told == sum(min(rows, degree + 1 - i) for i in range(degree + 1))
    rng = np.random.default_rng(3)
    rough = 1e-6 * rng.standard_normal(plate.grid.shape)
    found = basis.project(rough)
    assert not found[~basis.seen].any()
    assert np.sqrt((found**2).sum()) < 2e-6  # 1.7e8 m where rounding is divided by


@pytest.mark.parametrize("few", FEW)
def test_forms_of_a_bar_on_few_rows_are_what_was_put_in(few):
    """By its cells, and by the formula that its form is."""
    plate, degree, _ = FEW[few]
    bent = replace(plate, form=CURVED)
    basis = basis_of(bent, degree)
    for found in (basis.project(bent.heights()), basis.start(bent)):
        for name, value in basis.forms(found, EdgeMargin()).items():
            assert value == pytest.approx(getattr(CURVED, name), abs=1e-15)


@pytest.mark.parametrize("few", FEW)
def test_forms_of_fine_shapes_do_not_hang_on_the_cells(few):
    """Of every shape, what many more cells tell: a fourth power is no parabola for want of rows."""
    plate, degree, _ = FEW[few]
    rows = basis_of(plate, degree).form_rows(EdgeMargin())
    many = basis_of(replace(plate, cells=8 * plate.cells), degree).form_rows(EdgeMargin())
    np.testing.assert_allclose(rows, many, atol=0.05 * np.abs(many).max())


def test_a_ripple_is_fitted_on_many_points():
    """Waves of a sixtieth of the face leave next to nothing on shapes to degree 8."""
    plate = Plate(
        Disc(0.16), mass=1.0, form=StartForm(ripple=Ripple(1e-6, 0.0027, seed=1)), name="P"
    )
    assert np.abs(basis_of(plate, 8).start(plate)).max() < 0.02e-6
