"""What is said of a batch: which parts came out, what became of the plate, and when it is to be dressed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np

from lapwright.files import put_in_place
from lapwright.presentation import words
from lapwright.presentation.batch_before import SIDES
from lapwright.presentation.run_view import RunView
from lapwright.presentation.size_words import spoken_of
from lapwright.presentation.words import say
from lapwright.results.batch import BatchRecord, csv_text, out_of_goal
from lapwright.results.record import FORM_KEYS, Run
from lapwright.study.doubts import doubt_on
from lapwright.units import NOTHING, Units, sentence

PARTS_FILE = "parts.csv"
MOST_NUMBERS = 6  # of parts, told one by one
HARDLY = 0.1  # of the metal off the others: such a part hardly touched


class Spell(NamedTuple):
    """Parts lapped from one dressing (or the start) to the next: places in the table, first and last."""

    first: int
    last: int


def spells_of(record: BatchRecord) -> list[Spell]:
    """The spells between dressings, in order."""
    ends = [int(after) for after in record.dressings.after if after < len(record.number)]
    starts = [0, *ends]
    return [Spell(a, b - 1) for a, b in zip(starts, [*ends, len(record.number)], strict=True)]


def batch_words(view: RunView) -> list[str]:
    """What came out of a batch, in at most ten lines; nothing where there is none."""
    record, batch = view.run.batch, view.study.batch
    if record is None or batch is None:
        return []
    if not len(record.number):
        return [say("batch.none", part=record.name)]
    lines = [
        _laid(record, batch.together),
        say("batch.ran_out") if view.run.outcome == "limit" else "",
        _flat(view, record),
        _good_to(view, record),
        _averaged(view, record),
        _hung(view, record),
        *goal_words(view, record),
        _plate(view, record),
    ]
    lines += [*_dressed(view, record), *_advice(view, record)]
    return [sentence(line) for line in lines if line]


def batch_headline(view: RunView) -> str:
    """How many parts, how flat, and whether they are within the goal; "" where there is no batch."""
    record, batch = view.run.batch, view.study.batch
    if record is None or batch is None or not len(record.number):
        return " ".join(batch_words(view))
    lines = [_laid(record, batch.together), _flat(view, record), *goal_words(view, record)]
    return " ".join(sentence(line) for line in lines if line)


def _laid(record: BatchRecord, together: int) -> str:
    """How many parts were lapped on what, and how many at once."""
    loads = str(int(record.load[-1]))
    return say(
        "batch.together" if together > 1 else "batch.singly",
        count=str(len(record.number)),
        part=record.name,
        plate=record.on,
        together=str(together),
        loads=loads,
        several=loads != "1",
    )


def _flat(view: RunView, record: BatchRecord) -> str:
    flat = record.forms["flatness"]
    if not np.isfinite(flat).any():
        return ""
    worst = int(np.nanargmax(flat))
    return say(
        "batch.flat",
        view.units,
        first=float(flat[0]),
        last=float(flat[-1]),
        worst=float(flat[worst]),
        number=str(int(record.number[worst])),
    )


def _good_to(view: RunView, record: BatchRecord) -> str:
    """How far any form of any part may be off by what poses and steps leave open."""
    told = np.concatenate([values[np.isfinite(values)] for values in record.error.values()])
    return say("batch.good_to", view.units, error=float(told.max())) if told.size else ""


def _hung(view: RunView, record: BatchRecord) -> str:
    """Which parts under one weight did not touch, or hardly."""
    batch = view.study.batch
    if batch is None or not batch.joined:
        return ""
    thin = record.removed < HARDLY * float(np.median(record.removed))
    some = [str(int(n)) for n in record.number[thin]]
    return say("batch.hung", which=_which(some)) if some else ""


def _which(numbers: Sequence[str]) -> str:
    """Numbers of parts in words, the first few of many."""
    return ", ".join(numbers[:MOST_NUMBERS]) + (" and so on" if len(numbers) > MOST_NUMBERS else "")


def _averaged(view: RunView, record: BatchRecord) -> str:
    """How many stand between those that were lapped, and how sure their flatness is."""
    if not record.averaged:
        return ""
    told = record.flat_error[np.isfinite(record.flat_error)]
    return say(
        "batch.averaged",
        view.units,
        lapped=str(len(record.number) - record.averaged),
        others=str(record.averaged),
        flat=float(told.max()) if told.size else 0.0,
    )


def goal_words(view: RunView, record: BatchRecord, ahead: bool = False) -> list[str]:
    """Which parts of a batch are out of the goal; or that nothing is asked of them.

    `ahead`: of parts still to be lapped, which differ otherwise than those drawn: how many, not which.
    """
    out = out_of_goal(record, view.study)
    if out is None:
        return [say("batch.no_goal")]
    if not out.any():
        return [say("batch.all_in")]
    some = [str(int(n)) for n in record.number[out]]
    out_of, count = str(len(some)), str(len(record.number))
    if ahead:
        return [say("batch.out_ahead", out=out_of, count=count)]
    return [say("batch.out", out=out_of, count=count, which=_which(some))]


def plate_reads(view: RunView, record: BatchRecord, at: int, before: bool = False) -> str:
    """The plate's shape in words after the part at a place of the table, or as it came."""
    came = view.run.plates[record.on].forms
    forms = (
        {key: float(came[key][0]) for key in FORM_KEYS} if before else _profile(view, record, at)
    )
    ((key, value),) = words.known(forms, words.LEADING)[:1]
    shape = words.odd(forms, _doubt(view, record.on), view.units)
    return shape or words.part_words(key, value, view.units)


def _profile(view: RunView, record: BatchRecord, at: int) -> dict[str, float | None]:
    """The plate's forms after the part at a place of the table; with its profile, if that is known."""
    forms: dict[str, float | None] = {key: float(one[at]) for key, one in record.plate.items()}
    (face,) = (face for face in view.faces if face.name == record.on)
    last = face.after.get("sphere") or 0.0
    return {**face.after, **forms} if abs((forms.get("sphere") or 0.0) - last) < NOTHING else forms


def off_plate(record: BatchRecord) -> float:
    """Metal off the plate, by parts and dressings [m]."""
    after, removed = record.dressings.after, record.dressings.removed
    last = sum(float(off) for off in removed[after >= record.number[-1]])
    return float(record.plate_removed[-1]) + last


def metal_off(view: RunView) -> str:
    """Metal off the plate of a batch, and off each of its parts; "" where no part was lapped."""
    record = view.run.batch
    if record is None or not len(record.number):
        return ""
    part = float(np.mean(record.removed))
    return say("batch.metal", view.units, plate=record.on, metal=off_plate(record), part=part)


def _plate(view: RunView, record: BatchRecord) -> str:
    metal = off_plate(record)
    return say(
        "batch.plate",
        view.units,
        plate=record.on,
        now=plate_reads(view, record, -1),
        flat=flat if math.isfinite(flat := float(record.plate["flatness"][-1])) else 0.0,
        was=plate_reads(view, record, 0, before=True),
        metal=metal,
        grams=Units.number(grams) if (grams := view.grams(record.on, metal)) > 0.005 else "",
        part=float(np.mean(record.removed)),
    )


def _dressed(view: RunView, record: BatchRecord) -> list[str]:
    dress, done = view.study.batch.dress if view.study.batch else None, record.dressings
    if dress is None:
        return []
    if not len(done.after):
        return [say("batch.never", plate=record.on)]
    after = [str(int(n)) for n in done.after]
    key = "sphere" if np.isfinite(done.dressed["sphere"][-1]) else "bow"
    return [
        say(
            "batch.dressed",
            view.units,
            plate=record.on,
            times=str(len(after)),
            several=len(after) > 1,
            which=_which(after),
            off=float(np.mean(done.removed)),
            reads=words.part_words(key, float(done.dressed[key][-1]), view.units),
        )
    ]


def parts_before_dressing(view: RunView, record: BatchRecord) -> tuple[int, int] | None:
    """How many parts the plate does before one comes out of the goal, at worst, and which place that has.

    None where the goal asks nothing or no part is out of it.
    """
    out = out_of_goal(record, view.study)
    if out is None or not out.any():
        return None
    found = []
    for spell in spells_of(record):
        bad = np.flatnonzero(out[spell.first : spell.last + 1])
        if bad.size:
            found.append((int(bad[0]), spell.first + int(bad[0])))
    return min(found)


def _advice(view: RunView, record: BatchRecord) -> list[str]:
    """When the plate must be dressed, as far as this batch tells."""
    got = parts_before_dressing(view, record)
    if got is None:
        return []
    parts, at = got
    if parts == 0:
        return [say("batch.at_once", number=str(int(record.number[at])), new=at == 0)]
    reads = plate_reads(view, record, at - 1)
    return [say("batch.due", plate=record.on, parts=str(parts), reads=reads, several=parts > 1)]


def card_words(view: RunView) -> list[tuple[str, str]]:
    """What the card says of a batch: a lead and a line, each."""
    record, batch = view.run.batch, view.study.batch
    if record is None or batch is None:
        return []
    ways = (
        "singly" if batch.together == 1 else "one_weight" if batch.under != "own weights" else "own"
    )
    given = {"count": str(batch.count), "part": record.name, "plate": record.on}
    lines = [("Batch", say(f"batch.card.{ways}", **given, together=str(batch.together)))]
    dress = batch.dress
    if dress is not None:
        step = str(dress.step)
        if dress.every is not None:
            lines.append(
                (
                    "Dress",
                    say("batch.card.every", plate=record.on, parts=str(dress.every), step=step),
                )
            )
        else:
            sizes = [
                f"{view.units.size(most)} {SIDES.get(name, name)}"
                for name, most in dress.when.items()
            ]
            reads = " or ".join(sizes)
            lines.append(("Dress", say("batch.card.when", plate=record.on, reads=reads, step=step)))
    else:
        lines += [("Dress", line) for line in _advice(view, record)]
    return lines


class BatchReading(NamedTuple):
    """A reading of a batch: when, what, the plate `of` whose kind it is, what it should be like.

    `forms` [m] by name; `doubt` [m]: no gauge tells less; `thick` [m], 0: not told; `do`: what is
    done then; `part`: of a part; `worst`: no other of them is less flat; `first`: before it is lapped.
    """

    when: str
    what: str
    of: str
    forms: Mapping[str, float | None]
    doubt: float | None = None
    thick: float = 0.0
    do: str = ""
    part: bool = False
    worst: bool = False
    first: bool = False


def batch_readings(view: RunView, most: int) -> list[BatchReading]:
    """What to read of a batch in the order of the work: the plate, each part, the plate at its dressing.

    Where that is more than `most`: each part of the first load, the worst of the last, the first dressing.
    """
    record, batch = view.run.batch, view.study.batch
    assert record is not None
    assert batch is not None
    every = [_start(view, record), _as_they_come(view, record)]
    loads = sorted({int(load) for load in record.load})
    dressed = {int(after): k for k, after in reversed(list(enumerate(record.dressings.after)))}
    all_of_it = len(every) + len(record.number) + 2 * len(record.dressings.after) + 1
    begun = False
    for load in loads:
        at = np.flatnonzero(record.load == load)
        last = int(record.number[at[-1]])
        if all_of_it <= most or (load == 1 and len(at) <= most // 3):
            every += [_part(view, record, int(k)) for k in at]
        elif load in (1, loads[-1]):
            worst = (
                int(at[np.nanargmax(record.forms["flatness"][at])]) if len(at) > 1 else int(at[0])
            )
            one = _part(view, record, worst)
            which = say("batch.card.numbers", low=str(int(record.number[at[0]])), high=str(last))
            every.append(one._replace(what=which, worst=True) if len(at) > 1 else one)
        if last in dressed and (all_of_it <= most or not begun):
            every += _dressing(view, record, dressed[last])
            begun = True
    return [*every, _plate_after(view, record)]


def _start(view: RunView, record: BatchRecord) -> BatchReading:
    """The plate before the first load."""
    forms = {key: float(values[0]) for key, values in view.run.plates[record.on].forms.items()}
    return BatchReading("start", record.on, record.on, forms, first=True)


def _doubt(view: RunView, name: str, dresses: bool = False) -> float:
    """The least form [m] that a gauge tells of a face after a load, or after a dressing."""
    batch = view.study.batch
    assert batch is not None
    steps = [s for n, s in enumerate(view.study.steps, 1) if batch.dresses(n) == dresses]
    return doubt_on(view.study, name, steps[-1].grit.size)


def _as_they_come(view: RunView, record: BatchRecord) -> BatchReading:
    """The parts before they are lapped: the one that is least flat."""
    flat = record.came["flatness"]
    at = int(np.nanargmax(flat)) if np.isfinite(flat).any() else 0
    forms = {key: float(values[at]) for key, values in record.came.items()}
    each, alike = say("batch.card.each", part=record.name), len({*flat.tolist()}) < 2
    return BatchReading("start", each, record.name, forms, part=True, worst=not alike, first=True)


def _part(view: RunView, record: BatchRecord, at: int) -> BatchReading:
    forms = {key: float(values[at]) for key, values in record.forms.items()}
    load = say("batch.card.load", load=str(int(record.load[at])))
    number = say("batch.card.number", number=str(int(record.number[at])))
    usual, thick = view.study.plates[record.name].thickness, 0.0
    if usual is not None and record.name in spoken_of(view.study):
        thick = usual + float(record.thicker[at] - record.removed[at])
    return BatchReading(
        load, number, record.name, forms, _doubt(view, record.name), thick, part=True
    )


def _dressing(view: RunView, record: BatchRecord, k: int) -> list[BatchReading]:
    """The plate when it is due for a dressing, and after it."""
    done = record.dressings
    when = say("batch.card.after", number=str(int(done.after[k])))
    due, ready = (
        {key: float(values[k]) for key, values in forms.items()}
        for forms in (done.plate, done.dressed)
    )
    return [
        BatchReading(
            when, record.on, record.on, due, _doubt(view, record.on), do=say("batch.card.dress_it")
        ),
        BatchReading(
            say("batch.card.dressed"), record.on, record.on, ready, _doubt(view, record.on, True)
        ),
    ]


def _plate_after(view: RunView, record: BatchRecord) -> BatchReading:
    when = say("batch.card.after", number=str(int(record.number[-1])))
    forms = _profile(view, record, -1)
    return BatchReading(when, record.on, record.on, forms, _doubt(view, record.on))


def write_parts(run: Run, folder: Path) -> None:
    """The table of parts beside the run file, for other programs; nothing where there is no batch.

    Raises
    ------
    CannotDoError
        It cannot be written.

    """
    if run.batch is not None:
        put_in_place(folder / PARTS_FILE, memoryview(csv_text(run.batch).encode("utf-8")))
