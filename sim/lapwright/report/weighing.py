"""How to learn from a balance how fast the grit cuts: which plate to weigh, and after how long."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from lapwright.limits import limit_of
from lapwright.units import METRIC, Units

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.plate.plate import Plate

__all__ = ["weighing"]

LOST, REMOVED = 'lost = "... g"', 'removed = "..."'
SPELLS = (10, 20, 30, 60, 120)  # min between two weighings


def weighing(
    plates: Mapping[str, Plate], ahead: Sequence[tuple[Step, Outlook]], units: Units = METRIC
) -> str | None:
    """Which plate to weigh, when, and where to write it; None where no wear is a guess.

    A small depth is the larger a share of what lies on the balance the lighter the plate is.
    """
    guessed = [(step, look) for step, look in ahead if step.grit.wear.observed is None]
    names = [n for n in plates if any(n in (step.top, step.bottom) for step, _ in guessed)]
    if not names:
        return None
    name = min(names, key=lambda n: plates[n].total_mass)
    look = next(look for step, look in guessed if name in (step.top, step.bottom))
    plate = plates[name]
    grams = 1e3 * plate.land_area * plate.material.density  # of each metre of depth
    rate = look.removed_from[name] / look.time
    least = limit_of("balance") * 1e3 * plate.total_mass
    spell = next((minutes for minutes in SPELLS if rate * 60.0 * minutes * grams >= least), None)
    if spell is None:
        off = rate * 60.0 * SPELLS[-1]
        return (
            f"Even {SPELLS[-1] // 60} hours take only about {units.size(off)} off {name}, "
            f"{Units.number(off * grams)} g: too little to weigh on {units.mass(plate.total_mass)}. Gauge "
            f"it instead: {_written(name, REMOVED, 60)}"
        )
    depth, said = units.depth
    lightest = ", the lightest," if len({plates[n].total_mass for n in names}) > 1 else ""
    return (
        f"{said} off {name} weighs {Units.number(depth * grams, 3)} g: weigh {name}{lightest} before and "
        f"after {spell} minutes, {_written(name, LOST, spell)}"
    )


def _written(name: str, what: str, minutes: int) -> str:
    """Where what was seen goes."""
    seen = f'wear = {{ {what}, in = "{minutes} min", plate = "{name}" }}'
    return f"write what went into the grit, such as {seen}, and the times above are yours."
