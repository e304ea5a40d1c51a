"""Numbers as at the bench: what previews of every study and of generated ones print, metric and inch.

And what is said of some of them when they are lapped: run, why, gauge, bearing, compare, their readings.

No strings of zeros, no more than four figures of a number that nobody typed, no percentage of four figures,
no "-0", and at an inch bench nothing in millimetres or kilopascals.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from lapwright.optimisation.work import Many, compare
from lapwright.results.answer import Preview
from lapwright.study.model import Study
from lapwright.study.read import parse

CONFIGS = Path(__file__).parents[1] / "configs"
NAMES = sorted(path.stem for path in CONFIGS.glob("*.toml"))
NUMBER = re.compile(r"(?<![\w.])-?\d+(?:\.\d+)?(?:e-?\d+)?(?![\w.]*\d)")
METRIC_UNITS = re.compile(r"\d (mm|kPa|MPa|kg|degC|m/s|km)\b|1/Pa")
RAIL = """title = "Rail"
plates.plate = { rectangle = ["16 in", "8 in"], thickness = "2.5 in", cells = 32 }
parts.rail = { rectangle = ["9.5 in", "1.5 in"], thickness = "1.5 in", form = { wind = "160 uin" } }
[[steps]]
top = "rail"
bottom = "plate"
grit = "F400"
stroke = { kind = "zigzag", length = "6.5 in", width = "6.5 in", passes = 20 }
load = "5 lbf"
turn = "180 deg every 10 strokes"
time = "400.0001 min"
"""
RING = """title = "Ring"
plates.plate = { disc = "250 mm", thickness = "40 mm", cells = 32 }
parts.ring = { ring = ["50 mm", "30 mm"], thickness = "6 mm", material = "stainless", cells = 32 }
[[steps]]
top = "ring"
bottom = "plate"
grit = "9 um"
stroke = { kind = "circle", radius = "12 mm", centre = ["90 mm", "0 mm"], carry_centre = true }
walk = "4 deg per stroke"
load = "5 N"
strokes = 20000
swap_every = "6.66667 h"
"""
PAIR = """title = "Pair"
plates.A = { disc = "6-1/4 in", thickness = "1-1/4 in", cells = 32, form = { dome = "120 uin" } }
plates.B = { like = "A" }
[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
stroke = { kind = "figure-eight", overhang = "0.001 in" }
turn = "7.77777 deg per stroke"
time = "1 h 7 min"
"""


WAYS = """title = "Ways"
plates.A = { disc = "4-1/4 in", thickness = "3/4 in", cells = 16, form = { dome = "60 uin" } }
plates.B = { like = "A", form = { dish = "23 uin" } }
[[steps]]
top = "A"
bottom = "B"
grit = "9 um"
turn = "7.77777 deg per stroke"
swap_every = "6.66667 min"
load = "3 lbf"
time = "17 min"
[[variants]]
name = "short"
set = { "stroke.travel" = "1/6" }
[[variants]]
name = "long"
set = { "stroke.travel" = "1/2" }
"""


def studies() -> list[tuple[str, str]]:
    """Texts of every study, in its own units and in the other."""
    texts = {name: (CONFIGS / f"{name}.toml").read_text("utf-8") for name in NAMES}
    texts |= {"rail": RAIL, "ring": RING, "pair": PAIR}
    out = []
    for name, text in texts.items():
        if "start = " in text or "map" in text:
            continue  # what it goes on from is not here
        bare = re.sub(r"^units = .*\n", "", text, flags=re.M)
        out += [(f"{name}-{units}", f'units = "{units}"\n{bare}') for units in ("metric", "inch")]
    return out


CASES = studies()


def figures(number: str) -> int:
    digits = number.lstrip("-").partition("e")[0].replace(".", "").lstrip("0")
    return len(digits if "." in number else digits.rstrip("0"))


def faults(text: str, typed: set[str], *, inch: bool) -> list[str]:
    """What is wrong with the numbers of a text."""
    wrong = re.findall(r"-0(?![\d.])|\bnan\b|\binf\b|\d?\.0000\d*|\de-\d\d\b", text)
    for number in NUMBER.findall(text):
        if number not in typed and figures(number) > 4:
            wrong.append(number)
    wrong += [n for n in re.findall(r"(\d[\d.]*) %", text) if len(n.split(".")[0]) > 3]
    return wrong + [found[0] for found in METRIC_UNITS.finditer(text) if inch]


def typed_in(study: Study) -> set[str]:
    """Numbers of a study as they were typed."""
    return set(re.findall(r"\d+(?:\.\d+)?", study.text))


@pytest.mark.always(*range(0, 6, 2), *range(10, 24, 3), 34, 37, 42, 48)
@pytest.mark.often(
    "grooved-pair-inch",
    "gauge-ends-in-a-carrier-metric",
    "rings-over-the-rim-inch",
    "rail-inch",
    "ring-metric",
)
@pytest.mark.parametrize(("name", "text"), CASES, ids=[name for name, _ in CASES])
def test_a_preview_says_numbers_as_at_the_bench(name: str, text: str) -> None:
    study = parse(text, name)
    lines = Preview(study).text().splitlines()
    own = study.title  # a title and the names of plates are the person's
    # A balance reads grams at an inch bench too.
    # A size has as many figures as a micrometer shows.
    said = [re.sub(r"[\d.]+ in thick", "", line.replace(own, "")) for line in lines]
    found = {
        line: wrong
        for line in said
        if (wrong := faults(line, typed_in(study), inch="inch" in name))
    }
    assert not found


def test_the_rules_catch_what_they_are_for() -> None:
    for wrong in ("6.66667 h", "0.00000000080 in", "1300 %", "-0 um", "nan um", "8.0e-10 in"):
        assert faults(wrong, set(), inch=True), wrong
    assert faults("40 mm", set(), inch=True)
    assert not faults("40 mm, 12000 strokes, 17.25 um, 0.00993 g", set(), inch=False)


def answers(study: Study, every: bool) -> dict[str, str]:
    """What is said of a study by every command that laps it, or looks at it; the quicker ones, or `every`."""
    run = study.run()
    found = {
        "run": "\n".join([*run.lines(whole=True), *run.lines()]),
        "bearing": study.bearing().text(),
        "gauge": study.gauge().text(),
    }
    if not any(plate.outline.bore for plate in study.plates.values()):
        name = next(iter(study.plates))
        found["readings"] = study.gauge(readings=[f"spherometer {name} 0.7 um @ 0 deg"]).text()
    if every:
        found["why"] = study.why().text()
    if every and study.variants:
        found["compare"] = compare(study, Many(samples=2), 1, None).text()
    return found


LAPPED = {
    "ways": WAYS,
    "rail": RAIL.replace("400.0001", "40.0001"),
    "ring": RING.replace("20000", "2000"),
}
LONGER = [
    pytest.param(name, units, True, marks=pytest.mark.long)
    for name in LAPPED
    for units in ("metric", "inch")
]


@pytest.mark.campaign
@pytest.mark.parametrize(("name", "units", "every"), [("ways", "inch", False), *LONGER])
def test_every_answer_says_numbers_as_at_the_bench(name: str, units: str, every: bool) -> None:
    study = parse(f'units = "{units}"\n{LAPPED[name]}', name)
    found = {}
    for command, text in answers(study, every).items():
        for line in text.splitlines():
            # Micrometres in brackets beside microinches are meant, and so are all figures of a thickness.
            beside = r"[\d.]+ in thick|\([\d.]+ (?:um|uin)\)"
            said = re.sub(beside, "", line.replace(study.title, ""))
            if wrong := faults(said, typed_in(study), inch=units == "inch"):
                found[command, line] = wrong
    assert not found
