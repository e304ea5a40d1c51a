"""How plates bend, by their own weight and by warmth, against published sizes (checks 24 and 25)."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi

from lapwright.plate.bending import pressed_sag, self_weight_sag, thermal_bow, three_point_sag
from lapwright.plate.heat import bow
from lapwright.plate.material import MATERIALS, Material
from lapwright.plate.outline import Disc
from lapwright.plate.plate import Plate
from lapwright.verify.row import FROM_MEMORY, Row, derived, relative

__all__ = ["rows"]

DIAMETER, THICKNESS = 0.25, 0.04  # m, of the plate of the examples


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    free = derived("Timoshenko, free plate, alpha dT D^2 / (8 h)")
    for name, want in (("steel", 2.246094e-6), ("grey iron", 2.050781e-6)):
        got = thermal_bow(MATERIALS[name], DIAMETER, THICKNESS, 1.0)
        yield relative(f"Bow of a 250 x 40 mm {name} plate, one side 1 K warmer [m]", free, want, got, 1e-6)
    warm = bow(Plate(Disc(DIAMETER), thickness=THICKNESS, name="A"), 1.0)
    yield relative("The same for iron, as the heat of rubbing has it [m]", free, 2.050781e-6, warm, 1e-6)
    published = (
        "thin plate on a simply supported rim (Timoshenko), a published example's figures; g 9.80665 m/s2"
    )
    for name, want in (("steel", 38.9105e-9), ("grey iron", 71.482e-9)):
        got = self_weight_sag(MATERIALS[name], DIAMETER, THICKNESS)
        yield relative(f"Sag of a 250 x 40 mm {name} plate by its own weight [m]", published, want, got, 1e-5)
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
