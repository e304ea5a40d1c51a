"""What is read off faces that are known by coefficients: forms, flatness, misfit, when a gauge says stop."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapwright.lapping.mating import centred
from lapwright.lapping.step import Until
from lapwright.modes.basis import PLANES, Basis, form_names
from lapwright.plate.flatness import minimum_zone
from lapwright.plate.measure import EdgeMargin
from lapwright.plate.plate import Plate

__all__ = ["Looks"]

Array = NDArray[np.float64]

POINTS = 128  # on a face, by which flatness and misfit are told


@dataclass(frozen=True)
class _Face:
    """`rows` (3, size): forms; `shapes` (n, size) at points x, y (n,) [m], less their planes."""

    names: tuple[str, ...]
    rows: Array
    x: Array
    y: Array
    shapes: Array


class Looks:
    """Looks at faces of plates inside a margin; states are coefficients (size,) or columns (size, k) [m].

    `exact`: flatness by the minimum zone of the points; else about their least-squares plane, never less.
    """

    def __init__(
        self, plates: Mapping[str, Plate], bases: Mapping[str, Basis], margin: EdgeMargin, exact: bool = False
    ) -> None:
        self.plates = plates
        self.bases = bases
        self.margin = margin
        self.exact = exact
        self.faces = {name: _face(plate, bases[name], margin) for name, plate in plates.items()}
        self._misfits: dict[tuple[str, str], Array] = {}

    def forms(self, name: str, z: Array) -> dict[str, Array]:
        """Form errors [m] of a face, by name."""
        return dict(zip(self.faces[name].names, self.faces[name].rows @ z, strict=True))

    def dome(self, name: str, z: Array) -> float:
        """How domed a face is (rails: along) [m]."""
        return float(self.faces[name].rows[0] @ z)

    def flatness(self, name: str, z: Array) -> Array:
        """Flatness (k,) [m] of states (size, k)."""
        face = self.faces[name]
        heights = face.shapes @ z
        if not self.exact:
            spread: Array = np.ptp(heights, axis=0)
            return spread
        return np.array([minimum_zone(face.x, face.y, one) for one in heights.T])

    def mating(self, bottom: str, top: str, z_bottom: Array, z_top: Array) -> Array:
        """Misfit of a pair laid centred, 12 on 12 (k,) [m], rms about its plane."""
        if (bottom, top) not in self._misfits:
            self._misfits[bottom, top] = self._misfit(bottom, top)
        gap = self._misfits[bottom, top] @ np.concatenate([z_bottom, z_top])
        misfit: Array = np.sqrt((gap**2).mean(axis=0))
        return misfit

    def _misfit(self, bottom: str, top: str) -> Array:
        """Rows (n, both sizes): the gap at points of the bottom that the top covers, less its plane."""
        face, other = self.faces[bottom], self.plates[top].outline
        u, v = centred(face.x, face.y)
        on = other.signed_distance(u, v) <= -self.margin.of(other)
        if on.sum() <= PLANES:
            return np.full((1, self.bases[bottom].size + self.bases[top].size), np.nan)
        x, y = face.x[on], face.y[on]
        both = np.concatenate([self.bases[bottom].evaluate(x, y), self.bases[top].evaluate(u[on], v[on])]).T
        return _off_plane(x, y, both)

    def until(self, until: Until, pair: tuple[str, str], states: Array, level: float) -> tuple[int, bool]:
        """States (n, 1 + k) after the first that pass until every gauge says stop; whether it does.

        `pair`: bottom, top; `level`: sum of their mean heights as the step began [m].
        """
        half = self.bases[pair[0]].size
        z = dict(zip(pair, (states[:half], states[half:]), strict=True))
        met = np.ones(states.shape[1] - 1, dtype=bool)
        forms = {name: self.forms(name, one) for name, one in z.items()}
        if until.removed is not None:
            met &= 0.5 * (level - z[pair[0]][0, 1:] - z[pair[1]][0, 1:]) >= until.removed
        if until.difference is not None:
            apart = np.subtract(*(next(iter(forms[name].values())) for name in pair[::-1]))
            met &= (np.abs(apart[1:]) <= until.difference) | (apart[1:] * apart[:-1] < 0.0)
        if until.twist is not None:
            twists = [np.abs(f["wind"] if "wind" in f else f["twist"])[1:] for f in forms.values()]
            met &= np.max(twists, axis=0) <= until.twist
        if until.flatness is not None:
            met &= np.max([self.flatness(n, one[:, 1:]) for n, one in z.items()], axis=0) <= until.flatness
        if until.mating is not None:
            met &= self.mating(*pair, z[pair[0]][:, 1:], z[pair[1]][:, 1:]) <= until.mating
        return (int(np.argmax(met)) + 1, True) if met.any() else (met.size, False)


def _face(plate: Plate, basis: Basis, margin: EdgeMargin) -> _Face:
    x, y = _points(plate, margin)
    shapes = _off_plane(x, y, basis.evaluate(x, y).T)
    return _Face(form_names(plate), basis.form_rows(margin), x, y, shapes)


def _off_plane(x: Array, y: Array, shapes: Array) -> Array:
    """Columns of `shapes` (n, size) less their least-squares planes over the points."""
    plane, _ = np.linalg.qr(np.stack([np.ones_like(x), x - x.mean(), y - y.mean()], axis=1))
    left: Array = shapes - plane @ (plane.T @ shapes)
    return left


def _points(plate: Plate, margin: EdgeMargin) -> tuple[Array, Array]:
    """Points on the land inside the margin: half of them along its edges, half spread over it."""
    inside = plate.land_inside(margin.of(plate.outline)) >= 0.5
    padded = np.pad(inside, 1)
    ringed = padded[:-2, 1:-1] & padded[2:, 1:-1] & padded[1:-1, :-2] & padded[1:-1, 2:]
    x, y = plate.grid.mesh()
    found = []
    for on in (inside & ~ringed, inside & ringed):
        # In an order that goes round the face, so that every nth is spread over it.
        px, py = x[on], y[on]
        order = np.lexsort((np.hypot(px, py), np.arctan2(py, px)))
        every = max(1, -(-px.size * 2 // POINTS))
        found.append((px[order][::every], py[order][::every]))
    return np.concatenate([p[0] for p in found]), np.concatenate([p[1] for p in found])
