"""The keys that may move, as numbers from 0 to 1 for a search, and back as texts that a person would type."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.optimisation.cases import LATER, change, with_places
from lapwright.specification.quantities import (
    ANGLE,
    FORCE,
    LENGTH,
    SMALL,
    TIME,
    Dimension,
    plain,
    read,
    read_share,
)
from lapwright.specification.said import RefusedError
from lapwright.specification.step import Step, Swap, in_metal
from lapwright.study.model import Free, Study, Tune
from lapwright.study.read import parse_document
from lapwright.study.variants import BATCH, override
from lapwright.study.write import written

Array = NDArray[np.float64]

OFF = 0.1  # of a number: what a sloppy hand is off
WHOLE, TENTHS = 20.0, 2.0  # [min] from which on a time is told in whole minutes, and in tenths
FINE = 3  # places finer than the span of the bounds: 2 to 30 min in hundredths of a minute
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)(.*)", re.ASCII)
KINDS: tuple[tuple[Dimension, str], ...] = (
    (TIME, "min"),
    (LENGTH, "mm"),
    (FORCE, "N"),
    (ANGLE, "deg"),
)


@dataclass(frozen=True)
class DesignVariable:
    """One key that may move, of a step (0: of the batch).

    A number from `low` to `high` with `unit` after it, or one of `choices`.
    """

    key: str
    step: int
    name: str
    low: float = 0.0
    high: float = 1.0
    unit: str = ""
    choices: tuple[str, ...] = ()

    @property
    def whole(self) -> bool:
        """True of numbers of parts, of which there are no halves."""
        return self.step == 0 and self.unit.strip() in ("", "parts", "part")

    @property
    def places(self) -> int:
        """Decimal places in which the number is typed."""
        if self.whole:
            return 0
        return max(0, FINE - 1 - math.floor(math.log10(self.high - self.low)))

    def text(self, u: float) -> str:
        """What to type for `u` from 0 to 1."""
        if self.choices:
            return self.choices[min(int(u * len(self.choices)), len(self.choices) - 1)]
        return self.typed(self.low + u * (self.high - self.low))

    def typed(self, value: float, more: int = 0) -> str:
        """A number of this key as it is typed, with so many places more than is usual.

        Minutes are those of a clock on the wall: whole ones from `WHOLE` on, tenths below.
        """
        places = self.places + (0 if self.whole else more)
        if self.unit == " min" and value >= TENTHS and not more:
            coarse = min(places, 0 if value >= WHOLE else 1)
            places = coarse if self.low <= round(value, coarse) <= self.high else places
        text = f"{value:.{places}f}"
        text = text.rstrip("0").rstrip(".") if "." in text else text
        return f"{'0' if text == '-0' else text}{self.unit}"

    def place(self, text: str) -> float:
        """Where a typed value lies, from 0 to 1."""
        if self.choices:
            return (
                (self.choices.index(text) + 0.5) / len(self.choices)
                if text in self.choices
                else 0.0
            )
        value = _value(text, self.unit)
        return (
            0.5
            if value is None
            else min(1.0, max(0.0, (value - self.low) / (self.high - self.low)))
        )

    def number(self, text: str) -> float:
        """The number of a typed value, in this key's unit."""
        return _value(text, self.unit) or 0.0

    def slips(self, text: str) -> list[tuple[str, float]]:
        """A typed number a tenth less and a tenth more, each with how far it is off; none of a choice."""
        number = self.number(text)
        by = OFF * (abs(number) or self.high - self.low)
        signs = () if self.choices else (-1.0, 1.0)
        # Below nought slips only what may be below it as typed.
        return [
            (self.typed(number + sign * by, 1), sign * OFF)
            for sign in signs
            if number + sign * by >= 0.0 or self.low < 0.0
        ]

    @property
    def of_time(self) -> bool:
        """True where only times move, so that no stroke need be looked at anew."""
        return not self.choices and (
            self.name == "time" or self.name.partition(".")[0] == "swap_every"
        )


def where(number: int, order: Sequence[int]) -> str:
    """A step of the study by its number where steps have the `order`: "step 3 (was step 1)"; one has none."""
    if len(order) < 2 or not number:
        return ""
    now = order.index(number) + 1
    return f"step {now}" if now == number else f"step {now} (was step {number})"


def _value(text: str, unit: str) -> float | None:
    """The number of `text` in `unit`."""
    got = _NUMBER.fullmatch(plain(text))
    if got is not None and got[2].strip() == unit.strip():
        return float(got[1])
    for kind, _ in KINDS:
        if unit.strip() in kind.units:
            try:
                return read(text, kind) / kind.units[unit.strip()]
            except RefusedError:
                return None
    try:
        return 100.0 * read_share(text) if unit.strip() == "%" else None
    except RefusedError:
        return None


def variable_of(free: Free) -> DesignVariable:
    """What a free key means: bounds in one unit, or choices."""
    of_batch = free.key.startswith(BATCH)
    _, number, name = ("", "0", free.key) if of_batch else free.key.split(".", 2)
    step = int(number)
    if free.low is None or free.high is None:
        return DesignVariable(free.key, step, name, choices=free.choices)
    ends = [_NUMBER.fullmatch(plain(text)) for text in (free.low, free.high)]
    if ends[0] is not None and ends[1] is not None:
        low, high = float(ends[0][1]), float(ends[1][1])
        unit, other = (end[2].strip() for end in ends if end is not None)
        if unit == other and not unit.startswith("/"):
            return DesignVariable(free.key, step, name, low, high, f" {unit}" if unit else "")
    # Of two units of one kind the first that was typed is kept: metal in um stays metal in um.
    own = [end[2].strip() for end in ends if end is not None]
    units = [*own, *(unit for _, unit in KINDS), "%"]
    for unit in units:
        least, most = (_value(text, unit) for text in (free.low, free.high))
        if least is not None and most is not None and least < most:
            return DesignVariable(free.key, step, name, least, most, f" {unit}")
    # Two texts of different kinds, such as two ways of turning.
    return DesignVariable(free.key, step, name, choices=(free.low, free.high))


@dataclass(frozen=True)
class Design:
    """One place in the space: what is typed, the steps in the order in which they are done.

    `order`: numbers of the steps in the study; `moved`: the changes that are more than times, which decide
    what the strokes do.  `steps`: by their numbers in the study.
    """

    changes: Mapping[str, str]
    order: tuple[int, ...]
    moved: tuple[tuple[str, str], ...]
    steps: tuple[Step, ...]


class DesignSpace:
    """All that may move in a study; a place in it is a row of numbers from 0 to 1."""

    def __init__(self, study: Study, document: Mapping[str, Any], folder: Any = None) -> None:
        assert study.goal is not None
        self.study = study
        self.goal = study.goal
        self.folder = folder
        self.document = with_places(
            {key: value for key, value in document.items() if key not in LATER}, folder
        )
        tuned = study.tuned or Tune()
        self.least = tuned.least
        self.knobs = tuple(variable_of(free) for free in tuned.free)
        self.ordered = tuned.order and len(study.steps) > 1
        self._moved: dict[tuple[tuple[str, str], ...], tuple[Step, ...]] = {}

    @property
    def size(self) -> int:
        """How many numbers a place has."""
        return len(self.knobs) + (len(self.study.steps) if self.ordered else 0)

    @property
    def times_alone(self) -> bool:
        """True where no stroke moves."""
        return all(knob.of_time for knob in self.knobs)

    def start(self) -> Array | None:
        """The study as it stands, where what it says lies within the bounds; None where it does not say."""
        found = []
        for knob in self.knobs:
            text = _typed(self.document, knob)
            if text is None or not (knob.choices or _value(text, knob.unit) is not None):
                return None
            found.append(knob.place(text))
        order = [(k + 0.5) / len(self.study.steps) for k in range(self.size - len(self.knobs))]
        return np.array([*found, *order])

    def typed_out(self, changes: Mapping[str, str]) -> dict[str, str]:
        """The changes; of the study as it stands, which has none, what it says at every key that may move."""
        return dict(changes) or {knob.key: self.typed(knob) or "" for knob in self.knobs}

    def typed(self, knob: DesignVariable) -> str | None:
        """What the study says at a key, where that is one of its choices or within its bounds."""
        text = _typed(self.document, knob)
        if text is None or knob.choices:
            return text if text in knob.choices else None
        value = _value(text, knob.unit)
        return text if value is not None and knob.low <= value <= knob.high else None

    def place(self, changes: Mapping[str, str], order: tuple[int, ...]) -> Array:
        """Where changes lie; what is out of bounds lies at the next one."""
        found = [knob.place(changes[knob.key]) for knob in self.knobs]
        if self.ordered:
            found += [(order.index(k + 1) + 0.5) / len(order) for k in range(len(order))]
        return np.array(found)

    def kinds(self, most: int) -> list[Array]:
        """A place for every way of choosing, and every order; none where there are more than `most`."""
        count = len(self.study.steps)
        number = math.prod(len(knob.choices) for knob in self.knobs if knob.choices)
        if number * (math.factorial(min(count, 20)) if self.ordered else 1) > most:
            return []
        texts = [knob.choices or (knob.text(0.5),) for knob in self.knobs]
        orders = (
            permutations(range(1, count + 1)) if self.ordered else (tuple(range(1, count + 1)),)
        )
        keys = [knob.key for knob in self.knobs]
        return [
            self.place(dict(zip(keys, chosen, strict=True)), order)
            for chosen, order in product(product(*texts), list(orders))
        ]

    def kind(self, place: Array) -> object:
        """What is chosen at a place, and in which order."""
        chosen = [k.text(float(u)) for k, u in zip(self.knobs, place, strict=False) if k.choices]
        return self.order(place), tuple(chosen)

    def spoken(self, changes: Mapping[str, str], order: tuple[int, ...]) -> str:
        """What a place sets, steps by their numbers in its own order."""
        parts = []
        for knob in self.knobs:
            told = change(knob.name, changes[knob.key], self.study.steps[knob.step - 1])
            parts.append(f"{where(knob.step, order)} {told}".strip())
        if self.ordered:
            parts.append(f"the old steps in the order {', '.join(map(str, order))}")
        return ", ".join(parts)

    def distance(self, one: Array, other: Array) -> float:
        """Largest move of a key within its bounds; 1 between choices or orders."""
        if self.order(one) != self.order(other):
            return 1.0
        apart = 0.0
        for k, knob in enumerate(self.knobs):
            if knob.choices:
                apart = max(apart, float(knob.text(float(one[k])) != knob.text(float(other[k]))))
            else:
                apart = max(apart, abs(float(one[k]) - float(other[k])))
        return apart

    def order(self, place: Sequence[float] | Array) -> tuple[int, ...]:
        """Numbers of the steps in the order in which they are done."""
        count = len(self.study.steps)
        if not self.ordered:
            return tuple(range(1, count + 1))
        return tuple(int(k) + 1 for k in np.argsort(place[len(self.knobs) :], kind="stable"))

    def changes(self, place: Sequence[float] | Array) -> dict[str, str]:
        """What is typed there."""
        return {knob.key: knob.text(float(u)) for knob, u in zip(self.knobs, place, strict=False)}

    def settled(self, changes: Mapping[str, str], order: tuple[int, ...]) -> Design:
        """The steps that the changes make.

        Raises
        ------
        StudyError
            When they mean nothing.

        """
        moved = tuple((k.key, changes[k.key]) for k in self.knobs if not k.of_time)
        if moved not in self._moved:
            if len(self._moved) > 500:
                self._moved.clear()
            own = tuple(range(1, len(self.study.steps) + 1))
            self._moved[moved] = self.parsed(changes, own)[1].steps
        steps = list(self._moved[moved])
        for knob in self.knobs:
            if knob.of_time:
                steps[knob.step - 1] = _timed(steps[knob.step - 1], knob.name, changes[knob.key])
        steps = held(steps, order, self.goal.hold, self.study.rounds)
        return Design(dict(changes), order, moved, tuple(steps))

    def parsed(
        self, changes: Mapping[str, str], order: tuple[int, ...], name: str = ""
    ) -> tuple[dict[str, Any], Study]:
        """The study with the changes made: as a file would have it, and what that means.

        Raises
        ------
        StudyError
            When they mean nothing.

        """
        document = dict(self.document)
        for number in range(len(self.study.steps) + 1):  # 0: of the batch
            own = {
                k.name: changes[k.key] for k in self.knobs if k.step == number and k.key in changes
            }
            if own:
                document = override(document, number or None, own)
        document["steps"] = [document["steps"][k - 1] for k in order]
        study = self._meant(document)
        last = held(study.steps, tuple(range(1, len(order) + 1)), self.goal.hold, study.rounds)[-1]
        if last != study.steps[-1]:
            # The last step goes on until `hold`.
            so_long = (
                {"time": _so_long(last)} if last.time is not None else {"strokes": last.strokes}
            )
            document["steps"][-1] = {**document["steps"][-1], **so_long}
            study = self._meant(document)
        if name:
            document["title"] = f"{self.study.title}: {name}"
        return document, replace(study, title=document.get("title", study.title))

    def text(self, document: Mapping[str, Any], order: tuple[int, ...], name: str) -> str:
        """A document from here as a file, with what the person wrote in the study's."""
        note = f"{name}: one way of lapping {self.study.stem}, written by lapwright tune."
        return written(document, note, self.study.text, order)

    def _meant(self, document: Mapping[str, Any]) -> Study:
        return parse_document(document, self.study.stem, self.folder)


def _so_long(step: Step) -> str:
    assert step.time is not None
    return f"{step.time / 60.0:.6g} min"


def held(
    steps: Sequence[Step], order: tuple[int, ...], hold: float | None, rounds: int
) -> list[Step]:
    """The steps, the last of which goes on until `hold` [s] if all would be over before.

    Where a gauge stops it, or where there are several rounds, it ends when it ends: what is not lapped stays.
    """
    found = list(steps)
    last = found[order[-1] - 1]
    if hold is None or rounds > 1 or last.until is not None:
        return found
    before = sum(found[k - 1].total_strokes / found[k - 1].pace for k in order[:-1])
    if before + last.total_strokes / last.pace < hold:
        # In tenths of a second, so that what is typed is the same.
        left = math.ceil(round(10.0 * (hold - before), 3)) / 10.0
        longer = replace(last, time=left) if last.time is not None else None
        found[order[-1] - 1] = longer or replace(last, strokes=math.ceil(left * last.pace))
    return found


def typed_at(document: Mapping[str, Any], key: str) -> Any:
    """What a document says at a key such as "steps.1.stroke.length"; None where it says nothing.

    Or at one of a batch.  Of a time for both plates each has it; of a centre that is a pair "x" and "y" are
    the two, and alone it is how far off it lies towards 3.
    """
    if key.startswith(BATCH):
        inner: Any = document
        for part in key.split("."):
            inner = inner.get(part) if isinstance(inner, Mapping) else None
        return f"{inner}" if type(inner) is int else inner
    _, number, name = key.split(".", 2) if key.startswith("steps.") else ("", "", "")
    steps = document.get("steps", [])
    if not number.isdecimal() or not 1 <= int(number) <= len(steps):
        return None
    step = here = steps[int(number) - 1]
    for part in name.split("."):
        if isinstance(here, list) and part in ("x", "y") and len(here) == 2:
            here = here["xy".index(part)]
        elif isinstance(here, str) and part in step.values():
            continue  # swap_every = "5 min" is the same for both plates
        elif isinstance(here, Mapping) and part in here:
            here = here[part]
        else:
            return None
    return here[0] if isinstance(here, list) and name == "stroke.centre" else here


def _typed(document: Mapping[str, Any], knob: DesignVariable) -> str | None:
    here = typed_at(document, knob.key)
    return here if isinstance(here, str) else None


def _timed(step: Step, name: str, text: str) -> Step:
    """The step with another time, or others on top."""
    if name == "time":
        return replace(step, time=read(text, TIME), strokes=None)
    side = name.partition(".")[2]
    if side == "read":
        return replace(step, swap=Swap(read=read(text, TIME)))
    metal = in_metal(text)
    stay = read(text, SMALL if metal else TIME)
    both = {step.top: stay, step.bottom: stay}
    kept = {} if step.swap is None else step.swap.removed if metal else step.swap.on_top
    stays = {**both, **kept, side: stay} if side else both
    return replace(step, swap=Swap(removed=stays) if metal else Swap(stays))
