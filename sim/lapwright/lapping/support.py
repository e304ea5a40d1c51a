"""Whether the load's line is held: how far it runs inside what the bottom supports."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from lapwright.errors import NoOverlapError, TippedError
from lapwright.lapping.motion import Motion
from lapwright.lapping.overhang import land_outline, margins, worst_overhang
from lapwright.lapping.overlap import overlap
from lapwright.lapping.reach import tipping_overhang
from lapwright.lapping.step import Hand, Step
from lapwright.plate.plate import Plate
from lapwright.units import Text

__all__ = ["check_stands", "place_in_words", "standing_message", "support_margin"]

Point = tuple[float, float]


def support_margin(top: Plate, bottom: Plate, c: Point, theta: float, point: Point) -> float:
    """Distance [m] of the load's line inside the hull of both lands' overlap; negative outside.

    `c` of the top's centre and `point` of the load, in the bench frame [m].
    """
    found = margins(
        land_outline(top), land_outline(bottom), np.array([c]), np.array([theta]), np.array([point])
    )
    return float(found[0])


def standing_message(top: Plate, bottom: Plate, c: Point, theta: float, point: Point) -> Text | str:
    """What would stand, in words: the load nearer to the centre, or the largest overhang that still does."""
    off = float(np.hypot(point[0] - c[0], point[1] - c[1]))
    if support_margin(top, bottom, c, theta, c) >= max(top.grid.cell, bottom.grid.cell):
        return Text(
            "the load (weight, hand and push together) acts {off:place} off the top's centre, and "
            "the top alone would stand: bring load_at nearer to the centre, press less, or push lower",
            off=off,
        )
    direction = float(np.arctan2(c[1], c[0]))
    try:
        least = tipping_overhang(top.outline, bottom.outline, direction, theta=theta)
    except NoOverlapError:  # the middle of the bottom is a hole: there is nothing to move out from
        return "the load must stay over both faces: move the stroke over the land, or shorten it"
    share = least / top.outline.width_along(direction - theta)
    return Text(
        "the load must stay over both faces, and the most that stands this way is an overhang of "
        f"{{least:place}} ({100.0 * share:.0f} % of the top): shorten the stroke or move it inwards",
        least=least,
    )


def check_stands(step: Step, top: Plate, bottom: Plate) -> None:
    """Look at all the places that a step visits before anything is lapped.

    Raises
    ------
    TippedError, NoOverlapError
        Where the load's line comes nearer than a cell to the edge of what supports it; names the pose.

    """
    worst = worst_overhang(step, top, bottom)
    if worst.margin >= max(top.grid.cell, bottom.grid.cell):
        return
    motion = Motion(replace(step, hand=Hand()))
    poses = motion.poses(np.array([worst.margin_at]))
    c, theta = (float(poses.cx[0]), float(poses.cy[0])), float(poses.theta[0])
    where = place_in_words(float(poses.phase[0]), theta, c)
    of: dict[str, Any] = {"top": top.name, "bottom": bottom.name, "where": where}
    try:
        overlap(top.outline, bottom.outline, c, theta)
    except NoOverlapError as nothing:
        raise NoOverlapError("{top} does not lie on {bottom} {where}", **of) from nothing
    load = top.weight + step.load.force
    moment = motion.moment(poses, load)[0] / load
    stands = standing_message(top, bottom, c, theta, (c[0] + float(moment[0]), c[1] + float(moment[1])))
    raise TippedError("{top} tips off {bottom} {where}: {stands}", **of, stands=stands)


def place_in_words(phase: float, theta: float, c: Point) -> Text:
    """Where in the stroke, for an error: phase and angle [rad], the top's centre [m]."""
    return Text(
        f"at {np.degrees(phase):.0f} degrees of the stroke, the top turned by "
        f"{np.degrees(theta) % 360.0:.0f} degrees and {{off:place}} off centre",
        off=float(np.hypot(*c)),
    )
