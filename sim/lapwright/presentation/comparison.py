"""The page of a comparison: one file; the best first, then every way side by side on one scale."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.limits import why_band
from lapwright.optimisation.cases import axis_number, name_of, said, step_of
from lapwright.optimisation.comparison import Comparison
from lapwright.optimisation.jobs import Store
from lapwright.presentation import comparison_notes as notes
from lapwright.presentation import comparison_text as told
from lapwright.presentation import pictures, words
from lapwright.presentation.pictures.small_multiples import Panel, cuts, end_faces, histories
from lapwright.presentation.pictures.swept import Curve, Graph, curves, field
from lapwright.presentation.render import filled
from lapwright.presentation.run_view import run_view
from lapwright.study.model import Axis
from lapwright.units import joined

__all__ = ["comparison_page"]


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
    panels = _panels(got, store, _chosen(got))
    by_rank = sorted(panels, key=lambda panel: panel.rank)
    table, left = told.listed_rows(told.rows(got), ROWS)
    with pictures.sheet():
        along, half = _along(got)
        return filled(
            "compare.html",
            got=got,
            study=got.study,
            program=__version__,
            headline=told.headline(got),
            ranked_by=told.ranked_by(got),
            margin=told.margin(got),
            table=table,
            left=left,
            known=why_band(notes.spread(got)),
            marked=told.marked(table),
            MARKED=told.MARKED,
            along=along,
            half=half,
            field=_field(got),
            faces=end_faces(panels, columns=_columns(got, panels)) if panels else None,
            faces_in_words=_faces_in_words(got, panels),
            undrawn=len(got.done) - len(panels),
            cuts=cuts(by_rank) if panels else None,
            histories=histories(by_rank) if panels else None,
            **_makes(got),
            reasons=REASONS,
            how_sure=notes.how_sure(got),
        )


def _chosen(got: Comparison) -> tuple[int, ...]:
    """Members to show side by side: in order of rank, or of a sweep, evenly chosen if there are too many."""
    alive = got.done
    if got.study.swept is not None and not got.study.variants:
        alive = tuple(sorted(alive))
        if len(alive) > PANELS:
            picks = np.unique(np.linspace(0, len(alive) - 1, PANELS).round().astype(int))
            return tuple(alive[k] for k in picks)
    return alive[:PANELS]


def _panels(got: Comparison, store: Store, chosen: Sequence[int]) -> list[Panel]:
    ranks = {i: rank for rank, i in enumerate(got.order, 1)}
    found = []
    for i in chosen:
        run = store.run(got.members[i])
        if run is not None:
            title = f"{ranks[i]}. {got.members[i].name}"
            found.append(Panel(title, run_view(run), got.nominal[i], got.draws[i], ranks[i]))
    return found


def _columns(got: Comparison, panels: Sequence[Panel]) -> int | None:
    """In how many columns faces stand: a whole sweep of two keys has a row for each value of the first."""
    sweep = got.study.swept
    if sweep is None or len(sweep.axes) != 2 or got.study.variants:
        return None
    wide = len(sweep.axes[1].values)
    whole = len(panels) == len(got.members) and wide * len(panels[0].account.faces) <= 10
    return wide if whole else None


def _faces_in_words(got: Comparison, panels: Sequence[Panel]) -> str:
    return "; ".join(
        f"{p.title}: "
        + ", ".join(
            f"{f.name} {words.face(f.after, None, got.study.units)}" for f in p.account.faces
        )
        for p in panels
    )


def _makes(got: Comparison) -> dict[str, Any]:
    """What each way leaves alone, makes, and leaves on both for ever; what is alike is told once."""
    said: dict[tuple[tuple[str, ...], ...], list[str]] = {}
    for i in got.done[:REASONS]:
        made = tuple((m.leaves, m.makes, m.mark) for m in notes.makes(got, i))
        said.setdefault(made, []).append(got.members[i].name)
    alike = [
        len(said) > 1 and len({tuple(step[c] for step in way) for way in said}) == 1
        for c in range(3)
    ]
    return {
        "shared": [(c, _by_step(next(iter(said)), c)) for c in range(3) if alike[c]],
        "columns": [c for c in range(3) if said and not alike[c]],
        "ways": [(joined(names), way) for way, names in said.items()],
    }


def _by_step(way: Sequence[Sequence[str]], column: int) -> str:
    if len(way) == 1:
        return way[0][column]
    return "; ".join(f"step {number}, {parts[column]}" for number, parts in enumerate(way, 1))


# --- sweeps ------------------------------------------------------------------------------------


def _along(got: Comparison) -> tuple[pictures.Figure | None, bool]:
    """What comes out along the one swept key, and whether half the difference of the domes is there."""
    sweep = got.study.swept
    if sweep is None or not got.done or len(sweep.axes) != 1:
        return None, False
    numbers = axis_number(sweep.axes[0])
    members = [i for i, member in enumerate(got.members) if member.place]
    if numbers is None or len(members) != len(numbers):
        return None, False
    half = _half(got, members)
    graphs = [_domes(got, members), _flatness(got, members), *([half] if half else [])]
    label = _unit_label(_axis_name(got, sweep.axes[0]), sweep.axes[0].values[0])
    return curves(np.array(numbers), label, graphs, got.study.units), half is not None


def _axis_name(got: Comparison, axis: Axis) -> str:
    assert got.study.swept is not None
    return name_of(axis.key, step_of(got.study, got.study.swept.step))


def _unit_label(name: str, value: object) -> str:
    text = said(value)
    unit = text.lstrip("+-0123456789.eE ").strip()
    return f"{name}, {unit}" if unit else name


def _form_of(got: Comparison, i: int, name: str, key: str) -> float:
    ended = got.nominal[i].plates.get(name) if got.nominal[i].done else None
    value = None if ended is None else ended.forms.get(key)
    return math.nan if value is None else value


def _bands(
    got: Comparison, members: Sequence[int], name: str, key: str
) -> tuple[Array, Array] | None:
    if not got.samples:
        return None
    ends = [got.band(i, (name, key)) or (math.nan, math.nan) for i in members]
    return np.array([e[0] for e in ends]), np.array([e[1] for e in ends])


def _domes(got: Comparison, members: Sequence[int]) -> Graph:
    lines = []
    for number, (name, plate) in enumerate(got.study.plates.items()):
        key = "bow" if plate.outline.long else "sphere"
        y = np.array([_form_of(got, i, name, key) for i in members])
        lines.append(Curve(name, y, number, _bands(got, members, name, key)))
    return Graph(tuple(lines), "dome", "dish")


def _flatness(got: Comparison, members: Sequence[int]) -> Graph:
    lines = []
    for number, name in enumerate(got.study.plates):
        y = np.array([_form_of(got, i, name, "flatness") for i in members])
        lines.append(Curve(name, y, number, _bands(got, members, name, "flatness")))
    return Graph(tuple(lines), "flatness", "")


def _half(got: Comparison, members: Sequence[int]) -> Graph | None:
    found = [got.half_difference(i) for i in members]
    if all(f is None or f[2] is None for f in found):
        return None

    def column(k: int) -> Array:
        return np.array(
            [math.nan if f is None or f[k] is None else f[k] for f in found], dtype=float
        )

    return Graph(
        (
            Curve("half the difference", column(0), 0, marks=True),
            Curve("by the moment law", column(2), 0),
            Curve("what both share (no law)", column(1), 2),
        ),
        "grown\ndome",
        "dish",
    )


def _field(got: Comparison) -> pictures.Figure | None:
    """Flatness of the worst plate over both swept keys."""
    sweep = got.study.swept
    if sweep is None or len(sweep.axes) != 2:
        return None
    down, across = sweep.axes
    values = np.full((len(down.values), len(across.values)), np.nan)
    best = None
    for i in reversed(got.order):
        place, summary = got.members[i].place, got.nominal[i]
        if len(place) == 2 and summary.done:
            values[place] = max(e.forms.get("flatness") or 0.0 for e in summary.plates.values())
            best = (place[0], place[1])
    if best is None:
        return None
    labels = tuple(_axis_name(got, axis) for axis in (across, down))
    return field(
        values,
        [said(v) for v in across.values],
        [said(v) for v in down.values],
        (labels[0], labels[1]),
        got.study.units,
        best,
    )
