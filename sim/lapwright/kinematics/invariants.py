"""What a stroke never takes out: the pairs of faces that fit at every place that it visits.

Such a pair no longer wears itself out of shape, so it stays.  Which pairs there are depends only on how the
top moves over the bottom.  With rotation not locked to the travel only a sphere fits itself (a dome in a
dish); without rotation every pair of constant curvature fits; along a straight line every profile across it;
about a fixed point every round profile (the lower pairs of F. Reuleaux, 1876, in secondary sources; the
numbers are derived, and confirmed on polynomials of degree 8).  Where the plates change places a pair must
fit either way round: the mirrored faces lie on each other alike both ways, but ridges that slant to a plate's
clock slant the other way once it is turned over, so that they run across each other.  What goes only slowly
is not told here (`lapwright.modal.glance`).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi
from typing import Literal

import numpy as np

from lapwright.specification.curves import Still
from lapwright.specification.step import Step, Turn, strokes_in

Kind = Literal["all", "sphere", "curved", "ridges", "even ridges", "round"]
CLOSE = 1e-9  # of a whole turn
MOST_INDEXES = 720


@dataclass(frozen=True)
class Invariants:
    """What fits for ever.

    `kind`: "all" (nothing rubs), "sphere" (a dome in a dish alone), "curved" (dome in dish, saddle, twist),
    "ridges" (these and every profile across the stroke), "even ridges" (only profiles alike on both sides of
    the middle), "round" (every profile round about the point that the top turns about).  `direction` [rad] of
    the ridges on the bench.
    """

    kind: Kind
    direction: float = 0.0

    def count(self, degree: int = 8) -> int | None:
        """Number of such pairs among polynomials up to a degree, rigid motions apart; None: all of them.

        Parameters
        ----------
        degree : int
            Highest power.

        Returns
        -------
        int or None

        """
        return {
            "all": None,
            "sphere": 1,
            "curved": 3,
            "ridges": degree + 1,
            "even ridges": 2 + degree // 2,
            "round": degree // 2,
        }[self.kind]


def invariants_of(step: Step, *, as_laid: bool = False) -> Invariants:
    """Classify what a step never takes out; a hand that veers does not go straight.

    `as_laid`: with the top as it is first laid on, whatever swaps follow.

    Parameters
    ----------
    step : Step
        Its stroke, turns and swaps.
    as_laid : bool
        As above.

    Returns
    -------
    Invariants
        The kind of faces that fit for ever.

    """
    step = replace(step, swap=None) if as_laid else step
    turn, walk = _seen(step.turn, step), _seen(step.walk, step)
    spin = _rate(turn) + _rate(walk)
    off = step.centre != (0.0, 0.0)
    goes = not isinstance(step.curve, Still) or (step.carry_centre and off and walk.angle != 0.0)
    if abs(spin) > CLOSE:
        return _turning(step, turn, walk, off)
    carried = (
        isinstance(step.curve, Still) and _rate(walk) == 0.0
    )  # set over while lifted: nothing rubs
    if not goes or carried:
        return Invariants("all")
    theta, alpha = _indexed(turn, walk, step.total_strokes)
    if not _all_multiples(theta, 0.5):
        return Invariants("sphere")
    straight = (
        step.curve.straight
        and step.hand.direction == step.hand.centre == 0.0
        and _rate(walk) == 0.0
        and _all_multiples(alpha, 0.5)
    )
    if not straight or (
        _swapped(step) and not _all_multiples(np.array([step.direction / pi]), 0.5)
    ):
        return Invariants("curved")
    return Invariants(
        "ridges" if _all_multiples(theta, 1.0) else "even ridges", step.direction % pi
    )


def _turning(step: Step, turn: Turn, walk: Turn, off: bool) -> Invariants:
    """Classify a step that turns as it rubs: about one fixed point of both faces, or not."""
    about_centre = not (step.carry_centre and off)
    wanders = not step.hand.steady
    if isinstance(step.curve, Still):
        # Carried round by walking alone, the top turns about the middle of the bottom.
        fixed = about_centre or walk.angle == 0.0 or turn.angle == 0.0
    else:
        fixed = (
            step.curve.round
            and abs(_rate(turn) - 1.0) < CLOSE
            and (about_centre or walk.angle == 0.0)
            and not wanders
        )
    # After a swap each face would have to be round about two points at once.
    at_middle = isinstance(step.curve, Still) and not off
    if (
        not fixed
        or (wanders and step.hand.centre > 0.0)
        or (step.swap is not None and not at_middle)
    ):
        return Invariants("sphere")
    return Invariants("round")


def _swapped(step: Step) -> bool:
    """Whether the plates change places for sure, which readings alone do not say."""
    if step.swap is None or step.swap.read is not None:
        return False
    return strokes_in(step.swap.on_top[step.top], step.pace) < step.total_strokes


def _seen(turn: Turn, step: Step) -> Turn:
    """The same turn, none if the step is over before the first index."""
    return Turn() if turn.indexed and turn.every >= step.total_strokes else turn


def _rate(turn: Turn) -> float:
    """Whole turns a stroke while it rubs."""
    return 0.0 if turn.indexed else turn.angle / (2.0 * pi)


def _indexed(turn: Turn, walk: Turn, strokes: int) -> tuple[np.ndarray, np.ndarray]:
    """How the top lies and where the person stands at each index, in whole turns (n,)."""
    every = [t.every for t in (turn, walk) if t.indexed]
    at = np.unique(
        np.concatenate(
            [np.zeros(1, np.intp), *(np.arange(0, strokes, e)[:MOST_INDEXES] for e in every)]
        )
    )
    beta, alpha = (
        t.angle / (2.0 * pi) * (at // t.every) if t.indexed else np.zeros(at.shape)
        for t in (turn, walk)
    )
    return alpha + beta, alpha


def _all_multiples(turns: np.ndarray, of: float) -> bool:
    """True when all angles (n,), in whole turns, are whole multiples of a share of a turn."""
    return bool(
        np.all(np.abs(turns / of - np.round(turns / of)) < CLOSE * np.maximum(1.0, np.abs(turns)))
    )
