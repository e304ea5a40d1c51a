"""The mirror is made in one place: dropped there, a check in every room that asks for it says so.

Equal twists, each seen looking at its own face, mate; opposite twists do not (model, section 1; derived, and
confirmed by the moment law).  What is mirrored is a point with no symmetry of its own.
"""

import sys
from importlib import import_module

import numpy as np
import pytest
from modes_scene import flow, stroke

import lapwright.contact.placement as laid_module
from lapwright.contact.placement import mating
from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.form import _seat as seat
from lapwright.modal.basis import basis_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.step_analysis import reason_of
from lapwright.optimisation.surrogate import Observables
from lapwright.presentation.pictures import small_multiples
from lapwright.specification.plate import StartForm
from lapwright.verification.form_rows import MatingProof, hidden_by
from lapwright.verification.scenes import disc

# The package has functions of these names, too.
cuts, strokes = (
    import_module(f"lapwright.presentation.pictures.{name}") for name in ("sections", "stroke")
)

BARE = EdgeMargin(share=0.0)
TWIST = StartForm(twist=1e-6)
SLID = ((0.0, 0.0), (0.3, 0.0), (0.0, 0.3))


def twisted(cells=32):
    return {name: disc(name, cells, TWIST) for name in "AB"}


def equal_twists_mate_in_lapping():
    plates = twisted()
    seat.cache_clear()
    found = mating(plates["B"], plates["B"].heights(), plates["A"], plates["A"].heights(), BARE)
    seat.cache_clear()
    return found < 1e-12


def equal_twists_mate_in_planning():
    plates = twisted()
    bases = {name: basis_of(plate, 4) for name, plate in plates.items()}
    looks = Observables(plates, bases, BARE)
    z = {name: bases[name].start(plate)[:, None] for name, plate in plates.items()}
    return float(looks.mating("B", "A", z["B"], z["A"])[0]) < 1e-12


def equal_twists_hide_from_the_gauges():
    """Laid on each other at one angle: 2xy on both is hidden, on one alone or against it is not."""
    faces = hidden_by(MatingProof(centres=SLID, same_reading=True), 2).faces.reshape(-1, 6)
    same, against = (np.array([0, 1, 0, 0, sign, 0]) / np.sqrt(2.0) for sign in (1.0, -1.0))
    return np.linalg.norm(faces @ same) > 1 - 1e-9 and np.linalg.norm(faces @ against) < 1e-9


def equal_twists_feel_nothing_in_the_modes():
    found = flow(stroke(), 4)
    twist = basis_of(disc("B", 64, TWIST), 4).start(disc("B", 64, TWIST))
    felt = [
        np.abs(found.matrix @ np.concatenate([twist, sign * twist])).max() for sign in (1.0, -1.0)
    ]
    return felt[0] < 1e-9 * felt[1]


def the_law_of_moments_is_that_of_the_modes():
    """A straight stroke at 30 degrees: the law and the operator, each with its own mirror, agree."""
    plates = {name: disc(name, 64) for name in "AB"}
    step = stroke(direction=np.radians(30.0), curve=stroke().curve, centre=(0.01, 0.004))
    law = reason_of(ReducedModel(plates, [step], 4), 1).law
    return law is not None and law.exact.size == 3 and law.error < 1e-9


def the_picture_of_the_bearing_turns_the_top_over():
    corner = strokes.turned_over(np.array([[0.03, 0.01]]), 0.0, (0.002, 0.0))
    return np.allclose(corner, [[-0.028, 0.01]])


def the_cut_looks_under_the_top():
    there = cuts.laid(np.array([0.03]), np.array([0.01]), np.pi / 2)
    return np.allclose(np.ravel(there), [-0.01, -0.03])


def the_bands_of_small_cuts_run_the_other_way():
    where = small_multiples.along_the_face(np.array([0.03, -0.01]), False, over=True)
    along = small_multiples.along_the_face(np.array([0.03, -0.01]), True, over=True)
    return np.allclose(where, [-0.03, 0.01]) and np.allclose(along, [0.03, -0.01])


CHECKS = [
    equal_twists_mate_in_lapping,
    equal_twists_mate_in_planning,
    equal_twists_hide_from_the_gauges,
    equal_twists_feel_nothing_in_the_modes,
    the_picture_of_the_bearing_turns_the_top_over,
    the_cut_looks_under_the_top,
    the_bands_of_small_cuts_run_the_other_way,
]


def unmirrored_face(x, y, cx, cy, theta):
    cos, sin = np.cos(theta), np.sin(theta)
    return cos * (x - cx) + sin * (y - cy), cos * (y - cy) - sin * (x - cx)


def unmirrored_bench(u, v, cx, cy, theta):
    cos, sin = np.cos(theta), np.sin(theta)
    return cx + cos * u - sin * v, cy + sin * u + cos * v


@pytest.fixture
def dropped(monkeypatch):
    """The top laid on as if it were glass, for all who ask the one place."""
    mutants = {"on_face": unmirrored_face, "on_bench": unmirrored_bench}
    true = {name: getattr(laid_module, name) for name in mutants}
    for module in [m for name, m in sys.modules.items() if name.startswith("lapwright.")]:
        for name, mutant in mutants.items():
            if getattr(module, name, None) is true[name]:
                monkeypatch.setattr(module, name, mutant)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_with_the_mirror_every_room_is_right(check):
    assert check()


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.__name__)
def test_without_the_mirror_every_room_is_caught(dropped, check):
    assert not check()


def test_the_mirror_dropped_in_the_law_alone_is_caught(monkeypatch):
    """Law and operator both ask the one place, so that only one of them dropped shows."""
    assert the_law_of_moments_is_that_of_the_modes()
    monkeypatch.setattr("lapwright.modal.step_analysis.on_bench", unmirrored_bench)
    assert not the_law_of_moments_is_that_of_the_modes()


def test_no_other_room_turns_a_top_over():
    """Nothing but the one place says how a face point comes to lie on the bench."""
    from pathlib import Path

    import lapwright

    found = []
    for path in Path(lapwright.__file__).parent.rglob("*.py"):
        if path.name == "placement.py":
            continue
        text = path.read_text(encoding="utf-8")
        found += [
            path.name
            for mark in ("Rot(theta)(-u", "evaluate(-x", "(-x, y)", "-u, v")
            if mark in text
        ]
    assert not [name for name in found if name != "outline.py"]
