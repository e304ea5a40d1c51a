"""What is left of a part's size and wedge, told as what to do next, and where to press for it."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lapwright.commands.main import main
from lapwright.presentation import advice
from lapwright.presentation.advice import Advice, advise
from lapwright.presentation.run_view import run_view
from lapwright.results.gauge import GaugeAnswer, faces_of
from lapwright.results.recorder import lapped
from lapwright.specification.wedge import Wedge
from lapwright.study.read import load, parse
from lapwright.study.sizes import load_against

UM, MM = 1e-6, 1e-3
STUDY = """
title = "To size"
plates.table = { disc = "200 mm", thickness = "30 mm", cells = 32 }
[parts.ring]
ring = ["80 mm", "50 mm"]
thickness = "12.006 mm"
cells = 24
%s
[gauges.mic]
kind = "micrometer"
resolution = "0.5 um"
repeatability = "0.3 um"
[[steps]]
top = "ring"
bottom = "table"
grit = "15 um"
stroke = { kind = "circle", radius = "30 mm" }
load = "40 N"
load_at = { x = "-4.5 mm", y = "0 mm", fixed_to = "top" }   # for the wedge at 3
until = { thickness = "%s", wedge = "0.5 um" }
time = "%s"
"""
WEDGED = 'wedge = { by = "4 um", high = "%s" }  # as it came'


@pytest.mark.parametrize("degrees", [0.0, 90.0, 200.0])
def test_where_to_press_is_eccentric_compression(degrees: float) -> None:
    """A ring pressed e off its middle loses 8 e R/(R^2 + r^2) times as much more on that side.

    S. Timoshenko, Strength of Materials, 1930, from memory: R = 40 mm, r = 25 mm; face down 3 lies at 9.
    """
    study = parse(STUDY % (WEDGED % "3:00", "12.000 mm", "4 h"))
    ring, step, high = study.plates["ring"], study.steps[0], math.radians(degrees)
    at = load_against(Wedge(4 * UM, high), ring, step, 6 * UM)
    assert at is not None
    far = 4.0 / 6.0 * (1600.0 + 625.0) / (8.0 * 40.0) * MM * (40.0 + ring.weight) / 40.0
    assert math.hypot(*at) == pytest.approx(far, rel=0.01)  # of a land of cells
    assert math.atan2(at[1], -at[0]) == pytest.approx(math.remainder(high, math.tau), abs=1e-6)
    # Half the wedge must go at least where the part is thick, and nothing where it is thin.
    assert load_against(Wedge(4 * UM, high), ring, step, 1.9 * UM) is None


@pytest.mark.campaign
def test_a_wedge_that_is_left_is_what_comes_next(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever is said of the faces, for that alone `Stop here` would be wrong."""
    stop = Advice("stop", "Stop here: nothing brings them nearer.")
    monkeypatch.setattr(advice, "_of_forms", lambda pair: stop)
    run = lapped(parse(STUDY % (WEDGED % "9:00", "12.000 mm", "4 min")))
    then = advise(run_view(run))
    assert then is not None
    assert then.kind == "size"
    assert "Ring is still" in then.text
    assert "lap on to 12.000 mm" in then.text
    assert "thicker at 9 o'clock than opposite, and 0.50 um was asked" in then.text
    assert "off its middle, towards 3 o'clock seen from above" in then.text
    assert then.text.endswith("As to their form: stop here: nothing brings them nearer.")


def test_a_start_presses_where_the_wedge_is_now(tmp_path: Path) -> None:
    study, out = tmp_path / "ring.toml", tmp_path / "start.toml"
    study.write_text("# Thick at 3.\n" + STUDY % (WEDGED % "3:00", "12.000 mm", "4 h"))
    read = [("12.0030", 0), ("12.0060", 180), ("12.0045", 90), ("12.0045", 270)]
    words = [w for v, at in read for w in ("--reading", f"mic ring {v} mm @ {at} deg")]
    assert main(["gauge", str(study), "--start", str(out), *words]) == 0
    begun, text = load(out), out.read_text()
    (x, y), load_ = begun.steps[0].load.at, begun.steps[0].load
    assert x > 5 * MM
    assert abs(y) < 0.1 * MM
    assert load_.fixed_to == "top"
    assert "for the wedge at 3" not in text
    assert "as it came" not in text
    assert "was set for another wedge of ring" in text
    assert "form = {}" not in text
    # No wedge that shows any more: nothing is to be pressed out.
    out.unlink()
    words = [w for _, at in read for w in ("--reading", f"mic ring 12.0045 mm @ {at} deg")]
    assert main(["gauge", str(study), "--start", str(out), *words]) == 0
    assert load(out).steps[0].load.at == (0.0, 0.0)


@pytest.mark.parametrize(("deep", "wide"), [(0.0, 12), (2.0, 12), (-1.0, 20)])
def test_no_factor_is_told_for_a_face_worn_in_a_track(deep: float, wide: float) -> None:
    """Three feet see the spot between them: a factor to the whole holds for a sphere alone (geometry)."""
    study = parse(
        'plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "2 um" }, cells = 64 }\n'
        'plates.B = { like = "A" }\n[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "9 um"\ntime = "1 min"\n'
    )
    faces = faces_of(study)
    face = faces.maps["A"]
    far = np.hypot(*face.plate.grid.mesh())
    track = deep * UM * np.exp(-(((far - 55 * MM) / (wide * MM)) ** 2))
    faces = replace(faces, maps={**faces.maps, "A": replace(face, z=face.z - track)})
    told = " ".join(GaugeAnswer(study, faces, ["spherometer"], ["A"]).lines())
    told = " ".join(told.split())
    assert ("multiply by 4.0" in told) == (deep == 0.0)
    assert ("Read at more places" in told) == (deep != 0.0)
