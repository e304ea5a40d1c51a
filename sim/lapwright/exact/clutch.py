"""A ring that turns on a layer: from uniform pressure to uniform wear, and the plate clutch."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

__all__ = ["Facing", "turning_ring", "uniform_pressure", "uniform_wear"]


@dataclass(frozen=True)
class Facing:
    """Pressure at the bore and at the rim [Pa], and torque over friction and force [m] of one face."""

    at_bore: float
    at_rim: float
    torque: float


def turning_ring(bore: float, rim: float, time: float, points: int = 24) -> Facing:
    """A ring that turns on a layer, one face wearing: pressure after `time` from uniform pressure 1.

    Parameters
    ----------
    bore, rim : float
        Radii [m].
    time : float
        In units of 1 / (K kappa omega), K the layer's stiffness; times a unit of length.
    points : int
        Gauss points over the radius.

    Notes
    -----
    The ring sinks as a rigid body, so dp/dt = -r p + s(t), with s such that the load stays: s is the mean
    of r p over the area.  Derived, and confirmed independently (an explicit method of order 8 at 1e-12).

    """
    from scipy.linalg import expm

    node, weight = np.polynomial.legendre.leggauss(points)
    inner = 0.5 * (bore + rim) + 0.5 * (rim - bore) * node
    # The two edges are unknowns of their own, without weight in the integrals.
    r = np.concatenate([inner, [bore, rim]])
    w = np.concatenate([0.5 * (rim - bore) * weight * inner, [0.0, 0.0]])
    rate = -np.diag(r) + np.outer(np.ones_like(r), w * r) / w.sum()
    p = expm(time * rate) @ np.ones_like(r)
    return Facing(float(p[-2]), float(p[-1]), float((w * r) @ p / (w @ p)))


def uniform_wear(bore: float, rim: float, force: float) -> Facing:
    """The limit in which p r is the same everywhere: the uniform-wear clutch.

    p = F / (2 pi (ro - ri) r), torque = mu F (ro + ri) / 2.  Shigley, Mechanical Engineering Design, plate
    clutches (from memory).
    """
    at = force / (2.0 * pi * (rim - bore))
    return Facing(at / bore, at / rim, 0.5 * (bore + rim) * force)


def uniform_pressure(bore: float, rim: float, force: float) -> Facing:
    """A new clutch: torque = mu F (2/3)(ro^3 - ri^3) / (ro^2 - ri^2).  Shigley, as above (from memory)."""
    p = force / (pi * (rim**2 - bore**2))
    return Facing(p, p, 2.0 / 3.0 * force * (rim**3 - bore**3) / (rim**2 - bore**2))
