"""The hand at the end of a rail: what is told of the two against each other, and that both go otherwise.

Derived: the grit carries all of the load, so the law of moments fixes how the two forms come apart wherever
the hand presses; but where part of the top lifts, the ends of both wear more than their middles, and both go
high in the middle, whatever way they come apart.  Every run is by the engine.
"""

import pytest

from lapwright.integration.estimate import outlooks
from lapwright.integration.loop import lap
from lapwright.metrology.form import measure
from lapwright.modal.reduced_model import Glances
from lapwright.presentation.reasons import makes as why_makes
from lapwright.presentation.way_round import makes
from lapwright.study.read import parse

RAILS = """
edge_margin = "0 %"
bending = "off"
plates.A = {{ rectangle = ["300 mm", "50 mm"], thickness = "30 mm", cells = 48 }}
plates.B = {{ like = "A" }}
grits.g = {{ size = "9 um", wear = "4e-12 1/Pa" }}
[[steps]]
top = "A"
bottom = "B"
grit = "g"
turn = "180 deg every 10 strokes"
load = "40 N"
load_at = {{ x = "{at} mm", y = "0 mm", fixed_to = "{to}" }}
stroke = {{ kind = "line", travel = "1/10" }}
time = "40 min"
"""
OTHER_WAY = "part of A lifts, so both together may also go domed or hollow"


@pytest.mark.always("0-hand")
@pytest.mark.parametrize(("at", "to"), [(0, "hand"), (60, "top"), (130, "hand"), (130, "top")])
def test_what_a_hand_off_the_middle_makes_is_told_with_its_sign(at: int, to: str) -> None:
    study = parse(RAILS.format(at=at, to=to))
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    glance = Glances(study.plates, margin=study.margin).of(step, 1, look)
    said = " / ".join(makes(step, study.plates, look, glance=glance))
    *_, last = lap(study.plates, study.steps, rounds=1, seed=0, margin=study.margin)
    bow = {n: measure(study.plates[n], last.heights[n], study.margin).bow for n in "AB"}
    # Against each other: A hollow, B high in the middle, by what the law of moments says.
    apart = 0.5 * (bow["A"] - bow["B"])
    assert apart < 0.0
    assert glance is not None
    assert glance.made["A"]["bow"] == pytest.approx(apart, rel=0.05)
    assert glance.made["B"]["bow"] == pytest.approx(-apart, rel=0.05)
    assert said.startswith("A bow 0.034 um hollow along; B bow 0.034 um high in the middle")
    # Together: hollow by the mark of the layer while all bears, high in the middle where the far end lifts.
    lifts = at > 100
    assert all((value > 0.0) == lifts for value in bow.values())
    assert (OTHER_WAY in said) == lifts
    assert look.lifts == lifts
    found = study.why().reasons[0]
    assert (OTHER_WAY in " ".join(why_makes(found, study.units, study.margin))) == lifts
