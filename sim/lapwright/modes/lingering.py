"""Pairs of faces that a step hardly touches: they all but fit at every place that it visits.

A top turned by two degrees in all, or a straight stroke a hair off a plate's clock with swaps, takes such a
pair out in the end, after more metal than anybody takes off.  `lapwright.lapping.kept` tells what never goes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log

import numpy as np
from numpy.typing import NDArray

from lapwright.modes.evolution import SLOW, Evolution
from lapwright.modes.named import named_errors
from lapwright.modes.nullspace import STAYS, kernel_of
from lapwright.modes.operator import Flow

__all__ = ["FITTING", "lingering"]

Array = NDArray[np.float64]
Solved = tuple[Flow, Evolution]

# What fits where nothing turns can all but fit; ridges only where the faces may change places.
FITTING = ("twists", "saddle in saddle", "bow in bow", "crown in crown", "winds", "ridges along")
DOUBLINGS = 40
STAYING = 0.5  # share left for ever, from which an error does not go at all


def lingering(solved: Sequence[Solved], times: Sequence[float], direction: float) -> Mapping[str, float]:
    """Fitting pairs that go so slowly that nobody waits for it, with the metal that halves them.

    Parameters
    ----------
    solved
        Flow and evolution as the top is first laid on; and those once they have changed places, if they do.
    times
        How long each lies on top at a time [s].
    direction : float
        Of the stroke on the bench [rad].

    Returns
    -------
    dict
        Depth off each plate, the mean of both [m], by the names of `lapwright.modes.named`.

    Raises
    ------
    DefectiveError
        When what the step leaves alone does not stay.

    """
    flow, first = solved[0]
    fastest = float(np.abs(first.rates).max(initial=0.0))
    if fastest == 0.0:
        return {}
    longest = log(2.0) / (SLOW * fastest)
    if len(solved) == 1:
        if not _any_slow(first.rates / fastest, SLOW):
            return {}
        half_lives = {e.name: (e.stays, e.half_life) for e in named_errors(flow, first, direction)}
    else:
        cycle, once = _by_turns(solved, times), sum(times)
        change = cycle - np.eye(cycle.shape[0])
        rates = np.linalg.eigvals(change)
        if not _any_slow(rates, once / longest):
            return {}
        lasting = kernel_of(change).projection
        half_lives = {
            e.name: _halved(cycle, lasting @ e.start, e.start, once)
            for e in named_errors(flow, first, direction)
            if e.name in FITTING
        }
    removal = _removal(solved, times)
    alike = flow.bottom.plate.outline == flow.top.plate.outline
    fitting = FITTING if alike else FITTING[:-1]
    found = ((name, *half_lives.get(name, (0.0, None))) for name in fitting)
    return {
        name: half * removal
        for name, stays, half in found
        if half is not None and stays < STAYING and half > longest
    }


def _any_slow(rates: NDArray[np.generic], below: float) -> bool:
    size = np.abs(rates)
    return bool(((size >= STAYS * size.max()) & (size < below)).any())


def _by_turns(solved: Sequence[Solved], times: Sequence[float]) -> Array:
    """What is left after each was on top once: (n, n), in the order of the first flow."""
    (flow, first), (_, second) = solved
    n, half = flow.matrix.shape[0], flow.bottom.size
    other = np.concatenate([np.arange(half, n), np.arange(half)])  # bottom and top change places
    after = np.zeros((n, n))
    after[np.ix_(other, other)] = second.map_over(times[1])[0]
    return after @ first.map_over(times[0])[0]


def _halved(cycle: Array, lasting: Array, start: Array, once: float) -> tuple[float, float | None]:
    """Share of a start (n,) that stays, and the time in which the rest is halved [s]; None: it all stays."""
    stays, rest = float(np.linalg.norm(lasting)), start - lasting
    goal = 0.5 * float(np.linalg.norm(rest))
    if goal < STAYS:
        return stays, None
    powers = [cycle]
    while np.linalg.norm(powers[-1] @ rest) > goal:
        if len(powers) > DOUBLINGS:
            return stays, None
        powers.append(powers[-1] @ powers[-1])
    cycles = 1
    for doubled in range(len(powers) - 2, -1, -1):
        ahead = powers[doubled] @ rest
        if np.linalg.norm(ahead) > goal:
            rest, cycles = ahead, cycles + 2**doubled
    return stays, cycles * once


def _removal(solved: Sequence[Solved], times: Sequence[float]) -> float:
    """Mean depth that both lose in a second [m/s]."""
    lost = [-0.5 * float(e.drift[0] + e.drift[flow.bottom.size]) for flow, e in solved]
    return sum(rate * time for rate, time in zip(lost, times, strict=True)) / sum(times)
