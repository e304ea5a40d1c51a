"""Known faces: their zones by a plain linear programme, their least-squares flatness."""

import numpy as np
import pytest
from scipy.optimize import linprog

from lapwright.verification.closed_forms import KNOWN_FACES


@pytest.mark.parametrize("face", KNOWN_FACES, ids=lambda f: f.name)
def test_known_faces(face):
    plane = np.stack([np.ones_like(face.x), face.x, face.y], 1)
    # least w with |z - plane| <= w / 2 everywhere
    half = np.full((face.x.size, 1), 0.5)
    a = np.vstack([np.hstack([plane, -half]), np.hstack([-plane, -half])])
    b = np.concatenate([face.z, -face.z])
    best = linprog([0, 0, 0, 1], A_ub=a, b_ub=b, bounds=[(None, None)] * 3 + [(0, None)])
    assert best.fun == pytest.approx(face.zone, abs=1e-7)
    if face.least_squares is not None:
        left = face.z - plane @ np.linalg.lstsq(plane, face.z, rcond=None)[0]
        assert np.ptp(left) == pytest.approx(face.least_squares, rel=1e-3)
