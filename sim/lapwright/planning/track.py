"""What was asked, followed along the time: when it is reached, whether it holds, what it cost."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.planning.tuning import Asked, Cost, Course
from lapwright.plate.plate import Plate
from lapwright.study.later import NOT_OF
from lapwright.study.model import Tune

__all__ = ["OF_PAIR", "Track", "asked_of", "course_of", "track_of"]

Array = NDArray[np.float64]

OF_PAIR = ("difference", "mating")
NEVER = 1e6  # share of what comes to nothing


def asked_of(goal: Tune, plates: Mapping[str, Plate]) -> tuple[Asked, ...]:
    """Each quantity that a goal speaks of; plates that do not speak of a form are not asked for it."""
    found = []
    for form, limit in goal.reach.items():
        named = (None,) if form in OF_PAIR else goal.plates
        found += [Asked(form, name, limit) for name in named if _speaks(plates, name, form)]
    for name, kept in goal.keep.items():
        for form, limit in kept.items():
            plate = None if form in OF_PAIR else name
            if _speaks(plates, plate, form):
                found.append(Asked(form, plate, limit, kept=True))
    return tuple(found)


def _speaks(plates: Mapping[str, Plate], name: str | None, form: str) -> bool:
    return name is None or form not in NOT_OF[plates[name].outline.long]


@dataclass(frozen=True)
class Track:
    """Columns (k,) along one schedule, from its start to its end.

    `time` rubbed [s], `removed` mean depth off the plates [m], `turned` [turns] of top and walk together,
    `swaps`; `values` [m]: "NAME.sphere" and the like, "NAME.flatness", "mating", "difference".
    """

    time: Array
    removed: Array
    turned: Array
    swaps: Array
    values: Mapping[str, Array]

    def same(self, other: Track) -> bool:
        """Whether another is this one to the last bit."""
        columns = [
            (getattr(self, one), getattr(other, one)) for one in ("time", "removed", "turned", "swaps")
        ]
        columns += [(value, other.values[key]) for key, value in self.values.items()]
        return all(np.array_equal(one, two, equal_nan=True) for one, two in columns)

    def flatness(self) -> Array:
        """Flatness of the worst plate (k,) [m]."""
        found = [value for key, value in self.values.items() if key.endswith(".flatness")]
        return np.max(found, axis=0) if found else np.full(self.time.shape, np.nan)

    def shares(self, asked: Sequence[Asked]) -> Array:
        """Each asked quantity over its limit (len(asked), k)."""
        return np.stack([self.sizes(one) / one.limit for one in asked])

    def sizes(self, one: Asked) -> Array:
        """Size of an asked quantity (k,) [m], or how far it moved."""
        value = self.values[_column(one)]
        moved = value - value[0] if one.kept else value
        sizes: Array = np.where(np.isfinite(moved), np.abs(moved), np.inf)
        return sizes

    def along(self, least: str) -> Array:
        """The column of what is to be least (k,)."""
        columns = {"time": self.time, "removed": self.removed, "turns": self.turned, "swaps": self.swaps}
        return columns[least]

    def cost(self, time: float) -> Cost:
        """What it took until `time` [s]."""
        removed, turned = (float(np.interp(time, self.time, one)) for one in (self.removed, self.turned))
        at = max(0, int(np.searchsorted(self.time, time * (1.0 + 1e-12), side="right")) - 1)
        return Cost(time, removed, turned, float(self.swaps[at]))


def _column(one: Asked) -> str:
    form = "sphere" if one.form == "dome" else one.form
    return form if one.plate is None else f"{one.plate}.{form}"


def track_of(columns: Mapping[str, Sequence[float]]) -> Track:
    """A track from the columns that a full simulation kept."""
    held = {name: np.asarray(column, dtype=np.float64) for name, column in columns.items()}
    time, removed, turned, swaps = (held.pop(name) for name in ("time", "removed", "turned", "swaps"))
    return Track(time, removed, turned, swaps, held)


def course_of(
    track: Track,
    asked: Sequence[Asked],
    hold: float | None,
    by: Literal["operator", "simulation"],
    *,
    aim: float = 1.0,
    trail: bool = True,
) -> Course:
    """How a schedule went; `aim`: the share of each limit that is wanted; `trail`: note the way, too."""
    time, shares = track.time, track.shares(asked)
    if hold is not None and hold < time[-1]:
        keep = int(np.searchsorted(time, hold))
        last = [np.interp(hold, time, one) for one in shares]
        time, shares = np.append(time[:keep], hold), np.column_stack([shares[:, :keep], last])
    worst = shares.max(axis=0)
    reached = _reached(time, worst, aim)
    first = time.size - 1
    if hold is not None:
        first = int(np.searchsorted(time, max(reached or 0.0, 0.5 * time[-1]) * (1.0 - 1e-12)))
    at_worst = shares[:, first:].max(axis=1)
    share = float(at_worst.max())
    ended = reached if hold is not None and reached is not None else float(time[-1])
    way = zip(time.tolist(), np.minimum(worst, NEVER).tolist(), strict=True) if trail else ()
    return Course(
        by=by,
        reached_at=reached,
        share=share if math.isfinite(share) else NEVER,
        worst={one.key: float(most * one.limit) for one, most in zip(asked, at_worst, strict=True)},
        forms={},
        cost=track.cost(ended),
        trail=tuple(way),
        then=None if reached is None else track.cost(reached),
        whole=track.cost(float(track.time[-1])),
    )


def _reached(time: Array, share: Array, aim: float) -> float | None:
    """From when on the share stays at or below `aim` [s]."""
    over = np.flatnonzero(~(share <= aim))
    if not over.size:
        return float(time[0])
    last = int(over[-1])
    if last == time.size - 1:
        return None
    high, low = share[last], share[last + 1]
    if not math.isfinite(high):
        return float(time[last + 1])
    along = (high - aim) / (high - low)
    return float(time[last] + along * (time[last + 1] - time[last]))
