"""What to read on a work card, when, and what to expect of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from lapwright.metrology.form import SPOKEN
from lapwright.presentation.batch_text import BatchReading, batch_readings
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.size_words import expected
from lapwright.presentation.standing import asked_of, passed
from lapwright.presentation.words import LEADING, MARK, in_bands, known, marked_face, say
from lapwright.results.record import grit_on
from lapwright.study.doubts import doubt_on
from lapwright.units import NOTHING

MOST_ROWS = 18  # with more, some rounds or steps are read less


@dataclass(frozen=True)
class Row:
    """One reading: when, of which plate, and what should show; `first`: before anything is lapped."""

    when: str
    plate: str
    expect: str
    first: bool = False


def ends(view: RunView, number: int) -> list[int]:
    """Places in the history where a step was over, round by round."""
    over = zip(view.run.event, view.run.step, strict=True)
    return [k for k, (event, step) in enumerate(over) if event == "step" and step == number]


def rows_of(view: RunView) -> list[Row]:
    """Readings before the first step, and after each step or round that the run came through."""
    if view.run.batch is not None and len(view.run.batch.number):
        return [
            Row(one.when, one.what, _told_of(view, one), one.first)
            for one in batch_readings(view, MOST_ROWS)
        ]
    rows = [Row("start", f.name, _expect(view, f, 0, None), True) for f in view.faces]
    rows += [Row("start", f.name, text, True) for f in view.faces for text in expected(view, f, 0)]
    readings = _readings(view)
    while len(readings) > 2 and len(rows) + sum(len(names) for _, _, names in readings) > MOST_ROWS:
        # Every second one is left out, counted from the end, which stays.
        readings = readings[::-2][::-1]
    for when, k, names in readings:
        for face in view.faces:
            if face.name in names:
                grit = grit_on(view.run, face.name, k)
                doubt = 0.0 if grit is None else doubt_on(view.study, face.name, grit)
                rows.append(Row(when, face.name, _expect(view, face, k, doubt)))
                rows += [Row(when, face.name, text) for text in expected(view, face, k)]
    return rows


def _readings(view: RunView) -> list[tuple[str, int, list[str]]]:
    """When to read: what it is called, the place in the history, which plates."""
    steps, every = view.steps, [f.name for f in view.faces]
    if view.study.rounds > 1:
        return [(f"round {view.run.round[k]}", k, every) for k in ends(view, len(steps))]
    seen = [
        (f"step {n}", k, [step.top, step.bottom])
        for n, step in enumerate(steps, 1)
        for k in ends(view, n)
    ]
    over = passed(view)
    if over is not None:
        seen = [*seen[:-1], (seen[-1][0], over.at, seen[-1][2])]
    if len(steps) == 1 and seen:  # half of the metal too
        removed = np.mean([f.record.removed for f in view.faces], axis=0)[: seen[0][1] + 1]
        seen.insert(
            0, ("half way", 1 + int(np.abs(removed[1:] - 0.5 * removed[-1]).argmin()), every)
        )
    return seen


def _expect(view: RunView, face: Face, at: int, doubt: float | None) -> str:
    """What the face should be like at a place in the history, as it is read, on its feet."""
    units = view.units
    forms = {key: (float(v[at]) if len(v) else None) for key, v in face.record.forms.items()}
    if all(value is None or not math.isfinite(value) for value in forms.values()):
        return "not known"
    if at in (0, len(face.record.removed) - 1):
        forms = {**(face.after if at else face.before), **forms}
    forms |= _hangs(view, face, at)
    told = marked_face(forms, doubt, MARK, units, bore=view.bores.get(face.name))
    flat = forms.get("flatness")
    asked = {one.plate for one in asked_of(view) if one.form == "flatness"}
    if face.name in asked and not face.bore and flat is not None and math.isfinite(flat):
        finer = units.finer(flat, doubt)
        told += "; " + say("batch.card.flat", units, flat=flat, mark=f" {MARK}" if finer else "")
    if face.bore and flat is not None and flat >= NOTHING:
        # Of the face as it came by the limit that the table of forms marks it by: the last grit's.
        told += f"; {in_bands(flat, units, face.doubt if doubt is None else doubt, f' {MARK}')}"
    return told


def _told_of(view: RunView, one: BatchReading) -> str:
    """What a part of a batch, or what laps it, should be like at a reading.

    Beside its dome nothing that is too small for a gauge: there are many, and the card is one sheet.
    """
    small = {k for k, v in known(one.forms, SPOKEN) if view.units.finer(v, one.doubt)}
    forms = {k: v for k, v in one.forms.items() if k in LEADING or k not in small}
    told = marked_face(forms, one.doubt, MARK, view.units, brief=True)
    flat = one.forms.get("flatness")
    if one.part and flat is not None:
        mark = f" {MARK}" if view.units.finer(flat, one.doubt) else ""
        told += "; " + say("batch.card.flat", view.units, flat=flat, mark=mark)
    parts = [told, *([say("size.thick", view.units, thick=one.thick)] if one.thick else []), one.do]
    return ("at worst " if one.worst else "") + "; ".join(filter(None, parts))


def _hangs(view: RunView, face: Face, at: int) -> dict[str, float | None]:
    """Forms of a plate that stands on feet, as it is read there; its flatness at both ends only."""
    end = at != 0
    lies = view.run.as_read(face.name, -end)
    if lies is None:
        return {}
    if at in (0, len(face.record.removed) - 1):
        return dict(lies)
    free = {k: v for k, v in face.record.forms.items() if len(v) and lies.get(k) is not None}
    more = {key: float(values[at] + lies[key] - values[-1]) for key, values in free.items()}
    return {**more, **dict.fromkeys(("flatness", "flatness_ls", "rms"))}
