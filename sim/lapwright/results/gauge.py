"""What gauges show on faces, and what readings say of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from lapwright.results.answer import Answer

if TYPE_CHECKING:
    from lapwright.gauges.budget import Prediction
    from lapwright.gauges.estimate import Estimate
    from lapwright.results.gauge_request import Faces
    from lapwright.results.gauge_seen import Seen, Whole
    from lapwright.study.model import Study

__all__ = ["GaugeAnswer"]


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
        from lapwright.results.gauge_seen import seen_of, whole_faces

        self.study, self.budget = study, budget
        self.request = request_of(study, faces or faces_of(study), gauges, plates, readings, places)
        self.seen = seen_of(self.request, plates)
        self.whole = whole_faces(self.request, plates)
        self.estimate = self.request.estimate()
        self.findings = self.request.findings(self.estimate)

    def lines(self) -> Iterator[str]:
        """All of it in words."""
        from lapwright.results.gauge_told import in_words

        yield from in_words(self)

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        from lapwright.findings.finding import as_json

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
    from lapwright.gauges.instruments import OpticalFlat

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
        "budget": [{"cause": c.cause, "standard": c.standard, "how": c.how} for c in p.budget.parts],
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
