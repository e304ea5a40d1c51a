"""What came out of a run in a few lines of words, and what to do next.

`advise` is a function of the run alone.  Beside its sentence it gives the same as steps of the engine,
and names the errors that get smaller by them, so that the advice can be tried.

Who belongs on top follows from the moment law (exact for equal discs of equal wear; for equal outlines in
its direction): the top goes hollow, the bottom domed, and equal times on top leave a dome against a dish.
For a part on another outline: the direction alone, from where the run was going.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import pi, radians
from typing import Any

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import outlook
from lapwright.integration.state import WENT_THROUGH
from lapwright.limits import limit_of
from lapwright.metrology.form import SPOKEN
from lapwright.presentation import words
from lapwright.presentation.beforehand import came_from, limit
from lapwright.presentation.finding_words import care
from lapwright.presentation.run_view import Face, RunView, good_to, run_view
from lapwright.presentation.standing import (
    TRIED,
    Pair,
    bedding,
    coarser,
    even,
    goal_of,
    going,
    last_pair,
    one_sided,
    timed,
    turning_out,
    turns_enough,
    until,
)
from lapwright.presentation.tables import again_words, stroke_words, turn_words
from lapwright.presentation.words import say
from lapwright.results.record import Run
from lapwright.specification.curves import FigureEight, Line, arc_moments
from lapwright.specification.plate import Plate
from lapwright.specification.rates import FEPA_F
from lapwright.specification.step import Grit, Layer, Step, Turn, Wear
from lapwright.units import METRIC, Units, joined, sentence

AIMS = ("difference", *SPOKEN, "flatness", "lift")
TURN = Turn(radians(8.0))
QUARTERS = Turn(0.5 * pi, 10)
WALK = Turn(radians(4.0))
TELLS = 0.25e-6  # [m] that a comparator tells two plates apart by (common practice, no source)
FINER = (9e-6, 5e-6, 3e-6, 1e-6)  # grits to go on with [m]
JUMP = limit_of("next grit") + 1e-4  # with room for round-off
FINEST = 3e-6  # [m] from here on: stop
LEAST_TRAVEL = 0.3  # of the top's width: with a shorter stroke a dome goes too slowly
AS_MUCH = 0.5  # of the dome that is to go, from which a twist is worth turning out with it
NEAR = 0.95  # of the overhang at which flat faces lift
FURTHER = 1.06  # than the place where the plate would keep its shape

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


def advise(view: RunView) -> Advice | None:
    """What to do next; None where the study cannot be read any more or no two plates were lapped."""
    pair = last_pair(view)
    if pair is None:
        return None
    goal, is_reached = goal_of(view)
    if is_reached and view.run.outcome in WENT_THROUGH:
        return Advice("reached", pair.say("reached", goal=goal))
    advice = _advice(pair)
    return replace(advice, text=f"{goal} {sentence(advice.text)}".strip())


def _advice(pair: Pair) -> Advice:
    view = pair.view
    if view.run.outcome == "interrupted":
        return Advice("go on", pair.say("resume"))
    if view.run.outcome == "tipped" or pair.ahead.lifts:
        return _shorten(pair)
    used = [f for f in view.faces if f.name in {*view.run.top, *view.run.bottom}]
    flat = all(words.flat_to_the_finish(f.after, f.finish, view.units) for f in used)
    if flat and not _told_apart(pair, used):
        return _finer(pair, used)
    if len(used) > 2:
        return _another_round(pair, used)
    if not pair.equal:
        return _unlike(pair)
    return _rails(pair) if pair.top.long else _discs(pair)


# --- answers for any pair --------------------------------------------------------------------------


def _told_apart(pair: Pair, used: Sequence[Face]) -> bool:
    """Whether a comparator still tells faces of one outline apart that are all flat to the finish."""
    if not pair.equal:
        return False
    forms = [pair.of(face, "bow" if pair.top.long else "sphere", True) for face in used]
    return 0.5 * (max(forms) - min(forms)) >= TELLS


def _shorten(pair: Pair) -> Advice:
    """The stroke goes further than flat faces stand."""
    step, edge, top = pair.step, pair.ahead.edge, pair.step.top
    lifts = (("lift", pair.names),)
    if pair.equal and pair.top.long and turns_enough(step):
        length = min(2.0 * step.curve.half_travel, 2.0 * NEAR * pair.ahead.lift_off_overhang)
        along = 0.0 if pair.top.half[0] >= pair.top.half[1] else 0.5 * pi
        straight = timed(
            step, 2.0 * TRIED, turn=Turn(pi, 10), walk=Turn(), curve=Line(length), direction=along
        )
        return Advice("end for end", pair.say("end_for_end", top=top), (straight,), lifts)
    lift = limit(edge.limits.lift, step, pair.view.units)
    if edge.out <= 0.0 or edge.out + edge.room <= 0.0:
        return Advice("shorten", pair.say("load_in", top=top, lift=lift))
    less = NEAR * (edge.out + edge.room) / edge.out
    text = pair.say("shorten", top=top, lift=lift, less=less, much=less < 1.0)
    if not pair.equal or step.centre != (0.0, 0.0):
        return Advice("shorten", text)
    return Advice("shorten", text, (replace(step, curve=step.curve.scaled(less)),), lifts)


def _finer(pair: Pair, used: Sequence[Face]) -> Advice:
    """All are flat to the finish: stop, or go on with a finer grit."""
    names = tuple(f.name for f in used)
    more, round_ = len(names) != 2, pair.equal and not pair.top.long
    proof = f" {pair.say('proof')}" if round_ else ""
    if pair.step.grit.size <= FINEST * (1.0 + 1e-9):
        return Advice("stop", f"{pair.say('stop', more=more)}{proof}")
    grit = _finer_grit(pair.step.grit)
    mesh = next((f"F{k}, " for k, size in FEPA_F.items() if size == grit.size), "")
    step, stroke = timed(pair.step, 3600.0, grit=grit), ""
    if round_:
        curve = FigureEight.reaching(pair.width / 12.0)
        step = even(step, curve=curve, centre=(0.0, 0.0), carry_centre=False)
        step = step if turns_enough(step) else replace(step, turn=TURN)
        stroke = stroke_words(step, pair.view.units)
    text = pair.say("finer", more=more, mesh=mesh, grain=METRIC.size(grit.size), stroke=stroke)
    if more or not round_:
        return Advice("finer", f"{text}{proof}")
    return Advice("finer", f"{text}{proof}", (step,), (("sphere", names),))


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


def _another_round(pair: Pair, used: Sequence[Face]) -> Advice:
    """Three plates or more, lapped by turns."""
    names, steps = tuple(f.name for f in used), pair.view.steps
    rest, key = max(
        (abs(f.after.get(k) or 0.0), k) for f in used for k in ("twist", "saddle", "wind")
    )
    pairs = joined(list(dict.fromkeys(f"{s.top} on {s.bottom}" for s in steps)))
    if rest >= pair.finish and not all(turns_enough(s) for s in steps):
        text = pair.say("round.turn", pairs=pairs, quarters=turn_words(QUARTERS))
        steps = tuple(even(s, turn=QUARTERS) for s in steps)
        return Advice("round", text, steps, ((key, names),))
    text = pair.say("round.again", pairs=pairs, equal=pair.equal)
    return Advice("round", text, tuple(even(s) for s in steps), (("sphere", names),))


# --- two equal plates ------------------------------------------------------------------------------


def _discs(pair: Pair) -> Advice:
    """Two equal discs, rings or squares."""
    half, rest = pair.apart("sphere"), abs(pair.size(pair.crossed))
    turns = turns_enough(pair.step)
    turn_too = not turns and rest >= min(pair.finish, max(TELLS, AS_MUCH * abs(half)))
    if abs(half) >= pair.finish:
        return _domed_on_top(pair, half, turn_too)
    if rest >= pair.finish:
        return _turn_out(pair, rest, turns)
    if abs(half) >= TELLS:
        return _domed_on_top(pair, half, turn_too)
    domes = [pair.of(face, "sphere") for face in (pair.top, pair.bottom)]
    if pair.mated and max(domes) < -pair.finish:
        return _trace(pair)
    flat = (("flatness", pair.names),)
    if not turns:
        metal = turning_out(pair.finish, pair.squeeze)
        amount, step = until(pair, metal, even(pair.step, turn=TURN))
        text = pair.say("turn.ridges", turn=turn_words(TURN), amount=amount)
        return Advice("turn", text, (step,), flat)
    amount, step = until(pair, bedding(sum(domes), pair.squeeze), even(pair.step))
    swapped = pair.step.swap is not None
    text = pair.say("go_on", swapped=swapped, mated=pair.mated, amount=amount)
    return Advice("go on", text, (step,), flat)


def _domed_on_top(pair: Pair, half: float, turn_too: bool) -> Advice:
    """A dome against a dish: the domed one stays on top until both read the same."""
    plates, old = pair.view.study.plates, pair.step
    domed, other = (pair.top, pair.bottom) if half > 0.0 else (pair.bottom, pair.top)
    curve = old.curve
    if curve.half_travel < 0.5 * LEAST_TRAVEL * pair.width or old.centre != (0.0, 0.0):
        curve = FigureEight.reaching(pair.width / 6.0)
    step = timed(
        old, TRIED, top=domed.name, bottom=other.name, swap=None, curve=curve, centre=(0.0, 0.0),
        turn=TURN if turn_too else old.turn,
    )  # fmt: skip
    ahead = outlook(plates, step)
    if ahead.half_difference is None:  # turned fast: told as if it only travelled, which is near
        ahead = outlook(plates, replace(step, turn=Turn(), walk=Turn()))
    same = (step.curve, step.direction) == (old.curve, old.direction)
    stroke = (
        pair.say("same_stroke")
        if same
        else pair.say("longer_stroke", stroke=stroke_words(step, pair.view.units))
    )
    start = pair.say(
        "keep.start", domed=domed.name, stroke=stroke, turn=turn_words(TURN) if turn_too else ""
    )
    aims: tuple[Aim, ...] = (("difference", pair.names),)
    if turn_too:
        aims += ((pair.crossed, pair.names),)
    if ahead.half_difference is None or ahead.half_difference <= 0.0:
        return Advice("domed on top", pair.say("keep.read", start=start), (step,), aims)
    metal = abs(half) / ahead.half_difference * ahead.removed
    step, slow = coarser(pair, metal, step)
    amount, step = until(pair, metal, step)
    text = pair.say("keep.amount", start=start, amount=amount)
    evenly = old.swap is not None and old.swap.even
    reasons = [slow] if slow else []
    if abs(half) < pair.finish:
        reasons.append(pair.say("keep.apart"))
    if evenly and not slow:
        reasons.append(pair.say("keep.evenly"))
    if reasons:
        text = f"{'. '.join(reasons)}: {text[0].lower()}{text[1:]}"
    return Advice("domed on top", text, (step,), aims)


def _turn_out(pair: Pair, rest: float, turns: bool) -> Advice:
    """A twist (or saddle) in both: only turning takes it out."""
    step = even(pair.step if turns else replace(pair.step, turn=TURN))
    amount, step = until(pair, turning_out(rest, pair.squeeze), step)
    text = (
        pair.say("turn.go_on", amount=amount)
        if turns
        else pair.say(
            "turn.start",
            turn=turn_words(TURN),
            quarters=turn_words(QUARTERS),
            form=pair.crossed,
            amount=amount,
        )
    )
    return Advice("turn", text, (step,), ((pair.crossed, pair.names),))


def _trace(pair: Pair) -> Advice:
    """Both hollow by the same: what the layer of grit leaves."""
    curve = FigureEight.reaching(pair.width / 12.0)
    step = timed(even(pair.step, curve=curve, centre=(0.0, 0.0)), 3600.0)
    text = pair.say("trace", stroke=stroke_words(step, pair.view.units))
    return Advice("trace", text, (step,), (("sphere", pair.names),))


def _rails(pair: Pair) -> Advice:
    """Two equal rails on each other."""
    half = pair.apart("bow")
    if abs(pair.size("wind")) >= pair.finish:
        return Advice("wider plate", pair.say("rails.wind"))
    if abs(half) >= min(pair.finish, TELLS):
        high, other = (pair.top, pair.bottom) if half > 0.0 else (pair.bottom, pair.top)
        step = timed(pair.step, 12 * TRIED, top=high.name, bottom=other.name, swap=None)
        text = pair.say("rails.high", high=high.name)
        return Advice("domed on top", text, (step,), (("difference", pair.names),))
    step = timed(even(pair.step), 2 * TRIED)
    return Advice("go on", pair.say("rails.go_on"), (step,), (("flatness", pair.names),))


# --- a part on another outline ---------------------------------------------------------------------


def _unlike(pair: Pair) -> Advice:
    """A part on a plate: go on while the worst form gets less; otherwise another place on the plate."""
    face, key, value = _worst(pair)
    form = words.part_words(key, value, pair.view.units)
    rate = going(pair.view, face, key)
    if rate > 0.0 and abs(value) - abs(face.before.get(key) or 0.0) < (face.finish or 0.0):
        rate = 0.0  # by less than a tenth of the grit: it came like that
    if rate < 0.0:
        # What is worst gets less: go on, for as long as it takes at this pace, or with a coarser grit.
        metal = max(abs(value) - (face.finish or 0.0), 0.1 * abs(value)) / -rate
        step, slow = coarser(pair, metal, pair.step)
        amount, step = until(pair, metal, step)
        text = pair.say("unlike.coming", slow=slow, amount=amount, plate=face.name, form=form)
        return Advice("go on", text, (step,), ((key, (face.name,)),))
    if rate > 0.0:
        cure = _cure(pair, face, key, "", value)
        return replace(
            cure, text=pair.say("unlike.worse", plate=face.name, form=form, cure=cure.text)
        )
    if not pair.mated:
        amount, step = until(pair, bedding(value, pair.squeeze), pair.step)
        return Advice("go on", pair.say("unlike.bed", amount=amount), (step,))
    return _cure(pair, face, key, form, value)


def _worst(pair: Pair) -> tuple[Face, str, float]:
    """The largest form that is told of the two, the rougher of the grit's finish left out if it can be."""
    every = [
        (face, key, value)
        for face in (pair.top, pair.bottom)
        for key, value in words.known(face.after, SPOKEN)
    ]
    if not every:
        return pair.top, "sphere", 0.0
    return max(every, key=lambda entry: abs(entry[2]) / max(entry[0].finish or 1e-9, 1e-9))


def _cure(pair: Pair, face: Face, key: str, form: str, value: float) -> Advice:
    """What would make the worst form less, where the stroke as it is does not; `form` in words, if told."""
    part, plate = sorted((pair.top, pair.bottom), key=lambda f: max(f.half))
    if one_sided(pair.step, (pair.top, pair.bottom)):
        # A stroke that stays on one side wears a pit there.
        walk, bottom = _walking(pair.step), pair.step.bottom
        text = pair.say("unlike.walk", bottom=bottom, walk=turn_words(walk))
        crossed = face.name == bottom and key in ("saddle", "twist")
        moved = timed(pair.step, 1200.0, walk=walk, carry_centre=True)
        return Advice("walk round", text, (moved,), ((key, (bottom,)),) if crossed else ())
    if face is plate and key == "sphere":
        return _other_place(pair, part, plate, value)
    which = "plate" if face is plate else "part"
    text = pair.say(f"unlike.cover.{which}", plate=plate.name, part=part.name, form=form)
    return Advice("cover", text)


def _walking(step: Step) -> Turn:
    return step.walk if step.walk.angle != 0.0 else WALK


def _other_place(pair: Pair, part: Face, plate: Face, value: float) -> Advice:
    """The plate goes hollow where the part lies too far inside, domed where it goes too far over the rim."""
    out, place = value < 0.0, _balance(pair)
    fields: dict[str, Any] = {"part": part.name, "plate": plate.name, "out": out, "size": value}
    if plate is not pair.bottom or place is None:
        return Advice("place", pair.say("unlike.rim", **fields))
    text = pair.say("unlike.place", **fields, place=place)
    step = _moved(pair, place * (FURTHER if out else 1.0 / FURTHER))
    if step is None:
        return Advice("place", text)
    return Advice("place", text, (step,), (("sphere", (plate.name,)),))


def _balance(pair: Pair) -> float | None:
    """How far off the plate's middle the part's place must be for the plate to keep its shape [m].

    From the moment law (`lapwright.kinematics.sliding`): there <|c|^2> is the difference of the mean
    squares of both lands from their middles.  None where the part would have to lie nowhere.
    """
    top, bottom = map(_mean_square, pair.plates)
    left = bottom - top - float(np.trace(arc_moments(pair.step.curve)))
    return float(np.sqrt(left)) if left > 0.0 else None


def _mean_square(plate: Plate) -> float:
    """Mean square distance of a plate's land from its middle [m2]."""
    x, y = plate.grid.mesh()
    return float((plate.land * (x * x + y * y)).sum() / plate.land.sum())


def _moved(pair: Pair, place: float) -> Step | None:
    """The step with its centre that far out, carried round; None where the part would lift or tip there."""
    step, far = pair.step, float(np.hypot(*pair.step.centre))
    x, y = (step.centre[0] / far, step.centre[1] / far) if far > 0.0 else (1.0, 0.0)
    centre = (place * x, place * y)
    moved = timed(step, 3600.0, centre=centre, carry_centre=True, walk=_walking(step))
    try:
        ahead = outlook(pair.view.study.plates, moved)
    except LapwrightError:
        return None
    return None if ahead.lifts or ahead.tipping_margin < 0.0 else moved


# --- what came out -------------------------------------------------------------------------------


def in_words(run: Run) -> list[str]:
    """The same for a person: what came out, how much metal went, how sure it is."""
    view = run_view(run)
    units = view.units
    lines = [view.title, ""]
    if view.study.start is not None:
        lines.append(came_from(view.study.start))
    lines += [line for line in (came_out(view), good_to(view)) if line]
    off = ", ".join(f"{face.name} {units.both(face.lost)}" for face in view.faces)
    lines.append(say("came.metal", each=off))
    lines.append(say("came.rubbing", time=Units.rubbing(float(run.time[-1]), view.spread)))
    lines += [*_stopped(view), *again_words(view)]
    advice = advise(view)
    if advice is not None:
        lines.append(say("came.next", advice=advice.text))
    lines += [say("came.care", finding=line) for line in care(run, view.study)]
    margins = {name: units.length(record.margin) for name, record in run.plates.items()}
    if all(record.margin == 0.0 for record in run.plates.values()):
        return [*lines, say("came.to_the_edge")]
    each = [say("came.margin_of", margin=size, plate=name) for name, size in margins.items()]
    same = set(margins.values())
    return [*lines, say("came.margin", margins=same.pop() if len(same) == 1 else joined(each))]


def came_out(view: RunView) -> str:
    """What came out, in a sentence or three."""
    return words.came_out(
        view.run.outcome,
        view.pair,
        view.bearing_share,
        {face.name: face.after for face in view.faces},
        view.finishes,
        view.units,
        view.nothing_done,
        view.bores,
    )


def _stopped(view: RunView) -> list[str]:
    """At which stroke each watched step was stopped by its gauge, or that it was not."""
    if view.run.outcome not in WENT_THROUGH or view.study.rounds > 1:
        return []
    lines = []
    for number, step in enumerate(view.steps, 1):
        if step.until is not None:
            strokes = round(view.rubbed(number) * step.pace)
            how = "stopped" if strokes < step.total_strokes else "ran_on"
            lines.append(say(f"came.gauge.{how}", step=number, strokes=strokes))
    return lines


def asides(view: RunView) -> dict[str, list[str]]:
    """Where the faces came from, what to do next, and what to take care of."""
    advice, start = advise(view), view.study.start
    return {
        "start": [] if start is None else [came_from(start)],
        "next": [] if advice is None else [advice.text],
        "care": care(view.run, view.study),
    }
