"""How far the top hangs over the edge, where it tips, and how large a stroke is that hangs out by so much.

Overhang is measured between the outer outlines: a bore is nothing to hang over.  What supports is the land,
so lifting and tipping take the rim that is cut away off the outline (`land_outline`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import cos, hypot, pi, sin

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import NoOverlapError
from lapwright.kinematics.motion import Motion, Poses
from lapwright.kinematics.overlap import overlap
from lapwright.specification.curves import KINDS, Curve
from lapwright.specification.outline import Disc, Outline, Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.said import said_names
from lapwright.specification.step import TRAVEL, Grit, Hand, Layer, Step, Turn, Wear
from lapwright.units import Text

Array = NDArray[np.float64]
Point = tuple[float, float]

PHASES = 96  # places in a stroke that are looked at: quarters of it among them
FOLLOWED = 100  # strokes looked at one after another, and as many again spread over the whole step
DIRECTIONS = 48
BORED_POSES = 300
ALIKE = 0.002  # of the width: shares closer than this are alike


def land_outline(plate: Plate) -> Outline:
    """Outline of the land: that of the plate less the rim of its grooves [m]."""
    rim = plate.grooves.rim if plate.grooves else 0.0
    inner = plate.outline.shrunk(rim) if rim > 0.0 else plate.outline
    return plate.outline if inner is None else inner


def _outer(outline: Outline) -> Outline:
    """The same without its bore."""
    return Disc(2.0 * outline.radius) if outline.bore > 0.0 else outline


def overhangs(top: Outline, bottom: Outline, c: Array, theta: Array) -> tuple[Array, Array]:
    """Overhang [m] at many poses and as a share of the top's width there.

    Parameters
    ----------
    top, bottom : Outline
    c : Array
        Places of the top's centre (n, 2) [m].
    theta : Array
        How the top is turned (n,) [rad].

    Returns
    -------
    length : Array
        Largest signed distance of the top's outline outside the bottom's (n,) [m]; below zero inside.
    share : Array
        Largest share of the top's extent in the direction in which it hangs out (n,).

    Notes
    -----
    A long top may hang out furthest over its end and by the larger share over its side; each is told.
    Signed distance to a convex face is a convex function of slope 1, so its largest value over a disc is the
    value at the centre plus the radius, and over a polygon that at a corner.

    """
    below, above = _outer(bottom), _outer(top)
    if isinstance(above, Rectangle):
        out, share, _, _ = _corners(above, below, c, theta)
        return out.max(axis=1), share.max(axis=1)
    length = below.signed_distance(c[:, 0], c[:, 1]) + above.radius
    return length, length / (2.0 * above.radius)


def _corners(
    above: Rectangle, below: Outline, c: Array, theta: Array
) -> tuple[Array, Array, Array, Array]:
    """Of each corner (n, 4): overhang [m], that as a share of the width there, and which way (two arrays)."""
    corners = above.polygon(4)
    cos_, sin_ = np.cos(theta)[:, None], np.sin(theta)[:, None]
    x = c[:, :1] + cos_ * corners[:, 0] - sin_ * corners[:, 1]
    y = c[:, 1:] + sin_ * corners[:, 0] + cos_ * corners[:, 1]
    out = below.signed_distance(x, y)
    nx, ny = _outwards(below, x, y)
    # The top's own axes, turned with it; outlines are the same in a mirror.
    across = (
        np.abs(cos_ * nx + sin_ * ny) * above.along + np.abs(cos_ * ny - sin_ * nx) * above.across
    )
    return out, out / across, nx, ny


def outwards(top: Outline, bottom: Outline, c: Point, theta: float = 0.0) -> Point:
    """Unit vector over the edge that the top hangs out over most; (1, 0) where all ways are alike."""
    below, above = _outer(bottom), _outer(top)
    at = np.array([c], dtype=float)
    if isinstance(above, Rectangle):
        _, share, nx, ny = _corners(above, below, at, np.array([theta]))
        k = int(share[0].argmax())
        return float(nx[0, k]), float(ny[0, k])
    x, y = _outwards(below, at[:, 0], at[:, 1])
    return float(x[0]), float(y[0])


def _outwards(outline: Outline, x: Array, y: Array) -> tuple[Array, Array]:
    """Unit vector away from a convex face at points, from its nearest edge or corner."""
    if isinstance(outline, Rectangle):
        dx, dy = np.abs(x) - 0.5 * outline.along, np.abs(y) - 0.5 * outline.across
        inside = np.maximum(dx, dy) <= 0.0
        nx = np.where(inside, dx >= dy, np.maximum(dx, 0.0)) * np.where(x < 0.0, -1.0, 1.0)
        ny = np.where(inside, dx < dy, np.maximum(dy, 0.0)) * np.where(y < 0.0, -1.0, 1.0)
    else:
        nx, ny = x, y
    long = np.hypot(nx, ny)
    still = long == 0.0
    return np.where(still, 1.0, nx) / np.where(still, 1.0, long), ny / np.where(still, 1.0, long)


def overhang(top: Outline, bottom: Outline, c: Point, theta: float = 0.0) -> float:
    """Largest signed distance of the top's outline outside the bottom's [m]; below zero inside."""
    return float(overhangs(top, bottom, np.array([c], dtype=float), np.array([theta]))[0][0])


def standing_margin(top: Outline, bottom: Outline, c: Point, theta: float, point: Point) -> float:
    """How far the load's line runs inside the overlap's hull in one pose [m]; -inf where nothing overlaps."""
    if top.bore == 0.0 and bottom.bore == 0.0:
        return float(margins(top, bottom, np.array([c]), np.array([theta]), np.array([point]))[0])
    try:
        return overlap(top, bottom, c, theta).margin(point)
    except NoOverlapError:
        return -np.inf


@dataclass(frozen=True)
class Worst:
    """The worst that a step does over all the poses it visits (the hand's scatter not counted).

    `overhang` [m] and `share` of the top's width, each the largest; `at`, `share_at` stroke numbers (float)
    of both.  `margin` [m]: least distance of the load's line
    inside the overlap's hull (below zero: the top tips off; -inf: it does not even lie on the bottom),
    `margin_at` its stroke number.
    """

    overhang: float
    share: float
    at: float
    share_at: float
    margin: float
    margin_at: float


def visited_strokes(motion: Motion) -> NDArray[np.int64]:
    """Strokes of a step that stand for all of its angles: some in a row, as many again spread out."""
    total = motion.step.total_strokes
    same = motion.fixed_angle and not motion.index_every and motion.step.walk.angle == 0.0
    if same and motion.step.curve.period == 1.0:
        return np.zeros(1, dtype=np.int64)
    row = np.arange(min(total, FOLLOWED))
    if total <= 2 * FOLLOWED:
        return np.arange(total)
    return np.unique(np.concatenate([row, np.linspace(0, total - 1, FOLLOWED).astype(np.int64)]))


def places(motion: Motion) -> Array:
    """Stroke numbers (float) at which a step is looked at."""
    return (visited_strokes(motion)[:, None] + np.arange(PHASES) / PHASES).ravel()


def closer(at: float, total: float) -> Array:
    """Stroke numbers close about one of them, for a second look."""
    about = at + np.arange(-32, 33) / (32.0 * PHASES)
    if at < 1.0 / PHASES:
        about = np.concatenate([about, about + 1.0])  # just before the start is the end of a stroke
    # The end itself belongs to an angle that is no longer rubbed at.
    return np.clip(about, 0.0, total - 1e-6)


def worst_overhang(step: Step, top: Plate, bottom: Plate) -> Worst:
    """Largest overhang and least tipping margin over the poses that a step visits.

    Parameters
    ----------
    step : Step
    top, bottom : Plate
        As they lie on each other.

    Returns
    -------
    Worst
        Lengths [m], and the strokes at which they come up.

    """
    motion = Motion(replace(step, hand=Hand()))
    load = top.weight + step.load.force
    strokes = places(motion)
    length, share, margin = _look(motion, motion.poses(strokes), top, bottom, load)
    again = np.unique(
        np.concatenate(
            [
                closer(float(strokes[i]), float(step.total_strokes))
                for i in (int(length.argmax()), int(share.argmax()), int(margin.argmin()))
            ]
        )
    )
    length2, share2, margin2 = _look(motion, motion.poses(again), top, bottom, load)
    strokes = np.concatenate([strokes, again])
    length, share, margin = (
        np.concatenate(pair) for pair in ((length, length2), (share, share2), (margin, margin2))
    )
    out, tip = int(length.argmax()), int(margin.argmin())
    # Of places that are alike the one that hangs out furthest: a corner over both its sides.
    most = int(np.where(share > share.max() - ALIKE, length, -np.inf).argmax())
    return Worst(
        overhang=float(length[out]),
        share=float(share.max()),
        at=float(strokes[out]),
        share_at=float(strokes[most]),
        margin=float(margin[tip]),
        margin_at=float(strokes[tip]),
    )


def _look(
    motion: Motion, poses: Poses, top: Plate, bottom: Plate, load: float
) -> tuple[Array, Array, Array]:
    """Overhang [m], its share and the tipping margin [m] at poses, each (n,)."""
    c = np.stack([poses.cx, poses.cy], axis=1)
    length, share = overhangs(top.outline, bottom.outline, c, poses.theta)
    point = c + motion.moment(poses, load) / load
    return length, share, margins(land_outline(top), land_outline(bottom), c, poses.theta, point)


def margins(top: Outline, bottom: Outline, c: Array, theta: Array, point: Array) -> Array:
    """Distance of the load's line inside the overlap's hull at many poses (n,) [m].

    Inside the overlap of two convex faces the nearest edge is the nearer of the two; outside it is at least
    so far (and this much is said).  Where a face has a bore, the poses that may be worst are looked at one by
    one, and the others keep the value without the bore.
    """
    off = point - c
    cos_, sin_ = np.cos(theta), np.sin(theta)
    u, v = cos_ * off[:, 0] + sin_ * off[:, 1], cos_ * off[:, 1] - sin_ * off[:, 0]
    below, above = _outer(bottom), _outer(top)
    margin = -np.maximum(
        below.signed_distance(point[:, 0], point[:, 1]), above.signed_distance(u, v)
    )
    if top.bore == 0.0 and bottom.bore == 0.0:
        return margin
    chosen = np.unique(np.linspace(0, margin.size - 1, BORED_POSES).astype(np.int64))
    chosen = np.union1d(chosen, np.argsort(margin, kind="stable")[:20])
    coarse = _coarse_margins(top, bottom, c[chosen], theta[chosen], point[chosen])
    for i in chosen[np.argsort(coarse, kind="stable")[:4]]:
        exact = standing_margin(
            top,
            bottom,
            (float(c[i, 0]), float(c[i, 1])),
            float(theta[i]),
            (float(point[i, 0]), float(point[i, 1])),
        )
        margin[i] = min(margin[i], exact)
    return margin


def _coarse_margins(top: Outline, bottom: Outline, c: Array, theta: Array, point: Array) -> Array:
    """About how far the load's line runs inside the hull, from points along all edges (n,) [m]."""
    fixed = _edge_points(bottom)
    turned = _edge_points(top)
    cos_, sin_ = np.cos(theta)[:, None], np.sin(theta)[:, None]
    x = np.concatenate(
        [
            np.broadcast_to(fixed[:, 0], (len(c), len(fixed))),
            c[:, :1] + cos_ * turned[:, 0] - sin_ * turned[:, 1],
        ],
        axis=1,
    )
    y = np.concatenate(
        [
            np.broadcast_to(fixed[:, 1], (len(c), len(fixed))),
            c[:, 1:] + sin_ * turned[:, 0] + cos_ * turned[:, 1],
        ],
        axis=1,
    )
    dx, dy = x - c[:, :1], y - c[:, 1:]
    seen = np.maximum(
        bottom.signed_distance(x, y),
        top.signed_distance(cos_ * dx + sin_ * dy, cos_ * dy - sin_ * dx),
    )
    bears = seen < 1e-6 * top.radius
    least = np.full(len(c), np.inf)
    for angle in 2.0 * pi * np.arange(DIRECTIONS) / DIRECTIONS:
        ahead = (x - point[:, :1]) * cos(angle) + (y - point[:, 1:]) * sin(angle)
        least = np.minimum(least, np.where(bears, ahead, -np.inf).max(axis=1))
    return least


def _edge_points(outline: Outline) -> Array:
    """Points along the edges of a face, bore included (k, 2) [m]."""
    if isinstance(outline, Rectangle):
        corners = outline.polygon(4)
        share = np.arange(16)[:, None, None] / 16.0
        return (corners + share * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2)
    angle = 2.0 * pi * np.arange(64) / 64
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.concatenate([ring * r for r in (outline.radius, 0.5 * outline.bore) if r > 0.0])


MANY = 3600  # strokes over which angles are looked at when the length of the step is not known
CLOSE = 1e-10  # of the top's radius
NO_TRAVEL = 1e-6  # of the top's radius: a stroke that travels less is none

_NO_GRIT = Grit("", 1e-5, Wear(), Layer(1e-6))  # only the motion of the step is asked for


def shaped(kind: str, half: float, sizes: Mapping[str, float]) -> Curve:
    """The curve of a kind whose extent along its direction is 2 `half` [m].

    `sizes`: by name, those of the kind that are not as usual; what belongs to others is not looked at.

    Raises
    ------
    ValueError
        For an unknown kind, or sizes that leave nothing for the rest of it.

    """
    return _kind(kind).reaching(half, **_others(kind, sizes))


def _kind(word: str) -> type[Curve]:
    if word not in KINDS:
        raise ValueError(f"{word!r} is no kind of stroke")
    return KINDS[word]


def _others(kind: str, sizes: Mapping[str, float]) -> dict[str, float]:
    """What of `sizes` belongs to a kind beside the one that sizes it."""
    return {name: sizes[name] for name in said_names(_kind(kind))[1:] if name in sizes}


def sized(
    kind: str,
    top: Outline,
    bottom: Outline,
    *,
    travel: float | None = None,
    overhang: float | None = None,
    overhang_length: float | None = None,
    sizes: Mapping[str, float] | None = None,
    direction: float = 0.0,
    centre: tuple[float, float] = (0.0, 0.0),
    carry_centre: bool = False,
    turn: Turn = Turn(),  # noqa: B008 (frozen)
    walk: Turn = Turn(),  # noqa: B008 (frozen)
    strokes: int = MANY,
) -> Curve:
    """Size a stroke by one of: its own sizes, travel, overhang as a share, overhang as a length.

    Parameters
    ----------
    kind : str
        Such as "figure-eight".
    top, bottom : Outline
    travel : float, optional
        Full extent along the direction as a share of the top's width there; a third if nothing is said.
    overhang : float, optional
        Largest share of the top's width, in the direction in which it hangs out, over all poses visited.
    overhang_length : float, optional
        The same as a length [m].
    sizes : mapping
        What else is known: length or radius (instead of travel and overhang), width, passes, small, ratio.
    direction, centre, carry_centre, turn, walk
        How the curve lies and what turns with it (see `Step`).
    strokes : int
        Of the step, for the angles that are visited.

    Raises
    ------
    ValueError
        When more than one way is used, or no size has that overhang.

    """
    known = dict(sizes or {})
    sizes_given = [value for value in (travel, overhang, overhang_length) if value is not None]
    others, by = _others(kind, known), next(iter(said_names(_kind(kind))), "")
    if len(sizes_given) + (by in known) > 1:
        raise ValueError(
            "the size of a stroke is said in one way: its own size, travel or overhang"
        )
    if by in known:
        return _kind(kind)(**{by: known[by]}, **others)
    if overhang is None and overhang_length is None:
        share = TRAVEL if travel is None else travel
        return shaped(kind, 0.5 * share * top.width_along(direction), known)
    if kind == "still":
        raise ValueError("a top that is held still has no overhang to choose")
    step = Step(
        "top",
        "bottom",
        _NO_GRIT,
        direction=direction,
        centre=centre,
        carry_centre=carry_centre,
        turn=turn,
        walk=walk,
        strokes=strokes,
    )
    return sized_by_overhang(
        partial(shaped, kind, sizes=others),
        top,
        bottom,
        step,
        share=overhang,
        length=overhang_length,
        least=_kind(kind).least(**others),
    )


def sized_by_overhang(
    shape: Callable[[float], Curve],
    top: Outline,
    bottom: Outline,
    step: Step,
    *,
    share: float | None = None,
    length: float | None = None,
    least: float = 0.0,
) -> Curve:
    """Size a curve so that the top hangs out by so much at the worst over all the poses of a step.

    Parameters
    ----------
    shape : callable
        Curve of a given half travel [m]; its places must change evenly with it.
    top, bottom : Outline
    step : Step
        The motion; its curve is not looked at, the hand's scatter not counted.
    share, length : float
        One of both: of the top's width where it hangs out most, or in m.
    least : float
        Smallest half travel there can be [m].

    Raises
    ------
    ValueError
        When no size has that overhang, saying what is possible.

    """
    if (share is None) == (length is None):
        raise ValueError("the overhang is said as a share or as a length, one of both")
    wanted = share if share is not None else length
    assert wanted is not None
    unit = top.radius
    most = 2.0 * (top.radius + bottom.radius + float(np.hypot(*step.centre)))
    motions = tuple(_motion(step, shape(least + k * unit)) for k in (1.0, 2.0))
    visited = _Places.of(motions, places(motions[0]), unit)
    half, total = most, float(step.total_strokes)
    for look in range(3):
        if look:  # closer about the worst place
            near = _Places.of(
                motions, closer(visited.worst(top, bottom, half - least, share), total), unit
            )
            visited = visited.and_also(near)
        half, visited = _solve(visited, top, bottom, least, most, share, wanted)
    if not half > NO_TRAVEL * top.radius:
        raise _refused(
            "a top that goes no farther over the edge than {far} does not travel", wanted, share
        )
    return shape(half)


def _refused(what: str, value: float, share: float | None) -> ValueError:
    """Why no stroke has an overhang, as a length [m] or as a share."""
    far = Text("{far:length 3}", far=value) if share is None else f"{100.0 * value:.1f} %"
    travel = 'write travel = "1/3", or another overhang'
    return ValueError(Text("{what}: {travel}", what=Text(what, far=far), travel=travel))


def _motion(step: Step, curve: Curve) -> Motion:
    return Motion(replace(step, curve=curve, hand=Hand()))


@dataclass(frozen=True)
class _Places:
    """Places of the top for any size of a curve: they change evenly with it, so two sizes tell all.

    `strokes` (n,), `theta` (n,) [rad], `still` (n, 2) [m] where the top is with no travel beyond the least,
    `change` (n, 2) [m per m of half travel].
    """

    strokes: Array
    theta: Array
    still: Array
    change: Array

    @classmethod
    def of(cls, motions: tuple[Motion, ...], strokes: Array, unit: float) -> _Places:
        one, two = (motion.poses(strokes) for motion in motions)
        at_one = np.stack([one.cx, one.cy], axis=1)
        change = np.stack([two.cx, two.cy], axis=1) - at_one
        return cls(strokes, one.theta, at_one - change, change / unit)

    def and_also(self, other: _Places) -> _Places:
        return _Places(
            np.concatenate([self.strokes, other.strokes]),
            np.concatenate([self.theta, other.theta]),
            np.concatenate([self.still, other.still]),
            np.concatenate([self.change, other.change]),
        )

    def only(self, keep: NDArray[np.bool_]) -> _Places:
        return _Places(self.strokes[keep], self.theta[keep], self.still[keep], self.change[keep])

    def hangs(self, top: Outline, bottom: Outline, more: float, share: float | None) -> Array:
        """Overhang at each place with `more` [m] of half travel, as share or length (n,)."""
        both = overhangs(top, bottom, self.still + more * self.change, self.theta)
        return both[0 if share is None else 1]

    def worst(self, top: Outline, bottom: Outline, more: float, share: float | None) -> float:
        return float(self.strokes[int(self.hangs(top, bottom, more, share).argmax())])

    def steepest(self, top: Outline, share: float | None) -> Array:
        """Most that the overhang can change per m of half travel (n,): 1, or by the turning of its width."""
        speed = np.hypot(self.change[:, 0], self.change[:, 1])
        if share is None:
            return speed
        return np.asarray(speed * (1.0 + max(top.size) / top.smaller) / top.smaller)


def _solve(
    visited: _Places,
    top: Outline,
    bottom: Outline,
    least: float,
    most: float,
    share: float | None,
    wanted: float,
) -> tuple[float, _Places]:
    """Half travel [m] with the overhang wanted, by false position; and the places that matter there."""
    low, high = least, most
    below, above = (
        float(visited.hangs(top, bottom, h - least, share).max()) - wanted for h in (low, high)
    )
    if below > 0.0:
        raise _refused(
            "without any travel the top hangs out by {far} already", wanted + below, share
        )
    if not above > 0.0:
        raise _refused("the faces would part before the top hangs out by {far}", wanted, share)
    while high - low > CLOSE * most:
        guess = low - below * (high - low) / (above - below)
        # At least a fiftieth of the bracket goes each time, so that it closes from both sides.
        guess = min(max(guess, low + 0.02 * (high - low)), high - 0.02 * (high - low))
        values = visited.hangs(top, bottom, guess - least, share)
        excess = float(values.max()) - wanted
        if excess > 0.0:
            high, above = guess, excess
        else:
            low, below = guess, excess
        # A little slack, lest rounding throw out every place where all hang out by the same.
        slack = 1e-9 * (1.0 if share is not None else most)
        visited = visited.only(
            values + visited.steepest(top, share) * (high - low) >= wanted - slack
        )
    return 0.5 * (low + high), visited


def unrubbed_middle(step: Step, plates: Mapping[str, Plate]) -> float:
    """How much land in the middle of the bottom the top never comes to, however they are turned [m].

    Across, or of a ring from its bore; not more than 0: it comes there.
    """
    if step.swap is not None:
        return 0.0
    swept = np.linspace(0.0, 2.0 * pi, 256, endpoint=False)
    travel = float(np.hypot(*step.curve.position(swept).T).max())
    reach = hypot(*step.centre) - travel - plates[step.top].outline.radius
    bore = float(plates[step.bottom].outline.bore)
    return reach - bore / 2.0 if bore else 2.0 * reach
