"""What strokes of one kind do with two equal discs, as a table over length, width and turn.

Equal plain discs of equal wear have no size of their own: in radii, in the squeeze of the layer (mean
pressure over its stiffness) and in wear constants all of them are alike, and which way a stroke lies turns
the answer only.  So a few strokes stand for all of a kind; between them lies the polynomial through them, at
Chebyshev's points (J.-P. Berrut and L. N. Trefethen, SIAM Review 46 (2004) 501, from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import cos, pi, radians

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin
from lapwright.modal.basis import basis_of
from lapwright.modal.operator import Operator, Turns, assemble, average
from lapwright.modal.points import base_instants
from lapwright.modal.propagator import propagator_of
from lapwright.modal.spectrum import NO_MARGIN, named_errors
from lapwright.specification.curves import (
    Circle,
    Curve,
    Ellipse,
    FigureEight,
    Line,
    path_length,
)
from lapwright.specification.plate import Plate
from lapwright.specification.step import Grit, Step, Turn

Array = NDArray[np.float64]
Axes = Mapping[str, Sequence[float]]

DEGREE = 8
POSES = 40
LENGTHS, WIDTHS = (0.2, 1.2), (0.25, 1.0)  # of the radius; of the length
MOST_TURN = 30.0  # deg a stroke
# How the top is laid, in so many equal shares of a whole turn.
SET_OVER = {"none": 1, "half": 2, "quarter": 4}
ERRORS = (
    "domes",
    "saddles",
    "opposite twists",
    "saddle in saddle",
    "twists",
    "ridges along",
    "ridges across",
)
STAYS = 0.5  # share left for ever, from which an error counts as staying


def nodes(low: float, high: float, count: int) -> list[float]:
    """Chebyshev's points of an interval, its ends among them."""
    middle, half = 0.5 * (low + high), 0.5 * (high - low)
    return [middle - half * cos(pi * k / (count - 1)) for k in range(count)]


def axes_of(kind: str) -> Axes:
    """Where the strokes of a kind are worked out: lengths, widths, and turns [deg a stroke]."""
    wide = kind in ("figure-eight", "ellipse")
    even = nodes(-MOST_TURN, MOST_TURN, 7)
    # Which way it is turned matters only on what goes round; slow places of an ellipse bear no fast turns.
    turns = {"circle": even, "ellipse": [0.5 * turn for turn in even]}
    return {
        "length": nodes(*LENGTHS, {"ellipse": 9, "figure-eight": 8}.get(kind, 11)),
        "width": nodes(*WIDTHS, 6) if wide else [0.0],
        "turn": turns.get(kind, [0.0, 10.0, 18.0, 25.0, MOST_TURN]),
    }


def curve_of(kind: str, length: float, width: float) -> Curve:
    """A stroke of a kind by its size [m]; a circle by its diameter."""
    if kind == "circle":
        return Circle(0.5 * length)
    if kind == "line":
        return Line(length)
    return (FigureEight if kind == "figure-eight" else Ellipse)(length, width)


@dataclass(frozen=True)
class Chart:
    """The table of a `kind` of stroke.

    `axes`: lengths in radii, widths as shares of the length, turns [deg a stroke].  `rows` by how the top is
    laid: "none", "half", "quarter" over lengths and widths, "turning" over turns too; each row is what
    `row_of` gives, and None in it is an error that stays.
    """

    kind: str
    axes: Axes
    rows: Mapping[str, list[list[float | None]]]


def chart_of(
    kind: str,
    plate: Plate,
    margin: EdgeMargin,
    tell: Callable[[int, int], None] = lambda done, of: None,
) -> Chart:
    """Work out the table of a kind of stroke of a plain disc on its like.

    The `margin` is that of what the layer leaves; `tell` hears how many strokes are done, of how many.
    """
    axes, radius = axes_of(kind), plate.outline.radius
    rows: dict[str, list[list[float | None]]] = {name: [] for name in (*SET_OVER, "turning")}
    sizes = list(product(axes["length"], axes["width"]))
    turns = axes["turn"]
    for done, (length, width) in enumerate(sizes):
        curve = curve_of(kind, length * radius, width * length * radius)
        still = assembled(plate, curve, 0.0)
        for name, shares in SET_OVER.items():
            rows[name].append(row_of(_laid(still, shares), curve, margin))
        for turn in turns:
            spun = still if turn == 0.0 else assembled(plate, curve, turn)
            rows["turning"].append(row_of(_laid(spun, 2 * DEGREE + 1), curve, margin))
        tell(done + 1, len(sizes))
    return Chart(kind, axes, rows)


def assembled(plate: Plate, curve: Curve, turn: float) -> Operator:
    """A stroke a second that begins with the top unturned, and turns on by `turn` [deg] in it."""
    strokes = 720
    step = Step(
        "t", "b", Grit("15 um"), curve=curve, strokes=strokes, pace=1.0, turn=Turn(radians(turn))
    )
    basis = basis_of(plate, DEGREE)
    return assemble(basis, basis, base_instants(Motion(step), 0, strokes, POSES))


def _laid(operator: Operator, shares: int) -> Operator:
    """The same with the top laid on at so many angles, evenly round."""
    if shares == 1:
        return operator
    beta = 2.0 * pi * np.arange(shares) / shares
    turns = Turns(operator.instants, np.zeros(shares), beta, np.full(shares, 1.0 / shares))
    return average(operator, turns, operator.instants)


def row_of(operator: Operator, curve: Curve, margin: EdgeMargin) -> list[float | None]:
    """What a stroke a second does, in radii, squeezes and wear constants.

    Metal off, over what the way of the top's centre alone would take; growth of the domes' half difference
    for so much metal; what the layer leaves, in squeezes: sphere of bottom and top, and saddle of both
    along the stroke; then the metal that halves each of `ERRORS`, in squeezes, None where it stays.
    """
    bottom, top = operator.bottom, operator.top
    load = bottom.plate.land_area  # so that the mean pressure and the squeeze are 1
    flow = operator.flow(1.0, (1.0, 1.0), load)
    solved = propagator_of(flow)
    removal = -0.5 * float(solved.drift[0] + solved.drift[bottom.size])
    faces = (bottom, flow.part(solved.drift, False)), (top, flow.part(solved.drift, True))
    below, above = (np.dot(face.form_rows(NO_MARGIN), z) for face, z in faces)
    faces = (bottom, flow.part(solved.residue, False)), (top, flow.part(solved.residue, True))
    left = [np.dot(face.form_rows(margin), z) for face, z in faces]
    errors = {error.name: error for error in named_errors(flow, solved)}
    halves = [
        None if e.half_life is None or e.stays >= STAYS else e.half_life * removal
        for e in (errors[name] for name in ERRORS)
    ]
    grows = 0.5 * float(below[0] - above[0]) / removal
    return [
        removal / path_length(curve),
        grows,
        *(float(face[k]) for k in (0, 1) for face in left),
        *halves,
    ]
