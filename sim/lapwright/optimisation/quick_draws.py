"""Quick draws: a way of lapping told many times over, with what is not known drawn at random.

What is drawn, and from what, is what `--samples` draws (`lapwright.optimisation.cases.drawn`); but it is not
lapped in full.  All draws of a way are lapped at once as a crowd (`lapwright.optimisation.crowd.Crowd`):
shapes of low degree in place of cells, under one motion, with true contact, so that what may lift, lifts.
What the shapes leave out is put right by the way as it stands, which was lapped in full: each form by how far
off it is there, with the same share of the metal off.  docs/compare.md shows how near the odds come to those
of full draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import age_at_start, cut_of, rubbing_time, stays
from lapwright.metrology.form import SPOKEN
from lapwright.modal.basis import Basis, basis_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.optimisation.cases import Tolerance, drawn
from lapwright.optimisation.comparison import BAND_ENDS, Comparison
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.crowd import Crowd, crowd_of
from lapwright.optimisation.equal_metal import LEAST as NOTHING
from lapwright.optimisation.equal_metal import with_metal_off
from lapwright.optimisation.summary import Ended, Summary
from lapwright.optimisation.surrogate import Observables
from lapwright.specification.outline import Outline
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Grit
from lapwright.study.model import Study

Array = NDArray[np.float64]
Ints = NDArray[np.intp]

DRAWS = 40
DEGREE = 4  # of the shapes of each face
POSES = 12  # of a stroke
LOOKS = 20  # at the faces along a schedule, about
BEST = 6  # ways that are drawn
AGREES, FAR = (
    0.5,
    0.1,
)  # of the band of the draws, and of the figure: as near must the large shapes come
SIZES = ("flatness", "mating")  # which are never below nothing
LEAST = 0.1  # of what the large shapes tell of such a size: putting it right leaves as much


@dataclass
class _Course:
    """What was looked at of each draw: `time` [s], `faces` by plate (size,), `pair` bottom and top."""

    time: list[float] = field(default_factory=list)
    faces: list[dict[str, Array]] = field(default_factory=list)
    pair: list[tuple[str, str]] = field(default_factory=list)


class QuickDraws:
    """Draws 1 to `number` of a study, and before them the study as it stands.

    Raises
    ------
    LapwrightError
        When one of its steps cannot be: the top tips off, or does not settle.

    """

    def __init__(self, study: Study, tolerance: Tolerance, number: int = DRAWS) -> None:
        self.study = study
        self.draws = [study, *(drawn(study, k, tolerance) for k in range(1, number + 1))]
        self.bases: Mapping[str, Basis] = {n: basis_of(p, DEGREE) for n, p in study.plates.items()}
        self.looks = Observables(study.plates, self.bases, study.margin)
        self.model = ReducedModel(study.plates, study.steps, DEGREE, study.seed, wider=False)
        self._crowds: dict[tuple[int, int, int], Crowd] = {}
        self._motions: dict[int, Motion] = {}

    @cached_property
    def courses(self) -> Sequence[_Course]:
        """How each draw goes, from the start to the end."""
        here = self._start()
        found = [_Course() for _ in self.draws]
        first = self.study.steps[0]
        everyone = np.arange(len(self.draws))
        clock = np.zeros(len(self.draws))
        self._note(found, here, everyone, clock, (first.bottom, first.top))
        grit, age = "", np.zeros(len(self.draws))
        for _ in range(self.study.rounds):
            for number, step in enumerate(self.study.steps, 1):
                age = np.array([age_at_start(step, grit, one) for one in age])
                for some, top, bottom, stay_first, strokes in self._spells(number, here, age):
                    age[some] = self._lap(
                        found, here, number, some, (top, bottom), (stay_first, strokes), clock, age
                    )
                grit = step.grit.name
        return found

    def _start(self) -> dict[str, Array]:
        """Faces as they come (draws, size), by plate."""
        found = {}
        for name, basis in self.bases.items():
            own = self.study.plates[name]
            units = {key: _unit(basis, own.outline, key) for key in SPOKEN}
            begun = basis.start(own)
            found[name] = np.stack(
                [
                    begun
                    + sum(
                        (getattr(one.plates[name].form, key) - getattr(own.form, key)) * unit
                        for key, unit in units.items()
                    )
                    for one in self.draws
                ]
            )
        return found

    def _spells(
        self, number: int, here: Mapping[str, Array], age: Array
    ) -> Iterator[tuple[Ints, str, str, int, int]]:
        """Who lies on whom in a step, spell by spell: which draws, top, bottom, first stroke and strokes.

        Draws that read change places each by its own readings; those that swap by metal go one by one.
        """
        step, everyone = self.study.steps[number - 1], np.arange(len(self.draws))
        if step.swap is not None and step.swap.removed:
            for k in everyone:
                thins = self._thins(number, int(k))
                for stay in stays(step, None, thins, float(age[k])):
                    yield everyone[k : k + 1], stay.top, stay.bottom, stay.first, stay.strokes
            return
        by_reading = step.swap is not None and step.swap.read is not None
        turned = np.zeros(len(self.draws), dtype=bool)
        for stay in stays(step):
            if by_reading:
                domes = {n: self.looks.forms(n, here[n].T) for n in (step.top, step.bottom)}
                top, bottom = (next(iter(domes[n].values())) for n in (step.top, step.bottom))
                turned = np.where(top == bottom, turned, bottom > top)
            for some, above, below in (
                (everyone[~turned], stay.top, stay.bottom),
                (everyone[turned], stay.bottom, stay.top),
            ):
                if some.size:
                    yield some, above, below, stay.first, stay.strokes

    def _thins(self, number: int, k: int) -> Callable[[str, str], float]:
        factor = self._factor(number)[k]
        return lambda top, bottom: self.model.thins(number, top, bottom) * factor

    def _lap(
        self,
        found: Sequence[_Course],
        here: dict[str, Array],
        number: int,
        some: Ints,
        pair: tuple[str, str],
        strokes: tuple[int, int],
        clock: Array,
        age: Array,
    ) -> Array:
        """Lap some draws for one spell, looking now and then; gives the age of their dab then."""
        top, bottom = pair
        step = self.study.steps[number - 1]
        first, count = strokes
        crowd = self._crowd(number, top, bottom)
        kappas = np.outer(self._factor(number)[some], self.model.kappas(number, top, bottom))
        stiffness = self._stiffness(number)[some]
        looks = max(1, math.ceil(LOOKS * count / step.pace / self._lasts))
        old, cut_so_far = float(age[some[0]]), 0.0
        half = self.bases[bottom].size
        for part in range(1, looks + 1):
            cut, after = cut_of(step, old, first, count * part / looks)
            faces = np.concatenate([here[bottom][some], here[top][some]], axis=1)
            faces = crowd.lap(faces, stiffness, kappas, cut - cut_so_far)
            here[bottom][some], here[top][some] = faces[:, :half], faces[:, half:]
            cut_so_far = cut
            clock[some] += count / looks / step.pace
            self._note(found, here, some, clock, (bottom, top))
        return np.full(some.size, after)

    @cached_property
    def _lasts(self) -> float:
        return rubbing_time(self.study.steps, self.study.rounds)

    def _note(
        self,
        found: Sequence[_Course],
        here: Mapping[str, Array],
        some: Ints,
        clock: Array,
        pair: tuple[str, str],
    ) -> None:
        for k in some:
            found[k].time.append(float(clock[k]))
            found[k].faces.append({name: faces[k].copy() for name, faces in here.items()})
            found[k].pair.append(pair)

    def _crowd(self, number: int, top: str, bottom: str) -> Crowd:
        key = number, id(self.bases[bottom]), id(self.bases[top])
        if key not in self._crowds:
            self._crowds[key] = crowd_of(
                self.bases[bottom], self.bases[top], self._motion(number), POSES
            )
        return self._crowds[key]

    def _motion(self, number: int) -> Motion:
        """How the hand moves the top: as unsteady as in the draws."""
        if number not in self._motions:
            step = self.draws[-1].steps[number - 1]
            self._motions[number] = Motion(step, (self.study.seed, 1, number))
        return self._motions[number]

    def _factor(self, number: int) -> Array:
        """How much faster the grit of a step cuts in each draw than it is said to."""
        sizes = np.array([_cut(one.steps[number - 1].grit) for one in self.draws])
        factor: Array = sizes / sizes[0]
        return factor

    def _stiffness(self, number: int) -> Array:
        return np.array([one.steps[number - 1].grit.layer.stiffness for one in self.draws])


def _unit(basis: Basis, outline: Outline, key: str) -> Array:
    """Coefficients (size,) of a form of a metre."""
    form = replace(StartForm(), **{key: 1e-6})  # type: ignore[arg-type]
    fit: Array = basis.fit(lambda x, y: form.at(x, y, outline)) / 1e-6
    return fit


def _cut(grit: Grit) -> float:
    """Something that goes with how fast a grit cuts."""
    wear = grit.wear
    if wear.iron is not None:
        return wear.iron
    if wear.plates:
        return next(iter(wear.plates.values()))
    seen = wear.observed
    assert seen is not None
    return seen.removed if seen.removed is not None else seen.lost or 1.0


def with_quick_draws(
    got: Comparison, threads: int = 1, tell: Callable[[int], None] = lambda done: None
) -> Comparison:
    """The comparison with quick draws of its best ways, or with why there are none.

    Parameters
    ----------
    got : Comparison
        None of whose ways was drawn in full.
    threads : int
        Ways that are drawn at a time; they change no bit.
    tell : callable
        Called with how many ways are drawn.

    Returns
    -------
    Comparison

    """
    if len(got.ranked) < 2:
        return got
    if (why := _forbids(got)) is not None:
        return replace(got, unquick={-1: why})
    best = got.ranked[:BEST]

    def told(i: int) -> Sequence[Summary] | str:
        study = got.members[i].study
        assert study is not None
        if got.nominal[i].track["removed"][-1] < NOTHING:
            return "nothing"
        try:
            found = quick_draws(study, got.nominal[i], got.tolerance)
        except LapwrightError:
            return "failed"
        return found[1:] if _near(got, i, found) else "far"

    found: dict[int, Sequence[Summary] | str] = {}
    with ThreadPoolExecutor(max(1, min(threads, len(best)))) as pool:
        for i, some in zip(best, pool.map(told, best), strict=True):
            found[i] = some
            tell(len(found))
    drawn = {i: some for i, some in found.items() if not isinstance(some, str)}
    unquick = {i: why for i, why in found.items() if isinstance(why, str)}
    return replace(got, quick=drawn, unquick=unquick)


def _forbids(got: Comparison) -> str | None:
    """Why no way of a comparison can be drawn quickly."""
    if got.study.batch is not None:
        return "batch"
    studies = [got.members[i].study for i in got.done]
    if any(step.until is not None for one in studies if one is not None for step in one.steps):
        return "until"
    return None if all(got.nominal[i].track for i in got.done) else "kept"


def _near(got: Comparison, i: int, found: Sequence[Summary]) -> bool:
    """Whether the way as it stands, told in large shapes, comes near to what lapping it in full gave."""
    metal, flat = got.judged.metal, Criterion()
    share = 1.0 if metal is None else metal / got.nominal[i].removed

    def worst(one: Summary) -> float:
        then = with_metal_off(one, min(1.0, share) * one.track["removed"][-1])
        return math.inf if then is None else flat.figure(then)

    lapped, (told, *draws) = worst(got.nominal[i]), (worst(one) for one in found)
    low, high = np.percentile(draws, BAND_ENDS)
    return bool(abs(told - lapped) <= AGREES * (high - low) + FAR * lapped)


def quick_draws(
    study: Study, nominal: Summary, tolerance: Tolerance, number: int = DRAWS
) -> list[Summary]:
    """The way as it stands, told in large shapes alone, and its draws, put right by it.

    Parameters
    ----------
    study : Study
        The way.
    nominal : Summary
        What came of it as it stands, lapped in full, with its track.
    tolerance : Tolerance
        How well start forms are known.
    number : int
        Draws.

    Returns
    -------
    list of Summary
        1 + `number`, as a full simulation would be told but for profiles and what lies at the very edge.

    Raises
    ------
    LapwrightError
        When the top does not settle.

    """
    quick = QuickDraws(study, tolerance, number)
    told = [_track(quick, course, nominal) for course in quick.courses]
    off = _off(nominal.track, told[0])
    tracks = [told[0], *(_righted(track, off) for track in told[1:])]
    return [_summary(nominal, k, track) for k, track in enumerate(tracks)]


def _track(quick: QuickDraws, course: _Course, nominal: Summary) -> dict[str, Array]:
    """Columns along the time of a draw, as `Follower` keeps them."""
    time = np.array(course.time)
    faces = {n: np.stack([one[n] for one in course.faces], axis=1) for n in quick.bases}
    off = [z[0, 0] - z[0] for z in faces.values()]
    track = {"time": time, "removed": np.mean(off, axis=0)}
    was = {key: np.asarray(column) for key, column in nominal.track.items()}
    for key in ("turned", "swaps"):
        track[key] = np.interp(time, was["time"], was[key])
    goal = quick.study.goal
    worth = 0.0 if goal is None else goal.effort.metal
    handled = was["work"] - was["time"] - worth * was["removed"]
    track["work"] = time + np.interp(time, was["time"], handled) + worth * track["removed"]
    domes = {}
    for name, z in faces.items():
        forms = quick.looks.forms(name, z)
        domes[name] = next(iter(forms.values()))
        track |= {f"{name}.{key}": value for key, value in forms.items()}
        track[f"{name}.flatness"] = quick.looks.flatness(name, z)
    track["difference"] = np.array(
        [domes[top][k] - domes[bottom][k] for k, (bottom, top) in enumerate(course.pair)]
    )
    if "mating" in nominal.track:
        track["mating"] = np.array(
            [
                quick.looks.mating(
                    bottom, top, faces[bottom][:, k : k + 1], faces[top][:, k : k + 1]
                )[0]
                for k, (bottom, top) in enumerate(course.pair)
            ]
        )
    return track


def _off(
    lapped: Mapping[str, Sequence[float]], told: Mapping[str, Array]
) -> dict[str, tuple[Array, Array]]:
    """Of each form how far off it is told as the way stands [m], along shares of the metal."""
    was = {key: np.asarray(column) for key, column in lapped.items()}
    share, own = was["removed"] / was["removed"][-1], told["removed"] / told["removed"][-1]
    found = {}
    for key in told:
        if "." in key or key in ("difference", "mating"):
            found[key] = (share, was[key] - np.interp(share, own, told[key]))
    return found


def _righted(
    track: Mapping[str, Array], off: Mapping[str, tuple[Array, Array]]
) -> dict[str, Array]:
    share = track["removed"] / track["removed"][-1]
    found = dict(track)
    for key, (at, by) in off.items():
        more = np.interp(share, at, by)
        found[key] = track[key] + more
        if key.rpartition(".")[2] in SIZES:
            found[key] = np.maximum(found[key], LEAST * track[key])
    return found


def _summary(nominal: Summary, k: int, track: Mapping[str, Array]) -> Summary:
    plates = {}
    for name, ended in nominal.plates.items():
        last, begun = (
            {
                key: float(track[f"{name}.{key}"][at]) if f"{name}.{key}" in track else None
                for key in ended.forms
            }
            for at in (-1, 0)
        )
        share = float(track["removed"][-1]) / nominal.removed if nominal.removed > 0.0 else 1.0
        plates[name] = Ended(
            last, {}, begun, {}, ended.error, ended.margin, ended.removed * share, (), ()
        )
    return replace(
        nominal,
        draw=k,
        plates=plates,
        time=float(track["time"][-1]),
        metal=(),
        mating=float(track["mating"][-1]) if "mating" in track else nominal.mating,
        track={key: tuple(column.tolist()) for key, column in track.items()},
    )
