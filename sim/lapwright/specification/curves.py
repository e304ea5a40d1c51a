"""The curves along which the top is moved, and a stroke as a person says it.

One stroke is out and back, a whole eight, once round.  A curve is drawn about the origin, its length along
x; `motion` turns it into place.  `phi` [rad] is counted on over strokes, 2 pi a stroke, so that a zigzag
knows where its traverse has got to.

A stroke as a person says it: its kind, and its size by itself, by travel or by overhang.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import pi
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.quantities import ANGLE, LENGTH, quantity, read_place, read_share
from lapwright.specification.rates import Reader, typed_share
from lapwright.specification.said import Frozen, RefusedError, Said, shown
from lapwright.specification.table import choice, whole

__all__ = [
    "KINDS",
    "PLACE",
    "RATIO",
    "SMALL_SHARE",
    "SPAN",
    "TRAVEL",
    "TURNED",
    "Circle",
    "Curve",
    "Ellipse",
    "FigureEight",
    "Line",
    "Overhang",
    "Rosette",
    "Still",
    "Stroke",
    "Zigzag",
    "arc_middle",
    "arc_moments",
    "path_length",
]


Array = NDArray[np.float64]

NODES = 32  # Gauss points on each piece of a path
PIECES = 48  # of one stroke: a whole number of quarters, where lines and zigzags stop and turn
PASSES = 10  # strokes of a zigzag for one traverse there and back
LONGEST_PERIOD = (
    10_000  # strokes; a zigzag that does not close within them is taken as closing after `passes`
)


class Curve(Protocol):
    """A stroke's path; `phi` [rad] is the phase counted on over strokes, 2 pi a stroke."""

    def position(self, phi: Array) -> Array:
        """Place along the curve, shape phi.shape + (2,) [m]."""

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi, shape phi.shape + (2,) [m/rad]."""

    @property
    def period(self) -> float:
        """Strokes after which the path comes back on itself."""


def _pairs(x: Array, y: Array) -> Array:
    return np.stack(np.broadcast_arrays(x, y), axis=-1)


class _EveryStroke:
    """A curve that closes after one stroke."""

    @property
    def period(self) -> float:
        """One stroke."""
        return 1.0


@dataclass(frozen=True)
class Still(_EveryStroke):
    """No travel at all."""

    def position(self, phi: Array) -> Array:
        """Zeros."""
        return np.zeros((*np.shape(phi), 2))

    def velocity(self, phi: Array) -> Array:
        """Zeros."""
        return np.zeros((*np.shape(phi), 2))


@dataclass(frozen=True)
class Circle(_EveryStroke):
    """Once round a circle of `radius` [m], anticlockwise: r (cos phi, sin phi)."""

    radius: float

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return self.radius * _pairs(np.cos(phi), np.sin(phi))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return self.radius * _pairs(-np.sin(phi), np.cos(phi))


@dataclass(frozen=True)
class Ellipse(_EveryStroke):
    """Once round an ellipse, `length` by `width` [m]: (L/2 cos phi, W/2 sin phi)."""

    length: float
    width: float

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return 0.5 * _pairs(self.length * np.cos(phi), self.width * np.sin(phi))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return 0.5 * _pairs(-self.length * np.sin(phi), self.width * np.cos(phi))


@dataclass(frozen=True)
class Line(_EveryStroke):
    """Straight out and back over `length` [m], slowing towards the ends: (L/2 sin phi, 0)."""

    length: float

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return 0.5 * self.length * _pairs(np.sin(phi), np.zeros(np.shape(phi)))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return 0.5 * self.length * _pairs(np.cos(phi), np.zeros(np.shape(phi)))


@dataclass(frozen=True)
class FigureEight(_EveryStroke):
    """A lying eight, `length` by `width` [m]: (L/2 sin phi, W/2 sin 2 phi)."""

    length: float
    width: float

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return 0.5 * _pairs(self.length * np.sin(phi), self.width * np.sin(2.0 * np.asarray(phi)))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return 0.5 * _pairs(
            self.length * np.cos(phi), 2.0 * self.width * np.cos(2.0 * np.asarray(phi))
        )


@dataclass(frozen=True)
class Zigzag:
    """A line of `length` with a slow even traverse over `width` [m], there and back in `passes` strokes.

    x = L/2 sin phi, y = W/2 triangle(phi / (2 pi passes)); the triangle starts in the middle, rising.
    """

    length: float
    width: float
    passes: float = float(PASSES)

    @property
    def period(self) -> float:
        """Strokes after which both the line and the traverse are back: `passes` when that is whole."""
        exact = Fraction(self.passes).limit_denominator(64)
        closes = exact.numerator
        if closes > LONGEST_PERIOD or abs(float(exact) - self.passes) > 1e-9 * self.passes:
            return self.passes
        return float(closes)

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        traverse = (np.asarray(phi) / (2.0 * pi * self.passes) + 0.25) % 1.0
        triangle = 1.0 - 4.0 * np.abs(traverse - 0.5)
        return 0.5 * _pairs(self.length * np.sin(phi), self.width * triangle)

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        traverse = (np.asarray(phi) / (2.0 * pi * self.passes) + 0.25) % 1.0
        slope = np.where(traverse < 0.5, 4.0, -4.0) / (2.0 * pi * self.passes)
        return 0.5 * _pairs(self.length * np.cos(phi), self.width * slope)


@dataclass(frozen=True)
class Rosette(_EveryStroke):
    """A circle of radius `small` carried round one of `radius` [m], `ratio` (whole) turns to a stroke.

    radius (cos phi, sin phi) + small (cos(ratio phi), sin(ratio phi)); a negative ratio runs the other way.
    """

    radius: float
    small: float
    ratio: int

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        turned = self.ratio * np.asarray(phi)
        return self.radius * _pairs(np.cos(phi), np.sin(phi)) + self.small * _pairs(
            np.cos(turned), np.sin(turned)
        )

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        turned = self.ratio * np.asarray(phi)
        return self.radius * _pairs(-np.sin(phi), np.cos(phi)) + self.ratio * self.small * _pairs(
            -np.sin(turned), np.cos(turned)
        )


@lru_cache(maxsize=1)
def _gauss() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


def _breaks(curve: Curve) -> Array:
    """Phases of one period between which the path is smooth [rad]."""
    strokes = max(1, round(curve.period))
    ends = [np.arange(strokes * PIECES + 1) * (2.0 * pi / PIECES) * (curve.period / strokes)]
    if isinstance(curve, Zigzag):
        # The traverse turns at a quarter and at three quarters of itself.
        turns = np.arange(0.25, curve.period / curve.passes, 0.5)
        ends.append(2.0 * pi * curve.passes * turns)
    if isinstance(curve, Rosette) and curve.ratio != 1:
        # Where the two circles run against each other the path may come to a point.
        loops = abs(curve.ratio - 1)
        ends.append(np.arange(1, 2 * loops, 2) * pi / loops)
    return np.unique(np.concatenate(ends))


def _along(curve: Curve, value: Callable[[Array], Array]) -> Array:
    """Integrate value(phi) |d position| over one period; value has shape phi.shape + (...)."""
    nodes, weights = _gauss()
    ends = _breaks(curve)
    half = 0.5 * np.diff(ends)[:, None]
    phi = (ends[:-1, None] + half + half * nodes).ravel()
    speed = np.hypot(*np.moveaxis(curve.velocity(phi), -1, 0))
    step = (half * weights).ravel() * speed
    result: Array = np.tensordot(step, value(phi), axes=1)
    return result


def path_length(curve: Curve) -> float:
    """Length of the path over one period of the curve [m], by Gauss-Legendre quadrature piece by piece."""
    return float(_along(curve, lambda phi: np.ones(phi.shape)))


def arc_middle(curve: Curve) -> Array:
    """Mean place over one period, weighted by arc length, from the curve's origin (2,) [m]."""
    length = path_length(curve)
    return _along(curve, curve.position) / length if length > 0.0 else np.zeros(2)


def arc_moments(curve: Curve) -> Array:
    """Mean of c c^T over one period, weighted by arc length, about the curve's origin (2, 2) [m2].

    This mean is what moves the domes of a pair against each other, whatever the contact (the moment law).
    """

    def products(phi: Array) -> Array:
        c = curve.position(phi)
        return c[:, :, None] * c[:, None, :]

    length = path_length(curve)
    if length == 0.0:
        return np.zeros((2, 2))
    return _along(curve, products) / length


Overhang = tuple[bool, float]  # whether it is a length, and its size [m] or share

TRAVEL = 1.0 / 3.0  # of the top
SMALL_SHARE = 1.0 / 3.0  # of a rosette's radius
RATIO = (
    5  # turns of a rosette's small circle; at a ratio of 3 the path would stand still at its points
)

# What sizes each kind, and what more belongs to it.
KINDS: dict[str, tuple[str | None, tuple[str, ...]]] = {
    "figure-eight": ("length", ("width",)),
    "circle": ("radius", ()),
    "ellipse": ("length", ("width",)),
    "line": ("length", ()),
    "zigzag": ("length", ("width", "passes")),
    "rosette": ("radius", ("small", "ratio")),
    "still": (None, ()),
}

PASSES_ARE = "a number of strokes for one traverse there and back"
SPAN = quantity(LENGTH, above="0 mm", most="2 m")
TURNED = quantity(ANGLE, least="-360 deg", most="360 deg")
PLACE = Reader(read_place, quantity(LENGTH).typed)
_length = quantity(LENGTH, least="-2 m", most="2 m")


def _travel(value: Any) -> float:
    share = read_share(value)
    if not 0.0 < share <= 2.0:
        raise RefusedError(
            f'{shown(value)} cannot be: travel is a share of the top, such as "1/3" or "33 %", 200 % at most',
            "range",
        )
    return share


def _overhang(value: Any) -> Overhang:
    """Whether an overhang is a length, and its size: a share of the top's width, or m."""
    how = 'write a share of the top, such as "17 %", or a length, such as "27 mm"'
    try:
        share = read_share(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise RefusedError(f"{trouble.message}; {how}", trouble.code) from None
        try:
            return True, _length(value)
        except RefusedError as second:
            if second.code == "range":
                raise
            raise RefusedError(f"{shown(value)} is no overhang: {how}", second.code) from None
    if not -1.0 < share < 0.5:
        raise RefusedError(
            f"{shown(value)} cannot be: from 50 % on every top tips off; {how}", "range"
        )
    return False, share


def _typed_overhang(overhang: Overhang) -> str:
    by_length, size = overhang
    return _length.typed(size) if by_length else typed_share(size)


def _ratio(value: Any) -> int:
    number = whole(-1000, 1000, "the ratio of a rosette")(value)
    if number in (0, 1):
        raise RefusedError(
            f"{shown(number)} makes a plain circle: write a ratio such as 5 or -4", "range"
        )
    return number


@dataclass(frozen=True)
class Stroke(Frozen):
    """A stroke that the plates have yet to size: its kind, one size, and what more belongs to the kind.

    `length` or `radius` [m], or `travel` (a share of the top's width) or `overhang` (a share, or a length);
    with none of them, the usual travel.
    """

    kind: Said[str] = Said(choice(tuple(KINDS), "a kind of stroke"), "figure-eight")
    length: Said[float | None] = Said(SPAN, default=None)
    radius: Said[float | None] = Said(SPAN, default=None)
    width: Said[float | None] = Said(SPAN, "half the length", None)
    small: Said[float | None] = Said(SPAN, "a third of the radius", None)
    passes: Said[int | None] = Said(whole(1, 100_000, PASSES_ARE), str(PASSES), None)
    ratio: Said[int | None] = Said(_ratio, str(RATIO), None)
    travel: Said[float | None] = Said(Reader(_travel, typed_share), "1/3", None, bare=False)
    overhang: Said[Overhang | None] = Said(
        Reader(_overhang, _typed_overhang), default=None, bare=False
    )

    def position(self, phi: Array) -> Array:
        """None yet.

        Raises
        ------
        ValueError
            Always.

        """
        raise ValueError("a stroke has no size before a Study has sized it by its plates")

    velocity = position

    @property
    def period(self) -> float:
        """One stroke, as far as is known."""
        return 1.0
