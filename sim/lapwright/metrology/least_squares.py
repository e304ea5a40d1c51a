"""From readings to form: generalised least squares, and honest intervals.

Nothing is assumed of the forms beforehand.  A form, or a sum of forms, is *seen* when the readings fix it
whatever everything unknown may be (zeros, how the plate lies); what is not seen is said so and not guessed.
Sources: JCGM 100:2008 and 102:2011 for covariances; the distribution of the error as in `spread`;
R. T. Birge, Phys. Rev. 40 (1932) 207-227 for readings that scatter more than they should (from memory).

How an error spreads that is a sum of normal, uniform and two-point parts, and its 95 % interval.

JCGM 100:2008 (GUM) combines variances; where two-point hysteresis or rounding is a large part of the whole,
1.96 standard deviations would hold the truth far more or less often than said.  So the distribution itself
is summed up, which is what JCGM 101:2008 does by drawing; here by a Fourier series, without chance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.metrology.conditions import bending
from lapwright.metrology.instruments import Gauge
from lapwright.metrology.reading import Model, Reading, model_of
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]

COVERAGE = 0.95
TERMS = 4096
SMOOTH = (
    1.0 / 1500.0
)  # of the reach: blurs the jumps of two-point parts, which the series could not follow
NEGLIGIBLE = 1e-4  # of the whole


@dataclass(frozen=True)
class Spread:
    """An error about zero, the sum of independent parts in one unit.

    A `normal` part of so much standard deviation; uniform parts of half widths `uniform`; parts that are + or
    - `two_point` with even odds; and a `bound` within which a last part lies, of which no more is known.
    """

    normal: float = 0.0
    uniform: tuple[float, ...] = ()
    two_point: tuple[float, ...] = ()
    bound: float = 0.0

    def times(self, factor: float) -> Spread:
        """The same, so many times as wide."""
        uniform, two_point = (
            tuple(factor * a for a in part) for part in (self.uniform, self.two_point)
        )
        return Spread(factor * self.normal, uniform, two_point, factor * self.bound)

    @property
    def standard(self) -> float:
        """Standard uncertainty; what is only bounded counts as uniform (JCGM 100, 4.3.7)."""
        return sqrt(self._chance + self.bound**2 / 3.0)

    @property
    def _chance(self) -> float:
        """Variance of all but the bounded part."""
        variance = self.normal**2 + sum(a * a for a in self.uniform) / 3.0
        return variance + sum(a * a for a in self.two_point)

    @property
    def half(self) -> float:
        """Half width of the interval about zero that holds 95 % of it, or more if a part is bounded."""
        whole = sqrt(self._chance)
        if whole == 0.0:
            return self.bound
        parts = [np.abs(np.asarray(p, dtype=float)) / whole for p in (self.uniform, self.two_point)]
        # Very many small parts are normal by the central limit theorem; the largest keep their own shape.
        normal2 = (self.normal / whole) ** 2
        kept = []
        for part, third in zip(parts, (1.0 / 3.0, 1.0), strict=True):
            large = np.sort(part)[::-1][:60]
            small = np.concatenate([np.sort(part)[::-1][60:], large[large < NEGLIGIBLE]])
            normal2 += float((small**2).sum()) * third
            kept.append(large[large >= NEGLIGIBLE])
        return self.bound + whole * _half(sqrt(normal2), *kept)


def _half(normal: float, uniform: Array, two_point: Array) -> float:
    """The same for a sum of standard deviation 1."""
    if not uniform.size and not two_point.size:
        return 1.959963984540054 * normal
    reach = float(uniform.sum() + two_point.sum()) + 9.0 * normal
    normal = sqrt(normal**2 + (SMOOTH * reach) ** 2)
    period = 2.0 * (reach + 9.0 * SMOOTH * reach)
    t = 2.0 * pi * np.arange(1, TERMS + 1) / period
    phi = np.exp(-0.5 * (normal * t) ** 2)
    for a in uniform:
        phi *= np.sinc(a * t / pi)
    for a in two_point:
        phi *= np.cos(a * t)
    useful = np.abs(phi) > 1e-14
    t, phi = t[useful], phi[useful]
    low, high = 0.0, 0.5 * period
    for _ in range(60):
        x = 0.5 * (low + high)
        held = (2.0 * x + 4.0 * float((phi * np.sin(t * x) / t).sum())) / period
        low, high = (x, high) if held < COVERAGE else (low, x)
    return 0.5 * (low + high)


ALIKE = 1e-8  # of a direction: what the readings fix of it, and what not
STEADY = 0.25  # of the dial's step: a pointer that scatters less stands still
FINEST = 1e-12  # [m, rad] beside everything: readings without any scatter must still be solved
BY_CHANCE = 0.01  # rarer disagreement than this is not put down to chance
HARMONICS = np.arange(1.0, 31.0)


@dataclass(frozen=True)
class FormEstimate:
    """One size [m]: `value`, standard `uncertainty`, and `half` width of its 95 % interval."""

    value: float
    uncertainty: float
    half: float

    @property
    def told(self) -> bool:
        """Whether its sign is told at all: the interval does not hold nought."""
        return abs(self.value) > self.half


@dataclass(frozen=True, eq=False)
class Doubts:
    """Forms that are not known quite, and what they hang together by.

    `terms` (p) are pairs of plate and form, `value` (p,) their sizes [m]; each column of `moves` (p, k) [m]
    is a cause of doubt by itself, and moves all of them by one standard deviation.
    """

    terms: tuple[tuple[str, str], ...]
    value: Array
    moves: Array

    def drawn(self, rng: np.random.Generator) -> dict[tuple[str, str], float]:
        """The forms [m] as they may be, drawn together."""
        sizes = self.value + self.moves @ rng.standard_normal(self.moves.shape[1])
        return dict(zip(self.terms, sizes.tolist(), strict=True))


def _causes(covariance: Array) -> Array:
    """Causes of doubt (p, k) that make a covariance (p, p): Cholesky's factor without empty columns."""
    left, least = covariance.copy(), 1e-9 * np.diag(covariance)
    columns = []
    for k in range(len(left)):
        if left[k, k] > least[k]:
            columns.append(left[:, k] / sqrt(left[k, k]))
            columns[-1][:k] = 0.0
            left = left - np.outer(columns[-1], columns[-1])
    return np.array(columns).reshape(len(columns), len(left)).T


def _steady_share(model: Model) -> Array:
    """Part (n,) of the rounding variance that repeats of one reading have in common.

    With r the step and n the scatter before rounding, the mean error of a rounded value is a Fourier series
    in the value with terms r/(pi k) |phi_n(2 pi k/r)|: nothing is common when the pointer dances by a step,
    all of it when it stands still (B. Widrow and I. Kollar, Quantization Noise, 2008; from memory).
    """
    step = np.where(model.resolution > 0.0, model.resolution, 1.0)
    t = 2.0 * pi * HARMONICS[:, None] / step
    phi = np.exp(-0.5 * (model.repeatability * t) ** 2) * np.cos(0.5 * model.hysteresis * t)
    share = 6.0 / pi**2 * ((phi / HARMONICS[:, None]) ** 2).sum(axis=0)
    # Thirty terms leave 2 % of a pointer that stands quite still; it must be all.
    still = (model.repeatability == 0.0) & (model.hysteresis == 0.0)
    return np.asarray(np.where(still, 1.0, np.minimum(share, 1.0)))


def _repeats(model: Model) -> tuple[NDArray[np.intp], Array]:
    """Which readings are repeats of one another (a number each), and with what sign, (n,).

    Repeats must show the same whatever the forms are, so that they are rounded alike.
    """
    rows = np.hstack(
        [model.forms, model.unknown, model.shared * model.shared_size, model.offset[:, None]]
    )
    size = np.abs(rows).max(axis=1, keepdims=True)
    size[size == 0.0] = 1.0
    scale = np.abs(rows).max(axis=0)
    rows = np.round(rows / np.where(scale > 0.0, scale, 1.0), 9)
    first = np.argmax(rows != 0.0, axis=1)
    sign = np.sign(rows[np.arange(len(rows)), first])
    sign[sign == 0.0] = 1.0
    keys = np.hstack([rows * sign[:, None], model.resolution[:, None]]) + 0.0
    _, group = np.unique(keys, axis=0, return_inverse=True)
    return np.asarray(group).ravel(), sign


class Solver:
    """What the readings of one model fix of the forms, and how surely; worked out once for any values."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self._group, self._sign = _repeats(model)
        self._steady = _steady_share(model)
        p = model.forms.shape[1]
        common = self._steady * model.resolution**2 / 12.0
        alike = (self._group[:, None] == self._group) * np.outer(self._sign, self._sign)
        own = model.repeatability**2 + 0.25 * model.hysteresis**2 + FINEST**2
        own = own + model.resolution**2 / 12.0 - common
        shared = model.shared * model.shared_size
        covariance = np.diag(own) + alike * np.sqrt(np.outer(common, common)) + shared @ shared.T
        root = np.linalg.cholesky(covariance)
        x = np.linalg.solve(root, np.hstack([model.forms, model.unknown]))
        scale = np.linalg.norm(x, axis=0)
        scale[scale == 0.0] = 1.0
        u, s, vt = np.linalg.svd(x / scale, full_matrices=False)
        kept = s > 1e-9 * s.max(initial=0.0)
        v = vt[kept].T / scale[:, None]
        self._x, self._root, self._basis = x, root, u[:, kept]
        self._gain = (v / s[kept]) @ u[:, kept].T @ np.linalg.inv(root)
        # What comes back when each form is put in: the unit matrix where it is seen.
        self._back = (v / s[kept]) @ u[:, kept].T @ x
        self.forms = p

    def seen(self, weight: Array) -> bool:
        """Whether the readings fix the sum of weight (p,) x forms."""
        whole = np.zeros(self._back.shape[0])
        whole[: self.forms] = weight
        size = np.abs(whole).max(initial=0.0)
        return bool(size > 0.0 and np.abs(whole @ self._back - whole).max() < ALIKE * size * 10.0)

    def order(self, of: NDArray[np.bool_]) -> int:
        """How many independent sums of the forms marked in `of` (p,) the readings fix."""
        lost = np.eye(self._back.shape[0]) - self._back
        chosen = lost[: self.forms][of]
        scale = np.abs(chosen).max(initial=0.0)
        if scale < ALIKE * 10.0:
            return int(of.sum())
        return int(of.sum()) - int(np.linalg.matrix_rank(chosen, tol=1e-6))

    def gain(self, weight: Array) -> Array:
        """Weights (n,) of the readings in the sum of weight (p,) x forms."""
        g: Array = np.asarray(weight, dtype=float) @ self._gain[: self.forms]
        return g

    def spread(self, gain: Array) -> Spread:
        """How the error of the sum of gain (n,) x readings is spread.

        A pointer that stands still, its scatter under a quarter of the dial's step, may be rounded the same
        way in every reading: that error does not average out and is bounded only.
        """
        m = self.model
        shared = (gain @ m.shared) * m.shared_size
        normal = sqrt(float(((gain * m.repeatability) ** 2).sum() + (shared**2).sum()))
        half_step = 0.5 * m.resolution * gain
        still = m.repeatability < STEADY * m.resolution
        bound = float(np.abs(half_step[still]).sum())
        half_step = np.where(still, 0.0, half_step)
        groups = np.zeros(int(self._group.max(initial=-1)) + 1)
        np.add.at(groups, self._group, half_step * self._sign * np.sqrt(self._steady))
        own = np.abs(half_step) * np.sqrt(1.0 - self._steady)
        two_point = 0.5 * np.abs(gain * m.hysteresis)
        return Spread(
            normal, _positive(np.concatenate([own, np.abs(groups)])), _positive(two_point), bound
        )

    def covariance(self) -> Array:
        """Covariance (p, p) of the forms [m2]; NaN where a form is not seen."""
        gain = self._gain[: self.forms] @ self._root
        out = gain @ gain.T
        blind = [not self.seen(row) for row in np.eye(self.forms)]
        out[blind, :] = np.nan
        out[:, blind] = np.nan
        return np.asarray(out)

    def hinted(self, of: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Which of the forms marked in `of` (p,) are not seen, but are part of a sum that is, (p,)."""
        back = np.abs(self._back[: self.forms]).max(axis=1, initial=0.0)
        seen = np.array([self.seen(row) for row in np.eye(self.forms)])
        return np.asarray(of & ~seen & (back > 1e-6))

    def doubtful(self, value: Array) -> tuple[int, ...]:
        """The reading without which the others fit best; several where the others cannot tell which.

        Each reading's misfit over its own standard deviation (W. Baarda, A testing procedure for use in
        geodetic networks, 1968; from memory).
        """
        y = np.linalg.solve(self._root, value - self.model.offset)
        shift = np.linalg.inv(self._root)
        free = shift - self._basis @ (self._basis.T @ shift)
        power = (free * shift).sum(axis=0)
        testable = power > 1e-9 * (shift**2).sum(axis=0)
        gain = np.where(testable, (free.T @ y) ** 2 / np.where(testable, power, 1.0), 0.0)
        most = float(gain.max(initial=0.0))
        return (
            tuple(int(k) for k in np.flatnonzero(gain >= (1.0 - 1e-6) * most)) if most > 0.0 else ()
        )

    def misfit(self, value: Array) -> tuple[float, int]:
        """Sum of squares of what the forms leave of the readings, over its scatter, and how many are free."""
        y = np.linalg.solve(self._root, value - self.model.offset)
        left = y - self._basis @ (self._basis.T @ y)
        return float(left @ left), int(len(y) - self._basis.shape[1])


def _positive(sizes: Array) -> tuple[float, ...]:
    return tuple(float(size) for size in sizes if size > 0.0)


@dataclass(frozen=True, eq=False)
class Estimate:
    """What readings say of the forms of plates; `terms` (p) are pairs of plate and form."""

    solver: Solver
    value: Array  # of the readings, (n,)
    extra: Mapping[
        str, float
    ]  # standard uncertainty of each plate's dome from warmth and support [m]

    @property
    def terms(self) -> tuple[tuple[str, str], ...]:
        """Plate and form of each row."""
        return self.solver.model.terms

    @property
    def plates(self) -> tuple[str, ...]:
        """The plates that were read."""
        return tuple(dict.fromkeys(plate for plate, _ in self.terms))

    def combination(self, weights: Mapping[tuple[str, str], float]) -> FormEstimate | None:
        """A sum of forms, such as {("A", "sphere"): 1, ("B", "sphere"): -1}; None when it is not seen.

        Parameters
        ----------
        weights : mapping
            Of each (plate, form), by its share in the sum.

        Returns
        -------
        FormEstimate or None
            In [m], with its interval.

        """
        if not set(weights) <= set(self.terms):
            return None
        row = np.array([weights.get(term, 0.0) for term in self.terms])
        if not self.solver.seen(row):
            return None
        gain = self.solver.gain(row)
        spread = self.solver.spread(gain).times(self.stretch)
        more = sum(
            (weights.get((p, _dome(self.terms, p)), 0.0) * u) ** 2 for p, u in self.extra.items()
        )
        spread = replace(spread, normal=sqrt(spread.normal**2 + more))
        value = float(gain @ (self.value - self.solver.model.offset))
        return FormEstimate(value, spread.standard, spread.half)

    def form(self, plate: str, form: str) -> FormEstimate | None:
        """One form of one plate; None when the readings do not fix it.

        Parameters
        ----------
        plate, form : str
            Their names, as in `terms`.

        Returns
        -------
        FormEstimate or None
            In [m], with its interval.

        """
        return self.combination({(plate, form): 1.0})

    def forms(self, plate: str) -> dict[str, FormEstimate | None]:
        """The forms of one plate by name.

        Parameters
        ----------
        plate : str
            Its name.

        Returns
        -------
        dict
            FormEstimate by the name of the form; None where it is not seen.

        """
        return {form: self.form(plate, form) for name, form in self.terms if name == plate}

    def dome(self, plate: str) -> FormEstimate | None:
        """The dome of a plate, of a long one its bow; None when the readings do not fix it.

        Parameters
        ----------
        plate : str
            Its name.

        Returns
        -------
        FormEstimate or None
            In [m], with its interval.

        """
        return self.form(plate, _dome(self.terms, plate))

    def order(self, plate: str) -> int:
        """How many independent forms (or sums of them) of a plate the readings fix: 3 is all.

        Parameters
        ----------
        plate : str
            Its name.

        Returns
        -------
        int
            From 0 to 3.

        """
        return self.solver.order(np.array([name == plate for name, _ in self.terms]))

    def sum_only(self, plate: str) -> tuple[str, ...]:
        """Forms of a plate that the readings fix in sums with each other, but not one by one.

        Parameters
        ----------
        plate : str
            Its name.

        Returns
        -------
        tuple of str
            Names of forms.

        """
        own = np.array([name == plate for name, _ in self.terms])
        return tuple(self.terms[k][1] for k in np.flatnonzero(self.solver.hinted(own)))

    @property
    def doubtful(self) -> tuple[int, ...]:
        """Which readings fit least, by number, where they contradict each other; empty where they do not."""
        return self.solver.doubtful(self.value) if self.stretch > 1.0 else ()

    def covariance(self) -> Array:
        """Covariance (p, p) [m2] in the order of `terms`; NaN where a form is not seen.

        Its diagonal is the square of what `form` states.

        Returns
        -------
        Array
            (p, p) [m2].

        """
        out = self.solver.covariance()
        size = np.sqrt(np.diag(out))
        estimates = [self.form(*term) for term in self.terms]
        uncertainty = np.array([np.nan if f is None else f.uncertainty for f in estimates])
        return np.asarray(out / np.outer(size, size) * np.outer(uncertainty, uncertainty))

    def doubts(self) -> Doubts:
        """The forms that the readings fix, one by one, and how they hang together.

        Returns
        -------
        Doubts
            Values [m] and the causes of their covariance.

        """
        covariance = self.covariance()
        seen = ~np.isnan(np.diag(covariance))
        terms = tuple(term for term, fixed in zip(self.terms, seen, strict=True) if fixed)
        estimates = [self.form(*term) for term in terms]
        value = np.array([one.value for one in estimates if one is not None])
        return Doubts(terms, value, _causes(covariance[seen][:, seen]))

    @property
    def agreement(self) -> float | None:
        """How far apart the readings are over what their scatter allows, about 1 when all is well.

        None when no reading is left over to tell.
        """
        chi2, free = self.solver.misfit(self.value)
        return sqrt(chi2 / free) if free > 0 else None

    @property
    def stretch(self) -> float:
        """How many times as wide intervals are made because the readings contradict each other; else 1.

        When scatter alone would set them so far apart in one case of a hundred at most, faces are not dome,
        saddle and twist alone, or gauges scatter more than was said: then the scatter that they show counts
        (the ratio of Birge).
        """
        from scipy.special import chdtrc

        chi2, free = self.solver.misfit(self.value)
        if free < 1 or chi2 <= free or float(chdtrc(free, chi2)) > BY_CHANCE:
            return 1.0
        return sqrt(chi2 / free)

    def more_domed(self, first: str, second: str) -> tuple[str | None, FormEstimate | None]:
        """Which of two plates is the more domed (None: not told), and by how much the first is.

        Parameters
        ----------
        first, second : str
            Names of the plates.

        Returns
        -------
        name : str or None
        apart : FormEstimate or None
            Dome of the first less that of the second [m]; None when it is not seen.

        """
        apart = self.combination(
            {(first, _dome(self.terms, first)): 1.0, (second, _dome(self.terms, second)): -1.0}
        )
        if apart is None or not apart.told:
            return None, apart
        return (first if apart.value > 0.0 else second), apart


def _dome(terms: Sequence[tuple[str, str]], plate: str) -> str:
    """What a plate's dome is called."""
    return "bow" if (plate, "bow") in terms else "sphere"


def estimate(
    readings: Sequence[Reading],
    gauges: Mapping[str, Gauge],
    plates: Mapping[str, Plate],
    extra: Mapping[str, float] | None = None,
) -> Estimate:
    """The forms of all plates that were read, from all readings together.

    `extra`: standard uncertainty of each plate's dome [m] from warmth and support (`budget.bending`).

    Parameters
    ----------
    readings : sequence of Reading
    gauges : mapping
        Gauge by name.
    plates : mapping
        Plate by name.
    extra : mapping, optional
        As above [m].

    Returns
    -------
    Estimate

    Raises
    ------
    KeyError
        When a reading names a gauge or a plate that is not there.
    ValueError
        When there are no readings.

    """
    if not readings:
        raise ValueError("there are no readings: write [[readings]], or --reading")
    model = model_of(readings, gauges, plates)
    return Estimate(Solver(model), model.value, dict(extra or {}))


def estimate_as_they_lay(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], plates: Mapping[str, Plate]
) -> Estimate:
    """The forms of all plates that were read; how warm they were and how they lay goes into the doubt.

    Raises
    ------
    KeyError, ValueError
        As `estimate`.

    """
    bent: dict[str, float] = {}
    for reading in readings:
        gauge = gauges[reading.gauge]
        read = [(reading.plate, reading.temperature)]
        # Of the plate that a comparator was zeroed on nobody wrote how warm it was.
        read += [(gauge.zero.plate, None)] if gauge.zero.on == "plate" else []
        for name, temperature in read:
            bent[name] = max(
                bent.get(name, 0.0), bending(plates[name], gauge.conditions, temperature)
            )
    return estimate(readings, gauges, plates, bent)
