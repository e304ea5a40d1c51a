"""How a schedule goes, told by operators: about a thousand schedules a second.

Each stroke's flow is solved once (`lapwright.modal.propagator`); where times, swaps or the order move,
nothing is solved anew.  Angles and phases that run on are taken in their long-run shares.

One schedule told spell by spell: the state of the faces, and what is noted of it on the way.

The strokes of one place in a search, whose operators are shared with all other places.

What is read off faces that are known by coefficients: forms, flatness, misfit, when a gauge says stop.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import ceil

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import centred
from lapwright.contact.stability import check_stands
from lapwright.kinematics.schedule import age_at_start, between_indexes, cut_of, rubbing_time, stays
from lapwright.metrology.bending import sag_on_feet
from lapwright.metrology.flatness import minimum_zone
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import PLANES, Basis, basis_of, form_names
from lapwright.modal.cycle import SHORT_INDEX, Spell, window_of
from lapwright.modal.operator import Operator
from lapwright.modal.propagator import lifting
from lapwright.modal.reduced_model import ReducedModel
from lapwright.optimisation.design import Design
from lapwright.optimisation.summary import Handling, turned_by
from lapwright.optimisation.track import TimeSeries
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Until
from lapwright.study.model import Study

KEPT_OPERATORS = 400  # operators


class SharedModel(ReducedModel):
    """A picture of `steps`; `shared` holds the operators of all pictures of a study to the same degree."""

    def __init__(
        self, study: Study, steps: Sequence[Step], degree: int, shared: dict[object, Operator]
    ) -> None:
        super().__init__(study.plates, steps, degree, study.seed, wider=False)
        self.shared = shared
        self._long: dict[int, int] = {}

    def operator(
        self,
        number: int,
        top: str | None = None,
        bottom: str | None = None,
        window: tuple[int, int | None] = (0, None),
    ) -> Operator:
        """What a step does with `top` on `bottom`; of the same stroke and faces the same one."""
        s = self.steps[number - 1]
        faces = tuple(self.basis(name or own) for name, own in ((top, s.top), (bottom, s.bottom)))
        hand = None if s.hand.steady else (s.hand, number)
        load = replace(s.load, force=0.0) if s.load.at == (0.0, 0.0) else s.load
        where = (s.curve, s.direction, s.centre, s.carry_centre, s.pace, s.turn, s.walk)
        dab = self.motion(number).dab
        renewed = dab and (*dab, None if dab[1] else s.total_strokes)
        key = (*map(id, faces), hand, load, where, window, renewed)
        if key not in self.shared:
            if len(self.shared) > KEPT_OPERATORS:
                self.shared.clear()
            self.shared[key] = super().operator(number, top, bottom, window)
        return self.shared[key]

    def long_index(self, number: int) -> int:
        """Strokes between turns, where the top lies at one angle so long that their order matters; else 0."""
        if number not in self._long:
            every = self.motion(number).index_every
            lasts = every / self.steps[number - 1].pace
            self._long[number] = every if every and lasts >= SHORT_INDEX * self.tau(number) else 0
        return self._long[number]


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


class Observables:
    """Looks at faces of plates inside a margin; states are coefficients (size,) or columns (size, k) [m].

    Forms, domes and flatness are those of faces as they are read, on the feet of plates that stand on some.
    `exact`: flatness by the minimum zone of the points; else about their least-squares plane, never less.
    """

    def __init__(
        self,
        plates: Mapping[str, Plate],
        bases: Mapping[str, Basis],
        margin: EdgeMargin,
        exact: bool = False,
    ) -> None:
        self.plates = plates
        self.bases = bases
        self.margin = margin
        self.exact = exact
        self.faces = {name: _face(plate, bases[name], margin) for name, plate in plates.items()}
        self.hang = {
            name: bases[name].fit(partial(sag_on_feet, plate))
            for name, plate in plates.items()
            if plate.feet is not None
        }
        self._misfits: dict[tuple[str, str], Array] = {}

    def _read(self, name: str, z: Array) -> Array:
        """A face (size,) or (size, k) as it lies on its feet."""
        hang = self.hang.get(name)
        return z if hang is None else z + (hang if z.ndim == 1 else hang[:, None])

    def forms(self, name: str, z: Array) -> dict[str, Array]:
        """Form errors [m] of a face, by name."""
        return dict(
            zip(self.faces[name].names, self.faces[name].rows @ self._read(name, z), strict=True)
        )

    def dome(self, name: str, z: Array) -> float:
        """How domed a face is (rails: along) [m]."""
        return float(self.faces[name].rows[0] @ self._read(name, z))

    def flatness(self, name: str, z: Array) -> Array:
        """Flatness (k,) [m] of states (size, k)."""
        face = self.faces[name]
        heights = face.shapes @ self._read(name, z)
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
        both = np.concatenate(
            [self.bases[bottom].evaluate(x, y), self.bases[top].evaluate(u[on], v[on])]
        ).T
        return _off_plane(x, y, both)

    def until(
        self, until: Until, pair: tuple[str, str], states: Array, level: float
    ) -> tuple[int, bool]:
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
            met &= (
                np.max([self.flatness(n, one[:, 1:]) for n, one in z.items()], axis=0)
                <= until.flatness
            )
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


SAMPLES = 56  # instants along a schedule at which the faces are looked at, about
MOST_IN_A_SPELL = 16
WATCHED = 48  # in a spell that a gauge may end
SHARES = tuple(np.arange(1, count + 1) / count for count in range(1, WATCHED + 1))


class SurrogateIntegrator:
    """Goes through steps; `start` (size,) of each face, `total` time of the schedule, about [s].

    Noted at each instant, in lists of columns: `time` [s], `turned`, and `faces` (all sizes, k): the stacked
    coefficients of all plates, whose rows are `rows`.  `pairs`: how many instants each (bottom, top) lasted;
    `swaps` until then, and what was `handled` [s], with the `reading` of each step beside it.
    `middles`: each spell with the state of its pair half way through it.
    """

    def __init__(
        self,
        picture: SharedModel,
        looks: Observables,
        start: Mapping[str, Array],
        handling: Handling,
        total: float,
    ) -> None:
        self.picture = picture
        self.looks = looks
        self.total = total
        ends = np.cumsum([0, *(z.size for z in start.values())])
        self.rows = {name: slice(ends[k], ends[k + 1]) for k, name in enumerate(start)}
        self.here = np.concatenate(list(start.values()))
        self.handling, self.on_top = handling, handling.on_top
        self.clock, self.turns, self.changes = 0.0, 0.0, 0
        self.grit, self.age, self.begun_age = "", 0.0, 0.0
        self.time, self.turned, self.reading = [np.zeros(1)], [np.zeros(1)], [np.zeros(1)]
        self.handled: list[float] = []
        self.faces = [self.here[:, None]]
        self.pairs: list[tuple[int, tuple[str, str]]] = []
        self.swaps: list[int] = []
        self.middles: list[tuple[Spell, Array]] = []
        self._maps: dict[object, tuple[Array, Array]] = {}

    def step(self, number: int, step: Step) -> None:
        """Do one step, until it is over or its gauge says stop."""
        self.age = age_at_start(step, self.grit, self.age)
        self.grit = step.grit.name
        if not self.pairs:
            self._note((step.bottom, step.top), 1)
        level = float(self.here[self.rows[step.bottom]][0] + self.here[self.rows[step.top]][0])
        passed = []
        for spell in self._spells(number, step):
            if spell.top != self.on_top:
                self.on_top, self.changes = spell.top, self.changes + 1
            self.handling.lay(step, spell.top)
            share = self._shares(spell, step.until is not None)
            begun = np.concatenate(
                [self.here[self.rows[spell.bottom]], self.here[self.rows[spell.top]]]
            )
            cuts = self._cuts(step, spell, share)
            z = self._along(spell, begun, cuts)
            ended, stop = share.size, False
            if step.until is not None:
                states = np.column_stack([begun, z])
                ended, stop = self.looks.until(step.until, (spell.bottom, spell.top), states, level)
            passed.append(spell.first + spell.strokes * share[:ended])
            self._move(spell, z[:, :ended])
            if stop:
                lapped = float(share[ended - 1]) * spell.strokes
                self.age = cut_of(step, self.begun_age, spell.first, lapped)[1]
                break
        strokes = np.concatenate(passed)
        self.time.append(self.clock + strokes / step.pace)
        self.turned.append(self.turns + turned_by(step, strokes))
        self.reading.append(self.handling.readings(step, strokes))
        self.handling.end(step, float(strokes[-1]))
        self.clock, self.turns = float(self.time[-1][-1]), float(self.turned[-1][-1])

    def _shares(self, spell: Spell, watched: bool) -> Array:
        """Shares (k,) of a spell at which to look."""
        count = (
            WATCHED if watched else min(ceil(SAMPLES * spell.time / self.total), MOST_IN_A_SPELL)
        )
        return SHARES[max(0, count - 1)]

    def _cuts(self, step: Step, spell: Spell, share: Array) -> Array:
        """Cut [s] of a fresh dab that is done after shares (k,) of a spell's strokes."""
        if step.grit.fade is None or share.size == 1:
            return spell.cut * share
        done = [
            cut_of(step, self.begun_age, spell.first, spell.strokes * part)[0]
            for part in share.tolist()
        ]
        return np.array(done)

    def _along(self, spell: Spell, begun: Array, cuts: Array) -> Array:
        """States (n, k) of a pair in the course of a spell, after so much cut (k,) [s]."""
        number, top, bottom = spell.step, spell.top, spell.bottom
        long = self.picture.long_index(number)
        window = window_of(self.picture, spell) if long else (0, None)
        if cuts.size > 1:
            return self.picture.evolution(number, top, bottom, window).course(begun, cuts)
        # One of many short spells, which are alike.
        key = (number, top, bottom, window, spell.cut)
        if key not in self._maps:
            self._maps[key] = self.picture.evolution(number, top, bottom, window).map_over(
                spell.cut
            )
        matrix, offset = self._maps[key]
        return (matrix @ begun + offset)[:, None]

    def _spells(self, number: int, step: Step) -> Iterator[Spell]:
        """Spells of a step, each told before the next is asked for: a gauge may decide who is on top."""
        every = self.picture.long_index(number)
        for stay in stays(
            step,
            lambda top, bottom: self._dome(bottom) > self._dome(top),
            partial(self.picture.thins, number),
            self.age,
        ):
            for part in between_indexes(stay, every):
                self.begun_age = self.age
                spell, self.age = Spell.of(number, step, part, self.age)
                yield spell

    def _dome(self, name: str) -> float:
        return self.looks.dome(name, self.here[self.rows[name]])

    def _move(self, spell: Spell, z: Array) -> None:
        """Note the states (n, k) of a pair; the other plates lie aside."""
        below, above = self.rows[spell.bottom], self.rows[spell.top]
        half = below.stop - below.start
        faces = np.empty((self.here.size, z.shape[1]))
        faces[:] = self.here[:, None]
        faces[below], faces[above] = z[:half], z[half:]
        self.here = faces[:, -1]
        self.faces.append(faces)
        self.middles.append((spell, z[:, z.shape[1] // 2]))
        self._note((spell.bottom, spell.top), z.shape[1])

    def _note(self, pair: tuple[str, str], count: int) -> None:
        self.pairs.append((count, pair))
        self.swaps.append(self.changes)
        self.handled.append(self.handling.spent)


LONG = 7200  # strokes over which a stroke is averaged
KEPT = 400  # pictures
LOOKS = 4  # spells in which one looks whether something lifts


@dataclass(frozen=True)
class Foretold:
    """A track; `middles`: each spell with a state half way through it; `forms` at the end [m]."""

    track: TimeSeries
    middles: Sequence[tuple[Spell, Array]]
    forms: Mapping[str, Mapping[str, float | None]]


class Surrogate:
    """Tells schedules of one study on shapes up to `degree`; `exact`: flatness by the minimum zone."""

    def __init__(self, study: Study, degree: int, exact: bool = False) -> None:
        self.study = study
        self.degree = degree
        bases = {name: basis_of(plate, degree) for name, plate in study.plates.items()}
        self.start = {name: bases[name].start(p) for name, p in study.plates.items()}
        self.looks = Observables(study.plates, bases, study.margin, exact)
        goal = study.goal
        self.misfits = goal is not None and any(
            "mating" in f for f in (goal.reach, *goal.keep.values())
        )
        self.shared: dict[object, Operator] = {}
        self.pictures: dict[object, SharedModel] = {}
        self.standing: set[object] = set()

    def picture(self, settled: Design) -> SharedModel:
        """The strokes of a place in the space.

        Raises
        ------
        TippedError, NoOverlapError
            Where the top tips off.

        """
        if settled.moved not in self.pictures:
            if len(self.pictures) > KEPT:
                self.pictures.clear()
            steps = [replace(step, time=None, strokes=LONG) for step in settled.steps]
            for step in steps:
                self._check_stands(step)
            self.pictures[settled.moved] = SharedModel(self.study, steps, self.degree, self.shared)
        return self.pictures[settled.moved]

    def _check_stands(self, step: Step) -> None:
        """Once for each stroke and load."""
        where = (step.curve, step.direction, step.centre, step.carry_centre, step.turn, step.walk)
        key = (*where, step.pace, step.load, step.top, step.bottom)
        if key not in self.standing:
            check_stands(step, self.study.plates[step.top], self.study.plates[step.bottom])
            self.standing.add(key)

    def tell(self, settled: Design) -> Foretold:
        """How it goes.

        Raises
        ------
        TippedError, NoOverlapError, DefectiveError
            When it cannot be.

        """
        picture, rounds = self.picture(settled), self.study.rounds
        total = rubbing_time(settled.steps, rounds)
        handling = Handling(self.study, settled.steps[settled.order[0] - 1])
        telling = SurrogateIntegrator(picture, self.looks, self.start, handling, total)
        for _ in range(rounds):
            for number in settled.order:
                telling.step(number, settled.steps[number - 1])
        track = self._track(telling)
        forms: dict[str, dict[str, float | None]] = {
            name: {key: float(v) for key, v in self.looks.forms(name, telling.here[rows]).items()}
            for name, rows in telling.rows.items()
        }
        for name in forms:
            forms[name]["flatness"] = float(track.values[f"{name}.flatness"][-1])
        return Foretold(track, telling.middles, forms)

    def _track(self, telling: SurrogateIntegrator) -> TimeSeries:
        faces = np.concatenate(telling.faces, axis=1)
        counts = [count for count, _ in telling.pairs]
        values: dict[str, Array] = {}
        domes = {}
        for name, rows in telling.rows.items():
            forms = self.looks.forms(name, faces[rows])
            domes[name] = next(iter(forms.values()))
            values |= {f"{name}.{key}": value for key, value in forms.items()}
            values[f"{name}.flatness"] = self.looks.flatness(name, faces[rows])
        values["difference"] = np.empty(faces.shape[1])
        values["mating"] = np.full(faces.shape[1], np.nan)
        owner = np.repeat(np.arange(len(counts)), counts)
        for pair in dict.fromkeys(pair for _, pair in telling.pairs):
            some = np.array([pair == other for _, other in telling.pairs])[owner]
            bottom, top = pair
            values["difference"][some] = domes[top][some] - domes[bottom][some]
            if self.misfits:
                below, above = (faces[telling.rows[name]][:, some] for name in pair)
                values["mating"][some] = self.looks.mating(bottom, top, below, above)
        levels = [faces[rows.start] for rows in telling.rows.values()]
        removed = np.mean([level[0] - level for level in levels], axis=0)
        swaps = np.repeat(np.array(telling.swaps, dtype=np.float64), counts)
        time, turned = np.concatenate(telling.time), np.concatenate(telling.turned)
        handled = np.repeat(telling.handled, counts) + np.concatenate(telling.reading)
        work = telling.handling.work(time, removed, handled)
        return TimeSeries(time, removed, turned, swaps, work, values)

    def lift_share(self, settled: Design, foretold: Foretold) -> float:
        """Share of the time in which something lifts, by a few spells."""
        picture = self.picture(settled)
        every = max(1, ceil(len(foretold.middles) / LOOKS))
        lifted = whole = 0.0
        for spell, state in foretold.middles[::every]:
            operator = picture.operator(spell.step, spell.top, spell.bottom)
            stiffness = picture.steps[spell.step - 1].grit.layer.stiffness
            load = picture.load(spell.step, spell.top)
            found = lifting(operator, stiffness, load, state[:, None])[0]
            lifted += found.share * spell.time
            whole += spell.time
        return lifted / whole if whole > 0.0 else 0.0
