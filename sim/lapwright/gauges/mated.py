"""Is it flat, or does it only mate?  What mating, at one angle or two, still leaves possible.

Two faces mate when bottom plus top, the top turned over like a page, is a plane all over their overlap.
For faces that are polynomials that is linear, so what can hide is a null space, found here by arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.laid import on_face

__all__ = ["PROOFS", "Hidden", "Proof", "hidden_by"]

Array = NDArray[np.float64]

NOTHING = 1e-9


@dataclass(frozen=True)
class Proof:
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
    rows: Array = np.stack([x**i * y ** (d - i) for d in range(2, degree + 1) for i in range(d, -1, -1)])
    return rows


def hidden_by(proof: Proof, degree: int = 4) -> Hidden:
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
    _, size, vt = np.linalg.svd(np.vstack(blocks), full_matrices=False)  # many more rows than columns
    null = vt[int((size > NOTHING * size[0]).sum()) :]
    return Hidden(len(null), _forms_in(null, count), null.reshape(-1, 2, count))


def _forms_in(null: Array, count: int) -> tuple[str, ...]:
    """Which of the three forms any hidden way holds; x^2, xy, y^2 lead each plate's monomials."""
    found = []
    for plate in (0, count):
        xx, xy, yy = (null[:, plate + k] for k in range(3))
        found.append([np.abs(part).max(initial=0.0) > 1e-6 for part in (xx + yy, xx - yy, xy)])
    either = np.any(found, axis=0)
    return tuple(name for name, there in zip(("dome", "saddle", "twist"), either, strict=True) if there)


def _sunflower(number: int) -> Array:
    k = np.arange(number) + 0.5
    r, angle = np.sqrt(k / number), k * 2.399963229728653
    return np.asarray(np.stack([r * np.cos(angle), r * np.sin(angle)], axis=1), dtype=np.float64)


SLID = ((0.0, 0.0), (0.3, 0.0), (0.0, 0.3))
PROOFS: Sequence[tuple[str, Proof]] = (
    ("they mate, once, at one angle", Proof()),
    ("... and wherever you slide them", Proof(centres=SLID)),
    ("... and read the same on a comparator", Proof(centres=SLID, same_reading=True)),
    ("they mate at 0 and 180 degrees, slid, and read the same", Proof((0.0, pi), SLID, True)),
    ("they mate at 0 and 90 degrees, slid", Proof((0.0, 0.5 * pi), SLID)),
    ("they mate at 0 and 90 degrees, slid, and read the same", Proof((0.0, 0.5 * pi), SLID, True)),
)
