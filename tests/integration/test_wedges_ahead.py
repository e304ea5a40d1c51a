"""What preview foretells of parallelism from a load off the middle, beside the run, which laps it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from lapwright.study.read import parse
from lapwright.study.sizes import _pressed, wedges_ahead

PAIR = """
rounds = {rounds}
plates.A = {{ {above}, thickness = "20 mm", cells = 32 }}
plates.B = {{ {below}, thickness = "20 mm", cells = 32 }}
[[steps]]
top = "A"
bottom = "B"
grit = "9 um"
stroke = {{ kind = "circle", travel = "15 %" }}
turn = "{turn}"
{more}
load = "40 N"
load_at = {{ x = "{x} mm", y = "{y} mm", fixed_to = "{fix}" }}
time = "{minutes} min"
"""
DISC = 'disc = "120 mm"'
RING = 'ring = ["80 mm", "50 mm"]'


def study(
    above=DISC,
    below=DISC,
    turn="3 deg per stroke",
    more="",
    x=8,
    y=4,
    fix="hand",
    rounds=1,
    minutes=20,
):
    fields = {"above": above, "below": below, "turn": turn, "more": more}
    fields |= {"rounds": rounds, "minutes": minutes}
    return parse(PAIR.format(**fields, x=x, y=y, fix=fix), "study")


CASES = {
    "not turned": {"turn": "none"},
    "turned under the hand": {},
    "four rounds": {"turn": "none", "rounds": 4, "minutes": 5},
    "on a spot that stays with the top": {"fix": "top"},
    "swapped": {"turn": "none", "more": 'swap_every = "5 min"'},
    "fixed to the bench, walking": {"fix": "bench", "more": 'walk = "2 deg per stroke"'},
    "a ring on a plate": {"above": RING, "below": 'disc = "160 mm"', "fix": "top", "x": -4, "y": 3},
}


@pytest.mark.often("turned under the hand", "a ring on a plate")
@pytest.mark.always("not turned", "four rounds", "swapped")
@pytest.mark.parametrize("case", CASES)
def test_preview_foretells_the_wedge_that_the_run_makes(case: str) -> None:
    """Within a tenth, or 0.03 um: the overlap is a little smaller than the face, of which the law is told."""
    made = study(**CASES[case])
    told, run = wedges_ahead(made)[-1], made.run()
    for name in ("A",) if "ring" in case else ("A", "B"):
        one, now = told[name], run.plates[name].thick(-1)
        off = one.by * np.exp(1j * one.high) - now["wedge"] * np.exp(1j * now["wedge_at"])
        assert abs(off) < max(0.1 * now["wedge"], 0.03e-6), (name, one, now)


def test_a_top_that_makes_whole_turns_is_not_left_out_of_parallel() -> None:
    """Two turns a stroke: pressed all round, as the run has it."""
    made = study(turn="720 deg per stroke", minutes=5)
    assert wedges_ahead(made)[-1]["A"].by < 0.03e-6
    assert made.run().plates["A"].thick(-1)["wedge"] < 0.03e-6


def test_it_is_said_and_is_in_the_json() -> None:
    made = study(turn="none")
    preview = made.preview()
    told = preview.told()["steps"][0]["wedges"]["A"]
    # Eccentric compression of a round section: 16 e / d times the mean, one side over the other (Timoshenko).
    share = made.steps[0].load.force / made.ahead[0].load
    lever = share * math.hypot(8e-3, 4e-3)
    expected = 16.0 * lever / 0.12 * made.ahead[0].removed_from["A"]
    assert told["by"] == pytest.approx(expected, rel=0.01)
    assert told["high"] == pytest.approx(math.atan2(-4.0, 8.0), abs=0.02)  # pressed at 9:something
    long = study(turn="none", minutes=60)
    by = f"{1e6 * wedges_ahead(long)[0]['A'].by:.2f} um"
    assert f"A {by}, B {by} out of parallel" in " ".join(long.preview().lines())
    said = " ".join(" ".join(long.preview(whole=True).lines()).split())
    assert f"pressing off the middle leaves A out of parallel, {by} thicker at 4 o'clock" in said
    assert "pressing off" not in " ".join(study(x=0, y=0).preview().lines())


@pytest.mark.parametrize("turn", ["360 deg per stroke", "90 deg per stroke", "-720 deg per stroke"])
@pytest.mark.parametrize("on_top", [True, False])
def test_where_a_hand_presses_on_the_mean_is_that_of_every_moment(turn: str, on_top: bool) -> None:
    """A top that makes whole turns is pressed all round, not on one spot (beside a sum over many moments)."""
    step = study(turn=turn, fix="hand" if on_top else "top").steps[0]
    strokes = np.linspace(0.0, 11.0, 11 * 1000, endpoint=False) + 0.0005
    spot = complex(8e-3, 4e-3) * np.exp((-1j if on_top else 1j) * step.turn.angle * strokes)
    mean = spot.mean()
    told = _pressed(step, on_top, 11.0)
    expected = [-mean.real if on_top else mean.real, mean.imag]
    assert told == pytest.approx(expected, abs=1e-8)


def test_rounds_add_up_and_it_is_said_that_they_do() -> None:
    """Each round tilts the faces as the first did, where nothing fades: four times as much after four."""
    once, often = (study(turn="none", minutes=20, rounds=n) for n in (1, 4))
    one, four = (wedges_ahead(made)[-1]["A"] for made in (once, often))
    assert four.by == pytest.approx(4.0 * one.by, rel=1e-9)
    assert four.high == pytest.approx(one.high)
    by = f"{1e6 * four.by:.1f} um"
    whole, brief = (
        " ".join(" ".join(often.preview(whole=w).lines()).split()) for w in (True, False)
    )
    assert f"leaves A out of parallel in the last round, {by} thicker" in whole
    assert f"A {by}, B {by} out of parallel in the last round" in brief


def test_rounds_of_which_a_gauge_ends_the_first_make_no_more() -> None:
    """A size that is reached is reached: the second round takes nothing off."""
    more = 'until = { thickness = { A = "19.9998 mm" } }'
    one, two = (wedges_ahead(study(turn="none", more=more, minutes=90, rounds=n)) for n in (1, 2))
    assert two[-1]["A"].by == pytest.approx(one[-1]["A"].by, rel=0.05)
    assert one[-1]["A"].by > 0.05e-6


@pytest.mark.parametrize("asked", [0.1, 0.3])
def test_a_step_that_stops_when_parallel_makes_no_wedge_beyond(asked: float) -> None:
    """Pressed on its thick side until the wedge is that small: left as asked, as the run leaves it."""
    above = DISC + ', wedge = { by = "0.8 um", high = "3:00" }'
    text = PAIR.format(
        rounds=1, above=above, below=DISC, turn="none", x=-8, y=0, fix="top", minutes=240,
        more=f'until = {{ wedge = {{ A = "{asked} um" }} }}',
    )  # fmt: skip
    made = parse(text)
    told, run = wedges_ahead(made)[-1]["A"], made.run().plates["A"].thick(-1)
    assert told.by == pytest.approx(asked * 1e-6, rel=0.02)
    assert told.high == pytest.approx(0.0, abs=0.05)  # still thick at 3 o'clock
    assert run["wedge"] == pytest.approx(told.by, abs=0.05e-6)
