"""The log taken in, entry after entry, and what may have gone wrong in a spell.

Replaying a log is deterministic: each entry's random numbers come from the study's seed and its place alone.

What may have gone wrong in a spell: each mishap lapped, and weighed against "nothing did".

Asked only after an alarm.  "Fits k times better" is the ratio of two marginal likelihoods; what is believed
afterwards is a mixture over all causes, with `ODDS` beforehand, so that no mishap is swallowed by the wear.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from math import log

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError
from lapwright.optimisation.bench import Bench
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.lain import Lain
from lapwright.optimisation.parts import lapped_parts
from lapwright.optimisation.shop import Knowledge, Layout, Sight, zero_error
from lapwright.optimisation.sight import joined, sight_of, weighed
from lapwright.optimisation.sizing import Sizing, sizing_of, thinned
from lapwright.optimisation.spell import new_day
from lapwright.specification.curves import Curve
from lapwright.specification.step import Step, Turn

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
    for kind, step, way in _otherwise(entry) if entry.done is not None else ():
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
            "sign turned",
            gauge,
            after,
            replace(sight, value=np.where(own, -sight.value, sight.value)),
        )


def _otherwise(entry: Entry) -> Iterator[tuple[str, Step, float]]:
    """How a step may have been done otherwise than was written: kind, the step, how much faster it cut."""
    step = entry.done
    assert step is not None
    if step.turn.angle != 0.0:
        yield "top not turned", replace(step, turn=Turn()), 0.0
    if step.swap is None and not entry.parts:
        yield "plates changed", replace(step, top=step.bottom, bottom=step.top), 0.0
    yield "stroke a third longer", replace(step, curve=_longer(step.curve)), 0.0
    yield "grit far slower", step, -FAR
    yield "grit far faster", step, FAR


def _lapped(
    bench: Bench, number: int, kind: str, step: Step, entry: Entry, before: Knowledge, sight: Sight
) -> Cause:
    after = _done(bench, replace(entry, done=step), before, (number, AGAIN))
    return Cause(kind, "", after, sight)


def _done(bench: Bench, entry: Entry, known: Knowledge, key: Sequence[int]) -> Knowledge:
    """What is known after the spell of an entry, or after its parts."""
    assert entry.done is not None
    if bench.batch is not None and entry.parts:
        return lapped_parts(bench, bench.batch, entry, known, key)
    return bench.spell(entry.done, key, entry.any_hand).after(known)


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
    return _together(parts), better, dict(zip(names, weight.tolist(), strict=True))


def _together(parts: Sequence[tuple[float, Knowledge]]) -> Knowledge:
    """What is known where each of some accounts has its share."""
    known = Knowledge(
        np.concatenate([share * part.weight for share, part in parts]),
        np.concatenate([part.mean for _, part in parts]),
        np.concatenate([part.cloud for _, part in parts]),
        np.concatenate([part.hand for _, part in parts]),
    )
    return replace(known, weight=known.weight / known.weight.sum())


def _either(typed: Knowledge, wide: Knowledge, sight: Sight, rng: np.random.Generator) -> Knowledge:
    """What is known after readings of plates that came as typed, or, one in so many, did not (`wide`)."""
    if wide is typed:
        return typed.updated(sight, rng)
    likelier = float(wide.density(sight)[0] - typed.density(sight)[0])
    share = MISTYPED / (MISTYPED + (1.0 - MISTYPED) * float(np.exp(-likelier)))
    return _together([(1.0 - share, typed.updated(sight, rng)), (share, wide.updated(sight, rng))])


Array = NDArray[np.float64]

ALARM = 0.01  # readings that come more seldom than in one of so many such spells
DRAWS = 4000  # by which it is told how seldom
TAIL = 0.025
DRAWN = 48  # shops that are looked back at
# Of a variance, and of one over itself: what does not vary is left as it is.
TINY, LOOSE = 1e-30, 1e-9
OFF = (0.0, *np.geomspace(0.1e-6, 100e-6, 31))  # [m] from what was typed, as plates come
# Of a logarithm of likelihood: so little is worth doubting what was typed, and two that differ by less than
# `ALIKE` are as likely.  Chosen by how often domes were held that were off by 0.5 to 2 um (docs/book.md).
WORTH, ALIKE = 0.05, 1.0
MISTYPED = 0.5  # of plates, beforehand; chosen likewise
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
        before = sizing_of(bench.study, entries[: number - 1])
        chapter = taken_in(bench, number, known, entry, last, before)
        yield chapter
        known, last = chapter.known, entry


def taken_in(
    bench: Bench,
    number: int,
    known: Knowledge,
    entry: Entry,
    last: Entry | None = None,
    sizing: Sizing | None = None,
) -> Chapter:
    """Take in entry `number` (from 1) on top of what is known; `last`: the entry before it.

    `sizing`: how thick parts were before it, as far as that was measured.

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
        if bench.batch is not None and entry.parts:
            Lain(bench, bench.batch, entry.done, (number,), entry.any_hand).check()
        else:
            top, bottom = entry.done.top, entry.done.bottom
            check_stands(entry.done, layout.plates[top], layout.plates[bottom])
        known = new_day(known, layout, same)
        after = _done(bench, entry, known, (number,))
    sight = seen_in(bench, entry)
    # Another part was measured than the one before.
    thin = None if sizing is None or entry.parts else thinned(bench, known, entry, sizing)
    if thin is not None:
        sight = thin if sight is None else joined(sight, thin)
    if sight is None:
        return Chapter(entry, after, after)
    foretold = foretell(after, sight, bench.rng(number, ASKED))
    wide = opened(layout, after, sight, _fresh(bench, after))
    if not foretold.alarm:
        told = _either(after, wide, sight, bench.rng(number, READ))
        return Chapter(entry, after, told, foretold)
    causes = list(mishaps(bench, number, entry, known, after, sight))
    plain = Cause("nothing", "", wide, sight)
    told, better, likely = mixed(causes, plain, bench.rng(number, CAUSES))
    return Chapter(entry, after, told, foretold, better, likely)


def looked_back(chapters: Sequence[Chapter], rng: np.random.Generator) -> Array:
    """Shops as they may have been after each entry, as is believed today (entries, m, size); the last: now.

    Drawn backwards, each from where it may have come from (S. Fruehwirth-Schnatter, J. Time Ser. Anal. 15
    (1994) 183, from memory): by what was believed then, a chance of readings would look like a form that was
    better once.  Begun anew where a plate is as if never read, or where nobody knows how parts changed it.
    """
    found = [chapters[-1].known.draw(DRAWN, rng)[0]]
    for then, chapter in zip(chapters[-2::-1], chapters[:0:-1], strict=True):
        before = chapter.before
        if chapter.entry.restart or (chapter.entry.done is not None and before.link is None):
            break
        back = found[-1]
        if chapter.entry.done is not None:
            assert before.link is not None
            spread = before.covariance
            size = np.sqrt(np.maximum(spread.diagonal(), TINY))
            even = spread / np.outer(size, size) + LOOSE * np.eye(len(size))
            gain = np.linalg.solve(even, (before.link / size).T).T / size
            values, ways = np.linalg.eigh(then.known.covariance - gain @ before.link.T)
            luck = rng.standard_normal(back.shape) * np.sqrt(np.maximum(values, 0.0))
            back = then.known.centre + (back - before.centre) @ gain.T + luck @ ways.T
        found.append(back)
    return np.array(found[::-1])


def _fresh(bench: Bench, known: Knowledge) -> list[str]:
    """Plates that were neither lapped nor read yet, or are as if they never were."""
    prior = bench.prior

    def as_before(own: slice) -> bool:
        same = (known.mean[:, own] == prior.mean[:, own]).all()
        return bool(same and (known.cloud[:, own, own] == prior.cloud[:, own, own]).all())

    return [name for name in bench.layout.plates if as_before(bench.layout.face(name))]


def opened(layout: Layout, known: Knowledge, sight: Sight, plates: Sequence[str]) -> Knowledge:
    """What is known when plates as they come may be farther from what was typed or taken than it says.

    What was typed is a guess, what is read is not: each named size of a face that the readings see is as
    unsure as makes them likeliest (empirical Bayes; I. J. Good, The Estimation of Probabilities, 1965).
    """
    for name in plates:
        at, back = layout.quadratic(name)
        for column in back.T:
            own = np.outer(column, column)
            wider = [_wider(known, at, off**2 * own) for off in OFF]
            likely = np.array([float(one.density(sight)[0]) for one in wider])
            if (
                likely[0] < likely.max() - WORTH
            ):  # how far off, nobody knows: the widest that may be
                known = wider[int(np.flatnonzero(likely > likely.max() - ALIKE)[-1])]
    return known


def _wider(known: Knowledge, at: NDArray[np.intp], more: Array) -> Knowledge:
    cloud = known.cloud.copy()
    cloud[:, at[:, None], at] += more
    return replace(known, cloud=cloud)


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
