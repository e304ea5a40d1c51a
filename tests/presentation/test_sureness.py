"""What is said of how sure the figures are: only where it shows, and then enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapwright.presentation.account import in_words
from lapwright.presentation.page import render
from lapwright.presentation.run_view import good_to, run_view
from lapwright.results.record import SHAPES, Run
from lapwright.units import METRIC, Units

NM = 1e-9
UM = 1e-6
Maker = Callable[[str], Run]

ALONE = "From the program's own error alone these figures are good to"


def erring(run: Run, **error: float) -> Run:
    """The run with errors put in by hand [m], the same all along and for every plate; the rest is sure."""

    def along(key: str, forms: dict[str, np.ndarray]) -> np.ndarray:
        return np.where(np.isfinite(forms[key]), error.get(key, 0.0), np.nan)

    plates = {
        name: replace(record, error={key: along(key, record.forms) for key in SHAPES})
        for name, record in run.plates.items()
    }
    return replace(run, plates=plates)


@given(st.floats(1e-9, 1e-3), st.sampled_from([(METRIC, 1e-6), (Units.INCH, 25.4e-9)]))
def test_the_last_digit_is_that_of_what_is_printed(value: float, unit: tuple[str, float]) -> None:
    language, scale = unit
    printed = Decimal(Units.number(value / scale))
    digits = printed.as_tuple().digits
    place = printed.as_tuple().exponent + (len(digits) - 2 if len(digits) > 2 else 0)
    assert language.last_digit(value) / scale == pytest.approx(10.0**place, rel=1e-9)


def test_what_does_not_show_in_a_figure_is_not_told(make_run: Maker) -> None:
    # A is hollow by 0.80 um: its last digit is 0.01 um.
    run = make_run("disc_pair")
    assert good_to(run_view(run)) == "", "nothing is known of the error"
    assert good_to(run_view(erring(run, sphere=4.9 * NM))) == ""
    assert good_to(run_view(erring(run, sphere=5.1 * NM))) == ALONE + " 0.010 um."
    # A saddle of 0.1 um stands beside it and is not told of: it may be off as much as it will.
    assert good_to(run_view(erring(run, saddle=0.0, sphere=4.9 * NM))) == ""


def test_a_dome_that_is_called_none_has_no_figure_to_doubt(make_run: Maker) -> None:
    # three_plates: 9 um grit, domes of 0.05, 0.04 and -0.02 um; a fiftieth of what a gauge tells is 0.012 um.
    run = make_run("three_plates")
    flat = {
        name: replace(r, forms={**r.forms, "sphere": 0.2 * r.forms["sphere"]})
        for name, r in run.plates.items()
    }
    assert good_to(run_view(erring(run, sphere=5 * NM))) != ""
    assert good_to(run_view(erring(replace(run, plates=flat), sphere=5 * NM))) == ""


def test_what_is_smaller_than_its_error_is_called_in_doubt(make_run: Maker) -> None:
    told = good_to(run_view(erring(make_run("disc_pair"), twist=0.16 * UM)))
    assert told == ALONE + " 0.32 um: what is smaller may not be there at all."
    inch = good_to(run_view(erring(make_run("coarse_pair"), sphere=0.16 * UM)))
    assert "good to 13 uin" in inch  # 0.32 um / 0.0254 um


@pytest.mark.campaign
def test_screen_and_page_say_it_where_the_figures_are(make_run: Maker) -> None:
    run = make_run("disc_pair")
    doubtful = erring(run, sphere=20 * NM)
    assert ALONE + " 0.040 um." in in_words(doubtful)
    assert "good to 0.040" in render(doubtful)
    assert "good to" not in render(run)
    assert not [line for line in in_words(run) if "good to" in line]


def test_json_has_the_error_of_each_form_that_a_plate_has(make_run: Maker) -> None:
    answer = erring(make_run("rail"), bow=2 * NM, wind=3 * NM).told()
    for plate in [*answer["plates"].values(), *answer["history"][-1]["plates"].values()]:
        assert [plate["error"][form] for form in ("bow", "crown", "wind")] == [2 * NM, 0.0, 3 * NM]
        assert all(np.isnan(plate["error"][form]) for form in ("sphere", "saddle", "twist")), (
            "null in print"
        )
