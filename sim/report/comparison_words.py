"""A comparison in words and as JSON: the order, what it goes by, which is best and whether that is sure."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sim.planning.comparison import Comparison
from sim.planning.draws import drawn_in_words
from sim.planning.members import said, short
from sim.planning.summary import Summary
from sim.report import words
from sim.study.model import Tune

__all__ = ["Row", "as_json", "headline", "how_sure", "in_words", "makes", "ranked_by", "rows", "weighed"]

SHOWN = 20  # rows on a screen
FORM_WORDS = {"dome": "dome or dish", "difference": "difference of the domes", "mating": "misfit of the pair"}


@dataclass(frozen=True)
class Row:
    """One member of the table, in words.

    `rank` from 1, or "" for one that did not come to its end; `plates`: each plate's face; `changed`: what
    was changed, "" where the name says it already.
    """

    index: int
    rank: str
    name: str
    changed: str
    plates: Mapping[str, str]
    flat: str
    removed: str
    minutes: str
    lifts: str
    trouble: str
    sure: str


def weighed(got: Comparison) -> bool:
    """True when every grit's wear was seen, not assumed."""
    steps = [step for member in got.members if member.study is not None for step in member.study.steps]
    return bool(steps) and all(step.grit.wear.observed is not None for step in steps)


def ranked_by(got: Comparison) -> str:
    """What members are put in order by, in one phrase."""
    goal = got.criterion.goal
    if goal is None:
        return "flatness of the worst plate at the end; where that is alike, less metal removed"
    return f"the goal of the study: {_goal(goal, got.study.units)}"


def _goal(goal: Tune, units: str) -> str:
    reach = [f"{FORM_WORDS.get(form, form)} {words.size(limit, units)}" for form, limit in goal.reach.items()]
    kept = [
        f"{name} keeps its {words.joined([FORM_WORDS.get(f, f) for f in forms])}"
        for name, forms in goal.keep.items()
    ]
    cost = "less metal" if goal.least == "removed" else "less time"
    return f"{words.joined([*reach, *kept])} at most; of those that reach it, {cost}"


def margin(got: Comparison) -> str:
    """What the figures leave out at the edge."""
    ended = [e for s in got.nominal for e in s.plates.values()]
    sizes = sorted({words.length(e.margin, got.study.units) for e in ended})
    if all(e.margin == 0.0 for e in ended):
        return "Figures go to the very edge."
    return f"Left out of these figures round the edge: {words.joined(sizes)}."


# --- the best ----------------------------------------------------------------------------------


def headline(got: Comparison) -> str:
    """Which is best, by how much, and whether that is more than the program knows."""
    if not got.done:
        return "None of them came to its end."
    best = got.done[0]
    summary = got.nominal[best]
    if got.criterion.goal is not None:
        lead = _reached(got, best)
    else:
        lead = f"Best: {got.members[best].name}. {_flat(got, summary)} at the end"
    if len(got.done) < 2:
        return f"{lead}. Nothing else came to its end to set beside it."
    return f"{lead}{_beside(got, best, got.done[1])}"


def _flat(got: Comparison, summary: Summary) -> str:
    figure = max((e.forms.get("flatness") or 0.0 for e in summary.plates.values()), default=0.0)
    worst = got.criterion.worst_plate(summary)
    if len(summary.plates) < 2:
        return f"{worst} is flat within {words.size(figure, got.study.units)}"
    return f"The worse plate, {worst}, is flat within {words.size(figure, got.study.units)}"


def _reached(got: Comparison, best: int) -> str:
    summary, name = got.nominal[best], got.members[best].name
    share = got.criterion.figure(summary)
    if share <= 1.0:
        return f"Best: {name}, which reaches the goal. {_flat(got, summary)}"
    far = f"{words.two(share)} times what is allowed"
    return f"None reaches the goal. Nearest: {name}, {far}. {_flat(got, summary)}"


def _beside(got: Comparison, best: int, second: int) -> str:
    """The best beside the next one."""
    units, known, name = got.study.units, got.known(best, second), got.members[second].name
    figures = [
        max(e.forms.get("flatness") or 0.0 for e in got.nominal[i].plates.values()) for i in (best, second)
    ]
    if known.lost:
        told = f", and so is that of {name} to within {words.size(max(figures[1], 0.0), units)}"
        return f"{told}. Both are flat to the finish: {words.REMARK}, so take whichever is less work."
    which = "better" if figures[1] >= figures[0] else "worse"
    apart = f", {words.size(known.apart, units)} {which} than the next, {name}"
    if known.apart <= words.NOTHING:
        apart = f", as flat as the next, {name}"
    return f"{apart}. {_sure(got, best, second)}"


def _sure(got: Comparison, best: int, second: int) -> str:
    units, known = got.study.units, got.known(best, second)
    if got.samples:
        wins, of = got.wins(best, second)
        if of:
            verdict = (
                "that is sure enough" if wins >= 0.95 * of else "likely" if wins >= 0.8 * of else "not sure"
            )
            return f"It is the better of the two in {wins:.0f} of {of} draws of what is not known: {verdict}."
    if known.apart <= known.sampling:
        return (
            f"That is no more than the program's own error ({words.size(known.sampling, units)}): "
            "take them as alike."
        )
    if known.apart <= known.squeeze:
        return (
            f"That is more than the program's own error ({words.size(known.sampling, units)}) but less than "
            f"the grit layer gives ({words.size(known.squeeze, units)}), which is a guess: be ready to find "
            "them alike at the bench."
        )
    return (
        f"That is more than the program's own error ({words.size(known.sampling, units)}) and stands clear."
    )


# --- the table ---------------------------------------------------------------------------------


def rows(got: Comparison) -> list[Row]:
    """Every member, best first."""
    return [_row(got, i, rank) for rank, i in enumerate(got.order, 1)]


def _row(got: Comparison, i: int, rank: int) -> Row:
    member, summary, units = got.members[i], got.nominal[i], got.study.units
    changes = ", ".join(f"{short(key)} {said(value)}" for key, value in member.changes.items())
    if member.step is not None and len(got.study.steps) > 1:
        changes = f"step {member.step}: {changes}"
    flat = max((e.forms.get("flatness") or 0.0 for e in summary.plates.values()), default=0.0)
    return Row(
        index=i,
        rank=str(rank) if summary.done else "",
        name=member.name,
        changed="" if changes == member.name else changes,
        plates={name: _face(got, i, name) for name in summary.plates},
        flat=_from_to(got.band(i, (got.criterion.worst_plate(summary), "flatness")), flat, units),
        removed=_from_to(got.band(i, ("removed",)), summary.removed, units),
        minutes=_minutes(summary, weighed(got)),
        lifts=_lifts(summary),
        trouble=" ".join((summary.trouble or "").split()),
        sure=_in_draws(got, i),
    )


def _face(got: Comparison, i: int, name: str) -> str:
    study, ended = got.members[i].study, got.nominal[i].plates[name]
    grits = [s.grit.size for s in study.steps if name in (s.top, s.bottom)] if study is not None else []
    units = got.study.units
    told = words.face(ended.forms, 0.1 * grits[-1] if grits else None, units)
    lead = "bow" if ended.forms.get("bow") is not None else "sphere"
    band = got.band(i, (name, lead))
    return told if band is None else f"{told} ({_span(lead, band, units)})"


def _span(key: str, band: tuple[float, float], units: str) -> str:
    """From where to where a dome or a bow lies, in words."""
    names = ("dome", "dish") if key == "sphere" else ("bow high", "bow hollow")
    low, high = band
    if low * high >= 0.0:
        ends = sorted((abs(low), abs(high)))
        name = names[0] if high > 0.0 else names[1]
        return f"{name} from {words.size(ends[0], units)} to {words.size(ends[1], units)}"
    return f"from {names[1]} {words.size(low, units)} to {names[0]} {words.size(high, units)}"


def _from_to(band: tuple[float, float] | None, value: float, units: str) -> str:
    if band is None:
        return words.size(value, units)
    return f"{words.size(value, units)} (from {words.size(band[0], units)} to {words.size(band[1], units)})"


def _minutes(summary: Summary, known: bool) -> str:
    """Say "about 40 min (13 to 130)"; why there is a band is said once, below the table."""
    told = (
        words.minutes(summary.time, known)
        .removesuffix(" until you weigh a plate")
        .removesuffix(" as wear scatters")
    )
    head, _, band = told.partition(", ")
    return f"{head} ({band})" if band else head


def _lifts(summary: Summary) -> str:
    share = summary.lift_share
    return (
        "no"
        if share <= 0.0
        else "yes, a trace"
        if share < 0.01
        else f"yes, {words.two(100 * share)} % of the time"
    )


def _in_draws(got: Comparison, i: int) -> str:
    if not got.samples:
        return ""
    told = f"best in {got.best_in(i)} of {got.samples}"
    bad = got.ended_badly(i)
    return f"{told}, does not end in {bad}" if bad else told


# --- what each makes ---------------------------------------------------------------------------


def makes(got: Comparison, i: int) -> list[str]:
    """What the strokes of a member make, step by step, as far as it can be told beforehand."""
    study, units = got.members[i].study, got.study.units
    lines = []
    if study is None:
        return []
    for number, (step, look) in enumerate(zip(study.steps, got.ahead[i], strict=False), 1):
        parts = []
        if look.half_difference is None:
            parts.append("how the domes part is not told by a law here")
        elif abs(look.half_difference) < words.NOTHING:
            parts.append("makes neither plate more domed than the other")
        else:
            domed, hollow = (step.bottom, step.top) if look.half_difference > 0.0 else (step.top, step.bottom)
            parts.append(
                f"makes {domed} domed and {hollow} hollow, by {words.size(look.half_difference, units)} each "
                "beside what they share"
            )
        parts.append(
            f"leaves a dish of up to {words.size(look.squeeze, units)} in both (the grit layer gives that much)"
        )
        if look.lifts:
            parts.append("the top lifts over the rim")
        head = f"Step {number}: " if len(study.steps) > 1 else ""
        lines.append(f"{head}{'; '.join(parts)}.")
    return lines


def how_sure(got: Comparison) -> list[str]:
    """What was assumed, and how sure the order is."""
    units = got.study.units
    lines = []
    if not weighed(got):
        lines.append(
            "How fast the grit cuts is a guess, known to a band of ten, until you weigh a plate; "
            "what shape comes after how much metal is firm."
        )
    squeezes = [got.squeeze(i) for i in got.done]
    if any(squeezes):
        lines.append(
            f"How far the grit layer gives ({words.size(max(squeezes), units)} at most here) is a guess too, "
            "within 0.4 to 3 times: what both plates keep of dish goes with it."
        )
    if got.cells is not None:
        lines.append(
            f"You asked for coarser plates, {got.cells} cells across: read small differences with care."
        )
    if got.samples:
        studies = tuple(m.study for m in got.members if m.study is not None)
        floor = words.size(got.tolerance.floor, units) if got.tolerance.floor else "nothing"
        lines.append(
            f"Drawn {got.samples} times, the same draws for every way (seed {got.study.seed}); "
            "from .. to .. holds nine in ten of them."
        )
        lines += drawn_in_words(studies, got.tolerance, floor)
    else:
        lines.append("--samples 100 draws what is not known and says how sure the order is.")
    return lines


# --- screens and JSON --------------------------------------------------------------------------


def in_words(got: Comparison) -> list[str]:
    """What a person reads on the screen."""
    lines = [got.study.title, "", *textwrap.wrap(headline(got), 100), ""]
    lines += textwrap.wrap(f"Best first, by {ranked_by(got)}:", 100)
    table = rows(got)
    shown = table if len(table) <= SHOWN else table[: SHOWN - 1]
    for row in shown:
        lines += ["", *_told(row)]
    if len(shown) < len(table):
        lines += ["", f"... and {len(table) - len(shown)} more: compare.csv has them all."]
    lines += ["", margin(got), *how_sure(got)]
    return lines


def _told(row: Row) -> list[str]:
    head = f"{row.rank or '-':>3}  {row.name}"
    if row.changed:
        head += f"  ({row.changed})"
    if row.trouble:
        return [head, f"     did not come to its end: {row.trouble}"]
    lines = [head, f"     worst flat within {row.flat}; off {row.removed}; {row.minutes}; lifts: {row.lifts}"]
    lines.append("     " + "; ".join(f"{name}: {face}" for name, face in row.plates.items()))
    if row.sure:
        lines.append(f"     {row.sure}")
    return lines


def as_json(got: Comparison) -> dict[str, Any]:
    """The answer of `compare --json`, SI throughout, members best first."""
    answer: dict[str, Any] = {
        "study": got.study.stem,
        "ranking_by": ranked_by(got),
        "members": [_member(got, i, rank) for rank, i in enumerate(got.order, 1)],
    }
    if got.cells is not None:
        answer["cells"] = got.cells
    if len(got.done) > 1:
        known = got.known(*got.done[:2])
        answer["best"] = {
            "name": got.members[got.done[0]].name,
            "apart": known.apart,
            "sampling": known.sampling,
            "squeeze": known.squeeze,
        }
    if got.samples:
        answer["samples"] = got.samples
        if len(got.done) > 1:
            answer["best"]["wins"] = got.wins(*got.done[:2])[0]
    return answer


def _member(got: Comparison, i: int, rank: int) -> dict[str, Any]:
    member, summary = got.members[i], got.nominal[i]
    out: dict[str, Any] = {
        "name": member.name,
        "step": member.step,
        "set": dict(member.changes),
        "rank": rank if summary.done else None,
        "outcome": summary.outcome,
        "plates": {
            name: {
                **ended.forms,
                "removed": ended.removed,
                "edge_margin": ended.margin,
                "margin0": dict(ended.forms_margin0),
            }
            for name, ended in summary.plates.items()
        },
        "time": summary.time,
        "removed": summary.removed,
        "lift_share": summary.lift_share,
        "sampling": summary.sampling,
    }
    if summary.trouble is not None:
        out["error"] = {"code": summary.code, "key": None, "message": summary.trouble}
    if got.samples:
        out["bands"] = {
            "time": got.band(i, ("time",)),
            "removed": got.band(i, ("removed",)),
            "plates": {
                name: {key: got.band(i, (name, key)) for key in (*ended.forms, "removed")}
                for name, ended in summary.plates.items()
            },
        }
        out["best_in"], out["did_not_end"] = got.best_in(i), got.ended_badly(i)
    return out


def listed_rows(table: Sequence[Row], most: int) -> tuple[Sequence[Row], int]:
    """The first `most` rows, and how many are left out."""
    return table[:most], max(0, len(table) - most)
