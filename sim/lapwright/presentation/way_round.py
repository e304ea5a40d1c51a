"""Sentences on which plate a step makes domed, on weighing, on what strokes make.

How to learn from a balance how fast the grit cuts: which plate to weigh, and after how long.

What the strokes of a run leave alone, make and leave: the picture at degree 8, in the words of preview.

A step that says the same as one before it is told with it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlooks
from lapwright.kinematics.schedule import stays_by_weight
from lapwright.limits import limit_of
from lapwright.modal.reduced_model import DEGREE, Glance, Glances
from lapwright.presentation import words
from lapwright.presentation.beforehand import fine
from lapwright.presentation.reasons import grown
from lapwright.presentation.run_view import RunView
from lapwright.presentation.staying import leaves, remark, telling
from lapwright.specification.outline import Rectangle
from lapwright.specification.step import Step
from lapwright.units import METRIC, NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.modal.reduced_model import Glance
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Step

__all__ = ["effects", "effects_words", "makes", "weighing", "what_is_made"]


Plates = Mapping[str, "Plate"]

DOMES = ("sphere", "bow")
NEITHER = "neither clearly domed nor clearly hollow"
BALANCED = 0.04  # of the two causes, below which they are said to balance
BEDDED = 0.1  # of a dome, from which bedding in changes it to speak of
SAME = 0.05  # of a weight, from which two are told apart
ENOUGH = 1.3  # of a difference, from which a step does more than it needs


def makes(
    step: Step,
    plates: Plates,
    look: Outlook,
    units: Units = METRIC,
    *,
    as_they_come: bool = True,
    more_plates: bool = False,
    glance: Glance | None = None,
) -> list[str]:
    """Which goes hollow, which domed, by how much, and whether that is the right way round.

    Parameters
    ----------
    as_they_come
        The plates come into this step with their starting forms.
    more_plates
        Further plates are lapped by turns with these.
    glance
        What the step makes by the picture, for pairs of which no closed form tells the size.

    """
    if look.removed < NOTHING:
        return ["no change"]
    if step.swap is not None and step.swap.read is not None:
        return [
            "whichever reads more domed goes on top and loses its dome: the right way round by itself"
        ]
    half, drive = look.half_difference, look.tendency.all_round
    if half is not None:
        drive = 0.0 if abs(half) < max(NOTHING, _little(step, plates, look)) else half
    if glance is not None:
        said = what_is_made(step, plates, look, glance, units)
        if half is None:
            drive = 0.0 if said.startswith(NEITHER) else glance.half_difference(step)
            half = glance.half_difference(step) if _like(step, plates) else None
    elif half is None:
        said = _direction(step, plates, look)
        drive = 0.0 if abs(drive) < BALANCED else drive
    elif drive == 0.0:
        said = NEITHER
    else:
        domed, hollow = (step.bottom, step.top) if half > 0.0 else (step.top, step.bottom)
        size = units.size(half)
        said = f"{hollow} hollow and {domed} domed, by {size} each beside what they share{fine(half, step)}"
    if not as_they_come or any(plates[n].outline.long for n in (step.top, step.bottom)):
        return [said]
    way = _bedded(step, plates, glance, drive, units) if glance is not None else ""
    way = way or _way_round(step, plates, drive, half, units, more_plates)
    return [said, way] if way else [said]


def _little(step: Step, plates: Plates, look: Outlook) -> float:
    """A change of form that counts as none [m]: far below what a whole step on top would make."""
    reach = 6.0 * (step.curve.half_travel / plates[step.top].outline.radius) ** 2
    return max(NOTHING, 0.02 * look.removed * reach)


def what_is_made(
    step: Step, plates: Plates, look: Outlook, glance: Glance, units: Units = METRIC
) -> str:
    """What each plate gains of the pairs that stay, once they have bedded in, or by the end of the step."""
    names = (step.top, step.bottom)
    balanced = abs(look.tendency.all_round) < BALANCED and not any(
        plates[n].outline.long for n in names
    )
    made = telling(
        {n: _but_domes(glance.made[n]) if balanced else glance.made[n] for n in names}, DOMES
    )
    sizes = [abs(v) for forms in made.values() for v in forms.values()]
    if max(sizes, default=0.0) < _little(step, plates, look):
        return NEITHER
    told = "; ".join(f"{name} {grown(forms, units)}" for name, forms in made.items() if forms)
    lead = f"{NEITHER}; but " if balanced else ""
    return f"{lead}{told}, {words.BEDDED[glance.leaves_land]}{remark(made, step, units)}"


def _but_domes(forms: Mapping[str, float]) -> dict[str, float]:
    return {key: value for key, value in forms.items() if key not in DOMES}


def _direction(step: Step, plates: Plates, look: Outlook) -> str:
    """The direction in words where its size is not known beforehand."""
    way = look.tendency
    square = any(isinstance(plates[n].outline, Rectangle) for n in (step.top, step.bottom))
    if not square or step.turn.angle or step.walk.angle:
        return _one_way(step, plates, way.all_round)
    along, across = _one_way(step, plates, way.along), _one_way(step, plates, way.across)
    if along == across:
        return f"{along}, along 3-9 and along 12-6"
    return f"along 3-9 {along}; along 12-6 {across}"


def _one_way(step: Step, plates: Plates, drive: float) -> str:
    if abs(drive) < BALANCED:
        return NEITHER
    domed, hollow = (step.bottom, step.top) if drive > 0.0 else (step.top, step.bottom)
    high = "high in the middle" if plates[domed].outline.long else "domed"
    return f"{hollow} hollow and {domed} {high}"


def _curve(of: Plate) -> float:
    """Curvature of the start form [1/m] / 2, + domed."""
    return of.form.sphere / of.outline.radius**2


def _cure(step: Step, plates: Plates, domed: Plate, drive: float) -> str:
    if step.swap is not None:
        return f"keep {domed.name} on top longer"
    if _like(step, plates) and domed.name == step.bottom:
        return f"put {domed.name} on top"
    return f"{_other_stroke(drive)} turns it round"


def _like(step: Step, plates: Plates) -> bool:
    """Two of one outline, which may change places; a part never goes under its plate."""
    return plates[step.top].outline == plates[step.bottom].outline


def _swapped(step: Step, plates: Plates, longer: str = "") -> str:
    """What to write for swaps that take as much metal in either place, or more with one of them on top."""
    loads = {name: plates[name].weight + step.load.force for name in (step.top, step.bottom)}
    times = {name: Units.spell(time) for name, time in stays_by_weight(loads, longer).items()}
    if len(set(times.values())) == 1:
        return f'swap_every = "{times[step.top]}"'
    each = [f'{name} = "{times[name]}"' for name in sorted(times, key=lambda n: n != longer)]
    return f"swap_every = {{ {', '.join(each)} }}"


def _other_stroke(drive: float) -> str:
    """The stroke that drives their domes less, or the other way: travel hollows the top (the moment law)."""
    if drive > 0.0:
        return "a shorter stroke, or one that keeps further inside the edge,"
    return "a longer stroke, or one that goes further over the edge,"


def _which(more: float, less: float) -> str:
    """What tells the more domed of two faces from the other, of their curvatures."""
    if more < 0.0:
        return "the less hollow one"
    return "the domed one" if more > 0.0 >= less else "the more domed one"


def _bedded(step: Step, plates: Plates, glance: Glance, drive: float, units: Units) -> str:
    """Of unlike outlines: how far bedding in changes a dome, and whether what is made adds to what is left.

    Empty where it changes none to speak of.
    """
    starts = {name: plates[name].form.sphere for name in glance.left}
    gone = {name: abs(start - glance.left[name]["sphere"]) for name, start in starts.items()}
    name = max(gone, key=lambda n: gone[n], default="")
    if not name or gone[name] < max(NOTHING, BEDDED * max(map(abs, starts.values()))):
        return ""
    left = glance.left[name]["sphere"]
    before, after = (words.dome_or_dish(sphere, units) for sphere in (starts[name], left))
    said = f"bedding in takes {name} from {before} to {after} first{fine(left, step)}"
    if drive == 0.0 or glance.made[name]["sphere"] == 0.0:
        return said
    if left * glance.made[name]["sphere"] < 0.0:
        return f"{said}, and what is made takes from that"
    return f"{said}, and what is made adds to that: {_other_stroke(drive)} makes less of it"


def _way_round(
    step: Step, plates: Plates, drive: float, half: float | None, units: Units, more_plates: bool
) -> str:
    """Whether what the step makes is what these plates need."""
    top, bottom = plates[step.top], plates[step.bottom]
    apart = (
        _curve(bottom) - _curve(top)
    ) * top.outline.radius**2  # + the bottom is the more domed one
    if abs(apart) < NOTHING:
        if drive == 0.0:
            return ""
        if step.swap is not None:
            alike = abs(top.weight - bottom.weight) <= SAME * top.weight
            share = "equal times on top keep" if alike else "as much metal in either place keeps"
            cure = f"{share} them alike"
        elif _like(step, plates):
            cure = f"{_swapped(step, plates)} keeps them alike"
        else:
            cure = f"{_other_stroke(drive)} does less of it"
        return f"they come alike, and this parts them: {cure}"
    domed = bottom if apart > 0.0 else top
    other = top if apart > 0.0 else bottom
    one = _which(_curve(domed), _curve(other))
    if drive == 0.0:
        if step.swap is None:
            return ""
        if more_plates:
            return (
                f"so {domed.name}, {one}, stays so against {other.name}: between two, equal times on top "
                "cure nothing; lapping three by turns does"
            )
        return (
            f"so {domed.name}, {one}, stays so: equal times on top cure nothing. Keep {domed.name} on top "
            f"longer: {_swapped(step, plates, domed.name)}"
        )
    if drive * apart > 0.0:
        return f"the wrong way round: {domed.name} is already {one}; {_cure(step, plates, domed, drive)}"
    said = f"the right way round: {domed.name} is {one}"
    if half is None or not _like(step, plates):
        return said
    said += f" (they differ by {units.size(apart)}, and this takes {units.size(2.0 * half)} of it"
    if 2.0 * abs(half) > ENOUGH * abs(apart):
        return said.replace(" of it", "") + ": stop when they read alike)"
    return said + ")"


LOST, REMOVED = 'lost = "... g"', 'removed = "..."'
SPELLS = (10, 20, 30, 60, 120)  # min between two weighings


def weighing(
    plates: Mapping[str, Plate], ahead: Sequence[tuple[Step, Outlook]], units: Units = METRIC
) -> str | None:
    """Which plate to weigh, when, and where to write it; None where no wear is a guess.

    A small depth is the larger a share of what lies on the balance the lighter the plate is.
    """
    guessed = [(step, look) for step, look in ahead if step.grit.wear.observed is None]
    names = [n for n in plates if any(n in (step.top, step.bottom) for step, _ in guessed)]
    if not names:
        return None
    name = min(names, key=lambda n: plates[n].total_mass)
    look = next(look for step, look in guessed if name in (step.top, step.bottom))
    plate = plates[name]
    grams = 1e3 * plate.land_area * plate.material.density  # of each metre of depth
    rate = look.removed_from[name] / look.time
    least = limit_of("balance") * 1e3 * plate.total_mass
    spell = next((minutes for minutes in SPELLS if rate * 60.0 * minutes * grams >= least), None)
    if spell is None:
        off = rate * 60.0 * SPELLS[-1]
        return (
            f"Even {SPELLS[-1] // 60} hours take only about {units.size(off)} off {name}, "
            f"{Units.number(off * grams)} g: too little to weigh on {units.mass(plate.total_mass)}. Gauge "
            f"it instead: {_written(name, REMOVED, 60)}"
        )
    depth, said = units.depth
    lightest = ", the lightest," if len({plates[n].total_mass for n in names}) > 1 else ""
    return (
        f"{said} off {name} weighs {Units.number(depth * grams, 3)} g: weigh {name}{lightest} before and "
        f"after {spell} minutes, {_written(name, LOST, spell)}"
    )


def _written(name: str, what: str, minutes: int) -> str:
    """Where what was seen goes."""
    seen = f'wear = {{ {what}, in = "{minutes} min", plate = "{name}" }}'
    return f"write what went into the grit, such as {seen}, and the times above are yours."


MOST = 12  # different motions that are worked out


def effects(said: RunView) -> list[tuple[int, Step, Outlook, Glance | None]]:
    """Each step (from 1) as far as it was rubbed, what was known of it beforehand, and what the picture says.

    Of several rounds one is told.
    """
    study = said.study
    try:
        ahead = outlooks(study.plates, study.steps, seed=study.seed)
    except LapwrightError:
        return []
    glances = Glances(study.plates, study.seed, study.margin, degree=DEGREE, most=MOST)
    found = []
    for number, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
        share = min(1.0, said.rubbed(number) / look.time)
        if share > 0.0:
            on_top = {name: share * time for name, time in look.on_top.items()}
            rubbed = replace(look, on_top=on_top, removed=share * look.removed)
            found.append((number, step, rubbed, glances.of(step, number, rubbed)))
    return found


def effects_words(said: RunView) -> list[tuple[str, list[str]]]:
    """A title for the steps that are alike, and what they never take out, make and leave in sentences."""
    alike: dict[tuple[str, ...], list[int]] = {}
    for number, step, look, glance in effects(said):
        alike.setdefault(tuple(_lines(said, step, look, glance)), []).append(number)
    return [(_title(said, numbers), list(lines)) for lines, numbers in alike.items()]


def _lines(said: RunView, step: Step, look: Outlook, glance: Glance | None) -> list[str]:
    plates, units = said.study.plates, said.units
    mark, *rest = leaves(step, plates, look, units, glance)
    lines = [f"{sentence[0].upper()}{sentence[1:]}." for sentence in rest]
    if glance is not None:
        lines.append(f"What it makes: {what_is_made(step, plates, look, glance, units)}.")
    lines.append(f"What it leaves: {mark}.")
    if look.lifts if glance is None else glance.lift_share > 0.0:
        lines.append(
            "Something lifts in this stroke, which is left out of these sizes: they are only near."
        )
    return lines


def _title(said: RunView, numbers: list[int]) -> str:
    pairs = dict.fromkeys(f"{s.top} on {s.bottom}" for s in (said.steps[n - 1] for n in numbers))
    which = f"Step{'s' if len(numbers) > 1 else ''} {joined([str(n) for n in numbers])}: "
    return f"{which if len(said.steps) > 1 else ''}{joined(list(pairs))}"
