"""The slow twin of the wear kernels: whole-array NumPy, written to be obviously right.

Everything is done on the full grid with masks; one pose at a time; the equilibrium is found by plain Newton
steps on the set in contact, and checked by its own residual.
"""

import numpy as np

from lapwright.specification.grooves import bits_of


def axes(shape, cell):
    ny, nx = shape
    return np.meshgrid((np.arange(nx) - (nx - 1) / 2) * cell, (np.arange(ny) - (ny - 1) / 2) * cell)


def filled(values, land, rings):
    """Bare cells beside land take the mean of their eight neighbours, weighted by land, ring after ring."""
    out, known = np.where(land > 0, values, 0.0), land.copy()
    ny, nx = land.shape
    for _ in range(rings):
        before = known.copy()
        for j in range(ny):
            for i in range(nx):
                window = np.s_[max(0, j - 1) : j + 2, max(0, i - 1) : i + 2]
                if before[j, i] == 0 and before[window].sum() > 0:
                    out[j, i] = (before[window] * out[window]).sum() / before[window].sum()
                    known[j, i] = 1.0
    return out


def quadratic_of(z, land, cell):
    x, y = axes(z.shape, cell)
    basis = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], -1)[land > 0]
    root = np.sqrt(land[land > 0])
    return np.linalg.lstsq(basis * root[:, None], z[land > 0] * root, rcond=None)[0]


def evaluate(c, x, y):
    return c[0] + c[1] * x + c[2] * y + c[3] * x * x + c[4] * x * y + c[5] * y * y


def bilinear(values, cell, x, y):
    """Values of a map at points (x, y); 0 outside the grid."""
    ny, nx = values.shape
    wide = np.pad(values, 1)
    fx = x / cell + (nx - 1) / 2 + 1
    fy = y / cell + (ny - 1) / 2 + 1
    inside = (fx >= 0) & (fx <= nx + 0.999) & (fy >= 0) & (fy <= ny + 0.999)
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


def turned_over(edges):
    """Edges of a face that lies on the other: left is right, and so are their x and their sub-cells."""
    return edges._replace(
        x=-edges.x[:, ::-1],
        y=edges.y[:, ::-1],
        several=edges.several[:, ::-1],
        depth=edges.depth[:, ::-1],
        bits=bits_of(edges.land[:, ::-1, :, ::-1]),
    )


def in_common(a, b, own, other, subcells):
    """Share of a cell that is land on both faces, `a` and `b` of it on each.

    `own`, `other`: the normal of the one edge in it, or None; `subcells`: gives those of both, or None where
    they are not looked at.
    """
    crossing, most, least = a * b, min(a, b), max(a + b - 1, 0)
    if a in (0, 1) or b in (0, 1):
        return crossing
    if own is not None and other is not None:
        cosine = np.clip(own @ other, -1, 1)
        if cosine >= 0:
            return cosine * most + (1 - cosine) * crossing
        return -cosine * least + (1 + cosine) * crossing
    if subcells is None:
        return crossing
    one, two = subcells()
    n, m = one.sum(), two.sum()
    least_count, most_count = max(n + m - 64, 0), min(n, m)
    if least_count == most_count:
        return most
    count = (one & two).sum()
    return least + (most - least) * (count - least_count) / (most_count - least_count)


def normal_in(edges, j, i):
    normal = np.array([edges.x[j, i], edges.y[j, i]])
    return normal if normal.any() else None


def share_on_cells(land_bottom, edges_bottom, land_top, edges_top, sx, sy):
    """Share of each cell of the bottom that is land on both, the top laid on it `sx`, `sy` cells over."""
    share = np.zeros(land_bottom.shape)
    ny, nx = land_top.shape
    for j in range(share.shape[0]):
        for i in range(share.shape[1]):
            v, u = j - sy, i - sx
            if 0 <= v < ny and 0 <= u < nx:
                share[j, i] = in_common(
                    land_bottom[j, i],
                    land_top[v, u],
                    normal_in(edges_bottom, j, i),
                    normal_in(edges_top, v, u),
                    lambda one=edges_bottom.land[j, i], two=edges_top.land[v, u]: (one, two),
                )
    return share


def half_plane(depth, normal, side=400):
    """Share of a cell on the land side of a straight edge, by areas of strips across the steeper axis."""
    wide, narrow = np.sort(np.abs(normal))[::-1]
    y = (np.arange(side) + 0.5) / side - 0.5
    if narrow < 1e-9:
        return float(np.clip(0.5 + depth / wide, 0, 1))
    # The integral over y of the length clip(1/2 + (depth - narrow y) / wide, 0, 1), exact strip by strip.
    ends = 0.5 + (depth - narrow * np.array([y - 0.5 / side, y + 0.5 / side])) / wide
    area = np.diff([clipped_integral(e) for e in ends], axis=0)[0] / np.diff(ends, axis=0)[0]
    return float(area.mean())


def clipped_integral(t):
    """Integral of clip(t, 0, 1) from 0."""
    return np.where(t < 0, 0.0, np.where(t > 1, t - 0.5, 0.5 * np.clip(t, 0, 1) ** 2))


class Reading:
    """The land of another face as the cells of a reader see it: depth, blocks of four cells, sub-cells."""

    def __init__(self, land, edges, cell, reader, narrow=False):
        self.edges, self.ratio, self.narrow = edges, reader / cell, narrow
        self.far = 2 + int(np.ceil(0.75 * max(self.ratio, 1)))  # cells beyond the grid
        self.depth = np.pad(edges.depth, self.far - 2, mode="edge")
        self.several = np.pad(edges.several, self.far)
        self.cover = np.pad(land, self.far)
        if self.ratio > 1 + 1e-9:
            self.cover = box_mean(self.cover, self.ratio)
        self.kinds, self.nodes = {}, None
        by_rows = edges.land.transpose(0, 2, 1, 3).reshape(8 * land.shape[0], 8 * land.shape[1])
        self.fine = np.pad(by_rows.astype(float), 8 * self.far)

    def node(self, m, k):
        """Mean of the sub-cells that are land over a reader's cell about a place in quarters of cells."""
        if self.nodes is None:
            up, along = map(self.weights, self.fine.shape)
            self.nodes = up @ self.fine @ along.T
        return self.nodes[m, k]

    def weights(self, number):
        """Shares (places, sub-cells) of a row of sub-cells that lie in a reader's cell about each place."""
        half = 4 * max(self.ratio, 1)
        middle = 8 * (np.arange(number // 2)[:, None] / 4 + 0.5)
        n = np.arange(number)
        length = np.minimum(n + 1, middle + half) - np.maximum(n, middle - half)
        return np.clip(length, 0, None) / (2 * half)

    def between(self, fx, fy):
        """Land beside narrow grooves: read between places a quarter of a cell apart, right in middles."""
        total = 0.0
        m, k = int(np.floor(4 * fy)), int(np.floor(4 * fx))
        for dm, dk in np.ndindex(2, 2):
            v, u = m + dm, k + dk
            j, i = min(v // 4, self.cover.shape[0] - 2), min(u // 4, self.cover.shape[1] - 2)
            tv, tu = v / 4 - j, u / 4 - i
            off = sum(
                (tv if dj else 1 - tv)
                * (tu if di else 1 - tu)
                * (self.cover[j + dj, i + di] - self.node(4 * (j + dj), 4 * (i + di)))
                for dj, di in np.ndindex(2, 2)
            )
            weight = (1 - abs(4 * fy - v)) * (1 - abs(4 * fx - u))
            total += weight * np.clip(self.node(v, u) + off, 0, 1)
        return total

    def block(self, values, j, i):
        return values[j : j + 2, i : i + 2]

    def slope(self, j, i):
        """How depth grows in a block, along and up, and whether it does so evenly."""
        d = self.block(self.depth, j, i)
        if d.shape != (2, 2):
            return np.zeros(2), False
        slope = np.array([np.diff(d, axis=1).mean(), np.diff(d, axis=0).mean()])
        return slope, abs(np.hypot(*slope) - 1) < 0.05 and abs(
            d[1, 1] - d[1, 0] - d[0, 1] + d[0, 0]
        ) < 0.25

    def outward(self, j, i):
        """Unit normal of the edge in a cell, or of the nearest from the even blocks about it."""
        v, u = j - self.far, i - self.far
        if 0 <= v < self.edges.x.shape[0] and 0 <= u < self.edges.x.shape[1]:
            normal = normal_in(self.edges, v, u)
            if normal is not None:
                return normal
        slopes = [self.slope(v, u) for v in (j - 1, j) for u in (i - 1, i) if v >= 0 and u >= 0]
        total = -sum((slope for slope, even in slopes if even), np.zeros(2))
        return total / np.hypot(*total) if total.any() else total

    def confused(self, j, i):
        """Edges about this block that are not one straight edge."""
        if not (0 <= j < self.depth.shape[0] - 1 and 0 <= i < self.depth.shape[1] - 1):
            return False
        if self.block(self.several, j, i).any():
            return True
        near = np.abs(self.block(self.depth, j, i)).min() < 0.75 * max(self.ratio, 1) + 0.75
        return near and not self.slope(j, i)[1]

    def kind(self, j, i):
        if (j, i) not in self.kinds:
            self.kinds[j, i] = self.found_kind(j, i)
        return self.kinds[j, i]

    def found_kind(self, j, i):
        reach = int(np.ceil(0.5 * self.ratio)) if self.ratio > 1 + 1e-9 else 0
        near = range(-reach, reach + 1)
        if not any(self.confused(j + dj, i + di) for dj in near for di in near):
            return "one edge"
        return "mixed"

    def share(self, x, y, cell, turn, a, own, own_subcells):
        """Share of a reader's cell, `a` of it land, with its middle at (x, y) of this face [m]."""
        fx, fy = x / cell + (self.cover.shape[1] - 1) / 2, y / cell + (self.cover.shape[0] - 1) / 2
        j, i = int(np.floor(fy)), int(np.floor(fx))
        if not (0 <= j < self.cover.shape[0] - 1 and 0 <= i < self.cover.shape[1] - 1):
            return 0.0
        t = np.array([fx - i, fy - j])
        weights = np.outer([1 - t[1], t[1]], [1 - t[0], t[0]])
        # A point on the border of blocks lies in all of them.
        rows = {int(np.floor(fy + d)) for d in (-1e-6, 1e-6)}
        columns = {int(np.floor(fx + d)) for d in (-1e-6, 1e-6)}
        other = None
        if all(
            self.kind(v, u) == "one edge"
            for v, u in [(j, u) for u in columns] + [(v, i) for v in rows]
        ):
            d = self.block(self.depth, j, i)
            deep = (weights * d).sum() / self.ratio
            if abs(deep) >= 0.71:  # no edge in it: all land, or none
                return a * float(deep > 0)
            corners = [(v, u) for v in (0, 1) for u in (0, 1)]
            other = turn @ sum(weights[v, u] * self.outward(j + v, i + u) for v, u in corners)
            b = half_plane(deep, other)
            on_a_cell = np.abs(t - np.round(t)).max() < 1e-6
            if on_a_cell and abs(self.ratio - 1) < 1e-12 and self.square(turn):
                b = (weights * self.block(self.cover, j, i)).sum()
        elif self.narrow:
            b = self.between(fx, fy)
        else:
            b = (weights * self.block(self.cover, j, i)).sum()
        both = None
        if self.square(turn):
            both = lambda: (own_subcells, self.subcells(fx, fy, turn))  # noqa: E731
        return in_common(a, b, own, other, both)

    def square(self, turn):
        return abs(turn[0, 0] * turn[0, 1]) < 1e-6

    def subcells(self, fx, fy, turn):
        """Sub-cells of a reader's cell whose middles lie in sub-cells of land."""
        middles = np.arange(8) / 8 + 1 / 16 - 0.5
        column, row = np.meshgrid(middles, middles)
        u = fx + self.ratio * (turn[0, 0] * column + turn[1, 0] * row) - self.far + 0.5
        v = fy + self.ratio * (turn[0, 1] * column + turn[1, 1] * row) - self.far + 0.5
        j, i = np.floor(v).astype(int), np.floor(u).astype(int)
        on = (j >= 0) & (j < self.edges.x.shape[0]) & (i >= 0) & (i < self.edges.x.shape[1])
        out = np.zeros((8, 8), dtype=bool)
        within = ((v - j) * 8).astype(int), ((u - i) * 8).astype(int)
        out[on] = self.edges.land[j[on], i[on], within[0][on], within[1][on]]
        return out


def box_mean(values, width):
    """Mean over a square `width` cells wide about every cell, by sub-dividing each cell into many."""
    reach = int(np.ceil(0.5 * width))
    k = np.arange(-reach, reach + 1)
    part = (
        np.clip(np.minimum(k + 0.5, 0.5 * width) - np.maximum(k - 0.5, -0.5 * width), 0, None)
        / width
    )
    wide = np.pad(values, reach)
    ny, nx = values.shape
    out = np.zeros(values.shape)
    for j in range(2 * reach + 1):
        for i in range(2 * reach + 1):
            out += part[j] * part[i] * wide[j : j + ny, i : i + nx]
    out[np.abs(out - 1) < 1e-12] = 1.0
    return out


def strip_length(own, other, at, low, high):
    """Length of low ... high that lies on strips of own and on strips of the other, whose middle is `at`."""
    return sum(
        max(0.0, min(high, e, at + f) - max(low, b, at + g)) for b, e in own for g, f in other
    )


def whole(body):
    """A face with what may be left out of it: no narrow grooves, no strips of land."""
    return (*body, False, None) if len(body) == 5 else body


def shares_on_strips(own, other, x, y, turn):
    """Share of own's cells that is land on both, at a quarter turn; land on strips along x and along y."""
    _, land, cell, _, _, _, strips = own
    swapped = abs(turn[0, 0]) < 0.5
    of_other = other[6][::-1] if swapped else other[6]
    gx, gy = axes(land.shape, cell)
    out = np.zeros(land.shape)
    for j, i in np.argwhere(land > 0):
        middle = np.array([gx[j, i], gy[j, i]])
        at = middle - turn @ np.array([x[j, i], y[j, i]])
        lengths = [
            strip_length(strips[k], of_other[k], at[k], middle[k] - cell / 2, middle[k] + cell / 2)
            for k in (0, 1)
        ]
        out[j, i] = lengths[0] * lengths[1] / cell**2
    return out


def reading_of(own, other):
    """The land of the other face as own's cells see it, in whatever pose."""
    _, land, cell, _, edges, narrow, _ = whole(other)
    return Reading(land, edges, cell, own[2], narrow)


def shares(own, other, reading, x, y, cos, sin):
    """Share of each of own's cells that is land on both; (x, y) their middles in the other's frame."""
    own, other = whole(own), whole(other)
    _, land, _, _, edges, _, strips = own
    cell_other, strips_other = other[2], other[6]
    turn = np.array([[cos, -sin], [sin, cos]])
    if strips and strips_other and abs(cos * sin) < 1e-6:
        return shares_on_strips(own, other, x, y, turn)
    out = np.zeros(land.shape)
    for j, i in np.argwhere(land > 0):
        out[j, i] = reading.share(
            x[j, i], y[j, i], cell_other, turn, land[j, i], normal_in(edges, j, i), edges.land[j, i]
        )
    return out


def gathered(z, land, cell, x, y, reader):
    """Height of another face at points of its own frame, for cells of side `reader`.

    The map is widened before bare cells are filled, as far out as a reader's cell still meets land.
    """
    c = quadratic_of(z, land, cell)
    gx, gy = axes(z.shape, cell)
    rings = int(np.ceil(0.71 * max(reader / cell, 1))) + 1
    wide = np.pad(np.where(land > 0, z - evaluate(c, gx, gy), 0.0), rings + 1)
    rest = filled(wide, np.pad(land, rings + 1), rings)
    return bilinear(rest, cell, x, y) + evaluate(c, x, y)


def equilibrium(gap, share, xi, eta, target):
    """q of the plane h + a xi + b eta that carries force and moments `target`, by Newton."""
    basis = np.stack([np.ones_like(xi), xi, eta], -1)
    bears = share > 0
    q = None

    def energy(plane):
        return 0.5 * (share * np.maximum(0, gap - basis @ plane) ** 2).sum() + target @ plane

    for _ in range(100):
        b, w = basis[bears], share[bears]
        hessian = (b * w[:, None]).T @ b
        full = np.linalg.solve(hessian, (b * w[:, None]).T @ gap[bears] - target)
        # Whole steps may go to and fro between two sets for ever; the energy, which is convex, must fall.
        step = 1.0
        while (
            q is not None
            and step > 1e-6
            and energy(q + step * (full - q)) > energy(q) + 1e-12 * abs(energy(q))
        ):
            step *= 0.5
        q = full if q is None or step == 1.0 else q + step * (full - q)
        now = (share > 0) & (gap - basis @ q > 0)
        if np.array_equal(now, bears) and step == 1.0:
            break
        bears = now
    force = np.einsum("k,ki->i", (share * np.maximum(0, gap - basis @ q)), basis)
    assert np.abs(force - target).max() < 1e-9 * target[0]
    return q


def wear(bottom, top, stiffness, poses):
    """Twin of `wear_turned`: pressure x speed x land in contact on both, faces as they lie.

    `bottom`, `top`: (z, land, cell, radius, edges, whether its grooves are narrow, strips of land along x and
    along y [m] or None); `poses`: dicts with cx, cy, theta, vx, vy, spin, weight
    and target (3,).  Returns both maps and the factors.
    """
    zb, lb, hb, *_ = bottom
    zt, lt, ht, radius, *_ = top
    xb, yb = axes(zb.shape, hb)
    xt, yt = axes(zt.shape, ht)
    wear_bottom, wear_top, factors = np.zeros(zb.shape), np.zeros(zt.shape), []
    of_top, of_bottom = reading_of(bottom, top), reading_of(top, bottom)
    for pose in poses:
        cos, sin = np.cos(pose["theta"]), np.sin(pose["theta"])
        xi, eta = xb - pose["cx"], yb - pose["cy"]
        u, v = cos * xi + sin * eta, -sin * xi + cos * eta
        gap = zb + gathered(zt, lt, ht, u, v, hb)
        share = shares(bottom, top, of_top, u, v, cos, sin)
        q = equilibrium(
            gap.ravel(),
            share.ravel(),
            (xi / radius).ravel(),
            (eta / radius).ravel(),
            pose["target"],
        )
        squeeze = np.maximum(0, gap - q[0] - (q[1] * xi + q[2] * eta) / radius)
        speed = np.hypot(pose["vx"] - pose["spin"] * eta, pose["vy"] + pose["spin"] * xi)
        wear_bottom += pose["weight"] * stiffness * share * squeeze * speed
        xi, eta = cos * xt - sin * yt, sin * xt + cos * yt
        u, v = pose["cx"] + xi, pose["cy"] + eta
        gap = zt + gathered(zb, lb, hb, u, v, ht)
        share = shares(top, bottom, of_bottom, u, v, cos, -sin)
        squeeze = np.maximum(0, gap - q[0] - (q[1] * xi + q[2] * eta) / radius)
        factor = pose["target"][0] * hb**2 / ((share * squeeze).sum() * ht**2)
        speed = np.hypot(pose["vx"] - pose["spin"] * eta, pose["vy"] + pose["spin"] * xi)
        wear_top += pose["weight"] * stiffness * factor * share * squeeze * speed
        factors.append(factor)
    return wear_bottom, wear_top, np.array(factors)


def wear_on_cells(bottom, top, stiffness, poses):
    """Twin of `wear_shifted`: as `wear`, places on whole cells of equal grids, nothing turns."""
    bottom, top = whole(bottom), whole(top)
    zb, lb, cell, _, eb, _, strips = bottom
    zt, lt, _, radius, et, *_ = top
    x, y = axes(zb.shape, cell)
    wear_bottom, wear_top = np.zeros(zb.shape), np.zeros(zt.shape)
    for pose in poses:
        sx = round(pose["cx"] / cell + (zb.shape[1] - zt.shape[1]) / 2)
        sy = round(pose["cy"] / cell + (zb.shape[0] - zt.shape[0]) / 2)
        if strips and top[6]:
            at = (
                cell * (sx - (zb.shape[1] - zt.shape[1]) / 2),
                cell * (sy - (zb.shape[0] - zt.shape[0]) / 2),
            )
            share = shares_on_strips(bottom, top, x - at[0], y - at[1], np.eye(2))
        else:
            share = share_on_cells(lb, eb, lt, et, sx, sy)
        xi, eta = (x - pose["cx"]) / radius, (y - pose["cy"]) / radius
        gap = np.zeros(zb.shape)
        for j, i in np.argwhere(share > 0):
            gap[j, i] = zb[j, i] + zt[j - sy, i - sx]
        q = equilibrium(gap.ravel(), share.ravel(), xi.ravel(), eta.ravel(), pose["target"])
        squeeze = np.maximum(0, gap - q[0] - q[1] * xi - q[2] * eta)
        rate = pose["weight"] * stiffness * share * squeeze * np.hypot(pose["vx"], pose["vy"])
        wear_bottom += rate
        for j, i in np.argwhere(share > 0):
            wear_top[j - sy, i - sx] += rate[j, i]
    return wear_bottom, wear_top
