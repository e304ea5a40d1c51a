"""What the guess of the grit layer leaves open: forms at the end of a run, had the layer given less or more.

How far a layer gives is known to a band (`lapwright.limits.LAYER_BAND`), and what it leaves on faces goes
with it, while the forms that mate, and the metal, do not.  A layer s times as deep has all rates of
the reduced model s times slower and the same drive, so the whole work is gone through again from operators
that are worked out once: no second run.  What moves there is put on the face that the run came to.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CannotDoError, LapwrightError
from lapwright.kinematics.schedule import age_at_start, stays
from lapwright.limits import LAYER_BAND
from lapwright.metrology.form import measure
from lapwright.study.model import Study, guessed

if TYPE_CHECKING:
    from lapwright.modal.propagator import Propagator
    from lapwright.modal.reduced_model import ReducedModel
    from lapwright.results.record import Run

Array = NDArray[np.float64]
Key = tuple[int, str, str]  # of a flow: step from 1, top, bottom
Bands = Mapping[str, Mapping[str, tuple[float, float]]]  # by plate and form, low and high [m]

# Of the shapes that are followed, as only differences are asked: of like faces, of faces with grooves,
# which are dear, and of unlike ones, where land that is hardly rubbed wants fine shapes.
DEGREE, GROOVED, UNLIKE = 6, 4, 8
DEPTHS = (LAYER_BAND[0], 0.65, 1.7, LAYER_BAND[1])  # times the usual depth
USUAL = 1.0
MANY = 12  # motions: more would keep a person waiting
AGREES = (
    0.5  # of the width of a band: the model must come as near to the run, or the band is not told
)


def layer_bands(run: Run) -> Bands:
    """Of each form at the end from where to where it may lie, as the layer gives less or more.

    Forms of which the reduced model does not come near to what the run did are left out; all are where every
    layer was given, of a batch, where a gauge ended a step (of another layer it would have ended elsewhere),
    and where the work cannot be followed.
    """
    if any(step.until is not None for step in run.study.steps):
        return {}
    margin, plates = run.study.margin, run.study.plates
    found = {}
    for name, (usual, *maps) in faces_by_depth(run).items():
        forms, guess = (
            run.plates[name].form.as_dict(),
            measure(plates[name], usual, margin).as_dict(),
        )
        told = _along([forms, *(measure(plates[name], z, margin).as_dict() for z in maps)])
        found[name] = {
            key: (min(values), max(values))
            for key, values in told.items()
            if abs((guess[key] or 0.0) - values[0]) <= AGREES * (max(values) - min(values))
        }
    return found


def _along(forms: Sequence[Mapping[str, float | None]]) -> dict[str, list[float]]:
    """Every form that all of these faces have, from face to face."""
    along = {key: [one[key] for one in forms] for key in forms[0]}
    return {
        key: [v for v in values if v is not None]
        for key, values in along.items()
        if None not in values
    }


def faces_by_depth(run: Run, depths: Sequence[float] = DEPTHS) -> Mapping[str, Sequence[Array]]:
    """By plate the face at the end (ny, nx) [m] as the reduced model alone has it, then for each of `depths`.

    `depths`: of the layer, times the usual one.  Empty where no layer is a guess, of a batch, and where the
    work cannot be followed.
    """
    study = run.study
    guesses = {k: guessed(study, k, "layer") for k in range(1, len(study.steps) + 1)}
    if study.batch is not None or len(run.time) < 2 or not any(guesses.values()):
        return {}
    try:
        model = _model(study)
        ended = _followed(run, model, guesses, (USUAL, *depths))
    except (LapwrightError, np.linalg.LinAlgError):
        return {}
    found = {}
    for name, record in run.plates.items():
        face, last = model.basis(name), record.frames[-1]
        if last.shape != face.plate.grid.shape:
            return {}
        usual = face.surface(ended[0][name])
        found[name] = [usual, *(last + face.surface(one[name]) - usual for one in ended[1:])]
    return found


def _model(study: Study) -> ReducedModel:
    from lapwright.modal.points import POSES
    from lapwright.modal.reduced_model import ReducedModel

    pairs = [(study.plates[step.top], study.plates[step.bottom]) for step in study.steps]
    unlike = any(top.outline != bottom.outline for top, bottom in pairs)
    grooved = any(plate.grooves is not None for pair in pairs for plate in pair)
    degree = GROOVED if grooved else UNLIKE if unlike else DEGREE
    return ReducedModel(study.plates, study.steps, degree, study.seed, POSES // 2, wider=unlike)


def _followed(
    run: Run, model: ReducedModel, guesses: Mapping[int, bool], depths: Sequence[float]
) -> list[dict[str, Array]]:
    """Coefficients [m] by plate at the end of what was lapped, one for each of `depths`."""
    ended = [model.start() for _ in depths]
    solved: dict[Key, list[Propagator]] = {}
    for key, cut in _spells(run, model, ended[0]):
        pair = key[2], key[1]
        if key not in solved:
            if len(solved) >= MANY:
                raise CannotDoError("too many different motions to follow")
            usual = model.evolution(*key)
            by = [depth if guesses[key[0]] else USUAL for depth in depths]
            solved[key] = [usual.changed(1.0 / depth) for depth in by]
        for one, faces in zip(solved[key], ended, strict=True):
            start = np.concatenate([faces[name] for name in pair])
            parts = np.split(one.after(start, cut), [faces[pair[0]].size])
            faces.update(zip(pair, parts, strict=True))
    return ended


def _spells(
    run: Run, model: ReducedModel, faces: Mapping[str, Array]
) -> Iterator[tuple[Key, float]]:
    """What was lapped in spells: the key of their flow and the time [s] at a fresh dab's cut.

    Angles that are set over are taken in equal shares: they come after one another whatever the layer.

    Who goes on top by readings is told from `faces`, which whoever asks moves on from spell to spell.
    """
    from lapwright.modal.cycle import Spell

    def domed(name: str) -> float:
        return next(iter(model.basis(name).forms(faces[name], run.study.margin).values()))

    grit, age = "", 0.0
    for number, strokes in _rubbed(run):
        step = model.steps[number - 1]
        age = age_at_start(step, grit, age)
        by_reading = step.swap is not None and step.swap.read is not None
        for stay in stays(
            step,
            (lambda top, bottom: domed(bottom) > domed(top)) if by_reading else None,
            thins=partial(model.thins, number),
            age=age,
        ):
            part = replace(stay, end=min(stay.end, strokes))
            spell, age = Spell.of(number, step, part, age)
            yield (number, spell.top, spell.bottom), spell.cut
            if stay.end >= strokes:
                break
        grit = step.grit.name


def _rubbed(run: Run) -> list[tuple[int, int]]:
    """Steps in the order of the run, round after round, and how many strokes of each were lapped."""
    times: dict[tuple[int, int], float] = {}
    for k in range(1, len(run.time)):
        at = int(run.round[k]), int(run.step[k])
        times[at] = times.get(at, 0.0) + float(run.time[k] - run.time[k - 1])
    steps = run.study.steps
    return [(number, round(time * steps[number - 1].pace)) for (_, number), time in times.items()]
