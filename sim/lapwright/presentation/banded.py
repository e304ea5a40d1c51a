"""Sizes with their bands, which gauge stood where and how far it still is, as a book says them."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from math import degrees

from lapwright.metrology.reading import Reading, name_on
from lapwright.optimisation.advise import Advice
from lapwright.optimisation.book import Band
from lapwright.presentation.tables import stroke_words, turn_words
from lapwright.presentation.tuning_notes import label
from lapwright.presentation.words import say
from lapwright.specification.step import Step
from lapwright.study.goal import Effort
from lapwright.study.model import Study
from lapwright.units import Unit, Units, joined

TRACE = 0.15  # of a band: so much of it may lie on the other side of zero, and its side is told
UNLIKELY, HOPELESS = 0.5, 0.1  # chances of the goal below which that is said first


def digits(doubt: float) -> int:
    """Decimal places of a size that is known within `doubt`: one figure of it, two where it begins low."""
    if not doubt > 0.0:
        return 2
    power = math.floor(math.log10(doubt))
    return (1 if doubt < 3.0 * 10.0**power else 0) - power


def fixed(value: float, digits: int) -> str:
    """A number with so many decimal places; fewer than none stand before the point."""
    return f"{round(value, digits):.{max(0, digits)}f}"


def banded(band: Band, unit: Unit) -> str:
    """A size with its band, in no more figures than its doubt leaves: "1.4 um (1.1 to 1.7)"."""
    low, middle, high = (end / unit.size for end in (band.low, band.middle, band.high))
    places = digits(0.5 * (high - low))
    ends = f"{fixed(low, places)} to {fixed(high, places)}"
    return f"{fixed(middle, places)} {unit.name} ({ends})"


def one_sided(band: Band) -> bool:
    """Whether a band reaches past zero by next to nothing, so that its side is told all the same."""
    least, most = sorted((abs(band.low), abs(band.high)))
    return band.low < 0.0 < band.high and least <= TRACE * most


def sided(band: Band, unit: Unit, sides: tuple[str, str], named: bool, bore: bool) -> str:
    """A reading with its band by its side: "middle low by 1.2 um (0.8 to 1.6)", or from low to high.

    Parameters
    ----------
    band
        In SI.
    unit
        That of the gauge.
    sides
        What lies which way where the gauge reads down and up: "middle low", "middle high".
    named
        Whether that of the face it is of is said again.
    bore
        Whether the bore of a ring is read against its rim.

    """
    through = band.low < 0.0 < band.high
    places = digits(0.5 * (band.high - band.low) / unit.size)
    low, high = (
        f"{fixed(abs(end) / unit.size, places)} {unit.name}" for end in (band.low, band.high)
    )
    size = banded(Band(abs(band.middle), *sorted((abs(band.low), abs(band.high)))), unit)
    if bore and through:
        return say("book.through_rim", named=named, low=low, high=high)
    if bore:
        return say("book.by_rim", named=named, over=band.middle > 0.0, size=size)
    (_, _, down), (what, _, up) = (side.rpartition(" ") for side in sides)
    told = f"{low} {down} to {high} {up}" if through else ""
    told = told or f"{up if band.middle > 0.0 else down} by {size}"
    return f"{what} {told}".lstrip() if named else told


def table_words(readings: Sequence[Reading]) -> list[str]:
    """Readings that stand in tables, a line for each: "ind on A, 42 places"."""
    counts = Counter((own_name(one), one.plate, one.part) for one in readings if one.table)
    return [
        say("book.table", gauge=gauge, plate=plate, count=count)
        for (gauge, plate, _), count in counts.items()
    ]


def read_where(reading: Reading) -> str:
    """Which gauge stood where: "tw at 45 deg on A"."""
    turned = f"{degrees(reading.angle):.3g}" if reading.angle else ""
    return say("book.where", gauge=own_name(reading), turned=turned, plate=reading.plate)


def own_name(reading: Reading) -> str:
    """Name of a gauge beside that of its plate: "straightedge" of the usual "straightedge for rail"."""
    return reading.gauge.removesuffix(name_on("", reading.plate))


def in_100(share: float) -> str:
    """A chance, as so many in 100."""
    return f"{100.0 * share:.0f}"


def to_go(advice: Advice, handling: str, units: Units) -> str:
    """How far it still is by what is advised; that it hardly gets there is said first."""
    low, _, high = advice.spells
    soon, time, late = advice.cost
    return say(
        "book.to_go",
        units,
        count=spells_words(low, high),
        several=round(high) != 1,
        read=bool(advice.read),
        unlikely=advice.chance < UNLIKELY,
        hopeless=advice.chance < HOPELESS,
        share=in_100(advice.chance),
        time=time,
        soon=soon,
        late=late,
        metal=advice.metal[1],
        handling=handling,
    )


def stopped(advice: Advice, harm: str) -> str:
    """Why nothing more is lapped: `harm` that every spell would do, or that none helps enough."""
    return say(
        "book.stop",
        worse=advice.why == "worse",
        harm=harm,
        share=in_100(advice.reached_now),
        best=in_100(advice.chance),
        never=advice.chance < UNLIKELY,
    )


def harm_words(advice: Advice, units: Units) -> str:
    """What even the least harmful spell makes worse, and how surely."""
    each = [
        say("book.harm", units, what=label(one.asked), by=one.by, share=in_100(one.share))
        for one in advice.harm[:2]
    ]
    return joined(each)


def meanwhile_words(advice: Advice, units: Units) -> str:
    """What a road to the goal makes worse on the way."""
    each = [
        say("book.grows", units, what=label(one.asked), by=one.by) for one in advice.meanwhile[:2]
    ]
    return say("book.meanwhile", each=joined(each)) if each else ""


def road_words(advice: Advice, units: Units) -> str:
    """The way to the goal for who accepts what it makes worse, or a longer day; nothing if none is."""
    road = advice.road
    if road is None or road.step is None:
        return ""
    step, (low, _, high) = road.step, road.spells
    return say(
        "book.road",
        units,
        harm=harm_words(road, units),
        top=step.top,
        bottom=step.bottom,
        grit=step.grit.name,
        stroke=stroke_words(step, units),
        turn=turn_words(step.turn) if step.turn.angle else "",
        time=step.total_strokes / step.pace,
        share=in_100(road.chance),
        count=spells_words(low, high),
        several=round(high) != 1,
        hours=road.cost[1],
        soon=road.cost[0],
        late=road.cost[2],
    )


def spells_words(low: float, high: float) -> str:
    """So many spells, or from so many to so many."""
    return f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"


def handling_words(effort: Effort, study: Study) -> str:
    """What handling is taken to cost."""
    costs = (("swap", effort.swap), ("reading", effort.reading), ("wash", effort.wash))
    each = joined([f"a {name} {Units.spell(cost)}" for name, cost in costs])
    mine = any(f"goal.effort.{name}" not in study.assumed for name, _ in costs)
    return say("book.handling", costs=each, usual=study.goal is None or not mine)


def fresh_words(step: Step) -> str:
    """When a fresh dab comes in a spell: at its start, and so often after that."""
    every = step.fresh_every
    again = every if every is not None and every < step.total_strokes / step.pace else 0.0
    return say("book.fresh", again=again)
