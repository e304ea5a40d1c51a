"""Sizes that a study works to: how thick a part is to be, and how far out of parallel it may be.

They stand in `until` of its steps and in its [goal]; a plate is named, or the smaller of the pair is meant.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from lapwright.errors import CommandError
from lapwright.specification.said import RefusedError, listed, shown
from lapwright.specification.step import Until
from lapwright.specification.table import Table
from lapwright.specification.wedge import PART, SHAPE, THICK

if TYPE_CHECKING:
    from lapwright.specification.plate import Plate
    from lapwright.study.model import Study

READERS = {"thickness": THICK, "wedge": SHAPE}
KEYS = tuple(READERS)
ALIKE = 1.0 + 1e-9  # areas that differ by less are one


@dataclass(frozen=True)
class Size:
    """What a plate is lapped to [m]; None: not asked."""

    thickness: float | None = None
    wedge: float | None = None


def sizes_of(study: Study) -> dict[str, Size]:
    """What each plate is lapped to: as the goal has it, or else the last step that says so.

    Parameters
    ----------
    study : Study

    Returns
    -------
    dict
        Size by plate; of plates that are lapped to none, nothing.

    """
    found: dict[str, Size] = {}
    asked: list[Any] = [step.until for step in study.steps if step.until is not None]
    for one in [*asked, *([study.goal] if study.goal is not None else [])]:
        for key in KEYS:
            for name, size in getattr(one, key, {}).items():
                found[name] = replace(found.get(name, Size()), **{key: size})
    return found


TO_SIZE = (
    "a search does not follow thickness and wedge: stop this step by its time, its strokes or "
    'until = { removed = "2 um" }, and lap what it finds with run'
)


def refuse_to_size(study: Study) -> None:
    """Refuse, for who foretells forms only, a study whose steps stop at a size.

    Raises
    ------
    CommandError
        Names the step, and says what to write.

    """
    for number, step in enumerate(study.steps, 1):
        if step.until is not None and (step.until.thickness or step.until.wedge):
            raise CommandError(TO_SIZE, key=f"steps.{number}.until", code="not_tuned")


def take_sizes(table: Table, plates: Mapping[str, Plate | None]) -> dict[str, dict[str, float]]:
    """Thickness and wedge of `until` or of a goal, each with its plate named; faults are noted.

    `plates`: those that can be meant, None for one at fault.
    """
    found = {}
    for key in KEYS:
        sizes = table.said(Until, key)
        typed = table.data.get(key)
        for name, one in typed.items() if isinstance(typed, Mapping) else ():
            inner = Table(table.faults, table.place(key), {name: one})
            inner.take(name, READERS[key])  # a bare number is refused as it is anywhere
        if sizes is None or any(not isinstance(one, str) for one in _parts(typed)):
            continue
        try:
            found[key] = {_meant(name, key, typed, plates): size for name, size in sizes.items()}
            for name, size in found[key].items() if key == "thickness" else ():
                _check_thicker(name, size, plates[name], table)
        except RefusedError as trouble:
            table.fault(key, trouble.message, trouble.code)
    return found


def _parts(typed: Any) -> Iterable[Any]:
    return typed.values() if isinstance(typed, Mapping) else (typed,)


def _meant(name: str, key: str, typed: Any, plates: Mapping[str, Plate | None]) -> str:
    """The plate that is named, or the smallest one where none is."""
    if name != PART:
        if name not in plates:
            none = f"there is no plate {shown(name)} here: there is {listed(plates, 'and')}"
            raise RefusedError(none, "name")
        return name
    areas = {one: plate.outline.area for one, plate in plates.items() if plate is not None}
    least = sorted(areas, key=lambda one: areas[one])
    if len(least) > 1 and areas[least[1]] <= ALIKE * areas[least[0]]:
        how = f'write whose: {key} = {{ {least[0]} = "{typed}" }}'
        raise RefusedError(
            f"{least[0]} and {least[1]} are as large as each other: {how}", "conflict"
        )
    return least[0] if least else next(iter(plates))


def _check_thicker(name: str, size: float, plate: Plate | None, table: Table) -> None:
    if plate is None:
        return
    if plate.thickness is None:
        how = f'is not known: write thickness = "30 mm" in [plates.{name}]'
        raise RefusedError(f"the thickness of {name} {how}", "missing")
    if not size < plate.thickness:
        thick, asked = (table.faults.units.thickness(one) for one in (plate.thickness, size))
        wrong = f"{name} is {thick} thick and {asked} is asked for"
        raise RefusedError(f"{wrong}: lapping makes nothing thicker", "range")
