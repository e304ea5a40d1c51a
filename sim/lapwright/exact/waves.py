"""How waves on two large plates die under a translating stroke, and which of them never do."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

__all__ = ["across_line", "along_line", "circle", "decay_rates", "path_factor"]


def circle(wave_number: float, radius: float) -> float:
    """Overlap factor G of a circular stroke: J0(q c)."""
    from scipy.special import j0

    return float(j0(wave_number * radius))


def along_line(wave_number: float, half_length: float) -> float:
    """Overlap factor G of a straight stroke along the wave: sin(q s) / (q s)."""
    return float(np.sinc(wave_number * half_length / np.pi))


def across_line() -> float:
    """Overlap factor G of a straight stroke across the wave, along its ridges: 1."""
    return 1.0


def path_factor(wave_number: float, along: Callable[[np.ndarray], np.ndarray], points: int = 4096) -> float:
    """G of any path symmetric about its centre: mean of cos(q . c) by arc length.

    `along(phi)` gives the path's place (n, 2), the wave runs along x; used to check the closed forms.
    """
    phi = 2.0 * np.pi * np.arange(points) / points
    place = along(phi)
    step = np.hypot(*(np.roll(place, -1, axis=0) - np.roll(place, 1, axis=0)).T)
    return float((np.cos(wave_number * place[:, 0]) * step).sum() / step.sum())


def decay_rates(factor: float) -> tuple[float, float]:
    """Rates of the mating wave (one's hill in the other's hollow) and of the rest, over kappa K v.

    Two large plates, translation, equal kappa: the layer sees z_b(x) + z_t(x - c); averaged over the stroke
    each face meets itself with weight 1 and the other with weight G: 1 - G and 1 + G.  Derived, and
    confirmed by brute force to four digits.
    """
    return 1.0 - factor, 1.0 + factor
