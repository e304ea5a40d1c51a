"""The page `report.html`: one file that opens by a double click, made from a run alone.

What it says, part by part, stands in `templates/report.html`; here is what it asks for.
Pictures are drawn once each: as SVG inside the page, and the main ones as PNG files beside it.
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
from markupsafe import Markup
from numpy.typing import NDArray

from lapwright.files import put_in_place
from lapwright.integration.state import WENT_THROUGH
from lapwright.limits import BAND
from lapwright.presentation import bearing_words, pictures, words
from lapwright.presentation.account import asides, came_out
from lapwright.presentation.batch_text import batch_headline, batch_words, metal_off, write_parts
from lapwright.presentation.card import card_data
from lapwright.presentation.filling import filled
from lapwright.presentation.pictures.faces import Ground, contour_step, height_limit, spread_out
from lapwright.presentation.pictures.fringes import flat_words
from lapwright.presentation.pictures.ink import HEIGHTS
from lapwright.presentation.run_view import (
    Face,
    RunView,
    coarser,
    common_removed,
    good_to,
    level,
    run_view,
)
from lapwright.presentation.size_words import sizes_data
from lapwright.presentation.tables import again_data, forms_data, steps_cells
from lapwright.presentation.way_round import effects_words
from lapwright.presentation.words import say, typeset
from lapwright.results.frames import let_go
from lapwright.results.record import Run
from lapwright.specification.plate import Plate, boxes, resampled
from lapwright.study.model import guessed_layers
from lapwright.units import METRIC, NOTHING, Units, joined

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
    view = run_view(run)
    strokes, drawn = _draw(coarser(view))
    for name in BESIDE:
        figure = drawn[name]
        if figure is not None:
            put_in_place(folder / f"{name}.png", memoryview(pictures.png(figure)))
    write_parts(run, folder)
    page = folder / "report.html"
    put_in_place(page, memoryview(_html(view, strokes, drawn).encode("utf-8")))
    return page


def render(run: Run) -> str:
    """The page as text."""
    view = run_view(run)
    return _html(view, *_draw(coarser(view)))


Drawn = dict[str, pictures.Figure | None]


def _draw(view: RunView) -> tuple[list[str], Drawn]:
    """What is said of the strokes, and every picture."""
    strokes, places = pictures.reaches(view), pictures.places(view)
    with pictures.sheet():
        return pictures.stroke_words(view, strokes), {
            "faces": pictures.faces(view),
            "sections": pictures.sections(view),
            "history": pictures.history(view),
            "stroke": pictures.stroke(view, strokes),
            "bearing": pictures.bearings(places, view.units) if places else None,
            "metal": pictures.metal(view),
            "fringes": pictures.fringes_of(view),
            "parts": pictures.parts(view),
        }


def _html(view: RunView, strokes: list[str], drawn: Drawn) -> str:
    seconds = float(view.run.time[-1]) if len(view.run.time) else 0.0
    lost = float(np.mean([face.lost for face in view.faces]))
    return filled(
        "report.html",
        view=view,
        study=view.study,
        drawn=drawn,
        headline=batch_headline(view) or came_out(view),
        batch=batch_words(view),
        metal_off=metal_off(view) or f"{view.units.size(lost)} removed (mean)",
        rubbing=Units.rubbing(seconds, view.spread),
        guessed=view.spread == BAND,
        layers=bool(guessed_layers(view.study)),
        bent=any(step.bends for step in view.steps),
        warmed=any(any(step.warm.values()) for step in view.steps),
        **asides(view),
        faces_in_words=_faces_in_words(view),
        done=_done(view),
        steps=steps_cells(view),
        forms=forms_data(view),
        thick=sizes_data(view),
        sure=good_to(view),
        again=again_data(view),
        metal=[_metal(face, view) for face in view.faces],
        strokes=strokes,
        effects=effects_words(view),
        bearings=_bearings(view),
        flat=flat_words(view),
        frames=max(len(f.record.frame_time) for f in view.faces),
        rails=any(f.half[0] > 2.2 * f.half[1] for f in view.faces),
        assumed=_gathered(view.study.assumed),
        **card_data(view.run),
        masses=masses_words(view.study.plates, view.units),
        steady=all(step.hand.steady for step in view.steps),
        frames_json=Markup(frames_json(view)),
    )


def masses_words(plates: Mapping[str, Plate], units: Units) -> str:
    """What each plate weighs, for who lifts it: "A 9.6 lb, B 9.6 lb".

    Parameters
    ----------
    plates
        By name.
    units
        Those of the bench.

    """
    return ", ".join(f"{name} {units.mass(plate.total_mass)}" for name, plate in plates.items())


# --- the first screen --------------------------------------------------------------------------


def _faces_in_words(view: RunView) -> str:
    return "; ".join(
        f"{view.called(face.name, False)} before {words.face(face.before, None, view.units)}; "
        f"{_again(view, face)}after {words.face(face.after, face.doubt, view.units)}"
        for face in view.faces
    )


def _again(view: RunView, face: Face) -> str:
    """What a face is called after, where that is another than before."""
    first, last = (view.called(face.name, after) for after in (False, True))
    return "" if first == last else f"{last} "


def _done(view: RunView) -> str:
    grits = list(dict.fromkeys(f"{Units.number(s.grit.size / 1e-6)} um" for s in view.steps))
    pairs = list(dict.fromkeys(f"{s.top} on {s.bottom}" for s in view.steps))
    swaps = sum(1 for e in view.run.event if e == "swap")
    swapped = "" if not swaps else ", one swap" if swaps == 1 else f", {swaps} swaps"
    did = "Done" if view.run.outcome in WENT_THROUGH else "Meant to be done"
    return f"{did}: {joined(pairs)}{swapped}; grit {joined(grits)}."


# --- the parts ---------------------------------------------------------------------------------


UNEVEN = 0.03  # difference between middle and rim, as a share of the mean, from which it is said


def metal_words(
    name: str,
    mean: float,
    middle: float | None,
    rim: float | None,
    sphere_change: float | None = None,
    grams: float | None = None,
    units: Units = METRIC,
    places: tuple[str, str] = ("in the middle", "at the rim"),
    makes: tuple[str, str] = ("makes a face hollow", "makes a face domed"),
    side: tuple[str, float, float] | None = None,
    between: tuple[float, float, float, float] | None = None,
) -> str:
    """Where the metal went on one plate: mean depth lost, lost in the middle, lost at the rim [m].

    `sphere_change` [m] is how the dome (a rail: the bow) grew (+) or sank (-); the sentence names the effect
    only where it agrees with where the metal went, as `makes` has it: more off the first place, off the
    second.  `grams` is the mass lost.  `side`: the hour towards which most went, the mean depth lost in that
    half and in the other [m], where that is what there is to say.  `between`: how far out [m] most went,
    the depth there, at the first place and at the second [m], where that is neither of both.
    """
    if mean < NOTHING:
        return say("came.lost.nothing", plate=name)
    weight = Units.number(grams) if grams is not None and grams > 0.005 else ""
    lost = say("came.lost.text", units, plate=name, mean=mean, grams=weight)
    if side is not None:
        clock, near, far = side
        return say("came.lost.side", units, lost=lost, clock=clock, near=near, far=far)
    if between is not None:
        sizes = dict(zip(("at", "most", "first", "last"), between, strict=True))
        return say("came.lost.between", units, lost=lost, middle=places[0], rim=places[1], **sizes)
    if middle is None or rim is None or not (math.isfinite(middle) and math.isfinite(rim)):
        return f"{lost}."
    if abs(rim - middle) < UNEVEN * mean or Units.number(rim) == Units.number(middle):
        return say("came.lost.even", lost=lost, middle=places[0], rim=places[1])
    more, less = (places[1], places[0]) if rim > middle else places
    grew = 0.0 if sphere_change is None else sphere_change * (rim - middle)
    agrees = sphere_change is not None and grew > 0 and abs(sphere_change) > NOTHING
    return say(
        "came.lost.uneven",
        units,
        lost=lost,
        high=max(rim, middle),
        low=min(rim, middle),
        more=more,
        less=less,
        place=more.split(" ", 1)[1],
        makes=(makes[1] if rim > middle else makes[0]) if agrees else "",
    )


def _metal(face: Face, view: RunView) -> str:
    got, key = pictures.zones(face), "bow" if face.long else "sphere"
    before, after = face.before[key], face.after[key]
    change = after - before if before is not None and after is not None else None
    grams = view.grams(face.name, face.lost)
    makes = ("makes a face hollow", "makes a face domed")
    if face.long:
        makes = ("makes it hollow along", "makes it high in the middle")
    depths, where = (face.lost, got.inner, got.outer), (got.side, got.between)
    return metal_words(face.name, *depths, change, grams, view.units, got.places, makes, *where)


def _bearings(view: RunView) -> list[str]:
    lines = [
        bearing_words.bears(p.title, *p.names, p.share, p.mean, p.peak, view.units)
        for p in pictures.places(view)
    ]
    if lines and len(view.run.lift_share) and not view.nothing_done:
        shares = view.run.lift_share
        before = bool((np.nan_to_num(shares) > 0.0).any())
        lines.append(bearing_words.lifting(float(shares[-1]), before))
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
            who.setdefault(("", key.replace("goal.effort", "handling"), value), [])
    out = {}
    for (kind, last, value), names in who.items():
        label = last.replace("_", " ").replace(".", ", ")
        if names:
            label += f" ({kind if len(names) > 1 else kind.removesuffix('s')} {joined(names)})"
        out[label] = value
    return out


# --- the slider --------------------------------------------------------------------------------

BUDGET = 850_000  # bytes of heights in all, so that the page stays well under three megabytes
FINEST = 112  # cells along the longer side: finer than a screen shows at this size


def frames_json(view: RunView) -> str:
    """The saved surfaces for the slider, one byte a cell, a scale a frame: safe inside a script element."""
    run, limit, removed = view.run, height_limit(coarser(view)), common_removed(view)
    times = max((face.record.frame_time for face in view.faces), key=len)
    most = min(FINEST, int((BUDGET / (len(view.faces) * len(times))) ** 0.5))
    # The entry of the history nearest in time to each frame, the later one of equals.
    entries = [len(run.time) - 1 - int(np.argmin(np.abs(run.time[::-1] - t))) for t in times]
    told = ["at the start"] * len(times)
    for k, entry in enumerate(entries[1:], 1):
        off = view.units.size(float(np.interp(times[k], run.time, removed)))
        who = f"{run.top[entry]} on {run.bottom[entry]}"
        told[k] = typeset(f"{off} removed; {Units.rubbing(times[k], view.spread)}; {who}")
    plates = [_thinned(face, most) for face in view.faces]
    for plate, face in zip(plates, view.faces, strict=True):
        plate["words"] = [_shape(face, entry, view.units) for entry in [0, *entries[1:]]]
    data = {
        "limit": limit / 1e-6,
        "step": contour_step(limit, view.units) / 1e-6,
        "ramp": _text(HEIGHTS),
        "told": told,
        "plates": plates,
    }
    return json.dumps(data, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def _shape(face: Face, entry: int, units: Units) -> str:
    forms = {key: float(face.form(key)[entry]) for key in face.before}
    known = {key: value if np.isfinite(value) else None for key, value in forms.items()}
    return typeset(words.face(known, face.doubt, units))


def _text(shares: NDArray[np.float64]) -> str:
    """Shares as bytes."""
    whole = np.rint(255.0 * np.clip(shares, 0.0, 1.0)).astype(np.uint8)
    return base64.b64encode(np.ascontiguousarray(whole).tobytes()).decode("ascii")


def _thinned(face: Face, most: int) -> dict[str, object]:
    """Frames of a face on at most `most` cells along its longer side; lengths in mm, heights in um."""
    ground, few = Ground.of(face), []
    edges, centres = ground.edges, []
    keep = min(1.0, max(most, 8) / max(ground.land.shape))
    for axis, (low, high) in ((ground.y, edges[2:]), (ground.x, edges[:2])):
        count = max(2, round(len(axis) * keep))
        width = (high - low) / count
        centres.append(low + width * (np.arange(count) + 0.5))
        step = (high - low) / len(axis)
        few.append(boxes(float(axis[0]), step, len(axis), centres[-1], width))
    on = face.on * ground.land
    land, weight = (resampled(values, *few) for values in (ground.land, on))
    maps, lows, spans = [], [], []
    for frame in face.record.frames:
        z = resampled(on * np.nan_to_num(level(face.record, frame)), *few)
        z = spread_out(np.where(weight > 0.02, z / np.maximum(weight, 0.02), np.nan), 3) / 1e-6
        low = float(np.nanmin(z))
        span = float(np.nanmax(z)) - low
        maps.append(np.nan_to_num((z - low) / (span or 1.0)))
        lows.append(round(low, 6))
        spans.append(round(span, 6))
        let_go(face.record.frames)
    small = Ground(centres[1], centres[0], land, ground.outer, ground.bore)
    ny, nx = land.shape
    return {
        "nx": nx,
        "ny": ny,
        "cells": _mm(edges),
        "window": _mm(face.half),
        "outer": [_mm(point) for point in face.outer],
        "bore": round(1e3 * face.bore, 4),
        "low": lows,
        "span": spans,
        "land": _text(np.where(small.grooved, land, 1.0)),
        "z": _text(np.stack(maps)),
    }


def _mm(lengths: Iterable[float]) -> list[float]:
    return [round(1e3 * float(length), 4) for length in lengths]
