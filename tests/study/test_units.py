"""Units: what people type, in SI; and the way back."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapwright.specification.quantities import (
    ANGLE,
    DENSITY,
    EXPANSION,
    FLAT,
    FORCE,
    LENGTH,
    MASS,
    PRESSURE,
    SMALL,
    TIME,
    quantity,
    read,
    read_share,
)
from lapwright.specification.rates import read_pace, read_temperature, read_turn, read_wear
from lapwright.specification.said import RefusedError
from lapwright.units import METRIC, Units

# Inch 25.4 mm and pound 0.45359237 kg exactly (international yard and pound agreement, 1959); standard
# gravity 9.80665 m/s2 (3rd CGPM, 1901).
TYPED = [
    ("160 mm", LENGTH, 0.16),
    ("160mm", LENGTH, 0.16),
    ("160 MM", LENGTH, 0.16),
    ("0.16 m", LENGTH, 0.16),
    ("16 cm", LENGTH, 0.16),
    ("9 um", LENGTH, 9e-6),
    ("9 \u00b5m", LENGTH, 9e-6),
    ("9 \u03bcm", LENGTH, 9e-6),
    ("9 microns", LENGTH, 9e-6),
    ("+3 um", LENGTH, 3e-6),
    ("-3 um", LENGTH, -3e-6),
    ("\u22123 um", LENGTH, -3e-6),
    ("3e2 nm", LENGTH, 3e-7),
    (".5 mm", LENGTH, 5e-4),
    ("5. mm", LENGTH, 5e-3),
    ("6 in", LENGTH, 0.1524),
    ('6"', LENGTH, 0.1524),
    ("6 1/4 in", LENGTH, 0.15875),
    ("3/8 in", LENGTH, 0.009525),
    ("40 uin", LENGTH, 1.016e-6),
    ("40 \u00b5in", LENGTH, 1.016e-6),
    ("2 thou", LENGTH, 50.8e-6),
    ("1 ft", LENGTH, 0.3048),
    ("160\u00a0mm", LENGTH, 0.16),
    ("  160   mm ", LENGTH, 0.16),
    # Half the yellow line of helium, 587.56 nm (D3; handbook of spectral lines): 11.6 millionths of an inch.
    ("2 bands", FLAT, 587.6e-9),
    ("1 band of helium light", FLAT, 293.8e-9),
    ("1/2 helium band", FLAT, 146.9e-9),
    ("1.5 light bands", FLAT, 440.7e-9),
    ("3 fringes", FLAT, 881.4e-9),
    ("0.3 um", FLAT, 0.3e-6),
    ("90 s", TIME, 90.0),
    ("20 min", TIME, 1200.0),
    ("1.5 h", TIME, 5400.0),
    ("1 h 20 min", TIME, 4800.0),
    ("4.4 kg", MASS, 4.4),
    ("300 mg", MASS, 3e-4),
    ("0.3 g", MASS, 3e-4),
    ("10 lb", MASS, 4.5359237),
    ("16 oz", MASS, 0.45359237),
    ("20 N", FORCE, 20.0),
    ("2 kgf", FORCE, 19.6133),
    ("2 kg", FORCE, 19.6133),
    ("1 lb", FORCE, 4.4482216152605),
    ("1 lbf", FORCE, 4.4482216152605),
    ("3 kPa", PRESSURE, 3000.0),
    ("110 GPa", PRESSURE, 110e9),
    ("1 psi", PRESSURE, 6894.75729316836),
    ("1 N/mm2", PRESSURE, 1e6),
    ("1 N/mm²", PRESSURE, 1e6),
    ("180 deg", ANGLE, math.pi),
    ("90°", ANGLE, math.pi / 2),
    ("1/4 turn", ANGLE, math.pi / 2),
    ("1 arcsec", ANGLE, math.pi / 648000),
    ("7.2 g/cm3", DENSITY, 7200.0),
    ("10.5e-6 1/K", EXPANSION, 10.5e-6),
    ("10.5 um/m/K", EXPANSION, 10.5e-6),
]


@pytest.mark.parametrize(("typed", "kind", "si"), TYPED)
def test_typed_quantities_become_si(typed, kind, si):
    assert read(typed, kind) == pytest.approx(si, rel=1e-13)


@pytest.mark.parametrize(
    "typed", ["1e-12 1/Pa", "1 um/km/kPa", "1 um per km per kPa", "1e-3 mm3/(N m)", "1e-12 /Pa"]
)
def test_one_wear_constant_in_every_spelling_is_one_number(typed):
    # 1 um = 1e-6 m lost over 1e3 m at 1e3 Pa; a cubic millimetre per newton and metre is 1e-9 m2/N.
    assert read_wear(typed) == 1e-12


def test_wear_in_inch_units():
    # 25.4e-9 m over 0.3048 m at 6894.757 Pa
    assert read_wear("1 uin/ft/psi") == pytest.approx(
        25.4e-9 / 0.3048 / 6894.757293168361, rel=1e-12, abs=0.0
    )


@pytest.mark.parametrize(
    ("typed", "per_second"),
    [
        ("40 /min", 40 / 60),
        ("40/min", 40 / 60),
        ("40 strokes per minute", 40 / 60),
        ("40 spm", 40 / 60),
        ("1 Hz", 1.0),
        ("2400 /h", 40 / 60),
    ],
)
def test_paces(typed, per_second):
    assert read_pace(typed) == pytest.approx(per_second, rel=1e-14)


@pytest.mark.parametrize(
    ("typed", "angle", "every"),
    [
        ("8 deg per stroke", 8, 0),
        ("8 deg/stroke", 8, 0),
        ("-3 deg a stroke", -3, 0),
        ("90 deg every 10 strokes", 90, 10),
        ("45 deg every stroke", 45, 1),
        ("45 deg every 1 stroke", 45, 1),
        ("1/4 turn every 10 strokes", 90, 10),
        ("none", 0, 0),
    ],
)
def test_turns(typed, angle, every):
    got = read_turn(typed)
    assert got[0] == pytest.approx(math.radians(angle), rel=1e-14)
    assert got[1] == every


def test_quarter_turns_are_exact():
    assert read_turn("90 deg every 10 strokes")[0] == math.pi / 2
    assert read_turn("1/4 turn every 10 strokes")[0] == math.pi / 2


@pytest.mark.parametrize(
    ("typed", "share"),
    [("17 %", 0.17), ("17%", 0.17), ("1/3", 1 / 3), ("0.25", 0.25), ("17 percent", 0.17)],
)
def test_shares(typed, share):
    assert read_share(typed) == pytest.approx(share, rel=1e-14)


@pytest.mark.parametrize(
    ("typed", "kelvin"),
    [("20 degC", 293.15), ("68 degF", 293.15), ("293.15 K", 293.15), ("20 °C", 293.15)],
)
def test_temperatures(typed, kelvin):
    assert read_temperature(typed) == pytest.approx(kelvin, rel=1e-12)


REFUSED = [
    (
        "300 kg",
        LENGTH,
        "'300 kg' is not a length (it is a mass): write a number, a space and one of m, cm, mm, um",
    ),
    ("160", LENGTH, "has no unit"),
    (
        160,
        LENGTH,
        "160 has no unit: write a number, a space and one of m, cm, mm, um, nm, in, thou, uin or ft, "
        'such as "160 mm"',
    ),
    (1.5, TIME, 'such as "1.5 min"'),
    ("2,5 um", LENGTH, "'2,5 um' has a decimal comma: write '2.5 um' with a point"),
    ("5 tenths", LENGTH, "write 0.0005 in, 500 uin or 0.5 mm"),
    ("1/2 tenth", LENGTH, "write 0.00005 in, 50 uin or 0.05 mm"),
    ("tenths", LENGTH, "is not a length"),
    ("2 mil", LENGTH, "write 2 thou or 2 mm"),
    ("3 millionths", LENGTH, "write 3 uin or 3 um"),
    ("1.5 thousandths", LENGTH, "write 1.5 thou or 1.5 um"),
    ("0.0001", SMALL, 'such as "100 uin" or "2.54 um" for 0.0001 in'),  # an inch is 25.4 mm (1959)
    (0.00025, SMALL, 'such as "250 uin" or "6.35 um" for 0.00025 in'),
    ("0.3", SMALL, 'such as "0.3 um"'),
    ("nan mm", LENGTH, "not a number that can be"),
    ("inf mm", LENGTH, "not a number that can be"),
    ("1e999 mm", LENGTH, "too large"),
    ("3 mmm", LENGTH, "did you mean mm?"),
    ("mm", LENGTH, "is not a length"),
    ("", LENGTH, "is not a length"),
    ("1/0 in", LENGTH, "is not a length"),
    ("5 m", TIME, "is not a time (it is a length): write a number, a space and one of s, min or h"),
    (True, LENGTH, "true is not a length"),
    (["1 mm"], LENGTH, "a list of 1 is not a length"),
    ({"x": 1}, LENGTH, "{ x = ... } is not a length"),
]


@pytest.mark.parametrize(("typed", "kind", "fragment"), REFUSED)
def test_what_is_refused_says_what_is_needed(typed, kind, fragment):
    with pytest.raises(RefusedError) as caught:
        read(typed, kind)
    assert fragment in caught.value.message


def test_limits_are_quoted_and_nan_fails_them():
    with pytest.raises(RefusedError, match="must be more than 0 mm"):
        quantity(LENGTH, above="0 mm")("-5 mm")
    with pytest.raises(RefusedError, match="must be more than 0 mm"):
        quantity(LENGTH, above="0 mm")("0 mm")
    with pytest.raises(RefusedError, match="5 m at most"):
        quantity(LENGTH, most="5 m")("6 m")


@pytest.mark.parametrize(
    "typed",
    [
        "8 deg",
        "8 deg per min",
        "fast",
        8,
        "8 per stroke",
        "90 deg every 0 strokes",
        "8 mm per stroke",
    ],
)
def test_turns_refused(typed):
    with pytest.raises(RefusedError) as caught:
        read_turn(typed)
    assert 'write "8 deg per stroke", "90 deg every 10 strokes" or "none"' in caught.value.message


@pytest.mark.parametrize(
    ("typed", "fragment"),
    [(0.33, '"33 %"'), (17, '"17 %"'), ("3 mm", '"1/3"'), ("17 deg", '"17 %"')],
)
def test_shares_refused(typed, fragment):
    with pytest.raises(RefusedError) as caught:
        read_share(typed)
    assert fragment in caught.value.message


# --- the way back ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("got", "said"),
    [
        (METRIC.length(0.16), "160 mm"),
        (METRIC.length(0.1234), "120 mm"),
        (METRIC.length(0.1234, figures=4), "123.4 mm"),
        (Units.INCH.length(0.16, 3), "6.30 in"),
        (METRIC.length(3e-6), "3.0 um"),
        (METRIC.length(3e-6, echo=True), "3 um"),
        (METRIC.length(0.0), "0 mm"),
        (METRIC.length(1e-17), "0 mm"),
        (METRIC.length(-1.5e-6), "-1.5 um"),
        (Units.INCH.length(0.001 * 0.0254), "0.0010 in"),
        (Units.INCH.length(40 * 25.4e-9), "40 uin"),
        (METRIC.size(0.9e-3), "900 um"),
        (METRIC.size(11e-3), "11 mm"),  # nobody counts that in um
        (Units.INCH.size(11e-3), "0.43 in"),
        (Units.INCH.size(25.4e-9, 3), "1.00 uin"),
        (METRIC.both(8e-7), "0.80 um (31 uin)"),
        (Units.INCH.both(8e-7), "31 uin (0.80 um)"),
        (Units.time(45.0), "45 s"),
        (Units.spell(300.0), "5 min"),
        (Units.spell(100.0), "1.67 min"),
        (Units.spell(298.2, near=0.01), "5 min"),
        (Units.spell(750.0, near=0.01), "12.5 min"),
        (Units.spell(9000.0), "2.5 h"),
        (Units.spell(7500.0), "125 min"),
        (Units.spell(20.0), "20 s"),
        (Units.soon(45.0), "about 45 s"),
        (Units.soon(700.0), "about 12 min"),
        (Units.time(5400.0), "90 min"),
        (Units.time(10800.0), "3.0 h"),
        (METRIC.force(20.0, echo=True), "20 N"),
        (Units.INCH.force(4.4482216152605, 3), "1.00 lbf (4.45 N)"),
        (METRIC.mass(4.4), "4.4 kg"),
        (METRIC.mass(0.145e-3), "0.14 g"),
        (Units.INCH.mass(4.5359237), "10 lb"),
        (METRIC.pressure(3000.0), "3.0 kPa"),
        (Units.INCH.pressure(6894.757293), "1.0 psi"),
        (Units.share(1 / 3), "33 %"),
        (Units.pace(40 / 60, echo=True), "40 /min"),
        (Units.turn(math.radians(8), echo=True), "8 deg per stroke"),
        (Units.turn(math.pi / 2, 10, echo=True), "90 deg every 10 strokes"),
        (Units.turn(0.0), "none"),
        (METRIC.wear(2.4e-12, echo=True), "2.4 um/km/kPa"),
        (METRIC.temperature(293.15), "20 degC"),
        (Units.INCH.temperature(293.15), "68 degF"),
        (Units.number(9.96), "10"),
        (Units.number(99.6), "100"),
        (Units.number(1.5e-12), "1.5e-12"),
        (Units.number(math.nan), "unknown"),
    ],
)
def test_what_is_said(got, said):
    assert got == said


SIZES = st.floats(min_value=1e-8, max_value=4.0)


@settings(max_examples=100, deadline=None)
@given(SIZES, st.sampled_from(Units), st.integers(2, 9))
def test_a_length_that_is_said_reads_back_to_its_figures(value, units, figures):
    assert read(units.length(value, figures), LENGTH) == pytest.approx(
        value, rel=0.51 * 10 ** (1 - figures)
    )
    assert read(units.size(value, figures), LENGTH) == pytest.approx(
        value, rel=0.51 * 10 ** (1 - figures)
    )


@settings(max_examples=60, deadline=None)
@given(st.floats(min_value=0.1, max_value=1e6), st.integers(3, 9))
def test_times_forces_pressures_read_back(value, figures):
    rel = 0.51 * 10 ** (1 - figures)
    assert read(Units.time(value, figures), TIME) == pytest.approx(value, rel=rel)
    assert read(METRIC.mass(value, figures), MASS) == pytest.approx(value, rel=rel)
    assert read(METRIC.force(value, figures), FORCE) == pytest.approx(value, rel=rel)
    assert read(Units.INCH.force(value, figures).partition(" (")[0], FORCE) == pytest.approx(
        value, rel=rel
    )
    assert read(Units.INCH.pressure(value, figures), PRESSURE) == pytest.approx(value, rel=rel)
    assert read_wear(Units.INCH.wear(value * 1e-14, figures)) == pytest.approx(
        value * 1e-14, rel=rel, abs=0.0
    )


@settings(max_examples=60, deadline=None)
@given(st.floats(min_value=1e-3, max_value=90.0), st.integers(0, 50))
def test_turns_read_back(degrees, every):
    got = read_turn(Units.turn(math.radians(degrees), every, 9))
    assert got == (pytest.approx(math.radians(degrees), rel=1e-8), every)


@given(
    limit=st.floats(0.01, 30.0),
    off=st.floats(-0.2, 0.2),
    units=st.sampled_from([METRIC, Units.INCH]),
)
@settings(max_examples=300, deadline=None)
def test_a_size_is_printed_on_its_own_side_of_its_limit(
    limit: float, off: float, units: Units
) -> None:
    """As a person compares the two texts that he is shown: 0.5026 um beside 0.50 um is not "0.50 um"."""
    limit, size = 1e-6 * float(f"{limit:.3g}"), 1e-6 * limit * (1.0 + off * abs(off) ** 4)
    told, most = units.beside(size, limit), units.limit(limit)
    over = told.startswith("just over") or float(told.split()[0]) > float(most.split()[0])
    assert over == (size > limit), (told, most)


@pytest.mark.parametrize(
    ("size", "limit", "told"),
    [
        (0.5026e-6, 0.5e-6, "0.503 um beside 0.50 um"),
        (0.4996e-6, 0.5e-6, "0.50 um beside 0.50 um"),
        (0.5065e-6, 0.506e-6, "0.51 um beside 0.506 um"),
        (0.5057e-6, 0.506e-6, "0.506 um beside 0.506 um"),
        (0.5000000001e-6, 0.5e-6, "just over 0.50 um beside 0.50 um"),
        (1.4e-6, 0.5e-6, "1.4 um beside 0.50 um"),
    ],
)
def test_no_more_figures_than_it_takes(size: float, limit: float, told: str) -> None:
    assert f"{METRIC.beside(size, limit)} beside {METRIC.limit(limit)}" == told


def test_a_miss_by_a_hair_is_more_than_once_what_is_allowed() -> None:
    assert [Units.times(x) for x in (0.5, 1.0, 1.005, 1.00000001, 1.4)] == [
        "0.50",
        "1.0",
        "1.005",
        "a hair more than 1",
        "1.4",
    ]


@pytest.mark.parametrize(
    ("size", "metric", "inch"),
    [
        (293.8e-9, "0.29 um (1 helium band)", "12 uin (1 helium band)"),
        (146.9e-9, "0.15 um (0.5 helium bands)", "5.8 uin (0.5 helium bands)"),
        (587.6e-9, "0.59 um (2 helium bands)", "23 uin (2 helium bands)"),
        (0.3e-6, "0.30 um", "11.811 uin"),
        (0.29e-6, "0.29 um", "11.4173 uin"),
    ],
)
def test_a_limit_that_was_said_in_bands_is_echoed_so(size: float, metric: str, inch: str) -> None:
    assert Units.METRIC.limit(size) == metric
    assert Units.INCH.limit(size) == inch


def test_bands_are_sizes_of_what_is_asked_and_of_nothing_else() -> None:
    with pytest.raises(RefusedError, match="bands"):
        read("2 bands", SMALL)
    with pytest.raises(RefusedError, match="sodium"):
        read("2 sodium bands", FLAT)


def test_a_direction_is_the_hour_of_a_clock_that_one_looks_at():
    """Hours go round clockwise from 12 at the top (a clock's face)."""
    way = {
        "12 o'clock": (0, 1),
        "1:30": (1, 1),
        "3 o'clock": (1, 0),
        "6 o'clock": (0, -1),
        "9 o'clock": (-1, 0),
    }
    for said, (x, y) in way.items():
        assert Units.hour(x, y) == said
