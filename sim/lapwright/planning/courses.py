"""Courses of what was lapped in full."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from lapwright.planning.summary import Summary
from lapwright.planning.track import NEVER, course_of, track_of
from lapwright.planning.tuning import Asked, Cost, Course

__all__ = ["lapped_course"]


def lapped_course(got: Summary, asked: Sequence[Asked], hold: float | None) -> Course:
    """How a full simulation went; one that did not come to its end has `trouble` and reached nothing."""
    forms = {name: dict(ended.forms) for name, ended in got.plates.items()}
    if not got.done or not got.track:
        cost = Cost(got.time, got.removed, 0.0, 0.0)
        never = dict.fromkeys((one.key for one in asked), NEVER)
        return Course("simulation", None, NEVER, never, forms, cost, got.lift_share, (), got.trouble)
    course = course_of(track_of(got.track), asked, hold, "simulation")
    return replace(course, forms=forms, lift_share=got.lift_share)
