"""How the top bears at the end of a run: in the middle of its stroke, and where that hangs out most."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.lapping.bearing import Bearing, bearing
from lapwright.lapping.motion import Motion
from lapwright.lapping.overhang import overhangs
from lapwright.lapping.run import Moment
from lapwright.lapping.step import Hand, Step, Turn
from lapwright.lapping.strokes import Still
from lapwright.plate.plate import Plate
from lapwright.study.model import Study
from lapwright.study.runfile import BearingRecord

__all__ = ["bearings_of", "full_overhang"]

Array = NDArray[np.float64]


def bearings_of(study: Study, moment: Moment) -> tuple[BearingRecord, ...]:
    """Bearings of the last pair with its last heights; a place where the top tips is left out."""
    number = moment.clock.step
    step = replace(study.steps[number - 1], top=moment.top, bottom=moment.bottom)
    at_rest = replace(step, curve=Still())
    places = (("middle", at_rest, 0.0), ("full overhang", step, full_overhang(study.plates, step)))
    found = []
    for name, place, phase in places:
        try:
            got = bearing(study.plates, place, heights=moment.heights, phase=phase)
        except LapwrightError:
            continue
        found.append(_record(number, name, phase, got, step))
    return tuple(found)


def full_overhang(plates: Mapping[str, Plate], step: Step, places: int = 240) -> float:
    """Phase [rad] of the first stroke, the top not yet turned, at which it hangs out furthest."""
    strokes = np.arange(places) / places
    poses = Motion(replace(step, turn=Turn(), walk=Turn(), hand=Hand())).poses(strokes)
    c = np.stack([poses.cx, poses.cy], axis=1)
    out, _ = overhangs(plates[step.top].outline, plates[step.bottom].outline, c, poses.theta)
    return float(2.0 * pi * strokes[int(out.argmax())])


def _record(number: int, name: str, phase: float, got: Bearing, step: Step) -> BearingRecord:
    return BearingRecord(
        step=number,
        name=name,
        phase=phase,
        theta=float(got.theta),
        c=np.asarray(got.c, dtype=float),
        pressure=np.asarray(got.pressure, dtype=float),
        peak=float(got.pressure_peak),
        mean=float(got.pressure_mean),
        contact_share=float(got.contact_share),
        bottom=step.bottom,
        top=step.top,
    )
