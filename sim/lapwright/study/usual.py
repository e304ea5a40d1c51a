"""Usual gauges in [[readings]]: of a study that describes none, a kind alone names the one that is usual."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from lapwright.metrology.instruments import Gauge
from lapwright.metrology.reading import by_name, name_on, usual_of
from lapwright.specification.plate import Plate
from lapwright.specification.table import Table

NAMES = ("gauge", "plate")


def with_usual(
    root: Table, plates: Mapping[str, Plate | None], gauges: Mapping[str, Gauge | None]
) -> dict[str, Gauge | None]:
    """The gauges of a study and the usual ones that its readings name, as `--reading` takes them too.

    The names in the readings are put down as those of the gauges that they mean: "spherometer" as
    "spherometer, three feet", for a plate on which it is another size as "... for B".
    """
    entries, found = root.data.get("readings"), dict(gauges)
    if not isinstance(entries, list):
        return found
    usual = {name: usual_of(plate) for name, plate in plates.items() if plate is not None}
    known, named = by_name(usual), []
    for entry in entries:
        word, plate = (entry.get(key) if isinstance(entry, Mapping) else None for key in NAMES)
        own = usual.get(plate, {}) if isinstance(plate, str) else {}
        meant = next(
            (g for g in own.values() if word in (g.name, g.kind, name_on(g.name, str(plate)))), None
        )
        if not isinstance(word, str) or word in gauges or meant is None:
            named.append(entry)
            continue
        other = name_on(meant.name, str(plate))
        name = other if known.get(other) == meant else meant.name
        found[name] = replace(meant, name=name)
        named.append({**entry, "gauge": name})
    root.data = {**root.data, "readings": named}
    return found
