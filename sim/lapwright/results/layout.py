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
from lapwright.results.batch import BatchRecord, Dressings, form_tables
from lapwright.results.record import (
    FORM_KEYS,
    SHAPES,
    BearingRecord,
    Column,
    Fine,
    PlateRecord,
    Run,
    columns,
)
from lapwright.study.model import Study
from lapwright.study.resolved import made, plain

Array = NDArray[np.float64]
Attribute = str | int | float

TEXT_SCHEMA = 1  # of the layout before, which holds the text of the study alone
OUTCOMES = (*WENT_THROUGH, "tipped", "interrupted", "unfinished")
STUDY = Column("1", "what was lapped, in SI (JSON)")
PLANNED = Column("1", "what to lap next, as it was worked out (JSON)")
STUDY_MAP = Column("m", "measured face that a plate began with, less its forms")
FINE_TIME = Column("s", "time rubbed when lapped a second time, finer")
FINE_REMOVED = Column("m", "mean depth of land lost, lapped finer")
# The forms of a plate along the history: which, and what stands before each in words.
FORMS_OF = {
    "forms": (FORM_KEYS, ""),
    "forms_margin0": (FORM_KEYS, ""),
    "error": (SHAPES, "how far it may be off: "),
}


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

    def put(self, name: str, data: Any, how: Column) -> None:
        """Put a dataset in."""
        self.items[name] = Leaf(
            data if isinstance(data, str) else how.data(data), how.unit, how.what
        )

    def put_all(self, record: Any) -> None:
        """Put in every field of a record that a file holds."""
        for name, how in columns(type(record)).items():
            if not (how.late and getattr(record, name).size == 0):
                self.put(name, getattr(record, name), how)

    def take_all(self, of: type, sizes: Mapping[str, int]) -> dict[str, Any]:
        """The fields of a record that a file holds; `sizes` of what their shapes name."""
        found = {}
        for name, how in columns(of).items():
            if how.late and name not in self.items:
                continue
            value = getattr(self, how.kind)(name, tuple(sizes[axis] for axis in how.shape))
            found[name] = value if how.shape else value.item()
        return found

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

    def one_text(self, name: str) -> str:
        """A dataset that is one text."""
        got = self.items.get(name)
        if not isinstance(got, Leaf) or not isinstance(got.data, str):
            raise UnsoundError(f"it has no {name}")
        return got.data

    def number(self, name: str) -> float:
        """A dataset that is one finite number."""
        return float(self.finite(name, ()).item())

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

    def names(self, name: str, shape: tuple[int, ...]) -> tuple[str, ...]:
        """A dataset of so many names."""
        got = self._data(name)
        if not isinstance(got, tuple) or (len(got),) != shape:
            raise UnsoundError(f"{name} is not {shape[0]} names")
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
    if run.planned:
        tree.put("next", run.planned, PLANNED)
    tree.group("history").put_all(run)
    if run.batch is not None:
        _put_batch(tree, run.batch)
    plates = tree.group("plates")
    for number, record in enumerate(run.plates.values()):
        _put_plate(plates, number, record, run.fine)
    if run.fine is not None:
        tree.group("fine", {"outcome": run.fine.outcome}).put("time", run.fine.time, FINE_TIME)
    bearings = tree.group("bearings")
    for number, one in enumerate(run.bearings):
        names = {"name": one.name, "bottom": one.bottom, "top": one.top}
        bearings.group(f"{number:02d}", names).put_all(one)
    return tree


def _put_study(tree: Group, study: Study) -> None:
    # Its text and stem are attributes; where its file lay is nothing to those who get the run.
    data, arrays = plain(replace(study, text="", stem="", folder=None))
    data = {key: value for key, value in data.items() if key not in ("text", "stem", "folder")}
    tree.put("study", json.dumps(data, indent=1, allow_nan=False), STUDY)
    maps = tree.group("study_maps") if arrays else Group()
    for number, array in enumerate(arrays):
        maps.put(str(number), array, STUDY_MAP)


def _put_plate(plates: Group, number: int, record: PlateRecord, fine: Fine | None) -> None:
    safe = record.name and record.name != "." and not set(record.name) & set("/\0")
    group = plates.group(
        record.name if safe else f"plate number {number + 1}",
        {"name": record.name, "order": number, "outline": record.outline_text},
    )
    group.put_all(record)
    for name, (_, what) in FORMS_OF.items():
        if forms := getattr(record, name):
            _put_forms(group.group(name), forms, what)
    if fine is not None and record.name in fine.forms:
        sub = group.group("fine")
        _put_forms(sub, fine.forms[record.name], "at the end, lapped finer: ")
        sub.put("removed", fine.removed[record.name], FINE_REMOVED)


def _put_batch(tree: Group, record: BatchRecord) -> None:
    group = tree.group("batch", {"part": record.name, "plate": record.on})
    for place, one in ((group, record), (group.group("dressings"), record.dressings)):
        place.put_all(one)
        for which, (_, what) in form_tables(type(one)).items():
            _put_forms(place.group(which), getattr(one, which), what)


def _batch(group: Group) -> BatchRecord:
    dressings = _table_of(group["dressings"], Dressings, "after", "dressing")
    told = _table_of(group, BatchRecord, "number", "part")
    return BatchRecord(
        name=group.text("part"),
        on=group.text("plate"),
        dressings=Dressings(**dressings),
        **told,
    )


def _table_of(group: Group, of: type, first: str, along: str) -> dict[str, Any]:
    """Columns and forms of a record of a batch; as many rows as its `first` column has."""
    rows = int(np.prod(group.shape(first)))
    forms = {
        which: {key: group[which].array(key, (rows,)) for key in keys}
        for which, (keys, _) in form_tables(of).items()
    }
    return group.take_all(of, {along: rows}) | forms


def _put_forms(group: Group, forms: Mapping[str, Any], what: str) -> None:
    for key, values in forms.items():
        group.put(key, values, Column("m", f"{what}{FORMS[key].what}"))


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
        **history.take_all(Run, {"entry": entries}),
        bearings=tuple(_bearing(group, study) for group in tree["bearings"].groups()),
        wall_time=float(attrs["wall_time"]),
        fine=_fine(tree["fine"], groups) if "fine" in tree.items else None,
        planned=tree.one_text("next") if "next" in tree.items else "",
        batch=_batch(tree["batch"]) if "batch" in tree.items else None,
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
    told = tree.one_text("study")
    maps = tree["study_maps"] if "study_maps" in tree.items else Group()
    arrays = [maps.array(str(k), maps.shape(str(k))) for k in range(len(maps.items))]
    try:
        # A file of before there was a start has none.
        data = {
            "start": None,
            "batch": None,
            **json.loads(told),
            "text": text,
            "stem": stem,
            "folder": None,
        }
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
    ny, nx = study.plates[name].grid.shape
    frames = int(np.prod(group.shape("frame_time")))
    if not frames:
        raise UnsoundError(f"it has no height map of {name}")
    forms: dict[str, Any] = {
        which: {key: group[which].array(key, (entries,)) for key in keys}
        for which, (keys, _) in FORMS_OF.items()
        if which != "error" or which in group.items  # a file of before it was kept has none
    }
    sizes = {"x": nx, "y": ny, "frame": frames, "entry": entries}
    told = group.take_all(PlateRecord, sizes)
    return PlateRecord(name=name, outline_text=group.text("outline"), **told, **forms)


def _bearing(group: Group, study: Study) -> BearingRecord:
    name, bottom, top = (group.text(one) for one in ("name", "bottom", "top"))
    if not {bottom, top} <= set(study.plates):
        raise UnsoundError(f"its study has no plates {bottom} and {top}")
    ny, nx = study.plates[bottom].grid.shape
    told = group.take_all(BearingRecord, {"x": nx, "y": ny, "xy": 2})
    return BearingRecord(name=name, bottom=bottom, top=top, **told)


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
