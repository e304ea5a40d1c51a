"""The log taken in, entry after entry: what was foretold, whether it came so, what is known since.

Replaying a log is deterministic: each entry's random numbers come from the study's seed and its place alone.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lapwright.book.bench import Bench
from lapwright.book.entry import Entry
from lapwright.book.knowledge import Knowledge, Sight
from lapwright.book.mishaps import Cause, mishaps, mixed
from lapwright.book.prior import zero_error
from lapwright.book.sight import joined, sight_of, weighed
from lapwright.book.spell import new_day
from lapwright.lapping.support import check_stands

__all__ = ["ALARM", "Chapter", "Foretold", "chapters", "taken_in"]

Array = NDArray[np.float64]

ALARM = 0.01  # readings that come more seldom than in one of so many such spells
DRAWS = 4000  # by which it is told how seldom
TAIL = 0.025
READ, ASKED, CAUSES = 1, 2, 3  # parts of the key of an entry's random numbers


@dataclass(frozen=True)
class Foretold:
    """Readings (n,) of an entry: `value` as read, `middle`, `low` and `high` (95 %) as foretold.

    `tail`: share of such spells in which readings come as seldom as these together, or more so.
    """

    value: Array
    middle: Array
    low: Array
    high: Array
    tail: float

    @property
    def alarm(self) -> bool:
        """Whether something must have gone otherwise."""
        return self.tail < ALARM


@dataclass(frozen=True)
class Chapter:
    """One entry taken in: `before` its readings (after its spell), `known` after them.

    `better`: how many times better each named mishap fits, `likely`: how likely each is (nothing among them);
    both only after an alarm.
    """

    entry: Entry
    before: Knowledge
    known: Knowledge
    foretold: Foretold | None = None
    better: Mapping[tuple[str, str], float] = field(default_factory=dict)
    likely: Mapping[tuple[str, str], float] = field(default_factory=dict)


def chapters(bench: Bench, entries: Sequence[Entry]) -> Iterator[Chapter]:
    """Take in all entries, oldest first."""
    known, last = bench.prior, None
    for number, entry in enumerate(entries, 1):
        chapter = taken_in(bench, number, known, entry, last)
        yield chapter
        known, last = chapter.known, entry


def taken_in(bench: Bench, number: int, known: Knowledge, entry: Entry, last: Entry | None = None) -> Chapter:
    """Take in entry `number` (from 1) on top of what is known; `last`: the entry before it.

    Raises
    ------
    TippedError, NoOverlapError
        Its step cannot have been done.

    """
    layout = bench.layout
    known = _anew(bench, known, entry)
    after = known
    if entry.done is not None:
        same = last is not None and entry.date is not None and entry.date == last.date
        check_stands(entry.done, layout.plates[entry.done.top], layout.plates[entry.done.bottom])
        known = new_day(known, layout, same)
        after = bench.spell(entry.done, (number,), entry.any_hand).after(known)
    sight = seen_in(bench, entry)
    if sight is None:
        return Chapter(entry, after, after)
    foretold = foretell(after, sight, bench.rng(number, ASKED))
    if not foretold.alarm:
        return Chapter(entry, after, after.updated(sight, bench.rng(number, READ)), foretold)
    causes = list(mishaps(bench, number, entry, known, after, sight))
    plain = Cause("nothing", "", after, sight)
    told, better, likely = mixed(causes, plain, bench.rng(number, CAUSES))
    return Chapter(entry, after, told, foretold, better, likely)


def seen_in(bench: Bench, entry: Entry) -> Sight | None:
    """All that an entry read and weighed; None where it is nothing."""
    read = sight_of(bench.layout, entry.readings, bench.gauges) if entry.readings else None
    if not entry.lost:
        return read
    lost = weighed(bench.layout, entry.lost)
    return lost if read is None else joined(read, lost)


def foretell(known: Knowledge, sight: Sight, rng: np.random.Generator) -> Foretold:
    """What was to be expected of such readings, and how seldom these come."""
    draws = known.foretold(sight, DRAWS, rng)
    density = known.density(sight, draws)
    tail = (1.0 + float((density <= known.density(sight)[0]).sum())) / (1.0 + DRAWS)
    low, middle, high = np.quantile(draws, [TAIL, 0.5, 1.0 - TAIL], axis=0)
    return Foretold(sight.value, middle, low, high, tail)


def _anew(bench: Bench, known: Knowledge, entry: Entry) -> Knowledge:
    """What is known with some faces as if never read, some gauges set to nought anew."""
    layout, prior = bench.layout, bench.prior
    mean, cloud = known.mean.copy(), known.cloud.copy()
    for name in entry.restart:
        own = layout.face(name)
        cloud[:, own] = 0.0
        cloud[:, :, own] = 0.0
        cloud[:, own, own] = prior.cloud[0, own, own]
        mean[:, own] = prior.mean[0, own]
    for name in entry.zeroed:
        if name in layout.gauges:
            at = layout.zero(name)
            cloud[:, at] = 0.0
            cloud[:, :, at] = 0.0
            cloud[:, at, at] = zero_error(bench.gauges[name]) ** 2
            mean[:, at] = 0.0
    return replace(known, mean=mean, cloud=cloud)
