"""Beside what a search found: what a sloppy hand costs, what stays; and the words of a search.

The words of a search for a schedule: quantities that a goal asks for, and keys that may move.
"""

from __future__ import annotations

import re
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.metrology.form import ROUND
from lapwright.optimisation.cases import drawn_in_words, name_of, said
from lapwright.optimisation.design import typed_at, where
from lapwright.optimisation.track import Band, Candidate, Constraint, Evaluation, Nudge, Tuning
from lapwright.presentation import words
from lapwright.presentation.words import ALWAYS, MARK
from lapwright.study.doubts import doubt_at_end
from lapwright.study.model import Study, guessed
from lapwright.study.write import written
from lapwright.units import NOTHING, Units, joined

NAMES = {
    "flatness": "flatness",
    "dome": "dome or dish",
    "difference": "difference of the domes",
    "mating": "misfit of the pair, rms",
}


# --- what was asked ----------------------------------------------------------------------------


def asked_for(asked: Sequence[Constraint], units: Units) -> str:
    """The goal as something that is there: "A and B flat within 0.30 um, no twist above 0.10 um in A"."""
    groups: dict[tuple[str, float, bool], list[str]] = {}
    for one in asked:
        groups.setdefault((one.form, one.limit, one.kept), []).append(one.plate or "")
    return "; ".join(_there(*key, joined(names), units) for key, names in groups.items())


def _there(form: str, limit: float, kept: bool, plates: str, units: Units) -> str:
    size, name = units.limit(limit), NAMES.get(form, form)
    if form == "mating":
        return f"a misfit of {size} at most"
    if form == "difference":
        return f"domes that differ by {size} at most"
    if kept:
        many = " and " in plates
        return f"{plates} {'keep their' if many else 'keeps its'} {name} to within {size}"
    return (
        f"{plates} flat within {size}"
        if form == "flatness"
        else f"no {name} above {size} on {plates}"
    )


def label(one: Constraint) -> str:
    """One quantity: "flatness of A", "change of the dome or dish of B"."""
    name = NAMES.get(one.form, one.form)
    told = name if one.plate is None else f"{name} of {one.plate}"
    return f"change of the {told}" if one.kept else told


def worst(asked: Sequence[Constraint], course: Evaluation) -> Constraint:
    """The quantity that is the furthest over what is asked, or the least below it."""
    return max(asked, key=lambda one: course.worst.get(one.key, 0.0) / one.limit)


# --- what it sets ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Setting:
    """One key that was set: where ("step 1", "" where there is but one), what, to what, and what it was.

    `remark`: why it makes no difference, where that was found.
    """

    where: str
    what: str
    now: str
    was: str
    remark: str = ""

    @property
    def name(self) -> str:
        """Where and what in one: "step 1, A on top for"."""
        return ", ".join(part for part in (self.where, self.what) if part)


def settings(got: Tuning, way: Candidate) -> list[Setting]:
    """What a schedule sets, in the order of the goal's free keys."""
    found = []
    idle = idle_keys(got) if way is got.answer else ()
    for key, value in way.changes.items():
        step, what = place(got.study, key, way.order)
        remark = _whole_step(way, key) or ("changes nothing here" if key in idle else "")
        found.append(Setting(step, what, value, _was(got, key), remark))
    if way.order and list(way.order) != sorted(way.order):
        usual = joined([str(n) for n in sorted(way.order)])
        found.append(
            Setting("", "order of the old steps", joined([str(n) for n in way.order]), usual)
        )
    return found


def _was(got: Tuning, key: str) -> str:
    """What the study says for a key, or what was taken as usual; "" where neither is a plain value."""
    here = typed_at(got.begun.document, key) if got.begun is not None else None
    return said(here) if here is not None else got.study.assumed.get(key, "")


def _whole_step(way: Candidate, key: str) -> str:
    """Whether a plate lies on top for all of its step, so that nothing is swapped."""
    match = re.fullmatch(r"steps\.(\d+)\.swap_every\.(.+)", key)
    if match is None:
        return ""
    number, name = int(match[1]), match[2]
    at = way.order.index(number) if way.order else number - 1
    swap, top = way.study.steps[at].swap, way.study.steps[at].top
    if swap is None or swap.read is not None or name != top:
        return ""
    if way.study.ahead[at].swaps:
        return ""
    return f"{'more' if swap.removed else 'longer'} than the step: {name} stays on top"


def by_key(got: Tuning) -> dict[str, list[Nudge]]:
    """The slips of each key, the key that matters most first."""
    found: dict[str, list[Nudge]] = {}
    for nudge in got.sensitivity:
        found.setdefault(nudge.key, []).append(nudge)
    return dict(sorted(found.items(), key=lambda item: -max(n.share for n in item[1])))


def idle_keys(got: Tuning) -> tuple[str, ...]:
    """Keys of which neither a tenth less, nor a tenth more, nor another choice changes anything."""
    return tuple(
        key
        for key, slips in by_key(got).items()
        if all(one.trouble is None and one.change and not any(one.change.values()) for one in slips)
    )


def place(study: Study, key: str, order: Sequence[int] = ()) -> tuple[str, str]:
    """A free key in words: which step (by its number in `order`; "" where there is but one), what of it."""
    match = re.fullmatch(r"steps\.(\d+)\.(.+)", key)
    if match is None:
        return "", "order of the steps" if key == "order" else name_of(key)
    number, steps = int(match[1]), study.steps
    own = order or range(1, len(steps) + 1)
    return where(number, own), name_of(match[2], steps[number - 1])


def spoken(study: Study, key: str) -> str:
    """A free key in words: "step 1, A on top for"."""
    return Setting(*place(study, key), "", "").name


BARE = 1.5  # a face is told of when it is so many times less flat than its dome, saddle and twist make it
STOPS = 0.95  # of the rubbing: from here on the goal is reached at the end
HARDLY = 0.15  # of the flatness: what a saddle or a twist may be at most to be hardly any


# --- a sloppy hand -----------------------------------------------------------------------------


def worst_of(got: Tuning, nudge: Nudge) -> tuple[Constraint, float] | None:
    """The quantity furthest over what is asked with one key a little off, and its size [m]."""
    best = got.answer
    if best is None or best.simulated is None or not nudge.change:
        return None
    held = best.simulated.worst
    sizes = [
        (one, max(0.0, held.get(one.key, 0.0) + nudge.change.get(one.key, 0.0)))
        for one in got.asked
    ]
    return max(sizes, key=lambda pair: pair[1] / pair[0].limit)


def sloppy(got: Tuning) -> list[str]:
    """What a tenth more or less of each key does to the answer."""
    told, idle = [], idle_keys(got)
    for key, nudges in by_key(got).items():
        if key in idle:
            off = "another choice" if nudges[0].off is None else "a tenth less or more"
            told.append(f"{spoken(got.study, key)}: {off} changes nothing.")
            continue
        told.append(
            f"{spoken(got.study, key)}: {'; '.join(_slipped(got, nudge) for nudge in nudges)}."
        )
    if told and got.answer is not None and got.answer.ok:
        lost, whole = (
            sum(nudge.reached_at is None for nudge in got.sensitivity),
            len(got.sensitivity),
        )
        told.append(
            f"The goal is lost in {lost} of these {whole}: hold those close, or ask for a little less."
            if lost
            else f"None of these {whole} loses the goal."
        )
    return told


def slip(nudge: Nudge) -> str:
    """What is off: "a tenth less", "a tenth more", or another choice."""
    return "instead" if nudge.off is None else "a tenth more" if nudge.off > 0.0 else "a tenth less"


def _slipped(got: Tuning, nudge: Nudge) -> str:
    head = f'{slip(nudge)} ("{nudge.value}")'
    if nudge.trouble is not None:
        return f"{head} does not come to its end"
    found = worst_of(got, nudge)
    if found is None or got.answer is None:
        return f"{head} makes {Units.times(nudge.share)} times what is asked"
    one, size = found
    name = "" if len(got.asked) == 1 else f"{label(one)} "
    rough = MARK if got.study.units.finer(size, doubt_at_end(got.answer.study, one.plate)) else ""
    kept = "reached" if nudge.reached_at is not None else "not reached"
    return f"{head}: {name}{got.study.units.beside(size, one.limit)}{rough}, {kept}"


# --- what else is to be known ------------------------------------------------------------------


def notes(got: Tuning) -> list[str]:
    """What lifts, what stays in a face that nobody asked about, and how the minutes are meant."""
    best = got.answer
    if best is None:
        return []
    if got.idle:
        return []
    if got.outcome == "refused":
        return [*_lifting(got, best), *_guessed(got)]
    return [
        *_runs_on(best), *_lost(got), *_lifting(got, best), *_bare(got, best), *_minutes(got), *how_sure(got)
    ]  # fmt: skip


def _runs_on(best: Candidate) -> list[str]:
    """Where the schedule goes on after it has reached the goal."""
    course = best.simulated
    if course is None or course.reached_at is None or not course.trail:
        return []
    share = course.reached_at / course.trail[-1][0] if course.trail[-1][0] > 0.0 else 1.0
    if share > STOPS:
        return []
    if course.reached_at == 0.0:
        return ["All that is asked is there before any lapping, and stays so to the end."]
    return [
        f"The goal is reached when {Units.share(share)} of the rubbing is done, and stays reached to "
        "the end: stop there if you like."
    ]


def _lost(got: Tuning) -> list[str]:
    """Where what is asked is only passed through."""
    lost, units = got.lost, got.study.units
    one = next((one for one in got.asked if lost is not None and one.key == lost.asked), None)
    if lost is None or one is None:
        return []
    after = f"{units.size(lost.removed)} more of metal ({Units.band(lost.time, spread_of(got.study.steps))})"
    return [
        f"The {label(one)} only passes through what is asked: go on, and after {after} it is out again, by "
        "the forecast. Stop by the gauge, not by the clock."
    ]


def time_share(share: float) -> str:
    """In which share of the time something lifts: "all the time", "30 % of the time"."""
    return "all the time" if share >= ALWAYS else f"{Units.share(share)} of the time"


def _lifting(got: Tuning, best: Candidate) -> list[str]:
    share = best.simulated.lift_share if best.simulated is not None else 0.0
    if not best.lifts and share <= 0.0:
        return []
    part = "now and then" if share < 0.01 else "in " * (share < ALWAYS) + time_share(share)
    if got.study.batch is not None:  # every way of it was lapped, lifting and all
        return [
            f"Something lifts {part}: there its edges are cut, and a way without it is the safer one."
        ]
    return [
        f"Something lifts {part}. The forecast knows nothing of lifting, so its numbers are only near: "
        "go by what was lapped in full."
    ]


def _bare(got: Tuning, best: Candidate) -> list[str]:
    """Faces that were asked for their dome or the like, and are far from flat all the same."""
    if best.simulated is None:
        return []
    told = []
    for name in dict.fromkeys(one.plate for one in got.asked if one.plate is not None):
        mine = [one for one in got.asked if one.plate == name]
        forms = {k: v for k, v in best.simulated.forms.get(name, {}).items() if v is not None}
        finer = forms.get("flatness", 0.0) <= max(one.limit for one in mine)
        if not finer and not any(one.form == "flatness" for one in mine):
            told += _left(got, best, name, forms)
    return told


def _left(got: Tuning, best: Candidate, name: str, forms: Mapping[str, float]) -> list[str]:
    flatness, units = forms.get("flatness", 0.0), got.study.units
    named = max((abs(forms[key]) for key in ROUND if key in forms), default=None)
    if named is None or flatness < max(BARE * named, NOTHING):
        return []
    rough = f" ({words.REMARK})" if units.finer(flatness, doubt_at_end(best.study, name)) else ""
    lead = f"{name} is not flat for all that: {units.size(flatness)} from high to low{rough}."
    uneven = max(abs(forms.get("saddle", 0.0)), abs(forms.get("twist", 0.0)))
    if uneven > HARDLY * flatness:
        return [f"{lead} That is what dome, saddle and twist together do not tell."]
    round_ = all(
        step.carry_centre and step.walk.angle for step in best.study.steps if step.bottom == name
    ) and any(step.bottom == name for step in best.study.steps)
    kind = "rings about the middle" if round_ else "finer waves"
    return [
        f"{lead} It has hardly any saddle or twist ({units.size(uneven)} at most): left are {kind}."
    ]


def _minutes(got: Tuning) -> list[str]:
    if spread_of(got.study.steps) != BAND:
        return []
    return [
        "Every minute of the schedule depends on how fast the grit cuts. Weigh a plate, write what it lost "
        "into the study and tune again; or go by the metal, and stop each step at its share of it."
    ]


def how_sure(got: Tuning) -> list[str]:
    """What was assumed, and in how many draws of what is not known the goal is reached."""
    study, units = got.study, got.study.units
    told = _guessed(got)
    if got.cells is not None:
        told.append(
            f"You asked for coarser plates, {got.cells} cells across: read small sizes with care."
        )
    if not got.samples:
        told.append(
            "--samples 100 draws what is not known, and says how often the goal is reached all the same."
        )
        return told
    told.append(
        f"Of {got.samples} draws of what is not known (seed {study.seed}), the answer reaches the goal in "
        f"{got.reached_in}."
    )
    if got.failed:
        why = (got.failed_why or "").split(" at ")[0]
        told.append(
            f"In {got.failed} of them it does not come to its end ({why}): leave the hand more room."
        )
    told += [_banded(got, band) for band in got.bands]
    floor = units.size(got.tolerance.floor) if got.tolerance.floor else "nothing"
    return told + drawn_in_words(
        (got.answer.study if got.answer is not None else study,),
        got.tolerance,
        floor,
        got.study.units,
    )


def _banded(got: Tuning, band: Band) -> str:
    """Nine in ten draws of one thing."""
    if band.what == "time":
        ends = " to ".join(Units.band(end, BAND).split(",")[0] for end in (band.low, band.high))
        return f"Where it is reached, nine in ten draws take {ends.replace('to about', 'to')} of rubbing."
    one = next((one for one in got.asked if one.key == band.what), None)
    best = got.answer.study if got.answer is not None else got.study
    least = 0.0 if one is None else doubt_at_end(best, one.plate)
    units = got.study.units
    sizes = (
        (units.size(end) if one is None else units.beside(end, one.limit))
        + (MARK if units.finer(end, least) else "")
        for end in (band.low, band.high)
    )
    if one is None:
        return f"Where it is reached, nine in ten draws take {' to '.join(sizes)} of metal off."
    return f"In nine of ten draws the {label(one)} is {' to '.join(sizes)}."


def _guessed(got: Tuning) -> list[str]:
    """Whether how far the grit layer gives in the answer's last step is a guess."""
    study = got.answer.study if got.answer is not None else got.study
    if got.answer is None or not guessed(study, len(study.steps), "layer"):
        return []
    ahead = study.ahead
    if not ahead or ahead[-1].squeeze <= 0.0:
        return []
    here = study.units.size(ahead[-1].squeeze)
    return [
        f"How far the grit layer gives ({here} here) is a guess, within 0.4 to 3 times: what all faces keep "
        "of dish goes with it."
    ]


# --- a schedule as a study ----------------------------------------------------------------------

HEAD_WIDTH = 106


def study_text(got: Tuning, way: Candidate, place: Path) -> str:
    """The whole text, with what the person wrote beside; `place` is where it is to lie."""
    return written(
        way.document, "\n".join(_head(got, way, place)), got.study.text, way.order or None
    )


def _head(got: Tuning, way: Candidate, place: Path) -> list[str]:
    units, course = got.study.units, way.simulated
    told = [
        f"Written by lapwright tune from {got.study.stem}.toml. Asked: {asked_for(got.asked, units)}."
    ]
    for one in settings(got, way):
        was = f' (was "{one.was}")' if one.was else ""
        told.append(f'Set: {one.name} "{one.now}"{was}.')
    if course is not None and course.trouble is None:
        left = [
            f"{label(one)} {units.beside(course.worst[one.key], one.limit)}"
            for one in got.asked
            if one.key in course.worst
        ]
        rubbed = Units.rubbing(course.cost.time, spread_of(got.study.steps))
        took = f"; {units.size(course.cost.removed)} of metal off, {rubbed}"
        told.append(
            f"Lapped in full: {', '.join(left)}{took if course.ok else '; the goal is not reached'}."
        )
    told.append(f"Lap it: lapwright run {place.name}")
    return [
        line for text in told for line in textwrap.wrap(text, HEAD_WIDTH, subsequent_indent="  ")
    ]
