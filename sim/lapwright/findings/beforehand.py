"""What is noticed of a study before anything is lapped, from closed forms alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from lapwright.findings.finding import Finding
from lapwright.findings.heat import heating, standing_warm
from lapwright.findings.marks import Rubbed, marks
from lapwright.lapping.kept import kept
from lapwright.lapping.motion import Motion
from lapwright.limits import limit_of
from lapwright.plate.bending import pressed_sag

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.study.model import Study

__all__ = ["foreseen"]


def foreseen(study: Study, ahead: Sequence[Outlook]) -> list[Finding]:
    """Everything to look out for, step by step; `ahead`: the outlook of each."""
    found: list[Finding] = []
    for at, look in enumerate(ahead, 1):
        found += [
            *_of_motion(study, at),
            *_of_edge(at, look),
            *_of_pressure(at, look),
            *_of_grit(study, at, look),
            *_of_plates(study, at, look),
            *heating(study, at, look),
        ]
    steps = [
        Rubbed(at, study.steps[at - 1], {name: look.removed_from[name] for name in _used(study, at)})
        for at, look in enumerate(ahead, 1)
    ]
    found += (one for _, one in marks(steps, "pits"))
    found += standing_warm(study, ahead)
    return sorted(found, key=lambda one: one.step)


def _used(study: Study, at: int) -> list[str]:
    """The plates of a step, in the order of the study."""
    step = study.steps[at - 1]
    return [name for name in study.plates if name in (step.top, step.bottom)]


def _of_motion(study: Study, at: int) -> Iterator[Finding]:
    """A top that lies still or is never turned, and a stroke that stays on one side of the plate below.

    At a tenth of the radius off the middle, two flat discs lapped alike, the lopsided part of the worn face
    is a quarter of the metal removed: more than the mark that the grit layer leaves.
    """
    step = study.steps[at - 1]
    if kept(step).kind == "all":
        yield Finding("nothing_rubs", at)
        return
    if step.turn.angle == 0.0 and step.walk.angle == 0.0:
        yield Finding("no_turn", at)
    x, y = Motion(step).middle()
    aside = math.hypot(x, y)
    below = _used(study, at) if step.swap is not None else [step.bottom]
    half = 0.5 * min(study.plates[name].outline.width_along(math.atan2(y, x)) for name in below)
    if aside > limit_of("off the middle") * half:
        yield from (Finding("one_side", at, name, {"aside": aside, "half_width": half}) for name in below)


def _of_edge(at: int, look: Outlook) -> Iterator[Finding]:
    """A top that tips off, or goes further than where flat faces begin to lift."""
    edge = look.edge
    if look.tipping_margin < 0.0:
        yield Finding("tips", at, None, {"margin": look.tipping_margin})
    elif look.lifts:
        lift = edge.limits.lift
        yield Finding(
            "overhang",
            at,
            None,
            {
                "overhang": edge.at.overhang,
                "lift_off": lift.overhang,
                "lift_off_share": lift.share,
                "lift_off_apart": lift.apart,
            },
        )


def _of_pressure(at: int, look: Outlook) -> Iterator[Finding]:
    for code, limit, sign in (
        ("high_pressure", limit_of("high pressure"), 1.0),
        ("low_pressure", limit_of("low pressure"), -1.0),
    ):
        if sign * (look.pressure_mean - limit) > 0.0:
            yield Finding(code, at, None, {"pressure": look.pressure_mean, "limit": limit})


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


def _of_plates(study: Study, at: int, look: Outlook) -> Iterator[Finding]:
    """What each plate weighs, whether its sludge is a hazard, and how far each bends.

    What lies below has to be laid down, washed and turned up for reading, so its weight counts too.  Plates
    are taken as rigid; that is not good enough where they bend by a tenth of the squeeze.
    """
    for name in _used(study, at):
        plate = study.plates[name]
        for code, limit in (("too_heavy", limit_of("too heavy")), ("heavy", limit_of("heavy"))):
            if plate.total_mass > limit:
                yield Finding(code, at, name, {"mass": plate.total_mass, "limit": limit})
                break
        if plate.material.name == "carbide":  # that of tools, bonded with cobalt; silicon carbide is not
            yield Finding("carbide", at, name)
        sag = pressed_sag(plate, look.pressure_mean)
        if sag is not None and sag > limit_of("bending") * look.squeeze:
            yield Finding("bending", at, name, {"sag": sag, "squeeze": look.squeeze})
