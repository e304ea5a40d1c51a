"""Pressure times speed on both faces, averaged over a sample of poses of the real motion.

Poses are split into a fixed number of chunks that are summed in a fixed order, so that the answer does not
depend on the number of threads.  Which loop serves a group of poses is decided here: poses of plain round
faces at quarter turns on equal grids are laid cell on cell, everything else is gathered.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact import equilibrium as solver
from lapwright.contact import wear as loops
from lapwright.contact.bent import Bodies
from lapwright.contact.cells import Face
from lapwright.contact.flexure import Flexure
from lapwright.contact.placement import PlacedPlate
from lapwright.contact.stability import trouble_at
from lapwright.kinematics.motion import Poses
from lapwright.metrology.form import forms_of_sums
from lapwright.specification.plate import Plate

Array = NDArray[np.float64]
Run = Callable[[Callable[[int], Any], Sequence[int]], Iterable[Any]]
Placed = dict[tuple[object, ...], PlacedPlate]

CHUNKS = 8  # whatever the threads: sums are taken chunk by chunk, in order
FEWEST_FOR_PART = 32  # poses; a part of fewer would be no sample
# A stroke that moves less than this many cells, along it and across, is gathered, not laid cell on cell:
# places rounded to cells cost up to 5 % of the metal over the cells that it moves (docs/numerics.md).
FEWEST_CELLS = (32.0, 8.0)
TIED = 1e-4  # singular values below this share of the largest are of powers tied by the curve
EXACT = 6  # powers to the second degree
MENDED = 4  # degree to which means over the places stay exact when these are rounded to whole cells
MOST_WEIGHT_CHANGE = (
    0.5  # rounding to cells is mended by weights; beyond this the poses are gathered
)


@dataclass(frozen=True)
class Sample:
    """Poses, their shares of the time (n,), the moments (n, 2) [N m] that act on them, and the check (n,).

    What the poses do, summed with `check` in place of `share`, tells the error of the sample; None: not told.
    `hands` (n,) [rad]: how what the hands press on is turned on the bench; None: not at all.
    """

    poses: Poses
    share: Array
    moments: Array
    check: Array | None = None
    hands: Array | None = None


@dataclass(frozen=True)
class Group:
    """Poses that one loop serves: which of the sample they are, and `rows` as the kernels read them.

    `quarter`: turn of the top in quarters beside what `rows` tell; `on_cells`: laid cell on cell.
    """

    members: NDArray[np.intp]
    rows: Array
    quarter: int = 0
    on_cells: bool = False


@dataclass(frozen=True)
class Average:
    """What a sample of poses does to a pair; maps as looking at each face.

    `bottom`, `top` (ny, nx): mean pressure x speed seen by the land [Pa m/s], the part of a cell that
    faces no land of the other counting nothing.  `part`: the same two maps by the poses of `chunks` alone,
    `part_share` their share of the time.  `doubt` (6,) [Pa m/s]: error of the sample in the forms of bottom
    and top.  `lift_share`: share of the time in which something lifts.  `scale_error`: largest departure from
    1 of the factor on the top's gathered load.  `overlap`: mean area of land in overlap [m2]; `reports` to
    begin a neighbouring solve from, and `groups`, which hold for every shape of the faces.
    """

    bottom: Array
    top: Array
    part: tuple[Array, Array]
    part_share: float
    doubt: Array
    lift_share: float
    scale_error: float
    overlap: float
    reports: Array
    groups: tuple[Group, ...]
    chunks: tuple[int, ...]


@dataclass(frozen=True)
class Pair:
    """Two plates on each other with a grit layer of `stiffness` [Pa/m] between, under `load` [N]."""

    bottom: Plate
    top: Plate
    stiffness: float
    load: float
    map_chunks: Run = field(default=map, compare=False)  # one map of each face held at a time
    placed: Placed = field(default_factory=dict, compare=False, repr=False)  # of all such pairs
    flexure: Flexure | None = None  # None: neither body bends

    def _placed(self, plate: Plate, over: bool, quarter: int, meets: float) -> PlacedPlate:
        """A plate as it lies; faces of one land that lie alike are one, whichever plates they are of."""
        key = plate.grid, plate.outline, plate.grooves, over, quarter, meets
        return self.placed.setdefault(key, PlacedPlate(plate, over, quarter, meets))

    @cached_property
    def laid_bottom(self) -> PlacedPlate:
        """The bottom, face up."""
        return self._placed(self.bottom, False, 0, self.top.grid.cell)

    @cached_property
    def laid_tops(self) -> tuple[PlacedPlate, ...]:
        """The top, turned over, at its four quarter turns."""
        return tuple(self._placed(self.top, True, k, self.bottom.grid.cell) for k in range(4))

    @cached_property
    def bodies(self) -> tuple[Bodies | None, ...]:
        """Both bodies as the kernels read them, the top at its four quarter turns; None where none bends."""
        if self.flexure is None:
            return (None,) * len(self.laid_tops)
        given = self.stiffness, self.bottom.grid.cell
        return tuple(self.flexure.bodies(self.laid_bottom, top, *given) for top in self.laid_tops)

    @cached_property
    def round_faces(self) -> bool:
        """Whether both faces are discs or rings without grooves, so that turning them changes little."""
        return all(
            plate.grooves is None and plate.outline.width_along(0.5) == max(plate.outline.size)
            for plate in (self.bottom, self.top)
        )

    @contextmanager
    def threads(self, number: int) -> Iterator[Pair]:
        """Give the same pair with its chunks spread over threads; the sums stay in order.

        Parameters
        ----------
        number : int
            Threads; 1 for none beside the caller's.

        Returns
        -------
        context manager
            Of the Pair.

        """
        if number <= 1:
            yield self
            return
        with ThreadPoolExecutor(number) as pool:
            yield replace(self, map_chunks=pool.map)

    def average(
        self, z_bottom: Array, z_top: Array, sample: Sample, part: Sequence[int] = range(CHUNKS)
    ) -> Average:
        """Average pressure x speed over the sample, both faces held as they are.

        `part`: chunks that are kept apart, for `moved`; of few poses all are.

        Parameters
        ----------
        z_bottom, z_top : Array
            Heights (ny, nx) [m], looking at each face.
        sample : Sample
            n poses.
        part : sequence of int
            As above.

        Returns
        -------
        Average

        Raises
        ------
        TippedError, NoOverlapError, SettleError
            At the first pose that has no solution, naming it.

        """
        reports = np.zeros((sample.share.size, solver.REPORT_COLUMNS))
        groups = self._groups(self.pose_rows(sample))
        if sample.share.size < FEWEST_FOR_PART:
            part = range(CHUNKS)
        others = [k for k in range(CHUNKS) if k not in part]
        apart, rest = self._summed(z_bottom, z_top, groups, (part, others), reports, warm=False)
        self.check(sample, reports)
        weights = [group.rows[k::CHUNKS, loops.WEIGHT].sum() for group in groups for k in part]
        lifts = reports[:, solver.LIFTED] > 0.0
        return Average(
            bottom=apart[0] + rest[0],
            top=apart[1] + rest[1],
            part=apart,
            part_share=float(np.sum(weights)),
            doubt=self._doubt(groups, reports),
            lift_share=min(float(sample.share[lifts].sum()), 1.0),
            scale_error=float(np.abs(reports[:, solver.FACTOR] - 1.0).max()),
            overlap=float(reports[:, solver.OVERLAP] @ sample.share) * self.bottom.grid.cell**2,
            reports=reports,
            groups=groups,
            chunks=tuple(part),
        )

    def moved(
        self, z_bottom: Array, z_top: Array, sample: Sample, first: Average
    ) -> tuple[Array, Array]:
        """The average over the same sample once the faces are a little worn; maps as in `Average`.

        Only the part kept apart is worked out again: what changes from it to itself, scaled up, is added.
        It changes little, so that the part need not be a good sample; each pose of it carries the same load
        before and after, so that volume and the moment law hold as they do for all poses.

        Parameters
        ----------
        z_bottom, z_top : Array
            Heights (ny, nx) [m], looking at each face.
        sample : Sample
            That of `first`.
        first : Average
            Over it, before the faces were worn.

        Returns
        -------
        bottom, top : Array
            Mean pressure x speed (ny, nx) [Pa m/s].

        Raises
        ------
        TippedError, NoOverlapError, SettleError
            As `average`.

        """
        reports = first.reports.copy()
        (again,) = self._summed(z_bottom, z_top, first.groups, (first.chunks,), reports, warm=True)
        self.check(sample, reports)
        grow = 1.0 / first.part_share
        before = first.bottom, first.top
        bottom, top = (
            b + grow * (new - old) for b, new, old in zip(before, again, first.part, strict=True)
        )
        return bottom, top

    def _summed(
        self,
        z_bottom: Array,
        z_top: Array,
        groups: tuple[Group, ...],
        parts: Sequence[Sequence[int]],
        reports: Array,
        warm: bool,
    ) -> list[tuple[Array, Array]]:
        """Pressure x speed seen by the land of both faces, summed over each part; fills reports."""
        # Each map by itself, so that those of one part stay when another's are done with.
        bottom = [np.zeros(self.bottom.land.shape) for _ in parts]
        top = [np.zeros(self.top.land.shape) for _ in parts]
        wanted = [(part, k) for part, chunks in enumerate(parts) for k in chunks]
        for group in groups:
            laid = self.laid_tops[group.quarter]
            loop = loops.wear_shifted if group.on_cells else loops.wear_turned
            face_bottom = self.laid_bottom.face(z_bottom, not group.on_cells)
            face_top = laid.face(z_top, not group.on_cells)

            def chunk(
                k: int,
                group: Group = group,
                face_bottom: Face = face_bottom,
                face_top: Face = face_top,
                loop: Callable[..., None] = loop,
            ) -> tuple[Array, Array]:
                own = group.members[k::CHUNKS]
                some = reports[own]
                add_bottom = np.zeros(face_bottom.z.shape)
                add_top = np.zeros(face_top.z.shape)
                rows = group.rows[k::CHUNKS]
                given = face_bottom, face_top, self.stiffness, rows, warm
                loop(*given, add_bottom, add_top, some, self.bodies[group.quarter])
                reports[own] = some
                return add_bottom, add_top

            some = [(part, k) for part, k in wanted if k < group.members.size]
            laid_sum = [np.zeros(face_top.z.shape) for _ in parts]
            sums = self.map_chunks(chunk, [k for _, k in some])
            for (part, _), (add_bottom, add_top) in zip(some, sums, strict=True):
                bottom[part] += add_bottom
                laid_sum[part] += add_top
            for total, summed in zip(top, laid_sum, strict=True):
                total += laid.lift(summed)
        for plate, totals in ((self.bottom, bottom), (self.top, top)):
            for total in totals:
                total /= np.maximum(plate.land, 1e-300)
        return list(zip(bottom, top, strict=True))

    def _doubt(self, groups: tuple[Group, ...], reports: Array) -> Array:
        """Error of the sample in the forms of bottom and top (6,) [Pa m/s], by its check."""
        sums = np.zeros((2, 6))
        for group in groups:
            own = reports[group.members]
            share = group.rows[:, loops.WEIGHT]
            ratio = group.rows[:, loops.CHECK] / np.where(np.abs(share) > 1e-9, share, np.inf)
            laid = self.laid_bottom, self.laid_tops[group.quarter]
            for body, start in enumerate((solver.OF_BOTTOM, solver.OF_TOP)):
                sums[body] += laid[body].seen(
                    np.einsum("n,nk->k", ratio, own[:, start : start + 6])
                )
        radius = self.top.outline.radius
        power = np.array([0.0, 1.0, 1.0, 2.0, 2.0, 2.0])
        own_units = (
            total * (radius / plate.outline.radius) ** power
            for total, plate in zip(sums, (self.bottom, self.top), strict=True)
        )
        return np.concatenate(
            [
                forms_of_sums(plate) @ total
                for plate, total in zip((self.bottom, self.top), own_units, strict=True)
            ]
        )

    def pose_rows(self, sample: Sample) -> Array:
        """The sample as the kernels read it, (n, POSE_COLUMNS).

        Parameters
        ----------
        sample : Sample
            n poses.

        Returns
        -------
        Array
            (n, POSE_COLUMNS).

        """
        poses = sample.poses
        rows = np.empty((sample.share.size, loops.POSE_COLUMNS))
        per_cell = self.stiffness * self.bottom.grid.cell**2
        radius = self.top.outline.radius
        rows[:, loops.C_X] = poses.cx
        rows[:, loops.C_Y] = poses.cy
        rows[:, loops.THETA] = poses.theta
        rows[:, loops.V_X] = poses.vx
        rows[:, loops.V_Y] = poses.vy
        rows[:, loops.SPIN] = poses.spin
        rows[:, loops.WEIGHT] = sample.share
        rows[:, loops.CHECK] = 0.0 if sample.check is None else sample.check
        rows[:, loops.LOAD] = self.load / per_cell
        rows[:, loops.MOMENT_X] = sample.moments[:, 0] / (radius * per_cell)
        rows[:, loops.MOMENT_Y] = sample.moments[:, 1] / (radius * per_cell)
        rows[:, loops.HANDS] = sample.hands if sample.hands is not None else 0.0
        return rows

    def _groups(self, rows: Array) -> tuple[Group, ...]:
        """Poses that one loop can serve: by quarter turn where nothing spins on equal grids, others."""
        quarters = rows[:, loops.THETA] / (0.5 * pi)
        nearest = np.rint(quarters)
        same = abs(self.bottom.grid.cell / self.top.grid.cell - 1.0) < 1e-12
        on_quarter = (np.abs(quarters - nearest) < 1e-9) & (rows[:, loops.SPIN] == 0.0) & same
        groups = []
        for quarter in range(4):
            members = np.nonzero(on_quarter & (nearest.astype(int) % 4 == quarter))[0]
            if members.size:
                own = rows[members]
                own[:, loops.THETA] = 0.0
                mended = self._on_cells(own)
                groups.append(
                    Group(members, own if mended is None else mended, quarter, mended is not None)
                )
        others = np.nonzero(~on_quarter)[0]
        if others.size:
            groups.append(Group(others, rows[others]))
        return tuple(groups)

    def _on_cells(self, rows: Array) -> Array | None:
        """Round places to whole cells; None when the poses do not bear rounding.

        Straight edges and grooves do not: all of an edge crosses from cell to cell at once.
        Weights are mended so that the speed-weighted means of all powers of c to the fourth stay exact: the
        moment law lives on the second, and with those alone forms were off by up to 1.5 % of the removal.
        """
        cell = self.bottom.grid.cell
        place = rows[:, loops.C_X : loops.C_Y + 1]
        shape = np.array(self.bottom.land.shape[::-1]) - np.array(self.top.land.shape[::-1])
        half = 0.5 * shape  # grids of odd and even numbers of cells lie half a cell apart
        # The first rounding takes places that differ by round-off to the same side.
        rounded = (np.rint(np.round(place / cell + half, 6)) - half) * cell
        moved = np.abs(rounded - place).max(axis=0) > 1e-9 * cell
        extent = np.ptp(place, axis=0)
        cells = np.array([extent.max(), extent[moved].min(initial=np.inf)]) / cell
        if moved.any() and (not self.round_faces or np.any(cells < FEWEST_CELLS)):
            return None
        mended = rows.copy()
        mended[:, loops.C_X : loops.C_Y + 1] = rounded
        if not moved.any():
            return mended
        speed = np.hypot(rows[:, loops.V_X], rows[:, loops.V_Y])
        amount = rows[:, loops.WEIGHT] * speed
        centre = place.mean(axis=0)
        scale = max(float(extent.max()), cell)
        exact = _powers((place - centre) / scale)
        basis = _powers((rounded - centre) / scale)
        wanted = np.stack([amount, rows[:, loops.CHECK] * speed], axis=1)
        change = np.zeros(wanted.shape)
        # A curve ties its high powers to each other: what it ties is left, then the second powers made exact.
        for powers, least in ((basis.shape[1], TIED), (EXACT, 1e-12)):
            some = basis[:, :powers]
            left = wanted + amount[:, None] * change
            off = np.einsum("np,nc->pc", exact[:, :powers], wanted) - np.einsum(
                "np,nc->pc", some, left
            )
            normal = np.einsum("np,n,nq->pq", some, amount, some)
            change += np.einsum("np,pc->nc", some, np.linalg.lstsq(normal, off, rcond=least)[0])
        factor = 1.0 + change[:, 0]
        off = np.einsum("np,n->p", basis[:, :EXACT], amount * factor)
        off -= np.einsum("np,n->p", exact[:, :EXACT], amount)
        if (
            np.abs(factor - 1.0).max() > MOST_WEIGHT_CHANGE
            or np.abs(off).max() > 1e-10 * amount.sum()
        ):
            return None  # too few poses, or too near each other, to mend
        mended[:, loops.CHECK] += mended[:, loops.WEIGHT] * change[:, 1]
        mended[:, loops.WEIGHT] *= factor
        return mended

    def check(self, sample: Sample, reports: Array) -> None:
        """Raise for the first pose that did not settle.

        Parameters
        ----------
        sample : Sample
            n poses.
        reports : Array
            (n, REPORT_COLUMNS), as the kernels filled them.

        """
        bad = np.nonzero(reports[:, solver.STATUS] != solver.SETTLED)[0]
        if bad.size:
            i = int(bad[0])
            offset, lies = sample.moments[i] / self.load, reports[i, solver.OVERLAP] > 0.0
            raise trouble_at(self.top, self.bottom, sample.poses, i, offset, bool(lies))


def _powers(points: Array) -> Array:
    """Products of x and y to the degree `MENDED`, (n, powers)."""
    x, y = points[:, 0], points[:, 1]
    orders = [(degree - j, j) for degree in range(MENDED + 1) for j in range(degree + 1)]
    return np.stack([x**i * y**j for i, j in orders], axis=1)
