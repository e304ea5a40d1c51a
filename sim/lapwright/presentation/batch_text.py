"""What is said of a batch: which parts came out, what became of the plate, and when it is to be dressed."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import numpy as np

from lapwright.files import put_in_place
from lapwright.presentation import words
from lapwright.presentation.run_view import RunView
from lapwright.presentation.words import say
from lapwright.results.batch import BatchRecord, csv_text, out_of_goal
from lapwright.results.record import FORM_KEYS, Run
from lapwright.units import Units, sentence

PARTS_FILE = "parts.csv"
MOST_NUMBERS = 6  # of parts, told one by one


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
    """What came out of a batch, in at most eight lines; nothing where there is none."""
    record, batch = view.run.batch, view.study.batch
    if record is None or batch is None:
        return []
    if not len(record.number):
        return [say("batch.none", part=record.name)]
    given = {"count": str(len(record.number)), "part": record.name, "plate": record.on}
    ways = "together" if batch.together > 1 else "singly"
    loads = str(int(record.load[-1]))
    lines = [say(f"batch.{ways}", **given, together=str(batch.together), loads=loads)]
    lines += [_flat(view, record), *_goal(view, record), _plate(view, record)]
    lines += [*_dressed(view, record), *_advice(view, record)]
    return [sentence(line) for line in lines if line]


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


def _goal(view: RunView, record: BatchRecord) -> list[str]:
    out = out_of_goal(record, view.study)
    if out is None:
        return [say("batch.no_goal")]
    if not out.any():
        return [say("batch.all_in")]
    some = [str(int(n)) for n in record.number[out]]
    which = ", ".join(some[:MOST_NUMBERS]) + (" and so on" if len(some) > MOST_NUMBERS else "")
    return [say("batch.out", out=str(len(some)), count=str(len(record.number)), which=which)]


def plate_reads(view: RunView, record: BatchRecord, at: int, before: bool = False) -> str:
    """The plate's shape in words after the part at a place of the table, or as it came."""
    forms = {key: float(record.plate[key][at]) for key in FORM_KEYS}
    if before:
        forms = {key: float(view.run.plates[record.on].forms[key][0]) for key in FORM_KEYS}
    key = "sphere" if np.isfinite(forms["sphere"]) else "bow"
    return words.part_words(key, forms[key], view.units)


def _plate(view: RunView, record: BatchRecord) -> str:
    metal = float(record.plate_removed[-1]) + sum(
        float(off) for after, off in zip(record.dressings.after, record.dressings.removed, strict=True)
        if after >= record.number[-1]
    )  # fmt: skip
    return say(
        "batch.plate",
        view.units,
        plate=record.on,
        now=plate_reads(view, record, -1),
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
    which = ", ".join(after[:MOST_NUMBERS]) + (" and so on" if len(after) > MOST_NUMBERS else "")
    key = "sphere" if np.isfinite(done.dressed["sphere"][-1]) else "bow"
    return [
        say(
            "batch.dressed",
            view.units,
            plate=record.on,
            times=str(len(after)),
            several=len(after) > 1,
            which=which,
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
            sizes = [f"{view.units.size(most)} {name}" for name, most in dress.when.items()]
            reads = " or ".join(sizes)
            lines.append(("Dress", say("batch.card.when", plate=record.on, reads=reads, step=step)))
    else:
        lines += [("Dress", line) for line in _advice(view, record)]
    return lines


def write_parts(run: Run, folder: Path) -> None:
    """The table of parts beside the run file, for other programs; nothing where there is no batch.

    Raises
    ------
    CannotDoError
        It cannot be written.

    """
    if run.batch is not None:
        put_in_place(folder / PARTS_FILE, memoryview(csv_text(run.batch).encode("utf-8")))
