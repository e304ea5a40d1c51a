"""Writing down a run that is under way, and going on from what was written.

The part file is a run file of the run so far that also holds the clock of its last moment.  Going on from
it gives the same bits as a run that was never stopped.  The one before it is kept beside it, for the day on
which the last one cannot be read.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError, RunFileError
from lapwright.integration.state import Doubt, Progress, State
from lapwright.results.record import FORM_KEYS, Run
from lapwright.results.recorder import Entry, Frame, Heading, Recorder
from lapwright.results.runfile import read_resume, write_run
from lapwright.study.model import Study
from lapwright.study.resolved import inputs_of, unlike

__all__ = [
    "Restored",
    "Timetable",
    "before",
    "check_same",
    "forget",
    "restore",
    "save",
    "unfinished",
]


Array = NDArray[np.float64]
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
    plain = {
        f.name: getattr(moment, f.name) for f in fields(moment) if f.name not in (*MAPS, "clock")
    }
    doubt = {name: asdict(told) for name, told in moment.doubt.items()}
    state = {
        "clock": {f.name: getattr(moment.clock, f.name) for f in fields(moment.clock)},
        "moment": {**plain, "removed": dict(moment.removed), "doubt": doubt},
        "entries": len(recorder.entries),
        "frames": [frame.metal for frame in recorder.frames],
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
        return replace(
            found,
            mind=f"{path} is damaged or gone: going on from the one before it, {minutes:.3g} min of lapping.",
        )


def _restored(path: Path, study: Study) -> Restored:
    run, text = read_resume(path)
    check_same(run, path, study)
    try:
        state: dict[str, Any] = json.loads(text)
        recorder = Recorder(study)
        recorder.last = _moment(run, state)
        recorder.entries = [_entry(run, i) for i in range(int(state["entries"]))]
        recorder.frames = [_frame(run, i, metal) for i, metal in enumerate(state["frames"])]
        recorder.gap = float(state["gap"])
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
        change = "a height map or a run that the study names has changed"
    if run.study_text != study.text:
        change = f"{study.stem}.toml has changed"
    if change is not None:
        raise CommandError(
            f"{change} since {path} was written: put it back as it was, or start again with --force",
            key="--resume",
        )


def _own(values: Array) -> Array:
    """A copy that stands by itself in memory, read-only, as the loop makes them."""
    copy = np.array(values, dtype=np.float64, order="C", copy=True)
    copy.setflags(write=False)
    return copy


def _moment(run: Run, state: dict[str, Any]) -> State:
    told = state["moment"].pop("doubt")
    return State(
        clock=Progress(**state["clock"]),
        heights={name: _own(record.frames[-1]) for name, record in run.plates.items()},
        pressure_speed={name: _own(record.pressure_speed) for name, record in run.plates.items()},
        doubt={name: _doubt(parts) for name, parts in told.items()},
        **state["moment"],
    )


def _doubt(parts: dict[str, Any]) -> Doubt:
    names, sampled, stepped = (tuple(parts[name]) for name in ("names", "sampled", "stepped"))
    return Doubt(names, sampled, stepped, float(parts["ordered"]))


def _entry(run: Run, i: int) -> Entry:
    plates = run.plates.items()
    return Entry(
        step=int(run.step[i]),
        round=int(run.round[i]),
        time=float(run.time[i]),
        top=run.top[i],
        bottom=run.bottom[i],
        event=run.event[i],
        lift_share=float(run.lift_share[i]),
        scale_error=float(run.scale_error[i]),
        removed={name: float(record.removed[i]) for name, record in plates},
        forms={name: {k: float(record.forms[k][i]) for k in FORM_KEYS} for name, record in plates},
        forms_margin0={
            name: {k: float(record.forms_margin0[k][i]) for k in FORM_KEYS}
            for name, record in plates
        },
        error={name: record.errors(i) for name, record in plates},
    )


def _frame(run: Run, i: int, metal: float) -> Frame:
    first = next(iter(run.plates.values()))
    heights = {name: _own(record.frames[i]) for name, record in run.plates.items()}
    return Frame(float(first.frame_time[i]), float(metal), heights)
