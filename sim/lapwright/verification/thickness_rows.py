"""Wedge that a load off the middle of a part laps into it, against statics."""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, pi, sin
from typing import Any

from lapwright.metrology.thickness import Thickness, thickness_of
from lapwright.specification.curves import Circle
from lapwright.specification.outline import Disc, Outline, Ring
from lapwright.specification.plate import Plate
from lapwright.specification.step import Load, Step, Turn
from lapwright.units import GRAVITY
from lapwright.verification import closed_forms as exact
from lapwright.verification.scenes import (
    FROM_MEMORY,
    NO_MARGIN,
    Row,
    absolute,
    last,
    plain_grit,
    relative,
)

PART, ASIDE, FORCE = 0.040, 0.004, 40.0  # [m] radius of the part, [m] where the hand presses, [N]


def wedged(
    outline: Outline | None = None, cells: int = 32, high: float = 0.0, **more: Any
) -> tuple[Thickness, float]:
    """Thickness of a part at the end, and the metal off it [m], on a plate that hardly wears.

    Pressed `ASIDE` from its middle towards `high` [rad] as seen from above; `more` of the step.
    """
    at = (ASIDE * cos(high), ASIDE * sin(high))
    part = Plate(outline or Disc(2.0 * PART), 0.012, mass=1e-6, cells=cells, name="part")
    plate = Plate(Disc(4.0 * PART), 0.030, cells=2 * cells, name="plate")
    load = Load(FORCE - part.total_mass * GRAVITY, at, "top")
    given: dict[str, Any] = {"load": load, "strokes": 360, "pace": 0.6} | more
    grit = plain_grit({"part": 1e-12, "plate": 1e-16})
    end = last((part, plate), Step("part", "plate", grit, Circle(0.25 * PART), **given))
    return thickness_of(part, end.heights["part"], NO_MARGIN), end.removed["part"]


def thickness_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    source = f"eccentric compression, S. Timoshenko 1930, {FROM_MEMORY}"
    for name, outline, bore in (("disc", Disc(0.08), 0.0), ("ring", Ring(0.08, 0.05), 0.025)):
        got, off = wedged(outline)
        yield relative(
            f"{name} 80 mm pressed 4 mm off its middle, not turned: wedge over metal off",
            source,
            exact.wedge_of_load(ASIDE, PART, bore),
            got.wedge / off,
            2e-3,
        )
    got, off = wedged(turn=Turn(2.0 * pi / 360.0), load=Load(FORCE, (ASIDE, 0.0), "bench"))
    source = "by symmetry: every side comes under the hand alike"
    yield absolute("the same, turned once round under the hand", source, 0.0, got.wedge / off, 2e-3)
