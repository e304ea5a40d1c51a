"""The layout of a run file: where a `Run` stands in groups and datasets, and back; `docs/run-file.md`.

A file is a tree of `Group` and `Leaf` here, plain data that `lapwright.results.runfile` writes and reads.
What comes back is checked as a whole: a file of another hand must not lead anybody astray later.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapwright.errors import StudyError
from lapwright.integration.state import WENT_THROUGH
from lapwright.metrology.form import FORMS
from lapwright.results.record import FORM_KEYS, SHAPES, BearingRecord, Fine, PlateRecord, Run
from lapwright.study.model import Study
from lapwright.study.resolved import made, plain

__all__ = ["Attribute", "Group", "Leaf", "UnsoundError", "run_of", "tree_of"]


Array = NDArray[np.float64]
Attribute = str | int | float

TEXT_SCHEMA = 1  # of the layout before, which holds the text of the study alone
OUTCOMES = (*WENT_THROUGH, "tipped", "interrupted", "unfinished")


class UnsoundError(ValueError):
    """What is in a file cannot be; says what, to stand after "not a whole run file:"."""


@dataclass(frozen=True)
class Leaf:
    """A dataset: numbers, names, or one text."""

    data: NDArray[Any] | tuple[str, ...] | str
    units: str = "1"
    long_name: str = ""


@dataclass(frozen=True)
class Group:
    """A group: its attributes, and the groups and datasets in it."""

    attrs: dict[str, Attribute] = field(default_factory=dict)
    items: dict[str, Group | Leaf] = field(default_factory=dict)

    def put(self, name: str, data: Any, units: str, long_name: str) -> None:
        """Put a dataset in."""
        self.items[name] = Leaf(
            data if isinstance(data, tuple | str) else np.asarray(data), units, long_name
        )

    def group(self, name: str, attrs: Mapping[str, Attribute] | None = None) -> Group:
        """Put an empty group in."""
        made_ = Group(dict(attrs or {}))
        self.items[name] = made_
        return made_

    def __getitem__(self, name: str) -> Group:
        item = self.items.get(name)
        if not isinstance(item, Group):
            raise UnsoundError(f"it has no group {name}")
        return item

    def groups(self) -> list[Group]:
        """The groups in it, by their names."""
        return [self[name] for name in sorted(self.items)]

    def text(self, name: str) -> str:
        """An attribute that is a text."""
        value = self.attrs.get(name)
        if not isinstance(value, str):
            raise UnsoundError(f"its {name} is no text")
        return value

    def number(self, name: str) -> float:
        """A dataset that is one finite number."""
        return float(self.finite(name, ())[()])

    def whole(self, name: str) -> int:
        """A dataset that is one whole number."""
        return int(self.counts(name, ())[()])

    def array(self, name: str, shape: tuple[int, ...]) -> Array:
        """A dataset of numbers of that shape."""
        return _checked(name, self._data(name), shape, np.float64)

    def finite(self, name: str, shape: tuple[int, ...]) -> Array:
        """The same where none may be missing."""
        got = self.array(name, shape)
        if not np.isfinite(got).all():
            raise UnsoundError(f"{name} has numbers that are none")
        return got

    def counts(self, name: str, shape: tuple[int, ...]) -> NDArray[np.int64]:
        """A dataset of whole numbers of that shape."""
        return _checked(name, self._data(name), shape, np.int64)

    def names(self, name: str, count: int) -> tuple[str, ...]:
        """A dataset of so many names."""
        got = self._data(name)
        if not isinstance(got, tuple) or len(got) != count:
            raise UnsoundError(f"{name} is not {count} names")
        return got

    def shape(self, name: str) -> tuple[int, ...]:
        """How many numbers a dataset has along each way."""
        got = self._data(name)
        if not isinstance(got, np.ndarray):
            raise UnsoundError(f"{name} is no numbers")
        return got.shape

    def _data(self, name: str) -> NDArray[Any] | tuple[str, ...] | str:
        item = self.items.get(name)
        if not isinstance(item, Leaf):
            raise UnsoundError(f"it has no dataset {name}")
        return item.data


def _checked(name: str, data: Any, shape: tuple[int, ...], kind: type[Any]) -> NDArray[Any]:
    if not isinstance(data, np.ndarray) or data.dtype != kind:
        raise UnsoundError(f"{name} is not of the kind it should be")
    if data.shape != shape:
        raise UnsoundError(f"{name} is {data.shape}, and should be {shape}")
    data.setflags(write=False)
    return data


# --- writing -----------------------------------------------------------------------------------


def tree_of(run: Run, form: str, schema: int, resume: str | None) -> Group:
    """A run as a tree; `resume` is what a checkpoint needs beside it."""
    tree = Group(
        {
            "format": form,
            "schema": schema,
            "program": run.program,
            "seed": run.study.seed,
            "outcome": run.outcome,
            "study_text": run.study.text,
            "study_stem": run.study.stem,
            "wall_time": float(run.wall_time),
            **{f"version_{key}": value for key, value in run.versions.items()},
            **({} if resume is None else {"resume": resume}),
        }
    )
    _put_study(tree, run.study)
    _put_history(tree.group("history"), run)
    plates = tree.group("plates")
    for number, record in enumerate(run.plates.values()):
        _put_plate(plates, number, record, run.fine)
    if run.fine is not None:
        again = tree.group("fine", {"outcome": run.fine.outcome})
        again.put("time", run.fine.time, "s", "time rubbed when lapped a second time, finer")
    bearings = tree.group("bearings")
    for number, bearing in enumerate(run.bearings):
        _put_bearing(bearings, f"{number:02d}", bearing)
    return tree


def _put_study(tree: Group, study: Study) -> None:
    # Its text and stem are attributes; where its file lay is nothing to those who get the run.
    data, arrays = plain(replace(study, text="", stem="", folder=None))
    data = {key: value for key, value in data.items() if key not in ("text", "stem", "folder")}
    tree.put(
        "study", json.dumps(data, indent=1, allow_nan=False), "1", "what was lapped, in SI (JSON)"
    )
    maps = tree.group("study_maps") if arrays else None
    for number, array in enumerate(arrays):
        assert maps is not None
        maps.put(str(number), array, "m", "measured face that a plate began with, less its forms")


def _put_history(group: Group, run: Run) -> None:
    group.put("step", np.asarray(run.step, np.int64), "1", "step of the study, from 1")
    group.put("round", np.asarray(run.round, np.int64), "1", "round through the steps, from 1")
    group.put("time", np.asarray(run.time, float), "s", "time rubbed since the run began")
    group.put("top", run.top, "1", "plate that lies on top")
    group.put("bottom", run.bottom, "1", "plate that lies below")
    group.put("event", run.event, "1", "what happened")
    group.put(
        "lift_share", np.asarray(run.lift_share, float), "1", "share of places where part lifts"
    )
    group.put(
        "scale_error", np.asarray(run.scale_error, float), "1", "largest error of the gathered load"
    )


def _put_plate(plates: Group, number: int, record: PlateRecord, fine: Fine | None) -> None:
    safe = record.name and record.name != "." and not set(record.name) & set("/\0")
    group = plates.group(
        record.name if safe else f"plate number {number + 1}",
        {"name": record.name, "order": number, "outline": record.outline_text},
    )
    group.put("x", record.x, "m", "cell centres, 9 to 3 o'clock, looking at the face")
    group.put("y", record.y, "m", "cell centres, 6 to 12 o'clock, looking at the face")
    group.put("land", record.land, "1", "share of the cell that is land")
    group.put("frame_time", record.frame_time, "s", "time rubbed when a height map was saved")
    group.put("frames", record.frames, "m", "height maps, + proud; first the start, last the end")
    group.put("worn", record.worn, "m", "depth lost from start to end")
    group.put(
        "pressure_speed", record.pressure_speed, "Pa m/s", "mean pressure times speed, last block"
    )
    group.put("margin", record.margin, "m", "edge margin left out of the forms")
    group.put("removed", record.removed, "m", "mean depth of land lost, along the history")
    for name, forms in (("forms", record.forms), ("forms_margin0", record.forms_margin0)):
        _put_forms(group.group(name), forms, "")
    if record.error:
        _put_forms(group.group("error"), record.error, "how far it may be off: ")
    if fine is not None and record.name in fine.forms:
        sub = group.group("fine")
        _put_forms(sub, fine.forms[record.name], "at the end, lapped finer: ")
        sub.put("removed", fine.removed[record.name], "m", "mean depth of land lost, lapped finer")


def _put_forms(group: Group, forms: Mapping[str, Any], what: str) -> None:
    for key, values in forms.items():
        group.put(key, np.asarray(values, float), "m", f"{what}{FORMS[key].what}")


def _put_bearing(bearings: Group, name: str, bearing: BearingRecord) -> None:
    group = bearings.group(
        name, {"name": bearing.name, "bottom": bearing.bottom, "top": bearing.top}
    )
    group.put("step", np.int64(bearing.step), "1", "step of the study, from 1")
    group.put("phase", bearing.phase, "rad", "place in the stroke")
    group.put("theta", bearing.theta, "rad", "turn of the top on the bench")
    group.put("c", bearing.c, "m", "centre of the top on the bench")
    group.put("pressure", bearing.pressure, "Pa", "pressure on the bottom plate's cells")
    group.put("peak", bearing.peak, "Pa", "highest pressure")
    group.put("mean", bearing.mean, "Pa", "load over the land in overlap")
    group.put("contact_share", bearing.contact_share, "1", "loaded share of the overlap")


# --- reading -----------------------------------------------------------------------------------


def run_of(tree: Group, schema: int) -> Run:
    """The run that a tree is.

    Raises
    ------
    UnsoundError
        It is not one: something is missing, or does not go together.

    """
    attrs, history = tree.attrs, tree["history"]
    study = _study(tree, schema)
    entries = int(np.prod(history.shape("time")))
    if not entries:
        raise UnsoundError("its history is empty")
    groups = sorted(tree["plates"].groups(), key=lambda group: _whole(group.attrs.get("order")))
    records = [_plate(group, study, entries) for group in groups]
    if [record.name for record in records] != list(study.plates):
        raise UnsoundError("its plates are not those of its study")
    run = Run(
        schema=schema,
        program=tree.text("program"),
        versions={key[8:]: tree.text(key) for key in sorted(attrs) if key.startswith("version_")},
        outcome=tree.text("outcome"),
        study=study,
        plates={record.name: record for record in records},
        step=history.counts("step", (entries,)),
        round=history.counts("round", (entries,)),
        time=history.finite("time", (entries,)),
        top=history.names("top", entries),
        bottom=history.names("bottom", entries),
        event=history.names("event", entries),
        lift_share=history.array("lift_share", (entries,)),
        scale_error=history.array("scale_error", (entries,)),
        bearings=tuple(_bearing(group, study) for group in tree["bearings"].groups()),
        wall_time=float(attrs["wall_time"]),
        fine=_fine(tree["fine"], groups) if "fine" in tree.items else None,
    )
    _check(run)
    return run


def _whole(value: Attribute | None) -> int:
    if not isinstance(value, int):
        raise UnsoundError("a number that should be whole is not")
    return value


def _study(tree: Group, schema: int) -> Study:
    from lapwright.study.goal import renewed_data, renewed_text

    text, stem = renewed_text(tree.text("study_text")), tree.text("study_stem")
    if schema == TEXT_SCHEMA:
        from lapwright.study.read import parse

        try:
            return parse(text, stem, maps=False)
        except StudyError as trouble:
            raise UnsoundError(
                f"this copy does not understand its study ({trouble.faults[0]})"
            ) from None
    leaf = tree.items.get("study")
    if not isinstance(leaf, Leaf) or not isinstance(leaf.data, str):
        raise UnsoundError("it has no study")
    maps = tree["study_maps"] if "study_maps" in tree.items else Group()
    arrays = [maps.array(str(k), maps.shape(str(k))) for k in range(len(maps.items))]
    try:
        # A file of before there was a start has none.
        data = {"start": None, **json.loads(leaf.data), "text": text, "stem": stem, "folder": None}
        study = made(renewed_data(data), arrays)
    except (ValueError, RecursionError) as trouble:
        raise UnsoundError(f"its study is none ({trouble})") from trouble
    if not isinstance(study, Study):
        raise UnsoundError("it has no study")
    return study


def _fine(again: Group, plates: Sequence[Group]) -> Fine:
    ends = {group.text("name"): group["fine"] for group in plates if "fine" in group.items}
    return Fine(
        outcome=again.text("outcome"),
        time=again.number("time"),
        forms={
            name: {key: float(end.array(key, ())[()]) for key in FORM_KEYS}
            for name, end in ends.items()
        },
        removed={name: end.number("removed") for name, end in ends.items()},
    )


def _plate(group: Group, study: Study, entries: int) -> PlateRecord:
    name = group.text("name")
    if name not in study.plates:
        raise UnsoundError(f"its study has no plate {name}")
    shape = ny, nx = study.plates[name].grid.shape
    frames = (int(np.prod(group.shape("frame_time"))),)
    if not frames[0]:
        raise UnsoundError(f"it has no height map of {name}")
    along = (entries,)
    return PlateRecord(
        name=name,
        outline_text=group.text("outline"),
        land=group.finite("land", shape),
        x=group.finite("x", (nx,)),
        y=group.finite("y", (ny,)),
        frame_time=group.finite("frame_time", frames),
        frames=group.finite("frames", frames + shape),
        worn=group.finite("worn", shape),
        pressure_speed=group.finite("pressure_speed", shape),
        margin=group.number("margin"),
        forms={key: group["forms"].array(key, along) for key in FORM_KEYS},
        forms_margin0={key: group["forms_margin0"].array(key, along) for key in FORM_KEYS},
        removed=group.finite("removed", along),
        error={key: group["error"].array(key, along) for key in SHAPES}
        if "error" in group.items
        else {},
    )


def _bearing(group: Group, study: Study) -> BearingRecord:
    bottom, top = group.text("bottom"), group.text("top")
    if not {bottom, top} <= set(study.plates):
        raise UnsoundError(f"its study has no plates {bottom} and {top}")
    return BearingRecord(
        step=group.whole("step"),
        name=group.text("name"),
        phase=group.number("phase"),
        theta=group.number("theta"),
        c=group.finite("c", (2,)),
        pressure=group.finite("pressure", study.plates[bottom].grid.shape),
        peak=group.number("peak"),
        mean=group.number("mean"),
        contact_share=group.number("contact_share"),
        bottom=bottom,
        top=top,
    )


def _check(run: Run) -> None:
    """What every run is like."""
    if run.outcome not in OUTCOMES or (run.fine is not None and run.fine.outcome not in OUTCOMES):
        raise UnsoundError(f"no run ends with '{run.outcome:.20}'")
    if float(run.time[0]) < 0.0 or (np.diff(run.time) < 0.0).any():
        raise UnsoundError("its time goes back")
    steps = [*run.step, *(bearing.step for bearing in run.bearings)]
    if min(steps) < 1 or max(steps) > len(run.study.steps) or run.round.min() < 1:
        raise UnsoundError(
            f"it tells of steps that its study, of {len(run.study.steps)}, does not have"
        )
    if not {*run.top, *run.bottom} <= set(run.study.plates):
        raise UnsoundError("plates are named in its history that its study does not have")
