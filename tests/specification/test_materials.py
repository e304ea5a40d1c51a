"""What plates are made of, and kinds of abrasive, against published numbers."""

from __future__ import annotations

import pytest

from lapwright.errors import StudyError
from lapwright.specification.materials import ABRASIVES, MATERIALS, cutting, hardness_over
from lapwright.specification.step import Grit


def test_abrasives_in_the_order_of_ridgway():
    """R. R. Ridgway, A. H. Ballard, B. L. Bailey, Trans. Electrochem. Soc. 63 (1933) 369: on a scale where
    quartz is 8, fused alumina is 12, silicon carbide 13, boron carbide 14, diamond 15.
    """
    ridgway = {"alumina": 12, "silicon carbide": 13, "boron carbide": 14, "diamond": 15}
    assert tuple(sorted(ridgway, key=ridgway.__getitem__)) == ABRASIVES
    over = [hardness_over(kind, MATERIALS["granite"]) for kind in ABRASIVES]
    assert over == sorted(over)
    assert over[0] > 1.2  # quartz, by all of them


@pytest.mark.parametrize(
    ("name", "density", "modulus", "poisson", "expansion"),
    [
        # From memory: R. G. Munro, J. Phys. Chem. Ref. Data 26 (1997) 1195, sintered silicon carbide at 20
        # degC; the same, J. Am. Ceram. Soc. 80 (1997) 1919, alumina; expansion to 500 degC, handbook.
        ("silicon carbide", 3160.0, 415e9, 0.16, 4.0e-6),
        ("alumina", 3980.0, 400e9, 0.23, 7.5e-6),
        # ISO class K10 to K20, 6 % cobalt, from memory.
        ("carbide", 14900.0, 630e9, 0.22, 5.0e-6),
        # Soda-lime glass, handbook, from memory.
        ("glass", 2500.0, 72e9, 0.22, 8.7e-6),
        # A published table of carbon-graphite, all grades: 1.70 to 1.80 g/cm3, 10 to 21 GPa.
        ("carbon", 1750.0, 15.5e9, 0.20, 4.5e-6),
        # CuSn7ZnPb and CuAl10Fe, castings, from memory.
        ("leaded bronze", 8900.0, 100e9, 0.34, 18.0e-6),
        ("aluminium bronze", 7600.0, 118e9, 0.33, 16.2e-6),
    ],
)
def test_constants_are_those_of_handbooks(name, density, modulus, poisson, expansion):
    one = MATERIALS[name]
    assert one.density == pytest.approx(density, rel=0.03)
    assert one.modulus == pytest.approx(modulus, rel=0.08)
    assert one.poisson == pytest.approx(poisson, abs=0.02)
    assert one.expansion == pytest.approx(expansion, rel=0.08)
    assert one.source


def test_diamond_cuts_all_and_every_material_something():
    for material in MATERIALS.values():
        assert "diamond" in cutting(material)


def test_a_kind_is_one_of_four():
    assert Grit("15 um", abrasive="diamond").abrasive == "diamond"
    assert Grit("15 um").abrasive is None
    with pytest.raises(StudyError, match="a kind of abrasive"):
        Grit("15 um", abrasive="emery")


def test_a_wear_that_is_given_is_taken_as_it_is():
    """The multipliers of the kinds are for the usual wear alone; they stay within the band of ten."""
    given = [Grit("g", "15 um", "1 um/km/kPa", abrasive=kind).wear.iron for kind in ABRASIVES]
    assert given == pytest.approx([1e-12] * 4, rel=1e-9, abs=0.0)
    usual = Grit("15 um").wear.iron
    for kind in ABRASIVES:
        assert 10**-0.5 < Grit("15 um", abrasive=kind).wear.iron / usual < 10**0.5
