"""Averages judged against every stroke singly: references kept on disk, true errors beside those printed.

A reference is a run in blocks of one stroke, each with all of `PHASES` poses spread over it.  It is kept by
the study's digest together with a probe: the wear of a few poses of the study as the kernels gave it then.
Where they give it otherwise now (land, motion, settling, places on whole cells), the reference is made anew;
how poses and blocks are chosen, which is what is judged, leaves it as it is.
"""

import json
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from campaign_studies import Drawn

from lapwright.contact import average
from lapwright.contact.average import Pair, Sample
from lapwright.errors import LapwrightError
from lapwright.integration.loop import lap
from lapwright.integration.state import Settings, State
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin, forms

PHASES = 64  # within 0.02 % of the removal of twice and of four times as many
NO_MARGIN = EdgeMargin(share=0.0)
TOLD = ("swap", "step", "end")  # moments at which forms are compared
ROUND_OFF = 1e-6  # of the removal: smaller errors are no errors
PROBES = 24  # poses over the whole step
SAME = 1e-6  # of the largest wear of the probe

Forms = dict[str, dict[str, float]]


def stroke_by_stroke(phases: int = PHASES) -> Settings:
    """Blocks of one stroke, so that each has all of the poses to itself."""
    return Settings(poses=phases, fewest_poses=phases, tolerance=0.0, longest=1e-9)


@dataclass(frozen=True)
class Told:
    """Forms (plate -> name -> [m]) at margin 0 at a moment, and how far off they may be as the run says."""

    event: str
    strokes: int
    forms: Forms
    error: Forms


@dataclass(frozen=True)
class Run:
    """What a run came to; `trouble` in words if it did not come to its end."""

    told: tuple[Told, ...]
    heights: dict[str, np.ndarray]
    removed: dict[str, float]
    blocks: int
    poses: int
    seconds: float
    lift: float
    trouble: str = ""

    @property
    def removal(self) -> float:
        """Mean of both plates [m]."""
        return sum(self.removed.values()) / len(self.removed)


def forms_of(drawn: Drawn, moment: State) -> Forms:
    """Those forms that are spoken of, at margin 0 [m]."""
    found = {n: forms(p, moment.heights[n], NO_MARGIN).as_dict() for n, p in drawn.plates.items()}
    return {n: {k: v for k, v in f.items() if v is not None} for n, f in found.items()}


@contextmanager
def counted():
    """Count the poses that are evaluated."""
    old, count = Pair.average, [0]

    def counting(self, *given, **more):
        samples = [thing for thing in (*given, *more.values()) if isinstance(thing, Sample)]
        count[0] += sum(sample.share.size for sample in samples)
        return old(self, *given, **more)

    Pair.average = counting
    try:
        yield count
    finally:
        Pair.average = old


@contextmanager
def real_places(wanted: bool = True):
    """Leave poses where they really are: none rounded to whole cells, and no part of them for the rest."""
    old, few = Pair._on_cells, average.FEWEST_FOR_PART
    if wanted:
        Pair._on_cells = lambda self, rows: None
        average.FEWEST_FOR_PART = 10**9
    try:
        yield
    finally:
        Pair._on_cells, average.FEWEST_FOR_PART = old, few


def run(drawn: Drawn, settings: Settings, seed: int = 0) -> Run:
    """Lap a study to its end."""
    told, blocks, lift, trouble, moment = [], 0, 0.0, "", None
    start = time.process_time()
    with counted() as poses:
        try:
            for moment in lap(drawn.plates, [drawn.step], settings=settings, seed=seed):
                blocks += moment.event == "block"
                lift = max(lift, moment.lift_share)
                if moment.event in TOLD:
                    error = {n: dict(e) for n, e in moment.error.items()}
                    told.append(
                        Told(moment.event, moment.clock.strokes, forms_of(drawn, moment), error)
                    )
        except LapwrightError as found:
            trouble = str(found)
    seconds = time.process_time() - start
    assert moment is not None
    heights = {n: np.array(z) for n, z in moment.heights.items()}
    return Run(tuple(told), heights, dict(moment.removed), blocks, poses[0], seconds, lift, trouble)


def probe(drawn: Drawn) -> dict[str, np.ndarray]:
    """Pressure x speed on both faces as they come, mean of a few poses over the whole step."""
    step = drawn.step
    top, bottom = drawn.plates[step.top], drawn.plates[step.bottom]
    motion = Motion(step, (0, 1, 1))
    load = top.weight + step.load.force
    poses = motion.poses(
        (np.arange(PROBES) + 0.5) * (step.total_strokes / PROBES) + np.arange(PROBES) / PROBES
    )
    sample = Sample(poses, np.full(PROBES, 1.0 / PROBES), motion.moment(poses, load))
    average = Pair(bottom, top, step.grit.layer.stiffness, load).average(
        bottom.heights(), top.heights(), sample
    )
    return {"probe_bottom": average.bottom, "probe_top": average.top}


def kept_at(folder: Path, drawn: Drawn, phases: int = PHASES, real: bool = True) -> Path:
    """Where the reference of a study is kept."""
    return folder / f"{drawn.index:04d}-{drawn.digest}-{phases}{'-real' * real}.npz"


def reference(
    folder: Path | None, drawn: Drawn, phases: int = PHASES, made: bool = True, real: bool = True
) -> Run | None:
    """Every stroke singly, from disk if it is there; None when it is not and is not to be made.

    `real`: at the places where the poses really are, none rounded to whole cells.
    """
    with real_places(real):
        return _reference(
            kept_at(folder, drawn, phases, real) if folder is not None else None,
            drawn,
            phases,
            made,
        )


def _reference(path: Path | None, drawn: Drawn, phases: int, made: bool) -> Run | None:
    now = probe(drawn) if path is not None else {}
    if path is not None and path.exists():
        kept = _read(path, now)
        if kept is not None:
            return kept
    if not made:
        return None
    found = run(drawn, stroke_by_stroke(phases))
    assert found.trouble or found.blocks == drawn.step.total_strokes
    if path is not None:
        _write(path, found, now)
    return found


def _write(path: Path, found: Run, now: dict[str, np.ndarray]) -> None:
    told = [[t.event, t.strokes, t.forms, t.error] for t in found.told]
    facts = {"told": told, "removed": found.removed, "blocks": found.blocks, "poses": found.poses,
             "seconds": found.seconds, "lift": found.lift, "trouble": found.trouble}  # fmt: skip
    path.parent.mkdir(parents=True, exist_ok=True)
    half = path.with_suffix(".part.npz")
    np.savez(half, facts=np.array(json.dumps(facts)), **found.heights, **now)
    half.replace(path)


def _read(path: Path, now: dict[str, np.ndarray]) -> Run | None:
    """A reference; None when the kernels no longer give what they gave for it."""
    with np.load(path) as kept:
        for name, value in now.items():
            same = kept[name].shape == value.shape
            if not same or not np.abs(kept[name] - value).max() <= SAME * np.abs(value).max():
                return None
        facts = json.loads(str(kept["facts"]))
        heights = {name: kept[name] for name in kept.files if name != "facts" and name not in now}
    facts["told"] = tuple(Told(*told) for told in facts["told"])
    return Run(heights=heights, **facts)


@dataclass(frozen=True)
class Error:
    """One form of one plate at one moment, as shares of the removal: off by so much, said to be."""

    index: int
    kinds: tuple[str, ...]
    event: str
    strokes: int
    plate: str
    form: str
    true: float
    printed: float

    @property
    def within(self) -> bool:
        """Not more than twice what was printed."""
        return self.true <= 2.0 * self.printed + ROUND_OFF


def errors(drawn: Drawn, fast: Run, real: Run) -> list[Error]:
    """Each form of each plate at each moment that both tell of."""
    found = []
    for a, b in zip(fast.told, real.told, strict=True):
        assert (a.event, a.strokes) == (b.event, b.strokes), (drawn.index, a.event, b.event)
        for plate, of_plate in a.forms.items():
            for form, value in of_plate.items():
                true = abs(value - b.forms[plate][form]) / real.removal
                printed = a.error.get(plate, {}).get(form, 0.0) / real.removal
                found.append(
                    Error(drawn.index, drawn.kinds, a.event, a.strokes, plate, form, true, printed)
                )
    return found
