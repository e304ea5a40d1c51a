"""Pictures are drawn, are not blank, and show what the numbers say."""

from __future__ import annotations

import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from scipy.optimize import linprog

from lapwright.commands.main import main
from lapwright.integration.estimate import outlooks
from lapwright.presentation import page, pictures
from lapwright.presentation.beforehand import over_the_edge
from lapwright.presentation.pictures.faces import contour_step, height_limit
from lapwright.presentation.pictures.history import _top_during
from lapwright.presentation.pictures.ink import HEIGHTS, REMOVED, round_step, round_up
from lapwright.presentation.pictures.sections import (
    TRIFLE,
    Surface,
    best_angle,
    lowest_plane,
    piled,
    rest_plane,
)
from lapwright.presentation.pictures.stroke import reaches, stroke_words
from lapwright.presentation.run_view import run_view
from lapwright.presentation.tables import limit
from lapwright.units import METRIC
from tests.presentation.conftest import DISC, MADE, OUTCOMES, step_text, study_text

UM = 1e-6


def pixels(data: bytes) -> np.ndarray:
    return np.asarray(imread(io.BytesIO(data), format="png"))


def drawn(said, name: str):
    """A picture of a run, by its name; None where there is nothing to draw."""
    if name == "stroke":
        return pictures.stroke(said, reaches(said))
    if name == "bearings":
        found = pictures.places(said)
        return pictures.bearings(found, said.units) if found else None
    return getattr(pictures, name)(said)


# Of each outline and of many plates every time; the rest in the long form.
DRAWN = ["ring_on_plate", "rail", "six_plates", "one_square"]
ALSO = ["coarse_pair", "disc_pair", "grooved_pair", "strange_names", "three_plates"]


def test_every_run_made_by_hand_is_drawn() -> None:
    assert sorted(DRAWN + ALSO) == sorted(set(MADE) - OUTCOMES)


@pytest.mark.always(1, 10, 12, 20, 29, 37, 39, 48)
@pytest.mark.parametrize("made", [*DRAWN, *(pytest.param(n, marks=pytest.mark.long) for n in ALSO)])
@pytest.mark.parametrize("name", ["faces", "sections", "history", "stroke", "bearings", "metal"])
def test_every_picture_is_drawn(make_run, made: str, name: str) -> None:
    with pictures.sheet():
        figure = drawn(run_view(make_run(made)), name)
    if figure is None:
        assert name in {"sections", "history", "bearings"}
        return
    width, height = (int(v) for v in figure.get_size_inches() * 72.0)
    image = pixels(pictures.png(figure, scale=1.0))
    assert abs(image.shape[1] - width) <= 1
    assert abs(image.shape[0] - height) <= 1
    assert (
        len(np.unique((image[::2, ::2, :3] @ np.array([1.0, 7.0, 13.0])).round(3))) > 20
    )  # not blank


@pytest.mark.parametrize("name", ["faces", "history", "stroke"])
def test_drawings_follow_the_page(make_run, name: str) -> None:
    with pictures.sheet():
        figure = drawn(run_view(make_run("rail")), name)
    text = pictures.svg(figure, name, "what & <why>")
    assert text.startswith('<svg class="pic"')
    assert "var(--ink)" in text
    assert "&amp; &lt;why&gt;" in text
    assert "http" not in text


def test_scale_is_one_for_all_faces(make_run) -> None:
    said = run_view(make_run("disc_pair"))
    # 99.5 % of cells lie inside the scale; the largest, A before, fills at least half of it.
    for face in said.faces:
        for heights in face.levelled:
            assert np.nanpercentile(np.abs(heights), 99.5) <= height_limit(said) * (1 + 1e-9)
    assert np.nanmax(np.abs(said.faces[0].levelled[0])) > 0.5 * height_limit(said)
    assert 4 <= 2 * height_limit(said) / contour_step(height_limit(said), METRIC) <= 14.001


def luminance(rgb: np.ndarray) -> np.ndarray:
    """Relative luminance (IEC 61966-2-1; WCAG 2 writes it out; from memory)."""
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return linear @ np.array([0.2126, 0.7152, 0.0722])


def test_ramps_read_without_colour() -> None:
    light = luminance(HEIGHTS)
    half = len(HEIGHTS) // 2
    assert np.all(np.diff(light[:half]) > -1e-4)  # darker the lower
    assert np.all(np.diff(light[half:]) < 1e-4)  # darker the higher, too
    assert light[-1] < 0.6 * light[0]  # and the two ends differ
    assert np.all(np.diff(luminance(REMOVED)) < 1e-4)


def test_height_ramp_is_told_apart_by_dichromats() -> None:
    """Protan and deutan eyes lack the red-green difference, so blue against yellow must carry it."""
    blue_yellow = HEIGHTS[:, 2] - 0.5 * (HEIGHTS[:, 0] + HEIGHTS[:, 1])
    assert (
        blue_yellow[-1] > 0.25
    )  # blue is high, as marking blue shows (common practice, no source)
    assert blue_yellow[0] < -0.25


@pytest.mark.parametrize(
    ("value", "up"),
    [(0.9, 1.0), (1.01, 1.5), (2.2, 3.0), (7.0, 8.0), (0.034, 0.04), (81.0, 100.0), (100.0, 100.0)],
)
def test_round_numbers(value: float, up: float) -> None:
    assert round_up(value) == pytest.approx(up)
    step = round_step(value, 10)
    assert value / step <= 10 + 1e-9
    assert value / step > 10 / 2.6  # no coarser than need be


def dome_pair(make_run, name="coarse_pair"):
    said = run_view(make_run(name))
    return said, said.faces[1], said.faces[0]


def test_section_of_two_discs_shows_their_misfit(make_run) -> None:
    """A dome of s1 on a plate of sphere s2 leaves a gap of s1 + s2 at the rim, when that is positive.

    From z = -s r^2 / R^2 of both faces (model page, section 1).
    """
    said = run_view(make_run("three_plates"))
    a, b = said.faces[0], said.faces[1]
    piece = piled(
        b, a, end=False
    ).cut()  # A 3 um dome with 1 um twist, which has no height along 9 to 3; B 2 um dish
    seen = piece.gap[np.isfinite(piece.gap)]
    assert seen.min() == pytest.approx(0.0, abs=1e-3 * UM)
    # At the edge margin, 3.2 mm inside the rim.
    assert seen[0] == pytest.approx(0.96**2 * UM, rel=0.03)
    assert seen[-1] == pytest.approx(0.96**2 * UM, rel=0.03)
    assert seen[len(seen) // 2] == pytest.approx(0.0, abs=2e-2 * UM)


def test_section_turns_the_top_over_like_a_page(make_run) -> None:
    """A bump near 3 o'clock of the top's face lies near 9 on the bench (model page, section 1)."""
    run = make_run("three_plates")
    record = run.plates["A"]
    X, Y = np.meshgrid(record.x, record.y)
    bump = 5 * UM * np.exp(-(((X - 0.05) ** 2 + Y**2) / 0.01**2)) * (record.land > 0)
    frames = np.array(record.frames)
    frames[0] = bump
    changed = type(record)(**{**record.__dict__, "frames": frames})
    flat = type(record)(
        **{**run.plates["B"].__dict__, "frames": np.zeros_like(run.plates["B"].frames)}
    )
    said = run_view(
        type(run)(**{**run.__dict__, "plates": {**run.plates, "A": changed, "B": flat}})
    )
    piece = piled(said.face("B"), said.face("A"), end=False).cut()
    touching = piece.at[np.isfinite(piece.gap) & (piece.gap < 0.5 * UM)]
    assert np.any(np.abs(touching + 0.05) < 0.01)
    assert not np.any(np.abs(touching - 0.05) < 0.01)


@pytest.mark.campaign
def test_a_cut_beside_a_groove_runs_from_rim_to_rim(make_run) -> None:
    """Grooves run along the middle both ways: the cut keeps to the land beside, alike in both halves."""
    said = run_view(make_run("grooved_pair"))
    a, b = said.faces
    for angle in (0.0, np.pi / 2):
        there = np.isfinite(piled(b, a, end=True).cut(angle).gap)
        assert there.mean() > 0.75  # of 20 mm, 2 mm are groove, and 3.2 mm of margin at either rim
        assert np.array_equal(there, there[::-1])


def test_zones_of_known_wear(make_run) -> None:
    """Depth 6 - 4 (r/R)^2: mean 4; inside a third 6 - 4/18; outside nine tenths 6 - 2 (1 + 0.81)."""
    run = make_run("three_plates")
    record = run.plates["A"]
    X, Y = np.meshgrid(record.x, record.y)
    worn = (6 - 4 * (X**2 + Y**2) / 0.08**2) * UM
    changed = type(record)(**{**record.__dict__, "worn": worn})
    got = pictures.zones(run_view(type(run)(**{**run.__dict__, "plates": {"A": changed}})).faces[0])
    assert got.mean == pytest.approx(4.0 * UM, rel=0.01)
    assert got.inner == pytest.approx((6 - 4 / 18) * UM, rel=0.01)
    assert got.outer == pytest.approx((6 - 2 * 1.81) * UM, rel=0.02)
    assert got.between is None  # most went in the middle


def test_a_trough_that_was_worn_is_told_where_it_lies(make_run) -> None:
    """Depth 4 (1 - ((r - 40)/20)^2) between 20 and 60 mm, nothing elsewhere: most at 40 mm."""
    run = make_run("three_plates")
    record = run.plates["A"]
    X, Y = np.meshgrid(record.x, record.y)
    worn = np.clip(4.0 * (1.0 - ((np.hypot(X, Y) - 0.04) / 0.02) ** 2), 0.0, None) * UM
    changed = type(record)(**{**record.__dict__, "worn": worn})
    view = run_view(type(run)(**{**run.__dict__, "plates": {"A": changed}}))
    at, most, first, last = pictures.zones(view.faces[0]).between
    assert at == pytest.approx(0.04, abs=0.002)
    assert most == pytest.approx(4.0 * UM, rel=0.02)
    assert first == last == 0.0
    said = page.metal_words("A", most / 4, 0.0, 0.0, between=(at, most, first, last))
    assert said.endswith("in the middle, less than 0.001 um at the rim.")
    assert f": {METRIC.size(most)} at {METRIC.length(at)} from the middle" in said


def test_stroke_stands_against_the_lift_off_circle(make_run) -> None:
    """Equal flat discs lift at 0.3929023 R (checks page, 16); an eight of travel 1/3 hangs over by D/6."""
    reach = reaches(run_view(make_run("disc_pair")))[0]
    assert np.hypot(*reach.lift_off.T) == pytest.approx(0.3929023 * 0.08, rel=1e-4)
    assert np.abs(reach.path[:, 0]).max() == pytest.approx(0.16 / 6, rel=1e-4)
    assert reach.ahead.overhang == pytest.approx(0.16 / 6, rel=1e-3)
    assert reach.ahead.overhang_share == pytest.approx(1 / 6, rel=1e-3)
    assert reach.beyond == 0.0


def test_long_outlines_lift_sooner_across_than_along(make_run) -> None:
    """Equal rectangles lift at a quarter of their side (checks page, 16: squares at s/4)."""
    line = reaches(run_view(make_run("rail")))[0].lift_off
    assert line[:, 0].max() == pytest.approx(0.3 / 4, rel=1e-4)
    assert line[:, 1].max() == pytest.approx(0.05 / 4, rel=1e-4)


def test_swaps_show_as_bars(make_run) -> None:
    """This run changes places at every tenth entry; the entry of a swap is made after it."""
    run = make_run("disc_pair")
    said = run_view(run)
    tops = [_top_during(said, k) for k in range(len(run.time) - 1)]
    assert tops == ["AB"[(k // 10) % 2] for k in range(60)]


def test_bearing_picture_for_the_command(tmp_path: Path) -> None:
    """A lone picture: as wide as it is said to be, 1.6 pixels a point, with a spread of pressures on it."""
    (tmp_path / "pair.toml").write_text(study_text({"A": DISC, "B": DISC}, [step_text("A", "B")]))
    out = tmp_path / "bears.png"
    assert main(["bearing", str(tmp_path / "pair.toml"), "--phase", "90", "--out", str(out)]) == 0
    image = pixels(out.read_bytes())
    assert image.shape[1] == pytest.approx(560 * 1.6, abs=2)
    assert image.std() > 0.05


@pytest.mark.campaign
def test_plates_named_in_other_scripts_are_drawn_without_a_warning(tmp_path: Path) -> None:
    """Of Chinese, Thai and Tamil the type has no letters, or cannot set them; warnings are errors here."""
    text = study_text({"A": DISC, "B": DISC}, [step_text("A", "B")], "平板")
    for first, second in (("平板", "ปลา"), ("طبق", "தட்டு")):
        named = text.replace("plates.A", f'plates."{first}"').replace('"A"', f'"{first}"')
        named = named.replace("plates.B", f'plates."{second}"').replace('"B"', f'"{second}"')
        study = tmp_path / "s.toml"
        study.write_text(named, "utf-8")
        out = tmp_path / "bears.png"
        assert main(["bearing", str(study), "--out", str(out), "--force"]) == 0
        assert pixels(out.read_bytes()).std() > 0.01
        assert main(["why", str(study), "--out", str(tmp_path / "why"), "--force"]) == 0
        assert first in (tmp_path / "why" / "why.html").read_text("utf-8")


def test_a_top_rests_where_no_high_spot_reaches_through() -> None:
    """A saddle of height s at the rim both ways: it bears on the two high ends, s above the middle.

    On a plane with one bump beside the middle it tilts until the far rim bears.
    """
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, 41), np.linspace(-1, 1, 41)))
    inside = np.hypot(x, y) <= 1.0
    x, y = 0.08 * x[inside], 0.08 * y[inside]
    saddle = 2 * UM * (x * x - y * y) / 0.08**2
    assert rest_plane(x, y, saddle) == pytest.approx((2 * UM, 0.0, 0.0), abs=1e-9)
    dome = -3 * UM * (x * x + y * y) / 0.08**2
    assert rest_plane(x, y, dome) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
    bump = np.where((np.abs(x - 0.04) < 1e-6) & (np.abs(y) < 1e-6), 1 * UM, 0.0)
    h, a, b = rest_plane(x, y, bump)
    assert np.all(h + a * x + b * y >= bump - 1e-12)  # nothing reaches through
    # The line through the bump (1 um at 40 mm) and the far rim (0 at -80 mm) is 2/3 um high in the middle.
    assert h == pytest.approx(2 / 3 * UM, rel=1e-3)
    assert a == pytest.approx(1 * UM / 0.12, rel=1e-3)
    assert b == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("kind", ["rough", "dome", "saddle", "off the middle", "beside the middle"])
def test_the_plane_of_rest_is_the_least_of_a_linear_programme(kind: str) -> None:
    """Height in the middle and a trifle of the slopes, by scipy's solver (HiGHS): two parts of each slope."""
    rng = np.random.default_rng(len(kind))
    for number in (3, 5, 40, 400) * 3:
        u, v = rng.uniform(-1.0, 1.0, (2, number))
        u += {"off the middle": 0.9, "beside the middle": 1.5}.get(kind, 0.0)
        z = {"dome": -(u * u + v * v), "saddle": u * u - v * v}.get(
            kind, rng.standard_normal(number)
        )
        z = (z - z.max()) / np.ptp(z)
        under = np.stack([-np.ones(number), -u, u, -v, v], axis=1)
        cost = [1.0] + [TRIFLE] * 4
        asked = linprog(cost, under, -z, bounds=[(None, None)] + [(0.0, None)] * 4)
        found = lowest_plane(u, v, z)
        assert (found is None) == (not asked.success)
        assert found is not None or kind != "dome" or number < 40
        if found is not None:
            h, a, b = found
            assert (z - (h + a * u + b * v)).max() < 1e-8  # nothing reaches through
            assert h + TRIFLE * (abs(a) + abs(b)) == pytest.approx(asked.fun, abs=1e-8)


def test_the_cut_goes_where_the_gap_is_widest(make_run) -> None:
    """A rail in wind touches a flat one along two opposite corners, so the gap is widest at the others."""
    said = run_view(make_run("rail"))
    rail, master = said.faces
    pile = piled(master, rail, end=False)
    angle = best_angle(master, rail, [piled(master, rail, end) for end in (False, True)])
    assert abs(abs(angle) - np.arctan2(0.05, 0.3)) < 1e-9
    assert pile.cut(angle).widest > 1.5 * pile.cut(0.0).widest  # a bow of 2 um shows along it too
    # Wind of 4 um: one pair of corners stands 4 um over the other (model page, 1); beside a bow of 2 um.
    assert pile.cut(angle).widest > 3 * UM


def test_mated_twists_part_when_turned_a_quarter(make_run) -> None:
    """Twists t that mate at 12 on 12 a quarter turned stand 2 t apart in the middle of the low side."""
    said = run_view(make_run("three_plates"))
    a, b = said.faces[0], said.faces[1]
    flat = np.zeros_like(a.record.frames)
    X, Y = np.meshgrid(a.record.x, a.record.y)
    flat[:] = 1 * UM * X * Y / 0.08**2  # twist 1 um
    pair = [replace(f, record=replace(f.record, frames=flat)) for f in (a, b)]
    angles = (0.0, np.pi / 4, np.pi / 2, -np.pi / 4)
    together = piled(*pair, end=True)
    turned = piled(*pair, end=True, theta=np.pi / 2)
    assert max(together.cut(t).widest for t in angles) < 0.02 * UM
    assert max(turned.cut(t).widest for t in angles) == pytest.approx(2 * 0.96**2 * UM, rel=0.03)


def test_the_page_and_the_preview_say_one_limit(make_run) -> None:
    """A rail in wind on a plate, stroked along and across: the page, the preview and the card agree."""
    said = run_view(make_run("rail"))
    reach = reaches(said)[0]
    study = said.study
    ahead = outlooks(study.plates, study.steps, seed=study.seed)[0]
    top = study.plates[study.steps[0].top]
    sentence = over_the_edge(study.steps[0], ahead, study.units, top)
    assert sentence in stroke_words(said, [reach])[0]
    assert reach.ahead.edge == ahead.edge
    assert limit(ahead.edge.limits.lift, study.steps[0], study.units) in sentence


@pytest.mark.campaign
def test_pressed_on_the_grit_no_gap_is_open_where_the_pressure_says_it_bears(make_run) -> None:
    """The gap over the grit's give is p = 0 by the layer's law (model page, 2); off the middle as well."""
    said = run_view(make_run("disc_pair"))
    bottom, top = said.face("B"), said.face("A")
    low, high = Surface.of(bottom, True), Surface.of(top, True)
    X, Y = np.meshgrid(bottom.record.x, bottom.record.y)
    for c in ((0.0, 0.0), (0.03, 0.01)):
        x, y = X - c[0], Y - c[1]
        total = low.at(X, Y) + high.at(-x, y)
        a, b = 3e-6, -2e-6  # any place of the top at which half of it bears
        h = float(np.nanmedian(total - a * x - b * y))
        squeeze = np.nan_to_num(np.clip(total - (h + a * x + b * y), 0.0, None))
        pile = piled(bottom, top, end=True, c=c, squeeze=squeeze)
        assert pile.give == pytest.approx(squeeze.max())
        assert np.allclose(pile.plane, (h + squeeze.max(), a, b), rtol=1e-6, atol=1e-12)
        cut = pile.cut(0.3)
        inside = np.isfinite(cut.gap)
        assert 0 < (cut.filled & inside).sum() < inside.sum()
        assert np.nanmin(cut.gap) >= -1e-12
