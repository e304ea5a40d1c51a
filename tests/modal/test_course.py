"""What steps find, and what is left once they have bedded in, slow shapes counted as staying."""

from dataclasses import replace

import numpy as np
from modes_scene import EIGHT, FREE, stroke

from lapwright.modal.cycle import course, cycle_of, round_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.specification.curves import Line
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Swap, Turn
from lapwright.verification.scenes import NO_MARGIN, disc

NEARLY = Turn(np.radians(2.0), 600)  # two positions 2 degrees apart


def picture(*steps, **form):
    return ReducedModel({"A": disc("A", 48, StartForm(**form)), "B": disc("B", 48)}, steps, 4)


def check(change, drive, told):
    """`change` moves a state by itself, `drive` whatever it is: what is left must move on by the drift alone.

    What is poured into slow shapes must lie in them: it hardly changes by itself.
    """
    scale = np.abs(drive).max()
    np.testing.assert_allclose(
        change @ told.bedded_residue + drive, told.bedded_drift, atol=1e-9 * scale
    )
    poured = told.bedded_drift - told.drift
    assert np.abs(poured).max() > 1e-3 * scale
    fastest = np.abs(np.linalg.eigvals(change)).max()
    assert np.linalg.norm(change @ poured) < 1e-3 * fastest * np.linalg.norm(poured)
    assert np.abs(told.residue).max() > 3.0 * np.abs(told.bedded_residue).max()


def test_slow_shapes_count_as_staying():
    step = replace(stroke(Line(0.05), NEARLY), time=None, strokes=1200)
    work = picture(step)
    flow = work.flow(1)
    check(flow.matrix, flow.drive, work.evolution(1))


def test_slow_shapes_of_a_cycle_count_as_staying():
    step = replace(
        stroke(Line(0.05), NEARLY), time=None, strokes=1200, swap=Swap({"A": 900.0, "B": 300.0})
    )
    work = picture(step)
    cycle = cycle_of(work, round_of(work))
    check(
        (cycle.matrix - np.eye(cycle.offset.size)) / cycle.time,
        cycle.offset / cycle.time,
        cycle.spectrum(),
    )


def test_where_nothing_is_slow_both_are_the_same():
    solved = picture(stroke(EIGHT, FREE)).evolution(1)
    np.testing.assert_array_equal(solved.bedded_drift, solved.drift)
    np.testing.assert_array_equal(solved.bedded_residue, solved.residue)


def test_a_step_finds_what_the_steps_before_have_made():
    first, second = stroke(EIGHT, FREE), stroke()
    work = picture(first, second, sphere=2e-6)
    one, two = course(work, NO_MARGIN)
    start = work.start()
    np.testing.assert_array_equal(one["A"], start["A"])
    ended = work.evolution(1).after(np.concatenate([start["B"], start["A"]]), first.time)
    np.testing.assert_allclose(np.concatenate([two["B"], two["A"]]), ended, rtol=1e-12, atol=1e-18)


def test_by_readings_the_more_domed_one_lies_on_top():
    """B comes more domed than A, so it goes on top at the first reading, and its dome goes."""
    read = stroke(EIGHT, FREE, swap=Swap(read=300.0))
    plates = {"A": disc("A", 48), "B": disc("B", 48, StartForm(sphere=3e-6))}
    domes = {}
    for name, step in (("read", read), ("never", stroke(EIGHT, FREE))):
        work = ReducedModel(plates, (step, stroke()), 4)
        *_, last = course(work, NO_MARGIN)
        domes[name] = {n: work.basis(n).forms(last[n], NO_MARGIN)["sphere"] for n in "AB"}
    assert domes["read"]["B"] < domes["never"]["B"]
    assert (
        abs(domes["read"]["B"] - domes["read"]["A"])
        < 2e-6
        < 3e-6
        < domes["never"]["B"] - domes["never"]["A"]
    )
