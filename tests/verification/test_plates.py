"""Three plates, lapped two and two."""

import known_answers
import numpy as np
import pytest

from lapwright.verification import closed_forms as plates


def test_sphere_part_of_a_cycle():
    # derived and confirmed independently: 2^(-3/2), a complex pair
    m = known_answers.cycle([known_answers.mate_opposite(*p) for p in plates.CYCLE])
    assert plates.spectral_radius(m) == pytest.approx(0.3535534, abs=5e-8)
    got = np.sort_complex(np.linalg.eigvals(m))
    np.testing.assert_allclose(got, np.sort_complex(plates.sphere_eigenvalues()), atol=1e-12)


def test_mean_twist_is_kept_for_ever():
    # derived: many texts miss it
    m = known_answers.cycle([known_answers.mate_same(*p) for p in plates.CYCLE])
    np.testing.assert_allclose(np.linalg.matrix_power(m, 40) @ [3.0, 0.0, 0.0], 1.0, atol=1e-9)


def test_a_quarter_turn_cures_twist():
    # a plate set down turned by 90 degrees shows the other its twist reversed: they mate when opposite
    turned = known_answers.cycle(
        [
            known_answers.mate_same(0, 1),
            known_answers.mate_opposite(1, 2),
            known_answers.mate_same(2, 0),
        ]
    )
    assert plates.spectral_radius(turned) < 0.9


def test_two_plates_alone_keep_their_sphere():
    m = known_answers.mate_opposite(0, 1, plates=2)
    np.testing.assert_allclose(m @ m @ [2.0, -2.0], [2.0, -2.0])
