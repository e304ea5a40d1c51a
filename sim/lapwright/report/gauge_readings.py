"""What to be careful with: warm plates, coarse dials, readings at one place, faces that are not so plain."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from typing import NamedTuple

from lapwright.findings.finding import Finding
from lapwright.gauges.budget import WARM, Budget
from lapwright.gauges.conditions import bow_of_warmth, standing
from lapwright.gauges.instruments import Gauge, OpticalFlat
from lapwright.gauges.reading import Reading
from lapwright.units import Units, joined

__all__ = ["SENTENCES", "cautions", "warmth"]

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
    findings: Iterable[Finding], readings: Sequence[Reading], gauges: Mapping[str, Gauge], units: Units
) -> Iterator[str]:
    """Sentences on what the readings take for granted."""
    for code, group in groupby(findings, key=lambda one: one.code):
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
    for (gauge, plate), count in Counter((read.of(one).gauge, read.of(one).plate) for one in found).items():
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


def _sum_only(found: Sequence[Finding], read: Read) -> Iterator[str]:
    for name in _plates(found):
        yield (
            f"{name}: along one line a dome and a saddle look alike, so part of what was read is fixed "
            "as a sum only. Read across it as well, at 90 degrees, and at 45 and 135 for the twist."
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


def _apart(found: Sequence[Finding], read: Read) -> Iterator[str]:
    yield (
        f"The plates were read {read.units.warmer(found[0].numbers['apart'])} apart: let all stand on one "
        "bench before you compare them."
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
    "sum_only": _sum_only,
    "one_step": _one_step,
    "not_at_room": _not_at_room,
    "apart": _apart,
    "one_place": _one_place,
}
