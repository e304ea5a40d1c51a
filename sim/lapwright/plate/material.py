"""What plates are made of.

Wear factors (against grey iron, loose grit) are common practice, no source.  Elastic and thermal constants
of grey iron and steel are those of the self-weight and thermal-bow checks (published there); the others are
typical handbook values, from memory, and so are all conductivities and heat capacities (commercial metals at
room temperature; pure ones conduct better).  Each may be given in a study, but for these last two.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from lapwright.said import Frozen, Said
from lapwright.study.table import pure_number
from lapwright.study.units import DENSITY, EXPANSION, PRESSURE, quantity

__all__ = ["MATERIALS", "Material"]

PUBLISHED = "published with the self-weight and thermal-bow examples"
MEMORY = "typical handbook value, from memory"


@dataclass(frozen=True)
class Material(Frozen):
    """`density` [kg/m3], `modulus` [Pa], `poisson`, `expansion` [1/K], `wear_factor` over grey iron.

    `conductivity` [W/(m K)], `heat_capacity` [J/(kg K)].  `source` is that of the elastic constants and the
    expansion.
    """

    name: str
    density: Said[float] = Said(quantity(DENSITY, least="500 kg/m3", most="25000 kg/m3"))
    modulus: Said[float] = Said(quantity(PRESSURE, least="0.1 GPa", most="1500 GPa"))
    poisson: Said[float] = Said(pure_number(0.0, 0.5, "Poisson's ratio"))
    expansion: Said[float] = Said(quantity(EXPANSION, least="-10e-6 1/K", most="300e-6 1/K"))
    wear_factor: Said[float] = Said(pure_number(1e-4, 1e4, "how much faster than grey iron it wears"))
    conductivity: float = 50.0
    heat_capacity: float = 500.0
    source: str = MEMORY


def _table(*rows: Material) -> Mapping[str, Material]:
    return MappingProxyType({row.name: row for row in rows})


MATERIALS: Mapping[str, Material] = _table(
    Material("grey iron", 7200.0, 110e9, 0.26, 10.5e-6, 1.0, 50.0, 500.0, PUBLISHED),
    Material("ductile iron", 7100.0, 169e9, 0.28, 11.0e-6, 0.8, 33.0, 500.0),
    Material("steel", 7850.0, 210e9, 0.30, 11.5e-6, 0.8, 50.0, 470.0, PUBLISHED),
    Material("hardened steel", 7810.0, 210e9, 0.30, 11.5e-6, 0.5, 45.0, 470.0),
    Material("stainless", 7900.0, 195e9, 0.29, 16.5e-6, 0.7, 16.0, 500.0),
    Material("bronze", 8800.0, 110e9, 0.34, 18.0e-6, 1.5, 60.0, 380.0),
    Material("brass", 8500.0, 100e9, 0.34, 19.0e-6, 1.7, 115.0, 380.0),
    Material("aluminium", 2700.0, 70e9, 0.33, 23.0e-6, 2.0, 160.0, 900.0),
    Material("copper", 8960.0, 120e9, 0.34, 16.7e-6, 1.8, 390.0, 385.0),
    Material("tin", 7290.0, 45e9, 0.33, 23.0e-6, 3.0, 67.0, 228.0),
    Material("carbide", 14900.0, 620e9, 0.22, 5.2e-6, 0.1, 85.0, 210.0),
    Material("alumina", 3900.0, 370e9, 0.22, 7.5e-6, 0.3, 28.0, 880.0),
    Material("silicon carbide", 3150.0, 410e9, 0.16, 4.0e-6, 0.2, 120.0, 680.0),
    Material("granite", 2900.0, 60e9, 0.25, 6.5e-6, 2.0, 2.8, 790.0),
    Material("glass", 2500.0, 70e9, 0.22, 8.5e-6, 3.0, 1.0, 800.0),
)
