"""Ten studies in which nothing lifts, on which the prediction is held against the full simulation.

Several outlines, unequal kappa, off centre, grooves, unequal masses; forms from flat to half the squeeze.
"""

from dataclasses import dataclass
from math import pi, radians

import numpy as np

from lapwright.integration.loop import lap
from lapwright.integration.state import Settings
from lapwright.metrology.form import EdgeMargin, form_names, measure
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Circle, Ellipse, FigureEight, Line
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, StartForm
from lapwright.specification.step import Load, Step, Turn
from lapwright.verification.scenes import body, plain_grit

PRESSURE = 3000.0
MARGIN = EdgeMargin()
DISC = Disc(0.16)


def plate(name, outline, load=None, cells=128, grooves=None, **form):
    weight = PRESSURE * outline.area if load is None else load
    return body(name, outline, weight, cells, form=StartForm(**form), grooves=grooves)


def step(curve, time, kappa=(1e-12, 1e-12), **more):
    """A on B, a stroke a second; `kappa` of A and B."""
    grit = plain_grit({"A": kappa[0], "B": kappa[1]})
    return Step("A", "B", grit, curve=curve, pace=1.0, time=time, **more)


@dataclass(frozen=True)
class Case:
    """One study."""

    top: Plate
    bottom: Plate
    step: Step


STUDIES = {
    "circle": Case(plate("A", DISC, sphere=0.5e-6), plate("B", DISC), step(Circle(0.016), 1800.0)),
    "eight, turning": Case(
        plate("A", DISC, sphere=0.4e-6, twist=0.3e-6),
        plate("B", DISC, saddle=0.3e-6),
        step(FigureEight(0.04, 0.02), 1800.0, turn=Turn(radians(8))),
    ),
    "unequal kappa, line at 30 degrees": Case(
        plate("A", DISC, twist=0.4e-6),
        plate("B", DISC, sphere=0.4e-6),
        step(Line(0.04), 2400.0, (0.4e-12, 1.6e-12), direction=radians(30)),
    ),
    "off centre, walking and turning": Case(
        plate("A", DISC),
        plate("B", DISC, sphere=0.4e-6),
        step(
            Circle(0.01), 1800.0, centre=(0.012, 0.0), carry_centre=True,
            walk=Turn(radians(3)), turn=Turn(radians(5)),
        ),
    ),
    "rectangles": Case(
        plate("A", Rectangle(0.15, 0.13), saddle=0.3e-6),
        plate("B", Rectangle(0.15, 0.13), sphere=0.4e-6),
        step(Ellipse(0.03, 0.015), 1800.0, direction=0.4),
    ),
    "rail on rail": Case(
        plate("A", Rectangle(0.3, 0.05), cells=256, bow=0.4e-6),
        plate("B", Rectangle(0.3, 0.05), cells=256, wind=0.3e-6),
        step(FigureEight(0.03, 0.012), 2400.0),
    ),
    "ring on disc, turning": Case(
        plate("A", Ring(0.12, 0.06), sphere=0.4e-6),
        plate("B", DISC),
        step(Circle(0.015), 1800.0, turn=Turn(radians(11))),
    ),
    "grooved, turning": Case(
        plate("A", DISC, sphere=0.4e-6),
        plate("B", DISC, grooves=Grooves("square", 0.012, 0.002)),
        step(FigureEight(0.04, 0.02), 1800.0, turn=Turn(radians(8))),
    ),
    "light top, hand off centre": Case(
        plate("A", DISC, load=0.7 * PRESSURE * DISC.area),
        plate("B", DISC, load=90.0, sphere=0.4e-6, saddle=0.2e-6),
        step(Circle(0.015), 1800.0, load=Load(20.0, (0.008, 0.004), "hand", 0.01, 0.15)),
    ),
    "small disc, quarter turns": Case(
        plate("A", Disc(0.1), sphere=0.4e-6),
        plate("B", DISC),
        step(Line(0.05), 1800.0, turn=Turn(pi / 2, 10)),
    ),
}  # fmt: skip


@dataclass(frozen=True)
class Compared:
    """Simulated against predicted, at the end of a study.

    `forms`: name -> (simulated, predicted) [m]; `rms`: plate -> (simulated, predicted) [m]; `scale` [m]: the
    largest of start form, squeeze and what the moment law makes.
    """

    forms: dict
    rms: dict
    scale: float
    lift_share: float

    @property
    def form_error(self):
        """Largest error of a form over the scale."""
        return max(abs(one - two) for one, two in self.forms.values()) / self.scale

    @property
    def rms_error(self):
        """Largest error of an rms over the scale."""
        return max(abs(one - two) for one, two in self.rms.values()) / self.scale

    @property
    def rms_share(self):
        """Largest error of an rms over that rms itself."""
        return max(abs(two / one - 1.0) for one, two in self.rms.values())


def simulated(case):
    """The full simulation: its last moment, and the largest share of a block in which something lifted."""
    # Finer than usual, so that what poses and steps leave open is small beside what a degree leaves.
    finely = Settings(poses=256, fewest_poses=256, tolerance=2.5e-4, longest=0.35)
    moments = list(lap({p.name: p for p in (case.top, case.bottom)}, [case.step], settings=finely))
    return moments[-1], max(m.lift_share for m in moments)


def predicted(picture, time, z_bottom, z_top):
    """Step 1 solved, and basis and coefficients of bottom and top after a time [s] from two maps."""
    flow, solved = picture.flow(1), picture.evolution(1)
    start = np.concatenate([flow.bottom.project(z_bottom), flow.top.project(z_top)])
    parts = np.split(solved.after(start, time), [flow.bottom.size])
    return solved, list(zip((flow.bottom, flow.top), parts, strict=True))


def compared(case, end, lift_share, degree=8):
    plates = {p.name: p for p in (case.top, case.bottom)}
    picture = ReducedModel(plates, [case.step], degree)
    solved, parts = predicted(picture, case.step.time, case.bottom.heights(), case.top.heights())
    forms, rms = {}, {}
    sizes = [PRESSURE / case.step.grit.layer.stiffness]
    for p, (face, part) in zip((case.bottom, case.top), parts, strict=True):
        form, named = measure(p, end.heights[p.name], MARGIN), face.forms(part, MARGIN)
        for name in form_names(p.outline):
            forms[p.name, name] = getattr(form, name), named[name]
            sizes.append(abs(getattr(p.form, name)))
        rms[p.name] = form.rms, measure(p, face.surface(part), MARGIN).rms
    drift = np.split(solved.drift * case.step.time, [parts[0][0].size])
    for (face, _), part in zip(parts, drift, strict=True):
        sizes += map(abs, face.forms(part, MARGIN).values())
    return Compared(forms, rms, max(sizes), lift_share)
