"""A step as orders for the bench, as the work card has them.

Angles are the hours of a clock, seen from above and from where you stand, so 12 is away from you and 3 to
your right.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lapwright.kinematics.motion import rev, spins
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND, why_band
from lapwright.presentation.beforehand import ALMOST, Plates, degrees, spell_of
from lapwright.presentation.tables import echoed, limit, palms, stays_on_top
from lapwright.presentation.words import Fields, say
from lapwright.specification.curves import Still
from lapwright.specification.step import Step
from lapwright.units import GRAVITY, METRIC, Units, joined

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.batch import Batch
    from lapwright.specification.step import Turn


@dataclass(frozen=True)
class Order:
    """One line of a step: the word before it, and what to do; `ticks`: boxes to tick, one for each time."""

    word: str
    text: str
    ticks: int = 0


def orders(
    step: Step,
    plates: Plates,
    look: Outlook,
    units: Units = METRIC,
    turned_bottom: bool = False,
    batch: Batch | None = None,
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
    batch
        Of the study, if there is one: then nothing changes places, and several parts may lie on the plate.

    """
    under = turned_bottom or spins(step)
    gang = batch if batch is not None and batch.together > 1 and batch.laps(step) else None
    stroke = _stroke(step, units, under, gang is not None and not gang.carried)
    stroke = say("orders.stroke", stroke=stroke, edge=_edge(step, look, units))
    turns = [Order("Turn", _turn(step))]
    if step.walk.angle:
        turns.append(Order("Plate" if under else "Walk", _walk(step, under)))
    speeds = rev(step.turn, step), rev(step.walk, step)
    if under and all(speeds):
        top, bottom = speeds
        ways: Fields = {"back": step.walk.angle > 0.0, "top_back": step.turn.angle < 0.0}
        turns = [Order("Turn", say("orders.turn.both", **ways, top=top, bottom=bottom))]
    lines = [
        Order("On top", _on_top(step, look, units) if batch is None else ""),
        Order("Stroke", stroke),
        Order("Lay", _stations(step, gang, units) if gang is not None else ""),
        *turns,
        Order("Press", _press(step, units, gang)),
        _fresh(step),
        Order("Rest", _rests(step, look)),
        Order("Liquid", "" if step.liquid == Step.liquid else step.liquid),
        Order("Note", step.note or ""),
    ]
    return [line for line in lines if line.text]


def grit_words(step: Step) -> str:
    """The grit by its name, with its size where the name does not tell it."""
    name = step.grit.name
    told = name.endswith((" um", " uin")) or name.startswith(METRIC.grain(step.grit.size))
    size = "" if told else METRIC.grain(step.grit.size)
    kind = "" if name.endswith(step.grit.abrasive or "") else step.grit.abrasive or ""
    grit = {"abrasive": kind, "held": step.grit.held_in or ""}
    return say("orders.grit.name", name=name, size=size, **grit)


def _on_top(step: Step, look: Outlook, units: Units) -> str:
    swap = step.swap
    if swap is None:
        return say("orders.on_top.always", top=step.top)
    if swap.read is not None:
        return say("orders.on_top.read", every=swap.read)
    stays = stays_on_top(swap, units)
    first, other, metal = stays[step.top], stays[step.bottom], ""
    if swap.removed and min(look.thins.values()) > 0.0:
        # How long each stay in metal lasts with a fresh dab.
        spread = spread_of([step])
        lasts = [swap.removed[name] / look.thins[name] for name in (step.top, step.bottom)]
        one, two = (rubbed(time, step.pace, spread) for time in lasts)
        metal = one if one == two else f"{step.top} {one}, {step.bottom} {two}"
        if one != two and spread >= BAND:
            one, two = (Units.band(time, spread) for time in lasts)
            metal = f"{step.top} {one}; {step.bottom} {two} {why_band(spread)}"
    if swap.even:
        return say("orders.on_top.even", top=step.top, every=first, metal=metal)
    fields: Fields = {"top": step.top, "bottom": step.bottom, "first": first, "other": other}
    return say("orders.on_top.uneven", **fields, metal=metal)


def rubbed(time: float, pace: float, spread: float) -> str:
    """A time of rubbing [s] for the bench: strokes where the wear was learnt, minutes with their band else.

    `pace` [strokes/s]; `spread`: to what factor the wear is known.
    """
    if spread >= BAND:
        return Units.rubbing(time, spread)
    strokes = time * pace
    return say("orders.rubbed", strokes=strokes, low=strokes / spread, high=strokes * spread)


def _stroke(step: Step, units: Units, under: bool = False, laid: bool = False) -> str:
    """`under`: the bottom turns, nobody walks; `laid`: where the parts lie is told by itself."""
    curve, pace = step.curve, Units.number(60.0 * step.pace, 2, True)
    if isinstance(curve, Still):
        stroke = say("orders.still", pace=pace)
    else:
        way = _way(step.direction) if curve.lies else ""
        fields: Fields = {"way": way, "manner": curve.manner, "paced": curve.paced, "pace": pace}
        stroke = say("orders.paced", stroke=curve.spoken(units), **fields)
    off = math.hypot(*step.centre)
    if off <= ALMOST or laid:
        return stroke
    hour, carried = Units.hour(*step.centre), "walked" if step.carry_centre else "stands"
    there = say(f"orders.carried.{'under' if under else carried}")
    return say("orders.off_centre", units, stroke=stroke, off=off, hour=hour, carried=there)


def _stations(step: Step, batch: Batch, units: Units) -> str:
    """Where the parts of a load lie, in the order in which they are laid."""
    at = [batch.place(k, step.centre) for k in range(batch.together)]
    if batch.carried:
        at = [batch.place(k, (0.0, 0.0)) for k in range(batch.together)]
    far = [math.hypot(*place) for place in at]
    even = max(far) - min(far) <= ALMOST
    hours = [
        Units.hour(*place) if even else say("orders.lay.place", units, off=off, hour=Units.hour(*place))
        for place, off in zip(at, far, strict=True)
    ]  # fmt: skip
    count, middle = str(batch.together), batch.carrier or ""
    return say(
        "orders.lay.text",
        units,
        count=count,
        off=echoed(far[0], units) if even else "",
        each=joined(hours),
        carrier=middle,
    )


def _edge(step: Step, look: Outlook, units: Units) -> str:
    begins = look.edge.limits.lift
    lift = say("orders.begins", units, overhang=begins.overhang)
    if begins.overhang <= 0.0:
        lift = limit(begins, step, units)
    over, lifts = look.nearest_overhang, "_lifts" if look.lifts else ""
    side = "over" if over > 0.0 else "inside"
    return say(f"orders.edge.{side}{lifts}", units, overhang=over, lift=lift)


def _way(direction: float) -> str:
    """Which way a stroke lies, as seen from where you stand."""
    along = direction % math.pi
    if min(along, math.pi - along) < math.radians(1.0):
        return say("orders.way.side")
    if abs(along - math.pi / 2) < math.radians(1.0):
        return say("orders.way.away")
    hour = Units.hour(math.cos(direction), math.sin(direction))
    return say("orders.way.towards", hour=hour)


def _turn(step: Step) -> str:
    turn = step.turn
    angle, back = degrees(turn.angle), turn.angle < 0.0
    if not turn.angle:
        return say("orders.turn.none")
    if turn.indexed:
        every = turn.every if turn.every > 1 else 0
        return say("orders.turn.lifted", angle=angle, every=every, back=back)
    if speed := rev(turn, step):
        return say("orders.turn.fast", speed=speed, back=back)
    return say("orders.turn.stroke", angle=angle, back=back, strokes=_once_round(turn))


def _walk(step: Step, bottom: bool) -> str:
    """`bottom`: it is turned instead, the other way round."""
    walk = step.walk
    if bottom and (speed := rev(walk, step)):
        return say("orders.plate", speed=speed, back=walk.angle > 0.0)
    return say(
        "orders.walk",
        bottom=bottom,
        angle=degrees(walk.angle),
        every=walk.every if walk.indexed else 0,
        back=(walk.angle < 0.0) != bottom,
        round=0.0 if walk.indexed else _once_round(walk),
    )


def _once_round(turn: Turn) -> float:
    """How many strokes make one whole turn."""
    return 2.0 * math.pi / abs(turn.angle)


def _press(step: Step, units: Units, gang: Batch | None = None) -> str:
    """`gang`: parts of a load that are pressed each, or all by one weight."""
    load, off = step.load, math.hypot(*step.load.at)
    text = say("orders.press.none")
    if load.force > 0.0:
        text = say(
            f"orders.press.by.{'hand' if gang is None else 'weight' if gang.joined else 'each'}",
            units,
            force=load.force,
            felt=load.force / GRAVITY,
            palms=palms(load, units),
        )
    if off > ALMOST:
        hour, stays = Units.hour(*load.at), say(f"orders.press.stays.{load.fixed_to}")
        text = say("orders.press.place", units, press=text, off=off, hour=hour, stays=stays)
    if load.push_height > ALMOST:
        text = say("orders.press.push", units, press=text, height=load.push_height)
    return text


def _rests(step: Step, look: Outlook) -> str:
    """How the work is parted where nobody keeps it up at one go; at a fresh dab the hands are off anyhow."""
    spell = spell_of(step, look)
    if spell is None:
        return ""
    strokes = round(spell * step.pace)
    return say("orders.rest", strokes=strokes, spell=spell, dab=spell == step.fresh_every)


def _fresh(step: Step) -> Order:
    every, grit = step.fresh_every, grit_words(step)
    if every is None:
        return Order("Grit", say("orders.grit.once", grit=grit))
    ticks = math.ceil(step.total_strokes / step.pace / every - 1e-6)
    return Order("Grit", say("orders.grit.fresh", grit=grit, every=every), max(1, ticks))
