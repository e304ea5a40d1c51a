"""The curves along which the top is moved.

One stroke is out and back, a whole eight, once round.  A curve is drawn about the origin, its length along
x; `motion` turns it into place.  `phi` [rad] is counted on over strokes, 2 pi a stroke, so that a zigzag
knows where its traverse has got to.

A kind of stroke is one class with all that is known of it (sizes and how text gives them, how far it
reaches, its words) and one line in `KINDS`.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import lru_cache
from math import pi
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from lapwright.specification.quantities import ANGLE, LENGTH, quantity, read_place
from lapwright.specification.rates import Reader
from lapwright.specification.said import Said, refused, said_names, said_of
from lapwright.specification.table import whole
from lapwright.units import METRIC, Text, Units

Array = NDArray[np.float64]

NODES = 32  # Gauss points on each piece of a path
PIECES = 48  # of one stroke: a whole number of quarters, where lines and zigzags stop and turn
PASSES = 10  # strokes of a zigzag for one traverse there and back
# Strokes; a zigzag that does not close within them is taken as closing after `passes`.
LONGEST_PERIOD = 10_000


SMALL_SHARE = 1.0 / 3.0  # of a rosette's radius
# Turns of a rosette's small circle; at a ratio of 3 the path would stand still at its points.
RATIO = 5
PASSES_ARE = "a number of strokes for one traverse there and back"
SPAN = quantity(LENGTH, above="0 mm", most="2 m")
TURNED = quantity(ANGLE, least="-360 deg", most="360 deg")
PLACE = Reader(read_place, quantity(LENGTH).typed)


def _ratio(value: Any) -> int:
    number = whole(-1000, 1000, "the ratio of a rosette")(value)
    if number in (0, 1):
        raise refused(number, "makes a plain circle: write a ratio such as 5 or -4", "range")
    return number


class Curve:
    """A stroke's path; `phi` [rad] is the phase counted on over strokes, 2 pi a stroke.

    A kind of it is a frozen dataclass whose sizes are `Said` fields, that which sizes it first.
    """

    kind: ClassVar[str]  # its word in a study file, and for people
    paced: ClassVar[str] = "strokes"  # what is counted by the minute
    lies: ClassVar[bool] = False  # whether a person must know which way it lies
    straight: ClassVar[bool] = False  # out and back over the same line

    def position(self, phi: Array) -> Array:
        """Place along the curve, shape phi.shape + (2,) [m]."""
        raise NotImplementedError

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi, shape phi.shape + (2,) [m/rad]."""
        raise NotImplementedError

    @property
    def half_travel(self) -> float:
        """Half the full extent along its direction [m]."""
        raise NotImplementedError

    @classmethod
    def reaching(cls, half: float, **more: Any) -> Self:
        """The one of that half travel [m], evenly larger with it; `more`: its other sizes, else usual."""
        raise NotImplementedError

    @classmethod
    def least(cls, **more: Any) -> float:
        """Smallest half travel [m] that its other sizes leave."""
        return 0.0

    @property
    def period(self) -> float:
        """Strokes after which the path comes back on itself."""
        return 1.0

    @property
    def traverse(self) -> float:
        """Strokes of a slow traverse there and back that runs on beside the stroke; 0 where none does."""
        return 0.0

    @property
    def round(self) -> bool:
        """Whether it is a circle about its middle."""
        return False

    def corners(self) -> Array:
        """Phases of one period, beside quarters of strokes, at which the path is not smooth (n,) [rad]."""
        return np.empty(0)

    def scaled(self, by: float) -> Self:
        """The same shape, every length `by` times as long."""
        of = type(self)
        lengths = [name for name in said_names(of) if said_of(of, name).reader is SPAN]
        sizes = {name: by * getattr(self, name) for name in lengths}
        return replace(self, **sizes)  # type: ignore[type-var]

    def spoken(self, units: Units = METRIC) -> str:
        """Kind and size in words: "circle 53 mm across"."""
        return f"{self.kind} {units.length(2.0 * self.half_travel)} across"

    @property
    def manner(self) -> str:
        """What the hands do besides, for the card; nothing for most."""
        return ""


def _pairs(x: Array, y: Array) -> Array:
    return np.stack(np.broadcast_arrays(x, y), axis=-1)


class _Long(Curve):
    """A curve that is sized by its length."""

    length: Said[float]

    lies = True

    @property
    def half_travel(self) -> float:
        """Half the length [m]."""
        return 0.5 * self.length

    @classmethod
    def reaching(cls, half: float, **more: Any) -> Self:
        """By its length."""
        return cls(length=2.0 * half, **more)  # type: ignore[call-arg]


class _LongAndWide(_Long):
    """One that has a width as well; usually half the length."""

    width: Said[float]

    def __post_init__(self) -> None:
        if vars(self)["width"] is None:
            object.__setattr__(self, "width", 0.5 * self.length)

    def spoken(self, units: Units = METRIC) -> str:
        """Length by width."""
        long, wide = (Units.number(size / units.long.size) for size in (self.length, self.width))
        return f"{self.kind} {long} x {wide} {units.long.name}"


@dataclass(frozen=True)
class Still(Curve):
    """No travel at all."""

    kind = "still"

    @property
    def half_travel(self) -> float:
        """Nothing."""
        return 0.0

    @classmethod
    def reaching(cls, half: float, **more: Any) -> Self:
        """It has no size."""
        return cls()

    def spoken(self, units: Units = METRIC) -> str:
        """No travel."""
        return "no travel"

    def position(self, phi: Array) -> Array:
        """Zeros."""
        return np.zeros((*np.shape(phi), 2))

    velocity = position


@dataclass(frozen=True)
class Circle(Curve):
    """Once round a circle of `radius` [m], anticlockwise: r (cos phi, sin phi)."""

    kind = "circle"
    paced = "times round"
    radius: Said[float] = Said(SPAN)

    @property
    def round(self) -> bool:
        """It is."""
        return True

    @property
    def half_travel(self) -> float:
        """The radius [m]."""
        return self.radius

    @classmethod
    def reaching(cls, half: float, **more: Any) -> Self:
        """By its radius."""
        return cls(half)

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return self.radius * _pairs(np.cos(phi), np.sin(phi))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return self.radius * _pairs(-np.sin(phi), np.cos(phi))


@dataclass(frozen=True)
class Ellipse(_LongAndWide):
    """Once round an ellipse, `length` by `width` [m]: (L/2 cos phi, W/2 sin phi)."""

    kind = "ellipse"
    paced = "times round"
    length: Said[float] = Said(SPAN)
    width: Said[float] = Said(SPAN, "half the length", None)

    @property
    def round(self) -> bool:
        """Where it is as wide as long."""
        return self.length == self.width

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return 0.5 * _pairs(self.length * np.cos(phi), self.width * np.sin(phi))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return 0.5 * _pairs(-self.length * np.sin(phi), self.width * np.cos(phi))


@dataclass(frozen=True)
class Line(_Long):
    """Straight out and back over `length` [m], slowing towards the ends: (L/2 sin phi, 0)."""

    kind = "line"
    paced = "times out and back"
    straight = True
    length: Said[float] = Said(SPAN)

    def spoken(self, units: Units = METRIC) -> str:
        """How long."""
        return f"straight, {units.length(self.length)} long"

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return 0.5 * self.length * _pairs(np.sin(phi), np.zeros(np.shape(phi)))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        return 0.5 * self.length * _pairs(np.cos(phi), np.zeros(np.shape(phi)))


@dataclass(frozen=True)
class FigureEight(_LongAndWide):
    """A lying eight, `length` by `width` [m]: (L/2 sin phi, W/2 sin 2 phi)."""

    kind = "figure-eight"
    paced = "whole eights"
    length: Said[float] = Said(SPAN)
    width: Said[float] = Said(SPAN, "half the length", None)

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        return 0.5 * _pairs(self.length * np.sin(phi), self.width * np.sin(2.0 * np.asarray(phi)))

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        across = 2.0 * self.width * np.cos(2.0 * np.asarray(phi))
        return 0.5 * _pairs(self.length * np.cos(phi), across)


@dataclass(frozen=True)
class Zigzag(_LongAndWide):
    """A line of `length` with a slow even traverse over `width` [m], there and back in `passes` strokes.

    x = L/2 sin phi, y = W/2 triangle(phi / (2 pi passes)); the triangle starts in the middle, rising.
    """

    kind = "zigzag"
    paced = "times out and back"
    length: Said[float] = Said(SPAN)
    width: Said[float] = Said(SPAN, "half the length", None)
    passes: Said[float] = Said(whole(1, 100_000, PASSES_ARE), str(PASSES), None)

    def __post_init__(self) -> None:
        super().__post_init__()
        if vars(self)["passes"] is None:
            object.__setattr__(self, "passes", float(PASSES))

    @property
    def traverse(self) -> float:
        """There and back in `passes` strokes."""
        return self.passes

    def corners(self) -> Array:
        """The traverse turns at a quarter and at three quarters of itself."""
        return 2.0 * pi * self.passes * np.arange(0.25, self.period / self.passes, 0.5)

    @property
    def manner(self) -> str:
        """How slowly it creeps."""
        return f"creeping across and back in {Units.number(self.passes, 3, True)} strokes"

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
class Rosette(Curve):
    """A circle of radius `small` carried round one of `radius` [m], `ratio` (whole) turns to a stroke.

    radius (cos phi, sin phi) + small (cos(ratio phi), sin(ratio phi)); a negative ratio runs the other way.
    """

    kind = "rosette"
    paced = "times round"
    radius: Said[float] = Said(SPAN)
    small: Said[float] = Said(SPAN, "a third of the radius", None)
    ratio: Said[int] = Said(_ratio, str(RATIO), None)

    def __post_init__(self) -> None:
        if vars(self)["small"] is None:
            object.__setattr__(self, "small", SMALL_SHARE * self.radius)
        object.__setattr__(self, "ratio", int(vars(self)["ratio"] or RATIO))

    @property
    def half_travel(self) -> float:
        """Both radii [m]."""
        return self.radius + self.small

    @classmethod
    def reaching(cls, half: float, **more: Any) -> Self:
        """By its radius; the small circle is as large as it is said to be.

        Raises
        ------
        ValueError
            When the small circle leaves nothing for the other.

        """
        small = more.pop("small", half * SMALL_SHARE / (1.0 + SMALL_SHARE))
        if half - small < 0.0:
            wrong = "a small circle of {small:place} does not fit into half a travel of that size"
            raise ValueError(Text(wrong, small=small))
        return cls(half - small, small, **more)

    @classmethod
    def least(cls, **more: Any) -> float:
        """The small circle alone [m]."""
        return float(more.get("small", 0.0))

    def corners(self) -> Array:
        """Where the two circles run against each other the path may come to a point."""
        loops = abs(self.ratio - 1)
        return np.arange(1, 2 * loops, 2) * pi / max(loops, 1)

    @property
    def manner(self) -> str:
        """How many loops."""
        return f"{self.ratio} small loops to a round"

    def position(self, phi: Array) -> Array:
        """Place along the curve [m]."""
        turned = self.ratio * np.asarray(phi)
        carried = self.small * _pairs(np.cos(turned), np.sin(turned))
        return self.radius * _pairs(np.cos(phi), np.sin(phi)) + carried

    def velocity(self, phi: Array) -> Array:
        """Change of position with phi [m/rad]."""
        turned = self.ratio * np.asarray(phi)
        carried = self.ratio * self.small * _pairs(-np.sin(turned), np.cos(turned))
        return self.radius * _pairs(-np.sin(phi), np.cos(phi)) + carried


@lru_cache(maxsize=1)
def _gauss() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    return nodes, weights


def _breaks(curve: Curve) -> Array:
    """Phases of one period between which the path is smooth [rad]."""
    strokes = max(1, round(curve.period))
    ends = [np.arange(strokes * PIECES + 1) * (2.0 * pi / PIECES) * (curve.period / strokes)]
    ends.append(curve.corners())
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


# One line adds a kind of stroke; all that is known of it stands in its class.
KINDS: dict[str, type[Curve]] = {
    made.kind: made for made in (FigureEight, Circle, Ellipse, Line, Zigzag, Rosette, Still)
}

# What else the bench, and this program's own sentences, call a kind.
ALSO = {"eight": FigureEight.kind, "straight": Line.kind}


def size_names() -> dict[str, type[Curve]]:
    """Every size that some kind of stroke has, and a kind that has it."""
    return {name: of for of in KINDS.values() for name in said_names(of)}
