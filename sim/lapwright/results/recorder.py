"""What is kept of a run, written down while it is under way, and gone on with.

What is kept follows from the moments alone, never from the clock on the wall or from when the work was
written down, so that a run stopped and resumed keeps the same entries as an unbroken one.  At its end stands
how the top bears: in the middle of its stroke, and where that hangs out most.

The part file is a run file of the run so far that also holds the clock of its last moment.  Going on from
it gives the same bits as a run that was never stopped.  The one before it is kept beside it, for the day on
which the last one cannot be read.
"""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.contact.pressure import pair_bearing, pair_of
from lapwright.errors import (
    CommandError,
    LapwrightError,
    NoOverlapError,
    RunFileError,
    TippedError,
    troubles_in,
)
from lapwright.integration.loads import load_as_it_comes
from lapwright.integration.state import Doubt, Progress, State, Trend, frozen
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import overhangs
from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.thickness import thickness_of
from lapwright.results.batch import BatchRecorder
from lapwright.results.frames import FRAMES_MOST, Frames, frames_of, let_go
from lapwright.results.record import (
    FORM_KEYS,
    SHAPES,
    BearingRecord,
    PlateRecord,
    Run,
    columns,
    forms_of,
)
from lapwright.results.runfile import SCHEMA, owned, put, read_resume, taken, write_run
from lapwright.specification.curves import Still
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step, Turn
from lapwright.study.model import Study
from lapwright.study.resolved import CHANGED_INPUTS, inputs_of, unlike, versions

Array = NDArray[np.float64]
Forms = Mapping[str, float]

HISTORY_MOST = 240
NO_MARGIN = EdgeMargin(share=0.0, length=None)
# What is given up first when the history grows too long; the start is never given up.
LESS_DEAR = (
    ("block", "fresh grit"),
    ("block", "fresh grit", "laid", "swap"),
    ("block", "fresh grit", "laid", "swap", "step", "averaged"),
)


@dataclass(frozen=True)
class Heading:
    """What stands at the head of a run file: the program and the versions of its libraries."""

    program: str
    versions: Mapping[str, str]


@dataclass(frozen=True)
class Entry:
    """One entry of the history: what stands `at` it by the names of `Run`, the rest by plate.

    Forms, their errors and `thick`ness [m] by plate and name, nan where not spoken of.
    """

    at: Mapping[str, Any]
    removed: Mapping[str, float]
    forms: Mapping[str, Forms]
    forms_margin0: Mapping[str, Forms]
    error: Mapping[str, Forms]
    thick: Mapping[str, Forms]

    @property
    def event(self) -> str:
        """What happened."""
        return str(self.at["event"])

    @property
    def time(self) -> float:
        """Time rubbed since the run began [s]."""
        return float(self.at["time"])

    @property
    def metal(self) -> float:
        """Mean depth of land lost over all plates [m]."""
        return _mean(self.removed)


def _mean(removed: Mapping[str, float]) -> float:
    return sum(removed.values()) / len(removed)


def gaps_closed(entries: list[Entry], gap: float, most: int) -> tuple[list[Entry], float]:
    """Entries no closer than a gap [m of metal] that is widened until `most` are left.

    Blocks go first, then swaps, then ends of steps; the start never goes.
    """
    kept, metal = entries, entries[-1].metal
    for cheap in LESS_DEAR:
        gap = max(2.0 * gap, metal / most) if cheap is LESS_DEAR[0] else metal / most
        while any(entry.event in cheap for entry in kept[1:]):
            kept = _apart(kept, gap, cheap)
            if len(kept) <= most:
                return kept, gap
            gap = max(2.0 * gap, 1e-300)
    return kept, gap


def _apart(entries: list[Entry], gap: float, cheap: tuple[str, ...]) -> list[Entry]:
    """Entries without the cheap ones that come closer than the gap to the one kept before."""
    kept = entries[:1]
    for entry in entries[1:]:
        if entry.event not in cheap or entry.metal - kept[-1].metal >= gap:
            kept.append(entry)
    return kept


@dataclass
class Recorder:
    """Takes the moments of a run of `study` and keeps what the run file holds.

    `gap` [m of metal] is how far apart entries for blocks are taken.
    """

    study: Study
    entries: list[Entry] = field(default_factory=list)
    frames: Frames = field(default_factory=Frames)
    gap: float = 0.0
    last: State | None = None
    measured: dict[str, tuple[Array, Forms, Forms, Forms]] = field(default_factory=dict)
    batch: BatchRecorder | None = None

    def __post_init__(self) -> None:
        if self.study.batch is not None:
            self.batch = BatchRecorder(self.study, self.study.batch)

    def take(self, moment: State) -> None:
        """Take the next moment."""
        self.last = moment
        if self.batch is not None:
            self.batch.take(moment)
        metal = _mean(moment.removed)
        if not self.frames.metal or metal > self.frames.metal[-1]:
            self.frames.add(moment.clock.time, metal, moment.heights)
            self.frames.thin(FRAMES_MOST - 1)
        # Of a batch each part has a row of its own elsewhere.
        cheap = moment.event in LESS_DEAR[0 if self.batch is None else -1]
        if moment.event == "end" or (
            cheap and self.entries and metal - self.entries[-1].metal < self.gap
        ):
            return
        self.entries.append(self._entry(moment))
        # Room is left for the last moment, and some to spare so that thinning is rare.
        if len(self.entries) > HISTORY_MOST - 1:
            self.entries, self.gap = gaps_closed(self.entries, self.gap, HISTORY_MOST // 2)

    def _entry(self, moment: State) -> Entry:
        measured = {name: self._measure(name, z) for name, z in moment.heights.items()}
        told = {name: moment.error.get(name, {}) for name in self.study.plates}
        error = {n: {key: float(one.get(key, np.nan)) for key in SHAPES} for n, one in told.items()}
        clock = {name: getattr(moment.clock, name) for name in ("step", "round", "time")}
        return Entry(
            at={name: getattr(moment, name, None) for name in columns(Run)} | clock,
            removed=dict(moment.removed),
            forms={name: each[0] for name, each in measured.items()},
            forms_margin0={name: each[1] for name, each in measured.items()},
            error=error,
            thick={name: each[2] for name, each in measured.items()},
        )

    def _measure(self, name: str, heights: Array) -> tuple[Forms, Forms, Forms]:
        """Forms inside the margin and with none, thickness; an unchanged face is not measured again."""
        known = self.measured.get(name)
        if known is None or known[0] is not heights:
            plate = self.study.plates[name]
            with_margin = forms_of(plate, heights, self.study.margin)
            thick = thickness_of(plate, heights, self.study.margin).numbers()
            known = heights, with_margin, forms_of(plate, heights, NO_MARGIN), thick
            self.measured[name] = known
        return known[1:]

    def run(
        self,
        heading: Heading,
        outcome: str,
        wall_time: float,
        bearings: tuple[BearingRecord, ...] = (),
    ) -> Run:
        """The run so far, its last moment included; its maps change when the next moment is taken.

        Raises
        ------
        ValueError
            Nothing was taken yet.

        """
        if self.last is None:
            raise ValueError("no moment was taken yet")
        entries = self.entries
        frames = self.frames.until(self.last.clock.time, self.last.heights)
        if entries[-1].time != self.last.clock.time:
            entries = [*entries, self._entry(self.last)]
        return Run(
            schema=SCHEMA,
            program=heading.program,
            versions=heading.versions,
            outcome=outcome,
            study=self.study,
            plates={name: self._plate(name, entries, frames) for name in self.study.plates},
            bearings=bearings,
            wall_time=wall_time,
            batch=None if self.batch is None else self.batch.record,
            **{name: how.data([e.at[name] for e in entries]) for name, how in columns(Run).items()},
        )

    def _plate(self, name: str, entries: list[Entry], frames: Frames) -> PlateRecord:
        assert self.last is not None
        plate, maps = self.study.plates[name], frames.maps[name]

        def along(which: str) -> dict[str, Array]:
            told = [getattr(entry, which)[name] for entry in entries]
            return {key: np.array([one[key] for one in told]) for key in told[0]}

        worn = maps[0] - maps[-1]
        let_go(maps)
        return PlateRecord(
            name=name,
            outline_text=outline_text(plate),
            land=plate.land,
            x=plate.grid.x,
            y=plate.grid.y,
            frame_time=np.array(frames.time),
            frames=maps,
            worn=worn,
            pressure_speed=self.last.pressure_speed[name],
            margin=float(self.study.margin.of(plate.outline)),
            forms=along("forms"),
            forms_margin0=along("forms_margin0"),
            removed=np.array([e.removed[name] for e in entries]),
            error=along("error"),
            **along("thick"),
        )


def outline_text(plate: Plate) -> str:
    """The outline in words, such as "ring 80 mm, bore 50 mm"."""
    along, across = (f"{1e3 * side:.6g} mm" for side in plate.outline.size)
    if plate.outline.bore > 0.0:
        return f"ring {along}, bore {1e3 * plate.outline.bore:.6g} mm"
    round_ = abs(plate.outline.area - np.pi * plate.outline.radius**2) < 1e-6 * plate.outline.area
    return f"disc {along}" if round_ else f"rectangle {along} x {across}"


def heading() -> Heading:
    """What stands at the head of a run file."""
    return Heading(f"lapwright {__version__}", versions())


def lapped(study: Study, progress: Callable[[float], None] | None = None, threads: int = 1) -> Run:
    """Lap a study; a top that tips is told by the outcome.

    `progress` is called with the share of the time that is lapped (0 to 1), now and then.

    Raises
    ------
    TippedError, NoOverlapError
        Where the very first strokes tip the top off.
    SettleError
        Where the top does not settle at some place.

    """
    begun = time.monotonic()
    recorder = Recorder(study)
    total = study.lasts
    outcome = ""
    with troubles_in(study.units):
        try:
            for moment in study.states(threads=threads):
                recorder.take(moment)
                if progress is not None:
                    progress(min(moment.clock.time / total, 1.0))
        except (TippedError, NoOverlapError):
            if recorder.last is None:
                raise
            outcome = "tipped"
    last = recorder.last
    assert last is not None
    bearings = bearings_of(study, last)
    return recorder.run(
        heading(), outcome or last.outcome or "done", time.monotonic() - begun, bearings
    )


def bearings_of(study: Study, moment: State) -> tuple[BearingRecord, ...]:
    """Bearings of the last pair with its last heights; a place where the top tips is left out."""
    number = moment.clock.step
    step = replace(study.steps[number - 1], top=moment.top, bottom=moment.bottom)
    at_rest = replace(step, curve=Still())
    places = (("middle", at_rest, 0.0), ("full overhang", step, full_overhang(study.plates, step)))
    found = []
    pair = pair_of(
        study.plates, step
    )  # laid once for both places: of fine maps it is most of the memory
    for name, place, phase in places:
        with contextlib.suppress(LapwrightError):
            got = pair_bearing(pair, place, moment.heights, phase, number)
            one = BearingRecord(
                step=number,
                name=name,
                phase=phase,
                theta=float(got.theta),
                c=np.asarray(got.c, dtype=float),
                pressure=np.asarray(got.pressure, dtype=float),
                peak=float(got.pressure_peak),
                mean=float(got.pressure_mean),
                contact_share=float(got.contact_share),
                bottom=step.bottom,
                top=step.top,
            )
            found.append(one)
    return tuple(found)


def full_overhang(plates: Mapping[str, Plate], step: Step, places: int = 240) -> float:
    """Phase [rad] of the first stroke, the top not yet turned, at which it hangs out furthest."""
    strokes = np.arange(places) / places
    poses = Motion(replace(step, turn=Turn(), walk=Turn(), hand=Hand())).poses(strokes)
    c = np.stack([poses.cx, poses.cy], axis=1)
    out, _ = overhangs(plates[step.top].outline, plates[step.bottom].outline, c, poses.theta)
    return float(2.0 * pi * strokes[int(out.argmax())])


MAPS = ("heights", "pressure_speed")
COST_SHARE = 0.05


@dataclass
class Timetable:
    """When to write down the work: every `interval` [s], but never for more than a share of the time.

    An interval that a person asked for (`strict`) is kept as it is.
    """

    interval: float = 2.0
    strict: bool = False
    begun: float = 0.0
    cost: float = 0.0

    def due(self, now: float) -> bool:
        """Whether the work should be written down at the time `now` [s]."""
        wait = self.interval if self.strict else max(self.interval, self.cost / COST_SHARE)
        return now - self.begun >= wait

    def done(self, begun: float, ended: float) -> None:
        """Note how long writing took [s]."""
        self.begun, self.cost = ended, ended - begun


def before(path: Path) -> Path:
    """Where the part file before the one at `path` lies."""
    return path.with_name(f"{path.stem}.before{path.suffix}")


def unfinished(path: Path) -> bool:
    """Whether there is a part file at `path`, or the one before it."""
    return path.exists() or before(path).exists()


def forget(path: Path) -> None:
    """Take the part file at `path` away, and the one before it."""
    before(path).unlink(missing_ok=True)
    path.unlink(missing_ok=True)


def save(
    path: Path, recorder: Recorder, heading: Heading, wall_time: float, outcome: str = "unfinished"
) -> None:
    """Write down the run so far; what was written down before is kept once more.

    Raises
    ------
    CannotDoError
        The file cannot be written; an earlier one stays as it was.

    """
    assert recorder.last is not None
    moment = recorder.last
    apart = (*MAPS, "clock", "begun")
    plain = {f.name: getattr(moment, f.name) for f in fields(moment) if f.name not in apart}
    doubt = {name: asdict(told) for name, told in moment.doubt.items()}
    state = {
        "clock": {f.name: getattr(moment.clock, f.name) for f in fields(moment.clock)},
        "moment": {
            **plain,
            "removed": dict(moment.removed),
            "doubt": doubt,
            "trend": asdict(moment.trend),
        },
        "begun": put(moment.begun),
        "lapped": None if recorder.batch is None else recorder.batch.lapped,
        "entries": len(recorder.entries),
        "frames": recorder.frames.metal,
        "gap": recorder.gap,
    }
    run = recorder.run(heading, outcome, wall_time)
    write_run(run, path, resume=json.dumps(state), before=before(path))


@dataclass(frozen=True)
class Restored:
    """The recorder as it was when the work was written down, and the wall time spent until then [s].

    `mind`: what to tell of a part file that could not be read.
    """

    recorder: Recorder
    spent: float
    mind: str | None = None


def restore(path: Path, study: Study) -> Restored:
    """What was written down at `path`, or else, if that is damaged or gone, once before.

    Raises
    ------
    RunFileError
        Both part files are damaged.
    CommandError
        The study, a height map of it, the program or the processor is not what it was lapped with.

    """
    try:
        return _restored(path, study)
    except RunFileError as trouble:
        try:
            found = _restored(before(path), study)
        except RunFileError:
            raise trouble from None
        # In the place of the damaged one, so that this is the one kept when the next is written down.
        before(path).replace(path)
        minutes = found.recorder.last.clock.time / 60.0 if found.recorder.last is not None else 0.0
        going_on = f"going on from the one before it, {minutes:.3g} min of lapping."
        return replace(found, mind=f"{path} is damaged or gone: {going_on}")


def _restored(path: Path, study: Study) -> Restored:
    run, text = read_resume(path)
    check_same(run, path, study)
    try:
        state: dict[str, Any] = json.loads(text)
        recorder = Recorder(study)
        recorder.last = _moment(run, state, study)
        recorder.entries = [_entry(run, i) for i in range(int(state["entries"]))]
        recorder.frames = frames_of(run, [float(metal) for metal in state["frames"]], path)
        recorder.gap = float(state["gap"])
        if recorder.batch is not None and run.batch is not None:
            recorder.batch.go_on(run.batch, state["lapped"])
    except (LookupError, ValueError, TypeError, AttributeError) as trouble:
        raise RunFileError(f"{path} cannot be gone on with: start again with --force") from trouble
    return Restored(recorder, run.wall_time)


def check_same(run: Run, path: Path, study: Study) -> None:
    """Refuse to go on from a run (in `path`) of other inputs, or by another program: old and new would mix.

    Raises
    ------
    CommandError
        Says what has changed.

    """
    change = unlike(run.program, run.versions)
    if change is None and inputs_of(run.study) != inputs_of(study):
        change = CHANGED_INPUTS
    if run.study_text != study.text:
        change = f"{study.stem}.toml has changed"
    if change is not None:
        how = "put it back as it was, or start again with --force"
        raise CommandError(f"{change} since {path} was written: {how}", key="--resume")


def _moment(run: Run, state: dict[str, Any], study: Study) -> State:
    doubt = {}
    for name, one in state["moment"].pop("doubt").items():
        names, sampled, stepped, leapt = (
            tuple(one[key]) for key in ("names", "sampled", "stepped", "leapt")
        )
        doubt[name] = Doubt(names, sampled, stepped, float(one["ordered"]), leapt)
    trend: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in state["moment"].pop("trend").items()
    }
    clock, heights = (
        Progress(**state["clock"]),
        {name: owned(record.frames[-1]) for name, record in run.plates.items()},
    )
    if study.batch is not None and state["moment"]["event"] == "laid":
        # No frame is kept of new parts before they lose any metal.
        usual = study.plates[study.batch.part]
        new = load_as_it_comes(study.batch, usual, clock, study.seed)
        heights |= {name: frozen(z) for name, z in new.items()}
    return State(
        clock=clock,
        heights=heights,
        pressure_speed={name: owned(record.pressure_speed) for name, record in run.plates.items()},
        doubt=doubt,
        begun=taken(state["begun"]),
        trend=Trend(**trend),
        **state["moment"],
    )


def _entry(run: Run, i: int) -> Entry:
    plates = run.plates.items()
    forms, margin0 = (
        {
            name: {key: float(getattr(one, which)[key][i]) for key in FORM_KEYS}
            for name, one in plates
        }
        for which in ("forms", "forms_margin0")
    )
    return Entry(
        at={name: getattr(run, name)[i] for name in columns(Run)},
        removed={name: float(record.removed[i]) for name, record in plates},
        forms=forms,
        forms_margin0=margin0,
        error={name: record.errors(i) for name, record in plates},
        thick={name: record.thick(i) for name, record in plates},
    )
