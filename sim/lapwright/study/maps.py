"""`form.map` of a study: which file, what the study says of it, and how it is laid on the plate."""

from __future__ import annotations

import hashlib
import re
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.errors import SurfaceFileError
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.metrology.surface import Surface
from lapwright.metrology.surface_files import Head, read_row, read_spacing, read_unit
from lapwright.specification.plate import Measured, Plate, StartForm
from lapwright.specification.quantities import ANGLE, quantity, read_place
from lapwright.specification.said import RefusedError, shown
from lapwright.specification.table import Table, boolean
from lapwright.units import METRIC

if TYPE_CHECKING:
    from lapwright.metrology.surface import Laid

__all__ = ["HOW_MAP", "Asked", "Maps", "asked_of", "held", "held_in", "parted"]


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
        raise RefusedError(f"{shown(value)} is no name of a file: write {HOW_MAP}", "type")
    return value


def _quarters(value: Any) -> int:
    turns = _angle(value) / QUARTER
    if abs(turns - round(turns)) > 1e-6:
        raise RefusedError(
            f"{shown(value)} is no quarter turn: a map is turned by 90, 180 or 270 deg; "
            "measure it with its 12 up",
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
        said["gaps"] = (
            f"{100.0 * laid.missing:.2g} % of the land not measured, filled in smoothly from beside"
        )
    if laid.beyond > 5e-3:
        said["edge"] = (
            f"{100.0 * laid.beyond:.2g} % of the land within the edge margin not measured, carried on"
        )
    if max(dx, dy) > 1.5 * plate.grid.cell:
        said["fineness"] = (
            f"nothing finer than {METRIC.length(2.0 * max(dx, dy))} is known of this face"
        )
    return said
