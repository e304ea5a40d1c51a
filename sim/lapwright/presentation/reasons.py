"""Why a stroke does what it does: what it takes out and makes, and the same of a whole schedule.

Sizes in the study's units; words as in `words`.  What is left alone, and where it lifts: `staying`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lapwright.kinematics.schedule import spread_of
from lapwright.kinematics.sliding import MOST_TURN, invariants_of
from lapwright.limits import limit_of
from lapwright.metrology.form import FORMS, EdgeMargin
from lapwright.modal.cycle import Cycle, CycleSpectrum, Placement
from lapwright.modal.spectrum import NO_MARGIN, OWN_NAMES, FormMode, Mode
from lapwright.modal.step_analysis import StepAnalysis
from lapwright.presentation import words
from lapwright.presentation.staying import (
    LITTLE,
    MOST_METAL,
    NO_BANDS,
    RIDGES,
    STAYS,
    cycle_comes,
    goes_slowly,
    own_errors,
    quick_and_slow,
    same_outline,
    standing,
    title,
)
from lapwright.presentation.words import ALWAYS, layer_once, say
from lapwright.specification.outline import Disc
from lapwright.study.model import Study
from lapwright.units import Units, joined
from lapwright.verification.closed_forms import PathMeans, growth

ALIKE = 1.15  # errors that are halved by amounts of metal nearer than this are told together
TRACE = 0.02  # share left for ever that is not worth a word
HELD = 0.005  # of form for each depth removed, below which plates are held as they are
MOST_PLACEMENTS = 3  # that lift, told one by one
SHARE = 0.2  # of a mode's largest form, from which a plate takes part in it
STOOD = 1.5  # of rms, from which a form tells what a shape is; a pure dome has 3.5

# Two errors that go together are told in one word.
TOGETHER = {
    ("saddles", "saddle in saddle"): "high",
    ("twists", "opposite twists"): "twist",
    ("winds", "opposite winds"): "wind",
    ("ridges along", "ridges across"): "ridges",
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
    groups: list[list[FormMode]] = []
    for error in sorted(dying, key=lambda e: e.half_life or 0.0):
        if groups and (error.half_life or 0.0) <= ALIKE * (groups[-1][0].half_life or 0.0):
            groups[-1].append(error)
        else:
            groups.append([error])
    return [_goes(group, reason) for group in groups]


def _goes(group: Sequence[FormMode], reason: StepAnalysis) -> Goes:
    least, most = group[0].half_life or 0.0, group[-1].half_life or 0.0
    removed = (least * reason.removal, most * reason.removal)
    return Goes(tuple(group), removed, (least, most))


def alone(error: FormMode, reason: StepAnalysis) -> Goes:
    """One error that goes, by itself."""
    return _goes([error], reason)


def takes_out(reason: StepAnalysis, units: Units) -> list[tuple[str, str]]:
    """Rows: what goes, and how much metal and how many minutes halve it."""
    spread = spread_of([reason.step])
    return [
        ("; ".join(_names(group.errors, reason)), halves(group, units, spread))
        for group in goes(reason)
    ]


def _names(errors: Sequence[FormMode], reason: StepAnalysis) -> list[str]:
    """Titles of errors, two that go together in one, and what one face alone has in one."""
    own = [e for e in errors if e.name in OWN_NAMES]
    whole = [_own(own, errors, reason)] if len(own) > 1 else []
    left = [e for e in errors if not whole or e.face is None or e.face != own[0].face]
    out = []
    for error in left:
        pair = next((p for p in TOGETHER if error.name in p), ())
        both = [e for e in left if e.name in pair and e.face == error.face]
        if not pair or len(both) < len(pair):
            what = title(error, reason)
            stays = error.stays > TRACE
            out.append(say("goes.part", what=what, share=error.stays) if stays else what)
        elif error is both[0]:
            out.append(_whose(say(f"goes.pair.{TOGETHER[pair]}"), error, reason))
    return whole + out


def soonest(reason: StepAnalysis, units: Units) -> str:
    """What the plate that loses most metal alone has and soon loses; empty where there is none."""
    own = own_errors(reason)
    if not own:
        return ""
    depths = sorted((e.half_life or 0.0) * reason.removal for e in own)
    depth = _span(depths[0], depths[-1], units)
    return say("goes.soon", own=_own(own, own, reason), depth=depth)


def _own(own: Sequence[FormMode], errors: Sequence[FormMode], reason: StepAnalysis) -> str:
    """What one face alone has and loses at one rate."""
    face = own[0].face
    finer = any(e.face == face and e not in own for e in errors)
    what = [say(f"title.{name}") for name in OWN_NAMES for e in own if e.name == name]
    what += [say("goes.all_finer")] if finer else []
    return say("goes.own", plate=reason.names[face or 0], errors=joined(what))


def _whose(what: str, error: FormMode, reason: StepAnalysis) -> str:
    """Where two that go together are, if the two plates lose metal unlike."""
    if quick_and_slow(reason) is None:
        return what
    if error.face is None:
        return say("goes.in_both", what=what)
    return say("goes.on", what=what, plate=reason.names[error.face])


def _by_day(time: float, spread: float) -> str:
    """A time of rubbing [s] with its band, where that may come to an end within a day's work."""
    if time > spread * limit_of("day of work"):
        return say("goes.no_day")
    return Units.band(time, spread)


def halves(group: Goes, units: Units, spread: float) -> str:
    """How much metal, and how many minutes with their band, halve a group of errors."""
    depth = _span(*group.removed, units)
    return say("goes.halves", depth=depth, time=_by_day(group.time[1], spread))


def _span(least: float, most: float, units: Units) -> str:
    """Two depths [m], their unit once where it is the same."""
    low, high = units.size(least), units.size(most)
    if low == high:
        return low
    return f"{low.split()[0] if low.split()[1] == high.split()[1] else low} to {high}"


def makes(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> list[str]:
    """What a stroke makes for each depth removed and in an hour, beside the law of moments."""
    if reason.removal <= 0.0:
        return [say("makes.nothing_rubs")]
    text, law = made(reason, units, margin), _law(reason, units)
    lifted = [say("domes.lifted", top=reason.step.top)] if reason.lifts[-1].share > 0.0 else []
    if not text:
        return [say("makes.nothing", law=law), *lifted]
    hour, spread = reason.removal * 3600.0, spread_of([reason.step])
    largest = (
        (name, *max(forms.items(), key=lambda form: abs(form[1])))
        for name, forms in _per_depth(reason, units, margin).items()
    )
    name, key, value = max(largest, key=lambda each: abs(each[2]) * (1 + 1e-9))
    grows = abs(value) * hour / units.depth.size
    height = say("makes.height")
    form = {"sphere": FORMS[key].title, "saddle": height}.get(key, FORMS[key].word)
    an_hour = say(
        "makes.an_hour",
        units,
        off=hour,
        least=hour / spread,
        most=hour * spread,
        plate=name,
        form=form,
        grows=grows,
        low=grows / spread,
        high=grows * spread,
    )
    return [say("makes.by_law", made=text, law=law), an_hour, *lifted]


def made(reason: StepAnalysis, units: Units, margin: EdgeMargin) -> str:
    """What both faces gain for each depth removed; empty where that is nothing to speak of."""
    each = "; ".join(
        f"{name} {grown(forms, units)}"
        for name, forms in _per_depth(reason, units, margin).items()
        if max(map(abs, forms.values())) >= LITTLE * units.depth.size
    )
    when = say("makes.bedded", leaves_land=reason.operator.leaves_land)
    return say("makes.made", depth=units.depth.name, when=when, each=each) if each else ""


def _per_depth(
    reason: StepAnalysis, units: Units, margin: EdgeMargin
) -> dict[str, dict[str, float]]:
    """Growth of the forms of both for each `units.depth` removed [m]; none where nothing is."""
    if reason.removal <= 0.0:
        return {}
    drift = reason.forms(reason.bedded, margin)
    share = units.depth.size / reason.removal
    return {
        name: {key: value * share for key, value in forms.items()} for name, forms in drift.items()
    }


def grown(forms: Mapping[str, float], units: Units) -> str:
    """How the forms of a face grow [m], dome or bow first."""
    parts = sorted(forms.items(), key=lambda item: item[0] not in ("sphere", "bow"))
    least = max(abs(v) for v in forms.values()) * 0.05
    return " and ".join(
        say("makes.goes", units, domed=value > 0.0, size=value)
        if key == "sphere"
        else words.part_words(key, value, units).replace(",", "")
        for key, value in parts
        if abs(value) >= least
    )


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
        return say("makes.law.any", near=_near(law.error))
    exact = growth(PathMeans(*reason.path_means), units.depth.size, bottom.outline.radius).sphere
    turning = sum(abs(turn.angle) for turn in (step.turn, step.walk) if not turn.indexed)
    if abs(exact) < LITTLE * units.depth.size or turning > MOST_TURN:
        return ""
    below, above = reason.forms(reason.spectrum.drift, NO_MARGIN).values()
    here = 0.5 * (below["sphere"] - above["sphere"]) * units.depth.size / reason.removal
    near = _near(here / exact - 1.0)
    return say("makes.law.exact", units, turning=turning, grows=exact, near=near)


def _near(share: float) -> str:
    return "0.1 %" if abs(share) < 1e-3 else Units.share(abs(share))


# --- a whole schedule ----------------------------------------------------------------------------


def cycle_title(cycle: Cycle) -> str:
    """Of what the cycle is, and how long."""
    steps = len({spell.step for spell in cycle.spells})
    swaps = sum(
        one.top != two.top and one.step == two.step
        for one, two in zip(cycle.spells, cycle.spells[1:], strict=False)
    )
    parts = [say("cycle.steps", count=steps, several=steps > 1)]
    if swaps:
        parts.append(say("cycle.swaps", count=swaps, several=swaps > 1))
    strokes = sum(spell.strokes for spell in cycle.spells)
    return say("cycle.title", parts=", ".join(parts), strokes=strokes)


def cycle_words(
    cycle: Cycle,
    spectrum: CycleSpectrum,
    study: Study,
    lifts: Mapping[Placement, float],
    *,
    hollows_the_top: bool = True,
    settles: bool = True,
    bands: Mapping[str, Mapping[str, float]] = NO_BANDS,
) -> list[tuple[str, list[str]]]:
    """What the cycle leaves alone, takes out, makes and leaves, and where it lifts, as (what, sentences).

    `lifts`: for what share of the time something lifts, step by step either way round; `hollows_the_top`:
    whether its strokes do; `settles`: whether the layer's mark may be told of the long run; `bands`: that
    mark with its bands by the layer.
    """
    gauged = any(study.steps[spell.step - 1].until is not None for spell in cycle.spells)
    keeps = [_cycle_keeps(cycle, spectrum, study, settles, bands)]
    return [
        ("leaves alone", _cycle_stays(cycle, spectrum, study)),
        ("takes out", _cycle_goes(spectrum, cycle, study)),
        ("makes", cycle_makes(cycle, spectrum, study.units, study.margin, hollows_the_top)),
        ("keeps", [*keeps, say("cycle.gauged")] if gauged else keeps),
        ("lifts", [_cycle_lifts(lifts)]),
    ]


def _cycle_lifts(lifts: Mapping[Placement, float]) -> str:
    """Which placements lift, those that do so longest first."""
    lifting = sorted((item for item in lifts.items() if item[1] > 0.0), key=lambda item: -item[1])
    if not lifting:
        return say("lifts.nothing")
    where = [
        say("cycle.lifts_in", step=step, top=top, share=share, always=share >= ALWAYS)
        for (step, top, _), share in lifting[:MOST_PLACEMENTS]
    ]
    return say("cycle.lifts", where=joined(where), more=len(lifting) > len(where))


def _cycle_stays(cycle: Cycle, spectrum: CycleSpectrum, study: Study) -> list[str]:
    """Errors that stay, those of one kind together, and what would take them out."""
    kinds, errors = _staying(cycle, spectrum, study)
    lines = ["; ".join(errors) or "nothing"]
    if kinds & {"saddle", "twist"}:  # what a quarter turn takes out
        out = "but_dome" if "sphere" in kinds else "it" if len(errors) == 1 else "all"
        lines.append(say("cycle.turning", out=say(f"cycle.out.{out}")))
    return lines


def _staying(cycle: Cycle, spectrum: CycleSpectrum, study: Study) -> tuple[set[str], list[str]]:
    """Kinds of the errors that stay, and words for them."""
    kinds: dict[str, list[Mode]] = {}
    for mode in spectrum.modes:
        if mode.stays:
            kinds.setdefault(_kind(cycle, mode, study.margin), []).append(mode)
    finer = len(kinds.pop("", []))
    errors = [_together(cycle, key, modes, study.margin) for key, modes in kinds.items()]
    return set(kinds), errors + ([_finer(finer, cycle, study)] if finer else [])


def _finer(number: int, cycle: Cycle, study: Study) -> str:
    """Shapes finer than those with a name, as what they are where all strokes keep the same."""
    keeps = {invariants_of(study.steps[spell.step - 1]).kind for spell in cycle.spells}
    if keeps <= set(RIDGES):
        return say("cycle.ridges")
    if keeps == {"round"}:
        return say("cycle.rings")
    return say("stays.finer.count", count=number, several=number > 1)


def cycle_headline(cycle: Cycle, spectrum: CycleSpectrum, study: Study) -> str:
    """What the whole cycle cannot take out, in a sentence."""
    errors = _staying(cycle, spectrum, study)[1]
    slow = any(m.slow and not m.stays for m in spectrum.modes)
    if errors:
        return say("cycle.head.but", slow=not slow, stays="; ".join(errors))
    return say("cycle.head.hardly" if slow else "cycle.head.none")


def _kind(cycle: Cycle, mode: Mode, margin: EdgeMargin) -> str:
    """Which form a shape is; empty when it is finer than those."""
    forms = cycle.forms(mode.shape, margin)
    sizes = {
        key: max(abs(f.get(key, 0.0)) for f in forms.values()) for f in forms.values() for key in f
    }
    key = max(sizes, key=lambda k: sizes[k])
    return key if sizes[key] >= STOOD else ""


def _form_word(key: str) -> str:
    return say("cycle.high") if key == "saddle" else FORMS[key].word


def _together(cycle: Cycle, key: str, modes: Sequence[Mode], margin: EdgeMargin) -> str:
    """Words for shapes of one kind: of a single one how the plates stand to each other."""
    if len(modes) == 1:
        return _mode_words(cycle, modes[0], margin)
    parts = [cycle.forms(mode.shape, margin) for mode in modes]
    names = [n for n in cycle.names if any(abs(f[n].get(key, 0.0)) > SHARE for f in parts)]
    return say("cycle.ways", form=_form_word(key), plates=joined(names), count=len(modes))


def _mode_words(cycle: Cycle, mode: Mode, margin: EdgeMargin) -> str:
    """Which named form a shape is, on which plates; empty when it is finer than those."""
    key = _kind(cycle, mode, margin)
    if not key:
        return ""
    forms = cycle.forms(mode.shape, margin)
    largest = max(abs(f.get(key, 0.0)) for f in forms.values())
    part = {n: f[key] for n, f in forms.items() if abs(f.get(key, 0.0)) > SHARE * largest}
    one, other = (joined([n for n, v in part.items() if (v > 0.0) == up]) for up in (True, False))
    if not one or not other:
        which = "of" if len(part) == 1 else "same"
        return say(f"cycle.one.{which}", form=_form_word(key), plates=joined(list(part)))
    how = {"saddle": "saddle", "twist": "twist", "wind": "twist"}.get(key, "dome")
    return say(f"cycle.against.{how}", form=_form_word(key), one=one, other=other)


def _cycle_goes(spectrum: CycleSpectrum, cycle: Cycle, study: Study) -> list[str]:
    units = study.units
    dying = [m for m in spectrum.modes if not m.stays and m.half_removed is not None]
    waited, slow = [m for m in dying if not m.slow], [m for m in dying if m.slow]
    lines = []
    if waited:
        mode = max(waited, key=lambda m: m.half_removed or 0.0)
        rest = "the_rest" if slow else "all_else" if spectrum.survivors else "everything"
        slowest = say(
            "cycle.goes.slowest",
            units,
            what=_mode_words(cycle, mode, study.margin) or say("cycle.goes.a_finer"),
            depth=mode.half_removed or 0.0,
            time=_by_day(mode.half_life or 0.0, _cycle_spread(cycle, study)),
        )
        lines.append(say("cycle.goes.rest", rest=say(f"cycle.rest.{rest}"), slowest=slowest))
    if slow:
        named = [name for m in slow if (name := _mode_words(cycle, m, study.margin))]
        what = "; ".join(dict.fromkeys(named)) or say("cycle.goes.finest")
        depth = min(m.half_removed or 0.0 for m in slow)
        only = units.size(depth) if depth < MOST_METAL else ""
        lines.append(say("cycle.goes.hardly", what=what, depth=only))
    return lines or ["nothing"]


def _cycle_spread(cycle: Cycle, study: Study) -> float:
    return spread_of(study.steps[spell.step - 1] for spell in cycle.spells)


def cycle_makes(
    cycle: Cycle,
    spectrum: CycleSpectrum,
    units: Units,
    margin: EdgeMargin,
    hollows_the_top: bool = True,
) -> list[str]:
    """What a cycle changes in what it leaves alone, for each depth removed.

    `hollows_the_top`: whether its strokes do, so that the more domed plate belongs there.
    """
    drift = cycle.forms(spectrum.bedded_drift, margin)
    removal = sum(spectrum.removal.values()) / len(spectrum.removal)
    if removal <= 0.0:
        return [say("makes.nothing_rubs")]
    depth, name_of_it = units.depth
    parts = [
        f"{name} {grown({key: value / removal * depth for key, value in forms.items()}, units)}"
        for name, forms in drift.items()
        if max(map(abs, forms.values())) > HELD * removal
    ]
    several = len(cycle.names) > 2
    if parts:
        return [say("cycle.makes.made", depth=name_of_it, several=several, each="; ".join(parts))]
    if spectrum.survivors == 0:
        return [say("cycle.makes.same")]
    if several:
        return [say("cycle.makes.several")]
    long = cycle.faces[0].plate.outline.long
    which = say(f"stays.which.{'high' if long else 'domed'}") if hollows_the_top else ""
    swapped = len({spell.top for spell in cycle.spells}) > 1
    return [say("cycle.makes.held", swapped=swapped, long=long, which=which)]


def _cycle_keeps(
    cycle: Cycle,
    spectrum: CycleSpectrum,
    study: Study,
    settles: bool,
    bands: Mapping[str, Mapping[str, float]],
) -> str:
    last, made = spectrum.bedded_residue, spectrum.bedded_drift
    if not settles:
        return say("cycle.keeps.lifts")
    if not cycle_comes(cycle, spectrum, last, made, study.margin):
        return say("cycle.keeps.never")
    left = cycle.forms(last, study.margin)
    return layer_once(say("cycle.keeps.text", faces=standing(left, study.units, bands)))
