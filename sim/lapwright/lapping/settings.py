"""Numerical choices of the time loop, and the same made finer."""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["Settings"]


@dataclass(frozen=True)
class Settings:
    """Numerical choices; `docs/numerics.md` shows how the defaults were found.

    `poses` to begin with in a block's sample, then as many between `fewest_poses` and `most_poses` as keep
    what they leave open in any form, all blocks together, within `accuracy` as a share of the metal that
    the step takes off; `tolerance`: difference of a second-order step inside a block, as a share of the
    mean squeeze; `longest`: of a block, in units of the time in which a mismatch dies; `look_every` strokes
    at most where an `until` is watched.
    """

    poses: int = 64
    fewest_poses: int = 32
    most_poses: int = 2048
    accuracy: float = 0.0012
    tolerance: float = 0.002
    longest: float = 1.4
    look_every: int = 4
    observing_poses: int = 256

    def __post_init__(self) -> None:
        if not 1 <= self.fewest_poses <= self.poses <= self.most_poses:
            raise ValueError("poses must lie between fewest_poses and most_poses")

    def finer(self) -> Settings:
        """The same with twice the poses and half the blocks: what moves shows what both may be off by.

        The difference that a step tells goes with the cube of a block's length, so an eighth of it is
        allowed; what poses leave open falls as the power 3/2 of their number.
        """
        return replace(
            self,
            poses=2 * self.poses,
            fewest_poses=2 * self.fewest_poses,
            most_poses=2 * self.most_poses,
            accuracy=self.accuracy / 2.0**1.5,
            tolerance=0.125 * self.tolerance,
            longest=0.5 * self.longest,
            observing_poses=2 * self.observing_poses,
        )
