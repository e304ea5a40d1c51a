"""When a face is called past its best: what was flattest on the way, and clearly flatter than the end."""

from types import SimpleNamespace

import numpy as np
import pytest

from lapwright.report.trend import best


def face(*flatness, finish=None):
    """A face whose flatness [um] went so; `finish` of its grit [um]."""
    values = 1e-6 * np.array(flatness)
    return SimpleNamespace(form=lambda key: {"flatness": values}[key], finish=finish and 1e-6 * finish)


@pytest.mark.parametrize(
    ("flatness", "finish", "at"),
    [
        ((3.0, 1.0, 0.5, 0.9), None, 2),
        ((3.0, 0.5, 0.6, 0.66), None, 1),  # a third worse than it was
        ((3.0, 0.5, 0.6, 0.64), None, None),  # less than a third: not clearly
        ((3.0, 1.0, 0.7, 0.5), None, None),  # best at the end
        ((0.5, 1.0, 2.0, 3.0), None, None),  # best as it came: nothing was passed on the way
        ((3.0, 0.5, 0.6, 0.7), 0.6, None),  # half the finish is not told apart
        ((3.0, 0.5, 0.6, 0.9), 0.6, 1),
        ((3.0, 0.5, np.nan, 0.9), None, None),
        ((3.0, 0.5), None, None),
    ],
)
def test_a_face_past_its_best(flatness, finish, at):
    assert best(face(*flatness, finish=finish)) == at
