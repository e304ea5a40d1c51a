"""A step before it is lapped, as a preview says it; what a study leaves unsaid.

Functions of the step, its plates and its outlook; sizes in the study's units, what was typed said back as
typed.  Which plate goes domed is in `way_round`, what stays on both in `staying`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING

from lapwright.kinematics.motion import rev, spins
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import limit_of, why_band
from lapwright.metrology.form import SPOKEN
from lapwright.presentation import size_words, words
from lapwright.presentation.tables import (
    around,
    echoed,
    limit,
    palms,
    short,
    stays_on_top,
    stroke_words,
    swaps_words,
)
from lapwright.presentation.words import Fields, say
from lapwright.specification.curves import Still
from lapwright.specification.outline import Disc
from lapwright.specification.step import Step
from lapwright.specification.supports import said_of_supports
from lapwright.units import METRIC, NOTHING, PSI, Units, joined

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Turn, Until
    from lapwright.study.faces import Start
    from lapwright.study.model import Study


Plates = Mapping[str, "Plate"]

EDGE = 1e-6  # [m] over the edge, or inside it, from which it is said
SAME = 0.05  # of each other, from which two plates' sizes are told apart
SIMPLE = (1, 2, 3, 4, 5, 6, 8)  # shares that a person says: thirds, eighths, but no sevenths
ALMOST = 1e-9


def degrees(angle: float) -> str:
    """Size of an angle [rad] as it was typed."""
    return f"{abs(math.degrees(angle)):.3g} deg"


# --- plates ------------------------------------------------------------------------------------


def plate(of: Plate, units: Units = METRIC, brief: bool = False) -> str:
    """A plate as it comes: shape, thickness (where not `brief`), mass, metal, form."""
    along, across = (echoed(side, units) for side in of.outline.size)
    bore = echoed(of.outline.bore, units)
    kind = "ring" if of.outline.bore else "disc" if isinstance(of.outline, Disc) else "box"
    return say(
        "preview.plate",
        units,
        shape=say(f"preview.shape.{kind}", along=along, across=across, bore=bore),
        thick=units.length(of.thickness, echo=True) if of.thickness and not brief else "",
        grooves=of.grooves is not None,
        mass=of.total_mass,
        stands="" if brief else said_of_supports(of.supports),
        metal=of.material.name,
        form=form(of, units) + size_words.comes(of, units),
    )


def form(of: Plate, units: Units = METRIC) -> str:
    """How a face comes, in words."""
    start, outline = of.form, of.outline
    share = 1.0 - (0.5 * outline.bore / outline.radius) ** 2 if outline.bore > 0.0 else 0.0
    parts = [
        words.part_words(key, value, units)
        + (words.from_the_bore(value, share, units) if key == "sphere" else "")
        for key in SPOKEN
        if abs(value := getattr(start, key)) > (0.0 if start.measured is None else NOTHING)
    ]
    if start.ripple is not None:
        parts.append(say("preview.ripples", units, height=start.ripple.height))
    if start.measured is not None:
        parts.append(say("preview.map"))
    return ", ".join(parts) or "flat"


def came_from(start: Start) -> str:
    """Where the faces come from that are those at the end of a run."""
    tipped = start.outcome == "tipped"
    end = say("preview.end_of", run=start.run, title=start.title, time=start.time, tipped=tipped)
    names = [
        name if name == there else f"{name} (there {there})" for name, there in start.plates.items()
    ]
    return say("preview.came_from", plates=joined(names), several=len(names) > 1, end=end)


# --- what the hands do -------------------------------------------------------------------------


def schedule(step: Step, look: Outlook, units: Units = METRIC) -> list[str]:
    """How long, who is on top for how long, how often fresh grit."""
    parts = [say("preview.schedule.strokes", count=step.total_strokes)]
    if step.until is not None:
        parts = [say("preview.schedule.until", stop=stop_by_gauge(step.until, units))]
    elif step.time is not None:
        parts = [Units.spell(step.total_strokes / step.pace)]
    swap = step.swap
    if swap is not None and swap.read is not None:
        parts.append(say("preview.schedule.read", every=swap.read))
    elif swap is not None:
        times = stays_on_top(swap, units)
        each = [
            say("preview.schedule.on_top", plate=name, time=time) for name, time in times.items()
        ]
        even = len(set(times.values())) == 1
        parts.append(
            say("preview.schedule.swapped", every=times[step.top])
            if even
            else say("preview.schedule.by_turns", each=" and ".join(each))
        )
        parts.append(swaps_words(step, look.swaps))
    if step.fresh_every is not None:
        parts.append(say("preview.schedule.fresh", every=step.fresh_every))
    return [*parts, *around(step, units)]


def hand(
    step: Step, plates: Plates, look: Outlook, units: Units = METRIC, turned_bottom: bool = False
) -> list[str]:
    """What the hands do, and how far over the edge that is.

    `turned_bottom`: the study says that the bottom is turned under a person who stands still.
    """
    parts = [_with_travel(step, plates[step.top], units)]
    if step.centre != (0.0, 0.0):
        off = echoed(math.hypot(*step.centre), units)
        carried = step.carry_centre and step.walk.angle != 0.0 and not turned_bottom
        parts.append(say("preview.hand.middle", off=off, carried=carried and not spins(step)))
    parts.append(say("preview.hand.pace", pace=60.0 * step.pace))
    if step.turn.angle == 0.0:
        parts.append(say("preview.hand.never_turned"))
    else:
        fields: Fields = {"lifted": step.turn.indexed, "angle": _angle(step.turn)}
        parts.append(say("preview.hand.turned", **fields, speed=rev(step.turn, step)))
    if step.walk.angle:
        parts.append(_goes_round(step, turned_bottom or spins(step)))
    if not step.hand.steady:
        share = max(step.hand.amplitude, step.hand.pace)
        parts.append(say("preview.hand.scatter", share=share))
    return [", ".join(parts), over_the_edge(step, look, units, plates[step.top])]


REST = 2.0  # times as long as anybody strokes at one go: from there on the work is parted


def spell_of(step: Step, look: Outlook) -> float | None:
    """How long a hand keeps stroking at one go [s]; None where the step is no longer, or no hand strokes."""
    most, whole = limit_of("without a rest"), min(step.total_strokes / step.pace, look.time)
    if whole <= REST * most or isinstance(step.curve, Still) or spins(step):
        return None
    return min(most, step.fresh_every or most)


def rests(step: Step, look: Outlook) -> list[str]:
    """How the work of a step is parted, where nobody keeps it up at one go: strokes, and rests between them.

    At a fresh dab the hands are off anyhow.
    """
    spell = spell_of(step, look)
    if spell is None:
        return []
    each, dab = round(spell * step.pace), bool(step.fresh_every) and spell == step.fresh_every
    # Until a size is reached that is as many as that takes.
    count = min(step.total_strokes, round(look.time * step.pace))
    fields: Fields = {"count": count, "each": each, "spell": spell, "dab": dab}
    return [say("preview.rests", **fields, times=max(1, round(count / each)))]


def _goes_round(step: Step, bottom: bool) -> str:
    """How one walks round the bench, or how the bottom is turned instead, the other way round."""
    walk = step.walk
    if not bottom:
        return say("preview.hand.walk", angle=_angle(walk))
    under = replace(walk, angle=-walk.angle)
    angle = _angle(under)
    fields: Fields = {"bottom": step.bottom, "angle": angle, "back": under.angle < 0.0}
    return say("preview.hand.plate", **fields, speed=rev(walk, step))


def _with_travel(step: Step, top: Plate, units: Units) -> str:
    """The stroke, and its travel as a fraction of the top."""
    travel = 2.0 * step.curve.half_travel
    if travel <= 0.0:
        return say("preview.travel.none")
    stroke = stroke_words(step, units)
    share = travel / top.outline.width_along(step.direction)
    near = Fraction(share).limit_denominator(8)
    if near > 1:
        return say("preview.travel.times", stroke=stroke, times=share, top=step.top)
    simple = near.denominator in SIMPLE and abs(float(near) / share - 1.0) < 0.01
    part = "the width" if near == 1 else str(near)
    part = part if simple else Units.share(share)
    return say("preview.travel.share", stroke=stroke, share=part, top=step.top)


def _angle(turn: Turn) -> str:
    """An angle and how often; its sign is in the words."""
    every = turn.every if turn.indexed else 0
    return say("preview.hand.angle", angle=degrees(turn.angle), back=turn.angle < 0.0, every=every)


def _side(over: float, share: float, top: Plate | None) -> str:
    """Of which size of the top an overhang [m] is that share: of a long one its length or its breadth."""
    if top is None or not top.outline.long or share <= 0.0:
        return say("preview.edge.side.width")
    sizes = sorted(top.outline.size)
    across = over / share
    near = [abs(across / size - 1.0) < SAME for size in sizes]
    return say(f"preview.edge.side.{'breadth' if near[0] else 'length' if near[1] else 'slanting'}")


def over_the_edge(
    step: Step, look: Outlook, units: Units = METRIC, top: Plate | None = None
) -> str:
    """Overhang, where flat faces begin to lift, where the top tips."""
    first, other = look.overhang, look.edge.at.overhang
    if first > EDGE:
        over = say("preview.edge.over", units, overhang=first)
        share = look.overhang_share
        if abs(other - first) <= SAME * first:
            side = _side(first, share, top)
            over = say("preview.edge.share", over=over, share=share, side=side)
        elif other > EDGE:
            side = _side(other, share, top)
            fields: Fields = {"over": over, "other": other, "share": share, "side": side}
            over = say("preview.edge.another", units, **fields)
    elif first > -EDGE:
        over = say("preview.edge.just")
    else:
        over = say("preview.edge.inside", units, inside=-first)
    reaches = look.edge.limits.lift, look.edge.limits.tip
    lift, tip = (limit(reach, step, units) for reach in reaches)
    return say("preview.edge.text", top=step.top, over=over, lift=lift, tip=tip)


# --- press and cuts ------------------------------------------------------------------------------


def press(step: Step, plates: Plates, look: Outlook, units: Units = METRIC) -> str:
    """Weight, hand and pressure."""
    load, other = step.load, look.loads[step.bottom]
    by_hand = say("preview.press.nothing")
    if load.force > 0.0:
        typed = units.force(load.force, echo=units is METRIC)
        # A force typed in kg or lb has more figures in N than anybody wants.
        force = typed if short(typed) else units.force(load.force, 3)
        off = "" if load.at == (0.0, 0.0) else echoed(math.hypot(*load.at), units)
        by_hand = say("preview.press.hand", force=force, off=off, palms=palms(load, units))
    swapped = step.swap is not None and abs(other / look.load - 1.0) > SAME
    return say(
        "preview.press.text",
        units,
        top=step.top,
        bottom=step.bottom,
        mass=plates[step.top].total_mass,
        hand=by_hand,
        load=look.load,
        pressure=look.pressure_mean,
        other=units.force(other) if swapped else "",
    )


def cuts(study: Study, number: int, look: Outlook, brief: bool = False) -> str:
    """Metal off each plate in step `number` (from 1) with its band; and why, where not `brief`."""
    step, units = study.steps[number - 1], study.units
    if look.removed < NOTHING:
        return say("preview.cuts.none")
    spread, off = spread_of([step]), look.removed_from
    if step.until is not None and round(look.time * step.pace) < step.total_strokes:
        # How much comes off until a size is there is sure; how long that takes is not.
        parts = [say("preview.cuts.off", units, depth=d, plate=name) for name, d in off.items()]
        time = Units.rubbing(look.time, spread)
        often = _often(study, number)
        return say("preview.cuts.sized", each=joined(parts), time=time, often=often)
    fields: Fields = {
        "gauged": step.until is not None,
        "often": _often(study, number),
        "why": "" if brief else why_band(spread),
    }
    if max(off.values()) > (1.0 + SAME) * min(off.values()):
        parts = [say("preview.cuts.off", units, depth=d, plate=name) for name, d in off.items()]
        low, high = 1.0 / spread, spread
        return say("preview.cuts.unlike", units, each=joined(parts), low=low, high=high, **fields)
    low, high = look.removed / spread, look.removed * spread
    return say("preview.cuts.alike", units, off=look.removed, low=low, high=high, **fields)


def _often(study: Study, number: int) -> str:
    """For what the metal of a step is said, where it is gone through more than once; "" where once."""
    batch = study.batch
    if batch is not None and batch.laps(study.steps[number - 1]):
        return say("preview.cuts.part", part=batch.part)
    if batch is not None and batch.dresses(number):
        return say("preview.cuts.dress")
    return say("preview.cuts.round") if study.rounds > 1 else ""


# --- what is taken as usual --------------------------------------------------------------------

# What is taken as usual, by the room of the study in which it would stand.
KINDS = {"plates": "plate", "parts": "plate", "grits": "grit", "steps": "step", "goal": "goal"}


def in_words(study: Study) -> list[str]:
    """One line for all that is taken alike: of the study, of plates, of grits, of steps."""
    # Of plates, grits and steps: those for which the same is taken, by what it is.
    named: dict[str, dict[tuple[str, str], list[str]]] = {"plate": {}, "grit": {}, "step": {}}
    whole, handling = [], []
    for key, value in study.assumed.items():
        kind, name, what = (*key.split(".", 2), "", "")[:3]
        kind = KINDS.get(kind, "")
        if kind == "step" and what.startswith("grit."):
            kind, name = "grit", study.steps[int(name) - 1].grit.name
            what = what.removeprefix("grit.")
        if kind == "goal":
            handling.append(f"{what} {value}")
            continue
        if not kind or not what:
            whole.append(f"{key} {value}")
            continue
        taken = _of_grit(study, name, what, value) if kind == "grit" else (what, value)
        names = named[kind].setdefault(taken, [])
        names += [name] if name not in names else []
    lines = [("the study", "; ".join(whole))] if whole else []
    for kind, taken_of in named.items():
        alike: dict[tuple[str, ...], list[str]] = {}
        for (what, value), names in taken_of.items():
            alike.setdefault(tuple(names), []).append(f"{what.replace('.', ' ')} {value}")
        for names_alike, parts in alike.items():
            more = "" if len(names_alike) == 1 or kind == "grit" else "s"
            lines.append((f"{kind}{more} {joined(names_alike)}", "; ".join(parts)))
    lines += [("handling", "; ".join(handling))] if handling else []
    width = max((len(head) for head, _ in lines), default=0) + 2
    return [f"{head:<{width}}{what}" for head, what in lines]


def _of_grit(study: Study, name: str, what: str, value: str) -> tuple[str, str]:
    """What is taken of a grit, in the study's units and in words."""
    grit = next((s.grit for s in study.steps if s.grit.name == name), None)
    if grit is None or what not in ("wear", "layer", "fade"):
        return what, value
    units, typed = study.units, study.units is METRIC
    if what == "wear":
        return "cuts", say("preview.taken.wear", cuts=_wears(grit.wear.iron, units))
    if what == "fade":
        return "fade", say("preview.taken.fade")
    gives = units.size(grit.layer.depth, echo=typed)
    pressure = units.pressure(grit.layer.pressure, echo=typed)
    return "layer", say("preview.taken.layer", gives=gives, pressure=pressure)


def _wears(wear: float | None, units: Units) -> str:
    """A wear constant [1/Pa] in words."""
    if wear is None:
        return say("preview.wear.seen")
    if units is Units.INCH:
        per = wear * PSI * 12000.0 * 1e6  # uin in a thousand feet under a psi
        return say("preview.wear.inch", wear=per)
    return say("preview.wear.metric", wear=wear * 1e12)


# --- when to stop, and how fast things turn -----------------------------------------------------


def stop_by_gauge(until: Until, units: Units = METRIC) -> str:
    """What a gauge must show for the step to stop."""
    parts = []
    for key in ("difference", "flatness", "twist", "mating", "removed"):
        size = getattr(until, key)
        if key == "difference" and size is not None and size <= ALMOST * 1e-3:
            parts.append(say("orders.stop.same"))
        elif size is not None:
            parts.append(say(f"orders.stop.{key}", units, size=size))
    return joined([*parts, *size_words.stop_sizes(until, units)])
