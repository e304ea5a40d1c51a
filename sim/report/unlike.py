"""What to do next with a part on another outline: the direction alone, from where the run was going."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import numpy as np

from sim.errors import LapwrightError
from sim.lapping.outlook import outlook
from sim.lapping.step import Step, Turn
from sim.lapping.strokes import arc_moments
from sim.plate.plate import Plate
from sim.report import shapes, words
from sim.report.account import Face, common_removed
from sim.report.standing import Advice, Seen

__all__ = ["advise_unlike", "going"]

LAST = 0.4  # of the metal of the last step: from its end is read where a form is going
FALLS = 0.03  # of the form, for each of its own size in metal: below this it stays as it is
FURTHER = 1.06  # than the place where the plate would keep its shape
WALK = Turn(radians(4.0))


def advise_unlike(seen: Seen) -> Advice:
    """A part on a plate: go on while the worst form gets less; otherwise another place on the plate."""
    face, key, value = _worst(seen)
    part, plate = sorted((seen.top, seen.bottom), key=lambda f: max(f.half))
    rate = going(seen, face, key)
    what = shapes.part_words(key, value, seen.said.units)
    if rate < 0.0 or not seen.mated:
        until = "it is right" if seen.mated else "they bear all over"
        text = f"Go on as you are until {until}: {face.name} ({what}) is coming on; read it every 10 min."
        step = replace(seen.step, strokes=None, time=1200.0)
        return Advice("go on", text, (step,), ((key, (face.name,)),))
    if face is plate and key == "sphere":
        return _other_place(seen, part, plate, value)
    if face is plate:
        text = (
            f"Use more of {plate.name} ({what}): let {part.name} travel further and to all its sides, so "
            "that it is rubbed alike all over."
        )
        return Advice("cover", text)
    text = (
        f"{part.name} ({what}) can be no better than {plate.name} makes it with this stroke: turn it as you "
        f"go, and use all of {plate.name}."
    )
    return Advice("cover", text)


def _worst(seen: Seen) -> tuple[Face, str, float]:
    """The largest form that is told of the two, the rougher of the grit's finish left out if it can be."""
    every = [
        (face, key, value)
        for face in (seen.top, seen.bottom)
        for key, value in shapes.known(face.after, (*shapes.ROUND, *shapes.LONG))
    ]
    if not every:
        return seen.top, "sphere", 0.0
    return max(every, key=lambda entry: abs(entry[2]) / max(entry[0].finish or 1e-9, 1e-9))


def going(seen: Seen, face: Face, key: str) -> float:
    """How the size of a form went at the end of the last step, per metal off: below 0, it gets less.

    0 where it stayed as it was within a few hundredths.
    """
    run, values = seen.said.run, np.abs(face.form(key))
    metal = common_removed(seen.said)
    last = np.flatnonzero(np.asarray(run.step) == int(run.step[-1]))
    if last.size < 3 or metal[last[-1]] - metal[last[0]] <= 0.0:
        return 0.0
    begin = metal[last[-1]] - LAST * (metal[last[-1]] - metal[last[0]])
    some = last[metal[last] >= begin]
    if some.size < 3:
        some = last[-3:]
    slope = float(np.polyfit(metal[some], values[some], 1)[0]) if np.ptp(metal[some]) > 0.0 else 0.0
    return slope if abs(slope) >= FALLS else 0.0


def _other_place(seen: Seen, part: Face, plate: Face, value: float) -> Advice:
    """The plate goes hollow where the part lies too far inside, domed where it goes too far over the rim."""
    units, out = seen.said.units, value < 0.0
    shape = f"{plate.name} is {'hollow' if out else 'domed'} by {words.size(value, units)}"
    place = _balance(seen)
    if plate is not seen.bottom or place is None:
        text = f"Lap with {part.name} {'further out over the rim' if out else 'further in'}: {shape}."
        return Advice("place", text)
    text = (
        f"Lap with {part.name} {'further out' if out else 'further in'}: {shape}, and only with the middle "
        "of "
        f"{part.name} {'more' if out else 'less'} than about {words.length(place, units)} from that of "
        f"{plate.name} "
        "does that go back; read it every 10 min."
    )
    step = _moved(seen, place * (FURTHER if out else 1.0 / FURTHER))
    if step is None:
        return Advice("place", text)
    return Advice("place", text, (step,), (("sphere", (plate.name,)),))


def _balance(seen: Seen) -> float | None:
    """How far off the plate's middle the part's place must be for the plate to keep its shape [m].

    From the moment law (`sim.lapping.tendency`): there <|c|^2> is the difference of the mean squares of both
    lands from their middles.  None where the part would have to lie nowhere.
    """
    study = seen.said.study
    assert study is not None
    squares = [_mean_square(study.plates[f.name]) for f in (seen.bottom, seen.top)]
    left = squares[0] - squares[1] - float(np.trace(arc_moments(seen.step.curve)))
    return float(np.sqrt(left)) if left > 0.0 else None


def _mean_square(plate: Plate) -> float:
    """Mean square distance of a plate's land from its middle [m2]."""
    x, y = plate.grid.mesh()
    return float((plate.land * (x * x + y * y)).sum() / plate.land.sum())


def _moved(seen: Seen, place: float) -> Step | None:
    """The step with its centre that far out, carried round; None where the part would lift or tip there."""
    study, step = seen.said.study, seen.step
    assert study is not None
    far = float(np.hypot(*step.centre))
    along = (step.centre[0] / far, step.centre[1] / far) if far > 0.0 else (1.0, 0.0)
    walk = step.walk if step.walk.angle != 0.0 else WALK
    moved = replace(
        step,
        centre=(place * along[0], place * along[1]),
        carry_centre=True,
        walk=walk,
        strokes=None,
        time=3600.0,
    )
    try:
        ahead = outlook(study.plates, moved)
    except LapwrightError:
        return None
    return None if ahead.lifts or ahead.tipping_margin < 0.0 else moved
