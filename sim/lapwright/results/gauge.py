"""What gauges show on faces, what readings say of them, and where each gauge is set down.

What gauges look at: where each gauge is set down in its usual use, and the whole face beside it.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from math import cos, pi, sin
from typing import TYPE_CHECKING, Any, Self

from lapwright.metrology.budget import Prediction, firm_place, predict
from lapwright.metrology.contacts import Placement
from lapwright.metrology.flatness import Grade, grades
from lapwright.metrology.form import Form, measure
from lapwright.metrology.fringes import bow
from lapwright.metrology.instruments import Bridge, Gauge, OpticalFlat, RepeatReading
from lapwright.metrology.reading import (
    Swept,
    repeat_reading,
    swept_flatness,
    usual_angles,
    usual_place,
)
from lapwright.results.answer import Answer
from lapwright.results.gauge_request import Request

if TYPE_CHECKING:
    from lapwright.metrology.budget import Prediction
    from lapwright.metrology.contacts import Mapped
    from lapwright.metrology.least_squares import Estimate
    from lapwright.results.gauge_request import Faces
    from lapwright.specification.plate import Plate
    from lapwright.study.model import Study

__all__ = ["GaugeAnswer", "Seen", "Whole", "seen_of", "whole_faces"]


class GaugeAnswer(Answer):
    """What each gauge shows on each face, the whole faces, and what readings say.

    `faces`: those to look at, without it those of `study` as they come; `gauges` (names or kinds) and
    `plates`: only these; `readings`, such as "sph A 1.2 um @ 0 deg", beside those of the study; `places`,
    such as "90 deg at 20 mm, 0 mm": where gauges are set down; `budget`: every cause of doubt in words.

    Attributes: `seen`, what is shown gauge by gauge; `whole`, each face over all; `estimate`, the forms that
    the readings say with their covariance, None without readings; `findings`, what is noticed of them.

    Raises
    ------
    CommandError
        A gauge, plate, reading or place that cannot be.

    """

    def __init__(
        self,
        study: Study,
        faces: Faces | None = None,
        gauges: Sequence[str] | None = None,
        plates: Sequence[str] = (),
        readings: Sequence[str] = (),
        places: Sequence[str] = (),
        budget: bool = False,
    ) -> None:
        from lapwright.results.gauge_request import faces_of, request_of

        pass  # MOVED

        self.study, self.budget = study, budget
        self.request = request_of(study, faces or faces_of(study), gauges, plates, readings, places)
        self.seen = seen_of(self.request, plates)
        self.whole = whole_faces(self.request, plates)
        self.estimate = self.request.estimate()
        self.findings = self.request.findings(self.estimate)

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        from lapwright.presentation.gauge_text import in_words

        yield from in_words(self)

    def spoken_in(self, units: str) -> Self:
        """The same answer to a person who counts in other units ("metric" or "inch")."""
        other = super().spoken_in(units)
        other.request = replace(self.request, study=other.study)
        return other

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        from lapwright.results.finding import as_json

        found = self.estimate
        return {
            "readings": [_reading(one, p) for one in self.seen for p in one.there],
            "swept": [
                {
                    "gauge": one.gauge.name,
                    "plate": one.plate.name,
                    "kind": one.gauge.kind,
                    "places": one.swept.places,
                    "size": one.swept.size,
                }
                for one in self.seen
                if one.swept is not None
            ],
            "faces": {name: _face(one) for name, one in self.whole.items()},
            "estimate": {} if found is None else _found(found),
            "agreement": None if found is None else found.agreement,
            "doubtful": [] if found is None else list(found.doubtful),
            "findings": [as_json(one) for one in self.findings],
        }


def _reading(one: Seen, p: Prediction) -> dict[str, Any]:
    from lapwright.metrology.instruments import OpticalFlat

    return {
        "gauge": p.gauge,
        "plate": p.plate,
        "angle": p.place.angle,
        "at": list(p.place.at),
        "along": p.place.along,
        "value": p.value,
        "uncertainty": p.budget.standard,
        "half": p.budget.half,
        "ratio": None if p.best is None else p.ratio[p.best],
        "ratios": dict(p.ratio),
        "blind": list(p.blind),
        "in_groove": p.footing.fallen,
        "bands": p.value / one.gauge.band
        if isinstance(one.gauge, OpticalFlat) and p.value is not None
        else None,
        "bow": one.bow,
        "budget": [
            {"cause": c.cause, "standard": c.standard, "how": c.how} for c in p.budget.parts
        ],
    }


def _face(one: Whole) -> dict[str, Any]:
    return {
        "flatness": one.form.flatness,
        "flatness_ls": one.form.flatness_ls,
        "edge_margin": one.margin,
        "grades": [asdict(grade) for grade in one.grades],
    }


def _found(found: Estimate) -> dict[str, Any]:
    covariance = found.covariance()
    out: dict[str, Any] = {}
    for plate in found.plates:
        own = [k for k, (name, _) in enumerate(found.terms) if name == plate]
        forms = found.forms(plate)
        out[plate] = {
            "forms": {name: None if one is None else one.value for name, one in forms.items()},
            "half": {name: None if one is None else one.half for name, one in forms.items()},
            "covariance": covariance[own][:, own],
            "order": found.order(plate),
            "sum_only": list(found.sum_only(plate)),
        }
    return out


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
    lined = gauge.lined
    there = [
        predict(gauge, request.faces.maps, plate, place)
        for place in _usual_places(gauge, face.plate)
    ]
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
    if gauge.lined:
        base = getattr(gauge, "base", 0.0)
        return [
            place
            for angle in (first, first + 0.5 * pi)
            for place in _stations(plate.outline.width_along(angle), base, angle)
        ]
    wanted = [
        usual_place(gauge, plate.outline, angle) for angle in usual_angles(gauge, plate.outline)
    ]
    reach = EIGHTH if len(wanted) == 1 and not plate.outline.long else pi / 18.0
    return [firm_place(gauge, plate, place, reach) or place for place in wanted]


def _stations(width: float, base: float, angle: float) -> list[Placement]:
    """Places along a line through the middle: foot to foot, or evenly for a bridge."""
    count = max(1, int(width * 0.98 / base)) if base else STATIONS
    step = base or width * 0.9 / (STATIONS - 1)
    places = [(k - 0.5 * (count - 1)) * step for k in range(count)]
    return [Placement((s * cos(angle), s * sin(angle)), angle) for s in places]
