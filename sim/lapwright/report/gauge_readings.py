"""What to be careful with: warm plates, coarse dials, readings at one place, faces that are not so plain."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

from lapwright.gauges.budget import WARM, Budget
from lapwright.gauges.conditions import bow_of_cooling, bow_of_warmth, standing
from lapwright.gauges.estimate import Estimate
from lapwright.gauges.feet import footing
from lapwright.gauges.instruments import Gauge, OpticalFlat
from lapwright.gauges.reading import Reading
from lapwright.plate.plate import Plate
from lapwright.units import Units, joined

__all__ = ["cautions", "warmth"]

FELT = 1.0 / 3.0  # of all other doubt: less than that adds under 6 % to the whole
APART = 0.5  # [K]: plates that are compared should not differ by more (common practice, no source)
LITTLE = 0.1  # of the doubt of a dome: a bow that is not worth a word


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
    readings: Sequence[Reading],
    gauges: Mapping[str, Gauge],
    plates: Mapping[str, Plate],
    found: Estimate,
    units: Units,
) -> Iterator[str]:
    """Sentences on what the readings take for granted."""
    yield from _contradicting(readings, gauges, found, units)
    yield from _in_grooves(readings, gauges, plates)
    yield from _without_a_side(readings)
    yield from _sums(found)
    yield from _coarse(readings, gauges, units)
    yield from _warm(readings, gauges, plates, found, units)
    alone = [name for name in found.plates if len({r.at for r in readings if r.plate == name}) == 1]
    if alone and found.stretch == 1.0:
        yield (
            f"{joined(alone)} {'was' if len(alone) == 1 else 'were'} read at one place only: waves and a "
            "rolled edge would be taken for dome, saddle and twist. Read at a second place to see that."
        )


def _contradicting(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], found: Estimate, units: Units
) -> Iterator[str]:
    """The reading that does not fit the others, or those of which the others cannot tell which it is."""
    odd = [_named(readings[k], gauges[readings[k].gauge], units) for k in found.doubtful]
    if len(odd) == 1:
        yield f"The reading that fits least: {odd[0]}. Read it again, or leave it out."
    elif odd:
        yield f"These contradict each other, and the rest cannot tell which is wrong: {'; '.join(odd)}."


def _named(reading: Reading, gauge: Gauge, units: Units) -> str:
    """A reading as it was typed, more or less."""
    if gauge.angular:
        value = f"{Units.number(abs(reading.value) * 1e6)} um/m"
    elif isinstance(gauge, OpticalFlat):
        value = f"{Units.number(abs(reading.value) / gauge.band)} bands"
    else:
        value = units.size(reading.value)
    angle = f"{math.degrees(reading.angle):.0f} deg"
    return f"{reading.gauge} on {reading.plate}, {'-' if reading.value < 0.0 else ''}{value} at {angle}"


def _without_a_side(readings: Sequence[Reading]) -> Iterator[str]:
    """Bands that were counted without saying dome or dish."""
    plates = dict.fromkeys(one.plate for one in readings if not one.side_told)
    if plates:
        yield (
            f"Bands alone do not tell a dome from a dish: on {joined(list(plates))} they are taken as a "
            "dome's. Press on the edge of the flat, or look at their ends under a wedge (docs/gauges.md), "
            'and say which: "3 bands dome" or "3 bands dish".'
        )


def _in_grooves(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], plates: Mapping[str, Plate]
) -> Iterator[str]:
    """Readings that nobody can have made as they are written: a foot stood in a groove."""
    met: dict[tuple[str, str], int] = {}
    for one in readings:
        gauge, plate = gauges[one.gauge], plates[one.plate]
        if not footing(plate, gauge.contacts(one.place, plate.outline), gauge.foot).firm:
            met[one.gauge, one.plate] = met.get((one.gauge, one.plate), 0) + 1
    for (gauge_name, plate_name), count in met.items():
        which = f"{count} readings of" if count > 1 else "a reading of"
        yield (
            f"In {which} {gauge_name} on {plate_name} a foot stood in a groove, by the place and angle that "
            "are written: it is reckoned as if it had stood on land."
        )


def _sums(found: Estimate) -> Iterator[str]:
    """Plates of which sums of forms are fixed that are not fixed one by one."""
    for name in found.plates:
        if found.order(name) > sum(one is not None for one in found.forms(name).values()):
            yield (
                f"{name}: along one line a dome and a saddle look alike, so part of what was read is fixed "
                "as a sum only. Read across it as well, at 90 degrees, and at 45 and 135 for the twist."
            )


def _coarse(readings: Sequence[Reading], gauges: Mapping[str, Gauge], units: Units) -> Iterator[str]:
    """Gauges that never showed more than one step of their dial."""
    for name in dict.fromkeys(r.gauge for r in readings):
        step = gauges[name].resolution
        if step > 0.0 and all(abs(r.value) < 1.5 * step for r in readings if r.gauge == name):
            shown = f"{Units.number(step * 1e6)} um/m" if gauges[name].angular else units.size(step)
            yield (
                f"{name} never showed more than one step of its dial ({shown}): take what it says as a most, "
                "not as a size, and read with a finer dial, or more than once."
            )


def _warm(
    readings: Sequence[Reading],
    gauges: Mapping[str, Gauge],
    plates: Mapping[str, Plate],
    found: Estimate,
    units: Units,
) -> Iterator[str]:
    """Plates that were not as warm as the room, or not as warm as each other."""
    told = [r for r in readings if r.temperature is not None]
    for name in dict.fromkeys(r.plate for r in told):
        room, warm = max(
            ((gauges[r.gauge].conditions.room, r.temperature or 0.0) for r in told if r.plate == name),
            key=lambda pair: abs(pair[1] - pair[0]),
        )
        reading = next(r for r in told if r.plate == name and r.temperature == warm)
        bow = bow_of_cooling(plates[name], gauges[reading.gauge].conditions, warm)
        dome = found.dome(name)
        if dome is not None and bow < LITTLE * dome.half:
            continue
        side = "warmer" if warm > room else "colder"
        yield (
            f"{name} was {units.warmer(abs(warm - room))} {side} than the room "
            f"({units.temperature(room)}): where it takes that up through one side it bows by up to "
            f"{units.both(bow)}, which is in the doubt."
        )
    warmest = {name: [r.temperature or 0.0 for r in told if r.plate == name] for name in plates}
    means = {name: sum(values) / len(values) for name, values in warmest.items() if values}
    if len(means) > 1 and (apart := max(means.values()) - min(means.values())) > APART:
        yield (
            f"The plates were read {units.warmer(apart)} apart: let all stand on one bench before you "
            "compare them."
        )
