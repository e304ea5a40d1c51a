"""One pose: force and moments balance, the energy is least, the slow twin agrees, and tops tip."""

from dataclasses import replace
from math import pi, radians

import numpy as np
import pytest
import slow_twin
from kernel_doors import bearing_sums
from kernel_doors import settle as settle_sums
from lapping_scene import LOAD, PRESSURE, RADIUS, discs, pair, sample, step

from lapwright.contact import equilibrium as solver
from lapwright.contact.pressure import settle
from lapwright.errors import NoOverlapError, SettleError, TippedError
from lapwright.specification.curves import Still
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Turn

LAYER = 1e-6
STIFFNESS = PRESSURE / LAYER


def place(cx, cy, theta=0.0, moment=(0.0, 0.0)):
    """One pose at rest, the load's moment about the top's centre given [N m]."""
    one = step(curve=Still(), centre=(cx, cy), turn=Turn(theta, 1))
    return sample(one, [1.0], moments=np.array([moment]))


def rough(rng, cells=40):
    """Two plates with uneven faces, several layers high: much of the overlap lifts."""
    return discs(
        cells,
        StartForm(*(rng.normal(size=3) * 2e-6)),
        StartForm(*(rng.normal(size=3) * 2e-6)),
    )


POSES = [(0.0, 0.0, 0.0), (0.02, -0.013, 0.0), (0.031, 0.011, 0.7), (-0.024, 0.03, pi / 2)]


@pytest.mark.parametrize("pose", POSES)
def test_force_and_moments_balance(pose):
    rng = np.random.default_rng(3)
    plates = rough(rng)
    moment = (0.4, -0.3)
    contact = settle(
        pair(plates), plates["B"].heights(), plates["A"].heights(), place(*pose, moment)
    )
    x, y = plates["B"].grid.mesh()
    force = contact.share * contact.pressure * contact.cell**2
    assert contact.contact_share < 0.95  # something lifts, or the test says little
    assert contact.pressure.min() >= 0.0
    assert force.sum() == pytest.approx(LOAD, rel=1e-9)
    assert (force * (x - pose[0])).sum() == pytest.approx(moment[0], abs=1e-9 * LOAD * RADIUS)
    assert (force * (y - pose[1])).sum() == pytest.approx(moment[1], abs=1e-9 * LOAD * RADIUS)


@pytest.mark.parametrize("pose", POSES)
def test_the_slow_twin_finds_the_same_rest(pose):
    plates = rough(np.random.default_rng(4))
    a, b = plates["A"], plates["B"]
    contact = settle(pair(plates), b.heights(), a.heights(), place(*pose))
    x, y = b.grid.mesh()
    xi, eta = x - pose[0], y - pose[1]
    cos, sin = np.cos(pose[2]), np.sin(pose[2])
    u, v = cos * xi + sin * eta, -sin * xi + cos * eta
    cell = a.grid.cell
    below = b.heights(), b.land, b.grid.cell, RADIUS, b.edges
    above = a.heights()[:, ::-1], a.land[:, ::-1], cell, RADIUS, slow_twin.turned_over(a.edges)
    gap = below[0] + slow_twin.gathered(*above[:3], u, v, b.grid.cell)
    share = slow_twin.shares(below, above, slow_twin.reading_of(below, above), u, v, cos, sin)
    target = np.array([LOAD / (STIFFNESS * b.grid.cell**2), 0.0, 0.0])
    q = slow_twin.equilibrium(
        gap.ravel(), share.ravel(), xi.ravel() / RADIUS, eta.ravel() / RADIUS, target
    )
    squeeze = np.maximum(0.0, gap - q[0] - (q[1] * xi + q[2] * eta) / RADIUS)
    expected = share * STIFFNESS * squeeze
    assert contact.share * contact.pressure == pytest.approx(expected, abs=1e-8 * expected.max())
    assert contact.share == pytest.approx(share, abs=1e-12)
    assert contact.height == pytest.approx(q[0], rel=1e-8, abs=1e-15)
    assert np.array(contact.tilt) * RADIUS == pytest.approx(q[1:], rel=1e-7, abs=1e-15)


@pytest.mark.campaign
def test_the_stored_energy_is_least_at_rest():
    """Every step away from rest raises the energy of the layer and of the load."""
    rng = np.random.default_rng(5)
    n = 20
    unit = 2.0 / n
    gap, share = rng.normal(size=n * n) * 1e-6, rng.uniform(0.2, 1.0, n * n)
    first, count = np.arange(n) * n, np.full(n, n)
    edge = (np.arange(n) - (n - 1) / 2) * unit
    rows = (gap, share, n, first, count, np.full(n, edge[0]), edge, unit)
    target = np.array([60e-6, 5e-6, -4e-6])
    report, work = np.zeros(solver.REPORT_COLUMNS), np.zeros(solver.WORK)
    bearing_sums(*rows, np.zeros(3), solver.PULLING, work[0])
    assert settle_sums(*rows, target, False, report, work) == solver.SETTLED
    q = report[solver.PLANE : solver.PLANE + 3]
    xi, eta = np.tile(edge, n), np.repeat(edge, n)

    def energy(plane):
        squeeze = np.maximum(0.0, gap - plane[0] - plane[1] * xi - plane[2] * eta)
        return 0.5 * (share * squeeze**2).sum() + target @ plane

    least = energy(q)
    for _ in range(50):
        away = q + rng.normal(size=3) * 1e-8
        assert energy(away) > least
    assert report[solver.LIFTED] > 0.1


def test_a_warm_start_ends_in_the_same_place():
    plates = rough(np.random.default_rng(6))
    chosen = sample(step(), np.arange(16) / 16)
    layer = pair(plates)
    z = plates["B"].heights(), plates["A"].heights()
    cold = layer.average(*z, chosen)
    away = cold.reports.copy()
    away[:, solver.OFFSET : solver.OFFSET + 3] += 3e-7
    warm, _ = layer.moved(*z, chosen, replace(cold, reports=away))
    assert warm == pytest.approx(cold.bottom, abs=1e-8 * cold.bottom.max())


def tilted(cells, direction):
    """Largest departure from p = W / (pi R^2) (1 + 4 e x / R^2), over the mean pressure."""
    plates = discs(cells)
    e = 0.2 * RADIUS
    moment = (LOAD * e * np.cos(direction), LOAD * e * np.sin(direction))
    contact = settle(
        pair(plates), plates["B"].heights(), plates["A"].heights(), place(0, 0, 0, moment)
    )
    x, y = plates["B"].grid.mesh()
    along = x * np.cos(direction) + y * np.sin(direction)
    on = contact.share > 0
    assert contact.pressure[on].min() > 0.0
    return np.abs(contact.pressure[on] / PRESSURE - 1.0 - 4.0 * e * along[on] / RADIUS**2).max()


@pytest.mark.parametrize("direction", [0.0, radians(50.0), pi])
def test_a_load_off_centre_tilts_the_layer_by_the_closed_form(direction):
    """Full contact of a disc, eccentricity below the kern R/4 (checks 14), both rims on each other all round:
    the error falls as the square of the cell."""
    coarse, fine = tilted(48, direction), tilted(192, direction)
    assert fine < 0.01
    assert coarse / fine == pytest.approx(16.0, rel=0.15)


@pytest.mark.parametrize(("e", "lifts"), [(0.24, False), (0.26, True)])
def test_lifting_begins_at_the_kern(e, lifts):
    """R/4 for a disc (checks 14)."""
    plates = discs(128)
    contact = settle(
        pair(plates),
        plates["B"].heights(),
        plates["A"].heights(),
        place(0, 0, 0, (LOAD * e * RADIUS, 0.0)),
    )
    assert (contact.contact_share < 1.0 - 1e-9) is lifts


def test_tops_tip_where_the_load_leaves_the_overlap():
    """Equal discs: a top whose centre passes the rim of the bottom tips (50 % overhang); at 0.9 R not."""
    plates = discs(48)
    flat = plates["B"].heights(), plates["A"].heights()
    stands = settle(pair(plates), *flat, place(0.9 * RADIUS, 0.0))
    assert stands.contact_share < 0.6
    with pytest.raises(TippedError, match=r"A tips off B .* 82\.4 mm off centre: .* 80\.0 mm"):
        settle(pair(plates), *flat, place(1.03 * RADIUS, 0.0))
    with pytest.raises(NoOverlapError, match="A does not lie on B"):
        settle(pair(plates), *flat, place(2.2 * RADIUS, 0.0))
    with pytest.raises(TippedError):  # the hand's load beyond the rim, the plates one on the other
        settle(pair(plates), *flat, place(0.0, 0.0, 0.0, (LOAD * 1.05 * RADIUS, 0.0)))


def test_a_solver_that_gives_up_says_where():
    plates = discs(24)
    at = place(0.01, 0.0)
    report = np.zeros((1, solver.REPORT_COLUMNS))
    report[0, solver.STATUS] = solver.FAILED
    report[0, solver.OVERLAP] = 100.0
    with pytest.raises(
        SettleError, match=r"A did not settle on B at 0 degrees .* 10\.0 mm off centre"
    ):
        pair(plates).check(at, report)
