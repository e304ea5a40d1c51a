"""Which plate a step makes domed, what to weigh, and what the strokes of a run make and leave.

The picture of a step is that of degree 8, in the words of preview.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook
from lapwright.kinematics.schedule import LONGER, stays_by_weight
from lapwright.limits import limit_of
from lapwright.modal.reduced_model import DEGREE, Glance, Glances
from lapwright.presentation import words
from lapwright.presentation.reasons import grown
from lapwright.presentation.run_view import RunView
from lapwright.presentation.staying import leaves, telling
from lapwright.presentation.tables import echoed
from lapwright.presentation.words import say
from lapwright.specification.outline import Rectangle
from lapwright.specification.step import Step
from lapwright.study.model import guessed_layers
from lapwright.units import METRIC, NOTHING, Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.specification.plate import Plate


Plates = Mapping[str, "Plate"]

DOMES = ("sphere", "bow")
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
    brief: bool = False,
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
    brief
        Not when, nor what to do about it.

    """
    if look.removed < NOTHING:
        return [say("domes.no_change")]
    if step.swap is not None and step.swap.read is not None:
        return [say("domes.by_reading")]
    half, drive = look.half_difference, look.tendency.all_round
    if half is not None:
        drive = 0.0 if abs(half) < max(NOTHING, _little(step, plates, look)) else half
    if glance is not None:
        text = what_is_made(step, plates, look, glance, units, brief)
        if half is None:
            drive = 0.0 if text.startswith(say("domes.neither")) else glance.half_difference(step)
            half = glance.half_difference(step) if _like(step, plates) else None
    elif half is None:
        text = _direction(step, plates, look)
        drive = 0.0 if abs(drive) < BALANCED else drive
    elif drive == 0.0:
        text = say("domes.neither")
    else:
        domed, hollow = (step.bottom, step.top) if half > 0.0 else (step.top, step.bottom)
        text = say("domes.size", units, hollow=hollow, domed=domed, size=half)
    lifted = [say("domes.lifted", top=step.top)] if look.lifts else []
    if not as_they_come or any(plates[n].outline.long for n in (step.top, step.bottom)):
        return [text, *lifted]
    way = _bedded(step, plates, glance, drive, units) if glance is not None else ""
    way = way or _way_round(step, plates, drive, half, units, more_plates)
    if brief:
        if drive == 0.0 and not more_plates and (kept := _kept(step, plates, units)):
            return [kept]
        wrong = way.startswith(say("domes.wrong_way"))
        way = way.partition("; " if wrong else " (" if " (" in way else ": ")[0]
        return [way, text] if wrong else [text, way]
    return [text, *lifted, way] if way else [text, *lifted]


def _little(step: Step, plates: Plates, look: Outlook) -> float:
    """A change of form that counts as none [m]: far below what a whole step on top would make."""
    reach = 6.0 * (step.curve.half_travel / plates[step.top].outline.radius) ** 2
    return max(NOTHING, 0.02 * look.removed * reach)


def what_is_made(
    step: Step,
    plates: Plates,
    look: Outlook,
    glance: Glance,
    units: Units = METRIC,
    brief: bool = False,
) -> str:
    """What each plate gains of the pairs that stay, once they have bedded in, or by the end of the step.

    `brief`: not when.
    """
    names = (step.top, step.bottom)
    balanced = (
        abs(look.tendency.all_round) < BALANCED
        and abs(glance.half_difference(step)) < BALANCED * look.removed
        and not any(plates[n].outline.long for n in names)
    )
    made = telling(
        {n: _but_domes(glance.made[n]) if balanced else glance.made[n] for n in names}, DOMES
    )
    sizes = [abs(v) for forms in made.values() for v in forms.values()]
    if max(sizes, default=0.0) < _little(step, plates, look):
        return say("domes.neither")
    each = "; ".join(f"{name} {grown(forms, units)}" for name, forms in made.items() if forms)
    when = "" if brief else say("makes.bedded", leaves_land=glance.leaves_land)
    return say("domes.made", balanced=balanced, each=each, when=when)


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
        return say("domes.both_ways", way=along)
    return say("domes.each_way", along=along, across=across)


def _one_way(step: Step, plates: Plates, drive: float) -> str:
    if abs(drive) < BALANCED:
        return say("domes.neither")
    domed, hollow = (step.bottom, step.top) if drive > 0.0 else (step.top, step.bottom)
    return say("domes.way", hollow=hollow, domed=domed, long=plates[domed].outline.long)


def _curve(of: Plate) -> float:
    """Curvature of the start form [1/m] / 2, + domed."""
    return of.form.sphere / of.outline.radius**2


def _like(step: Step, plates: Plates) -> bool:
    """Two of one outline, which may change places; a part never goes under its plate."""
    return plates[step.top].outline == plates[step.bottom].outline


def _swaps(step: Step, plates: Plates, units: Units, longer: str = "") -> str:
    """What to write for swaps that take as much metal in either place, or more with one of them on top."""
    if longer and step.swap is not None and step.swap.removed:
        least = min(step.swap.removed.values())
        other = next(name for name in (step.top, step.bottom) if name != longer)
        deep = {longer: LONGER * least, other: least}
        sizes = [f'{name} = "{echoed(off, units, small=True)}"' for name, off in deep.items()]
        return f"swap_every = {{ {', '.join(sizes)} }}"
    loads = {name: plates[name].weight + step.load.force for name in (step.top, step.bottom)}
    times = {name: Units.spell(time) for name, time in stays_by_weight(loads, longer).items()}
    if len(set(times.values())) == 1:
        return f'swap_every = "{times[step.top]}"'
    each = [f'{name} = "{times[name]}"' for name in sorted(times, key=lambda n: n != longer)]
    return f"swap_every = {{ {', '.join(each)} }}"


def _other_stroke(drive: float) -> str:
    """The stroke that drives their domes less, or the other way: travel hollows the top (the moment law)."""
    return say("domes.shorter" if drive > 0.0 else "domes.longer")


def _bedded(step: Step, plates: Plates, glance: Glance, drive: float, units: Units) -> str:
    """Of unlike outlines: how far bedding in changes a dome, and whether what is made adds to what is left.

    Empty where it changes none to speak of.
    """
    starts = {name: plates[name].form.sphere for name in glance.left}
    gone = {name: abs(start - glance.left[name]["sphere"]) for name, start in starts.items()}
    name = max(gone, key=lambda n: gone[n], default="")
    if not name or gone[name] < max(NOTHING, BEDDED * max(map(abs, starts.values()))):
        return ""
    start, left = starts[name], glance.left[name]["sphere"]
    before, after = (words.dome_or_dish(sphere, units) for sphere in (start, left))
    text = say("domes.bedded", plate=name, before=before, after=after)
    if drive == 0.0 or glance.made[name]["sphere"] == 0.0:
        return text
    if left * glance.made[name]["sphere"] < 0.0:
        return say("domes.bedded_less", bedded=text)
    return say("domes.bedded_more", bedded=text, other=_other_stroke(drive))


def _kept(step: Step, plates: Plates, units: Units) -> str:
    """Where equal swaps take two plates of one outline that come unlike; "" of others."""
    half = 0.5 * (plates[step.top].form.sphere - plates[step.bottom].form.sphere)
    if step.swap is None or not _like(step, plates) or abs(half) < 0.5 * NOTHING:
        return ""
    one, other = (step.top, step.bottom) if half > 0.0 else (step.bottom, step.top)
    near, far = (words.dome_or_dish(sphere, units) for sphere in (abs(half), -abs(half)))
    return say("domes.so.keeps", one=one, near=near, other=other, far=far)


def _way_round(
    step: Step,
    plates: Plates,
    drive: float,
    half: float | None,
    units: Units,
    more_plates: bool,
) -> str:
    """Whether what the step makes is what these plates need."""
    top, bottom = plates[step.top], plates[step.bottom]
    # + the bottom is the more domed one
    apart = (_curve(bottom) - _curve(top)) * top.outline.radius**2
    swapped, like = step.swap is not None, _like(step, plates)
    metal = step.swap is not None and bool(step.swap.removed)
    if abs(apart) < NOTHING:
        if drive == 0.0:
            return ""
        if swapped:
            alike = abs(top.weight - bottom.weight) <= SAME * top.weight
            return say("domes.part.swapped", times=alike and not metal)
        if like:
            return say("domes.part.equal", swaps=_swaps(step, plates, units))
        return say("domes.part.unlike", other=_other_stroke(drive))
    domed, less = (bottom, top) if apart > 0.0 else (top, bottom)
    more, below = _curve(domed), _curve(less)
    one = "less" if more < 0.0 else "domed" if more > 0.0 >= below else "more"
    names: dict[str, Any] = {"domed": domed.name, "which": say(f"domes.which.{one}")}
    if drive == 0.0:
        if not swapped:
            return ""
        if more_plates:
            return say("domes.so.more", less=less.name, metal=metal, **names)
        return say(
            "domes.so.two", swaps=_swaps(step, plates, units, domed.name), metal=metal, **names
        )
    if drive * apart > 0.0:
        how = "longer" if swapped else "on_top" if like and domed is bottom else "other"
        cure = say(f"domes.cure.{how}", domed=domed.name, other=_other_stroke(drive))
        return say("domes.wrong", cure=cure, **names)
    right = say("domes.right", **names)
    if half is None or not like:
        return right
    takes = 2.0 * abs(half)
    how = "right_stop" if takes > ENOUGH * abs(apart) else "right_size"
    return say(f"domes.amount.{how}", units, right=right, apart=apart, takes=takes)


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
        hours, off = SPELLS[-1] // 60, rate * 60.0 * SPELLS[-1]
        written = _written(name, "removed", 60)
        fields: dict[str, Any] = {"off": off, "grams": off * grams, "mass": plate.total_mass}
        return say("weigh.too_little", units, hours=hours, plate=name, written=written, **fields)
    depth, depth_name = units.depth
    scale = scale_words(plate, rate * 60.0 * spell * grams, units)
    return say(
        "weigh.text",
        units,
        depth=depth_name,
        plate=name,
        scale=scale and f"{scale} {say('weigh.dimple')}",
        grams=depth * grams,
        lightest=len({plates[n].total_mass for n in names}) > 1,
        minutes=spell,
        written=_written(name, "lost", spell),
    )


def scale_words(plate: Plate, grams: float, units: Units) -> str:
    """What scale shows that so many grams went off a plate; "" where that wants no fine one."""
    return fine_scales({plate.name: (plate, grams)}, units)


def fine_scales(lost: Mapping[str, tuple[Plate, float]], units: Units) -> str:
    """What scales show the grams that plates lose, where that wants fine ones; "" where none does.

    Parameters
    ----------
    lost
        Of each plate the plate, and the grams that go off it.
    units
        Those of the bench.

    """
    wanted: dict[tuple[float, str], str] = {}
    for name, (plate, grams) in lost.items():
        if grams < limit_of("fine scale") * 1e3 * plate.total_mass:
            wanted.setdefault((plate.total_mass, _shown(grams)), name)
    if len(wanted) == 1:
        ((mass, step),) = wanted
        return say("weigh.scale", units, mass=mass, step=step)
    each = [
        say("weigh.scale_of", units, plate=name, mass=mass, step=step)
        for (mass, step), name in wanted.items()
    ]
    return say("weigh.scales", each=joined(each)) if each else ""


def scale_step(grams: float) -> float:
    """The step [g] of a scale that tells a loss [g] to a tenth of it: 1, 2 or 5 times a power of ten."""
    tenth = 10.0 ** math.floor(math.log10(0.1 * grams))
    return next(k * tenth for k in (5.0, 2.0, 1.0) if k * tenth <= 0.1 * grams * (1.0 + 1e-9))


def _shown(grams: float) -> str:
    """That step in words."""
    return Units.number(scale_step(grams), echo=True)


def _written(name: str, what: str, minutes: int) -> str:
    """Where what was seen goes."""
    return say("weigh.written", what=say(f"weigh.seen.{what}"), minutes=minutes, plate=name)


MOST = 12  # different motions that are worked out


def effects(view: RunView) -> list[tuple[int, Step, Outlook, Glance | None]]:
    """Each step (from 1) as far as it was rubbed, what was known of it beforehand, and what the picture says.

    Of several rounds one is told.
    """
    study = view.study
    try:
        ahead = study.ahead
    except LapwrightError:
        return []
    glances = Glances(
        study.plates,
        study.seed,
        study.margin,
        degree=DEGREE,
        most=MOST,
        guesses=guessed_layers(study),
        lifts=not all(_seen(view, number) for number in range(1, len(study.steps) + 1)),
    )
    out = []
    for number, (step, look) in enumerate(zip(study.steps, ahead, strict=True), 1):
        share = min(1.0, view.rubbed(number) / look.time)
        if share > 0.0:
            on_top = {name: share * time for name, time in look.on_top.items()}
            rubbed = replace(look, on_top=on_top, removed=share * look.removed)
            out.append((number, step, rubbed, glances.of(step, number, rubbed)))
    return out


def effects_words(view: RunView) -> list[tuple[str, list[str]]]:
    """A title for the steps that are alike, and what they never take out, make and leave in sentences."""
    alike: dict[tuple[str, ...], list[int]] = {}
    for number, step, look, glance in effects(view):
        lines = [*_lines(view, step, look, glance), *_lifted(view, number, look, glance)]
        alike.setdefault(tuple(lines), []).append(number)
    return [(_title(view, numbers), list(lines)) for lines, numbers in alike.items()]


def _lines(view: RunView, step: Step, look: Outlook, glance: Glance | None) -> list[str]:
    plates, units = view.study.plates, view.units
    mark, *rest = leaves(step, plates, look, units, glance)
    lines = [f"{sentence(line)}." for line in rest]
    if glance is not None:
        made = what_is_made(step, plates, look, glance, units)
        lines.append(say("effects.makes", makes=made))
    lines.append(say("effects.leaves", leaves=mark))
    return lines


def _lifted(view: RunView, number: int, look: Outlook, glance: Glance | None) -> list[str]:
    """That something lifts in a step, as it was lapped; where that is not known, as it was foretold."""
    seen = _seen(view, number) or [float(look.lifts) if glance is None else glance.lift_share]
    if max(seen) <= 0.0:
        return []
    return [say("effects.lifts", bedded=seen[-1] <= 0.0)]


def _seen(view: RunView, number: int) -> list[float]:
    """Shares of the time in which something lifted in the blocks of a step, as it was lapped."""
    both = zip(view.run.step, view.run.lift_share, strict=False)
    return [float(share) for at, share in both if int(at) == number and math.isfinite(share)]


def _title(view: RunView, numbers: list[int]) -> str:
    steps = [view.steps[number - 1] for number in numbers]
    pairs = joined(list(dict.fromkeys(f"{step.top} on {step.bottom}" for step in steps)))
    if len(view.steps) == 1:
        return pairs
    which = joined([str(number) for number in numbers])
    return say("effects.step", steps=len(numbers) > 1, numbers=which, pairs=pairs)
