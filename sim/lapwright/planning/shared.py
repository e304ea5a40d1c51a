"""The strokes of one place in a search, whose operators are shared with all other places."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from lapwright.lapping.step import Step
from lapwright.modes.operator import Operator
from lapwright.modes.picture import Picture
from lapwright.modes.schedule import SHORT_INDEX
from lapwright.study.model import Study

__all__ = ["SharedPicture"]

KEPT = 400  # operators


class SharedPicture(Picture):
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
            if len(self.shared) > KEPT:
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
