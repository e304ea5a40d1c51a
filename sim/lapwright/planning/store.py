"""What a comparison or a search keeps in its folder while it works, so that it can go on where it stopped.

`plan.json` says what was asked, and of what it hangs; `work.part` holds the answers as they came in
(`lapwright.planning.journal`); `members/` a study and a run file for each member.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lapwright.errors import CommandError, RunFileError
from lapwright.planning.job import Answer
from lapwright.planning.journal import Journal, plain_json
from lapwright.planning.members import Member
from lapwright.planning.summary import Summary
from lapwright.study.folder import OutputFolder
from lapwright.study.identity import unlike
from lapwright.study.runfile import Run, read_run, write_run
from lapwright.study.safefile import make_folder, put_in_place

__all__ = ["MEMBERS", "PLAN", "WORK", "Store"]

PLAN, WORK, MEMBERS = "plan.json", "work.part", "members"
SCHEMA = 3
CHANGES = {
    "study": "the study has changed",
    "inputs": "a height map or a run that the study names has changed",
    "samples": "--samples has changed",
    "tolerance": "--form-tolerance has changed",
    "cells": "--cells has changed",
}


@dataclass
class Store:
    """The folder of a comparison or a search; `key` of the plan that it works by."""

    folder: OutputFolder
    key: str = ""
    journal: Journal = field(init=False)

    def __post_init__(self) -> None:
        self.journal = Journal(self.path / WORK)

    @property
    def path(self) -> Path:
        """Where it lies."""
        return self.folder.path

    def begin(self, plan: Mapping[str, Any], members: Sequence[Member], answers: Sequence[str] = ()) -> None:
        """Start anew: take away what an earlier work left, then write the members' studies, then the plan.

        `answers`: files that the work will end in.  A kill at any place leaves a folder without a plan, which
        begins anew again, and never the members of two plans.
        """
        stems = [f"{MEMBERS}/{member.stem}" for member in members]
        names = [PLAN, WORK, *answers, *(stem + end for stem in stems for end in (".toml", ".h5"))]
        self.folder.clear(first=[PLAN, WORK])
        self.folder.claim(names)
        make_folder(self.path / MEMBERS)
        for member in members:
            put_in_place(self.study_file(member), member.text.encode("utf-8"))
        plan = {"schema": SCHEMA, **plan}
        self.key = _digest(plan)
        put_in_place(self.path / PLAN, plain_json({"digest": self.key, "plan": plan}))

    def begun(self) -> bool:
        """Whether there is a plan to go on with."""
        return (self.path / PLAN).exists()

    def check(self, plan: Mapping[str, Any]) -> None:
        """Refuse to go on with another work than the one that was begun.

        Raises
        ------
        CommandError
            Study, options, program, libraries or processor have changed.
        RunFileError
            The plan is damaged.

        """
        path = self.path / PLAN
        try:
            told = json.loads(path.read_bytes())
            found, key = told["plan"], told["digest"]
            if not isinstance(found, dict) or key != _digest(found):
                raise ValueError
        except (OSError, ValueError, KeyError, TypeError, RecursionError):
            raise RunFileError(f"{path} is damaged: start again with --force") from None
        wanted = json.loads(plain_json({"schema": SCHEMA, **plan}))
        change = "it was written by another lapwright" if found.get("schema") != SCHEMA else None
        change = change or unlike(found["program"], found["versions"])
        for name, what in CHANGES.items():
            change = change or (what if found[name] != wanted[name] else None)
        if change is not None:
            raise CommandError(
                f"{change} since {path} was written: put it back as it was, or start again with --force",
                key="--resume",
            )
        self.key = key

    def keep(self, answers: Sequence[Answer], members: Sequence[Member]) -> None:
        """Put a chunk of answers in safety: the run files first, then the summaries that vouch for them.

        What failed for the machine's reasons is no answer: it is tried again when the work goes on.
        """
        kept = [answer for answer in answers if not answer.summary.machine]
        for answer in kept:
            if answer.run is not None:
                write_run(answer.run, self.run_file(members[answer.summary.member]))
        if kept:
            self.journal.add(self.key, [answer.summary.plain() for answer in kept])

    def kept(self, members: Sequence[Member]) -> Iterable[Summary]:
        """Every answer in safety that is of this plan, and whose run file is still there."""
        for key, answers in self.journal.read():
            for data in answers if key == self.key else ():
                summary = Summary.of_plain(data)
                lost = (
                    summary.draw == 0
                    and summary.plates
                    and not self.run_file(members[summary.member]).exists()
                )
                if not lost:
                    yield summary

    def run_file(self, member: Member) -> Path:
        """Where the run of a member lies."""
        return self.path / MEMBERS / f"{member.stem}.h5"

    def study_file(self, member: Member) -> Path:
        """Where the study of a member lies."""
        return self.path / MEMBERS / f"{member.stem}.toml"

    def run(self, member: Member) -> Run | None:
        """The run of a member, if there is one."""
        path = self.run_file(member)
        return read_run(path) if path.exists() else None


def _digest(plan: Mapping[str, Any]) -> str:
    return hashlib.sha256(json.dumps(plan, sort_keys=True).encode("utf-8")).hexdigest()
