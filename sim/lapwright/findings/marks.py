"""Pits that grits leave: half the grain deep, gone when so much metal is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from lapwright.findings.finding import Finding
from lapwright.lapping.step import Step
from lapwright.limits import limit_of

__all__ = ["Rubbed", "marks"]

NOTHING = 0.5e-9  # m of metal: nothing was lapped
SAME = 1.0 + 1e-9  # sizes of grain that differ by less are one size


class Rubbed(NamedTuple):
    """A step that was done or is to be done: its number, and the metal that it takes off each plate [m]."""

    number: int
    step: Step
    removed: Mapping[str, float]


@dataclass(frozen=True)
class _Left:
    """What steps left on a plate [m]: the `last` grain, and the `grain` of the deepest `pits`."""

    last: float
    grain: float
    pits: float


def marks(rubbed: Sequence[Rubbed], code: str) -> Iterator[tuple[int, Finding]]:
    """A grit much finer than the last ("finer"), and pits of which a step does not reach the bottom (`code`).

    Each with its place in `rubbed`.  Pits that a next step as fine goes on with are not told of until then.
    """
    left: dict[str, _Left] = {}
    for k, (number, step, removed) in enumerate(rubbed):
        if sum(removed.values()) < NOTHING * len(removed):
            continue
        size = step.grit.size
        before = {name: left.get(name, _Left(size, size, 0.0)) for name in removed}
        coarsest = max(one.last for one in before.values())
        if coarsest > limit_of("next grit") * size * SAME:
            yield k, Finding("finer", number, None, {"grain": size, "before": coarsest})
        for name, off in removed.items():
            grain, pits = before[name].grain, before[name].pits
            remains = max(pits - off, 0.0)
            if grain > size * SAME and remains > 0.0 and not _goes_on(rubbed[k + 1 :], name, size):
                yield k, Finding(code, number, name, {"grain": grain, "depth": pits, "removed": off})
            new = limit_of("pit") * size >= remains
            left[name] = _Left(size, size if new else grain, limit_of("pit") * size if new else remains)


def _goes_on(later: Sequence[Rubbed], name: str, size: float) -> bool:
    """True when the next step of a plate uses a grit as fine or finer, which goes on cutting."""
    following = next((one for one in later if name in one.removed), None)
    return following is not None and following.step.grit.size <= size * SAME
