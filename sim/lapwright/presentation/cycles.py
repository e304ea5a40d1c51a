"""Sentences on a whole schedule: what swaps, turns and steps in sequence leave alone, take out and make."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from lapwright.kinematics.schedule import spread_of
from lapwright.kinematics.sliding import invariants_of
from lapwright.metrology.form import FORMS, SPOKEN, EdgeMargin
from lapwright.modal.cycle import Cycle, CycleSpectrum, Placement
from lapwright.modal.spectrum import Mode
from lapwright.presentation.reasons import grown
from lapwright.presentation.staying import cycle_comes, standing
from lapwright.study.model import Study
from lapwright.units import Units, joined

__all__ = ["cycle_headline", "cycle_makes", "cycle_title", "cycle_words"]


HELD = 0.005  # of form for each depth removed, below which plates are held as they are
MOST_PLACEMENTS = 3  # that lift, told one by one
SHARE = 0.2  # of a mode's largest form, from which a plate takes part in it
STOOD = 1.5  # of rms, from which a form tells what a shape is; a pure dome has 3.5

KINDS = {key: FORMS[key].word for key in SPOKEN} | {"saddle": "high at 3 and 9"}
TURNED = ("saddle", "twist")  # what a quarter turn takes out


def cycle_title(cycle: Cycle) -> str:
    """Of what the cycle is, and how long."""
    steps = len({spell.step for spell in cycle.spells})
    swaps = sum(
        1
        for one, two in zip(cycle.spells, cycle.spells[1:], strict=False)
        if one.top != two.top and one.step == two.step
    )
    parts = [f"{steps} step{'s' if steps > 1 else ''}"]
    if swaps:
        parts.append(f"{swaps} swap{'s' if swaps > 1 else ''}")
    strokes = sum(spell.strokes for spell in cycle.spells)
    return f"One cycle, over and over: {', '.join(parts)}, {strokes} strokes"


def cycle_words(
    cycle: Cycle,
    spectrum: CycleSpectrum,
    study: Study,
    lifts: Mapping[Placement, float],
    *,
    hollows_the_top: bool = True,
    settles: bool = True,
) -> list[tuple[str, list[str]]]:
    """What the cycle leaves alone, takes out, makes and leaves, and where it lifts, as (what, sentences).

    `lifts`: for what share of the time something lifts, step by step either way round; `hollows_the_top`:
    whether its strokes do; `settles`: whether the layer's mark may be told of the long run.
    """
    units, margin = study.units, study.margin
    gauged = any(study.steps[spell.step - 1].until is not None for spell in cycle.spells)
    full = (
        ["taken as if every step ran its full time, though a gauge may stop it sooner"]
        if gauged
        else []
    )
    return [
        ("leaves alone", _stays(cycle, spectrum, study)),
        ("takes out", _goes(spectrum, cycle, study)),
        ("makes", cycle_makes(cycle, spectrum, units, margin, hollows_the_top)),
        ("keeps", [*_keeps(cycle, spectrum, study, settles), *full]),
        ("lifts", _lifts(lifts)),
    ]


def _lifts(lifts: Mapping[Placement, float]) -> list[str]:
    """Which placements lift, those that do so longest first."""
    found = sorted((item for item in lifts.items() if item[1] > 0.0), key=lambda item: -item[1])
    if not found:
        return ["nothing lifts, so all of this holds"]
    told = [
        f"in step {step} with {top} on top for {Units.share(share)} of the time when it does so most"
        for (step, top, _), share in found[:MOST_PLACEMENTS]
    ]
    more = ", and in other steps or ways too" if len(found) > len(told) else ""
    return [
        f"part of the top lifts {joined(told)}{more}; all of this leaves that out: trust "
        "`lapwright run` for sizes"
    ]


def _stays(cycle: Cycle, spectrum: CycleSpectrum, study: Study) -> list[str]:
    """Errors that stay, those of one kind together, and what would take them out."""
    kinds, told = _staying(cycle, spectrum, study)
    if not told:
        return ["nothing"]
    said = ["; ".join(told)]
    if any(key in TURNED for key in kinds):
        out = "takes it out" if len(told) == 1 else "takes all of it out"
        if "sphere" in kinds:
            out = "takes out all of it but dome against dish"
        said.append(
            f'the top turned slowly {out} (turn = "8 deg per stroke"), and so does a quarter turn '
            'of it every few strokes (turn = "90 deg every 10 strokes")'
        )
    return said


def _staying(cycle: Cycle, spectrum: CycleSpectrum, study: Study) -> tuple[set[str], list[str]]:
    """Kinds of the errors that stay, and words for them."""
    kinds: dict[str, list[Mode]] = {}
    for mode in spectrum.modes:
        if mode.stays:
            kinds.setdefault(_kind(cycle, mode, study.margin), []).append(mode)
    finer = len(kinds.pop("", []))
    told = [_together(cycle, key, modes, study.margin) for key, modes in kinds.items()]
    return set(kinds), told + ([_finer(finer, cycle, study)] if finer else [])


def _finer(number: int, cycle: Cycle, study: Study) -> str:
    """Shapes finer than those with a name, as what they are where all strokes keep the same."""
    keeps = {invariants_of(study.steps[spell.step - 1]).kind for spell in cycle.spells}
    if keeps <= {"ridges", "even ridges"}:
        return "ridges along the stroke"
    if keeps == {"round"}:
        return "rings about the middle"
    return "one finer shape" if number == 1 else f"{number} finer shapes"


def cycle_headline(cycle: Cycle, spectrum: CycleSpectrum, study: Study) -> str:
    """What the whole cycle cannot take out, in a sentence."""
    told = _staying(cycle, spectrum, study)[1]
    slow = [m for m in spectrum.modes if m.slow and not m.stays]
    if not told and not slow:
        return "Gone through over and over, these strokes take out every error that was looked at."
    if not told:
        return "Gone through over and over, these strokes hardly touch some errors, and take out every other."
    what = "never take out" if slow else "take out every error but"
    return f"Gone through over and over, these strokes {what}: {'; '.join(told)}."


def _kind(cycle: Cycle, mode: Mode, margin: EdgeMargin) -> str:
    """Which form a shape is; empty when it is finer than those."""
    forms = cycle.forms(mode.shape, margin)
    sizes = {
        key: max(abs(f.get(key, 0.0)) for f in forms.values()) for f in forms.values() for key in f
    }
    key = max(sizes, key=lambda k: sizes[k])
    return key if sizes[key] >= STOOD else ""


def _together(cycle: Cycle, key: str, modes: Sequence[Mode], margin: EdgeMargin) -> str:
    """Words for shapes of one kind: of a single one how the plates stand to each other."""
    if len(modes) == 1:
        return _mode_words(cycle, modes[0], margin)
    parts = [cycle.forms(mode.shape, margin) for mode in modes]
    names = [n for n in cycle.names if any(abs(f[n].get(key, 0.0)) > SHARE for f in parts)]
    return f"{KINDS[key]} in {joined(names)}, in {len(modes)} ways that fit each other"


def _mode_words(cycle: Cycle, mode: Mode, margin: EdgeMargin) -> str:
    """Which named form a shape is, on which plates; empty when it is finer than those."""
    key = _kind(cycle, mode, margin)
    if not key:
        return ""
    forms = cycle.forms(mode.shape, margin)
    largest = max(abs(f.get(key, 0.0)) for f in forms.values())
    part = {n: f[key] for n, f in forms.items() if abs(f.get(key, 0.0)) > SHARE * largest}
    names = joined(list(part))
    if len(part) == 1:
        return f"{KINDS[key]} of {names}"
    if len({value > 0.0 for value in part.values()}) == 1:
        return f"the same {KINDS[key]} in {names}"
    one = joined([n for n, v in part.items() if v > 0.0])
    two = joined([n for n, v in part.items() if v <= 0.0])
    if key == "saddle":
        return f"{one} high at 3 and 9 against {two} high at 12 and 6"
    if key in ("twist", "wind"):
        return f"opposite {KINDS[key]}s in {one} and {two}"
    return f"a {KINDS[key]} in {one} against a hollow in {two}, or the other way round"


def _goes(spectrum: CycleSpectrum, cycle: Cycle, study: Study) -> list[str]:
    units, margin = study.units, study.margin
    dying = [m for m in spectrum.modes if not m.stays and m.half_removed is not None]
    if not dying:
        return ["nothing"]
    waited = [m for m in dying if not m.slow]
    said = []
    if waited:
        slowest = max(waited, key=lambda m: m.half_removed or 0.0)
        all_else = "all else" if spectrum.survivors else "everything"
        rest = all_else if len(waited) == len(dying) else "the rest"
        said.append(f"{rest}; {_slowest(slowest, cycle, study)}")
    if len(waited) < len(dying):
        first = min((m for m in dying if m not in waited), key=lambda m: m.half_removed or 0.0)
        named = [w for m in dying if m not in waited and (w := _mode_words(cycle, m, margin))]
        what = "; ".join(dict.fromkeys(named)) or "the finest shapes"
        depth = first.half_removed or 0.0
        only = f"; halved only after {units.size(depth)} removed" if math.isfinite(depth) else ""
        said.append(f"hardly touched: {what}{only}")
    return said


def _slowest(mode: Mode, cycle: Cycle, study: Study) -> str:
    what = _mode_words(cycle, mode, study.margin) or "a finer shape"
    depth = study.units.size(mode.half_removed or 0.0)
    spread = spread_of(study.steps[spell.step - 1] for spell in cycle.spells)
    time = Units.band(mode.half_life or 0.0, spread)
    return f"the slowest of it ({what}) halves every {depth} removed ({time})"


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
        return ["nothing: nothing rubs"]
    depth, said = units.depth
    told = [
        f"{name} {grown({key: value / removal * depth for key, value in forms.items()}, units)}"
        for name, forms in drift.items()
        if max(map(abs, forms.values())) > HELD * removal
    ]
    if told:
        mean = "both" if len(cycle.names) == 2 else "all plates"
        return [f"for each {said} removed, mean of {mean}: {'; '.join(told)}"]
    if spectrum.survivors == 0:
        return ["nothing: all plates come to the same faces, whatever they were"]
    swapped = len({spell.top for spell in cycle.spells}) > 1
    reason = (
        "equal swaps hold the plates as they are" if swapped else "it holds the plates as they are"
    )
    if len(cycle.names) > 2:
        return ["nothing: what it leaves alone stays as it was"]
    long = cycle.faces[0].plate.outline.long
    pair = "bow against a hollow" if long else "dome against a dish"
    one = "one that is high in the middle" if long else "domed one"
    cure = f": keep the {one} on top longer" if hollows_the_top else ""
    return [f"nothing: {reason}. A {pair} stays what it was{cure}"]


def _keeps(cycle: Cycle, spectrum: CycleSpectrum, study: Study, settles: bool) -> list[str]:
    last, made = spectrum.bedded_residue, spectrum.bedded_drift
    if not settles:
        return ["of the long run nothing is told, for part of the top lifts everywhere"]
    if not cycle_comes(cycle, spectrum, last, made, study.margin):
        return ["of the long run nothing is told, for that takes more metal than anybody removes"]
    left = cycle.forms(spectrum.bedded_residue, study.margin)
    finest = min(
        (study.steps[spell.step - 1] for spell in cycle.spells), key=lambda step: step.grit.size
    )
    return [
        f"at the end of a cycle, however often it is done: {standing(left, finest, study.units)}"
    ]
