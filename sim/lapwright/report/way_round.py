"""Sentences on which plate a step makes domed and which hollow, and whether that is the right way round."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from lapwright.plate.outline import Rectangle
from lapwright.report import words
from lapwright.report.beforehand import fine
from lapwright.report.leaving import remark, telling
from lapwright.report.reasons import grown
from lapwright.units import METRIC, NOTHING, Units

if TYPE_CHECKING:
    from lapwright.lapping.outlook import Outlook
    from lapwright.lapping.step import Step
    from lapwright.modes.glance import Glance
    from lapwright.plate.plate import Plate

__all__ = ["makes", "what_is_made"]

Plates = Mapping[str, "Plate"]

DOMES = ("sphere", "bow")
NEITHER = "neither clearly domed nor clearly hollow"
BALANCED = 0.04  # of the two causes, below which they are said to balance
BEDDED = 0.1  # of a dome, from which bedding in changes it to speak of
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
        return ["whichever reads more domed goes on top and loses its dome: the right way round by itself"]
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
    from lapwright.lapping.sizing import half_travel

    reach = 6.0 * (half_travel(step.curve) / plates[step.top].outline.radius) ** 2
    return max(NOTHING, 0.02 * look.removed * reach)


def what_is_made(step: Step, plates: Plates, look: Outlook, glance: Glance, units: Units = METRIC) -> str:
    """What each plate gains of the pairs that stay, once they have bedded in, or by the end of the step."""
    names = (step.top, step.bottom)
    balanced = abs(look.tendency.all_round) < BALANCED and not any(plates[n].outline.long for n in names)
    made = telling({n: _but_domes(glance.made[n]) if balanced else glance.made[n] for n in names}, DOMES)
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
    apart = (_curve(bottom) - _curve(top)) * top.outline.radius**2  # + the bottom is the more domed one
    if abs(apart) < NOTHING:
        if drive == 0.0:
            return ""
        if step.swap is not None:
            cure = "equal times on top keep them alike"
        elif _like(step, plates):
            cure = 'swap_every = "5 min" keeps them alike'
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
            f'longer: swap_every = {{ {domed.name} = "15 min", {other.name} = "5 min" }}'
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
