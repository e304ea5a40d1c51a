"""A step as orders for the bench: what the hands do, in short lines with a word before each.

Sizes that were typed are said back with two significant figures; angles as the hours of a clock, seen from
above and from where you stand, so 12 is away from you and 3 to your right.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.presentation.beforehand import limit, stays_on_top
from lapwright.presentation.tables import stroke_words
from lapwright.specification.curves import Still
from lapwright.specification.step import Step, Until
from lapwright.units import GRAVITY, METRIC, Units, joined

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.plate import Plate

__all__ = ["Order", "grit_words", "orders", "rubbed", "stop_by_gauge"]


ALMOST = 1e-9


@dataclass(frozen=True)
class Order:
    """One line of a step: the word before it, and what to do; `ticks`: boxes to tick, one for each time."""

    word: str
    text: str
    ticks: int = 0


def orders(
    step: Step,
    plates: Mapping[str, Plate],
    look: Outlook,
    units: Units = METRIC,
    turned_bottom: bool = False,
) -> list[Order]:
    """Everything that the hands do in a step, apart from when to stop.

    Parameters
    ----------
    step, plates, look
        The step, the plates of the study, and what can be said of the step beforehand.
    units
        Those of the person at the bench.
    turned_bottom
        The study says that the bottom is turned under a person who stands still.

    """
    said = [
        _on_top(step, look, units),
        Order("Stroke", f"{_stroke(step, units)}. {_edge(step, look, units)}"),
    ]
    said.append(Order("Turn", _turn(step)))
    if step.walk.angle:
        said.append(_walk(step, turned_bottom))
    said.append(Order("Press", _press(step, units)))
    said.append(_fresh(step))
    if step.note:
        said.append(Order("Note", step.note))
    return said


def grit_words(step: Step) -> str:
    """The grit by its name, with its size where the name does not tell it."""
    name, size = step.grit.name, f"{Units.number(step.grit.size / 1e-6)} um"
    told = name if any(name.endswith(unit) for unit in (" um", " uin")) else f"{name}, {size}"
    return f"{told}, held in {step.grit.held_in}" if step.grit.held_in else told


def stop_by_gauge(until: Until, units: Units = METRIC) -> str:
    """What a gauge must show for the step to stop."""
    parts = []
    if until.difference is not None:
        if until.difference <= ALMOST * 1e-3:
            parts.append("both read the same on the comparator")
        else:
            parts.append(f"both read within {units.size(until.difference)} on the comparator")
    if until.flatness is not None:
        parts.append(f"both are flat within {units.size(until.flatness)}")
    if until.twist is not None:
        parts.append(f"neither twist is over {units.size(until.twist)}")
    if until.mating is not None:
        parts.append(f"they bed to {units.size(until.mating)}")
    if until.removed is not None:
        parts.append(f"{units.size(until.removed)} is off, mean of both")
    return joined(parts)


def _on_top(step: Step, look: Outlook, units: Units) -> Order:
    swap = step.swap
    if swap is None:
        return Order("On top", f"{step.top}, all the time: never change places")
    if swap.read is not None:
        return Order(
            "On top",
            f"by reading: read both at the start and every {Units.spell(swap.read)}; the more domed goes "
            "on top",
        )
    stays = stays_on_top(swap, units)
    metal = f", mean of both; {_as_long(step, look)}" if swap.removed else ""
    if swap.even:
        return Order("On top", f"{step.top} first; change places every {stays[step.top]}{metal}")
    return Order(
        "On top",
        f"{step.top} {stays[step.top]}, then {step.bottom} {stays[step.bottom]}, and so on by turns{metal}",
    )


def _as_long(step: Step, look: Outlook) -> str:
    """How long each stay in metal lasts with a fresh dab."""
    assert step.swap is not None
    spread = spread_of([step])
    stays = {name: off / look.thins[name] for name, off in step.swap.removed.items()}
    said = {name: rubbed(time, step.pace, spread) for name, time in stays.items()}
    first, other = said[step.top], said[step.bottom]
    return first if first == other else f"{step.top} {first}, {step.bottom} {other}"


def rubbed(time: float, pace: float, spread: float) -> str:
    """A time of rubbing [s] for the bench: strokes where the wear was learnt, minutes with their band else.

    `pace` [strokes/s]; `spread`: to what factor the wear is known.
    """
    if spread >= BAND:
        return Units.rubbing(time, spread)
    low, middle, high = (Units.number(time * pace * by) for by in (1.0 / spread, 1.0, spread))
    return f"about {middle} strokes, {low} to {high}"


def _stroke(step: Step, units: Units) -> str:
    curve = step.curve
    if isinstance(curve, Still):
        text = (
            "none: the top only turns, paced as "
            f"{Units.number(60.0 * step.pace, 2, True)} strokes a minute"
        )
    else:
        towards = f", towards {_degrees(step.direction)} deg"
        text = stroke_words(step, units).removesuffix(towards)
        if curve.lies:
            text += f", {_way(step.direction)}"
        if curve.manner:
            text += f", {curve.manner}"
        text += f"; {Units.number(60.0 * step.pace, 2, True)} {curve.paced} a minute"
    off = math.hypot(*step.centre)
    if off > ALMOST:
        carried = ", carried round as you walk" if step.carry_centre else ""
        text += f"; its middle {units.length(off)} off centre, towards {Units.hour(*step.centre)}{carried}"
    return text


def _edge(step: Step, look: Outlook, units: Units) -> str:
    begins = look.edge.limits.lift
    lift = f"from {units.length(begins.overhang)} on"
    if begins.overhang <= 0.0:
        lift = limit(begins, step, units)
    over = look.overhang > 0.0
    said = (
        f"Over the edge by {units.length(look.overhang)} at most"
        if over
        else "Stays inside the edge"
    )
    if look.lifts:
        return f"{said}; IT LIFTS {lift}, mind your fingers"
    return f"{said}; it may lift {lift}" if over else said


def _way(direction: float) -> str:
    """Which way a stroke lies, as seen from where you stand."""
    along = direction % math.pi
    if min(along, math.pi - along) < math.radians(1.0):
        return "side to side"
    if abs(along - math.pi / 2) < math.radians(1.0):
        return "away from you and back"
    return f"towards {Units.hour(math.cos(direction), math.sin(direction))} and back"


def _degrees(angle: float) -> str:
    value = math.degrees(angle)
    return f"{'-' if value < 0 else ''}{abs(value):.3g}"


def _round(angle: float) -> str:
    """How many strokes make one whole turn."""
    return f"once round in {Units.number(2.0 * math.pi / abs(angle), 2)} strokes"


def _sense(angle: float) -> str:
    return "anticlockwise" if angle > 0.0 else "clockwise"


def _turn(step: Step) -> str:
    turn = step.turn
    if not turn.angle:
        return "do not turn the top in your hands"
    much = f"{_degrees(abs(turn.angle))} deg"
    if turn.indexed:
        often = "every stroke" if turn.every == 1 else f"every {turn.every} strokes"
        return f"lift and turn the top {much} {often}, {_sense(turn.angle)}"
    return f"{much} a stroke, {_sense(turn.angle)} from above: {_round(turn.angle)}"


def _walk(step: Step, turned_bottom: bool) -> Order:
    walk = step.walk
    angle = -walk.angle if turned_bottom else walk.angle
    often = "a stroke" if not walk.indexed else f"every {walk.every} strokes"
    pace = "" if walk.indexed else f": {_round(walk.angle)}"
    what = "turn the bottom under you" if turned_bottom else "step round the bench"
    return Order("Walk", f"{what}, {_degrees(abs(angle))} deg {often}, {_sense(angle)}{pace}")


def _press(step: Step, units: Units) -> str:
    load = step.load
    if load.force <= 0.0:
        text = "not at all: its own weight is enough"
    else:
        felt = units.mass(load.force / GRAVITY)
        text = f"{units.force(load.force)} by hand, like {felt} laid on it"
    x, y = load.at
    if math.hypot(x, y) > ALMOST:
        place = f"{units.length(math.hypot(x, y))} off the middle, towards {Units.hour(x, y)}"
        stays = {
            "hand": "of where you stand",
            "top": "at the start, and that spot turns with the top",
            "bench": "of the bench",
        }[load.fixed_to]
        text += f"; {place} {stays}"
    if load.push_height > ALMOST:
        text += f"; push {units.length(load.push_height)} above the faces"
    return text


def _fresh(step: Step) -> Order:
    every, grit = step.fresh_every, grit_words(step)
    if every is None:
        return Order("Grit", f"{grit}; one dab at the start, none after")
    time = step.total_strokes / step.pace
    return Order(
        "Grit",
        f"{grit}; a fresh dab every {Units.spell(every)}",
        max(1, math.ceil(time / every - 1e-6)),
    )
