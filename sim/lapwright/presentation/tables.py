"""The tables of a run's page: what was done, every form before and after, what moved when lapped finer.

And the words in them that previews and orders share: strokes, turns, swaps, limits, where hands press.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.kinematics.motion import rev, spins
from lapwright.kinematics.schedule import spread_of
from lapwright.metrology.form import FORMS, SPOKEN
from lapwright.presentation import words
from lapwright.presentation.run_view import TWICE, Face, RunView
from lapwright.presentation.words import known, part_words, say, told
from lapwright.results.record import Fine
from lapwright.specification.curves import Still
from lapwright.specification.step import Load, Step, Swap, Turn
from lapwright.units import METRIC, NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.contact.stability import Reach

FLAT, LOST = "flatness", "removed"
HERE = 1e-4  # [m] from the middle
TYPED = 4  # a length of no more figures than this was typed; any other was worked out


def echoed(value: float, units: Units = METRIC, *, small: bool = False) -> str:
    """A length at the bench [m], or a `small` one: as it was typed, or two figures of one worked out."""
    said = units.size if small else units.length
    typed = said(value, echo=True)
    return typed if short(typed) else said(value)


def short(quantity: str) -> bool:
    """Whether a quantity has no more figures than one types."""
    return len(quantity.split()[0].replace(".", "").lstrip("0")) <= TYPED


def around(step: Step, units: Units) -> list[str]:
    """What is said of a step beside the usual: what liquid is between the faces, and faces that are warm."""
    parts = [] if step.liquid == Step.liquid else [step.liquid]
    for name, warmer in step.warm.items():
        if warmer:
            size, colder = abs(warmer), warmer < 0.0
            parts.append(say("preview.schedule.warm", units, plate=name, size=size, colder=colder))
    return parts


def grain(step: Step) -> str:
    """The grain in brackets, where the grit's name does not say it."""
    size = Units.grain(step.grit.size)
    size *= step.grit.name.replace(" ", "") != size.replace(" ", "")  # nothing where it is the name
    said = f"{size} {step.grit.abrasive or ''}".strip()
    return said and f" ({said})"


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


def stays_on_top(swap: Swap, units: Units = METRIC, *, near: float = 0.0) -> dict[str, str]:
    """How long each plate stays on top at one go: a time (`near` as of `Units.spell`), or the metal off."""
    if swap.removed:
        deep = swap.removed.items()
        return {name: f"{echoed(off, units, small=True)} of metal" for name, off in deep}
    return {name: Units.spell(time, near=near) for name, time in swap.on_top.items()}


def swaps_words(step: Step, count: int) -> str:
    """How often plates change places; in metal with the band of the wear, as minutes end the step."""
    if count == 0:
        return say("preview.schedule.never", top=step.top)
    if step.until is not None:
        return say("preview.schedule.most", count=count)
    spread = spread_of([step]) if step.swap is not None and step.swap.removed else 1.0
    low, high = round(count / spread), round(count * spread)
    if low != high:
        return say("preview.schedule.about", count=count, low=low, high=high)
    return say("preview.schedule.once" if count == 1 else "preview.schedule.count", count=count)


def _degrees(angle: float) -> str:
    value = math.degrees(angle)
    return f"{'-' if value < 0 else ''}{abs(value):.3g}"


def _goes_round(step: Step) -> str:
    """How the top is turned, and whoever laps or the plate under him goes round."""
    turn = turn_words(step.turn)
    if not step.walk.angle:
        return turn
    if spins(step):
        return say("tables.plate_spins", turn=turn, speed=rev(step.walk, step))
    return say("tables.walks", turn=turn, walk=turn_words(step.walk))


def steps_cells(view: RunView) -> list[tuple[str, ...]]:
    """Of each step a row of the table; how much metal it took off comes from the history."""
    return [
        (
            step.top,
            step.bottom,
            METRIC.size(step.grit.size),
            stroke_words(step, view.units),
            _goes_round(step),
            _time(view, number, step),
            f"every {Units.spell(step.fresh_every)}" if step.fresh_every else "at the start only",
            _swap(step, view.units),
            _off(view, number, step),
        )
        for number, step in enumerate(view.steps, 1)
    ]


def _time(view: RunView, number: int, step: Step) -> str:
    allowed = Units.spell(step.total_strokes / step.pace)
    if step.until is None:
        return f"{step.total_strokes} strokes, {allowed}"
    rubbed = view.rubbed(number)
    return f"{round(rubbed * step.pace)} strokes, {Units.spell(rubbed)} (at most {allowed})"


def _swap(step: Step, units: Units) -> str:
    if step.swap is None:
        return "never"
    if step.swap.read is not None:
        return f"by reading every {Units.spell(step.swap.read)}"
    times = stays_on_top(step.swap, units)
    if step.swap.even:
        return f"every {next(iter(times.values()))}"
    return ", ".join(f"{name} on top {time}" for name, time in times.items())


def _off(view: RunView, number: int, step: Step) -> str:
    """Mean depth that a step took off its two plates, over all rounds."""
    faces = [face for face in view.faces if face.name in (step.top, step.bottom)]
    if len(faces) < 2:
        return "unknown"
    removed = np.mean([face.record.removed for face in faces], axis=0)
    total = float(np.diff(removed)[np.asarray(view.run.step[1:]) == number].sum())
    return view.units.size(total) if total > NOTHING else "nothing"


# --- forms -------------------------------------------------------------------------------------

_EDGE = {METRIC: "outermost 3 mm", Units.INCH: "outermost 0.12 in"}
Row = tuple[str, list[dict[str, Any] | None]]  # a form, its cell before and after


def forms_data(view: RunView) -> dict[str, Any]:
    """Forms of every face before and after, in both units, with the edge margin named."""
    titles = {key: FORMS[key].title for key in (*SPOKEN, FLAT)} | {"edge": _EDGE[view.units]}
    faces: list[tuple[str, list[Row], dict[str, Any] | None]] = []
    for face in view.faces:
        rows = [
            (
                title,
                [_cell(key, forms.get(key), face.doubt) for forms in (face.before, face.after)],
            )
            for key, title in titles.items()
        ]
        for key, (_, cells) in zip(titles, rows, strict=True):
            if cells[1] is not None:
                cells[1]["layer"] = words.by_layer(key, face.after, view.units).removeprefix(", ")
        known = [(title, cells) for title, cells in rows if any(cells)]
        faces.append((face.name, known, _cell(LOST, face.lost, None)))
    margins = {f.name: view.units.length(f.record.margin) for f in view.faces}
    shares = [f"on {name} {Units.number(share)} of it" for name, share in view.bores.items()]
    return {
        "faces": faces,
        "margin": next(iter(margins.values())) if len(set(margins.values())) == 1 else "",
        "margins": joined([f"{margin} of {name}" for name, margin in margins.items()]),
        "bores": joined(shares),
        "notes": _notes(view),
        "marked": any(c and c["fine"] for _, rows, _ in faces for _, cells in rows for c in cells),
    }


def _notes(view: RunView) -> list[str]:
    """Of rings how flat they are in bands, and of faces that are neither dome nor dish what they are."""
    lines = []
    for face in view.faces:
        first, last = (view.called(face.name, after) for after in (False, True))
        lines += [say("batch.figures", first=first, last=last)] if first != last else []
        flat, shape = face.after.get(FLAT), words.odd(face.after, face.doubt, view.units)
        if face.bore and flat is not None:
            told = words.in_bands(flat, view.units, face.doubt)
            lines.append(f"{face.name}, bore to rim but for the margin: {told}.")
        lines += [f"{face.name} is {shape}."] if shape else []
    return lines


def _cell(key: str, value: float | None, doubt: float | None) -> dict[str, Any] | None:
    """A form of a face in figures: its side, its size in um and uin, whether below what a gauge tells."""
    if value is None:
        return None
    sideless = key in (FLAT, LOST) or abs(value) < NOTHING
    metric, inch = (
        _figure(value, unit.small.size, least)
        for unit, least in ((METRIC, 0.01), (Units.INCH, 0.4))
    )
    return {
        "side": "" if sideless else FORMS[key].sides[0 if value > 0 else 1],
        "metric": metric,
        "inch": inch,
        "fine": abs(value) >= NOTHING and METRIC.finer(value, doubt),
        "layer": "",
    }


def _figure(value: float, scale: float, least: float) -> str:
    """A size in a unit; nothing is told apart below `least` of it."""
    if abs(value) < NOTHING:
        return "0"
    return Units.number(abs(value) / scale) if abs(value) >= least * scale else f"under {least:g}"


# --- lapped again, finer -----------------------------------------------------------------------

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


def again_words(view: RunView) -> list[str]:
    """What moved of the forms that are told of, plate by plate; nothing where nothing was lapped twice."""
    fine = view.run.fine
    if fine is None:
        return []
    if not fine.forms:
        return ["Lapped a second time, finer, the top tips off: do not trust these figures."]
    lines = ["Lapped a second time, finer, to see what moves:"]
    lines += [f"  {face.name}: {_told(face, fine, view.units)}" for face in view.faces]
    return [*lines, *_sure(view, fine)]


def again_data(view: RunView) -> dict[str, Any]:
    """The same as a table of every form; empty where nothing was lapped twice."""
    fine = view.run.fine
    if fine is None:
        return {}
    if not fine.forms:
        return {"faces": [], "notes": again_words(view)}
    faces = [
        (face.name, [_row(one, face.doubt, view.units) for one in _moved(face, fine)])
        for face in view.faces
    ]
    marked = any(row["usual"][1] or row["finer"][1] for _, rows in faces for row in rows)
    return {"faces": faces, "marked": marked, "notes": _sure(view, fine)}


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
    what = told(face.after, face.doubt, beside=True)
    keys = [key for key, _ in (*what.above, *what.fine)] or ["sphere"]
    moved = {one.key: one for one in _moved(face, fine)}
    chosen = [moved[key] for key in keys if key in moved] or [moved.get(FLAT, moved[LOST])]
    rough = [units.finer(one.value, face.doubt) and one.key != LOST for one in chosen]
    remarks = ["" if all(rough) or not fine else f" ({words.REMARK})" for fine in rough]
    parts = [
        f"{_moved_figure(one.key, one.value, units)}{remark}, moved by {units.size(one.by)}"
        for one, remark in zip(chosen, remarks, strict=True)
    ]
    return "; ".join(parts) + (f"; {words.REMARK}" if all(rough) else "")


def _sure(view: RunView, fine: Fine) -> list[str]:
    """Whether that was to be expected, and whether a gauge stopped it elsewhere."""
    lines, every = [], [(face.name, one) for face in view.faces for one in _moved(face, fine)]
    off = [(name, one) for name, one in every if one.unexpected]
    if off:
        name, one = max(off, key=lambda pair: pair[1].by)
        assert one.expected is not None
        lines.append(
            f"{name}: {_title(one.key)} moved by more than was to be expected "
            f"({view.units.size(one.expected)}): trust it only to {view.units.size(one.by)}."
        )
    elif any(one.expected is not None for _, one in every):
        lines.append("Nothing moved by more than was to be expected.")
    time = float(view.run.time[-1]) if len(view.run.time) else 0.0
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


def _row(one: Moved, doubt: float | None, units: Units) -> dict[str, Any]:
    """A figure as lapped, lapped finer (each: whether below what a gauge tells too), and how far it moved."""

    def figure(value: float) -> tuple[str, bool]:
        fine = one.key != LOST and abs(value) >= NOTHING and units.finer(value, doubt)
        return _moved_figure(one.key, value, units), fine

    return {
        "title": _title(one.key),
        "usual": figure(one.value),
        "finer": figure(one.fine),
        "by": units.size(one.by),
        "expected": "" if one.expected is None else units.size(one.expected),
    }


def limit(reach: Reach, step: Step, units: Units = METRIC) -> str:
    """Where flat faces begin to lift, or the top tips: the overhang, or the place where it has none yet."""
    if reach.overhang > 0.0:
        return say("preview.limit.at", units, overhang=reach.overhang)
    if reach.apart < HERE:
        return say("preview.limit.wherever", bottom=step.bottom)
    return say("preview.limit.apart", units, apart=reach.apart, bottom=step.bottom)


def palms(load: Load, units: Units) -> str:
    """Where hands press, from the top's centre as seen from above; empty if unsaid."""
    return joined([palm_words(*palm.at, units) for palm in load.hands])


def palm_words(x: float, y: float, units: Units) -> str:
    """A place [m] from the middle, by how far and towards which hour."""
    off = math.hypot(x, y)
    far = echoed(off, units) if off > HERE else ""
    return say("preview.press.palm", off=far, hour=Units.hour(x, y))
