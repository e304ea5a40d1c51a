"""A practice shop: hidden plates, a hidden grit and hidden gauges that a seed decides, lapped and read.

It is drawn from what the study says is not known and lapped as the book laps its members, with a discrepancy
of its own; so whoever laps here meets what the book believes in.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from lapwright.book.bench import Bench
from lapwright.book.entry import Entry
from lapwright.book.knowledge import one_normal
from lapwright.book.sight import sight_of, weighed
from lapwright.book.spell import HANDS, new_day, off_by
from lapwright.lapping.step import Step

__all__ = ["PracticeShop"]

Array = NDArray[np.float64]

STREAM = 0x73686F70  # sets these random numbers apart from others with the same seed


class PracticeShop:
    """One hidden shop on a bench; `truth` (size,) is what nobody at the bench knows."""

    def __init__(self, bench: Bench, seed: int) -> None:
        self.bench = bench
        self.seed = seed
        self._rng = np.random.default_rng([seed, STREAM])
        self.truth: Array = bench.prior.draw(1, self._rng)[0][0]
        self._hand = np.array([int(self._rng.integers(len(HANDS)))])
        self._spells = 0

    def lap(self, step: Step, any_hand: bool = False) -> None:
        """Do a step at the bench."""
        self._spells += 1
        layout = self.bench.layout
        spell = self.bench.spell(step, (self.seed, STREAM, self._spells), any_hand)
        today = new_day(one_normal(self.truth, np.zeros((layout.size, layout.size))), layout)
        before = today.mean + self._rng.standard_normal(layout.size) * np.sqrt(np.diagonal(today.cloud[0]))
        ended = spell.lap(before, self._hand)
        self.truth = off_by(layout, spell.step, before, ended, self._rng)[0]

    def read(self, entry: Entry) -> Entry:
        """The same entry with what its gauges and scales show here."""
        sight = sight_of(self.bench.layout, entry.readings, self.bench.gauges)
        shown = one_normal(self.truth, np.zeros((self.truth.size,) * 2)).foretold(sight, 1, self._rng)[0]
        readings = []
        for reading, value, offset in zip(entry.readings, shown, self._offset(entry), strict=True):
            step = self.bench.gauges[reading.gauge].resolution
            value += offset
            readings.append(replace(reading, value=round(value / step) * step if step else float(value)))
        lost = {}
        if entry.lost:
            weights = weighed(self.bench.layout, entry.lost)
            depth = weights.rows @ self.truth
            depth += np.sqrt(np.diag(weights.noise)) * self._rng.standard_normal(depth.size)
            for (name, _), taken in zip(entry.lost.items(), depth, strict=True):
                plate = self.bench.layout.plates[name]
                lost[name] = max(0.0, float(taken) * plate.material.density * plate.land_area)
        return replace(entry, readings=tuple(readings), lost=lost)

    def _offset(self, entry: Entry) -> Array:
        """What masters and flats put on each reading beside the face."""
        nought = tuple(replace(reading, value=0.0) for reading in entry.readings)
        return -sight_of(self.bench.layout, nought, self.bench.gauges).value
