"""What a run file says, put in order for pictures and pages.

Everything comes from the `Run`, which holds the study as it was lapped.

How sure the figures of a run are by the program's own doing, where that shows in what is printed.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.schedule import spread_of
from lapwright.limits import limit_of
from lapwright.metrology.finish import scatter_of
from lapwright.metrology.fringes import too_grey
from lapwright.metrology.profile import profile_of
from lapwright.presentation.words import TRACE, Fields, known, say, told, with_bands
from lapwright.results.record import FORM_KEYS, grit_on
from lapwright.specification.grooves import Grid
from lapwright.specification.plate import Shares, boxes, resampled
from lapwright.specification.step import Step
from lapwright.study.doubts import doubt_on
from lapwright.units import NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.results.record import BearingRecord, PlateRecord, Run
    from lapwright.study.model import Study


Array = NDArray[np.float64]

LONG = 1.3  # outlines longer than this speak of bow, crown and wind (model page, section 1)


@dataclass(frozen=True)
class Face:
    """One plate's face: its outline, and what it was like before and after."""

    name: str
    record: PlateRecord
    outer: Array  # (k, 2) [m]
    bore: float  # radius [m]
    grit: float | None  # size of the last grit on it [m]
    doubt: float | None  # the least form that a gauge tells on it [m]; None: nothing was lapped
    before: Mapping[str, float | None]
    after: Mapping[str, float | None]

    @property
    def on(self) -> NDArray[np.bool_]:
        """Cells that are mostly land (ny, nx)."""
        return np.asarray(self.record.land) >= 0.5

    @property
    def half(self) -> tuple[float, float]:
        """Half the width along x and along y [m]."""
        reach = np.abs(self.outer).max(axis=0)
        return float(reach[0]), float(reach[1])

    @property
    def long(self) -> bool:
        """True for rails, which speak of bow, crown and wind."""
        along, across = self.half
        return max(along, across) > LONG * min(along, across)

    @property
    def lost(self) -> float:
        """Mean depth of land worn off [m]."""
        removed = np.asarray(self.record.removed, dtype=float)
        return float(removed[-1]) if removed.size else 0.0

    @cached_property
    def levelled(self) -> tuple[Array, Array]:
        """First and last map about their own mean planes [m], nan where there is no land."""
        frames = self.record.frames
        return level(self.record, frames[0]), level(self.record, frames[-1])

    def form(self, key: str) -> Array:
        """History of one form (m,) [m]; nan where it is not spoken of."""
        got = self.record.forms.get(key)
        if got is None:
            return np.full(np.shape(self.record.removed), np.nan)
        return np.asarray(got, dtype=float)


@dataclass(frozen=True)
class RunView:
    """A run put in order: faces in the order of the study, the steps, what may be said."""

    run: Run
    faces: tuple[Face, ...]

    @property
    def study(self) -> Study:
        """What was lapped."""
        return self.run.study

    @property
    def units(self) -> Units:
        """Language of the answers."""
        return self.study.units

    @property
    def title(self) -> str:
        """Title of the study, or the stem of its file."""
        return self.study.title or self.study.stem

    @property
    def steps(self) -> tuple[Step, ...]:
        """The steps of the study."""
        return self.study.steps

    @property
    def spread(self) -> float:
        """What is taken off is known to times or divided by this."""
        return spread_of(self.steps)

    @property
    def pair(self) -> tuple[str, str] | None:
        """Top and bottom that lay on each other last."""
        if not self.run.top or not self.run.bottom:
            return None
        return self.run.top[-1], self.run.bottom[-1]

    def face(self, name: str) -> Face | None:
        """The face of a plate by name."""
        return next((f for f in self.faces if f.name == name), None)

    def called(self, name: str, after: bool) -> str:
        """What the first or (`after`) the last map under a name is of: of a batch, which part it is."""
        record, batch = self.run.batch, self.study.batch
        if record is None or batch is None or name not in batch.names:
            return name
        numbers = record.number[record.station == batch.names.index(name) + 1]
        if not len(numbers):
            return name
        return say("batch.no", part=record.name, number=str(int(numbers[-1 if after else 0])))

    def grams(self, name: str, depth: float) -> float:
        """What a depth [m] off a face weighs [g]."""
        return 1e3 * self.study.plates[name].mass_per_depth * depth

    def weighable(self, name: str, depth: float) -> bool:
        """Whether a balance that carries the plate tells that a depth [m] has gone."""
        least = limit_of("balance") * 1e3 * self.study.plates[name].total_mass
        return self.grams(name, depth) >= least

    def bearing(self, name: str) -> BearingRecord | None:
        """The last bearing of that name ("middle", "full overhang") in the run file."""
        found = [b for b in self.run.bearings if b.name == name]
        return found[-1] if found else None

    @property
    def bearing_share(self) -> float | None:
        """Share of the overlap of the last pair that bears in the middle of its stroke; None: not known."""
        got = self.bearing("middle")
        if got is None or self.pair is None or {got.top, got.bottom} != set(self.pair):
            return None
        if float(np.hypot(*(got.c - np.array(self.middle)))) > 0.02 * self.smallest:
            return None
        return float(got.contact_share)

    @property
    def last_step(self) -> Step | None:
        """The step that was lapped last, of a batch as the first part on the plate goes through it."""
        number, batch = int(self.run.step[-1]) if len(self.run.step) else 0, self.study.batch
        if not 0 < number <= len(self.steps):
            return None
        step = self.steps[number - 1]
        return batch.station(step, 0) if batch is not None and batch.laps(step) else step

    @property
    def middle(self) -> tuple[float, float]:
        """Where the middle of the last stroke lies on the bench, nobody having walked yet [m]."""
        step = self.last_step
        if step is None:
            return 0.0, 0.0
        return step.centre[0] + step.offset[0], step.centre[1] + step.offset[1]

    @property
    def smallest(self) -> float:
        """Half the smallest width of any face [m]."""
        return min(min(f.half) for f in self.faces)

    @property
    def limit(self) -> float:
        """Largest height above or below its mean plane on any face, before or after [m]."""
        seen = [
            np.nanpercentile(np.abs(m), 99.5)
            for f in self.faces
            for m in f.levelled
            if np.isfinite(m).any()
        ]
        top = max((float(s) for s in seen), default=0.0)
        return top if top > NOTHING else 1e-7

    def rubbed(self, number: int) -> float:
        """Time rubbed in a step (from 1), all rounds together [s]."""
        time, step = self.run.time, self.run.step
        return sum(
            float(time[k] - time[k - 1]) for k in range(1, len(time)) if int(step[k]) == number
        )

    @property
    def nothing_done(self) -> bool:
        """Whether the run ended before anything was rubbed."""
        return not len(self.run.time) or float(self.run.time[-1]) == 0.0

    @property
    def bores(self) -> dict[str, float]:
        """Of rings: the share of a dome, told to the middle of the circle, that there is from bore to rim."""
        return {f.name: 1.0 - (f.bore / max(f.half)) ** 2 for f in self.faces if f.bore > 0.0}

    @property
    def doubts(self) -> dict[str, float | None]:
        """The least form that a gauge tells on each plate [m]."""
        return {f.name: f.doubt for f in self.faces}


def run_view(run: Run) -> RunView:
    """Put a run in order.

    Parameters
    ----------
    run
        As read from a run file; nothing else is needed.
    """
    faces = []
    for name, record in run.plates.items():
        plate, grit = run.study.plates[name], grit_on(run, name)
        faces.append(
            Face(
                name,
                record,
                np.asarray(plate.outline.polygon(180), dtype=float),
                0.5 * float(plate.outline.bore),
                grit,
                None if grit is None else doubt_on(run.study, name, grit),
                _forms(record, 0) | _profile(run, name, 0),
                _forms(record, -1)
                | _profile(run, name, -1)
                | with_bands(run.layer_bands.get(name, {})),
            )
        )
    return RunView(run, tuple(faces))


SHOWN = 256  # cells across a face: a picture shows no finer ones


def coarser(view: RunView) -> RunView:
    """The same for pictures: of faces with finer cells than show, the first and the last map on fewer."""
    if all(max(face.record.land.shape) <= SHOWN for face in view.faces):
        return view
    run, plates = view.run, dict(view.study.plates)
    records, on = {}, {}
    for name, record in run.plates.items():
        records[name] = record
        if max(record.land.shape) > SHOWN:
            plates[name] = replace(plates[name], cells=SHOWN)
            on[name] = (
                _shares(record.x, plates[name].grid.x),
                _shares(record.y, plates[name].grid.y),
            )
            records[name] = _on_fewer(record, plates[name].grid, *on[name])
    bearings = tuple(
        replace(b, pressure=_mean(b.pressure, (b.pressure > 0.0).astype(float), *on[b.bottom], 0.5))
        if b.bottom in on
        else b
        for b in run.bearings
    )
    run = replace(run, study=replace(view.study, plates=plates), plates=records, bearings=bearings)
    return RunView(run, tuple(replace(f, record=records[f.name]) for f in view.faces))


def _shares(fine: Array, few: Array) -> Shares:
    """Which cells along an axis a larger one covers."""
    return boxes(float(fine[0]), float(fine[1] - fine[0]), len(fine), few, float(few[1] - few[0]))


def _mean(values: Array, weight: Array, columns: Shares, rows: Shares, least: float = 0.0) -> Array:
    """Means over larger cells by weight; 0 where no more than the `least` share of one has any."""
    counts = resampled(weight, rows, columns)
    mean: Array = resampled(weight * values, rows, columns) / np.where(
        counts > least, counts, np.inf
    )
    return mean


def _on_fewer(record: PlateRecord, grid: Grid, columns: Shares, rows: Shares) -> PlateRecord:
    """A record with its first and last map on the cells of a coarser grid."""

    def less(values: Array) -> Array:
        return _mean(values, record.land, columns, rows)

    return replace(
        record,
        x=grid.x,
        y=grid.y,
        land=resampled(record.land, rows, columns),
        frame_time=record.frame_time[[0, -1]],
        frames=np.stack([less(record.frames[0]), less(record.frames[-1])]),
        worn=less(record.worn),
        pressure_speed=less(record.pressure_speed),
    )


def common_removed(account: RunView) -> Array:
    """Metal removed at each entry of the history, mean of all plates (m,) [m]."""
    got = [np.asarray(f.record.removed, dtype=float) for f in account.faces]
    return np.mean(got, axis=0) if got else np.zeros(0)


def level(record: PlateRecord, heights: Array) -> Array:
    """A map about its own least-squares plane [m] (land as weight); nan where there is no land."""
    land = np.asarray(record.land, dtype=float)
    X, Y = np.meshgrid(record.x, record.y)
    on = land >= 0.5
    z = np.where(on, heights, np.nan).astype(float)
    if on.sum() < 3:
        return z
    # Moments about the land's own middle, so that three sums and a pair of slopes are enough.
    weight = land[on] / land[on].sum()
    x, y, height = (v - (weight * v).sum() for v in (X[on], Y[on], z[on]))
    xx, xy, yy = (weight * x * x).sum(), (weight * x * y).sum(), (weight * y * y).sum()
    xz, yz = (weight * x * height).sum(), (weight * y * height).sum()
    pivot = xx * yy - xy * xy
    if pivot > 1e-9 * xx * yy:
        height = height - (xz * yy - yz * xy) / pivot * x - (yz * xx - xz * xy) / pivot * y
    z[on] = height
    return z


def _forms(record: PlateRecord, at: int) -> dict[str, float | None]:
    out: dict[str, float | None] = {}
    for key in FORM_KEYS:
        got = record.forms.get(key)
        value = float(got[at]) if got is not None and len(got) else math.nan
        out[key] = value if math.isfinite(value) else None
    return out


def _profile(run: Run, name: str, at: int) -> dict[str, float | None]:
    """What the first or last map reads like from middle to rim; nothing where it lies on other cells."""
    plate, z = run.study.plates[name], np.asarray(run.plates[name].frames[at], dtype=float)
    fits = z.shape == plate.grid.shape
    profile = profile_of(plate, z, run.study.gauges.values()) if fits else None
    return {} if profile is None else profile.as_dict()


def finish_words(view: RunView) -> list[str]:
    """What fringes need of the finish, what a ball reads of it, what is unsure; once a grit."""
    lapped = [(f.grit, f.doubt, f.name) for f in view.faces if f.grit is not None]
    told = []
    for grit in dict.fromkeys(grit for grit, _, _ in lapped):
        doubts = [doubt or 0.0 for one, doubt, _ in lapped if one == grit]
        names = joined([name for one, _, name in lapped if one == grit])
        sizes: Fields = {
            "inch": view.units is Units.INCH,
            "scatter": scatter_of(grit),
            "doubt": max(doubts),
        }
        told.append(
            say("came.finish", view.units, plates=names, grain=grit, grey=too_grey(grit), **sizes)
        )
    return told


TWICE = 2.0  # of an error: a form is off by more than that in one of twenty cases


def good_to(view: RunView) -> str:
    """How far the printed forms may be off, in a sentence; empty where that is less than their last digit."""
    shown = [figure for face in view.faces for figure in _shown(face)]
    doubtful = [
        (value, off)
        for value, off in shown
        if off >= max(view.units.last_digit(value), 2.0 * NOTHING)
    ]
    if not doubtful:
        return ""
    most = max(off for _, off in doubtful)
    small = any(abs(value) < most for value, _ in shown)
    return say("came.good_to", view.units, most=most, small=small)


def _shown(face: Face) -> list[tuple[float, float]]:
    """Forms of a face that are told of, and how far each may be off [m], where that is known."""
    errors = face.record.errors(-1)
    what = told(face.after, face.doubt, beside=True)
    domes = [
        (k, v) for k, v in known(face.after, ("sphere",)) if abs(v) >= TRACE * (face.doubt or 0.0)
    ]
    forms = dict([*domes, *what.above, *what.fine])
    return [
        (value, TWICE * errors[key]) for key, value in forms.items() if math.isfinite(errors[key])
    ]
