"""The page's tables: what was done, and the form of every face before and after."""

from __future__ import annotations

import math

from lapwright.lapping.step import Step, Turn
from lapwright.plate.forms import FORMS, SPOKEN
from lapwright.report import words
from lapwright.report.account import Account, Face
from lapwright.report.shapes import MARK
from lapwright.report.typeset import escaped
from lapwright.units import METRIC, NOTHING, Units, joined

__all__ = ["forms_table", "steps_table", "stroke_words", "turn_words"]


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


def steps_table(account: Account) -> str:
    """Table of the steps; how much metal each took off comes from the history."""
    if not account.steps:
        return (
            "<p>The study can no longer be read here, so its steps are not listed; its text stands below.</p>"
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


def _time(account: Account, number: int, step: Step) -> str:
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


def _off(account: Account, number: int, step: Step) -> str:
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


def forms_table(account: Account) -> str:
    """Forms of every face before and after, in both units, with the edge margin named."""
    bodies = []
    for face in account.faces:
        rows = [
            _form_row(face, key, title) for key, title in _rows_of(account.units) if _spoken_of(face, key)
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
    cells = "".join(_value_cells(key, forms.get(key), face.finish) for forms in (face.before, face.after))
    return f'<th scope="row">{escaped(title)}</th>{cells}'


def _value_cells(key: str, value: float | None, finish: float | None) -> str:
    if value is None:
        return '<td class="say">not known</td><td class="num"></td><td class="num"></td>'
    side = "" if key == "flatness" or abs(value) < NOTHING else FORMS[key].sides[0 if value > 0 else 1]
    return f'<td class="say">{escaped(side)}</td>{_numbers(value, finish)}'


def _numbers(value: float, finish: float | None) -> str:
    fine = abs(value) >= NOTHING and METRIC.finer(value, finish)
    mark = f'<span class="fine">{MARK}</span>' if fine else ""
    metric, inch = (
        _figure(value, s, least) for s, least in ((METRIC.small.size, 0.01), (Units.INCH.small.size, 0.4))
    )
    return f'<td class="num">{metric}{mark}</td><td class="num">{inch}{mark}</td>'


def _figure(value: float, scale: float, least: float) -> str:
    """A size in a unit; nothing is told apart below `least` of it."""
    if abs(value) < NOTHING:
        return "0"
    return Units.number(abs(value) / scale) if abs(value) >= least * scale else f"under {least:g}"


def _caption(account: Account, marked: bool) -> str:
    margins = {account.units.length(f.record.margin) for f in account.faces}
    if len(margins) == 1:
        outermost = f"The outermost {next(iter(margins))} of each face (the edge margin)"
        said = f"{outermost} is left out of every form but the edge."
    else:
        each = joined([f"{account.units.length(f.record.margin)} of {f.name}" for f in account.faces])
        said = f"Left out of every form but the edge, as edge margin: {each}."
    said += (
        " Dome, dish and the rest are told out to the rim, the flatness only inside that margin: it can be "
        "the smaller figure."
    )
    if account.bores:
        shares = {name: f"{Units.number(share)} of it" for name, share in account.bores.items()}
        each = joined([f"on {name} {share}" for name, share in shares.items()])
        said += (
            f" The dome of a ring is told as if it went on to the middle; from bore to rim there is {each}."
        )
    if marked:
        said += f" {MARK} Finer than a tenth of the grit: {words.REMARK}."
    return escaped(said)
