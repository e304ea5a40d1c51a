"""Study files: from TOML to a `Study` in SI, or to all the faults of the file at once.

load(path) reads a file, parse(text, stem) a text, parse_document(document, stem) a TOML document, such as
`override` makes.  Nothing heavy is imported here: this runs before `lapwright preview` says its first word.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lapwright.errors import Fault
from lapwright.lapping.step import Grit, Step
from lapwright.plate.measure import EdgeMargin
from lapwright.plate.plate import Plate
from lapwright.study.cross import check_margin, check_together
from lapwright.study.faults import Faults, RefusedError, shown
from lapwright.study.grits import grits_of, in_inches
from lapwright.study.later import sweep_of, tune_of, variants_of
from lapwright.study.model import Study
from lapwright.study.override import override
from lapwright.study.plates import plates_of
from lapwright.study.source import document_of, text_of
from lapwright.study.steps import steps_of
from lapwright.study.surfaces.asked import Maps
from lapwright.study.table import Table, choice, text, whole
from lapwright.study.units import LENGTH, quantity, read_share
from lapwright.units import Units

__all__ = ["document_of", "load", "override", "parse", "parse_document"]

ROOT_KEYS = (
    "title",
    "seed",
    "units",
    "rounds",
    "edge_margin",
    "note",
    "plates",
    "parts",
    "grits",
    "steps",
    "variants",
    "sweep",
    "tune",
    "gauges",
    "readings",
)
EDGE_SHARE = 0.02
LARGEST_MARGIN = 0.02  # [m]


def load(path: str | Path) -> Study:
    """Read a study file.

    Raises
    ------
    StudyError
        With every fault of the file, or why it cannot be read at all.

    """
    path = Path(path)
    return parse(text_of(path), path.stem, path.parent)


def parse(text: str, stem: str = "study", folder: Path | None = None, *, maps: bool = True) -> Study:
    """Read the text of a study; `stem` is its file's name, `folder` where files that it names lie.

    Without a folder they are looked for in the current one.  With `maps` False no height map is looked for
    and plates come without: for the study in a run file, which holds the faces themselves.

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
    faults = Faults()
    assumed: dict[str, str] = {}
    root = Table(faults, "", document)
    root.known.update(ROOT_KEYS)
    head = _head(root, stem, assumed)
    named = Maps((folder or Path()) if maps else None, head["margin"])
    plates, steps = _work(root, assumed, named)
    check_margin(root, head["margin"], plates)
    own = set(faults.found)

    def check(changed: dict[str, Any]) -> list[Fault]:
        """Faults that a changed document has beside those of this one."""
        return [fault for fault in _faults_of(changed, named) if fault not in own]

    parts: dict[str, Any] = {
        "variants": variants_of(root, dict(document), len(steps), check),
        "swept": sweep_of(root, dict(document), len(steps), check),
        "goal": tune_of(root, dict(document), plates, check),
        **_gauges(root, plates),
    }
    root.done()
    faults.check()
    if head["units"] is Units.INCH:
        used = ((f"steps.{n}.grit", step.grit) for n, step in enumerate(steps, 1) if step is not None)
        assumed = in_inches(assumed, used)
    return Study(
        **head,
        plates={name: plate for name, plate in plates.items() if plate is not None},
        steps=tuple(step for step in steps if step is not None),
        assumed=assumed,
        text=text,
        stem=stem,
        folder=folder,
        **parts,
    )


def _faults_of(document: dict[str, Any], maps: Maps) -> list[Fault]:
    """Faults of plates, grits and steps alone."""
    faults = Faults()
    _work(Table(faults, "", document), {}, maps)
    return faults.found


def _work(
    root: Table, assumed: dict[str, str], maps: Maps
) -> tuple[dict[str, Plate | None], list[Step | None]]:
    """Plates and steps, and what can be told of them together."""
    plates = plates_of(root, assumed, maps)
    if len(plates) == 1 and not root.faults.found:
        root.fault("plates", 'has one plate: two are needed, such as plates.B = { like = "A" }', "missing")
    grits: dict[str, Grit | None] = grits_of(root, plates, assumed)
    steps = steps_of(root, plates, grits, assumed)
    check_together(root, plates, steps)
    return plates, steps


def _gauges(root: Table, plates: Mapping[str, Plate | None]) -> dict[str, Any]:
    """Gauges and readings; their room is entered only for a study that has them: `preview` is in a hurry."""
    if not (root.has("gauges") or root.has("readings")):
        return {}
    from lapwright.study.gauges import gauges_of, readings_of

    gauges = gauges_of(root, plates)
    return {"gauges": gauges, "readings": readings_of(root, plates, gauges)}


def _head(root: Table, stem: str, assumed: dict[str, str]) -> dict[str, Any]:
    """Title, seed and what else stands before the first table."""
    title = root.take("title", text)
    seed = root.take("seed", whole(0, 2**63 - 1, "a seed"))
    units = root.take("units", choice(("metric", "inch"), "a language of answers"))
    rounds = root.take("rounds", whole(1, 10_000, "a number of rounds"))
    margin = root.take("edge_margin", _margin)
    root.take("note", text)
    for key, default in (
        ("title", stem),
        ("seed", "0"),
        ("units", "metric"),
        ("rounds", "1"),
        ("edge_margin", "2 %"),
    ):
        if not root.has(key):
            assumed[key] = default
    return {
        "title": stem if title is None else title,
        "seed": seed or 0,
        "units": Units(units or "metric"),
        "rounds": rounds or 1,
        "margin": EdgeMargin(share=EDGE_SHARE) if margin is None else margin,
    }


_margin_length = quantity(LENGTH, least="0 mm", most="20 mm")


def _margin(value: Any) -> EdgeMargin:
    """What is left out at the edge: a share of the smaller side, or a length."""
    how = 'write "2 %" of a face\'s smaller side, or a length such as "3 mm"'
    if not isinstance(value, str):
        raise RefusedError(f"{shown(value)} has no unit: {how}", "bare_number")
    try:
        share = read_share(value)
    except RefusedError as trouble:
        if trouble.code != "unit":
            raise
        try:
            return EdgeMargin(share=None, length=_margin_length(value))
        except RefusedError as second:
            if second.code == "range":
                raise
            raise RefusedError(f"{shown(value)} is no edge margin: {how}", second.code) from None
    if "%" not in value and "/" not in value:
        raise RefusedError(f"{shown(value)} has no unit: {how}", "bare_number")
    if not 0.0 <= share <= 0.3:
        raise RefusedError(f"{shown(value)} cannot be: an edge margin lies between 0 % and 30 %", "range")
    return EdgeMargin(share=share, length=None)
