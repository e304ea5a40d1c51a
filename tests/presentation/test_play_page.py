# ruff: noqa: E501 (scripts for the browser)
"""The page to play with, in a real browser: its numbers against the program's own on the study it writes.

Each setting of the hand is given to the page, which works its numbers out and writes the study; the program
reads that study and answers anew: `preview` what hangs over, lifts, tips and goes, `why` what the stroke
makes, takes out, leaves alone and what the layer leaves, `bearing` how flat faces bear.
"""

from __future__ import annotations

import json
import re
import runpy
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from pages import CHROMIUM, tried, walked

import lapwright
from lapwright.commands.main import main
from lapwright.contact.pressure import bearing
from lapwright.integration.estimate import outlooks
from lapwright.modal.chart import ERRORS, LENGTHS, STAYS, WIDTHS, assembled, curve_of, row_of
from lapwright.modal.reduced_model import ReducedModel
from lapwright.modal.spectrum import NO_MARGIN
from lapwright.modal.step_analysis import StepAnalysis, reason_of
from lapwright.presentation.play_page import play_page, step_data, strokes_of
from lapwright.specification.plate import StartForm
from lapwright.study.model import Study
from lapwright.study.read import parse

DOCS = Path(__file__).resolve().parents[2] / "docs"
TEMPLATES = Path(lapwright.__file__).parent / "presentation" / "templates"
in_browser = pytest.mark.skipif(
    CHROMIUM is None, reason="no chromium on the PATH: the page was not tried in a browser"
)
STUDY = """title = "Played"
units = "{units}"
plates.A = {{ disc = "160 mm", thickness = "30 mm", form = {{ dome = "1 um" }} }}
plates.B = {{ like = "A" }}

[[steps]]
top = "A"
bottom = "B"  # below
grit = "15 um"
stroke = {{ kind = "{kind}", travel = "1/3" }}
swap_every = {{ A = "20 min", B = "5 min" }}
time = "100 min"

[sweep]
step = 1
"stroke.travel" = ["1/4", "1/3"]
"""
# Degrees a stroke; at 24 and 30 the top keeps step with the stroke, and the page tells nothing.
TURNS = [turn for turn in range(1, 30) if turn != 24]
SHARE, PER_METAL = 0.01, 2e-3  # 1 %, or 2 nm for each um of metal or of squeeze (issue 17)
CELLS = 256  # across a flat plate; its peak lies at the edge, half a cell from the last middle
ASK = """<script>
window.addEventListener("load", function () {
  var play = window.lapwrightPlay, step = play.steps[0];
  var seen = HANDS.map(function (hand) {
    hand = Object.assign(play.begin(step), hand);
    return { got: play.worked(step, hand), text: play.written(step, hand) };
  });
  document.body.innerHTML = ""; document.body.setAttribute("data-seen", JSON.stringify({ seen: seen, faults: window.faults }));
});
</script>"""


# A browser without a screen that runs ahead of the clock draws one frame only: a timer stands for the rest.
FRAMES = """<script>
window.requestAnimationFrame = function (f) { return setTimeout(function () { f(performance.now()); }, 16); };
</script>"""
HANDLE = """<script>
window.addEventListener("load", function () {
  function id(name) { return document.getElementById("play-" + name); }
  function seen() { return document.querySelector("main").innerText + id("way").getAttribute("d"); }
  var moved = {}, steps = [], out = {};
  function slide(name, share) { return function () {
    var input = id(name); input.value = Number(input.min) + share * (input.max - input.min); input.dispatchEvent(new Event("input")); }; }
  function key(name, pressed) { return function () { id(name).dispatchEvent(new KeyboardEvent("keydown", { key: pressed, bubbles: true, cancelable: true })); }; }
  function choose(how) { return function () { id("how").value = how; id("how").dispatchEvent(new Event("change")); }; }
  steps = [["length", slide("length", 0.2)], ["direction", slide("direction", 0.7)], ["turning", choose("turning")], ["turn", slide("turn", 0.55)],
    ["force", slide("force", 0.1)], ["key on a slider", key("force", "ArrowUp")], ["length mark", key("hold-length", "ArrowRight")],
    ["direction mark", key("hold-length", "ArrowUp")], ["quarter", choose("quarter")], ["every", slide("every", 0.5)], ["overhang", slide("overhang", 0.2)],
    ["write", function () { id("write").click(); }], ["far", slide("length", 0.7)], ["tips", slide("length", 1.0)]];
  function next() {
    if (!steps.length) {
      out.moved = moved; out.faults = window.faults; out.tips = document.querySelector("h1").textContent;
      out.requests = performance.getEntriesByType("resource").map(function (e) { return e.name; }).filter(function (n) { return n.indexOf("data:") !== 0; });
      document.body.innerHTML = ""; document.body.setAttribute("data-seen", JSON.stringify(out));
      return;
    }
    var step = steps.shift(), before = seen();
    step[1]();
    requestAnimationFrame(function () {
      moved[step[0]] = [before, seen()];
      if (step[0] === "write") { out.text = id("text").textContent; out.force = parseFloat(id("out-force").textContent);
        out.held = document.documentElement.scrollWidth; }
      if (step[0] === "far") { out.beyond = id("warn").textContent; }
      next();
    });
  }
  next();
});
</script>"""


@cache
def study_of(kind: str, units: str = "metric") -> Study:
    return parse(STUDY.format(kind=kind, units=units), "played")


@cache
def page_of(kind: str, units: str = "metric") -> str:
    return play_page(strokes_of(study_of(kind, units)))


def hands(kind: str, number: int, seed: int) -> list[dict[str, Any]]:
    """Settings at random within the table, a third of them unturned."""
    rng = np.random.default_rng(seed)
    radius = 0.08
    made = []
    for _ in range(number):
        length = rng.uniform(*LENGTHS) * radius
        hand = {
            "length": float(f"{length:.6g}"),
            "width": float(f"{rng.uniform(*WIDTHS) * length:.6g}"),
            "direction": float(rng.integers(-90, 91)),
            "how": str(
                rng.choice(["none", "turning", "quarter", "half"], p=[0.34, 0.34, 0.16, 0.16])
            ),
            "turn": float(
                rng.choice([-1.0, 1.0]) * rng.choice(TURNS[: 15 if kind == "ellipse" else None])
            ),
            "every": int(rng.integers(1, 20)),
            "force": float(rng.integers(0, 201)),
        }
        made.append(hand)
    return made


def close(mine: float, truth: float, scale: float, what: str) -> None:
    """Within 1 % of the truth, or 2 nm per um of `scale`."""
    assert abs(mine - truth) <= max(SHARE * abs(truth), PER_METAL * scale), (what, mine, truth)


def same_forms(
    mine: Mapping, truth: Mapping, reason: StepAnalysis, scale: float, what: str
) -> None:
    """The same of whole faces: 1 % of the largest form, or 2 nm per um of `scale`."""
    for which, name in zip(("bottom", "top"), reason.names, strict=True):
        most = max(map(abs, truth[name].values()))
        for key, value in truth[name].items():
            off = abs(mine[which][key] - value)
            assert off <= max(SHARE * most, PER_METAL * scale), (
                what,
                name,
                key,
                mine[which],
                truth[name],
            )


def check(got: dict[str, Any], text: str) -> None:
    """What the page works out for a setting against what the program says of the study it writes."""
    study = parse(text, "again")
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    reason = reason_of(ReducedModel(study.plates, study.steps), 1)
    squeeze = reason.load / study.plates["A"].land_area / step.grit.layer.stiffness
    assert got["beyond"] == ""
    close(got["way"]["reach"], look.overhang, 0.0, "overhang")
    close(got["lift"], look.lift_off_overhang, 0.0, "lift-off")
    close(0.08, look.tipping_overhang, 0.0, "tipping")
    close(got["mean"], look.pressure_mean, 0.0, "pressure in the middle")
    close(got["off"], look.removed, 0.0, "metal off")
    close(got["squeeze"], squeeze, 0.0, "squeeze")
    close(got["rate"], reason.removal, 0.0, "metal off in a second")
    if look.half_difference is not None:
        close(got["half"], look.half_difference, look.removed, "half difference")
    made = {
        name: {key: value / reason.removal for key, value in forms.items()}
        for name, forms in reason.forms(reason.made, NO_MARGIN).items()
    }
    same_forms(got["made"], made, reason, 1.0, "makes")
    left = reason.forms(reason.spectrum.residue, study.margin)
    same_forms(got["left"], left, reason, squeeze, "the layer leaves")
    named = {error.name: error for error in reason.named}
    for name in ERRORS:
        error = named[name]
        stays = error.half_life is None or error.stays >= STAYS
        assert stays == (got["errors"][name] is None), (name, error.stays, got["errors"][name])
        if not stays:
            close(got["errors"][name], error.half_life * reason.removal, 0.0, name)
    bears(got, study)


def bears(got: dict[str, Any], study: Study) -> None:
    """How flat faces bear where the top is farthest out."""
    step = replace(study.steps[0], load=study.steps[0].load)
    flat = {n: replace(p, form=StartForm(), cells=CELLS) for n, p in study.plates.items()}
    found = bearing(flat, step, phase=got["way"]["out"] % (2.0 * np.pi), number=1)
    assert found.overhang == pytest.approx(got["way"]["reach"], rel=1e-5)
    close(got["pressed"], found.pressure_mean, 0.0, "mean pressure farthest out")
    close(got["peak"], found.pressure_peak, 0.0, "highest pressure farthest out")
    close(got["share"], found.contact_share, 0.0, "share that bears")


def asked(
    kind: str, wanted: list[dict[str, Any]], folder: Path, units: str = "metric"
) -> Iterator[Any]:
    """What the page answers to settings of the hand."""
    script = ASK.replace("HANDS", json.dumps(wanted))
    seen = tried(page_of(kind, units), folder, script=script)
    assert seen["faults"] == []
    return iter(seen["seen"])


@pytest.mark.campaign
@in_browser
def test_numbers_and_study_agree_with_the_program(tmp_path: Path) -> None:
    wanted = hands("line", 3, seed=1)
    wanted[0] |= {"how": "none", "direction": 30.0}
    wanted[1] |= {"how": "turning", "turn": 8.0}
    wanted[2] |= {"how": "quarter", "every": 10}
    for one in asked("line", wanted, tmp_path):
        check(one["got"], one["text"])


@in_browser
@pytest.mark.long
@pytest.mark.parametrize("kind", ["figure-eight", "line", "ellipse", "circle"])
def test_fifty_settings_agree_with_the_program(tmp_path: Path, kind: str) -> None:
    wanted = hands(kind, 13, seed=17)
    for hand, one in zip(wanted, asked(kind, wanted, tmp_path), strict=True):
        try:
            check(one["got"], one["text"])
        except AssertionError as wrong:
            raise AssertionError(f"{kind} {hand}: {wrong}") from wrong


@pytest.mark.campaign
@in_browser
def test_every_control_moves_the_page_and_nothing_is_asked_for(tmp_path: Path) -> None:
    """Sliders, keys on the marks, turning, writing: what stands there follows in one frame, on a phone as well."""
    page = page_of("line").replace("<head>", f"<head>{FRAMES}", 1)
    seen = tried(page, tmp_path, "--window-size=500,900", script=HANDLE)
    assert seen["faults"] == []
    assert seen["requests"] == []
    assert seen["held"] <= 500
    for name, (before, after) in seen["moved"].items():
        assert before != after, f"{name} moves nothing"
    assert 'kind = "line", length = "' in seen["text"]
    assert parse(seen["text"], "again").steps[0].load.force == seen["force"]
    assert seen["beyond"], "a stroke longer than the table is told"
    assert seen["tips"].startswith("A tips off")


@pytest.mark.campaign
@in_browser
def test_inch_studies_are_written_in_inches(tmp_path: Path) -> None:
    wanted = [
        {"length": 0.0508, "direction": 12.0, "how": "half", "every": 3, "force": 22.24110808}
    ]
    (one,) = asked("line", wanted, tmp_path, "inch")
    assert 'length = "2 in", direction = "12 deg"' in one["text"]
    assert 'load = "5 lb"' in one["text"]
    assert "# below" in one["text"], "comments stay"
    check(one["got"], one["text"])


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ({'disc = "160 mm"': 'ring = ["160 mm", "80 mm"]'}, "A is a ring"),
        ({'disc = "160 mm"': 'rectangle = ["300 mm", "50 mm"]'}, "A is a rectangle"),
        ({'thickness = "30 mm",': 'thickness = "30 mm", grooves = { pattern = "square", pitch = "12 mm", width = "2 mm" },'}, "A has grooves"),
        ({'{ like = "A" }': '{ disc = "200 mm", thickness = "30 mm" }'}, "not the same size"),
        ({'{ like = "A" }': '{ like = "A", material = "bronze" }'}, "do not wear alike"),
        ({'{ like = "A" }': '{ like = "A", supports = "three feet at 0.7 R" }'}, "B stands on feet"),
        ({"time =": 'walk = "3 deg per stroke"\ntime ='}, "you walk round"),
        ({"time =": 'turn_bottom = "3 deg per stroke"\ntime ='}, "you walk round"),
        ({'travel = "1/3"': 'travel = "1/3", centre = ["5 mm", "0 mm"]'}, "set over from the middle"),
        ({"time =": 'turn = "45 deg every 10 strokes"\ntime ='}, "45 deg every 10 strokes"),
        ({"time =": 'load = "10 N"\nload_at = { x = "5 mm", y = "0 mm" }\ntime ='}, "beside the middle"),
        ({'kind = "line"': 'kind = "zigzag"'}, "a zigzag is none"),
        ({"time =": 'liquid = "flooded with light oil"\ntime ='}, "the liquid carries"),
    ],
)  # fmt: skip
def test_what_goes_beyond_the_page_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], change: dict[str, str], why: str
) -> None:
    text = STUDY.format(kind="line", units="metric")
    for old, new in change.items():
        assert old in text
        text = text.replace(old, new)
    study = tmp_path / "other.toml"
    study.write_text(text.partition("[sweep]")[0])
    place = tmp_path / "other.html"
    assert main(["why", "--page", str(study), "--out", str(place)]) == 1
    told = capsys.readouterr().err
    assert "not from here: " in told
    assert why in told
    assert not place.exists()


@pytest.mark.campaign
def test_one_step_of_two_is_played_and_the_page_is_not_written_over(tmp_path: Path, capsys) -> None:
    text = STUDY.format(kind="line", units="metric").partition("[sweep]")[0]
    more = '[[steps]]\ntop = "B"\nbottom = "A"\ngrit = "5 um"\nwalk = "2 deg per stroke"\ntime = "10 min"\n'
    study = tmp_path / "two <b>.toml"
    study.write_text(text + more)
    place = tmp_path / "two.html"
    words = ["why", "--page", str(study), "--out", str(place), "--json"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert [step["why_not"] is None for step in told["steps"]] == [True, False]
    sheet = walked(place.read_text("utf-8"))
    assert sheet.faults == []
    assert len(set(sheet.ids)) == len(sheet.ids)
    assert "Step 2: B on A: not from here. You walk round" in " ".join(sheet.seen)
    assert not [a for a in sheet.addresses if not a.startswith(("#", "data:"))]
    assert main(words) == 2
    assert "add --force" in json.loads(capsys.readouterr().out)["error"]["message"]


def test_the_page_in_docs_is_of_this_program() -> None:
    """Its script and the steps it begins with; of its table one row, worked out anew."""
    script = runpy.run_path(str(DOCS / "make_play_page.py"))
    text = script["PAGE"].read_text("utf-8")
    assert len(text) < 150_000
    assert (TEMPLATES / "play.js").read_text("utf-8").rstrip() in text
    found = re.search(r'<script type="application/json" id="play-data">(.*?)</script>', text)
    assert found is not None
    data, strokes = json.loads(found[1]), script["strokes"]()
    for own, stroke in zip(data["steps"], strokes, strict=True):
        now = {**step_data(stroke), "chart": 0}
        assert now.keys() == own.keys()
        for key, value in own.items():  # shares of time add up in another order elsewhere
            assert now[key] == (pytest.approx(value, rel=1e-9) if type(value) is float else value)
    axes, plate = data["charts"][0]["axes"], strokes[0].study.plates["A"]
    length, width = axes["length"][2], axes["width"][3]
    radius = plate.outline.radius
    curve = curve_of("figure-eight", length * radius, width * length * radius)
    row = row_of(assembled(plate, curve, 0.0), curve, strokes[0].study.margin)
    kept = data["charts"][0]["rows"]["none"][2 * len(axes["width"]) + 3]
    assert [v is None for v in kept] == [v is None for v in row]
    pairs = [(mine, now) for mine, now in zip(kept, row, strict=True) if now is not None]
    assert [mine for mine, _ in pairs] == pytest.approx(
        [now for _, now in pairs], rel=1e-3, abs=1e-6
    )
