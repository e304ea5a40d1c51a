"""What is kept of a run, how the top bore at its end, and a study lapped in this process.

What is kept follows from the moments alone, never from the clock on the wall or from when the work was
written down, so that a run stopped and resumed keeps the same entries as an unbroken one.

A study lapped from beginning to end in this process, for who writes Python.

How the top bears at the end of a run: in the middle of its stroke, and where that hangs out most.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import pi
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.contact.pressure import Bearing, bearing
from lapwright.errors import LapwrightError, NoOverlapError, TippedError, troubles_in
from lapwright.integration.state import State
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import overhangs
from lapwright.kinematics.schedule import rubbing_time
from lapwright.metrology.form import EdgeMargin, measure
from lapwright.results.record import FORM_KEYS, SHAPES, BearingRecord, PlateRecord, Run
from lapwright.results.runfile import SCHEMA
from lapwright.specification.curves import Still
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step, Turn
from lapwright.study.model import Study
from lapwright.study.resolved import versions

if TYPE_CHECKING:
    from lapwright.results.record import Run
    from lapwright.study.model import Study

__all__ = [
    "Entry",
    "Frame",
    "Heading",
    "Recorder",
    "bearings_of",
    "forms_of",
    "full_overhang",
    "gaps_closed",
    "heading",
    "lapped",
    "thinned",
]


Array = NDArray[np.float64]
Forms = Mapping[str, float]

HISTORY_MOST = 240
FRAMES_MOST = 41
NO_MARGIN = EdgeMargin(share=0.0, length=None)
# What is given up first when the history grows too long; the start is never given up.
LESS_DEAR = (
    ("block", "fresh grit"),
    ("block", "fresh grit", "swap"),
    ("block", "fresh grit", "swap", "step"),
)


@dataclass(frozen=True)
class Heading:
    """What stands at the head of a run file: the program and the versions of its libraries."""

    program: str
    versions: Mapping[str, str]


@dataclass(frozen=True)
class Entry:
    """One entry of the history; forms and their errors [m] by plate and name, nan where not spoken of."""

    step: int
    round: int
    time: float
    top: str
    bottom: str
    event: str
    lift_share: float
    scale_error: float
    removed: Mapping[str, float]
    forms: Mapping[str, Forms]
    forms_margin0: Mapping[str, Forms]
    error: Mapping[str, Forms]

    @property
    def metal(self) -> float:
        """Mean depth of land lost over all plates [m]."""
        return _mean(self.removed)


@dataclass(frozen=True)
class Frame:
    """Height maps of all plates at one time; `metal` as in `Entry`."""

    time: float
    metal: float
    heights: Mapping[str, Array]


def _mean(removed: Mapping[str, float]) -> float:
    return sum(removed.values()) / len(removed)


def forms_of(plate: Plate, heights: Array, margin: EdgeMargin) -> dict[str, float]:
    """All form measures of a face [m], nan where the form is not spoken of."""
    said = measure(plate, heights, margin).as_dict()
    values = {key: said.get(key) for key in FORM_KEYS}
    return {key: np.nan if value is None else float(value) for key, value in values.items()}


def errors_of(moment: State, name: str) -> dict[str, float]:
    """How far each form of a plate may be off [m], nan where that is not told."""
    told = moment.error.get(name, {})
    return {key: float(told.get(key, np.nan)) for key in SHAPES}


def thinned(frames: list[Frame], most: int) -> list[Frame]:
    """At most so many frames, spread evenly over the metal removed; the first and the last stay."""
    kept = list(frames)
    while len(kept) > max(most, 2):
        gaps = [kept[i + 1].metal - kept[i - 1].metal for i in range(1, len(kept) - 1)]
        del kept[1 + gaps.index(min(gaps))]
    return kept


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
    frames: list[Frame] = field(default_factory=list)
    gap: float = 0.0
    last: State | None = None
    measured: dict[str, tuple[Array, Forms, Forms]] = field(default_factory=dict)

    def take(self, moment: State) -> None:
        """Take the next moment."""
        self.last = moment
        metal = _mean(moment.removed)
        if not self.frames or metal > self.frames[-1].metal:
            self.frames.append(Frame(moment.clock.time, metal, moment.heights))
            self.frames = thinned(self.frames, FRAMES_MOST - 1)
        cheap = moment.event in LESS_DEAR[0]
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
        return Entry(
            step=moment.clock.step,
            round=moment.clock.round,
            time=moment.clock.time,
            top=moment.top,
            bottom=moment.bottom,
            event=moment.event,
            lift_share=moment.lift_share,
            scale_error=moment.scale_error,
            removed=dict(moment.removed),
            forms={name: both[0] for name, both in measured.items()},
            forms_margin0={name: both[1] for name, both in measured.items()},
            error={name: errors_of(moment, name) for name in self.study.plates},
        )

    def _measure(self, name: str, heights: Array) -> tuple[Forms, Forms]:
        """Forms inside the margin and with none; a face that did not change is not measured again."""
        known = self.measured.get(name)
        if known is None or known[0] is not heights:
            plate = self.study.plates[name]
            with_margin = forms_of(plate, heights, self.study.margin)
            known = heights, with_margin, forms_of(plate, heights, NO_MARGIN)
            self.measured[name] = known
        return known[1], known[2]

    def run(
        self,
        heading: Heading,
        outcome: str,
        wall_time: float,
        bearings: tuple[BearingRecord, ...] = (),
    ) -> Run:
        """The run so far, its last moment included.

        Raises
        ------
        ValueError
            Nothing was taken yet.

        """
        if self.last is None:
            raise ValueError("no moment was taken yet")
        entries, frames = self.entries, self.frames
        if entries[-1].time != self.last.clock.time:
            entries = [*entries, self._entry(self.last)]
        if frames[-1].time != self.last.clock.time:
            frames = [
                *frames,
                Frame(self.last.clock.time, _mean(self.last.removed), self.last.heights),
            ]
        return Run(
            schema=SCHEMA,
            program=heading.program,
            versions=heading.versions,
            outcome=outcome,
            study=self.study,
            plates={name: self._plate(name, entries, frames) for name in self.study.plates},
            step=np.array([e.step for e in entries], np.int64),
            round=np.array([e.round for e in entries], np.int64),
            time=np.array([e.time for e in entries]),
            top=tuple(e.top for e in entries),
            bottom=tuple(e.bottom for e in entries),
            event=tuple(e.event for e in entries),
            lift_share=np.array([e.lift_share for e in entries]),
            scale_error=np.array([e.scale_error for e in entries]),
            bearings=bearings,
            wall_time=wall_time,
        )

    def _plate(self, name: str, entries: list[Entry], frames: list[Frame]) -> PlateRecord:
        assert self.last is not None
        plate = self.study.plates[name]

        def along(which: str, keys: Iterable[str] = FORM_KEYS) -> dict[str, Array]:
            return {key: np.array([getattr(e, which)[name][key] for e in entries]) for key in keys}

        return PlateRecord(
            name=name,
            outline_text=outline_text(plate),
            land=plate.land,
            x=plate.grid.x,
            y=plate.grid.y,
            frame_time=np.array([f.time for f in frames]),
            frames=np.stack([f.heights[name] for f in frames]),
            worn=frames[0].heights[name] - frames[-1].heights[name],
            pressure_speed=self.last.pressure_speed[name],
            margin=float(self.study.margin.of(plate.outline)),
            forms=along("forms"),
            forms_margin0=along("forms_margin0"),
            removed=np.array([e.removed[name] for e in entries]),
            error=along("error", SHAPES),
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
    from lapwright.integration.loop import lap

    pass  # MOVED

    begun = time.monotonic()
    recorder = Recorder(study)
    total = rubbing_time(study.steps, study.rounds)
    outcome = ""
    moments = lap(
        study.plates,
        study.steps,
        rounds=study.rounds,
        seed=study.seed,
        margin=study.margin,
        threads=threads,
    )
    with troubles_in(study.units):
        try:
            for moment in moments:
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
    for name, place, phase in places:
        try:
            got = bearing(study.plates, place, heights=moment.heights, phase=phase)
        except LapwrightError:
            continue
        found.append(_record(number, name, phase, got, step))
    return tuple(found)


def full_overhang(plates: Mapping[str, Plate], step: Step, places: int = 240) -> float:
    """Phase [rad] of the first stroke, the top not yet turned, at which it hangs out furthest."""
    strokes = np.arange(places) / places
    poses = Motion(replace(step, turn=Turn(), walk=Turn(), hand=Hand())).poses(strokes)
    c = np.stack([poses.cx, poses.cy], axis=1)
    out, _ = overhangs(plates[step.top].outline, plates[step.bottom].outline, c, poses.theta)
    return float(2.0 * pi * strokes[int(out.argmax())])


def _record(number: int, name: str, phase: float, got: Bearing, step: Step) -> BearingRecord:
    return BearingRecord(
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
