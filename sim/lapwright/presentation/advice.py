"""What to do next, and whether a run reached what its study asks for.

`advise` is a function of the account alone.  Beside its sentence it gives the same as steps of the engine,
and names the errors that get smaller by them, so that the advice can be tried.

Who belongs on top follows from the moment law (exact for equal discs of equal wear; for equal outlines in
its direction): the top goes hollow, the bottom domed, and equal times on top leave a dome against a dish.

Whether a run reached what its study asks for in [goal].
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from math import pi

import numpy as np

from lapwright.contact.placement import mating
from lapwright.integration.estimate import outlook
from lapwright.integration.state import WENT_THROUGH
from lapwright.limits import limit_of
from lapwright.optimisation.track import Constraint, constraints_of
from lapwright.presentation import words
from lapwright.presentation.beforehand import limit
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.standing import (
    QUARTERS,
    TELLS,
    TRIED,
    TURN,
    Advice,
    Aim,
    Seen,
    advise_unlike,
    amount,
    bedding,
    coarser,
    even,
    lasting,
    look,
    step_width,
    turning_out,
    turns_enough,
)
from lapwright.presentation.tables import stroke_words, turn_words
from lapwright.presentation.tuning_notes import asked_for, label
from lapwright.specification.curves import FigureEight, Line
from lapwright.specification.rates import FEPA_F
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.units import Units, joined, sentence

__all__ = ["advise", "goal_words", "reached", "wanted"]


ENOUGH = 1.0 + 1e-9
COLUMNS = {"dome": "sphere"}


def wanted(said: RunView) -> tuple[Constraint, ...]:
    """What the study asks for of plates that were lapped; nothing where it has no [goal]."""
    study = said.study
    if study.goal is None:
        return ()
    return constraints_of(study.goal, study.plates)


def reached(said: RunView) -> bool:
    """Whether all that the study asks for is there at the end."""
    asked = wanted(said)
    return bool(asked) and not _missed(said, asked)


def goal_words(said: RunView) -> str:
    """The goal, and whether it is reached, as a sentence; empty where the study asks for nothing."""
    asked = wanted(said)
    if not asked:
        return ""
    missed = _missed(said, asked)
    if not missed:
        return f"What [goal] asks for is reached: {asked_for(asked, said.units)}."
    one, size = max(missed, key=lambda pair: pair[1] / pair[0].limit)
    name, limit = label(one), said.units.size(one.limit)
    told = said.units.size(size)
    return f"What [goal] asks for is not reached: the {name} is {told}, {limit} was asked."


def _missed(said: RunView, asked: Sequence[Constraint]) -> list[tuple[Constraint, float]]:
    """What is too large, with its size [m]; what is not known counts as missed."""
    sizes = [(one, _size(said, one)) for one in asked]
    return [(one, size) for one, size in sizes if not size <= one.limit * ENOUGH]


def _size(said: RunView, one: Constraint) -> float:
    """Size of an asked quantity at the end [m], or how far it moved."""
    first, last = (_value(said, one, at) for at in (0, -1))
    size = abs(last - first) if one.kept else abs(last)
    return size if math.isfinite(size) else math.inf


def _value(said: RunView, one: Constraint, at: int) -> float:
    if one.plate is not None:
        return _form(said.face(one.plate), COLUMNS.get(one.form, one.form), at)
    below, above = said.run.bottom[at], said.run.top[at]
    faces = [said.face(name) for name in (below, above)]
    if one.form == "difference":
        one_dome, other = (
            _form(f, "bow" if f is not None and f.long else "sphere", at) for f in faces
        )
        return one_dome - other
    pair = [
        (said.study.plates[f.name], np.asarray(f.record.frames[at], dtype=float))
        for f in faces
        if f is not None
    ]
    return float(mating(*pair[0], *pair[1], said.study.margin)) if len(pair) == 2 else math.nan


def _form(face: Face | None, key: str, at: int) -> float:
    values = np.zeros(0) if face is None else face.form(key)
    return float(values[at]) if values.size else math.nan


FINER = (9e-6, 5e-6, 3e-6, 1e-6)  # grits to go on with [m]
JUMP = limit_of("next grit") + 1e-4  # with room for round-off
FINEST = 3e-6  # [m] from here on: stop
LEAST_TRAVEL = 0.3  # of the top's width: with a shorter stroke a dome goes too slowly
AS_MUCH = 0.5  # of the dome that is to go, from which a twist is worth turning out with it
NEAR = 0.95  # of the overhang at which flat faces lift


def advise(said: RunView) -> Advice | None:
    """What to do next; None where the study cannot be read any more or no two plates were lapped."""
    seen = look(said)
    if seen is None:
        return None
    goal = goal_words(said)
    if goal and reached(said) and said.run.outcome in WENT_THROUGH:
        return Advice("reached", f"{goal} Stop here, and read them by your own gauge.")
    told = _advice(seen)
    return replace(told, text=f"{goal} {sentence(told.text)}".strip())


def _advice(seen: Seen) -> Advice:
    said = seen.said
    if said.run.outcome == "interrupted":
        return Advice("go on", "Go on with the run: it was stopped before its end.")
    if said.run.outcome == "tipped" or seen.ahead.lifts:
        return _shorten(seen)
    used = [f for f in said.faces if f.name in {*said.run.top, *said.run.bottom}]
    flat = all(words.flat_to_the_finish(f.after, f.finish, said.units) for f in used)
    if flat and not _told_apart(seen, used):
        return _finer(seen, used)
    if len(used) > 2:
        return _another_round(seen, used)
    if not seen.equal:
        return advise_unlike(seen)
    return _rails(seen) if seen.top.long else _pair(seen)


def _told_apart(seen: Seen, used: Sequence[Face]) -> bool:
    """Whether a comparator still tells faces of one outline apart that are all flat to the finish."""
    if not seen.equal:
        return False
    key = "bow" if seen.top.long else "sphere"
    forms = [seen.of(face, key, True) for face in used]
    return 0.5 * (max(forms) - min(forms)) >= TELLS


def _stroke(seen: Seen, step: Step) -> str:
    if step.curve == seen.step.curve and step.direction == seen.step.direction:
        return "the same stroke"
    return f"a longer stroke ({stroke_words(step, seen.said.units)})"


# --- answers -----------------------------------------------------------------------------------


def _shorten(seen: Seen) -> Advice:
    """The stroke goes further than flat faces stand."""
    step, units = seen.step, seen.said.units
    edge = seen.ahead.edge
    if seen.equal and seen.top.long and turns_enough(step):
        text = (
            f"Turn {step.top} end for end only, every few strokes, never part of the way, and stroke it "
            "straight along: lying across, it hangs over and lifts."
        )
        length = min(2.0 * step.curve.half_travel, 2.0 * NEAR * seen.ahead.lift_off_overhang)
        straight = replace(
            step,
            turn=Turn(pi, 10),
            walk=Turn(),
            curve=Line(length),
            direction=_along(seen),
            strokes=None,
            time=2.0 * TRIED,
        )
        return Advice("end for end", text, (straight,), (("lift", seen.names),))
    begins = f"flat faces begin to lift {limit(edge.limits.lift, step, units)}"
    if edge.out <= 0.0 or edge.out + edge.room <= 0.0:
        text = f"Bring the load nearer to the middle of {step.top}: {begins}; then lap on."
        return Advice("shorten", text)
    less = NEAR * (edge.out + edge.room) / edge.out
    much = f"to about {Units.share(less)} of what it is" if less < 1.0 else "a little"
    text = (
        f"Shorten the stroke {much}, for {begins}, or bring the load nearer to the middle of {step.top}; "
        "then lap on."
    )
    if not seen.equal or step.centre != (0.0, 0.0):
        return Advice("shorten", text)
    curve = step.curve.scaled(less)
    return Advice("shorten", text, (replace(step, curve=curve),), (("lift", seen.names),))


def _along(seen: Seen) -> float:
    """Direction of a long top [rad]."""
    return 0.0 if seen.top.half[0] >= seen.top.half[1] else 0.5 * pi


def _finer(seen: Seen, used: Sequence[Face]) -> Advice:
    """All are flat to the finish: stop, or go on with a finer grit."""
    names = tuple(f.name for f in used)
    everyone = "both are" if len(names) == 2 else "all are"
    round_ = seen.equal and not seen.top.long
    proof = (
        " To prove it, turn one a quarter on the other: they must bear all over there too, and a comparator "
        "must read the same on both."
        if round_
        else ""
    )
    if seen.step.grit.size <= FINEST * (1.0 + 1e-9):
        return Advice("stop", f"Stop here: {everyone} as flat as this grit can show.{proof}")
    grit = _finer_grit(seen.step.grit)
    mesh = next((f"F{k}, " for k, size in FEPA_F.items() if size == grit.size), "")
    change, step = "", replace(seen.step, grit=grit, strokes=None, time=3600.0)
    if round_:
        curve = FigureEight.reaching(step_width(seen) / 12.0)
        step = even(replace(step, curve=curve, centre=(0.0, 0.0), carry_centre=False))
        step = step if turns_enough(step) else replace(step, turn=TURN)
        change = f", a shorter stroke ({stroke_words(step, seen.said.units)}) and even swaps"
    text = (
        f"{everyone[0].upper()}{everyone[1:]} as flat as this grit can show: stop here, or wash plates, "
        f"bench and hands and go on with a finer grit, {mesh}about {Units.number(grit.size / 1e-6)} um"
        f"{change}.{proof}"
    )
    if not round_ or len(names) > 2:
        return Advice("finer", text)
    return Advice("finer", text, (step,), (("sphere", names),))


def _finer_grit(grit: Grit) -> Grit:
    """The finest grit that may follow; it cuts and gives in proportion to its size."""
    sold = (*FINER, *FEPA_F.values())
    size = min(
        (g for g in sold if grit.size / JUMP <= g < 0.7 * grit.size), default=grit.size / 3.0
    )
    share = size / grit.size
    wear = Wear(
        iron=0.16e-6 * size if grit.wear.iron is None else share * grit.wear.iron,
        plates={name: share * value for name, value in grit.wear.plates.items()},
    )
    layer = Layer(share * grit.layer.depth, grit.layer.pressure)
    return replace(grit, name="finer", size=size, wear=wear, layer=layer)


def _pair(seen: Seen) -> Advice:
    """Two equal discs, rings or squares."""
    half = 0.5 * (seen.of(seen.top, "sphere", True) - seen.of(seen.bottom, "sphere", True))
    rest = max(abs(seen.size("twist")), abs(seen.size("saddle")))
    turns = turns_enough(seen.step)
    turn_too = not turns and rest >= min(seen.finish, max(TELLS, AS_MUCH * abs(half)))
    if abs(half) >= seen.finish:
        return _domed_on_top(seen, half, turn_too)
    if rest >= seen.finish:
        return _turn_out(seen, rest, turns)
    if abs(half) >= TELLS:
        return _domed_on_top(seen, half, turn_too)
    mismatch = seen.of(seen.top, "sphere") + seen.of(seen.bottom, "sphere")
    both_hollow = max(seen.of(seen.top, "sphere"), seen.of(seen.bottom, "sphere")) < -seen.finish
    if seen.mated and both_hollow:
        return _trace(seen)
    if not turns:
        return _ridges(seen)
    metal = bedding(mismatch, seen.squeeze)
    step = even(seen.step)
    swaps = "go on as you are" if seen.step.swap is not None else "go on, swapping every 5 min"
    what = "they bear all over" if not seen.mated else "the rest is gone"
    text = f"{swaps[0].upper()}{swaps[1:]}, until {what}, {amount(seen, metal, step)}."
    return Advice("go on", text, (lasting(seen, metal, step),), (("flatness", seen.names),))


def _domed_on_top(seen: Seen, half: float, turn_too: bool) -> Advice:
    """A dome against a dish: the domed one stays on top until both read the same."""
    said = seen.said
    domed, other = (seen.top, seen.bottom) if half > 0.0 else (seen.bottom, seen.top)
    curve = seen.step.curve
    if curve.half_travel < 0.5 * LEAST_TRAVEL * step_width(seen) or seen.step.centre != (0.0, 0.0):
        curve = FigureEight.reaching(step_width(seen) / 6.0)
    step = replace(
        seen.step, top=domed.name, bottom=other.name, swap=None, curve=curve, centre=(0.0, 0.0), strokes=None,
        turn=TURN if turn_too else seen.step.turn,
    )  # fmt: skip
    ahead = outlook(said.study.plates, replace(step, time=TRIED))
    if ahead.half_difference is None:  # turned fast: told as if it only travelled, which is near
        ahead = outlook(said.study.plates, replace(step, time=TRIED, turn=Turn(), walk=Turn()))
    turning = f", turning it {turn_words(TURN)} to take the twist out too" if turn_too else ""
    start = f"Keep {domed.name} on top, with {_stroke(seen, step)}{turning}"
    aims: tuple[Aim, ...] = (("difference", seen.names),)
    if turn_too:
        aims += (
            (
                "twist" if abs(seen.size("twist")) >= abs(seen.size("saddle")) else "saddle",
                seen.names,
            ),
        )
    if ahead.half_difference is None or ahead.half_difference <= 0.0:
        text = f"{start}, until both read the same; read them every 10 min."
        return Advice("domed on top", text, (replace(step, time=TRIED),), aims)
    metal = abs(half) / ahead.half_difference * ahead.removed
    step, slow = coarser(seen, metal, step)
    text = f"{start}, until {amount(seen, metal, step)}; then both read the same."
    evenly = seen.step.swap is not None and seen.step.swap.even
    reasons = [reason for reason, holds in (
        (slow, bool(slow)),
        ("A comparator still tells them apart", abs(half) < seen.finish),
        ("Stop swapping, equal times keep the dome", evenly and not slow),
    ) if holds]  # fmt: skip
    if reasons:
        text = f"{'. '.join(reasons)}: k{text[1:]}"
    return Advice("domed on top", text, (lasting(seen, metal, step),), aims)


def _turn_out(seen: Seen, rest: float, turns: bool) -> Advice:
    """A twist (or saddle) in both: only turning takes it out."""
    key = "twist" if abs(seen.size("twist")) >= abs(seen.size("saddle")) else "saddle"
    step = even(seen.step if turns else replace(seen.step, turn=TURN))
    metal = turning_out(rest, seen.squeeze)
    until = f"until {amount(seen, metal, step)}; by then nine tenths of it is gone"
    if turns:
        text = f"Go on turning the top as you do, swapping every 5 min, {until}."
    else:
        how = f"{turn_words(TURN)} or {turn_words(QUARTERS)}"
        text = (
            f"Turn the top as you go, {how}: without turning, a {key} that both have alike stays. "
            f"Swap every 5 min, {until}."
        )
    return Advice("turn", text, (lasting(seen, metal, step),), ((key, seen.names),))


def _ridges(seen: Seen) -> Advice:
    step = even(replace(seen.step, turn=TURN))
    metal = turning_out(seen.finish, seen.squeeze)
    text = (
        f"Turn the top as you go, {turn_words(TURN)}: what lies along the stroke is only worn away across "
        f"it. Swap every 5 min, until {amount(seen, metal, step)}."
    )
    return Advice("turn", text, (lasting(seen, metal, step),), (("flatness", seen.names),))


def _trace(seen: Seen) -> Advice:
    """Both hollow by the same: what the layer of grit leaves."""
    curve = FigureEight.reaching(step_width(seen) / 12.0)
    step = even(replace(seen.step, curve=curve, centre=(0.0, 0.0)))
    text = (
        "Both are hollow alike, which is the trace of the grit layer: a finer grit, a shorter stroke "
        f"({stroke_words(step, seen.said.units)}) or less load leaves less; wash everything first."
    )
    return Advice(
        "trace", text, (replace(step, strokes=None, time=3600.0),), (("sphere", seen.names),)
    )


def _rails(seen: Seen) -> Advice:
    """Two equal rails on each other."""
    wind = abs(seen.size("wind"))
    half = 0.5 * (seen.of(seen.top, "bow", True) - seen.of(seen.bottom, "bow", True))
    if wind >= seen.finish:
        text = (
            "Turning them end for end leaves their wind as it is, for both ways round look the same: lap "
            "each on a plate wider than itself, with strokes that cover the plate."
        )
        return Advice("wider plate", text)
    if abs(half) >= min(seen.finish, TELLS):
        high, other = (seen.top, seen.bottom) if half > 0.0 else (seen.bottom, seen.top)
        step = replace(
            seen.step, top=high.name, bottom=other.name, swap=None, strokes=None, time=12 * TRIED
        )
        text = (
            f"Keep {high.name}, the one high in the middle, on top until both read the same; "
            "read them every 10 min."
        )
        return Advice("domed on top", text, (step,), (("difference", seen.names),))
    step = even(seen.step)
    text = "Go on, swapping every 5 min, until they bear all over."
    return Advice(
        "go on", text, (replace(step, strokes=None, time=2 * TRIED),), (("flatness", seen.names),)
    )


def _another_round(seen: Seen, used: Sequence[Face]) -> Advice:
    """Three plates or more, lapped by turns."""
    names = tuple(f.name for f in used)
    keys = ("twist", "saddle", "wind")
    rest = max((abs(f.after.get(k) or 0.0), k) for f in used for k in keys)
    steps = seen.said.steps
    pairs = joined(list(dict.fromkeys(f"{s.top} on {s.bottom}" for s in steps)))
    if rest[0] >= seen.finish and not all(turns_enough(s) for s in steps):
        text = (
            f"Go round once more ({pairs}), and turn the top {turn_words(QUARTERS)}: without turning, the "
            "twist is handed from plate to plate and stays."
        )
        steps = tuple(even(replace(s, turn=QUARTERS)) for s in steps)
        return Advice("round", text, steps, ((rest[1], names),))
    steps = tuple(even(s) for s in steps)
    fall = (
        "to about a third where each pair is lapped until it mates"
        if seen.equal
        else "each round takes some out"
    )
    text = f"Go round once more ({pairs}), swapping every 5 min: dome and dish get less, {fall}."
    return Advice("round", text, steps, (("sphere", names),))
