"""What to do next with a part on another outline: the direction alone, from where the run was going."""

from __future__ import annotations

from dataclasses import replace
from math import radians

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.lapping.outlook import outlook
from lapwright.lapping.step import Step, Turn
from lapwright.lapping.strokes import arc_moments
from lapwright.plate.forms import SPOKEN
from lapwright.plate.plate import Plate
from lapwright.report import shapes
from lapwright.report.account import Face
from lapwright.report.standing import Advice, Aim, Seen, amount, bedding, coarser, lasting
from lapwright.report.tables import turn_words
from lapwright.report.trend import going, one_sided

__all__ = ["advise_unlike"]

FURTHER = 1.06  # than the place where the plate would keep its shape
WALK = Turn(radians(4.0))


def advise_unlike(seen: Seen) -> Advice:
    """A part on a plate: go on while the worst form gets less; otherwise another place on the plate."""
    face, key, value = _worst(seen)
    rate = going(seen.said, face, key)
    if rate > 0.0 and abs(value) - abs(face.before.get(key) or 0.0) < (face.finish or 0.0):
        rate = 0.0  # by less than a tenth of the grit: it came like that
    if rate < 0.0:
        return _coming_on(seen, face, key, value, rate)
    if rate > 0.0:
        told = _cure(seen, face, key, "", value)
        what = shapes.part_words(key, value, seen.said.units)
        text = f"Stop: {face.name} ({what}) is getting worse. {told.text}"
        return replace(told, text=text)
    if not seen.mated:
        metal = bedding(value, seen.squeeze)
        text = f"Go on as you are until they bear all over, {amount(seen, metal, seen.step)}."
        return Advice("go on", text, (lasting(seen, metal, seen.step),), ())
    return _cure(seen, face, key, f" ({shapes.part_words(key, value, seen.said.units)})", value)


def _coming_on(seen: Seen, face: Face, key: str, value: float, rate: float) -> Advice:
    """What is worst gets less: go on, for as long as it takes at this pace, or with a coarser grit."""
    what = shapes.part_words(key, value, seen.said.units)
    metal = max(abs(value) - (face.finish or 0.0), 0.1 * abs(value)) / -rate
    step, slow = coarser(seen, metal, seen.step)
    start = slow or "Go on as you are"
    until = amount(seen, metal, step)
    text = f"{start}, until {until}: {face.name} ({what}) is coming on; read it every 10 min."
    return Advice("go on", text, (lasting(seen, metal, step),), ((key, (face.name,)),))


def _cure(seen: Seen, face: Face, key: str, what: str, value: float) -> Advice:
    """What would make the worst form less, where the stroke as it is does not; `what` it is, in brackets."""
    part, plate = sorted((seen.top, seen.bottom), key=lambda f: max(f.half))
    if one_sided(seen.step, (seen.top, seen.bottom)):
        crossed = face.name == seen.step.bottom and key in ("saddle", "twist")
        return _round_the_plate(seen, ((key, (face.name,)),) if crossed else ())
    if face is plate and key == "sphere":
        return _other_place(seen, part, plate, value)
    if face is plate:
        text = (
            f"Use more of {plate.name}{what}: let {part.name} travel further and to all its sides, so "
            "that it is rubbed alike all over."
        )
        return Advice("cover", text)
    text = (
        f"{part.name}{what} can be no better than {plate.name} makes it with this stroke: turn it as you "
        f"go, and use all of {plate.name}."
    )
    return Advice("cover", text)


def _round_the_plate(seen: Seen, aims: tuple[Aim, ...]) -> Advice:
    """A stroke that stays on one side wears a pit there."""
    step = seen.step
    walk = step.walk if step.walk.angle != 0.0 else WALK
    text = (
        f"The stroke stays on one side of {step.bottom}: walk round ({turn_words(walk)}) and take its middle "
        "round with you (carry_centre = true), or bring it to the middle. That stops what is worn there from "
        f"growing, but does not heal it: the low side stays until the rest of {step.bottom} is lapped down "
        "to it."
    )
    moved = replace(step, walk=walk, carry_centre=True, strokes=None, time=1200.0)
    return Advice("walk round", text, (moved,), aims)


def _worst(seen: Seen) -> tuple[Face, str, float]:
    """The largest form that is told of the two, the rougher of the grit's finish left out if it can be."""
    every = [
        (face, key, value)
        for face in (seen.top, seen.bottom)
        for key, value in shapes.known(face.after, SPOKEN)
    ]
    if not every:
        return seen.top, "sphere", 0.0
    return max(every, key=lambda entry: abs(entry[2]) / max(entry[0].finish or 1e-9, 1e-9))


def _other_place(seen: Seen, part: Face, plate: Face, value: float) -> Advice:
    """The plate goes hollow where the part lies too far inside, domed where it goes too far over the rim."""
    units, out = seen.said.units, value < 0.0
    shape = f"{plate.name} is {'hollow' if out else 'domed'} by {units.size(value)}"
    place = _balance(seen)
    if plate is not seen.bottom or place is None:
        text = f"Lap with {part.name} {'further out over the rim' if out else 'further in'}: {shape}."
        return Advice("place", text)
    text = (
        f"Lap with {part.name} {'further out' if out else 'further in'}: {shape}, and only with the middle "
        "of "
        f"{part.name} {'more' if out else 'less'} than about {units.length(place)} from that of "
        f"{plate.name} "
        "does that go back; read it every 10 min."
    )
    step = _moved(seen, place * (FURTHER if out else 1.0 / FURTHER))
    if step is None:
        return Advice("place", text)
    return Advice("place", text, (step,), (("sphere", (plate.name,)),))


def _balance(seen: Seen) -> float | None:
    """How far off the plate's middle the part's place must be for the plate to keep its shape [m].

    From the moment law (`lapwright.lapping.tendency`): there <|c|^2> is the difference of the mean squares of
    both lands from their middles.  None where the part would have to lie nowhere.
    """
    study = seen.said.study
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
