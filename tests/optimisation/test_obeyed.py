"""`next`, and what a run says to do next, obeyed three times: no form of the goal ends 0.1 um worse.

Four cases of a tool-room in which rules of thumb, obeyed to the letter, made good faces worse: two rectangles
by turns on a much heavier disc, a rail that was lapped on past its best, squares of unlike weight, a pair in
wind.  The shops are hidden and drawn as the book believes (`PracticeShop`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pytest

from lapwright.optimisation import advise as choice
from lapwright.optimisation.bench import Bench
from lapwright.optimisation.book import Book, PracticeShop
from lapwright.optimisation.entry import Entry
from lapwright.optimisation.sight import all_readings
from lapwright.presentation.advice import advise
from lapwright.presentation.run_view import run_view
from lapwright.specification.step import Step
from lapwright.study.faces import ended
from lapwright.study.model import Study
from lapwright.study.read import parse

pytestmark = pytest.mark.usefixtures("searched")

STEP = """[[steps]]
top = "{}"
bottom = "{}"
grit = "15 um"
load = "20 N"
pace = "60 /min"
fresh_grit_every = "5 min"
time = "10 min"
{}
"""
TURNED = 'turn = "8 deg per stroke"'
CASES = {
    "two rectangles by turns on a heavy disc": """
plates.A = { rectangle = ["300 mm", "200 mm"], thickness = "25 mm", cells = 24, form = { bow = "1 um" } }
plates.B = { disc = "450 mm", thickness = "60 mm", cells = 24, form = { dome = "1 um" } }
plates.C = { rectangle = ["300 mm", "200 mm"], thickness = "60 mm", cells = 24, form = { bow = "-8.3 um" } }
"""
    + STEP.format("A", "B", TURNED)
    + STEP.format("C", "B", TURNED),
    "a rail on a plate": """units = "inch"
plates.plate = { rectangle = ["18 in", "12 in"], thickness = "2 in", cells = 24, form = { bow = "0 uin" } }
parts.rail = { rectangle = ["12 in", "1.5 in"], thickness = "1 in", cells = 32, form = { bow = "60 uin" } }
"""
    + STEP.format("rail", "plate", 'turn = "180 deg every 10 strokes"\nstroke = { kind = "line" }'),
    "squares of unlike weight": """units = "inch"
plates.A = { rectangle = ["12 in", "12 in"], thickness = "1 in", cells = 24, form = { dome = "110 uin" } }
plates.B = { like = "A", thickness = "3 in", form = { dish = "60 uin" } }
"""
    + STEP.format("A", "B", TURNED),
    "a pair in wind": """
plates.A = { rectangle = ["300 mm", "200 mm"], thickness = "30 mm", cells = 24, form = { wind = "5 um" } }
plates.B = { like = "A", form = { wind = "5 um" } }
"""
    + STEP.format("A", "B", ""),
}
SPELLS = 3
TALKS = 8  # rounds of `next`, readings that it asks for first among them


def obeyed(case: str, seed: int) -> np.ndarray:
    """Sizes of all that is asked [m], (moments, asked), as a hidden shop goes by the advice."""
    book = Book(parse(CASES[case], "mine"))
    shop = PracticeShop(book.bench, seed)
    sizes, spells = [], 0
    for _ in range(TALKS):
        sizes.append(book.goal.sizes(book.bench.layout, shop.truth[None])[0])
        advice = book.next() if spells < SPELLS else None
        if advice is None or (advice.step is None and not advice.read):
            break
        if advice.step is None:
            entry = Entry(readings=tuple(one.reading for one in advice.read))
        else:
            shop.lap(advice.step)
            spells += 1
            entry = Entry(advice.step, readings=all_readings(book.bench))
        book.add(shop.read(entry))
    return np.array(sizes)


@pytest.mark.long
@pytest.mark.usefixtures("hasty")
@pytest.mark.parametrize("case", CASES)
def test_nothing_gets_worse_by_what_is_advised(case: str) -> None:
    """By a book in a hurry, three spells."""
    sizes = obeyed(case, 0)
    assert (sizes[-1] <= sizes.min(axis=0) + 0.1e-6).all()


@pytest.mark.long
@pytest.mark.parametrize("case", CASES)
def test_nor_by_the_whole_planner_obeyed_to_the_end(
    case: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until it says stop, or for twelve spells; nothing is played in haste."""
    monkeypatch.setitem(globals(), "SPELLS", 12)
    monkeypatch.setitem(globals(), "TALKS", 30)
    sizes = obeyed(case, 0)
    assert (sizes[-1] <= sizes.min(axis=0) + 0.1e-6).all()


@pytest.mark.long
@pytest.mark.usefixtures("hasty")
def test_a_pair_in_wind_is_lapped_out_of_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """In short, by a book in a hurry: two spells take a third of the wind out and make nothing worse.

    They are short.
    """
    monkeypatch.setitem(globals(), "SPELLS", 2)
    sizes = obeyed("a pair in wind", 0)
    assert (sizes[-1] <= sizes.min(axis=0) + 0.1e-6).all()
    assert (sizes[-1] < 0.65 * sizes[0]).all()


@pytest.mark.campaign
@pytest.mark.usefixtures("hasty")
def test_any_pair_of_several_plates_may_come_next(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each pair of a study goes on by itself; once only the first pair could be played to its end."""
    book = Book(parse(CASES["two rectangles by turns on a heavy disc"], "mine"))
    usual = choice.candidates

    def of_the_second(bench: Bench, steps: Sequence[Step], longest: float) -> Iterator[Step]:
        yield next(step for step in usual(bench, steps, longest) if step.top == "C")

    monkeypatch.setattr(choice, "candidates", of_the_second)
    monkeypatch.setattr(choice, "DOUBTED", 0.0)  # nothing is to be read first
    advice = book.next()
    assert advice.why in ("go on", "closer", "worse", "no better")
    assert advice.step is None or (advice.step.top, advice.step.bottom) == ("C", "B")


def rounds_of(study: Study) -> np.ndarray:
    """Flatness [m] of each face, (moments, plates), as advice is obeyed to the letter by the engine."""
    flat = []
    for _ in range(1 + SPELLS):
        run = study.run()
        flat.append([plate.forms["flatness"][-1] for plate in run.plates.values()])
        advice = advise(run_view(run))
        assert advice is not None
        if not advice.steps:
            break
        faces = ended(run)
        left = {n: replace(p, form=faces.form(n, study.margin)) for n, p in study.plates.items()}
        study = replace(study, steps=advice.steps, plates=left)
    return np.array(flat)


def random_text(seed: int) -> str:
    """A pair of a tool-room: two of a size, or a part carried round a plate; any turn, swap, stroke."""
    rng = np.random.default_rng([seed, 0x6F626579])
    kind = rng.choice(["discs", "squares", "rails", "ring", "disc"])

    def plate(outline: str, cells: int) -> str:
        sizes = {"dome": 2.0, "twist": 1.0, "saddle": 1.0}
        sizes = {"bow": 2.0, "wind": 1.0} if kind == "rails" else sizes
        form = ", ".join(f'{name} = "{rng.normal(0, size):.2f} um"' for name, size in sizes.items())
        thick = f'thickness = "{rng.uniform(15, 60):.0f} mm", cells = {cells}'
        return f"{{ {outline}, {thick}, form = {{ {form} }} }}"

    if kind in ("ring", "disc"):
        part = 'ring = ["90 mm", "50 mm"]' if kind == "ring" else 'disc = "80 mm"'
        plates = plate(part, 40), plate('disc = "220 mm"', 48)
        centre = 'centre = ["40 mm", "0 mm"], carry_centre = true'
        more = f'stroke = {{ kind = "circle", radius = "30 mm", {centre} }}\nwalk = "5 deg per stroke"\n'
    else:
        outline = {
            "discs": 'disc = "160 mm"',
            "squares": 'rectangle = ["150 mm", "150 mm"]',
            "rails": 'rectangle = ["240 mm", "60 mm"]',
        }[kind]
        plates = plate(outline, 48), plate(outline, 48)
        kinds = "line", "circle", "figure-eight"
        more = f'stroke = {{ kind = "{rng.choice(kinds)}", travel = "1/4" }}\n'
        more += rng.choice(["", 'swap_every = "5 min"\n'])
    more += rng.choice(
        ["", *(f'turn = "{t}"\n' for t in ("8 deg per stroke", "90 deg every 10 strokes"))]
    )
    return STEP.format("A", "B", more).join(
        [f"plates.A = {plates[0]}\nplates.B = {plates[1]}\n", ""]
    )


@pytest.mark.long
@pytest.mark.often(0)
@pytest.mark.parametrize("case", CASES)
def test_what_a_run_says_to_do_next_makes_nothing_worse(case: str) -> None:
    flat = rounds_of(parse(CASES[case], "mine"))
    assert (flat[-1] <= flat.min(axis=0) + 0.1e-6).all()


@pytest.mark.long
@pytest.mark.often("0")
@pytest.mark.parametrize("seed", range(8))
def test_nor_for_pairs_drawn_at_random(seed: int) -> None:
    """What is within 0.3 um, which is asked where a study asks for nothing, is as good as flat."""
    flat = rounds_of(parse(random_text(seed), "mine"))
    assert (flat[-1] <= np.maximum(flat.min(axis=0) + 0.1e-6, 0.3e-6)).all()
