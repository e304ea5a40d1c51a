"""Wear of both faces summed over poses: the loops in which nearly all the time is spent.

A pose is a row of `poses` (n, POSE_COLUMNS).  Faces come as they lie: the bottom in the bench frame, the
top as seen from above at theta = 0 (already mirrored).  `wear_shifted` serves poses that differ by whole
cells: no interpolation, one evaluation serves both faces.  `wear_turned` serves any pose: each face
gathers the other, because scattering through a turned grid prints a pattern that is not there.

What is added is per cell, not per land: divided by a cell's own land fraction it is the rate at which that
land sees pressure times speed, only the part of it counting that faces land of the other.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.bear import TOLD_COLUMNS, press
from lapwright.contact.bent import (
    BENDS_TOP,
    Bending,
    Bodies,
    bend,
    bending_scratch,
    turned_back,
)
from lapwright.contact.cells import Face, Rowset
from lapwright.contact.compile import kernel, part
from lapwright.contact.equilibrium import (
    BENT,
    FACTOR,
    FAILED,
    LAND,
    LEAST_LIFTED,
    LIFTED,
    OF_BOTTOM,
    OF_TOP,
    OVERLAP,
    PLANE,
    SETTLED,
    STATUS,
    SUMS,
    bearing_sums,
    settle_rows,
    sum_rows,
)
from lapwright.contact.lay import gather, lay_shifted, read_only, scratch
from lapwright.contact.polynomials import add_bent

# Columns of a pose: place and angle of the top, its velocity, its share of the time, and the load
# (W, Mx / R, My / R) / (K cell^2) [m] that the bearing points of the bottom's grid must carry; last, of no
# concern here, its share of the check that tells the error of the sample; and how the hands are turned.
C_X, C_Y, THETA, V_X, V_Y, SPIN, WEIGHT, LOAD, MOMENT_X, MOMENT_Y, CHECK, HANDS = range(12)
POSE_COLUMNS = 12

# How a top comes to its plane: it settles; or it is held at the plane in its report (a rigid weight that lies
# on others too says where), and only its sums are told, with everything loaded at the plane 0 or as it
# bears; or it is held and wears.
FREE, LOADED, BEARS, WEARS = range(4)

Array = NDArray[np.float64]


@part
def _note(told: Array, sums: Array, x: float, y: float) -> None:
    """Tell six sums taken about a point that lies at (x, y) of the face."""
    told[0] = sums[0]
    told[1] = sums[1] + x * sums[0]
    told[2] = sums[2] + y * sums[0]
    told[3] = sums[3] + 2.0 * x * sums[1] + x * x * sums[0]
    told[4] = sums[4] + x * sums[2] + y * sums[1] + x * y * sums[0]
    told[5] = sums[5] + 2.0 * y * sums[2] + y * y * sums[0]


@part
def _add_line(
    sums: Array, xi: float, eta: float, unit: float, s0: float, s1: float, s2: float
) -> None:
    """Add a row's sums of 1, k, k^2 (k cells from xi on) to the six of a pose."""
    x1 = xi * s0 + unit * s1
    sums[0] += s0
    sums[1] += x1
    sums[2] += eta * s0
    sums[3] += xi * xi * s0 + 2.0 * xi * unit * s1 + unit * unit * s2
    sums[4] += eta * x1
    sums[5] += eta * eta * s0


@part
def _bend(
    rows: Rowset,
    used: int,
    unit: float,
    bodies: Bodies,
    pose: Array,
    cos: float,
    sin: float,
    radius: float,
    bending: Bending,
    report: Array,
    work: Array,
) -> bool:
    """Bend both bodies as a pose asks, `work[0]` as `settle` asks; False: how they bend was not found."""
    hand = pose[HANDS]
    bent = bend(
        rows,
        used,
        unit,
        bodies,
        pose[C_X],
        pose[C_Y],
        cos,
        sin,
        math.cos(hand),
        math.sin(hand),
        radius,
        pose[LOAD:],
        report,
        bending,
    )
    report[BENT] = bent
    if bent >= 0.0:
        for i in range(work.shape[1]):
            work[0, i] = bending.work[0, i]
        return True
    report[STATUS] = FAILED
    land = 0.0
    for r in range(used):
        for k in range(rows.length[r]):
            land += rows.share[rows.first[r] + k]
    report[OVERLAP] = land
    return False


@kernel
def _shifted(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
    rows: Rowset,
    work: Array,
    small: Array,
    bodies: Bodies | None,
    bending: Bending | None,
) -> None:
    nyb, nxb = bottom.z.shape
    nyt, nxt = top.z.shape
    unit = bottom.cell / top.radius
    for p in range(poses.shape[0]):
        sx = int(np.rint(poses[p, C_X] / bottom.cell + 0.5 * (nxb - nxt)))
        sy = int(np.rint(poses[p, C_Y] / bottom.cell + 0.5 * (nyb - nyt)))
        used = lay_shifted(bottom, top, sx, sy, top.radius, rows, work[0])
        target = poses[p, LOAD:]
        begun = warm
        if bodies is not None and bending is not None:
            if not _bend(
                rows, used, unit, bodies, poses[p], 1.0, 0.0, top.radius, bending, reports[p], work
            ):
                continue
            begun = reports[p, LIFTED] > 0.0
        status = settle_rows(
            rows,
            used,
            unit,
            target,
            begun,
            reports[p],
            work,
        )
        if status != SETTLED:
            continue
        q = reports[p, PLANE : PLANE + 3]
        amount = poses[p, WEIGHT] * math.hypot(poses[p, V_X], poses[p, V_Y]) * stiffness
        sums = small[0]
        for i in range(6):
            sums[i] = 0.0
        for r in range(used):
            j = rows.line[r]
            lo = rows.column[r]
            m = rows.length[r]
            base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
            slope = q[1] * unit
            gaps = rows.gap[rows.first[r] : rows.first[r] + m]
            shares = rows.share[rows.first[r] : rows.first[r] + m]
            wb = wear_bottom[j, lo : lo + m]
            wt = wear_top[j - sy, lo - sx : lo - sx + m]
            s0 = 0.0
            s1 = 0.0
            s2 = 0.0
            for k in range(m):
                rate = amount * shares[k] * max(0.0, gaps[k] - base - slope * k)
                wb[k] += rate
                wt[k] += rate
                s0 += rate
                s1 += rate * k
                s2 += rate * k * k
            _add_line(sums, rows.xi[r], rows.eta[r], unit, s0, s1, s2)
        _note(reports[p, OF_TOP:], sums, 0.0, 0.0)
        cx = (sx - 0.5 * (nxb - nxt)) * unit
        cy = (sy - 0.5 * (nyb - nyt)) * unit
        _note(reports[p, OF_BOTTOM:], sums, cx, cy)


@part
def _force(rows: Rowset, used: int, unit: float, q: Array) -> float:
    total = 0.0
    for r in range(used):
        base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
        slope = q[1] * unit
        m = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + m]
        shares = rows.share[rows.first[r] : rows.first[r] + m]
        s = 0.0
        for k in range(m):
            s += shares[k] * max(0.0, gaps[k] - base - slope * k)
        total += s
    return total


@part
def _wear(
    rows: Rowset,
    used: int,
    unit: float,
    radius: float,
    q: Array,
    v: Array,
    spin: float,
    amount: float,
    wear: Array,
    sums: Array,
) -> None:
    """Add amount * squeeze * speed * land in contact to the face whose rows these are, and its six `sums`."""
    for i in range(6):
        sums[i] = 0.0
    for r in range(used):
        base = q[0] + q[2] * rows.eta[r] + q[1] * rows.xi[r]
        slope = q[1] * unit
        lo = rows.column[r]
        m = rows.length[r]
        gaps = rows.gap[rows.first[r] : rows.first[r] + m]
        shares = rows.share[rows.first[r] : rows.first[r] + m]
        target = wear[rows.line[r], lo : lo + m]
        vx = v[0] - spin * rows.eta[r] * radius
        vy = v[1] + spin * rows.xi[r] * radius
        s0 = 0.0
        s1 = 0.0
        s2 = 0.0
        if spin == 0.0:
            rate = amount * math.hypot(vx, vy)
            for k in range(m):
                add = rate * shares[k] * max(0.0, gaps[k] - base - slope * k)
                target[k] += add
                s0 += add
                s1 += add * k
                s2 += add * k * k
        else:
            dv = spin * unit * radius
            for k in range(m):
                w = vy + k * dv
                add = (
                    amount
                    * math.sqrt(vx * vx + w * w)
                    * shares[k]
                    * max(0.0, gaps[k] - base - slope * k)
                )
                target[k] += add
                s0 += add
                s1 += add * k
                s2 += add * k * k
        _add_line(sums, rows.xi[r], rows.eta[r], unit, s0, s1, s2)


@part
def _held(rows: Rowset, used: int, unit: float, held: int, report: Array, work: Array) -> float:
    """Tell the sums of a top that is held at the plane in its report; the force on it, in units of a load."""
    sums = work[1]
    bearing_sums(
        rows.gap,
        rows.share,
        used,
        rows.first,
        rows.length,
        rows.xi,
        rows.eta,
        unit,
        report[PLANE:],
        -np.inf if held == LOADED else 0.0,
        sums,
    )
    for i in range(9):
        report[SUMS + i] = sums[i]
    report[OVERLAP] = work[0, LAND]
    lifted = 1.0 - sums[LAND] / max(work[0, LAND], 1e-300)
    report[LIFTED] = lifted if lifted > LEAST_LIFTED else 0.0
    report[FACTOR] = 1.0
    report[STATUS] = SETTLED
    return float(sums[0])


@kernel
def _turned(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    held: int,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
    rows: Rowset,
    work: Array,
    small: Array,
    pressure: Array,
    share: Array,
    told: Array,
    bodies: Bodies | None,
    bending: Bending | None,
) -> None:
    """Settle in each pose on the bottom's cells, then wear both faces; where `told` has rows, press only.

    Both faces go through the one loop over sides: what is called twice would be compiled twice.
    """
    radius = top.radius
    plane = small[0]
    v = small[1]
    sums = small[2]
    for p in range(poses.shape[0]):
        cx = poses[p, C_X]
        cy = poses[p, C_Y]
        cos = math.cos(poses[p, THETA])
        sin = math.sin(poses[p, THETA])
        spin = poses[p, SPIN]
        target = poses[p, LOAD:]
        q = reports[p, PLANE : PLANE + 3]
        force = 0.0
        for side in range(2):
            if side == 0:
                own, other, wear = bottom, top, wear_bottom
                at_x, at_y, way, from_x, from_y = cx, cy, 1.0, cx, cy
            else:
                # The same pose seen from the top: everything turned back by theta, the bottom over its cells.
                own, other, wear = top, bottom, wear_top
                at_x, at_y, way = -cos * cx - sin * cy, sin * cx - cos * cy, -1.0
                from_x, from_y = 0.0, 0.0
            unit = own.cell / radius
            used = gather(own, other, at_x, at_y, cos, way * sin, from_x, from_y, radius, rows)
            amount = poses[p, WEIGHT] * stiffness
            if side == 0:
                begun = warm
                if bodies is not None and bending is not None:
                    if not _bend(
                        rows,
                        used,
                        unit,
                        bodies,
                        poses[p],
                        cos,
                        sin,
                        radius,
                        bending,
                        reports[p],
                        work,
                    ):
                        break
                    begun = reports[p, LIFTED] > 0.0
                else:
                    sum_rows(
                        rows,
                        used,
                        unit,
                        plane,
                        work[0],
                    )
                force = target[0]
                if held != FREE:
                    force = _held(rows, used, unit, held, reports[p], work)
                    if held != WEARS:
                        break
                elif (
                    settle_rows(
                        rows,
                        used,
                        unit,
                        target,
                        begun,
                        reports[p],
                        work,
                    )
                    != SETTLED
                ):
                    break
                if told.shape[0] > 0:
                    press(rows, used, unit, q, stiffness, pressure, share, told[p])
                    break
                for i in range(3):
                    plane[i] = q[i]
                v[0] = poses[p, V_X]
                v[1] = poses[p, V_Y]
            else:
                plane[1] = cos * q[1] + sin * q[2]
                plane[2] = -sin * q[1] + cos * q[2]
                v[0] = cos * poses[p, V_X] + sin * poses[p, V_Y]
                v[1] = -sin * poses[p, V_X] + cos * poses[p, V_Y]
                if bodies is not None and bending is not None:
                    turned_back(bending, cos, sin)
                    shape = bending.rows[BENDS_TOP]
                    e, line = bending.tables[0], bending.line
                    add_bent(rows, used, unit, shape, e, line[0], line[1], bending.work[1])
                finer = top.cell / bottom.cell
                gathered = _force(rows, used, unit, plane) * finer * finer
                factor = force / gathered if gathered > 0.0 else 0.0
                if held == FREE or force > 0.0:
                    reports[p, FACTOR] = factor
                amount *= factor
            _wear(rows, used, unit, radius, plane, v, spin, amount, wear, sums)
            _note(
                reports[p, OF_TOP if side else OF_BOTTOM :], sums, from_x / radius, from_y / radius
            )


def wear_shifted(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
    bodies: Bodies | None = None,
) -> None:
    """Add weight * pressure * speed * land in contact [Pa m/s] of each pose to both faces.

    Both grids have the same cell; places are rounded to whole cells; theta is taken as 0 and spin as 0.
    `warm`: `reports` (n, REPORT_COLUMNS) comes in with those of a neighbour, to begin from.  A pose that did
    not settle adds nothing; its report says so.
    """
    given = _given(bottom, top, stiffness, poses, warm)
    rows, work = scratch(bottom, top)
    bending = bending_scratch(_width(bottom, top), bodies)
    _shifted(*given, wear_bottom, wear_top, reports, rows, work, np.zeros((4, 6)), bodies, bending)


def wear_turned(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
    bodies: Bodies | None = None,
    held: int = FREE,
) -> None:
    """Add weight * pressure * speed * land in contact [Pa m/s] of each pose to both faces.

    `held`: as above.  The top settles on the bottom's grid; the load that its own cells gather is then scaled
    to the same force, so that what one face loses the other matches.  Otherwise as `wear_shifted`.
    """
    given = _given(bottom, top, stiffness, poses, warm)
    rows, work = scratch(bottom, top)
    maps, told = np.zeros((2, 0, 0)), np.zeros((0, TOLD_COLUMNS))
    bending = bending_scratch(_width(bottom, top), bodies)
    scratches = rows, work, np.zeros((4, 6))
    maps_told = maps[0], maps[1], told
    _turned(
        *given, int(held), wear_bottom, wear_top, reports, *scratches, *maps_told, bodies, bending
    )


def bear(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    told: Array,
    reports: Array,
    bodies: Bodies | None = None,
) -> tuple[Array, Array]:
    """Let the top settle in each pose: fills `told` (n, TOLD_COLUMNS) and `reports` (n, REPORT_COLUMNS).

    Returns the pressure [Pa] and the share of land on both faces of the last pose, both (ny, nx).  Of a pose
    that did not settle nothing is told; its report says so.
    """
    ny, nx = bottom.z.shape
    maps = np.zeros((2, ny + 2, nx + 2))
    given = _given(bottom, top, stiffness, poses, False)
    rows, work = scratch(bottom, top)
    none = np.zeros((0, 0))
    bending = bending_scratch(_width(bottom, top), bodies)
    scratches = rows, work, np.zeros((4, 6))
    _turned(*given, FREE, none, none, reports, *scratches, maps[0], maps[1], told, bodies, bending)
    return maps[0, 1:-1, 1:-1].copy(), maps[1, 1:-1, 1:-1].copy()


def _given(
    bottom: Face, top: Face, stiffness: float, poses: Array, warm: bool
) -> tuple[Face, Face, float, Array, bool]:
    """What both loops read; faces come read-only from `PlacedPlate.face`, and are looked through no more."""
    return bottom, top, float(stiffness), read_only(poses), bool(warm)


def _width(bottom: Face, top: Face) -> int:
    """Cells of the longest row of both."""
    return int(max(bottom.z.shape[1], top.z.shape[1]))
