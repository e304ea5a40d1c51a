"""What to look out for in a study, from closed forms alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lapwright.lapping.kept import kept
from lapwright.lapping.motion import Motion
from lapwright.limits import BAND, SCATTER, limit_of
from lapwright.plate.bending import pressed_sag
from lapwright.report.beforehand import past_lifting
from lapwright.results.naming import named
from lapwright.units import METRIC, NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.study.model import Study

__all__ = ["Warning", "in_words", "warnings_of"]

WHOSE = "{whose}"  # stands for the plates of which a sentence holds

# What can hurt or spoil the work comes first.
ORDER = (
    "tips",
    "overhang",
    "too_heavy",
    "heavy",
    "nothing_rubs",
    "high_pressure",
    "low_pressure",
    "no_turn",
    "one_side",
    "finer",
    "pits",
    "one_dab",
    "long_stroke",
    "bending",
    "heat",
    "wait",
    "no_fade",
)


@dataclass(frozen=True)
class Warning:
    """One thing to look out for: `code` for scripts, `step` from 1, a `sentence` on the plates in `names`."""

    code: str
    step: int
    sentence: str
    names: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The sentence with the plates' names in it."""
        return self.sentence.replace(WHOSE, joined(self.names))


def warnings_of(study: Study, ahead: Sequence[Outlook]) -> list[Warning]:
    """Everything to look out for, step by step."""
    from lapwright.results.warmth import of_heat, of_waiting

    before: dict[str, _Marks] = {}
    found = []
    for at, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
        said = [
            *_of_step(study, step, look),
            *_of_marks(study, at, look, before),
            *of_heat(study, step, look),
        ]
        found += [Warning(code, at, text) for code, text in said]
        found += [Warning("bending", at, text, names) for text, names in _of_bending(study, step, look)]
    return found + [Warning("wait", at, text) for at, text in of_waiting(study, ahead)]


def in_words(warnings: Sequence[Warning], steps: int) -> list[str]:
    """The warnings as lines, the gravest first; what holds for several of `steps` or plates is said once.

    What is not known of a grit is left to the list of what is taken as usual.
    """
    held: dict[str, list[Warning]] = {}
    for warning in sorted(warnings, key=lambda w: (ORDER.index(w.code), w.step)):
        if warning.code != "no_fade":
            held.setdefault(warning.sentence, []).append(warning)
    lines = []
    for sentence, alike in held.items():
        names = dict.fromkeys(name for warning in alike for name in warning.names)
        text = sentence.replace(WHOSE, joined(list(names)))
        numbers = [str(warning.step) for warning in alike]
        everywhere = len(numbers) == steps or alike[0].code == "wait"
        which = f"step{'s' if len(numbers) > 1 else ''} {joined(numbers)}"
        lines.append(text if everywhere else f"{which}: {text}")
    return lines


def _of_step(study: Study, step: Step, look: Outlook) -> Iterator[tuple[str, str]]:
    units = study.units
    if kept(step).kind == "all":
        yield (
            "nothing_rubs",
            "the top neither travels nor turns while it rubs, so nothing is lapped. "
            'Write stroke = { travel = "1/3" }',
        )
    elif step.turn.angle == 0.0 and step.walk.angle == 0.0:
        # A rail is turned end for end; it cannot be turned on as it goes.
        turn = "180 deg every 10 strokes" if study.plates[step.top].outline.long else "8 deg per stroke"
        yield (
            "no_turn",
            "the top is never turned: what lies along the stroke and what lies across it stay different. "
            f'Write turn = "{turn}"',
        )
    yield from _of_place(study, step)
    yield from _of_grit(step)
    if look.tipping_margin < 0.0:
        yield (
            "tips",
            f"{step.top} tips off {step.bottom} in this stroke: shorten the stroke, or move it or the load "
            "inwards",
        )
    elif look.lifts:
        yield (
            "overhang",
            f"{past_lifting(step, look, units)}: it can rock, tip and pinch. Shorten the stroke or bring the "
            "load inwards, and keep your fingers out",
        )
    high, low = limit_of("high pressure"), limit_of("low pressure")
    presses = units.presses(look.pressure_mean)
    if look.pressure_mean > high:
        yield (
            "high_pressure",
            f"{presses} is above {units.pressure(high)}: the grit layer may be squeezed out. Take less load",
        )
    if look.pressure_mean < low:
        yield (
            "low_pressure",
            f"{presses} is below {units.pressure(low)}: the top may float on the grit and cut little. "
            "Add load",
        )
    yield from _of_stroke(step, look)
    yield from _of_weight(study, step)


def _of_place(study: Study, step: Step) -> Iterator[tuple[str, str]]:
    """A stroke that stays on one side of the plate below.

    At a tenth of the radius, two flat discs lapped alike, the lopsided part of the worn face is a quarter of
    the metal removed: more than the mark that the grit layer leaves.
    """
    x, y = Motion(step).middle()
    aside = math.hypot(x, y)
    below = [n for n in study.plates if n == step.bottom or (step.swap is not None and n == step.top)]
    width = min(study.plates[name].outline.width_along(math.atan2(y, x)) for name in below)
    if aside <= limit_of("off the middle") * 0.5 * width or kept(step).kind == "all":
        return
    plate, top = study.plates[step.bottom], study.plates[step.top]
    deeper = "a pit is worn there" if top.land_area < 0.5 * plate.land_area else "that side wears deeper"
    cure = 'Write centre = ["0 mm", "0 mm"]'
    if not plate.outline.long and step.walk.angle == 0.0:
        cure += ', or walk round with walk = "3 deg per stroke" and carry_centre = true'
    elif not plate.outline.long and not step.carry_centre:
        cure += ", or let the stroke go round with you: carry_centre = true"
    else:
        cure += ", or lap as long on the other side"
    yield (
        "one_side",
        f"the stroke stays on one side of {joined(below)}, its middle "
        f"{study.units.bench(aside)} off: {deeper}, and stays until the rest is lapped down to it. "
        f"{cure}",
    )


def _of_bending(study: Study, step: Step, look: Outlook) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Plates are taken as rigid; that is not good enough where they bend by a tenth of the squeeze."""
    units = study.units
    names = [name for name in study.plates if name in (step.top, step.bottom)]
    sags = {name: pressed_sag(study.plates[name], look.pressure_mean) for name in names}
    much = {n: units.size(sag) for n, sag in sags.items() if sag and sag > limit_of("bending") * look.squeeze}
    alike = len(set(much.values())) == 1
    whose = [(WHOSE, next(iter(much.values())))] if alike else named(much)
    if much:
        each = joined([f"{who} may bend by about {size}" for who, size in whose])
        yield (
            f"{each} under this load, and the grit layer gives by {units.size(look.squeeze)}: plates "
            "are taken as rigid here, so trust the shape only to about that much. A thicker plate or less "
            "load bends less",
            tuple(much) if alike else (),
        )


def _of_grit(step: Step) -> Iterator[tuple[str, str]]:
    rubbed = step.total_strokes / step.pace
    if step.fresh_every is None and rubbed > limit_of("longest dab"):
        yield (
            "one_dab",
            'one dab of grit for longer than ten minutes wears out. Write fresh_grit_every = "5 min"',
        )
    if step.grit.fade is None:
        yield (
            "no_fade",
            "how fast a dab of grit tires is not known, so it is taken to cut on as if fresh. "
            'In a [grits.NAME] you can write fade = "8 min"',
        )


def _of_stroke(step: Step, look: Outlook) -> Iterator[tuple[str, str]]:
    """Averages over a stroke stand for it only while the faces change little within it."""
    once = step.curve.period / step.pace
    if once > look.tau:
        lasts, dies = (f"{Units.number(t)} s" for t in (once, look.tau))
        yield (
            "long_stroke",
            f"going through the stroke once lasts {lasts}, longer than the {dies} in which a misfit dies: "
            "the faces change within the stroke, and what comes out depends on where you stop. Take less "
            "load, a finer grit or a quicker pace",
        )


@dataclass(frozen=True)
class _Marks:
    """What earlier steps left on a plate [m]: the `last` grain, and the `grain` of the deepest `pits`."""

    last: float
    grain: float
    pits: float


def _of_marks(study: Study, at: int, look: Outlook, before: dict[str, _Marks]) -> Iterator[tuple[str, str]]:
    """A grit much finer than the last, and pits that it does not reach the bottom of; notes its own marks."""
    step, units = study.steps[at - 1], study.units
    if look.removed < NOTHING:
        return
    size = step.grit.size
    names = [n for n in study.plates if n in (step.top, step.bottom)]
    coarsest = max((before[n].last for n in names if n in before), default=0.0)
    if coarsest > limit_of("next grit") * size * (1.0 + 1e-9):
        now, last = (METRIC.size(grain, echo=True) for grain in (size, coarsest))
        yield (
            "finer",
            f"{now} is more than three times finer than the {last} before it: marks of the coarse grit take "
            "long to go. Put a grit between",
        )
    spread = SCATTER if step.grit.wear.observed is not None else BAND
    left: dict[str, str] = {}
    for name in names:
        marks, off = before.get(name, _Marks(size, size, 0.0)), look.removed_from[name]
        remains = max(marks.pits - off, 0.0)
        if marks.grain > size * (1.0 + 1e-9) and remains > 0.0 and not _goes_on(study, at, name):
            low, high = (units.size(off * by) for by in (1.0 / spread, spread))
            left[name] = (
                f"pits of the {METRIC.size(marks.grain, echo=True)} grit on {WHOSE} are about "
                f"{units.size(marks.pits)} deep (half the grain), and this step takes off about "
                f"{units.size(off)}, {low} to {high}: some will stay. Lap longer, or come down in "
                "smaller steps"
            )
        new = limit_of("pit") * size >= remains
        before[name] = _Marks(size, size if new else marks.grain, limit_of("pit") * size if new else remains)
    for whose, said in named(left):
        yield "pits", said.replace(WHOSE, whose)


def _goes_on(study: Study, at: int, name: str) -> bool:
    """True when the next step of a plate uses a grit as fine or finer, which goes on cutting."""
    later = (s for s in study.steps[at:] if name in (s.top, s.bottom))
    following = next(later, None)
    return following is not None and following.grit.size <= study.steps[at - 1].grit.size * (1.0 + 1e-9)


def _of_weight(study: Study, step: Step) -> Iterator[tuple[str, str]]:
    names = {step.top} | ({step.bottom} if step.swap is not None else set())
    heaviest = max(names, key=lambda name: study.plates[name].total_mass)
    mass = study.plates[heaviest].total_mass
    weighs = f"{heaviest} weighs {study.units.mass(mass)}"
    most = limit_of("too heavy")
    if mass > most:
        yield (
            "too_heavy",
            f"{weighs}, more than the {study.units.mass(most)} that one person should lift at best "
            "(NIOSH): use a hoist or a second person; local rules come first",
        )
    elif mass > limit_of("heavy"):
        yield "heavy", f"{weighs}: lift it close to the body, and slide it off, never pry"
