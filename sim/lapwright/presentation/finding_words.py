"""Findings in sentences, for screen, page and card alike: a kind's own form, or words reckoned here.

A sentence is made of all findings of one code and step; it holds `WHOSE` in place of the plates where it is
the same for others too, so that what holds for several steps or plates is said once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING

from lapwright.contact.stability import Reach
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import limit_of
from lapwright.presentation.beforehand import limit
from lapwright.presentation.words import REMARK
from lapwright.results.finding import Finding
from lapwright.results.findings import KINDS, gravity, noticed
from lapwright.units import METRIC, NOTHING, Text, Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.results.record import Run
    from lapwright.study.model import Study

__all__ = ["Said", "care", "in_words", "said_of", "sentence_of"]


WRITE = ". Write "  # what follows is for a study file
WHOSE = "{whose}"  # stands for the plates of which a sentence holds


@dataclass(frozen=True)
class Said:
    """What is said of findings of one `code` in one `step`: a `sentence` on the plates in `names`."""

    code: str
    step: int
    sentence: str
    names: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """The sentence with the plates' names in it."""
        return self.sentence.replace(WHOSE, joined(self.names))


def said_of(findings: Iterable[Finding], study: Study) -> list[Said]:
    """What there is to say, step by step."""
    out = []
    order = sorted(findings, key=lambda one: (one.step, *gravity(one)))
    for (step, code), group in groupby(order, key=lambda one: (one.step, one.code)):
        out += [Said(code, step, *told) for told in _sentences(code)(list(group), study)]
    return out


def in_words(findings: Iterable[Finding], study: Study, bench: bool = False) -> list[str]:
    """All of them as lines, the gravest first; what holds for several steps or plates is said once.

    What is not known of a grit is left to the list of what is taken as usual.  `bench`: they are to say what
    to do there, not what to write in a study.
    """
    held: dict[str, list[Said]] = {}
    codes = list(KINDS)
    # A plate weighs the same in every step.
    once = {
        (one.code, one.plate, 0 if KINDS[one.code].of == "plate" else one.step): one
        for one in findings
    }
    findings = [replace(one, step=step) for (_, _, step), one in once.items()]
    for said in sorted(
        said_of(findings, study), key=lambda said: (codes.index(said.code), said.step)
    ):
        if said.code != "no_fade":
            held.setdefault(said.sentence, []).append(said)
    lines = []
    for told, alike in held.items():
        names = dict.fromkeys(name for said in alike for name in said.names)
        steps = dict.fromkeys(str(said.step) for said in alike)
        text = told.replace(WHOSE, joined(list(names)))
        if bench:
            text = _at_the_bench(alike[0].code, text)
        everywhere = len(steps) == len(study.steps) or KINDS[alike[0].code].of != "step"
        which = f"step{'s' if len(steps) > 1 else ''} {joined(list(steps))}"
        lines.append(text if everywhere else f"{which}: {text}")
    return lines


def _at_the_bench(code: str, text: str) -> str:
    """A sentence with what to do in place of what to write in a study."""
    what, writes, _ = text.partition(WRITE)
    return f"{what}. {KINDS[code].bench}" if writes and KINDS[code].bench else text


def care(run: Run, study: Study | None, bench: bool = False) -> list[str]:
    """What to take care of in a run, the gravest first; nothing where its study is not known."""
    found = [] if study is None else in_words(noticed(run, study), study, bench)
    return [f"{sentence(line)}." for line in found]


# --- the sentences: of the findings of one code in one step ---------------------------------------

Sentences = Iterator[tuple[str, tuple[str, ...]]]
Sentence = Callable[[Sequence[Finding], "Study"], Sentences]


def sentence_of(form: str, one: Finding, units: Units, **names: str) -> str:
    """A sentence with the numbers of a finding in it, each as the person's units say it."""
    parts: dict[str, str | float | Text] = {"plate": one.plate or "", **names, **one.numbers}
    return Text(form, **parts).told(units)


def _sentences(code: str) -> Sentence:
    """What makes the sentences of a code: its own form, or words that are reckoned here."""
    form = KINDS[code].sentence
    if not form:
        return SENTENCES[code]

    def of_form(found: Sequence[Finding], study: Study) -> Sentences:
        step = study.steps[found[0].step - 1]
        names = {"plate": WHOSE, "top": step.top, "bottom": step.bottom}
        told = [(sentence_of(form, one, study.units, **names), one.plate) for one in found]
        for text in dict.fromkeys(text for text, _ in told):
            yield text, tuple(plate for same, plate in told if same == text and plate)

    return of_form


def _alike(sizes: Mapping[str, str]) -> list[tuple[str, tuple[str, ...]]]:
    """Figures and the plates that share them, figure by figure."""
    alike: dict[str, list[str]] = {}
    for name, size in sizes.items():
        alike.setdefault(size, []).append(name)
    return [(size, tuple(names)) for size, names in alike.items()]


def _each(sizes: Mapping[str, str], told: str) -> tuple[str, tuple[str, ...]]:
    """`told` of each plate with its figure; of all at once where they have the same."""
    groups = _alike(sizes)
    if len(groups) == 1:
        size, names = groups[0]
        return told.format(who=WHOSE, size=size), names
    return joined([told.format(who=joined(names), size=size) for size, names in groups]), ()


def _sizes(found: Sequence[Finding], key: str, units: Units) -> dict[str, str]:
    return {one.plate or "": units.size(one.numbers[key]) for one in found}


def _overhang(found: Sequence[Finding], study: Study) -> Sentences:
    step, numbers, units = study.steps[found[0].step - 1], found[0].numbers, study.units
    reach = Reach(*(numbers[key] for key in ("lift_off", "lift_off_share", "lift_off_apart")))
    lift = limit(reach, step, units)
    told = f"flat faces begin to lift {lift}, and this stroke takes {step.top} further"
    if numbers["overhang"] > 0.0:
        over = units.length(numbers["overhang"])
        told = f"{step.top} hangs over the edge by {over}, and flat faces begin to lift {lift}"
    yield (
        f"{told}: it can rock, tip and pinch. Shorten the stroke or bring the load inwards, and keep your "
        "fingers out",
        (),
    )


def _weighs(found: Sequence[Finding], units: Units) -> str:
    masses = _alike({one.plate or "": units.mass(one.numbers["mass"]) for one in found})
    return joined(
        [
            f"{joined(names)} weigh {mass} each" if len(names) > 1 else f"{names[0]} weighs {mass}"
            for mass, names in masses
        ]
    )


def _too_heavy(found: Sequence[Finding], study: Study) -> Sentences:
    most = study.units.mass(found[0].numbers["limit"])
    yield (
        f"{_weighs(found, study.units)}, more than the {most} that one person should lift at best (NIOSH): "
        "use a hoist or a second person; local rules come first",
        (),
    )


def _heavy(found: Sequence[Finding], study: Study) -> Sentences:
    yield (
        f"{_weighs(found, study.units)}: lift close to the body, with both hands, and slide plates apart, "
        "never pry",
        (),
    )


def _no_turn(found: Sequence[Finding], study: Study) -> Sentences:
    # A rail is turned end for end; it cannot be turned on as it goes.
    long = study.plates[study.steps[found[0].step - 1].top].outline.long
    turn = "180 deg every 10 strokes" if long else "8 deg per stroke"
    yield (
        "the top is never turned: what lies along the stroke and what lies across it stay different. "
        f'Write turn = "{turn}"',
        (),
    )


def _one_side(found: Sequence[Finding], study: Study) -> Sentences:
    step = study.steps[found[0].step - 1]
    plate, top = study.plates[step.bottom], study.plates[step.top]
    deeper = (
        "a pit is worn there" if top.land_area < 0.5 * plate.land_area else "that side wears deeper"
    )
    cure = 'Write centre = ["0 mm", "0 mm"]'
    if not plate.outline.long and step.walk.angle == 0.0:
        cure += ', or walk round with walk = "3 deg per stroke" and carry_centre = true'
    elif not plate.outline.long and not step.carry_centre:
        cure += ", or let the stroke go round with you: carry_centre = true"
    else:
        cure += ", or lap as long on the other side"
    yield (
        f"the stroke stays on one side of {joined([one.plate or '' for one in found])}, its middle "
        f"{study.units.length(found[0].numbers['aside'])} off: {deeper}, and stays until the rest is "
        f"lapped down to it. {cure}",
        (),
    )


def _finer(found: Sequence[Finding], study: Study) -> Sentences:
    now, last = (METRIC.size(found[0].numbers[key], echo=True) for key in ("grain", "before"))
    yield (
        f"{now} is more than three times finer than the {last} before it: marks of the coarse grit take "
        "long to go. Put a grit between",
        (),
    )


def _pits_of(one: Finding, units: Units) -> str:
    grain = METRIC.size(one.numbers["grain"], echo=True)
    return (
        f"pits of the {grain} grit on {WHOSE} are about {units.size(one.numbers['depth'])} deep "
        "(half the grain)"
    )


def _pits(found: Sequence[Finding], study: Study) -> Sentences:
    spread = spread_of([study.steps[found[0].step - 1]])
    told = {}
    for one in found:
        off = one.numbers["removed"]
        about, low, high = (study.units.size(off * by) for by in (1.0, 1.0 / spread, spread))
        told[one.plate or ""] = (
            f"{_pits_of(one, study.units)}, and this step takes off about {about}, {low} to {high}: some "
            "will stay. Lap longer, or come down in smaller steps"
        )
    yield from _alike(told)


def _pits_left(found: Sequence[Finding], study: Study) -> Sentences:
    told = {}
    for one in found:
        off = one.numbers["removed"]
        gone = f"only {study.units.size(off)} has" if off >= NOTHING else "nothing has"
        told[one.plate or ""] = (
            f"{_pits_of(one, study.units)}, and {gone} gone since: they are still there, however flat it "
            "reads"
        )
    yield from _alike(told)


def _best_passed(found: Sequence[Finding], study: Study) -> Sentences:
    for one in found:
        off, flat = (study.units.size(one.numbers[key]) for key in ("removed", "flatness"))
        time = Units.rubbing(one.numbers["time"], spread_of(study.steps))
        finish = limit_of("finish") * study.steps[one.step - 1].grit.size
        rough = f" ({REMARK})" if study.units.finer(one.numbers["flatness"], finish) else ""
        yield (
            f"{one.plate} was at its best with {off} off, after {time}: flat within {flat}{rough}",
            (),
        )


def _bending(found: Sequence[Finding], study: Study) -> Sentences:
    each, names = _each(_sizes(found, "sag", study.units), "{who} may bend by about {size}")
    yield (
        f"{each} under this load, and the grit layer gives by "
        f"{study.units.size(found[0].numbers['squeeze'])}: plates are taken as rigid here, so trust "
        "the shape only to about that much. A thicker plate or less load bends less",
        names,
    )


def _heat(found: Sequence[Finding], study: Study) -> Sentences:
    groups = _alike(_sizes(found, "bow", study.units))
    each = joined([f"{joined(names)} by up to {size}" for size, names in groups])
    yield (
        f"rubbing makes about {Units.number(found[0].numbers['power'])} W, and the warm side goes domed "
        f"while it runs: {each}. So much goes hollow when cold. A thicker plate, a slower pace or less load "
        "bows less",
        (),
    )


def _wait(found: Sequence[Finding], study: Study) -> Sentences:
    names = [one.plate or "" for one in found]
    warmest = max(one.numbers["warmer"] for one in found)
    low, high = (
        min(one.numbers["least"] for one in found),
        max(one.numbers["most"] for one in found),
    )
    degrees = study.units.warmer(warmest)
    verb, it = ("is", "it") if len(names) == 1 else ("are", "them")
    between = ""
    if len(names) > 1 and not any(study.plates[name].outline.long for name in names):
        between = (
            ". In between a comparator from one to the other is good "
            "enough, while both are equally warm"
        )
    yield (
        f"{joined(names)} {verb} up to about {degrees} warmer than the room at the end, from rubbing "
        f"alone: let {it} stand free in the air for {_hours(low, high)} before you believe a size{between}",
        (),
    )


def _hours(low: float, high: float) -> str:
    """A wait from `low` to `high` [s] in round figures."""
    if high < 5400.0:
        return f"{max(5, 5 * round(low / 300.0))} to {max(10, 5 * round(high / 300.0))} minutes"
    return f"{Units.number(max(low / 3600.0, 0.1), 1)} to {Units.number(high / 3600.0, 1)} hours"


SENTENCES: Mapping[str, Sentence] = {
    "overhang": _overhang,
    "too_heavy": _too_heavy,
    "heavy": _heavy,
    "pits_left": _pits_left,
    "no_turn": _no_turn,
    "one_side": _one_side,
    "finer": _finer,
    "pits": _pits,
    "best_passed": _best_passed,
    "bending": _bending,
    "heat": _heat,
    "wait": _wait,
}
