"""Whether a stroke leaves land that the other face hardly ever lies on.

Such land never beds in: beside every pair that mates where it is rubbed it stays as it is for ever, or goes
so slowly that how slowly depends on how fine the shapes are.  What such a pair would come to in the end is
then no number that can be told, nor one that anybody waits for; `lapwright.modes.made` tells another.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.laid import on_bench, on_face
from lapwright.lapping.overhang import land_outline
from lapwright.modes.instants import Instants
from lapwright.modes.rows import overlap_rule
from lapwright.plate.plate import Plate

__all__ = ["leaves_land"]

Array = NDArray[np.float64]

FINENESS = 24  # degree of the points at which it is asked: some 400 on a face
HARDLY = 0.02  # of the time that the most rubbed land is covered
SOME = 0.02  # of the land of a face


def leaves_land(bottom: Plate, top: Plate, instants: Instants) -> bool:
    """Whether more than `SOME` of the land of either face is `HARDLY` ever covered by the other."""
    p = instants.poses
    cx, cy, theta = p.cx[:, None], p.cy[:, None], p.theta[:, None]
    below, above = land_outline(bottom), land_outline(top)
    for own, other, over in ((below, above, False), (above, below, True)):
        zero = np.zeros(1)
        rule = overlap_rule(own, own, zero, zero, zero, FINENESS)
        there = (on_bench if over else on_face)(rule.x, rule.y, cx, cy, theta)
        covered = instants.share @ (other.signed_distance(*there) < 0.0)
        hardly = covered < HARDLY * covered.max()
        if float(rule.area[hardly].sum()) > SOME * float(rule.area.sum()):
            return True
    return False
