"""What a stroke leaves alone and what it makes, from its matrix (checks 6, 11, 12)."""

from __future__ import annotations

from collections.abc import Iterator
from math import nan, pi, radians

import numpy as np

from lapwright.modal.basis import basis_of
from lapwright.modal.cycle import join
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.spectrum import NO_MARGIN, Spectrum
from lapwright.specification.curves import Circle, FigureEight, Line, Still
from lapwright.specification.outline import Rectangle
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Step, Turn
from lapwright.verification import closed_forms as exact
from lapwright.verification.closed_forms import circle_means, growth, line_means
from lapwright.verification.scenes import (
    RADIUS,
    Array,
    Row,
    absolute,
    body,
    derived,
    disc,
    relative,
    start_step,
)

PAIRS = derived("pairs that mate at every place; the lower pairs of F. Reuleaux, 1876, published")
LAW = derived("the moment law")
SYMMETRY = derived("every quarter turn of what comes to it comes as often")
ROWS = derived("seven rows tell powers 0 to 6 apart, so of x^i y^j with i + j <= 8 all but three")
FITTED = derived("a least-squares fit gives back what is among its shapes")
THREE = derived("half difference of spheres and half sum of twists kept by each pass")
GAP = 1e6  # between the slowest shape that dies and the fastest that does not
ROUND, EIGHT = Circle(0.33 * RADIUS), FigureEight(0.66 * RADIUS, 0.33 * RADIUS)
STRAIGHT = Line(0.66 * RADIUS)
FREE = Turn(radians(8.0))
DEGREES = (8, 5)
EXACT = 1e-9  # whole numbers


def picture_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    yield from counts()
    yield from drifts()
    yield from three_plates()
    yield from indexed_square()
    yield from deficient_bar()


def _index(degrees: float) -> Turn:
    return Turn(radians(degrees), 10)


def _spectrum(step: Step, degree: int = 8) -> Spectrum:
    return ReducedModel({name: disc(name, 128) for name in "AB"}, [step], degree).spectrum(1)


def counts() -> Iterator[Row]:
    """Count the pairs that stay; a count without a gap of a million in the rates is none."""
    cases = (
        ("eight, free turning", start_step(curve=EIGHT, turn=FREE), lambda d: 1),
        ("circle, no turning", start_step(curve=ROUND), lambda d: 3),
        ("still, turning", start_step(curve=Still(), turn=FREE), lambda d: d // 2),
        (
            "circle, one turn a stroke",
            start_step(curve=ROUND, turn=Turn(2.0 * pi)),
            lambda d: d // 2,
        ),
        ("circle, index of 180 degrees", start_step(curve=ROUND, turn=_index(180.0)), lambda d: 3),
        ("circle, index of 90 degrees", start_step(curve=ROUND, turn=_index(90.0)), lambda d: 1),
        ("circle, index of 120 degrees", start_step(curve=ROUND, turn=_index(120.0)), lambda d: 1),
        ("straight, no turning", start_step(curve=STRAIGHT), lambda d: d + 1),
        (
            "straight, index of 180 degrees",
            start_step(curve=STRAIGHT, turn=_index(180.0)),
            lambda d: 2 + d // 2,
        ),
        (
            "straight, index of 90 degrees",
            start_step(curve=STRAIGHT, turn=_index(90.0)),
            lambda d: 1,
        ),
    )
    for name, step, expected in cases:
        for degree in DEGREES:
            found = _spectrum(step, degree)
            got = float(found.survivors) if found.gap >= GAP else nan
            yield absolute(
                f"Pairs that a stroke leaves alone, {name}, degree {degree}",
                PAIRS,
                expected(degree),
                got,
                EXACT,
            )


def drifts() -> Iterator[Row]:
    """Compare what a stroke makes per metal removed with the moment law, at edge margin 0."""
    direction = radians(30.0)
    cases = (
        ("circle 0.33 R", start_step(curve=ROUND), circle_means(0.33 * RADIUS)),
        (
            "line 0.66 R at 30 degrees",
            start_step(curve=STRAIGHT, direction=direction),
            line_means(0.66 * RADIUS, direction),
        ),
    )
    for name, step, means in cases:
        found = _spectrum(step)
        removed = 0.5 * sum(found.removal)
        law = growth(means, 1.0, RADIUS)
        below, above = found.forms(found.drift, NO_MARGIN)
        for what, want, got in (
            ("(sphere_b - sphere_t)/2", law.sphere, 0.5 * (below["sphere"] - above["sphere"])),
            ("(saddle_b - saddle_t)/2", law.saddle, 0.5 * (below["saddle"] - above["saddle"])),
            ("(twist_b + twist_t)/2", law.twist, 0.5 * (below["twist"] + above["twist"])),
        ):
            yield absolute(
                f"What a stroke makes, {name}: {what} over the removal", LAW, want, got / removed,
                0.005 * (abs(want) or law.sphere),
            )  # fmt: skip


def three_plates() -> Iterator[Row]:
    """Compare a cycle AB, BC, CA of passes that go on until the pair mates."""
    names = ("A", "B", "C")
    steps = [start_step(curve=ROUND, bottom=names[b], top=names[t]) for b, t in exact.CYCLE]
    picture = ReducedModel({name: disc(name, 128) for name in names}, steps, 2)
    faces = [picture.basis(name) for name in names]
    whole = np.eye(sum(face.size for face in faces))
    for number, step in enumerate(steps, 1):
        mates = picture.evolution(number).kernel.projection
        whole = join(names, faces, (step.bottom, step.top), mates) @ whole
    sphere, twist = (_map_of(faces[0].form_rows(NO_MARGIN)[row], whole) for row in (0, 2))
    name = "Three plates in turn, each pass mating"
    yield relative(
        f"{name}: share of the spheres left by a cycle",
        THREE,
        2.0**-1.5,
        exact.spectral_radius(sphere),
        1e-6,
    )
    left = np.linalg.eigvals(sphere)  # the third is 0 but for rounding, and has no angle
    phase = abs(float(np.angle(left[np.abs(left).argmax()])))
    wanted = float(np.angle(exact.sphere_eigenvalues()[1]))
    yield relative(f"{name}: angle of the complex pair [rad]", THREE, wanted, phase, 1e-6)
    yield relative(
        f"{name}: share of the mean twist kept", THREE, 1.0, exact.spectral_radius(twist), 1e-6
    )


def indexed_square() -> Iterator[Row]:
    """Look at what the layer leaves on a square that is set over by quarter turns every twelve strokes."""
    outline = Rectangle(0.15, 0.15)
    plates = {name: body(name, outline, 3000.0 * outline.area, 64) for name in "AB"}
    step = start_step(curve=FigureEight(0.06, 0.04), turn=Turn(pi / 2.0, 12))
    picture = ReducedModel(plates, [step])
    face = picture.basis("A")
    left = face.forms(picture.evolution(1).residue[face.size :], NO_MARGIN)
    for form in ("saddle", "twist"):
        yield absolute(
            f"A square set over by quarter turns: {form} that the layer leaves on it [m]",
            SYMMETRY, 0.0, left[form], 1e-12,
        )  # fmt: skip


def deficient_bar() -> Iterator[Row]:
    """Fit 45 shapes to a bar whose seven rows of cells tell only 42 apart."""
    form = StartForm(bow=1e-6, crown=-0.5e-6, wind=0.3e-6)
    bar = body("A", Rectangle(0.6, 0.03), 20.0, 128, form=form)
    face = basis_of(bar, 8)
    yield absolute(
        "A bar on seven rows of cells: shapes that they tell apart",
        ROWS,
        42.0,
        float(face.seen.sum()),
        EXACT,
    )
    told = face.forms(face.project(bar.heights()), NO_MARGIN)
    for name in ("bow", "crown", "wind"):
        wanted = float(getattr(form, name))
        yield relative(
            f"A bar on seven rows of cells: {name} of its map [m]", FITTED, wanted, told[name], 1e-9
        )


def _map_of(row: Array, whole: Array) -> Array:
    """A cycle's map of one form error of the three plates, (3, 3)."""
    unit, size = row / (row @ row), row.size
    found = [[row @ whole[i : i + size, j : j + size] @ unit for j in range(0, 3 * size, size)]
             for i in range(0, 3 * size, size)]  # fmt: skip
    return np.array(found)
