"""How an error spreads that is a sum of normal, uniform and two-point parts, and its 95 % interval.

JCGM 100:2008 (GUM) combines variances; where two-point hysteresis or rounding is a large part of the whole,
1.96 standard deviations would hold the truth far more or less often than said.  So the distribution itself
is summed up, which is what JCGM 101:2008 does by drawing; here by a Fourier series, without chance.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

__all__ = ["COVERAGE", "Spread"]

Array = NDArray[np.float64]

COVERAGE = 0.95
TERMS = 4096
SMOOTH = 1.0 / 1500.0  # of the reach: blurs the jumps of two-point parts, which the series could not follow
NEGLIGIBLE = 1e-4  # of the whole


@dataclass(frozen=True)
class Spread:
    """An error about zero, the sum of independent parts in one unit.

    A `normal` part of so much standard deviation; uniform parts of half widths `uniform`; parts that are + or
    - `two_point` with even odds; and a `bound` within which a last part lies, of which no more is known.
    """

    normal: float = 0.0
    uniform: tuple[float, ...] = ()
    two_point: tuple[float, ...] = ()
    bound: float = 0.0

    def times(self, factor: float) -> Spread:
        """The same, so many times as wide."""
        uniform, two_point = (tuple(factor * a for a in part) for part in (self.uniform, self.two_point))
        return Spread(factor * self.normal, uniform, two_point, factor * self.bound)

    @property
    def standard(self) -> float:
        """Standard uncertainty; what is only bounded counts as uniform (JCGM 100, 4.3.7)."""
        return sqrt(self._chance + self.bound**2 / 3.0)

    @property
    def _chance(self) -> float:
        """Variance of all but the bounded part."""
        variance = self.normal**2 + sum(a * a for a in self.uniform) / 3.0
        return variance + sum(a * a for a in self.two_point)

    @property
    def half(self) -> float:
        """Half width of the interval about zero that holds 95 % of it, or more if a part is bounded."""
        whole = sqrt(self._chance)
        if whole == 0.0:
            return self.bound
        parts = [np.abs(np.asarray(p, dtype=float)) / whole for p in (self.uniform, self.two_point)]
        # Very many small parts are normal by the central limit theorem; the largest keep their own shape.
        normal2 = (self.normal / whole) ** 2
        kept = []
        for part, third in zip(parts, (1.0 / 3.0, 1.0), strict=True):
            large = np.sort(part)[::-1][:60]
            small = np.concatenate([np.sort(part)[::-1][60:], large[large < NEGLIGIBLE]])
            normal2 += float((small**2).sum()) * third
            kept.append(large[large >= NEGLIGIBLE])
        return self.bound + whole * _half(sqrt(normal2), *kept)


def _half(normal: float, uniform: Array, two_point: Array) -> float:
    """The same for a sum of standard deviation 1."""
    if not uniform.size and not two_point.size:
        return 1.959963984540054 * normal
    reach = float(uniform.sum() + two_point.sum()) + 9.0 * normal
    normal = sqrt(normal**2 + (SMOOTH * reach) ** 2)
    period = 2.0 * (reach + 9.0 * SMOOTH * reach)
    t = 2.0 * pi * np.arange(1, TERMS + 1) / period
    phi = np.exp(-0.5 * (normal * t) ** 2)
    for a in uniform:
        phi *= np.sinc(a * t / pi)
    for a in two_point:
        phi *= np.cos(a * t)
    useful = np.abs(phi) > 1e-14
    t, phi = t[useful], phi[useful]
    low, high = 0.0, 0.5 * period
    for _ in range(60):
        x = 0.5 * (low + high)
        held = (2.0 * x + 4.0 * float((phi * np.sin(t * x) / t).sum())) / period
        low, high = (x, high) if held < COVERAGE else (low, x)
    return 0.5 * (low + high)
