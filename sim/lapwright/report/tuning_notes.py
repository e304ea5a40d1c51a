"""Beside what a search found: what a sloppy hand costs, what stays in a face, what lifts, how sure it is."""

from __future__ import annotations

from collections.abc import Mapping

from lapwright.lapping.outlook import outlooks
from lapwright.lapping.schedule import spread_of
from lapwright.limits import BAND
from lapwright.planning.draws import drawn_in_words
from lapwright.planning.tuning import Asked, Band, Candidate, Nudge, Tuning
from lapwright.plate.forms import ROUND
from lapwright.report import words
from lapwright.report.shapes import MARK
from lapwright.report.tuning_terms import finish, idle_keys, label, spoken
from lapwright.units import NOTHING, Units

__all__ = ["by_key", "how_sure", "notes", "slip", "sloppy", "worst_of"]

BARE = 1.5  # a face is told of when it is so many times less flat than its dome, saddle and twist make it
STOPS = 0.95  # of the rubbing: from here on the goal is reached at the end
HARDLY = 0.15  # of the flatness: what a saddle or a twist may be at most to be hardly any


# --- a sloppy hand -----------------------------------------------------------------------------


def worst_of(got: Tuning, nudge: Nudge) -> tuple[Asked, float] | None:
    """The quantity furthest over what is asked with one key a little off, and its size [m]."""
    best = got.answer
    if best is None or best.simulated is None or not nudge.change:
        return None
    held = best.simulated.worst
    sizes = [(one, max(0.0, held.get(one.key, 0.0) + nudge.change.get(one.key, 0.0))) for one in got.asked]
    return max(sizes, key=lambda pair: pair[1] / pair[0].limit)


def by_key(got: Tuning) -> dict[str, list[Nudge]]:
    """The slips of each key, the key that matters most first."""
    found: dict[str, list[Nudge]] = {}
    for nudge in got.sensitivity:
        found.setdefault(nudge.key, []).append(nudge)
    return dict(sorted(found.items(), key=lambda item: -max(n.share for n in item[1])))


def sloppy(got: Tuning) -> list[str]:
    """What a tenth more or less of each key does to the answer."""
    told, idle = [], idle_keys(got)
    for key, nudges in by_key(got).items():
        if key in idle:
            off = "another choice" if nudges[0].off is None else "a tenth less or more"
            told.append(f"{spoken(got.study, key)}: {off} changes nothing.")
            continue
        told.append(f"{spoken(got.study, key)}: {'; '.join(_slipped(got, nudge) for nudge in nudges)}.")
    if told and got.answer is not None and got.answer.ok:
        lost, whole = sum(nudge.reached_at is None for nudge in got.sensitivity), len(got.sensitivity)
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
        return f"{head} makes {Units.number(nudge.share)} times what is asked"
    one, size = found
    name = "" if len(got.asked) == 1 else f"{label(one)} "
    rough = MARK if got.study.units.finer(size, finish(got.answer.study, one.plate)) else ""
    kept = "reached" if nudge.reached_at is not None else "not reached"
    return f"{head}: {name}{got.study.units.size(size)}{rough}, {kept}"


# --- what else is to be known ------------------------------------------------------------------


def notes(got: Tuning) -> list[str]:
    """What lifts, what stays in a face that nobody asked about, and how the minutes are meant."""
    best = got.answer
    if best is None:
        return []
    if got.idle:
        return []
    if got.outcome == "refused":
        return [*_lifting(best), *_guessed(got)]
    return [
        *_runs_on(best), *_lost(got), *_lifting(best), *_bare(got, best), *_minutes(got), *how_sure(got)
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


def _lifting(best: Candidate) -> list[str]:
    share = best.simulated.lift_share if best.simulated is not None else 0.0
    if not best.lifts and share <= 0.0:
        return []
    part = f" in {Units.share(share)} of the time" if share >= 0.01 else " now and then"
    return [
        f"Something lifts{part}. The forecast knows nothing of lifting, so its numbers are only near: "
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
    rough = f" ({words.REMARK})" if units.finer(flatness, finish(best.study, name)) else ""
    lead = f"{name} is not flat for all that: {units.size(flatness)} from high to low{rough}."
    uneven = max(abs(forms.get("saddle", 0.0)), abs(forms.get("twist", 0.0)))
    if uneven > HARDLY * flatness:
        return [f"{lead} That is what dome, saddle and twist together do not tell."]
    round_ = all(
        step.carry_centre and step.walk.angle for step in best.study.steps if step.bottom == name
    ) and any(step.bottom == name for step in best.study.steps)
    kind = "rings about the middle" if round_ else "finer waves"
    return [f"{lead} It has hardly any saddle or twist ({units.size(uneven)} at most): left are {kind}."]


def _minutes(got: Tuning) -> list[str]:
    if spread_of(got.study.steps) != BAND:
        return []
    return [
        "Every minute of the schedule hangs on how fast the grit cuts. Weigh a plate, write what it lost "
        "into the study and tune again; or go by the metal, and stop each step at its share of it."
    ]


def how_sure(got: Tuning) -> list[str]:
    """What was assumed, and in how many draws of what is not known the goal is reached."""
    study, units = got.study, got.study.units
    told = _guessed(got)
    if got.cells is not None:
        told.append(f"You asked for coarser plates, {got.cells} cells across: read small sizes with care.")
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
        told.append(f"In {got.failed} of them it does not come to its end ({why}): leave the hand more room.")
    told += [_banded(got, band) for band in got.bands]
    floor = units.size(got.tolerance.floor) if got.tolerance.floor else "nothing"
    return told + drawn_in_words(
        (got.answer.study if got.answer is not None else study,), got.tolerance, floor
    )


def _banded(got: Tuning, band: Band) -> str:
    """Nine in ten draws of one thing."""
    if band.what == "time":
        ends = " to ".join(Units.band(end, BAND).split(",")[0] for end in (band.low, band.high))
        return f"Where it is reached, nine in ten draws take {ends.replace('to about', 'to')} of rubbing."
    one = next((one for one in got.asked if one.key == band.what), None)
    best = got.answer.study if got.answer is not None else got.study
    least = 0.0 if one is None else finish(best, one.plate)
    sizes = (
        got.study.units.size(end) + (MARK if got.study.units.finer(end, least) else "")
        for end in (band.low, band.high)
    )
    if one is None:
        return f"Where it is reached, nine in ten draws take {' to '.join(sizes)} of metal off."
    return f"In nine of ten draws the {label(one)} is {' to '.join(sizes)}."


def _guessed(got: Tuning) -> list[str]:
    squeeze = _guessed_squeeze(got)
    if squeeze <= 0.0:
        return []
    here = got.study.units.size(squeeze)
    return [
        f"How far the grit layer gives ({here} here) is a guess, within 0.4 to 3 times: what all faces keep "
        "of dish goes with it."
    ]


def _guessed_squeeze(got: Tuning) -> float:
    """How far the grit layer gives in the answer's last step [m], if that is a guess; else 0."""
    if got.answer is None:
        return 0.0
    study = got.answer.study
    last, number = study.steps[-1], len(study.steps)
    if not {f"grits.{last.grit.name}.layer", f"steps.{number}.grit.layer"} & set(study.assumed):
        return 0.0
    ahead = outlooks(study.plates, study.steps, seed=study.seed)
    return ahead[-1].squeeze if ahead else 0.0
