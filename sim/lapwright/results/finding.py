"""A finding: something that a person should know of, as numbers; heat and pits are two of them.

What the heat of rubbing does to plates: how they bow while it runs, how long to wait before reading.

Pits that grits leave: half the grain deep, gone when so much metal is.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import wraps
from math import exp
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from lapwright.limits import limit_of
from lapwright.metrology.conditions import (
    bow,
    difference,
    rubbing_power,
    share_of_heat,
    time_constant,
    waiting,
    warm_up,
)
from lapwright.specification.step import Step

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.step import Step
    from lapwright.study.model import Study


class Kind(NamedTuple):
    """All there is to a code: what it says, what notices it, and when it can be told.

    `told`: before or after a run alone, or both alike; of readings.  `notice` yields it: from a study and the
    outlook of each step; where it is told after a run alone, from run and study; of readings, from what was
    asked of gauges and the estimate.  Its sentence stands under the code in `sentences.toml`, unless it
    brings its own: in it {plate}, {top}, {bottom} and the numbers, each as `Units` says it ("{mass:mass}").
    `of`: what it holds for, whatever the step; `hurts`: a person.
    """

    what: str
    notice: Callable[..., Iterable[Finding]]
    told: Literal["before", "after", "both", "readings"] = "both"
    sentence: str = ""
    of: Literal["step", "plate", "end"] = "step"
    hurts: bool = False


@dataclass(frozen=True)
class Finding:
    """One thing that is noticed: its `code` (of `KINDS`), in which `step` (from 1), of which `plate`.

    `step` 0: of none; `plate` None: of the step as a whole.
    """

    code: str
    step: int
    plate: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)


def step_by_step(
    see: Callable[[Study, int, Outlook], Iterable[Finding]],
) -> Callable[[Study, Sequence[Outlook]], Iterator[Finding]]:
    """What is seen of each step by itself (study, its number from 1, its outlook), of all of them."""

    @wraps(see)
    def noticed(study: Study, ahead: Sequence[Outlook]) -> Iterator[Finding]:
        for at, look in enumerate(ahead, 1):
            yield from see(study, at, look)

    return noticed


def as_json(found: Finding) -> dict[str, Any]:
    """A finding for scripts."""
    return {
        "code": found.code,
        "step": found.step or None,
        "plate": found.plate,
        "numbers": dict(found.numbers),
    }


# Still air takes 7 to 14 W/(m2 K) from a plate (handbook, from memory), so a wait has a band.
LEAST_AIR, MOST_AIR = 7.0, 14.0
MOST_ROUNDS = 50


@step_by_step
def heating(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """Plates that bow while they are rubbed by more than is left of the squeeze to be seen."""
    heats = _heats(study, study.steps[at - 1], look)
    for name, heat in heats.items():
        bowed = bow(study.plates[name], difference(study.plates[name], heat))
        if bowed > limit_of("bending") * look.squeeze:
            numbers = {"power": sum(heats.values()), "bow": bowed, "squeeze": look.squeeze}
            yield Finding("heat", at, name, numbers)


def standing_warm(study: Study, ahead: Sequence[Outlook]) -> Iterator[Finding]:
    """How warm the plates are at the end, and from when to when they may be read."""
    warm, last = _at_the_end(study, ahead)
    end = max(last.values(), default=1)
    for name in (n for n in study.plates if n in last):
        plate = study.plates[name]
        allowed = limit_of("bow that reads") * ahead[last[name] - 1].squeeze / bow(plate, 1.0)
        if warm[name] > allowed:
            low, high = (waiting(plate, warm[name], allowed, air) for air in (MOST_AIR, LEAST_AIR))
            yield Finding("wait", end, name, {"warmer": warm[name], "least": low, "most": high})


def _heats(study: Study, step: Step, look: Outlook) -> dict[str, float]:
    """Heat that flows into each plate [W], mean over who is on top."""
    names = (step.top, step.bottom)
    on_top = names if step.swap is not None else (step.top,)
    made = [rubbing_power(step.load.friction, look.loads[n], look.speeds[n]) for n in on_top]
    power = sum(made) / len(made)
    top, bottom = (study.plates[n] for n in names)
    share = share_of_heat(top, bottom)
    return {step.top: share * power, step.bottom: (1.0 - share) * power}


def _at_the_end(study: Study, ahead: Sequence[Outlook]) -> tuple[dict[str, float], dict[str, int]]:
    """How much warmer than the room each plate is at the end [K], and the last step that it was in."""
    warm = dict.fromkeys(study.plates, 0.0)
    last: dict[str, int] = {}
    for _ in range(min(study.rounds, MOST_ROUNDS)):
        for at, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
            heats = _heats(study, step, look)
            for name, plate in study.plates.items():
                cooled = warm[name] * exp(-look.time / time_constant(plate))
                warm[name] = cooled + warm_up(plate, heats.get(name, 0.0), look.time)
            last |= dict.fromkeys(heats, at)
    return warm, last


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
                numbers = {"grain": grain, "depth": pits, "removed": off}
                yield k, Finding(code, number, name, numbers)
            fresh = limit_of("pit") * size
            new = fresh >= remains
            left[name] = _Left(size, size if new else grain, fresh if new else remains)


def _goes_on(later: Sequence[Rubbed], name: str, size: float) -> bool:
    """True when the next step of a plate uses a grit as fine or finer, which goes on cutting."""
    following = next((one for one in later if name in one.removed), None)
    return following is not None and following.step.grit.size <= size * SAME
