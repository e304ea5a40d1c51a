"""The page of a comparison: one file; the best first, then every way side by side on one scale."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.errors import LapwrightError
from lapwright.limits import why_band
from lapwright.modal.cycle import cycle_of, swaps_round
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.step_analysis import StepAnalysis, reason_of
from lapwright.optimisation.cases import axis_number, name_of, said, step_of
from lapwright.optimisation.comparison import Comparison
from lapwright.optimisation.criterion import Criterion
from lapwright.optimisation.jobs import Store
from lapwright.presentation import comparison_text as told
from lapwright.presentation import pictures, reasons, words
from lapwright.presentation.filling import filled
from lapwright.presentation.pictures.small_multiples import (
    Curve,
    Graph,
    Panel,
    curves,
    cuts,
    end_faces,
    field,
    histories,
)
from lapwright.presentation.reasons import cycle_makes
from lapwright.presentation.run_view import run_view
from lapwright.presentation.staying import mark, stays_in_short
from lapwright.study.model import Axis, Study, guessed_layers
from lapwright.units import NOTHING, joined

Array = NDArray[np.float64]

PANELS = 24  # side by side; more can be told apart by nobody
ROWS = 200  # in the table
REASONS = 12  # ways whose strokes are told of


def comparison_page(got: Comparison, store: Store) -> str:
    """The page as text; runs are read from the folder of the comparison.

    Parameters
    ----------
    got : Comparison
        Cases, ranked.
    store : Store
        Their folder.

    Returns
    -------
    str
        HTML.

    """
    panels = _panels(got, store)
    by_rank = sorted(panels, key=lambda panel: panel.rank)
    table = told.rows(got)
    with pictures.sheet():
        along, half = _along(got)
        return filled(
            "compare.html",
            got=got,
            study=got.study,
            program=__version__,
            headline=told.headline(got),
            ranked_by=told.ranked_by(got),
            judged=told.judged(got),
            at="" if got.judged.metal is None else told.judged_at(got),
            margin=told.margin(got),
            left_out=told.left_out(got),
            ordinal=told.ordinal,
            table=table[:ROWS],
            faces_named=told.faces_of(got, got.study.plates),
            left=max(0, len(table) - ROWS),
            known=why_band(told.spread(got)),
            marked=told.marked(table[:ROWS]),
            MARKED=told.MARKED,
            along=along,
            half=half,
            field=_field(got),
            faces=end_faces(panels, columns=_columns(got, panels)) if panels else None,
            faces_in_words=_faces_in_words(got, panels),
            undrawn=len(got.done) - len(panels),
            **_along_the_work(got, by_rank),
            **_makes(got),
            reasons=REASONS,
            how_sure=told.how_sure(got),
        )


def _panels(got: Comparison, store: Store) -> list[Panel]:
    """Members to show side by side: in order of rank, or of a sweep, evenly chosen if there are too many."""
    chosen = got.done[:PANELS]
    if got.study.swept is not None and not got.study.variants:
        alive = sorted(got.done)
        number = min(len(alive), PANELS)
        picks = np.linspace(0, len(alive) - 1, number).round().astype(int)
        chosen = tuple(alive[k] for k in picks)
    ranks = {i: rank for rank, i in enumerate(got.order, 1)}
    runs = {i: run for i in chosen if (run := store.run(got.members[i])) is not None}
    return [
        Panel(
            f"{ranks[i]}. {got.members[i].name}",
            run_view(run),
            got.nominal[i],
            got.draws[i],
            ranks[i],
        )
        for i, run in runs.items()
    ]


def _along_the_work(got: Comparison, panels: Sequence[Panel]) -> dict[str, Any]:
    """How pairs got where they are; of a batch, how its parts came out one after another."""
    if got.study.batch is not None:
        views = [(panel.title, panel.view) for panel in panels]
        return {"parts_drawn": pictures.parts_of_ways(views), "cuts": None, "histories": None}
    return {
        "parts_drawn": None,
        "cuts": cuts(panels),
        "histories": histories(panels, got.judged.metal),
    }


def _columns(got: Comparison, panels: Sequence[Panel]) -> int | None:
    """In how many columns faces stand: a whole sweep of two keys has a row for each value of the first."""
    sweep = got.study.swept
    if sweep is None or len(sweep.axes) != 2 or got.study.variants:
        return None
    wide = len(sweep.axes[1].values)
    whole = len(panels) == len(got.members) and wide * len(panels[0].faces) <= 10
    return wide if whole else None


def _faces_in_words(got: Comparison, panels: Sequence[Panel]) -> str:
    units = got.study.units
    return "; ".join(
        f"{p.title}: {', '.join(f'{f.name} {words.face(f.after, None, units)}' for f in p.faces)}"
        for p in panels
    )


# --- what each stroke makes --------------------------------------------------------------------

DEGREE = (
    4  # of the shapes looked at: dome, saddle, twist and a little finer, at a twentieth of a second
)
Made = tuple[str, str, str]  # what a step leaves alone, makes, and leaves on both for ever


def _makes(got: Comparison) -> dict[str, Any]:
    """What each way leaves alone, makes, and leaves on both for ever; what is alike is told once."""
    ways: dict[tuple[Made, ...], list[str]] = {}
    for i in got.done[:REASONS] if got.study.batch is None else ():  # parts come and go
        ways.setdefault(_made(got, i), []).append(got.members[i].name)
    alike = [
        len(ways) > 1 and len({tuple(step[c] for step in way) for way in ways}) == 1
        for c in range(3)
    ]
    return {
        "shared": [(c, _by_step(next(iter(ways)), c)) for c in range(3) if alike[c]],
        "columns": [c for c in range(3) if ways and not alike[c]],
        "ways": [(joined(names), way) for way, names in ways.items()],
    }


def _by_step(way: Sequence[Made], column: int) -> str:
    if len(way) == 1:
        return way[0][column]
    return "; ".join(f"step {number}, {parts[column]}" for number, parts in enumerate(way, 1))


def _made(got: Comparison, i: int) -> tuple[Made, ...]:
    """What the strokes of a member do, step by step; where that cannot be told, what is known beforehand."""
    study = got.members[i].study
    if study is None:
        return ()
    model, found = ReducedModel(study.plates, study.steps, DEGREE, study.seed), list[Made]()
    for number in range(1, len(study.steps) + 1):
        try:
            reason = reason_of(model, number)
            made = _made_by(study, model, number, reason)
            guess = reason.step.grit.name in guessed_layers(study)
            left = mark(reason, study.units, study.margin, guess)
            found.append((stays_in_short(reason), made, left))
        except LapwrightError:
            found.append(_beforehand(got, i, number))
    return tuple(found)


def _made_by(study: Study, model: ReducedModel, number: int, reason: StepAnalysis) -> str:
    """What a step makes; where the plates change places, with each on top and over a whole round of it."""
    step, units, margin = study.steps[number - 1], study.units, study.margin
    made = reasons.made(reason, units, margin) or "nothing to speak of"
    if step.swap is None:
        return made
    made = f"while {step.top} is on top, {made}"
    if step.swap.read is not None:
        return (
            f"{made}. Who is on top goes by the readings: the one that reads more domed goes hollow"
        )
    spells = swaps_round(model, number)
    if not spells:
        return made
    cycle = cycle_of(model, spells)
    (whole,) = cycle_makes(cycle, cycle.spectrum(), units, margin)
    joins = " it makes" if whole.startswith("nothing") else ","
    return f"{made}. Over a whole round of swaps{joins} {whole}"


def _beforehand(got: Comparison, i: int, number: int) -> Made:
    """The same from closed forms alone."""
    study, units = got.members[i].study, got.study.units
    if study is None or len(got.ahead(i)) < number:
        return "", "", ""
    step, look = study.steps[number - 1], got.ahead(i)[number - 1]
    left = f"a dish of up to {units.size(look.squeeze)} in both (so far the grit layer gives)"
    if look.half_difference is None:
        return "", "", left
    if abs(look.half_difference) < NOTHING:
        return "", "neither plate more domed than the other", left
    size, pair = units.size(look.half_difference), (step.bottom, step.top)
    domed, hollow = pair if look.half_difference > 0.0 else reversed(pair)
    return (
        "",
        f"{domed} domed and {hollow} hollow, by {size} each, beside what both have alike",
        left,
    )


# --- sweeps ------------------------------------------------------------------------------------


def _along(got: Comparison) -> tuple[pictures.Figure | None, bool]:
    """What comes out along the one swept key, and whether half the difference of the domes is there."""
    sweep = got.study.swept
    if sweep is None or not got.done or len(sweep.axes) != 1:
        return None, False
    axis = sweep.axes[0]
    numbers = axis_number(axis)
    members = [i for i, member in enumerate(got.members) if member.place]
    if numbers is None or len(members) != len(numbers):
        return None, False
    half = _half(got, members)
    names = told.faces_of(got, got.study.plates)
    leads = {n: "bow" if got.study.plates[n].outline.long else "sphere" for n in names}
    domes, flat = (
        tuple(_curve(got, members, n, k, style) for style, (n, k) in enumerate(keys.items()))
        for keys in (leads, dict.fromkeys(leads, "flatness"))
    )
    if (batch := got.study.batch) is not None:
        worst = np.array([Criterion().figure(got.nominal[i]) for i in members])
        flat = (*flat, Curve(f"worst {batch.part}", worst, len(flat)))
    graphs = [Graph(domes, "dome", "dish"), Graph(flat, "flatness", "")]
    unit = said(axis.values[0]).lstrip("+-0123456789.eE ").strip()
    label = _axis_name(got, axis) + (f", {unit}" if unit else "")
    graphs += [half] if half else []
    return curves(np.array(numbers), label, graphs, got.study.units), half is not None


def _axis_name(got: Comparison, axis: Axis) -> str:
    assert got.study.swept is not None
    return name_of(axis.key, step_of(got.study, got.study.swept.step))


def _curve(got: Comparison, members: Sequence[int], name: str, key: str, style: int) -> Curve:
    """A form of a plate along some members, with the band of the draws."""
    band = None
    if got.samples:
        ends = np.array([got.band(i, (name, key)) or (np.nan, np.nan) for i in members])
        band = ends[:, 0], ends[:, 1]
    found = [
        got.nominal[i].plates[name].forms.get(key) if got.nominal[i].done else None for i in members
    ]
    return Curve(name, np.array(found, dtype=float), style, band)


def _half(got: Comparison, members: Sequence[int]) -> Graph | None:
    """Half the difference of the domes, beside the moment law, and what both share."""
    found = np.array([got.half_difference(i) or (None,) * 3 for i in members], dtype=float)
    if np.isnan(found[:, 2]).all():
        return None
    half = Curve("half the difference", found[:, 0], 0, marks=True)
    law = Curve("by the moment law", found[:, 2], 0)
    shared = Curve("what both share (no law)", found[:, 1], 2)
    return Graph((half, law, shared), "grown\ndome", "dish")


def _field(got: Comparison) -> pictures.Figure | None:
    """Flatness of the worst plate, or of the worst part of a batch, over both swept keys."""
    sweep = got.study.swept
    if sweep is None or len(sweep.axes) != 2:
        return None
    down, across = sweep.axes
    values, best = np.full((len(down.values), len(across.values)), np.nan), (-1, -1)
    for i in reversed(got.done):
        place, summary = got.members[i].place, got.nominal[i]
        if len(place) == 2:
            values[place] = Criterion().figure(summary)
            best = (place[0], place[1])
    if best == (-1, -1):
        return None
    typed = [[said(value) for value in axis.values] for axis in (across, down)]
    names = [_axis_name(got, axis) for axis in (across, down)]
    return field(values, typed, names, got.study.units, best)
