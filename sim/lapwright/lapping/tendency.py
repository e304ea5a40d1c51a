"""Which of two plates a step makes domed and which hollow, and by how much: the moment law.

While the top only travels, whatever the faces, the layer and the contact (derived:
`lapwright.exact.moment_law`),

    integral p (|x_b|^2 - |x_t|^2) dA = W |c|^2.

Each side times wear constant and speed is a rate of wear.  For a pair that mates (a dome of one in the dish
of the other) it gives how that dish moves: with <r^2> the mean square distance of a plate's land from its
middle, the bottom goes hollow while <r^2>_bottom - <r^2>_top is more than <|c|^2>, and domed while it is
less.  Equal plates differ in nothing, so there the bottom always goes domed.  So it is for x and y alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import radians

from lapwright.lapping.overhang import land_outline
from lapwright.lapping.rubbing import Rubbing
from lapwright.lapping.step import Step
from lapwright.plate.outline import Disc, Rectangle
from lapwright.plate.plate import Plate

__all__ = ["MOST_TURN", "Tendency", "half_difference", "tendency"]

MOST_TURN = radians(10.0)  # a stroke; with more, the moment law (pure translation) is no longer near enough


@dataclass(frozen=True)
class Tendency:
    """Which way a step drives the domes of its plates, each from -1 to 1.

    + domes the plate that begins below and hollows the one that begins on top; near 0 the two causes (travel;
    one face larger than the other) nearly balance, or swaps undo each other.  `all_round` over the whole
    face, `along` and `across` the bench's x and y by themselves.
    """

    all_round: float
    along: float
    across: float


def tendency(
    top: Plate, bottom: Plate, on_top: Mapping[str, float], means: Mapping[str, Rubbing]
) -> Tendency:
    """Which way a step drives the domes.

    Parameters
    ----------
    top, bottom : Plate
        By their places at the start of the step.
    on_top : mapping
        Time at a fresh dab's cut that each plate spends on top [s].
    means : mapping
        Of the motion with each plate on top.

    """
    low, high = _squares(bottom), _squares(top)
    rubbed = {name: on_top[name] * means[name].work for name in on_top}
    whole = sum(rubbed.values())
    if whole <= 0.0:
        return Tendency(0.0, 0.0, 0.0)
    net, gross = [], []
    for axis in (0, 1):
        travel = {name: (means[name].along, means[name].across)[axis] for name in on_top}
        first, second = (rubbed[p.name] / whole * travel[p.name] for p in (top, bottom))
        net.append(first - second - (low[axis] - high[axis]))
        gross.append(abs(first) + abs(second) + abs(low[axis] - high[axis]))
    return Tendency(_share(sum(net), sum(gross)), *(_share(n, g) for n, g in zip(net, gross, strict=True)))


def _share(net: float, gross: float) -> float:
    return net / gross if gross > 0.0 else 0.0


def _squares(plate: Plate) -> tuple[float, float]:
    """Mean of x^2 and of y^2 over the land [m2]; grooves are taken as spread evenly over it."""
    land = land_outline(plate)
    if isinstance(land, Rectangle):
        return land.along**2 / 12.0, land.across**2 / 12.0
    mean = 0.25 * (land.radius**2 + (0.5 * land.bore) ** 2)
    return mean, mean


def half_difference(
    step: Step,
    top: Plate,
    bottom: Plate,
    rates: Mapping[str, float],
    on_top: Mapping[str, float],
    means: Mapping[str, Rubbing],
) -> float | None:
    """Change of (dome of bottom - dome of top) / 2 by the moment law [m], None where it does not tell."""
    discs = isinstance(top.outline, Disc) and isinstance(bottom.outline, Disc)
    equal = discs and abs(top.outline.radius / bottom.outline.radius - 1.0) < 1e-9
    same = abs(rates[top.name] - rates[bottom.name]) <= 1e-9 * rates[bottom.name]
    turning = sum(abs(turn.angle) for turn in (step.turn, step.walk) if not turn.indexed)
    read = step.swap is not None and step.swap.read is not None
    plain = top.grooves is None and bottom.grooves is None
    if not (equal and same and plain) or read or turning > MOST_TURN * (1.0 + 1e-9):
        return None
    total = 0.0
    for above, sign in ((top, 1.0), (bottom, -1.0)):
        mean = means[above.name]
        depth = rates[above.name] * on_top[above.name] * mean.work / above.outline.area
        total += sign * 6.0 * mean.square / above.outline.radius**2 * depth
    return total
