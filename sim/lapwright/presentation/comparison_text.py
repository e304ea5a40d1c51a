"""A comparison in words, with how sure it is."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from lapwright.kinematics.schedule import spread_of
from lapwright.limits import BAND
from lapwright.optimisation.cases import drawn_in_words, spoken, step_of
from lapwright.optimisation.comparison import Comparison, verdict
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.summary import Summary
from lapwright.presentation import words
from lapwright.presentation.tuning_notes import asked_for, label, time_share, worst
from lapwright.presentation.words import MARK, marked_face, say, with_bands
from lapwright.results.answer import wrapped
from lapwright.study.doubts import doubt_at_end
from lapwright.units import Units, joined

SHOWN = 20  # rows on a screen
MOST_BEYOND = 6  # figures beyond their own draws that are named
MARKED = f"{MARK} {words.REMARK}."
# How a sentence begins that says how far the best is from the next, where a goal decides.
LEADS = {
    "both": "It is nearer the goal by",
    "first": "It reaches the goal by",
    "second": "The next misses the goal by",
}

PART = re.compile(r"( \d+)?")  # what follows its kind in the name of a part
Told = tuple[str, str]  # what came out, and its band ("" when there is none)


@dataclass(frozen=True)
class Row:
    """One member of the table, in words.

    `rank` from 1, or "" for one that did not come to its end; `plates`: each plate's face; `changed`: what
    was changed, "" where the name says it already; `then`: the worst flatness where all are judged, ""
    where that is at the end, and `comes`: whether it comes there; `goal`: whether it is reached, "" where
    there is none.
    """

    index: int
    rank: str
    name: str
    changed: str
    plates: Mapping[str, Told]
    then: str
    comes: bool
    flat: Told
    removed: Told
    minutes: Told
    goal: str
    lifts: str
    trouble: str
    sure: str


def spread(got: Comparison) -> float:
    """What the members take off is known to times or divided by this."""
    return spread_of(
        step for member in got.members if member.study is not None for step in member.study.steps
    )


def ranked_by(got: Comparison) -> str:
    """What members are put in order by, in one phrase."""
    if got.criterion.goal is None and got.study.batch is not None:
        return "flatness of the worst part; where that is alike, the flatter plate in the end"
    if got.criterion.goal is None:
        if got.judged.metal is not None:
            return say("compare.by.same", at=judged_at(got))
        return say("compare.by.flat", at=judged_at(got))
    if got.study.batch is not None:
        goal = asked_for(got.criterion.asked, got.study.units)
        return (
            f"parts out of the goal ({goal}); then the worst part, then how flat the plate is left"
        )
    cost = "less metal" if got.criterion.least == "removed" else "less time"
    goal = asked_for(got.criterion.asked, got.study.units)
    if got.judged.metal is not None:
        return f"the goal of the study: {goal}; nearest first, {judged_at(got)}"
    return f"the goal of the study: {goal}; of those that reach it, {cost}"


def judged_at(got: Comparison) -> str:
    """Where the ways are judged, in a few words: "at the end", "with 3.1 um off"."""
    metal = got.judged.metal
    return "at the end" if metal is None else say("compare.at", got.study.units, metal=metal)


def judged(got: Comparison) -> str:
    """Where the ways are judged, and why there, in a sentence."""
    found, units = got.judged, got.study.units
    member = "" if found.of is None else got.members[found.of].name
    if found.metal is not None:
        return say(f"compare.metal.{found.why}", units, metal=found.metal, member=member)
    return say(f"compare.ends.{found.why}", units, metal=found.typed or 0.0, member=member)


def margin(got: Comparison) -> str:
    """What the figures leave out at the edge."""
    ended = [e for s in got.nominal for e in s.plates.values()]
    sizes = sorted({got.study.units.length(e.margin) for e in ended})
    if all(e.margin == 0.0 for e in ended):
        return "Figures go to the very edge."
    return f"Left out of these figures round the edge: {joined(sizes)}."


def left_out(got: Comparison) -> str:
    """That the study as it stands was not lapped, where it is none of its own variants; else ""."""
    if not got.study.variants or any(not one.changes for one in got.members):
        return ""
    return say("compare.left_out")


# --- the best ----------------------------------------------------------------------------------


def headline(got: Comparison) -> str:
    """Which is best, by how much, and whether that is more than the program knows."""
    if not got.done:
        return "None of them came to its end."
    best = got.ranked[0]
    name, share = got.members[best].name, got.criterion.figure(got.there(best))
    flat = _flat(got, got.there(best))
    if got.criterion.goal is None:
        lead = f"{_first(got, best)}. {flat} {judged_at(got)}"
    elif share <= 1.0:
        lead = f"{_first(got, best)}, the goal {_goal_of(got, got.there(best))}. {flat}"
    else:
        far = f"{Units.times(share)} times what is allowed"
        there = "" if got.judged.metal is None else f" {judged_at(got)}"
        lead = f"None reaches the goal. Nearest: {name}, {far}{there}. {flat}"
    if len(got.members) < 2:
        return f"{name} is the only way here. {flat}. {say('compare.alone')}"
    if len(got.ranked) < 2:
        return f"{lead}. Nothing else came so far to compare with it."
    bad = [summary.trouble or "" for summary in got.draws[best] if not summary.done]
    mind = f" Mind: in {len(bad)} of {got.samples} draws the first does not come to its end"
    why = f"{mind} ({bad[0].split(' at ')[0]})." if bad else ""
    return f"{lead}{_beside(got, best, got.ranked[1])}{why}"


def _first(got: Comparison, best: int) -> str:
    """The first by name, as the best only where draws or the program's own error leave no doubt of it."""
    open_ = False
    if len(got.ranked) > 1:
        wins, of = got.wins(best, got.ranked[1])
        told = verdict(wins, of) if of else ""
        known = got.known(best, got.ranked[1])
        open_ = told in ("no_telling", "worse") or (not known.telling and told != "better")
    return say("compare.lead", name=got.members[best].name, open=open_)


def _worst(summary: Summary) -> tuple[float, str]:
    """Flatness of the worst plate, of a batch of the worst part [m], and its name."""
    if (parts := summary.parts) is not None:
        return parts.worst.get("flatness") or 0.0, parts.name
    flat = ((e.forms.get("flatness") or 0.0, name) for name, e in summary.plates.items())
    return max(flat, default=(0.0, ""))


def _flat(got: Comparison, summary: Summary) -> str:
    """How flat the worst plate is of those that are asked for; of a batch, the worst part."""
    size, goal, worst = got.study.units.size, got.criterion.goal, got.criterion.worst_plate(summary)
    if (parts := summary.parts) is not None:
        worst = f"The worst of {parts.lapped} parts, {parts.name} {parts.number['flatness']},"
        return f"{worst} is flat within {size(_worst(summary)[0])}"
    flat = size(summary.plates[worst].forms.get("flatness") or 0.0)
    asked = len(summary.plates if goal is None else goal.plates)
    if asked > 1:
        worst = f"The {'worse' if asked == 2 else 'worst'} plate, {worst},"
    return f"{worst} is flat within {flat}"


def _beside(got: Comparison, best: int, second: int) -> str:
    """The best beside the next one."""
    units, known, name = got.study.units, got.known(best, second), got.members[second].name
    shares = [got.criterion.figure(got.there(i)) for i in (best, second)]
    figures = [Criterion().figure(got.there(i)) for i in (best, second)]
    which = "better" if figures[1] >= figures[0] else "worse"
    if got.criterion.goal is not None and max(shares) <= 1.0 and not known.lost:
        told = f"; by the next, {name}, the goal is {_goal_of(got, got.there(second))}"
    elif known.lost:
        told = f", the next, {name}, within {units.size(figures[1])}"
    elif units.size(figures[0]) == units.size(figures[1]):
        told = f", as flat as the next, {name}"
    else:
        told = f", {units.size(figures[0] - figures[1])} {which} than the next, {name}"
    if known.lost and not got.samples:
        return f"{told}. Both are flat as far as a gauge can tell, so use whichever is less work."
    finish = " Both are flat as far as a gauge can tell." if known.lost else ""
    return f"{told}.{finish} {_sure(got, best, second)}"


def _sure(got: Comparison, best: int, second: int) -> str:
    units, known = got.study.units, got.known(best, second)
    wins, of = got.wins(best, second)
    if got.samples:
        if not of:
            return f"None of the {got.samples} draws of either came to its end."
        return say("compare.draws", of=of, wins=round(wins), verdict=_verdict(wins, of))
    lead = "That is" if got.criterion.goal is None else LEADS[known.of]
    alike = known.of == "both"
    own = "" if known.error is None else f"the program's own error ({units.size(known.error)})"
    if not known.telling and not (of and verdict(wins, of) == "better"):
        so = "take them as alike" if alike else "no telling whether it does"
        return f"{lead} no more than {own}: {so}."
    if of:
        # What the layer leaves is among what is drawn, and need not be told beside the odds.
        return say("compare.quick", of=of, wins=round(wins), verdict=_verdict(wins, of))
    if known.error is None:
        return (
            f"{lead} {units.size(known.apart)}; how far off the program itself may be is not known."
        )
    if known.apart <= known.squeeze:
        layer = units.size(known.squeeze)
        return f"{lead} more than {own}. {say('compare.by_layer', layer=layer)}"
    return f"{lead} more than {own} and stands clear."


def _verdict(wins: float, of: int) -> str:
    return say(f"compare.verdict.{verdict(wins, of)}")


# --- the table ---------------------------------------------------------------------------------


def rows(got: Comparison) -> list[Row]:
    """Every member, best first."""
    return [_row(got, i, rank) for rank, i in enumerate(got.order, 1)]


def _row(got: Comparison, i: int, rank: int) -> Row:
    member, summary, units = got.members[i], got.nominal[i], got.study.units
    step = step_of(got.study, member.step)
    more = {key: to for key, to in member.changes.items() if spoken({key: to}, step) != member.name}
    changes = spoken(more, step)
    if changes and member.step is not None and len(got.study.steps) > 1:
        changes = f"step {member.step}: {changes}"
    flat, worst = _worst(summary)
    fine = _mark(got, i, flat, worst)
    minutes, band = _minutes(got, i)
    share, bad = summary.lift_share, got.ended_badly(i)
    lifts = "a trace" if share < 0.01 else time_share(share)
    parts, within = summary.parts, got.all_within(i)
    told_flat, off = units.size(flat) + fine, units.size(summary.removed)
    if parts is not None:
        told_flat = f"{told_flat}, part {parts.number['flatness']}"
        off = f"{parts.on} {units.size(parts.removed)}"
    quick = "" if got.samples else " quick draws"
    sure = f"best in {got.best_in(i)} of {got.trials}{quick}" + (
        f", does not end in {bad}" if bad else ""
    )
    sure += "" if within is None else f"; all parts within the goal in {within}"
    return Row(
        index=i,
        rank=str(rank) if summary.done else "",
        name=member.name,
        changed="" if changes == member.name else changes,
        plates={name: _face(got, i, name) for name in faces_of(got, summary.plates)},
        then=_then(got, i),
        comes=got.placed[i] is not None,
        flat=(told_flat, _ends(got.flatness_band(i), units)),
        removed=(off, _ends(got.band(i, ("removed",)), units)),
        minutes=(minutes, band),
        goal=_goal_of(got, summary),
        lifts=f"yes, {lifts}" if share > 0.0 else "no",
        trouble=" ".join((summary.trouble or "").split()),
        sure=sure if got.drawn(i) else "",
    )


def _then(got: Comparison, i: int) -> str:
    """The worst flatness of a member where all are judged at the same metal; "" where at their ends."""
    then, metal, units = got.placed[i], got.judged.metal, got.study.units
    if metal is None or not got.nominal[i].done:
        return ""
    if then is None:
        return say("compare.short", units, metal=metal, off=got.nominal[i].removed)
    flat, plate = _worst(then)
    return units.size(flat) + _mark(got, i, flat, plate)


def _mark(got: Comparison, i: int, flat: float, plate: str) -> str:
    """The mark behind a flatness [m] of a plate of a member that no gauge is sure of."""
    study = got.members[i].study
    doubt = None if study is None else doubt_at_end(study, plate)
    return f" {MARK}" if got.study.units.finer(flat, doubt) else ""


def _minutes(got: Comparison, i: int) -> Told:
    """How long a member rubs, and the band of that; where drawn, as the metal then has the band, theirs."""
    time, ends = got.nominal[i].time, got.band(i, ("time",))
    if ends is None:
        # Why minutes have a band is said once, below the table.
        minutes, _, band = Units.band(time, spread(got)).partition(", ")
        return minutes, band
    low, high = (Units.time(end) for end in ends)
    return Units.spell(time), "" if low == high else f"from {low} to {high}"


def faces_of(got: Comparison, names: Iterable[str]) -> list[str]:
    """Those of plates of which the end is told: parts of a batch are told of otherwise."""
    kind = "" if got.study.batch is None else got.study.batch.part
    return [name for name in names if not kind or not PART.fullmatch(name.removeprefix(kind))]


def _goal_of(got: Comparison, summary: Summary) -> str:
    """When the goal is reached, or what misses it most; "" where there is none."""
    course = got.criterion.course(summary)
    if course is None or not summary.done:
        return ""
    if (parts := summary.parts) is not None and parts.out is not None:
        all_in = f"all {parts.lapped} parts within it"
        out = f"{parts.out} of {parts.lapped} parts out"
        far = f"the furthest {Units.times(course.share)} times what is allowed"
        return f"{out}, {far}" if parts.out else all_in if course.ok else f"{all_in}, but {far}"
    if course.reached_at is not None:
        at = course.reached_at
        return "reached as they come" if at == 0.0 else f"reached after {Units.time(at)}"
    missed = worst(got.criterion.asked, course)
    return f"missed: {label(missed)} {Units.times(course.share)} times what is allowed"


def _face(got: Comparison, i: int, name: str) -> tuple[str, str]:
    """A face at the end in words, each form marked that is below what a gauge tells; and its band."""
    ended, units = got.nominal[i].plates[name], got.study.units
    forms = {**ended.forms, **({} if got.samples else with_bands(ended.by_layer))}
    study = got.members[i].study
    doubt = None if study is None else doubt_at_end(study, name)
    told = marked_face(forms, doubt, MARK, units)
    parts = got.nominal[i].parts
    dressed = study is not None and study.batch is not None and study.batch.dress is not None
    if parts is not None and name == parts.on and dressed:
        told += f", dressed {parts.dressings} time{'s' if parts.dressings != 1 else ''}"
    lead = "bow" if ended.forms.get("bow") is not None else "sphere"
    band = got.band(i, (name, lead))
    return told, "" if band is None else _span(lead, band, units)


def _span(key: str, band: tuple[float, float], units: Units) -> str:
    """From where to where a dome or a bow lies, in words."""
    names = ("dome", "dish") if key == "sphere" else ("bow high", "bow hollow")
    (low, high), sizes = band, sorted(map(abs, band))
    if low * high >= 0.0:
        return f"{names[0 if high > 0.0 else 1]} {_ends((sizes[0], sizes[1]), units)}"
    return f"from {names[1]} {units.size(low)} to {names[0]} {units.size(high)}"


def _ends(band: tuple[float, float] | None, units: Units) -> str:
    """From where to where, in words; "" when not known."""
    return "" if band is None else f"from {units.size(band[0])} to {units.size(band[1])}"


# --- screens -----------------------------------------------------------------------------------


def in_words(got: Comparison) -> list[str]:
    """What a person reads on the screen."""
    lines = [got.study.title, "", *textwrap.wrap(headline(got), 100), ""]
    lines += textwrap.wrap(judged(got), 100)
    lines += textwrap.wrap(f"Best first, by {ranked_by(got)}:", 100)
    table = rows(got)
    shown = table if len(table) <= SHOWN else table[: SHOWN - 1]
    for row in shown:
        lines += ["", *_told(row, judged_at(got))]
    if len(shown) < len(table):
        lines += ["", f"... and {len(table) - len(shown)} more: compare.csv has them all."]
    lines += ["", *([MARKED] if marked(shown) else []), margin(got)]
    if left := left_out(got):
        lines += textwrap.wrap(left, 100)
    for told in how_sure(got):
        lines += textwrap.wrap(told, 100)
    return lines


def _told(row: Row, at: str) -> list[str]:
    head = f"{ordinal(row.rank) if row.rank else '-':>4}  {row.name}"
    if row.changed:
        head += f"  ({row.changed})"
    if row.trouble:
        return [head, *_hung(f"did not come to its end: {row.trouble}")]
    flat, off, time = (_in_brackets(told) for told in (row.flat, row.removed, row.minutes))
    faces = "; ".join(f"{name}: {_in_brackets(told)}" for name, told in row.plates.items())
    ended = f"worst flat within {flat}; off {off}; {time}; lifts: {row.lifts}"
    lines = [ended, faces]
    if row.then:
        so = say("compare.judged", at=at, flat=row.then) if row.comes else row.then
        lines = [so, f"at its end: {ended}", faces]
    lines += [f"the goal: {row.goal}" if row.goal else "", row.sure]
    return [head, *(part for line in lines if line for part in _hung(line))]


def ordinal(place: str) -> str:
    """A place as it is spoken: 1st, 2nd, 3rd, 4th, 11th."""
    teens = place[-2:-1] == "1"
    return place + ("th" if teens else {"1": "st", "2": "nd", "3": "rd"}.get(place[-1], "th"))


def _hung(text: str) -> list[str]:
    """Lines below the head of a way, those that go on further in."""
    return wrapped(text, " " * 6, " " * 8)


def _in_brackets(told: Told) -> str:
    return f"{told[0]} ({told[1]})" if told[1] else told[0]


def marked(table: Sequence[Row]) -> bool:
    """Whether anything told of a face is below what a gauge tells."""
    return any(MARK in told for row in table for told, _ in row.plates.values())


def how_sure(got: Comparison) -> list[str]:
    """What was assumed, and how sure the order is."""
    units = got.study.units
    lines = []
    if spread(got) == BAND:
        lines.append(
            "How fast the grit cuts is a guess, known to a band of ten, until you weigh a plate; "
            "what shape comes after how much metal is firm."
        )
    squeezes = [got.squeeze(i) for i in got.done[:2]]
    if any(squeezes):
        lines.append(
            f"How far the grit layer gives ({units.size(max(squeezes))} in the best here) is a guess "
            "too, within 0.4 to 3 times: what both plates keep of dish goes with it, between the two "
            "sizes behind each."
        )
    if got.cells is not None:
        lines.append(
            f"You asked for coarser plates, {got.cells} cells across: read small differences with care."
        )
    if got.samples:
        studies = tuple(m.study for m in got.members if m.study is not None)
        floor = units.size(got.tolerance.floor) if got.tolerance.floor else "nothing"
        lines.append(
            f"Drawn {got.samples} times, the same draws for every way (seed {got.study.seed}); "
            "from .. to .. holds nine in ten of them."
        )
        lines += drawn_in_words(studies, got.tolerance, floor, units)
        lines += beyond(got)
    else:
        lines += quick_in_words(got)
        lines.append(say("compare.in_full"))
    return lines


def quick_in_words(got: Comparison) -> list[str]:
    """What quick draws are, and of which ways there are none, and why."""
    lines = []
    if got.trials:
        several = sum(got.drawn(i) for i in got.done)
        lines.append(
            say("compare.quickly", of=got.trials, several=f"{several}", seed=f"{got.study.seed}")
        )
    for one, why in got.unquick.items():
        member = "" if one < 0 else got.members[one].name
        lines.append(say(f"compare.unquick.{why}", member=member))
    return lines


def beyond(got: Comparison) -> list[str]:
    """Which figures, as they stand, lie beyond nine in ten of their own draws, and why that can be."""
    found = []
    for i in got.done:
        member, summary = got.members[i].name, got.nominal[i]
        for name in faces_of(got, summary.plates):
            forms = summary.plates[name].forms
            lead = "bow" if forms.get("bow") is not None else "sphere"
            if _outside(forms.get(lead), got.band(i, (name, lead))):
                found.append(say("compare.beyond.face", plate=name, member=member))
        off = summary.removed if summary.parts is None else summary.parts.removed
        for key, value, band in (
            ("flat", _worst(summary)[0], got.flatness_band(i)),
            ("metal", off, got.band(i, ("removed",))),
            ("time", summary.time, got.band(i, ("time",))),
        ):
            if _outside(value, band):
                found.append(say(f"compare.beyond.of.{key}", member=member))
    if not found:
        return []
    told = [
        *found[:MOST_BEYOND],
        *([f"{len(found) - MOST_BEYOND} more"] if len(found) > MOST_BEYOND else []),
    ]
    why = say("compare.beyond.why", faces=joined(told), several=len(found) > 1)
    return [why[0].upper() + why[1:]]


def _outside(value: float | None, band: tuple[float, float] | None) -> bool:
    return value is not None and band is not None and not band[0] <= value <= band[1]
