"""The run file (HDF5): what was lapped, with what, and what came out; `docs/run-file.md` describes it.

A file is built in memory and moved into place in one go (`lapwright.study.safefile`), so a name either holds
a whole run or does not exist.  Nothing but h5py is needed to read one.
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import RunFileError
from lapwright.study.record import FORM_KEYS, SHAPES, BearingRecord, Fine, PlateRecord, Run
from lapwright.study.safefile import put_in_place

__all__ = [
    "FORMAT",
    "FORM_KEYS",
    "SCHEMA",
    "SHAPES",
    "BearingRecord",
    "Fine",
    "PlateRecord",
    "Run",
    "read_resume",
    "read_run",
    "write_run",
]

Array = NDArray[np.float64]

FORMAT = "lapwright run"
SCHEMA = 1

# --- writing -----------------------------------------------------------------------------------


def write_run(run: Run, path: Path | str, *, resume: str | None = None) -> None:
    """Write `run` to `path` in one move; `resume` is what a checkpoint needs beside it.

    Raises
    ------
    CannotDoError
        Disk full, folder unwritable or not a folder; an earlier file is left as it was.

    """
    put_in_place(Path(path), _image(run, resume))


def _image(run: Run, resume: str | None) -> memoryview:
    import h5py

    # In memory first: a full disk met by the HDF5 library itself cannot be recovered from cleanly.
    store = io.BytesIO()
    with h5py.File(store, "w", libver=("v108", "v110")) as file:
        attributes = {
            "format": FORMAT,
            "schema": run.schema,
            "program": run.program,
            "seed": run.seed,
            "outcome": run.outcome,
            "study_text": run.study_text,
            "study_stem": run.study_stem,
            "inputs": run.inputs,
            "wall_time": run.wall_time,
        }
        for key, value in attributes.items():
            file.attrs[key] = value
        for key, value in run.versions.items():
            file.attrs[f"version_{key}"] = value
        if resume is not None:
            file.attrs["resume"] = resume
        _write_history(file.create_group("history"), run)
        plates = file.create_group("plates")
        for number, record in enumerate(run.plates.values()):
            _write_plate(plates, number, record, run.fine)
        if run.fine is not None:
            again = file.create_group("fine")
            again.attrs["outcome"] = run.fine.outcome
            _put(again, "time", run.fine.time, "s", "time rubbed when lapped a second time, finer")
        bearings = file.create_group("bearings")
        for number, bearing in enumerate(run.bearings):
            _write_bearing(bearings.create_group(f"{number:02d}"), bearing)
    return store.getbuffer()


def _put(group: Any, name: str, data: Any, units: str, long_name: str) -> None:
    """A dataset without time stamps, so that the same run gives the same bytes."""
    if isinstance(data, tuple):
        import h5py

        item = group.create_dataset(name, data=list(data), dtype=h5py.string_dtype(), track_times=False)
    else:
        item = group.create_dataset(name, data=data, track_times=False)
    item.attrs["units"] = units
    item.attrs["long_name"] = long_name


def _write_history(group: Any, run: Run) -> None:
    _put(group, "step", np.asarray(run.step, np.int64), "1", "step of the study, from 1")
    _put(group, "round", np.asarray(run.round, np.int64), "1", "round through the steps, from 1")
    _put(group, "time", np.asarray(run.time, float), "s", "time rubbed since the run began")
    _put(group, "top", run.top, "1", "plate that lies on top")
    _put(group, "bottom", run.bottom, "1", "plate that lies below")
    _put(group, "event", run.event, "1", "what happened")
    _put(group, "lift_share", np.asarray(run.lift_share, float), "1", "share of places where part lifts")
    _put(group, "scale_error", np.asarray(run.scale_error, float), "1", "largest error of the gathered load")


def _write_plate(plates: Any, number: int, record: PlateRecord, fine: Fine | None) -> None:
    safe = record.name and record.name != "." and not set(record.name) & set("/\0")
    group = plates.create_group(record.name if safe else f"plate number {number + 1}")
    group.attrs["name"] = record.name
    group.attrs["order"] = number
    group.attrs["outline"] = record.outline_text
    _put(group, "x", record.x, "m", "cell centres, 9 to 3 o'clock, looking at the face")
    _put(group, "y", record.y, "m", "cell centres, 6 to 12 o'clock, looking at the face")
    _put(group, "land", record.land, "1", "share of the cell that is land")
    _put(group, "frame_time", record.frame_time, "s", "time rubbed when a height map was saved")
    _put(group, "frames", record.frames, "m", "height maps, + proud; first the start, last the end")
    _put(group, "worn", record.worn, "m", "depth lost from start to end")
    _put(group, "pressure_speed", record.pressure_speed, "Pa m/s", "mean pressure times speed, last block")
    _put(group, "margin", record.margin, "m", "edge margin left out of the forms")
    _put(group, "removed", record.removed, "m", "mean depth of land lost, along the history")
    for name, forms in (("forms", record.forms), ("forms_margin0", record.forms_margin0)):
        sub = group.create_group(name)
        for key, values in forms.items():
            _put(sub, key, values, "m", FORM_KEYS[key])
    if record.error:
        sub = group.create_group("error")
        for key, values in record.error.items():
            _put(sub, key, values, "m", f"how far it may be off: {FORM_KEYS[key]}")
    if fine is not None and record.name in fine.forms:
        sub = group.create_group("fine")
        for key, value in fine.forms[record.name].items():
            _put(sub, key, value, "m", f"at the end, lapped finer: {FORM_KEYS[key]}")
        _put(sub, "removed", fine.removed[record.name], "m", "mean depth of land lost, lapped finer")


def _write_bearing(group: Any, bearing: BearingRecord) -> None:
    group.attrs["name"] = bearing.name
    group.attrs["bottom"] = bearing.bottom
    group.attrs["top"] = bearing.top
    _put(group, "step", bearing.step, "1", "step of the study, from 1")
    _put(group, "phase", bearing.phase, "rad", "place in the stroke")
    _put(group, "theta", bearing.theta, "rad", "turn of the top on the bench")
    _put(group, "c", bearing.c, "m", "centre of the top on the bench")
    _put(group, "pressure", bearing.pressure, "Pa", "pressure on the bottom plate's cells")
    _put(group, "peak", bearing.peak, "Pa", "highest pressure")
    _put(group, "mean", bearing.mean, "Pa", "load over the land in overlap")
    _put(group, "contact_share", bearing.contact_share, "1", "loaded share of the overlap")


# --- reading -----------------------------------------------------------------------------------


def read_run(path: Path | str) -> Run:
    """Read a run file.

    Raises
    ------
    RunFileError
        No such file, or truncated, foreign or of another schema: in one line.

    """
    return _read(Path(path))[0]


def read_resume(path: Path | str) -> tuple[Run, str]:
    """Read a checkpoint: the run so far, and what is needed to go on from it.

    Raises
    ------
    RunFileError
        As `read_run`, and if the file is a finished run.

    """
    run, resume = _read(Path(path))
    if resume is None:
        raise RunFileError(f"{path} is a finished run: there is nothing to go on with")
    return run, resume


def _read(path: Path) -> tuple[Run, str | None]:
    import h5py

    if not os.path.exists(path):
        raise RunFileError(f"there is no run file '{path}'")
    if os.path.isdir(path):
        raise RunFileError(f"{path} is a folder: name the run file in it")
    try:
        with h5py.File(path, "r") as file:
            if file.attrs.get("format") != FORMAT:
                raise RunFileError(f"{path} is an HDF5 file, but not one of a lapwright run")
            schema = int(file.attrs["schema"])
            if schema != SCHEMA:
                writer = file.attrs.get("program", "unknown")
                raise RunFileError(
                    f"{path} has layout {schema}, this copy reads layout {SCHEMA}: "
                    f"use the program that wrote it ({writer}), or run the study again"
                )
            resume = file.attrs.get("resume")
            return _run(file), None if resume is None else str(resume)
    except RunFileError:
        raise
    except PermissionError:
        raise RunFileError(f"{path} may not be read: look at who owns it") from None
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, MemoryError, AttributeError) as trouble:
        raise RunFileError(
            f"{path} is not a whole run file (damaged, cut short, or something else): run the study again"
        ) from trouble


def _run(file: Any) -> Run:
    history = file["history"]
    plates = sorted(file["plates"].values(), key=lambda g: int(g.attrs["order"]))
    records = [_plate(group) for group in plates]
    attributes = file.attrs
    return Run(
        schema=int(attributes["schema"]),
        program=str(attributes["program"]),
        versions={k[8:]: str(v) for k, v in sorted(attributes.items()) if k.startswith("version_")},
        seed=int(attributes["seed"]),
        outcome=str(attributes["outcome"]),
        study_text=str(attributes["study_text"]),
        study_stem=str(attributes["study_stem"]),
        inputs=str(attributes.get("inputs", "")),
        plates={record.name: record for record in records},
        step=_whole(history["step"]),
        round=_whole(history["round"]),
        time=_array(history["time"]),
        top=_texts(history["top"]),
        bottom=_texts(history["bottom"]),
        event=_texts(history["event"]),
        lift_share=_array(history["lift_share"]),
        scale_error=_array(history["scale_error"]),
        bearings=tuple(_bearing(file["bearings"][key]) for key in sorted(file["bearings"])),
        wall_time=float(attributes["wall_time"]),
        fine=_fine(file["fine"], plates) if "fine" in file else None,
    )


def _fine(again: Any, plates: list[Any]) -> Fine:
    ends = {str(group.attrs["name"]): group["fine"] for group in plates if "fine" in group}
    return Fine(
        outcome=str(again.attrs["outcome"]),
        time=float(again["time"][()]),
        forms={name: {key: float(end[key][()]) for key in FORM_KEYS} for name, end in ends.items()},
        removed={name: float(end["removed"][()]) for name, end in ends.items()},
    )


def _array(item: Any) -> Array:
    values = np.asarray(item[()], dtype=np.float64)
    values.setflags(write=False)
    return values


def _whole(item: Any) -> NDArray[np.int64]:
    values = np.asarray(item[()], dtype=np.int64)
    values.setflags(write=False)
    return values


def _texts(item: Any) -> tuple[str, ...]:
    return tuple(str(text) for text in item.asstr()[()])


def _plate(group: Any) -> PlateRecord:
    return PlateRecord(
        name=str(group.attrs["name"]),
        outline_text=str(group.attrs["outline"]),
        land=_array(group["land"]),
        x=_array(group["x"]),
        y=_array(group["y"]),
        frame_time=_array(group["frame_time"]),
        frames=_array(group["frames"]),
        worn=_array(group["worn"]),
        pressure_speed=_array(group["pressure_speed"]),
        margin=float(group["margin"][()]),
        forms={key: _array(group["forms"][key]) for key in FORM_KEYS},
        forms_margin0={key: _array(group["forms_margin0"][key]) for key in FORM_KEYS},
        removed=_array(group["removed"]),
        error={key: _array(group["error"][key]) for key in SHAPES} if "error" in group else {},
    )


def _bearing(group: Any) -> BearingRecord:
    return BearingRecord(
        step=int(group["step"][()]),
        name=str(group.attrs["name"]),
        phase=float(group["phase"][()]),
        theta=float(group["theta"][()]),
        c=_array(group["c"]),
        pressure=_array(group["pressure"]),
        peak=float(group["peak"][()]),
        mean=float(group["mean"][()]),
        contact_share=float(group["contact_share"][()]),
        bottom=str(group.attrs["bottom"]),
        top=str(group.attrs["top"]),
    )
