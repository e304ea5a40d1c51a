"""`lapwright bearing`: where the top bears, how hard, and whether it tips."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.commands.options import (
    Parser,
    changed_since,
    check_free,
    check_step,
    names_run,
    number,
    run_file,
)
from lapwright.commands.terminal import Speaker, typed

if TYPE_CHECKING:
    from lapwright.results.answer import BearingAnswer
    from lapwright.specification.step import Step
    from lapwright.study.model import Study

EXAMPLE = """\
example:
  lapwright bearing first-pair.toml                     the worst place of the first step, faces as they come
  lapwright bearing first-pair-run                      the same with the faces at the end of a run
  lapwright bearing first-pair.toml --phase 90 --out bears.png
"""


@dataclass(frozen=True)
class Look:
    """What to look at: a study, one of its steps with who lies where, and faces other than the first.

    `mind`: what to say first of a run whose study has changed.
    """

    study: Study
    number: int
    step: Step
    heights: Mapping[str, Any] | None
    when: str
    mind: str | None = None


def add(parser: Parser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="a study, a run's folder, or the run.h5 in it")
    parser.step("which step, from 1 (default: the first; of a run, the last)")
    place = number(float, -360.0, 360.0, "a place in the stroke: write degrees from 0 to 360")
    parser.option(
        "--phase", "DEG", "place in the first stroke, 0 to 360 (default: the worst)", type=place
    )
    parser.option("--out", "PNG", "write a picture too, such as bears.png")
    parser.flag("--force", "write over a picture that is there")


def main(args: argparse.Namespace) -> int:
    """Settle the top; returns the exit code."""
    asked = _asked(Path(args.file), args.step)
    check_free(args.out, args.force, "--out")
    from lapwright.results.answer import BearingAnswer

    phase = None if args.phase is None else args.phase * pi / 180.0
    found = BearingAnswer(asked.study, asked.number, phase, asked.step, asked.heights, asked.when)
    if args.out:
        _draw(Path(args.out), found)
    say = Speaker(args.json)
    say.lines(asked.mind)
    say.answer(found)
    where = [] if args.step is None else ["--step", args.step]
    where += [] if args.phase is None else ["--phase", f"{args.phase:.6g}"]
    again = typed("bearing", args.file, *where, "--out", "bears.png")
    lines = [("Open", args.out) if args.out else ("A picture of it", again)]
    if asked.heights is None:
        lines.append(("Lap it", typed("run", args.file)))
    say.next(*lines)
    return 0


def _asked(place: Path, wanted: int | None) -> Look:
    """A study with its first faces, or a run with its last."""
    if not names_run(place):
        from lapwright.study.read import load

        study, at = load(place), wanted or 1
        check_step(at, study)
        return Look(study, at, study.laid[at - 1], None, "faces as they come")
    from lapwright.results.runfile import read_run

    path = run_file(place)
    run = read_run(path)
    study = run.study
    last = int(run.step[-1])
    at = wanted or last
    check_step(at, study)
    step = study.laid[at - 1]
    if at == last:
        step = replace(step, top=run.top[-1], bottom=run.bottom[-1])
    heights = {name: record.frames[-1] for name, record in run.plates.items()}
    changed = changed_since(path, run)
    return Look(study, at, step, heights, "faces at the end of the run", changed)


def _draw(path: Path, found: BearingAnswer) -> None:
    from lapwright.files import put_beside
    from lapwright.presentation.pictures.stroke import bearing_picture

    study, got = found.study, found.bearing
    title = f"at {got.phase * 180.0 / pi:.0f} degrees of the stroke"
    put_beside(path, memoryview(bearing_picture(got, study.plates, title, study.units)))
