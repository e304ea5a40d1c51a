"""The next spell as a study: the faces that are believed, map and all, the right way round."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.form import forms
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import form_names
from lapwright.optimisation.book import Book, next_study
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.shop import one_normal
from lapwright.study.read import parse

STUDY = """
units = "metric"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 64, form = { dome = "3 um" } }
parts.B = { disc = "140 mm", thickness = "25 mm", cells = 64, material = "steel" }
gauges.sph = { kind = "spherometer", foot_circle = "110 mm", resolution = "0.05 um", repeatability = "20 nm" }
grits.coarse = { size = "15 um", layer = { depth = "0.6 um" } }
[[steps]]
top = "B"
bottom = "A"
grit = "coarse"
time = "8 min"
stroke = { length = "60 mm", width = "30 mm" }
[[steps]]
top = "B"
bottom = "A"
grit = "5 um"
time = "8 min"
[[variants]]
name = "longer"
step = 1
set = { "time" = "20 min" }
"""


@pytest.fixture
def book() -> Book:
    made = Book(parse(STUDY, "mine"))
    made.add(Entry(readings=(Reading("sph", "A", 1.2e-6), Reading("sph", "B", -0.4e-6))))
    return made


def believing(book: Book, finer: float) -> np.ndarray:
    """Have the book believe one shop, its finer shapes so large [m], and give it."""
    known, layout = book.chapters[-1].known, book.bench.layout
    shop = known.centre.copy()
    for name in layout.plates:
        own = layout.face(name)
        shop[own.start + 3 : own.stop] = finer * np.linspace(-1.0, 1.0, own.stop - own.start - 3)
        shop[own.start : own.start + 3] += np.array([0.2e-6, -0.3e-6, 0.4e-6])
    shop[layout.wear("coarse", "grey iron")] = np.log(0.7)
    shop[layout.wear("coarse", "steel")] = np.log(0.5)
    shop[layout.layer("coarse")] = np.log(1.5)
    one = one_normal(shop, known.covariance)
    book.chapters = (replace(book.chapters[-1], known=one),)
    return shop


@pytest.mark.parametrize(("finer", "mapped"), [(0.0, False), (40e-9, True)])
def test_faces_begin_as_they_are_believed(book: Book, finer: float, mapped: bool) -> None:
    shop = believing(book, finer)
    study = next_study(book, book.study.steps[0])
    layout = book.bench.layout
    assert ("map" in study.text) is mapped
    for name, plate in study.plates.items():
        # Least squares over the cells, which know nothing of shapes, against rows on the shapes.
        found = forms(plate, plate.heights(), study.margin).as_dict()
        wanted = layout.form_rows(name) @ shop
        for form, size in zip(form_names(plate), wanted, strict=True):
            assert found[form] == pytest.approx(size, abs=3e-9)
        surface = layout.bases[name].surface(layout.heights(name, shop[None])[0])
        on = plate.land > 0.99
        off = (plate.heights() - surface)[on]  # beside a tilt, which nobody sees
        x, y = (place[on] for place in plate.grid.mesh())
        plane = np.stack([np.ones_like(x), x, y], axis=1)
        off = off - plane @ np.linalg.lstsq(plane, off, rcond=None)[0]
        assert np.std(off) < 2e-9


def test_grit_is_as_learnt_and_nothing_else_of_the_study_comes_along(book: Book) -> None:
    believing(book, 0.0)
    step = replace(book.study.steps[0], time=None, strokes=120)
    study = next_study(book, step)
    own = book.study.steps[0].grit
    assert study.title == "mine: the next spell, after entry 1"
    assert [one.strokes for one in study.steps] == [120]
    grit = study.steps[0].grit
    iron, steel = book.study.plates["A"], book.study.plates["B"]
    assert own.wear.iron is not None
    assert grit.wear.plates["A"] == pytest.approx(
        0.7 * own.wear.iron * iron.material.wear_factor, rel=1e-3
    )
    assert grit.wear.plates["B"] == pytest.approx(
        0.5 * own.wear.iron * steel.material.wear_factor, rel=1e-3
    )
    assert grit.layer.depth == pytest.approx(0.9e-6, rel=1e-3)
    assert study.steps[0].curve == step.curve
    assert not study.variants
    assert "parts" in study.text
    assert parse(study.text, "next", None).text == study.text
