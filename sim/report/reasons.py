"""Sentences on why a stroke does what it does: what it leaves alone, takes out, makes, and where it lifts.

Pure functions of a `Reason`; sizes in the study's units; words as in `sim.report.words`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sim.lapping.kept import kept
from sim.modes.deviation import Deviation
from sim.modes.named import Named
from sim.modes.reason import Reason
from sim.plate.measure import EdgeMargin
from sim.report import words
from sim.report.beforehand import fine, stays
from sim.study.say import say_time

__all__ = [
    "Goes",
    "alone",
    "goes",
    "halves",
    "keeps",
    "leaves_alone",
    "lifting",
    "makes",
    "standing_forms",
    "staying",
    "takes_out",
    "title",
]

ALIKE = 1.15  # errors that are halved by amounts of metal nearer than this are told together
STAYS = 0.5  # share of an error that is left for ever, from which it counts as staying
TRACE = 0.02  # share left for ever that is not worth a word
LITTLE = 0.02  # um of form for each um removed: less is nothing to speak of

TITLES = {
    "domes": "both domed, or both hollow",
    "dome in dish": "a dome in a dish",
    "saddles": "both high at 3 and 9, or both at 12 and 6",
    "saddle in saddle": "high at 3 and 9 on high at 12 and 6",
    "twists": "the same twist in both",
    "opposite twists": "opposite twists",
    "bows": "both bowed the same way",
    "bow in bow": "a bow in a hollow of the same curve",
    "crowns": "both crowned the same way",
    "crown in crown": "a crown in a hollow of the same curve",
    "winds": "the same wind in both",
    "opposite winds": "opposite winds",
    "zone": "a ring standing proud",
    "three lobes": "three lobes",
    "ridges along": "ridges along the stroke",
    "ridges across": "ridges across the stroke",
}
# Two errors that go together are told in one word.
TOGETHER = (
    (("saddles", "saddle in saddle"), "high at 3 and 9, or at 12 and 6"),
    (("twists", "opposite twists"), "twist"),
    (("winds", "opposite winds"), "wind"),
    (("ridges along", "ridges across"), "ridges"),
)
ONE_FACE = ("zone", "three lobes", "ridges along", "ridges across")


@dataclass(frozen=True)
class Goes:
    """Errors that go together: the least and most metal [m] and time [s] that halve them."""

    errors: tuple[Named, ...]
    removed: tuple[float, float]
    time: tuple[float, float]


def title(error: Named, reason: Reason) -> str:
    """What an error is called."""
    turned = (
        " (as first laid on)" if error.name in ("ridges along", "ridges across") and _turns(reason) else ""
    )
    whose = f" on {reason.step.bottom}" if error.name in ONE_FACE else ""
    return TITLES[error.name] + whose + turned


def _turns(reason: Reason) -> bool:
    return reason.step.turn.angle != 0.0 or reason.step.walk.angle != 0.0


def goes(reason: Reason) -> list[Goes]:
    """Errors that a stroke takes out, those that need little metal first."""
    dying = [e for e in reason.named if e.half_life is not None and e.stays < STAYS]
    dying.sort(key=lambda e: e.half_life or 0.0)
    groups: list[list[Named]] = []
    for error in dying:
        if groups and (error.half_life or 0.0) <= ALIKE * (groups[-1][0].half_life or 0.0):
            groups[-1].append(error)
        else:
            groups.append([error])
    out = []
    for group in groups:
        times = group[0].half_life or 0.0, group[-1].half_life or 0.0
        out.append(Goes(tuple(group), (times[0] * reason.removal, times[1] * reason.removal), times))
    return out


def alone(error: Named, reason: Reason) -> Goes:
    """One error that goes, by itself."""
    time = error.half_life or 0.0
    return Goes((error,), (time * reason.removal,) * 2, (time, time))


def staying(reason: Reason) -> list[Named]:
    """Named errors that a stroke leaves alone, wholly or for the larger part."""
    return [e for e in reason.named if e.stays >= STAYS]


def leaves_alone(reason: Reason, units: str) -> list[str]:
    """What a stroke leaves alone, why, and what would take it out."""
    step, number = reason.step, reason.spectrum.survivors
    if number == 0:
        return ["nothing: whatever is on the faces goes, or is carried by neither"]
    long = all(face.plate.outline.long for face in reason.faces)
    said = [stays(kept(step), step, long)]
    looked = sum(face.size for face in reason.faces) - 6
    fits = "fits" if number == 1 else "fit"
    said.append(f"{number} of the {looked} shapes looked at {fits} at every place of this stroke")
    slow = len(reason.spectrum.slow)
    if slow:
        first = reason.spectrum.slow[0]
        metal = _off(first.half_removed, units)
        said.append(
            f"{_count(slow)} more {'goes' if slow == 1 else 'go'} so slowly that it hardly counts: {metal}"
        )
    cure = _cure(reason, long)
    return [*said, cure] if cure else said


def _count(number: int) -> str:
    return "one" if number == 1 else str(number)


def _off(removed: float | None, units: str) -> str:
    if removed is None or not math.isfinite(removed):
        return "never halved"
    return f"halved only after {words.size(removed, units)} removed"


def _cure(reason: Reason, long: bool) -> str:
    """What takes out the errors that stay, beside a dome in a dish."""
    step, number = reason.step, reason.spectrum.survivors
    dome = "bow and crown" if long else "a dome against a dish"
    swap = f"{dome} goes by who lies on top and for how long, nothing else: keep the domed one on top longer"
    if number <= 1:
        return swap
    if long:
        return (
            "a rail cannot be turned a quarter: lap each against a third one, or on a round plate "
            "that turns, to take out the wind"
        )
    turn = 'turn = "90 deg every 10 strokes"' if step.turn.angle else 'turn = "8 deg per stroke"'
    return f"a quarter turn of the top every few strokes takes out the rest: {turn}; {swap}"


def takes_out(reason: Reason, units: str, weighed: bool) -> list[tuple[str, str]]:
    """Rows: what goes, and how much metal and how many minutes halve it."""
    rows = []
    for group in goes(reason):
        rows.append(("; ".join(_names(group.errors, reason)), halves(group, units, weighed)))
    return rows


def _names(errors: Sequence[Named], reason: Reason) -> list[str]:
    """Titles of errors, two that go together in one."""
    there = {e.name: e for e in errors}
    out = []
    for error in errors:
        for pair, both in TOGETHER:
            if error.name in pair and all(name in there for name in pair):
                if error.name == next(e.name for e in errors if e.name in pair):
                    out.append(both)
                break
        else:
            out.append(title(error, reason) + _part(error))
    return out


def _part(error: Named) -> str:
    return f" (all but {words.two(100.0 * error.stays)} % of it)" if error.stays > TRACE else ""


def halves(group: Goes, units: str, weighed: bool) -> str:
    """How much metal, and how many minutes with their band, halve a group of errors."""
    depth = _span([words.size(v, units) for v in group.removed])
    spread = words.SCATTER if weighed else words.BAND
    return f"halves every {depth} removed ({_time(group.time[1], spread)})"


def _time(seconds: float, spread: float) -> str:
    unit, value = ("h", seconds / 3600.0) if seconds > 6000.0 else ("min", seconds / 60.0)
    return f"about {words.two(value)} {unit}, {words.two(value / spread)} to {words.two(value * spread)}"


def _span(texts: Sequence[str]) -> str:
    low, high = texts[0], texts[-1]
    if low == high:
        return low
    if low.split()[1] == high.split()[1]:
        return f"{low.split()[0]} to {high}"
    return f"{low} to {high}"


def makes(reason: Reason, units: str, margin: EdgeMargin) -> list[str]:
    """What a stroke makes for each depth removed and in an hour, beside the law of moments."""
    if reason.removal <= 0.0:
        return ["nothing: nothing rubs"]
    depth, said_depth = (1e-6, "1 um") if units == "metric" else (40 * 25.4e-9, "40 uin")
    drift = reason.forms(reason.spectrum.drift, margin)
    per = {name: {k: v / reason.removal * depth for k, v in forms.items()} for name, forms in drift.items()}
    told = [
        f"{name} {_grown(forms, units)}"
        for name, forms in per.items()
        if any(abs(v) >= LITTLE * depth for v in forms.values())
    ]
    if not told:
        return [f"nothing to speak of: what stays is left as it is{_law(reason)}"]
    hour = reason.removal * 3600.0
    weighed = reason.step.grit.wear.observed is not None
    spread = words.SCATTER if weighed else words.BAND
    off = f"{words.size(hour, units)} ({_band(hour, spread, units)})"
    lead = f"for each {said_depth} removed, once they have bedded in: {'; '.join(told)}"
    return [f"{lead}{_law(reason)}", f"an hour takes off about {off}, so that many times this"]


def _band(depth: float, spread: float, units: str) -> str:
    return f"{words.size(depth / spread, units)} to {words.size(depth * spread, units)}"


def _grown(forms: dict[str, float], units: str) -> str:
    # Dome or bow first, whatever the size of the others.
    parts = sorted(forms.items(), key=lambda item: item[0] not in ("sphere", "bow"))
    least = max(abs(v) for v in forms.values()) * 0.05
    out = []
    for key, value in parts:
        if abs(value) < least:
            continue
        size = words.size(value, units)
        if key == "sphere":
            out.append(f"goes {'domed' if value > 0.0 else 'hollow'} by {size}")
        else:
            out.append(words.part_words(key, value, units))
    return " and ".join(out)


def _law(reason: Reason) -> str:
    law = reason.law
    if law is None or float(np.abs(law.exact).max()) == 0.0:
        return ""
    off = law.error
    if off < 5e-4:
        return " (the law of moments, which holds whatever the faces look like, says the same to 0.1 %)"
    by = words.two(100.0 * off)
    return f" (the law of moments, which holds whatever the faces look like, differs by {by} %)"


def standing_forms(forms: Mapping[str, float], units: str) -> str:
    """The larger of the forms [m] of a face, in words."""
    least = max(0.2 * max(map(abs, forms.values()), default=0.0), words.NOTHING)
    told = [
        words.part_words(key, value, units)
        for key, value in sorted(forms.items(), key=lambda item: -abs(item[1]))
        if abs(value) >= least
    ]
    return ", ".join(told) if told else "nothing to speak of"


def keeps(reason: Reason, units: str, margin: EdgeMargin) -> list[str]:
    """The mark of the layer that both plates keep, and that laying one on the other does not show."""
    left = reason.forms(reason.spectrum.residue, margin)
    finest = 0.1 * reason.step.grit.size
    rough = any(words.NOTHING <= abs(v) < finest for forms in left.values() for v in forms.values())
    parts = [f"{name} {standing_forms(forms, units)}" for name, forms in left.items()]
    remark = f" ({words.REMARK})" if rough else ""
    return [
        f"the mark of the grit layer, however long you go on: {'; '.join(parts)}{remark}. Laid on each other "
        "they show nothing of it. A shorter stroke, a finer grit or less load leaves less"
    ]


def lifting(reason: Reason, away: Deviation | None, units: str) -> list[str]:
    """Whether the top lifts, where in the stroke, what share of the time, and how far this then holds."""
    come, bedded = reason.lifts
    if reason.lift_share <= 0.0:
        return ["nothing lifts, so all of this holds"]
    said = []
    for state, when in ((come, "as the plates come"), (bedded, "once they have bedded in")):
        if state.share <= 0.0:
            said.append(f"{when} nothing lifts")
        elif state.share >= 1.0:
            said.append(f"{when} part of {reason.step.top} lifts everywhere in the stroke")
        else:
            said.append(
                f"{when} part of {reason.step.top} lifts in {words.two(100.0 * state.share)} % of the places "
                f"in the stroke{_where(state.phases)}"
            )
    return ["; ".join(said), *_holds(reason, away, units)]


def _holds(reason: Reason, away: Deviation | None, units: str) -> list[str]:
    """How far the picture, which knows no lifting, is off: measured by lapping the step in full."""
    if away is None:
        return []
    if away.trouble:
        return [f"lapped in full it does not come to an end ({away.trouble}), so none of this holds"]
    spell = say_time(away.time, 2)
    worst = away.largest
    rough = fine(worst, reason.step)
    size = max((abs(v) for f in away.lapped.values() for v in f.values()), default=0.0)
    if worst < max(words.NOTHING, 0.02 * size):
        return [
            f"all of this leaves lifting out; lapped in full for {spell} it holds to "
            f"{words.size(worst, units)}{rough}"
        ]
    return [
        f"all of this leaves lifting out; lapped in full for {spell}, the faces come out "
        f"{words.size(worst, units)} away from it at most{rough}: trust `lapwright run` for sizes"
    ]


def _where(phases: np.ndarray) -> str:
    if phases.size == 0:
        return ""
    degrees = np.degrees(phases) % 360.0
    low, high = float(degrees.min()), float(degrees.max())
    if high - low > 300.0:
        return ""
    return f" (from {low:.0f} to {high:.0f} degrees of it)"
