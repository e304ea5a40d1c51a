"""Sentences on what a step leaves on both faces, and on the mark of the grit layer.

Sentences on what a step leaves on both faces: the mark of the grit layer, what never goes, what hardly.

Sentences on the mark of the grit layer: what it leaves on both by the end of a step, and in the long run.

Pure functions of a `Reason`; sizes in the study's units; words as in `lapwright.presentation.words`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import log
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.schedule import cut_time
from lapwright.kinematics.sliding import Invariants, invariants_of
from lapwright.limits import limit_of
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.cycle import Cycle, CycleSpectrum
from lapwright.modal.propagator import SLOW
from lapwright.modal.spectrum import NO_MARGIN, OWN_NAMES, FormMode, quicker
from lapwright.modal.step_analysis import StepAnalysis
from lapwright.presentation import words
from lapwright.presentation.beforehand import REMARK, clock, fine
from lapwright.specification.step import Step
from lapwright.units import METRIC, NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.modal.reduced_model import Glance
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Step

__all__ = [
    "LITTLE",
    "comes",
    "cycle_comes",
    "goes_slowly",
    "hollows_the_top",
    "keeps",
    "leaves",
    "leaves_alone",
    "mark",
    "own_errors",
    "quick_and_slow",
    "remark",
    "same_outline",
    "standing",
    "stays",
    "stays_in_short",
    "stays_wholly",
    "telling",
    "title",
]


LITTLE = 0.02  # um of form for each um removed: less is nothing to speak of
FITS = 0.98  # share of an error that is left for ever, from which the two faces fit
STAYS = 0.5  # share of an error that is left for ever, from which it counts as staying

TITLES = {
    "domes": "both domed, or both hollow",
    "dome in dish": "a dome in a dish",
    "saddles": "both high at 3 and 9, or both at 12 and 6",
    "saddle in saddle": "high at 3 and 9 on high at 12 and 6",
    "twists": "the same twist in both",
    "opposite twists": "opposite twists",
    "bows": "both bowed the same way",
    "bow in bow": "a bow in a hollow of the same curve",
    "crowns": "both crowned the same way",
    "crown in crown": "a crown in a hollow of the same curve",
    "winds": "the same wind in both",
    "opposite winds": "opposite winds",
    "zone": "a ring standing proud",
    "three lobes": "three lobes",
    "ridges along": "ridges along the stroke",
    "ridges across": "ridges across the stroke",
    "own dome": "dome or dish",
    "own saddle": "height at 3 and 9 or at 12 and 6",
    "own twist": "twist",
    "own bow": "bow",
    "own crown": "crown",
    "own wind": "wind",
}

EVERYWHERE = "lie on each other at every point of this stroke"
TURNING = (
    'the top turned slowly takes it out (turn = "8 deg per stroke"), and so does a quarter turn of it every '
    'few strokes (turn = "90 deg every 10 strokes")'
)
WHY = {
    "dome in dish": "a dome in a dish stays: it fits at every point of this stroke, turned as you like",
    "twists": f"twist stays: two plates twisted the same way {EVERYWHERE}; {TURNING}",
    "saddle in saddle": f"high at 3 and 9 on high at 12 and 6 stays: they {EVERYWHERE}; turning "
    "takes it out too",
    "bow in bow": "a bow in a hollow of the same curve stays: it fits at every point of this stroke",
    "crown in crown": "a crown in a hollow of the same curve stays: it fits at every point of this stroke",
    "winds": f"the same wind in both stays: two such faces {EVERYWHERE}; a rail cannot be turned a quarter, "
    "so lap each against a third one, or on a round plate that turns",
}
# What becomes of those follows who lies on top: the form of a face that is one half of each.
PART_OF = {"dome in dish": "sphere", "bow in bow": "bow", "crown in crown": "crown"}
ORDER = ("dome in dish", "twists", "saddle in saddle", "bow in bow", "crown in crown", "winds")


def title(error: FormMode, reason: StepAnalysis) -> str:
    """What an error is called."""
    turns = reason.step.turn.angle != 0.0 or reason.step.walk.angle != 0.0
    turned = (
        " (as first laid on)" if error.name in ("ridges along", "ridges across") and turns else ""
    )
    what = TITLES[error.name]
    if error.face is None:
        return what
    whose = reason.names[error.face]
    own = error.name in OWN_NAMES
    return f"{whose}'s own {what}" if own else f"{what} on {whose}{turned}"


def quick_and_slow(reason: StepAnalysis) -> tuple[str, str] | None:
    """The plate that loses far more metal than the other, and that other; None where they lose alike."""
    which = quicker(reason.flow, reason.evolution)
    return None if which is None else (reason.names[which], reason.names[1 - which])


def own_errors(reason: StepAnalysis) -> list[FormMode]:
    """The own errors, with a name, of the plate that loses most metal, as far as they go and soon."""
    slow = goes_slowly(reason)
    return [e for e in reason.named if e.name in OWN_NAMES and e.stays < STAYS and e not in slow]


def same_outline(reason: StepAnalysis) -> bool:
    """True when the two faces may change places."""
    bottom, top = reason.faces
    return bottom.plate.outline == top.plate.outline


def stays_wholly(reason: StepAnalysis) -> list[FormMode]:
    """Pairs of faces with a name that fit at every place of the stroke."""
    found = {e.name: e for e in reason.named if e.stays > FITS and e.name in ORDER}
    return [found[name] for name in ORDER if name in found]


def goes_slowly(reason: StepAnalysis) -> list[FormMode]:
    """Errors with a name that do go, but so slowly that nobody waits for it."""
    fastest = float(abs(reason.evolution.rates).max(initial=0.0))
    if fastest == 0.0:
        return []
    longest = log(2.0) / (SLOW * fastest)
    return [e for e in reason.named if e.half_life is not None and e.half_life > longest]


def leaves_alone(reason: StepAnalysis, units: Units) -> list[str]:
    """What a stroke leaves alone, why, and what would take it out."""
    told = [_with_cure(error, reason) for error in stays_wholly(reason)]
    told += _profiles(reason, len(told))
    if reason.removal <= 0.0:
        return ["all that is on the faces: nothing rubs"]
    told += _slow(reason, units)
    if told and own_errors(reason) and (pair := quick_and_slow(reason)):
        quick, slow = pair
        stays = f"What stays is in {slow}, and then in both"
        told.insert(0, f"nothing that {quick} alone has: it soon fits {slow}. {stays}")
    return told or ["nothing: whatever is on the faces goes, or is carried by neither"]


def _with_cure(error: FormMode, reason: StepAnalysis) -> str:
    why = WHY[error.name]
    if error.name not in PART_OF:
        return why
    if not same_outline(reason):
        return f"{why}. What moves it is where on {reason.step.bottom} you rub, and how far over its rim"
    gained = _gained_on_top(PART_OF[error.name], reason)
    if abs(gained) < LITTLE:
        return f"{why}. This stroke does not move it to speak of, whoever lies on top; a longer one does"
    round_ones = error.name == "dome in dish"
    if gained < 0.0:
        which = "domed one" if round_ones else "one that is high in the middle"
    else:
        which = "hollow one" if round_ones else "one that is hollow in the middle"
    return (
        f"{why}. Only who lies on top, and for how long, moves it: keep the {which} on top longer"
    )


def hollows_the_top(reason: StepAnalysis) -> bool:
    """True where the top loses its dome, or bow, so that the more domed one belongs there."""
    long = reason.faces[1].plate.outline.long
    return _gained_on_top("bow" if long else "sphere", reason) <= -LITTLE


def _gained_on_top(form: str, reason: StepAnalysis) -> float:
    """What the top gains of a form, + high in the middle, for each depth removed, once bedded in."""
    if reason.removal <= 0.0:
        return 0.0
    forms = reason.forms(reason.bedded, NO_MARGIN)[reason.step.top]
    return forms[form] / reason.removal


def _profiles(reason: StepAnalysis, told: int) -> list[str]:
    """Profiles along a straight stroke, rings about a point, and finer shapes without a name."""
    what = invariants_of(reason.step, as_laid=True)
    finer = reason.spectrum.survivors - told
    if finer <= 0:
        return []
    if what.kind in ("ridges", "even ridges"):
        turn = "" if reason.faces[0].plate.outline.long else "; turning takes them out too"
        return [f"{_ridges(what)} stay: each only runs along the other{turn}"]
    if what.kind == "round":
        cure = 'a stroke that travels, the top turned slowly, takes them out (turn = "8 deg per stroke")'
        return [
            f"rings about the point you turn about stay: the top only ever turns round them; {cure}"
        ]
    one = finer == 1
    return [
        f"{'one finer shape fits' if one else f'{finer} finer shapes fit'} at every point of it as well"
    ]


def _ridges(what: Invariants) -> str:
    alike = " that lie alike on both sides of the middle" if what.kind == "even ridges" else ""
    return f"ridges along the stroke ({clock(what.direction)}){alike}"


def _slow(reason: StepAnalysis, units: Units) -> list[str]:
    slow = reason.spectrum.slow
    if not slow:
        return []
    named = goes_slowly(reason)
    if named:
        what = "; ".join(title(error, reason) for error in named)
        depth = min(error.half_life or 0.0 for error in named) * reason.removal
    else:
        what = "one finer shape" if len(slow) == 1 else f"{len(slow)} finer shapes"
        depth = min(mode.half_removed or 0.0 for mode in slow)
    return [f"hardly touched: {what}; halved only after {units.size(depth)} removed"]


def stays_in_short(reason: StepAnalysis) -> str:
    """What stays, as a list."""
    told = [title(error, reason) for error in stays_wholly(reason)]
    what = invariants_of(reason.step, as_laid=True)
    if reason.spectrum.survivors > len(told):
        told += _short_profiles(what)
    return "; ".join(told) or "nothing"


def _short_profiles(what: Invariants) -> Sequence[str]:
    if what.kind in ("ridges", "even ridges"):
        return [_ridges(what)]
    return ["rings about the point you turn about"] if what.kind == "round" else ["finer shapes"]


Plates = Mapping[str, "Plate"]

WORTH = 0.3  # of the largest mark: smaller ones are left to the page of why


def leaves(
    step: Step, plates: Plates, look: Outlook, units: Units = METRIC, glance: Glance | None = None
) -> list[str]:
    """What stays on both faces: the mark of the layer, and what the stroke never takes out.

    `glance`: what the step leaves by the picture; only the squeeze is told without.
    """
    what = invariants_of(step)
    if what.kind == "all":
        return ["nothing rubs, so everything stays as it is"]
    long = plates[step.top].outline.long or plates[step.bottom].outline.long
    mark = _squeeze(step, look, units) if glance is None else _mark(step, glance, units)
    said = [mark, stays(what, step, long)]
    if glance is not None and (slowly := _hardly(glance, units)):
        said.append(slowly)
    if look.overhang < -1e-4 and step.swap is None:
        rim = units.length(-look.overhang)
        said.append(
            f"the outermost {rim} of {step.bottom} is hardly rubbed or not at all: a step is left there"
        )
    return said


def _squeeze(step: Step, look: Outlook, units: Units) -> str:
    """How large the mark of the layer can be, where its shape is not known."""
    size = f"{units.size(look.squeeze)}{fine(look.squeeze, step, units)}"
    return f"a mark of the grit layer, up to about {size}"


def telling(
    faces: Mapping[str, Mapping[str, float]], always: tuple[str, ...] = ()
) -> dict[str, dict[str, float]]:
    """Of the forms [m] of each face those that are worth a word, the largest first; some always are."""
    largest = max((abs(v) for forms in faces.values() for v in forms.values()), default=0.0)
    least = max(WORTH * largest, NOTHING)
    return {
        name: dict(
            sorted(
                ((k, v) for k, v in forms.items() if abs(v) >= (NOTHING if k in always else least)),
                key=lambda part: -abs(part[1]),
            )
        )
        for name, forms in faces.items()
    }


def remark(faces: Mapping[str, Mapping[str, float]], step: Step, units: Units) -> str:
    """The remark on the finish, of all forms [m] that are told, or of those that it holds for."""
    sizes = [v for forms in faces.values() for v in forms.values()]
    finish = limit_of("finish") * step.grit.size
    rough = [units.finer(size, finish) for size in sizes]
    if not any(rough):
        return ""
    if all(rough):
        return REMARK
    return f" (the finish is rougher than what is below {units.size(finish)})"


def _hardly(glance: Glance, units: Units) -> str:
    """Pairs that do go, but so slowly that nobody waits for it; empty where there are none."""
    if not glance.lingering:
        return ""
    what = ", or ".join(TITLES[name] for name in glance.lingering)
    depth = units.size(min(glance.lingering.values()))
    return f"it hardly touches {what}: halved only after {depth} is off"


def _mark(step: Step, glance: Glance, units: Units) -> str:
    """The mark of the layer on each face by the end of the step; faces alike are told together."""
    told = telling(glance.mark)
    alike: dict[str, list[str]] = {}
    for name, forms in told.items():
        said = joined([_left(key, value, units) for key, value in forms.items()])
        alike.setdefault(said or "as good as none", []).append(name)
    if not any(told.values()):
        return "no mark of the grit layer to speak of by the end of this step"
    each = "; ".join(
        f"{'both' if len(names) == len(told) else joined(names)} {what}"
        for what, names in alike.items()
    )
    return (
        "the mark of the grit layer by the end of this step, which laying one on the other does not show: "
        f"{each}{remark(told, step, units)}"
    )


def _left(key: str, value: float, units: Units) -> str:
    if key == "sphere":
        return f"{'hollow' if value < 0.0 else 'domed'} by about {units.size(value)}"
    return words.part_words(key, value, units).replace(",", "").replace(" by ", " by about ")


def stays(what: Invariants, step: Step, long: bool) -> str:
    """What this stroke never takes out, and why."""
    dome = "bow and crown in a hollow of the same curve" if long else "a dome in a dish"
    pairs = (
        "bow against hollow, crown against hollow, and the same wind in both"
        if long
        else "a dome in a dish, the same twist in both, and high at 3 and 9 on high at 12 and 6"
    )
    half = step.turn.angle != 0.0 or step.walk.angle != 0.0
    never = "turned only half round" if half else "never turned"
    if what.kind == "sphere":
        return f"it never takes out {dome}: that fits in every place, turned as you like"
    if what.kind == "curved":
        return f"it never takes out {pairs}: with the top {never} they fit in every place"
    if what.kind == "round":
        return f"it never takes out {dome} or rings about the middle: the top only ever turns round them"
    ridges = f"ridges along the stroke ({clock(what.direction)})"
    if what.kind == "even ridges":
        ridges += " that lie alike on both sides of the middle"
    return (
        f"it never takes out {ridges}: a straight stroke, the top {never}, only runs along them; "
        f"nor {pairs}, which fit in every place of it"
    )


Array = NDArray[np.float64]

MOST_METAL = 100e-6  # [m] more than anybody removes for flatness (common practice, no source)
NEAR_ENOUGH = 0.1  # of what is left for ever: nearer than this it has come
TOLD = 0.2  # of a face's largest form, from which another is told beside it


def standing(faces: Mapping[str, Mapping[str, float]], step: Step, units: Units) -> str:
    """The larger of the forms [m] of each face in words, faces alike told together; the remark on the finish.

    `step`: whose grit sets the finish.
    """
    told = {name: _larger(forms) for name, forms in faces.items()}
    alike: dict[str, list[str]] = {}
    for name, forms in told.items():
        said = ", ".join(words.part_words(key, value, units) for key, value in forms.items())
        alike.setdefault(said or "nothing to speak of", []).append(name)
    each = "; ".join(f"{joined(names)} {what}" for what, names in alike.items())
    return each + remark(told, step, units)


def _larger(forms: Mapping[str, float]) -> dict[str, float]:
    least = max(TOLD * max(map(abs, forms.values()), default=0.0), NOTHING)
    parts = sorted(forms.items(), key=lambda item: item[0] not in ("sphere", "bow"))
    return {key: value for key, value in parts if abs(value) >= least}


def mark(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> str:
    """What the layer leaves on each face in the long run, in words."""
    return standing(reason.forms(reason.evolution.bedded_residue, margin), reason.step, units)


def keeps(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> list[str]:
    """The mark of the layer that both plates keep, and that laying one on the other does not show."""
    if reason.removal <= 0.0:
        return ["what they came with"]
    told = f"the mark of the grit layer {_in_time(reason, units, margin)}"
    return [
        f"{told}. Laid on each other they show nothing of it. A shorter stroke, a finer grit or less load "
        "leaves less"
    ]


def _in_time(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> str:
    """The mark by the end of the step, and in the long run where anybody comes to that."""
    step, long_run = reason.step, mark(reason, units, margin)
    lifts = reason.long_run.everywhere
    solved = reason.evolution
    come = comes(reason, solved.bedded_residue, solved.bedded_drift, margin)
    if step.swap is not None and come:
        return f"in the long run, had {step.top} stayed on top: {long_run}"
    # As preview has it: from flat faces on, what is made put aside.
    by_end = _layer_alone(reason, cut_time(step), reason.made)
    now = standing(reason.forms(by_end, margin), step, units)
    if come:
        both = now == long_run
        return f"by the end of this step{', and in the long run' if both else ''}: {now}" + (
            "" if both else f"; in the long run: {long_run}"
        )
    why = (
        f"part of {step.top} lifts everywhere"
        if lifts
        else "that takes more metal than anybody removes"
    )
    return f"by the end of this step: {now}; of the long run nothing is told, for {why}"


def comes(reason: StepAnalysis, last: Array, made: Array, margin: EdgeMargin) -> bool:
    """Whether what the layer leaves for ever is there before more metal is off than anybody removes.

    It never is where part of the top lifts everywhere.

    Parameters
    ----------
    reason
    last : (n,) array
        What is left for ever [m].
    made : (n,) array
        What is made beside it [m/s].
    margin
        Of the forms that are looked at.

    """
    if reason.removal <= 0.0:
        return True
    if reason.long_run.everywhere:
        return False
    there = _layer_alone(reason, MOST_METAL / reason.removal, made)
    return _near(reason.forms(last, margin), reason.forms(last - there, margin))


def cycle_comes(
    cycle: Cycle, spectrum: CycleSpectrum, last: Array, made: Array, margin: EdgeMargin
) -> bool:
    """The same of a cycle gone through over and over: `last` (n,) [m] as it ends, `made` (n,) [m/s]."""
    removal = sum(spectrum.removal.values()) / len(spectrum.removal)
    if removal <= 0.0:
        return True
    cycles = max(1, int(MOST_METAL / (removal * cycle.time)))
    n = last.size
    affine = np.zeros((n + 1, n + 1))
    affine[:n, :n], affine[:n, n], affine[n, n] = cycle.matrix, cycle.offset, 1.0
    there = np.linalg.matrix_power(affine, cycles)[:n, n] - made * cycle.time * cycles
    return _near(cycle.forms(last, margin), cycle.forms(last - there, margin))


def _near(last: Mapping[str, Mapping[str, float]], off: Mapping[str, Mapping[str, float]]) -> bool:
    """Whether what is left [m] has come, but for what is `off` it."""
    size, rest = (
        max(abs(v) for part in each.values() for v in part.values()) for each in (last, off)
    )
    return rest <= max(NEAR_ENOUGH * size, NOTHING)


def _layer_alone(reason: StepAnalysis, cut: float, made: Array) -> Array:
    """Flat faces after a time at a fresh dab's cut [s], without what is `made` (n,) [m/s]: (n,) [m]."""
    return reason.evolution.after(np.zeros(made.size), cut) - made * cut
