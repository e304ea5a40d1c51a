"""Speeds, path lengths and cover: the motion of the top against closed forms (checks 2-4)."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi

import numpy as np

from lapwright.exact import motion as exact
from lapwright.lapping.motion import Motion
from lapwright.lapping.step import Step, Turn
from lapwright.lapping.strokes import Circle, Curve, Ellipse, FigureEight, Line, Still, path_length
from lapwright.plate.outline import Disc
from lapwright.verify.row import Row, absolute, derived, relative
from lapwright.verify.scenes import plain_grit

__all__ = ["cover", "rows", "speed"]


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    yield from speeds()
    yield from lengths()
    yield absolute(
        "Share of the time in which the bottom's rim is covered, circle R/3",
        derived("(1/pi) acos((rho^2 + c^2 - R^2) / (2 rho c))"),
        exact.covered_share(1.0, 1.0 / 3.0, 1.0),
        cover(1.0, 1.0 / 3.0),
        2e-5,
    )


def _step(curve: Curve, **more: object) -> Step:
    given: dict[str, object] = {
        "top": "A",
        "bottom": "B",
        "grit": plain_grit(),
        "curve": curve,
        "pace": 1.0,
        "time": 1.0,
    }
    return Step(**(given | more))  # type: ignore[arg-type]


def speed(step: Step, radius: float, number: int = 2000) -> float:
    """Mean over a stroke and over a circle of `radius` on the bottom of the sliding speed [m/s]."""
    p = Motion(step).poses((np.arange(number) + 0.5) / number)
    angle = 2.0 * pi * np.arange(36)[:, None] / 36
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    return float(np.hypot(p.vx - p.spin * (y - p.cy), p.vy + p.spin * (x - p.cx)).mean())


def speeds() -> Iterator[Row]:
    """Two spinning bodies, as the bottom sees them: the top's centre goes round, the top turns."""
    offset = 0.1
    equal = _step(Circle(offset))
    for radius in (0.0, 0.08):
        yield relative(
            f"Equal spins, 60 a minute, axes 0.1 m apart: speed at radius {1e3 * radius:g} mm [m/s]",
            "textbook: omega e everywhere",
            0.6283185307,
            speed(equal, radius),
            1e-9,
        )
    omega = 2.0 * pi
    still = _step(Still(), centre=(offset, 0.0), turn=Turn(omega))
    against = _step(Circle(offset), turn=Turn(2.0 * omega))
    source = derived("(2/pi)(A + B) E(4AB/(A + B)^2)")
    yield relative(
        "Ratio of spins 0, r = e/2: mean speed over omega e",
        source,
        1.06354441,
        # Half-way between the axes' distance the integrand is smooth: 36 angles are plenty.
        speed(still, 0.5 * offset) / (omega * offset),
        1e-8,
    )
    yield relative(
        "Ratio of spins -1, r = 3e/4: mean speed over omega e",
        source,
        1.671926222,
        speed(against, 0.75 * offset) / (omega * offset),
        1e-8,
    )


def lengths() -> Iterator[Row]:
    """Lengths of the program's own strokes."""
    source = "recomputed by quadrature to the digits shown"
    cases: tuple[tuple[str, Curve, float], ...] = (
        ("figure-eight (sin t, sin 2t)", FigureEight(2.0, 2.0), 9.42943129694),
        ("figure-eight (sin t, sin 2t / 2)", FigureEight(2.0, 1.0), 6.0972234701),
        ("ellipse of half axes 1 and 0.5", Ellipse(2.0, 1.0), 4.84422411027),
    )
    for name, curve, expected in cases:
        yield relative(f"Path length, {name}", source, expected, path_length(curve), 1e-10)
    poses = Motion(_step(Line(0.06), pace=0.7)).poses((np.arange(2000) + 0.5) / 2000)
    moves = np.hypot(poses.vx, poses.vy)
    yield relative(
        "Line of 60 mm, 42 a minute: mean speed [m/s]",
        "textbook: 2 S f",
        exact.line_mean_speed(0.06, 0.7),
        float(moves.mean()),
        1e-6,
    )
    yield relative(
        "Line: root mean square over mean speed",
        "textbook: pi / (2 sqrt 2)",
        1.1107207345,
        float((moves**2).mean() ** 0.5 / moves.mean()),
        1e-6,
    )


def cover(rho: float, circle: float, number: int = 40_000) -> float:
    """Share of a circular stroke in which a disc of radius 1 lies over a point of the bottom."""
    poses = Motion(_step(Circle(circle))).poses((np.arange(number) + 0.5) / number)
    return float((Disc(2.0).signed_distance(rho - poses.cx, -poses.cy) < 0.0).mean())
