"""Findings in sentences, for screen, page and card alike.

A sentence is made of all findings of one code and step; it holds `WHOSE` in place of the plates where it is
the same for others too, so that what holds for several steps or plates is said once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from lapwright.contact.stability import Reach
from lapwright.kinematics.schedule import spread_of
from lapwright.presentation.tables import limit
from lapwright.presentation.words import Fields, say, sentences
from lapwright.results.findings import KINDS, Finding, gravity, noticed
from lapwright.specification.materials import NOT, SOFT, cutting
from lapwright.study.doubts import doubt_on
from lapwright.units import NOTHING, Text, Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.results.record import Run
    from lapwright.study.model import Study


WRITE = ". Write "  # what follows is for a study file
ORDERS = {"no_turn", "one_side"}  # what cures them, the next spell orders too, from what was lapped
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
        alike: dict[str, tuple[str, ...]] = {}
        for variant, fields, names in RECKONED.get(code, _by_itself)(list(group), study):
            text = finding_text(code + variant, study.units, fields)
            alike[text] = alike.get(text, ()) + names
        out += [Said(code, step, text, names) for text, names in alike.items()]
    return out


class Line(NamedTuple):
    """What is said of findings of one `code` in one or more steps."""

    code: str
    text: str


def in_words(
    findings: Iterable[Finding], study: Study, bench: bool = False, ordered: bool = False
) -> list[str]:
    """The texts of `lines_of`."""
    return [one.text for one in lines_of(findings, study, bench, ordered)]


def lines_of(
    findings: Iterable[Finding], study: Study, bench: bool = False, ordered: bool = False
) -> list[Line]:
    """All of them as lines, the gravest first; what holds for several steps or plates is said once.

    What is not known of a grit is left to the list of what is taken as usual.  `bench`: they stand on
    a card that orders what was lapped, so they order nothing else.  `ordered`: a spell that was lapped is
    told beside them, and how its top turns and goes round is told there alone.
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
    for text, alike in held.items():
        names = dict.fromkeys(name for said in alike for name in said.names)
        steps = dict.fromkeys(str(said.step) for said in alike)
        line = text.replace(WHOSE, joined(list(names)))
        if ordered and alike[0].code in ORDERS:
            line = line.partition(WRITE)[0]
        elif bench:
            line = _at_the_bench(line)
        everywhere = len(steps) == len(study.steps) or KINDS[alike[0].code].of != "step"
        which = f"step{'s' if len(steps) > 1 else ''} {joined(list(steps))}"
        lines.append(Line(alike[0].code, line if everywhere else f"{which}: {line}"))
    return lines


def _at_the_bench(text: str) -> str:
    """A sentence without what to write in a study: on the card stands what was lapped, and nothing else."""
    what, writes, _ = text.partition(WRITE)
    return f"{what}. {say('bench.mend')}" if writes else text


def care(run: Run, study: Study | None, ordered: bool = False) -> list[str]:
    """What to take care of in a run, the gravest first; nothing where its study is not known."""
    lines = [] if study is None else in_words(noticed(run, study), study, ordered=ordered)
    return [f"{sentence(line)}." for line in lines]


def finding_text(code: str, units: Units, fields: Fields) -> str:
    """The sentence of a code, with fields in it: that of its kind, or of the file of sentences."""
    kind = KINDS.get(code)
    form = kind.sentence if kind is not None and kind.sentence else sentences()[f"finding.{code}"]
    return Text(form, **fields).told(units)


# --- what is filled in: of the findings of one code in one step -----------------------------------

# Which of the sentences of a code ("" where there is one), its fields, and the plates that it holds for.
Reckoned = Iterator[tuple[str, Fields, tuple[str, ...]]]


def _by_itself(found: Sequence[Finding], study: Study) -> Reckoned:
    """The numbers of a finding and no more."""
    step = study.steps[found[0].step - 1]
    for one in found:
        fields: Fields = {"plate": WHOSE, "top": step.top, "bottom": step.bottom, **one.numbers}
        yield "", fields, (one.plate,) if one.plate else ()


def _plates(found: Sequence[Finding]) -> tuple[str, ...]:
    return tuple(one.plate or "" for one in found)


def _each(key: str, found: Sequence[Finding], units: Units, whose: bool = False) -> str:
    """A sentence of each plate, of those together that show the same; `whose`: names left open if all do."""
    alike: dict[str, list[Finding]] = {}
    for one in found:
        alike.setdefault(
            finding_text(key, units, {"names": "", "several": 0, **one.numbers}), []
        ).append(one)
    parts = []
    for group in alike.values():
        names = WHOSE if whose and len(alike) == 1 else joined(_plates(group))
        fields: Fields = {"names": names, "several": len(group) > 1, **group[0].numbers}
        parts.append(finding_text(key, units, fields))
    return joined(parts)


def _overhang(found: Sequence[Finding], study: Study) -> Reckoned:
    step, numbers = study.steps[found[0].step - 1], found[0].numbers
    reach = Reach(*(numbers[key] for key in ("lift_off", "lift_off_share", "lift_off_apart")))
    fields: Fields = {"top": step.top, "lift": limit(reach, step, study.units), **numbers}
    yield ".over" if numbers["overhang"] > 0.0 else ".further", fields, ()


def _heavy(found: Sequence[Finding], study: Study) -> Reckoned:
    weigh = _each("too_heavy.each", found, study.units)
    too = ".text" if found[0].code == "too_heavy" else ""
    yield too, {"weigh": weigh, "limit": found[0].numbers["limit"]}, ()


def _no_turn(found: Sequence[Finding], study: Study) -> Reckoned:
    # A rail is turned end for end; it cannot be turned on as it goes.
    long = study.plates[study.steps[found[0].step - 1].top].outline.long
    yield "", {"turn": "180 deg every 10 strokes" if long else "8 deg per stroke"}, ()


def _one_side(found: Sequence[Finding], study: Study) -> Reckoned:
    step, units = study.steps[found[0].step - 1], study.units
    plate, top = study.plates[step.bottom], study.plates[step.top]
    cure = "other_side" if plate.outline.long or step.carry_centre else "carry"
    if not plate.outline.long and step.walk.angle == 0.0:
        cure = "walk"
    fields: Fields = {
        "plates": joined(_plates(found)),
        "aside": found[0].numbers["aside"],
        "small": top.land_area < 0.5 * plate.land_area,
        "or_else": say(f"finding.one_side.or_else.{cure}", units),
    }
    yield ".text", fields, ()


def _cuts_not(found: Sequence[Finding], study: Study) -> Reckoned:
    """Of which material each face is, and what cuts it."""
    kind = study.steps[found[0].step - 1].grit.abrasive or ""
    for one in found:
        material = study.plates[one.plate or ""].material
        fields: Fields = {
            "plate": WHOSE,
            "kind": kind,
            "material": material.name,
            "hardly": one.numbers.get("left", 0.0) > NOT,
            "cut": joined(cutting(material), "or"),
            "first": cutting(material)[0],
            "several": len(cutting(material)) > 1,
            "more": len(cutting(material)) > 1,
        }
        yield "", fields, _plates([one])


def _takes_up(found: Sequence[Finding], study: Study) -> Reckoned:
    step = study.steps[found[0].step - 1]
    for one in found:
        other = step.bottom if one.plate == step.top else step.top
        material = study.plates[one.plate or ""].material.name
        both = study.plates[other].material.name in SOFT
        yield "", {"plate": one.plate or "", "other": other, "material": material, "both": both}, ()


def _pits(found: Sequence[Finding], study: Study) -> Reckoned:
    spread = spread_of([study.steps[found[0].step - 1]])
    for one in found:
        off = one.numbers["removed"]
        fields: Fields = {"plate": WHOSE, **one.numbers, "low": off / spread, "high": off * spread}
        yield "", fields, _plates([one])


def _pits_left(found: Sequence[Finding], study: Study) -> Reckoned:
    for one in found:
        some = one.numbers["removed"] >= NOTHING
        yield "", {"plate": WHOSE, "some": some, **one.numbers}, _plates([one])


def _best_passed(found: Sequence[Finding], study: Study) -> Reckoned:
    for one in found:
        doubt = doubt_on(study, one.plate or "", study.steps[one.step - 1].grit.size)
        fields: Fields = {
            "plate": one.plate or "",
            "after": Units.rubbing(one.numbers["time"], spread_of(study.steps)),
            "rough": study.units.finer(one.numbers["flatness"], doubt),
        }
        yield "", {**one.numbers, **fields}, ()


def _liquid(found: Sequence[Finding], study: Study) -> Reckoned:
    liquid = study.steps[found[0].step - 1].liquid.removeprefix("flooded with ")
    numbers = found[0].numbers
    yield "", {**numbers, "with": liquid, "grooved": bool(numbers["grooved"])}, ()


def _bending(found: Sequence[Finding], study: Study) -> Reckoned:
    bend = _each("bending.each", found, study.units, whose=True)
    fields: Fields = {"bend": bend, "squeeze": found[0].numbers["squeeze"]}
    yield ".text", fields, _plates(found) if WHOSE in bend else ()


def _heat(found: Sequence[Finding], study: Study) -> Reckoned:
    each = _each("heat.each", found, study.units)
    yield ".text", {"power": found[0].numbers["power"], "each": each}, ()


def _wait(found: Sequence[Finding], study: Study) -> Reckoned:
    names = _plates(found)
    low, high = (
        min(one.numbers["least"] for one in found),
        max(one.numbers["most"] for one in found),
    )
    wait: Fields = {"low": max(low / 3600.0, 0.1), "high": high / 3600.0}
    key = "wait.hours"
    if high < 5400.0:  # in round figures
        wait = {"low": max(5, 5 * round(low / 300.0)), "high": max(10, 5 * round(high / 300.0))}
        key = "wait.minutes"
    several = len(names) > 1
    fields: Fields = {
        "names": joined(names),
        "several": several,
        "warmer": max(one.numbers["warmer"] for one in found),
        "thicker": max(one.numbers["thicker"] for one in found),
        "wait": finding_text(key, study.units, wait),
        "compare": several
        and study.batch is None
        and not any(study.plates[name].outline.long for name in names),
    }
    yield ".text", fields, ()


RECKONED: Mapping[str, Callable[[Sequence[Finding], Study], Reckoned]] = {
    "overhang": _overhang,
    "too_heavy": _heavy,
    "heavy": _heavy,
    "pits_left": _pits_left,
    "liquid": _liquid,
    "no_turn": _no_turn,
    "one_side": _one_side,
    "cuts_not": _cuts_not,
    "which_abrasive": _cuts_not,
    "not_held": _cuts_not,
    "takes_up": _takes_up,
    "pits": _pits,
    "best_passed": _best_passed,
    "bending": _bending,
    "bends": _bending,
    "heat": _heat,
    "wait": _wait,
}
