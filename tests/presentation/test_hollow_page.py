"""The page on hollow plates is what its script makes, and says what the kinematics of a turning plate say."""

import re
import runpy
from pathlib import Path

import numpy as np
import pytest

from lapwright.study.read import load
from lapwright.verification.closed_forms import coverage

DOCS = Path(__file__).resolve().parents[2] / "docs"
TEXT = (DOCS / "why-the-plate-goes-hollow.md").read_text("utf-8")


@pytest.fixture(scope="module")
def made():
    return runpy.run_path(str(DOCS / "make_hollow_page.py"))


@pytest.mark.campaign
def test_the_page_is_what_the_script_makes(made):
    assert made["page"](made["lapped"](True), made["lapped"](False)) == TEXT


def row(name):
    """The numbers of a row of the page's first table."""
    line = next(line for line in TEXT.splitlines() if line.startswith(f"| {name} |"))
    return np.array([float(cell.split()[0]) for cell in line.split("|")[2:-1]])


def test_it_has_its_picture_its_links_and_its_caution():
    assert (DOCS / "pictures" / "why-hollow.png").is_file()
    for link in re.findall(r"\]\(([^)#]+)[^)]*\)", TEXT):
        assert (DOCS / link).is_file(), link
    assert "stop the plate to lift it" in TEXT


def test_the_plate_wears_where_it_lies_under_the_rings(made):
    """Depth at a radius goes by the share of a turn under a ring times the speed there (Preston 1927).

    Motion: A. Barylski, N. Piotrowski 2017 (Kinematics, doi 10.5772/intechopen.71415); the arc under a ring
    is that under its disc less that under its bore, the speed that of a rigid body which turns by itself, in
    the middle of the arc.  Rings start with a dome, and tilt: to a fifth.
    """
    study = load(made["CONFIG"])
    step, ring = study.steps[0], study.plates["ring"].outline
    radii = row("at a radius of") * 1e-3
    assert radii == pytest.approx(made["RADII"])
    phase = np.linspace(0.0, 2.0 * np.pi, 200, endpoint=False)
    place = step.centre[0] + step.curve.radius * np.cos(phase)
    inside = np.linspace(-made["BAND"], made["BAND"], 11)[:, None, None]
    r = radii[:, None] + inside
    share = coverage(r, place, 0.5 * max(ring.size)) - coverage(r, place, 0.5 * ring.bore)
    turned = step.walk.angle + step.turn.angle
    speed = np.abs(turned * r - step.turn.angle * place)
    wanted = (speed * share).mean(axis=(0, 2))
    worn = row("the rings took off")
    assert worn / worn.sum() == pytest.approx(wanted / wanted.sum(), rel=0.2)
    assert row("both together") == pytest.approx(
        worn + row("the dressing ring took off then"), abs=0.11
    )
