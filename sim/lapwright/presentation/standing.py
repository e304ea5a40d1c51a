"""How a pair stands at the end of a run, whether its goal is reached, and how much metal an error takes.

What the answers of `advice` share: the pair as it is, the step that it was lapped by, steps and amounts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import hypot, pi
from typing import Any

import numpy as np

from lapwright.contact.placement import mating
from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlook
from lapwright.optimisation.track import Constraint, constraints_of
from lapwright.presentation import words
from lapwright.presentation.run_view import Face, RunView, common_removed
from lapwright.presentation.tuning_notes import asked_for, label
from lapwright.presentation.words import say
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step, Swap, Turn
from lapwright.units import METRIC, Units

EVERY = 300.0  # swap and fresh grit [s]
TRIED = 600.0  # [s]
LONG = 3.0 * 3600.0  # [s] of rubbing: from here on a coarser grit is worth the washing
ENOUGH = 1.0 + 1e-9


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

    @property
    def finish(self) -> float:
        """The rougher finish of the two [m]."""
        return max(self.top.finish or 0.0, self.bottom.finish or 0.0)

    @property
    def names(self) -> tuple[str, ...]:
        """Of the two, in the order of the study."""
        pair = (self.top.name, self.bottom.name)
        return tuple(face.name for face in self.view.faces if face.name in pair)

    @property
    def mated(self) -> bool:
        """Whether they bear all over, as far as is known."""
        share = self.view.bearing_share
        return share is None or share >= words.BEARS_ALL_OVER

    @property
    def squeeze(self) -> float:
        """How far the grit layer gives on average [m]."""
        return self.ahead.pressure_mean / self.step.grit.layer.stiffness

    @property
    def width(self) -> float:
        """Width of the top along the stroke [m]."""
        return self.plates[0].outline.width_along(self.step.direction)

    def size(self, key: str) -> float:
        """A form of the larger of the two [m], signed."""
        return max((self.of(f, key) for f in (self.top, self.bottom)), key=abs)

    @property
    def crossed(self) -> str:
        """The larger of twist and saddle."""
        return "twist" if abs(self.size("twist")) >= abs(self.size("saddle")) else "saddle"

    def of(self, face: Face, key: str, whole: bool = False) -> float:
        """A form of one face [m], 0 where it is not known; `whole`: at edge margin 0."""
        to_the_edge = face.record.forms_margin0.get(key) if whole else None
        given = to_the_edge is not None and len(to_the_edge)
        value = to_the_edge[-1] if to_the_edge is not None and given else face.after.get(key)
        return float(value) if value is not None and np.isfinite(value) else 0.0

    def apart(self, key: str) -> float:
        """Half of what the top is more domed than the bottom [m], at edge margin 0."""
        return 0.5 * (self.of(self.top, key, True) - self.of(self.bottom, key, True))

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


# --- whether the goal is reached -----------------------------------------------------------------


def goal_of(view: RunView) -> tuple[str, bool]:
    """What the study asks for in [goal], as a sentence, and whether all of it is reached; "" for nothing."""
    goal, units = view.study.goal, view.units
    asked = () if goal is None else constraints_of(goal, view.study.plates)
    sizes = [(one, _size(view, one)) for one in asked]
    # What is not known counts as missed.
    missed = [(one, size) for one, size in sizes if not size <= one.limit * ENOUGH]
    if missed:
        one, size = max(missed, key=lambda each: each[1] / each[0].limit)
        what = label(one)
        return say("advice.goal.missed", units, what=what, size=size, limit=one.limit), False
    if not asked:
        return "", False
    return say("advice.goal.reached", units, goal=asked_for(asked, units)), True


def _size(view: RunView, one: Constraint) -> float:
    """Size of an asked quantity at the end [m], or how far it moved."""
    first, last = (_value(view, one, at) for at in (0, -1))
    size = abs(last - first) if one.kept else abs(last)
    return size if math.isfinite(size) else math.inf


def _value(view: RunView, one: Constraint, at: int) -> float:
    if one.plate is not None:
        return _form(view.face(one.plate), "sphere" if one.form == "dome" else one.form, at)
    names = view.run.bottom[at], view.run.top[at]
    if one.form == "difference":
        faces = [view.face(name) for name in names]
        domes = [_form(f, "bow" if f is not None and f.long else "sphere", at) for f in faces]
        return domes[0] - domes[1]
    maps = [np.asarray(view.run.plates[name].frames[at], dtype=float) for name in names]
    below, above = (view.study.plates[name] for name in names)
    return float(mating(below, maps[0], above, maps[1], view.study.margin))


def _form(face: Face | None, key: str, at: int) -> float:
    values = np.zeros(0) if face is None else face.form(key)
    return float(values[at]) if values.size else math.nan


LAST = 0.4  # of the metal of the last step: from its end is read where a form is going
FALLS = 0.03  # of the form, for each of its own size in metal: below this it stays as it is
SIDE = 0.1  # of the smaller plate: a stroke whose middle lies further off stays on one side


def going(said: RunView, face: Face, key: str) -> float:
    """How the size of a form went at the end of the last step, per metal off: below 0, it gets less.

    0 where it stayed as it was within a few hundredths.
    """
    run, values = said.run, np.abs(face.form(key))
    metal = common_removed(said)
    last = np.flatnonzero(np.asarray(run.step) == int(run.step[-1]))
    if last.size < 3 or metal[last[-1]] - metal[last[0]] <= 0.0:
        return 0.0
    begin = metal[last[-1]] - LAST * (metal[last[-1]] - metal[last[0]])
    some = last[metal[last] >= begin]
    if some.size < 3:
        some = last[-3:]
    slope = float(np.polyfit(metal[some], values[some], 1)[0]) if np.ptp(metal[some]) > 0.0 else 0.0
    return slope if abs(slope) >= FALLS else 0.0


def one_sided(step: Step, plates: Iterable[Face]) -> bool:
    """Whether a stroke stays on one side of the plate below, nobody walking round with it."""
    least = min(min(face.half) for face in plates)
    carried = step.carry_centre and step.walk.angle != 0.0
    return hypot(*step.centre) > SIDE * least and not carried


# --- steps and amounts -----------------------------------------------------------------------------


def turns_enough(step: Step) -> bool:
    """Whether the top comes to lie on the bottom in other ways than straight and half turned."""
    ways = [t for t in (step.turn, step.walk) if t.angle != 0.0]
    if len(ways) == 2 and not any(t.indexed for t in ways):
        ways = [Turn(ways[0].angle + ways[1].angle)]
    left = [abs((t.angle + 0.5 * pi) % pi - 0.5 * pi) for t in ways if t.indexed]
    left += [abs((t.angle + pi) % (2.0 * pi) - pi) for t in ways if not t.indexed]
    return any(angle > 1e-6 for angle in left)


# How much metal goes until nine tenths of an error are gone, mean of both plates.  Fitted to runs of the
# engine: two equal discs, errors of 1 to 6 um, a squeeze of 0.26 and 0.78 um; within a seventh of each.


def turning_out(twist: float, squeeze: float) -> float:
    """Metal off each [m] until nine tenths of a twist that both have are turned out."""
    return 0.2 * abs(twist) + 3.0 * squeeze


def bedding(mismatch: float, squeeze: float) -> float:
    """Metal off each [m] until nine tenths of a mismatch at the rim are gone."""
    return 0.09 * abs(mismatch) + 1.5 * squeeze


def timed(step: Step, time: float, **changes: Any) -> Step:
    """The step for so long [s], and what else is changed in it."""
    return replace(step, strokes=None, time=time, **changes)


def even(step: Step, **changes: Any) -> Step:
    """The step with even swaps, and what else is changed in it."""
    return replace(step, swap=Swap({step.top: EVERY, step.bottom: EVERY}), **changes)


def _rate(pair: Pair, step: Step) -> float:
    """Metal that a step takes off each [m/s]."""
    return outlook(pair.view.study.plates, timed(step, TRIED)).removed / TRIED


def until(pair: Pair, metal: float, step: Step) -> tuple[str, Step]:
    """How much metal [m] is to go and about how long that takes, in words; and the step for so long."""
    rate = _rate(pair, step)
    time = Units.rubbing(metal / rate, pair.view.spread) if rate > 0.0 and metal > 0.0 else ""
    return pair.say("amount", metal=metal, time=time), timed(step, metal / max(rate, 1e-12 / TRIED))


def coarser(pair: Pair, metal: float, step: Step) -> tuple[Step, str]:
    """The step, and nothing; or, where so much metal [m] takes too long, with a coarser grit, and why."""
    seconds = metal / max(_rate(pair, step), 1e-12 / TRIED)
    before = [s.grit for s in pair.view.steps if s.grit.size > 1.2 * step.grit.size]
    if seconds <= LONG or not before:
        return step, ""
    grit = before[-1]
    name = grit.name if any(c.isdigit() for c in grit.name) else METRIC.size(grit.size)
    return replace(step, grit=grit), pair.say("coarser", grit=name, hours=seconds / 3600.0)
