"""What a gauge cannot see, whatever is done with it: the null space of its readings over the forms."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from math import cos, pi, sin
from typing import cast

import numpy as np
from numpy.typing import NDArray

from lapwright.gauges.contacts import Placement
from lapwright.gauges.instruments import Gauge, Zero
from lapwright.gauges.reading import Reading, model_of
from lapwright.plate.forms import form_names
from lapwright.plate.outline import Outline
from lapwright.plate.plate import Plate

__all__ = ["PRACTICES", "Sight", "never_seen", "places", "sight"]

Array = NDArray[np.float64]

NOTHING = 1e-9
PRACTICES = ("once", "turned on the spot", "walked along", "walked and turned")
QUARTERS = (0.0, 0.25 * pi, 0.5 * pi, 0.75 * pi)


@dataclass(frozen=True)
class Sight:
    """What readings tell of each form: "yes", "no", or "mixed" (only together with others).

    `hidden` (k, 3): sizes of the three forms that leave every reading as it was; `order` = 3 - k.
    """

    sees: Mapping[str, str]
    hidden: Array

    @property
    def order(self) -> int:
        """How many independent forms the readings fix."""
        return len(self.sees) - len(self.hidden)


def sight(gauge: Gauge, plate: Plate, at: Sequence[Placement]) -> Sight:
    """What readings of one gauge at these places, in one session, tell of the forms of one plate.

    A gauge zeroed on another plate is looked at as if that plate were flat.
    """
    readings = [Reading("g", plate.name, at=p.at, angle=p.angle, along=p.along) for p in at]
    own = cast(Gauge, _Alone(gauge)) if gauge.zero.on == "plate" else gauge
    model = model_of(readings, {"g": own}, {plate.name: plate})
    # What is unknown takes its share of the readings first; only the rest tells of the forms.
    u, s, _ = np.linalg.svd(model.unknown, full_matrices=False)
    basis = u[:, s > NOTHING * s.max(initial=0.0)]
    left = model.forms - basis @ (basis.T @ model.forms)
    most = np.abs(model.forms).max()
    left = left / most if most > 0.0 else left
    _, s, vt = np.linalg.svd(left)
    rank = int((s > NOTHING * len(readings)).sum())
    hidden, seen = vt[rank:], vt[:rank]
    told = seen.T @ seen
    names = form_names(plate.outline)
    sees = {}
    for k, name in enumerate(names):
        alone = abs(told[k, k] - 1.0) < 1e-6
        sees[name] = "yes" if alone else "no" if told[k, k] < 1e-6 else "mixed"
    return Sight(sees, hidden)


@lru_cache(maxsize=64)
def never_seen(gauge: Gauge, plate: Plate) -> tuple[str, ...]:
    """Forms of which a gauge tells nothing, wherever it is set down and however it is turned."""
    found = sight(gauge, plate, places(gauge, plate.outline, "walked and turned"))
    return tuple(name for name, seen in found.sees.items() if seen == "no")


class _Alone:
    """A gauge as if it had been zeroed on a flat."""

    def __init__(self, gauge: Gauge) -> None:
        self._gauge = gauge
        self.zero = Zero()

    def __getattr__(self, name: str) -> object:
        return getattr(self._gauge, name)


def places(gauge: Gauge, outline: Outline, practice: str) -> tuple[Placement, ...]:
    """Where a gauge is set down in one of PRACTICES, along the longer side first.

    Raises
    ------
    KeyError
        When there is no such practice.

    """
    step = 0.1 * outline.smaller
    first = 0.0 if outline.size[0] >= outline.size[1] else 0.5 * pi
    angles = tuple(first + quarter for quarter in QUARTERS)
    return {
        "once": (Placement(angle=first),),
        "turned on the spot": tuple(Placement(angle=angle) for angle in angles),
        "walked along": _walk(first, step),
        "walked and turned": tuple(place for angle in angles for place in _walk(angle, step)),
    }[practice]


def _walk(angle: float, step: float) -> tuple[Placement, ...]:
    """Five places on the line through the middle along which the gauge is turned."""
    return tuple(
        Placement(at=(k * step * cos(angle), k * step * sin(angle)), angle=angle) for k in (-2, -1, 0, 1, 2)
    )
