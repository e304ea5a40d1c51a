"""Flatness and form measures against faces whose answers are known (check 18)."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lapwright.exact.form import KNOWN_FACES
from lapwright.plate.flatness import minimum_zone
from lapwright.plate.form import StartForm
from lapwright.plate.measure import forms
from lapwright.plate.outline import Disc, Rectangle
from lapwright.plate.plate import Plate
from lapwright.verify.row import Row, relative
from lapwright.verify.scenes import NO_MARGIN

__all__ = ["rows"]


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    for face in KNOWN_FACES:
        got = minimum_zone(face.x, face.y, face.z)
        yield relative(f"Minimum zone, {face.name}", face.source, face.zone, got, 1e-9)
    yield from rim_over_rim()


def rim_over_rim() -> Iterator[Row]:
    """Forms of faces written down as what the words mean: rim over rim, centre over rim."""
    size = 1e-6
    plate = Plate(Disc(0.16), thickness=0.03, name="A")
    x, y = plate.grid.mesh()
    angle, r = np.arctan2(y, x), np.hypot(x, y) / 0.08
    rail = Plate(Rectangle(0.3, 0.05), thickness=0.03, cells=150, name="B")
    u, v = rail.grid.mesh()
    corner = np.sign(u * v) * np.abs(u * v) / (0.15 * 0.025)
    source = "the measure's own meaning: size of the form in words"
    cases = (
        (plate, "sphere", "centre over the rim by 1 um", size * (1.0 - r**2)),
        (plate, "saddle", "3 and 9 over 12 and 6 by 1 um", 0.5 * size * r**2 * np.cos(2.0 * angle)),
        (plate, "twist", "1:30 and 7:30 over the others by 1 um", 0.5 * size * r**2 * np.sin(2.0 * angle)),
        (rail, "bow", "middle over the ends by 1 um", size * (1.0 - (u / 0.15) ** 2)),
        (rail, "crown", "middle over the long edges by 1 um", size * (1.0 - (v / 0.025) ** 2)),
        (rail, "wind", "one pair of corners over the other by 1 um", 0.5 * size * corner),
    )
    for of, name, words, z in cases:
        got = getattr(forms(of, np.where(of.land > 0.0, z, 0.0), NO_MARGIN), name)
        yield relative(f"Form measure {name}, {words} [m]", source, size, got, 1e-9)
    tilted = StartForm(sphere=2e-6, twist=-1e-6).heights(plate.grid, plate.outline) + 1e-4 * x - 3e-5 * y
    got = forms(plate, tilted, NO_MARGIN)
    yield relative("Form measure sphere, under tilt and twist [m]", source, 2e-6, got.sphere or 0.0, 1e-9)
