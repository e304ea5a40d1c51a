"""What a run is: the records of its plates, its history, how the top bore; as a run file holds them."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar, dataclass_transform

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CannotDoError, CommandError
from lapwright.kinematics.schedule import last_grit
from lapwright.limits import limit_of
from lapwright.metrology.form import FORMS, SPOKEN, EdgeMargin, Form, measure
from lapwright.metrology.thickness import THICKNESS
from lapwright.results.answer import Answer
from lapwright.specification.plate import Plate
from lapwright.specification.said import Constructed

if TYPE_CHECKING:
    import pandas
    import xarray
    from matplotlib.axes import Axes

    from lapwright.results.batch import BatchRecord
    from lapwright.results.layer_band import Bands
    from lapwright.study.model import Study

Array = NDArray[np.float64]
T = TypeVar("T")

FORM_KEYS = tuple(FORMS)
SHAPES = SPOKEN  # the forms that the engine knows its error of


class Column(NamedTuple):
    """How a field of a record stands in a run file: a dataset with its unit, and `what` it is in words.

    `shape`: along what, by name; `kind`: "finite" numbers, "array" where some may be missing (nan), whole
    numbers ("counts") or "names".  `late`: a file of before it was kept has none.
    """

    unit: str
    what: str
    shape: tuple[str, ...] = ()
    kind: str = "finite"
    late: bool = False

    def data(self, values: Any) -> Any:
        """Values as a record holds them: names, or an array."""
        if self.kind == "names":
            return tuple(values)
        return np.asarray(values, np.int64 if self.kind == "counts" else np.float64)


def forms_of(plate: Plate, heights: Array, margin: EdgeMargin) -> dict[str, float]:
    """All form measures of a face [m], nan where the form is not spoken of."""
    said = measure(plate, heights, margin).as_dict()
    values = {key: said.get(key) for key in FORM_KEYS}
    return {key: np.nan if value is None else float(value) for key, value in values.items()}


def column(
    unit: str,
    what: str,
    *shape: str,
    kind: str = "finite",
    default_factory: Callable[[], Any] | None = None,
) -> Any:
    """A field that a run file holds: one line says it, and it is written and read.

    `default_factory` makes what a file of before it was kept has in its place.
    """
    how = {"column": Column(unit, what, shape, kind, default_factory is not None)}
    if default_factory is None:
        return field(metadata=how)
    return field(metadata=how, default_factory=default_factory)


def unkept() -> Array:
    """What a file of before a column was kept has of it."""
    return np.zeros(0)


@dataclass_transform(frozen_default=True, field_specifiers=(column, field))
def recorded(of: type[T]) -> type[T]:
    """Frozen data with fields that a run file holds."""
    return dataclass(frozen=True)(of)


def columns(of: type) -> dict[str, Column]:
    """The fields of a record that a run file holds, in their order."""
    found = {one.name: one.metadata.get("column") for one in fields(of)}
    return {name: one for name, one in found.items() if one is not None}


@dataclass(frozen=True)
class Face:
    """A face, looking at it: heights `z` (ny, nx) [m], + proud, nan where no land is.

    `x` (nx,), `y` (ny,) cell centres [m]; `land` (ny, nx) share of each cell that is land.
    """

    x: Array
    y: Array
    z: Array
    land: Array


@recorded
class PlateRecord:
    """What became of one plate; maps as looking at the face, row 0 at 6 o'clock, column 0 at 9.

    `land` share of each cell (ny, nx); `x` (nx,) and `y` (ny,) cell centres [m]; `frames` (k, ny, nx) [m]
    saved heights, the first the start, the last the end, at `frame_time` (k,) [s]; `worn` (ny, nx) [m]
    depth lost from start to end; `pressure_speed` (ny, nx) [Pa m/s] mean over the last block of strokes.
    `forms`: by name (m,) [m] inside the edge margin `margin` [m], `forms_margin0` with no margin, nan where
    the form is not spoken of; `removed` (m,) [m] mean depth lost; m as in `Run`.
    `error`: by the names in SHAPES (m,) [m] how far each form may be off by the program's own doing, nan
    where that is not known; empty of a file that was written before it was kept, as are `thickness`, `wedge`,
    `parallelism` [m] and `wedge_at` [rad] (m,), of which `lapwright.metrology.thickness` tells.
    """

    name: str
    outline_text: str
    x: Array = column("m", "cell centres, 9 to 3 o'clock, looking at the face", "x")
    y: Array = column("m", "cell centres, 6 to 12 o'clock, looking at the face", "y")
    land: Array = column("1", "share of the cell that is land", "y", "x")
    frame_time: Array = column("s", "time rubbed when a height map was saved", "frame")
    frames: Array = column(
        "m", "height maps, + proud; first the start, last the end", "frame", "y", "x"
    )
    worn: Array = column("m", "depth lost from start to end", "y", "x")
    pressure_speed: Array = column("Pa m/s", "mean pressure times speed, last block", "y", "x")
    margin: float = column("m", "edge margin left out of the forms")
    removed: Array = column("m", "mean depth of land lost, along the history", "entry")
    forms: Mapping[str, Array]
    forms_margin0: Mapping[str, Array]
    error: Mapping[str, Array] = field(default_factory=dict)
    thickness: Array = column(
        "m", THICKNESS["thickness"], "entry", kind="array", default_factory=unkept
    )
    wedge: Array = column("m", THICKNESS["wedge"], "entry", kind="array", default_factory=unkept)
    wedge_at: Array = column(
        "rad", THICKNESS["wedge_at"], "entry", kind="array", default_factory=unkept
    )
    parallelism: Array = column(
        "m", THICKNESS["parallelism"], "entry", kind="array", default_factory=unkept
    )

    @property
    def form(self) -> Form:
        """The form at the end, inside the edge margin [m]; None where it is not spoken of."""
        last = {name: float(values[-1]) for name, values in self.forms.items()}
        return Form(**{name: value if np.isfinite(value) else None for name, value in last.items()})

    @property
    def face(self) -> Face:
        """The face at the end."""
        z = np.where(self.land > 0.0, self.frames[-1], np.nan)
        z.setflags(write=False)
        return Face(self.x, self.y, z, self.land)

    def numbers(self, i: int) -> dict[str, Any]:
        """Forms at an entry of the history, how far each may be off, the depth removed, and the thickness.

        Parameters
        ----------
        i : int
            Its place in the history.

        Returns
        -------
        dict
            By name [m]; where it is thick [rad].

        """
        forms = {key: float(self.forms[key][i]) for key in FORM_KEYS}
        off = {"removed": float(self.removed[i]), "error": self.errors(i)}
        return forms | off | self.thick(i)

    def thick(self, i: int) -> dict[str, float]:
        """Thickness, wedge, where it is thick, and parallelism at an entry of the history.

        Parameters
        ----------
        i : int
            Its place in the history.

        Returns
        -------
        dict
            By name [m], [rad]; nan where it is not known.

        """
        along = {key: getattr(self, key) for key in THICKNESS}
        return {key: float(values[i]) if values.size else np.nan for key, values in along.items()}

    def errors(self, i: int) -> dict[str, float]:
        """How far each form may be off at entry `i` of the history [m]; nan where that is not known.

        Parameters
        ----------
        i : int
            Entry of the history.

        Returns
        -------
        dict
            [m] by name of the form.

        """
        return {key: float(self.error[key][i]) if key in self.error else np.nan for key in SHAPES}


@recorded
class BearingRecord:
    """How the top bore at the end of the run, at one place of the stroke.

    `name` "middle" or "full overhang"; `phase`, `theta` [rad]; `c` (2,) [m] where the top's centre was;
    `pressure` (ny, nx) on the bottom's grid [Pa]; `peak`, `mean` [Pa]; `contact_share` of the overlap.
    """

    step: int = column("1", "step of the study, from 1", kind="counts")
    name: str
    phase: float = column("rad", "place in the stroke")
    theta: float = column("rad", "turn of the top on the bench")
    c: Array = column("m", "centre of the top on the bench", "xy")
    pressure: Array = column("Pa", "pressure on the bottom plate's cells", "y", "x")
    peak: float = column("Pa", "highest pressure")
    mean: float = column("Pa", "load over the land in overlap")
    contact_share: float = column("1", "loaded share of the overlap")
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


@recorded
class Run(Answer, metaclass=Constructed):
    """A whole run, its history along m entries.

    Along the history go `step`, `round`, `time` [s] rubbed, who lay where (`top`, `bottom`), the `event`
    ("start", "block", "fresh grit", "swap", "step"), `lift_share` and `scale_error`.  `wall_time` [s] is
    how long the computer took, the only thing that differs when the same run is made again.  `fine`: what a
    second, finer lapping came to, where one was asked for.  `planned`: what was worked out to lap next, as
    `lapwright.optimisation.kept_plan` spells it, empty where nothing was.  `study` is what was lapped, every
    default as it was then; nothing asks its text again.  `batch`: what became of each part, where parts were
    lapped one load after another; `plates` then tell of the parts of the last load.
    """

    schema: int
    program: str
    versions: Mapping[str, str]
    outcome: str
    study: Study
    plates: Mapping[str, PlateRecord]
    step: NDArray[np.int64] = column("1", "step of the study, from 1", "entry", kind="counts")
    round: NDArray[np.int64] = column(
        "1", "round through the steps, from 1", "entry", kind="counts"
    )
    time: Array = column("s", "time rubbed since the run began", "entry")
    top: tuple[str, ...] = column("1", "plate that lies on top", "entry", kind="names")
    bottom: tuple[str, ...] = column("1", "plate that lies below", "entry", kind="names")
    event: tuple[str, ...] = column("1", "what happened", "entry", kind="names")
    lift_share: Array = column("1", "share of places where part lifts", "entry", kind="array")
    scale_error: Array = column("1", "largest error of the gathered load", "entry", kind="array")
    bearings: tuple[BearingRecord, ...]
    wall_time: float
    fine: Fine | None = None
    planned: str = ""
    batch: BatchRecord | None = None

    # What a person with Python asks of a run; the program itself goes the long way round.

    @classmethod
    def read(cls, path: str | Path) -> Run:
        """Read a run file.

        Parameters
        ----------
        path : path
            Such as run.h5.

        Returns
        -------
        Run
            Whole, in memory.

        Raises
        ------
        RunFileError
            No such file, or truncated, foreign or of another schema.

        """
        from lapwright.results.runfile import read_run

        return read_run(path)

    def write(self, path: str | Path) -> None:
        """Write a run file (HDF5) in one move, over what is there.

        Parameters
        ----------
        path : path
            Such as run.h5.

        Raises
        ------
        CannotDoError
            When it cannot be written.

        """
        from lapwright.results.runfile import write_run

        write_run(self, path)

    def write_report(self, folder: str | Path) -> Path:
        """Write run.h5, report.html and its pictures into a folder, made if need be; gives the page.

        Parameters
        ----------
        folder : path
            Made if need be.

        Returns
        -------
        Path
            The page.

        Raises
        ------
        CannotDoError
            When the folder cannot be written.

        """
        from lapwright.files import make_folder
        from lapwright.presentation.page import write_page

        make_folder(Path(folder))
        self.write(Path(folder) / "run.h5")
        return write_page(self, Path(folder))

    def form(self, plate: str, name: str) -> float:
        """A form of a plate at the end, inside the edge margin [m], by a name in FORM_KEYS.

        Parameters
        ----------
        plate : str
            Name of a plate.
        name : str
            Such as "sphere".

        Returns
        -------
        float
            [m]; nan where it is not spoken of.

        Raises
        ------
        CommandError
            No such plate, or no such form.

        """
        forms = self._plate(plate).forms
        if name not in forms:
            raise CommandError(f"there is no form {name}: there is {', '.join(forms)}", key="form")
        return float(forms[name][-1])

    @property
    def study_text(self) -> str:
        """The study file, verbatim; empty of a study that was made in Python."""
        return self.study.text

    @property
    def study_stem(self) -> str:
        """The name of the study file without folder and ending."""
        return self.study.stem

    def __repr__(self) -> str:
        plates = ", ".join(self.plates)
        return (
            f"<Run of {self.study_stem}: {self.outcome}, {len(self.time)} entries, plates {plates}>"
        )

    @cached_property
    def layer_bands(self) -> Bands:
        """By plate and form from where to where it may lie [m], as the grit layer gives less or more."""
        from lapwright.results.layer_band import layer_bands

        return layer_bands(self)

    def _plate(self, name: str) -> PlateRecord:
        if name not in self.plates:
            raise CommandError(
                f"there is no plate {name}: there is {', '.join(self.plates)}", key="plate"
            )
        return self.plates[name]

    @property
    def faces(self) -> dict[str, Face]:
        """The faces at the end, by plate."""
        return {name: record.face for name, record in self.plates.items()}

    @property
    def history(self) -> dict[str, NDArray[Any]]:
        """Along the run (m,): "time" [s], "step", "round", and "PLATE.FORM" and "PLATE.removed" [m]."""
        along: dict[str, NDArray[Any]] = {"time": self.time, "step": self.step, "round": self.round}
        for plate, record in self.plates.items():
            along |= {f"{plate}.{name}": values for name, values in record.forms.items()}
            along[f"{plate}.removed"] = record.removed
        return along

    def told(self) -> Mapping[str, Any]:
        """As `lapwright run --json` has it, SI throughout.

        Returns
        -------
        mapping
            Numbers and text by key.

        """
        from lapwright.results.findings import as_json, noticed

        answer = {
            "study": self.study_stem,
            "outcome": self.outcome,
            "plates": {
                name: {
                    **record.numbers(-1),
                    "edge_margin": record.margin,
                    "margin0": {key: record.forms_margin0[key][-1] for key in FORM_KEYS},
                    "as_read": self.as_read(name),
                    "by_layer": self.layer_bands.get(name, {}),
                }
                for name, record in self.plates.items()
            },
            "findings": [as_json(one) for one in noticed(self, self.study)],
            "history": [self._entry(i) for i in range(len(self.time))],
        }
        if self.batch is not None:
            from lapwright.results.batch import as_json as batch_json

            answer["batch"] = batch_json(self.batch, self.study)
        if (begun := self.study.start) is not None:
            keys = ("run", "plates", "time", "digest")
            answer["start"] = {key: getattr(begun, key) for key in keys}
        return answer if self.fine is None else {**answer, "fine": self._finer(self.fine)}

    def as_read(self, name: str, frame: int = -1) -> dict[str, float | None] | None:
        """Forms as a plate is read on its feet, inside the edge margin.

        Parameters
        ----------
        name : str
            Of the plate.
        frame : int
            Which of the maps that were saved; the last one is that of the end.

        Returns
        -------
        dict or None
            By name [m]; None where it lies on a flat bed, and is read as it is.

        """
        plate = self.study.plates[name]
        if plate.feet is None:
            return None
        from lapwright.metrology.bending import as_read

        lies = as_read(plate, self.plates[name].frames[frame])
        found = measure(plate, lies, self.study.margin)
        return {key: getattr(found, key) for key in FORM_KEYS}

    def _entry(self, i: int) -> dict[str, Any]:
        return {
            "step": int(self.step[i]),
            "round": int(self.round[i]),
            "time": float(self.time[i]),
            "event": self.event[i],
            "removed": sum(float(p.removed[i]) for p in self.plates.values()) / len(self.plates),
            "top": self.top[i],
            "bottom": self.bottom[i],
            "plates": {name: record.numbers(i) for name, record in self.plates.items()},
        }

    def _finer(self, fine: Fine) -> dict[str, Any]:
        """What a second, finer lapping came to; of one that tipped no forms are known."""
        plates = {}
        for name, forms in fine.forms.items():
            usual = self.plates[name].numbers(-1)
            finer = {**{key: forms[key] for key in FORM_KEYS}, "removed": fine.removed[name]}
            plates[name] = {
                key: {"value": value, "moved": value - usual[key]} for key, value in finer.items()
            }
        return {"outcome": fine.outcome, "time": fine.time, "plates": plates}

    def lines(self, whole: bool = False) -> Iterable[str]:
        """What `lapwright run` says of it.

        Parameters
        ----------
        whole : bool
            All of it, as `run --all` has it; else in a dozen lines.

        Returns
        -------
        iterable of str
            Line by line.

        """
        from lapwright.presentation.account import in_words, lapped

        return in_words(self) if whole else lapped(self)

    def plot_faces(self, ax: Axes | None = None, plate: str | None = None) -> Axes:
        """Draw the faces before and after as the page shows them, or one face at the end.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where one face is drawn; without it all are, on a figure of their own.
        plate : str, optional
            Whose face goes into `ax`; the first, unless it is said.

        Returns
        -------
        matplotlib.axes.Axes
            What was given, or the first of the figure; `.figure.axes` are all of them.

        Raises
        ------
        CommandError
            No such plate.

        """
        from lapwright.presentation.pictures.faces import faces, one_face
        from lapwright.presentation.run_view import run_view

        if ax is None:
            return faces(run_view(self)).axes[0]
        return one_face(ax, run_view(self), self._plate(plate or next(iter(self.plates))).name)

    def plot_history(self, ax: Axes | None = None) -> Axes:
        """Draw the forms against the metal removed, as the page shows them.

        Parameters
        ----------
        ax : matplotlib.axes.Axes, optional
            Where the leading form is drawn; without it all are, on a figure of their own.

        Returns
        -------
        matplotlib.axes.Axes
            What was given, or the first of the figure; `.figure.axes` are all of them.

        Raises
        ------
        CommandError
            Nothing was lapped yet: there is no history to draw.

        """
        from lapwright.presentation.pictures.history import history, leading_panel
        from lapwright.presentation.run_view import run_view

        if len(self.time) < 2:
            raise CommandError("nothing was lapped yet: there is no history to draw", key="history")
        if ax is not None:
            return leading_panel(ax, run_view(self))
        figure = history(run_view(self))
        assert figure is not None
        return figure.axes[0]

    def to_dataframe(self) -> pandas.DataFrame:
        """The history as a table of pandas, one row an entry, columns as in `history`; SI.

        Returns
        -------
        pandas.DataFrame
            With who lay on top and what happened beside the numbers.

        Raises
        ------
        CannotDoError
            pandas is not installed.

        """
        beside = {
            "lift_share": self.lift_share,
            "top": self.top,
            "bottom": self.bottom,
            "event": self.event,
        }
        table: pandas.DataFrame = extra("pandas").DataFrame({**self.history, **beside})
        return table

    def to_xarray(self) -> xarray.Dataset:
        """Faces and history as a dataset of xarray, SI; each plate has axes of its own, such as "A.y", "A.x".

        Returns
        -------
        xarray.Dataset
            "A.z" [m], nan where no land is; "A.sphere" and the like along "entry".

        Raises
        ------
        CannotDoError
            xarray is not installed.

        """
        found: dict[str, Any] = {key: ("entry", values) for key, values in self.history.items()}
        places: dict[str, Any] = {}
        for name, face in self.faces.items():
            axes = (f"{name}.y", f"{name}.x")
            places |= dict(zip(axes, (face.y, face.x), strict=True))
            found |= {f"{name}.z": (axes, face.z), f"{name}.land": (axes, face.land)}
        dataset: xarray.Dataset = extra("xarray").Dataset(
            found, coords=places, attrs={"outcome": self.outcome}
        )
        return dataset


def extra(name: str) -> Any:
    """A library that lapwright does without."""
    try:
        return importlib.import_module(name)
    except ImportError:
        how = f"{name} is not installed: pip install 'lapwright[{name}]', or take run.history and run.faces"
        raise CannotDoError(how) from None


def grit_on(run: Run, name: str, at: int = -1) -> float | None:
    """Size of the grit [m] that was on a plate last, up to an entry of the history; None: none yet.

    Parts that are lapped together have been on the same.
    """
    batch = run.study.batch
    name = batch.part if batch is not None and name in batch.names else name
    numbers = run.step[1:][: at % max(len(run.step), 1)]
    return last_grit((run.study.steps[int(number) - 1] for number in numbers), name)


def best(sizes: Array, finish: float) -> int | None:
    """Place in a history (k,) where a size was least, if on the way and clearly less than at the end.

    `finish`, in its unit: below half of it nothing is clear.
    """
    if sizes.size < 3 or not np.isfinite(sizes).all():
        return None
    k = int(np.argmin(sizes))
    clear = max(limit_of("past its best") * sizes[k], sizes[k] + 0.5 * finish)
    return k if 0 < k < sizes.size - 1 and sizes[-1] > clear else None
