"""What the answers so far say of the work: which plates, how long, what is usual for them."""

from __future__ import annotations

import math
from typing import Any

from lapwright.interview.answer import Answers
from lapwright.units import INCH, Units

__all__ = [
    "WORKS",
    "both_round",
    "long",
    "names",
    "on_the_land",
    "outline_of",
    "part_name",
    "rests",
    "sides",
    "units",
    "usual_over",
    "usual_stroke",
    "usual_thickness",
    "usual_turn",
    "work",
]

WORKS = {
    "two plates": ("2", "two", "pair", "a pair", "plates", "2 plates", "two"),
    "three plates": ("3", "three", "3 plates", "three"),
    "a part on a plate": (
        "part",
        "a part",
        "part on a plate",
        "part on plate",
        "ring",
        "rail",
        "work",
        "1",
        "one",
    ),
}
LONG = 1.3  # from this ratio on, a face speaks of bow, crown and wind


def units(answers: Answers) -> Units:
    """The units of the person who is asked."""
    return Units(answers["units"].value)


def work(answers: Answers) -> str:
    """Key of `WORKS`."""
    return str(answers["work"].value)


def rests(answers: Answers) -> bool:
    """Whether a part is lapped on a plate."""
    return work(answers) == "a part on a plate"


def outline_of(name: str, answers: Answers) -> dict[str, Any]:
    """Outline of a plate or part, as `size` understood it."""
    part = rests(answers) and name != "plate"
    value: dict[str, Any] = answers["part size" if part else "size"].value
    return value


def sides(outline: dict[str, Any]) -> tuple[float, float]:
    """Width along 3-9 and along 12-6 [m]."""
    (kind, size), *_ = outline.items()
    if kind == "disc":
        return size, size
    return (size[0], size[0]) if kind == "ring" else (size[0], size[1])


def long(name: str, answers: Answers) -> bool:
    """Whether a face is so long that it has bow, crown and wind."""
    along, across = sides(outline_of(name, answers))
    return max(along, across) > LONG * min(along, across)


def part_name(answers: Answers) -> str:
    """What the part is called in the study."""
    outline = answers["part size"].value
    if "ring" in outline:
        return "ring"
    if "disc" in outline:
        return "disc"
    return "rail" if long("part", answers) else "block"


def names(answers: Answers) -> tuple[str, ...]:
    """The plates in the study; of a part on a plate the plate comes first."""
    if rests(answers):
        return "plate", part_name(answers)
    return ("A", "B") if work(answers) == "two plates" else ("A", "B", "C")


def both_round(answers: Answers) -> bool:
    """Whether a round part lies on a round plate and is small enough to go round it off centre."""
    if not rests(answers):
        return False
    part, plate = answers["part size"].value, answers["size"].value
    if "rectangle" in part or "rectangle" in plate:
        return False
    return sides(part)[0] <= 0.75 * sides(plate)[0]


def on_the_land(answers: Answers) -> bool:
    """Whether a part lies on one side of a ring, over its land, because it would fall into the bore."""
    if not rests(answers) or "ring" not in answers["size"].value:
        return False
    return max(sides(answers["part size"].value)) <= 0.75 * sides(answers["size"].value)[0]


def usual_thickness(name: str, answers: Answers) -> str:
    """About a fifth across a disc, more for a rail, in a size that is to be had."""
    wanted = (0.6 if long(name, answers) else 0.1875) * min(sides(outline_of(name, answers)))
    if units(answers) is Units.INCH:
        sizes = {"1/4": 0.25, "1/2": 0.5, "3/4": 0.75, "1.25": 1.25, "1": 1.0, "1.5": 1.5}
        return min(sizes, key=lambda s: abs(sizes[s] * INCH - wanted)) + " in"
    return f"{min((5, 8, 10, 15, 20, 30, 40), key=lambda mm: abs(mm * 1e-3 - wanted))} mm"


def usual_stroke(answers: Answers) -> str:
    """The stroke that makes the best of such faces (tried; see the tests)."""
    if both_round(answers):
        return "circle"
    if rests(answers):
        return "zigzag"
    return "straight" if long("A", answers) else "eight"


def usual_over(answers: Answers) -> tuple[str, ...]:
    """How far the stroke goes, the first that can be being the usual."""
    if not rests(answers):
        return "travel 1/3", "travel 1/6", "travel 1/12"
    if on_the_land(answers):
        outside, bore = answers["size"].value["ring"]
        part = answers["part size"].value
        along, across = sides(part)
        # A part with corners takes more room as it is turned.
        widest = math.hypot(along, across) if "rectangle" in part else along
        room = 0.5 * (outside - bore) - widest
        return next((f"travel 1/{n}" for n in (3, 6) if along / n <= room), "travel 1/12"), "travel 1/12"
    sixth = min(sides(answers["part size"].value)) / 6.0
    said = f"{sixth / INCH:.2g} in" if units(answers) is Units.INCH else f"{sixth * 1e3:.2g} mm"
    return f"{said} over", "travel 1/3", "travel 1/6", "travel 1/12"


def usual_turn(answers: Answers) -> str:
    """The turn that takes most out: a long face is turned end for end, three plates by quarters."""
    top = names(answers)[-1] if rests(answers) else "A"
    if long(top, answers):
        return "180 deg every 10 strokes"
    if rests(answers):
        return "3 deg per stroke" if both_round(answers) else "8 deg per stroke"
    return "8 deg per stroke" if work(answers) == "two plates" else "90 deg every 10 strokes"
