"""What can be searched for: a goal, and something that may move; each refused in one line otherwise."""

from __future__ import annotations

from lapwright.errors import CommandError
from lapwright.study.goal import Goal
from lapwright.study.model import Study, Tune
from lapwright.study.sizes import refuse_to_size

NO_GOAL = (
    "{stem}.toml names no goal: write [goal] at its end, below it what is to be reached, such as "
    'flatness = "0.3 um", then [tune.free], and below that {free}'
)
NOTHING_FREE = "nothing may move: write [tune.free] at the end of the study, and below it {free}"
FREE = (
    "each key that may move with its bounds or choices, such as "
    '"steps.1.time" = ["10 min", "2 h"]; "steps.1.turn" = ["none", "8 deg per stroke"]'
)


def check_goal(study: Study) -> None:
    """Refuse a study without a goal, in which nothing may move, or whose steps stop at a size.

    Raises
    ------
    CommandError
        Says what to write.

    """
    if study.goal is None:
        raise CommandError(NO_GOAL.format(stem=study.stem, free=FREE), key="goal", code="missing")
    tuned = study.tuned or Tune()
    if not tuned.free and not (tuned.order and len(study.steps) > 1):
        raise CommandError(NOTHING_FREE.format(free=FREE), key="tune.free", code="nothing_free")
    refuse_to_size(study)
    if study.batch is not None:
        _check_batch(study, study.batch.part, tuned)


def _check_batch(study: Study, part: str, tuned: Tune) -> None:
    """Refuse what a search that laps batches cannot look for."""
    goal = study.goal or Goal()
    plates = f'plates without the part: write plates = ["{part}"]'
    for key, at_fault, what in (
        ("tune.least", tuned.least not in ("time", "removed"), 'least but "time" and "removed"'),
        ("tune.free.order", tuned.order, "order of the steps: leave it out"),
        ("goal.hold", goal.hold is not None, "hold: leave it out"),
        ("goal.plates", part not in goal.plates, plates),
    ):
        if at_fault:
            raise CommandError(f"of a batch tune knows no {what}", key=key, code="batch")
