"""What gauges read against numbers from outside (checks 20, 21, 23 and 26)."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi

import numpy as np

from lapwright.exact.gauges import newton_radius, wave_reading
from lapwright.gauges.contacts import Placement
from lapwright.gauges.face import Shaped
from lapwright.gauges.fringes import bands_along, brightness, fringes, straightness
from lapwright.gauges.instruments import OpticalFlat, RepeatReading, Spherometer, TwistGauge
from lapwright.gauges.mated import Proof, hidden_by
from lapwright.gauges.sizes import LAMPS
from lapwright.plate.form import StartForm
from lapwright.plate.outline import Disc
from lapwright.plate.plate import Plate
from lapwright.verify.row import Row, absolute, derived, relative

__all__ = ["rows"]

PLATE = Plate(Disc(0.16), thickness=0.03, name="A")
SLID = ((0.0, 0.0), (0.3, 0.0), (0.0, 0.3))


def rows() -> Iterator[Row]:
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
        yield relative(f"Spherometer on a radius of 1 m, {name} [m]", source, want, gauge.sag(radius), 1e-11)
    yield relative(
        "... and back to the radius, dish [m]", source, -1.0, balls.radius(-0.802730379168e-3), 1e-9
    )
    for name, got, want in (
        ("spherometer, dome", _reads(points, sphere=1e-6), 0.25e-6),
        ("spherometer, twist and saddle", _reads(points, twist=1e-6, saddle=1e-6), 0.0),
        ("twist gauge, twist", _reads(TwistGauge(foot_circle=0.08), twist=1e-6), 0.25e-6),
        ("twist gauge, dome and saddle", _reads(TwistGauge(foot_circle=0.08), sphere=1e-6, saddle=1e-6), 0.0),
    ):
        yield absolute(
            f"Reads of 1 um on half the plate: {name} [m]", "square of the foot circle", want, got, 1e-15
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
    yield absolute("... moved and turned on a dome: change [m]", derived("blind"), 0.0, there - here, 1e-15)


def _bands() -> Iterator[Row]:
    for lamp, want in (("helium", 293.80e-9), ("sodium", 294.65e-9), ("helium-neon", 316.40e-9)):
        band = OpticalFlat(diameter=0.1, wavelength=LAMPS[lamp]).band
        yield relative(
            f"Height of one band, {lamp} [m]", "half the wavelength of that spectral line", want, band, 1e-9
        )
    source = "Newton's rings, r^2 = m lambda R; a textbook example's figures"
    r = newton_radius(10, 5e-3, 500e-9)
    yield relative("Newton's tenth dark ring 5 mm across at 500 nm: radius [m]", source, 1.25, r, 1e-12)
    dark = float(brightness(np.array([2.5e-3**2 / (2.0 * 1.25)]), 500e-9)[0])
    yield absolute("... and how bright that ring is", source, 0.0, dark, 1e-12)
    face = Shaped(PLATE, StartForm(sphere=1e-6))
    seen = fringes(face, OpticalFlat(diameter=0.16), pixels=801).light[400]
    across = derived("1 um over half of 589.3 nm is 3.394 bands")
    want = 1e-6 / (0.5 * 589.3e-9)
    yield relative(
        "Bands of a 1 um dome counted in the picture, rim to rim", across, 2 * want, bands_along(seen), 5e-3
    )
    wedge = OpticalFlat(diameter=0.16, wedge=1e-4)
    yield relative("Bow of a band under a wedge, in spacings", across, want, straightness(face, wedge), 1e-6)


def _mated() -> Iterator[Row]:
    source = derived("null space of mating, polynomials of degree 6")
    for name, proof, want in (
        ("one angle, slid, same reading", Proof((0.0,), SLID, True), 2.0),
        ("0 and 90 degrees, slid", Proof((0.0, 0.5 * pi), SLID), 1.0),
        ("0 and 90 degrees, slid, same reading", Proof((0.0, 0.5 * pi), SLID, True), 0.0),
    ):
        got = float(hidden_by(proof, 6).ways)
        yield absolute(f"Ways of not being flat that mate: {name}", source, want, got, 0.5)
