"""What must be otherwise before a step is lapped again: by the tables of abrasives and the law of liquids."""

from __future__ import annotations

import numpy as np
import pytest

from lapwright.contact.liquid import film_of
from lapwright.kinematics.schedule import kappa
from lapwright.optimisation.bench import bench_of
from lapwright.optimisation.onward import finer_grits
from lapwright.optimisation.spell import discrepancy, off_by, workable
from lapwright.presentation.advice import advise
from lapwright.presentation.run_view import run_view
from lapwright.study.read import parse

STUDY = """title = "A ring on a plate"
[plates.P]
disc = "160 mm"
thickness = "30 mm"
cells = 32
material = "{plate}"
form.dome = "1 um"
[plates.S]
ring = ["80 mm", "50 mm"]
thickness = "12 mm"
cells = 32
material = "{ring}"
form.dish = "2 um"
[grits.a]
size = "15 um"
{grit}
[[steps]]
top = "S"
bottom = "P"
grit = "a"
turn = "8 deg per stroke"
load = "20 N"
strokes = 200
liquid = "{liquid}"
[goal]
flatness = "0.5 um"
plates = ["S"]
"""


def study(plate="grey iron", ring="silicon carbide", grit="", liquid="smeared"):
    return parse(STUDY.format(plate=plate, ring=ring, grit=grit, liquid=liquid), "study")


@pytest.mark.parametrize(
    ("ring", "kind", "to"),
    [
        # Knoop [kgf/mm2] of carbide 1880, alumina 2100, silicon carbide 2480, boron carbide 2750 (CRC
        # Handbook, from memory): a grain cuts what it is 1.2 times as hard as.
        ("carbide", "alumina", "silicon carbide"),
        ("alumina", "silicon carbide", "boron carbide"),
        ("silicon carbide", "boron carbide", "diamond"),
        ("silicon carbide", "diamond", "diamond"),
        ("grey iron", "alumina", "alumina"),
    ],
)
def test_grit_that_does_not_cut_is_changed_for_the_softest_that_does(
    ring: str, kind: str, to: str
) -> None:
    one = study(ring=ring, grit=f'abrasive = "{kind}"')
    step, plates = one.steps[0], one.plates
    again = workable(step, plates)
    assert again.grit.abrasive == to
    assert again.grit.size == step.grit.size
    assert (again == step) == (to == kind)
    before, after = (kappa(s.grit, plates["P"], plates["S"])[1] for s in (step, again))
    assert after >= 10.0 * before or to == kind
    for finer in finer_grits(again.grit):
        assert finer.abrasive == to
        assert to == kind or to in finer.name


def test_what_is_said_to_go_goes_whatever_the_grit() -> None:
    grit = 'abrasive = "alumina"\nwear = { P = "2 um/km/kPa", S = "1 um/km/kPa" }'
    one = study(grit=grit)
    assert workable(one.steps[0], one.plates) == one.steps[0]


def test_hard_faces_hold_no_grit() -> None:
    for ring, held in (("carbide", None), ("bronze", "S")):
        one = study(ring=ring, grit='abrasive = "diamond"\nheld = { in = "S" }')
        assert workable(one.steps[0], one.plates).grit.held_in == held


def test_flooded_faces_are_wiped_where_the_liquid_holds_up_the_top() -> None:
    """tau = eta R^2 / (2 K H^3): oil of 20 mPa s on a ring of 15 um grit holds it up, water does not."""
    for liquid, then in (
        ("flooded with light oil", "smeared"),
        ("flooded with water", "flooded with water"),
        ("starved", "starved"),
    ):
        one = study(liquid=liquid)
        assert workable(one.steps[0], one.plates).liquid == then


@pytest.mark.campaign
def test_next_changes_the_abrasive_and_wipes_first() -> None:
    one = study(grit='abrasive = "alumina"', liquid="flooded with light oil")
    advice = advise(run_view(one.run()))
    assert advice is not None
    assert "First wipe both faces to a smear, or cut grooves" in advice.text
    assert "Alumina does not cut S (silicon carbide). Take diamond" in " ".join(
        advice.text.replace("alumina", "Alumina").split()
    )
    assert advice.steps
    assert {step.liquid for step in advice.steps} == {"smeared"}
    assert {step.grit.abrasive for step in advice.steps} == {"diamond"}
    assert advice.plan is not None
    assert advice.plan.then["S.flatness"] < 2e-6


def test_what_came_of_flooded_faces_may_be_off_by_what_liquid_held_up():
    """Shops are lapped as smeared: the law of liquids leaves a share of that, which a reading may show.

    The share is that of `film_of`, held against its closed form in tests/contact/test_liquid.py.
    """
    off, bench = {}, bench_of(study(ring="grey iron"))
    layout = bench.layout
    before = bench.prior.draw(1, np.random.default_rng(1))[0]
    ended = before.copy()
    at, back = layout.quadratic("S")
    ended[:, at] += back @ [1e-6, 0.0, 0.0]
    for liquid in ("smeared", "flooded with light oil"):
        step = study(ring="grey iron", liquid=liquid).steps[0]
        spread = discrepancy(layout, step, before, ended)[0]
        dome = layout.form_rows("S")[0]
        off[liquid] = float(np.sqrt(dome @ spread @ dome))
        drawn = np.concatenate(
            [off_by(layout, step, before, ended, np.random.default_rng(n)) for n in range(400)]
        )
        assert np.std((drawn - ended) @ dome) == pytest.approx(off[liquid], rel=0.12)
        film = film_of(step, *(layout.plates[name] for name in "SP"))
    assert film is not None
    assert film.left < 0.9
    assert off["smeared"] == pytest.approx(0.1e-6, rel=0.01)
    assert off["flooded with light oil"] > (1.0 - film.left) * 1e-6
    saddle = layout.form_rows("S")[1]
    ended = before.copy()
    ended[:, at] += back @ [0.0, 1e-6, 0.0]
    spread = discrepancy(layout, step, before, ended)[0]
    assert float(np.sqrt(saddle @ spread @ saddle)) == pytest.approx(0.1e-6, rel=0.01)
