"""From answers to a study, and what the answers so far say of the work.

What the answers so far say of the work: which plates, how long, what is usual for them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from lapwright.commands.interview.typed import Answers
from lapwright.kinematics.schedule import stays_by_weight
from lapwright.specification.materials import MATERIALS
from lapwright.specification.outline import LONG
from lapwright.specification.quantities import FORCE, read
from lapwright.study.write import inline
from lapwright.units import GRAVITY, INCH, Units

WORKS = {
    "two plates": "2|two|pair|a pair|plates|2 plates|two",
    "three plates": "3|three|3 plates|three",
    "a part on a plate": "part|a part|part on a plate|part on plate|ring|rail|work|1|one",
}


def units(answers: Answers) -> Units:
    """The units of the person who is asked."""
    return Units(answers["units"].value)


def bench(answers: Answers, metric: str, inch: str) -> str:
    """What is said at a metric bench, or at an inch bench."""
    return inch if units(answers) is Units.INCH else metric


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
        fits = (f"travel 1/{n}" for n in (3, 6) if along / n <= room)
        return next(fits, "travel 1/12"), "travel 1/12"
    sixth = min(sides(answers["part size"].value)) / 6.0
    said = bench(answers, f"{sixth * 1e3:.2g} mm", f"{sixth / INCH:.2g} in")
    return f"{said} over", "travel 1/3", "travel 1/6", "travel 1/12"


def usual_turn(answers: Answers) -> str:
    """The turn that takes most out: a long face is turned end for end, three plates by quarters."""
    top = names(answers)[-1] if rests(answers) else "A"
    if long(top, answers):
        return "180 deg every 10 strokes"
    if rests(answers):
        return "3 deg per stroke" if both_round(answers) else "8 deg per stroke"
    return "8 deg per stroke" if work(answers) == "two plates" else "90 deg every 10 strokes"


SHORTEST = """\
title = "First pair"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" } }
plates.B = { like = "A", form = { dish = "1 um" } }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
turn = "8 deg per stroke"
time = "40 min"
fresh_grit_every = "5 min"
"""

NOTES = 40  # column at which the notes begin
SIDES = {"disc": "across", "ring": "outside, bore", "rectangle": "along 3-9, along 12-6"}
DOING = {
    "two plates": "lap plate A on plate B and let them change places",
    "three plates": "lap three plates by turns: A on B, B on C, C on A, four times over",
    "a part on a plate": "lap a part on a plate",
}
# Hands press by this much, if the face is not so small that it would squeeze the grit out.
HAND = {
    "metric": ((20.0, "20 N"), (10.0, "10 N"), (5.0, "5 N"), (2.0, "2 N")),
    "inch": ((22.24, "5 lbf"), (8.9, "2 lbf"), (4.45, "1 lbf"), (2.22, "0.5 lbf")),
}
MOST_PRESSED = 8e3  # [Pa] of the hands alone
CIRCLE = 0.3  # travel of the small circles of a round part, as a share of it


def read_nothing(answers: Answers) -> list[str]:
    """Names of the faces that nobody has read yet."""
    return [name for name in names(answers) if answers[f"reads {name}"].value is None]


def compose(answers: Answers) -> str:
    """The study that the answers make."""
    lines = [*_head(answers), ""]
    for number, name in enumerate(names(answers)):
        lines += [*_plate(name, number, answers), ""]
    pairs: tuple[Sequence[str], ...] = ("AB",)
    if work(answers) == "three plates":
        pairs = ("AB", "BC", "CA")
    elif rests(answers):
        pairs = ((part_name(answers), "plate"),)
    for number, (top, bottom) in enumerate(pairs):
        lines += [*_step(top, bottom, answers, first=number == 0), ""]
    return "\n".join(lines).rstrip() + "\n"


def _line(key: str, value: Any, note: str = "") -> str:
    text = f"{key} = {inline(value)}"
    return f"{text:<{NOTES - 2}}  # {note}" if note else text


def _head(answers: Answers) -> list[str]:
    turned = answers["turn"].value["angle"] != 0.0
    turning = "turn the top as you go." if turned else "the top is never turned."
    title = f"A {part_name(answers)} on a plate" if rests(answers) else work(answers).capitalize()
    lines = [
        f"# What you do: {DOING[work(answers)]}; {turning}",
        "# Lines that begin with # are notes. Whatever has a unit stands in straight quotes with its unit.",
        "# Change what you like here, save it, and look again with: lapwright preview",
        _line("title", title),
        _line("units", units(answers), "of the answers; you may type any unit"),
    ]
    if work(answers) == "three plates":
        lines.append(_line("rounds", 4, "how often to go through the steps"))
    return lines


def _plate(name: str, number: int, answers: Answers) -> list[str]:
    part = rests(answers) and name != "plate"
    lines = [f"[{'parts' if part else 'plates'}.{name}]"]
    if number == 0 or part:
        size = answers["part size" if part else "size"]
        (kind, _), *_ = size.value.items()
        lines.append(_line(kind, size.written, SIDES[kind]))
        thick = _each(answers, "part thickness" if part else "thickness", number)
        lines.append(_line("thickness", thick))
    else:
        lines.append(_line("like", "A", "the same size; not the same shape of face"))
        if _unlike(answers):
            lines.append(_line("thickness", _each(answers, "thickness", number)))
    if part:
        lines.append(_line("material", answers["material"].written))
    lines += _grooves(name, number, answers)
    return [*lines, *_form(name, answers)]


def _each(answers: Answers, key: str, number: int) -> str:
    """The thickness of a plate, by its number, where there is one for each; else of all."""
    written = answers[key].written
    return str(written[number] if isinstance(written, list) else written)


def _unlike(answers: Answers) -> bool:
    """Whether plates of one outline differ in thickness."""
    return isinstance(answers["thickness"].value, list)


def _by_weight(top: str, bottom: str, answers: Answers) -> dict[str, str]:
    """How long each of two plates stays on top, so that as much metal goes in either place."""
    area, every = _area(answers["size"].value), answers["thickness"].value
    hand = read(_load(answers), FORCE)
    iron = MATERIALS["grey iron"].density * GRAVITY * area
    loads = {name: iron * every[names(answers).index(name)] + hand for name in (top, bottom)}
    return {name: Units.spell(time) for name, time in stays_by_weight(loads).items()}


def _grooves(name: str, number: int, answers: Answers) -> list[str]:
    pattern = answers["grooves"].written
    if pattern is None or (rests(answers) and name != "plate"):
        return []
    grooved = {"pattern": pattern, **answers["groove size"].written}
    where = answers["grooved"].value if "grooved" in answers else name
    if where == "all":
        return [] if number else [_line("grooves", grooved)]
    if where == name:
        return [_line("grooves", grooved)]
    # What is like A has A's grooves unless it says that it has none.
    return [_line("grooves", "none")] if where == "A" and number else []


def _form(name: str, answers: Answers) -> list[str]:
    reads = answers[f"reads {name}"]
    if reads.written:
        return [_line("form", reads.written, "what the face reads now")]
    said = "Read flat. Later perhaps, with what it reads then:"
    if reads.value is None:
        first = "Read it first, and the answer is about your plate; then write:"
        said = f"Not read yet, so taken as flat. {first}"
    return [f"# {said}", f"# form = {_example(name, answers)}"]


def _example(name: str, answers: Answers) -> str:
    large, fine = bench(answers, "2 um", "100 uin"), bench(answers, "0.5 um", "20 uin")
    first, second = ("bow", "wind") if long(name, answers) else ("dome", "twist")
    return inline({first: large, second: fine})


def _step(top: str, bottom: str, answers: Answers, *, first: bool = True) -> list[str]:
    def line(key: str, value: Any, note: str = "") -> str:
        return _line(key, value, note if first else "")

    turned = answers["turn"].written
    lines = [
        "[[steps]]",
        line("top", top, "" if rests(answers) else "lies on top to begin with"),
        line("bottom", bottom),
        line("grit", answers["grit"].written),
        f"stroke = {inline(_stroke(answers))}",
        line("pace", "60 /min", "strokes; once round or a whole eight is one"),
        line("load", _load(answers), "your hands, added to the weight of the top"),
        line("turn", turned, "of the top in your hands; + is anticlockwise from above"),
    ]
    for key, value in (answers["round"].written or {}).items():
        walks = key == "walk"
        said = "you step round the bench" if walks else "the bottom is turned under you"
        lines.append(line(key, value, said))
    time = "20 min" if work(answers) == "three plates" else "40 min"
    guess = "a guess until you weigh a plate; go by the metal removed"
    fresh = line("fresh_grit_every", "5 min")
    return [*lines, *_swaps(top, bottom, answers, first), fresh, line("time", time, guess)]


def _swaps(top: str, bottom: str, answers: Answers, first: bool) -> list[str]:
    if rests(answers):
        return []
    known = not read_nothing(answers) and work(answers) == "two plates" and not long("A", answers)
    if not known:
        evenly = "; evenly, until you know which is domed" if read_nothing(answers) else ""
        if _unlike(answers):
            times = _by_weight(top, bottom, answers)
            note = f"equal metal in both places{evenly}"
            return [_line("swap_every", times, note if first else "")]
        return [_line("swap_every", "5 min", f"the plates change places{evenly}" if first else "")]
    return [
        "# Read both so often and lay the more domed one on top: equal swaps do not cure a dome on a dish.",
        _line("swap_every", {"read": "5 min", "on_top": "more domed"}),
    ]


def _load(answers: Answers) -> str:
    """What the hands press: less on a small face, which the grit must carry."""
    outline = answers["part size" if rests(answers) else "size"].value
    most = MOST_PRESSED * _area(outline)
    return next((said for force, said in HAND[units(answers)] if force <= most), "0 N")


def _area(outline: dict[str, Any]) -> float:
    """Of a face [m2], grooves not taken off."""
    along, across = sides(outline)
    area = along * across * (1.0 if "rectangle" in outline else 0.785)
    return area - (0.785 * outline["ring"][1] ** 2 if "ring" in outline else 0.0)


def _stroke(answers: Answers) -> dict[str, Any]:
    kind, far = answers["stroke"].value, answers["far"]
    stroke: dict[str, Any] = {"kind": kind, **far.written}
    walked = answers["round"].value["how"] != "no"
    if kind == "circle" and walked and both_round(answers):
        return stroke | _off_centre(far.value, answers)
    if on_the_land(answers):
        # In the middle of a ring there is nothing to lie on.
        middle = 0.25 * sum(answers["size"].value["ring"])
        stroke |= _centre(middle, answers) | ({"carry_centre": True} if walked else {})
    if kind == "zigzag":
        stroke["passes"] = 20
    if kind in ("zigzag", "figure-eight", "ellipse"):
        width = _width(kind, answers)
        if width is not None:
            stroke["width"] = units(answers).length(width, 3, echo=False)
    return stroke


def _off_centre(far: dict[str, Any], answers: Answers) -> dict[str, Any]:
    """Small circles of a round part beside the middle of the plate, which are carried round by walking."""
    part, plate = (sides(answers[key].value)[0] for key in ("part size", "size"))
    if "travel" in far:
        over, half = part / 6.0, 0.5 * far["travel"] * part
    else:
        over, half = far["overhang"] * (part if "of" in far else 1.0), 0.5 * CIRCLE * part
    centre = 0.5 * plate + over - 0.5 * part - half
    if not centre > 0.0:
        return {}
    return _centre(centre, answers) | {"carry_centre": True}


def _centre(along: float, answers: Answers) -> dict[str, Any]:
    """Where the middle of the stroke lies: towards 3 o'clock by so much [m]."""
    return {"centre": [units(answers).length(along, 3), bench(answers, "0 mm", "0 in")]}


def _width(kind: str, answers: Answers) -> float | None:
    """Across the stroke [m], where half its length would not do: None where it does."""
    if not rests(answers):
        # A long face would hang out sideways, and tip, long before it hangs out lengthways.
        return 0.25 * min(sides(answers["size"].value)) if long("A", answers) else None
    part, plate = answers["part size"].value, answers["size"].value
    turned = answers["turn"].value["angle"] % math.pi
    whole = min(turned, math.pi - turned) < 1e-9
    if kind != "zigzag" or "rectangle" not in part or "rectangle" not in plate or not whole:
        return None
    # All over the plate, so that it wears evenly: across as far as along.
    far = answers["far"].value
    over = far.get("overhang", 0.0) * (1.0 if "of" not in far else min(sides(part)))
    width = sides(plate)[1] - sides(part)[1] + over
    return width if width > 0.0 and "overhang" in far else None
