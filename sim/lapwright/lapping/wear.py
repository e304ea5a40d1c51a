"""The law of wear: each land loses height at kappa * pressure * speed, and the cut of a dab of grit fades.

Sources: F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214-256 (from memory); the wear constants of the
table are common practice, no source, and known to a band of ten in all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from lapwright.errors import CannotDoError
from lapwright.lapping.step import EMBEDDED_SHARE, Grit, Observation, Wear
from lapwright.plate.plate import Plate

__all__ = ["kappa", "kappa_from_observation", "rubbing_until", "settled", "wear_time"]


def wear_time(fade: float | None, age: float, time: float) -> float:
    """Time at a fresh dab's cut that removes as much as `time` [s] on a dab of `age` [s].

    The integral of exp(-t / fade) from age to age + time; `time` itself without fade.
    """
    if fade is None:
        return time
    return -fade * math.exp(-age / fade) * math.expm1(-time / fade)


def rubbing_until(fade: float | None, age: float, wanted: float) -> float:
    """Rubbing time [s] in which a dab of `age` does the work of `wanted` s at a fresh dab's cut.

    The inverse of `wear_time`; infinite when the dab is too tired ever to do it.
    """
    if fade is None:
        return wanted
    left = wanted / (fade * math.exp(-age / fade)) if age / fade < 700.0 else math.inf
    return -fade * math.log1p(-left) if left < 1.0 else math.inf


def _factor(grit: Grit, plate: Plate) -> float:
    """Wear of `plate` over that of grey iron, grit held in it included."""
    held = EMBEDDED_SHARE if grit.held_in == plate.name else 1.0
    return plate.material.wear_factor * held


def kappa(grit: Grit, bottom: Plate, top: Plate) -> tuple[float, float]:
    """Wear constants of a pair with a fresh dab of `grit` [1/Pa]; values named for a plate are final.

    Raises
    ------
    CannotDoError
        When the constant is not settled yet (see `settled` and `kappa_from_observation`).

    """
    given = grit.wear.plates
    iron = grit.wear.iron
    if iron is None:
        raise CannotDoError(f"the wear of grit {grit.name} is not known yet")
    low, high = (given.get(p.name, iron * _factor(grit, p)) for p in (bottom, top))
    return low, high


def settled(grit: Grit, plates: Mapping[str, Plate]) -> Grit:
    """The same grit with a value for grey iron: from the first plate that one was given for.

    So plates that none was given for wear by their material, whatever they meet.
    """
    if grit.wear.iron is not None or not grit.wear.plates:
        return grit
    name, value = next(iter(grit.wear.plates.items()))
    return replace(grit, wear=replace(grit.wear, iron=value / _factor(grit, plates[name])))


def kappa_from_observation(
    seen: Observation, grit: Grit, plates: Mapping[str, Plate], mean: Mapping[str, float]
) -> Wear:
    """Wear constants [1/Pa] from metal seen to go: for grey iron, and final for a plate that was observed.

    `mean` [Pa m/s]: pressure x speed of each plate of the pair, mean over its land, with a fresh dab.

    Raises
    ------
    CannotDoError
        When the observed plate does not wear in this step.

    """
    factors = {name: _factor(grit, plates[name]) for name in mean}
    time = wear_time(grit.fade, 0.0, seen.time)
    if seen.lost is not None and seen.plate is not None:
        plate = plates[seen.plate]
        depth = seen.lost / (plate.material.density * plate.land_area)
    elif seen.lost is not None:
        # Mass lost by both together: volumes add.
        work = sum(factors[n] * mean[n] * plates[n].land_area * plates[n].material.density for n in mean)
        return _wear(seen.lost / (time * work) if work > 0.0 else math.inf, None, grit, plates)
    else:
        depth = seen.removed or 0.0
    if seen.plate is not None:
        rate = factors[seen.plate] * mean[seen.plate]
    else:
        rate = sum(factors[n] * mean[n] for n in mean) / len(mean)
    return _wear(depth / (time * rate) if rate > 0.0 else math.inf, seen.plate, grit, plates)


def _wear(iron: float, observed: str | None, grit: Grit, plates: Mapping[str, Plate]) -> Wear:
    if not math.isfinite(iron):
        raise CannotDoError(
            f"the observed wear of grit {grit.name} cannot be read: nothing rubs in that step"
        )
    final = {} if observed is None else {observed: iron * _factor(grit, plates[observed])}
    return Wear(iron=iron, plates=final)
