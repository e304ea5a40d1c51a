"""Heat of rubbing: how much, how far plates bow while it runs, how warm they get, how long to let them stand.

Plain conduction and convection of a plate that is heated evenly on its face.  Coefficients of air and the
conductivities of `lapwright.plate.material` are handbook values from memory: take all of it to within a
factor of two.  The bow is Timoshenko's free plate, kappa = alpha dT / h (`lapwright.plate.bending`).
"""

from __future__ import annotations

from math import expm1, log, pi, sqrt

from lapwright.plate.outline import Rectangle
from lapwright.plate.plate import Plate

__all__ = [
    "AIR",
    "bow",
    "difference",
    "rubbing_power",
    "share_of_heat",
    "time_constant",
    "waiting",
    "warm_up",
]

# Still air, convection and radiation together [W/(m2 K)] (handbook value, from memory).
AIR = 10.0


def rubbing_power(friction: float, load: float, speed: float) -> float:
    """Heat made by rubbing [W]: friction x load [N] x speed [m/s]; nearly all the work goes into heat."""
    return friction * load * speed


def share_of_heat(plate: Plate, other: Plate) -> float:
    """Part of the heat that goes into `plate`: by sqrt(conductivity x density x heat capacity) of both.

    Two bodies that touch in passing share heat so (J. C. Jaeger 1942, from memory); halves for one metal.
    """
    here, there = (
        sqrt(p.material.conductivity * p.material.density * p.material.heat_capacity) for p in (plate, other)
    )
    return here / (here + there)


def _thickness(plate: Plate) -> float:
    """Thickness [m], from the mass where it is not given."""
    return plate.thickness or plate.total_mass / (plate.outline.area * plate.material.density)


def difference(plate: Plate, power: float) -> float:
    """Face warmer than back [K] while `power` [W] flows in at the face and out at the back: q h / k.

    The most there can be; while the plate still soaks up the heat it bows half as much.
    """
    return power / plate.outline.area * _thickness(plate) / plate.material.conductivity


def bow(plate: Plate, warmer: float) -> float:
    """Rise of the middle over the rim (of a long plate: its ends) [m], the face `warmer` [K] than the back.

    Curvature alpha dT / h over the widest way across: S. Timoshenko, free plate, from memory.
    """
    across = max(plate.outline.size)
    if isinstance(plate.outline, Rectangle) and not plate.outline.long:
        across = 2.0 * plate.outline.radius
    return plate.material.expansion * warmer / _thickness(plate) * across**2 / 8.0


def _skin(plate: Plate) -> float:
    """Back and sides [m2], which give heat to the air; the other plate or the bench covers the face."""
    width, height = plate.outline.size
    edge = 2.0 * (width + height) if isinstance(plate.outline, Rectangle) else pi * width
    return plate.outline.area + edge * _thickness(plate)


def time_constant(plate: Plate, air: float = AIR) -> float:
    """Time in which a warm plate loses all but 37 % of its warmth to the air [s]: m c / (U A)."""
    return plate.total_mass * plate.material.heat_capacity / (air * _skin(plate))


def warm_up(plate: Plate, power: float, time: float, air: float = AIR) -> float:
    """How much warmer than the room a plate gets [K], `power` [W] flowing into it for `time` [s]."""
    return power / (air * _skin(plate)) * -expm1(-time / time_constant(plate, air))


def waiting(plate: Plate, warm: float, left: float, air: float = AIR) -> float:
    """Time to stand in air until a plate `warm` [K] above the room is only `left` [K] above it [s]."""
    return 0.0 if warm <= left else time_constant(plate, air) * log(warm / left)
