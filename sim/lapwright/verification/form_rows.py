"""Flatness, gauges and standards against published numbers (checks 18-23, 26, 27).

Flatness and form measures against faces whose answers are known (check 18).

What gauges read against numbers from outside (checks 20, 21, 23 and 26).

A real surface plate, flatness grades and open surface files against what is published (19, 22, 27).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import on_face
from lapwright.metrology.conditions import (
    LAMPS,
)
from lapwright.metrology.contacts import Placement, Shaped, newton_radius, wave_reading
from lapwright.metrology.flatness import ASME, DIN, ISO, grades, minimum_zone
from lapwright.metrology.form import forms, measure
from lapwright.metrology.fringes import bands_along, brightness, fringes, straightness
from lapwright.metrology.instruments import OpticalFlat, RepeatReading, Spherometer, TwistGauge
from lapwright.metrology.sdf import from_sdf, to_sdf
from lapwright.metrology.surface import Surface, lay
from lapwright.metrology.x3p import from_x3p, to_x3p
from lapwright.specification.outline import Disc, Outline, Rectangle
from lapwright.specification.plate import Plate, StartForm
from lapwright.units import INCH, MICROINCH
from lapwright.verification import closed_forms as exact
from lapwright.verification.scenes import NO_MARGIN, Row, absolute, derived, relative


def form_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    for face in exact.KNOWN_FACES:
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
        (
            plate,
            "twist",
            "1:30 and 7:30 over the others by 1 um",
            0.5 * size * r**2 * np.sin(2.0 * angle),
        ),
        (rail, "bow", "middle over the ends by 1 um", size * (1.0 - (u / 0.15) ** 2)),
        (rail, "crown", "middle over the long edges by 1 um", size * (1.0 - (v / 0.025) ** 2)),
        (rail, "wind", "one pair of corners over the other by 1 um", 0.5 * size * corner),
    )
    for of, name, words, z in cases:
        got = getattr(forms(of, np.where(of.land > 0.0, z, 0.0), NO_MARGIN), name)
        yield relative(f"Form measure {name}, {words} [m]", source, size, got, 1e-9)
    tilted = (
        StartForm(sphere=2e-6, twist=-1e-6).heights(plate.grid, plate.outline) + 1e-4 * x - 3e-5 * y
    )
    got = forms(plate, tilted, NO_MARGIN)
    yield relative(
        "Form measure sphere, under tilt and twist [m]", source, 2e-6, got.sphere or 0.0, 1e-9
    )


PLATE = Plate(Disc(0.16), thickness=0.03, name="A")
Array = NDArray[np.float64]


def gauges_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    yield from _feet()
    yield from _waves()
    yield from _bands()
    yield from _mated()


def _feet() -> Iterator[Row]:
    source = derived("plane geometry; foot circle of radius 40 mm")
    points, balls = Spherometer(foot_circle=0.08), Spherometer(foot_circle=0.08, ball=3e-3)
    for name, gauge, radius, want in (
        ("points", points, 1.0, 0.800320256256e-3),
        ("balls of 3 mm, dome", balls, 1.0, 0.797924568104e-3),
        ("balls of 3 mm, dish", balls, -1.0, -0.802730379168e-3),
    ):
        yield relative(
            f"Spherometer on a radius of 1 m, {name} [m]", source, want, gauge.sag(radius), 1e-11
        )
    yield relative(
        "... and back to the radius, dish [m]", source, -1.0, balls.radius(-0.802730379168e-3), 1e-9
    )
    for name, got, want in (
        ("spherometer, dome", _reads(points, sphere=1e-6), 0.25e-6),
        ("spherometer, twist and saddle", _reads(points, twist=1e-6, saddle=1e-6), 0.0),
        ("twist gauge, twist", _reads(TwistGauge(foot_circle=0.08), twist=1e-6), 0.25e-6),
        (
            "twist gauge, dome and saddle",
            _reads(TwistGauge(foot_circle=0.08), sphere=1e-6, saddle=1e-6),
            0.0,
        ),
    ):
        yield absolute(
            f"Reads of 1 um on half the plate: {name} [m]",
            "square of the foot circle",
            want,
            got,
            1e-15,
        )


def _reads(gauge: Spherometer | TwistGauge, **form: float) -> float:
    face = Shaped(PLATE, StartForm(**form))  # type: ignore[arg-type]
    return gauge.contacts(Placement(), PLATE.outline).of(face.at)


def _waves() -> Iterator[Row]:
    gauge = RepeatReading(base=0.08)
    contacts = gauge.contacts(Placement(), PLATE.outline)
    for wave in (0.02, 0.05, 0.11):
        got = contacts.of(lambda x, y, k=2.0 * pi / wave: np.cos(k * x))  # type: ignore[misc]
        want = wave_reading(1.0, wave, 0.08)
        yield absolute(
            f"Three pads 40 mm apart on a wave of {wave * 1e3:.0f} mm",
            derived("A (1 - cos(pi L / wave))"),
            want,
            got,
            1e-12,
        )
    face = Shaped(PLATE, StartForm(sphere=1e-6))
    here, there = (
        gauge.contacts(Placement(at, angle), PLATE.outline).of(face.at)
        for at, angle in (((0.0, 0.0), 0.0), ((0.03, -0.01), 1.0))
    )
    yield absolute(
        "... moved and turned on a dome: change [m]", derived("blind"), 0.0, there - here, 1e-15
    )


def _bands() -> Iterator[Row]:
    for lamp, want in (("helium", 293.80e-9), ("sodium", 294.65e-9), ("helium-neon", 316.40e-9)):
        band = OpticalFlat(diameter=0.1, wavelength=LAMPS[lamp]).band
        yield relative(
            f"Height of one band, {lamp} [m]",
            "half the wavelength of that spectral line",
            want,
            band,
            1e-9,
        )
    source = "Newton's rings, r^2 = m lambda R; a textbook example's figures"
    r = newton_radius(10, 5e-3, 500e-9)
    yield relative(
        "Newton's tenth dark ring 5 mm across at 500 nm: radius [m]", source, 1.25, r, 1e-12
    )
    dark = float(brightness(np.array([2.5e-3**2 / (2.0 * 1.25)]), 500e-9)[0])
    yield absolute("... and how bright that ring is", source, 0.0, dark, 1e-12)
    face = Shaped(PLATE, StartForm(sphere=1e-6))
    seen = fringes(face, OpticalFlat(diameter=0.16), pixels=801).light[400]
    across = derived("1 um over half of 589.3 nm is 3.394 bands")
    want = 1e-6 / (0.5 * 589.3e-9)
    yield relative(
        "Bands of a 1 um dome counted in the picture, rim to rim",
        across,
        2 * want,
        bands_along(seen),
        5e-3,
    )
    wedge = OpticalFlat(diameter=0.16, wedge=1e-4)
    yield relative(
        "Bow of a band under a wedge, in spacings", across, want, straightness(face, wedge), 1e-6
    )


NOTHING = 1e-9  # of the largest singular value


@dataclass(frozen=True)
class MatingProof:
    """What was tried with two equal discs: they mate at turn `angles` [rad], at `centres` (in radii).

    `same_reading`: a comparator reads the same dome on both.
    """

    angles: tuple[float, ...] = (0.0,)
    centres: tuple[tuple[float, float], ...] = ((0.0, 0.0),)
    same_reading: bool = False


@dataclass(frozen=True)
class Hidden:
    """How many ways of not being flat are left, and which forms of each plate they hold.

    `faces` (ways, 2, n): each way as coefficients of the bottom's and the top's x^i y^j, in radii, the higher
    powers of x first, from x^2, xy, y^2 on; orthonormal.
    """

    ways: int
    forms: tuple[str, ...]  # among "dome", "saddle", "twist"
    faces: Array = field(repr=False, compare=False)


def _monomials(x: Array, y: Array, degree: int) -> Array:
    rows: Array = np.stack(
        [x**i * y ** (d - i) for d in range(2, degree + 1) for i in range(d, -1, -1)]
    )
    return rows


def hidden_by(proof: MatingProof, degree: int = 4) -> Hidden:
    """What may still be wrong with two faces that pass a proof, to a degree of polynomials.

    Height and tilt of a face are no error and left out.  Derived; known in words since J. Whitworth 1840.
    """
    points = _sunflower(240)
    count = len(_monomials(np.zeros(1), np.zeros(1), degree))
    poses = [(angle, centre) for angle in proof.angles for centre in proof.centres]
    blocks = []
    for angle, (cx, cy) in poses:
        x, y = points[:, 0], points[:, 1]
        inside = np.hypot(x - cx, y - cy) <= 1.0
        x, y = x[inside], y[inside]
        u, v = on_face(x, y, *(np.array([value]) for value in (cx, cy, angle)))
        both = np.vstack([_monomials(x, y, degree), _monomials(u, v, degree)]).T
        plane = np.stack([np.ones_like(x), x, y], axis=1)
        q, _ = np.linalg.qr(plane)
        blocks.append(both - q @ (q.T @ both))
    if proof.same_reading:
        row = np.zeros((1, 2 * count))
        row[0, [0, 2]], row[0, [count, count + 2]] = 1.0, -1.0
        blocks.append(row)
    _, size, vt = np.linalg.svd(
        np.vstack(blocks), full_matrices=False
    )  # many more rows than columns
    null = vt[int((size > NOTHING * size[0]).sum()) :]
    return Hidden(len(null), _forms_in(null, count), null.reshape(-1, 2, count))


def _forms_in(null: Array, count: int) -> tuple[str, ...]:
    """Which of the three forms any hidden way holds; x^2, xy, y^2 lead each plate's monomials."""
    found = []
    for plate in (0, count):
        xx, xy, yy = (null[:, plate + k] for k in range(3))
        found.append([np.abs(part).max(initial=0.0) > 1e-6 for part in (xx + yy, xx - yy, xy)])
    either = np.any(found, axis=0)
    return tuple(
        name for name, there in zip(("dome", "saddle", "twist"), either, strict=True) if there
    )


def _sunflower(number: int) -> Array:
    k = np.arange(number) + 0.5
    r, angle = np.sqrt(k / number), k * 2.399963229728653
    return np.asarray(np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1), dtype=np.float64)


SLID = ((0.0, 0.0), (0.3, 0.0), (0.0, 0.3))
PROOFS: Sequence[tuple[str, MatingProof]] = (
    ("they mate, once, at one angle", MatingProof()),
    ("... and wherever you slide them", MatingProof(centres=SLID)),
    ("... and read the same on a comparator", MatingProof(centres=SLID, same_reading=True)),
    ("they mate at 0 and 180 degrees, slid, and read the same", MatingProof((0.0, pi), SLID, True)),
    ("they mate at 0 and 90 degrees, slid", MatingProof((0.0, 0.5 * pi), SLID)),
    (
        "they mate at 0 and 90 degrees, slid, and read the same",
        MatingProof((0.0, 0.5 * pi), SLID, True),
    ),
)


def _mated() -> Iterator[Row]:
    source = derived("null space of mating, polynomials of degree 6")
    for name, proof, want in (
        ("one angle, slid, same reading", MatingProof((0.0,), SLID, True), 2.0),
        ("0 and 90 degrees, slid", MatingProof((0.0, 0.5 * pi), SLID), 1.0),
        ("0 and 90 degrees, slid, same reading", MatingProof((0.0, 0.5 * pi), SLID, True), 0.0),
    ):
        got = float(hidden_by(proof, 6).ways)
        yield absolute(f"Ways of not being flat that mate: {name}", source, want, got, 0.5)


def standards_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    yield from _plate_of_1955()
    yield from _grades()
    yield from _files()


def _plate_of_1955() -> Iterator[Row]:
    x, y, z = exact.stations()
    plane = np.stack([np.ones_like(x), x, y], 1)
    left = z - plane @ np.linalg.lstsq(plane, z, rcond=None)[0]
    source = exact.STATIONS_SOURCE
    for name, want, got in (
        ("range of heights", exact.STATIONS_RANGE, float(np.ptp(z))),
        ("minimum zone of all 126 stations", exact.STATIONS_ZONE, minimum_zone(x, y, z)),
        ("about the least-squares plane", exact.STATIONS_LEAST_SQUARES, float(np.ptp(left))),
    ):
        yield relative(f"A real 48 x 72 in surface plate, {name} [m]", source, want, got, 3e-6)


def _limit(outline: Outline, standard: str, grade: str) -> float:
    return next(g.limit for g in grades(outline, 0.0) if (g.standard, g.grade) == (standard, grade))


def _grades() -> Iterator[Row]:
    for short, long, want in ((48, 72, 350.0), (18, 18, 50.0), (24, 36, 100.0)):
        got = _limit(Rectangle(long * INCH, short * INCH), ASME, "AA")
        name = f"Flatness of grade AA, {short} x {long} in [m]"
        yield relative(name, f"{ASME}, printed table", want * MICROINCH, got, 1e-12)
    formula = f"{ASME}, 40 + D^2/25 microinch; A twice, B four times"
    for grade, times in (("AA", 1.0), ("A", 2.0), ("B", 4.0)):
        got = _limit(Disc(10.0 * INCH), ASME, grade)
        yield relative(
            f"Flatness of grade {grade}, 10 in round [m]",
            formula,
            times * 44.0 * MICROINCH,
            got,
            1e-12,
        )
    got = _limit(Rectangle(1.0, 0.63), ISO, "0")
    yield relative(
        "Flatness of grade 0, 1000 x 630 mm [m]",
        f"{ISO}, diagonal rounded up to 1200",
        6.1e-6,
        got,
        1e-12,
    )
    for grade, want in (("0", 8e-6), ("1", 20e-6), ("2", 40e-6)):
        got = _limit(Rectangle(1.0, 0.63), DIN, grade)
        yield relative(
            f"Flatness of grade {grade}, 1000 mm long [m]",
            f"{DIN}, published tables",
            want,
            got,
            1e-12,
        )


def _files() -> Iterator[Row]:
    plate = Plate(
        Disc(0.16), thickness=0.03, form=StartForm(sphere=3e-6, twist=1e-6), cells=64, name="A"
    )
    x, y = plate.grid.mesh()
    heights = plate.form.at(x, y, plate.outline)
    heights[np.hypot(x, y) > 0.08] = np.nan
    surface = Surface(heights, plate.grid.cell, plate.grid.cell)
    binary = to_sdf(surface)
    source = "ISO 25178-71; tests read it with an independent package"
    yield absolute(
        "SDF: bytes of the binary header", source, 81, len(binary) - heights.size * 8, 0.5
    )
    # Packed by the standard's own list of fields, 16-bit heights of 1 nm a step, the second not measured.
    steps = np.arange(1, 21, dtype="<i2")
    steps[1] = -32768
    fields = (b"bISO-1.0", b"shop", b"", b"", 5, 4, 1e-3, 2e-3, 1e-9, -1.0, 0, 5, 0)
    packed = from_sdf(struct.pack("<8s10s12s12sHHddddBBB", *fields) + steps.tobytes())
    yield absolute(
        "SDF: last height of one packed field by field [m]",
        source,
        20e-9,
        packed.heights[3, 4],
        1e-22,
    )
    yield absolute(
        "SDF: ... points not measured in it", source, 1, np.isnan(packed.heights).sum(), 0.5
    )
    yield absolute("SDF: ... and its spacing along y [m]", source, 2e-3, packed.dy, 1e-15)
    for name, of, got in (
        ("SDF, binary", "ISO 25178-71", from_sdf(binary)),
        ("SDF, ASCII", "ISO 25178-71", from_sdf(to_sdf(surface, form="ascii"))),
        ("X3P", "ISO 25178-72", from_x3p(to_x3p(surface))),
    ):
        off = float(np.nanmax(np.abs(got.heights - heights)))
        off = off if np.array_equal(np.isnan(got.heights), np.isnan(heights)) else np.nan
        yield absolute(f"{name}: a face written and read again [m]", of, 0.0, off, 1e-21)
    coarse = Plate(Disc(0.16), thickness=0.03, cells=47, name="A")
    laid = measure(coarse, lay(surface, coarse, 0.0032).measured.heights, NO_MARGIN)
    source = derived("a quadratic comes through whole")
    yield relative("A map on other cells: dome [m]", source, 3e-6, laid.sphere or 0.0, 1e-9)
    yield relative("A map on other cells: twist [m]", source, 1e-6, laid.twist or 0.0, 1e-9)
