"""What `next` says: where the plates stand, whether it came as foretold, what was learnt, what comes next."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from functools import cached_property
from typing import Any

from lapwright.limits import limit_of
from lapwright.metrology.budget import never_seen
from lapwright.metrology.form import FORMS
from lapwright.metrology.fringes import over_the_bore
from lapwright.metrology.instruments import Micrometer, OpticalFlat, Spherometer
from lapwright.metrology.reading import Reading
from lapwright.modal.basis import form_names
from lapwright.optimisation.advise import Advice
from lapwright.optimisation.book import Band, Book, Now
from lapwright.optimisation.history import foretell
from lapwright.optimisation.shop import Knowledge
from lapwright.optimisation.sight import ToRead, all_readings, same, sight_of, unseen
from lapwright.optimisation.spell import new_day
from lapwright.presentation.banded import (
    banded,
    fresh_words,
    handling_words,
    harm_words,
    in_100,
    meanwhile_words,
    one_sided,
    read_where,
    road_words,
    sided,
    stopped,
    table_words,
    to_go,
)
from lapwright.presentation.gauge_text import side_words
from lapwright.presentation.next_told import told_of
from lapwright.presentation.parts_words import plan_next, plan_to_go
from lapwright.presentation.size_words import (
    book_sizes,
    forms_stand,
    no_nearer,
    pressed,
    reading_hint,
    size_apart,
    to_size,
)
from lapwright.presentation.standing import PAID, PAYS, mend_words
from lapwright.presentation.tables import stroke_words, turn_words
from lapwright.presentation.way_round import fine_scales
from lapwright.presentation.words import Fields, say
from lapwright.results.answer import Answer, wrapped
from lapwright.specification.step import Step, Turn
from lapwright.units import Unit, Units, joined, sentence

URAD = Unit(1e-6, "urad")
OPEN = 0.3e-6  # [m] half a band: a form that is less sure than this has not been read
FITS = 3.0  # times better: of plates as they come, a mishap that fits less is not spoken of
SELDOM = 3999  # spells: what comes more seldom still is not told apart
MOST_SAID = 4  # readings that are told one by one

STANDS = {"reached": "reached", "read": "not_known"}  # said of the goal as it is


class NextAnswer(Answer):
    """The five sentences of a book, and the same as numbers; `advice`: what the book chooses when None."""

    def __init__(self, book: Book, advice: Advice | None = None) -> None:
        self.book = book
        self.study = book.study
        self.now = book.now
        self.advice: Advice = advice or book.next()
        self.sizing = book.sizing
        names = book.bench.layout.plates
        self.forms = {name: self.forms_of(self.now, name) for name in names}

    def forms_of(self, known: Now, plate: str) -> dict[str, Band]:
        """All forms that one speaks of on a plate [m], its flatness last."""
        spoken = form_names(self.book.bench.layout.plates[plate])
        return {form: known.form(plate, form) for form in (*spoken, "flatness")}

    @cached_property
    def _after(self) -> Knowledge | None:
        """What is known after the next spell, before anything is read; None where none is advised."""
        step = self.advice.step
        if step is None:
            return None
        bench, number = self.book.bench, len(self.book.entries) + 1
        return bench.spell(step, (number,), True).after(new_day(self.book.known, bench.layout))

    @cached_property
    def expected(self) -> dict[str, dict[str, Band]]:
        """Forms of each plate after the next spell [m]; empty where none is advised."""
        if self._after is None:
            return {}
        bench, number = self.book.bench, len(self.book.entries) + 1
        then = Now(bench, self._after, number)
        return {name: self.forms_of(then, name) for name in bench.layout.plates}

    @property
    def units(self) -> Units:
        """Those in which it speaks."""
        units: Units = self.study.units
        return units

    @cached_property
    def foretold(self) -> list[tuple[Reading, Band]]:
        """What to read after the next spell, and what to expect [m, rad]."""
        after = self._after
        if after is None:
            return []
        bench, number = self.book.bench, len(self.book.entries) + 1
        readings = [one for one in self._asked() if not one.table and not self.sized(one)]
        if not readings:
            return []
        found = foretell(
            after, sight_of(bench.layout, readings, bench.gauges), bench.rng(number, 2)
        )
        bands = zip(found.middle, found.low, found.high, strict=True)
        return [(r, Band(*map(float, band))) for r, band in zip(readings, bands, strict=True)]

    def sized(self, reading: Reading) -> bool:
        """Whether a reading is of a body's thickness, of which no shape is foretold."""
        return isinstance(self.study.gauges[reading.gauge], Micrometer)

    @property
    def hint(self) -> str:
        """What a reading to write down looks like: of a part that is lapped to a size, a micrometer's."""
        return reading_hint(self.sizing)

    @cached_property
    def again(self) -> list[str]:
        """Whole tables of readings to take again after the next spell."""
        return [] if self._after is None else table_words(self._asked())

    @property
    def usual(self) -> str:
        """Usual gauges where these are taken, names in quotes: they have commas in them.

        What a spherometer reads is a share of the dome that goes by its feet, so they are told.
        """
        gauges = self.book.study.gauges if self.book.usual_gauges else {}
        return joined(
            [
                say("book.usual_feet", self.units, name=name, circle=gauge.foot_circle)
                if isinstance(gauge, Spherometer)
                else f'"{name}"'
                for name, gauge in gauges.items()
            ]
        )

    @cached_property
    def unseen(self) -> dict[tuple[str, str], str]:
        """Forms that the goal hangs on and no gauge of the study sees, and the kind of gauge that would."""
        book = self.book
        taken = [one for entry in book.entries for one in entry.readings]
        return unseen(book.bench, book.known, book.goal, taken)

    def _asked(self) -> tuple[Reading, ...]:
        """What was read after the last spell, in one entry or more, each place once; else a whole round."""
        rounds: list[list[Reading]] = [[]]
        for entry in self.book.entries:
            if entry.done is not None:
                rounds.append([])
            taken = [one for one in rounds[-1] if not one.table]
            rounds[-1] += [
                one
                for one in entry.readings
                if one.table or not any(same(one, old) for old in taken)
            ]
        last = next((one for one in reversed(rounds) if one), None)
        return tuple(last) if last else all_readings(self.book.bench)

    def told(self) -> Mapping[str, Any]:
        """Everything for scripts."""
        return told_of(self)

    def wear(self, grit: str, metal: str) -> Band:
        """How fast a grit cuts a metal, over what was taken."""
        plates = self.book.bench.layout.plates
        return self.now.wear(
            grit, next(name for name, p in plates.items() if p.material.name == metal)
        )

    @property
    def sentences(self) -> dict[str, str]:
        """The five sentences by what each is of; those that there is nothing to say in are left out."""
        said = {
            "Now": self._now(),
            "As forecast?": self._as_foretold(),
            "Learnt": self._learnt(),
            "Next": self._next_and_unseen(),
            "To go": self._to_go(),
        }
        return {head: text for head, text in said.items() if text}

    def lines(self) -> Iterator[str]:
        """The five sentences."""
        for head, text in self.sentences.items():
            yield from wrapped(f"{head + ('' if head.endswith('?') else '.')} {text}", "", "  ")
        if self.book.usual_gauges:
            yield from wrapped(say("book.usual", names=self.usual), "", "  ")

    def band_words(self, band: Band) -> str:
        """A size with its band, the right way round: "1.4 um (1.1 to 1.7)"."""
        return banded(band, self.units.small)

    def _now(self) -> str:
        parts = []
        for name, of in self.forms.items():
            parts.append(f"{name} {joined(self.forms_words(name, of))}")
        on_feet = [n for n, plate in self.study.plates.items() if plate.feet is not None]
        note = say("book.on_feet", plates=joined(on_feet)) if on_feet else ""
        return " ".join(filter(None, [*book_sizes(self.sizing), f"{'; '.join(parts)}.", note]))

    def forms_words(self, plate: str, of: Mapping[str, Band]) -> list[str]:
        """All forms of a plate but its flatness; those that are not known are said together."""
        found, unread = [], {}
        for key, band in of.items():
            if key == "flatness":
                continue
            if one_sided(band):
                found.append(self.form_words(key, band))
            elif band.low < 0.0 < band.high and band.high - band.low > 2.0 * OPEN:
                unread[key] = max(-band.low, band.high)
            else:
                found.append(self.form_words(key, band))
        for seen in (True, False):
            keys = [key for key in unread if ((plate, key) in self._read_of) == seen]
            if keys:
                names = joined([_spoken(key) for key in keys])
                most = max(unread[key] for key in keys)
                found.append(
                    say("book.unsure", self.units, form=names, unread=True, coarse=seen, most=most)
                )
        return found

    @cached_property
    def _read_of(self) -> set[tuple[str, str]]:
        """Forms (plate, form) that some gauge of the log was set down to read."""
        plates, gauges = self.study.plates, self.study.gauges
        found = set()
        for entry in self.book.entries:
            for one in entry.readings:
                spoken = form_names(plates[one.plate])
                never = () if one.table else never_seen(gauges[one.gauge], plates[one.plate])
                found |= {(one.plate, form) for form in spoken if form not in never}
        return found

    def form_words(self, key: str, band: Band) -> str:
        """One form: named by its side where that is told, else how large it may be."""
        if band.low < 0.0 < band.high and not one_sided(band):
            unread = band.high - band.low > 2.0 * OPEN
            most = max(-band.low, band.high)
            return say(
                "book.unsure", self.units, form=_spoken(key), unread=unread, coarse=False, most=most
            )
        least, most = sorted((abs(band.low), abs(band.high)))
        least = 0.0 if one_sided(band) else least
        size = self.band_words(Band(abs(band.middle), least, most))
        return say(f"book.form.{key}", up=band.middle > 0.0, size=size)

    def _as_foretold(self) -> str:
        last = self.book.chapters[-1] if self.book.chapters else None
        if last is None or last.foretold is None:
            return ""
        told, come = last.foretold, last.entry.done is None
        if come and not told.alarm:
            return ""
        if told.alarm:
            once = round(1.0 / max(told.tail, 1e-9))
            text = say("book.as_come" if come else "book.no", once=once, more=once > SELDOM)
            if max(last.better.values(), default=0.0) <= (FITS if come else 0.0):
                return text
            kind, of = max(
                (k for k in last.better if k[0] != "nothing"), key=lambda k: last.better[k]
            )
            times, mishap = min(last.better[kind, of], 1e6), say(f"book.mishap.{kind}", of=of)
            return say("book.fits", no=text, times=times, mishap=mishap)
        shown = []
        kept = enumerate(last.entry.readings)
        single = [(k, one) for k, one in kept if not one.table and not self.sized(one)]
        for k, reading in single[:MOST_SAID]:
            band = Band(*(float(part[k]) for part in (told.middle, told.low, told.high)))
            read = self.value_words(reading, told.value[k])
            shown.append(f"{read_where(reading)} {read}, forecast {self._within(reading, band)}")
        shown += table_words(last.entry.readings)
        return f"Yes: {'; '.join(shown)}." if shown else "Yes."

    def value_words(self, reading: Reading, value: float) -> str:
        """What a gauge shows [m, rad], in its own unit: "middle low by 0.20 um"."""
        unit = self._unit(reading)
        size = f"{Units.number(abs(float(value)) / unit.size)} {unit.name}"
        return f"{self._side(reading, value > 0.0)} by {size}" if value else f"0 {unit.name}"

    def reading_words(self, reading: Reading, band: Band) -> str:
        """A reading with its band: "middle low by 1.2 um (0.8 to 1.6)", or from low to high."""
        return self._sided(reading, band, True)

    def _within(self, reading: Reading, band: Band) -> str:
        """The same without what of the face it is of."""
        return self._sided(reading, band, False)

    def _sided(self, reading: Reading, band: Band, named: bool) -> str:
        gauge, plate = self.book.study.gauges[reading.gauge], self.book.study.plates[reading.plate]
        at, down, up = reading.place.at, self._side(reading, False), self._side(reading, True)
        bore = isinstance(gauge, OpticalFlat) and over_the_bore(gauge, plate.outline, at)
        return sided(band, self._unit(reading), (down, up), named, bore)

    def _unit(self, reading: Reading) -> Unit:
        angular = self.book.study.gauges[reading.gauge].angular
        return URAD if angular else self.units.small

    def _side(self, reading: Reading, up: bool) -> str:
        gauge, plate = self.book.study.gauges[reading.gauge], self.book.study.plates[reading.plate]
        return side_words(up, reading.place, gauge, plate.outline)

    def _learnt(self) -> str:
        done = dict.fromkeys(e.done.grit.name for e in self.book.entries if e.done is not None)
        parts = []
        for grit in done:
            for metal in (metal for own, metal in self.book.bench.layout.wears if own == grit):
                band = self.wear(grit, metal)
                low, middle, high = map(Units.number, (band.low, band.middle, band.high))
                names = {"grit": grit, "metal": metal}
                parts.append(say("book.cuts", **names, middle=middle, low=low, high=high))
            parts.append(say("book.gives", band=self.band_words(self.now.layer(grit))))
        text = ". ".join(map(sentence, parts))
        return f"{text}." if text else ""

    def _next_and_unseen(self) -> str:
        """What comes next and what of the goal is not seen here; that first where it forbids to lap."""
        told = [self._next(), self._unseen()]
        if not self._read_of and self.advice.step is not None:
            first = "; ".join(read_where(one) for one in all_readings(self.book.bench)[:MOST_SAID])
            told = [say("book.never_read", readings=first), *told]
        return " ".join(filter(None, reversed(told) if self._blind else told))

    @property
    def _blind(self) -> bool:
        """Whether nothing is lapped while the goal hangs on what no gauge here sees."""
        return self.advice.why in ("worse", "no better") and bool(self.unseen)

    def _next(self) -> str:
        step = self.advice.step
        if self.advice.read and self.advice.why == "go on":
            asked = "; ".join(read_where(one.reading) for one in self.advice.read)
            return say("book.read_again", readings=asked)
        if self.advice.read:
            asked = "; ".join(self._first(one) for one in self.advice.read)
            return say("book.read_first", readings=asked)
        if self.advice.plan is not None:
            return plan_next(self.advice.plan, self.units)
        if step is None and self.advice.why in ("size", "measure"):
            return no_nearer(self.sizing)
        if step is None and self.advice.why != "reached":
            road = self.advice.road
            if road is not None and not self._blind:
                return say("book.at_a_price", worse=bool(road.harm))
            return say("book.blind" if self._blind else "book.nothing_more")
        if step is None:
            return ""
        readings = [self._expected(*one) for one in self.foretold[:MOST_SAID]]
        stays = {} if step.swap is None else step.swap.on_top
        told = say(
            "book.step",
            top=step.top,
            bottom=step.bottom if stays else "",
            first=stays.get(step.top, 0.0),
            other=stays.get(step.bottom, 0.0),
            grit=step.grit.name,
            stroke=stroke_words(step, self.units),
            turn=_turn(step.turn),
            strokes=step.total_strokes,
            time=step.total_strokes / step.pace,
            fresh=fresh_words(step),
            readings="; ".join([*readings, *self.again]),
            **self.lighter,
        )
        where = pressed(step, self.units)
        pays = [say("advice.plan.pays", self.units, **one) for one in self.pays()]
        return " ".join(filter(None, [*self._mends(step), told, self._turned(step), where, *pays]))

    def _turned(self, step: Step) -> str:
        """That a spell is turned otherwise than the study says, and by which turn it does as well."""
        other = self.advice.or_turn
        alike = "" if other is None else say("book.or_turn", turn=_turn(other))
        like = [s for s in self.study.steps if {s.top, s.bottom} == {step.top, step.bottom}]
        if not like or any(step.turn == one.turn for one in like):
            return alike
        told = say("book.other_turn", turn=_turn(like[0].turn))
        return " ".join(filter(None, [told, alike]))

    def _mends(self, step: Step) -> list[str]:
        """What must be otherwise than the study says before these two are lapped."""
        study = self.study
        like = [one for one in study.steps if {one.top, one.bottom} == {step.top, step.bottom}]
        each = (mend_words(one, study.plates, self.units) for one in like)
        return list(dict.fromkeys(line for lines in each for line in lines))

    def _expected(self, reading: Reading, band: Band) -> str:
        """A reading to take, and what to expect where its gauge is zeroed on something."""
        known = self.book.study.gauges[reading.gauge].zero.on != "unknown"
        return (
            f"{read_where(reading)} {self.reading_words(reading, band) if known else ''}".rstrip()
        )

    def off(self) -> dict[str, float]:
        """Metal off each plate in the next spell [m], in the mean of all that is believed."""
        after, layout = self._after, self.book.bench.layout
        if after is None:
            return {}
        return {name: float(after.centre[layout.removed(name)]) for name in layout.plates}

    def stop_words(self, step: Step) -> str:
        """When the next spell is over: strokes and minutes, and the metal that should be off then."""
        each = [
            f"{self.units.size(off)} off {name}" for name, off in self.off().items() if off > 0.0
        ]
        time = step.total_strokes / step.pace
        return say("book.stop_at", strokes=step.total_strokes, time=time, off=joined(each))

    @cached_property
    def grams(self) -> dict[str, float]:
        """What plates should lose in the next spell [g], where a balance tells it."""
        plates, least = self.book.bench.layout.plates, limit_of("balance")
        off = {name: depth * plates[name].mass_per_depth for name, depth in self.off().items()}
        return {n: 1e3 * m for n, m in off.items() if m >= least * plates[n].total_mass}

    @cached_property
    def lighter(self) -> dict[str, str]:
        """The same in words, and what scale that wants."""
        plates, lost = self.book.bench.layout.plates, self.grams
        each = [say("book.lighter", plate=name, grams=grams) for name, grams in lost.items()]
        scale = fine_scales({n: (plates[n], grams) for n, grams in lost.items()}, self.units)
        return {"weights": joined(each), "scale": scale}

    def pays(self) -> Iterator[Fields]:
        """Plates that are to end less flat than they are, though nobody asks them to be flat."""
        asked = {one.plate for one in self.book.goal.asked if one.form == "flatness"}
        for name, forms in self.expected.items():
            now, then = self.forms[name]["flatness"].middle, forms["flatness"].middle
            if name not in asked and then > max(now + PAYS, PAID * now):
                yield {"plate": name, "then": then, "now": now}

    def _unseen(self) -> str:
        """What the goal hangs on that cannot be read here, once, and what it is read by."""
        plates: dict[tuple[str, str], list[str]] = {}
        for (plate, form), kind in self.unseen.items():
            plates.setdefault((FORMS[form].word, kind), []).append(plate)
        found: dict[tuple[str, str], list[str]] = {}
        for (form, kind), names in plates.items():
            found.setdefault((joined(names), kind), []).append(form)
        each = (
            say(
                "book.unseen", forms=joined(forms), plates=names, an=kind[:1] in "aeiou", gauge=kind
            )
            for (names, kind), forms in found.items()
        )
        return " ".join(each)

    def _first(self, one: ToRead) -> str:
        """A reading to take first: "A's dome (sph on A; known within 1.1 um now, then 0.3 um)"."""
        plate, form = one.form
        size, unit = self.units.small
        now, then = (Units.number(within / size) for within in (one.now, one.then))
        form = "dome" if form == "sphere" else form
        where = read_where(one.reading)
        return say("book.first", plate=plate, form=form, where=where, now=now, then=then, unit=unit)

    def _to_go(self) -> str:
        advice = self.advice
        if advice.plan is not None:
            return plan_to_go(advice.plan)
        share = in_100(advice.reached_now)
        if advice.why == "size" and advice.step is not None:
            return to_size(self.sizing, advice.step, self.off(), share)
        if advice.why in ("size", "measure"):
            return forms_stand(self.sizing, share)
        if advice.why in STANDS:
            return say(f"book.goal.{STANDS[advice.why]}", share=share)
        if advice.why == "closer":
            now, then = advice.excess
            told = say("book.not_in_sight", now=now, then=then)
            return " ".join(filter(None, [told, road_words(advice, self.units)]))
        if self._blind:
            return say("book.blind_still", share=share, harm=harm_words(advice, self.units))
        if advice.step is None and not advice.read:
            told = stopped(advice, harm_words(advice, self.units) if advice.why == "worse" else "")
            return " ".join(filter(None, [told, road_words(advice, self.units)]))
        apart = size_apart(self.sizing, advice.step)
        handling = handling_words(self.book.goal.effort, self.study)
        way = meanwhile_words(advice, self.units)
        return to_go(advice, " ".join(filter(None, [way, apart, handling])), self.units)


def _turn(turn: Turn) -> str:
    """A turn in words, nothing where the top is not turned."""
    return turn_words(turn) if turn.angle else ""


def _spoken(form: str) -> str:
    """A form whose side is not known."""
    return "dome or dish" if form == "sphere" else form
