"""What a stroke takes out, leaves alone and makes, shape by shape, by name.

Errors by the names that the bench has for them, and how fast a motion halves each.

The shapes that die each at a rate of their own are seldom shapes that have a name, and many die at nearly the
same rate.  So each named pair of faces (two domes, the same twist on both, ridges along the stroke ...) is
followed as it is: what of it stays for ever is split off, and the time is sought in which the rms of the rest
is halved.

Where one face loses far more metal than the other, as a ring on a plate does, it soon takes the shape of what
it runs on, and its own errors go long before any pair does; they are followed too.

Pairs of faces that a step hardly touches: they all but fit at every place that it visits.

A top turned by two degrees in all, or a straight stroke a hair off a plate's clock with swaps, takes such a
pair out in the end, after more metal than anybody takes off.  `lapwright.kinematics.sliding` tells what
never goes.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from math import inf, log, pi

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import PLANES, Basis
from lapwright.modal.operator import STAYS, LinearSystem, kernel_of
from lapwright.modal.propagator import SLOW, Propagator, propagator_of

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

    def forms(
        self, z: Array, margin: EdgeMargin = NO_MARGIN
    ) -> tuple[dict[str, float], dict[str, float]]:
        """Form errors of bottom and top by name, of coefficients (n,) such as drift, residue or a shape.

        Parameters
        ----------
        z : Array
            (n,) [m], bottom and top stacked.
        margin : EdgeMargin
            What is left out along the edge.

        Returns
        -------
        bottom, top : dict
            [m] by name of the form.

        """
        half = self.bottom.size
        return self.bottom.forms(z[:half], margin), self.top.forms(z[half:], margin)


def spectrum_of(
    flow: LinearSystem, evolution: Propagator | None = None, made: Array | None = None
) -> Spectrum:
    """Tell the shapes of a flow; its `evolution`, where it is solved already.

    `made` (n,) [m/s]: how both faces move on, where that is not the drift; it tells the metal off.

    Raises
    ------
    DefectiveError
        When what the stroke leaves alone does not stay.

    """
    solved = evolution if evolution is not None else propagator_of(flow)
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
    vectors: list[Array] = []
    simple, space = _split(space, degrees > QUADRATIC)
    rows = _form_rows(faces)
    for row in rows:
        along = simple.T @ row
        if np.linalg.norm(along) > 1e-6 * np.linalg.norm(row):
            vector = simple @ (along / np.linalg.norm(along))
            vectors.append(vector)
            simple = _without(simple, vector)
    vectors += list(simple.T)
    for degree in range(QUADRATIC + 1, int(degrees.max(initial=0)) + 1):
        lower, space = _split(space, degrees > degree)
        vectors += list(lower.T)
    vectors += list(space.T)
    return np.stack(vectors, axis=1) if vectors else np.zeros((null.shape[0], 0))


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


Shape = Callable[[Array, Array], Array]

ROUND_NAMES = ("domes", "dome in dish", "saddles", "saddle in saddle", "twists", "opposite twists")
LONG_NAMES = ("bows", "bow in bow", "crowns", "crown in crown", "winds", "opposite winds")
OWN_ROUND, OWN_LONG = ("own dome", "own saddle", "own twist"), ("own bow", "own crown", "own wind")
OWN_NAMES = (*OWN_ROUND, *OWN_LONG)
BOTTOM, TOP = 0, 1
UNLIKE = (
    1.5  # times the metal of the other that one face loses, from which its own errors are followed
)
RIDGES = 5  # degree of the profile that stands for ridges
NOTHING = 1e-6  # of the start: less than this left to die is nothing
DOUBLINGS = 60


@dataclass(frozen=True, eq=False)
class FormMode:
    """A pair of faces with a name.

    `start` (n,): stacked coefficients, their squares adding up to 1; `stays`: share of its rms that is
    left for ever; `half_life` [s] of the rest, None where nothing dies.  `face`: 0 of the bottom alone, 1 of
    the top alone, None of a pair.
    """

    name: str
    start: Array
    stays: float
    half_life: float | None
    face: int | None = None


def named_errors(
    flow: LinearSystem, evolution: Propagator, direction: float = 0.0, slow_stays: bool = False
) -> tuple[FormMode, ...]:
    """All named errors of a pair under a flow.

    Parameters
    ----------
    flow : Flow
    evolution : Evolution
        Of the flow.
    direction : float
        Of the stroke on the bench [rad], for ridges along and across it.
    slow_stays : bool
        Whether, of what the face that loses most metal has, what dies so slowly that nobody waits for it
        counts as staying: the other face keeps it on land hardly rubbed.

    """
    modes = []
    quick = quicker(flow, evolution)
    for name, face, start in _starts(flow, direction, quick):
        lasting = evolution.kernel.projection @ start
        if slow_stays and face is not None and face == quick:
            lasting = lasting + evolution.slow_part(start)
        rest = start - lasting
        size = float(np.linalg.norm(rest))
        half = _half_life(evolution, rest, size) if size > NOTHING else None
        modes.append(FormMode(name, start, float(np.linalg.norm(lasting)), half, face))
    return tuple(modes)


def quicker(flow: LinearSystem, evolution: Propagator) -> int | None:
    """Which face loses far more metal than the other: 0 the bottom, 1 the top; None where they are alike."""
    bottom, top = -evolution.drift[0], -evolution.drift[flow.bottom.size]
    if top > UNLIKE * bottom:
        return TOP
    return BOTTOM if bottom > UNLIKE * top else None


def _half_life(evolution: Propagator, rest: Array, size: float) -> float:
    """Time after which the rms of what dies is half [s]."""
    parts, rates = evolution.left @ rest, evolution.rates

    def left(time: float) -> float:
        return float(np.linalg.norm((evolution.right @ (parts * np.exp(rates * time))).real)) / size

    low, high = 0.0, log(2.0) / float(np.abs(rates).max())
    for _ in range(DOUBLINGS):
        if left(high) <= 0.5:
            break
        low, high = high, 2.0 * high
    else:
        return inf
    for _ in range(DOUBLINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) > 0.5 else (low, middle)
    return high


def _starts(
    flow: LinearSystem, direction: float, quick: int | None
) -> list[tuple[str, int | None, Array]]:
    """Name, face and stacked coefficients of each; `quick`: the face whose own errors are among them."""
    faces = flow.bottom, flow.top
    long = all(face.plate.outline.long for face in faces)
    names = LONG_NAMES if long else ROUND_NAMES
    starts: list[tuple[str, int | None, Array]] = []
    radius = max(face.plate.outline.radius for face in faces)
    for k, form in enumerate(_forms(long)):
        # The same curvature on both, whatever their sizes: that is what fits.
        one, other = (_coefficients(face, form, radius) for face in faces)
        starts += [
            (names[2 * k], None, _unit(np.concatenate([one, other]))),
            (names[2 * k + 1], None, _unit(np.concatenate([one, -other]))),
        ]
    if quick is not None:
        own_long = faces[quick].plate.outline.long
        for name, form in zip(OWN_LONG if own_long else OWN_ROUND, _forms(own_long), strict=True):
            starts.append((name, quick, _on_one(faces, quick, form)))
    for which in (BOTTOM,) if quick is None else (quick, 1 - quick):
        for name, form, least in _finer(direction):
            if faces[which].degree >= least:
                starts.append((name, which, _on_one(faces, which, form)))
    return starts


def _on_one(faces: tuple[Basis, Basis], which: int, form: Shape) -> Array:
    """Stacked coefficients of a shape that one face has and the other has not."""
    own = _coefficients(faces[which], form, faces[which].plate.outline.radius)
    none = np.zeros(faces[1 - which].size)
    return _unit(np.concatenate([own, none] if which == BOTTOM else [none, own]))


def _forms(long: bool) -> tuple[Shape, Shape, Shape]:
    if long:
        return (lambda x, y: -x * x, lambda x, y: -y * y, lambda x, y: 2.0 * x * y)
    return (lambda x, y: -(x * x + y * y), lambda x, y: x * x - y * y, lambda x, y: 2.0 * x * y)


def _finer(direction: float) -> list[tuple[str, Shape, int]]:
    c, s = np.cos(direction), np.sin(direction)

    def zone(x: Array, y: Array) -> Array:
        r = x * x + y * y
        return 4.0 * r - 4.0 * r * r

    def across(x: Array, y: Array) -> Array:
        return _ridge(c * x + s * y)

    def along(x: Array, y: Array) -> Array:
        return _ridge(-s * x + c * y)

    return [
        ("zone", zone, 4),
        ("three lobes", lambda x, y: x**3 - 3.0 * x * y * y, 3),
        ("ridges along", along, RIDGES),
        ("ridges across", across, RIDGES),
    ]


def _ridge(x: Array) -> Array:
    """Chebyshev's polynomial: as many ridges of one height as its degree allows."""
    ridge: Array = np.cos(RIDGES * np.arccos(np.clip(x, -1.0, 1.0)))
    return ridge


def _coefficients(basis: Basis, shape: Shape, radius: float) -> Array:
    """A shape of x / radius and y / radius as coefficients, its plane left off."""
    coefficients = basis.fit(lambda x, y: shape(x / radius, y / radius))
    coefficients[:PLANES] = 0.0
    return coefficients


def _unit(start: Array) -> Array:
    unit: Array = start / float(np.linalg.norm(start))
    return unit


Solved = tuple[LinearSystem, Propagator]

# What fits where nothing turns can all but fit; ridges only where the faces may change places.
FITTING = ("twists", "saddle in saddle", "bow in bow", "crown in crown", "winds", "ridges along")
LINGER_DOUBLINGS = 40
STAYING = 0.5  # share left for ever, from which an error does not go at all


def lingering(
    solved: Sequence[Solved], times: Sequence[float], direction: float
) -> Mapping[str, float]:
    """Fitting pairs that go so slowly that nobody waits for it, with the metal that halves them.

    Parameters
    ----------
    solved
        Flow and evolution as the top is first laid on; and those once they have changed places, if they do.
    times
        How long each lies on top at a time [s].
    direction : float
        Of the stroke on the bench [rad].

    Returns
    -------
    dict
        Depth off each plate, the mean of both [m], by the names of `lapwright.modal.spectrum`.

    Raises
    ------
    DefectiveError
        When what the step leaves alone does not stay.

    """
    flow, first = solved[0]
    fastest = float(np.abs(first.rates).max(initial=0.0))
    if fastest == 0.0:
        return {}
    longest = log(2.0) / (SLOW * fastest)
    if len(solved) == 1:
        if not _any_slow(first.rates / fastest, SLOW):
            return {}
        half_lives = {e.name: (e.stays, e.half_life) for e in named_errors(flow, first, direction)}
    else:
        cycle, once = _by_turns(solved, times), sum(times)
        change = cycle - np.eye(cycle.shape[0])
        rates = np.linalg.eigvals(change)
        if not _any_slow(rates, once / longest):
            return {}
        lasting = kernel_of(change).projection
        half_lives = {
            e.name: _halved(cycle, lasting @ e.start, e.start, once)
            for e in named_errors(flow, first, direction)
            if e.name in FITTING
        }
    removal = _removal(solved, times)
    alike = flow.bottom.plate.outline == flow.top.plate.outline
    fitting = FITTING if alike else FITTING[:-1]
    halves = ((name, *half_lives.get(name, (0.0, None))) for name in fitting)
    return {
        name: half * removal
        for name, stays, half in halves
        if half is not None and stays < STAYING and half > longest
    }


def _any_slow(rates: NDArray[np.generic], below: float) -> bool:
    size = np.abs(rates)
    return bool(((size >= STAYS * size.max()) & (size < below)).any())


def _by_turns(solved: Sequence[Solved], times: Sequence[float]) -> Array:
    """What is left after each was on top once: (n, n), in the order of the first flow."""
    (flow, first), (_, second) = solved
    n, half = flow.matrix.shape[0], flow.bottom.size
    other = np.concatenate([np.arange(half, n), np.arange(half)])  # bottom and top change places
    after = np.zeros((n, n))
    after[np.ix_(other, other)] = second.map_over(times[1])[0]
    return after @ first.map_over(times[0])[0]


def _halved(cycle: Array, lasting: Array, start: Array, once: float) -> tuple[float, float | None]:
    """Share of a start (n,) that stays, and the time in which the rest is halved [s]; None: it all stays."""
    stays, rest = float(np.linalg.norm(lasting)), start - lasting
    goal = 0.5 * float(np.linalg.norm(rest))
    if goal < STAYS:
        return stays, None
    powers = [cycle]
    while np.linalg.norm(powers[-1] @ rest) > goal:
        if len(powers) > LINGER_DOUBLINGS:
            return stays, None
        powers.append(powers[-1] @ powers[-1])
    cycles = 1
    for doubled in range(len(powers) - 2, -1, -1):
        ahead = powers[doubled] @ rest
        if np.linalg.norm(ahead) > goal:
            rest, cycles = ahead, cycles + 2**doubled
    return stays, cycles * once


def _removal(solved: Sequence[Solved], times: Sequence[float]) -> float:
    """Mean depth that both lose in a second [m/s]."""
    lost = [-0.5 * float(e.drift[0] + e.drift[flow.bottom.size]) for flow, e in solved]
    return sum(rate * time for rate, time in zip(lost, times, strict=True)) / sum(times)
