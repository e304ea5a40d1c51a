"""The order of strokes: which blocks keep it, and what the others miss.

A block holds the faces still while its strokes are looked at, so it misses what a stroke does to the next
ones of its turn (docs/numerics.md).
"""

from __future__ import annotations

import numpy as np

from lapwright.lapping.motion import Motion
from lapwright.lapping.schedule import cut_time
from lapwright.lapping.step import Step

__all__ = ["in_order", "out_of_order"]

FEW_TURNS = 24.0  # of the top in a step: then blocks are ...
PARTS_OF_TURN = 8.0, 32.0  # ... such parts of a turn, so that its strokes are lapped in order
MISSED = 0.03  # of what a turn takes off, where its strokes are not lapped in order
BLOCKS_IN_ORDER = 96.0  # about so many in the step, within those limits
TIRED = 4.0  # times its fade: what a dab takes off after that does not matter to the order


def _turns(motion: Motion, step: Step) -> float:
    """Turns that the top or the operator makes in a step, whichever makes more."""
    turns = np.abs(motion.slow(np.array([0.0, float(step.total_strokes)])))[:, 1]
    return float(turns[[name != "traverse" for name in motion.clocks]].max(initial=0.0))


def out_of_order(motion: Motion, step: Step, number: int) -> float:
    """Share of the metal of a block of `number` strokes by which it misses their order, in saddle and twist.

    A stroke of half the width leaves 0.03 to 0.05 of what a turn takes off (docs/numerics.md).
    """
    if 0 < number <= motion.index_every:
        return 0.0  # a block of one angle keeps its place in the order
    turns = _turns(motion, step)
    if turns * number <= step.total_strokes / PARTS_OF_TURN[0]:
        return 0.0
    return MISSED / (turns * _fresh_share(step))


def _fresh_share(step: Step) -> float:
    """What a step takes off as a share of what it would take off with fresh grit all the time."""
    return max(cut_time(step) * step.pace / step.total_strokes, 1e-9)


def in_order(motion: Motion, step: Step, age: float) -> int:
    """Most strokes in a block, so that those of few turns are lapped in the order in which they come.

    A block that holds the faces still over a turn misses the saddle that runs round with the top, one part in
    a few dozen of what a turn takes off: too much where the whole step is only a few turns,
    or a dab, `age` [s] old, fades within a few.
    """
    turns = _turns(motion, step)
    most = turns * _fresh_share(step)
    tired = step.grit.fade is not None and age > TIRED * step.grit.fade
    if turns == 0.0 or most > FEW_TURNS or tired:
        return step.total_strokes
    parts = min(max(BLOCKS_IN_ORDER / most, PARTS_OF_TURN[0]), PARTS_OF_TURN[1])
    return max(1, int(step.total_strokes / (parts * turns)))
