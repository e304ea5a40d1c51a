"""The slow twin of the wear kernels: whole-array NumPy, written to be obviously right.

Everything is done on the full grid with masks; one pose at a time; the equilibrium is found by plain Newton
steps on the set in contact, and checked by its own residual.
"""

import numpy as np


def axes(shape, cell):
    ny, nx = shape
    return np.meshgrid((np.arange(nx) - (nx - 1) / 2) * cell, (np.arange(ny) - (ny - 1) / 2) * cell)


def filled(values, land):
    """Bare cells beside land take the land-weighted mean of their eight neighbours."""
    out = np.where(land > 0, values, 0.0)
    ny, nx = land.shape
    for j in range(ny):
        for i in range(nx):
            if land[j, i] == 0:
                window = np.s_[max(0, j - 1) : j + 2, max(0, i - 1) : i + 2]
                weight = land[window]
                if weight.sum() > 0:
                    out[j, i] = (weight * np.where(weight > 0, values[window], 0.0)).sum() / weight.sum()
    return out


def quadratic_of(z, land, cell):
    x, y = axes(z.shape, cell)
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)[land > 0]
    root = np.sqrt(land[land > 0])
    return np.linalg.lstsq(basis * root[:, None], z[land > 0] * root, rcond=None)[0]


def evaluate(c, x, y):
    return c[0] + c[1] * x + c[2] * y + c[3] * x * x + c[4] * x * y + c[5] * y * y


def bilinear(values, cell, x, y):
    """Values of a map at points (x, y); 0 outside the grid by one cell and more."""
    ny, nx = values.shape
    wide = np.pad(values, 2)
    fx = x / cell + (nx - 1) / 2 + 2
    fy = y / cell + (ny - 1) / 2 + 2
    inside = (fx >= 0) & (fx <= nx + 2.999) & (fy >= 0) & (fy <= ny + 2.999)
    fx, fy = np.where(inside, fx, 0.0), np.where(inside, fy, 0.0)
    i, j = np.floor(fx).astype(int), np.floor(fy).astype(int)
    tx, ty = fx - i, fy - j
    out = (
        (1 - tx) * (1 - ty) * wide[j, i]
        + tx * (1 - ty) * wide[j, i + 1]
        + (1 - tx) * ty * wide[j + 1, i]
        + tx * ty * wide[j + 1, i + 1]
    )
    return np.where(inside, out, 0.0)


def gathered(z, land, cell, x, y, rest=None):
    """Height and land of another face at points of its own frame.

    The heights beyond the outermost cells of the grid are never read where there is land, so the map is
    widened before bare cells are filled.
    """
    c = quadratic_of(z, land, cell)
    gx, gy = axes(z.shape, cell)
    if rest is None:
        wide = np.pad(land, 2)
        rest = filled(np.pad(np.where(land > 0, z - evaluate(c, gx, gy), 0.0), 2), wide)
    height = bilinear(rest, cell, x, y) + evaluate(c, x, y)
    return height, bilinear(land, cell, x, y)


def equilibrium(gap, share, xi, eta, target):
    """q of the plane h + a xi + b eta that carries force and moments `target`, by Newton."""
    basis = np.stack([np.ones_like(xi), xi, eta], -1)
    bears = share > 0
    q = None
    for _ in range(100):
        b, w = basis[bears], share[bears]
        hessian = (b * w[:, None]).T @ b
        q = np.linalg.solve(hessian, (b * w[:, None]).T @ gap[bears] - target)
        squeeze = gap - basis @ q
        now = (share > 0) & (squeeze > 0)
        if np.array_equal(now, bears):
            break
        bears = now
    force = np.einsum("k,ki->i", (share * np.maximum(0, gap - basis @ q)), basis)
    assert np.abs(force - target).max() < 1e-9 * target[0]
    return q


def wear(bottom, top, stiffness, poses):
    """Twin of `wear_turned`: pressure x speed x land in contact on both, faces as they lie.

    `bottom`, `top`: (z, land, cell, radius); `poses`: dicts with cx, cy, theta, vx, vy, spin, weight and
    target (3,).  Returns both maps and the factors.
    """
    zb, lb, hb, _ = bottom
    zt, lt, ht, radius = top
    xb, yb = axes(zb.shape, hb)
    xt, yt = axes(zt.shape, ht)
    wear_bottom, wear_top, factors = np.zeros(zb.shape), np.zeros(zt.shape), []
    for pose in poses:
        cos, sin = np.cos(pose["theta"]), np.sin(pose["theta"])
        xi, eta = xb - pose["cx"], yb - pose["cy"]
        height, facing = gathered(zt, lt, ht, cos * xi + sin * eta, -sin * xi + cos * eta)
        gap, share = zb + height, lb * facing
        q = equilibrium(
            gap.ravel(), share.ravel(), (xi / radius).ravel(), (eta / radius).ravel(), pose["target"]
        )
        squeeze = np.maximum(0, gap - q[0] - (q[1] * xi + q[2] * eta) / radius)
        speed = np.hypot(pose["vx"] - pose["spin"] * eta, pose["vy"] + pose["spin"] * xi)
        wear_bottom += pose["weight"] * stiffness * share * squeeze * speed
        xi, eta = cos * xt - sin * yt, sin * xt + cos * yt
        height, facing = gathered(zb, lb, hb, pose["cx"] + xi, pose["cy"] + eta)
        gap, share = zt + height, lt * facing
        squeeze = np.maximum(0, gap - q[0] - (q[1] * xi + q[2] * eta) / radius)
        factor = pose["target"][0] * hb**2 / ((share * squeeze).sum() * ht**2)
        speed = np.hypot(pose["vx"] - pose["spin"] * eta, pose["vy"] + pose["spin"] * xi)
        wear_top += pose["weight"] * stiffness * factor * share * squeeze * speed
        factors.append(factor)
    return wear_bottom, wear_top, np.array(factors)
