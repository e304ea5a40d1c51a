"""The law of wear, and what follows from it without solving anything."""

from __future__ import annotations

__all__ = ["archard", "lost_volume", "mismatch_time"]


def archard(wear_coefficient: float, hardness: float) -> float:
    """Give kappa = K / H [1/Pa] from Archard's dimensionless coefficient and the hardness [Pa].

    J. F. Archard, J. Appl. Phys. 24 (1953) 981 (from memory).
    """
    return wear_coefficient / hardness


def lost_volume(kappa_sum: float, load: float, path: float) -> float:
    """Volume [m3] that both bodies lose together: (kappa_top + kappa_bottom) * integral F ds.

    Pure translation, any layer, tilt or overhang: speed is the same all over the contact, and pressure sums
    to the load.  Preston's law: F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214-256 (from memory; the
    modern coefficient absorbs the friction coefficient).  The balance is derived.
    """
    return kappa_sum * load * path


def mismatch_time(kappa_sum: float, stiffness: float, speed: float) -> float:
    """Time constant [s] with which pressure evens out: 1 / ((kappa_t + kappa_b) K v).

    A layer of `stiffness` K [Pa/m] at uniform speed.  Derived; the class of problems of L. A. Galin, PMM 40
    (1976) 981 (from memory).
    """
    return 1.0 / (kappa_sum * stiffness * speed)
