"""The next spell as a run file keeps it: worked out once, and anew only where anything is not as it was."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from lapwright import __version__
from lapwright.optimisation.advise import Harm
from lapwright.optimisation.bench import USUAL
from lapwright.optimisation.track import constraints_of
from lapwright.results.record import Run
from lapwright.specification.step import Grit, Step
from lapwright.study.faces import ended
from lapwright.study.goal import Goal
from lapwright.study.resolved import digest_of, inputs_of, made, plain

if TYPE_CHECKING:
    from lapwright.optimisation.onward import Onward

WHYS = ("reached", "closer", "worse", "no better")
LONGEST = 100_000  # letters of what is read: a plan has some thousands


def key_of(run: Run, base: Step | None, special: Sequence[Step]) -> str:
    """Digest of all that a plan hangs on: what was lapped, its last faces, the goal, what was asked."""
    last = int(run.step[-1]), run.top[-1], run.bottom[-1]
    goal = run.study.goal
    asked = goal, base, tuple(special)
    return digest_of((__version__, inputs_of(run.study), ended(run).digest, last, *asked))


def spelled(plan: Onward) -> str:
    """The plan as one text (JSON), maps by number never in it."""
    harms = [*plan.harm, *([] if plan.held is None else [plan.held])]
    data, _ = plain(
        {
            "key": plan.key,
            "why": plan.why,
            "steps": plan.steps,
            "off": plan.off,
            "time": plan.time,
            "then": plan.then,
            "harm": tuple((one.asked.key, one.share, one.by) for one in harms),
            "held": plan.held is not None,
            "after": plan.after,
        }
    )
    return json.dumps(data, indent=1, allow_nan=False)


def read(run: Run, key: str) -> Onward | None:
    """The plan that a run keeps; None where it keeps none, or one of something else."""
    if not 0 < len(run.planned) <= LONGEST:
        return None
    try:
        data = json.loads(run.planned)
        return _plan(run, made(data)) if data["key"] == key else None
    except (ValueError, LookupError, TypeError, AttributeError, RecursionError):
        return None  # of another hand: it is worked out anew


def _plan(run: Run, data: Any) -> Onward:
    """The plan, every part of it of the kind that it should be.

    Raises
    ------
    ValueError, LookupError, TypeError, AttributeError
        Some part is not.

    """
    from lapwright.optimisation.onward import Onward

    plates = run.study.plates
    steps, after = data["steps"], data["after"]
    if not all(isinstance(one, Step) and {one.top, one.bottom} <= set(plates) for one in steps):
        raise ValueError("no steps of these plates")
    if data["why"] not in WHYS or not (after is None or isinstance(after, Grit)):
        raise ValueError("no plan")
    if not set(data["off"]) <= set(plates):
        raise ValueError("no plates of this study")
    goal: Goal = run.study.goal or USUAL
    goal = goal if goal.plates else goal.replace(plates=tuple(plates))
    asked = {one.key: one for one in constraints_of(goal, plates)}
    harm = [Harm(asked[name], float(share), float(by)) for name, share, by in data["harm"]]
    held = harm.pop() if data["held"] else None
    return Onward(
        tuple(steps),
        data["why"],
        {name: float(size) for name, size in data["off"].items()},
        float(data["time"]),
        {name: float(size) for name, size in data["then"].items()},
        tuple(harm),
        held,
        after,
        key=data["key"],
    )
