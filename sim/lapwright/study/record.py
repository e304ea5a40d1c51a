"""What a run is: the records of its plates, its history, how the top bore; as a run file holds them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["FORM_KEYS", "SHAPES", "BearingRecord", "Fine", "PlateRecord", "Run"]

Array = NDArray[np.float64]

FORM_KEYS = {
    "sphere": "centre over rim (+ dome, - dish)",
    "saddle": "3-9 rim over 12-6 rim",
    "twist": "1:30-7:30 rim over 10:30-4:30 rim",
    "bow": "middle over the ends, along the longer side",
    "crown": "middle over the long edges, across",
    "wind": "one pair of corners over the other",
    "flatness": "width of the minimum zone",
    "flatness_ls": "peak to valley about the least-squares plane",
    "rms": "root mean square about the least-squares plane",
    "edge": "fall of the outermost 3 mm (+ fallen)",
}
SHAPES = ("sphere", "saddle", "twist", "bow", "crown", "wind")  # the forms that the engine knows its error of


@dataclass(frozen=True)
class PlateRecord:
    """What became of one plate; maps as looking at the face, row 0 at 6 o'clock, column 0 at 9.

    `land` share of each cell (ny, nx); `x` (nx,) and `y` (ny,) cell centres [m]; `frames` (k, ny, nx) [m]
    saved heights, the first the start, the last the end, at `frame_time` (k,) [s]; `worn` (ny, nx) [m]
    depth lost from start to end; `pressure_speed` (ny, nx) [Pa m/s] mean over the last block of strokes.
    `forms`: by name (m,) [m] inside the edge margin `margin` [m], `forms_margin0` with no margin, nan where
    the form is not spoken of; `removed` (m,) [m] mean depth lost; m as in `Run`.
    `error`: by the names in SHAPES (m,) [m] how far each form may be off by the program's own doing, nan
    where that is not known; empty of a file that was written before it was kept.
    """

    name: str
    outline_text: str
    land: Array
    x: Array
    y: Array
    frame_time: Array
    frames: Array
    worn: Array
    pressure_speed: Array
    margin: float
    forms: Mapping[str, Array]
    forms_margin0: Mapping[str, Array]
    removed: Array
    error: Mapping[str, Array] = field(default_factory=dict)

    def errors(self, i: int) -> dict[str, float]:
        """How far each form may be off at entry `i` of the history [m]; nan where that is not known."""
        return {key: float(self.error[key][i]) if key in self.error else np.nan for key in SHAPES}


@dataclass(frozen=True)
class BearingRecord:
    """How the top bore at the end of the run, at one place of the stroke.

    `name` "middle" or "full overhang"; `phase`, `theta` [rad]; `c` (2,) [m] where the top's centre was;
    `pressure` (ny, nx) on the bottom's grid [Pa]; `peak`, `mean` [Pa]; `contact_share` of the overlap.
    """

    step: int
    name: str
    phase: float
    theta: float
    c: Array
    pressure: Array
    peak: float
    mean: float
    contact_share: float
    bottom: str
    top: str


@dataclass(frozen=True)
class Fine:
    """The end of the same study lapped a second time: half the cell, twice the poses, half the blocks.

    `outcome` as of a run; `time` rubbed [s]; `forms` by plate and name [m] inside the margin, nan where the
    form is not spoken of; `removed` [m] mean depth lost.  Of one that tipped only the outcome is kept.
    """

    outcome: str
    time: float
    forms: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    removed: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, repr=False)
class Run:
    """A whole run, its history along m entries.

    Along the history go `step`, `round`, `time` [s] rubbed, who lay where (`top`, `bottom`), the `event`
    ("start", "block", "fresh grit", "swap", "step"), `lift_share` and `scale_error`.  `wall_time` [s] is
    how long the computer took, the only thing that differs when the same run is made again.  `fine`: what a
    second, finer lapping came to, where one was asked for.  `inputs`: digest of what was lapped
    (`lapwright.study.identity`).
    """

    schema: int
    program: str
    versions: Mapping[str, str]
    seed: int
    outcome: str
    study_text: str
    study_stem: str
    plates: Mapping[str, PlateRecord]
    step: NDArray[np.int64]
    round: NDArray[np.int64]
    time: Array
    top: tuple[str, ...]
    bottom: tuple[str, ...]
    event: tuple[str, ...]
    lift_share: Array
    scale_error: Array
    bearings: tuple[BearingRecord, ...]
    wall_time: float
    fine: Fine | None = None
    inputs: str = ""

    # What a person with Python asks of a run; the program itself goes the long way round.

    @classmethod
    def read(cls, path: str | Path) -> Run:
        """Read a run file.

        Raises
        ------
        RunFileError
            No such file, or truncated, foreign or of another schema.

        """
        from lapwright.study.runfile import read_run

        return read_run(path)

    def write(self, path: str | Path) -> None:
        """Write a run file (HDF5) in one move, over what is there.

        Raises
        ------
        CannotDoError
            When it cannot be written.

        """
        from lapwright.study.runfile import write_run

        write_run(self, path)

    def write_report(self, folder: str | Path) -> Path:
        """Write run.h5, report.html and its pictures into a folder, made if need be; gives the page.

        Raises
        ------
        CannotDoError
            When the folder cannot be written.

        """
        from lapwright.report.page import write_page
        from lapwright.study.safefile import make_folder

        make_folder(Path(folder))
        self.write(Path(folder) / "run.h5")
        return write_page(self, Path(folder))

    def form(self, plate: str, name: str) -> float:
        """A form of a plate at the end, inside the edge margin [m], by a name in FORM_KEYS.

        Raises
        ------
        CommandError
            No such plate, or no such form.

        """
        if plate not in self.plates:
            raise CommandError(f"there is no plate {plate}: there is {', '.join(self.plates)}", key="plate")
        forms = self.plates[plate].forms
        if name not in forms:
            raise CommandError(f"there is no form {name}: there is {', '.join(forms)}", key="form")
        return float(forms[name][-1])

    def __repr__(self) -> str:
        plates = ", ".join(self.plates)
        return f"<Run of {self.study_stem}: {self.outcome}, {len(self.time)} entries, plates {plates}>"

    @property
    def history(self) -> dict[str, NDArray[Any]]:
        """Along the run (m,): "time" [s], "step", "round", and "PLATE.FORM" and "PLATE.removed" [m]."""
        along: dict[str, NDArray[Any]] = {"time": self.time, "step": self.step, "round": self.round}
        for plate, record in self.plates.items():
            along |= {f"{plate}.{name}": values for name, values in record.forms.items()}
            along[f"{plate}.removed"] = record.removed
        return along

    def to_dict(self) -> dict[str, Any]:
        """The JSON of `lapwright run --json`."""
        from lapwright.results.answer import plain
        from lapwright.results.outcome import as_json

        found: dict[str, Any] = plain(as_json(self))
        return found

    def text(self) -> str:
        """What `lapwright run` says of it."""
        from lapwright.results.outcome import in_words

        return "\n".join(in_words(self))

    def plot_faces(self) -> list[Axes]:
        """Draw both faces as the page shows them, on a figure of their own; gives its axes."""
        from lapwright.report.account import account
        from lapwright.report.pictures.faces import faces

        return faces(account(self)).axes

    def plot_history(self) -> list[Axes]:
        """Draw the forms along the run as the page shows them; gives the axes, none for a single moment."""
        from lapwright.report.account import account
        from lapwright.report.pictures.history import history

        figure = history(account(self))
        return [] if figure is None else figure.axes
