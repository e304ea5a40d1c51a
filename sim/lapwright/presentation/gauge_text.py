"""What `gauge` says: what each gauge would show, then the whole face; what readings say comes last."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from lapwright.limits import limit_of
from lapwright.metrology.budget import Prediction
from lapwright.metrology.fringes import too_grey
from lapwright.metrology.instruments import Gauge, OpticalFlat
from lapwright.metrology.least_squares import Estimate
from lapwright.metrology.reading import FINE, stepped
from lapwright.presentation import gauge_words
from lapwright.presentation import gauge_words as gauge_readings
from lapwright.presentation.words import MARK, REMARK
from lapwright.results.answer import wrapped
from lapwright.results.finding import Finding
from lapwright.results.gauge import Seen, Whole
from lapwright.results.gauge_request import Request
from lapwright.units import METRIC, NOTHING, Units, joined

if TYPE_CHECKING:
    from lapwright.results.gauge import GaugeAnswer

__all__ = ["in_words"]


NO_SOURCE = (
    "(surface plates' grades; no source here for ISO 8512-2, 1 to "
    "3, nor for limits of repeat readings)"
)


def in_words(answer: GaugeAnswer) -> list[str]:
    """All lines."""
    request, whole, study = answer.request, answer.whole, answer.study
    lines = [f"{study.title}: what a gauge would show, {request.faces.when}"]
    if not study.gauges:
        lines += wrapped(_usual(study.units), "", "  ")
    bored = [name for name in whole if study.plates[name].outline.bore]
    if bored and not study.gauges:
        lines.append(f"(No spherometer for {joined(bored)}: nothing stands over a bore.)")
    for one in answer.seen:
        lines += [
            "",
            f"{one.gauge.name or one.gauge.kind} on {one.plate.name}",
            *_shown(one, request, whole, answer.budget),
        ]
    lines += ["", *_whole(request, whole)]
    # What was asked comes last, where the eye is when a command has run through.
    return (
        lines
        if answer.estimate is None
        else [*lines, "", *_found(request, answer.estimate, answer.findings)]
    )


def _usual(units: Units) -> str:
    """What is taken where a study has no gauge."""
    fine = units.size(FINE)
    return (
        "(No gauge in the study: usual ones are taken, of a size that fits each piece. That they read to "
        f"{fine}, scatter by {fine} and lag by {fine}, and that the eye tells a tenth of a band, is taken as "
        "usual: common practice, no source.)"
    )


def _found(request: Request, found: Estimate, findings: Sequence[Finding]) -> Iterator[str]:
    """What the readings say, and what to be careful with."""
    study, count = request.study, len(request.readings)
    yield f"{study.title}: what {count} reading{'s say' if count > 1 else ' says'}"
    yield ""
    said = [
        *gauge_words.found_words(found, study.units),
        *gauge_words.who_is_on_top(found, study.units),
        *gauge_readings.cautions(findings, request.readings, request.known, study.units),
    ]
    for line in said:
        yield from wrapped(line, "", "  ")


def _shown(one: Seen, request: Request, whole: Mapping[str, Whole], full: bool) -> Iterator[str]:
    """One gauge on one plate."""
    units = request.study.units
    if one.lined:
        yield from (f"  {line}" for line in _lines(one, units))
    else:
        for p in one.there:
            said = gauge_words.shows(
                p, one.gauge, one.plate.outline, units, given=bool(request.places)
            )
            yield f"  {said}{_mark(p.value, one, request)}"
    if one.gauge.zero.on == "plate":
        yield f"  as a comparator, set to nought on {one.gauge.zero.plate}: high is higher than there"
    notes = [
        *_walked(one, whole[one.plate.name], units),
        gauge_words.shares(one.there, one.gauge, one.plate.outline),
    ]
    for said in (*_finish(one, request), *notes):
        yield from wrapped(said, "  ", "    ") if said else ()
    yield from (
        f"  {line}" for line in gauge_words.doubt(one.there[0].budget, one.gauge, units, full)
    )
    if said := gauge_readings.warmth(one.gauge, one.there[0].budget, units, full):
        yield from wrapped(said, "  ", "    ")


def _mark(value: float | None, one: Seen, request: Request) -> str:
    """A dagger behind a reading that is finer than a tenth of the last grit."""
    grit = request.faces.grits[one.plate.name]
    if grit is None or value is None or one.gauge.angular or abs(value) < NOTHING:
        return ""
    return f" {MARK}" if request.study.units.finer(value, limit_of("finish") * grit) else ""


def _finish(one: Seen, request: Request) -> Iterator[str]:
    """What the last grit does to readings: it hides small ones, and leaves a face too grey for bands."""
    grit = request.faces.grits[one.plate.name]
    if grit is None:
        return
    if isinstance(one.gauge, OpticalFlat) and too_grey(grit):
        yield (
            f"but loose {METRIC.size(grit, echo=True)} grit leaves {one.plate.name} too grey to show bands: "
            "polish a witness, or use a gauge"
        )
    if not one.lined and any(_mark(p.value, one, request) for p in one.there):
        yield f"{MARK} {REMARK} (a tenth of the {METRIC.size(grit, echo=True)} grit)"


def _walked(one: Seen, whole: Whole, units: Units) -> Iterator[str]:
    """What the gauge tells when it is walked over the face, and how a band bows."""
    flat = whole.form.flatness
    if one.swept is not None and one.gauge.kind == "repeat reading":
        against = "" if flat is None else f", though over all it is flat to {units.size(flat)} only"
        changes = units.both(one.swept.size) if one.swept.size > NOTHING else "nothing"
        yield f"walked over the face ({one.swept.places} places) its reading changes by {changes}{against}"
    elif one.swept is not None:
        yield (
            f"swept over a grid of {one.swept.places} places: all of them lie between two planes "
            f"{units.both(one.swept.size)} apart"
        )
    if one.bow is not None:
        ends = "thin" if one.bow > 0.0 else "open"
        bow = f"bows by {Units.number(abs(one.bow))} spacings, its ends towards the {ends} side"
        yield f"under its wedge the middle band {bow if abs(one.bow) >= 0.005 else 'is straight'}"


def _lines(one: Seen, units: Units) -> Iterator[str]:
    """Stepped lines as the profiles that they give."""
    by_angle: dict[float, list[Prediction]] = {}
    for each in one.there:
        by_angle.setdefault(each.place.angle, []).append(each)
    for angle, there in by_angle.items():
        told = [each.value for each in there if each.value is not None]
        where = f"at {gauge_words.degrees(angle)}"
        if len(told) < len(there) or len(told) < 2:
            yield f"{where}: on the way it meets a groove or a bore, or the line is too short"
            continue
        top = _departure(one.gauge, np.array(told))
        said = "straight"
        if abs(top) > NOTHING:
            side = "high" if top > 0.0 else "low"
            said = f"{side} by {units.both(top)} at most, from the line through its ends"
        what = f"{len(told)} {'steps' if one.gauge.angular else 'places'}"
        yield f"{where}, {what}: {said}"


def _departure(gauge: Gauge, values: np.ndarray) -> float:
    """Largest departure [m] of a profile from the line through its ends."""
    if gauge.angular:
        heights = stepped(values, getattr(gauge, "base", 0.0)).heights
    else:
        heights = values - np.linspace(values[0], values[-1], len(values))
    return float(heights[np.argmax(np.abs(heights))])


def _whole(request: Request, whole: Mapping[str, Whole]) -> Iterator[str]:
    """How flat each face is over all, and which grades it reaches."""
    units = request.study.units
    margins = joined(list(dict.fromkeys(units.length(one.margin) for one in whole.values())))
    yield f"Each face over all, {margins} left out round its edge"
    for name, one in whole.items():
        if one.form.flatness is None or one.form.flatness_ls is None:
            yield f"  {name}: too little land to tell"
            continue
        flat = units.both(one.form.flatness)
        mean = units.size(one.form.flatness_ls)
        line = (
            f"{name}: flat to {flat}, between the closest two planes; {mean} about its mean plane"
        )
        rough = units.finer(
            one.form.flatness, limit_of("finish") * (request.faces.grits[name] or 0.0)
        )
        yield from wrapped(f"{line}; {REMARK}" if rough else line, "  ", "    ")
        if one.grades:
            yield from wrapped(_graded(one, units), "    ", "    ")
    if any(one.grades for one in whole.values()):
        yield from wrapped(NO_SOURCE, "  ", "  ")


def _graded(one: Whole, units: Units) -> str:
    """The finest grade of each standard that the face reaches, or the coarsest that it misses."""
    parts = []
    for standard in dict.fromkeys(grade.standard for grade in one.grades):
        of = [grade for grade in one.grades if grade.standard == standard]
        best = next((grade for grade in of if grade.passes), None)
        grade = best or of[-1]
        by = f"by its {grade.rule}, up to {units.size(grade.limit)}"
        parts.append(f"{'grade' if best else 'misses grade'} {grade.grade} of {standard} ({by})")
    return "; ".join(parts)
