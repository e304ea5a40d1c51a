"""What is to be reached, by which `tune`, `compare` and the book of a pair go, and what handling costs.

A form is reached when it is as small as the goal says, in size.  `renewed` puts the [tune] of before there
was a [goal] as it is written now: for run files, which keep the study that they were made from.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from lapwright.errors import StudyError
from lapwright.limits import limit_of
from lapwright.metrology.form import FORMS, LONG, ROUND
from lapwright.specification.plate import Plate
from lapwright.specification.quantities import LENGTH, TIME, find, quantity, read_text
from lapwright.specification.rates import ASKED_SIZE, Reader
from lapwright.specification.said import Frozen, RefusedError, Said, made, shown, spelled
from lapwright.specification.step import EVERY
from lapwright.specification.table import Table, text
from lapwright.specification.wedge import THICKNESSES, WEDGES
from lapwright.study.plates import a_plate
from lapwright.study.sizes import KEYS, take_sizes
from lapwright.units import joined

OF_ROUND, OF_LONG = (tuple(FORMS[key].word for key in keys) for keys in (ROUND, LONG))
NOT_OF = {False: OF_LONG, True: OF_ROUND}  # by whether the outline is long
ASKED = ("flatness", *OF_ROUND, *OF_LONG, "difference", "mating")
HOW_GOAL = 'flatness = "0.3 um"'
HOW_KEEP = 'keep = { B = { dome = "0.1 um" } }'
HOW_EFFORT = (
    'effort = { swap = "2 min", reading = "5 min", wash = "15 min", metal = "1 min per um" }'
)
OLD = ("reach", "plates", "keep", "hold")  # stood in [tune]

_WORK = quantity(TIME, least="0 min", most="1 d")
_EACH = re.compile(r"(?P<time>.*?) ?(?:/|\bper\b|\ba\b|\beach\b) ?(?P<of>\S+)")


def _per_metal(value: Any) -> float:
    """Work [s/m] from "1 min per um"."""
    how = 'write a time for so much metal, such as "1 min per um"'
    if isinstance(value, int | float) and not isinstance(value, bool):
        raise RefusedError(f"{shown(value)} has no unit: {how}", "bare_number")
    got = _EACH.fullmatch(read_text(value, "what metal costs"))
    unit = find(got["of"], LENGTH.units) if got is not None else None
    if got is None or unit is None:
        raise RefusedError(f"{shown(value)} says no time for so much metal: {how}", "unit")
    try:
        return _WORK(got["time"]) / unit
    except RefusedError as trouble:
        raise RefusedError(f"{shown(value)}: {trouble.message}; {how}", trouble.code) from None


def _typed_per_metal(value: float) -> str:
    short = f"{value * 1e-6 / 60.0:.12g} min per um"
    return short if _per_metal(short) == value else f"{value!r} s per m"


@dataclass(frozen=True)
class Effort(Frozen):
    """What handling costs, in time of work.

    Parameters
    ----------
    swap : float or str
        To lay the other plate on top [s]; of a heavy one more (`swap_of`).
    reading : float or str
        To wash and read both plates [s].
    wash : float or str
        To wash plates, bench and hands before another grit [s].
    metal : float or str
        What a metre of metal off the plates is worth [s/m], "1 min per um".

    """

    swap: Said[float] = Said(_WORK, "2 min")
    reading: Said[float] = Said(_WORK, "5 min")
    wash: Said[float] = Said(_WORK, "15 min")
    metal: Said[float] = Said(Reader(_per_metal, _typed_per_metal), "1 min per um")

    def swap_of(self, mass: float) -> float:
        """What it costs to lay a plate on top: above what is heavy, more by its weight.

        Parameters
        ----------
        mass : float
            Of that plate [kg].

        Returns
        -------
        float
            [s]

        """
        return self.swap * max(1.0, mass / limit_of("heavy"))


USUAL_EFFORT = Effort()


def _keeping(value: Any) -> dict[str, dict[str, float]]:
    """For each plate, by how much forms may change [m]: text, or numbers in SI."""
    if not isinstance(value, Mapping) or not all(isinstance(v, Mapping) for v in value.values()):
        raise RefusedError(f"{shown(value)} says no forms of a plate: write {HOW_KEEP}", "type")
    return {
        name: {
            form: ASKED_SIZE(size) if isinstance(size, str) else size
            for form, size in forms.items()
        }
        for name, forms in value.items()
    }


def _kept_table(keep: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, str]]:
    return {
        n: {form: ASKED_SIZE.typed(size) for form, size in of.items()} for n, of in keep.items()
    }


def _some_names(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or not all(isinstance(one, str) for one in value):
        raise RefusedError(
            f'{shown(value)} is no list of plates: write plates = ["A", "B"]', "type"
        )
    return tuple(dict.fromkeys(value))


@dataclass(frozen=True)
class Goal(Frozen):
    """What is to be reached: each form that is said, at most so large, in size, on every plate named.

    Parameters
    ----------
    flatness, dome, saddle, twist, bow, crown, wind : float or str, optional
        Forms of each plate [m]; "dome" is dome or dish.
    difference, mating : float or str, optional
        Of the pair [m]: how far the two domes read apart; the misfit, rms.
    thickness, wedge : mapping
        How thick each plate named is to be, its mean [m], and how far out of parallel it may be [m].
    plates : tuple of str
        On which plates; () for all, or for the parts of a batch.
    hold : float or str, optional
        The time to which it must stay reached [s]; at the end if it is not said.
    keep : mapping
        Of each plate named, forms that may change by so much at most [m].
    effort : Effort or mapping
        What handling costs.

    """

    flatness: Said[float | None] = Said(ASKED_SIZE, default=None)
    dome: Said[float | None] = Said(ASKED_SIZE, default=None)
    saddle: Said[float | None] = Said(ASKED_SIZE, default=None)
    twist: Said[float | None] = Said(ASKED_SIZE, default=None)
    bow: Said[float | None] = Said(ASKED_SIZE, default=None)
    crown: Said[float | None] = Said(ASKED_SIZE, default=None)
    wind: Said[float | None] = Said(ASKED_SIZE, default=None)
    difference: Said[float | None] = Said(ASKED_SIZE, default=None)
    mating: Said[float | None] = Said(ASKED_SIZE, default=None)
    thickness: Said[Mapping[str, float]] = Said(THICKNESSES, default=dict)
    wedge: Said[Mapping[str, float]] = Said(WEDGES, default=dict)
    plates: Said[tuple[str, ...]] = Said(_some_names, default=())
    hold: Said[float | None] = Said(EVERY, default=None)
    keep: Said[Mapping[str, Mapping[str, float]]] = Said(
        Reader(_keeping, _kept_table), default=dict
    )
    effort: Said[Effort] = Said(Reader(made(Effort), spelled), default=USUAL_EFFORT)

    @property
    def reach(self) -> dict[str, float]:
        """Each form that is asked for, and the most that it may be [m]."""
        found = {form: getattr(self, form) for form in ASKED}
        return {form: size for form, size in found.items() if size is not None}


def goal_of(root: Table, plates: Mapping[str, Plate | None], usual: tuple[str, ...]) -> Goal | None:
    """The goal of a study; `usual`: of which plates it speaks where it names none."""
    table = root.table("goal", f"[goal], and below it {HOW_GOAL}")
    if table is None:
        return None
    reach = table.parts(Goal, ASKED)
    sizes = take_sizes(table, plates)
    named = table.take(
        "plates", lambda value: tuple(a_plate(name, plates) for name in _some_names(value))
    )
    names = usual if named is None else named
    hold = table.parts(Goal, ("hold",))
    keep = _kept_of(table, plates)
    effort = table.table("effort", HOW_EFFORT) or Table(
        table.faults, table.place("effort"), {}, table.assumed
    )
    costs = effort.parts(Effort)
    effort.assume(Effort, **{name: name for name in ("swap", "reading", "wash", "metal")})
    effort.done()
    _speak_of(table, "", reach, names, plates, each=named is not None)
    for name, forms in keep.items():
        _speak_of(table, f"keep.{name}.", forms, (name,), plates, each=True)
    table.take("note", text)
    if not {*ASKED, *KEYS} & set(table.data) and table.known >= set(table.data):
        table.fault("", f"names nothing that is to be reached: write {HOW_GOAL}", "missing")
    table.done()
    return Goal(**reach, **sizes, plates=names, **hold, keep=keep, effort=Effort(**costs))


def _kept_of(table: Table, plates: Mapping[str, Plate | None]) -> dict[str, dict[str, float]]:
    """What each plate may change by [m]."""
    kept = table.table("keep", HOW_KEEP)
    if kept is None:
        return {}
    found = {}
    for name in plates:
        inner = kept.table(name, HOW_KEEP)
        if inner is not None:
            found[name] = inner.parts(Goal, ASKED)
            inner.done()
            if not inner.data:
                kept.fault(name, f"is empty: write {HOW_KEEP}", "missing")
    kept.done()
    return found


def _speak_of(
    table: Table,
    place: str,
    forms: Iterable[str],
    names: Iterable[str],
    plates: Mapping[str, Plate | None],
    *,
    each: bool,
) -> None:
    """Note forms that the plates do not have: `each` of them, or (where none was named) any of them."""
    known = {name: plate for name in names if (plate := plates[name]) is not None}
    for form in forms:
        wrong = [name for name, plate in known.items() if form in NOT_OF[plate.outline.long]]
        if wrong and (each or len(wrong) == len(known)):
            long = known[wrong[0]].outline.long
            shape, right = (
                ("longer than 1.3:1", OF_LONG) if long else ("not longer than 1.3:1", OF_ROUND)
            )
            table.fault(
                f"{place}{form}",
                f"{wrong[0]} is {shape} and has no {form}: write {joined(right, 'or')}",
                "value",
            )


def goal_table(goal: Any) -> Any:
    """A goal as a study file has it; what is none as it stands, for the reader to say what is wrong."""
    if not isinstance(goal, Goal):
        return goal
    return {key: value for key, value in spelled(goal).items() if value}


# --- the [tune] of before ------------------------------------------------------------------------


def refuse_old(table: Table, root: Table) -> None:
    """Note keys of [tune] that stand in [goal] now, and what to write there."""
    from lapwright.study.write import inline

    where = "there" if root.has("goal") else "[goal] above [tune], and below it"
    for key in OLD:
        if table.has(key):
            value = table.data[key]
            pairs = value if key == "reach" else {key: value}
            forms = pairs.items() if isinstance(pairs, dict) else ()
            new = ", ".join(f"{name} = {inline(one)}" for name, one in forms) or HOW_GOAL
            table.fault(key, f"stands in [goal] now: write {where} {new}", "moved")


def renewed(document: Mapping[str, Any]) -> dict[str, Any]:
    """A document in which [goal] holds what [tune] held before there was one."""
    tune = document.get("tune")
    out = dict(document)
    if not isinstance(tune, Mapping) or not isinstance(tune.get("reach"), Mapping):
        return out
    kept = {key: tune[key] for key in OLD[1:] if tune.get(key)}
    out["tune"] = {key: value for key, value in tune.items() if key not in OLD}
    return {**out, "goal": {**tune["reach"], **kept}}


def renewed_text(old: str) -> str:
    """The same of the text of a study; any other text is left as it is."""
    if "reach" not in old:
        return old
    from lapwright.study.source import document_of
    from lapwright.study.write import written

    try:
        document = document_of(old)
    except StudyError:
        return old  # whoever reads it says what is wrong
    now = renewed(document)
    return old if now == document else written(now, like=old)


def renewed_data(data: Mapping[str, Any]) -> dict[str, Any]:
    """The same of a study as plain data (`lapwright.study.resolved`)."""
    goal = data.get("goal")
    if "tuned" in data:
        return dict(data)
    if goal is None:
        return {**data, "tuned": None}
    rest = {key: goal.get(key) for key in ("least", "free", "order")}
    now = {form: goal["reach"].get(form) for form in ASKED}
    now |= {"is": "Goal", **{key: goal[key] for key in OLD[1:]}}
    now["effort"] = {"is": "Effort", **vars(USUAL_EFFORT)}
    return {**data, "goal": now, "tuned": {"is": "Tune", **rest}}
