"""What is noticed of a study beforehand, of a run afterwards, and of readings by gauges: each a finding.

A finding is something that a person should know of, as numbers.  Of a run: all that could be foreseen, put
right by the metal that went, and what showed; pits that grits leave (half the grain deep, gone when so much
metal is); how plates bow while rubbing heats them, and how long to wait before reading.  Of readings by
gauges: what contradicts, and what they take for granted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import wraps
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from lapwright.contact.liquid import film_of
from lapwright.errors import LapwrightError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.sliding import crossed_ends, invariants_of
from lapwright.limits import limit_of
from lapwright.metrology.conditions import bow, bow_of_cooling, difference, waiting
from lapwright.metrology.contacts import footing
from lapwright.results.record import best, grit_on
from lapwright.results.warmth import heats_of, warm_at_the_end, warmth_that_reads
from lapwright.specification.materials import (
    ABRASIVES,
    HAZARDS,
    SOFT,
    cut_left,
    cutting,
    holds_grit,
)
from lapwright.specification.step import Step
from lapwright.study.bends import seesaw
from lapwright.study.doubts import doubt_on
from lapwright.study.sizes import sizes_of, takes_a_wedge

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.metrology.least_squares import Estimate
    from lapwright.metrology.reading import Reading
    from lapwright.results.gauge import Request
    from lapwright.results.record import Run
    from lapwright.study.model import Study


class Kind(NamedTuple):
    """All there is to a code: what it says, what notices it, and when it can be told.

    `told`: before or after a run alone, or both alike; of readings.  `notice` yields it: from a study and the
    outlook of each step; where it is told after a run alone, from run and study; of readings, from what was
    asked of gauges and the estimate.  Its sentence stands under the code in `sentences.toml`, unless it
    brings its own: in it {plate}, {top}, {bottom} and the numbers, each as `Units` says it ("{mass:mass}").
    `of`: what it holds for, whatever the step; `harm`: hurts a person, ruins the plate or wastes the day.
    """

    what: str
    notice: Callable[..., Iterable[Finding]]
    told: Literal["before", "after", "both", "readings"] = "both"
    sentence: str = ""
    of: Literal["step", "plate", "end", "study"] = "step"
    harm: Literal["person", "plate", "day"] = "day"


@dataclass(frozen=True)
class Finding:
    """One thing that is noticed: its `code` (of `KINDS`), in which `step` (from 1), of which `plate`.

    `step` 0: of none; `plate` None: of the step as a whole.
    """

    code: str
    step: int
    plate: str | None = None
    numbers: Mapping[str, float] = field(default_factory=dict)


def step_by_step(
    see: Callable[[Study, int, Outlook], Iterable[Finding]],
) -> Callable[[Study, Sequence[Outlook]], Iterator[Finding]]:
    """What is seen of each step by itself (study, its number from 1, its outlook), of all of them."""

    @wraps(see)
    def noticed(study: Study, ahead: Sequence[Outlook]) -> Iterator[Finding]:
        for at, look in enumerate(ahead, 1):
            yield from see(study, at, look)

    return noticed


def as_json(found: Finding) -> dict[str, Any]:
    """A finding for scripts."""
    return {
        "code": found.code,
        "step": found.step or None,
        "plate": found.plate,
        "numbers": dict(found.numbers),
    }


# Still air takes 7 to 14 W/(m2 K) from a plate (handbook, from memory), so a wait has a band.
LEAST_AIR, MOST_AIR = 7.0, 14.0


@step_by_step
def heating(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """Plates that bow while they are rubbed by more than is left of the squeeze to be seen."""
    heats = heats_of(study, study.steps[at - 1], look)
    for name, heat in heats.items():
        bowed = bow(study.plates[name], difference(study.plates[name], heat))
        if bowed > limit_of("bending") * look.squeeze:
            numbers = {"power": sum(heats.values()), "bow": bowed, "squeeze": look.squeeze}
            yield Finding("heat", at, name, numbers)


def standing_warm(study: Study, ahead: Sequence[Outlook]) -> Iterator[Finding]:
    """How warm the plates are at the end, and from when to when they may be read."""
    warm, last = warm_at_the_end(study, ahead)
    end = max(last.values(), default=1)
    for name in (n for n in study.plates if n in last):
        plate = study.plates[name]
        allowed = warmth_that_reads(plate, ahead[last[name] - 1].squeeze)
        if warm[name] > allowed:
            low, high = (waiting(plate, warm[name], allowed, air) for air in (MOST_AIR, LEAST_AIR))
            grown = plate.material.expansion * warm[name] * (plate.thickness or 0.0)
            numbers = {"warmer": warm[name], "thicker": grown, "least": low, "most": high}
            yield Finding("wait", end, name, numbers)


NOTHING = 0.5e-9  # m of metal: nothing was lapped
SAME = 1.0 + 1e-9  # sizes of grain that differ by less are one size


class Rubbed(NamedTuple):
    """A step that was done or is to be done: its number, and the metal that it takes off each plate [m]."""

    number: int
    step: Step
    removed: Mapping[str, float]


@dataclass(frozen=True)
class _Left:
    """What steps left on a plate [m]: the `last` grain, and the `grain` of the deepest `pits`."""

    last: float
    grain: float
    pits: float


def marks(rubbed: Sequence[Rubbed], code: str) -> Iterator[tuple[int, Finding]]:
    """A grit much finer than the last ("finer"), and pits of which a step does not reach the bottom (`code`).

    Each with its place in `rubbed`.  Pits that a next step as fine goes on with are not told of until then.
    """
    left: dict[str, _Left] = {}
    for k, (number, step, removed) in enumerate(rubbed):
        if sum(removed.values()) < NOTHING * len(removed):
            continue
        size = step.grit.size
        before = {name: left.get(name, _Left(size, size, 0.0)) for name in removed}
        coarsest = max(one.last for one in before.values())
        if coarsest > limit_of("next grit") * size * SAME:
            yield k, Finding("finer", number, None, {"grain": size, "before": coarsest})
        for name, off in removed.items():
            grain, pits = before[name].grain, before[name].pits
            remains = max(pits - off, 0.0)
            if grain > size * SAME and remains > 0.0 and not _goes_on(rubbed[k + 1 :], name, size):
                numbers = {"grain": grain, "depth": pits, "removed": off}
                yield k, Finding(code, number, name, numbers)
            fresh = limit_of("pit") * size
            new = fresh >= remains
            left[name] = _Left(size, size if new else grain, fresh if new else remains)


def _goes_on(later: Sequence[Rubbed], name: str, size: float) -> bool:
    """True when the next step of a plate uses a grit as fine or finer, which goes on cutting."""
    following = next((one for one in later if name in one.removed), None)
    return following is not None and following.step.grit.size <= size * SAME


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
    if step.turn.angle == 0.0 and step.walk.angle == 0.0 and not takes_a_wedge(study, step):
        yield Finding("no_turn", at)
    ends = crossed_ends(step, *(study.plates[n].outline for n in (step.top, step.bottom)))
    if ends > 0.0:
        yield Finding("crossed", at, None, {"ends": ends})
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
    past = seesaw(study.plates, study.steps[at - 1])
    if past > 0.0:
        yield Finding("seesaws", at, None, {"past": past})


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
def _of_abrasive(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """Grit that cuts a face hardly or not, one that is not named where not every kind cuts, and soft faces.

    A soft face takes up loose grit, and goes on cutting the other with it; where the grit is held in it on
    purpose, that is wanted.
    """
    grit = study.steps[at - 1].grit
    used = _used(study, at)
    for name in used:
        material = study.plates[name].material
        kinds = len(cutting(material))
        if grit.abrasive is None and kinds < len(ABRASIVES):
            yield Finding("which_abrasive", at, name, {"kinds": kinds})
        elif (left := cut_left(grit.abrasive, material)) < 1.0:
            yield Finding("cuts_not", at, name, {"left": left, "kinds": kinds})
        if grit.held_in == name and not holds_grit(material):
            yield Finding("not_held", at, name)
        if material.name in SOFT and grit.held_in != name:
            yield Finding("takes_up", at, name)


@step_by_step
def _of_plates(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """What each plate weighs, whether its sludge is a hazard, and how far each bends.

    What lies below has to be laid down, washed and turned up for reading, so its weight counts too.
    """
    bend = study.bends[at - 1]
    for name in _used(study, at):
        plate = study.plates[name]
        for code, limit in (("too_heavy", limit_of("too heavy")), ("heavy", limit_of("heavy"))):
            if plate.total_mass > limit:
                yield Finding(code, at, name, {"mass": plate.total_mass, "limit": limit})
                break
        if plate.material.name in HAZARDS:
            yield Finding(HAZARDS[plate.material.name], at, name)
        numbers = {"bend": bend.sizes[name], "squeeze": look.squeeze}
        if bend.sizes[name] >= bend.limit:
            yield Finding("bends" if study.steps[at - 1].bends else "bending", at, name, numbers)


@step_by_step
def _of_liquid(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """Liquid that holds up the rocking by which a dome comes against a dish; kerosene, which burns."""
    yield from flooded(study, at)
    if study.steps[at - 1].liquid == "flooded with kerosene":
        yield Finding("kerosene", at)


def flooded(study: Study, at: int) -> Iterator[Finding]:
    """Where liquid takes a tenth or more from what step `at` (from 1) makes of dome against dish."""
    step = study.steps[at - 1]
    top, bottom = study.plates[step.top], study.plates[step.bottom]
    film = film_of(step, top, bottom)
    if film is not None and 1.0 - film.left > limit_of("liquid"):
        grooved = any(plate.grooves is not None for plate in (top, bottom))
        yield Finding("liquid", at, None, {**film._asdict(), "grooved": float(grooved)})


def noticed(run: Run, study: Study) -> list[Finding]:
    """Everything that is noticed of a run of a study, the gravest first."""
    found = list(_tipped(run, study))
    try:
        ahead = _as_rubbed(run, study)
    except LapwrightError:
        return found
    told = {(one.code, one.step) for one in found}
    also = (one for one in foreseen(study, ahead) if KINDS[one.code].told == "both")
    found += [one for one in also if (one.code, one.step) not in told]
    found += [one for see in _notices("after") for one in see(run, study)]
    return sorted(found, key=gravity)


def _as_rubbed(run: Run, study: Study) -> tuple[Outlook, ...]:
    """What was known of each step beforehand, with the time that it was rubbed in a round [s]."""
    done = list(_rubbed_for(run))
    looks = []
    for number, look in enumerate(study.ahead, 1):
        times = [time for step, over, time in done if step == number and over]
        looks.append(replace(look, time=sum(times) / len(times)) if times else look)
    return tuple(looks)


def _rubbed_for(run: Run) -> Iterator[tuple[int, bool, float]]:
    """Each step of a run (from 1), whether it came to its end, and how long it was rubbed [s]."""
    begun = 0.0
    for k in range(1, len(run.time)):
        if run.event[k] == "step" or k + 1 == len(run.time):
            yield int(run.step[k]), run.event[k] == "step", float(run.time[k]) - begun
            begun = float(run.time[k])


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


def _doubt(run: Run, name: str) -> float:
    """What a gauge tells on a face at the end of a run [m]; 0 where nothing lapped it."""
    grit = grit_on(run, name)
    return 0.0 if grit is None else doubt_on(run.study, name, grit)


def _best(run: Run, study: Study) -> Iterator[Finding]:
    """Faces that were past their best at the end; parts of a batch follow each other on one name."""
    parts = study.batch.names if study.batch is not None else ()
    # What is lapped to a size is not done when it is at its flattest, nor sooner.
    sized = {name for name, size in sizes_of(study).items() if size.thickness is not None}
    for name, record in run.plates.items():
        flatness = record.forms["flatness"]
        k = best(flatness, _doubt(run, name))
        if k is not None and name not in parts and name not in sized:
            numbers = {
                "removed": float(record.removed[k]),
                "time": float(run.time[k]),
                "flatness": float(flatness[k]),
                "at_the_end": float(flatness[-1]),
            }
            yield Finding("best_passed", int(run.step[k]), name, numbers)


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
        if found.order(name) > told and (told or name not in asked.measured()):
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


# One line adds a finding.  What hurts a person comes first, then what ruins the plate, then the day.
KINDS = {
    "tips": Kind("the top tips off in the stroke", _of_edge, harm="person"),
    "seesaws": Kind("the bottom tips on its feet", _of_edge, harm="person"),
    "overhang": Kind("the stroke goes past where flat faces lift", _of_edge, harm="person"),
    "too_heavy": Kind("more than one person should lift", _of_plates, of="plate", harm="person"),
    "carbide": Kind("sludge that is a hazard", _of_plates, of="plate", harm="person"),
    "lead": Kind("sludge with lead in it", _of_plates, of="plate", harm="person"),
    "silica": Kind("dust with quartz in it", _of_plates, of="plate", harm="person"),
    "graphite": Kind("dust of graphite", _of_plates, of="plate", harm="person"),
    "heavy": Kind("to be lifted with care", _of_plates, of="plate", harm="person"),
    "kerosene": Kind("a carrier that burns", _of_liquid, of="study", harm="person"),
    "pits_left": Kind("coarser pits still there", _pits, "after", of="end", harm="plate"),
    "high_pressure": Kind("the grit layer may be squeezed out", _of_pressure, harm="plate"),
    "no_turn": Kind("the top is never turned", _of_motion, harm="plate"),
    "crossed": Kind("ends go unrubbed while the top lies across", _of_motion, harm="plate"),
    "one_side": Kind("the stroke stays on one side of a plate", _of_motion, harm="plate"),
    "pits": Kind("pits of a coarser grit that will stay", _grits, "before", harm="plate"),
    "best_passed": Kind("a face was flatter on the way", _best, "after", of="end", harm="plate"),
    "takes_up": Kind("a soft face takes up loose grit", _of_abrasive, harm="plate"),
    "nothing_rubs": Kind("the top neither travels nor turns", _of_motion),
    "low_pressure": Kind("the top may float", _of_pressure),
    "cuts_not": Kind("a grit that hardly cuts a face, or not at all", _of_abrasive),
    "which_abrasive": Kind("no kind of grit named where not every kind cuts", _of_abrasive),
    "not_held": Kind("grit that is to be held in a face too hard for it", _of_abrasive),
    "liquid": Kind("liquid holds up the rocking of the top", _of_liquid),
    "finer": Kind("a grit much finer than the one before it", _grits),
    "one_dab": Kind("one dab of grit for too long", _of_grit),
    "long_stroke": Kind("the faces change within one stroke", _of_grit),
    "bending": Kind("a plate bends under the load, and is taken as rigid", _of_plates),
    "heat": Kind("a plate goes domed from the heat of rubbing while it runs", heating),
    "wait": Kind("plates are too warm to be read at the end", standing_warm, of="end"),
    "bends": Kind("a plate bends under the load, and is lapped as it lies bent", _of_plates),
    "no_fade": Kind("how fast a dab tires is not known", _of_grit, "before"),
    "odd_reading": Kind("a reading that contradicts the others", _odd, "readings"),
    "in_groove": Kind("a foot stood in a groove", _in_groove, "readings"),
    "no_side": Kind("bands were counted without saying dome or dish", _no_side, "readings"),
    "sum_only": Kind("forms of a plate are fixed as a sum only", _sum_only, "readings"),
    "one_step": Kind("a gauge never showed more than one step of its dial", _one_step, "readings"),
    "not_at_room": Kind("a plate was not as warm as the room", _warm, "readings"),
    "apart": Kind("plates were not as warm as each other", _warm, "readings"),
    "one_place": Kind("a plate was read at one place only", _one_place, "readings"),
}
