"""Faces that come from elsewhere: `form.map`, a height map from a file, and `start`, the end of a run.

A face of a run is taken over as it lay on the cells of the run, to the bit but for rounding; what has a name
(dome, twist and so on) is held as a size and the rest as a map, so that it is read between cells and laid on
others.
"""

from __future__ import annotations

import hashlib
import math
import os
import re
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, is_dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from weakref import WeakValueDictionary

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import CommandError, RunFileError, SurfaceFileError
from lapwright.files import PART_FILE, RUN_FILE
from lapwright.integration.state import WENT_THROUGH
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.metrology.surface import Surface
from lapwright.metrology.surface_files import Head, read_row, read_spacing, read_unit
from lapwright.metrology.thickness import thickness_of
from lapwright.specification.plate import Measured, Plate, StartForm
from lapwright.specification.quantities import ANGLE, quantity, read_place
from lapwright.specification.said import RefusedError, listed, meant, refused, shown
from lapwright.specification.table import Table, boolean
from lapwright.specification.wedge import Wedge
from lapwright.units import METRIC, NOTHING

if TYPE_CHECKING:
    from lapwright.metrology.surface import Laid
    from lapwright.results.record import Run

HOW_MAP = 'map = "A.x3p", or map = { file = "A.npy", spacing = "0.5 mm", unit = "um" }'
QUARTER = np.pi / 2.0

_angle = quantity(ANGLE, least="-360 deg", most="360 deg")


# Maps of studies that are made of objects, by the names of the files that `Study.write` makes of them.
# A name tells the content, so what stands here can never be out of date.
_HELD: dict[str, Surface] = {}
_HELD_NAME = re.compile(r"face-[0-9a-f]{16}\.x3p")


def held(measured: Measured) -> str:
    """The name of a face that is in memory only, under which a study finds it."""
    cell = measured.grid.cell
    digest = hashlib.sha256(f"{measured.digest} {cell!r}".encode()).hexdigest()[:16]
    _HELD[f"face-{digest}.x3p"] = Surface(measured.heights, cell, cell)
    return f"face-{digest}.x3p"


def held_in(text: str) -> dict[str, Surface]:
    """The maps in memory that the text of a study names."""
    return {name: _HELD[name] for name in _HELD_NAME.findall(text) if name in _HELD}


@dataclass(frozen=True)
class Asked:
    """What a study says of a map.

    `mirrored`: the instrument saw the face from behind, 9 and 3 o'clock changed; then the map is turned by
    `quarters` of a turn anticlockwise, and its middle laid `at` a place of the plate [m].
    """

    file: str
    head: Head = field(default_factory=Head)
    mirrored: bool = False
    quarters: int = 0
    at: tuple[float, float] = (0.0, 0.0)


def asked_of(form: Table) -> Asked | None:
    """What `map` says; None when it is left out or at fault (which is noted)."""
    value = form.data.get("map")
    if not isinstance(value, dict):
        file = form.take("map", _file)
        return None if file is None else Asked(file)
    table = form.table("map", HOW_MAP)
    assert table is not None
    file = table.need("file", _file, 'file = "A.x3p"')
    spacing = table.take("spacing", read_spacing)
    unit = table.take("unit", read_unit)
    row = table.take("first_row", read_row)
    mirrored = table.take("mirrored", boolean)
    quarters = table.take("angle", _quarters)
    at = table.take("at", read_place)
    table.done()
    if file is None or table.faults.found:
        return None
    return Asked(file, Head(unit, spacing, row), bool(mirrored), quarters or 0, at or (0.0, 0.0))


def _file(value: Any) -> str:
    if not isinstance(value, str) or not value.strip() or not value.isprintable():
        raise refused(value, f"is no name of a file: write {HOW_MAP}", "type")
    return value


def _quarters(value: Any) -> int:
    turns = _angle(value) / QUARTER
    if abs(turns - round(turns)) > 1e-6:
        raise refused(
            value,
            "is no quarter turn: a map is turned by 90, 180 or 270 deg; measure it with its 12 up",
            "range",
        )
    return round(turns) % 4


@dataclass
class Maps:
    """Reads the maps that a study names, each file once; `folder` is the study's own.

    With `folder` None no map is looked for and plates come without: for the study in a run file, which
    holds the faces themselves.
    """

    folder: Path | None
    margin: EdgeMargin
    read: dict[tuple[str, Head], Surface | SurfaceFileError] = field(default_factory=dict)

    def on(self, plate: Plate, asked: Asked) -> tuple[Plate, dict[str, str]]:
        """The plate with its map, and what was done to it, in words by the key's last part.

        Raises
        ------
        RefusedError
            The file cannot be taken, or does not fit the plate.

        """
        if self.folder is None:
            return plate, {}
        # Late: a study without maps, which is nearly every one, needs none of it.
        from lapwright.metrology.surface import lay

        try:
            surface = _turned(self._surface(asked), asked)
            laid = lay(surface, plate, self.margin.of(plate.outline), asked.at)
        except SurfaceFileError as trouble:
            message = trouble.message
            if not message.startswith("'"):
                message = f"{shown(Path(asked.file).name)} {message}"
            raise RefusedError(message, trouble.code) from None
        form = parted(plate, laid.measured, self.margin)
        return replace(plate, form=form), _said(plate, laid)

    def _surface(self, asked: Asked) -> Surface:
        if asked.file in _HELD:
            return _HELD[asked.file]
        key = asked.file, asked.head
        if key not in self.read:
            assert self.folder is not None
            from lapwright.metrology.surface_files import read_surface

            try:
                self.read[key] = read_surface(self.folder / asked.file, asked.head)
            except SurfaceFileError as trouble:
                self.read[key] = trouble
        got = self.read[key]
        if isinstance(got, SurfaceFileError):
            raise got
        return got


def _turned(surface: Surface, asked: Asked) -> Surface:
    z, dx, dy = surface.heights, surface.dx, surface.dy
    if asked.mirrored:
        z = z[:, ::-1]
    # Row 0 is the lowest here, so that NumPy's own turn goes the other way round.
    z = np.rot90(z, -asked.quarters)
    return Surface(z, *((dy, dx) if asked.quarters % 2 else (dx, dy)))


def parted(plate: Plate, measured: Measured, margin: EdgeMargin) -> StartForm:
    """The typed form with the map added: its dome, twist and so on as sizes, the rest as a map.

    So whoever asks for the dome of a plate hears that of the map too, and it stays exact between cells.
    """
    found = forms(plate, measured.heights, margin)
    sizes: dict[str, Any] = {
        name: value for name, value in found.as_dict().items() if value is not None
    }
    alone = StartForm(**sizes)
    rest = measured.heights - alone.heights(plate.grid, plate.outline)
    sums = {name: getattr(plate.form, name) + value for name, value in sizes.items()}
    return replace(plate.form, **sums, measured=Measured(plate.grid, rest))


def _said(plate: Plate, laid: Laid) -> dict[str, str]:
    """What was done to a map."""
    (nx, ny), (dx, dy) = laid.points, laid.spacing
    apart = METRIC.length(dx, echo=True)
    if abs(dx - dy) > 1e-6 * dx:
        apart = f"{apart} x {METRIC.length(dy, echo=True)}"
    side, high = plate.outline.size
    slope = float(np.hypot(laid.tilt[0] * side, laid.tilt[1] * high))
    said = {
        "points": f"{nx} x {ny}, {apart} apart",
        "level": f"a tilt of {METRIC.size(slope)} across the face taken out",
    }
    if laid.missing > 5e-4:
        gaps = f"{100.0 * laid.missing:.2g} % of the land not measured"
        said["gaps"] = f"{gaps}, filled in smoothly from what is around"
    if laid.beyond > 5e-3:
        edge = f"{100.0 * laid.beyond:.2g} % of the land within the edge margin not measured"
        said["edge"] = f"{edge}, carried on"
    if max(dx, dy) > 1.5 * plate.grid.cell:
        finest = METRIC.length(2.0 * max(dx, dy))
        said["fineness"] = f"nothing finer than {finest} is known of this face"
    return said


# --- the end of a run ----------------------------------------------------------------------------

Array = NDArray[np.float64]

HOW_START = (
    'start = "first-pair-run", or start = { run = "first-pair-run", A = "B" } (A begins as B ended)'
)
WHOLE = (*WENT_THROUGH, "tipped")
REMEMBERED = "run in memory "
HOW_KEPT = 'write it with run.write("first.h5"), and say start = "first.h5"'
AROUND = 8  # cells beside the land that are filled, for who lays the face on cells so many times as large


@dataclass(frozen=True, eq=False)
class Ended:
    """The faces at the end of a run.

    `plates`: what they were, flat, each on its own cells; `heights` (ny, nx) [m] of each; `title` of the
    study, `time` [s] rubbed, `outcome`; `digest` of all of them; `thickness` [m] with which each began there.
    """

    plates: Mapping[str, Plate]
    heights: Mapping[str, Array]
    title: str
    time: float
    outcome: str
    digest: str
    thickness: Mapping[str, float | None]
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
                most = f"{TALLEST * 1e3:.0f} mm is the most: no lapping leaves that"
                wrong = f"{name} ended with heights that differ by {high * 1e3:.3g} mm"
                raise RefusedError(f"{wrong}, and {most}", "range")
            form = parted(plate, Measured(plate.grid, heights), margin)
            assert form.measured is not None
            rest = around(form.measured.heights, plate.land > 0.0, AROUND)
            self.forms[name, margin] = replace(form, measured=Measured(plate.grid, rest))
        return self.forms[name, margin]

    def thick(self, name: str, here: Plate) -> dict[str, Any]:
        """Thickness and wedge as a plate `here` begins with them; a thickness typed anew stands.

        What it weighs is what is typed: the metal that went is nothing beside it.
        """
        there, known = self.plates[name], here.thickness is not None
        found: dict[str, Any] = {"wedge": there.wedge}
        if known and there.thickness is not None and _same(here.thickness, self.thickness[name]):
            found |= {"thickness": there.thickness, "mass": here.total_mass}
        return found


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
        faces = ended(value)
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


def from_anywhere(folder: Path, named: str) -> str:
    """A file that a study in `folder` names, as a study elsewhere may name it.

    Raises
    ------
    CommandError
        A folder on the way has a name that no study can hold.

    """
    path = str((folder / named).resolve())
    if not path.isprintable():  # halves of letters among it, for which there is no UTF-8
        raise CommandError(
            f"the way to {named} goes through {shown(path)}, a name that no study can hold: give that folder "
            "another, or leave out the file"
        )
    return path


def placed(value: Any, folder: Path) -> Any:
    """`start` with the run found from anywhere."""
    if isinstance(value, str):
        return value if value in MEMORY else from_anywhere(folder, value)
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
        typed, pairs = _asked_start(root.data["start"])
        faces = _faces(maps.folder, typed)
        here = _matched(typed, pairs, faces, plates)
        for name, there in here.items():
            plate = plates[name]
            if plate is not None:
                _check_alike(root, name, plate, there, faces.plates[there])
                form = faces.form(there, maps.margin)
                plates[name] = replace(plate, form=form, **faces.thick(there, plate))
                _say_begun(root, name, plate, there, faces)
    except RefusedError as trouble:
        root.fault("start", trouble.message, trouble.code)
        return None
    start = Start(typed, here, faces.title, faces.time, faces.outcome, faces.digest)
    object.__setattr__(start, "faces", faces)
    return start


def _asked_start(value: Any) -> tuple[str, Mapping[str, str]]:
    """The run, and which plates begin as which of it; none named: all of the same names."""
    run, pairs = value, dict[str, Any]()
    if isinstance(value, Mapping):
        pairs = {key: one for key, one in value.items() if key != "run"}
        run = value.get("run")
    if not isinstance(run, str) or not run.strip() or not run.isprintable():
        raise refused(value, f"names no run: write {HOW_START}", "type")
    for name, there in pairs.items():
        if not isinstance(there, str):
            raise RefusedError(
                f"{name}: {shown(there)} is no name of a plate: write {HOW_START}", "type"
            )
    return run, pairs


def _faces(folder: Path, typed: str) -> Ended:
    if typed in MEMORY:
        return MEMORY[typed]
    if typed.startswith(REMEMBERED):
        gone = "the run that this study began with was in memory and is gone"
        raise RefusedError(f"{gone}: {HOW_KEPT}", "file")
    path = folder / typed
    if path.suffix.lower() == ".toml" and path.is_file():
        raise refused(typed, "is a study: lap it first, and name the folder of its run", "file")
    if path.is_dir():
        path = _in_folder(path, typed)
    try:
        info = path.stat()
    except (OSError, ValueError):
        how = "name its folder or run.h5, from the folder of the study"
        raise RefusedError(f"there is no run {shown(typed)}: {how}", "file") from None
    try:
        return _read_ended(os.path.abspath(path), (info.st_ino, info.st_size, info.st_mtime_ns))
    except RunFileError as trouble:
        raise RefusedError(trouble.message, "run_file") from None


def _in_folder(path: Path, typed: str) -> Path:
    if (path / RUN_FILE).exists():
        return path / RUN_FILE
    if (path / PART_FILE).exists():
        stopped = f"the run in {shown(typed)} was stopped"
        raise RefusedError(f"{stopped}: go on with it to its end first", "file")
    none = f"there is no {RUN_FILE} in {shown(typed)}"
    raise RefusedError(f"{none}: name the folder of a run", "file")


@lru_cache(maxsize=4)
def _read_ended(path: str, stamp: tuple[int, int, int]) -> Ended:
    """Read a run file, once as long as its `stamp` is the same: a search reads its study often."""
    from lapwright.results.runfile import read_run

    run = read_run(path)
    if run.outcome not in WHOLE:
        raise refused(
            Path(path).name, "is of a run that was stopped: go on to its end first", "file"
        )
    return ended(run)


def ended(run: Run) -> Ended:
    """The faces at the end of a run."""
    found = hashlib.sha256()
    plates, heights = {}, {}
    for name, record in run.plates.items():
        cells = max(record.land.shape)
        plate = replace(run.study.plates[name], cells=cells)
        thick = thickness_of(plate, record.frames[-1], run.study.margin, whole=False)
        wedge = Wedge(thick.wedge, thick.at) if thick.wedge >= NOTHING else None
        mean = None if plate.thickness is None else thick.mean
        plates[name] = replace(plate, form=StartForm(), thickness=mean, wedge=wedge)
        heights[name] = np.where(record.land > 0.0, record.frames[-1], 0.0)
        found.update(f"{name!r} {heights[name].shape};".encode() + heights[name].tobytes())
    ends = run.study.title, float(run.time[-1]), run.outcome
    began = {name: plate.thickness for name, plate in run.study.plates.items()}
    return Ended(plates, heights, *ends, found.hexdigest(), began)


def _matched(
    typed: str, pairs: Mapping[str, str], faces: Ended, plates: Mapping[str, Plate | None]
) -> dict[str, str]:
    """Which plate here begins as which plate there."""
    theirs = listed(list(faces.plates), "and")
    if not pairs:
        same = {name: name for name in plates if name in faces.plates}
        if not same:
            none = f"the run has plates {theirs}, and none of that name is here"
            raise RefusedError(f"{none}: rename yours, or write {HOW_START}", "name")
        return same
    for name, there in pairs.items():
        if name not in plates:
            hint = meant(name, plates, f"plates here are {listed(plates, 'and')}")
            raise RefusedError(f"there is no plate {shown(name)} in the study: {hint}", "name")
        if there not in faces.plates:
            none = f"there is no plate {shown(there)} in {shown(typed)}"
            raise RefusedError(f"{none}: it has {theirs}", "name")
    twice = [there for there in pairs.values() if list(pairs.values()).count(there) > 1]
    if twice:
        both = listed([name for name, there in pairs.items() if there == twice[0]], "and")
        wrong = f"{both} cannot both begin as {twice[0]}: there is one plate {twice[0]}"
        raise RefusedError(wrong, "conflict")
    return dict(pairs)


def _check_alike(root: Table, name: str, plate: Plate, there: str, theirs: Plate) -> None:
    if not _same(plate.outline, theirs.outline):
        ours, was = (_shape(root, one) for one in (plate, theirs))
        wrong = f"{name} is a {ours}, and {there} in the run was a {was}"
        raise RefusedError(f"{wrong}: the outline must be the same", "conflict")
    if not _same(plate.grooves, theirs.grooves):
        wrong = f"the grooves of {name} are not those of {there} in the run"
        raise RefusedError(f"{wrong}: they must be the same", "conflict")


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
    return f"{kind} of {along}" if kind == "disc" else f"{kind} of {along} x {across}"


def _say_begun(root: Table, name: str, plate: Plate, there: str, faces: Ended) -> None:
    """Say what was done to a face, where that is more than taking it over."""
    kind = "parts" if name in root.data.get("parts", {}) else "plates"
    cells = faces.plates[there].cells
    typed = root.data.get(kind, {}).get(name, {})
    if isinstance(typed, Mapping) and "form" in typed:
        root.assumed[f"{kind}.{name}.form"] = "that of the run, not what is typed"
    if cells != plate.cells:
        root.assumed[f"{kind}.{name}.face"] = f"from {cells} cells across laid on {plate.cells}"
