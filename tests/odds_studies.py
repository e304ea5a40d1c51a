"""Random comparisons of two ways, each from its number alone, by which quick draws are held to full ones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapwright.optimisation.cases import Tolerance, cases_of
from lapwright.optimisation.comparison import Comparison, compared
from lapwright.optimisation.equal_metal import in_draws
from lapwright.optimisation.jobs import jobs_of, run_case
from lapwright.optimisation.quick_draws import with_quick_draws
from lapwright.results.recorder import Heading
from lapwright.study.read import parse
from lapwright.study.source import document_of

STREAM = 20261
SWAPS = (
    "",
    '"5 min"',
    '"3 min"',
    '{ A = "6 min", B = "2 min" }',
    '{ A = "2 min", B = "6 min" }',
    '{ read = "4 min", on_top = "more domed" }',
    '"0.4 um"',
)


def text_of(number: int, cells: int = 16) -> str:
    """A pair with domes, twist and saddle, lapped in two ways: travel, turn, swaps, kind of stroke, load."""
    rng, minutes = np.random.default_rng([number, STREAM]), np.random.default_rng([number, 7])

    def pick(*several: str) -> str:
        return several[rng.integers(len(several))]

    def size(most: float) -> str:
        return f"{rng.uniform(-most, most):.2f} um"

    disc = pick("disc", "disc", "disc", "rectangle") == "disc"
    outline = 'disc = "160 mm"' if disc else 'rectangle = ["150 mm", "120 mm"]'
    form = f'dome = "{size(4)}", twist = "{size(1.5)}", saddle = "{size(1.5)}"'
    other = f'dome = "{size(4)}", twist = "{size(1.5)}"'
    grit, load = pick("9 um", "15 um", "15 um", "25 um"), rng.integers(0, 40)
    rng.integers(10, 60)
    text = f"""title = "Pair {number}"
seed = {number}
plates.A = {{ {outline}, thickness = "30 mm", form = {{ {form} }}, cells = {cells} }}
plates.B = {{ like = "A", form = {{ {other} }} }}
[[steps]]
top = "A"
bottom = "B"
grit = "{grit}"
load = "{load} N"
pace = "60 /min"
time = "{minutes.integers(3, 9)} min"
fresh_grit_every = "5 min"
"""
    # A sixth with the hand that draws take where nothing is said of it, which takes long to lap in full.
    text += 'hand = "steady"\n' if number % 6 else ""
    for name in ("one", "two"):
        changes = [f'"stroke.travel" = "{pick("1/6", "1/4", "1/3", "3/8")}"']
        turn = pick("none", "8 deg per stroke", "90 deg every 10 strokes", "8 deg per stroke")
        changes.append(f'turn = "{turn}"')
        swap = pick(*SWAPS)
        changes += [f"swap_every = {swap}"] if swap else []
        changes += [f'"stroke.kind" = "{pick("line", "circle")}"'] if rng.random() < 0.3 else []
        changes += [f'load = "{rng.integers(0, 60)} N"'] if rng.random() < 0.3 else []
        text += f'[[variants]]\nname = "{name}"\nset = {{ {", ".join(changes)} }}\n'
    return text


@dataclass(frozen=True)
class Beside:
    """One comparison with quick draws and with the first few of the same draws lapped in full."""

    quick: Comparison
    full: Comparison

    def figures(self, got: Comparison, draw: int) -> list[float]:
        """The worst flatness of each way in a draw, as it is judged there [m]."""
        drawn = {i: some[draw] for i, some in enumerate(got._numbered) if draw in some}
        then = in_draws(got.judged, got.nominal, drawn)
        return [got.criterion.figure(then[i]) for i in (0, 1)]

    def pairs(self) -> list[tuple[list[float], list[float]]]:
        """For each draw that was lapped in full: the two figures by the quick draw, and in full [m]."""
        return [
            (self.figures(self.quick, k), self.figures(self.full, k))
            for k in range(1, self.full.samples + 1)
        ]


def beside(number: int, samples: int, cells: int = 16) -> Beside | None:
    """Lap one of these comparisons; None where one of its ways cannot be."""
    text = text_of(number, cells)
    study = parse(text, f"odds-{number}")
    members = cases_of(study, document_of(text))
    if any(member.study is None for member in members):
        return None
    jobs = jobs_of(members, samples, Tolerance(), Heading("lapwright", {}), True)
    stands = [run_case(job).summary for job in jobs if job.draw == 0]
    if not all(got.done for got in stands):
        return None
    quick = with_quick_draws(compared(study, members, stands))
    if len(quick.quick) < 2:
        return Beside(quick, quick)
    drawn = [run_case(job).summary for job in jobs if job.draw]
    return Beside(quick, compared(study, members, [*stands, *drawn]))
