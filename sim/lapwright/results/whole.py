"""Whole faces: form, what they read like from middle to rim, and surface plates' grades where these hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from lapwright.metrology.flatness import Grade, grades
from lapwright.metrology.form import Form, measure
from lapwright.metrology.profile import LongProfile, Profile, profile_of
from lapwright.specification.materials import PLATE_METALS

if TYPE_CHECKING:
    from lapwright.results.gauge import Faces, Request
    from lapwright.specification.plate import Plate
    from lapwright.study.model import Study


@dataclass(frozen=True)
class Whole:
    """A whole face: its `form`, the `margin` [m] that was left out of it, and the grades that it reaches.

    `profile`: what it reads like from middle to rim; None of a long one.
    """

    form: Form
    margin: float
    grades: Sequence[Grade]
    profile: Profile | LongProfile | None = None

    @property
    def forms(self) -> dict[str, float | None]:
        """Forms and profile by name, as words take them."""
        return self.form.as_dict() | ({} if self.profile is None else self.profile.as_dict())

    def told(self) -> dict[str, Any]:
        """All of it for scripts."""
        return {
            "flatness": self.form.flatness,
            "flatness_ls": self.form.flatness_ls,
            "edge_margin": self.margin,
            "profile": None if self.profile is None else asdict(self.profile),
            "grades": [asdict(grade) for grade in self.grades],
        }


def whole_faces(request: Request, wanted: Sequence[str]) -> Mapping[str, Whole]:
    """Form, profile and grades of each face that is wanted; of all of them where none is."""
    out = {}
    study = request.study
    for name in wanted or request.faces.maps:
        face = request.faces.maps[name]
        form = measure(face.plate, face.z, study.margin)
        graded: Sequence[Grade] = ()
        if form.flatness is not None and has_grade(study, name, request.faces):
            graded = grades(face.plate.outline, form.flatness)
        profile = profile_of(face.plate, face.z, study.gauges.values())
        out[name] = Whole(form, study.margin.of(face.plate.outline), graded, profile)
    return out


def has_grade(study: Study, name: str, faces: Faces) -> bool:
    """Whether a surface plate's grade may be told: of a surface plate whose face was read, as it was read.

    A map that was measured is a reading of the whole face; sizes that were typed, what a run comes to, or a
    few readings by a gauge are not.
    """
    read = study.plates[name].form.measured is not None and faces.grits.get(name) is None
    part = any(key.startswith(f"parts.{name}.") for key in study.typed)
    return read and not part and is_surface_plate(study.plates[name])


def is_surface_plate(plate: Plate) -> bool:
    """Whether a plate is of a shape and a material that the standards of surface plates speak of."""
    outline = plate.outline
    return not outline.long and not outline.bore and plate.material.name in PLATE_METALS
