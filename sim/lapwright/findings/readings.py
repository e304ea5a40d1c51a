"""What is noticed of readings by gauges: what contradicts, and what they take for granted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from lapwright.findings.finding import Finding
from lapwright.gauges.conditions import bow_of_cooling
from lapwright.gauges.estimate import Estimate
from lapwright.gauges.feet import footing
from lapwright.gauges.instruments import Gauge
from lapwright.gauges.reading import Reading
from lapwright.limits import limit_of
from lapwright.plate.plate import Plate

__all__ = ["noticed_in"]

LITTLE = 0.1  # of the doubt of a dome: a bow that is not worth a word


def noticed_in(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], plates: Mapping[str, Plate], found: Estimate
) -> list[Finding]:
    """Everything that is noticed of readings; "reading" among the numbers is their place, from 0."""
    out: list[Finding] = [
        Finding("odd_reading", 0, readings[k].plate, {"reading": k, "of": len(found.doubtful)})
        for k in found.doubtful
    ]
    for k, one in enumerate(readings):
        gauge, plate = gauges[one.gauge], plates[one.plate]
        if not footing(plate, gauge.contacts(one.place, plate.outline), gauge.foot).firm:
            out.append(Finding("in_groove", 0, one.plate, {"reading": k}))
    for name in dict.fromkeys(one.plate for one in readings if not one.side_told):
        out.append(Finding("no_side", 0, name))
    for name in found.plates:
        told = sum(one is not None for one in found.forms(name).values())
        if found.order(name) > told:
            out.append(Finding("sum_only", 0, name, {"fixed": found.order(name), "one_by_one": told}))
    for name in dict.fromkeys(one.gauge for one in readings):
        step, own = gauges[name].resolution, [k for k, r in enumerate(readings) if r.gauge == name]
        if step > 0.0 and all(abs(readings[k].value) < 1.5 * step for k in own):
            out.append(Finding("one_step", 0, None, {"reading": own[0], "resolution": step}))
    out += _warm(readings, gauges, plates, found)
    if found.stretch == 1.0:
        alone = (name for name in found.plates if len({r.at for r in readings if r.plate == name}) == 1)
        out += (Finding("one_place", 0, name) for name in alone)
    return out


def _warm(
    readings: Sequence[Reading], gauges: Mapping[str, Gauge], plates: Mapping[str, Plate], found: Estimate
) -> Iterator[Finding]:
    """Plates that were not as warm as the room, or not as warm as each other."""
    told: dict[str, list[tuple[float, float, Reading]]] = {}
    for one in readings:
        if one.temperature is not None:
            room = gauges[one.gauge].conditions.room
            told.setdefault(one.plate, []).append((one.temperature, room, one))
    for name, there in told.items():
        warm, room, one = max(there, key=lambda read: abs(read[0] - read[1]))
        bow = bow_of_cooling(plates[name], gauges[one.gauge].conditions, warm)
        dome = found.dome(name)
        if dome is None or bow >= LITTLE * dome.half:
            yield Finding("not_at_room", 0, name, {"warmer": warm - room, "room": room, "bow": bow})
    means = [sum(warm for warm, _, _ in there) / len(there) for there in told.values()]
    if means and (apart := max(means) - min(means)) > limit_of("plates compared"):
        yield Finding("apart", 0, None, {"apart": apart, "limit": limit_of("plates compared")})
