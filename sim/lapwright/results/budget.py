"""What a run asks of this machine, told before it begins: time, memory, and room on the disk.

How many poses a run works out hangs hardly at all on the cells, so the study is lapped for a moment on a few
cells, which counts them; then a few poses of the study itself are timed, here and now, on its own cells.
Memory and disk follow from the maps that are held and written.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import ceil, sqrt
from pathlib import Path
from time import perf_counter as clock

from lapwright import machine
from lapwright.contact.average import Pair
from lapwright.contact.sampling import block_sample
from lapwright.errors import CannotDoError, LapwrightError
from lapwright.integration.state import Settings
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import measure
from lapwright.results.frames import FRAMES_MOST, size_aside
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step
from lapwright.study.model import Study
from lapwright.units import Units

REHEARSED = 0.3  # [s] that the study is lapped for on a few cells ...
WORTH = 20.0  # ... and where a gauge may end one that would take so long [s] ...
LOOKED, LONGEST = 0.05, 15.0  # ... for such a share of that, at most so long [s]
FEW_CELLS, FEWEST_ROWS = 24, 12  # across a face meanwhile, the larger and the smaller side
TRIED = 24  # poses that are timed
READY = 3e-6  # [s] a cell, at most, of what is worked out of a pair once
KINDS = 3  # of steps whose poses are timed, those with the most
NUMBER = 8  # bytes

# What a run holds beside what is kept of it, in maps of one plate, by measurement: of each plate, and of the
# finest once more.  What it holds with no maps at all is that of the libraries [bytes].
HELD, WORKED_ON = 14, 26
BARE, DRAWN = 200e6, 100e6
KEPT = 3  # maps of a plate in a run file beside its frames
COPIES = (
    3  # of the run, on the disk at a time: two that are safe, and the one that is being written
)
SPARE = 5e6  # page and pictures [bytes]

# Seconds that cells change little, by measurement: what follows after a run, and its page.
ADVICE, PAGE = 2.0, 4.0
WRITTEN = 150e6  # bytes a second
GROOVED, BROKEN_UP = 40.0, 500e6  # what a grooved face costs them more: time, and memory [bytes]

# Of many, by measurement: what the libraries take of all processes together, and what each has of its own
# [bytes]; the page, without what it shows, and how much of the run files it holds; seconds until workers are
# at work, and for the page.  A grooved face takes longer than a few poses of it tell.
SHARED, OWN = 110e6, 85e6
OPENED, BESIDE = 270e6, 2.0
STARTED, SHOWN = 2.0, 2.5
SHEET, FOUND = 0.9e6, 0.15e6  # page and table of a comparison, and what a search leaves [bytes]
GROOVED_POSES, GROOVED_SHOWN, GROOVED_OPENED = 1.4, 12.0, 200e6
LIKE = 3  # studies of many that are looked at


@dataclass(frozen=True)
class Budget:
    """How long something takes [s], the most memory at a time and the most room on the disk [bytes].

    `bare`: of the memory, what hangs on no cells.  `at_most`: a gauge may end it sooner, nobody knows when.
    """

    time: float
    memory: float
    disk: float
    bare: float = 0.0
    at_most: bool = False

    def as_dict(self) -> dict[str, float]:
        """For scripts."""
        return {"time": self.time, "memory": self.memory, "disk": self.disk}

    def and_then(self, other: Budget) -> Budget:
        """Of both, one after the other."""
        return Budget(
            self.time + other.time,
            max(self.memory, other.memory),
            self.disk + other.disk,
            max(self.bare, other.bare),
            self.at_most or other.at_most,
        )


def check(budget: Budget, study: Study, place: Path, crew: str = "") -> None:
    """Refuse what this machine cannot hold.

    `place`: folder of the answer; `crew`: what else takes less memory, in words.

    Raises
    ------
    CannotDoError
        Says with how many cells it would go.

    """
    free = machine.memory_free()
    if free is not None:
        have, cure = free + machine.memory_held(), f"close other programs{crew}"
        _refuse("memory", budget.memory, have, budget.bare, study, cure)
    room = machine.disk_free(place)
    if room is not None:
        cure = "make room there, or name another folder with --out"
        _refuse("disk", budget.disk, room, SPARE, study, cure)


def _refuse(what: str, need: float, have: float, fixed: float, study: Study, cure: str) -> None:
    """Refuse where less is to be had than is needed, of which a `fixed` part [bytes] hangs on no cells."""
    if need <= have:
        return
    finest = max(plate.cells for plate in study.plates.values())
    fits = int(finest * sqrt(max(have - fixed, 0.0) / max(need - fixed, 1.0))) // 8 * 8
    cells = (
        f"write cells = {fits} for the plates (the finest has {finest}), or " if fits >= 16 else ""
    )
    raise CannotDoError(
        f"this takes {Units.room(need)} of {what}, and {Units.room(have)} can be had: {cells}{cure}",
        code=what,
    )


@dataclass
class Rehearsal:
    """A study lapped on few cells for a moment: the `share` of it, and what that took.

    `plates` on few cells; `moments`, `blocks`; `solved`: poses by step (from 1); `took` [s].  `ended` [s of
    lapping], where it came to its end, as a gauge may have it.
    """

    plates: Mapping[str, Plate]
    share: float = 0.0
    ended: float | None = None
    moments: int = 0
    blocks: int = 0
    solved: dict[int, int] = field(default_factory=dict)
    took: float = 0.0


def budget_of(
    study: Study,
    settings: Settings = Settings(),  # noqa: B008 (frozen)
    page: bool = True,
    done: float = 0.0,
) -> Budget:
    """Foretell a run of a study, of which `done` [s] are lapped.

    Where a gauge may end it, a run that takes long is rehearsed for longer, so that its end may be seen.
    """
    rehearsal = rehearsed(study, settings)
    lapping = lapping_time(study, rehearsal)
    if gauged(study) and rehearsal.ended is None and lapping > WORTH:
        rehearsal = rehearsed(study, settings, min(LOOKED * lapping, LONGEST))
        lapping = lapping_time(study, rehearsal)
    total = study.lasts if rehearsal.ended is None else rehearsal.ended
    whole = 1.0 / max(rehearsal.share, 1e-6)
    frames = min(FRAMES_MOST, ceil(1 + (rehearsal.moments - 1) * whole))
    file = file_size(study, frames)
    grooved = any(plate.grooves is not None for plate in study.plates.values())
    after = 3.0 * file / WRITTEN + (ADVICE + PAGE if page else ADVICE) + GROOVED * grooved
    away = size_aside([plate.land.shape for plate in study.plates.values()], frames)
    return Budget(
        max(1.0 - done / total, 0.0) * lapping + after,
        memory_of(study, file - away, page),
        COPIES * file + away + (SPARE if page else 0.0),
        BARE + DRAWN * page,
        gauged(study) and rehearsal.ended is None,
    )


def budget_of_many(
    kinds: Sequence[tuple[Sequence[Study], int]], workers: int, files: int, frames: int
) -> Budget:
    """Foretell many, by `workers` side by side: of each kind some studies, and how many like them.

    `files` of them are kept, each with so many `frames`.  What is drawn is a kind of its own: a hand that
    scatters takes many times as many poses.
    """
    each, open_ended = 0.0, False
    for alike, number in kinds:
        some = alike[:: max(1, len(alike) // LIKE)][:LIKE]
        ahead = [(study, rehearsed(study, Settings())) for study in some]
        took = [lapping_time(*one) for one in ahead]
        each += sum(took) / len(took) * number
        open_ended |= any(gauged(study) and found.ended is None for study, found in ahead)
    studies = [study for alike, _ in kinds for study in alike]
    grooved = any(plate.grooves is not None for plate in studies[0].plates.values())
    lapping = each / workers * (GROOVED_POSES if grooved else 1.0)
    size = max(file_size(study, frames) for study in studies)
    maps = max(memory_of(study, size, page=False) for study in studies) - BARE
    bare = SHARED + (1 + workers) * OWN  # this process has the maps of one, too, to foretell it
    opened = OPENED + GROOVED_OPENED * grooved
    return Budget(
        STARTED + lapping + SHOWN + GROOVED_SHOWN * grooved,
        max(bare + (1 + workers) * maps, opened + BESIDE * files * size),
        files * size + (SHEET if files else FOUND),
        max(bare, opened),
        open_ended,
    )


def gauged(study: Study) -> bool:
    """Whether a gauge may end a step of it."""
    return any(step.until is not None for step in study.steps)


def rehearsed(study: Study, settings: Settings, limit: float | None = None) -> Rehearsal:
    """Lap a study for a moment, on few cells; on more where so few do not stand what the study's own do."""
    cells = FEW_CELLS
    while True:
        plates = {name: _few(plate, cells) for name, plate in study.plates.items()}
        found = Rehearsal(plates)
        try:
            _rehearse(replace(study, plates=plates), settings, found, limit)
        except LapwrightError:
            found.share = 1.0  # nothing comes after it
        if found.blocks or all(plates[name].cells == p.cells for name, p in study.plates.items()):
            return found
        cells *= 2


def _rehearse(
    study: Study, settings: Settings, found: Rehearsal, limit: float | None = None
) -> None:
    total, begun = study.lasts, clock()
    averages = study.batch is not None and study.batch.averages(study.steps) and settings.usual
    if study.batch is not None and study.batch.dress is not None and study.batch.dress.when:
        averages = False  # readings may ask so often that every load is lapped
    for moment in study.states(settings=settings):
        found.took = clock() - begun
        if moment.event == "end":
            found.share, found.ended = 1.0, moment.clock.time
            return
        found.moments += 1
        found.share = moment.clock.time / total
        if averages and study.batch is not None:
            # Some loads stand for others: of those that are lapped it is a larger share.
            batch = study.batch
            own = found.share - moment.clock.skipped / batch.loads
            found.share = min(own * batch.loads / batch.about_lapped, 1.0)
        if moment.event == "block":
            found.blocks += 1
            if found.blocks == 1:
                begun, found.took = clock(), 0.0  # kernels are read, or even compiled, in the first
            step = moment.clock.step
            found.solved[step] = found.solved.get(step, 0) + moment.solved
        if found.took > (REHEARSED if limit is None else limit) and found.blocks > 1:
            return


def _few(plate: Plate, cells: int) -> Plate:
    """The plate on few cells, however long."""
    long, short = max(plate.outline.size), min(plate.outline.size)
    return replace(plate, cells=min(plate.cells, max(cells, ceil(FEWEST_ROWS * long / short))))


def lapping_time(study: Study, rehearsal: Rehearsal) -> float:
    """How long the lapping takes [s]: what each block costs beside its poses, and the poses."""
    whole = 1.0 / max(rehearsal.share, 1e-6)
    most = sorted(rehearsal.solved, key=lambda n: -rehearsal.solved[n])[:KINDS]
    poses = own = 0.0
    begin = 0.0
    for number in most:
        step = study.steps[number - 1]
        each, first = _pose_time(study.plates, step, (study.seed, 1, number))
        part = rehearsal.solved[number]
        poses += part * each
        own += part * _pose_time(rehearsal.plates, step, (study.seed, 1, number))[0]
        begin += first
    timed = sum(rehearsal.solved[number] for number in most)
    scale = sum(rehearsal.solved.values()) / timed if timed else 1.0
    took = rehearsal.took * rehearsal.blocks / max(rehearsal.blocks - 1, 1)
    blocks = max(took - scale * own, 0.2 * took)
    read = rehearsal.moments * _reading_time(study)
    return whole * (scale * poses + blocks + read) + begin


def _pose_time(plates: Mapping[str, Plate], step: Step, key: Sequence[int]) -> tuple[float, float]:
    """How long a pose of a step takes [s], and what is worked out once."""
    bottom, top = plates[step.bottom], plates[step.top]
    load = top.weight + step.load.force
    pair = Pair(bottom, top, step.grit.layer.stiffness, load)
    strokes = min(step.total_strokes, 64)
    sample = block_sample(
        Motion(step, tuple(key)), load, 0, strokes, TRIED, (0.5, 0.5), 0, pair.round_faces
    )
    z = bottom.heights(), top.heights()
    try:
        begun = clock()
        pair.average(*z, sample)
        first = clock()
        pair.average(*z, sample)
        each = clock() - first
    except LapwrightError:
        return 0.0, 0.0
    ready = min(
        max(first - begun - each, 0.0), READY * bottom.land.size
    )  # kernels may be compiled there
    return each / sample.share.size, ready


def _reading_time(study: Study) -> float:
    """How long the forms of two plates take [s]."""
    plate = max(study.plates.values(), key=lambda plate: plate.land.size)
    z = plate.heights()
    measure(plate, z, study.margin)
    begun = clock()
    measure(plate, z, study.margin)
    return 4.0 * (clock() - begun)  # with and without the margin


def file_size(study: Study, frames: int) -> float:
    """Of a run file [bytes]."""
    cells = [plate.grid.nx * plate.grid.ny for plate in study.plates.values()]
    return NUMBER * (sum(cells) * (frames + KEPT) + 2 * max(cells)) + 1e5


def memory_of(study: Study, kept: float, page: bool = True) -> float:
    """The most memory that a run takes at a time [bytes], `kept` of it for what goes into its file."""
    cells = [plate.grid.nx * plate.grid.ny for plate in study.plates.values()]
    maps = NUMBER * (HELD * sum(cells) + WORKED_ON * max(cells))
    grooved = any(plate.grooves is not None for plate in study.plates.values())
    drawn = DRAWN + max(BROKEN_UP * grooved - maps, 0.0) if page else 0.0
    return BARE + drawn + kept + maps
