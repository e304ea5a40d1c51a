"""What may have gone wrong in a spell: each mishap lapped, and weighed against "nothing did".

Asked only after an alarm.  "Fits k times better" is the ratio of two marginal likelihoods; what is believed
afterwards is a mixture over all causes, with `ODDS` beforehand, so that no mishap is swallowed by the wear.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from math import log

import numpy as np

from lapwright.book.bench import Bench
from lapwright.book.entry import Entry
from lapwright.book.knowledge import Knowledge, Sight
from lapwright.errors import LapwrightError
from lapwright.lapping.step import Step, Turn
from lapwright.lapping.strokes import Curve

__all__ = ["Cause", "mishaps", "mixed"]

ODDS = 0.01  # of each mishap in one spell, beforehand (common practice, no source)
FAR = log(3.0)  # the grit far slower or faster: so many times, give or take
MOVED, MOVED_ANGLE = 1e-6, 20e-6  # [m], [rad] a zero that was knocked
LONGER = 4.0 / 3.0  # of a stroke
LENGTHS = ("length", "width", "radius", "small")
AGAIN = 7  # part of the key of a spell that is lapped anew


@dataclass(frozen=True)
class Cause:
    """One cause: its `kind`, `of` which gauge, what is `known` then before the readings, and the readings.

    `log_density` of the readings, had this been so.
    """

    kind: str
    of: str
    known: Knowledge
    sight: Sight

    @property
    def log_density(self) -> float:
        """Logarithm of how likely the readings were."""
        return float(self.known.density(self.sight)[0])


def mishaps(
    bench: Bench, number: int, entry: Entry, before: Knowledge, after: Knowledge, sight: Sight
) -> Iterator[Cause]:
    """Every mishap that can be in entry `number`: `before` its spell, `after` it if nothing went wrong."""
    for kind, step, way in _otherwise(entry.done) if entry.done is not None else ():
        shifted = _shifted(before, bench.layout.day, way) if way else before
        with contextlib.suppress(LapwrightError):  # what cannot have been, such as a top that tips
            yield _lapped(bench, number, kind, step, entry, shifted, sight)
    for gauge in dict.fromkeys(reading.gauge for reading in entry.readings):
        own = np.array([reading.gauge == gauge for reading in entry.readings])
        own = np.concatenate([own, np.zeros(len(sight.value) - own.size, dtype=bool)])
        if gauge in bench.layout.gauges:
            at = bench.layout.zero(gauge)
            size = MOVED_ANGLE if bench.gauges[gauge].angular else MOVED
            cloud = after.cloud.copy()
            cloud[:, at, at] += size**2
            yield Cause("zero moved", gauge, replace(after, cloud=cloud), sight)
        yield Cause(
            "sign turned", gauge, after, replace(sight, value=np.where(own, -sight.value, sight.value))
        )


def _otherwise(step: Step) -> Iterator[tuple[str, Step, float]]:
    """How a step may have been done otherwise than was written: kind, the step, how much faster it cut."""
    if step.turn.angle != 0.0:
        yield "top not turned", replace(step, turn=Turn()), 0.0
    if step.swap is None:
        yield "plates changed", replace(step, top=step.bottom, bottom=step.top), 0.0
    yield "stroke a third longer", replace(step, curve=_longer(step.curve)), 0.0
    yield "grit far slower", step, -FAR
    yield "grit far faster", step, FAR


def _lapped(
    bench: Bench, number: int, kind: str, step: Step, entry: Entry, before: Knowledge, sight: Sight
) -> Cause:
    spell = bench.spell(step, (number, AGAIN), entry.any_hand)
    return Cause(kind, "", spell.after(before), sight)


def _shifted(known: Knowledge, at: int, way: float) -> Knowledge:
    mean = known.mean.copy()
    mean[:, at] += way
    return replace(known, mean=mean)


def _longer(curve: Curve) -> Curve:
    names = [f.name for f in fields(curve) if f.name in LENGTHS]  # type: ignore[arg-type]
    changed: Curve = replace(curve, **{name: LONGER * getattr(curve, name) for name in names})  # type: ignore[type-var]
    return changed


def mixed(
    causes: Sequence[Cause], plain: Cause, rng: np.random.Generator
) -> tuple[Knowledge, dict[tuple[str, str], float], dict[tuple[str, str], float]]:
    """What is known once the readings are taken in under every cause; how much better each fits; how likely.

    `plain`: nothing went wrong.  Causes that are believed less than one in a thousand are left out.
    """
    every = [plain, *causes]
    fits = np.array([cause.log_density for cause in every])
    odds = np.array([1.0 - ODDS * len(causes), *[ODDS] * len(causes)])
    weight = odds * np.exp(fits - fits.max())
    weight /= weight.sum()
    names = [(cause.kind, cause.of) for cause in every]
    better = dict(zip(names, np.exp(np.minimum(fits - fits[0], 700.0)).tolist(), strict=True))
    parts = [
        (share, cause.known.updated(cause.sight, rng))
        for share, cause in zip(weight, every, strict=True)
        if share > 1e-3
    ]
    known = Knowledge(
        np.concatenate([share * part.weight for share, part in parts]),
        np.concatenate([part.mean for _, part in parts]),
        np.concatenate([part.cloud for _, part in parts]),
        np.concatenate([part.hand for _, part in parts]),
    )
    known = replace(known, weight=known.weight / known.weight.sum())
    return known, better, dict(zip(names, weight.tolist(), strict=True))
