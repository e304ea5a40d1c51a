"""The faces as each step of a study finds them: what the steps before have made of them, by the picture."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.lapping.schedule import age_at_start, stays
from lapwright.modes.lifting import Lifts, Watch
from lapwright.modes.picture import Picture
from lapwright.modes.schedule import Spell, spells_of, window_of
from lapwright.plate.measure import EdgeMargin

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

    def domed(name: str) -> float:
        return next(iter(picture.basis(name).forms(faces[name], margin).values()))

    for number, step in enumerate(picture.steps, 1):
        yield dict(faces)
        if step.swap is not None and step.swap.read is not None:
            # Spells between readings, of the faces as they are by then.
            age = age_at_start(step, grit, age)
            for stay in stays(step, lambda top, bottom: domed(bottom) > domed(top)):
                spell, age = Spell.of(number, step, stay, age)
                _lap(picture, spell, faces, watch)
        else:
            spells, age = spells_of(picture, number, grit, age)
            for spell in spells:
                _lap(picture, spell, faces, watch)
        grit = step.grit.name


def _lap(picture: Picture, spell: Spell, faces: dict[str, Array], watch: Watch) -> None:
    """Move both faces on by a spell."""
    solved = picture.evolution(spell.step, spell.top, spell.bottom, window_of(picture, spell))
    pair = spell.bottom, spell.top
    start = np.concatenate([faces[name] for name in pair])
    ended = watch.lap((spell.step, spell.top, spell.bottom), solved, start, spell.cut)
    faces.update(zip(pair, np.split(ended, [faces[spell.bottom].size]), strict=True))
