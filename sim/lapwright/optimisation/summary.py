"""What came out of one full simulation, in numbers that are small enough to keep a thousand of.

What a goal may ask for, measured along a full simulation: a column of numbers each.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.placement import mating
from lapwright.integration.state import WENT_THROUGH, State
from lapwright.metrology.bending import as_read
from lapwright.metrology.form import form_names, forms, measure
from lapwright.results.batch import BatchRecord, out_of_goal
from lapwright.results.record import FORM_KEYS, Run
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step
from lapwright.study.goal import Effort
from lapwright.study.model import Study

Array = NDArray[np.float64]

HISTORY = 33  # points along the metal removed
OWN = ("plates", "parts")  # of a summary, which go into JSON by themselves
PROFILE = 65  # points along a cut from 9 to 3
# Codes of what failed for the machine's or the program's reasons, not the study's: no answers to keep.
MACHINE = ("worker", "memory", "internal")


@dataclass(frozen=True)
class Ended:
    """One plate at the end.

    `forms` inside the margin and `forms_margin0` with none [m], None where not spoken of; `before` and
    `before_margin0` the same at the start; `error` of each of SHAPES [m], None where not known; `margin` [m];
    `removed` mean depth of land lost [m]; `dome` (HISTORY,) [m] of sphere (rails: bow) along the metal
    removed; `profile` (PROFILE,) [m] heights about the mean plane along the middle, from 9 to 3 (long
    faces: along their length), nan off the land.  `by_layer`: from where to where forms lie [m], as the grit
    layer gives less or more; empty where that was not asked.
    """

    forms: Mapping[str, float | None]
    forms_margin0: Mapping[str, float | None]
    before: Mapping[str, float | None]
    before_margin0: Mapping[str, float | None]
    error: Mapping[str, float | None]
    margin: float
    removed: float
    dome: tuple[float, ...]
    profile: tuple[float, ...]
    by_layer: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@dataclass(frozen=True)
class Parts:
    """What came of a batch of parts called `name` on the plate `on`.

    `lapped` of them; `out` of the goal (None where it asks nothing of them); `dressings` of the plate, and
    `removed` [m] off it when the last part came off; `worst` [m]: the largest size of each form on any
    part, with `number` (from 1) of that part and `error` [m] there; `moved` [m]: the most by which it
    changed on one.  None where a form is not spoken of.
    """

    name: str
    on: str
    lapped: int
    out: int | None
    dressings: int
    removed: float
    worst: Mapping[str, float | None]
    number: Mapping[str, int | None]
    error: Mapping[str, float | None]
    moved: Mapping[str, float | None]


@dataclass(frozen=True)
class Summary:
    """The end of one simulation: member (from 0) and draw (0: the study as it stands) say of which.

    `outcome`: "done", "until", "limit", "tipped" or "failed"; of the last two `trouble` says why and `code`
    names it, and `plates` may hold the last good state.  `time` rubbed [s]; `metal` (HISTORY,) [m] mean over
    the plates.  `top` and `bottom` lay on each other last; `mating` [m] rms misfit of the two.
    `lift_share`: mean share of the time in which something lifted.  `track`: columns along the time, where
    they were asked for (`lapwright.optimisation.summary`).  `parts`: of a batch that came to its end.
    """

    member: int
    draw: int
    outcome: str
    plates: Mapping[str, Ended] = field(default_factory=dict)
    time: float = 0.0
    metal: tuple[float, ...] = ()
    top: str = ""
    bottom: str = ""
    mating: float | None = None
    lift_share: float = 0.0
    track: Mapping[str, tuple[float, ...]] = field(default_factory=dict)
    parts: Parts | None = None
    trouble: str | None = None
    code: str | None = None

    @property
    def done(self) -> bool:
        """True when the work went to its end."""
        return self.outcome in WENT_THROUGH

    @property
    def machine(self) -> bool:
        """True when it failed for the machine's reasons: what it would have come to is not known."""
        return self.code in MACHINE

    @property
    def removed(self) -> float:
        """Mean depth of land lost over the plates [m]."""
        lost = [ended.removed for ended in self.plates.values()]
        return sum(lost) / len(lost) if lost else 0.0

    def plain(self) -> dict[str, Any]:
        """As JSON has it: None for what is not a number."""
        out = {f.name: _plain(getattr(self, f.name)) for f in fields(self) if f.name not in OWN}
        out["parts"] = None if self.parts is None else _plain(asdict(self.parts))
        out["plates"] = {
            name: {f.name: _plain(getattr(ended, f.name)) for f in fields(ended)}
            for name, ended in self.plates.items()
        }
        return out

    @classmethod
    def of_plain(cls, data: Mapping[str, Any]) -> Summary:
        """Back from JSON, the same to the bit.

        Raises
        ------
        KeyError, TypeError
            When it is no summary.

        """
        plates = {
            name: Ended(
                **{
                    **ended,
                    **{key: _numbers(ended[key]) for key in ("dome", "profile")},
                    "by_layer": {
                        key: (float(low), float(high))
                        for key, (low, high) in ended.get("by_layer", {}).items()
                    },
                }
            )
            for name, ended in data["plates"].items()
        }
        track = {key: _numbers(column) for key, column in data["track"].items()}
        parts = None if data["parts"] is None else Parts(**data["parts"])
        own = {"plates": plates, "metal": _numbers(data["metal"]), "track": track, "parts": parts}
        return cls(**{**data, **own})


def _numbers(values: Sequence[float | None]) -> tuple[float, ...]:
    return tuple(math.nan if value is None else float(value) for value in values)


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, tuple | list):
        return [_plain(item) for item in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


Domes = tuple[float, Mapping[str, float]]


def domes_of(study: Study, moment: State) -> Domes:
    """Metal removed (mean over the plates) and the dome (rails: bow) of each plate [m], quickly."""
    domes = {}
    for name, plate in study.plates.items():
        form = forms(plate, moment.heights[name], study.margin)
        dome = form.bow if plate.outline.long else form.sphere
        domes[name] = math.nan if dome is None else dome
    return sum(moment.removed.values()) / len(moment.removed), domes


def summary_of(
    job: tuple[int, int],
    outcome: str,
    study: Study,
    run: Run,
    blocks: Sequence[tuple[float, float]],
    trail: Sequence[Domes],
    last: State,
    banded: bool = False,
) -> Summary:
    """The summary of a run; `job`: member and draw; `blocks`: (time, lift share) of each.

    `banded`: with the bands of its forms by the layer.
    """
    metal = np.array([domes[0] for domes in trail])
    along = np.linspace(0.0, float(metal[-1]), HISTORY)
    ended = {}
    for name, record in run.plates.items():
        dome = np.array([domes[1][name] for domes in trail])
        ended[name] = Ended(
            forms=_forms(record.forms, -1),
            forms_margin0=_forms(record.forms_margin0, -1),
            before=_forms(record.forms, 0),
            before_margin0=_forms(record.forms_margin0, 0),
            error=_finite(record.errors(-1)),
            margin=float(record.margin),
            removed=float(record.removed[-1]),
            dome=tuple(np.interp(along, metal, dome).tolist()),
            profile=tuple(profile(study.plates[name], record.frames[-1]).tolist()),
            by_layer=run.layer_bands.get(name, {}) if banded else {},
        )
    time = float(last.clock.time)
    starts = [0.0, *(block[0] for block in blocks)]
    lifted = sum(
        (block[0] - start) * block[1] for start, block in zip(starts, blocks, strict=False)
    )
    pair = study.plates[last.bottom], study.plates[last.top]
    misfit = mating(
        pair[0], last.heights[last.bottom], pair[1], last.heights[last.top], study.margin
    )
    return Summary(
        member=job[0],
        draw=job[1],
        outcome=outcome,
        plates=ended,
        time=time,
        metal=tuple(along.tolist()),
        top=last.top,
        bottom=last.bottom,
        mating=misfit if math.isfinite(misfit) else None,
        lift_share=lifted / time if time > 0.0 else 0.0,
        parts=parts_of(run.batch, study),
    )


def parts_of(record: BatchRecord | None, study: Study) -> Parts | None:
    """What came of the parts of a run; None where there are none, or not all were lapped."""
    if record is None or study.batch is None or len(record.number) < study.batch.count:
        return None
    out = out_of_goal(record, study)
    sizes = {key: np.abs(values) for key, values in record.forms.items()}
    at = {key: int(np.argmax(size)) for key, size in sizes.items() if np.isfinite(size).all()}
    off = {key: record.error[key] for key in at if key in record.error}
    # Each form moves the flatness by its own size at most.
    off["flatness"] = np.sqrt(sum((np.square(some) for some in off.values()), np.zeros(1)))
    moved = {key: np.abs(record.forms[key] - record.came[key]).max() for key in at}
    return Parts(
        name=record.name,
        on=record.on,
        lapped=len(record.number),
        out=None if out is None else int(out.sum()),
        dressings=len(record.dressings.after),
        removed=float(record.plate_removed[-1]),
        worst={key: float(sizes[key][at[key]]) if key in at else None for key in sizes},
        number={key: int(record.number[at[key]]) if key in at else None for key in sizes},
        error=_finite({key: float(some[at.get(key, 0)]) for key, some in off.items()}),
        moved={key: float(moved[key]) if key in at else None for key in sizes},
    )


def _forms(forms: Mapping[str, Array], at: int) -> dict[str, float | None]:
    return _finite({key: float(forms[key][at]) for key in FORM_KEYS})


def _finite(values: Mapping[str, float]) -> dict[str, float | None]:
    return {key: value if math.isfinite(value) else None for key, value in values.items()}


def profile(plate: Plate, heights: Array) -> Array:
    """Heights about the mean plane along the middle of a face (PROFILE,) [m], nan off the land.

    The mean of the rows next to the middle; of a long face those along its length.
    """
    grid, land = plate.grid, plate.land
    x, y = grid.mesh()
    on = land >= 0.5
    basis = np.stack(
        [np.ones(int(on.sum())), x[on] / plate.outline.radius, y[on] / plate.outline.radius]
    )
    # NumPy's own sums, as in `metrology.form`: the last bits must not depend on a library's threads.
    normal = np.einsum("in,jn->ij", basis, basis)
    level = np.linalg.solve(normal, np.einsum("in,n->i", basis, heights[on]))
    level = level / np.array([1.0, plate.outline.radius, plate.outline.radius])
    left = np.where(on, heights - (level[0] + level[1] * x + level[2] * y), np.nan)
    along, across = grid.x, grid.y
    if plate.outline.long and plate.outline.size[1] > plate.outline.size[0]:
        along, across, left = grid.y, grid.x, left.T
    middle = np.argsort(np.abs(across), kind="stable")[: 2 if across.size % 2 == 0 else 1]
    rows = left[middle]
    known = np.isfinite(rows)
    line = np.where(known.any(axis=0), np.where(known, rows, 0.0).sum(axis=0), np.nan)
    line = line / np.maximum(known.sum(axis=0), 1)
    at = np.linspace(float(along[0]), float(along[-1]), PROFILE)
    near = np.rint((at - along[0]) / (along[1] - along[0])).astype(int)
    good = np.isfinite(line)
    if not good.any():
        return np.full(PROFILE, np.nan)
    return np.where(good[near], np.interp(at, along[good], line[good]), np.nan)


FOLLOWED = ("start", "block")


def turned_by(step: Step, strokes: Array) -> Array:
    """Whole turns of the top in the hands and of the person round the bench, after so many strokes (k,)."""
    turned = np.zeros(np.shape(strokes))
    for turn in (step.turn, step.walk):
        if turn.angle != 0.0:
            times = strokes // turn.every if turn.indexed else strokes
            turned = turned + abs(turn.angle) / (2.0 * pi) * times
    return turned


class Handling:
    """What hands do beside rubbing, along a schedule that begins with `first` [s], by `[goal] effort`.

    Another plate laid on top, plates washed before another grit, readings that say who goes on top.  The one
    reading when all is done is the same for every schedule, and left out.
    """

    def __init__(self, study: Study, first: Step) -> None:
        self.plates = study.plates
        self.effort = study.goal.effort if study.goal is not None else Effort()
        self.on_top, self.grit = first.top, first.grit.name
        self.spent = 0.0  # [s], but for readings of the step that is not over

    def lay(self, step: Step, top: str) -> None:
        """Go on with a step with this plate on top."""
        if top != self.on_top:
            self.spent += self.effort.swap_of(self.plates[top].total_mass)
        self.spent += self.effort.wash * (step.grit.name != self.grit)
        self.on_top, self.grit = top, step.grit.name

    def readings(self, step: Step, strokes: Array) -> Array:
        """Of a step that goes by readings, those at its start and before so many strokes of it (k,) [s]."""
        every = None if step.swap is None else step.swap.read
        count = 0.0 * strokes if every is None else np.ceil(strokes / step.pace / every)
        return np.asarray(self.effort.reading * count)

    def end(self, step: Step, strokes: float) -> None:
        """Be done with a step after so many strokes."""
        self.spent += float(self.readings(step, np.array(strokes)))

    def work(self, time: Array, removed: Array, handled: Array) -> Array:
        """Rubbing, handling, and what the metal is worth, together [s]."""
        return np.asarray(time + handled + self.effort.metal * removed)


class Follower:
    """Takes moments, keeps columns: `time`, `removed`, `turned`, `swaps`, `work`, forms of plates and pair.

    Forms are those of faces as they are read, on the feet of plates that stand on some.
    A form that a plate does not speak of has no column; what cannot be told is nan.  `mating`: whether how
    the pair mates is wanted, which takes much memory of fine faces.
    """

    def __init__(self, study: Study, mating: bool = True) -> None:
        self.study, self.mating = study, mating
        self.kept: dict[str, list[float]] = {}
        self.before = 0.0  # turns in the steps that are over
        self.swaps = 0
        self.on_top = study.steps[0].top
        self.handling = Handling(study, study.steps[0])

    def take(self, moment: State) -> None:
        """Measure a moment at which the faces are new."""
        clock = moment.clock
        step = self.study.steps[clock.step - 1]
        if moment.top != self.on_top:
            self.on_top, self.swaps = moment.top, self.swaps + 1
        self.handling.lay(step, moment.top)
        if moment.event == "step":
            self.before += float(turned_by(step, np.array(clock.strokes)))
            self.handling.end(step, clock.strokes)
        if moment.event not in FOLLOWED:
            return
        plates, margin = self.study.plates, self.study.margin
        self._keep("time", clock.time)
        removed = sum(moment.removed.values()) / len(moment.removed)
        self._keep("removed", removed)
        strokes = np.array(float(clock.strokes))
        handled = self.handling.spent + self.handling.readings(step, strokes)
        self._keep(
            "work", float(self.handling.work(np.array(clock.time), np.array(removed), handled))
        )
        self._keep("turned", self.before + float(turned_by(step, np.array(clock.strokes))))
        self._keep("swaps", float(self.swaps))
        domes = {}
        for name, plate in plates.items():
            form = measure(plate, as_read(plate, moment.heights[name]), margin)
            for key in (*form_names(plate.outline), "flatness"):
                value = getattr(form, key)
                self._keep(f"{name}.{key}", math.nan if value is None else value)
            dome = form.bow if plate.outline.long else form.sphere
            domes[name] = math.nan if dome is None else dome
        if self.mating:
            pair = [(plates[name], moment.heights[name]) for name in (moment.bottom, moment.top)]
            misfit = mating(*pair[0], *pair[1], margin)
            self._keep("mating", misfit if math.isfinite(misfit) else math.nan)
        self._keep("difference", domes[moment.top] - domes[moment.bottom])

    def _keep(self, key: str, value: float) -> None:
        self.kept.setdefault(key, []).append(float(value))

    def columns(self) -> dict[str, tuple[float, ...]]:
        """All that was kept."""
        return {key: tuple(column) for key, column in self.kept.items()}
