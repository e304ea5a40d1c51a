"""Small studies to compare, and a crew without processes."""

from __future__ import annotations

from contextlib import AbstractContextManager
from functools import cache

from lapwright.optimisation.cases import Tolerance, cases_of
from lapwright.optimisation.comparison import Comparison, compared
from lapwright.optimisation.jobs import jobs_of, meaningless, run_case
from lapwright.optimisation.workers import WorkerPool, in_process, work_through
from lapwright.results.recorder import Heading
from lapwright.study.read import parse
from lapwright.study.source import document_of

PAIR = """title = "Pair"
plates.A = { disc = "160 mm", thickness = "30 mm", form = { dome = "3 um" }, cells = 24 }
plates.B = { like = "A", form = { dish = "1 um" } }

[[steps]]
top = "A"
bottom = "B"
grit = "15 um"
load = "20 N"
time = "10 min"
"""
TURNED = PAIR.replace("time =", 'turn = "8 deg per stroke"\ntime =')
THREE = (
    PAIR
    + """
[[variants]]
name = "as usual"
set = { load = "20 N" }

[[variants]]
name = "over the edge"
set = { stroke = { kind = "circle", radius = "79.9 mm" } }

[[variants]]
name = "short"
set = { "stroke.travel" = "1/6" }
"""
)
# A ring of hardened steel on an iron plate: unequal wear, mass and outline.
RING = """title = "Ring on a plate"
plates.plate = { disc = "160 mm", thickness = "30 mm", cells = 32 }
[parts.ring]
ring = ["80 mm", "40 mm"]
thickness = "20 mm"
material = "hardened steel"
cells = 24
form = { dome = "2 um" }

[[steps]]
top = "ring"
bottom = "plate"
grit = "15 um"
stroke = { kind = "circle", radius = "8 mm", centre = ["30 mm", "0 mm"], carry_centre = true }
walk = "4 deg per stroke"
load = "20 N"
time = "10 min"
"""


def crew_at_hand(args: object, most: int) -> AbstractContextManager[WorkerPool]:
    """In place of `crew_of` of the commands, where a test is not about the processes they start."""
    return in_process()


@cache
def compare(text: str, samples: int = 0, tolerance: Tolerance = Tolerance()) -> Comparison:  # noqa: B008
    """The whole way from a study's text, in this process."""
    study = parse(text, "study")
    members = cases_of(study, document_of(text))
    jobs = jobs_of(members, samples, tolerance, Heading("lapwright", {}), study.batch is None)
    with in_process() as crew:
        answers = [a for some in work_through(crew, run_case, jobs, lost=run_case) for a in some]
    return compared(
        study, members, [*meaningless(members), *(a.summary for a in answers)], tolerance
    )
