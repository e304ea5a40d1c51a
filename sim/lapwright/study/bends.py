"""Whether the bodies of a step are taken as bending: told by how far they would.

The pressure is taken as even over what lies on each other, tilted as far as the load's line asks, as it is
once faces mate: what bends a plate for long.  (While a fresh dome stands on a flat face both bend more, as
long as that lasts.)
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapwright.kinematics.motion import Motion, instants_of, places_of
from lapwright.limits import limit_of
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step

if TYPE_CHECKING:
    from lapwright.study.model import Study

SEESAW_PLACES = 24  # of a stroke
FINEST = 1e-4  # [m]: what a gauge resolves in slopes is no size

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Bend:
    """How far the bodies of a step bend at most [m]: `sizes` by plate, highest place over lowest.

    `limit` [m]: from here on it is taken into account.
    """

    sizes: Mapping[str, float]
    limit: float

    @property
    def plate(self) -> str:
        """The plate that bends most."""
        return max(self.sizes, key=lambda name: self.sizes[name])

    @property
    def largest(self) -> float:
        """Of both [m]."""
        return max(self.sizes.values())

    @property
    def matters(self) -> bool:
        """Whether it is so large that the bodies are taken as bending."""
        return self.largest >= self.limit


def bend_limit(study: Study, step: Step) -> float:
    """From what bend on bodies are taken as bending [m]: a share of the goal, or of the finest reading.

    Where neither is said it is a share of the squeeze of the grit layer under this load.

    Parameters
    ----------
    study : Study
    step : Step
        Of it.

    Returns
    -------
    float
        [m]

    """
    goals = study.goal.reach.values() if study.goal is not None else ()
    fine = (getattr(gauge, "resolution", 0.0) for gauge in study.gauges.values())
    finest = min(goals, default=None) or min(
        (size for size in fine if 0.0 < size < FINEST), default=None
    )
    if finest is not None:
        return limit_of("bend") * finest
    top, bottom = study.plates[step.top], study.plates[step.bottom]
    pressure = (top.weight + step.load.force) / min(top.land_area, bottom.land_area)
    return limit_of("bending") * pressure / step.grit.layer.stiffness


def bend_of(plates: Mapping[str, Plate], step: Step, limit: float) -> Bend:
    """How far both bodies of a step bend; of plates that change places, either way round.

    Parameters
    ----------
    plates : mapping
        By name.
    step : Step
    limit : float
        [m]

    Returns
    -------
    Bend

    """
    sizes: dict[str, float] = {}
    for over, under in _ways(step):
        found = _bent(plates[over], plates[under], step)
        sizes = {name: max(size, sizes.get(name, 0.0)) for name, size in found.items()}
    return Bend(sizes, limit)


def _ways(step: Step) -> list[tuple[str, str]]:
    """Who lies on whom in a step: top and bottom, and the other way round where they change places."""
    pair = (step.top, step.bottom)
    return [pair] if step.swap is None else [pair, pair[::-1]]


def _bent(top: Plate, bottom: Plate, step: Step) -> dict[str, float]:
    """Span of the bend of both faces [m], the largest over the places of a stroke."""
    from lapwright.metrology.bending import Elastic
    from lapwright.metrology.evenly import bent_faces, enough, points_of

    places = places_of(step)
    degree = enough(top, bottom, step.load, places)
    spans = {}
    faces = bent_faces(top, bottom, step.load, places, degree)
    for plate, bent in zip((top, bottom), faces, strict=True):
        body = Elastic(plate, degree)
        warm = body.heights(body.warm(step.warm.get(plate.name, 0.0)), *points_of(plate))
        spans[plate.name] = float(np.ptp(bent + warm, axis=1).max())
    return spans


def seesaw(plates: Mapping[str, Plate], step: Step) -> float:
    """How far the line of all that lies on the bottom's feet passes outside them at worst [m]; + outside.

    The top's weight and the hands move with the stroke, the bottom's own weight stays in its middle.  -inf on
    a flat bed.

    Parameters
    ----------
    plates : mapping
        By name.
    step : Step

    Returns
    -------
    float
        [m]

    """
    worst = -np.inf
    motion = Motion(step)
    poses = motion.poses(instants_of(step, SEESAW_PLACES))
    for over, under in _ways(step):
        top, bottom = plates[over], plates[under]
        if bottom.feet is None:
            continue
        load = top.weight + step.load.force
        moment = motion.moment(poses, load) + load * np.stack([poses.cx, poses.cy], axis=1)
        line = moment / (load + bottom.weight)
        worst = max(worst, _outside(np.array(bottom.feet), line))
    return worst


def _outside(feet: Array, points: Array) -> float:
    """How far points (n, 2) lie outside the hull of feet (k, 2) at most [m]; - inside."""
    angle = np.arctan2(*(feet - feet.mean(axis=0)).T[::-1])
    ring = feet[np.argsort(angle)]
    worst = -np.inf
    for a in range(len(ring)):
        for b in range(len(ring)):
            along = ring[b] - ring[a]
            length = float(np.hypot(*along))
            if length < 1e-9:
                continue
            out = np.array([along[1], -along[0]]) / length
            if np.all((feet - ring[a]) @ out <= 1e-9):  # an edge of the hull, anticlockwise
                worst = max(worst, float(((points - ring[a]) @ out).max()))
    return worst


def bends_of(study: Study) -> tuple[Bend, ...]:
    """How far the bodies of each step of a study bend, and from what on that is taken into account.

    Parameters
    ----------
    study : Study

    Returns
    -------
    tuple of Bend
        One for each step.

    """
    return tuple(bend_of(study.plates, step, bend_limit(study, step)) for step in study.steps)


def decided(study: Study) -> Study:
    """The study with each step taken as bending or not, as it says or as the sizes ask.

    Parameters
    ----------
    study : Study

    Returns
    -------
    Study

    """
    wanted = [study.bending == "on"] * len(study.steps)
    assumed = dict(study.assumed)
    if study.batch is not None:
        wanted = [False] * len(study.steps)
        assumed["bending"] = "left out: parts of a batch are taken as rigid"
    elif study.bending is None:
        found = study.bends
        wanted = [bend.matters for bend in found]
        most = study.units.size(max(bend.largest for bend in found))
        word = "taken into account" if any(wanted) else "left out"
        assumed["bending"] = f"{word}: {most} at most"
    steps = tuple(
        step if step.bends == bends else step.replace(bends=bends)
        for step, bends in zip(study.steps, wanted, strict=True)
    )
    done = replace(study, steps=steps, assumed=assumed)
    if study.bending is None and study.batch is None:
        done.__dict__["bends"] = (
            found  # hangs on nothing that is decided here: not worked out again
        )
    return done
