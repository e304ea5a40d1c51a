"""What became of each part of a batch, and of the plate that it was lapped on; how a run file holds it."""

from __future__ import annotations

import csv
import json
from collections.abc import Mapping, Sequence
from dataclasses import field
from io import StringIO
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from lapwright.integration.block import mean_over_land
from lapwright.integration.loads import as_it_comes
from lapwright.integration.state import State
from lapwright.metrology.form import FORMS
from lapwright.results.averaged import Rows
from lapwright.results.record import (
    FORM_KEYS,
    SHAPES,
    column,
    columns,
    extra,
    forms_of,
    recorded,
    unkept,
)
from lapwright.specification.batch import Batch

if TYPE_CHECKING:
    import pandas

    from lapwright.specification.plate import Plate
    from lapwright.study.model import Study

Array = NDArray[np.float64]
Counts = NDArray[np.int64]
Row = dict[str, Any]  # one row of a table: by column, and by column and form


@recorded
class Dressings:
    """When the plate was dressed, (k,): `plate` its forms before, `dressed` after, by name [m]."""

    after: Counts = column("1", "parts lapped before this dressing", "dressing", kind="counts")
    time: Array = column("s", "time rubbed when the dressing was done", "dressing")
    removed: Array = column("m", "mean depth that the dressing took off the plate", "dressing")
    plate: Mapping[str, Array] = field(default_factory=dict)
    dressed: Mapping[str, Array] = field(default_factory=dict)


@recorded
class BatchRecord:
    """The parts of a batch in the order in which they were laid, (m,), by name of the form [m].

    `came`, `forms`: of each part before and after, inside the edge margin; `error`: how far a form may be off
    by the program's own doing.  `plate`: forms of the plate when the part came off; `plate_removed` [m]: mean
    depth that the plate had lost until then.  `thicker` [m]: by how much the part came thicker than usual.
    `lapped`: 0 of a part for which others stood, `flat_error` [m] how far its flatness may be off (both empty
    of a file of before they were kept: all were lapped).
    """

    name: str
    on: str
    number: Counts = column("1", "number of the part, from 1", "part", kind="counts")
    load: Counts = column("1", "load in which it was lapped, from 1", "part", kind="counts")
    station: Counts = column("1", "station on which it lay, from 1", "part", kind="counts")
    time: Array = column("s", "time rubbed in all when the part came off", "part")
    removed: Array = column("m", "mean depth of land that the part lost", "part")
    plate_removed: Array = column("m", "mean depth of land that the plate had lost by then", "part")
    thicker: Array = column("m", "how much thicker than usual the part came", "part")
    dressings: Dressings
    lapped: Counts = column(
        "1",
        "1: it was lapped, 0: others stood for it",
        "part",
        kind="counts",
        default_factory=unkept,
    )
    flat_error: Array = column(
        "m", "how far the flatness of a part may be off for which others stood", "part",
        kind="array", default_factory=unkept,
    )  # fmt: skip
    came: Mapping[str, Array] = field(default_factory=dict)
    forms: Mapping[str, Array] = field(default_factory=dict)
    error: Mapping[str, Array] = field(default_factory=dict)
    plate: Mapping[str, Array] = field(default_factory=dict)

    @classmethod
    def of(cls, name: str, on: str, rows: Sequence[Row], dressings: Sequence[Row]) -> BatchRecord:
        """From the rows of both tables, as `part_row` and `dressing_row` make them."""
        return cls(
            name=name, on=on, dressings=Dressings(**_gathered(Dressings, dressings)),
            **_gathered(cls, rows),
        )  # fmt: skip

    def rows(self) -> list[Row]:
        """The rows that it was made of."""
        return _rows(self, len(self.number))

    @property
    def averaged(self) -> int:
        """How many parts others stood for."""
        return int((np.asarray(self.lapped) == 0).sum()) if len(self.lapped) else 0

    def table(self) -> dict[str, NDArray[Any]]:
        """Columns of one row a part, SI.

        Forms as "flatness", as the part came "came.flatness", of the plate "plate.flatness".

        Returns
        -------
        dict
            By name (m,); only forms that one speaks of.

        """
        out: dict[str, NDArray[Any]] = {
            name: values
            for name in columns(BatchRecord)
            if len(values := getattr(self, name)) == len(self.number)
        }
        if not self.averaged:
            out.pop("flat_error", None)
        for which, prefix in (
            ("forms", ""),
            ("came", "came."),
            ("error", "error."),
            ("plate", "plate."),
        ):
            out |= {
                f"{prefix}{key}": values
                for key, values in getattr(self, which).items()
                if np.isfinite(values).any()
            }
        return out

    def to_dataframe(self) -> pandas.DataFrame:
        """The table of parts for pandas, columns as in `table`; SI.

        Returns
        -------
        pandas.DataFrame
            One row a part.

        Raises
        ------
        CannotDoError
            pandas is not installed.

        """
        found: pandas.DataFrame = extra("pandas").DataFrame(self.table())
        return found


OF_OLD = {"lapped": 1, "flat_error": float("nan")}  # what a file of before these were kept has
FORM_TABLES = {  # of both records: which forms, and what stands before each in words
    "came": (FORM_KEYS, "of the part as it came: "),
    "forms": (FORM_KEYS, "of the part: "),
    "error": (SHAPES, "of the part, how far it may be off: "),
    "plate": (FORM_KEYS, "of the plate then: "),
    "dressed": (FORM_KEYS, "of the plate once it was dressed: "),
}


def form_tables(of: type) -> dict[str, tuple[tuple[str, ...], str]]:
    """Those of FORM_TABLES that a record has."""
    names = of.__dataclass_fields__  # type: ignore[attr-defined]
    return {which: table for which, table in FORM_TABLES.items() if which in names}


def _gathered(of: type, rows: Sequence[Row]) -> dict[str, Any]:
    found: dict[str, Any] = {n: how.data([r[n] for r in rows]) for n, how in columns(of).items()}
    for which, (keys, _) in form_tables(of).items():
        found[which] = {
            key: np.array([row[which][key] for row in rows], dtype=float) for key in keys
        }
    return found


def _rows(record: BatchRecord | Dressings, count: int) -> list[Row]:
    out: list[Row] = []
    for i in range(count):
        row: Row = {
            name: values[i].item() if len(values := getattr(record, name)) else OF_OLD[name]
            for name in columns(type(record))
        }
        for which, (keys, _) in form_tables(type(record)).items():
            row[which] = {key: float(getattr(record, which)[key][i]) for key in keys}
        out.append(row)
    return out


class BatchRecorder:
    """Takes the moments of a run of a batch; what it keeps follows from each moment alone."""

    def __init__(self, study: Study, batch: Batch) -> None:
        self.study, self.batch = study, batch
        lapped = [n for n, step in enumerate(study.steps, 1) if batch.laps(step)]
        self.last_step, self.on = lapped[-1], study.steps[lapped[-1] - 1].bottom
        self.rows: list[Row] = []
        self.dressings: list[Row] = []
        self._came: dict[tuple[int, ...], tuple[Array, dict[str, float]]] = {}
        self._measured: dict[int, Mapping[str, float]] = {}

    def go_on(self, record: BatchRecord, lapped: Sequence[Row] | None) -> None:
        """Take over what was written down, and what was `lapped` where that is not the rows themselves."""
        self.rows = record.rows() if lapped is None else [dict(row) for row in lapped]
        self.dressings = _rows(record.dressings, len(record.dressings.after))
        for row in self.rows:
            row.setdefault("stands", 1)

    @property
    def lapped(self) -> list[Row] | None:
        """What was lapped, plain enough to be written; None where the rows of the record are just that."""
        if all(row["stands"] == 1 for row in self.rows):
            return None
        plain: list[Row] = json.loads(json.dumps(self.rows, default=_plain))
        return plain

    @property
    def record(self) -> BatchRecord:
        """All so far."""
        usual, seed = self.study.plates[self.batch.part], self.study.seed
        after = [int(row["after"]) for row in self.dressings]
        rows = Rows(self.batch, usual, seed, self.rows, after).all(self._came_like)
        return BatchRecord.of(self.batch.part, self.on, rows, self.dressings)

    def _came_like(self, number: int) -> Mapping[str, float]:
        """Forms of a part before it was lapped."""
        if number not in self._measured:
            usual = self.study.plates[self.batch.part]
            self._measured[number] = self._as_it_came((number,), usual)[1]
        return self._measured[number]

    def take(self, moment: State) -> None:
        """Take the next moment."""
        if moment.event == "averaged":
            self._went_on(moment)
        if moment.event != "step":
            return
        if moment.clock.step == self.last_step:
            self._lifted(moment)
        elif self.batch.dresses(moment.clock.step):
            self._dressed(moment)

    def _lifted(self, moment: State) -> None:
        batch, clock = self.batch, moment.clock
        number = batch.number(clock.round)
        plate = self._forms(self.on, moment.heights[self.on])
        usual = self.study.plates[batch.part]
        for k, name in enumerate(batch.names[:number]):
            which = clock.parts - number + k + 1
            _, thicker = batch.part_of(usual, which, self.study.seed)
            every = [which + number * load for load in range(clock.stands)]
            begun, came = self._as_it_came(tuple(every), usual)
            now, told = moment.heights[name], moment.error.get(name, {})
            self.rows.append(
                {
                    "number": which,
                    "load": clock.round,
                    "station": k + 1,
                    "time": clock.time,
                    "removed": mean_over_land(usual, begun - now),
                    "plate_removed": moment.removed[self.on],
                    "thicker": thicker,
                    "lapped": 1,
                    "stands": clock.stands,
                    "flat_error": np.nan,
                    "came": came,
                    "forms": self._forms(name, now),
                    "error": {key: float(told.get(key, np.nan)) for key in SHAPES},
                    "plate": plate,
                }
            )

    def _went_on(self, moment: State) -> None:
        """The plate as the loads leave it for which the last one stands."""
        load = self.rows[-1]["load"]
        stood = [row for row in self.rows[-self.batch.together :] if row["load"] == load]
        if stood[0]["stands"] == 1:
            return
        then = {
            "time": moment.clock.time,
            "plate_removed": moment.removed[self.on],
            "plate": self._forms(self.on, moment.heights[self.on]),
        }
        for row in stood:
            row["then"] = then

    def _as_it_came(self, numbers: tuple[int, ...], usual: Plate) -> tuple[Array, dict[str, float]]:
        """Heights and forms of a part as it came, or of the mean; without scatter all come alike."""
        key = numbers if self.batch.scatter else (0,)
        if key not in self._came:
            each = [
                as_it_comes(self.batch, usual, n, self.study.seed)
                for n in (numbers if self.batch.scatter else (1,))
            ]
            z = each[0] if len(each) == 1 else np.stack(each).mean(axis=0)
            self._came = {key: (z, self._forms(self.batch.part, z))}
        return self._came[key]

    def _dressed(self, moment: State) -> None:
        before = self.rows[-1] | self.rows[-1].get("then", {})
        self.dressings.append(
            {
                "after": moment.clock.parts,
                "time": moment.clock.time,
                "removed": moment.removed[self.on] - before["plate_removed"],
                "plate": before["plate"],
                "dressed": self._forms(self.on, moment.heights[self.on]),
            }
        )

    def _forms(self, name: str, heights: Array) -> dict[str, float]:
        return forms_of(self.study.plates[name], heights, self.study.margin)


def _plain(value: Any) -> Any:
    """A number of numpy as one of Python."""
    return value.item()


# --- what it comes to --------------------------------------------------------------------------


def out_of_goal(record: BatchRecord, study: Study) -> NDArray[np.bool_] | None:
    """Which parts are out of the goal (m,); None where it asks nothing of them."""
    goal = study.goal
    if goal is None or (goal.plates and record.name not in goal.plates):
        return None
    asked = {FIELD[word]: most for word, most in goal.reach.items() if word in FIELD}
    if not asked:
        return None
    within = np.ones(len(record.number), dtype=bool)
    for key, most in asked.items():
        values = np.abs(record.forms[key])
        within &= ~(values > most)  # a form that is not spoken of breaks no goal
    return ~within


FIELD = {form.word: key for key, form in FORMS.items()}


def as_json(record: BatchRecord, study: Study) -> dict[str, Any]:
    """As `lapwright run --json` has it: SI."""
    batch, out = study.batch, out_of_goal(record, study)
    assert batch is not None
    first = None if out is None or not out.any() else int(record.number[int(np.argmax(out))])
    parts = [
        {
            **{name: row[name] for name in columns(BatchRecord)},
            **row["forms"],
            **{which: row[which] for which in ("came", "error", "plate")},
            "out": None if out is None else bool(out[i]),
        }
        for i, row in enumerate(record.rows())
    ]
    return {
        "part": record.name,
        "plate": record.on,
        "count": batch.count,
        "together": batch.together,
        "lapped": len(record.number),
        "averaged": record.averaged,
        "out_of_goal": None if out is None else int(out.sum()),
        "first_out": first,
        "dressings": _rows(record.dressings, len(record.dressings.after)),
        "parts": parts,
    }


def csv_text(record: BatchRecord) -> str:
    """One row a part, SI, the unit in the name of the column."""
    table = record.table()
    units = {name: how.unit for name, how in columns(BatchRecord).items()}
    named = {name: unit for name in table if (unit := units.get(name, "m")) != "1"}
    out = StringIO()
    rows = csv.writer(out, lineterminator="\n")
    rows.writerow([f"{name} [{named[name]}]" if name in named else name for name in table])
    rows.writerows(zip(*(values.tolist() for values in table.values()), strict=True))
    return out.getvalue()
