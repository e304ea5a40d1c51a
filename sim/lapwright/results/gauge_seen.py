"""What gauges look at: where each gauge is set down in its usual use, and the whole face beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, pi, sin
from typing import TYPE_CHECKING

from lapwright.gauges.budget import Prediction, firm_place, predict
from lapwright.gauges.contacts import Placement
from lapwright.gauges.fringes import bow
from lapwright.gauges.instruments import Bridge, Gauge, OpticalFlat, RepeatReading
from lapwright.gauges.sweep import Swept, repeat_reading, swept_flatness
from lapwright.gauges.usual import LINED, usual_angles, usual_place
from lapwright.plate.grades import Grade, grades
from lapwright.plate.measure import Form, measure
from lapwright.results.gauge_request import Request

if TYPE_CHECKING:
    from lapwright.gauges.face import Mapped
    from lapwright.plate.plate import Plate

__all__ = ["Seen", "Whole", "seen_of", "whole_faces"]

STATIONS = 7
EIGHTH = 0.25 * pi


@dataclass(frozen=True)
class Seen:
    """One gauge on one plate.

    `there`: what it shows place by place.  `swept`: what walking it over the whole face tells, of gauges
    that are walked.  `bow`: spacings by which the middle band bows, of a flat with a wedge.
    """

    gauge: Gauge
    plate: Plate
    there: Sequence[Prediction]
    lined: bool = False
    swept: Swept | None = None
    bow: float | None = None


@dataclass(frozen=True)
class Whole:
    """A whole face: its `form`, the `margin` [m] that was left out of it, and the grades that it reaches."""

    form: Form
    margin: float
    grades: Sequence[Grade]


def seen_of(request: Request, wanted: Sequence[str]) -> list[Seen]:
    """What each gauge shows on each plate, where it was asked for or at the places of its usual use."""
    out = []
    chosen = {plate: request.gauges[plate] for plate in wanted or request.faces.maps}
    for name in dict.fromkeys(gauge.name for gauges in chosen.values() for gauge in gauges):
        for plate, gauges in chosen.items():
            out += [
                _on(gauge, request, plate)
                for gauge in gauges
                if gauge.name == name and gauge.zero.plate != plate
            ]
    return out


def whole_faces(request: Request, wanted: Sequence[str]) -> dict[str, Whole]:
    """Form and grades of each face; rails have no grades: the standards are those of surface plates."""
    out = {}
    for name in wanted or request.faces.maps:
        face = request.faces.maps[name]
        outline, margin = face.plate.outline, request.study.margin
        form = measure(face.plate, face.z, margin)
        graded = () if outline.long or form.flatness is None else grades(outline, form.flatness)
        out[name] = Whole(form, margin.of(outline), graded)
    return out


def _on(gauge: Gauge, request: Request, plate: str) -> Seen:
    face = request.faces.maps[plate]
    if request.places:
        there = [predict(gauge, request.faces.maps, plate, place) for place in request.places]
        return Seen(gauge, face.plate, there, bow=_bow(gauge, face, request.places[0].at))
    lined = gauge.kind in LINED
    there = [predict(gauge, request.faces.maps, plate, place) for place in _usual_places(gauge, face.plate)]
    swept = None
    margin = request.study.margin.of(face.plate.outline)
    if isinstance(gauge, RepeatReading):
        swept = repeat_reading(gauge, face, margin)
    elif isinstance(gauge, Bridge):
        swept = swept_flatness(gauge, face, margin)
    return Seen(gauge, face.plate, there, lined, swept, _bow(gauge, face, (0.0, 0.0)))


def _bow(gauge: Gauge, face: Mapped, at: tuple[float, float]) -> float | None:
    """How far the middle band bows under a flat with a wedge; None where there is none to look at."""
    return bow(face, gauge, at) if isinstance(gauge, OpticalFlat) else None


def _usual_places(gauge: Gauge, plate: Plate) -> list[Placement]:
    """Along the longer side first; moved or turned off a groove where that helps."""
    along, across = plate.outline.size
    first = 0.0 if along >= across else 0.5 * pi
    if gauge.kind in LINED:
        base = getattr(gauge, "base", 0.0)
        return [
            place
            for angle in (first, first + 0.5 * pi)
            for place in _stations(plate.outline.width_along(angle), base, angle)
        ]
    wanted = [usual_place(gauge, plate.outline, angle) for angle in usual_angles(gauge, plate.outline)]
    reach = EIGHTH if len(wanted) == 1 and not plate.outline.long else pi / 18.0
    return [firm_place(gauge, plate, place, reach) or place for place in wanted]


def _stations(width: float, base: float, angle: float) -> list[Placement]:
    """Places along a line through the middle: foot to foot, or evenly for a bridge."""
    count = max(1, int(width * 0.98 / base)) if base else STATIONS
    step = base or width * 0.9 / (STATIONS - 1)
    places = [(k - 0.5 * (count - 1)) * step for k in range(count)]
    return [Placement((s * cos(angle), s * sin(angle)), angle) for s in places]
