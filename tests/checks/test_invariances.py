"""What must not change the answer, to round-off or to the bit (checks 31)."""

from dataclasses import asdict, replace
from functools import cache

import numpy as np
import pytest

from lapwright.integration.loop import lap
from lapwright.integration.state import Doubt, Progress, State
from lapwright.specification.curves import FigureEight
from lapwright.specification.outline import Disc
from lapwright.specification.plate import StartForm
from lapwright.specification.step import Grit, Hand, Layer, Load, Step, Swap, Turn, Until, Wear
from lapwright.verification.scenes import body, disc, last, plain_grit

CELLS = 24
FORMS = {"sphere": 1e-6, "saddle": 0.7e-6, "twist": 0.4e-6}
EIGHT = {
    "curve": FigureEight(0.06, 0.03),
    "direction": 0.35,
    "centre": (0.006, -0.004),
    "load": Load(20.0, (0.01, 0.004), "bench", push_height=0.01),
    "pace": 1.0,
    "strokes": 40,
}
TURNS = {
    "no turn": {},
    "turning": {"turn": Turn(0.14), "walk": Turn(0.05)},
    "indexed": {"turn": Turn(np.pi / 2, 25)},
    "carried": {"walk": Turn(-0.06), "carry_centre": True},
}


def plates(sign=1.0, names=("A", "B")):
    over = StartForm(FORMS["sphere"], sign * FORMS["saddle"], sign * FORMS["twist"])
    under = StartForm(-0.3e-6, sign * 0.2e-6, sign * -0.6e-6)
    return disc(names[0], CELLS, over, load=40.0), disc(names[1], CELLS, under)


def run(step, sign=1.0, **more):
    return last(plates(sign), step, **more)


def step_of(case, **more):
    given = {"grit": plain_grit({"A": 1e-12, "B": 0.4e-12})} | EIGHT | TURNS[case] | more
    return Step("A", "B", **given)


@cache
def plain(turn):
    """The end of the case as it stands, that others are held against."""
    return run(step_of(turn))


def same(a, b):
    np.testing.assert_allclose(a, b, rtol=0, atol=1e-9 * np.abs(b).max())


@pytest.mark.always("no turn", "indexed", "carried")
@pytest.mark.parametrize("turn", TURNS)
def test_turned_by_a_quarter(turn):
    """Everything on the bench turned by 90 degrees, maps included."""
    one = plain(turn)
    x, y = EIGHT["centre"]
    u, v = EIGHT["load"].at
    turned = step_of(
        turn,
        direction=EIGHT["direction"] + np.pi / 2,
        centre=(-y, x),
        load=replace(EIGHT["load"], at=(-v, u)),
    )
    # Saddle and twist of either face turn into their negatives.
    other = run(turned, sign=-1.0)
    # Row 0 is the lowest: an anticlockwise quarter turn of the bottom is rot90 by -1; the top, seen from its
    # own side, turns the other way.
    same(other.heights["B"], np.rot90(one.heights["B"], -1))
    same(other.heights["A"], np.rot90(one.heights["A"], 1))
    assert other.removed["A"] == pytest.approx(one.removed["A"], rel=1e-9, abs=0)


@pytest.mark.always("no turn", "indexed", "carried")
@pytest.mark.parametrize("turn", TURNS)
def test_mirrored(turn):
    """Bench, maps and motion seen in a mirror that exchanges 3 and 9 o'clock."""
    one = plain(turn)
    x, y = EIGHT["centre"]
    u, v = EIGHT["load"].at
    base = step_of(turn)
    mirrored = step_of(
        turn,
        curve=FigureEight(0.06, -0.03),
        direction=np.pi - EIGHT["direction"],
        centre=(-x, y),
        load=replace(EIGHT["load"], at=(-u, v)),
        turn=replace(base.turn, angle=-base.turn.angle),
        walk=replace(base.walk, angle=-base.walk.angle),
    )
    over, under = plates()
    flipped = [replace(p, form=replace(p.form, twist=-p.form.twist)) for p in (over, under)]
    other = last(flipped, mirrored)
    same(other.heights["B"], one.heights["B"][:, ::-1])
    same(other.heights["A"], one.heights["A"][:, ::-1])


@pytest.mark.campaign
def test_relabelled():
    over, under = plates()
    one = plain("turning")
    other = last(
        (replace(under, name="z"), replace(over, name="y")),
        replace(
            step_of("turning"), top="y", bottom="z", grit=plain_grit({"y": 1e-12, "z": 0.4e-12})
        ),
    )
    np.testing.assert_array_equal(other.heights["y"], one.heights["A"])
    np.testing.assert_array_equal(other.heights["z"], one.heights["B"])


@pytest.mark.campaign
def test_a_third_plate_that_lies_aside_changes_nothing():
    over, under = plates()
    one = plain("turning")
    other = last((over, under, disc("C", CELLS)), step_of("turning"))
    np.testing.assert_array_equal(other.heights["A"], one.heights["A"])
    assert other.removed["C"] == 0.0


@pytest.mark.always("no turn", "indexed", "carried")
@pytest.mark.parametrize("turn", TURNS)
def test_seeds(turn):
    """The same seed gives the same bits; another seed only another sample of the same motion."""
    one, again, other = plain(turn), run(step_of(turn), seed=0), run(step_of(turn), seed=4)
    np.testing.assert_array_equal(one.heights["A"], again.heights["A"])
    apart = (one.heights["A"] - other.heights["A"])[disc("A", CELLS).land == 1.0]
    assert 0.0 < apart.std() < 0.003 * one.removed["A"]


@pytest.mark.always("no turn", "indexed", "carried")
@pytest.mark.parametrize("turn", TURNS)
def test_threads(turn):
    one, two = plain(turn), run(step_of(turn), threads=2)  # one thread is what is usual
    for name in ("A", "B"):
        np.testing.assert_array_equal(one.heights[name], two.heights[name])
        np.testing.assert_array_equal(one.pressure_speed[name], two.pressure_speed[name])


def busy():
    """Every kind of event: swaps, readings, fading grit, an index, scatter, an until, two rounds."""
    fading = Grit("coarse", 15e-6, Wear(iron=1e-12), Layer(1e-6), fade=50.0)
    first = Step(
        "A",
        "B",
        fading,
        FigureEight(0.06, 0.03),
        pace=1.0,
        turn=Turn(np.pi / 2, 15),
        swap=Swap({"A": 30.0, "B": 15.0}),
        fresh_every=40.0,
        hand=Hand(0.1, 0.001, 0.05, 0.1, 5.0),
        time=90.0,
    )
    second = replace(
        first,
        grit=plain_grit(),
        turn=Turn(0.14),
        swap=Swap(read=25.0),
        fresh_every=None,
        time=60.0,
        until=Until(removed=0.35e-6),
    )
    return (first, second)


def same_moment(a, b):
    assert (a.event, a.top, a.bottom, a.clock, a.outcome, a.removed) == (
        b.event,
        b.top,
        b.bottom,
        b.clock,
        b.outcome,
        b.removed,
    )
    for name in a.heights:
        np.testing.assert_array_equal(a.heights[name], b.heights[name])


def stored(moment):
    """A moment written down and read back: plain scalars and bytes only."""
    import json

    clock = Progress(**json.loads(json.dumps(asdict(moment.clock))))
    return State(
        clock=clock,
        event=moment.event,
        top=moment.top,
        bottom=moment.bottom,
        heights={n: np.frombuffer(z.tobytes()).reshape(z.shape) for n, z in moment.heights.items()},
        removed=json.loads(json.dumps(dict(moment.removed))),
        pressure_speed={n: z.copy() for n, z in moment.pressure_speed.items()},
        lift_share=moment.lift_share,
        scale_error=moment.scale_error,
        doubt={n: Doubt(**asdict(d)) for n, d in moment.doubt.items()},
        outcome=moment.outcome,
    )


@cache
def unbroken():
    return list(lap({p.name: p for p in plates()}, busy(), rounds=2, seed=5))


# Within each round; from every eighth by hand.
EIGHTHS = [3, 7]
ALSO = [pytest.param(k, marks=pytest.mark.long) for k in range(9) if k not in EIGHTHS]


@pytest.mark.campaign
@pytest.mark.parametrize("eighth", [*EIGHTHS, *ALSO])
def test_stopped_and_resumed(eighth):
    """Going on from any moment, written down and read back, gives the same bits."""
    whole = unbroken()
    assert {m.event for m in whole} >= {"start", "block", "swap", "fresh grit", "step", "end"}
    k = min(eighth * (len(whole) // 8), len(whole) - 1)
    rest = list(
        lap({p.name: p for p in plates()}, busy(), rounds=2, seed=5, after=stored(whole[k]))
    )
    assert len(rest) == len(whole) - k - 1 if whole[k].event != "end" else not rest
    for a, b in zip(rest, whole[k + 1 :], strict=True):
        same_moment(a, b)


@pytest.mark.campaign
def test_resumed_on_other_threads():
    whole = unbroken()
    after = stored(whole[len(whole) // 2])
    rest = list(
        lap({p.name: p for p in plates()}, busy(), rounds=2, seed=5, after=after, threads=2)
    )
    same_moment(rest[-1], whole[-1])


def test_units_of_pressure_and_wear_cancel():
    """Twice the load on a layer twice as stiff at half the wear: the same maps (dimensional analysis)."""
    base = step_of("no turn", load=Load())
    over, under = plates()
    one = last((over, under), base)
    heavy = replace(
        base,
        grit=replace(
            base.grit,
            wear=Wear(plates={"A": 0.5e-12, "B": 0.2e-12}),
            layer=Layer(base.grit.layer.depth, 2 * base.grit.layer.pressure),
        ),
    )
    other = last((replace(over, mass=2 * over.total_mass), under), heavy)
    same(other.heights["A"], one.heights["A"])


@pytest.mark.campaign
def test_size_scales_out():
    """All lengths across the bench ten times, load and wear to match: the same heights."""

    def lapped(scale):
        over, under = (
            body(n, Disc(0.16 * scale), 40.0 * scale**2, CELLS, form=StartForm(**FORMS))
            for n in ("A", "B")
        )
        step = step_of(
            "turning",
            grit=plain_grit(1e-12 / scale),
            curve=FigureEight(0.06 * scale, 0.03 * scale),
            centre=(0.006 * scale, -0.004 * scale),
            load=Load(),
        )
        return last((over, under), step).heights["A"]

    same(lapped(10.0), lapped(1.0))
