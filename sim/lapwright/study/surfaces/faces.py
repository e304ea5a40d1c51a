"""The faces of a run, written as height maps."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from lapwright.study.runfile import Run
from lapwright.study.surfaces.files import write_surface

__all__ = ["Written", "faces_of", "write_faces"]


@dataclass(frozen=True)
class Written:
    """One face to write: which of the saved `frame`s of a plate, the `time` [s] it was saved at, its file."""

    plate: str
    frame: int
    time: float
    path: Path


def faces_of(run: Run, folder: Path, kind: str, time: float | None = None) -> tuple[Written, ...]:
    """Which faces are written: those saved nearest to `time` [s] rubbed (None: the last), and where to."""
    out, taken = [], set()
    for name, record in run.plates.items():
        times = np.asarray(record.frame_time)
        frame = len(times) - 1 if time is None else int(np.argmin(np.abs(times - time)))
        when = "end" if time is None else f"{float(times[frame]) / 60.0:.4g}min"
        plain = re.sub(r"[^\w-]+", "-", name).strip("-") or "plate"
        # Two names may differ in signs alone that no file's name should have.
        while plain in taken:
            plain += "-"
        taken.add(plain)
        out.append(Written(name, frame, float(times[frame]), folder / f"{plain}-{when}.{kind}"))
    return tuple(out)


def write_faces(run: Run, faces: tuple[Written, ...]) -> Mapping[str, Path]:
    """Write them; gives the file of each plate.

    Raises
    ------
    CannotDoError
        A file cannot be written.

    """
    for face in faces:
        record = run.plates[face.plate]
        write_surface(face.path, record.x, record.y, record.frames[face.frame], record.land)
    return {face.plate: face.path for face in faces}
