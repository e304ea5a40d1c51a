"""What moved when a study was lapped a second time, finer: in words, and as a table of the page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from lapwright.plate.forms import FORMS, SPOKEN
from lapwright.report import words
from lapwright.report.account import Account, Face
from lapwright.report.shapes import MARK, known, part_words, told
from lapwright.report.sureness import TWICE
from lapwright.report.typeset import escaped
from lapwright.study.runfile import Fine
from lapwright.units import NOTHING, Units

__all__ = ["again_table", "again_words"]

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


def again_words(said: Account) -> list[str]:
    """What moved of the forms that are told of, plate by plate; nothing where nothing was lapped twice."""
    fine = said.run.fine
    if fine is None:
        return []
    if not fine.forms:
        return ["Lapped a second time, finer, the top tips off: do not trust these figures."]
    lines = ["Lapped a second time, finer, to see what moves:"]
    lines += [f"  {face.name}: {_told(face, fine, said.units)}" for face in said.faces]
    return [*lines, *_sure(said, fine)]


def again_table(said: Account) -> str:
    """The same as a table of every form; empty where nothing was lapped twice."""
    fine = said.run.fine
    if fine is None:
        return ""
    if not fine.forms:
        return f"<p>{escaped(again_words(said)[0])}</p>"
    heads = ("plate", "form", "as lapped", "lapped finer", "moved by", "expected, at most")
    head = "".join(f'<th scope="col"{" class=num" if k > 3 else ""}>{h}</th>' for k, h in enumerate(heads))
    bodies = []
    for face in said.faces:
        rows = [_row(one, face.finish, said.units) for one in _moved(face, fine)]
        rows[0] = f'<th scope="rowgroup" rowspan="{len(rows)}">{escaped(face.name)}</th>{rows[0]}'
        bodies.append("<tbody>" + "".join(f"<tr>{row}</tr>" for row in rows) + "</tbody>")
    body = "".join(bodies)
    caption = "Half the size of cell, twice the places in the stroke, half as long blocks of strokes."
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
        f"{_figure(one.key, one.value, units)}{f' ({words.REMARK})' if rough_ and not all(rough) else ''}, "
        f"moved by {units.size(one.by)}"
        for one, rough_ in zip(chosen, rough, strict=True)
    ]
    return "; ".join(parts) + (f"; {words.REMARK}" if all(rough) else "")


def _sure(said: Account, fine: Fine) -> list[str]:
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


def _figure(key: str, value: float, units: Units) -> str:
    if key in (FLAT, LOST):
        return f"{'flat within' if key == FLAT else 'metal off'} {units.size(value)}"
    return part_words(key, value, units)


def _marked(key: str, value: float, finish: float | None, units: Units) -> str:
    """A figure in a cell, marked where it is finer than the finish [m]."""
    rough = key != LOST and abs(value) >= NOTHING and units.finer(value, finish)
    return escaped(_figure(key, value, units)) + (f'<span class="fine">{MARK}</span>' if rough else "")


def _row(one: Moved, finish: float | None, units: Units) -> str:
    cells = [f"<td>{_marked(one.key, value, finish, units)}</td>" for value in (one.value, one.fine)]
    sizes = (units.size(one.by), "" if one.expected is None else units.size(one.expected))
    cells += [f'<td class="num">{escaped(size)}</td>' for size in sizes]
    return f'<th scope="row">{escaped(_title(one.key))}</th>{"".join(cells)}'
