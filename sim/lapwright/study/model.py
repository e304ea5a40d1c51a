"""A study as the rest of the program sees it: everything in SI, nothing left to look up."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from lapwright.lapping.step import Step
from lapwright.plate.measure import EdgeMargin
from lapwright.plate.plate import Plate

if TYPE_CHECKING:
    from lapwright.gauges.instruments import Gauge
    from lapwright.gauges.reading import Reading

__all__ = ["Axis", "Free", "Study", "Sweep", "Tune", "Variant"]


@dataclass(frozen=True)
class Variant:
    """One member of a comparison: `changes` to the keys of `step` (from 1; None: of every step), as typed."""

    name: str
    step: int | None
    changes: Mapping[str, Any]


@dataclass(frozen=True)
class Axis:
    """One key of a step and the values it takes in a sweep, as typed."""

    key: str
    values: tuple[Any, ...]


@dataclass(frozen=True)
class Sweep:
    """One or two keys of `step` (from 1; None: of every step) that are swept."""

    step: int | None
    axes: tuple[Axis, ...]


@dataclass(frozen=True)
class Free:
    """A key that may move: between `low` and `high`, or among `choices`; all as typed."""

    key: str
    low: str | None = None
    high: str | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Tune:
    """A goal: forms to `reach` [m] on `plates`, held to `hold` [s] (None: at the end), at `least` cost.

    `keep`: for each plate named, forms that may change by at most so much [m].  `order`: steps may change
    places.
    """

    reach: Mapping[str, float]
    plates: tuple[str, ...]
    hold: float | None = None
    keep: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    least: Literal["time", "removed", "turns", "swaps"] = "time"
    free: tuple[Free, ...] = ()
    order: bool = False


@dataclass(frozen=True)
class Study:
    """What a study file means.

    `assumed`: every default that was taken, key such as "steps.1.pace" to the value as a person would
    type it.  `text`: the file, verbatim; `stem`: its name without folder and ending.
    """

    title: str
    seed: int
    units: Literal["metric", "inch"]
    rounds: int
    margin: EdgeMargin
    plates: Mapping[str, Plate]
    steps: tuple[Step, ...]
    assumed: Mapping[str, str]
    text: str = ""
    stem: str = ""
    variants: tuple[Variant, ...] = ()
    sweep: Sweep | None = None
    tune: Tune | None = None
    gauges: Mapping[str, Gauge] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
