"""The log of a pair, STEM.log.toml: one entry a spell, what was done and what was read after it.

A log is read as a study is: its steps and readings are put into the study's own document and go through the
same reader, so every fault of the file is told at once.  Settled: the format, and that an entry is appended
or taken back whole.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lapwright.errors import Fault, StudyError
from lapwright.files import locked, put_beside
from lapwright.metrology.reading import Reading
from lapwright.specification.batch import MOST_PARTS
from lapwright.specification.quantities import MASS, quantity
from lapwright.specification.rates import read_temperature
from lapwright.specification.said import Faults, RefusedError, shown
from lapwright.specification.step import Step
from lapwright.specification.table import Table, text, whole
from lapwright.study.model import Study
from lapwright.study.read import parse_document
from lapwright.study.source import document_of, text_of
from lapwright.study.write import inline

HOW = "[[spells]] with [spells.done] or [[spells.readings]]"
HOW_SWAPPED = (
    "is in metal, which says when they are to change places, not when they did: write how long each was on "
    'top, such as swap_every = "4 min" (from log: --done "step 1, 10 min, swapped every 4 min")'
)
MOST = 1000
_mass = quantity(MASS, least="0 g", most="10 kg")


@dataclass(frozen=True)
class Entry:
    """One spell: `done` since the entry before (None: more readings of the same faces), then what was read.

    `parts`: how many parts of a batch were lapped so, one load after another (0: it was no batch).
    `any_hand`: nothing is said of the hand.  `lost` [kg] by plate; `temperature` [K]; `restart`: plates whose
    faces are as if never read; `zeroed`: gauges that were set to nought anew before the readings.
    """

    done: Step | None = None
    any_hand: bool = False
    readings: tuple[Reading, ...] = ()
    lost: Mapping[str, float] = field(default_factory=dict)
    date: datetime.date | None = None
    temperature: float | None = None
    note: str = ""
    restart: tuple[str, ...] = ()
    zeroed: tuple[str, ...] = ()
    parts: int = 0


def log_of(study: Path) -> Path:
    """Where the log of a study stands: beside it."""
    return study.with_suffix(".log.toml")


def entries_of(log: str, study: Study) -> tuple[Entry, ...]:
    """The entries of a log's text, oldest first.

    Raises
    ------
    StudyError
        With every fault of it.

    """
    document = document_of(log)
    faults = Faults(study.units)
    root = Table(faults, "", document)
    spells = _spells(root)
    root.done()
    parts = [_own(Table(faults, f"spells.{n}", one), study) for n, one in enumerate(spells, 1)]
    read, places = _as_study(study, spells)
    if isinstance(read, list):
        for fault in read:
            faults.add(_placed(fault.key, places), fault.message, fault.code)
    faults.check()
    assert isinstance(read, Study)
    steps = iter(enumerate(read.steps, 1))
    by_part: dict[int, list[Reading]] = {}
    for reading in read.readings:
        by_part.setdefault(reading.part, []).append(reading)
    parts_read = iter(by_part[part] for part in sorted(by_part))
    entries = []
    for spell, own in zip(spells, parts, strict=True):
        number, done = next(steps) if "done" in spell else (0, None)
        some = tuple(one for _ in spell.get("readings", ()) for one in next(parts_read))
        any_hand = f"steps.{number}.hand" in read.assumed
        if done is not None and done.swap is not None and done.swap.removed:
            faults.add(_placed(f"steps.{number}.swap_every", places), HOW_SWAPPED)
        entries.append(Entry(done=done, any_hand=any_hand, readings=some, **own))
    faults.check()
    return tuple(entries)


def _spells(root: Table) -> list[dict[str, Any]]:
    spells = root.data.get("spells", []) if root.has("spells") else []
    if not isinstance(spells, list) or not all(isinstance(one, dict) for one in spells):
        root.fault("spells", f"{shown(spells)} is no list of entries: write {HOW}", "type")
        return []
    if len(spells) > MOST:
        root.fault("spells", f"{len(spells)} entries are too many: {MOST} are the most", "range")
        return []
    return spells


def _own(table: Table, study: Study) -> dict[str, Any]:
    """What an entry says beside its step and readings."""
    table.known |= {"done", "readings"}
    for key, kind in (("done", dict), ("readings", list)):
        if key in table.data and not isinstance(table.data[key], kind):
            table.fault(key, f"{shown(table.data[key])} is none: write {HOW}", "type")
    if not any(key in table.data for key in ("done", "readings", "lost", "restart")):
        table.fault("", f"says neither what was done nor what was read: write {HOW}", "missing")
    lost = table.table("lost", 'lost = { A = "0.12 g" }')
    out: dict[str, Any] = {
        "date": table.take("date", _date),
        "temperature": table.take("temperature", read_temperature),
        "note": table.take("note", text) or "",
        "restart": table.take("restart", lambda value: _names(value, study.plates, "plate")) or (),
        "zeroed": table.take("zeroed", lambda value: _names(value, study.gauges, "gauge")) or (),
        "parts": table.take("parts", _parts) or 0,
        "lost": {},
    }
    if out["parts"] and not isinstance(table.data.get("done"), dict):
        table.fault("parts", "says how many, but not how: write [spells.done]", "missing")
    if lost is not None:
        out["lost"] = {
            name: mass for name in study.plates if (mass := lost.take(name, _mass)) is not None
        }
        lost.done()
        if "done" not in table.data:
            table.fault(
                "lost",
                "says what a spell took, but there is no spell: write [spells.done]",
                "missing",
            )
    table.done()
    return out


_parts = whole(1, MOST_PARTS, "a number of parts")


def _date(value: Any) -> datetime.date:
    if isinstance(value, datetime.date) and not isinstance(value, datetime.datetime):
        return value
    raise RefusedError(
        f"{shown(value)} is no date: write year-month-day, such as 2026-01-31", "type"
    )


def _names(value: Any, known: Mapping[str, Any], what: str) -> tuple[str, ...]:
    names = value if isinstance(value, list) else [value]
    wrong = [name for name in names if name not in known]
    if wrong:
        raise RefusedError(
            f"there is no {what} {shown(wrong[0])}: here are {', '.join(known) or 'none'}", "name"
        )
    return tuple(names)


def _as_study(
    study: Study, spells: list[dict[str, Any]]
) -> tuple[Study | list[Fault], dict[tuple[str, int], str]]:
    """The study with all steps done and all readings, or its faults; and where each stands in the log."""
    document = {
        key: value
        for key, value in document_of(study.text).items()
        if key not in ("variants", "sweep", "tune")
    }
    places: dict[tuple[str, int], str] = {}
    steps, readings = [], []
    for number, spell in enumerate(spells, 1):
        if isinstance(spell.get("done"), dict):
            steps.append(spell["done"])
            places["steps", len(steps)] = f"spells.{number}.done"
        some = spell.get("readings", [])
        for k, reading in enumerate(some if isinstance(some, list) else [], 1):
            readings.append({"date": spell["date"], **reading} if "date" in spell else reading)
            places["readings", len(readings)] = f"spells.{number}.readings.{k}"
    if steps:
        document["steps"] = steps
    document["readings"] = readings
    try:
        return parse_document(document, study.stem, study.folder), places
    except StudyError as trouble:
        return list(trouble.faults), places


def _placed(key: str, places: Mapping[tuple[str, int], str]) -> str:
    """A key of the study that a log was read as, as it is called in the log."""
    kind, _, rest = key.partition(".")
    number, _, rest = rest.partition(".")
    if number.isdigit() and (kind, int(number)) in places:
        home = places[kind, int(number)]
        return f"{home}.{rest}" if rest else home
    return key


def entry_text(document: Mapping[str, Any]) -> str:
    """One entry as it stands in a log."""
    plain = {key: value for key, value in document.items() if key not in ("done", "readings")}
    lines = ["[[spells]]", *(f"{key} = {inline(value)}" for key, value in plain.items())]
    tables = [("[spells.done]", document["done"])] if "done" in document else []
    tables += [("[[spells.readings]]", one) for one in document.get("readings", ())]
    for head, table in tables:
        lines += ["", head, *(f"{key} = {inline(value)}" for key, value in table.items())]
    return "\n".join(lines) + "\n"


def append(path: Path, document: Mapping[str, Any], study: Study) -> tuple[Entry, ...]:
    """Put an entry at the end of a log and give all entries; a log with faults, old or new, stays as it is.

    Raises
    ------
    StudyError
        With every fault of what the log would be.
    CannotDoError
        It cannot be written, or another process is at work in the folder.

    """
    with locked(path.parent):
        old = text_of(path) if path.exists() else ""
        gap = "\n" if old and not old.endswith("\n\n") else ""
        new = old + gap + entry_text(document)
        entries = entries_of(new, study)
        put_beside(path, new.encode("utf-8"))
    return entries


def take_back(path: Path) -> bool:
    """Take the last entry out of a log, whatever it says; False where there is none.

    Raises
    ------
    CannotDoError
        It cannot be written, or another process is at work in the folder.

    """
    with locked(path.parent):
        old = text_of(path) if path.exists() else ""
        lines = old.splitlines(keepends=True)
        count = len(tomllib.loads(old).get("spells", []))
        for at in reversed(range(len(lines))):
            if lines[at].strip().startswith("[[spells]]"):
                kept = "".join(lines[:at])
                if len(tomllib.loads(kept).get("spells", [])) == count - 1:
                    put_beside(
                        path, (kept.rstrip("\n") + "\n" if kept.strip() else "").encode("utf-8")
                    )
                    return True
    return False
