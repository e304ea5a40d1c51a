"""How a pair stands at the end of a run, and what to do next with a part on another outline.

What to do next with a part on another outline: the direction alone, from where the run was going.

How a pair stands at the end of a run, and how much metal an error takes until it is gone.

What `advice` and `unlike` share: the pair as it is, the step that it was lapped by, and amounts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, radians

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlook
from lapwright.metrology.form import SPOKEN
from lapwright.presentation import words
from lapwright.presentation import words as shapes
from lapwright.presentation.run_view import Face, RunView, going, one_sided
from lapwright.presentation.tables import turn_words
from lapwright.specification.curves import arc_moments
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step, Swap, Turn
from lapwright.units import Units

__all__ = [
    "AIMS",
    "EVERY",
    "QUARTERS",
    "TELLS",
    "TRIED",
    "TURN",
    "Advice",
    "Aim",
    "Seen",
    "advise_unlike",
    "amount",
    "bedding",
    "coarser",
    "even",
    "lasting",
    "look",
    "step_width",
    "turning_out",
    "turns_enough",
]


AIMS = ("difference", *SPOKEN, "flatness", "lift")
EVERY = 300.0  # swap and fresh grit [s]
TURN = Turn(radians(8.0))
QUARTERS = Turn(0.5 * pi, 10)
TRIED = 600.0  # [s]
LONG = 3.0 * 3600.0  # [s] of rubbing: from here on a coarser grit is worth the washing
TELLS = 0.25e-6  # [m] that a comparator tells two plates apart by (common practice, no source)

Aim = tuple[str, tuple[str, ...]]


@dataclass(frozen=True)
class Advice:
    """What to do next: `text` in words; `steps` the same for the engine, `aims` what gets smaller by them.

    An aim is a word of `AIMS` and the plates it is meant of.  Where nothing is to be lapped, both are empty.
    """

    kind: str
    text: str
    steps: tuple[Step, ...] = ()
    aims: tuple[Aim, ...] = ()


@dataclass(frozen=True)
class Seen:
    """The pair that lay on each other last, as it is now, with the step that it was lapped by."""

    said: RunView
    step: Step
    ahead: Outlook
    top: Face
    bottom: Face
    equal: bool

    @property
    def finish(self) -> float:
        """The rougher finish of the two [m]."""
        return max(self.top.finish or 0.0, self.bottom.finish or 0.0)

    @property
    def names(self) -> tuple[str, str]:
        """Of the two, in the order of the study."""
        return (
            (self.top.name, self.bottom.name)
            if self._first is self.top
            else (self.bottom.name, self.top.name)
        )

    @property
    def _first(self) -> Face:
        return min((self.top, self.bottom), key=self.said.faces.index)

    @property
    def mated(self) -> bool:
        """Whether they bear all over, as far as is known."""
        share = self.said.bearing_share
        return share is None or share >= words.BEARS_ALL_OVER

    @property
    def squeeze(self) -> float:
        """How far the grit layer gives on average [m]."""
        return self.ahead.pressure_mean / self.step.grit.layer.stiffness

    def size(self, key: str, whole: bool = False) -> float:
        """A form of the larger of the two [m], signed; `whole`: at edge margin 0."""
        return max((self.of(f, key, whole) for f in (self.top, self.bottom)), key=abs)

    def of(self, face: Face, key: str, whole: bool = False) -> float:
        """A form of one face [m], 0 where it is not known."""
        got = face.record.forms_margin0.get(key) if whole else None
        value = face.after.get(key) if got is None or not len(got) else float(got[-1])
        return float(value) if value is not None and np.isfinite(value) else 0.0


def look(said: RunView) -> Seen | None:
    """How the last pair stands; None where there was none, or the study cannot be read any more."""
    pair = said.pair
    if pair is None:
        return None
    top, bottom = (said.face(name) for name in pair)
    number = int(said.run.step[-1])
    if top is None or bottom is None or not 1 <= number <= len(said.steps):
        return None
    step = replace(
        said.steps[number - 1], top=top.name, bottom=bottom.name, hand=Hand(), until=None
    )
    plates = said.study.plates
    try:
        ahead = outlook(plates, step)
    except LapwrightError:
        return None
    outlines = plates[top.name].outline, plates[bottom.name].outline
    return Seen(said, step, ahead, top, bottom, outlines[0] == outlines[1])


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


def coarser(seen: Seen, metal: float, step: Step) -> tuple[Step, str]:
    """The step, and nothing; or, where so much metal [m] takes too long, with a coarser grit, and why."""
    said = seen.said
    seconds = lasting(seen, metal, step).time or 0.0
    before = [s.grit for s in said.steps if s.grit.size > 1.2 * step.grit.size]
    if seconds <= LONG or not before:
        return step, ""
    grit, slow = before[-1], Units.number(seconds / 3600.0)
    name = (
        grit.name if any(c.isdigit() for c in grit.name) else f"{Units.number(grit.size / 1e-6)} um"
    )
    return replace(
        step, grit=grit
    ), f"Go back to the coarser grit ({name}), this one takes about {slow} h"


# --- sentences that several answers share ------------------------------------------------------


def amount(seen: Seen, metal: float, step: Step) -> str:
    """How much metal is to go, and about how long that takes, in words."""
    said = seen.said
    ahead = outlook(said.study.plates, replace(step, time=TRIED, strokes=None))
    seconds = TRIED * metal / ahead.removed if ahead.removed > 0.0 else 0.0
    off = f"about {said.units.both(metal)} more is off (mean of both)"
    return f"{off}: {Units.rubbing(seconds, said.spread)}" if seconds > 0.0 else off


def lasting(seen: Seen, metal: float, step: Step) -> Step:
    """The step, as long as it takes for so much metal [m]."""
    ahead = outlook(seen.said.study.plates, replace(step, time=TRIED, strokes=None))
    return replace(step, strokes=None, time=TRIED * metal / max(ahead.removed, 1e-12))


def even(step: Step) -> Step:
    """The step with even swaps."""
    return replace(step, swap=Swap({step.top: EVERY, step.bottom: EVERY}))


def step_width(seen: Seen) -> float:
    """Width of the top along the stroke [m]."""
    return float(seen.said.study.plates[seen.top.name].outline.width_along(seen.step.direction))


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
        text = (
            f"Lap with {part.name} {'further out over the rim' if out else 'further in'}: {shape}."
        )
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

    From the moment law (`lapwright.kinematics.sliding`): there <|c|^2> is the difference of the mean
    squares of both lands from their middles.  None where the part would have to lie nowhere.
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
