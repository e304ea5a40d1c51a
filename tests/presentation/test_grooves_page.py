"""The page on grooves is what its script makes, and says what the law says."""

import runpy
from pathlib import Path

import pytest

from lapwright.integration.estimate import outlooks
from lapwright.results.findings import foreseen
from lapwright.study.read import load

DOCS = Path(__file__).resolve().parents[2] / "docs"


@pytest.fixture(scope="module")
def made():
    return runpy.run_path(str(DOCS / "make_grooves_page.py"))


def test_the_page_is_what_the_script_makes(made):
    text = (DOCS / "why-plates-have-grooves.md").read_text("utf-8")
    assert text == made["page"]()
    assert "(pictures/why-grooves.png)" in text
    assert (DOCS / "pictures" / "why-grooves.png").is_file()
    assert "Kerosene burns" in text


def test_half_the_grain_is_four_times_as_slow(made):
    """The gap cubed over a layer that is stiffer in proportion (usual layers)."""
    study = load(made["CONFIG"])
    step, plates = study.steps[0], dict(study.plates)
    fine = made["film"](step.replace(grit="7.5 um"), plates)
    assert fine.time == pytest.approx(4.0 * made["film"](step, plates).time)


def test_its_study_is_warned_of_and_its_cures_cure():
    study = load(DOCS.parent / "configs" / "flooded-pair.toml")

    def codes(one):
        return {f.code for f in foreseen(one, outlooks(one.plates, one.steps))}

    assert {"liquid", "kerosene"} <= codes(study)
    smeared = study.replace(steps=[study.steps[0].replace(liquid="smeared")])
    assert not {"liquid", "kerosene"} & codes(smeared)
    grooves = load(DOCS.parent / "configs" / "grooved-pair.toml").plates["B"].grooves
    plates = {**study.plates, "B": study.plates["B"].replace(grooves=grooves)}
    assert "liquid" not in codes(study.replace(plates=plates))
