"""The small set-ups that the rows and the tests of the engine share, and one line of the proof.

One line of the proof: what is checked, against what, and what came out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.contact.average import Pair, Sample
from lapwright.integration.loop import lap
from lapwright.integration.state import State
from lapwright.kinematics.motion import Motion
from lapwright.metrology.form import EdgeMargin, Form, forms
from lapwright.specification.curves import Circle, Line
from lapwright.specification.outline import Disc, Outline
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Grit, Layer, Step, Wear
from lapwright.units import GRAVITY

Array = NDArray[np.float64]

RADIUS = 0.080  # m, of the starting case's discs
START = 3000.0 * pi * RADIUS**2  # N, its load: 3 kPa over the disc
NO_MARGIN = EdgeMargin(share=0.0)


def body(name: str, outline: Outline, load: float, cells: int, **more: Any) -> Plate:
    """Make a plate whose weight is `load` [N]."""
    return Plate(outline, mass=load / GRAVITY, cells=cells, **more, name=name)


def disc(name: str, cells: int, form: StartForm = StartForm(), load: float = START) -> Plate:  # noqa: B008
    """Make the starting case's disc."""
    return body(name, Disc(2.0 * RADIUS), load, cells, form=form)


def plain_grit(
    kappa: Mapping[str, float] | float = 1e-12, depth: float = 1e-6, pressure: float = 3000.0
) -> Grit:
    """Make a loose grit that does not fade; `kappa` [1/Pa] for grey iron or by plate."""
    wear = Wear(iron=kappa) if isinstance(kappa, float) else Wear(plates=kappa)
    return Grit("grit", 15e-6, wear, Layer(depth, pressure))


def start_step(hours: float = 1.0, circle: float = 0.33, depth: float = 1e-6, **more: Any) -> Step:
    """Make the starting case: a circle of 0.33 R, 60 strokes a minute, 3 kPa, kappa 1e-12, no turning."""
    given: dict[str, Any] = {
        "top": "A",
        "bottom": "B",
        "grit": plain_grit(depth=depth),
        "curve": Circle(circle * RADIUS),
        "pace": 1.0,
        "time": 3600.0 * hours,
    }
    return Step(**(given | more))


def line_start(hours: float = 1.0, **more: Any) -> Step:
    """Make the starting case with a straight stroke of 0.66 R at 45 degrees."""
    given: dict[str, Any] = {"curve": Line(0.66 * RADIUS), "direction": pi / 4.0}
    return start_step(hours, **(given | more))


def last(plates: Sequence[Plate], *steps: Step, **more: Any) -> State:
    """Lap to the end and give the last moment."""
    return deque(lap({plate.name: plate for plate in plates}, steps, **more), maxlen=1)[0]


def form_of(plate: Plate, state: State) -> Form:
    """Sphere, saddle and twist of a plate at a moment, nothing left out at the edge."""
    return forms(plate, state.heights[plate.name], NO_MARGIN)


def even_stroke(step: Step, load: float, number: int = 64) -> Sample:
    """Sample one stroke at equal phases."""
    motion = Motion(step)
    poses = motion.poses((np.arange(number) + 0.5) / number)
    return Sample(
        poses, np.full(number, 1.0 / number), motion.moment(poses, load), hands=motion.hands(poses)
    )


def at_stroke(step: Step, pair: Pair, strokes: float) -> Sample:
    """Sample the one place that the stroke has reached after `strokes`."""
    motion = Motion(step)
    poses = motion.poses(np.array([strokes]))
    return Sample(poses, np.ones(1), motion.moment(poses, pair.load), hands=motion.hands(poses))


FROM_MEMORY = "from memory"


@dataclass(frozen=True)
class Row:
    """`got` must lie within `tolerance` of `expected` (all in SI, or without unit)."""

    name: str
    source: str
    expected: float
    got: float
    tolerance: float
    ok: bool


def derived(what: str = "") -> str:
    """Name a source that is our own: derived, and confirmed by an independent numerical solution."""
    return f"derived and confirmed independently{': ' + what if what else ''}"


def absolute(name: str, source: str, expected: float, got: float, tolerance: float) -> Row:
    """Make a row of an absolute tolerance; NaN never passes."""
    expected, got, tolerance = float(expected), float(got), float(tolerance)
    return Row(name, source, expected, got, tolerance, abs(got - expected) <= tolerance)


def relative(name: str, source: str, expected: float, got: float, share: float) -> Row:
    """Make a row whose tolerance is a share of the expected value."""
    return absolute(name, source, expected, got, share * abs(float(expected)))
