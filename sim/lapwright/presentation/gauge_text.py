"""What `gauge` says: what each gauge would show, then the whole face; what readings say comes last.

Last of all stands what to be careful with: warm plates, coarse dials, readings at one place.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from itertools import combinations, groupby
from math import pi
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from lapwright.metrology.budget import WARM, Budget, Prediction
from lapwright.metrology.conditions import bow_of_warmth, standing
from lapwright.metrology.contacts import Placement
from lapwright.metrology.finish import SURE, blinded, rough_of
from lapwright.metrology.form import FORMS, Form
from lapwright.metrology.fringes import over_the_bore
from lapwright.metrology.instruments import Gauge, Micrometer, OpticalFlat, TwistGauge
from lapwright.metrology.least_squares import Estimate, FormEstimate
from lapwright.metrology.reading import FINE, Reading, own_of, stepped
from lapwright.presentation.finding_words import finding_text
from lapwright.presentation.size_words import NO_SIZE, hours_words, measured_words
from lapwright.presentation.words import REMARK, Fields, in_bands, odd, say
from lapwright.results.answer import wrapped
from lapwright.results.findings import Finding
from lapwright.results.gauge import Request, Seen
from lapwright.results.whole import Whole
from lapwright.specification.outline import Outline
from lapwright.study.doubts import doubt_on
from lapwright.study.sizes import sizes_of
from lapwright.units import NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.results.gauge import GaugeAnswer


# Where a bow and a crown are told side by side.
_SIDES = {
    "sphere": ("domed", "hollow"),
    "bow": ("middle over the ends", "middle under the ends"),
    "crown": ("middle over the long edges", "middle under the long edges"),
}
TRACE_READ = 20e-9  # [m] of a reading: no gauge of the bench shows less
NO_USE = 10.0  # more than this nobody multiplies a reading by
NO_FACE = 1e-4  # [m]: no face that is lapped is out by so much, so that to say "not above this" says nothing
WHOLE = 0.99  # of a form: that much of it is all
FELT = 1.0 / 3.0  # of all other doubt: less than that adds under 6 % to the whole


def in_words(answer: GaugeAnswer) -> list[str]:
    """All lines."""
    request, whole, study = answer.request, answer.whole, answer.study
    lines = [say("gauge.title", title=study.title, when=request.faces.when)]
    if not own_of(study.gauges, study.plates):
        lines += wrapped(say("gauge.usual", study.units, fine=FINE), "", "  ")
        bored = [name for name in whole if study.plates[name].outline.bore]
        lines += [say("gauge.no_spherometer", names=joined(bored))] if bored else []
    for one in answer.seen:
        name = one.gauge.name or one.gauge.kind
        lines += ["", f"{name} on {one.plate.name}", *_shown(one, request, whole, answer.budget)]
    lines += ["", *_whole(request, whole)]
    # What was asked comes last, where the eye is when a command has run through.
    if answer.estimate is not None:
        lines += ["", *_readings(request, answer.estimate, answer)]
    return lines


# --- one gauge on one plate ------------------------------------------------------------------------


def _shown(one: Seen, request: Request, whole: Mapping[str, Whole], full: bool) -> Iterator[str]:
    """What it shows, what it sees of the whole, and how surely."""
    units, budget = request.study.units, one.there[0].budget
    if isinstance(one.gauge, Micrometer):
        yield from (f"  {line}" for line in _thick(one, request))
        yield from (f"  {line}" for line in _doubt(budget, one.gauge, units, full))
        return
    grit = request.faces.grits[one.plate.name]
    if grit is not None and blinded(one.gauge, grit):
        yield from wrapped(say("gauge.too_grey", grain=grit, plate=one.plate.name), "  ", "    ")
    if one.lined:
        yield from (f"  {line}" for line in _lines(one, units))
    else:
        for p in one.there:
            yield f"  {_reading(p, one, request)}"
    if one.gauge.zero.on == "plate":
        yield f"  {say('gauge.comparator', plate=one.gauge.zero.plate)}"
    notes = [*_finish(one, request), *_walked(one, whole[one.plate.name], units)]
    notes.append(_sees(one, whole[one.plate.name].form))
    for note in notes:
        yield from wrapped(note, "  ", "    ") if note else ()
    yield from (f"  {line}" for line in _doubt(budget, one.gauge, units, full))
    if note := _warmth(one.gauge, budget, units, full):
        yield from wrapped(note, "  ", "    ")


def _thick(one: Seen, request: Request) -> Iterator[str]:
    """How thick a micrometer finds a body, at the hours or where it was asked."""
    units, plate = request.study.units, one.plate
    values = [p.value for p in one.there if p.value is not None and math.isfinite(p.value)]
    if plate.thickness is None:
        yield say("gauge.no_size", plate=plate.name)
    elif not request.places and len(values) == len(one.there):
        half = one.there[0].budget.half
        told = hours_words(values, units)
        yield say("size.give", units, what=told, half=half) if half else told
    else:
        for p in one.there:
            shown = p.footing.words if p.value is None else units.thickness(p.value, full=True)
            x, y = map(units.place, p.place.at)
            yield f"{x}, {y}: {shown}"


def _amount(value: float, gauge: Gauge, units: Units) -> str:
    """Size of a doubt, of a reading or of a step of a dial, in one unit."""
    return f"{Units.number(abs(value) * 1e6)} um/m" if gauge.angular else units.size(value)


def _degrees(angle: float) -> str:
    """An angle [rad] for a line's head."""
    return f"{angle * 180.0 / pi:.0f} deg"


def _reading(one: Prediction, seen: Seen, request: Request) -> str:
    """One line: where it stands, what it shows, how surely."""
    gauge, units = seen.gauge, request.study.units
    where = _where(one, units, given=bool(request.places))
    if one.value is None:
        return f"{where}: {one.footing.words}"
    shows = "nothing"
    doubt = FAINT * one.budget.half if one.budget.parts else 0.0
    if abs(one.value) >= max(1e-8 if gauge.angular else NOTHING, doubt):
        much = units.both(one.value)
        if gauge.angular:
            seconds = Units.number(abs(one.value) * 648000.0 / pi)
            much = f"{_amount(one.value, gauge, units)} ({seconds} arcsec)"
        shows = f"{side_words(one.value > 0.0, one.place, gauge, seen.plate.outline)} by {much}"
        if isinstance(gauge, OpticalFlat):
            shows += f", {Units.number(abs(one.value) / gauge.band)} bands"
    line = f"{where}: {shows}"
    if one.budget.parts:
        line += f", give or take {_amount(one.budget.half, gauge, units)}"
    if shows != "nothing" and units.finer(one.value, _doubt_of(one, seen, request)):
        line += say("gauge.unsure")
    return f"{line} ({one.footing.words})" if one.footing.words else line


def side_words(up: bool, place: Placement, gauge: Gauge, outline: Outline) -> str:
    """What of the face lies which way where a gauge reads `up`, as its pointer or its bands say it."""
    if gauge.angular:
        return "up" if up else "down"
    if isinstance(gauge, OpticalFlat) and over_the_bore(gauge, outline, place.at):
        return f"bore {'over' if up else 'under'} the rim"
    what = ("there" if place.along else "middle") if gauge.pointer is None else gauge.pointer
    return f"{what} {'high' if up else 'low'}".lstrip()


def _where(one: Prediction, units: Units, given: bool) -> str:
    """How the gauge is turned, where its middle stands, and where its indicator."""

    def place(length: float) -> str:
        return f"{length / units.long.size:.{2 if units is Units.INCH else 0}f} {units.long.name}"

    where = say("gauge.at", angle=_degrees(one.place.angle))
    if max(map(abs, one.place.at)) > 1e-4:
        x, y = map(place, one.place.at)
        where += say("gauge.middle", moved=not given, x=x, y=y)
    return where + (say("gauge.along", along=place(one.place.along)) if one.place.along else "")


def _sees(seen: Seen, form: Form) -> str:
    """What it shows of the whole plate, which is of a `form`, and what it does not see."""
    gauge, parts = seen.gauge, []
    if gauge.kind == "repeat reading":
        parts.append(say("gauge.repeat"))
    else:
        best = next((p for p in seen.there if p.best is not None), None)
        if best is not None and not gauge.angular and gauge.kind != "bridge":
            share = abs(best.ratio[best.best or ""])
            parts.append(_share(share, best.best or "", seen, _even(seen, form)))
        ratios = seen.there[0].ratio
        blind = [FORMS[name].word for name in ratios if all(name in p.blind for p in seen.there)]
        if blind:
            parts.append(say("gauge.blind", forms=joined(blind)))
    if isinstance(gauge, TwistGauge):
        parts.append(say("gauge.twist.long" if gauge.foot_circle is None else "gauge.twist.turned"))
    return "; ".join(parts)


FAINT = 0.1  # of its doubt: a reading that is smaller shows nothing
UNEVEN = 0.2  # of a reading: by more than that it is not what the forms of the whole face come to


def _even(seen: Seen, form: Form) -> bool:
    """Whether readings are those of the forms of the whole face: of one worn in a track they are not."""
    if seen.gauge.zero.on == "plate":
        return True
    for p in seen.there:
        if p.value is None:
            continue
        sizes = {key: getattr(form, key, None) or 0.0 for key in p.ratio}
        by_form = sum(ratio * sizes[key] for key, ratio in p.ratio.items())
        off = abs(p.value - by_form)
        if off > max(UNEVEN * max(abs(p.value), abs(by_form)), p.budget.half, TRACE_READ):
            return False
    return True


def _share(ratio: float, key: str, seen: Seen, even: bool) -> str:
    """How much of a form is shown, and by how much that must be multiplied, where that tells anything."""
    whole = "bore" if seen.plate.outline.bore else "plate"
    form = say(f"gauge.whole.{whole}", form=FORMS[key].word)
    if not even:
        return say("gauge.share.uneven", form=FORMS[key].word)
    if ratio > WHOLE:
        return say("gauge.share.all", form=form)
    times, no_use = Units.number(1.0 / ratio), ratio * NO_USE < 1.0
    return say("gauge.share.part", form=form, ratio=ratio, times=times, no_use=no_use)


def _doubt(budget: Budget, gauge: Gauge, units: Units, full: bool) -> list[str]:
    """Where the doubt comes from: the largest cause, or a table of all, one standard deviation each."""
    if not budget.parts:
        return [say("gauge.exact")]
    if not full:
        return [say("gauge.most_doubt", cause=budget.parts[0].cause)]
    width = max(len(part.cause) for part in budget.parts) + 2
    rows = [(part.cause, part.standard, f"   {part.how}") for part in budget.parts]
    rows.append(("all together", budget.standard, ""))
    return [
        say("gauge.doubt"),
        *(f"  {what:<{width}}{_amount(size, gauge, units):>12}{how}" for what, size, how in rows),
    ]


def _warmth(gauge: Gauge, budget: Budget, units: Units, full: bool) -> str:
    """What a warm side does to a plate, or two, how long they have stood, and how long they must.

    Empty where it is not felt beside the rest, but for `full`.
    """
    warm = [part for part in budget.parts if part.cause.startswith(WARM)]
    plates = [part.plate for part in warm if part.plate is not None]
    if not plates:
        return ""
    of = gauge.conditions
    bows = [
        f"{plate.name} {'by' if k else 'bows by'} up to {units.both(bow_of_warmth(plate, of))}"
        for k, plate in enumerate(plates)
    ]
    soak = Units.spell(of.soak) if of.soak else ""
    text = say("gauge.warm.side", units, warmer=of.warm_side, soak=soak, bows=joined(bows))
    rest, felt = budget.without(WARM), math.hypot(*(part.standard for part in warm))
    if felt <= FELT * rest:
        return say("gauge.warm.unfelt", said=text) if full else ""
    if gauge.resolution == gauge.repeatability == gauge.hysteresis == 0.0:
        return text  # nothing was said of the gauge by which to tell when it is little
    share = FELT * rest / felt
    wait = max(standing(plate, of, share * bow_of_warmth(plate, of)) for plate in plates)
    return say("gauge.warm.wait", units, said=text, wait=wait)


def _doubt_of(one: Prediction, seen: Seen, request: Request) -> float:
    """What a reading is not sure of, with what the finish adds to it, in its own unit."""
    grit = request.faces.grits[seen.plate.name]
    # Where it is too grey for bands, those of a bright face are told.
    rough = 0.0 if blinded(seen.gauge, grit) else SURE * rough_of(seen.gauge, grit)
    return math.hypot(one.budget.half, rough)


def _finish(one: Seen, request: Request) -> Iterator[str]:
    """What the last grit does to readings: it scatters them."""
    grit, units = request.faces.grits[one.plate.name], request.study.units
    if grit is not None and isinstance(one.gauge, OpticalFlat):
        yield say("gauge.to_the_edge")
    elif grit is not None and not one.lined and not one.gauge.angular:
        yield say("gauge.finish", units, grain=grit, scatter=rough_of(one.gauge, grit))


def _walked(one: Seen, whole: Whole, units: Units) -> Iterator[str]:
    """What the gauge tells when it is walked over the face, and how a band bows."""
    flat, swept = whole.form.flatness, one.swept
    if swept is not None and one.gauge.kind == "repeat reading":
        changes = units.both(swept.size) if swept.size > NOTHING else "nothing"
        flat_to = "" if flat is None else units.size(flat)
        yield say("gauge.walked", places=swept.places, changes=changes, flat=flat_to)
    elif swept is not None:
        yield say("gauge.swept", units, places=swept.places, size=swept.size)
    if one.bow is not None and abs(one.bow) >= 0.005:
        yield say("gauge.wedge.bows", spacings=abs(one.bow), thin=one.bow > 0.0)
    elif one.bow is not None:
        yield say("gauge.wedge.straight")


def _lines(one: Seen, units: Units) -> Iterator[str]:
    """Stepped lines as the profiles that they give."""
    by_angle: dict[float, list[Prediction]] = {}
    for each in one.there:
        by_angle.setdefault(each.place.angle, []).append(each)
    for at, there in by_angle.items():
        values = [each.value for each in there if each.value is not None]
        angle, count, angular = _degrees(at), len(values), one.gauge.angular
        if count < len(there) or count < 2:
            yield say("gauge.line.broken", angle=angle)
            continue
        top = _departure(one.gauge, np.array(values))
        if abs(top) <= NOTHING:
            yield say("gauge.line.straight", angle=angle, count=count, angular=angular)
        else:
            fields: Fields = {"angle": angle, "count": count, "angular": angular}
            yield say("gauge.line.high", units, **fields, high=top > 0.0, most=top)


def _departure(gauge: Gauge, values: np.ndarray) -> float:
    """Largest departure [m] of a profile from the line through its ends."""
    if gauge.angular:
        heights = stepped(values, getattr(gauge, "base", 0.0)).heights
    else:
        heights = values - np.linspace(values[0], values[-1], len(values))
    return float(heights[np.argmax(np.abs(heights))])


# --- the whole face --------------------------------------------------------------------------------


def _whole(request: Request, whole: Mapping[str, Whole]) -> Iterator[str]:
    """How flat each face is over all, and which grades it reaches."""
    units = request.study.units
    margins = joined(list(dict.fromkeys(units.length(one.margin) for one in whole.values())))
    yield say("gauge.over_all", margins=margins)
    for name, one in whole.items():
        flat, mean = one.form.flatness, one.form.flatness_ls
        if flat is None or mean is None:
            yield f"  {say('gauge.too_little', plate=name)}"
            continue
        line = say("gauge.flat", units, plate=name, flatness=flat, mean=mean)
        grit = request.faces.grits[name]
        doubt = None if grit is None else doubt_on(request.study, name, grit)
        rough = units.finer(flat, doubt)
        yield from wrapped(f"{line}; {REMARK}" if rough else line, "  ", "    ")
        if request.study.plates[name].outline.bore:
            yield f"    {in_bands(flat, units)}"
        if shape := odd(one.forms, doubt, units):
            yield from wrapped(f"{name} is {shape}", "    ", "      ")
        if one.grades:
            yield from wrapped(_graded(one, units), "    ", "    ")
    if any(one.grades for one in whole.values()):
        yield from wrapped(say("gauge.grades"), "  ", "  ")


def _graded(one: Whole, units: Units) -> str:
    """The finest grade of each standard that the face reaches, or the coarsest that it misses."""
    parts = []
    for standard in dict.fromkeys(grade.standard for grade in one.grades):
        of = [grade for grade in one.grades if grade.standard == standard]
        grade = next((grade for grade in of if grade.passes), of[-1])
        fields: Fields = {"grade": grade.grade, "rule": grade.rule, "limit": grade.limit}
        parts.append(say("gauge.grade", units, standard=standard, passes=grade.passes, **fields))
    return "; ".join(parts)


# --- what readings say -----------------------------------------------------------------------------


def _readings(request: Request, found: Estimate, answer: GaugeAnswer) -> Iterator[str]:
    """What the readings say, and what to be careful with."""
    study, count = request.study, len(request.readings)
    yield say("gauge.readings", title=study.title, count=count, several=count > 1)
    yield ""
    read = Read(request.readings, request.known, study.units)
    for line in (
        *_plates(found, study.units, answer.measured),
        *_sizes(answer),
        *_on_top(found, study.units),
        *_cautions(answer.findings, read),
    ):
        yield from wrapped(line, "", "  ")


def _sizes(answer: GaugeAnswer) -> Iterator[str]:
    """What a micrometer says of each plate that it was on: size, wedge, and what is left to take."""
    study, sizes = answer.study, sizes_of(answer.study)
    for plate, one in answer.measured.items():
        yield measured_words(plate, one, sizes.get(plate, NO_SIZE), study.units)
        if one.stretch > 1.0:
            yield say("gauge.apart", plate=plate, times=one.stretch)


def _plates(found: Estimate, units: Units, sized: Collection[str]) -> Iterator[str]:
    """What readings say of each plate, one line a plate, and whether they agree.

    Of plates `sized` by a micrometer nothing where that tells no form.
    """
    for plate in found.plates:
        if plate in sized and not any(found.forms(plate).values()):
            continue
        sums = found.sum_only(plate)
        parts = [
            _form(name, one, units) for name, one in found.forms(plate).items() if name not in sums
        ]
        if sums:
            parts.insert(
                0, say("gauge.sum_only", forms=joined([FORMS[name].word for name in sums]))
            )
        yield f"{plate}: {'; '.join(parts)}"
    if found.stretch > 1.0:
        yield say("gauge.spread", times=found.stretch)


def _form(name: str, one: FormEstimate | None, units: Units) -> str:
    """One form as readings tell it."""
    if one is None:
        return f"{FORMS[name].word} not seen"
    most = abs(one.value) + one.half
    if most > NO_FACE:
        return f"{FORMS[name].word} not known"
    if not one.told:
        return f"no {FORMS[name].word} above {units.size(most)}"
    side = _SIDES.get(name, FORMS[name].sides)[0 if one.value > 0.0 else 1]
    return f"{side} by {units.both(one.value)}, give or take {units.size(one.half)}"


def _on_top(found: Estimate, units: Units) -> Iterator[str]:
    """Which plate of each pair is the more domed, and so goes on top."""
    for first, second in combinations(found.plates, 2):
        higher, apart = found.more_domed(first, second)
        if apart is None:
            continue
        if higher is None:
            most = abs(apart.value) + apart.half
            yield say("gauge.alike", units, first=first, second=second, most=most)
        else:
            other = second if higher == first else first
            half = apart.half
            yield say(
                "gauge.on_top", units, higher=higher, other=other, apart=apart.value, half=half
            )


def _cautions(findings: Iterable[Finding], read: Read) -> Iterator[str]:
    """Sentences on what the readings take for granted."""
    for code, group in groupby(findings, key=lambda one: one.code):
        for variant, fields in RECKONED.get(code, _by_itself)(list(group), read):
            yield finding_text(code + variant, read.units, fields)


class Read(NamedTuple):
    """What readings were made, by which gauges, and the person's units."""

    readings: Sequence[Reading]
    gauges: Mapping[str, Gauge]
    units: Units

    def of(self, one: Finding) -> Reading:
        """The reading that a finding is of."""
        return self.readings[int(one.numbers["reading"])]

    def typed(self, one: Reading) -> str:
        """A reading as it was typed, more or less."""
        gauge = self.gauges[one.gauge]
        value = _amount(one.value, gauge, self.units)
        if isinstance(gauge, OpticalFlat):
            value = f"{Units.number(abs(one.value) / gauge.band)} bands"
        if isinstance(gauge, Micrometer):
            spot = "" if one.at == (0.0, 0.0) else f" at {Units.hour(*one.at)}"
            return f"{one.gauge} on {one.plate}, {self.units.thickness(one.value)}{spot}"
        sign = "-" if one.value < 0.0 else ""
        return f"{one.gauge} on {one.plate}, {sign}{value} at {math.degrees(one.angle):.0f} deg"


Reckoned = Iterator[tuple[str, Fields]]  # which of the sentences of a code, and its fields


def _by_itself(found: Sequence[Finding], read: Read) -> Reckoned:
    for one in found:
        yield "", {"plate": one.plate or "", **one.numbers}


def _of_plates(found: Sequence[Finding], read: Read) -> Reckoned:
    yield "", {"plates": joined([one.plate or "" for one in found]), "several": len(found) > 1}


def _odd(found: Sequence[Finding], read: Read) -> Reckoned:
    odd = [read.typed(read.of(one)) for one in found]
    yield ".one" if len(odd) == 1 else ".several", {"readings": "; ".join(odd)}


def _in_groove(found: Sequence[Finding], read: Read) -> Reckoned:
    counts = Counter((read.of(one).gauge, read.of(one).plate) for one in found)
    for (gauge, plate), count in counts.items():
        yield "", {"gauge": gauge, "plate": plate, "count": count, "several": count > 1}


def _one_step(found: Sequence[Finding], read: Read) -> Reckoned:
    for one in found:
        gauge = read.of(one).gauge
        step = _amount(one.numbers["resolution"], read.gauges[gauge], read.units)
        yield "", {"gauge": gauge, "step": step}


def _not_at_room(found: Sequence[Finding], read: Read) -> Reckoned:
    for one in found:
        warmer = one.numbers["warmer"]
        fields: Fields = {"plate": one.plate or "", "apart": abs(warmer), "warm": warmer > 0.0}
        yield "", {**one.numbers, **fields}


RECKONED: Mapping[str, Callable[[Sequence[Finding], Read], Reckoned]] = {
    "odd_reading": _odd,
    "in_groove": _in_groove,
    "no_side": _of_plates,
    "one_step": _one_step,
    "not_at_room": _not_at_room,
    "one_place": _of_plates,
}
