"""Comparisons: members of one study, what came of each, and their order, best first.

A comparison is worked through by `lapwright.optimisation.work`, in a folder or not.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError, LapwrightError
from lapwright.integration.estimate import Outlook
from lapwright.optimisation.cases import Case, Tolerance
from lapwright.optimisation.criterion import WORST, Criterion, criterion_of
from lapwright.optimisation.equal_metal import Judged, in_draws, judged_where, with_metal_off
from lapwright.optimisation.summary import Summary
from lapwright.results.answer import Answer
from lapwright.specification.said import Constructed, listed, meant, shown
from lapwright.study.doubts import doubt_at_end
from lapwright.study.model import Study, guessed

Array = NDArray[np.float64]

Verdict = Literal["better", "worse", "no_telling", "few"]

FEW = 20  # draws that are too few to be sure by
LUCK = 0.0035  # a fair coin comes so far, 29 of 40 or more, in 3 of 1000 tries; as far to the other side
BAND_ENDS = (5.0, 95.0)  # per cent of the draws: nine in ten lie between


@dataclass(frozen=True)
class Known:
    """How far apart two members are in what puts them in order, and whether the program knows that well [m].

    `apart`: without a goal the worst flatness of "both" from each other; with one, how far "both" are from
    each other in what of it they are furthest from, or, where the first reaches it, how far it keeps inside
    ("first"), or, where that is sure, how far the other one is outside ("second").  `error`: twice that of
    these figures; None where it is not known.  `squeeze`: how far the grit layer gives, where that is a guess
    (else 0), with which goes what it leaves on every face; `doubt`: what a gauge tells at best, below
    which both are `lost`.
    """

    of: Literal["both", "first", "second"]
    apart: float
    error: float | None
    squeeze: float
    doubt: float
    lost: bool

    @property
    def telling(self) -> bool:
        """False where `apart` is no more than the error of it."""
        return self.error is None or self.apart > self.error


def _known(what: str, name: str, names: Iterable[str]) -> None:
    if name not in (names := list(names)):
        hint = meant(name, names, f"write {listed(names)}")
        raise CommandError(f"there is no {what} {shown(name)}: {hint}", key=what)


@dataclass(frozen=True, repr=False)
class Comparison(Answer, metaclass=Constructed):
    """Members of one study and what came of each.

    `nominal`: of each member as it stands; `draws`: of each member, those that were drawn, in order.  `at`:
    where they are to be judged, as in a study.  `quick`: of some of the best, quick draws where none were
    lapped in full; `unquick`: why there are none, of members by their number from 0, of all by -1.
    """

    study: Study
    members: tuple[Case, ...]
    nominal: tuple[Summary, ...]
    draws: tuple[tuple[Summary, ...], ...]
    criterion: Criterion
    tolerance: Tolerance
    cells: int | None = None
    at: float | str = "metal"
    quick: Mapping[int, Sequence[Summary]] = field(default_factory=dict)
    unquick: Mapping[int, str] = field(default_factory=dict)
    _ahead: dict[int, tuple[Outlook, ...]] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def order(self) -> tuple[int, ...]:
        """Indices of the members, best first; those that do not come to where all are judged next to last."""
        keys = self.criterion.standing(self.placed)
        for i, (got, then) in enumerate(zip(self.nominal, self.placed, strict=True)):
            if got.done and then is None:
                keys[i] = 1.0, -got.removed
        return tuple(sorted(range(len(keys)), key=lambda i: (keys[i], i)))

    @cached_property
    def judged(self) -> Judged:
        """Where the members are judged: at the same metal off, or each at its end."""
        return judged_where(self.study, self.members, self.nominal, self.criterion, self.at)

    @cached_property
    def placed(self) -> tuple[Summary | None, ...]:
        """Each member as it is judged; None of one that never comes there."""
        metal = self.judged.metal
        if metal is None:
            return self.nominal
        return tuple(with_metal_off(got, metal) for got in self.nominal)

    def there(self, one: int) -> Summary:
        """A member as it is judged; as it ended, where it never comes there.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        Summary

        """
        return self.placed[one] or self.nominal[one]

    @property
    def ranked(self) -> tuple[int, ...]:
        """Those that came to where all are judged, best first."""
        return tuple(i for i in self.done if self.placed[i] is not None)

    @property
    def done(self) -> tuple[int, ...]:
        """Those that came to their end, best first."""
        return tuple(i for i in self.order if self.nominal[i].done)

    def form(self, plate: str, name: str) -> Array:
        """A form of a plate at the end [m] of each member (members,), as they stand; nan where it tipped.

        Parameters
        ----------
        plate : str
            Name of a plate.
        name : str
            Name of a form, such as "sphere".

        Returns
        -------
        array
            (members,) [m]; nan where a member tipped or has no such form.

        Raises
        ------
        CommandError
            No plate or no form is called so.

        """
        there = [got.plates for got in self.nominal if got.plates]
        if there:
            _known("plate", plate, there[0])
            _known("form", name, there[0][plate].forms)
        found = [
            got.plates[plate].forms[name] if plate in got.plates else None for got in self.nominal
        ]
        return np.array([np.nan if value is None else value for value in found], dtype=np.float64)

    def told(self) -> Mapping[str, Any]:
        """As `lapwright compare --json` has it, SI throughout.

        Returns
        -------
        mapping
            Numbers and text by key.

        """
        from lapwright.presentation.comparison_data import as_json

        return as_json(self)

    def lines(self) -> Iterable[str]:
        """What `lapwright compare` says of it.

        Returns
        -------
        iterable of str
            Line by line.

        """
        from lapwright.presentation.comparison_text import in_words

        return in_words(self)

    def __repr__(self) -> str:
        return f"<Comparison of {self.study.stem}: {', '.join(member.name for member in self.members)}>"

    @property
    def samples(self) -> int:
        """Draws of each member."""
        return max((len(some) for some in self.draws), default=0)

    @cached_property
    def _numbered(self) -> tuple[Mapping[int, Summary], ...]:
        """The draws of each member by their number: only the same numbers can be set against each other."""
        found = (
            self.draws if self.samples else [self.quick.get(i, ()) for i in range(len(self.draws))]
        )
        return tuple({got.draw: got for got in some} for some in found)

    @property
    def trials(self) -> int:
        """Draws that the odds rest on: lapped in full, or else quick ones."""
        return max((len(some) for some in self._numbered), default=0)

    def drawn(self, one: int) -> bool:
        """Whether the odds know of a member.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        bool

        """
        return bool(self._numbered[one])

    def ahead(self, one: int) -> tuple[Outlook, ...]:
        """What can be said of a member beforehand, step by step; nothing for one that means nothing.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple of Outlook
            One for each step; none where the member means nothing.

        """
        # A fiftieth of a second each: worked out for those that are asked for.
        if one not in self._ahead:
            self._ahead[one] = _ahead(self.members[one])
        return self._ahead[one]

    def wins(self, one: int, other: int) -> tuple[float, int]:
        """In how many draws `one` is better than `other`, and of how many; equal counts half.

        Equal are two that are no further apart than the program's own error.  Draws in which neither came
        to its end do not count.

        Parameters
        ----------
        one : int
            A member, from 0.
        other : int
            Another.

        Returns
        -------
        tuple[float, int]
            How many draws it wins of how many, and of how many it can be told.

        """
        won, of = 0.0, 0
        errors = [self.criterion.error(self.there(i)) for i in (one, other)]
        error = 2.0 * math.hypot(*(e or 0.0 for e in errors))
        least = -math.inf if self.criterion.goal is None else 1.0
        for k, keys in self._standings.items():
            ours, theirs = keys.get(one), keys.get(other)
            if ours is not None and theirs is not None and min(ours, theirs) < WORST:
                sizes = [self._figures[k][i] for i in (one, other)]
                # What both reach is told by what it costs; batches are put beside the best by their errors.
                told = self.study.batch is not None or max(sizes) <= least
                even = ours == theirs or not (told or abs(sizes[0] - sizes[1]) > error)
                won += 0.5 if even else 1.0 if ours < theirs else 0.0
                of += 1
        return won, of

    @cached_property
    def _standings(self) -> Mapping[int, Mapping[int, tuple[float, ...]]]:
        """By number of the draw, what each member that is known of it is put in order by."""
        return {
            k: dict(zip(some, self.criterion.standing(list(some.values())), strict=True))
            for k, some in self._drawn.items()
        }

    @cached_property
    def _figures(self) -> Mapping[int, Mapping[int, float]]:
        """By number of the draw, the figure of each member that is known of it."""
        figure = self.criterion.figure
        return {
            k: {i: math.inf if got is None else figure(got) for i, got in some.items()}
            for k, some in self._drawn.items()
        }

    @cached_property
    def _drawn(self) -> Mapping[int, Mapping[int, Summary | None]]:
        """By number of the draw, each member of it as it is judged; None of one that never comes there."""
        found = {}
        for k in sorted({k for some in self._numbered for k in some}):
            drawn = {i: some[k] for i, some in enumerate(self._numbered) if k in some}
            then = in_draws(self.judged, self.nominal, drawn)
            found[k] = {i: then.get(i) for i in drawn}
        return found

    def best_in(self, one: int) -> int:
        """In how many draws `one` is the best of all.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        int
            Draws, from 0.

        """
        count = 0
        for keys in self._standings.values():
            # Of those alike, the one that stands higher in the order.
            ended = [i for i in self.order if keys.get(i, WORST) < WORST]
            count += one == min(ended, key=lambda i: keys[i], default=None)
        return count

    def all_within(self, one: int) -> int | None:
        """In how many draws all parts of a batch are within the goal; None where there is no such goal.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        int or None
            Draws, from 0.

        """
        parts = self.nominal[one].parts
        if parts is None or parts.out is None:
            return None
        return sum(got.parts is not None and got.parts.out == 0 for got in self.draws[one])

    def ended_badly(self, one: int) -> int:
        """In how many draws `one` did not come to its end.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        int
            Draws, from 0.

        """
        return sum(not got.done for got in self.draws[one])

    def band(self, one: int, what: Sequence[str]) -> tuple[float, float] | None:
        """From where to where nine in ten draws lie.

        Parameters
        ----------
        one : int
            Which member, from 0.
        what : tuple of str
            ("time",), ("removed",) or (plate, form).

        Returns
        -------
        tuple of float or None
            Low and high [m, s]; None where nothing was drawn.

        """
        values = [v for got in self.draws[one] if got.done and (v := _value(got, what)) is not None]
        return _band(values)

    def flatness_band(self, one: int) -> tuple[float, float] | None:
        """The same of the worst plate's flatness [m], whichever plate that is.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple[float, float] or None
            Low and high [m]; None where nothing was drawn.

        """
        flat = Criterion()
        return _band(
            [v for got in self.draws[one] if got.done and math.isfinite(v := flat.figure(got))]
        )

    def known(self, one: int, other: int) -> Known:
        """Whether two members are further apart than the program knows.

        Parameters
        ----------
        one : int
            A member, from 0.
        other : int
            Another.

        Returns
        -------
        Known
            Whether, and by how much.

        """
        flat = Criterion()
        a, b = self.there(one), self.there(other)
        figures = flat.figure(a), flat.figure(b)
        doubt = min(self._doubt(i) for i in (one, other))
        squeeze = max((self.squeeze(i) for i in (one, other)), default=0.0)
        beside: dict[str, Any] = {
            "squeeze": squeeze,
            "doubt": doubt,
            "lost": max(*figures, *(self._most_flatness(i) for i in (one, other))) < doubt,
        }
        if self.criterion.goal is not None and self.criterion.figure(a) <= 1.0:
            first, second = (
                Known("first", *self._inside(a), **beside),
                Known("second", *self._inside(b), **beside),
            )
            # Who reaches a goal stands before who does not: neither may be in doubt.
            return (
                second
                if first.telling and self.criterion.figure(b) > 1.0 and not second.telling
                else first
            )
        shares, errors = (
            [self.criterion.figure(s) for s in (a, b)],
            [self.criterion.error(s) for s in (a, b)],
        )
        limit, known = self.criterion.limit(a), [e for e in errors if e is not None]
        error = 2.0 * limit * math.hypot(*known) if len(known) == 2 else None
        return Known("both", limit * abs(shares[0] - shares[1]), error, **beside)

    def _doubt(self, one: int) -> float:
        """What a gauge tells at best of the plates of a member at the end [m]."""
        study = self.members[one].study
        return 0.0 if study is None else doubt_at_end(study)

    def _most_flatness(self, one: int) -> float:
        """The worst plate's flatness [m] at the high end of its band: by draws, or by the layer."""
        if (band := self.flatness_band(one)) is not None:
            return band[1]
        bands = [ended.by_layer.get("flatness") for ended in self.nominal[one].plates.values()]
        return max((band[1] for band in bands if band is not None), default=0.0)

    def _inside(self, got: Summary) -> tuple[float, float | None]:
        """How far from the limit is what of the goal is nearest to it, and twice the error of that [m]."""
        limit, error = self.criterion.limit(got), self.criterion.error(got)
        return limit * abs(
            1.0 - self.criterion.figure(got)
        ), None if error is None else 2.0 * limit * error

    def squeeze(self, one: int) -> float:
        """How far the grit layer gives in the last step of a member [m], if that is a guess; else 0.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        float
            [m]

        """
        study = self.members[one].study
        if study is None:
            return 0.0
        ahead = self.ahead(one) if guessed(study, len(study.steps), "layer") else ()
        return ahead[-1].squeeze if ahead else 0.0

    def half_difference(self, one: int) -> tuple[float, float, float | None] | None:
        """Half the change of the difference of the domes of a pair at margin 0, as in the study's first step.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple[float, float, float or None] or None
            It [m], half the change of their sum [m], and the first by the moment law with the metal that
            really went [m], None where that does not tell; None where there is no such pair.

        """
        member, got = self.members[one], self.nominal[one]
        if member.study is None or not got.done or len(got.plates) != 2 or got.parts:
            return None
        top, bottom = member.study.steps[0].top, member.study.steps[0].bottom
        change = {}
        for name in (top, bottom):
            ended = got.plates[name]
            before, after = (
                forms.get("sphere") for forms in (ended.before_margin0, ended.forms_margin0)
            )
            if before is None or after is None:
                return None
            change[name] = after - before
        law = _by_law(member.study, self.ahead(one), bottom, got)
        return 0.5 * (change[bottom] - change[top]), 0.5 * (change[bottom] + change[top]), law


def verdict(wins: float, of: int) -> Verdict:
    """What it means that the first of two is the better in `wins` of so many draws, equal counting half.

    Parameters
    ----------
    wins : float
        Of them.
    of : int
        Draws.

    Returns
    -------
    str
        "better", "worse", or "no_telling"; "few" where there are too few to be sure by.

    """
    if of < FEW:
        return "few"
    # Draws that are alike count half on either side; of others than forty as many as are no oftener luck.
    from scipy.special import bdtr

    if float(bdtr(math.ceil(of - wins), of, 0.5)) <= LUCK:
        return "better"
    return "worse" if float(bdtr(math.ceil(wins), of, 0.5)) <= LUCK else "no_telling"


def _band(values: Sequence[float]) -> tuple[float, float] | None:
    if len(values) < 2:
        return None
    low, high = np.percentile(values, BAND_ENDS)
    return float(low), float(high)


def _steps(member: Case) -> Sequence:  # type: ignore[type-arg]
    return member.study.steps if member.study is not None else ()


def _by_law(study: Study, ahead: Sequence[Outlook], bottom: str, got: Summary) -> float | None:
    if not ahead or study.rounds != 1:
        return None
    total = 0.0
    for step, look in zip(study.steps, ahead, strict=True):
        if look.half_difference is None:
            return None
        total += look.half_difference if step.bottom == bottom else -look.half_difference
    expected = sum(look.removed for look in ahead)
    return total * got.removed / expected if expected > 0.0 else None


def _ahead(member: Case) -> tuple[Outlook, ...]:
    if member.study is None:
        return ()
    try:
        return member.study.ahead
    except LapwrightError:
        return ()


def _value(got: Summary, what: Sequence[str]) -> float | None:
    if len(what) == 1:
        if what[0] == "time":
            return got.time
        return got.removed if got.parts is None else got.parts.removed  # of a batch: off the plate
    ended = got.plates.get(what[0])
    if ended is None:
        return None
    return ended.removed if what[1] == "removed" else ended.forms.get(what[1])


def compared(
    study: Study,
    members: Sequence[Case],
    summaries: Iterable[Summary],
    tolerance: Tolerance = Tolerance(),  # noqa: B008 (frozen)
    cells: int | None = None,
    at: float | str | None = None,
) -> Comparison:
    """Put what came of the members in order, in whatever order it came; `at`: where, in place of the study's.

    Raises
    ------
    KeyError
        When a member is missing.

    """
    found: Mapping[tuple[int, int], Summary] = {(got.member, got.draw): got for got in summaries}
    draws = max((draw for _, draw in found), default=0)
    return Comparison(
        study,
        tuple(members),
        tuple(found[i, 0] for i in range(len(members))),
        tuple(
            tuple(found[i, k] for k in range(1, draws + 1) if (i, k) in found)
            for i in range(len(members))
        ),
        criterion_of(study),
        tolerance,
        cells,
        study.at if at is None else at,
    )
