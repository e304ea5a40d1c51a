"""The batch of a study: what it says, held against the parts and the steps that it names."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import fields, replace
from functools import partial
from typing import Any

import numpy as np

from lapwright.metrology.form import FORMS, form_names
from lapwright.specification.batch import ANGULAR, ONE, PLACE, READS, SPREAD, Batch, Dress, seated
from lapwright.specification.plate import Plate
from lapwright.specification.said import shown, spelled
from lapwright.specification.step import Step
from lapwright.specification.table import Table, whole
from lapwright.study.goal import Goal, goal_of
from lapwright.study.plates import a_plate

HOW_BATCH = '[batch], and below it part = "ring", count = 50'
HOW_DRESS = 'dress = { with = "dresser", every = "10 parts", step = 2 }'
BATCH_KEYS = tuple(field.name for field in fields(Batch))
Plates = Mapping[str, Plate | None]


def batch_of(root: Table, plates: Plates, steps: Sequence[Step | None]) -> Batch | None:
    """The batch; None where there is none, or it is at fault (which is noted)."""
    table = root.table("batch", HOW_BATCH)
    if table is None:
        return None
    before = len(root.faults.found)
    part = table.need("part", lambda value: a_plate(value, plates), 'part = "ring"')
    count = table.need("count", Batch.__dict__["count"].reader, "count = 50")
    carrier = table.take("carrier", lambda value: a_plate(value, plates))
    _with_units(table, "scatter", SPREAD)
    _with_units(table, "stations", ANGULAR)
    more: dict[str, Any] = table.parts(
        Batch, ("together", "stations", "radius", "under", "scatter", "average")
    )
    dress = _dress(table, steps)
    table.assume(Batch, together="together", under="under")
    table.done()
    if part is None or count is None or len(root.faults.found) > before:
        return None
    batch = Batch(part=part, count=count, carrier=carrier, dress=dress, **more)
    _parts(table, batch, plates)
    _steps(table, batch, plates, steps)
    _seats(table, batch, steps)
    if len(root.faults.found) == before:
        _room(table, batch, plates, steps)
        _presses(table, batch, plates, steps)
    if root.data.get("rounds", 1) != 1:
        root.fault(
            "rounds", "stands beside [batch], which says how often: leave it out", "conflict"
        )
    return None if len(root.faults.found) > before else batch


def batch_goal(root: Table, batch: Batch | None, plates: Plates) -> Goal | None:
    """The goal: of all plates, or of the parts of a batch, which are held to forms alone."""
    goal = goal_of(root, plates, tuple(plates) if batch is None else (batch.part,))
    if batch is None or goal is None:
        return goal
    for key in ("thickness", "wedge"):
        if batch.part in getattr(goal, key):
            alone = (
                'lap to it with until = { thickness = "9.98 mm" } in the step, one part at a time'
            )
            told = f"is not followed from part to part of a batch: {alone}, or leave it out"
            root.fault(f"goal.{key}", told, "conflict")
    return goal


def _dress(table: Table, steps: Sequence[Step | None]) -> Dress | None:
    inner = table.table("dress", HOW_DRESS)
    if inner is None:
        return None
    _with_units(inner, "when", READS)
    said = inner.parts(Dress, ("every", "when"))
    tops = [one.top if one is not None else None for one in steps]
    wanted = inner.take("with", lambda value: a_plate(value, dict.fromkeys(filter(None, tops))))
    step = inner.take("step", whole(1, max(len(steps), 1), "a step"))
    inner.one_of(("every", "when"), 'write every = "10 parts", or when = { dome = "0.5 um" }')
    if step is None and not inner.has("step"):
        found = [n for n, top in enumerate(tops, 1) if top == wanted]
        if wanted is None or len(found) != 1:
            inner.fault("step", "is missing: write the number of the step that dresses", "missing")
        else:
            step = found[0]
    elif step is not None and wanted is not None and tops[step - 1] not in (None, wanted):
        wrong = f"{shown(wanted)} is not the top of step {step}, which is {tops[step - 1]}"
        inner.fault("with", f"{wrong}: name that, or another step", "value")
    if step == 1:
        first = "is 1: the parts come first, dressing after them, so write its step below theirs"
        inner.fault("step", first, "value")
    if not said.get("when", True):
        inner.fault("when", 'is empty: write when = { dome = "0.5 um" }', "missing")
    inner.done()
    return None if step is None else Dress(step=step, **said)


def _with_units(table: Table, key: str, reader: Callable[[Any], Any]) -> None:
    """In a file every number has its unit, also within a table or a list (from Python they may be SI)."""
    given = table.data.get(key)
    every = given.values() if isinstance(given, Mapping) else given
    for one in every if isinstance(every, Iterable) and not isinstance(every, str) else ():
        places = isinstance(one, list)
        for number in one if places else (one,):
            if isinstance(number, int | float):
                # A text that is read so is refused as having no unit.
                table.take(key, partial(_read, PLACE if places else reader, number))
                return


def _read(reader: Callable[[Any], Any], number: float, _: Any) -> Any:
    return reader(number)


def _parts(table: Table, batch: Batch, plates: Plates) -> None:
    """What is said of the parts must fit them; their names must be free."""
    part = plates[batch.part]
    for name in batch.names[1:]:
        if name in plates:
            taken = f"lays {batch.together} parts, the others called {batch.part} 2, {batch.part} 3 and so on"
            table.fault("part", f"{taken}: give {name} another name", "name")
    if part is None:
        return
    words = [FORMS[key].word for key in form_names(part.outline)]
    for name in batch.scatter:
        if name not in (*words, "thickness"):
            of = f"of {batch.part} are {', '.join(words)} and thickness"
            table.fault("scatter", f"{shown(name)} does not scatter here: known {of}", "value")
    if batch.scatter.get("thickness") and (batch.under != ONE or batch.together == 1):
        alone = f"matters to parts under one weight only: write under = {shown(ONE)}".replace(
            "'", '"'
        )
        table.fault("scatter", f"thickness {alone} and together = 3, or leave it out", "value")
    if batch.under == ONE and batch.carrier is not None:
        alone = "takes parts round by itself, as one weight does: leave one of them out"
        table.fault("carrier", alone, "conflict")
    if batch.joined and (left := batch.count % batch.together):
        whole_loads = batch.count - left + batch.together
        few = f"leaves {left} in the last load, off which a weight for {batch.together} tips"
        table.fault("count", f"{few}: write count = {whole_loads}", "value")
    if batch.carrier == batch.part:
        table.fault(
            "carrier", f"{batch.part} is the part itself: name what takes it round", "value"
        )


def _steps(table: Table, batch: Batch, plates: Plates, steps: Sequence[Step | None]) -> None:
    """Which steps lap parts, and what these cannot have."""
    named = {*batch.names, batch.carrier}
    lapped = []
    plates_below = {step.bottom for step in steps if step is not None and batch.laps(step)}
    for number, step in enumerate(steps, 1):
        if step is None:
            continue
        key = f"steps.{number}"
        seen = step.grit.wear.observed
        if (
            batch.laps(step)
            and batch.together > 1
            and seen is not None
            and seen.plate != batch.part
        ):
            once = f'was seen of several parts at once: weigh one of them, and write plate = "{batch.part}"'
            table.faults.add(f"{key}.grit", f"how it cuts {once}", "conflict")
        if step.bottom in named:
            below = f"{step.bottom} lies below: parts of a batch and their carrier lie on top"
            table.faults.add(f"{key}.bottom", f"{below}, so name the plate", "value")
        dresses = batch.dresses(number)
        if dresses and step.top in named:
            table.fault(
                "dress", f"step {number} laps {step.top}: dress with something else", "value"
            )
        elif dresses and (
            step.bottom not in plates_below or any(s and batch.laps(s) for s in steps[number:])
        ):
            late = "laps the plate that parts were lapped on, once all their steps are done"
            table.fault("dress", f"step {number} cannot dress: what dresses {late}", "value")
        elif dresses and batch.dress is not None:
            _readable(table, batch.dress, plates.get(step.bottom))
        if not batch.laps(step) or dresses:
            continue
        lapped.append(number)
        if step.swap is not None:
            table.faults.add(
                f"{key}.swap_every", "cannot be for parts of a batch: leave it out", "conflict"
            )
        if step.until is not None and batch.together > 1:
            many = "watches one part, and several lie there: write time or strokes"
            table.faults.add(f"{key}.until", many, "conflict")
    if not lapped and None not in steps:
        table.fault("part", f"{batch.part} is not the top of any step: write one", "missing")


def _readable(table: Table, dress: Dress, plate: Plate | None) -> None:
    if plate is None:
        return
    words = [FORMS[key].word for key in form_names(plate.outline)]
    for name in dress.when:
        if name not in (*words, "flatness"):
            of = f"{', '.join(words)} and flatness"
            wrong = f"when: {shown(name)} is not read on {plate.name}: known are {of}"
            table.fault("dress", wrong, "value")


def _seats(table: Table, batch: Batch, steps: Sequence[Step | None]) -> None:
    """As many stations as parts, and a circle for those that are said by angles."""
    if batch.stations and len(batch.stations) != batch.together:
        many = f"are {len(batch.stations)}, and {batch.together} parts lie there together"
        table.fault("stations", f"{many}: say as many of each", "value")
    placed = bool(batch.stations) and isinstance(batch.stations[0], tuple)
    if placed and batch.radius is not None:
        table.fault("radius", "stands beside places, which need none: leave it out", "conflict")
    lapped = [s for s in steps if s is not None and batch.laps(s)]
    if not lapped:
        return  # which is told already
    centred = any(s.centre != (0.0, 0.0) for s in lapped)
    all_centred = centred and all(s.centre != (0.0, 0.0) for s in lapped)
    if batch.radius is not None and centred and not batch.carried:
        twice = "says again what centre of the stroke says: write only one"
        table.fault("radius", twice, "conflict")
    if (
        batch.together > 1
        and not placed
        and batch.radius is None
        and (batch.carried or not all_centred)
    ):
        lie = f"is missing: {batch.together} parts would lie on each other"
        table.fault("radius", f'{lie}, so write radius = "90 mm"', "missing")


def _room(table: Table, batch: Batch, plates: Plates, steps: Sequence[Step | None]) -> None:
    """Parts that lie there together must not lie on each other, nor on their carrier."""
    part, carrier = plates[batch.part], plates.get(batch.carrier or "")
    lapped = [s for s in steps if s is not None and batch.laps(s)]
    if part is None or not lapped:
        return
    centres = [(0.0, 0.0) if batch.carried else step.centre for step in lapped]
    laid = [[batch.place(k, centre) for k in range(batch.together)] for centre in centres]
    at = min(laid, key=seated)
    turned = batch.carried or any(step.turn.angle or step.walk.angle for step in lapped)
    # Across in whichever way it is turned: of rectangles from corner to corner.
    length, (wide, near) = table.faults.units.length, (2.0 * part.outline.radius, seated(at))
    side_by_side = not turned and all(_beside(part, places) for places in laid)
    if near < wide * (1.0 - 1e-9) and not side_by_side:
        apart = f"lays parts {length(near)} apart that are {length(wide)} across: they lie on each other"
        table.fault("together", f"{apart}; write a larger radius, or fewer together", "range")
    if carrier is None:
        return
    reach = max(math.hypot(*place) for place in at) + 0.5 * wide
    if reach > 0.5 * carrier.outline.bore * (1.0 + 1e-9):
        across = (
            f"has a bore of {length(carrier.outline.bore)}, its parts reach {length(2.0 * reach)}"
        )
        table.fault("carrier", f"{across} across: make it a ring that holds them", "range")


def _presses(table: Table, batch: Batch, plates: Plates, steps: Sequence[Step | None]) -> None:
    """Under one weight the load must press between the parts, or the weight tips."""
    part = plates[batch.part]
    if part is None or not batch.joined:
        return
    at = np.array([batch.place(k, (0.0, 0.0)) for k in range(batch.together)])
    ways = np.linspace(0.0, 2.0 * math.pi, 360, endpoint=False)
    out = np.stack([np.cos(ways), np.sin(ways)])
    room = (at @ out).max(axis=0) + 0.5 * min(part.outline.size)
    for number, step in enumerate(steps, 1):
        if step is None or not batch.laps(step) or not step.load.force:
            continue
        own = part.weight * batch.together
        middle = step.load.force * np.array(step.load.at) + own * at.mean(axis=0)
        middle /= step.load.force + own
        # A hand or a bench that the parts are turned under presses on every side of them in turn.
        stays = step.load.fixed_to == "top" or not (step.turn.angle or step.walk.angle)
        beyond = float((middle @ out - room).max() if stays else math.hypot(*middle) - room.min())
        if beyond > 0.0:
            far = table.faults.units.length(beyond)
            tips = f"presses outside the parts by {far}: the one weight tips, so bring it nearer the middle"
            table.faults.add(f"steps.{number}.load_at", tips, "range")


def _beside(part: Plate, places: Sequence[tuple[float, float]]) -> bool:
    """Whether parts that are never turned lie beside each other, all the same way round."""
    sides = np.array(part.outline.size) * (1.0 - 1e-9)
    apart = np.abs(np.array(places)[:, None] - np.array(places)[None]) >= sides
    return bool((apart.any(axis=2) | np.eye(len(places), dtype=bool)).all())


def laid_out(plates: Mapping[str, Plate], batch: Batch | None) -> dict[str, Plate]:
    """The plates, and one for each further part that lies there with the first."""
    out = dict(plates)
    for name in () if batch is None else batch.names[1:]:
        out[name] = replace(out[batch.part], name=name)  # type: ignore[union-attr]
    return out


def batch_table(batch: Any) -> Any:
    """A batch as a study file has it."""
    if not isinstance(batch, Batch):
        return batch
    out: dict[str, Any] = {"part": batch.part} | spelled(
        batch, "count", "together", "radius", "under", "average"
    )
    typed = Batch.__dict__["stations"].reader.typed
    if batch.stations:
        out["stations"] = [typed(one) for one in batch.stations]
    if batch.carrier is not None:
        out["carrier"] = batch.carrier
    if batch.scatter:
        out["scatter"] = sizes(batch.scatter)
    if batch.dress is not None:
        out["dress"] = {"step": batch.dress.step} | spelled(batch.dress, "every")
        if batch.dress.when:
            out["dress"]["when"] = sizes(batch.dress.when)
    return out


def sizes(of: Mapping[str, float]) -> dict[str, str]:
    """Sizes [m] by name as text that reads back."""
    return {name: SPREAD.typed(size) for name, size in of.items()}
