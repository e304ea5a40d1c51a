"""How plates bend by their weight, feet, hands and warmth, against published sizes (checks 24 and 25)."""

from __future__ import annotations

from collections.abc import Iterator
from math import cos, pi, sin

import numpy as np

from lapwright.metrology.bending import Elastic
from lapwright.metrology.conditions import (
    bow,
    pressed_sag,
    self_weight_sag,
    thermal_bow,
    three_point_sag,
)
from lapwright.specification.materials import MATERIALS, Material
from lapwright.specification.outline import Disc, Rectangle
from lapwright.specification.plate import Plate
from lapwright.specification.supports import Supports
from lapwright.verification.scenes import FROM_MEMORY, Row, absolute, derived, relative

DIAMETER, THICKNESS = 0.25, 0.04  # m, of the plate of the examples


def bending_rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    free = derived("Timoshenko, free plate, alpha dT D^2 / (8 h)")
    for name, want in (("steel", 2.246094e-6), ("grey iron", 2.050781e-6)):
        got = thermal_bow(MATERIALS[name], DIAMETER, THICKNESS, 1.0)
        yield relative(
            f"Bow of a 250 x 40 mm {name} plate, one side 1 K warmer [m]", free, want, got, 1e-6
        )
    warm = bow(Plate(Disc(DIAMETER), thickness=THICKNESS, name="A"), 1.0)
    yield relative(
        "The same for iron, as the heat of rubbing has it [m]", free, 2.050781e-6, warm, 1e-6
    )
    published = (
        "thin plate on a simply supported rim (Timoshenko), a "
        "published example's figures; g 9.80665 m/s2"
    )
    for name, want in (("steel", 38.9105e-9), ("grey iron", 71.482e-9)):
        got = self_weight_sag(MATERIALS[name], DIAMETER, THICKNESS)
        yield relative(
            f"Sag of a 250 x 40 mm {name} plate by its own weight [m]", published, want, got, 1e-5
        )
    # 0.0362038 is confirmed independently; Timoshenko prints 0.0362.
    unit = Material("of rigidity 1", 1.0, 12.0 * (1.0 - 0.25**2), 0.25, 0.0, 1.0)
    yield relative(
        "Sag of a disc on three rim supports, by P a^2 / D, Poisson 0.25",
        f"S. Timoshenko, Theory of Plates and Shells, prints 0.0362, {FROM_MEMORY}",
        0.0362,
        three_point_sag(unit, 2.0, 1.0, 1.0 / pi),
        2e-4,
    )
    pressed = pressed_sag(Plate(Disc(0.16), thickness=0.01, name="A"), 3000.0)
    yield relative(
        "Sag of a 160 x 10 mm iron plate on its rim under 3 kPa [m]",
        derived("thin plate"),
        0.82e-6,
        pressed or 0.0,
        0.01,
    )
    yield from body_rows()


THIN = 0.002  # m: of a plate of 250 mm so thin that shear does not matter


def body_rows() -> Iterator[Row]:
    """Plates and bars as bodies of polynomials, against handbooks."""
    metal = Material("of Poisson 1/4", 7200.0, 110e9, 0.25, 0.0, 1.0)
    body = Elastic(Plate(Disc(DIAMETER), thickness=THIN, material=metal, name="A"), 10)
    edge = 0.5 * DIAMETER
    unit = body.plate.weight * edge**2 * 12.0 * (1.0 - 0.0625) / (110e9 * THIN**3)
    timoshenko = f"S. Timoshenko, Theory of Plates and Shells, {FROM_MEMORY}"
    three = [(edge * cos(a), edge * sin(a)) for a in 0.5 * pi + 2.0 * pi * np.arange(3) / 3.0]
    rim = [(edge * cos(a), edge * sin(a)) for a in 2.0 * pi * np.arange(180) / 180.0]
    for name, feet, work, want, within in (
        ("its own weight, on its rim", rim, body.weight, 5.25 / (64.0 * pi * 1.25), 2e-3),
        ("its own weight, on three points of it", three, body.weight, 0.0362, 0.015),
        (
            "as much at its middle, on its rim",
            rim,
            body.plate.weight * body.pressed((0.0, 0.0)),
            3.25 / (16.0 * pi * 1.25),
            0.02,
        ),
    ):
        bent = body.on(np.array(feet)) @ -work
        heights = body.heights(bent, np.array([feet[0][0], 0.0]), np.array([feet[0][1], 0.0]))
        got = float(heights[0] - heights[1]) / unit
        yield relative(
            f"A thin disc as a body that bends: {name}, by P a^2 / D", timoshenko, want, got, within
        )
    bar = Plate(Rectangle(0.3, 0.02), thickness=0.004, name="A")
    x = np.linspace(-0.15, 0.15, 301)
    shares = np.arange(0.50, 0.61, 0.002)
    spans = []
    for share in shares:
        ridges = Supports(2, float(share)).under(bar.outline)
        part = Elastic(bar, 10)
        bent = part.on(np.array(ridges)) @ -part.weight
        spans.append(float(np.ptp(part.heights(bent, x, 0.0 * x))))
    yield absolute(
        "Two feet on which a bar sags least, by its half length",
        f"0.554: handbooks of strength of materials, {FROM_MEMORY}",
        0.554,
        float(shares[int(np.argmin(spans))]),
        0.004,
    )
