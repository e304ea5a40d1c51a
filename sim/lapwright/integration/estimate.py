"""What can be said of a step without lapping anything: closed forms, and means over its motion.

Pressure is taken as that of flat faces, so metal removed and speeds are near, not exact; overhangs, lift-off
and tipping are exact for flat faces; half the difference of the domes follows from the moment law, which
holds whatever the faces look like, at edge margin 0, for equal discs of equal wear.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lapwright.contact.stability import Edge, along_the_stroke, middle_of, over_the_edge
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import land_outline, worst_overhang
from lapwright.kinematics.overlap import overlap
from lapwright.kinematics.schedule import age_at_start, cut_of, thinning
from lapwright.kinematics.sliding import (
    Tendency,
    half_difference,
    rates,
    rubbing,
    sampled,
    tendency,
    work_times,
)
from lapwright.specification.plate import Plate
from lapwright.specification.step import Step


@dataclass(frozen=True)
class Outlook:
    """What a step will do, as far as it can be told beforehand.

    `overhang`: largest over all poses visited, `lift_off_overhang`, `tipping_overhang`: where flat faces
    moved along the stroke's direction begin to lift, and tip [m]; the same as shares of the top's width in
    that direction.  `edge`: the edge over which the step takes the top furthest, and how far it may go there.
    `tipping_margin`: least distance of the load's line inside the overlap's hull [m], below
    zero when the top tips off.  `load` of the top first laid on and the hand [N], `loads` with either plate
    on top; `pressure_mean` over the land in overlap at the centre of the stroke, grooves taken as spread
    evenly [Pa], `squeeze` of the layer under it [m]; `speed` mean sliding speed, `speeds` with either on top
    [m/s], turning included.  `time` [s] rubbed: until a size is reached, or else the most if the step stops
    by a gauge.  `removed`: mean depth
    off both plates, and `removed_from` each [m]; times or divided by `limits.BAND` while the wear is a
    default.
    `kappas`: wear of each with a fresh dab [1/Pa]; `grit_age` of the dab as it begins
    [s]; `on_top`: time at a fresh dab's cut that each lies on top [s], `swaps`: how often they change places
    (0 where readings decide); `thins`: how fast both faces then go
    down with a fresh dab, the mean of them [m/s].
    `tau`: time in which a mismatch dies to 37 % with a fresh dab [s], infinite where nothing rubs.
    `half_difference`: change of (dome of the bottom - dome of the top) / 2 [m], by their places at the start
    of the step, at edge margin 0; None where the moment law does not tell; `tendency` tells its direction for
    any pair.
    """

    overhang: float
    overhang_share: float
    lift_off_overhang: float
    lift_off_share: float
    tipping_overhang: float
    tipping_share: float
    edge: Edge
    tipping_margin: float
    load: float
    loads: Mapping[str, float]
    pressure_mean: float
    squeeze: float
    speed: float
    speeds: Mapping[str, float]
    time: float
    removed: float
    removed_from: Mapping[str, float]
    kappas: Mapping[str, float]
    grit_age: float
    on_top: Mapping[str, float]
    swaps: int
    thins: Mapping[str, float]
    tau: float
    half_difference: float | None
    tendency: Tendency

    @property
    def lifts(self) -> bool:
        """True when flat faces would lift where the step takes the top furthest over an edge."""
        return self.edge.room < 0.0

    @property
    def nearest_overhang(self) -> float:
        """Overhang [m] over the edge where flat faces come nearest to lifting; the largest if that is inside.

        It goes with the limits of `edge`, which the largest of all may be far from.
        """
        near = self.edge.at.overhang
        return near if near > 0.0 else self.overhang


def outlooks(
    plates: Mapping[str, Plate], steps: Sequence[Step], *, seed: int = 0
) -> tuple[Outlook, ...]:
    """Outlook of every step of a study in its first round; the grit's age goes on from step to step.

    Parameters
    ----------
    plates : mapping
        Plate by name.
    steps : sequence of Step
    seed : int
        Of the hand's scatter.

    Returns
    -------
    tuple of Outlook
        One a step.

    """
    every: list[Outlook] = []
    age, last, gone = 0.0, "", dict.fromkeys(plates, 0.0)
    for number, step in enumerate(steps, 1):
        age = age_at_start(step, last, age)
        first = next(s for s in steps if s.grit.name == step.grit.name)
        key = (seed, 1, number)
        look = outlook(plates, step, key=key, grit_age=age, observed_in=first, gone=gone)
        every.append(look)
        gone |= {name: gone[name] + off for name, off in look.removed_from.items()}
        _, age = cut_of(step, age, 0, round(look.time * step.pace))
        last = step.grit.name
    return tuple(every)


def outlook(
    plates: Mapping[str, Plate],
    step: Step,
    *,
    key: Sequence[int] = (0, 1, 1),
    grit_age: float = 0.0,
    observed_in: Step | None = None,
    gone: Mapping[str, float] | None = None,
) -> Outlook:
    """What one step will do, in closed form.

    Parameters
    ----------
    plates : mapping
        Of the study, by name.
    step : Step
    key : sequence of int
        Seed of the hand's scatter, as the time loop has it: seed, round, step.
    grit_age : float
        Time rubbed on the dab before [s].
    observed_in : Step, optional
        The step in which an observed wear was seen; this one when not given.
    gone : mapping, optional
        Metal off plates before the step, by name [m].

    Returns
    -------
    Outlook

    Raises
    ------
    NoOverlapError
        When the plates do not lie on each other at the centre of the stroke.
    CannotDoError
        When an observed wear cannot be read.

    """
    top, bottom = plates[step.top], plates[step.bottom]
    loads = {plate.name: plate.weight + step.load.force for plate in (top, bottom)}
    load = loads[top.name]
    worst = worst_overhang(step, top, bottom)
    along = along_the_stroke(step, top, bottom, load)
    motion = Motion(step, tuple(key))
    poses = motion.poses(sampled(motion))
    means = {top.name: rubbing(motion, poses, top, bottom)}
    alike = (land_outline(top), top.weight) == (land_outline(bottom), bottom.weight)
    means[bottom.name] = means[top.name] if alike else rubbing(motion, poses, bottom, top)
    cut = rates(plates, step, observed_in or step, motion)
    thins = {
        above.name: thinning(
            under, above, (cut[under.name], cut[above.name]), means[above.name].work
        )
        for above, under in ((top, bottom), (bottom, top))
    }

    def off_by(times: Mapping[str, float]) -> dict[str, float]:
        """Metal off each plate [m] by how long each lay on top at a fresh dab's cut [s]."""
        return {
            name: sum(
                cut[name] * times[above] * means[above].work / plates[name].land_area
                for above in times
            )
            for name in cut
        }

    step = _until_off(
        step,
        _left_to_stop(step, plates, gone or {}),
        lambda one: off_by(work_times(one, grit_age, thins)[0]),
    )
    on_top, swaps = work_times(step, grit_age, thins)
    removed = off_by(on_top)
    shared = _land_in_overlap(step, top, bottom)
    stiffness = step.grit.layer.stiffness
    speed = means[top.name].work / load
    both = stiffness * speed * sum(cut.values())
    return Outlook(
        overhang=worst.overhang,
        overhang_share=worst.share,
        lift_off_overhang=along.lift.overhang,
        lift_off_share=along.lift.share,
        tipping_overhang=along.tip.overhang,
        tipping_share=along.tip.share,
        edge=over_the_edge(step, top, bottom, load, worst),
        tipping_margin=worst.margin,
        load=load,
        loads=loads,
        pressure_mean=load / shared,
        squeeze=load / shared / stiffness,
        speed=speed,
        speeds={name: means[name].work / loads[name] for name in loads},
        time=step.total_strokes / step.pace,
        removed=sum(removed.values()) / len(removed),
        removed_from=removed,
        kappas=cut,
        grit_age=grit_age,
        on_top=on_top,
        swaps=swaps,
        thins=thins,
        tau=1.0 / both if both > 0.0 else np.inf,
        half_difference=half_difference(step, top, bottom, cut, on_top, means),
        tendency=tendency(top, bottom, on_top, means),
    )


def _left_to_stop(
    step: Step, plates: Mapping[str, Plate], gone: Mapping[str, float]
) -> dict[str, float]:
    """Metal after which the step is over, by plate, "" the mean of both [m]; nothing where forms end it."""
    until = step.until
    if until is None or until.wedge:
        return {}
    if any(
        size is not None for size in (until.difference, until.flatness, until.twist, until.mating)
    ):
        return {}
    smaller = min((step.top, step.bottom), key=lambda name: plates[name].outline.area)
    left = {} if until.removed is None else {"": until.removed}
    for name, size in until.thickness.items():
        thick = plates[name or smaller].thickness
        if thick is not None:
            left[name or smaller] = max(thick - gone.get(name or smaller, 0.0) - size, 0.0)
    return left


def _until_off(
    step: Step, left: Mapping[str, float], off: Callable[[Step], Mapping[str, float]]
) -> Step:
    """The step for as many strokes as take off what is `left`; whole where it does not get there."""

    def there(strokes: int) -> bool:
        each = off(replace(step, time=None, strokes=strokes))
        mean = sum(each.values()) / len(each)
        return all((each.get(name, 0.0) if name else mean) >= size for name, size in left.items())

    low, high = 0, step.total_strokes
    if not left or not there(high):
        return step
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if there(middle) else (middle, high)
    return replace(step, time=None, strokes=high)


def _land_in_overlap(step: Step, top: Plate, bottom: Plate) -> float:
    """Land on land with the top at the centre of the stroke [m2]; land fractions multiply."""
    above, below = land_outline(top), land_outline(bottom)
    area = overlap(above, below, middle_of(step), 0.0).area
    for plate, outline in ((top, above), (bottom, below)):
        if plate.grooves is not None:
            area *= plate.land_area / outline.area
    return area
