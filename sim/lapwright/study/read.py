"""Study files: from TOML to a `Study` in SI, or to all the faults of the file at once.

load(path) reads a file, parse(text, stem) a text, parse_document(document, stem) a TOML document, such as
`override` makes.  Nothing heavy is imported here: this runs before `lapwright preview` says its first word.

What can be told cheaply of plates and steps together: a step that can obviously not work is refused.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from lapwright.errors import Fault
from lapwright.metrology.form import EdgeMargin
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import bench
from lapwright.specification.said import Faults, listed, shown
from lapwright.specification.step import Grit, Step
from lapwright.specification.table import Table, text
from lapwright.study.batches import batch_goal, batch_of, laid_out
from lapwright.study.bends import decided
from lapwright.study.faces import Maps, Start, begun
from lapwright.study.goal import Effort
from lapwright.study.model import Study
from lapwright.study.plates import grits_of, in_inches, plates_of
from lapwright.study.source import document_of, text_of
from lapwright.study.steps import steps_of
from lapwright.study.variants import doubts_of, sweep_of, tune_of, variants_of
from lapwright.units import Units

if TYPE_CHECKING:
    from lapwright.metrology.instruments import Gauge

LONGEST_RUN = 50_000_000  # strokes in all; a year of eight-hour days at 40 a minute has 5 million


def check_together(
    root: Table, plates: Mapping[str, Plate | None], steps: Sequence[Step | None]
) -> None:
    """Note what cannot work in any step."""
    for number, step in enumerate(steps, 1):
        if step is None:
            continue
        top, bottom = plates.get(step.top), plates.get(step.bottom)
        if top is None or bottom is None:
            continue
        key = f"steps.{number}"
        _lies_on(root, key, step, top, bottom)
        for over in (top, bottom) if step.swap is not None else (top,):
            _pressed_on(root, key, step, over)
        _lasts(root, key, step)
        held = step.grit.held_in
        if held is not None and held not in (step.top, step.bottom):
            aside = f"{shown(step.grit.name)} is held in {held}, which lies aside in this step"
            how = f"take another grit or make {held} top or bottom"
            root.faults.add(f"{key}.grit", f"{aside}: {how}", "value")
        named = step.grit.wear.plates
        if named and step.grit.wear.iron is None and not {step.top, step.bottom} & set(named):
            only = f"the wear of {shown(step.grit.name)} is known for {listed(named, 'and')} only"
            how = f"give it for {step.top} or {step.bottom} too"
            root.faults.add(f"{key}.grit", f"{only}: {how}", "value")
    _observations(root, steps)


def _lies_on(root: Table, key: str, step: Step, top: Plate, bottom: Plate) -> None:
    """The top must come to lie on the bottom somewhere in its stroke."""
    away, half = math.hypot(*step.centre), step.curve.half_travel
    radius = bottom.outline.radius
    reach = top.outline.radius + radius
    far, travel, ends = (
        root.faults.units.length(size, echo=True) for size in (away, 2.0 * half, radius)
    )
    if away - half >= reach:
        never = f"it never comes to lie on the bottom, which ends at {ends}"
        root.faults.add(f"{key}.stroke.centre", f"lays the top {far} away: {never}", "no_overlap")
    elif half >= reach:
        falls = "the top falls off; a travel of a third of the top is usual"
        told = f"travels {travel}, off the bottom altogether: {falls}"
        root.faults.add(f"{key}.stroke", told, "no_overlap")


def _pressed_on(root: Table, key: str, step: Step, top: Plate) -> None:
    """A hand must press on the top, not beside it."""
    for number, palm in enumerate(step.load.hands, 1):
        x, y = (np.array([part]) for part in palm.at)
        if float(top.outline.signed_distance(x, y)[0]) > 0.0:
            place = ", ".join(root.faults.units.length(part, echo=True) for part in palm.at)
            wrong = f"hand {number} presses beside {top.name}, at {place}: bring it onto the top"
            root.faults.add(f"{key}.hands", wrong, "range")


def _lasts(root: Table, key: str, step: Step) -> None:
    if not step.total_strokes <= LONGEST_RUN:
        said = "time" if step.strokes is None else "strokes"
        many = f"makes {step.total_strokes:.2g} strokes: {LONGEST_RUN:.0e} are the most"
        root.faults.add(f"{key}.{said}", many, "range")


def _observations(root: Table, steps: Sequence[Step | None]) -> None:
    """An observation is read in the first step that uses its grit, so its plate must rub there."""
    seen: set[str] = set()
    for number, step in enumerate(steps, 1):
        if step is None or step.grit.name in seen:
            continue
        seen.add(step.grit.name)
        observed = step.grit.wear.observed
        if observed is not None and observed.plate not in (None, step.top, step.bottom):
            aside = f"{shown(observed.plate)} lies aside in step {number}, the first with this grit"
            key = f"grits.{step.grit.name}.wear.plate"
            root.faults.add(key, f"{aside}: name {step.top} or {step.bottom}", "value")


def check_margin(root: Table, margin: EdgeMargin, plates: Mapping[str, Plate | None]) -> None:
    """The edge margin must leave some of every face."""
    for name, plate in plates.items():
        if plate is None:
            continue
        inset = margin.of(plate.outline) + (plate.grooves.rim if plate.grooves is not None else 0.0)
        if plate.outline.shrunk(1.05 * inset) is None:
            left_out = root.faults.units.length(margin.of(plate.outline), echo=True)
            nothing = f"of {left_out} leaves nothing of {name} to measure: write a smaller one"
            root.faults.add("edge_margin", nothing, "range")


# What stands before the first table, by the names of the fields of a study.
HEAD = {
    **{name: name for name in ("title", "seed", "units", "rounds")},
    "margin": "edge_margin",
    "bending": "bending",
}
ROOT_KEYS = (
    *HEAD.values(),
    *("note", "plates", "parts", "grits", "steps", "variants", "sweep", "goal"),
    *("tune", "gauges", "readings", "doubts", "start", "batch", "compare"),
)


def load(path: str | Path, start: Any = None) -> Study:
    """Read a study file; `start` takes the place of what it says of that.

    Parameters
    ----------
    path : path
        Of the study.
    start : optional
        A start in place of its own.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With every fault of the file, or why it cannot be read at all.

    """
    path = Path(path)
    # A name that is no UTF-8 is one that neither run files nor answers can hold.
    stem = os.fsencode(path.stem).decode("utf-8", "replace")
    text = text_of(path)
    if start is not None:
        from lapwright.study.write import written

        text = written(document_of(text) | {"start": start}, like=text)
    return parse(text, stem, path.parent)


def parse(
    text: str, stem: str = "study", folder: Path | None = None, *, maps: bool = True
) -> Study:
    """Read the text of a study; `stem` is its file's name, `folder` where files that it names lie.

    Without a folder they are looked for in the current one.  With `maps` False no height map is looked for
    and plates come without: for the study in a run file, which holds the faces themselves.

    Parameters
    ----------
    text : str
        TOML.
    stem, folder, maps
        As above.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        With every fault of the text.

    """
    return parse_document(document_of(text), stem, folder, text=text, maps=maps)


def parse_document(
    document: Mapping[str, Any],
    stem: str = "study",
    folder: Path | None = None,
    *,
    text: str = "",
    maps: bool = True,
) -> Study:
    """Read a study from its TOML document, the rest as in `parse`.

    Raises
    ------
    StudyError
        With every fault of the document.

    """
    inch = str(document.get("units", "")).strip().lower() == Units.INCH
    with bench(Units.INCH if inch else Units.METRIC) as heard:
        return _parsed(document, stem, folder, text, maps, heard)


def _parsed(
    document: Mapping[str, Any],
    stem: str,
    folder: Path | None,
    text: str,
    maps: bool,
    heard: Mapping[str, str],
) -> Study:
    """The study; `heard`: what words meant at this bench, by the word, filled in as they are read."""
    faults = Faults()
    assumed: dict[str, str] = {}
    root = Table(faults, "", document, assumed)
    root.known.update(ROOT_KEYS)
    head = _head(root, stem)
    faults.units = head["units"]
    named = Maps((folder or Path()) if maps else None, head["margin"])
    plates, steps, start = _work(root, named)
    check_margin(root, head["margin"], plates)
    batch = batch_of(root, plates, steps)
    own = set(faults.found)

    def check(changed: dict[str, Any]) -> list[Fault]:
        """Faults that a changed document has beside those of this one."""
        return [fault for fault in _faults_of(changed, named, faults.units) if fault not in own]

    parts: dict[str, Any] = {
        "variants": variants_of(root, dict(document), len(steps), check),
        "swept": sweep_of(root, dict(document), len(steps), check),
        "goal": batch_goal(root, batch, plates),
        "tuned": tune_of(root, dict(document), check),
        "at": _compared_at(root),
        "doubts": doubts_of(root, plates),
        **_gauges(root, plates, (folder or Path()) if maps else None),
    }
    root.done()
    faults.check()
    if head["units"] is Units.INCH:
        named_steps = ((n, step) for n, step in enumerate(steps, 1) if step is not None)
        assumed = in_inches(assumed, ((f"steps.{n}.grit", step.grit) for n, step in named_steps))
        if "goal.effort.metal" in assumed:
            assumed["goal.effort.metal"] = Units.INCH.per_metal(Effort().metal)
    if batch is not None:
        head["rounds"] = batch.loads
    study = Study(
        **head,
        plates=laid_out({n: plate for n, plate in plates.items() if plate is not None}, batch),
        steps=tuple(step for step in steps if step is not None),
        assumed=assumed | dict(heard),
        typed=tuple(sorted(_typed(document))),
        text=text,
        stem=stem,
        folder=folder,
        start=start,
        batch=batch,
        **parts,
    )
    return decided(study)


def _typed(table: Mapping[str, Any], place: str = "") -> Iterator[str]:
    """Every key that a document says, such as "steps.1.pace"; tables of a list are numbered from 1."""
    for key, value in table.items():
        yield place + key
        if isinstance(value, Mapping):
            yield from _typed(value, f"{place}{key}.")
        elif isinstance(value, list):
            for number, item in enumerate(value, 1):
                if isinstance(item, Mapping):
                    yield from _typed(item, f"{place}{key}.{number}.")


def _faults_of(document: dict[str, Any], maps: Maps, units: Units) -> list[Fault]:
    """Faults of plates, grits, steps and batch alone."""
    faults = Faults(units)
    root = Table(faults, "", document)
    plates, steps, _ = _work(root, maps)
    batch_of(root, plates, steps)
    return faults.found


def _work(
    root: Table, maps: Maps
) -> tuple[dict[str, Plate | None], list[Step | None], Start | None]:
    """Plates, steps and where the faces come from, and what can be told of them together."""
    plates = plates_of(root, maps)
    if len(plates) == 1 and not root.faults.found:
        one = 'has one plate: two are needed, such as plates.B = { like = "A" }'
        root.fault("plates", one, "missing")
    start = begun(root, plates, maps)
    grits: dict[str, Grit | None] = grits_of(root, plates)
    steps = steps_of(root, plates, grits)
    check_together(root, plates, steps)
    return plates, steps, start


def _compared_at(root: Table) -> float | str:
    """Where ways of lapping are compared."""
    table = root.table("compare", '[compare], and below it at = "metal" or at = "end"')
    if table is None:
        if root.has("variants") or root.has("sweep"):
            root.assumed["compare.at"] = "metal"
        return Study.at
    at = table.said(Study, "at", "at")
    table.take("note", text)
    table.done()
    return Study.at if at is None else at


def _gauges(root: Table, plates: Mapping[str, Plate | None], folder: Path | None) -> dict[str, Any]:
    """Gauges and readings; their room is entered only for a study that has them: `preview` is in a hurry."""
    if not (root.has("gauges") or root.has("readings")):
        return {}
    from lapwright.study.gauges import gauges_of, readings_of

    gauges = _with_usual(root, plates, gauges_of(root, plates))
    return {"gauges": gauges, "readings": readings_of(root, plates, gauges, folder)}


def _with_usual(
    root: Table, plates: Mapping[str, Plate | None], gauges: Mapping[str, Gauge | None]
) -> dict[str, Gauge | None]:
    """The gauges of a study and the usual ones that its readings name, as `--reading` takes them too.

    The names in the readings are put down as those of the gauges that they mean: "spherometer" as
    "spherometer, three feet", for a plate on which it is another size as "... for B".
    """
    from lapwright.metrology.reading import by_name, name_on, usual_of

    entries, found = root.data.get("readings"), dict(gauges)
    if not isinstance(entries, list):
        return found
    usual = {name: usual_of(plate) for name, plate in plates.items() if plate is not None}
    known, named = by_name(usual), []
    for entry in entries:
        word, plate = (
            entry.get(key) if isinstance(entry, Mapping) else None for key in ("gauge", "plate")
        )
        own = usual.get(plate, {}) if isinstance(plate, str) else {}
        meant = next(
            (g for g in own.values() if word in (g.name, g.kind, name_on(g.name, str(plate)))), None
        )
        if not isinstance(word, str) or word in gauges or meant is None:
            named.append(entry)
            continue
        other = name_on(meant.name, str(plate))
        name = other if known.get(other) == meant else meant.name
        found[name] = replace(meant, name=name)
        named.append({**entry, "gauge": name})
    root.data = {**root.data, "readings": named}
    return found


def _head(root: Table, stem: str) -> dict[str, Any]:
    """Title, seed and what else stands before the first table."""
    found: dict[str, Any] = {}
    for name, key in HEAD.items():
        value = root.said(Study, name, key)
        found[name] = getattr(Study, name) if value is None else value
    root.take("note", text)
    root.assume(Study, **{name: key for name, key in HEAD.items() if name != "bending"})
    if not root.has("title"):
        found["title"] = root.assumed["title"] = stem
    return found
