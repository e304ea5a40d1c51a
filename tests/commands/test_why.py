"""`lapwright why` as a person types it and as a script reads it: words, JSON, folders, what is refused."""

from __future__ import annotations

import contextlib
import json
import math
import re
from contextlib import redirect_stderr, redirect_stdout
from functools import cache
from html import unescape
from io import StringIO
from pathlib import Path
from typing import Any

import pytest

from lapwright.commands.main import main
from lapwright.errors import DefectiveError

FORMS = {"sphere", "saddle", "twist"}
LONG_FORMS = {"bow", "crown", "wind"}
CIRCLE = 'kind = "circle", radius = "26.4 mm"'
LINE = 'kind = "line", length = "52.8 mm"'


def study(stroke: str, more: str = "", a: str = "", b: str = "", title: str = "Pair") -> str:
    """Two 160 mm discs, coarse, with one step."""
    return f"""title = "{title}"
edge_margin = "0 %"
plates.A = {{ disc = "160 mm", thickness = "30 mm", cells = 48 {a} }}
plates.B = {{ disc = "160 mm", thickness = "30 mm", cells = 48 {b} }}
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = {{ {stroke} }}
time = "20 min"
{more}
"""


RING = """title = "Ring"
plates.plate = { disc = "200 mm", thickness = "40 mm", cells = 64, material = "grey iron" }
[parts.ring]
ring = ["100 mm", "60 mm"]
thickness = "15 mm"
mass = "2 kg"
material = "hardened steel"
cells = 48
[[steps]]
top = "ring"
bottom = "plate"
grit = "9 um"
load = "20 N"
stroke = { kind = "circle", radius = "25 mm" }
time = "10 min"
"""


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture(scope="module")
def answered(tmp_path_factory: pytest.TempPathFactory):
    """JSON and words of `why --json`, which puts the words beside: each study is asked once, by its text."""
    folder = tmp_path_factory.mktemp("why")

    @cache
    def answer(text: str, *words: str) -> tuple[str, str]:
        (folder / "pair.toml").write_text(text)
        with (
            contextlib.chdir(folder),
            redirect_stdout(StringIO()) as out,
            redirect_stderr(StringIO()) as err,
        ):
            assert main(["why", "pair.toml", "--json", *words]) == 0, err.getvalue()
        return out.getvalue(), " ".join(err.getvalue().split())

    return answer


@pytest.fixture(scope="module")
def asked(answered):
    """What `why --json` answers about a study, read as strictly as scripts elsewhere read it."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} in JSON")

    def ask(text: str, *words: str) -> dict[str, Any]:
        found = json.loads(answered(text, *words)[0], parse_constant=refuse)
        assert isinstance(found, dict)
        return found

    return ask


@pytest.fixture(scope="module")
def told(answered):
    """What `why` says about a study, on one line."""
    return lambda text, *words: answered(text, *words)[1]


@pytest.fixture
def paged(bench: Path):
    """The page that `why` makes of a study."""

    def write(text: str, *words: str) -> str:
        (bench / "pair.toml").write_text(text)
        assert main(["why", "pair.toml", "--force", *words]) == 0
        return (bench / "pair-why" / "why.html").read_text("utf-8")

    return write


# --- for scripts ---------------------------------------------------------------------------------


@pytest.mark.always(0, 3)
@pytest.mark.parametrize(
    ("stroke", "more", "count"),
    [
        (CIRCLE, 'turn = "8 deg per stroke"', 1),
        (CIRCLE, "", 3),
        (LINE, "", 9),
        ('kind = "still"', 'turn = "8 deg per stroke"', 4),
        (LINE, 'turn = "180 deg every 10 strokes"', 6),
        (LINE, 'turn = "90 deg every 10 strokes"', 1),
    ],
)
def test_how_many_stay_is_a_whole_number(asked, stroke: str, more: str, count: int) -> None:
    """Counts of check 12 (derived; lower pairs of Reuleaux 1876), from a typed study to the JSON."""
    (step,) = asked(study(stroke, more))["steps"]
    assert step["survivors"] == count
    assert step["gap"] > 1e6
    staying = [mode for mode in step["modes"] if mode["stays"]]
    assert len(staying) == count
    assert all(mode["half_life"] is None and mode["half_removed"] is None for mode in staying)
    going = [mode for mode in step["modes"] if not mode["stays"]]
    assert len(staying) + len(going) <= 2 * 45 - 6
    assert all(mode["half_life"] > 0.0 and mode["half_removed"] > 0.0 for mode in going)


def test_json_is_as_the_interface_page_has_it(asked) -> None:
    answer = asked(study(LINE, 'swap_every = "5 min"'))
    assert answer["study"] == "pair"
    for part in (*answer["steps"], answer["schedule"]):
        for key in ("survivors", "modes", "drift", "residue", "lifts", "lift_share", "lift_phase"):
            assert key in part
        assert type(part["survivors"]) is int
        assert type(part["lifts"]) is bool
        for mode in part["modes"]:
            assert {"half_life", "half_removed", "period", "stays", "slow", "forms"} <= set(mode)
            assert set(mode["forms"]) == {"A", "B"}
        for forms in (part["drift"], part["residue"]):
            assert set(forms) == {"A", "B"}
            assert all(set(f) == FORMS for f in forms.values())
    assert [m["stays"] for m in answer["steps"][0]["modes"]] == sorted(
        (m["stays"] for m in answer["steps"][0]["modes"]), reverse=True
    )


def test_what_is_made_is_the_law_of_moments(asked) -> None:
    """Equal discs, circle of 0.33 R: half the difference of the domes grows by 6 x 0.33^2 of what is removed
    (check 6, derived, exact)."""
    (step,) = asked(study(CIRCLE))["steps"]
    drift, removal = step["drift"], step["removal"]
    half = 0.5 * (drift["B"]["sphere"] - drift["A"]["sphere"])
    assert half / removal["A"] == pytest.approx(6.0 * 0.33**2, rel=0.005)
    assert removal["A"] == pytest.approx(removal["B"], rel=1e-6)
    assert step["law_error"] < 0.005


@pytest.mark.campaign
def test_a_ring_and_a_plate_of_unequal_metal_and_mass(asked) -> None:
    """While it only travels, the volume removed of each goes as its wear constant (check 1)."""
    answer = asked(RING)
    (step,) = answer["steps"]
    assert step["survivors"] == 3
    land = {"plate": math.pi * 0.1**2, "ring": math.pi * (0.05**2 - 0.03**2)}
    factor = {"plate": 1.0, "ring": 0.5}
    share = {name: step["removal"][name] * land[name] / factor[name] for name in land}
    assert share["plate"] == pytest.approx(share["ring"], rel=1e-3)
    # 0.16e-12 1/Pa per um of grit (default), 22 N + 20 N, 2 pi 25 mm 40 times a minute
    speed = 2.0 * math.pi * 0.025 * 40.0 / 60.0
    force = 2.0 * 9.80665 + 20.0
    expected = 9.0 * 0.16e-12 * force * speed / land["plate"]
    assert step["removal"]["plate"] == pytest.approx(expected, rel=0.01)
    both = [mode["forms"] for mode in step["modes"] if mode["stays"]]
    for (
        forms
    ) in both:  # one curvature in both: sizes go as the square of the outside, 100 mm to 50 mm
        assert forms["plate"]["twist"] == pytest.approx(4.0 * forms["ring"]["twist"], abs=1e-12)
        assert forms["plate"]["sphere"] == pytest.approx(-4.0 * forms["ring"]["sphere"], abs=1e-12)
    # Shapes are told for an rms of 1 um; that of a dome of size s on a disc is s / sqrt(12).
    assert max(abs(forms["plate"]["sphere"]) for forms in both) == pytest.approx(
        12.0**0.5 * 1e-6, rel=0.02
    )


def test_rails_have_forms_of_their_own(asked) -> None:
    rail = study(LINE).replace('disc = "160 mm"', 'rectangle = ["300 mm", "50 mm"]')
    (step,) = asked(rail, "--degree", "4")["steps"]
    assert set(step["drift"]["A"]) == LONG_FORMS
    assert step["survivors"] == 5, "d + 1 along a straight stroke"


def test_degree_and_step_are_those_asked_for(asked) -> None:
    two = study(LINE) + '[[steps]]\ntop = "B"\nbottom = "A"\ngrit = "5 um"\ntime = "5 min"\n'
    answer = asked(two, "--degree", "6", "--step", "2")
    assert len(answer["steps"]) == 1
    assert (answer["steps"][0]["top"], answer["steps"][0]["survivors"]) == ("B", 3)
    assert [s["survivors"] for s in asked(two, "--degree", "6")["steps"]] == [7, 3]


def test_a_later_step_is_judged_by_the_faces_it_finds(asked) -> None:
    """A dome lifts at first; after an hour's rubbing it is gone, and the same stroke lifts nowhere."""
    step = '[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "15 um"\nturn = "8 deg per stroke"\ntime = "3 h"\n'
    text = study(CIRCLE, a=', form = { dome = "4 um" }', b=', form = { dome = "4 um" }')
    first, second = asked(text.replace("20 min", "3 h") + step, "--degree", "4")["steps"]
    assert first["lifts"]
    assert first["lift_share"] == 1.0
    assert first["lift_phase"]
    assert first["deviation"] is not None
    assert not second["lifts"]
    assert second["lift_phase"] == []
    assert second["deviation"] is None


def test_a_top_that_tips_says_so(asked, told) -> None:
    far = study('kind = "line", length = "150 mm", centre = ["60 mm", "0 mm"]')
    (step,) = asked(far, "--degree", "4")["steps"]
    assert step["deviation"] is None
    assert "tips" in step["trouble"]
    assert "so none of this holds" in told(far, "--degree", "4")
    (step,) = asked(study(CIRCLE, a=', form = { dome = "4 um" }'), "--degree", "4")["steps"]
    assert step["trouble"] is None
    assert step["deviation"]["A"]["sphere"] != 0.0


@pytest.mark.campaign
def test_errors_that_run_round_as_they_go_have_a_period(asked) -> None:
    """Three plates lapped by turns until they mate: (5 +- i sqrt 7)/16 of the domes, a cycle (check 11)."""
    pair = '[[steps]]\ntop = "{}"\nbottom = "{}"\ngrit = "15 um"\nturn = "8 deg per stroke"\ntime = "{}"\n'
    plates = study(CIRCLE).split("[[steps]]")[0] + 'plates.C = { like = "A" }\n'
    steps = "".join(pair.format(*which, "1000 h") for which in ("AB", "BC", "CA"))
    got = asked(plates + steps, "--degree", "2")["schedule"]
    turning = [mode for mode in got["modes"] if mode["period"] is not None]
    cycles = [mode["period"] / got["time"] for mode in turning]
    assert cycles == pytest.approx([2.0 * math.pi / math.atan2(math.sqrt(7.0), 5.0)], rel=1e-3)
    (step,) = asked(study(LINE), "--degree", "4")["steps"]
    assert all(mode["period"] is None for mode in step["modes"])  # nothing turns while it rubs


def test_the_schedule_says_where_it_lifts(asked) -> None:
    text = study(CIRCLE, 'swap_every = "5 min"', a=', form = { dome = "4 um" }')
    lifts = asked(text, "--degree", "4")["schedule"]
    assert lifts["lifts"]
    assert lifts["lift_phase"]
    assert all(0.0 <= phase <= 2.0 * math.pi for phase in lifts["lift_phase"])


@pytest.mark.campaign
def test_lifting_counts_whoever_is_on_top(asked, told) -> None:
    """A disc well inside a larger one bears all over; the larger on the smaller hangs out by 38 mm."""
    small = study('kind = "circle", radius = "18 mm"', 'swap_every = "5 min"')
    small = small.replace('A = { disc = "160 mm"', 'A = { disc = "120 mm"')
    still = '[[steps]]\ntop = "A"\nbottom = "B"\ngrit = "5 um"\nstroke = { kind = "still" }\ntime = "1 min"\n'
    for text, *words in ((small,), (small + still, "--step", "1")):
        answer = asked(text, "--degree", "4", *words)
        assert not answer["steps"][0]["lifts"]
        whole = answer["schedule"]
        assert whole["lifts"]
        assert whole["lift_share"] == 1.0
        assert whole["lift_phase"]
    said = told(small, "--degree", "4")
    assert "with A on top nothing lifts, so all of this holds until they change places" in said
    assert "with B on top, as the plates come to it, part of B lifts everywhere" in said
    lifts = "part of the top lifts in step 1 with B on top all the time when it does so most"
    assert lifts in said
    never = told(small.replace("5 min", "1 h"), "--degree", "4")  # the step is over before
    assert "with B on top" not in never
    gentle = CIRCLE.replace("26.4", "16")
    domes = dict.fromkeys("ab", ', form = { dome = "4 um" }')
    late = study(gentle, 'swap_every = "3 h"', **domes).replace("20 min", "6 h")
    said = told(late, "--degree", "4")
    assert "as the plates come to it, part of A lifts everywhere" in said
    assert "with B on top" not in said  # by then they have bedded in
    even = told(study(gentle, 'swap_every = "5 min"'), "--degree", "4")
    assert even.count("nothing lifts, so all of this holds") == 2


def test_a_residue_that_never_comes_is_null(asked) -> None:
    small = study('kind = "line", length = "60 mm"').replace(
        'A = { disc = "160 mm"', 'A = { disc = "40 mm"'
    )
    answer = asked(small)
    (step,) = answer["steps"]
    for part in (step, answer["schedule"]):  # what the words withhold
        assert part["residue"] is None
        assert part["bedded_residue"] is None
    (step,) = asked(study(CIRCLE))["steps"]
    assert step["residue"]["A"]["sphere"] < 0.0
    (step,) = asked(study('kind = "still"'), "--degree", "4")["steps"]
    assert step["residue"] is not None  # nothing rubs, nothing is left


def test_what_goes_slowly_is_told_apart(asked, told) -> None:
    """Two positions 2 degrees apart are nearly one (model page 6): slow, not staying."""
    text = study(CIRCLE, 'turn = "2 deg every 600 strokes"').replace(
        'time = "20 min"', "strokes = 1200"
    )
    (step,) = asked(text)["steps"]
    assert step["survivors"] == 1
    assert sum(mode["slow"] for mode in step["modes"]) == 2
    # What they would come to after years is not told as something that stays.
    assert abs(step["bedded_residue"]["A"]["sphere"]) < 1e-6
    said = told(text)
    assert "hardly touched: " in said
    assert "the same twist in both" in said.split("hardly touched: ")[1].split("removed")[0]
    assert "twist stays" not in said


@pytest.mark.campaign
def test_the_whole_cycle_is_told_with_its_own_cure(told, paged) -> None:
    """Three plates by turns: no dome stays (check 11), and without turning the twist of all three does."""
    plates = study(CIRCLE).split("[[steps]]")[0] + 'plates.C = { like = "A" }\n'
    pair = (
        '[[steps]]\ntop = "{}"\nbottom = "{}"\ngrit = "15 um"\nstroke = {{ kind = "circle" }}\n{}\n'
    )
    for turn, stays in (("", True), ('turn = "8 deg per stroke"', False)):
        steps = "".join(
            pair.format(*which, turn) + '\ntime = "30 min"\n' for which in ("AB", "BC", "CA")
        )
        whole = told(plates + steps, "--degree", "4").split("One cycle, over and over")[1]
        head = re.search(r"<h1[^>]*>(.*?)</h1>", paged(plates + steps, "--degree", "4"), re.S)
        assert head is not None
        alone = whole.split("leaves alone ")[1].split(" takes out ")[0]
        assert ("the same twist in A, B and C" in alone) == stays
        assert ("the same twist in A, B and C" in head[1]) == stays
        assert ("dome" in alone + head[1]) is False
        assert ("turning the top slowly takes" in alone) == stays
        assert ("takes out everything; the slowest of it" in whole) == (not stays)
        assert re.search(r"halves every [\d.]+ um removed \(about \d+ (min|h), ", whole)


def test_swaps_by_reading_have_no_cycle(asked, told) -> None:
    text = study(CIRCLE, 'swap_every = { read = "5 min", on_top = "more domed" }')
    assert asked(text, "--degree", "4")["schedule"] is None
    assert "cannot be forecast: lapwright run pair.toml" in told(text, "--degree", "4")


def test_what_grows_with_time_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No stroke is known that does so, hence the motion is made so: one shape feeds another."""
    from lapwright.modal import operator as nullspace
    from lapwright.modal import propagator as evolution

    def defective(matrix, eigenvalues=None):
        broken = matrix * 0.0
        broken[5, 4] = broken[8, 8] = -1.0
        return nullspace.kernel_of(broken)

    monkeypatch.setattr(evolution, "kernel_of", defective)
    # While nothing turns as it rubs the matrix is symmetric, and nothing can: so it turns.
    (bench / "pair.toml").write_text(study(CIRCLE, 'turn = "8 deg per stroke"'))
    assert main(["why", "pair.toml", "--degree", "4", "--json"]) == 1
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert answer["error"]["code"] == DefectiveError.code
    assert "one of them grows with time" in answer["error"]["message"]
    assert err.count("\n") == 1
    assert main(["why", "pair.toml", "--degree", "4"]) == 1
    assert not (bench / "pair-why").exists()
    assert "Traceback" not in capsys.readouterr().err


# --- for people ----------------------------------------------------------------------------------


def test_each_error_that_stays_has_its_reason_and_its_cure(told) -> None:
    said = told(study(LINE))
    assert (
        "twist stays: two plates twisted the same way lie on each other at every point of this stroke; "
        'turning the top slowly takes it out (turn = "8 deg per stroke")' in said
    )
    assert "keep the domed one on top longer" in said
    assert "ridges along the stroke (3 to 9 o'clock) stay" in said
    turned = told(study(LINE, 'turn = "90 deg every 10 strokes"'))
    assert "twist stays" not in turned
    assert "ridges along the stroke (3" not in turned
    assert "a dome in a dish stays" in turned


@pytest.mark.always(0)
@pytest.mark.parametrize(
    ("stroke", "turn", "which"),
    [
        (CIRCLE, "none", "domed"),
        ('kind = "circle", radius = "24 mm"', "-180 deg per stroke", "hollow"),
        ('kind = "still"', "90 deg per stroke", None),
        ('kind = "circle", radius = "3 mm"', "none", None),
    ],
)
def test_who_goes_on_top_longer_is_the_one_that_loses_by_it(
    asked, told, stroke, turn, which
) -> None:
    """What goes hollow on top should be the domed one; turned back once round, this one goes domed there."""
    text = study(stroke, f'turn = "{turn}"')
    (step,) = asked(text, "--degree", "4")["steps"]
    gained = step["drift"]["A"]["sphere"] / step["removal"]["A"]
    assert (gained < -0.02, gained > 0.02) == (which == "domed", which == "hollow")
    said = told(text, "--degree", "4")
    assert "a dome in a dish stays" in said
    told_so = re.findall(r"keep the (\w+) one on top longer", said)
    assert told_so == ([] if which is None else [which])
    assert ("whichever lies on top" in said) == (which is None)
    swapped = told(study(stroke, f'turn = "{turn}"\nswap_every = "5 min"'), "--degree", "4")
    assert ("what it was: keep the domed one on top" in swapped) == (which == "domed")


@pytest.mark.campaign
def test_what_the_small_piece_alone_has_is_told_first(told, paged) -> None:
    text = RING.replace("time =", 'turn = "8 deg per stroke"\ntime =')
    said = told(text, "--degree", "4")
    alone = said.split("leaves alone ")[1]
    assert alone.startswith("nothing in ring alone: it soon fits plate")
    out = said.split("takes out ")[1].split(" makes ")[0]
    rows = re.findall(r"([^:]+): halves every ([\d.]+)", out)
    assert (
        "ring's own dome or dish, height at 3 and 9 or at 12 and 6, twist and all that is"
        in rows[0][0]
    )
    # Beyond its reach of 75 of 100 mm the plate keeps what it has: its own errors go last, or not at all.
    later = [depth for _, depth in rows[1:]] + re.findall(r"halved only after\s+([\d.]+) um", said)
    assert float(rows[0][1]) < 0.2 * min(map(float, later))
    page = unescape(paged(text, "--degree", "4"))
    head = re.search(r"<h1[^>]*>(.*?)</h1>", page, re.S)
    assert head is not None
    assert head[1].startswith("Ring's own dome or dish")
    assert page.index("Go soon, what ring alone has") < page.index("Stay for ever")
    assert "own dome" not in told(study(CIRCLE))


def test_what_is_made_is_told_for_metal_and_for_an_hour(told) -> None:
    said = told(study(CIRCLE))
    assert re.search(
        r"for each 1 um removed, once they have bedded in: B goes domed by 0\.65 um", said
    )
    assert (
        "half the difference of the two domes grows by 0.65 um; here the same within 0.1 %" in said
    )
    assert re.search(r"an hour takes off about [\d.]+ um \([\d.]+ um to [\d.]+ um\)", said)


def test_even_swaps_hold_the_plates_as_they_are(told) -> None:
    said = told(study(CIRCLE, 'swap_every = "5 min"'), "--degree", "4")
    assert "equal swaps hold the plates as they are" in said
    whole = said.split("One cycle, over and over")[1]
    assert re.search("a dome in (A against a hollow in B|B against a hollow in A)", whole)
    assert re.search(
        "(A high at 3 and 9 against B|B high at 3 and 9 against A) high at 12 and 6", whole
    )
    assert re.search("the same twist in (A and B|B and A)", whole)
    uneven = study(CIRCLE, 'swap_every = { A = "6 min", B = "2 min" }').replace("20 min", "24 min")
    uneven = told(uneven, "--degree", "4")
    assert "equal swaps" not in uneven
    # A is on top for three quarters of the time: half of what it would gain without swaps.
    assert "A goes hollow by 0.33 um; B goes domed by 0.33 um" in uneven


def test_the_mark_is_told_by_the_end_and_in_the_long_run(told) -> None:
    """From flat faces; each size bears the remark that it is finer than a tenth of the grit, or does not."""
    said = told(study(CIRCLE, 'load = "20 N"').replace("20 min", "6 min"), "--degree", "4")
    keeps = said.split(" keeps ")[1].split(" lifts ")[0]
    early, late = (
        max(float(size) for size in re.findall(r"([\d.]+) um", part))
        for part in keeps.split("; in the long run: ")
    )
    assert "by the end of this step: " in keeps
    assert 0.0 < early < 0.8 * late
    settled = told(study(CIRCLE, 'load = "20 N"').replace("20 min", "90 h"), "--degree", "4")
    assert "by the end of this step, and in the long run: " in settled


def test_a_long_run_that_nobody_comes_to_is_left_out(told) -> None:
    nothing = "the long run is not given, because "
    small = study('kind = "line", length = "60 mm"').replace(
        'A = { disc = "160 mm"', 'A = { disc = "40 mm"'
    )
    assert f"{nothing}by then part of A would lift all the time" in told(small)
    zigzag = study(
        'kind = "zigzag", length = "170 mm", width = "170 mm", passes = 20', 'load = "20 N"'
    )
    rail = zigzag.replace('A = { disc = "160 mm"', 'A = { rectangle = ["240 mm", "40 mm"]').replace(
        'B = { disc = "160 mm"', 'B = { rectangle = ["400 mm", "200 mm"]'
    )
    assert f"{nothing}it takes more metal than anyone removes" in told(rail, "--degree", "4")


def test_inches(told) -> None:
    said = told('units = "inch"\n' + study(CIRCLE), "--degree", "4")
    assert "for each 40 uin removed" in said
    assert " um" not in said.split("Step 1: A on B, grit 15 um")[1].split("Open in")[0]


def test_nothing_rubs(told) -> None:
    said = told(study('kind = "still"'), "--degree", "4")
    assert "nothing rubs" in said


@pytest.mark.parametrize(
    ("words", "answer"),
    [
        (["--step", "2"], "has 1 step"),
        (["--step", "0"], "is not the number of a step"),
        (["--degree", "1"], "is not a degree"),
        (["--degree", "40"], "is not a degree"),
        (["--degree", "x"], "is not a degree"),
        (["--fource"], "did you mean --force?"),
    ],
)
def test_wrong_words_are_told_in_one_line(
    bench: Path, capsys: pytest.CaptureFixture[str], words: list[str], answer: str
) -> None:
    (bench / "pair.toml").write_text(study(CIRCLE))
    assert main(["why", "pair.toml", *words]) == 2
    err = capsys.readouterr().err
    assert answer in err
    assert err.count("\n") == 1


@pytest.mark.campaign
def test_words_beside_the_json_are_those_without_it(
    bench: Path, told, capsys: pytest.CaptureFixture[str]
) -> None:
    """All of them but for the page, which a script does not get."""
    (bench / "pair.toml").write_text(study(CIRCLE))
    assert main(["why", "pair.toml", "--degree", "4"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert (
        said.replace("Open in a browser: pair-why/why.html", "").split()
        == told(study(CIRCLE), "--degree", "4").split()
    )


@pytest.mark.campaign
def test_nothing_is_overwritten_without_force(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (bench / "pair.toml").write_text(study(CIRCLE))
    assert main(["why", "pair.toml", "--degree", "4"]) == 0
    page = bench / "pair-why" / "why.html"
    assert "pair-why/why.html" in capsys.readouterr().out
    page.write_text("mine")
    assert main(["why", "pair.toml", "--degree", "4"]) == 0
    assert page.read_text() == "mine"
    assert "lapwright why pair.toml --force" in capsys.readouterr().out
    assert main(["why", "pair.toml", "--degree", "4", "--force"]) == 0
    assert page.read_text().startswith("<!")
    assert main(["why", "pair.toml", "--degree", "4", "--out", "other"]) == 0
    assert (bench / "other" / "why.html").is_file()
    (bench / "bare").mkdir()
    assert main(["why", "pair.toml", "--degree", "4", "--json"]) == 0
    assert sorted(p.name for p in bench.iterdir()) == ["bare", "other", "pair-why", "pair.toml"]


@pytest.mark.campaign
def test_a_long_one_says_how_far_it_is(tmp_path, monkeypatch, capsys) -> None:
    """On standard error, step by step; of a short one nothing is heard."""
    from lapwright.commands import terminal

    text = study(CIRCLE)
    step = text[text.index("[[steps]]") :]
    (tmp_path / "long.toml").write_text(text + 3 * step)
    words = ["why", str(tmp_path / "long.toml"), "--degree", "4", "--json"]
    assert main(words) == 0
    assert "looked at" not in capsys.readouterr().err
    monkeypatch.setattr(terminal, "LINE_EVERY", 0.0)
    assert main(words) == 0
    told = capsys.readouterr().err.splitlines()
    lines = [line for line in told if line.startswith("looked at")]
    assert [line.split(",")[0] for line in lines] == [f"looked at {k} of 4" for k in (1, 2, 3, 4)]
    assert all(line.endswith("to go") for line in lines)
    # Then what lifts is lapped a little, which takes as long again.
    after = [line.split(",")[0] for line in told if line.startswith("lapped")]
    assert after == [f"lapped {k} of 4" for k in (0, 1, 2, 3)]
