"""What a stroke takes out, leaves alone and makes, shape by shape."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, log, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.modes.basis import PLANES, Basis
from lapwright.modes.evolution import SLOW, Evolution, evolution_of
from lapwright.modes.operator import Flow
from lapwright.plate.measure import EdgeMargin

__all__ = ["SLOW", "Mode", "Spectrum", "real_shape", "spectrum_of"]

Array = NDArray[np.float64]

NO_MARGIN = EdgeMargin(share=0.0)
QUADRATIC = 2


@dataclass(frozen=True)
class Mode:
    """A shape of both faces that keeps its form while it dies, or stays.

    `rate` [1/s] at which its size falls, `half_life` [s] and `half_removed` [m] (mean depth off both faces)
    in which it halves; None where it stays.  `period` [s]: of one that runs round while it dies (one of a
    pair of shapes), else None.  `shape` (n,): coefficients of the bottom, then the top, without planes; the
    larger rms of the two faces is 1.
    """

    rate: float
    half_life: float | None
    half_removed: float | None
    stays: bool
    slow: bool
    period: float | None
    shape: Array


@dataclass(frozen=True)
class Spectrum:
    """All shapes, those that stay first, then ever faster.

    `survivors`: how many stay, the six rigid motions not counted; `gap`: slowest rate that is not zero over
    the largest that counts as zero.  `drift` (n,) [m/s] and `residue` (n,) [m]: coefficients of bottom, then
    top.  `removal` [m/s]: mean depth lost by bottom and top, once bedded in.
    """

    bottom: Basis
    top: Basis
    modes: tuple[Mode, ...]
    survivors: int
    gap: float
    drift: Array
    residue: Array
    removal: tuple[float, float]

    @property
    def slow(self) -> tuple[Mode, ...]:
        """Those that do die, but so slowly that they are told apart."""
        return tuple(mode for mode in self.modes if mode.slow)

    def forms(self, z: Array, margin: EdgeMargin = NO_MARGIN) -> tuple[dict[str, float], dict[str, float]]:
        """Form errors of bottom and top by name, of coefficients (n,) such as drift, residue or a shape."""
        half = self.bottom.size
        return self.bottom.forms(z[:half], margin), self.top.forms(z[half:], margin)


def spectrum_of(flow: Flow, evolution: Evolution | None = None, made: Array | None = None) -> Spectrum:
    """Tell the shapes of a flow; its `evolution`, where it is solved already.

    `made` (n,) [m/s]: how both faces move on, where that is not the drift; it tells the metal off.

    Raises
    ------
    DefectiveError
        When what the stroke leaves alone does not stay.

    """
    solved = evolution if evolution is not None else evolution_of(flow)
    half = flow.bottom.size
    drift = solved.drift
    moves_on = drift if made is None else made
    removal = (-float(moves_on[0]), -float(moves_on[half]))
    mean = 0.5 * (removal[0] + removal[1])
    staying = survivors_in(solved.kernel.right, (flow.bottom, flow.top))
    modes = [Mode(0.0, None, None, True, False, None, v / _size(v, half)) for v in staying.T]
    fastest = float(np.abs(solved.rates).max())
    order = np.argsort(np.abs(solved.rates), kind="stable")
    for k in order[np.abs(solved.rates[order]) > 0.0]:
        rate = -float(solved.rates[k].real)
        turning = abs(float(solved.rates[k].imag))
        half_life = log(2.0) / rate if rate > 0.0 else inf
        shape = real_shape(_level(solved.right[:, k], half))
        shape /= _size(shape, half) * (np.sign(shape[np.argmax(np.abs(shape))]) or 1.0)
        slow = abs(solved.rates[k]) < SLOW * fastest
        period = 2.0 * pi / turning if turning > 0.0 else None
        modes.append(Mode(rate, half_life, half_life * mean, False, slow, period, shape))
    return Spectrum(
        flow.bottom,
        flow.top,
        tuple(modes),
        staying.shape[1],
        solved.kernel.gap,
        drift,
        solved.residue,
        removal,
    )


def _level(shape: NDArray[np.generic], half: int) -> NDArray[np.complex128]:
    """The shape without planes."""
    out = shape.astype(complex)
    out[:PLANES] = out[half : half + PLANES] = 0.0
    return out


def real_shape(shape: NDArray[np.complex128]) -> Array:
    """Of a pair, the shape at the moment when it is largest."""
    turned = shape * np.exp(-0.5j * np.angle((shape * shape).sum()))
    return np.ascontiguousarray(turned.real)


def _size(shape: Array, half: int) -> float:
    """The larger rms of the two faces."""
    return max(1e-300, *(float(np.sqrt((part**2).sum())) for part in (shape[:half], shape[half:])))


def survivors_in(null: Array, faces: tuple[Basis, ...]) -> Array:
    """What stays besides rigid motions (n, m): those that are forms first, by name, then by degree.

    `null` (n, k): orthonormal null vectors, of faces one after another, the planes of each among them.
    """
    starts = np.cumsum([0, *(face.size for face in faces)])
    level = null.copy()
    for start in starts[:-1]:
        level[start : start + PLANES] = 0.0
    u, sizes, _ = np.linalg.svd(level, full_matrices=False)
    space = u[:, sizes > 0.5]  # planes lie in the null space, so sizes are 0 or 1
    degrees = np.concatenate([face.degrees for face in faces])
    found: list[Array] = []
    simple, space = _split(space, degrees > QUADRATIC)
    rows = _form_rows(faces)
    for row in rows:
        along = simple.T @ row
        if np.linalg.norm(along) > 1e-6 * np.linalg.norm(row):
            vector = simple @ (along / np.linalg.norm(along))
            found.append(vector)
            simple = _without(simple, vector)
    found += list(simple.T)
    for degree in range(QUADRATIC + 1, int(degrees.max(initial=0)) + 1):
        lower, space = _split(space, degrees > degree)
        found += list(lower.T)
    found += list(space.T)
    return np.stack(found, axis=1) if found else np.zeros((null.shape[0], 0))


def _form_rows(faces: tuple[Basis, ...]) -> Array:
    """The form errors as rows (3 k, n): the first of every face, then the second ..."""
    blocks = []
    for which in range(3):
        for k, face in enumerate(faces):
            row = [np.zeros(f.size) for f in faces]
            row[k] = face.form_rows(NO_MARGIN)[which]
            blocks.append(np.concatenate(row))
    return np.array(blocks)


def _split(space: Array, high: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Part an orthonormal space (n, m) into what has nothing in the `high` rows, and the rest."""
    if space.shape[1] == 0:
        return space, space
    _, sizes, turn = np.linalg.svd(space[high], full_matrices=True)
    sizes = np.concatenate([sizes, np.zeros(space.shape[1] - sizes.size)])
    none = sizes < 1e-6
    turned = space @ turn.T
    return turned[:, none], turned[:, ~none]


def _without(space: Array, vector: Array) -> Array:
    """The part of an orthonormal space (n, m) across a vector of it: (n, m - 1)."""
    u, _, _ = np.linalg.svd(space - np.outer(vector, vector @ space), full_matrices=False)
    return np.ascontiguousarray(u[:, : space.shape[1] - 1])
