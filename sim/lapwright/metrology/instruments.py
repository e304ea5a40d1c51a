"""The gauges: each says where it touches a face when it is set down somewhere, and how it scatters.

Adding one is a frozen class with `contacts`, one line in KINDS, one exact test; what it cannot do without is
a `Said` field with an example.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import cos, pi, sin
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.conditions import (
    BALL,
    FEET,
    FINE,
    FINE_SLOPE,
    SIZE,
    SIZE_SLOPE,
    SPAN,
    TURNED,
    USUAL,
    WAVELENGTH,
    WEDGE,
    Conditions,
)
from lapwright.metrology.contacts import (
    Contacts,
    Foot,
    Placement,
    bands,
    touching,
)
from lapwright.specification.outline import Outline, Rectangle
from lapwright.specification.quantities import quantity
from lapwright.specification.rates import Reader
from lapwright.specification.said import Frozen, Said, made, spelled
from lapwright.specification.table import text

Array = NDArray[np.float64]
RING_POINTS = 72  # places that stand for a whole ring
EYE = 0.1  # of a band: what a practised eye tells (common practice, no source)
APART = '"100 mm" (between its outer feet)'
FEEL = 5e-7  # [m]: what a practised hand repeats with a micrometer (common practice, no source)
EYE_BRIDGES = 6e-3  # [m]: grooves over which the eye follows a band (common practice, no source)


@dataclass(frozen=True)
class Zero(Frozen):
    """What the gauge was set to nought on.

    "flat": a flat, or (a level) true level; "master": a master that it should read as `size` [m, rad] on;
    "plate": another `plate`, so that it reads the difference; "unknown": wherever it happened to stand, so
    that only differences between readings of one session mean anything.
    """

    on: Literal["flat", "master", "plate", "unknown"] = "flat"
    size: float = 0.0
    plate: str = ""

    def typed(self, size: Callable[[float], str]) -> str:
        """As a study says it, with the way back of a master's `size`."""
        return (
            self.plate
            if self.on == "plate"
            else size(self.size)
            if self.on == "master"
            else self.on
        )


def zeroed(size: quantity) -> Reader:
    """A reader of what a gauge was set to nought on: "flat", "unknown", a master's size, or else a plate."""

    def read(value: Any) -> Zero:
        if isinstance(value, Mapping):
            return made(Zero)(value)
        word = value.strip().lower() if isinstance(value, str) else ""
        if word in ("flat", "unknown"):
            return Zero("flat" if word == "flat" else "unknown")
        if word and not re.search(r"\d", word):
            return Zero("plate", plate=value)
        return Zero("master", size=size(value))

    return Reader(read, lambda zero: zero.typed(size.typed))


@dataclass(frozen=True, kw_only=True)
class Gauge(Frozen):
    """An instrument: how it scatters, what it was zeroed on, and where it touches; of an angle gauge in rad.

    `name`: what the person calls it.  `resolution`: step of its dial [m].  `repeatability`: scatter of one
    reading, one standard deviation [m].  `hysteresis`: how far readings from above and from below lie apart
    [m].  `zero`: what it was zeroed on, and `zero_error` the standard uncertainty of that, the same all
    through a session [m].  `ball`, `pad`: radius and width of what its feet end in [m].  `conditions`: how
    plates lie and how warm they are under it.  Of a kind: `angular`, it reads rad, not m; `lined`, it is
    walked along lines, not set down once; `per_line`, it is set up anew for every line, with a zero of its
    own; `pointer`, what of the face its reading is of, None for the middle.
    """

    name: str = ""
    resolution: Said[float] = Said(FINE, default=0.0)
    repeatability: Said[float] = Said(FINE, default=0.0)
    hysteresis: Said[float] = Said(FINE, default=0.0)
    zero: Said[Zero] = Said(zeroed(SIZE), "flat")
    zero_error: Said[float] = Said(FINE, default=0.0)
    ball: Said[float | None] = Said(BALL, default=None)
    pad: Said[float] = Said(BALL, default=0.0)
    conditions: Said[Conditions] = Said(Reader(made(Conditions), spelled), default=USUAL)
    note: Said[str] = Said(text, default="")

    kind: ClassVar[str]
    angular: ClassVar[bool] = False
    lined: ClassVar[bool] = False
    per_line: ClassVar[bool] = False
    pointer: ClassVar[str | None] = None

    @property
    def foot(self) -> Foot:
        """Balls, pads, or points."""
        return Foot(self.ball or 0.0, self.pad)

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """Where it touches a face of this outline, set down at a place; each kind says it.

        Parameters
        ----------
        place : Placement
            Where its middle stands and how it is turned.
        outline : Outline
            Of the working face.

        Returns
        -------
        Contacts
            Points (n, 2) [m] and the weight of each in the reading.

        """
        raise NotImplementedError


def _on_circle(number: int, radius: float, first: float) -> Array:
    angle = first + 2.0 * pi * np.arange(number) / number
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


@dataclass(frozen=True, kw_only=True)
class Spherometer(Gauge):
    """Reads the middle over the mean of its feet; `foot_circle` [m] is a diameter.

    Three feet or more, the first at 12 o'clock at angle 0, or a "ring", which is taken to touch all round: on
    a saddle a stiff ring rocks, and reads what its highest places say.
    """

    kind: ClassVar[str] = "spherometer"
    foot_circle: Said[float] = Said(SPAN, example='"80 mm" (across the feet)')
    feet: Said[int | str] = Said(FEET, "3", 3)

    @property
    def foot(self) -> Foot:
        """A ring lies over grooves; feet end in balls, pads or points."""
        return Foot(eye=self.foot_circle) if self.feet == "ring" else super().foot

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The middle and the feet."""
        number = RING_POINTS if self.feet == "ring" else int(self.feet)
        points = np.vstack([np.zeros(2), _on_circle(number, 0.5 * self.foot_circle, 0.5 * pi)])
        return touching(place, points, np.append(1.0, np.full(number, -1.0 / number)))

    def sag(self, radius: float) -> float:
        """What it reads on a ball of this radius [m] (+ dome, - dish), its own ball feet counted, exactly.

        The middles of these lie on a sphere of radius + ball over a dome and radius - ball in a dish.  Plane
        geometry.
        """
        foot, ball = 0.5 * self.foot_circle, self.ball or 0.0
        about = abs(radius) + (ball if radius > 0.0 else -ball)
        # The same as about - sqrt(about^2 - a^2) without its loss of digits on nearly flat faces.
        sag: float = foot**2 / (about + (about**2 - foot**2) ** 0.5)
        return sag if radius > 0.0 else -sag

    def radius(self, reading: float) -> float:
        """Radius of the face [m] (+ dome, - dish) from what it reads: (h^2 + a^2)/(2h), less the ball.

        That is for a dome; for a dish the ball is added in size; the other way round is a common mistake.
        """
        foot, ball = 0.5 * self.foot_circle, self.ball or 0.0
        size = (reading**2 + foot**2) / (2.0 * abs(reading))
        return size - ball if reading > 0.0 else -(size + ball)


@dataclass(frozen=True, kw_only=True)
class TwistGauge(Gauge):
    """Reads the pair of feet at 1:30 and 7:30 (at angle 0) over the other pair: mean over mean.

    Four feet on `foot_circle` [m, a diameter], or at the corners of `base` (along) by `width` (across) [m].
    """

    kind: ClassVar[str] = "twist gauge"
    pointer: ClassVar[str | None] = "first pair of feet"
    foot_circle: Said[float | None] = Said(SPAN, default=None)
    base: Said[float | None] = Said(SPAN, default=None)
    width: Said[float | None] = Said(SPAN, default=None)

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The four feet, anticlockwise from 1:30."""
        if self.base is not None and self.width is not None:
            half = np.array([0.5 * self.base, 0.5 * self.width])
        else:
            half = np.full(2, 0.5 * (self.foot_circle or 0.0) * cos(0.25 * pi))
        points = half * np.array([[1.0, 1.0], [-1.0, 1.0], [-1.0, -1.0], [1.0, -1.0]])
        return touching(place, points, np.array([0.5, -0.5, 0.5, -0.5]))


@dataclass(frozen=True, kw_only=True)
class RepeatReading(Gauge):
    """Three pads in line, base/2 apart; reads the middle one over the mean of the ends.

    It is zeroed on the face itself, and only the change from place to place is read.
    """

    kind: ClassVar[str] = "repeat reading"
    base: Said[float] = Said(SPAN, example=APART)
    zero: Said[Zero] = Said(zeroed(SIZE), "unknown")

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The middle and the ends."""
        points = 0.5 * self.base * np.array([[0.0, 0.0], [-1.0, 0.0], [1.0, 0.0]])
        return touching(place, points, np.array([1.0, -0.5, -0.5]))


@dataclass(frozen=True, kw_only=True)
class Straightedge(Gauge):
    """Stands on two supports `base` [m] apart; an indicator reads the face under it, from their line."""

    kind: ClassVar[str] = "straightedge"
    base: Said[float] = Said(SPAN, example=APART)

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The indicator at `place.along`, and the two supports."""
        share = place.along / self.base
        points = np.array([[place.along, 0.0], [-0.5 * self.base, 0.0], [0.5 * self.base, 0.0]])
        return touching(place, points, np.array([1.0, -(0.5 - share), -(0.5 + share)]))


@dataclass(frozen=True, kw_only=True)
class Bridge(Gauge):
    """An indicator on a bridge that stands beside the plate and is swept over it, along a line or a grid.

    Height and tilt of the bridge over the plate are unknown; they are the same all through a session.
    """

    kind: ClassVar[str] = "bridge"
    lined: ClassVar[bool] = True
    pointer: ClassVar[str | None] = ""

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The indicator."""
        return touching(place, np.array([[place.along, 0.0]]), np.ones(1))


@dataclass(frozen=True, kw_only=True)
class Level(Gauge):
    """Two feet `base` [m] apart; reads the slope [rad], + up towards `angle`.

    How the plate lies is unknown.
    """

    kind: ClassVar[str] = "level"
    angular: ClassVar[bool] = True
    lined: ClassVar[bool] = True
    base: Said[float] = Said(SPAN, example=APART)
    resolution: Said[float] = Said(FINE_SLOPE, default=0.0)
    repeatability: Said[float] = Said(FINE_SLOPE, default=0.0)
    hysteresis: Said[float] = Said(FINE_SLOPE, default=0.0)
    zero: Said[Zero] = Said(zeroed(SIZE_SLOPE), "flat")
    zero_error: Said[float] = Said(FINE_SLOPE, default=0.0)

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The two feet."""
        points = np.array([[-0.5, 0.0], [0.5, 0.0]]) * self.base
        points[:, 0] += place.along
        return touching(place, points, np.array([-1.0, 1.0]) / self.base)


@dataclass(frozen=True, kw_only=True)
class Autocollimator(Level):
    """A mirror on two feet `base` [m] apart, watched along one line at a time, each with its own zero."""

    kind: ClassVar[str] = "autocollimator"
    per_line: ClassVar[bool] = True
    zero: Said[Zero] = Said(zeroed(SIZE_SLOPE), "unknown")


@dataclass(frozen=True, kw_only=True)
class OpticalFlat(Gauge):
    """Bands under a flat: reads the middle over the ends along a diameter of the flat that lies on the face.

    `diameter` of the flat and `wavelength` of the lamp [m]; a flat larger than the plate shows the whole
    plate, and on a ring the inner edge is read over the outer.  `wedge` [rad] opens towards `wedge_direction`
    [rad].  `own` [m]: how much the flat itself bulges over its diameter (+), which is taken off.
    """

    kind: ClassVar[str] = "optical flat"
    diameter: Said[float] = Said(SPAN, example='"75 mm"')
    wavelength: Said[float] = Said(WAVELENGTH, "sodium")
    wedge: Said[float] = Said(WEDGE, default=0.0)
    wedge_direction: Said[float] = Said(TURNED, default=0.0)
    own: Said[float] = Said(SIZE, default=0.0)

    @property
    def foot(self) -> Foot:
        """The eye follows a band over a narrow groove."""
        return Foot(eye=EYE_BRIDGES)

    @property
    def band(self) -> float:
        """Height of one band [m]: half a wave."""
        return 1.0 / bands(1.0, self.wavelength)

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The middle and the two ends of the diameter, as far as there is a face under them."""
        half = _reach(place, outline, 0.5 * self.diameter)
        inner = 0.5 * outline.bore if np.hypot(*place.at) < 0.5 * outline.bore else 0.0
        points = np.array([[inner, 0.0], [-inner, 0.0], [half, 0.0], [-half, 0.0]])
        return touching(place, points, np.array([0.5, 0.5, -0.5, -0.5]))

    def own_share(self, place: Placement, outline: Outline) -> float:
        """How much the flat's own bulge adds to what is read there [m]."""
        x = self.contacts(place, outline)
        u = np.hypot(x.x - place.at[0], x.y - place.at[1]) / (0.5 * self.diameter)
        return float(-self.own * (x.weight * u**2).sum())


@dataclass(frozen=True, kw_only=True)
class Micrometer(Gauge):
    """Reads how thick a body is at a place of its face; the back is taken as flat.

    Of the form of the face it tells what a bridge does, whose height and tilt are size and wedge.
    """

    kind: ClassVar[str] = "micrometer"
    pointer: ClassVar[str | None] = ""

    def contacts(self, place: Placement, outline: Outline) -> Contacts:
        """The spindle."""
        return touching(place, np.array([[place.along, 0.0]]), np.ones(1))


INSIDE = 0.9  # of the way to the edge: where a micrometer reads (common practice, no source)


def near_rim(outline: Outline, angle: float) -> tuple[float, float]:
    """Where a micrometer reads in a direction: on the middle of a ring's land, else a tenth in from the edge.

    Parameters
    ----------
    outline : Outline
        Of the face.
    angle : float
        Anticlockwise from 3 o'clock, looking at the face [rad].

    Returns
    -------
    tuple of float
        From the middle [m].

    """
    c, s = cos(angle), sin(angle)
    half = 0.5 * outline.smaller
    if isinstance(outline, Rectangle):
        sides = zip(outline.size, (abs(c), abs(s)), strict=True)
        half = min(0.5 * side / share for side, share in sides if share > 1e-12)
    far = 0.5 * (half + 0.5 * outline.bore) if outline.bore else INSIDE * half
    return round(far * c, 12), round(far * s, 12)  # to a picometre: no round-off of an angle


def _reach(place: Placement, outline: Outline, half: float) -> float:
    """How far both ways along a line through a place there is a face, `half` [m] at most."""
    step = half * np.arange(1, 401) / 400.0
    c, s = cos(place.angle), sin(place.angle)
    ends = np.concatenate([step, -step])
    off = outline.signed_distance(place.at[0] + c * ends, place.at[1] + s * ends)
    # A point in the bore is no end of the face.
    off = np.where(
        np.hypot(place.at[0] + c * ends, place.at[1] + s * ends) < 0.5 * outline.bore, 0.0, off
    )
    out = np.flatnonzero(off.reshape(2, -1).max(axis=0) > 1e-12)
    if out.size == 0:
        return half
    if out[0] == 0:
        return 0.0
    inside, outside = step[out[0] - 1], step[out[0]]
    for _ in range(40):
        middle = 0.5 * (inside + outside)
        ends = np.array([middle, -middle])
        over = outline.signed_distance(place.at[0] + c * ends, place.at[1] + s * ends).max()
        inside, outside = (middle, outside) if over <= 0.0 else (inside, middle)
    return float(inside)


KINDS = {
    made.kind: made
    for made in (
        Spherometer,
        TwistGauge,
        RepeatReading,
        Straightedge,
        Bridge,
        Level,
        Autocollimator,
        OpticalFlat,
        Micrometer,
    )
}
