"""The book of a batch: parts come and go, the plate stays, for every member of what is believed.

An entry may be several parts.  Every member laps them load by load: each load comes new, as the study says
with its doubt and scatter, and the plate goes on.  Of many loads some stand for others (as in a run, by one
forward step).  The face of the part that is believed is that of the last part that came off.  No model is
right: what the whole entry changed may be off as after a spell.

How many more parts until the plate is due for dressing, and until parts come out of the goal.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError
from lapwright.modal.basis import form_names
from lapwright.optimisation.bench import TYPED, Bench, Target, flatness
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.lain import Lain, alike
from lapwright.optimisation.shop import Knowledge, Layout
from lapwright.optimisation.spell import MEMBERS, discrepancy, lap_shops, new_day, off_by
from lapwright.specification.batch import Batch
from lapwright.specification.step import Step
from lapwright.study.model import Study
from lapwright.study.source import document_of

Array = NDArray[np.float64]
Range = tuple[float, float, float]
Due = tuple[
    float, float | None, float | None
]  # 10, 50 and 90 in 100; None: later than was looked at

LAPS = 3  # of an entry: a load each, which stands for others
PART_MEMBERS = MEMBERS // 2  # that parts are lapped for
# Parts under one weight lie the same way to their track all the time, of which the shapes of the plate tell
# too little: in the one case looked at a saddle was 2.6 times too large, so more of their change is in doubt.
SEES_TRACK = 15.0  # times the variance, beside it
MOST_BODIES = 6  # of a load, each with a face of its own
AHEAD, LOOKS = 60, 6  # loads that are looked ahead, and how often they are looked at
SHOPS = 48
ONE_IN_TEN, LIKELY = 0.1, 0.5
HELPS = 0.2  # of the chance that a part is out, that dressing must take off
STREAM = 0x62617463  # sets these random numbers apart from others with the same seed


def apart(study: Study) -> tuple[Study, Batch | None]:
    """The study as its book keeps it, parts by their one name where their first station is, and the batch.

    Raises
    ------
    CommandError
        The book does not follow such a batch.

    """
    batch = study.batch
    if batch is None:
        return study, None
    lapped = [n for n, step in enumerate(study.steps) if batch.laps(step)]
    step = study.steps[lapped[0]]
    groups = alike(batch, step)
    why = ""
    if len(lapped) > 1:
        why = "of parts that are lapped in more than one step"
    elif batch.joined and batch.together > MOST_BODIES:
        why = f"of more than {MOST_BODIES} parts under one weight"
    elif len(groups) > MOST_BODIES:
        why = f"of more than {MOST_BODIES} parts together of which each fares otherwise"
    if why:
        how = (
            "read the plate now and then, begin from it (lapwright gauge STUDY --reading ... --start NEW) "
            "and run NEW; or leave out [batch] to log what is read of plate and part"
        )
        raise CommandError(f"no book is kept {why}: {how}", key="batch", code="batch")
    document = document_of(study.text)
    own = {k: v for k, v in document.items() if k not in ("batch", "tune", "variants", "sweep")}
    steps = [dict(one) for one in document["steps"]]
    one = steps[lapped[0]]
    if not batch.carried:
        x, y = batch.station(step, 0).centre
        curve = dict(one.get("stroke", {}))
        one["stroke"] = curve | {"centre": [f"{1e3 * x:.9g} mm", f"{1e3 * y:.9g} mm"]}
    one.pop("until", None)
    if "time" not in one and "strokes" not in one:
        raise CommandError(
            "no book is kept of parts that are lapped until a gauge says stop: write their time or strokes",
            key="batch", code="batch",
        )  # fmt: skip
    own["steps"] = steps
    if len(groups) > 1:
        kind = "parts" if batch.part in document.get("parts", {}) else "plates"
        others = {batch.names[own_[0]]: {"like": batch.part} for own_ in groups[1:]}
        own[kind] = {**document[kind], **others}
    return Study.from_dict(own, stem=study.stem, folder=study.folder), batch


@dataclass(frozen=True)
class PartsPlan:
    """What comes next in a batch.

    `why`: "lap" so many `parts` and read the plate, "read" the plate first, "dress" it now, parts are "out"
    of the goal and no step dresses, or the batch is "done".  `lapped`, `left`: parts.  `due`, `out`: parts
    from now until the plate is due for dressing, and the first one of the load of which more than one in ten
    is out of the goal (None: not within `ahead` parts). `then`: forms [m] of the plate after these parts, or
    once it is dressed.  `step`: that of the parts, or that dresses.
    """

    why: str
    step: Step
    parts: int
    lapped: int
    left: int
    ahead: int
    due: Due | None
    out: int | None
    then: dict[str, Range]
    chance: float = 0.0


def _stretches(loads: int, laps: int = LAPS) -> list[int]:
    """For how many loads each lap stands, the first for itself alone."""
    laps = min(loads, laps)
    marks = np.unique(np.round(np.linspace(1, loads, laps)).astype(int))
    return [1, *np.diff(marks).tolist()] if loads > 1 else [1]


def lapped_parts(
    bench: Bench, batch: Batch, entry: Entry, known: Knowledge, key: Sequence[int], laps: int = LAPS
) -> Knowledge:
    """What is known after an entry of several parts, before anything is read.

    Parameters
    ----------
    bench : Bench
    batch : Batch
    entry : Entry
        With its step and how many parts it is.
    known : Knowledge
        Before it, on its day.
    key : sequence of int
        What the random numbers of its spells hang on.
    laps : int
        Loads that are lapped at most; they stand for the others.

    Returns
    -------
    Knowledge
        Of the plate, and of the last part that came off; metal off the plate is that of all of them.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        The step cannot have been done.

    """
    assert entry.done is not None
    layout = bench.layout
    lain = Lain(bench, batch, entry.done, key, entry.any_hand)
    rng = np.random.default_rng([bench.study.seed, STREAM, *key])
    known = known.members(rng, PART_MEMBERS)
    mean, cloud = known.mean.copy(), known.cloud.copy()
    start, gone = mean.copy(), np.zeros((len(mean), len(lain.onward)))
    off = [layout.removed(name) for name in lain.onward]
    eye = np.eye(layout.size)
    for stands in _stretches(ceil(entry.parts / batch.together), laps):
        mean[:, lain.off] = 0.0
        mean, also = lain.laid(mean, rng)
        for own in (layout.face(name) for name in lain.parts):
            cloud[:, own] = 0.0
            cloud[:, :, own] = 0.0
            start[:, own] = mean[:, own]
        ended = lain.lap(mean, known.hand, also)
        jump = lain.flow(mean, ended)
        gone += stands * ended[:, off]
        # What stays goes on by what one load did to it, once for each for which that stands.
        for name in lain.onward:
            own, times = layout.face(name), lain.times(name, mean, ended, stands)
            jump[:, own] = eye[own] + times[:, None, None] * (jump[:, own] - eye[own])
            ended[:, own] = mean[:, own] + times[:, None] * (ended[:, own] - mean[:, own])
        jump[:, off] = eye[off] + stands * (jump[:, off] - eye[off])
        cloud = jump @ cloud @ jump.transpose(0, 2, 1)
        mean = ended
    mean[:, off] = gone
    cloud = cloud + discrepancy(layout, lain.step, start, mean, lain.names)
    if batch.joined:
        cloud += SEES_TRACK * discrepancy(layout, lain.step, start, mean, lain.parts)
    return Knowledge(known.weight, mean, cloud, known.hand)


def lapped_so_far(entries: Sequence[Entry], batch: Batch) -> tuple[int, int]:
    """Parts lapped in all, and since the plate was dressed last."""
    total = since = 0
    for entry in entries:
        dresser = batch.dress is not None and entry.done is not None and not entry.parts
        since = 0 if dresser else since + entry.parts
        total += entry.parts
    return total, since


def plan_of(
    bench: Bench, batch: Batch, known: Knowledge, goal: Target, entries: Sequence[Entry]
) -> PartsPlan:
    """What comes next: parts, or dressing.

    Parameters
    ----------
    bench : Bench
    batch : Batch
    known : Knowledge
        Now.
    goal : Target
        What is asked, of which that of the parts counts.
    entries : sequence of Entry
        The log.

    Returns
    -------
    PartsPlan

    """
    layout, together = bench.layout, batch.together
    step = next(one for one in bench.study.steps if batch.laps(one))
    lapped, since = lapped_so_far(entries, batch)
    left = max(batch.count - lapped, 0)
    rng = bench.rng(len(entries), STREAM)
    shops, owner = new_day(known, layout).draw(SHOPS, rng)
    hand = known.hand[owner]
    loads = max(1, min(ceil(max(left, 1) / together), AHEAD))
    lain = Lain(bench, batch, step, (len(entries) + 1, STREAM), True)
    asked = replace(goal, asked=tuple(one for one in goal.asked if one.plate == batch.part))
    reads = [_reading(layout, batch, step.bottom, shops)]
    marks, states = [0], [shops]
    tried: list[tuple[int, float]] = []  # numbers of lapped loads, what share of each is out

    def load(before: Array, stands: int = 1) -> tuple[Array, float]:
        """Shops after one load, and how many of its parts are out; a carrier after so many."""
        before, also = lain.laid(before, rng)
        ended = lain.lap(before, hand, also)
        for name in lain.onward[1:]:
            own, times = layout.face(name), lain.times(name, before, ended, stands)
            ended[:, own] = before[:, own] + times[:, None] * (ended[:, own] - before[:, own])
        ended = off_by(layout, lain.step, before, ended, rng, lain.names)
        each = [_of_another(asked, name).reached(layout, ended) for name in lain.parts]
        return ended, 1.0 - float(np.mean(each)) if asked.asked else 0.0

    # The last load is lapped too: until there it is looked whether parts are out.
    for stands in [*_stretches(loads - 1, LOOKS), 1] if loads > 1 else [1]:
        before = states[-1]
        ended, share = load(before, stands)
        bottom = layout.face(step.bottom)
        ended[:, bottom] = before[:, bottom] + stands * (ended[:, bottom] - before[:, bottom])
        tried.append((marks[-1] // together + 1, share))
        marks.append(marks[-1] + stands * together)
        states.append(ended)
        reads.append(_reading(layout, batch, step.bottom, ended))
    due: Due | None = None
    if batch.dress is not None:
        due = _crossed(np.array(marks), np.stack(reads))
    if batch.dress is not None and batch.dress.every is not None:
        ahead = float(max(batch.dress.every - since, 0))
        due = (ahead, ahead, ahead)
    out = first_out(tried)
    return _chosen(
        bench, batch, step, marks, states, due, None if out is None else (out - 1) * together + 1,
        lapped, left, hand, len(entries), _read(entries, step.bottom), tried[0][1],
        lambda ended: load(ended)[1],
    )  # fmt: skip


def _of_another(asked: Target, part: str) -> Target:
    """What is asked of the usual part, of one that lies elsewhere."""
    return replace(asked, asked=tuple(replace(one, plate=part) for one in asked.asked))


def first_out(tried: Sequence[tuple[int, float]]) -> int | None:
    """The first load of whose parts more than one in ten are out, straight between loads that are lapped.

    Parameters
    ----------
    tried : sequence of (int, float)
        Number of each load that is lapped, from 1, and the share of its parts that is out; the first first.

    Returns
    -------
    int or None
        Its number; None where no such load comes.

    """
    for k, (number, share) in enumerate(tried):
        if share <= ONE_IN_TEN:
            continue
        if k == 0:
            return number
        before, then = tried[k - 1]
        crossed = before + (ONE_IN_TEN - then) / (share - then) * (number - before)
        return min(floor(crossed) + 1, number)
    return None


def _read(entries: Sequence[Entry], plate: str) -> bool:
    """Whether the plate was read since it was lapped last."""
    read = False
    for entry in entries:
        lapped = entry.done is not None and plate in (entry.done.top, entry.done.bottom)
        read = (read and not lapped) or any(one.plate == plate for one in entry.readings)
    return read


def _reading(layout: Layout, batch: Batch, plate: str, shops: Array) -> Array:
    """How near the plate reads what it is dressed at (m,): 1 there; 0 where that is not said."""
    near = np.zeros(len(shops))
    when = batch.dress.when if batch.dress is not None else {}
    spoken = form_names(layout.plates[plate])
    for form, most in when.items():
        if form == "flatness":
            size = flatness(layout, plate, shops)
        else:
            size = np.abs(shops @ layout.form_rows(plate)[spoken.index(TYPED.get(form, form))])
        near = np.maximum(near, size / most)
    return near


def _crossed(marks: Array, reads: Array) -> Due | None:
    """Parts until the plate reads what it is dressed at; None where one in ten shops never does."""
    over = reads >= 1.0
    found = np.full(reads.shape[1], np.inf)
    for k in np.flatnonzero(over.any(axis=0)):
        at = int(np.argmax(over[:, k]))
        if at == 0:
            found[k] = 0.0
            continue
        low, high = reads[at - 1, k], reads[at, k]
        found[k] = marks[at - 1] + (1.0 - low) / (high - low) * (marks[at] - marks[at - 1])
    low, middle, high = (float(x) for x in np.quantile(found, (0.1, 0.5, 0.9), method="lower"))
    if not np.isfinite(low):
        return None
    return low, middle if np.isfinite(middle) else None, high if np.isfinite(high) else None


def _chosen(
    bench: Bench, batch: Batch, step: Step, marks: Sequence[int], states: Sequence[Array],
    due: Due | None, out: int | None, lapped: int, left: int, hand: NDArray[np.intp], number: int,
    read: bool, chance: float, out_after: Callable[[Array], float],
) -> PartsPlan:  # fmt: skip
    layout, together = bench.layout, batch.together
    # What is left, as far as it was looked; else whole loads, none in which a part would be out.
    parts = ahead = min(left, int(marks[-1]))
    if due is not None and due[0] < left:
        parts = min(parts, int(due[0] // together) * together)
    if out is not None:
        parts = min(parts, (out - 1) // together * together)
    plan = PartsPlan("lap", step, parts, lapped, left, ahead, due, out, {}, chance)
    if left == 0:
        return replace(plan, why="done", then=_forms(layout, step.bottom, states[0]))
    if parts == 0 and not read:
        return replace(plan, why="read", then=_forms(layout, step.bottom, states[0]))
    if parts == 0 and batch.dress is not None:
        dresser = bench.study.steps[batch.dress.step - 1]
        spell = bench.spell(dresser, (number + 1, STREAM, 2), True)
        ended = lap_shops(spell, states[0], hand)
        at_once = due is not None and due[1] is not None and due[1] < together
        if at_once or out_after(ended) < chance - HELPS:
            return replace(plan, why="dress", step=dresser, then=_forms(layout, step.bottom, ended))
    if parts == 0 and (batch.dress is not None or chance < LIKELY):
        parts = min(together, left)  # one load, which teaches what is not known
        plan = replace(plan, parts=parts)
    wanted = max(parts, together)
    at = min(max(int(np.searchsorted(marks, wanted)), 1), len(marks) - 1)
    share = min((wanted - marks[at - 1]) / (marks[at] - marks[at - 1]), 1.0)
    shops = states[at - 1] + share * (states[at] - states[at - 1])
    return replace(plan, why="lap" if parts else "out", then=_forms(layout, step.bottom, shops))


def _forms(layout: Layout, plate: str, shops: Array) -> dict[str, Range]:
    """Forms of a plate and its flatness in shops, 95 in 100."""
    rows = dict(zip(form_names(layout.plates[plate]), layout.form_rows(plate), strict=True))
    values = {name: shops @ row for name, row in rows.items()}
    values["flatness"] = flatness(layout, plate, shops)
    out: dict[str, Range] = {}
    for name, each in values.items():
        middle, low, high = (float(x) for x in np.quantile(each, (0.5, 0.025, 0.975)))
        out[name] = (low, middle, high)
    return out
