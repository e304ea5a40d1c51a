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
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.cells import Face, Rowset
from lapwright.contact.compile import kernel
from lapwright.contact.equilibrium import (
    FACTOR,
    OF_BOTTOM,
    OF_TOP,
    PLANE,
    PULLING,
    SETTLED,
    bearing_sums,
    settle,
)
from lapwright.contact.lay import face_of, gather, lay_shifted, read_only, scratch

# Columns of a pose: place and angle of the top, its velocity, its share of the time, and the load
# (W, Mx / R, My / R) / (K cell^2) [m] that the bearing points of the bottom's grid must carry; last, of no
# concern here, its share of the check that tells the error of the sample.
C_X, C_Y, THETA, V_X, V_Y, SPIN, WEIGHT, LOAD, MOMENT_X, MOMENT_Y, CHECK = range(11)
POSE_COLUMNS = 11

Array = NDArray[np.float64]


@kernel
def _note(told: Array, sums: Array, x: float, y: float) -> None:
    """Tell six sums taken about a point that lies at (x, y) of the face."""
    told[0] = sums[0]
    told[1] = sums[1] + x * sums[0]
    told[2] = sums[2] + y * sums[0]
    told[3] = sums[3] + 2.0 * x * sums[1] + x * x * sums[0]
    told[4] = sums[4] + x * sums[2] + y * sums[1] + x * y * sums[0]
    told[5] = sums[5] + 2.0 * y * sums[2] + y * y * sums[0]


@kernel
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
) -> None:
    nyb, nxb = bottom.z.shape
    nyt, nxt = top.z.shape
    unit = bottom.cell / top.radius
    for p in range(poses.shape[0]):
        sx = int(np.rint(poses[p, C_X] / bottom.cell + 0.5 * (nxb - nxt)))
        sy = int(np.rint(poses[p, C_Y] / bottom.cell + 0.5 * (nyb - nyt)))
        used = lay_shifted(bottom, top, sx, sy, top.radius, rows, work[0])
        target = poses[p, LOAD:]
        status = settle(
            rows.gap,
            rows.share,
            used,
            rows.first,
            rows.length,
            rows.xi,
            rows.eta,
            unit,
            target,
            warm,
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


@kernel
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


@kernel
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


@kernel
def _turned(
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
) -> None:
    radius = top.radius
    nothing = small[0]
    q_top = small[1]
    v = small[2]
    sums = small[3]
    unit = bottom.cell / radius
    unit_top = top.cell / radius
    for p in range(poses.shape[0]):
        cx = poses[p, C_X]
        cy = poses[p, C_Y]
        cos = math.cos(poses[p, THETA])
        sin = math.sin(poses[p, THETA])
        used = gather(bottom, top, cx, cy, cos, sin, cx, cy, radius, rows)
        bearing_sums(
            rows.gap,
            rows.share,
            used,
            rows.first,
            rows.length,
            rows.xi,
            rows.eta,
            unit,
            nothing,
            PULLING,
            work[0],
        )
        target = poses[p, LOAD:]
        status = settle(
            rows.gap,
            rows.share,
            used,
            rows.first,
            rows.length,
            rows.xi,
            rows.eta,
            unit,
            target,
            warm,
            reports[p],
            work,
        )
        if status != SETTLED:
            continue
        q = reports[p, PLANE : PLANE + 3]
        spin = poses[p, SPIN]
        amount = poses[p, WEIGHT] * stiffness
        v[0] = poses[p, V_X]
        v[1] = poses[p, V_Y]
        _wear(rows, used, unit, radius, q, v, spin, amount, wear_bottom, sums)
        _note(reports[p, OF_BOTTOM:], sums, cx / radius, cy / radius)
        # The same pose seen from the top: everything turned back by theta, the bottom laid over its cells.
        v[0] = cos * poses[p, V_X] + sin * poses[p, V_Y]
        v[1] = -sin * poses[p, V_X] + cos * poses[p, V_Y]
        q_top[0] = q[0]
        q_top[1] = cos * q[1] + sin * q[2]
        q_top[2] = -sin * q[1] + cos * q[2]
        used = gather(
            top,
            bottom,
            -cos * cx - sin * cy,
            sin * cx - cos * cy,
            cos,
            -sin,
            0.0,
            0.0,
            radius,
            rows,
        )
        finer = top.cell / bottom.cell
        gathered = _force(rows, used, unit_top, q_top) * finer * finer
        factor = target[0] / gathered if gathered > 0.0 else 0.0
        reports[p, FACTOR] = factor
        _wear(rows, used, unit_top, radius, q_top, v, spin, amount * factor, wear_top, sums)
        _note(reports[p, OF_TOP:], sums, 0.0, 0.0)


def wear_shifted(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
) -> None:
    """Add weight * pressure * speed * land in contact [Pa m/s] of each pose to both faces.

    Both grids have the same cell; places are rounded to whole cells; theta is taken as 0 and spin as 0.
    `warm`: `reports` (n, REPORT_COLUMNS) comes in with those of a neighbour, to begin from.  A pose that did
    not settle adds nothing; its report says so.
    """
    _worn(_shifted, bottom, top, stiffness, poses, warm, wear_bottom, wear_top, reports)


def wear_turned(
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
) -> None:
    """Add weight * pressure * speed * land in contact [Pa m/s] of each pose to both faces.

    The top settles on the bottom's grid; the load that its own cells gather is then scaled to the same
    force, so that what one face loses the other matches.  Otherwise as `wear_shifted`.
    """
    _worn(_turned, bottom, top, stiffness, poses, warm, wear_bottom, wear_top, reports)


def _worn(
    loop: Callable[..., None],
    bottom: Face,
    top: Face,
    stiffness: float,
    poses: Array,
    warm: bool,
    wear_bottom: Array,
    wear_top: Array,
    reports: Array,
) -> None:
    rows, work = scratch(bottom, top)
    loop(
        face_of(bottom),
        face_of(top),
        float(stiffness),
        read_only(poses),
        bool(warm),
        wear_bottom,
        wear_top,
        reports,
        rows,
        work,
        np.zeros((4, 6)),
    )
