"""The loads of a batch: new parts on the same plate, which is dressed when it is due."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.sampling import PLASTIC
from lapwright.integration.state import Doubt, Progress, State, frozen
from lapwright.integration.stopping import Watch
from lapwright.kinematics.schedule import GOLDEN
from lapwright.metrology.form import FORMS, form_names, forms, measure
from lapwright.metrology.thickness import as_thick
from lapwright.specification.batch import Batch
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step, Turn

Array = NDArray[np.float64]

FIELDS = {form.word: key for key, form in FORMS.items()}


@dataclass(frozen=True)
class Loads:
    """What a batch asks of the time loop; each load is a round of the steps."""

    batch: Batch
    plates: Mapping[str, Plate]
    steps: Sequence[Step]
    seed: int
    watch: Watch  # its gauge asks for dressing

    @property
    def alike(self) -> dict[str, Plate]:
        """Every part of a load by its name as the usual one: they wear alike."""
        return dict.fromkeys(self.batch.names, self.plates[self.batch.part])

    def begins(self, step: Step, clock: Progress) -> tuple[float, float]:
        """Where the operator stands and how he holds the top as a load, or dressing, begins [rad].

        What runs on stands anywhere when it is stopped: began every load alike, each would press its waves
        into the plate where the last one did.  By golden shares of a turn no few loads are alike.  What is
        set over by an angle is set by hand, and a part that nothing carries is laid as it always is.
        """
        dresses = self.batch.dresses(clock.step)
        past = (clock.dressings if dresses else clock.round - clock.skipped) - 1
        carried = self.batch.carried and self.batch.laps(step)
        return (
            _share(step.walk, past * GOLDEN),
            _share(step.turn, past * PLASTIC) if carried else 0.0,
        )

    def laid(self, state: State) -> State:
        """The next parts on the plate, each as it comes."""
        batch, clock = self.batch, state.clock
        parts = clock.parts + batch.number(clock.round)
        clock = replace(clock, parts=parts, stands=state.trend.ahead)
        usual = self.plates[batch.part]
        new = load_as_it_comes(batch, usual, clock, self.seed)
        names = form_names(usual.outline)
        heights = {**state.heights, **{name: frozen(z) for name, z in new.items()}}
        doubt = {**state.doubt, **{n: Doubt(names, leapt=state.doubt[n].leapt) for n in new}}
        return replace(state, event="laid", clock=clock, heights=heights, doubt=doubt)

    def due(self, number: int, state: State) -> bool:
        """Whether a step is lapped this time: dressing when the plate asks for it and parts are left."""
        dress, clock = self.batch.dress, state.clock
        if dress is None or not self.batch.dresses(number):
            return True
        if clock.parts >= self.batch.count:
            return False
        return dress.due(clock.parts - clock.dressed, self.read(state))

    def read(self, state: State) -> dict[str, float]:
        """What the plate reads of the forms at which it is dressed [m], by their names there."""
        dress = self.batch.dress
        if dress is None or not dress.when:
            return {}
        name = self.steps[dress.step - 1].bottom
        how = measure if "flatness" in dress.when else forms
        found = how(self.plates[name], self.watch.face(name, state), self.watch.margin)
        return {form: getattr(found, FIELDS[form]) or 0.0 for form in dress.when}

    def begun(self, state: State, before: Progress) -> State:
        """A step at its beginning, the step `before` it done: the clock of the batch, and new parts."""
        clock = replace(
            state.clock, parts=before.parts, dressed=before.dressed, dressings=before.dressings,
            skipped=before.skipped,
        )  # fmt: skip
        if self.batch.dresses(clock.step):
            clock = replace(clock, dressed=clock.parts, dressings=clock.dressings + 1)
            state = replace(state, trend=state.trend.dressed(before.round - before.skipped))
            clock = replace(clock, load_stride=before.stride, load_poses=before.poses)
        elif clock.step == before.step:
            # The next load is lapped like the one before it: its blocks and poses are a good guess.
            clock = replace(clock, stride=before.stride, poses=before.poses)
        elif self.batch.dresses(before.step) and clock.step == 1:
            clock = replace(clock, stride=before.load_stride, poses=before.load_poses)
        state = replace(state, clock=clock)
        return state if clock.round == before.round else self.laid(state)


def load_as_it_comes(batch: Batch, usual: Plate, clock: Progress, seed: int) -> dict[str, Array]:
    """Heights (ny, nx) [m] of the parts that lie there, by name, before they are lapped.

    Of a load that stands for several, the mean of the parts that would lie there.
    """
    number = batch.number(clock.round)
    first = clock.parts - number + 1
    out = {}
    for k, name in enumerate(batch.names[:number]):
        each = [
            as_it_comes(batch, usual, first + k + number * load, seed)
            for load in range(clock.stands if batch.scatter else 1)
        ]
        out[name] = each[0] if len(each) == 1 else np.stack(each).mean(axis=0)
    return out


def as_it_comes(batch: Batch, usual: Plate, number: int, seed: int) -> Array:
    """Heights (ny, nx) [m] of part `number` (from 1) before it is lapped, as thick as it comes."""
    part, thicker = batch.part_of(usual, number, seed)
    return as_thick(part, usual) + thicker


def _share(turn: Turn, share: float) -> float:
    """That share of a turn [rad] of what runs on; 0 of what does not."""
    return 2.0 * pi * (share % 1.0) if turn.angle and not turn.indexed else 0.0
