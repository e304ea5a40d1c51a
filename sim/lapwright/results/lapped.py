"""A study lapped from beginning to end in this process, for who writes Python."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from lapwright import __version__
from lapwright.errors import NoOverlapError, TippedError, troubles_in
from lapwright.lapping.schedule import rubbing_time
from lapwright.study.identity import versions
from lapwright.study.recorder import Heading, Recorder

if TYPE_CHECKING:
    from lapwright.study.model import Study
    from lapwright.study.record import Run

__all__ = ["heading", "lapped"]


def heading() -> Heading:
    """What stands at the head of a run file."""
    return Heading(f"lapwright {__version__}", versions())


def lapped(study: Study, progress: Callable[[float], None] | None = None, threads: int = 1) -> Run:
    """Lap a study; a top that tips is told by the outcome.

    `progress` is called with the share of the time that is lapped (0 to 1), now and then.

    Raises
    ------
    TippedError, NoOverlapError
        Where the very first strokes tip the top off.
    SettleError
        Where the top does not settle at some place.

    """
    from lapwright.lapping.run import lap
    from lapwright.study.bearings import bearings_of

    begun = time.monotonic()
    recorder = Recorder(study)
    total = rubbing_time(study.steps, study.rounds)
    outcome = ""
    moments = lap(
        study.plates, study.steps, rounds=study.rounds, seed=study.seed, margin=study.margin, threads=threads
    )
    with troubles_in(study.units):
        try:
            for moment in moments:
                recorder.take(moment)
                if progress is not None:
                    progress(min(moment.clock.time / total, 1.0))
        except (TippedError, NoOverlapError):
            if recorder.last is None:
                raise
            outcome = "tipped"
    last = recorder.last
    assert last is not None
    bearings = bearings_of(study, last)
    return recorder.run(heading(), outcome or last.outcome or "done", time.monotonic() - begun, bearings)
