"""Random studies, each from its number alone, for judging averages against every stroke singly.

Kinds of faces and of turning go round in two cycles without a common factor, so that any row of numbers
holds them all in even shares; everything else is drawn.  A study whose top would tip, whose flat faces would
lift at the smallest travel, or in which a stroke would do the work of an eighth of tau (faces are held still
over a stroke, here and by the engine), is drawn again.
"""

import hashlib
import json
from dataclasses import dataclass, fields, is_dataclass, replace
from math import cos, exp, hypot, log, pi, radians, sin
from numbers import Real

import numpy as np

from lapwright.contact.stability import check_stands
from lapwright.errors import LapwrightError
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import land_outline, margins, places, shaped
from lapwright.kinematics.sliding import face_points, flat_shares
from lapwright.specification.curves import Line
from lapwright.specification.grooves import Grooves
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Plate, Ripple, StartForm
from lapwright.specification.step import Grit, Hand, Layer, Load, Step, Swap, Turn, Wear
from lapwright.units import GRAVITY

FACES = (
    "equal discs", "unequal discs", "ring on disc", "rail on its like", "equal squares", "part on plate",
    "grooved discs", "rectangles", "rail on plate", "grooved pair", "equal discs", "rings",
)  # fmt: skip
TURNING = (
    "turned", "unturned", "set over", "walked", "turned", "zigzag", "set over", "unturned", "turned, special",
    "walked, set over", "turned and walked", "turned, zigzag", "bottom turned",
)  # fmt: skip
SPECIAL = (
    8.0,
    15.0,
    25.0,
    30.0,
    36.0,
    40.0,
    45.0,
    60.0,
    72.0,
    90.0,
    100.0,
    120.0,
)  # degrees a stroke
SET_OVER = (
    (90, 1),
    (90, 4),
    (90, 12),
    (60, 3),
    (60, 10),
    (120, 5),
    (45, 2),
    (45, 16),
    (17, 7),
    (180, 6),
)
STROKES = (
    "circle",
    "ellipse",
    "line",
    "line",
    "figure-eight",
    "figure-eight",
    "figure-eight",
    "rosette",
)
PASSES = (2.5, 3.0, 5.0, 7.0, 10.0, 16.0)
MEMORY = 5.0  # strokes, that of the hands of a study
SCATTER = {"usual": 0.10, "rough": 0.25}
LEAST_TRAVEL, MOST_TRAVEL = 0.05, 1.5  # of the top's width
FEWEST_STROKES_A_TAU = 8.0
MOST_TRIES = 400
SEED = 20111  # of the whole campaign


@dataclass(frozen=True)
class Drawn:
    """A study: its number, what it is in words, and what `lap` wants to know."""

    index: int
    kinds: tuple[str, ...]
    words: str
    plates: dict[str, Plate]
    step: Step
    tries: int

    @property
    def digest(self) -> str:
        """Of all that is lapped: of values, to 12 figures, not of how the classes that hold them look."""
        return hashlib.sha256(json.dumps(values((self.plates, self.step))).encode()).hexdigest()[
            :16
        ]


def values(thing):
    """Names and values of all that says something, in an order of their own.

    What is nought, empty or none is left out, so that a field which a class gains changes nothing.
    """
    if isinstance(thing, bool | str):
        return thing
    if isinstance(thing, Real):
        return f"{float(thing):.12g}"
    if isinstance(thing, tuple | list):
        return [values(one) for one in thing]
    if is_dataclass(thing):
        thing = {"": type(thing).__name__} | {
            one.name: getattr(thing, one.name) for one in fields(thing)
        }
    return {str(name): values(thing[name]) for name in sorted(thing) if thing[name]}


class NotThisOneError(Exception):
    """What was drawn will not do."""


def drawn(index: int) -> Drawn:
    """The study of a number, always the same."""
    for tries in range(MOST_TRIES):
        rng = np.random.default_rng(np.random.SeedSequence([SEED, index, tries]))
        try:
            return _draw(_Dice(rng), index, tries)
        except NotThisOneError:
            continue
    raise RuntimeError(f"no study of number {index} in {MOST_TRIES} tries")


@dataclass(frozen=True)
class _Dice:
    rng: np.random.Generator

    def even(self, low: float, high: float) -> float:
        return float(self.rng.uniform(low, high))

    def log(self, low: float, high: float) -> float:
        return exp(self.even(log(low), log(high)))

    def one(self, choices):
        return choices[int(self.rng.integers(len(choices)))]

    def chance(self, share: float) -> bool:
        return float(self.rng.random()) < share

    def sign(self) -> float:
        return self.one((-1.0, 1.0))


def _draw(dice: _Dice, index: int, tries: int) -> Drawn:
    faces, turning = FACES[index % len(FACES)], TURNING[index % len(TURNING)]
    depth, strokes = dice.log(0.2e-6, 5e-6), round(dice.log(60.0, 1200.0))
    removal = dice.log(0.3e-6, 5e-6)
    plates = _plates(dice, faces, depth)
    top, bottom = plates["A"], plates["B"]
    step = Step("A", "B", _grit(depth), pace=dice.one((0.5, 1.0, 1.5)), strokes=strokes)
    step = _turned(dice, step, turning, top)
    if faces == "rail on its like" and (
        step.turn.angle or step.walk.angle
    ):  # set down end for end, if at all
        step = replace(step, turn=Turn(pi, dice.one((1, 4, 20))), walk=Turn())
    step = _loaded(dice, step, plates)
    step, travel = _stroked(dice, step, top, bottom, "zigzag" in turning)
    hand = dice.one(("usual", "rough")) if dice.chance(0.22) else ""
    if hand:
        share = SCATTER[hand]
        step = replace(step, hand=Hand(share, share * step.curve.half_travel, share, share, MEMORY))
    if faces in (
        "equal discs",
        "equal squares",
        "rail on its like",
        "grooved pair",
    ) and dice.chance(0.4):
        step = replace(step, swap=_swap(dice, step))
    step = _wearing(dice, step, plates, removal, depth)
    _check(step, plates, index)
    return Drawn(index, _kinds(faces, step, plates, hand), _words(step, plates, travel, removal, hand),
                 plates, step, tries)  # fmt: skip


def _grit(depth: float) -> Grit:
    return Grit("g", 20e-6, Wear(iron=1e-12), Layer(depth))


def _plates(dice: _Dice, faces: str, depth: float) -> dict[str, Plate]:
    cells = dice.one((32, 36, 40, 44, 48))
    size = dice.even(0.08, 0.30)
    share, long = dice.even(0.4, 0.95), dice.even(2.5, 5.0)
    bore = dice.even(0.2, 0.6)
    top = bottom = Disc(size)
    if faces == "unequal discs":
        top = Disc(share * size)
        if dice.chance(0.25):  # the larger on the smaller
            top, bottom = Disc(size), Disc(max(share, 0.75) * size)
    elif faces == "ring on disc":
        top, bottom = Ring(share * size, bore * share * size), Disc(size)
    elif faces == "rings":
        top, bottom = Ring(size, bore * size), Ring(size, dice.one((bore, 0.3)) * size)
    elif faces == "equal squares":
        top = bottom = Rectangle(size, size)
    elif faces == "rectangles":
        top = Rectangle(share * size, share * size * dice.even(0.78, 1.25))
        bottom = Rectangle(size, size * dice.even(0.78, 1.25))
    elif faces == "rail on its like":
        cells = 48
        top = bottom = Rectangle(size, size / long)
    elif faces == "rail on plate":
        cells = 48
        top, bottom = (
            Rectangle(0.8 * size, 0.8 * size / long),
            dice.one((Disc(size), Rectangle(size, size))),
        )
    elif faces == "part on plate":
        part = dice.even(0.15, 0.4) * size
        top = dice.one((Disc(part), Rectangle(part, part * dice.even(0.5, 1.0))))
        bottom = dice.one(
            (Disc(size), Ring(size, dice.even(0.1, 0.2) * size), Rectangle(size, size))
        )
    grooves = _grooves(dice, bottom, cells) if "grooved" in faces or dice.chance(0.08) else None
    alike = faces in (
        "equal discs",
        "equal squares",
        "rail on its like",
        "grooved pair",
        "grooved discs",
    )
    b_cells = cells if alike or dice.chance(0.7) else dice.one((32, 40, 48))
    weight = dice.log(1000.0, 6000.0) * min(top.area, bottom.area)
    a = Plate(top, mass=weight / GRAVITY, cells=cells, form=_form(dice, top, depth, cells),
              grooves=grooves if faces == "grooved pair" else None, name="A")  # fmt: skip
    heavier = dice.one((1.0, 1.0, 1.4))
    b = Plate(bottom, mass=heavier * weight / GRAVITY, cells=b_cells,
              form=_form(dice, bottom, depth, b_cells), grooves=grooves, name="B")  # fmt: skip
    return {"A": a, "B": b}


def _grooves(dice: _Dice, outline, cells: int) -> Grooves:
    pattern = dice.one(("square", "triangle", "rings", "radial"))
    cell = max(outline.size) / cells
    pitch = dice.even(0.16, 0.35) * outline.smaller
    rim = dice.one((0.0, 0.0, 0.02)) * outline.smaller
    width = max(0.6 * cell, dice.even(0.08, 0.2) * pitch)
    count = dice.one((4, 6, 8)) if pattern == "radial" else 0
    return Grooves(pattern, pitch, width, radians(dice.one((0.0, 0.0, 20.0, 45.0))), rim, count)


def _form(dice: _Dice, outline, depth: float, cells: int) -> StartForm:
    """Up to three errors, each within 2 um and six depths of the layer."""
    most = min(2e-6, 6.0 * depth)
    names = ("bow", "crown", "wind") if outline.long else ("sphere", "saddle", "twist")
    sizes = {
        n: dice.sign() * dice.log(0.05 * most, most) if dice.chance(0.5) else 0.0 for n in names
    }
    if outline.long and "crown" in sizes:
        sizes["crown"] *= 0.3
    ripple = None
    if dice.chance(0.15):
        length = max(dice.even(0.25, 0.5) * outline.smaller, 6.0 * max(outline.size) / cells)
        angle = dice.one((None, radians(dice.even(0.0, 180.0))))
        ripple = Ripple(
            0.5 * dice.log(0.05 * most, most), length, angle, dice.rng.integers(1000).item()
        )
    return StartForm(**sizes, ripple=ripple)


def _turned(dice: _Dice, step: Step, turning: str, top: Plate) -> Step:
    """Turn, walk and where the middle of the stroke lies."""
    assert step.strokes is not None
    angle = (
        radians(dice.one(SPECIAL) if "special" in turning else dice.even(0.5, 120.0)) * dice.sign()
    )
    degrees, every = dice.one(SET_OVER)
    over = Turn(
        radians(float(degrees)) * dice.sign(), min(every * dice.one((1, 1, 3)), step.strokes // 4)
    )
    round_ = Turn(radians(dice.log(1.0, 60.0)) * dice.sign())
    off = dice.even(0.02, 0.12) * top.outline.smaller if dice.chance(0.3) else 0.0
    way = dice.even(0.0, 2.0 * pi)
    step = replace(step, centre=(off * cos(way), off * sin(way)), carry_centre=dice.chance(0.5))
    if turning in ("turned", "turned, special", "turned, zigzag"):
        return replace(step, turn=Turn(angle))
    if turning == "set over":
        return replace(step, turn=over)
    if turning == "walked":
        return replace(step, walk=round_)
    if turning == "walked, set over":
        return replace(step, walk=over)
    if turning == "turned and walked":
        return replace(step, turn=Turn(angle), walk=dice.one((round_, over)))
    if turning == "bottom turned":
        return replace(step, walk=Turn(-abs(round_.angle)), carry_centre=True)
    return step


def _loaded(dice: _Dice, step: Step, plates: dict[str, Plate]) -> Step:
    force = dice.one((0.0, 0.3, 1.0)) * plates["A"].weight
    at = (0.0, 0.0)
    if force and dice.chance(0.5):
        way, far = dice.even(0.0, 2.0 * pi), dice.even(0.02, 0.15) * plates["A"].outline.smaller
        at = (far * cos(way), far * sin(way))
    push = dice.even(0.05, 0.25) * plates["A"].outline.smaller if dice.chance(0.15) else 0.0
    return replace(step, load=Load(force, at, dice.one(("hand", "top", "bench")), push))


def _stroked(
    dice: _Dice, step: Step, top: Plate, bottom: Plate, zigzag: bool
) -> tuple[Step, float]:
    """A stroke between the least travel and that at which flat faces begin to lift."""
    kind = "zigzag" if zigzag else dice.one(STROKES)
    step = replace(step, direction=dice.one((0.0, 0.5 * pi, dice.even(0.0, pi))))
    unit = top.outline.width_along(step.direction)
    slim, passes, share = dice.even(0.2, 0.9), dice.one(PASSES), dice.even(0.0, 1.0)
    ratio = dice.one((5, -4, 4))

    def sized(travel: float) -> Step:
        half = 0.5 * travel * unit
        sizes = {"width": 2.0 * slim * half, "passes": passes, "ratio": ratio}
        return replace(
            step, curve=Line(travel * unit) if kind == "line" else shaped(kind, half, sizes)
        )

    def bears(travel: float) -> bool:
        return _least_pressed(sized(travel), top, bottom) > 0.0

    if not bears(LEAST_TRAVEL):
        raise NotThisOneError
    low, high = LEAST_TRAVEL, MOST_TRAVEL
    for _ in range(10):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if bears(middle) else (low, middle)
    travel = LEAST_TRAVEL + share * (low - LEAST_TRAVEL)
    return sized(travel), travel


def _least_pressed(step: Step, top: Plate, bottom: Plate) -> float:
    """Least pressure of flat faces over its mean, over the poses of a steady step."""
    motion = Motion(step)
    strokes = places(motion)
    strokes = strokes[:: max(1, strokes.size // 250)]
    poses = motion.poses(strokes)
    seen = face_points(land_outline(top))
    c, s = np.cos(poses.theta)[:, None], np.sin(poses.theta)[:, None]
    dx, dy = c * seen[:, 0] - s * seen[:, 1], s * seen[:, 0] + c * seen[:, 1]
    bears = (
        land_outline(bottom).signed_distance(poses.cx[:, None] + dx, poses.cy[:, None] + dy) <= 0.0
    )
    if bears.sum(axis=1).min() < 8:
        return -1.0
    load = top.weight + step.load.force
    shares = flat_shares(bears.astype(float), dx, dy, motion.moment(poses, load) / load)
    return float(np.where(bears, shares, np.inf).min())


def _swap(dice: _Dice, step: Step) -> Swap:
    """Equal or unequal spells on top, two to eight of them."""
    assert step.strokes is not None
    spell = max(6, step.strokes // dice.one((2, 3, 4, 6, 8)))
    other = spell if dice.chance(0.5) else max(3, round(spell * dice.even(0.3, 1.0)))
    return Swap({"A": spell / step.pace, "B": other / step.pace})


def _wearing(
    dice: _Dice, step: Step, plates: dict[str, Plate], removal: float, depth: float
) -> Step:
    """Wear that takes off `removal` [m], mean of both; fade, fresh grit and unlike metals among it."""
    ratio = dice.log(0.2, 5.0) if dice.chance(0.3) else 1.0
    assert step.strokes is not None
    time, fade, fresh, working = step.strokes / step.pace, None, None, 1.0
    if dice.chance(0.2):
        fade = dice.log(0.15, 1.5) * time
        fresh = dice.one((None, time / dice.one((2, 3, 5))))
        spell = (fresh or time) / fade
        working = (1.0 - exp(-spell)) / spell
    load = plates["A"].weight + step.load.force
    motion = Motion(step)
    poses = motion.poses(np.arange(512) / 512.0 * max(1.0, step.curve.period))
    spun = np.abs(poses.spin) * 0.6 * plates["A"].outline.radius
    speed = float(np.hypot(np.hypot(poses.vx, poses.vy), spun).mean())
    per_kappa = (
        0.5
        * load
        * speed
        * time
        * working
        * (ratio / plates["A"].land_area + 1.0 / plates["B"].land_area)
    )
    kappa = removal / per_kappa
    grit = replace(
        step.grit, wear=Wear(iron=kappa, plates={"A": ratio * kappa, "B": kappa}), fade=fade
    )
    # tau where the two meet, in strokes: the squeeze over what both lose there in a stroke with fresh grit.
    lost = (1.0 + ratio) * kappa * grit.layer.stiffness * speed / step.pace
    if lost * FEWEST_STROKES_A_TAU > 1.0:
        raise NotThisOneError
    return replace(step, grit=grit, fresh_every=fresh)


def _check(step: Step, plates: dict[str, Plate], index: int) -> None:
    """Whoever is on top stands, the hand's scatter counted."""
    pairs = [("A", "B"), ("B", "A")] if step.swap else [("A", "B")]
    for top, bottom in ((plates[a], plates[b]) for a, b in pairs):
        least = 1.5 * max(top.grid.cell, bottom.grid.cell)
        try:
            check_stands(step, top, bottom)
        except LapwrightError as tips:
            raise NotThisOneError from tips
        motion = Motion(step, (0, 1, 1))
        poses = motion.poses(np.arange(16 * step.total_strokes) / 16.0)
        load = top.weight + step.load.force
        c = np.stack([poses.cx, poses.cy], axis=1)
        point = c + motion.moment(poses, load) / load
        if (
            not margins(land_outline(top), land_outline(bottom), c, poses.theta, point).min()
            > least
        ):
            raise NotThisOneError


def _kinds(faces: str, step: Step, plates: dict[str, Plate], hand: str) -> tuple[str, ...]:
    """Names under which the study is counted; the first two say its faces and how it turns."""
    turned = "unturned"
    if step.walk.angle and step.turn.angle:
        turned = "turned and walked"
    elif step.walk.angle:
        turned = "walked, set over" if step.walk.indexed else "walked"
    elif step.turn.angle:
        turned = "set over" if step.turn.indexed else "turned"
    kinds = [faces, turned, _stroke_words(step)]
    kinds += ["scatter"] if hand else []
    kinds += ["swapped"] if step.swap else []
    kinds += ["fading grit"] if step.grit.fade else []
    kinds += ["grooves"] if any(p.grooves for p in plates.values()) else []
    kinds += ["hand off centre"] if hypot(*step.load.at) else []
    return tuple(kinds)


def _stroke_words(step: Step) -> str:
    return type(step.curve).__name__.lower().replace("figureeight", "figure-eight")


def _turn_words(turn: Turn, what: str) -> str:
    if not turn.angle:
        return ""
    angle = f"{what} {np.degrees(turn.angle):.1f} deg"
    return f"{angle} every {turn.every}" if turn.indexed else f"{angle} a stroke"


def _face_words(plate: Plate) -> str:
    x, y = (1e3 * side for side in plate.outline.size)
    shape = f"{type(plate.outline).__name__.lower()} {x:.0f}"
    shape += f" x {y:.0f}" if isinstance(plate.outline, Rectangle) else ""
    shape += f" bore {1e3 * plate.outline.bore:.0f}" if plate.outline.bore else ""
    return shape + (f" with {plate.grooves.pattern} grooves" if plate.grooves else "")


def _words(step: Step, plates: dict[str, Plate], travel: float, removal: float, hand: str) -> str:
    off = 1e3 * hypot(*step.centre)
    parts = [
        f"{_face_words(plates['A'])} on {_face_words(plates['B'])} mm",
        f"{_stroke_words(step)} travel {travel:.2f}",
        f"{step.curve.passes:g} passes" if hasattr(step.curve, "passes") else "",
        f"{off:.0f} mm off{' carried' if step.carry_centre and step.walk.angle else ''}" if off else "",
        _turn_words(step.turn, "turn"),
        _turn_words(step.walk, "walk"),
        f"hand {hand}" if hand else "",
        f"swap {step.swap.on_top['A'] * step.pace:.0f}/{step.swap.on_top['B'] * step.pace:.0f}"
        if step.swap else "",
        "fading" if step.grit.fade else "",
        f"{step.strokes} strokes, layer {1e6 * step.grit.layer.depth:.2f} um, {1e6 * removal:.2f} um off, "
        f"cells {plates['A'].cells}/{plates['B'].cells}",
    ]  # fmt: skip
    return ", ".join(part for part in parts if part)
