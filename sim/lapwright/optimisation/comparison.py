"""A comparison that has been worked through: its members, their order, and its table.

A comparison as a table of comma-separated values, in SI, one row for each member, best first.
"""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import LapwrightError
from lapwright.integration.estimate import Outlook, outlooks
from lapwright.optimisation.cases import Case, Tolerance
from lapwright.optimisation.ranking import Criterion, criterion_of
from lapwright.optimisation.summary import Summary
from lapwright.results.answer import Answer
from lapwright.results.record import FORM_KEYS, SHAPES
from lapwright.specification.said import Constructed
from lapwright.study.model import Study
from lapwright.study.write import inline

__all__ = ["BAND_ENDS", "Comparison", "Known", "compared", "csv_text"]


Array = NDArray[np.float64]

BAND_ENDS = (5.0, 95.0)  # per cent of the draws: nine in ten lie between


@dataclass(frozen=True)
class Known:
    """How far apart two members are in what puts them in order, and whether the program knows that well [m].

    `apart`: without a goal the worst flatness of "both" from each other; with one, how far "both" are from
    each other in what of it they are furthest from, or, where the first reaches it, how far it keeps inside
    ("first"), or, where that is sure, how far the other one is outside ("second").  `error`: twice that of
    these figures; None where it is not known.  `squeeze`: how far the grit layer gives, where that is a guess
    (else 0), with which goes what it leaves on every face; `finish`: a tenth of the grit, in which both are
    lost when `lost`.
    """

    of: Literal["both", "first", "second"]
    apart: float
    error: float | None
    squeeze: float
    finish: float
    lost: bool

    @property
    def telling(self) -> bool:
        """False where `apart` is no more than the error of it."""
        return self.error is None or self.apart > self.error


@dataclass(frozen=True, repr=False)
class Comparison(Answer, metaclass=Constructed):
    """Members of one study and what came of each.

    `nominal`: of each member as it stands; `draws`: of each member, those that were drawn, in order.
    """

    study: Study
    members: tuple[Case, ...]
    nominal: tuple[Summary, ...]
    draws: tuple[tuple[Summary, ...], ...]
    criterion: Criterion
    tolerance: Tolerance
    cells: int | None = None
    _ahead: dict[int, tuple[Outlook, ...]] = field(default_factory=dict, repr=False, compare=False)

    @cached_property
    def order(self) -> tuple[int, ...]:
        """Indices of the members, best first."""
        return self.criterion.order(self.nominal)

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

        """
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
        from lapwright.presentation.comparison_text import as_json

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
        return tuple({got.draw: got for got in some} for some in self.draws)

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

        Draws in which neither came to its end do not count.

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
        ours, theirs = self._numbered[one], self._numbered[other]
        both = [(ours[k], theirs[k]) for k in ours if k in theirs]
        pairs = [(a, b) for a, b in both if a.done or b.done]
        return sum(self.criterion.better(a, b) for a, b in pairs), len(pairs)

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
        for k in self._numbered[one]:
            drawn = {i: self._numbered[i].get(k) for i in self.order}
            # Of those alike, the one that stands higher in the order.
            keys = {
                i: self.criterion.key(got)
                for i, got in drawn.items()
                if got is not None and got.done
            }
            count += one == min(keys, key=lambda i: keys[i], default=None)
        return count

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
        """From where to where nine in ten draws lie; None when not known.

        `what`: ("time",), ("removed",) or (plate, form).

        Parameters
        ----------
        one : int
            Which member, from 0.
        what : tuple of str
            Plate and form.

        Returns
        -------
        tuple of float or None
            Low and high [m]; None where nothing was drawn.

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
        a, b = self.nominal[one], self.nominal[other]
        figures = flat.figure(a), flat.figure(b)
        finish = min(step.grit.size for i in (one, other) for step in _steps(self.members[i])) * 0.1
        squeeze = max((self.squeeze(i) for i in (one, other)), default=0.0)
        beside: dict[str, Any] = {
            "squeeze": squeeze,
            "finish": finish,
            "lost": max(figures) < finish,
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
        last, number = study.steps[-1], len(study.steps)
        if not {f"grits.{last.grit.name}.layer", f"steps.{number}.grit.layer"} & set(study.assumed):
            return 0.0
        ahead = self.ahead(one)
        return ahead[-1].squeeze if ahead else 0.0

    def half_difference(self, one: int) -> tuple[float, float, float | None] | None:
        """Of a pair at margin 0, bottom and top as in the study's first step [m].

        Half the change of the difference of the domes, half the change of their sum, and the first by the
        moment law with the metal that really went; None where that does not tell.

        Parameters
        ----------
        one : int
            Which member, from 0.

        Returns
        -------
        tuple[float, float, float or None] or None
            Before, after and by the law [m]; None where there is no such pair.

        """
        member, got = self.members[one], self.nominal[one]
        if member.study is None or not got.done or len(got.plates) != 2:
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
        return outlooks(member.study.plates, member.study.steps, seed=member.study.seed)
    except LapwrightError:
        return ()


def _value(got: Summary, what: Sequence[str]) -> float | None:
    if len(what) == 1:
        return got.time if what[0] == "time" else got.removed
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
) -> Comparison:
    """Put what came of the members in order, in whatever order it came.

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
    )


QUANTITY = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?[\w %/.]*", re.IGNORECASE)


def csv_text(got: Comparison) -> str:
    """The table; lengths in m, times in s; a figure that is not there is left empty."""
    keys = list(dict.fromkeys(key for member in got.members for key in member.changes))
    plates = list(got.study.plates)
    ends = ("from", "to") if got.samples else ()
    head = ["rank", "name", *(f"set {key}" for key in keys), "outcome", "time_s", "removed_m"]
    head += [f"removed_m {end}" for end in ends]
    for name in plates:
        for form in (*FORM_KEYS, "removed"):
            head += [f"{name} {form}_m", *(f"{name} {form}_m {end}" for end in ends)]
        head += [f"{name} {form}_m error" for form in SHAPES]
    head += ["lift_share", *(("best_in", "draws") if got.samples else ()), "trouble"]
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(map(_harmless, head))
    for rank, i in enumerate(got.order, 1):
        table.writerow(map(_harmless, _row(got, i, rank, keys, plates)))
    return out.getvalue()


def _row(got: Comparison, i: int, rank: int, keys: list[str], plates: list[str]) -> list[Any]:
    member, ended = got.members[i], got.nominal[i]
    row: list[Any] = [rank if ended.done else "", member.name]
    row += [_typed(member.changes[key]) if key in member.changes else "" for key in keys]
    row += [ended.outcome, repr(ended.time), repr(ended.removed), *_ends(got, i, ("removed",))]
    for name in plates:
        there = ended.plates.get(name)
        for form in (*FORM_KEYS, "removed"):
            value = (
                None if there is None else there.removed if form == "removed" else there.forms[form]
            )
            row += [_figure(value), *_ends(got, i, (name, form))]
        row += [_figure(None if there is None else there.error[form]) for form in SHAPES]
    row += [repr(ended.lift_share)]
    if got.samples:
        row += [got.best_in(i), got.samples]
    return [*row, (ended.trouble or "").replace("\n", "; ")]


def _harmless(cell: Any) -> Any:
    """A cell that no spreadsheet takes for a formula: text that could be one has an apostrophe before it."""
    formula = (
        isinstance(cell, str) and cell[:1] in tuple("=+-@\t\r") and not QUANTITY.fullmatch(cell)
    )
    return f"'{cell}" if formula else cell


def _figure(value: float | None) -> str:
    return "" if value is None else repr(value)


def _typed(value: Any) -> str:
    return value if isinstance(value, str) else inline(value)


def _ends(got: Comparison, i: int, what: tuple[str, ...]) -> list[str]:
    if not got.samples:
        return []
    band = got.band(i, what)
    return ["", ""] if band is None else [repr(band[0]), repr(band[1])]
