"""What mating proves and what it does not (check 26), by arithmetic and by faces made to fool it."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest

from lapwright.contact.placement import mating
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate, StartForm
from lapwright.verification.form_rows import PROOFS, MatingProof, hidden_by

SLID = ((0.0, 0.0), (0.3, 0.0), (0.0, 0.3))


@pytest.mark.parametrize("degree", [2, 4, 6])
def test_two_angles_90_apart_slid_and_read_the_same_prove_flatness(degree):
    got = hidden_by(MatingProof((0.0, pi / 2), SLID, same_reading=True), degree)
    assert (got.ways, got.forms) == (0, ())


@pytest.mark.parametrize("degree", [2, 4, 6])
def test_one_angle_proves_nothing_of_twist(degree):
    got = hidden_by(MatingProof((0.0,), SLID, same_reading=True), degree)
    assert got.forms == ("saddle", "twist")
    # nor does half a turn: twist looks the same
    assert "twist" in hidden_by(MatingProof((0.0, pi), SLID, same_reading=True), degree).forms


def test_without_a_reading_a_dome_in_a_dish_is_left():
    got = hidden_by(MatingProof((0.0, pi / 2), SLID), 6)
    assert (got.ways, got.forms) == (1, ("dome",))


def test_without_sliding_round_waves_mate():
    assert hidden_by(MatingProof((0.0, pi / 2), ((0.0, 0.0),), same_reading=True), 4).ways > 0


def test_faces_made_to_fool_one_angle():
    """On real maps: equal twists mate and read the same; turned by 90 degrees they do not mate."""
    plate = Plate(Disc(0.16), thickness=0.03, name="A")
    none = EdgeMargin(share=0.0)
    same = StartForm(twist=1e-6).heights(plate.grid, plate.outline)
    turned = StartForm(twist=-1e-6).heights(
        plate.grid, plate.outline
    )  # a quarter turn turns the sign
    assert mating(plate, same, plate, same, none) < 1e-12
    assert forms(plate, same, none).sphere == pytest.approx(0.0, abs=1e-15)
    assert mating(plate, same, plate, turned, none) > 0.3e-6


def test_table_of_proofs():
    last = hidden_by(PROOFS[-1][1])
    assert last.ways == 0
    assert all(hidden_by(proof).ways > 0 for _, proof in PROOFS[:-1])
    assert np.all(np.diff([hidden_by(replace(p)).ways for _, p in PROOFS[:3]]) < 0)
