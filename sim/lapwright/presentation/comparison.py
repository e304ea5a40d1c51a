"""The page of a comparison: one file; the best first, then every way side by side on one scale."""

from __future__ import annotations

import math
from collections.abc import Sequence

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
from lapwright.presentation.run_view import run_view
from lapwright.presentation.tables import CAUTIONS, bullets, part, sheet
from lapwright.presentation.words import escaped, verbatim
from lapwright.study.model import Axis
from lapwright.units import joined

__all__ = ["comparison_page"]


Array = NDArray[np.float64]

PANELS = 24  # side by side; more can be told apart by nobody
ROWS = 200  # in the table
REASONS = 12  # ways whose strokes are told of


def comparison_page(got: Comparison, store: Store) -> str:
    """The page as text; runs are read from the folder of the comparison."""
    chosen = _chosen(got)
    panels = _panels(got, store, chosen)
    by_rank = sorted(panels, key=lambda panel: panel.rank)
    parts = []
    criterion = escaped(f"Best first, by {told.ranked_by(got)}. {told.margin(got)}")
    with pictures.sheet():
        for name, title, inside in (
            ("swept", "Along what was changed", _swept(got)),
            ("faces", "The faces at the end", _faces(got, panels, len(chosen))),
            (
                "cuts",
                "Lying on each other",
                _figure(cuts(by_rank) if panels else None, "cuts", "Cuts through the pairs"),
            ),
            (
                "histories",
                "How they got there",
                _figure(
                    histories(by_rank) if panels else None,
                    "histories",
                    "Domes against metal removed",
                ),
            ),
            ("makes", "What each stroke makes", _makes(got)),
            ("sure", "How sure it is", bullets(notes.how_sure(got))),
            ("cautions", "Cautions", bullets(CAUTIONS)),
            ("study", "The study", verbatim(got.study.text)),
        ):
            parts.append(part(name, title, inside))
    return sheet(
        "compare",
        title=f"{got.study.title}: lapwright comparison",
        study=got.study.title,
        facts=_facts(got),
        about="Which is best",
        headline=told.headline(got),
        first=f'<p class="criterion">{criterion}</p>\n<div class="ranked">{_table(got)}</div>',
        parts=parts,
        foot=f"lapwright {__version__}; study {got.study.stem}, seed {got.study.seed}",
    )


def _facts(got: Comparison) -> str:
    drawn = f", each drawn {got.samples} times" if got.samples else ""
    coarse = f"; coarser plates, {got.cells} cells across" if got.cells is not None else ""
    return f"{len(got.members)} ways of lapping the same plates{drawn}{coarse}"


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


def _figure(figure: pictures.Figure | None, name: str, label: str) -> str:
    if figure is None:
        return ""
    return f'<figure class="many">{pictures.svg(figure, name, label)}</figure>'


def _faces(got: Comparison, panels: Sequence[Panel], shown: int) -> str:
    if not panels:
        return ""
    sweep, columns = got.study.swept, None
    if (
        sweep is not None
        and len(sweep.axes) == 2
        and not got.study.variants
        and len(panels) == len(got.members)
    ):
        wide = len(sweep.axes[1].values)
        columns = wide if wide * len(panels[0].account.faces) <= 10 else None
    label = "End faces: " + "; ".join(
        f"{p.title}: "
        + ", ".join(
            f"{f.name} {words.face(f.after, None, got.study.units)}" for f in p.account.faces
        )
        for p in panels
    )
    left = len(got.done) - len(panels)
    note = (
        f'<p class="note">{left} more are in the table and in the members folder.</p>'
        if left > 0
        else ""
    )
    return _figure(end_faces(panels, columns=columns), "faces", label) + note


# --- the table ---------------------------------------------------------------------------------


def _table(got: Comparison) -> str:
    names = list(got.study.plates)
    heads = ["", "way", *names, "worst flatness", "metal off", "time", "lifts"]
    if got.samples:
        heads.append("in the draws")
    table, left = told.listed_rows(told.rows(got), ROWS)
    body = []
    for k, row in enumerate(table):
        name = f'<span class="name">{escaped(row.name)}</span>{_fine(row.changed)}'
        cells = f'<td>{row.rank or "-"}</td><th scope="row">{name}</th>'
        if row.trouble:
            cells += f'<td colspan="{len(heads) - 2}">did not come to its end: {escaped(row.trouble)}</td>'
        else:
            parts = [
                *(row.plates.get(name, ("", "")) for name in names),
                row.flat,
                row.removed,
                row.minutes,
                (row.lifts, ""),
            ]
            parts += [(row.sure, "")] if got.samples else []
            cells += "".join(f"<td>{escaped(part)}{_fine(band)}</td>" for part, band in parts)
        lead = ' class="lead"' if k == 0 and row.rank else ""
        body.append(f"<tr{lead}>{cells}</tr>")
    head = "".join(f'<th scope="col">{escaped(h)}</th>' for h in heads)
    known = why_band(notes.spread(got))
    caption = f"Under each time its band, {known}."
    if got.samples:
        caption += " Under each size where nine in ten draws lie."
    if told.marked(table):
        caption += f" {told.MARKED}"
    if left:
        caption += f" {left} more are in compare.csv."
    return (
        f'<table class="ranks"><caption>{escaped(caption)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(body)}</tbody></table>"
    )


def _fine(text: str) -> str:
    """A second line, smaller."""
    return f'<span class="fine">{escaped(text)}</span>' if text else ""


COLUMNS = ("leaves alone", "makes", "leaves on both")


def _makes(got: Comparison) -> str:
    """What each way leaves alone, makes, and leaves on both for ever; what is alike is told once."""
    said: dict[tuple[tuple[str, ...], ...], list[str]] = {}
    for i in got.done[:REASONS]:
        made = tuple((m.leaves, m.makes, m.mark) for m in notes.makes(got, i))
        said.setdefault(made, []).append(got.members[i].name)
    if not said:
        return ""
    ways = list(said)
    shared = [
        c
        for c in range(3)
        if len(ways) > 1 and len({tuple(s[c] for s in way) for way in ways}) == 1
    ]
    lines = [f"<li>Every one {COLUMNS[c]}: {escaped(_by_step(ways[0], c))}.</li>" for c in shared]
    columns = [c for c in range(3) if c not in shared]
    more = len(got.done) - REASONS
    left = f"Of the best {REASONS}. " if more > 0 else ""
    caption = f"<caption>{escaped(left)}lapwright why on the study of a way says more.</caption>"
    heads = ["way", *(["step"] if len(got.study.steps) > 1 else []), *(COLUMNS[c] for c in columns)]
    head = "".join(f'<th scope="col">{escaped(h)}</th>' for h in heads)
    body = "".join(_made_rows(names, way, columns) for way, names in said.items())
    table = (
        f"<table>{caption}<thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
        if columns
        else ""
    )
    return (f"<ul>{''.join(lines)}</ul>" if lines else "") + table


def _by_step(way: Sequence[Sequence[str]], column: int) -> str:
    if len(way) == 1:
        return way[0][column]
    return "; ".join(f"step {number}, {parts[column]}" for number, parts in enumerate(way, 1))


def _made_rows(names: Sequence[str], way: Sequence[Sequence[str]], columns: Sequence[int]) -> str:
    """Rows of one way (or of several that do the same), one for each step."""
    rows = []
    for number, parts in enumerate(way, 1):
        head = f'<th scope="row" rowspan="{len(way)}">{escaped(joined(names))}</th>'
        step = f"<td>{number}</td>" if len(way) > 1 else ""
        cells = "".join(f"<td>{escaped(parts[c])}</td>" for c in columns)
        rows.append(f"<tr>{head if number == 1 else ''}{step}{cells}</tr>")
    return "".join(rows)


# --- sweeps ------------------------------------------------------------------------------------


def _swept(got: Comparison) -> str:
    sweep = got.study.swept
    if sweep is None or not got.done:
        return ""
    if len(sweep.axes) == 2:
        return _field(got)
    numbers = axis_number(sweep.axes[0])
    members = [i for i, member in enumerate(got.members) if member.place]
    if numbers is None or len(members) != len(numbers):
        return ""
    x = np.array(numbers)
    graphs = [_domes(got, members), _flatness(got, members)]
    half = _half(got, members)
    label = _unit_label(_axis_name(got, sweep.axes[0]), sweep.axes[0].values[0])
    remark = ""
    if half is not None:
        graphs.append(half)
        remark = (
            '<p class="note">Half the difference of the domes (bottom less top, to the very edge) goes by '
            "the moment law: the top's mean squared distance from the middle, times metal removed. What both "
            "share has no law: it depends on how far they have bedded in and on the grit layer.</p>"
        )
    return (
        _figure(
            curves(x, label, graphs, got.study.units), "swept", "What comes out along the swept key"
        )
        + remark
    )


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


def _field(got: Comparison) -> str:
    sweep = got.study.swept
    assert sweep is not None
    down, across = sweep.axes
    values = np.full((len(down.values), len(across.values)), np.nan)
    best = None
    for i in reversed(got.order):
        place, summary = got.members[i].place, got.nominal[i]
        if len(place) == 2 and summary.done:
            values[place] = max(e.forms.get("flatness") or 0.0 for e in summary.plates.values())
            best = (place[0], place[1])
    if best is None:
        return ""
    labels = tuple(_axis_name(got, axis) for axis in (across, down))
    figure = field(
        values,
        [said(v) for v in across.values],
        [said(v) for v in down.values],
        (labels[0], labels[1]),
        got.study.units,
        best,
    )
    note = '<p class="note">Flatness of the worst plate at the end; the frame marks the best.</p>'
    return _figure(figure, "swept", "Flatness of the worst plate over the two swept keys") + note
