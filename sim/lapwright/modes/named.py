"""Errors by the names that the bench has for them, and how fast a motion halves each.

The shapes that die each at a rate of their own are seldom shapes that have a name, and many die at nearly the
same rate.  So each named pair of faces (two domes, the same twist on both, ridges along the stroke ...) is
followed as it is: what of it stays for ever is split off, and the time is sought in which the rms of the rest
is halved.

Where one face loses far more metal than the other, as a ring on a plate does, it soon takes the shape of what
it runs on, and its own errors go long before any pair does; they are followed too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import inf, log

import numpy as np
from numpy.typing import NDArray

from lapwright.modes.basis import PLANES, Basis
from lapwright.modes.evolution import Evolution
from lapwright.modes.operator import Flow

__all__ = ["NAMES", "OWN_NAMES", "Named", "named_errors", "quicker"]

Array = NDArray[np.float64]
Shape = Callable[[Array, Array], Array]

ROUND_NAMES = ("domes", "dome in dish", "saddles", "saddle in saddle", "twists", "opposite twists")
LONG_NAMES = ("bows", "bow in bow", "crowns", "crown in crown", "winds", "opposite winds")
FINER_NAMES = ("zone", "three lobes", "ridges along", "ridges across")
OWN_ROUND, OWN_LONG = ("own dome", "own saddle", "own twist"), ("own bow", "own crown", "own wind")
OWN_NAMES = (*OWN_ROUND, *OWN_LONG)
NAMES = (*ROUND_NAMES, *LONG_NAMES, *FINER_NAMES, *OWN_NAMES)
BOTTOM, TOP = 0, 1
UNLIKE = 1.5  # times the metal of the other that one face loses, from which its own errors are followed
RIDGES = 5  # degree of the profile that stands for ridges
NOTHING = 1e-6  # of the start: less than this left to die is nothing
DOUBLINGS = 60


@dataclass(frozen=True, eq=False)
class Named:
    """A pair of faces with a name.

    `start` (n,): stacked coefficients, their squares adding up to 1; `stays`: share of its rms that is
    left for ever; `half_life` [s] of the rest, None where nothing dies.  `face`: 0 of the bottom alone, 1 of
    the top alone, None of a pair.
    """

    name: str
    start: Array
    stays: float
    half_life: float | None
    face: int | None = None


def named_errors(
    flow: Flow, evolution: Evolution, direction: float = 0.0, slow_stays: bool = False
) -> tuple[Named, ...]:
    """All named errors of a pair under a flow.

    Parameters
    ----------
    flow : Flow
    evolution : Evolution
        Of the flow.
    direction : float
        Of the stroke on the bench [rad], for ridges along and across it.
    slow_stays : bool
        Whether, of what the face that loses most metal has, what dies so slowly that nobody waits for it
        counts as staying: the other face keeps it on land hardly rubbed.

    """
    found = []
    quick = quicker(flow, evolution)
    for name, face, start in _starts(flow, direction, quick):
        lasting = evolution.kernel.projection @ start
        if slow_stays and face is not None and face == quick:
            lasting = lasting + evolution.slow_part(start)
        rest = start - lasting
        size = float(np.linalg.norm(rest))
        half = _half_life(evolution, rest, size) if size > NOTHING else None
        found.append(Named(name, start, float(np.linalg.norm(lasting)), half, face))
    return tuple(found)


def quicker(flow: Flow, evolution: Evolution) -> int | None:
    """Which face loses far more metal than the other: 0 the bottom, 1 the top; None where they are alike."""
    bottom, top = -evolution.drift[0], -evolution.drift[flow.bottom.size]
    if top > UNLIKE * bottom:
        return TOP
    return BOTTOM if bottom > UNLIKE * top else None


def _half_life(evolution: Evolution, rest: Array, size: float) -> float:
    """Time after which the rms of what dies is half [s]."""
    parts, rates = evolution.left @ rest, evolution.rates

    def left(time: float) -> float:
        return float(np.linalg.norm((evolution.right @ (parts * np.exp(rates * time))).real)) / size

    low, high = 0.0, log(2.0) / float(np.abs(rates).max())
    for _ in range(DOUBLINGS):
        if left(high) <= 0.5:
            break
        low, high = high, 2.0 * high
    else:
        return inf
    for _ in range(DOUBLINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) > 0.5 else (low, middle)
    return high


def _starts(flow: Flow, direction: float, quick: int | None) -> list[tuple[str, int | None, Array]]:
    """Name, face and stacked coefficients of each; `quick`: the face whose own errors are among them."""
    faces = flow.bottom, flow.top
    long = all(face.plate.outline.long for face in faces)
    names = LONG_NAMES if long else ROUND_NAMES
    starts: list[tuple[str, int | None, Array]] = []
    radius = max(face.plate.outline.radius for face in faces)
    for k, form in enumerate(_forms(long)):
        # The same curvature on both, whatever their sizes: that is what fits.
        one, other = (_coefficients(face, form, radius) for face in faces)
        starts += [
            (names[2 * k], None, _unit(np.concatenate([one, other]))),
            (names[2 * k + 1], None, _unit(np.concatenate([one, -other]))),
        ]
    if quick is not None:
        own_long = faces[quick].plate.outline.long
        for name, form in zip(OWN_LONG if own_long else OWN_ROUND, _forms(own_long), strict=True):
            starts.append((name, quick, _on_one(faces, quick, form)))
    for which in (BOTTOM,) if quick is None else (quick, 1 - quick):
        for name, form, least in _finer(direction):
            if faces[which].degree >= least:
                starts.append((name, which, _on_one(faces, which, form)))
    return starts


def _on_one(faces: tuple[Basis, Basis], which: int, form: Shape) -> Array:
    """Stacked coefficients of a shape that one face has and the other has not."""
    own = _coefficients(faces[which], form, faces[which].plate.outline.radius)
    none = np.zeros(faces[1 - which].size)
    return _unit(np.concatenate([own, none] if which == BOTTOM else [none, own]))


def _forms(long: bool) -> tuple[Shape, Shape, Shape]:
    if long:
        return (lambda x, y: -x * x, lambda x, y: -y * y, lambda x, y: 2.0 * x * y)
    return (lambda x, y: -(x * x + y * y), lambda x, y: x * x - y * y, lambda x, y: 2.0 * x * y)


def _finer(direction: float) -> list[tuple[str, Shape, int]]:
    c, s = np.cos(direction), np.sin(direction)

    def zone(x: Array, y: Array) -> Array:
        r = x * x + y * y
        return 4.0 * r - 4.0 * r * r

    def across(x: Array, y: Array) -> Array:
        return _ridge(c * x + s * y)

    def along(x: Array, y: Array) -> Array:
        return _ridge(-s * x + c * y)

    return [
        ("zone", zone, 4),
        ("three lobes", lambda x, y: x**3 - 3.0 * x * y * y, 3),
        ("ridges along", along, RIDGES),
        ("ridges across", across, RIDGES),
    ]


def _ridge(x: Array) -> Array:
    """Chebyshev's polynomial: as many ridges of one height as its degree allows."""
    ridge: Array = np.cos(RIDGES * np.arccos(np.clip(x, -1.0, 1.0)))
    return ridge


def _coefficients(basis: Basis, shape: Shape, radius: float) -> Array:
    """A shape of x / radius and y / radius as coefficients, its plane left off."""
    coefficients = basis.fit(lambda x, y: shape(x / radius, y / radius))
    coefficients[:PLANES] = 0.0
    return coefficients


def _unit(start: Array) -> Array:
    unit: Array = start / float(np.linalg.norm(start))
    return unit
