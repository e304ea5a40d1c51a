"""What can be told cheaply of plates and steps together: a step that can obviously not work is refused."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from lapwright.lapping.sizing import half_travel
from lapwright.lapping.step import Step
from lapwright.plate.measure import EdgeMargin
from lapwright.plate.plate import Plate
from lapwright.study.faults import listed, shown
from lapwright.study.table import Table

__all__ = ["check_margin", "check_together"]

LONGEST_RUN = 50_000_000  # strokes in all; a year of eight-hour days at 40 a minute has 5 million


def check_together(root: Table, plates: Mapping[str, Plate | None], steps: Sequence[Step | None]) -> None:
    """Note what cannot work in any step."""
    for number, step in enumerate(steps, 1):
        if step is None:
            continue
        top, bottom = plates.get(step.top), plates.get(step.bottom)
        if top is None or bottom is None:
            continue
        key = f"steps.{number}"
        _lies_on(root, key, step, top, bottom)
        _lasts(root, key, step)
        held = step.grit.held_in
        if held is not None and held not in (step.top, step.bottom):
            root.faults.add(
                f"{key}.grit",
                f"{shown(step.grit.name)} is held in {held}, which lies aside in this step: "
                f"take another grit or make {held} top or bottom",
                "value",
            )
        named = step.grit.wear.plates
        if named and step.grit.wear.iron is None and not {step.top, step.bottom} & set(named):
            root.faults.add(
                f"{key}.grit",
                f"the wear of {shown(step.grit.name)} is known for {listed(named, 'and')} only: "
                f"give it for {step.top} or {step.bottom} too",
                "value",
            )
    _observations(root, steps)


def _lies_on(root: Table, key: str, step: Step, top: Plate, bottom: Plate) -> None:
    """The top must come to lie on the bottom somewhere in its stroke."""
    units = root.faults.units
    away = math.hypot(*step.centre) - half_travel(step.curve)
    reach = top.outline.radius + bottom.outline.radius
    if away >= reach:
        root.faults.add(
            f"{key}.stroke.centre",
            f"lays the top {units.length(math.hypot(*step.centre), echo=True)} away: "
            "it never comes to lie on the bottom, "
            f"which ends at {units.length(bottom.outline.radius, echo=True)}",
            "no_overlap",
        )
    elif half_travel(step.curve) >= reach:
        root.faults.add(
            f"{key}.stroke",
            f"travels {units.length(2.0 * half_travel(step.curve), echo=True)}, off the bottom altogether: "
            f"the top falls off; a travel of a third of the top is usual",
            "no_overlap",
        )


def _lasts(root: Table, key: str, step: Step) -> None:
    if not step.total_strokes <= LONGEST_RUN:
        root.faults.add(
            f"{key}.{'time' if step.strokes is None else 'strokes'}",
            f"makes {step.total_strokes:.2g} strokes: {LONGEST_RUN:.0e} are the most",
            "range",
        )


def _observations(root: Table, steps: Sequence[Step | None]) -> None:
    """An observation is read in the first step that uses its grit, so its plate must rub there."""
    seen: set[str] = set()
    for number, step in enumerate(steps, 1):
        if step is None or step.grit.name in seen:
            continue
        seen.add(step.grit.name)
        observed = step.grit.wear.observed
        if (
            observed is not None
            and observed.plate is not None
            and observed.plate not in (step.top, step.bottom)
        ):
            root.faults.add(
                f"grits.{step.grit.name}.wear.plate",
                f"{shown(observed.plate)} lies aside in step {number}, the first with this grit: "
                f"name {step.top} or {step.bottom}",
                "value",
            )


def check_margin(root: Table, margin: EdgeMargin, plates: Mapping[str, Plate | None]) -> None:
    """The edge margin must leave some of every face."""
    for name, plate in plates.items():
        if plate is None:
            continue
        inset = margin.of(plate.outline) + (plate.grooves.rim if plate.grooves is not None else 0.0)
        if plate.outline.shrunk(1.05 * inset) is None:
            left_out = root.faults.units.length(margin.of(plate.outline), echo=True)
            root.faults.add(
                "edge_margin",
                f"of {left_out} leaves nothing of {name} to measure: write a smaller one",
                "range",
            )
