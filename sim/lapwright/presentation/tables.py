"""The page's tables as plain data, and what moved in a finer run.

The page's tables: what was done, and the form of every face before and after.

What moved when a study was lapped a second time, finer: in words, and as a table of the page.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from lapwright.metrology.form import FORMS, SPOKEN
from lapwright.presentation import words
from lapwright.presentation.run_view import TWICE, Face, RunView
from lapwright.presentation.words import known, part_words, told
from lapwright.results.record import Fine
from lapwright.specification.curves import Still
from lapwright.specification.step import Step, Turn
from lapwright.units import METRIC, NOTHING, Units, joined

__all__ = ["again_data", "again_words", "forms_data", "steps_cells", "stroke_words", "turn_words"]


def stroke_words(step: Step, units: Units = METRIC) -> str:
    """The stroke in words: "figure-eight 53 x 27 mm"."""
    text = step.curve.spoken(units)
    if isinstance(step.curve, Still):
        return text
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


def steps_cells(account: RunView) -> list[tuple[str, ...]]:
    """Of each step a row of the table; how much metal it took off comes from the history."""
    return [
        (
            step.top,
            step.bottom,
            METRIC.size(step.grit.size),
            stroke_words(step, account.units),
            _turning(step),
            _time(account, number, step),
            f"every {Units.spell(step.fresh_every)}" if step.fresh_every else "at the start only",
            _swap(step),
            _off(account, number, step),
        )
        for number, step in enumerate(account.steps, 1)
    ]


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


@dataclass(frozen=True)
class Cell:
    """A form of a face in figures: which side, its size in um and in uin, whether finer than the finish."""

    side: str
    metric: str
    inch: str
    fine: bool


@dataclass(frozen=True)
class FormRow:
    """A form of a face before and after; None where it is not known."""

    title: str
    cells: tuple[Cell | None, ...]


def forms_data(account: RunView) -> dict[str, Any]:
    """Forms of every face before and after, in both units, with the edge margin named."""
    faces = [
        (
            face.name,
            [
                FormRow(title, tuple(_cell(key, forms.get(key), face.finish) for forms in both))
                for key, title in _rows_of(account.units)
                if any(forms.get(key) is not None for forms in both)
            ],
            _numbers("", face.lost, None),
        )
        for face, both in ((face, (face.before, face.after)) for face in account.faces)
    ]
    margins = {f.name: account.units.length(f.record.margin) for f in account.faces}
    shares = [f"on {name} {Units.number(share)} of it" for name, share in account.bores.items()]
    return {
        "faces": faces,
        "margin": next(iter(margins.values())) if len(set(margins.values())) == 1 else "",
        "margins": joined([f"{margin} of {name}" for name, margin in margins.items()]),
        "bores": joined(shares),
        "marked": any(c and c.fine for _, rows, _ in faces for row in rows for c in row.cells),
    }


def _rows_of(units: Units) -> tuple[tuple[str, str], ...]:
    """Forms by name and in words; the band at the edge in the person's units."""
    return (*((key, FORMS[key].title) for key in (*SPOKEN, "flatness")), ("edge", _EDGE[units]))


def _cell(key: str, value: float | None, finish: float | None) -> Cell | None:
    if value is None:
        return None
    sideless = key == "flatness" or abs(value) < NOTHING
    return _numbers("" if sideless else FORMS[key].sides[0 if value > 0 else 1], value, finish)


def _numbers(side: str, value: float, finish: float | None) -> Cell:
    fine = abs(value) >= NOTHING and METRIC.finer(value, finish)
    metric, inch = (
        _figure(value, unit, least)
        for unit, least in ((METRIC.small.size, 0.01), (Units.INCH.small.size, 0.4))
    )
    return Cell(side, metric, inch, fine)


def _figure(value: float, scale: float, least: float) -> str:
    """A size in a unit; nothing is told apart below `least` of it."""
    if abs(value) < NOTHING:
        return "0"
    return Units.number(abs(value) / scale) if abs(value) >= least * scale else f"under {least:g}"


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


@dataclass(frozen=True)
class AgainRow:
    """A figure as lapped, lapped finer (each: whether finer than the finish too), and how far it moved."""

    title: str
    usual: tuple[str, bool]
    finer: tuple[str, bool]
    by: str
    expected: str


def again_data(said: RunView) -> dict[str, Any]:
    """The same as a table of every form; empty where nothing was lapped twice."""
    fine = said.run.fine
    if fine is None:
        return {}
    if not fine.forms:
        return {"faces": [], "notes": again_words(said)}
    faces = [
        (face.name, [_row(one, face.finish, said.units) for one in _moved(face, fine)])
        for face in said.faces
    ]
    marked = any(row.usual[1] or row.finer[1] for _, rows in faces for row in rows)
    return {"faces": faces, "marked": marked, "notes": _sure(said, fine)}


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


def _row(one: Moved, finish: float | None, units: Units) -> AgainRow:
    usual, finer = (
        (
            _moved_figure(one.key, value, units),
            one.key != LOST and abs(value) >= NOTHING and units.finer(value, finish),
        )
        for value in (one.value, one.fine)
    )
    expected = "" if one.expected is None else units.size(one.expected)
    return AgainRow(_title(one.key), usual, finer, units.size(one.by), expected)
