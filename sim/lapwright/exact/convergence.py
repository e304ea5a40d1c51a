"""Observed order and error bands from three grids."""

from __future__ import annotations

from dataclasses import dataclass
from math import log

__all__ = ["Convergence", "grid_convergence"]


@dataclass(frozen=True)
class Convergence:
    """Observed `order`, value at zero spacing, and the grid convergence index of both pairs (a share)."""

    order: float
    limit: float
    fine_index: float
    coarse_index: float


def grid_convergence(
    fine: float, medium: float, coarse: float, ratio: float = 2.0, safety: float = 1.25
) -> Convergence:
    """Richardson's order and Roache's index from three spacings, each `ratio` times the last.

    NASA/NPARC Alliance, Examining Spatial (Grid) Convergence, tutorial (published): 0.97050, 0.96854,
    0.96178 at ratio 2 give 1.786170, 0.103083 % and 0.356249 %.

    Raises
    ------
    ValueError
        When the three values do not converge monotonically.

    """
    step, last = medium - fine, coarse - medium
    if not step * last > 0.0:
        raise ValueError(
            f"{coarse}, {medium}, {fine} do not converge monotonically: no order can be observed"
        )
    order = log(last / step) / log(ratio)
    gain = ratio**order - 1.0
    return Convergence(
        order,
        fine - step / gain,
        safety * abs(step / fine) / gain,
        safety * abs(last / medium) / gain,
    )
