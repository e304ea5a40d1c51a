"""A schedule as a study that `run` takes, with what was asked and what comes of it at its head."""

from __future__ import annotations

import textwrap
from pathlib import Path

from lapwright.lapping.schedule import spread_of
from lapwright.planning.tuning import Candidate, Tuning
from lapwright.report.tuning_terms import asked_for, label, settings
from lapwright.study.write import written
from lapwright.units import Units

__all__ = ["study_text"]

WIDTH = 106


def study_text(got: Tuning, way: Candidate, place: Path) -> str:
    """The whole text, with what the person wrote beside; `place` is where it is to lie."""
    return written(way.document, "\n".join(_head(got, way, place)), got.study.text, way.order or None)


def _head(got: Tuning, way: Candidate, place: Path) -> list[str]:
    units, course = got.study.units, way.simulated
    told = [f"Written by lapwright tune from {got.study.stem}.toml. Asked: {asked_for(got.asked, units)}."]
    for one in settings(got, way):
        was = f' (was "{one.was}")' if one.was else ""
        told.append(f'Set: {one.name} "{one.now}"{was}.')
    if course is not None and course.trouble is None:
        left = [
            f"{label(one)} {units.size(course.worst[one.key])}"
            for one in got.asked
            if one.key in course.worst
        ]
        rubbed = Units.rubbing(course.cost.time, spread_of(got.study.steps))
        took = f"; {units.size(course.cost.removed)} of metal off, {rubbed}"
        told.append(f"Lapped in full: {', '.join(left)}{took if course.ok else '; the goal is not reached'}.")
    told.append(f"Lap it: lapwright run {place.name}")
    return [line for text in told for line in textwrap.wrap(text, WIDTH, subsequent_indent="  ")]
