"""Shapes of faces in words: titles, and the sentences that say how every face came out.

A form is never a bare signed number: it is named by its side (domed or hollow, where it stands high) and has
a size.  What is finer than a tenth of the grit is still told, with `REMARK`, once in a sentence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from sim.report.amounts import NOTHING, joined, size

__all__ = [
    "REMARK",
    "Forms",
    "dome_or_dish",
    "face",
    "flat_to_the_finish",
    "part_words",
    "shapes",
    "told_of_rail",
]

Forms = Mapping[str, float | None]

REMARK = "the finish is rougher than this"
WORTH = 0.2  # a form smaller than this share of the face's largest is left to the table
ROUND, LONG = ("sphere", "saddle", "twist"), ("bow", "crown", "wind")

_COUNT = {2: "Both", 3: "All three", 4: "All four", 5: "All five", 6: "All six"}


def dome_or_dish(sphere: float, units: str = "metric") -> str:
    """Name of a sphere [m] (+ dome): "dome 3.0 um", "dish 0.80 um", "neither dome nor dish"."""
    if abs(sphere) < NOTHING:
        return "neither dome nor dish"
    return f"{'dome' if sphere > 0 else 'dish'} {size(sphere, units)}"


def part_words(key: str, value: float, units: str = "metric") -> str:
    """Words for one form [m]: where the face is high, and by how much."""
    much = size(value, units)
    high = value > 0
    if key == "sphere":
        return dome_or_dish(value, units)
    if key == "saddle":
        return f"high at {'3 and 9' if high else '12 and 6'} by {much}"
    if key == "twist":
        return f"high at {'1:30 and 7:30' if high else '10:30 and 4:30'} by {much}"
    if key == "bow":
        return f"bow {much}, {'high in the middle' if high else 'hollow along'}"
    if key == "crown":
        return f"crown {much}, {'high in the middle' if high else 'hollow across'}"
    if key == "wind":
        return f"wind {much}, high at the {'1:30 and 7:30' if high else '10:30 and 4:30'} corners"
    if key == "edge":
        return f"edge {'fallen' if high else 'standing proud'} by {much}"
    raise ValueError(f"no words for the form {key!r}")


def known(forms: Forms, keys: Sequence[str]) -> list[tuple[str, float]]:
    """Those of some forms that are known."""
    pairs = [(key, forms.get(key)) for key in keys]
    return [(key, float(v)) for key, v in pairs if v is not None and math.isfinite(v)]


def largest(forms: Forms) -> float:
    """Size of the largest form of a face [m]."""
    return max((abs(v) for _, v in known(forms, (*ROUND, *LONG))), default=0.0)


def flat_to_the_finish(forms: Forms, finish: float | None) -> bool:
    """True when the flatness, which takes in every form, is finer than the finish [m]."""
    flatness = known(forms, ("flatness",))
    return finish is not None and bool(flatness) and flatness[0][1] < finish


def face(forms: Forms, finish: float | None, units: str = "metric") -> str:
    """Title of a face: the forms that stand above the finish [m], largest first."""
    floor = NOTHING if finish is None else finish
    if flat_to_the_finish(forms, finish):
        return "flat to the finish"
    parts = sorted(known(forms, (*ROUND, *LONG)), key=lambda p: -abs(p[1]))
    least = max(floor, NOTHING, WORTH * largest(forms))
    told = [part_words(k, v, units) for k, v in parts if abs(v) >= least]
    if told:
        return "; ".join(told) if any("," in t for t in told) else ", ".join(told)
    flatness = known(forms, ("flatness",))
    if flatness and flatness[0][1] >= NOTHING:
        rough = f"; {REMARK}" if finish is not None and flatness[0][1] < finish else ""
        return f"flat within {size(flatness[0][1], units)}{rough}"
    return "not measured" if not flatness and not parts else "flat"


def shapes(
    faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str = "metric"
) -> list[str]:
    """Sentences on the shape of every face: dome or dish first, then what else stands out.

    Parameters
    ----------
    faces
        Forms of each plate [m], in the plates' order.
    finishes
        A tenth of the last grit on each plate [m], or None.
    """
    discs = {n: f for n, f in faces.items() if known(f, ("sphere",))}
    rails = {n: f for n, f in faces.items() if n not in discs and known(f, (*LONG, "flatness"))}
    return [
        *_domes(discs, finishes, units),
        *_saddles(discs, finishes, units),
        *_rails(rails, finishes, units),
    ]


# --- discs, rings, squares ---------------------------------------------------------------------


def _adjective(sphere: float) -> str:
    if abs(sphere) < NOTHING:
        return "neither domed nor hollow"
    return "domed" if sphere > 0 else "hollow"


def _everyone(names: Sequence[str]) -> tuple[str, str]:
    if len(names) == 1:
        return names[0], "is"
    return _COUNT.get(len(names), "All"), "are"


def _remark(rough: Sequence[str], number: int) -> str:
    """The remark on the finish, once: of all, or of those that it holds for."""
    if not rough:
        return ""
    return f"; {REMARK}" if len(rough) == number else f"; on {joined(rough)} {REMARK}"


TRACE = 0.02  # of the finish: a dome smaller than this is none


def _domes(faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str) -> list[str]:
    if not faces:
        return []
    spheres = {name: known(forms, ("sphere",))[0][1] for name, forms in faces.items()}
    spheres = {n: s if abs(s) >= TRACE * (finishes.get(n) or 0.0) else 0.0 for n, s in spheres.items()}
    kinds = {name: _adjective(s) for name, s in spheres.items()}
    rough = [n for n, s in spheres.items() if abs(s) < (finishes.get(n) or 0.0)]
    tail = _remark(rough, len(faces))
    everyone, verb = _everyone(list(faces))

    def told(name: str, with_kind: bool) -> str:
        amount = size(spheres[name], units) if abs(spheres[name]) >= NOTHING else ""
        return " ".join(part for part in (kinds[name] if with_kind else "", amount) if part)

    if all(flat_to_the_finish(faces[n], finishes.get(n)) for n in faces):
        each = ", ".join(f"{n} {told(n, True)}" if len(faces) > 1 else told(n, True) for n in faces)
        return [f"{everyone} {verb} flat to the finish: {each}{tail}."]
    if len(faces) == 1:
        return [f"{everyone} is {told(everyone, True)}{tail}."]
    if len(set(kinds.values())) == 1:
        kind = next(iter(kinds.values()))
        if kind.startswith("neither"):
            return [f"{everyone} {verb} {kind}{tail}."]
        return [f"{everyone} {verb} {kind}: {', '.join(f'{n} {told(n, False)}' for n in faces)}{tail}."]
    return [", ".join(f"{n} is {told(n, True)}" for n in faces) + tail + "."]


def _saddles(faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str) -> list[str]:
    """Saddle and twist that stand above the finish, told together where every face has the same."""
    rest = {n: _standing_out(f, ("saddle", "twist"), finishes.get(n)) for n, f in faces.items()}
    kinds = {tuple((k, v > 0) for k, v in parts) for parts in rest.values()}
    if len(faces) > 1 and len(kinds) == 1 and all(len(p) == 1 for p in rest.values()):
        key, value = next(iter(rest.values()))[0]
        where = part_words(key, value, units).rsplit(" by ", 1)[0]
        each = ", ".join(f"{n} by {size(p[0][1], units)}" for n, p in rest.items())
        return [f"{_COUNT.get(len(faces), 'All')} are {where}: {each}."]
    return [
        f"{name} is {joined([part_words(k, v, units) for k, v in parts])}."
        for name, parts in rest.items()
        if parts
    ]


def _standing_out(forms: Forms, keys: Sequence[str], finish: float | None) -> list[tuple[str, float]]:
    """Forms above the finish that are worth a word beside the largest one."""
    least = max(finish or 0.0, NOTHING, WORTH * largest(forms))
    return [(k, v) for k, v in known(forms, keys) if abs(v) >= least]


# --- rails -------------------------------------------------------------------------------------


def told_of_rail(forms: Forms) -> list[tuple[str, float]]:
    """Forms of a long face that are told: those not small beside the largest, finer than the grit or not."""
    least = max(NOTHING, WORTH * largest(forms))
    return sorted(((k, v) for k, v in known(forms, LONG) if abs(v) >= least), key=lambda p: -abs(p[1]))


def _rails(faces: Mapping[str, Forms], finishes: Mapping[str, float | None], units: str) -> list[str]:
    if not faces:
        return []
    flat = [n for n in faces if flat_to_the_finish(faces[n], finishes.get(n))]
    if len(flat) == len(faces):
        # One remark does for all of them: whatever is told of a face is smaller than the finish here.
        everyone, verb = _everyone(flat)
        own = {n: _parts(faces[n], None, units) for n in flat}
        each = "; ".join(f"{n}: {told}" if len(flat) > 1 else told for n, told in own.items())
        return [f"{everyone} {verb} flat to the finish: {each}; {REMARK}."]
    return [f"{name}: {_parts(forms, finishes.get(name), units)}." for name, forms in faces.items()]


def _parts(forms: Forms, finish: float | None, units: str) -> str:
    """Bow, crown and wind of one face; the remark behind those that it holds for, which come last."""
    told = told_of_rail(forms)
    if told:
        rough = [v for _, v in told if abs(v) < (finish or 0.0)]
        words = [part_words(k, v, units).replace(",", "") for k, v in told]
        if not rough:
            return ", ".join(words)
        if len(rough) == len(told):
            return f"{', '.join(words)}; {REMARK}"
        above = len(told) - len(rough)
        return f"{', '.join(words[:above])}; beside it {', '.join(words[above:])} ({REMARK})"
    flatness = known(forms, ("flatness",))
    if not flatness:
        return "flat"
    rough_ = f"; {REMARK}" if flatness[0][1] < (finish or 0.0) else ""
    return f"flat within {size(flatness[0][1], units)}{rough_}"
