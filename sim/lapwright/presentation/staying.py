"""What a step leaves on both faces: what never goes, what hardly, the mark of the layer; and where it lifts.

Sizes in the study's units; words as in `lapwright.presentation.words`.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.overhang import unrubbed_middle
from lapwright.kinematics.schedule import cut_time
from lapwright.kinematics.sliding import Invariants, invariants_of
from lapwright.limits import LAYER_BAND
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.cycle import Cycle, CycleSpectrum
from lapwright.modal.propagator import SLOW, Lifts, Propagator, made, share_of
from lapwright.modal.spectrum import NO_MARGIN, OWN_NAMES, FormMode, quicker
from lapwright.modal.step_analysis import LONGEST, LinearisationError, StepAnalysis
from lapwright.presentation import words
from lapwright.presentation.words import ENDS, Sizes, by_layer, say, with_bands
from lapwright.specification.step import Step
from lapwright.units import METRIC, NOTHING, Units, joined, told

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.modal.reduced_model import Glance
    from lapwright.specification.plate import Plate


LEFT = 1e-3  # [m] a middle that is never rubbed and no larger is not worth a word
ALIKE = 0.2  # by so much of their size marks of two faces may differ that one line tells together
NO_BANDS: Mapping[str, Mapping[str, float]] = MappingProxyType({})
LITTLE = 0.02  # um of form for each um removed: less is nothing to speak of
FITS = 0.98  # share of an error that is left for ever, from which the two faces fit
STAYS = 0.5  # share of an error that is left for ever, from which it counts as staying

# What becomes of those follows who lies on top: the form of a face that is one half of each.
PART_OF = {"dome in dish": "sphere", "bow in bow": "bow", "crown in crown": "crown"}
ORDER = ("dome in dish", "twists", "saddle in saddle", "bow in bow", "crown in crown", "winds")
RIDGES = ("ridges", "even ridges")
NEVER = {"sphere": "sphere", "curved": "pairs", "round": "rings"} | dict.fromkeys(RIDGES, "ridges")


def title(error: FormMode, reason: StepAnalysis) -> str:
    """What an error is called."""
    what = say(f"title.{error.name}")
    if error.face is None:
        return what
    plate = reason.names[error.face]
    if error.name in OWN_NAMES:
        return say("stays.error.own", plate=plate, error=what)
    turned = reason.step.turn.angle != 0.0 or reason.step.walk.angle != 0.0
    turns = turned and error.name in ("ridges along", "ridges across")
    return say("stays.error.as_laid", error=what, plate=plate, turns=turns)


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
    longest = math.log(2.0) / (SLOW * fastest)
    return [e for e in reason.named if e.half_life is not None and e.half_life > longest]


def leaves_alone(reason: StepAnalysis, units: Units) -> list[str]:
    """What a stroke leaves alone, why, and what would take it out."""
    if reason.removal <= 0.0:
        return [say("stays.all")]
    wholly = [_with_cure(error, reason) for error in stays_wholly(reason)]
    lines = [*wholly, *_profiles(reason, len(wholly)), *_slow(reason, units)]
    if lines and own_errors(reason) and (pair := quick_and_slow(reason)):
        lines.insert(0, say("stays.own", quick=pair[0], slow=pair[1]))
    return lines or [say("stays.nothing")]


def _with_cure(error: FormMode, reason: StepAnalysis) -> str:
    why = say(f"stays.why.{error.name}")
    if error.name not in PART_OF:
        return why
    if not same_outline(reason):
        return say("stays.cure.place", why=why, bottom=reason.step.bottom)
    gained = _gained_on_top(PART_OF[error.name], reason)
    if abs(gained) < LITTLE:
        return say("stays.cure.none", why=why)
    high, low = ("domed", "hollow") if error.name == "dome in dish" else ("high", "low")
    which = say(f"stays.which.{high if gained < 0.0 else low}")
    return say("stays.cure.on_top", why=why, which=which)


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


def _profiles(reason: StepAnalysis, named: int) -> list[str]:
    """Profiles along a straight stroke, rings about a point, and finer shapes beside those with a name."""
    what = invariants_of(reason.step, as_laid=True)
    finer = reason.spectrum.survivors - named
    if finer <= 0:
        return []
    if what.kind in RIDGES:
        long = reason.faces[0].plate.outline.long
        return [say("stays.ridges.stay", ridges=_ridges(what), long=long)]
    if what.kind == "round":
        return [say("stays.rings.stay")]
    return [say("stays.finer.fit", count=finer, several=finer > 1)]


def clock(direction: float) -> str:
    """A line across the face by the hours of a clock: 3 and 9 along x."""
    half_hours = round((90.0 - math.degrees(direction)) / 15.0) % 12  # a line has two ends
    ends = sorted((half_hours + 12 * k) % 24 for k in (0, 1))
    one, two = (f"{(h // 2) or 12}{':30' if h % 2 else ''}" for h in ends)
    return f"{one} to {two} o'clock"


def _ridges(what: Invariants) -> str:
    even = what.kind == "even ridges"
    return say("stays.ridges.text", clock=clock(what.direction), even=even)


def _slow(reason: StepAnalysis, units: Units) -> list[str]:
    slow, named = reason.spectrum.slow, goes_slowly(reason)
    if not slow:
        return []
    what = say("stays.finer.count", count=len(slow), several=len(slow) > 1)
    depth = min(mode.half_removed or 0.0 for mode in slow)
    if named:
        what = "; ".join(title(error, reason) for error in named)
        depth = min(error.half_life or 0.0 for error in named) * reason.removal
    only = units.size(depth) if depth < MOST_METAL else ""
    return [say("stays.hardly", what=what, depth=only)]


def stays_in_short(reason: StepAnalysis) -> str:
    """What stays, as a list."""
    parts = [title(error, reason) for error in stays_wholly(reason)]
    what = invariants_of(reason.step, as_laid=True)
    if reason.spectrum.survivors > len(parts):
        finer = say("stays.rings.text" if what.kind == "round" else "stays.finer.short")
        parts.append(_ridges(what) if what.kind in RIDGES else finer)
    return "; ".join(parts) or "nothing"


Plates = Mapping[str, "Plate"]

WORTH = 0.3  # of the largest mark: smaller ones are left to the page of why


def leaves(
    step: Step,
    plates: Plates,
    look: Outlook,
    units: Units = METRIC,
    glance: Glance | None = None,
    brief: bool = False,
    carrier: bool = False,
) -> list[str]:
    """What stays on both faces: the mark of the layer, and what the stroke never takes out.

    `glance`: what the step leaves by the picture; only the squeeze is told without.  `brief`: no reasons.
    `carrier`: a carrier rubs the bottom too.
    """
    what = invariants_of(step)
    if what.kind == "all":
        return [say("leaves.all")]
    size = look.squeeze
    mark = say("leaves.squeeze", units, squeeze=size)
    long = plates[step.top].outline.long or plates[step.bottom].outline.long
    left, bore = unrubbed_middle(step, plates), plates[step.bottom].outline.bore > 0.0
    middle = [say("leaves.middle", units, bore=bore, size=left, bottom=step.bottom)]
    middle = middle if left > LEFT and not carrier else []
    if brief:
        mark = mark if glance is None else _mark(step, glance, units, brief=True)
        return [*middle, mark, stays(what, step, long, "brief")]
    lines = [
        mark if glance is None else _mark(step, glance, units),
        stays(what, step, long),
        *middle,
    ]
    if glance is not None and glance.lingering:
        slowly = ", or ".join(say(f"title.{name}") for name in glance.lingering)
        depth = min(glance.lingering.values())
        only = units.size(depth) if depth < MOST_METAL else ""
        lines.append(say("leaves.hardly", what=slowly, depth=only))
    if look.overhang < -1e-4 and step.swap is None:
        lines.append(say("leaves.rim", units, rim=-look.overhang, bottom=step.bottom))
    return lines


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


def _mark(step: Step, glance: Glance, units: Units, brief: bool = False) -> str:
    """The mark of the layer on each face by the end of the step; faces alike are told together."""
    marks = telling(glance.mark)
    if not any(marks.values()):
        return say("leaves.none")
    bands = {
        name: {**forms, **with_bands(glance.mark_by_layer.get(name, {}))}
        for name, forms in glance.mark.items()
    }
    everyone = "both" if all(marks.values()) or not brief else ""
    if brief:
        marks = {name: forms for name, forms in marks.items() if forms}
        for name, other in itertools.combinations(marks, 2):
            if _much_alike(marks[name], marks[other], bands[name], bands[other]):
                marks[other], bands[other] = marks[name], bands[name]
    each = _together(
        {
            name: joined(
                [
                    _left(key, value, units, by_layer(key, bands[name], units, brief))
                    for key, value in forms.items()
                ]
            )
            or say("leaves.as_good")
            for name, forms in marks.items()
        },
        everyone,
    )
    return words.layer_once(say("leaves.brief" if brief else "leaves.mark", each=each))


def _much_alike(one: Sizes, other: Sizes, banded: Sizes, too: Sizes) -> bool:
    """Whether two faces show the same mark to a person: the same forms, sizes and bands within a fifth."""
    sizes = [
        (banded.get(k), too.get(k)) for key in one for k in (key, *(key + end for end in ENDS))
    ]
    near = [math.isclose(size or 0.0, same or 0.0, rel_tol=ALIKE) for size, same in sizes]
    return one.keys() == other.keys() and all(near)


def _together(faces: Mapping[str, str], everyone: str = "") -> str:
    """What is said of each face, of faces of which the same is said together; of all: of `everyone`."""
    alike: dict[str, list[str]] = {}
    for name, what in faces.items():
        alike.setdefault(what, []).append(name)
    return "; ".join(
        f"{everyone if everyone and len(names) == len(faces) else joined(names)} {what}"
        for what, names in alike.items()
    )


def _left(key: str, value: float, units: Units, band: str) -> str:
    if key == "sphere":
        return say("leaves.dome", units, domed=value >= 0.0, size=value, band=band)
    what = words.part_words(key, value, units).replace(",", "")
    return what + band if band else what.replace(" by ", " by about ")


def stays(what: Invariants, step: Step, long: bool, how: str = "never") -> str:
    """What this stroke never takes out, and why."""
    half = step.turn.angle != 0.0 or step.walk.angle != 0.0
    fields = {
        "dome": say("stays.dome", long=long),
        "pairs": say("stays.fitting.long" if long else "stays.fitting.round"),
        "never": say("stays.turned", half=half),
        "ridges": _ridges(what) if what.kind in RIDGES else "",
    }
    return say(f"stays.{how}.{NEVER[what.kind]}", **fields)


Array = NDArray[np.float64]

MOST_METAL = 100e-6  # [m] more than anybody removes for flatness (common practice, no source)
APART = math.radians(40.0)  # places in the stroke nearer than this are told together
MOST_PLACES = 3
OUT = 0.3  # of the stroke's reach, from which the top is out towards one side
NEAR_ENOUGH = 0.1  # of what is left for ever: nearer than this it has come
TOLD = 0.2  # of a face's largest form, from which another is told beside it


def standing(
    faces: Mapping[str, Mapping[str, float]],
    units: Units,
    bands: Mapping[str, Mapping[str, float]] = NO_BANDS,
) -> str:
    """The larger of the forms [m] of each face in words, faces alike told together.

    `bands`: the same forms with their bands by the layer beside them.
    """
    larger = {name: _larger(forms) for name, forms in faces.items()}
    each = {
        name: ", ".join(
            words.part_words(key, value, units, bands.get(name, {})) for key, value in forms.items()
        )
        or say("leaves.nothing")
        for name, forms in larger.items()
    }
    return _together(each)


def _larger(forms: Mapping[str, float]) -> dict[str, float]:
    least = max(TOLD * max(map(abs, forms.values()), default=0.0), NOTHING)
    parts = sorted(forms.items(), key=lambda item: item[0] not in ("sphere", "bow"))
    return {key: value for key, value in parts if abs(value) >= least}


def mark(reason: StepAnalysis, units: Units, margin: EdgeMargin, guess: bool = False) -> str:
    """What the layer leaves on each face in the long run; with its band, where its depth is a `guess`."""
    return _with_bands(reason, units, margin, guess, lambda solved: solved.bedded_residue)


def _with_bands(
    reason: StepAnalysis,
    units: Units,
    margin: EdgeMargin,
    guess: bool,
    left: Callable[[Propagator], Array],
) -> str:
    """What is `left` (n,) [m] of the layer's mark, in words; its bands, where the layer is a `guess`."""
    faces = reason.forms(left(reason.evolution), margin)
    bands: dict[str, dict[str, float]] = {}
    if guess:
        ends = [
            reason.forms(left(reason.evolution.changed(1.0 / depth)), margin)
            for depth in LAYER_BAND
        ]
        for name, forms in faces.items():
            all_of = {
                key: [value, *(end[name][key] for end in ends)] for key, value in forms.items()
            }
            by_key = {key: (min(some), max(some)) for key, some in all_of.items()}
            bands[name] = {**forms, **with_bands(by_key)}
    return standing(faces, units, bands)


def keeps(reason: StepAnalysis, units: Units, margin: EdgeMargin, guess: bool = False) -> list[str]:
    """The mark of the layer that both plates keep, and that laying one on the other does not show.

    With its bands, where the layer's depth is a `guess`.
    """
    if reason.removal <= 0.0:
        return [say("leaves.came")]
    return [words.layer_once(say("leaves.keeps", mark=_in_time(reason, units, margin, guess)))]


def _in_time(reason: StepAnalysis, units: Units, margin: EdgeMargin, guess: bool) -> str:
    """The mark by the end of the step, and in the long run where anybody comes to that."""
    step, long_run, solved = reason.step, mark(reason, units, margin, guess), reason.evolution
    come = comes(reason, solved.bedded_residue, solved.bedded_drift, margin)
    if step.swap is not None and come:
        return say("leaves.swapped", top=step.top, long_run=long_run)
    # As preview has it: from flat faces on, what is made put aside.
    cut = cut_time(step)

    def by_end(solved: Propagator) -> Array:
        gained = made(reason.operator, solved, cut)
        return solved.after(np.zeros(gained.size), cut) - gained * cut

    now = _with_bands(reason, units, margin, guess, by_end)
    if come:
        ends = "both" if now == long_run else "then"
        return say(f"leaves.by_end.{ends}", now=now, long_run=long_run)
    return say("leaves.by_end_alone", now=now, lifts=reason.long_run.everywhere, top=step.top)


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


# --- where it lifts -----------------------------------------------------------------------------


def lifting(reason: StepAnalysis, away: LinearisationError | None, units: Units) -> list[str]:
    """Whether the top lifts, where in the stroke, what share of the time, and how far this then holds."""
    top, bottom, swapped = reason.step.top, reason.step.bottom, reason.swapped
    swaps = swapped is not None and share_of(swapped) > 0.0
    if reason.lift_share > 0.0:
        lines = [_lifted(reason.lifts, top, reason), *_holds(reason, away, units)]
    else:
        lines = [say("lifts.swapped.nothing", top=top) if swaps else say("lifts.nothing")]
    if reason.step.bends:
        alone = len(lines) == 1 and reason.lift_share == 0.0 and not swaps
        lines = [*([] if alone else lines), say("lifts.bent", lifts=not alone)]
    if swapped is None or not swaps:
        return lines
    lifted = _lifted(swapped, bottom, reason)
    return [*lines, say("lifts.swapped.lifts", bottom=bottom, lifts=lifted)]


def _lifted(lifts: Lifts, top: str, reason: StepAnalysis) -> str:
    """For what share of the time part of the top lifts, and where, from the step's beginning to its end."""
    first, *between, last = lifts
    looked = [(first, "first"), (last, "last")]
    worst = max(between, key=lambda state: state.share, default=last)
    if worst.share > 0.0 and not (first.share > 0.0 or last.share > 0.0):
        looked.insert(1, (worst, "between"))
    parts = []
    for state, key in looked:
        how = "everywhere" if state.everywhere else "share"
        hours = _where(state.phases, reason) if how == "share" else ""
        when = say(f"lifts.times.{key}")
        parts.append(
            say(f"lifts.when.{how}", when=when, top=top, share=state.share, hours=hours)
            if state.share > 0.0
            else say("lifts.when.nothing", when=when)
        )
    return "; ".join(parts)


def _holds(reason: StepAnalysis, away: LinearisationError | None, units: Units) -> list[str]:
    """How far the picture, which knows no lifting, is off: measured by lapping the step in full."""
    if away is None:
        return []
    if away.trouble:
        return [say("lifts.trouble", why=told(away.trouble, units))]
    worst, hour = away.largest, away.time >= 0.99 * LONGEST
    size = max((abs(v) for f in away.lapped.values() for v in f.values()), default=0.0)
    if worst < max(NOTHING, 0.02 * size):
        return [say("lifts.holds", units, hour=hour, worst=worst)]
    return [say("lifts.away", units, hour=hour, worst=worst)]


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
    return joined(list(dict.fromkeys(hours)))
