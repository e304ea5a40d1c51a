"""A study as plain data: it comes back to the bit, whatever is in it, and a foreign one is refused."""

from __future__ import annotations

import inspect
import json
import math
from dataclasses import fields, is_dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from lapwright.metrology.form import EdgeMargin
from lapwright.metrology.instruments import KINDS
from lapwright.specification import curves as strokes
from lapwright.specification import outline
from lapwright.specification.grooves import Grid, Grooves
from lapwright.specification.materials import LIQUIDS, MATERIALS, Material
from lapwright.specification.outline import Disc, Rectangle, Ring
from lapwright.specification.plate import Measured, Plate, Ripple, StartForm
from lapwright.specification.step import (
    Grit,
    Hand,
    Layer,
    Load,
    Observation,
    Step,
    Swap,
    Turn,
    Until,
    Wear,
)
from lapwright.specification.supports import Palm, Supports
from lapwright.specification.wedge import Wedge
from lapwright.study.faces import Start
from lapwright.study.goal import Effort, Goal
from lapwright.study.model import Axis, Free, Study, Sweep, Tune, Variant
from lapwright.study.read import load
from lapwright.study.resolved import KINDS as TABLES
from lapwright.study.resolved import TYPES, made, plain
from lapwright.units import Units

CONFIGS = Path(__file__).parents[2] / "configs"

numbers = st.floats(allow_nan=False)
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=5) | st.just("is")


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


def some(kind: type, **more: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    """Records of a kind whose other fields are numbers; what constructors would refuse, too."""

    def raw(values: dict[str, Any]) -> Any:
        found = object.__new__(kind)
        found.__dict__.update(values)
        return found

    return st.fixed_dictionaries(
        {f.name: more.get(f.name, numbers) for f in fields(kind) if f.init}
    ).map(raw)


def every(key: st.SearchStrategy[Any], value: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.dictionaries(key, value, max_size=3)


grids = st.builds(Grid, st.integers(1, 4), st.integers(1, 4), st.floats(1e-4, 1e-2))
measured = grids.flatmap(
    lambda grid: st.builds(
        Measured,
        st.just(grid),
        arrays(float, grid.shape, elements=st.floats(-1e-3, 1e-3, width=64)),
    )
)
shapes = some(Disc) | some(Ring) | some(Rectangle)
places = st.tuples(numbers, numbers)
pattern = st.sampled_from(["square", "triangle", "rings", "radial"])
forms = some(
    StartForm, ripple=maybe(some(Ripple, seed=maybe(st.integers()))), measured=maybe(measured)
)
plates = some(
    Plate,
    name=words,
    outline=shapes,
    material=st.sampled_from(list(MATERIALS.values())) | some(Material, name=words, source=words),
    mass=maybe(numbers),
    grooves=maybe(some(Grooves, pattern=pattern, count=st.integers())),
    form=forms,
    cells=st.integers(1, 2000),
    supports=some(Supports, feet=st.integers(), places=st.lists(places, max_size=3).map(tuple)),
    wedge=maybe(some(Wedge)),
    note=words,
)
observations = some(Observation, removed=maybe(numbers), lost=maybe(numbers), plate=maybe(words))
wears = some(Wear, iron=maybe(numbers), plates=every(words, numbers), observed=maybe(observations))
grits = some(
    Grit, name=words, wear=wears, layer=some(Layer), fade=maybe(numbers), held_in=maybe(words),
    wear_within=maybe(numbers), abrasive=maybe(words),
)  # fmt: skip
turns = some(Turn, every=st.integers(0, 10**9))
curves = (
    st.just(strokes.Still())
    | some(strokes.FigureEight)
    | some(strokes.Zigzag)
    | some(strokes.Rosette, ratio=st.integers())
)
steps = some(
    Step,
    top=words,
    bottom=words,
    grit=grits,
    curve=curves,
    centre=places,
    offset=places,
    carry_centre=st.booleans(),
    turn=turns,
    walk=turns,
    load=some(
        Load,
        at=places,
        fixed_to=st.sampled_from(["hand", "top", "bench"]),
        hands=st.lists(some(Palm, at=places), max_size=2).map(tuple),
    ),
    warm=every(words, numbers),
    bends=st.booleans(),
    swap=maybe(
        some(Swap, on_top=every(words, numbers), read=maybe(numbers), removed=every(words, numbers))
    ),
    fresh_every=maybe(numbers),
    liquid=st.sampled_from(list(LIQUIDS)),
    hand=some(Hand, word=words),
    time=maybe(numbers),
    strokes=maybe(st.integers()),
    until=maybe(some(Until, thickness=every(words, numbers), wedge=every(words, numbers))),
    note=words,
)
typed = st.recursive(
    words | numbers | st.integers() | st.booleans() | st.dates() | st.times() | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | every(words, inner),
    max_leaves=5,
)
studies = some(
    Study,
    start=maybe(
        some(Start, run=words, plates=every(words, words), title=words, outcome=words, digest=words)
    ),
    title=words,
    seed=st.integers(0, 2**63 - 1),
    units=st.sampled_from(list(Units)),
    rounds=st.integers(1, 10_000),
    bending=maybe(st.sampled_from(["on", "off"])),
    batch=st.none(),
    at=st.sampled_from(["metal", "end"]) | numbers,
    margin=some(EdgeMargin, share=maybe(numbers), length=maybe(numbers)),
    plates=every(words, plates),
    steps=st.lists(steps, max_size=2).map(tuple),
    assumed=every(words, words),
    typed=st.lists(words, max_size=3).map(tuple),
    text=words,
    stem=words,
    variants=st.lists(
        st.builds(Variant, words, maybe(st.integers()), every(words, typed)), max_size=2
    ).map(tuple),
    swept=maybe(
        st.builds(Sweep, maybe(st.integers()), st.tuples(st.builds(Axis, words, st.tuples(typed))))
    ),
    goal=maybe(
        some(
            Goal,
            **{form: maybe(numbers) for form in ("flatness", "dome", "twist", "bow", "mating")},
            plates=st.tuples(words),
            thickness=every(words, numbers),
            wedge=every(words, numbers),
            hold=maybe(numbers),
            keep=every(words, every(words, numbers)),
            effort=some(Effort, swap=numbers, reading=numbers, wash=numbers, metal=numbers),
        )
    ),
    tuned=maybe(
        st.builds(
            Tune,
            st.sampled_from(["time", "removed", "turns", "swaps", "work"]),
            st.tuples(st.builds(Free, words, maybe(words), maybe(words), st.tuples(words))),
            st.booleans(),
        )
    ),
    gauges=st.just({}),
    readings=st.just(()),
    doubts=st.lists(every(st.tuples(words, words), numbers), max_size=2).map(tuple),
    folder=st.none(),
)


def there_and_back(value: Any) -> Any:
    data, kept = plain(value)
    return made(json.loads(json.dumps(data, allow_nan=False)), kept)


def same(one: Any, other: Any) -> bool:
    """Whether two values are the same to the bit and of one type, all the way down."""
    if type(one) is not type(other):
        return False
    if isinstance(one, np.ndarray):
        return one.shape == other.shape and one.tobytes() == other.tobytes()
    if is_dataclass(one):
        return all(same(getattr(one, f.name), getattr(other, f.name)) for f in fields(one))
    if isinstance(one, dict):
        return list(one) == list(other) and all(same(one[key], other[key]) for key in one)
    if isinstance(one, tuple | list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float):
        return one.hex() == other.hex()
    return bool(one == other)


@pytest.mark.campaign
@given(studies)
def test_any_study_comes_back_to_the_bit(study: Study) -> None:
    assert same(there_and_back(study), study)


def test_a_last_bit_and_a_sign_of_nothing_are_not_lost() -> None:
    """The test above can fail."""
    turn = Turn(0.1, 3)
    assert same(there_and_back(turn), turn)
    assert not same(Turn(math.nextafter(0.1, 1.0), 3), turn)
    assert not same(Turn(-0.0), Turn(0.0))
    endless = Observation(1.0, removed=1e-6)
    endless.__dict__.update(time=-math.inf)
    assert same(there_and_back(endless), endless)


@pytest.mark.parametrize("path", sorted(CONFIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_every_study_of_configs_comes_back(path: Path) -> None:
    study = load(path)
    data, kept = plain(study.steps)
    assert made(data, kept) == study.steps
    for part in (
        "plates",
        "gauges",
        "readings",
        "goal",
        "tuned",
        "swept",
        "variants",
        "assumed",
        "typed",
    ):
        assert there_and_back(getattr(study, part)) == getattr(study, part), part


def test_what_may_be_kept_is_all_that_a_study_can_hold() -> None:
    """Every stroke, outline and gauge there is: one that were forgotten could be lapped and not saved."""
    own = [
        name
        for module in (strokes, outline)
        for name, kind in inspect.getmembers(module, inspect.isclass)
        if kind.__module__ == module.__name__
        and "__dataclass_fields__" in vars(kind)
        and name != "Stroke"  # as it is said; a step holds the curve that it comes to
    ]
    known = {*own, *(kind.__name__ for kind in KINDS.values())}
    assert (
        {"Rosette", "Ring", "OpticalFlat"}
        <= known
        <= set(TYPES) | {kind.__name__ for table in TABLES for kind in table.values()}
    )
    for name, module in TYPES.items():
        kind = getattr(import_module(module), name)
        assert kind is Units or kind.__dataclass_params__.frozen, name


@pytest.mark.parametrize(
    "change",
    [
        {"is": "Path"},
        {"is": "Turn", "angle": 0.1},
        {"radius": 1.0},
        {"angle": "0.1"},
        {"angle": None},
        {"every": 1.5},
        {"every": True},
        {"angle": {"is": "list", "items": []}},
        {"angle": {"is": "array", "number": 0}},
        {"angle": {"is": "number"}},
        {"angle": {"is": "mapping", "pairs": 3}},
        {"angle": {"is": ["list"]}},
    ],
)
def test_data_of_another_hand_are_refused(change: dict[str, Any]) -> None:
    data, _ = plain(
        Step("A", "B", Grit("g", 1e-5, Wear(), Layer(1e-6)), strokes.Still(), turn=Turn(0.1, 3))
    )
    assert made(data).turn == Turn(0.1, 3)
    turn = data["turn"] | change
    if change == {"is": "Turn", "angle": 0.1}:
        turn = {"is": "Grit", "angle": 0.1}
    with pytest.raises(ValueError, match=r"cannot|does not have"):
        made(data | {"turn": turn})


def test_what_is_of_no_known_type_is_not_kept() -> None:
    with pytest.raises(TypeError, match="cannot be kept"):
        plain((1.0, Path("x")))


def test_what_came_later_is_not_missed_in_an_older_file() -> None:
    """A swap written before there were swaps in metal, and a grit before its wear said how surely."""
    data, _ = plain(Swap({"A": 300.0, "B": 60.0}))
    del data["removed"]
    assert made(data, []) == Swap({"A": 300.0, "B": 60.0})
    data, _ = plain(Grit("15 um"))
    del data["wear_within"]
    assert made(data, []) == Grit("15 um")
    del data["layer"]
    with pytest.raises(ValueError, match="does not have these fields"):
        made(data, [])
