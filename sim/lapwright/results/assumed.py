"""What a study leaves unsaid, and what is taken for it: grouped, so that it can be read at a glance."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from lapwright.report.beforehand import wears
from lapwright.units import METRIC, joined

if TYPE_CHECKING:
    from lapwright.study.model import Study

__all__ = ["in_words"]

Pairs = dict[tuple[str, str], list[str]]


def in_words(study: Study) -> list[str]:
    """One line for all that is taken alike: of the study, of plates, of grits, of steps."""
    whole: list[str] = []
    plates: Pairs = {}
    grits: Pairs = {}
    steps: Pairs = {}
    for key, value in study.assumed.items():
        room, _, rest = key.partition(".")
        name, _, what = rest.partition(".")
        if room in ("plates", "parts") and what:
            plates.setdefault((what, value), []).append(name)
        elif room == "grits" and what:
            grits.setdefault(_of_grit(study, name, what, value), []).append(name)
        elif room == "steps" and what.startswith("grit."):
            grit = study.steps[int(name) - 1].grit.name
            same = grits.setdefault(_of_grit(study, grit, what.removeprefix("grit."), value), [])
            same += [grit] if grit not in same else []
        elif room == "steps" and what:
            steps.setdefault((what, value), []).append(name)
        else:
            whole.append(f"{key} {value}")
    lines = [("the study", "; ".join(whole))] if whole else []
    lines += [(f"{_one_or_more('plate', names)}", what) for names, what in _alike(plates)]
    lines += [(f"grit {joined(names)}", what) for names, what in _alike(grits)]
    lines += [(_one_or_more("step", names), what) for names, what in _alike(steps)]
    width = max((len(head) for head, _ in lines), default=0) + 2
    return [f"{head:<{width}}{what}" for head, what in lines]


def _one_or_more(word: str, names: list[str]) -> str:
    return f"{word}{'' if len(names) == 1 else 's'} {joined(names)}"


def _alike(pairs: Pairs) -> Iterator[tuple[list[str], str]]:
    """Gather what holds for the same names into one line."""
    groups: dict[tuple[str, ...], list[str]] = {}
    for (what, value), names in pairs.items():
        groups.setdefault(tuple(names), []).append(f"{what.replace('.', ' ')} {value}")
    for together, said in groups.items():
        yield list(together), "; ".join(said)


def _of_grit(study: Study, name: str, what: str, value: str) -> tuple[str, str]:
    """What is taken of a grit, in the study's units and in words."""
    grit = next((s.grit for s in study.steps if s.grit.name == name), None)
    if grit is None:
        return what, value
    if what == "wear":
        return "cuts", f"{wears(grit.wear.iron, study.units)} on grey iron, a guess within a band of ten"
    if what == "layer":
        typed = study.units is METRIC
        gives = study.units.size(grit.layer.depth, echo=typed)
        return (
            "layer",
            f"gives {gives} under {study.units.pressure(grit.layer.pressure, echo=typed)}",
        )
    if what == "fade":
        return (
            "fade",
            'none, as it is not known: a dab cuts on as if fresh (fade = "8 min" says how it tires)',
        )
    return what, value
