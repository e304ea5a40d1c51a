"""Pressure times speed averaged over poses: two paths, one answer; threads, errors and invariances."""

from dataclasses import replace
from math import pi, radians

import numpy as np
import pytest
from lapping_scene import LOAD, RADIUS, discs, pair, sample, step

from lapwright.contact import equilibrium as solver
from lapwright.contact import wear as loops
from lapwright.contact.average import Pair, Sample
from lapwright.errors import NoOverlapError, SettleError, TippedError
from lapwright.kinematics.motion import Poses
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.specification.curves import Circle, FigureEight, Line
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate, Ripple, StartForm
from lapwright.specification.step import Turn

NO_MARGIN = EdgeMargin(share=0.0)
SHAPED = (
    StartForm(sphere=0.4e-6, twist=0.2e-6, ripple=Ripple(0.2e-6, 0.05, 0.4)),
    StartForm(saddle=0.3e-6),
)


def averaged(plates, chosen, layer=1e-6, heights=None):
    z = heights or {name: plate.heights() for name, plate in plates.items()}
    return pair(plates, layer).average(z["B"], z["A"], chosen)


def turned_by(chosen, angle):
    """The same sample with the top turned a little further on the bench."""
    poses = replace(chosen.poses, theta=chosen.poses.theta + angle)
    return replace(chosen, poses=poses)


def around(number=48, **more):
    return sample(step(**more), (np.arange(number) + 0.5) / number)


@pytest.mark.parametrize("quarter", range(4))
def test_quarter_turns_laid_cell_on_cell_equal_the_gathered_path(quarter):
    """On whole cells the two paths see the same points: they agree to round-off of the tiny turn."""
    plates = discs(48, *SHAPED)
    chosen = turned_by(around(), quarter * pi / 2)
    cell = plates["A"].grid.cell
    poses = replace(
        chosen.poses,
        cx=np.rint(chosen.poses.cx / cell) * cell,
        cy=np.rint(chosen.poses.cy / cell) * cell,
    )
    on_cells = Sample(poses, chosen.share, chosen.moments)
    groups = pair(plates)._groups(pair(plates).pose_rows(on_cells))
    assert [(g.quarter, g.on_cells) for g in groups] == [(quarter, True)]
    laid = averaged(plates, on_cells)
    gathered = averaged(plates, turned_by(on_cells, 1e-8))
    for a, b in ((laid.bottom, gathered.bottom), (laid.top, gathered.top)):
        assert a == pytest.approx(b, abs=3e-6 * b.max())


def path_difference(cells):
    plates = discs(cells, *SHAPED)
    chosen = around(curve=FigureEight(0.053, 0.027), direction=radians(20.0))
    laid, gathered = averaged(plates, chosen), averaged(plates, turned_by(chosen, 1e-8))
    worst = 0.0
    for plate, a, b in (("B", laid.bottom, gathered.bottom), ("A", laid.top, gathered.top)):
        one, two = (forms(plates[plate], m, NO_MARGIN) for m in (a, b))
        worst = max(worst, abs(one.sphere - two.sphere), abs(one.twist - two.twist))
        worst = max(worst, abs(one.saddle - two.saddle))
    return worst / laid.bottom.mean()


def test_places_rounded_to_cells_are_within_the_grids_error():
    """Rounding to whole cells with mended weights against poses where they really are: forms of the rate
    within 1 % of the mean at 104 cells, and falling with the cell."""
    coarse, fine = path_difference(104), path_difference(208)
    assert 1e-6 < fine < coarse < 0.01
    assert fine < 0.003


@pytest.mark.parametrize(
    "curve", [Circle(0.0264), FigureEight(0.053, 0.027), FigureEight(0.08, 0.04)]
)
def test_rounded_places_keep_the_means_of_the_moment_law(curve):
    """Speed-weighted means of 1, c and c c^T are the same before and after rounding, to round-off."""
    plates = discs(128)
    rows = pair(plates).pose_rows(around(64, curve=curve, direction=0.3, centre=(0.004, -0.002)))
    mended = pair(plates)._on_cells(rows)
    assert mended is not None

    def means(table):
        amount = table[:, loops.WEIGHT] * np.hypot(table[:, loops.V_X], table[:, loops.V_Y])
        x, y = table[:, loops.C_X], table[:, loops.C_Y]
        return np.array([amount @ f for f in (np.ones_like(x), x, y, x * x, x * y, y * y)])

    cells = mended[:, loops.C_X : loops.C_Y + 1] / plates["A"].grid.cell
    assert np.abs(cells - np.rint(cells)).max() < 1e-9
    assert np.abs(mended[:, loops.C_X] - rows[:, loops.C_X]).max() > 1e-4  # something was rounded
    scale = means(rows)[0] * np.array([1.0, 0.04, 0.04, 0.0016, 0.0016, 0.0016])
    assert means(mended) / scale == pytest.approx(means(rows) / scale, abs=1e-11)


def test_a_stroke_of_few_cells_is_not_rounded():
    plates = discs(32)
    rows = pair(plates).pose_rows(around(curve=Circle(0.007)))
    assert pair(plates)._on_cells(rows) is None


def test_faces_with_straight_edges_are_not_rounded():
    """All of an edge crosses from cell to cell at once: a rail on its like was up to 1 % of the metal off."""
    rail = Plate(Rectangle(0.16, 0.04), mass=6.0, cells=128, name="A")
    poses = around(64, curve=Line(0.06))
    laid = Pair(replace(rail, name="B"), rail, 1e9, 60.0)
    assert laid._on_cells(laid.pose_rows(poses)) is None
    assert [(g.quarter, g.on_cells) for g in laid._groups(laid.pose_rows(poses))] == [(0, False)]


@pytest.mark.parametrize("turn", [Turn(), Turn(radians(8.0))])
def test_the_answer_does_not_depend_on_threads(turn):
    plates = discs(40, *SHAPED)
    chosen = sample(step(turn=turn), np.arange(50) * 0.37)
    one = averaged(plates, chosen)
    for number in (2, 3):
        with pair(plates).threads(number) as spread:
            many = spread.average(plates["B"].heights(), plates["A"].heights(), chosen)
        for name in ("bottom", "top", "doubt", "reports"):
            assert np.array_equal(getattr(one, name), getattr(many, name)), name
        assert (one.lift_share, one.scale_error) == (many.lift_share, many.scale_error)


@pytest.mark.parametrize(
    "more",
    [
        {},
        {"curve": Line(0.05), "direction": 0.4, "centre": (0.02, 0.01)},
        {"curve": FigureEight(0.06, 0.03), "direction": 0.2},
    ],
    ids=["circle", "line over the rim", "eight"],
)
def test_volume_balances(more):
    """Preston's law in pure translation: both faces see the integral of force times speed, whatever the
    layer or the lifting, to 1e-8 (checks 1)."""
    plates = discs(40, *SHAPED)
    for layer in (0.1e-6, 1e-6):
        for turn in (0.0, 0.4):
            chosen = turned_by(around(**more), turn)
            mean = averaged(plates, chosen, layer)
            work = LOAD * chosen.share @ np.hypot(chosen.poses.vx, chosen.poses.vy)
            for plate, seen in (("B", mean.bottom), ("A", mean.top)):
                gone = (plates[plate].land * seen).sum() * plates[plate].grid.cell ** 2
                assert gone == pytest.approx(work, rel=1e-8)
        assert mean.lift_share > 0.0 or layer > 0.5e-6


def test_the_setup_turned_by_ninety_degrees_wears_the_same_turned():
    """Invariance to round-off: bench, bottom, stroke and top all turned a quarter (checks 31)."""
    plates = discs(40, *SHAPED)
    z = {name: plate.heights() for name, plate in plates.items()}
    chosen = around(curve=FigureEight(0.053, 0.027), direction=0.3)
    for theta in (0.0, 0.3):
        plain = averaged(plates, turned_by(chosen, theta), heights=z)
        poses = turned_by(chosen, theta + pi / 2).poses
        poses = replace(poses, cx=-poses.cy, cy=poses.cx, vx=-poses.vy, vy=poses.vx)
        moved = averaged(
            plates,
            Sample(poses, chosen.share, chosen.moments),
            heights={"A": z["A"], "B": np.rot90(z["B"], -1).copy()},
        )
        scale = plain.bottom.max()
        assert moved.bottom == pytest.approx(np.rot90(plain.bottom, -1), abs=1e-8 * scale)
        assert moved.top == pytest.approx(plain.top, abs=1e-8 * scale)


def test_the_mirrored_setup_wears_mirrored():
    """Invariance to round-off: everything seen in a mirror along y (checks 31)."""
    plates = discs(40, *SHAPED)
    z = {name: plate.heights() for name, plate in plates.items()}
    chosen = turned_by(around(curve=FigureEight(0.053, 0.027), direction=0.3), 0.4)
    chosen = Sample(replace(chosen.poses, spin=np.full(48, 0.3)), chosen.share, chosen.moments)
    plain = averaged(plates, chosen, heights=z)
    p = chosen.poses
    poses = replace(p, cx=-p.cx, vx=-p.vx, theta=-p.theta, spin=-p.spin)
    seen = averaged(
        plates,
        Sample(poses, chosen.share, chosen.moments),
        heights={name: m[:, ::-1].copy() for name, m in z.items()},
    )
    scale = plain.bottom.max()
    assert seen.bottom == pytest.approx(plain.bottom[:, ::-1], abs=1e-8 * scale)
    assert seen.top == pytest.approx(plain.top[:, ::-1], abs=1e-8 * scale)


def test_top_and_bottom_relabelled_wear_the_same():
    """The same contact told from the other plate: what was at c is at (cx, -cy) of a page turned over, and
    the load acts where it did, to round-off (checks 31)."""
    plates = discs(40, *SHAPED)
    cell = plates["A"].grid.cell
    chosen = around(curve=Circle(0.02))
    poses = replace(
        chosen.poses,
        cx=np.rint(chosen.poses.cx / cell) * cell,
        cy=np.rint(chosen.poses.cy / cell) * cell,
    )
    plain = averaged(plates, Sample(poses, chosen.share, chosen.moments))
    poses = replace(poses, cy=-poses.cy, vy=-poses.vy)
    moments = -LOAD * np.stack([poses.cx, poses.cy], axis=1)  # the load stays at A's centre
    other = Pair(plates["A"], plates["B"], 3e9, LOAD).average(
        plates["A"].heights(), plates["B"].heights(), Sample(poses, chosen.share, moments)
    )
    scale = plain.bottom.max()
    assert other.bottom == pytest.approx(plain.top, abs=1e-8 * scale)
    assert other.top == pytest.approx(plain.bottom, abs=1e-8 * scale)


@pytest.mark.parametrize("across", [0.16, 0.12])
def test_forms_without_making_the_map(across):
    """What the check tells is what the forms of the checked poses' map are: summed by hand, cell by cell."""
    plates = discs(32, *SHAPED)
    plates["A"] = plates["A"].replace(outline=Disc(across))
    chosen = turned_by(around(48, curve=FigureEight(0.06, 0.03), direction=0.3), 0.4)
    check = np.cos(3.0 * np.arange(48))
    told = averaged(plates, replace(chosen, check=check)).doubt
    summed = averaged(plates, replace(chosen, share=check))
    by_hand = [
        getattr(forms(plates[name], z, NO_MARGIN), form)
        for name, z in (("B", summed.bottom), ("A", summed.top))
        for form in ("sphere", "saddle", "twist")
    ]
    assert told == pytest.approx(np.array(by_hand), abs=1e-9 * np.abs(by_hand).max())


@pytest.mark.parametrize("quarter", range(4))
def test_the_check_of_poses_on_whole_cells_is_that_of_the_gathered(quarter):
    """On whole cells both loops tell the same, whichever quarter the top is turned by: mirror and turn of the
    sums are those of the maps."""
    plates = discs(48, *SHAPED)
    chosen = turned_by(around(curve=FigureEight(0.06, 0.03)), quarter * pi / 2)
    cell = plates["A"].grid.cell
    at = {name: np.rint(getattr(chosen.poses, name) / cell) * cell for name in ("cx", "cy")}
    told = Sample(
        replace(chosen.poses, **at), chosen.share, chosen.moments, np.cos(np.arange(48.0))
    )
    laid, gathered = averaged(plates, told).doubt, averaged(plates, turned_by(told, 1e-8)).doubt
    assert laid == pytest.approx(gathered, abs=1e-5 * np.abs(gathered).max())


def test_later_stages_keep_the_load_of_each_pose():
    """What is worked out on a part of the poses keeps the volume, and all of them give all of it."""
    plates = discs(32, *SHAPED)
    chosen = around(64)
    layer = pair(plates)
    z = plates["B"].heights(), plates["A"].heights()
    worn = z[0] * 0.9, z[1] * 0.8
    whole = layer.average(*worn, chosen)
    everything = layer.moved(*worn, chosen, layer.average(*z, chosen))
    assert everything[0] == pytest.approx(whole.bottom, abs=1e-9 * whole.bottom.max())
    first = layer.average(*z, chosen, range(0, 8, 4))
    some = layer.moved(*worn, chosen, first)
    land = plates["B"].land
    assert (land * some[0]).sum() == pytest.approx((land * whole.bottom).sum(), rel=1e-9)
    assert 0.0 < np.abs(some[0] - whole.bottom).max() < 0.1 * whole.bottom.max()
    # A quarter of the poses tells nearly all of what changes, not a quarter of it.
    far = [np.std(z[land > 0.0]) for z in (some[0] - whole.bottom, first.bottom - whole.bottom)]
    assert far[0] < 0.4 * far[1]


def at(cx, cy):
    zero, one = np.zeros(2), np.ones(2)
    poses = Poses(
        np.array([0.0, 0.25]), np.array([0.0, pi / 2]), np.array([0.0, cx]), np.array([0.0, cy]),
        one, zero, zero, zero, zero,
    )  # fmt: skip
    return Sample(poses, 0.5 * one, np.zeros((2, 2)))


def test_a_pose_without_a_solution_is_named():
    plates = discs(32)
    with pytest.raises(
        TippedError, match=r"A tips off B at 90 degrees of the stroke.* 90\.0 mm off centre"
    ):
        averaged(plates, at(0.09, 0.0))
    with pytest.raises(NoOverlapError, match=r"A does not lie on B at 90 degrees"):
        averaged(plates, at(0.0, 0.2))
    assert averaged(plates, at(0.06, 0.03)).lift_share == 0.5


def test_a_pose_that_does_not_settle_is_an_error_not_a_number(monkeypatch):
    def gives_up(bottom, top, stiffness, poses, warm, wear_bottom, wear_top, reports, bodies):
        reports[:, solver.STATUS] = solver.FAILED
        reports[:, solver.OVERLAP] = 100.0

    monkeypatch.setattr(loops, "wear_shifted", gives_up)
    monkeypatch.setattr(loops, "wear_turned", gives_up)
    with pytest.raises(SettleError, match="A did not settle on B"):
        averaged(discs(32), around())


def test_the_rim_is_neither_lost_nor_counted_twice():
    """Rate per land: under a still top that turns about its own centre, pressure x speed = p omega r at every
    cell with land, part-covered ones included, on bare ones nothing."""
    plates = discs(64)
    one = step(curve=Circle(0.0), turn=Turn(2 * pi))
    seen = averaged(plates, sample(one, np.arange(16) / 16))
    x, y = plates["B"].grid.mesh()
    r = np.hypot(x, y)
    inner = r < RADIUS - 3 * plates["B"].grid.cell
    ring = seen.bottom[inner] / (2 * pi * r[inner])
    assert ring == pytest.approx(3000.0, rel=0.02)
    assert np.all(seen.bottom[plates["B"].land == 0.0] == 0.0)
