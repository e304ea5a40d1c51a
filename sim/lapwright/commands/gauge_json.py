"""What `gauge` answers to scripts: what gauges show, what readings say, the whole faces; SI throughout."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from lapwright.commands.gauge_seen import Seen, Whole
from lapwright.gauges.budget import Prediction
from lapwright.gauges.estimate import Estimate
from lapwright.gauges.instruments import OpticalFlat

__all__ = ["as_json"]


def as_json(seen: Sequence[Seen], whole: Mapping[str, Whole], found: Estimate | None) -> dict[str, Any]:
    """The answer as one object."""
    return {
        "readings": [_reading(one, p) for one in seen for p in one.there],
        "swept": [
            {
                "gauge": one.gauge.name,
                "plate": one.plate.name,
                "kind": one.gauge.kind,
                "places": one.swept.places,
                "size": one.swept.size,
            }
            for one in seen
            if one.swept is not None
        ],
        "faces": {name: _face(one) for name, one in whole.items()},
        "estimate": {} if found is None else _found(found),
        "agreement": None if found is None else found.agreement,
        "doubtful": [] if found is None else list(found.doubtful),
    }


def _reading(one: Seen, p: Prediction) -> dict[str, Any]:
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
