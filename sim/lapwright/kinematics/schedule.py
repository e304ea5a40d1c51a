"""A schedule, read in one place; how the grit ages, and the law by which it cuts.

The law of wear: each land loses height at kappa * pressure * speed, and the cut of a dab of grit fades.

Sources: F. W. Preston, J. Soc. Glass Technol. 11 (1927) 214-256 (from memory); the wear constants of the
table are common practice, no source, and known to a band of ten in all.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CannotDoError
from lapwright.limits import BAND, SCATTER
from lapwright.specification.materials import cut_left
from lapwright.specification.plate import Plate
from lapwright.specification.step import EMBEDDED_SHARE, Grit, Observation, Step, Wear, strokes_in


def wear_time(fade: float | None, age: float, time: float) -> float:
    """Time at a fresh dab's cut that removes as much as `time` [s] on a dab of `age` [s].

    The integral of exp(-t / fade) from age to age + time; `time` itself without fade.
    """
    if fade is None:
        return time
    return -fade * math.exp(-age / fade) * math.expm1(-time / fade)


def rubbing_until(fade: float | None, age: float, wanted: float) -> float:
    """Rubbing time [s] in which a dab of `age` does the work of `wanted` s at a fresh dab's cut.

    The inverse of `wear_time`; infinite when the dab is too tired ever to do it.
    """
    if fade is None:
        return wanted
    left = wanted / (fade * math.exp(-age / fade)) if age / fade < 700.0 else math.inf
    return -fade * math.log1p(-left) if left < 1.0 else math.inf


def _factor(grit: Grit, plate: Plate) -> float:
    """Wear of `plate` over that of grey iron: grit held in it included, and grit that does not cut it."""
    held = EMBEDDED_SHARE if grit.held_in == plate.name else 1.0
    return plate.material.wear_factor * held * cut_left(grit.abrasive, plate.material)


def kappa(grit: Grit, bottom: Plate, top: Plate) -> tuple[float, float]:
    """Wear constants of a pair with a fresh dab of `grit` [1/Pa]; values named for a plate are final.

    Parameters
    ----------
    grit : Grit
        With wear constants.
    bottom, top : Plate
        Whose material and name matter.

    Returns
    -------
    tuple of float
        Of bottom and top [1/Pa].

    Raises
    ------
    CannotDoError
        When the constant is not settled yet (see `settled` and `kappa_from_observation`).

    """
    given = grit.wear.plates
    iron = grit.wear.iron
    if iron is None:
        raise CannotDoError(f"the wear of grit {grit.name} is not known yet")
    low, high = (given.get(p.name, iron * _factor(grit, p)) for p in (bottom, top))
    return low, high


def settled(grit: Grit, plates: Mapping[str, Plate]) -> Grit:
    """The same grit with a value for grey iron: from the first plate that one was given for.

    So plates that none was given for wear by their material, whatever they meet.
    """
    if grit.wear.iron is not None or not grit.wear.plates:
        return grit
    name, value = next(iter(grit.wear.plates.items()))
    return replace(grit, wear=replace(grit.wear, iron=value / _factor(grit, plates[name])))


def kappa_from_observation(
    seen: Observation, grit: Grit, plates: Mapping[str, Plate], mean: Mapping[str, float]
) -> Wear:
    """Wear constants [1/Pa] from metal seen to go: for grey iron, and final for a plate that was observed.

    `mean` [Pa m/s]: pressure x speed of each plate of the pair, mean over its land, with a fresh dab.

    Raises
    ------
    CannotDoError
        When the observed plate does not wear in this step.

    """
    factors = {name: _factor(grit, plates[name]) for name in mean}
    time = wear_time(grit.fade, 0.0, seen.time)
    if seen.lost is not None and seen.plate is not None:
        plate = plates[seen.plate]
        depth = seen.lost / plate.mass_per_depth
    elif seen.lost is not None:
        # Mass lost by both together: volumes add.
        work = sum(factors[n] * mean[n] * plates[n].mass_per_depth for n in mean)
        return _wear(seen.lost / (time * work) if work > 0.0 else math.inf, None, grit, plates)
    else:
        depth = seen.removed or 0.0
    if seen.plate is not None:
        rate = factors[seen.plate] * mean[seen.plate]
    else:
        rate = sum(factors[n] * mean[n] for n in mean) / len(mean)
    return _wear(depth / (time * rate) if rate > 0.0 else math.inf, seen.plate, grit, plates)


def _wear(iron: float, observed: str | None, grit: Grit, plates: Mapping[str, Plate]) -> Wear:
    if not math.isfinite(iron):
        raise CannotDoError(
            f"the observed wear of grit {grit.name} cannot be read: nothing rubs in that step"
        )
    final = {} if observed is None else {observed: iron * _factor(grit, plates[observed])}
    return Wear(iron=iron, plates=final)


Array = NDArray[np.float64]

GOLDEN = (5.0**0.5 - 1.0) / 2.0
LONGER = 3.0  # times as long on top, for a plate that is to go hollow
EVEN = (
    300.0  # [s] that the lighter of two plates stays on top at one go (common practice, no source)
)
MOST_STROKES = 4096  # that are looked at one by one
TIRED_OUT = 600.0  # times its fade: beyond that nothing is left of a dab, and nothing may underflow


@dataclass(frozen=True)
class Stay:
    """Strokes `first` (from 0) to before `end` of a step, over which one plate lies on the other."""

    top: str
    bottom: str
    first: int
    end: int

    @property
    def strokes(self) -> int:
        """How many."""
        return self.end - self.first


def rubbing_time(steps: Sequence[Step], rounds: int = 1) -> float:
    """How long a schedule rubs [s], each step that stops by a gauge taken for as long as it may go on.

    Parameters
    ----------
    steps : sequence of Step
    rounds : int
        How often they come.

    Returns
    -------
    float
        [s].

    """
    return rounds * sum(step.total_strokes / step.pace for step in steps)


def stroke_period(time: float | None, pace: float) -> int:
    """Whole strokes after which something comes again; 0 where it never does (`time` [s] None)."""
    return 0 if time is None else strokes_in(time, pace)


def age_at_start(step: Step, grit: str, age: float) -> float:
    """Age [s] of the dab with which a step begins, where `grit` (its name) is `age` [s] old by then."""
    return 0.0 if step.fresh_every is not None or step.grit.name != grit else age


def thinning(bottom: Plate, top: Plate, rates: tuple[float, float], work: float) -> float:
    """How fast two faces go down with a fresh dab, the mean of both [m/s].

    `rates` [1/Pa] of bottom and top; `work` [Pa m3/s]: the load times the mean sliding speed under it.
    """
    return 0.5 * work * (rates[0] / bottom.land_area + rates[1] / top.land_area)


def stays(
    step: Step,
    reads: Callable[[str, str], bool] | None = None,
    thins: Callable[[str, str], float] | None = None,
    age: float = 0.0,
) -> Iterator[Stay]:
    """Who lies on top of whom in a step, from swap to swap, or from reading to reading.

    `reads`: whether a reading says that this top and this bottom change places; asked as a stay begins.
    `thins` [m/s]: how fast this top and this bottom go down with a fresh dab, the mean of both, by which they
    change places in metal; `age` [s] of the dab as the step begins.

    Parameters
    ----------
    step : Step
    reads : function, optional
        None: no reading ever makes them change places.
    thins : function, optional
        From the names of top and bottom; None: not known.
    age : float
        Of the dab [s].

    Returns
    -------
    iterator of Stay
        In order, the whole step.

    Raises
    ------
    CannotDoError
        When the step swaps by metal and nothing says how fast that goes.

    """
    top, bottom, first = step.top, step.bottom, 0
    by_metal = step.swap is not None and bool(step.swap.removed)
    by_reading = step.swap is not None and step.swap.read is not None
    while first < step.total_strokes:
        if by_reading and reads is not None and reads(top, bottom):
            top, bottom = bottom, top
        metal = _for_metal(step, top, bottom, first, age, thins) if by_metal else 0
        strokes = metal or _longest(step, top)
        end = min(first + strokes, step.total_strokes)
        yield Stay(top, bottom, first, end)
        if by_metal:
            age = cut_of(step, age, first, end - first)[1]
        first = end
        if not by_reading:
            top, bottom = bottom, top


def stays_by_weight(loads: Mapping[str, float], longer: str = "") -> dict[str, float]:
    """Times on top [s] that take as much metal in either place, so that they make nothing.

    `loads` [N] of each plate and the hand when it lies on top; times are in half minutes.  `longer`:
    one that is to stay on top three times as long as that.
    """
    least = min(loads.values())
    even = {name: EVEN * least / load for name, load in loads.items()}
    return {
        name: max(1.0, round(time * (LONGER if name == longer else 1.0) / 30.0)) * 30.0
        for name, time in even.items()
    }


def _longest(step: Step, top: str) -> int:
    """Strokes that `top` stays on top at one go, or that lie between readings."""
    if step.swap is None:
        return step.total_strokes
    time = step.swap.on_top[top] if step.swap.read is None else step.swap.read
    return strokes_in(time, step.pace)


def _for_metal(
    step: Step,
    top: str,
    bottom: str,
    first: int,
    age: float,
    thins: Callable[[str, str], float] | None,
) -> int:
    """Whole strokes from `first` on after which what `top` stays for is off, as near as they come to it."""
    if thins is None or step.swap is None:
        raise CannotDoError(
            "swap_every is in metal, and how fast metal goes is not known here: say it in minutes"
        )
    rate, left = thins(top, bottom), step.total_strokes - first
    cut = step.swap.removed[top] / rate if rate > 0.0 else math.inf
    if step.grit.fade is None:
        return max(1, round(min(cut * step.pace, left)))
    low, high = 0, left  # after `high` strokes it is off, or the step is over
    while high - low > 1:
        middle = (low + high) // 2
        enough = cut_of(step, age, first, middle)[0] >= cut
        low, high = (low, middle) if enough else (middle, high)
    over, under = (cut_of(step, age, first, strokes)[0] for strokes in (high, low))
    return low if low and cut - under < over - cut else high


def between_indexes(stay: Stay, every: int) -> Iterator[Stay]:
    """A stay in parts over which the top keeps its angle, set over every so many strokes (0: never)."""
    first = stay.first
    while first < stay.end:
        end = min(stay.end, (first // every + 1) * every) if every else stay.end
        yield replace(stay, first=first, end=end)
        first = end


def cut_of(step: Step, age: float, first: int, strokes: float) -> tuple[float, float]:
    """Time [s] in which a fresh dab does as much as `strokes` from `first` on, and the age [s] afterwards.

    `age` [s] of the dab as they begin; a new dab comes every so many whole strokes of the step.
    """
    if step.grit.fade is None:
        return strokes / step.pace, age + strokes / step.pace
    every = stroke_period(step.fresh_every, step.pace)
    cut, at, end = 0.0, float(first), first + strokes
    while at < end:
        if every and at % every == 0:
            age = 0.0
        until = min(end, (at // every + 1) * every) if every else end
        time = (until - at) / step.pace
        cut += wear_time(step.grit.fade, age, time)
        age, at = age + time, until
    return cut, age


def cut_shares(step: Step, strokes: NDArray[np.int64]) -> Array:
    """What each of these strokes of a step (n,), from 0, cuts of what they all cut."""
    if step.grit.fade is None:
        return np.full(strokes.size, 1.0 / strokes.size)
    every = stroke_period(step.fresh_every, step.pace)
    age = strokes % every if every else strokes
    fades = (age - age.min()) / (step.grit.fade * step.pace)
    cut = np.exp(-np.minimum(fades, TIRED_OUT))
    shares: Array = cut / cut.sum()
    return shares


def looked_at(first: int, strokes: int) -> NDArray[np.int64]:
    """Those (n,) of `strokes` strokes from `first` on that stand for all; of very many only some."""
    if strokes <= MOST_STROKES:
        return np.arange(first, first + strokes)
    # Not evenly: every so many strokes may come round to the same angles.
    k = np.arange(MOST_STROKES)
    return first + ((k + (k * GOLDEN) % 1.0) * strokes / MOST_STROKES).astype(np.int64)


def at_share(worth: Array, share: NDArray[np.floating]) -> NDArray[np.intp]:
    """Which stroke is under way when so much (0 to 1) of what they all cut is done."""
    if worth[0] == worth[-1] == worth.max():  # all alike: exactly so many
        which: NDArray[np.intp] = np.floor(share * worth.size).astype(np.intp)
    else:
        done = np.cumsum(worth)
        which = np.searchsorted(done, share * done[-1], side="right")
    stroke: NDArray[np.intp] = np.minimum(which, worth.size - 1)
    return stroke


def cut_time(step: Step, age: float = 0.0) -> float:
    """How long [s] a whole step would last at a fresh dab's cut, begun with one that is `age` [s] old."""
    return cut_of(step, age, 0, step.total_strokes)[0]


def last_grit(steps: Iterable[Step], name: str) -> float | None:
    """Size of the grit [m] that was on a plate last, of steps in the order in which they were done.

    None: none was.  Every round goes through all steps, so a whole study is done in the order of its steps.
    """
    sizes = [step.grit.size for step in steps if name in (step.top, step.bottom)]
    return sizes[-1] if sizes else None


def spread_of(steps: Iterable[Step]) -> float:
    """What some steps take off is known to times or divided by this: wear that was seen scatters less."""
    return max(map(_spread, (step.grit for step in steps)), default=BAND)


def _spread(grit: Grit) -> float:
    seen = grit.wear.observed is not None
    return grit.wear_within or (SCATTER if seen else BAND)
