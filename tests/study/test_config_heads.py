"""The three lines that open each study of configs/ stand there, can be typed as they say, and are true.

What the first two lines say of the run itself is held in `test_configs`; here is what to change next.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import pytest

from lapwright.integration.loop import lap
from lapwright.metrology.form import Form, measure
from lapwright.study.read import parse_document
from lapwright.study.source import document_of
from lapwright.study.steps import STEP_KEYS
from lapwright.study.variants import override

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
OPENINGS = ("What you do", "What you will see", "What to change next")
FOREIGN = re.compile(
    r"survivor|eigen|drift|\bmodes?\b|preston|winkler|minimum zone|sphere|residue|astigmat|kappa",
    re.IGNORECASE,
)
TYPED = re.compile(r'\b(\w+) = ("[^"]*"|\{[^}]*\}|\[[^\]]*\])')
UM = 1e-6


def document(name: str) -> dict:
    return document_of((CONFIGS[0].parent / f"{name}.toml").read_text("utf-8"))


def end(changed: dict, cells: int = 48) -> tuple[dict[str, Form], dict[str, float]]:
    """Forms and metal off at the end [m], with so many cells."""
    study = parse_document(changed)
    plates = {n: replace(p, cells=min(cells, p.cells)) for n, p in study.plates.items()}
    *_, last = lap(plates, study.steps, rounds=study.rounds, seed=study.seed, margin=study.margin)
    return {n: measure(p, last.heights[n], study.margin) for n, p in plates.items()}, dict(
        last.removed
    )


@pytest.mark.parametrize("path", CONFIGS, ids=lambda p: p.stem)
def test_three_lines_open_a_study(path: Path) -> None:
    lines = path.read_text("utf-8").splitlines()
    for line, opening in zip(lines[:3], OPENINGS, strict=True):
        assert line.startswith(f"# {opening}: ")
        assert len(line) <= 110
        assert len(line) > len(opening) + 30, "a line that says nothing"
        assert not FOREIGN.search(line), "a word that nobody uses at the bench"
    assert lines[3].startswith("title = "), "the study begins after three lines"


@pytest.mark.parametrize("path", CONFIGS, ids=lambda p: p.stem)
def test_what_to_change_next_can_be_typed(path: Path) -> None:
    third = path.read_text("utf-8").splitlines()[2]
    typed = TYPED.findall(third)
    named = re.search(r"([\w-]+)\.toml", third)
    assert typed or named or "--" in third or "stroke" in third, "nothing to change"
    if named:
        assert (path.parent / f"{named[1]}.toml").exists()
    read = document_of(path.read_text("utf-8"))
    for key, text in typed:
        change = tomllib.loads(f"{key} = {text}")
        # A bare size such as travel or centre belongs to the stroke.
        inner = key if key in STEP_KEYS else f"stroke.{key}"
        # A list of a step's key is swept: every member of it must do.
        swept = key in STEP_KEYS and isinstance(change[key], list)
        for value in change[key] if swept else [change[key]]:
            if key in ("angle", "supports"):  # of grooves and plates, and tried elsewhere
                continue
            assert parse_document(override(read, 1, {inner: value})).steps


@pytest.mark.long
def test_grooves_on_both_lose_alike() -> None:
    read = document("grooved-pair")
    read["plates"]["A"]["grooves"] = {**read["plates"]["B"]["grooves"], "angle": "45 deg"}
    _, removed = end(read, 96)
    assert removed["A"] == pytest.approx(removed["B"], rel=0.01)


@pytest.mark.campaign
def test_swapping_keeps_two_flat_plates_nearly_flat() -> None:
    never, _ = end(document("never-swapped"))
    even, _ = end(override(document("never-swapped"), 1, {"swap_every": "5 min"}))
    for name in "AB":
        assert even[name].flatness < 0.25 * never[name].flatness
        assert even[name].flatness < 0.8 * UM


@pytest.mark.long
def test_a_last_round_of_finer_grit_leaves_a_smaller_trace() -> None:
    read = document("three-plates-quarter-turn")
    coarse, _ = end(read)
    fine = [{**step, "grit": "5 um", "stroke": {"travel": "1/6"}} for step in read["steps"]]
    read["steps"] = read["steps"] * read["rounds"] + fine
    read["rounds"] = 1
    finer, _ = end(read)
    for name in "ABC":
        assert finer[name].flatness < 0.6 * coarse[name].flatness
