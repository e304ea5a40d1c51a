"""The faces as each step of a study finds them: what the steps before have made of them, by the picture."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from sim.errors import LapwrightError
from sim.lapping.step import Step
from sim.modes.lifting import Lifts, Watch
from sim.modes.picture import Picture
from sim.modes.schedule import Spell, cut_of, spells_of, strokes_in, window_of
from sim.plate.measure import EdgeMargin

__all__ = ["Placement", "course", "lifting_by_placement"]

Array = NDArray[np.float64]
Placement = tuple[int, str, str]  # step from 1, top, bottom


def course(picture: Picture, margin: EdgeMargin) -> Iterator[dict[str, Array]]:
    """Yield the coefficients [m] by plate with which each step of the first round begins.

    A step that may stop by a gauge is taken for as long as it may go on; one that swaps by readings swaps by
    what they would be, inside `margin`.

    Raises
    ------
    DefectiveError, NoOverlapError
        Where a step before cannot be told.

    """
    return _walked(picture, margin, Watch())


def lifting_by_placement(picture: Picture, margin: EdgeMargin) -> dict[Placement, Lifts]:
    """Where something lifts in each step, with each plate on top that comes to lie there.

    Steps from the first on that cannot be told are left out.
    """
    watch = Watch()
    with suppress(LapwrightError):
        deque(_walked(picture, margin, watch), maxlen=0)
    return picture.watched(watch)


def _walked(picture: Picture, margin: EdgeMargin, watch: Watch) -> Iterator[dict[str, Array]]:
    """The course, each spell of it watched."""
    faces = picture.start()
    grit, age = "", 0.0
    for number, step in enumerate(picture.steps, 1):
        yield dict(faces)
        if step.swap is not None and step.swap.read is not None:
            for spell in _by_reading(picture, number, step, faces, margin):
                _lap(picture, spell, faces, watch)
        else:
            spells, age = spells_of(picture, number, grit, age)
            for spell in spells:
                _lap(picture, spell, faces, watch)
            grit = step.grit.name


def _by_reading(
    picture: Picture, number: int, step: Step, faces: dict[str, Array], margin: EdgeMargin
) -> Iterator[Spell]:
    """Spells between readings, of `faces` as they are by then; the grit is taken as fresh at the start."""
    assert step.swap is not None
    assert step.swap.read is not None
    top, bottom, age = step.top, step.bottom, 0.0
    every = strokes_in(step.swap.read, step.pace)
    for first in range(0, step.total_strokes, every):
        domes = {
            name: next(iter(picture.basis(name).forms(faces[name], margin).values()))
            for name in (top, bottom)
        }
        if domes[bottom] > domes[top]:
            top, bottom = bottom, top
        strokes = min(every, step.total_strokes - first)
        cut, age = cut_of(step, age, first, strokes)
        yield Spell(number, top, bottom, first, strokes, strokes / step.pace, cut)


def _lap(picture: Picture, spell: Spell, faces: dict[str, Array], watch: Watch) -> None:
    """Move both faces on by a spell."""
    solved = picture.evolution(spell.step, spell.top, spell.bottom, window_of(picture, spell))
    pair = spell.bottom, spell.top
    start = np.concatenate([faces[name] for name in pair])
    ended = watch.lap((spell.step, spell.top, spell.bottom), solved, start, spell.cut)
    faces.update(zip(pair, np.split(ended, [faces[spell.bottom].size]), strict=True))
