"""A finding: something that a person should know of, as numbers; and the table of all that there are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, NamedTuple

__all__ = ["KINDS", "Finding", "Kind", "as_json"]


class Kind(NamedTuple):
    """What a code says, and when that can be told: before or after a run alone, both alike; of readings."""

    what: str
    told: Literal["before", "after", "both", "readings"] = "both"


# What can hurt or spoil the work comes first.
KINDS = {
    "tips": Kind("the top tips off in the stroke"),
    "overhang": Kind("the stroke goes past where flat faces begin to lift"),
    "too_heavy": Kind("more than one person should lift"),
    "carbide": Kind("sludge that is a hazard"),
    "heavy": Kind("to be lifted with care"),
    "nothing_rubs": Kind("the top neither travels nor turns"),
    "pits_left": Kind("pits of a coarser grit that the metal off did not reach the bottom of", "after"),
    "high_pressure": Kind("the grit layer may be squeezed out"),
    "low_pressure": Kind("the top may float"),
    "no_turn": Kind("the top is never turned"),
    "one_side": Kind("the stroke stays on one side of a plate"),
    "finer": Kind("a grit much finer than the one before it"),
    "pits": Kind("pits of a coarser grit that will stay, as far as can be told", "before"),
    "best_passed": Kind("a face was clearly flatter on the way than at the end", "after"),
    "one_dab": Kind("one dab of grit for too long"),
    "long_stroke": Kind("the faces change within one stroke"),
    "bending": Kind("a plate bends under the load, and is taken as rigid"),
    "heat": Kind("a plate goes domed from the heat of rubbing while it runs"),
    "wait": Kind("plates are too warm to be read at the end"),
    "no_fade": Kind("how fast a dab tires is not known; said with what is taken as usual", "before"),
    "odd_reading": Kind("a reading that contradicts the others", "readings"),
    "in_groove": Kind("a foot stood in a groove", "readings"),
    "no_side": Kind("bands were counted without saying dome or dish", "readings"),
    "sum_only": Kind("forms of a plate are fixed as a sum only", "readings"),
    "one_step": Kind("a gauge never showed more than one step of its dial", "readings"),
    "not_at_room": Kind("a plate was not as warm as the room", "readings"),
    "apart": Kind("plates were not as warm as each other", "readings"),
    "one_place": Kind("a plate was read at one place only", "readings"),
}


@dataclass(frozen=True)
class Finding:
    """One thing that is noticed: its `code` (`KINDS`), in which `step` (from 1; 0: none), of which `plate`.

    `plate` None: of the step as a whole.
    """

    code: str
    step: int
    plate: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)

    @property
    def gravity(self) -> tuple[int, int]:
        """What to sort by, the gravest first."""
        return list(KINDS).index(self.code), self.step


def as_json(found: Finding) -> dict[str, Any]:
    """A finding for scripts."""
    return {
        "code": found.code,
        "step": found.step or None,
        "plate": found.plate,
        "numbers": dict(found.numbers),
    }
