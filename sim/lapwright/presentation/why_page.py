"""The page of `why`: one file; for each step what stays, what goes and what is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.contact.average import Pair
from lapwright.contact.sampling import block_sample
from lapwright.errors import TippedError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import spread_of
from lapwright.kinematics.sliding import invariants_of
from lapwright.limits import why_band
from lapwright.modal.spectrum import FormMode
from lapwright.modal.step_analysis import LinearisationError, StepAnalysis
from lapwright.presentation import pictures
from lapwright.presentation import reasons as told
from lapwright.presentation.filling import filled
from lapwright.presentation.finding_words import said_of
from lapwright.presentation.pictures.analysis import Card, cause, errors
from lapwright.presentation.staying import (
    goes_slowly,
    keeps,
    leaves_alone,
    lifting,
    own_errors,
    quick_and_slow,
    stays_in_short,
    stays_wholly,
    title,
)
from lapwright.presentation.words import say
from lapwright.results.findings import flooded
from lapwright.specification.plate import Plate
from lapwright.study.model import Study, guessed_layers
from lapwright.units import Units, sentence

Array = NDArray[np.float64]

MOST_SHAPES = 12  # that stay, drawn; more are told in words
FINER = {
    "ridges": "ridges along the stroke",
    "even ridges": "ridges along the stroke",
    "round": "rings",
}
CELLS = 56  # across a little face
FRESH_POSES = 384


def why_page(
    study: Study,
    numbers: Sequence[int],
    reasons: Sequence[StepAnalysis],
    off: Sequence[LinearisationError | None],
    schedule: Sequence[tuple[str, Sequence[str]]] = (),
    head: str = "",
) -> str:
    """The page as text.

    Parameters
    ----------
    study
        Whose steps `numbers` (from 1) the `reasons` are of.
    off
        How far each is off where something lifts.
    schedule
        Sentences on the whole cycle, if there is one.
    head
        What the whole cycle cannot take out; that of the steps by themselves is told where it is empty.

    """
    cycle = [
        f"It {what}: {'. '.join(lines)}" if what else ". ".join(lines) for what, lines in schedule
    ]
    with pictures.sheet():
        return filled(
            "why.html",
            study=study,
            program=__version__,
            headline=head or _headline(reasons, study.units),
            cycle=cycle,
            steps=[_step(study, *each) for each in zip(numbers, reasons, off, strict=True)],
        )


def _headline(reasons: Sequence[StepAnalysis], units: Units) -> str:
    """What one plate alone loses soonest, if it does; then what the strokes cannot take out."""
    most, many = max(reasons, key=lambda r: r.spectrum.survivors), len(reasons) > 1
    they = "These strokes take" if many else "This stroke takes"
    if most.spectrum.survivors == 0:
        return f"{they} out every error that was looked at."
    pair = f"{most.step.top} on {most.step.bottom}"
    never = f"One of these strokes, {pair}, never" if many else "This stroke never"
    staying = stays_in_short(most)
    if soonest := told.soonest(most, units):
        slowly = " Some errors of both hardly change." if goes_slowly(most) else ""
        return f"{sentence(soonest)}. {never} takes out: {staying}.{slowly}"
    if most.spectrum.survivors == 1 and not goes_slowly(most):
        return f"{they} out every error but {staying}."
    return f"{never} takes out: {staying}."


def _step(
    study: Study, number: int, reason: StepAnalysis, away: LinearisationError | None
) -> dict[str, Any]:
    """What the page says of a step."""
    units, margin = study.units, study.margin
    cards = error_cards(study, reason)
    return {
        "number": number,
        "top": reason.step.top,
        "bottom": reason.step.bottom,
        "lifts": reason.lift_share > 0.0,
        "leaves": leaves_alone(reason, units),
        "drawn": errors_drawn(cards),
        "drawn_in_words": _in_words(cards),
        "takes_out": told.takes_out(reason, units),
        "known": why_band(spread_of([reason.step])),
        "makes": told.makes(reason, units, margin),
        "flooded": [sentence(one.text) + "." for one in said_of(flooded(study, number), study)],
        "cause": _cause(study, number, reason),
        "bedded": say("makes.bedded", leaves_land=reason.operator.leaves_land),
        "keeps": keeps(reason, units, margin, reason.step.grit.name in guessed_layers(study)),
        "lifting": lifting(reason, away, units),
    }


# --- pictures ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cards:
    """Little drawings of errors: what the `quick` plate alone has and soon loses; what stays; what goes."""

    quick: str
    own: Sequence[Card]
    stay: Sequence[Card]
    go: Sequence[Card]

    @property
    def soon(self) -> str:
        """The heading of what goes soon."""
        return f"Go soon, what {self.quick} alone has"


def error_cards(study: Study, reason: StepAnalysis) -> Cards:
    """Little drawings of the errors that a stroke leaves alone, and of those that go, the fastest first."""
    plates, units = tuple(_coarser(study.plates[name]) for name in reason.names), study.units
    spread = spread_of([reason.step])

    def card(error: FormMode, note: str) -> Card:
        return Card(title(error, reason), note, plates, _maps(reason, plates, error.start))

    stay = [card(error, "stays") for error in stays_wholly(reason)]
    stay += _finer_that_stay(reason, plates, MOST_SHAPES - len(stay))
    alone, pair = own_errors(reason), quick_and_slow(reason)
    others = [e for group in told.goes(reason) for e in group.errors if e not in alone]
    own, go = (
        [card(e, told.halves(told.alone(e, reason), units, spread)) for e in going]
        for going in (alone, others)
    )
    return Cards(pair[0] if pair else "", own, stay, go)


def errors_drawn(cards: Cards) -> Figure | None:
    """All, each group under its heading; None where there are none."""
    plates = next((card.plates for card in (*cards.own, *cards.stay, *cards.go)), ())
    columns = 2 if any(p.outline.size[0] / p.outline.size[1] > 2.2 for p in plates) else 4
    stay, go = ("Stay for ever", cards.stay), ("Go, the fastest first", cards.go)
    return errors(((cards.soon, cards.own), stay, go), columns)


def _in_words(cards: Cards) -> str:
    """What is drawn, for who cannot see it."""
    going = [(cards.soon, cards.own)] * bool(cards.own) + [("Go", cards.go)]
    lines = [f"Stay: {'; '.join(card.title for card in cards.stay)}"]
    lines += [f"{head}: {'; '.join(f'{c.title}, {c.note}' for c in some)}" for head, some in going]
    return ". ".join(lines)


def _coarser(plate: Plate) -> Plate:
    return plate if plate.outline.long or plate.cells <= CELLS else replace(plate, cells=CELLS)


def _maps(reason: StepAnalysis, plates: Sequence[Plate], z: Array) -> tuple[Array, ...]:
    parts = np.split(z, [reason.flow.bottom.size])
    return tuple(
        face.on(plate.grid, part)
        for face, plate, part in zip(reason.faces, plates, parts, strict=True)
    )


def _finer_that_stay(reason: StepAnalysis, plates: tuple[Plate, ...], room: int) -> list[Card]:
    """Shapes that stay beside those with a name."""
    named = np.array([error.start for error in stays_wholly(reason)])
    kind = FINER.get(invariants_of(reason.step, as_laid=True).kind, "a finer shape")
    cards: list[Card] = []
    for mode in reason.spectrum.modes:
        if not mode.stays or len(cards) >= room:
            continue
        shape = mode.shape / np.linalg.norm(mode.shape)
        if named.size:
            fit = np.linalg.lstsq(named.T, shape, rcond=None)[0]
            if np.linalg.norm(shape - named.T @ fit) < 0.5:
                continue
        what = f"{kind} ({len(cards) + 1})"
        cards.append(Card(what, "stays", plates, _maps(reason, plates, shape)))
    return cards


def _cause(study: Study, number: int, reason: StepAnalysis) -> Figure | None:
    """Pressure and wear of flat faces under the stroke, with what the wear makes; nothing where one tips."""
    step = reason.step
    bottom, top = (_coarser(study.plates[name]) for name in reason.names)
    key = "bow" if top.outline.long or bottom.outline.long else "sphere"
    pair = Pair(bottom, top, step.grit.layer.stiffness, reason.load)
    motion, strokes = Motion(step, (0, 1, number)), (0, step.total_strokes)
    sample = block_sample(motion, reason.load, *strokes, FRESH_POSES, (0.5, 0.5))
    flat = [np.zeros(plate.grid.shape) for plate in (bottom, top)]
    ones, none = np.ones_like(sample.poses.vx), np.zeros_like(sample.poses.vy)
    even = replace(sample, poses=replace(sample.poses, vx=ones, vy=none, spin=none))
    try:
        worn, pressed = (pair.average(flat[0], flat[1], each) for each in (sample, even))
    except TippedError:  # told beside what lifts
        return None
    drift = reason.spectrum.forms(reason.made)
    made = [forms.get(key, next(iter(forms.values()))) for forms in drift]
    return cause((bottom, top), (pressed.bottom, pressed.top), (worn.bottom, worn.top), made)
