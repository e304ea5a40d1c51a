"""Where something lifts: flat discs, and the moments that hand and push bring to bear on them."""

import numpy as np
import pytest
from modes_scene import LINE, STIFFNESS, operator, stroke

from lapwright.integration.estimate import outlooks
from lapwright.integration.loop import lap
from lapwright.modal.cycle import lifting_by_placement
from lapwright.modal.propagator import lifting, share_of
from lapwright.modal.reduced_model import Glances, ReducedModel
from lapwright.modal.step_analysis import reason_of
from lapwright.specification.curves import Circle, Line
from lapwright.specification.step import Load
from lapwright.study.read import parse
from lapwright.verification.scenes import RADIUS, START

FLAT = np.zeros((30, 1))


def test_flat_discs_lift_where_the_closed_form_says():
    """Flat equal discs begin to lift at an overhang of 0.3929023 R (check 16; derived)."""
    for radius, lifts in ((0.390, 0.0), (0.400, 1.0)):
        found = operator(stroke(Circle(radius * RADIUS)), 4)
        (flat,) = lifting(found, STIFFNESS, START, FLAT)
        assert flat.share == pytest.approx(lifts)
        # where lifting begins the peak is twice the mean on the overlap, exactly; these lie beside it
        assert flat.most.max() == pytest.approx(2.0, abs=0.03)


def test_a_line_lifts_at_its_ends_alone():
    found = operator(stroke(LINE, direction=0.3), 4)
    (flat,) = lifting(found, STIFFNESS, START, FLAT)
    assert flat.share == 0.0

    long = operator(stroke(Line(0.9 * RADIUS)), 4)
    (flat,) = lifting(long, STIFFNESS, START, FLAT)
    # overhang 0.45 R sin(phase) above 0.3929 R: within 29 degrees of both ends
    reach = np.arccos(0.3929 / 0.45)
    assert flat.share == pytest.approx(4 * reach / (2 * np.pi), abs=2 / 64)
    ends = np.minimum(np.abs(flat.phases - np.pi / 2), np.abs(flat.phases - 3 * np.pi / 2))
    assert ends.max() < reach + 0.06


@pytest.mark.parametrize(
    ("load", "arm"),
    [
        (Load(0.2 * START, (0.6 * RADIUS, 0.0)), 0.12 * RADIUS),
        (Load(0.2 * START, (-0.6 * RADIUS, 0.9 * RADIUS)), 0.2 * np.hypot(0.6, 0.9) * RADIUS),
        (Load(push_height=0.4 * RADIUS, friction=0.5), 0.2 * RADIUS),
        (Load(push_height=0.8 * RADIUS, friction=0.4), 0.32 * RADIUS),
    ],
    ids=["hand off the centre", "hand as near the rim", "push", "push from high above"],
)
def test_a_load_off_the_centre_tilts_the_pressure_on_a_flat_disc(load, arm):
    """The beam formula on a disc: 1 + 4 e x / R^2 of the mean; nothing at the rim from R/4 on (check 14)."""
    found = operator(stroke(Circle(1e-6 * RADIUS), load=load), 4)
    (flat,) = lifting(found, STIFFNESS, START, FLAT)
    np.testing.assert_allclose(flat.least, 1.0 - 4.0 * arm / RADIUS, atol=0.008)
    np.testing.assert_allclose(flat.most, 1.0 + 4.0 * arm / RADIUS, atol=0.008)
    assert flat.share == pytest.approx(1.0 if arm > 0.25 * RADIUS else 0.0)


# --- one answer ------------------------------------------------------------------------------------

SMALL_ON_LARGE = """
title = "a small disc over a large one"
plates.A = { disc = "80 mm", thickness = "30 mm", cells = 64 }
plates.B = { disc = "200 mm", thickness = "30 mm", cells = 64 }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "figure-eight", length = "100 mm", width = "80 mm" }
time = "60 min"
"""
ALIKE = """
title = "two discs"
plates.A = { disc = "160 mm", thickness = "30 mm", cells = 64, form = { dome = "0 um" } }
plates.B = { disc = "160 mm", thickness = "30 mm", cells = 64 }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "line", length = "40 mm" }
time = "20 min"
"""
STUDIES = {
    # its mark, were it worked for weeks, would lift for three quarters of the time: nobody comes to that
    "small on large, an hour": (SMALL_ON_LARGE, False),
    "small on large, ten hours": (SMALL_ON_LARGE.replace("60 min", "10 h"), True),
    "two discs": (ALIKE, False),
    "two discs, far over the rim": (ALIKE.replace("40 mm", "72 mm"), True),
    "a dome on a flat": (ALIKE.replace('"0 um"', '"4 um"'), True),
    "swapped": (ALIKE.replace('"20 min"', '"20 min"\nswap_every = "5 min"'), False),
    "swapped, a dome": (
        ALIKE.replace('"0 um"', '"4 um"').replace('"20 min"', '"20 min"\nswap_every = "5 min"'),
        True,
    ),
    "swapped by readings": (
        ALIKE.replace(
            '"20 min"', '"20 min"\nswap_every = { read = "5 min", on_top = "more domed" }'
        ),
        False,
    ),
}


@pytest.mark.always(0, 2, 4)
@pytest.mark.parametrize("name", STUDIES)
def test_preview_why_and_run_say_alike_whether_something_lifts(name):
    """The time loop settles every pose and sees what bears nothing; the others tell it beforehand."""
    text, lifts = STUDIES[name]
    study = parse(text)
    step = study.steps[0]
    lapped = max(m.lift_share for m in lap(study.plates, study.steps, margin=study.margin))
    assert (lapped > 0.0) == lifts
    picture = ReducedModel(study.plates, study.steps, 8, study.seed)
    told = lifting_by_placement(picture, study.margin)
    assert any(share_of(one) > 0.0 for one in told.values()) == lifts
    reason = reason_of(picture, 1, lifts=told)
    swapped = 0.0 if reason.swapped is None else share_of(reason.swapped)
    assert (max(reason.lift_share, swapped) > 0.0) == lifts
    (look,) = outlooks(study.plates, study.steps, seed=study.seed)
    glance = Glances(study.plates, study.seed, study.margin).of(step, 1, look)
    if step.swap is None or step.swap.read is None:
        assert (glance.lift_share > 0.0) == lifts


def test_what_lifts_as_they_come_beds_in():
    """A dome lifts at first and no more once it is worn: the answer is of the whole step."""
    study = parse(ALIKE.replace('"0 um"', '"2 um"').replace("20 min", "5 h"))
    picture = ReducedModel(study.plates, study.steps, 8, study.seed)
    first, *_, last = picture.lifts(1)
    assert first.share > 0.5
    assert last.share == 0.0
