"""What to do next with a part on another outline: the direction alone, from where the run was going."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sim.errors import LapwrightError
from sim.lapping.outlook import outlook
from sim.lapping.step import Step
from sim.report import shapes, words
from sim.report.account import Face, common_removed
from sim.report.standing import Advice, Seen

__all__ = ["advise_unlike", "going"]

LAST = 0.4  # of the metal of the last step: from its end is read where a form is going
FALLS = 0.03  # of the form, for each of its own size in metal: below this it stays as it is
OUTWARDS = 0.08  # of the plate's radius


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
    out = value < 0.0
    where = "further out over the rim" if out else "further in"
    shape = "hollow" if out else "domed"
    text = (
        f"Lap with {part.name} {where}: {plate.name} is {shape} by {words.size(value, seen.said.units)} and "
        "this stroke makes it no better; read it every 10 min."
    )
    step = _moved(seen, OUTWARDS if out else -OUTWARDS)
    if step is None:
        return Advice("place", text)
    return Advice("place", text, (step,), (("sphere", (plate.name,)),))


def _moved(seen: Seen, by: float) -> Step | None:
    """The step with its centre moved outwards by a share of the plate's radius; None where it would lift."""
    study, step = seen.said.study, seen.step
    assert study is not None
    far = float(np.hypot(*step.centre))
    if far <= 0.0:
        return None
    share = (far + by * max(seen.bottom.half)) / far
    moved = replace(step, centre=(share * step.centre[0], share * step.centre[1]), strokes=None, time=1800.0)
    try:
        ahead = outlook(study.plates, moved)
    except LapwrightError:
        return None
    return None if ahead.lifts or ahead.tipping_margin < 0.0 or share <= 0.0 else moved
