"""The page's tables, what moved in a finer run, and the sheet that all pages share.

The page's tables: what was done, and the form of every face before and after.

What moved when a study was lapped a second time, finer: in words, and as a table of the page.

What all pages share: the sheet with its head, first screen and parts, lists in it, and the cautions.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.resources import files
from string import Template

from lapwright.limits import limit_of
from lapwright.metrology.form import FORMS, SPOKEN
from lapwright.presentation import words
from lapwright.presentation.run_view import TWICE, Face, RunView
from lapwright.presentation.words import MARK, escaped, known, part_words, told
from lapwright.results.record import Fine
from lapwright.specification.step import Step, Turn
from lapwright.units import METRIC, NOTHING, Units, joined, sentence

__all__ = [
    "CAUTIONS",
    "again_table",
    "again_words",
    "bullets",
    "forms_table",
    "part",
    "sheet",
    "steps_table",
    "stroke_words",
    "turn_words",
]


def stroke_words(step: Step, units: Units = METRIC) -> str:
    """The stroke in words: "figure-eight 53 x 27 mm"."""
    curve = step.curve
    name = type(curve).__name__
    length = getattr(curve, "length", None)
    width = getattr(curve, "width", None)
    if name == "Still":
        return "no travel"
    if name == "Circle":
        text = f"circle {units.length(2 * curve.radius)} across"  # type: ignore[attr-defined]
    elif name == "Rosette":
        across = 2 * (curve.radius + curve.small)  # type: ignore[attr-defined]
        text = f"rosette {units.length(across)} across"
    elif name == "Line":
        text = f"straight, {units.length(float(length or 0.0))} long"
    else:
        kind = {"FigureEight": "figure-eight"}.get(name, name.lower())
        long, wide = (Units.number(float(v or 0.0) / units.long.size) for v in (length, width))
        text = f"{kind} {long} x {wide} {units.long.name}"
    if abs(step.direction) > 1e-9:
        text += f", towards {_degrees(step.direction)} deg"
    return text


def turn_words(turn: Turn) -> str:
    """A turn in words: "8 deg a stroke", "90 deg every 10 strokes", "none"."""
    if turn.angle == 0.0:
        return "none"
    angle = f"{_degrees(turn.angle)} deg"
    return f"{angle} every {turn.every} strokes" if turn.indexed else f"{angle} a stroke"


def _degrees(angle: float) -> str:
    value = math.degrees(angle)
    return f"{'-' if value < 0 else ''}{abs(value):.3g}"


def steps_table(account: RunView) -> str:
    """Table of the steps; how much metal each took off comes from the history."""
    if not account.steps:
        return (
            "<p>The study can no longer be read here, so its steps are "
            "not listed; its text stands below.</p>"
        )
    units = account.units
    head = (
        "",
        "on top",
        "below",
        "grit",
        "stroke",
        "turn",
        "time",
        "fresh grit",
        "swap",
        "metal off, mean of both",
    )
    rows = []
    for number, step in enumerate(account.steps, 1):
        cells = (
            step.top,
            step.bottom,
            METRIC.size(step.grit.size),
            stroke_words(step, units),
            _turning(step),
            _time(account, number, step),
            f"every {Units.spell(step.fresh_every)}" if step.fresh_every else "at the start only",
            _swap(step),
            _off(account, number, step),
        )
        tds = (
            "".join(f"<td>{escaped(c)}</td>" for c in cells[:-1])
            + f'<td class="num">{escaped(cells[-1])}</td>'
        )
        rows.append(f'<tr><th scope="row">{number}</th>{tds}</tr>')
    heads = "".join(
        f'<th scope="col"{" class=num" if k == len(head) - 1 else ""}>{escaped(h)}</th>'
        for k, h in enumerate(head)
    )
    rounds = account.study.rounds
    again = (
        f"<p>The steps were gone through {rounds} times; metal off is over all rounds.</p>"
        if rounds > 1
        else ""
    )
    return f"<table><thead><tr>{heads}</tr></thead><tbody>{''.join(rows)}</tbody></table>{again}"


def _turning(step: Step) -> str:
    said = turn_words(step.turn)
    walk = turn_words(step.walk)
    return said if walk == "none" else f"{said}; you walk {walk}"


def _time(account: RunView, number: int, step: Step) -> str:
    most = f"{step.total_strokes} strokes, {Units.spell(step.total_strokes / step.pace)}"
    if step.until is None:
        return most
    rubbed = account.rubbed(number)
    allowed = Units.spell(step.total_strokes / step.pace)
    return f"{round(rubbed * step.pace)} strokes, {Units.spell(rubbed)} (at most {allowed})"


def _swap(step: Step) -> str:
    if step.swap is None:
        return "never"
    if step.swap.read is not None:
        return f"by reading every {Units.spell(step.swap.read)}"
    times = dict(step.swap.on_top)
    if len(set(times.values())) == 1:
        return f"every {Units.spell(next(iter(times.values())))}"
    return ", ".join(f"{n} on top {Units.spell(t)}" for n, t in times.items())


def _off(account: RunView, number: int, step: Step) -> str:
    """Mean depth that a step took off its two plates, over all rounds."""
    total, run = 0.0, account.run
    for name in (step.top, step.bottom):
        face = account.face(name)
        if face is None:
            return "unknown"
        removed = face.record.removed
        for k in range(1, len(removed)):
            if int(run.step[k]) == number:
                total += float(removed[k] - removed[k - 1]) / 2
    return account.units.size(total) if total > NOTHING else "nothing"


# --- forms -------------------------------------------------------------------------------------

_EDGE = {METRIC: "outermost 3 mm", Units.INCH: "outermost 0.12 in"}


def forms_table(account: RunView) -> str:
    """Forms of every face before and after, in both units, with the edge margin named."""
    bodies = []
    for face in account.faces:
        rows = [
            _form_row(face, key, title)
            for key, title in _rows_of(account.units)
            if _spoken_of(face, key)
        ]
        lost = f"<td></td><td></td><td></td><td></td>{_numbers(face.lost, None)}"
        rows.append(f'<th scope="row">metal off, mean depth</th>{lost}')
        rows[0] = f'<th scope="rowgroup" rowspan="{len(rows)}">{escaped(face.name)}</th>{rows[0]}'
        bodies.append("<tbody>" + "".join(f"<tr>{row}</tr>" for row in rows) + "</tbody>")
    units = '<th></th><th class="num" scope="col">µm</th><th class="num" scope="col">µin</th>'
    head = (
        '<thead><tr><th scope="col" rowspan="2">plate</th><th scope="col" rowspan="2">form</th>'
        '<th scope="colgroup" colspan="3">before</th><th scope="colgroup" colspan="3">after</th></tr>'
        f"<tr>{units}{units}</tr></thead>"
    )
    body = "".join(bodies)
    return f'<table class="forms"><caption>{_caption(account, MARK in body)}</caption>{head}{body}</table>'


def _rows_of(units: Units) -> tuple[tuple[str, str], ...]:
    """Forms by name and in words; the band at the edge in the person's units."""
    return (*((key, FORMS[key].title) for key in (*SPOKEN, "flatness")), ("edge", _EDGE[units]))


def _spoken_of(face: Face, key: str) -> bool:
    return face.before.get(key) is not None or face.after.get(key) is not None


def _form_row(face: Face, key: str, title: str) -> str:
    cells = "".join(
        _value_cells(key, forms.get(key), face.finish) for forms in (face.before, face.after)
    )
    return f'<th scope="row">{escaped(title)}</th>{cells}'


def _value_cells(key: str, value: float | None, finish: float | None) -> str:
    if value is None:
        return '<td class="say">not known</td><td class="num"></td><td class="num"></td>'
    side = (
        "" if key == "flatness" or abs(value) < NOTHING else FORMS[key].sides[0 if value > 0 else 1]
    )
    return f'<td class="say">{escaped(side)}</td>{_numbers(value, finish)}'


def _numbers(value: float, finish: float | None) -> str:
    fine = abs(value) >= NOTHING and METRIC.finer(value, finish)
    mark = f'<span class="fine">{MARK}</span>' if fine else ""
    metric, inch = (
        _figure(value, s, least)
        for s, least in ((METRIC.small.size, 0.01), (Units.INCH.small.size, 0.4))
    )
    return f'<td class="num">{metric}{mark}</td><td class="num">{inch}{mark}</td>'


def _figure(value: float, scale: float, least: float) -> str:
    """A size in a unit; nothing is told apart below `least` of it."""
    if abs(value) < NOTHING:
        return "0"
    return Units.number(abs(value) / scale) if abs(value) >= least * scale else f"under {least:g}"


def _caption(account: RunView, marked: bool) -> str:
    margins = {account.units.length(f.record.margin) for f in account.faces}
    if len(margins) == 1:
        outermost = f"The outermost {next(iter(margins))} of each face (the edge margin)"
        said = f"{outermost} is left out of every form but the edge."
    else:
        each = joined(
            [f"{account.units.length(f.record.margin)} of {f.name}" for f in account.faces]
        )
        said = f"Left out of every form but the edge, as edge margin: {each}."
    said += (
        " Dome, dish and the rest are told out to the rim, the flatness only inside that margin: it can be "
        "the smaller figure."
    )
    if account.bores:
        shares = {name: f"{Units.number(share)} of it" for name, share in account.bores.items()}
        each = joined([f"on {name} {share}" for name, share in shares.items()])
        said += (
            " The dome of a ring is told as if it went on to the middle; "
            f"from bore to rim there is {each}."
        )
    if marked:
        said += f" {MARK} Finer than a tenth of the grit: {words.REMARK}."
    return escaped(said)


FLAT, LOST = "flatness", "removed"
TOLD = 2e-9  # [m] moved by less, nothing is said of it: no gauge reads it


@dataclass(frozen=True)
class Moved:
    """One figure of a face [m]: as lapped, lapped finer, and what it may be off by (None: not known)."""

    key: str
    value: float
    fine: float
    expected: float | None

    @property
    def by(self) -> float:
        """How far it moved [m], without sign."""
        return abs(self.fine - self.value)

    @property
    def unexpected(self) -> bool:
        """Whether it moved by more than was to be expected, and enough to be told."""
        return self.expected is not None and self.by > max(self.expected, TOLD)


def again_words(said: RunView) -> list[str]:
    """What moved of the forms that are told of, plate by plate; nothing where nothing was lapped twice."""
    fine = said.run.fine
    if fine is None:
        return []
    if not fine.forms:
        return ["Lapped a second time, finer, the top tips off: do not trust these figures."]
    lines = ["Lapped a second time, finer, to see what moves:"]
    lines += [f"  {face.name}: {_told(face, fine, said.units)}" for face in said.faces]
    return [*lines, *_sure(said, fine)]


def again_table(said: RunView) -> str:
    """The same as a table of every form; empty where nothing was lapped twice."""
    fine = said.run.fine
    if fine is None:
        return ""
    if not fine.forms:
        return f"<p>{escaped(again_words(said)[0])}</p>"
    heads = ("plate", "form", "as lapped", "lapped finer", "moved by", "expected, at most")
    head = "".join(
        f'<th scope="col"{" class=num" if k > 3 else ""}>{h}</th>' for k, h in enumerate(heads)
    )
    bodies = []
    for face in said.faces:
        rows = [_row(one, face.finish, said.units) for one in _moved(face, fine)]
        rows[0] = f'<th scope="rowgroup" rowspan="{len(rows)}">{escaped(face.name)}</th>{rows[0]}'
        bodies.append("<tbody>" + "".join(f"<tr>{row}</tr>" for row in rows) + "</tbody>")
    body = "".join(bodies)
    caption = (
        "Half the size of cell, twice the places in the stroke, half as long blocks of strokes."
    )
    if MARK in body:
        caption += f" {MARK} Finer than a tenth of the grit: {words.REMARK}."
    note = " ".join(_sure(said, fine))
    return f"<table><caption>{caption}</caption><thead><tr>{head}</tr></thead>{body}</table>" + (
        f'<p class="note">{escaped(note)}</p>' if note else ""
    )


def _moved(face: Face, fine: Fine) -> Iterator[Moved]:
    """Every figure of a face that is known both times."""
    errors, forms = face.record.errors(-1), fine.forms[face.name]
    for key, value in known(face.after, (*SPOKEN, FLAT)):
        if math.isfinite(forms[key]):
            error = errors.get(key, math.nan)
            yield Moved(key, value, forms[key], TWICE * error if math.isfinite(error) else None)
    yield Moved(LOST, face.lost, fine.removed[face.name], None)


def _told(face: Face, fine: Fine, units: Units) -> str:
    """The forms that are told of a face, and by how much each moved."""
    what = told(face.after, face.finish, beside=True)
    keys = [key for key, _ in (*what.above, *what.fine)] or ["sphere"]
    moved = {one.key: one for one in _moved(face, fine)}
    chosen = [moved[key] for key in keys if key in moved] or [moved.get(FLAT, moved[LOST])]
    rough = [units.finer(one.value, face.finish) and one.key != LOST for one in chosen]
    parts = [
        _moved_figure(one.key, one.value, units)
        + (f" ({words.REMARK})" if rough_ and not all(rough) else "")
        + ", "
        + f"moved by {units.size(one.by)}"
        for one, rough_ in zip(chosen, rough, strict=True)
    ]
    return "; ".join(parts) + (f"; {words.REMARK}" if all(rough) else "")


def _sure(said: RunView, fine: Fine) -> list[str]:
    """Whether that was to be expected, and whether a gauge stopped it elsewhere."""
    lines, every = [], [(face.name, one) for face in said.faces for one in _moved(face, fine)]
    off = [(name, one) for name, one in every if one.unexpected]
    if off:
        name, one = max(off, key=lambda pair: pair[1].by)
        assert one.expected is not None
        lines.append(
            f"{name}: {_title(one.key)} moved by more than was to be expected "
            f"({said.units.size(one.expected)}): trust it only to {said.units.size(one.by)}."
        )
    elif any(one.expected is not None for _, one in every):
        lines.append("Nothing moved by more than was to be expected.")
    time = float(said.run.time[-1]) if len(said.run.time) else 0.0
    if abs(fine.time - time) > 1e-9 * time:
        when, metal = ("later", "more") if fine.time > time else ("sooner", "less")
        lines.append(f"Lapped finer, a gauge says stop {when}, so {metal} metal goes.")
    return lines


def _title(key: str) -> str:
    """What a figure is called where it stands without its side."""
    return "metal off, mean depth" if key == LOST else FORMS[key].title


def _moved_figure(key: str, value: float, units: Units) -> str:
    if key in (FLAT, LOST):
        return f"{'flat within' if key == FLAT else 'metal off'} {units.size(value)}"
    return part_words(key, value, units)


def _marked(key: str, value: float, finish: float | None, units: Units) -> str:
    """A figure in a cell, marked where it is finer than the finish [m]."""
    rough = key != LOST and abs(value) >= NOTHING and units.finer(value, finish)
    return escaped(_moved_figure(key, value, units)) + (
        f'<span class="fine">{MARK}</span>' if rough else ""
    )


def _row(one: Moved, finish: float | None, units: Units) -> str:
    cells = [
        f"<td>{_marked(one.key, value, finish, units)}</td>" for value in (one.value, one.fine)
    ]
    sizes = (units.size(one.by), "" if one.expected is None else units.size(one.expected))
    cells += [f'<td class="num">{escaped(size)}</td>' for size in sizes]
    return f'<th scope="row">{escaped(_title(one.key))}</th>{"".join(cells)}'


CAUTIONS = (
    f"Lifting: {limit_of('too heavy'):g} kg is the most at the best posture (NIOSH lifting equation).",
    "Pinch and tip: from the lift-off overhang on the plate can rock. Slide plates apart, never pry.",
    "Sludge of cobalt-bonded carbide is a carcinogen hazard (NTP 12th report): work wet, wear gloves, no dry "
    "sanding, collect the waste.",
    "Solvents that carry the grit burn and their vapour harms: air, no flames, no hot work near by.",
    "Lasers used to see fringes: 1 mW is the limit of class 2 (IEC 60825-1). A 405 nm beam looks dim, so "
    "you do not look away: never view a raw beam.",
    "Local rules and licensed practice come first.",
)


def part(name: str, title: str, inside: str) -> str:
    """One part of a page below the first screen; nothing where there is nothing `inside`."""
    if not inside:
        return ""
    return (
        f'<section class="part" id="{name}"><h2>{escaped(title)}</h2><div>{inside}</div></section>'
    )


def bullets(lines: Iterable[str]) -> str:
    """Sentences as a list."""
    return "<ul>" + "".join(f"<li>{escaped(sentence(line))}</li>" for line in lines) + "</ul>"


def sheet(
    kind: str,
    *,
    title: str,
    study: str,
    facts: str,
    about: str,
    headline: str,
    first: str,
    parts: Iterable[str],
    foot: str,
    tail: str = "",
) -> str:
    """A whole page, one file that asks for nothing from elsewhere.

    Parameters
    ----------
    kind
        Of page, by which `page.css` tells them apart.
    title, study, facts, about, headline, foot
        Plain text: of the window, at the head, what the first screen is about, its sentence, at the foot.
    first, parts, tail
        Ready HTML: of the first screen below its sentence, the parts, and what stands behind the page.

    """
    room = files("lapwright.presentation") / "templates"
    return Template((room / "sheet.html").read_text("utf-8")).substitute(
        kind=kind,
        title=escaped(title),
        style=(room / "page.css").read_text("utf-8"),
        study=escaped(study),
        facts=escaped(facts),
        about=escaped(about),
        headline=escaped(headline),
        first=first,
        body="\n".join(text for text in parts if text),
        foot=escaped(foot),
        tail=tail,
    )
