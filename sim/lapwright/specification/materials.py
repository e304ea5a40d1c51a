"""What plates and parts are made of, the kinds of abrasive, which of them cuts what; and liquids.

Wear factors (against grey iron, loose grit that cuts) are common practice, no source; so is how fast one kind
of abrasive cuts beside another, and how little is left where one does not cut.  Elastic and thermal constants
of grey iron and steel are those of the self-weight and thermal-bow checks (published there); those of carbon
lie in the middle of a published table; the others are typical handbook values, from memory, and so are all
conductivities and heat capacities (commercial metals at room temperature; pure ones conduct better).  Each
may be given in a study, but for these last two.

Hardness is Knoop [kgf/mm2] of the hardest that a grain has to cut: of tungsten carbide with cobalt the
carbide, of granite the quartz.  Abrasives, ceramics and quartz: CRC Handbook of Chemistry and Physics,
"Hardness of minerals and ceramics", from memory; R. R. Ridgway et al., Trans. Electrochem. Soc. 63 (1933)
369, have the same order.  Metals and glass: typical, from memory.  A grain cuts what it is at least 1.2 times
as hard as (the overview by G. Pintaude, J. Tribol. 132 (2010) 034502).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from lapwright.limits import limit_of
from lapwright.specification.quantities import DENSITY, EXPANSION, PRESSURE, quantity
from lapwright.specification.said import Frozen, Said
from lapwright.specification.table import choice, pure_number

PUBLISHED = "published with the self-weight and thermal-bow examples"
MEMORY = "typical handbook value, from memory"
TABLED = "middle of a published table of carbon-graphite: 1700 to 1800 kg/m3, 10 to 21 GPa"


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
    wear_factor: Said[float] = Said(
        pure_number(1e-4, 1e4, "how much faster than grey iron it wears")
    )
    conductivity: float = 50.0
    heat_capacity: float = 500.0
    source: str = MEMORY


_ALL = (
    Material("grey iron", 7200.0, 110e9, 0.26, 10.5e-6, 1.0, 50.0, 500.0, PUBLISHED),
    Material("ductile iron", 7100.0, 169e9, 0.28, 11.0e-6, 0.8, 33.0, 500.0),
    Material("steel", 7850.0, 210e9, 0.30, 11.5e-6, 0.8, 50.0, 470.0, PUBLISHED),
    Material("hardened steel", 7810.0, 210e9, 0.30, 11.5e-6, 0.5, 45.0, 470.0),
    Material("stainless", 7900.0, 195e9, 0.29, 16.5e-6, 0.7, 16.0, 500.0),
    Material("bronze", 8800.0, 110e9, 0.34, 18.0e-6, 1.5, 60.0, 380.0),
    Material("leaded bronze", 8930.0, 100e9, 0.34, 18.0e-6, 1.7, 58.0, 375.0),
    Material("aluminium bronze", 7600.0, 115e9, 0.33, 16.5e-6, 1.0, 55.0, 420.0),
    Material("brass", 8500.0, 100e9, 0.34, 19.0e-6, 1.7, 115.0, 380.0),
    Material("aluminium", 2700.0, 70e9, 0.33, 23.0e-6, 2.0, 160.0, 900.0),
    Material("copper", 8960.0, 120e9, 0.34, 16.7e-6, 1.8, 390.0, 385.0),
    Material("tin", 7290.0, 45e9, 0.33, 23.0e-6, 3.0, 67.0, 228.0),
    Material("carbide", 14900.0, 620e9, 0.22, 5.2e-6, 0.1, 85.0, 210.0),
    Material("alumina", 3900.0, 370e9, 0.22, 7.5e-6, 0.3, 28.0, 880.0),
    Material("silicon carbide", 3150.0, 410e9, 0.16, 4.0e-6, 0.2, 120.0, 680.0),
    Material("carbon", 1750.0, 15.5e9, 0.20, 4.5e-6, 3.0, 10.0, 800.0, TABLED),
    Material("granite", 2900.0, 60e9, 0.25, 6.5e-6, 2.0, 2.8, 790.0),
    Material("glass", 2500.0, 70e9, 0.22, 8.5e-6, 3.0, 1.0, 800.0),
)
MATERIALS: Mapping[str, Material] = MappingProxyType({one.name: one for one in _ALL})
SAME_AS = {"tungsten carbide": "carbide"}  # bonded with cobalt, both
_known = choice((*MATERIALS, *SAME_AS), "a material known here")


def material_named(value: Any) -> Material:
    """A material by its name."""
    name = _known(value)
    return MATERIALS[SAME_AS.get(name, name)]


# --- what is noticed of a material, by its name, so that runs of long ago are told of it too ----------

# What loose grit beds in and goes on cutting from (common practice, no source).
SOFT = frozenset(
    {"carbon", "bronze", "leaded bronze", "aluminium bronze", "brass", "aluminium", "copper", "tin"}
)
# Whose sludge or dust is documented as a hazard, and the code of the caution.
HAZARDS: Mapping[str, str] = MappingProxyType(
    {"carbide": "carbide", "leaded bronze": "lead", "granite": "silica", "carbon": "graphite"}
)
# Of which plates are made that other things are measured on (ISO 8512-1, -2; DIN 876): these have grades.
PLATE_METALS = frozenset({"grey iron", "ductile iron", "granite"})

# --- which abrasive cuts what ----------------------------------------------------------------------

_HARDNESS: Mapping[str, float] = MappingProxyType(
    {
        **dict.fromkeys(("grey iron", "ductile iron", "steel", "stainless"), 250.0),
        "hardened steel": 790.0,
        **dict.fromkeys(("bronze", "leaded bronze", "aluminium bronze", "brass", "copper"), 150.0),
        "aluminium": 100.0,
        "tin": 10.0,
        "carbide": 1880.0,
        "alumina": 2100.0,
        "silicon carbide": 2480.0,
        "granite": 820.0,
        "glass": 530.0,
    }
)
_ABRASIVES: Mapping[str, tuple[float, float]] = MappingProxyType(
    {  # Knoop hardness, and how fast it cuts what it cuts beside the usual wear of its size
        "alumina": (2100.0, 0.7),
        "silicon carbide": (2480.0, 1.0),
        "boron carbide": (2750.0, 1.3),
        "diamond": (7000.0, 2.0),
    }
)
ABRASIVES = tuple(_ABRASIVES)
CUTS, SCRATCHES = 1.2, 1.0  # times as hard: from here on a grain cuts; not even a little below
HARDLY, NOT = 0.1, 0.01  # of the usual wear, between the two and below (common practice, no source)


def quickness(abrasive: str | None) -> float:
    """How fast a kind of abrasive cuts beside the usual wear of its size; 1 where none is named."""
    return 1.0 if abrasive is None else _ABRASIVES[abrasive][1]


def hardness_over(abrasive: str, material: Material) -> float | None:
    """How many times as hard as a material an abrasive is; None where nothing in it is hard."""
    hardness = _HARDNESS.get(material.name)
    return None if hardness is None else _ABRASIVES[abrasive][0] / hardness


def holds_grit(material: Material) -> bool:
    """Whether grit that is rolled into a face stays there: only in what is far softer than any grain."""
    hardness = _HARDNESS.get(material.name)
    return hardness is None or hardness <= limit_of("holds grit")


def cut_left(abrasive: str | None, material: Material) -> float:
    """Which share of its wear a material has under a kind of abrasive: 1 where that cuts or none is named."""
    times = None if abrasive is None else hardness_over(abrasive, material)
    if times is None or times >= CUTS:
        return 1.0
    return HARDLY if times > SCRATCHES else NOT


def cutting(material: Material) -> tuple[str, ...]:
    """The kinds of abrasive that cut a material, the softest first."""
    return tuple(kind for kind in ABRASIVES if cut_left(kind, material) == 1.0)


# What stands between the faces beside the grit, with its viscosity at 20 degrees [Pa s]; 0: too little
# liquid to fill the gap, so none resists.  Water: IAPWS 2008; kerosene 1.2 to 1.9 mPa s by handbooks, 1.3
# taken; a spindle oil of ISO VG 10 (10 mm2/s at 40 degrees) about 20: all from memory.
LIQUIDS = {
    "smeared": 0.0,
    "starved": 0.0,
    "flooded with kerosene": 1.3e-3,
    "flooded with water": 1.0016e-3,
    "flooded with light oil": 20e-3,
}
LIQUID = choice(tuple(LIQUIDS), "a liquid")
