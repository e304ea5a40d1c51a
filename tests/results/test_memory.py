"""Memory of a run: fine maps are held once, and what is worked out from them is let go."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

import lapwright.integration.loop as loop
from lapwright.contact.average import Pair
from lapwright.modal import basis
from lapwright.presentation.run_view import SHOWN, coarser, run_view
from lapwright.results.recorder import lapped
from lapwright.specification.outline import Disc
from lapwright.specification.plate import Plate, Ripple, StartForm
from lapwright.study.read import parse

# Plates that change places, two grits: four pairs of one kind of plate.
SWAPPED = """
plates.A = {{ disc = "160 mm", thickness = "30 mm", form = {{ dome = "3 um" }}, cells = {cells} }}
plates.B = {{ like = "A", form = {{ dish = "1 um" }} }}
steps = [
  {{ top = "A", bottom = "B", grit = "15 um", swap_every = "{swap} min", time = "{time} min" }},
  {{ top = "B", bottom = "A", grit = "5 um", swap_every = "{swap} min", time = "{time} min" }},
]
"""


def test_pairs_of_one_kind_of_plate_share_what_is_worked_out_of_their_lands(monkeypatch) -> None:
    """One face that lies up and one that is turned over, however often they change places."""
    made: list[Pair] = []

    def noted(*given, **named) -> Pair:
        made.append(Pair(*given, **named))
        return made[-1]

    monkeypatch.setattr(loop, "Pair", noted)
    lapped(parse(SWAPPED.format(cells=24, swap=1, time=2), "swapped"))
    assert len(made) == 4
    assert len({id(pair.laid_bottom) for pair in made}) == 1
    assert len({id(pair.laid_tops[0]) for pair in made}) == 1


@pytest.mark.parametrize("kind", ["disc", "grooved"])
def test_shapes_over_pieces_of_a_face_fit_as_over_the_whole(monkeypatch, kind: str) -> None:
    """Sums do not hang on how they are parted, but for round-off."""
    form = StartForm(sphere=3e-6, twist=1e-6, ripple=Ripple(1e-6))
    plate = Plate(Disc(0.16), mass=1.0, cells=96, name="P", form=form)
    if kind == "grooved":
        plate = replace(plate, grooves={"pattern": "square", "pitch": 0.02, "width": 0.004})
    whole = basis.Basis(plate, 6, basis.basis_of(plate, 6).mix)
    want = whole.project(plate.heights())
    monkeypatch.setattr(basis, "AT_ONCE", 1000)
    parted = basis.Basis(plate, 6, whole.mix)
    assert len(list(parted._pieces())) > 5
    assert parted.project(plate.heights()) == pytest.approx(want, abs=1e-15)
    assert parted.surface(want) == pytest.approx(whole.surface(want), abs=1e-15)


@pytest.mark.campaign
def test_pictures_are_of_no_more_cells_than_show() -> None:
    """Means over larger cells keep the volume and the form, here of a dome whose rise is known."""
    text = SWAPPED.format(cells=2 * SHOWN, swap=1, time=1).replace('time = "1 min"', "strokes = 1")
    view = run_view(lapped(parse(text, "fine")))
    few = coarser(view)
    for fine, face in zip(view.faces, few.faces, strict=True):
        assert max(face.record.land.shape) == SHOWN
        assert face.record.land.mean() == pytest.approx(fine.record.land.mean(), rel=1e-9)
        last, land = face.record.frames[-1], face.record.land
        assert (last * land).mean() == pytest.approx(
            (fine.record.frames[-1] * fine.record.land).mean(), rel=1e-9
        )
    dome = few.faces[0].record.frames[0]
    middle, beside = dome[SHOWN // 2, SHOWN // 2], dome[SHOWN // 2, SHOWN // 4]
    # A dome of 3 um at the rim of a sphere: a quarter of it at half the radius (closed form).
    assert middle - beside == pytest.approx(0.25 * 3e-6, rel=0.03)
    assert coarser(few) is few


def peak_of(words: list[str], place: Path) -> float:
    """Most memory of a command [bytes]."""
    ran = (
        "import resource, subprocess, sys;"
        "subprocess.run(sys.argv[1:], check=True, stdout=subprocess.DEVNULL);"
        "print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)"
    )
    told = subprocess.run(
        [sys.executable, "-c", ran, sys.executable, "-m", "lapwright", *words],
        cwd=place, check=True, capture_output=True, text=True,
    )  # fmt: skip
    return 1024.0 * int(told.stdout.split()[-1])


@pytest.mark.long
def test_a_run_takes_no_more_than_one_and_a_half_times_its_file(tmp_path: Path) -> None:
    """Beside what the same run takes on 24 cells: the libraries, the kernels and the page."""
    peaks = {}
    for cells in (24, 512):
        text = SWAPPED.format(cells=cells, swap=2, time=40)
        (tmp_path / f"p{cells}.toml").write_text(text)
        peaks[cells] = peak_of(["run", f"p{cells}.toml"], tmp_path)
    file = (tmp_path / "p512-run/run.h5").stat().st_size
    assert file > 150e6
    assert peaks[512] - peaks[24] <= 1.5 * file
