"""The page of `next`: what the book of a pair says, drawn, with the card of the next spell and the log."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.metrology.form import FORMS
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import PLANES, form_names
from lapwright.optimisation.book import Band, Book, Now
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.history import Chapter
from lapwright.optimisation.sight import sight_of
from lapwright.presentation import pictures
from lapwright.presentation.banded import read_where, table_words
from lapwright.presentation.card import POINT, SIZES, Line, row_height
from lapwright.presentation.filling import filled
from lapwright.presentation.finding_words import in_words
from lapwright.presentation.next_spell import NextAnswer
from lapwright.presentation.orders import Order, grit_words, orders
from lapwright.presentation.pictures.faces import Believed, believed
from lapwright.presentation.pictures.history import Went, WentOn, went
from lapwright.presentation.tables import stroke_words, turn_words
from lapwright.presentation.words import say
from lapwright.results.findings import foreseen
from lapwright.study.sizes import sizes_of
from lapwright.units import Units, joined, sentence

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook
    from lapwright.specification.step import Step
    from lapwright.study.model import Study


Array = NDArray[np.float64]

ACROSS = 121  # places along a cut
DRAWN = 400  # shops that give a band its ends
TOO_WIDE = 0.5  # of the goal: a place that is known within this is known well enough
WITHIN = 1.96  # standard deviations, for 95 in 100
STREAM = 0x70616765  # sets these random numbers apart from others with the same seed
PLAINLY = 1e-6  # [m] a reading whose scatter would be more of a form tells nothing of it
MOST_ENTRIES = 24  # entries that are drawn; of more, the last
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
    minded = [] if study is None else in_words(foreseen(study, looks), study, True, ordered=True)
    care = [f"{sentence(line)}." for line in minded]
    with pictures.sheet():
        faces = believed(_faces(answer), answer.units, asked=bool(answer.advice.read))
        history = went(_went(answer), answer.units)
        return filled(
            "next.html",
            study=own,
            program=__version__,
            headline=_headline(answer),
            facts=_facts(book),
            sentences=answer.sentences,
            usual=answer.usual,
            faces=faces,
            faces_in_words=answer.sentences["Now"],
            card=_card(answer, looks, care),
            history=history,
            undrawn=max(0, len(book.chapters) - MOST_ENTRIES),
            log=[_logged(answer, n, c) for n, c in enumerate(book.chapters, 1)],
            care=care,
            next_text="" if study is None else study.text,
            lap=lap,
        )


def _looks(study: Study | None) -> Sequence[Outlook]:
    return () if study is None else study.ahead


def _headline(answer: NextAnswer) -> str:
    """What to do now, in a line."""
    step, read = answer.advice.step, answer.advice.read
    if step is not None:
        time = Units.spell(step.total_strokes / step.pace)
        who = f"{step.top} on {step.bottom}{_then(step)}, {step.grit.name}"
        return f"Next: {who}, {step.total_strokes} strokes ({time}), then read."
    if read:
        return f"Read first: {joined([read_where(one.reading) for one in read])}."
    if answer.advice.why == "reached":
        return say("book.done")
    return answer.sentences.get("Next") or answer.sentences["To go"]


def _then(step: Step) -> str:
    """That the plates change places in a spell, and when."""
    if step.swap is None or not step.swap.on_top:
        return ""
    first, other = (Units.spell(step.swap.on_top[name]) for name in (step.top, step.bottom))
    return f" for {first}, then {step.bottom} on {step.top} for {other}"


def _facts(book: Book) -> str:
    number = len(book.entries)
    dated = [entry.date for entry in book.entries if entry.date is not None]
    until = f", the last of {dated[-1].isoformat()}" if dated else ""
    return f"{number} entr{'y' if number == 1 else 'ies'} in the log{until}"


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
        told = answer.forms_words(name, bands)
        told.append(f"flat within {answer.band_words(bands['flatness'])}")
        middle = known.centre[layout.face(name)] @ shapes
        within = TOO_WIDE * float(book.goal.most.min())
        spread = _spread(book, name, shops)
        there = plate.land_inside(book.bench.layout.margin.of(plate.outline)) >= 0.5
        unsure = there & (spread > within)
        found.append(
            Believed(
                plate,
                heights,
                tuple(told),
                x,
                middle,
                low,
                high,
                unsure,
                within,
                _touched(book, name, _last_read(book)),
                _wanted(answer, name, np.where(unsure, spread, 0.0)),
            )
        )
    return found


def _spread(book: Book, name: str, shops: Array) -> Array:
    """How far either way each place of a face may lie, in 95 of 100, less how the face lies (ny, nx) [m]."""
    layout, plate = book.bench.layout, book.bench.layout.plates[name]
    x, y = (values.ravel() for values in plate.grid.mesh())
    shapes = layout.bases[name].evaluate(x, y)[PLANES:]
    covariance = np.cov(shops[:, layout.face(name)], rowvar=False)
    variance = np.einsum("ip,ij,jp->p", shapes, covariance, shapes).reshape(plate.grid.shape)
    half: Array = WITHIN * np.sqrt(variance)
    return half


def _last_read(book: Book) -> Sequence[Reading]:
    return next((c.entry.readings for c in reversed(book.chapters) if c.entry.readings), ())


def _touched(book: Book, name: str, readings: Sequence[Reading]) -> Array:
    """Where gauges touch a face in some readings (k, 2) [m]."""
    outline = book.bench.layout.plates[name].outline
    found = [np.zeros((0, 2))]
    for one in readings:
        if one.plate == name:
            there = book.bench.gauges[one.gauge].contacts(one.place, outline)
            found.append(np.stack([there.x, there.y], axis=1))
    return np.concatenate(found)


def _wanted(answer: NextAnswer, name: str, spread: Array) -> Array:
    """Where to touch a face next as is advised; without advice where it is least known, if too little."""
    asked = [one.reading for one in answer.advice.read if one.reading.plate == name]
    if answer.advice.read or not spread.any():
        return _touched(answer.book, name, asked)
    x, y = answer.book.bench.layout.plates[name].grid.mesh()
    at = int(spread.argmax())
    return np.array([[x.ravel()[at], y.ravel()[at]]])


# --- how each form went ------------------------------------------------------------------------


def _went(answer: NextAnswer) -> list[Went]:
    """Each form of each plate, as foretold, read and believed since, and as it is foretold next."""
    book = answer.book
    begun = max(0, len(book.chapters) - MOST_ENTRIES)
    told: list[tuple[str, Chapter, Now, Now]] = []
    for number, chapter in enumerate(book.chapters[begun:], begun + 1):
        before, after = (Now(book.bench, k, number) for k in (chapter.before, chapter.known))
        told.append((str(number), chapter, before, after))
    panels = []
    for name, plate in book.bench.layout.plates.items():
        for k, form in enumerate(form_names(plate)):
            entries = [
                WentOn(
                    label,
                    _ends(before.form(name, form))[::2],
                    _ends(after.form(name, form)),
                    tuple(_read(book, chapter, name, k)),
                )
                for label, chapter, before, after in told
            ]
            entries = entries or [WentOn("now", None, _ends(answer.now.form(name, form)))]
            if answer.expected:
                entries.append(WentOn("next", _ends(answer.expected[name][form])[::2]))
            up, down = (
                s.replace("at the ", "at ").removesuffix(" corners") for s in FORMS[form].sides
            )
            panels.append(Went(name, FORMS[form].word, up, down, tuple(entries)))
    return panels


def _ends(band: Band) -> tuple[float, float, float]:
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


# --- the card ----------------------------------------------------------------------------------


def _card(answer: NextAnswer, looks: Sequence[Outlook], care: Sequence[str]) -> dict[str, Any]:
    """What stands on half a sheet, its type [pt] too: the next spell, what to read, or that it is done."""
    step, number = answer.advice.step, len(answer.book.entries) + 1
    write = f"Then write it down as entry {number}"
    if step is None:
        rows = [(read_where(r.reading), _form_of(r.form)) for r in answer.advice.read]
        card: dict[str, Any] = {
            "title": "What to read, to print" if rows else "What to do now",
            "kind": f"entry {number}",
            "before": WASHED if rows else "",
            "expect": "Tells most of",
            "rows": rows,
            "foot": [f"{write}." if rows else _headline(answer)],
            "orders": [],
            "alarms": [],
        }
    else:
        plates = answer.book.study.plates
        scale = answer.lighter["scale"]
        stop = Order("Stop", answer.stop_words(step))
        mass = answer.units.mass(plates[step.top].total_mass)
        pays = [say("book.pays", answer.units, **one) for one in answer.pays()]
        card = {
            "title": "The next spell, to print",
            "kind": f"spell {number}",
            "who": f"{step.top} on {step.bottom}",
            "grit": grit_words(step),
            "before": WASHED,
            "expect": "Expect, 95 in 100",
            "rows": [
                *((read_where(r), answer.reading_words(r, band)) for r, band in answer.foretold),
                *((what, "as a table") for what in answer.again),
                *_to_measure(answer),
                *_to_weigh(answer),
            ],
            "foot": [
                say("orders.clock"),
                *([say("book.weighing", scale=scale[:1].lower() + scale[1:])] if scale else []),
                f"Lifting: {step.top}, the top, weighs {mass}.",
                "Slide plates apart, never pry. Fingers out of the gap. Local rules come first.",
                f"{write}: strokes that were done, readings, weight if weighed.",
            ],
            "orders": [*orders(step, plates, looks[0], answer.units), stop],
            "alarms": [*pays, *care[:MOST_CARE]],
        }
    return {**card, "type": _type(card)}


def _to_weigh(answer: NextAnswer) -> list[tuple[str, str]]:
    """Boxes for the weight before and after of plates of which a balance tells the loss."""
    rows = []
    for name, grams in answer.grams.items():
        rows.append((say("book.weight_before", plate=name), ""))
        rows.append((say("book.weight_after", plate=name), say("book.less", grams=grams)))
    return rows


def _to_measure(answer: NextAnswer) -> list[tuple[str, str]]:
    """Where a micrometer is to be read of plates that are lapped to a size, and at what to stop."""
    step, units = answer.advice.step, answer.units
    gauges = answer.book.study.gauges
    foretold = {r.plate for r, _ in answer.foretold if gauges[r.gauge].kind == "micrometer"}
    rows = []
    for name, size in sizes_of(answer.book.study).items():
        if step is None or name not in (step.top, step.bottom) or name in foretold:
            continue
        asked = [say("size.card_stop", units, size=size.thickness)] if size.thickness else []
        asked += [say("size.card_wedge", units, size=size.wedge)] if size.wedge else []
        rows.append((say("size.card_row", plate=name), ", ".join(asked)))
    return rows


def _form_of(form: tuple[str, str]) -> str:
    plate, key = form
    return f"{FORMS[key].word} of {plate}"


def _type(card: Mapping[str, Any]) -> float:
    """The largest type in which all goes on half a sheet; the smallest where none does [pt]."""
    lines = [
        Line("x", 1.55, 0.0, 6.0),
        Line("x", 1.45, 0.0, 8.0),
        Line(card["before"], 0.84, 0.0, 2.0),
    ]
    lines += [Line(order.text, 1.0, 6.4, 0.45) for order in card["orders"]]
    lines += [Line(text, 0.92, 1.0, 2.4) for text in card["alarms"]]
    lines += [Line(text, 0.84, 0.0, 0.3) for text in card["foot"]]

    def tall(size: float) -> float:
        rows = sum(row_height(max(row, key=len), size) for row in card["rows"])
        return sum(line.height(size) for line in lines) + rows + 2.5 * size * POINT

    return next((size for size in SIZES if tall(size) <= HALF), SIZES[-1])


# --- the log -----------------------------------------------------------------------------------


def _logged(answer: NextAnswer, number: int, chapter: Chapter) -> dict[str, Any]:
    """One entry of the log, in words."""
    entry, told = chapter.entry, chapter.foretold
    foretold = ""
    if told is not None and entry.done is not None:
        spells = Units.number(round(1.0 / max(told.tail, 1e-9)))
        foretold = f"no, once in {spells} spells" if told.alarm else "yes"
    single = [r for r in entry.readings if not r.table]
    read = [
        f"{read_where(r)}: {answer.units.thickness(r.value, full=True)}"
        if answer.sized(r)
        else f"{read_where(r)}: {answer.value_words(r, r.value)}"
        for r in single
    ]
    read += table_words(entry.readings)
    read += [f"{name} lost {answer.units.mass(mass)}" for name, mass in entry.lost.items()]
    return {
        "number": number,
        "date": entry.date.isoformat() if entry.date is not None else "",
        "done": _done(answer, entry),
        "read": read,
        "foretold": foretold,
        "note": entry.note,
    }


def _done(answer: NextAnswer, entry: Entry) -> str:
    step, parts = entry.done, list[str]()
    if entry.restart:
        parts.append(f"{joined(list(entry.restart))} started again")
    if step is not None:
        time = Units.spell(step.total_strokes / step.pace)
        turn = turn_words(step.turn) if step.turn.angle else "top not turned"
        who = f"{step.top} on {step.bottom}{_then(step)}"
        what = f"{who}, {step.grit.name}, {stroke_words(step, answer.units)}, {turn}"
        parts.append(f"{what}, {step.total_strokes} strokes ({time})")
    if entry.zeroed:
        parts.append(f"{joined(list(entry.zeroed))} set to zero")
    return sentence("; ".join(parts)) if parts else "Read only."
