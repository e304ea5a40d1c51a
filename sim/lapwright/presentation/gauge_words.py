"""What a gauge would show, what readings say, and what to be careful with.

What to be careful with: warm plates, coarse dials, readings at one place, faces that are not so plain.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from math import pi
from typing import NamedTuple

from lapwright.metrology.budget import WARM, Budget, Prediction
from lapwright.metrology.conditions import bow_of_warmth, standing
from lapwright.metrology.contacts import Placement
from lapwright.metrology.form import FORMS
from lapwright.metrology.fringes import over_the_bore
from lapwright.metrology.instruments import Gauge, OpticalFlat, TwistGauge
from lapwright.metrology.least_squares import Estimate, FormEstimate
from lapwright.metrology.reading import Reading
from lapwright.presentation.finding_words import sentence_of
from lapwright.results.finding import Finding
from lapwright.results.findings import KINDS
from lapwright.specification.outline import Outline
from lapwright.units import NOTHING, Units, joined

__all__ = [
    "SENTENCES",
    "cautions",
    "doubt",
    "form_words",
    "found_words",
    "shares",
    "shows",
    "side_words",
    "slope",
    "warmth",
    "who_is_on_top",
]


# Where a bow and a crown are told side by side.
_SIDES = {
    "sphere": ("domed", "hollow"),
    "bow": ("middle over the ends", "middle under the ends"),
    "crown": ("middle over the long edges", "middle under the long edges"),
}
NO_USE = 10.0  # more than this nobody multiplies a reading by
NO_FACE = 1e-4  # [m]: no face that is lapped is out by so much, so that to say "not above this" says nothing
WHOLE = 0.99  # of a form: that much of it is all
APART = (
    "The readings lie {times} times as far apart as their scatter allows: look for dirt under a foot, a warm "
    "plate, waves or a rolled edge (no dome, saddle or twist makes up for those), or a gauge that scatters "
    "more than you wrote. All that is said above is taken as so much less sure."
)
ALIKE = (
    "{first} and {second} read the same, to within {most} of dome. If they also bear all over at 0 and at 90 "
    "degrees, slid about, both are flat to that, but for what the grit layer leaves in both; at one angle "
    "alone bearing all over tells nothing of twist (docs/flat-or-mated.md)."
)


def slope(value: float) -> str:
    """Size of a slope [rad]: um per metre, and seconds of arc."""
    return (
        f"{Units.number(abs(value) * 1e6)} um/m ({Units.number(abs(value) * 648000.0 / pi)} arcsec)"
    )


def amount(value: float, gauge: Gauge, units: Units) -> str:
    """Size of a reading, as this gauge says it."""
    return slope(value) if gauge.angular else units.both(value)


def degrees(angle: float) -> str:
    """An angle [rad] for a line's head."""
    return f"{angle * 180.0 / pi:.0f} deg"


def shows(
    one: Prediction, gauge: Gauge, outline: Outline, units: Units, given: bool = False
) -> str:
    """One line: where it stands, what it shows, how surely; `given`: the place was asked for, not found."""
    where = _where(one, units, given)
    if one.value is None:
        return f"{where}: {one.footing.words}"
    nothing = abs(one.value) < (1e-8 if gauge.angular else NOTHING)
    said = (
        "nothing"
        if nothing
        else f"{side_words(one.value > 0.0, one.place, gauge, outline)} by {amount(one.value, gauge, units)}"
    )
    if isinstance(gauge, OpticalFlat) and not nothing:
        said += f", {Units.number(abs(one.value) / gauge.band)} bands"
    line = f"{where}: {said}"
    if one.budget.parts:
        line += f", give or take {plain_amount(one.budget.half, gauge, units)}"
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
    scale, unit = units.long
    places = 2 if units is Units.INCH else 0
    said = f"at {degrees(one.place.angle)}"
    if max(map(abs, one.place.at)) > 1e-4:
        x, y = (f"{part / scale:.{places}f} {unit}" for part in one.place.at)
        said += f"{'' if given else ', moved off a groove'}, its middle at {x}, {y}"
    if one.place.along:
        said += f", {one.place.along / scale:.{places}f} {unit} along"
    return said


def plain_amount(value: float, gauge: Gauge, units: Units) -> str:
    """Size of a doubt in one unit."""
    return f"{Units.number(abs(value) * 1e6)} um/m" if gauge.angular else units.size(value)


def shares(seen: Sequence[Prediction], gauge: Gauge, outline: Outline) -> str:
    """What it shows of the whole plate, and what it does not see."""
    parts = []
    best = [p for p in seen if p.best is not None and gauge.kind != "repeat reading"]
    if best and not gauge.angular and gauge.kind != "bridge":
        first = best[0]
        form = FORMS[first.best or ""].word
        whole = (
            f"{form}, reckoned to the middle of the bore"
            if outline.bore
            else f"whole plate's {form}"
        )
        parts.append(_share(abs(first.ratio[first.best or ""]), whole))
    blind = [name for name in seen[0].ratio if all(name in p.blind for p in seen)]
    if blind and gauge.kind != "repeat reading":
        parts.append(f"so used it is blind to {joined([FORMS[name].word for name in blind])}")
    if gauge.kind == "repeat reading":
        parts.append(
            "it is blind to a dome, which reads alike everywhere: only changes from place to place tell"
        )
    if isinstance(gauge, TwistGauge):
        parts.append(
            "set it to nought on a flat first: it is too long to be turned by 90 degrees"
            if gauge.foot_circle is None
            else "turn it 90 degrees on the spot and halve the difference: then it needs no master"
        )
    return "; ".join(parts)


def _share(ratio: float, form: str) -> str:
    """How much of a form is shown, and by how much that must be multiplied."""
    if ratio > WHOLE:
        return f"it shows the {form}"
    times = Units.number(1.0 / ratio)
    then = (
        f"to be multiplied by {times}, it is no use"
        if ratio * NO_USE < 1.0
        else f"multiply by {times}"
    )
    return f"it shows {Units.number(ratio)} of the {form}: {then}"


def doubt(budget: Budget, gauge: Gauge, units: Units, full: bool = False) -> list[str]:
    """Where the doubt comes from: the largest cause, or a table of all, one standard deviation each."""
    if not budget.parts:
        return ["nothing was said of its scatter: it is taken as exact"]
    if not full:
        return [f"most of the doubt: {budget.parts[0].cause}"]
    width = max(len(part.cause) for part in budget.parts) + 2
    lines = ["doubt, one standard deviation each:"]
    lines += [
        f"  {part.cause:<{width}}{plain_amount(part.standard, gauge, units):>12}   {part.how}"
        for part in budget.parts
    ]
    return [*lines, f"  {'all together':<{width}}{plain_amount(budget.standard, gauge, units):>12}"]


def form_words(name: str, finding: FormEstimate | None, units: Units) -> str:
    """One form as readings tell it."""
    if finding is None:
        return f"{FORMS[name].word} not seen"
    most = abs(finding.value) + finding.half
    if most > NO_FACE:
        return f"{FORMS[name].word} not told"
    if not finding.told:
        return f"no {FORMS[name].word} above {units.size(most)}"
    side = _SIDES.get(name, FORMS[name].sides)[0 if finding.value > 0.0 else 1]
    return f"{side} by {units.both(finding.value)}, give or take {units.size(finding.half)}"


def found_words(found: Estimate, units: Units) -> list[str]:
    """What readings say of each plate, one line a plate, and whether they agree."""
    lines = []
    for plate in found.plates:
        sums = found.sum_only(plate)
        said = [
            form_words(name, one, units)
            for name, one in found.forms(plate).items()
            if name not in sums
        ]
        if sums:
            said.insert(0, f"{joined([FORMS[name].word for name in sums])} seen only as a sum")
        lines.append(f"{plate}: {'; '.join(said)}")
    if found.stretch > 1.0:
        lines.append(APART.format(times=Units.number(found.stretch)))
    return lines


def who_is_on_top(found: Estimate, units: Units) -> list[str]:
    """Which plate of each pair is the more domed, and so goes on top."""
    plates = found.plates
    lines = []
    for k, first in enumerate(plates):
        for second in plates[k + 1 :]:
            higher, apart = found.more_domed(first, second)
            if apart is None:
                continue
            if higher is None:
                most = units.size(abs(apart.value) + apart.half)
                lines.append(ALIKE.format(first=first, second=second, most=most))
                continue
            other = second if higher == first else first
            by = f"{units.both(apart.value)}, give or take {units.size(apart.half)}"
            lines.append(
                f"{higher} is more domed than {other} by {by}: lay {higher} on top, and keep it there longer."
            )
    return lines


FELT = 1.0 / 3.0  # of all other doubt: less than that adds under 6 % to the whole


def warmth(gauge: Gauge, budget: Budget, units: Units, full: bool = False) -> str:
    """What a warm side does to a plate, or two, how long they have stood, and how long they must.

    Empty where it is not felt beside the rest, but for `full`.
    """
    warm = [part for part in budget.parts if part.cause.startswith(WARM)]
    plates = [part.plate for part in warm if part.plate is not None]
    if not plates:
        return ""
    of = gauge.conditions
    stood = "read at once" if of.soak == 0.0 else f"after {Units.spell(of.soak)} of standing"
    does = ["bows by", *["by"] * (len(plates) - 1)]
    bows = [
        f"{plate.name} {by} up to {units.both(bow_of_warmth(plate, of))}"
        for plate, by in zip(plates, does, strict=True)
    ]
    said = f"one side {units.warmer(of.warm_side)} warmer, {stood}: {joined(bows)}"
    rest, felt = budget.without(WARM), math.hypot(*(part.standard for part in warm))
    if felt <= FELT * rest:
        return f"{said}, which is not felt beside the rest" if full else ""
    if gauge.resolution == gauge.repeatability == gauge.hysteresis == 0.0:
        return said  # nothing was said of the gauge by which to tell when it is little
    share = FELT * rest / felt
    wait = max(standing(plate, of, share * bow_of_warmth(plate, of)) for plate in plates)
    return f"{said}; another {Units.time(wait, 1)} in still air, and it is not felt any more"


def cautions(
    findings: Iterable[Finding],
    readings: Sequence[Reading],
    gauges: Mapping[str, Gauge],
    units: Units,
) -> Iterator[str]:
    """Sentences on what the readings take for granted."""
    for code, group in groupby(findings, key=lambda one: one.code):
        form = KINDS[code].sentence
        if form:
            yield from (sentence_of(form, one, units) for one in group)
        else:
            yield from SENTENCES[code](list(group), Read(readings, gauges, units))


class Read(NamedTuple):
    """What readings were made, by which gauges, and the person's units."""

    readings: Sequence[Reading]
    gauges: Mapping[str, Gauge]
    units: Units

    def of(self, one: Finding) -> Reading:
        """The reading that a finding is of."""
        return self.readings[int(one.numbers["reading"])]

    def amount(self, value: float, gauge: Gauge) -> str:
        """Size of a reading, or of a step of a dial."""
        return f"{Units.number(abs(value) * 1e6)} um/m" if gauge.angular else self.units.size(value)

    def typed(self, one: Reading) -> str:
        """A reading as it was typed, more or less."""
        gauge = self.gauges[one.gauge]
        value = self.amount(one.value, gauge)
        if isinstance(gauge, OpticalFlat):
            value = f"{Units.number(abs(one.value) / gauge.band)} bands"
        sign = "-" if one.value < 0.0 else ""
        return f"{one.gauge} on {one.plate}, {sign}{value} at {math.degrees(one.angle):.0f} deg"


def _plates(found: Sequence[Finding]) -> list[str]:
    return [one.plate or "" for one in found]


def _odd(found: Sequence[Finding], read: Read) -> Iterator[str]:
    odd = [read.typed(read.of(one)) for one in found]
    if len(odd) == 1:
        yield f"The reading that fits least: {odd[0]}. Read it again, or leave it out."
    else:
        yield f"These contradict each other, and the rest cannot tell which is wrong: {'; '.join(odd)}."


def _in_groove(found: Sequence[Finding], read: Read) -> Iterator[str]:
    for (gauge, plate), count in Counter(
        (read.of(one).gauge, read.of(one).plate) for one in found
    ).items():
        which = f"{count} readings of" if count > 1 else "a reading of"
        yield (
            f"In {which} {gauge} on {plate} a foot stood in a groove, by the place and angle that are "
            "written: it is reckoned as if it had stood on land."
        )


def _no_side(found: Sequence[Finding], read: Read) -> Iterator[str]:
    yield (
        f"Bands alone do not tell a dome from a dish: on {joined(_plates(found))} they are taken as a "
        "dome's. Press on the edge of the flat, or look at their ends under a wedge (docs/gauges.md), "
        'and say which: "3 bands dome" or "3 bands dish".'
    )


def _one_step(found: Sequence[Finding], read: Read) -> Iterator[str]:
    for one in found:
        name = read.of(one).gauge
        shown = read.amount(one.numbers["resolution"], read.gauges[name])
        yield (
            f"{name} never showed more than one step of its dial ({shown}): take what it says as a most, "
            "not as a size, and read with a finer dial, or more than once."
        )


def _not_at_room(found: Sequence[Finding], read: Read) -> Iterator[str]:
    units = read.units
    for one in found:
        warmer, room, bow = (one.numbers[key] for key in ("warmer", "room", "bow"))
        yield (
            f"{one.plate} was {units.warmer(abs(warmer))} {'warmer' if warmer > 0.0 else 'colder'} than the "
            f"room ({units.temperature(room)}): where it takes that up through one side it bows by up to "
            f"{units.both(bow)}, which is in the doubt."
        )


def _one_place(found: Sequence[Finding], read: Read) -> Iterator[str]:
    yield (
        f"{joined(_plates(found))} {'was' if len(found) == 1 else 'were'} read at one place only: waves and "
        "a rolled edge would be taken for dome, saddle and twist. Read at a second place to see that."
    )


SENTENCES: Mapping[str, Callable[[Sequence[Finding], Read], Iterator[str]]] = {
    "odd_reading": _odd,
    "in_groove": _in_groove,
    "no_side": _no_side,
    "one_step": _one_step,
    "not_at_room": _not_at_room,
    "one_place": _one_place,
}
