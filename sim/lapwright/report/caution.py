"""The one caution that a run calls for: what can hurt first, then what spoils the answer."""

from __future__ import annotations

from collections.abc import Iterator

from lapwright.errors import LapwrightError
from lapwright.lapping.outlook import Outlook, outlooks
from lapwright.lapping.step import Step
from lapwright.limits import limit_of
from lapwright.plate.bending import pressed_sag
from lapwright.report.account import Account
from lapwright.report.beforehand import past_lifting
from lapwright.units import NOTHING, sentence

__all__ = ["caution"]

COARSER = 1.2  # times the last grit: another grit, whose pits are looked for


def caution(said: Account) -> str:
    """The gravest thing to look out for, in a sentence; empty when there is none."""
    if said.study is None or not said.steps:
        return ""
    try:
        ahead = outlooks(said.study.plates, said.steps, seed=said.study.seed)
    except LapwrightError:
        return ""
    looked = list(zip(said.steps, ahead, strict=True))
    return sentence(next(_gravest(said, looked), ""))


def _gravest(said: Account, looked: list[tuple[Step, Outlook]]) -> Iterator[str]:
    assert said.study is not None
    units, plates = said.units, said.study.plates
    for step, look in looked:
        if look.tipping_margin < 0.0:
            yield f"{step.top} tips off {step.bottom} in this stroke: keep hands and feet clear of it."
        elif look.lifts:
            yield f"{past_lifting(step, look, units)}: it can rock, tip and pinch; keep your fingers out."
    lifted = {n for s, _ in looked for n in ((s.top, s.bottom) if s.swap is not None else (s.top,))}
    for name in sorted(lifted, key=lambda n: -plates[n].total_mass):
        if plates[name].total_mass > limit_of("too heavy"):
            yield (
                f"{name} weighs {units.mass(plates[name].total_mass)}, more than the "
                f"{units.mass(limit_of('too heavy'))} that one person should lift at best (NIOSH): "
                "use a hoist or a second person; local rules come first."
            )
    if any("carbide" in plates[n].material.name for s, _ in looked for n in (s.top, s.bottom)):
        yield (
            "Sludge of cobalt-bonded carbide is a carcinogen hazard: work wet, wear gloves, collect the "
            "waste; "
            "local rules come first."
        )
    for name in sorted(lifted, key=lambda n: -plates[n].total_mass):
        if plates[name].total_mass > limit_of("heavy"):
            yield (
                f"{name} weighs {units.mass(plates[name].total_mass)}: lift it close to the body, and "
                "slide "
                "plates apart, never pry."
            )
    yield from _doubts(said, looked)


def _doubts(said: Account, looked: list[tuple[Step, Outlook]]) -> Iterator[str]:
    """What makes the answer less sure."""
    assert said.study is not None
    units = said.units
    yield from _pits(said)
    for step, look in looked:
        squeeze = look.pressure_mean / step.grit.layer.stiffness
        for name in (step.top, step.bottom):
            sag = pressed_sag(said.study.plates[name], look.pressure_mean)
            if sag is not None and sag > limit_of("bending that shows") * squeeze:
                yield (
                    f"{name} may bend by about {units.size(sag)} under this load, which is left out "
                    "here: "
                    "trust its shape only to about that much."
                )
    for step, look in looked:
        presses = units.pressure(look.pressure_mean)
        if look.pressure_mean > limit_of("high pressure"):
            yield f"{step.top} presses with {presses}: the grit may be squeezed out; take less load."
        elif look.pressure_mean < limit_of("low pressure"):
            yield f"{step.top} presses with only {presses}: it may float on the grit; add load."
    for step, look in looked:
        if step.fresh_every is None and look.time > limit_of("longest dab"):
            yield "One dab of grit for longer than ten minutes wears out: give fresh grit every 5 min."


def _pits(said: Account) -> Iterator[str]:
    """Plates from which too little went to reach the bottom of the marks of an earlier, coarser grit."""
    run = said.run
    for face in said.faces:
        grits = [(k, s.grit) for k, s in enumerate(said.steps, 1) if face.name in (s.top, s.bottom)]
        last = {
            k: max((i for i in range(len(run.step)) if int(run.step[i]) == k), default=None) for k, _ in grits
        }
        done = [(at, grit) for k, grit in grits if (at := last[k]) is not None]
        if not done or face.grit is None:
            continue
        coarse = max((grit for _, grit in done), key=lambda g: g.size)
        at = max(i for i, grit in done if grit.size == coarse.size)
        pits, off = limit_of("pit") * coarse.size, face.lost - float(face.record.removed[at])
        if coarse.size > COARSER * face.grit and off < pits:
            since = f"only {said.units.size(off)} has" if off >= NOTHING else "nothing has"
            yield (
                f"Pits of the {coarse.name} grit on {face.name} are about "
                f"{said.units.size(pits)} deep (half the grain), and {since} gone since: they are "
                "still there, however flat it reads."
            )
