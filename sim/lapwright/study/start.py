"""`start` of a study: plates that begin with the faces at the end of a run.

A face is taken over as it lay on the cells of the run, to the bit but for rounding; what has a name (dome,
twist and so on) is held as a size and the rest as a map, so that it is read between cells and laid on others.
"""

from __future__ import annotations

import hashlib
import math
import os
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import RunFileError
from lapwright.files import PART_FILE, RUN_FILE
from lapwright.integration.state import WENT_THROUGH
from lapwright.metrology.form import EdgeMargin
from lapwright.specification.plate import Measured, Plate, StartForm
from lapwright.specification.said import RefusedError, listed, nearest, shown
from lapwright.specification.table import Table
from lapwright.study.maps import Maps, parted

if TYPE_CHECKING:
    from lapwright.results.record import Run

__all__ = ["Ended", "Start", "begun", "placed", "run_text"]


Array = NDArray[np.float64]

HOW = (
    'start = "first-pair-run", or start = { run = "first-pair-run", A = "B" } (A begins as B ended)'
)
WHOLE = (*WENT_THROUGH, "tipped")
REMEMBERED = "run in memory "
AROUND = 8  # cells beside the land that are filled, for who lays the face on cells so many times as large


@dataclass(frozen=True, eq=False)
class Ended:
    """The faces at the end of a run.

    `plates`: what they were, flat, each on its own cells; `heights` (ny, nx) [m] of each; `title` of the
    study, `time` [s] rubbed, `outcome`; `digest` of all of them.
    """

    plates: Mapping[str, Plate]
    heights: Mapping[str, Array]
    title: str
    time: float
    outcome: str
    digest: str
    forms: dict[tuple[str, EdgeMargin], StartForm] = field(default_factory=dict, repr=False)

    def form(self, name: str, margin: EdgeMargin) -> StartForm:
        """A face as a plate begins with it: its named forms inside the margin as sizes, the rest as a map.

        Raises
        ------
        RefusedError
            Its heights cannot be a face's.

        """
        if (name, margin) not in self.forms:
            # Late: nearly every study has none of it.
            from lapwright.metrology.surface import TALLEST, around

            plate, heights = self.plates[name], self.heights[name]
            high = float(np.ptp(heights[plate.land > 0.0]))
            if not high <= TALLEST:
                raise RefusedError(
                    f"{name} ended with heights that differ by {high * 1e3:.3g} mm, and "
                    f"{TALLEST * 1e3:.0f} mm is the most: no lapping leaves that",
                    "range",
                )
            form = parted(plate, Measured(plate.grid, heights), margin)
            assert form.measured is not None
            rest = around(form.measured.heights, plate.land > 0.0, AROUND)
            self.forms[name, margin] = replace(form, measured=Measured(plate.grid, rest))
        return self.forms[name, margin]


@dataclass(frozen=True)
class Start:
    """Where a study's faces come from: the `run` as typed, whose study had that `title`.

    `plates`: which plate here began as which plate there ended, `time` [s] rubbed there, with that `outcome`;
    `digest` of its heights.
    """

    run: str
    plates: Mapping[str, str]
    title: str
    time: float
    outcome: str
    digest: str
    # Kept alive for who reads the study's text again; a study that is sent away goes without.
    faces: Ended | None = field(default=None, init=False, compare=False, repr=False)

    def __getstate__(self) -> dict[str, Any]:
        return {**self.__dict__, "faces": None}


# Runs of Python by the names that texts have for them, as long as a study begins with one, and a while.
MEMORY: WeakValueDictionary[str, Ended] = WeakValueDictionary()
RECENT: deque[Ended] = deque(maxlen=4)


def run_text(value: Any) -> Any:
    """What Python gave as `start`, as a text holds it: a run in memory by a name under which it is found."""
    from lapwright.results.record import Run

    if isinstance(value, Run):
        faces = _ended(value)
        name = f"{REMEMBERED}{faces.digest[:16]}"
        RECENT.append(MEMORY.setdefault(name, faces))
        return name
    if isinstance(value, Mapping):
        return {key: run_text(one) for key, one in value.items()}
    if isinstance(value, Path):
        return value.as_posix()
    if isinstance(value, Start):
        return {"run": value.run, **value.plates}
    return value


def placed(value: Any, folder: Path) -> Any:
    """`start` with the run found from anywhere."""
    if isinstance(value, str):
        return value if value in MEMORY else str((folder / value).resolve())
    if isinstance(value, Mapping) and "run" in value:
        return {**value, "run": placed(value["run"], folder)}
    return value


def begun(root: Table, plates: dict[str, Plate | None], maps: Maps) -> Start | None:
    """Give the plates the faces of the run that `start` names, and say which; None where it is at fault."""
    if not root.has("start"):
        return None
    root.known.add("start")
    if maps.folder is None:
        return None
    try:
        typed, pairs = _asked(root.data["start"])
        faces = _faces(maps.folder, typed)
        here = _matched(typed, pairs, faces, plates)
        for name, there in here.items():
            plate = plates[name]
            if plate is not None:
                _check_alike(root, name, plate, there, faces.plates[there])
                plates[name] = replace(plate, form=faces.form(there, maps.margin))
                _say(root, name, plate, there, faces)
    except RefusedError as trouble:
        root.fault("start", trouble.message, trouble.code)
        return None
    start = Start(typed, here, faces.title, faces.time, faces.outcome, faces.digest)
    object.__setattr__(start, "faces", faces)
    return start


def _asked(value: Any) -> tuple[str, Mapping[str, str]]:
    """The run, and which plates begin as which of it; none named: all of the same names."""
    run, pairs = value, dict[str, Any]()
    if isinstance(value, Mapping):
        pairs = {key: one for key, one in value.items() if key != "run"}
        run = value.get("run")
    if not isinstance(run, str) or not run.strip() or not run.isprintable():
        raise RefusedError(f"{shown(value)} names no run: write {HOW}", "type")
    for name, there in pairs.items():
        if not isinstance(there, str):
            raise RefusedError(f"{name}: {shown(there)} is no name of a plate: write {HOW}", "type")
    return run, pairs


def _faces(folder: Path, typed: str) -> Ended:
    if typed in MEMORY:
        return MEMORY[typed]
    if typed.startswith(REMEMBERED):
        raise RefusedError(
            "the run that this study began with was in memory and is gone: write it with "
            'run.write("first.h5"), and say start = "first.h5"',
            "file",
        )
    path = folder / typed
    if path.suffix.lower() == ".toml" and path.is_file():
        raise RefusedError(
            f"{shown(typed)} is a study: lap it first, and name the folder of its run", "file"
        )
    if path.is_dir():
        path = _in_folder(path, typed)
    try:
        info = path.stat()
    except (OSError, ValueError):
        raise RefusedError(
            f"there is no run {shown(typed)}: name its folder or run.h5, from the folder of the study",
            "file",
        ) from None
    try:
        return _read(os.path.abspath(path), (info.st_ino, info.st_size, info.st_mtime_ns))
    except RunFileError as trouble:
        raise RefusedError(trouble.message, "run_file") from None


def _in_folder(path: Path, typed: str) -> Path:
    if (path / RUN_FILE).exists():
        return path / RUN_FILE
    if (path / PART_FILE).exists():
        raise RefusedError(
            f"the run in {shown(typed)} was stopped: go on with it to its end first", "file"
        )
    raise RefusedError(
        f"there is no {RUN_FILE} in {shown(typed)}: name the folder of a run", "file"
    )


@lru_cache(maxsize=4)
def _read(path: str, stamp: tuple[int, int, int]) -> Ended:
    """Read a run file, once as long as its `stamp` is the same: a search reads its study often."""
    from lapwright.results.runfile import read_run

    run = read_run(path)
    if run.outcome not in WHOLE:
        raise RefusedError(
            f"{shown(Path(path).name)} is of a run that was stopped: go on to its end first", "file"
        )
    return _ended(run)


def _ended(run: Run) -> Ended:
    found = hashlib.sha256()
    plates, heights = {}, {}
    for name, record in run.plates.items():
        plates[name] = replace(run.study.plates[name], form=StartForm())
        heights[name] = np.where(record.land > 0.0, record.frames[-1], 0.0)
        found.update(f"{name!r} {heights[name].shape};".encode() + heights[name].tobytes())
    return Ended(
        plates, heights, run.study.title, float(run.time[-1]), run.outcome, found.hexdigest()
    )


def _matched(
    typed: str, pairs: Mapping[str, str], faces: Ended, plates: Mapping[str, Plate | None]
) -> dict[str, str]:
    """Which plate here begins as which plate there."""
    theirs = listed(list(faces.plates), "and")
    if not pairs:
        same = {name: name for name in plates if name in faces.plates}
        if not same:
            raise RefusedError(
                f"the run has plates {theirs}, and none of that name is here: rename yours, or write {HOW}",
                "name",
            )
        return same
    for name, there in pairs.items():
        if name not in plates:
            close = nearest(name, plates)
            hint = (
                f"did you mean {close}?"
                if close
                else f"plates here are {listed(list(plates), 'and')}"
            )
            raise RefusedError(f"there is no plate {shown(name)} in the study: {hint}", "name")
        if there not in faces.plates:
            raise RefusedError(
                f"there is no plate {shown(there)} in {shown(typed)}: it has {theirs}", "name"
            )
    twice = [there for there in pairs.values() if list(pairs.values()).count(there) > 1]
    if twice:
        both = listed([name for name, there in pairs.items() if there == twice[0]], "and")
        raise RefusedError(
            f"{both} cannot both begin as {twice[0]}: there is one plate {twice[0]}", "conflict"
        )
    return dict(pairs)


def _check_alike(root: Table, name: str, plate: Plate, there: str, theirs: Plate) -> None:
    if not _same(plate.outline, theirs.outline):
        ours, was = (_shape(root, one) for one in (plate, theirs))
        raise RefusedError(
            f"{name} is a {ours}, and {there} in the run was a {was}: the outline must be the same",
            "conflict",
        )
    if not _same(plate.grooves, theirs.grooves):
        raise RefusedError(
            f"the grooves of {name} are not those of {there} in the run: they must be the same",
            "conflict",
        )


def _same(one: Any, other: Any) -> bool:
    """Whether two records say the same; sizes typed in another unit may differ in their last bit."""
    if is_dataclass(one) and type(one) is type(other):
        return all(_same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, float | int) and isinstance(other, float | int):
        return math.isclose(one, other, rel_tol=1e-9)
    return bool(one == other)


def _shape(root: Table, plate: Plate) -> str:
    along, across = (root.faults.units.length(side, echo=True) for side in plate.outline.size)
    kind = type(plate.outline).__name__.lower()
    if plate.outline.bore > 0.0:
        return f"{kind} of {along}, bore {root.faults.units.length(plate.outline.bore, echo=True)}"
    return (
        f"{kind} of {along}"
        if along == across and kind == "disc"
        else f"{kind} of {along} x {across}"
    )


def _say(root: Table, name: str, plate: Plate, there: str, faces: Ended) -> None:
    """Say what was done to a face, where that is more than taking it over."""
    kind = "parts" if name in root.data.get("parts", {}) else "plates"
    cells = faces.plates[there].cells
    typed = root.data.get(kind, {}).get(name, {})
    if isinstance(typed, Mapping) and "form" in typed:
        root.assumed[f"{kind}.{name}.form"] = "that of the run, not what is typed"
    if cells != plate.cells:
        root.assumed[f"{kind}.{name}.face"] = f"from {cells} cells across laid on {plate.cells}"
