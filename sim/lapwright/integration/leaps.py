"""Loads of a long batch that are not lapped one by one: one load is lapped and stands for several.

What a load does to its plate changes slowly from load to load.  So the parts of one load come as the mean of
those that it stands for, and once they are lapped the plate goes on by what the load did to it, once for each
of the others: a forward step of the plate's history.  Long waves, which go on for hundreds of loads,
are carried on along the way in which that change itself changes (the two-step formula of J. C. Adams and
F. Bashforth, 1883, from memory).  What a plate that is turned loses between is the same all round, for no two
loads begin at the same angle.

A load stands for the more others, the less the next one that is lapped differs from what was foreseen, and
never for so many that a wave as short as a part would be carried past its end: one on which parts lie stiffly
dies by the share of the squeeze of the grit that a load wears off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import inf

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import on_bench
from lapwright.integration.block import mean_over_land, shape_of
from lapwright.integration.loads import Loads
from lapwright.integration.state import Begun, State, Trend, frozen
from lapwright.kinematics.motion import Motion
from lapwright.specification.batch import AGAIN, MOST_STOOD, Batch
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]

STABLE = 1.5  # of the squeeze of the grit, that a load and those that it stands for may wear off the plate
ALLOWED = 0.005  # of the metal off a part, that one leap may leave open in a form of the parts ...
GROWS = 0.3  # ... and when it leaves less than such a share of that, the next is longer
BASELINE = 4  # loads over which it is seen how the change of a plate changes
DEGREES = 2, 4, 6  # of waves all round, in the radius, that are followed from load to load
DEGREE = 4  # the same in x and y, of a plate that is not turned
ORDERS = (
    1,
    2,
    3,
)  # waves round a plate, which differ from load to load as it is stopped elsewhere each time
POSES, ACROSS = 192, 12  # where a part lies as it goes round, and points across its face


@dataclass(frozen=True)
class Leaps:
    """Which loads are lapped, what each stands for, and what the plate loses meanwhile."""

    loads: Loads

    @property
    def batch(self) -> Batch:
        """Of which parts."""
        return self.loads.batch

    @cached_property
    def lapped(self) -> tuple[int, ...]:
        """Numbers of the steps in which parts are lapped."""
        return tuple(n for n, s in enumerate(self.loads.steps, 1) if self.batch.laps(s))

    @cached_property
    def bodies(self) -> tuple[str, ...]:
        """What goes on from load to load: the plate, and what takes the parts round."""
        carrier = self.batch.carrier
        plate = self.loads.steps[self.lapped[0] - 1].bottom
        return (plate,) if carrier is None else (plate, carrier)

    @cached_property
    def waves(self) -> dict[str, Waves]:
        """The long waves of each that goes on."""
        steps = [self.loads.steps[n - 1] for n in self.lapped]
        out = {}
        for k, name in enumerate(self.bodies):
            if k == 0:
                turned = all(self.batch.goes_round(step) for step in steps)
            else:
                turned = all(step.turn.angle and not step.turn.indexed for step in steps)
            out[name] = Waves(self.loads.plates[name], turned)
        return out

    def begun(self, state: State) -> State:
        """With what is there as parts are laid, for what the load does to be told afterwards."""
        begun = Begun(
            heights={name: state.heights[name] for name in self.bodies},
            removed=dict(state.removed),
            time=state.clock.time,
        )
        return replace(state, begun=begun)

    def due(self, state: State) -> bool:
        """Whether a load is lapped and its plate not yet carried on."""
        clock = state.clock
        return state.begun is not None and clock.closed and clock.step == self.lapped[-1]

    def leapt(self, state: State) -> State:
        """The plate as the loads that this one stands for leave it, and for how many the next one stands."""
        clock, begun, trend = state.clock, state.begun, state.trend
        assert begun is not None
        change = {name: state.heights[name] - begun.heights[name] for name in self.bodies}
        even = {name: self.waves[name].evened(one) for name, one in change.items()}
        slope = tuple(x for name in self.bodies for x in self.waves[name].of(even[name]))
        trend, missed = trend.after(slope, clock.round, BASELINE)
        more = clock.stands - 1
        heights, removed, doubt = dict(state.heights), dict(state.removed), dict(state.doubt)
        if more:
            along, at = trend.along(clock.stands), 0
            for name in self.bodies:
                waves = self.waves[name]
                further = more * (even[name] + waves.map(along[at : at + waves.number]))
                at += waves.number
                heights[name] = frozen(heights[name] + further)
                doubt[name] = doubt[name].repeated(more, clock.round - clock.skipped)
                removed[name] -= mean_over_land(self.loads.plates[name], further)
            for name in self.batch.names:
                removed[name] += more * (removed[name] - begun.removed[name])
        for name, off in self._open(trend).items():
            doubt[name] = doubt[name].leaping(off)
        clock = replace(
            clock,
            round=clock.round + more,
            skipped=clock.skipped + more,
            parts=clock.parts + more * self.batch.together,
            time=clock.time + more * (clock.time - begun.time),
        )
        state = replace(
            state, event="averaged", clock=clock, heights=heights, removed=removed, doubt=doubt,
            begun=None, trend=replace(trend, leap=more),
        )  # fmt: skip
        worn = max(float(-one.min()) for one in even.values())
        part = self.batch.part  # what one load takes off it
        taken = (state.removed[part] - begun.removed[part]) / clock.stands
        return self._ahead(state, missed, worn, taken)

    def _open(self, trend: Trend) -> dict[str, tuple[float, float, float]]:
        """What leaps so far leave open in the forms of the plate, of its carrier and of parts [m]."""
        out, at = {}, 0
        for k, name in enumerate(self.bodies):
            own = slice(at, at + self.waves[name].number)
            at = own.stop
            if not trend.off:
                continue
            off, spread = np.array(trend.off[own]), np.array(trend.spread[own])
            shapes = {name: self.waves[name].shapes}
            if k == 0:
                shapes |= dict.fromkeys(self.batch.names, self.on_parts)
            for one, shape in shapes.items():
                told = np.abs(shape @ off) + np.sqrt(shape**2 @ spread)
                out[one] = tuple(float(form) for form in told)
        return out  # type: ignore[return-value]

    @cached_property
    def on_parts(self) -> Array:
        """Forms of a part (3, n) close on each long wave of the plate, as the mean of where it goes."""
        batch, step = self.batch, self.loads.steps[self.lapped[-1] - 1]
        plate, part = self.loads.plates[self.bodies[0]], self.loads.plates[batch.part]
        motion = Motion(batch.station(step, 0), (self.loads.seed, 0, 0), (0.0, 0.0))
        poses = motion.poses((np.arange(POSES) + 0.5) / POSES * step.total_strokes)
        grid = part.grid
        u, v = np.meshgrid(grid.x, grid.y)
        out = np.zeros((self.waves[plate.name].number, *grid.shape))
        for k in range(POSES):
            x, y = on_bench(u, v, poses.cx[k], poses.cy[k], poses.theta[k])
            # The plate is turned under the parts: its own frame is that of the bench.
            out -= self.waves[plate.name].at(x, y) / POSES
        return np.stack([shape_of(part, one) for one in out], axis=1)

    def _ahead(self, state: State, missed: tuple[float, ...], worn: float, off: float) -> State:
        """For how many loads the next one stands."""
        clock, batch, trend = state.clock, self.batch, state.trend
        own = self.waves[self.bodies[0]].number
        lately = clock.round - clock.skipped - (trend.since if clock.dressings else 0)
        wanted = 1
        if lately >= (AGAIN if clock.dressings else self.batch.first_loads):
            open_ = (
                float(np.abs(self.on_parts @ np.array(missed[:own])).max())
                * 0.5
                * max(clock.stands, 2)
            )
            share = open_ / max(ALLOWED * off, 1e-300)
            wanted = (
                2 * clock.stands
                if share < GROWS
                else clock.stands
                if share < 1.0
                else clock.stands // 2
            )
            wanted = min(wanted, MOST_STOOD, int(STABLE * self._squeeze / max(worn, 1e-300)))
        left = batch.loads - clock.round
        if batch.dress is not None and batch.dress.every is not None:
            since = (clock.parts - clock.dressed) // batch.together
            left = min(left, batch.dress.loads(batch) - since)
        elif batch.dress is not None:
            share = max(
                (
                    abs(size) / batch.dress.when[form]
                    for form, size in self.loads.read(state).items()
                ),
                default=0.0,
            )
            rate = (share - trend.share) / max(clock.round - trend.share_at, 1)
            trend = replace(trend, share=share, share_at=clock.round)
            ahead = (1.0 - share) / rate if rate > 0.0 and trend.share_at else inf
            left = min(left, int(min(0.5 * ahead, 1e6)) + 1)
        # The last load before a dressing, and the last of all, stands for itself.
        wanted = max(1, min(wanted, left - 1))
        return replace(state, trend=replace(trend, ahead=wanted))

    @cached_property
    def _squeeze(self) -> float:
        """How far the grit gives under the parts on average [m], the least of any step."""
        part = self.loads.plates[self.batch.part]
        steps = [self.batch.station(self.loads.steps[n - 1], 0) for n in self.lapped]
        return min(
            (part.weight + step.load.force) / (step.grit.layer.stiffness * part.land_area)
            for step in steps
        )


@dataclass(frozen=True)
class Waves:
    """The long waves of a face: `turned`, those that are the same all round, else in x and y; R = 1 [m]."""

    plate: Plate
    turned: bool

    @cached_property
    def all_round(self) -> bool:
        """Whether what comes off it is the same all round: it is round, without grooves, and turned."""
        outline = self.plate.outline
        return (
            self.turned and self.plate.grooves is None
            and outline.width_along(0.5) == max(outline.size)
        )  # fmt: skip

    @property
    def number(self) -> int:
        """How many there are."""
        return len(DEGREES) if self.all_round else (DEGREE + 1) * (DEGREE + 2) // 2 - 3

    def _powers(self, x: Array, y: Array) -> Array:
        """Powers (m, ...) of points [m]: those that are no waves, a level (or a plane), first."""
        x, y = x / self.plate.outline.radius, y / self.plate.outline.radius
        if self.all_round:
            return np.stack([(x * x + y * y) ** (d // 2) for d in (0, *DEGREES)])
        degrees = [(d - k, k) for d in range(DEGREE + 1) for k in range(d + 1)]
        return np.stack([x**i * y**j for i, j in degrees])

    @cached_property
    def _mixed(self) -> Array:
        """Matrix (n, m): the waves from powers, each by itself of size 1 (rms) over the land."""
        grid, land = self.plate.grid, self.plate.land
        powers = self._powers(*np.meshgrid(grid.x, grid.y))
        gram = np.einsum("ajk,bjk->ab", powers * land, powers) / land.sum()
        mixed: Array = np.linalg.inv(np.linalg.cholesky(gram))[len(gram) - self.number :]
        return mixed

    def at(self, x: Array, y: Array) -> Array:
        """Heights (n, ...) of the waves at points [m]."""
        found: Array = np.einsum("am,m...->a...", self._mixed, self._powers(x, y))
        return found

    @cached_property
    def _maps(self) -> Array:
        """The waves on the cells (n, ny, nx)."""
        grid = self.plate.grid
        return self.at(*np.meshgrid(grid.x, grid.y))

    @cached_property
    def _fit(self) -> Array:
        """Matrix (n, cells): the waves in a map."""
        land = self.plate.land
        fit: Array = (self._maps * land).reshape(self.number, -1) / land.sum()
        return fit

    def of(self, z: Array) -> tuple[float, ...]:
        """The waves in a map (ny, nx)."""
        return tuple(float(x) for x in np.einsum("ik,k->i", self._fit, z.ravel()))

    def map(self, sizes: Sequence[float]) -> Array:
        """A map of waves of these sizes, level over the land."""
        z = np.einsum("i,ijk->jk", np.array(sizes), self._maps)
        return np.where(self.plate.land > 0.0, z - mean_over_land(self.plate, z), 0.0)

    @cached_property
    def shapes(self) -> Array:
        """Forms (3, n) of each wave."""
        return np.stack([shape_of(self.plate, one) for one in self._maps], axis=1)

    @cached_property
    def _uneven(self) -> tuple[Array, Array]:
        """What may differ round a plate that is turned, maps (n, cells), and their fit."""
        grid, land = self.plate.grid, self.plate.land.ravel()
        x, y = (one.ravel() / self.plate.outline.radius for one in np.meshgrid(grid.x, grid.y))
        square = x * x + y * y
        around = [(x + 1j * y) ** order for order in ORDERS]
        maps = [
            part * square**k for one in around for k in range(3) for part in (one.real, one.imag)
        ]
        q, _ = np.linalg.qr((np.stack(maps) * np.sqrt(land)).T)
        shapes = np.divide(q.T, np.sqrt(land), out=np.zeros_like(q.T), where=land > 0.0)
        return shapes, shapes * land

    def evened(self, change: Array) -> Array:
        """A change (ny, nx) [m] without what differs round a plate that is turned; else as it is."""
        if not self.all_round:
            return change
        shapes, fit = self._uneven
        sizes = np.einsum("ik,k->i", fit, change.ravel())
        even: Array = change - np.einsum("i,ik->k", sizes, shapes).reshape(change.shape)
        return even
