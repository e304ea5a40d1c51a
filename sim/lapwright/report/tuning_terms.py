"""The words of a search for a schedule: quantities that a goal asks for, and keys that may move."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lapwright.lapping.schedule import last_grit
from lapwright.limits import limit_of
from lapwright.planning.knobs import where
from lapwright.planning.naming import name_of, said
from lapwright.planning.tuning import Asked, Candidate, Course, Nudge, Tuning
from lapwright.study.model import Study
from lapwright.units import Units, joined

__all__ = [
    "Setting",
    "asked_for",
    "finish",
    "idle_keys",
    "label",
    "place",
    "settings",
    "spoken",
    "worst",
]

NAMES = {
    "flatness": "flatness",
    "dome": "dome or dish",
    "difference": "difference of the domes",
    "mating": "misfit of the pair, rms",
}


# --- what was asked ----------------------------------------------------------------------------


def asked_for(asked: Sequence[Asked], units: Units) -> str:
    """The goal as something that is there: "A and B flat within 0.30 um, no twist above 0.10 um in A"."""
    groups: dict[tuple[str, float, bool], list[str]] = {}
    for one in asked:
        groups.setdefault((one.form, one.limit, one.kept), []).append(one.plate or "")
    return "; ".join(_there(*key, joined(names), units) for key, names in groups.items())


def _there(form: str, limit: float, kept: bool, plates: str, units: Units) -> str:
    size, name = units.size(limit), NAMES.get(form, form)
    if form == "mating":
        return f"a misfit of {size} at most"
    if form == "difference":
        return f"domes that differ by {size} at most"
    if kept:
        many = " and " in plates
        return f"{plates} {'keep their' if many else 'keeps its'} {name} to within {size}"
    return f"{plates} flat within {size}" if form == "flatness" else f"no {name} above {size} on {plates}"


def label(one: Asked) -> str:
    """One quantity: "flatness of A", "change of the dome or dish of B"."""
    name = NAMES.get(one.form, one.form)
    told = name if one.plate is None else f"{name} of {one.plate}"
    return f"change of the {told}" if one.kept else told


def worst(asked: Sequence[Asked], course: Course) -> Asked:
    """The quantity that is the furthest over what is asked, or the least below it."""
    return max(asked, key=lambda one: course.worst.get(one.key, 0.0) / one.limit)


def finish(study: Study, plate: str | None) -> float:
    """A tenth of the last grit on a plate (None: of the finest) [m]."""
    if plate is None:
        return limit_of("finish") * min(step.grit.size for step in study.steps)
    return limit_of("finish") * (last_grit(study.steps, plate) or 0.0)


# --- what it sets ------------------------------------------------------------------------------


@dataclass(frozen=True)
class Setting:
    """One key that was set: where ("step 1", "" where there is but one), what, to what, and what it was.

    `remark`: why it makes no difference, where that was found.
    """

    where: str
    what: str
    now: str
    was: str
    remark: str = ""

    @property
    def name(self) -> str:
        """Where and what in one: "step 1, A on top for"."""
        return ", ".join(part for part in (self.where, self.what) if part)


def settings(got: Tuning, way: Candidate) -> list[Setting]:
    """What a schedule sets, in the order of the goal's free keys."""
    found = []
    begun = got.begun.document if got.begun is not None else {}
    idle = idle_keys(got) if way is got.answer else ()
    for key, value in way.changes.items():
        step, what = place(got.study, key, way.order)
        remark = _whole_step(way, key) or ("changes nothing here" if key in idle else "")
        found.append(Setting(step, what, value, _typed(begun, got.study, key), remark))
    if way.order and list(way.order) != sorted(way.order):
        usual = joined([str(n) for n in sorted(way.order)])
        found.append(Setting("", "order of the old steps", joined([str(n) for n in way.order]), usual))
    return found


def _whole_step(way: Candidate, key: str) -> str:
    """Whether a plate lies on top for all of its step, so that nothing is swapped."""
    match = re.fullmatch(r"steps\.(\d+)\.swap_every\.(.+)", key)
    if match is None:
        return ""
    number, name = int(match[1]), match[2]
    step = way.study.steps[way.order.index(number) if way.order else number - 1]
    stays = step.swap.on_top.get(name, 0.0) if step.swap is not None else 0.0
    whole = name == step.top and stays >= step.total_strokes / step.pace
    return f"longer than the step: {name} stays on top" if whole else ""


def idle_keys(got: Tuning) -> tuple[str, ...]:
    """Keys of which neither a tenth less, nor a tenth more, nor another choice changes anything."""
    by_key: dict[str, list[Nudge]] = {}
    for nudge in got.sensitivity:
        by_key.setdefault(nudge.key, []).append(nudge)
    return tuple(
        key
        for key, nudges in by_key.items()
        if all(one.trouble is None and one.change and not any(one.change.values()) for one in nudges)
    )


def place(study: Study, key: str, order: Sequence[int] = ()) -> tuple[str, str]:
    """A free key in words: which step (by its number in `order`; "" where there is but one), what of it."""
    match = re.fullmatch(r"steps\.(\d+)\.(.+)", key)
    if match is None:
        return "", "order of the steps" if key == "order" else key
    number, steps = int(match[1]), study.steps
    own = order or range(1, len(steps) + 1)
    return where(number, own), name_of(match[2], steps[number - 1])


def spoken(study: Study, key: str) -> str:
    """A free key in words: "step 1, A on top for"."""
    return Setting(*place(study, key), "", "").name


def _typed(document: Mapping[str, Any], study: Study, key: str) -> str:
    """What the study says for a key, or what was taken as usual; "" where neither is a plain value."""
    at: Any = document
    for part in key.split("."):
        if isinstance(at, list) and part in ("x", "y") and len(at) == 2:
            at = at["xy".index(part)]
        elif isinstance(at, list):
            at = at[int(part) - 1] if part.isdecimal() and int(part) <= len(at) else None
        elif isinstance(at, Mapping):
            at = at.get(part)
        elif not isinstance(at, str):
            at = None
    if isinstance(at, list) and key.endswith("centre"):
        at = at[0]
    return said(at) if at is not None else study.assumed.get(key, "")
