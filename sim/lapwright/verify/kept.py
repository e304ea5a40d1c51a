"""What a stroke never takes out: how many pairs fit at every place, as preview counts them (check 12)."""

from __future__ import annotations

from collections.abc import Iterator
from math import pi, radians

from lapwright.lapping.kept import kept
from lapwright.lapping.step import Turn
from lapwright.lapping.strokes import Circle, Curve, Line, Still
from lapwright.verify.row import Row, absolute, derived
from lapwright.verify.scenes import RADIUS, start_step

__all__ = ["rows"]


def rows() -> Iterator[Row]:
    """Yield the rows of this subject."""
    source = derived("lower pairs of F. Reuleaux 1876 (secondary sources), two equal discs, degree 8")
    circle, line = Circle(0.33 * RADIUS), Line(0.66 * RADIUS)
    cases: tuple[tuple[str, Curve, Turn, int], ...] = (
        ("a circle with 8 degrees of turn a stroke", circle, Turn(radians(8.0)), 1),
        ("a circle without turning", circle, Turn(), 3),
        ("turning alone", Still(), Turn(radians(8.0)), 4),
        ("a circle with one turn a stroke", circle, Turn(2.0 * pi), 4),
        ("a circle, set over by 180 degrees", circle, Turn(pi, 10), 3),
        ("a circle, set over by 120 degrees", circle, Turn(2.0 * pi / 3.0, 10), 1),
        ("a straight stroke without turning", line, Turn(), 9),
        ("a straight stroke, set over by 180 degrees", line, Turn(pi, 10), 6),
        ("a straight stroke, set over by 90 degrees", line, Turn(pi / 2.0, 10), 1),
    )
    for name, curve, turn, want in cases:
        got = kept(start_step(curve=curve, turn=turn)).count(8)
        yield absolute(f"What fits for ever, {name}", source, want, -1 if got is None else got, 0.5)
