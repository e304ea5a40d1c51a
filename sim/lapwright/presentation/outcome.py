"""What came out of a run: as JSON, in a few lines of words, and above the pictures of a page.

What stands above the pictures: where the faces came from, what to do next, what to take care of.
"""

from __future__ import annotations

from typing import Any

from lapwright.integration.state import WENT_THROUGH
from lapwright.presentation import words
from lapwright.presentation.advice import advise
from lapwright.presentation.beforehand import came_from
from lapwright.presentation.finding_words import care
from lapwright.presentation.run_view import RunView, good_to, run_view
from lapwright.presentation.tables import again_words
from lapwright.presentation.words import say
from lapwright.results.finding import as_json as finding_json
from lapwright.results.findings import noticed
from lapwright.results.record import FORM_KEYS, Fine, PlateRecord, Run
from lapwright.units import Units, joined


def as_json(run: Run) -> dict[str, Any]:
    """The answer of `run --json`: forms at the end and along the history, SI throughout."""
    study = run_view(run).study
    answer = {
        "study": run.study_stem,
        "outcome": run.outcome,
        "plates": {
            name: {
                **_forms(record, -1),
                "edge_margin": record.margin,
                "margin0": {key: record.forms_margin0[key][-1] for key in FORM_KEYS},
            }
            for name, record in run.plates.items()
        },
        "findings": [] if study is None else [finding_json(one) for one in noticed(run, study)],
        "history": [_entry(run, i) for i in range(len(run.time))],
    }
    if run.study.start is not None:
        begun = run.study.start
        answer["start"] = {key: getattr(begun, key) for key in ("run", "plates", "time", "digest")}
    return answer if run.fine is None else {**answer, "fine": _fine(run, run.fine)}


def _fine(run: Run, fine: Fine) -> dict[str, Any]:
    """What a second, finer lapping came to; of one that tipped no forms are known."""

    def moved(usual: float, finer: float) -> dict[str, float]:
        return {"value": finer, "moved": finer - usual}

    plates = {
        name: {
            **{key: moved(float(run.plates[name].forms[key][-1]), forms[key]) for key in FORM_KEYS},
            "removed": moved(float(run.plates[name].removed[-1]), fine.removed[name]),
        }
        for name, forms in fine.forms.items()
    }
    return {"outcome": fine.outcome, "time": fine.time, "plates": plates}


def _forms(record: PlateRecord, i: int) -> dict[str, Any]:
    forms = {key: float(record.forms[key][i]) for key in FORM_KEYS}
    return {**forms, "removed": float(record.removed[i]), "error": record.errors(i)}


def _entry(run: Run, i: int) -> dict[str, Any]:
    removed = [float(record.removed[i]) for record in run.plates.values()]
    return {
        "step": int(run.step[i]),
        "round": int(run.round[i]),
        "time": float(run.time[i]),
        "event": run.event[i],
        "removed": sum(removed) / len(removed),
        "top": run.top[i],
        "bottom": run.bottom[i],
        "plates": {name: _forms(record, i) for name, record in run.plates.items()},
    }


def in_words(run: Run) -> list[str]:
    """The same for a person: what came out, how much metal went, how sure it is."""
    view = run_view(run)
    units = view.units
    lines = [view.title, ""]
    if view.study.start is not None:
        lines.append(came_from(view.study.start))
    lines += [line for line in (came_out(view), good_to(view)) if line]
    off = ", ".join(f"{face.name} {units.both(face.lost)}" for face in view.faces)
    lines.append(say("came.metal", each=off))
    lines.append(say("came.rubbing", time=Units.rubbing(float(run.time[-1]), view.spread)))
    lines += [*_stopped(view), *again_words(view)]
    advice = advise(view)
    if advice is not None:
        lines.append(say("came.next", advice=advice.text))
    lines += [say("came.care", finding=line) for line in care(run, view.study)]
    margins = {name: units.length(record.margin) for name, record in run.plates.items()}
    if all(record.margin == 0.0 for record in run.plates.values()):
        return [*lines, say("came.to_the_edge")]
    each = [say("came.margin_of", margin=size, plate=name) for name, size in margins.items()]
    same = set(margins.values())
    return [*lines, say("came.margin", margins=same.pop() if len(same) == 1 else joined(each))]


def came_out(view: RunView) -> str:
    """What came out, in a sentence or three."""
    return words.came_out(
        view.run.outcome,
        view.pair,
        view.bearing_share,
        {face.name: face.after for face in view.faces},
        view.finishes,
        view.units,
        view.nothing_done,
        view.bores,
    )


def _stopped(view: RunView) -> list[str]:
    """At which stroke each watched step was stopped by its gauge, or that it was not."""
    if view.run.outcome not in WENT_THROUGH or view.study.rounds > 1:
        return []
    lines = []
    for number, step in enumerate(view.steps, 1):
        if step.until is not None:
            strokes = round(view.rubbed(number) * step.pace)
            how = "stopped" if strokes < step.total_strokes else "ran_on"
            lines.append(say(f"came.gauge.{how}", step=number, strokes=strokes))
    return lines


def asides(view: RunView) -> dict[str, list[str]]:
    """Where the faces came from, what to do next, and what to take care of."""
    advice, start = advise(view), view.study.start
    return {
        "start": [] if start is None else [came_from(start)],
        "next": [] if advice is None else [advice.text],
        "care": care(view.run, view.study),
    }
