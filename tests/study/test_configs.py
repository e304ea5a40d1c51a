"""The studies in configs/: each reads, runs at a coarse size, and shows what its first lines say.

What must come out in kind: model of the project, section 7; the numbers that are exact are named beside.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from lapwright.integration.state import State
from lapwright.kinematics.motion import Motion
from lapwright.metrology.bending import as_read
from lapwright.metrology.form import Form, measure
from lapwright.metrology.thickness import thickness_of
from lapwright.results.batch import BatchRecorder, out_of_goal
from lapwright.specification.plate import Plate
from lapwright.study.model import Study
from lapwright.study.read import load, parse_document
from lapwright.study.source import document_of
from lapwright.study.variants import override
from lapwright.verification.closed_forms import wedge_of_load

CONFIGS = Path(__file__).parents[2] / "configs"
NAMES = sorted(path.stem for path in CONFIGS.glob("*.toml"))
COARSE = 40
# What takes longest to lap is lapped by hand.
LONG = {
    "gauge-ends-in-a-carrier",
    "ring-that-spares-the-plate",
    "seal-rings-on-a-turning-plate",
    "three-plates-quarter-turn",
    "tune-the-swaps",
}
EACH = [pytest.param(name, marks=pytest.mark.long if name in LONG else []) for name in NAMES]
UM = 1e-6


def coarse(study: Study) -> Study:
    """The study with half the cells, or fewer."""
    # The rail and its plate keep cells of one size, so that a straight path needs no interpolation.
    share = min(1.0, COARSE / min(plate.cells for plate in study.plates.values()))
    plates = {
        name: replace(plate, cells=round(plate.cells * share))
        for name, plate in study.plates.items()
    }
    return replace(study, plates=plates)


def end_of(study: Study) -> tuple[dict[str, Form], State]:
    *_, last = study.states()
    return {
        name: measure(plate, last.heights[name], study.margin)
        for name, plate in study.plates.items()
    }, last


@lru_cache(maxsize=32)
def lapped(name: str) -> tuple[dict[str, Form], State, Study]:
    study = coarse(load(CONFIGS / f"{name}.toml"))
    return (*end_of(study), study)


def changed(name: str, step: int | None, changes: dict) -> tuple[dict[str, Form], State]:
    """The same with what its third line says to change."""
    document = document_of((CONFIGS / f"{name}.toml").read_text(encoding="utf-8"))
    return end_of(coarse(parse_document(override(document, step, changes))))


def ridges(study: Study, last: State, name: str) -> float:
    """Height of ridges along 3-9 of 20 mm wavelength, peak to valley, the rest fitted by a polynomial [m]."""
    x, y = study.plates[name].grid.mesh()
    inside = np.hypot(x, y) < 0.074
    u, v, k = x[inside] / 0.08, y[inside] / 0.08, 2 * np.pi / 0.02
    smooth = [u**a * v**b for a in range(7) for b in range(7 - a)]
    basis = np.stack([*smooth, np.cos(k * y[inside]), np.sin(k * y[inside])], axis=1)
    fitted = np.linalg.lstsq(basis, last.heights[name][inside], rcond=None)[0]
    return float(2 * np.hypot(fitted[-2], fitted[-1]))


def test_all_of_them_are_there():
    assert (
        sorted(
            [
                "first-pair",
                "even-swaps-keep-the-dish",
                "never-swapped",
                "straight-stroke",
                "quarter-turns",
                "three-plates",
                "three-plates-quarter-turn",
                "rings-over-the-rim",
                "grooved-pair",
                "flooded-pair",
                "rail-in-wind",
                "how-far-over",
                "which-stroke",
                "tune-the-swaps",
                "ring-that-spares-the-plate",
                "rail-out-of-wind",
                "rail-on-two-feet",
                "read-before-you-lap",
                "seal-ring-of-carbon",
                "seal-rings-on-a-turning-plate",
                "gauge-ends-in-a-carrier",
                "ring-to-size-and-parallel",
            ]
        )
        == NAMES
    )


@pytest.mark.parametrize("name", NAMES)
def test_opens_with_three_lines(name):
    lines = (CONFIGS / f"{name}.toml").read_text(encoding="utf-8").splitlines()
    for line, opening in zip(
        lines, ("What you do", "What you will see", "What to change next"), strict=False
    ):
        assert line.startswith(f"# {opening}: ")
    assert max(map(len, lines)) <= 110


@pytest.mark.always(2, 4, 5, 6, 17, 21)
@pytest.mark.parametrize("name", EACH)
def test_runs_to_its_end(name):
    _, last, _ = lapped(name)
    assert last.outcome == ("until" if name == "ring-to-size-and-parallel" else "done")


@pytest.mark.campaign
def test_first_pair_ends_flat():
    forms, _, study = lapped("first-pair")
    squeeze = (
        study.plates["A"].weight / study.plates["A"].land_area / study.steps[1].grit.layer.stiffness
    )
    for form in forms.values():
        assert form.flatness < 0.25 * UM
        assert abs(form.sphere) < squeeze
        assert abs(form.twist) < 0.02 * UM
    even, _ = changed("first-pair", 1, {"swap_every": "5 min"})
    assert even["A"].sphere > 1.55 * UM
    assert even["B"].sphere < -1.55 * UM


def test_even_swaps_keep_the_dish():
    forms, _, _ = lapped("even-swaps-keep-the-dish")
    # Half the difference is kept by equal times on top (moment law: derived, and confirmed by an independent
    # numerical solution); what the last swap left open is one spell's worth, 0.07 um.
    assert (forms["A"].sphere - forms["B"].sphere) / 2 == pytest.approx(2.0 * UM, abs=0.1 * UM)
    uneven, _ = changed(
        "even-swaps-keep-the-dish", 1, {"swap_every": {"A": "15 min", "B": "5 min"}}
    )
    assert uneven["A"].sphere < 0.3 * UM


def test_never_swapped_hollows_the_top():
    forms, last, study = lapped("never-swapped")
    assert forms["A"].sphere < -2.5 * UM
    assert forms["B"].sphere > 2.0 * UM
    # Moment law at margin 0: half the difference grows by 6 <|c|^2> h / R^2; on the eight <|c|^2> is
    # 0.549 (L/2)^2 (derived, and confirmed by an independent numerical solution).
    bare = {
        n: measure(p, last.heights[n], replace(study.margin, share=0.0))
        for n, p in study.plates.items()
    }
    grown = 6 * 0.549 * (1 / 3) ** 2 * last.removed["A"]
    assert (bare["B"].sphere - bare["A"].sphere) / 2 == pytest.approx(grown, rel=0.02)
    short, _ = changed("never-swapped", 1, {"stroke.travel": "1/6"})
    assert abs(short["A"].sphere) < 0.3 * abs(forms["A"].sphere)


def test_straight_stroke_keeps_twist_and_shares_out_the_ridges():
    forms, last, study = lapped("straight-stroke")
    for name in "AB":
        assert forms[name].twist == pytest.approx(3.0 * UM, abs=0.02 * UM)
        assert ridges(study, last, name) == pytest.approx(0.5 * UM, abs=0.05 * UM)


@pytest.mark.campaign
def test_quarter_turns_take_out_twist_and_ridges():
    forms, last, study = lapped("quarter-turns")
    for name in "AB":
        assert abs(forms[name].twist) < 0.05 * UM
        assert ridges(study, last, name) < 0.02 * UM
    half, _ = changed("quarter-turns", 1, {"turn": "180 deg every 10 strokes"})
    assert half["A"].twist == pytest.approx(3.0 * UM, abs=0.02 * UM)


def test_three_plates_keep_the_mean_twist():
    forms, _, _ = lapped("three-plates")
    for form in forms.values():
        assert form.twist == pytest.approx(
            2.0 * UM, abs=0.02 * UM
        )  # mean of 1.5, 1.5 and 3 um; derived
        assert -0.7 * UM < form.sphere < 0.1 * UM


@pytest.mark.long
def test_three_plates_with_quarter_turns_lose_the_twist():
    forms, _, _ = lapped("three-plates-quarter-turn")
    for form in forms.values():
        assert abs(form.twist) < 0.01 * UM
        assert -0.7 * UM < form.sphere < 0.1 * UM


@pytest.mark.campaign
def test_rings_over_the_rim_leave_the_plate_its_form():
    forms, _, _ = lapped("rings-over-the-rim")
    assert forms["ring"].flatness < 0.2 * UM
    assert abs(forms["plate"].sphere) < 0.2 * UM
    inside, _ = changed("rings-over-the-rim", 1, {"stroke.centre": ["30 mm", "0 mm"]})
    assert inside["plate"].sphere < -1.0 * UM


@pytest.mark.campaign
def test_a_seal_ring_of_carbon_comes_flat_within_a_band():
    forms, last, _ = lapped("seal-ring-of-carbon")
    # Half a wave of the yellow helium line, 587.6 nm.
    assert forms["ring"].flatness < 293.8e-9
    assert last.removed["ring"] > 10.0 * last.removed["plate"]
    longer, _ = changed("seal-ring-of-carbon", 1, {"time": "1 h"})
    assert forms["ring"].sphere > 0.1 * UM
    assert -0.5 * UM < longer["ring"].sphere < -0.1 * UM  # a tenth of the 5 um grit


@pytest.mark.campaign
def test_a_ring_comes_to_size_and_parallel():
    _, last, study = lapped("ring-to-size-and-parallel")
    ring = study.plates["ring"]
    now = thickness_of(ring, last.heights["ring"], study.margin)
    assert 11.9999e-3 < now.mean <= 12.0e-3
    # Eccentric compression (S. Timoshenko 1930, from memory) of the hand's part of the load.
    hand = 40.0 / (40.0 + ring.weight)
    taken = wedge_of_load(hand * 4.5e-3, 0.040, 0.025) * 6.0 * UM
    assert now.wedge == pytest.approx(4.0 * UM - taken, abs=0.05 * UM)
    assert now.wedge < 0.5 * UM


@pytest.mark.long
def test_a_ring_pressed_in_its_middle_keeps_its_wedge():
    _, last = changed("ring-to-size-and-parallel", 1, {"load_at": {"x": "0 mm"}})
    _, aside, study = lapped("ring-to-size-and-parallel")
    now = thickness_of(study.plates["ring"], last.heights["ring"], study.margin)
    assert now.wedge == pytest.approx(4.0 * UM, rel=0.01)
    assert last.clock.strokes == pytest.approx(aside.clock.strokes, rel=0.01)


def test_grooved_pair_loses_by_its_land():
    _, last, study = lapped("grooved-pair")
    land = {name: plate.land_area for name, plate in study.plates.items()}
    # What both lose is the same volume, spread over the land of each.
    assert last.removed["B"] / last.removed["A"] == pytest.approx(land["A"] / land["B"], rel=0.01)
    assert 1.4 < last.removed["B"] / last.removed["A"] < 1.6


@pytest.mark.campaign
def test_rail_loses_its_wind_to_the_plates_cost():
    forms, _, _ = lapped("rail-in-wind")
    assert abs(forms["rail"].wind) < 0.4 * UM
    assert forms["plate"].bow < -0.5 * UM
    line, _ = changed("rail-in-wind", 1, {"stroke": {"kind": "line", "length": "170 mm"}})
    assert line["rail"].wind > 2 * forms["rail"].wind
    assert line["plate"].crown < -1.5 * UM


@pytest.mark.campaign
def test_how_far_over_tells_in_a_known_measure():
    study = load(CONFIGS / "how-far-over.toml")
    values = study.swept.axes[0].values
    assert (values[0], values[-1]) == ("5 %", "19 %")
    for value in (values[0], values[4], values[-1]):
        forms, last = changed("how-far-over", 1, {"stroke.overhang": value})
        # Moment law at margin 0: half the difference is 6 (c/R)^2 h, equal discs hanging out by c (derived,
        # and confirmed by an independent numerical solution).
        law = 6 * (float(value.split()[0]) / 50) ** 2 * last.removed["A"]
        assert (forms["B"].sphere - forms["A"].sphere) / 2 == pytest.approx(law, rel=0.01)
        assert (forms["A"].sphere + forms["B"].sphere) / 2 < 0.0  # what both share: a dish
    assert forms["A"].sphere < -4 * UM
    assert forms["B"].sphere > 2 * UM


@pytest.mark.long
def test_which_stroke_leaves_the_dome_or_takes_it_out():
    study = load(CONFIGS / "which-stroke.toml")
    ends = {v.name: changed("which-stroke", v.step, dict(v.changes))[0] for v in study.variants}
    worst = {name: max(form.flatness for form in forms.values()) for name, forms in ends.items()}
    half = {name: (forms["A"].sphere - forms["B"].sphere) / 2 for name, forms in ends.items()}
    # Equal times on top leave half the difference, 2 um at the start, where it is, to within a last spell.
    assert half["even swaps"] == pytest.approx(2 * UM, abs=0.4 * UM)
    assert abs(half["longer on top"]) < 0.4 * UM
    assert abs(half["by the gauge"]) < 0.4 * UM
    assert half["short stroke"] > 1.4 * UM  # too short to shift it in the time
    assert ends["never turned"]["A"].twist > 0.4 * UM
    assert sorted(worst, key=worst.get)[:2] in (
        ["by the gauge", "longer on top"],
        ["longer on top", "by the gauge"],
    )
    assert worst["even swaps"] > 2 * max(worst["by the gauge"], worst["longer on top"])


@pytest.mark.long
def test_tune_the_swaps_is_not_flat_as_typed_and_can_be():
    forms, _, _ = lapped("tune-the-swaps")
    assert forms["A"].sphere > 0.5 * UM
    assert forms["B"].sphere < -0.5 * UM
    # The dome goes while its plate is on top, and equal times on top then leave it gone (moment law).
    longer, _ = changed(
        "tune-the-swaps", 1, {"swap_every": {"A": "53 min", "B": "1 min"}, "time": "53 min"}
    )
    for form in longer.values():
        assert form.flatness < 0.3 * UM


@pytest.mark.long
def test_ring_that_spares_the_plate_leaves_rings_in_it():
    forms, _, _ = lapped("ring-that-spares-the-plate")
    assert forms["plate"].sphere < -0.5 * UM
    spared, _ = changed(
        "ring-that-spares-the-plate", 1, {"stroke.centre.x": "46 mm", "time": "75 min"}
    )
    assert abs(spared["ring"].sphere) < 0.2 * UM
    assert abs(spared["plate"].sphere) < 0.1 * UM
    # Walked round evenly, the plate keeps no saddle; what is left of it is round.
    assert abs(spared["plate"].saddle) < 0.05 * UM
    assert 0.3 * UM < spared["plate"].flatness < 0.6 * UM
    heavier, _ = changed(
        "ring-that-spares-the-plate",
        1,
        {"stroke.centre.x": "46 mm", "time": "50 min", "load": "40 N"},
    )
    assert abs(heavier["ring"].sphere) < 0.2 * UM
    assert abs(heavier["plate"].sphere) < 0.1 * UM


@pytest.mark.campaign
def test_a_rail_on_two_feet_is_read_otherwise_than_it_is():
    forms, _, study = lapped("rail-on-two-feet")
    sizes = study.bends[0].sizes
    assert all(0.55 * UM < sizes[name] < 0.70 * UM for name in ("R", "S"))

    def reads(last: State, plate: Plate) -> float:
        return measure(plate, as_read(plate, last.heights["S"]), study.margin).bow

    _, last, _ = lapped("rail-on-two-feet")
    assert -0.15 * UM < reads(last, study.plates["S"]) - forms["S"].bow < -0.08 * UM
    text = (CONFIGS / "rail-on-two-feet.toml").read_text(encoding="utf-8")
    wide = coarse(parse_document(document_of(text.replace("feet at 0.577", "feet at 0.9"))))
    domed, last = end_of(wide)
    assert all(domed[name].bow > 1.2 * UM for name in ("R", "S"))
    assert abs(reads(last, wide.plates["S"])) < 0.3 * UM


@pytest.mark.campaign
def test_rail_out_of_wind_bows_when_it_goes_on_too_long():
    forms, _, _ = lapped("rail-out-of-wind")
    assert forms["rail"].bow > 0.5 * UM
    assert forms["plate"].bow < -1.5 * UM
    sooner, last = changed("rail-out-of-wind", 1, {"time": "25 min"})
    assert abs(sooner["rail"].wind) < 0.6 * UM
    assert abs(sooner["rail"].bow) < 0.4 * UM
    assert abs(sooner["plate"].bow) < 1.0 * UM
    lighter, light = changed("rail-out-of-wind", 1, {"time": "26 min", "load": "5 N"})
    assert abs(lighter["rail"].wind) < abs(sooner["rail"].wind)
    for name in ("rail", "plate"):
        assert light.removed[name] < 0.85 * last.removed[name]
    assert abs(lighter["plate"].bow) < abs(sooner["plate"].bow)


@pytest.mark.long
def test_seal_rings_on_a_turning_plate():
    """Fifty rings stay flat while the plate is dressed in time; dressed too late, many do not."""
    study = load(CONFIGS / "seal-rings-on-a-turning-plate.toml")
    late = replace(study.batch, dress=replace(study.batch.dress, every=30))
    out = []
    for one in (study, replace(study, batch=late)):
        recorder = BatchRecorder(one, one.batch)
        for moment in one.states():
            recorder.take(moment)
        out.append(out_of_goal(recorder.record, one).sum())
        if one is study:
            assert recorder.record.forms["flatness"].max() < UM / 4.0  # as the study's head says
    assert out[0] == 0
    assert out[1] > 10


def test_gauge_ends_go_round_with_their_carrier():
    """Rigid motion: each end keeps its place in the ring, which turns it about its middle (kinematics)."""
    study = load(CONFIGS / "gauge-ends-in-a-carrier.toml")
    batch = study.batch
    *ends, ring = (Motion(step) for step in batch.steps(study.steps[0], 1))
    at = np.linspace(0.0, 3.0, 25)
    middle = ring.poses(at)
    assert ring.step.top == "carrier"
    assert ring.step.load.force == 0.0
    for k, end in enumerate(ends):
        poses = end.poses(at)
        angle = middle.theta + 2.0 * np.pi * k / 3.0
        assert poses.cx - middle.cx == pytest.approx(batch.radius * np.cos(angle), abs=1e-12)
        assert poses.cy - middle.cy == pytest.approx(batch.radius * np.sin(angle), abs=1e-12)
        # v = v of the middle + spin x arm (textbook kinematics of a rigid body)
        arm_x, arm_y = poses.cx - middle.cx, poses.cy - middle.cy
        assert poses.vx == pytest.approx(middle.vx - middle.spin * arm_y, abs=1e-12)
        assert poses.vy == pytest.approx(middle.vy + middle.spin * arm_x, abs=1e-12)
        assert poses.theta == pytest.approx(middle.theta, abs=1e-12)


@pytest.mark.long
def test_gauge_ends_in_a_carrier():
    """The ring evens out the plate; under one weight, which has no ring, it is left half as uneven again."""
    study = load(CONFIGS / "gauge-ends-in-a-carrier.toml")
    document = document_of(study.text)
    del document["batch"]["carrier"]
    document["batch"]["under"] = "one weight"
    document["steps"][0]["load"] = "3 N"
    left = []
    for one in (study, Study.from_dict(document)):
        recorder = BatchRecorder(one, one.batch)
        for moment in one.states():
            recorder.take(moment)
        record = recorder.record
        left.append(record.plate["flatness"][-1])
        assert (moment.removed["carrier"] > 0.0) == (one is study)
        if one is study:
            assert record.forms["flatness"].max() < 0.1 * UM
            assert out_of_goal(record, one).sum() == 0
    assert left[1] > 1.5 * left[0]
