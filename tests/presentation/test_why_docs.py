"""The page on straight strokes is what its script makes of configs/, and its cards touch as it says."""

import runpy
from pathlib import Path

import numpy as np
import pytest

DOCS = Path(__file__).resolve().parents[2] / "docs"
PICTURES = ("why-cards.png", "why-straight.png", "why-quarter.png")


@pytest.fixture(scope="module")
def made():
    return runpy.run_path(str(DOCS / "make_why_page.py"))


@pytest.mark.campaign
def test_the_page_is_what_the_script_makes(made):
    text = (DOCS / "why-straight-strokes-leave-errors.md").read_text("utf-8")
    assert text == made["page"]()
    for name in PICTURES:
        assert f"(pictures/{name})" in text
        assert (DOCS / "pictures" / name).is_file()


def test_two_cards_touch_as_the_page_says(made):
    """Twisted alike and turned over like a page, a slid card is the lower one and a plane; turned a quarter
    it stands on two corners."""
    u = np.linspace(-1.0, 1.0, 41)
    x, y = np.meshgrid(u, u)
    lower = made["TWISTED"] * x * y
    for slid in ((0.3, 0.0), (0.0, -0.4), (0.5, -0.35)):
        # The upper face, of the same twist on its own side, mirrored by turning over: z = -twist * (-x) y.
        upper = made["TWISTED"] * (x - slid[0]) * (y - slid[1])
        plane = np.stack([np.ones(x.size), x.ravel(), y.ravel()], axis=1)
        gap = (upper - lower).ravel()
        rest = gap - plane @ np.linalg.lstsq(plane, gap, rcond=None)[0]
        assert np.abs(rest).max() < 1e-14
    turned = -made["TWISTED"] * x * y
    gap = turned - lower
    gap -= gap.min()
    assert (gap < 1e-12).sum() == 2
    assert {(x[k], y[k]) for k in zip(*np.nonzero(gap < 1e-12), strict=True)} == {
        (1.0, 1.0),
        (-1.0, -1.0),
    }
