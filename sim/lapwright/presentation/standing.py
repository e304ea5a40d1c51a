"""How a pair stands at the end of a run, and whether its goal is reached."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot
from typing import Any, NamedTuple

import numpy as np

from lapwright.contact.liquid import film_of
from lapwright.contact.placement import mating
from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlook
from lapwright.integration.state import WENT_THROUGH
from lapwright.optimisation.bench import USUAL
from lapwright.optimisation.spell import workable
from lapwright.optimisation.track import Constraint, constraints_of
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.tuning_notes import asked_for, label
from lapwright.presentation.words import Fields, say
from lapwright.results.record import best
from lapwright.specification.materials import NOT, cut_left
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step
from lapwright.study.doubts import doubt_at_end
from lapwright.study.sizes import sizes_of
from lapwright.units import Units, joined

ENOUGH = 1.0 + 1e-9
PAYS, PAID = 0.05e-6, 1.1  # [m], times: a plate that gets so much less flat pays for the others


@dataclass(frozen=True)
class Pair:
    """The pair that lay on each other last, as it is now, with the step that it was lapped by."""

    view: RunView
    step: Step
    ahead: Outlook
    top: Face
    bottom: Face

    @property
    def plates(self) -> tuple[Plate, Plate]:
        """Top and bottom as the study has them."""
        plates = self.view.study.plates
        return plates[self.top.name], plates[self.bottom.name]

    @property
    def equal(self) -> bool:
        """Whether the two may change places."""
        top, bottom = self.plates
        return top.outline == bottom.outline

    def of(self, face: Face, key: str, whole: bool = False) -> float:
        """A form of one face [m], 0 where it is not known; `whole`: at edge margin 0."""
        to_the_edge = face.record.forms_margin0.get(key) if whole else None
        given = to_the_edge is not None and len(to_the_edge)
        value = to_the_edge[-1] if to_the_edge is not None and given else face.after.get(key)
        return float(value) if value is not None and np.isfinite(value) else 0.0

    def say(self, key: str, **fields: Any) -> str:
        """A sentence of advice, in the person's units."""
        return say(f"advice.{key}", self.view.units, **fields)


def last_pair(view: RunView) -> Pair | None:
    """How the last pair stands; None where there was none, or the study cannot be read any more."""
    top, bottom = (view.face(name) for name in view.pair or ("", ""))
    number = int(view.run.step[-1]) if len(view.run.step) else 0
    if top is None or bottom is None or not 1 <= number <= len(view.steps):
        return None
    step = replace(
        view.steps[number - 1], top=top.name, bottom=bottom.name, hand=Hand(), until=None
    )
    try:
        return Pair(view, step, outlook(view.study.plates, step), top, bottom)
    except LapwrightError:
        return None


def mend_words(step: Step, plates: Mapping[str, Plate], units: Units) -> list[str]:
    """What must be otherwise before a step is lapped again, where minutes of it are no use."""
    to, pair = workable(step, plates), (plates[step.top], plates[step.bottom])
    lines = []
    if to.liquid != step.liquid and (film := film_of(step, *pair)) is not None:
        grooved = any(plate.grooves is not None for plate in pair)
        liquid = step.liquid.removeprefix("flooded with ")
        fields: Fields = {**film._asdict(), "liquid": liquid, "grooved": grooved}
        lines.append(say("advice.mend.liquid", units, **fields))
    if to.grit.abrasive != step.grit.abrasive:
        left = {p: share for p in pair if (share := cut_left(step.grit.abrasive, p.material)) < 1.0}
        names = joined([f"{plate.name} ({plate.material.name})" for plate in left])
        fields = {"kind": step.grit.abrasive or "", "hardly": min(left.values()) > NOT}
        first = to.grit.abrasive or ""
        lines.append(say("advice.mend.abrasive", units, **fields, plates=names, first=first))
    if step.grit.held_in is not None and to.grit.held_in is None:
        hard = plates[step.grit.held_in]
        lines.append(say("advice.mend.held", plate=hard.name, material=hard.material.name))
    return lines


# --- whether the goal is reached -----------------------------------------------------------------


def asked_of(view: RunView) -> tuple[Constraint, ...]:
    """What the study's [goal] asks of its plates; nothing where it has none."""
    goal = view.study.goal
    return () if goal is None else constraints_of(goal, view.study.plates)


def goal_of(view: RunView) -> tuple[str, bool]:
    """Whether what is asked for is reached, as a sentence, and so or not.

    Without a [goal] that is what is usual, and "" where it is reached or not known.
    """
    goal, units = view.study.goal, view.units
    asked = constraints_of(goal or USUAL.replace(plates=tuple(view.run.plates)), view.study.plates)
    sizes = [(one, _size(view, one)) for one in asked]
    # What is not known counts as missed.
    missed = [(one, size) for one, size in sizes if not size <= one.limit * ENOUGH]
    if missed:
        one, size = max(missed, key=lambda each: each[1] / each[0].limit)
        fields: Fields = {
            "what": label(one),
            "size": size,
            "limit": one.limit,
            "rough": units.finer(size, doubt_at_end(view.study, one.plate)),
        }
        if goal is None and not math.isfinite(size):
            return "", False
        return say(f"advice.goal.{'usual' if goal is None else 'missed'}", units, **fields), False
    if goal is None or not asked:
        return "", bool(asked)
    worst, most = _past_by_layer(view, asked)
    past = {"what": label(worst) if worst else "", "most": units.size(most) if worst else ""}
    return say("advice.goal.reached", goal=asked_for(asked, units), **past), True


class Passed(NamedTuple):
    """Where a run was nearest its goal, well before its end: place in the history, and the worst of it.

    `one`: what is the worst at the end, so large `then` and at the `end` [m].
    """

    at: int
    one: Constraint
    then: float
    end: float


def passed(view: RunView) -> Passed | None:
    """Where the last step should have stopped, because lapping on took it away from the goal again.

    None where the goal is reached at the end, a gauge stops the step, or the history does not tell.
    """
    run, study = view.run, view.study
    asked = constraints_of(study.goal or USUAL.replace(plates=tuple(run.plates)), study.plates)
    told = run.outcome in WENT_THROUGH and study.batch is None and study.rounds == 1
    if not told or not asked or sizes_of(study) or study.steps[-1].until is not None:
        return None
    sizes = []
    for one in asked:
        record = run.plates.get(one.plate or "")
        if record is None or run.as_read(one.plate or "") is not None:
            return None
        values = np.asarray(record.forms[one.measure], dtype=float)
        sizes.append(np.abs(values - values[0] if one.kept else values))
    shares = np.array([size / one.limit for size, one in zip(sizes, asked, strict=True)])
    doubt = min(doubt_at_end(study, one.plate) / one.limit for one in asked)
    at, k = best(shares.max(axis=0), doubt), int(shares[:, -1].argmax())
    if at is None or shares[k, -1] <= ENOUGH or int(run.step[at]) != len(study.steps):
        return None
    return Passed(at, asked[k], float(sizes[k][at]), float(sizes[k][-1]))


def by_layer(view: RunView, asked: Sequence[Constraint]) -> str:
    """Which asked form could be past its limit by the layer alone, and how large at most, in words; or ""."""
    worst, most = _past_by_layer(view, asked)
    return say("advice.by_layer", view.units, what=label(worst), most=most) if worst else ""


def _past_by_layer(view: RunView, asked: Sequence[Constraint]) -> tuple[Constraint | None, float]:
    """What could be past its limit by the layer alone, the farthest, and its size then [m]; or none."""
    most = {}
    for one in asked:
        bands = view.run.layer_bands.get(one.plate or "", {})
        ends = bands.get("sphere" if one.form == "dome" else one.form)
        if ends is None or one.kept or view.run.as_read(one.plate or "") is not None:
            continue
        size = max(map(abs, ends))
        if size > one.limit * ENOUGH:
            most[one] = size
    worst = max(most, key=lambda one: most[one] / one.limit, default=None)
    return worst, most[worst] if worst else 0.0


def _size(view: RunView, one: Constraint) -> float:
    """Size of an asked quantity at the end [m], or how far it moved."""
    first, last = (_value(view, one, at) for at in (0, -1))
    size = abs(last - first) if one.kept else abs(last)
    return size if math.isfinite(size) else math.inf


def _value(view: RunView, one: Constraint, at: int) -> float:
    if one.plate is not None:
        return form_as_read(view, one.plate, "sphere" if one.form == "dome" else one.form, at)
    names = view.run.bottom[at], view.run.top[at]
    if one.form == "difference":
        faces = {name: view.face(name) for name in names}
        domes = [
            form_as_read(view, n, "bow" if f is not None and f.long else "sphere", at)
            for n, f in faces.items()
        ]
        return domes[0] - domes[1]
    maps = [np.asarray(view.run.plates[name].frames[at], dtype=float) for name in names]
    below, above = (view.study.plates[name] for name in names)
    return float(mating(below, maps[0], above, maps[1], view.study.margin))


def form_as_read(view: RunView, plate: str, key: str, at: int = -1) -> float:
    """A form of a face at the end (0: at the start) as it is read, on the feet of its plate [m]."""
    face = view.face(plate)
    lies = None if face is None else view.run.as_read(plate, at)
    if lies is not None:
        value = lies[key]
        return math.nan if value is None else value
    values = np.zeros(0) if face is None else face.form(key)
    return float(values[at]) if values.size else math.nan


SIDE = 0.1  # of the smaller plate: a stroke whose middle lies further off stays on one side


def one_sided(step: Step, plates: Iterable[Face]) -> bool:
    """Whether a stroke stays on one side of the plate below, nobody walking round with it."""
    least = min(min(face.half) for face in plates)
    carried = step.carry_centre and step.walk.angle != 0.0
    return hypot(*step.centre) > SIDE * least and not carried
