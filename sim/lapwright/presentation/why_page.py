"""The page of `why`: one file; for each step what stays, what goes and what is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from matplotlib.figure import Figure
from numpy.typing import NDArray

from lapwright import __version__
from lapwright.contact.average import Pair
from lapwright.contact.sampling import block_sample
from lapwright.errors import TippedError
from lapwright.kinematics.invariants import invariants_of
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.schedule import spread_of
from lapwright.limits import why_band
from lapwright.modal.spectrum import FormMode
from lapwright.modal.step_analysis import LinearisationError, StepAnalysis
from lapwright.presentation import pictures, words
from lapwright.presentation import reasons as told
from lapwright.presentation.pictures.errors import Card, cause, errors
from lapwright.presentation.staying import (
    goes_slowly,
    keeps,
    leaves_alone,
    own_errors,
    quick_and_slow,
    stays_in_short,
    stays_wholly,
    title,
)
from lapwright.presentation.tables import CAUTIONS, bullets, part, sheet
from lapwright.presentation.words import escaped, verbatim
from lapwright.specification.plate import Plate
from lapwright.study.model import Study
from lapwright.units import Units, sentence

__all__ = ["Cards", "error_cards", "errors_drawn", "why_page"]


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
    told_of = [
        f"It {what}: {'. '.join(lines)}" if what else ". ".join(lines) for what, lines in schedule
    ]
    parts = [part("cycle", "The whole cycle", bullets(told_of) if told_of else "")]
    with pictures.sheet():
        for number, reason, away in zip(numbers, reasons, off, strict=True):
            inside = _step(study, number, reason, away)
            parts.append(part(f"step-{number}", _step_title(number, reason), inside))
    parts.append(part("cautions", "Cautions", bullets(CAUTIONS)))
    parts.append(part("study", "The study", verbatim(study.text)))
    return sheet(
        "why",
        title=f"{study.title}: lapwright why",
        study=study.title,
        facts="what each stroke takes out, leaves alone and makes",
        about="Why",
        headline=head or _headline(reasons, study.units),
        first="".join(f'<p class="step">{escaped(line)}</p>' for line in _asides(numbers, reasons)),
        parts=parts,
        foot=f"lapwright {__version__}; study {study.stem}, seed {study.seed}",
    )


def _headline(reasons: Sequence[StepAnalysis], units: Units) -> str:
    """What one plate alone loses soonest, if it does; then what the strokes cannot take out."""
    most = max(reasons, key=lambda r: r.spectrum.survivors)
    many = len(reasons) > 1
    they = "These strokes take" if many else "This stroke takes"
    if most.spectrum.survivors == 0:
        return f"{they} out every error that was looked at."
    staying = stays_in_short(most)
    which = (
        f"One of these strokes, {most.step.top} on {most.step.bottom}," if many else "This stroke"
    )
    if soonest := told.soonest(most, units):
        slowly = " Some errors of both hardly change." if goes_slowly(most) else ""
        return f"{sentence(soonest)}. {which} never takes out: {staying}.{slowly}"
    if most.spectrum.survivors == 1 and not goes_slowly(most):
        return f"{they} out every error but {staying}."
    return f"{which} never takes out: {staying}."


def _asides(numbers: Sequence[int], reasons: Sequence[StepAnalysis]) -> list[str]:
    lines = []
    for number, reason in zip(numbers, reasons, strict=True):
        if reason.lift_share > 0.0:
            lines.append(
                f"Step {number}: part of {reason.step.top} lifts, so sizes here are near only; "
                "how near was measured, see below."
            )
    return lines


def _step_title(number: int, reason: StepAnalysis) -> str:
    return f"Step {number}: {reason.step.top} on {reason.step.bottom}"


def _step(study: Study, number: int, reason: StepAnalysis, away: LinearisationError | None) -> str:
    units, margin = study.units, study.margin
    blocks = [
        ("It leaves alone", bullets(leaves_alone(reason, units))),
        ("", _drawn(study, number, reason)),
        ("It takes out", _table(reason, units)),
        ("It makes", bullets(told.makes(reason, units, margin)) + _cause(study, number, reason)),
        ("Both keep", bullets(keeps(reason, units, margin))),
        ("Does it lift?", bullets(told.lifting(reason, away, units))),
    ]
    return "".join(
        (f"<h3>{escaped(head)}</h3>" if head else "") + inside for head, inside in blocks if inside
    )


def _table(reason: StepAnalysis, units: Units) -> str:
    rows = told.takes_out(reason, units)
    if not rows:
        return "<p>Nothing.</p>"
    body = "".join(
        f'<tr><th scope="row">{escaped(what)}</th><td>{escaped(how)}</td></tr>'
        for what, how in rows
    )
    known = why_band(spread_of([reason.step]))
    caption = f"Metal removed is the mean of both plates. Minutes with their band {known}."
    return f'<table class="goes"><caption>{escaped(caption)}</caption><tbody>{body}</tbody></table>'


# --- pictures ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cards:
    """Little drawings of errors: what the `quick` plate alone has and soon loses; what stays; what goes."""

    quick: str
    own: Sequence[Card]
    stay: Sequence[Card]
    go: Sequence[Card]


def error_cards(study: Study, reason: StepAnalysis) -> Cards:
    """Little drawings of the errors that a stroke leaves alone, and of those that go, the fastest first."""
    plates, units = tuple(_coarser(study.plates[name]) for name in reason.names), study.units
    spread = spread_of([reason.step])

    def card(error: FormMode, note: str) -> Card:
        return Card(title(error, reason), note, plates, _maps(reason, plates, error.start))

    stay = [card(error, "stays") for error in stays_wholly(reason)]
    stay += _finer_that_stay(reason, plates, MOST_SHAPES - len(stay))
    alone = own_errors(reason)
    own, go = (
        [card(e, told.halves(told.alone(e, reason), units, spread)) for e in going]
        for going in (
            alone,
            [e for group in told.goes(reason) for e in group.errors if e not in alone],
        )
    )
    pair = quick_and_slow(reason)
    return Cards(pair[0] if pair else "", own, stay, go)


def errors_drawn(cards: Cards) -> Figure | None:
    """All, each group under its heading; None where there are none."""
    plates = next((card.plates for card in (*cards.own, *cards.stay, *cards.go)), ())
    columns = 2 if any(p.outline.size[0] / p.outline.size[1] > 2.2 for p in plates) else 4
    groups = (
        (_soon(cards), cards.own),
        ("Stay for ever", cards.stay),
        ("Go, the fastest first", cards.go),
    )
    return errors(groups, columns)


def _soon(cards: Cards) -> str:
    return f"Go soon, what {cards.quick} alone has"


def _drawn(study: Study, number: int, reason: StepAnalysis) -> str:
    cards = error_cards(study, reason)
    figure = errors_drawn(cards)
    if figure is None:
        return ""
    going = [("Go", cards.go)] if not cards.own else [(_soon(cards), cards.own), ("Go", cards.go)]
    label = ". ".join(
        [
            f"Stay: {'; '.join(c.title for c in cards.stay)}",
            *(
                f"{head}: {'; '.join(f'{c.title}, {c.note}' for c in those)}"
                for head, those in going
            ),
        ]
    )
    note = (
        '<p class="note">Each error on both plates, looking at each face, its mark up; amber is high, '
        "blue is low, heights not to scale.</p>"
    )
    return f'<figure class="many">{pictures.svg(figure, f"errors-{number}", label)}</figure>{note}'


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
    named = np.array([error.start for error in stays_wholly(reason)]).reshape(
        -1, reason.flow.matrix.shape[0]
    )
    cards: list[Card] = []
    kind = invariants_of(reason.step, as_laid=True).kind
    for mode in reason.spectrum.modes:
        if not mode.stays or len(cards) >= room:
            continue
        shape = mode.shape / np.linalg.norm(mode.shape)
        if named.size:
            fit = np.linalg.lstsq(named.T, shape, rcond=None)[0]
            rest = shape - named.T @ fit
            if np.linalg.norm(rest) < 0.5:
                continue
        cards.append(
            Card(
                f"{FINER.get(kind, 'a finer shape')} ({len(cards) + 1})",
                "stays",
                plates,
                _maps(reason, plates, shape),
            )
        )
    return cards


def _cause(study: Study, number: int, reason: StepAnalysis) -> str:
    """Pressure and wear of flat faces under the stroke, with what the wear makes; nothing where one tips."""
    step = reason.step
    bottom, top = (_coarser(study.plates[name]) for name in reason.names)
    key = "bow" if top.outline.long or bottom.outline.long else "sphere"
    pair = Pair(bottom, top, step.grit.layer.stiffness, reason.load)
    sample = block_sample(
        Motion(step, (0, 1, number)), reason.load, 0, step.total_strokes, FRESH_POSES, (0.5, 0.5)
    )
    flat = np.zeros(bottom.grid.shape), np.zeros(top.grid.shape)
    still = np.ones_like(sample.poses.vx), np.zeros_like(sample.poses.vy)
    even = replace(sample, poses=replace(sample.poses, vx=still[0], vy=still[1], spin=still[1]))
    try:
        worn, pressed = (pair.average(flat[0], flat[1], each) for each in (sample, even))
    except TippedError:  # told beside what lifts
        return ""
    drift = reason.spectrum.forms(reason.made)
    made = [forms.get(key, next(iter(forms.values()))) for forms in drift]
    figure = cause((bottom, top), (pressed.bottom, pressed.top), (worn.bottom, worn.top), made)
    label = "Mean pressure and wear on flat faces, and what that makes of each"
    note = (
        '<p class="note">On flat faces: how hard each place is pressed in the mean over the stroke, and how '
        "fast it wears; deeper green is more. Arrows: how the faces go on "
        f"{words.BEDDED[reason.operator.leaves_land]}.</p>"
    )
    return f'<figure class="many">{pictures.svg(figure, f"cause-{number}", label)}</figure>{note}'
