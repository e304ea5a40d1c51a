"""The slow twin of the operator: plain loops over poses and points, written to be obviously right.

Points are the middles of a fine grid of the bench that lie on both faces; the plane is found by least squares
in each pose; everything is done shape by shape.
"""

from math import cos, hypot, sin

import numpy as np


def bench_points(bottom, top, cx, cy, theta, cell):
    """Points (n, 3): x, y on the bench of cells that lie on both outlines, and their area."""
    radius = bottom.outline.radius
    found = []
    steps = np.arange(-radius + 0.37 * cell, radius, cell)
    for y in steps:
        for x in steps:
            if bottom.outline.signed_distance(np.array(x), np.array(y)) > 0:
                continue
            if top.outline.signed_distance(*map(np.array, face_point(x, y, cx, cy, theta))) <= 0:
                found.append((x, y, cell**2))
    return np.array(found)


def face_point(x, y, cx, cy, theta):
    """The point of the top's face over (x, y): turned over like a page, x = c + Rot(theta) (-u, v)."""
    xi, eta = x - cx, y - cy
    return -(cos(theta) * xi + sin(theta) * eta), -sin(theta) * xi + cos(theta) * eta


def operator(bottom, top, instants, points):
    """S (n, n) and the wear by one newton through the top's centre (n,), with shapes of both faces.

    `points(cx, cy, theta)` gives the contact points of a pose (m, 3): x, y and area.
    """
    n = bottom.size + top.size
    response, weight = np.zeros((n, n)), np.zeros(n)
    poses = instants.poses
    for k, share in enumerate(instants.share):
        cx, cy, theta = poses.cx[k], poses.cy[k], poses.theta[k]
        here = points(cx, cy, theta)
        area = here[:, 2]
        shapes = np.zeros((len(here), n))
        speed = np.zeros(len(here))
        for i, (x, y, _) in enumerate(here):
            u, v = face_point(x, y, cx, cy, theta)
            shapes[i, : bottom.size] = bottom.evaluate(np.array(x), np.array(y))
            shapes[i, bottom.size :] = top.evaluate(np.array(u), np.array(v))
            speed[i] = hypot(
                poses.vx[k] - poses.spin[k] * (y - cy), poses.vy[k] + poses.spin[k] * (x - cx)
            )
        plane = np.stack([np.ones(len(here)), here[:, 0] - cx, here[:, 1] - cy], axis=1)
        root = np.sqrt(area)
        for j in range(n):
            fit = np.linalg.lstsq(plane * root[:, None], shapes[:, j] * root, rcond=None)[0]
            pressure = shapes[:, j] - plane @ fit
            for i in range(n):
                response[i, j] += share * (area * shapes[:, i] * pressure * speed).sum()
        # pressure a + b xi + c eta that carries one newton at the centre
        force = np.linalg.solve((plane * area[:, None]).T @ plane, [1.0, 0.0, 0.0])
        for i in range(n):
            weight[i] += share * (area * shapes[:, i] * (plane @ force) * speed).sum()
    return response, weight
