"""What came out of a run in a few lines of words, and what to do next.

What to do next was lapped from the last faces of the run (`lapwright.optimisation.onward`) before it is said.
Beside its sentence stand the same steps for the engine, so that it can be obeyed and tried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi, radians
from weakref import finalize

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import outlook
from lapwright.integration.state import WENT_THROUGH
from lapwright.metrology.form import SPOKEN
from lapwright.optimisation.bench import USUAL
from lapwright.optimisation.kept_plan import spelled
from lapwright.optimisation.onward import Onward, onward
from lapwright.optimisation.spell import turns_enough
from lapwright.optimisation.track import constraints_of
from lapwright.presentation.run_view import RunView, run_view
from lapwright.presentation.size_words import sizes_left
from lapwright.presentation.standing import (
    PAID,
    PAYS,
    Pair,
    by_layer,
    form_as_read,
    goal_of,
    last_pair,
    mend_words,
    one_sided,
    passed,
)
from lapwright.presentation.tables import limit, stays_on_top, stroke_words, turn_words
from lapwright.presentation.tuning_notes import label
from lapwright.presentation.words import say
from lapwright.results.record import Run
from lapwright.specification.curves import Line, arc_moments
from lapwright.specification.plate import Plate
from lapwright.specification.said import RefusedError
from lapwright.specification.step import Grit, Step, Turn
from lapwright.study.doubts import doubt_on
from lapwright.units import METRIC, Units, joined, sentence

WALK = Turn(radians(3.0))  # as in the sentence on a stroke that stays on one side
APART = 0.25e-6  # [m] that a comparator tells two plates apart by (common practice, no source)
NEAR = 0.95  # of the overhang at which flat faces lift
UNLIKE = 1.2  # times as much off one plate as off another: then each is told
SHOWS = 0.25  # of the flatness: a form that is worth a word
FURTHER = 1.06  # than the place where the plate would keep its shape
HOURS = 3600.0  # [s] of a spell, from which on it is read early: its time is known to a band of ten
BENCH = 0.01  # a stay on top that was worked out is said in two figures where they are this near


@dataclass(frozen=True)
class Advice:
    """What to do next: `text` in words; `steps` the same for the engine, none where nothing is lapped.

    `plan`: what was lapped for it, to be kept with the run.  `goal`: how far the goal is, before the `text`
    says what to do.
    """

    kind: str
    text: str
    steps: tuple[Step, ...] = ()
    plan: Onward | None = None
    goal: str = ""

    @property
    def whole(self) -> str:
        """How far the goal is, and what to do."""
        return f"{self.goal} {self.text}".strip()


KEPT: dict[
    int, Advice | None
] = {}  # by the run, as long as there is one: it is asked for by every page


def advise(view: RunView) -> Advice | None:
    """What to do next; None where the study cannot be read any more or no two plates were lapped."""
    run = view.run
    if id(run) not in KEPT:
        _keep(run, _advised(view))
    return KEPT[id(run)]


def _keep(run: Run, advice: Advice | None) -> None:
    KEPT[id(run)] = advice
    finalize(run, KEPT.pop, id(run), None)


def planned(run: Run) -> Run:
    """The run with what was lapped to tell what comes next, for its file: nobody laps that again.

    A run is put in its place whatever comes of this: who asks what comes next hears of trouble.  But where
    memory is gone it is not put there yet, so that going on from what is kept comes to the same file.
    """
    if run.planned:
        return run
    try:
        advice = advise(run_view(run))
    except MemoryError:
        raise
    except Exception:
        return run
    if advice is None or advice.plan is None:
        return run
    kept = replace(run, planned=spelled(advice.plan))
    _keep(kept, advice)
    return kept


def _advised(view: RunView) -> Advice | None:
    pair = last_pair(view)
    if pair is None or view.study.batch is not None:  # what the plate wants next, the batch says
        return None
    advice = _of_forms(pair)
    left = sizes_left(view) if view.run.outcome in WENT_THROUGH else []
    if not left:
        return advice
    # A part that is not to size yet, or out of parallel, is not done, however flat.
    if view.study.goal is not None and not view.study.goal.reach:
        return Advice("size", " ".join(map(sentence, left)))
    form = say("size.next.form", text=f"{advice.text[:1].lower()}{advice.text[1:]}")
    kind = "size" if advice.kind in ("reached", "stop") else advice.kind
    return replace(advice, kind=kind, text=" ".join([*map(sentence, left), form]))


def _of_forms(pair: Pair) -> Advice:
    """What to do next for the forms of the faces, whatever their size."""
    view = pair.view
    goal, is_reached = goal_of(view)
    if view.study.goal is not None and not view.study.goal.reach:
        return Advice("reached", pair.say("size_alone"))
    if is_reached and view.run.outcome in WENT_THROUGH:
        return Advice("reached", _flat(pair) if not goal else pair.say("reached", goal=goal))
    try:
        advice = _advice(pair)
    except RefusedError as refused:  # these faces cannot be lapped on from
        advice = Advice("stop", pair.say("refused", why=str(refused)))
    if advice.kind == "reached":
        return advice
    first = [] if advice.kind == "go on" else mend_words(pair.step, view.study.plates, view.units)
    return replace(advice, text=" ".join([*first, sentence(advice.text)]), goal=goal)


def _advice(pair: Pair) -> Advice:
    run = pair.view.run
    if run.outcome == "interrupted":
        return Advice("go on", pair.say("resume"))
    if run.outcome == "tipped" or pair.ahead.lifts:
        return _shortened(pair)
    special = dict(_special(pair))
    plan = onward(run, special=tuple(step for step, _ in special.values()))
    for kind, (step, why) in special.items():
        if plan.steps and _same_motion(plan.steps[0], step):
            return Advice(kind, f"{why} {_plan_words(pair, plan)}", plan.steps, plan)
    text = _plan_words(pair, plan)
    if not plan.steps and plan.why != "reached":
        text = " ".join(
            [text, *(why for kind, (_, why) in special.items() if kind == "walk round")]
        )
    return Advice(_kind(pair, plan), text, plan.steps, plan)


def _kind(pair: Pair, plan: Onward) -> str:
    if not plan.steps:
        return "reached" if plan.why == "reached" else "stop"
    step = plan.steps[0]
    if step.grit.name != pair.step.grit.name:
        return "grit"
    return "round" if len(plan.steps) > 1 else "on top" if step.swap is None else "by turns"


def _shortened(pair: Pair) -> Advice:
    """The stroke goes further than flat faces stand: a shorter one first, and what then follows."""
    step, edge, top = pair.step, pair.ahead.edge, pair.step.top
    if pair.equal and pair.top.long and turns_enough(step):
        length = min(2.0 * step.curve.half_travel, 2.0 * NEAR * pair.ahead.lift_off_overhang)
        along = 0.0 if pair.top.half[0] >= pair.top.half[1] else 0.5 * pi
        base = replace(step, turn=Turn(pi, 10), walk=Turn(), curve=Line(length), direction=along)
        return _after(pair, "end for end", pair.say("end_for_end", top=top), base)
    lift = limit(edge.limits.lift, step, pair.view.units)
    if edge.out <= 0.0 or edge.out + edge.room <= 0.0:
        return Advice("shorten", pair.say("load_in", top=top, lift=lift))
    less = NEAR * (edge.out + edge.room) / edge.out
    fields = {"top": top, "lift": lift, "less": less, "much": less < 1.0}
    base = replace(step, curve=step.curve.scaled(less))
    # With a plan the stroke is told there, once.
    return _after(
        pair,
        "shorten",
        pair.say("shorten.as_planned", **fields),
        base,
        pair.say("shorten.by", **fields),
    )


def _after(pair: Pair, kind: str, text: str, base: Step, alone: str = "") -> Advice:
    """Something that must be done in any case, and what to lap then; `alone`, where nothing helps then."""
    plan = onward(pair.view.run, base)
    if not plan.steps:
        return Advice(kind, alone or text, plan=plan)
    return Advice(kind, f"{text} {_plan_words(pair, plan)}", plan.steps, plan)


# --- a part on another outline ---------------------------------------------------------------------


def _special(pair: Pair) -> list[tuple[str, tuple[Step, str]]]:
    """Other places for a part on a plate, by kind: the step, and why."""
    if pair.equal:
        return []
    found = []
    part, plate = sorted((pair.top, pair.bottom), key=lambda f: max(f.half))
    if one_sided(pair.step, (pair.top, pair.bottom)):
        # A stroke that stays on one side wears a pit there.
        step = replace(pair.step, walk=_walking(pair.step), carry_centre=True)
        text = pair.say("unlike.walk", bottom=step.bottom, walk=turn_words(step.walk))
        found.append(("walk round", (step, text)))
    place, dome = _balance(pair), pair.of(plate, "sphere")
    if plate is pair.bottom and place is not None:
        # The plate goes hollow where the part lies too far inside, domed where it goes too far out.
        out, far = dome < 0.0, float(np.hypot(*pair.step.centre))
        moved = _moved(pair, place * (FURTHER if out else 1.0 / FURTHER))
        fields = {"part": part.name, "plate": plate.name, "out": out, "size": dome, "place": place}
        if moved is not None and (far < place if out else far > place):
            found.append(("place", (moved, pair.say("unlike.place", **fields))))
    return found


def _same_motion(one: Step, other: Step) -> bool:
    return (one.curve, one.centre, one.walk, one.top) == (
        other.curve,
        other.centre,
        other.walk,
        other.top,
    )


def _walking(step: Step) -> Turn:
    return step.walk if step.walk.angle != 0.0 else WALK


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
    moved = replace(step, centre=centre, carry_centre=True, walk=_walking(step))
    try:
        ahead = outlook(pair.view.study.plates, moved)
    except LapwrightError:
        return None
    return None if ahead.lifts or ahead.tipping_margin < 0.0 else moved


# --- in words --------------------------------------------------------------------------------------


def _plan_words(pair: Pair, plan: Onward) -> str:
    """What to lap next, for how much metal, and what that should leave; or why to stop."""
    if plan.why == "reached" and not plan.steps:
        return _flat(pair)
    if not plan.steps:
        harm = plan.harm[0] if plan.harm else None
        what, by = ("", 0.0) if harm is None else (label(harm.asked), harm.by)
        if (over := passed(pair.view)) is not None:
            off = float(pair.top.record.removed[over.at])
            fields = {"what": label(over.one), "then": over.then, "harm": what}
            return pair.say("plan.sooner", off=off, top=pair.top.name, **fields)
        return pair.say(f"plan.stop.{plan.why}", harm=what, by=by)
    changes = [_changed(pair, step) for step in plan.steps]
    alike = len(set(changes)) == 1
    first = pair.say(
        "plan.lap",
        who=_who(pair, plan.steps, [""] * len(changes) if alike else changes),
        changed=changes[0] if alike else "",
        amount=_amount(pair, plan.off),
        time=Units.rubbing(plan.time, pair.view.spread),
    )
    parts = [first, _leaves(pair, plan), *_pays(pair, plan)]
    parts.append(pair.say("plan.aim", reached=plan.why == "reached"))
    if plan.held is not None:
        parts.append(pair.say("plan.held", harm=label(plan.held.asked)))
    weigh = any(pair.view.weighable(name, size) for name, size in plan.off.items())
    parts.append(pair.say("plan.read", early=plan.time >= HOURS, weigh=weigh))
    if plan.after is not None:
        parts.append(pair.say("plan.after", grit=METRIC.size(plan.after.size)))
    return " ".join(part for part in parts if part)


def _flat(pair: Pair) -> str:
    """That nothing is to be done without a goal."""
    goal = USUAL.reach["flatness"]
    grain, study = pair.step.grit.size, pair.view.study
    doubts = [doubt_on(study, name, grain) for name in (pair.step.top, pair.step.bottom)]
    rough = pair.view.units.finer(goal, max(doubts))
    asked = constraints_of(
        USUAL.replace(plates=tuple(pair.view.run.plates)), pair.view.study.plates
    )
    sure = by_layer(pair.view, asked)
    return " ".join(filter(None, [pair.say("flat", goal=goal, rough=rough), sure]))


def _changed(pair: Pair, step: Step) -> str:
    """What is otherwise than when these two were lapped on each other: grit, stroke, turn."""
    names = {step.top, step.bottom}
    steps = [pair.step, *reversed(pair.view.steps)]
    last = next((one for one in steps if {one.top, one.bottom} == names), pair.step)
    turn = "" if step.turn.angle == 0.0 else turn_words(step.turn)
    return pair.say(
        "plan.changed",
        grit=_grit_words(step.grit, last.grit) if step.grit.name != last.grit.name else "",
        stroke=stroke_words(step, pair.view.units) if step.curve != last.curve else "",
        turn=pair.say("plan.turn", turn=turn) if step.turn != last.turn else "",
    )


def _grit_words(grit: Grit, last: Grit) -> str:
    """A grit by its size, and by its kind where that is another."""
    kind = grit.abrasive if grit.abrasive != last.abrasive else None
    return f"{METRIC.size(grit.size)} {kind or ''}".rstrip()


def _amount(pair: Pair, off: Mapping[str, float]) -> str:
    """How much is to go, the mean of the plates where they lose alike; and the weight, if a balance tells."""
    view = pair.view
    weights = {n: f"{Units.number(view.grams(n, size))} g" for n, size in off.items()}
    weights = {n: text if view.weighable(n, off[n]) else "" for n, text in weights.items()}
    if max(off.values()) <= UNLIKE * min(off.values()):
        mean = sum(off.values()) / len(off)
        each = [f"{name} {text}" for name, text in weights.items() if text]
        return pair.say("plan.mean", metal=mean, several=len(off) > 2, weights=joined(each))
    other = view.units.other
    each = [
        pair.say("plan.off", metal=size, other=other.size(size), plate=name, weight=weights[name])
        for name, size in off.items()
    ]
    return pair.say("plan.each", each=joined(each))


def _who(pair: Pair, steps: Sequence[Step], changes: Sequence[str]) -> str:
    """Who lies on whom, for how long at one go; of several, with what each does otherwise."""
    step, units = steps[0], pair.view.units
    if len(steps) > 1:
        stays = [stays_on_top(one.swap, units, near=BENCH) if one.swap else {} for one in steps]
        times = {time for each in stays for time in each.values()}
        pairs = [
            pair.say(
                "plan.pair",
                top=one.top,
                bottom=one.bottom,
                changed=changed,
                stays=_stays(each) if len(times) > 1 else "",
            )
            for one, changed, each in zip(steps, changes, stays, strict=True)
        ]
        told = "; ".join(pairs) if any(changes) or len(times) > 1 else joined(pairs)
        at_a_time = times.pop() if len(times) == 1 else ""
        return pair.say("plan.round", pairs=told, at_a_time=at_a_time)
    several = len(pair.view.faces) > 2
    if step.swap is not None:
        names = {"one": step.top, "other": step.bottom} if several else {"one": "", "other": ""}
        stays_text = _stays(stays_on_top(step.swap, units, near=BENCH))
        return pair.say("plan.by_turns", stays=stays_text, several=several, **names)
    top, bottom = (pair.view.face(name) for name in (step.top, step.bottom))
    assert top is not None
    assert bottom is not None
    key = "bow" if top.long else "sphere"
    domed = pair.of(top, key, True) - pair.of(bottom, key, True) >= APART
    keeps = step.top == pair.step.top and pair.step.swap is None
    even = pair.step.swap is not None and pair.step.swap.even
    fields = {"top": step.top, "bottom": step.bottom, "domed": pair.equal and domed}
    swapped = even and pair.equal and domed
    return pair.say("plan.on_top", **fields, stays=keeps, swapped=swapped, several=several)


def _stays(stays: Mapping[str, str]) -> str:
    return joined([f"{name} {time}" for name, time in stays.items()])


def _leaves(pair: Pair, plan: Onward) -> str:
    """What the plates should come to, and on which of them no gauge tells it."""
    told = {name: told for name in plan.off if (told := _left(pair, plan, name))}
    if not told:
        return ""
    grain, finer = plan.steps[-1].grit.size, pair.view.units.finer
    rough = [
        name
        for name, (_, sizes) in told.items()
        if any(finer(size, doubt_on(pair.view.study, name, grain)) for size in sizes)
    ]
    left = "; ".join(text for text, _ in told.values())
    on = joined(rough) if len(rough) < len(told) else ""
    remark = pair.say("plan.rough", on=on) if rough else ""
    return pair.say("plan.leaves", left=left, remark=remark)


def _left(pair: Pair, plan: Onward, name: str) -> tuple[str, list[float]] | None:
    """What a plate should come to: its largest form and its flatness, and the sizes that are told [m]."""
    units = pair.view.units
    forms = [(key, plan.then.get(f"{name}.{key}")) for key in SPOKEN]
    known = [(key, value) for key, value in forms if value is not None and np.isfinite(value)]
    flatness = plan.then.get(f"{name}.flatness")
    if not known or flatness is None or not np.isfinite(flatness):
        return None
    key, value = max(known, key=lambda one: abs(one[1]))
    sizes = [flatness]
    form = ""
    if abs(value) >= SHOWS * flatness:
        beyond = name in pair.view.bores or abs(value) > flatness
        if (
            key == "sphere" and beyond
        ):  # its size is told to the middle of the bore, or to the very edge
            form = say("shape.kind", dome=value > 0.0)
        else:
            form = say(f"book.form.{key}", up=value > 0.0, size=units.size(abs(value)))
            sizes.append(abs(value))
    return pair.say("plan.left", plate=name, form=form, flatness=flatness), sizes


def _pays(pair: Pair, plan: Onward) -> list[str]:
    """Plates that end less flat than they are, and than is asked of them."""
    goal = pair.view.study.goal or USUAL
    lines = []
    for name in plan.off:
        then = plan.then.get(f"{name}.flatness", np.nan)
        now = form_as_read(pair.view, name, "flatness")
        asked = goal.reach.get("flatness", 0.0) if not goal.plates or name in goal.plates else 0.0
        if then > max(now + PAYS, PAID * now, asked):
            lines.append(pair.say("plan.pays", plate=name, then=then, now=now))
    return lines
