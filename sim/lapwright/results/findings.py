"""What is noticed of a study beforehand, of a run afterwards, and of readings by gauges.

What is noticed of a run: all that could be foreseen, put right by the metal that went, and what showed.

What is noticed of readings by gauges: what contradicts, and what they take for granted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import outlooks
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.sliding import invariants_of
from lapwright.limits import limit_of
from lapwright.metrology.conditions import bow_of_cooling, pressed_sag
from lapwright.metrology.contacts import footing
from lapwright.results.finding import (
    Finding,
    Kind,
    Rubbed,
    heating,
    marks,
    standing_warm,
    step_by_step,
)
from lapwright.results.record import grit_on

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.metrology.least_squares import Estimate
    from lapwright.metrology.reading import Reading
    from lapwright.results.gauge import Request
    from lapwright.results.record import PlateRecord, Run
    from lapwright.study.model import Study


def gravity(one: Finding) -> tuple[int, int]:
    """What to sort findings by, the gravest first."""
    return list(KINDS).index(one.code), one.step


def _notices(*told: str) -> list[Callable[..., Iterable[Finding]]]:
    """What notices the kinds that are told so, each once."""
    return list(dict.fromkeys(kind.notice for kind in KINDS.values() if kind.told in told))


def foreseen(study: Study, ahead: Sequence[Outlook]) -> list[Finding]:
    """Everything to look out for, step by step; `ahead`: the outlook of each."""
    found = [one for see in _notices("before", "both") for one in see(study, ahead)]
    return sorted(found, key=lambda one: (one.step, gravity(one)))


def _grits(study: Study, ahead: Sequence[Outlook]) -> Iterator[Finding]:
    """Grits after one another: one much finer than the last, and pits that will stay."""
    steps = []
    for at, look in enumerate(ahead, 1):
        off = {name: look.removed_from[name] for name in _used(study, at)}
        steps.append(Rubbed(at, study.steps[at - 1], off))
    return (one for _, one in marks(steps, "pits"))


def _used(study: Study, at: int) -> list[str]:
    """The plates of a step, in the order of the study."""
    step = study.steps[at - 1]
    return [name for name in study.plates if name in (step.top, step.bottom)]


@step_by_step
def _of_motion(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """A top that lies still or is never turned, and a stroke that stays on one side of the plate below.

    At a tenth of the radius off the middle, two flat discs lapped alike, the lopsided part of the worn face
    is a quarter of the metal removed: more than the mark that the grit layer leaves.
    """
    step = study.steps[at - 1]
    if invariants_of(step).kind == "all":
        yield Finding("nothing_rubs", at)
        return
    if step.turn.angle == 0.0 and step.walk.angle == 0.0:
        yield Finding("no_turn", at)
    x, y = Motion(step).middle()
    aside = math.hypot(x, y)
    below = _used(study, at) if step.swap is not None else [step.bottom]
    half = 0.5 * min(study.plates[name].outline.width_along(math.atan2(y, x)) for name in below)
    if aside > limit_of("off the middle") * half:
        numbers = {"aside": aside, "half_width": half}
        yield from (Finding("one_side", at, name, numbers) for name in below)


@step_by_step
def _of_edge(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """A top that tips off, or goes further than where flat faces begin to lift."""
    edge = look.edge
    if look.tipping_margin < 0.0:
        yield Finding("tips", at, None, {"margin": look.tipping_margin})
    elif look.lifts:
        lift = edge.limits.lift
        starts = {"lift_off": lift.overhang, "lift_off_share": lift.share}
        numbers = {"overhang": edge.at.overhang, **starts, "lift_off_apart": lift.apart}
        yield Finding("overhang", at, None, numbers)


@step_by_step
def _of_pressure(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    for side, sign in (("high", 1.0), ("low", -1.0)):
        limit = limit_of(f"{side} pressure")
        if sign * (look.pressure_mean - limit) > 0.0:
            numbers = {"pressure": look.pressure_mean, "limit": limit}
            yield Finding(f"{side}_pressure", at, None, numbers)


@step_by_step
def _of_grit(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """One dab for too long, a dab that tires nobody knows how fast, faces that change within a stroke."""
    step = study.steps[at - 1]
    longest = limit_of("longest dab")
    if step.fresh_every is None and look.time > longest:
        yield Finding("one_dab", at, None, {"time": look.time, "limit": longest})
    if step.grit.fade is None:
        yield Finding("no_fade", at)
    # Averages over a stroke stand for it only while the faces change little within it.
    once = step.curve.period / step.pace
    if once > look.tau:
        yield Finding("long_stroke", at, None, {"stroke": once, "tau": look.tau})


@step_by_step
def _of_plates(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """What each plate weighs, whether its sludge is a hazard, and how far each bends.

    What lies below has to be laid down, washed and turned up for reading, so its weight counts too.  Plates
    are taken as rigid; that is not good enough where they bend by a tenth of the squeeze.
    """
    for name in _used(study, at):
        plate = study.plates[name]
        for code, limit in (("too_heavy", limit_of("too heavy")), ("heavy", limit_of("heavy"))):
            if plate.total_mass > limit:
                yield Finding(code, at, name, {"mass": plate.total_mass, "limit": limit})
                break
        if plate.material.name == "carbide":  # of tools, bonded with cobalt; silicon carbide is not
            yield Finding("carbide", at, name)
        sag = pressed_sag(plate, look.pressure_mean)
        if sag is not None and sag > limit_of("bending") * look.squeeze:
            yield Finding("bending", at, name, {"sag": sag, "squeeze": look.squeeze})


def noticed(run: Run, study: Study) -> list[Finding]:
    """Everything that is noticed of a run of a study, the gravest first."""
    found = list(_tipped(run, study))
    try:
        ahead = outlooks(study.plates, study.steps, seed=study.seed)
    except LapwrightError:
        return found
    told = {(one.code, one.step) for one in found}
    also = (one for one in foreseen(study, ahead) if KINDS[one.code].told == "both")
    found += [one for one in also if (one.code, one.step) not in told]
    found += [one for see in _notices("after") for one in see(run, study)]
    return sorted(found, key=gravity)


def _tipped(run: Run, study: Study) -> Iterator[Finding]:
    """The step in which a run that tipped came to its end: the next one after a step that was over."""
    if run.outcome == "tipped":
        last = int(run.step[-1]) if len(run.step) else 0
        over = not len(run.event) or run.event[-1] == "step"
        yield Finding("tips", last % len(study.steps) + 1 if over else last)


def _pits(run: Run, study: Study) -> Iterator[Finding]:
    """Pits that are in a face as it is at the end."""
    done = list(_rubbed(run, study))
    last = {name: k for k, one in enumerate(done) for name in one.removed}
    for k, found in marks(done, "pits_left"):
        if found.plate is not None and last[found.plate] == k:
            yield found


def _rubbed(run: Run, study: Study) -> Iterator[Rubbed]:
    """Each step as it was done, round by round, with the metal that went in it."""
    spans: dict[tuple[int, int], list[int]] = {}
    for k in range(1, len(run.time)):
        spans.setdefault((int(run.round[k]), int(run.step[k])), []).append(k)
    for (_, number), entries in spans.items():
        step = study.steps[number - 1]
        off = {
            name: float(record.removed[entries[-1]] - record.removed[entries[0] - 1])
            for name, record in run.plates.items()
            if name in (step.top, step.bottom)
        }
        yield Rubbed(number, step, off)


def _best(run: Run, study: Study) -> Iterator[Finding]:
    """Faces that were past their best at the end."""
    for name, record in run.plates.items():
        k = best(record, limit_of("finish") * (grit_on(run, name) or 0.0))
        if k is not None:
            flatness = record.forms["flatness"]
            numbers = {
                "removed": float(record.removed[k]),
                "time": float(run.time[k]),
                "flatness": float(flatness[k]),
                "at_the_end": float(flatness[-1]),
            }
            yield Finding("best_passed", int(run.step[k]), name, numbers)


def best(record: PlateRecord, finish: float) -> int | None:
    """Place in the history where a face was flattest, if on the way and clearly better than at the end.

    `finish` [m]: below half of it nothing is clear.
    """
    flatness = np.asarray(record.forms["flatness"])
    if flatness.size < 3 or not np.isfinite(flatness).all():
        return None
    k = int(np.argmin(flatness))
    clear = max(limit_of("past its best") * flatness[k], flatness[k] + 0.5 * finish)
    return k if 0 < k < flatness.size - 1 and flatness[-1] > clear else None


LITTLE = 0.1  # of the doubt of a dome: a bow that is not worth a word


def noticed_in(asked: Request, found: Estimate) -> list[Finding]:
    """Everything that is noticed of readings; "reading" among the numbers is their place, from 0."""
    return [one for see in _notices("readings") for one in see(asked, found)]


def _odd(asked: Request, found: Estimate) -> Iterator[Finding]:
    for k in found.doubtful:
        numbers = {"reading": k, "of": len(found.doubtful)}
        yield Finding("odd_reading", 0, asked.readings[k].plate, numbers)


def _in_groove(asked: Request, found: Estimate) -> Iterator[Finding]:
    for k, one in enumerate(asked.readings):
        gauge, plate = asked.known[one.gauge], asked.study.plates[one.plate]
        if not footing(plate, gauge.contacts(one.place, plate.outline), gauge.foot).firm:
            yield Finding("in_groove", 0, one.plate, {"reading": k})


def _no_side(asked: Request, found: Estimate) -> Iterator[Finding]:
    for name in dict.fromkeys(one.plate for one in asked.readings if not one.side_told):
        yield Finding("no_side", 0, name)


def _sum_only(asked: Request, found: Estimate) -> Iterator[Finding]:
    for name in found.plates:
        told = sum(one is not None for one in found.forms(name).values())
        if found.order(name) > told:
            numbers = {"fixed": found.order(name), "one_by_one": told}
            yield Finding("sum_only", 0, name, numbers)


def _one_step(asked: Request, found: Estimate) -> Iterator[Finding]:
    read = asked.readings
    for name in dict.fromkeys(one.gauge for one in read):
        step, own = asked.known[name].resolution, [k for k, r in enumerate(read) if r.gauge == name]
        if step > 0.0 and all(abs(read[k].value) < 1.5 * step for k in own):
            yield Finding("one_step", 0, None, {"reading": own[0], "resolution": step})


def _one_place(asked: Request, found: Estimate) -> Iterator[Finding]:
    for name in found.plates if found.stretch == 1.0 else ():
        if len({r.at for r in asked.readings if r.plate == name}) == 1:
            yield Finding("one_place", 0, name)


def _warm(asked: Request, found: Estimate) -> Iterator[Finding]:
    """Plates that were not as warm as the room, or not as warm as each other."""
    told: dict[str, list[tuple[float, float, Reading]]] = {}
    for one in asked.readings:
        if one.temperature is not None:
            room = asked.known[one.gauge].conditions.room
            told.setdefault(one.plate, []).append((one.temperature, room, one))
    for name, there in told.items():
        warm, room, one = max(there, key=lambda read: abs(read[0] - read[1]))
        conditions = asked.known[one.gauge].conditions
        bow = bow_of_cooling(asked.study.plates[name], conditions, warm)
        dome = found.dome(name)
        if dome is None or bow >= LITTLE * dome.half:
            yield Finding("not_at_room", 0, name, {"warmer": warm - room, "room": room, "bow": bow})
    means = [sum(warm for warm, _, _ in there) / len(there) for there in told.values()]
    if means and (apart := max(means) - min(means)) > limit_of("plates compared"):
        yield Finding("apart", 0, None, {"apart": apart, "limit": limit_of("plates compared")})


# One line adds a finding.  What can hurt or spoil the work comes first.
KINDS = {
    "tips": Kind("the top tips off in the stroke", _of_edge, hurts=True),
    "overhang": Kind("the stroke goes past where flat faces begin to lift", _of_edge),
    "too_heavy": Kind("more than one person should lift", _of_plates, of="plate", hurts=True),
    "carbide": Kind("sludge that is a hazard", _of_plates, of="plate", hurts=True),
    "heavy": Kind("to be lifted with care", _of_plates, of="plate", hurts=True),
    "nothing_rubs": Kind("the top neither travels nor turns", _of_motion),
    "pits_left": Kind(
        "pits of a coarser grit that the metal off did not reach the bottom of",
        _pits,
        "after",
        of="end",
    ),
    "high_pressure": Kind("the grit layer may be squeezed out", _of_pressure),
    "low_pressure": Kind("the top may float", _of_pressure),
    "no_turn": Kind("the top is never turned", _of_motion),
    "one_side": Kind("the stroke stays on one side of a plate", _of_motion),
    "finer": Kind("a grit much finer than the one before it", _grits),
    "pits": Kind("pits of a coarser grit that will stay, as far as can be told", _grits, "before"),
    "best_passed": Kind(
        "a face was clearly flatter on the way than at the end", _best, "after", of="end"
    ),
    "one_dab": Kind("one dab of grit for too long", _of_grit),
    "long_stroke": Kind("the faces change within one stroke", _of_grit),
    "bending": Kind("a plate bends under the load, and is taken as rigid", _of_plates),
    "heat": Kind("a plate goes domed from the heat of rubbing while it runs", heating),
    "wait": Kind("plates are too warm to be read at the end", standing_warm, of="end"),
    "no_fade": Kind(
        "how fast a dab tires is not known; said with what is taken as usual", _of_grit, "before"
    ),
    "odd_reading": Kind("a reading that contradicts the others", _odd, "readings"),
    "in_groove": Kind("a foot stood in a groove", _in_groove, "readings"),
    "no_side": Kind("bands were counted without saying dome or dish", _no_side, "readings"),
    "sum_only": Kind("forms of a plate are fixed as a sum only", _sum_only, "readings"),
    "one_step": Kind("a gauge never showed more than one step of its dial", _one_step, "readings"),
    "not_at_room": Kind("a plate was not as warm as the room", _warm, "readings"),
    "apart": Kind("plates were not as warm as each other", _warm, "readings"),
    "one_place": Kind("a plate was read at one place only", _one_place, "readings"),
}
