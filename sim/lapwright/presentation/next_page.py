"""The page of `next`: what the book of a pair says, drawn, with the card of the next spell and the log."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.metrology.form import FORMS
from lapwright.modal.basis import PLANES, form_names
from lapwright.optimisation.book import Book, Now
from lapwright.optimisation.history import Chapter
from lapwright.optimisation.sight import sight_of
from lapwright.presentation import pictures
from lapwright.presentation.card import POINT, SIZES, Line, columns_height
from lapwright.presentation.finding_words import in_words
from lapwright.presentation.next_spell import NextAnswer, read_where
from lapwright.presentation.orders import Order, grit_words, orders
from lapwright.presentation.pictures.believed import Believed, Went, WentOn, believed, went
from lapwright.presentation.render import filled
from lapwright.presentation.tables import stroke_words, turn_words
from lapwright.results.findings import foreseen
from lapwright.specification.step import Step
from lapwright.units import Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.study.model import Study

__all__ = ["next_page"]


Array = NDArray[np.float64]

ACROSS = 121  # places along a cut
DRAWN = 400  # shops that give a band its ends
STREAM = 0x70616765  # sets these random numbers apart from others with the same seed
PLAINLY = 1e-6  # [m] a reading whose scatter would be more of a form tells nothing of it
MOST_MOMENTS = 24  # entries that are drawn; of more, the last
HALF = 121.0  # mm: height of half a sheet, less its margins
MOST_CARE = 2
WASHED = "Before every reading wash and dry, and let the plates stand until they are as warm as the room."


def next_page(answer: NextAnswer, study: Study | None, lap: str = "") -> str:
    """The page as text.

    Parameters
    ----------
    answer
        What the book says.
    study
        The next spell as a study; None where none is advised.
    lap
        The command that laps it.

    """
    book, own = answer.book, answer.book.study
    looks = _looks(study)
    minded = [] if study is None else in_words(foreseen(study, looks), study)
    care = [f"{sentence(line)}." for line in minded]
    with pictures.sheet():
        faces, history = believed(_faces(answer), answer.units), went(_went(answer), answer.units)
        return filled(
            "next.html",
            study=own,
            program=__version__,
            headline=_headline(answer),
            facts=_facts(book),
            sentences=[(_head(head), text) for head, text in answer.sentences.items()],
            usual=_usual(answer),
            faces=faces,
            faces_in_words=answer.sentences["Now"],
            card=_card(answer, looks, care),
            history=history,
            history_note=_history_note(answer),
            log=[_logged(answer, n, c) for n, c in enumerate(book.chapters, 1)],
            care=care,
            next_text="" if study is None else study.text,
            lap=lap,
        )


def _looks(study: Study | None) -> Sequence[Outlook]:
    if study is None:
        return ()
    from lapwright.integration.estimate import outlooks

    return outlooks(study.plates, study.steps, seed=study.seed)


def _head(head: str) -> str:
    return head if head.endswith("?") else f"{head}."


def _headline(answer: NextAnswer) -> str:
    """What to do now, in a line."""
    step, read = answer.advice.step, answer.advice.read
    if step is not None:
        time = Units.spell(step.total_strokes / step.pace)
        who = f"{step.top} on {step.bottom}, {step.grit.name}"
        return f"Next: {who}, {step.total_strokes} strokes ({time}), then read."
    if read:
        return f"Read first: {joined([read_where(one.reading) for one in read])}."
    return answer.sentences["To go"]


def _facts(book: Book) -> str:
    number = len(book.entries)
    dated = [entry.date for entry in book.entries if entry.date is not None]
    until = f", the last of {dated[-1].isoformat()}" if dated else ""
    return f"{number} entr{'y' if number == 1 else 'ies'} in the log{until}"


def _usual(answer: NextAnswer) -> str:
    if not answer.book.usual_gauges:
        return ""
    return f"No gauge in the study: usual ones are taken: {joined(list(answer.book.study.gauges))}."


# --- the faces ---------------------------------------------------------------------------------


def _faces(answer: NextAnswer) -> list[Believed]:
    """Each face in the middle of what is believed, and its cut with the band."""
    book = answer.book
    layout, known = book.bench.layout, book.known
    shops, _ = known.draw(DRAWN, book.bench.rng(len(book.entries), STREAM))
    found = []
    for name, plate in layout.plates.items():
        basis, own = layout.bases[name], layout.heights(name, known.centre[None])[0]
        heights = np.where(plate.land > 0.0, basis.on(plate.grid, own), np.nan)
        half = 0.5 * plate.outline.size[0]
        x = np.linspace(-half, half, ACROSS)
        shapes = basis.evaluate(x, np.zeros(ACROSS))[PLANES:]
        shapes = np.where(np.abs(x) < 0.5 * plate.outline.bore, np.nan, shapes)
        cut = shops[:, layout.face(name)] @ shapes
        low, high = np.quantile(cut, [0.025, 0.975], axis=0)
        bands = answer.forms[name]
        told = [answer.form_words(key, band) for key, band in bands.items() if key != "flatness"]
        told.append(f"flat within {answer.band_words(bands['flatness'])}")
        middle = known.centre[layout.face(name)] @ shapes
        found.append(Believed(plate, heights, tuple(told), x, middle, low, high))
    return found


# --- how each form went ------------------------------------------------------------------------


def _went(answer: NextAnswer) -> list[Went]:
    """Each form of each plate, as foretold, read and believed since, and as it is foretold next."""
    book = answer.book
    begun = max(0, len(book.chapters) - MOST_MOMENTS)
    number = begun + 1
    told: list[tuple[str, Chapter, Now, Now]] = []
    for number, chapter in enumerate(book.chapters[begun:], begun + 1):
        before, after = (Now(book.bench, k, number) for k in (chapter.before, chapter.known))
        told.append((str(number), chapter, before, after))
    panels = []
    for name, plate in book.bench.layout.plates.items():
        for k, form in enumerate(form_names(plate)):
            moments = [
                WentOn(
                    label,
                    _ends(before, name, form),
                    _three(after, name, form),
                    tuple(_read(book, chapter, name, k)),
                )
                for label, chapter, before, after in told
            ]
            if not moments:
                moments = [WentOn("now", None, _three(answer.now, name, form))]
            if answer.expected:
                then = answer.expected[name][form]
                moments.append(WentOn("next", (then.low, then.high)))
            sides = (side.replace("at the ", "at ") for side in FORMS[form].sides)
            up, down = (side.removesuffix(" corners") for side in sides)
            panels.append(Went(name, FORMS[form].word, up, down, tuple(moments)))
    return panels


def _ends(known: Now, plate: str, form: str) -> tuple[float, float]:
    band = known.form(plate, form)
    return band.low, band.high


def _three(known: Now, plate: str, form: str) -> tuple[float, float, float]:
    band = known.form(plate, form)
    return band.low, band.middle, band.high


def _read(book: Book, chapter: Chapter, plate: str, form: int) -> Iterator[float]:
    """What each reading of an entry makes of a form [m], if it tells that form best of all.

    All else that the gauge sees, finer shapes and its zero among it, is taken as foretold.
    """
    layout, readings = book.bench.layout, chapter.entry.readings
    if not readings:
        return
    sight = sight_of(layout, readings, book.bench.gauges)
    at, back = layout.quadratic(plate)
    centre = chapter.before.centre
    was = float(layout.form_rows(plate)[form] @ centre)
    for reading, row, value, noise in zip(
        readings, sight.rows, sight.value, np.diagonal(sight.noise), strict=True
    ):
        seen = row[at] @ back
        if reading.plate != plate or np.abs(seen).argmax() != form:
            continue
        if np.sqrt(noise) < PLAINLY * abs(seen[form]):
            yield was + float(value - row @ centre) / float(seen[form])


def _history_note(answer: NextAnswer) -> str:
    left = len(answer.book.chapters) - MOST_MOMENTS
    cut = f" The first {left} entries are not drawn." if left > 0 else ""
    return (
        "What is foretold for an entry takes in the spell before it, not its readings. A reading may lie off "
        f"what is believed after it: the gauge scatters, and its zero is not known for sure.{cut}"
    )


# --- the card ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Card:
    """What stands on half a sheet; `type` [pt]."""

    title: str
    kind: str
    who: str
    grit: str
    orders: tuple[Order, ...]
    before: str
    expect: str
    rows: tuple[tuple[str, str], ...]
    alarms: tuple[str, ...]
    foot: tuple[str, ...]

    @property
    def type(self) -> float:
        """The largest type in which all goes on half a sheet; the smallest where none does."""
        lines = [Line("x", 1.55, 0.0, 6.0), Line("x", 1.45, 0.0, 8.0)]
        lines += [Line(order.text, 1.0, 6.4, 0.45) for order in self.orders]
        lines += [Line(self.before, 0.84, 0.0, 2.0)]
        lines += [Line(text, 0.92, 1.0, 2.4) for text in self.alarms]
        lines += [Line(text, 0.84, 0.0, 0.3) for text in self.foot]

        def tall(size: float) -> float:
            rows = [columns_height(max(row, key=len), size) for row in self.rows]
            return sum(line.height(size) for line in lines) + sum(rows) + 2.5 * size * POINT

        return next((size for size in SIZES if tall(size) <= HALF), SIZES[-1])


def _card(answer: NextAnswer, looks: Sequence[Outlook], care: Sequence[str]) -> _Card:
    step, number = answer.advice.step, len(answer.book.entries) + 1
    if step is None:
        return _card_to_read(answer, number)
    plates, time = answer.book.study.plates, Units.spell(step.total_strokes / step.pace)
    told = orders(step, plates, looks[0], answer.units)
    return _Card(
        "The next spell, to print",
        f"spell {number}",
        f"{step.top} on {step.bottom}",
        grit_words(step),
        (*told, Order("Stop", f"after {step.total_strokes} strokes, {time}")),
        WASHED,
        "Expect, 95 in 100",
        tuple((read_where(r), answer.reading_words(r, band)) for r, band in answer.foretold),
        tuple(care[:MOST_CARE]),
        (
            f"Lifting: {step.top}, the top, weighs {answer.units.mass(plates[step.top].total_mass)}.",
            "Slide plates apart, never pry. Fingers out of the gap. Local rules come first.",
            f"Then write it down as entry {number}: strokes that were done, readings, weight if weighed.",
        ),
    )


def _card_to_read(answer: NextAnswer, number: int) -> _Card:
    """The card where no spell is advised: what to read first, or that it is time to stop."""
    rows = tuple((read_where(one.reading), _of(answer, one.form)) for one in answer.advice.read)
    return _Card(
        "What to read, to print" if rows else "What to do now",
        f"entry {number}",
        "",
        "",
        (),
        WASHED if rows else "",
        "Tells most of",
        rows,
        (),
        (f"Then write it down as entry {number}.",) if rows else (answer.sentences["To go"],),
    )


def _of(answer: NextAnswer, form: tuple[str, str]) -> str:
    plate, key = form
    return f"{FORMS[key].word} of {plate}"


# --- the log -----------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Logged:
    """One entry of the log, in words."""

    number: int
    date: str
    done: str
    read: tuple[str, ...]
    foretold: str
    note: str


def _logged(answer: NextAnswer, number: int, chapter: Chapter) -> _Logged:
    entry, told = chapter.entry, chapter.foretold
    foretold = ""
    if told is not None and entry.done is not None:
        foretold = "yes"
        if told.alarm:
            foretold = f"no, once in {Units.number(round(1.0 / max(told.tail, 1e-9)))} spells"
    read = [f"{read_where(r)}: {answer.value_words(r, r.value)}" for r in entry.readings]
    read += [f"{name} lost {answer.units.mass(mass)}" for name, mass in entry.lost.items()]
    return _Logged(
        number,
        entry.date.isoformat() if entry.date is not None else "",
        _done(answer, entry.done, entry.restart, entry.zeroed),
        tuple(read),
        foretold,
        entry.note,
    )


def _done(
    answer: NextAnswer, step: Step | None, restart: Sequence[str], zeroed: Sequence[str]
) -> str:
    parts = []
    if restart:
        parts.append(f"{joined(list(restart))} begun anew")
    if step is not None:
        time = Units.spell(step.total_strokes / step.pace)
        turn = turn_words(step.turn) if step.turn.angle else "top not turned"
        parts.append(
            f"{step.top} on {step.bottom}, {step.grit.name}, {stroke_words(step, answer.units)}, {turn}, "
            f"{step.total_strokes} strokes ({time})"
        )
    if zeroed:
        parts.append(f"{joined(list(zeroed))} set to nought")
    return sentence("; ".join(parts)) if parts else "Read only."
