"""Sentences on a whole schedule: what swaps, turns and steps in sequence leave alone, take out and make."""

from __future__ import annotations

import math

from sim.modes.schedule import Cycle, CycleSpectrum
from sim.modes.spectrum import Mode
from sim.plate.measure import EdgeMargin
from sim.report import words
from sim.report.reasons import standing_forms

__all__ = ["cycle_title", "cycle_words"]

HELD = 0.005  # of form for each depth removed, below which plates are held as they are
SHARE = 0.2  # of a mode's largest form, from which a plate takes part in it
STOOD = 1.5  # of rms, from which a form tells what a shape is; a pure dome has 3.5

KINDS = {
    "sphere": "dome",
    "saddle": "high at 3 and 9",
    "twist": "twist",
    "bow": "bow",
    "crown": "crown",
    "wind": "wind",
}


def cycle_title(cycle: Cycle) -> str:
    """How long the cycle is, and of what."""
    steps = len({spell.step for spell in cycle.spells})
    swaps = sum(
        1
        for one, two in zip(cycle.spells, cycle.spells[1:], strict=False)
        if one.top != two.top and one.step == two.step
    )
    parts = [f"{steps} step{'s' if steps > 1 else ''}"]
    if swaps:
        parts.append(f"{swaps} swap{'s' if swaps > 1 else ''}")
    minutes = cycle.time / 60.0
    return f"One cycle: {', '.join(parts)}, {words.two(minutes)} min of rubbing as the study has it"


def cycle_words(
    cycle: Cycle, spectrum: CycleSpectrum, units: str, margin: EdgeMargin
) -> list[tuple[str, list[str]]]:
    """What the cycle leaves alone, takes out, makes and leaves, as (what, sentences)."""
    return [
        ("leaves alone", _stays(cycle, spectrum, margin)),
        ("takes out", _goes(spectrum, cycle, units, margin)),
        ("makes", _makes(cycle, spectrum, units, margin)),
        ("keeps", _keeps(cycle, spectrum, units, margin)),
    ]


def _stays(cycle: Cycle, spectrum: CycleSpectrum, margin: EdgeMargin) -> list[str]:
    staying = [mode for mode in spectrum.modes if mode.stays]
    told = [said for mode in staying if (said := _mode_words(cycle, mode, margin))]
    finer = len(staying) - len(told)
    if not staying:
        return ["nothing"]
    if finer:
        told.append(f"{finer} finer shape{'s' if finer > 1 else ''} that fit at every place")
    return ["; ".join(told)]


def _mode_words(cycle: Cycle, mode: Mode, margin: EdgeMargin) -> str:
    """Which named form a shape is, on which plates; empty when it is finer than those."""
    forms = cycle.forms(mode.shape, margin)
    sizes = {key: max(abs(f.get(key, 0.0)) for f in forms.values()) for f in forms.values() for key in f}
    key = max(sizes, key=lambda k: sizes[k])
    if sizes[key] < STOOD:
        return ""
    part = {n: f[key] for n, f in forms.items() if abs(f.get(key, 0.0)) > SHARE * sizes[key]}
    alike = len({value > 0.0 for value in part.values()}) == 1
    names = words.joined(list(part))
    if len(part) == 1:
        return f"{KINDS[key]} of {names}"
    if alike:
        return f"the same {KINDS[key]} in {names}"
    one = words.joined([n for n, v in part.items() if v > 0.0])
    two = words.joined([n for n, v in part.items() if v <= 0.0])
    if key == "saddle":
        return f"{one} high at 3 and 9 against {two} high at 12 and 6"
    if key in ("twist", "wind"):
        return f"opposite {KINDS[key]}s in {one} and {two}"
    return f"{KINDS[key]} in {one} against a hollow in {two}"


def _goes(spectrum: CycleSpectrum, cycle: Cycle, units: str, margin: EdgeMargin) -> list[str]:
    dying = [m for m in spectrum.modes if not m.stays and m.half_removed is not None]
    if not dying:
        return ["nothing"]
    slowest = max(dying, key=lambda m: m.half_removed or 0.0)
    depth = slowest.half_removed or 0.0
    if not math.isfinite(depth):
        return ["all but what stays, though the slowest hardly at all"]
    what = _mode_words(cycle, slowest, margin)
    named = f" ({what})" if what else ""
    return [f"all else; the slowest of it{named} halves every {words.size(depth, units)} removed"]


def _makes(cycle: Cycle, spectrum: CycleSpectrum, units: str, margin: EdgeMargin) -> list[str]:
    drift = cycle.forms(spectrum.drift, margin)
    removal = sum(spectrum.removal.values()) / len(spectrum.removal)
    if removal <= 0.0:
        return ["nothing: nothing rubs"]
    depth, said = (1e-6, "1 um") if units == "metric" else (40 * 25.4e-9, "40 uin")
    told = []
    for name, forms in drift.items():
        parts = [
            words.part_words(key, value / removal * depth, units)
            for key, value in forms.items()
            if abs(value) > HELD * removal
        ]
        if parts:
            told.append(f"{name} {' and '.join(parts)}")
    if not told:
        swapped = len({spell.top for spell in cycle.spells}) > 1
        if spectrum.survivors == 0:
            return ["nothing: all plates come to the same faces, whatever they were"]
        reason = "equal swaps hold the plates as they are" if swapped else "it holds the plates as they are"
        if len(cycle.names) > 2:
            return [f"nothing: {reason}, in what it leaves alone"]
        return [
            f"nothing: {reason}. A dome against a dish stays what it was: keep the domed one on top longer"
        ]
    return [f"for each {said} removed, mean of all plates: {'; '.join(told)}"]


def _keeps(cycle: Cycle, spectrum: CycleSpectrum, units: str, margin: EdgeMargin) -> list[str]:
    parts = [
        f"{name} {standing_forms(forms, units)}"
        for name, forms in cycle.forms(spectrum.residue, margin).items()
    ]
    return [f"at the end of a cycle, however often it is done: {'; '.join(parts)} ({words.REMARK})"]
