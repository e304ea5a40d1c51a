"""What preview says beforehand, against the engine, within 3 % on ten studies and more.

The overhang against the largest of all places tried one by one; where flat faces lift and tip against the
engine's own settling just inside and just outside; pressure and metal removed against a run; half the
difference of the domes, at edge margin 0, against a run.
"""

from dataclasses import replace
from math import cos, hypot, pi, sin
from pathlib import Path

import numpy as np
import pytest

from lapwright.contact.average import Pair, Sample
from lapwright.contact.pressure import settle
from lapwright.contact.stability import _pushed
from lapwright.errors import NoOverlapError, TippedError
from lapwright.integration.estimate import outlook, outlooks
from lapwright.integration.loop import lap
from lapwright.kinematics.motion import Motion
from lapwright.kinematics.overhang import land_outline
from lapwright.metrology.form import EdgeMargin, forms
from lapwright.specification.curves import Circle
from lapwright.specification.outline import Rectangle
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Hand, Load, Swap, Until
from lapwright.study.read import load, parse
from lapwright.verification.closed_forms import Lens

CONFIGS = sorted((Path(__file__).parents[2] / "configs").glob("*.toml"))
WITHIN = 0.03
QUICKER = 4.0  # times the steps are cut short, swaps and dabs too

PAIR = """
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "1 um" } }
plates.B = { like = "A", form = { dish = "0.5 um" } }
"""
STEP = """
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
time = "20 min"
fresh_grit_every = "5 min"
"""
MADE = {
    "inch": 'units = "inch"\n'
    + PAIR.replace("160 mm", "6 in").replace("30 mm", "1.25 in")
    + STEP
    + 'stroke = { kind = "circle", overhang = "0.8 in" }\nload = "5 lb"\nturn = "8 deg per stroke"',
    "grooved both": PAIR.replace(
        '"30 mm",',
        '"30 mm", grooves = { pattern = "square", pitch = "12 mm", width = "2 mm", rim = "3 mm" },',
        1,
    )
    + STEP
    + 'stroke = { kind = "line", travel = "1/4" }',
    "seal ring on a plate": PAIR.replace(
        '{ like = "A", form', '{ ring = ["70 mm", "30 mm"], thickness = "20 mm", form'
    )
    + STEP.replace('top = "A"\nbottom = "B"', 'top = "B"\nbottom = "A"')
    + 'stroke = { kind = "figure-eight", length = "60 mm" }\nload = "10 N"\nturn = "8 deg per stroke"',
    "two rails": """
plates.A = { rectangle = ["300 mm", "50 mm"], thickness = "30 mm", form = { bow = "1 um" } }
plates.B = { like = "A" }
"""
    + STEP
    + 'stroke = { kind = "line", length = "60 mm" }\nturn = "180 deg every 10 strokes"',
    "two squares, slanting": """
plates.A = { rectangle = ["120 mm", "120 mm"], thickness = "30 mm", form = { dome = "1 um" } }
plates.B = { like = "A", form = {} }
"""
    + STEP
    + 'stroke = { kind = "line", length = "40 mm", direction = "30 deg" }\nturn = "90 deg every 7 strokes"',
    "off centre": PAIR
    + STEP
    + 'stroke = { kind = "ellipse", length = "40 mm", centre = ["12 mm", "-6 mm"], direction = "20 deg" }\n'
    + 'load = "20 N"\nload_at = { x = "8 mm", y = "3 mm", fixed_to = "bench" }\nwalk = "2 deg per stroke"',
    "walked": PAIR
    + STEP
    + 'stroke = { kind = "line", length = "50 mm", centre = ["6 mm", "0 mm"] }\nwalk = "3 deg per stroke"',
    "small on large": PAIR.replace(
        '{ like = "A", form', '{ disc = "110 mm", thickness = "20 mm", form'
    )
    + STEP.replace('top = "A"\nbottom = "B"', 'top = "B"\nbottom = "A"')
    + 'stroke = { kind = "rosette", travel = "1/3" }\nturn = "5 deg per stroke"',
    "weighed, fading, uneven swaps": PAIR
    + '[grits.g]\nsize = "9 um"\nfade = "6 min"\nwear = { lost = "0.2 g", in = "10 min", plate = "A" }\n'
    + STEP.replace('"15 um"', '"g"')
    + 'stroke = { kind = "circle", radius = "20 mm" }\nswap_every = { A = "6 min", B = "2 min" }',
}
STUDIES = {path.stem: path for path in CONFIGS} | MADE


def study_of(name):
    told = STUDIES[name]
    return load(told) if isinstance(told, Path) else parse(told)


def coarse(study, cells=64):
    """Its plates on fewer cells."""
    return {name: replace(plate, cells=cells) for name, plate in study.plates.items()}


def shorter(step):
    """The same step, four times quicker over."""
    swap = step.swap
    if swap is not None:
        swap = Swap({name: time / QUICKER for name, time in swap.on_top.items()})
    fresh = None if step.fresh_every is None else step.fresh_every / QUICKER
    return replace(step, time=step.time / QUICKER, swap=swap, fresh_every=fresh)


def edge(outline, count=720):
    """Points along the outer edge of a face (k, 2)."""
    if isinstance(outline, Rectangle):
        x, y = 0.5 * outline.along, 0.5 * outline.across
        return np.array([[x, y], [-x, y], [-x, -y], [x, -y]])
    angle = 2.0 * pi * np.arange(count) / count
    return outline.radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def outside(outline, x, y):
    """How far points lie outside a face, bores filled."""
    if isinstance(outline, Rectangle):
        dx, dy = np.abs(x) - 0.5 * outline.along, np.abs(y) - 0.5 * outline.across
        return np.where(
            np.maximum(dx, dy) <= 0.0,
            np.maximum(dx, dy),
            np.hypot(np.maximum(dx, 0), np.maximum(dy, 0)),
        )
    return np.hypot(x, y) - outline.radius


def hangs_out(top, bottom, cx, cy, theta):
    """Largest overhang over many places (n,), tried point by point of the top's edge."""
    points = edge(top, 180)  # between two of them a rim of 100 mm stands out by 15 um more
    most = -np.inf
    for part in np.array_split(np.arange(len(cx)), max(1, len(cx) // 2000)):
        c, s = np.cos(theta[part])[:, None], np.sin(theta[part])[:, None]
        x = cx[part, None] + c * points[:, 0] - s * points[:, 1]
        y = cy[part, None] + s * points[:, 0] + c * points[:, 1]
        most = max(most, float(outside(bottom, x, y).max()))
    return most


@pytest.mark.always(*range(1, 14, 2), *range(20, 31, 2))
@pytest.mark.parametrize("name", STUDIES)
def test_overhang_against_all_places(name):
    study = study_of(name)
    for step, look in zip(study.steps, outlooks(study.plates, study.steps), strict=True):
        motion = Motion(replace(step, hand=Hand()))
        total = step.total_strokes
        rng = np.random.default_rng(1)
        strokes = np.concatenate([np.arange(8), rng.integers(0, total, 400)])
        poses = motion.poses((strokes[:, None] + np.arange(64) / 64).ravel())
        top, bottom = (study.plates[n].outline for n in (step.top, step.bottom))
        most = hangs_out(top, bottom, poses.cx, poses.cy, poses.theta)
        assert look.overhang == pytest.approx(most, rel=WITHIN, abs=1e-4)


def rests(pair, step, c):
    """Least squeeze of flat faces over the edge of their overlap [m]; -inf where the top tips."""
    moment = step.load.force * np.array(step.load.at)
    poses = Motion(step).poses(np.zeros(1))
    poses = replace(
        poses, cx=np.array([c[0]]), cy=np.array([c[1]]), theta=np.zeros(1), alpha=np.zeros(1)
    )
    try:
        contact = settle(pair, *flat(pair), Sample(poses, np.ones(1), moment[None, :]))
    except (TippedError, NoOverlapError):
        return -np.inf, 0.0
    top, bottom = land_outline(pair.top), land_outline(pair.bottom)
    x, y = np.concatenate([dense(bottom), dense(top) + np.array(c)]).T
    both = (outside(bottom, x, y) < 1e-9) & (outside(top, x - c[0], y - c[1]) < 1e-9)
    plane = contact.height + contact.tilt[0] * (x - c[0]) + contact.tilt[1] * (y - c[1])
    return float(-plane[both].max()), contact.mean


def dense(outline):
    """Points close together along the outer edge (k, 2)."""
    corners = edge(outline)
    share = np.linspace(0.0, 1.0, 200 if len(corners) == 4 else 2, endpoint=False)[:, None, None]
    return (corners + share * (np.roll(corners, -1, axis=0) - corners)).reshape(-1, 2)


def flat(pair):
    return np.zeros(pair.bottom.grid.shape), np.zeros(pair.top.grid.shape)


# Over a bore faces lift without an overhang: that is looked at by itself.
BORED = ("seal-rings-on-a-turning-plate", "gauge-ends-in-a-carrier")
RIMS = [name for name in STUDIES if name not in BORED]


@pytest.mark.always(*range(0, 29, 2))
@pytest.mark.parametrize("name", RIMS)
def test_lift_off_and_tipping_against_settling(name):
    study = study_of(name)
    step, look = study.steps[0], outlooks(study.plates, study.steps)[0]
    plates = coarse(study, 128)
    top, bottom = plates[step.top], plates[step.bottom]
    pair = Pair(bottom, top, step.grit.layer.stiffness, look.load)

    def out(travel, way):
        c = (step.centre[0] + travel * cos(way), step.centre[1] + travel * sin(way))
        return c, hangs_out(top.outline, bottom.outline, *(np.array([v]) for v in (*c, 0.0)))

    def travel_to(overhang, way):
        low, high = 0.0, top.outline.radius + bottom.outline.radius + hypot(*step.centre)
        for _ in range(60):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if out(middle, way)[1] > overhang else (middle, high)
        return low

    ways = (step.direction, step.direction + pi)
    for overhang, stands in (
        (look.lift_off_overhang, lambda c: rests(pair, step, c)[0] >= 0.0),
        (look.tipping_overhang, lambda c: rests(pair, step, c)[0] > -np.inf),
    ):
        travels = [travel_to(overhang, way) for way in ways]
        inside = [
            stands(out((1.0 - WITHIN) * t, way)[0]) for t, way in zip(travels, ways, strict=True)
        ]
        beyond = [
            stands(out((1.0 + WITHIN) * t, way)[0]) for t, way in zip(travels, ways, strict=True)
        ]
        assert all(inside)
        assert not all(beyond)


def on_land(outline, x, y):
    """Where points lie on a ring, its edges too."""
    far = np.hypot(x, y)
    return (far < outline.radius + 1e-9) & (far > 0.5 * outline.bore - 1e-9)


def least_squeeze(pair, step, c):
    """The same as `rests` of rings, with the edges of both bores [m]."""
    poses = Motion(step).poses(np.zeros(1))
    still = {"theta": np.zeros(1), "alpha": np.zeros(1)}
    poses = replace(poses, cx=np.array([c[0]]), cy=np.array([c[1]]), **still)
    contact = settle(pair, *flat(pair), Sample(poses, np.ones(1), np.zeros((1, 2))))
    top, bottom = land_outline(pair.top), land_outline(pair.bottom)
    angle = 2.0 * pi * np.arange(1440) / 1440
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    below = [radius * ring for radius in (bottom.radius, 0.5 * bottom.bore)]
    above = [radius * ring + np.array(c) for radius in (top.radius, 0.5 * top.bore)]
    x, y = np.concatenate(below + above).T
    both = on_land(bottom, x, y) & on_land(top, x - c[0], y - c[1])
    plane = contact.height + contact.tilt[0] * (x - c[0]) + contact.tilt[1] * (y - c[1])
    return float(-plane[both].max())


@pytest.mark.campaign
def test_lift_off_over_the_bore_of_a_ring_plate_against_settling():
    """A small ring on a ring plate lifts over the bore as over the rim, and nothing hangs out there."""
    study = study_of("seal-rings-on-a-turning-plate")
    step, look, plates = study.steps[0], study.ahead[0], coarse(study, 256)
    pair = Pair(plates["plate"], plates["ring"], step.grit.layer.stiffness, look.load)
    lift = look.edge.limits.lift
    assert lift.overhang < 0.0
    travel = step.centre[0] - lift.apart
    assert travel > 0.0, "inwards"
    assert least_squeeze(pair, step, (step.centre[0] - (1.0 - WITHIN) * travel, 0.0)) >= 0.0
    assert least_squeeze(pair, step, (step.centre[0] - (1.0 + WITHIN) * travel, 0.0)) < 0.0
    # Its stroke stays 2 mm from the bore; one that goes in to 75 mm, and stands over the rim, lifts.
    assert not look.lifts
    wide = replace(step, centre=(0.095, 0.0), curve=Circle(0.02))
    assert outlook(study.plates, wide).lifts
    assert not outlook(study.plates, replace(wide, curve=Circle(0.015))).lifts


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(4))
def test_the_side_that_a_load_lies_on_is_told(seed):
    """Of a part that goes round inside the edge the place where its load leads it out lifts first.

    Pushed on from any place of its round it may go no less far before it lifts.
    """
    rng = np.random.default_rng(seed)
    study = study_of("ring-to-size-and-parallel")
    way = rng.uniform(0.0, 2.0 * pi)
    load = Load(40.0, (0.005 * cos(way), 0.005 * sin(way)), fixed_to=rng.choice(["top", "bench"]))
    step = replace(study.steps[0], load=load, curve=Circle(rng.uniform(0.01, 0.05)))
    look, (top, bottom) = outlook(study.plates, step), (study.plates[n] for n in ("ring", "table"))
    motion = Motion(replace(step, hand=Hand()))
    every = [_pushed(motion, top, bottom, look.load, k / 24) for k in range(24)]
    assert look.edge.room <= min(edge.room for edge in every) + 1e-5
    assert max(edge.room for edge in every) > look.edge.room + 3e-3, "the sides differ"


@pytest.mark.always(*range(0, 31, 2))
@pytest.mark.parametrize("name", STUDIES)
def test_pressure_against_settling(name):
    study = study_of(name)
    for step, look in zip(study.steps, outlooks(study.plates, study.steps), strict=True):
        plates = coarse(study, 128)
        pair = Pair(plates[step.bottom], plates[step.top], step.grit.layer.stiffness, look.load)
        # Where grooves lie over grooves or beside them changes with every place: a mean over one pitch.
        shifts = np.zeros((1, 2))
        if all(p.grooves is not None for p in plates.values()):
            shifts = 0.006 * np.stack(
                np.meshgrid(*2 * [(np.arange(6) + 0.5) / 3.0 - 1.0]), -1
            ).reshape(-1, 2)
        places = (np.array(step.centre) + shifts).tolist()
        # What the faces themselves lose by the shift, a lens of two equal discs, is not the grooves' doing.
        radius = land_outline(pair.top).radius
        shared = [Lens(hypot(*shift) / radius).area / pi if any(shift) else 1.0 for shift in shifts]
        rested = [rests(pair, step, tuple(c))[1] for c in places]
        land = [look.load / mean / lens for mean, lens in zip(rested, shared, strict=True)]
        assert look.pressure_mean == pytest.approx(look.load / np.mean(land), rel=WITHIN)


# A turned top takes many places: of those that take longest, one every time (a ring on a plate).
LONG = ("first-pair", "grooved-pair", "ring-that-spares-the-plate", "tune-the-swaps")


@pytest.mark.often(
    "flooded-pair",
    "rail-in-wind",
    "rings-over-the-rim",
    "grooved both",
    "two squares, slanting",
    "off centre",
    "walked",
)
@pytest.mark.always(6, 7, 11, 18, 20, 21, 30)
@pytest.mark.parametrize(
    "name",
    [pytest.param(n, marks=pytest.mark.long) for n in STUDIES if n in LONG]
    + [n for n in STUDIES if n not in LONG],
)
def test_metal_removed_and_half_difference_against_a_run(name):
    study = study_of(name)
    plates = coarse(study)
    steps = [shorter(step) for step in study.steps]
    looks = outlooks(plates, steps, seed=study.seed)
    moments = list(lap(plates, steps, seed=study.seed))
    last = moments[-1]
    for plate in plates:
        told = sum(look.removed_from.get(plate, 0.0) for look in looks)
        assert told == pytest.approx(last.removed[plate], rel=WITHIN)
    step, look = steps[0], looks[0]
    if look.half_difference is None:
        return
    first = next(m for m in moments if m.event in ("step", "end"))

    def half(heights):
        spheres = {n: forms(plates[n], heights[n], EdgeMargin(share=0.0)).sphere for n in plates}
        return 0.5 * (spheres[step.bottom] - spheres[step.top])

    grown = half(first.heights) - half({n: p.heights() for n, p in plates.items()})
    whole = outlooks(plates, [replace(step, swap=None)])[0].half_difference
    assert look.half_difference == pytest.approx(grown, rel=WITHIN, abs=WITHIN * abs(whole))


@pytest.mark.parametrize("seed", range(3))
def test_metal_is_foretold_until_a_size_is_reached(seed):
    """What is left to the size, whatever time is allowed; of two steps what the first left (geometry)."""
    rng = np.random.default_rng(seed)
    study = study_of("ring-to-size-and-parallel")
    left = rng.uniform(2e-6, 5e-6)
    sizes = [12.006e-3 - left, 12.006e-3 - left - 1e-6]
    steps = [replace(study.steps[0], until=Until(thickness={"ring": size})) for size in sizes]
    first, second = outlooks(study.plates, steps)
    stroke = first.removed_from["ring"] / (first.time * steps[0].pace)
    assert left <= first.removed_from["ring"] <= left + 1.1 * stroke
    both = first.removed_from["ring"] + second.removed_from["ring"]
    assert left + 1e-6 <= both <= left + 1e-6 + 1.1 * stroke
    # A step that is too short for it takes all of its time; one that waits for a form may.
    short = replace(steps[0], time=0.5 * first.time)
    whole = 1.0 / short.pace  # a step is of whole strokes
    assert outlook(study.plates, short).time == pytest.approx(0.5 * first.time, abs=whole)
    formed = replace(steps[0], until=replace(steps[0].until, flatness=1e-7))
    assert outlook(study.plates, formed).time == pytest.approx(8 * 3600.0)
    mean = replace(steps[0], until=Until(removed=1e-6))
    assert outlook(study.plates, mean).removed == pytest.approx(1e-6, rel=0.01)


@pytest.mark.campaign
def test_ten_studies_and_more():
    told = [outlooks(s.plates, s.steps)[0].half_difference for s in map(study_of, STUDIES)]
    assert len(STUDIES) >= 10
    assert sum(half is not None for half in told) >= 10


@pytest.mark.always("grooved-pair-more0", "seal ring on a plate-more3", "never-swapped-more4")
@pytest.mark.parametrize(
    ("name", "more"),
    [
        ("grooved-pair", {}),
        ("rail-in-wind", {}),
        ("small on large", {}),
        ("seal ring on a plate", {}),
        ("never-swapped", {"top": "B", "bottom": "A"}),
    ],
)
def test_which_way_it_drives_the_domes_against_a_run(name, more):
    """Flat plates, lapped long enough to bed in: curvature of the bottom less that of the top."""
    study = study_of(name)
    plates = {n: replace(p, form=StartForm()) for n, p in coarse(study, 48).items()}
    step = replace(study.steps[0], swap=None, time=1800.0, **more)
    look = outlooks(plates, [step])[0]
    *_, last = lap(plates, [step])

    def curve(plate):
        got = forms(plate, last.heights[plate.name], EdgeMargin(share=0.0))
        if plate.outline.long:
            return got.bow / max(plate.outline.size) ** 2 + got.crown / plate.outline.smaller**2
        return got.sphere / plate.outline.radius**2

    apart = curve(plates[step.bottom]) - curve(plates[step.top])
    assert apart * look.tendency.all_round > 0.0
