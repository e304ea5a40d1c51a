"""Sentences about a step before it is lapped, and what a study leaves unsaid.

Pure functions of the step, its plates and its outlook; sizes in the study's units, what was typed said back
as typed.  Words as in `words`; which plate goes domed is in `way_round`, what stays on both in `staying`.

What a study leaves unsaid, and what is taken for it: grouped, so that it can be read at a glance.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from fractions import Fraction
from typing import TYPE_CHECKING

from lapwright.kinematics.schedule import spread_of
from lapwright.limits import limit_of
from lapwright.metrology.form import SPOKEN
from lapwright.presentation import words
from lapwright.specification.outline import Disc
from lapwright.units import METRIC, NOTHING, PSI, Units, joined

if TYPE_CHECKING:
    from lapwright.contact.stability import Reach
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Step, Swap, Turn
    from lapwright.study.model import Study
    from lapwright.study.start import Start

__all__ = [
    "came_from",
    "clock",
    "cuts",
    "echoed",
    "grain",
    "hand",
    "in_words",
    "limit",
    "over_the_edge",
    "plate",
    "press",
    "schedule",
    "stays_on_top",
    "wears",
]


Plates = Mapping[str, "Plate"]

HERE = 1e-4  # [m] from the middle
SAME = 0.05  # of each other, from which two plates' sizes are told apart
TYPED = 4  # a length of no more figures than this was typed; any other was worked out
SIMPLE = (1, 2, 3, 4, 5, 6, 8)  # shares that a person says: thirds, eighths, but no sevenths
REMARK = f" ({words.REMARK})"


def echoed(value: float, units: Units = METRIC) -> str:
    """A length at the bench [m]: as it was typed, or two figures of one that was worked out."""
    said = units.length(value, echo=True)
    return said if _short(said) else units.length(value)


def _short(said: str) -> bool:
    """Whether a quantity has no more figures than one types."""
    return len(said.split()[0].replace(".", "").lstrip("0")) <= TYPED


def fine(size: float, step: Step, units: Units = METRIC) -> str:
    """Remark beside a form [m] finer than a tenth of the grit."""
    return REMARK if units.finer(size, limit_of("finish") * step.grit.size) else ""


def plate(of: Plate, units: Units = METRIC) -> str:
    """A plate as it comes: shape, thickness, mass, metal, form."""
    along, across = (echoed(side, units) for side in of.outline.size)
    if of.outline.bore > 0.0:
        shape = f"ring {along}, bore {echoed(of.outline.bore, units)}"
    else:
        shape = f"disc {along}" if isinstance(of.outline, Disc) else f"{along} x {across}"
    thick = f", {echoed(of.thickness, units)} thick" if of.thickness else ""
    grooves = ", grooved" if of.grooves is not None else ""
    return f"{shape}{thick}{grooves}, {units.mass(of.total_mass)}, {of.material.name}; {form(of, units)}"


def form(of: Plate, units: Units = METRIC) -> str:
    """How a face comes, in words."""
    start = of.form
    outline = of.outline
    share = 1.0 - (0.5 * outline.bore / outline.radius) ** 2 if outline.bore > 0.0 else 0.0
    parts = [
        words.part_words(key, value, units)
        + (words.from_the_bore(value, share, units) if key == "sphere" else "")
        for key in SPOKEN
        if abs(value := getattr(start, key)) > (0.0 if start.measured is None else NOTHING)
    ]
    if start.ripple is not None:
        parts.append(f"ripples {units.size(start.ripple.height)} high")
    if start.measured is not None:
        parts.append("and the rest as its map says")
    return ", ".join(parts) or "flat"


def came_from(start: Start) -> str:
    """Where the faces come from that are those at the end of a run."""
    tipped = ", where the top tipped" if start.outcome == "tipped" else ""
    end = f"the end of {start.run} ({start.title}, {Units.spell(start.time)} of rubbing{tipped})"
    names = [
        name if name == there else f"{name} (there {there})" for name, there in start.plates.items()
    ]
    faces = "the faces" if len(names) > 1 else "the face"
    return f"{joined(names)} {'begin' if len(names) > 1 else 'begins'} with {faces} at {end}."


def stays_on_top(swap: Swap, units: Units = METRIC) -> dict[str, str]:
    """How long each plate stays on top at one go: a time, or how much metal goes off meanwhile."""
    if swap.removed:
        return {
            name: f"{units.size(off, echo=True)} of metal" for name, off in swap.removed.items()
        }
    return {name: Units.spell(time) for name, time in swap.on_top.items()}


def schedule(step: Step, units: Units = METRIC) -> list[str]:
    """How long, who is on top for how long, how often fresh grit."""
    said = [f"{step.total_strokes} strokes"]
    if step.until is not None:
        said = ["until its gauge says stop"]
    elif step.time is not None:
        said = [Units.spell(step.total_strokes / step.pace)]
    if step.swap is not None and step.swap.read is not None:
        said.append(f"read every {Units.spell(step.swap.read)}, the more domed one on top")
    elif step.swap is not None:
        times = stays_on_top(step.swap, units)
        if len(set(times.values())) == 1:
            said.append(f"swapped every {next(iter(times.values()))}")
        else:
            said.append(
                " and ".join(f"{name} on top {time}" for name, time in times.items()) + " by turns"
            )
    if step.fresh_every is not None:
        said.append(f"fresh grit every {Units.spell(step.fresh_every)}")
    return said


# --- hand -------------------------------------------------------------------------------------


def hand(step: Step, plates: Plates, look: Outlook, units: Units = METRIC) -> list[str]:
    """What the hands do, and how far over the edge that is."""
    from lapwright.presentation.tables import stroke_words

    top = plates[step.top]
    first = [_with_travel(step, top, stroke_words(step, units))]
    if step.centre != (0.0, 0.0):
        first.append(f"about a point {echoed(math.hypot(*step.centre), units)} off the middle")
        if step.carry_centre and step.walk.angle:
            first[-1] += ", which goes round with you"
    first.append(f"{Units.pace(step.pace, echo=True).removesuffix(' /min')} strokes a minute")
    first.append(_turned(step.turn))
    if step.walk.angle:
        first.append(f"you step round the bench {_angle(step.walk)}")
    if not step.hand.steady:
        first.append(
            f"your hand scatters by {Units.share(max(step.hand.amplitude, step.hand.pace))}"
        )
    return [", ".join(first), over_the_edge(step, look, units)]


def _with_travel(step: Step, top: Plate, stroke: str) -> str:
    """The stroke, and its travel as a fraction of the top."""
    travel = 2.0 * step.curve.half_travel
    if travel <= 0.0:
        return "no travel"
    share = travel / top.outline.width_along(step.direction)
    near = Fraction(share).limit_denominator(8)
    if near > 1:
        return f"{stroke} (travels {Units.number(share)} times the width of {step.top})"
    simple = near.denominator in SIMPLE and abs(float(near) / share - 1.0) < 0.01
    told = "the width" if near == 1 and simple else str(near) if simple else Units.share(share)
    return f"{stroke} (travels {told} of {step.top})"


def _angle(turn: Turn) -> str:
    """An angle and how often; its sign is in the words."""
    degrees = f"{abs(math.degrees(turn.angle)):.3g} deg"
    way = "" if turn.angle > 0.0 else " clockwise"
    return (
        f"{degrees}{way} every {turn.every} strokes" if turn.indexed else f"{degrees}{way} a stroke"
    )


def _turned(turn: Turn) -> str:
    if turn.angle == 0.0:
        return "the top never turned"
    if turn.indexed:
        return f"the top lifted and turned {_angle(turn)}"
    return f"the top turned {_angle(turn)}"


def over_the_edge(step: Step, look: Outlook, units: Units = METRIC) -> str:
    """Overhang, where flat faces begin to lift, where the top tips."""
    if look.overhang > 1e-6:
        over = f"hangs over the edge by {units.length(look.overhang)} at most"
        share = f"{Units.share(look.overhang_share)} of its width"
        if abs(look.edge.at.overhang - look.overhang) <= SAME * look.overhang:
            over += f", {share}"
        elif look.edge.at.overhang > 1e-6:
            over += f"; by {units.length(look.edge.at.overhang)} over another edge, {share} there"
    elif look.overhang > -1e-6:
        over = "comes just to the edge"
    else:
        over = f"stays inside the edge by {units.length(-look.overhang)}"
    lift, tip = (
        limit(reach, step, units) for reach in (look.edge.limits.lift, look.edge.limits.tip)
    )
    return f"{step.top} {over}; flat faces begin to lift {lift}, and it tips {tip}"


def limit(reach: Reach, step: Step, units: Units = METRIC) -> str:
    """Where flat faces begin to lift, or the top tips: the overhang, or the place where it has none yet."""
    if reach.overhang > 0.0:
        return f"at {units.length(reach.overhang)}"
    if reach.apart < HERE:
        return f"wherever it lies on {step.bottom}"
    return f"with its middle {units.length(reach.apart)} from that of {step.bottom}"


# --- press and cuts ------------------------------------------------------------------------------


def press(step: Step, plates: Plates, look: Outlook, units: Units = METRIC) -> str:
    """Weight, hand and pressure."""
    top = plates[step.top]
    said = f"{step.top} weighs {units.mass(top.total_mass)}"
    if step.load.force > 0.0:
        typed = units.force(step.load.force, echo=units is METRIC)
        # A force typed in kg or lb has more figures in N than anybody wants.
        said += f", your hand adds {typed if _short(typed) else units.force(step.load.force, 3)}"
        if step.load.at != (0.0, 0.0):
            said += f" {echoed(math.hypot(*step.load.at), units)} off its middle"
    else:
        said += ", your hand adds nothing"
    said += f": {units.force(look.load)} in all, {units.pressure(look.pressure_mean)} on the land"
    other = look.loads[step.bottom]
    if step.swap is not None and abs(other / look.load - 1.0) > SAME:
        said += f"; with {step.bottom} on top {units.force(other)}"
    return said


def cuts(step: Step, look: Outlook, units: Units = METRIC, rounds: int = 1) -> str:
    """Metal off each plate with its band, then what a round amount takes in minutes."""
    if look.removed < NOTHING:
        return "no metal to speak of"
    spread = spread_of([step])
    about = "about" if step.until is None else "at most about"
    off = look.removed_from
    if max(off.values()) > (1.0 + SAME) * min(off.values()):
        each = joined([f"{units.size(depth)} off {name}" for name, depth in off.items()])
        said = f"{about} {each}, {Units.number(1.0 / spread)} to {Units.number(spread)} times that"
    else:
        low, high = (units.size(look.removed * by) for by in (1.0 / spread, spread))
        said = f"{about} {units.size(look.removed)} off each, {low} to {high}"
    most = max(off, key=lambda name: off[name])
    whose = "" if "each" in said else f" off {most}"
    depth, amount = _round_depth(off[most] / look.time, units)
    said += " in each round" if rounds > 1 else ""
    return f"{said}; {amount}{whose} takes {Units.rubbing(look.time * depth / off[most], spread)}"


def _round_depth(rate: float, units: Units) -> tuple[float, str]:
    """A round depth [m] that takes a minute or more at a `rate` [m/s], in figures and words."""
    rounds = (10, 100, 1000, 10_000) if units is Units.INCH else (1, 10, 100, 1000)
    times = next((k for k in rounds if k * units.small.size / rate >= 60.0), rounds[-1])
    return times * units.small.size, f"{times} {units.small.name}"


def wears(wear: float | None, units: Units = METRIC) -> str:
    """A wear constant [1/Pa] in words."""
    if wear is None:
        return "as you saw it"
    if units is Units.INCH:
        per = wear * PSI * 12000.0 * 1e6  # uin in a thousand feet under a psi
        return f"{Units.number(per)} uin per 1000 ft under 1 psi ({Units.number(wear * 1e12)}e-12 1/Pa)"
    return f"{Units.number(wear * 1e12, echo=True)} um per km under 1 kPa"


# --- directions -----------------------------------------------------------------------------------


def clock(direction: float) -> str:
    """A line across the face by the hours of a clock: 3 and 9 along x."""
    half_hours = round((90.0 - math.degrees(direction)) / 15.0) % 12  # a line has two ends
    ends = [(half_hours + 12 * k) % 24 for k in (0, 1)]
    hours = [f"{(h // 2) or 12}{':30' if h % 2 else ''}" for h in sorted(ends)]
    return f"{hours[0]} to {hours[1]} o'clock"


# --- the bench ---------------------------------------------------------------------------------


def grain(step: Step, units: Units = METRIC) -> str:
    """The grain in brackets, where the grit's name does not say it."""
    told = METRIC.size(step.grit.size, echo=True)
    if step.grit.name.replace(" ", "") == told.replace(" ", ""):
        return ""
    return f" ({told})"


Pairs = dict[tuple[str, str], list[str]]


def in_words(study: Study) -> list[str]:
    """One line for all that is taken alike: of the study, of plates, of grits, of steps."""
    whole: list[str] = []
    handling: list[str] = []
    plates: Pairs = {}
    grits: Pairs = {}
    steps: Pairs = {}
    for key, value in study.assumed.items():
        room, _, rest = key.partition(".")
        name, _, what = rest.partition(".")
        if room in ("plates", "parts") and what:
            plates.setdefault((what, value), []).append(name)
        elif room == "grits" and what:
            grits.setdefault(_of_grit(study, name, what, value), []).append(name)
        elif room == "steps" and what.startswith("grit."):
            grit = study.steps[int(name) - 1].grit.name
            same = grits.setdefault(_of_grit(study, grit, what.removeprefix("grit."), value), [])
            same += [grit] if grit not in same else []
        elif room == "steps" and what:
            steps.setdefault((what, value), []).append(name)
        elif room == "goal":
            handling.append(f"{what} {value}")
        else:
            whole.append(f"{key} {value}")
    lines = [("the study", "; ".join(whole))] if whole else []
    lines += [(f"{_one_or_more('plate', names)}", what) for names, what in _alike(plates)]
    lines += [(f"grit {joined(names)}", what) for names, what in _alike(grits)]
    lines += [(_one_or_more("step", names), what) for names, what in _alike(steps)]
    lines += [("handling", "; ".join(handling))] if handling else []
    width = max((len(head) for head, _ in lines), default=0) + 2
    return [f"{head:<{width}}{what}" for head, what in lines]


def _one_or_more(word: str, names: list[str]) -> str:
    return f"{word}{'' if len(names) == 1 else 's'} {joined(names)}"


def _alike(pairs: Pairs) -> Iterator[tuple[list[str], str]]:
    """Gather what holds for the same names into one line."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for (what, value), names in pairs.items():
        groups.setdefault(tuple(names), []).append(f"{what.replace('.', ' ')} {value}")
    for together, said in groups.items():
        yield list(together), "; ".join(said)


def _of_grit(study: Study, name: str, what: str, value: str) -> tuple[str, str]:
    """What is taken of a grit, in the study's units and in words."""
    grit = next((s.grit for s in study.steps if s.grit.name == name), None)
    if grit is None:
        return what, value
    if what == "wear":
        return (
            "cuts",
            f"{wears(grit.wear.iron, study.units)} on grey iron, a guess within a band of ten",
        )
    if what == "layer":
        typed = study.units is METRIC
        gives = study.units.size(grit.layer.depth, echo=typed)
        return (
            "layer",
            f"gives {gives} under {study.units.pressure(grit.layer.pressure, echo=typed)}",
        )
    if what == "fade":
        return (
            "fade",
            'none, as it is not known: a dab cuts on as if fresh (fade = "8 min" says how it tires)',
        )
    return what, value
