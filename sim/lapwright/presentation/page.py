"""The page `report.html`: one file that opens by a double click, made from a run alone.

What it says, part by part, stands in `templates/report.html`; here is what it asks for.
Pictures are drawn once each: as SVG inside the page, and the main ones as PNG files beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
from markupsafe import Markup

from lapwright.files import put_in_place
from lapwright.integration.state import WENT_THROUGH
from lapwright.limits import BAND
from lapwright.presentation import pictures, words
from lapwright.presentation.card import card_data
from lapwright.presentation.outcome import asides
from lapwright.presentation.pictures.faces import frames_json
from lapwright.presentation.pictures.fringes import flat_words
from lapwright.presentation.render import filled
from lapwright.presentation.run_view import RunView, good_to, run_view
from lapwright.presentation.tables import again_data, forms_data, steps_cells
from lapwright.presentation.way_round import effects_words
from lapwright.results.record import Run
from lapwright.units import GRAVITY, Units, joined

__all__ = ["render", "write_page"]


BESIDE = ("faces", "sections", "history")  # pictures that are also written as PNG files


def write_page(run: Run, folder: Path) -> Path:
    """Write report.html and a few PNG pictures into `folder`; each appears whole or not at all.

    Parameters
    ----------
    run : Run
    folder : path
        Which is there.

    Returns
    -------
    path
        Of the page.

    Raises
    ------
    CannotDoError
        The folder cannot be written or the disk is full.

    """
    said = run_view(run)
    drawn = _draw(said)
    for name in BESIDE:
        figure = drawn.get(name)
        if figure is not None:
            put_in_place(folder / f"{name}.png", memoryview(pictures.png(figure)))
    page = folder / "report.html"
    put_in_place(page, memoryview(_html(said, drawn).encode("utf-8")))
    return page


def render(run: Run) -> str:
    """The page as text."""
    said = run_view(run)
    return _html(said, _draw(said))


Drawn = dict[str, pictures.Figure | None]


def _draw(said: RunView) -> Drawn:
    with pictures.sheet():
        return {
            "faces": pictures.faces(said),
            "sections": pictures.sections(said),
            "history": pictures.history(said),
            "stroke": pictures.stroke(said),
            "bearing": pictures.bearings(said),
            "metal": pictures.metal(said),
            "fringes": pictures.fringes_of(said),
        }


def _html(said: RunView, drawn: Drawn) -> str:
    lost = [face.lost for face in said.faces]
    seconds = float(said.run.time[-1]) if len(said.run.time) else 0.0
    masses = [f"{n} {Units.number(p.weight / GRAVITY)} kg" for n, p in said.study.plates.items()]
    return filled(
        "report.html",
        said=said,
        study=said.study,
        drawn=drawn,
        headline=_headline(said),
        lost=float(np.mean(lost)) if lost else 0.0,
        rubbing=Units.rubbing(seconds, said.spread),
        guessed=said.spread == BAND,
        **asides(said),
        faces_in_words=_faces_in_words(said),
        done=_done(said),
        steps=steps_cells(said),
        forms=forms_data(said),
        sure=good_to(said),
        again=again_data(said),
        metal=_metal(said),
        strokes=pictures.stroke_words(said),
        effects=effects_words(said),
        bearings=_bearings(said),
        flat=flat_words(said),
        frames=max((len(f.record.frame_time) for f in said.faces), default=0),
        rails=any(f.half[0] > 2.2 * f.half[1] for f in said.faces),
        assumed=_gathered(said.study.assumed),
        **card_data(said.run),
        masses=", ".join(masses),
        steady=all(step.hand.steady for step in said.steps),
        frames_json=Markup(frames_json(said)),
    )


# --- the first screen --------------------------------------------------------------------------


def _headline(said: RunView) -> str:
    after = {f.name: f.after for f in said.faces}
    return words.came_out(
        said.run.outcome,
        said.pair,
        said.bearing_share,
        after,
        said.finishes,
        said.units,
        nothing_done=said.nothing_done,
        bores=said.bores,
    )


def _faces_in_words(said: RunView) -> str:
    parts = []
    for face in said.faces:
        parts.append(f"{face.name} before {words.face(face.before, None, said.units)}")
        parts.append(f"after {words.face(face.after, face.finish, said.units)}")
    return "; ".join(parts)


def _done(said: RunView) -> str:
    grits = list(dict.fromkeys(f"{Units.number(s.grit.size / 1e-6)} um" for s in said.steps))
    pairs = list(dict.fromkeys(f"{s.top} on {s.bottom}" for s in said.steps))
    swaps = sum(1 for e in said.run.event if e == "swap")
    swapped = "" if not swaps else ", one swap" if swaps == 1 else f", {swaps} swaps"
    did = "Done" if said.run.outcome in WENT_THROUGH else "Meant to be done"
    return f"{did}: {joined(pairs)}{swapped}; grit {joined(grits)}."


# --- the parts ---------------------------------------------------------------------------------


def _metal(said: RunView) -> list[str]:
    lines = []
    for face in said.faces:
        got = pictures.zones(face)
        key = "bow" if face.long else "sphere"
        before, after = face.before.get(key), face.after.get(key)
        change = after - before if before is not None and after is not None else None
        grams = 1e3 * face.mass_per_depth * face.lost
        makes = (
            ("makes it hollow along", "makes it high in the middle")
            if face.long
            else ("makes a face hollow", "makes a face domed")
        )
        lines.append(
            words.metal(
                face.name,
                face.lost,
                got.inner,
                got.outer,
                change,
                grams,
                said.units,
                got.places,
                makes,
                got.side,
            )
        )
    return lines


def _bearings(said: RunView) -> list[str]:
    lines = [
        words.bears(p.title, p.top, p.bottom, p.share, p.mean, p.peak, said.units)
        for p in pictures.places(said)
    ]
    if lines and len(said.run.lift_share) and not said.nothing_done:
        lines.append(words.lifting(float(said.run.lift_share[-1])))
    return [line for line in lines if line]


def _gathered(assumed: Mapping[str, str]) -> dict[str, str]:
    """Assumptions, those that are the same for several plates or steps on one line."""
    who: dict[tuple[str, str, str], list[str]] = {}
    for key, value in assumed.items():
        kind, _, rest = key.partition(".")
        name, _, last = rest.rpartition(".") if kind != "steps" else rest.partition(".")
        if kind in ("plates", "parts", "grits", "steps") and name and last:
            who.setdefault((kind, last, value), []).append(name)
        else:
            who.setdefault(("", key, value), [])
    one = {"plates": "plate", "parts": "part", "grits": "grit", "steps": "step"}
    out = {}
    for (kind, last, value), names in who.items():
        label = last.replace("_", " ").replace(".", ", ")
        if names:
            label += f" ({kind if len(names) > 1 else one[kind]} {joined(names)})"
        out[label] = value
    return out
