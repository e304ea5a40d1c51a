"""The page `report.html`: one file that opens by a double click, made from a run alone.

The page is a list of parts in order (`PARTS`); what a later kind of answer needs, it adds there.
Pictures are drawn once each: as SVG inside the page, and the main ones as PNG files beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib.resources import files
from pathlib import Path

import numpy as np

from lapwright.files import put_in_place
from lapwright.integration.state import WENT_THROUGH
from lapwright.limits import BAND
from lapwright.presentation import pictures, words
from lapwright.presentation.outcome import asides
from lapwright.presentation.pictures.faces import frames_json
from lapwright.presentation.pictures.fringes import flat_words
from lapwright.presentation.run_view import RunView, good_to, run_view
from lapwright.presentation.tables import (
    CAUTIONS,
    again_table,
    bullets,
    forms_table,
    part,
    sheet,
    steps_table,
)
from lapwright.presentation.way_round import effects_words
from lapwright.presentation.words import escaped, verbatim
from lapwright.results.record import Run
from lapwright.units import GRAVITY, Units, joined

__all__ = ["PARTS", "render", "write_page"]


BESIDE = ("faces", "sections", "history")  # pictures that are also written as PNG files


def write_page(run: Run, folder: Path) -> Path:
    """Write report.html and a few PNG pictures into `folder`; each appears whole or not at all.

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
    cuts = _picture(drawn, "sections", "The two faces lying on each other, cut through the middle")
    faces = _picture(drawn, "faces", "Faces before and after: " + _faces_in_words(said))
    script = (files("lapwright.presentation") / "templates" / "page.js").read_text("utf-8")
    return sheet(
        "run",
        title=f"{said.title}: lapwright report",
        study=said.title,
        facts=_facts(said),
        about="What came out",
        headline=_headline(said),
        first=f'{asides(said)}\n<figure class="faces">{faces}</figure>\n'
        + (f'<figure class="cuts">{cuts}</figure>' if cuts else ""),
        parts=(part(name, title, make(said, drawn)) for name, title, make in PARTS),
        foot=f"{said.run.program}; study {said.run.study_stem}{_seed(said)}",
        tail=(
            f'<script type="application/json" id="frames-data">{frames_json(said)}</script>\n'
            f"<script>\n{script}\n</script>\n"
        ),
    )


def _seed(said: RunView) -> str:
    """The seed, where anything hangs on it: a hand that scatters."""
    return "" if all(step.hand.steady for step in said.steps) else f", seed {said.study.seed}"


def _picture(drawn: Drawn, name: str, label: str) -> str:
    figure = drawn.get(name)
    return "" if figure is None else pictures.svg(figure, name, label)


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


def _facts(said: RunView) -> str:
    lost = [f.lost for f in said.faces]
    mean = float(np.mean(lost)) if lost else 0.0
    seconds = float(said.run.time[-1]) if len(said.run.time) else 0.0
    return f"{said.units.size(mean)} removed (mean); {Units.rubbing(seconds, said.spread)}"


def _done(said: RunView) -> str:
    if not said.steps:
        return ""
    grits = list(dict.fromkeys(f"{Units.number(s.grit.size / 1e-6)} um" for s in said.steps))
    pairs = list(dict.fromkeys(f"{s.top} on {s.bottom}" for s in said.steps))
    swaps = sum(1 for e in said.run.event if e == "swap")
    swapped = "" if not swaps else ", one swap" if swaps == 1 else f", {swaps} swaps"
    did = "Done" if said.run.outcome in WENT_THROUGH else "Meant to be done"
    return f"{did}: {joined(pairs)}{swapped}; grit {joined(grits)}."


# --- the parts ---------------------------------------------------------------------------------


def _steps(said: RunView, drawn: Drawn) -> str:
    done = _done(said)
    return (f"<p>{escaped(done)}</p>" if done else "") + steps_table(said)


def _history(said: RunView, drawn: Drawn) -> str:
    inside = _picture(drawn, "history", "Dome or dish of each plate against metal removed")
    if not inside:
        return ""
    notes = []
    if any(said.finishes.values()):
        notes.append(
            "The shaded band is finer than a tenth of the grit: the finish is rougher than this."
        )
    if said.spread == BAND:
        notes.append(
            "The minutes are known to a band of ten until you weigh a plate; "
            "what shape comes after how much metal is firm."
        )
    told = f'<p class="note">{escaped(" ".join(notes))}</p>' if notes else ""
    return f'<figure class="wide">{inside}</figure>{told}'


def _forms(said: RunView, drawn: Drawn) -> str:
    sure = good_to(said)
    return forms_table(said) + (f'<p class="note">{escaped(sure)}</p>' if sure else "")


def _again(said: RunView, drawn: Drawn) -> str:
    return again_table(said)


def _metal(said: RunView, drawn: Drawn) -> str:
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
    told = bullets(lines)
    inside = _picture(drawn, "metal", "Where the metal went: " + " ".join(lines))
    return f'{told}<figure class="wide">{inside}</figure>'


def _stroke(said: RunView, drawn: Drawn) -> str:
    inside = _picture(
        drawn, "stroke", "Path of the top's centre over the plate below, with the lift-off line"
    )
    if not inside:
        return ""
    told = bullets(pictures.stroke_words(said))
    return f'{told}<figure class="wide">{inside}</figure>'


def _effects(said: RunView, drawn: Drawn) -> str:
    """What the strokes take out, leave alone and make, whatever the faces were."""
    return "".join(
        f"<h3>{escaped(title)}</h3>{bullets(lines)}" for title, lines in effects_words(said)
    )


def _bearing(said: RunView, drawn: Drawn) -> str:
    inside = _picture(drawn, "bearing", "Pressure of the top on the plate below")
    got = pictures.places(said)
    if not inside or not got:
        return ""
    lines = [
        words.bears(p.title, p.top, p.bottom, p.share, p.mean, p.peak, said.units) for p in got
    ]
    if len(said.run.lift_share) and not said.nothing_done:
        lines.append(words.lifting(float(said.run.lift_share[-1])))
    told = bullets(line for line in lines if line)
    return f'{told}<figure class="wide">{inside}</figure>'


def _flat(said: RunView, drawn: Drawn) -> str:
    """What an optical flat would show: the bands of each face, and whether they will be seen at all."""
    panel = _picture(drawn, "fringes", "Bands that an optical flat would show")
    told = bullets(flat_words(said))
    return told + (f'<figure class="wide">{panel}</figure>' if panel else "")


def _card(said: RunView, drawn: Drawn) -> str:
    """The work card for the bench, as `report --card` prints it."""
    from lapwright.presentation.card import card_html

    # The card is as wide as its paper: on a narrow screen it scrolls by itself.
    return f'<div class="wide">{card_html(said.run)}</div>'


def _slider(said: RunView, drawn: Drawn) -> str:
    count = max((len(f.record.frame_time) for f in said.faces), default=0)
    if count < 2:
        return ""
    rails = " rails" if any(f.half[0] > 2.2 * f.half[1] for f in said.faces) else ""
    stage = "".join(
        f'<figure><canvas id="slider-canvas-{k}" role="img" aria-label="{escaped(f.name)}"></canvas>'
        f'<figcaption><b>{escaped(f.name)}</b><span id="slider-words-{k}"></span></figcaption></figure>'
        for k, f in enumerate(said.faces)
    )
    return (
        '<div class="player"><button type="button" id="slider-play">Play</button>'
        f'<input type="range" id="slider-range" min="0" max="{count - 1}" value="{count - 1}" step="1" '
        'aria-label="Moment of the work"><output id="slider-told" for="slider-range"></output></div>'
        f'<div class="stage{rails}" id="stage">{stage}</div>'
        '<p class="note">Same height scale and contour lines as the faces above. '
        "Arrow keys move one picture on or back, Home and End go to the start and the end.</p>"
    )


def _assumed(said: RunView, drawn: Drawn) -> str:
    seconds = float(said.run.time[-1]) if len(said.run.time) else 0.0
    lost = float(np.mean([f.lost for f in said.faces])) if said.faces else 0.0
    if said.spread != BAND:
        first = (
            "The wear was taken from what you saw go, so the minutes are good to about a third either way; "
            "wear falls off and scatters even when nothing changes."
        )
    else:
        first = (
            "How fast the grit cuts is a guess, known to a band of ten, until you weigh a plate before "
            "and after. "
            "What shape comes out after so much metal removed is firm."
        )
    lines = [
        first,
        f"So read the result as: after {said.units.both(lost)} off (mean), "
        f"{Units.rubbing(seconds, said.spread)}.",
        "How far the grit layer gives is a guess too: 0.05 of the grit at "
        f"{said.units.pressure(3e3)}, perhaps 0.02 to 0.15. "
        "It sets the small hollow that both plates keep.",
        "Not modelled: bending of the plates, heat, grit piling up before the leading edge, a starved or "
        "flowing layer, scratches.",
    ]
    listed = bullets(lines)
    keys = _gathered(said.study.assumed)
    if not keys:
        return listed
    rows = "".join(
        f'<tr><th scope="row">{escaped(k)}</th><td>{escaped(v)}</td></tr>' for k, v in keys.items()
    )
    caption = "<caption>Not said in the study, so taken as usual.</caption>"
    table = f'<table class="assumed">{caption}<tbody>{rows}</tbody></table>'
    return f"{listed}{table}"


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


def _cautions(said: RunView, drawn: Drawn) -> str:
    masses = [f"{n} {Units.number(p.weight / GRAVITY)} kg" for n, p in said.study.plates.items()]
    own = [f"Masses here: {', '.join(masses)}."] if masses else []
    lines = [CAUTIONS[0] + (" " + own[0] if own else ""), *CAUTIONS[1:]]
    return bullets(lines)


def _text(said: RunView, drawn: Drawn) -> str:
    versions = {"program": said.run.program, **said.run.versions}
    listed = "".join(
        f"<div><dt>{escaped(k)}</dt><dd>{escaped(str(v))}</dd></div>" for k, v in versions.items()
    )
    wall = f"<div><dt>took</dt><dd>{said.run.wall_time:.1f} s of computing</dd></div>"
    return f'{verbatim(said.run.study_text)}<dl class="versions">{listed}{wall}</dl>'


Part = tuple[str, str, Callable[[RunView, Drawn], str]]
PARTS: tuple[Part, ...] = (
    ("done", "What was done", _steps),
    ("history", "How they got there", _history),
    ("forms", "The faces in figures", _forms),
    ("again", "Lapped again, finer", _again),
    ("metal", "Where the metal went", _metal),
    ("stroke", "Your stroke on the plate", _stroke),
    ("effects", "What the stroke leaves alone, and what it makes", _effects),
    ("bearing", "How it bears", _bearing),
    ("flat", "What a flat would show", _flat),
    ("slider", "Play the surfaces", _slider),
    ("assumed", "What was assumed, and how sure it is", _assumed),
    ("card", "The work card", _card),
    ("cautions", "Cautions", _cautions),
    ("study", "The study", _text),
)
