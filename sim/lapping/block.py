"""One block of strokes: both faces moved on by what a sample of its poses takes off on average."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import inf, sqrt

import numpy as np
from numpy.typing import NDArray

from sim.lapping.average import Average, Pair, Sample
from sim.lapping.moment import Clock, Moment, frozen
from sim.lapping.motion import Motion
from sim.plate.plate import Plate

__all__ = ["Block", "mean_over_land", "settling_time"]

Array = NDArray[np.float64]


def mean_over_land(plate: Plate, rate: Array) -> float:
    """Mean of a map over the land of a plate."""
    return float((plate.land * rate).sum() / plate.land.sum())


def settling_time(pair: Pair, motion: Motion, rates: tuple[float, float]) -> float:
    """Time in which a mismatch dies, before anything is known of the contact [s]."""
    poses = motion.poses(np.arange(64) / 64.0)
    spin = np.abs(poses.spin) * 0.6 * pair.top.outline.radius
    speed = float(np.hypot(np.hypot(poses.vx, poses.vy), spin).mean())
    rate = pair.stiffness * speed * (rates[0] + rates[1])
    return 1.0 / rate if rate > 0.0 else inf


@dataclass(frozen=True)
class Block:
    """A block of strokes by Heun's method: metal lost by both (ny, nx) [m] and what it tells of itself."""

    pair: Pair
    lost: tuple[Array, Array]
    rate: tuple[Array, Array]
    squeeze: float
    removal_rate: float
    error: float
    sampling_error: float
    lift_share: float
    scale_error: float

    @classmethod
    def heun(
        cls, pair: Pair, moment: Moment, sample: Sample, rates: tuple[float, float], time: float
    ) -> Block:
        """`time` [s] at a fresh dab's cut; both stages use the same poses."""
        z = moment.heights[pair.bottom.name], moment.heights[pair.top.name]
        one = pair.average(z[0], z[1], sample)
        euler = rates[0] * time * one.bottom, rates[1] * time * one.top
        two = pair.average(z[0] - euler[0], z[1] - euler[1], sample, one)
        rate = 0.5 * (one.bottom + two.bottom), 0.5 * (one.top + two.top)
        lost = rates[0] * time * rate[0], rates[1] * time * rate[1]
        bodies = pair.bottom, pair.top
        squeeze = pair.load / (pair.stiffness * max(one.overlap, 1e-300))
        mean = sum(k * mean_over_land(body, r) for k, body, r in zip(rates, bodies, rate, strict=True))
        return cls(
            pair,
            lost,
            rate,
            squeeze,
            mean,
            _spread_of(bodies, (lost[0] - euler[0], lost[1] - euler[1])),
            _spread_of(bodies, _halves(one, two, rates, time)),
            one.lift_share,
            max(one.scale_error, two.scale_error),
        )

    def applied(self, moment: Moment, clock: Clock) -> Moment:
        """The moment after this block."""
        heights = dict(moment.heights)
        removed = dict(moment.removed)
        pressure_speed = {name: frozen(np.zeros(z.shape)) for name, z in heights.items()}
        for plate, lost, rate in zip((self.pair.bottom, self.pair.top), self.lost, self.rate, strict=True):
            heights[plate.name] = frozen(heights[plate.name] - lost)
            removed[plate.name] += mean_over_land(plate, lost)
            pressure_speed[plate.name] = frozen(rate)
        return replace(
            moment,
            clock=clock,
            event="block",
            heights=heights,
            removed=removed,
            pressure_speed=pressure_speed,
            lift_share=self.lift_share,
            scale_error=self.scale_error,
            sampling_error=self.sampling_error,
        )


def _halves(one: Average, two: Average, rates: tuple[float, float], time: float) -> tuple[Array, Array]:
    return (
        0.5 * rates[0] * time * (one.half_bottom + two.half_bottom),
        0.5 * rates[1] * time * (one.half_top + two.half_top),
    )


def _spread_of(bodies: tuple[Plate, Plate], change: tuple[Array, Array]) -> float:
    """Larger rms of the two changes about their means, over land [m]."""
    worst = 0.0
    for plate, dz in zip(bodies, change, strict=True):
        total = plate.land.sum()
        mean = (plate.land * dz).sum() / total
        worst = max(worst, float((plate.land * (dz - mean) ** 2).sum() / total))
    return sqrt(worst)
