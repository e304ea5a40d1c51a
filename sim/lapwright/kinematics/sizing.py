"""How large a stroke is when it is told by its travel or by its overhang instead of by its size."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import closer, overhangs, places
from lapwright.specification.curves import KINDS, Curve
from lapwright.specification.outline import Outline
from lapwright.specification.said import said_names
from lapwright.specification.step import Grit, Hand, Layer, Step, Turn, Wear
from lapwright.specification.stroke import TRAVEL
from lapwright.units import Text

Array = NDArray[np.float64]

MANY = 3600  # strokes over which angles are looked at when the length of the step is not known
CLOSE = 1e-10  # of the top's radius

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
    said = [value for value in (travel, overhang, overhang_length) if value is not None]
    others, by = _others(kind, known), next(iter(said_names(_kind(kind))), "")
    if len(said) + (by in known) > 1:
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
    found = _Places.of(motions, places(motions[0]), unit)
    half, total = most, float(step.total_strokes)
    for look in range(3):
        if look:  # closer about the worst place
            near = _Places.of(
                motions, closer(found.worst(top, bottom, half - least, share), total), unit
            )
            found = found.and_also(near)
        half, found = _solve(found, top, bottom, least, most, share, wanted)
    return shape(half)


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
    found: _Places,
    top: Outline,
    bottom: Outline,
    least: float,
    most: float,
    share: float | None,
    wanted: float,
) -> tuple[float, _Places]:
    """Half travel [m] with the overhang wanted, by false position; and the places that matter there."""

    def refused(what: str, value: float) -> ValueError:
        far = Text("{far:place 2}", far=value) if share is None else f"{100.0 * value:.1f} %"
        return ValueError(Text(what, far=far))

    low, high = least, most
    below, above = (
        float(found.hangs(top, bottom, h - least, share).max()) - wanted for h in (low, high)
    )
    if below > 0.0:
        raise refused("without any travel the top hangs out by {far} already", wanted + below)
    if not above > 0.0:
        raise refused("the faces would part before the top hangs out by {far}", wanted)
    while high - low > CLOSE * most:
        guess = low - below * (high - low) / (above - below)
        # At least a fiftieth of the bracket goes each time, so that it closes from both sides.
        guess = min(max(guess, low + 0.02 * (high - low)), high - 0.02 * (high - low))
        values = found.hangs(top, bottom, guess - least, share)
        excess = float(values.max()) - wanted
        if excess > 0.0:
            high, above = guess, excess
        else:
            low, below = guess, excess
        # A little slack, lest rounding throw out every place where all hang out by the same.
        slack = 1e-9 * (1.0 if share is not None else most)
        found = found.only(values + found.steepest(top, share) * (high - low) >= wanted - slack)
    return 0.5 * (low + high), found
