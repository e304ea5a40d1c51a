"""The operator against its slow twin, and what must hold of it whatever the stroke."""

from functools import partial

import modes_twin
import numpy as np
import pytest
from modes_scene import EIGHT, FREE, LINE, flow, index, operator, stroke

from lapwright.contact.placement import PlacedPlate, on_bench, on_face
from lapwright.errors import NoOverlapError
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import basis_of
from lapwright.modal.cells import overlap_rule
from lapwright.modal.operator import assemble, free_turns, operator_of
from lapwright.modal.points import instants_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Circle, FigureEight, Line
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.step import Load, Turn
from lapwright.verification.scenes import body, disc

PAIRS = {
    "discs": (Disc(0.16), Disc(0.16)),
    "a small disc on a plate": (Disc(0.16), Disc(0.10)),
    "a plate on a small disc": (Disc(0.10), Disc(0.16)),
    "ring on disc": (Disc(0.16), Ring(0.12, 0.06)),
    "rectangles": (Rectangle(0.15, 0.12), Rectangle(0.10, 0.06)),
    "rings": (Ring(0.16, 0.05), Ring(0.14, 0.06)),
}
MOVES = {
    "travelling": {"curve": Circle(0.02), "centre": (0.004, -0.003)},
    "turning": {"curve": Line(0.04), "direction": 0.4, "turn": Turn(np.radians(50.0))},
}


def bodies(outlines, cells=64):
    return (body(name, o, 20.0, cells) for name, o in zip("BA", outlines, strict=True))


def same_points(bottom, top):
    """The contact points of the operator itself, pose by pose."""

    def points(cx, cy, theta):
        at = (np.array([value]) for value in (cx, cy, theta))
        rule = overlap_rule(
            bottom.plate.outline, top.plate.outline, *at, bottom.degree + top.degree
        )
        return np.column_stack([rule.x, rule.y, rule.area])

    return points


@pytest.mark.always(*range(0, 6), 8)
@pytest.mark.parametrize("move", MOVES)
@pytest.mark.parametrize("pair", PAIRS)
def test_slow_twin(pair, move):
    """Plain loops over poses and points, on the same points."""
    bottom, top = (basis_of(plate, 3) for plate in bodies(PAIRS[pair]))
    instants = instants_of(Motion(stroke(**MOVES[move])), 0, 3600, 5)
    got = assemble(bottom, top, instants)
    response, weight = modes_twin.operator(bottom, top, instants, same_points(bottom, top))
    np.testing.assert_allclose(got.response, response, atol=1e-12 * np.abs(response).max())
    np.testing.assert_allclose(got.weight, weight, atol=1e-12 * np.abs(weight).max())


@pytest.mark.campaign
@pytest.mark.parametrize(
    "pair", ["a plate on a small disc", pytest.param("rings", marks=pytest.mark.campaign)]
)
def test_slow_twin_on_cells_of_its_own(pair):
    """The twin's cells know the edge of the overlap to half a cell."""
    bottom, top = (basis_of(plate, 3) for plate in bodies(PAIRS[pair]))
    instants = instants_of(Motion(stroke(**MOVES["travelling"])), 0, 3600, 2)
    got = assemble(bottom, top, instants)
    cells = partial(modes_twin.bench_points, bottom.plate, top.plate, cell=0.0012)
    response, weight = modes_twin.operator(bottom, top, instants, cells)
    assert np.abs(got.response - response).max() < 0.01 * np.abs(response).max()
    assert np.abs(got.weight - weight).max() < 0.01 * np.abs(weight).max()


@pytest.mark.campaign
def test_slow_twin_sees_the_mirror():
    """A top that was not turned over does something else."""
    bottom, top = (basis_of(plate, 3) for plate in bodies(PAIRS["rectangles"]))
    instants = instants_of(Motion(stroke(**MOVES["turning"])), 0, 3600, 4)
    got = assemble(bottom, top, instants)
    odd = np.array([*np.ones(bottom.size), *_mirrored(top)])
    not_turned_over = got.response * odd * odd[:, None]
    response, _ = modes_twin.operator(bottom, top, instants, same_points(bottom, top))
    assert np.abs(not_turned_over - response).max() > 0.1 * np.abs(response).max()


def _mirrored(basis):
    """-1 for shapes that are odd in x."""
    at = basis.evaluate(np.array([0.021, -0.021]), np.array([0.013, 0.013]))
    return np.sign(at[:, 0] * at[:, 1])


def test_points_are_carried_as_faces_are_laid():
    """The map of points is the map of arrays: quarter turns of a marked face."""
    plate = body("A", Rectangle(0.12, 0.05), 1.0, 24)
    x, y = plate.grid.mesh()
    z = 3.0 * x + 50.0 * x * y + 7.0 * y**2
    for quarter in range(4):
        laid = PlacedPlate(plate, True, quarter).lay(z)
        ny, nx = laid.shape
        bx, by = np.meshgrid(
            (np.arange(nx) - (nx - 1) / 2) * plate.grid.cell,
            (np.arange(ny) - (ny - 1) / 2) * plate.grid.cell,
        )
        u, v = on_face(bx + 0.3, by - 0.2, 0.3, -0.2, quarter * np.pi / 2)
        np.testing.assert_allclose(3.0 * u + 50.0 * u * v + 7.0 * v**2, laid, atol=1e-14)
        back = on_bench(u, v, 0.3, -0.2, quarter * np.pi / 2)
        np.testing.assert_allclose(back, (bx + 0.3, by - 0.2), atol=1e-15)


def test_volume_lost_is_force_times_path():
    """Preston's law, from memory: while the top only travels each face loses kappa W x path, whatever p."""
    f = flow(stroke(), 6)
    path_speed = 2 * np.pi * 0.33 * 0.08
    for z in (np.zeros(f.drive.size), 1e-6 * np.random.default_rng(1).normal(size=f.drive.size)):
        lost = -(f.matrix @ z + f.drive)
        for part, plate in (
            (f.part(lost, False), f.bottom.plate),
            (f.part(lost, True), f.top.plate),
        ):
            assert part[0] * plate.land_area == pytest.approx(
                1e-12 * 3000 * np.pi * 0.08**2 * path_speed, rel=1e-6, abs=0.0
            )


def test_symmetric_where_nothing_turns():
    for turn in (Turn(), index(90)):
        found = operator(stroke(EIGHT, turn), 5)
        assert found.symmetric
        np.testing.assert_allclose(found.response, found.response.T, atol=1e-18)
        assert np.linalg.eigvalsh(found.response).min() > -1e-15 * np.linalg.norm(found.response)
    assert not operator(stroke(EIGHT, FREE), 5).symmetric


def test_load_enters_in_three_parts():
    """Weight through the centre, hand off the centre, push above the faces: each linear."""
    load = Load(12.0, (0.006, -0.004), "hand", 0.02, 0.2)
    whole = operator(stroke(load=load), 5)
    plain = operator(stroke(), 5)
    only_hand = operator(stroke(load=Load(6.0, (0.006, -0.004), "hand")), 5)
    np.testing.assert_allclose(whole.weight, plain.weight, rtol=1e-12)
    np.testing.assert_allclose(
        whole.hand, 2.0 * only_hand.hand, atol=1e-12 * np.abs(whole.hand).max()
    )
    assert np.abs(plain.hand).max() == np.abs(plain.push).max() == 0.0
    rates = whole.rates((1e-12, 2e-12))
    got = whole.flow(3e9, (1e-12, 2e-12), 50.0).drive
    np.testing.assert_allclose(
        got, -rates * (50.0 * (whole.weight + whole.push) + whole.hand), rtol=1e-12
    )


@pytest.mark.campaign
def test_grooved_faces_are_near_plain_ones_of_less_land():
    """Derived: fine grooves on both carry less, and otherwise change little; removal by area exactly."""
    fine = Grooves("square", 0.006, 0.0007)
    grooved = body("B", Disc(0.16), 60.0, 256, grooves=fine)
    plain = body("A", Disc(0.16), 60.0, 128)
    found = operator(stroke(), 4, grooved, plain)
    bare = operator(stroke(), 4, body("B", Disc(0.16), 60.0, 128), plain)
    share = grooved.land_area / plain.land_area
    assert found.overlap / bare.overlap == pytest.approx(share, rel=0.002)
    np.testing.assert_allclose(
        found.response / share, bare.response, atol=0.01 * np.abs(bare.response).max()
    )


def test_apart():
    far = stroke(centre=(0.2, 0.0))
    with pytest.raises(NoOverlapError, match="does not lie on"):
        operator(far, 4)
    with pytest.raises(NoOverlapError, match="off centre"):
        operator_of(*(basis_of(p, 2) for p in bodies(PAIRS["discs"])), Motion(stroke(Line(0.4))))


def test_same_answer_every_time():
    one, two = operator(stroke(EIGHT, FREE), 6), operator(stroke(EIGHT, FREE), 6)
    assert np.array_equal(one.response, two.response)
    assert np.array_equal(one.weight, two.weight)


LOW = np.r_[:15, 45:60]  # of two faces of degree 8: those to degree 4


@pytest.mark.parametrize("turn", [Turn(), FREE, Turn(np.radians(137.5)), index(90)])
def test_more_points_and_poses_change_little(turn):
    base = operator(stroke(EIGHT, turn), 8)
    finer = operator(stroke(EIGHT, turn), 8, fineness=2.0)
    denser = operator(stroke(EIGHT, turn), 8, poses=256)
    for other, most in ((finer, 2e-3), (denser, 2e-3)):
        change = np.abs(other.response - base.response) / np.abs(base.response).max()
        assert change.max() < 2.0 * most
        assert change[np.ix_(LOW, LOW)].max() < most
        assert np.abs(other.weight - base.weight).max() < most * np.abs(base.weight).max()


TURNED = {
    "turning": stroke(EIGHT, FREE),
    "turning fast": stroke(EIGHT, Turn(np.radians(137.5))),
    "walking": stroke(LINE, walk=Turn(np.radians(3.3)), centre=(0.01, 0.0), carry_centre=True),
    "walking and turning": stroke(
        LINE, Turn(np.radians(5)), walk=Turn(np.radians(3)), centre=(0.01, 0.0), carry_centre=True
    ),
    "walking against turning": stroke(LINE, Turn(np.radians(-7)), walk=Turn(np.radians(7))),
    "indexed": stroke(EIGHT, index(90)),
    "indexed twice": stroke(EIGHT, index(90), walk=index(60, 20)),
    "hand off the centre": stroke(
        LINE, FREE, load=Load(10.0, (0.01, 0.004), "hand", 0.02, 0.15), walk=Turn(np.radians(2.0))
    ),
}


@pytest.mark.always("turning", "turning fast", "walking", "walking against turning", "indexed")
@pytest.mark.parametrize("case", TURNED)
def test_turned_shapes_are_many_turned_poses(case):
    """Round faces: the average over angles by turned shapes is that over many poses of the real motion."""
    step = TURNED[case]
    faces = [basis_of(disc(name, 64), 5) for name in "BA"]
    assert free_turns(Motion(step), 0, step.total_strokes, *faces, 64) is not None
    got = operator_of(*faces, Motion(step))
    many = assemble(*faces, instants_of(Motion(step), 0, step.total_strokes, 400))
    assert np.abs(got.response - many.response).max() < 0.006 * np.abs(many.response).max()
    for one, other in ((got.weight, many.weight), (got.hand, many.hand), (got.push, many.push)):
        assert np.abs(one - other).max() < 0.003 * np.abs(many.weight).max()


@pytest.mark.parametrize(
    "step",
    [
        stroke(turn=Turn(2.0 * np.pi)),  # keeps step with the stroke
        stroke(EIGHT, Turn(2.0 * np.pi / 3.0)),
        stroke(EIGHT, Turn(np.radians(2.0)), time=60.0),  # a third of a turn in all
        stroke(EIGHT, FREE, load=Load(5.0, (0.01, 0.0), "top")),
        stroke(EIGHT, walk=FREE, centre=(0.01, 0.0)),  # the centre stays where it is
    ],
)
def test_turns_that_are_not_free(step):
    faces = [basis_of(disc(name, 64), 5) for name in "BA"]
    assert free_turns(Motion(step), 0, step.total_strokes, *faces, 64) is None


def test_only_round_plain_faces_turn_freely():
    step = stroke(EIGHT, FREE)
    grooved = body("A", Disc(0.16), 60.0, 64, grooves=Grooves("square", 0.012, 0.002))
    square = body("A", Rectangle(0.1, 0.1), 60.0, 64)
    for top in (grooved, square):
        faces = basis_of(disc("B", 64), 5), basis_of(top, 5)
        assert free_turns(Motion(step), 0, step.total_strokes, *faces, 64) is None


@pytest.mark.always("90.0", "45.0", "10.0")
@pytest.mark.parametrize("degrees", [90.0, 45.0, 15.0, 10.0])
def test_a_square_set_over_by_quarter_turns_gets_no_saddle_and_no_twist(degrees):
    """By symmetry: in the top's own axes every quarter turn of what comes to it comes as often."""
    square = Rectangle(0.15, 0.15)
    plates = {name: body(name, square, 3000.0 * square.area, 64) for name in "AB"}
    step = stroke(FigureEight(0.06, 0.04), index(degrees, 12), time=None, strokes=3456)
    solved = ReducedModel(plates, [step], 6).evolution(1)
    face = basis_of(plates["A"], 6)
    for z in (solved.residue, solved.after(np.zeros(2 * face.size), 900.0)):
        forms = face.forms(z[face.size :], EdgeMargin(share=0.0))
        assert abs(forms["sphere"]) > 1e-7
        assert abs(forms["saddle"]) < 1e-9 * abs(forms["sphere"])
        assert abs(forms["twist"]) < 1e-9 * abs(forms["sphere"])


@pytest.mark.campaign
def test_a_grooved_plate_wears_where_a_plain_reckoning_says():
    """First wear of flat faces over a circle, pose by pose on 0.2 mm points with groove or no groove in each.

    Squares of 12 mm pitch, grooves 2 mm wide: forms of both faces (derived; nothing of the modes is used).
    """
    grooves, circle = Grooves("square", 0.012, 0.002), 0.0264
    bottom, top = (
        body("B", Disc(0.16), 60.0, 128, grooves=grooves),
        body("A", Disc(0.16), 60.0, 128),
    )
    expected = plain_first_wear(0.08, 0.012, 0.002, circle, 0.0002)
    faces = basis_of(bottom, 8), basis_of(top, 8)
    found = operator_of(*faces, Motion(stroke(Circle(circle)))).flow(1.0, (1.0, 1.0), 1.0)
    half = faces[0].size
    for face, wear, (sphere, mean) in zip(
        faces, (found.drive[:half], found.drive[half:]), expected, strict=True
    ):
        assert face.forms(wear, EdgeMargin(share=0.0))["sphere"] / wear[0] == pytest.approx(
            sphere / mean, abs=0.01
        )


def plain_first_wear(radius, pitch, width, circle, side):
    """(sphere, mean) of the wear of bottom and top."""
    n = round(2 * radius / side)
    x = (np.arange(n) + 0.5) * side - radius
    x, y = np.meshgrid(x, x)
    disc_ = x * x + y * y <= radius**2
    # Lands centred on the origin: grooves half a pitch from it.
    land = disc_.copy()
    for t in (x, y):
        land &= np.abs(t % pitch - 0.5 * pitch) >= 0.5 * width
    worn = np.zeros((2, n, n))
    for phase in 2 * np.pi * (np.arange(48) + 0.5) / 48:
        i, j = (round(circle * f(phase) / side) for f in (np.cos, np.sin))
        cx, cy = i * side, j * side
        on = land & ((x - cx) ** 2 + (y - cy) ** 2 <= radius**2)
        plane = np.stack([np.ones_like(x), x - cx, y - cy])[:, on]
        pressure = np.zeros_like(x)
        pressure[on] = np.linalg.solve(plane @ plane.T, [1.0, 0.0, 0.0]) @ plane
        worn[0] += pressure
        worn[1] += np.roll(pressure, (-j, -i), (0, 1))
    forms = []
    for wear, own in zip(worn, (land, disc_), strict=True):
        shapes = np.stack([x**0, x, y, x * x + y * y, x * x - y * y, x * y])[:, own]
        fit = np.linalg.lstsq(shapes.T, -wear[own], rcond=None)[0]
        forms.append((-fit[3] * radius**2, -wear[own].mean()))
    return forms
