"""Sentences on why a stroke does what it does: what it takes out, makes and leaves, and where it lifts.

Pure functions of a `Reason`; sizes in the study's units; words as in `words`.
What it leaves alone and the mark of the grit layer are told in `staying`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.kinematics.schedule import spread_of
from lapwright.kinematics.sliding import MOST_TURN
from lapwright.metrology.form import FORMS, SPOKEN, EdgeMargin
from lapwright.modal.propagator import Lifts, share_of
from lapwright.modal.spectrum import NO_MARGIN, OWN_NAMES, FormMode
from lapwright.modal.step_analysis import LONGEST, LinearisationError, StepAnalysis
from lapwright.presentation import words
from lapwright.presentation.beforehand import fine
from lapwright.presentation.staying import (
    LITTLE,
    STAYS,
    TITLES,
    goes_slowly,
    own_errors,
    quick_and_slow,
    same_outline,
    title,
)
from lapwright.specification.outline import Disc
from lapwright.units import NOTHING, Units, joined, told
from lapwright.verification.closed_forms import PathMeans, growth

__all__ = [
    "Goes",
    "alone",
    "goes",
    "grown",
    "halves",
    "lifting",
    "made",
    "makes",
    "soonest",
    "takes_out",
]


ALIKE = 1.15  # errors that are halved by amounts of metal nearer than this are told together
TRACE = 0.02  # share left for ever that is not worth a word
APART = math.radians(40.0)  # places in the stroke nearer than this are told together
MOST_PLACES = 3
OUT = 0.3  # of the stroke's reach, from which the top is out towards one side

# Two errors that go together are told in one word.
TOGETHER = (
    (("saddles", "saddle in saddle"), "high at 3 and 9, or at 12 and 6"),
    (("twists", "opposite twists"), "twist"),
    (("winds", "opposite winds"), "wind"),
    (("ridges along", "ridges across"), "ridges"),
)


_KIND = {key: FORMS[key].word for key in SPOKEN} | {
    "sphere": FORMS["sphere"].title,
    "saddle": "height at 3 and 9 over 12 and 6",
}


@dataclass(frozen=True)
class Goes:
    """Errors that go together: the least and most metal [m] and time [s] that halve them."""

    errors: tuple[FormMode, ...]
    removed: tuple[float, float]
    time: tuple[float, float]


def goes(reason: StepAnalysis) -> list[Goes]:
    """Errors that a stroke takes out, those that need little metal first."""
    slow = goes_slowly(reason)
    dying = [
        e for e in reason.named if e.half_life is not None and e.stays < STAYS and e not in slow
    ]
    dying.sort(key=lambda e: e.half_life or 0.0)
    groups: list[list[FormMode]] = []
    for error in dying:
        if groups and (error.half_life or 0.0) <= ALIKE * (groups[-1][0].half_life or 0.0):
            groups[-1].append(error)
        else:
            groups.append([error])
    out = []
    for group in groups:
        times = group[0].half_life or 0.0, group[-1].half_life or 0.0
        out.append(
            Goes(tuple(group), (times[0] * reason.removal, times[1] * reason.removal), times)
        )
    return out


def alone(error: FormMode, reason: StepAnalysis) -> Goes:
    """One error that goes, by itself."""
    time = error.half_life or 0.0
    return Goes((error,), (time * reason.removal,) * 2, (time, time))


def takes_out(reason: StepAnalysis, units: Units) -> list[tuple[str, str]]:
    """Rows: what goes, and how much metal and how many minutes halve it."""
    rows = []
    for group in goes(reason):
        rows.append(
            (
                "; ".join(_names(group.errors, reason)),
                halves(group, units, spread_of([reason.step])),
            )
        )
    return rows


def _names(errors: Sequence[FormMode], reason: StepAnalysis) -> list[str]:
    """Titles of errors, two that go together in one, and what one face alone has in one."""
    own = [e for e in errors if e.name in OWN_NAMES]
    whole = [_own(own, errors, reason)] if len(own) > 1 else []
    left = [e for e in errors if not whole or e.face is None or e.face != own[0].face]
    out = []
    for error in left:
        pair = next((p for p in TOGETHER if error.name in p[0]), None)
        both = [e for e in left if pair and e.name in pair[0] and e.face == error.face]
        if pair is None or len(both) < len(pair[0]):
            out.append(title(error, reason) + _part(error))
        elif error is both[0]:
            out.append(pair[1] + _whose(error, reason))
    return whole + out


def soonest(reason: StepAnalysis, units: Units) -> str:
    """What the plate that loses most metal alone has and soon loses; empty where there is none."""
    own = own_errors(reason)
    if not own:
        return ""
    depths = sorted((e.half_life or 0.0) * reason.removal for e in own)
    depth = _span([units.size(d) for d in (depths[0], depths[-1])])
    return f"{_own(own, own, reason)} go soon, halved every {depth} removed"


def _own(own: Sequence[FormMode], errors: Sequence[FormMode], reason: StepAnalysis) -> str:
    """What one face alone has and loses at one rate."""
    face = own[0].face
    name = reason.names[face or 0]
    finer = [title(e, reason) for e in errors if e.face == face and e not in own]
    what = [TITLES[e.name] for e in sorted(own, key=lambda e: OWN_NAMES.index(e.name))]
    return f"{name}'s own {joined([*what, *(['all that is finer'] if finer else [])])}"


def _whose(error: FormMode, reason: StepAnalysis) -> str:
    """Where two that go together are, if the two plates lose metal unlike."""
    if quick_and_slow(reason) is None:
        return ""
    return ", in both" if error.face is None else f" on {reason.names[error.face]}"


def _part(error: FormMode) -> str:
    return f" ({Units.share(error.stays)} of it stays)" if error.stays > TRACE else ""


def halves(group: Goes, units: Units, spread: float) -> str:
    """How much metal, and how many minutes with their band, halve a group of errors."""
    depth = _span([units.size(v) for v in group.removed])
    return f"halves every {depth} removed ({Units.band(group.time[1], spread)})"


def _span(texts: Sequence[str]) -> str:
    low, high = texts[0], texts[-1]
    if low == high:
        return low
    if low.split()[1] == high.split()[1]:
        return f"{low.split()[0]} to {high}"
    return f"{low} to {high}"


def makes(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> list[str]:
    """What a stroke makes for each depth removed and in an hour, beside the law of moments."""
    if reason.removal <= 0.0:
        return ["nothing: nothing rubs"]
    per = _per_depth(reason, units, margin)
    told = made(reason, units, margin)
    if not told:
        return [f"nothing to speak of: what stays is left as it is{_law(reason, units)}"]
    hour = reason.removal * 3600.0
    spread = spread_of([reason.step])
    off = f"{units.size(hour)} ({_band(hour, spread, units)})"
    name, (key, value) = max(
        ((n, _largest(f)) for n, f in per.items()), key=lambda item: abs(item[1][1]) * (1 + 1e-9)
    )
    grows = abs(value) * hour / units.depth.size
    which = f"{name}'s {_KIND[key]} by about {units.size(grows)} ({_band(grows, spread, units)})"
    return [
        f"{told}{_law(reason, units)}",
        f"an hour takes off about {off}, which changes {which}",
    ]


def made(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> str:
    """What both faces gain for each depth removed; empty where that is nothing to speak of."""
    told = "; ".join(
        f"{name} {grown(forms, units)}"
        for name, forms in _per_depth(reason, units, margin).items()
        if max(map(abs, forms.values())) >= LITTLE * units.depth.size
    )
    when = words.BEDDED[reason.operator.leaves_land]
    return f"for each {units.depth.name} removed, {when}: {told}" if told else ""


def _per_depth(
    reason: StepAnalysis, units: Units, margin: EdgeMargin
) -> dict[str, dict[str, float]]:
    """Growth of the forms of both for each `units.depth` removed [m]."""
    drift = reason.forms(reason.bedded, margin)
    share = units.depth.size / reason.removal
    return {
        name: {key: value * share for key, value in forms.items()} for name, forms in drift.items()
    }


def _largest(forms: Mapping[str, float]) -> tuple[str, float]:
    return max(forms.items(), key=lambda item: abs(item[1]))


def _band(depth: float, spread: float, units: Units) -> str:
    return f"{units.size(depth / spread)} to {units.size(depth * spread)}"


def grown(forms: Mapping[str, float], units: Units) -> str:
    """How the forms of a face grow [m], dome or bow first."""
    parts = sorted(forms.items(), key=lambda item: item[0] not in ("sphere", "bow"))
    least = max(abs(v) for v in forms.values()) * 0.05
    out = []
    for key, value in parts:
        if abs(value) < least:
            continue
        size = units.size(value)
        if key == "sphere":
            out.append(f"goes {'domed' if value > 0.0 else 'hollow'} by {size}")
        else:
            out.append(words.part_words(key, value, units))
    return " and ".join(out)


def _law(reason: StepAnalysis, units: Units) -> str:
    """The law of moments beside what is made."""
    step, (bottom, top) = reason.step, (face.plate for face in reason.faces)
    kappa_b, kappa_t = reason.kappas
    plain = (
        isinstance(bottom.outline, Disc)
        and same_outline(reason)
        and not (bottom.grooves or top.grooves)
    )
    if not plain or abs(kappa_b / kappa_t - 1.0) > 1e-9:
        law = reason.law
        if law is None or float(np.abs(law.exact).max()) == 0.0:
            return ""
        return f" (the law of moments, which holds for any faces, says the same within {_near(law.error)})"
    exact = growth(PathMeans(*reason.path_means), units.depth.size, bottom.outline.radius).sphere
    below, above = reason.forms(reason.spectrum.drift, NO_MARGIN).values()
    found = 0.5 * (below["sphere"] - above["sphere"]) * units.depth.size / reason.removal
    if abs(exact) < LITTLE * units.depth.size:
        return ""
    turning = sum(abs(turn.angle) for turn in (step.turn, step.walk) if not turn.indexed)
    if turning > MOST_TURN:
        return ""
    whatever = "the turning left aside" if turning else "which holds for any faces"
    half = f"half the difference of the two domes grows by {units.size(exact)}"
    return (
        f" (law of moments, {whatever}: {half}; here the same within {_near(found / exact - 1.0)})"
    )


def _near(share: float) -> str:
    return "0.1 %" if abs(share) < 1e-3 else f"{Units.share(abs(share))}"


def lifting(reason: StepAnalysis, away: LinearisationError | None, units: Units) -> list[str]:
    """Whether the top lifts, where in the stroke, what share of the time, and how far this then holds."""
    top, bottom, swapped = reason.step.top, reason.step.bottom, reason.swapped
    said = ["nothing lifts, so all of this holds"]
    if reason.lift_share > 0.0:
        said = [_lifted(reason.lifts, top, reason), *_holds(reason, away, units)]
    if swapped is None or share_of(swapped) <= 0.0:
        return said
    if reason.lift_share <= 0.0:
        said = [f"with {top} on top nothing lifts, so all of this holds until they change places"]
    return [
        *said,
        f"with {bottom} on top, {_lifted(swapped, bottom, reason)}: trust `lapwright run` for what that "
        "makes",
    ]


def _lifted(lifts: Lifts, top: str, reason: StepAnalysis) -> str:
    """For what share of the time part of the top lifts, and where, from the step's beginning to its end."""
    said = []
    first, *between, last = lifts
    looked = [(first, "as the plates come to it,"), (last, "by the end of the step,")]
    worst = max(between, key=lambda state: state.share, default=last)
    if worst.share > 0.0 and not (first.share > 0.0 or last.share > 0.0):
        looked.insert(1, (worst, "on the way"))
    for state, when in looked:
        if state.share <= 0.0:
            said.append(f"{when} nothing lifts")
        elif state.everywhere:
            said.append(f"{when} part of {top} lifts everywhere in the stroke")
        else:
            share = Units.share(state.share)
            said.append(
                f"{when} part of {top} lifts for {share} of the time{_where(state.phases, reason)}"
            )
    return "; ".join(said)


def _holds(reason: StepAnalysis, away: LinearisationError | None, units: Units) -> list[str]:
    """How far the picture, which knows no lifting, is off: measured by lapping the step in full."""
    if away is None:
        return []
    if away.trouble:
        why = told(away.trouble, units)
        return [f"lapped in full it does not come to an end ({why}), so none of this holds"]
    spell = "the first hour of it" if away.time >= 0.99 * LONGEST else "the whole step"
    lead = f"all of this leaves lifting out; {spell} was lapped in full beside it:"
    worst = away.largest
    size = max((abs(v) for f in away.lapped.values() for v in f.values()), default=0.0)
    rough = fine(worst, reason.step, units)
    if worst < max(NOTHING, 0.02 * size) or rough:
        return [f"{lead} it holds to {units.size(worst)}{rough}"]
    return [f"{lead} the faces come out {units.size(worst)} away; trust `lapwright run` for sizes"]


def _where(phases: np.ndarray, reason: StepAnalysis) -> str:
    """Whereto the top is out when something lifts, by the clock; places near each other together."""
    if phases.size == 0:
        return ""
    full = 2.0 * math.pi
    at = np.sort(phases % full)
    ends = np.flatnonzero(np.diff(np.append(at, at[0] + full)) > APART)
    if ends.size == 0 or ends.size > MOST_PLACES:
        return ""
    poses = reason.operator.instants.poses
    x, y = poses.cx - reason.step.centre[0], poses.cy - reason.step.centre[1]
    out = float(np.hypot(x, y).max())
    hours = []
    for a, b in zip(np.roll(ends, 1) + 1, ends, strict=True):
        first = at[a % at.size]
        inside = (poses.phase - first) % full <= (at[b] - first) % full
        east, north = float(x[inside].mean()), float(y[inside].mean())
        if not math.hypot(east, north) > OUT * out:
            return ""
        hours.append(Units.hour(east, north))
    return f" (when it is out towards {joined(list(dict.fromkeys(hours)))})"
