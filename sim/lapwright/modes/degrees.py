"""How fine the shapes of each face are: those of a plate much wider than what runs on it are finer.

A small part digs a pit into its plate, which is as much narrower than the plate as the part is.  At degree 8
on both, forms of seven such pairs after half an hour were up to 25 nm off a run's, with 12 on the plate 4
(docs/numerics.md); more on the part changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from lapwright.plate.plate import Plate

__all__ = ["WIDE_DEGREE", "degree_beside", "degrees_of"]

WIDER = 1.25  # times as wide as the other
WIDE_DEGREE = 12
LEAST = 6  # who asks for less than this wants few shapes


def degree_beside(plate: Plate, others: Iterable[Plate], degree: int) -> int:
    """Degree of the shapes of a plate beside `others`, where `degree` is asked for."""
    wide = any(plate.outline.radius > WIDER * other.outline.radius for other in others)
    return max(degree, WIDE_DEGREE) if wide and degree >= LEAST else degree


def degrees_of(plates: Mapping[str, Plate], pairs: Iterable[tuple[str, str]], degree: int) -> dict[str, int]:
    """Degree of the shapes of each plate, which meet in `pairs`."""
    met: dict[str, list[Plate]] = {name: [] for name in plates}
    for one, other in pairs:
        met[one].append(plates[other])
        met[other].append(plates[one])
    return {name: degree_beside(plates[name], others, degree) for name, others in met.items()}
