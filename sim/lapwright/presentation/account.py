"""What came out of a run in words: in a dozen lines, or all of it.

What is asked of it in parts, pages take from here too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from lapwright.integration.state import WENT_THROUGH
from lapwright.metrology.form import SPOKEN
from lapwright.presentation import words
from lapwright.presentation.advice import Advice, advise
from lapwright.presentation.batch_text import batch_words
from lapwright.presentation.beforehand import came_from
from lapwright.presentation.finding_words import care
from lapwright.presentation.run_view import RunView, finish_words, good_to, run_view
from lapwright.presentation.screen import fitted, shortened, wide
from lapwright.presentation.size_words import sizes_in_words
from lapwright.presentation.tables import again_words
from lapwright.presentation.words import say
from lapwright.results.findings import KINDS, noticed
from lapwright.results.record import Run
from lapwright.units import NOTHING, Units, joined

LINES = 10  # of a run; with a blank and one on what to open twelve


@dataclass(frozen=True)
class Account:
    """What is said of a run: where it began, what came out, its figures, what moved finer, and what then.

    `shorter`: what came out with fewer bands by the layer.  `next` says how far the goal is, `do` that
    only where there is a [goal], else what to do alone; `grave`: what comes first in `care` can hurt.
    """

    title: str
    begun: str
    came: tuple[str, ...]
    shorter: tuple[str, ...]
    sure: str
    figures: tuple[str, ...]
    stopped: tuple[str, ...]
    again: tuple[str, ...]
    next: str
    do: str
    care: tuple[str, ...]
    margin: str
    grave: bool


def account(run: Run) -> Account:
    """All of it in sentences."""
    view = run_view(run)
    units, then = view.units, advise(view)
    off = ", ".join(f"{face.name} {units.size(face.lost)}" for face in view.faces)
    batch = batch_words(view)
    metal = [] if batch else [say("came.metal", each=off), *sizes_in_words(view)]
    rubbing = Units.rubbing(float(run.time[-1]), view.spread)
    asked, idle = view.study.goal is not None, view.nothing_done
    return Account(
        view.title,
        "" if view.study.start is None else came_from(view.study.start),
        tuple(batch) or (came_out(view),),
        tuple(batch) or (came_out(view, banded=False),),
        "" if batch else good_to(view),
        () if idle else (*metal, say("came.rubbing", time=rubbing)),
        tuple(_stopped(view)),
        tuple(again_words(view)),
        "" if then is None else say("came.next", advice=then.whole),
        "" if then is None else say("came.next", advice=then.whole if asked else then.text),
        tuple(say("came.care", finding=line) for line in _care(view, then)),
        "" if idle else " ".join([_left_out(view), *finish_words(view)]),
        any(KINDS[one.code].harm == "person" for one in noticed(run, view.study)),
    )


def in_words(run: Run) -> list[str]:
    """The same line by line: what came out, how much metal went, how sure it is."""
    told = account(run)
    parts = [told.begun, *told.came, told.sure, *told.figures, *told.stopped, *told.again]
    return [told.title, "", *filter(None, [*parts, told.next, *told.care, told.margin])]


def _left_out(view: RunView) -> str:
    """What is left out of the figures round the edge of each face."""
    alike = () if view.study.batch is None else view.study.batch.names[1:]
    plates = {name: one for name, one in view.run.plates.items() if name not in alike}
    margins = {name: view.units.length(record.margin) for name, record in plates.items()}
    if all(record.margin == 0.0 for record in plates.values()):
        return say("came.to_the_edge")
    each = [say("came.margin_of", margin=size, plate=name) for name, size in margins.items()]
    same = set(margins.values())
    return say("came.margin", margins=same.pop() if len(same) == 1 else joined(each))


def lapped(run: Run) -> Iterator[str]:
    """What came out of a run, what to do next and the gravest to take care of, in at most so many lines."""
    said = account(run)
    figures = " ".join([*said.figures, *said.stopped])
    care, do = wide(_first(said.care)), wide(said.do)
    least = (len(care) if said.grave else min(len(care), 1), len(do))
    for came in (said.came, said.shorter):
        lines = [fitted([said.title], 0)]
        lines += [line for part in (said.begun, *came, figures) if part for line in wide(part)]
        left = LINES - len(lines)
        if left >= sum(least):
            break
    if (full := wide(f"{figures} {said.margin}")) and left + len(wide(figures)) - len(full) >= sum(
        least
    ):
        lines[-len(wide(figures)) :] = full
        left = LINES - len(lines)
    if not said.grave:
        care = shortened(_first(said.care), max(least[0], left - least[1]), wide)
    yield from [*lines, *said.again]
    yield from shortened(said.do, max(1, left - len(care)), wide)
    yield from care


def _first(care: Sequence[str]) -> str:
    """The gravest of what to take care of, and how many more there are."""
    if len(care) < 2:
        return "".join(care)
    return say("came.first", care=care[0].removesuffix("."), more=len(care) - 1)


def came_out(view: RunView, banded: bool = True) -> str:
    """What came out, in a sentence or three; `banded`: all bands by the layer, not one a face."""
    return words.came_out(
        view.run.outcome,
        view.pair,
        view.bearing_share,
        {face.name: face.after if banded else _leading(face.after) for face in view.faces},
        view.doubts,
        view.units,
        view.nothing_done,
        view.bores,
    )


def _leading(forms: words.Forms) -> words.Forms:
    """Forms without the bands of all but the largest."""
    first = max(words.known(forms, SPOKEN), key=lambda one: abs(one[1]), default=("", 0.0))[0]
    ends = {f"{first}{end}" for end in words.ENDS} | {f"flatness{words.ENDS[1]}"}
    return {
        key: value for key, value in forms.items() if key in ends or not key.endswith(words.ENDS)
    }


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
        "next": [] if advice is None else [advice.whole],
        "care": _care(view, advice),
    }


def _care(view: RunView, advice: Advice | None) -> list[str]:
    """What to take care of, with no other turn than what is to be done next."""
    tried = advice is not None and (bool(advice.steps) or advice.kind == "stop")
    return [*_on_feet(view), *care(view.run, view.study, ordered=tried)]


def _on_feet(view: RunView) -> list[str]:
    """What each plate that stands on feet is read as there, where that is not what it is by itself."""
    lines = []
    for face in view.faces:
        lies = view.run.as_read(face.name)
        if lies is None:
            continue
        keys = ("bow", "crown", "wind", "flatness") if face.long else ("sphere", "flatness")
        most = max(abs((lies[key] or 0.0) - (face.after.get(key) or 0.0)) for key in keys)
        if most >= NOTHING:
            shape = words.shapes({face.name: lies}, {face.name: None}, view.units)
            read = " ".join(shape).removesuffix(".").removeprefix(f"{face.name}: ")
            lines.append(say("came.on_feet", view.units, plate=face.name, read=read, most=most))
    return lines
