"""What the page says of a stroke is what the picture says of it, and is said of what was rubbed alone."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from lapwright.metrology.form import EdgeMargin
from lapwright.modal.reduced_model import DEGREE, ReducedModel
from lapwright.presentation.run_view import run_view
from lapwright.presentation.way_round import effects, effects_words

NO_MARGIN = EdgeMargin(share=0.0)


@pytest.mark.always("rail", "coarse_pair")
@pytest.mark.parametrize("kind", ["disc_pair", "rail", "coarse_pair"])
def test_sizes_are_those_of_the_operator_at_degree_8(make_run, kind) -> None:
    said = run_view(make_run(kind))
    study = said.study
    picture = ReducedModel(study.plates, study.steps, DEGREE, study.seed)
    for number, step, look, glance in effects(said):
        whole = sum(look.on_top.values())
        for name in (step.top, step.bottom):
            made = dict.fromkeys(glance.made[name], 0.0)
            mark = dict.fromkeys(glance.mark[name], 0.0)
            for top, time in look.on_top.items():
                if time <= 0.0:
                    continue
                bottom = step.bottom if top == step.top else step.top
                flow, solved = (
                    picture.flow(number, top, bottom),
                    picture.evolution(number, top, bottom),
                )
                part = (
                    slice(None, flow.bottom.size)
                    if name == bottom
                    else slice(flow.bottom.size, None)
                )
                face = flow.bottom if name == bottom else flow.top
                left = solved.after(np.zeros(flow.drive.size), whole) - solved.drift * whole
                for key, value in face.forms(solved.drift[part] * time, NO_MARGIN).items():
                    made[key] += value
                for key, value in face.forms(left[part], study.margin).items():
                    mark[key] += time / whole * value
            scale = max(map(abs, [*made.values(), *mark.values()]))
            assert dict(glance.made[name]) == pytest.approx(made, abs=1e-6 * scale)
            assert dict(glance.mark[name]) == pytest.approx(mark, abs=1e-6 * scale)


@pytest.mark.campaign
def test_words_are_true_of_the_sizes(make_run) -> None:
    said = run_view(make_run("disc_pair"))
    got = effects(said)
    assert got
    told = " ".join(" ".join(lines) for _, lines in effects_words(said))
    assert "it never takes out" in told.lower()
    sizes = [abs(f["sphere"]) for *_, glance in got for f in glance.mark.values()]
    for size in re.findall(r"hollow by about ([\d.]+) um", told):
        assert min(abs(1e-6 * float(size) / s - 1.0) for s in sizes) < 0.06


def test_only_what_was_rubbed_is_told(make_run) -> None:
    run = make_run("disc_pair")
    none = replace(run, time=run.time[:1], step=run.step[:1])
    assert effects(run_view(none)) == []
    assert effects_words(run_view(none)) == []


@pytest.mark.parametrize(
    ("shares", "said_of_it"),
    [([0.0, 0.0], ""), ([0.4, 0.0], "until the faces bed in"), ([0.0, 0.3], "Something lifts")],
)
def test_what_lifts_is_what_was_seen_to_lift(make_run, shares, said_of_it) -> None:
    """The run has the last word over what was foretold: a page says both nowhere."""
    run = make_run("disc_pair")
    half = len(run.time) // 2
    lifted = np.repeat(shares, [half, len(run.time) - half])
    view = run_view(replace(run, lift_share=lifted))
    told = " ".join(" ".join(lines) for _, lines in effects_words(view))
    assert said_of_it in told
    assert ("Something lifts" in told) == bool(said_of_it)
    assert ("bed in, which" in told) == (shares[0] > 0.0)
