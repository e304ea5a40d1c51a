"""`lapwright bearing`: where the top bears, how hard, and whether it tips."""

from __future__ import annotations

import argparse
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import pi
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lapwright.commands.paths import changed_since, run_file
from lapwright.commands.terminal import Speaker, print_json, typed
from lapwright.errors import CommandError

if TYPE_CHECKING:
    from lapwright.results.answers import BearingAnswer
    from lapwright.specification.step import Step
    from lapwright.study.model import Study

__all__ = ["EXAMPLE", "add", "main"]


EXAMPLE = """\
example:
  lapwright bearing first-pair.toml                     the worst place of the first step, faces as they come
  lapwright bearing first-pair-run                      the same with the faces at the end of a run
  lapwright bearing first-pair.toml --phase 90 --out bears.png
"""


@dataclass(frozen=True)
class Asked:
    """What to look at: a study, one of its steps with who lies where, and faces other than the first.

    `mind`: what to say first of a run whose study has changed.
    """

    study: Study
    number: int
    step: Step
    heights: Mapping[str, Any] | None
    when: str
    mind: str | None = None


def add(parser: argparse.ArgumentParser) -> None:
    """Say which words the command takes."""
    parser.add_argument("file", metavar="FILE", help="a study, a run's folder, or the run.h5 in it")
    parser.add_argument(
        "--step",
        type=_step,
        metavar="N",
        help="which step, from 1 (default: the first; of a run, the last)",
    )
    parser.add_argument(
        "--phase",
        type=_degrees,
        metavar="DEG",
        help="place in the first stroke, 0 to 360 (default: the worst)",
    )
    parser.add_argument("--out", metavar="PNG", help="write a picture too, such as bears.png")
    parser.add_argument("--force", action="store_true", help="write over a picture that is there")


def _step(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 10_000:
        raise argparse.ArgumentTypeError(f"'{text}' is not the number of a step: write 1, 2, ...")
    return int(text)


def _degrees(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not -360.0 <= value <= 360.0:
        raise argparse.ArgumentTypeError(
            f"'{text}' is not a place in the stroke: write degrees from 0 to 360"
        )
    return value * pi / 180.0


def main(args: argparse.Namespace) -> int:
    """Settle the top; returns the exit code."""
    asked = _asked(Path(args.file), args.step)
    picture = Path(args.out) if args.out else None
    if picture is not None and os.path.exists(picture) and not args.force:
        raise CommandError(
            f"{picture} is there already: add --force to write over it", key="--out", code="exists"
        )
    from lapwright.results.answer import wrapped
    from lapwright.results.answers import BearingAnswer

    found = BearingAnswer(
        asked.study, asked.number, args.phase, asked.step, asked.heights, asked.when
    )
    if picture is not None:
        _draw(picture, found)
    say = Speaker(args.json)
    for line in wrapped(asked.mind or "", "", "  "):
        say(line)
    say(found.text())
    if args.json:
        print_json(found.to_dict())
    lines = (
        [("Open", str(picture))]
        if picture
        else [
            ("A picture of it", typed("bearing", args.file, *_places(args), "--out", "bears.png"))
        ]
    )
    if asked.heights is None:
        lines.append(("Lap it", typed("run", args.file)))
    say.next(*lines)
    return 0


def _places(args: argparse.Namespace) -> list[str]:
    """Step and place in the stroke as they were asked for, to be asked for again."""
    words = ["--step", str(args.step)] if args.step is not None else []
    return words + (["--phase", f"{args.phase * 180.0 / pi:.6g}"] if args.phase is not None else [])


def _asked(place: Path, wanted: int | None) -> Asked:
    """A study with its first faces, or a run with its last."""
    if not os.path.isdir(place) and place.suffix.lower() not in (".h5", ".hdf5"):
        from lapwright.study.read import load

        study = load(place)
        number = _checked(wanted or 1, study)
        return Asked(study, number, study.steps[number - 1], None, "faces as they come")
    from lapwright.results.runfile import read_run

    path = run_file(place)
    run = read_run(path)
    study = run.study
    last = int(run.step[-1])
    number = _checked(wanted or last, study)
    step = study.steps[number - 1]
    if number == last:
        step = replace(step, top=run.top[-1], bottom=run.bottom[-1])
    heights = {name: record.frames[-1] for name, record in run.plates.items()}
    return Asked(
        study, number, step, heights, "faces at the end of the run", changed_since(path, run)
    )


def _checked(number: int, study: Study) -> int:
    if number > len(study.steps):
        there = f"{len(study.steps)} step{'s' if len(study.steps) > 1 else ''}"
        raise CommandError(f"--step {number}: {study.stem} has {there}", key="--step")
    return number


def _draw(path: Path, found: BearingAnswer) -> None:
    from lapwright.files import put_in_place
    from lapwright.presentation.pictures.stroke import bearing_picture

    study, got = found.study, found.bearing
    title = f"at {got.phase * 180.0 / pi:.0f} degrees of the stroke"
    put_in_place(path, memoryview(bearing_picture(got, study.plates, title, study.units)))
