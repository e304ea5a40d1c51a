"""The kernels against their slow twin, and the two loops against each other."""

import numpy as np
import pytest
import slow_twin
from kernel_doors import gather

from lapwright.contact import equilibrium as solver
from lapwright.contact import wear as loops
from lapwright.contact.cells import make_rowset
from lapwright.contact.lay import read_only
from lapwright.contact.placement import PlacedPlate
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate

RADIUS = 0.08


def plate(outline, cells, grooves=None):
    return Plate(outline, mass=1.0, grooves=grooves, cells=cells, name="p")


def as_it_lies(body, z, over):
    """What the twin takes: height, land, cell, radius and edges, seen from above."""
    land, edges = body.land, body.edges
    if over:
        land, edges = land[:, ::-1], slow_twin.turned_over(edges)
    grooves, cell = body.grooves, body.grid.cell
    narrow = grooves is not None and grooves.width < 4 * cell
    return (
        np.where(land > 0, z, 0.0),
        land,
        cell,
        body.outline.radius,
        edges,
        narrow,
        strips_of(body),
    )


def strips_of(body):
    """Where strips of land between the grooves begin and end along x and along y [m]; None on other faces."""
    grooves = body.grooves
    if not isinstance(body.outline, Rectangle) or (grooves and grooves.angle):
        return None
    strips = []
    for side in body.outline.size:
        middles = [k * grooves.pitch for k in range(-40, 41)] if grooves else [0.0]
        half = (grooves.pitch - grooves.width) / 2 if grooves else side
        ends = [(max(m - half, -side / 2), min(m + half, side / 2)) for m in middles]
        strips.append([(b, e) for b, e in ends if e > b])
    return strips


def pair(rng, bottom, top):
    """Two plates with rough faces: the plates, and both as they lie."""
    lying = []
    for body, over in ((bottom, False), (top, True)):
        x, y = body.grid.mesh()
        shapes = np.stack([x / 0.08, x * y / 0.0064, np.hypot(x, y) ** 2 / 0.0064, np.sin(60 * y)])
        lying.append(
            as_it_lies(body, 1e-6 * np.einsum("k,kji->ji", rng.normal(size=4), shapes), over)
        )
    return (bottom, top), lying


def poses_of(rng, number, load, stiffness, cell, turned=True, amplitude=0.03):
    rows = np.zeros((number, loops.POSE_COLUMNS))
    rows[:, loops.C_X : loops.C_Y + 1] = amplitude * rng.uniform(-0.7, 0.7, (number, 2))
    rows[:, loops.V_X : loops.V_Y + 1] = rng.normal(0.0, 0.1, (number, 2))
    if turned:
        rows[:, loops.THETA] = rng.uniform(-7, 7, number)
        rows[:, loops.SPIN] = rng.normal(0.0, 0.5, number)
    rows[:, loops.WEIGHT] = rng.uniform(0.5, 1.5, number) / number
    rows[:, loops.LOAD] = load / (stiffness * cell**2)
    rows[:, loops.MOMENT_X : loops.MOMENT_Y + 1] = rows[:, loops.LOAD, None] * rng.uniform(
        -0.1, 0.1, (number, 2)
    )
    return rows


def as_dicts(rows):
    keys = ("cx", "cy", "theta", "vx", "vy", "spin", "weight")
    return [dict(zip(keys, row[:7], strict=True), target=row[7:10]) for row in rows]


def faces(plates, lying):
    bottom, top = (
        PlacedPlate(body, over=over, meets=other.grid.cell)
        for body, other, over in zip(plates, plates[::-1], (False, True), strict=True)
    )
    return bottom.face(lying[0][0]), top.face(top.lift(lying[1][0]))


def kernel_wear(loop, plates, lying, stiffness, rows):
    face_bottom, face_top = faces(plates, lying)
    wear_bottom, wear_top = np.zeros_like(face_bottom.z), np.zeros_like(face_top.z)
    reports = np.zeros((len(rows), solver.REPORT_COLUMNS))
    loop(face_bottom, face_top, stiffness, rows, False, wear_bottom, wear_top, reports)
    return wear_bottom, wear_top, reports


DISC = Disc(2 * RADIUS)
# Askew, so that mirror and turns of edges count; 4 mm grooves in cells of 4.4 mm, cell on cell of 3.3 mm.
GROOVED = Grooves("square", 0.03, 0.004, angle=0.3)
ALONG = Grooves("square", 0.021, 0.002)  # narrower than a cell
CASES = {
    "equal discs": (plate(DISC, 36), plate(DISC, 36)),
    "unequal grids": (plate(DISC, 48), plate(DISC, 36)),
    "grooved": (plate(DISC, 36, GROOVED), plate(DISC, 36, GROOVED)),
    "ring on a disc": (plate(DISC, 48), plate(Ring(0.1, 0.04), 40)),
    "narrow grooves": (
        plate(Rectangle(0.16, 0.09), 45, ALONG),
        plate(Rectangle(0.13, 0.09), 40, ALONG),
    ),
}


@pytest.mark.often(
    "equal discs-True", "unequal grids-False", "grooved-True", "ring on a disc-False"
)
@pytest.mark.always("narrow grooves-True")
@pytest.mark.parametrize("turned", [True, False])
@pytest.mark.parametrize("case", CASES)
def test_turned_loop_equals_slow_twin(case, turned):
    rng = np.random.default_rng(sum(map(ord, case)))
    plates, lying = pair(rng, *CASES[case])
    stiffness = 3e3 / 1e-6
    rows = poses_of(
        rng, 4, 10.0, stiffness, plates[0].grid.cell, amplitude=0.03 if turned else 0.01
    )
    if not turned:  # a short stroke, the top at quarter turns: straight edges stay on each other
        rows[:, loops.THETA] = 0.5 * np.pi * np.arange(4)
        rows[::2, loops.C_Y] = 0.0
    wear_bottom, wear_top, reports = kernel_wear(loops.wear_turned, plates, lying, stiffness, rows)
    slow_bottom, slow_top, factors = slow_twin.wear(*lying, stiffness, as_dicts(rows))
    assert reports[:, solver.LIFTED].max() > 0.0  # the cases include lifting
    scale = slow_bottom.max()
    np.testing.assert_allclose(wear_bottom, slow_bottom, atol=1e-8 * scale, rtol=0)
    np.testing.assert_allclose(wear_top, slow_top, atol=1e-8 * scale, rtol=0)
    np.testing.assert_allclose(reports[:, solver.FACTOR], factors, rtol=1e-8)


ON_CELLS = {
    "equal discs": (plate(DISC, 48), plate(DISC, 48)),
    "grooved": (plate(DISC, 48, GROOVED), plate(DISC, 48, GROOVED)),
    "narrow grooves": (
        plate(Rectangle(0.16, 0.09), 45, ALONG),
        plate(Rectangle(0.16, 0.09), 45, ALONG),
    ),
}


@pytest.mark.always("narrow grooves")
@pytest.mark.parametrize("case", ON_CELLS)
def test_shifted_loop_equals_slow_twin(case):
    rng = np.random.default_rng(sum(map(ord, case)))
    plates, lying = pair(rng, *ON_CELLS[case])
    cell = plates[0].grid.cell
    rows = poses_of(rng, 4, 10.0, 3e9, cell, turned=False)
    rows[:, :2] = np.rint(rows[:, :2] / cell) * cell
    rows[0, loops.C_Y] = rows[1, loops.C_X] = 0.0  # edges on each other
    wear_bottom, wear_top, _ = kernel_wear(loops.wear_shifted, plates, lying, 3e9, rows)
    slow_bottom, slow_top = slow_twin.wear_on_cells(*lying, 3e9, as_dicts(rows))
    np.testing.assert_allclose(wear_bottom, slow_bottom, atol=1e-8 * slow_bottom.max(), rtol=0)
    np.testing.assert_allclose(wear_top, slow_top, atol=1e-8 * slow_bottom.max(), rtol=0)


def test_shifted_loop_equals_turned_loop_on_whole_cells():
    """Bars whose edges lie within cells, so that cells are partly land on both faces."""
    rng = np.random.default_rng(4)
    bar = plate(Rectangle(0.16, 0.07), 47)
    plates, lying = pair(rng, bar, bar)
    stiffness = 3e3 / 1e-6
    cell = bar.grid.cell
    rows = poses_of(rng, 8, 60.0, stiffness, cell, turned=False)
    rows[:, :2] = np.rint(rows[:, :2] / cell) * cell
    rows[:3, loops.C_Y] = 0.0
    shifted = kernel_wear(loops.wear_shifted, plates, lying, stiffness, rows)
    turned = kernel_wear(loops.wear_turned, plates, lying, stiffness, rows)
    for a, b in zip(shifted[:2], turned[:2], strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9 * b.max(), rtol=0)
    np.testing.assert_allclose(turned[2][:, solver.FACTOR], 1.0, rtol=1e-9)


def test_loads_gathered_on_both_faces_balance():
    """Volume balance in translation: both faces see the same force times speed (checks 1)."""
    rng = np.random.default_rng(5)
    plates, lying = pair(rng, plate(DISC, 48, GROOVED), plate(DISC, 40, GROOVED))
    rows = poses_of(rng, 12, 60.0, 3e9, plates[0].grid.cell)
    rows[:, loops.SPIN] = 0.0
    wear_bottom, wear_top, _ = kernel_wear(loops.wear_turned, plates, lying, 3e9, rows)
    work = 60.0 * (rows[:, loops.WEIGHT] * np.hypot(rows[:, loops.V_X], rows[:, loops.V_Y])).sum()
    assert wear_bottom.sum() * plates[0].grid.cell ** 2 == pytest.approx(work, rel=1e-9)
    assert wear_top.sum() * plates[1].grid.cell ** 2 == pytest.approx(work, rel=1e-9)


@pytest.mark.campaign
def test_quadratics_are_gathered_exactly():
    """A dome in a dish lies on it at every pose: uniform pressure, no reading error."""
    body = plate(DISC, 48)
    cell = body.grid.cell
    x, y = body.grid.mesh()
    z = np.where(body.land > 0, 3e-6 * (x * x + y * y) / RADIUS**2, 0.0)
    rng = np.random.default_rng(6)
    rows = poses_of(rng, 5, 60.0, 3e9, cell)
    rows[:, loops.MOMENT_X : loops.MOMENT_Y + 1] = 0.0
    face_bottom, face_top = (
        PlacedPlate(body, over=False).face(z),
        PlacedPlate(body, over=True).face(-z),
    )
    scratch = make_rowset(48, 48, 48 * 48)
    for row in rows:
        c, s = np.cos(row[loops.THETA]), np.sin(row[loops.THETA])
        used = gather(face_bottom, face_top, row[0], row[1], c, s, row[0], row[1], RADIUS, scratch)
        n = scratch.first[used - 1] + scratch.length[used - 1]
        xi = np.concatenate(
            [scratch.xi[r] + cell / RADIUS * np.arange(scratch.length[r]) for r in range(used)]
        )
        eta = np.repeat(scratch.eta[:used], scratch.length[:used])
        gap, share = scratch.gap[:n], scratch.share[:n]
        on = share > 0
        basis = np.stack([np.ones_like(xi), xi, eta], -1)[on]
        left = gap[on] - basis @ np.linalg.lstsq(basis, gap[on], rcond=None)[0]
        assert np.abs(left).max() < 1e-9 * 3e-6


def test_a_gather_never_reads_outside_the_map():
    """A top turned by half puts rows on the very border of its padded map, where round-off falls outside.

    The maps lie between blocks of a height that no face has, so that one step outside shows.
    """
    cells = (14, 78)
    cell = 2.0**-9  # places are exact, so that only the turn rounds

    def fenced(values, strange):
        block = np.full((3, values.shape[1]), strange)
        return read_only(np.concatenate([block, values, block])[3:-3])

    bar = plate(Rectangle(cells[1] * cell, cells[0] * cell), cells[1])
    assert bar.grid.shape == cells
    own = PlacedPlate(bar, False).face(np.zeros(cells))
    face = PlacedPlate(bar, True).face(np.zeros(cells))
    face = face._replace(
        rest=fenced(face.rest, 1e300),
        cover=fenced(face.cover, 1e300),
        depth=fenced(face.depth, 1e300),
    )
    rows = make_rowset(*cells, cells[0] * cells[1])
    quarters = (np.cos(np.pi), np.sin(np.pi)), (np.cos(np.pi), -np.sin(np.pi)), (1.0, 1e-16)
    for cos, sin in quarters:
        for sy in np.arange(-cells[0], cells[0] + 1, 0.5):
            for sx in (-7.5, -7.0, 0.0, 7.0, 7.5):
                c = sx * cell, sy * cell
                used = gather(own, face, *c, cos, sin, *c, face.radius, rows)
                points = int(rows.length[:used].sum())
                assert np.abs(rows.gap[:points]).max(initial=0.0) < 1.0
                assert np.abs(rows.share[:points]).max(initial=0.0) <= 1.0 + 1e-12
