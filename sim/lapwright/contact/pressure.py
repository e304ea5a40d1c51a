"""Where the top comes to rest on the grit layer, how hard it bears where, when it tips.

One pose, or many: where the top comes to rest on the grit layer, and how hard it bears where.

Where the top bears, how hard, and how near it is to tipping: one place of the stroke, or the worst.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi

import numpy as np
from numpy.typing import NDArray

from lapwright.contact import wear as loops
from lapwright.contact.average import Pair, Sample
from lapwright.contact.bear import PEAK, TOLD_COLUMNS
from lapwright.contact.equilibrium import PLANE, REPORT_COLUMNS
from lapwright.contact.flexure import Flexure
from lapwright.contact.sampling import block_sample
from lapwright.contact.stability import support_margin
from lapwright.kinematics.motion import Motion, Poses
from lapwright.kinematics.overhang import overhang
from lapwright.specification.plate import Plate
from lapwright.specification.step import Hand, Step

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Contact:
    """The top at rest in one pose.

    `height` h [m] and `tilt` (a, b) [rad] of the plane h + a xi + b eta from the top's centre, by which the
    layer is squeezed less; `pressure` (ny, nx) [Pa] on the bottom's grid in the bench frame, and `peak` the
    highest [Pa], at the edge of the land where it is highest there; `share` (ny, nx) of each cell that is
    land on both faces; `load` [N]; `cell` [m].
    """

    height: float
    tilt: tuple[float, float]
    pressure: Array
    peak: float
    share: Array
    load: float
    cell: float

    @property
    def overlap(self) -> float:
        """Land in overlap [m2]."""
        return float(self.share.sum()) * self.cell**2

    @property
    def mean(self) -> float:
        """Load over the land in overlap [Pa]."""
        return self.load / self.overlap

    @property
    def contact_share(self) -> float:
        """Part of the land in overlap that bears."""
        return float(self.share[self.pressure > 0.0].sum() / self.share.sum())


def settle(pair: Pair, z_bottom: Array, z_top: Array, sample: Sample, pose: int = 0) -> Contact:
    """Let the top settle in one pose of a sample; maps (ny, nx) [m] as looking at the faces.

    Parameters
    ----------
    pair : Pair
    z_bottom, z_top : Array
        Heights (ny, nx) [m] of its faces.
    sample : Sample
        n poses.
    pose : int
        Which of them.

    Returns
    -------
    Contact
        The plane at rest and the pressure.

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        When there is no solution; names the pose.

    """
    told, reports, pressure, share = _borne(pair, z_bottom, z_top, sample, np.array([pose]))
    radius = pair.top.outline.radius
    height, a, b = reports[pose, PLANE : PLANE + 3]
    return Contact(
        float(height),
        (float(a / radius), float(b / radius)),
        pressure,
        float(told[0, PEAK]),
        share,
        pair.load,
        pair.bottom.grid.cell,
    )


def peaks(pair: Pair, z_bottom: Array, z_top: Array, sample: Sample) -> Array:
    """Highest pressure [Pa] in each pose of a sample, (n,); otherwise as `settle`.

    Parameters
    ----------
    pair, z_bottom, z_top, sample : Pair, Array, Array, Sample
        As of `settle`.

    Returns
    -------
    Array
        (n,) [Pa].

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        At the first pose that has no solution, naming it.

    """
    told, _, _, _ = _borne(pair, z_bottom, z_top, sample, np.arange(sample.share.size))
    peak: Array = told[:, PEAK].copy()
    return peak


def _borne(
    pair: Pair, z_bottom: Array, z_top: Array, sample: Sample, poses: NDArray[np.intp]
) -> tuple[Array, Array, Array, Array]:
    """What is told of these poses, reports of all, and the pressure and share of the last of them."""
    told = np.zeros((poses.size, TOLD_COLUMNS))
    some = np.zeros((poses.size, REPORT_COLUMNS))
    bottom, top = pair.laid_bottom.face(z_bottom), pair.laid_tops[0].face(z_top)
    rows = pair.pose_rows(sample)[poses]
    pressure, share = loops.bear(bottom, top, pair.stiffness, rows, told, some, pair.bodies[0])
    reports = np.zeros((sample.share.size, REPORT_COLUMNS))
    reports[poses] = some
    pair.check(sample, reports)
    return told, reports, pressure, share


PLACES = 240  # of the first stroke, when the worst is looked for
LATER_PLACES = 192  # spread over the whole step, where the top turns, walks or wanders


@dataclass(frozen=True)
class Bearing:
    """The top at rest in one pose.

    `strokes` done since the step began, `phase` of the stroke, `theta`, `alpha` [rad], `c` (2,) [m];
    `pressure` (ny, nx) [Pa] on the bottom's grid in the bench frame; `pressure_peak`, `pressure_mean` (load
    over the land in overlap) [Pa]; `contact_share` of that land; `tilt` (a, b) [rad]; `tipping_margin` of the
    load's line inside the overlap's hull and `overhang` of this pose [m].
    """

    step: int
    strokes: float
    phase: float
    theta: float
    alpha: float
    c: tuple[float, float]
    top: str
    bottom: str
    pressure: Array
    pressure_peak: float
    pressure_mean: float
    contact_share: float
    tilt: tuple[float, float]
    tipping_margin: float
    overhang: float


def bearing(
    plates: Mapping[str, Plate],
    step: Step,
    *,
    heights: Mapping[str, Array] | None = None,
    phase: float | None = None,
    number: int = 1,
) -> Bearing:
    """Settle the top of `step` at `phase` [rad] of its first stroke, or where it bears worst.

    The hand is taken as steady.  `heights` (ny, nx) [m] by plate; the starting forms when None.
    `number` of the step, for the answer.

    Parameters
    ----------
    plates : mapping
        Plate by name.
    step : Step
    heights : mapping, optional
        As above.
    phase : float, optional
        [rad]; None: where it bears worst.
    number : int
        As above.

    Returns
    -------
    Bearing

    Raises
    ------
    TippedError, NoOverlapError, SettleError
        Where the pose asked for, or any pose of the step, has no solution.

    """
    z = {
        n: heights[n] if heights is not None else plates[n].heights()
        for n in (step.bottom, step.top)
    }
    return pair_bearing(pair_of(plates, step), step, z, phase, number)


def pair_of(plates: Mapping[str, Plate], step: Step) -> Pair:
    """Both plates of a step under its load."""
    bottom, top = plates[step.bottom], plates[step.top]
    load, flexure = top.weight + step.load.force, Flexure.of(step, bottom, top)
    return Pair(bottom, top, step.grit.layer.stiffness, load, flexure=flexure)


def pair_bearing(
    pair: Pair, step: Step, z: Mapping[str, Array], phase: float | None, number: int
) -> Bearing:
    """Settle as `bearing`, of a pair whose faces may have been laid before; `z` (ny, nx) [m] by plate."""
    motion = Motion(replace(step, hand=Hand()))
    if phase is not None:
        samples = [_sample(motion, pair.load, np.array([phase / (2.0 * pi) % 1.0]))]
    else:
        samples = [_sample(motion, pair.load, np.arange(PLACES) / PLACES)]
        if _wanders(motion):
            strokes = step.total_strokes
            samples.append(block_sample(motion, pair.load, 0, strokes, LATER_PLACES, (0.5, 0.5)))
    worst: tuple[float, Sample, int] | None = None
    for sample in samples:
        for pose, peak in enumerate(peaks(pair, z[step.bottom], z[step.top], sample)):
            if worst is None or peak > worst[0] * (1.0 + 1e-9):
                worst = (float(peak), sample, pose)
    assert worst is not None
    _, sample, pose = worst
    contact = settle(pair, z[step.bottom], z[step.top], sample, pose)
    return _bearing(pair, number, contact, sample, pose)


def _sample(motion: Motion, load: float, strokes: Array) -> Sample:
    poses = motion.poses(strokes)
    share = np.full(strokes.size, 1.0 / strokes.size)
    return Sample(poses, share, motion.moment(poses, load), hands=motion.hands(poses))


def _wanders(motion: Motion) -> bool:
    """Whether later strokes differ from the first."""
    step = motion.step
    return not (step.turn.angle == step.walk.angle == 0.0 and step.curve.period == 1.0)


def _bearing(pair: Pair, number: int, contact: Contact, sample: Sample, i: int) -> Bearing:
    poses: Poses = sample.poses
    c = (float(poses.cx[i]), float(poses.cy[i]))
    theta = float(poses.theta[i])
    point = (
        c[0] + float(sample.moments[i, 0]) / pair.load,
        c[1] + float(sample.moments[i, 1]) / pair.load,
    )
    return Bearing(
        step=number,
        strokes=float(poses.strokes[i]),
        phase=float(poses.phase[i]),
        theta=theta,
        alpha=float(poses.alpha[i]),
        c=c,
        top=pair.top.name,
        bottom=pair.bottom.name,
        pressure=contact.pressure,
        pressure_peak=contact.peak,
        pressure_mean=contact.mean,
        contact_share=contact.contact_share,
        tilt=contact.tilt,
        tipping_margin=support_margin(pair.top, pair.bottom, c, theta, point),
        overhang=overhang(pair.top.outline, pair.bottom.outline, c, theta),
    )
