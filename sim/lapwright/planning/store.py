"""What a comparison keeps in its folder while it works, so that it can go on where it stopped.

`plan.json` says what is compared; `work/` holds the answers, one file for each chunk as it came in, whole or
not at all; `members/` a study and a run file for each member.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lapwright.errors import CommandError, RunFileError
from lapwright.planning.job import Answer
from lapwright.planning.members import Member
from lapwright.planning.summary import Summary
from lapwright.study.runfile import Run, read_run, write_run
from lapwright.study.safefile import make_folder, put_in_place

__all__ = ["Store"]

PLAN, WORK, MEMBERS = "plan.json", "work", "members"
SCHEMA = 2


@dataclass(frozen=True)
class Store:
    """The folder of a comparison."""

    folder: Path

    def begin(self, plan: Mapping[str, Any], members: Sequence[Member]) -> None:
        """Start anew: take away what an earlier comparison left, write the plan and the members' studies."""
        make_folder(self.folder)
        for name in (WORK, MEMBERS):
            if (self.folder / name).is_dir():
                shutil.rmtree(self.folder / name)
            make_folder(self.folder / name)
        for member in members:
            put_in_place(self.folder / MEMBERS / f"{member.stem}.toml", member.text.encode("utf-8"))
        put_in_place(self.folder / PLAN, _json({"schema": SCHEMA, **plan}))

    def check(self, plan: Mapping[str, Any]) -> None:
        """Refuse to go on with another comparison than the one that was begun.

        Raises
        ------
        CommandError
            Study or options have changed.
        RunFileError
            There is no comparison to go on with.

        """
        path = self.folder / PLAN
        try:
            found = json.loads(path.read_text("utf-8"))
        except (OSError, ValueError):
            raise RunFileError(
                f"there is no comparison in {self.folder} to go on with: start again with --force"
            ) from None
        wanted = json.loads(_json({"schema": SCHEMA, **plan}))
        for key, what in (
            ("schema", "the program"),
            ("program", "the program"),
            ("study", "the study"),
            ("samples", "--samples"),
            ("tolerance", "--form-tolerance"),
            ("cells", "--cells"),
        ):
            if found.get(key) != wanted.get(key):
                raise CommandError(
                    f"{what} has changed since {path} was written: put it back as it was, or start again "
                    "with --force",
                    key="--resume",
                )

    def keep(self, answers: Sequence[Answer], members: Sequence[Member]) -> None:
        """Put a chunk of answers in safety: the run files first, then the summaries that vouch for them."""
        for answer in answers:
            if answer.run is not None:
                write_run(answer.run, self.run_file(members[answer.summary.member]))
        first = answers[0].summary
        name = f"{first.member + 1:04d}-{first.draw:05d}.json"
        put_in_place(self.folder / WORK / name, _json([answer.summary.plain() for answer in answers]))

    def kept(self) -> Iterable[Summary]:
        """Every answer in safety.

        Raises
        ------
        RunFileError
            A file was damaged.

        """
        for path in sorted((self.folder / WORK).glob("*.json")):
            try:
                for data in json.loads(path.read_text("utf-8")):
                    yield Summary.of_plain(data)
            except (OSError, ValueError, KeyError, TypeError):
                raise RunFileError(f"{path} is damaged: take it away and go on with --resume") from None

    def run_file(self, member: Member) -> Path:
        """Where the run of a member lies."""
        return self.folder / MEMBERS / f"{member.stem}.h5"

    def study_file(self, member: Member) -> Path:
        """Where the study of a member lies."""
        return self.folder / MEMBERS / f"{member.stem}.toml"

    def run(self, member: Member) -> Run | None:
        """The run of a member, if there is one."""
        path = self.run_file(member)
        return read_run(path) if path.exists() else None


def _json(value: Any) -> bytes:
    return json.dumps(value, ensure_ascii=False, allow_nan=False).encode("utf-8")
