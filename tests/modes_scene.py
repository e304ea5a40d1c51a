"""Pairs and strokes for the tests of what a stroke leaves alone: the starting case's 160 mm discs."""

from math import pi, radians

from lapwright.kinematics.motion import Motion
from lapwright.modal.basis import basis_of
from lapwright.modal.operator import operator_of
from lapwright.specification.curves import Circle, FigureEight, Line, Still
from lapwright.specification.step import Turn
from lapwright.verification.scenes import RADIUS, START, disc, start_step

KAPPA = 1e-12
STIFFNESS = 3e9
EIGHT = FigureEight(0.66 * RADIUS, 0.33 * RADIUS)
FREE = Turn(radians(8.0))
LINE = Line(0.66 * RADIUS)


def index(degrees, every=10):
    return Turn(radians(degrees), every)


def stroke(curve=None, turn=None, **more):
    """A step of an hour, by default the circle of 0.33 R without turning."""
    given = {"curve": curve or Circle(0.33 * RADIUS), "turn": turn or Turn()}
    return start_step(1.0, **(given | more))


STILL = Still()
ONCE_A_STROKE = Turn(2.0 * pi)


def operator(step, degree=8, bottom=None, top=None, **more):
    bottom, top = bottom or disc("B", 128), top or disc("A", 128)
    return operator_of(basis_of(bottom, degree), basis_of(top, degree), Motion(step), **more)


def flow(step, degree=8, kappas=(KAPPA, KAPPA), load=START, **more):
    return operator(step, degree, **more).flow(STIFFNESS, kappas, load)
