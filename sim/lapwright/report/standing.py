"""How a pair stands at the end of a run, and how much metal an error takes until it is gone.

What `advice` and `unlike` share: the pair as it is, the step that it was lapped by, and amounts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import pi, radians

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.lapping.outlook import Outlook, outlook
from lapwright.lapping.step import Hand, Step, Swap, Turn
from lapwright.plate.forms import SPOKEN
from lapwright.report import words
from lapwright.report.account import Account, Face
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

    said: Account
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


def look(said: Account) -> Seen | None:
    """How the last pair stands; None where there was none, or the study cannot be read any more."""
    pair = said.pair
    if pair is None:
        return None
    top, bottom = (said.face(name) for name in pair)
    number = int(said.run.step[-1])
    if top is None or bottom is None or not 1 <= number <= len(said.steps):
        return None
    step = replace(said.steps[number - 1], top=top.name, bottom=bottom.name, hand=Hand(), until=None)
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
    name = grit.name if any(c.isdigit() for c in grit.name) else f"{Units.number(grit.size / 1e-6)} um"
    return replace(step, grit=grit), f"Go back to the coarser grit ({name}), this one takes about {slow} h"


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
