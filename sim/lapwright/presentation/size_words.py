"""Thickness and parallelism of parts in words: what they are, what is left to take, what a micrometer shows.

Told of plates whose study says something of them (a wedge, a size in `until` or the goal, a micrometer),
and of those that went out of parallel by more than is usual.  Hours are those of a clock looking at the face.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from math import cos, sin
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.contact.placement import centred
from lapwright.limits import limit_of
from lapwright.metrology.form import SPOKEN
from lapwright.metrology.instruments import near_rim
from lapwright.metrology.micrometer import Measured
from lapwright.metrology.thickness import Thickness
from lapwright.presentation.words import Fields, say
from lapwright.specification.plate import StartForm
from lapwright.specification.wedge import Wedge
from lapwright.study.sizes import KEYS, Size, load_against, sizes_of
from lapwright.units import METRIC, NOTHING, Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.optimisation.sizing import Sizing
    from lapwright.presentation.run_view import Face, RunView
    from lapwright.specification.plate import Plate
    from lapwright.specification.step import Step, Until
    from lapwright.study.model import Study

WORTH = 0.5e-6  # [m] of wedge that is told of a plate nobody asked it of
HOURS = (12, 3, 6, 9)
NO_SIZE = Size()
NEXT_TO = 5e-5  # [m] off the middle: nothing that a hand could tell


def spoken_of(study: Study) -> set[str]:
    """Plates of which a study says something that has to do with their thickness."""
    wedged = {name for name, plate in study.plates.items() if plate.wedge is not None}
    gauged = {one.plate for one in study.readings if study.gauges[one.gauge].kind == "micrometer"}
    return {*wedged, *gauged, *sizes_of(study)}


def told_of(view: RunView) -> list[Face]:
    """Faces of which thickness and wedge are told."""
    spoken = spoken_of(view.study)
    return [face for face in view.faces if face.name in spoken or _wedged(face)]


def _wedged(face: Face) -> bool:
    """Whether a face went clearly out of parallel, beside the metal that it lost."""
    wedge = face.record.wedge
    if not wedge.size or not math.isfinite(float(wedge[-1])):
        return False
    return float(wedge[-1]) > max(WORTH, limit_of("wedge") * face.lost)


def wedge_words(by: float, at: float, units: Units = METRIC) -> str:
    """How far out of parallel [m], and at which hour [rad] it is thick."""
    if not by >= NOTHING or not math.isfinite(at):
        return say("size.parallel")
    return say("size.wedge", units, by=by, hour=Units.hour(cos(at), sin(at)))


def wedges_made(
    study: Study,
    after: Sequence[Mapping[str, Wedge]],
    looks: Sequence[Outlook],
    number: int,
    brief: bool = False,
) -> list[str]:
    """What step `number` (from 1) of the last round does to how parallel plates are, by where one presses.

    Told as of a run: where it is clear beside the metal that goes, or the study speaks of sizes of the plate.
    `brief`: in few words, all plates together.
    """
    if math.hypot(*study.steps[number - 1].load.at) <= NEXT_TO:
        return []
    spoken, lines, each = spoken_of(study), [], []
    again = study.rounds > 1
    for name in (study.steps[number - 1].top, study.steps[number - 1].bottom):
        by, high = after[number - 1][name].by, after[number - 1][name].high
        often = [study.rounds] * number + [study.rounds - 1] * (len(looks) - number)
        off = (look.removed_from.get(name, 0.0) for look in looks)
        metal = sum(n * one for n, one in zip(often, off, strict=True))
        least = limit_of("size") if name in spoken else max(WORTH, limit_of("wedge") * metal)
        if by > least:
            hour = Units.hour(cos(high), sin(high))
            lines.append(say("size.made", study.units, plate=name, by=by, hour=hour, again=again))
            each.append(f"{name} {study.units.size(by)}")
    return [say("size.made_brief", each=", ".join(each), again=again)] if brief and each else lines


def comes(plate: Plate, units: Units = METRIC) -> str:
    """How far out of parallel a plate comes, to stand behind its form; "" where nothing is said of it."""
    own = plate.wedge
    return "" if own is None else f"; {wedge_words(own.by, own.high, units)}"


def stop_sizes(until: Until, units: Units = METRIC) -> list[str]:
    """What a micrometer must show for a step to stop."""
    return [
        say(f"size.stop.{key}", units, plate=name or "the smaller plate", size=size)
        for key in KEYS
        for name, size in getattr(until, key).items()
    ]


def left_words(thick: float, by: float, size: Size, units: Units = METRIC) -> str:
    """What is left to take to size, and whether it is as parallel as asked; "" where nothing is asked."""
    parts = []
    if size.thickness is not None and math.isfinite(thick):
        left = thick - size.thickness
        key = "left" if left > limit_of("size") else "far" if left < -limit_of("size") else "there"
        parts.append(say(f"size.target.{key}", units, left=abs(left), target=size.thickness))
    if size.wedge is not None and math.isfinite(by):
        parts.append(say("size.asked", units, met=by <= size.wedge, most=size.wedge))
    return "; ".join(parts)


def sizes_in_words(view: RunView) -> list[str]:
    """A sentence for each plate of which thickness is told: how thick it is, and what is left to take."""
    sizes, lines = sizes_of(view.study), []
    for face in told_of(view):
        now = face.record.thick(-1)
        thick, by, at = (now[key] for key in ("thickness", "wedge", "wedge_at"))
        parts = [say("size.thick", view.units, thick=thick)] if math.isfinite(thick) else []
        parts.append(wedge_words(by, at, view.units))
        left = left_words(thick, by, sizes.get(face.name, NO_SIZE), view.units)
        told = say("size.text", plate=face.name, what=", ".join(parts), left=left)
        lines.append(sentence(told))
    return lines


def sizes_left(view: RunView) -> list[str]:
    """What is left to take of each plate to size, and of its wedge, with where to press for that.

    A wedge counts where one is asked for, or the study says with which one the plate comes.
    """
    sizes, lines = sizes_of(view.study), []
    for face in told_of(view):
        size, now = sizes.get(face.name, NO_SIZE), face.record.thick(-1)
        thick, by, at = (now[key] for key in ("thickness", "wedge", "wedge_at"))
        metal = math.nan if size.thickness is None else thick - size.thickness
        if metal > limit_of("size"):
            lines.append(
                say(
                    "size.next.thick",
                    view.units,
                    plate=face.name,
                    left=metal,
                    to=size.thickness or 0.0,
                )
            )
        told = view.study.plates[face.name].wedge is not None
        least = size.wedge if size.wedge is not None else WORTH if told else math.inf
        if by > least and math.isfinite(at):
            lines.append(_wedge_left(view, face.name, Wedge(by, at), metal, size))
    return lines


def _wedge_left(view: RunView, name: str, wedge: Wedge, metal: float, size: Size) -> str:
    """How much wedge is left, and where to press to take it out, where a hand presses on the plate."""
    units, plate = view.units, view.study.plates[name]
    still = say(
        "size.next.wedge",
        units,
        plate=name,
        by=wedge.by,
        hour=Units.hour(cos(wedge.high), sin(wedge.high)),
        asked=size.wedge or 0.0,
    )
    if metal <= 0.5 * wedge.by:
        left = metal if metal > limit_of("size") else 0.0
        return say("size.next.no_metal", units, still=still, least=0.5 * wedge.by, left=left)
    step = next((step for step in reversed(view.steps) if step.top == name), None)
    off = metal if math.isfinite(metal) else wedge.by
    at = None if step is None else load_against(wedge, plate, step, off)
    if at is None:
        return f"{still}."
    far = math.hypot(*at)
    free = not math.isfinite(metal)
    fields: Fields = {"far": far, "hour": Units.hour(*at), "metal": off, "free": free}
    return say("size.next.press", units, still=still, **fields)


def sizes_data(view: RunView) -> dict[str, Any]:
    """The same as a table, before and after; no rows where nothing is told."""
    sizes, rows = sizes_of(view.study), []
    for face in told_of(view):
        size = sizes.get(face.name, NO_SIZE)
        ends = [face.record.thick(k) for k in (0, -1)]
        cells = [
            (
                view.units.thickness(end["thickness"]) if math.isfinite(end["thickness"]) else "",
                wedge_words(end["wedge"], end["wedge_at"], view.units),
            )
            for end in ends
        ]
        left = left_words(ends[-1]["thickness"], ends[-1]["wedge"], size, view.units)
        rows.append({"plate": face.name, "ends": cells, "left": left})
    return {"caption": say("size.table"), "rows": rows}


def around(plate: Plate, thick: Thickness, forms: Mapping[str, float | None]) -> list[float]:
    """Thickness [m] that a micrometer shows near the rim at 12, 3, 6 and 9 o'clock, looking at the face.

    `forms` [m] of the face: a dome is thinner at its rim than on the mean.
    """
    known: dict[str, Any] = {key: size for key in SPOKEN if (size := forms.get(key)) is not None}
    face = StartForm(**{key: size for key, size in known.items() if math.isfinite(size)})
    mean = float((plate.land * face.heights(plate.grid, plate.outline)).sum() / plate.land.sum())
    x, y = np.array(places(plate)).T
    high = face.at(x, y, plate.outline) - mean
    return [thick.over(*at) + float(up) for at, up in zip(places(plate), high, strict=True)]


def places(plate: Plate) -> list[tuple[float, float]]:
    """Where to measure [m], looking at the face: the middle of a ring's land, or a tenth in from the edge."""
    return [near_rim(plate.outline, 0.5 * math.pi * quarter) for quarter in (1, 0, 3, 2)]


def expected(view: RunView, face: Face, at: int) -> list[str]:
    """What a micrometer shows of a face at an entry of the history, in words; nothing if not told."""
    plate, now = view.study.plates[face.name], face.record.thick(at)
    if not math.isfinite(now["thickness"]) or face.name not in spoken_of(view.study):
        return []
    by, high = now["wedge"], now["wedge_at"]
    slope = by / plate.outline.width_along(high) if math.isfinite(high) else 0.0
    high = high if math.isfinite(high) else 0.0
    thick = Thickness(plate.outline, now["thickness"], (slope * cos(high), slope * sin(high)))
    forms = {key: float(values[at]) for key, values in face.record.forms.items()}
    return [hours_words(around(plate, thick, forms), view.units)]


def hours_words(sizes: Sequence[float], units: Units = METRIC) -> str:
    """Sizes [m] at 12, 3, 6 and 9 o'clock, with the unit once."""
    each = [units.thickness(size, full=True) for size in sizes]
    unit = each[0].rpartition(" ")[2]
    told = [f"{hour}: {text.rpartition(' ')[0]}" for hour, text in zip(HOURS, each, strict=True)]
    return say("size.hours", each=", ".join(told), unit=unit)


def measured_words(plate: str, one: Measured, size: Size, units: Units = METRIC) -> str:
    """What readings of a micrometer say of a plate: size, wedge, what is left to take; or what is missing."""
    thick, wedge = one.thickness, one.wedge
    parts = [say("size.unread")]
    if thick is not None:
        told = say("size.thick", units, thick=thick.value)
        parts = [say("size.give", units, what=told, half=thick.half)]
    if wedge is None:
        parts.append(say("size.unread_wedge"))
    elif one.told and one.at is not None:
        told = wedge_words(wedge.value, one.at.value, units)
        parts.append(say("size.give", units, what=told, half=wedge.half))
    else:
        parts.append(say("size.no_wedge", units, most=wedge.value + wedge.half))
    by = math.nan if wedge is None else wedge.value + wedge.half
    if wedge is not None and size.wedge is not None and by > size.wedge:
        # Above what is asked for sure, or else that is not known.
        by = wedge.value if wedge.value - wedge.half > size.wedge else math.nan
    left = left_words(math.nan if thick is None else thick.value, by, size, units)
    return say("size.text", plate=plate, what="; ".join(parts), left=left)


def book_sizes(sizing: Sizing) -> list[str]:
    """How thick plates are of which that was measured, and which have to be measured again."""
    asked, units = sizes_of(sizing.study), sizing.study.units
    each = [
        measured_words(name, one, asked.get(name, NO_SIZE), units)
        for name, one in sizing.found.items()
    ]
    old = [name for name in sizing.unmeasured if name not in sizing.found]
    return [*each, say("book.unmeasured", plates=joined(old))] if old else each


def reading_hint(sizing: Sizing) -> str:
    """What a reading to write down looks like, of a part that is lapped to a size a micrometer's."""
    mics = [name for name, one in sizing.study.gauges.items() if one.kind == "micrometer"]
    plate = next(iter(sizes_of(sizing.study)), None)
    return f"{mics[0]} {plate} SIZE @ 12:00" if mics and plate else "GAUGE PLATE SIZE"


def no_nearer(sizing: Sizing) -> str:
    """Why nothing more is lapped to size: of the plate nearest its size, or furthest below it."""
    units, left = sizing.study.units, sizing.left
    if sizing.unmeasured:
        return say("book.measure", plates=joined(sizing.unmeasured))
    if not left:
        return say("book.wedge_stays", plates=joined(sizing.wedged))
    plate = min(left, key=lambda name: left[name])
    if left[plate] > limit_of("size"):
        return say("book.hardly", units, left=left[plate], plate=plate)
    return say("book.below_size", plate=plate, below=left[plate] < -limit_of("size"))


def to_size(sizing: Sizing, step: Step, off: Mapping[str, float], share: str) -> str:
    """What is left to take off the plate of a step that has a size; `off` [m] by plate in that step."""
    units, most = sizing.study.units, sizing.metal
    plate = next(name for name in (step.top, step.bottom) if most.get(name, 0.0) > 0.0)
    forms, metal = share if _asks_forms(sizing) else "", off[plate]
    if plate not in sizing.left:
        return say("book.to_wedge", units, forms=forms, plate=plate, metal=metal)
    left = sizing.left[plate]
    return say("book.to_size", units, forms=forms, left=left, plate=plate, metal=metal)


def size_apart(sizing: Sizing, step: Step | None) -> str:
    """How a size counts in the chance of the goal, where a plate of the step is to come to one."""
    names = () if step is None else (step.top, step.bottom)
    plate = next((n for n in names if sizing.left.get(n, 0.0) > 0.0), None)
    if plate is None:
        return ""
    return say("book.size_apart", sizing.study.units, left=sizing.left[plate], plate=plate)


def forms_stand(sizing: Sizing, share: str) -> str:
    """How the forms stand where size or wedge stops the work; "" where no form is asked."""
    return say("book.forms_stand", share=share) if _asks_forms(sizing) else ""


def _asks_forms(sizing: Sizing) -> bool:
    goal = sizing.study.goal
    return goal is None or bool(goal.reach)


def pressed(step: Step, units: Units = METRIC) -> str:
    """Where the hand presses off the middle of the top, seen from above and looking at its face."""
    x, y = step.load.at
    far = math.hypot(x, y)
    if far <= NEXT_TO:
        return ""
    u, v = centred(np.array([x]), np.array([y]))
    hour, face = Units.hour(x, y), Units.hour(float(u[0]), float(v[0]))
    return say(
        "book.pressed", units, far=far, hour=hour, face=face, top=step.load.fixed_to == "top"
    )
