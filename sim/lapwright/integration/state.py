"""Where the work stands: Clock and State, all there is to know; and numerical choices.

Numerical choices of the time loop, and the same made finer.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.metrology.form import form_names
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step
from lapwright.units import Text

Array = NDArray[np.float64]

WENT_THROUGH = ("done", "until", "limit")  # outcomes of a run that came to its end
ROUND = ("sphere", "bow", "crown")  # forms that run round with a top without a change
LUCK = 1.5  # times what samples leave open, by measurement (docs/numerics.md)
STEP_SHARE = (
    0.3  # of the difference between orders, which is the error of the lower; the higher one is kept
)


@dataclass(frozen=True)
class Progress:
    """Where the work stands; scalars only, so that it can be written down and read back exactly.

    Of a batch: `parts` laid so far, those that lie there included; how many it had been when the plate was
    `dressed` last; how many `dressings` there were; and block and poses with which the last load ended.
    `stands`: for how many loads that which lies there stands, itself included; `skipped`: loads so far for
    which others stood.
    """

    step: int = 1
    round: int = 1
    strokes: int = 0
    block: int = 0
    time: float = 0.0
    grit: str = ""
    grit_age: float = 0.0
    swapped_at: int = 0
    off_swapped: float = 0.0
    read_at: int = -1
    stride: float = 0.0
    poses: float = 0.0
    closed: bool = False
    gauged: bool = False
    ran_out: bool = False
    off_before: float = 0.0
    parts: int = 0
    dressed: int = 0
    dressings: int = 0
    load_stride: float = 0.0
    load_poses: float = 0.0
    stands: int = 1
    skipped: int = 0


@dataclass(frozen=True)
class Doubt:
    """How sure the forms `names` of one plate are: scalars only, so that they are written and read exactly.

    `sampled` [m2]: sum of the squares of what each block's poses leave open, which is as likely to be one way
    as the other; `stepped` [m]: sum of what each block's step leaves open, which goes the same way; `ordered`
    [m]: what is missed of the order of the strokes, by blocks that hold the faces still over whole turns;
    `leapt` [m]: what is open of each because loads of a batch stand for others.
    """

    names: tuple[str, ...]
    sampled: tuple[float, ...] = (0.0, 0.0, 0.0)
    stepped: tuple[float, ...] = (0.0, 0.0, 0.0)
    ordered: float = 0.0
    leapt: tuple[float, ...] = (0.0, 0.0, 0.0)

    def after(self, sampled: Array, stepped: Array, ordered: float = 0.0) -> Doubt:
        """With one more block, whose poses leave `sampled`, whose step leaves `stepped` open (3,) [m]."""
        # One block tells each form by a single difference; half of what all three tell steadies it.
        square = 0.5 * sampled**2 + 0.5 * float((sampled**2).mean())
        return Doubt(
            self.names,
            tuple(float(a + b) for a, b in zip(self.sampled, square, strict=True)),
            tuple(float(a + b) for a, b in zip(self.stepped, stepped, strict=True)),
            self.ordered + ordered,
            self.leapt,
        )

    def repeated(self, more: int, loads: int) -> Doubt:
        """After one of so many `loads` that were lapped alike is taken `more` times again."""
        each = 1.0 + ((more + 1) ** 2 - 1) / loads
        return replace(
            self,
            sampled=tuple(each * square for square in self.sampled),
            stepped=tuple((1.0 + more / loads) * step for step in self.stepped),
        )

    def leaping(self, leapt: tuple[float, ...]) -> Doubt:
        """With what leaps leave open of each form [m]."""
        return replace(self, leapt=leapt)

    def errors(self) -> dict[str, float]:
        """Error of each form [m]."""
        return {
            name: LUCK * sqrt(square)
            + STEP_SHARE * abs(step)
            + (self.ordered if name not in ROUND else 0.0)
            + leapt
            for name, square, step, leapt in zip(
                self.names, self.sampled, self.stepped, self.leapt, strict=True
            )
        }


@dataclass(frozen=True)
class Begun:
    """What was there as the parts of a load were laid: `heights` (ny, nx) [m] of what goes on, and the rest.

    `removed` [m] of all by then, at `time` [s].
    """

    heights: Mapping[str, Array]
    removed: Mapping[str, float]
    time: float


@dataclass(frozen=True)
class Trend:
    """How what a load does to the plate changes from load to load; scalars only, as of a Progress.

    `slope`: long waves that load `at` wore into the plate, and into what takes the parts round; `old`: those
    of load `old_at`, and `mid` between.  `off`: sum of what leaps leave open in the plate, in the same waves,
    `spread` of its squares.  `share`, `share_at`: how near dressing the plate read after which load; `since`:
    loads lapped before it was dressed last.  `ahead`: for how many loads the next one stands.
    """

    slope: tuple[float, ...] = ()
    at: int = 0
    old: tuple[float, ...] = ()
    old_at: int = 0
    mid: tuple[float, ...] = ()
    mid_at: int = 0
    off: tuple[float, ...] = ()
    spread: tuple[float, ...] = ()
    leap: int = 0
    share: float = 0.0
    share_at: int = 0
    since: int = 0
    ahead: int = 1

    def along(self, stands: int) -> tuple[float, ...]:
        """Half as far on as the loads go for which the last one stands: how the slope is other there."""
        if not self.old or self.at == self.old_at:
            return (0.0,) * len(self.slope)
        # No further ahead than it was looked back.
        far = min(0.5 * stands / (self.at - self.old_at), 1.0)
        return tuple(far * (now - old) for now, old in zip(self.slope, self.old, strict=True))

    def after(
        self, slope: tuple[float, ...], at: int, baseline: int
    ) -> tuple[Trend, tuple[float, ...]]:
        """With what load `at` wore off, and by how much that is other than was foreseen."""
        none = (0.0,) * len(slope)
        if not self.slope:
            return replace(
                self, slope=slope, at=at, off=self.off or none, spread=self.spread or none
            ), none
        rate = none
        if self.old and self.at > self.old_at:
            apart = self.at - self.old_at
            rate = tuple((a - b) / apart for a, b in zip(self.slope, self.old, strict=True))
        missed = tuple(
            new - then - r * (at - self.at)
            for new, then, r in zip(slope, self.slope, rate, strict=True)
        )
        # The leap before this load went straight from what was known to what is known now.
        share = 0.5 * self.leap
        old, old_at = self.old or self.slope, self.old_at or self.at
        mid, mid_at = self.mid or slope, self.mid_at or at
        if at - mid_at >= baseline:
            old, old_at, mid, mid_at = mid, mid_at, slope, at
        return (
            replace(
                self, slope=slope, at=at, old=old, old_at=old_at, mid=mid, mid_at=mid_at, leap=0,
                off=tuple(a + share * d for a, d in zip(self.off, missed, strict=True)),
                spread=tuple(a + (share * d) ** 2 for a, d in zip(self.spread, missed, strict=True)),
            ),
            missed,
        )  # fmt: skip

    def dressed(self, since: int) -> Trend:
        """The plate was dressed after so many loads that were lapped: it is another one."""
        return Trend(off=self.off, spread=self.spread, since=since)


@dataclass(frozen=True)
class State:
    """One moment of the work; maps (ny, nx) as looking at the faces, read-only.

    `event`: "start", "block", "swap", "fresh grit", "step" (a step has ended), "laid" (the next parts of a
    batch lie on the plate), "averaged" (the plate has gone on by the loads for which the last one stands) or
    "end".
    `heights` [m], `removed` mean depth of land worn off since the run began [m], `pressure_speed` mean
    over the last block [Pa m/s].  `lift_share`: share of the last block in which part of the overlap bore
    nothing.  `scale_error`: largest departure from 1 of the factor on the top's load.  `doubt`: of the forms
    of each plate, by poses and by steps.  `solved`: poses worked out for the last block, in all its stages
    and also as it was tried too long.  `outcome`: on "end" only.  `begun`, `trend`: of a batch over whose
    parts is averaged.
    """

    clock: Progress
    event: str
    top: str
    bottom: str
    heights: Mapping[str, Array]
    removed: Mapping[str, float]
    pressure_speed: Mapping[str, Array]
    lift_share: float = 0.0
    scale_error: float = 0.0
    doubt: Mapping[str, Doubt] = field(default_factory=dict)
    outcome: str | None = None
    solved: int = 0
    begun: Begun | None = None
    trend: Trend = Trend()

    @classmethod
    def before(
        cls, step: Step, plates: Mapping[str, Plate], heights: Mapping[str, Array] | None = None
    ) -> State:
        """The plates before the first stroke of `step`; with their starting forms when `heights` is None.

        Parameters
        ----------
        step : Step
        plates : mapping
            Plate by name.
        heights : mapping, optional
            (ny, nx) [m] by plate.

        Returns
        -------
        State

        """
        faces = heights or {name: plate.heights() for name, plate in plates.items()}
        return cls(
            clock=Progress(grit=step.grit.name),
            event="start",
            top=step.top,
            bottom=step.bottom,
            heights={name: frozen(z.copy()) for name, z in faces.items()},
            removed=dict.fromkeys(plates, 0.0),
            pressure_speed={n: frozen(np.zeros(plate.grid.shape)) for n, plate in plates.items()},
            doubt={name: Doubt(form_names(plate.outline)) for name, plate in plates.items()},
        )

    @property
    def error(self) -> dict[str, dict[str, float]]:
        """How far each form of each plate, at margin 0, may be off by poses and steps together [m]."""
        return {name: doubt.errors() for name, doubt in self.doubt.items()}


def frozen(values: Array) -> Array:
    """Make an array read-only."""
    values.setflags(write=False)
    return values


@dataclass(frozen=True)
class Settings:
    """Numerical choices; `docs/numerics.md` shows how the defaults were found.

    `poses` to begin with in a block's sample, then as many between `fewest_poses` and `most_poses` as keep
    what they leave open in any form, all blocks together, within `accuracy` as a share of the metal that
    the step takes off; `tolerance`: difference of a third-order step inside a block, as a share of the
    mean squeeze; `longest`: of a block, in units of the time in which a mismatch dies; `look_every` strokes
    at most where an `until` is watched.
    """

    poses: int = 64
    fewest_poses: int = 32
    most_poses: int = 2048
    accuracy: float = 0.0012
    tolerance: float = 0.002
    longest: float = 2.0
    look_every: int = 4
    observing_poses: int = 256

    def __post_init__(self) -> None:
        if not 1 <= self.fewest_poses <= self.poses <= self.most_poses:
            raise ValueError("poses must lie between fewest_poses and most_poses")

    @property
    def usual(self) -> bool:
        """Whether this is no finer run: of many loads each may be looked at less closely."""
        return self.accuracy >= Settings.accuracy

    def finer(self) -> Settings:
        """The same with twice the poses and half the blocks: what moves shows what both may be off by.

        The difference that a step tells goes with the fourth power of a block's length, so a sixteenth of
        it is allowed; what poses leave open falls as the power 3/2 of their number.

        Returns
        -------
        Settings

        """
        return replace(
            self,
            poses=2 * self.poses,
            fewest_poses=2 * self.fewest_poses,
            most_poses=2 * self.most_poses,
            accuracy=self.accuracy / 2.0**1.5,
            tolerance=self.tolerance / 16.0,
            longest=0.5 * self.longest,
            observing_poses=2 * self.observing_poses,
        )


@contextmanager
def named(clock: Progress) -> Iterator[None]:
    """Say in which step and stroke a trouble came up."""
    try:
        yield
    except LapwrightError as trouble:
        trouble.text = Text(
            f"step {clock.step}, stroke {clock.strokes + 1}: {{what}}", what=trouble.text
        )
        trouble.key = f"steps.{clock.step}"
        trouble.args = (trouble.text,)
        raise


def next_multiple(strokes: int, every: int) -> int:
    """The next multiple of `every` after `strokes`."""
    return (strokes // every + 1) * every if every else 2**62
