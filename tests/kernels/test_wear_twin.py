"""The kernels against their slow twin, and the two loops against each other."""

from types import SimpleNamespace

import numpy as np
import pytest
import slow_twin

from sim.kernels import wear as loops
from sim.lapping.laid import Laid

RADIUS = 0.08


def disc(n, radius=RADIUS, bore=0.0, groove=0.0):
    cell = 2 * RADIUS / n
    x, y = slow_twin.axes((n, n), cell)
    r = np.hypot(x, y)
    land = np.clip(0.5 + (radius - r) / cell, 0, 1) * np.clip(0.5 + (r - bore) / cell, 0, 1)
    if groove:
        land = land * np.clip(np.abs((x / groove + 0.3) % 1.0 - 0.5) * 4, 0, 1)
    return cell, land, x, y


def laid(land, cell, radius, over):
    plate = SimpleNamespace(
        land=land, grid=SimpleNamespace(cell=cell), outline=SimpleNamespace(radius=radius)
    )
    return Laid(plate, over)


def pair(rng, n_bottom=48, n_top=48, groove=0.0, radius_top=RADIUS, bore=0.0):
    out = []
    for n, radius, hole in ((n_bottom, RADIUS, 0.0), (n_top, radius_top, bore)):
        cell, land, x, y = disc(n, radius, hole, groove)
        z = 1e-6 * (
            rng.normal(size=4)
            @ np.stack([x / 0.08, x * y / 0.0064, np.hypot(x, y) ** 2 / 0.0064, np.sin(60 * y)]).reshape(
                4, -1
            )
        )
        out.append((np.where(land > 0, z.reshape(n, n), 0.0), land, cell, radius))
    return out


def poses_of(rng, number, load, stiffness, cell, turned=True, amplitude=0.03):
    rows = np.zeros((number, loops.POSE_COLUMNS))
    rows[:, loops.C_X : loops.C_Y + 1] = amplitude * rng.uniform(-0.7, 0.7, (number, 2))
    rows[:, loops.V_X : loops.V_Y + 1] = rng.normal(0.0, 0.1, (number, 2))
    if turned:
        rows[:, loops.THETA] = rng.uniform(-7, 7, number)
        rows[:, loops.SPIN] = rng.normal(0.0, 0.5, number)
    rows[:, loops.WEIGHT] = rng.uniform(0.5, 1.5, number) / number
    rows[:, loops.LOAD] = load / (stiffness * cell**2)
    rows[:, loops.MOMENT_X :] = rows[:, loops.LOAD, None] * rng.uniform(-0.1, 0.1, (number, 2))
    return rows


def as_dicts(rows):
    keys = ("cx", "cy", "theta", "vx", "vy", "spin", "weight")
    return [dict(zip(keys, row[:7], strict=True), target=row[7:10]) for row in rows]


def kernel_wear(loop, bottom, top, stiffness, rows):
    face_bottom = laid(bottom[1], bottom[2], bottom[3], over=False).face(bottom[0])
    seen_top = top[0][:, ::-1]
    face_top = laid(top[1][:, ::-1], top[2], top[3], over=True).face(seen_top)
    wear_bottom, wear_top = np.zeros_like(bottom[0]), np.zeros_like(top[0])
    reports = np.zeros((len(rows), loops.REPORT_COLUMNS))
    loop(face_bottom, face_top, stiffness, rows, False, wear_bottom, wear_top, reports)
    return wear_bottom, wear_top, reports


CASES = {
    "equal discs": {},
    "unequal grids": {"n_top": 36},
    "grooved": {"groove": 0.02},
    "ring on a disc": {"radius_top": 0.05, "bore": 0.02, "n_top": 64},
}


@pytest.mark.parametrize("case", CASES)
def test_turned_loop_equals_slow_twin(case):
    rng = np.random.default_rng(sum(map(ord, case)))
    bottom, top = pair(rng, **CASES[case])
    stiffness = 3e3 / 1e-6
    rows = poses_of(rng, 6, 10.0, stiffness, bottom[2])
    wear_bottom, wear_top, reports = kernel_wear(loops.wear_turned, bottom, top, stiffness, rows)
    slow_bottom, slow_top, factors = slow_twin.wear(bottom, top, stiffness, as_dicts(rows))
    assert reports[:, loops.LIFTED].max() > 0.0  # the cases include lifting
    scale = slow_bottom.max()
    np.testing.assert_allclose(wear_bottom, slow_bottom, atol=1e-8 * scale, rtol=0)
    np.testing.assert_allclose(wear_top, slow_top, atol=1e-8 * scale, rtol=0)
    np.testing.assert_allclose(reports[:, loops.FACTOR], factors, rtol=1e-8)


def test_shifted_loop_equals_turned_loop_on_whole_cells():
    rng = np.random.default_rng(4)
    bottom, top = pair(rng)
    stiffness = 3e3 / 1e-6
    rows = poses_of(rng, 8, 60.0, stiffness, bottom[2], turned=False)
    rows[:, :2] = np.rint(rows[:, :2] / bottom[2]) * bottom[2]
    shifted = kernel_wear(loops.wear_shifted, bottom, top, stiffness, rows)
    turned = kernel_wear(loops.wear_turned, bottom, top, stiffness, rows)
    for a, b in zip(shifted[:2], turned[:2], strict=True):
        np.testing.assert_allclose(a, b, atol=1e-9 * b.max(), rtol=0)
    np.testing.assert_allclose(turned[2][:, loops.FACTOR], 1.0, rtol=1e-9)


def test_loads_gathered_on_both_faces_balance():
    """Volume balance in translation: both faces see the same force times speed (checks 1)."""
    rng = np.random.default_rng(5)
    bottom, top = pair(rng, n_top=40, groove=0.02)
    rows = poses_of(rng, 12, 60.0, 3e9, bottom[2])
    rows[:, loops.SPIN] = 0.0
    wear_bottom, wear_top, _ = kernel_wear(loops.wear_turned, bottom, top, 3e9, rows)
    work = 60.0 * (rows[:, loops.WEIGHT] * np.hypot(rows[:, loops.V_X], rows[:, loops.V_Y])).sum()
    assert wear_bottom.sum() * bottom[2] ** 2 == pytest.approx(work, rel=1e-9)
    assert wear_top.sum() * top[2] ** 2 == pytest.approx(work, rel=1e-9)


def test_quadratics_are_gathered_exactly():
    """A dome in a dish lies on it at every pose: uniform pressure, no reading error."""
    cell, land, x, y = disc(48)
    z = np.where(land > 0, 3e-6 * (x * x + y * y) / RADIUS**2, 0.0)
    bottom, top = (z, land, cell, RADIUS), (-z, land, cell, RADIUS)
    rng = np.random.default_rng(6)
    rows = poses_of(rng, 5, 60.0, 3e9, cell)
    rows[:, loops.MOMENT_X :] = 0.0
    face_bottom = laid(land, cell, RADIUS, over=False).face(bottom[0])
    face_top = laid(land, cell, RADIUS, over=True).face(top[0])
    scratch = loops.make_rowset(48, 48, 48 * 48)
    for row in rows:
        c, s = np.cos(row[loops.THETA]), np.sin(row[loops.THETA])
        used = loops.gather(face_bottom, face_top, row[0], row[1], c, s, row[0], row[1], RADIUS, scratch)
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
        return np.concatenate([block, values, block])[3:-3]

    land = np.ones(cells)
    plate = SimpleNamespace(
        land=land, grid=SimpleNamespace(cell=cell), outline=SimpleNamespace(radius=0.5 * cell * 80)
    )
    own = Laid(plate, False).face(np.zeros(cells))
    face = Laid(plate, True).face(np.zeros(cells))
    face = face._replace(rest=fenced(face.rest, 1e300), cover=fenced(face.cover, 1e300))
    rows = loops.make_rowset(*cells, land.size)
    quarters = (np.cos(np.pi), np.sin(np.pi)), (np.cos(np.pi), -np.sin(np.pi)), (1.0, 1e-16)
    for cos, sin in quarters:
        for sy in np.arange(-cells[0], cells[0] + 1, 0.5):
            for sx in (-7.5, -7.0, 0.0, 7.0, 7.5):
                c = sx * cell, sy * cell
                used = loops.gather(own, face, *c, cos, sin, *c, face.radius, rows)
                points = int(rows.length[:used].sum())
                assert np.abs(rows.gap[:points]).max(initial=0.0) < 1.0
                assert np.abs(rows.share[:points]).max(initial=0.0) <= 1.0 + 1e-12
