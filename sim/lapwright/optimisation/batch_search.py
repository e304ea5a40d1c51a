"""The way of lapping a batch that keeps all its parts within the goal, found by lapping batches.

No reduced model carries parts that come and go, so each place that is looked at is lapped: on coarse plates
first (`COARSE` cells across), a grid of all free keys, then halving steps round the best.  The best few, and
the one with the most room to spare, are lapped on the plates of the study, beside it as it stands, and the
answer is the best of these.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import product
from math import prod

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import StudyError
from lapwright.optimisation.cases import with_cells
from lapwright.optimisation.criterion import lapped_course
from lapwright.optimisation.design import DesignSpace
from lapwright.optimisation.jobs import InterruptedSearchError, RunCache
from lapwright.optimisation.sensitivity import OFTEN, drawn_in
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.track import Candidate, Evaluation, Tuning
from lapwright.study.model import Study
from lapwright.study.read import parse_document

Array = NDArray[np.float64]
Key = tuple[float, ...]

COARSE = 32  # cells across the finest plate while looking
GRID = 24  # places of the first look, at most
LEVELS = (5, 3, 2)  # of each number in it: as many as fit
HALVINGS = 3  # of the step round the best
FULL = 3  # places lapped on the plates of the study
DRAWN = 3  # of those, of which many are drawn
SAME_COST = 0.01  # of a cost: no reason to take one way before another


class BatchSearch:
    """One search; as `SurrogateOptimizer`, without a surrogate."""

    def __init__(
        self,
        empty: Tuning,
        space: DesignSpace,
        bench: RunCache,
        tell: Callable[[str, int, int], None],
    ) -> None:
        self.empty, self.space, self.bench, self.tell = empty, space, bench, tell
        self.order = tuple(range(1, len(empty.study.steps) + 1))
        self.seen: dict[tuple[str, ...], tuple[Array, Evaluation, Summary]] = {}
        self.usual = 1.0  # what the study costs as it stands

    def whole(self, samples: int) -> Tuning:
        """Look on coarse plates, lap the best in full, and say how sure the answer is."""
        got = self.empty
        try:
            begun = self._begin()
            self._look()
            found = self._in_full(begun)
            got = self._answer(begun, found)
            if samples and got.outcome == "found":
                got = self._drawn(got, samples)
        except InterruptedSearchError:
            got = replace(got, outcome="interrupted")
        return replace(got, simulated=self.bench.done - len(self.seen), tried=len(self.seen))

    def _key(self, course: Evaluation, summary: Summary) -> Key:
        """What to sort by: the least cost of what reaches the goal, then room to spare, then the plate."""
        parts = summary.parts
        if parts is None:
            return (np.inf,)
        plate = summary.plates[parts.on].forms.get("flatness") or 0.0
        cost = round(course.cost.of(self.empty.least) / (SAME_COST * self.usual))
        if course.ok:
            return 0.0, float(cost), course.share, plate
        return 1.0, float(parts.out or 0), course.share, plate

    def _begin(self) -> Candidate:
        """The study as it stands, in full."""
        document, study = self.space.parsed({}, self.order)
        study = replace(study, text=self.space.text(document, self.order, "As it stands"))
        name = "as it stands"
        begun = Candidate(name, {}, self.order, document, study, None, False)
        begun = self._confirmed(begun, self._lap([study], "confirm")[0])
        assert begun.simulated is not None
        self.usual = begun.simulated.cost.of(self.empty.least) or 1.0
        return begun

    def _lap(self, studies: Sequence[Study], stage: str) -> list[Summary]:
        jobs = [(study, 0) for study in studies]
        return self.bench.lap(jobs, lambda done, of: self.tell(stage, done, of))

    def _look(self) -> None:
        """A grid, then halving steps round the best: every key one way and the other."""
        self._coarse(self._grid())
        own = self.space.start()
        self._coarse([] if own is None else [own])
        step = 0.5 / max(self._levels() - 1, 1)
        for _ in range(HALVINGS):
            best = self._best(1)
            moves: list[Array] = []
            for place in best:
                for k, knob in enumerate(self.space.knobs):
                    for sign in () if knob.choices else (-1.0, 1.0):
                        moved = place.copy()
                        moved[k] = min(1.0, max(0.0, moved[k] + sign * step))
                        moves.append(moved)
            self._coarse(moves)
            step *= 0.5

    def _levels(self) -> int:
        """How many values of each number the grid has."""
        ways = prod(len(knob.choices) for knob in self.space.knobs if knob.choices)
        numbers = sum(not knob.choices for knob in self.space.knobs)
        return next((n for n in LEVELS if ways * n**numbers <= GRID), 1)

    def _grid(self) -> list[Array]:
        levels = self._levels()
        values = [
            (np.arange(n) + 0.5) / n if (n := len(knob.choices)) else np.linspace(0.0, 1.0, levels)
            if levels > 1 else np.array([0.5])
            for knob in self.space.knobs
        ]  # fmt: skip
        if prod(map(len, values)) <= GRID:
            return [np.array(place) for place in product(*values)]
        # Too many together: every choice as often as any other of its key, and numbers over all their range,
        # each key in an order of its own.
        shuffle = np.random.Generator(np.random.PCG64(len(values)))
        columns = [
            shuffle.permutation(np.resize(some if knob.choices else np.linspace(0.0, 1.0, LEVELS[0]), GRID))
            for some, knob in zip(values, self.space.knobs, strict=True)
        ]  # fmt: skip
        return list(np.stack(columns, axis=1))

    def _coarse(self, places: Sequence[Array]) -> None:
        """Lap places on coarse plates; those that mean nothing are passed over."""
        new: dict[tuple[str, ...], tuple[Array, Study]] = {}
        for place in places:
            changes = self.space.changes(place)
            key = tuple(changes.values())
            if key in self.seen or key in new:
                continue
            try:
                document, study = self.space.parsed(changes, self.order)
            except StudyError:
                continue
            finest = max(plate.cells for plate in study.plates.values())
            document = with_cells(document, study, min(COARSE, finest))
            coarse = parse_document(document, study.stem, self.space.folder)
            new[key] = place, replace(coarse, text=study.text)
        summaries = self._lap([study for _, study in new.values()], "search") if new else []
        for (key, (place, _)), summary in zip(new.items(), summaries, strict=True):
            self.seen[key] = place, self._course(summary), summary

    def _course(self, summary: Summary) -> Evaluation:
        return lapped_course(summary, self.empty.asked, None)

    def _best(self, most: int) -> list[Array]:
        """The best places by now."""
        every = sorted(self.seen.values(), key=lambda one: self._key(one[1], one[2]))
        return [place for place, _, _ in every[:most]]

    def _in_full(self, begun: Candidate) -> list[Candidate]:
        """The best of the coarse ones on the plates of the study, best first, and the study as it stands."""
        ways = []
        roomiest = min(self.seen.values(), key=lambda one: one[1].share, default=None)
        places = self._best(FULL)
        if roomiest is not None and not any(roomiest[0] is place for place in places):
            places.append(roomiest[0])
        for place in places:
            changes = self.space.changes(place)
            name = self.space.spoken(changes, self.order)
            document, study = self.space.parsed(changes, self.order, name)
            study = replace(study, text=self.space.text(document, self.order, name))
            coarse = self.seen[tuple(changes.values())][1]
            ways.append(Candidate(name, changes, self.order, document, study, coarse, False))
        lapped = self._lap([way.study for way in ways], "confirm")
        found = [self._confirmed(*both) for both in zip(ways, lapped, strict=True)]
        return sorted([begun, *found], key=self._rank)

    def _rank(self, way: Candidate) -> Key:
        assert way.simulated is not None
        assert way.summary is not None
        return self._key(way.simulated, way.summary)

    def _confirmed(self, way: Candidate, summary: Summary) -> Candidate:
        return replace(way, simulated=self._course(summary), summary=summary)

    def _answer(self, begun: Candidate, found: Sequence[Candidate]) -> Tuning:
        kept = tuple(one for k, one in enumerate(found) if k == 0 or one is not begun)
        got = replace(self.empty, outcome="found", candidates=kept, begun=begun)
        return got if kept[0].ok else replace(got, outcome="near")

    def _drawn(self, got: Tuning, samples: int) -> Tuning:
        """The way that keeps all parts within the goal in nine of ten draws, or in the most of those drawn.

        After the cheapest those with the most room to spare are drawn.
        """
        ways = [way for way in got.candidates if way.ok]
        ways[1:] = sorted(ways[1:], key=lambda way: way.simulated.share if way.simulated else 0.0)
        drawn: list[Tuning] = []
        for way in ways[:DRAWN]:
            telling = lambda done, of: self.tell("samples", done, of)  # noqa: E731
            one, _ = drawn_in(got, way, samples, self.bench, telling)
            sure = one.reached_in >= OFTEN * samples
            way = replace(way, sure=sure)
            others = [other for other in got.candidates if other.name != way.name]
            drawn.append(replace(one, candidates=(way, *others)))
            if sure:
                break
        return max(drawn, key=lambda one: one.reached_in)
