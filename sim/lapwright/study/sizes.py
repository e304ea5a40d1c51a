"""Sizes that a study works to: how thick a part is to be, and how far out of parallel it may be.

They stand in `until` of its steps and in its [goal]; a plate is named, or the smaller of the pair is meant.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import atan2
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError
from lapwright.specification.said import RefusedError, listed, shown
from lapwright.specification.step import Until
from lapwright.specification.table import Table
from lapwright.specification.wedge import PART, SHAPE, THICK, Wedge
from lapwright.units import Unit, Units

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.metrology.least_squares import FormEstimate
    from lapwright.metrology.micrometer import Measured
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Step
    from lapwright.study.model import Study

Array = NDArray[np.float64]
READERS = {"thickness": THICK, "wedge": SHAPE}
KEYS = tuple(READERS)
ALIKE = 1.0 + 1e-9  # areas that differ by less are one


@dataclass(frozen=True)
class Size:
    """What a plate is lapped to [m]; None: not asked."""

    thickness: float | None = None
    wedge: float | None = None


def sizes_of(study: Study) -> dict[str, Size]:
    """What each plate is lapped to: as the goal has it, or else the last step that says so.

    Parameters
    ----------
    study : Study

    Returns
    -------
    dict
        Size by plate; of plates that are lapped to none, nothing.

    """
    found: dict[str, Size] = {}
    asked: list[Any] = [step.until for step in study.steps if step.until is not None]
    for one in [*asked, *([study.goal] if study.goal is not None else [])]:
        for key in KEYS:
            for name, size in getattr(one, key, {}).items():
                found[name] = replace(found.get(name, Size()), **{key: size})
    return found


MOST_STROKES = 20000  # more turn no otherwise
BEARS = (
    0.95  # of the metal that half a wedge may be: beyond it the thin side does not bear all along
)


def load_against(
    wedge: Wedge, plate: Plate, step: Step, metal: float
) -> tuple[float, float] | None:
    """Where the hand must press a top that lies face down, so that its wedge goes with so much metal.

    On an even layer that bears all over, pressure and so the metal off grow with the lever of the load over
    the second moment of the land (eccentric compression, S. Timoshenko, Strength of Materials, 1930, from
    memory), while the weight stays in the middle.

    Parameters
    ----------
    wedge : Wedge
        Of the top, looking at its face.
    plate : Plate
        The top.
    step : Step
        How it is loaded.
    metal : float
        Mean depth that the step takes off it [m].

    Returns
    -------
    tuple of float, optional
        From the middle of the top, seen from above [m]; None where so little metal does not take it out, or
        no hand presses.

    """
    if step.load.force <= 0.0 or not 0.5 * wedge.by <= BEARS * metal:
        return None
    x, y = plate.grid.mesh()
    land = plate.land / plate.land.sum()
    xx, xy, yy = (float((land * one).sum()) for one in (x * x, x * y, y * y))
    slope = wedge.slopes(plate.outline)
    share = (step.load.force + plate.weight) / (step.load.force * metal)
    across = share * (xx * slope[0] + xy * slope[1])
    return -across, share * (xy * slope[0] + yy * slope[1])  # face down 3 o'clock lies at 9


ROUNDS = (
    8  # of a study whose rounds are not alike, looked at one by one: the others are as the last
)
SHARES = 1001  # of a step, at which its gauge is looked at
COVERED = 1.3  # times the smaller face: of a larger one much lies beside the load, and its wedge is not told


def wedges_ahead(study: Study) -> list[dict[str, Wedge]]:
    """How far out of parallel the plates will be after each step, from loads off the middle of the top.

    By the same law as `load_against`: of faces that bear all over.  What the top is turned about the hand
    takes its wedge round and evens it out; the plate below is not turned, and keeps it.  Where a wedge
    would be more than twice the metal, it is twice the metal: the other side does not bear then.  Not
    foretold: the wedge that a stroke makes by itself where the top turns once to each stroke, so that the
    same side hangs over all the time, and how much more a top that whirls takes off the rim.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of dict
        By step of the last round and plate, the wedges that they come with among them; of a plate much larger
        than what lies on it nothing that is made.

    """
    slopes = {
        name: np.array(plate.wedge.slopes(plate.outline) if plate.wedge else (0.0, 0.0))
        for name, plate in study.plates.items()
    }
    found: list[dict[str, Wedge]] = []
    moments = {name: _second_moments(plate) for name, plate in study.plates.items()}
    before: Sequence[Outlook] = ()
    made: list[dict[str, Array]] = []
    for looks in _rounds(study):
        if looks is not before:
            made = [
                _made(study, step, look, moments)
                for step, look in zip(study.laid, looks, strict=True)
            ]
        before, found = looks, []
        for step, each in zip(study.laid, made, strict=True):
            share = _until_parallel(study, step, slopes, each)
            slopes |= {name: slopes[name] + share * slope for name, slope in each.items()}
            found.append({n: _wedge(study.plates[n], slope) for n, slope in slopes.items()})
    return found


def _rounds(study: Study) -> Iterator[Sequence[Outlook]]:
    """What the steps will do, round by round; alike but where a dab fades or a gauge ends a step."""
    looks: list[Sequence[Outlook]] = [study.ahead]
    if any(step.grit.fade is not None or step.until is not None for step in study.laid):
        from lapwright.integration.estimate import outlooks

        each, some = len(study.laid), min(study.rounds, ROUNDS)
        every = outlooks(study.plates, study.laid * some, seed=study.seed)
        looks = [every[k * each : (k + 1) * each] for k in range(some)]
    for k in range(study.rounds):
        yield looks[min(k, len(looks) - 1)]


def _made(
    study: Study, step: Step, look: Outlook, moments: Mapping[str, Array]
) -> dict[str, Array]:
    """By how much a step tilts the faces, x and y of each looking at it."""
    whole = sum(look.on_top.values()) or 1.0
    areas = {n: study.plates[n].outline.area for n in (step.top, step.bottom)}
    found = {n: np.zeros(2) for n in areas if areas[n] <= COVERED * min(areas.values())}
    for top, time in look.on_top.items():
        for name in found:
            plate, metal = study.plates[name], look.removed_from[name] * time / whole
            pressed = _pressed(step, name == top, look.time * step.pace)
            share = step.load.force / look.loads[top] * metal
            made = -share * np.linalg.solve(moments[name], pressed)
            most = 2.0 * metal / (plate.outline.width_along(atan2(made[1], made[0])))
            found[name] += made * min(1.0, most / max(np.hypot(*made), 1e-30))
    return found


def _until_parallel(
    study: Study, step: Step, slopes: Mapping[str, Array], made: Mapping[str, Array]
) -> float:
    """Share of what a step makes of wedges when it stops for being parallel: all of it where it does not."""
    until = step.until
    asked = {} if until is None else {n: by for n, by in until.wedge.items() if n in made}
    if until is None or not asked or until != Until(wedge=until.wedge):
        return 1.0
    for share in np.linspace(0.0, 1.0, SHARES).tolist():
        now = {n: _wedge(study.plates[n], slopes[n] + share * made[n]).by for n in asked}
        if all(now[n] <= by for n, by in asked.items()):
            return float(share)
    return 1.0


def _wedge(plate: Plate, slope: Array) -> Wedge:
    """The wedge of a plate whose thickness grows so along x and y, looking at its face."""
    high = atan2(slope[1], slope[0])
    return Wedge(float(np.hypot(*slope)) * plate.outline.width_along(high), high)


def _second_moments(plate: Plate) -> Array:
    """Of its land about the middle, over its area (2, 2) [m2]."""
    x, y = plate.grid.mesh()
    land = plate.land / plate.land.sum()
    xy = float((land * x * y).sum())
    return np.array([[float((land * x * x).sum()), xy], [xy, float((land * y * y).sum())]])


def _pressed(step: Step, on_top: bool, strokes: float) -> Array:
    """Where the hand presses on the top, or on the plate below, mean over strokes, looking at it [m].

    What turns as it goes turns evenly through each stroke, and over that its mean is taken: of a point that
    runs along an arc a it lies at the middle of the arc, at sin(a/2) / (a/2) of its radius (closed form).
    """
    turns = {"hand": (step.turn,), "bench": (step.turn, step.walk), "top": ()}[step.load.fixed_to]
    if not on_top:
        turns = {"hand": (step.walk,), "bench": (), "top": (step.turn, step.walk)}[
            step.load.fixed_to
        ]
    back = -1.0 if on_top else 1.0  # the top turns under the hand, the hand over the plate below
    count = np.arange(max(1, round(min(strokes, MOST_STROKES))))
    angle = sum(
        (one.angle * (count // one.every if one.every else count) for one in turns), 0.0 * count
    )
    arc = sum(one.angle for one in turns if not one.indexed)
    within = complex(np.exp(0.5j * back * arc)) * float(np.sinc(arc / math.tau))
    at = complex(*step.load.at) * complex(np.exp(1j * back * angle).mean()) * within
    return np.array([-at.real, at.imag]) if on_top else np.array([at.real, at.imag])


def load_as_measured(
    one: Measured, plate: Plate, step: Step, metal: float
) -> tuple[float, float] | None:
    """The same of a wedge as a micrometer told it, to a tenth of a millimetre; None where it told none."""
    if not one.told or one.wedge is None or one.at is None:
        return None
    at = load_against(Wedge(one.wedge.value, one.at.value), plate, step, metal)
    return None if at is None else (round(at[0], 4), round(at[1], 4))


def takes_a_wedge(study: Study, step: Step) -> bool:
    """Whether a hand that stands still takes a wedge out of the top: turning it would undo that."""
    asked = sizes_of(study).get(step.top)
    off = max(map(abs, step.load.at)) > 0.0 and step.load.fixed_to != "top"
    return off and (study.plates[step.top].wedge is not None or bool(asked and asked.wedge))


TO_SIZE = (
    "a search does not follow thickness and wedge: stop this step by its time, its strokes or "
    'until = { removed = "2 um" }, and lap what it finds with run'
)
GOAL_SIZE = (
    "a search does not follow thickness and wedge: leave them out of [goal], and lap what it finds with "
    'run, until = { thickness = "12.000 mm" } in its last step'
)


def refuse_to_size(study: Study) -> None:
    """Refuse, for who foretells forms only, a study whose steps stop at a size or whose goal is one.

    Raises
    ------
    CommandError
        Names the step or the goal, and says what to write.

    """
    for number, step in enumerate(study.steps, 1):
        if step.until is not None and (step.until.thickness or step.until.wedge):
            raise CommandError(TO_SIZE, key=f"steps.{number}.until", code="not_tuned")
    for key in KEYS:
        if getattr(study.goal, key, {}):
            raise CommandError(GOAL_SIZE, key=f"goal.{key}", code="not_tuned")


def take_sizes(table: Table, plates: Mapping[str, Plate | None]) -> dict[str, dict[str, float]]:
    """Thickness and wedge of `until` or of a goal, each with its plate named; faults are noted.

    `plates`: those that can be meant, None for one at fault.
    """
    found = {}
    for key in KEYS:
        sizes = table.said(Until, key)
        typed = table.data.get(key)
        for name, one in typed.items() if isinstance(typed, Mapping) else ():
            inner = Table(table.faults, table.place(key), {name: one})
            inner.take(name, READERS[key])  # a bare number is refused as it is anywhere
        if not plates or sizes is None or any(not isinstance(one, str) for one in _parts(typed)):
            continue  # a study without plates is told so where they should stand
        try:
            found[key] = {_meant(name, key, typed, plates): size for name, size in sizes.items()}
            for name, size in found[key].items() if key == "thickness" else ():
                _check_thicker(name, size, plates[name], table)
        except RefusedError as trouble:
            table.fault(key, trouble.message, trouble.code)
    return found


def _parts(typed: Any) -> Iterable[Any]:
    return typed.values() if isinstance(typed, Mapping) else (typed,)


def _meant(name: str, key: str, typed: Any, plates: Mapping[str, Plate | None]) -> str:
    """The plate that is named, or the smallest one where none is."""
    if name != PART:
        if name not in plates:
            none = f"there is no plate {shown(name)} here: there is {listed(plates, 'and')}"
            raise RefusedError(none, "name")
        return name
    areas = {one: plate.outline.area for one, plate in plates.items() if plate is not None}
    least = sorted(areas, key=lambda one: areas[one])
    if len(least) > 1 and areas[least[1]] <= ALIKE * areas[least[0]]:
        how = f'write whose: {key} = {{ {least[0]} = "{typed}" }}'
        raise RefusedError(
            f"{least[0]} and {least[1]} are as large as each other: {how}", "conflict"
        )
    return least[0] if least else next(iter(plates))


def _check_thicker(name: str, size: float, plate: Plate | None, table: Table) -> None:
    if plate is None:
        return
    if plate.thickness is None:
        how = f'is not known: write thickness = "30 mm" in [plates.{name}]'
        raise RefusedError(f"the thickness of {name} {how}", "missing")
    if not size < plate.thickness:
        thick, asked = (table.faults.units.thickness(one) for one in (plate.thickness, size))
        wrong = f"{name} is {thick} thick and {asked} is asked for"
        raise RefusedError(f"{wrong}: lapping makes nothing thicker", "range")


def put_size(table: dict[str, Any], one: Measured, units: Units) -> None:
    """Write what a micrometer fixed of a plate: its thickness, its wedge where it is told."""
    if one.thickness is not None:
        table["thickness"] = digits(one.thickness, units.long)
    if one.wedge is not None:
        table.pop("wedge", None)
    if one.told and one.wedge is not None and one.at is not None:
        high = f"{math.degrees(one.at.value):.1f} deg"
        table["wedge"] = {"by": digits(one.wedge, units.small), "high": high}


def digits(one: FormEstimate, unit: Unit) -> str:
    """A size to a thousandth of what is not known of it, so that nothing is lost by writing it down."""
    places = max(0, 3 - math.floor(math.log10(max(one.uncertainty, 1e-12) / unit.size)))
    return f"{one.value / unit.size:.{places}f} {unit.name}"
