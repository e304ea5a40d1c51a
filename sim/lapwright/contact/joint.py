"""Several tops under one rigid weight: they settle on the bottom as one body and share the load by statics.

The weight is flat and lies on the backs of all of them, so that they are one body with it: one plane
(height and two tilts) for all, found as for a single top from force and moments, but over the cells of all.
How much each bears follows: three small tops by the rule of the lever, more of them by how far the grit
gives under each, and one that came thicker than the others tilts the weight and bears more of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.contact import equilibrium as solver
from lapwright.contact import wear as loops
from lapwright.contact.average import CHUNKS, FEWEST_FOR_PART, Average, Group, Sample
from lapwright.contact.cells import Face
from lapwright.contact.gang import Gang, GangAverage, Maps, sum_of
from lapwright.contact.sampling import block_sample
from lapwright.contact.stability import place_in_words
from lapwright.errors import TippedError
from lapwright.kinematics.motion import Motion

Array = NDArray[np.float64]

HELD = (0, 1, 2, 1, 3, 4, 2, 4, 5)  # where a symmetric matrix of three has the six sums


@dataclass(frozen=True)
class Joint(Gang):
    """Pairs of like tops whose bottom and weight are one; `load` of each: its own weight and its equal share.

    `places` (tops, 2) [m]: of each top from the middle of the weight, at theta 0.  The moments of the samples
    are about that middle, of what presses on the weight; the tops' own weights lie where they lie.
    """

    places: tuple[tuple[float, float], ...] = ()

    def average(
        self, z: Sequence[Array], samples: Sequence[Sample], part: Sequence[int]
    ) -> GangAverage:
        """As of a gang; raises where the weight tips off them."""
        lead = self.pairs[0]
        number = samples[0].share.size
        rows = self._rows(samples)
        reports = [np.zeros((number, solver.REPORT_COLUMNS)) for _ in self.pairs]
        if number < FEWEST_FOR_PART:
            part = range(CHUNKS)
        others = [k for k in range(CHUNKS) if k not in part]
        apart, rest = self._summed(z, samples, rows, (part, others), reports)
        weights = [float(rows[0][k::CHUNKS, loops.WEIGHT].sum()) for k in part]
        each = []
        for k, pair in enumerate(self.pairs):
            groups = (Group(np.arange(number), rows[k]),)
            own = [(maps[0][k], maps[1][k]) for maps in (apart, rest)]
            lifts = reports[k][:, solver.LIFTED] > 0.0
            each.append(
                Average(
                    bottom=own[0][0] + own[1][0],
                    top=own[0][1] + own[1][1],
                    part=own[0],
                    part_share=sum(weights),
                    doubt=pair._doubt(groups, reports[k]),
                    lift_share=min(float(samples[k].share[lifts].sum()), 1.0),
                    scale_error=float(np.abs(reports[k][:, solver.FACTOR] - 1.0).max()),
                    overlap=float(reports[k][:, solver.OVERLAP] @ samples[k].share)
                    * pair.bottom.grid.cell**2,
                    reports=reports[k],
                    groups=groups,
                    chunks=tuple(part),
                )
            )
        total = sum(pair.load for pair in self.pairs)
        land = sum(one.overlap for one in each)
        return GangAverage(
            maps=(sum_of([one.bottom for one in each]), *(one.top for one in each)),
            each=tuple(each),
            doubt=np.concatenate(
                [sum_of([one.doubt[:3] for one in each]), *(one.doubt[3:] for one in each)]
            ),
            squeeze=total / (lead.stiffness * max(land, 1e-300)),
        )

    def moved(self, z: Sequence[Array], samples: Sequence[Sample], first: GangAverage) -> Maps:
        """As of a gang."""
        rows = [one.groups[0].rows for one in first.each]
        reports = [one.reports.copy() for one in first.each]
        ((bottoms, tops),) = self._summed(z, samples, rows, (first.each[0].chunks,), reports)
        out = []
        for one, bottom, top in zip(first.each, bottoms, tops, strict=True):
            grow = 1.0 / one.part_share
            out.append(
                (
                    one.bottom + grow * (bottom - one.part[0]),
                    one.top + grow * (top - one.part[1]),
                )
            )
        return (sum_of([bottom for bottom, _ in out]), *(top for _, top in out))

    def shares(self, z: Sequence[Array], samples: Sequence[Sample]) -> Array:
        """What each top bears in each pose.

        Parameters
        ----------
        z : sequence of Array
            Heights (ny, nx) [m] of bottom and tops, looking at each face.
        samples : sequence of Sample
            One for each top, n poses.

        Returns
        -------
        Array
            (tops, n) [N].

        Raises
        ------
        TippedError
            As `average`.

        """
        rows, number = self._rows(samples), samples[0].share.size
        reports = [np.zeros((number, solver.REPORT_COLUMNS)) for _ in self.pairs]
        self._summed(z, samples, rows, (range(CHUNKS),), reports)
        per_cell = self.pairs[0].stiffness * self.pairs[0].bottom.grid.cell ** 2
        return np.stack([report[:, solver.SUMS] for report in reports]) * per_cell

    def _rows(self, samples: Sequence[Sample]) -> list[Array]:
        return [pair.pose_rows(sample) for pair, sample in zip(self.pairs, samples, strict=True)]

    def _summed(
        self,
        z: Sequence[Array],
        samples: Sequence[Sample],
        rows: Sequence[Array],
        parts: Sequence[Sequence[int]],
        reports: Sequence[Array],
    ) -> list[tuple[list[Array], list[Array]]]:
        """Pressure x speed seen by the land of the bottom under each top, and of each, summed over parts."""
        lead = self.pairs[0]
        laid = [pair.laid_tops[0] for pair in self.pairs]
        bottom = lead.laid_bottom.face(z[0])
        tops = [one.face(heights) for one, heights in zip(laid, z[1:], strict=True)]
        target, arms = self._asked(samples, rows)
        empty = [np.zeros((2, *lead.bottom.land.shape)) for _ in tops]
        totals = [
            ([one[0].copy() for one in empty], [np.zeros(top.z.shape) for top in tops])
            for _ in parts
        ]

        def chunk(k: int) -> list[tuple[Array, Array]]:
            own = slice(k, None, CHUNKS)
            some = [np.ascontiguousarray(report[own]) for report in reports]
            these = [np.ascontiguousarray(one[own]) for one in rows]
            faces = bottom, tops, lead.stiffness
            left = _settled(*faces, these, target[own], arms[:, own], some)
            if left.any():
                raise self._trouble(samples[0], CHUNKS * int(np.argmax(left)) + k)
            out = []
            for top, these_rows, report in zip(tops, these, some, strict=True):
                add = np.zeros(bottom.z.shape), np.zeros(top.z.shape)
                given = bottom, top, lead.stiffness, these_rows, False
                loops.wear_turned(*given, *add, report, None, loops.WEARS)
                out.append(add)
            for report, mine in zip(reports, some, strict=True):
                report[own] = mine
            return out

        wanted = [
            (p, k) for p, chunks in enumerate(parts) for k in chunks if k < samples[0].share.size
        ]
        found = lead.map_chunks(chunk, [k for _, k in wanted])
        for (p, _), adds in zip(wanted, found, strict=True):
            for k, (add_bottom, add_top) in enumerate(adds):
                totals[p][0][k] += add_bottom
                totals[p][1][k] += add_top
        land = np.maximum(lead.bottom.land, 1e-300)
        return [
            (
                [one / land for one in bottoms],
                [
                    placed.lift(one) / np.maximum(pair.top.land, 1e-300)
                    for placed, one, pair in zip(laid, own, self.pairs, strict=True)
                ],
            )
            for bottoms, own in totals
        ]

    def _asked(self, samples: Sequence[Sample], rows: Sequence[Array]) -> tuple[Array, Array]:
        """Force and moments (n, 3) on the weight as kernels read them; where the tops are (tops, n, 2)."""
        radius = self.pairs[0].top.outline.radius
        theta = samples[0].poses.theta
        x, y = np.array(self.places).T[:, :, None] / radius
        cos, sin = np.cos(theta), np.sin(theta)
        arms = np.stack([cos * x - sin * y, sin * x + cos * y], axis=-1)
        per_cell = self.pairs[0].stiffness * self.pairs[0].bottom.grid.cell ** 2
        force = np.full(theta.size, sum(pair.load for pair in self.pairs) / per_cell)
        own = np.array([pair.top.weight for pair in self.pairs]) / per_cell
        moments = samples[0].moments / (radius * per_cell) + np.einsum("k,kni->ni", own, arms)
        return np.column_stack([force, moments]), arms

    def _trouble(self, sample: Sample, i: int) -> TippedError:
        poses, names = sample.poses, self.pairs[0].top.name
        place = float(poses.cx[i]), float(poses.cy[i])
        where = place_in_words(float(poses.phase[i]), float(poses.theta[i]), place)
        return TippedError(
            "the one weight on {top} and the others tips off them, or some of them off {bottom}, "
            "{where}: it must press between the parts that bear",
            top=names,
            bottom=self.pairs[0].bottom.name,
            where=where,
        )


def _settled(
    bottom: Face,
    tops: Sequence[Face],
    stiffness: float,
    rows: Sequence[Array],
    target: Array,
    arms: Array,
    reports: Sequence[Array],
) -> NDArray[np.bool_]:
    """Bring all tops to the plane of least energy in each pose; which poses did not get there (n,).

    Newton's method on the cells that bear, as `equilibrium.settle` for one top, begun with everything loaded.
    `target` (n, 3), `arms` (tops, n, 2) in units of the top's radius.
    """
    none = np.zeros(bottom.z.shape), np.zeros(tops[0].z.shape)

    def sums(plane: Array, held: int, some: NDArray[np.intp]) -> tuple[Array, Array]:
        """Force and moments (n, 3) about the middle of the weight, and their slopes (n, 3, 3)."""
        forces, slopes = np.zeros((some.size, 3)), np.zeros((some.size, 3, 3))
        for top, own, arm, report in zip(tops, rows, arms, reports, strict=True):
            moved = _moved(arm[some])
            mine = np.ascontiguousarray(report[some])
            mine[:, solver.PLANE : solver.PLANE + 3] = np.einsum("nij,nj->ni", moved, plane)
            these = np.ascontiguousarray(own[some])
            loops.wear_turned(bottom, top, stiffness, these, False, *none, mine, None, held)
            report[some] = mine
            told = mine[:, solver.SUMS : solver.SUMS + 9]
            forces += np.einsum("nij,ni->nj", moved, told[:, :3])
            matrix = told[:, 3:][:, HELD].reshape(-1, 3, 3)
            slopes += np.einsum("nki,nkl,nlj->nij", moved, matrix, moved)
        return forces, slopes

    number = target.shape[0]
    every = np.arange(number)
    plane = np.zeros((number, 3))
    forces, slopes = sums(plane, loops.LOADED, every)
    lies = slopes[:, 0, 0] > 0.0
    plane[lies] = _steps(slopes[lies], forces[lies] - target[lies])
    open_ = every[lies]
    old, step = plane.copy(), np.zeros((number, 3))
    error = np.full(number, np.inf)
    pace, halvings = np.ones(number), np.zeros(number, dtype=int)
    for _ in range(solver.MOST_STEPS + solver.MOST_HALVINGS):
        if not open_.size:
            break
        trial, slopes = sums(plane[open_], loops.BEARS, open_)
        off = trial - target[open_]
        left = np.abs(off).max(axis=1)
        falls = np.einsum("ni,ni->n", off, step[open_]) >= 0.0
        back = ~((left <= 0.5 * error[open_]) | falls) & (halvings[open_] < solver.MOST_HALVINGS)
        back &= np.isfinite(error[open_])
        again = open_[back]
        pace[again] *= 0.5
        halvings[again] += 1
        plane[again] = old[again] + pace[again, None] * step[again]
        there = open_[~back]
        error[there], pace[there], halvings[there] = left[~back], 1.0, 0
        wide = ~back & ~(left <= solver.TOLERANCE * target[open_, 0])
        go = open_[wide]
        step[go] = _steps(slopes[wide], off[wide])
        old[go] = plane[go]
        plane[go] += step[go]
        open_ = np.sort(np.concatenate([again, go]))
    failed = ~lies
    failed[open_] = True
    for report, arm in zip(reports, arms, strict=True):
        report[:, solver.PLANE : solver.PLANE + 3] = np.einsum("nij,nj->ni", _moved(arm), plane)
    return failed


def _steps(slopes: Array, off: Array) -> Array:
    """Steps (n, 3) that make good what force and moments are off by; a ridge where too little bears."""
    land = np.maximum(slopes[:, 0, 0], 1e-300)
    ridge = np.where(np.linalg.cond(slopes) > 1e12, solver.RIDGE * land, 0.0)
    ridge = np.where(slopes[:, 0, 0] > 0.0, ridge, 1.0)
    firm = slopes + ridge[:, None, None] * np.eye(3)
    return np.asarray(np.linalg.solve(firm, off[:, :, None])[:, :, 0], dtype=np.float64)


def _moved(arm: Array) -> Array:
    """The plane about a top from that about the middle of the weight (n, 3, 3); `arm` (n, 2)."""
    out = np.broadcast_to(np.eye(3), (len(arm), 3, 3)).copy()
    out[:, 0, 1:] = arm
    return out


def samples_under(
    weight: Motion,
    tops: Sequence[Motion],
    load: float,
    first: int,
    strokes: int,
    number: int,
    shift: tuple[float, float],
    block: int,
    round_faces: bool,
) -> list[Sample]:
    """A sample for each top, all of the same instants, their moments those of what presses on the weight.

    `weight`, `tops`: how they move; `load` [N] of all; the others as of `block_sample`.
    """
    one = block_sample(weight, load, first, strokes, number, shift, block, round_faces)
    at = one.poses.strokes
    return [replace(one, poses=top.paced(top.poses(at), one.share, first, strokes)) for top in tops]
