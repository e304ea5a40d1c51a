"""What comes of going on after a goal is reached: some errors only pass through what is asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.planning.knobs import Settled
from lapwright.planning.seek import Seeker
from lapwright.planning.tuning import Lost

__all__ = ["lost_again"]

AGAIN = 1.0  # of the schedule: how much longer one goes on
LAST = 0.25  # of that: in which it must be out all the time, or it comes back


def lost_again(seeker: Seeker, place: NDArray[np.float64], settled: Settled) -> Lost | None:
    """When the goal is lost again if the last step goes on as long as the whole schedule took.

    None where it stays reached or only comes and goes with the swaps, where it was to hold to a given time,
    and where a gauge ends the last step or rounds are repeated.
    """
    last = settled.steps[settled.order[-1] - 1]
    if seeker.space.goal.hold is not None or last.until is not None or seeker.space.study.rounds > 1:
        return None
    end = sum(step.total_strokes / step.pace for step in settled.steps)
    steps = list(settled.steps)
    more = round(last.total_strokes + AGAIN * end * last.pace)
    steps[settled.order[-1] - 1] = replace(last, time=None, strokes=more)
    try:
        told = seeker.foreteller.tell(replace(settled, steps=tuple(steps))).track
    except LapwrightError:
        return None
    track = seeker.offsets.put_right(place, told)
    shares = track.shares(seeker.asked)
    out = shares.max(axis=0) > 1.0
    over = np.flatnonzero((track.time > end * (1.0 + 1e-9)) & out)
    if not over.size or not out[track.time > (1.0 + (1.0 - LAST) * AGAIN) * end].all():
        return None
    k = int(over[0])
    worst = int(np.argmax(shares[:, k]))
    # From the instant before, at which it is still there (or the end of the schedule, if that is later).
    before, after = float(shares[worst, k - 1]), float(shares[worst, k])
    along = float(np.clip((1.0 - before) / (after - before), 0.0, 1.0)) if after > before else 1.0
    at = float(track.time[k - 1] + along * (track.time[k] - track.time[k - 1]))
    at = max(at, end)
    removed = track.cost(at).removed - track.cost(end).removed
    return Lost(seeker.asked[worst].key, at - end, removed)
