"""What stands on a work card: plates, steps in order, what to read and what to expect, what to mind.

All of it is words; `lapwright.presentation.card` sets them on paper.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lapwright.kinematics.schedule import spread_of
from lapwright.limits import limit_of
from lapwright.presentation import words
from lapwright.presentation.finding_words import care
from lapwright.presentation.orders import Order, grit_words, orders, stop_by_gauge
from lapwright.presentation.run_view import Face, RunView
from lapwright.presentation.words import MARK, marked_face
from lapwright.results.record import grit_on
from lapwright.units import Units, joined

if TYPE_CHECKING:
    from lapwright.integration.estimate import Outlook

__all__ = ["Block", "Card", "Note", "Row", "card_of"]


MOST_CARE = 3  # of what to take care of, the gravest, in full
MOST_ROWS = 18  # of the readings; with more, some rounds or steps are read less


@dataclass(frozen=True)
class Block:
    """Steps that are done alike: `heads` who lies on whom in each, and when to stop; `orders` for all."""

    numbers: tuple[int, ...]
    heads: tuple[str, ...]
    grit: str
    stops: tuple[str, ...]
    orders: tuple[Order, ...]
    wash: str = ""

    @property
    def lines(self) -> list[Order]:
        """The orders and, last, when to stop: once where all steps of the block stop alike."""
        if len(set(self.stops)) == 1:
            each = "each " if len(self.stops) > 1 else ""
            return [*self.orders, Order("Stop", each + self.stops[0])]
        stops = zip(self.numbers, self.stops, strict=True)
        return [*self.orders, *(Order(f"Stop {number}", stop) for number, stop in stops)]


@dataclass(frozen=True)
class Row:
    """One reading: when, of which plate, and what should show; `first`: before anything is lapped."""

    when: str
    plate: str
    expect: str
    first: bool = False


@dataclass(frozen=True)
class Note:
    """A line of the head or the foot: `lead` stands before the text, bold; an alarm has a frame about it."""

    text: str
    lead: str = ""
    alarm: bool = False

    @property
    def whole(self) -> str:
        """All that it says."""
        return f"{self.lead} {self.text}".lstrip()


@dataclass(frozen=True)
class Card:
    """Everything that stands on the card."""

    said: RunView
    head: tuple[Note, ...]
    blocks: tuple[Block, ...]
    rows: tuple[Row, ...]
    foot: tuple[Note, ...]

    @property
    def rounds(self) -> int:
        """How many times the steps are gone through."""
        return self.said.study.rounds


def card_of(said: RunView, care: int = MOST_CARE) -> Card:
    """The work card of a run, with so many things to take `care` of in full."""
    foot = (*map(_led, _foot(said)), *_minded(said, care))
    return Card(said, tuple(_head(said)), tuple(_blocks(said)), tuple(_rows(said)), foot)


def _head(said: RunView) -> list[Note]:
    """A line for each kind of plate, and one for a run that went wrong."""
    alike: dict[str, list[str]] = {}
    for name in said.study.plates:
        alike.setdefault(_plate(said, name), []).append(name)
    lines = [Note(what, joined(names)) for what, names in alike.items()]
    outcome = said.run.outcome
    if outcome == "tipped":
        lines.append(Note("Do not work to this card: the top tips off, see below.", alarm=True))
    elif outcome in words.ENDED:
        reckoned = (
            " What it did not reach is reckoned beforehand." if outcome == "interrupted" else ""
        )
        lines.append(Note(f"{words.ENDED[outcome]}{reckoned}", alarm=True))
    return lines


def _plate(said: RunView, name: str) -> str:
    plate, units = said.study.plates[name], said.units
    along, across = (units.length(side, echo=True) for side in plate.outline.size)
    if plate.outline.bore > 0.0:
        shape = f"ring {along}, bore {units.length(plate.outline.bore, echo=True)}"
    elif type(plate.outline).__name__ == "Disc":
        shape = f"disc {along}"
    else:
        shape = f"{along} x {across}"
    if plate.thickness is not None:
        shape += f", {units.length(plate.thickness, echo=True)} thick"
    return f"{shape}, {plate.material.name}, {_mass(plate.total_mass, units)}"


def _mass(mass: float, units: Units) -> str:
    """A mass [kg] in kg and lb, the person's own unit first."""
    return f"{units.mass(mass)} ({units.other.mass(mass)})"


def _blocks(said: RunView) -> list[Block]:
    """The steps in order; neighbours that are done alike share one block."""
    from lapwright.integration.estimate import outlooks

    study = said.study
    blocks: list[Block] = []
    turned = _turned_bottoms(said)
    for k, look in enumerate(outlooks(study.plates, study.steps, seed=study.seed)):
        step = study.steps[k]
        told = orders(step, study.plates, look, said.units, turned[k])
        stop = _stop(said, k + 1, look)
        head, grit = f"{step.top} on {step.bottom}", grit_words(step)
        wash = _wash(said, k)
        last = blocks[-1] if blocks else None
        if last is not None and not last.wash and _alike(last.orders) == _alike(told):
            blocks[-1] = Block(
                (*last.numbers, k + 1),
                (*last.heads, head),
                grit,
                (*last.stops, stop),
                last.orders,
                wash,
            )
        else:
            blocks.append(Block((k + 1,), (head,), grit, (stop,), tuple(told), wash))
    return [_shared(block) for block in blocks]


def _alike(told: Sequence[Order]) -> list[Order]:
    """Orders without the name of who is on top, for comparing."""
    return [_nameless(order) for order in told]


def _nameless(order: Order) -> Order:
    if order.word != "On top":
        return order
    for ending in ("change places every", "all the time"):
        if (at := order.text.find(ending)) >= 0:
            return Order(order.word, order.text[at:], order.ticks)
    return order


def _shared(block: Block) -> Block:
    """A block of several steps does not name the top: its heads do."""
    if len(block.numbers) == 1:
        return block
    told = [
        Order(
            o.word,
            f"the one named first{'; ' if 'places every' in n.text else ', '}{n.text}",
            o.ticks,
        )
        if (n := _nameless(o)) != o
        else o
        for o in block.orders
    ]
    return Block(block.numbers, block.heads, block.grit, block.stops, tuple(told), block.wash)


def _turned_bottoms(said: RunView) -> list[bool]:
    """Which steps turn the bottom: inside, that is a walk."""
    typed = set(said.study.typed)
    return [f"steps.{number}.turn_bottom" in typed for number in range(1, len(said.steps) + 1)]


def _wash(said: RunView, at: int) -> str:
    """What to do after a step, before another grit comes."""
    steps = said.steps
    rounds = said.study.rounds
    if at + 1 < len(steps):
        here, after, when = steps[at].grit, steps[at + 1].grit, f"before step {at + 2}"
    elif rounds > 1:
        here, after, when = steps[at].grit, steps[0].grit, "before the next round"
    else:
        return ""
    if here.name == after.name and here.size == after.size:
        return ""
    if after.size < here.size:
        return f"WASH {when}: plates, hands, bench; fresh cloth. One coarse grain scratches."
    return f"WASH off the finer grit {when}."


def _stop(said: RunView, number_: int, look: Outlook) -> str:
    """When a step is over: metal first, minutes with their band after it."""
    if look.tipping_margin < 0.0:
        return "do not begin: the top tips off"
    step, time = said.steps[number_ - 1], look.time
    times = len(_ends(said, number_))
    if times:
        off = {name: _off(said, number_, name) / times for name in (step.top, step.bottom)}
        time = said.rubbed(number_) / times
    else:
        off = {name: look.removed_from[name] for name in (step.top, step.bottom)}
    metal = _metal(said, off)
    about = Units.rubbing(time, spread_of([step]))
    if step.until is not None:
        most = Units.spell(step.total_strokes / step.pace)
        return f"when {stop_by_gauge(step.until, said.units)}: in this run {metal}; {about}; {most} at most"
    return f"when {metal}; {about}" + ("" if times else " (reckoned: the run did not come so far)")


def _metal(said: RunView, off: dict[str, float]) -> str:
    """Depth off each face, and its weight where a balance tells it."""
    parts = []
    for name, depth in off.items():
        weight = (
            f"{Units.number(_grams(said, name, depth))} g" if _weighable(said, name, depth) else ""
        )
        parts.append((name, said.units.size(depth), weight))
    if len({(depth, weight) for _, depth, weight in parts}) == 1:
        return f"{parts[0][1]} is off each face" + (
            f", {parts[0][2]} by weight" if parts[0][2] else ""
        )
    each = [
        f"{name} has lost {depth}" + (f" ({weight})" if weight else "")
        for name, depth, weight in parts
    ]
    return joined(each)


def _grams(said: RunView, name: str, depth: float) -> float:
    """What a depth [m] off a face weighs [g]."""
    face = said.face(name)
    return 1e3 * (face.mass_per_depth or 0.0) * depth if face is not None else 0.0


def _weighable(said: RunView, name: str, depth: float) -> bool:
    """Whether a balance that carries the plate tells that a depth [m] has gone."""
    return (
        _grams(said, name, depth) >= limit_of("balance") * 1e3 * said.study.plates[name].total_mass
    )


def _off(said: RunView, number_: int, name: str) -> float:
    """Mean depth that a step took off a plate, over all rounds [m]."""
    face = said.face(name)
    if face is None:
        return 0.0
    removed, step = face.record.removed, said.run.step
    return sum(
        float(removed[k] - removed[k - 1])
        for k in range(1, len(removed))
        if int(step[k]) == number_
    )


def _ends(said: RunView, number_: int) -> list[int]:
    """Places in the history where a step was over, round by round."""
    run = said.run
    return [
        k for k in range(len(run.event)) if run.event[k] == "step" and int(run.step[k]) == number_
    ]


# --- what to read ------------------------------------------------------------------------------


def _rows(said: RunView) -> list[Row]:
    """Readings before the first step, and after each step or round that the run came through."""
    rows = [Row("start", f.name, _expect(f, 0, None, said.units), True) for f in said.faces]
    moments = _moments(said)
    while len(moments) > 2 and len(rows) + sum(len(names) for _, _, names in moments) > MOST_ROWS:
        # Every second one is left out, counted from the end, which stays.
        moments = moments[::-2][::-1]
    for when, k, names in moments:
        for face in said.faces:
            if face.name in names:
                finish = limit_of("finish") * (grit_on(said.run, face.name, k) or 0.0)
                rows.append(Row(when, face.name, _expect(face, k, finish, said.units)))
    return rows


def _moments(said: RunView) -> list[tuple[str, int, list[str]]]:
    """When to read: what it is called, the place in the history, which plates."""
    study = said.study
    if study.rounds > 1:
        ends = _ends(said, len(study.steps))
        return [(f"round {int(said.run.round[k])}", k, [f.name for f in said.faces]) for k in ends]
    seen = [
        (f"step {n}", k, [step.top, step.bottom])
        for n, step in enumerate(study.steps, 1)
        for k in _ends(said, n)
    ]
    if len(study.steps) == 1 and seen:
        seen.insert(0, _half_way(said, seen[0][1]))
    return seen


def _half_way(said: RunView, end: int) -> tuple[str, int, list[str]]:
    """The entry of the history nearest to half the metal of the only step."""
    removed = np.mean([f.record.removed for f in said.faces], axis=0)
    k = min(range(1, end + 1), key=lambda i: abs(float(removed[i]) - 0.5 * float(removed[end])))
    return "half way", k, [f.name for f in said.faces]


def _expect(face: Face, at: int, finish: float | None, units: Units) -> str:
    """What the face should be like at a place in the history."""
    forms = {key: (float(v[at]) if len(v) else None) for key, v in face.record.forms.items()}
    if all(value is None or not math.isfinite(value) for value in forms.values()):
        return "not known"
    return marked_face(forms, finish, MARK, units)


# --- below -------------------------------------------------------------------------------------


def _foot(said: RunView) -> list[str]:
    """How to weigh and how to lift."""
    study = said.study
    lines = [_weighing(said)]
    if any(step.swap is not None for step in study.steps) or len(study.steps) * study.rounds > 1:
        lines.append(
            "Laying down: both with 12 at 12 to begin; after a change the new bottom has its 12 at 12."
        )
    tops = {step.top for step in said.steps} | {s.bottom for s in said.steps if s.swap is not None}
    top = max((p for name, p in study.plates.items() if name in tops), key=lambda p: p.total_mass)
    lines.append(f"Lifting: the top, {top.name}, weighs {_mass(top.total_mass, said.units)}.")
    lines.append("Slide plates apart, never pry. Fingers out of the gap. Local rules come first.")
    return lines


def _led(line: str, alarm: bool = False) -> Note:
    """A line of the foot: what stands before its first colon is its lead, where that is short."""
    lead, colon, text = line.partition(": ")
    return Note(text, f"{lead}:", alarm) if colon and len(lead) < 28 else Note(line, alarm=alarm)


def _minded(said: RunView, most: int) -> list[Note]:
    """What to take care of, the gravest first and no more than `most` in full."""
    minded = care(said.run, said.study)
    left = len(minded) - most
    more = [f"{left} more to take care of: on the page (report.html)."] if left > 0 else []
    return [_led(line, alarm=True) for line in minded[:most] + more]


def _weighing(said: RunView) -> str:
    """What a micrometre weighs off the lightest plate, the best to weigh, or that it is too little."""
    plates = said.study.plates
    faces = [f for f in said.faces if f.mass_per_depth is not None and f.name in plates]
    if not faces:
        return "Weighing: not known what a micrometre weighs here."
    least = min(plates[f.name].total_mass for f in faces)
    light = [f for f in faces if plates[f.name].total_mass < least * 1.001]
    face, names = light[0], " or ".join(f.name for f in light)
    mass = _mass(plates[face.name].total_mass, said.units)
    if not _weighable(said, face.name, face.lost):
        return (
            f"Weighing: all that goes off {face.name} here, {said.units.size(face.lost)}, is "
            f"{Units.number(_grams(said, face.name, face.lost))} g, too little to weigh on {mass}: measure "
            "how much is off. Minutes are guesses until then."
        )
    one = "; weigh that one, the lightest" if len(light) < len(faces) else ""
    return (
        f"Weighing, clean and dry: 1 um (39 uin) off {names} weighs "
        f"{Units.number(_grams(said, face.name, 1e-6), 3)} g{one}. "
        "Minutes are guesses until then."
    )
