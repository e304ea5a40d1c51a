"""Mutations: what would be wrong if ... and which named check says so.

The kernels are run uncompiled from their own source, changed or not, at very few cells: the laws that catch
the changes hold on any set of points.
"""

import types
from dataclasses import replace
from math import pi
from pathlib import Path

import numba
import numpy as np
import pytest

import lapwright.contact.average as average_module
import lapwright.contact.equilibrium
import lapwright.contact.pressure as settle_module
import lapwright.contact.wear
from lapwright.contact.placement import PlacedPlate
from lapwright.errors import LapwrightError
from lapwright.specification.curves import FigureEight, path_length
from lapwright.specification.outline import Disc
from lapwright.specification.step import Load, Turn
from lapwright.verification import contact_rows as settling
from lapwright.verification import contact_rows as wear
from lapwright.verification import motion_rows as moments
from lapwright.verification.closed_forms import disc_peak, lost_volume
from lapwright.verification.scenes import RADIUS, disc, even_stroke, last, start_step

COLUMNS = lapwright.contact.wear


def uncompiled(module, changes, given=()):
    """The module's source, changed, with plain Python in place of compiled kernels."""
    text = Path(module.__file__).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{module.__name__} has no {old!r} to change: mend the mutation"
        text = text.replace(old, new)
    plain = "kernel = part = lambda f: f\n"
    for doors in ("kernel, part", "kernel", "part"):
        text = text.replace(f"from lapwright.contact.compile import {doors}\n", plain)
    made = types.ModuleType("mutated")
    exec(compile(text, f"mutated {module.__name__}", "exec"), made.__dict__)
    # What it calls elsewhere stays compiled, and has no door from Python of its own.
    called = {name: one for name, one in made.__dict__.items() if hasattr(one, "py_func")}
    made.__dict__.update({name: door(one) for name, one in called.items()})
    made.__dict__.update(given)
    return made


def door(inner):
    """A way from Python to a function that only kernels call."""

    @numba.njit
    def call(*given):
        return inner(*given)

    return call


def use_kernels(monkeypatch, settle=(), wear=()):
    solver = uncompiled(lapwright.contact.equilibrium, settle)
    own = {n: getattr(solver, n) for n in ("settle_rows", "sum_rows")}
    monkeypatch.setattr(average_module, "solver", solver)
    for module in (average_module, settle_module):
        monkeypatch.setattr(module, "loops", uncompiled(lapwright.contact.wear, wear, own))


# The named checks, small; each gives rows or a number that must be right.


def check_moment_law():
    """Checks 6 on one set of points: exact for any maps, lifting included."""
    return all(row.ok for row in moments.one_set_of_points(cells=40, number=8))


def check_rounded_places():
    """The mean of c c^T, on which the moment law lives, is the same of places rounded to cells."""
    top, bottom = disc("A", 128), disc("B", 128)
    step = start_step(1.0, curve=FigureEight(0.053, 0.027), direction=0.3)
    pair = average_module.Pair(bottom, top, step.grit.layer.stiffness, top.weight)
    real = pair.pose_rows(even_stroke(step, top.weight))
    rounded = pair._on_cells(real)

    def means(rows):
        c = rows[:, COLUMNS.C_X : COLUMNS.C_Y + 1]
        amount = rows[:, COLUMNS.WEIGHT] * np.hypot(rows[:, COLUMNS.V_X], rows[:, COLUMNS.V_Y])
        return (c.T * amount) @ c

    return np.abs(means(rounded) - means(real)).max() < 1e-9 * np.abs(means(real)).max()


def check_volume(**more):
    """Checks 1, in the loop that gathers: each face its share to 1e-8, both together what the path says.

    (The path itself to 1e-8 is a matter of the sample of poses, not of the kernels: `test_balance`.)
    """
    step = replace(wear.rough_step(4), **more)
    top, bottom = wear.volumes_lost(step, cells=14)
    path = step.total_strokes * path_length(step.curve)
    shares = abs(top * 0.3 / bottom - 1.0) if bottom > 0.0 else np.inf
    return (
        shares < 1e-8 and abs((top + bottom) / lost_volume(1.3e-12, wear.LOAD, path) - 1.0) < 1e-3
    )


def check_disc(eccentricity):
    """Checks 14: peak under an eccentric load."""
    at = (eccentricity * 0.08, 0.0)
    contact = settling.rest(Disc(0.16), at, cells=32)
    return abs(contact.peak / contact.load * pi * 0.0064 / disc_peak(eccentricity)[0] - 1.0) < 0.02


def check_load_stands_where_it_acts():
    """Model, section 2: the resultant of the pressure stands where the load stands."""
    contact = settling.rest(Disc(0.16), (0.02, 0.01), cells=24)
    n = contact.pressure.shape[1]
    x = (np.arange(n) - (n - 1) / 2) * contact.cell
    force = contact.pressure * contact.share
    middle = (force.sum(0) @ x / force.sum(), force.sum(1) @ x / force.sum())
    return np.allclose(middle, (0.02, 0.01), atol=1e-9)


def caught(check, *given, **more):
    """True when the check fails, by a wrong number or by a solver that gives up."""
    try:
        return not check(*given, **more)
    except LapwrightError:
        return True


CHECKS = (check_moment_law, check_volume, check_load_stands_where_it_acts, check_rounded_places)


@pytest.mark.campaign
def test_nothing_is_caught_in_the_kernels_as_they_are(monkeypatch):
    use_kernels(monkeypatch)
    for check in CHECKS:
        assert check(), check.__name__
    for eccentricity in (0.2, 0.5):
        assert check_disc(eccentricity)


@pytest.fixture
def glass(monkeypatch):
    """The mirror dropped: the top laid on the bench as if it were glass."""
    monkeypatch.setattr(
        PlacedPlate, "lay", lambda self, seen: np.ascontiguousarray(np.rot90(seen, -self.quarter))
    )
    monkeypatch.setattr(
        PlacedPlate, "lift", lambda self, laid: np.ascontiguousarray(np.rot90(laid, self.quarter))
    )


@pytest.mark.usefixtures("glass")
def test_mirror_dropped():
    assert caught(check_moment_law)
    assert caught(check_where_the_top_wears)
    assert check_volume()  # volumes do not see it: that is why forms must be looked at


@pytest.mark.campaign
@pytest.mark.usefixtures("glass")
def test_mirror_dropped_in_whole_runs():
    """The same in an hour of lapping, by the name of the form that is wrong."""
    failed = {row.name.split(":")[-1].strip() for row in moments.starting_case(48) if not row.ok}
    assert "twist of the top [m]" in failed
    skew = moments.line_start(0.2, direction=moments.SKEW)
    rows = list(moments.law("skew", skew, moments.LINE, moments.ON_BOTTOM, moments.ON_TOP, 48))
    assert not rows[2].ok


def test_mirror_about_the_wrong_axis(monkeypatch):
    """Turned over like a page of a wall calendar: 12 o'clock comes to 6."""

    def over(seen, quarter):
        return np.ascontiguousarray(np.rot90(seen[::-1], -quarter))

    monkeypatch.setattr(
        PlacedPlate, "lay", lambda s, z: over(z, s.quarter) if s.over else np.ascontiguousarray(z)
    )
    monkeypatch.setattr(
        PlacedPlate,
        "lift",
        lambda s, z: np.rot90(z, s.quarter)[::-1] if s.over else np.ascontiguousarray(z),
    )
    # Quadratics cannot tell the two mirrors apart; where metal went can.
    assert check_moment_law()
    assert caught(check_where_the_top_wears)


def check_where_the_top_wears():
    """A load towards the bench's 12 and 3 o'clock: the top wears at its own 12 and 9."""
    plates = [disc(n, 24, load=30.0) for n in ("A", "B")]
    step = start_step(0.01, circle=0.3, load=Load(30.0, (0.25 * RADIUS, 0.35 * RADIUS)))
    end = last(plates, step)
    x, y = plates[0].grid.mesh()
    lost = -end.heights["A"]
    return (lost * x).sum() < 0 < (lost * y).sum()


def test_where_the_top_wears():
    assert check_where_the_top_wears()


@pytest.mark.always("wear", "moments")
@pytest.mark.parametrize("where", ["wear", "solver", "moments"])
def test_sign_of_the_tilt(monkeypatch, where):
    if where == "wear":
        # The pressure that wears is not the pressure that settles.
        use_kernels(monkeypatch, wear=[("base - slope * k", "base + slope * k")])
        assert caught(check_moment_law)
    elif where == "solver":
        use_kernels(
            monkeypatch,
            settle=[("v = gaps[k] - base - tilt * xi", "v = gaps[k] - base + tilt * xi")],
        )
        assert caught(check_load_stands_where_it_acts)
    else:
        rows = average_module.Pair.pose_rows

        def turned(self, sample):
            out = rows(self, sample)
            out[:, lapwright.contact.wear.MOMENT_X : lapwright.contact.wear.MOMENT_Y + 1] *= -1.0
            return out

        monkeypatch.setattr(average_module.Pair, "pose_rows", turned)
        assert caught(check_load_stands_where_it_acts)
        assert caught(check_where_the_top_wears)


@pytest.mark.campaign
def test_clipping_without_settling_again(monkeypatch):
    """Negative pressures cut off and left at that: wrong from an eccentricity of R/4 on, and only then."""
    use_kernels(monkeypatch, settle=[("if error <= limit:", "if True:")])
    assert check_disc(0.2)
    assert caught(check_disc, 0.5)
    assert caught(check_moment_law)
    assert caught(check_volume)


@pytest.mark.campaign
def test_layer_that_pulls(monkeypatch):
    """No clipping at all."""
    use_kernels(
        monkeypatch,
        settle=[("w = shares[k] if v > least else 0.0", "w = shares[k]")],
        wear=[("max(0.0, gaps[k] - base - slope * k)", "(gaps[k] - base - slope * k)")],
    )
    # The moment law holds for any pressures in balance, pulling ones too; the contact does not.
    assert check_moment_law()
    assert caught(check_disc, 0.5)


@pytest.mark.parametrize("side", ["bottom", "top"])
def test_one_sided_wear(monkeypatch, side):
    average = average_module.Pair.average

    def one_sided(self, *given, **more):
        out = average(self, *given, **more)
        return replace(out, **{side: np.zeros_like(getattr(out, side))})

    monkeypatch.setattr(average_module.Pair, "average", one_sided)
    assert caught(check_volume)
    assert caught(check_moment_law)


@pytest.mark.campaign
def test_load_of_the_top_not_scaled(monkeypatch):
    """What the top's own cells gather, left as it is: volumes are off by the error of the grid."""
    use_kernels(
        monkeypatch,
        wear=[("factor = force / gathered if gathered > 0.0 else 0.0", "factor = 1.0")],
    )
    assert caught(check_volume, turn=Turn(0.3))


def test_whole_cells_without_mended_weights(monkeypatch):
    """Places rounded to cells with the time they had: the moment law loses per cents at few cells."""
    monkeypatch.setattr(average_module, "_powers", lambda points: np.ones((len(points), 1)))
    assert caught(check_rounded_places)


def test_wear_put_back_without_the_mirror(monkeypatch):
    """The height mirrored, the wear not."""
    lift = PlacedPlate.lift
    monkeypatch.setattr(
        PlacedPlate, "lift", lambda self, z: lift(self, z)[:, ::-1] if self.over else lift(self, z)
    )
    assert caught(check_moment_law)
    assert caught(check_where_the_top_wears)
