"""How fast the faces rub, mean over the motion of a step, as flat faces do: nothing is lapped for it.

Pressure is that of flat faces: even where the load's line runs through the middle of the overlap, changing
evenly otherwise.  So work and speed are near, and exact where the top only travels.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.motion import Motion, Poses
from lapwright.lapping.overhang import land_outline
from lapwright.plate.outline import Outline, Rectangle
from lapwright.plate.plate import Plate

__all__ = ["Rubbing", "face_points", "flat_shares", "rubbing", "sampled"]

Array = NDArray[np.float64]

POSES = 2048
HAND_STROKES = 4096
SPINNING_POSES = 512
POINTS = 128  # of the face, for the speed that turning adds
GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0


def sampled(motion: Motion) -> Array:
    """Stroke numbers that stand for the whole step."""
    step = motion.step
    total = step.total_strokes
    even = (np.arange(POSES) + 0.5) / POSES
    if not step.hand.steady:
        strokes = np.unique(np.linspace(0, total - 1, min(total, HAND_STROKES)).astype(np.int64))
        places = np.maximum(8, POSES // strokes.size)
        phase = (np.arange(places) + GOLDEN * np.arange(strokes.size)[:, None] % 1.0) / places
        return np.asarray((strokes[:, None] + phase).ravel())
    if step.curve.period == 1.0 and step.walk.angle == 0.0:
        return even
    return np.asarray(np.floor(GOLDEN * np.arange(POSES) % 1.0 * total) + even)


@dataclass(frozen=True)
class Rubbing:
    """Means over the motion with one plate on top.

    `work`: load x sliding speed [N m/s]; `along`, `across`: cx^2 and cy^2 with what the load's offset and the
    turning add, weighted by sliding speed [m2]: the mean of |x_b|^2 - |x_t|^2 over all that is rubbed.
    """

    work: float
    along: float
    across: float

    @property
    def square(self) -> float:
        """|c|^2 with what the load's offset and the turning add [m2]."""
        return self.along + self.across


def rubbing(motion: Motion, poses: Poses, top: Plate, bottom: Plate) -> Rubbing:
    """Means of poses that stand for a step, with `top` on `bottom`."""
    load = top.weight + motion.step.load.force
    travel = np.hypot(poses.vx, poses.vy)
    offset = motion.moment(poses, load) / load
    c = np.stack([poses.cx, poses.cy], axis=1)
    speed = float(travel.mean())
    squares = travel @ (c * (c + 2.0 * offset)) / travel.size
    if poses.spin.any():  # what turning adds is smooth, so fewer poses serve
        few = slice(None, None, max(1, travel.size // SPINNING_POSES))
        fewer = Poses(**{f.name: getattr(poses, f.name)[few] for f in fields(poses)})
        faster, felt = _turning(fewer, top, bottom, offset[few])
        speed += float(faster.mean())
        squares = squares + felt.mean(axis=0)
    along, across = squares / speed if speed > 0.0 else (0.0, 0.0)
    return Rubbing(load * speed, float(along), float(across))


def _turning(poses: Poses, top: Plate, bottom: Plate, offset: Array) -> tuple[Array, Array]:
    """What turning adds to the sliding speed of each pose, mean over the overlap by flat pressure (n,) [m/s].

    And what it adds to the moments (n, 2) [m3/s]: mean of that speed x (c^2 + 2 c x_t) along either axis, x_t
    a point from the top's centre.  Round a circle one side of the top always rubs faster: of first order.
    """
    seen = face_points(land_outline(top))
    cos_, sin_ = np.cos(poses.theta)[:, None], np.sin(poses.theta)[:, None]
    dx = cos_ * seen[:, 0] - sin_ * seen[:, 1]
    dy = sin_ * seen[:, 0] + cos_ * seen[:, 1]
    below = land_outline(bottom)
    bears = below.signed_distance(poses.cx[:, None] + dx, poses.cy[:, None] + dy) <= 0.0
    weight = np.maximum(flat_shares(bears.astype(float), dx, dy, offset), 0.0)
    weight = weight / np.maximum(weight.sum(axis=1), 1e-300)[:, None]
    spin = poses.spin[:, None]
    sliding = np.hypot(poses.vx[:, None] - spin * dy, poses.vy[:, None] + spin * dx)
    added = weight * (sliding - np.hypot(poses.vx, poses.vy)[:, None])
    faster: Array = added.sum(axis=1)
    moments = [c**2 * faster + 2.0 * c * (added * d).sum(axis=1) for c, d in ((poses.cx, dx), (poses.cy, dy))]
    return faster, np.stack(moments, axis=1)


def flat_shares(bears: Array, dx: Array, dy: Array, offset: Array) -> Array:
    """Pressure of flat faces over its mean at points of the overlap (n, m), below 0 where they would lift.

    `bears`: 1 where both faces are, else 0; it changes evenly, so that the load's moment is right.
    """
    count = np.maximum(bears.sum(axis=1), 1.0)
    gx, gy = (bears * dx).sum(axis=1) / count, (bears * dy).sum(axis=1) / count
    x, y = dx - gx[:, None], dy - gy[:, None]
    jxx, jxy, jyy = ((bears * a * b).sum(axis=1) / count for a, b in ((x, x), (x, y), (y, y)))
    determinant = np.maximum(jxx * jyy - jxy**2, 1e-300)
    ex, ey = offset[:, 0] - gx, offset[:, 1] - gy
    a, b = (jyy * ex - jxy * ey) / determinant, (jxx * ey - jxy * ex) / determinant
    result: Array = bears * (1.0 + a[:, None] * x + b[:, None] * y)
    return result


def face_points(outline: Outline) -> Array:
    """Points evenly over a face (k, 2) [m]."""
    number = np.arange(POINTS) + 0.5
    if isinstance(outline, Rectangle):
        along = (number / POINTS - 0.5) * outline.along
        return np.stack([along, (GOLDEN * number % 1.0 - 0.5) * outline.across], axis=1)
    inner = (0.5 * outline.bore) ** 2
    r = np.sqrt(inner + (outline.radius**2 - inner) * number / POINTS)
    angle = 2.0 * pi * GOLDEN * number
    return np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1)
