"""The schedule that reaches a goal at the least cost: search and full simulation by turns.

tuned(study, crew): the schedule that reaches a goal at the least cost.

A search on the operator proposes, full simulation disposes: its best places are lapped in full, what that
says puts the operator right (`lapwright.optimisation.seek`), and so on until both agree.  The answer is the
best of all that were lapped in full.

The hunt for an answer: search by the operator and full simulation by turns, until both agree.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError, StudyError
from lapwright.optimisation.askable import check_goal
from lapwright.optimisation.batch_search import BatchSearch
from lapwright.optimisation.cases import Tolerance, with_cells
from lapwright.optimisation.criterion import lapped_course
from lapwright.optimisation.design import Design, DesignSpace
from lapwright.optimisation.jobs import InterruptedSearchError, Journal, RunCache
from lapwright.optimisation.seek import (
    LIFTS,
    Envelope,
    Seeker,
    as_they_come,
    distinct,
    ends_well,
    late,
    ranked,
    score,
)
from lapwright.optimisation.sensitivity import (
    OFTEN,
    by_itself,
    design_of,
    drawn_in,
    lost_again,
    missed_of,
    nudges_of,
    why_not,
)
from lapwright.optimisation.summary import Summary
from lapwright.optimisation.surrogate import Surrogate
from lapwright.optimisation.track import (
    Candidate,
    Evaluation,
    Lost,
    Point,
    Refused,
    TimeSeries,
    Tuning,
    constraints_of,
    evaluation_of,
    time_series_of,
)
from lapwright.optimisation.workers import WorkerPool
from lapwright.study.model import Study, Tune
from lapwright.study.read import parse_document
from lapwright.study.source import document_of

Array = NDArray[np.float64]

DEGREE = 4  # of the shapes that the search sees
TOLD_DEGREES = (8, 6, DEGREE)  # of those by which candidates are told: the first that can be solved
LOOKS = {
    True: (1500, 6000),
    False: (120, 600),
}  # for each key, and in all: where times move, where strokes do
ROUNDS = 5  # of search and full simulation, at most
AT_ONCE = 3  # candidates lapped in full in a round
NEAR = 5e-4  # of a key's bounds: as good as the same place
LATER = 2  # in each round after that
GAIN = 0.002  # of a cost, or of a limit: what is worth another full simulation
SAME = 1e-9  # of the usual cost
HOPELESS = 1.5  # times over a limit, when told right
CHECKS = 5  # of what stands a sloppy hand, and does not lift
FAR = 1.1  # times what is asked, foretold with a key a tenth off: not worth lapping to see
LEAST_ROOM = 0.8  # of the room that was: so much less is left for a sloppy hand at once
DRAWN = 3  # answers of which many are drawn
IMPOSSIBLE = ("bounds", "residue", "stays")


class SurrogateOptimizer:
    """One search; `found`: (place, candidate) of all that were lapped in full."""

    def __init__(
        self,
        empty: Tuning,
        space: DesignSpace,
        bench: RunCache,
        tell: Callable[[str, int, int], None],
        looks: int | None = None,
    ) -> None:
        self.empty = empty
        self.space = space
        self.goal = empty.goal
        self.least = empty.least
        self.asked = empty.asked
        self.bench = bench
        self.tell = tell
        each, most = LOOKS[space.times_alone]
        self.looks = looks or min(each * space.size, most)
        self.seeker = Seeker(space, Surrogate(empty.study, DEGREE), self.asked, empty.study.seed)
        self.tellers = [Surrogate(empty.study, degree, exact=True) for degree in TOLD_DEGREES]
        self.found: list[tuple[Array, Candidate]] = []
        self.begun: Candidate | None = None

    def whole(self, samples: int) -> Tuning:
        """Search, lap in full, and say how sure the answer is."""
        got = self.empty
        try:
            self._begin()
            if (nothing := self._nothing()) is not None:
                return nothing
            self._rounds()
            self._stand()
            got = self._answer(())
            best = got.answer
            if best is None or not best.ok:
                self._by_themselves()
                got = self._answer(())
            if got.outcome != "found":
                ends = tuple(filter(ends_well, self._ranked()))
                return self._answer(
                    why_not(self.seeker, ends, self.bench, self._telling("confirm"))
                )
            got = self._drawn(samples) if samples else got
            assert got.answer is not None
            got = replace(got, lost=self._lost(got.answer))
        except InterruptedSearchError:
            got = replace(got if got.candidates else self._answer(()), outcome="interrupted")
        return replace(got, simulated=self.bench.done)

    def _by_themselves(self) -> None:
        """Of a goal of several forms, lap where each that is missed is least by itself."""
        nearest = next(filter(ends_well, self._ranked()), None)
        if nearest is None or len({(one.form, one.kept) for one in self.asked}) == 1:
            return
        missed = missed_of(self.seeker, nearest)
        alone = [by_itself(self.seeker, some, self.looks) for some in missed]
        self._lap([place for place in alone if place is not None])

    def _stand(self) -> None:
        """Go on until the best does not lift, where that can be, and stands a sloppy hand."""
        best = self._first()
        if best is not None and best.lifts and not self.seeker.dry:
            self.seeker.dry = True
            self._rounds(LATER)
            self.seeker.dry = any(one.ok and not one.lifts for _, one in self.found)
        for _ in range(CHECKS):
            best = self._steadiest()
            if best is None or best.steady:
                return
            # Foretold to stand it, it did not: more room the next time.
            worst = max((slip.share for slip in best.slips if slip.off is not None), default=1.0)
            room = self.seeker.room
            self.seeker.room = (
                1.0 if room is None else room * max(LEAST_ROOM, 1.0 / max(worst, 1.0))
            )
            known = len(self.found)
            self._rounds(LATER)
            if len(self.found) == known:
                break
        # Of what the last round brought nothing is answered unchecked.
        best = self._steadiest()
        if best is not None and not best.slips:
            self._checked(best)

    def _first(self) -> Candidate | None:
        """The best that reaches the goal, in full; None where nothing does."""
        best = self._leading()
        return best if best is not None and best.ok else None

    def _leading(self) -> Candidate | None:
        """The best of what was found within the bounds."""
        ways = ranked([one for _, one in self.found], None, self.least, self._score)
        return ways[0] if ways else None

    def _steadiest(self) -> Candidate | None:
        """The best that reaches the goal with every key a tenth off; else the best that does by itself."""
        while True:
            self._tidy()
            best = self._first()
            if best is None or best.steady is not None:
                return best
            foretold = self.seeker.slipped(self.space.typed_out(best.changes), best.order, FAR)
            self._put(best, replace(best, steady=False)) if foretold > FAR else self._checked(best)

    def _checked(self, best: Candidate) -> Candidate:
        """Lap a candidate with each key a little off."""
        telling = self._telling("sensitivity")
        slips = nudges_of(self.space, best, self.bench, self.asked, telling)
        steady = all(one.reached_at is not None for one in slips if one.off is not None)
        return self._put(best, replace(best, slips=slips, steady=steady))

    def _put(self, old: Candidate, new: Candidate) -> Candidate:
        """What is known now of a candidate in the place of what was."""
        self.found = [(place, new if one is old else one) for place, one in self.found]
        self.begun = new if self.begun is old else self.begun
        return new

    def _drawn(self, samples: int) -> Tuning:
        """The answer that reaches the goal in nine of ten draws, or in the most of those that were drawn."""
        drawn: list[Tuning] = []
        telling = self._telling("samples")
        for number in range(DRAWN):
            got = self._answer(())
            best = got.answer
            if best is None or any(one.answer and best.name == one.answer.name for one in drawn):
                break
            got, high = drawn_in(got, best, samples, self.bench, telling)
            sure = got.reached_in >= OFTEN * samples
            best = self._put(best, replace(best, sure=sure))
            drawn.append(replace(got, candidates=(best, *got.candidates[1:])))
            if sure or high > HOPELESS or number == DRAWN - 1:
                break
            self.seeker.aim /= max(high, 1.0 + GAIN)
            self._rounds(LATER)
            self._stand()
        drawn.sort(key=lambda one: -one.reached_in)
        return next((one for one in drawn if one.answer is not None and one.answer.sure), drawn[0])

    def _telling(self, stage: str) -> Callable[[int, int], None]:
        return lambda done, of: self.tell(stage, done, of)

    def _begin(self) -> None:
        """Tell and lap the study as it stands."""
        own = tuple(range(1, len(self.empty.study.steps) + 1))
        document, study = self.space.parsed({}, own)
        study = replace(study, text=self.space.text(document, own, "As it stands"))
        settled = Design({}, own, (("as it stands", ""),), study.steps)
        begun = Candidate("as it stands", {}, own, document, study, None, False)
        (summary,) = self.bench.lap([(study, 0)], self._telling("confirm"))
        self.begun = self._confirmed(self._told(begun, settled), summary)
        place = self.space.start()
        if place is not None and all(
            self.space.typed(knob) is not None for knob in self.space.knobs
        ):
            self.found.append((place, self.begun))
        try:
            self.seeker.weigh(self.least, self.seeker.foreteller.tell(settled).track)
        except LapwrightError:
            self.seeker.weigh(self.least, None)

    def _nothing(self) -> Tuning | None:
        """The answer where the faces have all that is asked as they come, and every step may be left out."""
        free = {knob.step for knob in self.space.knobs if knob.name in ("time", "strokes")}
        if self.begun is None or len(free) < len(self.empty.study.steps):
            return None
        idle = as_they_come(self.begun, self.asked)
        if idle is None:
            return None
        return replace(self._answer(()), outcome="found", candidates=(idle,), trade_off=())

    def _tidy(self) -> None:
        """Give keys of the answer that change nothing the values that were typed."""
        ways = self._ranked()
        if not ways or not ways[0].ok or ways[0] is self.begun:
            return
        at = next(k for k, (_, way) in enumerate(self.found) if way is ways[0])
        place, best = self.found[at]
        changes = self._idle(best)
        if changes == best.changes:
            return
        tidied = self._candidate(changes, best.order)
        (summary,) = self.bench.lap([(tidied.study, 0)], self._telling("confirm"))
        if best.summary is not None and summary.track == best.summary.track:
            self.found[at] = (
                place,
                self._confirmed(replace(tidied, operator=best.operator), summary),
            )

    def _idle(self, best: Candidate) -> dict[str, str]:
        """The changes of the answer, with what was typed wherever that makes no difference."""
        changes = dict(best.changes)
        own = self._track(changes, best.order)
        for knob in self.space.knobs:
            typed = self.space.typed(knob)
            if own is None or typed is None:
                continue
            track = self._track({**changes, knob.key: typed}, best.order)
            if track is not None and track.same(own):
                changes[knob.key] = typed
        return changes

    def _track(self, changes: Mapping[str, str], order: tuple[int, ...]) -> TimeSeries | None:
        try:
            return self.seeker.foreteller.tell(self.space.settled(changes, order)).track
        except LapwrightError:
            return None

    def _lost(self, best: Candidate) -> Lost | None:
        """When the goal is lost again if one goes on."""
        settled = design_of(self.space, best)
        place = self.space.place(self.space.typed_out(best.changes), settled.order)
        return lost_again(self.seeker, place, settled)

    def _rounds(self, most: int = ROUNDS) -> None:
        """Search and lap in full by turns, until nothing better is to be expected."""
        own = self.space.start()
        for number in range(most):
            self.tell("search", number, most)
            self.seeker.forget()
            places = [place for place, _ in self.found]
            begin = places if own is None else [*places, own]
            looks = self.looks if number == 0 else self.looks // 2
            self.seeker.search(looks, begin, self.bench.stop)
            if self.bench.stop():
                raise InterruptedSearchError
            wanted = self._wanted()
            if not wanted:
                return
            self._lap(wanted)

    def _wanted(self) -> list[Array]:
        """Places to be lapped in full: new ones that promise more than the best that was lapped."""
        best = self._leading()
        stands = best is not None and best.ok and not self._falls(best)
        lapped = [one for _, one in self.found if one is not self.begun]
        # Of what is looked for and not there the nearest are lapped once, however little they promise.
        nearest = not lapped and not (best is not None and best.ok)
        new: list[Array] = []
        # Beside what reaches the goal, only what stands all that is asked counts.
        for place in self.seeker.best(
            AT_ONCE, below=1.0 if best is not None and best.ok else np.inf
        ):
            course = self._course(place)
            if course is None or any(self.space.distance(place, p) <= NEAR for p, _ in self.found):
                continue
            if nearest or best is None or (best.ok and not stands) or self._promises(course):
                new.append(place)
        return new[: LATER if lapped else AT_ONCE]

    def _falls(self, best: Candidate) -> bool:
        """Whether the best falls short of what is looked for beside the goal."""
        lifts = self.seeker.dry and best.lifts
        return lifts or best.steady is False or best.sure is False

    def _promises(self, course: Evaluation) -> bool:
        """Whether a place promises so much more than the best lapped that it is worth lapping."""
        first = self._first()
        lapped = [one.simulated for _, one in self.found if one.simulated is not None]
        best = first.simulated if first is not None else min(lapped, key=self._score)
        assert best is not None
        if not best.ok:
            return course.share <= HOPELESS and self._score(course) < self._score(best) - GAIN
        if not course.ok:
            return False
        cost, least = (one.cost.of(self.least) for one in (course, best))
        if abs(cost - least) > SAME * self.seeker.scale:
            return cost < (1.0 - GAIN) * least
        sooner = late(best) - late(course)
        return sooner > GAIN * self.seeker.whole or (
            sooner >= 0.0 and course.share < best.share - GAIN
        )

    def _course(self, place: Array) -> Evaluation | None:
        try:
            return self.seeker.course(place)
        except LapwrightError:
            return None

    def _score(self, course: Evaluation | None) -> float:
        if course is None:
            return np.inf
        return score(course, self.least, self.seeker.scale, self.seeker.whole)

    def _lap(self, places: list[Array]) -> None:
        """Lap places in full, and put the operator right by what came out."""
        candidates = []
        for place in places:
            changes, order = self.space.changes(place), self.space.order(place)
            try:
                told = self._candidate(changes, order)
            except StudyError as trouble:
                self.seeker.troubles.append(str(trouble))
                continue
            candidates.append((place, self._told(told, self.space.settled(changes, order))))
        lapped = self.bench.lap([(c.study, 0) for _, c in candidates], self._telling("confirm"))
        for (place, candidate), summary in zip(candidates, lapped, strict=True):
            confirmed = self._confirmed(candidate, summary)
            self.found.append((place, confirmed))
            if confirmed.simulated is not None and confirmed.simulated.trouble is None:
                settled = self.space.settled(candidate.changes, candidate.order)
                track = self.seeker.foreteller.tell(settled).track
                self.seeker.offsets.add(place, time_series_of(summary.track), track)

    def _candidate(self, changes: dict[str, str], order: tuple[int, ...]) -> Candidate:
        """A schedule of which nothing is told yet; raises StudyError when it means nothing."""
        name = self.space.spoken(changes, order)
        document, study = self.space.parsed(changes, order, name)
        study = replace(study, text=self.space.text(document, order, name))
        return Candidate(name, changes, order, document, study, None, False)

    def _told(self, candidate: Candidate, settled: Design) -> Candidate:
        """The candidate with what the operator says, on more shapes than the search sees."""
        for teller in self.tellers:
            try:
                foretold = teller.tell(settled)
            except LapwrightError:
                continue
            search = self.seeker.foreteller
            lifts = search.lift_share(settled, search.tell(settled))
            course = evaluation_of(foretold.track, self.asked, self.goal.hold, "operator")
            course = replace(course, forms=foretold.forms, lift_share=lifts)
            return replace(candidate, operator=course, lifts=lifts > LIFTS)
        return candidate

    def _confirmed(self, candidate: Candidate, summary: Summary) -> Candidate:
        """The candidate with what full simulation says."""
        course = lapped_course(summary, self.asked, self.goal.hold)
        lifts = candidate.lifts or course.lift_share > LIFTS
        return replace(candidate, simulated=course, summary=summary, lifts=lifts)

    def _answer(self, refused: tuple[Refused, ...]) -> Tuning:
        """What is known by now, the best first."""
        ways = self._ranked()
        ways = tuple(one for k, one in enumerate(ways) if k == 0 or one is not self.begun)
        candidates = distinct(ways, self._kind)
        found = bool(candidates) and candidates[0].ok
        impossible = any(one.code in IMPOSSIBLE for one in refused)
        best = candidates[0] if found else None
        return replace(
            self.empty,
            outcome="found" if found else "refused" if impossible else "near",
            candidates=candidates,
            begun=self.begun,
            sensitivity=best.slips if best is not None else (),
            trade_off=self._trade_off(),
            refused=refused,
            tried=self.seeker.tried,
            simulated=self.bench.done,
        )

    def _ranked(self) -> tuple[Candidate, ...]:
        found = [candidate for _, candidate in self.found]
        return ranked(found, self.begun, self.least, self._score)

    def _kind(self, way: Candidate) -> object:
        """What is another way at the bench, however like its numbers are."""
        choices = tuple(way.changes.get(knob.key) for knob in self.space.knobs if knob.choices)
        return way.order, choices

    def _trade_off(self) -> tuple[Point, ...]:
        """Least share at each cost, by the operator and by what was lapped in full."""
        told = self.seeker.envelope
        if told is None:
            return ()
        lapped = Envelope(told.cost)
        for candidate in (
            *(c for _, c in self.found),
            *([self.begun] if self.begun is not None else []),
        ):
            if candidate.summary is not None and candidate.summary.done and candidate.summary.track:
                track = time_series_of(candidate.summary.track)
                lapped.take(
                    track.along(self.least),
                    track.shares(self.asked).max(axis=0),
                    track.flatness(),
                )
        return (*told.points("operator"), *lapped.points("simulation"))


def tuned(
    study: Study,
    crew: WorkerPool,
    *,
    samples: int = 0,
    tolerance: Tolerance = Tolerance(),  # noqa: B008 (frozen)
    cells: int | None = None,
    store: Path | None = None,
    looks: int | None = None,
    stop: Callable[[], bool] = lambda: False,
    tell: Callable[[str, int, int], None] = lambda stage, done, of: None,
) -> Tuning:
    """Search by the operator, confirm by full simulation.

    `cells` across the finest plate for all simulations; `store`: a file to keep finished simulations in, to
    go on from; `looks`: places that the first search looks at, if not the usual; `stop` is asked now and
    then; `tell(stage, done, of)`: stage is "search", "confirm", "sensitivity" or "samples".

    Raises
    ------
    CommandError
        The study has no [goal], or nothing in it may move.
    CannotDoError
        The workers do not work.

    """
    check_goal(study)
    document = document_of(study.text)
    if cells is not None:
        document = with_cells(document, study, cells)
        study = parse_document(document, study.stem, study.folder, text=study.text)
    assert study.goal is not None
    asked = constraints_of(study.goal, study.plates)
    least = study.tuned.least if study.tuned is not None else Tune.least
    empty = Tuning(study, study.goal, asked, "refused", least, tolerance=tolerance, cells=cells)
    bench = RunCache(crew, Journal(store) if store is not None else None, stop, tolerance)
    space = DesignSpace(study, document, study.folder or Path())
    if study.batch is not None:
        return BatchSearch(empty, space, bench, tell).whole(samples)
    return SurrogateOptimizer(empty, space, bench, tell, looks).whole(samples)
